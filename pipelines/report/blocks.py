"""What a page is made of: sections of text, facts, tables, grids, figures and lists to copy.

Jobs and figures make blocks; the template alone knows how they look.
"""

from dataclasses import dataclass, field
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Text:
    """Paragraphs.

    Parameters
    ----------
    paragraphs : tuple of str
        Plain text.
    small : bool
        Whether it is a remark.
    """

    kind: ClassVar[str] = "text"
    paragraphs: tuple[str, ...]
    small: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of points, or of steps when `numbered`."""

    kind: ClassVar[str] = "bullets"
    points: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of a name and a value."""

    kind: ClassVar[str] = "facts"
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table.

    Parameters
    ----------
    text : str
        What stands in it, first line.
    below : str
        Second line, smaller: a change, an interval.
    mark : str
        Class names for its look: ``number``, ``up``, ``down``, ``thin`` (no data), ``good``, ``bad``.
    """

    text: str
    below: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption.

    Parameters
    ----------
    caption : str
    head : tuple of str
        Column headings with units.
    rows : tuple of tuple of Cell
        The first cell of a row is its heading.
    note : str
        Legend below.
    wide : bool
        Whether it is a grid, with narrow cells.
    folded : bool
        Whether only its caption shows until the reader opens it; print shows all of it.
    """

    kind: ClassVar[str] = "table"
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    wide: bool = False
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure with its caption and a sentence for readers who cannot see it."""

    kind: ClassVar[str] = "picture"
    svg: str
    caption: str
    described: str


@dataclass(frozen=True, slots=True)
class Copy:
    """Numbers in plain rows with tabs, to paste into an editor."""

    kind: ClassVar[str] = "copy"
    title: str
    text: str


Block = Text | Bullets | Facts | Table | Picture | Copy


@dataclass(frozen=True, slots=True)
class Section:
    """A numbered part of the page."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A whole report.

    Parameters
    ----------
    title : str
        What was done to which car.
    headline : str
        The finding, with numbers.
    remarks : tuple of str
        One to three sentences that qualify it.
    tone : str
        ``good``, ``careful`` or ``bad``: how the finding is framed; words say it too.
    corner : tuple of (str, str)
        Facts of the title block.
    warnings : tuple of str
        What must be known before acting on this result.
    cautions : tuple of (str, str)
        Lead words and sentence of each standing caution.
    sections : tuple of Section
    """

    title: str
    headline: str
    remarks: tuple[str, ...]
    tone: str
    corner: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...] = field(default=())


def cells(*texts: str) -> tuple[Cell, ...]:
    """Return a row of plain cells, the first one a heading."""
    return tuple(Cell(text) for text in texts)
