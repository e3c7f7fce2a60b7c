"""Where on the image is a canal- or file-like line: the two-flank line measure.

A canal is a thin dark line with dentine, alike, on both of its sides; a metal file is a thin bright one.
Ridge measures built on second derivatives (Hessian eigenvalues) also follow the edge of a root and the dark periodontal
line, whose two sides differ.
The measure here asks for two like flanks: along each of 12 directions the image is smoothed, and the centre is compared
with a point at equal distance on either side of it::

    dark line:    min(left - centre, right - centre) - |left - right|
    bright line:  min(centre - left, centre - right) - |left - right|

(weights of 0.4 and 1.5 on the last term both found fewer canals on the tuning films). The largest value over the directions
counts. Distances are in millimetres on a working grid of square cells, so that the measure sees the same anatomy whatever
the pixel size and whether or not rows and columns are spaced alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError

__all__ = [
    "CELL_MM",
    "Candidate",
    "LineKind",
    "WorkingGrid",
    "level",
    "line_candidates",
    "line_cost",
    "line_strength",
    "working_grid",
]

LineKind = Literal["canal", "file"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

CELL_MM = 0.1  # four pixels of a 0.025 mm detector: as many canals found as at 0.05 mm, in a quarter of the time
DIRECTIONS = 12  # 15 degrees apart: a kernel of 0.75 mm length loses nothing between two of them
FLANK_MM = 0.35  # half-width: sees lines of 0.1 to 0.6 mm; several widths at once found more false lines
ALONG_SD_MM = 0.6  # smoothing along the line; a bend of 2 mm radius leaves it by 0.09 mm, less than a canal is wide
SMOOTH_CELLS = 0.4
SHARPNESS = 0.5  # below 1 a strong line cannot buy a long detour; 0.5 to 3 tried on the tuning films
# A metal file in the canal stands out 20 times more than anything dark about it (the 99th percentile) on the reference
# radiographs; the strongest bright lines on films without a file, 1.6 times.
FILE_RATIO = 5.0
CLICK_CELLS = 3  # a click on a file lies within three cells (0.3 mm) of its middle
MAX_CELLS = 6_000_000  # a whole large film; bounds time and memory whatever the clicks say


@frozen(eq=False)
class WorkingGrid:
    """A region of the image resampled to square cells.

    Attributes
    ----------
    values : (M, N) float32
        Attenuation, larger is denser.
    origin_px : (row, col)
        Image corner coordinates of the first cell's outer corner.
    cell_px : (rows, cols)
        Size of one cell in image pixels.
    cell_mm
        The same in mm, as near as the pixel size is known; it sizes the filters.
    """

    values: Float32
    origin_px: tuple[float, float]
    cell_px: tuple[float, float]
    cell_mm: float = CELL_MM

    def to_px(self, cells: NDArray[np.floating] | NDArray[np.signedinteger]) -> Float64:
        """(N, 2) cell coordinates to image pixel coordinates, both with (0, 0) at a centre."""
        return (np.asarray(cells, np.float64) + 0.5) * self.cell_px + self.origin_px - 0.5

    def to_cells(self, points_px: NDArray[np.floating]) -> Float64:
        """(N, 2) image pixel coordinates to cell coordinates."""
        return (np.asarray(points_px, np.float64) + 0.5 - self.origin_px) / self.cell_px - 0.5

    def nearest_cells(self, points_px: NDArray[np.floating]) -> NDArray[np.intp]:
        """(N, 2) cells that hold the points, kept inside the grid."""
        return np.clip(np.rint(self.to_cells(points_px)).astype(np.intp), 0, np.array(self.values.shape) - 1)


def working_grid(
    density: NDArray[np.generic],
    points_px: NDArray[np.floating],
    mm_per_px: tuple[float, float],
    *,
    margin_mm: float = 3.0,
    cell_mm: float = CELL_MM,
) -> WorkingGrid:
    """Cut the box around `points_px` plus a margin out of `density` and resample it to square cells.

    Parameters
    ----------
    density : (R, C)
        Attenuation, larger is denser.
    points_px : (N, 2)
        (row, col) pixel coordinates that must lie in the box.
    mm_per_px
        Rough size of a pixel, (row, col); it sizes the filters and is never used as a scale.
    margin_mm
        Room around the box for a canal that bulges out of it.
    cell_mm
        Size of a cell.

    Raises
    ------
    TraceError
        When the box would hold more than 6 million cells: the pixel size given is far too large.
    """
    shape = np.array(density.shape)
    margin = margin_mm / np.array(mm_per_px)
    low = np.maximum(np.floor(points_px.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(points_px.max(axis=0) + margin).astype(int) + 1, shape)
    size_px = high - low
    cells = np.maximum(np.rint(size_px * np.array(mm_per_px) / cell_mm), 8).astype(int)
    if int(cells[0]) * int(cells[1]) > MAX_CELLS:
        raise TraceError(
            f"pixel size must fit the image: {mm_per_px[0]:.4g} x {mm_per_px[1]:.4g} mm per pixel makes the traced region "
            f"{size_px[0] * mm_per_px[0]:.0f} x {size_px[1] * mm_per_px[1]:.0f} mm; check the scale"
        )
    region = density[low[0] : high[0], low[1] : high[1]]
    shrink = bool(np.all(cells <= size_px))
    values = cv2.resize(
        np.ascontiguousarray(region, dtype=np.float32),
        (int(cells[1]), int(cells[0])),
        interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR,
    )
    cell_px = size_px / cells
    origin = float(low[0]), float(low[1])
    return WorkingGrid(np.asarray(values, np.float32), origin, (float(cell_px[0]), float(cell_px[1])), cell_mm)


def line_strength(grid: WorkingGrid) -> tuple[Float32, Float32]:
    """How much each cell looks like the middle of a thin line; 0 where it does not.

    Returns
    -------
    dark, bright : (M, N) float32
        In the units of the image, not negative: as a line darker than both flanks, and as a brighter one.
        Both come from one pass, since the smoothing is what costs time.
    """
    image = cv2.GaussianBlur(grid.values, (0, 0), SMOOTH_CELLS, borderType=cv2.BORDER_REPLICATE)
    rows, cols = image.shape
    along = ALONG_SD_MM / grid.cell_mm
    flank = FLANK_MM / grid.cell_mm
    steps = np.arange(-3, 4) * along * 0.6  # seven samples carry the Gaussian to 1.8 SD
    weights = np.exp(-0.5 * (steps / along) ** 2)
    weights /= weights.sum()
    reach = int(np.ceil(flank)) + 1
    pad = reach + int(np.ceil(steps[-1])) + 1
    padded = cv2.copyMakeBorder(image, pad, pad, pad, pad, cv2.BORDER_REPLICATE)
    dark = np.zeros((rows, cols), np.float32)
    bright = np.zeros((rows, cols), np.float32)
    for direction in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        step_row, step_col = np.cos(direction), np.sin(direction)
        # The window is wider than the image by `reach`, so that the flanks are slices of it too.
        smooth = np.zeros((rows + 2 * reach, cols + 2 * reach), np.float32)
        for step, weight in zip(steps, weights, strict=True):
            r, c = pad - reach + round(step * step_row), pad - reach + round(step * step_col)
            cv2.scaleAdd(padded[r : r + smooth.shape[0], c : c + smooth.shape[1]], float(weight), smooth, dst=smooth)
        centre = smooth[reach : reach + rows, reach : reach + cols]
        dr, dc = round(-flank * step_col), round(flank * step_row)
        left = smooth[reach + dr : reach + dr + rows, reach + dc : reach + dc + cols]
        right = smooth[reach - dr : reach - dr + rows, reach - dc : reach - dc + cols]
        # min(l, r) - c - |l - r| = 2 min(l, r) - max(l, r) - c, and likewise for bright: no absolute value is needed.
        low, high = cv2.min(left, right), cv2.max(left, right)
        cv2.max(dark, 2.0 * low - high - centre, dst=dark)
        cv2.max(bright, centre + low - 2.0 * high, dst=bright)
    return dark, bright


@frozen(eq=False)
class Candidate:
    """What a line may look like.

    Attributes
    ----------
    strength : (M, N) float32
        The image to trace on.
    looks : of (M, N) float32
        The images in which such a line is seen.
    least
        Mean strength along the path below which the next candidate is tried.
    follows_file
        Whether the line runs along a file that was traced before.
    signs
        1 where the line may be darker than its flanks, -1 where brighter.
    """

    strength: Float32
    looks: tuple[Float32, ...]
    least: float = 0.0
    follows_file: bool = False
    signs: tuple[int, ...] = (1,)


def line_candidates(
    grid: WorkingGrid, kind: LineKind, clicks: Float64, files: Sequence[Float64] = ()
) -> list[Candidate]:
    """What a line of `kind` may look like in a region, the likelier first.

    A file is a bright line. A canal is a dark one, unless a file lies in it: where the clicks but one end, which may lie beyond
    the file's tip, stand on metal, the bright line is tried first, and holds if it is as strong as metal all along.
    Metal elsewhere, such as a file in the next canal, does not draw the path. A file that was traced before is known to be
    one: where the clicks but one end lie on it, the canal runs along it, and beyond its tip, where more clicks may lie, along a
    dark line.

    Parameters
    ----------
    grid
        The region.
    kind
        What is looked for.
    clicks : (K, 2)
        Points on the line in image pixels, coronal to apical.
    files : of (N, 2)
        Paths of files traced on this image, in image pixels.

    Returns
    -------
    list of Candidate
    """
    dark, bright = line_strength(grid)
    if kind == "file":
        return [Candidate(bright, (bright,), signs=(-1,))]
    for file in files:
        cells = _drawn(grid, file)
        reach = cv2.dilate(cells, np.ones((2 * CLICK_CELLS + 1,) * 2, np.uint8))
        on_file = [bool(reach[r, c]) for r, c in grid.nearest_cells(clicks)]
        with_file = [on or ahead for on, ahead in zip(on_file, _ahead(grid, file, clicks), strict=True)]
        if (on_file[0] and all(with_file[:-1])) or (len(on_file) > 1 and all(on_file[1:])):
            # As strong as the strongest line, so that nothing beside the file is preferred to it.
            top = max(float(dark.max()), float(bright.max()))
            return [
                Candidate(np.where(cells > 0, np.float32(top), dark), (bright, dark), follows_file=True, signs=(1, -1))
            ]
    metal = FILE_RATIO * level(dark, 0.99)
    near = cv2.dilate(bright, np.ones((2 * CLICK_CELLS + 1,) * 2, np.uint8))
    on_metal = [float(near[r, c]) > metal for r, c in grid.nearest_cells(clicks)]
    stands_on = all(on_metal[:-1]) or (len(on_metal) > 1 and all(on_metal[1:]))
    canal = Candidate(dark, (dark,))
    return [Candidate(bright, (bright,), metal, signs=(-1,)), canal] if stands_on else [canal]


def _ahead(grid: WorkingGrid, file: Float64, clicks: Float64) -> list[bool]:
    """Which clicks lie ahead of a file's tip, where the canal goes on: within 45 degrees of the file's last millimetre."""
    line, at = grid.to_cells(file), grid.to_cells(clicks)
    back = np.hypot(*(line - line[-1]).T) >= 1.0 / grid.cell_mm
    begin = line[np.flatnonzero(back)[-1]] if back.any() else line[0]
    ahead = line[-1] - begin
    ahead /= max(float(np.hypot(*ahead)), 1e-12)
    offset = at - line[-1]
    forth = offset @ ahead
    aside = np.abs(offset @ np.array([-ahead[1], ahead[0]]))
    return [bool(f > 0.0 and a <= f + CLICK_CELLS) for f, a in zip(forth, aside, strict=True)]


def _drawn(grid: WorkingGrid, path_px: Float64) -> NDArray[np.uint8]:
    """A path drawn on the grid: 1 on its cells."""
    cells = np.zeros(grid.values.shape, np.uint8)
    points = np.ascontiguousarray(np.rint(grid.to_cells(path_px)).astype(np.int32)[:, None, ::-1])
    cv2.polylines(cells, [points], isClosed=False, color=1)
    return cells


def level(strength: Float32, share: float) -> float:
    """The value that `share` of the cells stay below; every fourth cell is looked at."""
    sample = strength[::2, ::2].ravel()  # np.percentile would import numpy.ma for the first call, 7 ms
    k = min(int(share * sample.size), sample.size - 1)
    return float(np.partition(sample, k)[k])


def line_cost(strength: Float32, *, floor: float = 0.03) -> Float64:
    """Cost of crossing a cell: `floor` on a clear line, 1 where there is none.

    The strength is set against its own level over the region (the 90th percentile), so that a faint canal beside a bright
    file still counts and no tone curve has to be known.
    """
    usual = level(strength, 0.9) or 1.0
    return np.asarray(floor + (1.0 - floor) / (1.0 + (strength / np.float32(usual)) ** SHARPNESS), np.float64)
