"""Cone-beam geometry against hand geometry, the projection checks T6.1 to T6.9 and the independent simulator's pixels."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.projection import aim

SPACING = (0.020, 0.031)
NAMES = sorted(
    path.stem for path in (Path(__file__).resolve().parents[2] / "sample_images" / "truth").glob("ref_*.json")
)


def image_length_mm(projection, points):
    px = projection.pixels(points)
    step = (px[1] - px[0]) * np.array([projection.mm_per_px_row, projection.mm_per_px_col])
    return float(np.hypot(*step))


def straight(length):
    return np.array([[0.0, 0.0, length / 2], [0.0, 0.0, -length / 2]])


def shot(source_object, source_detector, **more):
    settings = {"rows": 1500, "cols": 1000, "spacing_mm": SPACING} | more
    return aim(source_object_mm=source_object, source_detector_mm=source_detector, **settings)


@pytest.mark.parametrize(
    ("length", "d", "far", "a", "b", "expected"),
    [
        (20, 380, 400, 0, 0, 21.0526),  # T6.1
        (20, 380, 400, 10, 10, 21.0526),  # T6.2
        (20, 380, 400, 20, 0, 19.7846),  # T6.3
        (20, 380, 400, 0, 20, 22.4058),  # T6.4
        (20, 380, 400, 15, -15, 21.0565),  # T6.5
        (20, 180, 200, 15, -15, 22.2406),  # T6.6
        (20, 381, 406, 0, 0, 21.3123),  # T6.7
        (20, 280, 305, 0, 0, 21.7857),  # T6.8
        (20, 180, 200, 0, 0, 22.2222),  # T6.9
    ],
)
@pytest.mark.parametrize("roll", [0.0, 90.0, 180.0])
def test_lengths_on_a_tilted_detector_are_those_of_the_table(length, d, far, a, b, expected, roll):
    """t(s) = D s cos a / (d cos b + s sin(a - b)), image length t(+L/2) - t(-L/2); figures to four decimals."""
    projection = shot(d, far, vertical_deg=a, detector_tilt_deg=b, roll_deg=roll)
    assert image_length_mm(projection, straight(length)) == pytest.approx(expected, abs=6e-5)


def test_techniques_are_tilts_of_the_detector():
    tooth = straight(20.0)
    for technique, tilt in (("paralleling", 15.0), ("bisecting", -15.0), ("square", 0.0)):
        named = shot(180.0, 200.0, vertical_deg=15.0, technique=technique)
        given_tilt = shot(180.0, 200.0, vertical_deg=15.0, detector_tilt_deg=tilt)
        np.testing.assert_allclose(named.pixels(tooth), given_tilt.pixels(tooth), atol=1e-9)


def test_the_bisecting_rule_keeps_the_length_of_a_far_source():
    """Cieszynski: cos a / cos b = 1; with a source 10 km away nothing is left of magnification."""
    projection = shot(1e7, 1e7 + 20.0, vertical_deg=25.0, technique="bisecting")
    assert image_length_mm(projection, straight(20.0)) == pytest.approx(20.0, abs=1e-3)


@pytest.mark.parametrize(("angle", "stays", "turns"), [(20.0, 0.728, 0.684), (30.0, 1.155, 1.000)])
def test_a_tube_shift_parts_what_lies_behind_one_another(angle, stays, turns):
    """Two canals 2 mm apart along the ray: w tan(angle) on a detector that stays, w sin(angle) on one that turns along."""
    canals = np.array([[0.0, 1.0, 0.0], [0.0, -1.0, 0.0]])
    for turn, expected in ((-angle, stays), (0.0, turns)):
        projection = shot(1e7, 1e7 + 5.0, horizontal_deg=angle, detector_turn_deg=turn)
        assert image_length_mm(projection, canals) == pytest.approx(expected, abs=5e-4)


def test_an_object_nearer_to_the_source_gives_a_wrong_scale():
    """370 mm against 380 of 400: the scale is wrong by 2.7 %."""
    projection = shot(380.0, 400.0)
    near, there = (projection.magnification([[0.0, y, 0.0]])[0] for y in (10.0, 0.0))
    assert near / there - 1.0 == pytest.approx(380.0 / 370.0 - 1.0, rel=1e-12)
    assert there == pytest.approx(400.0 / 380.0, rel=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_centre_lines_of_the_simulator_fall_on_its_pixels(reference, name):
    film = reference(name)
    projection = film.still()
    for table in (film.canal, film.file):
        points = np.column_stack([table[f"{a}_mm"] for a in "xyz"])
        seen = np.column_stack([table["row_px"], table["col_px"]])
        # The tables give 1e-5 mm, which is 5e-4 px.
        np.testing.assert_allclose(projection.pixels(points), seen, atol=1e-3)


@pytest.mark.parametrize("name", [name for name in NAMES if "scurve" not in name])
def test_our_own_curve_and_angulation_fall_on_the_simulators_pixels(reference, name):
    film = reference(name)
    points = film.curve().at(film.canal["arc_mm_from_orifice"])
    seen = np.column_stack([film.canal["row_px"], film.canal["col_px"]])
    assert np.abs(film.aim().pixels(points) - seen).max() < 0.05
    tip = film.curve().at([22.0 - film.truth["file_tip_short_of_canal_end_mm"]])
    assert np.abs(film.aim().pixels(tip)[0] - film.truth["tip_px"]).max() < 0.05


@given(
    st.floats(-30, 30), st.floats(-30, 30), st.floats(-30, 30), st.sampled_from([0.0, 90.0, 180.0, 33.0]),
    st.floats(0, 1499), st.floats(0, 999),
)  # fmt: skip
def test_a_point_anywhere_on_a_pixels_ray_is_that_pixel(horizontal, vertical, tilt, roll, row, col):
    projection = shot(
        250.0, 262.0, horizontal_deg=horizontal, vertical_deg=vertical, detector_tilt_deg=tilt, roll_deg=roll
    )
    end = projection.detector_points(row, col)
    points = projection.source_mm + np.array([[0.5], [0.93], [1.0]]) * (end - projection.source_mm)
    np.testing.assert_allclose(projection.pixels(points), np.tile([row, col], (3, 1)), atol=1e-6)
    np.testing.assert_allclose(projection.magnification(points), [2.0, 1 / 0.93, 1.0], rtol=1e-9)
    x, z = projection.through_plane(row, col)
    np.testing.assert_allclose(projection.pixels([[x, 0.0, z]]), [[row, col]], atol=1e-6)


@given(st.floats(0.2, 5.0))
def test_a_scene_enlarged_with_everything_in_it_gives_the_same_pixels(factor):
    points = np.random.default_rng(3).normal(0.0, 5.0, (20, 3))
    one = shot(200.0, 212.0, vertical_deg=8.0, horizontal_deg=-14.0)
    other = shot(
        200.0 * factor, 212.0 * factor, vertical_deg=8.0, horizontal_deg=-14.0,
        spacing_mm=tuple(factor * v for v in SPACING),
    )  # fmt: skip
    np.testing.assert_allclose(other.pixels(points * factor), one.pixels(points), atol=1e-7)


def test_finer_and_coarser_pixels_cover_the_same_film():
    projection = shot(200.0, 212.0, vertical_deg=8.0, technique="bisecting")
    points = np.random.default_rng(4).normal(0.0, 5.0, (20, 3))
    px = projection.pixels(points)
    # The middle of pixel 0 split in three is the middle of the middle one, index 1.
    np.testing.assert_allclose(projection.finer(3).pixels(points), 3.0 * px + 1.0, atol=1e-9)
    np.testing.assert_allclose(projection.coarser(2).pixels(points), (px - 0.5) / 2.0, atol=1e-9)
    assert (projection.finer(3).rows, projection.coarser(7).cols) == (4500, 143)


def test_rows_run_away_from_the_crown_and_columns_along_x():
    projection = shot(200.0, 212.0)
    crown, right = projection.pixels([[0.0, 0.0, 5.0], [3.0, 0.0, 0.0]])
    assert crown[0] == pytest.approx(749.5 - 5.0 * 1.06 / SPACING[0])
    assert crown[1] == pytest.approx(499.5)
    assert right[1] == pytest.approx(499.5 + 3.0 * 1.06 / SPACING[1])
    upper = shot(200.0, 212.0, roll_deg=180.0)
    np.testing.assert_allclose(upper.pixels([[0.0, 0.0, 5.0]])[0], [1499.0 - crown[0], crown[1]])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"source_detector_mm": 200.0}, "source_detector_mm must be > source_object_mm: 200, 200"),
        ({"source_object_mm": 0.0}, "source_object_mm must be > 0: 0"),
        ({"spacing_mm": (0.02, -1.0)}, "spacing_mm must be > 0: -1"),
        ({"technique": "by eye"}, "technique must be paralleling, bisecting or square: 'by eye'"),
        ({"horizontal_deg": np.nan}, "horizontal_deg must be a finite number"),
    ],
)
def test_what_is_no_exposure_is_refused(change, message):
    settings = {"source_object_mm": 200.0, "source_detector_mm": 210.0, "rows": 9, "cols": 9, "spacing_mm": SPACING}
    with pytest.raises(PhantomError, match=message.replace("(", r"\(")):
        aim(**(settings | change))


def test_a_point_behind_the_source_is_refused():
    with pytest.raises(PhantomError, match="points_mm must lie in front of the source"):
        shot(200.0, 212.0).pixels([[0.0, 250.0, 0.0]])


TURN = np.radians(17.0)


@pytest.mark.parametrize("mirror", [1.0, -1.0])
def test_a_turned_and_mirrored_image_is_a_projection_again(mirror):
    """Turned by 17 degrees in millimetres on the detector, mirrored, on square pixels of 0.05 mm: pixels by hand."""
    first = shot(200.0, 212.0, horizontal_deg=12.0, vertical_deg=-7.0)
    mm = np.diag(SPACING)
    turn = np.array([[np.cos(TURN), -np.sin(TURN)], [np.sin(TURN), np.cos(TURN)]])
    matrix = np.diag([1.0, mirror]) @ turn @ mm / 0.05
    shift = np.array([7.0, -3.0])
    second = first.mapped(matrix, shift, 600, 700)
    points = np.array([[0.0, 0.0, 0.0], [4.0, 1.0, -9.0], [-3.0, -2.0, 6.0]])
    np.testing.assert_allclose(second.pixels(points), first.pixels(points) @ matrix.T + shift, atol=1e-9)
    np.testing.assert_allclose(second.magnification(points), first.magnification(points))
    assert (second.rows, second.cols) == (600, 700)
    assert (second.mm_per_px_row, second.mm_per_px_col) == pytest.approx((0.05, 0.05))
    assert second.mirrored == (mirror < 0.0)
    at = second.detector_points(second.pixels(points)[:, 0], second.pixels(points)[:, 1])
    away = np.cross(at - second.source_mm, points - second.source_mm)
    np.testing.assert_allclose(away, 0.0, atol=1e-6)  # a point and its pixel lie on one ray


def test_a_turn_in_pixels_that_are_not_square_is_refused():
    turn = np.array([[np.cos(TURN), -np.sin(TURN)], [np.sin(TURN), np.cos(TURN)]])
    with pytest.raises(PhantomError, match="matrix must leave rows and columns square to each other"):
        shot(200.0, 212.0).mapped(turn, (0.0, 0.0), 9, 9)
    with pytest.raises(PhantomError, match=r"must have the shapes \(2, 2\) and \(2,\): \(3, 3\), \(2,\)"):
        shot(200.0, 212.0).mapped(np.eye(3), (0.0, 0.0), 9, 9)
