"""The data of a fit in space, from films as they were marked, and a tooth near them to begin with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import radians

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.space.curve import STEPS, Line, line_through
from wlmeasure.measure.space.geometry import COUNT, HORIZONTAL, ROLL, SCALE, SHIFT, TILT, TURN, VERTICAL, project
from wlmeasure.measure.space.views import KnownFile, View
from wlmeasure.trace.spline import arc_length, resample

__all__ = ["Scene", "Tooth", "Trace", "film_of", "scene_of", "start"]

Float64 = NDArray[np.float64]

KNOT_MM = (
    0.9  # our parameter: distance of the knots of curvature; curvature that goes together over 0.8 mm needs no finer
)
KNOTS = (5, 20)
LEAST_STEP_MM = 0.3  # our parameter: a dense path is thinned to points this far apart, or half of what goes together
MOST_POINTS = 48
FREE_MM = 100.0  # our parameter: a film's place is not known
CORRELATION_NUGGET = 0.05  # our parameter: share of a path's error that is each point's own


@frozen(eq=False)
class Tooth:
    """What is fitted. `films` (K, COUNT), `common` (2,): vertical angle and log scale shared by all films, `points` (P, 3)."""

    films: Float64
    common: Float64
    lines: tuple[Line, ...]
    tips: Float64
    points: Float64


@frozen(eq=False)
class Trace:
    """One path on one film, in mm: places (M, 2) from the first to the last point, weights that make errors independent."""

    line: int
    places: Float64
    white: Float64
    ends: Float64  # (2, 2, 2): for the first and the last point the directions along and across, each over its error


@frozen(eq=False)
class Scene:
    """The data of a fit: films with their marks in mm, and what is known before."""

    views: tuple[View, ...]
    names: tuple[str, ...]
    landmarks: tuple[str, ...]
    files: tuple[KnownFile, ...]
    traces: tuple[tuple[Trace, ...], ...]
    marks: tuple[tuple[tuple[int, Float64], ...], ...]  # of each film: landmark, place
    tip_marks: tuple[tuple[tuple[int, Float64], ...], ...]  # of each film: file, place
    origin_mm: Float64  # (K, 2): subtracted from every place of a film
    nominal: Float64  # (K, COUNT)
    spread: Float64  # (K, COUNT); 0 holds a parameter
    common_spread: Float64  # (2,)
    stays: Float64  # (K,): 1 where the detector turns back by the horizontal angulation, so that it stays; else 0

    @property
    def rows(self) -> int:
        """Number of residuals that come from marks on films."""
        return sum(
            sum(len(t.places) + 2 for t in traces) + 2 * len(marks) + 2 * len(tips)
            for traces, marks, tips in zip(self.traces, self.marks, self.tip_marks, strict=True)
        )


def scene_of(
    views: Sequence[View],
    files: Sequence[KnownFile],
    horizontals_deg: Sequence[float],
    common_vertical_std_deg: float,
    shared_scale_rel_std: float,
    stayed: Sequence[bool],
) -> Scene:
    """Films and files as a fit takes them; `horizontals_deg` are the nominal angulations with their signs, `stayed` says of
    each film whether its detector stayed where a film without a shift has it.
    """
    names = tuple(
        dict.fromkeys(n for view in views for n in view.canals if sum(n in other.canals for other in views) > 1)
    )
    tips = {file.tip for file in files}
    shared = tuple(dict.fromkeys(n for v in views for n in v.points if sum(n in other.points for other in views) > 1))
    landmarks = tuple(name for name in shared if name not in tips)
    for file in files:
        if file.canal not in names:
            raise MeasureError(f"files: canal {file.canal!r} must be traced on two films or more")
        if file.tip not in shared:
            raise MeasureError(f"files: the tip {file.tip!r} must be marked on two films or more")
        if file.stop is not None and file.stop not in landmarks:
            raise MeasureError(f"files: the stop {file.stop!r} must be marked on two films or more")
    traces, marks, tip_marks, origins = [], [], [], []
    for view in views:
        own = {name: view.to_mm(view.canals[name]) for name in names if name in view.canals}
        if not own:
            raise MeasureError("views must show a canal that another film shows too: trace the same canal on both")
        first = next(iter(own.values()))
        origin = 0.5 * (first[0] + first[-1])
        origins.append(origin)
        traces.append(tuple(_trace(names.index(n), path - origin, view) for n, path in own.items()))
        marks.append(
            tuple((k, view.to_mm(view.points[n]) - origin) for k, n in enumerate(landmarks) if n in view.points)
        )
        tip_marks.append(
            tuple((k, view.to_mm(view.points[f.tip]) - origin) for k, f in enumerate(files) if f.tip in view.points)
        )
    count = len(views)
    nominal, spread = np.zeros((count, COUNT)), np.zeros((count, COUNT))
    for k, (view, horizontal) in enumerate(zip(views, horizontals_deg, strict=True)):
        nominal[k, [HORIZONTAL, VERTICAL]] = radians(horizontal), radians(view.vertical_deg)
        nominal[k, ROLL] = -view.axis_rad
        nominal[k, [TILT, TURN]] = radians(view.detector_tilt_deg), radians(view.detector_turn_deg)
        spread[k, [HORIZONTAL, VERTICAL]] = radians(view.horizontal_std_deg), radians(view.vertical_std_deg)
        spread[k, ROLL], spread[k, SCALE] = radians(view.axis_std_deg), view.scale_rel_std
        spread[k, [TILT, TURN]] = radians(view.detector_std_deg)
    spread[:, SHIFT:] = FREE_MM
    # A turn of everything about the tooth's axis shows on no film: the first film's angulation is the zero of the others.
    spread[1:, HORIZONTAL] = np.hypot(spread[1:, HORIZONTAL], spread[0, HORIZONTAL])
    spread[0, HORIZONTAL] = 0.0
    return Scene(
        tuple(views),
        names,
        landmarks,
        tuple(files),
        tuple(traces),
        tuple(marks),
        tuple(tip_marks),
        np.array(origins),
        nominal,
        spread,
        np.array([radians(common_vertical_std_deg), shared_scale_rel_std]),
        np.array(stayed, np.float64),
    )


def film_of(scene: Scene, tooth: Tooth, film: int) -> Float64:
    """Parameters of a film as it was exposed: with what all films share, its detector where it was."""
    own: Float64 = tooth.films[film].copy()
    own[VERTICAL] += tooth.common[0]
    own[SCALE] += tooth.common[1]
    own[TURN] -= scene.stays[film] * own[HORIZONTAL]
    return own


def _trace(line: int, path: Float64, view: View) -> Trace:
    noise = view.noise
    length = float(arc_length(path)[-1])
    if noise.correlation_mm > 0.0:
        step = max(LEAST_STEP_MM, 0.5 * noise.correlation_mm)
        path = resample(path, min(max(5, round(length / step) + 1), MOST_POINTS))
    elif len(path) > MOST_POINTS:
        path = path[np.linspace(0, len(path) - 1, MOST_POINTS).round().astype(int)]
    at = arc_length(path)
    reach = max(noise.correlation_mm / np.sqrt(2.0 * np.pi), 1e-9)
    alike = np.exp(-0.5 * ((at[:, None] - at) / reach) ** 2)
    alike = (1.0 - CORRELATION_NUGGET) * alike + CORRELATION_NUGGET * np.eye(len(at))
    white = np.linalg.inv(np.linalg.cholesky(alike)) / noise.std_mm
    ends = []
    for step_mm in (path[1] - path[0], path[-1] - path[-2]):
        along = step_mm / np.hypot(*step_mm)
        ends.append([along / view.end_std_mm, [-along[1], along[0]]])
    return Trace(line, path, white, np.array(ends))


def start(scene: Scene) -> Tooth:
    """A tooth near the films, from the nominal geometry: places of equal height along the tooth belong together."""
    nominal = scene.nominal
    films = nominal.copy()
    upright = [_upright(scene, k) for k in range(len(nominal))]
    lines: list[Line] = []
    anchor = np.zeros(3)
    for index in range(len(scene.names)):
        seen = [k for k, traces in enumerate(scene.traces) if any(t.line == index for t in traces)]
        pair = max(
            ((i, j) for n, i in enumerate(seen) for j in seen[n + 1 :]),
            key=lambda p: abs(nominal[p[0], HORIZONTAL] - nominal[p[1], HORIZONTAL]),
        )
        rough = _rough([upright[k][index] for k in pair], nominal[list(pair), HORIZONTAL])
        length = float(np.linalg.norm(np.diff(rough, axis=0), axis=1).sum())
        line = line_through(rough, min(max(round(length / KNOT_MM) + 1, KNOTS[0]), KNOTS[1]))
        if index == 0:
            anchor = np.array([-line.points()[:, 0].mean(), -line.points()[:, 1].mean(), 0.0])
        lines.append(evolve(line, start_mm=line.start_mm + anchor))
    for k, traces in enumerate(scene.traces):
        first = traces[0]
        line = lines[first.line]
        seen_at, _, _ = project(line.points(), films[k], scene.views[k].source_mm)
        films[k, SHIFT:] = 0.5 * (first.places[0] + first.places[-1] - seen_at[0] - seen_at[-1])
    points = np.array(
        [_crossing(scene, films, [(k, p) for k, own in enumerate(scene.marks) for m, p in own if m == n])
         for n in range(len(scene.landmarks))]
    ).reshape(-1, 3)  # fmt: skip
    tips = []
    for n, file in enumerate(scene.files):
        line = lines[scene.names.index(file.canal)]
        shares = []
        for k, own in enumerate(scene.tip_marks):
            for m, place in own:
                if m == n:
                    seen_at = project(line.points(), films[k], scene.views[k].source_mm)[0]
                    shares.append(float(np.hypot(*(seen_at - place).T).argmin()) / STEPS)
        tips.append(float(np.mean(shares)))
    return Tooth(films, np.zeros(2), tuple(lines), np.array(tips), points)


def _upright(scene: Scene, k: int) -> Mapping[int, Float64]:
    """Paths of a film by line, as (right, down) with the tooth's axis down."""
    c, s = np.cos(scene.nominal[k, ROLL]), np.sin(scene.nominal[k, ROLL])
    turn = np.array([[s, c], [c, -s]])  # right, down of (row, col)
    return {t.line: t.places @ turn.T for t in scene.traces[k]}


def _rough(paths: Sequence[Float64], horizontals: Float64, count: int = 40) -> Float64:
    """Points in space of two upright paths, seen from afar."""
    at = np.linspace(0.0, 1.0, count)
    rights, downs = [], []
    for path in paths:
        height = np.maximum.accumulate(path[:, 1])
        share = (height - height[0]) / max(height[-1] - height[0], 1e-9)
        share = 0.999 * share + 0.001 * np.linspace(0.0, 1.0, len(path))  # places of equal height in their order
        rights.append(np.interp(at, share, path[:, 0]))
        downs.append(np.interp(at, share, path[:, 1]))
    (c1, c2), (s1, s2) = np.cos(horizontals), np.sin(horizontals)
    apart = c2 * s1 - c1 * s2
    x = (s1 * rights[1] - s2 * rights[0]) / apart
    y = (c1 * rights[1] - c2 * rights[0]) / apart
    return np.column_stack([x, y, -0.5 * (downs[0] + downs[1])])


def _crossing(scene: Scene, films: Float64, marks: Sequence[tuple[int, Float64]]) -> Float64:
    """Point in space whose projections are nearest to its marks: a linear problem near the tooth's origin."""
    point = np.zeros(3)
    for _ in range(3):
        rows, sides = [], []
        for k, place in marks:
            seen_at, by_point, _ = project(point[None], films[k], scene.views[k].source_mm)
            rows.append(by_point[0])
            sides.append(place - seen_at[0])
        matrix = np.vstack([*rows, 1e-3 * np.eye(3)])
        point = point + np.linalg.lstsq(matrix, np.concatenate([*sides, -1e-3 * point]), rcond=None)[0]
    return point
