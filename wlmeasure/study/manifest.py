"""The manifest of a study, ``study.json``: films, observers, their order, what is hidden, the protocol.

It names no film as its owner did: the names stand in ``key.json``, which the organiser may keep elsewhere.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from attrs import field, frozen

from wlmeasure.errors import CaseError, StudyError, TradeError
from wlmeasure.record.case import SCALES, SUFFIX, Film, Scale
from wlmeasure.record.members import (
    Choice,
    Each,
    Nested,
    Number,
    Text,
    Whole,
    check_distinct,
    extra_members,
    member,
    read_object,
    write_object,
)
from wlmeasure.study.protocol import NAME, Protocol, load_json
from wlmeasure.trade.tooth import Tooth

__all__ = [
    "HIDEABLE",
    "KEY",
    "MANIFEST",
    "SCHEMA",
    "Assigned",
    "Study",
    "StudyCanal",
    "StudyFilm",
    "Task",
    "load_key",
    "load_study",
    "place_from",
    "study_json",
]

SCHEMA, SCHEMA_PROPOSALS = "wlmeasure-study/1", "wlmeasure-study/2"
"""The second where an observer begins from proposals: who knows the first alone would call such readings agreement."""
MANIFEST, KEY = "study.json", "key.json"
HIDEABLE = ("names", "measures")
"""What can be hidden from an observer: the films' own names; lengths and angles while the canal is traced."""
ID = r"[a-z0-9]{1,16}"


@frozen
class Task:
    """One film to be read once."""

    film: str = member(Text(pattern=ID))
    repeat: int = member(Whole(1, 20))
    extra: dict[str, Any] = extra_members()


@frozen
class Assigned:
    """One observer: what is hidden, and the films in order, repeats shuffled in."""

    name: str = member(Text(pattern=NAME))
    hidden: tuple[str, ...] = member(Each(Choice(HIDEABLE)), ())
    tasks: tuple[Task, ...] = member(Each(Nested(Task), least=1, most=100_000))
    extra: dict[str, Any] = extra_members()


@frozen
class StudyCanal:
    """A canal to be traced."""

    name: str = member(Text(longest=40))
    reference_point: str = member(Text())
    extra: dict[str, Any] = extra_members()


@frozen
class StudyFilm:
    """One film under its blinded name, with what the observers are given of it.

    `proposals_sha256` is of the file with what is proposed on it (`Study.proposals_path`), where anything is.
    """

    id: str = member(Text(pattern=ID))
    path: str = member(Text(longest=1000))
    sha256: str = member(Text(pattern=r"[0-9a-f]{64}"))
    rows: int = member(Whole(1, 100_000))
    cols: int = member(Whole(1, 100_000))
    tooth: str = member(Text(longest=2))
    col_over_row: float | None = member(Number(least=0.1, most=10.0), None)
    metal: str | None = member(Choice(("bright", "dark")), None)
    scale: tuple[Scale, ...] = member(Each(SCALES), ())
    canals: tuple[StudyCanal, ...] = member(Each(Nested(StudyCanal), least=1, most=10))
    proposals_sha256: str | None = member(Text(pattern=r"[0-9a-f]{64}"), None)
    extra: dict[str, Any] = extra_members()


@frozen
class Study:
    """A whole study; `folder` is where it lies.

    Raises
    ------
    StudyError
        Two films or observers of one name, a task of a film that is not there or that stands twice, an unknown tooth.
    """

    name: str = member(Text(longest=80))
    id: str = member(Text(pattern=r"[0-9a-f]{16}"))
    seed: int = member(Whole(0, 2**53))
    repeats: int = member(Whole(1, 20))
    program: str | None = member(Text(longest=80), None)
    protocol: Protocol = member(Nested(Protocol))
    observers: tuple[Assigned, ...] = member(Each(Nested(Assigned), least=1, most=1000))
    films: tuple[StudyFilm, ...] = member(Each(Nested(StudyFilm), least=1, most=10_000))
    extra: dict[str, Any] = extra_members()
    folder: Path = field(default=Path(), kw_only=True, converter=Path, eq=False, repr=False)

    def __attrs_post_init__(self) -> None:
        ids = [film.id for film in self.films]
        check_distinct(StudyError, "films", "id", ids)
        check_distinct(StudyError, "films", "sha256", [film.sha256 for film in self.films])
        # Names that differ in case alone would be one folder on some disks.
        check_distinct(StudyError, "observers", "name", [observer.name.lower() for observer in self.observers])
        for film in self.films:
            try:
                Tooth.from_iso3950(film.tooth)
            except TradeError as error:
                raise StudyError(f"film {film.id}: tooth: {error}") from None
            if len(film.canals) != len({canal.name for canal in film.canals}):
                raise StudyError(f"film {film.id}: canals must each be named once")
        aided = () if self.protocol.from_proposals is None else self.protocol.from_proposals.observers
        for name in aided:
            if all(observer.name != name for observer in self.observers):
                raise StudyError(f"from_proposals must name observers of the study: {name!r} is none")
        check_distinct(StudyError, "from_proposals", "observer", list(aided))
        for observer in self.observers:
            seen = set()
            for task in observer.tasks:
                if task.film not in ids:
                    raise StudyError(f"observer {observer.name}: film must be one of the study: {task.film!r}")
                key = (task.film, task.repeat)
                if key in seen or task.repeat > self.repeats:
                    raise StudyError(f"observer {observer.name}: film {task.film} must be read {self.repeats} times")
                seen.add(key)

    def film(self, film_id: str) -> StudyFilm:
        return next(film for film in self.films if film.id == film_id)

    def proposals_path(self, film: StudyFilm) -> Path:
        """Where what is proposed on a film lies: a case file with that alone."""
        return self.folder / "proposals" / f"{film.id}{SUFFIX}"

    def case_film(self, film: StudyFilm, beside: Path) -> Film:
        """A film as the first film of a case file in the folder `beside`."""
        return Film(
            id="f1",
            path=place_from(self.folder / film.path, beside),
            sha256=film.sha256,
            rows=film.rows,
            cols=film.cols,
            col_over_row=film.col_over_row,
            metal=film.metal,
            scale=film.scale,
        )

    def observer(self, name: str) -> Assigned:
        """The observer of that name.

        Raises
        ------
        StudyError
            There is none.
        """
        for observer in self.observers:
            if observer.name == name:
                return observer
        known = ", ".join(observer.name for observer in self.observers)
        raise StudyError(f"observer must be one of the study ({known}): {name!r}")

    def key(self) -> dict[str, str]:
        """The films' own names by their blinded ones; empty where the organiser keeps the key elsewhere."""
        path = self.folder / KEY
        return load_key(path) if path.exists() else {}


def load_key(path: Path) -> dict[str, str]:
    """The films' own names by their blinded ones, from the key.

    Raises
    ------
    StudyError
        It is no key.
    OSError
        It cannot be read.
    """
    data = load_json(path)
    names = data.get("films") if isinstance(data, dict) else None
    if not isinstance(names, dict):
        raise StudyError(f"{path.name} must hold the films' names: it does not")
    return {str(film_id): str(name) for film_id, name in names.items()}


def place_from(source: Path, folder: Path) -> str:
    """Where `source` lies from `folder`, relative where both are on one drive."""
    try:
        return Path(os.path.relpath(source.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return str(source.resolve())


def study_json(study: Study) -> dict[str, Any]:
    """The members of the manifest, in their order."""
    schema = SCHEMA if study.protocol.from_proposals is None else SCHEMA_PROPOSALS
    return {"schema": schema} | write_object(study)


def load_study(folder: str | Path) -> Study:
    """Read a study from its folder.

    Raises
    ------
    StudyError
        No study there, or a manifest with a member that is missing or wrong; names the member.
    """
    folder = Path(folder)
    path = folder / MANIFEST
    if not path.is_file():
        raise StudyError(f"{folder.name or folder} must be a study's folder: there is no {MANIFEST} in it")
    data = load_json(path)
    if not isinstance(data, dict) or data.get("schema") not in (SCHEMA, SCHEMA_PROPOSALS):
        found = data.get("schema") if isinstance(data, dict) else None
        raise StudyError(f"{MANIFEST}: schema must be {SCHEMA!r} or {SCHEMA_PROPOSALS!r}: {str(found)[:60]!r}")
    try:
        study: Study = read_object(Study, {k: v for k, v in data.items() if k != "schema"}, "")
    except (CaseError, StudyError) as error:
        raise StudyError(f"{MANIFEST}: {str(error).replace('a case file needs it', 'a study needs it')}") from None
    object.__setattr__(study, "folder", folder)
    return study
