"""The path under the cursor: one search when an anchor is set, then each move of the cursor is a walk back.

A preview only. It is not fitted and 3 to 6 % too long, so it is never measured; the accepted clicks are traced anew.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.evidence import FilmMaps, Known, canal_gain, map_cost
from wlmeasure.trace.path import PathTree
from wlmeasure.trace.ridge import CELL_MM, Candidate, LineKind, line_candidates, line_cost, working_grid

__all__ = ["LivePath"]

Float64 = NDArray[np.float64]

REACH_MM = 25.0  # around the anchor: longer than any canal from its orifice
FIRST_SHARE = (
    0.2  # of the region, the cheapest to come to: holds the line that the cursor follows; the rest when it is needed
)
MOST_CELLS = 60_000  # a larger region is searched on a coarser grid: the cursor does not wait for a large film


class LivePath:
    """Paths from one anchor to anywhere in reach of it.

    Parameters
    ----------
    radiograph
        The film.
    anchor_px : (row, col)
        Where the paths begin.
    kind
        ``canal`` or ``file``.
    mm_per_px
        Rough pixel size (row, col); sizes the filters and the reach.
    reach_mm
        Half the side of the region that is searched.
    files : of (N, 2)
        Paths of files traced on the film: from an anchor on one the path runs along it.
    maps
        What maps of the film say of canals, where they are at hand.
    """

    def __init__(
        self,
        radiograph: Radiograph,
        anchor_px: tuple[float, float],
        kind: LineKind,
        mm_per_px: tuple[float, float],
        *,
        reach_mm: float = REACH_MM,
        files: Sequence[Float64] = (),
        maps: FilmMaps | None = None,
    ) -> None:
        anchor = np.array([anchor_px], np.float64)
        # The region is cut out before it is made float: a large film would cost more than the search.
        reach = np.ceil(reach_mm / np.array(mm_per_px)).astype(int)
        low = np.maximum(np.floor(anchor[0]).astype(int) - reach, 0)
        high = np.minimum(np.floor(anchor[0]).astype(int) + reach + 1, radiograph.values.shape)
        cells = float(np.prod(high - low)) * mm_per_px[0] * mm_per_px[1] / CELL_MM**2
        coarser = max(1.0, (cells / MOST_CELLS) ** 0.5)
        # Pixels far smaller than the coarser cells are skipped rather than averaged: this is a preview.
        self._skip = 2 if coarser > 1.0 and max(mm_per_px) < 0.25 * CELL_MM * coarser else 1
        # Where something is masked, its edges must not be found; filling it takes the whole film.
        film: NDArray[np.generic] = radiograph.values
        metal_bright = radiograph.bright_is_dense
        if radiograph.masked is not None:
            film, metal_bright = radiograph.density(), True
        region = film[low[0] : high[0] : self._skip, low[1] : high[1] : self._skip].astype(np.float32)
        self._origin = low.astype(np.float64)
        self._grid = working_grid(
            region if metal_bright else -region,
            self._inside(anchor),
            (self._skip * mm_per_px[0], self._skip * mm_per_px[1]),
            margin_mm=2.0 * reach_mm,
            cell_mm=CELL_MM * coarser,
        )
        self._anchor = anchor[0]
        self._cell = self._cells(anchor)[0]
        files = [self._inside(np.asarray(file, np.float64)) for file in files]
        self._candidates = line_candidates(self._grid, kind, self._inside(anchor), files)
        self._gain: NDArray[np.float32] | None = None
        if maps is not None and kind == "canal" and not self._candidates[0].follows_file:
            cell = self._grid.cell_px[0] * self._skip, self._grid.cell_px[1] * self._skip
            corner = (np.array(self._grid.origin_px) - 0.5) * self._skip + self._origin + 0.5
            on_film = evolve(self._grid, origin_px=(float(corner[0]), float(corner[1])), cell_px=cell)
            self._gain = canal_gain(on_film, maps, Known())[0]
            self._candidates = [evolve(self._candidates[-1], least=0.0)]
        self._trees: list[PathTree] = []

    def _inside(self, points_px: Float64) -> Float64:
        """Film pixels to pixels of the region that is searched."""
        return np.asarray((points_px - self._origin) / self._skip, np.float64)

    def _cells(self, points_px: Float64) -> list[tuple[int, int]]:
        return [(int(r), int(c)) for r, c in self._grid.nearest_cells(self._inside(points_px))]

    def _cost(self, candidate: Candidate) -> Float64:
        return line_cost(candidate.strength) if self._gain is None else map_cost(self._gain)

    def path_to(self, cursor_px: tuple[float, float]) -> Float64:
        """(N, 2) points (row, col) from the anchor to the cursor; a cursor out of reach is taken to the edge of the region."""
        cursor = np.array(cursor_px, np.float64)
        (end,) = self._cells(cursor[None])
        for k, candidate in enumerate(self._candidates):
            if len(self._trees) == k:
                self._trees.append(PathTree(self._cost(candidate), self._cell, share=FIRST_SHARE))
            if not self._trees[k].reaches(end):
                self._trees[k] = PathTree(self._cost(candidate), self._cell)
            cells = self._trees[k].path_to(end)
            if float(candidate.strength[tuple(cells.T)].mean()) >= candidate.least:
                break
        line = np.asarray(self._grid.to_px(cells) * self._skip + self._origin, np.float64)
        line[0] = self._anchor
        if np.abs(line[-1] - cursor).max() <= 2.0 * self._skip * max(self._grid.cell_px):
            line[-1] = cursor
        return line
