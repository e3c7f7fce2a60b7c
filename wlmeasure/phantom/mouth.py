"""Several teeth on one film, each with what was done to it, at its place in the jaw: films of level "real".

Every tooth is a `Scene` in a frame of its own (z = 0 at its cervix, crown at +z) and stands in the mouth's frame, that of
`Projection`, by a turn and a shift. Rays are followed in the tooth's own frame, through a projection that is seen from there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.phantom.bodies import moved
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.rays import cross
from wlmeasure.phantom.scene import METALS, SUBSTANCES, Marks, Scene, tooth_paths
from wlmeasure.phantom.solid import Solid
from wlmeasure.points import frozen_array

__all__ = ["Mouth", "Placed", "Work", "mouth_paths"]

Float64 = NDArray[np.float64]
Float32 = NDArray[np.float32]


@frozen(eq=False)
class Work:
    """Something a clinician made: what it is, its material, and a line (N, 3) mm through it, in the frame it stands in."""

    what: str
    material: str
    line_mm: Float64 = field(converter=frozen_array)


@frozen(eq=False)
class Placed:
    """A tooth and its treatment in the mouth.

    Attributes
    ----------
    scene
        The tooth with all that is in and on it, in its own frame.
    kind, state, lumen
        Its kind (`KINDS`), "erupted" or "unerupted", and how its canals are (`LUMENS`).
    turn, shift_mm : (3, 3), (3,)
        Where it stands: a point p of its frame lies at `turn` @ p + `shift_mm`.
    works
        Restorations, posts, pins and the like, for the truth.
    """

    scene: Scene
    kind: str
    state: str
    lumen: str
    turn: Float64 = field(converter=frozen_array)
    shift_mm: Float64 = field(converter=frozen_array)
    works: tuple[Work, ...] = ()

    def out(self, points_mm: Float64) -> Float64:
        """Points (N, 3) of the tooth's frame in the mouth's, mm."""
        placed: Float64 = np.asarray(points_mm, np.float64) @ self.turn.T + self.shift_mm
        return placed

    def placed(self, solid: Solid) -> Solid:
        """A body of the tooth's frame in the mouth's."""
        return moved(solid, self.turn, self.shift_mm)


@frozen(eq=False)
class Mouth:
    """All teeth near a film, the one in hand first, and what stands beside them (implants, wires), in the mouth's frame."""

    teeth: tuple[Placed, ...]
    upper: bool
    works: tuple[Work, ...] = ()
    bodies: tuple[tuple[str, Solid], ...] = ()

    def facts(self) -> dict[str, Any]:
        """Plain values for the truth: what is on the film."""
        works = [work for tooth in self.teeth for work in tooth.works] + list(self.works)
        return {
            "upper": self.upper,
            "kinds": [tooth.kind for tooth in self.teeth],
            "lumens": [tooth.lumen for tooth in self.teeth],
            "works": sorted({f"{work.what}: {work.material}" for work in works}),
        }


def mouth_paths(mouth: Mouth, projection: Projection) -> tuple[dict[str, Float32], Marks]:
    """Path length, mm, of the ray of every pixel in each material of the teeth, without the jaw; and the marks of them."""
    shape = (projection.rows, projection.cols)
    marks = Marks(shape)
    total: dict[str, Float32] = {}
    for tooth in mouth.teeth:
        own = tooth_paths(tooth.scene, projection.seen_from(tooth.turn, tooth.shift_mm), marks)
        for name, path in own.items():
            total[name] = total[name] + path if name in total else path
    for material, body in mouth.bodies:
        crossing = cross(body, projection)
        if crossing.length_mm.size:
            base, density = SUBSTANCES.get(material, (material, 1.0))
            path = total.setdefault(base, np.zeros(shape, np.float32))
            path[crossing.rows, crossing.cols] += np.float32(density) * crossing.length_mm.astype(np.float32)
            if material in METALS:
                marks.add("metal", crossing)
    return total, marks
