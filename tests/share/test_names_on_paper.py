"""Names of every script on paper: opened and looked at by another library (pdfium, FreeType through pillow).

Every test runs twice: with the fonts that this computer has, and as on a bare one that has none.
"""

import json
import re
from functools import cache
from pathlib import Path
from unicodedata import bidirectional, category

import numpy as np
import pypdfium2
import pytest
from PIL import Image, ImageDraw, ImageFont

from tests.share.places_of_a_name import PLACES, drawing
from wlmeasure.cli import main
from wlmeasure.record.case import case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share import pdf as paper
from wlmeasure.share.card import card_file
from wlmeasure.share.page import (
    Columns,
    Figure,
    Page,
    Table,
    Text,
)
from wlmeasure.share.report import report_file

ROOT = Path(__file__).resolve().parents[2]
MADE = {"made_at": "2026-12-01 10:30", "program": "wlmeasure 0.1.0"}
HEBREW, OTHER_HEBREW, ARABIC, PERSIAN = "עליון", "קדמי", "القناة الأنسية", "کانال گونه‌ای"
SHIPPED = {  # scripts of which the shipped faces have every letter
    "Polish": "Policzkowy środkowy ł",
    "Vietnamese": "Gần má",
    "letters with marks of their own": "Ga\u0302\u0300n ma\u0301",
    "Greek": "Εγγύς παρειακός",
    "Cyrillic": "Медиальный",
    "Hebrew": HEBREW,
    "Hebrew, two words": f"{HEBREW} {OTHER_HEBREW}",
    "Hebrew and a number": "שורש 2",
    "Arabic": ARABIC,
    "Persian": PERSIAN,
    "Urdu": "نالی",
    "Georgian": "მედიალური",
    "Armenian": "Միջային",
    "Roman numeral signs": "Ⅰ Ⅱ ⅳ",
    "fractions": "½ ⅔",
}
ELSEWHERE = {  # scripts that need a font of the computer
    "Chinese": "近中颊侧",
    "Japanese": "近心頬側こんかん",
    "Korean": "근심협측",
    "Thai": "คลองรากใกล้กลาง",
    "Hindi": "मध्यवर्ती नलिका",
    "Bengali": "মেসিয়াল",
    "Tamil": "இடை",
    "Ethiopic": "ቦይ",
    "emoji": "🦷",
    "emoji of several signs": "👩🏽\u200d⚕\ufe0f",
    "full-width letters": "ＭＢ１",
    "full-width letters again": "ＭＢ２",
}
NOWHERE = {  # what no font can show as what it is
    "private use": "\ue000",
    "private use again": "\ue001",
    "plane 15": "\U000f1234",
    "no character": "\U000efff0",
    "zero width space": "M\u200bB",
    "joiner": "M\u200dB",
    "override": "M\u202eB",
    "soft hyphen": "M\u00adB",
    "bell": "M\u0007B",
}
FOOT = {  # what the foot of a sheet calls them on a bare computer
    "Chinese": "CJK",
    "Japanese": "Hiragana, CJK",
    "Korean": "Hangul",
    "Thai": "Thai",
    "Hindi": "Devanagari",
    "Bengali": "Bengali",
    "Tamil": "Tamil",
    "Ethiopic": "Ethiopic",
    "emoji of several signs": "U+2695, U+1F3FD, U+1F469",
    "full-width letters": "U+FF11, Fullwidth",
    "full-width letters again": "U+FF12, Fullwidth",
}
NAMES = SHIPPED | ELSEWHERE | NOWHERE


@pytest.fixture(params=["this computer", "a bare one"], autouse=True)
def computer(request, monkeypatch):
    """Where the fonts are, for every test twice."""
    if request.param == "a bare one":
        bare(monkeypatch)
    return request.param


def bare(monkeypatch):
    if not hasattr(paper, "set_line"):
        return
    from wlmeasure.share import faces, lettering

    monkeypatch.setattr(faces, "_on_this_computer", lambda bold: ())
    for known in (lettering.set_line, lettering._face_of):
        known.cache_clear()
        monkeypatch.setattr(lettering, known.__name__, known.__wrapped__)


def pdf(page):
    """The bytes of a page, and what it remarks."""
    file = paper.pdf_page(page)
    return (file, ()) if isinstance(file, bytes) else (file.content, file.remarks)


def sheet(content, number=0):
    return pypdfium2.PdfDocument(content)[number]


def words(content):
    return " ".join("".join(s.get_textpage().get_text_range() for s in pypdfium2.PdfDocument(content)).split())


def places(content, number=0):
    """Every character of a sheet with the middle of its box (x, y) in points, y up, and the box's left and right edge."""
    text = sheet(content, number).get_textpage()
    boxes = [text.get_charbox(k, loose=True) for k in range(text.count_chars())]
    signs = [text.get_text_range(k, 1) for k in range(text.count_chars())]
    return [(sign, 0.5 * (b[0] + b[2]), 0.5 * (b[1] + b[3])) for sign, b in zip(signs, boxes, strict=True)]


def place(content, sign, number=0):
    (found,) = [(x, y) for one, x, y in places(content, number) if one == sign]
    return found


def pictures_of(names, size=3.0):
    """The name cell of each row of a table as a picture of its ink: names in the middle of three columns."""
    rows = [(chr(0x25A0 + k % 40), name, "20.0") for k, name in enumerate(names)]
    out = []
    for first in range(0, len(rows), 40):
        content, _ = pdf(Page("t", "s", (Table(tuple(rows[first : first + 40]), numbers=(2,)),)))
        page = sheet(content)
        ink = 255 - page.render(scale=size, grayscale=True).to_numpy().squeeze().astype(int)
        at = {sign: (x, y) for sign, x, y in places(content)}
        for mark, _, _ in rows[first : first + 40]:
            x, y = at[mark]
            top, bottom = (int(size * (page.get_height() - y + up)) for up in (-5.5, 5.5))
            out.append(ink[top:bottom, int(size * (x + 8.0)) : int(size * 520.0)])
    return out


def ink_of(picture):
    """The part of a picture that has ink."""
    rows, cols = np.nonzero(picture > 60)
    return picture[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1] if rows.size else picture[:0, :0]


def mostly_from_right(name):
    return any(bidirectional(sign) in ("R", "AL") for sign in name)


@pytest.mark.parametrize("script", NAMES)
def test_a_cell_with_a_name_has_ink(script):
    """At least as much as a hyphen of 7.6 pt, 20 pixels at three to a point; a blank cell has none."""
    blank, hyphen, name = pictures_of(["", "-", NAMES[script]])
    assert (blank > 60).sum() == 0
    assert (name > 60).sum() >= (hyphen > 60).sum() > 10


def test_no_two_names_look_alike():
    """Two canals whose names differ are told apart on paper, whatever this computer can show."""
    names = ["MB", *NAMES.values(), "Гребень", "\ue000\ue001", "近中颊側", "M\ue000B"]
    seen = [ink_of(picture) for picture in pictures_of(names)]
    alike = [
        (names[i], names[j])
        for i in range(len(names))
        for j in range(i)
        if seen[i].shape == seen[j].shape and abs(seen[i] - seen[j]).max() < 60
    ]
    assert alike == []


@pytest.mark.parametrize("script", {**SHIPPED, **ELSEWHERE})
def test_a_name_is_read_back(script):
    """Letter by letter from left to right, or the letters of every word where pdfium turns words and ligatures round."""
    name = NAMES[script]
    content, _ = pdf(Page("t", "s", (Table((("1", name, "20.0"),)),)))
    found = "".join(sign for sign in words(content) if category(sign) != "Cf" or sign in name)
    if mostly_from_right(name):
        assert {"".join(sorted(word)) for word in re.split(r"[ \u200c]", name)} <= {
            "".join(sorted(word)) for word in re.split(r"[ \u200c]", found)
        }
    else:
        assert name in found


@pytest.mark.parametrize("script", SHIPPED)
def test_the_shipped_faces_have_these_scripts(script, computer):
    content, remarks = pdf(Page(SHIPPED[script], SHIPPED[script], (Text(SHIPPED[script]),)))
    assert remarks == ()
    assert "no font" not in words(content)


@pytest.mark.parametrize("script", {**ELSEWHERE, **NOWHERE})
def test_what_no_font_has_is_a_box_and_a_warning(script, computer):
    """On a bare computer each letter of it; on this one whatever is not drawn is warned of, and nothing is both."""
    name = NAMES[script]
    content, remarks = pdf(Page("t", "s", (Text(f"canal {name}: 20.0 mm"),)))
    needed = (
        [c for c in name if c not in "MB \u200d\ufe0f"] if script in ELSEWHERE else [c for c in name if c not in "MB"]
    )
    if computer == "a bare one" or script in NOWHERE:
        (remark,) = remarks
        assert re.search(r"no font for \d+ characters? of the page", remark)
        assert all(f"U+{ord(sign):04X}" in remark for sign in needed)
        foot = re.search(r"! This computer has no font for (.*): boxes with the number stand for them", words(content))[
            1
        ]
        assert foot == FOOT.get(script, f"U+{ord(needed[0]):04X}")
        framed(name, needed)
    else:
        named = {chr(int(code, 16)) for code in re.findall(r"U\+([0-9A-F]+)", " ".join(remarks))}
        framed(name, [sign for sign in needed if sign in named])


def framed(name, signs):
    """As many frames stand in the name's cell as it has such signs: two upright strokes of a box's whole height each."""
    (picture,) = pictures_of([name], size=8.0)
    inked = picture > 100
    rows = np.nonzero(inked.any(axis=1))[0]
    strokes = inked.sum(axis=0) > 0.9 * (1.1 * 7.6 * 8.0 - 2)  # a box is 1.1 em high
    count = int((np.diff(np.r_[0, strokes.astype(int)]) == 1).sum())
    assert rows.size
    assert count >= 2 * len(signs)


def test_the_warning_fits_on_its_line_and_stands_on_every_sheet():
    many = "".join(chr(0xE000 + k) for k in range(300))
    content, (remark,) = pdf(Page("t", "s", (Text(many), *(Text(f"line {k}") for k in range(120)))))
    document = pypdfium2.PdfDocument(content)
    assert len(document) >= 2
    assert "300 characters" in remark
    assert len(remark) < 400
    for one in document:
        text = " ".join(one.get_textpage().get_text_range().split())
        assert re.search(
            r"! This computer has no font for U\+E000, .* more: boxes with the number stand for them", text
        )
        ink = one.render(scale=1.0, grayscale=True).to_numpy().squeeze() < 200
        assert not ink[:, :14].any()
        assert not ink[:, -14:].any()


def test_a_small_sheet_leaves_room_for_the_warning():
    """A5, as the card of stops: the last line of a full sheet ends above the warning."""
    content, _ = pdf(Page("t", "s", tuple(Text(f"line {k} \ue000") for k in range(80)), footer="foot", paper="A5"))
    heights = sorted({y for sign, _, y in places(content) if sign.strip()})
    lines = [y for y, before in zip(heights, [0.0, *heights], strict=False) if y - before > 2.0]
    assert min(np.diff(lines)) > 7.0  # points; letters of 7 pt
    assert len(lines) > 20


@pytest.mark.parametrize("where", PLACES)
def test_every_place_of_a_page_shows_every_script(where):
    """A Hebrew name is drawn there (more ink than without), can be found, and a letter without a font is warned of there."""
    page = PLACES[where]
    content, remarks = pdf(page(f"x {HEBREW}"))
    without, _ = pdf(page("x"))
    assert "".join(sorted(HEBREW)) in {"".join(sorted(word)) for word in words(content).split()}
    ink = [(sheet(one).render(scale=3.0, grayscale=True).to_numpy() < 150).sum() for one in (content, without)]
    assert ink[0] > ink[1] + 60
    assert remarks == ()
    _, (remark,) = pdf(page("x \ue000"))
    assert "U+E000" in remark


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize(
    ("name", "drawn"),
    [
        (HEBREW, HEBREW[::-1]),
        # Beh at the start, in the middle and at the end of a word, as the presentation forms of Unicode, from left to right.
        ("ببب", "\ufe90\ufe92\ufe91"),
        ("سلام", "\ufee1\ufefc\ufeb3"),  # with the ligature of lam and alef
        ("شورى", "\ufeef\ufead\ufeee\ufeb7"),  # reh does not join what follows
        ("Ga\u0302n ma\u0301", "Gân má"),
    ],
)
def test_shaped_text_looks_as_freetype_draws_the_shapes(name, drawn, bold):
    """The same face drawn by FreeType from shapes chosen by hand: at least 80 % of the ink in common."""
    face = ROOT / "wlmeasure" / "share" / "fonts" / f"DejaVuSans{'-Bold' if bold else ''}.ttf"
    scale = 10.0
    content, _ = pdf(Page("t", "s", (Figure(drawing(name, size=20.0, bold=bold, colour="#000000"), "c"),)))
    page = sheet(content)
    crop = (34.0, page.get_height() - 126.0, 300.0, 72.0)  # left, bottom, right, top: the figure
    picture = 255 - page.render(scale=scale, crop=crop, grayscale=True).to_numpy().squeeze().astype(int)
    ours = ink_of(picture) > 128
    wanted = Image.new("L", (3000, 600))
    size = 20.0 * 0.62 * scale
    font = ImageFont.truetype(str(face), size, layout_engine=ImageFont.Layout.BASIC)
    ImageDraw.Draw(wanted).text((100, 100), drawn, fill=255, font=font)
    theirs = ink_of(np.asarray(wanted).astype(int)) > 128
    assert abs(ours.shape[0] - theirs.shape[0]) <= 3
    assert abs(ours.shape[1] - theirs.shape[1]) <= 0.03 * theirs.shape[1] + 3
    rows, cols = (min(a, b) for a, b in zip(ours.shape, theirs.shape, strict=True))
    ours, theirs = ours[:rows, :cols], theirs[:rows, :cols]
    assert (ours & theirs).sum() > 0.8 * (ours | theirs).sum()


def test_arabic_letters_join():
    """Four letters in a word are narrower than alone, and the word is one stroke (four alone are four)."""
    joined, apart = (ink_of(picture) > 60 for picture in pictures_of(["سسسس", "س س س س"], size=8.0))
    columns = [int((np.diff(np.r_[0, one.any(axis=0).astype(int)]) == 1).sum()) for one in (joined, apart)]
    assert columns == [1, 4]
    assert joined.shape[1] < 0.8 * apart.shape[1]


def test_figures_stay_beside_their_name():
    """By the plain rules the two names would change places, and each figure would stand beside the other's name."""
    line = f"{HEBREW} 20.0 mm, {OTHER_HEBREW} 19.5 mm"
    content, _ = pdf(Page("t", "s", (Text(line),)))
    at = {sign: x for sign, x, _ in places(content) if sign in "ע2ק1"}
    assert at["ע"] < at["2"] < at["ק"] < at["1"]


@pytest.mark.parametrize("line", [f"canal {HEBREW}: 20.0 mm", f"{HEBREW}, 20.0", f"{HEBREW}: 20.0"])
def test_a_name_is_read_from_right_to_left_and_the_figure_stays_right_of_it(line):
    content, _ = pdf(Page("t", "s", (Text(line),)))
    x = {sign: x for sign, x, _ in places(content) if sign in HEBREW + "2"}
    assert [x[sign] for sign in HEBREW] == sorted((x[sign] for sign in HEBREW), reverse=True)
    assert x["2"] > max(x[sign] for sign in HEBREW)


def test_two_words_from_right_to_left_and_a_number_in_a_name():
    x = {sign: x for sign, x, _ in places(pdf(Page("t", "s", (Text("אב גד 12"),)))[0]) if sign in "אבגד12"}
    assert sorted(x, key=x.get) == list("12דגבא")


def test_a_long_name_from_right_to_left_breaks_into_lines_that_are_read_downwards():
    first, last = "אבגדהוזחט", "יכלמנסעפצ"
    name = f"{first} {'קרשת ' * 14}{last}"
    content, _ = pdf(Page("t", "s", (Columns((Text(name),), (Text("b"),), 0.2),)))
    assert place(content, "א")[1] > place(content, "צ")[1] + 8.0
    assert place(content, "א")[0] > place(content, "ט")[0]
    assert place(content, "י")[0] > place(content, "צ")[0]


def test_chinese_breaks_between_signs_and_leaves_figures_whole():
    """A long reason beside two figures: it takes several lines, none begins with a full stop, and the figures are whole."""
    reason = "根管工作长度在第二次测量时减少了半毫米因为根管在成形后变直。" * 6
    table = Table((("MB", "20.0", "19.5", reason),), ("canal", "mm", "stop", "reason"), numbers=(1, 2), named=True)
    content, _ = pdf(Page("t", "s", (table,)))
    lines = {}
    for sign, x, y in places(content):
        if sign in reason:
            lines.setdefault(round(y), []).append((x, sign))
    starts = [min(line)[1] for line in lines.values()]
    assert len(lines) >= 3
    assert "。" not in starts
    assert "20.0" in words(content)
    assert "19.5" in words(content)
    heights = {round(y) for sign, _, y in places(content) if sign in "20195." and y > 100.0}
    assert len(heights) == 1


def test_the_same_page_gives_the_same_bytes():
    page = Page("t", "s", tuple(Text(name) for name in NAMES.values()))
    assert pdf(page)[0] == pdf(page)[0]


def renamed(body, names):
    """The JSON of a case with its canals renamed wherever they are named."""
    if isinstance(body, list):
        return [renamed(item, names) for item in body]
    if isinstance(body, dict):
        return {
            key: names.get(value, value)
            if key in ("name", "canal") and isinstance(value, str)
            else renamed(value, names)
            for key, value in body.items()
        }
    return body


def molar_with(names):
    body = json.loads((ROOT / "sample_images" / "cases" / "molar.wl.json").read_text("utf-8"))
    old = sorted(canal["name"] for canal in body["canals"])
    return renamed(body, dict(zip(old, names, strict=True)))


@cache
def molar_in_three_scripts():
    body = molar_with((HEBREW, "نالی", "\ue000"))
    return evaluate(case_from_json(body, folder=ROOT / "sample_images" / "cases"))


@pytest.mark.parametrize("file", [report_file, card_file])
def test_a_report_and_a_card_name_every_canal(file):
    """Three canals named in Hebrew, Arabic and a private sign: each name is there, and the third is warned of."""
    result = molar_in_three_scripts()
    page = file(result, "page.pdf", **MADE)
    found = {"".join(sorted(word.strip(":,;"))) for word in words(page.content).split()}
    assert "".join(sorted(HEBREW)) in found
    assert "".join(sorted("نالی")) in found
    assert any("U+E000" in remark for remark in page.remarks)
    html = file(result, "page.html", **MADE)
    assert html.remarks == ()
    assert f"<bdi>{HEBREW}</bdi>" in html.content.decode()


def test_the_command_line_warns_on_stderr(tmp_path, capsys):
    body = molar_with(("MB", "ML", "\ue000"))
    films = ROOT / "sample_images" / "films"
    for film in body["films"]:
        film["path"] = str(films / Path(film["path"]).name)
    case = tmp_path / "molar.wl.json"
    case.write_text(json.dumps(body), encoding="utf-8")
    out = tmp_path / "report.pdf"
    assert main(["report", str(case), "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert said.out.strip() == str(out)
    assert re.match(r"wlmeasure: warning: this computer has no font for 1 character of the page \(U\+E000\)", said.err)
    assert main(["report", str(case), "--out", str(tmp_path / "report.html")]) == 0
    assert capsys.readouterr().err == ""
