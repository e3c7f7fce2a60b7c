"""From lines on maps to paths and ends on the film, to a fraction of a pixel, by the fits that clicks go through."""

from __future__ import annotations

from math import sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import polyline_feet
from wlmeasure.trace.centreline import settle_line, trace_line
from wlmeasure.trace.file_ends import TipForm, fit_tip
from wlmeasure.trace.spline import arc_length, resample
from wlmeasure.trace.strip import Axis, sample_image

__all__ = ["FineFile", "fine_canal", "fine_file"]

Float64 = NDArray[np.float64]

MAP_END_STD_MM = 0.1
"""Standard uncertainty of an end that only the map gives, mm: a pixel and a quarter of it; our parameter."""
TIP_REACH_MM, LEAST_EXPLAINED = 0.35, 0.35
"""How far the fit of a tip may move it from where the map has it, and how much of the picture it has to explain."""
TIP_BACK_MM = 0.2
CLICK_EVERY_MM = 2.5
LEAST_MM = 4.0
ASTRAY_MM = 0.45
"""A fit that leaves the map's line by more has followed something else: the map's line stays. Our parameters."""
STEP_MM = 0.05


@frozen(eq=False)
class FineFile:
    """A file's path (N, 2), coronal to apical, and the standard uncertainties of its ends along it, pixels."""

    path_px: Float64
    upper_std_px: float
    tip_std_px: float


def fine_file(
    density: NDArray[np.float32], path_px: Float64, mm_per_px: tuple[float, float], *, tip: bool, form: TipForm
) -> FineFile:
    """The axis of a file about a path from the map, and its tip fitted where the map has one (`tip`)."""
    pixel = np.array(mm_per_px)
    unit = sqrt(float(pixel[0] * pixel[1]))
    plain = FineFile(path_px, MAP_END_STD_MM / unit, MAP_END_STD_MM / unit)
    length = float(arc_length(path_px * pixel)[-1])
    if length < LEAST_MM:
        return plain
    coarse = resample(path_px * pixel, max(16, round(length / STEP_MM)))
    along = arc_length(coarse)
    body = coarse[along <= length - TIP_BACK_MM] if tip else coarse
    try:
        settled, _ = settle_line(density, body / pixel, mm_per_px, rounds=3)
    except (TraceError, np.linalg.LinAlgError):
        return plain
    if float(polyline_feet(settled * pixel, coarse).aside.max()) > ASTRAY_MM:
        return plain
    axis = Axis.through(settled * pixel)

    def sample(s: NDArray[np.floating], u: NDArray[np.floating]) -> Float64:
        points, normals = axis.at(s)
        return sample_image(density, (points[:, None] + u[None, :, None] * normals[:, None]) / pixel)

    begin = _place(axis, coarse[0])
    near = _place(axis, coarse[-1])
    end, std = near, MAP_END_STD_MM
    if tip:
        fit = fit_tip(sample, near, form)
        if abs(fit.at_mm - near) <= TIP_REACH_MM and fit.explained >= LEAST_EXPLAINED:
            end, std = fit.at_mm, max(fit.std_mm, 1e-3)
    steps = np.linspace(begin, end, max(16, round((end - begin) / STEP_MM)))
    return FineFile(axis.at(steps)[0] / pixel, MAP_END_STD_MM / unit, std / unit)


def _place(axis: Axis, point_mm: Float64) -> float:
    """Where along an axis a point lies, beyond its ends too."""
    feet = polyline_feet(point_mm[None], axis.points)
    return float(feet.along[0] + feet.over[0])


def fine_canal(
    radiograph: Radiograph, path_px: Float64, mm_per_px: tuple[float, float], files: list[Float64]
) -> tuple[Float64, float | None]:
    """The centre line of a canal about a path from the map, with points of it taken for clicks; and the tracer's doubt."""
    pixel = np.array(mm_per_px)
    length = float(arc_length(path_px * pixel)[-1])
    count = max(3, round(length / CLICK_EVERY_MM) + 1)
    clicks = resample(path_px * pixel, count) / pixel
    clicks = np.clip(clicks, -0.5, np.array(radiograph.values.shape) - 0.5)
    try:
        trace = trace_line(radiograph, clicks, "canal", mm_per_px, files=files)
    except (TraceError, np.linalg.LinAlgError):
        return path_px, None
    if float(polyline_feet(trace.path_px * pixel, path_px * pixel).aside.max()) > ASTRAY_MM:
        return path_px, trace.doubt
    return trace.path_px, trace.doubt
