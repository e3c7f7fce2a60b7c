"""The maximum-a-posteriori fit of a tooth's lines and points in space, and of how its films were taken.

Every film sees the same lines. What is fitted are the lines (`curve`), landmarks, the places of file tips on their
canals and the films' geometry (`geometry`), each with what is known of it before: spreads of angulations and scales,
the curvature of canals. A point of a traced path only tells how far the projected line passes by it: its residual is
the distance to the nearest place of that line, so that no point of one film has to be matched with a point of
another. Ends and landmarks count both ways.

Levenberg-Marquardt with analytic derivatives, in numpy because importing scipy takes longer than the fit; a test
holds it equal to ``scipy.optimize.least_squares``.
"""

from __future__ import annotations

from math import radians

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.measure.space.curve import STEPS, line_of, stiffness
from wlmeasure.measure.space.geometry import HORIZONTAL, SCALE, TURN, VERTICAL, project
from wlmeasure.measure.space.scene import Scene, Tooth, film_of
from wlmeasure.points import polyline_feet

__all__ = [
    "COMMON_TILT",
    "FILMS",
    "Rows",
    "Solution",
    "layout_of",
    "misfit",
    "moved",
    "parts_of",
    "residuals",
    "solve",
]

Float64 = NDArray[np.float64]

LEAN_STD_DEG = 20.0
"""Spread of a canal's first direction about the tooth's axis; our parameter, wide: it keeps a fit without depth in place."""
DEPTH_STD_MM = 4.0
"""Spread of the depth of canals and landmarks about the first canal: a molar's crown is 10 to 11 mm wide from buccal to lingual
(from memory), so that places drawn evenly from it differ by a standard deviation of 4.3 mm.
"""
EXACT_MM = 1e-3

MARKS, FILE, SHAPE = "marks on the films", "length of the file", "shape of canals before it is seen"
WIDTH = "width of the tooth"
COMMON_TILT, TILTS, SHIFTS = "tilt that no film shows", "tilt from film to film", "size of the tube shift"
TURNS, DETECTORS, SCALES, PLACES = "tooth's axis on the films", "place of the detector", "scale", "place of the films"
FILMS = (
    "tilt from film to film",
    "tilt that no film shows",
    "size of the tube shift",
    "tooth's axis on the films",
    "scale",
    WIDTH,
)
"""Rows that take the strain where two films are not of one tooth: how they were taken, and how deep the tooth would be."""
FILM_TERMS = (SHIFTS, TILTS, TURNS, DETECTORS, DETECTORS, SCALES, PLACES, PLACES)
"""Names of the parts of an uncertainty; of each film's parameters in the order of `geometry`."""

ITERATIONS = 60
SETTLED = 1e-3  # in units of chi squared: far below what any figure's uncertainty would show
FIRST_DAMPING = 1e-3


class _Layout:
    """Which column of the normal equations belongs to which parameter."""

    def __init__(self, scene: Scene, tooth: Tooth) -> None:
        self.free = [np.flatnonzero(row > 0.0) for row in scene.spread]
        self.films, at = [], 0
        for free in self.free:
            self.films.append(slice(at, at + len(free)))
            at += len(free)
        self.shared = np.flatnonzero(scene.common_spread > 0.0)
        self.common = slice(at, at + len(self.shared))
        at += len(self.shared)
        self.lines = []
        for k, line in enumerate(tooth.lines):
            # The first line's start is the frame's origin: films are shifted against it.
            held = 3 if k == 0 else 0
            self.lines.append((slice(at, at + line.parameters - held), held))
            at += line.parameters - held
        self.tips = slice(at, at + len(tooth.tips))
        at += len(tooth.tips)
        self.points = [slice(at + 3 * k, at + 3 * k + 3) for k in range(len(tooth.points))]
        self.size = at + 3 * len(tooth.points)

    def length(self, line: int) -> int:
        """Column of the length of a line."""
        part, held = self.lines[line]
        return part.start + 5 - held

    def turns(self, line: int) -> slice:
        part, held = self.lines[line]
        return slice(part.start + 6 - held, part.stop)


def layout_of(scene: Scene, tooth: Tooth) -> _Layout:
    return _Layout(scene, tooth)


@frozen(eq=False)
class Rows:
    """Residuals over their standard uncertainties (N,), their derivatives (N, parameters), and what each run of rows is of."""

    residual: Float64
    slopes: Float64
    runs: tuple[tuple[str, int], ...]

    def of(self, *names: str) -> NDArray[np.bool_]:
        """Which rows are of `names`."""
        return np.repeat([name in names for name, _ in self.runs], [count for _, count in self.runs])


@frozen(eq=False)
class Solution:
    """A fitted tooth with the covariance of its parameters, in the order of `layout_of`.

    Attributes
    ----------
    objective
        Sum of all squared residuals, of marks and priors.
    rows
        The residuals at the end.
    """

    tooth: Tooth
    covariance: Float64
    objective: float
    rows: Rows
    iterations: int
    settled: bool

    @property
    def log_evidence(self) -> float:
        """Logarithm of how probable the marks are under the scene (Laplace's approximation), up to a constant that scenes with
        the same marks and spreads share; the number of a line's knots may differ.
        """
        shapes = sum(
            2.0 * float(np.linalg.slogdet(stiffness(line.turns.shape[1], line.nominal_mm))[1])
            for line in self.tooth.lines
        )
        return float(-0.5 * self.objective + 0.5 * np.linalg.slogdet(self.covariance)[1] + shapes)


def residuals(scene: Scene, layout: _Layout, tooth: Tooth) -> Rows:
    """What marks, films and priors say against a tooth."""
    r_parts: list[Float64] = []
    j_parts: list[Float64] = []
    runs: list[tuple[str, int]] = []

    def block(rows: int, name: str = MARKS) -> tuple[Float64, Float64]:
        runs.append((name, rows))
        r_parts.append(np.zeros(rows))
        j_parts.append(np.zeros((rows, layout.size)))
        return r_parts[-1], j_parts[-1]

    shapes = [line_of(line) for line in tooth.lines]
    for k, view in enumerate(scene.views):
        film = film_of(scene, tooth, k)
        columns = layout.films[k]

        def place_film(out: Float64, by_film: Float64, k: int = k, columns: slice = columns) -> None:
            if scene.stays[k]:
                by_film = by_film.copy()
                by_film[..., HORIZONTAL] -= by_film[..., TURN]
            out[..., columns] = by_film[..., layout.free[k]]
            out[..., layout.common] = by_film[..., [VERTICAL, SCALE]][..., layout.shared]

        for trace in scene.traces[k]:
            points, _, slopes = shapes[trace.line]
            seen_at, by_point, by_film = project(points, film, view.source_mm)
            part, held = layout.lines[trace.line]
            foot = polyline_feet(trace.places, seen_at)
            at, share = foot.piece, foot.share
            at[[0, -1]], share[[0, -1]] = (0, STEPS - 1), (0.0, 1.0)
            low, high = 1.0 - share, share
            step = seen_at[at + 1] - seen_at[at]
            here = low[:, None] * seen_at[at] + high[:, None] * seen_at[at + 1]
            normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(step[:, 0], step[:, 1])[:, None]
            normal[0], normal[-1] = trace.ends[0, 1], trace.ends[1, 1]
            r, j = block(len(trace.places) + 2)
            across = np.einsum("mi,mi->m", normal, here - trace.places)
            wall = np.einsum(
                "mi,mij->mj", normal, low[:, None, None] * by_point[at] + high[:, None, None] * by_point[at + 1]
            )
            moved = low[:, None, None] * slopes[at] + high[:, None, None] * slopes[at + 1]
            local = np.zeros((len(across), layout.size))
            local[:, part] = np.einsum("mj,mjp->mp", wall, moved[..., held:])
            by_both = low[:, None, None] * by_film[at] + high[:, None, None] * by_film[at + 1]
            place_film(local, np.einsum("mi,mif->mf", normal, by_both))
            r[:-2] = trace.white @ across
            j[:-2] = trace.white @ local
            for n, node in enumerate((0, STEPS)):
                along = trace.ends[n, 0]
                r[n - 2] = along @ (seen_at[node] - trace.places[-n])
                j[n - 2, part] = (along @ by_point[node]) @ slopes[node][:, held:]
                place_film(j[n - 2], along @ by_film[node])
        if scene.marks[k]:
            which = [n for n, _ in scene.marks[k]]
            seen_at, by_point, by_film = project(tooth.points[which], film, view.source_mm)
            for row, (n, place) in enumerate(scene.marks[k]):
                r, j = block(2)
                r[:] = (seen_at[row] - place) / view.point_std_mm
                j[:, layout.points[n]] = by_point[row] / view.point_std_mm
                place_film(j, by_film[row] / view.point_std_mm)
        for n, place in scene.tip_marks[k]:
            index = scene.names.index(scene.files[n].canal)
            point, by_share, by_line = _on_line(shapes[index], float(tooth.tips[n]))
            seen_at, by_point, by_film = project(point[None], film, view.source_mm)
            part, held = layout.lines[index]
            r, j = block(2)
            r[:] = (seen_at[0] - place) / view.point_std_mm
            j[:, part] = by_point[0] @ by_line[:, held:] / view.point_std_mm
            j[:, layout.tips.start + n] = by_point[0] @ by_share / view.point_std_mm
            place_film(j, by_film[0] / view.point_std_mm)
    for n, file in enumerate(scene.files):
        index = scene.names.index(file.canal)
        line = tooth.lines[index]
        std = max(file.length_std_mm, EXACT_MM)
        r, j = block(1, FILE)
        length = float(tooth.tips[n]) * line.length_mm
        j[0, layout.length(index)] = tooth.tips[n] / std
        j[0, layout.tips.start + n] = line.length_mm / std
        if file.stop is not None:
            stop = scene.landmarks.index(file.stop)
            way = tooth.points[stop] - line.start_mm
            straight = float(np.linalg.norm(way))
            length += straight
            j[0, layout.points[stop]] += way / (straight * std)
            if index:
                part, _ = layout.lines[index]
                j[0, part.start : part.start + 3] -= way / (straight * std)
        r[0] = (length - file.length_mm) / std
    for k, free in enumerate(layout.free):
        for n, own_column in enumerate(free.tolist()):
            r, j = block(1, FILM_TERMS[own_column])
            r[0] = (tooth.films[k, own_column] - scene.nominal[k, own_column]) / scene.spread[k, own_column]
            j[0, layout.films[k].start + n] = 1.0 / scene.spread[k, own_column]
    for n, shared in enumerate(layout.shared.tolist()):
        r, j = block(1, (COMMON_TILT, SCALES)[shared])
        r[0] = tooth.common[shared] / scene.common_spread[shared]
        j[0, layout.common.start + n] = 1.0 / scene.common_spread[shared]
    first = tooth.lines[0].start_mm[1]
    for line, (part, held) in zip(tooth.lines, layout.lines, strict=True):
        if not held:
            r, j = block(1, WIDTH)
            r[0] = (line.start_mm[1] - first) / DEPTH_STD_MM
            j[0, part.start + 1] = 1.0 / DEPTH_STD_MM
    for point, own_part in zip(tooth.points, layout.points, strict=True):
        r, j = block(1, WIDTH)
        r[0] = (point[1] - first) / DEPTH_STD_MM
        j[0, own_part.start + 1] = 1.0 / DEPTH_STD_MM
    lean = radians(LEAN_STD_DEG)
    for index, line in enumerate(tooth.lines):
        count = line.turns.shape[1]
        white = stiffness(count, line.nominal_mm)
        r, j = block(2 * count + 2, SHAPE)
        own = j[:, layout.turns(index)]
        for axis in (0, 1):
            rows = slice(axis * count, axis * count + count)
            r[rows] = white @ line.turns[axis]
            own[rows, rows] = white
        r[-2:] = line.frame[:2, 0] / lean
        part, held = layout.lines[index]
        for column, turn in ((3, line.frame[:, 1]), (4, line.frame[:, 2])):
            j[-2:, part.start + column - held] = np.cross(turn, line.frame[:, 0])[:2] / lean
    return Rows(np.concatenate(r_parts), np.vstack(j_parts), tuple(runs))


def _on_line(shape: tuple[Float64, Float64, Float64], share: float) -> tuple[Float64, Float64, Float64]:
    """Point of a line at a share of its length, and its derivatives by the share and the line; beyond the ends straight on."""
    points, _, slopes = shape
    at = min(max(int(share * STEPS), 0), STEPS - 1)
    rest = share * STEPS - at
    step = points[at + 1] - points[at]
    return (
        points[at] + rest * step,
        step * STEPS,
        slopes[at] + rest * (slopes[at + 1] - slopes[at]),
    )


def moved(tooth: Tooth, layout: _Layout, step: Float64) -> Tooth:
    """A tooth with its parameters changed."""
    films = tooth.films.copy()
    for k, free in enumerate(layout.free):
        films[k, free] += step[layout.films[k]]
    common = tooth.common.copy()
    common[layout.shared] += step[layout.common]
    lines = []
    for line, (part, held) in zip(tooth.lines, layout.lines, strict=True):
        lines.append(line.moved(np.concatenate([np.zeros(held), step[part]])))
    points = tooth.points.copy()
    for k, part in enumerate(layout.points):
        points[k] += step[part]
    return Tooth(films, common, tuple(lines), tooth.tips + step[layout.tips], points)


def solve(scene: Scene, tooth: Tooth, *, iterations: int = ITERATIONS, settled: float = SETTLED) -> Solution:
    """Levenberg-Marquardt from `tooth`, with the covariance at the end."""
    layout = _Layout(scene, tooth)
    rows = residuals(scene, layout, tooth)
    cost = float(rows.residual @ rows.residual)
    damping, done, count = FIRST_DAMPING, False, 0
    while count < iterations and not done:
        normal, slope = rows.slopes.T @ rows.slopes, rows.slopes.T @ rows.residual
        diagonal = np.diag(normal).copy()
        while count < iterations:
            count += 1
            step = np.asarray(np.linalg.solve(normal + np.diag(damping * diagonal), -slope), np.float64)
            trial = moved(tooth, layout, step)
            tried = residuals(scene, layout, trial)
            new = float(tried.residual @ tried.residual)
            if new < cost:
                done = cost - new < settled
                tooth, rows, cost = trial, tried, new
                damping = max(0.1 * damping, 1e-9)
                break
            # A step that should gain next to nothing and gains nothing: it stands at the bottom.
            if float(-slope @ step) < settled:
                done = True
                break
            damping *= 10.0
    normal = rows.slopes.T @ rows.slopes
    unit = 1.0 / np.sqrt(np.diag(normal))
    covariance = np.asarray(np.linalg.inv(normal * unit[:, None] * unit) * unit[:, None] * unit, np.float64)
    return Solution(tooth, covariance, cost, rows, count, done)


def misfit(solution: Solution, *names: str) -> float:
    """How far rows of `names` (all but the canals' shapes without any) lie beyond what is expected where the films fit: normal
    deviate of a sum of squares.

    Priors of shape are left out of all: a sharp bend is rare, not wrong. With residuals I - H of the fit (H the hat matrix)
    a quadratic form of normal errors has the mean tr(I - H) and the variance 2 tr((I - H)^2); it is taken for a chi squared
    with these (Satterthwaite) and that for normal by its cube root (Wilson & Hilferty 1931; both from memory).
    """
    judged = solution.rows.of(*names) if names else ~solution.rows.of(SHAPE)
    own = solution.rows.slopes[judged]
    left = np.eye(len(own)) - own @ solution.covariance @ own.T
    squares = solution.rows.residual[judged]
    mean, variance = float(np.trace(left)), float(2.0 * np.sum(left**2))
    if mean < 1e-6:
        return 0.0
    freedom = 2.0 * mean**2 / variance
    root = (float(squares @ squares) / mean) ** (1.0 / 3.0)
    return float((root - 1.0 + 2.0 / (9.0 * freedom)) / np.sqrt(2.0 / (9.0 * freedom)))


def parts_of(solution: Solution, slopes: Float64) -> dict[str, float]:
    """Standard uncertainty of a value with derivatives `slopes` (parameters,), by what it comes from; they add in quadrature.

    The inverse of the normal matrix N = sum of J'J is N^-1 N N^-1, so that every run of rows has a share of its own.
    """
    shares = (solution.rows.slopes @ (solution.covariance @ slopes)) ** 2
    parts: dict[str, float] = {}
    at = 0
    for name, count in solution.rows.runs:
        parts[name] = parts.get(name, 0.0) + float(shares[at : at + count].sum())
        at += count
    return {name: variance**0.5 for name, variance in parts.items()}
