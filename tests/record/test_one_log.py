"""Sequences in which a decision or a reading once stood twice, played through case files and the command line.

The files are of version 1, the only one that kept things twice; every output has to say the same of them, or the same "none".
Nothing here asks the classes, so that any version of the program can be held against it.
"""

import hashlib
import json
import re

import pytest

from wlmeasure.cli import main

CUSP = "mesiobuccal cusp tip"
FILM_MM = 22.0  # 440 pixels of 0.05 mm by construction
PROPOSED_MM = 20.5
"""Of a molar's film alone: apex to foramen 0.61 mm (Martos, Burch & Hulen, Wolf), foramen to constriction 0.59 mm (Kuttler,
both ages), as `decide.anatomy` names them: 20.80 mm, and the stop rounded down to the half millimetre."""


@pytest.fixture
def case(film, tmp_path):
    """Canals MB and ML, side by side on one film: 22 mm each from a cusp marked at their first point."""

    def case(entries=(), **members):
        def canal(name, col):
            trace = {
                "film": "f1",
                "reference_px": [20, col],
                "path_px": [[20, col], [460, col]],
                "apical_end": "radiographic apex",
            }
            own = {"name": name, "reference_point": CUSP, "traces": [trace]} | members.get(name, {})
            own["traces"] = [{k: v for k, v in one.items() if v is not None} for one in own["traces"]]
            return own

        known = {
            "kind": "known_file",
            "points_px": [[20, 50], [420, 50]],
            "trace_kind": "path",
            "known_length_mm": 20.0,
            "known_length_std_mm": 0.05,
        }
        body = {
            "schema": "wlmeasure-case/1",
            "tooth": "46",
            "case_id": "t-1",
            "films": [
                {
                    "id": "f1",
                    "path": film.name,
                    "sha256": hashlib.sha256(film.read_bytes()).hexdigest(),
                    "rows": 480,
                    "cols": 300,
                    "scale": [known],
                }
            ],
            "canals": [canal("MB", 60), canal("ML", 90)],
            "entries": list(entries),
        }
        path = tmp_path / "case.wl.json"
        path.write_text(json.dumps(body), encoding="utf-8")
        return path

    return case


@pytest.fixture
def ok(capsys):
    def ok(*words):
        status = main([str(word) for word in words])
        said = capsys.readouterr()
        assert (status, said.err) == (0, "")
        return said.out

    return ok


@pytest.fixture
def stops(ok, tmp_path):
    """The stop of each canal as every output says it, mm; None where an output says that there is none."""

    def stops(path):
        data = json.loads(ok("measure", path, "--json"))
        text = ok("measure", path)
        ok("report", path, "--out", tmp_path / "card.html", "--stops")
        whole = (tmp_path / "card.html").read_text(encoding="utf-8")
        card = plain(whole)
        ok("report", path, "--out", tmp_path / "report.html")
        report = plain((tmp_path / "report.html").read_text(encoding="utf-8"))
        cells = re.search(r"master cone((?: (?:[\d.]+|–))+)", card)[1].split()
        found = {}
        for canal, cell in zip(data["canals"], cells, strict=True):
            name = canal["name"]
            part = text[text.index(f"Canal {name} ") :].split("\n\n")[0]
            held = re.search(r"stop setting +([\d.]+) mm on a ruler", part)
            decided = re.search(r"([\d.]+) mm, decided by|decided +([\d.]+) mm by", part)
            plate = re.search(rf"Stop of canal {name}: ([\d.]+) mm", whole)
            # What cone, needle and plugger are set by is a decided stop, never a proposed one.
            assert cell == (plate[1] if decided and plate else "–")
            found[name] = {
                "text": held and float(held[1]),
                "card": plate and float(plate[1]),
                "decided, text": decided and float(decided[1] or decided[2]),
                "decided, json": canal["working_length"]["decided_mm"],
                "decided, report": "decided by" in report and re.search(r"([\d.]+) mm, decided by", report) is not None,
            }
        return found

    return stops


def plain(page):
    return re.sub(r"\s+", " ", re.sub(r"<(style|svg).*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL))


def entry(number, kind, at="10:00", **more):
    return {"id": f"e{number}", "kind": kind, "at": f"2026-11-25T{at}", "by": "AB", "canal": "MB"} | more


def decided(number, length_mm, **more):
    return entry(number, "decided working length", reference_point=CUSP, length_mm=length_mm, **more)


def read(number, length_mm, **more):
    return entry(number, "electronic reading", reference_point=CUSP, length_mm=length_mm, finding="foramen", **more)


def held(length_mm):
    return {"decision": {"length_mm": length_mm, "by": "AB", "at": "2026-11-25T10:00"}}


def test_a_decision_that_was_struck_out_is_in_no_output(case, stops):
    """Decide 20.0, strike it out in the record; the canal's own copy was left behind."""
    rows = [decided(1, 20.0), entry(2, "note", "10:05", supersedes="e1", note="wrong canal")]
    found = stops(case(rows, MB=held(20.0)))["MB"]
    assert found["decided, json"] is None
    assert found["decided, text"] is None
    assert not found["decided, report"]
    assert (found["text"], found["card"]) == (PROPOSED_MM, PROPOSED_MM)


@pytest.mark.parametrize("own", [20.5, 19.0])
def test_two_decisions_that_differ_are_named_and_neither_sets_a_stop(case, stops, ok, own):
    """One figure edited in the file: the canal says one thing, its record another."""
    path = case([decided(1, 20.0)], MB=held(own))
    found = stops(path)
    assert {found["MB"][name] for name in ("decided, json", "decided, text")} == {None}
    assert (found["MB"]["text"], found["MB"]["card"]) == (PROPOSED_MM, PROPOSED_MM)
    for out, words in (("all.html", ()), ("card.html", ("--stops",))):
        ok("report", path, "--out", path.with_name(out), *words)
        assert f"held two decisions for canal MB: {own:g} mm by AB" in plain(path.with_name(out).read_text("utf-8"))
    assert f"held two decisions for canal MB: {own:g} mm by AB" in ok("measure", path)


def test_one_decision_written_twice_is_one(case, stops):
    found = stops(case([decided(1, 20.0)], MB=held(20.0)))
    assert (found["MB"]["text"], found["MB"]["card"], found["MB"]["decided, json"]) == (20.0, 20.0, 20.0)
    assert (found["ML"]["text"], found["ML"]["card"], found["ML"]["decided, json"]) == (PROPOSED_MM, PROPOSED_MM, None)


def test_a_decision_of_the_record_alone_holds_everywhere(case, stops):
    found = stops(case([decided(1, 20.0)]))["MB"]
    assert (found["text"], found["card"], found["decided, json"], found["decided, text"]) == (20.0, 20.0, 20.0, 20.0)


def test_a_reading_entered_in_the_record_reaches_the_proposal(case, ok):
    """20.5 mm at the foramen, three times; 20.0 mm at the constriction (T2.1 of the named methods)."""
    path = case([read(number, 20.5, at=f"10:{number:02d}") for number in (1, 2, 3)])
    canal = json.loads(ok("measure", path, "--json"))["canals"][0]
    assert (canal["electronic"]["readings"], canal["electronic"]["length_mm"]) == (3, 20.0)
    assert (canal["working_length"]["status"], canal["working_length"]["length_mm"]) == ("ordinary anatomy", 20.0)


SHAPING = [
    entry(10, "coronal flaring", "10:30"),
    entry(10, "coronal flaring", "10:30", canal=None),
    entry(10, "shaping file", "10:30", reference_point=CUSP, size=25, taper=0.04, length_mm=19.0),
    entry(10, "old filling removed", "10:30", finding="in whole"),
    entry(10, "cusp shortened", "10:30", canal=None, extent_mm=1.0),
]


@pytest.mark.parametrize("event", SHAPING, ids=lambda e: f"{e['kind']}, {e['canal']}")
def test_readings_from_before_and_after_are_not_pooled(case, ok, event):
    """Three at 21.7 mm before, three at 20.5 mm after: the canal is read at 20.5 mm, three times, not at 21.2, six times."""
    event = {name: value for name, value in event.items() if value is not None}
    before = [read(number, 21.7, at=f"10:{number:02d}") for number in (1, 2, 3)]
    after = [read(number, 20.5, at=f"10:{20 + number}") for number in (11, 12, 13)]
    path = case([*before, event, *after])
    canal = json.loads(ok("measure", path, "--json"))["canals"][0]
    assert (canal["electronic"]["readings"], canal["electronic"]["length_mm"]) == (3, 20.0)
    text = ok("measure", path)
    assert "foramen at 20.5 mm" in text
    assert "21.7, 21.7, 21.7 mm" in text  # shown, as what they are
    assert "21.1" not in text


def test_readings_in_the_canal_of_version_1_are_those_from_before_shaping(case, ok):
    own = {"electronic_readings": [{"length_mm": 21.7, "mark": "foramen"}] * 3}
    after = [read(number, 20.5, at=f"10:{20 + number}") for number in (11, 12, 13)]
    path = case([entry(10, "coronal flaring", "10:30"), *after], MB=own)
    canal = json.loads(ok("measure", path, "--json"))["canals"][0]
    assert (canal["electronic"]["readings"], canal["electronic"]["length_mm"]) == (3, 20.0)


def test_readings_from_another_reference_point_are_not_pooled(case, ok):
    other = [read(number, 21.7, at=f"10:{number:02d}") | {"reference_point": "central groove"} for number in (1, 2, 3)]
    path = case([*other, *(read(number, 20.5, at=f"10:{number}") for number in (11, 12, 13))])
    canal = json.loads(ok("measure", path, "--json"))["canals"][0]
    assert (canal["electronic"]["readings"], canal["electronic"]["length_mm"]) == (3, 20.0)


@pytest.mark.parametrize("lack", ["mark", "name"])
def test_without_its_reference_point_a_film_gives_a_length_from_the_orifice_and_no_stop(case, stops, ok, lack):
    """The cusp was never marked, or never named (the viewer of version 1 wrote words of its own for it)."""
    trace = {"film": "f1", "path_px": [[20, 60], [460, 60]], "apical_end": "radiographic apex"}
    unmarked, unnamed = {"traces": [trace]}, {"reference_point": "reference cusp or edge"}
    path = case(MB=unmarked if lack == "mark" else unnamed)
    found = stops(path)
    assert (found["MB"]["text"], found["MB"]["card"]) == (None, None)
    assert (found["ML"]["text"], found["ML"]["card"]) == (PROPOSED_MM, PROPOSED_MM)
    part = ok("measure", path).split("Canal ML")[0]
    assert ("from the orifice" if lack == "mark" else "from a marked point that nobody has named") in part
    assert f"{FILM_MM:.1f} mm" in part
    canal = json.loads(ok("measure", path, "--json"))["canals"][0]
    assert (canal["length_mm"], canal["working_length"]["length_mm"]) == (pytest.approx(FILM_MM), None)


def test_readings_alone_give_a_length_without_a_mark(case, stops):
    trace = {"film": "f1", "path_px": [[20, 60], [460, 60]], "apical_end": "radiographic apex"}
    path = case([read(number, 20.5, at=f"10:{number:02d}") for number in (1, 2, 3)], MB={"traces": [trace]})
    found = stops(path)["MB"]
    # The foramen at 20.45 mm (readings are long by 0.05, Lucena), the constriction 0.59 mm short of it (Kuttler): 19.86 mm.
    assert (found["text"], found["card"]) == (19.5, 19.5)


def test_a_decision_from_another_reference_point_sets_no_stop(case, stops, ok):
    other = decided(1, 20.0) | {"reference_point": "central groove"}
    path = case([other])
    found = stops(path)["MB"]
    assert (found["text"], found["card"]) == (None, None)
    assert "does not count from the canal's present reference point" in ok("measure", path)


def test_an_early_record_makes_a_report(case, ok, tmp_path):
    """A preoperative estimate and one reading, no working length yet: the report of version 1 ended in a fault."""
    estimate = entry(1, "preoperative estimate", reference_point=CUSP, length_mm=20.5)
    path = case([estimate, read(2, 20.5, at="10:05")], MB={"traces": []}, ML={"traces": []})
    ok("report", path, "--out", tmp_path / "early.html")
    assert "preoperative estimate" in (tmp_path / "early.html").read_text(encoding="utf-8").lower()
    ok("report", path, "--out", tmp_path / "early.pdf")


def test_an_entry_dated_in_the_future_locks_no_archive(case, ok, capsys, tmp_path, monkeypatch):
    """A year typed wrong stands in the record: today's reading and today's decision go in behind it all the same."""
    pytest.importorskip("sqlalchemy")
    monkeypatch.setenv("WLMEASURE_ARCHIVE", str(tmp_path / "archive.sqlite"))
    path = case([entry(1, "note", note="typed wrong") | {"at": "2062-11-25T10:00:00"}])
    assert main(["record", "add", str(path), "--by", "AB"]) == 1  # asked about first
    assert "in-the-future" in capsys.readouterr().err
    ok("record", "add", path, "--by", "AB", "--confirm", "in-the-future")
    today = ("--canal", "MB", "--by", "AB", "--at", "2026-11-26T09:00:00")
    reading = ("--set", "length_mm=20.5", "--set", "finding=foramen")
    ok("record", "add", "t-1", "--kind", "electronic reading", *today, *reading)
    ok("record", "add", "t-1", "--kind", "note", *today, "--set", "supersedes=e1")
    ok("record", "add", "t-1", "--kind", "decided working length", *today, "--set", "length_mm=20.0")
    assert "decided working length 20.0 mm" in ok("record", "show", "t-1")
