"""What two films of one canal, or more, say together.

The fit in space is `fit_views`; its parts live in `measure.space`. A single film loses what bends towards and away from the
beam: of 314 real molar canals (micro-CT) one view loses a median of 3.3 % of the length and 15 % at worst.
"""

from __future__ import annotations

from math import atan, degrees, hypot, radians, tan

from wlmeasure.errors import MeasureError, check_finite
from wlmeasure.measure.space.side import SideOf, buccal_or_lingual
from wlmeasure.measure.space.tooth import SpatialTooth, fit_views, one_film, refit
from wlmeasure.measure.space.values import Angle, BendPlane, OneFilm, SpatialBends, SpatialCanal, SpatialPoint
from wlmeasure.measure.space.views import KnownFile, View

__all__ = [
    "Angle",
    "BendPlane",
    "KnownFile",
    "OneFilm",
    "SideOf",
    "SpatialBends",
    "SpatialCanal",
    "SpatialPoint",
    "SpatialTooth",
    "View",
    "buccal_or_lingual",
    "fit_views",
    "one_film",
    "orthogonal_views_deg",
    "refit",
]


def orthogonal_views_deg(clinical_deg: float, proximal_deg: float) -> float:
    """Angle in space from the angles seen in two views at right angles to each other.

    The coronal axis stands upright in both views, so the tangents of the two angles are the sides of a right triangle:
    ``tan^2(space) = tan^2(clinical) + tan^2(proximal)`` (derived).

    Parameters
    ----------
    clinical_deg, proximal_deg
        Schneider's angle in each view, degrees, 0 up to but not 90.

    Raises
    ------
    MeasureError
        An angle that is not 0 to 90 degrees.
    """
    for name, angle in (("clinical_deg", clinical_deg), ("proximal_deg", proximal_deg)):
        if not 0.0 <= check_finite(MeasureError, name, angle) < 90.0:
            raise MeasureError(f"{name} must be 0 up to but not 90 degrees: {angle:g}")
    return degrees(atan(hypot(tan(radians(clinical_deg)), tan(radians(proximal_deg)))))
