"""One synthetic radiograph from a seed: anatomy, exposure and detector drawn, or given by the caller."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import LEVELS, Level
from wlmeasure.phantom.arch import draw_mouth
from wlmeasure.phantom.bone import draw_jaw
from wlmeasure.phantom.dentition import draw_neighbours, draw_tooth, join_canals
from wlmeasure.phantom.exposure import draw_detector, draw_projection, sensor_marks
from wlmeasure.phantom.film import Detector, StoredImage, expose, jpeg, scattered, transmission
from wlmeasure.phantom.mouth import Mouth, mouth_paths
from wlmeasure.phantom.options import Options, wishes
from wlmeasure.phantom.processing import Chain, Developed, developed, draw_chain, film_area
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.scene import Bone, Scene, paths_mm
from wlmeasure.phantom.treatment import draw_cap, draw_treatment, reference_point
from wlmeasure.phantom.truth import CanalTruth, ToothTruth, Truth, teeth_truth, truth_of
from wlmeasure.phantom.visibility import SEEN_FROM, contrast_to_noise

__all__ = ["Phantom", "Sitting", "make_phantom", "set_up"]


JAW_STREAMS, MOUTH_STREAM, SECOND_STREAM = (1701, 1702), 1711, 1712
"""What parts the streams of jaw, processing and teeth (level "real") from each other; any three numbers."""


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
    masks
        Level "real": what the rays of which pixels meet, arrays of the image's shape, 1 where they do and 0 elsewhere: "root"
        (dentine of any tooth), "filling" (root fillings), "metal" (crowns, posts, clamps, handles, implants, wires, metal
        fillings; no hand file's shaft), and "film": where the film is seen, not a frame or what was not exposed.
    """

    seed: int
    level: str
    image: StoredImage = field(converter=_read_only, repr=False)
    bits: int
    mm_per_px: tuple[float, float]
    projection: Projection = field(repr=False)
    truth: Truth = field(repr=False)
    jpeg: bytes | None = field(default=None, repr=False)
    masks: dict[str, NDArray[np.uint8]] = field(factory=dict, repr=False)


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
        clamps, scatter, marks of the sensor), or "real": films as clinics have them, with truth for every tooth on them.
    **options
        Members of `Options`.

    Raises
    ------
    PhantomError
        An option that there is not, or out of its range; an image too small for the tooth.
    """
    return set_up(seed, level, options).first_film()


@frozen(eq=False)
class Sitting:
    """A tooth as it is treated, its first exposure as it was aimed, and the detector: what films of one tooth share.

    `surface` draws the bone's pattern of the first film and `noise` its noise. `marks` and `again` are streams yet to be
    begun: the sensor's marks are the same on every film, and from `again` come the exposures after the first. `chain` is what
    the clinic's software does to every film of level "real", `mouth` all teeth of one, of which `scene` is the one in hand.
    """

    seed: int
    level: str
    wish: Options
    scene: Scene
    references_mm: list[NDArray[np.float64]]
    projection: Projection
    geometry: dict[str, Any]
    detector: Detector
    scatter: float
    surface: np.random.Generator
    noise: np.random.Generator
    marks: np.random.SeedSequence
    again: np.random.SeedSequence
    chain: Chain | None = None
    mouth: Mouth | None = None

    def first_film(self, shift: dict[str, Any] | None = None) -> Phantom:
        """The film that a seed gives by itself; once, since the streams go on."""
        return self.film(self.projection, self.geometry, self.surface, self.noise, shift)

    def film(
        self,
        projection: Projection,
        geometry: dict[str, Any],
        surface: np.random.Generator,
        noise: np.random.Generator,
        shift: dict[str, Any] | None,
    ) -> Phantom:
        """The film of an exposure; `shift` goes into the truth where it is given."""
        mouth = self.mouth
        masks: dict[str, NDArray[np.uint8]] = {}
        if mouth is None:
            paths = paths_mm(self.scene, projection, surface)
        else:
            paths, masks = mouth_paths(mouth, projection, surface)
        beam, detector = transmission(paths), self.detector
        if self.wish.exposed_twice:
            beam = (beam + self._second_beam(projection)) / np.float32(2.0)
        if self.scatter > 0.0:
            beam = scattered(beam, projection, self.scatter)
            # Exposed as before: what comes through soft tissue alone is still full scale.
            detector = evolve(detector, full_scale=detector.full_scale * (1.0 + self.scatter))
        bits, worked, shown = detector.bits, None, None
        if self.chain is not None:
            bits, worked = self.wish.bits or self.chain.bits, self.chain.facts()
            shown = developed(beam, projection, detector, self.chain, bits, noise)
            image = shown.image
        else:
            image = expose(beam, projection, detector, noise)
        marked: dict[str, float | int | None] = {}
        if self.level == "hard":
            image, marked = sensor_marks(np.random.default_rng(self.marks), image, 2**detector.bits - 1)
        data = None
        if self.wish.jpeg_quality is not None:
            image, data = jpeg(image, self.wish.jpeg_quality)
        facts = {
            "seed": self.seed,
            "level": self.level,
            **_facts(self.scene, projection, geometry, detector),
            **({} if worked is None else {"bits": bits, "processing": worked}),
            "ramp_mm": self.wish.ramp_mm,
            "scatter": round(self.scatter, 5),
            "jpeg_quality": self.wish.jpeg_quality,
            "sensor_marks": marked or None,
        }
        if shift is not None:
            facts["shift"] = shift
        if self.wish.exposed_twice:
            facts["exposed_twice"] = True
        if mouth is not None and mouth.jaw is not None:
            facts |= {"picture": self.wish.picture, "jaw": mouth.jaw.facts(), "mouth": mouth.facts(projection)}
        spacing = (projection.mm_per_px_row, projection.mm_per_px_col)
        if mouth is not None and shown is not None and self.chain is not None:
            masks["film"] = film_area(self.chain, image.shape, spacing)
            teeth = _seen(teeth_truth(mouth, projection, masks["film"]), shown, projection, masks["film"])
            first = teeth[0]
            file = first.files[0] if first.files else None
            truth = Truth(first.canals, file, facts, first.fillings, teeth)
        else:
            truth = truth_of(self.scene, self.references_mm, projection, facts)
        return Phantom(self.seed, self.level, image, bits, spacing, projection, truth, data, masks)

    def _second_beam(self, projection: Projection) -> NDArray[np.float32]:
        """What comes through another mouth, for a film that was used twice; a stream of its own, so that all else stays."""
        rng = np.random.default_rng([self.seed, SECOND_STREAM])
        mouth = draw_mouth([self.seed, SECOND_STREAM], wishes({"files": 0, "leave_out": self.wish.leave_out}))
        crown = mouth.teeth[0].scene.tooth.crown.kind
        jaw = draw_jaw(rng, mouth.sockets(), upper=mouth.upper, kind=crown, without=self.wish.leave_out)
        return transmission(mouth_paths(evolve(mouth, jaw=jaw), projection, rng)[0])


def set_up(seed: int, level: str, options: dict[str, Any]) -> Sitting:
    """What the films of one tooth share, drawn or as asked for; raises as `make_phantom`."""
    if level not in LEVELS:
        raise PhantomError(f"level must be one of {', '.join(LEVELS)}: {level!r}")
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise PhantomError(f"seed must be a whole number >= 0: {seed!r}")
    grade = LEVELS[level]
    wish = wishes(options).of_level(level, grade.many)
    if grade.many:
        return _set_up_mouth(int(seed), level, grade, wish)
    # New streams go to the end: the films of a seed stay as they were.
    streams = np.random.SeedSequence(int(seed)).spawn(10)
    anatomy, treatment, exposure, surface, noise, _, joining, covering, veil = (
        np.random.default_rng(stream) for stream in streams[:9]
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
    drawn = float(veil.uniform(0.0, grade.scatter))
    scatter = drawn if wish.scatter is None else float(wish.scatter)
    return Sitting(
        int(seed), level, wish, scene, references, projection, geometry, detector, scatter, surface, noise,
        marks=streams[5], again=streams[9],
    )  # fmt: skip


def _seen(
    teeth: tuple[ToothTruth, ...], shown: Developed, projection: Projection, film: NDArray[np.uint8]
) -> tuple[ToothTruth, ...]:
    """The teeth with what of their canals stands out on the film (`visibility`)."""
    spacing = (projection.mm_per_px_row, projection.mm_per_px_col)

    def looked_at(canal: CanalTruth) -> CanalTruth:
        wide = np.maximum(np.zeros(1) if canal.lumen_mm is None else canal.lumen_mm, 0.05) * canal.magnification
        ratio = contrast_to_noise(shown.film, shown.clean, canal.path_px, wide, spacing, film)
        return evolve(canal, visible=ratio >= SEEN_FROM)

    return tuple(evolve(tooth, canals=tuple(looked_at(canal) for canal in tooth.canals)) for tooth in teeth)


def _set_up_mouth(seed: int, level: str, grade: Level, wish: Options) -> Sitting:
    """`set_up` for a film of several teeth; its streams are the older levels' where they draw the same."""
    streams = np.random.SeedSequence(seed).spawn(10)
    exposure, surface, noise, veil = (np.random.default_rng(streams[k]) for k in (2, 3, 4, 8))
    mouth = draw_mouth([seed, MOUTH_STREAM], wish)
    first = mouth.teeth[0]
    # What the exposure has to show is the tooth in hand, which stands where the mouth's frame has its origin.
    wish = evolve(wish, upper=mouth.upper)
    references = list(first.references_mm)
    projection, geometry = draw_projection(exposure, grade, first.scene, references, wish)
    place, software = (np.random.default_rng([seed, own]) for own in JAW_STREAMS)
    front, without = first.scene.tooth.crown.kind, wish.leave_out
    jaw = draw_jaw(place, mouth.sockets(), upper=mouth.upper, kind=front, without=without)
    other = None
    if mouth.opposing:
        kind = mouth.opposing[0].scene.tooth.crown.kind
        other = draw_jaw(place, mouth.other_sockets(), upper=not mouth.upper, kind=kind, without=without)
    detector = draw_detector(noise, grade, jaw.soft_mm, wish)
    drawn = float(veil.uniform(0.0, grade.scatter))
    return Sitting(
        seed, level, wish, first.scene, references, projection, geometry, detector,
        drawn if wish.scatter is None else float(wish.scatter), surface, noise,
        marks=streams[5], again=streams[9], chain=draw_chain(software, without=without),
        mouth=evolve(mouth, jaw=jaw, other_jaw=other),
    )  # fmt: skip


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
