"""What maps of a film say of where a canal runs, as it is added to what is seen on the film itself.

Maps come from whoever has them (`detect` makes them with a network); nothing here knows how. They are shares between 0 and 1 on
pixels of their own: of the middle line of canals, of the border of roots, of dentine, of files. What they say of a place is a
log-likelihood ratio a millimetre of path: how much more often a canal's middle shows such shares than a place beside it does.
The canal's map is a bell across the line, so that its logarithm tells the middle from a place 0.1 mm beside it.

What is known to be something else takes away from it: along another canal's path, or another canal's file, the map has its
line from that one (it is explained by it), unless the two meet at their end.
"""

from __future__ import annotations

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.points import frozen_array
from wlmeasure.trace.ridge import WorkingGrid
from wlmeasure.trace.spline import arc_length, even_line
from wlmeasure.trace.strip import line_normals

__all__ = ["FilmMaps", "Known", "canal_gain", "line_beside", "map_cost", "map_on"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

# Fitted to the shares along the true line and 0.25 to 1.5 mm beside it, on whole-tooth phantoms (seeds 910000000 to 910000039
# of levels "typical" and "real"); what counts is the slope on the canal's share, the rest is small beside it.
LEAST_SHARE = 0.02
USUAL_SHARE = 0.15  # as likely on a canal as beside it
PER_MM = 3.0
BORDER, OUTSIDE, EXPLAINS = 4.0, 4.0, 1.0
BELL_MM = 0.13  # of a line on the maps (`detect.channels.SPREAD_PX`)
EXPLAINED_MM = 0.2  # and of what another line takes away of them, since maps are wider where they are less sure
BESIDE_OTHER = 3.0  # a mm on another canal's path
ON_OWN = 8.0  # a mm on the file that lies in the canal
# How far aside of a click a line on the map is looked for, what lies on the click, and below which share of the line's own the
# clicks' mean says that it is another canal's line.
ASIDE_MM, ON_CLICK_MM, ON_CLICK_SHARE, LINE_SEEN = 0.8, 0.1, 0.65, 0.25
COST_STEEPNESS = 0.5
METAL_MM = 0.3  # so near a known file of another canal what is seen on the film is the file


@frozen(eq=False)
class FilmMaps:
    """Maps of one film, for the tracer.

    Attributes
    ----------
    canal, outline, root, file : (rows, cols) float32
        Shares from 0 to 1 of canals' middle lines, of the border of roots, of dentine, of files.
    scale : (2,)
        Film pixels a pixel of the maps, along rows and columns.
    model
        Name and hash of what made them: it is written beside a path that was traced with them.
    """

    canal: Float32
    outline: Float32
    root: Float32
    file: Float32
    scale: Float64 = field(converter=frozen_array)
    model: str


@frozen(eq=False)
class Known:
    """Lines (N, 2) in image pixels that are known.

    `own` files lie in the canal; `files` of other canals and other `canals` do not.
    `unsaid` are files of which nobody has said in which canal they lie: they neither draw nor repel.
    """

    own: tuple[Float64, ...] = ()
    files: tuple[Float64, ...] = ()
    canals: tuple[Float64, ...] = ()
    unsaid: tuple[Float64, ...] = ()


def map_on(grid: WorkingGrid, share: Float32, scale: Float64) -> Float32:
    """(M, N) a map on the cells of a grid."""
    rows, cols = grid.values.shape
    # A cell's place on the maps is linear in its number.
    step = np.array(grid.cell_px) / scale
    start = (0.5 * np.array(grid.cell_px) + grid.origin_px) / scale - 0.5
    matrix = np.array([[step[1], 0.0, start[1]], [0.0, step[0], start[0]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(share, matrix, (cols, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def canal_gain(grid: WorkingGrid, maps: FilmMaps, known: Known) -> tuple[Float32, Float32]:
    """What running through a cell along a canal adds to a score a mm, and how much what is seen on the film counts there.

    Returns
    -------
    gain, film : (M, N) float32
        In the units of `route`; from 0 to 1.
    """
    canal, outline, root, file = (
        map_on(grid, share, maps.scale) for share in (maps.canal, maps.outline, maps.root, maps.file)
    )
    film = (1.0 - np.clip(file, 0.0, 1.0)) * (1.0 - EXPLAINS * np.clip(outline - canal, 0.0, 1.0))
    beside = np.zeros_like(canal)
    if known.canals or known.files:
        away = _away_mm(grid, known.canals + known.files)
        beside = np.exp(-0.5 * (away / EXPLAINED_MM) ** 2).astype(np.float32)
        canal = np.maximum(canal - beside, 0.0)
    metal = known.own + known.files + known.unsaid
    if metal:
        film = np.where(_away_mm(grid, metal) < METAL_MM, np.float32(0.0), film)
    gain = PER_MM * np.log((canal + LEAST_SHARE) / (USUAL_SHARE + LEAST_SHARE))
    gain -= BORDER * outline * (1.0 - canal) + OUTSIDE * (1.0 - root) + BESIDE_OTHER * beside
    if known.own:
        on = np.exp(-0.5 * (_away_mm(grid, known.own) / BELL_MM) ** 2).astype(np.float32)
        gain = gain + ON_OWN * on
    return np.asarray(gain, np.float32), np.asarray(film, np.float32)


def map_cost(gain: Float32) -> Float64:
    """What crossing a cell costs the cheapest path over cells, from what it adds to a score."""
    return np.asarray(np.exp(-COST_STEEPNESS * gain.astype(np.float64)), np.float64)


def line_beside(grid: WorkingGrid, maps: FilmMaps, clicks_px: Float64) -> Float64 | None:
    """Where a line on the canals' map passes the clicks (K, 2), if it cannot be the clicked one's; else None.

    The map is looked at square to the clicks' curve, since along it the line may end before the click does. A click lies on its
    canal to within a tenth of a millimetre or two, and all of them together do not lie beside it.
    """
    share = map_on(grid, maps.canal, maps.scale)
    at = grid.to_cells(clicks_px)
    normals = line_normals(even_line(at, 200))
    along = arc_length(at)
    across = np.arange(-ASIDE_MM, ASIDE_MM + 1e-6, 0.05)
    places, ratios = at.copy(), []
    for k, (point, s) in enumerate(zip(at, along, strict=True)):
        normal = normals[min(round(199 * s / along[-1]), 199)]
        square = point + across[:, None] / grid.cell_mm * normal
        rows, cols = square.astype(np.float32).T[:, None]
        seen = cv2.remap(share, cols, rows, cv2.INTER_LINEAR)[0]
        top = int(seen.argmax())
        if float(seen[top]) >= LINE_SEEN:
            ratios.append(float(seen[np.abs(across) <= ON_CLICK_MM + 1e-6].max() / seen[top]))
            places[k] = square[top]
    if not ratios or sum(ratios) >= ON_CLICK_SHARE * len(ratios):
        return None
    return grid.to_px(places)


def _away_mm(grid: WorkingGrid, paths_px: tuple[Float64, ...]) -> Float32:
    """Distance of every cell from the nearest of some lines, mm."""
    free = np.full(grid.values.shape, 255, np.uint8)
    for path in paths_px:
        points = np.ascontiguousarray(np.rint(grid.to_cells(path)).astype(np.int32)[:, None, ::-1])
        cv2.polylines(free, [points], isClosed=False, color=0)
    if free.all():
        return np.full(grid.values.shape, np.inf, np.float32)
    return np.asarray(cv2.distanceTransform(free, cv2.DIST_L2, 5) * np.float32(grid.cell_mm), np.float32)
