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

from wlmeasure.errors import PhantomError, check_finite, check_positive
from wlmeasure.points import frozen_array

__all__ = ["Bend", "Curve", "curve_from_bends", "curve_from_curvature", "curve_in_plane", "curve_into"]

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


def curve_in_plane(
    arc_mm: ArrayLike,
    kappa: ArrayLike,
    *,
    start_mm: ArrayLike = (0.0, 0.0, 0.0),
    tangent: ArrayLike = (0.0, 0.0, -1.0),
    normal: ArrayLike = (1.0, 0.0, 0.0),
) -> Curve:
    """`curve_from_curvature` with `k1` = `kappa` and no `k2`: the whole curve at once, since it stays in one plane.

    `kappa` (N - 1,) bends towards `normal` where it is positive, 1/mm.

    Raises
    ------
    PhantomError
        Arc lengths that do not rise, or curvatures of another number than the steps between them.
    """
    arc, bend = np.asarray(arc_mm, np.float64), np.asarray(kappa, np.float64)
    if arc.ndim != 1 or arc.size < 2 or (np.diff(arc) <= 0.0).any():
        raise PhantomError("arc_mm must be two or more rising numbers: sort them and drop equal ones")
    if bend.shape != (arc.size - 1,):
        raise PhantomError(f"kappa must hold one value a step, {arc.size - 1}: got {bend.shape}")
    along = np.asarray(tangent, np.float64) / np.linalg.norm(tangent)
    across = np.asarray(normal, np.float64) - along * (along @ np.asarray(normal, np.float64))
    across /= np.linalg.norm(across)
    steps = np.diff(arc)
    turned = np.append(0.0, np.cumsum(bend * steps))
    middle = turned[:-1] + 0.5 * bend * steps
    chord = steps * np.sinc(bend * steps / (2.0 * pi))  # arc to chord
    moves = chord[:, None] * (np.cos(middle)[:, None] * along + np.sin(middle)[:, None] * across)
    points = np.asarray(start_mm, np.float64) + np.vstack([np.zeros(3), np.cumsum(moves, axis=0)])
    tangents = np.cos(turned)[:, None] * along + np.sin(turned)[:, None] * across
    return Curve(arc, points, tangents, np.abs(np.append(bend[:1], bend)))


def curve_from_bends(
    bends: tuple[Bend, ...] | list[Bend],
    *,
    start_mm: ArrayLike = (0.0, 0.0, 0.0),
    tangent: ArrayLike = (0.0, 0.0, -1.0),
    normal: ArrayLike = (1.0, 0.0, 0.0),
    ramp_mm: float = 0.0,
) -> Curve:
    """Curve of lines and circular arcs in 3-D, one after the other.

    Curvature jumps where they meet. With `ramp_mm` it goes over from one to the next linearly along so much of the curve,
    half on either side of the joint: a clothoid (Euler spiral). That is the moving mean of the curvature vector, so length
    and, away from the ends, total turning stay; the peak of an arc shorter than the ramp does not. Beyond its ends the curve
    is taken to go on as it begins and ends.

    Raises
    ------
    PhantomError
        No bend, a length that is not > 0, a negative curvature or ramp.
    """
    if not check_finite(PhantomError, "ramp_mm", ramp_mm) >= 0.0:
        raise PhantomError(f"ramp_mm must be >= 0: {ramp_mm:g}")
    if not bends:
        raise PhantomError("bends must hold at least one stretch: got none")
    arc, k1, k2 = [np.zeros(1)], [], []
    joints = [0.0]
    for bend in bends:
        length = check_positive(PhantomError, "length_mm", bend.length_mm)
        if bend.kappa_per_mm < 0.0:
            raise PhantomError(f"kappa_per_mm must be >= 0: {bend.kappa_per_mm:g}; turn direction_deg by 180 instead")
        count = max(ceil(length / STEP_MM), 2)
        arc.append(arc[-1][-1] + np.linspace(0.0, length, count + 1)[1:])
        angle = bend.direction_deg * pi / 180.0
        k1.append(np.full(count, bend.kappa_per_mm * np.cos(angle)))
        k2.append(np.full(count, bend.kappa_per_mm * np.sin(angle)))
        joints.append(float(arc[-1][-1]))
    along, one, other = np.concatenate(arc), np.concatenate(k1), np.concatenate(k2)
    if ramp_mm > 0.0:
        each = [np.array([part[0] for part in parts]) for parts in (k1, k2)]
        one, other = (_moving_mean(np.array(joints), values, along, ramp_mm) for values in each)
    return curve_from_curvature(along, one, other, start_mm=start_mm, tangent=tangent, normal=normal)


def _moving_mean(joints: Float64, values: Float64, arc: Float64, width: float) -> Float64:
    """Mean over `width` around the middle of every step of `arc` of what is `values` (N,) between `joints` (N + 1,)."""
    padded = np.concatenate([joints[:1] - width, joints, joints[-1:] + width])
    levels = np.concatenate([values[:1], values, values[-1:]])
    total = np.append(0.0, np.cumsum(levels * np.diff(padded)))
    middle = 0.5 * (arc[1:] + arc[:-1])
    mean: Float64 = np.interp(middle + 0.5 * width, padded, total) - np.interp(middle - 0.5 * width, padded, total)
    return mean / width


def curve_into(curve: Curve, trunk: Curve, mm_from_end: float) -> tuple[Curve, float]:
    """`curve`, led into `trunk` so that it meets it `mm_from_end` before the trunk's end and follows it from there.

    Returns the curve and the shared length, mm: they meet on the trunk's point that is nearest to the one asked for.

    The way between them at equal arc lengths shrinks to nothing as 1 - 10 u^3 + 15 u^4 - 6 u^5, u from 0 at the start to 1
    where they meet: start and direction there stay those of `curve`, and place, direction and curvature are the trunk's
    where they meet. Each step is taken as the arc that turns by the angle between its end tangents, so that length and
    curvature belong together as everywhere else.

    Both curves should have points at the same arc lengths; between them points are interpolated.

    Raises
    ------
    PhantomError
        A meeting that is not inside both curves.
    """
    meeting = trunk.length_mm - check_positive(PhantomError, "mm_from_end", mm_from_end)
    if not STEP_MM < meeting <= curve.length_mm:
        raise PhantomError(
            f"mm_from_end must leave a meeting inside both curves: {mm_from_end:g} of {trunk.length_mm:.2f} mm, "
            f"the other is {curve.length_mm:.2f} mm long"
        )
    last = int(np.abs(trunk.arc_mm - meeting).argmin())
    last -= int(trunk.arc_mm[last] > curve.length_mm)
    arc = trunk.arc_mm[: last + 1]
    u = (arc / arc[-1])[:, None]
    share = 1.0 - u**3 * (10.0 - 15.0 * u + 6.0 * u**2)
    falling = -30.0 * u**2 * (1.0 - u) ** 2 / arc[-1]
    way = curve.at(arc) - trunk.points_mm[: last + 1]
    turning = np.column_stack([np.interp(arc, curve.arc_mm, curve.tangents[:, k]) for k in range(3)])
    turning -= trunk.tangents[: last + 1]
    points = trunk.points_mm[: last + 1] + share * way
    tangents = trunk.tangents[: last + 1] + falling * way + share * turning
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    angle = 2.0 * np.arcsin(0.5 * np.linalg.norm(np.diff(tangents, axis=0), axis=1))
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1) / np.sinc(angle / (2.0 * pi))  # chord to arc
    kappa = angle / steps
    own = np.append(0.0, np.cumsum(steps))
    rest = slice(last + 1, None)
    joined = Curve(
        np.append(own, own[-1] + trunk.arc_mm[rest] - trunk.arc_mm[last]),
        np.vstack([points, trunk.points_mm[rest]]),
        np.vstack([tangents, trunk.tangents[rest]]),
        np.concatenate([kappa[:1], kappa, trunk.kappa_per_mm[rest]]),
    )
    return joined, float(trunk.arc_mm[-1] - trunk.arc_mm[last])
