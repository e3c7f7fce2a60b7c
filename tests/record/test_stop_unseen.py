"""A file whose stop does not show: its known length begins at the foot of its reference point. Hand geometry."""

import copy
from math import sqrt

import numpy as np
import pytest
from attrs import evolve

from tests.record.unseen import TRACE, UNSEEN
from wlmeasure.errors import CalibrationError, TraceError
from wlmeasure.image.reading import read
from wlmeasure.record.case import case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.record.spatial import _files
from wlmeasure.share.paths import paths_of, stored_paths
from wlmeasure.share.result import no_stop_words
from wlmeasure.trace.spline import arc_length

SEAT = "seat of the stop"
BESIDE = "reference point beside the shaft"


@pytest.fixture
def unseen(body):
    body["films"][0]["scale"] = [copy.deepcopy(UNSEEN)]
    body["canals"][0]["traces"] = [{"film": "f1", "apical_end": "radiographic apex"} | copy.deepcopy(TRACE)]
    return body


def file_of(body):
    return body["films"][0]["scale"][0]


def trace_of(body):
    return body["canals"][0]["traces"][0]


def codes(flags):
    return {flag.code for flag in flags}


def terms(budget):
    return {term.term: term for term in budget}


def first(result):
    return result.canals[0].traces[0]


def test_scale_and_length_begin_at_the_foot(unseen, measure):
    """360 pixels are 18 mm; from the foot, not from the cusp beside it, 400 pixels to the apex are 20 mm."""
    result = measure(unseen)
    (film,), found = result.films, first(result)
    assert film.calibration.mm_per_px == pytest.approx((0.05, 0.05))
    assert film.calibration.lines[0].path_px[0] == pytest.approx([60, 50])
    assert found.start_px == pytest.approx([60, 50])
    assert found.length.length_mm == pytest.approx(20.0)
    assert "stop-off-reference" not in codes(found.flags)


def test_unequal_pixels(unseen, measure):
    """Columns of 0.8 rows: the shaft is upright, and its foot stays at row 60."""
    unseen["films"][0]["col_over_row"] = 0.8
    result = measure(unseen)
    assert result.films[0].calibration.mm_per_px == pytest.approx((0.05, 0.04))
    assert first(result).length.length_mm == pytest.approx(20.0)


def test_clicks_are_traced_first_and_cut_then(unseen, measure):
    """The path that is stored runs as far as it was clicked, so that the reference point can be moved."""
    file_of(unseen).update(trace_kind="clicks", points_px=[[10, 50], [420, 50]])
    result = measure(unseen)
    (path,) = result.films[0].file_traces
    assert path.path_px[0] == pytest.approx([10, 50], abs=1.5)
    line = result.films[0].calibration.lines[0]
    assert line.path_px[0] == pytest.approx([60, 50], abs=3.0)
    assert arc_length(line.path_px)[-1] == pytest.approx(360.0, abs=6.0)


def test_what_nobody_said_of_the_stop_makes_the_interval_reach_down(unseen, measure):
    """If the stop had slid up by 1 mm of 18, 20 mm are 20 / 18 = 1.11 mm too long."""
    found = first(measure(unseen))
    (flag,) = [flag for flag in found.flags if flag.code == "stop-seat-not-known"]
    assert "slid up by 1 mm, this length is 1.1 mm too long" in flag.text
    seat = terms(found.length.budget)[SEAT]
    assert seat.std_mm == pytest.approx(20.0 / 18.0 * sqrt(7.0 / 36.0))
    assert (seat.shape, seat.shared) == ("one-sided", True)
    low, high = found.length.length_interval_mm
    assert 0.9 < found.length.length_mm - low < 1.3
    assert high - found.length.length_mm < 0.45
    assert found.length.too_long_mm == pytest.approx(20.0 / 18.0)


def test_said_to_be_seated_it_is_not_one_sided(unseen, measure):
    file_of(unseen)["stop_seated"] = "yes"
    found = first(measure(unseen))
    assert SEAT not in terms(found.length.budget)
    assert "stop-seat-not-known" not in codes(found.flags)
    low, high = found.length.length_interval_mm
    assert high - found.length.length_mm == pytest.approx(found.length.length_mm - low)


def test_not_known_is_the_same_as_nothing_said(unseen, measure):
    before = first(measure(unseen)).length
    file_of(unseen)["stop_seated"] = "not known"
    assert first(measure(unseen)).length.length_interval_mm == before.length_interval_mm


def test_a_stop_that_shows_is_measured_as_ever(body, measure):
    before = first(measure(body)).length
    for said in ({"upper_end": "stop"}, {"upper_end": "stop", "stop_seated": "not known"}):
        other = copy.deepcopy(body)
        file_of(other).update(said)
        length = first(measure(other)).length
        assert (length.length_mm, length.budget) == (before.length_mm, before.budget)


def test_an_error_of_the_foot_counts_once_where_scale_and_length_begin_there(unseen, measure):
    """0.2 mm too low, 18 mm look like 17.8 and 20 like 19.8: the length is 0.02 mm too long. A canal that counts from another
    point has 0.2 x 20 / 18 of it."""
    unseen["canals"].append(copy.deepcopy(unseen["canals"][0]) | {"name": "ML"})
    other = unseen["canals"][1]["traces"][0]
    del other["file_tip_px"]
    result = measure(unseen)
    ours, theirs = (canal.traces[0].length for canal in result.canals)
    assert terms(ours.budget)[BESIDE].std_mm == pytest.approx(0.2 * 2.0 / 18.0)
    assert terms(theirs.budget)[BESIDE].std_mm == pytest.approx(0.2 * theirs.length_mm / 18.0)
    assert terms(ours.budget)["end clicks"].std_mm < terms(theirs.budget)["end clicks"].std_mm


def test_above_its_first_point_the_shaft_is_drawn_straight_on_for_a_millimetre(unseen, measure):
    """10 pixels are half a millimetre; 40 are refused in words."""
    file_of(unseen)["points_px"] = [[70, 50], [420, 50]]
    assert first(measure(unseen)).length.length_mm == pytest.approx(20.0)
    file_of(unseen)["points_px"] = [[100, 50], [420, 50]]
    with pytest.raises(
        CalibrationError, match=r"films\[0\].scale\[0\].*1 mm above the first point of the file: 2.0 mm; click"
    ):
        measure(unseen)


@pytest.mark.parametrize(("col", "flagged"), [(62, False), (105, False), (115, True)])
def test_a_reference_point_far_beside_the_shaft_is_doubted(unseen, measure, col, flagged):
    """55 pixels are 2.75 mm, 65 are 3.25."""
    file_of(unseen)["reference_px"] = trace_of(unseen)["reference_px"] = [60, col]
    assert ("reference-far-beside" in codes(measure(unseen).films[0].flags)) == flagged


def test_a_reference_point_at_the_tip_or_off_the_film_is_refused(unseen, measure):
    file_of(unseen)["reference_px"] = [415, 60]
    with pytest.raises(TraceError, match=r"films\[0\].scale\[0\]: reference_px must lie beside the upper part"):
        measure(unseen)
    file_of(unseen)["reference_px"] = [60, 900]
    with pytest.raises(TraceError, match=r"films\[0\].scale\[0\]: reference_px must"):
        measure(unseen)


def test_two_reference_points_that_should_be_one_are_said(unseen, measure):
    """0.6 mm apart; the canal then counts from its own, and no working length is proposed. 0.4 mm are one place."""
    trace_of(unseen)["reference_px"] = [48, 62]
    result = measure(unseen)
    found = first(result)
    assert "reference-points-differ" in codes(found.flags)
    assert found.start_px == pytest.approx([48, 62])
    assert found.radiographic is None
    assert result.canals[0].working_length.length_mm is None
    assert case_facts(result).of("MB").stop is None
    trace_of(unseen)["reference_px"] = [52, 62]
    result = measure(unseen)
    assert "reference-points-differ" not in codes(first(result).flags)
    # A film alone that may be too long: 18.33 mm is best for any stop, 18.5 mm for one that is set to half millimetres, since
    # that lies between it and the mean and costs less than 18.0 mm: distance from the constriction, 1 mm beyond the foramen.
    working = result.canals[0].working_length
    ends = working.ends
    assert ends.best_mm() == pytest.approx(18.33, abs=0.01)
    assert ends.best_mm() < 18.5 < ends.mean_mm

    def cost(stop_mm):
        beyond = ends.foramen[ends.foramen_at_mm < stop_mm].sum()
        return ends.constriction @ abs(ends.constriction_at_mm - stop_mm) + beyond

    assert cost(18.5) < cost(18.0)
    assert working.length_mm == 18.5


@pytest.mark.parametrize(
    ("top", "asked"),
    [([1, 50], True), ([8, 50], True), ([11, 50], False), ([150, 3], True), ([150, 12], False)],
)
def test_a_stop_where_the_shaft_leaves_the_picture_is_asked_about(body, measure, top, asked):
    """480 rows, so within 9.6 pixels along the shaft. One 3 pixels from the left border leans towards it."""
    file_of(body)["points_px"] = [top, [420, 50 if top[1] == 50 else 280]]
    result = measure(body)
    assert ("stop-at-edge" in codes(result.films[0].flags)) == asked
    assert (result.canals[0].working_length.length_mm is None) == asked
    assert first(result).length is not None
    file_of(body)["upper_end"] = "stop"
    said = measure(body)
    assert "stop-at-edge" not in codes(said.films[0].flags)
    assert said.canals[0].working_length.length_mm is not None


def test_a_shaft_along_the_border_does_not_leave_the_picture(body, measure):
    file_of(body)["points_px"] = [[20, 4], [420, 4]]
    assert "stop-at-edge" not in codes(measure(body).films[0].flags)


def test_a_frame_about_the_film_is_its_edge_too(body, film, tmp_path):
    """The upper 60 rows are a frame; the file begins 5 rows below it, and then 15."""
    masked = np.zeros((480, 300), np.bool_)
    masked[:60] = True
    graph = evolve(read(film), masked=masked)
    for row, asked in ((65, True), (75, False)):
        file_of(body)["points_px"] = [[row, 50], [420, 50]]
        result = evaluate(case_from_json(copy.deepcopy(body), folder=tmp_path), {"f1": graph})
        assert ("stop-at-edge" in codes(result.films[0].flags)) == asked


def test_an_open_question_about_the_scale_says_why_there_is_no_stop(body, measure):
    file_of(body)["points_px"] = [[1, 50], [420, 50]]
    result = measure(body)
    (canal,) = result.canals
    assert no_stop_words(canal, case_facts(result).of("MB")).endswith("something is open about the film's scale")


def test_a_canal_traced_from_the_cusp_itself_keeps_its_way(unseen, measure):
    """Its first point is the reference point: no crown piece is put before it."""
    trace_of(unseen)["path_px"] = [[60, 62], [200, 50], [460, 50]]
    found = first(measure(unseen))
    assert found.start_px == pytest.approx([60, 62])
    assert found.length.coronal_mm == 0.0


def test_the_ceiling_and_the_flag_of_the_proposal(unseen, measure):
    working = measure(unseen).canals[0].working_length
    assert "film-may-be-long" in codes(working.flags)
    assert working.length_mm < 19.0
    assert working.ends.films[0].too_long_mm == pytest.approx(20.0 / 18.0)
    assert working.ceiling_mm == pytest.approx(19.0 - 20.0 / 18.0)


def test_the_paths_of_the_case_begin_where_the_known_length_does(unseen, measure):
    """Measured or stored, with the same scale; the canal's reference point is the place that its length counts from."""
    result = measure(unseen)
    made = paths_of(result)
    known, canal = made.features
    assert known.path_px[0] == pytest.approx([60, 50])
    assert canal.reference_px == pytest.approx((60, 50))
    stored, errors = stored_paths(result.case)
    assert not errors
    assert stored.head.calibrations[0].mm_per_px_row == pytest.approx(made.head.calibrations[0].mm_per_px_row)
    assert stored.features[0].path_px == pytest.approx(known.path_px)


def test_a_file_of_another_canal_whose_tip_lies_near_is_not_this_canal_s(unseen, measure):
    """Two canals that meet: tips 8 pixels, 0.4 mm, apart. Each file's stop rested on its own canal's cusp."""
    other = copy.deepcopy(file_of(unseen)) | {"points_px": [[5, 58], [420, 58]], "reference_px": [60, 90]}
    unseen["films"][0]["scale"].append(other)
    canal = copy.deepcopy(unseen["canals"][0]) | {"name": "ML", "reference_point": "mesiolingual cusp tip"}
    canal["traces"][0] |= {"reference_px": [60, 90], "path_px": [[200, 58], [460, 58]], "file_tip_px": [420, 58]}
    unseen["canals"].append(canal)
    result = measure(unseen)
    for made, col in zip(result.canals, (50, 58), strict=True):
        (trace,) = made.traces
        assert "reference-points-differ" not in codes(trace.flags)
        assert trace.start_px == pytest.approx([60, col])
    shown = {(made.canal.name, "f1"): made.traces[0] for made in result.canals}
    assert _files(result.films, shown, {"f1": {}}) == []  # nor are they one file that two films show
