"""Bodies that a clinician puts into and onto teeth, beside those of `treatment`: posts, pins, implants, brackets, cones.

Sizes are usual ones from memory: posts of 0.9 to 1.6 mm, threads 0.7 to 1.1 mm apart, retentive pins of 0.5 to 0.8 mm,
implants of 3.3 to 5 mm by 8 to 13 mm, brackets of 3 x 2 x 1.8 mm on wires of 0.4 to 0.6 mm.
"""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import NDArray

from wlmeasure.phantom.solid import Solid, loft, section_frames, tube

__all__ = ["block", "bulge", "moved", "pointed", "screw"]

Float64 = NDArray[np.float64]

STEP_MM = 0.1


def moved(solid: Solid, turn: Float64, shift_mm: Float64) -> Solid:
    """The body turned about the origin, then shifted."""
    return Solid(solid.vertices @ turn.T + shift_mm, solid.faces)


def screw(start_mm: Float64, end_mm: Float64, radius_mm: float, *, depth_mm: float, pitch_mm: float) -> Solid:
    """A screw from one point to another: its thread winds around a core, `radius_mm` to the crest, `depth_mm` deep."""
    length = float(np.linalg.norm(end_mm - start_mm))
    along = np.linspace(0.0, 1.0, max(int(length / STEP_MM), 4))
    points = start_mm + along[:, None] * (end_mm - start_mm)
    _, first, second = section_frames(points)
    angle = 2.0 * pi * np.arange(20) / 20
    turn = along[:, None] * length / pitch_mm - angle / (2.0 * pi)
    thread = np.abs(2.0 * (turn - np.floor(turn)) - 1.0)
    narrow = np.clip((1.0 - along) * length / (2.0 * radius_mm) + 0.3, 0.0, 1.0)  # pointed at its end
    radius = (radius_mm - depth_mm * thread) * narrow[:, None]
    rings = (
        points[:, None]
        + (np.cos(angle) * radius)[..., None] * first[:, None]
        + (np.sin(angle) * radius)[..., None] * second[:, None]
    )
    return loft(rings)


def pointed(start_mm: Float64, end_mm: Float64, start_radius_mm: float, end_radius_mm: float) -> Solid:
    """A straight tapered rod with a rounded end."""
    length = float(np.linalg.norm(end_mm - start_mm))
    share = np.append(
        np.linspace(0.0, 1.0 - end_radius_mm / length, 12), 1.0 - end_radius_mm / length * np.array([0.5, 0.15, 0.0])
    )
    radius = start_radius_mm + share * (end_radius_mm - start_radius_mm)
    radius[-3:] = end_radius_mm * np.array([0.87, 0.5, 0.05])
    return tube(start_mm + share[:, None] * (end_mm - start_mm), radius, sides=20)


def block(middle_mm: Float64, half_mm: tuple[float, float, float]) -> Solid:
    """A block with rounded corners, upright along z."""
    angle = 2.0 * pi * np.arange(24) / 24
    x = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** 0.4
    y = np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** 0.4
    rings = [
        np.column_stack([half_mm[0] * share * x, half_mm[1] * share * y, np.full(24, z * half_mm[2])])
        for z, share in ((-1.0, 0.85), (-0.85, 1.0), (0.85, 1.0), (1.0, 0.85))
    ]
    return loft(np.array(rings) + middle_mm)


def bulge(middle_mm: Float64, half_mm: tuple[float, float, float]) -> Solid:
    """An ellipsoid."""
    height = -np.cos(np.linspace(0.0, pi, 13)[1:-1])
    points = middle_mm + np.column_stack([0.0 * height, 0.0 * height, half_mm[2] * height])
    ring = np.sqrt(1.0 - height**2)
    return tube(points, half_mm[0] * ring, other_radius_mm=half_mm[1] * ring, sides=24)
