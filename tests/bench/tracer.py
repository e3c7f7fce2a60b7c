"""How often the tracer stays in a canal, on synthetic teeth with canals of random shape; a blind curve and ``sato`` beside it.

    python tests/bench/tracer.py [--seed FIRST] [--count N] [--condition clear|typical|faint] [--peer N]

Success: the path's mean distance from the true centre line below 4 pixels and its largest at most 6. The end clicks are exact;
a middle click lies at 30-70 % of the canal with 1-2 px of noise. The blind curve is the line or parabola through the clicks.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
import sys
from itertools import pairwise
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from numpy.typing import NDArray
from skimage.filters import sato
from skimage.graph import route_through_array

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.record.evaluate import LINE_FAINT
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.spline import arc_length

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
import film_generator as films

Float64 = NDArray[np.float64]
MEAN_PX, MAX_PX = 4.0, 6.0
CONDITIONS = {"clear": (6000.0, 0.3, 0.015), "typical": (4000.0, 0.25, 0.020), "faint": (3000.0, 0.2, 0.035)}
"""Photons per pixel, width of the canal's end in mm, texture: round numbers from memory."""


def random_pieces(rng: np.random.Generator) -> list[tuple[float, float]]:
    """Straight, J, C, S or a chain of arcs. Length and peak curvature by a normal and a log-normal near the asked quantiles.

    Length 6.7 / 10.3 / 13.8 mm and curvature 0.21 / 0.49 / 1.19 per mm at 5 / 50 / 95 %; length over chord at most 1.20.
    Drawing again where the chord is too short lowers the curvature of the long arcs.
    """
    length = float(np.clip(rng.normal(10.3, 2.16), 5.0, 16.0))
    kind = rng.choice(["straight", "J", "C", "S", "free"])
    while True:
        peak = float(np.exp(rng.normal(np.log(0.49), 0.53))) * float(rng.choice([-1, 1]))
        arc = min(np.deg2rad(rng.uniform(15, 60)) / abs(peak), 0.45 * length)
        if kind == "straight":
            return [(length, 0.0)]
        if kind == "J":
            pieces = [(length - arc, 0.0), (arc, peak)]
        elif kind == "C":
            pieces = [(length, float(np.sign(peak)) * rng.uniform(0.3, 1.9) / length)]
        elif kind == "S":
            pieces = [(length - 2 * arc, 0.0), (arc, peak), (arc, -peak * rng.uniform(0.5, 1.0))]
        else:
            share = rng.dirichlet(np.full(5, 4.0)) * length
            pieces = [(float(s), float(b)) for s, b in zip(share, peak * rng.uniform(-1, 1, 5), strict=True)]
        line = films.Line(np.zeros(2), 0.0, pieces, 0.0).points(np.array([0.0, length]))
        if length <= 1.20 * float(np.hypot(*(line[1] - line[0]))):
            return pieces


def distances(path: Float64, truth: Float64) -> Float64:
    """Of every point of the path from the true line, pixels (its samples lie within half a pixel)."""
    return np.hypot(*np.moveaxis(path[:, None] - truth[None], 2, 0)).min(axis=1)


def good(path: Float64, truth: Float64) -> bool:
    """By the rule above."""
    off = distances(path, truth)
    return bool(off.mean() < MEAN_PX and off.max() <= MAX_PX)


def blind(clicks: Float64) -> Float64:
    """The line through two clicks or the parabola through three."""
    t = arc_length(clicks)
    return np.column_stack(
        [np.polyval(np.polyfit(t, c, len(clicks) - 1), np.linspace(0, t[-1], 300)) for c in clicks.T]
    )


def peer(values: NDArray[np.uint16], clicks: Float64) -> Float64:
    """The cheapest path on scikit-image's ``sato``."""
    ridge = sato(values.astype(np.float64), sigmas=(4, 6, 8), black_ridges=True)
    cost = 1.0 / (0.03 + ridge / np.percentile(ridge, 99.0))
    legs = [
        route_through_array(cost, tuple(np.rint(a).astype(int)), tuple(np.rint(b).astype(int)), geometric=True)[0]
        for a, b in pairwise(clicks)
    ]
    return np.array([p for leg in legs for p in leg], np.float64)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--condition", choices=[*CONDITIONS])
    parser.add_argument("--peer", type=int, default=2, help="films on which sato is run as well")
    asked = parser.parse_args()
    for condition in [asked.condition] if asked.condition else CONDITIONS:
        photons, end_mm, texture = CONDITIONS[condition]
        rows: dict[int, list[tuple[bool, bool, float, float, bool]]] = {2: [], 3: []}
        peers: dict[int, list[bool]] = {2: [], 3: []}
        for seed in range(asked.seed, asked.seed + asked.count):
            rng = np.random.default_rng([seed, 1])
            values, truth = films.make_canal(
                random_pieces(rng), seed, canal_end_mm=end_mm, photons=photons, texture=texture
            )
            film = Radiograph.from_array(values, bright_is_dense=True)
            middle = truth[round(rng.uniform(0.3, 0.7) * (len(truth) - 1))] + rng.normal(0, rng.uniform(1, 2), 2)
            for count, clicks in ((2, truth[[0, -1]]), (3, np.array([truth[0], middle, truth[-1]]))):
                trace = trace_line(film, clicks, "canal", (films.PITCH_MM, films.PITCH_MM))
                off = distances(trace.path_px, truth)
                longer = float(arc_length(trace.path_px)[-1] - arc_length(truth)[-1]) * films.PITCH_MM
                doubted = trace.seen is not None and trace.seen < LINE_FAINT
                rows[count].append(
                    (good(trace.path_px, truth), good(blind(clicks), truth), float(off.mean()), longer, doubted)
                )
                if seed < asked.seed + asked.peer:
                    peers[count].append(good(peer(values, clicks), truth))
        for count, found in rows.items():
            table = np.array(found, np.float64)
            ok = table[:, 0] > 0
            error, longer_mm = table[ok, 2], table[ok, 3]
            print(
                f"{condition} {count} clicks: success {ok.sum()}/{len(ok)}, blind {int(table[:, 1].sum())}/{len(ok)}, "
                f"sato {sum(peers[count])}/{len(peers[count])}; doubted {int(table[~ok, 4].sum())} of {(~ok).sum()} "
                f"failures, {int(table[ok, 4].sum())} of {ok.sum()} good"
            )
            if ok.any():
                rms = float(np.sqrt(np.mean(longer_mm**2)))
                print(
                    f"    good paths: mean error {error.mean():.2f} px, length {longer_mm.mean():+.4f} rms {rms:.4f} mm"
                )


if __name__ == "__main__":
    main()
