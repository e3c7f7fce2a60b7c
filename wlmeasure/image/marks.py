"""Letters and coloured signs that were burnt into a radiograph: where they may stand, so that a person looks there.

What is found is what looks like print: saturated pixels, and rows of three or more small strokes of one ink. A single sign,
handwriting, faint print or print as bright as what lies around it is not found. Nobody should take an empty answer for a proof.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import ImageError

__all__ = ["Box", "typed_marks"]

SATURATED = 40
"""Least difference of the largest and the smallest of red, green and blue, of 255: JPEG leaves grey below 20 (ours)."""
COLOUR_PICTURE = 0.25
"""Share of saturated pixels from which the whole picture is in colour and has no coloured marks (our parameter)."""
STROKES_PX = (5, 13, 31)
"""Strokes thinner than these are looked for; a letter is some six strokes high (our parameter)."""
CONTRAST = 0.20
"""Least step of a letter from what lies around it, as a part of the picture's range (our parameter)."""
ONE_INK = 0.07
"""Largest standard deviation of the letters of one line, as a part of the picture's range (our parameter)."""
FAINT = 0.06
"""The same for a letter of the same ink that goes on a line found already: print runs into what is as dark (our parameter)."""
FULL_INK = 0.85
"""Ink of such a line at least, as a part of the range: print is white or black, and the gaps between letters are not (ours)."""
LONGEST = 15
"""How far a line goes on at either end, in its own heights (our parameter)."""
HEIGHT_PX = (5, 120)
"""Height of a letter (our parameter): from the smallest that can be read to a fifth of a film."""
LETTERS = 3
"""Fewest letters of a line; fewer are a side or grain (our parameter)."""
MOST_STROKES = 20_000
"""Most strokes of one size that are looked at; a picture with more is noise (our parameter)."""

Grey = NDArray[Any]


def _whole(instance: object, attribute: Any, value: int) -> None:
    least = 0 if attribute.name in ("row", "col") else 1
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise ImageError(f"box's {attribute.name} must be a whole number >= {least}: {value!r}")


@frozen
class Box:
    """A rectangle of pixels: its first row and column, from 0, and how many of each."""

    row: int = field(validator=_whole)
    col: int = field(validator=_whole)
    rows: int = field(validator=_whole)
    cols: int = field(validator=_whole)

    def within(self, shape: tuple[int, ...]) -> Box:
        """The part of it that lies in a picture of (rows, cols).

        Raises
        ------
        ImageError
            None of it does.
        """
        if self.row >= shape[0] or self.col >= shape[1]:
            raise ImageError(
                f"box must lie in the picture of {shape[0]} rows and {shape[1]} columns: it begins at row {self.row}, "
                f"column {self.col}"
            )
        return Box(self.row, self.col, min(self.rows, shape[0] - self.row), min(self.cols, shape[1] - self.col))

    @property
    def area(self) -> tuple[slice, slice]:
        """Its rows and columns, to index a picture with."""
        return slice(self.row, self.row + self.rows), slice(self.col, self.col + self.cols)


def typed_marks(grey: Grey, rgb: NDArray[Any] | None = None) -> tuple[Box, ...]:
    """Where print and coloured signs may stand.

    Parameters
    ----------
    grey
        (rows, cols) values of any integer or floating type, of either polarity.
    rgb
        (rows, cols, 3) of 8 or 16 bits, where the picture has colours.

    Returns
    -------
    tuple of Box
        From the top; none overlaps another, each with a margin.
    """
    if grey.ndim != 2 or not grey.size:
        raise ImageError(f"picture must have rows and columns: shape {grey.shape}")
    mask = np.zeros(grey.shape, np.uint8)
    if rgb is not None:
        _paint(mask, _coloured(rgb))
    level = _level(grey)
    for sideways in (False, True):
        picture = np.ascontiguousarray(level.T) if sideways else level
        for ink in (picture, 255 - picture):
            for stroke in STROKES_PX:
                lines = _lines(ink, stroke)
                _paint(mask, [(c, r, w, h) for r, c, h, w in lines] if sideways else lines)
    return _boxes(mask)


def _paint(mask: NDArray[np.uint8], found: Iterable[tuple[int, int, int, int]]) -> None:
    for row, col, rows, cols in found:
        pad = max(4, round(0.35 * min(rows, cols)))  # what JPEG spread about the letters goes with them
        mask[max(0, row - pad) : row + rows + pad, max(0, col - pad) : col + cols + pad] = 1


def _boxes(mask: NDArray[np.uint8]) -> tuple[Box, ...]:
    """Rectangles about what is painted, until none overlaps another."""
    before = -1
    stats: NDArray[Any] = np.empty((0, 5), int)
    while before != len(stats):
        before = len(stats)
        _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        stats = stats[1:]
        for left, top, width, height, _ in stats:
            mask[top : top + height, left : left + width] = 1
    return tuple(sorted((Box(int(t), int(c), int(h), int(w)) for c, t, w, h, _ in stats), key=lambda b: (b.row, b.col)))


def _level(grey: Grey) -> NDArray[np.uint8]:
    """The picture in 0 to 255; what a few pixels have beyond the rest is cut off."""
    low, high = np.percentile(grey, (0.05, 99.95))
    span = max(float(high) - float(low), 1e-9)
    return np.asarray(np.clip((grey.astype(np.float32) - np.float32(low)) * (255.0 / span), 0, 255), np.uint8)


def _coloured(rgb: NDArray[Any]) -> list[tuple[int, int, int, int]]:
    depth = 257 if rgb.dtype == np.uint16 else 1
    spread = (rgb.max(axis=2).astype(np.int32) - rgb.min(axis=2).astype(np.int32)) // depth
    saturated = (spread > SATURATED).astype(np.uint8)
    if not saturated.any() or saturated.mean() > COLOUR_PICTURE:
        return []
    near = cv2.dilate(saturated, np.ones((7, 7), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(near, connectivity=8)
    return [(int(t), int(c), int(h), int(w)) for c, t, w, h, _ in stats[1:]]


def _lines(ink: NDArray[np.uint8], stroke: int) -> list[tuple[int, int, int, int]]:
    """Lines of print in strokes brighter than what lies around them and thinner than `stroke`: (row, col, rows, cols)."""
    raised = cv2.morphologyEx(ink, cv2.MORPH_TOPHAT, np.ones((stroke, stroke), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats((raised > CONTRAST * 255).astype(np.uint8), connectivity=8)
    left, top, width, height, area = (column[1:] for column in stats.T)
    least, most = HEIGHT_PX
    kept = (height >= least) & (height <= most) & (width <= 6 * height) & (area >= 5)
    kept &= (area >= 0.12 * width * height) & (height <= 14 * stroke)
    at = np.flatnonzero(kept)
    if not LETTERS <= at.size <= MOST_STROKES:
        return []
    inks = []
    for k in at:
        rows, cols = slice(top[k], top[k] + height[k]), slice(left[k], left[k] + width[k])
        inks.append(float(np.percentile(ink[rows, cols][labels[rows, cols] == k + 1], 85)))
    signs = sorted(
        (int(left[k]), int(top[k]), int(width[k]), int(height[k]), value) for k, value in zip(at, inks, strict=True)
    )
    return [_prolonged(line, ink, raised) for line in _chains(signs) if _print(line)]


_Sign = tuple[int, int, int, int, float]


def _chains(signs: list[_Sign]) -> list[list[_Sign]]:
    """Signs that follow one another on one line, each chain from its left end."""
    owner = list(range(len(signs)))

    def root(k: int) -> int:
        while owner[k] != k:
            owner[k] = owner[owner[k]]
            k = owner[k]
        return k

    for i, (left, top, width, height, value) in enumerate(signs):
        for j in range(i + 1, len(signs)):
            other_left, other_top, _, other_height, other_value = signs[j]
            tall = max(height, other_height)
            if other_left - (left + width) > 1.2 * HEIGHT_PX[1]:
                break
            if (
                -0.3 * tall <= other_left - (left + width) <= 1.2 * tall
                and tall <= 2.2 * min(height, other_height)
                and min(abs(top + height - other_top - other_height), abs(top - other_top)) <= 0.25 * tall
                and abs(value - other_value) <= 3 * ONE_INK * 255
            ):
                owner[root(j)] = root(i)
    chains: dict[int, list[_Sign]] = {}
    for k, sign in enumerate(signs):
        chains.setdefault(root(k), []).append(sign)
    return list(chains.values())


def _print(line: list[_Sign]) -> bool:
    """Whether a chain looks like print: enough letters of one ink and one size."""
    letters = sum(max(1, round(width / height)) for _, _, width, height, _ in line)
    if letters < LETTERS or len(line) < LETTERS - 1:
        return False
    return float(np.std([value for *_, value in line])) <= ONE_INK * 255


def _prolonged(line: list[_Sign], ink: NDArray[np.uint8], raised: Grey) -> tuple[int, int, int, int]:
    """A line with the fainter letters of its ink that go on at its ends."""
    top, left, rows, cols = _around(line)
    value = float(np.median([one for *_, one in line]))
    if value < FULL_INK * 255:
        return top, left, rows, cols
    first, last = max(0, left - LONGEST * rows), min(ink.shape[1], left + cols + LONGEST * rows)
    band = slice(top, top + rows), slice(first, last)
    same = (np.abs(ink[band].astype(np.float32) - value) < 2 * ONE_INK * 255) & (raised[band] > FAINT * 255)
    at = first + np.flatnonzero(same.sum(axis=0) >= max(2, rows // 8))
    right = left + cols
    for col in at[at >= right]:
        if col - right > rows:
            break
        right = int(col) + 1
    for col in at[at < left][::-1]:
        if left - col > rows:
            break
        left = int(col)
    return top, left, rows, right - left


def _around(line: list[_Sign]) -> tuple[int, int, int, int]:
    top, left = min(sign[1] for sign in line), min(sign[0] for sign in line)
    bottom, right = max(sign[1] + sign[3] for sign in line), max(sign[0] + sign[2] for sign in line)
    return top, left, bottom - top, right - left
