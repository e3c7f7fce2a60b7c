"""One synthetic radiograph from a seed: anatomy, exposure and detector drawn, or given by the caller."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve, field, frozen

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import LEVELS, Level
from wlmeasure.phantom.dentition import draw_neighbours, draw_tooth, join_canals
from wlmeasure.phantom.exposure import draw_detector, draw_projection, sensor_marks
from wlmeasure.phantom.film import Detector, StoredImage, expose, jpeg, scattered, transmission
from wlmeasure.phantom.options import wishes
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.scene import Bone, Scene, paths_mm
from wlmeasure.phantom.treatment import draw_cap, draw_treatment, reference_point
from wlmeasure.phantom.truth import Truth, truth_of

__all__ = ["Phantom", "make_phantom"]


def _read_only(image: StoredImage) -> StoredImage:
    image.flags.writeable = False
    return image


@frozen(eq=False)
class Phantom:
    """One synthetic film and what is true of it.

    Attributes
    ----------
    image
        Stored values (rows, cols), metal bright; uint8 for 8 bits, else uint16 (12 bits lie in the lower bits).
    mm_per_px
        Distance of pixel centres on the detector between rows and between columns, mm.
    projection
        The exposure's geometry; `projection.pixels(points_mm)` gives exact (row, col).
    jpeg
        The JPEG file's bytes where one was asked for; `image` is what comes back from them.
    """

    seed: int
    level: str
    image: StoredImage = field(converter=_read_only, repr=False)
    bits: int
    mm_per_px: tuple[float, float]
    projection: Projection = field(repr=False)
    truth: Truth = field(repr=False)
    jpeg: bytes | None = field(default=None, repr=False)


def make_phantom(seed: int, level: str = "typical", **options: Any) -> Phantom:
    """A synthetic periapical radiograph; what is not asked for is drawn from `seed`, the same film every time.

    Anatomy, treatment, exposure, bone pattern, detector, joining canals, crowns and scatter draw from streams of their own,
    so an option of one leaves the others as they were.

    Parameters
    ----------
    seed
        A whole number >= 0.
    level
        "clear", "typical", "faint" or "hard" (thin canals, some of which join, strong angulation, fillings or crowns,
        clamps, scatter, marks of the sensor).
    **options
        Members of `Options`.

    Raises
    ------
    PhantomError
        An option that there is not, or out of its range; an image too small for the tooth.
    """
    if level not in LEVELS:
        raise PhantomError(f"level must be one of {', '.join(LEVELS)}: {level!r}")
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise PhantomError(f"seed must be a whole number >= 0: {seed!r}")
    wish, grade = wishes(options), LEVELS[level]
    # New streams go to the end: the films of a seed stay as they were.
    anatomy, treatment, exposure, surface, noise, marks, joining, covering, veil = (
        np.random.default_rng(stream) for stream in np.random.SeedSequence(int(seed)).spawn(9)
    )
    tooth = draw_tooth(
        anatomy, grade, roots=wish.roots, canals=wish.canals, shape=wish.shape, out_of_plane=wish.out_of_plane,
        ramp_mm=wish.ramp_mm,
    )  # fmt: skip
    tooth = join_canals(joining, tooth, grade.confluent if wish.confluent is None else float(wish.confluent))
    beside = draw_neighbours(anatomy, grade, tooth)
    references = [reference_point(tooth, canal) for canal in tooth.canals]
    treated = draw_treatment(treatment, grade, tooth, references, wish)
    cap = draw_cap(covering, grade, tooth, wish)
    if cap is not None:
        treated.pop("restorations", None)
    scene = Scene(
        tooth,
        neighbours=beside if wish.neighbours else (),
        bone=_bone(anatomy, grade, wish.texture),
        cap=cap,
        **treated,
    )
    projection, geometry = draw_projection(exposure, grade, scene, references, wish)
    detector = draw_detector(noise, grade, scene.bone.soft_mm, wish)
    beam = transmission(paths_mm(scene, projection, surface))
    drawn = float(veil.uniform(0.0, grade.scatter))
    scatter = drawn if wish.scatter is None else float(wish.scatter)
    if scatter > 0.0:
        beam = scattered(beam, projection, scatter)
        # Exposed as before: what comes through soft tissue alone is still full scale.
        detector = evolve(detector, full_scale=detector.full_scale * (1.0 + scatter))
    image = expose(beam, projection, detector, noise)
    marked: dict[str, float | int | None] = {}
    if level == "hard":
        image, marked = sensor_marks(marks, image, 2**detector.bits - 1)
    data = None
    if wish.jpeg_quality is not None:
        image, data = jpeg(image, wish.jpeg_quality)
    facts = {
        "seed": int(seed),
        "level": level,
        **_facts(scene, projection, geometry, detector),
        "ramp_mm": wish.ramp_mm,
        "scatter": round(scatter, 5),
        "jpeg_quality": wish.jpeg_quality,
        "sensor_marks": marked or None,
    }
    truth = truth_of(scene, references, projection, facts)
    spacing = (projection.mm_per_px_row, projection.mm_per_px_col)
    return Phantom(int(seed), level, image, detector.bits, spacing, projection, truth, data)


def _facts(scene: Scene, projection: Projection, geometry: dict[str, Any], detector: Detector) -> dict[str, Any]:
    """Plain values that say what the film was made of."""
    tooth = scene.tooth
    return {
        "rows": projection.rows,
        "cols": projection.cols,
        "bits": detector.bits,
        "mm_per_px_row": projection.mm_per_px_row,
        "mm_per_px_col": projection.mm_per_px_col,
        "geometry": geometry,
        "tooth": {"kind": tooth.crown.kind, "roots": len(tooth.roots), "canals": len(tooth.canals)},
        "detector": {
            "photons": detector.photons,
            "blur_mm": round(detector.blur_mm, 5),
            "full_scale": round(detector.full_scale, 5),
            "tone": detector.tone,
            "tone_strength": round(detector.tone_strength, 5),
        },
        "restorations": [material for material, _ in scene.restorations],
        "cap": None if scene.cap is None else scene.cap.kind,
        "clamp": bool(scene.hardware),
        "neighbours": len(scene.neighbours),
    }


def _bone(rng: np.random.Generator, grade: Level, texture: float | None) -> Bone:
    return Bone(
        thickness_mm=rng.uniform(8.0, 11.0),
        cortical_mm=rng.uniform(0.4, 0.8),
        crest_mm=-rng.uniform(1.3, 2.3),
        soft_mm=rng.uniform(5.0, 9.0),
        texture=grade.texture if texture is None else texture,
    )
