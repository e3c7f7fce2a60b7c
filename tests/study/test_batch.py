"""The table of many canals: the same whoever computes it, whole after a kill, and without the few that cannot be used."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import shutil
import signal
import struct
from pathlib import Path

import duckdb
import pytest

from tests.study.scripts import ROOT, ran, ran_script
from wlmeasure.cli import main
from wlmeasure.errors import ShareError
from wlmeasure.record.case import save_case
from wlmeasure.record.evaluate import accept_paths
from wlmeasure.share.result import result_json
from wlmeasure.study.batch import engine_here, tabulate
from wlmeasure.study.path_lines import write_lines
from wlmeasure.study.path_parquet import write_parquet
from wlmeasure.study.path_tables import write_table
from wlmeasure.study.rows import ROW_COLUMNS, Settings

CANALS, CHUNK = 40, 7


@pytest.fixture(scope="module")
def lines(make_canals, tmp_path_factory):
    """40 canals in one path file."""
    path = tmp_path_factory.mktemp("lines") / "a.wlpaths.jsonl"
    with path.open("wb") as file:
        write_lines(file, *make_canals(CANALS), one_object=False)
    return path


@pytest.fixture(scope="module")
def table(lines, tmp_path_factory):
    """Their table, by one process."""
    out = tmp_path_factory.mktemp("table") / "t.csv"
    assert tabulate([lines], out, chunk=CHUNK).rows == CANALS
    return out.read_bytes()


def rows(path):
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def test_the_same_by_two_processes(lines, table, tmp_path):
    made = tabulate([lines], tmp_path / "t.csv", workers=2, chunk=CHUNK)
    assert (made.rows, made.bad, made.chunks) == (CANALS, 0, 6)
    assert (tmp_path / "t.csv").read_bytes() == table
    assert {path.name for path in tmp_path.iterdir()} == {"t.csv", "t.errors.csv", "t.columns.csv"}


def test_the_same_by_a_cluster(lines, table, tmp_path, monkeypatch):
    """A real scheduler with two worker processes on this computer, which stand in another folder than the one who asks."""
    distributed = pytest.importorskip("distributed")
    options = {"n_workers": 2, "threads_per_worker": 1, "host": "127.0.0.1", "dashboard_address": ":0"}
    with distributed.LocalCluster(processes=True, local_directory=str(tmp_path / "dask"), **options) as cluster:
        made = tabulate([lines], tmp_path / "t.csv", scheduler=cluster.scheduler_address, chunk=CHUNK)
        monkeypatch.chdir(lines.parent)
        near = tabulate([lines.name], tmp_path / "u.csv", scheduler=cluster.scheduler_address, chunk=CHUNK)
    assert (near.rows, near.bad) == (CANALS, 0)
    assert made.rows == CANALS
    assert (tmp_path / "t.csv").read_bytes() == table


def test_the_same_from_every_form(lines, table, make_canals, tmp_path):
    """Parquet, tables and one JSON object: the same rows but for the file's name."""
    head, features = make_canals(CANALS)
    write_parquet(tmp_path / "a.parquet", head, features)
    (tmp_path / "tables").mkdir()
    write_table(tmp_path / "tables", head, features)
    with (tmp_path / "a.wlpaths.json").open("wb") as file:
        write_lines(file, head, features, one_object=True)
    for name, chunk in (("a.parquet", 100), ("tables", CANALS), ("a.wlpaths.json", CANALS)):
        tabulate([tmp_path / name], tmp_path / "t.csv", chunk=chunk)
        for ours, other in zip(rows(tmp_path / "t.csv"), csv.DictReader(table.decode().splitlines()), strict=True):
            for column in set(ROW_COLUMNS) - {"source"}:
                if column in ("id", "form", "place", "points", "image"):
                    assert ours[column] == other[column]
                elif ours[column] != other[column]:  # other neighbours in the chunk may round the last digit otherwise
                    assert float(ours[column]) == pytest.approx(float(other[column]), rel=1e-4, abs=1e-5), column
    assert tabulate([tmp_path / "tables"], tmp_path / "u.csv", chunk=7).rows == CANALS
    places = [int(row["place"]) for row in rows(tmp_path / "u.csv")]
    assert places == list(range(1, CANALS + 1))


def test_parquet_holds_what_csv_holds(lines, table, tmp_path):
    tabulate([lines], tmp_path / "t.parquet", chunk=CHUNK)
    assert len(list((tmp_path / "t.parquet").iterdir())) == 6
    found = duckdb.sql(f"select * from '{tmp_path}/t.parquet/*.parquet' order by place").fetchall()
    for values, row in zip(found, csv.DictReader(table.decode().splitlines()), strict=True):
        for value, (name, cell) in zip(values, row.items(), strict=True):
            assert ("" if value is None else value) == (type(value)(cell) if value is not None else cell), name
    with pytest.raises(ShareError, match="new or empty folder"):
        tabulate([lines], tmp_path / "t.parquet")


KILLED = """
import os, signal, sys
from pathlib import Path
from wlmeasure.study.batch import engine_here, tabulate
left = [3]
def one_less(_):
    left[0] -= 1
    if not left[0]:
        os.kill(os.getpid(), signal.SIGKILL)
if __name__ == "__main__":
    tabulate([sys.argv[1]], Path(sys.argv[2]), chunk=int(sys.argv[3]), workers=int(sys.argv[4]), on_done=one_less)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="there is no such signal here")
@pytest.mark.parametrize("workers", [1, 2])
def test_a_run_that_was_killed_goes_on(lines, table, tmp_path, workers):
    """SIGKILL after the third of six chunks: nothing is lost, nothing is done twice, and the table is the same."""
    out = tmp_path / "t.csv"
    ended = ran_script(tmp_path, KILLED, lines, out, CHUNK, workers)
    assert ended.returncode == -signal.SIGKILL
    assert not out.exists()
    done = []
    made = tabulate([lines], out, chunk=CHUNK, on_done=done.append)
    assert (made.rows, made.chunks, made.resumed, len(done)) == (CANALS, 6, 3, 3)
    assert out.read_bytes() == table


def test_other_settings_take_nothing_over(lines, tmp_path):
    """A chunk that was computed otherwise is computed again: here with errors that go together."""

    class StopError(Exception):
        pass

    def stop(_):
        raise StopError

    with pytest.raises(StopError):
        tabulate([lines], tmp_path / "t.csv", chunk=CHUNK, on_done=stop)
    made = tabulate([lines], tmp_path / "t.csv", chunk=CHUNK, settings=Settings("numpy", 1.0))
    assert made.resumed == 0
    assert made.rows == CANALS


def test_numpy_and_numba_agree(lines, table, tmp_path):
    pytest.importorskip("numba")
    tabulate([lines], tmp_path / "t.csv", chunk=CHUNK, settings=Settings("numpy"))
    for ours, other in zip(rows(tmp_path / "t.csv"), csv.DictReader(table.decode().splitlines()), strict=True):
        for name in ROW_COLUMNS:
            if name in ("source", "id", "image", "tooth", "canal", "annotator", "form", "model") or not other[name]:
                assert ours[name] == other[name]
            else:
                assert float(ours[name]) == pytest.approx(float(other[name]), rel=1e-3, abs=1e-3), name


@pytest.fixture(scope="module")
def many(bench_case, tmp_path_factory):
    """300 case files with stored paths, three of them broken in three ways."""
    folder = tmp_path_factory.mktemp("cases")
    text = json.dumps(bench_case)
    for k in range(300):
        body = text
        if k == 17:
            body = text[:100]
        elif k == 150:
            body = text.replace('"46"', '"99"')
        elif k == 299:
            body = text.replace("[[20.0, 60.0]", '[["x", 60.0]')
        (folder / f"{k:04d}.wl.json").write_text(body, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def bench_case():
    path = [[20 + 7.5 * k, 60 + 0.0005 * k**3] for k in range(60)]
    return {
        "schema": "wlmeasure-case/1",
        "tooth": "46",
        "films": [
            {
                "id": "f1",
                "path": "film.png",
                "sha256": "0" * 64,
                "rows": 480,
                "cols": 300,
                "scale": [
                    {
                        "kind": "known_file",
                        "points_px": [[20, 50], [420, 50]],
                        "trace_kind": "path",
                        "known_length_mm": 20.0,
                    }
                ],
            }
        ],
        "canals": [
            {
                "name": "MB",
                "reference_point": "cusp",
                "traces": [{"film": "f1", "path_px": path, "apical_end": "radiographic apex"}],
            }
        ],
    }


def test_three_bad_cases_of_many_are_listed_and_the_rest_done(many, tmp_path):
    """By their stored paths, whose films are not there; a pixel is 0.05 mm."""
    engine = Settings(engine_here(), paths_only=True)
    made = tabulate([many], tmp_path / "t.csv", settings=engine)
    assert (made.rows, made.bad) == (297, 3)
    errors = rows(tmp_path / "t.errors.csv")
    assert [Path(row["source"]).name for row in errors] == ["0017.wl.json", "0150.wl.json", "0299.wl.json"]
    assert all(row["reason"] for row in errors)
    sources = [Path(row["source"]).name for row in rows(tmp_path / "t.csv")]
    assert sources == [f"{k:04d}.wl.json" for k in range(300) if k not in (17, 150, 299)]
    assert {row["mm_per_px_row"] for row in rows(tmp_path / "t.csv")} == {"0.05"}


def test_cases_are_carried_through_every_step(measured, tmp_path):
    """A case's row is what `measure` says of it."""
    shutil.copytree(ROOT / "sample_images", tmp_path / "in")
    cases = [tmp_path / "in" / "cases" / f"{name}.wl.json" for name in ("straight", "two_films")]
    for path in cases:
        save_case(accept_paths(measured[path.name.split(".")[0]]), path)
    tabulate(cases, tmp_path / "t.csv")
    found = rows(tmp_path / "t.csv")
    said = [canal for name in ("straight", "two_films") for canal in result_json(measured[name])["canals"]]
    assert len(found) == len(said) == 3
    for row, canal in zip(found, said, strict=True):
        assert float(row["length_mm"]) == pytest.approx(canal["length_mm"], abs=1e-3)
        assert float(row["length_std_mm"]) == pytest.approx(canal["length_std_mm"], abs=1e-3)
        assert float(row["schneider_deg"]) == pytest.approx(canal["curvature"]["schneider_deg"], abs=0.05)
        assert row["form"] == canal["curvature"]["form"]
        working = canal["working_length"]
        assert row["status"] == ("" if working is None else working["status"])
        if working is not None:
            assert float(row["working_length_mm"]) == pytest.approx(working["length_mm"], abs=1e-6)
            assert row["flags"].split() == [flag["code"] for flag in canal["flags"]]


def test_one_bad_path_is_named_with_its_place(lines, tmp_path):
    """A line that is no JSON, a scale that there is not, a path that ends where it begins, one of 300 mm."""
    text = lines.read_text("utf-8").splitlines()
    body = json.loads(text[3])
    text[2] = text[2][:50]
    text[3] = json.dumps(body | {"properties": body["properties"] | {"calibration": "none"}})
    first = body["geometry"]["coordinates"]
    text[4] = json.dumps(body | {"id": "ring", "geometry": {"type": "LineString", "coordinates": [*first, first[0]]}})
    text[5] = json.dumps(
        body | {"id": "long", "geometry": {"type": "LineString", "coordinates": [[0, k * 400] for k in range(40)]}}
    )
    (tmp_path / "b.wlpaths.jsonl").write_text("\n".join(text) + "\n", encoding="utf-8")
    made = tabulate([tmp_path / "b.wlpaths.jsonl"], tmp_path / "t.csv")
    assert (made.rows, made.bad) == (CANALS - 4, 4)
    errors = rows(tmp_path / "t.errors.csv")
    assert [(row["place"], row["id"]) for row in errors] == [("2", ""), ("3", "c2"), ("4", "ring"), ("5", "long")]
    for row, said in zip(errors, ("must be JSON", "calibration must be", "two ends", "up to 100 mm"), strict=True):
        assert said in row["reason"]
    assert [row["id"] for row in rows(tmp_path / "t.csv")][:3] == ["c0", "c5", "c6"]


def test_a_file_that_cannot_be_used_at_all_is_one_error(lines, tmp_path):
    (tmp_path / "in").mkdir()
    shutil.copy(lines, tmp_path / "in" / "b.wlpaths.jsonl")
    (tmp_path / "in" / "a.parquet").write_bytes(b"PAR1 and no more")
    (tmp_path / "in" / "c.csv").write_text("alpha,beta\n1,2\n")
    made = tabulate([tmp_path / "in"], tmp_path / "t.csv")
    assert (made.rows, made.bad) == (CANALS, 2)
    assert [Path(row["source"]).name for row in rows(tmp_path / "t.errors.csv")] == ["a.parquet", "c.csv"]


def test_without_a_scale_there_are_angles_and_no_millimetres(tmp_path, make_canals):
    head, features = make_canals(1)
    text = "row,col\n" + "".join(f"{row * 1.0},{col * 1.5}\n" for row, col in features[0].path_px.tolist())
    (tmp_path / "v.csv").write_text(text)
    with (tmp_path / "v.wlpaths.json").open("wb") as file:
        write_lines(file, head, features, one_object=True)
    tabulate([tmp_path / "v.csv", tmp_path / "v.wlpaths.json"], tmp_path / "t.csv")
    bare, scaled = rows(tmp_path / "t.csv")
    assert float(bare["weine_deg"]) == pytest.approx(float(scaled["weine_deg"]), rel=0.05)
    assert all(not bare[name] for name in ROW_COLUMNS if name.endswith("_mm") or name.startswith("mm_per"))


def test_texts_that_a_spreadsheet_would_run_are_defused(tmp_path, make_canals):
    head, features = make_canals(1)
    body = '=HYPERLINK("x")'
    with (tmp_path / "v.wlpaths.jsonl").open("wb") as file:
        write_lines(file, head, features, one_object=False)
    text = (tmp_path / "v.wlpaths.jsonl").read_text("utf-8").replace('"MB"', json.dumps(body))
    (tmp_path / "v.wlpaths.jsonl").write_text(text, encoding="utf-8")
    tabulate([tmp_path / "v.wlpaths.jsonl"], tmp_path / "t.csv")
    assert rows(tmp_path / "t.csv")[0]["canal"] == "'" + body


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--workers", "0"], "workers must be 1 to 1024"),
        (["--chunk", "0"], "chunk must be 1"),
        (["--correlated-mm", "-1"], "--correlated-mm must be 0 to 100"),
        (["--workers", "2", "--scheduler", "tcp://127.0.0.1:1"], "--workers must be left out"),
    ],
)
def test_the_word_refuses_in_one_line(lines, tmp_path, capsys, options, said):
    assert main(["batch", str(lines), "--out", str(tmp_path / "t.csv"), *options]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 1


def test_a_hostile_name_of_a_table_is_shown_and_not_obeyed(lines, tmp_path, capsys):
    """U+009B begins a command of a terminal, and JSON alone does not escape it."""
    out = str(tmp_path / "t\x9b2J\u202e.csv")
    assert main(["batch", str(lines), "--out", out, "--json"]) == 0
    said = capsys.readouterr().out
    assert said[:-1].isprintable()
    assert json.loads(said)["out"] == out


def test_the_words(lines, tmp_path, capsys):
    """batch, convert, batch again of what convert wrote; what is printed says how many and with what."""
    out = str(tmp_path / "t.csv")
    assert main(["batch", str(lines), "--out", out, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["rows"], said["left_out"]) == (CANALS, 0)
    assert said["engine"] in ("numba", "numpy")
    assert main(["convert", str(lines), "--out", str(tmp_path / "p.parquet")]) == 0
    assert "40 lines" in capsys.readouterr().out
    assert main(["batch", str(tmp_path / "p.parquet"), "--out", str(tmp_path / "u.csv")]) == 0
    assert "40 canals, computed with" in capsys.readouterr().out
    assert main(["batch", str(lines), "--out", str(tmp_path / "t.txt")]) == 1
    assert "--out must end in .csv" in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="there is no pseudo-terminal here")
def test_on_a_terminal_a_bar_shows_rate_and_time_left(lines, tmp_path):
    pytest.importorskip("tqdm")
    import fcntl
    import pty
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 100, 0, 0))
    ended = ran("-m", "wlmeasure.cli", "batch", lines, "--out", tmp_path / "t.csv", "--chunk", 7, stderr=theirs)
    os.close(theirs)
    shown = ""
    with contextlib.suppress(OSError):  # the other side is closed: the end
        while piece := os.read(ours, 65536):
            shown += piece.decode()
    os.close(ours)
    assert ended.returncode == 0
    assert f"{CANALS}/{CANALS}" in shown
    assert "canals/s" in shown
    assert "<" in shown  # time gone < time left


def test_a_file_that_is_no_path_file_any_more_is_an_error_and_not_a_crash(lines, tmp_path):
    """Random bytes in the middle of a file: the lines before and after are used."""
    content = bytearray(lines.read_bytes())
    begin = content.index(b"\n", len(content) // 2)
    content[begin + 10 : begin + 200] = bytes(range(14, 204))
    (tmp_path / "b.wlpaths.jsonl").write_bytes(content)
    made = tabulate([tmp_path / "b.wlpaths.jsonl"], tmp_path / "t.csv", chunk=CHUNK)
    assert made.rows >= CANALS - 5
    assert made.rows + made.bad >= CANALS


def test_a_scheduler_that_is_not_there_is_one_line(lines, tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("wlmeasure.study.spread.SCHEDULER_S", 0.5)
    with pytest.raises(ShareError, match="must be the address of a Dask scheduler that runs"):
        tabulate([lines], tmp_path / "t.csv", scheduler="tcp://127.0.0.1:1")
