"""Length of a canal in mm with its uncertainty, term by term.

The length is the straight crown piece from the coronal reference point to the orifice plus the arc length of the canal. A
traced or drawn path is measured as it is; a path of a few clicks by the smooth line through them (`clicks`).
Its uncertainty is a budget in the sense of the GUM (JCGM 100:2008): end clicks, path, scale and what one film cannot
show are kept apart, so that a reader sees which of them to improve. The terms of the scale are shared by all lengths on one
film, which makes them correlated.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import Literal

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.calibration import (
    CLICK_FLOOR_MM,
    CLICK_STD_PX,
    ENDS_TERM,
    REFERENCE_STD_MM,
    REFERENCE_TERM,
    Calibration,
    pixel_along,
)
from wlmeasure.errors import MeasureError, check_finite
from wlmeasure.measure.budget import Term, half_width_mm, one_sided_mm, reach_mm, total_std_mm
from wlmeasure.measure.clicks import clicks_length, sparse
from wlmeasure.measure.line_arc import Noise
from wlmeasure.points import as_points, polyline_feet
from wlmeasure.trace.centreline import CORRELATED_MM, GIVEN_PATH, LONGEST_MM, CanalTrace
from wlmeasure.trace.spline import arc_length, resample

__all__ = [
    "END_CLICKS",
    "PATH",
    "TILT",
    "UNSEEN",
    "WINDING",
    "Gap",
    "LengthEstimate",
    "LengthMethod",
    "Term",
    "covered_mm",
    "measure_length",
    "path_noise",
    "polyline_mm",
]

Float64 = NDArray[np.float64]

END_CLICKS, PATH, WINDING = "end clicks", "path", "winding beyond the file"
TILT, UNSEEN = "tilt the film cannot show", "stretch that cannot be seen"
"""Names of the terms that are not of the scale."""

BESIDE_MM = 0.5  # a canal runs "along the file" where it lies this close to it: half a canal's width and a click
# Relative standard uncertainty of a stretch that no file of known length covers, because one film cannot show how it is
# tilted out of its plane against the rest (our parameters). A file gives the scale of what lies along it, its mean tilt
# included; what is left of the end is cos(tilt of the end) / cos(mean tilt of the file) - 1, in proportion to its length. On
# phantoms whose axes match the published ones (314 canals of molars: length over chord 1.04, 1.20 at most; one view loses
# 3.3 % of the length, 15 % at worst), tilted up to 20 degrees both ways, exact paths err by an rms of 0.096 of the open
# stretch when it is 0.5, 1, 1.5 or 2 mm, 0.087 when it is 3 mm, and 95 % lie within 1.96 x 0.097 to 0.108 (300 films each,
# seeds 1000 to 1299; tails are longer than normal, since a loss goes with the square of a tilt). It was 0.18, and all
# intervals held. An end bent much further out of the plane than those canals is not in it: on the reference radiographs, bent
# up to 52 degrees, the last half millimetre is short by up to 0.26 of itself.
UNCOVERED_END_REL_STD = 0.105
UNCOVERED_WHOLE_REL_STD = 0.05  # a canal without any file: an rms of 0.055 on simulated axes of the same statistics
# A tracer that loses a thin canal beyond a file's tip winds about, and only ever lengthens the path. On phantoms with the tip
# 1 and 2 mm short what such a path is longer than its chord explains 0.9 of the tracer's error (correlation; 140 films, seeds
# 1500 to 1569), although nothing tells how much of it is true bend: anywhere between chord and path, rectangular, so its
# standard uncertainty is 1 / sqrt(3) of the difference (GUM 4.3.7). With it 94 % of the intervals hold, 86 % without (2 mm).
WINDING_REL_STD = 1.0 / sqrt(3.0)
WINDS_FROM_MM = 0.01  # our parameter: a path that is longer than its chord by less than this does not wind
WINDING_MM = 3.0  # our parameter: over a longer stretch a canal's own bends are most of the difference
UNSEEN_REL_STD = 0.10  # our parameter: growth of the uncertainty along a stretch of canal that cannot be seen

LengthMethod = Literal["along the path", "known length plus gap"]


@frozen
class Gap:
    """What a length is made of that was measured by a file whose upper end is out of the picture.

    Attributes
    ----------
    known_mm
        Known length of the file, from the reference point that its stop rested on to its tip.
    gap_mm
        Tip to the end of the trace along the canal, negative where the tip lies beyond it.
    traced_mm
        Length of the trace, which may cover the apical part alone.
    """

    known_mm: float
    gap_mm: float
    traced_mm: float


@frozen(eq=False)
class LengthEstimate:
    """Length of one canal on one film.

    Attributes
    ----------
    coronal_mm
        Straight piece from the coronal reference point to the first point of the trace; 0 without a reference point.
    canal_mm
        Length of the canal along its path; of a path given as a few clicks along the smooth line through them.
    budget
        Parts of the standard uncertainty of the sum.
    covered_mm
        Length of it along which a file of known length lies.
    gap
        What the length is made of where it is a known length plus a gap. Crown piece and canal are then None: where the one
        ends and the other begins is not measured.
    """

    coronal_mm: float | None
    canal_mm: float | None
    budget: tuple[Term, ...]
    covered_mm: float = 0.0
    gap: Gap | None = None

    @property
    def length_mm(self) -> float:
        if self.gap is not None:
            return self.gap.known_mm + self.gap.gap_mm
        return (self.coronal_mm or 0.0) + (self.canal_mm or 0.0)

    @property
    def method(self) -> LengthMethod:
        """How it was measured, in words."""
        return "along the path" if self.gap is None else "known length plus gap"

    def on_trace_mm(self, length_mm: float) -> float:
        """Where another length from the same reference point ends on the trace: mm from its first point."""
        if self.gap is not None:
            return self.gap.traced_mm - (self.length_mm - length_mm)
        return length_mm - (self.coronal_mm or 0.0)

    @property
    def end_std_mm(self) -> float:
        """Standard uncertainty of the two ends as they were clicked, mm."""
        return sum(term.std_mm for term in self.budget if term.term == END_CLICKS)

    @property
    def length_std_mm(self) -> float:
        """Standard uncertainty, mm."""
        return total_std_mm(self.budget)

    @property
    def half_width_mm(self) -> float:
        """Half of the width of the 95 % interval, mm."""
        return half_width_mm(self.budget)

    @property
    def length_interval_mm(self) -> tuple[float, float]:
        """95 % interval, mm; it reaches farther down where the length may be too long and not too short."""
        below, above = reach_mm(self.budget)
        return self.length_mm - below, self.length_mm + above

    @property
    def too_long_mm(self) -> float:
        """How much too long it is if everything that errs to that side did, mm: a stop that had slid."""
        return one_sided_mm(self.budget)

    def covariance_mm2(self, other: LengthEstimate) -> float:
        """Covariance with another length on the same film under the same scale, mm squared."""
        mine = {term.term: term.std_mm for term in self.budget if term.shared}
        return sum(mine.get(term.term, 0.0) * term.std_mm for term in other.budget if term.shared)


def polyline_mm(points_px: object, calibration: Calibration) -> float:
    """Length of a polyline of (row, col) pixel coordinates in mm; rows and columns may be spaced differently."""
    return float(arc_length(calibration.to_mm(points_px))[-1])


def path_noise(trace: CanalTrace, calibration: Calibration) -> Noise:
    """Uncertainty of a trace across its direction, in mm, with the length over which its errors go together."""
    scale = sqrt(calibration.mm_per_px_row * calibration.mm_per_px_col)
    clicked = _clicked(trace, calibration.to_mm(trace.path_px))
    return Noise(trace.centre_std_px * scale, 0.0 if clicked else CORRELATED_MM)


def _clicked(trace: CanalTrace, path_mm: Float64) -> bool:
    """Whether the path is a few clicks, each with an error of its own, and not a line that was traced or drawn."""
    return trace.tracer == GIVEN_PATH and sparse(path_mm)


def covered_mm(path_mm: object, file_mm: object, *, beside_mm: float = BESIDE_MM) -> float:
    """Length of `path_mm` along which the polyline `file_mm` runs beside it.

    Parameters
    ----------
    path_mm, file_mm : (N, 2), (M, 2)
        In mm, same origin.
    beside_mm
        Largest distance at which the two run together.
    """
    path, file = np.asarray(path_mm, np.float64), np.asarray(file_mm, np.float64)
    total = float(arc_length(path)[-1])
    at = resample(path, max(3, int(total / 0.04) + 1))
    if len(file) > 200:
        file = resample(file, 200)
    foot = polyline_feet(at, file)
    # A point beyond an end of the file is not beside it, however close.
    beside = (foot.apart <= beside_mm) & (foot.over == 0.0)
    return float(np.mean(beside) * total)


def measure_length(
    trace: CanalTrace,
    calibration: Calibration,
    *,
    reference_px: object = None,
    from_foot: bool = False,
    click_std_px: float = CLICK_STD_PX,
    unseen_from_mm: float | None = None,
    beside_mm: float = BESIDE_MM,
    uncovered_end_rel_std: float = UNCOVERED_END_REL_STD,
    uncovered_whole_rel_std: float = UNCOVERED_WHOLE_REL_STD,
    unseen_rel_std: float = UNSEEN_REL_STD,
) -> LengthEstimate:
    """Length of a traced canal with its uncertainty.

    Parameters
    ----------
    trace
        Orifice to apical end.
    calibration
        Scale of the same film; the files it rests on tell which stretch is covered.
    reference_px
        Coronal reference point (row, col), joined to the first point by a straight line; None when the trace begins there.
    from_foot
        Whether `reference_px` is the foot of the reference point at which the known length of the canal's file begins too. A
        foot that lies too low by e then makes the scale too large and the way too short: the length L errs by (L / K - 1) e,
        K the known length, and not by L / K e.
    click_std_px
        Standard uncertainty of one end click along the canal, pixels.
    unseen_from_mm
        Distance from the orifice from which the canal cannot be seen on the film; None when all of it can.
    beside_mm, uncovered_end_rel_std, uncovered_whole_rel_std, unseen_rel_std
        Parameters of the budget; see the constants of this module.

    Returns
    -------
    LengthEstimate

    Raises
    ------
    MeasureError
        A reference point that is not a pair of finite numbers, a negative `unseen_from_mm`.
    """
    path = calibration.to_mm(trace.path_px)
    canal = float(arc_length(path)[-1])
    noise = path_noise(trace, calibration)
    if 0.0 < canal <= LONGEST_MM and _clicked(trace, path):
        # A click is no more exact in the middle than at the ends.
        std = max(noise.std_mm, click_std_px * sqrt(calibration.mm_per_px_row * calibration.mm_per_px_col))
        by_clicks = clicks_length(path, click_std_mm=std)
        canal, path_std = by_clicks.length_mm, by_clicks.path_std_mm
    else:
        path_std = _path_std_mm(path, noise) if canal else 0.0
    whole, coronal = path, 0.0
    if reference_px is not None:
        reference = as_points(MeasureError, "reference_px", [reference_px])
        whole = np.vstack([calibration.to_mm(reference), path])
        coronal = float(np.hypot(*(whole[1] - whole[0])))
        if coronal == 0.0:
            whole = path
    length = coronal + canal
    if not 0.0 < length <= LONGEST_MM:
        raise MeasureError(
            f"path_px must have a length of up to {LONGEST_MM:g} mm: it is {length:.4g} mm; check scale and order of points"
        )
    steps = np.diff(whole, axis=0)
    first, last = steps[np.hypot(steps[:, 0], steps[:, 1]) > 0.0][[0, -1]]
    clicks = [max(click_std_px * pixel_along(end, calibration.mm_per_px), CLICK_FLOOR_MM) for end in (first, last)]
    scale_terms = {name: length * std for name, std in calibration.terms}
    if from_foot:
        _begun_together(scale_terms, clicks)
    budget = [
        Term(END_CLICKS, hypot(*clicks)),
        Term(PATH, path_std),
        *(Term(name, std, True, calibration.shape_of(name)) for name, std in scale_terms.items()),
    ]
    files = [calibration.to_mm(line.path_px) for line in calibration.lines if line.kind == "file"]
    covered = min(length, max((covered_mm(whole, file, beside_mm=beside_mm) for file in files), default=0.0))
    open_mm = length - covered
    if open_mm > 0.0:
        # Never more than for a canal without any file: over a long stretch the tilts average out.
        tilt = min(uncovered_end_rel_std * open_mm, uncovered_whole_rel_std * length)
        budget.append(Term(TILT, tilt))
        winding = winding_mm(path, open_mm)
        if covered > 0.0 and winding > WINDS_FROM_MM and trace.tracer != GIVEN_PATH:
            budget.append(Term(WINDING, WINDING_REL_STD * winding))
    if unseen_from_mm is not None:
        if check_finite(MeasureError, "unseen_from_mm", unseen_from_mm) < 0.0:
            raise MeasureError(f"unseen_from_mm must be >= 0: {unseen_from_mm:g}; it counts from the orifice")
        budget.append(Term(UNSEEN, unseen_rel_std * max(0.0, canal - unseen_from_mm)))
    return LengthEstimate(coronal, canal, tuple(budget), covered)


def _begun_together(scale_mm: dict[str, float], clicks_mm: list[float]) -> None:
    """The terms of a length that begins at the foot at which the known length does: an error of the foot is counted once."""
    foot_mm = clicks_mm.pop(0)
    if ENDS_TERM in scale_mm:  # foot and tip, alike
        end_mm = scale_mm[ENDS_TERM] / sqrt(2.0)
        scale_mm[ENDS_TERM] = hypot(end_mm, end_mm - foot_mm)
    if REFERENCE_TERM in scale_mm:
        scale_mm[REFERENCE_TERM] = abs(scale_mm[REFERENCE_TERM] - REFERENCE_STD_MM)


def winding_mm(path_mm: Float64, open_mm: float) -> float:
    """How much longer the last `open_mm` of a path are than their chord."""
    along = arc_length(path_mm)
    stretch = min(open_mm, WINDING_MM, float(along[-1]))
    begin = [float(np.interp(along[-1] - stretch, along, path_mm[:, axis])) for axis in (0, 1)]
    return max(0.0, stretch - float(np.hypot(*(path_mm[-1] - begin))))


def _path_std_mm(path_mm: Float64, noise: Noise) -> float:
    """Effect on the arc length of errors across the path.

    Moving a curve sideways by d(s) changes its length by the integral of kappa d, so independent errors of standard
    uncertainty u over stretches of length c give ``u sqrt(c * integral of kappa squared)``.
    """
    total = float(arc_length(path_mm)[-1])
    stretch = max(noise.correlation_mm, total / max(len(path_mm) - 1, 1))
    count = max(4, int(total / stretch) + 1)
    steps = np.diff(resample(path_mm, count), axis=0)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    bend = float(np.sum(np.diff(heading) ** 2)) / (total / (count - 1))
    return noise.std_mm * sqrt(stretch * bend)
