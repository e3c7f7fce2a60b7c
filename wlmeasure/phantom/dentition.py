"""Random teeth and their neighbours."""

from __future__ import annotations

from math import atan2, cos, sin

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import Level, canal_axis
from wlmeasure.phantom.curve import Curve, curve_into
from wlmeasure.phantom.tooth import Canal, CrownForm, Joint, Root, Tooth

__all__ = ["draw_neighbours", "draw_tooth", "join_canals"]

Float64 = NDArray[np.float64]

CANAL_COUNTS = {1: (1, 2), 2: (2, 3, 4), 3: (3, 4)}
"""Canals that a tooth of so many roots is drawn with."""
_COUNT_WEIGHTS = {1: (0.75, 0.25), 2: (0.15, 0.6, 0.25), 3: (0.45, 0.55)}
_ROOT_WEIGHTS = (0.35, 0.4, 0.25)
_ORIFICE_Z_MM = {1: -0.8, 2: -1.4, 3: -1.4}
_PAIR_MM, _PAIR_END_MM = 2.2, 0.7
"""Distance of two canals of one root at the orifices and near the apex (round numbers)."""
JOIN_MM = (1.2, 5.0)
"""Where two canals join, from the foramen along the one that owns it, mm; drawn evenly between; our parameter. That there are
such canals: type II of Vertucci, Oral Surg 1984;58:589-599 (from memory)."""
LEAST_WAY_MM = 5.0
"""Shortest way from the orifice to where canals join; 2 mm over it takes a curvature of up to 0.46 per mm; our parameter."""


@frozen
class _RootForm:
    """Where a root stands (mesial = -x), how it leans (degrees towards mesial-distal and vestibular) and its half axes."""

    names: tuple[tuple[str, ...], tuple[str, ...]]
    x_mm: float
    y_mm: float
    lean_deg: tuple[float, float]
    cervical_mm: tuple[float, float]
    apical_mm: tuple[float, float]


_FORMS = {
    2: (
        _RootForm((("M",), ("MB", "ML")), -2.5, 0.0, (-9.0, 0.0), (2.1, 3.9), (0.62, 1.1)),
        _RootForm((("D",), ("DB", "DL")), 2.5, 0.0, (9.0, 0.0), (2.1, 3.6), (0.62, 0.9)),
    ),
    3: (
        _RootForm((("MB",), ("MB1", "MB2")), -2.3, 1.9, (-6.0, 4.0), (2.0, 2.5), (0.6, 0.95)),
        _RootForm((("DB",), ("DB",)), 2.3, 1.7, (7.0, 4.0), (1.9, 2.3), (0.58, 0.7)),
        _RootForm((("P",), ("P",)), 0.3, -2.5, (1.0, -8.0), (2.2, 2.1), (0.65, 0.65)),
    ),
}


def _crown_form(rng: np.random.Generator, roots: int, kind: str | None) -> CrownForm:
    size = 1.0 + 0.05 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    if roots == 1:
        if (kind or str(rng.choice(["premolar", "incisor"]))) == "premolar":
            return CrownForm("premolar", 3.6 * size, 4.1 * size, 7.8 * size)
        return CrownForm("incisor", 3.9 * size, 3.4 * size, 9.0 * size)
    if roots == 2:
        return CrownForm("molar", 5.5 * size, 5.0 * size, 7.0 * size)
    return CrownForm("molar", 5.2 * size, 5.5 * size, 7.0 * size)


def draw_tooth(
    rng: np.random.Generator,
    level: Level,
    *,
    roots: int | None = None,
    canals: int | None = None,
    shape: str | None = None,
    out_of_plane: bool | float = True,
    kind: str | None = None,
    ramp_mm: float = 0.0,
) -> Tooth:
    """A tooth with `roots` roots and `canals` canals, drawn where they are None; `kind` is for one root alone.

    `shape`, `out_of_plane` and `ramp_mm` are those of `canal_axis`.

    Raises
    ------
    PhantomError
        Numbers that do not go together: 1 or 2 canals in one root, 2 to 4 in two, 3 or 4 in three.
    """
    if roots is not None and roots not in CANAL_COUNTS:
        raise PhantomError(f"roots must be 1, 2 or 3: {roots!r}")
    fitting = [n for n in CANAL_COUNTS if canals is None or canals in CANAL_COUNTS[n]]
    if not fitting:
        raise PhantomError(f"canals must be 1 to 4: {canals!r}")
    weights = np.array([_ROOT_WEIGHTS[n - 1] for n in fitting])
    drawn = int(rng.choice(fitting, p=weights / weights.sum()))
    count = drawn if roots is None else roots
    drawn = int(rng.choice(CANAL_COUNTS[count], p=_COUNT_WEIGHTS[count]))
    total = drawn if canals is None else canals
    if total not in CANAL_COUNTS[count]:
        allowed = " or ".join(str(n) for n in CANAL_COUNTS[count])
        raise PhantomError(f"canals must be {allowed} in a tooth of {count} roots: {total!r}")
    form = _crown_form(rng, count, kind)
    distal = float(rng.choice([-1.0, 1.0]))  # which way is distal on this film
    made = []
    extra = total - count  # roots that hold two canals, the first ones first
    for k, root in enumerate(_root_forms(form, count)):
        made.append(_draw_root(rng, level, root, count, k < extra, distal, shape, out_of_plane, ramp_mm))
    spread = max(abs(canal.curve.points_mm[0, 0]) for root in made for canal in root.canals)
    tall = max(abs(canal.curve.points_mm[0, 1]) for root in made for canal in root.canals)
    chamber = (max(spread + 0.35, 0.75), max(min(tall + 0.5, 0.5 * form.half_y_mm), 0.9))
    return Tooth(form, tuple(made), chamber, distal)


def _root_forms(form: CrownForm, count: int) -> tuple[_RootForm, ...]:
    if count > 1:
        return _FORMS[count]
    narrow = 0.74 if form.kind == "incisor" else 0.86
    cervical = (narrow * form.half_x_mm - 0.07, 0.86 * form.half_y_mm - 0.07)
    return (_RootForm((("single",), ("B", "L")), 0.0, 0.0, (2.0, 0.0), cervical, (0.65, 0.85)),)


def _draw_root(
    rng: np.random.Generator,
    level: Level,
    form: _RootForm,
    roots: int,
    pair: bool,
    distal: float,
    shape: str | None,
    out_of_plane: bool | float,
    ramp_mm: float,
) -> Root:
    lean = (form.lean_deg[0] * distal * rng.uniform(0.5, 1.3), form.lean_deg[1] if out_of_plane is True else 0.0)
    # Most roots curve to distal; in a molar the distal one mostly curves back.
    to_distal = rng.random() < (0.85 if form.x_mm <= 0.0 else 0.25)
    axis = canal_axis(
        rng,
        shape=shape,
        out_of_plane=out_of_plane,
        lean_deg=lean,
        toward_deg=0.0 if (distal > 0.0) == to_distal else 180.0,
        ramp_mm=ramp_mm,
    )
    at = np.array([form.x_mm * distal, form.y_mm, _ORIFICE_Z_MM[roots]])
    scale = rng.uniform(0.9, 1.15)
    width = (level.canal_mm[0] * scale, level.canal_mm[1] * scale)
    curves = _pair(rng, axis, at) if pair else [axis.moved(np.eye(3), at)]
    names = form.names[1] if pair else form.names[0]
    canals = tuple(Canal(name, curve, width) for name, curve in zip(names, curves, strict=True))
    return Root(canals, form.cervical_mm, form.apical_mm)


def _pair(rng: np.random.Generator, axis: Curve, at: Float64) -> list[Curve]:
    """Two canals of one root: the axis shifted along y and turned about x so that they draw together; kappa(s) stays."""
    angle = atan2(0.5 * (_PAIR_MM - _PAIR_END_MM), axis.length_mm)
    curves = []
    for side in (1.0, -1.0):
        c, s = cos(-side * angle), sin(-side * angle)
        turn = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
        curves.append(axis.moved(turn, at + np.array([0.0, 0.5 * side * _PAIR_MM, 0.0])))
    return [curves[0], curves[1].cut(axis.length_mm * rng.uniform(0.93, 0.995))]


def join_canals(rng: np.random.Generator, tooth: Tooth, share: float) -> Tooth:
    """The tooth with the canals of about `share` of its two-canal roots led into one.

    One of the two keeps its course and owns the foramen, the other joins it and shares its end.
    """
    roots = []
    for root in tooth.roots:
        chance, owner, where = rng.random(), int(rng.integers(2)), rng.random()
        if len(root.canals) == 2 and chance < share:
            trunk, canal = root.canals[owner], root.canals[1 - owner]
            most = max(min(JOIN_MM[1], trunk.curve.length_mm - LEAST_WAY_MM), JOIN_MM[0])
            curve, shared = curve_into(canal.curve, trunk.curve, JOIN_MM[0] + where * (most - JOIN_MM[0]))
            joined = evolve(canal, curve=curve, joins=Joint(trunk.name, shared))
            roots.append(evolve(root, canals=(trunk, joined) if owner == 0 else (joined, trunk)))
        else:
            roots.append(root)
    return evolve(tooth, roots=tuple(roots))


def draw_neighbours(rng: np.random.Generator, level: Level, tooth: Tooth) -> tuple[tuple[Tooth, Float64], ...]:
    """A tooth on either side, in contact with `tooth`: (tooth, shift in mm)."""
    made = []
    for side in (-1.0, 1.0):
        molar = tooth.crown.kind == "molar"
        similar = len(tooth.roots) if rng.random() < (0.7 if molar else 1.0) else 1
        other = draw_tooth(rng, level, roots=similar, kind="incisor" if tooth.crown.kind == "incisor" else "premolar")
        shift = side * (tooth.crown.half_x_mm + other.crown.half_x_mm + rng.uniform(0.0, 0.15))
        made.append((other, np.array([shift, rng.normal(0.0, 0.4), rng.normal(0.0, 0.4)])))
    return tuple(made)
