"""All results of a study as a table of readings and as paths."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import nan

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import StudyError, WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.record.answers import canal_moved_px
from wlmeasure.record.evaluate import CaseResult, TraceResult, evaluate
from wlmeasure.study.folder import Result, read_film, results
from wlmeasure.study.manifest import Study
from wlmeasure.study.protocol import figure_value
from wlmeasure.study.readings import Proposal, Reading, Readings
from wlmeasure.trade.tooth import Tooth

__all__ = [
    "Collected",
    "DrawnPath",
    "collect",
    "drawn_path",
    "proposal_of",
    "sorted_readings",
    "tooth_group",
    "trace_readings",
]

Float64 = NDArray[np.float64]

UNITS = {"mm": "mm", "deg": "deg"}


@frozen(eq=False)
class DrawnPath:
    """One canal as one observer drew it once.

    Attributes
    ----------
    path_px
        (N, 2) rows and columns, from the reference point (where there is one) over the orifice to the apical end.
    mm_per_px
        Of the observer's own scale; None on a film without one.
    proposal
        As of :class:`Reading`: what became of a proposal that the observer was shown.
    """

    subject: str
    film: str
    canal: str
    observer: str
    repeat: int
    path_px: Float64
    mm_per_px: tuple[float, float] | None
    proposal: Proposal = ""


@frozen
class Collected:
    """What a study holds: readings, paths, and what was left out and why."""

    readings: Readings
    paths: tuple[DrawnPath, ...]
    left_out: tuple[str, ...]


def tooth_group(designation: str) -> str:
    """Group of teeth by ISO 3950: incisor, canine, premolar or molar; primary ones are called so."""
    tooth = Tooth.from_iso3950(designation)
    groups = {1: "incisor", 2: "incisor", 3: "canine"}
    if tooth.is_primary:
        return f"primary {groups.get(tooth.position, 'molar')}"
    return groups.get(tooth.position, "premolar" if tooth.position <= 5 else "molar")


def collect(
    study: Study,
    *,
    keep_violations: bool = False,
    done: Callable[[int, int], None] | None = None,
    told: Callable[[Result, CaseResult | None], None] | None = None,
) -> Collected:
    """Measure every result of a study.

    Parameters
    ----------
    study
        The study.
    keep_violations
        Whether results that do not keep to the protocol count; they are named either way.
    done
        Told after every result how many of how many are measured.
    told
        Given every result and what was measured of it, None where it does not count.

    Raises
    ------
    StudyError
        There is no result that counts.
    """
    found = results(study)
    rows: list[Reading] = []
    paths: list[DrawnPath] = []
    left_out: list[str] = []
    held: tuple[str, Radiograph] | None = None  # results come film by film: one picture at a time
    for k, result in enumerate(found):
        where = f"{result.observer} {result.path.name}"
        said = result.error or "; ".join(one.text for one in result.violations)
        if said:
            left_out.append(f"{where}: {said}")
        measured = None
        if result.case is not None and (keep_violations or not result.violations):
            try:
                if held is None or held[0] != result.task.film:
                    held = result.task.film, read_film(study, study.film(result.task.film))
                measured = evaluate(result.case, {result.case.films[0].id: held[1]})
                more, drawn = _values(study, result, measured)
                rows += more
                paths += drawn
            except WlmeasureError as error:
                left_out.append(f"{where}: {error}")
        if told is not None:
            told(result, measured)
        if done is not None:
            done(k + 1, len(found))
    if not rows:
        raise StudyError(
            "study must hold results that count: there are none yet"
            if not left_out
            else f"study must hold results that count: {left_out[0]}"
        )
    return Collected(sorted_readings(rows, study.protocol.definitions), tuple(paths), tuple(left_out))


def _values(study: Study, result: Result, measured: CaseResult) -> tuple[list[Reading], list[DrawnPath]]:
    task = result.task
    film = study.film(task.film)
    wanted = [canal.name for canal in film.canals]
    rows: list[Reading] = []
    paths: list[DrawnPath] = []
    for canal in measured.canals:
        if canal.canal.name not in wanted or not canal.traces:
            continue
        trace = canal.traces[0]
        subject = film.id if len(wanted) == 1 else f"{film.id} {canal.canal.name}"
        group, place = tooth_group(film.tooth), float(result.position)
        said = proposal_of(trace, shown=study.protocol.begins_from_proposals(result.observer))
        like = Reading(subject, result.observer, 0.0, task.repeat, "", group, "", place, film.id, *said)
        rows += trace_readings(trace, study.protocol.definitions, like)
        paths.append(drawn_path(trace, film.id, canal.canal.name, like))
    return rows, paths


def proposal_of(trace: TraceResult, *, shown: bool) -> tuple[Proposal, float | None]:
    """What became of the proposal that a canal was read from, and by how many mm it was moved, where that is known.

    Whoever is shown what is proposed on a film has seen it, also where the canal was drawn new; so has anybody whose case holds
    it.
    """
    film = trace.film.film
    if not (shown or film.proposed or trace.trace.accepted):
        return "", None
    moved = canal_moved_px(film, trace.trace, trace.trace.path_px or trace.path.path_px)
    if not moved:
        return ("drawn new", None) if moved is None else ("unmoved", 0.0)
    scale = trace.film.calibration
    return "moved", None if scale is None else round(moved * scale.mm_per_px[0], 4)


def trace_readings(trace: TraceResult, definitions: Sequence[str], like: Reading) -> list[Reading]:
    """The values of all definitions on a traced canal, NaN where one is not determined; the rest as in `like`."""
    values = {name: figure_value(name, trace.length, trace.curvature, trace.angles) for name in definitions}
    return [
        evolve(like, value=nan if value is None else value, definition=name, unit=UNITS[name.rsplit("_", 1)[1]])
        for name, value in values.items()
    ]


def sorted_readings(rows: Sequence[Reading], definitions: Sequence[str]) -> Readings:
    """Readings in the order of the definitions, subjects, observers and repeats; those without a value apart."""
    places = {name: k for k, name in enumerate(definitions)}
    order = sorted(rows, key=lambda row: (places[row.definition], row.subject, row.observer, row.repeat))
    return Readings(
        tuple(row for row in order if row.value == row.value), tuple(row for row in order if row.value != row.value)
    )


def drawn_path(trace: TraceResult, film: str, canal: str, like: Reading) -> DrawnPath:
    """The path of a traced canal, from the reference point where there is one; whose it is as in `like`."""
    path = trace.path.path_px
    if trace.trace.reference_px is not None:
        path = np.vstack([np.asarray(trace.trace.reference_px, np.float64), path])
    scale = None if trace.film.calibration is None else trace.film.calibration.mm_per_px
    return DrawnPath(like.subject, film, canal, like.observer, like.repeat, path, scale, like.proposal)
