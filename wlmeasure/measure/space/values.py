"""Figures of a tooth in space, as frozen values."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.flags import Flag
from wlmeasure.measure.budget import NORMAL_95, Term
from wlmeasure.measure.curvature import Form
from wlmeasure.points import frozen_array

__all__ = [
    "LONGER_IN_SPACE",
    "Angle",
    "BendPlane",
    "FilmFit",
    "OneFilm",
    "SpatialBends",
    "SpatialCanal",
    "SpatialPoint",
]

Float64 = NDArray[np.float64]

LONGER_IN_SPACE = Flag(
    "longer-in-space",
    "This canal would be more than 1.2 times as long as on the film that shows it longest, and canals hardly ever are: check "
    "that the films show one tooth, the canal's names and the angulations; until then no working length rests on it.",
)


@frozen
class Angle:
    """An angle in degrees with its standard uncertainty."""

    deg: float
    std_deg: float

    @property
    def interval_deg(self) -> tuple[float, float]:
        """95 % interval."""
        return max(0.0, self.deg - NORMAL_95 * self.std_deg), self.deg + NORMAL_95 * self.std_deg

    def to_json(self) -> dict[str, Any]:
        """Plain values to 0.01 degrees."""
        low, high = self.interval_deg
        return {
            "deg": round(self.deg, 2),
            "std_deg": round(self.std_deg, 2),
            "interval_deg": [round(low, 2), round(high, 2)],
        }


@frozen
class OneFilm:
    """What one film alone shows of a canal: the length of its projection at that film's scale, and its angles there.

    An angle is None where it is not determined (`curvature.sure_deg`), the second bend's also where there is none.
    """

    length_mm: float
    schneider_deg: float | None
    schneider_secondary_deg: float | None
    pruett_deg: float | None
    total_turning_deg: float | None

    @property
    def largest_deg(self) -> float | None:
        """The larger of Schneider's angles; None where neither is determined."""
        known = [angle for angle in (self.schneider_deg, self.schneider_secondary_deg) if angle is not None]
        return max(known, default=None)


@frozen
class BendPlane:
    """Where a bend lies in space.

    Attributes
    ----------
    from_mm, to_mm
        Where it begins and ends along the canal.
    towards_deg, towards_std_deg
        Direction in which it bends, about the tooth's axis: 0 to the right of the tooth with its apex down, 90
        towards the source of a film without angulation, -90 away from it; and its standard uncertainty.
    out_of_film_deg
        Angle between the bend's plane and the first film's picture plane: at 0 the bend is seen in full, at 90 not at all.
    """

    from_mm: float
    to_mm: float
    towards_deg: float
    towards_std_deg: float
    out_of_film_deg: float

    def to_json(self) -> dict[str, float]:
        return {
            "from_mm": round(self.from_mm, 3),
            "to_mm": round(self.to_mm, 3),
            "towards_deg": round(self.towards_deg, 1),
            "towards_std_deg": round(self.towards_std_deg, 1),
            "out_of_film_deg": round(self.out_of_film_deg, 1),
        }


@frozen(eq=False)
class SpatialBends:
    """Bends of a canal in space.

    Attributes
    ----------
    form
        I, J, C or S: the most probable kind, which all figures but the next and `end_to_end` are of.
    largest
        The larger of the Schneider angles of the bends, what the difficulty of the canal is judged by: the mean over straight,
        one bend and two, each by its probability.
    schneider, schneider_secondary, pruett, pruett_secondary, total_turning
        Each bend in its own plane, from straight parts and arcs (`space.bends`); an S has two bends.
    end_to_end
        Angle in space between the first and the last 2 mm (after Luiten): it asks for no place where a
        bend begins.
    radius_mm, radius_interval_mm
        Pruett's radius of the first bend; None where its interval is too wide to name one, both for a straight canal.
    planes
        Where the bends lie. Without a known tube shift they may be their mirror image.
    """

    form: Form
    largest: Angle
    schneider: Angle
    schneider_secondary: Angle | None
    pruett: Angle
    pruett_secondary: Angle | None
    total_turning: Angle
    end_to_end: Angle
    radius_mm: float | None
    radius_interval_mm: tuple[float, float] | None
    planes: tuple[BendPlane, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain values; null for what is not determined."""
        radii = self.radius_interval_mm
        return {
            "form": self.form,
            "largest": self.largest.to_json(),
            "schneider": self.schneider.to_json(),
            "schneider_secondary": self.schneider_secondary.to_json() if self.schneider_secondary else None,
            "pruett": self.pruett.to_json(),
            "pruett_secondary": self.pruett_secondary.to_json() if self.pruett_secondary else None,
            "total_turning": self.total_turning.to_json(),
            "end_to_end": self.end_to_end.to_json(),
            "radius_mm": None if self.radius_mm is None else round(self.radius_mm, 3),
            "radius_interval_mm": None
            if radii is None
            else [round(radii[0], 3), round(radii[1], 3) if np.isfinite(radii[1]) else None],
            "planes": [plane.to_json() for plane in self.planes],
        }


@frozen(eq=False)
class SpatialCanal:
    """One canal in space.

    Attributes
    ----------
    path_mm : (N, 3)
        The most probable centre line, coronal to apical, in the tooth's frame: x to the right of the tooth with its
        apex down, y towards the source of a film without angulation, z towards the crown. Equal steps along it.
    coronal_mm
        Straight distance from the coronal reference point to the first point; 0 without one.
    length_mm, length_std_mm, length_interval_mm
        Of the whole, coronal part and canal: median and 95 % interval over what is not known, the tilt that no film shows
        included. The most probable line itself is a little shorter, since a tilt hides length whichever way it goes.
    canal_mm
        The canal's part of `length_mm`.
    budget
        Parts of the standard uncertainty, in quadrature. What is known before (tilt, shift, shape) stands beside the marks.
    bends
        Angles, radius and planes; None where they were not asked for.
    """

    name: str
    path_mm: Float64 = field(converter=frozen_array)
    coronal_mm: float
    canal_mm: float
    length_mm: float
    length_std_mm: float
    length_interval_mm: tuple[float, float]
    budget: tuple[Term, ...]
    bends: SpatialBends | None
    flags: tuple[Flag, ...] = ()

    @property
    def doubted(self) -> bool:
        """Whether it is longer than canals are, over what a film shows of it."""
        return LONGER_IN_SPACE in self.flags

    def to_json(self) -> dict[str, Any]:
        """Plain values, millimetres to 1e-4, degrees to 0.01."""
        return {
            "name": self.name,
            "path_mm": np.round(self.path_mm, 4).tolist(),
            "coronal_mm": round(self.coronal_mm, 4),
            "canal_mm": round(self.canal_mm, 4),
            "length_mm": round(self.length_mm, 4),
            "length_std_mm": round(self.length_std_mm, 4),
            "length_interval_mm": [round(end, 4) for end in self.length_interval_mm],
            "budget": [{"term": term.term, "std_mm": round(term.std_mm, 4)} for term in self.budget],
            "bends": None if self.bends is None else self.bends.to_json(),
            "flags": [{"code": flag.code, "text": flag.text} for flag in self.flags],
        }


@frozen(eq=False)
class SpatialPoint:
    """A landmark in space, mm in the tooth's frame, with its covariance (3, 3)."""

    name: str
    place_mm: Float64 = field(converter=frozen_array)
    covariance_mm2: Float64 = field(converter=frozen_array)


@frozen(eq=False)
class FilmFit:
    """How one film was taken, as fitted.

    Attributes
    ----------
    horizontal_deg, vertical_deg
        Angulations; positive horizontal ones have the tube to the right of the tooth with its apex down.
    scale
        Factor on the entered scale.
    worst_mm
        Largest distance of a mark on this film from where the fit puts it.
    """

    horizontal_deg: float
    vertical_deg: float
    scale: float
    worst_mm: float
