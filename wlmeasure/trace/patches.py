"""Patches of edges matched between two grids that nearly lie on each other: how far each is off, and in which direction."""

from __future__ import annotations

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.trace.edges import Float32

__all__ = ["Matches", "match_patches"]

Float64 = NDArray[np.float64]

LEAST_EDGES = 0.08
"""Mean square of the edges in a patch below which it shows nothing to match; an edge that stands out has 0.5; our parameter."""


@frozen(eq=False)
class Matches:
    """Matched patches.

    Attributes
    ----------
    at : (N, 2)
        Centres on grid A, steps.
    off : (N, 2)
        Where on the other grid the same is found, less the centre, steps.
    certainty : (N, 2, 2)
        Curvature of the correlation about its best place, 1/steps²: large across an edge, near 0 along it.
    correlation : (N,)
        Of the patch at its best place, at most 1.
    weight : (N,)
        Mean square of the edges in it.
    """

    at: Float64
    off: Float64
    certainty: Float64
    correlation: Float64
    weight: Float64


def match_patches(a: Float32, b: Float32, reach: int, patch: float, apart: int) -> Matches:
    """Match patches of edges `a` (rows, cols, 2) with edges `b` of the same shape, up to `reach` steps away.

    Parameters
    ----------
    a, b
        Edges as :func:`~wlmeasure.trace.edges.edges_of` gives them.
    reach
        Steps that a patch may be off, either way.
    patch
        Standard deviation of its bell-shaped window, steps.
    apart
        Steps between the centres of neighbouring patches.
    """
    block = max(1, apart // 2)
    rows, cols = (n // block * block for n in a.shape[:2])
    a = a[:rows, :cols]
    small = (cols // block, rows // block)
    centres = np.mgrid[0 : small[1] : 2, 0 : small[0] : 2].reshape(2, -1)

    def over(image: Float32) -> Float64:
        # Means of blocks, then the bell over the blocks: a bell over the whole grid costs twenty times as much.
        means = cv2.GaussianBlur(cv2.resize(image, small, interpolation=cv2.INTER_AREA), (0, 0), patch / block)
        return np.asarray(means[centres[0], centres[1]], np.float64)

    energy = over((a * a).sum(axis=-1))
    padded = cv2.copyMakeBorder(b[:rows, :cols], reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=(0.0, 0.0))
    power = (padded * padded).sum(axis=-1)
    width = 2 * reach + 1
    volume = np.empty((width, width, centres.shape[1]))
    for i in range(width):
        for j in range(width):
            part = padded[i : i + rows, j : j + cols]
            dot = over((a * part).sum(axis=-1))
            other = over(power[i : i + rows, j : j + cols])
            volume[i, j] = dot / np.sqrt(np.maximum(energy * np.maximum(other, 0.25 * LEAST_EDGES), 1e-12))
    flat = volume.reshape(width * width, -1)
    best = np.argmax(flat, axis=0)
    row, col = best // width, best % width
    # A place at the border of the reach is no maximum.
    kept = (energy > LEAST_EDGES) & (row > 0) & (row < width - 1) & (col > 0) & (col < width - 1)
    n = np.flatnonzero(kept)
    row, col = row[n], col[n]

    def value(dr: int, dc: int) -> Float64:
        found: Float64 = volume[row + dr, col + dc, n]
        return found

    middle = value(0, 0)
    slope = np.stack([(value(1, 0) - value(-1, 0)) / 2.0, (value(0, 1) - value(0, -1)) / 2.0], axis=-1)
    rr = 2.0 * middle - value(1, 0) - value(-1, 0)
    cc = 2.0 * middle - value(0, 1) - value(0, -1)
    rc = -(value(1, 1) + value(-1, -1) - value(1, -1) - value(-1, 1)) / 4.0
    certainty = np.stack([np.stack([rr, rc], axis=-1), np.stack([rc, cc], axis=-1)], axis=-2)
    # Along an edge the correlation hardly bends: nothing may be concluded from where it is largest.
    values, vectors = np.linalg.eigh(certainty)
    values = np.maximum(values, 0.0)
    strongest = values[:, 1:2]
    held = np.where(values > 0.1 * strongest, values, 0.0)
    certainty = np.einsum("nij,nj,nkj->nik", vectors, held, vectors)
    along = np.einsum("nji,nj->ni", vectors, slope)
    step = np.where(held > 0.0, along / np.maximum(held, 1e-9), 0.0)
    fine = np.einsum("nij,nj->ni", vectors, np.clip(step, -0.75, 0.75))
    off = np.column_stack([row, col]) - reach + fine
    at = centres.T[n] * float(block) + (block - 1) / 2.0
    return Matches(at, off, certainty, middle, energy[n])
