"""Drawings that a PDF takes as the characters of a font (Type 3 of ISO 32000-1, 9.6.5), made with the document."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from itertools import count, groupby, pairwise
from weakref import WeakKeyDictionary

from attrs import define, field, frozen
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfdoc
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

__all__ = ["EM", "Picture", "Sign", "SignFont", "Step"]

EM = 1000.0
Step = tuple[str, tuple[float, ...]]  # m, l, c or h of a path, as in a PDF


@frozen
class Picture:
    """A glyph in colour: a PNG over (x, y, width, height) in thousandths of an em."""

    png: bytes
    box: tuple[float, float, float, float]


@frozen
class Sign:
    """What is drawn for `text`, in thousandths of an em from the base line.

    `level` is that of UAX 9: even from left to right, odd from right to left.
    """

    text: str
    width: float
    level: int = 0
    path: tuple[Step, ...] = ()
    pictures: tuple[Picture, ...] = ()


def _operators(path: Sequence[Step]) -> PDFPathObject:
    out = PDFPathObject()
    for name, values in path:
        {"m": out.moveTo, "l": out.lineTo, "c": out.curveTo, "h": out.close}[name](*values)
    return out


@define(eq=False)
class _Used:
    """The signs of one document in the order of their first use, and the place of each."""

    signs: list[Sign] = field(factory=list)
    place: dict[str, int] = field(factory=dict)


@frozen
class _Metrics:
    name: str
    ascent: float = 928.0  # as the shipped font
    descent: float = -236.0


class SignFont:
    """The font whose characters are signs, in the form in which the library asks a font that is made with the document.

    A sign's character is one of the private planes, by which the library breaks and measures lines. Lines are handed over
    in reading order; within a line, what is read from right to left is turned round as it is written. Where the font is not
    `spaced`, a space is a place to break a line and nothing else.
    """

    shapable = False
    substitutionFonts = ()  # noqa: N815 - the library's names, here and below
    _multiByte = 1  # noqa: N815
    _dynamicFont = 1  # noqa: N815

    def __init__(self, name: str, *, spaced: bool = True) -> None:
        self.fontName = self.encName = name
        self.face = _Metrics(name)
        self._spaced = spaced
        self._signs: dict[str, Sign] = {" ": Sign(" ", 318.0 if spaced else 0.0)}
        self._characters: dict[Sign, str] = {}
        self._codes = count(0xF0000)
        self._used: WeakKeyDictionary[object, _Used] = WeakKeyDictionary()

    def character(self, sign: Sign) -> str:
        if sign not in self._characters:
            character = chr(next(self._codes))
            self._signs[character] = sign
            self._characters[sign] = character
        return self._characters[sign]

    def stringWidth(self, text: str, size: float, encoding: str = "utf-8") -> float:  # noqa: N802 - the library's name
        other = self._signs[" "]  # the library asks for the width of a hyphen that it never sets
        return size / EM * sum(self._signs.get(character, other).width for character in text)

    def rim(self, canvas: Canvas, x: float, y: float, text: str, size: float) -> None:
        """Stroke the outlines of signs; a font of this kind knows no rim."""
        canvas.saveState()
        canvas.translate(x, y)
        canvas.scale(size / EM, size / EM)
        canvas.setLineWidth(EM / 6.0)
        for character in self._in_order(text):
            sign = self._signs[character]
            if sign.path:
                canvas.drawPath(_operators(sign.path), stroke=1, fill=0)
            canvas.translate(sign.width, 0.0)
        canvas.restoreState()

    def _in_order(self, text: str) -> list[str]:
        """From left to right: rule L2 of UAX 9. A space belongs to the words on both its sides."""
        levels = [self._signs[character].level for character in text]
        letters = [k for k, character in enumerate(text) if character != " "]
        for one, other in pairwise(letters):
            levels[one + 1 : other] = [min(1, levels[one], levels[other])] * (other - one - 1)
        order = list(range(len(text)))
        for least in range(max(levels, default=0), 0, -1):
            deep = [level >= least for level in levels]
            runs = ((turned, list(run)) for turned, run in groupby(order, key=deep.__getitem__))
            order = [k for turned, run in runs for k in (run[::-1] if turned else run)]
        return [text[k] for k in order]

    def splitString(self, text: str, doc: object, encoding: str = "utf-8") -> list[tuple[int, bytes]]:  # noqa: N802
        used = self._used.setdefault(doc, _Used())
        out: list[tuple[int, bytes]] = []
        for character in self._in_order(text):
            if character == " " and not self._spaced:
                continue
            if character not in used.place:
                used.place[character] = len(used.signs)
                used.signs.append(self._signs[character])
            subset, code = divmod(used.place[character], 256)
            if out and out[-1][0] == subset:
                out[-1] = (subset, out[-1][1] + bytes([code]))
            else:
                out.append((subset, bytes([code])))
        return out

    def getSubsetInternalName(self, subset: int, doc: pdfdoc.PDFDocument) -> str:  # noqa: N802
        if self not in doc.delayedFonts:
            doc.delayedFonts.append(self)
            doc.fontMapping[self.fontName] = f"/{self.fontName}"
        return f"/{self.fontName}+{subset}"

    def addObjects(self, doc: pdfdoc.PDFDocument) -> None:  # noqa: N802
        used = self._used.pop(doc)
        for first in range(0, len(used.signs), 256):
            name = f"{self.fontName}+{first // 256}"
            doc.idToObject["BasicFonts"].dict[name] = _type3(doc, name, used.signs[first : first + 256])


def _type3(doc: pdfdoc.PDFDocument, name: str, signs: Sequence[Sign]) -> object:
    pictures: dict[str, object] = {}
    glyphs = {f"g{k}": _stream(doc, f"{name}.g{k}", _procedure(doc, sign, pictures)) for k, sign in enumerate(signs)}
    boxes = [_extent(sign) for sign in signs]
    lefts, lows, rights, highs = zip(*boxes, strict=True)
    whole = [min(lefts), min(lows), max(rights), max(highs)]
    return pdfdoc.PDFDictionary(
        {
            "Type": "/Font",
            "Subtype": "/Type3",
            "Name": f"/{name}",
            "FontBBox": pdfdoc.PDFArray([round(value) for value in whole]),
            "FontMatrix": pdfdoc.PDFArray([0.001, 0, 0, 0.001, 0, 0]),
            "FirstChar": 0,
            "LastChar": len(signs) - 1,
            "Widths": pdfdoc.PDFArray([round(sign.width, 2) for sign in signs]),
            "Encoding": pdfdoc.PDFDictionary(
                {"Type": "/Encoding", "Differences": pdfdoc.PDFArray([0, *(f"/{glyph}" for glyph in glyphs)])}
            ),
            "CharProcs": pdfdoc.PDFDictionary(glyphs),
            "Resources": pdfdoc.PDFDictionary({"XObject": pdfdoc.PDFDictionary(pictures)}),
            "ToUnicode": _stream(doc, f"{name}.unicode", _to_unicode(signs)),
        }
    )


def _extent(sign: Sign) -> tuple[float, float, float, float]:
    xs = [value for _, values in sign.path for value in values[::2]]
    ys = [value for _, values in sign.path for value in values[1::2]]
    for picture in sign.pictures:
        left, low, wide, high = picture.box
        xs += [left, left + wide]
        ys += [low, low + high]
    return (min(xs), min(ys), max(xs), max(ys)) if xs else (0.0, 0.0, 0.0, 0.0)


def _procedure(doc: pdfdoc.PDFDocument, sign: Sign, pictures: dict[str, object]) -> str:
    """What draws a sign: in the text's colour, or with pictures in their own."""
    left, low, right, high = _extent(sign)
    out = [
        f"{sign.width:.2f} 0 d0"
        if sign.pictures
        else f"{sign.width:.2f} 0 {left:.1f} {low:.1f} {right:.1f} {high:.1f} d1"
    ]
    if sign.path:
        out.append(f"{_operators(sign.path).getCode()} f")
    for picture in sign.pictures:
        left, low, wide, high = picture.box
        name, reference = _image(doc, picture.png)
        pictures[name] = reference
        out.append(f"q {wide:.2f} 0 0 {high:.2f} {left:.2f} {low:.2f} cm /{name} Do Q")
    return "\n".join(out)


def _image(doc: pdfdoc.PDFDocument, png: bytes) -> tuple[str, object]:
    name = f"Im{hashlib.sha256(png).hexdigest()[:16]}"
    if name not in doc.idToObject:
        image = pdfdoc.PDFImageXObject(name, ImageReader(io.BytesIO(png)), mask="auto")
        if (veil := getattr(image, "_smask", None)) is not None:
            image.smask = doc.Reference(veil, f"{name}.veil")
        doc.Reference(image, name)
    return name, doc.Reference(doc.idToObject[name], name)


def _stream(doc: pdfdoc.PDFDocument, name: str, content: str) -> object:
    stream = pdfdoc.PDFStream()
    stream.content = content
    if doc.compression:
        stream.filters = [pdfdoc.PDFZCompress]
    return doc.Reference(stream, name)


def _to_unicode(signs: Sequence[Sign]) -> str:
    """What each code stands for (ISO 32000-1, 9.10.3); blocks of at most 100."""
    head = (
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap\n"
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def\n"
        "/CMapName /Signs def /CMapType 2 def\n1 begincodespacerange <00> <FF> endcodespacerange\n"
    )
    lines = [
        f"<{k:02X}> <{sign.text.encode('utf-16-be', 'surrogatepass').hex().upper()}>" for k, sign in enumerate(signs)
    ]
    blocks = [lines[k : k + 100] for k in range(0, len(lines), 100)]
    body = "".join(f"{len(block)} beginbfchar\n" + "\n".join(block) + "\nendbfchar\n" for block in blocks)
    return f"{head}{body}endcmap CMapName currentdict /CMap defineresource pop end end"
