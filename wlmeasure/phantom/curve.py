"""Centre lines in 3-D made from their curvature, so that length and kappa(s) are exact by construction.

The tangent T is turned by two curvature components along a frame that does not twist (Bishop 1975, "There is more than one
way to frame a curve"): T' = k1 U + k2 V, U' = -k1 T, V' = -k2 T, so that kappa = hypot(k1, k2). Each step is an arc of
constant curvature, integrated in closed form: lines and arcs come out exactly, other curves to the step's second order.
"""

from __future__ import annotations

from math import ceil, pi

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import PhantomError, check_positive
from wlmeasure.points import frozen_array

__all__ = ["Bend", "Curve", "curve_from_bends", "curve_from_curvature"]

Float64 = NDArray[np.float64]

STEP_MM = 0.02
"""Longest step along a centre line, mm; our parameter. A chord of it is short by 1e-5 of itself at a radius of 0.8 mm."""


@frozen
class Bend:
    """A stretch of constant curvature: `length_mm` long, of `kappa_per_mm` (0 = straight), towards `direction_deg`.

    The direction is an angle in the section of the curve: 0 bends towards the first normal, 90 towards the second.
    """

    length_mm: float
    kappa_per_mm: float = 0.0
    direction_deg: float = 0.0


@frozen(eq=False)
class Curve:
    """A smooth line in 3-D from its coronal to its apical end.

    Attributes
    ----------
    arc_mm : (N,)
        True arc length from the first point, mm.
    points_mm, tangents : (N, 3)
        Points, mm, and unit tangents.
    kappa_per_mm : (N,)
        Curvature, 1/mm; at a jump between two arcs the value of the arc that ends there.
    """

    arc_mm: Float64 = field(converter=frozen_array)
    points_mm: Float64 = field(converter=frozen_array)
    tangents: Float64 = field(converter=frozen_array)
    kappa_per_mm: Float64 = field(converter=frozen_array)

    @property
    def length_mm(self) -> float:
        """Arc length, mm."""
        return float(self.arc_mm[-1])

    def at(self, arc_mm: ArrayLike) -> Float64:
        """Points (M, 3) at arc lengths (M,), mm; beyond the ends the line goes on straight."""
        where = np.asarray(arc_mm, np.float64)
        inside = np.clip(where, 0.0, self.arc_mm[-1])
        points = np.column_stack([np.interp(inside, self.arc_mm, self.points_mm[:, k]) for k in range(3)])
        tangents = np.where((where < 0.0)[:, None], self.tangents[0], self.tangents[-1])
        beyond: Float64 = points + (where - inside)[:, None] * tangents
        return beyond

    def moved(self, rotation: Float64, shift_mm: ArrayLike = (0.0, 0.0, 0.0)) -> Curve:
        """The same curve turned by `rotation` (3, 3) about the origin, then shifted; length and kappa stay."""
        return Curve(
            self.arc_mm,
            self.points_mm @ rotation.T + np.asarray(shift_mm, np.float64),
            self.tangents @ rotation.T,
            self.kappa_per_mm,
        )

    def cut(self, end_mm: float) -> Curve:
        """The part up to arc length `end_mm`."""
        keep = self.arc_mm < end_mm - 1e-9
        last = self.at([end_mm])
        along = np.append(self.arc_mm[keep], end_mm)
        index = min(int(keep.sum()), len(self.arc_mm) - 1)
        return Curve(
            along,
            np.vstack([self.points_mm[keep], last]),
            np.vstack([self.tangents[keep], self.tangents[index]]),
            np.append(self.kappa_per_mm[keep], self.kappa_per_mm[index]),
        )


def curve_from_curvature(
    arc_mm: ArrayLike,
    k1: ArrayLike,
    k2: ArrayLike,
    *,
    start_mm: ArrayLike = (0.0, 0.0, 0.0),
    tangent: ArrayLike = (0.0, 0.0, -1.0),
    normal: ArrayLike = (1.0, 0.0, 0.0),
) -> Curve:
    """Curve with curvature components `k1`, `k2` (N - 1,), 1/mm, constant between the arc lengths `arc_mm` (N,).

    `tangent` and `normal` are made orthonormal; the second normal is tangent x normal.

    Raises
    ------
    PhantomError
        Arc lengths that do not rise, or components of another number than the steps between them.
    """
    arc = np.asarray(arc_mm, np.float64)
    k1, k2 = np.asarray(k1, np.float64), np.asarray(k2, np.float64)
    if arc.ndim != 1 or arc.size < 2 or (np.diff(arc) <= 0.0).any():
        raise PhantomError("arc_mm must be two or more rising numbers: sort them and drop equal ones")
    if k1.shape != (arc.size - 1,) or k2.shape != k1.shape:
        raise PhantomError(f"k1 and k2 must hold one value a step, {arc.size - 1}: got {k1.shape}, {k2.shape}")
    frame = np.empty((3, 3))  # rows: T, U, V
    frame[0] = np.asarray(tangent, np.float64) / np.linalg.norm(tangent)
    frame[1] = np.asarray(normal, np.float64) - frame[0] * (frame[0] @ np.asarray(normal, np.float64))
    frame[1] /= np.linalg.norm(frame[1])
    frame[2] = np.cross(frame[0], frame[1])
    steps = np.diff(arc)
    kappa = np.hypot(k1, k2)
    points, tangents = np.empty((arc.size, 3)), np.empty((arc.size, 3))
    points[0], tangents[0] = np.asarray(start_mm, np.float64), frame[0]
    for i, (step, k) in enumerate(zip(steps, kappa, strict=True)):
        t, u, v = frame
        if k > 0.0:
            towards = (k1[i] * u + k2[i] * v) / k
            sine, cosine = np.sin(k * step), np.cos(k * step)
            points[i + 1] = points[i] + (sine * t + (1.0 - cosine) * towards) / k
            turned = cosine * t + sine * towards
            new_towards = cosine * towards - sine * t
            across = (-k2[i] * u + k1[i] * v) / k
            frame = np.stack(
                [turned, (k1[i] * new_towards - k2[i] * across) / k, (k2[i] * new_towards + k1[i] * across) / k]
            )
        else:
            points[i + 1] = points[i] + step * t
        tangents[i + 1] = frame[0]
    return Curve(arc, points, tangents, np.append(kappa[:1], kappa))


def curve_from_bends(
    bends: tuple[Bend, ...] | list[Bend],
    *,
    start_mm: ArrayLike = (0.0, 0.0, 0.0),
    tangent: ArrayLike = (0.0, 0.0, -1.0),
    normal: ArrayLike = (1.0, 0.0, 0.0),
) -> Curve:
    """Curve of lines and circular arcs in 3-D, one after the other.

    Raises
    ------
    PhantomError
        No bend, a length that is not > 0, or a negative curvature.
    """
    if not bends:
        raise PhantomError("bends must hold at least one stretch: got none")
    arc, k1, k2 = [np.zeros(1)], [], []
    for bend in bends:
        length = check_positive(PhantomError, "length_mm", bend.length_mm)
        if bend.kappa_per_mm < 0.0:
            raise PhantomError(f"kappa_per_mm must be >= 0: {bend.kappa_per_mm:g}; turn direction_deg by 180 instead")
        count = max(ceil(length / STEP_MM), 2)
        arc.append(arc[-1][-1] + np.linspace(0.0, length, count + 1)[1:])
        angle = bend.direction_deg * pi / 180.0
        k1.append(np.full(count, bend.kappa_per_mm * np.cos(angle)))
        k2.append(np.full(count, bend.kappa_per_mm * np.sin(angle)))
    return curve_from_curvature(
        np.concatenate(arc),
        np.concatenate(k1),
        np.concatenate(k2),
        start_mm=start_mm,
        tangent=tangent,
        normal=normal,
    )
