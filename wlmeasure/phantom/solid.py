"""Closed bodies: sections swept along a line, joined to a mesh of triangles wound outwards."""

from __future__ import annotations

from math import pi, sin, sqrt

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import PhantomError

__all__ = ["Solid", "loft", "section_frames", "tube"]

Float64 = NDArray[np.float64]

SIDES = 48
"""Corners of a round section; our parameter. Chords through the middle are short or long by at most 0.2 % (equal area)."""


@frozen(eq=False)
class Solid:
    """A closed surface: `vertices` (V, 3) in mm and `faces` (F, 3), wound outwards."""

    vertices: Float64
    faces: NDArray[np.intp]

    def volume_mm3(self) -> float:
        """Enclosed volume, by the divergence theorem."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return float((a * np.cross(b, c)).sum() / 6.0)


def loft(rings: ArrayLike) -> Solid:
    """Solid through rings (K, S, 3) of equally many points, closed at both ends by a fan to the ring's mean.

    Rings run counter-clockwise seen against the direction in which they follow each other.

    Raises
    ------
    PhantomError
        Fewer than two rings or three points a ring.
    """
    rings = np.asarray(rings, np.float64)
    if rings.ndim != 3 or rings.shape[0] < 2 or rings.shape[1] < 3 or rings.shape[2] != 3:
        raise PhantomError(f"rings must have the shape (2 or more, 3 or more, 3): {rings.shape}")
    count, sides, _ = rings.shape
    vertices = np.vstack([rings.reshape(-1, 3), rings[0].mean(axis=0), rings[-1].mean(axis=0)])
    side = np.arange(sides)
    here = (np.arange(count - 1)[:, None] * sides + side).ravel()
    there = (np.arange(count - 1)[:, None] * sides + (side + 1) % sides).ravel()
    last = (count - 1) * sides
    faces = np.vstack(
        [
            np.column_stack([here, there, there + sides]),
            np.column_stack([here, there + sides, here + sides]),
            np.column_stack([np.full(sides, count * sides), (side + 1) % sides, side]),
            np.column_stack([np.full(sides, count * sides + 1), last + side, last + (side + 1) % sides]),
        ]
    )
    return Solid(vertices, faces.astype(np.intp))


def section_frames(points_mm: ArrayLike, *, across: ArrayLike = (1.0, 0.0, 0.0)) -> tuple[Float64, Float64, Float64]:
    """Tangents and two normals along a polyline (N, 3); the first normal keeps as close to `across` as it can.

    The tangents are central differences; the second normal is tangent x first normal.
    """
    points = np.asarray(points_mm, np.float64)
    tangents = np.gradient(points, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    reference = np.asarray(across, np.float64)
    if (np.abs(tangents @ reference) > 0.98).any():  # a line along the reference has no section across it
        reference = np.roll(reference, 1)
    first = reference - tangents * (tangents @ reference)[:, None]
    first /= np.linalg.norm(first, axis=1)[:, None]
    return tangents, first, np.cross(tangents, first)


def tube(
    points_mm: ArrayLike,
    radius_mm: ArrayLike,
    *,
    other_radius_mm: ArrayLike | None = None,
    sides: int = SIDES,
    across: ArrayLike = (1.0, 0.0, 0.0),
) -> Solid:
    """Elliptic sections swept along a polyline, each square to it, with flat ends.

    `radius_mm` (N,) is the half axis along the first normal of `section_frames`, `other_radius_mm` along the second (the
    same where it is None). The polygon has the area of the ellipse, so that path lengths are right on the average.
    """
    points = np.asarray(points_mm, np.float64)
    first_radius = np.broadcast_to(np.asarray(radius_mm, np.float64), (len(points),))
    second_radius = (
        first_radius
        if other_radius_mm is None
        else np.broadcast_to(np.asarray(other_radius_mm, np.float64), (len(points),))
    )
    equal_area = sqrt(2.0 * pi / (sides * sin(2.0 * pi / sides)))
    _, first, second = section_frames(points, across=across)
    angle = 2.0 * pi * np.arange(sides) / sides
    rings = (
        points[:, None]
        + equal_area * (np.cos(angle)[None, :] * first_radius[:, None])[..., None] * first[:, None]
        + equal_area * (np.sin(angle)[None, :] * second_radius[:, None])[..., None] * second[:, None]
    )
    return loft(rings)
