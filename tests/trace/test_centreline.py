"""From clicks to a centre line: on the reference films with exact truth, and on lines drawn here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from shapely import LineString, distance, points

from wlmeasure.calibration import KnownLine, calibrate_lines
from wlmeasure.errors import TraceError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.length import LengthEstimate, measure_length
from wlmeasure.phantom import make_phantom
from wlmeasure.trace.centreline import GIVEN_PATH, TRACER, CanalTrace, check_points, given_path, trace_line
from wlmeasure.trace.live import LivePath
from wlmeasure.trace.spline import arc_length, resample

Float64 = NDArray[np.float64]
Kind = Literal["canal", "file"]
Film = Callable[[str], Any]  # the fixture's type stands in conftest.py, which cannot be imported

NOMINAL = (0.02, 0.02)
# Canal length by the scale from the file, exact lines and no reading error, mm (read from the films' own table; truth 22.000).
SCALE_FROM_THE_FILE = {
    "ref_p00_h00_v00": 22.000,
    "ref_p60_h00_v00": 21.896,
    "ref_p30_h20_v00": 21.924,
    "ref_p30_h00_v15": 21.962,
    "ref_p45_h00_v00": 21.938,
    "ref_p45_h25_v00": 21.870,
    "ref_scurve_h00_v00": 22.000,
    "ref_scurve_h30_v00": 22.004,
}
# For the slow invariances: one bend, and the hardest line.
TWO_FILMS = ["ref_p45_h25_v00", "ref_scurve_h30_v00"]


def largest_gap(first: Float64, second: Float64) -> float:
    """Largest distance in pixels between two lines at equal shares of their lengths."""
    return float(np.hypot(*(resample(first, 400) - resample(second, 400)).T).max())


def length_by_file(file_px: Float64, canal_px: Float64, film: Any) -> LengthEstimate:
    scale = calibrate_lines([KnownLine(file_px, film.file_mm, 0.05)])
    return measure_length(given_path(canal_px, film.radiograph.values.shape), scale)


def parabola(clicks: Float64) -> Float64:
    """Three clicks and nothing seen: column as a parabola of the row."""
    curve = np.polynomial.Polynomial.fit(clicks[:, 0], clicks[:, 1], 2)
    rows = np.linspace(clicks[0, 0], clicks[-1, 0], 500)
    return np.column_stack([rows, curve(rows)])


# --- reference films -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SCALE_FROM_THE_FILE)
def test_exact_lines_give_the_tabulated_length(film: Film, name: str) -> None:
    """Within 0.01 mm of the table, and the 95 % interval holds the true 22.000 mm without being wider than 0.25 mm a side."""
    found = length_by_file(film(name).file_px, film(name).canal_px, film(name))
    assert found.length_mm == pytest.approx(SCALE_FROM_THE_FILE[name], abs=0.01)
    low, high = found.length_interval_mm
    assert low <= 22.000 <= high
    assert high - low <= 0.5


@pytest.fixture(scope="module")
def blind_table() -> dict[str, str]:
    return {}


@pytest.mark.parametrize("name", SCALE_FROM_THE_FILE)
def test_clicks_give_the_length_of_the_exact_lines(film: Film, name: str) -> None:
    """Stop and tip; orifice, any point of the middle third, apex: within 0.05 mm, and nearer than a line and a parabola."""
    reference = film(name)
    exact = length_by_file(reference.file_px, reference.canal_px, reference).length_mm
    file = trace_line(reference.radiograph, reference.file_clicks, "file", NOMINAL)
    errors = []
    for share in (0.34, 0.5, 0.66):
        canal = trace_line(reference.radiograph, reference.canal_clicks(share), "canal", NOMINAL)
        errors.append(length_by_file(file.path_px, canal.path_px, reference).length_mm - exact)
    blind = length_by_file(reference.file_clicks, parabola(reference.canal_clicks()), reference).length_mm - exact
    off = distance(points(canal.path_px), LineString(reference.canal_px))
    print(
        f"\n{name:20} exact {exact:.3f} mm, traced {max(errors, key=abs):+.4f}, line and parabola {blind:+.4f}; centre "
        f"rms {np.sqrt(np.mean(off**2)):.3f}, at most {off.max():.2f}, stated {canal.centre_std_px:.3f} px"
    )
    assert max(np.abs(errors)) < 0.05
    assert max(np.abs(errors)) < 0.2 * abs(blind)
    assert float(off.max()) < 1.0
    assert float(np.sqrt(np.mean(off**2))) < 0.25


@pytest.mark.parametrize("name", SCALE_FROM_THE_FILE)
def test_a_file_is_followed_along_its_bend(film: Film, name: str) -> None:
    """Its length in pixels is that of the exact line within 0.15 pixels; its chord is up to 60 pixels shorter."""
    reference = film(name)
    file = trace_line(reference.radiograph, reference.file_clicks, "file", NOMINAL)
    exact = float(arc_length(reference.file_px)[-1])
    assert float(arc_length(file.path_px)[-1]) == pytest.approx(exact, abs=0.15)
    assert exact - np.hypot(*(reference.file_px[-1] - reference.file_px[0])) > 5.0


@pytest.mark.parametrize("kind", ["canal", "file"])
@pytest.mark.parametrize("name", TWO_FILMS)
def test_the_same_however_the_film_lies(film: Film, name: str, kind: Kind) -> None:
    """Quarter turn, transposition and mirror image give the turned path; the other polarity and the way back the same one."""
    reference = film(name)
    values = reference.radiograph.values
    cols = values.shape[1]
    clicks = reference.canal_clicks() if kind == "canal" else reference.file_clicks

    def traced(image: NDArray[Any], at: Float64, *, bright_is_dense: bool = True) -> Float64:
        film_of = Radiograph.from_array(image, bright_is_dense=bright_is_dense)
        return trace_line(film_of, at, kind, NOMINAL).path_px

    base = traced(values, clicks)

    def quarter(at: Float64) -> Float64:
        return np.column_stack([cols - 1.0 - at[:, 1], at[:, 0]])

    def mirrored(at: Float64) -> Float64:
        return np.column_stack([at[:, 0], cols - 1.0 - at[:, 1]])

    assert base[[0, -1]] == pytest.approx(clicks[[0, -1]], abs=1e-9)
    assert largest_gap(traced(np.rot90(values), quarter(clicks)), quarter(base)) < 0.05
    assert largest_gap(traced(values.T, clicks[:, ::-1]), base[:, ::-1]) < 0.05
    assert largest_gap(traced(values[:, ::-1], mirrored(clicks)), mirrored(base)) < 0.05
    assert largest_gap(traced(65535 - values, clicks, bright_is_dense=False), base) < 1e-6
    assert largest_gap(traced(values, clicks[::-1])[::-1], base) < 0.05


@pytest.mark.parametrize("kind", ["canal", "file"])
@pytest.mark.parametrize("name", TWO_FILMS)
def test_oblong_pixels_fewer_bits_and_a_wrong_scale_hint(film: Film, name: str, kind: Kind) -> None:
    """Rows merged to 0.7 of their number, 8 bits, an unknown tone curve, a pixel size a quarter off: one length in mm."""
    reference = film(name)
    values = reference.radiograph.values
    rows, cols = values.shape
    clicks = reference.canal_clicks() if kind == "canal" else reference.file_clicks
    pitch = np.array(NOMINAL)
    base = trace_line(reference.radiograph, clicks, kind, NOMINAL).path_px
    length = float(arc_length(base * pitch)[-1])

    fewer = int(rows * 0.7)
    share = fewer / rows
    oblong = Radiograph.from_array(cv2.resize(values, (cols, fewer), interpolation=cv2.INTER_AREA))
    at = np.column_stack([(clicks[:, 0] + 0.5) * share - 0.5, clicks[:, 1]])
    path = trace_line(oblong, at, kind, (0.02 / share, 0.02)).path_px
    assert float(arc_length(path * [0.02 / share, 0.02])[-1]) == pytest.approx(length, abs=0.01)

    eight = Radiograph.from_array((values >> 4).astype(np.uint8))
    curved = Radiograph.from_array(np.rint(255.0 * np.sqrt(values / values.max())).astype(np.uint8))
    for other, allowed in ((eight, 0.05), (curved, 0.1)):
        path = trace_line(other, clicks, kind, NOMINAL).path_px
        assert largest_gap(path, base) < allowed
        assert float(arc_length(path * pitch)[-1]) == pytest.approx(length, abs=0.002)

    for hint in (0.75, 1.25):
        path = trace_line(reference.radiograph, clicks, kind, (0.02 * hint, 0.02 * hint)).path_px
        assert float(arc_length(path * pitch)[-1]) == pytest.approx(length, abs=0.02)


# --- drawn lines -----------------------------------------------------------------------------------------------------


def drawn_film(
    line_px: Float64, pitch: tuple[float, float], contrast: float, noise: float, shape: tuple[int, int]
) -> Radiograph:
    """A line of Gaussian section, 0.15 mm from middle to inflection, on a slope with white noise."""
    rows, cols = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    line = resample(line_px * pitch, 600)
    pixels = np.column_stack([rows.ravel(), cols.ravel()]) * pitch
    away = distance(points(pixels), LineString(line)).reshape(shape)
    values = 20_000.0 + 8.0 * rows - 5.0 * cols + contrast * np.exp(-0.5 * (away / 0.15) ** 2)
    values += np.random.default_rng(3).normal(0.0, noise, shape)
    return Radiograph.from_array(values.astype(np.uint16))


@pytest.mark.parametrize(("kind", "contrast"), [("canal", -4000.0), ("file", 4000.0)])
@pytest.mark.parametrize("pitch", [(0.04, 0.04), (0.04, 0.055)])
def test_a_drawn_arc_comes_back(kind: Kind, contrast: float, pitch: tuple[float, float]) -> None:
    """6 mm straight, then r 6 mm, 45 degrees, to a fraction of a pixel: clicks at the ends, or a lazy one between too."""
    along = np.linspace(0.0, 6.0 + 6.0 * np.pi / 4.0, 400)
    turn = np.clip(along - 6.0, 0.0, None) / 6.0
    line_mm = np.column_stack([2.013 + np.minimum(along, 6.0) + 6.0 * np.sin(turn), 3.031 + 6.0 * (1.0 - np.cos(turn))])
    line = line_mm / pitch
    film = drawn_film(line, pitch, contrast, 300.0, (380, 220))
    for clicks in (line[[0, -1]], np.vstack([line[0], line[220] + [0.0, 2.0], line[-1]])):
        found = trace_line(film, clicks, kind, pitch)
        off = distance(points(found.path_px * pitch), LineString(line_mm))
        assert float(np.sqrt(np.mean(off**2))) < 0.015
        assert float(off.max()) < 0.05
        assert float(arc_length(found.path_px * pitch)[-1]) == pytest.approx(float(along[-1]), abs=0.01)
        assert found.path_px[[0, -1]] == pytest.approx(clicks[[0, -1]], abs=1e-9)
        assert 0.1 < float(np.sqrt(np.mean(off**2))) / (found.centre_std_px * np.sqrt(pitch[0] * pitch[1])) < 2.0
        assert found.tracer == TRACER
        assert found.clicks_px == pytest.approx(clicks)


@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0, 3.0, 6.0, 30.0, 80.0, 200.0])
def test_short_lines_are_finite_and_keep_their_ends(apart: float) -> None:
    """Two clicks from half a pixel to 4 mm apart on a straight canal: a line as long as that to 0.02 mm."""
    line = np.array([[20.0, 60.0], [300.0, 60.0]])
    film = drawn_film(line, NOMINAL, -4000.0, 0.0, (320, 120))
    clicks = np.array([[40.0, 60.0], [40.0 + apart, 60.0]])
    found = trace_line(film, clicks, "canal", NOMINAL)
    assert np.isfinite(found.path_px).all()
    assert found.path_px[[0, -1]] == pytest.approx(clicks)
    assert float(arc_length(found.path_px)[-1]) == pytest.approx(apart, abs=1.0)
    assert np.isfinite(found.centre_std_px)


def test_an_end_at_the_border_of_the_film() -> None:
    line = np.array([[0.0, 60.0], [299.0, 60.0]])
    film = drawn_film(line, NOMINAL, -4000.0, 0.0, (300, 120))
    found = trace_line(film, [[-0.5, 60.0], [299.5, 60.0]], "canal", NOMINAL)
    assert found.path_px[[0, -1]] == pytest.approx(np.array([[-0.5, 60.0], [299.5, 60.0]]))
    assert np.abs(found.path_px[:, 1] - 60.0).max() < 0.3


# --- paths as given, refusals ----------------------------------------------------------------------------------------

BAD_POINTS = {
    "no point": ([], "at least 2"),
    "one point": ([[10.0, 20.0]], "at least 2"),
    "not a number": ([[10.0, 20.0], [float("nan"), 20.0]], "finite"),
    "infinite": ([[10.0, 20.0], [float("inf"), 20.0]], "finite"),
    "outside": ([[10.0, 20.0], [10.0, 200.0]], "inside the image"),
    "just outside": ([[-0.51, 20.0], [10.0, 20.0]], "inside the image"),
    "twice": ([[10.0, 20.0], [30.0, 20.0], [30.0, 20.0]], "repeat"),
    "text": ("orifice and apex", "pairs of numbers"),
    "words": ([["a", "b"], ["c", "d"]], "pairs of numbers"),
    "ragged": ([[10.0, 20.0], [30.0]], "pairs of numbers"),
    "three numbers": ([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]], "row, col"),
    "nothing": (None, "row, col"),
}


@pytest.mark.parametrize("case", BAD_POINTS)
def test_points_that_are_no_line_on_this_film_are_refused(case: str) -> None:
    given, words = BAD_POINTS[case]
    film = Radiograph.from_array(np.full((100, 90), 1000, np.uint16))
    with pytest.raises(TraceError, match=words):
        trace_line(film, given, "canal", NOMINAL)
    with pytest.raises(TraceError, match=words):
        given_path(given, (100, 90))
    with pytest.raises(TraceError, match=r"canals.0..clicks_px"):
        check_points(given, (100, 90), name="canals[0].clicks_px")


@pytest.mark.parametrize("pitch", [(0.0, 0.02), (-0.02, 0.02), (float("nan"), 0.02), (float("inf"), 0.02), (5.0, 5.0)])
def test_a_pixel_size_that_no_film_has_is_refused(pitch: tuple[float, float]) -> None:
    film = Radiograph.from_array(np.full((900, 900), 1000, np.uint16))
    with pytest.raises(TraceError, match=r"pixel size|mm_per_px"):
        trace_line(film, [[10.0, 20.0], [880.0, 870.0]], "canal", pitch)


def test_a_given_path_is_kept_as_it_is() -> None:
    points_px = np.array([[10.0, 20.0], [40.0, 25.0], [80.0, 22.0]])
    path = given_path(points_px, (100, 90))
    points_px[0] = 0.0
    assert path.path_px.tolist() == [[10.0, 20.0], [40.0, 25.0], [80.0, 22.0]]
    assert path.clicks_px.tolist() == [[10.0, 20.0], [80.0, 22.0]]
    assert path.tracer == GIVEN_PATH
    with pytest.raises(ValueError, match="read-only"):
        path.path_px[0, 0] = 1.0


def test_a_trace_copies_its_points() -> None:
    points_px = np.zeros((3, 2))
    trace = CanalTrace(points_px, points_px[[0, -1]], "some tracer", 0.1)
    points_px[0] = 5.0
    assert trace.path_px[0, 0] == 0.0


@pytest.mark.parametrize("seed", [1001, 1003, 1009])
def test_a_canal_with_a_known_file_in_it_is_traced_along_the_file(seed: int) -> None:
    """Phantoms whose other dark lines (chamber, other canals, periodontal line) are so strong that the file drew no path.

    Without the file the path ran 10 px and more beside it. With it the whole canal is followed, also the millimetre beyond the
    tip, and the live path from the orifice runs along it too.
    """
    phantom = make_phantom(seed, "typical", file=True, tip_short_mm=1.0, spacing_mm=(0.025, 0.02))
    film, file = Radiograph.from_array(phantom.image), phantom.truth.file
    canal = next(c for c in phantom.truth.canals if c.name == file.canal)
    traced = trace_line(film, [file.stop_px, file.tip_px], "file", phantom.mm_per_px)
    clicks = canal.path_px[[0, len(canal.path_px) // 2, -1]]
    path = trace_line(film, clicks, "canal", phantom.mm_per_px, files=[traced.path_px]).path_px
    off = np.hypot(*np.moveaxis(path[:, None] - canal.path_px[None], -1, 0)).min(axis=1)
    assert off.mean() < 2.0
    assert off.max() < 6.0
    length = float(arc_length(path * phantom.mm_per_px)[-1])
    assert length == pytest.approx(float(arc_length(canal.path_px * phantom.mm_per_px)[-1]), abs=0.1)
    live = LivePath(film, tuple(clicks[0]), "canal", phantom.mm_per_px, files=[traced.path_px])
    shown = live.path_to(tuple(file.tip_px))
    assert np.hypot(*np.moveaxis(shown[:, None] - canal.path_px[None], -1, 0)).min(axis=1).mean() < 8.0


def test_a_known_file_in_another_canal_draws_no_path(film: Film) -> None:
    """The clicks stand 2 mm beside the file: with and without it the path is the same."""
    film = film("ref_p60_h00_v00")
    beside = film.file_px + np.array([0.0, 100.0])
    clicks = film.canal_px[[0, len(film.canal_px) // 2, -1]]
    alone = trace_line(film.radiograph, clicks, "canal", (0.02, 0.02))
    with_file = trace_line(film.radiograph, clicks, "canal", (0.02, 0.02), files=[beside])
    np.testing.assert_array_equal(alone.path_px, with_file.path_px)
