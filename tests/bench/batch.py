"""100,000 traces through `wlmeasure batch`, beside a plain loop over scipy, trace by trace, in the same run.

    python tests/bench/batch.py [--traces N] [--naive N] [--rounds N]

One process of ours, from Parquet and from JSON, and the numeric part alone on arrays in memory; wall time, processor time (of
all threads) and peak memory over a run of one trace. The loop does what a script would that gives the same answers: a
smoothing spline for the length, a circle (Taubin 1991) for the curvature to begin with, the line-arc-line model by
`scipy.optimize.least_squares` from three places of the arc (from one, every fifth trace ends more than a degree away), and the
model without a straight end, between which the same criterion decides. It runs on a part of the traces, before and after each
of ours, and counts by the trace. Ratios count: absolute times are the machine's.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import splev, splprep
from scipy.optimize import least_squares

from wlmeasure.measure.batch import share_processors
from wlmeasure.measure.many import measure_many
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale
from wlmeasure.study.path_lines import write_lines
from wlmeasure.study.path_parquet import write_parquet

Float64 = NDArray[np.float64]

POINTS, PIXEL_MM, NOISE_PX, PER_FILM = 100, 0.02, 1.0, 50
GOALS = {"numbers": ">= 80", "Parquet": ">= 80", "JSON": ">= 40"}


def paths(count: int, seed: int = 20261127) -> Iterator[Float64]:
    """Canals of line, arc, line: 15 to 70 degrees on radii of 4 to 10 mm; every point off by a pixel. Pixels (POINTS, 2)."""
    rng = np.random.default_rng(seed)
    at = np.linspace(0.0, 1.0, POINTS)
    for _ in range(count):
        first, tail, radius = rng.uniform(3.0, 7.0), rng.uniform(0.1, 3.0), rng.uniform(4.0, 10.0)
        arc, bend = radius * np.radians(rng.uniform(15.0, 70.0)), rng.choice([-1.0, 1.0]) / radius
        s = at * (first + arc + tail)
        u = np.clip(s - first, 0.0, arc)
        line = np.minimum(s, first) + (np.sin(bend * u) + 1j * (1.0 - np.cos(bend * u))) / bend
        line = (line + np.maximum(s - first - arc, 0.0) * np.exp(1j * bend * arc)) * np.exp(1j * rng.uniform(-0.3, 0.3))
        yield (
            np.column_stack([line.real, line.imag]) / PIXEL_MM + [100.0, 500.0] + rng.normal(0.0, NOISE_PX, (POINTS, 2))
        )


def features(count: int) -> Iterator[PathFeature]:
    for k, path in enumerate(paths(count)):
        film = f"film {k // PER_FILM}"
        yield PathFeature(
            path_px=np.round(path, 3), id=f"c{k}", image=film, calibration=film, tooth="46", canal="MB", annotator="A"
        )


def head(count: int) -> Head:
    films = [f"film {k}" for k in range((count + PER_FILM - 1) // PER_FILM)]
    return Head(
        images=tuple(PathImage(id=film, rows=1500, cols=1000) for film in films),
        calibrations=tuple(
            PathScale(id=film, image=film, mm_per_px_row=PIXEL_MM, mm_per_px_col=PIXEL_MM, rel_std=0.01)
            for film in films
        ),
    )


def naive(path: Float64) -> tuple[float, float, float, float]:
    """Length, radius, angle and Schneider's angle of one trace in mm, as a script does it."""
    curve, _ = splprep(path.T, s=len(path) * (NOISE_PX * PIXEL_MM) ** 2)
    fine = np.array(splev(np.linspace(0.0, 1.0, 400), curve)).T
    length = float(np.hypot(*np.diff(fine, axis=0).T).sum())
    local = path - path[0]
    x, y = local.T
    heading = np.arctan2(y[10], x[10])
    centred = local[len(local) // 3 :] - local[len(local) // 3 :].mean(axis=0)
    square = (centred**2).sum(axis=1)
    _, _, axes = np.linalg.svd(np.column_stack([(square - square.mean()) / (2.0 * np.sqrt(square.mean())), centred]))
    a, b, c = axes[2]
    a /= 2.0 * np.sqrt(square.mean())
    radius = np.sqrt(max(b * b + c * c + 4.0 * a * a * square.mean(), 1e-12)) / max(2.0 * abs(a), 1e-9)
    sign = np.sign(np.cross(np.append(local[len(local) // 2], 0.0), np.append(local[-1], 0.0))[2]) or 1.0

    def off(theta: Float64) -> Float64:
        angle, offset, curvature, begin, end = theta
        u = np.cos(angle) * x + np.sin(angle) * y
        v = np.cos(angle) * y - np.sin(angle) * x - offset
        if abs(curvature) < 1e-9:
            return v
        out = np.where(u < begin, v, 0.0)
        radius = 1.0 / curvature
        turn = curvature * (end - begin)
        end_u, end_v = begin + np.sin(turn) * radius, (1.0 - np.cos(turn)) * radius
        past = np.cos(turn) * (u - end_u) + np.sin(turn) * (v - end_v)
        arc = (u >= begin) & (past < 0.0)
        out = np.where(arc, np.sign(curvature) * (abs(radius) - np.hypot(u - begin, v - radius)), out)
        return np.where((u >= begin) & ~arc, np.cos(turn) * (v - end_v) - np.sin(turn) * (u - end_u), out)

    begin = [heading, 0.0, sign / np.clip(radius, 2.0, 30.0)]
    size = [0.1, 0.1, 0.1, 1.0, 1.0]
    tries = [
        least_squares(off, np.array([*begin, low * length, high * length]), x_scale=size)
        for low, high in ((0.25, 0.6), (0.4, 0.85), (0.55, 0.97))
    ]
    tailed = min(tries, key=lambda one: one.cost)
    ending = least_squares(lambda t: off(np.append(t, length)), tailed.x[:4], x_scale=size[:4])
    n = len(path)
    with_tail = n * np.log(tailed.cost / n + 1e-8) + 5.0 * np.log(n)
    found = (
        tailed.x if with_tail < n * np.log(ending.cost / n + 1e-8) + 4.0 * np.log(n) else np.append(ending.x, length)
    )
    turn = found[2] * (found[4] - found[3])
    rest = max(length - found[4], 0.0)
    u, v = np.sin(turn) / found[2] + rest * np.cos(turn), (1.0 - np.cos(turn)) / found[2] + rest * np.sin(turn)
    return length, 1.0 / abs(found[2]), float(np.degrees(abs(turn))), float(np.degrees(abs(np.arctan2(v, u))))


def loop(some: list[Float64]) -> tuple[float, float]:
    """Wall and processor seconds a trace of the plain loop."""
    wall, busy = time.perf_counter(), time.process_time()
    for path in some:
        naive(path)
    return (time.perf_counter() - wall) / len(some), (time.process_time() - busy) / len(some)


def process(arguments: list[str]) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak MiB of one `wlmeasure batch`."""
    begin = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "wlmeasure.cli", "batch", *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        sys.exit(f"batch {' '.join(arguments)} failed")
    return time.perf_counter() - begin, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0


def show(what: str, rate: float, wall: list[float], busy: list[float], note: str) -> None:
    print(
        f"{what:<28} {rate:>9.0f} traces/s   loop over ours: wall {median(wall):6.1f} [{min(wall):.1f} to {max(wall):.1f}], "
        f"processor {median(busy):6.1f} [{min(busy):.1f} to {max(busy):.1f}]   {note}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Batch beside a plain loop over scipy.")
    parser.add_argument("--traces", type=int, default=100_000)
    parser.add_argument("--naive", type=int, default=150, help="traces of the loop, before and after each of ours")
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    some = [path * PIXEL_MM for path in paths(given.naive)]
    ours = measure_many(some, compiled=True)
    theirs = np.array([naive(path) for path in some])
    apart = np.abs(ours.of["arc_deg"] - theirs[:, 2])
    print(
        f"{given.traces} traces of {POINTS} points; angle of ours and of the loop apart: median {np.median(apart):.4f} deg"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines, table, one = folder / "p.wlpaths.jsonl", folder / "p.parquet", folder / "one.wlpaths.jsonl"
        with lines.open("wb") as file:
            write_lines(file, head(given.traces), features(given.traces), one_object=False)
        write_parquet(table, head(given.traces), features(given.traces))
        with one.open("wb") as file:
            write_lines(file, head(1), features(1), one_object=False)
        start = {"JSON": process([str(one), "--out", str(folder / "o.csv")])[2]}
        write_parquet(folder / "one.parquet", head(1), features(1))
        start["Parquet"] = process([str(folder / "one.parquet"), "--out", str(folder / "o.csv")])[2]
        share_processors(1)
        many = [path * PIXEL_MM for path in paths(min(given.traces, 32_768))]

        def numbers() -> tuple[float, float]:
            wall, busy = time.perf_counter(), time.process_time()
            for first in range(0, len(many), 8192):
                measure_many(many[first : first + 8192], compiled=True)
            return (time.perf_counter() - wall) / len(many), (time.process_time() - busy) / len(many)

        walls, busies, rate = [], [], []
        before = loop(some)
        for _ in range(given.rounds):
            mine = numbers()
            after = loop(some)
            walls.append(0.5 * (before[0] + after[0]) / mine[0])
            busies.append(0.5 * (before[1] + after[1]) / mine[1])
            rate.append(1.0 / mine[0])
            before = after
        show("numbers", median(rate), walls, busies, f"goal {GOALS['numbers']}")
        for what, path in (("Parquet", table), ("JSON", lines)):
            walls, busies, rate, peak = [], [], [], 0.0
            for k in range(given.rounds):
                wall, busy, used = process([str(path), "--out", str(folder / f"{what}{k}.csv")])
                after = loop(some)
                walls.append(0.5 * (before[0] + after[0]) * given.traces / wall)
                busies.append(0.5 * (before[1] + after[1]) * given.traces / busy)
                rate.append(given.traces / wall)
                peak = max(peak, used - start[what])
                before = after
            show(
                f"{what}, one process", median(rate), walls, busies, f"goal {GOALS[what]}; +{peak:.0f} MiB, goal <= 300"
            )


if __name__ == "__main__":
    main()
