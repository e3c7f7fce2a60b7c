"""Teeth of every kind, drawn: sizes, roots, canals of all widths, for films of level "real".

Mean sizes of crowns and roots and numbers of canals are round figures of the trade's tables from memory; how often canals are
wide, thin or closed, and how teeth bend, are our parameters: enough of each that a film of a clinic finds its like.
"""

from __future__ import annotations

from math import cos, pi, radians, sin

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import canal_axis
from wlmeasure.phantom.curve import Curve, curve_in_plane, curve_into
from wlmeasure.phantom.tooth import FRONT, Canal, CrownForm, Joint, Root, Tooth

__all__ = ["KINDS", "LUMENS", "Kind", "draw_kind"]

Float64 = NDArray[np.float64]

LUMENS = ("usual", "thin", "wide", "obliterated")
"""Canals of grown teeth, of old ones, of young ones with open apices, and such as hard tissue has filled in part or wholly."""
STEP_MM = 0.05
"""Step along a centre line; bends here have radii of 3 mm and more. Our parameter."""
WINDING = 0.3
"""Share of molars whose roots bend as those of the older levels do (`canal_axis`); our parameter."""
JOIN_MM = (1.5, 6.0)


@frozen
class _Stem:
    """A root: names of its canal or canals, place of the orifice (x distal, y vestibular) and lean, degrees towards both.

    `half_mm` are its half axes (x, y) at the cervix, `pairs` the share of such roots that hold two canals, `shorter` how much
    shorter than the tooth's longest root it is, mm.
    """

    one: str
    two: tuple[str, str]
    x_mm: float
    y_mm: float
    lean_deg: tuple[float, float]
    half_mm: tuple[float, float]
    pairs: float
    shorter: float = 0.0


@frozen
class Kind:
    """A kind of tooth: its crown's form ("molar", ...), width, depth and height, and length of root, mm."""

    form: str
    wide_mm: float
    deep_mm: float
    high_mm: float
    root_mm: float
    root_std_mm: float
    stems: tuple[_Stem, ...]


def _single(half_x: float, half_y: float, pairs: float) -> tuple[_Stem, ...]:
    return (_Stem("single", ("B", "L"), 0.0, 0.0, (1.0, 0.0), (half_x, half_y), pairs),)


def _lower_molar(size: float, pairs: float, lean: float) -> tuple[_Stem, ...]:
    return (
        _Stem("M", ("MB", "ML"), -2.5 * size, 0.0, (-lean, 0.0), (2.05 * size, 3.8 * size), pairs),
        _Stem("D", ("DB", "DL"), 2.4 * size, 0.0, (lean, 0.0), (2.05 * size, 3.4 * size), 0.3 * pairs, 0.8),
    )


def _upper_molar(size: float, pairs: float, lean: float) -> tuple[_Stem, ...]:
    return (
        _Stem("MB", ("MB1", "MB2"), -2.3 * size, 1.9, (-lean, 4.0), (1.9 * size, 2.5 * size), pairs, 0.8),
        _Stem("DB", ("DB1", "DB2"), 2.2 * size, 1.7, (lean, 4.0), (1.8 * size, 2.2 * size), 0.0, 1.2),
        _Stem("P", ("P1", "P2"), 0.2 * size, -2.5, (0.0, -8.0), (2.2 * size, 2.0 * size), 0.0),
    )


KINDS: dict[str, Kind] = {
    "upper central incisor": Kind("incisor", 8.5, 7.0, 10.5, 13.0, 1.4, _single(3.0, 2.9, 0.0)),
    "upper lateral incisor": Kind("incisor", 6.6, 6.0, 9.2, 13.0, 1.4, _single(2.3, 2.6, 0.02)),
    "upper canine": Kind("canine", 7.6, 8.0, 10.0, 17.0, 1.9, _single(2.7, 3.6, 0.02)),
    "upper first premolar": Kind(
        "premolar",
        7.1,
        9.1,
        8.4,
        14.0,
        1.4,
        (
            _Stem("B", ("B1", "B2"), 0.0, 1.7, (1.0, 4.0), (2.3, 2.1), 0.02),
            _Stem("P", ("P1", "P2"), 0.1, -1.9, (1.0, -3.0), (2.2, 2.0), 0.0, 0.6),
        ),
    ),
    "upper second premolar": Kind("premolar", 6.9, 9.0, 8.4, 14.0, 1.5, _single(2.3, 3.9, 0.45)),
    "upper first molar": Kind("molar", 10.3, 11.2, 7.4, 13.0, 1.2, _upper_molar(1.0, 0.6, 8.0)),
    "upper second molar": Kind("molar", 9.4, 11.0, 7.0, 12.5, 1.3, _upper_molar(0.9, 0.4, 4.0)),
    "upper third molar": Kind("molar", 8.6, 10.0, 6.5, 11.0, 1.4, _upper_molar(0.8, 0.25, 1.0)),
    "lower central incisor": Kind("incisor", 5.3, 6.0, 9.0, 12.5, 1.2, _single(1.7, 2.7, 0.25)),
    "lower lateral incisor": Kind("incisor", 5.8, 6.3, 9.4, 13.5, 1.2, _single(1.85, 2.8, 0.25)),
    "lower canine": Kind("canine", 6.9, 7.6, 10.6, 15.9, 1.7, _single(2.4, 3.5, 0.1)),
    "lower first premolar": Kind("premolar", 7.0, 7.6, 8.5, 14.2, 1.4, _single(2.4, 3.1, 0.2)),
    "lower second premolar": Kind("premolar", 7.1, 8.1, 8.1, 14.6, 1.5, _single(2.5, 3.3, 0.08)),
    "lower first molar": Kind("molar", 11.1, 10.4, 7.4, 13.6, 1.3, _lower_molar(1.0, 0.9, 9.0)),
    "lower second molar": Kind("molar", 10.5, 10.1, 7.0, 13.0, 1.3, _lower_molar(0.93, 0.75, 5.0)),
    "lower third molar": Kind("molar", 10.0, 9.6, 6.8, 11.2, 1.5, _lower_molar(0.85, 0.5, 2.0)),
    "primary canine": Kind("canine", 6.0, 5.2, 6.4, 10.5, 1.0, _single(2.0, 2.1, 0.0)),
    "primary incisor": Kind("incisor", 5.6, 4.8, 5.8, 9.6, 0.9, _single(1.9, 1.9, 0.0)),
    "primary molar": Kind("molar", 9.0, 8.4, 5.4, 8.6, 1.0, _lower_molar(0.8, 0.6, 17.0)),
}
"""Kinds by name; widths mesiodistal, depths vestibulo-oral, of the crown at its widest."""


def draw_kind(
    rng: np.random.Generator,
    name: str,
    *,
    distal_x: float,
    lumen: str = "usual",
    canals: int | None = None,
    confluent: float = 0.25,
) -> Tooth:
    """A tooth of a kind.

    Parameters
    ----------
    rng
        Where every draw comes from.
    name
        One of `KINDS`.
    distal_x
        1 where distal lies towards +x, -1 where it lies towards -x.
    lumen
        One of `LUMENS`.
    canals
        How many, drawn where it is None: one or two a root, four at the most.
    confluent
        Share of roots with two canals in which they join.

    Raises
    ------
    PhantomError
        An unknown kind or lumen, or more or fewer canals than its roots can hold.
    """
    if name not in KINDS:
        raise PhantomError(f"kind must be one of {', '.join(KINDS)}: {name!r}")
    if lumen not in LUMENS:
        raise PhantomError(f"lumen must be one of {', '.join(LUMENS)}: {lumen!r}")
    kind = KINDS[name]
    size = 1.0 + 0.06 * np.clip(rng.standard_normal(3), -2.0, 2.0)
    worn = float(rng.uniform(0.7, 0.95)) if rng.random() < 0.15 else 1.0
    form = CrownForm(
        kind.form, 0.5 * kind.wide_mm * size[0], 0.5 * kind.deep_mm * size[1], kind.high_mm * worn * size[2]
    )
    paired = _paired(rng, kind.stems, canals)
    if lumen == "wide" and canals is None:
        paired = [False] * len(paired)
    longest = float(np.clip(kind.root_mm + kind.root_std_mm * rng.standard_normal(), 0.7 * kind.root_mm, None))
    winding = kind.form == "molar" and "primary" not in name and rng.random() < WINDING
    # A root that is not closed yet is short, too.
    open_apex = lumen == "wide" and rng.random() < 0.55
    longest *= float(rng.uniform(0.55, 0.95)) if open_apex else 1.0
    taper, blunted = float(rng.uniform(0.7, 1.7)), float(rng.uniform(0.7, 1.3))
    made = []
    for stem, pair in zip(kind.stems, paired, strict=True):
        length = longest - stem.shorter * size[2] + 0.3 * rng.standard_normal()
        made.append(
            _root(rng, stem, pair, distal_x, length, lumen, open_apex, winding, kind, size, taper, blunted, confluent)
        )
    return Tooth(form, tuple(made), _chamber(rng, form, made, lumen), distal_x)


def _paired(rng: np.random.Generator, stems: tuple[_Stem, ...], canals: int | None) -> list[bool]:
    """Which roots hold two canals."""
    chances = rng.random(len(stems))
    if canals is None:
        return [bool(chance < stem.pairs) for chance, stem in zip(chances, stems, strict=True)]
    extra = canals - len(stems)
    if not 0 <= extra <= min(len(stems), 4 - len(stems)):
        raise PhantomError(f"canals must be {len(stems)} to {min(2 * len(stems), 4)} in this kind of tooth: {canals!r}")
    first = np.argsort([-stem.pairs for stem in stems], kind="stable")[:extra]
    return [k in first for k in range(len(stems))]


def _root(
    rng: np.random.Generator,
    stem: _Stem,
    pair: bool,
    distal: float,
    root_mm: float,
    lumen: str,
    open_apex: bool,
    winding: bool,
    kind: Kind,
    size: Float64,
    taper: float,
    blunted: float,
    confluent: float,
) -> Root:
    floor = -0.8 if len(kind.stems) == 1 else -1.4
    beyond = 0.03 if open_apex else float(rng.uniform(0.25, 0.8))
    length = max(root_mm + floor - beyond, 4.0)
    at = np.array([stem.x_mm * distal * size[0], stem.y_mm * size[1], floor])
    lean = (stem.lean_deg[0] * distal * rng.uniform(0.3, 1.6), stem.lean_deg[1] * rng.uniform(0.6, 1.3))
    # Most roots curve to distal; in a molar the distal one as often back.
    to_distal = rng.random() < (0.8 if stem.x_mm <= 0.0 else 0.4)
    toward = 0.0 if (distal > 0.0) == to_distal else 180.0
    if winding and length >= 6.0:
        axis = canal_axis(rng, lean_deg=lean, toward_deg=toward, length_mm=length)
    else:
        axis = _gentle(rng, length, lean, toward, kind.form)
    axis = axis.moved(np.eye(3), at)
    half = (stem.half_mm[0] * size[0], stem.half_mm[1] * size[1])
    apical = (blunted * float(rng.uniform(0.55, 0.85)), blunted * float(rng.uniform(0.65, 1.0)))
    width, oval, closed = _lumen(rng, lumen, kind, half, length, open_apex, pair)
    if lumen == "wide":  # a thin wall is left about it
        apical = (max(apical[0], 0.5 * width[1] + 0.35), max(apical[1], 0.5 * width[1] + 0.35))
    names = stem.two if pair else (stem.one,)
    curves = _pair(rng, axis, half[1]) if pair else [axis]
    made = [
        Canal(name, curve, width, None, 1.0 if pair else oval, open_apex, min(closed, curve.length_mm - 0.3))
        for name, curve in zip(names, curves, strict=True)
    ]
    if pair and rng.random() < confluent and closed == 0.0:
        made = _joined(rng, made)
    return Root(tuple(made), half, apical, taper, beyond, open_apex)


def _gentle(rng: np.random.Generator, length: float, lean: tuple[float, float], toward_deg: float, form: str) -> Curve:
    """A canal as most are: a lean, one long bend, now and then a hook at its end or a slight bend back."""
    std = {"molar": 14.0, "premolar": 9.0}.get(form, 7.0)
    main = radians(abs(std * rng.standard_normal()) + (6.0 if form == "molar" else 0.0))
    place, wide = rng.uniform(0.35, 0.8) * length, rng.uniform(0.35, 0.9) * length
    hook = radians(rng.uniform(12.0, 45.0)) if rng.random() < 0.18 else 0.0
    hook *= rng.choice([1.0, -1.0], p=[0.75, 0.25])
    back = radians(rng.uniform(4.0, 16.0)) if rng.random() < 0.2 else 0.0
    plane = radians(toward_deg + 28.0 * rng.standard_normal())
    x = radians(lean[0] + 3.0 * rng.standard_normal())
    y = radians(lean[1] + 5.0 * rng.standard_normal())
    arc = np.linspace(0.0, length, int(np.ceil(length / STEP_MM)) + 1)
    middle = 0.5 * (arc[1:] + arc[:-1])
    kappa = np.zeros(middle.size)
    ends = (rng.uniform(0.85, 1.0) * length, rng.uniform(1.6, 4.0))
    for turning, at, width in ((main, place, wide), (hook, *ends), (-back, 0.3 * length, 0.4 * length)):
        bump = np.where(np.abs(middle - at) < width, 1.0 + np.cos(pi * (middle - at) / width), 0.0)
        kappa += turning * bump / max(2.0 * width, 1e-6)
    kappa = np.clip(kappa, -0.33, 0.33)
    tangent = (sin(x), sin(y), -cos(x) * cos(y))
    return curve_in_plane(arc, kappa, tangent=tangent, normal=(cos(plane), sin(plane), 0.0))


def _lumen(
    rng: np.random.Generator,
    lumen: str,
    kind: Kind,
    half: tuple[float, float],
    length: float,
    open_apex: bool,
    pair: bool,
) -> tuple[tuple[float, float], float, float]:
    """Width at orifice and constriction, mm, depth over width at the orifice, and length that is closed from above, mm."""
    front = kind.form in FRONT
    drawn = rng.random(4)
    oval = 1.0 + drawn[0] * min(1.6, max(half[1] / half[0] - 0.6, 0.2)) * 1.2
    if lumen == "wide":
        top = min(0.9 + 1.3 * drawn[1], 1.25 * half[0])
        return (
            (top, min(top * (0.75 + 0.35 * drawn[2]), 2.0) if open_apex else 0.35 + 0.55 * drawn[2]),
            min(oval, 1.5),
            0.0,
        )
    if lumen == "usual":
        top = (0.75 if front else 0.56) * (0.75 + 0.8 * drawn[1])
        return (min(top, 0.5 * half[0]), 0.17 + 0.23 * drawn[2]), oval, 0.0
    thin = ((0.22 + 0.2 * drawn[1]), (0.10 + 0.1 * drawn[2]))
    if lumen == "thin":
        return thin, min(oval, 1.6), 0.0
    share = 1.0 if drawn[3] < 0.35 else (drawn[3] - 0.3) * 1.2
    return thin, 1.0, float(np.clip(share, 0.1, 1.0)) * length


def _pair(rng: np.random.Generator, axis: Curve, half_y: float) -> list[Curve]:
    """Two canals of one root: the axis shifted along y and turned about x so that they draw together; kappa(s) stays."""
    apart = min(2.4, 0.75 * half_y) * rng.uniform(0.8, 1.15)
    angle = float(np.arctan2(0.5 * (apart - 0.7), axis.length_mm))
    start = axis.points_mm[0]
    sideways = rng.normal(0.0, 0.15, 2)  # they do not cover one another on the film
    curves = []
    for side, x in zip((1.0, -1.0), sideways, strict=True):
        c, s = cos(-side * angle), sin(-side * angle)
        turn = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
        curves.append(axis.moved(turn, start - turn @ start + np.array([x, 0.5 * side * apart, 0.0])))
    return [curves[0], curves[1].cut(axis.length_mm * rng.uniform(0.93, 0.995))]


def _joined(rng: np.random.Generator, canals: list[Canal]) -> list[Canal]:
    """The second canal led into the first."""
    trunk, other = canals
    most = min(JOIN_MM[1], trunk.curve.length_mm - 5.0)
    if most <= JOIN_MM[0]:
        return canals
    curve, shared = curve_into(other.curve, trunk.curve, float(rng.uniform(JOIN_MM[0], most)))
    return [trunk, Canal(other.name, curve, other.width_mm, Joint(trunk.name, shared), other.oval)]


def _chamber(rng: np.random.Generator, form: CrownForm, roots: list[Root], lumen: str) -> tuple[float, float]:
    starts = np.array([canal.curve.points_mm[0] for root in roots for canal in root.canals])
    spread, tall = np.abs(starts[:, :2]).max(axis=0)
    grown = {"usual": rng.uniform(0.75, 1.05), "wide": rng.uniform(1.1, 1.4), "thin": rng.uniform(0.45, 0.75)}
    share = float(grown.get(lumen, 0.35))
    front = form.kind in FRONT
    wide = max(spread + 0.35, 0.34 * form.half_x_mm if front else 0.75)
    deep = max(min(tall + 0.5, 0.5 * form.half_y_mm), 0.9)
    return (max(wide * share, 0.25), max(deep * share, 0.25))
