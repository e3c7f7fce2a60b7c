"""Everything that a network proposes on the films of a folder: case files to correct instead of draw, pictures, two tables.

Each film is looked at by itself, by this process, several or a Dask cluster, and what came of it is put down in a journal once
its files are written. So a run that was killed goes on where it stopped, and the tables, which are made of the journal at the
end, do not depend on who looked. A case file that a person has changed since is never written over.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import cv2
from attrs import evolve, frozen

from wlmeasure import __version__
from wlmeasure.detect.look import Look, Side, look
from wlmeasure.detect.network import Network, load_network, shipped_network
from wlmeasure.errors import DetectError, ShareError, WlmeasureError, one_line
from wlmeasure.image.file_content import open_regular
from wlmeasure.image.listing import MAX_DEPTH, list_films
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record.case import SUFFIX, Case, case_content
from wlmeasure.record.edit import new_film
from wlmeasure.record.proposals import is_calibrated, proposed_items
from wlmeasure.share.cells import write_rows
from wlmeasure.share.drawing import svg
from wlmeasure.share.proposals import FILM_COLUMNS, ITEM_COLUMNS, Cell, item_rows, proposal_drawing
from wlmeasure.share.raster import png
from wlmeasure.study.spread import check_workers, spread
from wlmeasure.trade.tooth import Tooth
from wlmeasure.whole_file import whole_file, write_whole

__all__ = ["PICTURES", "Proposals", "propose"]

PictureForm = Literal["svg", "png"]
PICTURES = ("svg", "png")
JOURNAL_SCHEMA = "wlmeasure-propose/2"
MOST_FILMS = 1_000_000
BLOCK = 2**20
SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".dcm")
"""What is called so and is no picture is named among the films; other files in a folder are passed over."""
NO_TOOTH = "no case file: the film's header names no tooth; name it by --tooth"

Row = tuple[Cell, ...]


@frozen
class Job:
    """One film to be looked at. `key` is the hash of all that comes of it depends on; `film_path` is for its case file."""

    name: str
    path: str
    sha256: str
    key: str
    film_path: str
    tooth: str | None
    picture: PictureForm
    weights: str | None
    perhaps: bool
    model_sha256: str


@frozen
class Seen:
    """What came of a film; where it could not be looked at `error` alone."""

    film: tuple[tuple[str, Cell], ...] = ()
    items: tuple[Row, ...] = ()
    case: bytes | None = None
    picture: bytes = b""
    error: str = ""


@frozen
class Proposals:
    """A finished run: films in the tables, how many of them could not be looked at, were done before, have no case file."""

    films: int
    bad: int
    resumed: int
    without_case: int
    items: int
    out: Path


def propose(
    place: str | Path,
    out: Path,
    *,
    tooth: str | None = None,
    picture: PictureForm = "svg",
    weights: Path | None = None,
    perhaps: bool = False,
    workers: int = 1,
    scheduler: str | None = None,
    on_plan: Callable[[int, int], None] | None = None,
    on_done: Callable[[int], None] | None = None,
) -> Proposals:
    """Look at a film, or at every film of a folder, and write what is proposed.

    Parameters
    ----------
    place
        An image, a folder of them, or a DICOMDIR.
    out
        Folder for ``films.csv``, ``items.csv``, ``columns.csv``, ``cases/`` and ``pictures/``. A folder of an earlier run is
        gone on with: films done there by the same network and settings are not looked at again.
    tooth
        ISO 3950 designation for every film. Without it a film has a case file only where its header names one tooth.
    picture
        Form of the pictures.
    weights
        A network other than the package's.
    perhaps
        Propose what is less likely as well (`detect.look`).
    workers
        Processes on this computer; 1 looks in this one.
    scheduler
        Address of a Dask scheduler instead, whose workers see the same files under the same names.
    on_plan, on_done
        Called with all films and those that are done, and after each film with 1.

    Raises
    ------
    DetectError
        No weights, or weights that do not run here.
    ShareError
        No film, an output that cannot be, a worker that was killed.
    """
    check_workers(workers)
    if picture not in PICTURES:
        raise ShareError(f"picture must be {' or '.join(PICTURES)}: {picture!r}")
    if tooth is not None:
        tooth = Tooth.from_iso3950(tooth).designation
    try:
        network = _weights(weights)
    except DetectError as error:
        if weights is not None:
            raise
        raise DetectError(f"{error}; to have films looked at, install the package again or name --weights") from None
    films, refused = _films(Path(place), out)
    said = {
        "tooth": tooth,
        "picture": picture,
        "weights": None if weights is None else str(weights.absolute()),
        "perhaps": perhaps,
    }
    out.mkdir(mode=0o700, parents=True, exist_ok=True)  # films are often named after patients
    for part in ("cases", "pictures", ".journal"):
        (out / part).mkdir(exist_ok=True)
    failed = dict(refused)
    jobs: list[Job] = []
    for name, path in films:
        try:
            jobs.append(_job(name, path, out, network, said))
        except OSError as error:
            failed[name] = f"film cannot be read: {error.strerror or one_line(error)}"
    waiting = [job for job in jobs if not _is_done(out, job)]
    if on_plan is not None:
        on_plan(len(films) + len(refused), len(films) + len(refused) - len(waiting))
    for job, seen in spread(look_at, waiting, workers=workers, scheduler=scheduler):
        if seen.error:
            failed[job.name] = seen.error
        else:
            _put_down(out, job, seen)
        if on_done is not None:
            on_done(1)
    return _assembled(out, jobs, failed, len(jobs) - len(waiting))


def _films(place: Path, out: Path) -> tuple[list[tuple[str, Path]], list[tuple[str, str]]]:
    """Films by name in its order, and those that cannot be opened with the reason; what lies in `out` is no film."""
    if place.is_dir() or place.name.upper() == "DICOMDIR":
        folder = place if place.is_dir() else place.parent
        if out.resolve() == folder.resolve():
            raise ShareError(
                "--out must be another folder than that of the films: pictures written there would be taken for them"
            )
        own = out.resolve()
        listed = {film.path: film.refused for film in list_films(place, max_files=MOST_FILMS).films}
        if place.is_dir():
            called = (path for path in place.rglob("*") if path.suffix.lower() in SUFFIXES and _is_shown(path, place))
            listed = {path: _why_not_listed(path, place) for path in called} | listed
        found, refused = [], []
        for path, fault in listed.items():
            if path.resolve().is_relative_to(own):
                continue
            name = path.relative_to(folder).as_posix()
            if fault:
                refused.append((name, fault))
            else:
                found.append((name, path))
        if not found and not refused:
            raise ShareError(
                f"folder must hold at least one film: {one_line(place.name or place)} holds none; check the name"
            )
        return sorted(found), sorted(refused)
    return [(place.name, place)], []


def _why_not_listed(path: Path, folder: Path) -> str:
    """Why a file that is called a picture is not among a folder's films."""
    if len(path.relative_to(folder).parts) - 1 > MAX_DEPTH:
        return f"film must lie at most {MAX_DEPTH} folders down: name a folder further down"
    return "file must be a picture: its content is none; copy or export it again"


def _is_shown(path: Path, folder: Path) -> bool:
    """Whether it is a file that is not hidden, nor in a hidden folder."""
    return path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts)


def _job(name: str, path: Path, out: Path, network: Network, said: dict[str, Any]) -> Job:
    """OSError where the film cannot be read."""
    sha256 = _hash(path)
    beside = (out / "cases" / name).parent
    try:
        film_path = Path(os.path.relpath(path.resolve(), beside.resolve())).as_posix()
    except ValueError:  # on another drive
        film_path = str(path.resolve())
    facts = [__version__, JOURNAL_SCHEMA, name, sha256, film_path, said["tooth"], said["picture"], said["perhaps"]]
    facts += [network.sha256]
    key = hashlib.sha256(json.dumps(facts).encode()).hexdigest()
    return Job(name, str(path.absolute()), sha256, key, film_path, **said, model_sha256=network.sha256)


def _weights(weights: str | Path | None) -> Network:
    """The network as its file is now, or the package's."""
    return shipped_network() if weights is None else load_network(Path(weights))


@lru_cache(maxsize=2)
def _network(weights: str | None, sha256: str) -> Network:
    """The network of that hash, read once by a process that looks at many films."""
    network = _weights(weights)
    if network.sha256 != sha256:
        raise DetectError(
            "every worker must have the same weights: one has others; install the same version everywhere"
        )
    return network


def look_at(job: Job, /, *, processes: int) -> Seen:
    """Look at one film; run by a worker.

    Raises
    ------
    DetectError
        No weights, or weights that do not run where it runs: that is no fault of the film.
    """
    if processes > 1:
        cv2.setNumThreads(max(1, (os.cpu_count() or 1) // processes))
    network = _network(job.weights, job.model_sha256)
    try:
        radiograph = read(job.path, sha256=job.sha256)
        made = look(radiograph, network=network, perhaps=job.perhaps)
        return _seen(job, radiograph, made, network)
    except DetectError:
        raise
    except (WlmeasureError, OSError, ArithmeticError) as error:
        return Seen(error=one_line(error))
    except cv2.error as error:
        return Seen(error=f"film cannot be looked at: {one_line(error)[:200]}")


def _seen(job: Job, radiograph: Radiograph, made: Look, network: Network) -> Seen:
    doubted = proposed_items(made, network.sha256)
    items = tuple(item for item, _ in doubted)
    calibrated = is_calibrated(made)
    tooth, source, note = _tooth(job.tooth, radiograph.teeth)
    case = None
    if tooth is not None:
        film = new_film(radiograph, job.film_path, "f1")
        case = case_content(Case(tooth=tooth, films=(evolve(film, proposed=items),)))
    other_jaw = _other_jaw(tooth, made.roots_point)
    drawing = proposal_drawing(
        radiograph.displayed(),
        items,
        made.flags,
        col_over_row=radiograph.col_over_row,
        calibrated=calibrated,
        remark=other_jaw,
    )
    content = png(drawing) if job.picture == "png" else (svg(drawing) + "\n").encode("utf-8")
    film_cells: dict[str, Cell] = {
        "film": job.name,
        "sha256": job.sha256,
        "rows": radiograph.rows,
        "cols": radiograph.cols,
        "tooth": tooth,
        "tooth_from": source,
        "roots_point": made.roots_point or None,
        "case": None if case is None else f"cases/{job.name}{SUFFIX}",
        "picture": f"pictures/{job.name}.{job.picture}",
        "files": len(made.files),
        "canals": len(made.canals),
        "root_ends": len(made.roots),
        "orifices": len(made.orifices),
        "reference_points": len(made.references),
        "trusted": sum(item.trusted for item in items),
        "periapical": f"{made.periapical:.3f}" if network.card.get("tells_periapical") else None,
        "quality": " ".join(flag.text for flag in made.flags),
        "flags": " ".join(flag.code for flag in made.flags),
        "note": "; ".join(filter(None, (note, other_jaw))) or None,
        "model": made.model.partition("/")[0],
        "model_sha256": network.sha256,
        "error": None,
    }
    rows = tuple(item_rows(job.name, doubted, calibrated=calibrated))
    return Seen(tuple(film_cells.items()), rows, case, content)


def _tooth(typed: str | None, named: tuple[str, ...]) -> tuple[str | None, str | None, str | None]:
    """The tooth of a case, who says so, and why there is none: a tooth that a film's own header contradicts is not written."""
    if typed is not None:
        if named and typed not in named:
            return (
                None,
                None,
                f"no case file: the film's header names tooth {', '.join(named)}, not {typed}; which is it?",
            )
        return typed, "typed", None
    if len(named) == 1:
        return named[0], "header", None
    if named:
        return None, None, f"no case file: the film's header names teeth {', '.join(named)}; name one by --tooth"
    return None, None, NO_TOOTH


def _other_jaw(tooth: str | None, roots_point: Side) -> str | None:
    """A remark where roots point the other way than those of that tooth do on a film that lies upright."""
    if tooth is None or roots_point not in ("up", "down"):
        return None
    upper = Tooth.from_iso3950(tooth).is_upper
    if (roots_point == "up") == upper:
        return None
    jaw, usual = ("an upper", "up") if upper else ("a lower", "down")
    return (
        f"the roots point {roots_point} in the picture, those of {jaw} tooth such as {tooth} point {usual} on an upright film: "
        "look whether the film lies upside down or the tooth is another"
    )


# --- what is written --------------------------------------------------------------------------------------------------


def _entry(out: Path, name: str) -> Path:
    return out / ".journal" / f"{hashlib.sha256(name.encode('utf-8', 'surrogateescape')).hexdigest()[:32]}.json"


def _journalled(out: Path, name: str) -> dict[str, Any]:
    """What the journal says of a film; nothing where it says nothing that can be used."""
    try:
        said = json.loads(_entry(out, name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return said if isinstance(said, dict) and said.get("schema") == JOURNAL_SCHEMA else {}


def _is_done(out: Path, job: Job) -> bool:
    """Whether an earlier run has looked at it so, and its files are there."""
    said = _journalled(out, job.name)
    if said.get("key") != job.key:
        return False
    film = said["film"]
    return all((out / film[part]).is_file() for part in ("case", "picture") if film[part] is not None)


def _put_down(out: Path, job: Job, seen: Seen) -> None:
    """The film's files, and then the journal's word that it is done."""
    film = dict(seen.film)
    case_sha256 = None
    if seen.case is not None:
        path = out / str(film["case"])
        path.parent.mkdir(parents=True, exist_ok=True)
        case_sha256 = hashlib.sha256(seen.case).hexdigest()
        there = _hash_of(path)
        before = _journalled(out, job.name).get("case_sha256")
        if there in (None, before):
            write_whole(path, seen.case)
        elif there != case_sha256:
            kept = "the case file was changed since it was proposed, and is kept as it is"
            film["note"] = "; ".join(str(one) for one in (kept, film["note"]) if one)
            case_sha256 = before
    picture = out / str(film["picture"])
    picture.parent.mkdir(parents=True, exist_ok=True)
    write_whole(picture, seen.picture)
    said = {
        "schema": JOURNAL_SCHEMA,
        "key": job.key,
        "case_sha256": case_sha256,
        "film": film,
        "items": seen.items,
    }
    write_whole(_entry(out, job.name), json.dumps(said))


def _hash_of(path: Path) -> str | None:
    """Of a file that is there; None where there is none."""
    try:
        return _hash(path)
    except FileNotFoundError:
        return None


def _hash(path: Path) -> str:
    digest = hashlib.sha256()
    with open_regular(path) as file:
        while block := file.read(BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _assembled(out: Path, jobs: list[Job], failed: dict[str, str], resumed: int) -> Proposals:
    """The tables, of the journal, in the order of the films' names."""
    names = sorted({job.name for job in jobs} | set(failed))
    without = items = 0

    def film_cells() -> Iterator[Row]:
        nonlocal without
        yield tuple(FILM_COLUMNS)
        for name in names:
            film: dict[str, Cell] = (
                {"film": name, "error": failed[name]} if name in failed else _journalled(out, name)["film"]
            )
            without += name not in failed and film["case"] is None
            yield tuple(film.get(column) for column in FILM_COLUMNS)

    def item_cells() -> Iterator[Row]:
        nonlocal items
        yield tuple(ITEM_COLUMNS)
        for name in names:
            rows = [] if name in failed else _journalled(out, name)["items"]
            items += len(rows)
            yield from rows

    meanings = [("items.csv", *one) for one in ITEM_COLUMNS.items()] + [
        ("films.csv", *one) for one in FILM_COLUMNS.items()
    ]
    _write_table(out / "columns.csv", iter([("table", "column", "meaning"), *meanings]))
    _write_table(out / "items.csv", item_cells())
    _write_table(out / "films.csv", film_cells())
    return Proposals(len(names), len(failed), resumed, without, items, out)


def _write_table(path: Path, rows: Iterator[Row]) -> None:
    with whole_file(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
        write_rows(file, rows)
