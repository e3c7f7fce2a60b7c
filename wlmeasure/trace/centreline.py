"""From clicks to the centre line of a canal or a file, to a fraction of a pixel.

Four steps: the cheapest path through the clicks on the two-flank cost (`ridge`, `path`); for a canal with nothing in it the way
along which most is seen, near that path or near smooth curves through the clicks (`route`); a smooth spline through it; and the
**symmetry fit**, which moves the spline sideways to where the image is symmetrical about it.

The symmetry fit straightens a strip of the image along the line. Whatever the cross-section looks like (a dark canal, a bright
file, a file inside a canal), its even part about the centre is the profile and its odd part vanishes. A line that is off by
d(s) leaves an odd part -d(s) times the slope of the even part, so d(s), a cubic spline, follows by linear least squares. A
background that changes linearly or cubically across the strip is projected out. Because slope (odd) and profile (even) are
orthogonal, not knowing the profile costs no precision: with white noise this is the maximum-likelihood estimate. Texture is not
white, and a canal's curvature changes slowly; both are known to the fit, so that it goes on evenly where little is seen.

Where maps of the film are at hand (`evidence`), film and maps together choose the route, and the fit stays near it.

End points stay where the person put them, or with maps within 0.08 mm. A click between them is an observation of the line like
what is seen, and one that the line would miss counts more until it does not: more clicks bind the path more, so that who
corrects it never makes it worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

import cv2
import numpy as np
from attrs import field, frozen
from attrs.converters import optional
from numpy.typing import NDArray

from wlmeasure.errors import TraceError, check_positive
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import as_points, frozen_array, polyline_feet
from wlmeasure.trace.evidence import FilmMaps, Known, canal_gain, line_beside, map_cost, map_on
from wlmeasure.trace.path import minimal_path
from wlmeasure.trace.ridge import Candidate, LineKind, WorkingGrid, level, line_candidates, line_cost, working_grid
from wlmeasure.trace.route import MARGIN_FROM, MARGIN_TO, best_route, standing
from wlmeasure.trace.spline import arc_length, basis, resample, smooth_line
from wlmeasure.trace.strip import line_normals, sample_image

__all__ = [
    "GIVEN_PATH",
    "TRACER",
    "CanalTrace",
    "LineKind",
    "check_points",
    "given_path",
    "settle_line",
    "stored_trace",
    "trace_line",
]

Float64 = NDArray[np.float64]

TRACER = "symmetry-fit/5"  # written into the case file; changes whenever the same clicks may give another path
GIVEN_PATH = "given path"
GIVEN_STD_PX = 0.5  # our parameter: a path of which nothing is known was drawn by a careful hand

KNOT_MM = 1.0  # one knot span; how smooth the line is says `BEND_CHANGE`
CORRELATED_MM = 1.5  # errors of a traced path go together over about this length
SHORTEST_MM = 3.0  # a shorter line is not fitted
# What is known of a canal before it is seen: its curvature changes by 0.2 per mm and mm (rms; random shapes of lines and arcs,
# 0.1 to 1.0 tried). Where little is seen the line goes on as an arc; a clear bend is followed as before.
BEND_CHANGE = 0.2
FREE_KNOT_MM = (
    1.5  # ends that move go astray where nothing holds them and the line may go on as an arc: knots alone, then
)
# Texture across the strip wanders like a random walk: variance a step of it, over that of the white noise (0.03 to 10 tried).
WANDERING = 0.1
STRIP_HALF_MM = 0.7  # looks this far to both sides: a canal with its flanks, not yet the root outline
STRIP_STEP_MM = 0.025
ROW_MM = 0.05
PROFILE_SD_MM = 0.8  # the profile is averaged along the line over this length
ROUNDS = 8
# Bone texture is not white: on the tuning films the fit scattered 3.5 times the white-noise formula, variance 12 times.
TEXTURE_INFLATION = 12.0
LARGEST_STEP_MM = 0.12
# How sure a click between the ends is of the axis: a pixel where nothing is said, or what a hand can do where pixels are finer.
# The axis of symmetry may be another line's, or lie beside the canal where what is around it is one-sided; a click says which
# and where.
CLICK_STD_PX, CLICK_STD_MM = 1.0, 0.03
# Where the path would miss a click by more than so many deviations, the click counts so many times more from round to round:
# what is seen has errors of its own that no formula knows (a file beside the canal's axis, a wall), and the person has seen it.
CLICK_MISSED, CLICK_COUNTS = 3.0, 10.0
LONGEST_MM = 100.0  # no canal and no hand file is half as long; bounds time and memory
MOST_CLICKS = 200
MOST_PIXELS = 30_000  # OpenCV samples regions of up to 32767
SHORT_LINE_STD_MM = 0.03  # a click and a half across the line
HIDDEN_MM, HIDDEN_BELOW = 0.6, 1.0  # a file in view stands out ten times this (whole-tooth phantoms)
SEEN_OVER_MM = 1.5  # a gap of one knot span in what is seen may hold a bend
# With maps: the farthest that a file may be from every click and still be asked
# about; within which a way runs along a file; how near its end a canal that another one runs into is.
LINE_SEEN = 0.25
FILE_NEAR_MM, ALONG_FILE_MM, JOINED_MM = 1.5, 0.2, 0.3
TOLD_APART_MM = (
    0.25  # nearer to the clicks on the average another canal or file is not told from this one, and repels nothing
)
PARALLEL_MM = 1.0  # a canal so near to every click lies in the same root
# How near the route the fit stays; where another canal or its file lies in the strip, nothing is symmetrical about this one.
ROUTE_STD_MM, ROUTE_ALONE_STD_MM, ROUTE_EVERY_MM = 0.1, 0.03, 0.5
NOT_SYMMETRICAL = 0.02
BORDER_NEAR_MM, BORDER_SEEN = 0.3, 0.4
END_STD_MM = (
    0.04  # an end click lies aside of the canal by about so much, and the path's end no farther than twice that
)
# A logistic of 1, margin, least of the canals' map, mean of the borders' map; fitted to 38 paths off by more than 0.3 mm and to
# 265 right ones (whole-tooth phantoms and flat films, seeds from 910000000), its first weight so that 5 % of the right ones lie
# above the doubt from which a path is called doubtful.
DOUBT_WITH_MAPS = np.array([0.53, -0.95, -5.14, 5.03])
SETTLED_MM = 1e-3  # a twentieth of a pixel


@frozen(eq=False)
class CanalTrace:
    """A line on one radiograph, coronal to apical.

    Attributes
    ----------
    path_px : (N, 2) float64
        (row, col) pixel coordinates, (0, 0) at the centre of the top-left pixel.
    clicks_px : (K, 2) float64
        The points the person placed; for a path given as a path, its two ends.
    tracer
        What made the path: the tracer's name and version, or ``given path``.
    centre_std_px
        Standard uncertainty of the path across its direction, pixels; between the ends.
    seen_along : (N,) float64, or None
        How much a line stands out at each point of the path: its strength over the level that nine tenths of the region
        stay below, the middle value over a stretch of 1.5 mm. None for a path that was given and not traced.
    doubt
        How likely the path is to have left the line, from 0 to 1: by what is seen along it and along other ways (`route`), with
        maps by them as well. Fitted to synthetic films, so take it as an order. None for a path that was given and not
        traced, and for one shorter than 3 mm.
    """

    path_px: Float64 = field(converter=frozen_array)
    clicks_px: Float64 = field(converter=frozen_array)
    tracer: str
    centre_std_px: float
    seen_along: Float64 | None = field(default=None, converter=optional(frozen_array))
    doubt: float | None = None

    @property
    def seen(self) -> float | None:
        """How much the line stands out on the whole: the mean of `seen_along`."""
        return None if self.seen_along is None else float(self.seen_along.mean())


def check_points(points: object, shape: tuple[int, int], *, name: str = "points_px", least: int = 2) -> Float64:
    """Points as an (N, 2) float64 array of (row, col), or a clear refusal.

    Raises
    ------
    TraceError
        Fewer than `least` points, not pairs of finite numbers, a point outside the image, two equal points in a row.
    """
    array = as_points(TraceError, name, points, least=least)
    outside = ((array < -0.5) | (array > np.array(shape) - 0.5)).any(axis=1)
    if outside.any():
        k = int(np.argmax(outside))
        raise TraceError(
            f"{name} must lie inside the image of {shape[0]} x {shape[1]} pixels: "
            f"point {k} is ({array[k, 0]:g}, {array[k, 1]:g})"
        )
    same = (np.diff(array, axis=0) == 0.0).all(axis=1)
    if same.any():
        k = int(np.argmax(same))
        raise TraceError(
            f"{name} must not repeat a point: points {k} and {k + 1} are both ({array[k, 0]:g}, {array[k, 1]:g})"
        )
    return array


def given_path(
    path_px: object, shape: tuple[int, int], *, centre_std_px: float = GIVEN_STD_PX, name: str = "path_px"
) -> CanalTrace:
    """A path taken as it is given. Where its points lie far apart, they are measured as clicks (`measure.clicks`).

    Raises
    ------
    TraceError
        As `check_points`.
    """
    points = check_points(path_px, shape, name=name)
    return CanalTrace(points, points[[0, -1]], GIVEN_PATH, centre_std_px)


def trace_line(
    radiograph: Radiograph,
    clicks_px: object,
    kind: LineKind,
    mm_per_px: tuple[float, float],
    *,
    name: str = "clicks_px",
    files: Sequence[Float64] = (),
    maps: FilmMaps | None = None,
    others: Sequence[Float64] = (),
    click_std_px: float = CLICK_STD_PX,
) -> CanalTrace:
    """Trace the centre line of a canal or a file through clicks on the image.

    Parameters
    ----------
    radiograph
        The film; its stored values are traced, whatever the display shows.
    clicks_px : (K, 2)
        (row, col), coronal to apical, two or more. The first and the last stay, or with `maps` the path begins and ends within
        0.08 mm of them; it passes those between within about 0.1 mm.
    kind
        ``file`` looks for a bright line, ``canal`` for a dark one or for the file that lies in it.
    mm_per_px
        Rough pixel size (row, col); it sizes the filters. A scale off by a quarter does not matter.
    name
        What the clicks are called in an error.
    files : of (N, 2)
        Paths of files traced on the film: a canal whose clicks lie on one runs along it. With `maps`, one in which it lies
        draws it, and those of other canals repel it.
    maps
        What maps of the film say of canals; without them a canal is traced by what is seen on the film alone. The tracer's
        name says whose they were.
    others : of (N, 2)
        Paths of canals traced before that this one does not run into; with `maps` they repel it, but for one that its last
        click lies on.
    click_std_px
        How sure a click between the ends is, pixels.

    Returns
    -------
    CanalTrace
        Path at steps of about half a working cell (0.025 mm).

    Raises
    ------
    TraceError
        As `check_points`, and when the pixel size is not positive or does not fit the image.
    """
    clicks = check_points(clicks_px, radiograph.values.shape, name=name)
    if kind not in get_args(LineKind):
        raise TraceError(f"kind must be one of {', '.join(get_args(LineKind))}: {kind!r}")
    for pitch in mm_per_px:
        check_positive(TraceError, "mm_per_px", pitch)
    check_positive(TraceError, "click_std_px", click_std_px)
    length = float(arc_length(clicks * mm_per_px)[-1])
    if length > LONGEST_MM or len(clicks) > MOST_CLICKS:
        raise TraceError(
            f"{name} must be at most {MOST_CLICKS} points over {LONGEST_MM:g} mm: got {len(clicks)} over {length:.0f} mm; "
            "check the scale (mm_per_px) and the order of the points"
        )
    density = radiograph.density()
    grid = working_grid(density, clicks, mm_per_px)
    if maps is not None and kind == "canal" and length >= SHORTEST_MM:
        return _trace_with_maps(density, grid, clicks, mm_per_px, files, maps, others, click_std_px)
    candidates = line_candidates(grid, kind, clicks, files)
    coarse, candidate = _coarse_path(grid, candidates, clicks)
    # A file stands out so much that the path over cells is safe.
    if candidate.signs == (1,) and length >= SHORTEST_MM:
        coarse = best_route(density, clicks, [coarse], mm_per_px).path_mm / mm_per_px
        coarse[0], coarse[-1] = clicks[0], clicks[-1]
    path, std_mm = _symmetry_fit(density, coarse, clicks, np.array(mm_per_px), click_std_px=click_std_px)
    std_px = std_mm / float(np.sqrt(mm_per_px[0] * mm_per_px[1]))
    seen = _seen_along(grid, candidates, path)
    metal = [path] if kind == "file" else [np.asarray(file) for file in files if candidates[0].follows_file]
    bridged = _bridged(path, seen, metal, clicks, np.array(mm_per_px))
    if bridged is not path:
        path, seen = bridged, _seen_along(grid, candidates, bridged)
    return CanalTrace(
        path, clicks, TRACER, std_px, seen, _doubt(density, grid, candidates, path, clicks, np.array(mm_per_px))
    )


def _trace_with_maps(
    density: NDArray[np.generic],
    grid: WorkingGrid,
    clicks: Float64,
    mm_per_px: tuple[float, float],
    files: Sequence[Float64],
    maps: FilmMaps,
    others: Sequence[Float64],
    click_std_px: float,
) -> CanalTrace:
    """A canal by film and maps: the best route, then the axis of symmetry near it."""
    pixel = np.array(mm_per_px)
    known = _known(density, grid, clicks, mm_per_px, tuple(files), maps, tuple(others))
    route = _route(density, grid, clicks, mm_per_px, maps, known)
    beside = _Beside(route, _alone(grid, maps, known, route, pixel))
    path, std_mm = _symmetry_fit(density, route, clicks, pixel, beside=beside, click_std_px=click_std_px)
    std_px = std_mm / float(np.sqrt(mm_per_px[0] * mm_per_px[1]))
    candidates = line_candidates(grid, "canal", clicks, known.own)
    seen = _seen_along(grid, candidates, path)
    bridged = _bridged(path, seen, list(known.own), clicks, pixel)
    if bridged is not path:
        path, seen = bridged, _seen_along(grid, candidates, bridged)
    doubt = _doubt_with_maps(density, grid, maps, known, path, clicks, pixel)
    return CanalTrace(path, clicks, f"{TRACER} with {maps.model}", std_px, seen, doubt)


def _doubt_with_maps(
    density: NDArray[np.generic],
    grid: WorkingGrid,
    maps: FilmMaps,
    known: Known,
    path: Float64,
    clicks: Float64,
    mm_per_px: Float64,
) -> float:
    """As of `CanalTrace`: by the margin, the least of the canals' map beside the canal's own file, if any, and the mean of the
    borders' map along the path.
    """
    size = mm_per_px[0], mm_per_px[1]
    margin = standing(density, path, clicks, size, maps=maps, known=known).margin
    at = tuple(grid.nearest_cells(path).T)
    canal, border = (map_on(grid, share, maps.scale)[at] for share in (maps.canal, maps.outline))
    for file in known.own:  # a canal is where its own file is, whatever a map that knows no metal says there
        canal = np.where(
            polyline_feet(path * mm_per_px, file * mm_per_px).apart < ALONG_FILE_MM, np.float32(1.0), canal
        )
    step_mm = float(arc_length(path * mm_per_px)[-1]) / max(len(path) - 1, 1)
    window = min(max(round(SEEN_OVER_MM / step_mm), 1), len(canal))
    weakest = float(np.convolve(canal, np.full(window, 1.0 / window), "valid").min())
    score = DOUBT_WITH_MAPS @ (1.0, min(max(margin, MARGIN_FROM), MARGIN_TO), weakest, float(border.mean()))
    return float(1.0 / (1.0 + np.exp(-score)))


def _route(
    density: NDArray[np.generic],
    grid: WorkingGrid,
    clicks: Float64,
    mm_per_px: tuple[float, float],
    maps: FilmMaps,
    known: Known,
) -> Float64:
    """The best way by film and maps, pixels."""
    gain, _ = canal_gain(grid, maps, known)
    cells = [(int(r), int(c)) for r, c in grid.nearest_cells(clicks)]
    rough = grid.to_px(minimal_path(map_cost(gain), cells))
    rough[0], rough[-1] = clicks[0], clicks[-1]
    parallel = _parallel(clicks, known.canals, np.array(mm_per_px))
    return best_route(density, clicks, [rough], mm_per_px, maps, known, parallel).path_mm / mm_per_px


def _parallel(clicks: Float64, canals: tuple[Float64, ...], pixel: Float64) -> Float64 | None:
    """Another canal's line, moved to pass the clicks, pixels: what lies so near runs in the same root and much alike."""
    best, least = None, PARALLEL_MM
    for canal in canals:
        line, at = canal * pixel, clicks * pixel
        feet = polyline_feet(at, line)
        if float(feet.apart.max()) >= least or (np.diff(feet.along) <= 0.0).any():
            continue
        along = arc_length(line)
        run = np.linspace(feet.along[0], feet.along[-1], 200)
        on = np.column_stack([np.interp(run, along, axis) for axis in line.T])
        foot = np.column_stack([np.interp(feet.along, along, axis) for axis in line.T])
        moved = np.column_stack([np.interp(run, feet.along, axis) for axis in (at - foot).T])
        best, least = (on + moved) / pixel, float(feet.apart.max())
    return best


def _ridge(grid: WorkingGrid, maps: FilmMaps, places: Float64) -> Float64:
    """The line of a map through places on it, pixels."""
    cells = [(int(r), int(c)) for r, c in grid.nearest_cells(places)]
    return grid.to_px(minimal_path(1.0 / (map_on(grid, maps.canal, maps.scale).astype(np.float64) + 0.03), cells))


def _known(
    density: NDArray[np.generic], grid: WorkingGrid, clicks: Float64, mm_per_px: tuple[float, float],
    files: tuple[Float64, ...], maps: FilmMaps, others: tuple[Float64, ...],
) -> Known:  # fmt: skip
    """Which files lie in the canal that was clicked, and which of the other canals it does not run into.

    A click near a file says little where two canals are near: a file lies in the canal whose way by film and maps, found
    without asking any file, runs along it.
    """
    pixel = np.array(mm_per_px)

    def aside(line: Float64) -> Float64:
        return polyline_feet(clicks * pixel, line * pixel).apart

    apart = tuple(o for o in others if float(aside(o)[-1]) > JOINED_MM and float(aside(o).mean()) > TOLD_APART_MM)
    strange = line_beside(grid, maps, clicks)
    if strange is not None:
        # Another canal's, which nobody has traced yet.
        apart += (_ridge(grid, maps, strange),)
    near = tuple(f for f in files if float(aside(f).min()) <= FILE_NEAR_MM)
    far = tuple(f for f in files if not any(f is one for one in near))
    if not near:
        return Known(files=far, canals=apart)
    way = _route(density, grid, clicks, mm_per_px, maps, Known(files=far, canals=apart, unsaid=near)) * pixel
    own: list[Float64] = []
    foreign: list[Float64] = []
    unsaid: list[Float64] = []
    canal = map_on(grid, maps.canal, maps.scale)
    for file in near:
        line = resample(file * pixel, 200)
        feet = polyline_feet(line, way)
        beside = (feet.along > 0.3) & (feet.along < float(arc_length(way)[-1]) - 0.3)
        # In the crown no map says where a canal is, so that only the root is asked.
        beside &= canal[tuple(grid.nearest_cells(line / pixel).T)] >= LINE_SEEN
        if beside.any():
            lies = float((feet.apart[beside] < ALONG_FILE_MM).mean()) > 0.5
        else:
            lies = line_candidates(grid, "canal", clicks, (file,))[0].follows_file
        (own if lies else foreign if float(aside(file).mean()) > TOLD_APART_MM else unsaid).append(file)
    return Known(tuple(own), far + tuple(foreign), apart, tuple(unsaid))


def _bridged(path_px: Float64, seen: Float64, files: Sequence[Float64], clicks: Float64, mm_per_px: Float64) -> Float64:
    """The path with each stretch of metal that is hidden, as behind a filling, drawn straight: steel does not loop there.

    From click to click where some lie in the stretch.

    A file is straight over 3 mm to within 0.06 mm at a radius of 20 mm; the symmetry fit, which sees only the filling's edges
    there, made loops of up to 1.8 mm on whole-tooth phantoms.
    """
    path = path_px * mm_per_px
    along = arc_length(path)
    tips = [int(np.hypot(*(path - file[-1] * mm_per_px).T).argmin()) for file in files]
    hidden = (seen < HIDDEN_BELOW) & (np.arange(len(path)) <= max(tips, default=-1))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hidden, [False]]).astype(int)))
    new = path.copy()
    inner = clicks[1:-1] * mm_per_px
    beside = np.array([int(np.hypot(*(path - click).T).argmin()) for click in inner], np.intp)
    for first, end in edges.reshape(-1, 2):
        if along[min(end, len(along) - 1)] - along[first] < HIDDEN_MM:
            continue
        # What is seen is the middle of a window, so that the hidden stretch is as long as half of it at either end.
        a = int(np.searchsorted(along, along[first] - 0.5 * SEEN_OVER_MM))
        b = min(int(np.searchsorted(along, along[end - 1] + 0.5 * SEEN_OVER_MM)), len(path) - 1)
        held = np.flatnonzero((beside > a) & (beside < b))
        held = held[np.argsort(beside[held], kind="stable")]
        knots, places = [a, *beside[held], b], np.vstack([path[a], inner[held], path[b]])
        new[a : b + 1] = np.column_stack([np.interp(np.arange(a, b + 1), knots, axis) for axis in places.T])
    return path_px if np.array_equal(new, path) else new / mm_per_px


def stored_trace(
    radiograph: Radiograph,
    path_px: object,
    clicks_px: object,
    kind: LineKind,
    mm_per_px: tuple[float, float],
    *,
    tracer: str,
    centre_std_px: float = GIVEN_STD_PX,
    files: Sequence[Float64] = (),
    doubt: float | None = None,
) -> CanalTrace:
    """A path that was traced before, with what is seen along it on the film now.

    Parameters
    ----------
    radiograph, clicks_px, kind, mm_per_px, files
        As for `trace_line`; the same ones give the same `seen_along`.
    path_px : (N, 2)
        The path as it was accepted; it is not changed.
    tracer, centre_std_px, doubt
        What made it, how sure it was, and its doubt where that was kept; else it is judged by the film alone.

    Raises
    ------
    TraceError
        As `check_points`, and when the pixel size does not fit the image.
    """
    path = check_points(path_px, radiograph.values.shape, name="path_px")
    clicks = check_points(clicks_px, radiograph.values.shape, name="clicks_px")
    density = radiograph.density()
    grid = working_grid(density, clicks, mm_per_px)
    candidates = line_candidates(grid, kind, clicks, files)
    seen = _seen_along(grid, candidates, path)
    if doubt is None:
        doubt = _doubt(density, grid, candidates, path, clicks, np.array(mm_per_px))
    return CanalTrace(path, clicks, tracer, centre_std_px, seen, doubt)


def settle_line(
    density: NDArray[np.generic], coarse_px: Float64, mm_per_px: tuple[float, float], *, rounds: int = ROUNDS
) -> tuple[Float64, float]:
    """Move a line that nobody clicked, ends included, to the axis of symmetry.

    Parameters
    ----------
    density : (R, C)
        Attenuation, larger is denser.
    coarse_px : (N, 2)
        The line to within about 0.3 mm, at least 3 mm long.
    mm_per_px
        Rough pixel size (row, col).
    rounds
        Most rounds of the fit; each moves the line by at most 0.12 mm.

    Returns
    -------
    path_px : (M, 2), centre_std_px
        As of `CanalTrace`.
    """
    pixel = np.array(mm_per_px)
    path, std_mm = _symmetry_fit(density, coarse_px, coarse_px, pixel, free_ends=True, rounds=rounds)
    return path, std_mm / float(np.sqrt(pixel[0] * pixel[1]))


def _coarse_path(grid: WorkingGrid, candidates: list[Candidate], clicks: Float64) -> tuple[Float64, Candidate]:
    cells = [(int(r), int(c)) for r, c in grid.nearest_cells(clicks)]
    for candidate in candidates:
        path = minimal_path(line_cost(candidate.strength), cells)
        if float(candidate.strength[tuple(path.T)].mean()) >= candidate.least:
            break
    line = grid.to_px(path)
    line[0], line[-1] = clicks[0], clicks[-1]
    return line, candidate


def _doubt(
    density: NDArray[np.generic],
    grid: WorkingGrid,
    candidates: list[Candidate],
    path: Float64,
    clicks: Float64,
    mm_per_px: Float64,
) -> float | None:
    """As of `CanalTrace`, for any path: by the first candidate that is strong enough along it."""
    if float(arc_length(path * mm_per_px)[-1]) < SHORTEST_MM:
        return None
    at = tuple(grid.nearest_cells(path).T)
    like = next((c for c in candidates if float(c.strength[at].mean()) >= c.least), candidates[-1])
    return standing(density, path, clicks, (mm_per_px[0], mm_per_px[1]), like.signs).doubt


def _seen_along(grid: WorkingGrid, candidates: list[Candidate], path_px: Float64) -> Float64:
    """How much a line of any candidate stands out at each point; beyond a file's tip the canal itself is seen."""
    seen = np.zeros(len(path_px))
    at = tuple(grid.nearest_cells(path_px).T)
    for strength in (look for candidate in candidates for look in candidate.looks):
        usual = level(strength, 0.9)
        if usual > 0.0:
            seen = np.maximum(seen, strength[at] / usual)
    step_mm = arc_length(grid.to_cells(path_px))[-1] * grid.cell_mm / max(len(path_px) - 1, 1)
    reach = max(round(0.5 * SEEN_OVER_MM / step_mm), 0)
    # The middle value, not the mean: metal beside a gap stands out so much that a mean would hide the gap.
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(seen, reach, mode="reflect"), 2 * reach + 1)
    return np.asarray(np.partition(windows, reach, axis=1)[:, reach], np.float64)


def _symmetry_fit(
    density: NDArray[np.generic],
    coarse_px: Float64,
    clicks: Float64,
    mm_per_px: Float64,
    *,
    free_ends: bool = False,
    rounds: int = ROUNDS,
    beside: _Beside | None = None,
    click_std_px: float = CLICK_STD_PX,
) -> tuple[Float64, float]:
    """Spline through `coarse_px` moved to the axis of symmetry; also the SD of its sideways position in mm.

    The ends stay where they were clicked, or with `free_ends` move sideways like the rest. A line `beside` draws the fit to it,
    as a click does but less; the end clicks then are observations too, that the path may miss by a little sideways.
    """
    ends = clicks[[0, -1]] * mm_per_px
    line = coarse_px * mm_per_px
    length = float(arc_length(line)[-1])
    if length < SHORTEST_MM:  # too short for a fit of its own: the polyline of the clicks
        line = clicks * mm_per_px
        fine = resample(line, max(8, int(arc_length(line)[-1] / ROW_MM)))
        fine[0], fine[-1] = ends
        return fine / mm_per_px, SHORT_LINE_STD_MM
    spans = max(2, round(length / (FREE_KNOT_MM if free_ends else KNOT_MM)))
    bend_change = np.inf if free_ends else BEND_CHANGE
    rows = max(24, round(length / ROW_MM))
    line = smooth_line(line, spans, rows)
    if float(np.ptp(line / mm_per_px, axis=0).max()) > MOST_PIXELS:
        raise TraceError(f"clicks must lie within {MOST_PIXELS} pixels of one another: reduce the image first")
    image, origin = _crop(density, line / mm_per_px, STRIP_HALF_MM / mm_per_px.min() + 4)
    half = round(STRIP_HALF_MM / STRIP_STEP_MM)
    across = np.arange(-half, half + 1) * STRIP_STEP_MM
    u = across[half + 1 :]
    whiten = _whitening(u, 0.0 if free_ends else WANDERING)
    matrix = basis(np.linspace(0.0, 1.0, rows), spans)
    fixed = not free_ends and beside is None
    if fixed:
        matrix = matrix[:, 1:-1]
    variance = 0.0
    normal_matrix = np.eye(matrix.shape[1])
    between = np.empty((0, 2)) if free_ends else clicks[1:-1] * mm_per_px
    click_std = max(CLICK_STD_MM, click_std_px * float(np.sqrt(np.prod(mm_per_px))))
    counts = np.ones(len(between))
    for turn in range(rounds):
        normals = line_normals(line)
        at = np.array([int(np.hypot(*(line - click).T).argmin()) for click in between], np.intp)
        aside = np.einsum("ij,ij->i", between - line[at], normals[at])
        strip = sample_image(image, (line[:, None] + across[None, :, None] * normals[:, None]) / mm_per_px - origin)
        right, left = strip[:, half + 1 :], strip[:, half - 1 :: -1]
        odd = 0.5 * (right - left)
        even = 0.5 * (right + left)
        profile = np.hstack([strip[:, half : half + 1], even])
        sd = PROFILE_SD_MM / (length / (rows - 1))
        smooth = cv2.GaussianBlur(
            profile, (1, 2 * int(3 * sd) + 1), sigmaX=0.1, sigmaY=sd, borderType=cv2.BORDER_REFLECT
        )
        slope = np.asarray(np.gradient(smooth, STRIP_STEP_MM, axis=1)[:, 1:], np.float64)
        slope, odd = slope @ whiten, odd @ whiten
        missed = np.abs(aside) > CLICK_MISSED * click_std
        if turn >= rounds // 3:  # the first rounds bring the line to what is seen
            counts = np.where(missed, CLICK_COUNTS * counts, counts)
        pulls = (matrix[at], aside, counts / click_std**2)
        trust = np.ones(rows)
        if beside is not None:
            drawn = beside.path_px * mm_per_px
            near = polyline_feet(line, drawn).piece
            trust = np.where(beside.alone[near], NOT_SYMMETRICAL, 1.0)
            pulls = _drawn_to(pulls, matrix, line, normals, drawn, ends, length, trust)
        shift, normal_matrix, variance = _solve(matrix, slope, odd, line, bend_change, pulls, trust)
        offsets = matrix @ shift
        line = line + np.clip(offsets, -LARGEST_STEP_MM, LARGEST_STEP_MM)[:, None] * normals
        if fixed:
            line[0], line[-1] = ends
        elif not free_ends:
            line[0], line[-1] = (_within(line[k], ends[k], 2.0 * END_STD_MM) for k in (0, -1))
        line = smooth_line(line, spans, rows)
        if float(np.abs(offsets).max()) < SETTLED_MM and not missed.any():
            break
    covariance = np.linalg.inv(normal_matrix) * variance * TEXTURE_INFLATION
    spread = np.sqrt(np.einsum("ij,jk,ik->i", matrix, covariance, matrix))
    fine = smooth_line(line, spans, 2 * rows)
    if fixed:
        fine[0], fine[-1] = ends
    return fine / mm_per_px, float(np.sqrt(np.mean(spread**2)))


@frozen(eq=False)
class _Beside:
    """A route (N, 2), pixels, that the fit stays near, and at which of its points it has nothing else to hold on to (N,)."""

    path_px: Float64
    alone: NDArray[np.bool_]


def _alone(grid: WorkingGrid, maps: FilmMaps, known: Known, route: Float64, pixel: Float64) -> NDArray[np.bool_]:
    """Where along a route the film is not alike on both sides: another canal, its file or the border of a root is near."""
    found = np.zeros(len(route), np.bool_)
    for line in known.canals + known.files:
        found |= polyline_feet(route * pixel, line * pixel).apart < STRIP_HALF_MM + 0.2
    reach = round(BORDER_NEAR_MM / grid.cell_mm)
    border = map_on(grid, maps.outline, maps.scale) - map_on(grid, maps.canal, maps.scale)
    wide = cv2.dilate(border, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    found |= wide[tuple(grid.nearest_cells(route).T)] > BORDER_SEEN
    return found


def _within(point: Float64, of: Float64, reach: float) -> Float64:
    away = point - of
    far = float(np.hypot(*away))
    return point if far <= reach else of + away * (reach / far)


def _drawn_to(
    pulls: tuple[Float64, Float64, Float64],
    matrix: Float64,
    line: Float64,
    normals: Float64,
    beside: Float64,
    ends: Float64,
    length: float,
    trust: Float64,
) -> tuple[Float64, Float64, Float64]:
    """`pulls` with those of a line beside and of the end clicks."""
    rows = np.linspace(0, len(line) - 1, max(2, round(length / ROUTE_EVERY_MM))).astype(np.intp)
    along = polyline_feet(line[rows], beside).along
    feet = np.column_stack([np.interp(along, arc_length(beside), axis) for axis in beside.T])
    aside = np.einsum("ij,ij->i", feet - line[rows], normals[rows])
    last = np.array([0, len(line) - 1])
    off = np.einsum("ij,ij->i", ends - line[last], normals[last])
    weight = np.concatenate(
        [np.where(trust[rows] < 1.0, ROUTE_ALONE_STD_MM, ROUTE_STD_MM) ** -2, np.full(2, END_STD_MM**-2)]
    )
    return (
        np.vstack([pulls[0], matrix[rows], matrix[last]]),
        np.concatenate([pulls[1], aside, off]),
        np.concatenate([pulls[2], weight]),
    )


def _solve(
    matrix: Float64,
    slope: Float64,
    odd: Float64,
    line: Float64,
    bend_change: float,
    clicks: tuple[Float64, Float64, Float64],
    trust: Float64,
) -> tuple[Float64, Float64, float]:
    """Least squares for odd = -shift(s) slope, strips that fit badly counted less (Huber), curvature even.

    `clicks`: rows of the matrix beside clicks (K, P), how far aside each of them lies and how much it counts (K,), 1 / mm^2.
    """
    weight = np.ones(len(slope))
    step = float(arc_length(line)[-1]) / (len(line) - 1)
    tangent = np.gradient(line, axis=0)
    bend = np.gradient(np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))) / step
    third = np.diff(matrix, 3, axis=0) / step**3
    change = (0.5 * np.diff(bend[:-1]) + 0.5 * np.diff(bend[1:]))[: len(third)] / step
    change = np.append(change, np.full(len(third) - len(change), change[-1]))
    size = np.sqrt(np.mean(odd**2, axis=1))
    for _ in range(3):
        typical = float(np.partition(size, len(size) // 2)[len(size) // 2]) + 1e-12  # np.median imports numpy.ma, 7 ms
        stiff = typical**2 * TEXTURE_INFLATION * step / bend_change**2
        weight = weight * trust
        information = weight * np.einsum("ij,ij->i", slope, slope)
        normal = matrix.T @ (information[:, None] * matrix) + stiff * (third.T @ third)
        normal += np.eye(matrix.shape[1]) * (1e-6 * np.trace(normal) + 1e-18)
        target = matrix.T @ (weight * np.einsum("ij,ij->i", slope, -odd)) - stiff * (third.T @ change)
        pull = typical**2 * TEXTURE_INFLATION * clicks[2]  # in the units of what the strips say
        normal += clicks[0].T @ (pull[:, None] * clicks[0])
        target += clicks[0].T @ (pull * clicks[1])
        shift = np.linalg.solve(normal, target)
        size = np.sqrt(np.mean((odd + (matrix @ shift)[:, None] * slope) ** 2, axis=1))
        weight = np.minimum(1.0, 1.5 * typical / np.maximum(size, 1e-12))
    return shift, normal, typical**2


def _whitening(u: NDArray[np.floating], wandering: float) -> Float64:
    """(M, M) matrix that evens out the noise of the odd part at `u` and takes the odd background (u and u^3) out of it."""
    noise = wandering * np.minimum.outer(u, u) / STRIP_STEP_MM + np.eye(len(u))
    taper = np.sqrt(np.cos(0.5 * np.pi * u / (STRIP_HALF_MM + STRIP_STEP_MM)))
    even = np.linalg.inv(np.linalg.cholesky(noise)) * taper[:, None]
    background = np.linalg.qr(even @ np.column_stack([u, u**3]))[0]
    return np.asarray((even - background @ (background.T @ even)).T, np.float64)


def _crop(density: NDArray[np.generic], line_px: Float64, margin: float) -> tuple[NDArray[np.float32], Float64]:
    low = np.maximum(np.floor(line_px.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(line_px.max(axis=0) + margin).astype(int) + 1, density.shape)
    return np.ascontiguousarray(density[low[0] : high[0], low[1] : high[1]], np.float32), low.astype(np.float64)
