"""Drawn teeth and films of them for the evidence of the fit in space: all geometry is the phantom room's, none the fit's."""

from __future__ import annotations

from math import cos, exp, sin

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.measure.curvature import fit_canal, schneider_deg
from wlmeasure.measure.line_arc import Noise
from wlmeasure.measure.space.views import KnownFile, View
from wlmeasure.phantom.anatomy import canal_axis
from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.projection import Projection, aim

Float64 = NDArray[np.float64]

SPACING_MM = (0.020, 0.031)
CORRELATION_MM = 1.0
TRACE_MM = (0.03, 0.05)
LEAN_DEG = 5.0


@frozen
class Spreads:
    """How far films are from what is entered of them: standard deviations; the largest error of the shift (spread evenly)."""

    common_tilt_deg: float = 8.0
    tilt_deg: float = 1.0
    axis_deg: float = 1.0
    scale: float = 0.005
    shift_deg: float = 5.0


def aligned_axis(rng: np.random.Generator) -> Curve:
    """A canal of the phantom room that bends in any plane, its chord along the tooth's axis to `LEAN_DEG` (SD, both ways)."""
    curve = canal_axis(rng, toward_deg=rng.uniform(0.0, 360.0))
    chord = curve.points_mm[-1] - curve.points_mm[0]
    lean = np.tan(np.radians(LEAN_DEG) * rng.standard_normal(2))
    return curve.moved(turned_onto(chord, np.array([lean[0], lean[1], -1.0])))


def turned_onto(one: Float64, other: Float64) -> Float64:
    """Rotation that takes the direction of `one` to that of `other`."""
    a, b = one / np.linalg.norm(one), other / np.linalg.norm(other)
    axis = np.cross(a, b)
    cross = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1.0 + a @ b))


def axis_of(rng: np.random.Generator, population: str) -> Curve:
    """A canal of one of the two populations, its middle at the origin."""
    curve = aligned_axis(rng) if population == "aligned" else canal_axis(rng)
    return curve.moved(np.eye(3), -curve.at([0.5 * curve.length_mm])[0])


@frozen(eq=False)
class Film:
    """A film as it is and as it is entered."""

    projection: Projection
    entered: dict[str, object]
    stretched: float
    """Factor of the entered scale's error."""
    sigma_mm: float
    rng: np.random.Generator

    @property
    def at_tooth_mm(self) -> tuple[float, float]:
        """True size of a pixel at the tooth."""
        grown = float(self.projection.magnification(np.zeros((1, 3)))[0])
        return SPACING_MM[0] / grown, SPACING_MM[1] / grown

    def path(self, points_mm: Float64) -> Float64:
        """A traced path, pixels."""
        mm = self.projection.pixels(points_mm) * self.at_tooth_mm
        return np.asarray((mm + together(self.rng, mm, self.sigma_mm)) / self.at_tooth_mm)

    def mark(self, point_mm: Float64, std_mm: float) -> Float64:
        px = self.projection.pixels(point_mm[None])[0]
        return np.asarray(px + std_mm * self.rng.standard_normal(2) / self.at_tooth_mm)

    def view(self, canals: dict[str, Float64], points: dict[str, Float64] | None = None, **more: object) -> View:
        entered = {**self.entered, **more}
        scale = tuple(size * self.stretched for size in self.at_tooth_mm)
        return View(canals, scale, points or {}, **entered)  # type: ignore[arg-type]


def together(rng: np.random.Generator, path_mm: Float64, sigma_mm: float) -> Float64:
    """Errors (N, 2) that go together along a path (a Gaussian correlation with the integral length `CORRELATION_MM`)."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path_mm, axis=0).T))])
    reach = CORRELATION_MM / np.sqrt(2.0 * np.pi)
    alike = np.exp(-0.5 * ((at[:, None] - at) / reach) ** 2) + 1e-6 * np.eye(len(at))
    return np.asarray(sigma_mm * np.linalg.cholesky(alike) @ rng.standard_normal((len(at), 2)))


def films(
    rng: np.random.Generator,
    shifts_deg: tuple[float, ...],
    spreads: Spreads,
    *,
    shift_error: bool = True,
    stayed: bool = False,
    told: bool = True,
) -> list[Film]:
    """One film for each nominal shift; the first film's own angulation is the zero of the tooth's frame.

    `stayed`: the detector of a shifted film stands where that of a film without a shift does, and not square to the ray;
    `told`: which of the two is entered.
    """
    common = spreads.common_tilt_deg * rng.standard_normal()
    sigma = float(rng.uniform(*TRACE_MM))
    made = []
    for shift in shifts_deg:
        off = rng.uniform(-spreads.shift_deg, spreads.shift_deg) if shift and shift_error else 0.0
        distance = float(rng.uniform(250.0, 350.0))
        projection = aim(
            source_object_mm=distance,
            source_detector_mm=distance + 10.0,
            rows=1500,
            cols=1000,
            spacing_mm=SPACING_MM,
            horizontal_deg=shift + off,
            vertical_deg=common + spreads.tilt_deg * rng.standard_normal(),
            roll_deg=spreads.axis_deg * rng.standard_normal(),
            detector_turn_deg=-(shift + off) if stayed else 0.0,
        )
        entered = {
            "scale_rel_std": spreads.scale,
            "horizontal_deg": shift,
            "horizontal_std_deg": spreads.shift_deg / np.sqrt(3.0) if shift else 0.0,
            "tube_shift": "none" if not shift else "mesial" if shift > 0 else "distal",
            "mesial_to": "right",
            "sensor": ("stayed" if stayed else "with the tube") if told else None,
            "vertical_std_deg": spreads.tilt_deg,
            "axis_deg": 0.0,
            "axis_std_deg": spreads.axis_deg,
            "source_mm": 300.0,
            "noise": Noise(0.04, CORRELATION_MM),
            "end_std_mm": 0.05,
            "point_std_mm": 0.08,
        }
        made.append(Film(projection, entered, exp(spreads.scale * rng.standard_normal()), sigma, rng))
    return made


def dense(curve: Curve, count: int = 120) -> Float64:
    return curve.at(np.linspace(0.0, curve.length_mm, count))


def turns_of(curve: Curve, step_mm: float = 0.1) -> tuple[Float64, Float64]:
    """Components of curvature (2, N) along a frame that does not twist, and the arc lengths between them (N + 1,)."""
    arc = np.linspace(0.0, curve.length_mm, int(curve.length_mm / step_mm) + 1)
    tangents = np.column_stack([np.interp(arc, curve.arc_mm, curve.tangents[:, k]) for k in range(3)])
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    across = np.array([1.0, 0.0, 0.0])
    out = np.zeros((2, len(arc) - 1))
    for k in range(len(arc) - 1):
        here, there = tangents[k], tangents[k + 1]
        across = across - here * (across @ here)
        across /= np.linalg.norm(across)
        change = (there - here) / (arc[k + 1] - arc[k])
        out[:, k] = change @ across, change @ np.cross(here, across)
    return out, arc


def true_largest_deg(curve: Curve) -> float:
    """Largest Schneider angle of the true centre line, seen square to the plane that is nearest to it."""
    points = dense(curve, 200)
    _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    model = fit_canal((points - points[0]) @ axes[:2].T, noise=Noise(0.03, 0.9))
    return max(schneider_deg(model, bend) for bend in range(max(model.arcs, 1)))


def true_end_to_end_deg(curve: Curve, coronal_mm: float = 2.0, apical_mm: float = 2.0) -> float:
    """Angle in space between the first and the last 2 mm."""
    at = curve.at([0.0, coronal_mm, curve.length_mm - apical_mm, curve.length_mm])
    one, two = at[1] - at[0], at[3] - at[2]
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(one, two)), one @ two)))


def known_file(
    rng: np.random.Generator, curve: Curve, shot: list[Film], std_mm: float, short_mm: float = 0.5
) -> tuple[KnownFile, list[dict[str, Float64]]]:
    """A file in a canal from its first point to `short_mm` before its end, and its tip on every film."""
    tip = curve.at([curve.length_mm - short_mm])[0]
    length = curve.length_mm - short_mm + std_mm * rng.standard_normal()
    return KnownFile("MB", float(length), std_mm, "tip MB"), [{"tip MB": film.mark(tip, 0.05)} for film in shot]


def beside(rng: np.random.Generator, population: str, across_mm: float, depth_mm: float) -> Curve:
    """A second canal of the same tooth, `across_mm` to the right and `depth_mm` nearer to the source."""
    return axis_of(rng, population).moved(np.eye(3), (across_mm, depth_mm, 0.3 * rng.standard_normal()))


def cusps(rng: np.random.Generator, top_mm: float) -> dict[str, Float64]:
    """Two cusps above the orifices, buccal and lingual."""
    place = rng.uniform(0.0, 2.0 * np.pi)
    return {
        "cusp B": np.array([2.0 * cos(place), 3.0, top_mm + 6.0 + rng.standard_normal()]),
        "cusp L": np.array([2.0 * sin(place), -3.0, top_mm + 6.0 + rng.standard_normal()]),
    }
