"""Instruments in the shaped canal: diameters, where a gauge binds, strain in a bend."""

from __future__ import annotations

from math import inf, pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.taper import bend_strain, bind_distance, diameters_along
from wlmeasure.errors import DecideError, TradeError
from wlmeasure.trade.instruments import EXAMPLE_SEQUENCE, Instrument, TableInstrument, hand_file

# T7.3, derived by hand from x = (g/100 - D0) / T; None: the file passes.
GAUGES = (20, 25, 30, 35, 40, 50, 60)
BINDS_MM = {
    (17, 0.04): (0.75, 2.00, 3.25, 4.50, 5.75, 8.25, 10.75),
    (25, 0.06): (None, 0.00, 0.83, 1.67, 2.50, 4.17, 5.83),
    (30, 0.07): (None, None, 0.00, 0.71, 1.43, 2.86, 4.29),
    (40, 0.06): (None, None, None, None, 0.00, 1.67, 3.33),
    (50, 0.06): (None, None, None, None, None, 0.00, 1.67),
}


@pytest.mark.parametrize(("size", "taper"), BINDS_MM)
def test_where_a_hand_file_binds(size: int, taper: float) -> None:
    """T7.3; T7.4's "30 short 0.8" after 25/.06 is the nominal 0.83."""
    found = [bind_distance(Instrument(size, taper), gauge) for gauge in GAUGES]
    assert [one.short_mm for one in found] == [
        None if x is None else pytest.approx(x, abs=0.005) for x in BINDS_MM[size, taper]
    ]
    assert [one.passes for one in found] == [x is None for x in BINDS_MM[size, taper]]


def test_the_tolerances_leave_half_a_millimetre_at_06() -> None:
    """0.02 mm on each tip: sqrt(2) 0.02 / 0.06 = 0.47 mm either way (ISO 3630-1 tolerance from memory)."""
    low, high = bind_distance(Instrument(25, 0.06), 30).interval_mm
    assert (low, high) == (pytest.approx(0.8333 - 0.4714, abs=1e-3), pytest.approx(0.8333 + 0.4714, abs=1e-3))
    assert bind_distance(Instrument(25, 0.06), 25).interval_mm == (0.0, pytest.approx(0.4714, abs=1e-3))
    assert bind_distance(Instrument(25, 0.06), 25).may_pass
    assert not bind_distance(Instrument(25, 0.06), 30).may_pass


def test_from_size_70_the_tolerance_is_wider() -> None:
    """sqrt(0.02^2 + 0.04^2) / 0.06 = 0.745 mm."""
    low, high = bind_distance(Instrument(60, 0.06), 70).interval_mm
    assert high - low == pytest.approx(2 * 0.7454, abs=1e-3)


def test_no_distance_where_the_canal_does_not_taper_more_than_the_file() -> None:
    for canal in (Instrument(25, 0.02), Instrument(25, 0.0), Instrument(25, 0.04)):
        found = bind_distance(canal, 30, gauge_taper=0.04)
        assert (found.short_mm, found.interval_mm, found.passes) == (None, None, False)


def test_beyond_the_working_part_or_the_largest_diameter_nothing_is_determined() -> None:
    assert bind_distance(Instrument(25, 0.04, working_part_mm=5), 50).short_mm is None
    assert bind_distance(Instrument(25, 0.06, max_diameter_mm=0.4), 45).short_mm is None


def test_an_instrument_with_its_own_table() -> None:
    """0.25 mm at the tip, 0.45 at 2.5 mm (.08), then .02 a mm: size 35 binds 1.25 mm short, size 46 nowhere certain."""
    table = TableInstrument(25, [(0, 0.25), (2.5, 0.45), (12.5, 0.65)])
    assert bind_distance(table, 35).short_mm == pytest.approx(1.25)
    assert bind_distance(table, 50).short_mm is None


@given(
    size=st.sampled_from([17, 20, 25, 30, 40]), taper=st.integers(3, 12), gauge=st.sampled_from([15, 25, 35, 45, 60])
)
def test_the_canal_is_as_wide_as_the_gauge_where_it_binds(size: int, taper: int, gauge: int) -> None:
    canal = Instrument(size, taper / 100.0)
    found = bind_distance(canal, gauge)
    if found.short_mm is not None:
        assert canal.diameter_mm(found.short_mm) == pytest.approx(gauge / 100.0, abs=1e-9)
        assert found.interval_mm[0] <= found.short_mm <= found.interval_mm[1]
    elif found.passes:
        assert gauge < size


def test_diameters_along_the_example_list() -> None:
    """T7.1 arithmetic on the shipped example: 20/.04 is 0.20 + 0.04 n."""
    rows = diameters_along(EXAMPLE_SEQUENCE, (0, 1, 5, 16))
    assert [row[1] for row in rows] == [
        pytest.approx((d0, d0 + 0.04, d0 + 0.2, d0 + 0.64)) for d0 in (0.20, 0.25, 0.30, 0.35)
    ]


def test_diameters_stop_at_the_cap_and_end_with_the_working_part() -> None:
    """T7.2: 25/.06 capped at 1.00 reaches it at 12.5 mm."""
    ((_, capped),) = diameters_along([Instrument(25, 0.06, max_diameter_mm=1.0)], (12, 12.5, 16, 17))
    assert capped == (pytest.approx(0.97), pytest.approx(1.0), pytest.approx(1.0), None)
    with pytest.raises(DecideError, match="at_mm must be >= 0"):
        diameters_along(EXAMPLE_SEQUENCE, (-1,))


@pytest.mark.parametrize(("radius_mm", "percent"), [(5.0, 5.5), (2.0, 13.75)])
def test_strain_in_a_bend(radius_mm: float, percent: float) -> None:
    """T7.10, derived: 25/.06 is 0.55 mm thick 5 mm from its tip; d / (2 r)."""
    strain = bend_strain(Instrument(25, 0.06), 5.0, radius_mm)
    assert (100 * strain.value, strain.diameter_mm) == (pytest.approx(percent), pytest.approx(0.55))
    assert {flag.code for flag in strain.flags} == {"strain-compares"}


def test_strain_is_the_outer_fibre_over_the_centre_line() -> None:
    """From the definition: a quarter circle of radius r + d/2 is longer than one of radius r by that share."""
    outer, centre = (5.0 + 0.55 / 2) * pi / 2, 5.0 * pi / 2
    assert bend_strain(Instrument(25, 0.06), 5.0, 5.0).value == pytest.approx((outer - centre) / centre)


def test_the_interval_holds_radius_and_diameter() -> None:
    strain = bend_strain(Instrument(25, 0.06), 5.0, 5.0, radius_interval_mm=(4.0, 8.0))
    assert strain.interval == (pytest.approx(0.53 / 16), pytest.approx(0.57 / 8))
    open_end = bend_strain(Instrument(25, 0.06), 5.0, None, radius_interval_mm=(4.0, inf))
    assert (open_end.value, open_end.interval) == (None, (0.0, pytest.approx(0.57 / 8)))
    assert bend_strain(Instrument(25, 0.06), 5.0, None, radius_interval_mm=(0.0, 9.0)).interval[1] == inf


def test_what_gives_no_strain() -> None:
    assert bend_strain(Instrument(25, 0.06), 17.0, 5.0) is None
    with pytest.raises(DecideError, match="must be given"):
        bend_strain(hand_file(10), 5.0, None)
    with pytest.raises(DecideError, match="must hold the radius"):
        bend_strain(hand_file(10), 5.0, 5.0, radius_interval_mm=(6.0, 8.0))
    with pytest.raises(DecideError, match="radius_mm must be > 0"):
        bend_strain(hand_file(10), 5.0, 0.0)
    with pytest.raises(TradeError, match="whole number"):
        bind_distance(hand_file(10), 0)


@given(radius=st.floats(0.5, 30.0), scale=st.floats(1.1, 4.0), at=st.floats(0.0, 16.0))
def test_a_sharper_bend_or_a_thicker_file_is_never_strained_less(radius: float, scale: float, at: float) -> None:
    file = Instrument(25, 0.06)
    assert bend_strain(file, at, radius).value > bend_strain(file, at, scale * radius).value
    assert bend_strain(Instrument(30, 0.06), at, radius).value > bend_strain(file, at, radius).value
