"""From lines on maps to paths and ends on the film, to a fraction of a pixel, by the fits that clicks go through."""

from __future__ import annotations

from math import sqrt

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import polyline_feet
from wlmeasure.trace.centreline import settle_line, trace_line
from wlmeasure.trace.file_ends import EndFit, Sampler, TipForm, fit_tip
from wlmeasure.trace.spline import arc_length, resample
from wlmeasure.trace.stop_slab import find_slab, fit_slab
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
STOP_LOOK_MM, STOP_REACH_MM, STOP_HALF_MM, STOP_STEP_MM = 5.0, 1.6, 2.7, 0.1
"""A stop is looked for from so far above the map's upper end on a strip of so much to both sides, and is taken so near it."""
BESIDE_MM, AIR_SHARE = (0.25, 0.4), 20
CLEAR_FACE, CLEAR_FACE_MM = 0.1, 0.05
"""Share that the fit of a face explains at least, its standard uncertainty at most: as of the finder (`trace.find_file`)."""


@frozen(eq=False)
class FineFile:
    """A file's path (N, 2), coronal to apical, and the standard uncertainties of its ends along it, pixels.

    `stop` is true where the upper end is the face of a stop that was seen and fitted.
    """

    path_px: Float64
    upper_std_px: float
    tip_std_px: float
    stop: bool = False


def fine_file(
    density: NDArray[np.float32],
    path_px: Float64,
    mm_per_px: tuple[float, float],
    *,
    upper: bool,
    tip: bool,
    form: TipForm,
) -> FineFile:
    """The axis of a file about a path from the map; its tip fitted where the map has one, and the stop near its upper end."""
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
    face = None
    if upper:
        coarse_greys = density[::4, ::4].ravel()
        air = float(np.partition(coarse_greys, coarse_greys.size // AIR_SHARE)[coarse_greys.size // AIR_SHARE])
        face = _stop_face(sample, axis, begin, np.array(density.shape) * pixel, air, float(density.min()))
    begin, upper_std = (begin, MAP_END_STD_MM) if face is None else (face.at_mm, max(face.std_mm, 1e-3))
    steps = np.linspace(begin, end, max(16, round((end - begin) / STEP_MM)))
    return FineFile(axis.at(steps)[0] / pixel, upper_std / unit, std / unit, face is not None)


def _stop_face(
    sample: Sampler, axis: Axis, near_mm: float, size_mm: Float64, air: float, floor: float
) -> EndFit | None:
    """The face of a stop within `STOP_REACH_MM` of where the map has the upper end; None where none is seen clearly."""
    along = np.arange(near_mm - STOP_LOOK_MM, axis.length, STOP_STEP_MM)
    points = axis.at(along)[0]
    along = along[((points >= 0.0) & (points < size_mm)).all(axis=1)]
    half = round(STOP_HALF_MM / STOP_STEP_MM)
    across = np.arange(-half, half + 1) * STOP_STEP_MM
    if len(along) < 100:
        return None
    strip = sample(along, across)
    aside = np.abs(across)
    beside = strip[:, (aside >= BESIDE_MM[0] - 1e-9) & (aside <= BESIDE_MM[1] + 1e-9)].mean(axis=1)
    excess = strip[:, aside <= STOP_STEP_MM + 1e-9].mean(axis=1) - beside
    slab = find_slab(strip, along - along[0], across, excess, air)
    if slab is None:
        return None
    lower = None if slab.face_mm is None else slab.face_mm + along[0]
    slab = evolve(slab, top_mm=slab.top_mm + along[0], face_mm=lower)
    face = fit_slab(sample, slab, floor)
    if face is None or face.explained < CLEAR_FACE or face.std_mm > CLEAR_FACE_MM:
        return None
    return face if abs(face.at_mm - near_mm) <= STOP_REACH_MM else None


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
