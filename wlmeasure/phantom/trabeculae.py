"""Cancellous bone as lines and cells: bright struts around dark marrow spaces, seen through the depth of a jaw.

Two ways that bone shows on films, and mixtures of both: cells (the edges of a Voronoi tessellation, warped) and trabeculae
(single curved strokes about one or two main directions). Sheets at several depths lie on one another. Struts of 0.1 to
0.3 mm around spaces of 0.5 to 2 mm: usual figures, from memory; how the patterns are mixed is ours, judged by eye.
"""

from __future__ import annotations

from math import pi

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.phantom.chance import draw_family

__all__ = ["PATTERNS", "Pattern", "Sheet", "draw_pattern", "network", "smooth_noise"]

Float32 = NDArray[np.float32]

GRID_MM = 0.055
"""Distance of the points that a sheet is made on; half a thin strut; our parameter."""
PATTERNS = ("cells", "trabeculae", "ladder", "granular")
"""Families: round cells; strokes about two directions; strokes mostly across the roots, as between the roots of lower molars;
small dense cells, as in the upper jaw."""
PATTERN_WEIGHTS = (0.35, 0.25, 0.2, 0.2)


@frozen
class Sheet:
    """One layer: cells `cell_mm` wide (stretched along `angle_deg` from the columns by `stretch`), walls `strut_mm` thick.

    `strokes_per_mm2` single trabeculae of `stroke_mm` length lie about `angle_deg` and square to it; `weight` is the share of
    the layer in the sum, `broken` how much of the walls is missing.
    """

    cell_mm: float
    strut_mm: float
    stretch: float
    angle_deg: float
    broken: float
    strokes_per_mm2: float
    stroke_mm: float
    weight: float


@frozen
class Pattern:
    """A film's bone: its family, sheets, and over how many mm it changes from place to place."""

    kind: str
    sheets: tuple[Sheet, ...]
    patch_mm: float


def draw_pattern(rng: np.random.Generator, kind: str | None = None, *, without: tuple[str, ...] = ()) -> Pattern:
    """A pattern of a family, or of any but those named in `without` (of all where that names all).

    Raises
    ------
    PhantomError
        A family that there is not.
    """
    kind = draw_family(rng, PATTERNS, PATTERN_WEIGHTS, without, kind)
    base = {"cells": 1.05, "trabeculae": 1.2, "ladder": 1.3, "granular": 0.62}[kind] * float(np.exp(0.2 * rng.normal()))
    main = float({"ladder": rng.normal(0.0, 12.0)}.get(kind, rng.uniform(0.0, 180.0)))
    stroke = {"cells": 0.35, "trabeculae": 1.4, "ladder": 1.3, "granular": 0.5}[kind]
    sheets = []
    for wider, weight in ((1.0, 1.0), (0.65, 0.7), (1.6, 0.55), (0.38, 0.45)):
        cell = float(np.clip(base * wider * np.exp(0.12 * rng.normal()), 0.38, 2.4))
        sheets.append(
            Sheet(
                cell_mm=cell,
                strut_mm=float(np.clip(0.07 + 0.06 * cell * rng.uniform(0.5, 1.5), 0.09, 0.24)),
                stretch=float(rng.uniform(1.0, 1.45) if kind in ("cells", "granular") else rng.uniform(1.25, 2.0)),
                angle_deg=main + float(rng.normal(0.0, 18.0)),
                broken=float(rng.uniform(0.1, 0.6)),
                strokes_per_mm2=stroke * float(rng.uniform(0.4, 1.3)) / cell,
                stroke_mm=float(rng.uniform(0.8, 1.9)) * cell**0.5,
                weight=float(weight * np.exp(0.25 * rng.normal())),
            )
        )
    return Pattern(kind, tuple(sheets), float(rng.uniform(5.0, 12.0)))


def smooth_noise(shape: tuple[int, int], wave_px: float, rng: np.random.Generator) -> Float32:
    """Noise of mean about 0 and standard deviation about 1, smooth over `wave_px`."""
    size = [max(int(np.ceil(n / wave_px)) + 3, 4) for n in shape]
    coarse = rng.standard_normal(size, dtype=np.float32)
    # Cubic interpolation of a grid of noise, cut out between its points, so that no two films share their nodes' places.
    step = 1.0 / wave_px
    at = np.array([[step, 0.0, 1.0 + rng.random()], [0.0, step, 1.0 + rng.random()]], np.float32)
    fine = cv2.warpAffine(
        coarse, at, (shape[1], shape[0]), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT
    )
    result: Float32 = np.asarray(fine, np.float32) * np.float32(1.25)
    return result


def network(x_mm: Float32, z_mm: Float32, pattern: Pattern, rng: np.random.Generator) -> Float32:
    """The pattern at points of the jaw's plane: 0 in marrow, about 1 on a strut of one sheet; an array like `x_mm`.

    It changes from place to place: denser and sparser, and between the sheets.
    """
    shape = x_mm.shape
    step = max(abs(float(np.hypot(x_mm[1, 0] - x_mm[0, 0], z_mm[1, 0] - z_mm[0, 0]))), 1e-3)
    total = np.zeros(shape, np.float32)
    for sheet in pattern.sheets:
        place = smooth_noise(shape, pattern.patch_mm / step, rng)
        here = np.clip(0.85 + 0.35 * place, 0.1, 1.6, out=place)
        total += _sheet(x_mm, z_mm, sheet, step, rng) * here * np.float32(sheet.weight)
    return total


def _sheet(x_mm: Float32, z_mm: Float32, sheet: Sheet, step_mm: float, rng: np.random.Generator) -> Float32:
    turn = np.deg2rad(sheet.angle_deg)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    along, across = (c * x_mm + s * z_mm) / np.float32(sheet.stretch), c * z_mm - s * x_mm
    wave = 2.0 * sheet.cell_mm
    for axis in (along, across):  # walls are never straight
        axis += np.float32(0.16 * sheet.cell_mm) * smooth_noise(x_mm.shape, wave / step_mm, rng)
    low = (float(across.min()), float(along.min()))
    rows, cols = (
        int((float(axis.max()) - least) / GRID_MM) + 3 for axis, least in zip((across, along), low, strict=True)
    )
    size = (rows, cols)
    layer = _walls(size, sheet, rng)
    layer = np.maximum(layer, _strokes(size, sheet, rng))
    col, row = (along - np.float32(low[1])) / np.float32(GRID_MM), (across - np.float32(low[0])) / np.float32(GRID_MM)
    seen = cv2.remap(layer, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(seen, np.float32)


def _walls(size: tuple[int, int], sheet: Sheet, rng: np.random.Generator) -> Float32:
    """Edges of the cells of random points, thick here and missing there, on a grid of `GRID_MM`."""
    rows, cols = size
    pitch = sheet.cell_mm / GRID_MM
    # Points of a jittered lattice: cells of unlike size, but no crowds.
    r, c = np.meshgrid(np.arange(0.0, rows + pitch, pitch), np.arange(0.0, cols + pitch, pitch), indexing="ij")
    jitter = rng.uniform(-0.62 * pitch, 0.62 * pitch, (2, *r.shape))
    r, c = (r + jitter[0]).astype(np.intp).ravel(), (c + jitter[1]).astype(np.intp).ravel()
    keep = (r >= 0) & (r < rows) & (c >= 0) & (c < cols) & (rng.random(r.size) > 0.12)
    free = np.ones(size, np.uint8)
    free[r[keep], c[keep]] = 0
    _, label = cv2.distanceTransformWithLabels(free, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    open_cell = np.ones(size, np.uint8)
    open_cell[:, :-1] &= (label[:, :-1] == label[:, 1:]).view(np.uint8)
    open_cell[:-1] &= (label[:-1] == label[1:]).view(np.uint8)
    distance = cv2.distanceTransform(open_cell, cv2.DIST_L2, 3)
    thick = np.clip(1.0 + 0.4 * smooth_noise(size, 0.9 * pitch, rng), 0.45, 2.2)
    there = np.clip(1.15 - 1.4 * sheet.broken + 0.75 * smooth_noise(size, 0.7 * pitch, rng), 0.0, 1.3)
    half = np.float32(0.5 * sheet.strut_mm / GRID_MM) * thick
    wall = there * np.exp(-np.square(distance / half) * np.float32(0.7))
    # Marrow spaces lie at depths of their own: some are clear, some lie behind bone.
    depth = (0.3 * rng.random(int(label.max()) + 1)).astype(np.float32)[label]
    result: Float32 = np.maximum(wall, cv2.blur(depth, (3, 3))).astype(np.float32)
    return result


def _strokes(size: tuple[int, int], sheet: Sheet, rng: np.random.Generator) -> Float32:
    """Single trabeculae: curved strokes about the sheet's direction and square to it."""
    rows, cols = size
    count = int(sheet.strokes_per_mm2 * rows * cols * GRID_MM**2)
    layer = np.zeros(size, np.uint8)
    if count == 0:
        return layer.astype(np.float32)
    middle = rng.random((count, 2)) * (cols, rows)
    angle = np.where(rng.random(count) < 0.72, 0.0, 0.5 * pi) + 0.25 * rng.standard_normal(count)
    half = 0.5 * sheet.stroke_mm / GRID_MM * np.exp(0.45 * rng.standard_normal(count))
    bend = 0.18 * rng.standard_normal(count) * half
    way = np.column_stack([np.cos(angle), np.sin(angle)])
    aside = way[:, ::-1] * (-1.0, 1.0)
    share = np.linspace(-1.0, 1.0, 5)
    points = (
        middle[:, None]
        + (half[:, None] * share)[..., None] * way[:, None]
        + (bend[:, None] * (1.0 - share**2))[..., None] * aside[:, None]
    )
    fixed = np.rint(points * 16.0).astype(np.int32)[:, :, None, :]
    groups = np.array_split(fixed, 8)
    for k, group in enumerate(groups):
        wide = max(round(sheet.strut_mm / GRID_MM * (0.6, 1.0)[k % 2]), 1)
        cv2.polylines(layer, list(group), False, 90 + 20 * k, wide, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(layer, (3, 3), 0.6)
    result: Float32 = soft.astype(np.float32) * np.float32(1.15 / 255.0)
    return result
