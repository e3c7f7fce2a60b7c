"""From maps to teeth, roots, canals and files: which canal belongs to which root, which file lies in which canal.

Lines are followed between the points that the maps mark as their ends. Where several ends could belong together, the pair whose
way is seen best and turns least is taken first; a way that runs along one already taken needs evidence of its own. All that
is found has a list of marks, from which a probability follows (`certainty`); nothing is dropped for being doubtful but what is
too faint to be followed.

All constants are our parameters; lengths are pixels of the maps, about 0.08 mm.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from attrs import evolve, field, frozen
from attrs.converters import optional
from numpy.typing import NDArray

from wlmeasure.detect.channels import Channel
from wlmeasure.detect.network import Maps
from wlmeasure.detect.ways import Lines, Peak, Strand, Way, heading, peaks
from wlmeasure.points import frozen_array

__all__ = ["Found", "FoundCanal", "FoundFile", "FoundPoint", "FoundRoot", "assemble"]

Float64 = NDArray[np.float64]

LEAST_POINT = 0.2
LEAST_LINE = 0.35
"""Shares below which a point or a line is not taken up at all."""
LEAST_FILE_PX, LEAST_CANAL_PX = 45.0, 30.0
"""Shortest file and canal in the picture: 3.6 and 2.4 mm."""
TURN_COST, WEAK_GAIN = 0.8, 0.6
KEEN_FILES = 3
LEAST_SCORE, CROSSED_GAIN = 0.5, 0.05
SAME_PX = 3.0
"""Ways nearer than this run together."""
MOST_OVERLAP = 0.7
"""Of a file with another one."""
SURE_TIP, BORDER_TIP_PX = 0.5, 8.0
SECOND_FILE_PX = 60.0
"""How far a second file between the same ends must run apart: 5 mm."""
OWN_PX = 18.0
"""How far a canal must run on its own, away from those already found: 1.4 mm."""
SECOND_PX, SECOND_SEEN, VALLEY = 22.0, 0.4, 0.8
"""How much of a second canal between the same ends must lie apart, how well that must be seen, and how much lower the map must
be between the two, as a share."""
OPEN_SEEN = 0.35
"""How well a canal must be seen of which an end is not marked."""
END_SHARE, BELL_PX = 0.3, 2.3
"""A line ends where its map falls to this share of its middle value, less what a bell itself reaches beyond its end."""
IN_CANAL_PX, IN_CANAL_SHARE = 6.0, 0.5
ONE_TOOTH_PX, TRUNK_GAP_PX = 85.0, 11.0
"""Orifices of one tooth lie at most 7 mm apart, and no longer stretch than 0.9 mm between them is outside of roots."""
TRUNK_UP_PX = (0.0, 5.0, 10.0)
IN_ROOT_SHARE = 0.85
LEAST_PASSING, PASSED_SHARE = 0.6, 0.6
SPREAD_REACH_PX = 25


@frozen(eq=False)
class FoundPoint:
    """A root end, orifice or reference: place (row, col) on the maps, and its marks."""

    at: Float64 = field(converter=frozen_array)
    marks: tuple[float, ...] = ()


@frozen(eq=False)
class FoundFile:
    """A file, coronal to apical: its path on the maps; its ends, None where not seen; whether it leaves the picture.

    `marks` are of the line and its tip, `upper_marks` of what is said of the upper end. `upper_spread` is the standard
    deviation, pixels, of the map of upper ends along the shaft: where no stop is seen the map says a stretch, not a place.
    """

    path: Float64 = field(converter=frozen_array)
    upper: Float64 | None = field(converter=optional(frozen_array))
    tip: Float64 | None = field(converter=optional(frozen_array))
    leaves: bool
    canal: int | None
    marks: tuple[float, ...]
    upper_marks: tuple[float, ...] = ()
    upper_spread: float = float("inf")


@frozen(eq=False)
class FoundCanal:
    """A canal, orifice to end: its path on the maps; whether either end is seen; its root, tooth, and the file in it."""

    path: Float64 = field(converter=frozen_array)
    orifice_seen: bool
    end_seen: bool
    root: int | None
    tooth: int
    file: int | None
    marks: tuple[float, ...]


@frozen(eq=False)
class FoundRoot:
    """A root's end, and its tooth."""

    end: Float64 = field(converter=frozen_array)
    tooth: int
    marks: tuple[float, ...] = ()


@frozen(eq=False)
class Found:
    """All that the maps show. Numbers in canals, files and roots are places in these tuples; teeth run along the film."""

    files: tuple[FoundFile, ...]
    canals: tuple[FoundCanal, ...]
    roots: tuple[FoundRoot, ...]
    orifices: tuple[FoundPoint, ...]
    references: tuple[FoundPoint, ...]
    reference_tooth: tuple[int, ...]
    teeth: int


def assemble(maps: Maps) -> Found:
    """Teeth, roots, canals and files of a film."""
    ends = peaks(maps.of(Channel.ROOT_END), LEAST_POINT)
    orifices = peaks(maps.of(Channel.ORIFICE), LEAST_POINT)
    references = peaks(maps.of(Channel.REFERENCE), LEAST_POINT, apart_px=6)
    crownward = _crownward(ends, orifices, references)
    joined = _canals(maps, orifices, ends, crownward)
    tooth_of, teeth = _teeth(maps, joined, ends, crownward)
    files = _files(maps, crownward)
    lies = _lies_in([f.path for f in files], [c.way.points for c in joined])
    holds = {canal: k for k, canal in enumerate(lies) if canal is not None}
    canals = tuple(
        FoundCanal(
            c.way.points, c.start is not None, c.end is not None, c.end, tooth_of[k], holds.get(k),
            _canal_marks(maps, c, orifices, ends, k in holds),
        )
        for k, c in enumerate(joined)
    )  # fmt: skip
    root_tooth = [teeth[k] for k in range(len(ends))]
    roots = tuple(
        FoundRoot(end.at, root_tooth[k], _end_marks(maps, end, [c for c in joined if c.end == k]))
        for k, end in enumerate(ends)
    )
    points = tuple(
        FoundPoint(o.at, _point_marks(maps, o, any(c.start == k for c in joined))) for k, o in enumerate(orifices)
    )
    nearest = tuple(_tooth_of_reference(r, canals, crownward) for r in references)
    marked = tuple(
        FoundPoint(r.at, _point_marks(maps, r, tooth is not None)) for r, tooth in zip(references, nearest, strict=True)
    )
    return Found(
        tuple(evolve(f, canal=lies[k]) for k, f in enumerate(files)), canals, roots, points, marked,
        tuple(-1 if tooth is None else tooth for tooth in nearest), len(set(tooth_of) | set(root_tooth)),
    )  # fmt: skip


def _crownward(ends: list[Peak], orifices: list[Peak], references: list[Peak]) -> Float64 | None:
    """Unit vector towards the crowns, from the middles of what lies at either end; None where only one end shows."""
    groups = [(references, orifices), (orifices, ends), (references, ends)]
    total = np.zeros(2)
    for upper, lower in groups:
        if upper and lower:
            mean = [sum(p.share * p.at for p in g) / sum(p.share for p in g) for g in (upper, lower)]
            total = total + np.asarray(mean[0] - mean[1])
    size = float(np.hypot(*total))
    return total / size if size > 1e-6 else None


# --- files -----------------------------------------------------------------------------------------------------------


@frozen(eq=False)
class _Pair:
    """Two ends that may belong together: their numbers, the way between, and how good it is."""

    start: int
    end: int
    way: Way
    score: float


def _score(way: Way, gain: float) -> float:
    return way.seen + WEAK_GAIN * way.weakest - TURN_COST * way.sharpest**2 + gain


def _files(maps: Maps, crownward: Float64 | None) -> list[FoundFile]:
    tips, uppers = (peaks(maps.of(c), LEAST_POINT) for c in (Channel.TIP, Channel.UPPER_END))
    lines = Lines(maps.of(Channel.FILE), maps.given.inside, least=LEAST_LINE, keen=KEEN_FILES)
    found: list[FoundFile] = []
    for strand in lines.strands:
        found += _files_of(maps, strand, tips, uppers, lines.border_cells(strand, LEAST_LINE), crownward)
    return found


def _files_of(
    maps: Maps, strand: Strand, tips: list[Peak], uppers: list[Peak], borders: list[Float64], crownward: Float64 | None
) -> list[FoundFile]:
    below = [(p, cell) for p in tips if (cell := strand.holds(p.at)) is not None]
    above = [(p, cell) for p in uppers if (cell := strand.holds(p.at)) is not None]
    above += [(Peak(b, 0.0), cell) for b in borders if (cell := strand.holds(b)) is not None]
    pairs: list[_Pair] = []
    for i, (tip, cell) in enumerate(below):
        for j, way in enumerate(strand.ways(cell, [other for _, other in above])):
            if way is not None and way.length >= LEAST_FILE_PX:
                up = way.reversed()
                gain = 0.3 * above[j][0].share + 0.5 * tip.share - _backwards(up, crownward)
                pairs.append(_Pair(j, i, up, _score(up, gain)))
    passed_tips = _passed(pairs, [p for p, _ in below], lambda pair: pair.end)
    passed_uppers = _passed(pairs, [p for p, _ in above], lambda pair: pair.start)
    pairs = [p for p in pairs if p.end not in passed_tips and p.start not in passed_uppers]
    found: list[FoundFile] = []
    taken: list[Way] = []
    chosen: list[_Pair] = []
    used_tips: set[int] = set()
    used_uppers: set[int] = set()
    for pair in sorted(pairs, key=lambda p: -p.score):
        if pair.end in used_tips or pair.start in used_uppers:
            continue
        if _overlap(pair.way, [p.way for p in chosen]) > MOST_OVERLAP:
            continue
        upper = above[pair.start][0]
        if upper.share == 0.0 and any(
            p.share > 0.4 and pair.way.near(p.at[None], 4.0).any() for p, _ in above if p is not upper
        ):
            continue  # its known length ends before the border
        used_tips.add(pair.end)
        used_uppers.add(pair.start)
        chosen.append(pair)
    for pair in _uncrossed(chosen, pairs):
        upper, tip = above[pair.start][0], below[pair.end][0]
        in_picture = upper.share > 0.0
        taken.append(pair.way)
        found.append(_file(maps, pair.way, upper if in_picture else None, tip, not in_picture))
    for k, (tip, cell) in enumerate(below):
        if k in used_tips or k in passed_tips:
            continue
        if any(p.end == k for p in pairs):
            continue
        other = strand.farthest(cell, LEAST_LINE)
        way = strand.ways(cell, [other])[0]
        if way is None or way.length < LEAST_FILE_PX or _overlap(way, taken) > MOST_OVERLAP:
            continue
        taken.append(way)
        found.append(_file(maps, way.reversed(), None, tip, False))
    found += _second_files(maps, strand, chosen, taken, above, below)
    if not below:
        found += _without_tip(maps, strand, above, crownward)
    return found


def _second_files(
    maps: Maps, strand: Strand, chosen: list[_Pair], taken: list[Way], above: list[tuple[Peak, tuple[int, int]]],
    below: list[tuple[Peak, tuple[int, int]]],
) -> list[FoundFile]:  # fmt: skip
    """Files beside one that was found, in the other canal of its root, where two lines run between what looks like one end."""
    more: list[FoundFile] = []
    ways = list(taken)
    for pair in chosen:
        (upper, coronal), (tip, apical) = above[pair.start], below[pair.end]
        rest = strand.without(ways, 2.0, np.array([upper.at, tip.at]), 9.0)
        if int((rest.share > SECOND_SEEN).sum()) < 3 * SECOND_PX:
            continue
        way, apart = _beside(strand, rest, ways, apical, coronal)
        if way is not None and apart * way.length >= SECOND_FILE_PX:
            ways.append(way)
            in_picture = upper.share > 0.0
            more.append(_file(maps, way, upper if in_picture else None, tip, not in_picture))
    return more


def _passed(pairs: list[_Pair], points: list[Peak], own: Callable[[_Pair], int]) -> set[int]:
    """Which points lie on a good way that ends at a surer point of their kind: a file has no tip half-way along it."""
    passed: set[int] = set()
    for pair in pairs:
        end = points[own(pair)]
        if pair.way.seen < LEAST_PASSING:
            continue
        for k, point in enumerate(points):
            surer = point.share < PASSED_SHARE * end.share
            if surer and pair.way.near(point.at[None], 4.0).any():
                passed.add(k)
    return passed


def _without_tip(
    maps: Maps, strand: Strand, above: list[tuple[Peak, tuple[int, int]]], crownward: Float64 | None
) -> list[FoundFile]:
    """The longest line of a strand on which no tip is marked."""
    first = strand.farthest(strand.brightest(), LEAST_LINE)
    way = strand.ways(first, [strand.farthest(first, LEAST_LINE)])[0]
    if way is None or way.length < LEAST_FILE_PX:
        return []
    marked = [p for p, _ in above if p.share > 0.0]
    gaps = [min((float(np.hypot(*(p.at - way.points[k]))) for p in marked), default=np.inf) for k in (0, -1)]
    # An upper end tells the ends apart, or else the direction of the crowns.
    up = 0.0 if crownward is None else float(heading(way.points) @ crownward)
    turned = gaps[1] < gaps[0] if min(gaps) < 8.0 else up > 0.0
    way = way.reversed() if turned else way
    upper = next((p for p in marked if np.hypot(*(p.at - way.points[0])) < 8.0), None)
    leaves = upper is None and any(np.hypot(*(p.at - way.points[0])) < 8.0 for p, _ in above)
    return [_file(maps, way, upper, None, leaves)]


def _backwards(way: Way, crownward: Float64 | None) -> float:
    """What a file or canal costs whose apical end points towards the crowns."""
    return 0.0 if crownward is None else max(float(heading(way.points) @ crownward), 0.0)


def _overlap(way: Way, taken: list[Way]) -> float:
    """Share of a way that runs along ways already taken."""
    if not taken:
        return 0.0
    near = np.zeros(len(way.points), np.bool_)
    for other in taken:
        near |= way.near(other.points, SAME_PX)
    return float(near.mean())


def _file(maps: Maps, way: Way, upper: Peak | None, tip: Peak | None, leaves: bool) -> FoundFile:
    along = _along(maps, way.points)
    if tip is not None and tip.share < SURE_TIP and _to_border(maps, tip) < BORDER_TIP_PX:
        tip = None  # the file goes on beyond the picture
    marks = (
        1.0,
        way.seen,
        way.weakest,
        0.0 if tip is None else tip.share,
        float(tip is None),
        min(way.length / 200.0, 1.5),
        min(way.sharpest, 1.5),
        float(along[Channel.FILLING]),
        float(along[Channel.METAL]),
    )
    points = np.array(way.points)
    spread = float("inf")
    if upper is not None:
        points[0] = upper.at
        spread = _spread(maps.of(Channel.UPPER_END), points)
    if tip is not None:
        points[-1] = tip.at
    top = points[: max(len(points) // 5, 2)]
    upper_marks = (
        1.0,
        0.0 if upper is None else upper.share,
        0.0 if upper is None else min(spread / 6.0, 2.0),
        float(leaves),
        float(upper is None and not leaves),
        float(_along(maps, top)[Channel.METAL]),
        way.seen,
    )
    at = None if upper is None else upper.at
    return FoundFile(points, at, None if tip is None else tip.at, leaves, None, marks, upper_marks, spread)


def _spread(share: NDArray[np.float32], path: Float64) -> float:
    """Standard deviation along a path, drawn straight on beyond its beginning, of a map about that beginning, pixels."""
    reach = min(SPREAD_REACH_PX, len(path) - 1)
    ahead = heading(path[: reach + 1])
    line = np.vstack([path[0] - ahead * k for k in range(SPREAD_REACH_PX, 0, -1)] + [path[: reach + 1]])
    at = np.clip(np.rint(line).astype(int), 0, np.array(share.shape) - 1)
    weight = share[at[:, 0], at[:, 1]].astype(np.float64) ** 2
    place = np.concatenate([np.arange(-SPREAD_REACH_PX, 0), np.arange(reach + 1)]).astype(np.float64)
    total = float(weight.sum())
    mean = float((weight * place).sum()) / max(total, 1e-9)
    return float(np.sqrt((weight * (place - mean) ** 2).sum() / max(total, 1e-9)))


def _along(maps: Maps, points: Float64) -> Float64:
    """Mean of every map along points."""
    at = np.rint(points).astype(int)
    rows, cols = np.clip(at[:, 0], 0, maps.shares.shape[1] - 1), np.clip(at[:, 1], 0, maps.shares.shape[2] - 1)
    return np.asarray(maps.shares[:, rows, cols].mean(axis=1), np.float64)


# --- canals ----------------------------------------------------------------------------------------------------------


@frozen(eq=False)
class _Canal:
    """A canal's way, orifice to end, and the numbers of its ends among the peaks; None where none is marked."""

    way: Way
    start: int | None
    end: int | None
    apart: float = 1.0


def _canals(maps: Maps, orifices: list[Peak], ends: list[Peak], crownward: Float64 | None) -> list[_Canal]:
    lines = Lines(maps.of(Channel.CANAL), maps.given.inside, least=LEAST_LINE)
    found: list[_Canal] = []
    for strand in lines.strands:
        found += _canals_of(strand, orifices, ends, lines.border_cells(strand, LEAST_LINE), crownward)
    return found


def _canals_of(
    strand: Strand, orifices: list[Peak], ends: list[Peak], borders: list[Float64], crownward: Float64 | None
) -> list[_Canal]:
    tops = [(k, cell) for k, p in enumerate(orifices) if (cell := strand.holds(p.at)) is not None]
    # A canal's line ends half a millimetre short of its root's end: that is looked for a little beyond the line.
    bottoms = [(k, cell) for k, p in enumerate(ends) if (cell := _beyond(strand, p.at)) is not None]
    rim = [cell for b in borders if (cell := strand.holds(b)) is not None]
    pairs: list[_Pair] = []
    for j, (end, cell) in enumerate(bottoms):
        for i, way in enumerate(strand.ways(cell, [other for _, other in tops])):
            if way is not None and way.length >= LEAST_CANAL_PX:
                down = way.reversed()
                gain = 0.3 * ends[end].share + 0.3 * orifices[tops[i][0]].share - _backwards(down, crownward)
                pairs.append(_Pair(i, j, down, _score(down, gain)))
    passed_ends = _passed(pairs, [ends[k] for k, _ in bottoms], lambda pair: pair.end)
    passed_tops = _passed(pairs, [orifices[k] for k, _ in tops], lambda pair: pair.start)
    pairs = [p for p in pairs if p.end not in passed_ends and p.start not in passed_tops]
    found: list[_Canal] = []
    used: set[int] = set()
    served: set[int] = set()
    for first in (True, False):  # an end that no canal has yet goes before a second canal to the same end
        chosen: list[_Pair] = []
        for pair in sorted(pairs, key=lambda p: -p.score):
            if pair.start in used or (first and pair.end in served) or pair.score < LEAST_SCORE:
                continue
            rival = max(p.score for p in pairs if p.start == pair.start)
            if first and pair.score < rival - 0.5:
                continue
            used.add(pair.start)
            served.add(pair.end)
            chosen.append(pair)
        for pair in _uncrossed(chosen, pairs) if first else chosen:
            apart = 1.0 - _overlap(pair.way, [c.way for c in found])
            if apart * pair.way.length >= OWN_PX:
                found.append(_Canal(pair.way, tops[pair.start][0], bottoms[pair.end][0], apart))
    # Two canals may begin at what looks like one orifice.
    for pair in sorted(pairs, key=lambda p: -p.score):
        if pair.end in served or pair.score < LEAST_SCORE:
            continue
        apart = 1.0 - _overlap(pair.way, [c.way for c in found])
        if apart * pair.way.length >= OWN_PX:
            served.add(pair.end)
            found.append(_Canal(pair.way, tops[pair.start][0], bottoms[pair.end][0], apart))
    found += _seconds(strand, found, orifices, ends)
    found += _open(strand, found, tops, bottoms, rim, crownward)
    kept = ((c, c.way.trimmed(END_SHARE * c.way.usual, BELL_PX)) for c in found)
    return [evolve(c, way=way) for c, way in kept if way is not None and way.length >= LEAST_CANAL_PX]


def _uncrossed(chosen: list[_Pair], pairs: list[_Pair]) -> list[_Pair]:
    """The pairs with ends exchanged wherever two of them are better so: where lines cross, the smoother ways are right."""
    by = {(p.start, p.end): p for p in pairs}
    best = list(chosen)
    for _ in range(len(best)):
        changed = False
        for a in range(len(best)):
            for b in range(a + 1, len(best)):
                one, other = by.get((best[a].start, best[b].end)), by.get((best[b].start, best[a].end))
                if one is None or other is None:
                    continue
                if one.score + other.score > best[a].score + best[b].score + CROSSED_GAIN:
                    best[a], best[b], changed = one, other, True
        if not changed:
            break
    return best


def _beyond(strand: Strand, point: Float64) -> tuple[int, int] | None:
    """The cell of a line that ends up to a millimetre from a root's end."""
    held = strand.holds(point)
    if held is not None:
        return held
    cells = np.argwhere(strand.mask & (strand.share >= LEAST_LINE))
    if not len(cells):
        return None
    gaps = np.hypot(*(cells + strand.corner - point).T)
    k = int(gaps.argmin())
    return (int(cells[k, 0]), int(cells[k, 1])) if gaps[k] <= 13.0 else None


def _seconds(strand: Strand, found: list[_Canal], orifices: list[Peak], ends: list[Peak]) -> list[_Canal]:
    """Second canals between the same ends, where two lines run beside each other."""
    more: list[_Canal] = []
    for canal in found:
        start, end = canal.start, canal.end
        if start is None or end is None:
            continue
        ways = [c.way for c in (*found, *more)]
        keep = np.array([orifices[start].at, ends[end].at])
        rest = strand.without(ways, 2.0, keep, 9.0)
        # Most films have none: no search where nothing is left beside the ways.
        if int((rest.share > SECOND_SEEN).sum()) < 3 * SECOND_PX:
            continue
        cells = _beyond(strand, ends[end].at), strand.holds(orifices[start].at)
        if cells[0] is not None and cells[1] is not None:
            way, apart = _beside(strand, rest, ways, cells[0], cells[1])
            if way is not None:
                more.append(_Canal(way, start, end, apart))
    return more


def _beside(
    strand: Strand, rest: Strand, ways: list[Way], apical: tuple[int, int], coronal: tuple[int, int]
) -> tuple[Way | None, float]:
    """A second way, coronal to apical, that runs for a while on its own beside `ways`, and the share of it that does.

    `rest` is the strand without them.
    """
    found = rest.ways(apical, [coronal])[0]
    if found is None:
        return None, 0.0
    down = found.reversed()
    apart = ~np.logical_or.reduce([down.near(other.points, 2.0) for other in ways])
    if float(apart.sum()) < SECOND_PX or float(down.shares[apart].mean()) < SECOND_SEEN:
        return None, 0.0
    true = Way(down.points, _read(strand, down.points))
    # A wide line's flank is no line of its own: between two lines the map is lower than on either.
    lone = down.points[apart]
    nearest = np.concatenate([other.points for other in ways])
    feet = nearest[np.hypot(*(lone[:, None] - nearest[None]).transpose(2, 0, 1)).argmin(axis=1)]
    between = float(_read(strand, 0.5 * (lone + feet)).mean())
    if between > VALLEY * float(true.shares[apart].mean()):
        return None, 0.0
    return true, float(apart.mean())


def _read(strand: Strand, points: Float64) -> Float64:
    """The map of a strand at points."""
    at = np.rint(points - strand.corner).astype(int)
    at = np.clip(at, 0, np.array(strand.share.shape) - 1)
    return np.asarray(strand.share[at[:, 0], at[:, 1]], np.float64)


def _open(
    strand: Strand, found: list[_Canal], tops: list[tuple[int, tuple[int, int]]], bottoms: list[tuple[int, tuple[int, int]]],
    rim: list[tuple[int, int]], crownward: Float64 | None,
) -> list[_Canal]:  # fmt: skip
    """What is left of a strand: canals of which an end is not marked, or not in the picture."""
    rest = strand
    none = np.zeros((0, 2))
    more: list[_Canal] = []
    for _ in range(3):
        ways = [c.way for c in (*found, *more)]
        if ways:
            rest = strand.without(ways, 4.0, none, 0.0)
        if float(rest.share.max()) < LEAST_LINE + 0.15:
            break
        first = rest.farthest(rest.brightest(), LEAST_LINE)
        second = rest.farthest(first, LEAST_LINE)
        way = rest.ways(first, [second])[0] if first != second else None
        if way is None or way.length < LEAST_CANAL_PX or way.seen < OPEN_SEEN:
            break
        if crownward is not None and heading(way.points) @ crownward > 0.0:
            way = way.reversed()
        start = _close(way.points[0] - strand.corner, tops)
        end = _close(way.points[-1] - strand.corner, bottoms)
        apart = 1.0 - _overlap(way, [c.way for c in (*found, *more)])
        more.append(_Canal(way, start, end, apart))
    return more


def _close(point: Float64, ends: list[tuple[int, tuple[int, int]]]) -> int | None:
    gaps = [(float(np.hypot(*(np.array(cell) - point))), k) for k, cell in ends]
    gap, k = min(gaps, default=(np.inf, -1))
    return k if gap <= 10.0 else None


def _canal_marks(maps: Maps, canal: _Canal, orifices: list[Peak], ends: list[Peak], file: bool) -> tuple[float, ...]:
    along = _along(maps, canal.way.points)
    return (
        1.0,
        canal.way.seen,
        canal.way.weakest,
        0.0 if canal.start is None else orifices[canal.start].share,
        0.0 if canal.end is None else ends[canal.end].share,
        min(canal.way.length / 130.0, 1.5),
        min(canal.way.sharpest, 1.5),
        float(along[Channel.ROOT]),
        float(along[Channel.OUTLINE]),
        canal.apart,
        float(file),
    )


def _point_marks(maps: Maps, peak: Peak, joined: bool) -> tuple[float, ...]:
    return (1.0, peak.share, _isolated(maps, peak), float(joined))


def _end_marks(maps: Maps, peak: Peak, canals: list[_Canal]) -> tuple[float, ...]:
    at = np.rint(peak.at).astype(int)
    box = np.s_[max(at[0] - 6, 0) : at[0] + 7, max(at[1] - 6, 0) : at[1] + 7]
    outline = float(maps.of(Channel.OUTLINE)[box].max())
    root = float(maps.of(Channel.ROOT)[box].max())
    return (1.0, peak.share, outline, root, float(bool(canals)), max((c.way.seen for c in canals), default=0.0))


def _isolated(maps: Maps, peak: Peak) -> float:
    """How near the picture's border it lies, from 1 at it to 0 from 2 mm on."""
    return float(np.clip(1.0 - _to_border(maps, peak) / 25.0, 0.0, 1.0))


def _to_border(maps: Maps, peak: Peak) -> float:
    rows, cols = maps.given.inside
    return float(min(peak.at[0], peak.at[1], rows - 1 - peak.at[0], cols - 1 - peak.at[1]))


# --- what belongs together -------------------------------------------------------------------------------------------


def _lies_in(files: list[Float64], canals: list[Float64]) -> list[int | None]:
    """For each file the canal in which its apical part lies; a canal holds one file, the one that follows it best."""
    fits: list[tuple[float, int, int]] = []
    for f, file in enumerate(files):
        for c, canal in enumerate(canals):
            gaps = np.hypot(*(file[len(file) // 2 :, None] - canal[None]).transpose(2, 0, 1)).min(axis=1)
            share = float((gaps <= IN_CANAL_PX).mean())
            if share >= IN_CANAL_SHARE:
                fits.append((share - 0.02 * float(np.minimum(gaps, 12.0).mean()), f, c))
    lies: list[int | None] = [None] * len(files)
    held: set[int] = set()
    for _, f, c in sorted(fits, reverse=True):
        if lies[f] is None and c not in held:
            lies[f] = c
            held.add(c)
    return lies


def _teeth(
    maps: Maps, canals: list[_Canal], ends: list[Peak], crownward: Float64 | None
) -> tuple[list[int], dict[int, int]]:
    """The tooth of each canal, and of each root end; teeth are numbered along the film."""
    groups: list[set[int]] = [{k} for k in range(len(canals))]

    def join(a: int, b: int) -> None:
        one = next(g for g in groups if a in g)
        other = next(g for g in groups if b in g)
        if one is not other:
            one |= other
            groups.remove(other)

    for a in range(len(canals)):
        for b in range(a + 1, len(canals)):
            same_end = canals[a].end is not None and canals[a].end == canals[b].end
            if same_end or _one_trunk(maps, canals[a], canals[b], crownward):
                join(a, b)
    middles = [np.mean([canals[k].way.points[0] for k in group], axis=0) for group in groups]
    of: dict[int, int] = {}
    alone: list[tuple[Float64, int]] = []
    for k, end in enumerate(ends):
        group = next((g for g, group in enumerate(groups) if any(canals[c].end == k for c in group)), None)
        if group is None and (near := _through_root(maps, end.at, canals)) is not None:
            group = next(g for g, members in enumerate(groups) if near in members)
        if group is None:
            alone.append((end.at, k))
        else:
            of[k] = group
    for at, k in alone:
        of[k] = len(middles)
        middles.append(at)
    # Along the film: square to the direction of the crowns, from left to right, or from top to bottom.
    across = np.array([0.0, 1.0]) if crownward is None else np.array([-crownward[1], crownward[0]])
    if across[int(abs(across[1]) >= abs(across[0]))] < 0.0:
        across = -across
    order = np.argsort([float(m @ across) for m in middles], kind="stable")
    rank = {int(group): place for place, group in enumerate(order)}
    tooth_of = [rank[next(g for g, group in enumerate(groups) if k in group)] for k in range(len(canals))]
    return tooth_of, {k: rank[g] for k, g in of.items()}


def _through_root(maps: Maps, end: Float64, canals: list[_Canal]) -> int | None:
    """The canal whose orifice a root's end without a canal is joined with through root alone; None where bone is between."""
    best: tuple[float, int] | None = None
    size = np.array(maps.shares.shape[1:]) - 1
    for k, canal in enumerate(canals):
        away = canal.way.points[0] - end
        at = np.clip(np.rint(end + np.linspace(0.0, 1.0, 60)[:, None] * away).astype(int), 0, size)
        share = float((maps.of(Channel.ROOT)[at[:, 0], at[:, 1]] >= 0.5).mean())
        if share >= IN_ROOT_SHARE and (best is None or share > best[0]):
            best = (share, k)
    return None if best is None else best[1]


def _one_trunk(maps: Maps, a: _Canal, b: _Canal, crownward: Float64 | None) -> bool:
    """Whether two canals begin in one tooth: between their orifices there is tooth, not bone."""
    if a.start is not None and a.start == b.start:
        return True
    first, last = a.way.points[0], b.way.points[0]
    gap = float(np.hypot(*(last - first)))
    if gap > ONE_TOOTH_PX:
        return False
    if gap < 8.0:
        return True
    # Canals of two teeth whose roots cross on the film point different ways at their orifices by little: tooth decides.
    count = max(int(gap), 2)
    size = np.array(maps.shares.shape[1:]) - 1
    least = np.inf
    for up in TRUNK_UP_PX:  # the roots of a tooth part somewhere below the orifices
        line = first + np.linspace(0.0, 1.0, count)[:, None] * (last - first)
        at = np.clip(np.rint(line + (0.0 if crownward is None else up * crownward)).astype(int), 0, size)
        inside = maps.of(Channel.ROOT)[at[:, 0], at[:, 1]] >= 0.5
        runs = np.diff(np.flatnonzero(np.concatenate([[True], inside, [True]]))) - 1
        least = min(least, float(runs.max()) * gap / count)
    return least <= TRUNK_GAP_PX


def _tooth_of_reference(peak: Peak, canals: tuple[FoundCanal, ...], crownward: Float64 | None) -> int | None:
    """The tooth whose orifices lie under a cusp or edge."""
    best: tuple[float, int] | None = None
    for canal in canals:
        away = peak.at - canal.path[0]
        if crownward is None:
            aside, up = float(np.hypot(*away)), 1.0
        else:
            up = float(away @ crownward)
            aside = abs(float(away @ np.array([-crownward[1], crownward[0]])))
        if up > 0.0 and aside < 70.0 and up < 200.0 and (best is None or aside < best[0]):
            best = (aside, canal.tooth)
    return None if best is None else best[1]
