"""Teeth: notations against published pairs, names and canals, usual lengths as a bound for sanity."""

from __future__ import annotations

import subprocess
import sys
import unicodedata

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import TradeError
from wlmeasure.trade.tooth import TableLength, Tooth, UsualLength

PERMANENT = [f"{q}{n}" for q in range(1, 5) for n in range(1, 9)]
PRIMARY = [f"{q}{n}" for q in range(5, 9) for n in range(1, 6)]
DESIGNATIONS = PERMANENT + PRIMARY
teeth = st.sampled_from(DESIGNATIONS).map(Tooth.from_iso3950)


# T4.4: 11, 21 from the common encyclopedia chart of ISO 3950 and Universal numbers; 46 from forensicspot.com, "Tooth
# numbering systems"; 16 from nosht.io, "Dental notation systems"; the others derived from the order of the teeth.
@pytest.mark.parametrize(
    ("iso3950", "universal"),
    [
        *[("11", "8"), ("21", "9"), ("46", "30"), ("16", "3")],
        *[("18", "1"), ("28", "16"), ("38", "17"), ("48", "32")],
        *[("55", "A"), ("51", "E"), ("61", "F"), ("65", "J"), ("75", "K"), ("71", "O"), ("81", "P"), ("85", "T")],
    ],
)
def test_iso3950_and_universal_name_the_same_tooth(iso3950: str, universal: str) -> None:
    assert Tooth.from_iso3950(iso3950).universal == universal
    assert Tooth.from_universal(universal).designation == iso3950


def test_universal_follows_the_count_around_the_mouth() -> None:
    """T4.4, derived: 9-n, 8+n, 25-n, 24+n by quadrant; letters 6-n, 5+n, 16-n, 15+n."""
    for n in range(1, 9):
        expected = [str(9 - n), str(8 + n), str(25 - n), str(24 + n)]
        assert [Tooth.from_iso3950(f"{q}{n}").universal for q in (1, 2, 3, 4)] == expected
    for n in range(1, 6):
        letters = ["ABCDEFGHIJKLMNOPQRST"[i - 1] for i in (6 - n, 5 + n, 16 - n, 15 + n)]
        assert [Tooth.from_iso3950(f"{q}{n}").universal for q in (5, 6, 7, 8)] == letters


@given(teeth)
def test_every_notation_reads_back_what_it_wrote(tooth: Tooth) -> None:
    assert Tooth.from_iso3950(tooth.designation) == tooth
    assert Tooth.from_universal(tooth.universal) == tooth
    assert Tooth.from_palmer(tooth.palmer) == tooth
    assert Tooth.from_palmer(tooth.palmer_letters) == tooth


@pytest.mark.parametrize("notation", ["designation", "universal", "palmer", "palmer_letters", "name"])
def test_no_two_teeth_share_a_notation(notation: str) -> None:
    assert len({getattr(Tooth.from_iso3950(d), notation) for d in DESIGNATIONS}) == 32 + 20


# Letters and corners after nosht.io, "Dental notation systems", and mulberrydental.co.uk, "dental notation".
@pytest.mark.parametrize(
    ("iso3950", "corner", "letters"),
    [
        *[("16", "6┘", "UR6"), ("26", "└6", "UL6"), ("36", "┌6", "LL6"), ("46", "6┐", "LR6")],
        *[("55", "E┘", "URE"), ("61", "└A", "ULA"), ("73", "┌C", "LLC"), ("84", "D┐", "LRD")],
    ],
)
def test_palmer_corner_and_letters(iso3950: str, corner: str, letters: str) -> None:
    tooth = Tooth.from_iso3950(iso3950)
    assert (tooth.palmer, tooth.palmer_letters) == (corner, letters)


@given(teeth)
def test_palmer_corner_is_turned_towards_the_midline_and_the_biting_plane(tooth: Tooth) -> None:
    """Facing the patient, an upper tooth stands above its line, a right tooth left of its upright (Unicode's names)."""
    corner = tooth.palmer.strip("12345678ABCDE")
    upright, level = ("UP" if tooth.is_upper else "DOWN"), ("LEFT" if tooth.is_right else "RIGHT")
    assert unicodedata.name(corner) == f"BOX DRAWINGS LIGHT {upright} AND {level}"


@given(teeth)
def test_unicode_dentistry_symbols_are_read(tooth: Tooth) -> None:
    line, side = ("BOTTOM" if tooth.is_upper else "TOP"), ("LEFT" if tooth.is_right else "RIGHT")
    symbol = unicodedata.lookup(f"DENTISTRY SYMBOL LIGHT VERTICAL AND {line} {side}")
    place = tooth.palmer_letters[2:]
    assert Tooth.from_palmer(f"{place}{symbol}" if tooth.is_right else f"{symbol}{place}") == tooth


def test_typing_is_forgiven_where_nothing_is_guessed() -> None:
    assert Tooth.from_iso3950(" 46 ").designation == "46"
    assert Tooth.from_universal("t").designation == "85"
    assert Tooth.from_palmer(" lr 6 ").designation == "46"


def test_two_digits_mean_another_tooth_in_another_system() -> None:
    """The reason for naming the system: "11" is a right incisor in one and a left canine in the other."""
    assert Tooth.from_iso3950("11").name == "upper right central incisor"
    assert Tooth.from_universal("11").name == "upper left canine"
    with pytest.raises(TypeError):
        Tooth("11")  # a bare "11" is exactly what must not be accepted


@pytest.mark.parametrize("text", ["", "9", "10", "19", "49", "56", "80", "86", "91", "4.6", "46a", "٤٦", 46, None])
def test_what_iso3950_does_not_know_is_refused(text: object) -> None:
    with pytest.raises(TradeError, match="ISO 3950"):
        Tooth.from_iso3950(text)  # values that arrive from files and forms


@pytest.mark.parametrize("text", ["", "0", "33", "01", "U", "AA", "46", 30])
def test_what_universal_does_not_know_is_refused(text: object) -> None:
    with pytest.raises(TradeError, match="Universal"):
        Tooth.from_universal(text)


@pytest.mark.parametrize("text", ["", "6", "6]", "[6", "┘6", "6└", "9┘", "┌F", "LR9", "LRF", "RL6", "46", 46])
def test_what_palmer_does_not_know_is_refused(text: object) -> None:
    with pytest.raises(TradeError, match="Palmer"):
        Tooth.from_palmer(text)


def test_error_names_the_value_and_fits_one_line() -> None:
    with pytest.raises(TradeError) as caught:
        Tooth.from_iso3950("49")
    assert "'49'" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_digits_of_the_designation() -> None:
    first_molar, primary_canine = Tooth.from_iso3950("46"), Tooth.from_iso3950("63")
    assert (first_molar.quadrant, first_molar.position, first_molar.is_primary) == (4, 6, False)
    assert (first_molar.is_upper, first_molar.is_right) == (False, True)
    assert (primary_canine.quadrant, primary_canine.position, primary_canine.is_primary) == (6, 3, True)
    assert (primary_canine.is_upper, primary_canine.is_right) == (True, False)


@pytest.mark.parametrize(
    ("iso3950", "name"),
    [
        ("46", "lower right first molar"),
        ("12", "upper right lateral incisor"),
        ("25", "upper left second premolar"),
        ("38", "lower left third molar"),
        ("84", "lower right primary first molar"),
        ("61", "upper left primary central incisor"),
    ],
)
def test_names_in_words(iso3950: str, name: str) -> None:
    assert Tooth.from_iso3950(iso3950).name == name


# Common practice (from memory).
@pytest.mark.parametrize(
    ("iso3950", "usual"),
    [
        *[("11", {"single"}), ("31", {"single", "B", "L"}), ("24", {"B", "P"}), ("44", {"single", "B", "L"})],
        *[("16", {"MB1", "MB2", "DB", "P"}), ("46", {"MB", "ML", "MM", "D", "DB", "DL"})],
        *[("53", {"single"}), ("64", {"MB", "DB", "P"}), ("85", {"MB", "ML", "D"})],
    ],
)
def test_usual_canal_names(iso3950: str, usual: set[str]) -> None:
    assert usual <= set(Tooth.from_iso3950(iso3950).canal_names)


@given(teeth)
def test_every_tooth_has_canals_without_repetition_on_both_sides_alike(tooth: Tooth) -> None:
    mirrored = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}[tooth.quadrant]
    assert tooth.canal_names
    assert len(set(tooth.canal_names)) == len(tooth.canal_names)
    assert Tooth.from_iso3950(f"{mirrored}{tooth.position}").canal_names == tooth.canal_names
    assert Tooth.from_iso3950(f"{mirrored}{tooth.position}").usual_length == tooth.usual_length


# Means of Wheeler/Ash (carving specifications) and Black 1902 (from memory), by hand.
@pytest.mark.parametrize(
    ("iso3950", "mean_mm"),
    [
        ("11", (23.5 + 22.5) / 2),
        ("13", 26.75),
        ("46", 21.25),
        ("16", (20.0 + 20.8) / 2),  # 19.5-20.5 taken at its midpoint
        ("27", (18.5 + 20.0) / 2),  # 18-19 taken at its midpoint
        ("61", (16.0 + 14.33) / 2),  # oral anatomy course table; Pintor et al., Creative Education 2018;9:77-83
        ("85", 16.8),  # one table only
    ],
)
def test_usual_length_is_the_mean_of_its_tables(iso3950: str, mean_mm: float) -> None:
    usual = Tooth.from_iso3950(iso3950).usual_length
    assert usual.mean_mm == pytest.approx(mean_mm, abs=1e-9)
    assert usual.mean_mm == pytest.approx(sum(t.length_mm for t in usual.tables) / len(usual.sources))


def test_the_measured_lower_first_premolar_agrees_with_the_tables() -> None:
    """22.48 ± 1.74 mm, n = 250 (PMC4195450): an outside check on the row."""
    assert abs(Tooth.from_iso3950("34").usual_length.mean_mm - 22.48) < 1.74


# T5.1, our parameters: 5 mm from the usual length warns, outside 10-33 mm asks.
@pytest.mark.parametrize(
    ("iso3950", "length_mm", "begins"),
    [
        *[("46", 20.5, None), ("46", 29.0, "unusual length"), ("13", 27.0, None)],
        *[("46", 26.25, None), ("46", 26.26, "unusual length"), ("46", 16.25, None), ("46", 16.24, "unusual length")],
        *[("46", 9.9, "doubtful length"), ("13", 33.1, "doubtful length"), ("13", 33.0, "unusual length")],
    ],
)
def test_doubt_about_the_length_of_a_permanent_tooth(iso3950: str, length_mm: float, begins: str | None) -> None:
    doubt = Tooth.from_iso3950(iso3950).length_doubt(length_mm)
    assert doubt is None if begins is None else doubt is not None and doubt.startswith(begins)


# 9.8 mm: mean of the buccal canals of primary upper first molars (Sruthi et al., ijrps.com article 3205).
@pytest.mark.parametrize(
    ("iso3950", "length_mm", "begins"),
    [("54", 9.8, None), ("85", 6.5, None), ("85", 5.9, "doubtful length"), ("85", 22.0, "unusual length")],
)
def test_a_primary_tooth_may_be_short_because_roots_resorb(iso3950: str, length_mm: float, begins: str | None) -> None:
    doubt = Tooth.from_iso3950(iso3950).length_doubt(length_mm)
    assert doubt is None if begins is None else doubt is not None and doubt.startswith(begins)


def test_the_doubt_says_the_tooth_the_figures_and_the_tables() -> None:
    doubt = Tooth.from_iso3950("46").length_doubt(29.0)
    assert doubt is not None
    for words in ("29.0 mm", "46 (lower right first molar)", "5 mm", "21.2", "Wheeler", "Black"):
        assert words in doubt
    assert "\n" not in doubt


def test_limits_of_the_doubt_are_the_callers() -> None:
    tooth = Tooth.from_iso3950("46")
    assert tooth.length_doubt(29.0, band_mm=8.0) is None
    assert (tooth.length_doubt(22.0, band_mm=0.5) or "").startswith("unusual")
    assert (tooth.length_doubt(20.5, hard_range_mm=(21.0, 30.0)) or "").startswith("doubtful")
    with pytest.raises(TradeError, match="hard_range_mm"):
        tooth.length_doubt(20.5, hard_range_mm=(30.0, 21.0))
    with pytest.raises(TradeError, match="band_mm"):
        tooth.length_doubt(20.5, band_mm=0.0)


@given(teeth, st.floats(min_value=0.1, max_value=60.0), st.floats(min_value=0.1, max_value=10.0))
def test_a_wider_band_never_doubts_more(tooth: Tooth, length_mm: float, band_mm: float) -> None:
    if tooth.length_doubt(length_mm, band_mm=band_mm) is None:
        assert tooth.length_doubt(length_mm, band_mm=band_mm * 2) is None


@pytest.mark.parametrize("length_mm", [0.0, -20.0, float("nan"), float("inf"), "20", None])
def test_a_length_that_is_no_length_is_refused(length_mm: object) -> None:
    with pytest.raises(TradeError, match="length_mm"):
        Tooth.from_iso3950("46").length_doubt(length_mm)


@given(teeth)
def test_the_usual_length_itself_is_never_doubted(tooth: Tooth) -> None:
    assert tooth.length_doubt(tooth.usual_length.mean_mm) is None


def test_values_cannot_be_edited() -> None:
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        Tooth.from_iso3950("46").designation = "47"
    with pytest.raises(TradeError, match="table"):
        UsualLength(())
    with pytest.raises(TradeError, match="length_mm"):
        TableLength(-1.0, "a table")


def test_the_trade_costs_no_numpy() -> None:
    """The command line's help and the forms need these facts at once."""
    code = "import sys, wlmeasure.trade.tooth, wlmeasure.trade.instruments; print('numpy' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"
