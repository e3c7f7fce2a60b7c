"""Case files of version 1: read, upgraded, measured as they were, and not touched before they are saved."""

import copy
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.record.case import Entry, case_from_json, case_to_json, load_case, save_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.record.record import LengthRecord
from wlmeasure.record.version1 import NOT_RECORDED, PROGRAM, UNNAMED, upgraded
from wlmeasure.share.result import result_json

REFERENCES = Path(__file__).resolve().parents[1] / "references"
OLD = REFERENCES / "version_1"
ARCHIVED = json.loads((REFERENCES / "archive_version_0001.json").read_text(encoding="utf-8"))
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
NAMES = sorted(path.name.split(".")[0] for path in (OLD / "cases").glob("*.wl.json"))
BENCH = [name for name in NAMES if name != "molar"]
CUSP = "mesiobuccal cusp tip"
NEW_MEMBERS = {"from_orifice", "decision", "stop", "readings", "past_readings"}
"""What a result says since, and said nothing of then."""
BY_THE_BENT_LINE = {
    *(
        "schneider_deg",
        "schneider_std_deg",
        "schneider_secondary_deg",
        "schneider_secondary_std_deg",
        "schneider_budget",
    ),
    *("weine_deg", "weine_std_deg", "weine_secondary_deg", "long_axis_deg", "pruett_deg", "pruett_radius_mm"),
    *("pruett_radius_interval_mm", "pruett_radius_secondary_mm", "pruett_radius_secondary_interval_mm"),
    *("backman_deg_per_mm", "total_turning_deg", "total_turning_std_deg", "canal_access_angle_deg"),
    *("canal_access_angle_std_deg", "curvature_height_mm", "curvature_distance_mm", "misfit", "form"),
}
"""Of a curvature: what rests on the model of a bent line, which is an average over several since. All else is as it was."""
PROPOSED_SINCE = {"length_mm", "std_mm", "interval_mm", "budget", "parameters", "advice", "ends", "risk", "margin_mm"}
"""Of a working length: what follows from two curves since. Status, ceiling, difference, mean and test are as they were."""


def old_case(name, kept="cases"):
    """A sample as it stood: clicks alone ("cases"), or with the paths that the tracer of that time found ("traced")."""
    case = load_case(OLD / kept / f"{name}.wl.json")
    return evolve(case, folder=SAMPLES / "cases")


def old_result(name):
    return json.loads((OLD / "results" / f"{name}.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def measured():
    """Each old case, measured once."""
    known = {}

    def measured(name):
        if name not in known:
            known[name] = evaluate(old_case(name, "traced"))
        return known[name]

    return measured


def differences(was, now, path=""):
    """Where two results differ by more than 1e-9 mm, as paths of members."""
    if isinstance(was, dict) and isinstance(now, dict):
        for name in was.keys() | now.keys() - NEW_MEMBERS - {"path_px", "file_paths_px"}:
            yield from differences(was.get(name), now.get(name), f"{path}.{name}")
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        for k, (one, other) in enumerate(zip(was, now, strict=True)):
            yield from differences(one, other, f"{path}[{k}]")
    elif isinstance(was, (int, float)) and isinstance(now, (int, float)) and not isinstance(was, bool):
        if abs(was - now) > 2e-9:  # the kept ones are rounded to 1e-9
            yield path
    elif was != now:
        yield path


def without_bend(canal):
    """A canal's result without the figures of its bend that rest on the model of a bent line, and without its parameters."""
    bend = canal["curvature"]
    kept = {k: v for k, v in bend.items() if k not in BY_THE_BENT_LINE | {"parameters"}}
    return canal | {"curvature": kept}


def bends_of_truth(case, canal, film_id):
    """Schneider's angle of the first bend and the sum of all turns on one bench film, degrees: of the true projected line.

    By hand: the heading of each step; the bend begins where it first leaves the first one and ends at the inflection.
    """
    (stem,) = (Path(film.path).stem for film in case.films if film.id == film_id)
    table = np.genfromtxt(SAMPLES / "truth" / f"{stem}_canal.csv", delimiter=",", names=True)
    line = np.column_stack([table["row_px"], table["col_px"]])
    steps = np.diff(line, axis=0)
    heading = np.degrees(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0])))
    turned = abs(heading - heading[0])
    if turned.max() < 0.02:
        return 0.0, 0.0
    begin = int(np.argmax(turned > 0.02))
    end = int(np.argmax(turned > turned.max() - 0.02))
    row, col = line[end + 1] - line[begin]
    schneider = abs(np.degrees(np.arctan2(col, row)) - heading[0])
    return float(schneider), float(abs(np.diff(heading)).sum())


def true_length_mm(result, canal, film_id):
    """Of the true projected line at the film's scale, from the reference point to the apex."""
    (film,) = (film for film in result.films if film.film.id == film_id)
    truth = json.loads((SAMPLES / "truth" / f"{Path(film.film.path).stem}.json").read_text(encoding="utf-8"))
    if "canal_projected_px" in truth:
        return truth["canal_projected_px"] * truth["mm_per_px_from_file"]
    (own,) = (one for one in truth["canals"] if one["name"] == canal)
    line = np.array([own["reference_px"], *own["path_px"], own["apex_px"]])
    return float(np.hypot(*(np.diff(line, axis=0) * film.calibration.mm_per_px).T).sum())


def said(result, part):
    return json.loads(json.dumps(result_json(result)[part]))


def with_the_tube(case):
    """The sensor turned with the tube: what version 1 took for granted of shifted films, and what is one of two ways since."""
    films = [
        one if one.angulation is None else evolve(one, angulation=evolve(one.angulation, sensor="with the tube"))
        for one in case.films
    ]
    return evolve(case, films=tuple(films))


# --- the samples ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_a_file_is_read_and_left_alone_until_it_is_saved(name, tmp_path):
    path = tmp_path / f"{name}.wl.json"
    shutil.copy(OLD / "cases" / path.name, path)
    before = path.read_bytes()
    case = load_case(path)
    assert path.read_bytes() == before
    assert json.loads(before)["schema"] == "wlmeasure-case/1"
    assert load_case(path) == case  # the same each time, ids too
    save_case(case, path)
    saved = json.loads(path.read_text(encoding="utf-8"))
    assert saved["schema"] == "wlmeasure-case/2"
    assert not any({"electronic_readings", "decision"} & set(canal) for canal in saved["canals"])
    assert load_case(path) == case


@pytest.mark.parametrize("name", NAMES)
def test_what_is_saved_measures_the_same(name, tmp_path, measured):
    save_case(old_case(name, "traced"), tmp_path / "saved.wl.json")
    saved = evolve(load_case(tmp_path / "saved.wl.json"), folder=SAMPLES / "cases")
    assert result_json(evaluate(saved)) == result_json(measured(name))


@pytest.mark.parametrize("name", NAMES)
def test_what_lies_on_the_films_measures_as_it_did(name, measured):
    """Scales, lengths, radii of the path itself, budgets to 1e-9. Angles are those of another model since, nearer to the truth.

    A length needs its reference point now: not the working lengths of the bench.
    """
    was, result = old_result(name), measured(name)
    films = [
        {k: new[k] for k in old} for old, new in zip(was["films"], said(result, "films"), strict=True)
    ]  # further members may follow in later versions
    assert list(differences(was["films"], films)) == []
    since = {"radiographic", "working_length", "flags"} if name in BENCH else {"electronic", "working_length", "flags"}
    for old, new in zip(was["canals"], said(result, "canals"), strict=True):
        compared = old.keys() - since
        then, now = ({k: one[k] for k in compared} for one in (without_bend(old), without_bend(new)))
        assert list(differences(then, now)) == []
        assert new["curvature"]["form"] == old["curvature"]["form"] or (
            {new["curvature"]["form"], old["curvature"]["form"]} <= {"J", "C"}
        )  # where along the canal a bend begins
    space = said(evaluate(with_the_tube(old_case(name, "traced"))), "spatial")
    assert list(differences(without_one_film(was["spatial"]), without_one_film(space))) == []


def without_one_film(spatial):
    """What films together say, without the angles that stand beside it of each film: those are the canals' own."""
    if spatial is None:
        return None
    angles = {"schneider_deg", "total_turning_deg"}
    single = [{k: v for k, v in one.items() if k not in angles} for one in spatial["one_film"]]
    return spatial | {"one_film": single}


@pytest.mark.parametrize("name", BENCH)
def test_angles_of_kept_paths_are_those_of_the_films(name, measured):
    """On the true projected line: Schneider's to half a degree, all turns together to three (one arc: 4.3)."""
    result = measured(name)
    for canal in said(result, "canals"):
        schneider, turning = bends_of_truth(result.case, canal["name"], canal["film"])
        assert canal["curvature"]["schneider_deg"] == pytest.approx(schneider, abs=0.5)
        assert canal["curvature"]["total_turning_deg"] == pytest.approx(turning, abs=3.0)


def test_schneiders_angles_of_the_molar_are_within_half_a_degree_of_those_of_one_arc(measured):
    for was, now in zip(old_result("molar")["canals"], said(measured("molar"), "canals"), strict=True):
        assert now["curvature"]["schneider_deg"] == pytest.approx(was["curvature"]["schneider_deg"], abs=0.5)


@pytest.mark.parametrize("name", NAMES)
def test_its_clicks_are_traced_as_they_were(name):
    """By whatever tracer there is: lengths within 0.02 mm, and no farther from the film's truth than a tenth.

    Of the molar within 0.03 mm: its paths begin and end up to 0.08 mm beside the clicks since, where the crown meets them
    at an angle. Of the bench Schneider's angle is that of the film, to half a degree; of the molar, where it lay up to 1.7
    degrees from that, it is as it was, by the intervals of both.
    """
    result = evaluate(old_case(name))
    for was, now in zip(old_result(name)["canals"], said(result, "canals"), strict=True):
        assert now["length_mm"] == pytest.approx(was["length_mm"], abs=0.03 if name == "molar" else 0.02)
        assert now["length_mm"] == pytest.approx(true_length_mm(result, now["name"], now["film"]), abs=0.1)
        angle, std = now["curvature"]["schneider_deg"], now["curvature"]["schneider_std_deg"]
        if name == "molar":
            both = 1.96 * np.hypot(std, was["curvature"]["schneider_std_deg"])
            assert angle == pytest.approx(was["curvature"]["schneider_deg"], abs=max(both, 0.5))
        else:
            assert angle == pytest.approx(bends_of_truth(result.case, now["name"], now["film"])[0], abs=0.5)


@pytest.mark.parametrize("name", BENCH)
def test_with_the_reference_point_marked_everything_measures_as_it_did(name):
    """Version 1 counted from the first point where nothing was marked. Marked there, all of it comes back, to 1e-9, but for
    what is made otherwise since: angles by the model of a bent line, and the proposed length, which the tests below hold.
    """
    case = old_case(name, "traced")
    canals = tuple(
        evolve(canal, traces=tuple(evolve(trace, reference_px=trace.clicks_px[0]) for trace in canal.traces))
        for canal in case.canals
    )
    was, result = old_result(name), evaluate(with_the_tube(evolve(case, canals=canals)))
    canals_now = [
        {k: new[k] for k in old} for old, new in zip(was["canals"], said(result, "canals"), strict=True)
    ]  # further members may follow in later versions
    then = [without_bend(one) for one in without_remark(was["canals"])]
    assert "first-point-is-reference" not in json.dumps(canals_now)
    now = [without_bend(one) for one in without_remark(canals_now)]
    for one in (*then, *now):
        if one["working_length"] is not None:
            one["working_length"] = {k: v for k, v in one["working_length"].items() if k not in PROPOSED_SINCE}
    assert list(differences(then, now)) == []
    space = without_one_film(said(result, "spatial"))
    assert list(differences(without_one_film(without_remark(was["spatial"])), space)) == []


def without_remark(value):
    """A result without the remark that no reference point is marked, and two others by code alone: their words are new."""
    if isinstance(value, dict) and value.get("code") in {"film-alone", "provisional-length"}:
        return {"code": value["code"]}
    if isinstance(value, list):
        return [
            without_remark(v)
            for v in value
            if not (isinstance(v, dict) and v.get("code") == "first-point-is-reference")
        ]
    return {k: without_remark(v) for k, v in value.items()} if isinstance(value, dict) else value


WITHOUT_MARK = {
    # Status of the proposal and the stop set by it, mm, then the decision. By readings alone: their mean less what they are
    # long by (`constriction_by_readings`), rounded down to the half millimetre.
    "angulated": ("not established", None, None),
    "curved_out_of_plane": ("reading only", 20.0, 20.0),
    "s_curved": ("not established", None, 21.0),
    "stop_outside": ("reading only", 20.5, 21.0),
    "straight": ("reading only", 20.5, 21.0),
    "two_films": ("reading only", 20.0, 20.0),
}


def constriction_by_readings(lengths_mm):
    """Mean of the constriction by readings of usual quality alone, mm, by hand.

    Readings are long by 0.05 mm (Lucena et al. 2014); 6 in 100 are early and 4 late, by the mean of half a normal spread of 0.9
    and 0.8 mm; the constriction lies 0.524 or 0.659 mm short of the foramen (Kuttler 1955).
    """
    half_normal = np.sqrt(2.0 / np.pi)
    foramen = np.mean(lengths_mm) - 0.05 + (0.06 * 0.9 - 0.04 * 0.8) * half_normal
    return foramen - 0.5 * (0.524 + 0.659)


@pytest.mark.parametrize("name", BENCH)
def test_without_a_marked_reference_point_no_film_gives_a_working_length(name, measured):
    (canal,) = case_facts(measured(name)).canals
    proposal, decision = canal.proposal, canal.decision
    stop_mm = None if proposal.length_mm is None else np.floor(2.0 * proposal.length_mm) / 2.0
    assert (proposal.status, stop_mm, decision and decision.length_mm) == WITHOUT_MARK[name]
    if proposal.status == "reading only" and not any(entry.conditions for entry in canal.readings):
        by_hand = constriction_by_readings([entry.length_mm for entry in canal.readings])
        assert proposal.ends.mean_mm == pytest.approx(by_hand, abs=0.03)
        assert by_hand - 0.1 < proposal.length_mm < by_hand + 0.03
        assert stop_mm == np.floor(2.0 * by_hand) / 2.0
    assert all(trace.lacks_reference and trace.radiographic is None for trace in measured(name).canals[0].traces)
    assert (canal.stop and canal.stop.length_mm) == (decision and decision.length_mm)
    kept = json.loads((OLD / "cases" / f"{name}.wl.json").read_text(encoding="utf-8"))["canals"][0]
    assert [e.length_mm for e in canal.readings] == [r["length_mm"] for r in kept.get("electronic_readings", ())]
    assert (decision and (decision.by, decision.at, decision.note)) == (
        decision and tuple(kept["decision"][k] for k in ("by", "at", "reason"))
    )


@pytest.mark.parametrize(
    ("canal", "read_mm", "decided_mm"), [("MB", 20.5, 20.0), ("ML", 20.0, 19.5), ("D", 21.0, 20.5)]
)
def test_the_molars_readings_from_before_shaping_are_past(measured, canal, read_mm, decided_mm):
    """Three before the first decision, one after flaring, one after shaping: the last one speaks, and it is one."""
    facts = case_facts(measured("molar")).of(canal)
    kept = json.loads((OLD / "cases" / "molar.wl.json").read_text(encoding="utf-8"))
    (own,) = (one for one in kept["canals"] if one["name"] == canal)
    assert [e.length_mm for e in facts.readings] == [read_mm]
    assert [e.length_mm for e in facts.past_readings][:3] == [r["length_mm"] for r in own["electronic_readings"]]
    assert len(facts.past_readings) == 4
    assert (facts.electronic.status, facts.proposal.length_mm) == ("not established", None)
    assert (facts.decision.length_mm, facts.stop.length_mm, facts.stop.whose) == (decided_mm, decided_mm, "decided")
    assert facts.decision.id in {entry["id"] for entry in kept["entries"]}  # it stood there already: not entered again
    (stale,) = facts.stale  # one reading since the last file upholds no decision
    assert (stale.entry.id, [flag.code for flag in stale.reasons]) == (facts.decision.id, ["shaped-since"])


# --- what becomes of what stood in a canal ----------------------------------------------------------------------------------


@pytest.fixture
def old(body):
    """The bench case of the fixtures as version 1 wrote it, with readings and a decision in canal MB."""
    body = copy.deepcopy(body) | {"schema": "wlmeasure-case/1"}
    body["canals"][0] |= {
        "electronic_readings": [{"length_mm": 21.5, "mark": "foramen", "file_size": 15, "conditions": ["wet"]}] * 3,
        "decision": {"length_mm": 20.5, "by": "AB", "at": "2026-11-25T10:30", "reason": "readings repeat"},
    }
    return body


def logged(number, kind, minute, **more):
    at = f"2026-11-25T10:{minute:02d}:00"
    return {"id": f"e{number}", "kind": kind, "at": at, "by": "AB", "canal": "MB", "reference_point": CUSP} | more


def decided(number, minute, length_mm, **more):
    return logged(number, "decided working length", minute, length_mm=length_mm, **more)


def record_of(body):
    return LengthRecord(case_from_json(copy.deepcopy(body)).entries)


def test_readings_and_decision_become_entries_that_say_what_they_said(old):
    before = copy.deepcopy(old)
    *readings, decision = record_of(old).entries
    assert old == before
    assert [e.id for e in readings] == ["u1", "u2", "u3"]
    for one in readings:
        assert (one.kind, one.canal, one.reference_point) == ("electronic reading", "MB", CUSP)
        assert (one.length_mm, one.finding, one.size, one.conditions) == (21.5, "foramen", 15, ("wet",))
        assert (one.at, one.by, one.program) == (None, NOT_RECORDED, PROGRAM)
    assert (decision.kind, decision.length_mm, decision.by, decision.at, decision.note) == (
        *("decided working length", 20.5, "AB", "2026-11-25T10:30", "readings repeat"),
    )
    assert decision.proposed is None


def test_a_file_without_either_is_the_same_but_for_its_version(body):
    plain = copy.deepcopy(body) | {"schema": "wlmeasure-case/1"}
    assert upgraded(plain) == body
    assert case_from_json(plain) == case_from_json(body)


def test_ids_are_free(old):
    old["entries"] = [logged(1, "note", 1) | {"id": "u2"}]
    assert [e.id for e in record_of(old).entries] == ["u2", "u1", "u3", "u4", "u5"]


def test_a_decision_stands_where_it_was_taken(old):
    """Between two entries of the log, by its time: the file that came after it was held against it."""
    shaped = {"size": 20, "taper": 0.04, "length_mm": 20.0}
    old["entries"] = [logged(1, "patency", 20, finding="patent"), logged(2, "shaping file", 40, **shaped)]
    record = record_of(old)
    decision = record.decision("MB")
    assert (decision.length_mm, decision.before) == (20.5, "e2")
    places = record.places()
    assert places["e1"] < places[decision.id] < places["e2"]
    # The readings came before the shaping, too.
    assert record.readings("MB", CUSP)[0] == ()
    assert [e.length_mm for e in record.readings("MB", CUSP)[1]] == [21.5] * 3


def test_readings_come_before_what_they_led_to(old):
    old["entries"] = [
        logged(1, "electronic length", 10, length_mm=21.0),
        logged(2, "coronal flaring", 20),
        logged(3, "electronic reading", 25, length_mm=20.5, finding="foramen"),
        decided(4, 30, 20.5),
    ]
    now, past = record_of(old).readings("MB", CUSP)
    assert [e.id for e in now] == ["e3"]
    assert [e.length_mm for e in past] == [21.5] * 3
    assert {e.before for e in past} == {"e1"}


def test_a_decision_that_the_log_has_too_is_not_entered_again(old):
    old["entries"] = [decided(1, 30, 20.5)]
    record = record_of(old)
    assert record.decision("MB").id == "e1"
    assert sum(e.kind == "decided working length" for e in record.entries) == 1


@pytest.mark.parametrize(
    "rows", [[decided(1, 30, 20.0)], [decided(1, 30, 20.5), decided(2, 31, 19.0, supersedes="e1")]]
)
def test_two_decisions_that_differ_leave_none(old, rows):
    old["entries"] = rows
    record = record_of(old)
    assert record.decision("MB") is None
    note = record.entries[-1]
    assert (note.kind, note.by, note.canal, note.supersedes) == ("note", PROGRAM, "MB", rows[-1]["id"])
    assert note.note.startswith(
        "The file of version 1 held two decisions for canal MB: 20.5 mm by AB, 2026-11-25T10:30"
    )
    assert f"{rows[-1]['length_mm']} mm by AB ({rows[-1]['id']}) among the entries" in note.note
    assert {row["id"] for row in rows} <= {e.id for e in record.entries}
    # Deciding again settles it.
    again = record.with_entry(Entry(**decided(9, 50, 20.0)))
    assert again.decision("MB").id == "e9"


def test_a_canal_of_another_ones_name_inherits_no_decision(old):
    """Deleted and added again, or given another's name: version 1 said nothing of it in the log."""
    del old["canals"][0]["decision"]
    old["entries"] = [decided(1, 30, 20.0)]  # entered by hand: it holds
    assert record_of(old).decision("MB").id == "e1"
    old["entries"][0]["inputs_sha256"] = "0" * 64  # entered from what the canal held
    record = record_of(old)
    assert record.decision("MB") is None
    assert record.entries[-1].note == (
        "The file of version 1 held a decision that the canal does not have, for canal MB: none with the canal; "
        "20.0 mm by AB (e1) among the entries. Neither is taken over: decide the length again."
    )
    old["entries"].append(logged(2, "note", 35, supersedes="e1"))
    assert not [e for e in record_of(old).entries if e.by == PROGRAM and e.kind == "note"]


def test_of_three_decisions_that_differ_none_is_left(old):
    old["canals"][0]["decision"]["length_mm"] = 19.5
    old["entries"] = [decided(1, 30, 20.0), decided(2, 31, 21.0)]  # neither says that it supersedes the other
    assert record_of(old).decision("MB") is None


def test_what_was_struck_out_stays_struck_out(old):
    old["entries"] = [decided(1, 30, 20.5), logged(2, "note", 35, supersedes="e1")]
    record = record_of(old)
    assert record.decision("MB") is None
    assert not [e for e in record.entries if e.kind == "note" and e.by == PROGRAM]


def test_a_struck_out_decision_beside_another_one_is_a_contradiction(old):
    old["entries"] = [decided(1, 30, 19.0), logged(2, "note", 35, supersedes="e1")]
    record = record_of(old)
    assert record.decision("MB") is None
    assert "none that stands among the entries" in record.entries[-1].note


def test_unknown_members_are_kept_and_mean_nothing_else(old):
    """Also one that a member of an entry is called by, whatever it holds."""
    old["canals"][0]["electronic_readings"][0] = {"length_mm": 21.5, "mark": "foramen", "device": "x", "passes": "many"}
    old["canals"][0]["decision"] |= {"chair": 4, "supersedes": ["e9"]}
    first, *_, decision = record_of(old).entries
    assert first.extra == {"device": "x", "version_1_passes": "many"}
    assert decision.extra == {"chair": 4, "version_1_supersedes": ["e9"]}
    assert (first.passes, decision.supersedes) == (None, None)
    data = case_to_json(case_from_json(old))
    assert case_to_json(case_from_json(data)) == data


def test_a_reference_point_that_nobody_named_is_none(old):
    old["canals"][0]["reference_point"] = UNNAMED
    case = case_from_json(old)
    assert case.canals[0].reference_point is None
    assert {e.reference_point for e in case.entries} == {None}


def test_a_canal_that_the_case_has_no_more_is_taken_out_of_the_log(old):
    """Version 1 took a canal out, or renamed it, without a word in the log: a new one of that name begins empty."""
    old["entries"] = [decided(1, 30, 20.0) | {"canal": "ML"}, logged(2, "note", 40)]
    record = record_of(old)
    assert [(e.kind, e.canal) for e in record.entries[2:] if e.kind == "canal removed"] == [("canal removed", "ML")]
    assert record.decision("ML") is None
    assert record.standing("ML") == ()
    assert record.entries[0].canal == "ML"  # still there to be read


@pytest.mark.parametrize(
    ("member", "value", "message"),
    [
        ("electronic_readings", [{"length_mm": 21.5}], r"canals\[0\].electronic_readings\[0\].mark is missing"),
        ("electronic_readings", 5, r"canals\[0\].electronic_readings must be a list"),
        (
            "electronic_readings",
            [{"length_mm": 99, "mark": "foramen"}],
            r"electronic_readings\[0\].length_mm must be <= 60",
        ),
        ("decision", {"length_mm": 20.0, "by": "AB"}, r"canals\[0\].decision.at is missing"),
        ("decision", {"length_mm": 20.0, "by": "AB", "at": "soon"}, "decision.at of canal MB must be a date and time"),
        (
            "decision",
            {"length_mm": "x", "by": "AB", "at": "2026-11-25T10:30"},
            r"canals\[0\].decision.length_mm must be",
        ),
        ("reference_point", None, r"canals\[0\].reference_point is missing"),
    ],
)
def test_what_version_1_refused_is_refused(old, member, value, message):
    old["canals"][0][member] = value
    with pytest.raises(CaseError, match=message):
        case_from_json(old)


def test_the_archived_cases_say_what_they_said():
    for body in ARCHIVED.values():
        case = case_from_json(body)
        (reading,) = (e for e in case.entries if e.kind == "electronic reading")
        assert (reading.length_mm, reading.conditions, reading.size) == (21.5, ("wet",), 15)
        assert LengthRecord(case.entries).decision("MB").length_mm == 20.5


@pytest.mark.parametrize("name", ["id", "kind", "at", "canal", "supersedes", "before", "inputs_sha256"])
def test_a_log_whose_links_are_no_texts_is_refused_by_name(body, name):
    """Found by the fuzzer: a list as `supersedes` ended in a traceback."""
    body["schema"] = "wlmeasure-case/1"
    body["entries"] = [
        {"id": "e1", "kind": "decided working length", "at": "2026-01-01T10:00:00", "by": "AB", "canal": "MB"}
    ]
    body["entries"][0][name] = ["e1"]
    with pytest.raises(CaseError, match=rf"entries\[0\]\.{name}"):
        case_from_json(body)
