"""The bends of a line in space by the definitions that are drawn on a film.

The line is seen square to the plane in which it bends most (the plane nearest to all its points), as a film would
show it that hid nothing of that bend. The definitions of `measure.curvature` are read off there, which makes figures
of space and of one film comparable: both are the same construction. What bends out of that plane is in the turning
end to end, and in the planes of the bends.
"""

from __future__ import annotations

from math import atan2, degrees, hypot

import numpy as np
from attrs import evolve
from numpy.typing import NDArray

from wlmeasure.measure.curvature import (
    DETERMINED_RATIO,
    LUITEN_APICAL_MM,
    LUITEN_CORONAL_MM,
    canal_form,
    fit_canal,
    pruett_deg,
    pruett_radius_interval_mm,
    schneider_deg,
    total_turning_deg,
)
from wlmeasure.measure.line_arc import LineArc, Noise
from wlmeasure.measure.parts import distances, slopes
from wlmeasure.measure.space.curve import STEPS, Line, line_of
from wlmeasure.measure.space.values import Angle, BendPlane, SpatialBends

__all__ = ["bends_of"]

Float64 = NDArray[np.float64]

PLANE_NOISE = Noise(0.06, 0.9)
"""What the line in space may be off before another bend is believed; our parameter: a trace's error, twice over in depth."""
POINTS = 2  # every so many points of the line: the fit of the parts needs no more


def bends_of(line: Line, covariance: Float64, beam: Float64) -> SpatialBends:
    """Angles, radius and planes of a line's bends.

    `covariance` is of all the line's parameters from its direction on (two turns, length, turns), `beam` the unit
    vector towards the source of the first film.
    """
    points, _, by_line = line_of(line)
    by_line = by_line[:, :, 3:]
    model = _model(points[::POINTS], by_line[::POINTS], covariance)
    bent, double = model.arcs > 0, model.arcs == 2
    radii = pruett_radius_interval_mm(model) if bent else None
    known = radii is not None and radii[1] <= DETERMINED_RATIO * radii[0]
    end_to_end = _end_to_end(line, points, by_line, covariance)
    straight_std = end_to_end.std_deg

    def angle(value: float, std: float) -> Angle:
        return Angle(value, std)

    return SpatialBends(
        form=canal_form(model),
        schneider=angle(schneider_deg(model), model.std_of(schneider_deg) if bent else 0.5 * straight_std),
        schneider_secondary=angle(schneider_deg(model, 1), model.std_of(lambda m: schneider_deg(m, 1)))
        if double
        else None,
        pruett=angle(pruett_deg(model), model.std_of(pruett_deg) if bent else straight_std),
        pruett_secondary=angle(pruett_deg(model, 1), model.std_of(lambda m: pruett_deg(m, 1))) if double else None,
        total_turning=angle(total_turning_deg(model), model.std_of(total_turning_deg) if bent else straight_std),
        end_to_end=end_to_end,
        radius_mm=1.0 / abs(float(model.curvatures_per_mm[0])) if known else None,
        radius_interval_mm=radii,
        planes=_planes(line, covariance, model, beam),
        model=model,
    )


def _model(points: Float64, by_line: Float64, covariance: Float64) -> LineArc:
    """Straight and circular parts of a line seen square to the plane of its bends, with the covariance from the line's."""
    middle = points.mean(axis=0)
    _, _, axes = np.linalg.svd(points - middle, full_matrices=False)
    flat = (points - points[0]) @ axes[:2].T
    model = fit_canal(flat, noise=PLANE_NOISE)
    arcs, tail = model.arcs, model.arcs == 0 or model.tail_mm > 1e-9
    normal = np.array([-np.sin(model.heading_rad), np.cos(model.heading_rad)])
    theta = np.concatenate(
        [
            [model.heading_rad, float(model.start @ normal)],
            model.curvatures_per_mm,
            model.breaks_mm if tail else model.breaks_mm[:-1],
        ]
    )
    shape = (arcs, tail)
    local = np.stack([flat[:, 0], flat[:, 1], np.ones(len(flat))])[None]
    _, jacobian = slopes(local, theta[None], shape)
    step = 1e-4
    count = by_line.shape[2]
    moved = np.repeat(local, count, axis=0)
    moved[:, :2] += step * np.einsum("nij,ai->jan", by_line, axes[:2])
    apart = distances(moved, np.repeat(theta[None], count, axis=0), shape) - distances(local, theta[None], shape)
    response = -np.linalg.pinv(jacobian[0], rcond=1e-4) @ apart.T / step
    full = np.zeros((3 + 3 * arcs, count))
    full[: len(theta)] = response
    full[-1, 2] = 1.0
    return evolve(model, covariance=full @ covariance @ full.T)


def _end_to_end(line: Line, points: Float64, by_line: Float64, covariance: Float64) -> Angle:
    """Angle between the coronal and the apical end of the line, Luiten's construction in space."""
    share = min(1.0, line.length_mm / (2.0 * (LUITEN_CORONAL_MM + LUITEN_APICAL_MM)))
    first = max(1, round(STEPS * share * LUITEN_CORONAL_MM / line.length_mm))
    last = STEPS - max(1, round(STEPS * share * LUITEN_APICAL_MM / line.length_mm))
    ways = points[first] - points[0], points[STEPS] - points[last]
    by = by_line[first] - by_line[0], by_line[STEPS] - by_line[last]
    units = [way / np.linalg.norm(way) for way in ways]
    # Of each direction what stands square to it turns it.
    turned = [
        (own - np.outer(unit, unit @ own)) / np.linalg.norm(way) for unit, own, way in zip(units, by, ways, strict=True)
    ]
    cosine = float(np.clip(units[0] @ units[1], -1.0, 1.0))
    sine = float(np.linalg.norm(np.cross(*units)))
    change = turned[1] - turned[0]
    if sine > 1e-6:
        slope = -(units[0] @ turned[1] + units[1] @ turned[0]) / sine
        std = float(np.sqrt(max(float(slope @ covariance @ slope), 0.0)))
    else:
        std = float(np.sqrt(max(float(np.trace(change @ covariance @ change.T)), 0.0)))
    return Angle(degrees(atan2(sine, cosine)), degrees(std))


def _planes(line: Line, covariance: Float64, model: LineArc, beam: Float64) -> tuple[BendPlane, ...]:
    planes = []
    at = (np.arange(STEPS) + 0.5) * line.length_mm / STEPS
    for k in range(model.arcs):
        begin, end = float(model.breaks_mm[2 * k]), min(float(model.breaks_mm[2 * k + 1]), line.length_mm)
        inside = (at >= begin) & (at <= end)
        if not inside.any():
            inside = np.abs(at - 0.5 * (begin + end)) <= line.length_mm / STEPS

        def towards(of: Line, inside: NDArray[np.bool_] = inside) -> tuple[Float64, Float64]:
            """Where it bends to, and the normal of the plane in which it bends: sums over the bend."""
            k1, k2 = (component[:, None] for component in of.curvature_per_mm())
            _, frames, _ = line_of(of, slopes=False)
            one, two = (0.5 * (frames[:-1] + frames[1:])[:, :, axis] for axis in (1, 2))
            return (one * k1 + two * k2)[inside].sum(axis=0), (two * k1 - one * k2)[inside].sum(axis=0)

        here, normal = towards(line)
        angle = atan2(here[1], here[0])
        gradient = np.zeros(line.parameters - 3)
        step = 1e-4
        for j in range(len(gradient)):
            change = np.zeros(line.parameters)
            change[3 + j] = step
            there, _ = towards(line.moved(change))
            gradient[j] = (atan2(there[1], there[0]) - angle + np.pi) % (2.0 * np.pi) - np.pi
        gradient /= step
        std = float(np.sqrt(max(float(gradient @ covariance @ gradient), 0.0)))
        along = float(normal @ beam)
        out = degrees(atan2(hypot(*(normal - beam * along)), abs(along)))
        planes.append(BendPlane(begin, end, degrees(angle), degrees(std), out))
    return tuple(planes)
