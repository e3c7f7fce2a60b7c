"""Working length from the film: the named radiographic methods, when to confirm, and what the film can say of one
canal.

Lengths run along the canal from the coronal reference point, in mm. Nothing is rounded here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal, get_args

from attrs import evolve, field, frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative, is_unusual
from wlmeasure.decide.flags import flag
from wlmeasure.errors import DecideError, check_finite, check_positive
from wlmeasure.flags import Flag
from wlmeasure.measure.budget import Term, total_std_mm

__all__ = [
    "ACCEPT_WITHIN_MM",
    "CLEAR_LANDMARK_STD_MM",
    "CONFIRM_WITHIN_MM",
    "CORRECTION_STD_PER_MM",
    "END_ALLOWANCE_MM",
    "FORAMEN_ALLOWANCE_MM",
    "LANDMARK_TERM",
    "MAJOR_DIAMETER_ALLOWANCE_MM",
    "OPEN_APEX_LANDMARK_STD_MM",
    "SAFETY_MM",
    "SUPERIMPOSED_LANDMARK_STD_MM",
    "UNSEEN_STD_PER_MM",
    "AgeGroup",
    "Apex",
    "ApexVisibility",
    "ApicalEnd",
    "CorrectedLength",
    "RadiographicLength",
    "Resorption",
    "RetakeBand",
    "corrected_length",
    "end_allowance_mm",
    "from_major_diameter",
    "proportional_mm",
    "radiographic_length",
    "retake_band",
    "subtract_add_subtract",
]

Resorption = Literal["none", "bone", "bone and root"]
AgeGroup = Literal["18-25", "55 and over"]
Apex = Literal["closed", "open"]
ApexVisibility = Literal["clear", "superimposed", "cut off"]
ApicalEnd = Literal["radiographic apex", "apical foramen", "file tip", "filling end", "open apex"]
RetakeBand = Literal["accept", "confirm", "do not extrapolate"]

END_ALLOWANCE_MM: Final[dict[str, float]] = {"none": 1.0, "bone": 1.5, "bone and root": 2.0}
"""Subtracted from the radiographic root end. Weine, Endodontic Therapy."""

MAJOR_DIAMETER_ALLOWANCE_MM: Final[dict[str, float]] = {"18-25": 0.5, "55 and over": 0.67}
"""Major to minor diameter by age in years. Kuttler, JADA 1955;50:544-552, as rounded in teaching (others teach 0.6 for
the older group)."""

FORAMEN_ALLOWANCE_MM: Final = 0.5
"""From a foramen marked on the film to the constriction. Kuttler 1955, younger group."""

SAFETY_MM: Final = 1.0
"""First subtraction before the trial file goes in. Ingle & Bakland, Endodontics (from memory)."""

ACCEPT_WITHIN_MM: Final = 1.0
"""A correction up to this is accepted by calculation. Rule of 1 mm in Grossman's Endodontic Practice, 13th ed."""

CONFIRM_WITHIN_MM: Final = 3.0
"""Above the first and up to this, confirmation is advised; beyond it no length is extrapolated (our parameter: 2 and 3
mm are taught, no text found)."""

CORRECTION_STD_PER_MM: Final = 0.064
"""Standard uncertainty of a tip-to-apex distance, per mm of it, when none is given: magnification left uncorrected puts
up to 0.11 mm on each mm, taken as a rectangular half-width, 0.11 / sqrt(3) (our parameter)."""

CLEAR_LANDMARK_STD_MM: Final = 0.4
"""Scatter between roots of the distance from radiographic apex to constriction. Middle of 0.3 to 0.5 mm, from the
spread of the published means (Wolf et al. 2017; Dummer, McGinn & Rees, Int Endod J 1984;17:192-198, the range of 0.07
to 2.69 mm from memory)."""

SUPERIMPOSED_LANDMARK_STD_MM: Final = 0.6
"""The same where other structures lie over the apex (our parameter)."""

OPEN_APEX_LANDMARK_STD_MM: Final = 0.6
"""The same at an open apex, whose end is uneven and has no constriction (our parameter)."""

LANDMARK_TERM: Final = "scatter of the landmark"
"""The term of a budget that no better film lessens: where the constriction lies from the end that is seen."""

UNSEEN_STD_PER_MM: Final = 0.1
"""Standard uncertainty per mm of canal that cannot be seen: a straight guess misses a hidden tilt of up to 30 degrees,
15 % of its length (our parameter)."""


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise DecideError(f"{name} must be one of {', '.join(allowed)}: {value!r}")


def proportional_mm(file_known_mm: float, tooth_apparent: float, file_apparent: float) -> float:
    """Length of the tooth in mm from a file of known length lying in it (Grossman, Endodontic Practice).

    The two apparent lengths are in one unit, whichever. Magnification drops out exactly; foreshortening drops out only
    where file and tooth lie on one line. The known length is the distance from stop to tip measured on a ruler, not the
    nominal length of the file. Raises :class:`DecideError` for a value that is not > 0.
    """
    known = check_positive(DecideError, "file_known_mm", file_known_mm)
    tooth = check_positive(DecideError, "tooth_apparent", tooth_apparent)
    file = check_positive(DecideError, "file_apparent", file_apparent)
    return known * tooth / file


def end_allowance_mm(resorption: Resorption = "none") -> float:
    """Distance in mm to stay short of the radiographic root end, by what is resorbed (Weine, Endodontic Therapy)."""
    _one_of("resorption", resorption, get_args(Resorption))
    return END_ALLOWANCE_MM[resorption]


def from_major_diameter(
    length_mm: float, age_group: AgeGroup | None = None, *, allowance_mm: float | None = None
) -> float:
    """Length in mm to the minor diameter from a file at the major diameter (Kuttler, JADA 1955;50:544-552).

    Give either the age group in years or an allowance in mm; the study has no group between 25 and 55.
    Raises :class:`DecideError` when neither or both are given, or the length is not 1 to 60 mm.
    """
    length = check_length("length_mm", length_mm)
    if (age_group is None) == (allowance_mm is None):
        raise DecideError(f"age_group or allowance_mm must be given, one of the two: {age_group!r}, {allowance_mm!r}")
    if allowance_mm is not None:
        return _shortened(length, check_not_negative("allowance_mm", allowance_mm))
    _one_of("age_group", str(age_group), get_args(AgeGroup))
    return _shortened(length, MAJOR_DIAMETER_ALLOWANCE_MM[str(age_group)])


def retake_band(
    correction_mm: float, *, accept_within_mm: float = ACCEPT_WITHIN_MM, confirm_within_mm: float = CONFIRM_WITHIN_MM
) -> RetakeBand:
    """What a correction from file tip to root end allows: accept by calculation, confirm, or do not extrapolate.

    `correction_mm` is positive where the tip is short. A value on an edge belongs to the milder band; a tip beyond the
    root end is always "do not extrapolate". Raises :class:`DecideError` for edges out of order.
    """
    correction = check_finite(DecideError, "correction_mm", correction_mm)
    if not 0.0 <= accept_within_mm <= confirm_within_mm:
        raise DecideError(
            f"accept_within_mm must be 0 to confirm_within_mm: {accept_within_mm:g}, {confirm_within_mm:g}; order them"
        )
    if correction < -EDGE_TOLERANCE_MM or correction > confirm_within_mm + EDGE_TOLERANCE_MM:
        return "do not extrapolate"
    return "accept" if correction <= accept_within_mm + EDGE_TOLERANCE_MM else "confirm"


def _correction_flags(correction_mm: float, band: RetakeBand) -> tuple[Flag, ...]:
    if band == "accept":
        return ()
    if band == "confirm":
        return (flag("correction-confirm"),)
    return (flag("tip-beyond-apex" if correction_mm < 0.0 else "correction-too-large"),)


def _shortened(length_mm: float, allowance_mm: float) -> float:
    if allowance_mm >= length_mm:
        raise DecideError(
            f"allowance must be shorter than the length: {allowance_mm:g} of {length_mm:g} mm; check both"
        )
    return length_mm - allowance_mm


@frozen
class CorrectedLength:
    """A length by the method of subtracting, adding and subtracting again, with each step (mm).

    `length_mm` and `root_end_mm` are None where the tip lay too far short to extrapolate.
    """

    tentative_mm: float
    correction_mm: float
    root_end_mm: float | None
    length_mm: float | None
    band: RetakeBand
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def corrected_length(
    file_mm: float,
    tip_short_mm: float,
    *,
    end_allowance_mm: float = SAFETY_MM,
    accept_within_mm: float = ACCEPT_WITHIN_MM,
    confirm_within_mm: float = CONFIRM_WITHIN_MM,
) -> CorrectedLength:
    """Working length as the length of a trial file + distance of its tip from the root end - end allowance: the second half of
    :func:`subtract_add_subtract`.

    Parameters
    ----------
    file_mm
        Length of the file from the reference point to its tip.
    tip_short_mm
        Distance from file tip to root end: positive when short, negative when beyond.
    end_allowance_mm
        Subtracted at the end (1.0 in the text, 0.5 to 1.0 in use).
    accept_within_mm, confirm_within_mm
        Edges of :func:`retake_band`.

    A tip beyond the root end is counted back and flagged; one farther short than `confirm_within_mm` gives no length.
    Raises :class:`DecideError` for lengths that cannot be.
    """
    tentative = check_length("file_mm", file_mm)
    correction = check_finite(DecideError, "tip_short_mm", tip_short_mm)
    allowance = check_not_negative("end_allowance_mm", end_allowance_mm)
    band = retake_band(correction, accept_within_mm=accept_within_mm, confirm_within_mm=confirm_within_mm)
    root_end = (
        None
        if band == "do not extrapolate" and correction > 0.0
        else check_length("corrected length", tentative + correction)
    )
    return CorrectedLength(
        tentative_mm=tentative,
        correction_mm=correction,
        root_end_mm=root_end,
        length_mm=None if root_end is None else _shortened(root_end, allowance),
        band=band,
        flags=_correction_flags(correction, band),
        parameters=(
            ("end_allowance_mm", allowance),
            ("accept_within_mm", accept_within_mm),
            ("confirm_within_mm", confirm_within_mm),
        ),
    )


def subtract_add_subtract(
    preoperative_mm: float,
    tip_short_mm: float,
    *,
    safety_mm: float = SAFETY_MM,
    end_allowance_mm: float = SAFETY_MM,
    accept_within_mm: float = ACCEPT_WITHIN_MM,
    confirm_within_mm: float = CONFIRM_WITHIN_MM,
) -> CorrectedLength:
    """Working length as (preoperative length - safety) + distance of the tip from the root end - end allowance (Ingle &
    Bakland, Endodontics).

    Parameters
    ----------
    preoperative_mm
        Length of the tooth on the film before treatment.
    tip_short_mm
        Distance from file tip to root end on the film with the file at the tentative length: positive when short,
        negative when beyond.
    safety_mm
        Subtracted before the file goes in (1.0).
    end_allowance_mm, accept_within_mm, confirm_within_mm
        As in :func:`corrected_length`, which is what follows.

    Raises :class:`DecideError` for lengths that cannot be.
    """
    preoperative = check_length("preoperative_mm", preoperative_mm)
    tentative = _shortened(preoperative, check_not_negative("safety_mm", safety_mm))
    made = corrected_length(
        tentative,
        tip_short_mm,
        end_allowance_mm=end_allowance_mm,
        accept_within_mm=accept_within_mm,
        confirm_within_mm=confirm_within_mm,
    )
    return evolve(made, parameters=(("safety_mm", safety_mm), *made.parameters))


def _optional_length(value: float | None) -> float | None:
    return None if value is None else check_length("film length", value)


def _optional_std(value: float | None) -> float | None:
    return None if value is None else check_positive(DecideError, "film std_mm", value)


@frozen
class RadiographicLength:
    """What the film says of one canal's length (mm from the coronal reference point).

    `length_mm` is the working length from the film, None where the film cannot give one; `std_mm` its standard
    uncertainty with the landmark term `landmark_std_mm` inside it, and `budget` holds it term by term.
    `apex_length_mm` is the length to the radiographic apex and `foramen_length_mm` to a foramen marked on the film, where
    known; no working length goes beyond either.
    """

    length_mm: float | None = field(converter=_optional_length)
    std_mm: float | None = field(converter=_optional_std)
    apex_length_mm: float | None = field(default=None, converter=_optional_length)
    foramen_length_mm: float | None = field(default=None, converter=_optional_length)
    method: str = "not stated"
    allowance_mm: float = 0.0
    landmark_std_mm: float = 0.0
    open_apex: bool = False
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()
    budget: tuple[Term, ...] = ()

    def __attrs_post_init__(self) -> None:
        if (self.length_mm is None) != (self.std_mm is None):
            raise DecideError(
                f"length_mm and std_mm must both be given or both absent: {self.length_mm!r}, {self.std_mm!r}"
            )
        check_not_negative("allowance_mm", self.allowance_mm)
        check_not_negative("landmark_std_mm", self.landmark_std_mm)
        if self.std_mm is not None and self.landmark_std_mm > self.std_mm + EDGE_TOLERANCE_MM:
            raise DecideError(
                f"landmark_std_mm must be inside std_mm: {self.landmark_std_mm:g} > {self.std_mm:g}; give the total"
            )
        limit = self.limit_mm
        if self.length_mm is not None and limit is not None and self.length_mm > limit + EDGE_TOLERANCE_MM:
            raise DecideError(
                f"length_mm must not lie beyond the end on the film: {self.length_mm:g} > {limit:g} mm; check both"
            )

    @property
    def limit_mm(self) -> float | None:
        """The farthest length the film allows: radiographic apex or marked foramen, the shorter where both are
        known.
        """
        known = [value for value in (self.apex_length_mm, self.foramen_length_mm) if value is not None]
        return min(known, default=None)


def radiographic_length(
    end_length_mm: float,
    end_std_mm: float,
    *,
    apical_end: ApicalEnd,
    resorption: Resorption = "none",
    apex: Apex = "closed",
    apex_visibility: ApexVisibility = "clear",
    unseen_mm: float = 0.0,
    tip_to_apex_mm: float | None = None,
    tip_to_apex_std_mm: float | None = None,
    allowance_mm: float | None = None,
    foramen_allowance_mm: float = FORAMEN_ALLOWANCE_MM,
    clear_landmark_std_mm: float = CLEAR_LANDMARK_STD_MM,
    superimposed_landmark_std_mm: float = SUPERIMPOSED_LANDMARK_STD_MM,
    open_apex_landmark_std_mm: float = OPEN_APEX_LANDMARK_STD_MM,
    unseen_std_per_mm: float = UNSEEN_STD_PER_MM,
    correction_std_per_mm: float = CORRECTION_STD_PER_MM,
    accept_within_mm: float = ACCEPT_WITHIN_MM,
    confirm_within_mm: float = CONFIRM_WITHIN_MM,
    end_budget: Sequence[Term] = (),
    corrected: CorrectedLength | None = None,
) -> RadiographicLength:
    """Working length from a length measured on the film to a named end.

    Parameters
    ----------
    end_length_mm, end_std_mm
        Measured length to the end of the trace and its standard uncertainty (scale, clicks, path).
    apical_end
        What the trace ends at. Root end: the resorption allowance is subtracted (Weine). Foramen:
        `foramen_allowance_mm`, and the part by which resorption enlarges the allowance. File tip: needs
        `tip_to_apex_mm`. Filling end: no working length. Open apex: the allowance is a distance from the root end and
        presumes no constriction.
    resorption, apex
        What is seen or known of the root end. Resorption enlarges the allowance; an open apex enlarges the landmark
        term.
    apex_visibility
        "superimposed" enlarges the landmark term, "cut off" leaves the film without a working length.
    unseen_mm
        Length of the apical stretch that cannot be seen; its uncertainty grows with it.
    tip_to_apex_mm, tip_to_apex_std_mm
        Distance along the canal from file tip to radiographic apex, positive when short; without an uncertainty one in
        proportion is taken.
    allowance_mm
        Replaces the allowance of the table altogether.
    foramen_allowance_mm
        From a marked foramen to the constriction.
    clear_landmark_std_mm, superimposed_landmark_std_mm, open_apex_landmark_std_mm
        Scatter of the landmark itself, for this tooth and root if known; the largest that applies is taken.
    unseen_std_per_mm, correction_std_per_mm
        Standard uncertainty per mm of unseen canal, and per mm of tip-to-apex distance.
    accept_within_mm, confirm_within_mm
        Edges of :func:`retake_band`.
    end_budget
        The terms that `end_std_mm` is made of; one term of that name without.
    corrected
        How `end_length_mm` came about where it is the known length of a file plus the gap to the end: what is to be said of
        such a correction is said, and the method is named so.

    Raises :class:`DecideError` for lengths or words that cannot be.
    """
    end_length = check_length("end_length_mm", end_length_mm)
    end_std = check_not_negative("end_std_mm", end_std_mm)
    terms = tuple(end_budget) or (Term("length on the film", end_std),)
    if abs(total_std_mm(terms) - end_std) > EDGE_TOLERANCE_MM:
        raise DecideError(
            f"end_budget must make up end_std_mm: {total_std_mm(terms):g} and {end_std:g} mm; give both from one length"
        )
    unseen = check_not_negative("unseen_mm", unseen_mm)
    _one_of("apical_end", apical_end, get_args(ApicalEnd))
    _one_of("apex", apex, get_args(Apex))
    _one_of("apex_visibility", apex_visibility, get_args(ApexVisibility))
    if unseen > end_length:
        raise DecideError(
            f"unseen_mm must not exceed the length: {unseen:g} > {end_length:g} mm; check where the canal is last seen"
        )
    open_apex = apex == "open" or apical_end == "open apex"
    resorbed = end_allowance_mm(resorption)
    flags = [flag("length-unusual")] if is_unusual(end_length) else []
    if resorption != "none":
        flags.append(flag("resorption-bone" if resorption == "bone" else "resorption-root"))
    if open_apex:
        flags.append(flag("open-apex"))
    if apex_visibility != "clear":
        flags.append(flag("apex-superimposed" if apex_visibility == "superimposed" else "apex-cut-off"))
    if unseen > 0.0:
        flags.append(flag("unseen-stretch"))
    if corrected is not None:
        if corrected.root_end_mm is None or abs(corrected.root_end_mm - end_length) > EDGE_TOLERANCE_MM:
            raise DecideError(
                f"corrected must give end_length_mm: {corrected.root_end_mm} and {end_length:g} mm; give both from one file"
            )
        flags.extend(corrected.flags)

    end_on_film: float | None = end_length
    allowance = resorbed
    correction_std = 0.0
    if apical_end == "apical foramen":
        method = "marked foramen less the foramen allowance"
        allowance = (
            check_not_negative("foramen_allowance_mm", foramen_allowance_mm) + resorbed - END_ALLOWANCE_MM["none"]
        )
    elif apical_end == "file tip":
        method = "file tip corrected to the root end, less the end allowance"
        if tip_to_apex_mm is None:
            end_on_film = None
            flags.append(flag("file-tip-only"))
        elif apex_visibility != "cut off":  # a distance to an apex that is not on the film is no distance
            correction = check_finite(DecideError, "tip_to_apex_mm", tip_to_apex_mm)
            band = retake_band(correction, accept_within_mm=accept_within_mm, confirm_within_mm=confirm_within_mm)
            flags.extend(_correction_flags(correction, band))
            # Counting back along a file that is seen is no extrapolation: a tip beyond the end still gives a length.
            beyond_reach = band == "do not extrapolate" and correction > 0.0
            end_on_film = (
                None if beyond_reach else check_length("length to the radiographic apex", end_length + correction)
            )
            given = None if tip_to_apex_std_mm is None else check_not_negative("tip_to_apex_std_mm", tip_to_apex_std_mm)
            correction_std = (
                given
                if given is not None
                else check_not_negative("correction_std_per_mm", correction_std_per_mm) * abs(correction)
            )
    elif apical_end == "filling end":
        method = "none: the end of a filling is not a landmark"
        end_on_film = None
        flags.append(flag("filling-end-only"))
    elif open_apex:
        method = "root end of an open apex less the end allowance"
    else:
        method = "radiographic apex less the end allowance"
    if apex_visibility == "cut off":
        end_on_film = None
    if allowance_mm is not None:
        allowance = check_not_negative("allowance_mm", allowance_mm)

    landmark_std = check_not_negative("clear_landmark_std_mm", clear_landmark_std_mm)
    if apex_visibility == "superimposed":
        landmark_std = max(
            landmark_std, check_not_negative("superimposed_landmark_std_mm", superimposed_landmark_std_mm)
        )
    if open_apex:
        landmark_std = max(landmark_std, check_not_negative("open_apex_landmark_std_mm", open_apex_landmark_std_mm))
    unseen_std = check_not_negative("unseen_std_per_mm", unseen_std_per_mm) * unseen
    at_foramen = apical_end == "apical foramen"
    further = ((LANDMARK_TERM, landmark_std), ("stretch not seen", unseen_std), ("tip to root end", correction_std))
    budget = (*terms, *(Term(name, std) for name, std in further if std > 0.0))
    gap: tuple[tuple[str, float], ...] = ()
    if corrected is not None:
        method = f"known length plus gap: {method}"
        gap = (("known_length_mm", corrected.tentative_mm), ("gap_mm", corrected.correction_mm))
    return RadiographicLength(
        length_mm=None if end_on_film is None else _shortened(end_on_film, allowance),
        std_mm=None if end_on_film is None else total_std_mm(budget),
        apex_length_mm=None if at_foramen else end_on_film,
        foramen_length_mm=end_on_film if at_foramen else None,
        method=method,
        allowance_mm=allowance,
        landmark_std_mm=landmark_std,
        open_apex=open_apex,
        flags=tuple(flags),
        parameters=(
            ("allowance_mm", allowance),
            ("landmark_std_mm", landmark_std),
            ("unseen_mm", unseen),
            ("unseen_std_per_mm", unseen_std_per_mm),
            ("correction_std_mm", correction_std),
            ("accept_within_mm", accept_within_mm),
            ("confirm_within_mm", confirm_within_mm),
            *gap,
        ),
        budget=() if end_on_film is None else budget,
    )
