"""Text of any script for the PDF: what its plain fonts cannot set is shaped by HarfBuzz and drawn.

A line is taken apart into pieces. Letters that stand one behind the other as they are, from left to right, are set in the
shipped fonts. All others become *signs*: what belongs together (a letter with its marks, a ligature) as one drawing out of
the first face that has it, of the shipped ones and then of this computer's (:mod:`~wlmeasure.share.faces`). Signs are the
characters of one font that is made with the document (Type 3 of ISO 32000-1, 9.6.5), which says of each what it stands
for, so that text can be searched and copied. They are drawn rather than embedded because reportlab embeds TrueType outlines
only: most fonts of East Asia have PostScript outlines, and emoji are pictures.

A character that no face has is a box with its code point in it, as is one that shows nothing and means nothing where it
stands (a zero width space): names that differ look different. Nothing is rewritten: full-width letters and Roman numeral
signs are signs of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import groupby
from unicodedata import bidirectional, category, east_asian_width, normalize

import uharfbuzz
from attrs import frozen
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from wlmeasure.share.direction import stretches
from wlmeasure.share.faces import BOLD, REGULAR, Face, faces, shipped_file
from wlmeasure.share.signs import EM, Picture, Sign, SignFont, Step

__all__ = ["Lettering", "draw_line", "line_width", "register_fonts", "set_line", "words_of"]

SIGNS, DENSE = SignFont("Drawn"), SignFont("Drawn-dense", spaced=False)
SMALL_KANA = "ぁぃぅぇぉっゃゅょゎァィゥェォッャュョヮ"
JOINERS = "\u200c\u200d"


@frozen
class Lettering:
    """A line as (font, characters) in reading order, and the characters of it that stand as boxes."""

    pieces: tuple[tuple[str, str], ...]
    boxed: tuple[str, ...] = ()


def register_fonts() -> None:
    """Make the fonts of every line known to the library; once is enough."""
    if REGULAR not in pdfmetrics.getRegisteredFontNames():
        for name in (REGULAR, BOLD):
            pdfmetrics.registerFont(TTFont(name, str(shipped_file(name))))
        pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)
        pdfmetrics.registerFont(SIGNS)
        pdfmetrics.registerFont(DENSE)


def line_width(line: str, size: float, *, bold: bool = False) -> float:
    """Points that the line takes."""
    return sum(float(pdfmetrics.stringWidth(text, font, size)) for font, text in set_line(line, bold).pieces)


def draw_line(
    canvas: Canvas, x: float, y: float, line: str, size: float, *, bold: bool = False, halo: object = None
) -> None:
    """Draw the line from (x, y) on, in the canvas's fill colour; `halo` is the colour of a rim behind all of it."""
    pieces = set_line(line, bold).pieces
    if halo is not None:
        canvas.setStrokeColor(halo)
        canvas.setLineJoin(1)
        at = x
        for font, text in pieces:
            canvas.setFont(font, size)
            if font in (SIGNS.fontName, DENSE.fontName):
                pdfmetrics.getFont(font).rim(canvas, at, y, text, size)
            else:
                canvas.setLineWidth(size / 6.0)
                canvas.drawString(at, y, text, mode=1)
            at += float(pdfmetrics.stringWidth(text, font, size))
    for font, text in pieces:
        canvas.setFont(font, size)
        canvas.drawString(x, y, text, mode=0)
        x += float(pdfmetrics.stringWidth(text, font, size))


@lru_cache(maxsize=4096)
def set_line(line: str, bold: bool = False) -> Lettering:
    """The line as characters of the fonts that :func:`register_fonts` has made known."""
    register_fonts()
    name = BOLD if bold else REGULAR
    plain = _plain(name)
    if plain.issuperset(line):
        return Lettering(((name, line),))
    pieces: list[tuple[str, str]] = []
    boxed: dict[str, None] = {}

    def put(font: str, text: str) -> None:
        if pieces and pieces[-1][0] == font:
            text = pieces.pop()[1] + text
        pieces.append((font, text))

    for part in stretches("".join(" " if sign.isspace() and sign not in plain else sign for sign in line)):
        if part.from_right:
            words = (map(SIGNS.character, _signs(word, 1, bold, boxed)) for word in part.text.split(" "))
            put(SIGNS.fontName, " ".join("".join(word) for word in words))
            continue
        for is_plain, group in groupby(_clusters(part.text), plain.issuperset):
            if is_plain:
                put(name, "".join(group))
                continue
            for font, signs in groupby(_signs("".join(group), 0, bold, boxed), _font_of):
                before = ""
                for sign in signs:
                    put(font.fontName, (" " if _may_break(before, sign.text) else "") + font.character(sign))
                    before = sign.text
    return Lettering(tuple(pieces), tuple(boxed))


def words_of(line: str) -> list[str]:
    """The parts of a line that are not broken."""
    out: list[str] = [""]
    for word in line.split():
        out.append("")
        for cluster in _clusters(word):
            if _may_break(out[-1], cluster):
                out.append("")
            out[-1] += cluster
    return out


def _font_of(sign: Sign) -> SignFont:
    return DENSE if _dense(sign.text) else SIGNS


def _dense(text: str) -> bool:
    """Chinese and Japanese, which are written without spaces and may be broken behind any sign."""
    return east_asian_width(text[0]) == "W" and not ("\uac00" <= text[0] <= "\ud7a3" or text[0] >= "\U0001f000")


def _may_break(before: str, after: str) -> bool:
    """No line begins with a closing bracket, a full stop or a small kana, and none ends with an opening bracket."""
    if not (before and _dense(before[-1]) and _dense(after)):
        return False
    begins = category(after[0]) not in ("Pe", "Pf", "Po", "Lm") and after[0] not in SMALL_KANA
    return begins and category(before[-1]) not in ("Ps", "Pi")


@lru_cache
def _plain(name: str) -> frozenset[str]:
    """The characters that the shipped font sets one behind the other without shaping."""
    known = map(chr, pdfmetrics.getFont(name).face.charToGlyph)
    right = ("R", "AL", "AN", "NSM", "BN")
    return frozenset(
        sign for sign in known if category(sign)[0] not in "MC" and bidirectional(sign) not in right
    ) | set(" \t\n\r\v\f")


def _clusters(text: str) -> list[str]:
    """Letters with their marks, and emoji with what changes them: UAX 29 as far as the choice of a face needs it."""
    out: list[str] = []
    for sign in text:
        code, before = ord(sign), out[-1] if out else ""
        joined = before and (
            category(sign)[0] == "M"
            or (sign in JOINERS and not (before[0].isalnum() and before[0] in _plain(REGULAR)))  # there they do nothing
            or 0x1F3FB <= code <= 0x1F3FF
            or 0xE0020 <= code <= 0xE007F
            or (before[-1] == "\u200d" and category(sign) == "So")
            or (_flag(sign) and len(before) == 1 and _flag(before))
        )
        if joined and before != " ":
            out[-1] += sign
        else:
            out.append(sign)
    return out


def _flag(sign: str) -> bool:
    return 0x1F1E6 <= ord(sign) <= 0x1F1FF


def _signs(word: str, level: int, bold: bool, boxed: dict[str, None]) -> Iterator[Sign]:
    """The signs of a word in reading order; what no face has is added to `boxed`."""
    parts: list[tuple[Face | None, int, str]] = []
    for figures, group in groupby(_clusters(word), lambda cluster: level == 1 and _is_figure(cluster)):
        clusters = list(group)
        whole = _face_of(tuple(clusters), bold)
        for cluster in clusters:
            face = whole or _face_of((cluster,), bold)
            parts.append((face, 2 if figures else level, cluster))
    for (face, at_level), run in groupby(parts, lambda part: part[:2]):
        clusters = [cluster for _, _, cluster in run]
        if face is not None:
            yield from _shaped("".join(clusters), face, at_level)
            continue
        for cluster in clusters:
            for sign in cluster:
                if _shows_nothing(sign) or (sign in JOINERS and len(cluster) > 1):
                    yield Sign(sign, 0.0, at_level)
                else:
                    boxed[sign] = None
                    yield _box(sign, at_level)


def _is_figure(cluster: str) -> bool:
    return bidirectional(cluster[0]) in ("EN", "AN")


@lru_cache(maxsize=4096)
def _face_of(clusters: tuple[str, ...], bold: bool) -> Face | None:
    """The first face that has all of them, or None."""
    for cluster in clusters:
        # What a private code point means is agreed between the two who use it; a sign of control shows nothing.
        if category(cluster[0]) in ("Co", "Cs", "Cc", "Cf"):
            return None
    return next((face for face in faces(bold) if all(_covers(face, cluster) for cluster in clusters)), None)


def _shows_nothing(sign: str) -> bool:
    """Signs of direction and of variation have done their work, or have none to do here."""
    return sign in "\u200e\u200f\u061c\u2066\u2067\u2068\u2069" or 0xFE00 <= ord(sign) <= 0xFE0F


def _covers(face: Face, cluster: str) -> bool:
    """Whether the face has a glyph for every letter and shows something for the whole."""
    first = normalize("NFC", cluster)[0]
    if ord(first) not in face.has and ord(cluster[0]) not in face.has:
        return False
    glyphs = [glyph for _, _, group in _groups(cluster, face, False) for glyph in group]
    inked = any(_outline(face, glyph) or _picture(face, glyph) for glyph, *_ in glyphs)
    return inked and all(glyph for glyph, *_ in glyphs)


Glyph = tuple[int, float, float, float]  # number, advance, offset right, offset up; in thousandths of an em


def _groups(text: str, face: Face, from_right: bool) -> list[tuple[int, int, list[Glyph]]]:
    """Glyphs as HarfBuzz sets them, those of one group being for text[start:end]; in reading order of the groups."""
    buffer = uharfbuzz.Buffer()
    buffer.add_codepoints([ord(sign) for sign in text])
    buffer.guess_segment_properties()
    buffer.direction = "rtl" if from_right else "ltr"
    uharfbuzz.shape(face.font, buffer)
    scale = EM / face.units
    found: dict[int, list[Glyph]] = {}
    for info, place in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True):
        glyph = (info.codepoint, scale * place.x_advance, scale * place.x_offset, scale * place.y_offset)
        found.setdefault(info.cluster, []).append(glyph)
    starts = sorted(found)
    return [(start, end, found[start]) for start, end in zip(starts, [*starts[1:], len(text)], strict=True)]


@lru_cache(maxsize=4096)
def _shaped(text: str, face: Face, level: int) -> tuple[Sign, ...]:
    out = []
    for start, end, glyphs in _groups(text, face, level % 2 == 1):
        x, path, pictures = 0.0, [], []
        for glyph, advance, right, up in glyphs:
            path += [_moved(step, x + right, up) for step in _outline(face, glyph)]
            if (picture := _picture(face, glyph)) is not None:
                left, low, wide, high = picture.box
                pictures.append(Picture(picture.png, (left + x + right, low + up, wide, high)))
            x += advance
        out.append(Sign(text[start:end], x, level, tuple(path), tuple(pictures)))
    return tuple(out)


def _moved(step: Step, right: float, up: float, scale: float = 1.0) -> Step:
    return step[0], tuple(scale * value + (up if k % 2 else right) for k, value in enumerate(step[1]))


class _Pen:
    """Takes an outline as HarfBuzz tells it."""

    def __init__(self, scale: float) -> None:
        self.scale, self.steps, self.at = scale, [], (0.0, 0.0)  # type: float, list[Step], tuple[float, float]

    def _add(self, name: str, *points: tuple[float, float]) -> None:
        self.steps.append((name, tuple(self.scale * value for point in points for value in point)))
        self.at = points[-1]

    def moveTo(self, point: tuple[float, float]) -> None:  # noqa: N802 - the library's name
        self._add("m", point)

    def lineTo(self, point: tuple[float, float]) -> None:  # noqa: N802
        self._add("l", point)

    def curveTo(self, *points: tuple[float, float]) -> None:  # noqa: N802
        self._add("c", *points)

    def qCurveTo(self, control: tuple[float, float], end: tuple[float, float]) -> None:  # noqa: N802
        """A parabola as the cubic curve that it is."""
        (x0, y0), (cx, cy), (x1, y1) = self.at, control, end
        first = (x0 + 2.0 * (cx - x0) / 3.0, y0 + 2.0 * (cy - y0) / 3.0)
        second = (x1 + 2.0 * (cx - x1) / 3.0, y1 + 2.0 * (cy - y1) / 3.0)
        self._add("c", first, second, end)

    def closePath(self) -> None:  # noqa: N802
        self.steps.append(("h", ()))


@lru_cache(maxsize=4096)
def _outline(face: Face, glyph: int) -> tuple[Step, ...]:
    pen = _Pen(EM / face.units)
    face.font.draw_glyph_with_pen(glyph, pen)
    return tuple(pen.steps)


@lru_cache(maxsize=256)
def _picture(face: Face, glyph: int) -> Picture | None:
    png = bytes(face.font.get_glyph_color_png(glyph).data) if face.font.face.has_color_png else b""
    extents = face.font.get_glyph_extents(glyph) if png else None
    if extents is None:
        return None
    left, top, wide, high = (EM / face.units * value for value in extents)  # the height is counted downwards
    return Picture(png, (left, top + high, wide, -high))


@lru_cache(maxsize=1024)
def _box(sign: str, level: int) -> Sign:
    """A frame with the code point in two rows of figures."""
    code = f"{ord(sign):04X}"
    code = code if len(code) % 2 == 0 else f"0{code}"
    half = len(code) // 2
    face = next(faces(False))
    figures = [_shaped(row, face, 0) for row in (code[:half], code[half:])]
    scale, side, edge, inset, low, high = 0.56, 70.0, 55.0, 75.0, -230.0, 870.0
    inner = max(sum(scale * figure.width for figure in row) for row in figures)
    width = inner + 2.0 * (side + inset)
    path = [
        *_frame(side, low, width - side, high),
        *_frame(side + edge, low + edge, width - side - edge, high - edge, True),
    ]
    for row, up in zip(figures, (370.0, -120.0), strict=True):
        x = side + inset + 0.5 * (inner - sum(scale * figure.width for figure in row))
        for figure in row:
            path += [_moved(step, x, up, scale) for step in figure.path]
            x += scale * figure.width
    return Sign(sign, width, level, tuple(path))


def _frame(left: float, low: float, right: float, high: float, inside: bool = False) -> list[Step]:
    corners = [(left, low), (right, low), (right, high), (left, high)]
    corners = corners[::-1] if inside else corners
    return [("m", corners[0]), *(("l", corner) for corner in corners[1:]), ("h", ())]
