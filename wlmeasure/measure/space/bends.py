"""The bends of a line in space: straight parts and circular arcs, judged by the marks on the films.

The fitted line is smooth and rounds a sharp bend off. So the parts are not read off it: lines with one arc, or two opposite
ones, each in a plane of its own, are held against what the marks say of the line's curvature. Near the fit that is a quadratic
form, with everything else (direction, length, films) fitted anew for each. Where the arcs begin and end is tried on a grid, the
curvatures in between are linear; what is given are means over all places by their probability, and of a straight line, one bend
and two the kind that is the most probable by itself (marginal likelihood). Errors of the places are part of the uncertainty.

Schneider's and Pruett's angles follow from the parts by their formulas (`measure.curvature`, TRADE constructions), in each
bend's own plane: Schneider (1971) from where a bend begins to where the canal ends, for an S to and from the inflection.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from itertools import combinations
from math import atan2, degrees, hypot

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.curvature import DETERMINED_RATIO, STRAIGHT_DEG, WHOLE_LENGTH_SHARE, Form
from wlmeasure.measure.space.curve import STEPS, Line, line_of, weights_of
from wlmeasure.measure.space.fit import SHAPE, Solution, layout_of
from wlmeasure.measure.space.scene import Scene
from wlmeasure.measure.space.values import Angle, BendPlane, SpatialBends

__all__ = ["bends_of"]

Float64 = NDArray[np.float64]

PLACES = 17  # our parameter: places along a canal where an arc may begin or end, about 0.6 mm apart
ARC_STD_PER_MM = 0.4  # our parameter: spread of an arc's curvature both ways; published sharpest 0.49 in the median
OFF_ARCS_PER_MM = 0.02  # our parameter: what a canal's curvature is off straight parts and arcs, and they off the grid
END_MM = 2.0  # of either end, for the angle from end to end: Luiten's construction as a teaching text tells it


@lru_cache(maxsize=8)
def _stretches(knots: int) -> tuple[Float64, Float64, NDArray[np.intp]]:
    """Stretches between two places: ends as shares (S, 2), knots of a unit of curvature (S, knots), pairs apart (P, 2)."""
    places = np.linspace(0.0, 1.0, PLACES)
    ends = np.array(list(combinations(range(PLACES), 2)))
    edges = np.linspace(0.0, 1.0, STEPS + 1)
    low, high = places[ends[:, 0]][:, None], places[ends[:, 1]][:, None]
    boxes = np.clip((np.minimum(high, edges[1:]) - np.maximum(low, edges[:-1])) * STEPS, 0.0, 1.0)
    weights = weights_of(knots)
    on_knots = np.linalg.solve(weights.T @ weights, weights.T @ boxes.T).T
    apart = np.array([(i, j) for i, one in enumerate(ends) for j, two in enumerate(ends) if two[0] >= one[1]])
    return places[ends], on_knots, apart


@frozen(eq=False)
class _Kind:
    """Lines with a number of arcs: log probability of all of them together, and of each its weight, its arcs' ends as shares
    (N, arcs, 2), curvatures (N, arcs) per whole length, and the curvatures' standard deviations.
    """

    log: float
    weights: Float64
    ends: Float64
    turns: Float64
    stds: Float64


def _told(solution: Solution, scene: Scene, index: int) -> tuple[Float64, Float64]:
    """What the marks say of a line's turns w: w'Qw - 2 p'w, everything else fitted anew."""
    layout = layout_of(scene, solution.tooth)
    keep = np.ones(len(solution.rows.residual), bool)
    at, seen = 0, 0
    for name, count in solution.rows.runs:
        if name == SHAPE:
            keep[at : at + count] = seen != index
            seen += 1
        at += count
    own = np.zeros(layout.size, bool)
    own[layout.turns(index)] = True
    slopes, residual = solution.rows.slopes[keep], solution.rows.residual[keep]
    one, rest = slopes[:, own], slopes[:, ~own]
    unit = 1.0 / np.maximum(np.linalg.norm(rest, axis=0), 1e-12)
    normal = (rest * unit).T @ (rest * unit) + 1e-9 * np.eye(rest.shape[1])
    onto = np.linalg.solve(normal, (rest * unit).T @ np.column_stack([one, residual]))
    left = np.column_stack([one, residual]) - (rest * unit) @ onto
    line = solution.tooth.lines[index]
    form = left[:, :-1].T @ left[:, :-1]
    towards = form @ line.turns.ravel() - left[:, :-1].T @ left[:, -1]
    # No canal is made of arcs: at every knot it may be off them by so much, which makes exact marks no more exact than that.
    softened = np.eye(len(form)) + (OFF_ARCS_PER_MM * line.length_mm) ** 2 * form
    return np.linalg.solve(softened, form), np.linalg.solve(softened, towards)


def _kinds(line: Line, form: Float64, towards: Float64) -> list[_Kind]:
    """Straight, one arc, two opposite arcs."""
    knots = line.turns.shape[1]
    ends, on_knots, apart = _stretches(knots)
    blocks = [
        [on_knots @ form[a * knots : (a + 1) * knots, b * knots : (b + 1) * knots] @ on_knots.T for b in (0, 1)]
        for a in (0, 1)
    ]
    pulls = [on_knots @ towards[a * knots : (a + 1) * knots] for a in (0, 1)]
    spread = ARC_STD_PER_MM * line.nominal_mm
    kinds = [_Kind(0.0, np.ones(1), np.zeros((1, 0, 2)), np.zeros((1, 0)), np.zeros((1, 0)))]
    for chosen in (np.arange(len(ends))[:, None], apart):
        arcs = chosen.shape[1]
        size = 2 * arcs
        matrix, pull = np.empty((len(chosen), size, size)), np.empty((len(chosen), size))
        for i in range(arcs):
            for a in (0, 1):
                pull[:, 2 * i + a] = pulls[a][chosen[:, i]]
                for j in range(arcs):
                    for b in (0, 1):
                        matrix[:, 2 * i + a, 2 * j + b] = blocks[a][b][chosen[:, i], chosen[:, j]]
        matrix += np.eye(size) / spread**2
        inverse = np.linalg.inv(matrix)
        found = np.einsum("nij,nj->ni", inverse, pull)
        height = 0.5 * np.einsum("ni,ni->n", found, pull) + 0.5 * np.linalg.slogdet(inverse)[1] - size * np.log(spread)
        vectors = found.reshape(-1, arcs, 2)
        turns = np.linalg.norm(vectors, axis=2)
        # Of a curvature's two components only the one along it changes its size.
        units = vectors / np.maximum(turns, 1e-12)[..., None]
        parts = np.stack([inverse[:, 2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(arcs)], axis=1)
        stds = np.sqrt(np.einsum("nia,niab,nib->ni", units, parts, units))
        fair = np.degrees(turns * (ends[chosen, 1] - ends[chosen, 0])).min(axis=1) >= STRAIGHT_DEG
        if arcs == 2:
            fair &= np.einsum("na,na->n", vectors[:, 0], vectors[:, 1]) < 0.0
        height = np.where(fair, height, -np.inf)
        most = height.max()
        if not np.isfinite(most):
            continue
        weights = np.exp(height - most)
        kinds.append(
            _Kind(float(most + np.log(weights.sum() / len(chosen))), weights / weights.sum(), ends[chosen], turns, stds)
        )
    return kinds


def _schneider(begin: Float64, end: Float64, stop: Float64, lead: Float64, turn: Float64) -> Float64:
    """Schneider's angle, rad, of arcs from `begin` to `end` in a canal that is followed to `stop`, from `lead` before the arc;
    lengths and curvature `turn` in one unit.
    """
    angle = turn * (end - begin)
    tail = stop - end
    bend = np.maximum(turn, 1e-9)
    return np.asarray(
        np.arctan2(
            (1.0 - np.cos(angle)) / bend + tail * np.sin(angle), lead + np.sin(angle) / bend + tail * np.cos(angle)
        )
    )


def _mean(kind: _Kind, of: Callable[[Float64], Float64]) -> tuple[float, float]:
    """Mean and variance, over the places, of an angle (rad) of the curvatures."""
    values = of(kind.turns)
    middle = float(kind.weights @ values)
    within = np.zeros(len(values))
    for arc in range(kind.turns.shape[1]):
        step = 1e-3 * (np.arange(kind.turns.shape[1]) == arc)
        within += ((of(kind.turns + step) - values) / 1e-3 * kind.stds[:, arc]) ** 2
    return middle, float(kind.weights @ ((values - middle) ** 2 + within))


def _schneiders(kind: _Kind, turns: Float64) -> Float64:
    """Schneider's angle of every bend (N, arcs), rad."""
    begins, ends = kind.ends[:, :, 0], kind.ends[:, :, 1]
    nothing = np.zeros(len(turns))
    if turns.shape[1] == 1:
        return _schneider(begins[:, 0], ends[:, 0], nothing + 1.0, nothing, turns[:, 0])[:, None]
    inflection = 0.5 * (ends[:, 0] + begins[:, 1])
    first = _schneider(begins[:, 0], ends[:, 0], inflection, nothing, turns[:, 0])
    second = _schneider(begins[:, 1], ends[:, 1], nothing + 1.0, begins[:, 1] - inflection, turns[:, 1])
    return np.stack([first, second], axis=1)


def _largest(kinds: list[_Kind], straight_std_deg: float) -> Angle:
    """The largest Schneider angle over all kinds of line by their probability."""
    logs = np.array([kind.log for kind in kinds])
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    parts = [(0.0, np.radians(0.5 * straight_std_deg) ** 2)]
    parts += [_mean(kind, lambda t: _schneiders(kind, t).max(axis=1)) for kind in kinds[1:]]  # noqa: B023
    middle = sum(share * mean for share, (mean, _) in zip(shares, parts, strict=True))
    spread = sum(
        share * (variance + (mean - middle) ** 2) for share, (mean, variance) in zip(shares, parts, strict=True)
    )
    return Angle(degrees(middle), degrees(float(np.sqrt(spread))))


def bends_of(scene: Scene, solution: Solution, index: int, beam: Float64) -> SpatialBends:
    """Angles, radius and planes of the bends of one line; `beam` is the unit vector towards the source of the first film."""
    line = solution.tooth.lines[index]
    layout = layout_of(scene, solution.tooth)
    own = slice(layout.length(index) - 2, layout.turns(index).stop)
    covariance = solution.covariance[own, own]
    points, _, by_line = line_of(line)
    end_to_end = _end_to_end(line, points, by_line[:, :, 3:], covariance)
    kinds = _kinds(line, *_told(solution, scene, index))
    largest = _largest(kinds, end_to_end.std_deg)
    kind = max(kinds, key=lambda one: one.log)
    weights, arcs = kind.weights, kind.turns.shape[1]
    if not arcs:
        straight = Angle(0.0, end_to_end.std_deg)
        half = Angle(0.0, 0.5 * end_to_end.std_deg)
        return SpatialBends("I", largest, half, None, straight, None, straight, end_to_end, None, None, ())
    runs = kind.ends[:, :, 1] - kind.ends[:, :, 0]

    def mean(of: Callable[[Float64], Float64]) -> Angle:
        middle, variance = _mean(kind, of)
        return Angle(degrees(middle), degrees(float(np.sqrt(variance))))

    curvature = float(weights @ kind.turns[:, 0]) / line.length_mm
    spread = float(weights @ (kind.stds[:, 0] ** 2 + (kind.turns[:, 0] - curvature * line.length_mm) ** 2))
    reach = NORMAL_95 * float(np.sqrt(spread)) / line.length_mm
    radii = (1.0 / (curvature + reach), 1.0 / (curvature - reach) if curvature > reach else float("inf"))
    places = [(float(weights @ low), float(weights @ high)) for low, high in np.moveaxis(kind.ends, 0, -1)]
    form: Form = "S" if arcs == 2 else "C" if places[0][0] < WHOLE_LENGTH_SHARE else "J"
    return SpatialBends(
        form=form,
        largest=largest,
        schneider=mean(lambda turns: _schneiders(kind, turns)[:, 0]),
        schneider_secondary=mean(lambda turns: _schneiders(kind, turns)[:, 1]) if arcs == 2 else None,
        pruett=mean(lambda turns: turns[:, 0] * runs[:, 0]),
        pruett_secondary=mean(lambda turns: turns[:, 1] * runs[:, 1]) if arcs == 2 else None,
        total_turning=mean(lambda turns: np.asarray((turns * runs).sum(axis=1), np.float64)),
        end_to_end=end_to_end,
        radius_mm=1.0 / curvature if radii[1] <= DETERMINED_RATIO * radii[0] else None,
        radius_interval_mm=radii,
        planes=_planes(line, covariance, places, beam),
    )


def _end_to_end(line: Line, points: Float64, by_line: Float64, covariance: Float64) -> Angle:
    """Angle between the coronal and the apical end of the line, Luiten's construction in space."""
    share = min(1.0, line.length_mm / (2.0 * (END_MM + END_MM)))
    first = max(1, round(STEPS * share * END_MM / line.length_mm))
    last = STEPS - max(1, round(STEPS * share * END_MM / line.length_mm))
    ways = points[first] - points[0], points[STEPS] - points[last]
    by = by_line[first] - by_line[0], by_line[STEPS] - by_line[last]
    units = [way / np.linalg.norm(way) for way in ways]
    # Of each direction what stands square to it turns it.
    turned = [
        (own - np.outer(unit, unit @ own)) / np.linalg.norm(way) for unit, own, way in zip(units, by, ways, strict=True)
    ]
    cosine = float(np.clip(units[0] @ units[1], -1.0, 1.0))
    sine = float(np.linalg.norm(np.cross(*units)))
    change = turned[1] - turned[0]
    if sine > 1e-6:
        slope = -(units[0] @ turned[1] + units[1] @ turned[0]) / sine
        std = float(np.sqrt(max(float(slope @ covariance @ slope), 0.0)))
    else:
        std = float(np.sqrt(max(float(np.trace(change @ covariance @ change.T)), 0.0)))
    return Angle(degrees(atan2(sine, cosine)), degrees(std))


def _planes(line: Line, covariance: Float64, places: list[tuple[float, float]], beam: Float64) -> tuple[BendPlane, ...]:
    planes = []
    at = (np.arange(STEPS) + 0.5) * line.length_mm / STEPS
    for begin, end in ((low * line.length_mm, high * line.length_mm) for low, high in places):
        inside = (at >= begin) & (at <= end)
        if not inside.any():
            inside = np.abs(at - 0.5 * (begin + end)) <= line.length_mm / STEPS

        def towards(of: Line, inside: NDArray[np.bool_] = inside) -> tuple[Float64, Float64]:
            """Where it bends to, and the normal of the plane in which it bends: sums over the bend."""
            k1, k2 = (component[:, None] for component in of.curvature_per_mm())
            _, frames, _ = line_of(of, slopes=False)
            one, two = (0.5 * (frames[:-1] + frames[1:])[:, :, axis] for axis in (1, 2))
            return (one * k1 + two * k2)[inside].sum(axis=0), (two * k1 - one * k2)[inside].sum(axis=0)

        here, normal = towards(line)
        angle = atan2(here[1], here[0])
        gradient = np.zeros(line.parameters - 3)
        step = 1e-4
        for j in range(len(gradient)):
            change = np.zeros(line.parameters)
            change[3 + j] = step
            there, _ = towards(line.moved(change))
            gradient[j] = (atan2(there[1], there[0]) - angle + np.pi) % (2.0 * np.pi) - np.pi
        gradient /= step
        std = float(np.sqrt(max(float(gradient @ covariance @ gradient), 0.0)))
        along = float(normal @ beam)
        out = degrees(atan2(hypot(*(normal - beam * along)), abs(along)))
        planes.append(BendPlane(begin, end, degrees(angle), degrees(std), out))
    return tuple(planes)
