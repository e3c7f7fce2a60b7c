"""What a network proposes on a folder of films: one table whoever looked, whole after a kill, nothing of a person's lost."""

from __future__ import annotations

import csv
import json
import os
import signal
from pathlib import Path

import cv2
import numpy as np
import pytest
from attrs import evolve

from tests.detect.talking import talking_network
from tests.references.dicom_film import code, written
from tests.references.dicom_film import film as dicom_film
from tests.study.scripts import ROOT, ran_script
from wlmeasure.cli import main
from wlmeasure.detect.look import look
from wlmeasure.detect.network import load_network
from wlmeasure.errors import DetectError, ShareError
from wlmeasure.image.reading import read
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.study.propose import propose

FILMS = 4
TABLES = ("films.csv", "items.csv", "columns.csv")


def film(seed: int) -> bytes:
    """Uneven grey with bright strokes, so that the network of random weights has something to say."""
    ground = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=(150, 200)), (0, 0), 6)
    ground = (ground - ground.min()) / np.ptp(ground) * 20000.0
    for col in range(20, 200, 45):
        cv2.line(ground, (col, 20), (col + 3 * seed, 130), 50000.0, 3)
    return cv2.imencode(".png", ground.astype(np.uint16))[1].tobytes()


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def tables(out: Path) -> list[bytes]:
    return [(out / name).read_bytes() for name in TABLES]


@pytest.fixture(scope="module")
def weights(tmp_path_factory):
    return talking_network(tmp_path_factory.mktemp("weights"))


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    """Four films, one of them in a folder of its own."""
    folder = tmp_path_factory.mktemp("films")
    (folder / "more").mkdir()
    for k in range(FILMS):
        (folder / ("more" if k == 2 else ".") / f"film{k}.png").write_bytes(film(k))
    return folder


@pytest.fixture(scope="module")
def alone(films, weights, tmp_path_factory):
    """What one process makes of them."""
    out = tmp_path_factory.mktemp("alone") / "out"
    made = propose(films, out, tooth="46", weights=weights)
    assert (made.films, made.bad, made.resumed, made.without_case) == (FILMS, 0, 0, 0)
    assert made.items > FILMS
    return out


def test_a_case_file_holds_what_one_look_sees(films, weights, alone):
    network = load_network(weights)
    for row in rows(alone / "films.csv"):
        case = load_case(alone / row["case"])
        radiograph = read(case.film_path(case.films[0]), sha256=case.films[0].sha256)
        seen = look(radiograph, network=network)
        proposed = case.films[0].proposed
        assert case.tooth == "46"
        assert {item.model_sha256 for item in proposed} == {network.sha256}
        for kind, items in (("file", seen.files), ("canal", seen.canals)):
            ours = {item.label: item for item in proposed if item.kind == kind}
            assert set(ours) == {one.label for one in items}
            for one in items:
                assert np.allclose(ours[one.label].points_px, one.path_px, atol=0.001)
                assert ours[one.label].probability == one.probability
        ends = [item.points_px[0] for item in proposed if item.kind == "root end"]
        assert np.allclose(ends, [root.end_px for root in seen.roots], atol=0.001)
        assert not any(item.trusted for item in proposed)  # this network has no table of films of known truth
        assert int(row["canals"]) == len(seen.canals)


def test_the_table_of_items_is_what_the_case_files_hold(alone):
    found = rows(alone / "items.csv")
    held = [
        (row["film"], item)
        for row in rows(alone / "films.csv")
        for item in load_case(alone / row["case"]).films[0].proposed
    ]
    assert len(found) == len(held)
    for row, (name, item) in zip(found, held, strict=True):
        assert (row["film"], row["kind"], f"{row['kind']} {row['number']}") == (name, item.kind, item.label)
        assert float(row["row_px"]) == pytest.approx(item.points_px[0][0], abs=0.0051)
        assert float(row["col_px"]) == pytest.approx(item.points_px[0][1], abs=0.0051)
        assert float(row["probability"]) == pytest.approx(item.probability, abs=0.00051)
        assert row["likelihood"] == "likelihood not known"
        assert row["trusted"] == "no"
        assert "not fitted to films of known truth" in row["doubts"]
    assert {row["column"] for row in rows(alone / "columns.csv")} >= set(found[0])


def test_nothing_of_a_proposed_case_is_measured(alone):
    result = evaluate(load_case(alone / "cases" / "film0.png.wl.json"))
    assert result.canals == ()
    assert result.films[0].calibration is None
    assert result.films[0].file_traces == ()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file modes")
def test_names_of_films_are_for_the_owner_alone(alone):
    """A film is often named after its patient, and so are what is proposed on it."""
    assert alone.stat().st_mode & 0o077 == 0


def test_the_same_by_two_processes(films, weights, alone, tmp_path):
    propose(films, tmp_path / "out", tooth="46", weights=weights, workers=2)
    assert tables(tmp_path / "out") == tables(alone)


def test_the_same_by_a_cluster(films, weights, alone, tmp_path, monkeypatch):
    """A real scheduler with two worker processes, which stand in another folder than the one who asks."""
    distributed = pytest.importorskip("distributed")
    options = {"n_workers": 2, "threads_per_worker": 1, "host": "127.0.0.1", "dashboard_address": ":0"}
    with distributed.LocalCluster(processes=True, local_directory=str(tmp_path / "dask"), **options) as cluster:
        monkeypatch.chdir(weights.parent)
        propose(films, tmp_path / "out", tooth="46", weights=Path(weights.name), scheduler=cluster.scheduler_address)
    assert tables(tmp_path / "out") == tables(alone)


KILLED = """
import os, signal, sys
from pathlib import Path
from wlmeasure.study.propose import propose
left = [2]
def one_less(_):
    left[0] -= 1
    if not left[0]:
        os.kill(os.getpid(), signal.SIGKILL)
if __name__ == "__main__":
    propose(sys.argv[1], Path(sys.argv[2]), tooth="46", weights=Path(sys.argv[3]), on_done=one_less)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="there is no such signal here")
def test_a_run_that_was_killed_goes_on(films, weights, alone, tmp_path):
    """SIGKILL after the second of four films: they are not looked at again, and all is as if nothing had happened."""
    out = tmp_path / "beside" / "out"
    ended = ran_script(tmp_path, KILLED, films, out, weights)
    assert ended.returncode == -signal.SIGKILL
    assert not (out / "films.csv").exists()
    planned, done = [], []
    made = propose(films, out, tooth="46", weights=weights, on_plan=lambda *of: planned.append(of), on_done=done.append)
    assert (planned, done, made.resumed) == ([(FILMS, 2)], [1, 1], 2)
    assert tables(out) == tables(alone)
    assert propose(films, out, tooth="46", weights=weights).resumed == FILMS


def test_other_settings_look_again_and_a_changed_case_is_kept(films, weights, tmp_path):
    """Another tooth: a case file as it was proposed is written anew, one that a person has worked on is not."""
    out = tmp_path / "out"
    propose(films, out, tooth="46", weights=weights)
    mine = out / "cases" / "film0.png.wl.json"
    body = json.loads(mine.read_text("utf-8"))
    body["canals"] = [{"name": "MB", "reference_point": "cusp", "traces": []}]
    mine.write_text(json.dumps(body), "utf-8")
    before = mine.read_bytes()
    for _ in range(2):
        assert propose(films, out, tooth="36", weights=weights).bad == 0
        assert mine.read_bytes() == before
        found = {row["film"]: row for row in rows(out / "films.csv")}
        assert "was changed since" in found["film0.png"]["note"]
        assert not found["film1.png"]["note"]
        assert load_case(out / "cases" / "film1.png.wl.json").tooth == "36"


def test_roots_that_point_the_other_way_than_the_tooths_are_remarked(films, weights, tmp_path, monkeypatch):
    """A film lies upright or not, so neither the tooth nor the film is called wrong; sideways nothing is said."""
    from wlmeasure.study import propose as module

    seen = look(read(films / "film0.png"), network=load_network(weights))
    for side, tooth, usual in (("up", "46", "down"), ("down", "16", "up"), ("down", "46", ""), ("left", "46", "")):
        monkeypatch.setattr(module, "look", lambda *_, side=side, **__: evolve(seen, roots_point=side))
        out = tmp_path / f"{side}{tooth}"
        propose(films / "film0.png", out, tooth=tooth, weights=weights)
        (row,) = rows(out / "films.csv")
        assert (row["roots_point"], bool(row["note"])) == (side, bool(usual))
        if usual:
            assert f"the roots point {side} in the picture" in row["note"]
            assert f"The roots point {side} in the picture" in (out / row["picture"]).read_text("utf-8")
            assert f"point {usual} on an upright film: look whether the film lies upside down" in row["note"]
        assert load_case(out / row["case"]).tooth == tooth


def test_without_a_tooth_there_are_pictures_and_a_table_and_no_case(films, weights, alone, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["propose", str(films), "--out", str(out), "--weights", str(weights), "--picture", "png"]) == 0
    assert "4 without a case file, see note in" in capsys.readouterr().out
    assert not list(out.rglob("*.wl.json"))
    assert {row["note"] for row in rows(out / "films.csv")} == {
        "no case file: the film's header names no tooth; name it by --tooth"
    }
    assert (out / "items.csv").read_bytes() == (alone / "items.csv").read_bytes()
    for row in rows(out / "films.csv"):
        assert cv2.imread(str(out / row["picture"])).shape[0] > 1000


def test_the_header_names_the_tooth_and_is_not_overruled(tmp_path):
    """A DICOM film of tooth 46 (SNOMED CT 28480000): taken from the header, and no case is written for another tooth."""
    silent = ROOT / "tests" / "detect" / "tiny.onnx"  # the film is noise alone
    (tmp_path / "in").mkdir()
    header = dicom_film(PrimaryAnatomicStructureSequence=[code("28480000")])
    (tmp_path / "in" / "a.dcm").write_bytes(written(header))
    propose(tmp_path / "in", tmp_path / "out", weights=silent)
    (row,) = rows(tmp_path / "out" / "films.csv")
    assert (row["tooth"], row["tooth_from"]) == ("46", "header")
    made = propose(tmp_path / "in", tmp_path / "other", tooth="36", weights=silent)
    (row,) = rows(tmp_path / "other" / "films.csv")
    assert made.without_case == 1
    assert "names tooth 46, not 36" in row["note"]


def test_one_bad_film_does_not_stop_the_rest(films, weights, tmp_path, capsys):
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.png").write_bytes(film(0))
    (folder / "b.png").write_bytes(film(1)[:3000])
    (folder / "c.jpg").write_bytes(b"no picture")
    (folder / "notes.txt").write_text("no film")
    command = ["propose", str(folder), "--out", str(folder / "out"), "--tooth", "46", "--weights", str(weights)]
    for _ in range(2):  # what has failed is tried again; its own output is not taken for films
        assert main([*command, "--picture", "png"]) == 1
        said = capsys.readouterr()
        assert "2 films of 3 could not be looked at" in said.err
        assert len(said.err.splitlines()) == 1
        errors = {row["film"]: row["error"] for row in rows(folder / "out" / "films.csv")}
        assert set(errors) == {"a.png", "b.png", "c.jpg"}
        assert "truncated" in errors["b.png"]
        assert "must be a picture" in errors["c.jpg"]
        assert not errors["a.png"]
    (folder / "b.png").write_bytes(film(1))
    (folder / "c.jpg").unlink()
    assert main([*command, "--picture", "png", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["films"], said["failed"], said["resumed"]) == (2, 0, 1)


def test_a_film_too_far_down_is_not_called_no_picture(weights, tmp_path):
    """Folders are looked through 8 deep."""
    for levels in (8, 9):
        folder = tmp_path.joinpath("in", *[str(levels)] * levels)
        folder.mkdir(parents=True)
        (folder / "film.png").write_bytes(film(0))
    propose(tmp_path / "in", tmp_path / "out", weights=weights)
    errors = {row["film"][0]: row["error"] for row in rows(tmp_path / "out" / "films.csv")}
    assert errors == {"8": "", "9": "film must lie at most 8 folders down: name a folder further down"}


def test_one_film_alone(films, weights, alone, tmp_path):
    made = propose(films / "film1.png", tmp_path / "out", tooth="46", weights=weights)
    assert made.films == 1
    assert rows(tmp_path / "out" / "items.csv") == [
        row for row in rows(alone / "items.csv") if row["film"] == "film1.png"
    ]
    asked = propose(films / "film1.png", tmp_path / "out", tooth="46", weights=weights, perhaps=True)
    assert asked.resumed == 0  # what was done without what is less likely is not done with it


def test_what_cannot_be_is_refused_before_a_film_is_looked_at(films, weights, tmp_path):
    with pytest.raises(ShareError, match="must be another folder"):
        propose(films, films, weights=weights)
    with pytest.raises(ShareError, match="workers must be 1 to 1024"):
        propose(films, tmp_path / "out", workers=0, weights=weights)
    (tmp_path / "empty").mkdir()
    with pytest.raises(ShareError, match="must hold at least one film"):
        propose(tmp_path / "empty", tmp_path / "out", weights=weights)
    with pytest.raises(ShareError, match="picture must be svg or png"):
        propose(films, tmp_path / "out", picture="jpg", weights=weights)
    assert not (tmp_path / "out").exists()


def test_weights_of_the_same_name_are_read_again(films, weights, tmp_path, monkeypatch):
    """Other weights in another folder, then in the same one: a process that goes on takes no earlier ones for them."""
    silent = ROOT / "tests" / "detect" / "tiny.onnx"
    for k, own in enumerate((silent, weights, silent)):
        folder = tmp_path / ("a" if k == 0 else "b")
        folder.mkdir(exist_ok=True)
        for suffix in (".onnx", ".json"):
            (folder / f"w{suffix}").write_bytes(own.with_suffix(suffix).read_bytes())
        monkeypatch.chdir(folder)
        propose(films / "film1.png", tmp_path / "out", tooth="46", weights=Path("w.onnx"))
        (row,) = rows(tmp_path / "out" / "films.csv")
        assert row["model_sha256"] == load_network(own).sha256


def test_without_weights_one_sentence_says_what_to_do(films, tmp_path, capsys, monkeypatch):
    from wlmeasure.detect import network
    from wlmeasure.study import propose as module

    monkeypatch.setattr(network, "WEIGHTS", tmp_path / "none")
    network.shipped_network.cache_clear()
    module._network.cache_clear()
    assert main(["propose", str(films), "--out", str(tmp_path / "out")]) == 1
    error = capsys.readouterr().err
    assert len(error.splitlines()) == 1
    assert "can still be marked by hand; to have films looked at, install the package again or name --weights" in error
    assert not (tmp_path / "out").exists()


def test_without_the_module_that_runs_networks_the_run_stops(films, weights, tmp_path, monkeypatch):
    """No fault of the films: none of them is called bad."""
    from wlmeasure.study import propose as module

    monkeypatch.delattr(cv2, "dnn")
    module._network.cache_clear()
    with pytest.raises(DetectError, match="install opencv-python"):
        propose(films, tmp_path / "out", weights=weights)
    assert not (tmp_path / "out" / "films.csv").exists()
