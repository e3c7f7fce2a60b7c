"""A page as PDF, A4, drawn from the same blocks and shapes as the HTML page.

Written with reportlab (BSD). Letters of every script are set by :mod:`~wlmeasure.share.lettering`; what no font has is a box,
and the foot of each sheet says so.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from unicodedata import category, name
from xml.sax.saxutils import escape

from attrs import fields, has
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, A5
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as Grid

from wlmeasure.share.drawing import Area, Drawing, Ellipse, Label, Line, Picture
from wlmeasure.share.faces import BOLD, REGULAR
from wlmeasure.share.lettering import draw_line, line_width, register_fonts, set_line, words_of
from wlmeasure.share.page import (
    Block,
    Bullets,
    Card,
    Cards,
    Columns,
    Figure,
    Group,
    Heading,
    Key,
    Page,
    PageFile,
    Remarks,
    Row,
    Table,
    Text,
)

__all__ = ["pdf_page"]

MARGIN_PT = 34.0
FOOT_PT = 7.0
MOST_NAMED = 20  # code points in a remark; our parameter
GAP_PT = 14.0
INFINITE = 1e6
FIRST_COLUMN = 0.24  # of a table's width that its names may take before they are broken
# A figure's pixel on paper (two figures, or a film and its table, side by side on A4), and whether the last part of the page
# begins a sheet; the later ones are tried where a sheet would stay half empty.
LAYOUTS = ((0.62, False), (0.54, False), (0.46, False), (0.62, True))
HALF_EMPTY = 0.5
INK, SOFT, RULE = HexColor("#1c2329"), HexColor("#4c5661"), HexColor("#c4ccd4")


def pdf_page(page: Page) -> PageFile:
    """The page as a PDF file; a remark names the characters that no font of this computer has.

    The same page gives the same bytes on one computer: no time and no random id is written into it. Of a few
    layouts that one is taken that leaves the fewest sheets half empty, then has the fewest sheets, then the least empty ones.
    """
    register_fonts()
    boxed = _boxed(page)
    best, least = b"", (0, 0, 0.0)
    for layout in LAYOUTS if page.paper == "A4" else LAYOUTS[:1]:  # a card's digits keep their size
        made, blank = _set(page, boxed, *layout)
        waste = sum(share > HALF_EMPTY for share in blank)
        if not best or (waste, len(blank), round(max(blank), 1)) < least:
            best, least = made, (waste, len(blank), round(max(blank), 1))
        if waste == 0 or len(blank) == 1:
            break
    return PageFile(best, (_in_full(boxed),) if boxed else ())


class _Sheets(BaseDocTemplate):  # type: ignore[misc]
    """Sheets that remember what share of each stayed empty at its foot."""

    def __init__(self, *arguments: object, **more: object) -> None:
        super().__init__(*arguments, **more)
        self.blank: list[float] = []

    def handle_pageEnd(self) -> None:  # noqa: N802, the library's name
        self.blank.append((self.frame._y - self.frame._y1p) / (self.frame._y2 - self.frame._y1p))
        super().handle_pageEnd()


def _set(page: Page, boxed: Sequence[str], pixel_pt: float, last_apart: bool = False) -> tuple[bytes, list[float]]:
    """The page in one layout, and what share of each sheet is empty at its foot."""
    out = io.BytesIO()
    width, height = {"A4": A4, "A5": A5}[page.paper]
    margin = MARGIN_PT if page.paper == "A4" else 0.6 * MARGIN_PT
    document = _Sheets(
        out, pagesize=(width, height), invariant=1, lang=page.language,
        title=page.title, author="", subject=page.subtitle, creator=page.footer,
        leftMargin=margin, rightMargin=margin, topMargin=margin, bottomMargin=margin,
    )  # fmt: skip
    inner = width - 2 * margin
    below = max(margin, 0.5 * margin + 2.6 * FOOT_PT) if boxed else margin
    frame = Frame(margin, below, inner, height - margin - below, 0, 0, 0, 0)

    def foot(canvas: Canvas, template: BaseDocTemplate) -> None:
        number = f"page {template.page}"
        canvas.setFillColor(SOFT)
        draw_line(canvas, margin, 0.5 * margin, page.footer, FOOT_PT)
        draw_line(canvas, width - margin - line_width(number, FOOT_PT), 0.5 * margin, number, FOOT_PT)
        if boxed:
            canvas.setFillColor(INK)
            draw_line(canvas, margin, 0.5 * margin + 1.3 * FOOT_PT, _in_short(boxed, inner), FOOT_PT, bold=True)

    document.addPageTemplates(PageTemplate(frames=[frame], onPage=foot))
    pictures = _Pictures(pixel_pt)
    story: list[Flowable] = [_text(page.title, TITLE), _text(page.subtitle, SUBTITLE)]
    made = [_block(block, inner, pictures) for block in page.blocks]
    parts_at = [k for k, block in enumerate(page.blocks) if isinstance(block, Heading) and block.level == 2]
    for k, (block, parts) in enumerate(zip(page.blocks, made, strict=True)):
        if isinstance(block, Heading):
            # Not alone at the foot of a sheet, nor parted from what goes to the next sheet as a whole.
            need = AFTER_HEADING_PT[block.level]
            if k + 1 < len(made) and isinstance(page.blocks[k + 1], (Columns, Row)):
                need = max(need, HEADING_PT + sum(part.wrap(inner, INFINITE)[1] for part in made[k + 1][:1]))
            need = min(need, 0.8 * (height - 2 * margin))
            breaks = block.new_sheet or (last_apart and [k] == parts_at[-1:])
            story += [PageBreak() if breaks else CondPageBreak(need), *parts]
        else:
            story += [KeepTogether(parts)] if isinstance(block, (Figure, Group)) else parts
    document.build(story)
    return out.getvalue(), document.blank


def _boxed(page: Page) -> tuple[str, ...]:
    """The characters of the page that no font has, in the order of their code points."""
    return tuple(sorted({sign for text in _texts(page) for line in text.split("\n") for sign in set_line(line).boxed}))


def _texts(part: object) -> Iterator[str]:
    """Every text that is drawn; a figure's own name and the titles of its areas are for a screen."""
    match part:
        case str():
            yield part
        case tuple():
            for item in part:
                yield from _texts(item)
        case Drawing():
            yield from (shape.text for shape in part.shapes if isinstance(shape, Label))
        case _:
            kind: type[Any] = type(part)
            for member in fields(kind) if has(kind) else ():
                yield from _texts(getattr(part, member.name))


def _code(sign: str) -> str:
    return f"U+{ord(sign):04X}"


def _kinds(boxed: Sequence[str]) -> list[str]:
    """Scripts, as the names of their letters begin, and the code points of other signs."""
    kinds = {name(sign, _code(sign)).split()[0] if category(sign)[0] in "LM" else _code(sign): None for sign in boxed}
    return [kind if kind in ("CJK", "NKO") or kind.startswith("U+") else kind.title() for kind in kinds]


def _in_full(boxed: Sequence[str]) -> str:
    characters = "1 character" if len(boxed) == 1 else f"{len(boxed)} characters"
    scripts = [kind for kind in _kinds(boxed) if not kind.startswith("U+")]
    listed = ", ".join(map(_code, boxed[:MOST_NAMED])) + (", ..." if len(boxed) > MOST_NAMED else "")
    return (
        f"this computer has no font for {characters} of the page ({'; '.join([*scripts, listed])}); each stands there as a "
        "box with its number: install a font that has it and write the page again, or change the name"
    )


def _in_short(boxed: Sequence[str], width: float) -> str:
    """One line of a sheet: as many scripts and code points as it holds."""
    kinds = _kinds(boxed)
    for count in range(len(kinds), 0, -1):
        more = "" if count == len(kinds) else f" and {len(kinds) - count} more"
        line = (
            f"! This computer has no font for {', '.join(kinds[:count])}{more}: boxes with the number stand for them."
        )
        if line_width(line, FOOT_PT, bold=True) <= width:
            break
    return line


def _style(size: float, **more: object) -> ParagraphStyle:
    return ParagraphStyle("", fontName=REGULAR, fontSize=size, leading=1.32 * size, textColor=INK, **more)


TITLE = _style(16.0, spaceAfter=1.0)
SUBTITLE = _style(8.5, spaceAfter=6.0)
PART = {2: _style(11.0, spaceBefore=7.0, spaceAfter=3.0),
        3: _style(8.6, spaceBefore=4.0, spaceAfter=1.0)}  # fmt: skip
HEADING_PT = 28.0
AFTER_HEADING_PT = {2: 120.0, 3: 60.0}
LARGE = _style(11.0, spaceAfter=3.0)
BODY, SMALL, CELL, HEAD = _style(8.5, spaceAfter=3.0), _style(6.6, spaceAfter=3.0), _style(7.6), _style(7.0)
CELL_RIGHT, HEAD_RIGHT = _style(7.6, alignment=2), _style(7.0, alignment=2)
CAPTION = _style(7.2, spaceAfter=4.0)
VALUE = _style(15.0)
REMARK = _style(7.6, leftIndent=11.0, bulletIndent=1.0, bulletFontName=BOLD, spaceAfter=1.2)
BULLET = _style(7.2, leftIndent=9.0, bulletIndent=1.0, spaceAfter=1.0)


def _text(text: str, style: ParagraphStyle, *, bold: bool = False, bullet: str | None = None) -> Paragraph:
    """A paragraph of plain text: nothing in it is markup."""
    heavy = style is TITLE or style in PART.values() or bold
    return Paragraph("<br/>".join(_marked(line, heavy) for line in text.split("\n")), style, bulletText=bullet)


def _marked(line: str, bold: bool = False) -> str:
    return "".join(f'<font name="{font}">{escape(text)}</font>' for font, text in set_line(line, bold).pieces)


def _block(block: Block, width: float, pictures: _Pictures) -> list[Flowable]:
    match block:
        case Heading():
            style = PART[block.level]
            return [_Keyed(block.text, style, block.colour) if block.colour else _text(block.text, style)]
        case Text():
            return [_text(block.text, SMALL if block.small else LARGE if block.large else BODY)]
        case Table():
            return [_table(block, width)] if block.rows else []
        case Remarks():
            return [_text(text, REMARK, bullet="!") for text in block.texts]
        case Bullets():
            return _bullets(block.texts, width)
        case Figure():
            keys = [_Keys(block.keys, width)] if block.keys else []
            caption = [_text(block.caption, CAPTION)] if block.caption else []
            return [_Drawn(block.drawing, width, pictures), *keys, *caption]
        case Cards():
            return _cards(block.cards, width)
        case Group():
            return [part for inner in block.blocks for part in _block(inner, width, pictures)]
        case Columns():
            return _columns(block, width, pictures)
        case Row():
            each = (width - GAP_PT * (len(block.cells) - 1)) / len(block.cells)
            cells = [[item for part in blocks for item in _block(part, each, pictures)] for blocks in block.cells]
            return [*_side_by_side(cells, [each] * len(cells)), Spacer(1, 4.0)]


def _bullets(texts: Sequence[str], width: float) -> list[Flowable]:
    """A list in two columns, read down the left one first."""
    half = 0.5 * (width - GAP_PT)
    items = [_text(text, BULLET, bullet="\u2022") for text in texts]
    middle = (len(items) + 1) // 2
    return [_bare([[items[:middle], "", items[middle:]]], [half, GAP_PT, half])]


def _table(table: Table, width: float) -> Grid:
    """Columns as wide as their longest word asks for, the rest shared by the length of what they hold."""

    def cell(text: str, k: int, head: bool) -> Paragraph:
        right = k in table.numbers
        style = (HEAD_RIGHT if right else HEAD) if head else (CELL_RIGHT if right else CELL)
        return _text(text, style, bold=head)

    rows = [[cell(text, k, False) for k, text in enumerate(row)] for row in table.rows]
    if table.named:
        for row, texts in zip(rows, table.rows, strict=True):
            row[0] = _text(texts[0], HEAD, bold=True)
    if table.head:
        rows.insert(0, [cell(text, k, True) for k, text in enumerate(table.head)])
    above, below = (0.2, 0.8) if table.close else (1.2, 1.8)
    rule = [("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE), ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), above), ("BOTTOMPADDING", (0, 0), (-1, -1), below)]  # fmt: skip
    grid = Grid(rows, colWidths=_widths(table, width), repeatRows=1 if table.head else 0, style=rule, hAlign="LEFT")
    grid.spaceAfter = 4.0
    return grid


def _widths(table: Table, width: float) -> list[float]:
    count = len(table.rows[0])

    def measure(text: str) -> float:  # what stands in bold is set smaller, and in some scripts is the wider
        return max(line_width(text, CELL.fontSize), line_width(text, HEAD.fontSize, bold=True)) + 8.0

    texts = [*table.rows, *([table.head] if table.head else [])]
    least = [max(measure(word) for row in texts for word in words_of(row[k])) for k in range(count)]
    wanted = [max(measure(row[k]) for row in texts) for k in range(count)]
    least[0] = max(least[0], min(wanted[0], FIRST_COLUMN * width))  # names broken over four lines cost a sheet
    for k in table.numbers:
        least[k] = wanted[k]  # a figure is not broken
    spare = width - sum(least)
    if spare <= 0.0:
        kept = sum(least[k] for k in table.numbers)
        share = (width - kept) / (sum(least) - kept) if kept < 0.6 * width else width / sum(least)
        return [part if k in table.numbers and kept < 0.6 * width else share * part for k, part in enumerate(least)]
    more = [max(0.0, want - must) for want, must in zip(wanted, least, strict=True)]
    total = sum(more)
    share = min(1.0, spare / total) if total else 0.0
    out = [must + share * extra for must, extra in zip(least, more, strict=True)]
    # What is left goes to the last column of words, so that figures stand together at the right.
    out[max((k for k in range(count) if k not in table.numbers), default=count - 1)] += width - sum(out)
    return out


def _cards(cards: Sequence[Card], width: float) -> list[Flowable]:
    per_row = min(3, len(cards)) or 1
    if len(cards) == 1:
        return [_card(cards[0], width, beside=True), Spacer(1, 6.0)]
    each = (width - GAP_PT * (per_row - 1)) / per_row
    boxes = [_card(card, each) for card in cards]
    out: list[Flowable] = []
    for k in range(0, len(boxes), per_row):
        row: list[object] = []
        for box in boxes[k : k + per_row]:
            row += [box, ""]
        widths = [each, GAP_PT] * (len(row) // 2)
        out += [_bare([row[:-1]], widths[:-1]), Spacer(1, 6.0)]
    return out


def _card(card: Card, width: float, *, beside: bool = False) -> Grid:
    """The box of one headline figure; `beside` sets its lines to the right of the figure, which is lower."""
    value = _marked(card.value, bold=not card.faint)
    if card.faint:
        value = f'<font color="#4c5661">{value}</font>'
    spread = f' <font size="10">{_marked(card.spread)}</font>' if card.spread else ""
    figure: list[Flowable] = [_text(card.title, HEAD), Paragraph(value + spread, VALUE)]
    lines: list[Flowable] = [_text(line, HEAD) for line in card.lines]
    if card.strong:
        lines.append(_text(card.strong, HEAD, bold=True))
    return Grid(
        [[figure, lines]] if beside else [[[*figure, *lines]]],
        colWidths=[0.4 * width, 0.6 * width] if beside else [width],
        style=[("BOX", (0, 0), (-1, -1), 0.6, RULE), ("LINEBEFORE", (0, 0), (0, -1), 3.5, _colour(card.colour)),
               ("LEFTPADDING", (0, 0), (-1, -1), 9), ("TOPPADDING", (0, 0), (-1, -1), 3),
               ("BOTTOMPADDING", (0, 0), (-1, -1), 4), ("VALIGN", (0, 0), (-1, -1), "TOP")],
    )  # fmt: skip


def _colour(text: str) -> HexColor:
    """The library reads #fff as #000fff."""
    return HexColor("#" + "".join(2 * c for c in text[1:]) if len(text) == 4 else text)


def _columns(block: Columns, width: float, pictures: _Pictures) -> list[Flowable]:
    left = block.left_share * (width - GAP_PT)
    right = width - GAP_PT - left
    cells = [
        [item for part in blocks for item in _block(part, each, pictures)]
        for blocks, each in ((block.left, left), (block.right, right))
    ]
    return [*_side_by_side(cells, [left, right]), Spacer(1, 4.0)]


def _side_by_side(cells: Sequence[Sequence[Flowable]], widths: Sequence[float]) -> list[Flowable]:
    """Cells with a gap between; a row too high for a sheet is split, any other goes to the next one as a whole."""
    row: list[object] = []
    spaced: list[float] = []
    for cell, width in zip(cells, widths, strict=True):
        row += [list(cell), ""]
        spaced += [width, GAP_PT]
    grid = _bare([row[:-1]], spaced[:-1])
    grid.splitInRow = int(grid.wrap(sum(spaced), INFINITE)[1] > A4[1] - 3 * MARGIN_PT)
    return [grid]


def _bare(rows: list[list[object]], widths: list[float]) -> Grid:
    none = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
    return Grid(rows, colWidths=widths, style=[*none, ("VALIGN", (0, 0), (-1, -1), "TOP")], hAlign="LEFT")


class _Pictures:
    """Each picture once in the file, however many figures show it, and how large a figure's pixel is."""

    def __init__(self, pixel_pt: float) -> None:
        self.pixel_pt = pixel_pt
        self._readers: dict[Picture, ImageReader] = {}

    def reader(self, picture: Picture) -> ImageReader:
        if picture not in self._readers:
            self._readers[picture] = ImageReader(io.BytesIO(picture.jpeg))
        return self._readers[picture]


class _Keyed(Flowable):  # type: ignore[misc]
    """A heading behind a stroke in its canal's colour."""

    def __init__(self, text: str, style: ParagraphStyle, colour: str) -> None:
        super().__init__()
        self.text, self.colour, self.style = _text(text, style), colour, style
        self.spaceBefore, self.spaceAfter = style.spaceBefore, style.spaceAfter

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        _, self.high = self.text.wrap(width - 20.0, height)
        return width, self.high

    def draw(self) -> None:
        self.canv.setStrokeColor(_colour(self.colour))
        self.canv.setLineWidth(2.5)
        y = self.high - 0.62 * self.style.leading
        self.canv.line(0, y, 14.0, y)
        self.text.drawOn(self.canv, 20.0, 0)


class _Keys(Flowable):  # type: ignore[misc]
    """What the colours of a figure mean, in a row that wraps."""

    def __init__(self, keys: Sequence[Key], width: float) -> None:
        super().__init__()
        self.rows: list[list[tuple[float, Key]]] = [[]]
        x = 0.0
        for key in keys:
            need = 22.0 + line_width(key.words, CAPTION.fontSize) + 10.0
            if x + need > width and self.rows[-1]:
                self.rows.append([])
                x = 0.0
            self.rows[-1].append((x, key))
            x += need

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return width, 10.0 * len(self.rows) + 1.0

    def draw(self) -> None:
        for k, row in enumerate(self.rows):
            y = 10.0 * (len(self.rows) - 1 - k) + 3.0
            for x, key in row:
                self.canv.setStrokeColor(_colour(key.colour))
                self.canv.setLineWidth(4.0 if key.wide else 2.0)
                self.canv.setDash(*((3.0, 2.0) if key.dash else ()))
                self.canv.line(x, y + 2.0, x + 16.0, y + 2.0)
                self.canv.setDash()
                self.canv.setFillColor(INK)
                draw_line(self.canv, x + 20.0, y, key.words, CAPTION.fontSize)


class _Drawn(Flowable):  # type: ignore[misc]
    """A figure, at most as wide as its place."""

    def __init__(self, drawing: Drawing, width: float, pictures: _Pictures) -> None:
        super().__init__()
        self.drawing, self.pictures = drawing, pictures
        self.scale = min(pictures.pixel_pt, width / drawing.width)
        self.wide, self.high = drawing.width * self.scale, drawing.height * self.scale

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return self.wide, self.high + 3.0

    def draw(self) -> None:
        canvas: Canvas = self.canv
        canvas.saveState()
        canvas.translate(0.0, 3.0)
        clip = canvas.beginPath()
        clip.rect(0.0, 0.0, self.wide, self.high)
        canvas.clipPath(clip, stroke=0, fill=0)
        x0, y0, width, height = self.drawing.box

        def place(x: float, y: float) -> tuple[float, float]:
            return (x - x0) / width * self.wide, self.high - (y - y0) / height * self.high

        for shape in self.drawing.shapes:
            canvas.saveState()
            self._shape(canvas, shape, place, (self.wide / width, self.high / height))
            canvas.restoreState()
        canvas.restoreState()

    def _shape(
        self,
        canvas: Canvas,
        shape: object,
        place: Callable[[float, float], tuple[float, float]],
        unit: tuple[float, float],
    ) -> None:
        match shape:
            case Picture():
                left, top = place(shape.x, shape.y)
                wide, high = shape.width * unit[0], shape.height * unit[1]
                canvas.drawImage(self.pictures.reader(shape), left, top - high, wide, high)
            case Line():
                canvas.setStrokeColor(_colour(shape.colour), alpha=shape.opacity)
                canvas.setLineWidth(shape.width * self.scale)
                canvas.setLineCap(1)
                canvas.setLineJoin(1)
                if shape.dash:
                    canvas.setDash([d * self.scale for d in shape.dash])
                canvas.drawPath(_path(canvas, [place(x, y) for x, y in shape.points]), stroke=1, fill=0)
            case Area():
                canvas.setFillColor(_colour(shape.colour), alpha=shape.opacity)
                canvas.drawPath(_path(canvas, [place(x, y) for x, y in shape.points]), stroke=0, fill=1)
            case Ellipse():
                x, y = place(shape.x, shape.y)
                rx, ry = shape.rx * unit[0], shape.ry * unit[1]
                if shape.stroke:
                    canvas.setStrokeColor(_colour(shape.stroke))
                    canvas.setLineWidth(shape.width * self.scale)
                if shape.fill:
                    canvas.setFillColor(_colour(shape.fill))
                canvas.ellipse(x - rx, y - ry, x + rx, y + ry, stroke=bool(shape.stroke), fill=bool(shape.fill))
            case Label():
                self._label(canvas, shape, place(shape.x, shape.y))

    def _label(self, canvas: Canvas, label: Label, at: tuple[float, float]) -> None:
        size = label.size * max(self.scale, 0.55)  # small print stays readable where a figure had to shrink
        canvas.translate(*at)
        canvas.rotate(-label.turn_deg)
        shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor]
        x = -shift * line_width(label.text, size, bold=label.bold)
        canvas.setFillColor(_colour(label.colour))
        halo = _colour(label.halo) if label.halo else None
        draw_line(canvas, x, 0.0, label.text, size, bold=label.bold, halo=halo)


def _path(canvas: Canvas, points: Sequence[tuple[float, float]]) -> object:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    return path
