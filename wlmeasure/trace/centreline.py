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

End points stay where the person put them. A click between them is an observation of the line like what is seen, and one that
the line would miss counts more until it does not: more clicks bind the path more, so that who corrects it never makes it worse.
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
from wlmeasure.points import as_points, frozen_array
from wlmeasure.trace.path import minimal_path
from wlmeasure.trace.ridge import Candidate, LineKind, WorkingGrid, level, line_candidates, line_cost, working_grid
from wlmeasure.trace.route import best_route, standing
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

TRACER = "symmetry-fit/4"  # written into the case file; changes whenever the same clicks may give another path
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
# How sure a click between the ends is of the axis: a pixel, or what a hand can do where pixels are finer. The axis of symmetry
# may be another line's, or lie beside the canal where what is around it is one-sided; a click says which and where.
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
        How likely the path is to have left the line somewhere by more than 0.15 mm, from 0 to 1: by what is seen along it and
        along other ways (`route`). Fitted to synthetic films, so take it as an order. None for a path that was given and not
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
) -> CanalTrace:
    """Trace the centre line of a canal or a file through clicks on the image.

    Parameters
    ----------
    radiograph
        The film; its stored values are traced, whatever the display shows.
    clicks_px : (K, 2)
        (row, col), coronal to apical, two or more. The first and the last stay; the path passes those
        between within about 0.1 mm.
    kind
        ``file`` looks for a bright line, ``canal`` for a dark one or for the file that lies in it.
    mm_per_px
        Rough pixel size (row, col); it sizes the filters. A scale off by a quarter does not matter.
    name
        What the clicks are called in an error.
    files : of (N, 2)
        Paths of files traced on the film: a canal whose clicks lie on one runs along it.

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
    length = float(arc_length(clicks * mm_per_px)[-1])
    if length > LONGEST_MM or len(clicks) > MOST_CLICKS:
        raise TraceError(
            f"{name} must be at most {MOST_CLICKS} points over {LONGEST_MM:g} mm: got {len(clicks)} over {length:.0f} mm; "
            "check the scale (mm_per_px) and the order of the points"
        )
    density = radiograph.density()
    grid = working_grid(density, clicks, mm_per_px)
    candidates = line_candidates(grid, kind, clicks, files)
    coarse, candidate = _coarse_path(grid, candidates, clicks)
    # A file stands out so much that the path over cells is safe.
    if candidate.signs == (1,) and length >= SHORTEST_MM:
        coarse = best_route(density, clicks, [coarse], mm_per_px).path_mm / mm_per_px
        coarse[0], coarse[-1] = clicks[0], clicks[-1]
    path, std_mm = _symmetry_fit(density, coarse, clicks, np.array(mm_per_px))
    std_px = std_mm / float(np.sqrt(mm_per_px[0] * mm_per_px[1]))
    seen = _seen_along(grid, candidates, path)
    metal = [path] if kind == "file" else [np.asarray(file) for file in files if candidates[0].follows_file]
    bridged = _bridged(path, seen, metal, clicks, np.array(mm_per_px))
    if bridged is not path:
        path, seen = bridged, _seen_along(grid, candidates, bridged)
    return CanalTrace(
        path, clicks, TRACER, std_px, seen, _doubt(density, grid, candidates, path, clicks, np.array(mm_per_px))
    )


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
) -> CanalTrace:
    """A path that was traced before, with what is seen along it on the film now.

    Parameters
    ----------
    radiograph, clicks_px, kind, mm_per_px, files
        As for `trace_line`; the same ones give the same `seen_along`.
    path_px : (N, 2)
        The path as it was accepted; it is not changed.
    tracer, centre_std_px
        What made it, and how sure it was.

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
) -> tuple[Float64, float]:
    """Spline through `coarse_px` moved to the axis of symmetry; also the SD of its sideways position in mm.

    The ends stay where they were clicked, or with `free_ends` move sideways like the rest.
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
    if not free_ends:
        matrix = matrix[:, 1:-1]
    variance = 0.0
    normal_matrix = np.eye(matrix.shape[1])
    between = np.empty((0, 2)) if free_ends else clicks[1:-1] * mm_per_px
    click_std = max(CLICK_STD_MM, CLICK_STD_PX * float(np.sqrt(np.prod(mm_per_px))))
    counts = np.ones(len(between))
    for turn in range(rounds):
        normals = line_normals(line)
        beside = np.array([int(np.hypot(*(line - click).T).argmin()) for click in between], np.intp)
        aside = np.einsum("ij,ij->i", between - line[beside], normals[beside])
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
        pulls = (matrix[beside], aside, counts / click_std**2)
        shift, normal_matrix, variance = _solve(matrix, slope, odd, line, bend_change, pulls)
        offsets = matrix @ shift
        line = line + np.clip(offsets, -LARGEST_STEP_MM, LARGEST_STEP_MM)[:, None] * normals
        if not free_ends:
            line[0], line[-1] = ends
        line = smooth_line(line, spans, rows)
        if float(np.abs(offsets).max()) < SETTLED_MM and not missed.any():
            break
    covariance = np.linalg.inv(normal_matrix) * variance * TEXTURE_INFLATION
    spread = np.sqrt(np.einsum("ij,jk,ik->i", matrix, covariance, matrix))
    fine = smooth_line(line, spans, 2 * rows)
    if not free_ends:
        fine[0], fine[-1] = ends
    return fine / mm_per_px, float(np.sqrt(np.mean(spread**2)))


def _solve(
    matrix: Float64,
    slope: Float64,
    odd: Float64,
    line: Float64,
    bend_change: float,
    clicks: tuple[Float64, Float64, Float64],
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
