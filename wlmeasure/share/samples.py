"""The sample cases that come with the program, and what is true of them."""

from __future__ import annotations

import json
from collections.abc import Callable
from math import dist
from pathlib import Path
from typing import Any

from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.image.file_content import file_content
from wlmeasure.record.case import Entry, Trace, load_case, save_case
from wlmeasure.record.evaluate import CaseResult, FilmResult, accept_paths, evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.record.record import LengthRecord, compare, measured_entries
from wlmeasure.share.card import card_file
from wlmeasure.share.figures import picture_svg
from wlmeasure.share.page import PageFile
from wlmeasure.share.report import report_file
from wlmeasure.share.result import canal_rows
from wlmeasure.share.tables import lengths_csv
from wlmeasure.whole_file import write_whole

__all__ = ["sample_case", "sample_truth_text", "write_demo"]

PACKAGE = Path(__file__).resolve().parent.parent
# An installed package carries the demonstration's sample inside; a checkout has all of them beside the package.
FOLDERS = (PACKAGE / "sample_images", PACKAGE.parent / "sample_images")


def sample_case(name: str) -> Path:
    """Where the case file of a sample lies.

    Raises
    ------
    CaseError
        No such sample came with this installation.
    """
    for folder in FOLDERS:
        path = folder / "cases" / f"{name}.wl.json"
        if path.is_file():
            return path
    raise CaseError(f"sample must be one that came with this installation: {name!r}; install the package again")


def sample_truth_text(result: CaseResult) -> str:
    """What was measured beside what is true, for a sample film whose truth file is there."""
    lines: list[str] = []
    for canal, trace in canal_rows(result):
        if trace is None or trace.length is None:
            continue
        truth = _truth_file(result, trace.film)
        if not truth.is_file():
            continue
        true_mm = _true_length_mm(json.loads(truth.read_text(encoding="utf-8")), canal.canal.name, trace.trace)
        error = trace.length.length_mm - true_mm
        lines.append(
            f"  film {trace.trace.film}, canal {canal.canal.name}: true length in three dimensions {true_mm:.2f} mm, "
            f"measured {trace.length.length_mm:.2f} mm, error {error:+.2f} mm"
        )
    lines += _true_fillings(result)
    return "\nThis film is synthetic, so its truth is known\n" + "\n".join(lines) + "\n" if lines else ""


def _truth_file(result: CaseResult, film: FilmResult) -> Path:
    path = result.case.film_path(film.film).resolve()
    return path.parent.parent / "truth" / f"{path.stem}.json"


def _true_length_mm(truth: dict[str, Any], canal: str, trace: Trace) -> float:
    """From where the trace counts to the root's end: that of the printed root, or of a canal of a phantom.

    On a phantom the canal ends at the foramen, and the radiographic apex lies straight on from there.
    """
    if "canals" not in truth:
        return float(truth["canal_length_3d_mm"])
    (own,) = (one for one in truth["canals"] if one["name"] == canal)
    beyond = dist(own["points_mm"][-1], own["apex_mm"])
    return float(own["length_mm"] + beyond + (0.0 if trace.reference_px is None else own["coronal_mm"]))


def _true_fillings(result: CaseResult) -> list[str]:
    """Where fillings end, as it was entered and as it is true, both from the root's end."""
    lines = []
    for film in result.films:
        path = _truth_file(result, film)
        fillings = json.loads(path.read_text(encoding="utf-8")).get("fillings", []) if path.is_file() else []
        true_mm = {one["canal"]: float(one["to_apex_mm"]) for one in fillings}
        for entry in LengthRecord(result.case.entries).in_order():
            known = entry.kind == "filling check" and entry.film_sha256 == film.film.sha256
            if known and entry.canal in true_mm and entry.distance_mm is not None:
                error = entry.distance_mm - true_mm[entry.canal]
                lines.append(
                    f"  film {film.film.id}, canal {entry.canal}: the filling truly ends {true_mm[entry.canal]:.2f} mm "
                    f"from the root's end, entered {entry.distance_mm:.2f} mm, error {error:+.2f} mm"
                )
    return lines


def _standing(folder: Path, result: CaseResult) -> tuple[Entry, ...]:
    """The record to go on with: that of an earlier run on the same films, else the case's own; other folders are left alone."""
    case = folder / "case.wl.json"
    if not case.exists():
        if folder.is_dir() and any(folder.iterdir()):
            raise CaseError(f"{folder} must be a new or empty folder: it holds other files; choose another one")
        return result.case.entries
    try:
        earlier = load_case(case)
        if [film.sha256 for film in earlier.films] == [film.sha256 for film in result.case.films]:
            return earlier.entries
    except CaseError:
        pass
    raise CaseError(f"{case} must not be written over: another case stands there; choose another folder")


def write_demo(result: CaseResult, folder: Path, *, at: str, program: str) -> list[Path]:
    """Everything a measured case can be handed on as, in one folder: case, films, report, stops, pictures, table.

    The case holds the accepted paths and the length record, and its films lie beside it. What was measured is entered, unless
    the record holds it already and measuring again gives the same.

    Returns
    -------
    list of Path
        The files written, the case first.

    Raises
    ------
    CaseError
        A case of other films stands there; it is left as it is.
    """
    standing = _standing(folder, result)
    folder.mkdir(parents=True, exist_ok=True)
    # Names of our own: an id or a path in a case file is a stranger's text and never becomes a file name.
    films = {film.film.id: f"f{k}{'.dcm' if film.radiograph.format == 'DICOM' else f'.{film.radiograph.format.lower()}'}"
             for k, film in enumerate(result.films, 1)}  # fmt: skip
    for film in result.films:
        write_whole(folder / films[film.film.id], file_content(result.case.film_path(film.film)))
    accepted = accept_paths(result)
    case = evolve(accepted, films=tuple(evolve(film, path=films[film.id]) for film in accepted.films), folder=folder)
    measured = evaluate(case, {film.film.id: film.radiograph for film in result.films})
    record = LengthRecord(standing)
    known = any(entry.inputs_sha256 is not None for entry in record.standing())
    if not known or compare(evolve(case, entries=standing), measured):
        record = measured_entries(measured, record, at=at, by="demo", program=program)
    measured = evaluate(evolve(case, entries=record.entries), before=measured)  # by the record that is written
    written = [folder / "case.wl.json"]
    save_case(measured.case, written[0])
    pages: list[tuple[str, Callable[..., PageFile]]] = [("report.html", report_file), ("report.pdf", report_file)]
    if any(canal.stop is not None for canal in case_facts(measured).canals):  # else there is no card to make
        pages.append(("stops.pdf", card_file))
    for name, made in pages:
        write_whole(folder / name, made(measured, name, made_at=at.replace("T", " "), program=program).content)
        written.append(folder / name)
    texts = {Path(film.film.path).stem + ".svg": picture_svg(measured, film) for film in measured.films}
    texts["lengths.csv"] = lengths_csv(measured)
    for name, text in texts.items():
        write_whole(folder / name, text)
        written.append(folder / name)
    return written
