"""How much larger than life a tooth stands on an intraoral film, before anything on the film has been measured.

A spacing on the detector is a tooth's scale but for the magnification. Where nobody states it, it is a distribution: of the
distances of source, tooth and detector, and of the tilts of tooth and detector to the central ray. The distances are those of
common equipment, from memory: a cone keeps the source 200 mm and more from the skin (IEC 60601-2-65), a long one 400 mm, and
cheek and lip lie between; a holder keeps the detector 10 to 25 mm from the axis of the tooth, a finger 3 mm and more. The
tilts are our parameters. Wires of known length in canals were measured 1.034 times as long on film and 1.095 times on a direct
sensor (Lazzerini et al., Radiol Med 1996;91:364-369).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import CalibrationError

__all__ = ["USUAL_EXPOSURES", "Exposures", "Magnification", "magnification", "usual_magnification"]

Float64 = NDArray[np.float64]

NODES = 9
"""Places at which each distribution is taken; four more change mean and spread by less than 1e-3."""
MOST_TILT_DEG = 60.0
"""Nobody tilts a tooth or a detector further out of the plane square to the ray (our parameter)."""


@frozen
class Exposures:
    """How intraoral films are taken: uniform between two distances, normal about an angle.

    Attributes
    ----------
    source_tooth_mm, tooth_detector_mm
        Least and largest distance.
    tilt_std_deg
        Of the tooth's long axis out of the plane square to the central ray, a detector held parallel to the tooth.
    held_std_deg
        Between the tooth's axis and a detector that is meant to be parallel; about the bisected angle likewise.
    bisecting_share, bisecting_tilt_deg
        Share of films taken by the bisecting angle technique, and how far the tooth is tilted in it.
    """

    source_tooth_mm: tuple[float, float] = (220.0, 420.0)
    tooth_detector_mm: tuple[float, float] = (3.0, 25.0)
    tilt_std_deg: float = 10.0
    held_std_deg: float = 8.0
    bisecting_share: float = 1.0 / 3.0
    bisecting_tilt_deg: float = 15.0

    def __attrs_post_init__(self) -> None:
        for name in ("source_tooth_mm", "tooth_detector_mm"):
            low, high = getattr(self, name)
            if not 0.0 < low <= high < np.inf:
                raise CalibrationError(f"{name} must be two distances > 0 in rising order: {low:g}, {high:g}")
        if not 0.0 <= self.bisecting_share <= 1.0:
            raise CalibrationError(f"bisecting_share must be 0 to 1: {self.bisecting_share:g}")
        for name in ("tilt_std_deg", "held_std_deg", "bisecting_tilt_deg"):
            if not 0.0 <= getattr(self, name) <= MOST_TILT_DEG:
                raise CalibrationError(f"{name} must be 0 to {MOST_TILT_DEG:g} degrees: {getattr(self, name):g}")


USUAL_EXPOSURES = Exposures()


@frozen
class Magnification:
    """Size on the detector over true size: geometric mean and relative standard deviation."""

    mean: float
    rel_std: float


def magnification(
    source_tooth_mm: ArrayLike, tooth_detector_mm: ArrayLike, tooth_tilt_deg: ArrayLike, detector_tilt_deg: ArrayLike
) -> Float64:
    """Length on the detector over true length, of a short piece of the tooth's axis at the central ray.

    ``(D / d) cos a / cos b`` with source-detector distance D, source-tooth distance d, tilt a of the axis and b of the
    detector out of the plane square to the ray, both in one plane and signed (central projection). a = b is magnification
    alone, a = -b the bisecting angle rule (Cieszynski, from memory).
    """
    near, gap = np.asarray(source_tooth_mm, np.float64), np.asarray(tooth_detector_mm, np.float64)
    tilts = np.cos(np.deg2rad(tooth_tilt_deg)) / np.cos(np.deg2rad(detector_tilt_deg))
    return np.asarray((near + gap) / near * tilts, np.float64)


@cache
def usual_magnification(exposures: Exposures = USUAL_EXPOSURES) -> Magnification:
    """What films taken so magnify by; summed over the distributions, without any drawing of lots."""
    middles = (np.arange(NODES) + 0.5) / NODES
    normal, share = np.polynomial.hermite_e.hermegauss(NODES)
    near = np.interp(middles, (0.0, 1.0), exposures.source_tooth_mm)
    gap = np.interp(middles, (0.0, 1.0), exposures.tooth_detector_mm)
    off = exposures.held_std_deg * normal
    ways = (  # tilt of the tooth, sign of the detector's tilt against it, share of films
        (exposures.tilt_std_deg * normal, 1.0, 1.0 - exposures.bisecting_share),
        (exposures.bisecting_tilt_deg + exposures.held_std_deg * normal, -1.0, exposures.bisecting_share),
    )
    logs, weights = [], []
    for tilt, sign, films in ways:
        d, g, a, e = np.meshgrid(near, gap, tilt, off, indexing="ij")
        a, b = (np.clip(angle, -MOST_TILT_DEG, MOST_TILT_DEG) for angle in (a, sign * a + e))
        logs.append(np.log(magnification(d, g, a, b)).ravel())
        of_tilt, of_off = np.meshgrid(share, share, indexing="ij")
        weights.append(films * np.broadcast_to(of_tilt * of_off, d.shape).ravel())
    log, weight = np.concatenate(logs), np.concatenate(weights)
    mean = float(np.average(log, weights=weight))
    return Magnification(float(np.exp(mean)), float(np.sqrt(np.average((log - mean) ** 2, weights=weight))))
