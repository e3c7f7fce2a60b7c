"""Edges of a film on a square grid in millimetres: directions, each as strong as it stands out of its surroundings."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph

__all__ = ["edges_of", "square_grid", "warped_edges"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

LEVEL_MM = 1.2
"""Standard deviation of the surroundings whose level an edge is held against, mm; our parameter."""
FLOOR = 1.0
"""Surroundings below this share of the film's middle level count as this much: noise there makes no edges; our parameter."""
LARGEST_SHARE = 97.0
"""Gradients above this percentile count as it when the level is taken: metal does not hide its surroundings; our parameter."""
SMOOTH = 1.0
"""Standard deviation of the smoothing before gradients are taken, grid steps; our parameter."""
RIM = 5
"""Steps at the rim of the film that give no edges: the rim itself is none of the tooth's; follows from the two filters."""
WINDOW = (0.5, 99.5)
"""Percentiles of the stored values that span the grid's range; common practice."""


def square_grid(
    radiograph: Radiograph, step_mm: float, mm_per_px: tuple[float, float]
) -> tuple[Float32, tuple[float, float]]:
    """The film's attenuation averaged onto a square grid of that step, and the step in pixels (rows, cols).

    Grid point k lies at pixel k * step + (step - 1) / 2.
    """
    density = radiograph.density()
    low, high = np.percentile(density[::4, ::4], WINDOW)
    scaled = np.clip((density - low) / max(float(high - low), 1e-6), 0.0, 1.0)
    rows, cols = (max(8, round(n * size / step_mm)) for n, size in zip(density.shape, mm_per_px, strict=True))
    grid = cv2.resize(np.asarray(scaled, np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(grid, np.float32), (density.shape[0] / rows, density.shape[1] / cols)


def edges_of(grid: Float32, step_mm: float, inside: Float32 | None = None) -> Float32:
    """Edges (N, M, 2): gradient towards growing attenuation, near 1 where it is far above its surroundings, else below it.

    Where `inside` is 0 and at the rim there are none.
    """
    smooth = cv2.GaussianBlur(grid, (0, 0), SMOOTH)
    rows = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    cols = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    kept = np.ones_like(grid) if inside is None else inside
    rim = cv2.erode(kept, np.ones((RIM, RIM), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    kept = np.asarray(rim, np.float32)
    size = np.sqrt(rows * rows + cols * cols) * kept
    seen = size[kept > 0.5]
    if seen.size < 64:
        return np.zeros((*grid.shape, 2), np.float32)
    capped = np.minimum(size, np.percentile(seen, LARGEST_SHARE))
    level = np.sqrt(cv2.GaussianBlur(capped * capped, (0, 0), LEVEL_MM / step_mm))
    level += np.float32(FLOOR * np.median(level[kept > 0.5]) + 1e-9)
    # A line of metal stands out many times: it counts as one edge, not as ten.
    gain = kept / (level + size)
    return np.stack([rows * gain, cols * gain], axis=-1)


def warped_edges(grid: Float32, to_grid: Float64, shape: tuple[int, int], step_mm: float) -> tuple[Float32, Float32]:
    """Edges of `grid` as seen at the points of another grid, and what of that lies inside.

    `to_grid` (3, 3) maps (row, col, 1) of the other grid, of shape `shape` and step `step_mm`, to `grid`.
    """
    swap = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])  # cv2 counts (x, y)
    matrix = swap @ to_grid @ swap
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture = cv2.warpPerspective(grid, matrix, shape[::-1], flags=how, borderMode=cv2.BORDER_REPLICATE)
    whole = cv2.warpPerspective(np.ones_like(grid), matrix, shape[::-1], flags=how, borderValue=0)
    inside: Float32 = np.asarray(whole > 0.99, np.float32)
    return edges_of(np.asarray(picture, np.float32), step_mm, inside), inside
