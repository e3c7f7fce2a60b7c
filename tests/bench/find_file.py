"""How well and how fast files are found: synthetic films of known truth, and one ``sato`` call beside it.

    python tests/bench/find_file.py [--first SEED] [--count N] [--scale-known] [--typical] [--lot plain|phantom|both]

Two lots: plain films (a mixed lot in one plane, `film_generator.varied`) and whole-tooth phantoms of all four levels in turn,
with a file whose stop is in the picture. On plain films found means: the path within 3 pixels of the true shaft over 90 % of
its length, tip within 10 and stop within 5 pixels. On phantoms the same in millimetres: 0.1, 0.25 and 0.125.

`phantom_figures` gives the phantoms' figures as a frozen value for other pages.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from itertools import pairwise
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.calibration import KnownLine, calibrate_lines
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.length import measure_length
from wlmeasure.phantom import Phantom, make_phantom
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import FileProposal, find_files
from wlmeasure.trace.spline import arc_length, resample

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
import film_generator as films

Float64 = NDArray[np.float64]
ROUGH = 1.15  # the pixel size handed over is off by this factor
LEVELS = ("clear", "typical", "faint", "hard")
TRUSTED = 0.9  # a proposal of this confidence, with stop and tip, is trusted
PATH_MM, TIP_MM, STOP_MM = 0.1, 0.25, 0.125
CLICK_SD_PX = 1.0
RELIABILITY = (0.0, 0.2, 0.5, 0.8, 0.9, 0.97, 1.01)


@frozen
class PhantomRun:
    """One phantom and the surest proposal on it: errors along the axis in mm, None where the end is not stated."""

    seed: int
    level: str
    bits: int
    mm_per_px: float
    confidence: float | None
    on_file: bool = False
    tip_mm: float | None = None
    tip_off_mm: float | None = None
    stop_mm: float | None = None
    stop_off_mm: float | None = None
    scale_percent: float | None = None
    length_error_mm: float | None = None
    length_std_mm: float | None = None

    @property
    def tip_right(self) -> bool:
        return self.on_file and self.tip_off_mm is not None and self.tip_off_mm < TIP_MM

    @property
    def stop_right(self) -> bool:
        return self.on_file and self.stop_off_mm is not None and self.stop_off_mm < STOP_MM

    @property
    def right(self) -> bool:
        """On the file, and right in every end that it states: what a proposal's confidence is about."""
        return self.tip_right and (self.stop_off_mm is None or self.stop_right)

    @property
    def trusted(self) -> bool:
        return self.confidence is not None and self.confidence >= TRUSTED and self.scale_percent is not None


@frozen
class PhantomFigures:
    """What the finder does on whole-tooth phantoms, one run a film."""

    first: int
    runs: tuple[PhantomRun, ...]

    @property
    def reliability(self) -> tuple[tuple[float, float, int, float], ...]:
        """Confidence from, to, how many surest proposals, share of them that are right."""
        rows = []
        for low, high in pairwise(RELIABILITY):
            here = [run.right for run in self.runs if run.confidence is not None and low <= run.confidence < high]
            if here:
                rows.append((low, min(high, 1.0), len(here), float(np.mean(here))))
        return tuple(rows)


def phantom_run(seed: int) -> PhantomRun:
    """One phantom (level by its seed), its surest proposal, and the working length that follows from it."""
    phantom = make_phantom(seed, LEVELS[seed % 4])
    truth = phantom.truth.file
    radiograph = Radiograph.from_array(phantom.image)
    pixel = np.array(phantom.mm_per_px)
    none = PhantomRun(seed, phantom.level, phantom.bits, float(np.sqrt(pixel.prod())), None)
    proposals = find_files(radiograph, mm_per_px=phantom.mm_per_px, tip=TipForm(truth.size_mm, truth.tip_angle_deg))
    if not proposals:
        return none
    best = proposals[0]
    line, path = truth.path_px * pixel, resample(best.path_px, 600) * pixel
    gaps = np.hypot(*(resample(line, 200)[:, None] - path[None]).transpose(2, 0, 1)).min(axis=1)
    made: dict[str, float | bool | None] = {"on_file": bool(np.mean(gaps < PATH_MM) > 0.9)}
    for name, point, end in (("tip", best.tip_px, -1), ("stop", best.stop_px, 0)):
        if point is not None:
            ahead = line[-1] - line[-8] if end else line[8] - line[0]
            off = point * pixel - line[end]
            made[f"{name}_mm"] = float(off @ ahead / np.hypot(*ahead))
            made[f"{name}_off_mm"] = float(np.hypot(*off))
    if best.tip_px is not None and best.stop_px is not None:
        made["scale_percent"] = 100.0 * (float(arc_length(line)[-1] / arc_length(best.path_px * pixel)[-1]) - 1.0)
        made |= _working_length(phantom, best, seed)
    return PhantomRun(seed, phantom.level, phantom.bits, none.mm_per_px, best.confidence, **made)


def _working_length(phantom: Phantom, proposal: FileProposal, seed: int) -> dict[str, float]:
    """Error of the length of the file's canal, the file found by itself and the canal clicked with 1 px of error."""
    rng = np.random.default_rng([seed, 7])
    canal = next(c for c in phantom.truth.canals if c.name == phantom.truth.file.canal)
    radiograph = Radiograph.from_array(phantom.image)
    known = KnownLine(proposal.path_px, phantom.truth.file.stop_to_tip_mm, 0.0)
    middle = canal.path_px[len(canal.path_px) // 2]
    clicks = np.array([canal.path_px[0], middle, canal.path_px[-1]]) + rng.normal(0.0, CLICK_SD_PX, (3, 2))
    reference = canal.reference_px + rng.normal(0.0, CLICK_SD_PX, 2)
    try:
        scale = calibrate_lines([known], col_over_row=phantom.mm_per_px[1] / phantom.mm_per_px[0])
        trace = trace_line(radiograph, clicks, "canal", scale.mm_per_px, files=[proposal.path_px])
        length = measure_length(trace, scale, reference_px=reference)
    except WlmeasureError:
        return {}
    return {"length_error_mm": length.length_mm - canal.total_mm, "length_std_mm": length.length_std_mm}


def phantom_figures(first: int, count: int) -> PhantomFigures:
    """Phantoms of seeds `first` and up."""
    return PhantomFigures(first, tuple(phantom_run(seed) for seed in range(first, first + count)))


def say_phantoms(figures: PhantomFigures, *, misses: bool = True) -> None:
    runs = figures.runs

    def share(name: str, hits: list[PhantomRun], of: list[PhantomRun]) -> None:
        print(f"{name:<58} {len(hits):4d} of {len(of):4d}  {100.0 * len(hits) / max(len(of), 1):5.1f} %")

    everything = list(runs)
    share("file found, tip right", [r for r in runs if r.tip_right], everything)
    for level in LEVELS:
        here = [r for r in runs if r.level == level]
        share(f"  {level}", [r for r in here if r.tip_right], here)
    here = [r for r in runs if r.bits == 8]
    share("  8-bit, tone curve unknown", [r for r in here if r.tip_right], here)
    share("stop stated", stated := [r for r in runs if r.stop_mm is not None], everything)
    share("  of them right", [r for r in stated if r.stop_right], stated)
    both = [r for r in runs if r.tip_right and r.stop_right]
    share("both ends right", both, everything)
    share(
        f"trusted (confidence {TRUSTED:g} and more, both ends)", trusted := [r for r in runs if r.trusted], everything
    )
    share("  of them right", [r for r in trusted if r.tip_right and r.stop_right], trusted)
    spread("tip along the axis, where right", [r.tip_mm / r.mm_per_px for r in runs if r.tip_right], "px")
    spread("stop along the axis, where right", [r.stop_mm / r.mm_per_px for r in runs if r.stop_right], "px")
    spread("scale, both ends right", [r.scale_percent for r in both], "%")
    spread("scale, trusted", [r.scale_percent for r in trusted], "%")
    lengths = [r for r in trusted if r.length_error_mm is not None]
    share("working length within 0.5 mm, trusted", [r for r in lengths if abs(r.length_error_mm) <= 0.5], lengths)
    share("working length within 0.25 mm, trusted", [r for r in lengths if abs(r.length_error_mm) <= 0.25], lengths)
    spread("working length, trusted", [r.length_error_mm for r in lengths], "mm")
    for low, high, count, right in figures.reliability:
        print(f"confidence {low:.2f} to {high:.2f}: {count:4d} surest proposals, {100 * right:5.1f} % right")
    for run in runs if misses else ():
        if not run.right or (run.scale_percent is not None and abs(run.scale_percent) > 0.5):
            print(f"  seed {run.seed} {run.level}: {run}")


def found(proposal: FileProposal, file: films.TrueFile) -> bool:
    """By the rule above."""
    path = resample(proposal.path_px, 400)
    gaps = np.hypot(*(resample(file.path_px, 200)[:, None] - path[None]).transpose(2, 0, 1)).min(axis=1)
    if float(np.mean(gaps < 3.0)) < 0.9:
        return False
    for own, true, limit in ((proposal.tip_px, file.tip_px, 10.0), (proposal.stop_px, file.stop_px, 5.0)):
        if (own is None) != (true is None) or (own is not None and np.hypot(*(own - true)) > limit):
            return False
    return True


def along(point: Float64, file: films.TrueFile, end: int) -> float:
    """Error of an end along the true axis, positive towards the tip, pixels."""
    ahead = file.path_px[-1] - file.path_px[-12] if end else file.path_px[12] - file.path_px[0]
    true = file.path_px[-1 if end else 0]
    return float((point - true) @ ahead / np.hypot(*ahead))


def length_mm(path: Float64, mm_per_px: tuple[float, float]) -> float:
    return float(arc_length(path * mm_per_px)[-1])


def spread(name: str, values: list[float], unit: str) -> None:
    v = np.array(values)
    if len(v):
        print(
            f"{name:<34} n {len(v):4d}  mean {v.mean():+.3f}  SD {v.std():.3f}  mean abs {np.abs(v).mean():.3f}  "
            f"max abs {np.abs(v).max():.3f} {unit}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--scale-known", action="store_true", help="hand over the pixel size, else one 15 %% off")
    parser.add_argument("--typical", action="store_true", help="4000 photons and bone texture 0.020 for 3000 and 0.035")
    parser.add_argument("--lot", choices=("plain", "phantom", "both"), default="both")
    options = parser.parse_args()
    if options.lot != "plain":
        print(f"Whole-tooth phantoms, seeds {options.first} to {options.first + options.count - 1}")
        say_phantoms(phantom_figures(options.first, options.count))
    if options.lot == "phantom":
        return
    print(f"Plain films, seeds {options.first} to {options.first + options.count - 1}")
    kind = {"photons": 4000.0, "texture": 0.020} if options.typical else {}
    factor = 1.0 if options.scale_known else ROUGH
    hits, total, hit_8, total_8, times = 0, 0, 0, 0, []
    tips, stops, scales, pulls_tip, pulls_stop = [], [], [], [], []
    scales_8: list[float] = []
    sure: list[tuple[float, bool]] = []
    for seed in range(options.first, options.first + options.count):
        for holds in (True, False) if seed % 4 == 0 else (True,):
            film = films.varied(seed, file=holds, **kind)
            radiograph = Radiograph.from_array(film.values, bright_is_dense=film.bright_is_dense)
            rough = (film.mm_per_px[0] * factor, film.mm_per_px[1] * factor)
            begin = time.perf_counter()
            proposals = find_files(radiograph, mm_per_px=rough, tip=TipForm())
            times.append(time.perf_counter() - begin)
            matched: set[int] = set()
            for k, file in enumerate(film.files):
                total += 1
                total_8 += film.values.dtype == np.uint8
                right = [i for i, p in enumerate(proposals) if found(p, file)]
                if not right:
                    print(f"seed {seed} file {k} of {len(film.files)}: missed")
                    for p in proposals:
                        print("    ", p.confidence, p.stop_px, p.tip_px, "true", file.stop_px, file.tip_px)
                    continue
                hits += 1
                hit_8 += film.values.dtype == np.uint8
                matched.update(right)
                p = proposals[right[0]]
                tips.append(along(p.tip_px, file, 1))
                stops.append(along(p.stop_px, file, 0))
                pulls_tip.append(tips[-1] / p.tip_std_px)
                pulls_stop.append(stops[-1] / p.stop_std_px)
                true = length_mm(file.path_px, film.mm_per_px)
                scales.append(100.0 * (true / length_mm(p.path_px, film.mm_per_px) - 1.0))
                if film.values.dtype == np.uint8:
                    scales_8.append(scales[-1])
            sure += [(p.confidence, i in matched) for i, p in enumerate(proposals)]
    print(f"found {hits} of {total} ({100 * hits / max(total, 1):.1f} %); of 8-bit {hit_8} of {total_8}")
    spread("tip along the axis", tips, "px")
    spread("  over its stated std", pulls_tip, "")
    spread("stop along the axis", stops, "px")
    spread("  over its stated std", pulls_stop, "")
    spread("scale, tip to stop", scales, "%")
    spread("  8-bit films", scales_8, "%")
    for low, high in pairwise(RELIABILITY):
        here = [right for c, right in sure if low <= c < high]
        if here:
            print(
                f"confidence {low:.2f} to {min(high, 1.0):.2f}: {len(here):4d} proposals, {100 * np.mean(here):5.1f} % right"
            )
    print(f"time {1000 * np.median(times):.1f} ms median a film")
    compare_sato()


def compare_sato() -> None:
    """Ours and one sato call on the same film of 1500 x 1000, in turn."""
    from skimage.filters import sato

    film = films.log16(films.make_film("bend60", 1000, restoration=True))
    radiograph = Radiograph.from_array(film.values)
    pairs = []
    for _ in range(7):
        begin = time.perf_counter()
        find_files(radiograph, mm_per_px=film.mm_per_px)
        middle = time.perf_counter()
        sato(radiograph.density(), sigmas=(4, 6, 8), black_ridges=False)
        pairs.append((middle - begin, time.perf_counter() - middle))
    ours, peer = np.median(np.array(pairs), axis=0)
    ratio = float(np.median([a / b for a, b in pairs]))
    print(f"find_files {1000 * ours:.1f} ms, sato {1000 * peer:.0f} ms, ratio {ratio:.4f} (goal 20 / 720 = 0.028)")


if __name__ == "__main__":
    main()
