"""Lengths where the stop of the file does not show: its known length begins at the foot of a clicked reference point.

    python tests/bench/stop_unseen.py [--first 31000] [--count 300] [--jobs 1]

Whole-tooth phantoms of all four levels in turn, each exposed twice: the file at its depth, and 0.5 to 1 mm less deep with the
same known length claimed, as where the stop had been lifted. The stop is never clicked. It rests on a point of the crown at the
height of the cusps, 1 to 2 mm from the shaft: to its side on the film (an edge), or to any side (a cusp in another depth). The
stop's face lies where the perpendicular from that point meets the axis in space, and the true lengths count from there.
Reference point, shaft, tip and canal are clicked with 1 px of error (one standard deviation) and go through a case as in use.

Beside it: the chord of the clicks and nothing else (blind); the detector's own spacing along the clicks, which knows neither
magnification nor tilt; and the exact projections of all the points (ideal), which is what one film could show at best.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise

import cv2
import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import RULER_STD_MM, calibrate_lines
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.length import measure_length
from wlmeasure.phantom import Phantom, make_phantom
from wlmeasure.phantom.truth import CanalTruth
from wlmeasure.record.case import Canal, Case, KnownFile, Trace
from wlmeasure.record.edit import new_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.trace.reference_foot import reference_foot
from wlmeasure.trace.spline import arc_length

Float64 = NDArray[np.float64]
LEVELS = ("clear", "typical", "faint", "hard")
CLICK_SD_PX = 1.0
BESIDE_MM = (1.0, 2.0)  # from the shaft to what the stop rests on: stops are 2 to 4 mm across
ABOVE_MM = 1.0  # the shaft is clicked this far above the reference point, where that is in the picture
UNSEATED_SHARE = 1.0 / 3.0
UNSEATED_MM = (0.5, 1.0)
SIDES = ("edge", "cusp")


@frozen
class Run:
    """One length: its error and the two ends of its stated interval about the truth, mm; None where nothing was measured."""

    seed: int
    level: str
    side: str
    unseated_mm: float
    read: str  # how the known length was read: "exactly" or "to 0.5 mm"
    said: str  # what was said of the stop: "yes" or "not known"
    error_mm: float | None
    low_mm: float = 0.0
    high_mm: float = 0.0
    chord_mm: float = 0.0
    spacing_mm: float = 0.0
    ideal_mm: float = 0.0
    foot_mm: float = (
        0.0  # the exact reference point's foot on the exact shaft, from where the stop's face was, along it
    )


def runs_of(seed: int) -> list[Run]:
    """Everything measured on the two films of one seed."""
    level = LEVELS[seed % 4]
    rng = np.random.default_rng([seed, 15])
    seated = make_phantom(seed, level, stop_in_view=True)
    file = seated.truth.file
    if file is None:
        return []
    lifted = float(rng.uniform(*UNSEATED_MM))
    higher = make_phantom(seed, level, stop_in_view=True, tip_short_mm=file.tip_short_mm + lifted)
    assert higher.truth.file is not None
    assert higher.truth.file.canal == file.canal
    angle, away = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(*BESIDE_MM)
    left = rng.choice([-1.0, 1.0])
    out = []
    for side, offset in zip(SIDES, ((left, 0.0), (np.cos(angle), np.sin(angle))), strict=True):
        for phantom, unseated in ((seated, 0.0), (higher, lifted)):
            out += _measured(phantom, side, away * np.array([*offset, 0.0]), unseated, file.stop_to_tip_mm, rng)
    return out


def _measured(
    phantom: Phantom, side: str, offset: Float64, unseated: float, stop_to_tip: float, rng: np.random.Generator
) -> list[Run]:
    """One film and one place that the stop rests on, by what was said and how the known length was read."""
    canal, clicks = _clicked(phantom, offset, rng)
    file = phantom.truth.file
    assert file is not None
    ahead = (file.points_mm[8] - file.points_mm[0]) / np.linalg.norm(file.points_mm[8] - file.points_mm[0])
    down = float(offset @ ahead)  # the stop's face lies this far from the axis' point at the height of the cusps
    known, true = stop_to_tip - down, canal.total_mm - down
    top = file.points_mm[0]
    baselines = _baselines(phantom, canal, clicks, known, true, top + offset, top + down * ahead, down)
    out = []
    case, radiograph = _case(phantom, clicks, known)
    none = Run(phantom.seed, phantom.level, side, unseated, "exactly", "yes", None, **baselines)
    try:
        made = evaluate(case, {"f1": radiograph}).canals[0].traces[0]
    except WlmeasureError as error:
        print(f"seed {phantom.seed}: {error}", file=sys.stderr)
        return [none]
    scale = made.film.calibration
    assert scale is not None
    for read, told, std in (("exactly", known, 0.0), ("to 0.5 mm", round(2.0 * known) / 2.0, RULER_STD_MM)):
        for said in ("yes", "not known"):
            # What is said of the stop and of the ruler changes no path: scale and length alone are made anew.
            (line,) = scale.lines
            line = evolve(line, known_length_mm=told, known_length_std_mm=std, read_to_division=read != "exactly")
            line = evolve(line, stop_seated=said == "yes")
            again = calibrate_lines([line], col_over_row=scale.mm_per_px_col / scale.mm_per_px_row)
            length = measure_length(made.path, again, reference_px=made.start_px, from_foot=True)
            low, high = length.length_interval_mm
            out.append(
                evolve(
                    none, read=read, said=said, error_mm=length.length_mm - true, low_mm=low - true, high_mm=high - true
                )
            )
    return out


def _clicked(phantom: Phantom, offset: Float64, rng: np.random.Generator) -> tuple[CanalTruth, dict[str, Float64]]:
    """What a person clicks: reference point, shaft and tip of the file, orifice, middle and end of its canal."""
    file = phantom.truth.file
    assert file is not None
    canal = next(one for one in phantom.truth.canals if one.name == file.canal)
    start, shaft = file.points_mm[0], file.points_mm[0] - file.points_mm[8]
    above = phantom.projection.pixels((start + ABOVE_MM * shaft / np.linalg.norm(shaft))[None])[0]
    rows, cols = phantom.image.shape
    if not (0.0 < above[0] < rows - 1.0 and 0.0 < above[1] < cols - 1.0):
        above = file.path_px[0]
    exact = {
        "reference": phantom.projection.pixels((start + offset)[None])[0][None],
        "file": np.array([above, file.path_px[len(file.path_px) // 2], file.tip_px]),
        "canal": canal.path_px[[0, len(canal.path_px) // 2, -1]],
    }
    most = np.array([rows - 1.0, cols - 1.0])
    return canal, {
        name: np.clip(points + rng.normal(0.0, CLICK_SD_PX, points.shape), 0.0, most) for name, points in exact.items()
    }


def _case(phantom: Phantom, clicks: dict[str, Float64], known: float) -> tuple[Case, Radiograph]:
    """The case of these clicks and its film."""
    radiograph = Radiograph.from_array(phantom.image)
    case = new_case("46", radiograph, "film.png")
    (reference,) = _pairs(clicks["reference"])
    file = KnownFile(
        points_px=_pairs(clicks["file"]), trace_kind="clicks", known_length_mm=known, known_length_std_mm=0.0,
        upper_end="reference", reference_px=reference, stop_seated="yes",
    )  # fmt: skip
    trace = Trace(
        film="f1", reference_px=reference, clicks_px=_pairs(clicks["canal"]), apical_end="apical foramen",
        file_tip_px=file.points_px[-1],
    )  # fmt: skip
    film = evolve(case.films[0], scale=(file,), col_over_row=phantom.mm_per_px[1] / phantom.mm_per_px[0])
    canal = Canal(name="MB", reference_point="mesiobuccal cusp tip", traces=(trace,))
    return evolve(case, films=(film,), canals=(canal,)), radiograph


def _pairs(points: Float64) -> tuple[tuple[float, float], ...]:
    return tuple((float(row), float(col)) for row, col in points)


def _baselines(
    phantom: Phantom,
    canal: CanalTruth,
    clicks: dict[str, Float64],
    known: float,
    true: float,
    reference_mm: Float64,
    face_mm: Float64,
    down: float,
) -> dict[str, float]:
    """Errors of the chord of the clicks, of the detector's spacing along them, and of the exact projections."""
    file = phantom.truth.file
    assert file is not None
    pixel = np.array(phantom.mm_per_px)
    begin, tip = clicks["reference"][0] * pixel, clicks["file"][-1] * pixel
    way = np.vstack([begin, clicks["canal"] * pixel])
    along = sum(float(np.hypot(*(b - a))) for a, b in pairwise(way))
    face = phantom.projection.pixels(face_mm[None]) * pixel
    run = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(file.points_mm, axis=0), axis=1)))
    shaft = np.vstack([face, file.path_px[run > down] * pixel])
    whole = np.vstack([face, canal.path_px * pixel])
    ideal = known * float(arc_length(whole)[-1]) / float(arc_length(shaft)[-1])
    straight = (shaft[-1] - shaft[0]) / np.hypot(*(shaft[-1] - shaft[0]))
    off = (
        reference_foot(file.path_px * pixel, phantom.projection.pixels(reference_mm[None])[0] * pixel).foot_px - face[0]
    )
    return {
        "foot_mm": float(off @ straight) * known / float(arc_length(shaft)[-1]),
        "chord_mm": known * along / float(np.hypot(*(tip - begin))) - true,
        "spacing_mm": along - true,
        "ideal_mm": ideal - true,
    }


def table(title: str, runs: list[Run]) -> None:
    """MAE, bias, worst, what the stated intervals hold, and how often the truth lies below them."""
    made = [run for run in runs if run.error_mm is not None]
    error = np.array([run.error_mm for run in made])
    low, high = np.array([run.low_mm for run in made]), np.array([run.high_mm for run in made])
    print(
        f"  {title:<46} n {len(made):4d} (failed {len(runs) - len(made)})  MAE {np.abs(error).mean():.3f}  "
        f"bias {error.mean():+.3f}  95 % within {np.quantile(np.abs(error), 0.95):.2f}  worst {np.abs(error).max():.2f}  "
        f"held {100.0 * np.mean((low <= 0.0) & (high >= 0.0)):.1f} %  too long {100.0 * np.mean(low > 0.0):.1f} %  "
        f"width {np.mean(high - low):.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=31000)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--worst", type=int, default=0, help="print so many of the largest errors")
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.count)
    cv2.setNumThreads(1)
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            runs = [run for some in pool.map(runs_of, seeds, chunksize=4) for run in some]
    else:
        runs = [run for seed in seeds for run in runs_of(seed)]
    rng = np.random.default_rng(asked.first)
    slid = {seed for seed in seeds if rng.random() < UNSEATED_SHARE}
    print(
        f"phantoms {asked.first} to {asked.first + asked.count - 1}, levels {', '.join(LEVELS)} in turn; lengths in mm,"
    )
    print("95 % intervals; 'too long': the truth lies below the stated interval")
    for side in SIDES:
        ours = [run for run in runs if run.side == side]
        print(
            f"reference point: {'an edge beside the shaft on the film' if side == 'edge' else 'a cusp to any side of it'}"
        )
        for read in ("exactly", "to 0.5 mm"):
            some = [run for run in ours if run.read == read]
            sure, doubted = ([run for run in some if run.said == said] for said in ("yes", "not known"))
            table(f"known length read {read}, seated and said so", [r for r in sure if not r.unseated_mm])
            table("  a third unseated, not known", [r for r in doubted if bool(r.unseated_mm) == (r.seed in slid)])
            table("  all seated, not known", [r for r in doubted if not r.unseated_mm])
            table("  all unseated, not known", [r for r in doubted if r.unseated_mm])
            table("  all unseated, said to be seated", [r for r in sure if r.unseated_mm])
        once = [run for run in ours if run.read == "exactly" and run.said == "yes" and not run.unseated_mm]
        foot = np.array([run.foot_mm for run in once])
        print(
            f"  foot of the exact point from the stop's face: rms {np.sqrt(np.mean(foot**2)):.2f}, worst {abs(foot).max():.2f}"
        )
        for name in ("chord_mm", "spacing_mm", "ideal_mm"):
            error = np.array([getattr(run, name) for run in once])
            words = {
                "chord_mm": "blind: chords",
                "spacing_mm": "blind: detector's spacing",
                "ideal_mm": "ideal: exact points",
            }
            print(f"  {words[name]:<46} n {len(error):4d}  MAE {np.abs(error).mean():.3f}  bias {error.mean():+.3f}")
    for run in sorted((r for r in runs if r.error_mm is not None), key=lambda r: -abs(r.error_mm or 0.0))[
        : asked.worst
    ]:
        print(run)


if __name__ == "__main__":
    main()
