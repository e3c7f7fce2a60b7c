"""The line of the next step: a table of states with its words written by hand, and laws over every combination of them."""

import re

import pytest
from attrs import asdict, evolve
from hypothesis import given, settings
from hypothesis import strategies as st
from wlmeasure_napari._guide import KEYS, LONGEST, Doubt, State, next_step

EMPTY = State(who="nobody")
SAID = State()
FILM = State(film=True)
TOOTH = State(film=True, tooth=True, canal="MB")
SCALED = evolve(TOOTH, scale=True, known_length=True)
NAMED = evolve(SCALED, point="mesiobuccal cusp tip")
TRACED = evolve(NAMED, traced=True, traced_on="f1", measured="9.5 mm")
MARKED = evolve(
    TRACED,
    marked=True,
    measured="21.2 mm",
    counted_on="f1",
    proposal="film only",
    proposed="20.0 mm",
    proposed_end="to the estimated constriction",
)
ONE = evolve(MARKED, readings=1, usable=1, electronic="not established", proposal="not established", proposed="")
TWO = evolve(ONE, readings=2, usable=2)
THREE = evolve(MARKED, readings=3, usable=3, electronic="stable", proposal="concordant", proposed="20.0 mm")
DECIDED = evolve(THREE, decided="20.0 mm")
SAVED = evolve(DECIDED, unsaved=False)
SHAPED = Doubt("Decided 20.0 mm", "shaped since", "read")
AGAIN = Doubt("Decided 20.0 mm", "shaped since", "decide")

# What stands in the line, by hand; the key; the part of the dock.
TABLE = {
    "nothing said, nothing open": (EMPTY, "nobody has said who is working; enter your initials", "field Working", "head"),
    "nothing open": (SAID, "nothing is open; drop a film", "button Open film", "film"),
    "films of a folder": (evolve(SAID, listed=True), "films are listed; open one", "double click", "film"),
    "file of frames": (evolve(SAID, frames=3), "3 frames; choose one", "button Open frame", "film"),
    "a film before anybody said who works": (evolve(FILM, who="nobody"), "enter your initials", "field Working", "head"),
    "film without tooth": (FILM, "no tooth yet; enter it, such as 46", "field Tooth", "film"),
    "several teeth in the header": (evolve(FILM, teeth=True), "names several teeth; choose the one measured",
                                    "list under Tooth", "film"),
    "tooth that may be two": (evolve(FILM, question=True), "a question stands; answer it", "buttons at the foot", "foot"),
    "another patient": (evolve(SCALED, who="unconfirmed"), "another case is open", "button Confirm", "head"),
    "another patient, who cleared": (evolve(SCALED, who="nobody"), "enter your initials", "field Working", "head"),
    "look only": (evolve(SAVED, looked_at=True, who="unconfirmed"), "another window has this case", "button Open case", "film"),
    "reading a film": (evolve(SAID, busy="Reading the film"), "Reading the film …", "", ""),
    "tracing": (evolve(NAMED, busy="Tracing", tool="canal", placed=3), "Tracing …", "", ""),
    "question in the midst of work": (evolve(THREE, question=True), "a question stands", "buttons at the foot", "foot"),
    "no scale, no length": (TOOTH, "no millimetres without a scale; enter the file's length", "field Stop to tip", "scale"),
    "no scale": (evolve(TOOTH, known_length=True), "click the file's stop, then its tip", "S", "scale"),
    "stop said not to be seen": (evolve(TOOTH, known_length=True, upper="reference"),
                                 "stop not seen; click the shaft where it is first seen, its tip, what the stop rested on", "S",
                                 "scale"),
    "neither said to be seen": (evolve(TOOTH, known_length=True, upper="out of the picture"),
                                "the file begins out of the picture; click the shaft where it is first seen, then its tip", "S",
                                "scale"),
    "length said not to be known": (evolve(TOOTH, upper="no length"),
                                    "the file's length is not known; click the shaft where it is first seen, then its tip", "S",
                                    "scale"),
    "file in hand": (evolve(TOOTH, tool="file", known_length=True), "say so under scale); click the file's stop", "click",
                     "scale"),
    "stop not seen": (evolve(TOOTH, tool="file", upper="reference"), "click the shaft where it is first seen", "click",
                      "scale"),
    "shaft and tip": (evolve(TOOTH, tool="file", upper="reference", placed=2), "click the edge or cusp it rested on", "click",
                      "scale"),
    "edge is marked": (evolve(TOOTH, tool="file", upper="reference", placed=2, rest_offered=True, point="cusp"),
                       "the cusp is marked; if it rested there take that", "Enter", "scale"),
    "edge placed": (evolve(TOOTH, tool="file", upper="reference", placed=3), "enter the known length", "field Stop to tip",
                    "scale"),
    "edge of a file that stands": (evolve(TOOTH, tool="rest", upper="reference"), "the file's stop is not seen; click", "click",
                                   "scale"),
    "neither seen": (evolve(TOOTH, upper="out of the picture", lone_file="out of the picture", claims=True),
                     "upper end is out of the picture; take the spacing", "button Use claim", "scale"),
    "no length, a claim": (evolve(TOOTH, upper="no length", lone_file="no length", claims=True), "the file has no length; take",
                           "button Use claim", "scale"),
    "stop clicked": (evolve(TOOTH, tool="file", placed=1), "click the file's tip", "click", "scale"),
    "both ends, no length": (evolve(TOOTH, tool="file", placed=2), "both ends stand; enter the known length",
                             "field Stop to tip", "scale"),
    "object in hand": (evolve(TOOTH, tool="object"), "click one end", "click", "scale"),
    "object, one end": (evolve(TOOTH, tool="object", placed=1), "click the other end", "click", "scale"),
    "object, both ends": (evolve(TOOTH, tool="object", placed=2), "both ends stand; enter the object's length", "field Object",
                          "scale"),
    "file found": (evolve(TOOTH, tool="file", found="file", share=93, placed=2, known_length=True),
                   "a file is found (93 of 100 right on synthetic films); check both ends, then accept", "Enter", "scale"),
    "file found, no length": (evolve(TOOTH, tool="file", found="file", share=93, placed=2),
                              "check both ends, enter its length", "field Stop to tip", "scale"),
    "tip found": (evolve(TOOTH, tool="file", found="tip", share=71), "no stop; click the stop", "click", "scale"),
    "tip found, stop clicked": (evolve(TOOTH, tool="file", found="tip and click", share=71, placed=2, known_length=True),
                                "a tip is found", "Enter", "scale"),
    "no canal": (evolve(SCALED, canal=""), "no canal yet; add one", "button Add", "canals"),
    "point not named": (SCALED, "canal MB counts from no point yet; name the cusp or edge", "field From", "canals"),
    "point not named, though traced": (evolve(TRACED, point=""), "name the cusp or edge", "field From", "canals"),
    "point not named, though read": (evolve(ONE, point="", counted_on=""), "name the cusp", "field From", "canals"),
    "not traced": (NAMED, "canal MB is not traced yet; click orifice, canal, apical end", "T", "canals"),
    "tracing by hand": (evolve(NAMED, tool="canal"), "canal MB; click the orifice", "click", "canals"),
    "one point": (evolve(NAMED, tool="canal", placed=1), "click along the canal, last its apical end", "click", "canals"),
    "two points": (evolve(NAMED, tool="canal", placed=2), "go on to the apical end, then accept", "Enter", "canals"),
    "marks carried over": (evolve(NAMED, carried="f2", tool="canal", placed=5), "marks of film f2", "Enter", "canals"),
    "traced, on to the cusp": (evolve(TRACED, tool="reference"), "click the mesiobuccal cusp tip", "click", "canals"),
    "traced, on to a point without name": (evolve(TRACED, tool="reference", point=""), "click the coronal reference point",
                                           "click", "canals"),
    "the file's stop lies there": (evolve(TRACED, tool="reference", stop_offered=True),
                                   "stop may rest on the mesiobuccal cusp tip", "Enter", "canals"),
    "not marked": (TRACED, "9.5 mm from the orifice; mark the mesiobuccal cusp tip", "R", "canals"),
    "not marked, no scale": (evolve(TRACED, measured="", scale=False, readings=1, usable=1, electronic="not established"),
                             "mark the mesiobuccal cusp tip", "R", "canals"),
    "not marked on the other film": (evolve(TRACED, traced=False, measured=""), "traced on film f1", "list Film in view",
                                     "canals"),
    "no readings": (MARKED, "film alone: 20.0 mm to the estimated constriction; read the apex locator, 3 times",
                    "field Reading", "readings"),
    "no readings, nothing from the film": (evolve(MARKED, proposal="not established", proposed=""),
                                           "gives no length; read the apex locator", "field Reading", "readings"),
    "another film in view, nothing read": (evolve(MARKED, traced=False, marked=False, scale=False, measured=""),
                                           "read the apex locator", "field Reading", "readings"),
    "one reading": (ONE, "not established with 1 reading; read again, 2 more", "field Reading", "readings"),
    "two readings": (TWO, "not established with 2 readings; read again, 1 more", "field Reading", "readings"),
    "only beyond": (evolve(ONE, electronic="none", usable=0), "beyond is no length; draw back", "field Reading", "readings"),
    "readings from before": (evolve(MARKED, past=3), "3 readings from before no longer count; read again", "field Reading",
                             "readings"),
    "spread": (evolve(THREE, electronic="unstable", span_mm=1.5, proposal="not established", proposed=""),
               "the readings spread over 1.5 mm; read again", "field Reading", "readings"),
    "conflict": (evolve(THREE, proposal="conflict", proposed=""), "film and readings conflict; check trace", "field Reading",
                 "readings"),
    "caution": (evolve(THREE, proposal="caution"), "lie far apart; check both, then decide", "field Decided", "length"),
    "settled": (THREE, "proposed length 20.0 mm, concordant; decide", "field Decided", "length"),
    "settled by readings alone": (evolve(THREE, traced=False, traced_on="", counted_on="", marked=False, scale=False,
                                         proposal="reading only"), "reading only; decide", "field Decided", "length"),
    "a reading asked about": (evolve(ONE, asked="reading"), "asked about; mend it, or enter the same once more",
                              "field Reading", "readings"),
    "a decision asked about": (evolve(THREE, asked="decision"), "asked about", "button Decide", "length"),
    "an entry asked about": (evolve(DECIDED, asked="entry"), "asked about", "button Enter", "entry"),
    "shaping file offered": (evolve(SAVED, draft="Shaping file 20/.04 at 20 mm"), "shaping file 20/.04 at 20 mm is offered",
                             "Enter", "entry"),
    "shaping file asked about": (evolve(SAVED, draft="Shaping file 20/.04 at 20 mm", asked="entry"), "record it once more",
                                 "Enter", "entry"),
    "gauge offered": (evolve(SAVED, draft="Apical gauging 20 at 20 mm", gauging=True), "say how it sat", "S, L, H or P",
                      "entry"),
    "decided, not saved": (DECIDED, "20.0 mm decided, not saved yet; save the case", "Ctrl+S", "record"),
    "decided, another film in view": (evolve(DECIDED, traced=False, marked=False, scale=False, measured=""), "save the case",
                                      "Ctrl+S", "record"),
    "decided, another canal open": (evolve(DECIDED, open_canal="ML"), "canal MB is decided; go on with ML",
                                    "list Canal in hand", "canals"),
    "decided, another canal in doubt": (evolve(SAVED, doubted_canal="D"), "in canal D something no longer holds",
                                        "list Canal in hand", "canals"),
    "decided and saved": (SAVED, "done and saved; record the first shaping file", "N", "entry"),
    "decided with a warning, saved": (evolve(SAVED, remarked=True),
                                      "20.0 mm saved, with a warning; record the first shaping file", "N",
                                      "entry"),
    "shaped and saved": (evolve(SAVED, afterwards="gauge"), "done and saved; gauge", "G", "entry"),
    "gauged and saved": (evolve(SAVED, afterwards="report"), "done and saved; write the report", "button Report", "record"),
    "stale": (evolve(SAVED, doubt=SHAPED, readings=0, past=3, usable=0, electronic="none"),
              "decided 20.0 mm no longer holds: shaped since; take a reading first", "field Reading", "readings"),
    "stale, read once": (evolve(SAVED, doubt=AGAIN, readings=1, usable=1, electronic="not established"),
                         "not established with 1 reading; read again, 2 more", "field Reading", "readings"),
    "stale, read three times": (evolve(SAVED, doubt=AGAIN), "shaped since; decide again", "field Decided", "length"),
    "stale, measured on a film since": (evolve(SAVED, doubt=AGAIN, readings=0, usable=0, electronic="none"), "decide again",
                                        "field Decided", "length"),
    "stale file": (evolve(SAVED, doubt=Doubt("Shaping file 19.5 mm", "another working length", "file")),
                   "no longer holds: another working length; take it to length again", "N", "entry"),
    "stale gauge": (evolve(SAVED, doubt=Doubt("Apical gauging 20.0 mm", "shaped on since", "gauge")), "gauge again", "G",
                    "entry"),
    "stale cone": (evolve(SAVED, doubt=Doubt("Master cone 20.0 mm", "shaped on since", "cone")), "fit it again",
                   "list Kind of entry", "entry"),
    "decided, the point's name taken away": (evolve(SAVED, point=""), "name the cusp or edge", "field From", "canals"),
    "record that cannot be followed": (evolve(SAVED, fault=True), "cannot be followed", "button Open case", "record"),
    "a walk through films asks nobody's name": (evolve(SCALED, who="nobody", recorded=False, point="x", canal="MB"),
                                                "is not traced yet", "T", "canals"),
}  # fmt: skip


def test_the_table_has_every_state_once():
    assert len(TABLE) >= 60
    assert len({tuple(map(str, asdict(row[0]).values())) for row in TABLE.values()}) == len(TABLE)


@pytest.mark.parametrize("name", TABLE)
def test_each_state_is_told_what_is_missing_why_and_by_which_key(name):
    state, words, key, place = TABLE[name]
    step = next_step(state)
    assert words.casefold() in step.words.casefold()
    assert (step.key, step.place) == (key, place)


TEXT = st.text(alphabet="abcdefghij KLM", min_size=1, max_size=60).map(str.strip).filter(bool)
LENGTH = st.floats(1, 40).map(lambda mm: f"{mm:.1f} mm")
DOUBTS = st.builds(
    Doubt,
    st.sampled_from(
        ["Decided 20.0 mm", "Irrigated and recapitulated 20.0 mm", "Preoperative estimate of the tooth's length"]
    ),
    st.sampled_from(["another reference point", "what it rests on changed", "the film gives another length"]),
    st.sampled_from(["read", "decide", "file", "gauge", "cone"]),
)
STATES = st.builds(
    State,
    busy=st.sampled_from(["", "", "", "Tracing"]),
    question=st.sampled_from([False, False, False, True]),
    looked_at=st.sampled_from([False, False, False, True]),
    recorded=st.booleans(),
    who=st.sampled_from(["said", "said", "nobody", "unconfirmed"]),
    film=st.sampled_from([True, True, True, False]),
    listed=st.booleans(),
    frames=st.sampled_from([0, 0, 0, 12]),
    tooth=st.sampled_from([True, True, True, False]),
    teeth=st.booleans(),
    draft=st.sampled_from(
        ["", "", "", "Shaping file 20/.04 at 20 mm", "Irrigated and recapitulated 20/.04 special at 20.25 mm"]
    ),
    gauging=st.booleans(),
    asked=st.sampled_from(["", "", "", "reading", "decision", "entry"]),
    found=st.sampled_from(["", "", "", "", "file", "tip", "tip and click"]),
    share=st.integers(0, 100),
    carried=st.one_of(st.just(""), st.just(""), TEXT),
    tool=st.sampled_from(["look", "look", "look", "file", "rest", "object", "canal", "reference"]),
    placed=st.integers(0, 9),
    known_length=st.booleans(),
    stop_offered=st.booleans(),
    upper=st.sampled_from(["stop", "stop", "reference", "out of the picture", "no length"]),
    rest_offered=st.booleans(),
    lone_file=st.sampled_from(["", "", "out of the picture", "no length"]),
    claims=st.booleans(),
    outside=st.booleans(),
    scale=st.booleans(),
    canal=st.one_of(TEXT, TEXT, st.just("")),
    point=st.one_of(TEXT, TEXT, st.just("")),
    traced=st.booleans(),
    marked=st.booleans(),
    measured=st.one_of(st.just(""), LENGTH),
    traced_on=st.one_of(st.just(""), TEXT),
    counted_on=st.one_of(st.just(""), TEXT),
    readings=st.integers(0, 4),
    past=st.integers(0, 12),
    usable=st.integers(0, 4),
    electronic=st.sampled_from(["none", "not established", "unstable", "stable"]),
    span_mm=st.floats(0, 9),
    proposal=st.sampled_from(
        ["concordant", "ordinary anatomy", "caution", "conflict", "film only", "reading only", "not established"]
    ),
    proposed=st.one_of(st.just(""), LENGTH),
    decided=st.one_of(st.just(""), LENGTH),
    remarked=st.booleans(),
    doubt=st.one_of(st.none(), DOUBTS),
    open_canal=st.one_of(st.just(""), st.just(""), TEXT),
    doubted_canal=st.one_of(st.just(""), st.just(""), TEXT),
    fault=st.sampled_from([False, False, False, True]),
    unsaved=st.booleans(),
    afterwards=st.sampled_from(["shape", "gauge", "report"]),
)


def named_keys(step):
    """The keys, fields and buttons that a line names after its colon; a click is named by its own word."""
    tail = step.words.rsplit(": ", 1)[-1]
    return [
        key
        for key in KEYS
        if tail == key or (key in ("click", "double click") and re.search(rf"\b{key}\b", step.words))
    ]


@settings(max_examples=1500, deadline=None)
@given(STATES)
def test_laws_of_the_line_over_every_combination(state):
    step = next_step(state)
    line = step.words
    assert 0 < len(line) <= LONGEST, line
    assert "_" not in line
    assert not line.endswith(".")
    assert step == next_step(state)  # from the state alone
    if state.busy:
        assert (step.key, step.place) == ("", "")
        return
    assert step.key in KEYS
    assert step.place
    assert step.key in named_keys(step), line
    said = line.casefold()
    if "done" in said:
        assert state.decided
        assert not state.unsaved
        assert state.doubt is None
        assert not (state.remarked)
        assert not (state.open_canal)
        assert not (state.doubted_canal)
        assert not (state.fault)
        assert not (state.asked)
        assert not (state.question)
        assert state.point
    if step.key == "Ctrl+S":
        assert state.unsaved
        assert state.doubt is None
    if step.key == "T":
        assert not (state.decided)
        assert not (state.counted_on)
        assert not (state.traced_on)
    if step.missing == "decide":
        assert state.proposal in ("concordant", "ordinary anatomy", "film only", "reading only")
        assert state.electronic == "stable"
    if step.missing.startswith("decide") and state.readings:
        assert state.electronic == "stable"
    if state.decided and state.doubt is not None and step.place in ("record",):
        assert state.fault


@settings(max_examples=400, deadline=None)
@given(STATES)
def test_what_is_named_can_be_done_in_that_state(state):
    """The key of a step does nothing but what the session takes then."""
    key = next_step(state).key
    if key == "R":
        assert state.traced
        assert not state.marked
    if key in ("T", "R", "S", "N", "G") or key.startswith("field D"):
        assert state.film
        assert state.tooth
        assert not state.looked_at
    if key in ("N", "G"):
        assert state.decided or state.doubt is not None
    if key == "field Decided":
        assert state.point
    if key == "list Film in view":
        assert state.traced_on
        assert not state.traced
