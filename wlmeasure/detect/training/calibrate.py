"""Fits probabilities to films of known truth, and writes them on the card beside the weights.

python -m wlmeasure.detect.training.calibrate --weights DIR/look.onnx --first SEED --count N --workers 16
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
from numpy.typing import NDArray

from wlmeasure.detect.certainty import KINDS, certainty_of
from wlmeasure.detect.look import SAID, look_at_maps
from wlmeasure.detect.network import Network, load_network
from wlmeasure.detect.prepare import FIGURES, prepared
from wlmeasure.detect.training.trials import Trial, at_work, film, items_of, radiograph_of, scored
from wlmeasure.whole_file import write_whole

Float64 = NDArray[np.float64]

RIDGE = 1.0
LEAST_ITEMS = 100
KNOT_ITEMS, LEAST_KNOTS = 100, 5
"""Items a knot of the isotonic step rests on at the least; fewer knots than so many are none."""
BEYOND = 0.25
"""How far beyond the 0.25 to 99.75 % range of a figure, as a share of it, a film may lie and still be like the others."""

_network: Network | None = None


def fitted_logistic(marks: Float64, right: Float64) -> Float64:
    """Weights (K,) of a logistic regression with a ridge of `RIDGE` on all but the first mark, which is 1."""
    weights = np.zeros(marks.shape[1])
    ridge = np.full(marks.shape[1], RIDGE)
    ridge[0] = 1e-6
    for _ in range(60):
        p = 1.0 / (1.0 + np.exp(-np.clip(marks @ weights, -40.0, 40.0)))
        gradient = marks.T @ (right - p) - ridge * weights
        curvature = (marks * (p * (1.0 - p))[:, None]).T @ marks + np.diag(ridge)
        step = np.linalg.solve(curvature, gradient)
        weights += step
        if float(np.abs(step).max()) < 1e-9:
            break
    return weights


def isotonic_knots(chance: Float64, right: Float64) -> list[tuple[float, float]]:
    """Rising means of `right` over stretches of `chance` (pool adjacent violators), drawn as a line through their middles."""
    order = np.argsort(chance, kind="stable")
    size = max(KNOT_ITEMS, len(order) // 25)
    blocks = [part for part in np.array_split(order, max(len(order) // size, 1)) if len(part)]
    if len(blocks) < LEAST_KNOTS:
        return []
    pools: list[list[float]] = []  # sum of right, sum of chance, count
    for part in blocks:
        pools.append([float(right[part].sum()), float(chance[part].sum()), float(len(part))])
        while len(pools) > 1 and pools[-2][0] / pools[-2][2] > pools[-1][0] / pools[-1][2]:
            last = pools.pop()
            pools[-1] = [a + b for a, b in zip(pools[-1], last, strict=True)]
    knots = [(c / n, r / n) for r, c, n in pools]
    # Beyond the outermost stretches towards 0 and 1; a share of 1 of n items is not certainty.
    low, high = knots[0][1] * 0.5, 1.0 - (1.0 - knots[-1][1]) * 0.5
    return [(0.0, low), *knots, (1.0, min(high, 1.0 - 0.5 / pools[-1][2]))]


def _look(job: tuple[int, str]) -> Trial | None:
    seed, level = job
    made = film(seed, level)
    if made is None or _network is None:
        return None
    phantom, labels = made
    radiograph = radiograph_of(phantom)
    maps = _network.run(prepared(radiograph, phantom.mm_per_px))
    bare = certainty_of({})
    seen = look_at_maps(radiograph, maps, bare, model="", mm_per_px=phantom.mm_per_px, least=dict.fromkeys(SAID, 0.0))
    items = items_of(seen)
    orifices = [o.at_px for o in sorted(seen.orifices, key=lambda o: -o.probability)]
    scores = scored(items, labels, phantom.mm_per_px, orifices)
    return Trial(seed, level, scores, items.chances, items.trusted, items.marks, maps.given.figures)


def certainty_tables(trials: list[Trial]) -> dict[str, Any]:
    """The card's member `certainty`, from trials."""
    tables: dict[str, Any] = {"films": len(trials)}
    rng = np.random.default_rng(5)
    for kind, count in KINDS.items():
        marks = np.array([m for t in trials for m in t.marks[kind]]).reshape(-1, count)
        right = np.array([r for t in trials for r in t.scores[kind].right], np.float64)
        if kind == "upper_end":  # of a file whose line or tip is wrong the upper end means nothing
            asked = np.array([r for t in trials for r in t.scores["file"].right], np.bool_)
            marks, right = marks[asked], right[asked]
        if len(right) < LEAST_ITEMS or right.min() == right.max():
            continue
        weights = fitted_logistic(marks, right)
        fold = rng.integers(0, 5, len(right))
        held = np.zeros(len(right))
        for k in range(5):
            own = fitted_logistic(marks[fold != k], right[fold != k])
            held[fold == k] = 1.0 / (1.0 + np.exp(-np.clip(marks[fold == k] @ own, -40.0, 40.0)))
        tables[kind] = {
            "weights": [round(float(w), 5) for w in weights],
            "knots": [[round(a, 5), round(b, 5)] for a, b in isotonic_knots(held, right)],
            "items": len(right),
            "right": round(float(right.mean()), 4),
        }
    figures = np.array([t.figures for t in trials])
    low, high = np.percentile(figures, [0.25, 99.75], axis=0)
    room = BEYOND * (high - low)
    tables["ranges"] = {
        name: [round(float(a - r), 5), round(float(b + r), 5)]
        for name, a, b, r in zip(FIGURES, low, high, room, strict=True)
    }
    return tables


def main() -> int:
    """Runs the command; 0 when done."""
    parser = argparse.ArgumentParser(prog="python -m wlmeasure.detect.training.calibrate", description=__doc__)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--first", type=int, default=50_000_000)
    parser.add_argument("--count", type=int, default=1200)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--levels", nargs="*", default=["real", "real", "real", "real", "typical", "hard"])
    asked = parser.parse_args()
    global _network
    _network = load_network(asked.weights)
    jobs = [(asked.first + k, asked.levels[k % len(asked.levels)]) for k in range(asked.count)]
    trials = [t for t in at_work(_look, jobs, asked.workers) if t is not None]
    tables = certainty_tables(trials) | {"first_seed": asked.first, "count": asked.count, "levels": asked.levels}
    path = asked.weights.with_suffix(".json")
    card = json.loads(path.read_text(encoding="utf-8"))
    write_whole(path, json.dumps(card | {"certainty": tables}, indent=1) + "\n", private=False)
    for kind in KINDS:
        print(kind, tables.get(kind))
    return 0


if __name__ == "__main__":
    sys.exit(main())
