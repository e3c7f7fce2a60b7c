"""Path length of every ray through a body, on the pixels of a projection.

Every triangle of a surface adds its depth where it is met from behind and takes it away where it is met from the front, so
the sum over a closed surface is the path inside. A triangle is filled along image rows: its depth along a row is a straight
line a + b col, so each of its edges adds (a, b) to everything right of it, and one running sum along the row does the rest.
The work goes with the number of edges, not with the pixels covered: about 10 ms a body on 1500 x 1000 pixels.

Depth between the corners of a triangle is taken as linear over the image; it is the reciprocal that is. For triangles of
0.3 mm at 400 mm from the source this costs less than 1e-4 mm.
"""

from __future__ import annotations

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.solid import Solid

__all__ = ["Crossing", "cross", "finer", "overlap_mm", "union_mm"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

REACH_PX = 1
"""Pixels kept around a body's outline in its box; our parameter."""


@frozen(eq=False)
class Crossing:
    """Where the rays of a box of pixels enter and leave a body.

    `row`, `col` is the box's first pixel. `length_mm` is the path inside; `enter_mm` and `leave_mm` are distances from the
    source (0 where the ray misses). Of a ray that enters several times they bound one interval of the same length and middle.
    """

    row: int
    col: int
    length_mm: Float64
    enter_mm: Float64
    leave_mm: Float64

    @property
    def rows(self) -> slice:
        """Rows of the image that the box covers."""
        return slice(self.row, self.row + self.length_mm.shape[0])

    @property
    def cols(self) -> slice:
        """Columns of the image that the box covers."""
        return slice(self.col, self.col + self.length_mm.shape[1])

    def on(self, shape: tuple[int, int]) -> Float64:
        """`length_mm` laid into an image of `shape` that is 0 elsewhere."""
        image = np.zeros(shape)
        image[self.rows, self.cols] = self.length_mm
        return image


def cross(solid: Solid, projection: Projection, *, oversampling: int = 1) -> Crossing:
    """Path of every ray through `solid`, at pixel centres, or averaged over `oversampling` ** 2 points of each pixel.

    Oversampling averages lengths, not transmissions; it is meant for thin bodies and for faces that run along pixel rows.
    A body outside the image gives an empty box.
    """
    fine = projection if oversampling == 1 else projection.finer(oversampling)
    px, depth = fine.pixels_and_depth(solid.vertices)
    k = oversampling
    pad = REACH_PX
    top = max(int(np.floor(px[:, 0].min() / k)) - pad, 0)
    bottom = min(int(np.ceil(px[:, 0].max() / k)) + pad + 1, projection.rows)
    left = max(int(np.floor(px[:, 1].min() / k)) - pad, 0)
    right = min(int(np.ceil(px[:, 1].max() / k)) + pad + 1, projection.cols)
    if bottom <= top or right <= left:
        return _nothing()
    shape = ((bottom - top) * k, (right - left) * k)
    middle = float(depth.mean())
    faces = solid.faces[:, ::-1] if fine.mirrored else solid.faces
    sums = _fill(px - np.array([top * k, left * k]), depth - middle, faces, shape)
    rows = np.arange(top * k, bottom * k, dtype=np.float64)[:, None]
    cols = np.arange(left * k, right * k, dtype=np.float64)[None, :]
    ray = _ray_length(fine, rows, cols)
    times, enter, leave = sums
    hit = times > 0.5
    length = np.where(hit, (leave - enter) * ray, 0.0)
    # Of a ray that enters several times the sums tell the whole length and where its middle lies: one interval of that.
    centre = np.where(hit, (0.5 * (enter + leave) / np.where(hit, times, 1.0) + middle) * ray, 0.0)
    if k > 1:
        parts = (shape[0] // k, k, shape[1] // k, k)
        hits = hit.reshape(parts).sum(axis=(1, 3))
        length = length.reshape(parts).mean(axis=(1, 3))
        # A pixel that is missed in part: the middle of the rays that hit, and the mean length of all.
        centre = centre.reshape(parts).sum(axis=(1, 3)) / np.maximum(hits, 1)
    length = np.maximum(length, 0.0)
    return Crossing(top, left, length, centre - 0.5 * length, centre + 0.5 * length)


def _nothing() -> Crossing:
    """An empty box."""
    empty = np.zeros((0, 0))
    return Crossing(0, 0, empty, empty, empty)


def _ray_length(projection: Projection, rows: Float64, cols: Float64) -> Float64:
    """Distance from the source to each pixel on the detector, mm."""
    foot = projection.centre_mm - projection.source_mm
    down = (rows - projection.centre_px[0]) * projection.mm_per_px_row
    right = (cols - projection.centre_px[1]) * projection.mm_per_px_col
    square = (
        foot @ foot + down**2 + right**2 + 2.0 * (down * (foot @ projection.down) + right * (foot @ projection.right))
    )
    length: Float64 = np.sqrt(square)
    return length


def _fill(
    px: Float64, depth: Float64, faces: NDArray[np.intp], shape: tuple[int, int]
) -> tuple[Float64, Float64, Float64]:
    """Number of entries, sum of entry depths and sum of leaving depths on a grid of `shape`."""
    rows, cols = shape
    r, c, t = px[faces, 0], px[faces, 1], depth[faces]
    dr1, dr2 = r[:, 1] - r[:, 0], r[:, 2] - r[:, 0]
    dc1, dc2 = c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]
    area = dc1 * dr2 - dc2 * dr1
    keep = np.abs(area) > 1e-9  # seen edge-on: no pixel centre lies in it
    r, c, t, area = r[keep], c[keep], t[keep], area[keep]
    slope = ((t[:, 1] - t[:, 0]) * dr2[keep] - (t[:, 2] - t[:, 0]) * dr1[keep]) / area  # of depth along a row
    # Row 0 is the top: outward faces that look at the source have one sign of area, the others the other.
    front = area > 0.0
    grids = []
    for side in (front, ~front):
        grids.append(_edges(r[side], c[side], t[side], slope[side], rows, cols))
    (times, enter), (_, leave) = grids
    return times, enter, -leave


def _edges(r: Float64, c: Float64, t: Float64, slope: Float64, rows: int, cols: int) -> tuple[Float64, Float64]:
    """Count and depth that triangles (F, 3 corners) of one orientation lay on a grid."""
    nxt = [1, 2, 0]
    r0, r1 = r.ravel(), r[:, nxt].ravel()
    c0, c1 = c.ravel(), c[:, nxt].ravel()
    t0, t1 = t.ravel(), t[:, nxt].ravel()
    slope = np.repeat(slope, 3)
    first = np.clip(np.ceil(np.minimum(r0, r1)), 0, rows).astype(np.intp)
    last = np.clip(np.ceil(np.maximum(r0, r1)), 0, rows).astype(np.intp)
    count = last - first
    edge = np.repeat(np.arange(count.size), count)
    row = np.arange(edge.size) - np.repeat(np.cumsum(count) - count, count) + first[edge]
    # From the upper end in both directions, so that an edge shared by two triangles is met at the very same column.
    down = r1 > r0
    ra, ca, ta = np.where(down, r0, r1), np.where(down, c0, c1), np.where(down, t0, t1)
    rb, cb, tb = np.where(down, r1, r0), np.where(down, c1, c0), np.where(down, t1, t0)
    share = (row - ra[edge]) / (rb - ra)[edge]
    col = ca[edge] + share * (cb - ca)[edge]
    met = ta[edge] + share * (tb - ta)[edge]
    sign = np.where(down, -1.0, 1.0)[edge]
    start = np.clip(np.ceil(col), 0, cols).astype(np.intp)
    keep = start < cols
    at = row[keep] * cols + start[keep]
    sign, b = sign[keep], slope[edge][keep]
    a = met[keep] - b * col[keep]
    size = rows * cols
    ones: Float64 = np.cumsum(np.bincount(at, sign, size).reshape(rows, cols), axis=1)
    offset = np.cumsum(np.bincount(at, sign * a, size).reshape(rows, cols), axis=1)
    tilt = np.cumsum(np.bincount(at, sign * b, size).reshape(rows, cols), axis=1)
    return ones.astype(np.float64), offset + tilt * np.arange(cols)


def union_mm(crossings: list[Crossing]) -> Crossing:
    """Path through bodies that may overlap, counted once.

    Exact where a ray crosses each body once.
    """
    crossings = [one for one in crossings if one.length_mm.size]
    if not crossings:
        return _nothing()
    if len(crossings) == 1:
        return crossings[0]
    top, left = min(one.row for one in crossings), min(one.col for one in crossings)
    bottom, right = max(one.rows.stop for one in crossings), max(one.cols.stop for one in crossings)
    shape = (bottom - top, right - left)
    enter = np.full((len(crossings), *shape), np.inf)
    leave = np.full((len(crossings), *shape), -np.inf)
    length = np.zeros(shape)
    for k, one in enumerate(crossings):
        where = (slice(one.row - top, one.rows.stop - top), slice(one.col - left, one.cols.stop - left))
        hit = one.length_mm > 0.0
        enter[k][where] = np.where(hit, one.enter_mm, np.inf)
        leave[k][where] = np.where(hit, one.leave_mm, -np.inf)
        length[where] += one.length_mm
    order = np.argsort(enter, axis=0)
    enter, leave = np.take_along_axis(enter, order, 0), np.take_along_axis(leave, order, 0)
    reached = leave[0].copy()
    for k in range(1, len(crossings)):
        with np.errstate(invalid="ignore"):  # inf - inf where a ray meets nothing
            twice = np.minimum(reached, leave[k]) - enter[k]
        length -= np.where(twice > 0.0, twice, 0.0)
        np.maximum(reached, leave[k], out=reached)
    hit = length > 0.0
    first = np.where(hit, enter[0], 0.0)
    return Crossing(top, left, np.maximum(length, 0.0), first, np.where(hit, reached, 0.0))


def overlap_mm(one: Crossing, other: Crossing) -> Crossing:
    """Path inside both bodies; exact where a ray crosses each of them once."""
    top, left = max(one.row, other.row), max(one.col, other.col)
    bottom, right = min(one.rows.stop, other.rows.stop), min(one.cols.stop, other.cols.stop)
    if bottom <= top or right <= left:
        return _nothing()

    def part(crossing: Crossing, values: Float64) -> Float64:
        return values[top - crossing.row : bottom - crossing.row, left - crossing.col : right - crossing.col]

    enter = np.maximum(part(one, one.enter_mm), part(other, other.enter_mm))
    leave = np.minimum(part(one, one.leave_mm), part(other, other.leave_mm))
    both = (part(one, one.length_mm) > 0.0) & (part(other, other.length_mm) > 0.0)
    length = np.where(both, np.maximum(leave - enter, 0.0), 0.0)
    return Crossing(top, left, length, enter, leave)


def finer(path: Float32, factor: int, shape: tuple[int, int]) -> Float32:
    """An image of the pixels of `Projection.coarser(factor)` on the film's own, which are `shape`."""
    rows, cols = path.shape
    large = np.asarray(cv2.resize(path, (cols * factor, rows * factor), interpolation=cv2.INTER_LINEAR), np.float32)
    return large[: shape[0], : shape[1]]
