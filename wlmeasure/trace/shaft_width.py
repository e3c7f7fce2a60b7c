"""How thick the shaft of a file is on the film, for a scale of last resort by its taper.

Across the shaft the film shows the blurred picture of a round steel wire on a smooth background. Radius and blur of that
picture are fitted to the mean profile of a millimetre of shaft; height and background are free. Blur and radius are told apart
by the profile's flanks alone, and a bent tone curve makes a bright wire look thicker or thinner: on synthetic films of four
tone curves, and on the reference radiographs, the width 4 mm from the tip was 0.025 mm too small to 0.006 mm too large.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError, check_positive
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import as_points
from wlmeasure.trace.file_ends import BLURS_MM, STEEL_PER_MM
from wlmeasure.trace.spline import arc_length
from wlmeasure.trace.strip import sample_image

__all__ = ["WIDTH_STD_MM", "ShaftWidth", "shaft_widths"]

Float64 = NDArray[np.float64]

# Our parameters.
STEP_MM = 0.0125
HALF_MM = 0.5
OVER_MM = 1.0  # of shaft
RADII_MM = np.arange(0.03, 0.40, 0.0025)
WIDTH_STD_MM = 0.03  # standard uncertainty of a width: what blur and tone curve leave open, as above


@frozen
class ShaftWidth:
    """Thickness at one place: distance from the tip along the path, and width across it, both in row-pixel lengths."""

    from_tip_px: float
    width_px: float
    width_std_px: float


def shaft_widths(
    radiograph: Radiograph, path_px: object, from_tip_mm: Sequence[float], mm_per_px: tuple[float, float]
) -> tuple[ShaftWidth, ...]:
    """Thickness of a file at some distances from its tip.

    Parameters
    ----------
    radiograph
        The film.
    path_px : (N, 2)
        (row, col) along the shaft, ending at the tip.
    from_tip_mm
        Rough distances from the tip; the result says what they are in pixels.
    mm_per_px
        Rough pixel size (row, col), for the size of the strip and for its shape.

    Raises
    ------
    TraceError
        A distance that is not on the path, a place where no shaft is seen, a pixel size that is not positive.
    """
    path = as_points(TraceError, "path_px", path_px, least=4)
    for pitch in mm_per_px:
        check_positive(TraceError, "mm_per_px", pitch)
    pixel = np.array(mm_per_px)
    line = path * pixel
    along = arc_length(line)
    density = radiograph.density()
    across = np.arange(-round(HALF_MM / STEP_MM), round(HALF_MM / STEP_MM) + 1) * STEP_MM
    rows = np.arange(-0.5 * OVER_MM, 0.5 * OVER_MM + 1e-9, STEP_MM)
    widths = []
    for distance in from_tip_mm:
        at = along[-1] - distance
        if not OVER_MM <= at <= along[-1] - OVER_MM:
            raise TraceError(
                f"the file's shaft must be traced {OVER_MM:g} mm beyond every place where its thickness is measured: "
                f"{distance:g} mm from the tip on {along[-1]:.1f} mm of shaft; click it farther up, and end at the tip"
            )
        ends = np.column_stack([np.interp([at - OVER_MM, at + OVER_MM], along, line[:, k]) for k in (0, 1)])
        normal = np.array([-(ends[1, 1] - ends[0, 1]), ends[1, 0] - ends[0, 0]]) / np.hypot(*(ends[1] - ends[0]))
        centre = np.column_stack([np.interp(at + rows, along, line[:, k]) for k in (0, 1)])
        points = (centre[:, None] + across[None, :, None] * normal) / pixel
        strip = sample_image(density, points)
        radius = _radius_mm(np.asarray(strip.mean(axis=0), np.float64), across)
        if not RADII_MM[0] < radius < RADII_MM[-1]:
            raise TraceError(
                f"a bright shaft must be seen {distance:g} mm from the file's tip, {2.0 * RADII_MM[0]:.2f} to "
                f"{2.0 * RADII_MM[-1]:.2f} mm thick: none is; click on the file itself, its tip last, and look whether metal "
                "is bright on this film"
            )
        widths.append(ShaftWidth(distance / mm_per_px[0], 2.0 * radius / mm_per_px[0], WIDTH_STD_MM / mm_per_px[0]))
    return tuple(widths)


def _radius_mm(profile: Float64, across: NDArray[np.floating]) -> float:
    """Radius of the round wire whose blurred picture fits best."""
    background = np.linalg.qr(np.column_stack([np.ones(across.size), across, across**2]))[0]
    flat = profile - background @ (background.T @ profile)
    chords = 2.0 * np.sqrt(np.maximum(RADII_MM[:, None] ** 2 - across[None] ** 2, 0.0))
    lost = (1.0 - np.exp(-STEEL_PER_MM * chords)).astype(np.float32)
    best = (np.inf, 0.0)
    for blur in BLURS_MM:
        size = 2 * round(4.0 * blur / STEP_MM) + 1
        models = np.asarray(
            cv2.GaussianBlur(lost, (size, 1), sigmaX=blur / STEP_MM, borderType=cv2.BORDER_REPLICATE), np.float64
        )
        models -= (models @ background) @ background.T
        left = flat @ flat - np.maximum(models @ flat, 0.0) ** 2 / np.einsum("ij,ij->i", models, models)
        k = int(left.argmin())
        if left[k] < best[0]:
            best = float(left[k]), float(RADII_MM[k])
    return best[1]
