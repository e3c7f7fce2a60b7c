"""What is known of one film of a tooth: what is marked on it, its scale, and how it was taken."""

from __future__ import annotations

from collections.abc import Mapping
from math import cos, radians, sin
from types import MappingProxyType
from typing import Literal

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError, check_finite, check_positive
from wlmeasure.measure.line_arc import Noise
from wlmeasure.points import as_points

__all__ = ["KnownFile", "Sensor", "Side", "View"]

Float64 = NDArray[np.float64]
Side = Literal["left", "right", "up", "down"]
Sensor = Literal["stayed", "with the tube"]

TOWARDS: dict[str, tuple[float, float]] = {
    "left": (0.0, -1.0),
    "right": (0.0, 1.0),
    "up": (-1.0, 0.0),
    "down": (1.0, 0.0),
}
TRACE_NOISE = Noise(0.04, 1.5)
"""A traced path: 0.03 to 0.05 mm on phantoms, going together over the tracer's knots (`trace.centreline`)."""
END_STD_MM = 0.10  # our parameter: an orifice or an apex is found again on another film to about this, along the canal
POINT_STD_MM = 0.08  # our parameter: the same for a marked cusp, apex or file tip
HORIZONTAL_STD_DEG = (
    3.0  # our parameter: a shift aimed at by eye or by a holder's scale is within 5 degrees nearly always
)
VERTICAL_STD_DEG = 2.0  # our parameter: how far the vertical angles of two films that are aimed alike differ
AXIS_STD_DEG = 1.5  # our parameter: how well the tooth's axis on the film is known
SCALE_REL_STD = 0.01  # our parameter: the magnification of two films of one tooth, each calibrated
SOURCE_MM = 300.0  # our parameter: source to tooth; common distances are 200 to 400 mm (cone of 20 to 40 cm)


def _paths(value: Mapping[str, object]) -> Mapping[str, Float64]:
    paths = {str(name): as_points(MeasureError, f"canals[{name!r}]", path, least=3) for name, path in value.items()}
    for name, path in paths.items():
        if not np.any(path != path[0]):
            raise MeasureError(f"canals[{name!r}] must have a length: all its points are the same")
        path.setflags(write=False)
    return MappingProxyType(paths)


def _marks(value: Mapping[str, object]) -> Mapping[str, Float64]:
    marks = {str(name): as_points(MeasureError, f"points[{name!r}]", [mark])[0] for name, mark in value.items()}
    for mark in marks.values():
        mark.setflags(write=False)
    return MappingProxyType(marks)


@frozen(eq=False)
class View:
    """One film.

    Attributes
    ----------
    canals
        By name: the path (N, 2) in pixels (row, col), coronal to apical; a dense trace or clicks.
    mm_per_px : (row, col)
        Scale at the tooth, as a `Calibration` gives it.
    points
        By name: a landmark's pixel (row, col): a cusp, an apex, a stop, the tip of a file. The same name on another
        film is the same thing.
    scale_rel_std
        Relative standard uncertainty of this film's own scale; 0.3 or so leaves it to the other films. What is common
        to all films is `shared_scale_rel_std` of the fit.
    horizontal_deg, horizontal_std_deg
        Horizontal angulation of the tube, nominal, and its standard uncertainty. Its sign says nothing while
        `tube_shift` is mesial or distal; otherwise different signs mean different sides.
    tube_shift
        To which side the tube was moved; None where nobody entered it.
    mesial_to
        Which way mesial lies on this film; None where nobody entered it.
    vertical_deg, vertical_std_deg
        Angle between the tooth's long axis and the plane square to the central ray, nominal, with the standard
        uncertainty of this film's own part of it. What is common to all films is `common_vertical_std_deg` of the
        fit.
    axis_deg, axis_std_deg
        Direction of the tooth's long axis on the film, coronal to apical, from growing rows towards growing columns.
        None takes an upright or sideways film: the multiple of 90 degrees that is nearest to the canals.
    source_mm
        From the source to the tooth.
    sensor
        Whether the detector of a shifted film "stayed" where a film without a shift has it, and so stands turned against the
        ray by minus the shift as that is fitted, or went "with the tube"; None where nobody entered it.
    detector_tilt_deg, detector_turn_deg
        How else the detector stands against the plane square to the central ray (see `phantom.projection.aim`).
    detector_std_deg
        Standard uncertainty of both.
    noise
        Error of the paths across their direction, with the length over which errors go together.
    end_std_mm, point_std_mm
        Standard uncertainty of the ends of a path along it, and of a landmark each way.

    Raises
    ------
    MeasureError
        Nothing marked, points that are not pairs of finite numbers, a scale or distance that is not > 0, a negative
        uncertainty, an angulation beyond 80 degrees.
    """

    canals: Mapping[str, Float64] = field(converter=_paths)
    mm_per_px: tuple[float, float]
    points: Mapping[str, Float64] = field(converter=_marks, factory=dict)
    scale_rel_std: float = SCALE_REL_STD
    horizontal_deg: float = 0.0
    horizontal_std_deg: float = HORIZONTAL_STD_DEG
    tube_shift: Literal["none", "mesial", "distal"] | None = None
    mesial_to: Side | None = None
    vertical_deg: float = 0.0
    vertical_std_deg: float = VERTICAL_STD_DEG
    axis_deg: float | None = None
    axis_std_deg: float = AXIS_STD_DEG
    source_mm: float = SOURCE_MM
    sensor: Sensor | None = None
    detector_tilt_deg: float = 0.0
    detector_turn_deg: float = 0.0
    detector_std_deg: float = 0.0
    noise: Noise = TRACE_NOISE
    end_std_mm: float = END_STD_MM
    point_std_mm: float = POINT_STD_MM

    def __attrs_post_init__(self) -> None:
        if not self.canals:
            raise MeasureError("canals must hold at least one path: trace the canal on this film")
        for size in self.mm_per_px:
            check_positive(MeasureError, "mm_per_px", size)
        check_positive(MeasureError, "source_mm", self.source_mm)
        for name in ("end_std_mm", "point_std_mm"):
            check_positive(MeasureError, name, getattr(self, name))
        check_positive(MeasureError, "noise.std_mm", self.noise.std_mm)
        spreads = (
            "scale_rel_std",
            "horizontal_std_deg",
            "vertical_std_deg",
            "axis_std_deg",
            "detector_std_deg",
        )
        for name in spreads:
            if check_finite(MeasureError, name, getattr(self, name)) < 0.0:
                raise MeasureError(f"{name} must be >= 0: {getattr(self, name):g}")
        for name in ("horizontal_deg", "vertical_deg", "detector_tilt_deg", "detector_turn_deg"):
            if abs(check_finite(MeasureError, name, getattr(self, name))) > 80.0:
                raise MeasureError(f"{name} must be -80 to 80 degrees: {getattr(self, name):g}")
        if self.tube_shift not in (None, "none", "mesial", "distal"):
            raise MeasureError(f"tube_shift must be none, mesial or distal: {self.tube_shift!r}")
        if self.sensor not in (None, "stayed", "with the tube"):
            raise MeasureError(f"sensor must be stayed or with the tube: {self.sensor!r}")
        if self.mesial_to is not None and self.mesial_to not in TOWARDS:
            raise MeasureError(f"mesial_to must be left, right, up or down: {self.mesial_to!r}")

    def to_mm(self, points_px: object) -> Float64:
        """(N, 2) pixels in mm at the tooth."""
        placed: Float64 = np.asarray(points_px, np.float64) * np.array(self.mm_per_px)
        return placed

    @property
    def axis_rad(self) -> float:
        """Direction of the tooth's axis on the film; where not given, the multiple of 90 degrees nearest to the canals."""
        if self.axis_deg is not None:
            return radians(check_finite(MeasureError, "axis_deg", self.axis_deg))
        chords = [self.to_mm(path[-1] - path[0]) for path in self.canals.values()]
        along = np.sum([chord / np.hypot(*chord) for chord in chords if np.any(chord)], axis=0)
        quarters = round(float(np.arctan2(along[1], along[0])) / (0.5 * np.pi))
        return quarters * 0.5 * np.pi

    @property
    def mesial_right(self) -> float | None:
        """How far mesial lies to the right of the tooth seen with its apex down: 1, -1, or None where it is not known."""
        if self.mesial_to is None:
            return None
        rows, cols = TOWARDS[self.mesial_to]
        # With the axis at `axis` from the rows towards the columns, "right" lies a quarter turn further on.
        right = -sin(self.axis_rad) * rows + cos(self.axis_rad) * cols
        if abs(right) < 0.5:
            raise MeasureError(f"mesial_to must lie across the tooth's axis on the film: {self.mesial_to!r}")
        return 1.0 if right > 0.0 else -1.0

    def mirrored(self) -> View:
        """The film as it would be with left and right of the tooth exchanged: reflected in the tooth's axis on the film.

        What was entered of the tube and of mesial is kept.
        """
        along = np.array([cos(self.axis_rad), sin(self.axis_rad)])
        size = np.array(self.mm_per_px)
        turn = (2.0 * np.outer(along, along) - np.eye(2)) * size / size[:, None]
        return evolve(
            self,
            canals={name: path @ turn.T for name, path in self.canals.items()},
            points={name: place @ turn.T for name, place in self.points.items()},
        )

    @property
    def shifted(self) -> bool:
        return self.tube_shift != "none" and self.horizontal_deg != 0.0

    def signed_horizontal_deg(self, *, known: bool) -> float:
        """Nominal angulation, positive with the tube towards the right; without a known direction as it was entered."""
        if not known or not self.shifted:
            return self.horizontal_deg if self.shifted else 0.0
        side = 1.0 if self.tube_shift == "mesial" else -1.0
        return side * (self.mesial_right or 1.0) * abs(self.horizontal_deg)


@frozen
class KnownFile:
    """A file of known length that lies in a canal on all the films: from its stop, or the canal's first point, to its tip.

    Attributes
    ----------
    canal
        Name of the canal that it lies in.
    length_mm, length_std_mm
        Stop to tip as measured, and its standard uncertainty (a ruler read to 0.5 mm: 0.144; 0 is taken as 0.001 mm).
    tip
        Name of the landmark that marks its tip on the films.
    stop
        Name of the landmark of the stop's apical face: from there the file runs straight to the canal's first point. None:
        the length counts from the canal's first point.
    """

    canal: str
    length_mm: float
    length_std_mm: float
    tip: str
    stop: str | None = None

    def __attrs_post_init__(self) -> None:
        check_positive(MeasureError, "length_mm", self.length_mm)
        if check_finite(MeasureError, "length_std_mm", self.length_std_mm) < 0.0:
            raise MeasureError(f"length_std_mm must be >= 0: {self.length_std_mm:g}")
