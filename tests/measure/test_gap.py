"""A known length plus a gap: figures and budget by hand."""

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.calibration import RULER_STD_MM, KnownLine, calibrate_lines
from wlmeasure.errors import MeasureError
from wlmeasure.measure.budget import Term
from wlmeasure.measure.gap import OPEN_GAP_REL_STD, gap_length
from wlmeasure.trace.centreline import given_path

SHAPE = (600, 400)
SCALE = calibrate_lines([KnownLine([[100.0, 50.0], [300.0, 50.0]], 10.0, 0.5)], col_over_row=0.8)  # 0.05 x 0.04 mm
TRACE = given_path([[200.0, 100.0], [400.0, 100.0]], SHAPE)  # 200 rows, 10 mm


def measured(gap_mm=2.0, **options):
    known = {"known_length_mm": 19.5, "known_length_std_mm": RULER_STD_MM} | options
    return gap_length(TRACE, SCALE, gap_mm, **known)


def test_the_length_is_the_sum_and_pretends_to_no_canal():
    length = measured()
    assert length.length_mm == pytest.approx(21.5, abs=1e-12)
    assert (length.coronal_mm, length.canal_mm) == (None, None)
    assert length.method == "known length plus gap"
    assert length.gap.traced_mm == pytest.approx(10.0, rel=1e-9)
    assert length.covered_mm == pytest.approx(19.5)
    assert measured(-0.5).length_mm == pytest.approx(19.0, abs=1e-12)


def test_another_length_is_found_back_on_the_trace_from_its_end():
    assert measured().on_trace_mm(21.5) == pytest.approx(10.0, rel=1e-9)
    assert measured().on_trace_mm(20.5) == pytest.approx(9.0, rel=1e-9)


def test_the_budget_by_hand():
    """Two ends of 1 px of 0.05 mm; the scale's and the tilt's share of 2 mm; the ruler whole."""
    terms = {term.term: term for term in measured(read_to_division=True, gap_rel_std=0.1).budget}
    assert terms["known length"].std_mm == pytest.approx(RULER_STD_MM)
    assert terms["known length"].shape == "rectangular"
    assert terms["end clicks"].std_mm == pytest.approx(0.05 * 2**0.5, rel=1e-9)
    assert terms["scale of the gap"].std_mm == pytest.approx(2.0 * SCALE.rel_std, rel=1e-12)
    assert terms["tilt the film cannot show"].std_mm == pytest.approx(0.2, rel=1e-12)


def test_about_a_tenth_of_a_millimetre_for_every_millimetre_beyond_the_tip():
    """However well the scale is known, and never less."""
    exact = calibrate_lines([KnownLine([[100.0, 50.0], [500.0, 50.0]], 20.0, 0.0)], col_over_row=0.8)
    for gap in (1.0, 2.0, 3.0):
        length = gap_length(TRACE, exact, gap, known_length_mm=19.5, known_length_std_mm=0.0, click_std_px=1e-6)
        assert 0.1 * gap <= length.length_std_mm <= 0.11 * gap + 0.03


def test_a_scale_that_no_file_gives_holds_nothing_of_the_tilt():
    """By an object or a spacing a gap is more uncertain than by a file of the same tooth."""
    line = KnownLine([[100.0, 50.0], [300.0, 50.0]], 10.0, 0.5, "object")
    by_object = gap_length(
        TRACE, calibrate_lines([line], col_over_row=0.8), 2.0, known_length_mm=19.5, known_length_std_mm=0.1
    )
    tilt = {term.term: term.std_mm for term in by_object.budget}["tilt the film cannot show"]
    assert tilt == pytest.approx(2.0 * OPEN_GAP_REL_STD)
    assert tilt > {term.term: term.std_mm for term in measured().budget}["tilt the film cannot show"]


def test_a_file_that_may_not_have_been_seated_makes_it_too_long_and_never_too_short():
    seated = measured()
    lifted = measured(further=[Term("seat of the stop", 0.44, False, "one-sided")])
    (low, high), (low_seated, high_seated) = lifted.length_interval_mm, seated.length_interval_mm
    assert low < low_seated - 0.3
    assert high == pytest.approx(high_seated, abs=0.1)
    assert lifted.too_long_mm > 0.9


@pytest.mark.parametrize(
    ("gap", "options", "field"),
    [
        (float("nan"), {}, "gap_mm"),
        (2.0, {"known_length_mm": 0.0}, "known_length_mm"),
        (-20.0, {}, "gap_mm"),
        (2.0, {"known_length_std_mm": -0.1}, "known_length_std_mm"),
        (2.0, {"gap_rel_std": -0.1}, "gap_rel_std"),
    ],
)
def test_what_cannot_be_is_named(gap, options, field):
    with pytest.raises(MeasureError, match=field):
        measured(gap, **options)


def test_a_traced_path_that_winds_beyond_the_tip_is_doubted():
    """A given path's wiggles are the user's; a tracer's last 2 mm that are 0.1 mm longer than their chord may be none."""
    rows = np.linspace(200.0, 400.0, 201)
    line = np.column_stack([rows, 100.0 + 6.0 * np.sin(rows / 8.0)])
    traced = given_path(line, SHAPE)
    names = [term.term for term in gap_length(traced, SCALE, 2.0, known_length_mm=19.5, known_length_std_mm=0.1).budget]
    assert "winding beyond the file" not in names
    winding = evolve(traced, tracer="symmetry-fit/1")
    names = [
        term.term for term in gap_length(winding, SCALE, 2.0, known_length_mm=19.5, known_length_std_mm=0.1).budget
    ]
    assert "winding beyond the file" in names
