"""The film straightened along a line: normals of the line, values between the pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["line_normals", "sample_image"]

Float64 = NDArray[np.float64]


def line_normals(line: Float64) -> Float64:
    """Unit normals of a densely sampled line: (N, 2)."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def sample_image(image: NDArray[np.float32], at: Float64) -> Float64:
    """Values between the pixels of `image` at places (..., 2), (row, col); beyond its border those of the border."""
    values = cv2.remap(
        image,
        at[..., 1].astype(np.float32),
        at[..., 0].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values, np.float64)
