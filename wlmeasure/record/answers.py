"""What a person has said of what a network proposed: accepted unmoved, moved by how much, refused, or nothing yet.

An item that is accepted becomes a file or a trace of the case, by the same steps as one that is drawn by hand; it names the
item (`accepted`). How far it was moved is asked of the case as it stands, and stored nowhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import calibrate_lines
from wlmeasure.decide.methods import ApicalEnd
from wlmeasure.errors import CaseError, WlmeasureError
from wlmeasure.points import polyline_feet
from wlmeasure.record.case import (
    FILES,
    Accepted,
    Case,
    Film,
    KnownFile,
    KnownObject,
    PlainFile,
    ProposedItem,
    Refused,
    Trace,
)
from wlmeasure.record.films import known_line
from wlmeasure.trace.spline import resample

__all__ = [
    "Answer",
    "accepted_canal",
    "accepted_file",
    "answered",
    "answers",
    "canal_moved_px",
    "clicks_of",
    "unanswered",
    "with_proposed",
    "with_refusal",
]

Point = tuple[float, float]
Outcome = Literal["accepted", "refused", "not answered"]

CLICKS = 5
"""Points of a proposed canal that stand for clicks, evenly along it: enough to hold a double bend (our parameter)."""
STILL_PX = 0.005
"""A mark that lies no farther from its proposal was not moved: positions are kept to a thousandth of a pixel."""


@frozen
class Answer:
    """What became of one item.

    Attributes
    ----------
    film, item
        Id of the film, and the item.
    outcome, by, at
        What was said, by whom and when; None where nothing was.
    canal
        The canal that it was accepted as, or for.
    moved_px, moved_mm
        Greatest distance between what was proposed and what stands in the case now, 0 where it was not moved, None where it
        was not accepted; in mm by the film's files and objects of known length, None where it has none.
    came_with
        Label of the item that was answered in its stead: of a file's end the file, of a root end its canal; else None.
    """

    film: str
    item: ProposedItem
    outcome: Outcome
    by: str | None = None
    at: str | None = None
    canal: str | None = None
    moved_px: float | None = None
    moved_mm: float | None = None
    came_with: str | None = None

    @property
    def words(self) -> str:
        """What was said, short."""
        return f"{self.item.label} {self.outcome}" + (f" for canal {self.canal}" if self.canal else "")


def with_proposed(case: Case, film_id: str, items: Sequence[ProposedItem]) -> Case:
    """The case with what a network proposes on a film; what stands there already stays."""
    films = (
        evolve(one, proposed=tuple(items)) if one.id == film_id and not one.proposed else one for one in case.films
    )
    return evolve(case, films=tuple(films))


def with_refusal(case: Case, film_id: str, label: str, *, at: str, by: str) -> Case:
    """The case with that item refused.

    Raises
    ------
    CaseError
        There is no such item on the film.
    """
    film = case.film(film_id)
    if all(item.label != label for item in film.proposed):
        raise CaseError(f"item must be one that is proposed on film {film_id}: {label!r}")
    items = (evolve(one, refused=Refused(by=by, at=at)) if one.label == label else one for one in film.proposed)
    return evolve(case, films=tuple(evolve(one, proposed=tuple(items)) if one is film else one for one in case.films))


def clicks_of(item: ProposedItem) -> tuple[Point, ...]:
    """The points of an item that a person can move: both ends of a file, a few along a canal, the place of a point."""
    points = item.points_px
    if item.kind == "file":
        return points[0], points[-1]
    if item.kind != "canal" or len(points) < CLICKS:
        return points
    between = resample(np.asarray(points), CLICKS)[1:-1]
    return (points[0], *((round(float(row), 3), round(float(col), 3)) for row, col in between), points[-1])


def _tracer(item: ProposedItem) -> str:
    return f"{item.model}/{item.model_sha256[:12]}"


def accepted_file(item: ProposedItem, clicks: Sequence[Point] | None, *, at: str, by: str) -> PlainFile:
    """A file as it was proposed, or through its two ends where a person has moved them. Its length is for a person to say."""
    accepted = (Accepted(item=item.label, by=by, at=at),)
    if clicks is not None:
        return PlainFile(points_px=tuple(clicks), trace_kind="clicks", accepted=accepted)
    return PlainFile(
        points_px=clicks_of(item), trace_kind="clicks", path_px=item.points_px, tracer=_tracer(item), accepted=accepted
    )


def accepted_canal(
    item: ProposedItem, clicks: Sequence[Point] | None, film_id: str, apical_end: ApicalEnd, *, at: str, by: str
) -> Trace:
    """A canal as it was proposed, or through the points that a person has moved, to be traced anew."""
    accepted = (Accepted(item=item.label, by=by, at=at),)
    if clicks is not None:
        return Trace(film=film_id, clicks_px=tuple(clicks), apical_end=apical_end, accepted=accepted)
    return Trace(
        film=film_id,
        clicks_px=clicks_of(item),
        path_px=item.points_px,
        tracer=_tracer(item),
        apical_end=apical_end,
        accepted=accepted,
    )


def answered(case: Case, film_id: str) -> frozenset[str]:
    """Labels of the items of a film that a person has accepted or refused."""
    film = case.film(film_id)
    taken = {one.item for scale in film.scale if isinstance(scale, FILES) for one in scale.accepted}
    taken |= {one.item for c in case.canals for t in c.traces if t.film == film_id for one in t.accepted}
    return frozenset(taken | {item.label for item in film.proposed if item.refused is not None})


def unanswered(items: Sequence[ProposedItem], said: frozenset[str]) -> tuple[ProposedItem, ...]:
    """Files, canals, root ends and reference points of which nothing was said yet; a root end goes with its canal."""
    ends = {item.of for item in items if item.kind == "canal"}
    kinds = ("file", "canal", "root end", "reference point")
    return tuple(
        item
        for item in items
        if item.kind in kinds and item.label not in said and not (item.kind == "root end" and item.label in ends)
    )


def answers(case: Case) -> tuple[Answer, ...]:
    """Everything that was proposed in a case and what became of it, film by film: files with their ends, canals, root ends
    and reference points. It is read from the case alone; no film is opened."""  # noqa: D209
    return tuple(answer for film in case.films for answer in _of_film(case, film))


def _of_film(case: Case, film: Film) -> Iterator[Answer]:
    pixel = _mm_per_px(film)
    ratio = 1.0 if film.col_over_row is None else film.col_over_row
    files = {a.item: (scale, a) for scale in film.scale if isinstance(scale, FILES) for a in scale.accepted}
    traces = {
        a.item: (canal.name, trace, a)
        for canal in case.canals
        for trace in canal.traces
        if trace.film == film.id
        for a in trace.accepted
    }
    items = {item.label: item for item in film.proposed}
    owner = {item.of: item.label for item in film.proposed if item.kind == "canal"}  # of a root end, its canal
    for item in film.proposed:
        if item.kind == "orifice":
            continue
        whole = item.of if item.kind in ("upper end", "tip") else item.label
        if item.kind == "root end" and item.label in owner and item.label not in traces:
            whole = owner[item.label]
        stands: object
        canal = None
        came_with = None if whole == item.label else whole
        if whole in files:
            file, said = files[whole]
            at = {"upper end": 0, "tip": -1}.get(item.kind)
            stands = (file.path_px or file.points_px) if at is None else (file.points_px[at],)
        elif whole in traces:
            canal, trace, said = traces[whole]
            line = trace.path_px or trace.clicks_px or ()
            stands = line if item.kind == "canal" else (trace.reference_px,)
            if item.kind == "root end":
                stands = line[-1:]
        else:
            refused = items[whole].refused if whole in items else None
            if refused is None:
                yield Answer(film.id, item, "not answered", came_with=came_with)
            else:
                yield Answer(film.id, item, "refused", refused.by, refused.at, came_with=came_with)
            continue
        if stands == (None,):  # the mark was taken away again
            yield Answer(film.id, item, "not answered")
            continue
        moved = _moved_px(item, stands, ratio)
        by_mm = None if pixel is None else (_apart(item.points_px, stands, pixel) if moved else 0.0)
        yield Answer(film.id, item, "accepted", said.by, said.at, canal, moved, by_mm, came_with)


def canal_moved_px(film: Film, trace: Trace, line: Sequence[Point] | NDArray[np.float64]) -> float | None:
    """How far a canal's path lies from the one that it was accepted from: 0 where it was not moved, None where it was drawn.

    Parameters
    ----------
    film, trace
        The film with what is proposed on it, and what stands in the case.
    line : (N, 2)
        The path, pixels (row, col): the stored one, or as it is traced between clicks.

    Returns
    -------
    float or None
        Greatest distance in pixels (rows; columns by their ratio).
    """
    taken = {one.item for one in trace.accepted}
    ratio = 1.0 if film.col_over_row is None else film.col_over_row
    found = (item for item in film.proposed if item.kind == "canal" and item.label in taken)
    return next((_moved_px(item, line, ratio) for item in found), None)


def _moved_px(item: ProposedItem, stands: object, ratio: float) -> float:
    moved = _apart(item.points_px, stands, (1.0, ratio))
    return 0.0 if moved <= STILL_PX else moved


def _apart(one: object, other: object, unit: tuple[float, float]) -> float:
    """The greatest distance of a point of either line from the other line, or of two points; in `unit` a pixel."""
    a, b = (np.asarray(line, np.float64).reshape(-1, 2) * unit for line in (one, other))
    return max(float(polyline_feet(a, b).apart.max()), float(polyline_feet(b, a).apart.max()))


def _mm_per_px(film: Film) -> tuple[float, float] | None:
    """Size of a pixel (row, col), mm, by what of known length the case holds; None where that is nothing."""
    ratio = 1.0 if film.col_over_row is None else film.col_over_row
    known = [one for one in film.scale if isinstance(one, KnownFile | KnownObject) and one.gives_scale]
    try:
        lines = [
            known_line(one, (one.path_px or one.points_px) if isinstance(one, KnownFile) else one.points_px, ratio)[0]
            for one in known
        ]
        return calibrate_lines(lines, col_over_row=ratio).mm_per_px if lines else None
    except WlmeasureError:
        return None
