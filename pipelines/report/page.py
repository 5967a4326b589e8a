"""A page to one self-contained HTML file: style and figures inside, no script, no address outside."""

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipelines.report.blocks import Page


def render(page: Page) -> str:
    """Return the HTML text of a page.

    Parameters
    ----------
    page : Page

    Returns
    -------
    str
        Complete document, UTF-8 when written.
    """
    text = _environment().get_template("page.html.j2").render(page=page, style=_style())
    return "\n".join(line for line in text.splitlines() if line.strip()) + "\n"


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("pipelines.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["drawn"] = Markup  # our own SVG, made by matplotlib from numbers
    return environment


@cache
def _style() -> Markup:
    environment = _environment()
    loader = environment.loader
    source = "" if loader is None else loader.get_source(environment, "page.css")[0]
    return Markup(source)
