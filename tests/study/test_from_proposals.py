"""Observers who begin from what a network proposed: never called agreement, whichever way the readings travel."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.study.test_folder import simulated
from wlmeasure.cli import main
from wlmeasure.errors import StudyError
from wlmeasure.record.answers import accepted_canal, clicks_of
from wlmeasure.record.case import ProposedItem, Trace, load_case, save_case
from wlmeasure.study.anchored import anchored
from wlmeasure.study.folder import result_path, results, store_result, template
from wlmeasure.study.manifest import load_study
from wlmeasure.study.readings import Reading, Readings, load_readings
from wlmeasure.study.summary import summaries

AT = "2026-12-01T10:00:00"
MODEL, SHA = "made", "ab" * 32
ROW_MM, RATIO = 0.05, 1.25
BOW = np.linspace(0.0, 1.0, 60)


def proposed(k: int) -> tuple[ProposedItem, ...]:
    """A canal that bows to one side, its end, a file and an orifice."""
    line = np.round(np.column_stack([60.0 + 380.0 * BOW, 60.0 + 4.0 * k + 12.0 * np.sin(np.pi * BOW)]), 3)
    known = {"probability": 0.95, "trusted": True, "model": MODEL, "model_sha256": SHA}
    return (
        ProposedItem(kind="canal", label="canal 1", points_px=line, of="root end 1", tooth_number=1, **known),
        ProposedItem(kind="root end", label="root end 1", points_px=line[-1:], tooth_number=1, **known),
        ProposedItem(kind="file", label="file 1", points_px=line[:40], of="canal 1", **known),
        ProposedItem(kind="orifice", label="orifice 1", points_px=line[:1], tooth_number=1, **known),
    )


def cases(folder: Path, count: int = 3) -> list[str]:
    """Case files as `propose` writes them, to which somebody has added a scale."""
    rng = np.random.default_rng(5)
    out = []
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(count):
        film = folder / f"patient{k}.png"
        cv2.imwrite(str(film), rng.integers(60, 180, (520, 160), dtype=np.uint8))
        simulated._save_case(film, ["single"], "11", ROW_MM, RATIO)
        path = film.with_suffix(".wl.json")
        case = load_case(path)
        save_case(evolve(case, films=(evolve(case.films[0], proposed=proposed(k)),)), path)
        out.append(str(path))
    return out


def made(folder: Path, observers: str, aided: str, *more: str) -> Path:
    study = folder / "study"
    words = ["study", "init", str(study), *cases(folder / "films"), "--observers", observers, "--seed", "3", *more]
    assert main([*words, *(["--from-proposals", aided] if aided else [])]) == 0
    return study


def answer(folder: Path, observer: str, by_px: float | None) -> None:
    """Read every film: the proposed canal moved down by so many pixels, or drawn new (None); as the viewer stores it."""
    study = load_study(folder)
    for position, task in enumerate(study.observer(observer).tasks, 1):
        case = template(study, observer, task, result_path(study, observer, task))
        (canal,) = case.canals
        items = [item for item in case.films[0].proposed if item.kind == "canal"]
        if by_px is None:
            clicks = tuple((60.0 + 95.0 * k, 70.0 + 3.0 * k) for k in range(5))
            trace = Trace(film="f1", clicks_px=clicks, path_px=clicks, apical_end="radiographic apex")
        else:
            clicks = None if not by_px else tuple((row + by_px, col) for row, col in clicks_of(items[0]))
            trace = accepted_canal(items[0], clicks, "f1", "radiographic apex", at=AT, by=observer)
            if by_px:
                path = tuple((row + by_px, col) for row, col in items[0].points_px)
                trace = evolve(trace, path_px=path)
        store_result(study, observer, position, evolve(case, canals=(evolve(canal, traces=(trace,)),)), at=AT)


def said(capsys, *words: object) -> dict:
    capsys.readouterr()
    assert main([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def test_the_study_says_who_begins_from_what_and_gives_it_to_them_alone(tmp_path, capsys):
    folder = made(tmp_path, "ANN,BEN", "ANN")
    assert "ANN began from what a network (made" in capsys.readouterr().out
    manifest = json.loads((folder / "study.json").read_text("utf-8"))
    assert manifest["schema"] == "wlmeasure-study/2"  # who knows the first alone refuses it
    assert manifest["protocol"]["from_proposals"] == {
        "observers": ["ANN"],
        "model": MODEL,
        "model_sha256": SHA,
        "command": "wlmeasure study init --from-proposals ANN",
    }
    assert "patient" not in "".join(path.read_text("utf-8") for path in folder.glob("proposals/*"))
    study = load_study(folder)
    for film in study.films:
        task = study.observer("ANN").tasks[0]
        task = evolve(task, film=film.id)
        shown = template(study, "ANN", task, folder / "x.wl.json").films[0].proposed
        # The scale is given, so no file is asked for; an orifice is nobody's to answer.
        assert [item.label for item in shown] == ["canal 1", "root end 1"]
        assert template(study, "BEN", task, folder / "x.wl.json").films[0].proposed == ()


def test_all_left_unmoved_is_a_share_and_no_agreement(tmp_path, capsys):
    folder = made(tmp_path, "ANN,BEN", "ANN,BEN")
    for name in ("ANN", "BEN"):
        answer(folder, name, 0.0)
    found = said(capsys, "observers", folder)
    assert found["summaries"] == []
    assert "paths" not in found
    apart = found["from_proposals"]
    assert apart["agreement"] is False
    assert "anchoring" in apart["why"]
    assert [(one["unmoved"], one["moved"], one["drawn_new"], one["share"]) for one in apart["taken"]] == [
        (3, 0, 0, 1.0)
    ] * 2
    assert [(one["subjects"], one["same"], one["differences"]) for one in apart["beside"]] == [(3, 3, [])]
    report = tmp_path / "report.html"
    assert main(["observers", str(folder), "--out", str(report)]) == 0
    for text in (capsys.readouterr().out, report.read_text("utf-8")):
        assert "No agreement between observers" in text
        assert "3 of 3 canals accepted unmoved" in text
        assert "no difference is given" in text
        for word in ("ICC", "limits of agreement ", "bias ", "Dahlberg error "):
            assert word not in text.partition("How it was computed")[0], word


def test_moved_and_drawn_stand_apart_and_a_table_does_not_lose_it(tmp_path, capsys):
    """ANN leaves all as it is, BEN moves all 4 rows (0.2 mm) down, CID and DOT draw: these two alone are compared."""
    folder = made(tmp_path, "ANN,BEN,CID,DOT", "ANN,BEN")
    for name, by_px in (("ANN", 0.0), ("BEN", 4.0), ("CID", None), ("DOT", None)):
        answer(folder, name, by_px)
    found = said(capsys, "observers", folder)
    (length,) = found["summaries"]
    assert length["observers"] == ["CID", "DOT"]
    assert [(pair["first"], pair["second"]) for pair in length["pairs"]] == [("CID", "DOT")]
    assert found["paths"]["pairs"] == 3
    ann, ben = found["from_proposals"]["taken"]
    assert (ann["unmoved"], ben["moved"]) == (3, 3)
    # The greatest distance is where the path ends: the whole of the move along it, 4 rows of 0.05 mm.
    assert ben["moves_mm"] == pytest.approx([4 * ROW_MM] * 3, rel=0.01)
    pairs = {(one["first"], one["second"]): one for one in found["from_proposals"]["beside"]}
    assert set(pairs) == {("ANN", "BEN"), ("ANN", "CID"), ("ANN", "DOT"), ("BEN", "CID"), ("BEN", "DOT")}
    assert [pairs["ANN", other]["both"] for other in ("BEN", "CID")] == [True, False]
    assert len(pairs["ANN", "BEN"]["differences"]) == 3  # the same path, moved: the same length
    assert pairs["ANN", "BEN"]["largest"] == pytest.approx(0.0, abs=1e-6)

    status = said(capsys, "study", "status", folder)
    assert status["violations"] == []
    by = {one["name"]: one.get("proposals") for one in status["observers"]}
    assert by["ANN"] == {"unmoved": 3, "moved": 0, "refused": 0, "not answered": 0}
    assert (by["BEN"]["moved"], by["CID"]) == (3, None)

    table = tmp_path / "table.csv"
    assert main(["study", "table", str(folder), "--out", str(table)]) == 0
    again = said(capsys, "observers", table)
    assert again["summaries"] == found["summaries"]
    assert again["from_proposals"] == found["from_proposals"]

    out = tmp_path / "package"
    words = [
        "study",
        "publish",
        str(folder),
        "--out",
        str(out),
        "--title",
        "Agreement",
        "--author",
        "A",
        "--licence",
        "CC0-1.0",
    ]
    assert main(words) == 0
    rules = json.loads((out / "protocol.json").read_text("utf-8"))["from_proposals"]
    assert (rules["observers"], rules["command"]) == (["R1", "R2"], "wlmeasure study init --from-proposals R1,R2")
    book = {(row["table"], row["column"]): row["definition"] for row in rows(out / "codebook.csv")}
    assert "proposal" in book["readings_long.csv", "proposal"]
    assert ("proposals.csv", "moved_px") in book
    kinds = [(row["observer"], row["kind"], row["outcome"], row["moved_px"]) for row in rows(out / "proposals.csv")]
    assert kinds.count(("R1", "canal", "accepted", "0.0")) == kinds.count(("R2", "root end", "accepted", "4.0")) == 3
    for name in ("methods.md", "results.md"):
        assert "stand in no figure of agreement" in (out / name).read_text("utf-8")
    rebuilt = tmp_path / "again.csv"
    assert main(["study", "rebuild", str(out), "--out", str(rebuilt)]) == 0
    readings = load_readings(rebuilt)
    assert {(row.observer, row.proposal) for row in readings.rows} == {
        ("R1", "unmoved"), ("R2", "moved"), ("R3", ""), ("R4", ""),
    }  # fmt: skip


def test_case_folders_with_proposals_are_no_agreement_either(tmp_path, capsys):
    """Two persons who each corrected what `propose` wrote, without any study."""
    for observer in ("ANN", "BEN"):
        for path in map(Path, cases(tmp_path / "readers" / observer)):
            case = load_case(path)
            item = case.films[0].proposed[0]
            trace = accepted_canal(item, None, "f1", "radiographic apex", at=AT, by=observer)
            save_case(evolve(case, canals=(evolve(case.canals[0], traces=(trace,)),)), path)
    found = said(capsys, "observers", tmp_path / "readers")
    assert found["summaries"] == []
    assert [one["share"] for one in found["from_proposals"]["taken"]] == [1.0, 1.0]


def test_what_was_shown_cannot_be_changed_or_smuggled_in(tmp_path, capsys):
    folder = made(tmp_path, "ANN,BEN", "ANN")
    study = load_study(folder)
    task = study.observer("ANN").tasks[0]
    case = template(study, "ANN", task, result_path(study, "ANN", task))
    trace = accepted_canal(case.films[0].proposed[0], None, "f1", "radiographic apex", at=AT, by="ANN")
    case = evolve(case, canals=(evolve(case.canals[0], traces=(trace,)),))
    bare = evolve(case, films=(evolve(case.films[0], proposed=()),))
    with pytest.raises(StudyError, match="proposed is not what the study gave"):
        store_result(study, "ANN", 1, bare, at=AT)
    theirs = study.observer("BEN").tasks[0]
    film = study.case_film(study.film(theirs.film), result_path(study, "BEN", theirs).parent)
    shown = evolve(case, films=(evolve(film, proposed=case.films[0].proposed),))
    with pytest.raises(StudyError, match="gave this observer none"):
        store_result(study, "BEN", 1, shown, at=AT)
    store_result(study, "ANN", 1, case, at=AT)
    path = study.proposals_path(study.film(task.film))
    path.write_text(path.read_text("utf-8").replace("0.95", "0.96"), "utf-8")
    (result,) = results(study)
    assert "must be what the study was made with" in result.error


def test_what_cannot_be_is_refused_in_a_line(tmp_path, capsys):
    films = cases(tmp_path / "films")
    word = ["study", "init", str(tmp_path / "s"), *films, "--observers", "ANN,BEN", "--from-proposals"]

    def refused(*more: str) -> str:
        assert main([*word, *more]) == 1
        (line,) = capsys.readouterr().err.splitlines()
        assert not (tmp_path / "s").exists()
        return line

    assert "must name observers of the study: 'CID' is none" in refused("CID")
    assert "from_proposals" in refused("ANN,ANN")
    assert "clicks must allow 5" in refused("ANN", "--clicks", "2-4")
    case = load_case(films[0])
    other = tuple(evolve(item, model_sha256="cd" * 32) for item in case.films[0].proposed)
    save_case(evolve(case, films=(evolve(case.films[0], proposed=other),)), Path(films[0]))
    assert "must be of one network" in refused("ANN")
    for film in films[:2]:
        bare = load_case(film)
        save_case(evolve(bare, films=(evolve(bare.films[0], proposed=()),)), Path(film))
    assert main([*word, "ANN"]) == 0
    said = capsys.readouterr().out
    assert "patient0.png has nothing proposed on it" in said
    assert "patient2.png" not in said
    word[3:-3] = films[:2]
    word[2] = str(tmp_path / "none")
    assert main([*word, "ANN"]) == 1
    assert "wlmeasure propose" in capsys.readouterr().err


VALUE = st.floats(-50.0, 50.0).map(lambda value: round(value, 3))


@settings(max_examples=50)
@given(st.lists(st.lists(VALUE, min_size=2, max_size=4), min_size=1, max_size=6), st.integers(2, 4))
def test_law_nothing_but_the_share_of_what_is_left_unmoved(values, observers):
    """Whatever the values: scales of their own may make the lengths of one path differ."""
    table = Readings(
        tuple(
            Reading(f"s{k}", f"o{who}", value[(who + k) % len(value)] + who, definition="length_mm", unit="mm",
                    proposal="unmoved", moved_mm=0.0)
            for k, value in enumerate(values) for who in range(observers)
        )
    )  # fmt: skip
    assert summaries(table) == []
    found = anchored(table)
    assert [(one.canals, one.share) for one in found.taken] == [(len(values), 1.0)] * observers
    assert all((one.differences, one.mean, one.std, one.largest) == ((), None, None, None) for one in found.beside)


@settings(max_examples=20)
@given(st.data())
def test_law_readings_from_proposals_change_no_figure_of_the_others(data):
    def readings(name, proposal):
        return [
            Reading(f"s{k}", name, data.draw(VALUE), definition="length_mm", unit="mm", proposal=proposal)
            for k in range(4)
        ]

    drawn = [*readings("a", ""), *readings("b", "")]
    more = [*readings("c", "moved"), *readings("d", "drawn new")]
    assert summaries(Readings((*more, *drawn))) == summaries(Readings(tuple(drawn)))
    assert anchored(Readings(tuple(drawn))) is None
