"""The sample cases that come with the program, and what is true of them."""

from __future__ import annotations

import json
from pathlib import Path

from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.record.case import Entry, load_case, save_case
from wlmeasure.record.evaluate import CaseResult, accept_paths, evaluate
from wlmeasure.record.record import LengthRecord, entries_from
from wlmeasure.share.figures import picture_svg
from wlmeasure.share.report import report_file
from wlmeasure.share.result import canal_rows
from wlmeasure.share.tables import lengths_csv

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
    lines = []
    for canal, trace in canal_rows(result):
        if trace is None or trace.length is None:
            continue
        film = result.case.film_path(trace.film.film).resolve()
        truth = film.parent.parent / "truth" / f"{film.stem}.json"
        if not truth.is_file():
            continue
        true_mm = float(json.loads(truth.read_text(encoding="utf-8"))["canal_length_3d_mm"])
        error = trace.length.length_mm - true_mm
        lines.append(
            f"  film {trace.trace.film}, canal {canal.canal.name}: true length in three dimensions {true_mm:.2f} mm, "
            f"measured {trace.length.length_mm:.2f} mm, error {error:+.2f} mm"
        )
    return "\nThis film is synthetic, so its truth is known\n" + "\n".join(lines) + "\n" if lines else ""


def _standing(folder: Path, result: CaseResult) -> tuple[Entry, ...]:
    """The record of an earlier run on the same films, which is gone on with; anything else in the folder is left alone."""
    case = folder / "case.wl.json"
    if not case.exists():
        if folder.is_dir() and any(folder.iterdir()):
            raise CaseError(f"{folder} must be a new or empty folder: it holds other files; choose another one")
        return ()
    try:
        earlier = load_case(case)
        if [film.sha256 for film in earlier.films] == [film.sha256 for film in result.case.films]:
            return earlier.entries
    except CaseError:
        pass
    raise CaseError(f"{case} must not be written over: another case stands there; choose another folder")


def write_demo(result: CaseResult, folder: Path, *, at: str, program: str) -> list[Path]:
    """Everything a measured case can be handed on as, in one folder: case, films, report, pictures, table.

    The case holds the accepted paths and the length record, and its films lie beside it.

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
        (folder / films[film.film.id]).write_bytes(result.case.film_path(film.film).read_bytes())
    accepted = accept_paths(result)
    case = evolve(accepted, films=tuple(evolve(film, path=films[film.id]) for film in accepted.films), folder=folder)
    measured = evaluate(case, {film.film.id: film.radiograph for film in result.films})
    record = entries_from(measured, LengthRecord(standing), at=at, by="demo", program=program)
    written = [folder / "case.wl.json"]
    save_case(evolve(case, entries=record.entries), written[0])
    for name in ("report.html", "report.pdf"):
        (folder / name).write_bytes(report_file(measured, name, made_at=at.replace("T", " "), program=program))
        written.append(folder / name)
    texts = {Path(film.film.path).stem + ".svg": picture_svg(measured, film) for film in measured.films}
    texts["lengths.csv"] = lengths_csv(measured)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
        written.append(folder / name)
    return written
