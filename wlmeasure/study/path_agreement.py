"""Agreement of the paths that observers drew: how far apart they run, where they end, and what that does to the length.

All distances are in mm on one scale a film, the mean of the observers' own. A difference of two lengths is taken apart into
what the observers' scales, the coronal start, the apical end and the course between them do; the four add up to it exactly.
The end's part is the distance along the other path from the foot of the end to its own end, the mean of both ways round.
Ours; no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.points import polyline_feet
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.quantiles import f_quantile
from wlmeasure.trace.spline import arc_length

__all__ = ["PLACES", "Ellipse", "PathAgreement", "PathPair", "ends_of", "path_agreement", "path_pair"]

Float64 = NDArray[np.float64]

PLACES = np.linspace(0.0, 1.0, 41)
"""Where along a path, from its start to its end, distances are taken."""
END_MM = 1.0  # of the path's end whose direction is "along" (our parameter)
PARTS = ("scale", "start", "end", "course")


@frozen(eq=False)
class PathPair:
    """Two paths of one canal, by two observers or by one at two times.

    Attributes
    ----------
    distance_mm
        At :data:`PLACES` along the paths, the mean of both ways round.
    longer_mm
        How much longer the first is, each on its own observer's scale.
    parts_mm
        What scale, start, end and course do to that; their sum is `longer_mm`.
    ends_mm
        From one apical end to the other. The last of `distance_mm` is less: from an end to the nearest of the other path.
    """

    subject: str
    first: tuple[str, int]
    second: tuple[str, int]
    distance_mm: Float64
    longer_mm: float
    parts_mm: tuple[float, float, float, float]
    ends_mm: float


@frozen
class Ellipse:
    """Region that holds 95 of 100 ends about the mean end of their canal; along and across the canal, mm.

    For new readings of the same spread: the covariance's chi-squared quantile is replaced by that of F, since the covariance
    is itself estimated from `freedom` degrees of freedom.
    """

    half_axes_mm: tuple[float, float]
    turn_deg: float
    along_std_mm: float
    across_std_mm: float
    freedom: int


@frozen(eq=False)
class PathAgreement:
    """What all paths of a study say together.

    Attributes
    ----------
    pairs
        Of two observers, first readings.
    mean_mm, high_mm
        Distance of two observers' paths at :data:`PLACES`: mean, and what 95 of 100 stay below.
    shares
        Share of scale, start, end and course in the squared differences of length; they add up to 1, and one that works against
        the others is negative. None where all lengths agree.
    ellipse
        None where too few ends are repeated.
    ends
        (observer, along, across) of every end from its canal's mean end, mm; along is positive when long.
    own
        (observer, pairs, mean distance, distance of the ends) of an observer's first two paths of the same canal, mm.
    """

    pairs: tuple[PathPair, ...]
    mean_mm: Float64
    high_mm: Float64
    shares: tuple[float, float, float, float] | None
    ellipse: Ellipse | None
    ends: tuple[tuple[str, float, float], ...]
    own: tuple[tuple[str, int, float, float], ...] = ()


def path_agreement(paths: Sequence[DrawnPath]) -> PathAgreement | None:
    """Agreement of the observers' first paths of each canal; None where no canal was drawn twice on a film with a scale.

    Paths that began from a proposal are left out: two from one proposal lie together because of it.
    """
    paths = [path for path in paths if not path.proposal]
    first: dict[str, dict[str, DrawnPath]] = {}
    for path in sorted(paths, key=lambda p: p.repeat):
        if path.mm_per_px is not None:
            first.setdefault(path.subject, {}).setdefault(path.observer, path)
    pairs, ends, deviations, freedom = [], [], [], 0
    for drawn in first.values():
        if len(drawn) < 2:
            continue
        scale = _scale(list(drawn.values()))
        pairs += [path_pair(a, b, scale) for a, b in combinations(drawn.values(), 2)]
        off = ends_of(list(drawn.values()), scale)
        ends += [(name, float(a), float(c)) for name, (a, c) in zip(drawn, off, strict=True)]
        deviations.append(off)
        freedom += len(off) - 1
    if not pairs:
        return None
    distances = np.array([pair.distance_mm for pair in pairs])
    parts = np.array([pair.parts_mm for pair in pairs])
    whole = parts.sum(axis=1)
    square = float(whole @ whole)
    shares = tuple(float(part @ whole) / square for part in parts.T) if square > 0.0 else None
    return PathAgreement(
        tuple(pairs),
        distances.mean(axis=0),
        np.quantile(distances, 0.95, axis=0),
        None if shares is None else (shares[0], shares[1], shares[2], shares[3]),
        _ellipse(np.vstack(deviations), freedom),
        tuple(ends),
        _own(paths),
    )


def _own(paths: Sequence[DrawnPath]) -> tuple[tuple[str, int, float, float], ...]:
    """How far an observer's second path of a canal lies from the first one."""
    drawn: dict[tuple[str, str], list[DrawnPath]] = {}
    for path in sorted(paths, key=lambda p: p.repeat):
        if path.mm_per_px is not None:
            drawn.setdefault((path.observer, path.subject), []).append(path)
    found: dict[str, list[PathPair]] = {}
    for (observer, _), two in drawn.items():
        if len(two) > 1:
            found.setdefault(observer, []).append(path_pair(two[0], two[1], _scale(two[:2])))
    return tuple(
        (
            observer,
            len(pairs),
            float(np.mean([pair.distance_mm for pair in pairs])),
            float(np.mean([pair.ends_mm for pair in pairs])),
        )
        for observer, pairs in found.items()
    )


def path_pair(a: DrawnPath, b: DrawnPath, mm_per_px: Float64) -> PathPair:
    """Distance and difference of two paths of one canal, on the scale `mm_per_px` (row, col)."""
    one, two = a.path_px * mm_per_px, b.path_px * mm_per_px
    distance = 0.5 * (_apart(one, two) + _apart(two, one))
    lengths = [float(arc_length(path)[-1]) for path in (one, two)]
    own = [float(arc_length(p.path_px * np.asarray(p.mm_per_px))[-1]) if p.mm_per_px else v for p, v in
           zip((a, b), lengths, strict=True)]  # fmt: skip
    scale = (own[0] - lengths[0]) - (own[1] - lengths[1])
    end = 0.5 * (_beyond(two, one[-1]) - _beyond(one, two[-1]))
    start = 0.5 * (_beyond(two[::-1], one[0]) - _beyond(one[::-1], two[0]))
    course = lengths[0] - lengths[1] - start - end
    return PathPair(
        a.subject,
        (a.observer, a.repeat),
        (b.observer, b.repeat),
        distance,
        own[0] - own[1],
        (scale, start, end, course),
        float(np.hypot(*(one[-1] - two[-1]))),
    )


def ends_of(paths: Sequence[DrawnPath], mm_per_px: Float64) -> Float64:
    """(k, 2): every path's end from their mean end, along the canal (positive: longer) and across it, mm."""
    ends = np.array([path.path_px[-1] * mm_per_px for path in paths])
    heading = np.zeros(2)
    for path in paths:
        line = path.path_px * mm_per_px
        along = arc_length(line)
        begin = [float(np.interp(max(0.0, along[-1] - END_MM), along, line[:, axis])) for axis in (0, 1)]
        step = line[-1] - begin
        heading += step / max(float(np.hypot(*step)), 1e-12)
    heading /= max(float(np.hypot(*heading)), 1e-12)
    off = ends - ends.mean(axis=0)
    return np.column_stack([off @ heading, off @ np.array([-heading[1], heading[0]])])


def _scale(paths: Sequence[DrawnPath]) -> Float64:
    return np.asarray(np.mean([path.mm_per_px for path in paths if path.mm_per_px is not None], axis=0), np.float64)


def _apart(path: Float64, other: Float64) -> Float64:
    """Distance from `path` at :data:`PLACES` to the nearest point of `other`."""
    along = arc_length(path)
    at = np.column_stack([np.interp(PLACES * along[-1], along, axis) for axis in path.T])
    return polyline_feet(at, other).apart


def _beyond(path: Float64, point: Float64) -> float:
    """How far along `path` the foot of a point lies beyond the path's end; negative before it."""
    foot = polyline_feet(point, path)
    if foot.over[0] > 0.0:
        # Along the last millimetre's direction: the last two points of a path are close together and may point anywhere.
        begin = np.array([np.interp(max(0.0, foot.total - END_MM), arc_length(path), axis) for axis in path.T])
        direction = path[-1] - begin
        return max(0.0, float((point - path[-1]) @ direction) / max(float(np.hypot(*direction)), 1e-12))
    return float(foot.along[0]) - foot.total


def _ellipse(off: Float64, freedom: int) -> Ellipse | None:
    if freedom < 3:
        return None
    covariance = off.T @ off / freedom
    values, vectors = np.linalg.eigh(covariance)
    times = sqrt(2.0 * freedom / (freedom - 1.0) * f_quantile(0.95, 2.0, freedom - 1.0))
    long, short = (times * sqrt(max(0.0, float(v))) for v in values[::-1])
    turn = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])))
    return Ellipse(
        (long, short),
        (turn + 90.0) % 180.0 - 90.0,
        sqrt(float(covariance[0, 0])),
        sqrt(float(covariance[1, 1])),
        freedom,
    )
