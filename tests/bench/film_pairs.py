"""How well marks are carried from film to film, and what is refused: pairs of phantoms of one tooth, and of two.

    python tests/bench/film_pairs.py [--first SEED] [--count N]

Errors are those of the exact apexes and coronal reference points, in millimetres of the second film at the detector; an
interval covers where the error lies within 1.96 standard deviations, rows and columns each. Refused are pairs whose horizontal
angulation differs by 15 to 30 degrees, and films of another tooth.
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

from wlmeasure.trace.registration import register_films

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
from film_pairs import film_pair


def carried(pair):
    """Registration, and of apexes and reference points: errors (N, 2) in mm and in standard deviations."""
    a, b = pair.earlier, pair.later
    about = np.vstack([a.references_px.mean(axis=0), a.apexes_px.mean(axis=0)])
    found = register_films(a.radiograph, b.radiograph, about_px=about)
    out = []
    for points, true, on_outline in (
        (a.apexes_px, b.apexes_px, True),
        (a.references_px, b.references_px, False),
    ):
        if not found.fits or pair.kind == "other":
            out.append((np.zeros((0, 2)), np.zeros((0, 2))))
            continue
        places, spread = found.carry(points, on_outline=on_outline, std_px=0.0)
        off = places - true
        out.append((off * np.array(b.mm_per_px), off / np.sqrt(np.diagonal(spread, axis1=1, axis2=2))))
    return found, out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--count", type=int, default=20)
    asked = parser.parse_args()
    marks = {"apex": [], "reference point": []}
    for kind in ("same", "tilted", "other"):
        verdicts, took = [], []
        for seed in range(asked.first, asked.first + asked.count):
            pair = film_pair(seed, kind)
            began = time.perf_counter()
            found, (apex, reference) = carried(pair)
            took.append(time.perf_counter() - began)
            verdicts.append(found.verdict)
            if "WLMEASURE_EACH" in os.environ:
                tilt = np.subtract(pair.later.tilt_deg, pair.earlier.tilt_deg)
                print(
                    seed, kind, np.round(tilt, 1), found.verdict, f"residual {found.residual_mm:.3f} explained "
                    f"{found.explained:.2f} score {found.score:.2f} apex {np.round(np.hypot(*apex[0].T), 2)} "
                    f"reference {np.round(np.hypot(*reference[0].T), 2)} {took[-1]:.1f} s", flush=True,
                )  # fmt: skip
            if kind == "same":
                marks["apex"].append(apex)
                marks["reference point"].append(reference)
        counts = {v: verdicts.count(v) for v in sorted(set(verdicts))}
        print(f"{kind}: {counts} of {asked.count}; {np.median(took):.1f} s each")
    for name, pairs in marks.items():
        error = np.hypot(*np.vstack([p[0] for p in pairs]).T)
        inside = np.abs(np.vstack([p[1] for p in pairs])) <= 1.96
        print(
            f"{name}: {len(error)} marks, error median {np.median(error):.3f}, 95 % point {np.quantile(error, 0.95):.3f}, "
            f"largest {error.max():.3f} mm; 95 % intervals cover {100 * inside.mean():.1f} %"
        )


if __name__ == "__main__":
    main()
