"""Paths as files: every form reads back equal, other programs read the same values, and what is wrong is said in one line."""

from __future__ import annotations

import csv
import io
import json
import re
import tempfile
from pathlib import Path

import duckdb
import numpy as np
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wlmeasure.errors import ShareError
from wlmeasure.record.case import save_case
from wlmeasure.record.members import CONTROLS
from wlmeasure.share.columns import CANAL_COLUMNS
from wlmeasure.share.path_set import FEATURE_KINDS, Head, PathFeature, PathImage, PathScale
from wlmeasure.study.path_files import convert, find_inputs, open_paths
from wlmeasure.study.path_lines import Bad, write_lines
from wlmeasure.study.path_parquet import write_parquet
from wlmeasure.study.path_tables import write_table

FORMS = ("a.wlpaths.json", "a.wlpaths.jsonl", "a.parquet", "tables")
texts = st.text(
    st.characters(exclude_categories=("Cs",), exclude_characters=[chr(k) for k in (*range(32), *range(127, 160))]),
    min_size=1,
    max_size=12,
).filter(
    lambda text: (
        not any(c in "\u200e\u200f\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069" for c in text)
    )
)
coordinates = st.floats(-1e5, 1e5)
positive = st.floats(1e-3, 99.0)
some_text = st.none() | texts | st.sampled_from(["=1+1", "'=x", "+a", "@b", "-", "a,b", 'q"q', "1e5", " x "])


@st.composite
def path_sets(draw):
    """Any head and lines that the classes take."""
    ids = draw(st.lists(texts, min_size=1, max_size=3, unique=True))
    extra = st.dictionaries(
        st.sampled_from(["note", "score"]),
        st.integers(-(2**53), 2**53) | texts | st.lists(st.floats(-1, 1)),
        max_size=1,
    )
    images = [
        PathImage(id=name, file_name=draw(some_text), rows=draw(st.none() | st.integers(1, 10**6)), extra=draw(extra))
        for name in ids
    ]
    scales = [
        PathScale(
            id=name,
            image=draw(st.sampled_from(ids)),
            mm_per_px_row=draw(positive),
            mm_per_px_col=draw(positive),
            known_lengths_mm=draw(st.lists(positive, max_size=2)),
            extra=draw(extra),
        )
        for name in ids[:2]
    ]
    features = [
        PathFeature(
            path_px=draw(st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=5)),
            id=draw(some_text),
            kind=draw(st.sampled_from(FEATURE_KINDS)),
            image=draw(st.none() | st.sampled_from(ids)),
            calibration=draw(st.none() | st.sampled_from(ids[:2])),
            canal=draw(some_text),
            annotator=draw(some_text),
            reference_px=draw(st.none() | st.tuples(coordinates, coordinates)),
            length_mm=draw(st.none() | positive),
            radius_high_mm=draw(st.none() | st.floats(0, 1e300)),
            extra=draw(extra),
        )
        for _ in range(draw(st.integers(0, 3)))
    ]
    return Head(images=images, calibrations=scales), features


def read(path):
    paths = open_paths(path)
    return paths.head, list(paths.features())


@settings(max_examples=25, deadline=None)
@given(path_sets())
def test_import_export_import_is_identical(paths):
    """From the first form through all others and back: heads, lines and unknown members equal, to the last digit."""
    head, features = paths
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with (folder / FORMS[0]).open("wb") as file:
            write_lines(file, head, features, one_object=True)
        before = folder / FORMS[0]
        for form in (*FORMS[1:], "again.wlpaths.json"):
            written, bad = convert([before], folder / form)
            assert (written, bad) == (len(features), [])
            assert read(folder / form) == (head, features)
            before = folder / form
        assert before.read_bytes() == (folder / FORMS[0]).read_bytes()


def test_no_cell_of_a_table_is_a_formula(make_canals, tmp_path):
    """What a spreadsheet would run: a cell that begins with a sign and is no number."""
    head, _ = make_canals(1)
    evil = ["=cmd|' /C calc'!A0", "+1+1", "-1+2", "@SUM(A1)", "=1"]
    features = [
        PathFeature(path_px=[[1, 2], [3, 4]], id=text, canal=text, annotator=text, extra={"a": text}) for text in evil
    ]
    write_table(tmp_path, head, features)
    for path in tmp_path.glob("*.csv"):
        for row in csv.reader(io.StringIO(path.read_text("utf-8"))):
            for cell in row:
                if cell[:1] in ("=", "+", "-", "@"):
                    float(cell)
    assert read(tmp_path)[1] == features


def test_tables_explain_every_column(make_canals, tmp_path):
    write_table(tmp_path, *make_canals(3))
    said = {
        (row["table"], row["column"])
        for row in csv.DictReader(io.StringIO((tmp_path / "columns.csv").read_text("utf-8")))
    }
    for name in ("canals.csv", "vertices.csv", "images.csv", "calibrations.csv"):
        header = next(csv.reader(io.StringIO((tmp_path / name).read_text("utf-8"))))
        assert {(name, column) for column in header} == {pair for pair in said if pair[0] == name}


def test_other_programs_read_the_same_values(make_canals, tmp_path):
    """pyarrow and DuckDB, from Parquet and from the tables: columns, points and the meaning of each column."""
    head, features = make_canals(7)
    write_parquet(tmp_path / "a.parquet", head, features)
    (tmp_path / "t").mkdir()
    write_table(tmp_path / "t", head, features)
    table = pyarrow.parquet.read_table(tmp_path / "a.parquet")
    assert table.column("id").to_pylist() == [one.id for one in features]
    assert table.schema.field("length_mm").metadata[b"meaning"].decode() == CANAL_COLUMNS["length_mm"]
    found = duckdb.sql(f"select id, tooth, row_px, col_px, reference_row_px from '{tmp_path / 'a.parquet'}'").fetchall()
    points = duckdb.sql(
        f"select path, list(row_px order by vertex), list(col_px order by vertex) from '{tmp_path / 't' / 'vertices.csv'}' "
        "group by path order by path"
    ).fetchall()
    for one, (name, tooth, rows, cols, reference), (_, csv_rows, csv_cols) in zip(features, found, points, strict=True):
        assert (name, tooth) == (one.id, "46")
        assert reference == (None if one.reference_px is None else one.reference_px[0])
        assert np.column_stack([rows, cols]).tolist() == one.path_px.tolist()
        assert np.column_stack([csv_rows, csv_cols]).tolist() == one.path_px.tolist()


def test_keypoints_lie_equally_spaced_along_the_line(tmp_path):
    """An L of 3 and 1 px as five points: 1 px apart, counted from the corner of the first pixel."""
    features = [
        PathFeature(path_px=[[0, 0], [3, 0], [3, 1]], image="f1", canal="MB"),
        PathFeature(path_px=[[0, 0], [9, 0]], kind="known file", image="f1"),
    ]
    with (tmp_path / "a.wlpaths.json").open("wb") as file:
        write_lines(file, Head(images=[PathImage(id="f1", rows=20, cols=10)]), features, one_object=True)
    assert convert([tmp_path / "a.wlpaths.json"], tmp_path / "a.coco.json", keypoints=5)[0] == 1
    said = json.loads((tmp_path / "a.coco.json").read_text("utf-8"))
    (one,) = said["annotations"]
    assert one["keypoints"] == [0.5, 0.5, 2, 0.5, 1.5, 2, 0.5, 2.5, 2, 0.5, 3.5, 2, 1.5, 3.5, 2]
    assert (one["num_keypoints"], one["bbox"]) == (5, [0.5, 0.5, 1.0, 3.0])
    assert said["images"] == [{"id": one["image_id"], "file_name": "f1", "height": 20, "width": 10}]
    assert len(said["categories"][0]["keypoints"]) == 5


PLAIN = {
    "row and column": "id,row,col\na,1,2\na,3,4.5\nb,5,6\nb,7,8\n",
    "column and row": "id,x,y\na,2,1\na,4.5,3\nb,6,5\nb,8,7\n",
    "semicolons and decimal commas": "id;row;col\na;1;2\na;3;4,5\nb;5;6\nb;7;8\n",
    "a viewer's list of shapes": "index,shape-type,vertex-index,axis-0,axis-1\n"
    "a,path,0,1,2\na,path,1,3,4.5\nb,path,0,5,6\nb,path,1,7,8\n",
    "with a byte order mark and CRLF": "\ufeffid,row,col\r\na,1,2\r\na,3,4.5\r\nb,5,6\r\nb,7,8\r\n",
}


@pytest.mark.parametrize("form", PLAIN)
def test_plain_vertices(tmp_path, form):
    (tmp_path / "v.csv").write_text(PLAIN[form], encoding="utf-8", newline="")
    head, (a, b) = read(tmp_path / "v.csv")
    assert (a.id, b.id, head) == ("a", "b", Head())
    assert (a.path_px.tolist(), b.path_px.tolist()) == ([[1, 2], [3, 4.5]], [[5, 6], [7, 8]])


def test_plain_vertices_with_a_scale_and_in_millimetres(tmp_path):
    text = "image,canal,row,col,mm_per_px_row,mm_per_px_col\n"
    text += "f1,MB,0,0,0.02,0.03\nf1,MB,9,9,0.02,0.03\nf1,D,0,0,0.02,0.03\nf1,D,1,1,0.02,0.03\n"
    (tmp_path / "v.csv").write_text(text)
    head, features = read(tmp_path / "v.csv")
    assert [(one.image, one.canal) for one in features] == [("f1", "MB"), ("f1", "D")]
    assert {(head.scale(one).mm_per_px_row, head.scale(one).mm_per_px_col) for one in features} == {(0.02, 0.03)}
    (tmp_path / "m.csv").write_text("row_mm,col_mm\n0,0\n9,1\n")
    head, (one,) = read(tmp_path / "m.csv")
    assert head.scale(one).mm_per_px_row == 1.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("id,row,col\na,1,2\na,x,4\nb,1,1\nb,2,2\n", "points must be numbers"),
        ("id,row,col\na,1,2\nb,1,1\nb,2,2\n", "at least 2 points"),
        ("id,row,col\na,1,2\na,2,2\nb,1,1\nb,2,2\na,3,3\na,4,4\n", "must stand together"),
        ("id,vertex,row,col\na,1,1,2\na,0,2,2\nb,0,1,1\nb,1,2,2\n", "vertex must count up"),
        ("id,row,col,mm_per_px\na,1,2,0.02\na,2,2,0.03\nb,1,1,0.02\nb,2,2,0.02\n", "one scale along a path"),
    ],
)
def test_one_bad_path_of_a_list_is_named_and_the_rest_read(tmp_path, text, said):
    (tmp_path / "v.csv").write_text(text)
    found = read(tmp_path / "v.csv")[1]
    bad = [one for one in found if isinstance(one, Bad)]
    assert [one.id for one in bad] == ["a"]
    assert said in bad[0].reason
    assert "b" in [one.id for one in found if isinstance(one, PathFeature)]


def broken(path, change):
    path.write_bytes(change(path.read_bytes()))
    return path


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("a.wlpaths.json", lambda b: b[: len(b) // 2], "cut short"),
        ("a.wlpaths.json", lambda b: b.replace(b"wlmeasure-paths/1", b"wlmeasure-paths/9"), "schema must be"),
        ("a.wlpaths.json", lambda _: b"[" * 100_000, "must be JSON"),
        ("a.wlpaths.json", lambda _: b'{"a": NaN}', "must be JSON"),
        ("a.wlpaths.jsonl", lambda _: b"\x89PNG\r\n\x1a\n", "must be JSON"),
        ("a.parquet", lambda b: b[: len(b) // 2], "must be a Parquet file"),
        ("a.csv", lambda _: b"alpha,beta\n1,2\n", "must name its coordinates"),
        ("a.csv", lambda _: b"row,col\n" + b"1" * 100_000 + b",2\n", "lines of at most"),
    ],
)
def test_a_file_that_is_none_is_one_line(make_canals, tmp_path, name, change, said):
    head, features = make_canals(5)
    path = tmp_path / name
    if name.endswith(".parquet"):
        write_parquet(path, head, features)
    else:
        with path.open("wb") as file:
            write_lines(file, head, features, one_object=name.endswith("json"))
    broken(path, change)
    with pytest.raises(ShareError, match=said):
        convert([path], tmp_path / "out.wlpaths.json")
    assert not (tmp_path / "out.wlpaths.json").exists()


def test_a_line_that_is_longer_than_any_path_is_refused_unread(make_canals, tmp_path, monkeypatch):
    monkeypatch.setattr("wlmeasure.study.path_lines.LONGEST_LINE", 500)
    with (tmp_path / "a.wlpaths.jsonl").open("wb") as file:
        write_lines(file, *make_canals(2), one_object=False)
    with pytest.raises(ShareError, match="path 1 must be at most"):
        read(tmp_path / "a.wlpaths.jsonl")


def test_a_file_written_by_another_program_need_not_have_lines(make_canals, tmp_path):
    with (tmp_path / "a.wlpaths.json").open("wb") as file:
        write_lines(file, *make_canals(3), one_object=True)
    body = json.loads((tmp_path / "a.wlpaths.json").read_text("utf-8"))
    (tmp_path / "b.wlpaths.json").write_text(json.dumps(body, indent=2), encoding="utf-8")
    assert read(tmp_path / "b.wlpaths.json") == read(tmp_path / "a.wlpaths.json")


def test_tables_that_do_not_belong_together_are_named(make_canals, tmp_path):
    head, features = make_canals(3)
    write_table(tmp_path, head, features)
    lines = (tmp_path / "vertices.csv").read_text("utf-8").splitlines(keepends=True)
    del lines[5]
    (tmp_path / "vertices.csv").write_text("".join(lines), encoding="utf-8")
    found = list(open_paths(tmp_path).features())
    assert isinstance(found[0], Bad)
    assert "vertices of path 1" in found[0].reason


def test_many_inputs_become_one_and_their_ids_stay_apart(make_canals, tmp_path):
    """Two files call different images f1; the second input's are told apart, equal ones are one."""
    head, features = make_canals(4)
    other = Head(
        images=[PathImage(id="f1", rows=7)],
        calibrations=[PathScale(id="f1", image="f1", mm_per_px_row=0.1, mm_per_px_col=0.1)],
    )
    for name, (h, f) in {"a": (head, features), "b": (other, features[:1]), "c": (head, features[:1])}.items():
        with (tmp_path / f"{name}.wlpaths.json").open("wb") as file:
            write_lines(file, h, f, one_object=True)
    assert convert([tmp_path], tmp_path / "all.wlpaths.jsonl") == (6, [])
    joined, lines = read(tmp_path / "all.wlpaths.jsonl")
    assert [image.id for image in joined.images] == ["f1", "f2", "2:f1"]
    assert [joined.scale(one).mm_per_px_row for one in lines] == [0.02, 0.02, 0.02, 0.02, 0.1, 0.02]


def test_cases_are_inputs_too(measured, tmp_path):
    """A case's canal, measured on its film, with who drew it; without the film what is stored is taken."""
    result = measured["straight"]
    path = result.case.folder / "straight.wl.json"
    assert convert([path], tmp_path / "a.wlpaths.json")[1] == []
    canals = [one for one in read(tmp_path / "a.wlpaths.json")[1] if one.kind == "canal"]
    assert [one.length_mm for one in canals] == [result.canals[0].traces[0].length.length_mm]
    save_case(result.case, tmp_path / "b.wl.json")
    written, bad = convert([tmp_path / "b.wl.json"], tmp_path / "b.wlpaths.json", paths_only=True)
    assert [one for _, one in bad if "path_px" in one.reason or "stored path" in one.reason]
    assert written == 0


def test_inputs_are_found_once_in_an_order_of_their_own(make_canals, tmp_path):
    head, features = make_canals(1)
    (tmp_path / "in" / "deep").mkdir(parents=True)
    for name in ("in/b.wlpaths.json", "in/a.wlpaths.json", "in/deep/c.wlpaths.json"):
        with (tmp_path / name).open("wb") as file:
            write_lines(file, head, features, one_object=True)
    (tmp_path / "in" / "t.errors.csv").write_text("source\n")
    found = find_inputs([tmp_path / "in", tmp_path / "in" / "a.wlpaths.json"])
    assert [path.name for path in found] == ["a.wlpaths.json", "b.wlpaths.json", "c.wlpaths.json"]
    with pytest.raises(ShareError, match="there is none"):
        find_inputs([tmp_path / "none"])
    (tmp_path / "x.txt").write_text("x")
    with pytest.raises(ShareError, match="its name is not one's"):
        find_inputs([tmp_path / "x.txt"])


def test_the_control_characters_of_a_text_are_those_that_end_a_line():
    """Cells never hold a line end: what str.splitlines would split at is refused in a text."""
    for c in "\n\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029":
        assert re.search(CONTROLS, c)
