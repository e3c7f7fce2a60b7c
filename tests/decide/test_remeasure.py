"""What to measure again: the promised interval is the one that measuring again gives, and no exposure is ever asked for."""

from __future__ import annotations

from math import hypot, sqrt

import pytest
from attrs import evolve

from wlmeasure.calibration import RULER_STD_MM, Calibration, KnownLine, calibrate_lines, calibrate_spacing
from wlmeasure.decide.electronic import ElectronicReading, electronic_length
from wlmeasure.decide.methods import radiographic_length
from wlmeasure.decide.reconcile import CONSTRICTION_TERM, FORAMEN_TERM, WorkingLength, reconcile
from wlmeasure.decide.remeasure import CHOICE, Advice, advise_length, advise_working_length
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.magnification import Magnification
from wlmeasure.measure.budget import total_std_mm
from wlmeasure.measure.length import TILT, LengthEstimate, measure_length
from wlmeasure.trace.centreline import given_path

SHAPE = (4000, 4000)
CANAL = [[100.0, 100.0], [1100.0, 100.0]]  # 20 mm at 0.02 mm a pixel


def film(
    short_mm: float = 0.0, known_std_mm: float = RULER_STD_MM, click_px: float = 1.0
) -> tuple[LengthEstimate, Calibration]:
    """A canal of 20 mm with a file in it whose tip is so far short; oblong pixels."""
    file = [[100.0, 100.0], [1100.0 - short_mm / 0.02, 100.0]]
    line = KnownLine(file, 20.0 - short_mm, known_std_mm, "file", known_std_mm == RULER_STD_MM)
    scale = calibrate_lines([line], col_over_row=1.3, click_std_px=click_px)
    return measure_length(given_path(CANAL, SHAPE), scale, click_std_px=click_px), scale


def proposed(end: LengthEstimate, *readings: float) -> WorkingLength:
    on_film = radiographic_length(
        end.length_mm, end.length_std_mm, apical_end="radiographic apex", end_budget=end.budget
    )
    read = electronic_length([ElectronicReading(mm, "foramen", 15) for mm in readings]) if readings else None
    return reconcile(on_film, read)


def test_a_stop_read_on_a_ruler_is_the_first_thing_to_read_again() -> None:
    """The promise is kept: with the stop read to 0.1 mm the same film has the interval that was promised (GUM 4.3.7)."""
    length, scale = film()
    first = advise_length(length, scale)[0]
    assert first.term == "known length"
    assert not first.needs_film
    assert first.before_mm == pytest.approx(length.half_width_mm)
    line = evolve(scale.lines[0], known_length_std_mm=0.1 / sqrt(12.0))
    again = measure_length(given_path(CANAL, SHAPE), calibrate_lines([line], col_over_row=1.3))
    assert first.after_mm == pytest.approx(again.half_width_mm, rel=1e-6)
    assert first.words == f"stop length to 0.1 mm: ±{length.half_width_mm:.2f} -> ±{again.half_width_mm:.2f} mm"


def test_clicks_are_to_be_repeated_where_they_are_the_largest_part() -> None:
    """With a length known exactly, four end clicks of 0.02 mm are all; half a pixel at the canal's ends leaves sqrt(5/8)."""
    length, scale = film(known_std_mm=0.0)
    found = {one.term: one for one in advise_length(length, scale)}
    assert {"end clicks", "ends of the known length"} <= set(found)
    clicks = 0.02 * sqrt(2.0)
    tilt = next((t.std_mm for t in length.budget if t.term == TILT), 0.0)
    half = max(0.5 * clicks, 0.015 * sqrt(2.0))  # no click is finer than 0.015 mm
    assert found["end clicks"].after_mm == pytest.approx(1.959964 * hypot(half, clicks, tilt), rel=1e-3)


def test_an_open_stretch_is_bettered_by_a_file_nearer_the_apex_and_that_is_no_order() -> None:
    length, scale = film(short_mm=2.0, known_std_mm=0.03)
    first = advise_length(length, scale)[0]
    assert first.term == TILT
    assert first.needs_film
    near, _ = film(short_mm=0.5, known_std_mm=0.03)
    assert first.after_mm == pytest.approx(near.half_width_mm, rel=0.1)
    assert CHOICE in first.words


def test_without_a_file_a_very_uncertain_scale_comes_first() -> None:
    """A fifth of the length, as by a file's taper, against a twentieth for its tilt."""
    wide = Magnification(1.05, 0.20)
    claim = calibrate_spacing(SpacingClaim(0.02, 0.026, "ImagerPixelSpacing", "detector", "detector"), usual=wide)
    length = measure_length(given_path(CANAL, SHAPE), claim)
    first = advise_length(length, claim)[0]
    assert first.term == "usual magnification"
    assert first.needs_film
    assert first.after_mm is not None
    assert first.after_mm < 0.8 * first.before_mm


def test_a_stretch_that_cannot_be_seen_has_no_figure() -> None:
    scale = film()[1]
    length = measure_length(given_path(CANAL, SHAPE), scale, unseen_from_mm=10.0)
    found = advise_length(length, scale)
    unseen = [one for one in found if one.term == "stretch that cannot be seen"]
    assert len(unseen) == 1
    assert unseen[0].after_mm is None
    assert "second film at another horizontal angle would show it" in unseen[0].words
    assert CHOICE in unseen[0].words


@pytest.mark.parametrize("short_mm", [0.0, 0.3, 1.0, 3.0, 9.0])
@pytest.mark.parametrize("known_std_mm", [0.0, 0.03, RULER_STD_MM, 0.5])
def test_laws_of_advice(short_mm: float, known_std_mm: float) -> None:
    """Never a promise that is not worth a tenth, the best first, what needs a film says whose choice it is."""
    length, scale = film(short_mm, known_std_mm)
    found = advise_length(length, scale)
    with_figure = [one for one in found if one.after_mm is not None]
    assert [one.after_mm for one in with_figure] == sorted(one.after_mm for one in with_figure)
    assert list(found[: len(with_figure)]) == with_figure
    for one in found:
        assert one.before_mm == pytest.approx(length.half_width_mm)
        assert one.after_mm is None or one.after_mm <= 0.9 * one.before_mm + 1e-12
        assert (CHOICE in one.words) is one.needs_film


def test_readings_are_what_narrows_a_film_alone() -> None:
    """The promise is kept: three readings where the film alone expects the foramen give the interval that was promised."""
    length, scale = film()
    working = proposed(length)
    assert working.status == "film only"
    assert {term.term for term in working.budget} == {FORAMEN_TERM, CONSTRICTION_TERM}
    assert working.std_mm == pytest.approx(total_std_mm(working.budget))
    first = advise_working_length(working, length, scale)[0]
    assert first.term == FORAMEN_TERM
    assert "electronic readings" in first.action
    assert not first.needs_film
    again = proposed(length, 19.5, 19.5, 19.5)
    assert again.interval_mm is not None
    assert first.after_mm == pytest.approx(0.5 * (again.interval_mm[1] - again.interval_mm[0]), rel=1e-6)
    assert first.after_mm < 0.7 * first.before_mm


def test_a_better_film_is_promised_what_it_gives() -> None:
    """A stop known to a millimetre: the promised interval is that of the film with the stop read finely."""
    length, scale = film(short_mm=0.0, known_std_mm=1.0)
    working = proposed(length)
    found = {one.term: one for one in advise_working_length(working, length, scale)}
    better, _ = film(short_mm=0.0, known_std_mm=0.1 / sqrt(12.0))
    again = proposed(better)
    assert again.interval_mm is not None
    assert found["known length"].after_mm == pytest.approx(
        0.5 * (again.interval_mm[1] - again.interval_mm[0]), rel=0.01
    )


def test_film_and_reading_in_doubt_are_to_be_read_again() -> None:
    """Two millimetres apart: no figure can be given in advance for what settles it."""
    length, scale = film()
    working = proposed(length, 17.5, 17.5, 17.5)
    assert working.status == "caution"
    last = advise_working_length(working, length, scale)[-1]
    assert "film and reading agree" in last.action
    assert last.after_mm is None
    assert not last.needs_film


def test_no_advice_without_a_proposal_or_where_nothing_helps() -> None:
    length, scale = film()
    assert advise_working_length(reconcile(None, None), None, None) == ()
    agreed = proposed(length, 19.5, 19.5, 19.5)
    assert agreed.status == "concordant"
    assert advise_working_length(agreed, length, scale) == ()


def test_words() -> None:
    assert Advice("a", "do it", 0.333, 0.148).words == "do it: ±0.33 -> ±0.15 mm"
    assert Advice("a", "do it", 0.333, None, True).words == f"a: do it; {CHOICE}"
