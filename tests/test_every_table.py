"""Every table that any word of the program writes, with hostile names of films, canals, teeth, people and notes."""

from __future__ import annotations

import ast
import csv
import hashlib
import io
import json
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from wlmeasure.cli import main
from wlmeasure.learn.answers import Answer, answers_text, load_answers
from wlmeasure.learn.progress import Step, add_step
from wlmeasure.record.answers import accepted_canal
from wlmeasure.record.case import Canal, Case, Film, ProposedItem, case_from_json, save_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.deidentify import deidentify_files
from wlmeasure.share.dicom.codes import codes_csv
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale
from wlmeasure.share.tables import lengths_csv
from wlmeasure.study.data_package import Column, Table, codebook
from wlmeasure.study.path_files import open_paths
from wlmeasure.study.path_lines import write_lines
from wlmeasure.study.readings import Reading, readings_csv, readings_from_csv

ROOT = Path(__file__).resolve().parents[1]
HOSTILE = (
    "=cmd|' /C calc'!A0",
    " =1+1",
    "a;=2+2",
    "\uff1d3+3",
    "\u200b=4+4",
    "\ufeff@SUM(A1)",
    '"=5+5',
    "-6+6|@A1",
    "+7;\uff0b7",
    "\u3164\uff20A1",
    "'=9",
    "-10",
)
NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?(e[+-]?[0-9]+)?", re.IGNORECASE | re.ASCII)


def runs(cell: str) -> bool:
    """Whether a spreadsheet might take a cell for a formula: by its first sign that is seen, unless it is a plain number."""
    bare = cell.lstrip('"\u3164\u200b\ufeff' + "".join(chr(k) for k in range(33)) + "\u00a0")
    return unicodedata.normalize("NFKC", bare)[:1] in set("=+-@") and NUMBER.fullmatch(bare) is None


def paths(folder: Path, name: str = "paths.wlpaths.json") -> Path:
    head = Head(
        images=[PathImage(id=text, file_name=text) for text in HOSTILE],
        calibrations=[
            PathScale(id=f"{text}s", image=text, mm_per_px_row=0.02, mm_per_px_col=0.03, method=text)
            for text in HOSTILE
        ],
    )
    line = np.column_stack([np.linspace(100.0, 700.0, 40), 300.0 + np.linspace(0.0, 5.0, 40) ** 2])
    features = [
        PathFeature(
            path_px=line,
            id=text,
            image=text,
            calibration=f"{text}s",
            canal=text,
            case=text,
            annotator=text,
            session=text,
            method=text,
            canal_mm=12.0,
            extra={text: text},
        )
        for text in HOSTILE
    ]
    with (folder / name).open("wb") as file:
        write_lines(file, head, features, one_object=True)
    return folder / name


def lengths(folder: Path) -> None:
    film = folder / "film.png"
    picture = np.random.default_rng(7).integers(1000, 1100, (480, 300), dtype=np.uint16)
    film.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    scale = {"kind": "known_file", "points_px": [[20, 50], [420, 50]], "trace_kind": "path", "known_length_mm": 20.0}
    for k, text in enumerate(HOSTILE):
        body = {
            "schema": "wlmeasure-case/1",
            "tooth": "46",
            "case_id": text,
            "films": [
                {"id": text, "path": film.name, "sha256": hashlib.sha256(film.read_bytes()).hexdigest()}
                | {"rows": 480, "cols": 300, "scale": [scale | {"known_length_std_mm": 0.05}]}
            ],
            "canals": [
                {"name": text, "reference_point": text}
                | {"traces": [{"film": text, "path_px": [[20, 60], [460, 60]], "apical_end": "radiographic apex"}]}
            ],
        }
        result = evaluate(case_from_json(body, folder=folder))
        (folder / f"lengths{k}.csv").write_text(lengths_csv(result), "utf-8", newline="")


def batch(folder: Path) -> None:
    """Also what is refused: a file of a hostile name that is none, and a line that cannot be used."""
    paths(folder, "=1+1.wlpaths.json")
    (folder / "a;=2.wlpaths.json").write_text("{", "utf-8")
    (folder / "\uff1d3.wl.json").write_text('{"schema": "=1"}', "utf-8")
    out = folder / "out" / "t.csv"
    out.parent.mkdir()
    main(["batch", str(folder), "--out", str(out)])


def propose(folder: Path) -> None:
    """Films of hostile names; one cannot be looked at, and what is no picture at all says so."""
    (folder / "films").mkdir()
    film = cv2.imencode(".png", np.random.default_rng(7).integers(0, 60000, (60, 50), dtype=np.uint16))[1].tobytes()
    for k, text in enumerate(HOSTILE):
        name = text.replace("/", "")
        (folder / "films" / f"{name}.png").write_bytes(film if k % 3 else film[:200] if k else b"none")
    weights = str(ROOT / "tests" / "detect" / "tiny.onnx")
    assert main(["propose", str(folder / "films"), "--out", str(folder / "out"), "--weights", weights]) == 1
    rows = list(csv.DictReader(io.StringIO((folder / "out" / "films.csv").read_text("utf-8"), newline="")))
    assert len(rows) == len(HOSTILE)
    assert sum(bool(row["error"]) for row in rows) == 4


def convert(folder: Path) -> None:
    """Tables of paths read back with every hostile name as it was."""
    source = paths(folder)
    assert main(["convert", str(source), "--out", str(folder / "tables")]) == 0
    again, first = open_paths(folder / "tables"), open_paths(source)
    assert again.head == first.head
    assert list(again.features()) == list(first.features())


def scores(folder: Path) -> None:
    source = paths(folder)
    assert main(["study", "score", str(source), "--truth", str(source), "--out", str(folder / "score.csv")]) == 0


def observers(folder: Path) -> None:
    rows = [Reading(text, other, -1.5, 1, "length_mm", text, "mm") for text in HOSTILE for other in HOSTILE]
    (folder / "readings.csv").write_text(readings_csv(rows), "utf-8", newline="")
    read = readings_from_csv((folder / "readings.csv").read_text("utf-8")).rows
    assert [(row.subject, row.observer) for row in read] == [(r.subject.strip(), r.observer.strip()) for r in rows]


def answers(folder: Path) -> None:
    """A path that begins above the film has a negative row, behind a semicolon."""
    mine = {text: Answer(text, 20.0, (19.0, 21.0), [(-1.0, 2.0), (-0.5, 3.0), (9.0, 4.0)]) for text in HOSTILE}
    (folder / "answers.csv").write_text(answers_text(mine, [*HOSTILE, "=none"], shifted=True), "utf-8", newline="")
    read = load_answers(folder / "answers.csv")
    assert [(one.film, one.path_px) for one in read] == [(t.strip(), mine[t].path_px) for t in HOSTILE]


def progress(folder: Path) -> None:
    """Written again with every marking; the names do not grow."""
    for text in HOSTILE:
        steps = add_step(folder / "progress.csv", Step(text, text, 1, -0.5, 0.5, 1, 1, score_mm=-0.25))
    assert [(one.at, one.exercise, one.mean_mm) for one in steps] == [(text, text, -0.5) for text in HOSTILE]


def removed(folder: Path) -> None:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.88.33", "1.2.3"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    given = []
    for k, text in enumerate(HOSTILE):
        dataset = FileDataset("x.dcm", Dataset(), file_meta=meta, preamble=b"\0" * 128)
        dataset.SOPClassUID, dataset.SOPInstanceUID = meta.MediaStorageSOPClassUID, f"1.2.3.{k}"
        dataset.SpecificCharacterSet = "ISO_IR 192"
        dataset.PatientName, dataset.PatientComments = "A^B", text
        dataset.private_block(0x0099, text.strip()[:20], create=True).add_new(0x01, "LO", text)
        given.append(folder / f"=1+{k}.dcm")
        dataset.save_as(given[-1], enforce_file_format=True)
    deidentify_files(given, folder / "clean", no_text_in_pixels=True)


def codes(folder: Path) -> None:
    (folder / "codes.csv").write_text(codes_csv(), "utf-8", newline="")


# Module that asks for a table to be written: what makes it write one.
def package(folder: Path) -> None:
    """A table of a published study, with its codebook."""
    columns = tuple(Column(f"{text} {k}", text, text) for k, text in enumerate(HOSTILE))
    table = Table("films.csv", HOSTILE[0], columns, [HOSTILE, HOSTILE[::-1]])
    for one in (table, codebook([table])):
        one.write(folder)


def corrections(folder: Path) -> None:
    """A file name begins with what a sheet would compute; film, item, canal and person are hostile in turn."""
    films, canals = [], []
    for text in HOSTILE[:10]:  # the canals that a case may have
        points = tuple((10.0 + 10.0 * k, 50.0) for k in range(5))
        item = ProposedItem(
            kind="canal",
            label=text,
            points_px=points,
            probability=0.9,
            trusted=True,
            model="look",
            model_sha256="ab" * 32,
            tooth_number=1,
        )
        films.append(Film(id=text, path="film.png", sha256="0" * 64, rows=100, cols=100, proposed=(item,)))
        canals.append(
            Canal(
                name=text,
                traces=(accepted_canal(item, None, text, "radiographic apex", at="2026-12-01T10:00:00", by=text),),
            )
        )
    save_case(Case(tooth="46", films=tuple(films), canals=tuple(canals)), folder / "=1.wl.json")
    assert main(["corrections", str(folder / "=1.wl.json"), "--out", str(folder / "t.csv")]) == 0


WRITERS: dict[str, Callable[[Path], None]] = {
    "cli_corrections.py": corrections,
    "share/tables.py": lengths,
    "share/deidentify/batch.py": removed,
    "share/dicom/codes.py": codes,
    "study/batch.py": batch,
    "study/data_package.py": package,
    "study/propose.py": propose,
    "study/path_tables.py": convert,
    "study/score.py": scores,
    "study/readings.py": observers,
    "learn/answers.py": answers,
    "learn/progress.py": progress,
}


@pytest.mark.parametrize("module", WRITERS)
def test_no_cell_of_any_table_runs(module: str, tmp_path: Path) -> None:
    WRITERS[module](tmp_path)
    tables = list(tmp_path.rglob("*.csv"))
    assert tables
    bad = [
        (table.name, separator, cell)
        for table in tables
        for separator in ",;\t|"
        for row in csv.reader(io.StringIO(table.read_text("utf-8"), newline=""), delimiter=separator)
        for cell in row
        if runs(cell)
    ]
    assert bad == []


def test_no_writer_of_tables_is_forgotten() -> None:
    """Who imports the two functions that write one; a new writer is added to the walk above."""
    found = set()
    for path in (ROOT / "wlmeasure").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").endswith("share.cells"):
                names = {one.name for one in node.names}
                if names & {"table_text", "write_rows"}:
                    found.add(path.relative_to(ROOT / "wlmeasure").as_posix())
    assert found == set(WRITERS)


def test_the_hostile_names_reach_the_tables(tmp_path: Path) -> None:
    """Else the walk would prove nothing: all of them stand in the table of `batch`, guarded, and in its list of errors."""
    batch(tmp_path)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "t.csv").read_text("utf-8"), newline="")))
    assert [row["canal"].replace("'", "") for row in rows] == [text.replace("'", "") for text in HOSTILE]
    errors = (tmp_path / "out" / "t.errors.csv").read_text("utf-8")
    assert "a;'=2.wlpaths.json" in errors
    assert json.dumps("'\uff1d3.wl.json", ensure_ascii=False)[1:-1] in errors
