"""Film and electronic readings brought to one working length: two curves of probability for the figure, bands for the words.

The length proposed follows from where the foramen and the constriction may lie (`ends`): the length of least expected cost, the
mean of the constriction less a margin for the risk of passing the foramen. Its risk is said beside it, by the model.

What film and reading say together is said by D = electronic length - film length, both to the constriction by the usual
allowances and from the same coronal reference point. A foramen usually opens short of the radiographic apex, so a shorter
reading is often anatomy; a reading longer than the film is doubted sooner.

======================  ================
D in mm                 status
======================  ================
-0.5 to +0.5            concordant
-1.5 to below -0.5      ordinary anatomy
-3.0 to below -1.5      caution
below -3.0              conflict
above +0.5 to +1.0      caution
above +1.0              conflict
======================  ================

A value on an edge (within 1e-9 mm) belongs to the milder row. Every bound is a parameter (ours; the habit is common practice
from memory) and is written into the result. In "caution" the length is provisional and the ceiling is what holds until the
difference is settled. In "conflict" none is proposed where it is likelier than not that film or readings are grossly wrong.

Whatever the row, no length proposed lies beyond the radiographic apex, and what the clinician decided is reported beside the
proposal and never changes it. Nothing is rounded here. A film whose scale rests on a stop that may have slid errs to one side:
its length is right or too long; no ceiling is taken from it that would not hold if the stop had slid.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erf, hypot, sqrt
from typing import Final, Literal, get_args

from attrs import field, fields, frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative
from wlmeasure.decide.anatomy import USUAL, Anatomy
from wlmeasure.decide.electronic import DEVICE_STD_MM, ElectronicLength
from wlmeasure.decide.ends import (
    PASSING_COST_MM,
    READING_WRONG_SHARES,
    FilmEnd,
    Posterior,
    ReadingGroup,
    Risk,
    ends_of,
)
from wlmeasure.decide.filling import RULER_STEP_MM
from wlmeasure.decide.flags import flag
from wlmeasure.decide.methods import CLEAR_LANDMARK_STD_MM, LANDMARK_TERM, RadiographicLength
from wlmeasure.errors import DecideError, check_finite, check_positive
from wlmeasure.flags import Flag, merge
from wlmeasure.measure.budget import ONE_SIDED_RMS, Term, one_sided_mm
from wlmeasure.measure.gap import KNOWN_LENGTH
from wlmeasure.measure.length import TILT, UNSEEN

__all__ = [
    "CONSTRICTION_TERM",
    "COVERAGE_FACTOR",
    "FORAMEN_TERM",
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

FORAMEN_TERM: Final = "where the foramen opens"
"""The term of a budget that film, readings and anatomy narrow together."""

CONSTRICTION_TERM: Final = "foramen to constriction, between roots"
"""The term that nothing narrows: how far the constriction lies from the foramen is not measured."""

LIKELIER_THAN_NOT: Final = 0.5
"""In a conflict, no length where film or readings are grossly wrong with more than this probability (our parameter)."""

SHAPED_SHORTER_MM, SHAPED_SHORTER_STD_MM = 0.35, 0.40
"""By how much a canal becomes shorter while it is shaped, and the scatter of it. The middle of five published means, 0.17 to
0.77, and their scatters of 0.42 and 0.44: Davis, Marshall & Baumgartner, J Endod 2002;28:438-442; Schroeder, Walton & Rivera,
J Endod 2002; Kumar & Khambete, ENDO 2013;7:113-119."""

MARK_STD_MM: Final = 0.25
"""Added in quadrature for a reading at the constriction mark, the maker's estimate (off by 0.26 to 0.36 mm where the foramen
mark was by 0.05 to 0.18, Lucena et al. 2014; our parameter)."""

CHANGED_END: Final = ("perforation", "fracture", "retreatment material", "open apex")
"""Conditions under which a device may read something else than the foramen."""

COMMON_TERMS: Final = (TILT, UNSEEN, KNOWN_LENGTH)
"""Terms that films of one canal share: the same tilt, the same hidden stretch, and most often the same file."""

NO_LENGTH: Final = ("film-beyond-reading",)
"""Reasons, by their flag, that leave no length whatever the curves say."""

UNDISPUTED: Final = ("concordant", "ordinary anatomy", "film only", "reading only")
"""Statuses in which a length may be decided up to the proposal or the reading; in the others up to the ceiling."""

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

    `length_mm`, `std_mm` and `interval_mm` (95 %) are None where no length is proposed. The interval is of the constriction
    and is not cut at the apex: it states an uncertainty, not a permission. `ends` holds the two curves, `margin_mm` by how much
    the length lies short of the mean of the constriction; `risk_of` says what the model says of any length. `ceiling_mm` is
    provisional: the shorter of film and reading, never beyond the radiographic apex, both less what the film may be too long
    by. `weighted_mm` and its `weights` (film, reading) stand beside the rule and never replace it. `budget` holds `std_mm` term
    by term. `parameters` names every bound that took part.
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
    ends: Posterior | None = field(default=None, repr=False)

    def __attrs_post_init__(self) -> None:
        if self.status not in get_args(Status):
            raise DecideError(f"status must be one of {', '.join(get_args(Status))}: {self.status!r}")
        given = {self.length_mm is None, self.std_mm is None, self.interval_mm is None}
        if len(given) != 1:
            raise DecideError(
                f"length_mm, std_mm and interval_mm must be given together: {self.length_mm!r}, {self.std_mm!r}"
            )
        if self.length_mm is not None and self.status == "not established":
            raise DecideError(f"length_mm must be absent when the status is {self.status}: {self.length_mm:g}")

    def has(self, code: str) -> bool:
        """Whether a flag of that code was raised."""
        return any(item.code == code for item in self.flags)

    @property
    def margin_mm(self) -> float | None:
        """By how much the length lies short of the mean of the constriction; None where none is proposed."""
        return None if self.length_mm is None or self.ends is None else self.ends.mean_mm - self.length_mm

    def risk_of(self, length_mm: float) -> Risk | None:
        """What the model says of a length from the same reference point; None where nothing was measured."""
        return None if self.ends is None else self.ends.risk(length_mm)


def reconcile(
    film: RadiographicLength | None,
    electronic: ElectronicLength | None,
    *,
    bands: DisagreementBands | None = None,
    decided_mm: float | None = None,
    shared_ruler_std_mm: float = 0.0,
    coverage_factor: float = COVERAGE_FACTOR,
    doubt_noted_conditions: bool = True,
    other_films: Sequence[RadiographicLength] = (),
    in_space: RadiographicLength | None = None,
    before_shaping: ElectronicLength | None = None,
    film_before_shaping: bool = False,
    anatomy: Anatomy = USUAL,
    passing_cost_mm: float = PASSING_COST_MM,
    stop_step_mm: float | None = RULER_STEP_MM,
) -> WorkingLength:
    """The working length of one canal from what the film and the readings say.

    Parameters
    ----------
    film, electronic
        Either may be None, and either may hold no length. The bands, the ceiling and the weighted mean are of these two.
    bands
        Bounds of the words; the table of this module by default.
    decided_mm
        What the clinician decided, 1 to 60 mm, from the same point. It changes nothing, and is flagged where it lies beyond
        the apex or above the proposal and ceiling.
    shared_ruler_std_mm
        Part of both uncertainties that comes from one ruler; enters the weighted mean and the consistency test only.
    coverage_factor
        Standard uncertainties in the half-width of the interval of a normal spread; what that holds, the interval holds.
        Also the limit of the consistency test.
    doubt_noted_conditions
        Where a reading stands against the film on its own ("ordinary anatomy"), a noted condition or an open apex turns
        that into "caution", since an early reading explains it as well as anatomy does (our parameter).
    other_films
        Further films of the same canal. They speak for its end too, and no proposal exceeds the shortest of their lengths to
        the radiographic apex or a marked foramen.
    in_space
        The length that films put together in space give, where it is surer than `film`: it stands for all films in the curves.
    before_shaping
        Readings from before the canal was shaped, which has made it shorter by `SHAPED_SHORTER_MM`, give or take.
    film_before_shaping
        Whether the films are from before that too.
    anatomy
        What is known of the root's end before anything is measured.
    passing_cost_mm
        What a length beyond the foramen costs beside its error.
    stop_step_mm
        Division of the ruler that the stop is set by, rounded down; None where it is set to any length.

    Fewer readings than needed, or readings that spread, leave the canal "not established" even where the film has a
    length: the ceiling is then the shorter of the film and the shortest reading. Raises :class:`DecideError`.
    """
    rule = DisagreementBands() if bands is None else bands
    factor = check_positive(DecideError, "coverage_factor", coverage_factor)
    shared = check_not_negative("shared_ruler_std_mm", shared_ruler_std_mm)
    decided = None if decided_mm is None else check_length("decided_mm", decided_mm)
    film_value = _value(film)
    reading_value = _value(electronic)

    difference = None if film_value is None or reading_value is None else reading_value[0] - film_value[0]
    status, said = _said(film, electronic, rule, doubt_noted_conditions)
    shown = [one for one in (film, *other_films) if one is not None] if in_space is None else [in_space]
    ends = ends_of(
        _film_ends(shown, film_before_shaping),
        [*_groups(electronic, shaped_since=False), *_groups(before_shaping, shaped_since=True)],
        anatomy,
    )
    own = _caps(film, electronic)
    too_long = 0.0 if film is None else one_sided_mm(film.budget)
    others = [(limit, flag("beyond-apex")) for one in other_films if (limit := one.limit_mm) is not None]
    caps = [*own, *others]
    reasons = list(said)
    proposed = ends is not None and status != "not established" and not any(f.code in NO_LENGTH for f in said)
    if status == "conflict" and proposed:
        assert ends is not None
        proposed = ends.wrong <= LIKELIER_THAN_NOT
        reasons.append(flag("conflict-may-be-anatomy" if proposed else "one-is-wrong"))
    length = ends.best_mm(passing_cost_mm, step_mm=stop_step_mm) if proposed and ends is not None else None
    for limit, reason in caps:
        if length is not None and length > limit + EDGE_TOLERANCE_MM:
            length = limit
            reasons.append(reason)
    if length is not None and not anatomy.known:
        reasons.append(flag("anatomy-not-known"))

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
    beside = status != "conflict"
    given = length is not None and ends is not None
    return WorkingLength(
        length_mm=length,
        std_mm=ends.std_mm if given and ends is not None else None,
        interval_mm=ends.interval_mm(erf(factor / sqrt(2.0))) if given and ends is not None else None,
        ceiling_mm=ceiling,
        status=status,
        difference_mm=difference,
        weighted_mm=min([weighted.length_mm, *(cap for cap, _ in caps)]) if weighted is not None and beside else None,
        weighted_std_mm=weighted.std_mm if weighted is not None and beside else None,
        weights=weighted.weights if weighted is not None and beside else None,
        consistency=None if weighted is None else weighted.consistency,
        flags=merge(
            _decided_flags(decided, _undisputed(status, length, film_value, reading_value), ceiling, film),
            reasons,
            () if electronic is None else electronic.flags,
            () if film is None else film.flags,
        ),
        parameters=(
            *rule.as_parameters(),
            ("coverage_factor", factor),
            ("shared_ruler_std_mm", shared),
            ("doubt_noted_conditions", float(doubt_noted_conditions)),
            ("passing_cost_mm", passing_cost_mm),
            ("stop_step_mm", stop_step_mm or 0.0),
            *anatomy.as_parameters(),
            ("gap_usual_up_to_mm", GAP_USUAL_UP_TO_MM),
            ("gap_possible_up_to_mm", GAP_POSSIBLE_UP_TO_MM),
            ("gap_conflict_beyond_mm", GAP_CONFLICT_BEYOND_MM),
            *((f"film.{name}", value) for name, value in (() if film is None else film.parameters)),
            *((f"electronic.{name}", value) for name, value in (() if electronic is None else electronic.parameters)),
        ),
        budget=(Term(FORAMEN_TERM, ends.foramen_std_mm), Term(CONSTRICTION_TERM, ends.beyond_foramen_std_mm))
        if given and ends is not None
        else (),
        ends=ends,
    )


def _undisputed(
    status: Status,
    length: float | None,
    film: tuple[float, float] | None,
    reading: tuple[float, float] | None,
) -> float | None:
    """Up to where a length may be decided without a remark, the ceiling apart: what is proposed, what the usual rule gives."""
    usual = film if reading is None else reading
    known = [value for value in (length, None if usual is None else usual[0]) if value is not None]
    return max(known, default=None) if status in UNDISPUTED else None


def _long_film(difference_mm: float) -> str:
    """What a film that may be too long means beside a reading: it may be why the reading is shorter."""
    return "film-may-be-long-by-reading" if difference_mm < -EDGE_TOLERANCE_MM else "film-may-be-long"


# --- what the curves are made from -----------------------------------------------------------------------------------


def _film_ends(films: Sequence[RadiographicLength], before_shaping: bool) -> list[FilmEnd]:
    """What the films say of the canal's end, each without the scatter of the landmark, which is anatomy's."""
    found = []
    given = [film for film in films if film.length_mm is not None and film.std_mm is not None]
    for film in given:
        end_mm = film.limit_mm
        if end_mm is None:  # a length that was made elsewhere, to the constriction
            assert film.length_mm is not None
            end_mm = film.length_mm + film.allowance_mm
        terms = [term for term in film.budget if term.term != LANDMARK_TERM]
        if not film.budget and film.std_mm is not None:
            terms = [Term("film", sqrt(max(film.std_mm**2 - film.landmark_std_mm**2, 0.0)))]
        even = max((term.std_mm for term in terms if term.shape == "rectangular"), default=0.0)
        slid = max((term.std_mm for term in terms if term.shape == "one-sided"), default=0.0)
        common = len(given) > 1
        shared = [t.std_mm for t in terms if common and t.term in COMMON_TERMS and t.shape == "normal"]
        total = hypot(*(term.std_mm for term in terms)) ** 2
        # Structures over the apex blur where it is; what is more than the usual scatter is the film's own.
        blurred = max(film.landmark_std_mm**2 - CLEAR_LANDMARK_STD_MM**2, 0.0)
        own = sqrt(max(total - even**2 - slid**2 - hypot(*shared) ** 2, 0.0) + blurred)
        found.append(
            FilmEnd(
                end_mm - (SHAPED_SHORTER_MM if before_shaping else 0.0),
                own,
                hypot(*shared, SHAPED_SHORTER_STD_MM if before_shaping else 0.0),
                even * sqrt(3.0),
                slid / ONE_SIDED_RMS,
                "apex" if film.apex_length_mm is not None or film.foramen_length_mm is None else "foramen",
            )
        )
    return found


def _groups(electronic: ElectronicLength | None, *, shaped_since: bool) -> list[ReadingGroup]:
    """The readings of one state, those at the constriction mark apart: that mark has an error of its own."""
    if electronic is None:
        return []
    noted = set(electronic.conditions)
    kind = "changed" if noted & set(CHANGED_END) else "condition" if noted else "usual"
    parameters = dict(electronic.parameters)
    device = hypot(
        parameters.get("device_std_mm", DEVICE_STD_MM), parameters.get("condition_std_mm", 0.0) if noted else 0.0
    )
    shift = (SHAPED_SHORTER_MM, SHAPED_SHORTER_STD_MM) if shaped_since else (0.0, 0.0)
    readings = electronic.readings
    at_foramen = tuple(reading.length_mm for reading in readings if reading.mark == "foramen")
    at_mark = tuple(
        reading.length_mm + electronic.withdraw_mm for reading in readings if reading.mark == "constriction"
    )
    beyond = tuple(reading.length_mm for reading in readings if reading.mark == "beyond")
    if not readings and electronic.length_mm is not None:  # made by hand
        at_mark = (electronic.length_mm + electronic.withdraw_mm,)
    groups = []
    if at_foramen or beyond:
        groups.append(ReadingGroup(at_foramen, beyond, device, READING_WRONG_SHARES[kind], *shift))
    if at_mark:
        groups.append(ReadingGroup(at_mark, (), hypot(device, MARK_STD_MM), READING_WRONG_SHARES[kind], *shift))
    return groups


# --- what is said of them --------------------------------------------------------------------------------------------


def _said(
    film: RadiographicLength | None,
    electronic: ElectronicLength | None,
    rule: DisagreementBands,
    doubt_noted_conditions: bool,
) -> tuple[Status, tuple[Flag, ...]]:
    """The status by the bands, and its reasons."""
    film_value = _value(film)
    reading_value = _value(electronic)
    if electronic is not None and reading_value is not None and electronic.status != "stable":
        return "not established", ()
    if film_value is None and reading_value is None:
        return "not established", (flag("nothing-to-decide"),)
    if reading_value is None and film_value is not None:
        beyond = None if electronic is None else electronic.beyond_mm
        if beyond is not None and film_value[0] >= beyond - EDGE_TOLERANCE_MM:
            return "conflict", (flag("film-beyond-reading"), flag("recheck-reference"))
        return "film only", (flag("film-alone"),)
    if film is None or electronic is None or film_value is None or reading_value is None:
        return "reading only", (flag("reading-alone"),)

    difference = reading_value[0] - film_value[0]
    status = rule.status(difference)
    recheck = flag("recheck-reference")
    if status == "concordant":
        return status, ()
    if status == "conflict":
        return status, (flag("reading-far-long" if difference > 0.0 else "reading-far-short"), recheck)
    if status == "ordinary anatomy":
        if not (doubt_noted_conditions and (film.open_apex or electronic.conditions)):
            return status, (flag("foramen-short-of-apex"), recheck)
        reasons = [flag("reading-in-doubt"), flag("early-reading")]
    else:
        reasons = [flag("long-reading" if difference > 0.0 else "early-reading")]
    return "caution", (*reasons, flag("provisional-length"), recheck)


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
