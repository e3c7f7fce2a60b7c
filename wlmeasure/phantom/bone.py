"""The jaw of a film of level "real": what lies around, before and behind the teeth, as path lengths of every pixel's ray.

Roots stand in sockets: outside the outline of each runs the dark line of the periodontal ligament and the bright one of the
lamina dura, both seen here and lost there. Around them lies cancellous bone (`trabeculae`) under its cortical plates, with
what belongs to the place: sinus floor and zygomatic process, mandibular canal, mental and incisive foramen, oblique ridge, and
lesions at root ends. All of it is drawn in the plane of the tooth (y = 0), so it turns and mirrors with the projection.

Sizes are usual figures from memory unless said otherwise: ligament 0.15 to 0.4 mm, lamina dura 0.2 to 0.4 mm, lesions 2 to
10 mm across, mandibular canal 2.5 to 3.5 mm, mental foramen 3 mm, lines of the cortex 0.3 to 0.8 mm. How often each is there
and how strong it is are our parameters, judged by eye.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.phantom.bodies import moved
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.rays import Crossing, cross, finer
from wlmeasure.phantom.solid import Solid
from wlmeasure.phantom.tooth import FRONT, Tooth
from wlmeasure.phantom.trabeculae import Pattern, draw_pattern, network, smooth_noise

__all__ = ["Jaw", "Landmark", "Lesion", "Socket", "draw_jaw", "jaw_paths", "outside_mm", "socket_of"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

WORK_MM = 0.05
"""Pixels smaller than this are put together to draw the jaw, which is then interpolated: nothing in it is finer than 0.1 mm."""
REACH_MM = 1.6
"""How far beyond a root's outline ligament and lamina dura are looked for."""


@frozen(eq=False)
class Socket:
    """One tooth in the bone: a body a root, what joins them above (None where there is none), and the root ends (N, 3) mm."""

    roots: tuple[Solid, ...]
    core: Solid | None
    ends_mm: Float64


def socket_of(tooth: Tooth, turn: Float64, shift_mm: Float64) -> Socket:
    """The socket of a tooth that stands in the jaw by a turn (3, 3) and a shift (3,) mm."""
    ends = np.array([root.end_mm() for root in tooth.roots]) @ turn.T + shift_mm
    roots = tuple(moved(root.solid(sides=24), turn, shift_mm) for root in tooth.roots)
    return Socket(roots, moved(tooth.core_solid(), turn, shift_mm), ends)


@frozen
class Lesion:
    """A radiolucency at root end `end` of the tooth in socket `socket`: radius, mm, share of the bone that is lost, and border.

    `border` is the cortical line about it, mm of bone on the ray; 0: it fades out over `soft_mm`.
    """

    socket: int
    end: int
    radius_mm: float
    lost: float
    soft_mm: float
    border: float
    shift_mm: tuple[float, float]
    ragged: float


@frozen
class Landmark:
    """An anatomical landmark by name: a place (x, z) mm in the tooth's plane, a size, mm, a slope and a strength (0 to 1)."""

    name: str
    at_mm: tuple[float, float]
    size_mm: float
    slope: float
    strength: float


@frozen
class Jaw:
    """What a jaw is made of.

    Attributes
    ----------
    thickness_mm, cortical_mm, soft_mm
        Depth of the jaw along the ray, one cortical plate, soft tissue before and behind.
    crest_mm, crest_slope, loss
        Height (z) of the alveolar crest, how it leans, and how uneven it is, mm.
    crest_line, bared_mm
        Strength of the crest's cortical line (0 to 1), and how much lower the bone begins before and behind roots.
    ligament_mm, ligament, lamina_mm, lamina
        Width of ligament and lamina dura, and how much of each shows at most, mm of bone on the ray.
    seen_mm
        Over how many mm along a root their visibility changes.
    contrast
        How much the bone along the ray varies with the pattern, share of its thickness.
    relief
        How much of the pattern lies in the plates' inner faces, so that it shows over roots as well, share.
    """

    thickness_mm: float
    cortical_mm: float
    soft_mm: float
    crest_mm: float
    crest_slope: float
    loss: float
    crest_line: float
    bared_mm: float
    ligament_mm: float
    ligament: float
    lamina_mm: float
    lamina: float
    seen_mm: float
    pattern: Pattern
    contrast: float
    relief: float
    lesions: tuple[Lesion, ...] = ()
    landmarks: tuple[Landmark, ...] = ()

    def facts(self) -> dict[str, Any]:
        """Plain values for the truth."""
        return {
            "pattern": self.pattern.kind,
            "contrast": round(self.contrast, 4),
            "lesions": [[one.socket, one.end, round(one.radius_mm, 3), round(one.lost, 3)] for one in self.lesions],
            "landmarks": [one.name for one in self.landmarks],
        }


def draw_jaw(
    rng: np.random.Generator, sockets: Sequence[Socket], *, upper: bool, kind: str, without: tuple[str, ...] = ()
) -> Jaw:
    """A jaw around the teeth in `sockets`, the first of them the one under treatment, of crown `kind`; `without` as in
    `draw_pattern`.
    """
    drawn = draw_pattern(rng, without=without)
    deep = float(sockets[0].ends_mm[:, 2].min())
    loss = float(rng.exponential(1.1)) if rng.random() < 0.3 else 0.0
    return Jaw(
        thickness_mm=float(rng.uniform(7.5, 12.5)),
        cortical_mm=float(rng.uniform(0.5, 1.3)),
        soft_mm=float(rng.uniform(4.0, 10.0)),
        crest_mm=-float(rng.uniform(0.8, 2.2)) - min(loss, 5.0),
        crest_slope=float(rng.normal(0.0, 0.06)),
        loss=float(rng.uniform(0.15, 0.7)),
        crest_line=float(rng.uniform(0.0, 1.0)),
        bared_mm=float(rng.uniform(-2.5, 1.0)),
        ligament_mm=float(rng.uniform(0.15, 0.4)),
        ligament=float(rng.uniform(0.5, 3.6)),
        lamina_mm=float(rng.uniform(0.2, 0.4)),
        lamina=float(rng.uniform(0.2, 1.7)),
        seen_mm=float(rng.uniform(1.5, 4.0)),
        pattern=drawn,
        contrast=float(np.clip(0.27 * np.exp(0.24 * rng.normal()), 0.1, 0.45)),
        relief=float(rng.uniform(0.05, 0.42)),
        lesions=_draw_lesions(rng, sockets),
        landmarks=_draw_landmarks(rng, upper, kind, deep),
    )


def _draw_lesions(rng: np.random.Generator, sockets: Sequence[Socket]) -> tuple[Lesion, ...]:
    made = []
    for number, socket in enumerate(sockets):
        for end in range(len(socket.ends_mm)):
            chance = rng.random()
            if chance < (0.22 if number == 0 else 0.06):
                corticated = rng.random() < 0.35
                made.append(
                    Lesion(
                        number,
                        end,
                        radius_mm=float(np.clip(np.exp(rng.normal(0.75, 0.45)), 0.9, 5.5)),
                        lost=float(rng.uniform(0.25, 0.9)),
                        soft_mm=float(rng.uniform(0.15, 0.5) if corticated else rng.uniform(0.5, 1.6)),
                        border=float(rng.uniform(0.5, 1.5) if corticated else 0.0),
                        shift_mm=(float(rng.normal(0.0, 0.35)), float(rng.normal(0.2, 0.35))),
                        ragged=float(rng.uniform(0.03, 0.22)),
                    )
                )
    return tuple(made)


@frozen
class _Place:
    """Where a landmark lies: its share of films, ranges of x (of either sign) and z (from the root ends where `deep`), size."""

    name: str
    share: float
    x_mm: tuple[float, float]
    z_mm: tuple[float, float]
    deep: bool
    size_mm: tuple[float, float]
    slope_std: float = 0.0


_PLACES = {
    ("upper", "side"): (
        _Place("sinus floor", 0.75, (0.0, 7.0), (-3.5, 4.5), True, (6.0, 14.0)),
        _Place("zygomatic process", 0.4, (0.0, 10.0), (-4.0, 6.0), True, (4.0, 9.0)),
    ),
    ("upper", "front"): (
        _Place("incisive foramen", 0.35, (2.5, 8.0), (0.0, 5.0), True, (2.0, 4.0)),
        _Place("nasal floor", 0.45, (0.0, 8.0), (-8.0, -2.0), True, (7.0, 14.0)),
        _Place("median suture", 0.35, (3.5, 8.5), (0.0, 0.0), False, (0.25, 0.6), 0.03),
        _Place("lip line", 0.4, (0.0, 0.0), (-6.0, 0.0), False, (2.0, 6.0)),
    ),
    ("lower", "side"): (
        _Place("mandibular canal", 0.55, (0.0, 0.0), (-6.0, 0.5), True, (2.3, 3.6), 0.18),
        _Place("oblique ridge", 0.4, (0.0, 0.0), (-8.0, -1.0), False, (1.0, 3.5), 0.35),
        _Place("mental foramen", 0.3, (0.0, 7.0), (-3.5, 2.5), True, (2.0, 4.0)),
        _Place("lower border", 0.08, (0.0, 0.0), (-9.0, -5.0), True, (2.0, 4.0), 0.06),
    ),
    ("lower", "front"): (
        _Place("lingual foramen", 0.3, (1.0, 5.0), (-7.0, -2.0), True, (0.6, 1.2)),
        _Place("mental ridge", 0.35, (0.0, 6.0), (-5.0, 1.0), True, (6.0, 12.0)),
        _Place("nutrient canal", 0.4, (2.0, 4.5), (0.0, 0.0), False, (0.25, 0.6), 0.12),
        _Place("lip line", 0.3, (0.0, 0.0), (-6.0, 0.0), False, (2.0, 6.0)),
    ),
}


def _draw_landmarks(rng: np.random.Generator, upper: bool, kind: str, deep_mm: float) -> tuple[Landmark, ...]:
    """Landmarks of upper or lower front and side teeth; `deep_mm` is the height (z) of the lowest root end."""
    made = []
    front = kind in FRONT
    for place in _PLACES["upper" if upper else "lower", "front" if front else "side"]:
        x = float(rng.uniform(*place.x_mm) * rng.choice([-1.0, 1.0]))
        z = float(rng.uniform(*place.z_mm)) + (deep_mm if place.deep else 0.0)
        size, slope = float(rng.uniform(*place.size_mm)), float(place.slope_std * rng.standard_normal())
        strength = float(rng.uniform(0.3, 1.0))
        if rng.random() < place.share:
            made.append(Landmark(place.name, (x, z), size, slope, strength))
    return tuple(made)


def outside_mm(crossing: Crossing, cell_mm: float, reach_mm: float) -> tuple[slice, slice, Float32, Float32]:
    """Distance to a body's outline on the film, mm, negative inside it, and where its box lies, grown by `reach_mm`.

    Returns rows, columns, distance and path length in the body; the box may go beyond the image, which the slices tell by
    being cut there.
    """
    pad = int(np.ceil(reach_mm / cell_mm)) + 1
    length = np.pad(crossing.length_mm.astype(np.float32), pad, mode="edge")  # a root goes on beyond the border
    inside = (length > 1e-3).astype(np.uint8)
    # Where a body meets no pixel, distances are infinite: they are capped beyond the box's size.
    far = np.float32(sum(inside.shape))
    away = np.minimum(cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5), far)
    within = np.minimum(cv2.distanceTransform(inside, cv2.DIST_L2, 5), far)
    distance: Float32 = ((away - within) - np.where(inside > 0, -0.5, 0.5).astype(np.float32)) * np.float32(cell_mm)
    row, col = crossing.row - pad, crossing.col - pad
    return (
        slice(row, row + distance.shape[0]),
        slice(col, col + distance.shape[1]),
        np.asarray(cv2.GaussianBlur(distance, (0, 0), 0.7), np.float32),
        length,
    )


class _Field:
    """Maps of a jaw on one projection's pixels."""

    def __init__(self, projection: Projection) -> None:
        self.projection = projection
        self.shape = (projection.rows, projection.cols)
        self.cell_mm = float(np.sqrt(projection.mm_per_px_row * projection.mm_per_px_col))
        rows = np.arange(projection.rows, dtype=np.float64)[:, None]
        cols = np.arange(projection.cols, dtype=np.float64)[None, :]
        x, z = projection.through_plane(rows, cols)
        self.x, self.z = x.astype(np.float32), z.astype(np.float32)
        self.trabecular = np.zeros(self.shape, np.float32)
        self.cortical = np.zeros(self.shape, np.float32)
        self.soft = np.zeros(self.shape, np.float32)

    def noise(self, wave_mm: float, rng: np.random.Generator) -> Float32:
        return smooth_noise(self.shape, wave_mm / self.cell_mm, rng)

    def clip(self, rows: slice, cols: slice) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
        """A box that may hang over the image: where it lies on the image, and which part of it that is."""
        top, left = max(rows.start, 0), max(cols.start, 0)
        bottom, right = max(min(rows.stop, self.shape[0]), top), max(min(cols.stop, self.shape[1]), left)
        at = (slice(top, bottom), slice(left, right))
        part = (slice(top - rows.start, bottom - rows.start), slice(left - cols.start, right - cols.start))
        return at, part


def jaw_paths(
    jaw: Jaw, sockets: Sequence[Socket], projection: Projection, rng: np.random.Generator
) -> dict[str, Float32]:
    """Path length, mm, in trabecular and cortical bone and soft tissue of every pixel's ray; arrays (rows, cols)."""
    factor = max(int(WORK_MM / max(projection.mm_per_px_row, projection.mm_per_px_col)), 1)
    field = _Field(projection.coarser(factor) if factor > 1 else projection)
    crest, below = _slab(field, jaw, rng)
    texture = network(field.x, field.z, jaw.pattern, rng)
    level = float(texture.mean())
    roots, lines, kept = _sockets(field, jaw, sockets, rng)
    # Before a root the plates begin lower and thin out: no edge of bone runs straight across the roots.
    before = _step(crest - field.z - np.float32(jaw.bared_mm), 4.0) * below
    aside = np.asarray(cv2.GaussianBlur(_step(kept - 0.25, 0.75), (0, 0), 0.25 / field.cell_mm), np.float32)
    below = np.asarray(before + (below - before) * aside, np.float32)
    lost, borders = _lesions(field, jaw, sockets, rng)
    thickness = below * np.float32(jaw.thickness_mm)
    room = np.maximum(thickness - roots, np.float32(0.12) * thickness)
    plates = np.minimum(np.float32(2.0 * jaw.cortical_mm) * below, room)
    marrow = (room - plates) * (1.0 - lost)
    # Where a strut is, there is more bone along the ray. The plates' inner faces carry the pattern before the roots, too.
    bearing = marrow + np.float32(jaw.relief) * (thickness - marrow)
    field.trabecular += marrow + np.float32(jaw.contrast) * (texture - np.float32(level)) * bearing
    field.cortical += plates + (lines[1] * (1.0 - lost) + borders) * below
    field.cortical += np.float32(2.2 * jaw.crest_line) * _line(crest - field.z - np.float32(0.25), 0.3) * kept
    field.trabecular -= lines[0] * below * (1.0 - lost)
    field.soft += lines[0] * below
    _soft_tissue(field, jaw, crest, below, lost * room, rng)
    for landmark in jaw.landmarks:
        _LANDMARKS[landmark.name](field, landmark, below * kept, rng)
    np.maximum(field.trabecular, 0.0, out=field.trabecular)
    np.maximum(field.cortical, 0.0, out=field.cortical)
    np.maximum(field.soft, 0.0, out=field.soft)
    return {
        name: finer(getattr(field, name), factor, (projection.rows, projection.cols))
        for name in ("trabecular", "cortical", "soft")
    }


def _step(distance_mm: Float32, over_mm: float) -> Float32:
    """0 before, 1 behind, smooth over `over_mm`."""
    share = np.clip(distance_mm / np.float32(over_mm), 0.0, 1.0)
    result: Float32 = share * share * (3.0 - 2.0 * share)
    return result


def _line(distance_mm: Float32, wide_mm: float) -> Float32:
    """1 on a line, falling off on both sides; `wide_mm` is its full width at about half height."""
    away = np.clip(distance_mm * np.float32(1.67 / wide_mm), -4.0, 4.0)
    result: Float32 = np.exp(-away * away)
    return result


def _slab(field: _Field, jaw: Jaw, rng: np.random.Generator) -> tuple[Float32, Float32]:
    """Height of the crest, mm, and the share of the jaw's thickness that a ray meets."""
    # Uneven along x alone.
    at = (field.x - field.x.min()) / np.float32(field.cell_mm)
    uneven = smooth_noise((1, int(at.max()) + 2), 4.0 / field.cell_mm, rng)
    low = cv2.remap(uneven, at, np.zeros_like(at), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    crest = np.float32(jaw.crest_mm) + np.float32(jaw.crest_slope) * field.x + np.float32(jaw.loss) * low
    under = crest - field.z
    deep = np.clip(under / 10.0, 0.0, 1.0)
    below = _step(under, 1.3) * (0.62 + 0.38 * deep)
    drift = 1.0 + 0.07 * field.noise(9.0, rng)
    return np.asarray(crest, np.float32), np.asarray(below * drift, np.float32)


def _sockets(
    field: _Field, jaw: Jaw, sockets: Sequence[Socket], rng: np.random.Generator
) -> tuple[Float32, tuple[Float32, Float32], Float32]:
    """Path in roots; path that the ligament takes from bone and the lamina adds; 1 where no root lies, less in roots."""
    roots = np.zeros(field.shape, np.float32)
    ligament, lamina = np.zeros(field.shape, np.float32), np.zeros(field.shape, np.float32)
    outside = np.ones(field.shape, np.float32)
    seen = np.clip(0.55 + 0.55 * field.noise(jaw.seen_mm, rng), 0.0, 1.3)
    bright = np.clip(0.6 + 0.5 * field.noise(jaw.seen_mm, rng), 0.0, 1.3)
    wide = np.clip(1.0 + 0.25 * field.noise(2.5, rng), 0.5, 1.8)
    for socket in sockets:
        covered = np.zeros(field.shape, np.float32)
        trunk = np.zeros(field.shape, np.float32)
        bodies = [*socket.roots] if socket.core is None else [socket.core, *socket.roots]
        for k, body in enumerate(bodies):
            crossing = cross(body, field.projection)
            if crossing.length_mm.size == 0:
                continue
            rows, cols, distance, length = outside_mm(crossing, field.cell_mm, REACH_MM)
            at, part = field.clip(rows, cols)
            np.maximum(covered[at], length[part], out=covered[at])
            d = distance[part]
            if socket.core is not None and k == 0:
                trunk[at] = _step(0.15 - d, 0.3)
            # Inside the trunk a root has no socket.
            free = 1.0 - trunk[at]
            half = np.float32(jaw.ligament_mm) * wide[at]
            dark = _line(d - 0.5 * half, 1.0 * jaw.ligament_mm)
            wall = _line(d - half - np.float32(0.5 * jaw.lamina_mm), jaw.lamina_mm)
            share = free if k > 0 or socket.core is None else 1.0
            np.maximum(ligament[at], np.float32(jaw.ligament) * dark * seen[at] * share, out=ligament[at])
            np.maximum(lamina[at], np.float32(jaw.lamina) * wall * bright[at] * share, out=lamina[at])
            np.minimum(outside[at], np.clip(0.5 + d / 0.2, 0.25, 1.0), out=outside[at])
        roots += covered
    return roots, (ligament, lamina), outside


def _lesions(field: _Field, jaw: Jaw, sockets: Sequence[Socket], rng: np.random.Generator) -> tuple[Float32, Float32]:
    """Share of the cancellous bone that is lost, and path in the lesions' borders."""
    lost, border = np.zeros(field.shape, np.float32), np.zeros(field.shape, np.float32)
    for one in jaw.lesions:
        end = sockets[one.socket].ends_mm[one.end]
        x, z = end[0] + one.shift_mm[0], end[2] - 0.6 * one.radius_mm + one.shift_mm[1]
        away = np.hypot(field.x - np.float32(x), field.z - np.float32(z))
        uneven = 1.0 + np.float32(one.ragged) * field.noise(max(0.9 * one.radius_mm, 0.6), rng)
        inside = np.float32(one.radius_mm) * uneven - away
        np.maximum(lost, np.float32(one.lost) * _step(inside + np.float32(0.5 * one.soft_mm), one.soft_mm), out=lost)
        if one.border > 0.0:
            border += np.float32(one.border) * _line(inside + np.float32(0.2), 0.4)
    return lost, border


def _soft_tissue(
    field: _Field, jaw: Jaw, crest: Float32, below: Float32, lost_mm: Float32, rng: np.random.Generator
) -> None:
    """Cheek or lip and tongue everywhere, gingiva above the crest with a soft edge of its own, granulation in lesions."""
    above = field.z - crest
    gum = 1.0 - _step(above - np.float32(1.2) - 0.5 * field.noise(5.0, rng), 1.8)
    field.soft += np.float32(jaw.soft_mm) * (1.0 + 0.12 * field.noise(14.0, rng))
    field.soft += np.float32(0.5 * jaw.thickness_mm) * gum * np.clip(1.0 - below, 0.0, 1.0) + lost_mm


def _sinus(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The sinus floor, a bright line that dips between roots, and air behind it."""
    x = (field.x - np.float32(one.at_mm[0])) / np.float32(one.size_mm)
    floor = np.float32(one.at_mm[1]) + np.float32(2.6) * (1.0 - np.sqrt(1.0 + np.square(x) * 2.2))
    floor += 0.45 * field.noise(5.0, rng)
    beyond = floor - field.z
    air = _step(beyond, 0.5)
    field.trabecular *= 1.0 - np.float32(0.55 * one.strength) * air
    field.cortical *= 1.0 - np.float32(0.3 * one.strength) * air
    field.cortical += (
        np.float32(2.0 * one.strength) * _line(beyond, 0.45) * np.clip(0.8 + 0.35 * field.noise(4.0, rng), 0.1, 1.4)
    )
    if one.size_mm > 11.0:  # a septum
        wall = field.x - np.float32(one.at_mm[0] + 3.0) - 0.12 * (field.z - floor)
        field.cortical += np.float32(1.1 * one.strength) * _line(wall, 0.5) * air


def _zygoma(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The zygomatic process: a broad bright shadow beyond root ends with a denser lower border, like a U."""
    x = (field.x - np.float32(one.at_mm[0])) / np.float32(one.size_mm)
    edge = np.float32(one.at_mm[1]) + np.float32(0.35 * one.size_mm) * np.square(x) * -1.0 + 0.5 * field.noise(8.0, rng)
    inside = edge - field.z
    body = _step(inside, 3.5) * np.exp(-np.square(np.square(x * 0.85)))
    field.trabecular += np.float32(7.0 * one.strength) * body
    field.cortical += np.float32(1.6 * one.strength) * _line(inside - np.float32(0.6), 1.3) * (np.abs(x) < 1.6)


def _canal(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The mandibular canal: a dark band between two faint bright lines."""
    middle = np.float32(one.at_mm[1]) + np.float32(one.slope) * field.x + 0.35 * field.noise(9.0, rng)
    off = np.abs(field.z - middle) - np.float32(0.5 * one.size_mm)
    field.trabecular *= 1.0 - np.float32(0.32 * one.strength) * _step(-off, 0.8)
    walls = np.clip(0.55 + 0.5 * field.noise(5.0, rng), 0.0, 1.3)
    field.cortical += np.float32(0.9 * one.strength) * _line(off - 0.2, 0.45) * walls * below


def _foramen(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """An opening: dark, oval, with soft edges."""
    away = np.hypot((field.x - np.float32(one.at_mm[0])) * 1.0, (field.z - np.float32(one.at_mm[1])) * 0.8)
    inside = np.float32(0.5 * one.size_mm) * (1.0 + 0.12 * field.noise(1.5, rng)) - away
    field.trabecular *= 1.0 - np.float32(0.45 * one.strength) * _step(inside + 0.4, 1.0)
    field.cortical += np.float32(0.5 * one.strength) * _line(inside + 0.1, 0.4) * below


def _ridge(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The oblique ridge: a bright band that runs down across the roots."""
    middle = np.float32(one.at_mm[1]) + np.float32(one.slope) * field.x + 0.4 * field.noise(9.0, rng)
    under = middle - field.z
    band = _step(under + np.float32(0.5 * one.size_mm), 0.8) * (1.0 - _step(under, 2.0 * one.size_mm))
    field.cortical += np.float32(2.2 * one.strength) * band * below


def _border(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The lower border of the mandible: thick cortex, soft tissue beyond."""
    middle = np.float32(one.at_mm[1]) + np.float32(one.slope) * field.x
    under = middle - field.z
    field.cortical += np.float32(4.0 * one.strength) * _step(under + 0.5, 1.0) * below
    gone = 1.0 - _step(under - np.float32(one.size_mm), 0.6)
    field.cortical *= gone
    field.trabecular *= gone


def _nose(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The floor of the nose: a bright line, dark beyond."""
    x = (field.x - np.float32(one.at_mm[0])) / np.float32(one.size_mm)
    beyond = np.float32(one.at_mm[1]) - np.float32(1.5) * np.square(x) - field.z
    field.trabecular *= 1.0 - np.float32(0.5 * one.strength) * _step(beyond, 0.5)
    field.cortical += np.float32(1.6 * one.strength) * _line(beyond, 0.6) * below


def _seam(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """A thin dark line between bright ones that runs along the teeth: the median suture, a nutrient canal."""
    off = field.x - np.float32(one.at_mm[0]) - np.float32(one.slope) * field.z - 0.12 * field.noise(3.0, rng)
    there = np.clip(0.7 + 0.5 * field.noise(4.0, rng), 0.0, 1.2) * below
    field.trabecular *= 1.0 - np.float32(0.35 * one.strength) * _line(off, one.size_mm) * there
    field.cortical += np.float32(0.6 * one.strength) * _line(np.abs(off) - np.float32(0.9 * one.size_mm), 0.35) * there


def _tongue_side(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """A small opening in a bright ring."""
    away = np.hypot(field.x - np.float32(one.at_mm[0]), field.z - np.float32(one.at_mm[1]))
    field.cortical += np.float32(2.2 * one.strength) * _line(away - np.float32(one.size_mm), float(one.size_mm)) * below
    field.trabecular *= 1.0 - np.float32(0.5 * one.strength) * _line(away, float(one.size_mm))


def _chin(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The mental ridge: a bright bow over the lower front."""
    x = (field.x - np.float32(one.at_mm[0])) / np.float32(one.size_mm)
    under = np.float32(one.at_mm[1]) - np.float32(2.5) * np.square(x) - field.z
    field.cortical += np.float32(1.8 * one.strength) * _step(under, 1.5) * (1.0 - 0.5 * _step(under - 1.5, 4.0)) * below


def _lip(field: _Field, one: Landmark, below: Float32, rng: np.random.Generator) -> None:
    """The edge of the lip: more soft tissue on one side of a soft line."""
    edge = np.float32(one.at_mm[1]) + np.float32(0.03) * np.square(field.x) + 0.3 * field.noise(9.0, rng)
    field.soft += np.float32(one.size_mm * one.strength) * _step(edge - field.z, 1.0)


_LANDMARKS = {
    "sinus floor": _sinus,
    "zygomatic process": _zygoma,
    "mandibular canal": _canal,
    "mental foramen": _foramen,
    "incisive foramen": _foramen,
    "oblique ridge": _ridge,
    "lower border": _border,
    "nasal floor": _nose,
    "median suture": _seam,
    "nutrient canal": _seam,
    "lingual foramen": _tongue_side,
    "mental ridge": _chin,
    "lip line": _lip,
}
