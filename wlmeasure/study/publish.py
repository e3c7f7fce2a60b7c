"""A study as one folder to publish: paths, tables, what every column means, and nothing that names anybody but its authors.

Who has only the folder can compute every table again from the paths. Films are there by their hashes, or as copies without
the patient where that is asked for.
"""

from __future__ import annotations

import csv
import io
import json
import platform
from collections import Counter
from collections.abc import Callable, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from attrs import evolve, frozen

from wlmeasure.errors import ImageError, StudyError
from wlmeasure.image.dicom import read_data_set
from wlmeasure.image.file_content import file_content, regular_bytes
from wlmeasure.image.marks import typed_marks
from wlmeasure.record.answers import answers
from wlmeasure.record.evaluate import CaseResult, TraceResult
from wlmeasure.record.members import write_object
from wlmeasure.share.cells import text_of_cell
from wlmeasure.share.columns import CALIBRATION_COLUMNS, CANAL_COLUMNS, IMAGE_COLUMNS, VERTEX_COLUMNS
from wlmeasure.share.deidentify import picture_alone
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale
from wlmeasure.share.paths import paths_of
from wlmeasure.study.anchored import Anchored, anchored
from wlmeasure.study.collect import collect, proposal_of, tooth_group
from wlmeasure.study.data_package import (
    CODEBOOK,
    Column,
    Table,
    codebook,
    columns_of,
    descriptor,
    file_resource,
    table_resource,
)
from wlmeasure.study.folder import Result, file_sha256, read_film
from wlmeasure.study.manifest import Study, StudyFilm, load_key
from wlmeasure.study.path_tables import write_table
from wlmeasure.study.private_words import PrivateWords, private_words
from wlmeasure.study.protocol import DEFINITIONS, FromProposals, Protocol
from wlmeasure.study.publication import Publication
from wlmeasure.study.publish_text import Counts, citation, fixed_texts, grras_rows, methods, readme, results
from wlmeasure.study.readings import COLUMNS as READING_COLUMNS
from wlmeasure.study.readings import Reading, Readings
from wlmeasure.study.rebuild import BETWEEN, CLICK_STD, COL_OVER_ROW, GAP, MOVED, PROPOSAL
from wlmeasure.study.summary import Summary, summaries
from wlmeasure.study.words import observers_json
from wlmeasure.whole_file import whole_folder, write_whole

__all__ = ["Published", "publish_study"]

SUMS, DESCRIPTOR, CITATION, README = "SHA256SUMS", "datapackage.json", "CITATION.cff", "README.md"
LIBRARIES = ("wlmeasure", "numpy", "attrs", "opencv-python", "pydicom", "numba")
LARGEST_JOIN = 16 * 2**20  # bytes (our parameter)
FIXED_TEXTS = (
    "Readings of root canals on periapical films. patient tooth teeth film image radiograph xray x-ray study reader observer "
    "case canal root before after molar premolar canine incisor straight curved upper lower left right mesial distal buccal "
    "lingual palatal cusp edge single scan first second"
)

SOURCES = {
    "length_mm": "straight piece from the reference point, then the sum of the steps of the path",
    "canal_mm": "sum of the steps of the path; of a few clicks along a smooth line through them",
    "coronal_mm": "distance of the reference point from the path's first point",
    "schneider_deg": "Schneider, Oral Surg 1971;32:271-275 (from memory)",
    "weine_deg": "Weine, Endodontic Therapy (from memory)",
    "long_axis_deg": "long axis method, named in Gunday, Sazak & Garip, J Endod 2005 (from memory)",
    "pruett_deg": "Pruett, Clement & Carnes, J Endod 1997;23:77-85 (from memory)",
    "pruett_radius_mm": "Pruett, Clement & Carnes, J Endod 1997;23:77-85 (from memory)",
    "min_radius_mm": "smallest radius of the line fitted to the path; this program's own",
    "total_turning_deg": "sum of the sizes of the turns of the fitted line; this program's own",
}


@frozen
class Published:
    """What was written: the folder, its files, what was left out of it in words, and each observer's code."""

    folder: Path
    files: tuple[str, ...]
    left_out: tuple[str, ...]
    codes: dict[str, str]


@frozen
class _Gathered:
    """What a study holds, observers by their codes."""

    readings: Readings
    summaries: tuple[Summary, ...]
    head: Head
    features: tuple[PathFeature, ...]
    basis: dict[tuple[str, str, int], str]
    clicks: tuple[tuple[object, ...], ...]
    answers: tuple[tuple[object, ...], ...]
    apart: Anchored | None
    states: dict[tuple[str, str, int], str]


def publish_study(
    study: Study,
    out: str | Path,
    said: Publication,
    *,
    created: str,
    program: str,
    films: bool = False,
    join: str | Path | None = None,
    key: str | Path | None = None,
    observer_names: bool = False,
    done: Callable[[int, int], None] | None = None,
) -> Published:
    """Write a study into a new or empty folder, whole or not at all.

    Parameters
    ----------
    study
        The study; results that break its protocol are named and do not count.
    out
        The folder.
    said
        Title, authors, licence, and answers that the data do not give.
    created
        Time of now by RFC 3339, such as 2026-12-01T10:00:00Z.
    program
        What makes it, with its version.
    films
        Whether the films' copies are published too; by default only their SHA-256.
    join
        CSV with a column `film`, the films' own names as in the key, and columns to publish (a group, a centre): the
        unblinding. The own names stay out.
    key
        The key, where it does not lie in the study's folder.
    observer_names
        Whether observers keep the names they have in the study; else they are called R1, R2, ...
    done
        Told how many of how many results are measured.

    Raises
    ------
    StudyError
        Title, authors or licence missing; no result that counts; words that may name a person; films that are not in the
        study's folder, hold more than a picture, or may have writing in it; a table that does not fit the key.
    NotWrittenError
        The folder holds something, or cannot be written.
    """
    said.check()
    out = Path(out)
    if out.resolve().is_relative_to(study.folder.resolve()):
        raise StudyError(f"--out must lie outside the study's folder, which holds the key: {out.name}")
    if out.exists() and (not out.is_dir() or any(out.iterdir())):  # said before anything is measured
        raise StudyError(f"--out must be a new or empty folder: {out.name} holds something; choose another")
    names = load_key(Path(key)) if key is not None else study.key()
    codes = {one.name: one.name if observer_names else f"R{k}" for k, one in enumerate(study.observers, 1)}
    private = _private(study, names, codes)
    _check_said(private, study, said)
    joined, columns = _joined(study, said, names, join, private)
    pictures = {film.id: _picture(study, film) for film in study.films} if films else {}
    found = _gathered(study, codes, done)
    groups = Counter(tooth_group(film.tooth) for film in study.films)
    left_out = _left_out(study, names, films, observer_names, found)
    protocol = _coded_protocol(study.protocol, codes)
    with whole_folder(out) as folder:
        texts = {
            "methods.md": methods(study, protocol, list(codes.values()), groups, program),
            "results.md": results(found.summaries, found.readings, _counts(study, codes, found.states), found.apart),
            "protocol.json": _json(write_object(protocol)),
            "randomisation.json": _json(_randomisation(study, codes)),
            "agreement.json": _json(observers_json(found.summaries, apart=found.apart)),
            "versions.json": _json(_versions(study, program)),
        }
        for path, text in texts.items():
            write_whole(folder / path, text, private=False)
        (folder / "paths").mkdir()
        write_table(folder / "paths", found.head, found.features)
        tables = _tables(study, codes, found, joined, columns, pictures, said)
        tables = (*tables, codebook(tables))
        for table in tables:
            table.write(folder)
        if pictures:
            (folder / "films").mkdir()
        for path, content in pictures.values():
            write_whole(folder / path, content, private=False)
        listed = [(table.path, table.title) for table in tables]
        listed += [(path, TITLES[path]) for path in texts]
        shown = [*listed, *([("films/", "The films without the patient.")] if pictures else [])]
        page = readme(said, program, shown, left_out)
        resources = [table_resource(folder, table) for table in tables]
        resources += [file_resource(folder, path, TITLES[path]) for path in texts]
        resources += [file_resource(folder, path, f"Film {name}") for name, (path, _) in pictures.items()]
        description = said.description or "Readings of root canals on periapical films by several observers."
        made = descriptor(said, f"wlmeasure-study-{study.id}", created, description, resources)
        write_whole(folder / DESCRIPTOR, _json(made), private=False)
        write_whole(folder / CITATION, citation(said, created[:10]), private=False)
        write_whole(folder / README, page, private=False)
        _check_written(private, folder, pictures)
        sums = "".join(f"{file_sha256(folder / name)}  {name}\n" for name in _files(folder))
        write_whole(folder / SUMS, sums, private=False)
        files = _files(folder)
    return Published(out, tuple(files), tuple(left_out), codes)


TITLES = {
    "methods.md": "How the readings were made and compared, in words",
    "results.md": "What was found, in words",
    "protocol.json": "The rules of the study",
    "randomisation.json": "The drawn orders, and how they were drawn",
    "agreement.json": "Every figure of agreement with all decimals",
    "versions.json": "Program and library versions",
}


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


# ---- what must stay out ----------------------------------------------------------------------------------------------


def _private(study: Study, names: dict[str, str], codes: dict[str, str]) -> PrivateWords:
    """The films' own names, those of files that are only referred to, and observers' names that are not published."""
    own = [*names.values(), *(Path(film.path).name for film in study.films if not film.path.startswith("films/"))]
    own += [name for name, code in codes.items() if name != code]
    return private_words(own, [*fixed_texts(), FIXED_TEXTS])


def _check_said(private: PrivateWords, study: Study, said: Publication) -> None:
    """Free texts, whoever wrote them; the authors' own names are theirs to give."""
    texts = [("title", said.title), ("description", said.description), ("instructions", study.protocol.instructions)]
    texts += [(f"keywords[{k}]", word) for k, word in enumerate(said.keywords)]
    texts += [(f"grras item {one.item}", one.answer) for one in said.grras]
    texts += [(f"column {one.name}", f"{one.definition} {one.source or ''}") for one in said.columns]
    for film in study.films:
        texts += [(f"film {film.id}", f"{canal.name} {canal.reference_point}") for canal in film.canals]
    for where, text in texts:
        if text:
            private.check_text(where, text)


def _check_written(private: PrivateWords, folder: Path, pictures: dict[str, tuple[str, bytes]]) -> None:
    """The last look at every file: it holds no whole name, whatever way that came into it."""
    binary = {path for path, _ in pictures.values()}
    for name in _files(folder):
        private.check_content(name, name)
        # Authors may be observers, and stand in these with their own consent.
        if name not in (CITATION, DESCRIPTOR, README) and name not in binary:
            private.check_content(name, (folder / name).read_text("utf-8"))


def _picture(study: Study, film: StudyFilm) -> tuple[str, bytes]:
    """Where a film is published, and its file, which must be a picture alone."""
    if not film.path.startswith("films/"):
        raise StudyError(
            f"film {film.id} must lie in the study's folder to be published: it is only referred to; publish hashes alone"
        )
    radiograph = read_film(study, film)
    content = file_content(study.folder / film.path)
    if radiograph.format == "DICOM":
        header = read_data_set(study.folder / film.path, sha256=film.sha256)
        alone = header.get("PatientIdentityRemoved") == "YES" and not str(header.get("PatientName", ""))
    else:
        try:
            alone = picture_alone(content)[0] == content
        except ImageError:
            alone = False
    if not alone:
        raise StudyError(
            f"film {film.id} must hold its picture alone: its file holds more; make the study anew from it"
        )
    marks = typed_marks(radiograph.values)
    if marks:
        raise StudyError(
            f"film {film.id} must not have writing in its pixels, as there may be at row {marks[0].row}, column "
            f"{marks[0].col}: publish hashes alone, or black it out before a study is made (wlmeasure deidentify --redact)"
        )
    return film.path, content


def _left_out(
    study: Study, names: dict[str, str], films: bool, observer_names: bool, found: _Gathered
) -> tuple[str, ...]:
    out = [
        "the films' own names (the key)"
        + ("" if names else "; the key was not at hand, so texts could not be held against it")
    ]
    if not films:
        out.append("the films' pictures: they are known by their SHA-256")
    if not observer_names:
        out.append("the observers' names: they are called R1, R2, ...")
    out += [
        "the study's own name, and where its films and files lie",
        "dates and times of readings, and identifiers of DICOM images",
        "what an observer began and did not finish, and notes in result files",
    ]
    if study.protocol.from_proposals is not None:
        out.append("the lines that were proposed: they are known by the network's SHA-256 and how far each was moved")
    lost = Counter(state for state in found.states.values() if state not in ("counted", "missing"))
    out += [
        f"{count} result{'s' if count > 1 else ''} that did not count: {state}" for state, count in sorted(lost.items())
    ]
    return tuple(out)


# ---- what is published -----------------------------------------------------------------------------------------------


def _gathered(study: Study, codes: dict[str, str], done: Callable[[int, int], None] | None) -> _Gathered:
    images: dict[str, PathImage] = {}
    scales: dict[str, PathScale] = {}
    features: list[PathFeature] = []
    basis: dict[tuple[str, str, int], str] = {}
    clicks: list[tuple[object, ...]] = []
    said: list[tuple[object, ...]] = []
    states: dict[tuple[str, str, int], str] = {}

    def told(result: Result, measured: CaseResult | None) -> None:
        code, task = codes[result.observer], result.task
        states[code, task.film, task.repeat] = _state(result, measured)
        if measured is None:
            return
        shown = study.protocol.begins_from_proposals(result.observer)
        said.extend(
            (task.film, code, task.repeat, one.item.label, one.item.kind, one.item.probability, one.outcome, one.canal,
             None if one.moved_px is None else round(one.moved_px, 3))
            for one in answers(measured.case)
        )  # fmt: skip
        made = paths_of(measured)
        (image,) = made.head.images
        images.setdefault(task.film, evolve(image, id=task.film, sop_instance_uid=None, file_name=None))
        names = {one.id: _scale_name(scales, one, task.film, code, task.repeat) for one in made.head.calibrations}
        wanted = {canal.name for canal in study.film(task.film).canals}
        traces = [(c.canal.name, t) for c in measured.canals for t in c.traces]
        first: set[str] = set()
        for feature, (name, trace) in zip((one for one in made.features if one.kind == "canal"), traces, strict=True):
            if name in first or name not in wanted:
                continue
            first.add(name)
            features.append(_own(feature, trace, names, code, task.film, task.repeat, shown))
            subject = task.film if len(wanted) == 1 else f"{task.film} {name}"
            basis[subject, code, task.repeat] = "" if trace.length is None else trace.length.method
            for k, (row, col) in enumerate(trace.trace.clicks_px or ()):
                clicks.append((task.film, name, code, task.repeat, k, row, col))

    readings = collect(study, done=done, told=told).readings
    readings = Readings(_coded(readings.rows, codes), _coded(readings.undetermined, codes))
    for observer in study.observers:
        for task in observer.tasks:
            states.setdefault((codes[observer.name], task.film, task.repeat), "missing")
    agreed = [one for name in readings.definitions for one in _agreed(readings.of(definition=name))]
    head = Head(images=tuple(images.values()), calibrations=tuple(scales.values()))
    return _Gathered(
        readings, tuple(agreed), head, tuple(features), basis, tuple(clicks), tuple(said), anchored(readings), states
    )


def _agreed(readings: Readings) -> list[Summary]:
    """What the readings of one definition say; nothing where too few have a value."""
    try:
        return summaries(readings) if readings.rows else []
    except StudyError:  # no subject read twice, by two observers or by one
        return []


def _coded_protocol(protocol: Protocol, codes: dict[str, str]) -> Protocol:
    """The rules with observers by their codes."""
    aided = protocol.from_proposals
    if aided is not None:
        aided = FromProposals.of([codes[name] for name in aided.observers], aided.model, aided.model_sha256)
    return evolve(protocol, from_proposals=aided, extra={})


def _coded(rows: Sequence[Reading], codes: dict[str, str]) -> tuple[Reading, ...]:
    return tuple(evolve(row, observer=codes[row.observer]) for row in rows)


def _state(result: Result, measured: CaseResult | None) -> str:
    """Why a result counts or not, in codes alone: its message may name a file."""
    if measured is not None:
        return "counted"
    if result.error is not None:
        return "unreadable"
    return " ".join(dict.fromkeys(one.code for one in result.violations)) or "not measured"


def _scale_name(scales: dict[str, PathScale], one: PathScale, film: str, observer: str, repeat: int) -> str:
    """A film's scale is one for all who were given it; one of an observer's own has a name of its own."""
    for name in (film, f"{film} {observer} {repeat}"):
        if scales.setdefault(name, evolve(one, id=name, image=film)) == evolve(one, id=name, image=film):
            break
    return name


def _own(
    feature: PathFeature,
    trace: TraceResult,
    names: dict[str | None, str],
    observer: str,
    film: str,
    repeat: int,
    shown: bool,
) -> PathFeature:
    gap = None if trace.length is None else trace.length.gap
    extra: dict[str, Any] = {} if gap is None else {GAP: gap.gap_mm}
    proposal, moved_mm = proposal_of(trace, shown=shown)
    if proposal:
        extra |= {PROPOSAL: proposal} | ({} if moved_mm is None else {MOVED: moved_mm})
    if trace.film.calibration is None:
        extra[COL_OVER_ROW] = trace.film.col_over_row
    if trace.film.clicks is not None:
        extra[CLICK_STD] = trace.film.click_std_px
    return evolve(
        feature,
        id=f"{film} {feature.canal} {observer} {repeat}",
        case=film,
        image=film,
        calibration=None if feature.calibration is None else names[feature.calibration],
        annotator=observer,
        session=str(repeat),
        extra=extra,
    )


def _tables(
    study: Study,
    codes: dict[str, str],
    found: _Gathered,
    joined: dict[str, tuple[str, ...]],
    joined_columns: tuple[Column, ...],
    pictures: dict[str, tuple[str, bytes]],
    said: Publication,
) -> tuple[Table, ...]:
    program, manifest, observer = "the program, from the paths", "the study's manifest", "the observer"
    film = Column("film", "Blinded name of the film.", manifest)
    who = Column("observer", "Code of the observer.", "this package")
    repeat = Column("repeat", "The observer's first, second, ... reading of that film.", manifest, "integer")
    order = Column("order", "Place of the film in the observer's own order.", manifest, "integer")
    definition = Column(
        "definition",
        f"What was measured: {'; '.join(f'{n}: {DEFINITIONS[n]}' for n in study.protocol.definitions)}.",
        manifest,
    )
    subject = Column("subject", "What was measured: a film, and its canal where it has several.", manifest)
    long = Table(
        "readings_long.csv",
        "Every value, one a row",
        (
            subject, who, Column("value", "The reading, in its unit; empty where it was not determined.", program, "number"),
            repeat, definition, Column("group", "Group of teeth.", manifest), Column("unit", "Unit of the value.", program),
            order, Column("cluster", "Film: canals of one tooth belong together.", manifest),
            Column("basis", "Of a length: along the path, or known length plus gap; else empty.", program),
            Column("proposal", f"{READING_COLUMNS['proposal'].capitalize()}.", program),
            Column(MOVED, f"{READING_COLUMNS[MOVED].capitalize()}.", program, "number", "mm"),
        ),
        [
            (
                row.subject, row.observer, row.value if row.value == row.value else None, row.repeat, row.definition,
                row.group, row.unit, None if row.order is None else int(row.order), row.cluster,
                found.basis.get((row.subject, row.observer, row.repeat)) if row.definition == "length_mm" else None,
                row.proposal or None, row.moved_mm,
            )
            for row in found.readings.every
        ],
        ("subject", "observer", "repeat", "definition"),
        (("cluster", "films.csv", "film"),),
    )  # fmt: skip
    images = [(one.id, pictures.get(one.id, (None, b""))[0], one) for one in study.films]
    films = Table(
        "films.csv",
        "Films, and what the unblinding says of them",
        (
            film, Column("sha256", "SHA-256 of the film's file in the study.", program),
            Column("file", "Its file in this folder, where it is published.", "this package"),
            Column("rows", "Rows of the picture.", manifest, "integer", "pixels"),
            Column("cols", "Columns of the picture.", manifest, "integer", "pixels"),
            Column("tooth", "Tooth in the designation of ISO 3950.", manifest),
            Column("group", "Group of teeth.", manifest),
            Column("canals", "Names of its canals, parted by semicolons.", manifest), *joined_columns,
        ),
        [
            (
                one.id, one.sha256, path, one.rows, one.cols, one.tooth, tooth_group(one.tooth),
                BETWEEN.join(canal.name for canal in one.canals), *joined.get(one.id, ()),
            )
            for _, path, one in images
        ],
        ("film",),
    )  # fmt: skip
    assignments = Table(
        "assignments.csv",
        "What each observer was to read, in their order, and what became of it",
        (
            who, order, film, repeat,
            Column("state", "counted, missing, or why the result does not count: codes of the protocol's rules.", program),
        ),
        [
            (codes[one.name], k, task.film, task.repeat, found.states[codes[one.name], task.film, task.repeat])
            for one in study.observers
            for k, task in enumerate(one.tasks, 1)
        ],
        ("observer", "order"),
        (("film", "films.csv", "film"),),
    )  # fmt: skip
    clicks = Table(
        "clicks.csv",
        "The points that observers placed",
        (
            film, Column("canal", "Name of the canal.", manifest), who, repeat,
            Column("click", "Number of the point along the canal, from 0 at its coronal end.", observer, "integer"),
            Column("row_px", "Row of the point; the centre of the first pixel is 0.", observer, "number", "pixels"),
            Column("col_px", "Column of the point; the centre of the first pixel is 0.", observer, "number", "pixels"),
        ),
        found.clicks,
        ("film", "canal", "observer", "repeat", "click"),
        (("film", "films.csv", "film"),),
    )  # fmt: skip
    grras = Table(
        "grras.csv",
        "Items of the reporting guideline GRRAS, and where each is answered",
        columns_of(
            {
                "item": "Number of the item in table 1 of the guideline.",
                "section": "Part of a report that it belongs to.",
                "asks": "What it asks, in short.",
                "state": "answered, partly, or not answered.",
                "where": "Files that answer it.",
                "answer": "What the authors say of it.",
            },
            "Kottner et al., J Clin Epidemiol 2011;64:96-106",
        ),
        grras_rows(said, bool(found.summaries), found.apart is not None),
        ("item",),
    )
    lines, measured = "the program, on the film", "paths/canals.csv"
    return (
        long,
        _wide(study, found),
        films,
        assignments,
        clicks,
        *(() if study.protocol.from_proposals is None else (_answers(found, film, who, repeat),)),
        grras,
        Table(
            "paths/canals.csv", "One line a canal: whose, on which film, with its figures", columns_of(CANAL_COLUMNS, lines),
            key=("path",), refers=(("image", "paths/images.csv", "id"),),
        ),
        Table(
            "paths/vertices.csv", "The points of every path", columns_of(VERTEX_COLUMNS, lines), key=("path", "vertex"),
            refers=(("path", measured, "path"),),
        ),
        Table("paths/images.csv", "The films as paths refer to them", columns_of(IMAGE_COLUMNS, lines), key=("id",)),
        Table(
            "paths/calibrations.csv", "Scales in millimetres per pixel", columns_of(CALIBRATION_COLUMNS, lines), key=("id",),
            refers=(("image", "paths/images.csv", "id"),),
        ),
        Table(
            "paths/columns.csv", f"Columns of the tables in paths, as the program writes them; {CODEBOOK} has more",
            columns_of(
                {"table": "File of the table.", "column": "Name of the column.", "meaning": "What it means."}, "the program"
            ),
            key=("table", "column"),
        ),
    )  # fmt: skip


def _answers(found: _Gathered, film: Column, who: Column, repeat: Column) -> Table:
    """What became of everything that was proposed to an observer."""
    network, program = "the network", "the program, from the result"
    return Table(
        "proposals.csv",
        "What was proposed to observers who began from it, and what they made of it",
        (
            film, who, repeat, Column("item", "What was proposed, by its neutral name on the film.", network),
            Column("kind", "canal, root end, file, upper end, tip or reference point.", network),
            Column("probability", "That it is right, by the network, 0 to 1.", network, "number"),
            Column("outcome", "accepted, refused or not answered.", program),
            Column("canal", "The canal that it was accepted as, or for.", program),
            Column(
                "moved_px", "Greatest distance between what was proposed and what stands; 0: unmoved; empty: not accepted.",
                program, "number", "pixels",
            ),
        ),
        found.answers,
        ("film", "observer", "repeat", "item"),
        (("film", "films.csv", "film"),),
    )  # fmt: skip


def _wide(study: Study, found: _Gathered) -> Table:
    """One row a subject; a column for each definition, observer and repeat."""
    every = found.readings.every
    values = {(row.subject, row.definition, row.observer, row.repeat): row.value for row in found.readings.rows}
    columns = []
    places = []
    for name in study.protocol.definitions:
        for who, repeat in sorted({(row.observer, row.repeat) for row in every}, key=lambda one: (len(one[0]), one)):
            unit = "mm" if name.endswith("_mm") else "degrees"
            text = f"{DEFINITIONS[name]}: observer {who}, reading {repeat}."
            columns.append(Column(f"{name}_{who}_{repeat}", text, SOURCES[name], "number", unit))
            places.append((name, who, repeat))
    subjects = {row.subject: row for row in every}
    rows = [
        (
            subject, row.cluster, row.group,
            *(values.get((subject, *place)) for place in places),
        )
        for subject, row in sorted(subjects.items())
    ]  # fmt: skip
    manifest = "the study's manifest"
    head = (
        Column("subject", "What was measured: a film, and its canal where it has several.", manifest),
        Column("cluster", "Film: canals of one tooth belong together.", manifest),
        Column("group", "Group of teeth.", manifest),
    )
    refers = (("cluster", "films.csv", "film"),)
    return Table("readings_wide.csv", "The same, one subject a row", (*head, *columns), rows, ("subject",), refers)


def _joined(
    study: Study, said: Publication, names: dict[str, str], join: str | Path | None, private: PrivateWords
) -> tuple[dict[str, tuple[str, ...]], tuple[Column, ...]]:
    """The organiser's own columns of each film by its blinded name."""
    if join is None:
        return {}, ()
    path = Path(join)
    if not names:
        raise StudyError("--join needs the key: there is none in the study's folder; give it with --key")
    if path.stat().st_size > LARGEST_JOIN:
        raise StudyError(f"{path.name} must be at most {LARGEST_JOIN >> 20} MB: it is larger")
    try:
        lines = list(csv.reader(io.StringIO(regular_bytes(path).decode("utf-8-sig"))))
    except (UnicodeDecodeError, csv.Error):
        raise StudyError(f"{path.name} must be a CSV table in UTF-8: save it as CSV UTF-8") from None
    header = [name.strip() for name in lines[0]] if lines else []
    if "film" not in header or len(header) < 2 or len(set(header)) < len(header):
        raise StudyError(f"{path.name} must have a column film and others, each named once: {', '.join(header)[:80]}")
    at = header.index("film")
    taken = {"sha256", "file", "rows", "cols", "tooth", "group", "canals"}
    others = [name for name in header if name != "film"]
    if both := sorted(taken & set(others)):
        raise StudyError(f"{path.name} must not name a column {both[0]}: the table of films has one; call it otherwise")
    by_name: dict[str, tuple[str, ...]] = {}
    for number, cells in enumerate(lines[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise StudyError(f"{path.name}, row {number} must have {len(header)} cells: it has {len(cells)}")
        values = [text_of_cell(cell.strip()) for cell in cells]
        if values[at] in by_name:
            raise StudyError(f"{path.name}, row {number}: film must stand once: it stands twice")
        rest = tuple(value for k, value in enumerate(values) if k != at)
        for name, value in zip(others, rest, strict=True):
            private.check_text(f"{path.name}, row {number}, column {name}", value)
        by_name[values[at]] = rest
    lost = [film.id for film in study.films if names.get(film.id) not in by_name]
    if lost:
        raise StudyError(f"{path.name} must have a row for every film of the key: there is none for {lost[0]}")
    meanings = {one.name: one for one in said.columns}
    if strange := sorted(set(meanings) - set(others)):
        raise StudyError(f"settings: column {strange[0]!r} must be one of {path.name}: it is none")
    columns = tuple(
        Column(name, one.definition, one.source or "the authors", "string", one.unit or "")
        if (one := meanings.get(name)) is not None
        else Column(name, "Not described by the authors.", "the authors")
        for name in others
    )
    return {film.id: by_name[names[film.id]] for film in study.films}, columns


def _randomisation(study: Study, codes: dict[str, str]) -> dict[str, Any]:
    return {
        "study": study.id,
        "program": study.program,
        "drawn": "blinded names and each observer's order by numpy's default generator from the seed and the films' SHA-256 "
        "before they were copied; repeats shuffled in, at a distance",
        "seed": study.seed,
        "repeats": study.repeats,
        "observers": [
            {
                "observer": codes[one.name],
                "hidden": list(one.hidden),
                "order": [[task.film, task.repeat] for task in one.tasks],
            }
            for one in study.observers
        ],
    }


def _versions(study: Study, program: str) -> dict[str, Any]:
    libraries = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            libraries[name] = version(name)
        except PackageNotFoundError:
            continue
    return {"published_with": program, "study_made_with": study.program, "libraries": libraries}


def _counts(study: Study, codes: dict[str, str], states: dict[tuple[str, str, int], str]) -> Counts:
    found = Counter(states.values())
    reasons = tuple(sorted((state, count) for state, count in found.items() if state != "counted"))
    return Counts(len(states), len(states) - found["missing"], found["counted"], reasons)
