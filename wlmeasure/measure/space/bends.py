"""The bends of a line in space by the definitions that are drawn on a film.

A bent line is laid out flat: unrolled with its curvature at every place kept, so that its length, the turn of every bend and all
radii stay what they are in space. A bend that lies in one plane is laid out as it is. The definitions of `measure.curvature` are
then read off the flat line, which makes figures of space and of one film comparable: both are the same construction. To which
side the line turns is judged along the direction in which it bends most; two bends in different planes are laid out one after
the other.
"""

from __future__ import annotations

from math import atan2, degrees, hypot

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.curvature import fit_canal
from wlmeasure.measure.line_arc import LineArc, Noise
from wlmeasure.measure.parts import distances, slopes
from wlmeasure.measure.space.curve import STEPS, Line, line_of

__all__ = ["BendPlane", "bend_planes", "flat_model", "laid_flat", "turning_of"]

Float64 = NDArray[np.float64]

FLAT_NOISE = Noise(0.03, 0.9)
"""What a flat line may be off before another bend is believed: a traced path's error over one knot of the fit."""
STEP = 1e-4  # of a parameter, for derivatives of the flat line


def _signed(line: Line, sides: Float64 | None = None) -> tuple[Float64, Float64]:
    """Curvature with its side at the middle of every step (STEPS,), 1/mm, and the sides."""
    k1, k2 = line.curvature_per_mm()
    size = np.hypot(k1, k2)
    if sides is None:
        _, axes = np.linalg.eigh(
            np.cov(np.stack([k1, k2]), bias=True) + np.outer([k1.mean(), k2.mean()], [k1.mean(), k2.mean()])
        )
        main = axes[:, -1]
        along = main[0] * k1 + main[1] * k2
        # Where a line is all but straight its direction of bending is chance: there it only counts as far as it goes one way.
        sides = np.divide(along, size, out=np.zeros(STEPS), where=size > 0.0)
        bent = size > 0.25 * size.max()
        sides = np.where(bent, np.where(sides < 0.0, -1.0, 1.0), sides)
    return sides * size, sides


def laid_flat(line: Line, sides: Float64 | None = None) -> Float64:
    """(STEPS + 1, 2) places of a line laid out flat, (row, col), mm: it begins at 0 along the rows."""
    signed, _ = _signed(line, sides)
    step = line.length_mm / STEPS
    turns = signed * step
    heading = np.cumsum(turns) - 0.5 * turns
    chord = step * np.sinc(0.5 * turns / np.pi)
    flat = np.zeros((STEPS + 1, 2))
    np.cumsum(chord * np.cos(heading), out=flat[1:, 0])
    np.cumsum(chord * np.sin(heading), out=flat[1:, 1])
    return flat


def flat_model(line: Line, covariance: Float64) -> LineArc:
    """Straight and circular parts of a line laid out flat, with the covariance that its parameters have from those of the line.

    `covariance` is of the line's length and turns, (1 + turns, 1 + turns).
    """
    _, sides = _signed(line)
    flat = laid_flat(line, sides)
    model = fit_canal(flat, noise=FLAT_NOISE)
    arcs, tail = model.arcs, model.arcs == 0 or model.tail_mm > 1e-9
    normal = np.array([-np.sin(model.heading_rad), np.cos(model.heading_rad)])
    theta = np.concatenate(
        [
            [model.heading_rad, float((model.start - flat[0]) @ normal)],
            model.curvatures_per_mm,
            model.breaks_mm if tail else model.breaks_mm[:-1],
        ]
    )
    paths = [flat]
    size = line.turns.size
    for k in range(size + 1):
        step = np.zeros(line.parameters)
        step[5 + k] = STEP
        paths.append(laid_flat(line.moved(step), sides))
    local = np.stack(
        [np.stack([path[:, 0] - flat[0, 0], path[:, 1] - flat[0, 1], np.ones(len(path))]) for path in paths]
    )
    shape = (arcs, tail)
    _, jacobian = slopes(local[:1], theta[None], shape)
    apart = distances(local, np.repeat(theta[None], len(local), axis=0), shape)
    response = -np.linalg.pinv(jacobian[0], rcond=1e-6) @ (apart[1:] - apart[0]).T / STEP
    full = np.zeros((3 + 3 * arcs, size + 1))
    full[: len(theta)] = response
    full[-1, 0] = 1.0
    return evolve(model, covariance=full @ covariance @ full.T)


def turning_of(line: Line, covariance: Float64) -> tuple[float, float]:
    """All of a line's turning in space, whatever its direction, and its standard uncertainty, degrees."""
    k1, k2 = line.curvature_per_mm()
    size = np.hypot(k1, k2)
    total = float(size.sum()) * line.length_mm / STEPS
    unit = np.stack([k1, k2]) / np.maximum(size, 1e-12)
    count = line.turns.shape[1]
    by = np.concatenate([_by_knots(unit[0], count), _by_knots(unit[1], count)])
    std = float(np.sqrt(max(by @ covariance[1:, 1:] @ by, 0.0)))
    return degrees(total), degrees(std)


def _by_knots(weights: Float64, count: int) -> Float64:
    """Derivative by the knots of the sum of weights (STEPS,) times the turn of each step."""
    at = (np.arange(STEPS) + 0.5) / STEPS * (count - 1)
    low = np.minimum(at.astype(int), count - 2)
    high = at - low
    out = np.zeros(count)
    np.add.at(out, low, weights * (1.0 - high) / STEPS)
    np.add.at(out, low + 1, weights * high / STEPS)
    return out


@frozen
class BendPlane:
    """Where a bend lies in space.

    Attributes
    ----------
    from_mm, to_mm
        Where it begins and ends along the canal.
    towards_deg
        Direction in which it bends, about the tooth's axis: 0 to the right of the film's tooth with its apex down, 90 towards the
        source of a film without angulation, -90 away from it.
    towards_std_deg
        Its standard uncertainty.
    out_of_film_deg
        Angle between that direction and the first film's picture plane: 0 is seen in full, 90 not at all.
    """

    from_mm: float
    to_mm: float
    towards_deg: float
    towards_std_deg: float
    out_of_film_deg: float


def bend_planes(line: Line, covariance: Float64, model: LineArc, beam: Float64) -> tuple[BendPlane, ...]:
    """Planes of the bends that `model` has; `covariance` is of all the line's parameters from its direction on (two turns, length,
    turns), `beam` the unit vector towards the source of the first film.
    """
    planes = []
    for k in range(model.arcs):
        begin, end = float(model.breaks_mm[2 * k]), float(min(model.breaks_mm[2 * k + 1], line.length_mm))
        at = (np.arange(STEPS) + 0.5) * line.length_mm / STEPS
        inside = (at >= begin) & (at <= end)
        if not inside.any():
            inside = np.abs(at - 0.5 * (begin + end)) <= line.length_mm / STEPS

        def towards(of: Line, inside: NDArray[np.bool_] = inside) -> Float64:
            k1, k2 = of.curvature_per_mm()
            _, frames, _ = line_of(of, slopes=False)
            mean = 0.5 * (frames[:-1] + frames[1:])
            vector: Float64 = (mean[:, :, 1] * k1[:, None] + mean[:, :, 2] * k2[:, None])[inside].sum(axis=0)
            return vector / max(float(np.linalg.norm(vector)), 1e-12)

        here = towards(line)
        angle = atan2(here[1], here[0])
        gradient = np.zeros(line.parameters - 3)
        for j in range(len(gradient)):
            step = np.zeros(line.parameters)
            step[3 + j] = STEP
            there = towards(line.moved(step))
            change = atan2(there[1], there[0]) - angle
            gradient[j] = (change + np.pi) % (2.0 * np.pi) - np.pi
        gradient /= STEP
        std = float(np.sqrt(max(gradient @ covariance @ gradient, 0.0)))
        out = degrees(atan2(abs(float(here @ beam)), hypot(*(here - beam * float(here @ beam)))))
        planes.append(BendPlane(begin, end, degrees(angle), degrees(std), out))
    return tuple(planes)


def interval_deg(value: float, std: float) -> tuple[float, float]:
    """95 % interval of an angle that is never below 0."""
    return max(0.0, value - NORMAL_95 * std), value + NORMAL_95 * std
