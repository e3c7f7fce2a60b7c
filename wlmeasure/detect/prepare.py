"""A film as the network is given it: greys by the film's own percentiles, at the network's pixel size, mean 0 and SD 1."""

from __future__ import annotations

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.detect.channels import SIDE_MULTIPLE, WORKING_PITCH_MM
from wlmeasure.image.radiograph import Radiograph

__all__ = ["Given", "normalised", "prepared", "scaled_greys"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

PERCENTILES = (0.2, 99.8)
GREY_LIMITS = (-0.1, 1.3)
"""Greys beyond the percentiles are kept so far; our parameters, and the training's."""
LONG_SIDE_PX = 448
"""Longest side, pixels, of a film whose pixel size nobody knows: 36 mm at the working pitch, between the usual sensors."""
SIDES_PX = (256, 640)
"""Least and most of the longest side: what was trained on, and what a claim of the file that is wrong may ask for."""


def scaled_greys(density: NDArray[np.floating]) -> Float32:
    """Greys of a film, metal bright, from 0 to 1 between its own percentiles; an even picture is 0."""
    low, high = (float(v) for v in np.percentile(density, PERCENTILES))
    grey = (density.astype(np.float32) - np.float32(low)) / np.float32(max(high - low, 1e-6))
    return np.asarray(np.clip(grey, np.float32(GREY_LIMITS[0]), np.float32(GREY_LIMITS[1])), np.float32)


def normalised(greys: NDArray[np.floating]) -> Float32:
    """Greys of mean 0 and standard deviation 1."""
    away = greys.astype(np.float32) - np.float32(greys.mean())
    return np.asarray(away / np.float32(away.std() + 1e-3), np.float32)


@frozen(eq=False)
class Given:
    """What the network is given of a film.

    Attributes
    ----------
    greys : (rows, cols) float32
        Mean 0, standard deviation 1 over the film; both sides multiples of 32, below and right of the film 0.
    inside : (2,) int
        Rows and columns of it that are film.
    scale : (2,) float64
        Film pixels a pixel of the network, along rows and columns.
    """

    greys: Float32
    inside: tuple[int, int]
    scale: Float64

    def to_film(self, points: NDArray[np.floating]) -> Float64:
        """Points (N, 2) of the network's picture in pixels of the film."""
        return np.asarray((np.asarray(points, np.float64) + 0.5) * self.scale - 0.5)

    def from_film(self, points: NDArray[np.floating]) -> Float64:
        """Points (N, 2) of the film in pixels of the network's picture."""
        return np.asarray((np.asarray(points, np.float64) + 0.5) / self.scale - 0.5)


def prepared(radiograph: Radiograph, mm_per_px: tuple[float, float] | None = None) -> Given:
    """A film as the network is given it.

    Parameters
    ----------
    radiograph
        The film; what is masked is continued smoothly, as for every tracer.
    mm_per_px
        Rough pixel size (row, col). Without it the longest side is made `LONG_SIDE_PX` long.
    """
    greys = scaled_greys(radiograph.density())
    ratio = radiograph.col_over_row if mm_per_px is None else mm_per_px[1] / mm_per_px[0]
    size = np.array([greys.shape[0], greys.shape[1] * ratio])  # in row spacings
    longest = float(LONG_SIDE_PX)
    if mm_per_px is not None:
        longest = float(np.clip(size.max() * mm_per_px[0] / WORKING_PITCH_MM, *SIDES_PX))
    wanted = np.maximum(np.rint(size * (longest / size.max())).astype(int), 1)
    shape = int(wanted[0]), int(wanted[1])
    # Averaged where pixels grow larger, interpolated where they grow smaller.
    way = cv2.INTER_AREA if shape[0] <= greys.shape[0] else cv2.INTER_LINEAR
    small = normalised(np.asarray(cv2.resize(greys, shape[::-1], interpolation=way), np.float32))
    padded = [-(-n // SIDE_MULTIPLE) * SIDE_MULTIPLE for n in shape]
    whole = np.zeros(padded, np.float32)
    whole[: shape[0], : shape[1]] = small
    return Given(whole, shape, np.array(greys.shape, np.float64) / shape)
