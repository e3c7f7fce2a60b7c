"""Where the foramen and the constriction of one canal lie, as two curves of probability, from all that speaks of them.

Along the canal, mm from the coronal reference point: a film shows the radiographic apex (or a marked foramen), the foramen
lies short of the apex by what anatomy says, the constriction short of the foramen by the same, and a reading is of the foramen.
Bayes' rule puts the sources together. Each is grossly wrong with a small probability, so that two that contradict each other
widen the answer instead of being averaged. What repeats share is kept apart from what they do not: three readings have one
device error and three errors of the hand, films of one canal one tilt and clicks of their own. All on a grid of 0.02 mm.

The length proposed is that of least expected cost: its distance from the constriction, and `PASSING_COST_MM` where it lies
beyond the foramen (Bayes action, as in Berger, Statistical Decision Theory and Bayesian Analysis, 2nd ed. 1985, from memory).
All the figures are the model's: no patient has tested them.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import erf, floor, hypot, sqrt
from typing import Final, Literal

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative
from wlmeasure.decide.anatomy import AT_TIP_STD_MM, USUAL, Anatomy
from wlmeasure.decide.electronic import DEVICE_STD_MM
from wlmeasure.errors import DecideError, check_positive
from wlmeasure.measure.budget import ONE_SIDED_FROM, ONE_SIDED_SHARE

__all__ = [
    "FILM_WRONG_SHARE",
    "PASSING_COST_MM",
    "READING_WRONG_SHARES",
    "RISK_BASIS",
    "FilmEnd",
    "Posterior",
    "ReadingGroup",
    "Risk",
    "ends_of",
]

Float64 = NDArray[np.float64]
End = Literal["apex", "foramen"]

PASSING_COST_MM: Final = 1.0
"""What a length beyond the foramen costs beside its error, mm (our parameter). Fillings beyond the apex fail more often than
short ones (odds ratios 1.9 to 23 against 1.7 to 6.9, evidence very low: doi 10.1007/s00784-019-02897-x), so passing must cost
more than being short does; how much more, nobody has measured. With a film and three readings of usual quality about 2 in 100
pass by the model, as many as by the usual withdrawal of half a millimetre and more; twice or half of it moves a length by some
0.03 mm."""

READING_WRONG_SHARES: Final[dict[str, tuple[float, float]]] = {
    "usual": (0.06, 0.04),
    "condition": (0.15, 0.08),
    "changed": (0.35, 0.15),
}
"""How often the readings of a canal are grossly early and late: usually, under a noted condition, and where the device may read
a perforation or old filling material (our parameters; published shares within 0.5 mm run from 43.5 %, Arora & Gulabivala 1995,
to 100 %, Clin Pract 2022;12:1043-1053)."""

READING_WRONG_STD_MM: Final = (0.9, 0.8)
"""How far then, half a normal spread to either side (our parameters, no source)."""

READING_BIAS_MM: Final = 0.05
"""Foramen readings are long on average by this: 0.05 to 0.18 mm in Lucena et al., Int Endod J 2014;47:246-256."""

REPEAT_STDS_MM: Final = (0.10, 0.25)
"""Scatter of one reading about the device's own, in equal parts, since hands differ (our parameters, no source)."""

MISREAD_SHARE, MISREAD_STD_MM = 0.02, 1.0
"""One reading of several misread or mistyped (our parameters, no source)."""

FILM_WRONG_SHARE: Final = 0.05
FILM_WRONG_STD_MM: Final = 0.9
"""A film's end grossly wrong, as by a wrong end point or reference point (our parameters, no source)."""

FORAMEN_MARK_STD_MM: Final = 0.3
"""How well a foramen is seen on a film (our parameter, no source)."""

DIVISIONS_MM: Final = (0.5, 0.25, 0.1)
"""Divisions of rulers: readings that all stand on one were read to it."""

RISK_BASIS: Final = "by this model, not tested on patients"
"""What every statement of a risk begins with."""

SHORT_MM: Final = 1.0
"""Farther short of the constriction than this is counted (TRADE: a correction above 1 mm is not accepted by calculation)."""

STEP_MM: Final = 0.02
REACH_MM: Final = 4.0  # to either side of the evidence
FARTHEST_MM = (4.0, 2.4)  # of the foramen from the apex, of the constriction from the foramen
LEAST_STD_MM = 0.02  # nothing is sharper than the grid


def _one_length(value: float) -> float:
    return check_length("length_mm", value)


@frozen
class FilmEnd:
    """What one film says of the end of a canal.

    Attributes
    ----------
    length_mm
        From the reference point to `end`.
    own_std_mm
        Standard uncertainty of what is this film's alone; of one film, of all that is spread normally.
    shared_std_mm, even_mm, too_long_mm
        Of what films of the canal share: the normal part, half of the width of an even part, and by how much the figure is too
        long at most where a stop may have slid (`measure.budget`).
    """

    length_mm: float = field(converter=_one_length)
    own_std_mm: float
    shared_std_mm: float = 0.0
    even_mm: float = 0.0
    too_long_mm: float = 0.0
    end: End = "apex"

    def __attrs_post_init__(self) -> None:
        for name in ("own_std_mm", "shared_std_mm", "even_mm", "too_long_mm"):
            check_not_negative(name, getattr(self, name))


@frozen
class ReadingGroup:
    """Readings of one canal in one state, as lengths to the foramen, mm.

    `beyond_mm` are lengths at which the device showed beyond. `wrong_shares` are those of :data:`READING_WRONG_SHARES`.
    `shift_mm` and `shift_std_mm` are by how much the canal has become shorter since.
    """

    lengths_mm: tuple[float, ...] = ()
    beyond_mm: tuple[float, ...] = ()
    device_std_mm: float = DEVICE_STD_MM
    wrong_shares: tuple[float, float] = READING_WRONG_SHARES["usual"]
    shift_mm: float = 0.0
    shift_std_mm: float = 0.0

    def __attrs_post_init__(self) -> None:
        if not self.lengths_mm and not self.beyond_mm:
            raise DecideError("lengths_mm or beyond_mm must be given: a group of readings holds at least one")
        check_positive(DecideError, "device_std_mm", self.device_std_mm)

    @property
    def division_mm(self) -> float:
        """What the readings were read to; 0 where they stand on no division."""
        every = (*self.lengths_mm, *self.beyond_mm)
        return next((d for d in DIVISIONS_MM if all(abs(v / d - round(v / d)) < 1e-6 for v in every)), 0.0)


@frozen
class Risk:
    """What the model says of one length: probabilities of lying beyond the foramen and more than 1 mm short of the
    constriction, and how far short of the constriction it lies on average, mm.
    """

    length_mm: float
    beyond: float
    short: float
    mean_short_mm: float

    @property
    def beyond_words(self) -> str:
        """How often such a length lies beyond the foramen."""
        return f"{_percent(self.beyond)} beyond the foramen"

    @property
    def words(self) -> str:
        """As a person reads it, with whose figures they are; short and long are counted from the constriction."""
        mean = self.mean_short_mm
        on_average = f"{abs(mean):.1f} mm {'beyond the constriction' if mean <= -0.05 else 'short'}"
        return (
            f"{RISK_BASIS}: {self.beyond_words}, {_percent(self.short)} more than {SHORT_MM:g} mm short, "
            f"on average {on_average}"
        )


def _percent(share: float) -> str:
    return "under 1 %" if share < 0.005 else f"{100.0 * share:.0f} %"


@frozen
class Posterior:
    """Two curves of probability along the canal.

    Attributes
    ----------
    films, readings, anatomy
        What they were made from; two posteriors of the same evidence are equal.
    foramen_at_mm, foramen
        Lengths (N,) and the probability of each, which add up to 1.
    constriction_at_mm, constriction
        The same for the constriction.
    wrong
        Probability that a film or the readings are grossly wrong.
    """

    films: tuple[FilmEnd, ...]
    readings: tuple[ReadingGroup, ...]
    anatomy: Anatomy
    foramen_at_mm: Float64 = field(eq=False, repr=False)
    foramen: Float64 = field(eq=False, repr=False)
    constriction_at_mm: Float64 = field(eq=False, repr=False)
    constriction: Float64 = field(eq=False, repr=False)
    wrong: float = field(eq=False)

    @property
    def mean_mm(self) -> float:
        """Mean of the constriction."""
        return float(self.constriction @ self.constriction_at_mm)

    @property
    def std_mm(self) -> float:
        """Standard uncertainty of the constriction."""
        return hypot(self.foramen_std_mm, self.beyond_foramen_std_mm)

    @property
    def foramen_mean_mm(self) -> float:
        return float(self.foramen @ self.foramen_at_mm)

    @property
    def foramen_std_mm(self) -> float:
        """Standard uncertainty of the foramen."""
        return sqrt(float(self.foramen @ (self.foramen_at_mm - self.foramen_mean_mm) ** 2))

    @property
    def beyond_foramen_std_mm(self) -> float:
        """Scatter of the constriction's distance from the foramen, which nothing measures."""
        at, weight = _grid(FARTHEST_MM[1]), _constriction(self.anatomy)
        return sqrt(float(weight @ (at - weight @ at) ** 2))

    def interval_mm(self, held: float = 0.95) -> tuple[float, float]:
        """What holds that share of the constriction, as much left out below as above."""
        return tuple(
            _quantile(self.constriction_at_mm, self.constriction, share)
            for share in (0.5 - 0.5 * held, 0.5 + 0.5 * held)
        )  # type: ignore[return-value]

    def risk(self, length_mm: float) -> Risk:
        """What the model says of a length."""
        beyond = _below(self.foramen_at_mm, self.foramen, length_mm)
        short = 1.0 - _below(self.constriction_at_mm, self.constriction, length_mm + SHORT_MM)
        return Risk(length_mm, min(max(beyond, 0.0), 1.0), min(max(short, 0.0), 1.0), self.mean_mm - length_mm)

    def best_mm(self, passing_cost_mm: float = PASSING_COST_MM, *, step_mm: float | None = None) -> float:
        """The length of least expected cost, never longer than the mean of the constriction.

        With `step_mm`, the division of the ruler that a stop is set by, the length is for a stop that is rounded down: where a
        division lies between that length and the mean, and a stop there costs less than one a division lower, it is that one.
        """
        cost = check_not_negative("passing_cost_mm", passing_cost_mm)
        at, loss = self.constriction_at_mm, self._loss(cost)
        k = int(np.clip(np.argmin(loss), 1, len(loss) - 2))
        before, here, after = loss[k - 1 : k + 2]
        bend = before - 2.0 * here + after
        best = float(at[k] + (0.5 * STEP_MM * (before - after) / bend if bend > 0.0 else 0.0))
        best = min(best, self.mean_mm)
        if step_mm is not None:
            stop = floor(self.mean_mm / check_positive(DecideError, "step_mm", step_mm) + EDGE_TOLERANCE_MM) * step_mm
            higher, lower = np.interp([stop, stop - step_mm], at, loss)
            if best < stop and higher < lower:
                best = min(stop, self.mean_mm)
        return best

    def _loss(self, cost: float) -> Float64:
        """Expected cost of every length of the constriction's grid."""
        at, weight = self.constriction_at_mm, self.constriction
        share, moment = np.cumsum(weight), np.cumsum(weight * at)
        apart = at * (2.0 * share - 1.0) - 2.0 * moment + moment[-1]
        passed = np.interp(at, self.foramen_at_mm + 0.5 * STEP_MM, np.cumsum(self.foramen), left=0.0, right=1.0)
        return np.asarray(apart + cost * passed, np.float64)


def ends_of(films: Sequence[FilmEnd], readings: Sequence[ReadingGroup], anatomy: Anatomy = USUAL) -> Posterior | None:
    """Foramen and constriction from films and readings; None where there are neither, or where no place at all explains both.

    Groups of readings are independent of each other, as are films but for what they share. Raises :class:`DecideError`.
    """
    if not films and not any(group.lengths_mm for group in readings):
        return None
    return _ends(tuple(films), tuple(readings), anatomy)


@lru_cache(maxsize=256)
def _ends(films: tuple[FilmEnd, ...], readings: tuple[ReadingGroup, ...], anatomy: Anatomy) -> Posterior | None:
    low, high = _span(films, readings, anatomy)
    steps = int(np.ceil((0.5 * (high - low) + REACH_MM) / STEP_MM))
    at = _steps(-steps, steps, 0.5 * (low + high))
    said = [
        _film_likelihood(shown, at, anatomy if end == "apex" else None)
        for end in ("apex", "foramen")
        if (shown := [film for film in films if film.end == end])
    ]
    clean, either = np.ones_like(at), np.ones_like(at)
    for known, wrong in (*said, *(_reading_likelihood(group, at) for group in readings)):
        clean, either = clean * known, either * (known + wrong)
        scale = either.max() or 1.0  # only the shape counts, and many small numbers multiplied are 0 everywhere
        clean, either = clean / scale, either / scale
    total = float(either.sum())
    if not total > 0.0:
        return None
    foramen = either / total
    apart = _constriction(anatomy)
    constriction = np.convolve(foramen, apart[::-1])
    first = at[0] - STEP_MM * (len(apart) - 1)
    return Posterior(
        films,
        readings,
        anatomy,
        at,
        foramen,
        _steps(0, len(constriction) - 1, first),
        constriction,
        1.0 - float(clean.sum()) / total,
    )


def _span(films: Sequence[FilmEnd], readings: Sequence[ReadingGroup], anatomy: Anatomy) -> tuple[float, float]:
    """From the shortest to the longest that is said of the foramen, mm."""
    shown = [film.length_mm - (anatomy.foramen_mm if film.end == "apex" else 0.0) for film in films]
    read = [value - group.shift_mm for group in readings for value in group.lengths_mm]
    return min((*shown, *read)), max((*shown, *read))


# --- the film --------------------------------------------------------------------------------------------------------


def _film_likelihood(films: Sequence[FilmEnd], at: Float64, anatomy: Anatomy | None) -> tuple[Float64, Float64]:
    """How probable the films are for a foramen at `at`: none of them grossly wrong, and the rest."""
    off = np.ones(1) if anatomy is None else _foramen(anatomy)
    shared = hypot(min(film.shared_std_mm for film in films), LEAST_STD_MM)
    even = min(film.even_mm for film in films)
    slid = min(film.too_long_mm for film in films)
    reach = int(np.ceil((4.0 * shared + even + slid) / STEP_MM))
    error = _steps(-reach, reach)
    common = _spread(error, shared, even)
    if slid > 0.0:
        over = np.linspace(ONE_SIDED_FROM * slid, slid, 9)
        lifted = np.mean([_spread(error - more, shared, even) for more in over], axis=0)
        common = (1.0 - ONE_SIDED_SHARE) * common + ONE_SIDED_SHARE * lifted
    common /= common.sum()
    # The apex, and beyond and short of it by what the films share.
    places = _steps(-reach, len(at) + len(off) - 2 + reach, at[0])
    known, either = np.zeros_like(places), np.zeros_like(places)  # logarithms
    for film in films:
        own = hypot(film.own_std_mm, LEAST_STD_MM, 0.0 if anatomy is not None else FORAMEN_MARK_STD_MM)
        error_here = film.length_mm - places
        right = (1.0 - FILM_WRONG_SHARE) * _spread(error_here, own, 0.0)
        known += _log(right)
        either += _log(right + FILM_WRONG_SHARE * _spread(error_here, hypot(own, FILM_WRONG_STD_MM), 0.0))
    known, either = _likelihoods(known, either)
    both = [np.convolve(of, common[::-1], "valid") for of in (known, either)]
    known, either = (np.convolve(of, off[::-1], "valid") for of in both)
    return known, np.maximum(either - known, 0.0)


# --- the readings ----------------------------------------------------------------------------------------------------


def _reading_likelihood(group: ReadingGroup, at: Float64) -> tuple[Float64, Float64]:
    """How probable a group of readings is for a foramen at `at`: the device right, and grossly wrong."""
    right, wrong = _device(group.device_std_mm, group.wrong_shares, group.shift_mm, group.shift_std_mm)
    reach = (len(right) - 1) // 2
    shown = _steps(-reach, len(at) - 1 + reach, at[0])  # where the device has its foramen
    half = 0.5 * group.division_mm
    by_std = []
    for std in REPEAT_STDS_MM:
        of_all = np.zeros_like(shown)
        for value in group.lengths_mm:
            of_all += _log(
                (1.0 - MISREAD_SHARE) * _spread(value - shown, std, half)
                + MISREAD_SHARE * _spread(value - shown, MISREAD_STD_MM, 0.0)
            )
        for value in group.beyond_mm:
            of_all += _log((1.0 - MISREAD_SHARE) * _phi((value - shown) / hypot(std, half / sqrt(3.0))) + MISREAD_SHARE)
        by_std.append(of_all)
    each = np.mean(_likelihoods(*by_std), axis=0)
    return np.convolve(each, right[::-1], "valid"), np.convolve(each, wrong[::-1], "valid")


@lru_cache(maxsize=64)
def _device(std: float, shares: tuple[float, float], shift: float, shift_std: float) -> tuple[Float64, Float64]:
    """What a device shows less where the foramen is, on a grid about 0: right, and grossly wrong."""
    reach = round((REACH_MM + 1.0) / STEP_MM)
    error = _steps(-reach, reach)
    own = hypot(std, shift_std)
    right = _normal(error - READING_BIAS_MM - shift, own)
    early, late = (
        # Half a normal spread added to a normal one is skew normal (O'Hagan & Leonard, Biometrika 1976;63:201-203).
        2.0 * _normal(z, hypot(own, far)) * _phi(side * z * far / (own * hypot(own, far)))
        for side, far, z in zip((-1.0, 1.0), READING_WRONG_STD_MM, [error - READING_BIAS_MM - shift] * 2, strict=True)
    )
    return (1.0 - sum(shares)) * STEP_MM * right, STEP_MM * (shares[0] * early + shares[1] * late)


def _log(density: Float64) -> Float64:
    """Logarithms are added where densities were multiplied: of a thousand of them the product is no number any more."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(density), np.float64)


def _likelihoods(*logs: Float64) -> tuple[Float64, ...]:
    """From their logarithms, the largest of all being 1; all 0 where no place is possible."""
    most = max(float(one.max()) for one in logs)
    return tuple(np.exp(one - most) if np.isfinite(most) else np.zeros_like(one) for one in logs)


# --- anatomy, and spreads on the grid --------------------------------------------------------------------------------


def _steps(first: int, last: int, start: float = 0.0) -> Float64:
    """Places on the grid from so many steps off `start` to so many, both of them in it."""
    return np.asarray(start + STEP_MM * np.arange(first, last + 1), np.float64)


def _grid(far: float) -> Float64:
    return _steps(0, round(far / STEP_MM))


@lru_cache(maxsize=32)
def _foramen(anatomy: Anatomy) -> Float64:
    """Probability of each distance from apex to foramen on the grid from 0."""
    at = _grid(FARTHEST_MM[0])
    near = _halved(at, AT_TIP_STD_MM)
    found = np.zeros_like(at)
    for share in anatomy.at_tip:
        # The mean is that of all roots, those with the foramen at the tip among them.
        found += share * near + (1.0 - share) * _gamma(at, anatomy.foramen_shape, anatomy.foramen_mm / (1.0 - share))
    return np.asarray(found / found.sum(), np.float64)


@lru_cache(maxsize=32)
def _constriction(anatomy: Anatomy) -> Float64:
    at = _grid(FARTHEST_MM[1])
    found = sum(_gamma(at, anatomy.constriction_shape, mean) for mean in anatomy.constriction_mm)
    return np.asarray(found / np.sum(found), np.float64)


def _halved(at: Float64, std: float) -> Float64:
    edges = np.concatenate([[0.0], at + 0.5 * STEP_MM])
    return np.asarray(np.diff(2.0 * _phi(edges / std) - 1.0), np.float64)


def _gamma(at: Float64, shape: float, mean: float) -> Float64:
    """A gamma distribution on the grid, each step by its middle; the first by what lies nearest 0."""
    fine = (np.arange(20 * len(at)) + 0.5) * STEP_MM / 20.0
    density = (fine / mean) ** (shape - 1.0) * np.exp(-shape * fine / mean)
    found = np.zeros_like(at)
    np.add.at(found, np.minimum(np.round(fine / STEP_MM).astype(int), len(at) - 1), density)
    return np.asarray(found / found.sum(), np.float64)


def _normal(z: Float64, std: float) -> Float64:
    return np.asarray(np.exp(-0.5 * (z / std) ** 2) / (std * sqrt(2.0 * np.pi)), np.float64)


def _spread(z: Float64, std: float, half: float) -> Float64:
    """Density of a normal spread and an even one over -half to half."""
    if half < 0.05 * std:
        return _normal(z, hypot(std, half / sqrt(3.0)))
    return np.asarray(np.maximum(_phi((z + half) / std) - _phi((z - half) / std), 0.0) / (2.0 * half), np.float64)


@lru_cache(maxsize=1)
def _table() -> tuple[Float64, Float64]:
    at = np.linspace(-8.0, 8.0, 3201)
    return at, np.array([0.5 * (1.0 + erf(value / sqrt(2.0))) for value in at])


def _phi(z: Float64) -> Float64:
    """The normal distribution function, to 1e-6, without scipy."""
    return np.asarray(np.interp(z, *_table()), np.float64)


def _below(at: Float64, weight: Float64, length: float) -> float:
    """Share below a length; each weight is spread over its step."""
    return float(np.interp(length, at + 0.5 * STEP_MM, np.cumsum(weight), left=0.0, right=1.0))


def _quantile(at: Float64, weight: Float64, share: float) -> float:
    return float(np.interp(share, np.cumsum(weight), at + 0.5 * STEP_MM))
