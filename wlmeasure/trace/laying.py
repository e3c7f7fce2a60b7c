"""How one film roughly lies on another: turn, scale and place, looked for over all of them at low resolution."""

from __future__ import annotations

from math import cos, log, radians, sin, sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.trace.edges import Float32, edges_of, warped_edges

__all__ = ["Laying", "layings"]

Float64 = NDArray[np.float64]

COARSE_MM = 0.6
"""Step of the grid on which is searched, mm: a root is some 8 steps wide; our parameter."""
TURN_STEP_DEG = 6.0
"""A film's lower end lies 1 mm off after half of that, two steps of the grid; our parameter."""
SCALE_STEP = 1.08
"""Ratio of neighbouring scales, likewise."""
APART_MM, APART_DEG = 2.0, 12.0
"""Two candidates nearer than both are one; our parameters."""


@frozen(eq=False)
class Laying:
    """One way: `to_other` (3, 3) maps (row, col, 1) in mm of film A to mm of film B; `score` is its correlation, at most 1."""

    to_other: Float64
    score: float
    turn_deg: float
    scale: float


def similarity(turn_deg: float, scale: float, centre: Float64, to: Float64) -> Float64:
    """3 x 3 map that turns by `turn_deg` (from rows to columns), scales, and takes `centre` to `to`."""
    c, s = scale * cos(radians(turn_deg)), scale * sin(radians(turn_deg))
    linear = np.array([[c, -s], [s, c]])
    out = np.eye(3)
    out[:2, :2] = linear
    out[:2, 2] = to - linear @ centre
    return out


def layings(a: Float32, b: Float32, scales: tuple[float, float], most: int) -> list[Laying]:
    """The best `most` ways to lay grid `b` on grid `a` (both of step `COARSE_MM`), best first.

    Parameters
    ----------
    a, b
        Attenuation on square grids.
    scales
        Least and most length on B over length on A.
    most
        How many ways.
    """
    edges = edges_of(a, COARSE_MM)
    side = max(*a.shape, *b.shape)
    # Room for every shift by up to half of the film: beyond that too little is in common.
    size = int(np.ceil(1.5 * side / 32) * 32)
    other = np.conj(np.fft.fft2(edges[..., 0] + 1j * edges[..., 1], (size, size)))
    energy = float(np.sum(edges * edges))
    span = log(scales[1] / scales[0])
    steps = max(1, int(np.ceil(span / log(SCALE_STEP))) + 1)
    centre_a, centre_b = ((np.array(grid.shape) - 1.0) / 2.0 for grid in (a, b))
    found: list[Laying] = []
    for scale in np.geomspace(*scales, steps) if span > 0.0 else (scales[0],):
        for turn in np.arange(0.0, 360.0, TURN_STEP_DEG):
            to_b = similarity(turn, float(scale), centre_a, centre_b)
            turned, _ = warped_edges(b, to_b, a.shape, COARSE_MM)
            power = float(np.sum(turned * turned))
            if power <= 0.0:
                continue
            product = np.fft.ifft2(np.fft.fft2(turned[..., 0] + 1j * turned[..., 1], (size, size)) * other).real
            row, col = np.unravel_index(int(np.argmax(product)), product.shape)
            score = float(product[row, col]) / sqrt(max(energy * power, 1e-12))
            # Turned B at x + shift is A at x.
            shift = np.array([row, col], np.float64)
            shift[shift > size / 2] -= size
            moved = to_b @ np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]], [0.0, 0.0, 1.0]])
            found.append(Laying(moved, score, float(turn), float(scale)))
    found.sort(key=lambda one: -one.score)
    kept: list[Laying] = []
    middle = np.array([*centre_a, 1.0])
    for one in found:
        if len(kept) == most:
            break
        if all(_apart(one, other_one, middle) for other_one in kept):
            kept.append(one)
    to_mm = np.diag([COARSE_MM, COARSE_MM, 1.0])
    return [Laying(to_mm @ one.to_other @ np.linalg.inv(to_mm), one.score, one.turn_deg, one.scale) for one in kept]


def _apart(one: Laying, other: Laying, middle: Float64) -> bool:
    turn = abs((one.turn_deg - other.turn_deg + 180.0) % 360.0 - 180.0)
    way = (one.to_other @ middle - other.to_other @ middle)[:2] * COARSE_MM
    return turn > APART_DEG or float(np.hypot(*way)) > APART_MM
