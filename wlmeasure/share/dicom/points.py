r"""Pixel coordinates to DICOM's and back: the only two functions that know the half pixel.

Ours are (row, col) with (0, 0) at the centre of the top-left pixel; a spatial coordinate (PS3.3 C.18.6.1.1) and a graphic in
pixels (C.10.5.1.2) are (column, row) with 0\0 at that pixel's top left corner.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["from_dicom", "to_dicom"]

Float64 = NDArray[np.float64]

CENTRE = 0.5  # from the corner of a pixel to its centre


def to_dicom(points_px: object) -> Float64:
    """(N, 2) pixel coordinates (row, col) as (column, row) from the corner of the first pixel."""
    return np.asarray(points_px, np.float64)[:, ::-1] + CENTRE


def from_dicom(data: object) -> Float64:
    """The flat list column, row, column, row ... of a file as (N, 2) pixel coordinates (row, col)."""
    return np.asarray(data, np.float64).reshape(-1, 2)[:, ::-1] - CENTRE
