"""The table of kinds: what an entry needs and may hold, and what is asked before it is taken."""

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError
from wlmeasure.record import edit
from wlmeasure.record.case import Entry, Proposed, case_digest, case_from_json, case_to_json, save_case
from wlmeasure.record.kinds import FINDING_WORDS, KIND_TABLE, QUANTITIES
from wlmeasure.record.record import KINDS, LengthRecord

AT = "2026-11-25T10:30:00"
CUSP = "mesiobuccal cusp tip"
VALUES = {
    "length_mm": 21.0,
    "length_std_mm": 0.144,
    "length_below_mm": 1.1,
    "length_above_mm": 0.2,
    "size": 25,
    "special": False,
    "taper": 0.04,
    "passes": 2,
    "distance_mm": 1.0,
    "distance_std_mm": 0.1,
    "level_mm": 14.0,
    "extent_mm": 3.0,
    "other_canal": "ML",
    "conditions": ("wet",),
    "proposed": Proposed(status="concordant", length_mm=20.5, length_std_mm=0.3),
}
OLD_KINDS = sorted(set(KIND_TABLE) - set(KINDS))
# A full entry of each kind that needs more than its kind: what the brief of the record calls each entry by.
EXAMPLES = {
    "trial file film": {"length_mm": 20.0, "distance_mm": 1.0},
    "glide path": {"size": 15, "length_mm": 21.0, "finding": "reproducible"},
    "shaping file": {"size": 25, "taper": 0.04, "length_mm": 19.0, "passes": 3},
    "apical gauging": {"size": 25, "length_mm": 21.0, "finding": "snug"},
    "cone fit": {"size": 25, "length_mm": 20.7, "finding": "resistance"},
    "filling check": {"distance_mm": 0.8},
    "separated fragment": {"level_mm": 16.0, "extent_mm": 2.5, "finding": "not bypassed"},
    "canals joining": {"other_canal": "ML", "finding": "owns the apex", "distance_mm": 3.0},
}


def entry(kind="note", number=1, **more):
    return Entry(id=f"e{number}", kind=kind, at=AT, by="AB", canal=more.pop("canal", "MB"), **more)


def needed(kind):
    """The least entry of a kind."""
    rule = KIND_TABLE[kind]
    words = {name: rule.findings[0] if name == "finding" else VALUES[name] for name in rule.needs}
    return entry(kind, reference_point=CUSP, film_sha256="0" * 64, **words)


def full(kind):
    """An entry of a kind that holds all it may."""
    rule = KIND_TABLE[kind]
    words = {name: rule.findings[0] if name == "finding" else VALUES[name] for name in rule.may_hold}
    if "length_std_mm" in words and "length_mm" not in words:
        del words["length_std_mm"]
    return entry(kind, reference_point=CUSP, film_sha256="0" * 64, note="seen", rests_on=(), **words)


# --- the table ----------------------------------------------------------------------------------------------------------


def test_the_table_holds_every_step_of_the_treatment():
    assert set(KIND_TABLE) == {
        *("preoperative estimate", "trial file film", "film length", "length in space"),
        *("electronic reading", "electronic length"),
        *("proposed working length", "decided working length", "glide path", "coronal flaring", "shaping file"),
        *("irrigation and recapitulation", "patency", "apical gauging", "cone fit", "filling check"),
        *("block", "ledge", "perforation", "separated fragment", "old filling removed", "canals joining"),
        *(
            "reference point changed",
            "cusp shortened",
            "canal renamed",
            "canal removed",
            "film calibrated anew",
            "note",
        ),
    }


def test_what_is_computed_is_read_from_version_1_and_never_entered(full_case):
    assert OLD_KINDS == ["electronic length", "proposed working length"]
    for kind in OLD_KINDS:
        for made in (needed(kind), full(kind)):
            with pytest.raises(CaseError, match=f"^kind must be one of preoperative estimate, .*: '{kind}'"):
                LengthRecord().with_entry(made)
            case = attrs.evolve(full_case, entries=(made,))
            assert case_from_json(case_to_json(case)).entries == (made,)
            assert LengthRecord((made,)).standing("MB") == (made,)


@pytest.mark.parametrize("kind", KIND_TABLE)
def test_a_row_is_sound(kind):
    rule = KIND_TABLE[kind]
    assert set(rule.may_hold) <= set(QUANTITIES)
    assert not set(rule.needs) & set(rule.allows)
    assert ("finding" in rule.may_hold) == bool(rule.findings)
    assert len(kind) <= 40
    attrs.fields(Entry)  # every quantity is a member of an entry
    assert set(QUANTITIES) <= {field.name for field in attrs.fields(Entry)}
    if rule.bounded:
        assert "length_mm" in rule.needs
    if rule.on_ruler:
        assert "length_std_mm" in rule.may_hold
    if "distance_mm" in rule.may_hold:
        assert rule.distance_words.startswith("of ")


def test_every_word_for_a_finding_belongs_to_a_kind():
    assert set(FINDING_WORDS) <= {word for rule in KIND_TABLE.values() for word in rule.findings}


@pytest.mark.parametrize("kind", KINDS)
def test_the_least_and_the_fullest_entry_are_written_and_come_back_from_json(kind, full_case):
    for made in (needed(kind), full(kind)):
        (written,) = LengthRecord().with_entry(made, canals=("MB", "ML")).entries
        assert written == made
        case = attrs.evolve(full_case, entries=(written,))
        assert case_from_json(case_to_json(case)).entries == (written,)


@pytest.fixture
def full_case(body):
    body["canals"].append({"name": "ML", "reference_point": "mesiolingual cusp tip", "traces": []})
    return case_from_json(body)


@pytest.mark.parametrize("kind", EXAMPLES)
def test_examples(kind):
    assert LengthRecord().with_entry(entry(kind, reference_point=CUSP, **EXAMPLES[kind])).entries[0].kind == kind


@pytest.mark.parametrize(("kind", "name"), [(kind, name) for kind in KINDS for name in KIND_TABLE[kind].needs])
def test_what_a_kind_needs_is_asked_for_by_name(kind, name):
    record = LengthRecord()
    with pytest.raises(CaseError, match=f"^{name} must be given for an entry of kind '{kind}'"):
        record.with_entry(attrs.evolve(needed(kind), **{name: None}))


@pytest.mark.parametrize("kind", KINDS)
def test_what_a_kind_has_no_place_for_is_refused(kind):
    for name in set(QUANTITIES) - set(KIND_TABLE[kind].may_hold):
        value = "snug" if name == "finding" else VALUES[name]
        with pytest.raises(CaseError, match=f"^{name} must be left out of an entry of kind '{kind}'"):
            LengthRecord().with_entry(attrs.evolve(needed(kind), **{name: value}))


@pytest.mark.parametrize("kind", [kind for kind, rule in KIND_TABLE.items() if rule.findings])
def test_a_finding_of_another_kind_is_refused(kind):
    with pytest.raises(CaseError, match=r"^finding must be one of"):
        LengthRecord().with_entry(attrs.evolve(needed(kind), finding="tight"))


@pytest.mark.parametrize("kind", KINDS)
def test_only_what_holds_for_the_whole_tooth_stands_without_a_canal(kind):
    made = attrs.evolve(needed(kind), canal=None)
    if KIND_TABLE[kind].whole_tooth:
        assert LengthRecord().with_entry(made).standing(None)[0].canal is None
    else:
        with pytest.raises(CaseError, match=r"^canal must be named"):
            LengthRecord().with_entry(made)


# --- bad input: nothing half-written --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("made", "message"),
    [
        (
            entry("patency", canal="DL", finding="patent"),
            r"canal must be one of the tooth \(MB, ML\): 'DL'; add it first",
        ),
        (
            entry("canals joining", other_canal="DL", finding="owns the apex"),
            r"other_canal must be one of the tooth \(MB, ML\): 'DL'",
        ),
        (entry("canals joining", other_canal="MB", finding="owns the apex"), "other_canal must be another canal"),
        (entry("decided working length", length_mm=21.0), "reference_point must be named"),
        (entry("reference point changed"), r"reference_point must be named .* the new one"),
        (entry("film calibrated anew"), "film_sha256 must be given"),
        (entry("note", length_std_mm=0.1), "length_std_mm must stand beside a length_mm"),
        (
            entry("canals joining", other_canal="ML", finding="owns the apex", distance_std_mm=0.1),
            "distance_std_mm must stand beside",
        ),
        (entry("patency", finding="patent", rests_on=("e7",)), "rests_on must name earlier entries: 'e7' is none"),
        (entry("patency", finding="patent", size=33), r'size must be one of ISO 3630-1 .* write "33 special"'),
        (
            entry("patency", finding="patent", length_mm=2.1),
            r"length_mm must be a length in millimetres: 2.1 mm\? Or 21 mm\? .* confirm 'length-in-centimetres'",
        ),
        (entry("ledge", level_mm=1.6), r"level_mm must be a length in millimetres: 1.6 mm\? Or 16 mm\?"),
    ],
)
def test_bad_input_is_refused_and_nothing_is_entered(made, message):
    record = LengthRecord((entry("note", 9),))
    with pytest.raises(CaseError, match=message):
        record.with_entry(made, canals=("MB", "ML"))
    assert [e.id for e in record.entries] == ["e9"]


def test_a_special_size_is_taken_when_it_is_called_special():
    made = entry("patency", finding="patent", size=33, special=True)
    assert LengthRecord().with_entry(made).entries[0].size == 33
    assert edit.typed_size(" 33 special ") == (33, True)
    assert edit.typed_size("25") == (25, False)
    assert edit.typed_size("08") == (8, False)
    for text in ("33", "0 special", "2.5", "", "special", "25 /.04", "²5", "3333"):
        with pytest.raises(CaseError, match="size must be"):
            edit.typed_size(text)


def test_centimetres_are_asked_about_and_never_guessed():
    record = LengthRecord()
    made = entry("decided working length", length_mm=2.1, reference_point=CUSP)
    assert [question.code for question in record.questions(made)] == ["length-in-centimetres"]
    (kept,) = record.with_entry(made, confirmed=("length-in-centimetres",)).entries
    assert (kept.length_mm, kept.confirmed) == (2.1, ("length-in-centimetres",))
    with pytest.raises(CaseError, match=r"must be a number of millimetres such as 21.5, not of centimetres: '2,1 cm'"):
        edit.typed_number("2,1 cm", "length")


@pytest.mark.parametrize(
    "apex",
    [
        entry("film length", length_mm=22.0, status="radiographic apex", reference_point=CUSP),
        entry("film length", length_mm=22.0, status="open apex", reference_point=CUSP),
        entry("trial file film", length_mm=20.5, distance_mm=1.5, reference_point=CUSP),
        entry("trial file film", length_mm=22.5, distance_mm=-0.5, reference_point=CUSP),
    ],
)
@pytest.mark.parametrize("kind", [kind for kind, rule in KIND_TABLE.items() if rule.bounded])
def test_a_length_beyond_the_radiographic_apex_is_asked_about(apex, kind):
    record = LengthRecord((apex,))
    beyond = attrs.evolve(needed(kind), id="e2", length_mm=22.5)
    with pytest.raises(CaseError, match=r"radiographic apex, at 22.00 mm: 22.5 mm\? .*confirm 'length-beyond-apex'"):
        record.with_entry(beyond)
    kept = record.with_entry(beyond, confirmed=("length-beyond-apex",)).entries[-1]
    assert kept.confirmed == ("length-beyond-apex",)
    assert record.with_entry(attrs.evolve(beyond, length_mm=22.0)).entries[-1].confirmed == ()
    elsewhere = attrs.evolve(beyond, reference_point="distal cusp")
    assert record.with_entry(elsewhere).entries[-1].confirmed == ()


def test_the_shortest_standing_apex_counts():
    first = entry("film length", 1, length_mm=22.0, status="radiographic apex", reference_point=CUSP)
    second = entry("trial file film", 2, length_mm=20.0, distance_mm=1.4, reference_point=CUSP)
    other = entry("film length", 3, length_mm=19.0, status="apical foramen", reference_point=CUSP)
    record = LengthRecord((first, second, other))
    assert record.apex_mm("MB", CUSP) == pytest.approx(21.4)
    withdrawn = record.with_entry(entry("note", 4, supersedes="e2"))
    assert withdrawn.apex_mm("MB", CUSP) == 22.0
    assert (withdrawn.apex_mm("ML", CUSP), withdrawn.apex_mm(None, CUSP)) == (None, None)


def test_a_confirmation_that_was_not_asked_for_is_not_written():
    made = entry("patency", finding="patent", confirmed=("length-beyond-apex",))
    assert LengthRecord().with_entry(made, confirmed=("anything",)).entries[0].confirmed == ()


def test_an_entry_is_corrected_once():
    record = LengthRecord((entry("note", 1),)).with_entry(entry("note", 2, supersedes="e1"))
    with pytest.raises(CaseError, match="'e1' was superseded by 'e2'; correct that one"):
        record.with_entry(entry("note", 3, supersedes="e1"))


def test_a_correction_belongs_where_the_corrected_entry_stood():
    reading = {"length_mm": 21.0, "finding": "constriction", "reference_point": CUSP}
    record = LengthRecord(
        (
            entry("electronic reading", 1, **reading),
            entry("shaping file", 2, size=25, taper=0.04, length_mm=19.0, reference_point=CUSP),
            entry("electronic reading", 3, supersedes="e1", **reading),
            entry("decided working length", 4, length_mm=21.0, reference_point=CUSP),
            entry("decided working length", 5, length_mm=20.5, reference_point=CUSP, supersedes="e4"),
        )
    )
    assert record.places() == {"e1": 0, "e3": 1, "e2": 2, "e4": 3, "e5": 4}
    assert [e.id for e in record.in_order("MB")] == ["e3", "e2", "e5"]


@given(kinds=st.lists(st.sampled_from(KINDS), max_size=12))
def test_the_record_only_grows(kinds):
    record = LengthRecord()
    for number, kind in enumerate(kinds):
        grown = record.with_entry(attrs.evolve(needed(kind), id=f"e{number}"))
        assert grown.entries[:-1] == record.entries
        record = grown
    assert [e.kind for e in record.entries] == kinds


# --- through the case -----------------------------------------------------------------------------------------------------


def test_an_entry_through_the_case_takes_what_the_case_knows(full_case):
    """The canal's reference point, and the ruler's 0.144 mm (0.5 mm, rectangular) for what is read by hand."""
    made = entry("shaping file", size=25, taper=0.04, length_mm=19.0)
    case = edit.with_entry(full_case, made)
    assert case.entries[0].reference_point == CUSP
    assert case.entries[0].length_std_mm == pytest.approx(0.5 / 12**0.5)
    assert full_case.entries == ()
    decided = edit.with_entry(case, entry("decided working length", 2, length_mm=21.0)).entries[-1]
    assert (decided.length_std_mm, decided.reference_point) == (None, CUSP)
    film = edit.with_entry(case, entry("film length", 2, length_mm=22.0)).entries[-1]
    assert film.length_std_mm is None  # a ruler says nothing of a length on a film
    stated = edit.with_entry(case, attrs.evolve(made, id="e2", length_std_mm=0.3)).entries[-1]
    assert stated.length_std_mm == 0.3


def test_a_refused_entry_leaves_case_and_file_as_they_were(full_case, tmp_path):
    path = tmp_path / "case.wl.json"
    save_case(full_case, path)
    before = path.read_bytes()
    for made in (entry("patency", canal="DL", finding="patent"), entry("decided working length", length_mm=2.1)):
        with pytest.raises(CaseError):
            edit.with_entry(full_case, made)
    assert (full_case.entries, path.read_bytes()) == ((), before)


def test_the_users_instruments_replace_the_example(full_case):
    assert [one.label for one in full_case.instruments] == ["20/.04", "25/.04", "30/.04", "35/.04"]
    case = edit.with_instruments(full_case, ["25/.06 max 1.00", "", " 33/.05 special "])
    assert case.instrument_list == ("25/.06 max 1.00", "33/.05 special")
    assert [one.size for one in case.instruments] == [25, 33]
    assert case_from_json(case_to_json(case)).instruments == case.instruments
    assert case_digest(case) == case_digest(full_case)
    with pytest.raises(CaseError, match="instrument_list: instrument list, line 2: taper"):
        edit.with_instruments(full_case, ["25/.06", "25/6"])
    assert edit.with_instruments(case, []).instruments == full_case.instruments


def test_an_entry_of_an_older_file_reads_as_it_did(body):
    body["entries"] = [{"id": "e1", "kind": "film length", "at": AT, "by": "AB", "canal": "gone", "new": 5}]
    (old,) = case_from_json(body).entries
    assert (old.canal, old.extra, old.rests_on, old.size) == ("gone", {"new": 5}, (), None)
    assert case_to_json(case_from_json(body))["entries"] == body["entries"]
