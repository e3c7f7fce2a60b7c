"""The film straightened along a line: normals of the line, values between the pixels."""

from __future__ import annotations

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.trace.spline import arc_length

__all__ = ["Axis", "line_normals", "sample_image"]

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


@frozen(eq=False)
class Axis:
    """A line in mm that goes on straight beyond both of its ends."""

    points: Float64
    along: Float64
    heads: Float64  # unit vectors at its two ends, both pointing towards the tip

    @classmethod
    def through(cls, points: Float64) -> Axis:
        along = arc_length(points)
        reach = int(np.searchsorted(along, 0.6))
        heads = np.array([points[reach] - points[0], points[-1] - points[-1 - reach]])
        return cls(points, along, heads / np.hypot(heads[:, 0], heads[:, 1])[:, None])

    @property
    def length(self) -> float:
        return float(self.along[-1])

    def at(self, s: NDArray[np.floating]) -> tuple[Float64, Float64]:
        """Points and unit normals at distances along it: (N, 2) both."""
        inside = np.clip(s, 0.0, self.length)
        points = np.column_stack([np.interp(inside, self.along, self.points[:, k]) for k in (0, 1)])
        points += (
            np.minimum(s, 0.0)[:, None] * self.heads[0] + np.maximum(s - self.length, 0.0)[:, None] * self.heads[1]
        )
        ahead, behind = np.clip(s + 0.1, 0.0, self.length), np.clip(s - 0.1, 0.0, self.length)
        tangent = np.column_stack(
            [
                np.interp(ahead, self.along, self.points[:, k]) - np.interp(behind, self.along, self.points[:, k])
                for k in (0, 1)
            ]
        )
        tangent[s > self.length - 0.1] = self.heads[1]
        tangent[s < 0.1] = self.heads[0]
        tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
        return points, np.column_stack([-tangent[:, 1], tangent[:, 0]])
