"""The worst disagreements: which subjects they are, and a list of cases that the viewer walks to settle them.

Each case holds one film with every observer's path as a canal of its observer's name, so that they can be seen side by side;
whoever settles it adds a canal of their own. Observers are not named on the list where it is to be blind.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from attrs import frozen

from wlmeasure.errors import StudyError
from wlmeasure.record.case import SUFFIX, Canal, Case, Trace, save_case
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.manifest import Study
from wlmeasure.study.protocol import load_json
from wlmeasure.study.readings import Readings
from wlmeasure.whole_file import write_whole

__all__ = ["WALK", "WALK_SCHEMA", "Worst", "load_walk", "worst", "write_walk"]

WALK, WALK_SCHEMA = "walk.json", "wlmeasure-walk/1"
MOST = 6  # worst subjects by default (our parameter)
MOST_PATHS = 9  # a case has ten canals at most; one is left for whoever settles it


@frozen
class Worst:
    """A subject, its first readings by observer, and how far they are apart."""

    subject: str
    values: tuple[tuple[str, float], ...]
    spread: float
    unit: str


def worst(readings: Readings, definition: str, most: int = MOST) -> list[Worst]:
    """The subjects whose first readings are farthest apart, the worst first; those that two observers read, neither of them
    from a proposal."""  # noqa: D209
    of = readings.of(definition=definition).unaided
    first: dict[str, dict[str, float]] = {}
    for name in of.observers:
        for subject, row in of.first(name).items():
            first.setdefault(subject, {})[name] = row.value
    unit = of.rows[0].unit if of.rows else ""
    found = [
        Worst(subject, tuple(values.items()), max(values.values()) - min(values.values()), unit)
        for subject, values in first.items()
        if len(values) > 1
    ]
    return sorted(found, key=lambda one: (-one.spread, one.subject))[:most]


def write_walk(study: Study, paths: Sequence[DrawnPath], found: Sequence[Worst], folder: Path, *, blind: bool) -> Path:
    """Write a case for each of the worst subjects and the list that the viewer walks; returns the list's path.

    Raises
    ------
    StudyError
        The folder holds a list already.
    """
    target = folder / WALK
    if target.exists():
        raise StudyError(f"folder must hold no {WALK} yet: {folder.name}; what was settled there would be lost")
    folder.mkdir(parents=True, exist_ok=True)
    items = []
    for k, one in enumerate(found, start=1):
        drawn: dict[str, DrawnPath] = {}
        for path in sorted((p for p in paths if p.subject == one.subject), key=lambda p: p.repeat):
            drawn.setdefault(path.observer, path)
        if not drawn:
            continue
        name = f"{k:02d}{SUFFIX}"
        save_case(_case(study, list(drawn.values())[:MOST_PATHS], folder, blind), folder / name)
        items.append({"case": name, "words": f"{one.subject}: {one.spread:.2f} {one.unit} apart"})
    data = {"schema": WALK_SCHEMA, "study": study.id, "items": items}
    write_whole(target, json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    return target


def _case(study: Study, drawn: Sequence[DrawnPath], folder: Path, blind: bool) -> Case:
    film = study.film(drawn[0].film)
    return Case(
        tooth=film.tooth,
        films=(study.case_film(film, folder),),
        canals=tuple(
            Canal(
                name=f"path {k + 1}" if blind else path.observer,
                reference_point=f"canal {path.canal}",
                traces=(
                    Trace(
                        film="f1",
                        path_px=tuple((float(r), float(c)) for r, c in np.asarray(path.path_px)),
                        apical_end=study.protocol.apical_end,
                    ),
                ),
            )
            for k, path in enumerate(drawn)
        ),
        folder=folder,
    )


def load_walk(path: str | Path) -> list[tuple[Path, str]]:
    """The cases of a list, in order, with the words to each.

    Raises
    ------
    StudyError
        Not such a list, or one that names a file outside its own folder.
    """
    path = Path(path)
    data = load_json(path)
    items = data.get("items") if isinstance(data, dict) and data.get("schema") == WALK_SCHEMA else None
    if not isinstance(items, list):
        raise StudyError(f"{path.name} must be a list of cases to walk ({WALK_SCHEMA}): it is none")
    out = []
    for k, item in enumerate(items):
        name = item.get("case") if isinstance(item, dict) else None
        if not isinstance(name, str) or Path(name).name != name or not name.endswith(SUFFIX):
            raise StudyError(f"{path.name}: items[{k}].case must be a case file beside the list: {str(name)[:60]!r}")
        out.append((path.parent / name, str(item.get("words", ""))))
    return out
