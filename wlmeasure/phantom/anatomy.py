"""Random canals, roots and crowns; every number drawn from a passed generator.

Canal axes follow the statistics of 314 axes of real molars (micro-CT, given with the reference radiographs): length 6.7 /
10.3 / 13.8 mm (least, median, most), length over chord median 1.04 and at most 1.20, peak curvature 0.21 / 0.49 / 1.19 per mm
(5 %, median, 95 %), and a view along y shortens them by 3.3 % in the median and 7-9 % at the far 5 %.
"""

from __future__ import annotations

from math import cos, pi, radians, sin

import numpy as np
from attrs import frozen

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.curve import STEP_MM, Bend, Curve, curve_from_bends, curve_from_curvature

__all__ = ["LEVELS", "SHAPES", "Level", "canal_axis"]

SHAPES = ("straight", "J", "C", "S", "spline")
SHAPE_WEIGHTS = (0.01, 0.41, 0.02, 0.19, 0.37)
"""How often each shape is drawn; our parameter, with the next ones fitted to the statistics above."""
LENGTH_MM, LENGTH_STD_MM, LENGTH_RANGE_MM = 10.3, 1.25, (6.7, 13.8)
PEAK_KAPPA_PER_MM, PEAK_KAPPA_LOG_STD, PEAK_KAPPA_RANGE = 0.51, 0.52, (0.20, 1.6)
TURNING_DEG, TURNING_STD_DEG, TURNING_RANGE_DEG = 46.0, 13.0, (10.0, 80.0)
MOST_LENGTH_OVER_CHORD = 1.20
LEAN_DEG = (9.0, 19.0)
"""Least and most lean of the coronal tangent towards or away from the source; drawn evenly between them."""
BEND_PLANE_STD_DEG = 25.0
"""Spread of the plane of a bend about the plane of the film."""
MOST_LOST = 0.15
"""Largest share of its length that a canal may lose in the view along y; the worst that was measured."""


@frozen
class Level:
    """Difficulty of a film; the first three are the conditions of the project's performance tables.

    `canal_mm` is the width at the orifice and near the foramen, `texture` the standard deviation of attenuation that bone
    texture adds at full thickness, `angulation_std_deg` the spread of both angulations, `restored` the share of restored
    crowns, `clamped` the share of films with a clamp among those with a file, `confluent` the share of roots with two canals
    in which they join, `capped` the share of teeth under an artificial crown, `scatter` the most scatter that is drawn, as a
    share of the primary. Other figures have been measured on films of the first three levels: what came later is off there.
    `many` is true where all teeth on the film have roots, canals, treatment and truth of their own (level "real").
    """

    photons: float
    canal_mm: tuple[float, float]
    texture: float
    angulation_std_deg: float
    restored: float
    clamped: float
    confluent: float = 0.0
    capped: float = 0.0
    scatter: float = 0.0
    many: bool = False


CONFLUENT_SHARE, CAPPED_SHARE, MOST_SCATTER = 0.4, 0.3, 0.3
"""Shares of the hard level and the most scatter over primary that it draws; our parameters."""


LEVELS: dict[str, Level] = {
    "clear": Level(6000.0, (0.6, 0.30), 0.015, 3.0, 0.0, 0.0),
    "typical": Level(4000.0, (0.6, 0.25), 0.020, 6.0, 0.25, 0.1),
    "faint": Level(3000.0, (0.6, 0.20), 0.035, 8.0, 0.25, 0.1),
    "hard": Level(3000.0, (0.55, 0.18), 0.045, 12.0, 1.0, 0.7, CONFLUENT_SHARE, CAPPED_SHARE, MOST_SCATTER),
    "real": Level(3500.0, (0.6, 0.25), 0.035, 8.0, 0.4, 0.25, 0.25, 0.15, MOST_SCATTER, many=True),
}


def canal_axis(
    rng: np.random.Generator,
    *,
    shape: str | None = None,
    out_of_plane: bool | float = True,
    lean_deg: tuple[float, float] = (0.0, 0.0),
    toward_deg: float | None = None,
    length_mm: float | None = None,
    ramp_mm: float = 0.0,
) -> Curve:
    """One canal from its orifice at the origin to its foramen, running against z.

    Parameters
    ----------
    rng
        Where every draw comes from.
    shape
        One of `SHAPES`; drawn where it is None. "straight" has no curvature at all.
    out_of_plane
        True draws planes of bending and a lean as in real molars, False keeps the canal in the plane y = 0, a number is
        the angle of every bend's plane to that plane in degrees.
    lean_deg
        Mean lean of the coronal tangent towards +x and +y.
    toward_deg
        Direction of the main bend in the plane of the film: 0 towards +x, 180 towards -x; drawn where it is None.
    length_mm
        Arc length; drawn where it is None.
    ramp_mm
        Length over which curvature goes over from a line to an arc (`curve_from_bends`); "spline" is smooth without it.

    Raises
    ------
    PhantomError
        An unknown shape.
    """
    if shape is not None and shape not in SHAPES:
        raise PhantomError(f"shape must be one of {', '.join(SHAPES)}: {shape!r}")
    for _ in range(200):
        curve = _one_axis(rng, shape, out_of_plane, lean_deg, toward_deg, length_mm, ramp_mm)
        chord = float(np.linalg.norm(curve.points_mm[-1] - curve.points_mm[0]))
        # A canal that turns back to the crown, or bends more than any that was measured, is drawn again.
        seen = float(np.hypot(*np.diff(curve.points_mm[:, [0, 2]], axis=0).T).sum())
        fits = curve.length_mm <= MOST_LENGTH_OVER_CHORD * chord and curve.tangents[:, 2].max() < -0.2
        if fits and (out_of_plane is not True or seen >= (1.0 - MOST_LOST) * curve.length_mm):
            return curve
    raise PhantomError("length_mm must allow a canal of this shape: choose a longer one or another shape")


def _one_axis(
    rng: np.random.Generator,
    shape: str | None,
    out_of_plane: bool | float,
    lean_deg: tuple[float, float],
    toward_deg: float | None,
    length_mm: float | None,
    ramp_mm: float,
) -> Curve:
    kind = str(rng.choice(SHAPES, p=SHAPE_WEIGHTS)) if shape is None else shape
    length = _within(rng, LENGTH_MM, LENGTH_STD_MM, LENGTH_RANGE_MM)
    length = length if length_mm is None else float(length_mm)
    kappa = float(np.clip(PEAK_KAPPA_PER_MM * np.exp(PEAK_KAPPA_LOG_STD * rng.standard_normal()), *PEAK_KAPPA_RANGE))
    turning = radians(_within(rng, TURNING_DEG, TURNING_STD_DEG, TURNING_RANGE_DEG))
    toward = rng.choice([0.0, 180.0]) if toward_deg is None else toward_deg
    spread = BEND_PLANE_STD_DEG * rng.standard_normal(4)
    lean_x, lean_y = np.array(lean_deg) + rng.uniform(*LEAN_DEG, 2) * rng.choice([-1.0, 1.0], 2) * np.array([0.5, 1.0])
    if out_of_plane is False:
        spread, lean_y = np.zeros(4), 0.0
    elif out_of_plane is not True:
        spread, lean_y = np.full(4, float(out_of_plane)), 0.0
    directions = toward + spread
    tangent = (sin(radians(lean_x)), sin(radians(lean_y)), -cos(radians(lean_x)) * cos(radians(lean_y)))
    if kind == "spline":
        return _free(rng, length, kappa, turning, directions, tangent)
    return curve_from_bends(_bends(rng, kind, length, kappa, turning, directions), tangent=tangent, ramp_mm=ramp_mm)


def _bends(
    rng: np.random.Generator, kind: str, length: float, kappa: float, turning: float, directions: np.ndarray
) -> list[Bend]:
    """Lines and arcs of a shape; an arc that would not fit is shortened, its curvature stays."""
    if kind == "straight":
        return [Bend(length)]
    if kind == "C":
        # One arc over most of the canal: it cannot be sharp.
        share = rng.uniform(0.6, 0.95)
        arc = share * length
        return [Bend(length - arc), Bend(arc, min(turning, radians(TURNING_DEG) * 1.4) / arc * 1.1, directions[0])]
    if kind == "S":
        first = min(0.7 * turning / kappa, 0.35 * length)
        second_kappa = kappa * rng.uniform(0.6, 1.0)
        second = min(turning * rng.uniform(0.6, 1.0) / second_kappa, 0.35 * length)
        rest = length - first - second
        before = rest * rng.uniform(0.45, 0.8)
        between = (rest - before) * rng.uniform(0.0, 0.6)
        after = rest - before - between
        parts = [
            Bend(before),
            Bend(first, kappa, directions[0]),
            Bend(between),
            Bend(second, second_kappa, directions[0] + 180.0 + 0.4 * (directions[1] - directions[0])),
            Bend(after),
        ]
        return [part for part in parts if part.length_mm > 1e-6]
    arc = min(turning / kappa, 0.75 * length)
    rest = length - arc
    before = rest * rng.uniform(0.45, 1.0)
    parts = [Bend(before), Bend(arc, kappa, directions[0]), Bend(rest - before)]
    return [part for part in parts if part.length_mm > 1e-6]


def _free(
    rng: np.random.Generator,
    length: float,
    kappa: float,
    turning: float,
    directions: np.ndarray,
    tangent: tuple[float, float, float],
) -> Curve:
    """A smooth curve: a main bend and two lesser ones, each a raised cosine of curvature."""
    count = max(int(np.ceil(length / STEP_MM)), 8)
    arc = np.linspace(0.0, length, count + 1)
    middle = 0.5 * (arc[1:] + arc[:-1])
    k1, k2 = np.zeros(count), np.zeros(count)
    places = np.array([rng.uniform(0.5, 0.85), rng.uniform(0.1, 0.45), rng.uniform(0.3, 0.95)]) * length
    peaks = kappa * np.array([1.0, rng.uniform(0.1, 0.4), rng.uniform(0.05, 0.4)])
    turnings = turning * np.array([0.85, rng.uniform(0.1, 0.5), rng.uniform(0.1, 0.4)])
    flips = np.array([0.0, 180.0 * rng.integers(2), 180.0 * rng.integers(2)])
    for place, peak, turn, angle in zip(places, peaks, turnings, directions[:3] + flips, strict=True):
        half = turn / peak  # a raised cosine of height p and half width h turns by p h
        bump = np.where(np.abs(middle - place) < half, 0.5 * peak * (1.0 + np.cos(pi * (middle - place) / half)), 0.0)
        k1 += bump * cos(radians(angle))
        k2 += bump * sin(radians(angle))
    most = np.hypot(k1, k2).max()
    if most > 0.0:  # the bends overlap: their sum is brought back to the peak that was drawn
        scale = kappa / most
        k1, k2 = k1 * scale, k2 * scale
    return curve_from_curvature(arc, k1, k2, tangent=tangent)


def _within(rng: np.random.Generator, mean: float, std: float, limits: tuple[float, float]) -> float:
    """A normal draw inside `limits`."""
    while True:
        value = float(mean + std * rng.standard_normal())
        if limits[0] <= value <= limits[1]:
            return value
