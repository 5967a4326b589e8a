"""A check that an HTML text is well nested and loads nothing from outside."""

import re
from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input", "path", "use", "rect", "circle", "line"}


class Checker(HTMLParser):
    """Follows nesting, attributes that load something, and identifiers."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.loads: list[str] = []
        self.ids: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href", "data", "action", "srcset") and not value.startswith(
                "#"
            ):
                self.loads.append(value)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-3:]} in line {self.getpos()[0]}")
        else:
            self.open.pop()


def check(text: str) -> Checker:
    checker = Checker()
    checker.feed(text)
    checker.close()
    assert checker.faults == []
    assert checker.open == []
    assert checker.loads == []
    assert len(checker.ids) == len(set(checker.ids))
    assert "script" not in checker.tags
    assert not re.search(r"@import|url\((?!#)", text)
    assert text.startswith("<!doctype html>")
    return checker
