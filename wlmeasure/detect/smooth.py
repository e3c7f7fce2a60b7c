"""Smooth ways between pairs of points on a map: what is seen along the way against how much the way turns.

A search for the cheapest way from pixel to pixel has no direction: where two lines meet, or lie side by side, it goes over
from one to the other wherever that is a little brighter. Here a way is followed along the straight line between its ends, on a
strip beside it; a state is how far aside it is and which way it heads, and every change of heading costs. The best way of each
pair is found exactly (dynamic programming, second order), all pairs at once.

All constants are our parameters.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.detect.ways import Way

__all__ = ["smooth_ways"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

STEPS = 48
"""Into so many steps the straight line between two ends is divided, however long it is."""
SLOPE, SLOPES = 0.25, 6
"""Headings: slopes against the straight line, up to `SLOPES` times `SLOPE` to either side (56 degrees)."""
ASIDE_SHARE = 0.28
"""How far aside of the straight line a way may lie, as a share of its length."""
FAINTEST = 0.03
"""What a pixel without any line counts as."""
TURN_PX = 12.0
"""What a change of heading by 1 costs: as much as so many pixels of a line seen at 1 / e."""
COVERED, COVER_PX = 0.45, 3
"""What a map counts along a way that is somebody else's, and how wide, pixels."""
CENTRED, BESIDE_PX, NEAR_PX, ALONG_PX, HELD_PX = 2, 4, 2.0, 4, 5.0
"""How often a way is laid on the middle of its line, how far beside it that is looked for and what weighs as near, over how
much of the way the move is smoothed, and over how much of it the ends hold it; pixels."""
AT_ONCE = 64
"""Pairs that are followed side by side: bounds the memory."""


def smooth_ways(
    share: Float32, starts: Float64, ends: Float64, *, others: Sequence[Sequence[Way]] | None = None
) -> list[Way]:
    """The best smooth way from each start to the end of the same place.

    Parameters
    ----------
    share : (rows, cols)
        A map of lines, 0 to 1.
    starts, ends : (N, 2)
        (row, col), no two of a pair the same.
    others
        For each of the pairs, ways along which the map counts less, so that a line of its own is found if there is one.

    Returns
    -------
    N ways, a point about every pixel, ends included, with the map itself along them. Method: dynamic programming over
    places aside and headings.
    """
    ways: list[Way] = []
    for k in range(0, len(starts), AT_ONCE):
        some = None if others is None else others[k : k + AT_ONCE]
        ways += _side_by_side(share, starts[k : k + AT_ONCE], ends[k : k + AT_ONCE], some)
    return ways


def _without(share: Float32, ways: Sequence[Way]) -> Float32:
    """A map that is fainter along ways."""
    cover = np.zeros(share.shape, np.uint8)
    for way in ways:
        cv2.polylines(cover, [np.rint(way.points[:, ::-1]).astype(np.int32).reshape(-1, 1, 2)], False, 1, COVER_PX)
    return np.where(cover > 0, np.float32(COVERED) * share, share)


def _side_by_side(share: Float32, starts: Float64, ends: Float64, others: Sequence[Sequence[Way]] | None) -> list[Way]:
    count = len(starts)
    chord = ends - starts
    length = np.hypot(chord[:, 0], chord[:, 1])
    along = chord / length[:, None]
    aside = np.column_stack([-along[:, 1], along[:, 0]])
    step = length / STEPS
    half = round(ASIDE_SHARE * STEPS / SLOPE)
    wide = 2 * half + 1
    s = np.arange(STEPS + 1)
    u = (np.arange(wide) - half) * SLOPE
    at = (
        starts[:, None, None, :]
        + (s[None, :, None] * step[:, None, None])[..., None] * along[:, None, None, :]
        + (u[None, None, :] * step[:, None, None])[..., None] * aside[:, None, None, :]
    ).astype(np.float32)
    flat = at.reshape(count * (STEPS + 1), wide, 2)
    maps = [share] if others is None else [_without(share, some) for some in others]
    parts = np.split(flat, len(maps))
    seen = np.concatenate(
        [cv2.remap(m, p[..., 1], p[..., 0], cv2.INTER_LINEAR) for m, p in zip(maps, parts, strict=True)]
    )
    cost = -np.log(np.clip(seen, 0.0, 1.0) + np.float32(FAINTEST)).reshape(count, STEPS + 1, wide)
    cost *= step[:, None, None].astype(np.float32)
    heads = 2 * SLOPES + 1
    turn = np.float32(TURN_PX * SLOPE)
    huge = np.float32(1e9)
    # best[n, h, u]: cost of the best way that has come to place u with heading h.
    best = np.full((count, heads, wide), huge, np.float32)
    best[:, :, half] = cost[:, 0, None, half]
    came = np.zeros((STEPS, count, heads, wide), np.int8)
    moved = np.empty_like(best)
    for t in range(STEPS):
        turned = best.copy()
        which = came[t]
        left = best[:, :-1] + turn
        better = left < turned[:, 1:]
        np.copyto(turned[:, 1:], left, where=better)
        which[:, 1:][better] = -1
        right = best[:, 1:] + turn
        better = right < turned[:, :-1]
        np.copyto(turned[:, :-1], right, where=better)
        which[:, :-1][better] = 1
        moved.fill(huge)
        for h in range(heads):
            by = h - SLOPES
            if by >= 0:
                moved[:, h, by:] = turned[:, h, : wide - by]
            else:
                moved[:, h, :by] = turned[:, h, -by:]
        moved += cost[:, t + 1, None, :]
        best, moved = moved, best
    place = np.full(count, half)
    head = best[:, :, half].argmin(axis=1)
    places = np.empty((count, STEPS + 1), np.int64)
    places[:, STEPS] = place
    every = np.arange(count)
    for t in range(STEPS - 1, -1, -1):
        place = place - (head - SLOPES)
        places[:, t] = place
        head = head + came[t][every, head, place]
    offset = (places - half) * (SLOPE * step)[:, None]
    nodes = (
        starts[:, None, :]
        + (s[None, :] * step[:, None])[..., None] * along[:, None, :]
        + offset[..., None] * aside[:, None, :]
    )
    return [_way(share, path) for path in nodes]


def _way(share: Float32, nodes: Float64) -> Way:
    """A way through nodes, smoothed over the steps of their grid and laid on its line's middle, a point about every pixel."""
    inner = nodes.copy()
    for _ in range(2):
        inner[1:-1] = 0.25 * inner[:-2] + 0.5 * inner[1:-1] + 0.25 * inner[2:]
    gaps = np.hypot(*np.diff(inner, axis=0).T)
    place = np.concatenate([[0.0], np.cumsum(gaps)])
    on = np.linspace(0.0, place[-1], max(round(float(place[-1])) + 1, 8))
    points = np.column_stack([np.interp(on, place, inner[:, k]) for k in (0, 1)])
    for _ in range(CENTRED):
        points = _centred(share, points)
    return Way(points, _at(share, points[:, None])[:, 0])


def _centred(share: Float32, points: Float64) -> Float64:
    """Points moved square to their way by what the middle of the line beside them, smoothed along it, asks for; ends stay."""
    ahead = np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)[:, None]
    square = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    off = np.arange(-BESIDE_PX, BESIDE_PX + 1)
    weight = _at(share, points[:, None] + off[None, :, None] * square[:, None]) ** 2
    weight *= np.exp(-0.5 * (off / NEAR_PX) ** 2)
    aside = (weight * off).sum(axis=1) / (weight.sum(axis=1) + 1e-3)
    reach = 3 * ALONG_PX
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / ALONG_PX) ** 2)
    aside = np.convolve(np.pad(aside, reach, mode="edge"), kernel / kernel.sum(), "valid")
    to_end = np.minimum(np.arange(len(points)), np.arange(len(points))[::-1])
    return np.asarray(points + (aside * np.minimum(1.0, to_end / HELD_PX))[:, None] * square)


def _at(share: Float32, points: Float64) -> Float64:
    """The map at points (N, M, 2), between pixels."""
    at = points.astype(np.float32)
    return cv2.remap(share, at[..., 1], at[..., 0], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(
        np.float64
    )
