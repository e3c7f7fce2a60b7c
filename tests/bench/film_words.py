"""What one look says of a film as a whole, held against the truth of phantoms and of pictures that are none.

    python tests/bench/film_words.py [--count N] [--first SEED] [--weights FILE.onnx]

Levels "typical", "hard" and "real" in turn; every film also turned by one, two or three quarters (`--first` draws which).
Beside each figure stands what a blind rule gives: for where roots point, always the most frequent side; for a flag, none ever.

Right means: **roots point**: the side that the mean way of the true canals from orifice to foramen comes nearest to. **Apex
cut off**: some true canal, of whichever tooth, ends outside the picture, or at its last pixel, where level "real" cuts its
lines. **Tip outside**: a true file's tip is not in the picture. **Not periapical**: the picture is one of the made shapes that
training calls so (`detect.training.others`), drawn from other seeds.
"""

# ruff: noqa: E402 - the thread limits come before numpy

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import cv2
import numpy as np

from wlmeasure.decide.accuracy import share_interval
from wlmeasure.detect.look import Look, look
from wlmeasure.detect.network import load_network, shipped_network
from wlmeasure.detect.training.labels import Labels
from wlmeasure.detect.training.others import photograph
from wlmeasure.detect.training.trials import film
from wlmeasure.image.radiograph import Radiograph

LEVELS = ("typical", "hard", "real")
SIDES = ("up", "right", "down", "left")  # clockwise
NAMES = {"apex-not-in-picture": "apex cut off", "tip-not-in-picture": "tip outside", "not-periapical": "not periapical"}


def side_of(labels: Labels) -> str:
    """The side that the true canals point to, on average."""
    row, col = np.mean(
        [way / np.hypot(*way) for c in labels.canals if np.any(way := c.path_px[-1] - c.path_px[0])], axis=0
    )
    if abs(row) > abs(col):
        return "down" if row > 0.0 else "up"
    return "right" if col > 0.0 else "left"


def outside(point: np.ndarray, shape: tuple[int, ...], border_px: float = 0.0) -> bool:
    return bool(np.any(point < border_px - 0.5) or np.any(point > np.array(shape) - 0.5 - border_px))


def truth_of(labels: Labels, shape: tuple[int, ...]) -> dict[str, bool]:
    return {
        "apex-not-in-picture": any(outside(canal.path_px[-1], shape, 1.0) for canal in labels.canals),
        "tip-not-in-picture": any(not len(file.tip_px) for file in labels.files),
        "not-periapical": False,
    }


class Count:
    """What was said of films of known truth."""

    def __init__(self) -> None:
        self.sides: Counter[str] = Counter()
        self.true_sides: Counter[str] = Counter()
        self.flags: dict[str, Counter[tuple[bool, bool]]] = {code: Counter() for code in NAMES}

    def add(self, seen: Look, truth: dict[str, bool], side: str) -> None:
        codes = {flag.code for flag in seen.flags}
        for code, is_true in truth.items():
            self.flags[code][is_true, code in codes] += 1
        if side:
            self.true_sides[side] += 1
            self.sides["not said" if not seen.roots_point else "right" if seen.roots_point == side else "wrong"] += 1

    def lines(self) -> list[str]:
        said, films = self.sides["right"] + self.sides["wrong"], self.true_sides.total()
        blind = max(self.true_sides.values(), default=0)
        lines = [
            f"roots point: said on {share(said, films)}, right where said {share(self.sides['right'], said)}; "
            f"blind, always the same side: {share(blind, films)}"
        ]
        for code, name in NAMES.items():
            of = self.flags[code]
            lines.append(
                f"{name}: said where it is so {share(of[True, True], of[True, True] + of[True, False])}, "
                f"where it is not {share(of[False, True], of[False, True] + of[False, False])}; blind: never said"
            )
        return lines


def share(hits: int, of: int) -> str:
    if not of:
        return "none of none"
    low, high = share_interval(hits, of)
    return f"{hits} of {of} ({100 * low:.0f} to {100 * high:.0f} %)"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=90)
    parser.add_argument("--first", type=int, default=97000)
    parser.add_argument("--weights", type=Path)
    said = parser.parse_args()
    cv2.setNumThreads(1)
    network = shipped_network() if said.weights is None else load_network(said.weights)
    rng = np.random.default_rng([said.first, 7])
    counts = {"as made": Count(), "turned": Count()}
    made, seed = 0, said.first
    while made < said.count:
        phantom = film(seed, LEVELS[made % len(LEVELS)])
        seed += 1
        if phantom is None or not phantom[1].canals:
            continue
        made += 1
        image, labels = phantom[0].image, phantom[1]
        side, truth = side_of(labels), truth_of(labels, image.shape)
        quarters = int(rng.integers(1, 4))
        for name, turns in (("as made", 0), ("turned", quarters)):
            seen = look(Radiograph.from_array(np.ascontiguousarray(np.rot90(image, -turns))), network=network)
            counts[name].add(seen, truth, SIDES[(SIDES.index(side) + turns) % 4])
    for _ in range(said.count // 3):
        grey = photograph(rng)
        picture = np.clip((grey - grey.min()) / max(float(np.ptp(grey)), 1e-6) * 65535.0, 0, 65535).astype(np.uint16)
        counts["as made"].add(look(Radiograph.from_array(picture), network=network), {"not-periapical": True}, "")
    print(f"{said.count} films, levels {', '.join(LEVELS)}, seeds from {said.first} on; intervals are 95 % (Wilson)")
    for name, count in counts.items():
        print(name)
        print("\n".join(f"  {line}" for line in count.lines()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
