"""How well and how fast files are found: a mixed lot of synthetic films of known truth, and one ``sato`` call beside it.

    python tests/bench/find_file.py [--first SEED] [--count N] [--scale-known] [--typical]

Found: the path within 3 pixels of the true shaft over 90 % of its length, tip within 10 and stop within 5 pixels.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import FileProposal, find_files
from wlmeasure.trace.spline import arc_length, resample

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
import film_generator as films

Float64 = NDArray[np.float64]
ROUGH = 1.15  # the pixel size handed over is off by this factor


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
    options = parser.parse_args()
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
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
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
