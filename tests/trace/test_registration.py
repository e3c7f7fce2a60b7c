"""Films laid on one another: exact maps of one picture, phantoms exposed anew, and what must be refused."""

import importlib.util
from math import cos, radians, sin
from pathlib import Path

import cv2
import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import TraceError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom import make_phantom
from wlmeasure.trace.registration import Landmark, register_films

SIZE = (0.025, 0.025)


def reference_module(name):
    path = Path(__file__).parents[1] / "references" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


film_pair = reference_module("film_pairs").film_pair


@pytest.fixture(scope="module")
def phantom():
    return make_phantom(31, "typical", file=False, clamp=False, size_px=(1400, 1000), spacing_mm=SIZE, sideways=False)


@pytest.fixture(scope="module")
def film(phantom):
    return Radiograph.from_array(phantom.image)


def warped(image, matrix, shape):
    """`image` under a map of (row, col, 1), on another picture."""
    swap = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    return cv2.warpPerspective(image, swap @ matrix @ swap, shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def through(matrix, points):
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return out[:, :2] / out[:, 2:]


def turned(deg, scale, centre, to, ratio=1.0):
    """Turn by `deg`, scale, and take `centre` to `to`; `ratio` is column over row spacing of the other film."""
    c, s = scale * cos(radians(deg)), scale * sin(radians(deg))
    linear = np.diag([1.0, 1.0 / ratio]) @ np.array([[c, -s], [s, c]])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = np.array(to) - linear @ np.array(centre)
    return matrix


CENTRE = (699.5, 499.5)


@pytest.mark.parametrize(
    ("deg", "scale", "shape", "to", "ratio"),
    [
        (7.0, 0.95, (1500, 1100), (750.0, 540.0), 1.0),
        (180.0, 1.0, (1400, 1000), (699.5, 499.5), 1.0),
        (-90.0, 1.05, (1100, 1500), (550.0, 740.0), 1.0),
        (3.0, 1.0, (1400, 800), (700.0, 400.0), 1.25),
    ],
)
def test_a_map_is_found_again(phantom, film, deg, scale, shape, to, ratio):
    matrix = turned(deg, scale, CENTRE, to, ratio)
    matrix = matrix @ np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [8e-6, -5e-6, 1.0]])  # and some perspective
    picture = warped(phantom.image.astype(np.float32), matrix, shape)
    # Other bits, another tone, metal dark.
    dark = 255 - np.rint(255.0 * (picture / picture.max()) ** 0.7)
    other = Radiograph.from_array(dark.astype(np.uint8), bright_is_dense=False)
    other = evolve(other, col_over_row=ratio)
    canal = phantom.truth.canals[0]
    points = np.vstack([canal.apex_px, canal.reference_px, canal.path_px[0]])
    found = register_films(
        film, other, a_mm_per_px=SIZE, b_mm_per_px=(SIZE[0], SIZE[1] * ratio), about_px=points[[1, 2, 0]]
    )
    assert found.fits
    off = (found.to_b(points) - through(matrix, points)) * (SIZE[0], SIZE[1] * ratio)
    assert np.hypot(*off.T).max() < 0.03  # a third of the finest grid's step
    assert abs((found.turn_deg - deg + 180.0) % 360.0 - 180.0) < 0.5
    assert found.scale == pytest.approx(scale, abs=0.02)
    assert found.anisotropy < 1.01
    carried, spread = found.carry(points, on_outline=True, std_px=0.0)
    z = (carried - through(matrix, points)) / np.sqrt(np.diagonal(spread, axis1=1, axis2=2))
    assert np.abs(z).max() < 3.0


def test_pixel_sizes_that_nobody_knows_are_found(phantom, film):
    matrix = turned(2.0, 1.5, CENTRE, (1000.0, 750.0))  # a detector of finer pixels, which its file does not say
    other = Radiograph.from_array(warped(phantom.image, matrix, (2000, 1500)))
    apex = np.array([phantom.truth.canals[0].apex_px])
    found = register_films(film, other, about_px=apex)
    assert found.scale == pytest.approx(1.5, rel=0.01)
    assert np.hypot(*(found.to_b(apex) - through(matrix, apex))[0]) * SIZE[0] / 1.5 < 0.03


def test_phantoms_of_one_tooth_carry_apex_and_cusp():
    errors, inside = [], []
    for seed in (101, 107):
        pair = film_pair(seed)
        a, b = pair.earlier, pair.later
        about = np.vstack([a.references_px.mean(axis=0), a.apexes_px.mean(axis=0)])
        found = register_films(a.radiograph, b.radiograph, about_px=about)
        assert found.fits, (seed, found)
        for points, true, outline in ((a.apexes_px, b.apexes_px, True), (a.references_px, b.references_px, False)):
            places, spread = found.carry(points, on_outline=outline, std_px=0.0)
            errors += list(np.hypot(*((places - true) * b.mm_per_px).T))
            inside += list((np.abs(places - true) / np.sqrt(np.diagonal(spread, axis1=1, axis2=2)) < 2.6).ravel())
    assert np.median(errors) < 0.15
    assert max(errors) < 0.6
    assert np.mean(inside) > 0.9


@pytest.mark.parametrize(("seed", "kind"), [(100, "tilted"), (126, "tilted"), (101, "other")])
def test_other_projections_and_other_teeth_are_refused(seed, kind):
    pair = film_pair(seed, kind)
    a = pair.earlier
    about = np.vstack([a.references_px.mean(axis=0), a.apexes_px.mean(axis=0)])
    found = register_films(a.radiograph, pair.later.radiograph, about_px=about)
    assert not found.fits
    assert found.why
    with pytest.raises(TraceError, match="cannot be carried over"):
        found.carry(a.apexes_px, on_outline=True)


def test_an_angulation_that_was_noted_counts_where_the_outline_is_silent(film):
    same = register_films(film, film)
    small, large = (register_films(film, film, angle_deg=deg) for deg in (6.0, 20.0))
    assert same.fits
    assert small.fits
    assert small.residual_mm == pytest.approx(0.4 * sin(radians(6.0)))
    assert large.verdict == "projections differ"
    point = np.array([[700.0, 500.0]])
    near, far = (one.carry(point, on_outline=False)[1][0, 0, 0] for one in (same, small))
    assert far > near


def test_landmarks_pull_by_their_certainty(film):
    # Marks that are 1 mm off the picture all the same way.
    places = np.array([[500.0, 350.0], [500.0, 650.0], [900.0, 350.0], [900.0, 650.0]])
    exact, loose = (
        register_films(film, film, landmarks=[Landmark(p, p + np.array([0.0, 40.0]), std, std) for p in places])
        for std in (0.001, 20.0)
    )
    middle = np.array([[700.0, 500.0]])
    pulled, left = (float((one.to_b(middle) - middle)[0, 1]) for one in (exact, loose))
    # Each has its own parallax, at least 3.7 times what is left on the outline, so four of them count a third of one patch
    # among some 200: of 40 pixels about 40 * 0.3 / 200.
    assert abs(left) < 0.05
    assert 0.02 < pulled - left < 0.2


def test_there_and_back_is_where_it_began(phantom, film):
    matrix = turned(5.0, 0.97, CENTRE, (710.0, 510.0))
    other = Radiograph.from_array(warped(phantom.image, matrix, (1400, 1000)))
    points = np.array([canal.apex_px for canal in phantom.truth.canals])
    there = register_films(film, other, about_px=points).to_b(points)
    back = register_films(other, film, about_px=there).to_b(there)
    assert np.hypot(*(back - points).T).max() * SIZE[0] < 0.04


def test_a_blank_film_is_another_tooth_and_bad_points_are_named(film):
    blank = Radiograph.from_array(np.full((600, 400), 90, np.uint8))
    with pytest.raises(TraceError, match="must show something"):
        register_films(film, blank)
    with pytest.raises(TraceError, match="about_px"):
        register_films(film, film, about_px=[[np.nan, 1.0]])
    with pytest.raises(TraceError, match="b_mm_per_px"):
        register_films(film, film, a_mm_per_px=SIZE, b_mm_per_px=(0.0, 0.025))
