"""Whether a canal that has metal in it is found by three clicks, with and without the file traced as one of unknown length.

    python tests/bench/plain_file.py [--seed FIRST] [--count N]

Whole-tooth phantoms of all four levels by turns, a file in the canal, its tip 0 to 2 mm short, no scale but the detector's
spacing. Three clicks on the canal (both ends and halfway) and three on the file, each with an error of 1 px (standard
deviation, each way). A path fails where it is somewhere more than 0.5 mm off the true centre line on the film. Blind: the
smooth curve through the same three clicks. The ideal is the true line itself, which is nowhere off. Seeds 32000 and up: nothing
was chosen on them.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from numpy.typing import NDArray

from wlmeasure.phantom import make_phantom
from wlmeasure.points import polyline_feet
from wlmeasure.record.case import case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.trace.spline import even_line

sys.path.insert(0, str(Path(__file__).parent))
from gap import LEVELS, film_of

Float64 = NDArray[np.float64]

OFF_MM = 0.5
WAYS = ("blind curve", "file not traced", "file traced")


def offsets(seed: int, level: str) -> dict[str, Float64]:
    """How far each path is from the true canal at every point of the truth, mm on the film, by way."""
    rng = np.random.default_rng([seed, 4])
    phantom = make_phantom(seed, level, tip_short_mm=float(rng.uniform(0.0, 2.0)))
    film, file = film_of(phantom), phantom.truth.file
    canal = next(one for one in phantom.truth.canals if one.name == file.canal)
    shape, pixel = film.values.shape, np.array(phantom.mm_per_px)

    def clicked(path: Float64) -> list[list[float]]:
        points = path[[0, len(path) // 2, -1]]
        return np.clip(points + rng.normal(0.0, 1.0, points.shape), 0.0, np.array(shape) - 1.0).tolist()

    clicks, shaft = clicked(canal.path_px), clicked(file.path_px)
    plain = {"kind": "file", "points_px": shaft, "trace_kind": "clicks"}
    found = {WAYS[0]: np.asarray(even_line(np.array(clicks) * pixel, 200))}
    for way, scale in ((WAYS[1], []), (WAYS[2], [plain])):
        case = case_from_json(
            {
                "schema": "wlmeasure-case/2",
                "tooth": "46",
                "films": [
                    {"id": "f1", "path": "f.png", "sha256": "0" * 64, "rows": shape[0], "cols": shape[1]}
                    | {"scale": [*scale, {"kind": "spacing", "claim": "ImagerPixelSpacing"}]}
                ],
                "canals": [
                    {
                        "name": "MB",
                        "reference_point": "cusp",
                        "traces": [{"film": "f1", "clicks_px": clicks, "apical_end": "apical foramen"}],
                    }
                ],
            }
        )
        found[way] = evaluate(case, {"f1": film}).canals[0].traces[0].path.path_px * pixel
    return {way: polyline_feet(canal.path_px * pixel, line).apart for way, line in found.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description="A canal with metal in it, by three clicks.")
    parser.add_argument("--seed", type=int, default=32000)
    parser.add_argument("--count", type=int, default=80)
    asked = parser.parse_args()
    rows = [offsets(asked.seed + k, LEVELS[k % len(LEVELS)]) for k in range(asked.count)]
    print(f"{asked.count} films, seeds {asked.seed} to {asked.seed + asked.count - 1}")
    for way in WAYS:
        worst = np.array([row[way].max() for row in rows])
        print(
            f"{way:<16} somewhere more than {OFF_MM:g} mm off: {int((worst > OFF_MM).sum())} of {len(worst)}; worst place, "
            f"median {np.median(worst):.3f} mm; mean distance {np.mean([row[way].mean() for row in rows]):.3f} mm"
        )


if __name__ == "__main__":
    main()
