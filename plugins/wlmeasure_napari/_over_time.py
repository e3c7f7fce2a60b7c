"""Marks carried over from an earlier film: what is proposed, and the earlier film laid on the one in view. No Qt."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import CaseError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Trace
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.record.over_time import Comparison, carried_trace, compare_films, over_time
from wlmeasure.share.over_time import laid_picture, over_time_lines
from wlmeasure.share.page import PageFile
from wlmeasure.share.report import report_file

__all__ = ["Proposal", "earlier_films", "propose", "report_over_time"]

Point = tuple[float, float]


@frozen(eq=False)
class Proposal:
    """An earlier film laid on the film in view: its picture on this one's pixels, and the marks of one canal to be accepted.

    `trace` is None where the canal is marked on this film already; the words then say how far its marks have moved.
    """

    comparison: Comparison
    canal: str
    trace: Trace | None
    picture: NDArray[np.uint8] = field(repr=False)

    @property
    def earlier(self) -> str:
        return self.comparison.earlier.film.id

    @property
    def later(self) -> str:
        return self.comparison.later.film.id

    @property
    def points(self) -> list[Point]:
        """The proposed clicks, orifice first."""
        return [] if self.trace is None or self.trace.clicks_px is None else list(self.trace.clicks_px)

    @property
    def reference(self) -> list[Point]:
        """The proposed reference point, if there is one."""
        return [] if self.trace is None or self.trace.reference_px is None else [self.trace.reference_px]

    @property
    def words(self) -> str:
        """How surely the marks are carried, or how far those marked on both films have moved."""
        if self.trace is None or self.trace.carried is None:
            return "\n".join(line.strip() for line in over_time_lines(self.comparison))
        std = max(
            (m.std_mm for m in self.comparison.carried if m.canal == self.canal and m.std_mm is not None), default=None
        )
        spread = (
            f"± {NORMAL_95 * self.trace.carried.std_px:.0f} pixels" if std is None else f"± {NORMAL_95 * std:.1f} mm"
        )
        return (
            f"Carried over from film {self.earlier} ({spread}): look at every mark. Enter accepts; a click begins anew."
        )


def earlier_films(result: CaseResult | None, canal: str, film_id: str) -> list[str]:
    """Films from which that canal can be carried over to film `film_id`: those on which it was traced."""
    if result is None:
        return []
    found = next((one for one in result.canals if one.canal.name == canal), None)
    return [] if found is None else [t.trace.film for t in found.traces if t.trace.film != film_id]


def propose(result: CaseResult, canal: str, earlier: str, later: str, *, path: bool) -> Proposal:
    """Lay film `earlier` on film `later` and propose the marks of a canal that is not marked there yet.

    Raises
    ------
    CaseError
        The films do not fit, or a mark would lie outside the film; the words say why.
    """
    comparison = compare_films(result, earlier, later)
    found = comparison.registration
    if not found.fits:
        raise CaseError(f"film {earlier} must fit film {later} to carry marks over: {found.verdict}; {found.why}")
    marked: Any = next(
        (t for c in result.canals if c.canal.name == canal for t in c.traces if t.trace.film == later), None
    )
    trace = carried_trace(result, comparison, canal, path=path) if marked is None else None
    return Proposal(comparison, canal, trace, laid_picture(comparison))


def report_over_time(result: CaseResult, name: str, *, made_at: str, program: str) -> PageFile:
    """The report with its films over time, which are laid on one another first."""
    return report_file(result, name, made_at=made_at, program=program, compared=over_time(result))
