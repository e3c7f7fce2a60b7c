"""What a clinician put on and into the tooth: file, access cavity, filling, clamp."""

from __future__ import annotations

from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError, check_finite
from wlmeasure.phantom.anatomy import Level
from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.options import Options
from wlmeasure.phantom.scene import Cap, FileInCanal, FillingInCanal
from wlmeasure.phantom.solid import Solid, tube
from wlmeasure.phantom.tooth import Canal, CrownForm, Tooth, crown_solid

__all__ = [
    "access_cavity",
    "access_closure",
    "clamp",
    "draw_cap",
    "draw_treatment",
    "file_line",
    "one_a_canal",
    "reference_point",
    "restoration",
]

Float64 = NDArray[np.float64]

FILE_SIZES_MM = (0.10, 0.15, 0.20, 0.25)
CAP_METAL_MM, COPING_MM, CERAMIC_MM = (0.6, 1.0), (0.3, 0.5), (0.8, 1.1)
"""Thickness at the side of a metal crown, and of metal and ceramic of a veneered one (usual figures, from memory)."""
FILE_LENGTH_MM = 25.0
"""Tip to handle, one of the lengths that hand files are sold in (ISO 3630-1)."""


def reference_point(tooth: Tooth, canal: Canal) -> Float64:
    """Coronal reference point of a canal, (3,) mm: where its straight extension meets the level of the cusps."""
    start, tangent = canal.curve.points_mm[0], canal.curve.tangents[0]
    point: Float64 = start + tangent * (tooth.crown.height_mm - start[2]) / tangent[2]
    return point


def access_cavity(tooth: Tooth, canal: Canal) -> Solid:
    """Opening through the crown around a file's straight part, wider towards the cusps."""
    start, end = canal.curve.points_mm[0], reference_point(tooth, canal)
    share = np.linspace(0.25, 1.3, 12)
    wide = 1.3 if len(tooth.roots) > 1 else 0.9
    return tube(start + share[:, None] * (end - start), np.linspace(0.55, wide, 12))


def access_closure(tooth: Tooth, canals: list[Canal]) -> Solid:
    """One body that closes the access over filled canals, from above the chamber's roof to just below the cusps."""
    starts = np.array([canal.curve.points_mm[0] for canal in canals])
    ends = np.array([reference_point(tooth, canal) for canal in canals])
    start, end = starts.mean(axis=0), ends.mean(axis=0)
    reach = np.abs(0.5 * (starts + ends) - 0.5 * (start + end)).max(axis=0)
    share = np.linspace(0.58, 0.86, 8)
    wide = np.linspace(0.7, 1.0, 8)
    return tube(start + share[:, None] * (end - start), reach[0] + wide, other_radius_mm=reach[1] + wide)


def restoration(rng: np.random.Generator, tooth: Tooth, kind: str | None = None) -> tuple[str, Solid]:
    """Material and body of a filling of amalgam or composite that takes one side of the crown."""
    material = kind or str(rng.choice(["amalgam", "composite"], p=[0.55, 0.45]))
    form = tooth.crown
    half = rng.uniform(0.4, 0.6)
    body = crown_solid(
        CrownForm("premolar", half * form.half_x_mm, 0.45 * form.half_y_mm, rng.uniform(2.2, 3.2)),
        cusp_mm=0.3,
        fossa_mm=0.3,
        neck_mm=0.0,
    )
    side = float(rng.choice([-1.0, 1.0]))
    x = side * (0.86 - half) * form.half_x_mm
    top = form.height_mm - (0.4 if form.kind != "incisor" else 1.5)
    height = body.vertices[:, 2].max()
    return material, Solid(body.vertices + np.array([x, 0.0, top - height]), body.faces)


def draw_cap(rng: np.random.Generator, grade: Level, tooth: Tooth, wish: Options) -> Cap | None:
    """An artificial crown or none; every draw is made whether it is used or not. Front teeth get no metal one by chance."""
    chance, plain = rng.random(), rng.random() < 0.5
    whole, coping, ceramic = (float(rng.uniform(*limits)) for limits in (CAP_METAL_MM, COPING_MM, CERAMIC_MM))
    if isinstance(wish.cap, str):
        share, metal = 1.0, wish.cap == "metal"
    else:
        asked = False if wish.cap is None and wish.restoration else wish.cap  # a filling that was asked for stays
        share, metal = grade.capped if asked is None else float(asked), plain and tooth.crown.kind != "incisor"
    if chance >= share:
        return None
    return Cap(whole) if metal else Cap(coping, ceramic)


def clamp(rng: np.random.Generator, tooth: Tooth) -> tuple[tuple[str, Solid], ...]:
    """A rubber dam clamp: two jaws at the neck and a bow over the distal side; steel of 1.4 to 1.8 mm."""
    form = tooth.crown
    side = float(rng.choice([-1.0, 1.0]))
    radius = rng.uniform(0.7, 0.9)
    y, level = form.half_y_mm + 0.6, rng.uniform(0.6, 1.6)
    bow = np.array(
        [
            [0.3 * form.half_x_mm, y, level],
            [0.9 * form.half_x_mm, y + 0.8, level + 1.0],
            [1.25 * form.half_x_mm, y, level + 4.0],
            [1.4 * form.half_x_mm, 0.5 * y, level + 6.5],
            [1.4 * form.half_x_mm, 0.0, level + 7.2],
        ]
    )
    bow = np.vstack([bow, (bow * np.array([1.0, -1.0, 1.0]))[-2::-1]])
    # Rounded by repeated averaging of neighbours between doubled points (corner cutting, Chaikin 1974).
    for _ in range(3):
        cut = np.empty((2 * len(bow) - 2, 3))
        cut[0::2], cut[1::2] = 0.75 * bow[:-1] + 0.25 * bow[1:], 0.25 * bow[:-1] + 0.75 * bow[1:]
        bow = np.vstack([bow[:1], cut, bow[-1:]])
    bodies = [tube(bow * np.array([side, 1.0, 1.0]), radius, sides=24, across=(0.0, 0.0, 1.0))]
    for jaw in (1.0, -1.0):
        x = np.linspace(-0.75, 0.75, 9) * form.half_x_mm
        dip = 0.35 * np.cos(pi * x / (1.5 * form.half_x_mm))
        line = np.column_stack([x, jaw * (y - 0.4 * np.cos(x / form.half_x_mm)), level - dip])
        bodies.append(tube(line, 0.55, other_radius_mm=0.8, sides=24, across=(0.0, 0.0, 1.0)))
    return tuple(("steel", body) for body in bodies)


def draw_treatment(
    rng: np.random.Generator, grade: Level, tooth: Tooth, references_mm: list[Float64], wish: Options
) -> dict[str, Any]:
    """File, access cavity, restoration and clamp as fields of a `Scene`; every draw is made whether it is used or not."""
    drawn = int(rng.integers(len(tooth.canals)))
    index = drawn if wish.file_canal is None else wish.file_canal
    if not 0 <= index < len(tooth.canals):
        raise PhantomError(f"file_canal must be 0 to {len(tooth.canals) - 1} on this tooth: {index}")
    drawn_size, drawn_angle = float(rng.choice(FILE_SIZES_MM)), float(rng.uniform(60.0, 90.0))
    drawn_short = float(rng.uniform(0.0, 2.0))
    filling, hardware = restoration(rng, tooth), clamp(rng, tooth)
    chances = rng.random(2)
    made: dict[str, Any] = {}
    if chances[0] < grade.restored if wish.restoration is None else wish.restoration:
        made["restorations"] = (filling,)
    if (wish.file and chances[1] < grade.clamped) if wish.clamp is None else wish.clamp:
        made["hardware"] = hardware
    if wish.file:
        canal = tooth.canals[index]
        short = (
            drawn_short if wish.tip_short_mm is None else check_finite(PhantomError, "tip_short_mm", wish.tip_short_mm)
        )
        if not 0.0 <= short < canal.curve.length_mm:
            raise PhantomError(f"tip_short_mm must be 0 to the canal's {canal.curve.length_mm:.1f} mm: {short:g}")
        coronal = float(np.linalg.norm(references_mm[index] - canal.curve.points_mm[0]))
        made["file"] = FileInCanal(
            canal=index,
            line=file_line(canal, coronal, short),
            coronal_mm=coronal,
            size_mm=drawn_size if wish.file_size_mm is None else wish.file_size_mm,
            taper=wish.file_taper,
            tip_angle_deg=drawn_angle if wish.tip_angle_deg is None else wish.tip_angle_deg,
            shank_mm=FILE_LENGTH_MM,
        )
        made["access"] = access_cavity(tooth, canal)
    made["fillings"] = root_fillings(tooth, wish)
    if made["fillings"]:
        closed = access_closure(tooth, [tooth.canals[one.canal] for one in made["fillings"]])
        made["restorations"] = (*made.get("restorations", ()), ("composite", closed))
    return made


def root_fillings(tooth: Tooth, wish: Options) -> tuple[FillingInCanal, ...]:
    """The root fillings that were asked for; nothing of them is drawn.

    Raises PhantomError for a row that is not one number a canal, or an end above the orifice.
    """
    made = []
    for k, (canal, short) in enumerate(zip(tooth.canals, one_a_canal(tooth, wish.filling), strict=True)):
        if short is None:
            continue
        end = canal.curve.length_mm - short
        if end <= 0.0:
            raise PhantomError(
                f"filling must end within the canal's {canal.curve.length_mm:.1f} mm: {short:g} mm short"
            )
        made.append(FillingInCanal(k, end, wish.filling_size_mm, wish.filling_taper))
    return tuple(made)


def one_a_canal(tooth: Tooth, filling: float | tuple[float | None, ...] | None) -> tuple[float | None, ...]:
    """How far short each canal's filling ends, from one number for all or a row.

    Raises PhantomError for a row that is not one number a canal.
    """
    count = len(tooth.canals)
    shorts = tuple(filling) if isinstance(filling, (tuple, list)) else (filling,) * count
    if len(shorts) != count:
        raise PhantomError(f"filling must be one number or one a canal, {count} on this tooth: {len(shorts)}")
    return shorts


def file_line(canal: Canal, coronal_mm: float, short_mm: float) -> Curve:
    """From the reference point straight to the orifice, then along the canal; a negative `short_mm` ends beyond its foramen."""
    inside = canal.curve.cut(canal.curve.length_mm - short_mm)
    start = inside.at([-coronal_mm])
    return Curve(
        np.append(0.0, inside.arc_mm + coronal_mm),
        np.vstack([start, inside.points_mm]),
        np.vstack([inside.tangents[:1], inside.tangents]),
        np.append(0.0, inside.kappa_per_mm),
    )
