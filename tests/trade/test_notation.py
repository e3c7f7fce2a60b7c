"""A tooth as a person types it: every notation reads what it writes, published charts hold, and what may be two is asked."""

from __future__ import annotations

import string

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.cli import main
from wlmeasure.errors import AmbiguousToothError, TradeError
from wlmeasure.record.case import Case, Film, save_case
from wlmeasure.trade.notation import NOTATIONS
from wlmeasure.trade.tooth import Tooth

DESIGNATIONS = [f"{q}{n}" for q in range(1, 5) for n in range(1, 9)] + [
    f"{q}{n}" for q in range(5, 9) for n in range(1, 6)
]
TOOTH = Tooth.from_iso3950("37")
teeth = st.sampled_from(DESIGNATIONS).map(Tooth.from_iso3950)


def read(text: str, notation: str | None = None) -> str:
    return Tooth.from_words(text, notation).designation


# Universal, ISO 3950, Palmer, name: tables of dododentist.com, "Tooth Numbering Chart"; numbers and names agree with pacs.de,
# "American Dental Association Universal Numbering System".
CHART = [
    ("1", "18", "UR8", "upper right third molar"),
    ("3", "16", "UR6", "upper right first molar"),
    ("6", "13", "UR3", "upper right canine"),
    ("8", "11", "UR1", "upper right central incisor"),
    ("10", "22", "UL2", "upper left lateral incisor"),
    ("11", "23", "UL3", "upper left canine"),
    ("12", "24", "UL4", "upper left first premolar"),
    ("14", "26", "UL6", "upper left first molar"),
    ("17", "38", "LL8", "lower left third molar"),
    ("20", "35", "LL5", "lower left second premolar"),
    ("22", "33", "LL3", "lower left canine"),
    ("25", "41", "LR1", "lower right central incisor"),
    ("30", "46", "LR6", "lower right first molar"),
    ("31", "47", "LR7", "lower right second molar"),
    ("A", "55", "URE", "upper right primary second molar"),
    ("D", "52", "URB", "upper right primary lateral incisor"),
    ("H", "63", "ULC", "upper left primary canine"),
    ("I", "64", "ULD", "upper left primary first molar"),
]


@pytest.mark.parametrize(("universal", "iso3950", "palmer", "name"), CHART)
def test_published_charts(universal: str, iso3950: str, palmer: str, name: str) -> None:
    typed = (f"Universal {universal}", f"ISO {iso3950}", palmer, f"Palmer {palmer}", name)
    assert [read(text) for text in typed] == [iso3950] * 5
    assert [read(universal, "Universal"), read(iso3950, "ISO 3950"), read(palmer, "Palmer")] == [iso3950] * 3
    assert {one.tooth.designation for one in Tooth.readings(universal)} >= {iso3950}


@given(teeth)
def test_every_notation_reads_what_it_writes(tooth: Tooth) -> None:
    written = [
        f"FDI {tooth.designation}",
        f"Universal {tooth.universal}",
        tooth.palmer,
        tooth.palmer_letters,
        tooth.name,
    ]
    assert [Tooth.from_words(text) for text in written] == [tooth] * 5
    assert Tooth.from_words(tooth.designation, "ISO 3950") == tooth
    assert Tooth.from_words(tooth.universal, "Universal") == tooth


@given(st.text(string.digits, min_size=1, max_size=2) | st.sampled_from(string.ascii_uppercase))
def test_what_is_offered_is_read_as_what_it_says(text: str) -> None:
    """The text on a button, typed instead, is that one tooth."""
    try:
        found = Tooth.readings(text)
    except TradeError:
        return
    assert [Tooth.from_words(one.typed) for one in found] == [one.tooth for one in found]
    assert all(one.words == f"{one.typed}, {one.tooth.name}" for one in found)


# By tens, then units: I only ISO 3950, U only Universal, ? both and another tooth in each, . none.
TWO_DIGITS = ".UUUUUUUUUU????????UU????????UU??IIIIII..IIIIIIII..IIIII.....IIIII.....IIIII.....IIIII.............."
LETTERS = "?????UUUUUUUUUUUUUUU......"  # A to Z; ? Universal, or Palmer without its quadrant
ONE_DIGIT = ".????????U"  # likewise


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        *zip([f"{k:02d}" for k in range(100)], TWO_DIGITS, strict=True),
        *zip(string.ascii_uppercase, LETTERS, strict=True),
        *zip(string.digits, ONE_DIGIT, strict=True),
    ],
)
def test_every_bare_number_and_letter(text: str, kind: str) -> None:
    if kind == ".":
        with pytest.raises(TradeError, match=r"^tooth must be ISO 3950 \(46\), Universal"):
            Tooth.from_words(text)
    elif kind == "?":
        with pytest.raises(AmbiguousToothError) as caught:
            Tooth.from_words(text)
        assert len(caught.value.candidates) == (2 if len(text) == 2 else 5)
        assert str(caught.value).count("\n") == 0
    elif kind == "I":
        assert read(text) == text
    else:
        assert read(text) == Tooth.from_universal(text.lstrip("0")).designation


def test_eleven_is_asked() -> None:
    with pytest.raises(AmbiguousToothError) as caught:
        Tooth.from_words("11")
    assert str(caught.value) == (
        "tooth '11' may mean 2 teeth: type ISO 11 (upper right central incisor) or Universal 11 (upper left canine)"
    )
    assert [(one.notation, one.tooth.designation, one.words) for one in caught.value.candidates] == [
        ("ISO 3950", "11", "ISO 11, upper right central incisor"),
        ("Universal", "23", "Universal 11, upper left canine"),
    ]
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        caught.value.candidates[0].notation = "Palmer"


@pytest.mark.parametrize(
    ("notation", "eleven", "six"),
    [
        ("ISO 3950", "11", None),
        ("fdi", "11", None),
        ("Universal", "23", "13"),
        ("universal", "23", "13"),
        ("Palmer", None, 4),
    ],
)
def test_who_always_uses_one_notation_says_it_once(notation: str, eleven: str | None, six: str | int | None) -> None:
    """A bare number is read in it alone: what is none there is a slip, and is told what it would be elsewhere."""
    if eleven is None:
        with pytest.raises(
            TradeError, match=r"in Palmer notation: '11' is none there; type ISO 3950 11 or Universal 11"
        ):
            Tooth.from_words("11", notation)
    else:
        assert read("11", notation) == eleven
    if isinstance(six, str):
        assert read("6", notation) == six
    elif six is None:
        with pytest.raises(
            TradeError, match="must be in ISO 3950 notation: '6' is none there; type Universal 6 or Palmer 6"
        ):
            Tooth.from_words("6", notation)
    else:
        with pytest.raises(AmbiguousToothError) as caught:
            Tooth.from_words("6", notation)
        assert [one.typed for one in caught.value.candidates] == ["UR6", "UL6", "LL6", "LR6"]
    # What names its notation is read in that, whoever types it.
    assert {read(text, notation) for text in ("LR6", "Universal 30", "FDI 46", "6┐", "lower right first molar")} == {
        "46"
    }


@pytest.mark.parametrize(
    "text",
    [
        "46", "30", "#30", "# 30", "#46", "No. 30", "no 30", "tooth 30", "Tooth no. 46", "Tooth #30", "\uff14\uff16", " 46. ",
        "Universal 30", "universal #30", "UNIVERSAL: 30", "30 (Universal)", "30, universal", "Universal system 30", "(30)",
        "FDI 46", "ISO 46", "ISO 3950 46", "iso-3950: 46", "46 FDI", "46 (ISO 3950)", "4.6", "4 . 6", "\u200b46\ufeff",
        "\uff0330", "LR6", "lr 6", "Palmer LR6", "LR6 (Palmer)", "L.R.6", "lower right 6", "Lower-right 6", "right lower 6",
        "6\u2510", "6\u23cb", "lower right first molar", "LR first molar", "mandibular right 1st molar",
        "first molar, lower right",
    ],
)  # fmt: skip
def test_one_tooth_in_any_of_the_trades_ways(text: str) -> None:
    """The last corner is Unicode's own dentistry symbol."""
    assert read(text) == "46"


@pytest.mark.parametrize(
    ("text", "iso3950"),
    [
        ("K", "75"), ("#A", "55"), ("Universal t", "85"), ("LRE", "85"), ("lower right E", "85"), ("#6", "13"), ("06", "13"),
        ("#8", "11"), ("upper left cuspid", "23"), ("upper right second bicuspid", "15"), ("lower left wisdom tooth", "38"),
        ("maxillary left central", "21"), ("UL lateral incisor", "22"), ("milk second molar upper left", "65"),
        ("lower left deciduous canine", "73"), ("permanent lower left canine", "33"), ("Palmer URA", "51"),
    ],
)  # fmt: skip
def test_other_teeth(text: str, iso3950: str) -> None:
    assert read(text) == iso3950


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "#", "tooth", "FDI", "Universal", "ISO 3950", "4-6", "4 6", "4/6", "46-47", "46, 47", "46a", "4.9", "9.1",
        "LR9", "LRF", "RL6", "6LR6", "LR46", "upper 6", "right 6", "upper lower right 6", "UR LR 6", "upper right incisor",
        "molar", "33b", "upper right third primary molar", "primary premolar UL", "[6", "6]", "\u0664\u0666", "1e1", "+46",
        "-11", "x" * 10_000,
    ],
)  # fmt: skip
def test_what_is_no_one_tooth_is_refused_in_one_plain_line(text: str) -> None:
    with pytest.raises(TradeError, match=r"^tooth must be ") as caught:
        Tooth.from_words(text)
    assert not isinstance(caught.value, AmbiguousToothError)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 250


@pytest.mark.parametrize("text", ["Universal 46", "FDI 30", "Palmer 46", "Universal LR6", "FDI LR6"])
def test_a_tooth_that_is_none_in_the_notation_named_is_refused(text: str) -> None:
    with pytest.raises(
        TradeError, match=r"is none there; type (ISO 3950|Universal|Palmer) (46|30|LR6) if that is meant"
    ):
        Tooth.from_words(text)


@pytest.mark.parametrize("text", [46, None, b"46", ["46"]])
def test_what_is_no_text_is_refused(text: object) -> None:
    with pytest.raises(TradeError, match="tooth must be a text"):
        Tooth.from_words(text)


def test_a_notation_that_there_is_not_is_refused() -> None:
    assert NOTATIONS == ("ISO 3950", "Universal", "Palmer")
    with pytest.raises(TradeError, match="notation must be one of ISO 3950, Universal, Palmer: 'US'"):
        Tooth.from_words("46", "US")


@given(st.text(max_size=12) | st.text("46LRUABE.#-() \u2510", max_size=8))
def test_whatever_is_typed_is_teeth_or_one_line(text: str) -> None:
    said = ""
    try:
        found = Tooth.readings(text)
    except TradeError as error:
        said, found = str(error), ()
    assert len(said.splitlines()) == (0 if found else 1)
    assert {one.tooth.designation for one in found} <= set(DESIGNATIONS)


def test_a_word_asks_and_takes_what_is_typed_in_any_way(tmp_path, monkeypatch, capsys) -> None:
    """`record list --tooth`; a practice that always types Universal numbers says so once, in a variable."""
    pytest.importorskip("sqlalchemy")
    monkeypatch.delenv("WLMEASURE_NOTATION", raising=False)
    place, case = ["--archive", str(tmp_path / "a.sqlite")], tmp_path / "a.wl.json"
    film = Film(id="f1", path="film.png", sha256="0" * 64, rows=9, cols=9)
    save_case(Case(tooth=TOOTH.designation, case_id="P-1", films=(film,)), case)
    assert main(["record", "add", str(case), "--by", "AB", *place]) == 0
    find = ["record", "list", *place, "--tooth"]
    assert main([*find, "11"]) == 1
    assert "type ISO 11 (upper right central incisor) or Universal 11 (upper left canine)" in capsys.readouterr().err
    for text in (f"ISO {TOOTH.designation}", f"Universal {TOOTH.universal}", TOOTH.palmer_letters, TOOTH.name):
        assert main([*find, text]) == 0
        assert "P-1" in capsys.readouterr().out
    monkeypatch.setenv("WLMEASURE_NOTATION", "Universal")
    assert main([*find, TOOTH.universal]) == 0
    assert "P-1" in capsys.readouterr().out
    assert main([*find, TOOTH.designation]) == 1
    assert main([*find, "46"]) == 1
    assert "must be in Universal notation" in capsys.readouterr().err
