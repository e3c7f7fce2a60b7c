"""Names that are read from right to left, on a screen: each in an isolate of its own, so that figures stay beside them."""

import subprocess
import sys
from html.parser import HTMLParser

import pytest

from tests.share.places_of_a_name import PLACES
from wlmeasure.share.direction import Stretch, isolated, stretches
from wlmeasure.share.drawing import Area, Drawing, svg
from wlmeasure.share.html import html_page

A, B = "עליון", "קדמי"
ARABIC = "القناة الأنسية"


@pytest.mark.parametrize(
    ("line", "parts"),
    [
        ("MB 20.0", ["MB 20.0"]),
        ("Żółć, 近中 20.0", ["Żółć, 近中 20.0"]),
        ("", [""]),
        (A, [(A,)]),
        (f"{A} {B}", [(f"{A} {B}",)]),  # a name of two words
        (f"canal {A}: 20.0 mm", ["canal ", (A,), ": 20.0 mm"]),
        (f"{A} 20.0, {B} 19.5", [(A,), " 20.0, ", (B,), " 19.5"]),
        (f"{A}, {B}", [(A,), ", ", (B,)]),  # a list: the first stays first
        (f"{A}; {B}", [(A,), "; ", (B,)]),
        (f"{A} 2", [(f"{A} 2",)]),  # a name alone, with its number
        (f"{A} ({B})", [(f"{A} ({B})",)]),
        (f"46 {A}", ["46 ", (A,)]),
        (f" {A} ", [" ", (A,), " "]),
        (f"{A} 20/.04", [(A,), " 20/.04"]),  # a file
        (f"{A}: 20", [(A,), ": 20"]),
        (f"{A}=20", [(A,), "=20"]),
        (f"MB {A} 2", ["MB ", (A,), " 2"]),
        (f"{A} MB {B}", [(A,), " MB ", (B,)]),
        (f"tooth 46, {ARABIC}, stop", ["tooth 46, ", (ARABIC,), ", stop"]),
        ('רמ"ח 1.5', [('רמ"ח',), " 1.5"]),  # a sign within a word belongs to it
        ("x שָׁלוֹם y", ["x ", ("שָׁלוֹם",), " y"]),  # vowel signs, the last letter's too
        ("x אָ: 1", ["x ", ("אָ",), ": 1"]),
    ],
)
def test_stretches(line, parts):
    assert stretches(line) == tuple(
        Stretch(*part, True) if isinstance(part, tuple) else Stretch(part) for part in parts
    )
    assert "".join(part.text for part in stretches(line)) == line
    assert isolated(line).replace("\u2068", "").replace("\u2069", "") == line


class Words(HTMLParser):
    """The text of a page with the elements that it stands in."""

    def __init__(self):
        super().__init__()
        self.open, self.words, self.attributes = [], [], {}

    def handle_starttag(self, tag, attributes):
        self.attributes.setdefault(tag, dict(attributes))
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        self.words.append((data, tuple(self.open)))


@pytest.mark.parametrize("where", sorted(PLACES.keys() - {"footer"}))  # a page on a screen has no foot
def test_on_a_screen_a_name_from_right_to_left_is_isolated(where):
    """An element bdi, or the signs FSI and PDI where none may stand; figures stay outside; markup in a name stays text."""
    name = f"{A} 20.0 <b>{B}</b> 19.5"
    parser = Words()
    parser.feed(html_page(PLACES[where](name)))
    body = [(text, tags) for text, tags in parser.words if "body" in tags]
    if "label" in where:
        text = next(text for text, tags in body if "text" in tags)
        assert text == f"\u2068{A}\u2069 20.0 <b>\u2068{B}\u2069</b> 19.5"
    else:
        isolated = [text for text, tags in body if tags[-1] == "bdi"]
        assert isolated == [A, B] * (len(isolated) // 2)
        assert isolated
        assert not any("20.0" in text or "19.5" in text for text in isolated)
        assert any("<b>" in text for text, _ in body)
    assert parser.attributes["html"] == {"lang": "en", "dir": "ltr"}


def test_the_name_of_a_drawing_is_isolated_too():
    area = Area(((0.0, 0.0), (1.0, 0.0), (1.0, 1.0)), "#000000", title=f"{A} 20.0")
    text = svg(Drawing((0.0, 0.0, 10.0, 10.0), 100.0, 100.0, (area,), f"canal {A} 20.0"))
    assert f'aria-label="canal \u2068{A}\u2069 20.0"' in text
    assert f"<title>\u2068{A}\u2069 20.0</title>" in text


def test_a_page_for_a_screen_loads_no_font_library():
    code = (
        "import sys; from wlmeasure.share.page_file import page_file; from wlmeasure.share.page import Page, Text\n"
        f"page_file('a.html', lambda: Page('t', 's', (Text({A!r}),)))\n"
        "print(sorted({'uharfbuzz', 'reportlab'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, encoding="utf-8")
    assert done.stdout.strip() == "[]"
