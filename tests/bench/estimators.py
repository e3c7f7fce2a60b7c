"""Bench of the estimators: errors over the Cramer-Rao bound, coverage of the intervals, lengths from clicks, batch speed.

    python3 tests/bench/estimators.py [--seed N] [--runs N] [--only NAME ...]

The bound is computed here from drawn curves, without any code of the library: white noise across a curve gives the Fisher
information of how far each drawn point moves across it with each parameter. Along the curve only the last point counts, which
ends the canal. Seeds below 5000 are for development; the figures quoted elsewhere are of seeds from 5000 up.
"""

from __future__ import annotations

import argparse
import time
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from wlmeasure.measure.batch import BendEstimates, fit_many
from wlmeasure.measure.curvature import canal_form, fit_canal, pruett_deg, schneider_deg
from wlmeasure.measure.line_arc import NORMAL_95, Noise, fit_line_arc
from wlmeasure.measure.lockstep import fit_paths

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
    """Cramer-Rao bound (standard deviations) of what `angles` gives, for `count` equally spaced points of noise `sigma`."""
    theta, curved, total = truth_of(parts)
    at = np.linspace(0.0, total, count)
    size = len(theta)
    step = 1e-6

    def move(j: int, by: float) -> Float64:
        moved = theta + by * (np.arange(size) == j)
        return drawn(parts_of(moved[2:], curved), at, float(moved[0]), float(moved[1]))

    fine = drawn(parts, at + step) - drawn(parts, at - step)
    tangent = fine / np.abs(fine)
    across = np.stack(
        [((move(j, step) - move(j, -step)) / (2.0 * step) * tangent.conjugate()).imag for j in range(size)], axis=1
    )
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
    return np.asarray(np.sqrt(np.einsum("qp,pr,qr->q", gradient, covariance, gradient)), np.float64)


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


# --- the tables ------------------------------------------------------------------------------------------------------


def row(name: str, found: BendEstimates, parts: list[Part], limit: Float64) -> None:
    """Errors over the bound and coverage of the 95 % intervals."""
    truth = angles(*truth_of(parts))
    values = np.stack([found.curvature_per_mm, found.angle_deg, found.schneider_deg], axis=1)
    stds = np.stack([found.curvature_std_per_mm, found.angle_std_deg, found.schneider_std_deg], axis=1)
    errors = values - truth
    ratio = np.sqrt(np.mean(errors**2, axis=0)) / limit
    cover = 100.0 * np.mean(np.abs(errors) <= NORMAL_95 * stds, axis=0)
    print(
        f"{name:<58}"
        + "".join(f"{r:6.2f}" for r in ratio)
        + f"{errors[:, 2].mean():9.3f}"
        + "".join(f"{c:8.1f}" for c in cover)
    )


def heading(title: str) -> None:
    print(f"\n{title}")
    print(f"{'':<58} curv angle  Schn   bias/deg   95 % holds: curv, angle, Schneider")


def bounds_table(seed: int, runs: int) -> None:
    heading(f"White noise, RMSE over the bound, {runs} runs each (goals 1.15, 1.3 / 1.1, 1.1; bias 0.3; 93-97 %)")
    for name, parts in SHAPES.items():
        for count in (20, 60, 200):
            for px in (1.0, 2.0, 3.0):
                rng = np.random.default_rng([seed, count, int(px)])
                points = points_of(parts, count)
                noisy = points + rng.normal(0.0, px * PX_MM, (runs, count, 2))
                found = fit_many(noisy, tail=len(parts) > 2)
                row(f"{name}, {count} points, {px:g} px", found, parts, bound(parts, count, px * PX_MM))


def outliers_table(seed: int, runs: int) -> None:
    heading(f"5 % of the points with 8 times the noise, robust fit, {runs} runs each (goals 1.25, 1.5)")
    for name, parts in SHAPES.items():
        for count in (20, 60, 200):
            rng = np.random.default_rng([seed, count, 77])
            sigma = 2.0 * PX_MM
            scale = np.where(rng.random((runs, count, 1)) < OUTLIER_SHARE, OUTLIER_TIMES, 1.0)
            noisy = points_of(parts, count) + rng.normal(0.0, sigma, (runs, count, 2)) * scale
            found = fit_many(noisy, tail=len(parts) > 2, robust=True)
            row(f"{name}, {count} points, 2 px", found, parts, bound(parts, count, sigma))


def correlated_table(seed: int, runs: int) -> None:
    """Errors of a moving average over `reach` mm, a triangular correlation whose integral length is `reach`."""
    heading(
        f"Errors that go together over 0.5 and 1.5 mm, 240 points of 1 px, {runs} runs each (ratio: to the white bound)"
    )
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
            row(f"{name}, {reach:g} mm", found, parts, bound(parts, count, sigma))


def s_table(seed: int, runs: int) -> None:
    print(f"\nS-shape (R 6 mm then 5 mm), line-arc-line-arc, {runs} runs each: RMSE over the bound")
    print(f"{'':<58} curv angle   95 % holds: curvature")
    for count in (20, 60, 200):
        for px in (1.0, 2.0):
            rng = np.random.default_rng([seed, count, int(px), 79])
            sigma = px * PX_MM
            noisy = points_of(S_SHAPE, count) + rng.normal(0.0, sigma, (runs, count, 2))
            fits = fit_paths(noisy, (2, False))
            curvature = fits.theta[:, 2]
            angle = np.degrees(curvature * (fits.theta[:, 5] - fits.theta[:, 4]))
            truth, limit = angles(*truth_of(S_SHAPE)), bound(S_SHAPE, count, sigma)
            rmse = [np.sqrt(np.mean((curvature - truth[0]) ** 2)), np.sqrt(np.mean((angle - truth[1]) ** 2))]
            held = np.abs(curvature - truth[0]) <= NORMAL_95 * np.sqrt(fits.covariance[:, 2, 2])
            print(
                f"{f'{count} points, {px:g} px':<58}{rmse[0] / limit[0]:6.2f}{rmse[1] / limit[1]:6.2f}"
                f"{100.0 * held.mean():8.1f}"
            )


def forms_table(seed: int, runs: int) -> None:
    """Which form the evidence chooses: straight (I), bent apically (J), bent along its length (C), two bends (S)."""
    shapes: dict[str, list[Part]] = {
        "I": [(12.0, 0.0)],
        "J": SHAPES["B: R 5 mm, 60 deg, tail 1.5 mm"],
        "C": [(1.5, 0.0), (10.0, 1.0 / 15.0)],
        "S": S_SHAPE,
    }
    print(f"\nForm chosen by the evidence, share of {runs} runs that are right (2 px; noise stated)")
    for count in (20, 60):
        shares = []
        for form, parts in shapes.items():
            rng = np.random.default_rng([seed, count, ord(form)])
            points = points_of(parts, count)
            noisy = points + rng.normal(0.0, 2.0 * PX_MM, (runs, count, 2))
            right = [canal_form(fit_canal(path, noise=Noise(2.0 * PX_MM))) == form for path in noisy]
            shares.append(f"{form} {100.0 * np.mean(right):5.1f} %")
        print(f"  {count} points: " + ", ".join(shares))


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


def clicks_table(seed: int, runs: int) -> None:
    """Length from clicks of 2 px, the two ends exact, of the model that the evidence chooses."""
    print(f"\nLength from clicks, 2 px, end clicks exact, {runs} runs each: RMSE and bias in mm (goals .024 / .015)")
    fine = np.linspace(0.0, 1.0, 2401)
    curves = {name: points_of(parts, 2401) for name, parts in {**SHAPES, "S-shape": S_SHAPE}.items()}
    curves |= {name: free_form(fine, name) for name in ("raised cosine", "spiral", "wave")}
    for name, curve in curves.items():
        truth = float(np.hypot(*np.diff(curve, axis=0).T).sum())
        cells = []
        for count in (10, 25):
            rng = np.random.default_rng([seed, count, 80])
            clicks = curve[np.linspace(0, 2400, count).round().astype(int)]
            noise = rng.normal(0.0, 2.0 * PX_MM, (runs, count, 2))
            noise[:, [0, -1]] = 0.0
            model, polyline = [], []
            for path in clicks + noise:
                model.append(fit_canal(path, noise=Noise(2.0 * PX_MM)).length_mm - truth)
                polyline.append(float(np.hypot(*np.diff(path, axis=0).T).sum()) - truth)
            for errors in (model, polyline):
                cells.append(f"{np.sqrt(np.mean(np.square(errors))):6.3f} ({np.mean(errors):+.3f})")
        parts = {**SHAPES, "S-shape": S_SHAPE}.get(name)
        limits = [f"{length_bound(parts, n, 2.0 * PX_MM):.3f}" for n in (10, 25)] if parts else ["", ""]
        cells[0::2] = [f"{cell} bound {limit:<5}" for cell, limit in zip(cells[0::2], limits, strict=True)]
        print(f"  {name:<34} 10 clicks {cells[0]}, polyline {cells[1]}; 25 clicks {cells[2]}, polyline {cells[3]}")


def batch_table(seed: int, runs: int) -> None:
    """Speed of the batch on 10,000 paths of 128 points beside the single fit and scipy's solver, and how equal they are."""
    rng = np.random.default_rng([seed, 81])
    paths = np.empty((10_000, 128, 2))
    for path in paths:
        turn, radius = radians(rng.uniform(15.0, 70.0)), rng.uniform(4.0, 10.0)
        path[:] = points_of(
            [(rng.uniform(3.0, 7.0), 0.0), (radius * turn, 1.0 / radius), (rng.uniform(0.5, 3.0), 0.0)], 128
        )
    paths += rng.normal(0.0, PX_MM, paths.shape)
    begin = time.perf_counter()
    found = fit_many(paths)
    batch = len(paths) / (time.perf_counter() - begin)
    some = min(300, 3 * runs)
    begin = time.perf_counter()
    models = [fit_line_arc(path) for path in paths[:some]]
    single = some / (time.perf_counter() - begin)
    begin = time.perf_counter()
    for path in paths[:20]:
        least_squares(
            _peer_residual, np.array([0.0, 0.0, 0.15, 5.0, 9.0]), args=(path,), x_scale=[0.1, 0.1, 0.1, 1.0, 1.0]
        )
    peer = 20 / (time.perf_counter() - begin)
    singles = np.array([[float(m.curvatures_per_mm[0]), pruett_deg(m), schneider_deg(m), m.length_mm] for m in models])
    many = np.stack([found.curvature_per_mm, found.angle_deg, found.schneider_deg, found.length_mm], axis=1)[:some]
    apart = np.abs(many - singles).max(axis=0)
    print(f"\nBatch, 10,000 paths of 128 points, 1 px: {batch:,.0f} traces/s (goal 7,000)")
    print(f"  one by one {single:,.0f} traces/s; scipy's solver from one start {peer:,.0f} traces/s")
    print(
        f"  batch against single fit, largest of {some}: curvature {apart[0]:.1e} /mm, angle {apart[1]:.1e} deg, "
        f"Schneider {apart[2]:.1e} deg, length {apart[3]:.1e} mm"
    )


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


TABLES = {
    "bounds": bounds_table,
    "outliers": outliers_table,
    "correlated": correlated_table,
    "s": s_table,
    "forms": forms_table,
    "clicks": clicks_table,
    "batch": batch_table,
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
        TABLES[name](options.seed, options.runs)


if __name__ == "__main__":
    main()
