"""Bench of the estimators: errors over the Cramer-Rao bound, coverage of the intervals, lengths from clicks, batch speed.

    python3 tests/bench/estimators.py [--seed N] [--runs N] [--only NAME ...]

The bound is computed here from drawn curves, without any code of the library: white noise across a curve gives the Fisher
information of how far each drawn point moves across it with each parameter. Along the curve only the last point counts, which
ends the canal. Seeds below 5000 are for development; the figures quoted elsewhere are of seeds from 5000 up.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from math import cos, radians, sin

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray
from scipy.interpolate import make_smoothing_spline
from scipy.optimize import least_squares

from wlmeasure.errors import MeasureError
from wlmeasure.measure.batch import BendEstimates, fit_many
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.clicks import clicks_length
from wlmeasure.measure.curvature import canal_form, fit_canal, pruett_deg, schneider_deg
from wlmeasure.measure.line_arc import Noise, fit_line_arc
from wlmeasure.measure.lockstep import fit_paths
from wlmeasure.study.correlation import correlations
from wlmeasure.study.repeats import within_readings

Float64 = NDArray[np.float64]
Part = tuple[float, float]  # length in mm, signed curvature in 1/mm

PX_MM = 0.025
FIRST_HELD_OUT = 5000
SHAPES: dict[str, list[Part]] = {
    "A: R 8 mm, 30 deg, no tail": [(6.0, 0.0), (8.0 * radians(30.0), 1.0 / 8.0)],
    "B: R 5 mm, 60 deg, tail 1.5 mm": [(5.0, 0.0), (5.0 * radians(60.0), 1.0 / 5.0), (1.5, 0.0)],
}
S_SHAPE: list[Part] = [(5.0, 0.0), (4.0, 1.0 / 6.0), (1.0, 0.0), (3.5, -1.0 / 5.0)]
OUTLIER_SHARE, OUTLIER_TIMES = 0.05, 8.0


# --- drawn curves and their bound ------------------------------------------------------------------------------------


def drawn(parts: list[Part], at: Float64, heading: float = 0.0, offset: float = 0.0) -> Float64:
    """Points of straight and circular parts at arc lengths, as complex numbers (row + i col); the last part goes on."""
    out = np.empty(len(at), np.complex128)
    origin, direction, begin = 1j * offset * np.exp(1j * heading), np.exp(1j * heading), 0.0
    for index, (length, curvature) in enumerate(parts):
        inside = at >= begin if index else np.ones(len(at), bool)
        run = np.append(at[inside] - begin, length)
        # Half-angle form: the chord of an arc of turn a is run * sinc(a / 2), at a / 2 to its tangent.
        half = 0.5 * curvature * run
        local = origin + direction * run * np.sinc(half / np.pi) * np.exp(1j * half)
        out[inside] = local[:-1]
        origin, direction, begin = local[-1], direction * np.exp(1j * curvature * length), begin + length
    return out


def parts_of(theta: Float64, curved: list[bool]) -> list[Part]:
    """Parts from (curvatures, joints), the last part to infinity."""
    bends = sum(curved)
    joints = [0.0, *theta[bends:], 1e3]
    values = iter(theta[:bends])
    return [(joints[k + 1] - joints[k], next(values) if is_curved else 0.0) for k, is_curved in enumerate(curved)]


def truth_of(parts: list[Part]) -> tuple[Float64, list[bool], float]:
    """(heading, offset, curvatures, joints), which parts are curved, total length."""
    ends = np.cumsum([length for length, _ in parts])
    curved = [curvature != 0.0 for _, curvature in parts]
    return np.array([0.0, 0.0, *(c for _, c in parts if c != 0.0), *ends[:-1]]), curved, float(ends[-1])


def angles(theta: Float64, curved: list[bool], total: float) -> Float64:
    """Curvature of the first bend (1/mm), its turn (degrees), and Schneider's angle of a single bend (degrees)."""
    parts = parts_of(theta[2:], curved)
    begin = float(theta[2 + sum(curved)])
    run = parts[1][0] if len(parts) > 2 else total - begin
    ends = drawn(parts, np.array([begin, total]))
    return np.array([theta[2], np.degrees(theta[2] * run), np.degrees(np.angle(ends[1] - ends[0]))])


def bound(parts: list[Part], count: int, sigma: float) -> Float64:
    """Cramer-Rao bound (standard deviations) of what `angles` gives and of the length, for `count` equally spaced points of
    noise `sigma`. Along the canal the two end points count, each with its own error.
    """
    theta, curved, total = truth_of(parts)
    at = np.linspace(0.0, total, count)
    size = len(theta)
    step = 1e-6

    def move(j: int, by: float) -> Float64:
        moved = theta + by * (np.arange(size) == j)
        return drawn(parts_of(moved[2:], curved), at, float(moved[0]), float(moved[1]))

    fine = drawn(parts, at + step) - drawn(parts, at - step)
    tangent = fine / np.abs(fine)
    local = np.stack(
        [(move(j, step) - move(j, -step)) / (2.0 * step) * tangent.conjugate() for j in range(size)], axis=1
    )
    across = local.imag
    covariance = np.zeros((size + 1, size + 1))
    covariance[:-1, :-1] = sigma**2 * np.linalg.inv(across.T @ across)
    covariance[-1, -1] = sigma**2
    full = np.append(theta, total)
    gradient = np.stack(
        [
            (angles(*_split(full + e, curved)) - angles(*_split(full - e, curved))) / (2.0 * step)
            for e in np.eye(size + 1) * step
        ],
        axis=1,
    )
    of_angles = np.sqrt(np.einsum("qp,pr,qr->q", gradient, covariance, gradient))
    # The line that slides by under the last point is longer by as much.
    slide = local[-1].real
    of_length = np.sqrt(2.0 * sigma**2 + slide @ covariance[:-1, :-1] @ slide)
    return np.append(of_angles, of_length)


def length_bound(parts: list[Part], count: int, sigma: float) -> float:
    """Cramer-Rao bound (mm) of the length from noisy points between two exact ends, for parts of this kind."""
    theta, curved, total = truth_of(parts)
    at = np.linspace(0.0, total, count)
    full = np.append(theta, total)
    step = 1e-6

    def line(values: Float64, where: Float64) -> Float64:
        return drawn(parts_of(values[2:-1], curved), where, float(values[0]), float(values[1]))

    tangent = line(full, at + step) - line(full, at - step)
    tangent /= np.abs(tangent)
    unit = np.eye(len(full)) * step
    across = np.stack(
        [((line(full + e, at) - line(full - e, at)) / (2.0 * step) * tangent.conjugate()).imag for e in unit], axis=1
    )
    last = np.array([(line(full + e, full[-1:] + e[-1]) - line(full - e, full[-1:] - e[-1]))[0] for e in unit])
    last /= 2.0 * step
    # An end's exact place counts as a millionth of the noise of a click.
    exact = 1e12 * (np.outer(last.real, last.real) + np.outer(last.imag, last.imag) + np.outer(across[0], across[0]))
    information = across[1:-1].T @ across[1:-1] + exact
    # The first foot moves along with no parameter: the canal begins where its first point lies.
    return float(sigma * np.sqrt(np.linalg.inv(information)[-1, -1]))


def _split(full: Float64, curved: list[bool]) -> tuple[Float64, list[bool], float]:
    return full[:-1], curved, float(full[-1])


def points_of(parts: list[Part], count: int) -> Float64:
    line = drawn(parts, np.linspace(0.0, sum(length for length, _ in parts), count))
    return np.column_stack([line.real, line.imag])


# --- the tables: functions of a seed to frozen rows --------------------------------------------------------------------


@frozen
class Quality:
    """Errors of one quantity in one cell of a table.

    Attributes
    ----------
    ratio
        Root mean square error over the Cramer-Rao bound for white noise.
    bias
        Mean error, in the unit of the quantity.
    covered
        Share of the runs in which the stated 95 % interval holds the truth.
    width
        Mean half-width of the interval over that of the ideal: of an interval as wide as the errors seen ask for.
    """

    cell: str
    quantity: str
    ratio: float
    bias: float
    covered: float
    width: float


QUANTITIES = ("1/r", "angle", "Schneider", "length")


def quality(cell: str, found: BendEstimates, parts: list[Part], limit: Float64, end_std_mm: float) -> list[Quality]:
    """Rows of one cell; `end_std_mm` is the error of each end along the canal, which the estimates leave to their user."""
    truth = np.append(angles(*truth_of(parts)), truth_of(parts)[2])
    values = np.stack([found.curvature_per_mm, found.angle_deg, found.schneider_deg, found.length_mm], axis=1)
    length_std = np.hypot(found.path_std_mm, np.sqrt(2.0) * end_std_mm)
    stds = np.stack([found.curvature_std_per_mm, found.angle_std_deg, found.schneider_std_deg, length_std], axis=1)
    errors = values - truth
    seen = np.sqrt(np.mean(errors**2, axis=0))
    covered = np.mean(np.abs(errors) <= NORMAL_95 * stds, axis=0)
    columns = zip(QUANTITIES, seen / limit, errors.mean(axis=0), covered, stds.mean(axis=0) / seen, strict=True)
    return [Quality(cell, name, *(float(value) for value in row)) for name, *row in columns]


def white_rows(seed: int, runs: int) -> tuple[Quality, ...]:
    """White noise, 1 to 3 px, 20 to 200 points (goals: 1/r 1.15; angle 1.3 at 20, 1.1 from 60; Schneider 1.1)."""
    rows = []
    for name, parts in SHAPES.items():
        for count in (20, 60, 200):
            for px in (1.0, 2.0, 3.0):
                rng = np.random.default_rng([seed, count, int(px)])
                points, sigma = points_of(parts, count), px * PX_MM
                found = fit_many(points + rng.normal(0.0, sigma, (runs, count, 2)), tail=len(parts) > 2)
                rows += quality(f"{name}, {count} points, {px:g} px", found, parts, bound(parts, count, sigma), sigma)
    return tuple(rows)


def outlier_rows(seed: int, runs: int) -> tuple[Quality, ...]:
    """5 % of the points with 8 times the noise, robust fit (goals, of the bound without them: 1/r 1.25, angle 1.5).

    Where the last point is one of them, it ends the canal in the wrong place, which no estimate can undo: the ratios of
    Schneider's angle and of the length show it. The length has no row: its end points' own errors are of two kinds.
    """
    rows = []
    for name, parts in SHAPES.items():
        for count in (20, 60, 200):
            rng = np.random.default_rng([seed, count, 77])
            sigma = 2.0 * PX_MM
            scale = np.where(rng.random((runs, count, 1)) < OUTLIER_SHARE, OUTLIER_TIMES, 1.0)
            noisy = points_of(parts, count) + rng.normal(0.0, sigma, (runs, count, 2)) * scale
            found = fit_many(noisy, tail=len(parts) > 2, robust=True)
            rows += quality(f"{name}, {count} points, 2 px", found, parts, bound(parts, count, sigma), sigma)[:3]
    return tuple(rows)


def correlated_rows(seed: int, runs: int) -> tuple[Quality, ...]:
    """Errors across of a moving average over 0.5 and 1.5 mm, a triangular correlation with that integral length, on 240 points
    of 1 px. The ratios are to the white bound, which such errors cannot reach.
    """
    rows = []
    for name, parts in SHAPES.items():
        for reach in (0.5, 1.5):
            rng = np.random.default_rng([seed, int(10.0 * reach), 78])
            count, sigma = 240, PX_MM
            points = points_of(parts, count)
            total = sum(length for length, _ in parts)
            width = round(reach / (total / (count - 1)))
            white = rng.normal(0.0, sigma, (runs, count + width - 1)) * np.sqrt(1.0 / width)
            summed = np.cumsum(np.pad(white, ((0, 0), (1, 0))), axis=1)
            error = summed[:, width:] - summed[:, :-width]
            step = np.gradient(points, axis=0)
            normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(step[:, 0], step[:, 1])[:, None]
            found = fit_many(points + error[..., None] * normal, tail=len(parts) > 2, noise=Noise(sigma, reach))
            rows += quality(f"{name}, {reach:g} mm", found, parts, bound(parts, count, sigma), 0.0)
    return tuple(rows)


def s_rows(seed: int, runs: int) -> tuple[Quality, ...]:
    """S-shape of R 6 mm, then 5 mm the other way, fitted as line-arc-line-arc: curvature and angle of the first bend."""
    rows = []
    for count in (20, 60, 200):
        for px in (1.0, 2.0):
            rng = np.random.default_rng([seed, count, int(px), 79])
            sigma = px * PX_MM
            noisy = points_of(S_SHAPE, count) + rng.normal(0.0, sigma, (runs, count, 2))
            fits = fit_paths(noisy, (2, False))
            bend, begin, end = fits.theta[:, 2], fits.theta[:, 4], fits.theta[:, 5]
            # The angle is the curvature times the run: its gradient by hand.
            gradient = np.stack([end - begin, -bend, bend], axis=1)
            part = fits.covariance[:, [2, 4, 5]][:, :, [2, 4, 5]]
            stds = (np.sqrt(part[:, 0, 0]), np.degrees(np.sqrt(np.einsum("kp,kpq,kq->k", gradient, part, gradient))))
            truth, limit = angles(*truth_of(S_SHAPE)), bound(S_SHAPE, count, sigma)
            for k, (values, std) in enumerate(zip((bend, np.degrees(bend * (end - begin))), stds, strict=True)):
                errors = values - truth[k]
                seen = float(np.sqrt(np.mean(errors**2)))
                held = float(np.mean(np.abs(errors) <= NORMAL_95 * std))
                cell = f"S-shape, {count} points, {px:g} px"
                rows.append(
                    Quality(
                        cell, QUANTITIES[k], seen / limit[k], float(errors.mean()), held, float(np.mean(std)) / seen
                    )
                )
    return tuple(rows)


@frozen
class FormRow:
    """Canals of one form: share of the runs in which the evidence chose each form, and how far the model chosen is off
    (median root mean square distance over the noise; 1 when only noise is left).
    """

    form: str
    points: int
    chosen: tuple[tuple[str, float], ...]
    misfit: float


def form_rows(seed: int, runs: int) -> tuple[FormRow, ...]:
    """Form that the evidence chooses at 2 px, noise stated: straight (I), bent apically (J), all along (C), twice (S)."""
    shapes: dict[str, list[Part]] = {
        "I": [(12.0, 0.0)],
        "J": SHAPES["B: R 5 mm, 60 deg, tail 1.5 mm"],
        "C": [(1.5, 0.0), (10.0, 1.0 / 15.0)],
        "S": S_SHAPE,
    }
    rows = []
    for count in (20, 60):
        for form, parts in shapes.items():
            rng = np.random.default_rng([seed, count, ord(form)])
            noisy = points_of(parts, count) + rng.normal(0.0, 2.0 * PX_MM, (runs, count, 2))
            models = [fit_canal(path, noise=Noise(2.0 * PX_MM)) for path in noisy]
            chosen = [canal_form(model) for model in models]
            shares = tuple((other, chosen.count(other) / runs) for other in shapes)
            misfit = float(np.median([model.misfit_mm for model in models])) / (2.0 * PX_MM)
            rows.append(FormRow(form, count, shares, misfit))
    return tuple(rows)


def free_form(t: Float64, shape: str) -> Float64:
    """Curves that are no line-arc: (row, col) mm."""
    if shape == "raised cosine":  # 40 degrees whose curvature rises and falls
        heading_rad = radians(40.0) * np.clip((t - 0.4) / 0.5, 0.0, 1.0)
        heading_rad -= radians(40.0) / (2.0 * np.pi) * np.sin(2.0 * np.pi * np.clip((t - 0.4) / 0.5, 0.0, 1.0))
    elif shape == "spiral":  # curvature grows towards the apex
        heading_rad = radians(60.0) * t**3
    else:  # a wave
        heading_rad = radians(18.0) * np.sin(2.5 * np.pi * t)
    step = 12.0 * np.exp(1j * heading_rad) * (t[1] - t[0])
    line = np.concatenate([[0.0], np.cumsum(0.5 * (step[1:] + step[:-1]))])
    return np.column_stack([line.real, line.imag])


@frozen
class ClicksRow:
    """Length of one canal from clicks of 2 px between exact ends, by one estimator, mm; `covered` and `width` as in `Quality`
    where it states an uncertainty, and the Cramer-Rao bound where the canal is of straight and circular parts.
    """

    cell: str
    clicks: int
    estimator: str
    rmse_mm: float
    bias_mm: float
    bound_mm: float | None
    covered: float | None = None
    width: float | None = None


def spline_peer_mm(clicks: Float64) -> float:
    """scipy's smoothing spline by generalised cross-validation over the chord length; the ends weigh as in the library."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(clicks, axis=0).T))])
    weights = np.ones(len(clicks))
    weights[[0, -1]] = 25.0
    line = make_smoothing_spline(along, clicks, w=weights)(np.linspace(0.0, along[-1], 600))
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def clicks_rows(seed: int, runs: int, counts: tuple[int, ...] = (6, 10, 25)) -> tuple[ClicksRow, ...]:
    """The library's length by clicks beside the polyline, scipy's smoothing spline and the line-arc model of `fit_canal`.

    Goals .024 and .015 mm at 10 and 25 clicks, bias .005. With clicked ends an error of sqrt(2) times 0.05 mm comes on top.
    """
    fine = np.linspace(0.0, 1.0, 2401)
    straight_and_round = {**SHAPES, "S-shape": S_SHAPE}
    curves = {name: points_of(parts, 2401) for name, parts in straight_and_round.items()}
    curves |= {name: free_form(fine, name) for name in ("raised cosine", "spiral", "wave")}
    rows = []
    sigma = 2.0 * PX_MM
    for name, curve in curves.items():
        truth = float(np.hypot(*np.diff(curve, axis=0).T).sum())
        parts = straight_and_round.get(name)
        for count in counts:
            rng = np.random.default_rng([seed, count, 80])
            noise = rng.normal(0.0, sigma, (runs, count, 2))
            noise[:, [0, -1]] = 0.0
            paths = curve[np.linspace(0, 2400, count).round().astype(int)] + noise
            found = [clicks_length(path, click_std_mm=sigma) for path in paths]
            lengths = {
                "clicks_length": [f.length_mm for f in found],
                "line-arc (fit_canal)": [fit_canal(path, noise=Noise(sigma)).length_mm for path in paths],
                "polyline": [float(np.hypot(*np.diff(path, axis=0).T).sum()) for path in paths],
                "scipy make_smoothing_spline": [spline_peer_mm(path) for path in paths],
            }
            stds = np.array([f.path_std_mm for f in found])
            limit = length_bound(parts, count, sigma) if parts else None
            for estimator, values in lengths.items():
                errors = np.array(values) - truth
                seen = float(np.sqrt(np.mean(errors**2)))
                row = ClicksRow(name, count, estimator, seen, float(errors.mean()), limit)
                if estimator == "clicks_length":
                    held = float(np.mean(np.abs(errors) <= NORMAL_95 * stds))
                    row = evolve(row, covered=held, width=float(stds.mean()) / seen)
                rows.append(row)
    return tuple(rows)


@frozen
class BatchRow:
    """Traces a second of 10,000 paths of 128 points in this process and hour, and the largest differences of single results:
    of curvature (1/mm), angle, Schneider's angle (degrees) and length (mm). `against` names what the other results are of.
    """

    what: str
    per_second: float
    against: str = ""
    apart: tuple[float, ...] = ()


def batch_paths(seed: int, count: int = 10_000) -> Float64:
    """Line-arc-lines of 15 to 70 degrees and radii of 4 to 10 mm, 128 points of 1 px."""
    rng = np.random.default_rng([seed, 81])
    paths = np.empty((count, 128, 2))
    for path in paths:
        turn, radius = radians(rng.uniform(15.0, 70.0)), rng.uniform(4.0, 10.0)
        path[:] = points_of(
            [(rng.uniform(3.0, 7.0), 0.0), (radius * turn, 1.0 / radius), (rng.uniform(0.5, 3.0), 0.0)], 128
        )
    return paths + rng.normal(0.0, PX_MM, paths.shape)


def batch_rows(seed: int, runs: int) -> tuple[BatchRow, ...]:
    """Speed of the batch beside the single fit and scipy's solver, and how equal they are (goals 7,000; compiled 100,000)."""
    paths = batch_paths(seed)
    some = min(300, 3 * runs)
    rows = []

    def timed(call: Callable[[], object], traces: int) -> tuple[float, object]:
        begin = time.perf_counter()
        result = call()
        return traces / (time.perf_counter() - begin), result

    def four(found: BendEstimates) -> Float64:
        return np.stack([found.curvature_per_mm, found.angle_deg, found.schneider_deg, found.length_mm], axis=1)

    rate, found = timed(lambda: fit_many(paths), len(paths))
    many = four(found)
    rate_single, models = timed(lambda: [fit_line_arc(path) for path in paths[:some]], some)
    single = np.array([[float(m.curvatures_per_mm[0]), pruett_deg(m), schneider_deg(m), m.length_mm] for m in models])
    rows.append(BatchRow("fit_many, numpy", rate, "single fits", tuple(np.abs(many[:some] - single).max(axis=0))))
    rows.append(BatchRow("fit_line_arc, one by one", rate_single))
    try:
        begin = time.perf_counter()
        fit_many(paths[:10], compiled=True)
        print(f"  numba: {time.perf_counter() - begin:.1f} s to compile or to load from the cache")
        best: tuple[float, object] = (0.0, None)
        for _ in range(5):
            best = max(best, timed(lambda: fit_many(paths, compiled=True), len(paths)), key=lambda pair: pair[0])
        apart = np.abs(four(best[1]) - many).max(axis=0)
        rows.append(BatchRow("fit_many, compiled, best of 5", best[0], "fit_many, numpy", tuple(apart)))
    except MeasureError as missing:
        print(f"  no row of the compiled fit: {missing}")
    start = np.array([0.0, 0.0, 0.15, 5.0, 9.0])
    rate_peer, solved = timed(
        lambda: [
            least_squares(
                _peer_residual, start, args=(path,), x_scale=[0.1, 0.1, 0.1, 1.0, 1.0], xtol=1e-12, ftol=1e-12
            )
            for path in paths[:some] - paths[:some, :1]
        ],
        some,
    )
    # scipy from one start may end in another minimum, and the library averages the end of the arc where the tail is nearly
    # lost: the others are the same least squares.
    theta = np.array([solution.x for solution in solved])
    apart = np.abs(many[:some, 0] - theta[:, 2])
    rows.append(BatchRow("scipy least_squares, one start", rate_peer, "fit_many", (float(np.median(apart)),)))
    return tuple(rows)


def _peer_residual(theta: Float64, path: Float64) -> Float64:
    """Distances along the normals of the line-arc-line model, for the peer's solver."""
    heading_rad, offset, curvature, begin, end = theta
    direction = complex(cos(heading_rad), sin(heading_rad))
    local = (path[:, 0] + 1j * path[:, 1]) * direction.conjugate() - 1j * offset - begin
    bend = curvature if abs(curvature) > 1e-9 else 1e-9
    centre = 1j / bend
    on_arc = np.sign(bend) * (abs(1.0 / bend) - np.abs(local - centre))
    turned = np.exp(1j * bend * (end - begin))
    tail = (local - centre * (1.0 - turned)) * turned.conjugate()
    return np.asarray(np.where(local.real < 0.0, local.imag, np.where(tail.real > 0.0, tail.imag, on_arc)), np.float64)


@frozen
class ObserverRow:
    """Simulated observers on a stated population: ICC(2,1) of a quantity with its interval, and the within-subject SD."""

    population: str
    quantity: str
    click_px: float
    subjects: int
    observers: int
    clicks: int
    icc: float
    icc_interval: tuple[float, float]
    within_std: float


def observed_canals(rng: np.random.Generator, which: int, subjects: int, clicks: int) -> Float64:
    """Canals of 6 mm, an arc of R 5 to 9 mm, and 1.5 mm: Schneider's angle of 23 degrees with an SD of 10 (published for
    mesiobuccal roots: 22.8, SD 9.8), or the arc's own turn of 35 degrees with an SD of 10; neither below 5.
    """
    canals = []
    for _ in range(subjects):
        wanted, radius = max(rng.normal((23.0, 35.0)[which], 10.0), 5.0), rng.uniform(5.0, 9.0)

        def parts(turn_deg: float, radius: float = radius) -> list[Part]:
            return [(6.0, 0.0), (radius * radians(turn_deg), 1.0 / radius), (1.5, 0.0)]

        turns = np.linspace(3.0, 120.0, 400)
        seen = [angles(*truth_of(parts(turn)))[2 - which] for turn in turns] if which == 0 else turns
        canals.append(points_of(parts(float(np.interp(wanted, seen, turns))), clicks))
    return np.array(canals)


def observer_rows(seed: int, runs: int) -> tuple[ObserverRow, ...]:
    """4 observers who click each canal 25 times on their own, 2 and 3 px in both directions, ends included; as many canals as
    runs, at most 200 (goal for the angle .98). The ICC is that of its population: of more alike canals it would be lower.
    """
    subjects, observers, clicks = min(runs, 200), 4, 25
    rows = []
    for which, population in enumerate(("Schneider 23, SD 10 deg", "arc 35, SD 10 deg")):
        rng = np.random.default_rng([seed, which, 82])
        canals = observed_canals(rng, which, subjects, clicks)
        for px in (2.0, 3.0):
            sigma = px * PX_MM
            clicked = canals + rng.normal(0.0, sigma, (observers, subjects, clicks, 2))
            found = [fit_many(one, noise=Noise(sigma)) for one in clicked]
            lengths = [[clicks_length(path, click_std_mm=sigma).length_mm for path in one] for one in clicked]
            tables = {
                "Schneider, deg": np.stack([f.schneider_deg for f in found], axis=1),
                "arc angle, deg": np.stack([f.angle_deg for f in found], axis=1),
                "1/r, 1/mm": np.stack([f.curvature_per_mm for f in found], axis=1),
                "length, mm": np.array(lengths).T,
            }
            for quantity, table in tables.items():
                icc, within = correlations(table)["ICC(2,1)"], within_readings(table.tolist()).std
                counts = (subjects, observers, clicks)
                rows.append(ObserverRow(population, quantity, px, *counts, icc.value, icc.interval, within))
    return tuple(rows)


# --- in words --------------------------------------------------------------------------------------------------------


def print_quality(rows: tuple[Quality, ...]) -> None:
    print(f"{'':<58}{'':>10} ratio      bias   95 % holds  width")
    for row in rows:
        print(
            f"{row.cell:<58}{row.quantity:>10}{row.ratio:6.2f}{row.bias:10.4f}{100.0 * row.covered:10.1f} %{row.width:8.2f}"
        )


def print_forms(rows: tuple[FormRow, ...]) -> None:
    for row in rows:
        shares = ", ".join(f"{form} {100.0 * share:5.1f} %" for form, share in row.chosen)
        print(f"  {row.form}, {row.points} points: chosen {shares}; misfit {row.misfit:.2f} of the noise")


def print_clicks(rows: tuple[ClicksRow, ...]) -> None:
    for row in rows:
        limit = "" if row.bound_mm is None else f" bound {row.bound_mm:.4f}"
        held = "" if row.covered is None else f" 95 % holds {100.0 * row.covered:.1f} % width {row.width:.2f}"
        print(
            f"  {row.cell:<32}{row.clicks:3d} {row.estimator:<28}{row.rmse_mm:7.4f} ({row.bias_mm:+.4f}){limit}{held}"
        )


def print_batch(rows: tuple[BatchRow, ...]) -> None:
    for row in rows:
        apart = ", ".join(f"{value:.1e}" for value in row.apart)
        print(
            f"  {row.what:<34}{row.per_second:10,.0f} traces/s" + (f"; off {row.against} by {apart}" if apart else "")
        )


def print_observers(rows: tuple[ObserverRow, ...]) -> None:
    for row in rows:
        low, high = row.icc_interval
        print(
            f"  {row.population:<24}{row.quantity:<16}{row.click_px:g} px, {row.subjects} canals: "
            f"ICC(2,1) {row.icc:.4f} ({low:.4f} to {high:.4f}), within-subject SD {row.within_std:.4f}"
        )


TABLES: dict[str, tuple[Callable[[int, int], tuple[object, ...]], Callable[..., None]]] = {
    "white": (white_rows, print_quality),
    "outliers": (outlier_rows, print_quality),
    "correlated": (correlated_rows, print_quality),
    "s": (s_rows, print_quality),
    "forms": (form_rows, print_forms),
    "clicks": (clicks_rows, print_clicks),
    "observers": (observer_rows, print_observers),
    "batch": (batch_rows, print_batch),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--runs", type=int, default=600)
    parser.add_argument("--only", nargs="*", choices=sorted(TABLES), default=list(TABLES))
    options = parser.parse_args()
    held_out = "held out" if options.seed >= FIRST_HELD_OUT else "development"
    print(f"seed {options.seed} ({held_out})")
    for name in options.only:
        rows, words = TABLES[name]
        print(f"\n{rows.__doc__.strip()}\n{options.runs} runs each")
        words(rows(options.seed, options.runs))


if __name__ == "__main__":
    main()
