"""A film turned or mirrored for the eye alone: points to the view and back, and the view in words."""

from __future__ import annotations

from math import atan2, hypot, pi

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import ImageError

__all__ = [
    "View",
    "from_view",
    "side_in_view",
    "side_on_film",
    "to_view",
    "upright_turns",
    "view_affine",
    "view_words",
    "viewed",
]

Picture = NDArray[np.uint8]
Float64 = NDArray[np.float64]

SIDES = {"up": (-1.0, 0.0), "down": (1.0, 0.0), "left": (0.0, -1.0), "right": (0.0, 1.0)}
"""Directions as (row, col)."""


@frozen
class View:
    """How a film is laid before the eye: turned clockwise by quarters, then mirrored left to right where somebody said so.

    Pixels stay the truth: every point of a case is one of the film as it is stored. Raises ImageError for other turns.
    """

    quarter_turns: int = 0
    mirrored: bool = False

    def __attrs_post_init__(self) -> None:
        if self.quarter_turns not in range(4):
            raise ImageError(f"quarter_turns must be 0, 1, 2 or 3: {self.quarter_turns!r}; they are clockwise")

    def turned(self, quarters: int) -> View:
        """The view turned clockwise by that many quarters more, as the eye sees it: a mirrored film turns the other way."""
        return View((self.quarter_turns + (-quarters if self.mirrored else quarters)) % 4, self.mirrored)


def viewed(picture: Picture, view: View) -> Picture:
    """The picture (R, C) as it is looked at; (C, R) for an odd number of quarter turns."""
    turned = np.rot90(picture, -view.quarter_turns)
    return np.ascontiguousarray(turned[:, ::-1] if view.mirrored else turned)


def to_view(points_px: ArrayLike, shape: tuple[int, int], view: View) -> Float64:
    """Points (N, 2) of the film of that shape, as (row, col), to where they lie in the picture that `viewed` makes."""
    matrix, offset = _view_map(shape, view)
    return np.asarray(np.asarray(points_px, np.float64) @ matrix.T + offset, np.float64)


def from_view(points_px: ArrayLike, shape: tuple[int, int], view: View) -> Float64:
    """The way back: points (N, 2) of the picture that is looked at to the film, whose shape is `shape`."""
    matrix, offset = _view_map(shape, view)
    return np.asarray((np.asarray(points_px, np.float64) - offset) @ matrix, np.float64)  # its inverse is its transpose


def _view_map(shape: tuple[int, int], view: View) -> tuple[Float64, Float64]:
    """Matrix (2, 2) and offset (2,), pixels, that take (row, col) of the film to the view; its inverse is its transpose."""
    rows, cols = shape
    matrix, offset = np.eye(2), np.zeros(2)
    for _ in range(view.quarter_turns):
        turn = np.array([[0.0, 1.0], [-1.0, 0.0]])  # clockwise: the column becomes the row
        matrix, offset = turn @ matrix, turn @ offset + (0.0, rows - 1.0)
        rows, cols = cols, rows
    if view.mirrored:
        flip = np.diag([1.0, -1.0])
        matrix, offset = flip @ matrix, flip @ offset + (0.0, cols - 1.0)
    return matrix, offset


def view_affine(shape: tuple[int, int], scale: tuple[float, float], view: View) -> Float64:
    """(3, 3) matrix that lays a film of that shape as it is shown, its rows and columns times `scale` before.

    The shown picture's first pixel comes to 0, 0, in the units of `scale`.
    """
    affine = np.eye(3)
    affine[:2, :2], offset = _view_map(shape, view)
    affine[:2, 2] = (np.abs(affine[:2, :2]) @ scale) * offset
    return affine


def side_in_view(side: str, view: View) -> str:
    """Where a side of the film ("left", "right", "up" or "down") is seen."""
    return _side(_view_map((1, 1), view)[0] @ SIDES[side])


def side_on_film(side: str, view: View) -> str:
    """The way back: which side of the film is seen there."""
    return _side(_view_map((1, 1), view)[0].T @ SIDES[side])


def _side(towards: Float64) -> str:
    return next(name for name, way in SIDES.items() if np.array_equal(towards, way))


def upright_turns(crown_px: tuple[float, float], apex_px: tuple[float, float], *, upper: bool) -> int:
    """Quarter turns clockwise that set a tooth upright: the apex of an upper tooth above its crown, of a lower one below.

    The points are (row, col) of the film, as the reference point and the apical end. Raises ImageError where they are one.
    """
    down, right = apex_px[0] - crown_px[0], apex_px[1] - crown_px[1]
    if not hypot(down, right) > 0.0:
        raise ImageError("crown and apex must be two points of the film: they are one")
    # Where the root points, in quarters clockwise from up; where it should: 0 for an upper tooth, 2 for a lower one.
    points_to = round(atan2(right, -down) / (0.5 * pi)) % 4
    return ((0 if upper else 2) - points_to) % 4


def view_words(view: View) -> str:
    """The view in words, as picture and report say it; empty for a film as it is stored."""
    turned = ("", "turned 90° clockwise", "turned by 180°", "turned 90° counterclockwise")[view.quarter_turns]
    return ", ".join(word for word in (turned, "mirrored" if view.mirrored else "") if word)
