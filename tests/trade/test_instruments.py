"""Instruments: sizes, colours, diameters and tolerances of ISO 3630-1, non-uniform tapers, lists written by users."""

from __future__ import annotations

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import TradeError
from wlmeasure.trade.instruments import (
    EXAMPLE_SEQUENCE,
    HALF_SIZES,
    HAND_FILE_TAPER,
    NOMINAL_LENGTHS_MM,
    SIZES,
    Instrument,
    TableInstrument,
    colour,
    diameter_tolerance_mm,
    hand_file,
    is_nominal_length,
    neighbours_overlap,
    next_size,
    read_instrument_list,
    size_words,
    tip_diameter_mm,
)

# Sizes, colours, D0 and D16 of the hand files: Qualtrough et al., Principles of Operative Dentistry, 2005.
HAND_FILES = [
    *[(6, "pink", 0.06, 0.38), (8, "grey", 0.08, 0.40), (10, "purple", 0.10, 0.42)],
    *[(15, "white", 0.15, 0.47), (45, "white", 0.45, 0.77), (90, "white", 0.90, 1.22)],
    *[(20, "yellow", 0.20, 0.52), (50, "yellow", 0.50, 0.82), (100, "yellow", 1.00, 1.32)],
    *[(25, "red", 0.25, 0.57), (55, "red", 0.55, 0.87), (110, "red", 1.10, 1.42)],
    *[(30, "blue", 0.30, 0.62), (60, "blue", 0.60, 0.92), (120, "blue", 1.20, 1.52)],
    *[(35, "green", 0.35, 0.67), (70, "green", 0.70, 1.02), (130, "green", 1.30, 1.62)],
    *[(40, "black", 0.40, 0.72), (80, "black", 0.80, 1.12), (140, "black", 1.40, 1.72)],
]

instruments_of_any_kind = st.one_of(
    st.builds(
        Instrument,
        size=st.sampled_from(sorted((*SIZES, *HALF_SIZES))),
        taper=st.integers(0, 12).map(lambda percent: percent / 100),
        max_diameter_mm=st.none() | st.floats(1.4, 2.0),
        working_part_mm=st.sampled_from([16.0, 10.0, 18.5]),
    ),
    st.builds(
        lambda size, steps: TableInstrument(
            size, [(3.9 * i, size / 100 + sum(steps[:i])) for i in range(len(steps) + 1)]
        ),
        size=st.sampled_from(SIZES),
        steps=st.lists(st.floats(0.0, 0.3), min_size=1, max_size=5),
    ),
)


@pytest.mark.parametrize(("size", "its_colour", "d0_mm", "d16_mm"), HAND_FILES)
def test_hand_files_of_the_standard(size: int, its_colour: str, d0_mm: float, d16_mm: float) -> None:
    """T4.1 and T4.2 are the rows 25, 45 and 80."""
    assert colour(size) == its_colour
    assert tip_diameter_mm(size) == pytest.approx(d0_mm, abs=1e-12)
    assert hand_file(size).diameter_mm(0) == pytest.approx(d0_mm, abs=1e-12)
    assert hand_file(size).diameter_mm(16) == pytest.approx(d16_mm, abs=1e-12)
    assert hand_file(size).taper == HAND_FILE_TAPER == 0.02


def test_the_standard_has_these_sizes_and_no_other() -> None:
    assert [size for size, *_ in sorted(HAND_FILES)] == list(SIZES)


@pytest.mark.parametrize("size", HALF_SIZES)
def test_half_sizes_are_known_and_have_no_standard_colour(size: int) -> None:
    assert tip_diameter_mm(size) == pytest.approx(size / 100)
    assert colour(size) is None


@pytest.mark.parametrize("size", [0, -25, 7, 33, 65, 150, 25.0, "25", True, None])
def test_sizes_outside_the_standard_are_refused(size: object) -> None:
    for asked in (colour, tip_diameter_mm, diameter_tolerance_mm, hand_file):
        with pytest.raises(TradeError, match="size"):
            asked(size)  # values that arrive from files and forms


def test_a_special_instrument_may_have_any_size() -> None:
    assert Instrument(33, 0.05, special=True).diameter_mm(2) == pytest.approx(0.43)
    assert tip_diameter_mm(33, special=True) == pytest.approx(0.33)
    with pytest.raises(TradeError, match="whole number"):
        Instrument(0, 0.05, special=True)


# T7.1, derived by hand from D(n) = D0 + T n.
STATIONS_MM = (0, 1, 2, 3, 4, 5, 8, 10, 12, 16)
DIAMETERS_MM = {
    (17, 0.04): (0.17, 0.21, 0.25, 0.29, 0.33, 0.37, 0.49, 0.57, 0.65, 0.81),
    (25, 0.06): (0.25, 0.31, 0.37, 0.43, 0.49, 0.55, 0.73, 0.85, 0.97, 1.21),
    (30, 0.07): (0.30, 0.37, 0.44, 0.51, 0.58, 0.65, 0.86, 1.00, 1.14, 1.42),
    (40, 0.06): (0.40, 0.46, 0.52, 0.58, 0.64, 0.70, 0.88, 1.00, 1.12, 1.36),
    (50, 0.06): (0.50, 0.56, 0.62, 0.68, 0.74, 0.80, 0.98, 1.10, 1.22, 1.46),
}


@pytest.mark.parametrize(("size", "taper"), DIAMETERS_MM)
def test_diameters_along_tapered_instruments(size: int, taper: float) -> None:
    instrument = Instrument(size, taper)
    assert [instrument.diameter_mm(n) for n in STATIONS_MM] == pytest.approx(list(DIAMETERS_MM[size, taper]), abs=1e-12)


# T7.2, derived: (largest diameter - D0) / T, None beyond the 16 mm.
@pytest.mark.parametrize(
    ("size", "taper", "cap_mm", "reached_mm"),
    [
        *[(25, 0.06, 1.00, 12.5), (30, 0.07, 1.00, 10.0), (40, 0.06, 1.00, 10.0), (50, 0.06, 1.00, 25 / 3)],
        *[(17, 0.04, 1.00, None), (25, 0.06, 1.20, 15.83), (30, 0.07, 1.20, 12.86), (40, 0.06, 1.20, 13.33)],
        *[(50, 0.06, 1.20, 11.67), (50, 0.06, None, None), (50, 0.0, 0.60, None), (50, 0.0, 0.50, 0.0)],
    ],
)
def test_where_the_largest_diameter_is_reached(
    size: int, taper: float, cap_mm: float | None, reached_mm: float | None
) -> None:
    reached = Instrument(size, taper, max_diameter_mm=cap_mm).cap_reached_mm
    assert reached == (None if reached_mm is None else pytest.approx(reached_mm, abs=0.005))


def test_the_diameter_stays_at_its_largest() -> None:
    capped = Instrument(25, 0.06, max_diameter_mm=1.00)
    assert [capped.diameter_mm(n) for n in (12, 12.5, 13, 16)] == pytest.approx([0.97, 1.00, 1.00, 1.00])


@pytest.mark.parametrize("mm_from_tip", [-0.1, 16.1, float("nan"), "5"])
def test_no_diameter_is_invented_off_the_working_part(mm_from_tip: object) -> None:
    for instrument in (hand_file(25), TableInstrument(25, [(0, 0.25), (16, 1.0)])):
        with pytest.raises(TradeError, match="mm_from_tip"):
            instrument.diameter_mm(mm_from_tip)


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"taper": 6}, "taper"),  # written in percent
        ({"taper": -0.02}, "taper"),
        ({"taper": float("nan")}, "taper"),
        ({"max_diameter_mm": 0.2}, "max_diameter_mm"),
        ({"max_diameter_mm": -1.0}, "max_diameter_mm"),
        ({"working_part_mm": 0.0}, "working_part_mm"),
    ],
)
def test_an_impossible_instrument_is_refused(arguments: dict[str, float], field: str) -> None:
    with pytest.raises(TradeError, match=field):
        Instrument(**{"size": 25, "taper": 0.06, **arguments})


# ISO 3630-1, from memory.
@pytest.mark.parametrize(("size", "half_mm"), [(6, 0.02), (60, 0.02), (70, 0.04), (140, 0.04)])
def test_tolerance_of_a_diameter(size: int, half_mm: float) -> None:
    assert diameter_tolerance_mm(size) == half_mm
    low, high = hand_file(size).diameter_interval_mm(3)
    assert (low, high) == pytest.approx((size / 100 + 0.06 - half_mm, size / 100 + 0.06 + half_mm))


def test_another_tolerance_may_be_asked_for() -> None:
    assert hand_file(25).diameter_interval_mm(0, tolerance_mm=0.01) == pytest.approx((0.24, 0.26))
    assert hand_file(6).diameter_interval_mm(0, tolerance_mm=0.10)[0] == 0.0  # a diameter is never negative
    with pytest.raises(TradeError, match="tolerance_mm"):
        hand_file(25).diameter_interval_mm(0, tolerance_mm=-0.01)


# T4.3, derived from ±0.02 mm: 0.06-0.10 meets 0.08-0.12; 0.13-0.17 and 0.18-0.22 stay apart.
@pytest.mark.parametrize(
    ("size_a", "size_b", "overlap"),
    [(8, 10, True), (15, 20, False), (6, 8, True), (12, 15, True), (60, 70, False), (6, 10, True), (25, 25, True)],
)
def test_neighbours_overlap_within_tolerance(size_a: int, size_b: int, overlap: bool) -> None:
    assert neighbours_overlap(size_a, size_b) is overlap
    assert neighbours_overlap(size_b, size_a) is overlap


def test_neighbours_keep_apart_when_made_more_exactly() -> None:
    assert not neighbours_overlap(8, 10, tolerance_mm=0.005)
    assert neighbours_overlap(15, 20, tolerance_mm=0.03)


@pytest.mark.parametrize(("length_mm", "nominal"), [(21, True), (25.0, True), (28, True), (31, True), (20.5, False)])
def test_a_nominal_length_is_recognised(length_mm: float, nominal: bool) -> None:
    assert is_nominal_length(length_mm) is nominal
    assert NOMINAL_LENGTHS_MM == (21, 25, 28, 31)


def test_the_next_larger_size() -> None:
    assert [next_size(size) for size in (10, 17, 25, 60, 140)] == [15, 20, 30, 70, None]


@given(instruments_of_any_kind, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_instruments_grow_towards_the_handle(
    instrument: Instrument | TableInstrument, one: float, other: float
) -> None:
    near, far = sorted((one * instrument.working_part_mm, other * instrument.working_part_mm))
    assert instrument.diameter_mm(near) <= instrument.diameter_mm(far) + 1e-12


@given(instruments_of_any_kind, st.floats(0.01, 3.0))
def test_the_first_place_of_a_diameter_is_that_thick(
    instrument: Instrument | TableInstrument, diameter_mm: float
) -> None:
    place = instrument.mm_from_tip_at(diameter_mm)
    if place is None:
        assert instrument.diameter_mm(instrument.working_part_mm) < diameter_mm
    elif place == 0.0:
        assert diameter_mm <= instrument.diameter_mm(0) + 1e-6
    else:
        assert instrument.diameter_mm(min(place, instrument.working_part_mm)) == pytest.approx(diameter_mm, abs=1e-6)


@given(instruments_of_any_kind)
def test_a_label_reads_back(instrument: Instrument | TableInstrument) -> None:
    assert read_instrument_list(instrument.label) == (instrument,)


def test_a_table_is_joined_by_straight_lines() -> None:
    """By hand: 0.25 to 0.57 over 4 mm is 0.08 per mm, then 0.04 per mm."""
    variable = TableInstrument(25, [(0, 0.25), (4, 0.57), (14, 0.97)])
    assert [variable.diameter_mm(n) for n in (0, 1, 4, 5, 14)] == pytest.approx([0.25, 0.33, 0.57, 0.61, 0.97])
    assert variable.working_part_mm == 14
    assert variable.diameter_interval_mm(1) == pytest.approx((0.31, 0.35))
    assert variable.mm_from_tip_at(0.41) == pytest.approx(2.0)
    assert variable.mm_from_tip_at(0.20) == 0.0
    assert variable.mm_from_tip_at(0.98) is None


@given(st.floats(0.0, 16.0))
def test_a_table_of_two_rows_is_a_uniform_taper(mm_from_tip: float) -> None:
    table, uniform = TableInstrument(25, [(0, 0.25), (16, 1.21)]), Instrument(25, 0.06)
    assert table.diameter_mm(mm_from_tip) == pytest.approx(uniform.diameter_mm(mm_from_tip))


def test_a_waist_is_found_at_its_first_crossing() -> None:
    waisted = TableInstrument(50, [(0, 0.50), (1, 0.60), (2, 0.40), (10, 0.80)])
    assert waisted.mm_from_tip_at(0.55) == pytest.approx(0.5)
    assert waisted.mm_from_tip_at(0.70) == pytest.approx(8.0)


@pytest.mark.parametrize(
    "rows",
    [[], [(0, 0.25)], [(1, 0.25), (16, 1)], [(0, 0.25), (4, 0.4), (4, 0.5)], [(0, 0.25), (4, 0)], [(0, 0.25, 1)]],
)
def test_a_table_that_is_none_is_refused(rows: list[tuple[float, ...]]) -> None:
    with pytest.raises(TradeError, match="diameters_mm"):
        TableInstrument(25, rows)


def test_a_table_must_fit_its_size() -> None:
    assert TableInstrument(25, [(0, 0.27), (16, 1)]).tip_diameter_mm == 0.27
    with pytest.raises(TradeError, match="size 25"):
        TableInstrument(25, [(0, 0.30), (16, 1)])


def test_a_table_cannot_be_edited_through_the_list_it_came_from() -> None:
    rows = [(0.0, 0.25), (16.0, 1.0)]
    table = TableInstrument(25, rows)
    rows[0] = (0.0, 9.0)
    assert table.diameter_mm(0) == 0.25
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        table.size = 30


def test_a_list_is_read_in_its_order() -> None:
    text = """
    # what I have in the drawer
    10/.02
    25/.06 max 1.00      # stops growing
    25/0,06 MAX 1,0
    25/06
    20 / .10 working 10
    33/.05 special
    25 0:0.25 4:0,53 16:1.10
    """
    assert read_instrument_list(text) == (
        Instrument(10, 0.02),
        Instrument(25, 0.06, max_diameter_mm=1.0),
        Instrument(25, 0.06, max_diameter_mm=1.0),
        Instrument(25, 0.06),
        Instrument(20, 0.10, working_part_mm=10.0),
        Instrument(33, 0.05, special=True),
        TableInstrument(25, [(0, 0.25), (4, 0.53), (16, 1.10)]),
    )


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("25", "size/taper"),
        ("25/", "size/taper"),
        ("25/6", "taper"),
        ("25/.06 max", "size/taper"),
        ("25/.06 maximum 1", "size/taper"),
        ("33/.05", "special"),
        ("25/.06 max 0.10", "max_diameter_mm"),
        ("25/.06 30/.07", "size/taper"),
        ("25 0:0.25", "diameters_mm"),
        ("25 0:0.25 16", "size/taper"),
    ],
)
def test_a_line_that_is_no_instrument_is_named(line: str, says: str) -> None:
    with pytest.raises(TradeError, match=r"line 3: ") as caught:
        read_instrument_list(f"20/.04\n\n{line}\n30/.04")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "\n \n", "# nothing yet"])
def test_an_empty_list_is_refused(text: str) -> None:
    with pytest.raises(TradeError, match="empty"):
        read_instrument_list(text)


def test_the_example_list_is_four_sizes_of_one_taper() -> None:
    assert [instrument.label for instrument in EXAMPLE_SEQUENCE] == ["20/.04", "25/.04", "30/.04", "35/.04"]


@pytest.mark.parametrize(
    ("given", "words"),
    [((25, 0.04), "25/.04"), ((8,), "08"), ((20, 0.065), "20/.065"), ((110, 0.02), "110/.02"), ((30, 0.1), "30/.10")],
)
def test_an_instrument_is_written_in_one_way(given, words):
    """As a list of instruments writes it, so that it can be read back."""
    assert size_words(*given) == words
    assert size_words(*given, special=True) == f"{words} special"
    if len(given) == 2:
        assert Instrument(*given, special=True).label == f"{words} special"
        assert read_instrument_list(f"{words} special")[0].taper == given[1]
