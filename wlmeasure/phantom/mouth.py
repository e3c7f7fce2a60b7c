"""Several teeth on one film, each with what was done to it, at its place in the jaw: films of level "real".

Every tooth is a `Scene` in a frame of its own (z = 0 at its cervix, crown at +z) and stands in the mouth's frame, that of
`Projection`, by a turn and a shift. Rays are followed in the tooth's own frame, through a projection that is seen from there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.phantom.bone import Jaw, Socket, jaw_paths, socket_of
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.scene import Layers, Marks, Scene, tooth_paths
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
    references_mm
        For each canal the coronal reference point on its straight extension, (3,) in the tooth's frame.
    """

    scene: Scene
    kind: str
    state: str
    lumen: str
    turn: Float64 = field(converter=frozen_array)
    shift_mm: Float64 = field(converter=frozen_array)
    works: tuple[Work, ...] = ()
    references_mm: tuple[Float64, ...] = ()

    def out(self, points_mm: Float64) -> Float64:
        """Points (N, 3) of the tooth's frame in the mouth's, mm."""
        placed: Float64 = np.asarray(points_mm, np.float64) @ self.turn.T + self.shift_mm
        return placed


@frozen(eq=False)
class Mouth:
    """All teeth near a film, the one in hand first, and what stands beside them (implants, wires), in the mouth's frame.

    `opposing` are the teeth of the other jaw, on pictures that show both; `bite` is the turn and the shift, mm, that bring that
    jaw's own frame, and `other_jaw` in it, into the mouth's.
    """

    teeth: tuple[Placed, ...]
    upper: bool
    works: tuple[Work, ...] = ()
    bodies: tuple[tuple[str, Solid], ...] = ()
    jaw: Jaw | None = None
    opposing: tuple[Placed, ...] = ()
    bite: tuple[Float64, Float64] | None = None
    other_jaw: Jaw | None = None

    def sockets(self) -> list[Socket]:
        """The teeth as they stand in the jaw, the one in hand first."""
        return [socket_of(one.scene.tooth, one.turn, one.shift_mm) for one in self.teeth]

    def other_sockets(self) -> list[Socket]:
        """The opposing teeth as they stand in their jaw, in that one's own frame."""
        if self.bite is None:
            return []
        turn, shift = self.bite
        return [socket_of(one.scene.tooth, turn.T @ one.turn, turn.T @ (one.shift_mm - shift)) for one in self.opposing]

    def on_film(self, projection: Projection) -> tuple[Placed, ...]:
        """The teeth that do not lie wholly outside an image; the one in hand always."""
        beside = (*self.teeth[1:], *self.opposing)
        return self.teeth[:1] + tuple(one for one in beside if _meets(one, projection))

    def facts(self, projection: Projection) -> dict[str, Any]:
        """Plain values for the truth: what is on the film of a projection."""
        teeth = self.on_film(projection)
        works = [work for tooth in teeth for work in tooth.works] + list(self.works)
        return {
            "upper": self.upper,
            "kinds": [tooth.kind for tooth in teeth],
            "lumens": [tooth.lumen for tooth in teeth],
            "works": sorted({f"{work.what}: {work.material}" for work in works}),
        }


def _meets(tooth: Placed, projection: Projection) -> bool:
    """True where the box about a tooth on the film meets the image."""
    own, form = tooth.scene.tooth, tooth.scene.tooth.crown
    corners = [
        [x, y, z] for x in (-form.half_x_mm, form.half_x_mm) for y in (-form.half_y_mm, form.half_y_mm)
        for z in (0.0, form.height_mm)
    ]  # fmt: skip
    ends = [root.end_mm() + np.array([x, 0.0, 0.0]) for root in own.roots for x in (-1.0, 1.0)]
    px = projection.pixels(tooth.out(np.array([*corners, *ends])))
    low, high = px.min(axis=0), px.max(axis=0)
    return bool((high > -0.5).all() and low[0] < projection.rows - 0.5 and low[1] < projection.cols - 0.5)


def mouth_paths(
    mouth: Mouth, projection: Projection, rng: np.random.Generator
) -> tuple[dict[str, Float32], dict[str, NDArray[np.uint8]]]:
    """Path length, mm, of the ray of every pixel in each material, and the images of `Marks`. `rng` draws the jaw's pattern."""
    marks = Marks((projection.rows, projection.cols))
    total = Layers(projection, marks)
    for tooth in mouth.on_film(projection):
        total.add_paths(tooth_paths(tooth.scene, projection.seen_from(tooth.turn, tooth.shift_mm), marks))
    total.add_bodies(mouth.bodies, projection)
    if mouth.jaw is not None:
        total.add_paths(jaw_paths(mouth.jaw, mouth.sockets(), projection, rng))
    if mouth.other_jaw is not None and mouth.bite is not None:
        seen = projection.seen_from(*mouth.bite)
        beyond = jaw_paths(mouth.other_jaw, mouth.other_sockets(), seen, rng)
        del beyond["soft"]  # cheek and tongue are there once
        total.add_paths(beyond)
    return total.paths, marks.images
