"""Whatever a text says, a page shows it: no markup in HTML, SVG or PDF, no command for a terminal, valid JSON."""

import json
import os
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wlmeasure.cli import main
from wlmeasure.share.drawing import Area, Drawing, Label
from wlmeasure.share.html import html_page
from wlmeasure.share.json_line import json_line
from wlmeasure.share.page import (
    Bullets,
    Card,
    Cards,
    Columns,
    Figure,
    Heading,
    Key,
    Page,
    Remarks,
    Row,
    Table,
    Text,
)

PIECES = (
    *(
        "<script>alert(1)</script>",
        "<img src=x onerror=alert(1)>",
        "</style>",
        "]]>",
        "<!--",
        "-->",
        "&lt;",
        "&#60;b&#62;",
    ),
    *(
        "&",
        "\"'",
        "' onload='x",
        "javascript:",
        '<a href="file:///etc">',
        "<br/>",
        "<para>",
        "%s",
        "{0}",
        "\\n",
        "<",
        ">",
    ),
    *("a", " ", "µ", "\n"),
)
HOSTILE = st.lists(st.sampled_from(PIECES) | st.text(max_size=4), min_size=1, max_size=6).map("".join).filter(bool)


def page(text):
    """Every kind of block, each with `text` wherever it takes one."""
    drawing = Drawing(
        (0.0, 0.0, 10.0, 10.0),
        100.0,
        100.0,
        (Label(1.0, 1.0, text), Area(((0.0, 0.0), (1.0, 0.0), (1.0, 1.0)), "#123456", title=text)),
        text,
    )
    figure = Figure(drawing, text, (Key("#123456", text),))
    return Page(
        text,
        text,
        (
            Heading(2, text, "#123456"),
            Text(text),
            Table(head=(text, text), rows=((text, text),), named=True),
            Remarks((text,)),
            Bullets((text, text)),
            figure,
            Cards((Card("#123456", text, text, text, (text,), text),)),
            Columns((figure,), (Text(text, small=True),)),
            Row(((Text(text),), (Heading(3, text),))),
        ),
    )


class Shape(HTMLParser):
    """Tags with the names of their attributes, and the words between them."""

    def __init__(self):
        super().__init__()
        self.tags, self.words = [], []

    def handle_starttag(self, tag, attributes):
        if tag != "bdi" or attributes:  # stands about every name that is read from right to left
            self.tags.append((tag, tuple(sorted(name for name, _ in attributes))))

    def handle_comment(self, data):
        self.tags.append(("comment", ()))

    def handle_data(self, data):
        self.words.append(data)


def shape(text):
    parser = Shape()
    parser.feed(html_page(page(text)))
    parser.close()
    return parser


@settings(max_examples=60, deadline=None)
@given(HOSTILE)
def test_no_text_changes_the_elements_of_a_page(text):
    """Law: the page with any text has the elements and attributes of the page with a plain one of as many lines."""
    plain = "\n".join("x" for _ in text.split("\n"))
    made = shape(text)
    assert made.tags == shape(plain).tags
    assert text in "".join(made.words)  # the title, as it was typed


@settings(max_examples=8, deadline=None)
@given(HOSTILE)
def test_no_text_becomes_a_link_or_a_fault_on_paper(text):
    import pypdfium2

    from wlmeasure.share.pdf import pdf_page

    content = pdf_page(page(text.replace("\n", " "))).content
    assert b"/URI" not in content
    assert b"/JavaScript" not in content
    document = pypdfium2.PdfDocument(content)
    assert len(document) >= 1
    document.close()


@given(
    st.recursive(
        st.text() | st.integers() | st.none(), lambda inside: st.lists(inside) | st.dictionaries(st.text(), inside)
    )
)
def test_json_for_a_terminal_is_printable_and_means_the_same(value):
    line = json_line(value)
    assert line.isprintable()
    assert json.loads(line) == value


def test_half_a_surrogate_in_json_is_escaped():
    """A file name that is no text has them; written as they are they would end the program."""
    assert json_line({"path": "a\udcff\x9b31m\u202e"}) == '{"path":"a\\udcff\\u009b31m\\u202e"}'
    with pytest.raises(ValueError, match="JSON"):
        json_line(float("nan"))


def test_a_hostile_file_name_is_shown_and_not_obeyed(tmp_path, capsys):
    """An escape sequence in the name of a mailed file, on stdout and on stderr, in words and in JSON."""
    from wlmeasure.share.samples import sample_case

    film = sample_case("molar").parents[1] / "films" / "molar_mb.png"
    path = tmp_path / "film\x1b]0;owned\x07\x9b2J\u202e.png"
    path.write_bytes(film.read_bytes())
    for words in (["read"], ["read", "--json"]):
        assert main([*words, str(path)]) == 0
        out, err = capsys.readouterr()
        assert err == ""
        assert all(line.isprintable() for line in out.split("\n"))
    assert json.loads(out)["path"] == str(path)
    path.write_bytes(b"no picture")
    for word in ("read", "measure", "deidentify"):
        more = ["--out", str(tmp_path / "out")] if word == "deidentify" else []
        assert main([word, str(path), *more]) == 1
        out, err = capsys.readouterr()
        assert (out, err.count("\n"), err[:-1].isprintable()) == ("", 1, True)


@pytest.mark.skipif(os.name == "nt", reason="file names are text there")
def test_a_file_name_that_is_no_text_is_read(tmp_path, capsys):
    from wlmeasure.share.samples import sample_case

    film = sample_case("molar").parents[1] / "films" / "molar_mb.png"
    path = os.path.join(os.fsencode(tmp_path), b"film\xff.png")  # noqa: PTH118
    try:
        with open(path, "wb") as file:  # noqa: PTH123
            file.write(film.read_bytes())
    except OSError:
        pytest.skip("this file system takes only text as a name")
    for words in (["read"], ["read", "--json"]):
        assert main([*words, os.fsdecode(path)]) == 0
        assert capsys.readouterr().err == ""
