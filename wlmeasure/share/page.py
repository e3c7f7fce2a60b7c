"""What stands on a page, as frozen blocks. All texts are plain: whoever writes them out escapes them.

The writers are :mod:`~wlmeasure.share.html` and :mod:`~wlmeasure.share.pdf`.
"""

from __future__ import annotations

from typing import Literal

from attrs import frozen

from wlmeasure.share.drawing import Drawing

__all__ = [
    "Block",
    "Bullets",
    "Card",
    "Cards",
    "Columns",
    "Figure",
    "Group",
    "Heading",
    "Key",
    "Page",
    "PageFile",
    "Remarks",
    "Row",
    "Table",
    "Text",
]


Paper = Literal["A4", "A5"]


@frozen
class Key:
    """What a colour in a figure means."""

    colour: str
    words: str
    wide: bool = False
    dash: bool = False


@frozen
class Heading:
    """Level 2 opens a part of the page, level 3 one within it; `colour` is the canal's; `new_sheet` is for paper."""

    level: int
    text: str
    colour: str = ""
    new_sheet: bool = False


@frozen
class Text:
    """One paragraph; `small` for what is looked up rather than read, `large` for what is read at arm's length."""

    text: str
    small: bool = False
    large: bool = False


@frozen
class Table:
    """Rows of cells. `numbers` are the columns set to the right; `named` sets the first column as names of what follows; on
    paper the rows of a `close` table stand as near as lines of text do.
    """

    rows: tuple[tuple[str, ...], ...]
    head: tuple[str, ...] = ()
    numbers: tuple[int, ...] = ()
    named: bool = False
    close: bool = False


@frozen
class Remarks:
    """Things that somebody has to look at."""

    texts: tuple[str, ...]


@frozen
class Bullets:
    """Cautions and other lists."""

    texts: tuple[str, ...]


@frozen
class Figure:
    """A drawing, what its colours mean, and a caption."""

    drawing: Drawing
    caption: str
    keys: tuple[Key, ...] = ()


@frozen
class Card:
    """One headline figure: `value` large, `spread` beside it, `lines` below, `strong` the line that counts most.

    `faint` sets the figure lightly: it is not one to go by yet.
    """

    colour: str
    title: str
    value: str
    spread: str = ""
    lines: tuple[str, ...] = ()
    strong: str = ""
    faint: bool = False


@frozen
class Cards:
    """Headline figures side by side."""

    cards: tuple[Card, ...]


@frozen
class Columns:
    """Two columns; the left one takes `left_share` of the width on paper and what it needs on a screen."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]
    left_share: float = 0.36


@frozen
class Row:
    """Several cells of equal width side by side, as one for each canal; on a narrow screen they wrap."""

    cells: tuple[tuple[Block, ...], ...]


@frozen
class Group:
    """Blocks that stand on one sheet of paper."""

    blocks: tuple[Block, ...]


Block = Heading | Text | Table | Remarks | Bullets | Figure | Cards | Columns | Row | Group


@frozen
class Page:
    """Title, one line below it, blocks in order; `language` of the words; `paper` is for the PDF."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    footer: str = ""
    language: str = "en"
    paper: Paper = "A4"


@frozen
class PageFile:
    """A page as the contents of a file, and what whoever writes it must be told about it."""

    content: bytes
    remarks: tuple[str, ...] = ()
