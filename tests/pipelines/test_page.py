"""A page is valid HTML, stands alone, escapes what comes from files, and carries its cautions."""

import pytest
from cases.htmlpage import check

from gridfit.grids import CutGrid, GridPair, TargetGrid
from pipelines.report.blocks import Bullets, Cell, Copy, Facts, Page, Picture, Section, Table, Text
from pipelines.report.cautions import cautions
from pipelines.report.grid_tables import cut_table
from pipelines.report.page import render


def page(cut: str = "ignition", **changes) -> Page:
    blocks = (
        Text(("First <b>words</b> & signs",)),
        Bullets(("one", "two"), numbered=True),
        Facts((("seed", "1"),)),
        Table("Numbers", ("", "x"), ((Cell("row"), Cell("1.5", "0 to 3", "number")),), "A note."),
        Picture("<svg viewBox='0 0 1 1'><path d='M0 0'/></svg>", "A caption.", "A picture."),
        Copy("To copy", "1\t2\n"),
    )
    values = {
        "title": "A <title>",
        "headline": "Cost 2 (1 to 3) & falling.",
        "remarks": ("A remark.",),
        "tone": "careful",
        "corner": (("car", "<amber>"),),
        "warnings": ("Mind this.",),
        "cautions": cautions(cut),
        "sections": (Section("All blocks", blocks),),
    }
    return Page(**{**values, **changes})


def test_a_page_with_every_block_is_valid_and_stands_alone():
    checker = check(render(page()))
    assert {"table", "figure", "details", "ol", "dl", "svg"} <= set(checker.tags)


def test_what_comes_from_files_is_escaped():
    text = render(page())
    assert "First &lt;b&gt;words&lt;/b&gt; &amp; signs" in text
    assert "<amber>" not in text


def test_the_finding_comes_first_then_warnings_then_cautions():
    text = render(page())
    places = [
        text.index(part) for part in ("Cost 2 (1 to 3)", "Mind this.", "Closed course", "All blocks</h2>")
    ]
    assert places == sorted(places)


@pytest.mark.parametrize("cut", ["ignition", "fuel"])
def test_every_caution_is_there_whatever_is_cut(cut):
    text = render(page(cut)).lower()
    for words in (
        "closed course", "trained driver", "unburnt", "exhaust", "lean", "driveline", "not a safety system",
        "stability", "braking", "sporting rules", "last good pair",
    ):  # fmt: skip
        assert words in text, words


def test_the_car_s_own_kind_of_cut_is_warned_of_among_the_first():
    assert cautions("fuel")[1][0] == "Lean running"
    assert cautions("ignition")[1][0].startswith("Unburnt")


def test_a_page_without_warnings_has_no_empty_box():
    assert "Before you act" not in render(page(warnings=()))


def test_a_page_has_a_size_for_screens_and_for_paper():
    text = render(page())
    assert 'name="viewport"' in text
    assert "@media print" in text
    assert "size: A4" in text


BEFORE = GridPair(TargetGrid([20.0, 100.0], [40.0, 10.0]), CutGrid([0.0, 10.0], [1.0], [[10, 30]]))
AFTER = GridPair(TargetGrid([20.0, 100.0], [40.0, 10.0]), CutGrid([0.0, 10.0], [1.0], [[10, 25]]))


def test_cells_show_their_change_and_where_no_data_stand():
    import numpy as np

    (row,) = cut_table(AFTER, BEFORE, np.array([[0, 4]])).rows
    assert row[1] == Cell("10", "·", "thin")
    assert row[2] == Cell("25", "−5", "down")


def test_long_tables_may_break_over_pages():
    rows = tuple((Cell(str(index)),) for index in range(40))
    assert 'class="plain long"' in render(page(sections=(Section("t", (Table("c", ("x",), rows),)),)))
