"""Film and electronic readings brought to one working length, by one asymmetric rule.

D = electronic length - film length, both to the constriction and from the same coronal reference point. A foramen
usually opens short of the radiographic apex, so a shorter reading is often anatomy; a reading longer than the film
means a file through the foramen on one of the two, so it is doubted sooner.

======================  ================  =============================================================
D in mm                 status            length proposed
======================  ================  =============================================================
-0.5 to +0.5            concordant        the electronic length, confirmed by the film
-1.5 to below -0.5      ordinary anatomy  the electronic length
-3.0 to below -1.5      caution           the shorter, provisionally
below -3.0              conflict          none
above +0.5 to +1.0      caution           the shorter, provisionally
above +1.0              conflict          none
======================  ================  =============================================================

A value on an edge (within 1e-9 mm) belongs to the milder row. Every bound is a parameter (ours; the habit is common
practice from memory) and is written into the result. Whatever the row, no length proposed lies beyond the radiographic
apex, and what the clinician decided is reported beside the proposal and never changes it. Nothing is rounded here.

A film whose scale rests on a stop that may have slid errs to one side: its length is right or too long. It stays the figure,
since it is right in two of three cases; the interval reaches down, a flag says it, the mean of film and reading leans on the
reading, and no ceiling is taken from the film that would not hold if the stop had slid.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import erf, sqrt
from typing import Final, Literal, get_args

from attrs import fields, frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative
from wlmeasure.decide.electronic import ElectronicLength
from wlmeasure.decide.flags import flag
from wlmeasure.decide.methods import RadiographicLength
from wlmeasure.errors import DecideError, check_finite, check_positive
from wlmeasure.flags import Flag, merge
from wlmeasure.measure.budget import Term, one_sided_mm, reach_mm, total_std_mm

__all__ = [
    "APART_TERM",
    "COVERAGE_FACTOR",
    "GAP_CONFLICT_BEYOND_MM",
    "GAP_POSSIBLE_UP_TO_MM",
    "GAP_USUAL_UP_TO_MM",
    "Consistency",
    "DisagreementBands",
    "GapClass",
    "LandmarkGap",
    "Status",
    "WeightedLength",
    "WorkingLength",
    "landmark_gap",
    "reconcile",
    "weighted_length",
]

Status = Literal[
    "concordant", "ordinary anatomy", "caution", "conflict", "film only", "reading only", "not established"
]
GapClass = Literal["usual", "possible", "level", "conflict"]

COVERAGE_FACTOR: Final = 1.959964
"""Half-width of a 95 % interval in standard uncertainties, normal distribution; also the limit of the consistency
test."""

APART_TERM: Final = "film and reading apart"
"""The term of a budget by which a doubtful pair widens it: anywhere between the two, |D| / sqrt(3)."""

FROM_FILM: Final = ("beyond-apex", "beyond-foramen")
"""Limits that the film gives, by the flag that names them: as long as its scale makes them."""

GAP_USUAL_UP_TO_MM: Final = 1.5
"""Radiographic apex to foramen: usual up to this (our parameter, from Kuttler 1955, Burch & Hulen 1972, Martos et al.
2009)."""

GAP_POSSIBLE_UP_TO_MM: Final = 3.0
"""Possible up to this (our parameter; Green 1956 and 1960, from memory, gives up to 2 to 3 mm)."""

GAP_CONFLICT_BEYOND_MM: Final = 0.5
"""A foramen reading this much beyond the radiographic apex is a conflict (our parameter)."""


@frozen
class DisagreementBands:
    """Signed bounds in mm on D = electronic - film, in rising order (our parameters)."""

    conflict_below_mm: float = -3.0
    caution_below_mm: float = -1.5
    anatomy_below_mm: float = -0.5
    caution_above_mm: float = 0.5
    conflict_above_mm: float = 1.0

    def __attrs_post_init__(self) -> None:
        bounds = [check_finite(DecideError, name, value) for name, value in self.as_parameters()]
        if bounds != sorted(bounds) or self.anatomy_below_mm > 0.0 or self.caution_above_mm < 0.0:
            raise DecideError(
                f"bands must rise and hold 0 in the concordant row: {bounds}; order them from shorter to longer"
            )

    def as_parameters(self) -> tuple[tuple[str, float], ...]:
        return tuple((item.name, getattr(self, item.name)) for item in fields(type(self)))

    def status(self, difference_mm: float) -> Status:
        """The row of the table that D falls in; an edge belongs to the milder row."""
        difference = check_finite(DecideError, "difference_mm", difference_mm)
        if (
            difference < self.conflict_below_mm - EDGE_TOLERANCE_MM
            or difference > self.conflict_above_mm + EDGE_TOLERANCE_MM
        ):
            return "conflict"
        if (
            difference < self.caution_below_mm - EDGE_TOLERANCE_MM
            or difference > self.caution_above_mm + EDGE_TOLERANCE_MM
        ):
            return "caution"
        return "ordinary anatomy" if difference < self.anatomy_below_mm - EDGE_TOLERANCE_MM else "concordant"


@frozen
class Consistency:
    """Whether film and reading differ by no more than their uncertainties explain: |D| / std(D) against `limit`."""

    normalised_difference: float
    limit: float = COVERAGE_FACTOR

    @property
    def consistent(self) -> bool:
        return self.normalised_difference <= self.limit


@frozen
class WeightedLength:
    """Inverse-variance mean of film and reading (mm), its weights (film, reading) and the consistency of the two."""

    length_mm: float
    std_mm: float
    weights: tuple[float, float]
    consistency: Consistency


def weighted_length(
    film_mm: float,
    film_std_mm: float,
    reading_mm: float,
    reading_std_mm: float,
    *,
    shared_ruler_std_mm: float = 0.0,
    coverage_factor: float = COVERAGE_FACTOR,
) -> WeightedLength:
    """Best linear mean of two lengths with standard uncertainties, correlated through a shared ruler.

    `shared_ruler_std_mm` is the part that both uncertainties contain because stop length and reading were taken with
    the same ruler; its square is their covariance. It must not exceed either uncertainty, so that no weight turns
    negative. Weights of the best linear unbiased estimator for two correlated values (Gauss and Markov). Raises
    :class:`DecideError`.
    """
    film_std = check_positive(DecideError, "film_std_mm", film_std_mm)
    reading_std = check_positive(DecideError, "reading_std_mm", reading_std_mm)
    shared = check_not_negative("shared_ruler_std_mm", shared_ruler_std_mm)
    limit = check_positive(DecideError, "coverage_factor", coverage_factor)
    if shared >= min(film_std, reading_std):
        raise DecideError(
            f"shared_ruler_std_mm must be smaller than both stds: {shared:g} of {film_std:g}, {reading_std:g}; "
            "it is a part of each of them"
        )
    film = check_finite(DecideError, "film_mm", film_mm)
    reading = check_finite(DecideError, "reading_mm", reading_mm)
    covariance = shared**2
    difference_variance = film_std**2 + reading_std**2 - 2.0 * covariance
    film_weight = (reading_std**2 - covariance) / difference_variance
    variance = (film_std**2 * reading_std**2 - covariance**2) / difference_variance
    return WeightedLength(
        length_mm=reading + film_weight * (film - reading),
        std_mm=sqrt(variance),
        weights=(film_weight, 1.0 - film_weight),
        consistency=Consistency(abs(reading - film) / sqrt(difference_variance), limit),
    )


@frozen
class LandmarkGap:
    """Radiographic-apex length less foramen reading (mm), and what anatomy says of it."""

    gap_mm: float
    band: GapClass
    flags: tuple[Flag, ...] = ()


def landmark_gap(
    apex_length_mm: float,
    foramen_reading_mm: float,
    *,
    usual_up_to_mm: float = GAP_USUAL_UP_TO_MM,
    possible_up_to_mm: float = GAP_POSSIBLE_UP_TO_MM,
    conflict_beyond_mm: float = GAP_CONFLICT_BEYOND_MM,
) -> LandmarkGap:
    """Compare the radiographic apex with the foramen reading, before any allowance.

    0 to 1.5 mm is anatomically usual, up to 3 mm possible; more, or a reading over 0.5 mm beyond the apex, is a
    conflict; a reading up to 0.5 mm beyond is level with the apex. Bands are our parameters, from the distances in
    Kuttler 1955, Burch & Hulen 1972, Martos et al. 2009 and (3 mm) Green 1956. An edge belongs to the milder band.
    Raises :class:`DecideError`.
    """
    gap = check_length("apex_length_mm", apex_length_mm) - check_length("foramen_reading_mm", foramen_reading_mm)
    if not 0.0 <= usual_up_to_mm <= possible_up_to_mm or conflict_beyond_mm < 0.0:
        raise DecideError(
            f"gap bands must be >= 0 and rise: {usual_up_to_mm:g}, {possible_up_to_mm:g}, "
            f"beyond {conflict_beyond_mm:g}; order them"
        )
    if gap < -conflict_beyond_mm - EDGE_TOLERANCE_MM or gap > possible_up_to_mm + EDGE_TOLERANCE_MM:
        return LandmarkGap(gap, "conflict", (flag("landmark-gap-conflict"),))
    if gap < -EDGE_TOLERANCE_MM:
        return LandmarkGap(gap, "level", (flag("landmark-level"),))
    if gap <= usual_up_to_mm + EDGE_TOLERANCE_MM:
        return LandmarkGap(gap, "usual")
    return LandmarkGap(gap, "possible", (flag("landmark-gap-possible"),))


@frozen
class WorkingLength:
    """The proposed working length of one canal (mm from the coronal reference point), and all that stands beside it.

    `length_mm`, `std_mm` and `interval_mm` (95 %) are None where no length is proposed. The interval is not cut at the
    apex: it states an uncertainty, not a permission; it reaches farther down than up where the length rests on a film that
    may be too long. `ceiling_mm` is provisional: the shorter of film and reading, never beyond the radiographic apex, both
    less what the film may be too long by. `weighted_mm` and its `weights` (film, reading) stand beside the rule and never
    replace it. `budget` holds `std_mm` term by term. `parameters` names every bound that took part.
    """

    length_mm: float | None
    std_mm: float | None
    interval_mm: tuple[float, float] | None
    ceiling_mm: float | None
    status: Status
    difference_mm: float | None = None
    weighted_mm: float | None = None
    weighted_std_mm: float | None = None
    weights: tuple[float, float] | None = None
    consistency: Consistency | None = None
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()
    budget: tuple[Term, ...] = ()

    def __attrs_post_init__(self) -> None:
        if self.status not in get_args(Status):
            raise DecideError(f"status must be one of {', '.join(get_args(Status))}: {self.status!r}")
        given = {self.length_mm is None, self.std_mm is None, self.interval_mm is None}
        if len(given) != 1:
            raise DecideError(
                f"length_mm, std_mm and interval_mm must be given together: {self.length_mm!r}, {self.std_mm!r}"
            )
        if self.length_mm is not None and self.status in ("conflict", "not established"):
            raise DecideError(f"length_mm must be absent when the status is {self.status}: {self.length_mm:g}")

    def has(self, code: str) -> bool:
        """Whether a flag of that code was raised."""
        return any(item.code == code for item in self.flags)


def reconcile(
    film: RadiographicLength | None,
    electronic: ElectronicLength | None,
    *,
    bands: DisagreementBands | None = None,
    decided_mm: float | None = None,
    shared_ruler_std_mm: float = 0.0,
    coverage_factor: float = COVERAGE_FACTOR,
    doubt_noted_conditions: bool = True,
    other_limits_mm: Iterable[float | None] = (),
) -> WorkingLength:
    """The working length of one canal from what the film and the readings say.

    Parameters
    ----------
    film, electronic
        Either may be None, and either may hold no length.
    bands
        Bounds of the rule; the table of this module by default.
    decided_mm
        What the clinician decided, 1 to 60 mm, from the same point. It changes nothing, and is flagged where it lies beyond
        the apex or above the proposal and ceiling.
    shared_ruler_std_mm
        Part of both uncertainties that comes from one ruler; enters the weighted mean and the consistency test only.
    coverage_factor
        Standard uncertainties in the half-width of the interval, and the limit of the consistency test.
    doubt_noted_conditions
        Where a reading stands against the film on its own ("ordinary anatomy"), a noted condition or an open apex turns
        that into "caution", since an early reading explains it as well as anatomy does (our parameter).

    other_limits_mm
        Lengths to the radiographic apex or a marked foramen on further films of the same canal; no proposal exceeds the
        shortest of them.

    Fewer readings than needed, or readings that spread, leave the canal "not established" even where the film has a
    length: the ceiling is then the shorter of the film and the shortest reading. In "caution" the truth may lie
    anywhere between the two, so |D| / sqrt(3), the rms distance of a rectangular spread from its end, is added to the
    standard uncertainty. Raises :class:`DecideError`.
    """
    rule = DisagreementBands() if bands is None else bands
    factor = check_positive(DecideError, "coverage_factor", coverage_factor)
    shared = check_not_negative("shared_ruler_std_mm", shared_ruler_std_mm)
    decided = None if decided_mm is None else check_length("decided_mm", decided_mm)
    film_value = _value(film)
    reading_value = _value(electronic)

    difference = None if film_value is None or reading_value is None else reading_value[0] - film_value[0]
    proposal = _propose(film, electronic, rule, doubt_noted_conditions)
    own = _caps(film, electronic)
    too_long = 0.0 if film is None else one_sided_mm(film.budget)
    others = [
        (check_length("other limit", limit), flag("beyond-apex")) for limit in other_limits_mm if limit is not None
    ]
    caps = [*own, *others]
    length, std = proposal.length_mm, total_std_mm(proposal.budget) if proposal.budget else None
    reasons = list(proposal.flags)
    for limit, reason in caps:
        if length is not None and length > limit + EDGE_TOLERANCE_MM:
            length = limit
            reasons.append(reason)

    weighted: WeightedLength | None = None
    established = electronic is not None and electronic.status == "stable"
    if film_value is not None and reading_value is not None and established:
        weighted = weighted_length(*film_value, *reading_value, shared_ruler_std_mm=shared, coverage_factor=factor)
        if not weighted.consistency.consistent:
            reasons.append(flag("inconsistent"))
    apex_mm = None if film is None else film.apex_length_mm
    foramen_mm = None if electronic is None else electronic.foramen_mm
    if apex_mm is not None and foramen_mm is not None:
        reasons += landmark_gap(apex_mm, foramen_mm).flags

    if too_long > 0.0 and film_value is not None:
        reasons.append(flag("film-may-be-long" if difference is None else _long_film(difference)))
    bounds = [
        None if film_value is None else film_value[0] - too_long,
        None if electronic is None else electronic.ceiling_mm,
        *(cap - (too_long if reason.code in FROM_FILM else 0.0) for cap, reason in own),
        *(cap for cap, _ in others),
    ]
    ceiling = min((bound for bound in bounds if bound is not None), default=None)
    # A mean of two lengths in conflict would be an automatic length by another name.
    shown = proposal.status != "conflict"
    return WorkingLength(
        length_mm=length,
        std_mm=std,
        interval_mm=None if length is None or std is None else _interval(length, std, proposal.budget, factor),
        ceiling_mm=ceiling,
        status=proposal.status,
        difference_mm=difference,
        weighted_mm=min([weighted.length_mm, *(cap for cap, _ in caps)]) if weighted is not None and shown else None,
        weighted_std_mm=weighted.std_mm if weighted is not None and shown else None,
        weights=weighted.weights if weighted is not None and shown else None,
        consistency=None if weighted is None else weighted.consistency,
        flags=merge(
            _decided_flags(decided, length, ceiling, film),
            reasons,
            () if electronic is None else electronic.flags,
            () if film is None else film.flags,
        ),
        parameters=(
            *rule.as_parameters(),
            ("coverage_factor", factor),
            ("shared_ruler_std_mm", shared),
            ("doubt_noted_conditions", float(doubt_noted_conditions)),
            ("gap_usual_up_to_mm", GAP_USUAL_UP_TO_MM),
            ("gap_possible_up_to_mm", GAP_POSSIBLE_UP_TO_MM),
            ("gap_conflict_beyond_mm", GAP_CONFLICT_BEYOND_MM),
            *((f"film.{name}", value) for name, value in (() if film is None else film.parameters)),
            *((f"electronic.{name}", value) for name, value in (() if electronic is None else electronic.parameters)),
        ),
        budget=proposal.budget,
    )


def _interval(length_mm: float, std_mm: float, budget: Sequence[Term], factor: float) -> tuple[float, float]:
    """So many standard uncertainties to either side; where an error has but one side, what holds as much."""
    if not one_sided_mm(budget):
        return length_mm - factor * std_mm, length_mm + factor * std_mm
    below, above = reach_mm(budget, held=erf(factor / sqrt(2.0)))
    return length_mm - below, length_mm + above


def _long_film(difference_mm: float) -> str:
    """What a film that may be too long means beside a reading: it may be why the reading is shorter."""
    return "film-may-be-long-by-reading" if difference_mm < -EDGE_TOLERANCE_MM else "film-may-be-long"


@frozen
class _Proposal:
    status: Status
    length_mm: float | None
    budget: tuple[Term, ...]
    flags: tuple[Flag, ...]


def _propose(
    film: RadiographicLength | None,
    electronic: ElectronicLength | None,
    rule: DisagreementBands,
    doubt_noted_conditions: bool,
) -> _Proposal:
    """The rule itself, before any cap."""
    film_value = _value(film)
    reading_value = _value(electronic)
    if electronic is not None and reading_value is not None and electronic.status != "stable":
        return _Proposal("not established", None, (), ())
    if film_value is None and reading_value is None:
        return _Proposal("not established", None, (), (flag("nothing-to-decide"),))
    if reading_value is None and film_value is not None:
        beyond = None if electronic is None else electronic.beyond_mm
        if beyond is not None and film_value[0] >= beyond - EDGE_TOLERANCE_MM:
            return _Proposal("conflict", None, (), (flag("film-beyond-reading"), flag("recheck-reference")))
        return _Proposal("film only", film_value[0], _terms(film), (flag("film-alone"),))
    if film is None or electronic is None or film_value is None or reading_value is None:
        length_mm = None if reading_value is None else reading_value[0]
        return _Proposal("reading only", length_mm, _terms(electronic), (flag("reading-alone"),))

    difference = reading_value[0] - film_value[0]
    status = rule.status(difference)
    recheck = flag("recheck-reference")
    if status == "concordant":
        return _Proposal(status, reading_value[0], _terms(electronic), ())
    if status == "conflict":
        return _Proposal(
            status, None, (), (flag("reading-far-long" if difference > 0.0 else "reading-far-short"), recheck)
        )
    if status == "ordinary anatomy":
        if not (doubt_noted_conditions and (film.open_apex or electronic.conditions)):
            return _Proposal(status, reading_value[0], _terms(electronic), (flag("foramen-short-of-apex"), recheck))
        reasons = [flag("reading-in-doubt"), flag("early-reading")]
    else:
        reasons = [flag("long-reading" if difference > 0.0 else "early-reading")]
    shorter = film if film_value <= reading_value else electronic
    apart = Term(APART_TERM, abs(difference) / sqrt(3.0))
    length = min(film_value, reading_value)[0]
    return _Proposal("caution", length, (*_terms(shorter), apart), (*reasons, flag("provisional-length"), recheck))


def _terms(source: RadiographicLength | ElectronicLength | None) -> tuple[Term, ...]:
    """What the uncertainty of one source is made of."""
    if source is None or source.std_mm is None:
        return ()
    if isinstance(source, RadiographicLength):
        return source.budget or (Term("length from the film", source.std_mm),)
    return (Term("electronic reading", source.std_mm),)


def _value(source: RadiographicLength | ElectronicLength | None) -> tuple[float, float] | None:
    if source is None or source.length_mm is None or source.std_mm is None:
        return None
    return source.length_mm, source.std_mm


def _caps(film: RadiographicLength | None, electronic: ElectronicLength | None) -> list[tuple[float, Flag]]:
    """Lengths that no proposal exceeds, each with the flag that says so."""
    known = [
        (None if film is None else film.apex_length_mm, "beyond-apex"),
        (None if film is None else film.foramen_length_mm, "beyond-foramen"),
        (None if electronic is None else electronic.beyond_limit_mm, "near-beyond-reading"),
    ]
    return [(limit, flag(code)) for limit, code in known if limit is not None]


def _decided_flags(
    decided: float | None, length: float | None, ceiling: float | None, film: RadiographicLength | None
) -> tuple[Flag, ...]:
    if decided is None:
        return ()
    flags = []
    if film is not None and film.apex_length_mm is not None and decided > film.apex_length_mm + EDGE_TOLERANCE_MM:
        flags.append(flag("decided-beyond-apex"))
    if film is not None and film.foramen_length_mm is not None and decided > film.foramen_length_mm + EDGE_TOLERANCE_MM:
        flags.append(flag("decided-beyond-foramen"))
    # The proposal of a concordant canal may be longer than its ceiling; deciding on what is proposed is no alarm.
    if ceiling is not None and decided > max(ceiling, ceiling if length is None else length) + EDGE_TOLERANCE_MM:
        flags.append(flag("decided-above-ceiling"))
    return tuple(flags)
