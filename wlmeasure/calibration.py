"""The scale of one radiograph, from a file or an object of known length in it or from a spacing that its file claims.

The one crossing from pixels to millimetres. A file that lies in the canal is the best witness: it shares the depth, and most
of the tilt, of what is measured. A spacing claim knows neither the magnification (which makes lengths long) nor the
foreshortening (which makes them short).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt
from typing import Literal

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import CalibrationError, check_finite, check_positive
from wlmeasure.flags import Flag, catalogue
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.magnification import Magnification, usual_magnification
from wlmeasure.points import as_points
from wlmeasure.trade.instruments import (
    HAND_FILE_TAPER,
    WORKING_PART_MM,
    diameter_tolerance_mm,
    is_nominal_length,
    tip_diameter_mm,
)

__all__ = [
    "CLICK_STD_PX",
    "ENDS_TERM",
    "REFERENCE_STD_MM",
    "REFERENCE_TERM",
    "RULER_STD_MM",
    "SEAT_TERM",
    "UNSEATED_MM",
    "UNSEATED_RMS_MM",
    "UNSEATED_SHARE",
    "Calibration",
    "KnownLine",
    "calibrate_lines",
    "calibrate_spacing",
    "calibrate_taper",
    "implied_magnification",
    "magnification_flags",
    "pixel_along",
]

Float64 = NDArray[np.float64]
Method = Literal[
    "file of known length", "object of known size", "files and objects", "spacing claim", "taper of the file"
]

ENDS_TERM, REFERENCE_TERM, SEAT_TERM = (
    "ends of the known length", "reference point beside the shaft", "seat of the stop",
)  # fmt: skip
"""Names of terms of a scale from known lengths; the last two are those of a file whose stop does not show."""

CLICK_FLOOR_MM = 0.015  # our parameter: an enlarged image is not clicked on more finely than a fine detector's pixel
CLICK_STD_PX = 1.0  # our parameter: a careful click on a magnified film; the floor of every click-based length
RULER_STD_MM = 0.25 / sqrt(3.0)  # a stop set on a ruler to the nearest 0.5 mm: +-0.25 mm, rectangular (GUM 4.3.7)
# Where a stop does not show, its face is taken to lie at the foot of the reference point on the shaft. But the disc touches an
# edge or a cusp that lies 1 to 2 mm from the shaft (half a stop) and mostly in another depth: where the shaft leans by 10
# degrees out of the film's plane, which no film shows, the foot is off by up to a third of a millimetre (our parameter).
REFERENCE_STD_MM = 0.2
# A stop that was not seen to rest on its reference may have been lifted or have slid: in this share of cases, evenly by so
# much, and never the other way (our parameters; no source found).
UNSEATED_SHARE, UNSEATED_MM = 1.0 / 3.0, (0.5, 1.0)
UNSEATED_RMS_MM = sqrt(
    UNSEATED_SHARE * (UNSEATED_MM[0] ** 2 + UNSEATED_MM[0] * UNSEATED_MM[1] + UNSEATED_MM[1] ** 2) / 3.0
)
KNOWN_LENGTH_MM = (1.0, 60.0)  # refused outside: no hand file and no calibration object is shorter or longer
USUAL_FILE_MM = (10.0, 33.0)  # a file's stop-to-tip length outside is flagged, never refused
CONSISTENT_95 = 1.96
FORESHORTENED_BELOW = 1.0  # implied magnification: 0.90 to 1.0 is a foreshortened file (a note) ...
MAGNIFICATION_RANGE = (0.90, 1.20)  # ... outside this, the length or the points are in doubt (our parameters)

# Relative standard uncertainty of a spacing claim by its trust (our parameters), as a scale of the tooth that nothing corrects.
# Detector spacing: intraoral magnification 1.03 to 1.11 (Lazzerini et al., Radiol Med 1996;91:364-369, and the geometry of
# common distances); divided by the usual magnification it is as uncertain as that.
CLAIM_REL_STD = {"calibrated": 0.02, "estimate": 0.05, "detector": 0.07, "unknown": 0.10}
MAGNIFICATION_REL_STD = 0.03  # a magnification that somebody assumed, not measured

_FLAGS = catalogue(
    {
        "nominal-length": (
            "The file's length is one that files are sold in: was it read from the packet? Such a length is off by up to "
            "0.5 mm; if it was not measured from stop to tip, measure it."
        ),
        "file-length-unusual": "The file's length from stop to tip is outside 10 to 33 mm; check the number.",
        "scales-disagree": (
            "The known lengths on this film disagree by more than their uncertainties; the scale is less certain."
        ),
        "scale-from-taper": (
            "The scale is only estimated from the file's thickness on the film and its nominal size and taper; it may be off "
            "by a fifth and more, so take no working length from it."
        ),
        "taper-disagrees": "The file does not thicken on the film as its taper says; check size, taper and tip.",
        "spacing-claim": ("The scale is the image file's own claim, not measured on a known length on this film."),
        "spacing-untrusted": "Nothing in the image file says what its pixel spacing refers to.",
        "magnification-assumed": "The magnification was assumed, not measured.",
        "magnification-usual": "The magnification is that of usual intraoral films, not of this one.",
        "magnification-implausible": (
            "The scale implies a magnification outside 0.90 to 1.20; check the known length and the points on the film."
        ),
        "file-foreshortened": (
            "The scale implies a magnification below 1: the file is tilted or bent away from the film, and so is the canal."
        ),
        "object-off-plane": (
            "An object beside the tooth is magnified like the canal only if it lies at the same distance from the film."
        ),
    }
)


def _points(value: object) -> Float64:
    array = as_points(CalibrationError, "points_px", value, least=2)
    array.setflags(write=False)
    return array


@frozen(eq=False)
class KnownLine:
    """A line of known length on the film.

    Attributes
    ----------
    path_px : (N, 2) float64
        (row, col). A curved file is given by its traced path; its chord is up to 1.2 mm shorter (reference radiographs). Where
        its stop does not show the path begins at the foot of the reference point (:mod:`wlmeasure.trace.reference_foot`).
    known_length_mm
        A file: from stop to tip as measured, not the length printed on it.
    known_length_std_mm
        Standard uncertainty of that length; a ruler read to 0.5 mm has 0.144.
    kind
        ``file`` or ``object``.
    read_to_division
        The length was read to a division of a ruler: its error lies anywhere within sqrt(3) times its standard uncertainty,
        and nowhere beyond (GUM 4.3.7).
    upper_end
        What the path of a file begins at: the stop's face, or the foot of the reference point that the stop rested on.
    stop_seated
        Whether a stop that does not show was seen to rest on the reference at exposure. Else it may have been lifted or have
        slid, the file is then less deep than its known length, and every length is too long.

    Raises
    ------
    CalibrationError
        Fewer than two points, a line of no length, a length outside 1 to 60 mm, a negative uncertainty.
    """

    path_px: Float64 = field(converter=_points)
    known_length_mm: float
    known_length_std_mm: float = RULER_STD_MM
    kind: Literal["file", "object"] = "file"
    read_to_division: bool = False
    upper_end: Literal["stop", "reference"] = "stop"
    stop_seated: bool = False

    def __attrs_post_init__(self) -> None:
        if self.kind not in ("file", "object"):
            raise CalibrationError(f"kind must be file or object: {self.kind!r}")
        if self.upper_end not in ("stop", "reference"):
            raise CalibrationError(f"upper_end must be stop or reference: {self.upper_end!r}")
        length = check_positive(CalibrationError, "known_length_mm", self.known_length_mm)
        low, high = KNOWN_LENGTH_MM
        if not low <= length <= high:
            raise CalibrationError(f"known_length_mm must be {low:g} to {high:g} mm: {length:g}; check the unit")
        if check_finite(CalibrationError, "known_length_std_mm", self.known_length_std_mm) < 0.0:
            raise CalibrationError(f"known_length_std_mm must be >= 0: {self.known_length_std_mm:g}")
        if float(np.abs(np.diff(self.path_px, axis=0)).sum()) <= 0.0:
            raise CalibrationError("points_px must be distinct: the line of known length has no length on the film")

    @property
    def runs(self) -> str:
        """From where to where the known length of a file runs, in words."""
        if self.upper_end == "stop":
            return "from stop to tip"
        return "from the perpendicular of the marked reference point to the tip"

    @property
    def reference_std_mm(self) -> float:
        """What the reference point adds to the uncertainty of where the known length begins, mm."""
        return REFERENCE_STD_MM if self.kind == "file" and self.upper_end == "reference" else 0.0

    @property
    def unseated_std_mm(self) -> float:
        """How much less deep the file may be than its known length says: the rms distance from none, mm; 0 where it cannot."""
        return UNSEATED_RMS_MM if self.reference_std_mm and not self.stop_seated else 0.0

    def length_px(self, col_over_row: float) -> float:
        """Length along the path in row-pixel units."""
        steps = np.diff(self.path_px, axis=0)
        return float(np.hypot(steps[:, 0], steps[:, 1] * col_over_row).sum())

    def click_std_px(self, click_std_px: float, col_over_row: float) -> float:
        """Uncertainty of that length from its two end clicks, in row-pixel units."""
        steps = np.diff(self.path_px, axis=0) * (1.0, col_over_row)
        steps = steps[np.hypot(steps[:, 0], steps[:, 1]) > 0.0]  # a path may begin or end with a point twice
        return click_std_px * hypot(*(pixel_along(step, (1.0, col_over_row)) for step in steps[[0, -1]]))


def pixel_along(step: Float64, pixel: tuple[float, float]) -> float:
    """Length along `step` that one pixel of independent error in row and in column makes, in the unit of `pixel`."""
    return float(hypot(step[0] * pixel[0], step[1] * pixel[1]) / hypot(step[0], step[1]))


@frozen(eq=False)
class Calibration:
    """Millimetres per pixel of one radiograph, with what it rests on.

    Attributes
    ----------
    mm_per_px_row, mm_per_px_col
        Size of a pixel along a column of pixels (from row to row) and along a row of pixels.
    terms
        Named parts of the relative standard uncertainty.
    method
        What the scale comes from.
    lines
        The known lines, when it comes from them.
    claim
        The spacing claim, when it comes from one.
    consistency
        Largest deviation of one known length from the common scale over its uncertainty; None for a single one.
    flags
        Remarks.
    rectangular
        Names of the terms whose errors are spread evenly and not normally.
    one_sided
        Names of the terms that only ever make lengths too long.
    magnification
        What a spacing on the detector was divided by, stated or usual; None for any other scale.
    """

    mm_per_px_row: float
    mm_per_px_col: float
    terms: tuple[tuple[str, float], ...]
    method: Method
    lines: tuple[KnownLine, ...] = ()
    claim: SpacingClaim | None = None
    consistency: float | None = None
    flags: tuple[Flag, ...] = ()
    rectangular: tuple[str, ...] = ()
    one_sided: tuple[str, ...] = ()
    magnification: float | None = None

    def __attrs_post_init__(self) -> None:
        check_positive(CalibrationError, "mm_per_px_row", self.mm_per_px_row)
        check_positive(CalibrationError, "mm_per_px_col", self.mm_per_px_col)

    @property
    def rel_std(self) -> float:
        """Relative standard uncertainty of the scale."""
        return hypot(*(std for _, std in self.terms))

    def shape_of(self, term: str) -> Literal["normal", "rectangular", "one-sided"]:
        """How the errors of one of its terms are spread."""
        if term in self.one_sided:
            return "one-sided"
        return "rectangular" if term in self.rectangular else "normal"

    @property
    def mm_per_px(self) -> tuple[float, float]:
        return self.mm_per_px_row, self.mm_per_px_col

    def to_mm(self, points_px: object) -> Float64:
        """(N, 2) pixel coordinates (row, col) to mm, same order and origin."""
        return np.asarray(np.asarray(points_px, np.float64) * self.mm_per_px, np.float64)


def calibrate_lines(
    lines: Sequence[KnownLine],
    *,
    col_over_row: float = 1.0,
    click_std_px: float = CLICK_STD_PX,
    consistency_limit: float = CONSISTENT_95,
) -> Calibration:
    """Scale from one or more lines of known length, by weighted least squares.

    Each length is ``scale x length in pixels`` with the variance of the known length and of its two end clicks, and where a
    file's stop does not show, of its reference point and of the stop's seat.
    Lines that disagree by more than `consistency_limit` widen the uncertainty by the Birge ratio and are flagged.

    Parameters
    ----------
    lines
        Files and objects of known length.
    col_over_row
        Column spacing over row spacing of the image: 1 for square pixels.
    click_std_px
        Standard uncertainty of one end click along the line, pixels.
    consistency_limit
        Normalised residual above which two scales disagree (1.96: 95 %).

    Raises
    ------
    CalibrationError
        No line, or a ratio that is not positive.
    """
    if not lines:
        raise CalibrationError("scale must rest on at least one line of known length: none given; add one")
    ratio = check_positive(CalibrationError, "col_over_row", col_over_row)
    check_positive(CalibrationError, "click_std_px", click_std_px)
    known = np.array([line.known_length_mm for line in lines])
    known_std = np.array([line.known_length_std_mm for line in lines])
    pixels = np.array([line.length_px(ratio) for line in lines])
    clicks = np.array([line.click_std_px(click_std_px, ratio) for line in lines])
    reference = np.array([line.reference_std_mm for line in lines])
    unseated = np.array([line.unseated_std_mm for line in lines])
    beside = reference**2 + unseated**2
    scale = float(np.sum(known * pixels) / np.sum(pixels * pixels))
    for _ in range(5):  # the click term depends on the scale, weakly
        ends = np.maximum(scale * clicks, sqrt(2.0) * CLICK_FLOOR_MM)
        weight = 1.0 / np.maximum(known_std**2 + ends**2 + beside, 1e-12)
        scale = float(np.sum(weight * known * pixels) / np.sum(weight * pixels**2))
    share = weight * pixels / np.sum(weight * pixels**2)
    terms = [
        ("known length", float(np.sqrt(np.sum((share * known_std) ** 2))) / scale),
        (ENDS_TERM, float(np.sqrt(np.sum((share * ends) ** 2))) / scale),
    ]
    if reference.any():
        terms.append((REFERENCE_TERM, float(np.sqrt(np.sum((share * reference) ** 2))) / scale))
    if unseated.any():  # whoever let one stop slide let the others slide too
        terms.append((SEAT_TERM, float(np.sum(share * unseated)) / scale))
    flags = []
    consistency = None
    if len(lines) > 1:
        normalised = np.abs(known - scale * pixels) * np.sqrt(weight)
        consistency = float(normalised.max())
        birge = float(np.sqrt(np.sum(normalised**2) / (len(lines) - 1)))
        if birge > 1.0 and consistency > consistency_limit:
            flags.append(_FLAGS["scales-disagree"])
            terms.append(("disagreement of the known lengths", hypot(*(s for _, s in terms)) * sqrt(birge**2 - 1.0)))
    files = [line for line in lines if line.kind == "file"]
    if any(is_nominal_length(line.known_length_mm) for line in files):
        flags.append(_FLAGS["nominal-length"])
    if any(not USUAL_FILE_MM[0] <= line.known_length_mm <= USUAL_FILE_MM[1] for line in files):
        flags.append(_FLAGS["file-length-unusual"])
    if len(files) < len(lines):
        flags.append(_FLAGS["object-off-plane"])
    method: Method = "file of known length"
    if files and len(files) < len(lines):
        method = "files and objects"
    elif not files:
        method = "object of known size"
    # The mean of several readings is no longer spread evenly.
    even = ("known length",) if len(lines) == 1 and lines[0].read_to_division else ()
    return Calibration(
        scale, scale * ratio, tuple(terms), method, tuple(lines), None, consistency, tuple(dict.fromkeys(flags)), even,
        (SEAT_TERM,),
    )  # fmt: skip


def calibrate_spacing(
    claim: SpacingClaim,
    *,
    magnification: float | None = None,
    claim_rel_std: float | None = None,
    magnification_rel_std: float = MAGNIFICATION_REL_STD,
    usual: Magnification | None = None,
) -> Calibration:
    """Scale from a spacing that the image file claims, taken knowingly.

    A spacing that is not in the patient is divided by the magnification: the one that is stated, else the usual one
    (:func:`wlmeasure.magnification.usual_magnification`). Neither makes it a measured scale.

    Parameters
    ----------
    claim
        The claim; its plane and trust set what is corrected and how sure it is.
    magnification
        Stated ratio of size on the detector to size in the patient.
    claim_rel_std
        Relative standard uncertainty of the claim instead of that of its trust.
    magnification_rel_std
        Relative standard uncertainty of the stated magnification.
    usual
        What to divide by where none is stated; that of usual intraoral films by default.

    Raises
    ------
    CalibrationError
        A magnification that is not between 0.5 and 2, or one on top of a spacing that is already in the patient.
    """
    factor: float | None = None
    flags = [_FLAGS["spacing-claim"]]
    rel_std = CLAIM_REL_STD[claim.trust] if claim_rel_std is None else claim_rel_std
    terms = [(f"spacing claim ({claim.trust})", check_positive(CalibrationError, "claim_rel_std", rel_std))]
    if claim.trust == "unknown":
        flags.append(_FLAGS["spacing-untrusted"])
    if magnification is not None:
        factor = check_positive(CalibrationError, "magnification", magnification)
        if not 0.5 <= factor <= 2.0:
            raise CalibrationError(
                f"magnification must be 0.5 to 2: {factor:g}; it is size on the detector over true size"
            )
        if claim.plane == "patient":
            raise CalibrationError(
                f"magnification must not be applied to {claim.claim}, which is already in the patient: {factor:g}; leave it out"
            )
        flags.append(_FLAGS["magnification-assumed"])
        std = check_positive(CalibrationError, "magnification_rel_std", magnification_rel_std)
        added = ("assumed magnification", std)
    elif claim.plane != "patient":
        usual = usual_magnification() if usual is None else usual
        factor, added = usual.mean, ("usual magnification", usual.rel_std)
        flags.append(_FLAGS["magnification-usual"])
    if factor is not None:
        # The uncertainty of a detector spacing is that of its magnification.
        own = [] if claim.trust == "detector" and claim_rel_std is None else terms
        terms = [*own, added]
    by = factor or 1.0
    return Calibration(
        claim.row_mm / by,
        claim.col_mm / by,
        tuple(terms),
        "spacing claim",
        claim=claim,
        flags=tuple(flags),
        magnification=factor,
    )


def calibrate_taper(
    widths_px: Sequence[tuple[float, float, float]],
    size: int,
    *,
    taper: float = HAND_FILE_TAPER,
    col_over_row: float = 1.0,
    special: bool = False,
) -> Calibration:
    """Scale from the thickness of a file, where its stop is not in the picture: a labelled estimate and no more.

    By ISO 3630-1 the file is D0 + taper x n thick n mm from its tip. On a film of scale m the width w at the distance l (both
    in pixels) is therefore m w = D0 + taper m l, so that m = D0 / (w - taper l): the scale follows from the nominal tip
    diameter, and two widths at a known distance in pixels only test the taper, which has no unit. What a width lacks to the
    truth is alike at all places, so several widths are averaged and not counted as independent.

    Parameters
    ----------
    widths_px
        (distance from the tip, width, standard uncertainty of the width) in row-pixel lengths, two or more.
    size
        Nominal size in 1/100 mm.
    taper
        Growth of the diameter per mm.
    col_over_row
        Column spacing over row spacing of the image.
    special
        Takes sizes that ISO 3630-1 does not know.

    Raises
    ------
    CalibrationError
        Fewer than two widths, numbers that are not positive, a file no thicker than its taper alone makes it, or a place
        beyond the 16 mm that are sure to taper.
    TradeError
        A size that the standard does not know.
    """
    nominal = tip_diameter_mm(size, special=special)
    if len(widths_px) < 2:
        raise CalibrationError(
            f"the file's thickness must be measured at two places or more: {len(widths_px)}; click more of its shaft"
        )
    ratio = check_positive(CalibrationError, "col_over_row", col_over_row)
    table = np.array([[check_positive(CalibrationError, "the file's thickness", v) for v in row] for row in widths_px])
    distance, width, std = table.T
    grows = check_finite(CalibrationError, "taper", taper)
    if not 0.0 < grows <= 0.25:
        raise CalibrationError(f"taper must be more than 0 and at most 0.25: {grows:g}; .04 is 0.04")
    tip_px = float(np.mean(width - grows * distance))
    if tip_px <= 0.0:
        k = int(distance.argmax())
        raise CalibrationError(
            f"the file must be thicker than its taper of {grows:g} alone makes it: {distance[k]:.0f} px from its tip it is "
            f"{width[k]:.1f} px thick on the film, and {grows * distance[k]:.1f} px come from the taper; check the file's "
            "taper, and that the last point is its tip"
        )
    scale = nominal / tip_px
    if scale * float(distance.max()) > WORKING_PART_MM:
        raise CalibrationError(
            f"the file's thickness must be measured within {WORKING_PART_MM:g} mm of its tip, where it is sure to taper: by "
            f"size {size} the place lies {scale * float(distance.max()):.1f} mm from it; check the file's size and taper"
        )
    flags = [_FLAGS["scale-from-taper"]]
    apart = float(distance.max() - distance.min())
    if apart > 0.0:
        seen = float(np.polyfit(distance, width, 1)[0])
        if abs(seen - grows) > CONSISTENT_95 * sqrt(2.0) * float(std.mean()) / apart:
            flags.append(_FLAGS["taper-disagrees"])
    terms = (
        ("diameter tolerance (ISO 3630-1)", diameter_tolerance_mm(size, special=special) / sqrt(3.0) / nominal),
        ("width of the shaft on the film", float(std.mean()) / tip_px),
    )
    return Calibration(scale, scale * ratio, terms, "taper of the file", (), None, None, tuple(flags))


def implied_magnification(calibration: Calibration, claim: SpacingClaim) -> float:
    """Magnification that a scale implies beside a known detector spacing: detector mm per pixel over mm per pixel."""
    return sqrt(claim.row_mm * claim.col_mm / (calibration.mm_per_px_row * calibration.mm_per_px_col))


def magnification_flags(magnification: float, *, limits: tuple[float, float] = MAGNIFICATION_RANGE) -> tuple[Flag, ...]:
    """What an implied magnification says: implausible outside `limits`, a foreshortened file below 1."""
    if not limits[0] <= magnification <= limits[1]:
        return (_FLAGS["magnification-implausible"],)
    return (_FLAGS["file-foreshortened"],) if magnification < FORESHORTENED_BELOW else ()
