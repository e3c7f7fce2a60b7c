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
from wlmeasure.detect.smooth import smooth_ways
from wlmeasure.detect.ways import Lines, Peak, Strand, Way, heading, peaks
from wlmeasure.points import frozen_array

__all__ = ["Found", "FoundCanal", "FoundFile", "FoundPoint", "FoundRoot", "assemble"]

Float64 = NDArray[np.float64]

LEAST_POINT = 0.2
LEAST_LINE = 0.35
"""Shares below which a point or a line is not taken up at all."""
LEAST_FILE_PX, LEAST_CANAL_PX = 45.0, 30.0
"""Shortest file and canal in the picture: 3.6 and 2.4 mm."""
TURN_COST, TURNING_COST, WEAK_GAIN = 0.8, 0.1, 0.6
KEEN_FILES = 3
LEAST_SCORE, CROSSED_GAIN = 0.5, 0.05
SAME_PX = 3.0
"""Ways nearer than this run together."""
MOST_OVERLAP, OWN_TIP = 0.7, 0.62
"""Of a file with another one, unless its tip is as sure as this."""
MOST_PAIRS, MOST_TRIES = 160, 6
"""Pairs of ends that are followed on a map, and ways of another kind that are looked for on a strand; they bound the time."""
CHORD_SHARE, MOST_LONG_PX, BACKWARDS, LEAST_SEEN = 0.8, 400.0, 0.5, 0.15
"""What ends may belong together: the straight line's least share of the least length, the most, how much of it may lead towards
the crowns, and how well the way between must be seen."""
SHARED, LOST_SEEN = 0.15, 0.08
"""Share of a way along others from which it is followed again without them, and how much less it may be seen then."""
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
FLANK_PX = 4.0
TIP_PX, AHEAD_PX, RIVAL_PX = 16, (4, 18), 60.0
"""What a tip is judged by: the line so far before it, beyond it, and other tips so near it."""


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
    return way.seen + WEAK_GAIN * way.weakest - TURN_COST * way.sharpest**2 - TURNING_COST * way.turning + gain


def _files(maps: Maps, crownward: Float64 | None) -> list[FoundFile]:
    tips, uppers = (peaks(maps.of(c), LEAST_POINT) for c in (Channel.TIP, Channel.UPPER_END))
    share = maps.of(Channel.FILE)
    lines = Lines(share, maps.given.inside, least=LEAST_LINE, keen=KEEN_FILES)
    ends: list[_Ends] = []
    for strand in lines.strands:
        above = [p for p in uppers if strand.holds(p.at) is not None]
        above += [Peak(b, 0.0) for b in lines.border_cells(strand, LEAST_LINE) if strand.holds(b) is not None]
        ends.append(_Ends(strand, above, [p for p in tips if strand.holds(p.at) is not None]))
    found: list[FoundFile] = []
    for one, ways in zip(ends, _between(share, ends, LEAST_FILE_PX, crownward), strict=True):
        pairs = []
        for i, j, way in ways:
            gain = 0.3 * one.above[i].share + 0.5 * one.below[j].share - _backwards(way, crownward)
            pairs.append(_Pair(i, j, way, _score(way, gain)))
        found += _files_of(maps, one, pairs, crownward)
    return _with_company(found, tips)


def _files_of(maps: Maps, ends: _Ends, pairs: list[_Pair], crownward: Float64 | None) -> list[FoundFile]:
    strand, above, below = ends.strand, ends.above, ends.below
    passed_tips = _passed(pairs, below, lambda pair: pair.end)
    passed_uppers = _passed(pairs, above, lambda pair: pair.start)
    pairs = [p for p in pairs if p.end not in passed_tips and p.start not in passed_uppers]
    chosen: list[_Pair] = []
    used_tips: set[int] = set()
    used_uppers: set[int] = set()
    for again in (
        False,
        True,
    ):  # files that lie over one another may leave the picture, or end, at what looks like one place
        for pair in sorted(pairs, key=lambda p: -p.score):
            tip = below[pair.end]
            if pair.end in used_tips or (pair.start in used_uppers and not (again and tip.share >= OWN_TIP)):
                continue
            # Along a file that was found there is another one only where a tip of its own says so.
            if tip.share < OWN_TIP and _overlap(pair.way, [p.way for p in chosen]) > MOST_OVERLAP:
                continue
            upper = above[pair.start]
            if upper.share == 0.0 and any(
                p.share > 0.4 and pair.way.near(p.at[None], 4.0).any() for p in above if p is not upper
            ):
                continue  # its known length ends before the border
            used_tips.add(pair.end)
            used_uppers.add(pair.start)
            chosen.append(pair)
    chosen = _each_its_own(maps.of(Channel.FILE), _uncrossed(chosen, pairs))
    found = [_file_of(maps, above[p.start], below[p.end], p.way) for p in chosen]
    taken = [p.way for p in chosen]
    loose = [k for k in range(len(below)) if k not in used_tips | passed_tips and all(p.end != k for p in pairs)]
    for tip in (below[k] for k in loose[:MOST_TRIES]):
        cell = strand.holds(tip.at)
        way = None if cell is None else strand.ways(cell, [strand.farthest(cell, LEAST_LINE)])[0]
        if way is None or way.length < LEAST_FILE_PX or _overlap(way, taken) > MOST_OVERLAP:
            continue
        taken.append(way)
        found.append(_file(maps, way.reversed(), None, tip, False))
    found += _second_files(maps, strand, chosen, taken, above, below)
    if not below:
        found += _without_tip(maps, strand, above, crownward)
    return found


def _file_of(maps: Maps, upper: Peak, tip: Peak, way: Way) -> FoundFile:
    in_picture = upper.share > 0.0
    return _file(maps, way, upper if in_picture else None, tip, not in_picture)


def _second_files(
    maps: Maps, strand: Strand, chosen: list[_Pair], taken: list[Way], above: list[Peak], below: list[Peak]
) -> list[FoundFile]:
    """Files beside one that was found, in the other canal of its root, where two lines run between what looks like one end."""
    more: list[FoundFile] = []
    ways = list(taken)
    for pair in chosen[:MOST_TRIES]:
        upper, tip = above[pair.start], below[pair.end]
        rest = strand.without(ways, 2.0, np.array([upper.at, tip.at]), 9.0)
        if int((rest.share > SECOND_SEEN).sum()) < 3 * SECOND_PX:
            continue
        apical, coronal = strand.holds(tip.at), strand.holds(upper.at)
        if apical is None or coronal is None:
            continue
        way, apart = _beside(strand, rest, ways, apical, coronal)
        if way is not None and apart * way.length >= SECOND_FILE_PX:
            ways.append(way)
            more.append(_file_of(maps, upper, tip, way))
    return more


@frozen(eq=False)
class _Ends:
    """A strand, and the points that may be the coronal and the apical ends of what runs along it."""

    strand: Strand
    above: list[Peak]
    below: list[Peak]


def _between(
    share: NDArray[np.float32], ends: list[_Ends], least_px: float, crownward: Float64 | None
) -> list[list[tuple[int, int, Way]]]:
    """For each strand the smooth ways between its ends: place of the coronal end, of the apical end, and the way.

    At most `MOST_PAIRS` of them in all, those between the surest ends.
    """
    wanted: list[tuple[float, int, int, int]] = []
    for k, one in enumerate(ends):
        for i, upper in enumerate(one.above):
            for j, lower in enumerate(one.below):
                down = lower.at - upper.at
                long = float(np.hypot(*down))
                backwards = crownward is not None and float(down @ crownward) > BACKWARDS * long
                if CHORD_SHARE * least_px <= long <= MOST_LONG_PX and not backwards:
                    wanted.append((upper.share + lower.share, k, i, j))
    wanted = sorted(wanted, key=lambda one: -one[0])[:MOST_PAIRS]
    starts = np.array([ends[k].above[i].at for _, k, i, _ in wanted]).reshape(-1, 2)
    below = np.array([ends[k].below[j].at for _, k, _, j in wanted]).reshape(-1, 2)
    made: list[list[tuple[int, int, Way]]] = [[] for _ in ends]
    for (_, k, i, j), way in zip(wanted, smooth_ways(share, starts, below), strict=True):
        if way.length >= least_px and way.seen >= LEAST_SEEN:
            made[k].append((i, j, way))
    return made


def _each_its_own(share: NDArray[np.float32], chosen: list[_Pair]) -> list[_Pair]:
    """Ways that run along better ones followed again, where those are not, if they are seen there as well."""
    rivals = [
        [o.way for o in chosen if o.score > p.score and p.way.near(o.way.points, SAME_PX).mean() > SHARED]
        for p in chosen
    ]
    asked = [k for k, some in enumerate(rivals) if some]
    if not asked:
        return chosen
    starts, ends = (np.array([chosen[k].way.points[at] for k in asked]) for at in (0, -1))
    again = smooth_ways(share, starts, ends, others=[rivals[k] for k in asked])
    made = list(chosen)
    for k, way in zip(asked, again, strict=True):
        if way.seen >= chosen[k].way.seen - LOST_SEEN:
            made[k] = evolve(chosen[k], way=way)
    return made


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


def _without_tip(maps: Maps, strand: Strand, above: list[Peak], crownward: Float64 | None) -> list[FoundFile]:
    """The longest line of a strand on which no tip is marked."""
    first = strand.farthest(strand.brightest(), LEAST_LINE)
    way = strand.ways(first, [strand.farthest(first, LEAST_LINE)])[0]
    if way is None or way.length < LEAST_FILE_PX:
        return []
    marked = [p for p in above if p.share > 0.0]
    gaps = [min((float(np.hypot(*(p.at - way.points[k]))) for p in marked), default=np.inf) for k in (0, -1)]
    # An upper end tells the ends apart, or else the direction of the crowns.
    up = 0.0 if crownward is None else float(heading(way.points) @ crownward)
    turned = gaps[1] < gaps[0] if min(gaps) < 8.0 else up > 0.0
    way = way.reversed() if turned else way
    upper = next((p for p in marked if np.hypot(*(p.at - way.points[0])) < 8.0), None)
    leaves = upper is None and any(np.hypot(*(p.at - way.points[0])) < 8.0 for p in above)
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
        way.faintest,
        _flank(maps.of(Channel.FILE), way.points),
        float(way.shares[-TIP_PX:].mean()),
        _ahead(maps.of(Channel.FILE), way.points),
        0.0,
        0.0,
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


def _ahead(share: NDArray[np.float32], points: Float64) -> float:
    """Mean of a map straight on beyond a way's end, from a bell's reach to a millimetre and a half."""
    on = heading(points[-TIP_PX:])
    at = np.rint(points[-1] + np.arange(*AHEAD_PX)[:, None] * on).astype(int)
    at = at[((at >= 0) & (at < np.array(share.shape))).all(axis=1)]
    return float(share[at[:, 0], at[:, 1]].mean()) if len(at) else 0.0


def _with_company(files: list[FoundFile], tips: list[Peak]) -> list[FoundFile]:
    """Files with their last two marks: the surest tip near theirs that no file has, and how much of them runs along another."""
    ends = [f.tip for f in files if f.tip is not None]
    free = [t for t in tips if all(np.hypot(*(t.at - end)) > 1.0 for end in ends)]
    made = []
    for k, file in enumerate(files):
        end = file.path[-1]
        rival = max((t.share for t in free if np.hypot(*(t.at - end)) < RIVAL_PX), default=0.0)
        others = [o.path for n, o in enumerate(files) if n != k]
        way = Way(file.path, np.zeros(len(file.path)))
        shared = max((float(way.near(o, SAME_PX).mean()) for o in others), default=0.0)
        made.append(evolve(file, marks=(*file.marks[:-2], rival, shared)))
    return made


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
    share = maps.of(Channel.CANAL)
    lines = Lines(share, maps.given.inside, least=LEAST_LINE)
    held: list[_Ends] = []
    numbers: list[tuple[list[int], list[int]]] = []
    for strand in lines.strands:
        tops = [k for k, p in enumerate(orifices) if strand.holds(p.at) is not None]
        # A canal's line ends half a millimetre short of its root's end: that is looked for a little beyond the line.
        bottoms = [(k, at) for k, p in enumerate(ends) if (at := _beyond(strand, p.at)) is not None]
        numbers.append((tops, [k for k, _ in bottoms]))
        held.append(_Ends(strand, [orifices[k] for k in tops], [Peak(at, ends[k].share) for k, at in bottoms]))
    found: list[_Canal] = []
    for one, (tops, lows), ways in zip(held, numbers, _between(share, held, LEAST_CANAL_PX, crownward), strict=True):
        pairs = []
        for i, j, way in ways:
            gain = 0.3 * one.above[i].share + 0.3 * one.below[j].share - _backwards(way, crownward)
            pairs.append(_Pair(i, j, way, _score(way, gain)))
        rim = [cell for b in lines.border_cells(one.strand, LEAST_LINE) if (cell := one.strand.holds(b)) is not None]
        own = _canals_of(share, one, pairs, rim, crownward)
        found += [
            evolve(c, start=None if c.start is None else tops[c.start], end=None if c.end is None else lows[c.end])
            for c in own
        ]
    return found


def _canals_of(
    share: NDArray[np.float32], ends: _Ends, pairs: list[_Pair], rim: list[tuple[int, int]], crownward: Float64 | None
) -> list[_Canal]:
    strand = ends.strand
    passed_ends = _passed(pairs, ends.below, lambda pair: pair.end)
    passed_tops = _passed(pairs, ends.above, lambda pair: pair.start)
    pairs = [p for p in pairs if p.end not in passed_ends and p.start not in passed_tops and p.score >= LEAST_SCORE]
    chosen: list[_Pair] = []
    used: set[int] = set()
    served: set[int] = set()
    for first in (True, False):  # an end that no canal has yet goes before a second canal to the same end
        some: list[_Pair] = []
        for pair in sorted(pairs, key=lambda p: -p.score):
            if pair.start in used or (first and pair.end in served):
                continue
            rival = max(p.score for p in pairs if p.start == pair.start)
            if first and pair.score < rival - 0.5:
                continue
            used.add(pair.start)
            served.add(pair.end)
            some.append(pair)
        chosen += _uncrossed(some, pairs) if first else some
    for pair in sorted(pairs, key=lambda p: -p.score):  # two canals may begin at what looks like one orifice
        if pair.end not in served:
            served.add(pair.end)
            chosen.append(pair)
    found: list[_Canal] = []
    for pair in _each_its_own(share, chosen):
        apart = 1.0 - _overlap(pair.way, [c.way for c in found])
        if apart * pair.way.length >= OWN_PX:
            found.append(_Canal(pair.way, pair.start, pair.end, apart))
    found += _seconds(strand, found, ends)
    found += _open(strand, found, ends, rim, crownward)
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


def _beyond(strand: Strand, point: Float64) -> Float64 | None:
    """A root's end where a line reaches it, or the end of a line up to a millimetre from it."""
    if strand.holds(point) is not None:
        return point
    cells = np.argwhere(strand.mask & (strand.share >= LEAST_LINE))
    if not len(cells):
        return None
    gaps = np.hypot(*(cells + strand.corner - point).T)
    k = int(gaps.argmin())
    return np.asarray(cells[k] + strand.corner, np.float64) if gaps[k] <= 13.0 else None


def _seconds(strand: Strand, found: list[_Canal], ends: _Ends) -> list[_Canal]:
    """Second canals between the same ends, where two lines run beside each other."""
    more: list[_Canal] = []
    for canal in found[:MOST_TRIES]:
        if canal.start is None or canal.end is None:
            continue
        ways = [c.way for c in (*found, *more)]
        keep = np.array([ends.above[canal.start].at, ends.below[canal.end].at])
        rest = strand.without(ways, 2.0, keep, 9.0)
        # Most films have none: no search where nothing is left beside the ways.
        if int((rest.share > SECOND_SEEN).sum()) < 3 * SECOND_PX:
            continue
        coronal, apical = strand.holds(keep[0]), strand.holds(keep[1])
        if coronal is not None and apical is not None:
            way, apart = _beside(strand, rest, ways, apical, coronal)
            if way is not None:
                more.append(_Canal(way, canal.start, canal.end, apart))
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
    strand: Strand, found: list[_Canal], ends: _Ends, rim: list[tuple[int, int]], crownward: Float64 | None
) -> list[_Canal]:
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
        start, end = _close(way.points[0], ends.above), _close(way.points[-1], ends.below)
        apart = 1.0 - _overlap(way, [c.way for c in (*found, *more)])
        more.append(_Canal(way, start, end, apart))
    return more


def _close(point: Float64, ends: list[Peak]) -> int | None:
    gap, k = min(((float(np.hypot(*(p.at - point))), k) for k, p in enumerate(ends)), default=(np.inf, -1))
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
        canal.way.faintest,
        _flank(maps.of(Channel.CANAL), canal.way.points),
        min(canal.way.turning, 3.0),
        float(along[Channel.FILLING]),
    )


def _flank(share: NDArray[np.float32], points: Float64) -> float:
    """Mean of a map to either side of a way, the higher of both: of a line that is well placed it is low."""
    ahead = np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)[:, None]
    aside = FLANK_PX * np.column_stack([-ahead[:, 1], ahead[:, 0]])
    last = np.array(share.shape) - 1
    at = [np.clip(np.rint(points + side * aside).astype(int), 0, last) for side in (-1, 1)]
    return float(np.maximum(*(share[p[:, 0], p[:, 1]] for p in at)).mean())


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
