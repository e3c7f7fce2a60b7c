"""How often the tracer stays in a canal and how near it lies, on synthetic teeth with canals of random shape, beside peers.

    python tests/bench/tracer.py [--seed FIRST] [--count N] [--condition clear|typical|faint] [--peers N]

Success: the path's mean distance from the true centre line below 4 pixels and its largest at most 6. The end clicks are exact;
a middle click lies at 30-70 % of the canal with 1-2 px of noise. The blind curve is the line or parabola through the clicks.
Peers, on the first films only since they are slow: scikit-image's ``sato`` with the cheapest path over pixels
(``route_through_array``), and with scikit-fmm's travel time walked back. Films whose canal ends off the film are left out.
Seeds 1000 to 1099 were used in development; 5000 and up were not.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from skimage.filters import sato
from skimage.graph import MCP_Geometric, route_through_array

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.record.evaluate import DOUBTFUL
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.live import LivePath
from wlmeasure.trace.spline import arc_length

try:
    import skfmm
except ModuleNotFoundError:  # has no wheel (pip install meson-python scikit-fmm); the table says where it is missing
    skfmm = None

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
import film_generator as films

Float64 = NDArray[np.float64]
MEAN_PX, MAX_PX = 4.0, 6.0
CONDITIONS = {"clear": (6000.0, 0.3, 0.015), "typical": (4000.0, 0.25, 0.020), "faint": (3000.0, 0.2, 0.035)}
"""Photons per pixel, width of the canal's end in mm, texture: round numbers from memory."""
PITCH = (films.PITCH_MM, films.PITCH_MM)
GOALS = {
    "clear": "success >= 95 / 99 %, error <= 0.25 px",
    "typical": "success >= 85 / 97 %, error <= 0.35 px",
    "faint": "20 points above the blind curve, error <= 0.50 px",
}


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


@frozen
class Row:
    """One kind of film with two or three clicks: counts of films, errors in pixels of the paths that stayed in the canal.

    `sato` and `fmm` are the peers' successes among the first `peer_films`, None where scikit-fmm is not installed;
    `flagged_failures` and `flagged_good` are the paths called doubtful. `length_rms_mm` is that of the path's length against
    the true one.
    """

    condition: str
    clicks: int
    films: int
    good: int
    blind: int
    peer_films: int
    sato: int
    fmm: int | None
    flagged_failures: int
    flagged_good: int
    error_px: float
    sato_error_px: float
    fmm_error_px: float
    length_bias_mm: float
    length_rms_mm: float


@frozen
class Ratio:
    """Our time and a peer's in one process, median milliseconds, and the median of their ratios pair by pair."""

    what: str
    ours_ms: float
    peer_ms: float
    ratio: float


def distances(path: Float64, truth: Float64) -> Float64:
    """Of every point of the path from the true line, pixels."""
    near = np.hypot(*np.moveaxis(path[:, None] - truth[None], 2, 0)).argmin(axis=1)
    best = np.full(len(path), np.inf)
    for first in (np.maximum(near - 1, 0), np.minimum(near, len(truth) - 2)):
        step = truth[first + 1] - truth[first]
        share = np.clip(((path - truth[first]) * step).sum(axis=1) / (step**2).sum(axis=1), 0.0, 1.0)
        best = np.minimum(best, np.hypot(*(path - truth[first] - share[:, None] * step).T))
    return best


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


def film(condition: str, seed: int) -> tuple[NDArray[np.uint16], Float64, Float64] | None:
    """Stored values, the true line, and the three clicks; None where the canal ends off the film."""
    photons, end_mm, texture = CONDITIONS[condition]
    rng = np.random.default_rng([seed, 1])
    values, truth = films.make_canal(random_pieces(rng), seed, canal_end_mm=end_mm, photons=photons, texture=texture)
    middle = truth[round(rng.uniform(0.3, 0.7) * (len(truth) - 1))] + rng.normal(0, rng.uniform(1, 2), 2)
    if (truth < 0.0).any() or (truth > np.array(values.shape) - 1.0).any():
        return None
    return values, truth, np.array([truth[0], middle, truth[-1]])


def ridge_cost(values: NDArray[np.generic]) -> Float64:
    """What crossing a pixel costs a peer, from scikit-image's ``sato``."""
    ridge = sato(values.astype(np.float64), sigmas=(4, 6, 8), black_ridges=True)
    return np.asarray(1.0 / (0.03 + ridge / np.percentile(ridge, 99.0)), np.float64)


def cheapest_pixels(cost: Float64, clicks: Float64) -> Float64:
    """The cheapest path over pixels."""
    cells = [tuple(np.rint(click).astype(int)) for click in clicks]
    legs = [route_through_array(cost, a, b, geometric=True)[0] for a, b in pairwise(cells)]
    return np.array([p for leg in legs for p in leg], np.float64)


def fast_marching(cost: Float64, clicks: Float64) -> Float64:
    """Travel time of scikit-fmm from each click, walked back from the next one by steps of half a pixel downhill."""
    legs = []
    for start, end in pairwise(clicks):
        sources = np.ones(cost.shape)
        sources[tuple(np.rint(start).astype(int))] = -1.0
        travel = np.ma.filled(skfmm.travel_time(sources, 1.0 / cost), np.inf)
        slopes = np.gradient(travel)
        at, leg = end.copy(), [end.copy()]
        for _ in range(4 * sum(cost.shape)):
            if np.hypot(*(at - start)) < 1.5:
                break
            # Between pixels by hand, bilinear: one point a step.
            low = np.clip(at.astype(int), 0, np.array(cost.shape) - 2)
            r, c = np.clip(at - low, 0.0, 1.0)
            weights = np.array([[(1 - r) * (1 - c), (1 - r) * c], [r * (1 - c), r * c]])
            box = np.s_[low[0] : low[0] + 2, low[1] : low[1] + 2]
            down = np.array([(weights * slope[box]).sum() for slope in slopes])
            at = np.clip(at - 0.5 * down / (np.hypot(*down) + 1e-12), 0.0, np.array(cost.shape) - 1.0)
            leg.append(at.copy())
        legs.append(np.vstack([*leg, start])[::-1])
    return np.vstack(legs)


def measured(condition: str, first_seed: int, count: int, *, peers: int = 0) -> list[Row]:
    """Both rows of one kind of film: `count` seeds, peers on the first `peers` of them."""
    rows = []
    made = [(seed, film(condition, seed)) for seed in range(first_seed, first_seed + count)]
    kept = [(seed, one) for seed, one in made if one is not None]
    costs = {seed: ridge_cost(one[0]) for seed, one in kept[:peers]}
    for clicks in (2, 3):
        ok, doubted, off, longer, blinds = [], [], [], [], 0
        sato_off: list[Float64] = []
        fmm_off: list[Float64] = []
        for seed, (values, truth, points) in kept:
            at = points if clicks == 3 else points[[0, -1]]
            trace = trace_line(Radiograph.from_array(values, bright_is_dense=True), at, "canal", PITCH)
            ok.append(good(trace.path_px, truth))
            doubted.append(trace.doubt is not None and trace.doubt > DOUBTFUL)
            off.append(float(distances(trace.path_px, truth).mean()))
            longer.append(float(arc_length(trace.path_px)[-1] - arc_length(truth)[-1]) * films.PITCH_MM)
            blinds += good(blind(at), truth)
            if seed in costs:
                sato_off.append(distances(cheapest_pixels(costs[seed], at), truth))
                if skfmm is not None:
                    fmm_off.append(distances(fast_marching(costs[seed], at), truth))
        held = np.array(ok, bool)
        flags, error, longer_mm = np.array(doubted, bool), np.array(off)[held], np.array(longer)[held]
        stayed = [[d for d in found if d.mean() < MEAN_PX and d.max() <= MAX_PX] for found in (sato_off, fmm_off)]
        rows.append(
            Row(
                condition, clicks, len(kept), int(held.sum()), blinds, len(costs), len(stayed[0]),
                None if skfmm is None else len(stayed[1]),
                int((flags & ~held).sum()), int((flags & held).sum()), _mean(error), _mean([d.mean() for d in stayed[0]]),
                _mean([d.mean() for d in stayed[1]]), _mean(longer_mm), _mean(longer_mm**2) ** 0.5,
            )
        )  # fmt: skip
    return rows


def _mean(values: Float64 | list[float]) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def _ratio(what: str, ours: Callable[[], object], peer: Callable[[], object], runs: int) -> Ratio:
    def milliseconds(call: Callable[[], object]) -> float:
        begin = time.perf_counter()
        call()
        return 1e3 * (time.perf_counter() - begin)

    ours(), peer()
    pairs = np.array([(milliseconds(ours), milliseconds(peer)) for _ in range(runs)])
    return Ratio(what, *(float(np.median(v)) for v in (pairs[:, 0], pairs[:, 1], pairs[:, 0] / pairs[:, 1])))


def times(seed: int, *, runs: int = 7) -> list[Ratio]:
    """A typical film of 1500 x 1000 pixels: a new anchor, a move of the cursor, the whole trace; beside sato and MCP_Geometric.

    The peers see only the box of the clicks and 80 pixels around it, which favours them; the live tree reaches the whole film.
    """
    found = next(one for one in (film("typical", k) for k in range(seed, seed + 100)) if one is not None)
    values, truth, points = found
    radiograph = Radiograph.from_array(values, bright_is_dense=True)
    low = np.maximum(truth.min(axis=0).astype(int) - 80, 0)
    box = values[low[0] : int(truth[:, 0].max()) + 80, low[1] : int(truth[:, 1].max()) + 80]
    ends = [tuple(np.rint(p - low).astype(int)) for p in points[[0, -1]]]

    def peer_tree() -> MCP_Geometric:
        tree = MCP_Geometric(ridge_cost(box))
        tree.find_costs([ends[0]])
        return tree

    live, tree = LivePath(radiograph, tuple(points[0]), "canal", PITCH), peer_tree()
    moves = truth[np.linspace(len(truth) // 2, len(truth) - 1, 60).astype(int)]

    def drag() -> None:
        for point in moves:
            live.path_to(tuple(point))

    def peer_drag() -> None:
        for point in moves:
            tree.traceback(tuple(np.rint(point - low).astype(int)))

    def anchor() -> None:
        LivePath(radiograph, tuple(points[0]), "canal", PITCH).path_to(tuple(points[-1]))

    def whole() -> None:
        trace_line(radiograph, points, "canal", PITCH)

    def peer_whole() -> None:
        cheapest_pixels(ridge_cost(box), points - low)

    each = []
    for point in np.tile(moves, (5, 1)):
        begin = time.perf_counter()
        live.path_to(tuple(point))
        each.append(1e3 * (time.perf_counter() - begin))
    size = f"{box.shape[0]} x {box.shape[1]}"
    return [
        _ratio(f"new anchor to live tree; peer sato + MCP_Geometric on {size}", anchor, peer_tree, runs),
        _ratio(
            f"60 moves of the cursor (one: 95 % {np.percentile(each, 95):.2f} ms); peer a walk back",
            drag,
            peer_drag,
            runs,
        ),
        _ratio(f"whole trace; peer sato + route_through_array on {size}", whole, peer_whole, runs),
    ]


def table(rows: list[Row]) -> list[list[str]]:
    """Head and one line a row, ready for a page or for print."""
    head = ["film", "clicks", "success", "blind", "sato", "scikit-fmm", "failures flagged", "good flagged",
            "error, px", "sato's, px", "scikit-fmm's, px", "length bias / rms, mm"]  # fmt: skip
    lines = [
        [
            r.condition, str(r.clicks), f"{r.good}/{r.films}", f"{r.blind}/{r.films}", f"{r.sato}/{r.peer_films}",
            "-" if r.fmm is None else f"{r.fmm}/{r.peer_films}",
            f"{r.flagged_failures}/{r.films - r.good}", f"{r.flagged_good}/{r.good}",
            f"{r.error_px:.3f}", f"{r.sato_error_px:.2f}", f"{r.fmm_error_px:.2f}",
            f"{r.length_bias_mm:+.4f} / {r.length_rms_mm:.4f}",
        ]
        for r in rows
    ]  # fmt: skip
    return [head, *lines]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--condition", choices=[*CONDITIONS])
    parser.add_argument("--peers", type=int, default=2, help="films of a kind on which the peers are run as well")
    asked = parser.parse_args()
    conditions = [asked.condition] if asked.condition else list(CONDITIONS)
    rows = [row for name in conditions for row in measured(name, asked.seed, asked.count, peers=asked.peers)]
    lines = table(rows)
    widths = [max(len(line[k]) for line in lines) for k in range(len(lines[0]))]
    for line in lines:
        print("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)))
    for name in conditions:
        print(f"goal, {name}: {GOALS[name]}")
    failed = sum(r.films - r.good for r in rows)
    flagged, held = sum(r.flagged_failures for r in rows), sum(r.good for r in rows)
    wrongly = sum(r.flagged_good for r in rows)
    print(f"flagged: {flagged} of {failed} failures (goal 90 %), {wrongly} of {held} good paths (goal at most 10 %)")
    for one in times(asked.seed):
        print(f"{one.what}: {one.ours_ms:.2f} against {one.peer_ms:.2f} ms, ratio {one.ratio:.3f}")


if __name__ == "__main__":
    main()
