"""A study on disk: made once, then each observer's results one case file each, at a path that nobody else writes.

::

    study.json                    the manifest: blinded films, observers, order, protocol
    key.json                      the films' own names; the organiser may move it elsewhere
    films/k7qd.png                the films under their blinded names (unless they are only referred to)
    proposals/k7qd.wl.json        what a network proposed on it, for observers who begin from that
    working/ANN/0007.wl.json      what ANN has begun and not yet finished
    results/ANN/k7qd-2.wl.json    ANN's second reading of that film
    results/ANN/k7qd-2.sha256     its hash, taken when it came in

A result is written whole or not at all, and none is ever written over. One that was changed since no longer fits its hash,
which finds out a mishap and a careless hand; who may write in the folder can change both. Two observers on one shared folder
share no file but the manifest and the films, which nobody changes.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve, frozen

from wlmeasure.errors import CaseError, ImageError, StudyError, WlmeasureError
from wlmeasure.image.file_content import file_content, regular_bytes
from wlmeasure.image.marks import typed_marks
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record.answers import CLICKS
from wlmeasure.record.case import (
    SUFFIX,
    Canal,
    Case,
    Film,
    ProposedItem,
    Scale,
    Spacing,
    case_content,
    load_case,
    save_case,
)
from wlmeasure.record.evaluate import accept_paths, evaluate
from wlmeasure.share.deidentify import picture_alone
from wlmeasure.study.manifest import (
    HIDEABLE,
    KEY,
    MANIFEST,
    Assigned,
    Study,
    StudyCanal,
    StudyFilm,
    Task,
    load_study,
    place_from,
    study_json,
)
from wlmeasure.study.protocol import FromProposals, Protocol, Violation, violations
from wlmeasure.trade.tooth import Tooth
from wlmeasure.whole_file import write_whole

__all__ = [
    "Made",
    "Progress",
    "Result",
    "file_sha256",
    "init_study",
    "progress",
    "proposals",
    "read_film",
    "result_path",
    "results",
    "seal_path",
    "store_result",
    "strangers",
    "template",
    "unsealed",
    "working_path",
]

KEY_SCHEMA = "wlmeasure-study-key/1"
LETTERS = "bcdfghjkmnpqrstvwxyz"  # without vowels: a blinded name is no word
NAME_LETTERS = 6  # 64 million names: two studies of 200 films share one in 1600 pairs of studies
MOST_REPEATS = 20  # as the manifest has it
ANY_POINT = "reference cusp or edge"  # what an observer is told where the study names no reference point
APART = 10  # films at least between two readings of the same one, where the study has twice as many (our parameter)


@frozen
class Made:
    """A study just made, and what its maker should know."""

    study: Study
    remarks: tuple[str, ...]


@frozen
class Result:
    """One result file: whose, of what, at which place in the observer's order, and how it keeps to the protocol.

    `case` is None, and `error` says why, where the file cannot be read.
    """

    observer: str
    task: Task
    position: int
    path: Path
    case: Case | None
    violations: tuple[Violation, ...]
    error: str | None = None


@frozen
class Progress:
    """How far one observer is: results stored, films assigned, the place to go on at (None: done)."""

    observer: str
    done: int
    assigned: int
    next: int | None
    begun: bool


@frozen
class _Given:
    """A film as an argument gives it: name and place are still to be set."""

    film: StudyFilm
    source: Path
    radiograph: Radiograph
    proposed: tuple[ProposedItem, ...] = ()


# ---- making a study --------------------------------------------------------------------------------------------------


def init_study(
    folder: str | Path,
    films: Sequence[str | Path],
    observers: Sequence[str],
    protocol: Protocol,
    *,
    repeats: int = 1,
    seed: int | None = None,
    name: str | None = None,
    tooth: str | None = None,
    canals: Sequence[str] = (),
    hidden: Mapping[str, Sequence[str]] | None = None,
    from_proposals: Sequence[str] = (),
    copy: bool = True,
    program: str | None = None,
) -> Made:
    """Make a study in a new or empty folder.

    Parameters
    ----------
    folder
        Where; made if it is not there.
    films
        Images, or case files, which also give tooth, canals and scale. Traces, readings and decisions of a case stay out.
    observers
        Their names: letters, digits, - and _.
    protocol
        The rules.
    repeats
        How often each observer reads each film.
    seed
        Of blinded names and orders: the same seed and films, the same study. By default one is drawn, and stands in the
        manifest.
    tooth, canals
        For images, and for cases of other canals: ISO 3950, and names; by default the tooth's usual canals.
    hidden
        For each observer what is hidden (:data:`~wlmeasure.study.manifest.HIDEABLE`); everything for one not named.
    from_proposals
        Observers who begin from what a network proposed; the films are then case files as `wlmeasure propose` writes them, of
        one network. Their readings count in no agreement between observers. Everybody else is shown nothing of it.
    copy
        Whether films are copied under blinded names and without anything that names the patient in the file, or only
        referred to. Text in the pixels stays: a remark says where it may be.
    name, program
        What the study is called (its folder's name), and what made it.

    Raises
    ------
    StudyError
        A folder in use, a film without tooth or without the scale that the protocol gives, twice the same film; observers who
        are to begin from proposals where there are none, or of two networks.
    WlmeasureError
        A film or case that cannot be read.
    """
    folder = Path(folder)
    if folder.exists() and any(folder.iterdir()):
        raise StudyError(f"folder must be new or empty: {folder.name} holds files")
    if not films:
        raise StudyError("films must be one or more: name images or case files")
    if seed is None:
        seed = secrets.randbelow(2**53)
    if isinstance(seed, bool) or seed < 0:
        raise StudyError(f"seed must be a whole number >= 0: {seed!r}")
    if isinstance(repeats, bool) or not isinstance(repeats, int) or not 1 <= repeats <= MOST_REPEATS:
        raise StudyError(f"repeats must be 1 to {MOST_REPEATS}: {repeats!r}")
    given = [entry for path in films for entry in _given(Path(path), protocol, tooth, tuple(canals))]
    # The films take part: studies of other films share neither names nor orders, whatever seed a person likes to give.
    hashes = hashlib.sha256("".join(one.film.sha256 for one in given).encode("ascii")).digest()
    entropy = [seed, *np.frombuffer(hashes, np.uint32).tolist()]
    rng = np.random.default_rng(entropy)
    names = _blinded(len(given), rng)
    if from_proposals:
        protocol = evolve(protocol, from_proposals=_from_proposals(from_proposals, given, protocol))
    elif protocol.from_proposals is not None:
        raise StudyError("protocol must not say who begins from proposals: --from-proposals does")
    remarks, made, key, copies = [], [], {}, {}
    proposed: dict[str, tuple[ProposedItem, ...]] = {}
    secret = secrets.token_bytes(32)  # never kept: new UIDs tell nobody the old ones
    for film_id, one in zip(names, given, strict=True):
        film, source, radiograph = one.film, one.source, one.radiograph
        key[film_id] = source.name
        if from_proposals:
            proposed[film_id] = _asked(one.proposed, protocol)
            if not proposed[film_id]:
                remarks.append(f"{source.name} has nothing proposed on it that is asked for: everybody draws it new")
        if not copy:
            made.append(evolve(film, id=film_id, path=place_from(source, folder)))
            continue
        content, suffix = _alone(source, secret)
        copies[f"films/{film_id}{suffix}"] = content
        digest = hashlib.sha256(content).hexdigest()
        made.append(evolve(film, id=film_id, path=f"films/{film_id}{suffix}", sha256=digest))
        if marks := typed_marks(radiograph.values):
            remarks.append(
                f"{source.name} may have writing in its pixels, first at row {marks[0].row}, column {marks[0].col}: look, and "
                "have it blacked out before the study is made (wlmeasure deidentify --redact)"
            )
    hidden = {} if hidden is None else hidden
    unknown = sorted(set(hidden) - set(observers))
    if unknown:
        raise StudyError(f"hide must name observers of the study: {', '.join(unknown)}")
    ids = sorted(names)
    assigned = tuple(
        Assigned(name=one, hidden=tuple(hidden.get(one, HIDEABLE)), tasks=_order(ids, repeats, entropy, k))
        for k, one in enumerate(observers)
    )
    study = Study(
        name=name or folder.resolve().name or "study",
        id=rng.bytes(8).hex(),
        seed=seed,
        repeats=repeats,
        program=program,
        protocol=protocol,
        observers=assigned,
        films=tuple(sorted(made, key=lambda film: film.id)),
    )
    if not copy:
        remarks.append(
            "The manifest says where the films lie, so it names them: copy them where names must not be known."
        )
    if repeats > 1 and len(ids) < 2 * APART:
        remarks.append(
            f"With {len(ids)} films a repeat comes after at least {_apart(len(ids))} others: it may be recognised."
        )
    _write(folder, study, key, copies, proposed)
    return Made(load_study(folder), tuple(remarks))


def _from_proposals(observers: Sequence[str], given: Sequence[_Given], protocol: Protocol) -> FromProposals:
    """Who begins from what was proposed on these films, and by which network."""
    models = {(item.model, item.model_sha256) for one in given for item in _asked(one.proposed, protocol)}
    if not models:
        raise StudyError(
            "films must hold what is proposed on them, for observers who begin from it: these hold nothing; make their case "
            "files by wlmeasure propose"
        )
    if len(models) > 1:
        said = " and ".join(f"{name} {sha256[:12]}" for name, sha256 in sorted(models))
        raise StudyError(f"proposals must be of one network: they are of {said}; look at all films by the same one")
    if protocol.least_clicks > CLICKS or (protocol.most_clicks or CLICKS) < CLICKS:
        raise StudyError(
            f"clicks must allow {CLICKS} for who begins from proposals: a canal that is accepted has so many points"
        )
    ((model, model_sha256),) = models
    return FromProposals.of(observers, model, model_sha256)


def _asked(items: Sequence[ProposedItem], protocol: Protocol) -> tuple[ProposedItem, ...]:
    """What an observer is asked for, as it was proposed: no file where the scale is not theirs to set, no word of anybody's."""
    kinds = {"canal", "root end"}
    if protocol.scale == "observer":
        kinds |= {"file", "upper end", "tip"}
    if protocol.reference:
        kinds.add("reference point")
    return tuple(evolve(item, refused=None) for item in items if item.kind in kinds)


def _alone(source: Path, secret: bytes) -> tuple[bytes, str]:
    """A film's file without the patient, and how its name ends."""
    try:
        return picture_alone(file_content(source), key=secret)
    except ImageError as error:
        raise StudyError(f"{source.name} must be a film that can be copied without the patient: {error}") from error


def _given(path: Path, protocol: Protocol, tooth: str | None, canals: tuple[str, ...]) -> list[_Given]:
    """What one argument gives: its films."""
    if not path.name.endswith(SUFFIX):
        if tooth is None:
            raise StudyError(f"tooth must be given for {path.name}: an image does not say which it is; use --tooth")
        radiograph = read(path)
        scale: tuple[Scale, ...] = ()
        if protocol.scale == "given":
            if not radiograph.spacings:
                raise StudyError(
                    f"scale must come with {path.name}: an image claims none; give a case file with its known length, or let "
                    "the observers set it (--scale observer)"
                )
            scale = (Spacing(claim=radiograph.spacings[0].claim),)
        film = Film(
            id="f1", path=str(path), sha256=radiograph.sha256, rows=radiograph.rows, cols=radiograph.cols, scale=scale
        )
        return [_Given(_study_film(film, tooth, canals, ()), path, radiograph)]
    case = load_case(path)
    bare = evolve(case, canals=(), entries=(), films=tuple(_scaled(film, protocol, path) for film in case.films))
    result = evaluate(bare)
    out = []
    for film, found in zip(accept_paths(result).films, result.films, strict=True):
        known = tuple(StudyCanal(name=c.name, reference_point=c.reference_point or ANY_POINT) for c in case.canals)
        source = case.film_path(film)
        made = _study_film(film, tooth or case.tooth, canals, known)
        out.append(_Given(made, source, found.radiograph, film.proposed))
    return out


def _scaled(film: Film, protocol: Protocol, path: Path) -> Film:
    if protocol.scale != "given":
        return evolve(film, scale=())
    if not film.scale:
        raise StudyError(f"scale must come with {path.name}: its film {film.id} has none; set it, or let the observers")
    return film


def _study_film(film: Film, tooth: str, canals: tuple[str, ...], known: tuple[StudyCanal, ...]) -> StudyFilm:
    points = {canal.name: canal.reference_point for canal in known}
    names = canals or tuple(points) or Tooth.from_iso3950(tooth).canal_names
    return StudyFilm(
        id="x",
        path=film.path,
        sha256=film.sha256,
        rows=film.rows,
        cols=film.cols,
        tooth=tooth,
        col_over_row=film.col_over_row,
        metal=film.metal,
        scale=film.scale,
        canals=tuple(StudyCanal(name=name, reference_point=points.get(name, ANY_POINT)) for name in names),
    )


def _blinded(count: int, rng: np.random.Generator) -> list[str]:
    names: list[str] = []
    while len(names) < count:
        name = "".join(LETTERS[k] for k in rng.integers(len(LETTERS), size=NAME_LETTERS))
        if name not in names:
            names.append(name)
    return names


def _apart(films: int) -> int:
    """How many other films lie at least between two readings of the same one."""
    return min(APART, max(0, films // 2))


def _order(ids: Sequence[str], repeats: int, entropy: Sequence[int], observer: int) -> tuple[Task, ...]:
    """All readings of one observer in a random order of their own, repeats of a film some others apart."""
    apart = _apart(len(ids))
    for attempt in range(1000):
        rng = np.random.default_rng([*entropy, observer, attempt])
        left = dict.fromkeys(ids, repeats)
        order: list[str] = []
        while left:
            free = [film for film in left if film not in order[-apart:]] if apart else list(left)
            if not free:
                break  # what is left was all read just now: begin anew
            weights = np.array([left[film] for film in free], float)
            film = free[int(rng.choice(len(free), p=weights / weights.sum()))]
            order.append(film)
            left[film] -= 1
            if not left[film]:
                del left[film]
        if len(order) == len(ids) * repeats:
            break
    else:
        raise StudyError(f"order must keep repeats {apart} films apart: none was found; use another seed")
    count: dict[str, int] = {}
    tasks = []
    for film in order:
        count[film] = count.get(film, 0) + 1
        tasks.append(Task(film=film, repeat=count[film]))
    return tuple(tasks)


def _write(
    folder: Path,
    study: Study,
    key: Mapping[str, str],
    copies: Mapping[str, bytes],
    proposed: Mapping[str, tuple[ProposedItem, ...]],
) -> None:
    (folder / "films").mkdir(parents=True, exist_ok=True)
    for observer in study.observers:
        for place in ("results", "working"):
            (folder / place / observer.name).mkdir(parents=True, exist_ok=True)
    for place, content in copies.items():
        write_whole(folder / place, content, private=False)
    films = tuple(
        _with_proposals(evolve(study, folder=folder), film, proposed.get(film.id, ())) for film in study.films
    )
    study = evolve(study, films=films)
    named = {"schema": KEY_SCHEMA, "study": study.id, "films": dict(sorted(key.items()))}
    for name, data in ((KEY, named), (MANIFEST, study_json(study))):  # the manifest last: with it the study is there
        # The films' own names are often the patients'; all else is for every observer, from whatever account.
        write_whole(folder / name, json.dumps(data, indent=1, ensure_ascii=False) + "\n", private=name == KEY)


def _with_proposals(study: Study, film: StudyFilm, items: tuple[ProposedItem, ...]) -> StudyFilm:
    """The film with the hash of the file that says what is proposed on it, which is written."""
    if not items:
        return film
    path = study.proposals_path(film)
    path.parent.mkdir(exist_ok=True)
    shown = evolve(study.case_film(film, path.parent), scale=(), proposed=items)
    content = case_content(Case(tooth=film.tooth, films=(shown,), folder=path.parent))
    write_whole(path, content, private=False)
    return evolve(film, proposals_sha256=hashlib.sha256(content).hexdigest())


def proposals(study: Study, film: StudyFilm) -> tuple[ProposedItem, ...]:
    """What is proposed on a film of the study, for observers who begin from it.

    Raises
    ------
    StudyError
        The file with it was changed since the study was made, or is gone.
    """
    if film.proposals_sha256 is None:
        return ()
    path = study.proposals_path(film)
    if not path.is_file() or file_sha256(path) != film.proposals_sha256:
        raise StudyError(f"{path.name} must be what the study was made with: it was changed since, or is gone")
    return load_case(path).films[0].proposed


# ---- results ---------------------------------------------------------------------------------------------------------


def result_path(study: Study, observer: str, task: Task) -> Path:
    """Where a result lies: one path for each observer, film and repeat."""
    return study.folder / "results" / observer / f"{task.film}-{task.repeat}{SUFFIX}"


def seal_path(study: Study, observer: str, task: Task) -> Path:
    """Where the hash of a result lies."""
    return study.folder / "results" / observer / f"{task.film}-{task.repeat}.sha256"


def working_path(study: Study, observer: str, position: int) -> Path:
    """Where the film at that place of the order is worked on; the name tells nothing of the film."""
    return study.folder / "working" / observer / f"{position:04d}{SUFFIX}"


def template(study: Study, observer: str, task: Task, path: Path) -> Case:
    """The case at `path` that an observer begins with: film, canals, the scale and what is proposed where they are given.

    Raises
    ------
    StudyError
        The file with what is proposed was changed since the study was made.
    """
    film = study.film(task.film)
    shown = study.case_film(film, path.parent)
    if study.protocol.begins_from_proposals(observer):
        shown = evolve(shown, proposed=proposals(study, film))
    return Case(
        tooth=film.tooth,
        films=(shown,),
        canals=tuple(Canal(name=c.name, reference_point=c.reference_point, traces=()) for c in film.canals),
        folder=path.parent,
    )


def store_result(study: Study, observer: str, position: int, case: Case, *, at: str) -> Path:
    """Store a finished case as the result of the film at that place (from 1) of the observer's order.

    Raises
    ------
    StudyError
        The case does not keep to the protocol: every violation is named; a result is there already.
    CaseError
        The file cannot be written.
    """
    task = study.observer(observer).tasks[position - 1]
    path = result_path(study, observer, task)
    if path.exists():
        raise StudyError(f"result must be stored once: {path.name} is there already, and none is written over")
    made = template(study, observer, task, path)
    found = violations(case, made, study.protocol)
    if found:
        raise StudyError("; ".join(one.text for one in found))
    said: dict[str, Any] = {
        "id": study.id,
        "observer": observer,
        "film": task.film,
        "repeat": task.repeat,
        "position": position,
        "stored_at": at,
    }
    films = (evolve(case.films[0], path=made.films[0].path),)
    path.parent.mkdir(parents=True, exist_ok=True)
    stored = evolve(case, films=films, folder=path.parent, extra={**case.extra, "study": said})
    save_case(stored, path, private=False, replace=False)
    write_whole(seal_path(study, observer, task), f"{file_sha256(path)}  {path.name}\n", private=False)
    return path


def results(study: Study) -> list[Result]:
    """Every result there is, film by film, each checked against the protocol; an unreadable one says so."""
    out = []
    for observer in study.observers:
        for position, task in enumerate(observer.tasks, start=1):
            path = result_path(study, observer.name, task)
            if not path.exists():
                continue
            try:
                case = load_case(path)
                found = violations(case, template(study, observer.name, task, path), study.protocol)
                found += _belongs(case, study, observer.name, task) + _unchanged(study, observer.name, task, path)
            except (CaseError, StudyError) as error:
                out.append(Result(observer.name, task, position, path, None, (), str(error)))
                continue
            out.append(Result(observer.name, task, position, path, case, found))
    return sorted(out, key=lambda one: (one.task.film, one.observer, one.task.repeat))


def _belongs(case: Case, study: Study, observer: str, task: Task) -> tuple[Violation, ...]:
    """A file that was copied to another's place still says whose it is."""
    said = case.extra.get("study")
    if not isinstance(said, dict):
        return ()
    expected = {"id": study.id, "observer": observer, "film": task.film, "repeat": task.repeat}
    wrong = [name for name, value in expected.items() if said.get(name) != value]
    return (Violation("not-his", f"the file says it is of another {', '.join(wrong)}"),) if wrong else ()


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's content, which must be a regular file of a bearable size."""
    return hashlib.sha256(regular_bytes(path)).hexdigest()


def _unchanged(study: Study, observer: str, task: Task, path: Path) -> tuple[Violation, ...]:
    """A result that no longer is what came in; one without a seal is none (`unsealed`)."""
    seal = seal_path(study, observer, task)
    if not seal.is_file() or regular_bytes(seal)[:64] == file_sha256(path).encode("ascii"):
        return ()
    return (Violation("altered", "the file was changed after it came in: it does not fit its seal"),)


def unsealed(study: Study) -> list[Path]:
    """Results without a seal: nobody can tell whether they were changed since they came in."""
    pairs = [(result_path(study, o.name, t), seal_path(study, o.name, t)) for o in study.observers for t in o.tasks]
    return [path for path, seal in pairs if path.exists() and not seal.is_file()]


def progress(study: Study, observer: str) -> Progress:
    """How far an observer is.

    Raises
    ------
    StudyError
        No such observer.
    """
    tasks = study.observer(observer).tasks
    left = [k for k, task in enumerate(tasks, start=1) if not result_path(study, observer, task).exists()]
    following = left[0] if left else None
    begun = following is not None and working_path(study, observer, following).exists()
    return Progress(observer, len(tasks) - len(left), len(tasks), following, begun)


def strangers(study: Study) -> list[Path]:
    """Case files among the results that no observer was assigned."""
    known = {result_path(study, o.name, t) for o in study.observers for t in o.tasks}
    return sorted(set((study.folder / "results").glob(f"*/*{SUFFIX}")) - known)


def read_film(study: Study, film: StudyFilm) -> Radiograph:
    """A film of the study, which must be the one that it was made with.

    Raises
    ------
    WlmeasureError
        It cannot be read, or is another.
    """
    radiograph = read(study.folder / film.path)
    if radiograph.sha256 != film.sha256:
        raise WlmeasureError(f"film {film.id} must be the one of the study: it has changed since")
    return radiograph
