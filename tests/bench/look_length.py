"""Lengths of canals whose file, canal and reference point a person took as one look proposed them, on phantoms of known truth.

    python tests/bench/look_length.py [--levels real typical hard] [--first SEED] [--count N] [--weights FILE.onnx]

Films with a file in the tooth in hand. The person gives the file's known length (exactly, stated to 0.05 mm), says which of
the proposed files, canals and reference points is the one that is meant, and moves nothing. The nearest one stands for that
choice, and none farther than a millimetre from it on the average (a reference point: 1.5 mm): what is farther off nobody would
take. Where the stop is to be seen and its face was proposed, the known length begins there, else at the reference point beside
the shaft. All else goes the way of a case. Truth is the phantom's length in three dimensions from its own reference point.

Beside it **blind**, the known length of the file itself, and **ideal**, the true lines and points put into the same case. "All
trusted" are the lengths whose file, canal and reference point the look trusts; "no doubt" those that it does not call faint.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.detect.look import Look, SeenCanal, SeenFile, SeenPoint, look
from wlmeasure.detect.network import WEIGHTS, Network, load_network
from wlmeasure.detect.training.trials import film, radiograph_of
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom.make import Phantom
from wlmeasure.phantom.truth import CanalTruth, FileTruth
from wlmeasure.points import polyline_feet
from wlmeasure.record.case import Canal, Case, Film, KnownFile, Trace
from wlmeasure.record.evaluate import DOUBTFUL, evaluate

Float64 = NDArray[np.float64]

LINE_MM, POINT_MM = 1.0, 1.5
KNOWN_STD_MM = 0.05


@frozen
class Length:
    """A length beside the truth, mm; `trusted` by the look, `doubted` by the tracer."""

    error_mm: float
    held: bool
    trusted: bool
    doubted: bool
    blind_mm: float
    ideal_mm: float | None


def apart_mm(path_px: Float64, true_px: Float64, pixel: Float64) -> float:
    """Mean distance of a true line from a proposed one."""
    step = max(len(true_px) // 100, 1)
    return float(polyline_feet(true_px[::step] * pixel, path_px * pixel).apart.mean())


def meant(seen_on: Look, phantom: Phantom) -> tuple[SeenFile, SeenCanal, SeenPoint] | str:
    """The file, canal and reference point that a person takes, or which of them is not there."""
    pixel, file, canal = np.array(phantom.mm_per_px), *truth_of(phantom)
    files = [(apart_mm(f.path_px, file.path_px, pixel), f) for f in seen_on.files if f.tip_px is not None]
    canals = [(apart_mm(c.path_px, canal.path_px, pixel), c) for c in seen_on.canals]
    points = [(float(np.hypot(*((r.at_px - canal.reference_px) * pixel))), r) for r in seen_on.references]
    chosen = []
    for name, some, reach in (("file", files, LINE_MM), ("canal", canals, LINE_MM), ("reference", points, POINT_MM)):
        near = min(some, key=lambda one: one[0], default=None)
        if near is None or near[0] > reach:
            return name
        chosen.append(near[1])
    return chosen[0], chosen[1], chosen[2]


def truth_of(phantom: Phantom) -> tuple[FileTruth, CanalTruth]:
    file = phantom.truth.file
    assert file is not None
    return file, next(one for one in phantom.truth.canals if one.name == file.canal)


def measured(
    phantom: Phantom,
    radiograph: Radiograph,
    file_px: Float64,
    upper_seen: bool,
    canal_px: Float64,
    reference_px: Float64,
) -> tuple[float, tuple[float, float]]:
    """The canal's length with its interval, by these lines and that point."""

    def pairs(points: Float64) -> tuple[tuple[float, float], ...]:
        return tuple((round(float(r), 3), round(float(c), 3)) for r, c in points)

    file, _ = truth_of(phantom)
    rows, cols = radiograph.values.shape
    scale = KnownFile(
        points_px=pairs(file_px[[0, -1]]), trace_kind="path", path_px=pairs(file_px), known_length_mm=file.stop_to_tip_mm,
        known_length_std_mm=KNOWN_STD_MM, upper_end="stop" if upper_seen else "reference",
        reference_px=None if upper_seen else pairs(reference_px[None])[0], stop_seated=None if upper_seen else "yes",
    )  # fmt: skip
    trace = Trace(
        film="f1", reference_px=pairs(reference_px[None])[0], clicks_px=pairs(canal_px[[0, -1]]), path_px=pairs(canal_px),
        apical_end="apical foramen", file_tip_px=pairs(file_px[-1:])[0],
    )  # fmt: skip
    row, col = phantom.mm_per_px
    one = Film(
        id="f1", path="f.png", sha256="0" * 64, rows=rows, cols=cols, scale=(scale,), col_over_row=round(col / row, 6)
    )
    case = Case(
        tooth="46", films=(one,), canals=(Canal(name="MB", reference_point="where the stop rested", traces=(trace,)),)
    )
    result = evaluate(case, {"f1": radiograph}).canals[0].traces[0]
    if result.length is None:
        raise WlmeasureError(", ".join(flag.code for flag in result.flags))
    return result.length.length_mm, result.length.length_interval_mm


def length_of(phantom: Phantom, network: Network) -> Length | str:
    """The length on a film, or why there is none."""
    radiograph, (file, canal) = radiograph_of(phantom), truth_of(phantom)
    seen_on = look(radiograph, mm_per_px=phantom.mm_per_px, network=network, perhaps=True)
    taken = meant(seen_on, phantom)
    if isinstance(taken, str):
        return f"no {taken}"
    one, way, point = taken
    seen = file.stop_in_view and file.stop_drawn and one.upper_px is not None
    try:
        length, (low, high) = measured(phantom, radiograph, one.path_px, seen, way.path_px, np.asarray(point.at_px))
    except WlmeasureError as fault:
        return str(fault)[:60]
    ideal = None
    inside = ((file.path_px >= 0.0) & (file.path_px <= np.array(radiograph.values.shape) - 1.0)).all(axis=1)
    with suppress(WlmeasureError):
        ideal = measured(phantom, radiograph, file.path_px[inside], seen, canal.path_px, canal.reference_px)[0]
    true = canal.total_mm
    return Length(
        length - true, low <= true <= high, one.trusted and way.trusted and point.trusted,
        way.doubt is not None and way.doubt > DOUBTFUL,
        file.stop_to_tip_mm - true, None if ideal is None else ideal - true,
    )  # fmt: skip


def say(name: str, rows: Sequence[Length], films: int) -> None:
    if not rows:
        print(f"  {name:<12} none of {films} films")
        return
    error = np.array([one.error_mm for one in rows])
    ideal = np.array([one.ideal_mm for one in rows if one.ideal_mm is not None])
    print(
        f"  {name:<12} {len(rows):4d} of {films} films ({100.0 * len(rows) / films:.0f} %)  MAE {np.abs(error).mean():.3f}  "
        f"median {np.median(np.abs(error)):.3f}  within 0.5 mm {100.0 * (np.abs(error) <= 0.5).mean():.1f} %  "
        f"held {100.0 * np.mean([one.held for one in rows]):.1f} %  blind {np.abs([one.blind_mm for one in rows]).mean():.2f}  "
        f"ideal {np.abs(ideal).mean() if len(ideal) else np.nan:.3f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--levels", nargs="+", default=["real", "typical", "hard"])
    parser.add_argument("--first", type=int, default=78_000_000)
    parser.add_argument("--count", type=int, default=100, help="films of each level, those without a file left out")
    parser.add_argument("--weights", type=Path, default=WEIGHTS / "look.onnx")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    network = load_network(asked.weights)
    for level in asked.levels:
        rows: list[Length] = []
        why: dict[str, int] = {}
        for seed in range(asked.first, asked.first + asked.count):
            made = film(seed, level)
            if made is None or made[0].truth.file is None:
                continue
            told = length_of(made[0], network)
            if isinstance(told, str):
                why[told] = why.get(told, 0) + 1
            else:
                rows.append(told)
        count = len(rows) + sum(why.values())
        print(f"level {level}: {count} films with a file, seeds {asked.first} to {asked.first + asked.count - 1}; mm")
        say("all", rows, count)
        say("no doubt", [one for one in rows if not one.doubted], count)
        say("all trusted", [one for one in rows if one.trusted], count)
        print(f"  no length: {why}")


if __name__ == "__main__":
    main()
