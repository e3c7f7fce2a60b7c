"""What of a picture is no film: frames, corners of the sensor, censor bars, typed letters. Found by their straight edges.

Everything here is a drawing of some program, or the sensor's own outline: even to within what JPEG leaves, and ending at an
edge that is straight for a computer and for no tooth. Where that is not so the picture is left alone; metal that saturates
is even too, but it has no rectangle's outline, and clear air ends nowhere in particular.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["filled", "no_film"]

# Greys are of 255; all are our parameters.
EVEN = 12.0
"""Farthest from the grey of a frame or bar: JPEG's ringing beside an edge, at quality 60."""
STEP = 30.0
"""Least step of grey at an edge, seen from the drawing to the film."""
ACROSS = 0.2
"""Largest share of a frame's line that may be something else: the letters that stand in it."""
BEYOND = 0.3
"""Least share of the line after a frame that must differ: a straight edge, against air that ends raggedly."""
WIDEST_FRAME = 0.3
"""Widest frame over the picture's size."""
THINNEST_FRAME = 2
LARGEST_CORNER = 0.45
"""Largest rounded corner over the picture's shorter side."""
CORNER_EVEN = (EVEN, 30.0)
"""Farthest from a corner's own grey: JPEG rings more at its curved edge."""
CORNERS_ALIKE = 0.3
"""Largest difference in area of two corners of one sensor, over the larger one."""
CORNER_FITS = 0.75
"""Least overlap of a corner with a quarter of an ellipse or a straight cut, intersection over union."""
FLAT = 4.0
"""Largest difference of neighbours within a censor bar."""
SMALLEST_BAR = (8, 0.001)
"""Least side of a censor bar, pixels, and least area over the picture's."""
BAR_FILLS = 0.97
"""Least share of a bar's rectangle that is even, two pixels and JPEG's blocks at its edges set aside."""
BAR_EDGE = (0.5, 0.2)
"""Least share of a bar's outline within the film at which the grey steps, and of one whose every corner is sharp: a black bar
over air and tooth steps at the tooth alone."""
BLOCK = 8
LETTER_ZONE = 0.12
"""How far from the margin typed letters are looked for, over the picture's size."""
LETTER_HIGH = (7, 0.08)
"""Height of typed letters: least, pixels, and largest, over the picture's longer side."""
LETTER_GREY = 70.0
"""How far the smoothed edge of a letter may be from the white or black of its middle."""
LETTER_INK = 0.15
"""Largest share of that zone in the letters' grey: where the film itself has more, none is read there."""
FEWEST_LETTERS = 3
"""Letters in a row: one alone may be a cusp or a clamp."""
LARGEST_SHARE = 0.75
"""Where more than this would be none of the film, nothing is: it was no film's frame."""

Mask = NDArray[np.bool_]
Values = NDArray[Any]


def no_film(values: Values, known: Mask | None = None) -> tuple[Mask | None, tuple[str, ...]]:
    """(rows, cols) mask of what is no film, or None, and in words what was found; `known` is added to it.

    `values` are stored values of any depth, polarity and sign.
    """
    low, high = float(values.min()), float(values.max())
    if high == low:
        return known, ()
    # 0 to 255 for every depth: a 16-bit file may hold 12-bit values.
    grey = (np.asarray(values, np.float32) - np.float32(low)) * np.float32(255.0 / (high - low))
    mask = np.zeros(values.shape, np.bool_) if known is None else known.copy()
    words = []
    inner = _frame(grey)
    rows, cols = inner
    if (rows, cols) != (slice(0, grey.shape[0]), slice(0, grey.shape[1])):
        outside = np.ones(values.shape, np.bool_)
        outside[inner] = False
        mask |= outside
        words.append("a frame")
    corners = _corners(grey, inner)
    if corners:
        for at, corner in corners:
            mask[at] |= corner
        words.append("corners of the sensor")
    bars = _bars(grey, mask)
    for at in bars:
        mask[at] = True
    if bars:
        words.append(f"{len(bars)} even rectangle{'s' if len(bars) > 1 else ''}")
    letters = _letters(grey, mask, inner)
    if letters is not None:
        mask |= letters
        words.append("typed letters")
    if not mask.any() or (words and mask.mean() > LARGEST_SHARE):
        return known, ()
    return mask, tuple(words)


def filled(density: NDArray[np.float32], masked: Mask) -> NDArray[np.float32]:
    """The picture with what is masked continued smoothly from about it, so that there is neither line nor edge there.

    Means over pixels that count, from ever coarser copies of the picture (pull and push: Gortler et al. 1996).
    """
    weight = np.asarray(~masked, np.float32)
    levels: list[tuple[NDArray[Any], NDArray[Any]]] = [(density * weight, weight)]
    while min(levels[-1][0].shape) > 2 and not (levels[-1][1] > 0.5).all():
        levels.append((cv2.pyrDown(levels[-1][0]), cv2.pyrDown(levels[-1][1])))
    values, counts = levels[-1]
    mean = values.sum() / max(float(counts.sum()), 1e-6)
    coarse: Any = np.where(counts > 1e-6, values / np.maximum(counts, 1e-6), mean)
    for values, counts in levels[-2::-1]:
        coarse = cv2.pyrUp(coarse.astype(np.float32), dstsize=values.shape[::-1])
        part = np.minimum(counts, 1.0)
        coarse = values / np.maximum(counts, 1e-6) * part + coarse * (1.0 - part)
    out = density.copy()
    out[masked] = coarse[masked]
    return out


def _frame(grey: Values) -> tuple[slice, slice]:
    """The rectangle within the frames, each side for itself, from without; a second one in another grey too."""
    inner = slice(0, grey.shape[0]), slice(0, grey.shape[1])
    for _ in range(2):
        widths: dict[str, tuple[int, float]] = {}
        for _ in range(2):  # a side is even only once the sides across it are taken off
            for side in ("top", "bottom", "left", "right"):
                if side not in widths and (found := _lines(_from_side(grey[inner], side)))[0]:
                    widths[side] = found
                    inner = _cut(inner, side, found[0])
        if not widths:
            break
        # Beside air a black frame ends without a step; where another side proves it, an even one of its grey is believed.
        widest = max(count for count, _ in widths.values())
        value = next(iter(widths.values()))[1]
        for side in {"top", "bottom", "left", "right"} - set(widths):
            lines = _from_side(grey[inner], side)[: 2 * widest]
            other = np.mean(np.abs(lines - value) > 0.5 * EVEN, axis=1) > 0.02
            inner = _cut(inner, side, int(np.argmax(other)) if other.any() else 0)
    return inner


def _from_side(grey: Values, side: str) -> Values:
    """The picture with the lines of that side first."""
    return {"top": grey, "bottom": grey[::-1], "left": grey.T, "right": grey.T[::-1]}[side]


def _cut(inner: tuple[slice, slice], side: str, count: int) -> tuple[slice, slice]:
    rows, cols = inner
    if side == "top":
        return slice(rows.start + count, rows.stop), cols
    if side == "bottom":
        return slice(rows.start, rows.stop - count), cols
    if side == "left":
        return rows, slice(cols.start + count, cols.stop)
    return rows, slice(cols.start, cols.stop - count)


def _lines(grey: Values) -> tuple[int, float]:
    """How many of the first lines are a frame, and its grey."""
    first = grey[0]
    value = float(np.median(first))
    if len(grey) < 16 or np.mean(np.abs(first - value) > 0.5 * EVEN) > 0.02:
        return 0, value
    most = int(WIDEST_FRAME * len(grey))
    away = np.abs(grey[: most + 4] - value)
    other = np.mean(away > EVEN, axis=1) > ACROSS
    count = int(np.argmax(other)) if other.any() else len(away)
    if not THINNEST_FRAME <= count <= most:
        return 0, value
    return (count if np.mean(away[count : count + 3] > STEP, axis=1).max() > BEYOND else 0), value


def _corners(grey: Values, inner: tuple[slice, slice]) -> list[tuple[tuple[slice, slice], Mask]]:
    """Where the even corners of the picture within the frame lie, and their masks there."""
    rows, cols = inner
    reach = int(LARGEST_CORNER * min(rows.stop - rows.start, cols.stop - cols.start))
    found: list[tuple[tuple[slice, slice], Mask, float]] = []
    if reach < 6:
        return []
    for down in (False, True):
        for right in (False, True):
            at = (
                slice(rows.stop - reach, rows.stop) if down else slice(rows.start, rows.start + reach),
                slice(cols.stop - reach, cols.stop) if right else slice(cols.start, cols.start + reach),
            )
            turn = (slice(None, None, -1 if down else 1), slice(None, None, -1 if right else 1))
            piece = np.ascontiguousarray(grey[at][turn])
            corner = next(
                (made for made in (_corner(piece, within) for within in CORNER_EVEN) if made is not None), None
            )
            if corner is not None:
                found.append((at, corner[turn], float(piece[0, 0])))
    # A sensor has them in twos, of one grey and one size; a wedge of clear air stands alone.
    sizes = [float(corner.sum()) for _, corner, _ in found]
    return [
        (at, corner)
        for k, (at, corner, value) in enumerate(found)
        if any(
            j != k
            and abs(value - other) <= EVEN
            and abs(sizes[j] - sizes[k]) <= CORNERS_ALIKE * max(sizes[j], sizes[k])
            for j, (_, _, other) in enumerate(found)
        )
    ]


def _corner(grey: Values, within: float) -> Mask | None:
    """The corner at (0, 0) of a square piece that is even `within` so much, or None."""
    size = len(grey)
    near = np.asarray(np.abs(grey - grey[0, 0]) <= within, np.uint8)
    _, labels = cv2.connectedComponents(near, connectivity=4)
    region = labels == labels[0, 0]
    down, along = int(np.argmin(region[:, 0])), int(np.argmin(region[0]))
    if not region[0, 0] or region[-1].any() or region[:, -1].any() or min(down, along) < 4:
        return None
    if not 0.6 <= down / along <= 1.7 or down >= size or along >= size:
        return None
    # A quarter of an ellipse, or a straight cut, between the two ends: distances from the inner corner of their rectangle.
    y, x = ((reach - np.arange(size)) / reach for reach in (down, along))
    y, x = np.clip(y, 0.0, None)[:, None], np.clip(x, 0.0, None)[None, :]
    outlines = (np.hypot(y, x) > 1.0, y + x > 1.0)
    if max(float((region & one).sum()) / float((region | one).sum()) for one in outlines) < CORNER_FITS:
        return None
    ring = cv2.dilate(region.view(np.uint8), np.ones((7, 7), np.uint8)).view(np.bool_)
    ring &= ~cv2.dilate(region.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_)
    if np.mean(np.abs(grey[ring] - grey[0, 0]) > STEP) < 0.6:
        return None
    return cv2.dilate(region.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_)


def _bars(grey: Values, mask: Mask) -> list[tuple[slice, slice]]:
    """Even rectangles with a straight edge all round but where they lie at the rim or at what is masked already."""
    three = np.ones((3, 3), np.uint8)
    flat = np.asarray(cv2.dilate(grey, three) - cv2.erode(grey, three) <= FLAT, np.uint8)
    flat[mask] = 0
    kernel = np.ones((SMALLEST_BAR[0] - 2,) * 2, np.uint8)
    flat = np.asarray(cv2.morphologyEx(flat, cv2.MORPH_OPEN, kernel), np.uint8)
    if not flat.any():
        return []
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=4)
    bars = []
    for k in range(1, count):
        left, top, wide, high, area = (int(v) for v in stats[k])
        if min(wide, high) < SMALLEST_BAR[0] - 2 or area < SMALLEST_BAR[1] * grey.size or area < 0.85 * wide * high:
            continue
        piece = labels[top : top + high, left : left + wide] == k
        value = float(np.median(grey[top : top + high, left : left + wide][piece]))
        top, bottom, left, right = _grown(grey, value, top, top + high, left, left + wide)
        inside = np.abs(grey[top:bottom, left:right] - value) <= EVEN
        least = BAR_EDGE[1] if area >= 0.985 * wide * high else BAR_EDGE[0]
        if inside.mean() >= BAR_FILLS and _edge(grey, mask, value, (top, bottom, left, right)) >= least:
            bars.append((slice(max(top - 1, 0), bottom + 1), slice(max(left - 1, 0), right + 1)))
    return bars


def _grown(grey: Values, value: float, top: int, bottom: int, left: int, right: int) -> tuple[int, int, int, int]:
    """The rectangle with the lines about it that are of its grey: two lost to the filter, and those of a JPEG block."""

    def same(line: Values) -> bool:
        return bool(line.size) and bool(np.mean(np.abs(line - value) <= EVEN) > 0.9)

    for _ in range(BLOCK + 2):
        top -= top > 0 and same(grey[top - 1, left:right])
        bottom += bottom < grey.shape[0] and same(grey[bottom, left:right])
        left -= left > 0 and same(grey[top:bottom, left - 1])
        right += right < grey.shape[1] and same(grey[top:bottom, right])
    return top, bottom, left, right


def _edge(grey: Values, mask: Mask, value: float, box: tuple[int, int, int, int]) -> float:
    """Share of the outline of a rectangle at which the grey steps, of its sides that lie in the film; 0 with fewer than two."""
    top, bottom, left, right = box
    out = 2  # past a smoothed edge
    sides = []
    if top - out >= 0:
        sides.append((slice(top - out, top - out + 1), slice(left, right)))
    if bottom + out <= grey.shape[0]:
        sides.append((slice(bottom + out - 1, bottom + out), slice(left, right)))
    if left - out >= 0:
        sides.append((slice(top, bottom), slice(left - out, left - out + 1)))
    if right + out <= grey.shape[1]:
        sides.append((slice(top, bottom), slice(right + out - 1, right + out)))
    inner = [at for at in sides if mask[at].mean() < 0.5]
    if len(inner) < 2:
        return 0.0
    return float(np.mean(np.concatenate([np.abs(grey[at] - value).ravel() > STEP for at in inner])))


def _letters(grey: Values, mask: Mask, inner: tuple[slice, slice]) -> Mask | None:
    """Typed letters: small, thin, of one height, in a row beside the margin, and of the picture's whitest or blackest grey."""
    rows, cols = inner
    zone = np.zeros(grey.shape, np.bool_)
    zone[inner] = True
    high, wide = rows.stop - rows.start, cols.stop - cols.start
    deep = int(LETTER_ZONE * high), int(LETTER_ZONE * wide)
    zone[rows.start + deep[0] : rows.stop - deep[0], cols.start + deep[1] : cols.stop - deep[1]] = False
    zone &= ~mask
    if not zone.any():
        return None
    out = None
    for end in (255.0, 0.0):
        ink = np.asarray((np.abs(grey - end) <= LETTER_GREY) & zone, np.uint8)
        if not 0.0 < ink.sum() <= LETTER_INK * zone.sum():
            continue
        _, labels, stats, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
        letters = [k for k in _letter_like(stats, max(grey.shape)) if _is_letter(grey, labels, stats[k], k, end)]
        for line in _in_rows(stats, letters):
            found = np.isin(labels, line)
            size = 2 * BLOCK + 1
            spread = cv2.dilate(found.view(np.uint8), np.ones((size, size), np.uint8)).view(np.bool_)
            out = spread if out is None else out | spread
    return out


def _letter_like(stats: Values, longer: int) -> list[int]:
    """Pieces of the size of a letter; the first one is the ground."""
    wide, high, area = (stats[:, k].astype(float) for k in (2, 3, 4))
    like = (high >= LETTER_HIGH[0]) & (high <= LETTER_HIGH[1] * longer) & (wide >= 0.1 * high) & (wide <= 1.5 * high)
    like &= (area >= 0.12 * wide * high) & (area <= 0.95 * wide * high)
    return [int(k) for k in np.flatnonzero(like) if k > 0]


def _is_letter(grey: Values, labels: Values, stat: Values, k: int, end: float) -> bool:
    """Whether a piece is drawn in thin strokes and steps away from the film all round."""
    left, top, wide, high, _ = (int(v) for v in stat)
    at = (slice(max(top - 3, 0), top + high + 3), slice(max(left - 3, 0), left + wide + 3))
    piece = np.asarray(labels[at] == k, np.uint8)
    framed = cv2.copyMakeBorder(piece, 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    stroke = 2.0 * float(cv2.distanceTransform(framed, cv2.DIST_L2, 3).max())
    ring = cv2.dilate(piece, np.ones((7, 7), np.uint8)) - cv2.dilate(piece, np.ones((5, 5), np.uint8))
    if stroke > 0.4 * high or not ring.any() or np.abs(grey[at][piece > 0] - end).min() > EVEN:
        return False
    return bool(np.mean(np.abs(grey[at][ring > 0] - end) > 1.5 * STEP) > 0.8)


def _in_rows(stats: Values, letters: list[int]) -> Iterator[list[int]]:
    """Letters of one height whose feet stand on one line, beside one another."""
    left = sorted(letters, key=lambda k: int(stats[k][0]))
    while left:
        first = left.pop(0)
        line = [first]
        for k in list(left):
            last = stats[line[-1]]
            gap = int(stats[k][0]) - int(last[0] + last[2])
            feet = abs(int(stats[k][1] + stats[k][3]) - int(last[1] + last[3]))
            tall = int(stats[first][3])
            if (
                -0.2 * tall <= gap <= 1.6 * tall
                and feet <= 0.15 * tall + 1
                and abs(int(stats[k][3]) - tall) <= 0.3 * tall
            ):
                line.append(k)
                left.remove(k)
        if len(line) >= FEWEST_LETTERS:
            yield line
