"""How near a length comes that is a file's known length plus the gap to the end, its stop out of the picture.

    python tests/bench/gap.py [--seed FIRST] [--count N] [--magnification]

Whole-tooth phantoms of all four levels by turns, the stop's face and with it the reference point outside the image, the tip 0
to 3 mm short of the foramen, drawn evenly. The film's only scale is its detector spacing, which the program divides by the
usual magnification. Every click has an error of 1 px (standard deviation, each way): the file where it enters the image,
halfway, and its tip; the canal where it is first seen, halfway, and its end. All goes the way of a case, from clicks to the
length. Truth is the phantom's length in three dimensions.

Beside it the known length alone and the nearest nominal length (blind: nothing looked at), and the ideal: the exact centre
line beyond the exact tip, by the exact scale of the file itself; what is left then is the gap's own tilt, which no film shows.
Three ways of knowing the file's length: exactly; on a ruler of half millimetres (off by up to 0.25 mm, evenly); and so, with a
third of the stops lifted by 0.5 to 1 mm. The stop is said to have been seated in the first two, and "not known" in the third.

Seeds 33000 and up: nothing was chosen on them. `--magnification` prints instead what the phantoms' files are magnified by,
beside the prior, which was not fitted to it.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from math import hypot

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # before numpy is imported
    os.environ.setdefault(name, "1")

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError, WlmeasureError
from wlmeasure.image.radiograph import Radiograph, SpacingClaim
from wlmeasure.magnification import usual_magnification
from wlmeasure.phantom import make_phantom
from wlmeasure.phantom.make import Phantom
from wlmeasure.record.case import Case, case_from_json
from wlmeasure.record.evaluate import TraceResult, evaluate

Float64 = NDArray[np.float64]

LEVELS = ("clear", "typical", "faint", "hard")
MOST_GAP_MM = 3.0
BINS = ((0.0, 1.0), (1.0, 2.0), (2.0, 3.0))
NOMINAL_MM = (21.0, 25.0, 28.0, 31.0)
EDGE_PX = 12.0  # a person clicks where the file is seen, not on the border itself
WAYS = ("known exactly", "read on a ruler", "on a ruler, a third unseated")


@frozen
class Row:
    """One length: what was measured, its 95 % interval, the truth, and what the blind and the ideal give, mm."""

    seed: int
    level: str
    way: str
    gap_mm: float
    error_mm: float | None
    low_mm: float
    high_mm: float
    known_mm: float
    nominal_mm: float
    ideal_mm: float
    true_mm: float
    why: str = ""


def film_of(phantom: Phantom) -> Radiograph:
    """The film as a detector's file says it: its spacing at the detector, and nothing of a magnification."""
    row, col = phantom.mm_per_px
    claim = SpacingClaim(row, col, "ImagerPixelSpacing", "detector", "detector")
    return evolve(Radiograph.from_array(phantom.image), spacings=(claim,), col_over_row=col / row)


def seen_from(path_px: Float64, shape: tuple[int, int]) -> int:
    """Index of the first point of a line that lies inside the image by a margin."""
    inside = (path_px >= EDGE_PX).all(axis=1) & (path_px <= np.array(shape) - 1.0 - EDGE_PX).all(axis=1)
    return int(np.argmax(inside))


def case_of(
    phantom: Phantom,
    film: Radiograph,
    known_mm: float,
    known_std_mm: float | None,
    seated: bool,
    rng: np.random.Generator,
) -> Case:
    """The case as a person would make it, every click a pixel off."""

    def clicked(points: Float64) -> list[list[float]]:
        rows, cols = film.values.shape
        noisy = points + rng.normal(0.0, 1.0, points.shape)
        return np.clip(noisy, 0.0, (rows - 1.0, cols - 1.0)).tolist()

    file = phantom.truth.file
    canal = next(one for one in phantom.truth.canals if one.name == file.canal)
    shape = film.values.shape
    first = seen_from(file.path_px, shape)
    shaft = clicked(file.path_px[[first, (first + len(file.path_px) - 1) // 2, -1]])
    begin = seen_from(canal.path_px, shape)
    clicks = clicked(canal.path_px[[begin, (begin + len(canal.path_px) - 1) // 2, -1]])
    known = {"kind": "known_file", "points_px": shaft, "trace_kind": "clicks", "known_length_mm": known_mm}
    known |= {"upper_end": "out of the picture", "stop_seated": "yes" if seated else "not known"}
    if known_std_mm is not None:
        known |= {"known_length_std_mm": known_std_mm}
    return case_from_json(
        {
            "schema": "wlmeasure-case/2",
            "tooth": "46",
            "films": [
                {"id": "f1", "path": "f.png", "sha256": "0" * 64, "rows": shape[0], "cols": shape[1]}
                | {"scale": [known, {"kind": "spacing", "claim": "ImagerPixelSpacing"}]}
            ],
            "canals": [
                {
                    "name": "MB",
                    "reference_point": "where the stop rested",
                    "traces": [
                        {"film": "f1", "clicks_px": clicks, "apical_end": "apical foramen", "file_tip_px": shaft[-1]}
                    ],
                }
            ],
        }
    )


def measured(phantom: Phantom, way: str, rng: np.random.Generator) -> tuple[TraceResult, float]:
    """The canal measured, and the known length that was entered."""
    film, known = film_of(phantom), phantom.truth.file.stop_to_tip_mm
    if way != WAYS[0]:
        known += rng.uniform(-0.25, 0.25)
    if way == WAYS[2] and rng.random() < 1.0 / 3.0:
        known += rng.uniform(0.5, 1.0)  # the stop stood off the reference: it reads longer than the file is deep
    case = case_of(phantom, film, known, 0.0 if way == WAYS[0] else None, way != WAYS[2], rng)
    return evaluate(case, {"f1": film}).canals[0].traces[0], known


def rows_of(seed: int, level: str) -> Iterator[Row]:
    """The three ways on one phantom; nothing where such a film cannot be."""
    rng = np.random.default_rng([seed, 15])
    gap = float(rng.uniform(0.0, MOST_GAP_MM))
    phantom = make_phantom(seed, level, stop_in_view=False, tip_short_mm=gap)
    file = phantom.truth.file
    canal = next(one for one in phantom.truth.canals if one.name == file.canal)
    pixel = np.array(phantom.mm_per_px)
    beyond = canal.path_px[canal.arc_mm >= canal.arc_mm[-1] - gap]
    ends = np.vstack([file.tip_px[None], beyond]) * pixel
    own = file.stop_to_tip_mm / float(np.hypot(*np.diff(file.path_px * pixel, axis=0).T).sum())
    ideal = file.stop_to_tip_mm + own * float(np.hypot(*np.diff(ends, axis=0).T).sum()) - canal.total_mm
    for way in WAYS:
        why, error, low, high, known = "", None, 0.0, 0.0, file.stop_to_tip_mm
        try:
            trace, known = measured(phantom, way, rng)
            if trace.length is None or trace.length.gap is None:
                why = ", ".join(flag.code for flag in trace.flags)
            else:
                error = trace.length.length_mm - canal.total_mm
                low, high = trace.length.length_interval_mm
        except WlmeasureError as fault:
            why = str(fault)
        nominal = min(NOMINAL_MM, key=lambda mm: abs(mm - known))
        yield Row(
            seed, level, way, gap, error, low, high, known - canal.total_mm, nominal - canal.total_mm, ideal,
            canal.total_mm, why,
        )  # fmt: skip


def show(rows: list[Row]) -> None:
    """The table: one line a way and bin."""
    print(
        f"{'gap, mm':<10}{'length':<30}{'MAE':>6}{'goal':>7}{'bias':>8}{'held':>8}{'width':>8}{'n':>5}   blind, ideal"
    )
    for way in WAYS:
        for low, high in (*BINS, (0.0, MOST_GAP_MM)):
            these = [row for row in rows if row.way == way and low <= row.gap_mm <= high]
            done = [row for row in these if row.error_mm is not None]
            if not done:
                continue
            error = np.array([row.error_mm for row in done])
            goal = float(np.mean([0.10 + 0.1 * row.gap_mm for row in done]))
            held = 100.0 * np.mean([row.low_mm <= row.true_mm <= row.high_mm for row in done])
            above = 100.0 * np.mean([row.true_mm < row.low_mm for row in done])
            width = float(np.mean([row.high_mm - row.low_mm for row in done]))
            known, nominal, ideal = (
                float(np.abs([getattr(row, name) for row in done]).mean())
                for name in ("known_mm", "nominal_mm", "ideal_mm")
            )
            print(
                f"{low:g} to {high:<5g}{way:<30}{np.abs(error).mean():6.3f}{goal:7.3f}{error.mean():+8.3f}{held:7.1f}%"
                f"{width:8.2f}{len(done):5d}   known length alone {known:.2f}, nominal {nominal:.2f}, ideal {ideal:.3f}; "
                f"too long beyond the interval {above:.1f} %"
            )
    missing = [row for row in rows if row.error_mm is None]
    print(f"no gap length: {len(missing)} of {len(rows)}")
    for row in missing[:12]:
        print(f"  seed {row.seed} {row.level}, {row.way}, gap {row.gap_mm:.1f}: {row.why}")
    worst = sorted((row for row in rows if row.error_mm is not None), key=lambda row: -abs(row.error_mm or 0.0))[:6]
    print("worst: " + "; ".join(f"{row.seed} {row.level} gap {row.gap_mm:.1f} {row.error_mm:+.2f}" for row in worst))


def show_magnification(first: int, count: int) -> None:
    """What the phantoms' files are magnified by, beside the prior."""
    prior = usual_magnification()
    print(f"prior: {prior.mean:.3f}, relative standard deviation {prior.rel_std:.3f}")
    for technique in ("paralleling", "bisecting"):
        found = []
        for k in range(count):
            phantom = make_phantom(first + k, LEVELS[k % 4], technique=technique)
            line = phantom.truth.file.path_px * np.array(phantom.mm_per_px)
            found.append(float(np.hypot(*np.diff(line, axis=0).T).sum()) / phantom.truth.file.stop_to_tip_mm)
        logs = np.log(found)
        inside = np.abs(logs - np.log(prior.mean)) <= 1.96 * prior.rel_std
        wide = np.abs(logs - np.log(prior.mean)) <= 1.96 * hypot(prior.rel_std, 0.05)
        print(
            f"{technique:<12} {count} files of phantoms of four levels (seeds {first} to {first + count - 1}): mean "
            f"{np.exp(logs.mean()):.3f}, relative standard deviation {logs.std():.3f}, {min(found):.3f} to {max(found):.3f}; "
            f"{100 * inside.mean():.0f} % within the prior's 95 %, {100 * wide.mean():.0f} % with the tilt of a canal added"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description="Known length plus gap, on phantoms of known truth.")
    parser.add_argument("--seed", type=int, default=33000)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--magnification", action="store_true")
    asked = parser.parse_args()
    if asked.magnification:
        show_magnification(asked.seed, asked.count)
        return
    rows: list[Row] = []
    left_out = 0
    for k in range(asked.count):
        try:
            rows += rows_of(asked.seed + k, LEVELS[k % len(LEVELS)])
        except PhantomError:  # root ends and stop cannot be parted by the border of this film
            left_out += 1
    seeds = f"seeds {asked.seed} to {asked.seed + asked.count - 1}"
    print(f"{asked.count - left_out} films, {seeds}; {left_out} seeds give no such film")
    show(rows)


if __name__ == "__main__":
    main()
