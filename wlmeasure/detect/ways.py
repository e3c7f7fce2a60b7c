"""Points and lines on a map: peaks to a fraction of a pixel, and the best way along a line between two of them.

All lengths here are pixels of the maps. Only pixels where a line is seen at all are searched, so that a search costs what the
line is long, not what the film is large.
"""

from __future__ import annotations

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from wlmeasure.points import frozen_array

__all__ = ["Lines", "Peak", "Strand", "Way", "heading", "peaks"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

FAINT = 0.12
"""Share from which a pixel may belong to a line; our parameter."""
BRIDGED_PX = 5
"""A gap in a line up to so long is crossed; our parameter."""
FLOOR = 0.06
"""What a pixel without any line counts as, so that a bridge costs something; our parameter."""
WINDOW_PX = 12
"""About a millimetre: over it a way's weakest stretch and its sharpest turn are taken."""
MOST_PEAKS, MOST_STRANDS, MOST_BORDERS = 40, 24, 12
"""The surest points of a map, the longest strands and of each the surest places at the border that are taken up: films have a
third of them, noise has thousands. They bound what everything after costs."""
SNAP_PX = 5.0
SMOOTHED_PX = 2.5
BORDER_PX = 2


@frozen(eq=False)
class Peak:
    """A point that stands out on a map: place (row, col) and the map's value."""

    at: Float64 = field(converter=frozen_array)
    share: float


def peaks(share: Float32, least: float, *, apart_px: int = 4, most: int = MOST_PEAKS) -> list[Peak]:
    """The surest points of a map, the surest first, none nearer than `apart_px` to a surer one, at most `most` of them."""
    size = 2 * apart_px + 1
    top = cv2.dilate(share, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    cells = np.argwhere((share >= top) & (share >= least))
    order = np.argsort(-share[cells[:, 0], cells[:, 1]], kind="stable")
    kept: list[Peak] = []
    for row, col in cells[order]:
        peak = _fine(share, int(row), int(col))
        if all(np.hypot(*(peak.at - other.at)) >= apart_px for other in kept):
            kept.append(peak)
        if len(kept) == most:
            break
    return kept


def _fine(share: Float32, row: int, col: int) -> Peak:
    """The middle of a bell by a parabola through the logarithms beside its highest pixel, along rows and columns."""
    at = np.array([row, col], np.float64)
    for axis, size in enumerate(share.shape):
        k = (row, col)[axis]
        if not 0 < k < size - 1:
            continue
        line = share[:, col] if axis == 0 else share[row]
        low, middle, high = np.log(np.maximum(line[k - 1 : k + 2].astype(np.float64), 1e-6))
        bend = low - 2.0 * middle + high
        if bend < 0.0:
            at[axis] += float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5))
    return Peak(at, float(share[row, col]))


@frozen(eq=False)
class Way:
    """A line followed on a map.

    Attributes
    ----------
    points : (N, 2) float64
        From one end to the other, a point about every pixel.
    shares : (N,) float64
        The map along it.
    """

    points: Float64 = field(converter=frozen_array)
    shares: Float64 = field(converter=frozen_array)

    @property
    def length(self) -> float:
        """Pixels."""
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())

    @property
    def seen(self) -> float:
        """Mean of the map along it."""
        return float(self.shares.mean())

    @property
    def usual(self) -> float:
        """Middle value of the map along it."""
        return float(np.partition(self.shares, len(self.shares) // 2)[len(self.shares) // 2])

    @property
    def weakest(self) -> float:
        """Lowest mean over `WINDOW_PX`."""
        size = min(WINDOW_PX, len(self.shares))
        sums = np.convolve(self.shares, np.ones(size) / size, "valid")
        return float(sums.min())

    @property
    def sharpest(self) -> float:
        """Largest turn over `WINDOW_PX` to either side, radians."""
        step = min(WINDOW_PX, (len(self.points) - 1) // 2)
        if step < 2:
            return 0.0
        before = self.points[step:-step] - self.points[: -2 * step]
        after = self.points[2 * step :] - self.points[step:-step]
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn: float = np.abs(np.arctan2(cross, (before * after).sum(axis=1))).max()
        return float(turn)

    @property
    def faintest(self) -> float:
        """The tenth of the map along it that is lowest ends here."""
        return float(np.partition(self.shares, len(self.shares) // 10)[len(self.shares) // 10])

    @property
    def turning(self) -> float:
        """All turns together from one half `WINDOW_PX` to the next, radians."""
        steps = np.diff(self.points[:: WINDOW_PX // 2], axis=0)
        if len(steps) < 2:
            return 0.0
        cross = steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0]
        return float(np.abs(np.arctan2(cross, (steps[:-1] * steps[1:]).sum(axis=1))).sum())

    def reversed(self) -> Way:
        """The same from the other end."""
        return Way(self.points[::-1], self.shares[::-1])

    def trimmed(self, least: float, back_px: float) -> Way | None:
        """Without what lies below `least` at either end and `back_px` of a bell's own fading; None where nothing is left."""
        on = np.flatnonzero(self.shares >= least)
        if len(on) < 8:
            return None
        first = 0 if on[0] == 0 else int(on[0] + back_px)
        last = len(self.shares) - 1 if on[-1] == len(self.shares) - 1 else int(on[-1] - back_px)
        if last - first < 8:
            return None
        return Way(self.points[first : last + 1], self.shares[first : last + 1])

    def near(self, other: Float64, within_px: float) -> Mask:
        """Which of its points lie within `within_px` of points of another."""
        return np.asarray(_squares(self.points, other).min(axis=1) <= within_px**2)


def _squares(one: Float64, other: Float64) -> Float64:
    """Squared distances between all points of two lists, (N, M)."""
    middle = other.mean(axis=0)
    a, b = one - middle, other - middle
    return np.asarray((a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1)[None] - 2.0 * (a @ b.T))


def heading(points: Float64) -> Float64:
    """Unit vector from the first to the last point."""
    away = points[-1] - points[0]
    return np.asarray(away / max(float(np.hypot(*away)), 1e-9), np.float64)


class Strand:
    """A piece of a map's lines that hangs together, cut out of the map."""

    def __init__(self, share: Float32, mask: Mask, corner: tuple[int, int], keen: int = 1) -> None:
        self.share, self.mask, self.corner, self.keen = share, mask, np.array(corner), keen
        self._cost = np.where(mask, 1.0 / (share.astype(np.float64) ** keen + FLOOR**keen), -1.0)

    def holds(self, point: Float64) -> tuple[int, int] | None:
        """Its cell nearest to a point, within `SNAP_PX`; None where there is none."""
        at = np.rint(point - self.corner).astype(int)
        reach = int(SNAP_PX)
        top, left = max(at[0] - reach, 0), max(at[1] - reach, 0)
        near = np.argwhere(self.mask[top : max(at[0] + reach + 1, 0), left : max(at[1] + reach + 1, 0)])
        if not len(near):
            return None
        near += (top, left)
        gaps = np.hypot(*(near - (point - self.corner)).T)
        k = int(gaps.argmin())
        return (int(near[k, 0]), int(near[k, 1])) if gaps[k] <= SNAP_PX else None

    def without(self, ways: list[Way], within_px: float, keep: Float64, keep_px: float) -> Strand:
        """The same with what is covered by `ways` made faint, but for what is near the points `keep`."""
        covered = np.zeros(self.mask.shape, np.uint8)
        for way in ways:
            path = np.rint((way.points - self.corner)[:, ::-1]).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(covered, [path], False, 1, max(round(2 * within_px), 1))
        for row, col in np.rint(keep - self.corner).astype(int):
            cv2.circle(covered, (int(col), int(row)), round(keep_px), 0, -1)
        share = np.where(covered > 0, np.float32(0.02), self.share)
        return Strand(share, self.mask, (int(self.corner[0]), int(self.corner[1])), self.keen)

    def ways(self, start: tuple[int, int], ends: list[tuple[int, int]]) -> list[Way | None]:
        """The best way from a cell to each of others; None where there is none."""
        graph = MCP_Geometric(self._cost)
        costs, _ = graph.find_costs([start], ends or None)
        return [
            self._way(np.array(graph.traceback(end))) if np.isfinite(costs[end]) and end != start else None
            for end in ends
        ]

    def farthest(self, start: tuple[int, int], least: float) -> tuple[int, int]:
        """The cell, of those that reach `least`, to which the way from `start` is longest."""
        costs, _ = MCP_Geometric(np.where(self.mask, 1.0, -1.0)).find_costs([start])
        reach = np.where(np.isfinite(costs) & (self.share >= least), costs, -1.0)
        row, col = np.unravel_index(int(reach.argmax()), reach.shape)
        return int(row), int(col)

    def brightest(self) -> tuple[int, int]:
        """The cell where the line is surest."""
        row, col = np.unravel_index(int(np.where(self.mask, self.share, -1.0).argmax()), self.share.shape)
        return int(row), int(col)

    def _way(self, cells: NDArray[np.intp]) -> Way:
        shares = self.share[cells[:, 0], cells[:, 1]].astype(np.float64)
        points = cells + self.corner.astype(np.float64)
        if len(points) > 6:
            # Cells are stairs: smooth along the way, its ends kept.
            reach = int(3 * SMOOTHED_PX)
            kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / SMOOTHED_PX) ** 2)
            kernel /= kernel.sum()
            ahead = 2 * points[0] - points[1 : reach + 1][::-1]
            behind = 2 * points[-1] - points[-reach - 1 : -1][::-1]
            if len(ahead) == reach and len(behind) == reach:
                long = np.vstack([ahead, points, behind])
                points = np.column_stack([np.convolve(long[:, k], kernel, "valid") for k in (0, 1)])
        return Way(points, shares)


class Lines:
    """The lines of a map, as strands; `inside` are the rows and columns that are film.

    The keener, the less a way leaves its line for another one beside it: the map's power that is inverse to its cost.
    """

    def __init__(self, share: Float32, inside: tuple[int, int], *, least: float, keen: int = 1) -> None:
        seen = (share >= FAINT).astype(np.uint8)
        size = BRIDGED_PX
        joined = cv2.dilate(seen, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
        joined[inside[0] :], joined[:, inside[1] :] = 0, 0
        count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
        self.inside = inside
        self.strands: list[Strand] = []
        sums = np.bincount(labels.ravel(), share.ravel().astype(np.float64), count)
        for k in 1 + np.argsort(-sums[1:], kind="stable"):
            if len(self.strands) == MOST_STRANDS:
                break
            left, top, wide, tall, _ = (int(v) for v in stats[k])
            at = slice(top, top + tall), slice(left, left + wide)
            mask = labels[at] == k
            part = np.where(mask, share[at], np.float32(0.0))
            if float(part.max()) >= least:
                self.strands.append(Strand(part, mask, (top, left), keen))

    def border_cells(self, strand: Strand, least: float) -> list[Float64]:
        """Where a strand leaves the picture: one point for each run along the border."""
        rows, cols = self.inside
        top, left = strand.corner
        points: list[tuple[float, Float64]] = []
        at = np.argwhere(strand.mask & (strand.share >= least)) + strand.corner
        near = (at < BORDER_PX).any(axis=1) | (at[:, 0] >= rows - BORDER_PX) | (at[:, 1] >= cols - BORDER_PX)
        rim = np.zeros(strand.mask.shape, np.uint8)
        kept = at[near] - strand.corner
        rim[kept[:, 0], kept[:, 1]] = 1
        count, labels = cv2.connectedComponents(rim, connectivity=8)
        for k in range(1, count):
            cells = np.argwhere(labels == k)
            weight = strand.share[cells[:, 0], cells[:, 1]].astype(np.float64)
            middle = (cells * weight[:, None]).sum(axis=0) / weight.sum() + (top, left)
            points.append((float(weight.sum()), middle))
        return [at for _, at in sorted(points, key=lambda one: -one[0])[:MOST_BORDERS]]
