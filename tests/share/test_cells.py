"""Cells: nothing that a spreadsheet might run however it parts the lines, numbers stay numbers, texts come back."""

from __future__ import annotations

import ast
import csv
import io
import re
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from wlmeasure.share.cells import table_text, text_cell, text_of_cell

ROOT = Path(__file__).resolve().parents[2]
WITHOUT_WIDTH = "\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u3164\uffa0"
NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?(e[+-]?[0-9]+)?", re.IGNORECASE | re.ASCII)


def unseen(sign: str) -> bool:
    """White space, controls, format characters, fillers, variation selectors; and the quotes that a reader drops."""
    return (
        sign.isspace()
        or unicodedata.category(sign) in ("Zs", "Zl", "Zp", "Cc", "Cf")
        or sign in WITHOUT_WIDTH + '"'
        or 0xFE00 <= ord(sign) <= 0xFE0F
        or 0xE0100 <= ord(sign) <= 0xE01EF
    )


def runs(cell: str) -> bool:
    """Whether a spreadsheet might take a cell for a formula; a plain number is none."""
    while cell and unseen(cell[0]):
        cell = cell[1:]
    return unicodedata.normalize("NFKC", cell)[:1] in set("=+-@") and NUMBER.fullmatch(cell) is None


def parted(text: str) -> list[tuple[str, str]]:
    """Separator and cell, for each way in which a spreadsheet may part the lines of a table."""
    return [(sep, cell) for sep in ",;\t|" for row in csv.reader(io.StringIO(text), delimiter=sep) for cell in row]


# Signs, what stands before them unseen, what parts cells, and ordinary text.
pieces = st.sampled_from(
    [
        "=",
        "+",
        "-",
        "@",
        "\uff1d",
        "\uff0b",
        "\uff0d",
        "\uff20",
        "\ufe66",
        "\u207c",
        " ",
        "\t",
        "\r\n",
        "\n",
        ";",
        ",",
        "|",
    ]
) | st.sampled_from(
    [
        '"',
        "'",
        "\u200b",
        "\ufeff",
        "\u00ad",
        "\u2066",
        "\u3164",
        "\ufe0f",
        "\x00",
        "\x1f",
        "\x85",
        "\u2028",
        "a",
        "1",
        "-1.5",
    ]
)
hostile = st.lists(pieces, max_size=12).map("".join) | st.text(max_size=12)
numbers = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**9), 10**9)


@settings(max_examples=1000, deadline=None)
@given(st.lists(st.lists(hostile | numbers | st.none(), min_size=1, max_size=5), min_size=1, max_size=4))
@example([["a;", -1.5, "=1"]])
@example([["-5", "1*cmd|' /C calc'!A0"]])
@example([["x", 'a";=1']])
@example([["x", "a\n=1"]])
@example([[-5.0, "1*1"]])
def test_no_cell_runs_however_the_lines_are_parted(rows) -> None:
    """Law: read back at comma, semicolon, tab or bar, no cell but a plain number begins with a sign of a formula."""
    assert [found for found in parted(table_text(rows)) if runs(found[1])] == []


@settings(max_examples=1000, deadline=None)
@given(hostile, st.booleans())
@example("'=1", False)
@example("''-5", True)
@example("a;'=1;=2", False)
def test_a_text_comes_back(text: str, begins_line: bool) -> None:
    """All of it, but for tabs and line ends, which would part cells and become one blank."""
    expected = re.sub(r"[\t\r\n]+", " ", text)
    assert text_of_cell(text_cell(text, begins_line=begins_line)) == expected


@pytest.mark.parametrize(
    "formula", [" =1+1", "a;=2+2", "\uff1d3+3", "\u200b=4", "\ufeff@A1", '"=5', "a\t+6+6", "-7-7", "a|@b"]
)
def test_what_stood_raw_in_a_table_is_text(formula: str) -> None:
    assert not any(runs(cell) for _, cell in parted(table_text([["film", formula, "end"]])))


@pytest.mark.parametrize("number", ["-0.5", "+1", "-2,5", "1e5", "-1.5e-07", "46", "-.5"])
def test_a_number_stays_one(number: str) -> None:
    assert text_cell(number) == number
    assert text_cell(number, begins_line=True) in (number, f"'{number}")


@given(numbers)
def test_a_number_comes_back_exactly(number: float) -> None:
    ((_, cell),) = csv.reader(io.StringIO(table_text([["a", number]])))
    assert type(number)(cell) == number


@pytest.mark.parametrize(
    "text", ["MB", "46", "f1.png", "it's", "'quoted'", "a-b", "2026-11-25T10:30", "x@y", "a=b", "5' 6\"", ""]
)
def test_an_ordinary_text_is_itself(text: str) -> None:
    assert text_cell(text) == text_of_cell(text) == text


def test_every_sign_of_unicode_that_is_one_of_the_four_is_guarded() -> None:
    signs = [chr(k) for k in range(sys.maxunicode + 1) if not 0xD800 <= k <= 0xDFFF]
    signs = [one for one in signs if unicodedata.normalize("NFKC", one)[:1] in tuple("=+-@")]
    assert len(signs) >= 19
    assert [one for one in signs if text_cell(one + "1+1") != f"'{one}1+1"] == []


def test_every_character_that_is_not_seen_is_looked_through() -> None:
    """Blanks, controls, marks without width: whatever stands before the sign. Half of a surrogate pair cannot be written."""
    skipped = [chr(k) for k in range(sys.maxunicode + 1) if not 0xD800 <= k <= 0xDFFF]
    skipped = [one for one in skipped if unseen(one)]
    assert len(skipped) > 400
    assert [hex(ord(one)) for one in skipped if runs(text_cell(f"{one}=1+1"))] == []


def test_a_name_that_is_no_unicode_can_be_written() -> None:
    """A file name of another encoding, as the system hands it over."""
    assert table_text([["a", "film\udcff.png"]]).encode("utf-8") == b"a,film?.png\n"


def test_nothing_else_writes_a_table() -> None:
    """`csv.writer` and `csv.DictWriter` stand in one module alone."""
    found = set()
    for path in [*(ROOT / "wlmeasure").rglob("*.py"), *(ROOT / "plugins").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if (
                isinstance(node, ast.Attribute)
                and node.attr in ("writer", "DictWriter")
                and ast.unparse(node.value) == "csv"
            ):
                found.add(path.relative_to(ROOT).as_posix())
    assert found == {"wlmeasure/share/cells.py"}
