"""How well a bent line is told: coverage and spread over lines of every kind, against the truth of their own curvature.

python tests/bench/bent.py [--paths 40] [--seed 1]

Each path is a fresh line (an arc, a compound arc, a spiral, an S with and without a straight part between), with a tail of 0.2
to 2 mm. For each kind and noise: bias, root mean square error and 95 % coverage of the turning, where it is determined, beside
the blind baseline (the mean turning of the kind) and what one arc alone would say.
"""

from __future__ import annotations

import argparse
from math import radians

import numpy as np

from wlmeasure.measure.batch import fit_many
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.many import measure_many

KINDS = ("arc", "compound", "spiral", "joined S", "S", "straight")


def pieces(kind: str, rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Length, first and last curvature of each piece."""

    def arc(sign: float = 1.0) -> tuple[float, float, float]:
        radius, turn = rng.uniform(4.0, 12.0), radians(rng.uniform(12.0, 45.0))
        return radius * turn, sign / radius, sign / radius

    straight, tail = (rng.uniform(3.0, 6.0), 0.0, 0.0), (rng.uniform(0.2, 2.0), 0.0, 0.0)
    if kind == "straight":
        return [(rng.uniform(10.0, 14.0), 0.0, 0.0)]
    if kind == "arc":
        return [straight, arc(), tail]
    if kind == "compound":
        return [straight, (rng.uniform(3.0, 6.0), 0.05, 0.05), arc(), tail]
    if kind == "spiral":
        return [straight, (rng.uniform(5.0, 8.0), rng.uniform(0.0, 0.06), rng.uniform(0.12, 0.22)), tail]
    between = [] if kind == "joined S" else [(rng.uniform(0.3, 2.0), 0.0, 0.0)]
    return [straight, arc(), *between, arc(-1.0), tail]


def draw(line: list[tuple[float, float, float]], count: int) -> tuple[np.ndarray, float]:
    """Points (N, 2) of a line, mm, and what it turns by, degrees."""
    total = sum(length for length, _, _ in line)
    s = np.linspace(0.0, total, 8001)
    heading, begin = np.zeros(s.size), 0.0
    for length, first, last in line:
        x = np.clip(s - begin, 0.0, length)
        heading += first * x + (last - first) * x * x / (2.0 * length)
        begin += length
    middle = 0.5 * (heading[1:] + heading[:-1])
    z = np.concatenate([[0.0], np.cumsum(np.exp(1j * middle) * (total / 8000))])
    at = np.linspace(0.0, total, count)
    points = np.interp(at, s, z.real) + 1j * np.interp(at, s, z.imag)
    turning = np.degrees(sum(abs(0.5 * (first + last) * length) for length, first, last in line))
    return np.column_stack([points.real, points.imag]), float(turning)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--paths", type=int, default=40)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--points", type=int, nargs="*", default=[20, 60])
    asked.add_argument("--noise", type=float, nargs="*", default=[0.0075, 0.025, 0.05])
    asked.add_argument("--astray", type=int, default=0, help="points of each path that lie 0.6 mm off")
    asked.add_argument("--kinds", nargs="*", default=KINDS)
    given = asked.parse_args()
    rng = np.random.default_rng(given.seed)
    print("kind        points noise   held  of determined  bias   rms    half-width  blind  one arc: rms")
    for count in given.points:
        for noise in given.noise:
            for kind in given.kinds:
                drawn = [draw(pieces(kind, rng), count) for _ in range(given.paths)]
                paths = []
                for path, _ in drawn:
                    path = path + rng.normal(0.0, noise, path.shape)
                    for at in rng.choice(np.arange(1, count - 1), given.astray, replace=False):
                        path[at, 1] += 0.6 * rng.choice([-1.0, 1.0])
                    paths.append(path)
                true = np.array([turning for _, turning in drawn])
                found = measure_many(paths)
                said, std = found.of["turning_deg"], found.of["turning_std_deg"]
                known = np.isfinite(said)
                off = said[known] - true[known]
                held = np.abs(off) <= NORMAL_95 * std[known]
                one = fit_many(np.stack(paths)).angle_deg - true
                print(
                    f"{kind:10} {count:6} {noise:7.4f} {100.0 * held.mean():5.0f} % {known.sum():4} of {len(known):3} "
                    f"{off.mean():7.2f} {np.sqrt(np.mean(off**2)):6.2f} {NORMAL_95 * np.median(std[known]):9.2f} "
                    f"{true.std():9.2f} {np.sqrt(np.mean(one**2)):8.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
