"""Which way a thin line runs between clicks: smooth curves, each judged by all that is seen along it.

A measure cell by cell (`ridge`) is nothing where a canal fades towards its end, and the cheapest path over cells then cuts
the bend or leaves for the root's outline. Here the film is straightened along a few **rough curves** through the clicks: the
even line of the clicks (`spline.even_line`), a bulge of it to either side, and the path over cells. In each strip every
polyline is a candidate whose direction changes by little from row to row; dynamic programming finds the one with the largest
**score**, less what it costs to miss the clicks and to bow away from their curve farther than their gaps leave open::

    sum along it of (what is seen, from LEAST to MOST noise levels, less USUAL) - BENDING_MM * sum of curvature squared

What is seen along a stretch is the mean of both flanks less the centre, less a share of the flanks' difference, averaged along
the direction that the candidate has there. It may be negative, so that weak evidence adds up over a centimetre; and no
strong line beside the canal counts more than `MOST`. Flanks are taken at two distances, since a canal tapers: the nearer ones
see it where the root is narrow and convex. The noise level is that of the strips, so that no tone curve has to be known.

All constants are our parameters, chosen on synthetic films (flat teeth with canals of random shape, seeds 1000 to 1059).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.trace.evidence import FilmMaps, Known, canal_gain
from wlmeasure.trace.ridge import WorkingGrid, working_grid
from wlmeasure.trace.spline import arc_length, even_line, resample, smooth_line
from wlmeasure.trace.strip import line_normals

__all__ = ["MARGIN_FROM", "MARGIN_TO", "Route", "Standing", "best_route", "rough_curves", "standing"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

CELL_MM = 0.05  # across a strip; a canal's end is 0.2 mm wide
ROW_MM, FINE = 0.3, 3  # length of a stretch, samples in it
STEEPEST = 5  # cells a stretch: 40 degrees against the rough curve
TURN = 2  # cells a stretch from one to the next: a curvature of 1.1 per mm; random shapes bend by up to 1.2 (95 %)
REACH_MM = 1.5  # to both sides of a rough curve
FLANKS_MM = (0.2, 0.35)
ALONG_SD_MM = 0.3
UNLIKE = 1.25  # share of the flanks' difference: the periodontal line has bone on one side and dentine on the other
LEAST, MOST, USUAL = -4.0, 2.5, 0.7
BENDING_MM = 5.0
BULGES = (-0.12, 0.12)  # of the distance between two clicks
CLICK_SD_MM, CLICK_FAR = 0.1, 4.0  # a click between the ends; beyond so many deviations its cost grows evenly
# By how much the line may be curved more between two clicks than the curve through all: natural splines through clicks on
# whole-tooth phantoms are off by 1.2, 0.4 and 0.1 mm (largest distance, mean) where the clicks lie 10, 5 and 2.5 mm apart.
BOW_PER_MM = 0.13
PARALLEL_BOW_PER_MM = 0.04  # and from a curve that runs beside another canal of the root as the clicks do
KNOT_MM = 1.2
STANDING_REACH_MM = 1.5
# A logistic fitted to 47 failed and 667 good traces (seeds 1000 to 1099 of three kinds of film, and 60 films fainter still).
DOUBT_NONE, DOUBT_SEEN, DOUBT_MARGIN = 0.5, 5.1, 1.7
MARGIN_FROM, MARGIN_TO = -5.0, 8.0
SAME_MM, OTHER_MM = 0.15, 0.2  # a way is the same within the first all along, another one beyond the second somewhere
APART = 3  # stretches so far apart share no sample
# A click at an end lies beside the canal by a pixel or two; where maps say where the canal is, the path may do without a hook.
END_SD_MM, END_MM = 0.07, 0.1
NEVER = np.float32(-1e9)
NOTHING = Known()
TAPS = np.arange(1 - FINE, 2 * FINE)  # samples that a stretch is averaged over, from its begin
# Cells to the flanks by direction: across a slanting stretch they lie farther apart along the strip's rows.
FLANKS = np.rint(
    np.outer(FLANKS_MM, np.hypot(1.0, np.arange(-STEEPEST, STEEPEST + 1) * CELL_MM / ROW_MM)) / CELL_MM
).astype(int)


@frozen(eq=False)
class Route:
    """A way between the clicks: (N, 2) points in mm (row, col), and its score in noise levels times mm."""

    path_mm: Float64
    score: float


@frozen
class Standing:
    """How well a path is told from other ways by what is seen.

    Attributes
    ----------
    seen
        What is seen along it, the mean in noise levels, between `LEAST` and `MOST`.
    margin
        By how much the best way within 0.15 mm of it beats the best one that leaves it by 0.2 mm, noise levels times mm.
    """

    seen: float
    margin: float

    @property
    def doubt(self) -> float:
        """How likely the path is to have left its line: a logistic of both, fitted to traces of known truth."""
        margin = min(max(self.margin, MARGIN_FROM), MARGIN_TO)
        return 1.0 / (1.0 + exp(DOUBT_SEEN * self.seen + DOUBT_MARGIN * margin - DOUBT_NONE))


@frozen(eq=False)
class _Strips:
    """What is seen in strips along B curves: N stretches, 2 K + 1 directions, 2 J + 1 places across.

    lines, normals : (B, N + 1, 2), mm
        Where the stretches begin and end, and the direction across.
    step_mm : (B,)
        Length of a stretch.
    bend : (B, N + 1)
        Curvature of the curve itself, 1 / mm.
    seen : (N, 2 K + 1, B, 2 J + 1)
        In noise levels, for the stretch that begins at that place and runs in that direction; `LEAST` outside the film.
    told : the same, or None
        What film and maps say together of such a stretch, a mm, where there are maps.
    """

    lines: Float64
    normals: Float64
    step_mm: Float32
    bend: Float32
    seen: Float32
    told: Float32 | None = None

    @property
    def gain(self) -> Float32:
        """What each stretch adds to a score."""
        worth = self.seen - np.float32(USUAL) if self.told is None else self.told
        return np.asarray(worth * self.step_mm[:, None], np.float32)

    @property
    def places(self) -> int:
        """Places across a strip."""
        return int(self.seen.shape[3])


def rough_curves(clicks_mm: Float64) -> list[Float64]:
    """Curves (200, 2) through the clicks (K, 2), in a plane with equal units: what may be before the film is seen."""
    along = arc_length(clicks_mm)
    t = np.linspace(0.0, along[-1], 200)
    middle = even_line(clicks_mm, 200)
    normals = line_normals(middle)
    leg = np.clip(np.searchsorted(along, t, side="right") - 1, 0, len(clicks_mm) - 2)
    size = np.diff(along)[leg]
    share = (t - along[leg]) / size
    bulge = np.sin(np.pi * share) * size
    return [middle] + [middle + normals * (amount * bulge)[:, None] for amount in BULGES]


def best_route(
    density: NDArray[np.generic],
    clicks_px: Float64,
    curves_px: list[Float64],
    mm_per_px: tuple[float, float],
    maps: FilmMaps | None = None,
    known: Known = NOTHING,
    parallel_px: Float64 | None = None,
) -> Route:
    """The best way through the clicks in the strips along any of the rough curves.

    Parameters
    ----------
    density : (R, C)
        The film, with a sign by which the line is darker than what is beside it.
    clicks_px : (K, 2)
        The route begins and ends on the first and the last.
    curves_px : of (N, 2)
        Curves to look about besides those through the clicks alone.
    mm_per_px
        Rough pixel size (row, col).
    maps, known
        What maps of the film say, and which lines are known not to be the canal.
    parallel_px : (N, 2) or None
        A curve through the clicks that runs as another canal of the root does; else the clicks' own is what the way bows from.
    """
    pixel = np.array(mm_per_px)
    clicks = clicks_px * pixel
    curves = rough_curves(clicks) + [curve * pixel for curve in curves_px]
    bow = BOW_PER_MM
    if parallel_px is not None:
        curves[0], bow = resample(parallel_px * pixel, 200), PARALLEL_BOW_PER_MM
    strips = _straighten(density, curves, pixel, REACH_MM, maps=maps, known=known)
    costs = _click_costs(strips, clicks) + _bow_costs(strips, curves[0], clicks, bow)
    aside = None if maps is None else _end_costs(strips)
    came, _ = _forward(strips, strips.gain, costs, aside)
    last = came[-1].max(axis=0)
    if aside is None:
        aside = np.full(strips.places, -NEVER, np.float32)
        aside[strips.places // 2] = 0.0
    last = last - aside
    scores = last.max(axis=1)
    best = int(scores.argmax())
    place = int(last[best].argmax())
    return Route(_walk_back(strips, came, best, place), float(scores[best]))


def _end_costs(strips: _Strips) -> Float32:
    """(2 J + 1,): what it costs to begin or end aside of a click there, no farther than a hand may be off."""
    reach = strips.places // 2
    away = np.abs(np.arange(-reach, reach + 1)) * CELL_MM
    return np.where(away < END_MM + 1e-6, 0.5 * (away / END_SD_MM) ** 2, -NEVER).astype(np.float32)


def _straighten(
    density: NDArray[np.generic],
    curves: list[Float64],
    pixel: Float64,
    reach_mm: float,
    signs: Sequence[int] = (1,),
    *,
    maps: FilmMaps | None = None,
    known: Known = NOTHING,
) -> _Strips:
    """Strips along curves of (N, 2) points in mm, `reach_mm` to both sides."""
    lengths = np.array([arc_length(curve)[-1] for curve in curves])
    rows = max(8, round(float(lengths.max()) / ROW_MM))
    fine = rows * FINE + 1
    lines = np.empty((len(curves), fine + 2 * FINE, 2))
    for k, curve in enumerate(curves):
        line = smooth_line(curve, max(3, round(float(lengths[k]) / KNOT_MM)), fine)
        before = line[0] + (line[0] - line[1]) * np.arange(FINE, 0, -1)[:, None]
        after = line[-1] + (line[-1] - line[-2]) * np.arange(1, FINE + 1)[:, None]
        lines[k] = np.vstack([before, line, after])
    normals = np.stack([line_normals(line) for line in lines])
    reach = round(reach_mm / CELL_MM)
    half = reach + int(FLANKS.max()) + round(STEEPEST * TAPS[-1] / FINE)
    grid, at, outside = _places_along(density, lines, normals, half, pixel)
    strip = _along(grid.values, at)
    contrasts = _contrasts(strip, rows, reach)
    levels = [np.float32(_noise(contrast) or 1.0) for contrast, _ in contrasts]
    seen = np.full(contrasts[0][0].shape, LEAST, np.float32)
    for (contrast, unlike), level in zip(contrasts, levels, strict=True):
        for sign in signs:
            np.maximum(seen, (sign * contrast - unlike) / level, out=seen)
    np.minimum(seen, MOST, out=seen)
    starts = outside[FINE : FINE + rows * FINE : FINE, :, half - reach : half + reach + 1]
    if starts.any():
        seen = np.where(starts[:, None], np.float32(LEAST), seen)
    told = None
    if maps is not None:
        gain, film = (_stretches(_along(one, at), rows, reach) for one in canal_gain(grid, maps, known))
        told = film * (seen - np.float32(USUAL)) + gain
    step = lengths / rows
    tangent = np.asarray(np.gradient(lines, axis=1), np.float64)
    heading = np.unwrap(np.arctan2(tangent[..., 1], tangent[..., 0]), axis=1)
    bend = np.gradient(heading, axis=1) / (step[:, None] / FINE)
    own = np.s_[:, FINE : FINE + fine : FINE]
    return _Strips(lines[own], normals[own], step.astype(np.float32), bend[own].astype(np.float32), seen, told)


def _places_along(
    density: NDArray[np.generic], lines: Float64, normals: Float64, half: int, pixel: Float64
) -> tuple[WorkingGrid, Float32, NDArray[np.bool_]]:
    """The film about B lines of S points on a grid, (S, B, 2 `half` + 1, 2) places beside the lines in its cells, and which of
    these lie outside the film."""  # noqa: D209
    across = np.arange(-half, half + 1, dtype=np.float32) * np.float32(CELL_MM)
    last = np.array(density.shape) - 1.0
    rims = (lines[:, :, None] + across[[0, -1], None] * normals[:, :, None]) / pixel
    rims = np.clip(rims.reshape(-1, 2), 0.0, last)
    grid = working_grid(
        density, np.array([rims.min(axis=0), rims.max(axis=0)]), (pixel[0], pixel[1]), margin_mm=0.1, cell_mm=CELL_MM
    )
    # All lines side by side, in cells and float32: the places are many.
    start = grid.to_cells((lines / pixel).reshape(-1, 2)).reshape(lines.shape).transpose(1, 0, 2)
    slope = (normals / (pixel * grid.cell_px)).transpose(1, 0, 2)
    at = start.astype(np.float32)[:, :, None] + across[:, None] * slope.astype(np.float32)[:, :, None]
    low, high = grid.to_cells(np.array([[-0.5, -0.5], last + 0.5]))
    return grid, at, ((at < low) | (at > high)).any(axis=-1)


def _along(values: Float32, at: Float32) -> Float32:
    """Values of a grid at places (S, B, P, 2) in its cells."""
    flat = at.reshape(len(at), -1, 2)
    strip = cv2.remap(values, flat[..., 1], flat[..., 0], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(strip, np.float32).reshape(at.shape[:3])


def _stretches(strip: Float32, rows: int, reach: int) -> Float32:
    """(N, 2 K + 1, B, 2 J + 1): mean of a strip's values along each stretch in each direction."""
    middle, wide = strip.shape[2] // 2, 2 * reach + 1
    found = np.zeros((rows, 2 * STEEPEST + 1, strip.shape[1], wide), np.float32)
    weights = np.full(FINE + 1, 1.0 / FINE, np.float32)
    weights[[0, -1]] *= 0.5
    for k in range(2 * STEEPEST + 1):
        for tap, weight in enumerate(weights):
            left = middle - reach + round((k - STEEPEST) * tap / FINE)
            found[:, k] += weight * strip[FINE + tap : FINE + tap + rows * FINE : FINE, :, left : left + wide]
    return found


def _contrasts(strip: Float32, rows: int, reach: int) -> list[tuple[Float32, Float32]]:
    """Flanks less centre, and what their difference takes off: (N, 2 K + 1, B, 2 J + 1) each, for either pair of flanks."""
    weights = np.exp(-0.5 * ((TAPS - 0.5 * FINE) * ROW_MM / FINE / ALONG_SD_MM) ** 2).astype(np.float32)
    weights /= weights.sum()
    rim = int(FLANKS.max())
    middle, wide = strip.shape[2] // 2, 2 * reach + 1
    shape = (rows, 2 * STEEPEST + 1, strip.shape[1], wide)
    found = [(np.empty(shape, np.float32), np.empty(shape, np.float32)) for _ in FLANKS]
    for k in range(2 * STEEPEST + 1):
        smooth = np.zeros((rows, strip.shape[1], wide + 2 * rim), np.float32)
        for tap, weight in zip(TAPS, weights, strict=True):
            left = middle - reach - rim + round((k - STEEPEST) * tap / FINE)
            first = FINE + tap
            smooth += weight * strip[first : first + rows * FINE : FINE, :, left : left + wide + 2 * rim]
        centre = smooth[:, :, rim : rim + wide]
        for flank, (contrast, unlike) in zip(FLANKS[:, k], found, strict=True):
            low, high = smooth[:, :, rim - flank :][:, :, :wide], smooth[:, :, rim + flank :][:, :, :wide]
            contrast[:, k] = 0.5 * (low + high) - centre
            unlike[:, k] = UNLIKE * np.abs(low - high)
    return found


def _noise(contrast: Float32) -> float:
    """Level of the noise, from places a little farther along: what changes slowly is no noise."""
    straight = contrast[:, STEEPEST, :, ::4]
    gaps = np.abs(straight[APART:] - straight[:-APART]).ravel()
    middle = float(np.partition(gaps, gaps.size // 2)[gaps.size // 2])
    return float(middle / (0.6745 * np.sqrt(2.0)))


def _click_costs(strips: _Strips, clicks: Float64) -> Float32:
    """(N + 1, B, 2 J + 1): what it costs to pass a click between the ends at a distance."""
    batch, rows = strips.lines.shape[:2]
    reach = strips.places // 2
    across = np.arange(-reach, reach + 1) * CELL_MM
    costs = np.zeros((rows, batch, across.size), np.float32)
    for click in clicks[1:-1]:
        for k in range(batch):
            row = int(np.hypot(*(strips.lines[k] - click).T).argmin())
            away = across - float((click - strips.lines[k, row]) @ strips.normals[k, row])
            size = np.abs(away) / CLICK_SD_MM
            costs[row, k] += np.where(size < CLICK_FAR, 0.5 * size**2, CLICK_FAR * (size - 0.5 * CLICK_FAR))
    return costs


def _bow_costs(strips: _Strips, middle: Float64, clicks: Float64, bow: float) -> Float32:
    """(N + 1, B, 2 J + 1): what it costs to be aside of the curve through the clicks, by how much it is known there.

    A whole stretch between two clicks that lies one deviation aside costs as much as one click that does. Clicks far apart say
    next to nothing of what is between them; the closer they are, the less may evidence from the film lead away from them.
    """
    reach = strips.places // 2
    across = np.arange(-reach, reach + 1) * CELL_MM
    along = arc_length(clicks)
    at = np.linspace(0.0, along[-1], len(middle))
    leg = np.clip(np.searchsorted(along, at, side="right") - 1, 0, len(clicks) - 2)
    gap = np.diff(along)[leg]
    share = (at - along[leg]) / gap
    deviation = CLICK_SD_MM + 0.5 * bow * share * (1.0 - share) * gap**2
    # A strip runs nearly along the curve: what is across the one is across the other.
    lines, normals = strips.lines.transpose(1, 0, 2), strips.normals.transpose(1, 0, 2)
    near = np.hypot(*np.moveaxis(lines[:, :, None] - middle, -1, 0)).argmin(axis=-1)
    own = line_normals(middle)[near]
    aside = np.einsum("rbi,rbi->rb", lines - middle[near], own)
    slant = np.einsum("rbi,rbi->rb", normals, own)
    weight = 0.5 * strips.step_mm / gap[near] / deviation[near] ** 2
    return np.asarray(weight[..., None] * (aside[..., None] + slant[..., None] * across) ** 2, np.float32)


def _bending(strips: _Strips) -> Float32:
    """(N + 1, 2 `TURN` + 1, B, 1): what turning by so many cells costs at a row."""
    turns = np.arange(-TURN, TURN + 1, dtype=np.float32) * np.float32(CELL_MM / ROW_MM**2)
    bend = strips.bend.T[:, None, :, None] + turns[:, None, None]
    return np.asarray(BENDING_MM * bend**2 * strips.step_mm[:, None], np.float32)


def _turned(score: Float32, costs: Float32) -> Float32:
    """The best score by the direction of the next stretch, from that by the last one's; `costs` of the turns in their order."""
    wide = len(score)
    padded = np.full((wide + 2 * TURN, *score.shape[1:]), NEVER, np.float32)
    padded[TURN : TURN + wide] = score
    best: Float32 = padded[2 * TURN :] - costs[0]
    for turn in range(1, 2 * TURN + 1):
        np.maximum(best, padded[2 * TURN - turn : 2 * TURN - turn + wide] - costs[turn], out=best)
    return best


def _moved(score: Float32, sign: int) -> Float32:
    """Each direction's scores carried along it to the next row (sign 1) or back to the last (-1)."""
    directions, batch, places = score.shape
    padded = np.full((directions, batch, places + 2 * STEEPEST), NEVER, np.float32)
    padded[:, :, STEEPEST : STEEPEST + places] = score
    # A view whose rows start one cell later from one direction to the next.
    first, second, third = padded.strides
    begin = padded[0, 0, 2 * STEEPEST :] if sign > 0 else padded[0, 0]
    view = np.lib.stride_tricks.as_strided(begin, score.shape, (first - sign * third, second, third))
    return np.array(view, np.float32)


def _forward(
    strips: _Strips, gain: Float32, passing: Float32, aside: Float32 | None = None
) -> tuple[list[Float32], list[Float32]]:
    """Best scores of the ways to each row: by the direction they come from, and by the one they go on in.

    `aside` is what it costs to begin beside the first click; without it all begin there.
    """
    bending = _bending(strips)
    score: Float32 = np.full((gain.shape[1], *passing.shape[1:]), NEVER, np.float32)
    if aside is None:
        score[:, :, strips.places // 2] = 0.0
    else:
        score[:] = -aside
    came, went = [score], [score]
    for row in range(len(gain)):
        if row:
            went.append(_turned(score, bending[row]))
        score = _moved(went[-1] + gain[row], 1) - passing[row + 1]
        came.append(score)
    return came, went


def _backward(strips: _Strips, gain: Float32, passing: Float32) -> list[Float32]:
    """Best scores of the ways from each row to the last click, by the direction they go on in."""
    bending = _bending(strips)[:, ::-1]
    score: Float32 = np.full(gain.shape[1:], NEVER, np.float32)
    score[:, :, strips.places // 2] = 0.0
    ahead = []
    for row in range(len(gain) - 1, -1, -1):
        ahead.append(_moved(score - passing[row + 1], -1) + gain[row])
        if row:
            score = _turned(ahead[-1], bending[row])
    return ahead[::-1]


def _walk_back(strips: _Strips, came: list[Float32], curve: int, place: int) -> Float64:
    """The best way along one curve, from its end at a place across."""
    middle = strips.places // 2
    direction = int(came[-1][:, curve, place].argmax())
    places = [place]
    for row in range(len(strips.seen) - 1, -1, -1):
        place -= direction - STEEPEST
        places.append(place)
        if row:
            before = np.arange(max(direction - TURN, 0), min(direction + TURN, 2 * STEEPEST) + 1)
            bend = strips.bend[curve, row] + (direction - before) * (CELL_MM / ROW_MM**2)
            scores = came[row][before, curve, place] - BENDING_MM * bend**2 * strips.step_mm[curve]
            direction = int(before[int(scores.argmax())])
    offsets = (np.array(places[::-1]) - middle) * CELL_MM
    return np.asarray(strips.lines[curve] + offsets[:, None] * strips.normals[curve], np.float64)


def standing(
    density: NDArray[np.generic],
    path_px: Float64,
    clicks_px: Float64,
    mm_per_px: tuple[float, float],
    signs: Sequence[int] = (1,),
    maps: FilmMaps | None = None,
    known: Known = NOTHING,
) -> Standing:
    """How a path stands against other ways between its ends; the path need not come from here.

    Parameters
    ----------
    density, clicks_px, mm_per_px
        As for `best_route`.
    path_px : (N, 2)
        From the first click to the last.
    signs
        1 for a line darker than its flanks, -1 for a brighter one, both for either.
    maps, known
        As for `best_route`.
    """
    pixel = np.array(mm_per_px)
    strips = _straighten(density, [path_px * pixel], pixel, STANDING_REACH_MM, signs, maps=maps, known=known)
    # Clicks that the path misses make no more doubt than so much: the logistic was fitted to this.
    costs = np.minimum(_click_costs(strips, clicks_px * pixel), np.float32(0.5 * CLICK_FAR**2))
    middle = strips.places // 2
    away_mm = np.abs(np.arange(-middle, middle + 1)) * CELL_MM
    own = np.where(away_mm < SAME_MM + 1e-6, costs, -NEVER)
    # One pass for the ways within and for all of them, which differ in what passing a place costs.
    came, went = _forward(strips, strips.gain, np.concatenate([own, costs], axis=1).astype(np.float32))
    best = float(came[-1][:, 0, middle].max())
    # The best way through each place is the best one to it and the best one from it.
    ways = zip(went, _backward(strips, strips.gain, costs), strict=True)
    other = max(float((to[:, 1:] + back)[:, 0, away_mm > OTHER_MM - 1e-6].max()) for to, back in ways)
    return Standing(float(strips.seen[:, STEEPEST, 0, middle].mean()), best - other)
