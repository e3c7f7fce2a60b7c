"""How a film was taken: angulation, distances, place of the detector, and the detector itself."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import LEVELS, Level
from wlmeasure.phantom.film import TONES, Detector, StoredImage, beyond_corners, transmission
from wlmeasure.phantom.options import Options
from wlmeasure.phantom.projection import Projection, aim
from wlmeasure.phantom.scene import STOP_HEIGHT_MM, Scene
from wlmeasure.phantom.tooth import FRONT, Tooth
from wlmeasure.phantom.truth import in_view

__all__ = ["draw_detector", "draw_projection", "sensor_marks", "shift_tube"]

Float64 = NDArray[np.float64]

MARGIN_PX = 25.0
"""Stop and root ends lie at least so far inside the image; our parameter."""
FULL_SCALE = (0.9, 1.1)
"""Exposure at which a pixel saturates, over that behind soft tissue alone; drawn between these."""
CORNER_SHARE, CORNER_PX, LINE_SHARE = 0.6, (60.0, 160.0), 0.4
"""How many hard films have round white corners, their radius, and how many a bright read-out line; our parameters."""
READ_NOISE = 0.05
"""Read-out noise over the noise of counting in the open beam; our parameter."""
PHOTONS, BLUR_MM = (30000.0, 300000.0), (0.02, 0.065)
"""Least and most photons a pixel in the open beam, and blur, of level "real"; our parameters."""
PANORAMIC_MM = (45.0, 70.0)
"""How tall a part of a panoramic picture is; our parameter."""
CUT_SHARE, CUT_MM = 0.06, (0.3, 3.0)
"""How many films of level "real" cut the root end of the tooth in hand off, and by how much; our parameters."""
TOP_MM, TOP_STD_MM, TOP_RANGE_MM = 0.8, 1.8, (-3.5, 5.0)
"""How far the coronal end of the tooth lies inside the border of a film of level "real"; our parameters."""
ASIDE_STD_MM = 3.5
"""How far beside the middle of the film the tooth in hand stands; our parameter."""
LEAN_STD_DEG, TURNED_SHARE, TURNED_DEG, MIRRORED_SHARE, SIDEWAYS_SHARE = 3.0, 0.2, (5.0, 20.0), 0.12, 0.06
"""How teeth lean on films of level "real", how many films are turned by more, mirrored, and lie on their side."""
OUTSIDE_PX = (15.0, 60.0)
"""How far outside a stop lies that is not to be in view."""
VERTICAL_STD_DEG, ROLL_STD_DEG = 2.0, 1.5
"""How far vertical angle and turn in the plane of a film taken again differ from the first one's; our parameters."""
SOURCE_MM, GAP_MM, LEAST_GAP_MM = 15.0, 1.5, 3.0
"""How far source and detector stand from where they stood, at most, and how near a detector can come; our parameters."""


def _upper(rng: np.random.Generator, tooth: Tooth, upper: bool | None) -> bool:
    drawn = bool(rng.random() < 0.4)
    if upper is not None:
        return upper
    # Three roots are an upper molar's, two a lower molar's.
    return {1: drawn, 2: False, 3: True}[len(tooth.roots)]


def draw_projection(
    rng: np.random.Generator, grade: Level, scene: Scene, references_mm: list[Float64], wish: Options
) -> tuple[Projection, dict[str, Any]]:
    """The projection, shifted so that what has to be seen is seen, and its figures."""
    upper = _upper(rng, scene.tooth, wish.upper)
    tilt = np.clip(grade.angulation_std_deg * rng.standard_normal(2), -30.0, 30.0)
    way = str(rng.choice(["paralleling", "square", "bisecting"], p=[0.6, 0.2, 0.2]))
    far, gap = rng.uniform(220.0, 400.0), rng.uniform(4.0, 14.0)
    pitch = float(rng.choice([0.020, 0.025, 0.030], p=[0.25, 0.5, 0.25]))
    stretch = float(rng.uniform(0.85, 1.2)) if rng.random() < 0.3 and grade is LEVELS["hard"] else 1.0
    turn, jitter, outside = float(rng.choice([90.0, -90.0])), rng.uniform(-20.0, 20.0, 2), rng.uniform(*OUTSIDE_PX)
    vertical, horizontal = (float(v) for v in (tilt if wish.tilt_deg is None else wish.tilt_deg))
    far = far if wish.source_detector_mm is None else wish.source_detector_mm
    gap = gap if wish.object_detector_mm is None else wish.object_detector_mm
    rows, cols = wish.size_px or ((1000, 1500) if wish.sideways else (1500, 1000))
    roll = (180.0 if upper else 0.0) + (turn if wish.sideways else 0.0)
    geometry: dict[str, Any] = {
        "source_detector_mm": round(float(far), 4),
        "source_object_mm": round(float(far - gap), 4),
        "vertical_deg": round(vertical, 4),
        "horizontal_deg": round(horizontal, 4),
        "technique": wish.technique or way,
        "roll_deg": roll % 360.0,
        "upper": upper,
    }
    spacing = wish.spacing_mm or (pitch, round(pitch * stretch, 5))
    if grade.many:
        return _framed(rng, geometry, scene, references_mm, wish, roll)
    return _placed(geometry, scene, references_mm, (rows, cols), spacing, roll, jitter, wish.stop_in_view, outside)


def shift_tube(
    rng: np.random.Generator,
    first: Projection,
    geometry: dict[str, Any],
    scene: Scene,
    references_mm: list[Float64],
    wish: Options,
    shift_deg: float,
) -> tuple[Projection, dict[str, Any]]:
    """Another projection of the scene of `first`, its tube shifted by `shift_deg` about the tooth's axis, and its figures.

    A holder puts the same detector to the tooth again and keeps it in line with the tube, so that it turns with it;
    vertical angle, turn in the plane, distances and place differ a little from those of the first film.
    """
    off, turn = VERTICAL_STD_DEG * rng.standard_normal(), ROLL_STD_DEG * rng.standard_normal()
    far, gap = rng.uniform(-SOURCE_MM, SOURCE_MM), rng.uniform(-GAP_MM, GAP_MM)
    jitter, outside = rng.uniform(-20.0, 20.0, 2), rng.uniform(*OUTSIDE_PX)
    before = geometry["source_detector_mm"] - geometry["source_object_mm"]
    beyond = geometry["source_detector_mm"] + far
    roll = geometry["roll_deg"] + turn
    again = geometry | {
        "source_detector_mm": round(float(beyond), 4),
        "source_object_mm": round(float(beyond - max(before + gap, LEAST_GAP_MM)), 4),
        "vertical_deg": round(float(geometry["vertical_deg"] + off), 4),
        "horizontal_deg": round(float(geometry["horizontal_deg"] + shift_deg), 4),
        "roll_deg": round(float(roll % 360.0), 4),
    }
    size, spacing = (first.rows, first.cols), (first.mm_per_px_row, first.mm_per_px_col)
    projection, figures = _placed(
        again, scene, references_mm, size, spacing, again["roll_deg"], jitter, wish.stop_in_view, outside
    )  # fmt: skip
    return _mirrored(projection, figures) if first.mirrored else (projection, figures)


def _framed(
    rng: np.random.Generator,
    geometry: dict[str, Any],
    scene: Scene,
    references_mm: list[Float64],
    wish: Options,
    roll_deg: float,
) -> tuple[Projection, dict[str, Any]]:
    """The projection of a film of level "real": sizes as clinics have them, leaning, turned or mirrored, the crown cut or not.

    Sensors of 20 x 30, 26 x 36 and 31 x 41 mm (usual sizes, from memory), on end before front teeth.
    """
    front = scene.tooth.crown.kind in FRONT
    short, long = ((20.0, 30.0), (26.0, 36.0), (31.0, 41.0))[int(rng.choice(3, p=(0.2, 0.5, 0.3)))]
    upright = bool(rng.random() < (0.95 if front else 0.25)) or short < 25.0
    pitch = float(rng.choice([0.020, 0.025, 0.033, 0.04, 0.055, 0.07], p=[0.05, 0.1, 0.2, 0.25, 0.25, 0.15]))
    lean = LEAN_STD_DEG * rng.standard_normal()
    turned = float(rng.uniform(*TURNED_DEG) * rng.choice([-1.0, 1.0]))
    chances = rng.random(3)
    quarter = float(rng.choice([90.0, -90.0]))
    top_mm = float(np.clip(TOP_MM + TOP_STD_MM * rng.standard_normal(), *TOP_RANGE_MM))
    aside_mm = float(np.clip(ASIDE_STD_MM * rng.standard_normal(), -10.0, 10.0))
    cut_mm = float(rng.uniform(*CUT_MM)) if rng.random() < CUT_SHARE and wish.stop_in_view is None else None
    spacing = wish.spacing_mm or (pitch, pitch)
    size_mm = (long, short) if upright else (short, long)
    size = wish.size_px or (round(size_mm[0] / spacing[0]), round(size_mm[1] / spacing[1]))
    if chances[0] < TURNED_SHARE:
        lean += turned
    if chances[1] < SIDEWAYS_SHARE and not wish.sideways and wish.size_px is None:
        size, roll_deg = size[::-1], roll_deg + quarter
    mirrored = bool(chances[2] < MIRRORED_SHARE)
    outside = float(rng.uniform(*OUTSIDE_PX))
    off_mm = float(rng.normal(0.0, 1.5))
    if wish.picture != "periapical":
        if wish.picture == "panoramic":
            tall = float(rng.uniform(*PANORAMIC_MM))
            wide = min(float(rng.uniform(1.2, 2.0)) * tall, 120.0)
            size = wish.size_px or (round(tall / 0.12), round(wide / 0.12))
            spacing = wish.spacing_mm or (tall / size[0], tall / size[0])
        elif wish.size_px is None and size[0] > size[1]:
            size = size[::-1]
        quarters = round((roll_deg % 180.0) / 90.0) % 2
        # Where the jaws meet lies in the middle.
        top_mm, cut_mm, lean = 0.5 * size[quarters] * spacing[quarters] + off_mm, None, 0.5 * lean
    for share in (1.0, 0.5, 0.0):
        roll = roll_deg + share * lean
        told = geometry | {"roll_deg": round(roll % 360.0, 4), "mirrored": mirrored}
        try:
            projection, figures = _placed(
                told, scene, references_mm, size, spacing, roll, np.zeros(2), wish.stop_in_view, outside,
                framed_mm=(top_mm, aside_mm), cut_mm=cut_mm, whole=wish.picture == "periapical",
            )  # fmt: skip
        except PhantomError:
            if share == 0.0:
                raise
            continue
        break
    return _mirrored(projection, figures) if mirrored else (projection, figures)


def _mirrored(projection: Projection, figures: dict[str, Any]) -> tuple[Projection, dict[str, Any]]:
    """The projection with left and right changed, and its figures."""
    size = (projection.rows, projection.cols)
    turned = projection.mapped(np.diag([1.0, -1.0]), (0.0, size[1] - 1.0), *size)
    return turned, figures | {"projection": _figures(turned)}


def _placed(
    geometry: dict[str, Any],
    scene: Scene,
    references_mm: list[Float64],
    size: tuple[int, int],
    spacing_mm: tuple[float, float],
    roll_deg: float,
    jitter: Float64,
    stop_in_view: bool | None,
    outside: float,
    framed_mm: tuple[float, float] | None = None,
    cut_mm: float | None = None,
    whole: bool = True,
) -> tuple[Projection, dict[str, Any]]:
    """The projection of such figures, and the figures with the projection's own among them."""
    rows, cols = size
    ends = [root.end_mm() for root in scene.tooth.roots]
    top = max(float(point[2]) for point in references_mm) + (STOP_HEIGHT_MM if scene.file is not None else 0.0)
    middle = 0.5 * (top + min(float(end[2]) for end in ends))
    projection = aim(
        source_object_mm=geometry["source_object_mm"],
        source_detector_mm=geometry["source_detector_mm"],
        rows=rows,
        cols=cols,
        spacing_mm=spacing_mm,
        horizontal_deg=geometry["horizontal_deg"],
        vertical_deg=geometry["vertical_deg"],
        technique=geometry["technique"],
        aim_mm=(0.0, 0.0, middle),
        aim_px=((rows - 1) / 2.0 + jitter[0], (cols - 1) / 2.0 + jitter[1]),
        roll_deg=roll_deg,
    )
    marks = np.array([*ends, *(canal.curve.points_mm[-1] for canal in scene.tooth.canals)])
    stop = None if scene.file is None else scene.file.line.points_mm[0]
    if framed_mm is not None:
        projection = _bordered(projection, max(float(point[2]) for point in references_mm), middle, *framed_mm)
        if not whole:
            marks = np.array([scene.tooth.canals[0].curve.points_mm[0]])
        if cut_mm is not None:
            marks = np.array([canal.curve.points_mm[0] for canal in scene.tooth.canals])
            projection = _cut(projection, np.array(ends), middle, cut_mm)
    if stop_in_view is None:  # where the crown lies decides whether stops are seen
        stop = None
    projection = _shifted(projection, marks, stop, stop_in_view is not False, outside)
    return projection, geometry | {"projection": _figures(projection)}


def _figures(projection: Projection) -> dict[str, Any]:
    return {
        "source_mm": [round(v, 6) for v in projection.source_mm.tolist()],
        "detector_mm": [round(v, 6) for v in projection.centre_mm.tolist()],
        "detector_px": [round(v, 6) for v in projection.centre_px],
        "down": [round(v, 9) for v in projection.down.tolist()],
        "right": [round(v, 9) for v in projection.right.tolist()],
    }


def _cut(projection: Projection, ends_mm: Float64, middle_z: float, beyond_mm: float) -> Projection:
    """The projection with the deepest root end `beyond_mm` outside the border that it points to."""
    middle = projection.pixels([[0.0, 0.0, middle_z]])[0]
    at = projection.pixels(ends_mm)
    axis = int(np.argmax(np.abs(at.mean(axis=0) - middle)))
    mm = (projection.mm_per_px_row, projection.mm_per_px_col)[axis]
    size = (projection.rows, projection.cols)
    shift = [0.0, 0.0]
    if at[:, axis].mean() < middle[axis]:
        shift[axis] = -beyond_mm / mm - float(at[:, axis].min())
    else:
        shift[axis] = size[axis] - 1.0 + beyond_mm / mm - float(at[:, axis].max())
    return projection.mapped(np.eye(2), shift, *size)


def _bordered(projection: Projection, top_z: float, middle_z: float, inside_mm: float, aside_mm: float) -> Projection:
    """The projection with the coronal end `inside_mm` from the border it points to, the tooth `aside_mm` off the middle."""
    at, middle = projection.pixels([[0.0, 0.0, top_z], [0.0, 0.0, middle_z]])
    size = (projection.rows, projection.cols)
    mm = (projection.mm_per_px_row, projection.mm_per_px_col)
    axis = int(np.argmax(np.abs(at - middle)))
    inside = inside_mm / mm[axis]
    shift = [aside_mm / mm[0], aside_mm / mm[1]]
    shift[axis] = float((inside if at[axis] < middle[axis] else size[axis] - 1.0 - inside) - at[axis])
    return projection.mapped(np.eye(2), shift, *size)


def _shifted(
    projection: Projection, marks: Float64, stop: Float64 | None, stop_in_view: bool, outside: float
) -> Projection:
    """The projection with the detector shifted in its plane until marks and stop lie where they have to."""
    size = np.array([projection.rows, projection.cols], np.float64)
    px = projection.pixels(marks)
    shift = np.zeros(2)
    if stop is not None:
        stop_px = projection.pixels(stop[None])[0]
        if stop_in_view:
            px = np.vstack([px, stop_px])
        else:
            # Out over the border that the crown points to.
            axis = int(np.argmax(np.abs(stop_px - px.mean(axis=0))))
            low = stop_px[axis] < px[:, axis].mean()
            shift[axis] = (-outside if low else size[axis] - 1.0 + outside) - stop_px[axis]
    for axis in (0, 1):
        least, most = px[:, axis].min() + shift[axis], px[:, axis].max() + shift[axis]
        if most - least > size[axis] - 1.0 - 2.0 * MARGIN_PX:
            raise PhantomError(
                f"size_px must hold the tooth: {most - least:.0f} px of it along axis {axis} on {size[axis]:.0f}; "
                "take more pixels or a larger spacing"
            )
        if least < MARGIN_PX:
            shift[axis] += MARGIN_PX - least
        elif most > size[axis] - 1.0 - MARGIN_PX:
            shift[axis] += size[axis] - 1.0 - MARGIN_PX - most
    centre = (projection.centre_px[0] + float(shift[0]), projection.centre_px[1] + float(shift[1]))
    moved = Projection(
        projection.source_mm, projection.centre_mm, projection.down, projection.right, projection.rows,
        projection.cols, projection.mm_per_px_row, projection.mm_per_px_col, centre,
    )  # fmt: skip
    if stop is not None and in_view(moved, moved.pixels(stop[None])[0]) != stop_in_view:
        raise PhantomError(
            "stop_in_view must be True for this size_px: root ends and stop cannot be parted by its border"
        )
    return moved


def draw_detector(rng: np.random.Generator, grade: Level, soft_mm: float, wish: Options) -> Detector:
    """The detector, its full scale near what comes through `soft_mm` of soft tissue."""
    drawn_bits = int(rng.choice([8, 12, 16], p=[0.25, 0.5, 0.25]))
    drawn_tone = str(rng.choice(TONES))
    # Full scale lies near what comes through soft tissue alone: around the crown the film is black, the stop still shows.
    open_field = float(transmission({"soft": np.array([soft_mm])})[0])
    full, blur = open_field * rng.uniform(*FULL_SCALE), rng.uniform(0.03, 0.05)
    strength = {"gamma": rng.uniform(1.5, 2.6), "sigmoid": rng.uniform(1.4, 2.2)}
    kind = drawn_tone if wish.tone is None else wish.tone
    if wish.jpeg_quality is not None and wish.bits is None:
        drawn_bits = 8
    if grade.many:
        return _rich_detector(rng, full, wish)
    return Detector(
        photons=grade.photons if wish.photons is None else wish.photons,
        blur_mm=blur if wish.blur_mm is None else wish.blur_mm,
        read_noise=READ_NOISE * np.sqrt(grade.photons),
        full_scale=full,
        tone=kind,
        tone_strength=strength.get(kind, 1.0),
        bits=drawn_bits if wish.bits is None else wish.bits,
    )


def _rich_detector(rng: np.random.Generator, full: float, wish: Options) -> Detector:
    """The detector of level "real": the logarithm of the exposure in 16 bits, which the clinic's software goes on from."""
    photons, blur = float(np.exp(rng.uniform(*np.log(PHOTONS)))), float(rng.uniform(*BLUR_MM))
    photons = photons if wish.photons is None else wish.photons
    return Detector(
        photons=photons,
        blur_mm=blur if wish.blur_mm is None else wish.blur_mm,
        noise_blur_px=float(rng.uniform(0.3, 0.7)),
        read_noise=READ_NOISE * np.sqrt(photons),
        full_scale=full * float(rng.uniform(0.8, 1.0)),
        tone=wish.tone or "log",
        tone_strength=2.0,
        bits=16,
    )


def sensor_marks(
    rng: np.random.Generator, image: StoredImage, top: int
) -> tuple[StoredImage, dict[str, float | int | None]]:
    """White corners where the sensor ends, and now and then a bright read-out line, as real films show them.

    Returns the image and what was drawn: radius of the corners in pixels and column of the line, None where there is none.
    """
    corner, line = rng.random() < CORNER_SHARE, rng.random() < LINE_SHARE
    radius, at = round(rng.uniform(*CORNER_PX), 1), int(rng.integers(image.shape[1]))
    if corner:
        image = np.where(beyond_corners(image.shape, radius), image.dtype.type(top), image)
    if line:
        image = image.copy()
        image[:, at] = np.minimum(image[:, at].astype(np.int64) + top // 4, top).astype(image.dtype)
    return image, {"corner_radius_px": radius if corner else None, "line_col": at if line else None}
