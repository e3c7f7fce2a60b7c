"""Where a file's known length begins when its stop does not show: at the foot of the marked reference point on the shaft.

A stop is a disc about the shaft, and its face towards the tip rests on the reference edge or cusp beside the shaft. So the
known length does not begin at the edge or the cusp's tip, but where the perpendicular from it meets the shaft.

The point is never looked for: an edge may lie under a clamp, a cusp may be broken, and only a person knows what the stop
rested on.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError, check_positive
from wlmeasure.points import as_points, polyline_feet
from wlmeasure.trace.spline import arc_length

__all__ = ["ReferenceFoot", "reference_foot"]

Float64 = NDArray[np.float64]

STRAIGHT_SHARE = 0.1  # our parameter: above its first point a shaft goes on as the first tenth of its path runs
LEAST_SHARE = 0.2  # our parameter: a foot that leaves less of the path than this is none of a stop's


@frozen(eq=False)
class ReferenceFoot:
    """The shaft from the reference point's foot to the tip.

    Attributes
    ----------
    path_px : (N, 2) float64
        (row, col), from the foot to the tip.
    beside_px
        Distance of the reference point from its foot, row-pixel units.
    ahead_px
        How far the foot lies ahead of the first point of the path, on the shaft drawn straight on, row-pixel units; else 0.
    """

    path_px: Float64
    beside_px: float
    ahead_px: float

    @property
    def foot_px(self) -> Float64:
        """Where the known length begins, (row, col)."""
        return np.asarray(self.path_px[0], np.float64)


def reference_foot(path_px: object, reference_px: object, *, col_over_row: float = 1.0) -> ReferenceFoot:
    """The part of a file's shaft below the foot of the perpendicular from its reference point.

    Parameters
    ----------
    path_px : (N, 2)
        (row, col) along the shaft, its last point the tip.
    reference_px : (2,)
        The edge or cusp that the stop rested on, (row, col).
    col_over_row
        Column spacing over row spacing: perpendicular holds in the patient, not in pixels.

    Raises
    ------
    TraceError
        Points that are none, a path of no length, or a reference point beside the last fifth of the path or beyond the tip.
    """
    ratio = check_positive(TraceError, "col_over_row", col_over_row)
    pixel = np.array([1.0, ratio])
    path = as_points(TraceError, "path_px", path_px, least=2) * pixel
    reference = as_points(TraceError, "reference_px", [reference_px])[0] * pixel
    along = arc_length(path)
    total = float(along[-1])
    if total <= 0.0:
        raise TraceError("path_px must not be one point: click the shaft and the tip")
    feet = polyline_feet(reference, path)
    at = float(feet.along[0])
    if at <= STRAIGHT_SHARE * total:  # traced points are close, and the first pair of them points anywhere
        start = np.array([np.interp(STRAIGHT_SHARE * total, along, axis) for axis in path.T]) - path[0]
        start /= np.hypot(*start)
        run = float((reference - path[0]) @ start)
        if run < 0.0:
            foot = path[0] + run * start
            beside = float(np.hypot(*(reference - foot)))
            return ReferenceFoot(np.vstack([foot, path]) / pixel, beside, -run)
    if at > (1.0 - LEAST_SHARE) * total:
        raise TraceError(
            "reference_px must lie beside the upper part of the file's shaft: its foot is at the tip; mark the edge or cusp "
            "at the crown that the stop rested on, and click the file from its upper end to the tip"
        )
    foot = np.array([np.interp(at, along, axis) for axis in path.T])
    return ReferenceFoot(np.vstack([foot, path[along > at]]) / pixel, float(feet.apart[0]), 0.0)
