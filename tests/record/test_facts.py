"""The facts of a canal: one answer for every output, whatever the log holds."""

import copy
import math

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wlmeasure.decide.electronic import CONDITIONS, ElectronicReading
from wlmeasure.errors import QuestionError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.record import edit
from wlmeasure.record.case import Canal, Case, Entry, Film, case_from_json, case_to_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import QUESTIONS, LengthRecord, decided, record_of
from wlmeasure.share.card import chart_note, stop_rows
from wlmeasure.share.report import report_file
from wlmeasure.share.result import record_text, result_json

CUSP, GROOVE = "mesiobuccal cusp tip", "central groove"
AT, NOW = "2026-11-25T11:00:00", "2026-12-01T09:00:00"
WHO = {"at": AT, "by": "KO"}
SHA = "0" * 64


def facts_of(case, canal="MB"):
    return case_facts(evaluate(case)).of(canal)


def decide(case, canal, length_mm, **more):
    given = {"at": AT, "by": "KO", "program": "test"} | more
    return attrs.evolve(case, entries=decided(evaluate(case), canal, length_mm, **given).entries)


def read(case, canal, *lengths_mm, finding="foramen"):
    for length in lengths_mm:
        case = edit.with_reading(case, canal, length, finding, **WHO)
    return case


def enter(case, kind, canal="MB", **more):
    entry = Entry(id=LengthRecord(case.entries).next_id(), kind=kind, canal=canal, **WHO, **more)
    return edit.with_entry(case, entry, confirmed=QUESTIONS)


@pytest.fixture
def case(body, tmp_path):
    """MB, 22 mm on the film from its cusp, and ML beside it with no trace."""
    body = copy.deepcopy(body)
    body["canals"].append({"name": "ML", "reference_point": "mesiolingual cusp tip", "traces": []})
    return case_from_json(body, folder=tmp_path)


# --- one stop, or none ------------------------------------------------------------------------------------------------------


def test_a_settled_proposal_sets_a_stop_until_something_is_decided(case):
    facts = facts_of(case)
    assert (facts.stop.length_mm, facts.stop.whose) == (facts.proposal.length_mm, "proposed")
    assert facts.stop.setting_mm == 0.5 * math.floor(2.0 * facts.proposal.length_mm) == 20.5
    assert facts.risk.length_mm == 20.5  # the stop as it is set, not the length before it was rounded
    assert facts.risk == facts.proposal.risk_of(20.5)
    facts = facts_of(decide(case, "MB", 20.3))
    assert (facts.stop.length_mm, facts.stop.setting_mm, facts.stop.whose, facts.stop.by) == (
        20.3,
        20.0,
        "decided",
        "KO",
    )
    assert facts.risk == facts.proposal.risk_of(20.0)
    assert facts.flags == ()


@pytest.mark.parametrize("lengths", [(20.5,), (20.5, 20.5), (20.5, 20.5, 19.5)])
def test_readings_that_establish_nothing_set_no_stop(case, lengths):
    facts = facts_of(read(case, "MB", *lengths))
    assert (facts.proposal.status, facts.stop) == ("not established", None)


def test_striking_out_a_decision_leaves_the_proposal_and_deciding_elsewhere_brings_nothing_back(case):
    """Once the other canal's decision re-entered it, under its initials."""
    case = read(decide(case, "MB", 20.0), "ML", 20.5, 20.5, 20.5)
    case = edit.struck_out(case, LengthRecord(case.entries).decision("MB").id, **WHO)
    for after in (case, decide(case, "ML", 20.0, by="AB")):
        facts = facts_of(after)
        assert (facts.decision, facts.stop.whose, facts.stop.length_mm) == (None, "proposed", facts.proposal.length_mm)
        assert sum(e.kind == "decided working length" and e.canal == "MB" for e in after.entries) == 1


def test_a_decision_from_another_point_sets_no_stop_and_says_so(case):
    case = decide(case, "MB", 20.0)
    moved = edit.renamed_canal(case, "MB", "MB", GROOVE, **WHO)
    facts = facts_of(moved)
    assert (facts.decision.length_mm, facts.stop) == (20.0, None)
    assert [flag.code for flag in facts.flags] == ["decided-from-another-point"]
    assert [reason.code for item in facts.stale for reason in item.reasons if item.entry.kind != "film length"] == [
        "reference-changed"
    ]
    assert "does not count from the canal's present reference point" in record_text(evaluate(moved))
    unnamed = edit.renamed_canal(case, "MB", "MB", None, **WHO)
    facts = facts_of(unnamed)
    assert (facts.stop, facts.flags[0].code) == (None, "reference-not-named")
    assert facts_of(edit.renamed_canal(moved, "MB", "MB", CUSP, **WHO)).stop.length_mm == 20.0


# --- what no longer holds -----------------------------------------------------------------------------------------------------


def reasons(facts):
    return {item.entry.id: {reason.code for reason in item.reasons} for item in facts.stale}


def test_a_decision_on_a_reading_that_was_struck_out_still_sets_its_stop_with_the_reason_beside_it(case):
    case = decide(read(case, "MB", 20.5, 20.5, 20.5), "MB", 20.0)
    held = LengthRecord(case.entries).decision("MB")
    case = edit.struck_out(case, held.rests_on[-1], **WHO)
    facts = facts_of(case)
    assert reasons(facts) == {held.id: {"rests-on-superseded"}}
    assert (facts.stop.length_mm, facts.stop.whose) == (20.0, "decided")
    assert "rests on an entry that was superseded since" in record_text(evaluate(case))


def test_a_film_traced_anew_after_the_decision_is_said(case):
    """0.5 mm shorter: said at once, and settled by deciding on it. The same trace again says nothing."""
    case = decide(case, "MB", 20.0)
    (trace,) = case.canals[0].traces
    again = edit.with_trace(case, "MB", attrs.evolve(trace))
    assert (facts_of(again).flags, facts_of(again).stale) == ((), ())
    shorter = edit.with_trace(case, "MB", attrs.evolve(trace, path_px=((20.0, 60.0), (450.0, 60.0))))
    facts = facts_of(shorter)
    assert [flag.code for flag in facts.flags] == ["decided-on-another-film-length"]
    assert facts.stop.length_mm == 20.0
    new = decide(shorter, "MB", 20.0)
    assert (facts_of(new).flags, facts_of(new).stale) == ((), ())


@pytest.mark.parametrize(("shorter_mm", "said"), [(0.04, False), (0.09, False), (0.12, True), (-0.12, True)])
def test_hundredths_are_no_other_length(case, shorter_mm, said):
    """0.05 mm a pixel: another version of the tracer moves an end by hundredths, which no ruler shows."""
    case = decide(case, "MB", 20.0)
    (trace,) = case.canals[0].traces
    moved = attrs.evolve(trace, path_px=((20.0, 60.0), (trace.path_px[-1][0] - shorter_mm / 0.05, 60.0)))
    assert bool(facts_of(edit.with_trace(case, "MB", moved)).flags) is said


def test_readings_after_shaping_uphold_the_decision_or_ask_for_another(case):
    case = decide(read(case, "MB", 20.5, 20.5, 20.5), "MB", 20.0)
    shaped = enter(case, "shaping file", size=25, taper=0.04, length_mm=20.0)
    held = LengthRecord(case.entries).decision("MB").id
    assert reasons(facts_of(shaped))[held] == {"shaped-since"}
    assert facts_of(shaped).stop.length_mm == 20.0
    upheld = facts_of(read(shaped, "MB", 20.5, 20.0, 20.5))
    assert (upheld.stale, len(upheld.past_readings)) == ((), 3)
    assert upheld.proposal.length_mm == pytest.approx(19.7, abs=0.1)
    shorter = facts_of(read(shaped, "MB", 19.5, 19.5, 19.5))
    assert reasons(shorter) == {held: {"shaped-since"}}
    assert (
        18.8 < shorter.proposal.length_mm < 19.2
    )  # readings of before speak for a longer canal, and hold it up a little
    again = decide(read(shaped, "MB", 19.5, 19.5, 19.5), "MB", 19.0)
    (item,) = facts_of(again).stale  # the file alone, which was held against the longer one
    assert (item.entry.kind, [reason.code for reason in item.reasons]) == ("shaping file", ["working-length-changed"])


def test_a_corrected_reading_stays_where_it_was_taken(case):
    """Typed wrong before the flaring and put right after it; also one that was written down late."""
    case = read(case, "MB", 20.5)
    first = case.entries[-1]
    case = enter(case, "coronal flaring")
    flared = case.entries[-1].id
    case = enter(case, "electronic reading", length_mm=20.0, finding="foramen", supersedes=first.id)
    corrected = case.entries[-1].id
    case = enter(case, "electronic reading", length_mm=21.0, finding="foramen", before=flared)
    late = case.entries[-1].id
    facts = facts_of(case)
    assert (facts.readings, [e.id for e in facts.past_readings]) == ((), [corrected, late])
    case = enter(case, "electronic reading", length_mm=20.7, finding="foramen", supersedes=late)
    assert [e.length_mm for e in facts_of(case).past_readings] == [20.0, 20.7]
    assert facts_of(case).readings == ()


def test_withdrawal_is_coded_once(case, monkeypatch):
    """A practice that withdraws 1.0 mm: proposal, what upholds a decision and its change follow from the one place."""
    case = decide(case, "MB", 20.0)
    case = read(enter(case, "coronal flaring"), "MB", 21.0, 21.0, 21.0)
    facts = facts_of(case)
    assert (facts.electronic.length_mm, facts.stale, facts.treatment.change.change_mm) == (20.5, (), 0.5)
    monkeypatch.setattr(ElectronicReading, "constriction_mm", lambda self, withdraw_mm=1.0: self.length_mm - 1.0)
    facts = facts_of(case)
    assert (facts.electronic.length_mm, facts.stale, facts.treatment.change.change_mm) == (20.0, (), 0.0)
    far = read(case, "MB", 22.0, 22.0, 22.0, 22.0)
    assert facts_of(far).electronic.length_mm == 21.0


# --- canals that come and go ------------------------------------------------------------------------------------------------


def empty(facts):
    return (facts.readings, facts.past_readings, facts.electronic, facts.decision, facts.stop, facts.treatment) == (
        *((), (), None, None, None, None),
    )


def test_a_new_canal_of_an_old_name_begins_empty(case):
    case = enter(decide(read(case, "ML", 20.5, 20.5, 20.5), "ML", 20.0), "patency", "ML", finding="patent")
    gone = edit.without_canal(case, "ML", **WHO)
    assert record_of(gone)[0].standing("ML") == ()
    assert gone.entries[: len(case.entries)] == case.entries  # readable still
    again = edit.with_canal(gone, "ML", "mesiolingual cusp tip")
    assert empty(facts_of(again, "ML"))
    later = read(again, "ML", 19.5)
    assert [e.length_mm for e in facts_of(later, "ML").readings] == [19.5]


def test_a_canal_under_another_name_keeps_what_was_entered(case):
    case = decide(read(case, "ML", 20.5, 20.5, 20.5), "ML", 20.0)
    case = enter(case, "canals joining", "MB", other_canal="ML", finding="owns the apex")
    renamed = edit.renamed_canal(case, "ML", "L", "mesiolingual cusp tip", **WHO)
    new = edit.with_canal(renamed, "ML", "mesiolingual cusp tip")
    before, after = facts_of(case, "ML"), facts_of(new, "L")
    assert [e.id for e in after.readings] == [e.id for e in before.readings]
    assert (after.decision.id, after.stop) == (before.decision.id, before.stop)
    assert empty(facts_of(new, "ML"))
    joined = next(e for e in record_of(new)[0].standing("MB") if e.kind == "canals joining")
    assert joined.other_canal == "L"


# --- laws -------------------------------------------------------------------------------------------------------------------

CANALS = ("MB", "ML", "D")
FINDINGS = sorted({word for rule in KIND_TABLE.values() for word in rule.findings})
OFTEN = ("electronic reading", "decided working length", "coronal flaring", "shaping file", "note")
TIMES = (None, "1999-01-01T00:00", AT, "2026-11-25T10:30:00+05:00", NOW, "2062-01-01T10:00:00Z")
IMAGE = Radiograph.from_array(np.full((12, 12), 1000, np.uint16))
LENGTHS = st.none() | st.sampled_from((1.0, 20.0, 20.4, 20.5, 21.0, 60.0)) | st.floats(1.0, 60.0)


def bare_case(entries=(), canals=CANALS):
    film = Film(id="f1", path="f.png", sha256=IMAGE.sha256, rows=12, cols=12)
    made = tuple(Canal(name=name, reference_point=CUSP, traces=()) for name in canals)
    return Case(tooth="46", case_id="law", films=(film,), canals=made, entries=tuple(entries))


def measured(case):
    return evaluate(case, {"f1": IMAGE})


@st.composite
def entries(draw, canals=(*CANALS, None, "X"), kinds=(*OFTEN, *OFTEN, *KIND_TABLE, "of a newer version"), most=12):
    """A log as a stranger's file may hold it: any kind with any members, right or not, but ids that can be followed."""
    out = []
    for number in range(draw(st.integers(0, most))):
        earlier = st.none() | st.sampled_from([e.id for e in out]) if out else st.none()
        canal = draw(st.sampled_from(canals))
        own = [e.id for e in out if e.canal == canal] if canals == CANALS else [e.id for e in out]
        earlier = st.none() | st.none() | st.sampled_from(own) if own else st.none()
        out.append(
            Entry(
                id=f"e{number}",
                kind=draw(st.sampled_from(kinds)),
                at=draw(st.sampled_from(TIMES)),
                by="AB",
                canal=canal,
                reference_point=draw(st.sampled_from((CUSP, CUSP, GROOVE, None))),
                length_mm=draw(LENGTHS),
                length_std_mm=draw(st.none() | st.floats(0.0, 1.0)),
                finding=draw(st.none() | st.just("foramen") | st.sampled_from((*FINDINGS, "odd"))),
                size=draw(st.none() | st.sampled_from((10, 25, 33))),
                taper=draw(st.none() | st.just(0.04)),
                distance_mm=draw(st.none() | st.floats(-3.0, 3.0)),
                level_mm=draw(st.none() | st.just(15.0)),
                conditions=draw(st.sampled_from(((), (), ("wet",), ("odd", CONDITIONS[0])))),
                other_canal=draw(st.none() | st.sampled_from(CANALS)) if canals != CANALS else None,
                film_sha256=draw(st.none() | st.just(IMAGE.sha256)),
                rests_on=tuple(draw(st.lists(st.sampled_from(own), max_size=2))) if own else (),
                supersedes=draw(earlier),
                before=draw(earlier),
            )
        )
    return out


def said(facts):
    """What the facts say of one canal, but for its name."""
    return (
        [e.id for e in facts.readings],
        [e.id for e in facts.past_readings],
        facts.electronic,
        facts.decision and facts.decision.id,
        facts.stop,
        (facts.proposal.status, facts.proposal.length_mm),
    )


def in_treatment(log):
    """The log in the order of the treatment: each entry put into a list where it belongs."""
    out = []
    for entry in log:
        ids = [e.id for e in out]
        if entry.before is not None:
            out.insert(ids.index(entry.before), entry)
        elif entry.supersedes is not None and entry.kind != "decided working length":
            out.insert(ids.index(entry.supersedes) + 1, entry)
        else:
            out.append(entry)
    return out


def named_now(log):
    """Each entry with the name that its canal has at the end, None for one of a canal taken out: replayed by hand."""
    rows = []
    for entry in log:
        if entry.kind == "canal renamed" and None not in (entry.canal, entry.other_canal):
            for row in rows:
                row[1] = entry.canal if row[1] == entry.other_canal else row[1]
        if entry.kind == "canal removed" and entry.canal is not None:
            rows = [[e, "gone for good" if name == entry.canal else name] for e, name in rows]
        rows.append([entry, entry.canal])
    return rows


@settings(max_examples=150)
@given(log=entries())
def test_no_log_makes_the_facts_or_an_output_fail(log):
    result = measured(bare_case(log))
    facts = case_facts(result)
    data, text = result_json(result), record_text(result)
    rows = stop_rows(result, allowances_mm={"cone": 0.0})
    for k, canal in enumerate(facts.canals):
        stop = canal.stop
        assert (
            chart_note(result, canal.name) is None
            if stop is None
            else f"{canal.name}: working length" in (chart_note(result, canal.name))
        )
        assert rows[-1][k + 1] == ("–" if stop is None else f"{stop.setting_mm:.1f}")
        told = data["canals"][k]["working_length"]
        assert (told["stop"] and told["stop"]["length_mm"]) == (stop and stop.length_mm)
        part = text[text.index(f"Canal {canal.name}:") :].split("\n\n")[0]
        assert ("stop setting     none: " in part) == (stop is None)
        assert stop is None or f"{stop.setting_mm:.1f} mm on a ruler" in part


@settings(max_examples=15)
@given(log=entries(most=8))
def test_no_log_makes_a_report_fail(log):
    page = report_file(measured(bare_case(log)), "a.html", made_at="2026-12-01 10:00", program="test").content
    assert b"Working length, tooth 46" in page


@given(log=entries())
def test_the_decision_is_the_last_one_made_if_it_stands(log):
    facts = case_facts(measured(bare_case(log)))
    gone = {entry.supersedes for entry in log}
    names = {e.id: now for e, now in named_now(log)}
    assert LengthRecord(tuple(log)).places() == {e.id: k for k, e in enumerate(in_treatment(log))}
    for name in CANALS:
        made = [
            e
            for e in in_treatment(log)
            if (e.kind, names[e.id]) == ("decided working length", name) and e.length_mm is not None
        ]
        last = [e.id for e in made if e.id not in {other.supersedes for other in made}][-1:]
        held = facts.of(name).decision
        assert ([] if held is None else [held.id]) == [one for one in last if one not in gone]


@given(log=entries())
def test_readings_now_and_past_are_the_standing_readings_of_the_canal(log):
    facts = case_facts(measured(bare_case(log)))
    gone = {entry.supersedes for entry in log}
    for name in CANALS:
        standing = {
            e.id
            for e, now in named_now(log)
            if (e.kind, now) == ("electronic reading", name)
            and e.id not in gone
            and e.length_mm is not None
            and e.finding in ("foramen", "constriction", "beyond")
        }
        now, past = ([e.id for e in part] for part in (facts.of(name).readings, facts.of(name).past_readings))
        assert sorted((*now, *past)) == sorted(standing)
        assert (facts.of(name).electronic is None) == (not now)


@given(log=entries(), name=st.sampled_from(CANALS))
def test_a_removed_canal_leaves_nothing_in_force(log, name):
    case = bare_case(log)
    others = {n: said(case_facts(measured(case)).of(n)) for n in CANALS if n != name}
    gone = edit.without_canal(case, name, **WHO)
    new = case_facts(measured(edit.with_canal(gone, name, CUSP)))
    assert empty(new.of(name))
    assert {n: said(new.of(n)) for n in others} == others


@given(log=entries(), name=st.sampled_from(CANALS))
def test_a_renamed_canal_keeps_everything(log, name):
    case = bare_case(log)
    before = case_facts(measured(case))
    renamed = edit.renamed_canal(case, name, "new", CUSP, **WHO)
    after = case_facts(measured(renamed))
    assert said(after.of("new")) == said(before.of(name))
    assert {n: said(after.of(n)) for n in CANALS if n != name} == {n: said(before.of(n)) for n in CANALS if n != name}


@given(log=entries(canals=CANALS), seed=st.randoms())
def test_the_order_between_canals_changes_nothing(log, seed):
    """Each canal's entries in their own order, shuffled among the others'."""
    mixed = {name: [e for e in log if e.canal == name] for name in CANALS}
    turns = [e.canal for e in log]
    seed.shuffle(turns)
    shuffled = [mixed[name].pop(0) for name in turns]
    kinds = {"canal renamed", "canal removed"}
    one, other = (case_facts(measured(bare_case([e for e in each if e.kind not in kinds]))) for each in (log, shuffled))
    if one.fault is None and other.fault is None:
        assert [said(canal) for canal in one.canals] == [said(canal) for canal in other.canals]
    else:  # an entry that names one of the kinds left out
        assert (one.fault is None) == (other.fault is None)


@given(log=entries(), name=st.sampled_from(CANALS))
def test_no_clock_locks_a_record(log, name):
    """Whatever was dated how: the next reading and the next decision go in, and each entry that stands can be superseded."""
    case = edit.with_reading(bare_case(log), name, 20.5, "foramen", at=NOW, by="KO", confirmed=QUESTIONS, now=NOW)
    read_now = case.entries[-1]
    facts = case_facts(measured(case)).of(name)
    assert read_now.id in {e.id for e in facts.readings}
    record = decided(measured(case), name, 20.0, at=NOW, by="KO", program="test", confirmed=QUESTIONS, now=NOW)
    case = attrs.evolve(case, entries=record.entries)
    facts = case_facts(measured(case)).of(name)
    assert (facts.decision.id, facts.stop.length_mm, facts.stop.whose) == (record.entries[-1].id, 20.0, "decided")
    for entry in record.standing():
        case = edit.struck_out(case, entry.id, at=NOW, by="KO")
    assert [e.kind for e in record_of(case)[0].standing() if e.by != "KO"] == []
    assert empty_but_treatment(case_facts(measured(case)).of(name))
    assert case_from_json(case_to_json(case)).entries == case.entries


def empty_but_treatment(facts):
    return (facts.readings, facts.past_readings, facts.decision) == ((), (), None)


@given(at=st.sampled_from(TIMES[1:]), other=st.sampled_from(TIMES[1:]))
def test_a_clock_asks_at_most_one_question_and_one_answer_is_enough(at, other):
    record = LengthRecord((Entry(id="e1", kind="note", at=at, by="AB"),))
    new = Entry(id="e2", kind="note", at=other, by="AB")
    codes = tuple(question.code for question in record.questions(new, now=NOW))
    assert len(codes) <= 1
    assert ("in-the-future" in codes) == (other[:4] == "2062")
    if codes:
        with pytest.raises(QuestionError):
            record.with_entry(new, now=NOW)
    assert record.with_entry(new, now=NOW, confirmed=codes).entries[-1].confirmed == codes
