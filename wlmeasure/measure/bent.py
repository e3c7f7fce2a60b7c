"""The one model of a bent line: straight, an arc, two or three arcs either way, one or two spirals, averaged over them.

Every canal is fitted by a straight line and by line, arc, line. Where a smooth line lies so much nearer to its points that
more could be worth its parameters, two arcs and a spiral are fitted too, and where that still leaves room, three arcs and two
spirals. Against a straight line one arc counts by its Bayesian information criterion (Schwarz, Ann Stat 1978;6:461-464), the
richer models by Akaike's weights (Burnham & Anderson, Model Selection and Multimodel Inference, 2002; both from memory), which
give up a simpler one sooner: what a canal turns by is understated by a model too poor for it, and only less sure by one too
rich. A figure is the mean over the models, its variance what each leaves open and what they differ by. Points where a hand
slipped are looked for in every path, and where there are any the fits are those of `lockstep.fit_paths` with outliers.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.measure.line_arc import LEAST_BEND_DEG, LineArc, Noise, model_of
from wlmeasure.measure.lockstep import MAD_TO_STD, fit_paths, middle, mixture
from wlmeasure.measure.parts import Loss, chord, distances
from wlmeasure.measure.pieces import (
    SPIRAL,
    THREE_ARCS,
    TWO_ARCS,
    TWO_SPIRALS,
    Kind,
    Pieces,
    chosen,
    fit_pieces,
    spiral_starts,
    two_arcs_starts,
    two_spirals_starts,
)
from wlmeasure.measure.starts import first_guesses, smooth_paths

__all__ = ["FEWEST", "STIFF_SPANS", "Averaged", "Looks", "averaged", "first_look", "floor_mm2", "freedom"]

Float64 = NDArray[np.float64]
Complex = NDArray[np.complex128]

FLOOR = 1e-7  # mm squared: closer than 0.3 micrometres no model is better than another
STIFF_SPANS = 6  # our parameter: of the smooth line that shows whether one bend is enough; noise turns a finer one
MORE_PARAMETERS = 3  # of the next richer model
# Our parameter: more is fitted where the smooth line gains this much of what it has to gain.
SECOND_LOOK = 1.0
# Our parameter: times the scale of the distances from a smooth line. Of 20 exact normal errors one in 500 lies so far.
ASTRAY = 5.0
ASTRAY_MM = 0.04  # our parameter: a point less far off bends no fit by a degree
FEWEST_FOR_ASTRAY = 10
FLEXIBLE = 7  # points to a span of the smooth line at least
FEWEST = {1: 12, 2: 15}  # points: four more than the richest model of a stage has parameters
LEAST_FREEDOM = 3.0
LEAST_GAIN = 6.0  # of two arcs over one, at which a spiral is tried: what Akaike asks of three parameters
PENALTY = 2.0  # of a parameter, in twice the logarithm of the likelihood
LEAST_SHARE = 0.01  # of all models: what a figure is averaged over
STEP = 0.3  # standard deviations: of the differences that a figure's uncertainty is had from


@frozen(eq=False)
class Looks:
    """What a smooth line says of K paths: its mean square distance from the points and their scale off it, mm; whether a point
    lies astray; both (K,).
    """

    across_mm2: Float64
    scale_mm: Float64
    astray: NDArray[np.bool_]

    def worth_more(self, square_mm2: Float64, independent: Float64, floor: Float64) -> NDArray[np.bool_]:
        """Which paths a richer model than one with that mean square distance could be worth its parameters on."""
        gain = independent * np.log((square_mm2 + floor) / (self.across_mm2 + floor))
        return np.asarray(gain >= SECOND_LOOK * MORE_PARAMETERS * np.log(independent), np.bool_)


def floor_mm2(noise: Noise, total: Float64) -> Float64:
    """Mean square distance (K,) below which no model is better than another: what an end that is a click bends is no bend.

    A path that is pulled by d at its end and gets there over a length c lies off by d d c / 3 over its own length, squared.
    """
    pulled = noise.end_std_mm**2 * noise.correlation_mm / (3.0 * total)
    return np.asarray(np.maximum(FLOOR, 0.25 * noise.std_mm**2) + pulled, np.float64)


def first_look(paths: Float64) -> Looks:
    """Lay a stiff smooth line through each of some paths (K, N, 2)."""
    local = paths - paths[:, :1]
    x, y = local[..., 0], local[..., 1]
    size = paths.shape[1]
    square, off = _across(x, y, max(1, min(STIFF_SPANS, size // 3)))
    if size >= 4 * STIFF_SPANS:
        finer, _ = _across(x, y, 2 * STIFF_SPANS)
        # A finer line follows noise too: each of its parameters takes one part in N off the mean square.
        square = np.minimum(square, finer * size / max(size - 2.0 * STIFF_SPANS, 1.0))
    if size < FEWEST_FOR_ASTRAY:
        return Looks(square, np.zeros(len(paths)), np.zeros(len(paths), bool))
    if size // FLEXIBLE < STIFF_SPANS:
        _, off = _across(x, y, max(1, size // FLEXIBLE))
    # A point that is astray stands out from its neighbours; a bend that the smooth line rounds off does not.
    apart = np.abs(np.diff(off, n=2, axis=1)) / np.sqrt(6.0)
    scale = MAD_TO_STD * middle(apart) + 1e-9
    return Looks(square, scale, apart.max(axis=1) > np.maximum(ASTRAY * scale, ASTRAY_MM))


def _across(x: Float64, y: Float64, spans: int) -> tuple[Float64, Float64]:
    """Mean square distance (K,) of points from their smooth line across it, and each distance (K, N)."""
    _, _, smooth = smooth_paths(x, y, spans)
    # Along the line a point may lie anywhere: its distance across counts.
    tangent = np.gradient(smooth, axis=1)
    tangent /= np.maximum(np.abs(tangent), 1e-12)
    off = ((x + 1j * y - smooth) * tangent.conj()).imag
    return np.mean(off**2, axis=1), off


@frozen(eq=False)
class Averaged:
    """One path: its most probable model, how many bends it has, each model's share, and (mean, std) of every figure."""

    model: LineArc
    bends: int
    shares: dict[str, float]
    of: dict[str, tuple[float, float]]


@frozen(eq=False)
class _Candidate:
    name: str
    model: LineArc
    misfit: float
    parameters: int


def averaged(paths: Float64, noise: Noise, looks: Looks) -> list[Averaged]:
    """Fit some paths of as many points (K, N, 2) by every model that they may be worth, and average."""
    astray = looks.astray
    out: list[Averaged | None] = [None] * len(paths)
    for robust in (False, True):
        rows = np.flatnonzero(astray == robust)
        if len(rows):
            some = Looks(looks.across_mm2[rows], looks.scale_mm[rows], astray[rows])
            for k, one in zip(rows.tolist(), _averaged(paths[rows], noise, some, robust), strict=True):
                out[k] = one
    return [one for one in out if one is not None]


def _averaged(paths: Float64, noise: Noise, looks: Looks, robust: bool) -> list[Averaged]:
    count, size = paths.shape[:2]
    local = paths - paths[:, :1]
    points = np.stack([local[..., 0], local[..., 1], np.ones(local.shape[:2])], axis=1)
    fine, total, _ = smooth_paths(points[:, 0], points[:, 1], max(1, min(12, size // 3)))
    independent = np.maximum(4.0, total / np.maximum(total / (size - 1), noise.correlation_mm))
    inflation = np.maximum(1.0, noise.correlation_mm * (size - 1) / total)
    floor = floor_mm2(noise, total)
    sigma = np.maximum(looks.scale_mm, max(noise.std_mm, 1e-6))
    loss: Loss | None = mixture(sigma) if robust else None
    found: list[list[_Candidate]] = [[] for _ in range(count)]

    def misfit(residual: Float64, rows: NDArray[np.intp]) -> Float64:
        """What the likelihood falls with, of each independent point: the logarithm of the mean square, or the loss."""
        if loss is None:
            return np.asarray(np.log(np.mean(residual**2, axis=1) + floor[rows]), np.float64)
        cost = chosen(loss, rows)(residual, np.arange(len(rows)))[0]
        return np.asarray(cost / sigma[rows] ** 2 / inflation[rows] / independent[rows], np.float64)

    every = np.arange(count)
    for arcs, parameters, name in ((0, 2, "straight"), (1, 5, "one arc")):
        fits = fit_paths(paths, (arcs, True), std_mm=noise.std_mm, correlation_mm=noise.correlation_mm, robust=robust)
        of_arc = misfit(distances(points, fits.theta, (arcs, True)), every)
        for k in range(count):
            found[k].append(_Candidate(name, model_of(fits, k, paths[k, 0], arcs), float(of_arc[k]), parameters))
    arc, square = fits.theta, fits.misfit_mm**2
    variance = np.maximum(looks.across_mm2, max(noise.std_mm**2, FLOOR)) if loss is None else sigma**2
    least = of_arc.copy()

    def fit(kind: Kind, starts: Float64, rows: NDArray[np.intp]) -> Pieces:
        one = fit_pieces(
            points[rows],
            starts,
            total[rows],
            kind,
            variance=variance[rows],
            std_mm=noise.std_mm,
            inflation=inflation[rows],
            loss=None if loss is None else chosen(loss, rows),
        )
        off = misfit(one.residual_mm, rows)
        for at, k in enumerate(rows.tolist()):
            if one.length_mm[at] > 0.5 * total[k]:
                found[k].append(_Candidate(kind.name, one.model(at, paths[k, 0]), float(off[at]), kind.parameters))
                least[k] = min(least[k], off[at])
                square[k] = min(square[k], one.square_mm2[at])
        return one

    going = every if robust else np.flatnonzero(looks.worth_more(square, independent, floor))
    if size >= FEWEST[1] and len(going):
        two = fit(
            TWO_ARCS, two_arcs_starts(arc[going], first_guesses(fine[going], total[going], TWO_ARCS.shape)), going
        )
        gained = freedom(independent[going], TWO_ARCS.parameters, noise) * (of_arc[going] - least[going])
        some = np.flatnonzero(gained > LEAST_GAIN)
        if len(some):
            going, two = going[some], two.of(some)
            fit(SPIRAL, spiral_starts(arc[going], two), going)
            some = np.flatnonzero(looks.worth_more(square, independent, floor)[going])
            if size >= FEWEST[2] and len(some):
                going, two = going[some], two.of(some)
                three = fit(THREE_ARCS, first_guesses(fine[going], total[going], THREE_ARCS.shape), going)
                fit(TWO_SPIRALS, two_spirals_starts(two, three), going)
    out = []
    for k, candidates in enumerate(found):
        richest = max(one.parameters for one in candidates)
        counts = independent[[k]] if robust else freedom(independent[[k]], richest, noise)
        out.append(_mean(candidates, float(counts[0])))
    return out


def freedom(independent: Float64, parameters: int, noise: Noise) -> Float64:
    """What the logarithm of a mean square counts by: independent points less the parameters of the richest model, which lies
    near few points by chance; all of them where clicks come with their own uncertainty, nearer than which nothing counts.
    """
    known = noise.std_mm > 0.0 and noise.correlation_mm == 0.0
    return np.asarray(np.maximum(independent - (0 if known else parameters), LEAST_FREEDOM), np.float64)


def _mean(candidates: Sequence[_Candidate], count: float) -> Averaged:
    """The average over the models of one path, whose misfits count so often."""
    criteria = np.array([count * one.misfit + PENALTY * one.parameters for one in candidates])
    weights = np.exp(0.5 * (criteria.min() - criteria))
    weights /= weights.sum()
    kept = [(one, float(w)) for one, w in zip(candidates, weights, strict=True) if w >= LEAST_SHARE]
    made = [(one, w, *_figures(one.model)) for one, w in kept]
    counts: dict[int, float] = {}
    for _, w, count, _ in made:
        counts[count] = counts.get(count, 0.0) + w
    bends = max(counts, key=lambda count: counts[count])
    alike = [entry for entry in made if entry[2] == bends]
    best = max(alike, key=lambda entry: entry[1])[0]
    of = {}
    for name in max(alike, key=lambda entry: entry[1])[3]:
        entries = made if name in WHOLE else alike
        some = [(w, *figures[name]) for _, w, _, figures in entries if name in figures]
        share = sum(w for w, _, _ in some)
        mean = sum(w * value for w, value, _ in some) / share
        variance = sum(w * (std**2 + (value - mean) ** 2) for w, value, std in some) / share
        of[name] = (mean, float(np.sqrt(variance)))
    shares = {one.name: w for one, w in kept}
    return Averaged(best.model, bends, shares, of)


WHOLE = ("turning_deg", "long_axis_deg", "canal_access_deg")
"""Figures that every model has, however many bends it counts."""


def _figures(model: LineArc) -> tuple[int, dict[str, tuple[float, float]]]:
    """How many bends of 5 degrees and more a model has, and its figures with their standard uncertainties."""
    bends, arcs = model.bends, model.arcs
    here = np.concatenate([[model.heading_rad, 0.0], model.curvatures_per_mm, model.breaks_mm, [model.length_mm]])
    values, axes = np.linalg.eigh(model.covariance)
    seen = values > 1e-14 * values[-1]
    steps = STEP * np.sqrt(values[seen])[:, None] * axes.T[seen]
    moved = here + np.concatenate([steps, -steps])
    if arcs:  # the parts stay in their order, and an arc that runs to the end of the canal ends where the canal does
        breaks, length = moved[:, 2 + arcs : -1], moved[:, -1:]
        np.clip(np.maximum.accumulate(breaks, axis=1), 0.0, np.maximum(length, 0.0), out=breaks)
        np.copyto(breaks, length, where=model.breaks_mm >= model.length_mm)
    found = _values(np.concatenate([here[None], moved]), arcs, bends)
    change = (found[1 : len(steps) + 1] - found[len(steps) + 1 :]) / (2.0 * STEP)
    std = np.sqrt(np.sum(change**2, axis=0))
    count = sum(abs(degrees(model.bend_turn_rad(bend))) >= LEAST_BEND_DEG for bend in bends)
    pairs = zip(_names(len(bends)), found[0].tolist(), std.tolist(), strict=True)
    return count, {name: (value, std) for name, value, std in pairs}


def _names(bends: int) -> tuple[str, ...]:
    each = [f"{name}_{k}" for k in range(bends) for name in ("schneider_deg", "weine_deg")]
    return (*WHOLE, *each)


def _values(theta: Float64, arcs: int, bends: tuple[tuple[int, int], ...]) -> Float64:
    """The figures of `_names`, those of `curvature`, of M models (M, 3 + 3 arcs) whose bends are of the same arcs: (M, F)."""
    heading, curvature, breaks, length = theta[:, 0], theta[:, 2 : 2 + arcs], theta[:, 2 + arcs : -1], theta[:, -1]
    each = curvature * (breaks[:, 1::2] - breaks[:, ::2])
    turns = [np.abs(np.degrees(each[:, first : last + 1].sum(axis=1))) for first, last in bends]
    spans = np.diff(breaks, axis=1, prepend=0.0)
    curvatures = np.zeros(spans.shape)
    curvatures[:, 1::2] = curvature
    turned = curvatures * spans
    headings = heading[:, None] + np.cumsum(turned, axis=1) - turned
    places = np.cumsum(chord(curvatures, spans) * np.exp(1j * headings), axis=1)
    whole = each.sum(axis=1)
    behind, begun = (breaks[:, -1], places[:, -1]) if arcs else (0.0, 0.0)
    end = begun + (length - behind) * np.exp(1j * (heading + whole))
    # From a begin to an end as seen along the heading there; all are about the start of the model.
    values = [sum(turns, np.zeros(len(theta))), np.abs(np.degrees(whole)), _between(end, heading)]
    for k, turn in enumerate(turns):
        begin_at, end_at = 2 * bends[k][0], 2 * bends[k][1] + 1
        # At an inflection the middle of the straight part between.
        begin = places[:, begin_at]
        if k:
            begin = 0.5 * (places[:, 2 * bends[k - 1][1] + 1] + begin)
        reached = end if k == len(turns) - 1 else 0.5 * (places[:, end_at] + places[:, 2 * bends[k + 1][0]])
        values += [_between(reached - begin, headings[:, begin_at]), turn]
    return np.stack(values, axis=1)


def _between(way: Complex, heading: Float64) -> Float64:
    turned = way * np.exp(-1j * heading)
    return np.asarray(np.degrees(np.arctan2(np.abs(turned.imag), turned.real)), np.float64)
