"""What a length's interval holds where clicks err by more than a pixel: stated, learned from repeats, or left at 1 px.

    python tests/bench/clicks.py [--first 35000] [--count 120] [--clicks 1 2 3] [--repeats 12] [--jobs 1]

Whole-tooth phantoms of all four levels in turn, the file's tip 0.25 mm short of the foramen. Every click is off by so many
pixels (standard deviation, in row and in column): stop, middle and tip of the file, reference point, orifice, middle and end.
All goes the way of a case, from clicks to the length. Truth is the phantom's length in three dimensions. The file's length is
read on a ruler of half millimetres (off by up to 0.25 mm, evenly), or known to 0.05 mm (one standard deviation, normal).

Stated: the case holds the true error of the clicks. Learned: what `wlmeasure observers` makes of so many repeats of ends by
the same hand, drawn anew for every film. Blind: the case says nothing, so that 1 px is reckoned with. Ideal: the exact
projections of all points on the same film, with the same known length; what is left is the known length and what one film
cannot show. Learned and blind take the paths of stated, on which scale and length are made anew.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # before numpy is imported
    os.environ.setdefault(name, "1")

import cv2
import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import RULER_STD_MM, calibrate_lines
from wlmeasure.errors import PhantomError, WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.length import measure_length
from wlmeasure.phantom import Phantom, make_phantom
from wlmeasure.record.case import Canal, Case, Clicks, KnownFile, Trace
from wlmeasure.record.edit import new_case, with_clicks
from wlmeasure.record.evaluate import TraceResult, evaluate
from wlmeasure.study.clicks import click_errors
from wlmeasure.study.collect import DrawnPath

Float64 = NDArray[np.float64]
LEVELS = ("clear", "typical", "faint", "hard")
SHORT_MM = 0.25
FINE_STD_MM = 0.05
READ = ("on a ruler", "to 0.05 mm")
WAYS = ("stated", "learned", "blind: 1 px", "ideal: exact points")


@frozen
class Run:
    """One length: its error, and its stated interval about the truth, mm."""

    seed: int
    clicks_px: float
    read: str
    way: str
    error_mm: float
    low_mm: float
    high_mm: float
    reckoned_px: float


def runs_of(seed: int, clicks: tuple[float, ...], repeats: int) -> list[Run]:
    """Every length on the film of one seed; none where such a film cannot be."""
    rng = np.random.default_rng([seed, 35])
    try:
        phantom = make_phantom(seed, LEVELS[seed % 4], stop_in_view=True, tip_short_mm=SHORT_MM)
    except PhantomError:
        return []
    out: list[Run] = []
    ideal: TraceResult | None = None
    for std in clicks:
        known = {
            READ[0]: (rng.uniform(-0.25, 0.25), RULER_STD_MM),
            READ[1]: (rng.normal(0.0, FINE_STD_MM), FINE_STD_MM),
        }
        learned = learned_px(std, repeats, rng)
        try:
            clicked = made(phantom, rng.normal(0.0, std, (7, 2)), Clicks(std_px=std, source="stated"))
            ideal = ideal or made(phantom, np.zeros((7, 2)), None)
        except WlmeasureError as error:
            print(f"seed {seed}, {std:g} px: {error}", file=sys.stderr)
            continue
        reckoned = {"stated": std, "learned": learned, "blind: 1 px": 1.0, "ideal: exact points": 1e-6}
        for read, (off, known_std) in known.items():
            for way, px in reckoned.items():
                trace = ideal if way.startswith("ideal") else clicked
                out.append(length_of(phantom, trace, way, read, std, px, off, known_std))
    return out


def learned_px(std: float, repeats: int, rng: np.random.Generator) -> float:
    """What is reckoned with after so many repeats of ends: pairs of paths whose two ends are clicked with that error."""
    line = np.array([[100.0, 300.0], [800.0, 420.0]])
    drawn = [
        DrawnPath(f"canal {k}", "film", "MB", "AB", again, line + rng.normal(0.0, std, line.shape), (0.03, 0.03))
        for k in range(repeats // 2)
        for again in (1, 2)
    ]
    (found,) = click_errors(drawn)
    assert found.std_px is not None
    return found.std_px


def made(phantom: Phantom, off: Float64, clicks: Clicks | None) -> TraceResult:
    """The canal of the file, traced and measured from clicks that are off by so much, pixels."""
    file = phantom.truth.file
    canal = next(one for one in phantom.truth.canals if one.name == file.canal)
    most = np.array(phantom.image.shape) - 1.0

    def clicked(line: Float64, by: Float64) -> tuple[tuple[float, float], ...]:
        points = np.clip(line[[0, len(line) // 2, -1]] + by, 0.0, most)
        return tuple((float(row), float(col)) for row, col in points)

    radiograph = Radiograph.from_array(phantom.image)
    shaft, way = clicked(file.path_px, off[:3]), clicked(canal.path_px, off[3:6])
    reference = clicked(file.path_px, off[[6, 6, 6]])[0]  # where the stop rests, marked apart from it
    scale = KnownFile(
        points_px=shaft, trace_kind="clicks", known_length_mm=file.stop_to_tip_mm, known_length_std_mm=0.0
    )
    trace = Trace(
        film="f1", reference_px=reference, clicks_px=way, apical_end="apical foramen", file_tip_px=shaft[-1]
    )  # fmt: skip
    case: Case = new_case("46", radiograph, "film.png")
    film = evolve(case.films[0], scale=(scale,), col_over_row=phantom.mm_per_px[1] / phantom.mm_per_px[0])
    case = evolve(case, films=(film,), canals=(Canal(name="MB", reference_point="cusp", traces=(trace,)),))
    return evaluate(with_clicks(case, clicks), {"f1": radiograph}).canals[0].traces[0]


def length_of(
    phantom: Phantom, trace: TraceResult, way: str, read: str, std: float, px: float, off_mm: float, known_std: float
) -> Run:
    """Scale and length on traced paths by a known length that is off by so much, and clicks reckoned to be off by `px`."""
    file = phantom.truth.file
    canal = next(one for one in phantom.truth.canals if one.name == file.canal)
    scale = trace.film.calibration
    assert scale is not None
    (line,) = scale.lines
    line = evolve(
        line,
        known_length_mm=file.stop_to_tip_mm + off_mm,
        known_length_std_mm=known_std,
        read_to_division=read == READ[0],
    )
    again = calibrate_lines([line], col_over_row=scale.mm_per_px_col / scale.mm_per_px_row, click_std_px=px)
    length = measure_length(trace.path, again, reference_px=trace.start_px, click_std_px=px)
    low, high = (end - canal.total_mm for end in length.length_interval_mm)
    return Run(phantom.seed, std, read, way, length.length_mm - canal.total_mm, low, high, px)


def show(runs: list[Run]) -> None:
    """The table: one line a click error, a way of reading the file and a way of knowing the clicks."""
    print(
        f"{'clicks':<8}{'known length':<14}{'clicks known':<22}{'n':>5}{'MAE':>8}{'bias':>8}{'half':>8}{'held':>9}{'px':>7}"
    )
    for std in sorted({run.clicks_px for run in runs}):
        for read in READ:
            for way in WAYS:
                some = [run for run in runs if (run.clicks_px, run.read, run.way) == (std, read, way)]
                if not some:
                    continue
                error = np.array([run.error_mm for run in some])
                half = float(np.mean([0.5 * (run.high_mm - run.low_mm) for run in some]))
                held = 100.0 * float(np.mean([run.low_mm <= 0.0 <= run.high_mm for run in some]))
                px = float(np.mean([run.reckoned_px for run in some]))
                print(
                    f"{std:<8g}{read:<14}{way:<22}{len(some):5d}{np.abs(error).mean():8.3f}{error.mean():+8.3f}{half:8.3f}"
                    f"{held:8.1f}%{px:7.2f}"
                )


def main() -> None:
    parser = argparse.ArgumentParser(description="Intervals where clicks err by more than a pixel.")
    parser.add_argument("--first", type=int, default=35000)
    parser.add_argument("--count", type=int, default=120)
    parser.add_argument("--clicks", type=float, nargs="+", default=[1.0, 2.0, 3.0])
    parser.add_argument("--repeats", type=int, default=12)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    work = partial(runs_of, clicks=tuple(asked.clicks), repeats=asked.repeats)
    seeds = range(asked.first, asked.first + asked.count)
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            runs = [run for some in pool.map(work, seeds, chunksize=4) for run in some]
    else:
        runs = [run for seed in seeds for run in work(seed)]
    films = len({run.seed for run in runs})
    print(
        f"phantoms {seeds[0]} to {seeds[-1]}, {films} films, levels {', '.join(LEVELS)} in turn; learned from {asked.repeats}"
    )
    show(runs)


if __name__ == "__main__":
    main()
