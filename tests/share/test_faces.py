"""Fonts of a computer: built here for the purpose, so that every kind is there on every machine.

Each has one square, whose size and place tell it from the others, for the letter that is asked for.
"""

import io
import os
import stat
import sys

import cv2
import numpy as np
import pypdfium2
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTCollection, newTable
from fontTools.ttLib.tables.sbixGlyph import Glyph
from fontTools.ttLib.tables.sbixStrike import Strike

from wlmeasure.share import faces, lettering
from wlmeasure.share.page import Page, Text
from wlmeasure.share.pdf import pdf_page

LETTER = "\U00012000"  # a cuneiform sign: in no shipped face
UPEM = 500
REMEMBERED = (lettering.set_line, lettering._face_of, faces._on_this_computer, faces._face)


def square(pen, low, high):
    pen.moveTo((low, low))
    pen.lineTo((low, high))
    pen.lineTo((high, high))
    pen.lineTo((high, low))
    pen.closePath()


def font(
    low=0,
    high=400,
    *,
    letters=LETTER,
    outlines="truetype",
    weight=400,
    embedding=0,
    italic=False,
    serif=False,
    empty=False,
):
    """A face of `letters`, each a square from `low` to `high` of 500 units."""
    names = [".notdef", *(f"u{ord(letter):05X}" for letter in letters)]
    builder = FontBuilder(UPEM, isTTF=outlines == "truetype")
    builder.setupGlyphOrder(names)
    builder.setupCharacterMap({ord(letter): name for letter, name in zip(letters, names[1:], strict=True)})
    glyphs = {}
    for name in names:
        pen = TTGlyphPen(None) if outlines == "truetype" else T2CharStringPen(UPEM, None)
        if name != ".notdef" and not empty:
            square(pen, low, high)
        glyphs[name] = pen.glyph() if outlines == "truetype" else pen.getCharString()
    if outlines == "truetype":
        builder.setupGlyf(glyphs)
    else:
        builder.setupCFF("Squares", {}, glyphs, {})
    builder.setupHorizontalMetrics(dict.fromkeys(names, (UPEM, 0)))
    builder.setupHorizontalHeader(ascent=400, descent=-100)
    builder.setupNameTable({"familyName": "Squares", "styleName": "Regular"})
    builder.setupOS2(usWeightClass=weight, fsType=embedding, fsSelection=0x01 if italic else 0x40)
    builder.font["OS/2"].panose.bFamilyType = 2
    builder.font["OS/2"].panose.bSerifStyle = 2 if serif else 11
    builder.setupPost()
    return builder.font


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A computer with one folder of fonts and no fontconfig."""
    here = tmp_path / "fonts"
    (here / "deep" / "deeper").mkdir(parents=True)
    monkeypatch.setattr(faces, "_folders", lambda: (here, tmp_path / "not there"))
    monkeypatch.setattr(faces, "_by_fontconfig", lambda bold: ())
    forget()
    yield here
    forget()


def forget():
    for known in REMEMBERED:
        known.cache_clear()


def drawn(text=LETTER):
    """What stands on paper for a letter: (wide, high) of its ink in em, whether its middle is filled, and the remarks."""
    file = pdf_page(Page("", "", (Text(text),)))
    scale = 20.0
    sheet = pypdfium2.PdfDocument(file.content)[0]
    crop = (0.0, sheet.get_height() - 100.0, 400.0, 0.0)  # left, bottom, right, top
    ink = sheet.render(scale=scale, crop=crop, grayscale=True).to_numpy().squeeze() < 128
    rows, cols = np.nonzero(ink)
    row, col = (rows.min() + rows.max()) // 2, (cols.min() + cols.max()) // 2
    em = 8.5 * scale
    filled = bool(ink[row - 3 : row + 4, col - 3 : col + 4].all())
    return (np.ptp(cols) + 1) / em, (np.ptp(rows) + 1) / em, filled, file.remarks


def is_square(side, text=LETTER):
    wide, high, filled, remarks = drawn(text)
    assert remarks == ()
    assert filled
    assert (wide, high) == pytest.approx((side, side), abs=0.02)


def is_box(text=LETTER):
    _, high, filled, (remark,) = drawn(text)
    assert not filled
    assert high == pytest.approx(1.1, abs=0.02)
    assert f"U+{ord(text):04X}" in remark


def test_without_a_font_there_is_a_box(folder):
    is_box()


@pytest.mark.parametrize("outlines", ["truetype", "postscript"])
@pytest.mark.parametrize("name", ["a.ttf", "deep/deeper/B.OTF"])
def test_a_font_of_either_kind_of_outline_is_found_and_drawn(folder, outlines, name):
    font(0, 300, outlines=outlines).save(folder / name)
    is_square(0.6)


def test_the_second_face_of_a_collection_is_found(folder):
    collection = TTCollection()
    collection.fonts = [font(0, 100, letters="\U00012001"), font(0, 350)]
    collection.save(folder / "both.ttc")
    is_square(0.7)
    is_square(0.2, "\U00012001")


@pytest.mark.parametrize("embedding", [0x0002, 0x0100, 0x0200])
def test_a_font_that_may_not_be_put_into_a_document_is_not(folder, embedding):
    """OS/2.fsType: restricted licence, no part of it, pictures only."""
    font(0, 300, embedding=embedding).save(folder / "a.ttf")
    is_box()


@pytest.mark.parametrize("embedding", [0x0004, 0x0008])
def test_a_font_that_may_be_printed_or_edited_is_used(folder, embedding):
    font(0, 300, embedding=embedding).save(folder / "a.ttf")
    is_square(0.6)


def test_a_font_that_shows_nothing_or_everything_is_passed_over(folder):
    font(empty=True).save(folder / "a.ttf")
    font(0, 200, letters=LETTER + "\U0010ffff").save(folder / "b.ttf")
    is_box()
    forget()
    font(0, 300).save(folder / "c.ttf")
    is_square(0.6)


@pytest.mark.parametrize("content", [b"", b"no font", b"ttcf" + bytes(40), b"\0\1\0\0\xff\xff" + bytes(200)])
def test_a_damaged_file_is_passed_over(folder, content):
    (folder / "a.ttf").write_bytes(content)
    (folder / "b.ttf").symlink_to(folder / "gone.ttf")
    is_box()
    forget()
    font(0, 300).save(folder / "c.ttf")
    is_square(0.6)


def test_half_a_font_is_passed_over_or_drawn_but_never_a_fault(folder):
    whole = io.BytesIO()
    font(0, 300).save(whole)
    content = whole.getvalue()
    for part in range(0, len(content), 97):
        (folder / "a.ttf").write_bytes(content[:part])
        forget()
        file = pdf_page(Page("t", "s", (Text(LETTER),)))
        (sign,) = lettering.set_line(LETTER).pieces[0][1]
        assert lettering.SIGNS.stringWidth(sign, 10.0) > 3.0
        assert len(file.remarks) <= 1


def test_upright_sans_serif_of_the_right_weight_comes_first(folder):
    font(0, 100, italic=True).save(folder / "a.ttf")
    font(0, 150, serif=True).save(folder / "b.ttf")
    font(0, 200, weight=700).save(folder / "c.ttf")
    font(0, 300).save(folder / "d.ttf")
    is_square(0.6)
    name, _ = lettering.set_line(LETTER, True).pieces[0]
    heavy = [face for face in faces.faces(True) if ord(LETTER) in face.has]
    assert name == "Drawn"
    assert heavy[0].font.get_glyph_extents(1)[2] == 200  # units wide: the bold one


def test_one_word_comes_from_one_face_where_one_has_it_all(folder):
    """The first face has only the first of two letters, the second both."""
    font(0, 100).save(folder / "a.ttf")
    font(0, 300, letters=LETTER + "\U00012001").save(folder / "b.ttf")
    wide, high, _, remarks = drawn(LETTER + "\U00012001")
    assert remarks == ()
    assert (wide, high) == pytest.approx((1.6, 0.6), abs=0.02)


def test_a_private_sign_is_a_box_even_where_a_font_has_one(folder):
    """What it means is agreed between two; a font of symbols would show anything."""
    font(0, 300, letters="\ue123").save(folder / "a.ttf")
    is_box("\ue123")


def test_a_picture_in_colour_keeps_its_colour(folder):
    """A font of PNG pictures, as emoji are: red, where the text is dark."""
    one = font(empty=True)
    picture = np.full((50, 50, 4), (0, 0, 255, 255), np.uint8)
    table = newTable("sbix")
    table.version, table.flags = 1, 1
    name = one.getGlyphOrder()[1]
    strike = Strike(ppem=50, resolution=72)
    strike.glyphs = {
        name: Glyph(
            glyphName=name,
            graphicType="png ",
            imageData=cv2.imencode(".png", picture)[1].tobytes(),
            originOffsetX=0,
            originOffsetY=0,
        ),
        ".notdef": Glyph(glyphName=".notdef", graphicType=None),
    }
    table.strikes = {50: strike}
    one["sbix"] = table
    one.save(folder / "a.ttf")
    file = pdf_page(Page("t", "s", (Text(LETTER),)))
    assert file.remarks == ()
    seen = pypdfium2.PdfDocument(file.content)[0].render(scale=4.0).to_numpy()[..., ::-1].astype(int)
    red = (seen[..., 0] > 200) & (seen[..., 1:].max(axis=2) < 60)
    assert red.sum() == pytest.approx((8.5 * 4.0) ** 2, rel=0.1)


def test_the_search_is_bounded(folder, monkeypatch):
    """So many files and no more, and not below a certain depth."""
    for k in range(8):
        (folder / f"{k}.ttf").write_bytes(b"no font")
    deep = folder.joinpath(*"abcdefgh")
    deep.mkdir(parents=True)
    (deep / "z.ttf").write_bytes(b"no font")
    assert [os.path.basename(path) for path in faces._files()] == [f"{k}.ttf" for k in range(8)]  # noqa: PTH119
    monkeypatch.setattr(faces, "MOST_FILES", 5)
    assert len(faces._files()) == 5


def test_no_font_is_looked_for_where_the_shipped_ones_do(folder, monkeypatch):
    def never(bold):
        raise AssertionError("the computer was searched")

    monkeypatch.setattr(faces, "_on_this_computer", never)
    assert pdf_page(Page("t", "s", (Text("Żółć Ирина עליון القناة Ⅳ é"),))).remarks == ()


@pytest.mark.parametrize("fault", ["", "exit 1", "echo nonsense; exit 0"])
def test_fontconfig_is_asked_where_it_is(tmp_path, monkeypatch, fault):
    """Its order counts, not ours; where it fails, the folders are searched."""
    if os.name != "posix" or sys.platform == "darwin":
        assert faces._by_fontconfig(False) == ()
        return
    here = tmp_path / "fonts"
    here.mkdir()
    font(0, 100).save(here / "a.ttf")
    font(0, 300, serif=True).save(here / "z.ttf")
    program = tmp_path / "bin" / "fc-match"
    program.parent.mkdir()
    program.write_text(
        f"#!/bin/sh\n{fault or ':'}\nprintf '%s\\t65536\\n' '{here}/z.ttf' '{here}/gone.ttf' '{here}/a.ttf'\n"
    )
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{program.parent}:/usr/bin:/bin")
    monkeypatch.setattr(faces, "_folders", lambda: (here,))
    forget()
    is_square(0.2 if fault else 0.6)
    forget()
