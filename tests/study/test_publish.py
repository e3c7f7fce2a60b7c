"""A study as a folder to publish: whole, private, by its standards, and computed again from the paths alone."""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import re
import shutil
import struct
import sys
import zlib
from pathlib import Path

import cv2
import jsonschema
import numpy as np
import pytest
import yaml
from attrs import evolve

from wlmeasure.cli import main
from wlmeasure.errors import CaseError, StudyError
from wlmeasure.record.case import Trace, load_case, save_case
from wlmeasure.study.batch import tabulate
from wlmeasure.study.folder import init_study, result_path, store_result, template
from wlmeasure.study.manifest import load_study
from wlmeasure.study.protocol import Protocol
from wlmeasure.study.publication import (
    Author,
    ColumnWords,
    GrrasAnswer,
    Publication,
    load_publication,
    typed_author,
)
from wlmeasure.study.publish import publish_study
from wlmeasure.study.publish_text import grras_rows
from wlmeasure.study.readings import load_readings
from wlmeasure.study.rows import Settings

HERE = Path(__file__).resolve().parent
AUTHORS = (
    Author(family="Meier", given="Anna", affiliation="Institute of Invented Data", orcid="0000-0002-1825-0097"),
    Author(family="The Readers"),
)
SAID = Publication(title="Agreement of two observers", authors=AUTHORS, licence="CC-BY-4.0", keywords=("root canal",))
MADE = {"created": "2026-12-01T10:00:00Z", "program": "wlmeasure test"}
DEFINITIONS = ("length_mm", "canal_mm", "coronal_mm", "schneider_deg", "pruett_radius_mm", "total_turning_deg")
BESIDE = ("README.md", "CITATION.cff", "datapackage.json", "SHA256SUMS")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Two observers, three films of unequal pixels named like patients, each read twice; one reading misses, one is broken."""
    spec = importlib.util.spec_from_file_location("simulated_for_publish", HERE / "simulated.py")
    simulated = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(simulated)
    folder = tmp_path_factory.mktemp("publish")
    rng = np.random.default_rng(7)
    cases, truth = [], {}
    for name, tooth in (("Kowalski_Jan_1961", "46"), ("Kowalski_Jan_1962", "34"), ("Nowak", "11")):
        film = folder / f"{name}.png"
        cv2.imwrite(str(film), rng.integers(60, 180, (560, 160), dtype=np.uint8))
        sha = simulated._save_case(film, ["MB", "D"] if tooth == "46" else ["single"], tooth, 0.05, 1.25)
        cases.append(film.with_suffix(".wl.json"))
        s = np.linspace(0.0, 1.0, 120)
        turn = np.clip((s - 0.5) * 1.6, 0.0, None)
        line = np.column_stack([60.0 + np.cumsum(np.cos(turn)) * 3.2, 40.0 + np.cumsum(np.sin(turn)) * 2.6])
        truth[sha] = {"MB": line, "D": line + np.array([0.0, 20.0]), "single": line}
    protocol = Protocol(
        definitions=DEFINITIONS, apical_end="radiographic apex", scale="given", least_clicks=3, reference=True
    )
    made = init_study(folder / "Kowalski study", cases, ["ANNA", "BEN"], protocol, repeats=2, seed=4).study
    for place, observer in enumerate(made.observers):
        for position, task in enumerate(observer.tasks, 1):
            if (observer.name, position) == ("BEN", 6):
                continue
            film = made.film(task.film)
            case = template(made, observer.name, task, result_path(made, observer.name, task))
            traced = []
            for canal in case.canals:
                path = simulated.moved_end(truth[film.sha256][canal.name], rng.normal(4.0 * place, 3.0), 0.0)
                path = path[[0, 30, 60, 80, 100, -1]] if position == 3 else path  # a few clicks are measured otherwise
                trace = Trace(
                    film="f1",
                    clicks_px=path[:: max(1, len(path) // 4)],
                    path_px=path,
                    apical_end="radiographic apex",
                    reference_px=(20.0, 36.0),
                )
                traced.append(evolve(canal, traces=(trace,)))
            store_result(made, observer.name, position, evolve(case, canals=tuple(traced)), at="2026-11-27T10:00:00")
    wrong = result_path(made, "BEN", made.observers[1].tasks[0])
    case = load_case(wrong)
    save_case(evolve(case, tooth="21"), wrong)
    return load_study(made.folder)


@pytest.fixture(scope="module")
def folder(study, tmp_path_factory):
    join = tmp_path_factory.mktemp("join") / "groups.csv"
    join.write_text("film,arm\nKowalski_Jan_1961.png,a\nKowalski_Jan_1962.png,b\nNowak.png,a\n", encoding="utf-8")
    out = tmp_path_factory.mktemp("out") / "package"
    said = evolve(SAID, columns=(ColumnWords(name="arm", definition="Arm of the trial."),))
    publish_study(study, out, said, join=join, films=True, **MADE)
    return out


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def test_every_reading_is_computed_again_from_the_paths_alone(folder, tmp_path):
    """A copy of the folder without its tables of readings and its films gives them again, whatever the definition."""
    alone = tmp_path / "alone"
    shutil.copytree(folder / "paths", alone / "paths")
    for name in ("protocol.json", "films.csv", "assignments.csv"):
        shutil.copyfile(folder / name, alone / name)
    published = load_readings(folder / "readings_long.csv")
    again = tmp_path / "again.csv"
    assert main(["study", "rebuild", str(alone), "--out", str(again)]) == 0
    rebuilt = load_readings(again)
    assert len(published.every) == 10 * len(DEFINITIONS) + 3 * len(DEFINITIONS)
    assert [evolve(one, value=0.0) for one in rebuilt.rows] == [evolve(one, value=0.0) for one in published.rows]
    for one, other in zip(rebuilt.rows, published.rows, strict=True):
        # Half a thousandth of a pixel of rounding, and what the fit of a bend makes of it.
        assert one.value == pytest.approx(
            other.value, abs=2e-4 if one.unit == "mm" and "radius" not in one.definition else 0.02
        )
    wide = {row["subject"]: row for row in rows(folder / "readings_wide.csv")}
    for one in published.rows:
        assert float(wide[one.subject][f"{one.definition}_{one.observer}_{one.repeat}"]) == one.value
    assert sum(
        1 for row in wide.values() for name, cell in row.items() if name not in ("subject", "cluster", "group") and cell
    ) == len(published.rows)


def test_lengths_are_computed_again_by_numpy(folder):
    """Steps of the path times the size of a pixel, and the straight piece from the reference point; traced paths."""
    points = np.genfromtxt(folder / "paths/vertices.csv", delimiter=",", names=True)
    scales = {
        row["id"]: (float(row["mm_per_px_row"]), float(row["mm_per_px_col"]))
        for row in rows(folder / "paths/calibrations.csv")
    }
    values = {
        (row["subject"], row["observer"], row["repeat"]): float(row["value"])
        for row in rows(folder / "readings_long.csv")
        if row["definition"] == "length_mm"
    }
    films = {row["film"]: row for row in rows(folder / "films.csv")}
    compared = 0
    for row in rows(folder / "paths/canals.csv"):
        own = points[points["path"] == float(row["path"])]
        if len(own) < 10:
            continue
        size = np.array(scales[row["calibration"]])
        assert size[1] / size[0] == pytest.approx(1.25, rel=0.01)
        line = np.column_stack([own["row_px"], own["col_px"]]) * size
        begin = np.array([float(row["reference_row_px"]), float(row["reference_col_px"])]) * size
        mm = np.hypot(*(line[0] - begin)) + np.hypot(*np.diff(line, axis=0).T).sum()
        subject = row["image"] if films[row["image"]]["canals"] == "single" else f"{row['image']} {row['canal']}"
        assert values[subject, row["annotator"], row["session"]] == pytest.approx(mm, abs=1e-4)
        compared += 1
    assert compared == 10


def test_batch_reads_the_paths(folder, tmp_path):
    made = tabulate([folder / "paths"], tmp_path / "t.csv", settings=Settings("numpy"))
    assert (made.rows, made.bad) == (13, 0)
    said = {(row["id"]): row for row in rows(folder / "paths/canals.csv")}
    for row in rows(tmp_path / "t.csv"):
        assert float(row["length_mm"]) == pytest.approx(float(said[row["id"]]["length_mm"]), abs=0.02)


# ---- standards -------------------------------------------------------------------------------------------------------

PATH = {"type": "string", "pattern": r"^(?=[^./~])(?!file:)((?!\/\.\.\/)(?!\\)(?!:\/\/).)*$|^https?:\/\/"}
LICENCE = {
    "anyOf": [{"required": ["name"]}, {"required": ["path"]}],
    "properties": {"name": {"pattern": "^([-a-zA-Z0-9._])+$"}},
}
FIELD = {
    "type": "object",
    "required": ["name", "type", "description"],
    "properties": {
        "name": {"type": "string"},
        "type": {"enum": ["string", "integer", "number"]},
        "constraints": {"type": "object"},
    },
}
KEYS = {"type": "array", "minItems": 1, "items": {"type": "string"}}
RESOURCE = {
    "type": "object",
    "required": ["name", "path"],
    "properties": {
        "name": {"type": "string", "pattern": "^([-a-z0-9._/])+$"},
        "path": PATH,
        "type": {"enum": ["table"]},
        "mediatype": {"pattern": "^(.+)/(.+)$"},
        "bytes": {"type": "integer"},
        "hash": {"pattern": "^([^:]+:[a-fA-F0-9]+|[a-fA-F0-9]{32}|)$"},
        "schema": {
            "type": "object",
            "required": ["fields"],
            "properties": {
                "fields": {"type": "array", "minItems": 1, "items": FIELD},
                "primaryKey": KEYS,
                "foreignKeys": {
                    "type": "array",
                    "minItems": 1,
                    "items": {
                        "required": ["fields", "reference"],
                        "properties": {"fields": KEYS, "reference": {"required": ["resource", "fields"]}},
                    },
                },
            },
        },
    },
}
PACKAGE = {
    "type": "object",
    "required": ["resources", "name", "licenses"],
    "properties": {
        "$schema": {"const": "https://datapackage.org/profiles/2.0/datapackage.json"},
        "name": {"type": "string", "pattern": "^([-a-z0-9._/])+$"},
        "created": {"pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"},
        "licenses": {"type": "array", "minItems": 1, "items": LICENCE},
        "contributors": {
            "type": "array",
            "minItems": 1,
            "items": {"minProperties": 1, "properties": {"roles": {"type": "array", "minItems": 1}, "path": PATH}},
        },
        "keywords": {"type": "array", "minItems": 1},
        "resources": {"type": "array", "minItems": 1, "items": RESOURCE},
    },
}
"""The rules of Data Package 2.0 that hold for what is written (datapackage.org/profiles/2.0/datapackage.json, dataresource.json
and tableschema.json), with the narrower pattern that its first version had for names."""


def test_the_descriptor_keeps_to_the_data_package_standard(folder):
    said = json.loads((folder / "datapackage.json").read_text("utf-8"))
    jsonschema.validate(said, PACKAGE)
    by_name = {one["name"]: one for one in said["resources"]}
    assert len(by_name) == len(said["resources"])
    tables = {}
    for one in said["resources"]:
        content = (folder / one["path"]).read_bytes()
        assert one["bytes"] == len(content)
        assert one["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
        if one.get("type") == "table":
            tables[one["name"]] = rows(folder / one["path"])
    for name, table in tables.items():
        schema = by_name[name]["schema"]
        names = [field["name"] for field in schema["fields"]]
        header = (folder / by_name[name]["path"]).read_text("utf-8").splitlines()[0].split(",")
        assert names == header
        for row in table:
            for field in schema["fields"]:
                cell = row[field["name"]]
                if field["type"] == "integer" and cell:
                    assert re.fullmatch(r"[+-]?\d+", cell), (name, field["name"], cell)
                if field["type"] == "number" and cell:
                    float(cell)
                if field.get("constraints", {}).get("required"):
                    assert cell, (name, field["name"])
        keys = [tuple(row[column] for column in schema["primaryKey"]) for row in table]
        assert len(set(keys)) == len(keys), name
        for foreign in schema.get("foreignKeys", ()):
            (mine,), (theirs,) = foreign["fields"], foreign["reference"]["fields"]
            there = {row[theirs] for row in tables[foreign["reference"]["resource"]]}
            assert {row[mine] for row in table} <= there
    listed = {one["path"] for one in said["resources"]}
    assert {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - listed == set(BESIDE)


def test_every_column_stands_in_the_codebook_with_a_definition_and_a_source(folder):
    book = {(row["table"], row["column"]): row for row in rows(folder / "codebook.csv")}
    for path in sorted(folder.rglob("*.csv")):
        for column in path.read_text("utf-8").splitlines()[0].split(","):
            row = book.pop((path.relative_to(folder).as_posix(), column))
            assert row["definition"]
            assert row["source"]
            if column.endswith(("_mm", "_deg", "_px")) and column != "known_lengths_mm":
                assert row["unit"] in ("mm", "degrees", "pixels")
    assert book == {}


def test_the_checksums_hold_and_the_citation_is_one(folder):
    lines = (folder / "SHA256SUMS").read_text("utf-8").splitlines()
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {line[66:] for line in lines} == files - {"SHA256SUMS"}
    for line in lines:
        assert hashlib.sha256((folder / line[66:]).read_bytes()).hexdigest() == line[:64]
    cited = yaml.safe_load((folder / "CITATION.cff").read_text("utf-8"))
    # Required by the Citation File Format 1.2.0.
    assert {"cff-version", "message", "title", "authors"} <= set(cited)
    assert cited["cff-version"] == "1.2.0"
    assert cited["type"] == "dataset"
    assert cited["authors"][0]["orcid"] == "https://orcid.org/0000-0002-1825-0097"
    assert cited["authors"][1] == {"name": "The Readers"}


# ---- words -----------------------------------------------------------------------------------------------------------


def test_the_paragraphs_say_what_the_data_say(folder, study):
    methods = (folder / "methods.md").read_text("utf-8")
    assert "3 films (teeth: 1 incisor, 1 molar, 1 premolar) with 4 canals were read 2 times by 2 observers" in methods
    assert study.protocol.words.rstrip(".") in methods
    found = (folder / "results.md").read_text("utf-8")
    assert "11 of 12 readings of films were made, and 10 count (missing: 1, tooth-changed altered: 1)" in found
    first = json.loads((folder / "agreement.json").read_text("utf-8"))["summaries"][0]
    bias = first["pairs"][0]["limits"]["bias"]
    assert f"R1 minus R2: bias {bias:.3f} mm" in found
    states = [row["state"] for row in rows(folder / "assignments.csv")]
    assert (states.count("counted"), states.count("missing"), states.count("tooth-changed altered")) == (10, 1, 1)


def test_what_the_guideline_asks_is_answered_or_said_not_to_be():
    said = evolve(SAID, grras=(GrrasAnswer(item=4, answer="Endodontists."),))
    found = {row[0]: row for row in grras_rows(said, agreed=True)}
    assert list(found) == list(range(1, 16))  # table 1 of the guideline has 15 items
    assert found[1][3:5] == ("answered", "title")
    assert found[4][3:] == ("answered", "", "Endodontists.")
    assert [item for item, row in found.items() if row[3] == "not answered"] == [3, 5, 7, 14]
    assert [item for item, row in found.items() if row[3] == "partly"] == [6, 8, 9, 12]
    plain = {row[0]: row[3] for row in grras_rows(evolve(SAID, title="Root canals"), agreed=False)}
    assert (plain[1], plain[13]) == ("not answered", "not answered")


# ---- what must stay out ----------------------------------------------------------------------------------------------


def test_no_file_names_a_patient_or_an_observer(folder, study):
    private = ["kowalski", "nowak", "1961", "anna,", "ben,", "key.json", str(study.folder.parent).lower(), "27t10:00"]
    for path in folder.rglob("*"):
        if path.is_file():
            content = path.name.encode() + path.read_bytes()
            for word in private:
                assert word.encode() not in content.lower(), (path.name, word)
    assert {row["observer"] for row in rows(folder / "assignments.csv")} == {"R1", "R2"}
    films = {row["film"]: row for row in rows(folder / "films.csv")}
    own = study.key()
    assert {own[name]: row["arm"] for name, row in films.items()} == {
        "Kowalski_Jan_1961.png": "a",
        "Kowalski_Jan_1962.png": "b",
        "Nowak.png": "a",
    }
    assert all(
        hashlib.sha256((folder / row["file"]).read_bytes()).hexdigest() == row["sha256"] for row in films.values()
    )


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"title": "Canals of Mr Nowak"}, "title must not hold .*'nowak'"),
        ({"description": "as KOWALSKI asked"}, "description"),
        ({"keywords": ("1961",)}, "1961"),
        ({"title": None, "authors": ()}, "title and author missing"),
        ({"licence": None}, r"licence missing.*--licence"),
    ],
)
def test_private_words_and_missing_ones_are_refused(study, tmp_path, changed, match):
    with pytest.raises(StudyError, match=match):
        publish_study(study, tmp_path / "out", evolve(SAID, **changed), **MADE)
    assert list(tmp_path.iterdir()) == []


def test_a_joined_table_with_a_name_and_a_film_with_more_than_a_picture_are_refused(study, tmp_path):
    join = tmp_path / "join.csv"
    join.write_text("film,note\nKowalski_Jan_1961.png,Jan\nKowalski_Jan_1962.png,b\nNowak.png,a\n", encoding="utf-8")
    with pytest.raises(StudyError, match="row 2, column note"):
        publish_study(study, tmp_path / "out", SAID, join=join, **MADE)
    join.write_text("film,arm\nNowak.png,a\n", encoding="utf-8")
    with pytest.raises(StudyError, match="a row for every film"):
        publish_study(study, tmp_path / "out", SAID, join=join, **MADE)
    film = study.films[0]
    content = (study.folder / film.path).read_bytes()
    body = b"Patient\0Somebody"
    chunk = struct.pack(">I", len(body)) + b"tEXt" + body + struct.pack(">I", zlib.crc32(b"tEXt" + body))
    named = content[:33] + chunk + content[33:]
    copy = tmp_path / "study"
    shutil.copytree(study.folder, copy)
    (copy / film.path).write_bytes(named)
    data = json.loads((copy / "study.json").read_text("utf-8"))
    next(one for one in data["films"] if one["id"] == film.id)["sha256"] = hashlib.sha256(named).hexdigest()
    (copy / "study.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(StudyError, match="picture alone"):
        publish_study(load_study(copy), tmp_path / "out", SAID, films=True, **MADE)
    assert not (tmp_path / "out").exists()
    with pytest.raises(StudyError, match="outside the study's folder"):
        publish_study(study, study.folder / "out", SAID, **MADE)


def test_a_folder_in_use_is_left_as_it_is(study, tmp_path):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match="new or empty"):
        publish_study(study, tmp_path, SAID, **MADE)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_authors_and_settings_are_read(tmp_path):
    assert typed_author("Meier, Anna; Institute of Invented Data; 0000-0002-1825-0097") == AUTHORS[0]
    assert typed_author("The Readers") == AUTHORS[1]
    with pytest.raises(StudyError, match="check character"):
        typed_author("Meier, Anna; 0000-0002-1825-0096")
    with pytest.raises(StudyError, match="typed as"):
        typed_author("Meier; one place; another")
    settings = tmp_path / "said.json"
    settings.write_text(json.dumps({"title": "T", "authors": [{"family": "Meier"}], "licence": "CC0-1.0"}), "utf-8")
    load_publication(settings).check()
    settings.write_text(json.dumps({"titel": "T"}), "utf-8")
    with pytest.raises(StudyError, match="titel"):
        load_publication(settings)
    with pytest.raises(CaseError, match="grras"):
        Publication(grras=(GrrasAnswer(item=4, answer="a"), GrrasAnswer(item=4, answer="b")))
