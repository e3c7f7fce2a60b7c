"""Pictures of anything but teeth, so that the network learns to say so."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.detect.prepare import scaled_greys

__all__ = ["photograph"]

Float32 = NDArray[np.float32]


def photograph(rng: np.random.Generator) -> Float32:
    """Soft and hard shapes of any grey: nothing that X-rays make."""
    shape = (int(rng.integers(320, 600)), int(rng.integers(320, 520)))
    coarse = rng.random((int(rng.integers(3, 9)), int(rng.integers(3, 9))), dtype=np.float32)
    picture = np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    for _ in range(int(rng.integers(4, 26))):
        at = int(rng.integers(shape[1])), int(rng.integers(shape[0]))
        axes = int(rng.integers(6, 160)), int(rng.integers(6, 160))
        grey = float(rng.random())
        if rng.random() < 0.5:
            cv2.ellipse(picture, at, axes, float(rng.uniform(0, 180)), 0, 360, grey, -1, cv2.LINE_AA)
        else:
            corners = np.array(at) + rng.integers(-120, 120, (4, 2))
            cv2.fillConvexPoly(picture, cv2.convexHull(corners.astype(np.int32)), grey, cv2.LINE_AA)
    noise = rng.standard_normal(shape, dtype=np.float32) * np.float32(rng.uniform(0.0, 0.05))
    return scaled_greys(cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.5, 2.5))) + noise)
