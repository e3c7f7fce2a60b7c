"""Case files of several observers without a study: one folder an observer, the same films in each.

::

    readers/ANN/tooth1.wl.json    readers/BEN/first.wl.json    ...

A film is known by its hash and a canal by its name, whatever the files are called. Several case files of one film in an
observer's folder are repeats, in the order of their names. A case that holds what a network proposed on its film was read by
somebody who had seen it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from wlmeasure.errors import StudyError, WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record.case import SUFFIX, load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.study.collect import (
    Collected,
    DrawnPath,
    drawn_path,
    proposal_of,
    sorted_readings,
    tooth_group,
    trace_readings,
)
from wlmeasure.study.readings import Reading

__all__ = ["collect_folders", "is_case_folders"]

USUAL = ("length_mm", "schneider_deg")
SHORT = 6  # characters of a film's hash that name it; its file name may name a person


def is_case_folders(folder: str | Path) -> bool:
    """Whether the folder holds case files in folders of observers."""
    return any(Path(folder).glob(f"*/*{SUFFIX}"))


def collect_folders(
    folder: str | Path, definitions: Sequence[str] = USUAL, *, done: Callable[[int, int], None] | None = None
) -> tuple[Collected, Callable[[str], Radiograph]]:
    """Measure the case files in every observer's folder; also returns how to read a film by the name it has in the paths.

    Raises
    ------
    StudyError
        No case file that can be measured.
    """
    files = sorted(Path(folder).glob(f"*/*{SUFFIX}"))
    rows: list[Reading] = []
    paths: list[DrawnPath] = []
    left_out: list[str] = []
    films: dict[str, Path] = {}
    count: dict[tuple[str, str], int] = {}
    for k, file in enumerate(files):
        observer = file.parent.name
        try:
            result = evaluate(load_case(file))
        except WlmeasureError as error:
            left_out.append(f"{observer} {file.name}: {error}")
            continue
        for canal in result.canals:
            for trace in canal.traces:
                film = trace.film.film.sha256[:SHORT]
                films.setdefault(film, result.case.film_path(trace.film.film))
                subject = f"{film} {canal.canal.name}"
                repeat = count[observer, subject] = count.get((observer, subject), 0) + 1
                proposal, moved_mm = proposal_of(trace, shown=False)
                group = tooth_group(result.case.tooth)
                like = Reading(
                    subject, observer, 0.0, repeat, "", group, cluster=film, proposal=proposal, moved_mm=moved_mm
                )
                rows += trace_readings(trace, definitions, like)
                paths.append(drawn_path(trace, film, canal.canal.name, like))
        if done is not None:
            done(k + 1, len(files))
    if not rows:
        raise StudyError(
            f"folder must hold case files in folders of observers: {left_out[0] if left_out else 'there are none'}"
        )
    return Collected(sorted_readings(rows, definitions), tuple(paths), tuple(left_out)), lambda film: read(films[film])
