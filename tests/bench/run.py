"""Benchmarks: our time and memory beside a named peer, in turn, in one run. Ratios count; absolute times are the machine's.

    python3 run.py bench [--runs N]

Prints one line a comparison: medians of both, the median of the pairwise ratios, its range, and the goal.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median

import cv2
import numpy as np
import two_view

from wlmeasure.image.reading import read
from wlmeasure.record.case import load_case
from wlmeasure.trace.path import minimal_path
from wlmeasure.trace.ridge import line_cost, line_strength, working_grid

ROOT = Path(__file__).resolve().parents[2]
CASE = ROOT / "sample_images" / "cases" / "curved_out_of_plane.wl.json"
PIXEL_MM = 0.02


def process(command: Sequence[str]) -> tuple[float, float]:
    """Wall seconds and peak MiB of one whole process."""
    # The output goes to a file: a pipe would have to be read while the clock runs.
    with tempfile.TemporaryFile() as sink:
        begin = time.perf_counter()
        child = subprocess.Popen(command, stdout=sink, stderr=subprocess.STDOUT)
        _, status, usage = os.wait4(child.pid, 0)
        wall = time.perf_counter() - begin
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode != 0:
            sink.seek(0)
            sys.exit(f"{' '.join(map(str, command))} failed: {sink.read().decode(errors='replace')}")
    return wall, usage.ru_maxrss / 1024.0


def show(what: str, ours: Sequence[float], peer: Sequence[float], unit: str, goal: str) -> None:
    """One line of the table."""
    ratios = sorted(a / b for a, b in zip(ours, peer, strict=True))
    print(
        f"{what:<58} {median(ours):9.3g} {median(peer):9.3g} {unit:<4} ratio {median(ratios):6.3g} "
        f"[{ratios[0]:.3g} to {ratios[-1]:.3g}]  goal {goal}"
    )


def compare_processes(
    what: str, ours: Sequence[str], peer: Sequence[str], runs: int, goals: tuple[str, str | None]
) -> None:
    """Wall time, and memory where it has a goal, of two commands run in turn after one warm-up each."""
    process(ours), process(peer)
    pairs = [(process(ours), process(peer)) for _ in range(runs)]
    show(f"{what}: wall", [a[0] * 1e3 for a, _ in pairs], [b[0] * 1e3 for _, b in pairs], "ms", goals[0])
    if goals[1] is not None:
        show(f"{what}: peak memory", [a[1] for a, _ in pairs], [b[1] for _, b in pairs], "MiB", goals[1])


def compare_calls(what: str, ours: Callable[[], object], peer: Callable[[], object], runs: int, goal: str) -> None:
    """Two calls in this process, in turn after one warm-up each."""

    def seconds(call: Callable[[], object]) -> float:
        begin = time.perf_counter()
        call()
        return time.perf_counter() - begin

    seconds(ours), seconds(peer)
    pairs = [(seconds(ours), seconds(peer)) for _ in range(runs)]
    show(what, [a * 1e3 for a, _ in pairs], [b * 1e3 for _, b in pairs], "ms", goal)


def path_query(runs: int) -> None:
    """Cost set-up and one path in a region of interest, against the ridge filter and the solver of scikit-image."""
    from skimage.filters import sato
    from skimage.graph import route_through_array

    case = load_case(CASE)
    density = read(case.film_path(case.films[0])).density()
    clicks = np.array(case.canals[0].traces[0].clicks_px)[[0, -1]]
    low = np.maximum(clicks.min(axis=0).astype(int) - 100, 0)
    high = np.minimum(clicks.max(axis=0).astype(int) + 100, density.shape)
    region = np.ascontiguousarray(density[low[0] : high[0], low[1] : high[1]])
    ends = clicks - low

    def ours() -> object:
        grid = working_grid(region, ends, (PIXEL_MM, PIXEL_MM))
        cost = line_cost(line_strength(grid)[1])
        return minimal_path(cost, [(int(r), int(c)) for r, c in grid.nearest_cells(ends)])

    def peer() -> object:
        ridge = sato(region, sigmas=(4, 6, 8), black_ridges=False)
        cost = 1.0 / (0.03 + ridge / ridge.max())
        return route_through_array(cost, ends[0].astype(int), ends[1].astype(int), geometric=True)

    size = f"{region.shape[0]} x {region.shape[1]}"
    compare_calls(f"path in a region of {size}, against sato + route_through_array", ours, peer, runs, "<= 0.10")


def batch_of_traces(runs: int) -> None:
    """One trace among 2,048 by every definition, against a loop over scipy; the whole comparison stands in batch.py."""
    from batch import PIXEL_MM, loop, paths

    from wlmeasure.measure.many import measure_many

    traces = [path * PIXEL_MM for path in paths(2048)]
    measure_many(traces, compiled=True)
    ours, peer = [], []
    for _ in range(runs):
        begin = time.perf_counter()
        measure_many(traces, compiled=True)
        ours.append((time.perf_counter() - begin) / len(traces) * 1e3)
        peer.append(loop(traces[:24])[0] * 1e3)
    show("one trace of a batch, against a loop over scipy", ours, peer, "ms", "<= 0.0125")


def main() -> None:
    parser = argparse.ArgumentParser(description="Benchmarks against named peers.")
    parser.add_argument("--runs", type=int, default=11, help="pairs of runs a comparison (%(default)s)")
    runs = parser.parse_args().runs
    here = Path(sys.executable).parent
    program = str(here / "wlmeasure")
    print(f"{'what':<58} {'ours':>9} {'peer':>9}")
    compare_processes("wlmeasure --help, against python -c pass", [program, "--help"],
                      [sys.executable, "-c", "pass"], runs, ("<= 3", None))  # fmt: skip
    compare_processes("wlmeasure measure, against minimal.py (numpy + cv2)", [program, "measure", str(CASE), "--json"],
                      [sys.executable, str(Path(__file__).with_name("minimal.py")), str(CASE)], runs,
                      ("<= 1.5", "<= 1.4"))  # fmt: skip
    case = load_case(CASE)
    film = case.film_path(case.films[0])
    data = np.frombuffer(film.read_bytes(), np.uint8)
    compare_calls("read one PNG, against cv2.imdecode of its bytes", lambda: read(film),
                  lambda: cv2.imdecode(data, cv2.IMREAD_UNCHANGED), runs, "<= 1.2")  # fmt: skip
    path_query(runs)
    batch_of_traces(runs)
    two_view.rows(runs)


if __name__ == "__main__":
    main()
