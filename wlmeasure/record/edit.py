"""The steps of a measuring session as functions from one case to the next.

Nothing is edited in place: each step returns a new case, so undo is keeping the old one.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import dist
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve
from numpy.typing import NDArray

from wlmeasure.decide.electronic import RULER_STD_MM, Mark
from wlmeasure.errors import CaseError, TradeError, check_finite
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.view import View, upright_turns
from wlmeasure.points import polyline_feet
from wlmeasure.record.case import (
    FILES,
    Angulation,
    Canal,
    Case,
    Clicks,
    Entry,
    Film,
    FilmView,
    KnownFile,
    Scale,
    StopSeated,
    Trace,
)
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord, record_of
from wlmeasure.trace.spline import arc_length
from wlmeasure.trade.instruments import tip_diameter_mm

__all__ = [
    "canal_of",
    "completed_entry",
    "new_case",
    "new_film",
    "renamed_canal",
    "struck_out",
    "typed_number",
    "typed_size",
    "upright_view",
    "with_angulation",
    "with_canal",
    "with_clicks",
    "with_entry",
    "with_file_tips",
    "with_film",
    "with_instruments",
    "with_metal",
    "with_point",
    "with_reading",
    "with_reference",
    "with_scale",
    "with_tooth",
    "with_trace",
    "with_view",
    "without_canal",
    "without_scale",
    "without_trace",
]

Point = tuple[float, float]
# Our parameter: of the length of a canal's path, 1 mm of 13. What lies farther off is in another canal, or in none that is
# traced.
BY_THE_PATH = 0.08


def typed_number(text: str, field: str) -> float:
    """A number as a person types it, with a decimal point or a decimal comma; `mm` may follow.

    Raises
    ------
    CaseError
        The text is not one number, or is one of centimetres.
    """
    if text.strip().endswith("cm"):
        raise CaseError(
            f"{field} must be a number of millimetres such as 21.5, not of centimetres: {text.strip()[:40]!r}"
        )
    plain = text.strip().removesuffix("mm").strip().replace(",", ".")
    try:
        return check_finite(CaseError, field, float(plain))
    except ValueError:
        raise CaseError(f"{field} must be a number such as 21.5: {text.strip()[:40]!r}") from None


def typed_size(text: str) -> tuple[int, bool]:
    """The size of an instrument as a person types it, "25" or "33 special", and whether it was called special.

    Raises
    ------
    CaseError
        Not a whole number, or a size that ISO 3630-1 does not have and that was not called special.
    """
    words = text.split()
    special = words[1:] == ["special"]
    if (
        not words
        or not words[0].isascii()
        or not words[0].isdigit()
        or len(words[0]) > 3
        or (words[1:] and not special)
    ):
        raise CaseError(f"size must be a whole number of 1/100 mm such as 25, or '33 special': {text.strip()[:40]!r}")
    try:
        tip_diameter_mm(int(words[0]), special=special)
    except TradeError as error:
        raise CaseError(f'{error}: write "{words[0]} special"') from None
    return int(words[0]), special


def new_film(radiograph: Radiograph, path: str | Path, film_id: str, *, purpose: str | None = None) -> Film:
    """A film of a case, as the image says; `path` is relative to the case file or absolute."""
    return Film(
        id=film_id,
        path=str(path),
        sha256=radiograph.sha256,
        rows=radiograph.rows,
        cols=radiograph.cols,
        frame=radiograph.frame,
        purpose=purpose,
    )


def new_case(tooth: str, radiograph: Radiograph, path: str | Path) -> Case:
    """A case of one film and no canal yet.

    Raises
    ------
    CaseError
        A tooth that ISO 3950 does not know.
    """
    return Case(tooth=tooth, films=(new_film(radiograph, path, "f1"),))


def with_tooth(case: Case, tooth: str) -> Case:
    """The case of another tooth."""
    return evolve(case, tooth=tooth)


def with_clicks(case: Case, clicks: Clicks | None) -> Case:
    """The case with how far its clicks may be off; None leaves them the usual 1 px. Paths that it stores stay as they are."""
    return evolve(case, clicks=clicks)


def with_film(case: Case, radiograph: Radiograph, path: str | Path) -> Case:
    """One film more, under the next free id.

    Raises
    ------
    CaseError
        The same image is in the case already.
    """
    for film in case.films:
        if (film.sha256, film.frame or 1) == (radiograph.sha256, radiograph.frame or 1):
            raise CaseError(f"film must be another image: {Path(path).name} is film {film.id} already")
    used = {film.id for film in case.films}
    number = next(n for n in range(1, len(used) + 2) if f"f{n}" not in used)
    return evolve(case, films=(*case.films, new_film(radiograph, path, f"f{number}")))


def _edit_film(case: Case, film_id: str, **members: Any) -> Case:
    films = [evolve(film, **members) if film.id == film_id else film for film in case.films]
    return evolve(case, films=tuple(films))


def with_scale(case: Case, film_id: str, scale: Scale, *, at: int | None = None) -> Case:
    """A known length or a spacing claim more, or in place of the one at index `at`.

    A canal whose file's tip it is counts from the reference point that it has, where its stop does not show.
    """
    scales = list(case.film(film_id).scale)
    if at is None:
        scales.append(scale)
    else:
        scales[at] = scale
    case = _edit_film(case, film_id, scale=tuple(scales))
    reference = _reference(scale)
    for canal in case.canals if reference is not None else ():
        for trace in canal.traces:
            if trace.film == film_id and trace.file_tip_px == _tip(scale) and trace.reference_px != reference:
                case = _edit_trace(case, canal, _counted_from(trace, reference))
    return case


def with_reference(
    case: Case, film_id: str, at: int, reference_px: Point, *, stop_seated: StopSeated | None = None
) -> Case:
    """The edge or cusp marked that the stop of the file at index `at` rested on, where the stop itself does not show.

    The canal that the file lies in counts from it too: it is the same point.

    Parameters
    ----------
    case
        The case; it is not changed.
    film_id, at
        The film, and which of its known lengths.
    reference_px
        (row, col). It is marked by a person who saw it and never proposed: an edge may lie under a clamp, a cusp be broken.
    stop_seated
        Whether the stop was seen to rest on it at exposure; None leaves what was said before.

    Raises
    ------
    CaseError
        What stands there is no file of known length.
    """
    scales = case.film(film_id).scale
    file = scales[at] if 0 <= at < len(scales) else None
    if not isinstance(file, KnownFile):
        raise CaseError(
            f"scale[{at}] of film {film_id} must be a file of known length: only its stop rests on a reference point"
        )
    seated = file.stop_seated if stop_seated is None else stop_seated
    point = float(reference_px[0]), float(reference_px[1])
    marked = evolve(file, upper_end="reference", reference_px=point, stop_seated=seated)
    return with_scale(case, film_id, marked, at=at)


def _tip(scale: Scale) -> Point | None:
    return scale.points_px[-1] if isinstance(scale, KnownFile) else None


def _reference(scale: Scale) -> Point | None:
    return scale.reference_px if isinstance(scale, KnownFile) else None


def _counted_from(trace: Trace, reference_px: Point | None) -> Trace:
    """The trace from another reference point, which is then no longer one that was carried over from an earlier film."""
    carried = trace.carried
    if carried is not None:
        marks = tuple(mark for mark in carried.marks if mark != "reference point")
        carried = evolve(carried, marks=marks) if marks else None
    return evolve(trace, reference_px=reference_px, carried=carried)


def without_scale(case: Case, film_id: str, at: int) -> Case:
    """One known length or spacing claim less."""
    scales = list(case.film(film_id).scale)
    del scales[at]
    return _edit_film(case, film_id, scale=tuple(scales))


def with_angulation(case: Case, film_id: str, **members: Any) -> Case:
    """How a film was taken: members of `Angulation` that change; None takes one away, and the whole where none is left.

    Raises
    ------
    CaseError
        A value that no angulation has; degrees of a film that was taken without a shift.
    """
    known = case.film(film_id).angulation or Angulation()
    try:
        new: Angulation | None = evolve(known, **members)
    except CaseError as error:
        raise CaseError(f"angulation of {film_id}: {error}") from None
    assert new is not None
    if new.tube_shift == "none" and new.horizontal_deg:
        raise CaseError(
            f"angulation of {film_id}: a film taken without a shift is turned by 0 degrees, not {new.horizontal_deg:g}; "
            "clear the degrees first, or say to which side the tube was moved"
        )
    if new == Angulation():
        new = None
    return _edit_film(case, film_id, angulation=new)


def with_view(case: Case, film_id: str, view: View) -> Case:
    """The film laid so before the eye; its points, and all that is measured on it, stay as they are."""
    known = case.film(film_id).view or FilmView()
    new = evolve(known, quarter_turns=view.quarter_turns, mirrored=view.mirrored)
    return _edit_film(case, film_id, view=None if new == FilmView() else new)


def upright_view(result: CaseResult, film_id: str) -> View | None:
    """The view in which the crown of a lower tooth, or the root of an upper one, lies up; mirrored where the film is.

    Judged by the canals traced on the film, else by the files in it, coronal to apical end; None where it has neither.
    """
    film = next(film for film in result.films if film.film.id == film_id)
    lines = [trace.path.path_px for canal in result.canals for trace in canal.traces if trace.trace.film == film_id]
    lines = lines or [trace.path_px for trace in film.file_traces]
    if not lines:
        return None
    crown, apex = (np.mean([line[end] for line in lines], axis=0) * (1.0, film.col_over_row) for end in (0, -1))
    turns = upright_turns((crown[0], crown[1]), (apex[0], apex[1]), upper=result.tooth.is_upper)
    return evolve(film.film.shown_as, quarter_turns=turns)


def with_metal(case: Case, film_id: str, metal: str | None) -> Case:
    """The film with a person's word on its grey scale, metal "bright" or "dark"; None leaves it to the file.

    Raises
    ------
    CaseError
        Another word.
    """
    return _edit_film(case, film_id, metal=metal)


def canal_of(case: Case, name: str) -> Canal:
    """The canal of that name.

    Raises
    ------
    CaseError
        There is none.
    """
    for canal in case.canals:
        if canal.name == name:
            return canal
    raise CaseError(f"canal must be one of the case: {name!r}; add it first")


def _edit_canal(case: Case, name: str, new: Canal) -> Case:
    canal_of(case, name)
    return evolve(case, canals=tuple(new if canal.name == name else canal for canal in case.canals))


def with_canal(case: Case, name: str, reference_point: str | None = None) -> Case:
    """One canal more, without a trace; its reference point may be named later."""
    return evolve(case, canals=(*case.canals, Canal(name=name, reference_point=reference_point, traces=())))


def without_canal(case: Case, name: str, *, at: str, by: str) -> Case:
    """One canal less, with its traces; a canal that joined it stands on its own again.

    What the record holds of it stays readable there and counts no more, so that a new canal of that name begins empty.
    """
    canal_of(case, name)
    rest = [c for c in case.canals if c.name != name]
    alone = [evolve(c, joins=None) if c.joins is not None and c.joins.canal == name else c for c in rest]
    return _noted(evolve(case, canals=tuple(alone)), "canal removed", name, at=at, by=by)


def renamed_canal(case: Case, name: str, new_name: str, reference_point: str | None, *, at: str, by: str) -> Case:
    """A canal under another name or from another reference point; what joins it and its entries in the record follow."""
    canals = [
        evolve(c, name=new_name, reference_point=reference_point)
        if c.name == name
        else evolve(c, joins=evolve(c.joins, canal=new_name))
        if c.joins is not None and c.joins.canal == name
        else c
        for c in case.canals
    ]
    canal_of(case, name)
    case = evolve(case, canals=tuple(canals))
    return case if name == new_name else _noted(case, "canal renamed", new_name, at=at, by=by, other_canal=name)


def _noted(case: Case, kind: str, canal: str, *, at: str, by: str, other_canal: str | None = None) -> Case:
    """The case with an entry on a canal's name, where the record holds anything of that canal."""
    record, fault = record_of(case)
    if fault is not None or not record.standing(other_canal or canal):
        return case
    entry = Entry(id=record.next_id(), kind=kind, at=at, by=by, canal=canal, other_canal=other_canal)
    return evolve(case, entries=record.with_entry(entry, confirmed=("before-the-last",)).entries)


def with_file_tips(case: Case, result: CaseResult, earlier: Case | None) -> Case:
    """Each file's tip noted in the canal it lies in: the one whose path passes nearest to it on that film.

    A tip follows its file when that is moved, and goes when the file goes. A tip that was never a file's is left alone. The
    canal counts from where the file's stop rested, if the tip lies by its path (`BY_THE_PATH`) and nobody has marked another
    point; where the file turns out to lie in another canal, traced later, that point goes with it.

    Parameters
    ----------
    case
        The case, with the traces of `result`.
    result
        Its measures, for the paths.
    earlier
        The case before the last step, for where the tips were.
    """
    tips = {film.id: _tips(film) for film in case.films}
    were = {film.id: _tips(film) for film in (() if earlier is None else earlier.films)}
    seats: dict[
        tuple[str, str], tuple[Point, bool]
    ] = {}  # of a canal on a film: the tip in it, and whether by its path
    found = []
    for film in result.films:
        traces = [(c.canal.name, t) for c in result.canals for t in c.traces if t.trace.film == film.film.id]
        for tip in tips[film.film.id] if traces else ():
            apart = [(*_apart(t.path.path_px, tip, film.col_over_row), name) for name, t in traces]
            found.append((*min(apart), film.film.id, tip))
    for _, share, name, film_id, tip in sorted(found, reverse=True):  # farthest tips first so that the nearest stays
        seats[name, film_id] = tip, share <= BY_THE_PATH
    for canal in case.canals:
        for trace in canal.traces:
            old, (new, by_the_path) = trace.file_tip_px, seats.get((canal.name, trace.film), (None, False))
            ours = old is None or old in tips[trace.film] or old in were.get(trace.film, ())
            if ours and old != new:
                counted, film_now = trace.reference_px, case.film(trace.film)
                elsewhere = any(film_id == trace.film and tip == old for (_, film_id), (tip, _) in seats.items())
                if elsewhere and counted in _rested(film_now, old):
                    counted = None
                if counted is None and by_the_path:
                    counted = next(iter(_rested(film_now, new)), None)
                case = with_trace(case, canal.name, evolve(trace, file_tip_px=new, reference_px=counted))
    return case


def _rested(film: Film, tip: Point | None) -> list[Point | None]:
    """Where the stops of the files with that tip rested."""
    return [_reference(scale) for scale in film.scale if _tip(scale) == tip]


def _tips(film: Film) -> list[Point]:
    return [scale.points_px[-1] for scale in film.scale if isinstance(scale, FILES)]


def _apart(path_px: NDArray[np.float64], point: Point, ratio: float) -> tuple[float, float]:
    """How far a point lies from a path, in rows and as a share of the path's length."""
    path = path_px * (1.0, ratio)
    apart = float(polyline_feet(np.multiply(point, (1.0, ratio)), path).apart[0])
    return apart, apart / max(float(arc_length(path)[-1]), 1.0)


def with_trace(case: Case, name: str, trace: Trace) -> Case:
    """The canal traced on `trace.film`, in place of what was traced there.

    Where its reference point was moved, it is moved for the file in it too, if that is what the file's stop rested on.
    """
    canal = canal_of(case, name)
    before = next((old.reference_px for old in canal.traces if old.film == trace.film), None)
    case = _edit_trace(case, canal, trace)
    moved = trace.reference_px if trace.reference_px != before else None
    if moved is None or trace.file_tip_px is None:
        return case
    for at, scale in enumerate(case.film(trace.film).scale):
        if isinstance(scale, KnownFile) and scale.reference_px is not None and _tip(scale) == trace.file_tip_px:
            case = with_scale(case, trace.film, evolve(scale, reference_px=moved), at=at)
    return case


def _edit_trace(case: Case, canal: Canal, trace: Trace) -> Case:
    if any(old.film == trace.film for old in canal.traces):
        traces = tuple(trace if old.film == trace.film else old for old in canal.traces)
    else:
        traces = (*canal.traces, trace)
    return _edit_canal(case, canal.name, evolve(canal, traces=traces))


def without_trace(case: Case, name: str, film_id: str) -> Case:
    """The canal without what was traced on one film."""
    canal = canal_of(case, name)
    return _edit_canal(case, name, evolve(canal, traces=tuple(t for t in canal.traces if t.film != film_id)))


def with_reading(
    case: Case,
    name: str,
    length_mm: float,
    mark: Mark,
    *,
    at: str,
    by: str,
    file_size: int | None = None,
    conditions: Sequence[str] = (),
    confirmed: Sequence[str] = (),
    now: str | None = None,
) -> Case:
    """One electronic reading more in the record, from the canal's reference point.

    Raises
    ------
    CaseError
        No such canal, a reference point that was not named yet, a length or mark that no reading has, or a question of
        :meth:`~wlmeasure.record.record.LengthRecord.with_entry`.
    """
    if canal_of(case, name).reference_point is None:
        raise CaseError(f"reference point of canal {name} must be named first: a reading counts from it")
    size, special = (None, None) if file_size is None else typed_size(str(file_size))
    entry = Entry(
        id=LengthRecord(case.entries).next_id(),
        kind="electronic reading",
        at=at,
        by=by,
        canal=name,
        length_mm=length_mm,
        finding=mark,
        size=size,
        special=special or None,
        conditions=tuple(conditions),
    )
    return with_entry(case, entry, confirmed=confirmed, now=now)


def struck_out(case: Case, entry_id: str, *, at: str, by: str, why: str = "entered by mistake") -> Case:
    """The case with one entry taken out of use: a note stands in its place and says why; nothing is deleted.

    Raises
    ------
    CaseError
        No entry of that id, or one that does not stand any more.
    """
    record = LengthRecord(case.entries)
    found = next((entry for entry in record.standing() if entry.id == entry_id), None)
    if found is None:
        raise CaseError(f"entry must be one that stands: {entry_id!r}")
    note = Entry(id=record.next_id(), kind="note", at=at, by=by, canal=found.canal, supersedes=entry_id, note=why)
    return evolve(case, entries=record.with_entry(note, confirmed=("before-the-last",)).entries)


def with_point(points: Sequence[tuple[float, float]], at: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """The points with one more between two neighbours, there where the line through them becomes least longer by it."""
    longer = [dist(a, at) + dist(at, b) - dist(a, b) for a, b in pairwise(points)]
    k = longer.index(min(longer)) + 1
    return (*points[:k], at, *points[k:])


def with_instruments(case: Case, lines: Sequence[str]) -> Case:
    """The case with the user's own list of instruments, one line each; none for the shipped example.

    Raises
    ------
    CaseError
        A line that is no instrument.
    """
    return evolve(case, instrument_list=tuple(line.strip() for line in lines if line.strip()))


def completed_entry(case: Case, entry: Entry) -> Entry:
    """The entry with what the case knows of it.

    That is the canal's reference point for a length without one, and a ruler's standard uncertainty
    (:data:`~wlmeasure.decide.electronic.RULER_STD_MM`) for a length read on one without its own. A decision has no
    uncertainty of its own and gets none.
    """
    rule = KIND_TABLE.get(entry.kind)
    if rule is None or entry.length_mm is None:
        return entry
    if entry.reference_point is None and entry.canal is not None:
        known = [canal.reference_point for canal in case.canals if canal.name == entry.canal]
        entry = evolve(entry, reference_point=known[0] if known else None)
    read_on_it = rule.on_ruler and entry.program is None and entry.length_std_mm is None
    return evolve(entry, length_std_mm=RULER_STD_MM) if read_on_it else entry


def with_entry(case: Case, entry: Entry, *, confirmed: Sequence[str] = (), now: str | None = None) -> Case:
    """One entry more in the case's length record, completed as :func:`completed_entry` does.

    Parameters
    ----------
    case
        The case; it is not changed.
    entry
        The new entry.
    confirmed
        Codes of :meth:`~wlmeasure.record.record.LengthRecord.questions` that were answered with yes.
    now
        The time of this computer's clock, so that an entry dated in the future is asked about.

    Raises
    ------
    CaseError
        As :meth:`~wlmeasure.record.record.LengthRecord.with_entry`; the case stays as it is.
    """
    record = LengthRecord(case.entries).with_entry(
        completed_entry(case, entry), canals=[canal.name for canal in case.canals], confirmed=confirmed, now=now
    )
    return evolve(case, entries=record.entries)
