"""A film as the network is given it: greys by the film's own percentiles, at the network's pixel size, mean 0 and SD 1."""

from __future__ import annotations

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.detect.channels import SIDE_MULTIPLE, WORKING_PITCH_MM
from wlmeasure.image.radiograph import Radiograph

__all__ = ["FIGURES", "Given", "film_figures", "prepared", "scaled_greys"]

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


FIGURES = ("texture", "finest", "fine", "medium", "noise", "grey", "black")
"""What `film_figures` gives, in order."""


def film_figures(greys: Float32) -> tuple[float, ...]:
    """Figures of a film by which it is told whether it is like those that were trained on; greys about 0 to 1.

    Middle of the local SD of the difference of Gaussians of 1 and 4 pixels in windows of 15; shares of the whole SD in the
    bands below 1, 1 to 2 and 2 to 4 pixels; noise by the middle of the finest diagonal differences; the middle grey; the
    share of black.
    """
    blurs = [greys, *(cv2.GaussianBlur(greys, (0, 0), sigma) for sigma in (1.0, 2.0, 4.0))]
    whole = max(float(greys.std()), 1e-6)
    bands = [float((blurs[k] - blurs[k + 1]).std()) / whole for k in range(3)]
    band = blurs[1] - blurs[3]
    mean, square = cv2.blur(band, (15, 15)), cv2.blur(band * band, (15, 15))
    texture = _middle(np.sqrt(np.maximum(square - mean * mean, 0.0)))
    diagonal = 0.5 * (greys[:-1, :-1] - greys[1:, :-1] - greys[:-1, 1:] + greys[1:, 1:])
    noise = _middle(np.abs(diagonal)) / 0.6745
    return (texture, *bands, noise, _middle(greys), float((greys <= 0.0).mean()))


def _middle(values: NDArray[np.floating]) -> float:
    flat = values.ravel()
    return float(np.partition(flat, flat.size // 2)[flat.size // 2])


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
    figures
        `FIGURES` of the film; empty where they were not asked for.
    """

    greys: Float32
    inside: tuple[int, int]
    scale: Float64
    figures: tuple[float, ...] = ()

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
    small = np.asarray(cv2.resize(greys, shape[::-1], interpolation=way), np.float32)
    padded = [-(-n // SIDE_MULTIPLE) * SIDE_MULTIPLE for n in shape]
    whole = np.zeros(padded, np.float32)
    whole[: shape[0], : shape[1]] = (small - small.mean()) / (small.std() + np.float32(1e-3))
    return Given(whole, shape, np.array(greys.shape, np.float64) / shape, film_figures(small))
