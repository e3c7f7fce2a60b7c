"""The truth of a film as the network is to say it: files, canals, root ends, orifices, references and areas, all in pixels."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.detect.channels import AREAS, LINES, POINTS, Channel
from wlmeasure.phantom.make import Phantom, Sitting
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.rays import cross
from wlmeasure.phantom.solid import Solid
from wlmeasure.phantom.tooth import Tooth

__all__ = ["CanalLabel", "FileLabel", "Labels", "Raster", "draw", "labels_of"]

Float64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEAREST_16THS = 16.0
"""A distance is kept in sixteenths of a pixel, up to 255 of them: 15.9 pixels, more than any bell is wide."""
ROOT_MM = 0.05
"""Least way through a root of a ray that counts as in it, mm."""
MOSTLY_SEEN, GAP_MM, LEAST_RUN_MM = 0.6, 2.0, 1.5
"""Share of a canal from which it is drawn as a whole; longest gap that is drawn over and shortest run that is, mm; our
parameters."""
DENSE = ("steel", "alloy", "amalgam", "composite", "gutta-percha", "ceramic")
"""Materials of restorations and hardware that are drawn on the metal's map."""


def _points(values: object) -> Float64:
    array = np.array(values, np.float64).reshape(-1, 2)
    array.flags.writeable = False
    return array


def _flags(values: object) -> Mask:
    array = np.array(values, np.bool_)
    array.flags.writeable = False
    return array


@frozen(eq=False)
class FileLabel:
    """A hand file: its path from the upper end (or the picture's border) to the tip (or the border), pixels (N, 2).

    `upper_px` and `tip_px` are (1, 2), or (0, 2) where that end is not in the picture.
    """

    path_px: Float64 = field(converter=_points)
    upper_px: Float64 = field(converter=_points)
    tip_px: Float64 = field(converter=_points)


@frozen(eq=False)
class CanalLabel:
    """A canal from its orifice to its foramen, pixels (N, 2), and where along it can be seen (N,)."""

    path_px: Float64 = field(converter=_points)
    visible: Mask = field(converter=_flags)
    tooth: int = 0
    root: int = 0


@frozen(eq=False)
class Labels:
    """All that the network is to say of one film.

    Attributes
    ----------
    files, canals
        Of every tooth in the picture.
    root_ends_px, orifices_px, references_px : (N, 2)
        Points inside the picture.
    root, outline, filling, metal : (rows, cols) bool
        Areas, and the borders of roots as lines one pixel wide; `root` is dentine, that under the enamel included.
    mm_per_px
        Pixel size on the film, the geometric mean of both ways.
    periapical
        False for a picture of another kind.
    """

    files: tuple[FileLabel, ...]
    canals: tuple[CanalLabel, ...]
    root_ends_px: Float64 = field(converter=_points)
    orifices_px: Float64 = field(converter=_points)
    references_px: Float64 = field(converter=_points)
    root: Mask = field(converter=_flags, repr=False)
    outline: Mask = field(converter=_flags, repr=False)
    filling: Mask = field(converter=_flags, repr=False)
    metal: Mask = field(converter=_flags, repr=False)
    mm_per_px: float
    periapical: bool = True

    def scaled(self, by: tuple[float, float], shape: tuple[int, int]) -> Labels:
        """The labels on the film resampled to `shape`, `by` times as many rows and columns."""
        factor = np.array(by)

        def moved(points: Float64) -> Float64:
            return np.asarray((points + 0.5) * factor - 0.5)

        def mask(area: Mask) -> Mask:
            shrunk = cv2.resize(area.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
            return shrunk >= 0.5

        thin = np.argwhere(self.outline)
        outline = np.zeros(shape, np.bool_)
        at = np.clip(np.rint(moved(thin.astype(np.float64))).astype(int), 0, np.array(shape) - 1)
        outline[at[:, 0], at[:, 1]] = True
        return evolve(
            self,
            files=tuple(FileLabel(moved(f.path_px), moved(f.upper_px), moved(f.tip_px)) for f in self.files),
            canals=tuple(evolve(c, path_px=moved(c.path_px)) for c in self.canals),
            root_ends_px=moved(self.root_ends_px),
            orifices_px=moved(self.orifices_px),
            references_px=moved(self.references_px),
            root=mask(self.root),
            outline=outline,
            filling=mask(self.filling),
            metal=mask(self.metal),
            mm_per_px=self.mm_per_px / float(np.sqrt(factor.prod())),
        )


@frozen(eq=False)
class Raster:
    """Labels as pixels that stay true under any change of scale.

    Attributes
    ----------
    distance : (8, rows, cols) uint8
        Distance to the nearest line or point in sixteenths of a pixel, 255 and more as 255: `LINES`, then `POINTS`.
    bits : (rows, cols) uint8
        Bit k: inside area k of `AREAS`. Bit 6: a canal is here that cannot be seen, so nothing is asked of its map. Bit 7:
        the film is here.
    """

    distance: NDArray[np.uint8]
    bits: NDArray[np.uint8]


def draw(labels: Labels) -> Raster:
    """The labels of a film on its own pixels."""
    shape = labels.root.shape
    distance = np.full((len(LINES) + len(POINTS), *shape), 255, np.uint8)
    drawn = [_drawn(c, labels.mm_per_px) for c in labels.canals]
    seen = [_parts(c.path_px, on) for c, on in zip(labels.canals, drawn, strict=True)]
    distance[0] = _sixteenths(_lines(shape, [f.path_px for f in labels.files]))
    distance[1] = _sixteenths(_lines(shape, [part for parts in seen for part in parts]))
    distance[2] = _sixteenths(labels.outline)
    none = np.zeros((0, 2))
    points = {
        Channel.TIP: np.concatenate([none, *(f.tip_px for f in labels.files)]),
        Channel.UPPER_END: np.concatenate([none, *(f.upper_px for f in labels.files)]),
        Channel.ROOT_END: labels.root_ends_px,
        Channel.ORIFICE: labels.orifices_px,
        Channel.REFERENCE: labels.references_px,
    }
    for k, channel in enumerate(POINTS, start=len(LINES)):
        _dots(distance[k], points[channel])
    bits = np.full(shape, 128, np.uint8)
    for k, area in enumerate((labels.root, labels.filling, labels.metal)):
        bits |= area.astype(np.uint8) << np.uint8(k)
    hidden = [part for c, on in zip(labels.canals, drawn, strict=True) for part in _parts(c.path_px, ~on)]
    if hidden:
        wide = cv2.dilate(_lines(shape, hidden).astype(np.uint8), np.ones((13, 13), np.uint8))
        bits[wide > 0] |= np.uint8(64)
    assert len(AREAS) == 3
    return Raster(distance, bits)


def _drawn(canal: CanalLabel, mm_per_px: float) -> Mask:
    """Where along a canal a line is asked for: where it can be seen, and on short stretches between, as an eye goes on.

    All along a canal that can be seen over most of it.
    """
    if canal.visible.mean() >= MOSTLY_SEEN:
        return np.ones(len(canal.visible), np.bool_)
    steps = np.hypot(*np.diff(canal.path_px, axis=0).T) * mm_per_px
    along = np.concatenate([[0.0], np.cumsum(steps)])
    on = canal.visible.copy()
    seen = np.flatnonzero(on)
    for a, b in pairwise(seen):
        if along[b] - along[a] <= GAP_MM:
            on[a:b] = True
    for first, end in _runs(on):
        if along[end - 1] - along[first] < LEAST_RUN_MM:
            on[first:end] = False
    return on


def _parts(path: Float64, keep: Mask) -> list[Float64]:
    """Runs of a path's points that are kept, two points or more."""
    return [path[a:b] for a, b in _runs(keep) if b - a >= 2]


def _runs(keep: Mask) -> list[tuple[int, int]]:
    """Where each run of what is kept begins and ends."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], keep, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _lines(shape: tuple[int, ...], paths: list[Float64]) -> Mask:
    canvas = np.zeros(shape, np.uint8)
    for path in paths:
        points = np.round(path[:, ::-1] * 16.0).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(canvas, [points], False, 1, 1, cv2.LINE_8, 4)
    return canvas.astype(np.bool_)


def _sixteenths(line: Mask) -> NDArray[np.uint8]:
    if not line.any():
        return np.full(line.shape, 255, np.uint8)
    away = cv2.distanceTransform((~line).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(np.minimum(away * NEAREST_16THS, 255.0), np.uint8)


def _dots(distance: NDArray[np.uint8], points: Float64) -> None:
    reach = 17
    for row, col in points:
        top, left = max(int(row) - reach, 0), max(int(col) - reach, 0)
        box = distance[top : max(int(row) + reach + 2, 0), left : max(int(col) + reach + 2, 0)]
        rows = np.arange(top, top + box.shape[0])[:, None] - row
        cols = np.arange(left, left + box.shape[1])[None, :] - col
        np.minimum(box, np.minimum(np.hypot(rows, cols) * NEAREST_16THS, 255.0).astype(np.uint8), out=box)


# --- from a phantom -------------------------------------------------------------------------------------------------


def labels_of(sitting: Sitting, phantom: Phantom) -> Labels:
    """The labels of a film, those of every tooth on it."""
    return _of_truth(phantom) if phantom.truth.teeth else _of_scene(sitting, phantom)


def _of_truth(phantom: Phantom) -> Labels:
    """From the truth of all teeth, which level "real" has."""
    masks = phantom.masks
    film: Mask = np.ones(phantom.image.shape, np.bool_) if "film" not in masks else masks["film"] > 0
    canals: list[CanalLabel] = []
    files: list[FileLabel | None] = []
    ends, orifices, cusps = [], [], []
    outline = np.zeros(film.shape, np.uint8)
    for number, tooth in enumerate(phantom.truth.teeth):
        for one in tooth.roots:
            ends.append(one.apex_px)
            corners = np.round(one.outline_px[:, ::-1] * 16.0).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(outline, [corners], False, 1, 1, cv2.LINE_8, 4)
        for canal in tooth.canals:
            inside = _inside(canal.path_px, film)
            seen = inside if canal.visible is None else inside & canal.visible
            if canal.holds != "nothing":  # a file or filling shows the way, whatever the canal's own contrast
                seen = inside
            elif canal.lumen_mm is not None:
                seen = seen & (canal.lumen_mm > 0.0)
            if inside.any():
                canals.append(CanalLabel(canal.path_px[inside], seen[inside], number, canal.root))
            orifices.append(canal.path_px[0])
        if tooth.state == "erupted":
            cusps += [cusp.px for cusp in tooth.cusps]
        files += [_file(file.path_px, film) for file in tooth.files]
    size = float(np.sqrt(phantom.mm_per_px[0] * phantom.mm_per_px[1]))
    return Labels(
        tuple(f for f in files if f is not None),
        tuple(canals),
        _kept(ends, film), _kept(orifices, film), _kept(cusps, film),
        film & (masks["root"] > 0), film & (outline > 0), film & (masks["filling"] > 0), film & (masks["metal"] > 0), size,
    )  # fmt: skip


def _kept(points: list[Float64], film: Mask) -> Float64:
    px = np.array(points).reshape(-1, 2)
    return px[_inside(px, film)]


def _of_scene(sitting: Sitting, phantom: Phantom) -> Labels:
    """From the scene that a film of an older level was made of, its neighbours included."""
    scene, projection = sitting.scene, phantom.projection
    shape = (projection.rows, projection.cols)
    film: Mask = np.ones(shape, np.bool_)
    teeth = [(scene.tooth, np.zeros(3)), *scene.neighbours]
    canals: list[CanalLabel] = []
    ends, orifices, references = [], [], []
    root: Mask = np.zeros(shape, np.bool_)
    outline: Mask = np.zeros(shape, np.bool_)
    for number, (tooth, shift) in enumerate(teeth):
        core = _shadow(_moved(tooth.core_solid(), shift), projection)
        root = root | core
        for k, one in enumerate(tooth.roots):
            ends.append(one.end_mm() + shift)
            area = _shadow(_moved(one.solid(sides=32), shift), projection)
            root = root | area
            outline = outline | (_border(area) & ~core)
            for canal in one.canals:
                path = projection.pixels(_way(canal.curve) + shift)
                canals.append(CanalLabel(path, _inside(path, film), number, k))
                orifices.append(canal.curve.points_mm[0] + shift)
        references += [*_cusps_mm(tooth, shift)]
    filling = np.zeros(shape, np.bool_)
    for filled in scene.fillings:
        filling |= _shadow(filled.solid(scene.tooth.canals[filled.canal]), projection)
    metal = np.zeros(shape, np.bool_)
    for material, body in (*scene.restorations, *scene.hardware):
        if material in DENSE:
            metal |= _shadow(body, projection)
    if scene.cap is not None:
        metal |= _shadow(scene.tooth.crown_solid(), projection)
    files = () if phantom.truth.file is None else (_file(phantom.truth.file.path_px, film),)
    size = float(np.sqrt(phantom.mm_per_px[0] * phantom.mm_per_px[1]))
    return Labels(
        tuple(f for f in files if f is not None),
        tuple(c for c in canals if c.visible.any()),
        _seen(projection, ends, film), _seen(projection, orifices, film), _seen(projection, references, film),
        root, outline, filling, metal, size,
    )  # fmt: skip


def _way(curve: object) -> Float64:
    points: Float64 = curve.points_mm  # type: ignore[attr-defined]
    step = max(len(points) // 400, 1)
    return np.vstack([points[:-1:step], points[-1:]])


def _file(path: Float64, film: Mask) -> FileLabel | None:
    inside = _inside(path, film)
    if inside.sum() < 2:
        return None
    first, last = np.flatnonzero(inside)[[0, -1]]
    return FileLabel(path[first : last + 1], path[:1] if inside[0] else [], path[-1:] if inside[-1] else [])


def _inside(points: Float64, film: Mask) -> Mask:
    """Which points lie on the film."""
    at = np.rint(points).astype(int)
    within = (at >= 0).all(axis=1) & (at < np.array(film.shape)).all(axis=1)
    at = np.clip(at, 0, np.array(film.shape) - 1)
    return np.asarray(within & film[at[:, 0], at[:, 1]], np.bool_)


def _seen(projection: Projection, points_mm: list[Float64], film: Mask) -> Float64:
    return _kept(list(projection.pixels(np.array(points_mm))), film)


def _moved(solid: Solid, shift_mm: Float64) -> Solid:
    return Solid(solid.vertices + shift_mm, solid.faces)


def _shadow(solid: Solid, projection: Projection) -> Mask:
    return cross(solid, projection).on((projection.rows, projection.cols)) > ROOT_MM


def _border(area: Mask) -> Mask:
    """Pixels of an area that touch what is not; the picture's own border is none."""
    filled = area.astype(np.uint8)
    inner = cv2.erode(filled, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    return area & ~inner.astype(np.bool_)


def _cusps_mm(tooth: Tooth, shift: Float64) -> list[Float64]:
    """Cusp tips, or the middle of an incisal edge: where a working length is read from."""
    rim = tooth.crown_solid().vertices
    top = rim[:, 2].max()
    high = rim[rim[:, 2] > top - 0.05]
    if tooth.crown.kind == "incisor":
        return [np.array([0.0, float(high[:, 1].mean()), float(top)]) + shift]
    # A molar has cusps on either side along the row of teeth, one behind the other on a film; a premolar has two across.
    side = high[:, 0] if tooth.crown.kind == "molar" else high[:, 1]
    groups = [high[side < -0.3], high[side > 0.3]]
    return [group.mean(axis=0) + shift for group in groups if len(group)]
