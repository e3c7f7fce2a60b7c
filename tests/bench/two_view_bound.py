"""The linearised (Bayesian Cramer-Rao) bound of a canal's length from films, by the phantom room's curves and projections.

No code of the fit is used, only its two figures of what canals are like before they are seen: derivatives are small steps of
the true curve and of the true projections. Data are the distances across every path at points 0.25 mm apart, with the errors'
own correlation, and the ends along it; what is known before of angulations, scales and curvature adds as in any Bayesian bound
(Van Trees 1968).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from two_view_cases import CORRELATION_MM, SPACING_MM, Film, Spreads, turns_of

from wlmeasure.measure.space.curve import TOGETHER_MM, TURN_RATE
from wlmeasure.phantom.curve import Curve, curve_from_curvature
from wlmeasure.phantom.projection import Projection

Float64 = NDArray[np.float64]

KNOT_MM = 0.9
POINT_MM = 0.25
END_STD_MM = 0.05
TRACE_STD_MM = 0.04
FREE = 1e3
STEP = 1e-5


def _turned(axis: int, angle: float) -> Float64:
    one, two = (axis + 1) % 3, (axis + 2) % 3
    out = np.eye(3)
    out[one, one] = out[two, two] = np.cos(angle)
    out[one, two], out[two, one] = -np.sin(angle), np.sin(angle)
    return out


def length_bound_mm(curve: Curve, shot: list[Film], spreads: Spreads) -> float:
    """Smallest standard deviation of the length, mm, of a curve seen on films."""
    (k1, k2), arc = turns_of(curve)
    count = max(5, round(curve.length_mm / KNOT_MM) + 1)
    knots = np.linspace(0.0, curve.length_mm, count)
    middle = 0.5 * (arc[1:] + arc[:-1])
    weights = np.maximum(0.0, 1.0 - np.abs(middle[:, None] - knots) / (knots[1] - knots[0]))
    tangent, across = curve.tangents[0], np.array([1.0, 0.0, 0.0])
    frame_1 = across - tangent * (across @ tangent)
    frame_1 /= np.linalg.norm(frame_1)
    frame_2 = np.cross(tangent, frame_1)
    films = len(shot)
    # Two directions, length, curvature of two components, the common tilt; then of each film: shift, tilt, turn, scale, place.
    size = 3 + 2 * count + 1 + 6 * films
    spread = np.full(size, FREE)
    own = 3 + 2 * count
    spread[own] = np.radians(spreads.common_tilt_deg)
    for f in range(films):
        at = own + 1 + 6 * f
        spread[at : at + 4] = (
            1e-9 if f == 0 else np.radians(spreads.shift_deg) / np.sqrt(3.0),
            np.radians(spreads.tilt_deg),
            np.radians(spreads.axis_deg),
            spreads.scale,
        )
    places = np.linspace(0.0, 1.0, int(curve.length_mm / POINT_MM) + 1)

    def seen(theta: Float64) -> list[Float64]:
        lean = tangent + theta[0] * frame_1 + theta[1] * frame_2
        grown = 1.0 + theta[2] / curve.length_mm
        line = curve_from_curvature(
            arc * grown,
            (k1 + weights @ theta[3 : 3 + count]) / grown,
            (k2 + weights @ theta[3 + count : own]) / grown,
            start_mm=curve.points_mm[0],
            tangent=lean,
            normal=frame_1,
        )
        points = line.at(places * line.length_mm)
        return [_on_film(film.projection, points, theta[own], theta[own + 1 + 6 * f :]) for f, film in enumerate(shot)]

    base = seen(np.zeros(size))
    slopes = [np.zeros((*path.shape, size)) for path in base]
    for j in range(size):
        change = STEP * (np.arange(size) == j)
        for f, (there, back) in enumerate(zip(seen(change), seen(-change), strict=True)):
            slopes[f][..., j] = (there - back) / (2.0 * STEP)
    information = np.diag(1.0 / spread**2)
    apart = np.abs(knots[:, None] - knots)
    prior = np.linalg.inv(TURN_RATE / (2.0 * TOGETHER_MM) * np.exp(-apart / TOGETHER_MM))
    for axis in (0, 1):
        part = slice(3 + axis * count, 3 + (axis + 1) * count)
        information[part, part] += prior
    for path, by in zip(base, slopes, strict=True):
        steps = np.gradient(path, axis=0)
        along = steps / np.linalg.norm(steps, axis=1)[:, None]
        normal = np.column_stack([-along[:, 1], along[:, 0]])
        at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        alike = np.exp(-0.5 * ((at[:, None] - at) * np.sqrt(2.0 * np.pi) / CORRELATION_MM) ** 2)
        errors = TRACE_STD_MM**2 * (alike + 0.02 * np.eye(len(at)))
        wall = np.einsum("ni,nij->nj", normal, by)
        information += wall.T @ np.linalg.solve(errors, wall)
        for end in (0, -1):
            own_way = along[end] @ by[end]
            information += np.outer(own_way, own_way) / END_STD_MM**2
    unit = 1.0 / np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information * unit[:, None] * unit) * unit[:, None] * unit
    return float(np.sqrt(covariance[2, 2]))


def _on_film(projection: Projection, points: Float64, common: float, film: Float64) -> Float64:
    """Places in mm at the tooth of points on a film whose shift, tilt, turn, scale and place are a little off."""
    # The tooth turns under a film that stays: about its own axis, then about the film's rows.
    tilt = _about(projection.right, common + film[1])
    moved = points @ (tilt @ _turned(2, film[0])).T
    grown = float(projection.magnification(np.zeros((1, 3)))[0])
    mm = projection.pixels(moved) * np.array(SPACING_MM) / grown
    centre = np.array(projection.centre_px) * np.array(SPACING_MM) / grown
    off = mm - centre
    c, s = np.cos(film[2]), np.sin(film[2])
    turned = off @ np.array([[c, -s], [s, c]])
    return np.asarray(turned * (1.0 + film[3]) + film[4:6])


def _about(axis: Float64, angle: float) -> Float64:
    unit = axis / np.linalg.norm(axis)
    cross = np.array([[0.0, -unit[2], unit[1]], [unit[2], 0.0, -unit[0]], [-unit[1], unit[0], 0.0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross)
