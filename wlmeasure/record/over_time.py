"""Films of one tooth over time: one laid on another, marks carried over, and how far marks lie from where they were.

A carried mark is a proposal. It enters the case only where a person accepts it (:func:`with_carried`), and the case then says
that it was carried and from which film; no shift is measured to it, since it would be measured against itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt
from typing import Literal

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import CaseError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Angulation, Carried, Case, Film, Trace
from wlmeasure.record.edit import canal_of, with_trace
from wlmeasure.record.evaluate import CaseResult, FilmResult, TraceResult
from wlmeasure.trace.registration import Landmark, Registration, register_films

__all__ = ["CarriedMark", "Comparison", "Mark", "Shift", "carried_trace", "compare_films", "over_time", "with_carried"]

Float64 = NDArray[np.float64]
Mark = Literal["apical end", "reference point"]

MOST_CLICKS = 12
"""Clicks that a carried path becomes at the most; a path of some 12 mm then has one a millimetre. Our parameter."""

SIDEWAYS_STDS = 3.3
"""A mark farther to the side than so many standard deviations says that the films do not fit; one in a thousand that do is
lost by it. Our parameter."""


@frozen(eq=False)
class CarriedMark:
    """A mark of the earlier film on the later one: (row, col) and its covariance in pixels there; `std_mm` needs a scale."""

    canal: str
    mark: Mark
    at_px: tuple[float, float]
    covariance_px: Float64
    std_mm: float | None

    @property
    def std_px(self) -> float:
        return float(sqrt(np.trace(self.covariance_px) / 2.0))


@frozen
class Shift:
    """How far a mark lies from where the earlier film has it, mm of the later film.

    `coronal_mm` counts along the tooth, positive towards the reference point; `sideways_mm` across it, always >= 0. The
    standard deviations hold both clicks and the carrying over. `was` and `now` name what was marked (an apical end
    is an apex on one film and a filling's end on another).
    """

    canal: str
    mark: Mark
    was: str
    now: str
    coronal_mm: float
    coronal_std_mm: float
    sideways_mm: float
    sideways_std_mm: float

    @property
    def interval_mm(self) -> tuple[float, float]:
        """95 % interval of `coronal_mm`."""
        half = NORMAL_95 * self.coronal_std_mm
        return self.coronal_mm - half, self.coronal_mm + half

    @property
    def seen(self) -> bool:
        """Whether the shift along the tooth is larger than its 95 % interval explains."""
        low, high = self.interval_mm
        return low > 0.0 or high < 0.0


@frozen(eq=False)
class Comparison:
    """Film `earlier` laid on film `later`; without marks and shifts where the films do not fit."""

    earlier: FilmResult
    later: FilmResult
    registration: Registration
    carried: tuple[CarriedMark, ...]
    shifts: tuple[Shift, ...]


def over_time(result: CaseResult) -> tuple[Comparison, ...]:
    """Every film with a canal that an earlier film has too, laid on the first film that has it."""
    pairs: list[tuple[str, str]] = []
    order = [film.film.id for film in result.films]
    for canal in result.canals:
        ids = sorted((trace.trace.film for trace in canal.traces), key=order.index)
        pairs += [(ids[0], later) for later in ids[1:]]
    return tuple(compare_films(result, one, other) for one, other in dict.fromkeys(pairs))


def compare_films(result: CaseResult, earlier: str, later: str, *, landmarks: Sequence[Landmark] = ()) -> Comparison:
    """Lay one film of a case on another one, carry the marks over, and measure the shifts of those marked on both.

    Parameters
    ----------
    result
        The measured case.
    earlier, later
        Ids of two films.
    landmarks
        Further points seen on both, such as corners of a filling of the crown.

    Raises
    ------
    CaseError
        No such film, or the same twice; a landmark that does not lie on its film.
    """
    one, other = (_film(result, film_id) for film_id in (earlier, later))
    if one is other:
        raise CaseError(f"films must be two: {earlier!r} is given twice; name another film")
    for landmark in landmarks:
        for film, point in ((one, landmark.a_px), (other, landmark.b_px)):
            rows, cols = film.radiograph.values.shape
            if not (-0.5 <= point[0] <= rows - 0.5 and -0.5 <= point[1] <= cols - 0.5):
                raise CaseError(
                    f"landmark must lie on film {film.film.id}, which has {rows} rows and {cols} columns: row {point[0]:g}, "
                    f"column {point[1]:g}"
                )
    traces = [(c.canal.name, t) for c in result.canals for t in c.traces if t.film is one]
    about = None
    if traces:
        # The middle of all canals, from crown to apex, is the middle of the tooth.
        lines = [_line(trace) for _, trace in traces]
        about = np.mean([[line[0], line[len(line) // 2], line[-1]] for line in lines], axis=0)
    scales = [film.calibration for film in (one, other)]
    sizes = [None if scale is None else scale.mm_per_px for scale in scales]
    found = register_films(
        _shaped(one), _shaped(other), a_mm_per_px=sizes[0], b_mm_per_px=sizes[1], about_px=about, landmarks=landmarks,
        angle_deg=_noted_deg(one.film, other.film),
    )  # fmt: skip
    carried: list[CarriedMark] = []
    shifts: list[Shift] = []
    for name, trace in traces if found.fits else ():
        there = next((t for c in result.canals if c.canal.name == name for t in c.traces if t.film is other), None)
        for mark, at in _marks(trace):
            carried.append(_carry(found, name, mark, at, other))
            shift = None if there is None else _shift(carried[-1], trace, there, found)
            if shift is not None:
                shifts.append(shift)
    doubt = _doubt(shifts)
    if doubt:
        return Comparison(one, other, evolve(found, verdict="projections differ", why=doubt), (), ())
    return Comparison(one, other, found, tuple(carried), tuple(shifts))


def _doubt(shifts: Sequence[Shift]) -> str:
    """Why marks on both films say that the films do not fit after all, or nothing.

    No treatment moves an apex or a cusp sideways; seeing the tooth from another side does, and the outline of a round root
    does not show it.
    """
    for shift in shifts:
        if shift.sideways_mm > SIDEWAYS_STDS * shift.sideways_std_mm:
            return (
                f"the {shift.mark} of canal {shift.canal} as marked on both films lies {shift.sideways_mm:.1f} ± "
                f"{NORMAL_95 * shift.sideways_std_mm:.1f} mm to the side, as when the tooth was seen from another side; "
                "check the marks"
            )
    return ""


def carried_trace(result: CaseResult, comparison: Comparison, canal: str, *, path: bool = False) -> Trace:
    """A trace for the later film, to be accepted by a person: the marks of `canal`, and on request its path as clicks.

    Without `path` the clicks are the first point of the canal's path and its end, and the line between them is traced anew; on
    a filled canal that may follow the outline of the root, so look at it.

    Raises
    ------
    CaseError
        The films do not fit, the earlier one has no trace of that canal, or what is carried lies outside the film.
    """
    found, other = comparison.registration, comparison.later
    trace = next(
        (t for c in result.canals if c.canal.name == canal for t in c.traces if t.film is comparison.earlier), None
    )
    if trace is None:
        raise CaseError(f"canal {canal} must be traced on film {comparison.earlier.film.id} to be carried over from it")
    if not found.fits:
        raise CaseError(
            f"marks of film {comparison.earlier.film.id} cannot be carried over to film {other.film.id}: {found.why}"
        )
    line = trace.path.path_px
    count = MOST_CLICKS if path else 2
    picked = line[np.unique(np.linspace(0, len(line) - 1, count).round().astype(int))]
    clicks, spread = found.carry(picked, on_outline=True, std_px=other.click_std_px)
    marks = ["apical end"] + (["path"] if path else [])
    reference = trace.trace.reference_px
    stds = list(np.sqrt(np.trace(spread, axis1=1, axis2=2) / 2.0))
    if reference is not None:
        at, wide = found.carry([reference], on_outline=False, std_px=other.click_std_px)
        reference = (float(at[0, 0]), float(at[0, 1]))
        marks.append("reference point")
        stds.append(float(sqrt(np.trace(wide[0]) / 2.0)))
    shape = np.array(other.radiograph.values.shape)
    every = clicks if reference is None else np.vstack([clicks, reference])
    if not ((every >= -0.5) & (every <= shape - 0.5)).all():
        raise CaseError(
            f"marks of film {comparison.earlier.film.id} must lie on film {other.film.id} to be carried over: a part of the "
            "tooth is outside it"
        )
    return Trace(
        film=other.film.id,
        reference_px=reference,
        clicks_px=tuple((float(r), float(c)) for r, c in clicks),
        apical_end=trace.trace.apical_end,
        carried=Carried(film=comparison.earlier.film.id, marks=tuple(marks), std_px=round(float(max(stds)), 3)),
    )


def with_carried(case: Case, canal: str, proposed: Trace) -> Case:
    """The case with a proposed trace accepted; what stands on that film is kept but for the marks.

    Raises
    ------
    CaseError
        No such canal.
    """
    old = next((t for t in canal_of(case, canal).traces if t.film == proposed.film), None)
    if old is not None:
        marked = proposed.reference_px or old.reference_px
        proposed = evolve(old.clicked(proposed.clicks_px), reference_px=marked, carried=proposed.carried)
    return with_trace(case, canal, proposed)


def _film(result: CaseResult, film_id: str) -> FilmResult:
    for film in result.films:
        if film.film.id == film_id:
            return film
    ids = ", ".join(film.film.id for film in result.films)
    raise CaseError(f"film must be one of the case ({ids}): {film_id!r}")


def _noted_deg(one: Film, other: Film) -> float:
    """How much the angulation differs by what was noted on both films, the larger of both ways; 0 where it was not."""
    first, second = one.angulation, other.angulation
    if first is None or second is None:
        return 0.0
    pairs = [(_horizontal_deg(first), _horizontal_deg(second)), (first.vertical_deg, second.vertical_deg)]
    return max((abs(a - b) for a, b in pairs if a is not None and b is not None), default=0.0)


def _horizontal_deg(angulation: Angulation) -> float | None:
    """Towards mesial; without a side the number stands as it was noted."""
    if angulation.horizontal_deg is None or angulation.tube_shift != "distal":
        return angulation.horizontal_deg
    return -angulation.horizontal_deg


def _shaped(film: FilmResult) -> Radiograph:
    return evolve(film.radiograph, col_over_row=film.col_over_row)


def _line(trace: TraceResult) -> Float64:
    path = trace.path.path_px
    return path if trace.trace.crown_px is None else np.vstack([trace.trace.crown_px, path])


def _marks(trace: TraceResult) -> list[tuple[Mark, Float64]]:
    marks: list[tuple[Mark, Float64]] = [("apical end", trace.path.path_px[-1])]
    if trace.trace.crown_px is not None:
        marks.append(("reference point", np.array(trace.trace.crown_px)))
    return marks


def _carry(found: Registration, canal: str, mark: Mark, at: Float64, other: FilmResult) -> CarriedMark:
    places, spread = found.carry(at[None], on_outline=mark == "apical end", std_px=other.click_std_px)
    std = None
    if other.calibration is not None:
        size = np.diag(other.calibration.mm_per_px)
        std = float(sqrt(np.trace(size @ spread[0] @ size) / 2.0))
    return CarriedMark(canal, mark, (float(places[0, 0]), float(places[0, 1])), spread[0], std)


def _shift(carried: CarriedMark, was: TraceResult, now: TraceResult, found: Registration) -> Shift | None:
    """The shift of one mark; None where it is not marked there, was itself carried over, or the film has no scale."""
    origin, scale = now.trace.carried, now.film.calibration
    if scale is None or (origin is not None and carried.mark in origin.marks):
        return None
    here = dict(_marks(now)).get(carried.mark)
    if here is None:
        return None
    size = np.array(scale.mm_per_px)
    line = _line(was)
    # The tooth's long axis as the earlier film has it, laid on this one: the same for every later film.
    ends = found.to_b(line[[0, -1]]) * size
    crown = (ends[0] - ends[1]) / hypot(*(ends[0] - ends[1]))
    off = (here - np.array(carried.at_px)) * size
    spread = np.diag(size) @ (carried.covariance_px + np.eye(2) * now.film.click_std_px**2) @ np.diag(size)
    across = np.array([-crown[1], crown[0]])
    words = (was.trace.apical_end, now.trace.apical_end) if carried.mark == "apical end" else 2 * ("reference point",)
    return Shift(
        carried.canal, carried.mark, words[0], words[1], float(off @ crown), float(sqrt(crown @ spread @ crown)),
        abs(float(off @ across)), float(sqrt(across @ spread @ across)),
    )  # fmt: skip
