"""How well a canal can be seen on a film, from the truth: contrast over what it stands in, point by point along it.

No detector and no tracer of ours is asked. The signal is read off the noise-free picture of the same exposure: the two flanks
beside the lumen against its middle. What it has to stand out from is the pattern along the flanks, finer than a millimetre, of
that picture, and the noise that the film itself has on top of it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SEEN_FROM", "contrast_to_noise"]

Float64 = NDArray[np.float64]
Float32 = NDArray[np.float32]

FLANK_MM = (0.15, 0.45)
"""The flanks lie so far outside the lumen's wall; our parameter, as the next ones."""
SIGNAL_MM, PATTERN_MM, WINDOW_MM = 0.5, 1.0, 2.0
"""Over how many mm (one SD) a line is seen as one, pattern is told from drift, and the level of both is taken."""
GREY_STEP = 1.0 / 255.0
"""Nothing finer than a step of grey of eight bits is seen, also where a film is saturated and has no noise."""
SEEN_FROM = 1.5
"""Contrast to noise from which a stretch counts as visible: judged by eye on films, not by what any detector finds."""


def contrast_to_noise(
    film: NDArray[np.floating],
    clean: NDArray[np.floating],
    path_px: ArrayLike,
    width_mm: ArrayLike,
    mm_per_px: tuple[float, float],
    film_area: NDArray[np.uint8] | None = None,
) -> Float64:
    """Contrast of a canal over pattern and noise at the points of its path; (N,), negative where it is no dark line.

    Parameters
    ----------
    film, clean : (rows, cols)
        The picture as it is and without its noise, on one scale of grey, metal bright.
    path_px : (N, 2)
        Points of the centre line, evenly spaced, (row, col); points outside the picture count 0.
    width_mm : (N,)
        Width of the lumen on the film, mm of `mm_per_px`.
    mm_per_px
        Distance of pixel centres between rows and columns, mm.
    film_area : (rows, cols)
        1 where the film is seen, 0 where a frame or the like lies: points there count 0.
    """
    path = np.asarray(path_px, np.float64)
    mm = np.array(mm_per_px)
    if len(path) < 3:
        return np.zeros(len(path))
    half = 0.5 * np.broadcast_to(np.asarray(width_mm, np.float64), (len(path),))
    along = np.gradient(path * mm, axis=0)
    step = max(float(np.median(np.linalg.norm(along, axis=1))), 1e-6)
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
    aside = along[:, ::-1] * (-1.0, 1.0)
    offs = np.linspace(*FLANK_MM, 4)[:, None] + half
    flanks = np.concatenate([offs, -offs])
    middle = np.linspace(-0.4, 0.4, 3)[:, None] * half
    seen = _read(clean, path, aside, np.concatenate([flanks, middle]), mm)
    left, right, inner = (part.mean(axis=0) for part in (seen[:4], seen[4:8], seen[8:]))
    signal = _smoothed(0.5 * (left + right) - inner, SIGNAL_MM / step)
    spread = np.zeros(len(path))
    for side in (left, right):
        fine = side - _smoothed(side, PATTERN_MM / step)
        spread += 0.5 * _smoothed(fine * fine, WINDOW_MM / step)
    # Noise is averaged over the same places that the signal is: both flanks less the middle.
    noise = _read(np.asarray(film, np.float32) - clean, path, aside, np.concatenate([flanks, middle]), mm)
    off = noise[:8].mean(axis=0) - noise[8:].mean(axis=0)
    spread += _smoothed(off * off, WINDOW_MM / step)
    ratio = signal / np.sqrt(spread + GREY_STEP**2)
    inside = ((path >= 0.0) & (path <= np.array(clean.shape) - 1.0)).all(axis=1)
    if film_area is not None:
        row, col = np.clip(np.rint(path).astype(np.intp), 0, np.array(clean.shape) - 1).T
        inside &= film_area[row, col] > 0
    result: Float64 = np.where(inside, ratio, 0.0)
    return result


def _read(
    picture: NDArray[np.floating], path: Float64, aside: Float64, off_mm: Float64, mm: NDArray[np.float64]
) -> Float64:
    """Values (K, N) at distances `off_mm` (K, N) to the side of the points (N, 2)."""
    at = path + off_mm[..., None] * aside / mm
    col, row = (np.ascontiguousarray(at[..., k], np.float32) for k in (1, 0))
    read = cv2.remap(np.asarray(picture, np.float32), col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read, np.float64)


def _smoothed(values: Float64, sigma: float) -> Float64:
    """A row of values smoothed by a Gaussian, mirrored at its ends."""
    row = np.ascontiguousarray(values[None])
    smooth = cv2.GaussianBlur(row, (0, 0), sigmaX=max(sigma, 1e-3), sigmaY=1e-3, borderType=cv2.BORDER_REFLECT)
    result: Float64 = np.asarray(smooth, np.float64)[0]
    return result
