"""The treatment in words: one line an entry, and what is open in the record on text, page and JSON."""

import re
from html import unescape

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.record.case import Entry
from wlmeasure.record.facts import case_facts
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.progress import canal_progress
from wlmeasure.record.record import LengthRecord
from wlmeasure.share.html import html_page
from wlmeasure.share.report import report
from wlmeasure.share.result import record_text, result_json
from wlmeasure.share.timeline import (
    entry_words,
    found_rows,
    open_cautions,
    progress_words,
    timeline,
)

AT = "2026-11-25T10:30:00"
CUSP = "mesiobuccal cusp tip"


def entry(kind, number=1, **more):
    return Entry(id=f"e{number}", kind=kind, at=AT, by="AB", canal=more.pop("canal", "MB"), **more)


def rows(*given):
    """Entries of the bench case as JSON, a minute apart, from its reference point."""
    return [
        {
            "id": f"e{n}",
            "kind": kind,
            "at": f"2026-11-25T10:{n:02d}:00",
            "by": "AB",
            "canal": "MB",
            "reference_point": "cusp",
        }
        | more
        for n, (kind, more) in enumerate(given, 1)
    ]


@pytest.mark.parametrize(
    ("made", "line"),
    [
        (
            entry(
                "shaping file", size=25, taper=0.04, length_mm=19.0, length_std_mm=0.144, passes=3, reference_point=CUSP
            ),
            "2026-11-25 10:30, MB: shaping file size 25/.04 to 19.0 mm ± 0.3, 3 passes, from mesiobuccal cusp tip, by AB",
        ),
        (
            entry("electronic reading", length_mm=21.5, finding="foramen", size=8, rests_on=("e3",)),
            "2026-11-25 10:30, MB: electronic reading size 08 at 21.5 mm, at the foramen mark, rests on e3, by AB",
        ),
        (
            entry("trial file film", length_mm=20.0, distance_mm=-0.5, distance_std_mm=0.1),
            "2026-11-25 10:30, MB: trial file on the film with its stop at 20.0 mm, 0.50 mm ± 0.20 beyond the radiographic "
            "apex, by AB",
        ),
        (
            entry("filling check", distance_mm=0.8, note="dense"),
            "2026-11-25 10:30, MB: end of the filling, 0.80 mm short of the radiographic apex, by AB. dense",
        ),
        (
            entry("apical gauging", size=33, special=True, length_mm=21.0, finding="past", supersedes="e2"),
            "2026-11-25 10:30, MB: apical gauging size 33 special at 21.0 mm, goes past, in place of e2, by AB",
        ),
        (
            entry("separated fragment", level_mm=16.0, extent_mm=2.5, finding="bypassed"),
            "2026-11-25 10:30, MB: separated fragment, bypassed, 16.0 mm from the reference point, 2.5 mm long, by AB",
        ),
        (
            entry("canals joining", other_canal="ML", finding="owns the apex", distance_mm=3.0),
            "2026-11-25 10:30, MB: canals join, this canal owns the apex, 3.00 mm short of the apex, with canal ML, by AB",
        ),
        (
            entry("cusp shortened", canal=None, extent_mm=1.5),
            "2026-11-25 10:30, whole tooth: cusp shortened or lost, by 1.5 mm, by AB",
        ),
        (
            entry("decided working length", length_mm=22.5, confirmed=("length-beyond-apex",)),
            "2026-11-25 10:30, MB: decided working length at 22.5 mm, confirmed: length beyond apex, by AB",
        ),
        (
            entry("cone bend length", length_mm=20.0),
            "2026-11-25 10:30, MB: cone bend length (entry of a kind that this version does not know) at 20.0 mm, by AB",
        ),
        (entry("shaping file", size=20, taper=0.065), "2026-11-25 10:30, MB: shaping file size 20/.065, by AB"),
    ],
)
def test_an_entry_in_one_line(made, line):
    assert entry_words(made) == line


@given(length=st.floats(1.0, 60.0), kind=st.sampled_from(sorted(KIND_TABLE)))
def test_no_length_that_a_stop_is_set_by_is_written_longer_than_it_is(length, kind):
    """A measured length is given to the nearest 0.1 mm, as in every table; all others are rounded down."""
    (written,) = re.findall(r"(?:at|to) (\d+\.\d) mm", entry_words(entry(kind, length_mm=length)))
    if KIND_TABLE[kind].role in ("estimate", "measurement") and kind != "trial file film":
        assert abs(float(written) - length) < 0.05 + 1e-9
    else:
        assert float(written) <= length + 1e-9
        assert length - float(written) < 0.1 + 1e-9


def test_what_a_page_says_once_is_left_out_of_its_lines():
    made = entry("glide path", size=10, length_mm=20.5, finding="reproducible", reference_point="mesiobuccal cusp tip")
    known = {"MB": "mesiobuccal cusp tip"}
    assert entry_words(made, points=known, dated=False, signed=False) == (
        "10:30, MB: glide path size 10 to 20.5 mm, reproducible"
    )
    other = entry_words(made, points={"MB": "distal cusp tip"}, signed=False)
    assert other.endswith("reproducible, from mesiobuccal cusp tip")


def test_the_timeline_keeps_what_was_superseded_and_names_what_stands():
    record = LengthRecord((entry("note", 1), entry("note", 2, canal="ML"), entry("note", 3, supersedes="e1")))
    assert [(line.entry.id, line.superseded_by) for line in timeline(record)] == [
        ("e1", "e3"),
        ("e2", None),
        ("e3", None),
    ]
    whole = LengthRecord((*record.entries, entry("note", 4, canal=None)))
    assert [line.entry.id for line in timeline(whole, "ML")] == ["e2", "e4"]


# --- what is open, on every output ----------------------------------------------------------------------------------------


TREATED = (
    ("electronic reading", {"length_mm": 21.0, "finding": "constriction"}),
    ("decided working length", {"length_mm": 21.0}),
    ("shaping file", {"size": 20, "taper": 0.04, "length_mm": 21.0}),
    ("shaping file", {"size": 25, "taper": 0.04, "length_mm": 17.0}),
)


@pytest.fixture
def treated(bench):
    def treated(*given):
        return bench(entries=rows(*given))

    return treated


def test_text_page_and_json_say_what_is_open(treated):
    result = treated(*TREATED)
    cautions = open_cautions(case_facts(result))
    assert cautions == [
        "Canal MB: e1 (electronic reading), e2 (decided working length) no longer hold (through e3, e4). The canal was flared "
        "or shaped since it was measured; working lengths often shorten then. An electronic reading from the present "
        "reference point comes first; another film remains the clinician's choice.",
        "Canal MB: size 25/.04 stopped 4.0 mm short of working length.",
        "Canal MB: The working length that this is compared with no longer holds, so the advice holds no better.",
        "Canal MB: The file stopped at a distance for which the practice names no rule; it is the clinician's call.",
        "Canal MB: A file that makes no progress after a few insertions is withdrawn, never pressed.",
    ]
    text, page = record_text(result), unescape(html_page(report(result, made_at=AT, program="wlmeasure")))
    assert "\nOpen in the record\n" in text
    assert ">The course of the treatment</h2>" in page
    for caution in cautions:
        assert f"  ! {caution}\n" in text
        assert caution.removeprefix("Canal MB: ") in page  # under the canal's own heading
    record = result_json(result)["record"]
    assert [item["entry"] for item in record["stale"]] == ["e1", "e2"]
    assert record["stale"][0]["causes"] == ["e3", "e4"]
    (canal,) = record["canals"]
    assert (canal["shortfall_mm"], canal["shortfall"], canal["working_length_mm"]) == (4.0, "no rule", 21.0)


def test_what_is_settled_is_not_said(treated):
    fresh = ("electronic reading", {"length_mm": 21.0, "finding": "constriction"})
    result = treated(*TREATED[:2], fresh)
    assert "Open in the record" not in record_text(result)
    assert "Open in the record" not in html_page(report(result, made_at=AT, program="wlmeasure"))
    assert result_json(result)["record"]["stale"] == []


def test_a_case_without_entries_says_nothing(bench):
    result = bench()
    assert "Open in the record" not in record_text(result)
    assert result_json(result)["record"] == {"fault": None, "stale": [], "canals": []}


def test_entries_that_cannot_be_followed_are_said_and_the_films_still_measured(bench):
    broken = [*rows(*TREATED[:2]), rows(TREATED[0])[0] | {"id": "e9", "supersedes": "e5"}]
    result = bench(entries=broken)
    assert "  ! The record cannot be followed: entries[2].supersedes must name an earlier entry" in record_text(result)
    (canal,) = result_json(result)["canals"]
    assert canal["length_mm"] == pytest.approx(22.0)
    assert canal["working_length"]["decided_mm"] is None  # nothing in such a record counts
    assert canal["working_length"]["stop"]["whose"] == "proposed"


def test_an_entry_dated_by_a_wrong_clock_locks_nothing(bench):
    """The order in which entries were written counts; a time before the one above is no fault of the record."""
    result = bench(entries=rows(*TREATED[:2])[::-1])
    assert result_json(result)["record"]["fault"] is None
    assert result_json(result)["canals"][0]["working_length"]["decided_mm"] == 21.0


def test_the_next_instrument_of_the_users_list_is_named(bench):
    given = (*TREATED[:2], ("shaping file", {"size": 25, "taper": 0.06, "length_mm": 21.0}))
    gauge = ("apical gauging", {"size": 25, "length_mm": 22.0, "finding": "past"})
    result = bench(entries=rows(*given, gauge), instrument_list=["25/.06", "40/.06 max 1.00"])
    assert "Canal MB: next larger of the list: 40/.06 max 1.00." in open_cautions(case_facts(result))


def test_no_instrument_of_the_shipped_list_is_named(bench):
    """The shipped list is there to pick from; nobody said that it is what this practice has."""
    gauge = ("apical gauging", {"size": 25, "length_mm": 22.0, "finding": "past"})
    given = (*TREATED[:2], ("shaping file", {"size": 25, "taper": 0.04, "length_mm": 21.0}), gauge)
    lines = open_cautions(case_facts(bench(entries=rows(*given))))
    assert lines
    assert not [line for line in lines if "of the list" in line]


def test_a_file_past_the_working_length_is_said_so(treated):
    result = treated(*TREATED[:2], ("shaping file", {"size": 20, "taper": 0.04, "length_mm": 21.4}))
    lines = open_cautions(case_facts(result))
    assert "Canal MB: size 20/.04 went 0.4 mm past working length." in lines


@given(kinds=st.lists(st.sampled_from(sorted(KIND_TABLE)), max_size=8))
def test_no_line_orders_an_exposure_or_calls_a_length_safe(kinds):
    made = [
        entry(kind, n, length_mm=21.0, finding=(KIND_TABLE[kind].findings or (None,))[0])
        for n, kind in enumerate(kinds)
    ]
    for line in timeline(LengthRecord(tuple(made))):
        assert not re.search(r"\bsafe|\bmust\b|\bretake\b|\bexpos", line.text, re.IGNORECASE)
        assert "\n" not in line.text


def test_a_file_at_length_reached_it_and_did_not_stop_short_by_nothing():
    rows = [
        ("decided working length", {"length_mm": 21.0}),
        ("shaping file", {"size": 25, "taper": 0.04, "length_mm": 21.0}),
    ]
    made = [
        entry(kind, number, reference_point="mesiobuccal cusp tip", **more)
        for number, (kind, more) in enumerate(rows, 1)
    ]
    lines = progress_words(canal_progress(LengthRecord(tuple(made)), "MB"))
    assert lines[0] == "Canal MB: size 25/.04 reached working length."
    assert found_rows(canal_progress(LengthRecord(tuple(made)), "MB")) == ()
