"""How one film sees the tooth: a cone beam onto a flat detector, with its derivatives.

The tooth's frame is in mm: z along the tooth's long axis with the crown at +z, x to the right and y towards the source of a
film taken without angulation. For a film the tooth is turned about z by the horizontal angulation, then tilted about the
row direction by the vertical one. Where a ray meets the plane through the tooth's origin that is parallel to the
detector is the point on the film, in mm "at the tooth": a detector further back only enlarges that picture (a
homothety about the source), and the enlargement is part of the film's scale. The tests hold this equal to the phantom
room, to the independent simulator of the reference radiographs and to OpenCV's projection.
"""

from __future__ import annotations

from math import cos, exp, sin

import numpy as np
from numpy.typing import NDArray

__all__ = ["COUNT", "HORIZONTAL", "ROLL", "SCALE", "SHIFT", "TILT", "TURN", "VERTICAL", "project"]

Float64 = NDArray[np.float64]

HORIZONTAL, VERTICAL, ROLL, TILT, TURN, SCALE = range(6)
SHIFT = 6
COUNT = 8
"""Order of a film's parameters: angulations, turn of the picture in its plane, tilt and turn of the detector against the plane
square to the central ray (all rad), logarithm of the scale, and shift along rows and columns (mm)."""


def _about(axis: int, angle: float) -> tuple[Float64, Float64]:
    """Rotation about one axis of the frame, and its derivative by the angle."""
    turn, slope = np.zeros((3, 3)), np.zeros((3, 3))
    one, two = (axis + 1) % 3, (axis + 2) % 3
    c, s = cos(angle), sin(angle)
    turn[axis, axis] = 1.0
    turn[one, one] = turn[two, two] = c
    turn[one, two], turn[two, one] = -s, s
    slope[one, one] = slope[two, two] = -s
    slope[one, two], slope[two, one] = -c, c
    return turn, slope


def project(points_mm: Float64, film: Float64, source_mm: float) -> tuple[Float64, Float64, Float64]:
    """Points of the tooth on a film.

    Parameters
    ----------
    points_mm : (N, 3)
        In the tooth's frame.
    film : (COUNT,)
        The film's parameters in the order of this module.
    source_mm
        Distance from the source to the tooth's origin.

    Returns
    -------
    place : (N, 2)
        (along rows, along columns) in mm at the tooth.
    by_point : (N, 2, 3)
        Derivatives by the point.
    by_film : (N, 2, COUNT)
        Derivatives by the film's parameters.
    """
    about_z, slope_z = _about(2, float(film[HORIZONTAL]))
    about_x, slope_x = _about(0, float(film[VERTICAL]))
    turn, slope_turn = _about(2, float(film[TURN]))
    tilt, slope_tilt = _about(0, float(film[TILT]))
    both = about_x @ about_z
    seen = points_mm @ both.T
    ray = seen.copy()
    ray[:, 1] -= source_mm
    frame = turn @ tilt

    def axes(f: Float64) -> tuple[Float64, Float64]:
        """Down and right in the detector (2, 3), and its normal."""
        return np.stack([-f[:, 2], f[:, 0]]), -f[:, 1]

    inside, normal = axes(frame)
    towards = -source_mm * float(normal[1])
    depth = ray @ normal
    share = towards / depth
    hit = ray * share[:, None]
    hit[:, 1] += source_mm
    flat = hit @ inside.T
    across = ray @ inside.T
    by_seen = share[:, None, None] * (inside[None] - (across / depth[:, None])[..., None] * normal)
    by_flat = np.empty((len(points_mm), 2, 4))
    by_flat[..., 0] = np.einsum("nij,nj->ni", by_seen, points_mm @ (about_x @ slope_z).T)
    by_flat[..., 1] = np.einsum("nij,nj->ni", by_seen, points_mm @ (slope_x @ about_z).T)
    for k, moved in enumerate((turn @ slope_tilt, slope_turn @ tilt), start=2):
        inside_slope, normal_slope = axes(moved)
        growth = -source_mm * float(normal_slope[1]) / depth - towards * (ray @ normal_slope) / depth**2
        by_flat[..., k] = across * growth[:, None] + hit @ inside_slope.T
    c, s = cos(film[ROLL]), sin(film[ROLL])
    scale = exp(film[SCALE])
    rolled = scale * np.array([[c, s], [-s, c]])
    unshifted = flat @ rolled.T
    by_film = np.zeros((len(points_mm), 2, COUNT))
    by_film[..., HORIZONTAL] = by_flat[..., 0] @ rolled.T
    by_film[..., VERTICAL] = by_flat[..., 1] @ rolled.T
    by_film[..., ROLL] = np.column_stack([unshifted[:, 1], -unshifted[:, 0]])
    by_film[..., TILT] = by_flat[..., 2] @ rolled.T
    by_film[..., TURN] = by_flat[..., 3] @ rolled.T
    by_film[..., SCALE] = unshifted
    by_film[:, 0, SHIFT] = by_film[:, 1, SHIFT + 1] = 1.0
    return unshifted + film[SHIFT:], rolled @ by_seen @ both, by_film
