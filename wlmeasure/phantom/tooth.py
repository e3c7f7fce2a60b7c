"""A tooth as solid bodies: crown, roots, pulp chamber and canals, in a frame with z = 0 at the cervix and the crown at +z.

Widths and heights are usual sizes of the trade's tables rounded by us; smooth forms, no claim to a particular tooth.
"""

from __future__ import annotations

from math import pi

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.solid import SIDES, Solid, loft, tube

__all__ = ["Canal", "CrownForm", "Joint", "Root", "Tooth", "crown_solid"]

Float64 = NDArray[np.float64]

ROOT_BEYOND_MM = 0.5
"""Root end beyond the foramen; apex to foramen is 0.3 to 0.6 mm in most series (from memory)."""
ROOT_ABOVE_MM = 1.5
"""How far a root reaches above the orifices, hidden in the trunk; our parameter."""
ROOT_SMOOTHING_MM = 1.2
"""Standard deviation over which the outline of a root follows its canals; a thick body cannot follow a sharp bend."""
CONSTRICTION_MM, FORAMEN_OVER_CONSTRICTION = 0.7, 1.3
"""Distance of the narrowest place from the foramen and how much wider the foramen is (round numbers)."""
RING_MM = 0.15
"""Distance of sections along roots and canals; our parameter."""

# Half width over the widest, from the cervix (0) to the rim of the crown (1).
_RISE = np.array([0.0, 0.12, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0])
_WIDTH = np.array([0.86, 0.93, 0.985, 1.0, 0.97, 0.9, 0.8, 0.7])
_ENAMEL = np.array([0.05, 0.3, 0.7, 1.0, 1.2, 1.3, 1.3, 1.3])
_CERAMIC = np.array([0.1, 0.5, 0.9, 1.0, 1.0, 1.0, 1.0, 1.0])
_METAL = np.array([0.5, 0.8, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
OVER_CUSPS = 1.4
"""How much thicker an artificial crown is over the cusps than at its side; with the shares above, our parameters."""
_INCISOR_WIDTH = np.array([0.74, 0.79, 0.86, 0.93, 0.98, 1.0, 0.97, 0.88])
_TRUNK = (
    (-1.0, 0.12), (-1.0, 0.3), (-1.0, 0.5), (-0.97, 0.61), (-0.9, 0.68),
    (-0.75, 0.75), (-0.5, 0.81), (-0.25, 0.84), (-0.02, 0.86),
)  # fmt: skip
"""Height as a share of the trunk's length and half width over the widest, from the middle of its underside outwards and up."""
_VAULT, _VAULT_HALF = 0.35, 0.55
"""How much higher the underside lies between the roots, as a share of the trunk's length, and the half width of that vault,
as a share of the crown's. It runs straight through along y, so that a ray meets the trunk once."""
_THINNING = {1: 0.65, 2: 0.65, 3: 0.92}
"""Share of its depth along y that the trunk of so many roots has lost at its underside; three roots part one by one."""
FRONT = ("incisor", "canine")
"""Kinds of crowns that are pressed flat towards an edge."""
_CHAMBER = ((0.0, 0.55), (0.05, 0.8), (0.14, 0.93), (0.35, 1.0), (0.6, 0.98), (0.8, 0.88), (1.0, 0.68))
_SQUARENESS = 2.6


@frozen
class CrownForm:
    """Half widths (mesiodistal x, vestibulo-oral y), height and kind of a crown, mm.

    Kinds are "molar", "premolar", "incisor" and "canine".
    """

    kind: str
    half_x_mm: float
    half_y_mm: float
    height_mm: float


@frozen
class Joint:
    """Where a canal runs into another: that one's name, and the shared length up to its foramen, mm."""

    canal: str
    mm_from_apex: float


@frozen(eq=False)
class Canal:
    """One canal: its name, centre line from orifice to foramen, and its widths there, mm.

    A canal that `joins` another has that one's centre line for its last part, and its foramen. `oval` is the lumen's depth
    over its width at the orifice; towards the foramen it grows round. An `open_apex` has no constriction. Down to `closed_mm`
    along the centre line there is no lumen: hard tissue has filled it.
    """

    name: str
    curve: Curve
    width_mm: tuple[float, float]
    joins: Joint | None = None
    oval: float = 1.0
    open_apex: bool = False
    closed_mm: float = 0.0

    def radius(self, arc_mm: Float64) -> Float64:
        """Half width at arc lengths from the orifice, mm: tapering to the constriction, then opening to the foramen."""
        length = self.curve.length_mm
        narrow = self.width_mm[1]
        if self.open_apex:
            even: Float64 = 0.5 * np.interp(arc_mm, [0.0, length], self.width_mm)
            return even
        radius: Float64 = 0.5 * np.interp(
            arc_mm,
            [0.0, length - CONSTRICTION_MM, length],
            [self.width_mm[0], narrow, narrow * FORAMEN_OVER_CONSTRICTION],
        )
        return radius

    def solid(self, least_radius_mm: ArrayLike | None = None) -> Solid:
        """The lumen; `least_radius_mm` (at `arcs()`) widens it where an instrument has to fit in."""
        arc = self.arcs()
        radius = self.radius(arc)
        if least_radius_mm is not None:
            radius = np.maximum(radius, np.asarray(least_radius_mm))
        deep = None if self.oval == 1.0 else radius * self.depth(arc)
        return tube(self.curve.at(arc), radius, other_radius_mm=deep, sides=32)

    def depth(self, arc_mm: Float64) -> Float64:
        """The lumen's depth over its width at arc lengths from the orifice."""
        left = np.clip(1.0 - arc_mm / self.curve.length_mm, 0.0, 1.0)
        deep: Float64 = 1.0 + (self.oval - 1.0) * left**0.7
        return deep

    def arcs(self) -> Float64:
        """Arc lengths of the lumen's sections, mm."""
        start = min(self.closed_mm, self.curve.length_mm - RING_MM)
        return np.linspace(start, self.curve.length_mm, int(np.ceil((self.curve.length_mm - start) / RING_MM)) + 1)


@frozen(eq=False)
class Root:
    """A root around its canals: half axes at the cervix and near the apex, (x, y) mm.

    `taper` is how its half axes go over from one to the other: as the share of the way to that power. It ends `beyond_mm`
    beyond the longest canal's foramen, round, or `blunt` where it is not closed yet.
    """

    canals: tuple[Canal, ...]
    cervical_mm: tuple[float, float]
    apical_mm: tuple[float, float]
    taper: float = 0.85
    beyond_mm: float = ROOT_BEYOND_MM
    blunt: bool = False

    def axis(self) -> tuple[Float64, Float64]:
        """Arc length from the orifice (negative above it) and the smoothed middle of the canals, extended both ways."""
        longest = max(canal.curve.length_mm for canal in self.canals)
        arc = np.arange(-ROOT_ABOVE_MM, longest + self.beyond_mm, RING_MM)
        arc = np.append(arc, longest + self.beyond_mm)
        raw = np.mean([canal.curve.at(arc) for canal in self.canals], axis=0)
        reach = int(3 * ROOT_SMOOTHING_MM / RING_MM)
        weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) * RING_MM / ROOT_SMOOTHING_MM) ** 2)
        weight /= weight.sum()
        padded = np.vstack([2 * raw[0] - raw[reach:0:-1], raw, 2 * raw[-1] - raw[-2 : -reach - 2 : -1]])
        smooth = np.column_stack([np.convolve(padded[:, k], weight, "valid") for k in range(3)])
        return arc, smooth

    def end_mm(self) -> Float64:
        """The root's apex, (3,) mm."""
        apex: Float64 = self.axis()[1][-1]
        return apex

    def solid(self, *, wider_mm: float = 0.0, sides: int = SIDES, below_mm: float | None = None) -> Solid:
        """The root's body, or its socket with `wider_mm` all round; from `below_mm` (z) downwards where it is given."""
        points, a, b = self.sections(wider_mm)
        if below_mm is not None:
            keep = points[:, 2] < below_mm
            points, a, b = points[keep], a[keep], b[keep]
        return tube(points, a, other_radius_mm=b, sides=sides)

    def sections(self, wider_mm: float = 0.0) -> tuple[Float64, Float64, Float64]:
        """Middles (N, 3) of the sections of the body, or of its socket, from above the cervix on, and their half axes, mm."""
        arc, line = self.axis()
        end = arc[-1]
        share = np.clip(arc / end, 0.0, 1.0) ** self.taper
        half = [c + (a - c) * share for c, a in zip(self.cervical_mm, self.apical_mm, strict=True)]
        tip = (0.5 if self.blunt else 2.0) * max(self.apical_mm)
        fine = np.linspace(0.0, pi / 2, 9)[1:]
        arcs = np.concatenate([arc[arc < end - tip], end - tip * (1.0 - np.sin(fine))])
        closing = (0.6 if self.blunt else 1.0) * np.maximum((arcs - (end - tip)) / tip, 0.0)
        rounded = np.sqrt(np.maximum(1.0 - closing**2, 4e-4))
        points = np.column_stack([np.interp(arcs, arc, line[:, k]) for k in range(3)])
        hidden = 1.0 + 0.2 * np.minimum(arcs, 0.0) / ROOT_ABOVE_MM
        a, b = (np.interp(arcs, arc, h) * rounded * hidden + wider_mm for h in half)
        if wider_mm > 0.0:  # a socket ends below the root, too
            direction = points[-1] - points[-3]
            points = np.vstack([points, points[-1] + wider_mm * direction / np.linalg.norm(direction)])
            a, b = np.append(a, 0.02), np.append(b, 0.02)
        return points, a, b


@frozen(eq=False)
class Tooth:
    """A crown with one to three roots and a pulp chamber of half widths `chamber_half_mm` (x, y) over their canals.

    Distal lies towards +x where `distal_x` is 1, towards -x where it is -1.
    """

    crown: CrownForm
    roots: tuple[Root, ...]
    chamber_half_mm: tuple[float, float]
    distal_x: float = 1.0

    @property
    def canals(self) -> tuple[Canal, ...]:
        """Canals of all roots in order."""
        return tuple(canal for root in self.roots for canal in root.canals)

    def cusps_mm(self) -> tuple[tuple[str, Float64], ...]:
        """Points that a length can be counted from: cusps, or the edge's middle and corners; (name, (3,) mm)."""
        form, angle = self.crown, _angles(SIDES)
        none = np.zeros_like(_ENAMEL)
        rim = _crown_rings(form, form.height_mm, none, cusp_mm=1.1, fossa_mm=1.6, neck_mm=0.7, sides=SIDES)[
            _RISE.size - 1
        ]
        if form.kind in FRONT:
            middle = ("tip" if form.kind == "canine" else "edge", np.array([0.0, 0.0, rim[:, 2].max()]))
            if form.kind == "canine":
                return (middle,)
            corners = []
            for side in (1.0, -1.0):
                k = int(np.argmin(np.abs(angle - (0.4 if side > 0.0 else pi - 0.4))))
                name = "distal corner" if side == self.distal_x else "mesial corner"
                corners.append((name, np.array([rim[k, 0], 0.0, rim[k, 2]])))
            return (middle, *corners)
        if form.kind == "premolar":
            return tuple((name, rim[k].copy()) for name, k in (("B", SIDES // 4), ("L", 3 * SIDES // 4)))
        made = []
        for k in range(SIDES // 8, SIDES, SIDES // 4):
            x, y = rim[k, 0] * self.distal_x, rim[k, 1]
            made.append((("D" if x > 0.0 else "M") + ("B" if y > 0.0 else "L"), rim[k].copy()))
        return tuple(made)

    def crown_solid(self) -> Solid:
        """Outer surface of the enamel with what it covers."""
        return crown_solid(self.crown)

    def covered_solid(self) -> Solid:
        """Dentine under the enamel alone, closed at the neckline like the crown: the enamel is what is left between."""
        return loft(_covered_rings(self.crown, 0.0, SIDES))

    def under_cap(self, ceramic_mm: float, metal_mm: float) -> Solid:
        """Surface under so much ceramic and, in it, metal; at the neck it cuts a step into the dentine."""
        form, inset = self.crown, ceramic_mm * _CERAMIC + metal_mm * _METAL
        height = form.height_mm - OVER_CUSPS * (ceramic_mm + metal_mm)
        rings = _crown_rings(form, height, inset, cusp_mm=1.0, fossa_mm=1.3, neck_mm=0.7, sides=SIDES, even=True)
        # Both surfaces are closed below by a fan to the middle of the neckline: the inner one's neckline lies on the outer's
        # fan, so that nothing is left between the two.
        angle = _angles(SIDES)
        neck = _INCISOR_WIDTH[0] if form.kind in FRONT else _WIDTH[0]
        outer = _ring(form, float(neck), float(_WIDTH[0]), 0.0, 0.0, angle)
        share = np.hypot(*rings[0, :, :2].T) / np.hypot(*outer.T)
        rings[0, :, 2] = share * rings[0, :, 2] + (1.0 - share) * rings[0, :, 2].mean()
        return loft(rings)

    def core_solid(self, *, wider_mm: float = 0.0) -> Solid:
        """Dentine of the crown and the trunk from which the roots part."""
        return _core(self.crown, self.trunk_mm, wider_mm, _THINNING[len(self.roots)])

    @property
    def trunk_mm(self) -> float:
        """How far the common trunk reaches below the cervix."""
        return 3.4 if len(self.roots) > 1 else 1.2

    def chamber_solid(self) -> Solid:
        """Pulp chamber with horns under the cusps, closed at its floor just below the orifices."""
        floor = min(float(canal.curve.points_mm[0, 2]) for canal in self.canals) - 0.5
        roof = 0.45 * self.crown.height_mm
        half_x, half_y = self.chamber_half_mm
        middle = np.mean([canal.curve.points_mm[0] for canal in self.canals], axis=0)
        form = CrownForm(self.crown.kind, half_x, half_y, roof - floor)
        angle = _angles(SIDES)
        pointed = 0.0 if form.kind == "molar" else 0.5
        rings = []
        for rise, share in _CHAMBER:
            z = rise * form.height_mm + rise**3 * _cusps(form.kind, angle) * 1.0
            narrow = share * (1.0 - pointed * rise**2)
            rings.append(np.column_stack([_ring(form, narrow, narrow, 0.6 * rise, 0.0, angle), z]))
        rings += _inner(form, rings[-1], 0.9)
        return loft(np.array(rings) + np.array([middle[0], middle[1], floor]))


def _angles(sides: int) -> Float64:
    return 2.0 * pi * np.arange(sides) / sides


def _cusps(kind: str, angle: Float64) -> Float64:
    """Height of the rim around the crown: 0 at cusps, -1 in the grooves between."""
    if kind == "molar":
        return -0.5 * (1.0 - np.cos(4.0 * (angle - pi / 4)))
    if kind == "premolar":
        return -0.5 * (1.0 - np.cos(2.0 * (angle - pi / 2)))
    return np.zeros_like(angle)


def _ring(
    form: CrownForm, share_x: float, share_y: float, rise: float, inset: float, angle: Float64, even: bool = False
) -> Float64:
    """Points of a section, x and y (S, 2): a rounded rectangle; an incisor's is pressed flat towards its edge.

    The inset is pressed with it, unless it is to be `even`.
    """
    power = 2.0 / _SQUARENESS
    x = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** power
    y = np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** power
    flat = 1.0 - 0.78 * rise**1.3 if form.kind in FRONT else 1.0
    half_x = max(form.half_x_mm * share_x - inset, 0.05)
    half_y = max((form.half_y_mm * share_y - (inset / flat if even else inset)) * flat, 0.05)
    return np.column_stack([half_x * x, half_y * y])


def _crown_rings(
    form: CrownForm,
    height_mm: float,
    enamel: Float64,
    *,
    cusp_mm: float,
    fossa_mm: float,
    neck_mm: float,
    sides: int,
    even: bool = False,
) -> Float64:
    """Rings (K, S, 3) from the neckline over the rim into the fossa, `enamel` (per ring, mm) inside the outer form."""
    angle = _angles(sides)
    widths = _INCISOR_WIDTH if form.kind in FRONT else _WIDTH
    rings = []
    for rise, share_x, share_y, inset in zip(_RISE, widths, _WIDTH, enamel, strict=True):
        z = rise * height_mm + rise**3 * _cusps(form.kind, angle) * cusp_mm + (1.0 - rise) ** 2 * _arch(angle, neck_mm)
        if form.kind == "incisor":  # the corners of the edge are rounded
            z = z - 0.12 * height_mm * rise**4 * np.abs(np.cos(angle)) ** 4
        elif form.kind == "canine":  # the edge falls from its tip to both sides
            z = z - 0.26 * height_mm * rise**3 * np.abs(np.cos(angle)) ** 1.3
        xy = _ring(form, float(share_x), float(share_y), float(rise), float(inset), angle, even)
        rings.append(np.column_stack([xy, z]))
    return np.array([*rings, *_inner(form, rings[-1], fossa_mm)])


def _arch(angle: Float64, neck_mm: float) -> Float64:
    """The neckline rises towards the neighbours."""
    arch: Float64 = neck_mm * np.cos(angle) ** 2
    return arch


def crown_solid(
    form: CrownForm, *, cusp_mm: float = 1.1, fossa_mm: float = 1.6, neck_mm: float = 0.7, sides: int = SIDES
) -> Solid:
    """A crown from z = 0 to its cusps: grooves `cusp_mm` deep, a fossa `fossa_mm` deep, the neckline arched by `neck_mm`."""
    none = np.zeros_like(_ENAMEL)
    return loft(
        _crown_rings(form, form.height_mm, none, cusp_mm=cusp_mm, fossa_mm=fossa_mm, neck_mm=neck_mm, sides=sides)
    )


def _inner(form: CrownForm, rim: Float64, fossa_mm: float) -> list[Float64]:
    """Rings from the rim into the fossa."""
    depth = 0.0 if form.kind in FRONT else fossa_mm
    inner = []
    for share in (0.7, 0.4, 0.12):
        ring = rim.copy()
        ring[:, :2] *= share
        level = rim[:, 2].max() - depth
        ring[:, 2] = level + (rim[:, 2] - level) * share**0.8
        inner.append(ring)
    return inner


def _covered_rings(form: CrownForm, wider_mm: float, sides: int) -> Float64:
    """Surface of the dentine under the enamel, from the same neckline as the crown."""
    return _crown_rings(
        form, form.height_mm - 1.9, _ENAMEL - wider_mm, cusp_mm=1.0, fossa_mm=1.2, neck_mm=0.7, sides=sides
    )


def _core(form: CrownForm, trunk_mm: float, wider_mm: float, thinning: float, sides: int = SIDES) -> Solid:
    """Dentine under the enamel and down to the furcation: the crown's form less the enamel, then the trunk."""
    angle = _angles(sides)
    vaulted = _VAULT if form.kind == "molar" else 0.0
    neck_x = _INCISOR_WIDTH[0] / _WIDTH[0] if form.kind in FRONT else 1.0
    rings = []
    for z, share in _TRUNK:
        # Towards its underside the trunk grows thin along y, so that it ends on a film without a hard edge.
        xy = _ring(form, neck_x * share, share * (1.0 - thinning * abs(z) ** 1.5), 0.0, _ENAMEL[0] - wider_mm, angle)
        vault = vaulted * np.clip(1.0 - (xy[:, 0] / (_VAULT_HALF * form.half_x_mm)) ** 2, 0.0, 1.0)
        rings.append(np.column_stack([xy, np.maximum(z, -1.0 + vault) * trunk_mm - wider_mm * abs(z)]))
    return loft(np.concatenate([np.array(rings), _covered_rings(form, wider_mm, sides)[1:]]))
