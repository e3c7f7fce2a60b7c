"""Where the treatment stands: the rules of the trade applied to what a record holds."""

import json
from math import pi

import attrs
import numpy as np
import pytest

from wlmeasure.decide.advice import ADVICE
from wlmeasure.decide.filling import filling_length
from wlmeasure.decide.shaping import Gauge, apical_size
from wlmeasure.record.case import Entry, case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.progress import bend_strains, canal_progress, case_progress
from wlmeasure.record.record import LengthRecord
from wlmeasure.trade.instruments import EXAMPLE_SEQUENCE, Instrument

CUSP = "mesiobuccal cusp tip"


def record_of(*rows):
    entries = []
    for number, (kind, more) in enumerate(rows, 1):
        at = f"2026-11-25T10:{number:02d}:00"
        known = {"canal": "MB", "reference_point": CUSP} | more
        entries.append(Entry(id=f"e{number}", kind=kind, at=at, by="AB", **known))
    return LengthRecord(tuple(entries))


def decided(length_mm=21.0, **more):
    return "decided working length", {"length_mm": length_mm} | more


def shaped(size=25, length_mm=21.0, **more):
    return "shaping file", {"size": size, "taper": 0.04, "length_mm": length_mm} | more


def gauged(size, finding, length_mm, **more):
    return "apical gauging", {"size": size, "finding": finding, "length_mm": length_mm} | more


def cone(length_mm, finding="resistance"):
    return "cone fit", {"size": 25, "length_mm": length_mm, "finding": finding}


def progress(*rows, instruments=EXAMPLE_SEQUENCE):
    return canal_progress(record_of(*rows), "MB", instruments)


@pytest.mark.parametrize(
    ("reached_mm", "room"),
    [
        (19.0, "enough room"),
        (15.5, "back to the previous file"),
        (17.0, "no rule"),
        (20.5, "at length"),
        (20.2, "no rule"),
    ],
)
def test_the_last_shaping_file_is_held_against_the_working_length(reached_mm, room):
    """T7.8 through the record."""
    found = progress(decided(), shaped(20), shaped(25, reached_mm))
    assert (found.shortfall.room, found.file.id) == (room, "e3")


def test_gauging_after_a_file_at_length():
    """T7.9 through the record."""
    start = [decided(), shaped(20), shaped(25)]
    snug = progress(*start, gauged(25, "snug", 21.0))
    assert (snug.gauging.verdict, snug.gauging.apical_size) == ("shaped", 25)
    past = progress(*start, gauged(25, "past", 22.0))
    assert (past.gauging.verdict, past.gauging.next_instrument) == ("shape larger", Instrument(30, 0.04))
    assert progress(*start, gauged(25, "short", 19.5)).gauging.verdict == "gauge again"


def test_the_row_of_gauges_gives_the_apical_size():
    """T7.4 through the record, with the hand files in the order they were tried."""
    found = progress(
        decided(), shaped(25), gauged(20, "past", 22.0), gauged(30, "short", 20.2), gauged(25, "snug", 21.0)
    )
    assert (found.apical.size, found.apical.confirmed) == (25, True)


def test_a_next_larger_gauge_that_stops_short_confirms_and_does_not_unsay():
    """The order of a practice: 25 snug, then 30 to be sure, which stops 1 mm short. The size 25 is what is shaped."""
    found = progress(decided(), shaped(25), gauged(25, "snug", 21.0), gauged(30, "short", 20.0))
    assert (found.apical.size, found.apical.confirmed) == (25, True)
    assert (found.gauging.verdict, found.gauging.apical_size, found.gauge.id) == ("shaped", 25, "e3")
    assert "gauge-not-valid" not in {flag.code for flag in found.flags}
    # Not confirmed, since it stopped only a little short: the last word is the last gauge's.
    near = progress(decided(), shaped(25), gauged(25, "snug", 21.0), gauged(30, "short", 20.6))
    assert not near.apical.confirmed


def test_a_filled_canal_keeps_only_what_was_met_and_where_the_filling_ends():
    """What each step advised before is done with; a perforation is not."""
    steps = [decided(), shaped(25), gauged(25, "snug", 21.0), ("perforation", {"level_mm": 12.0})]
    before = {flag.code for flag in progress(*steps).flags}
    after = {flag.code for flag in progress(*steps, ("filling check", {"distance_mm": 2.4})).flags}
    assert {"file-at-length", "gauge-snug", "perforation-noted"} <= before
    assert after == {"perforation-noted", "filling-short"}


def test_gauges_from_before_the_last_file_do_not_count():
    found = progress(decided(), shaped(25), gauged(25, "loose", 21.0), shaped(30))
    assert (found.gauging, found.apical, found.gauge) == (None, None, None)


def test_a_file_that_stopped_short_has_not_shaped_the_end():
    """25 stopped 2 mm short: a size 20 gauge is that of the last file at length."""
    found = progress(decided(), shaped(20), shaped(25, 19.0), gauged(20, "snug", 21.0))
    assert found.gauging.verdict == "shaped"


def test_gauges_that_contradict_each_other_give_a_remark_and_no_apical_size():
    found = progress(decided(), shaped(25), gauged(25, "short", 19.0), gauged(30, "past", 22.0))
    assert found.apical is None
    assert "gauge-contradicts" in {flag.code for flag in found.flags}


@pytest.mark.parametrize(
    ("row", "verdict"),
    [(cone(20.7), "fits"), (cone(21.4), "beyond"), (cone(20.2), "short"), (cone(20.8, "no resistance"), "not fitted")],
)
def test_cone_fit(row, verdict):
    """T7.11 through the record."""
    assert progress(decided(), shaped(25), row).cone_fit.verdict == verdict


def test_a_cone_of_another_size_than_gauged():
    gauge = gauged(30, "snug", 21.0)
    found = progress(decided(), shaped(30), gauge, cone(20.8))
    assert "cone-other-size" in {flag.code for flag in found.flags}
    assert "cone-other-size" not in {flag.code for flag in progress(decided(), shaped(25), cone(20.8)).flags}


@pytest.mark.parametrize(("distance_mm", "verdict"), [(-0.3, "long"), (0.5, "adequate"), (2.1, "short")])
def test_filling(distance_mm, verdict):
    """T7.7 through the record; it needs no working length."""
    assert progress(("filling check", {"distance_mm": distance_mm})).filling.verdict == verdict


@pytest.mark.parametrize(("after_mm", "advice"), [(20.8, "info"), (20.2, "measure again")])
def test_change_of_the_decided_length(after_mm, advice):
    """T7.6 through the record."""
    assert progress(decided(), decided(after_mm, supersedes="e1")).change.advice == advice


@pytest.mark.parametrize(
    ("row", "change_mm", "advice"),
    [
        (("electronic reading", {"length_mm": 20.8, "finding": "constriction"}), -0.2, "info"),
        (("electronic reading", {"length_mm": 20.7, "finding": "foramen"}), -0.8, "measure again"),
        (("electronic reading", {"length_mm": 21.5, "finding": "foramen"}), 0.0, "none"),
    ],
)
def test_a_reading_since_the_decision_shows_the_change(row, change_mm, advice):
    """T7.6 by a reading after flaring; a foramen reading less 0.5 mm (T2.1)."""
    found = progress(decided(), ("coronal flaring", {}), row)
    assert (found.change.change_mm, found.change.advice) == (pytest.approx(change_mm), advice)


@pytest.mark.parametrize(
    ("length_mm", "distance_mm", "working_mm", "remarks"),
    [
        pytest.param(22.0, 1.0, 22.0, set(), id="T1.4 k 1.0, Ingle & Bakland, Endodontics, wording from memory"),
        pytest.param(22.0, -0.5, 20.5, {"tip-beyond-apex"}, id="T1.5 with k 1.0"),
        pytest.param(20.5, 2.5, 22.0, {"correction-confirm"}, id="T1.6"),
        pytest.param(18.0, 4.0, None, {"correction-too-large"}, id="too far to calculate: our parameter"),
    ],
)
def test_a_trial_file_film(length_mm, distance_mm, working_mm, remarks):
    """Tentative length plus the distance on the film less the end allowance, until a length is decided on it."""
    trial = ("trial file film", {"length_mm": length_mm, "distance_mm": distance_mm})
    found = progress(trial).trial
    assert found.length_mm == (None if working_mm is None else pytest.approx(working_mm))
    assert {flag.code for flag in found.flags} == remarks
    assert progress(trial, decided()).trial is None
    assert progress(decided(), trial).trial is not None


def test_advice_on_a_working_length_that_no_longer_holds_says_so(body):
    reading = ("electronic reading", {"length_mm": 21.0, "finding": "constriction"})
    record = record_of(reading, decided(), shaped(20), shaped(25, 19.0))
    case = attrs.evolve(case_from_json(body), entries=record.entries)
    assert case_progress(case).canals[0].flags[0].code == "working-length-open"
    settled = record_of(reading, decided(), shaped(20), shaped(25, 19.0), reading, reading, reading)
    case = attrs.evolve(case, entries=settled.entries)
    assert "working-length-open" not in {flag.code for flag in case_progress(case).canals[0].flags}


def test_a_change_of_reference_point_is_no_change_of_length():
    elsewhere = decided(19.0, reference_point="central groove")
    found = progress(decided(), shaped(20, 19.0), elsewhere)
    assert (found.change, found.shortfall) == (None, None)


@pytest.mark.parametrize(
    ("kind", "more", "better", "code"),
    [
        (
            "glide path",
            {"size": 10, "length_mm": 20.0, "finding": "not reproducible"},
            "reproducible",
            "glide-path-open",
        ),
        ("patency", {"finding": "not patent"}, "patent", "not-patent"),
        ("block", {"level_mm": 18.0, "finding": "not passed"}, "passed", "block-open"),
        ("ledge", {"level_mm": 18.0, "finding": "not bypassed"}, "bypassed", "ledge-open"),
        (
            "separated fragment",
            {"level_mm": 18.0, "extent_mm": 2.0, "finding": "not bypassed"},
            "bypassed",
            "fragment-open",
        ),
        ("canals joining", {"other_canal": "ML", "finding": "ends in the other"}, "owns the apex", "joins-other"),
    ],
)
def test_what_stands_in_the_way_is_said_until_it_is_found_otherwise(kind, more, better, code):
    assert code in {flag.code for flag in progress((kind, more)).flags}
    assert code not in {flag.code for flag in progress((kind, more), (kind, more | {"finding": better})).flags}
    if "level_mm" in more:  # another one, higher up, says nothing of the first
        elsewhere = more | {"finding": better, "level_mm": 12.0}
        assert code in {flag.code for flag in progress((kind, more), (kind, elsewhere)).flags}


def test_a_perforation_stays_said_when_it_was_closed():
    row = ("perforation", {"level_mm": 18.0, "finding": "closed"})
    assert "perforation-noted" in {flag.code for flag in progress(row).flags}


def test_without_a_working_length_nothing_is_compared():
    found = progress(shaped(25, 19.0), gauged(25, "snug", 21.0), cone(20.7))
    assert (found.current, found.shortfall, found.gauging, found.cone_fit, found.flags) == (None, None, None, None, ())


def test_a_correction_of_an_early_file_is_not_the_last_file():
    found = progress(decided(), shaped(20, 18.0), shaped(25, 20.8), shaped(20, 19.0, supersedes="e2"))
    assert (found.file.id, found.shortfall.short_mm) == ("e3", pytest.approx(0.2))


def test_a_strangers_entries_do_not_stop_it():
    """A newer version's finding, an entry that lacks what its kind needs: read, kept, and not judged."""
    odd = [
        decided(),
        shaped(25),
        gauged(25, "wobbly", 21.0),
        ("cone fit", {}),
        ("filling check", {}),
        ("shaping file", {}),
    ]
    found = progress(*odd)
    assert (found.gauging, found.cone_fit, found.filling) == (None, None, None)
    assert found.file.id == "e2"


# --- of a case --------------------------------------------------------------------------------------------------------------


def test_the_progress_of_a_case_names_its_own_reference_points_and_instruments(body):
    case = case_from_json(body | {"instrument_list": ["25/.06", "40/.06"]})
    record = record_of(decided(), shaped(25), gauged(25, "past", 22.0))
    found = case_progress(attrs.evolve(case, entries=record.entries))
    assert [canal.canal for canal in found.canals] == ["MB"]
    assert found.canals[0].gauging.next_instrument == Instrument(40, 0.06)
    assert {s.entry.id for s in found.stale} == {"e1"}
    moved = attrs.evolve(case, entries=record.entries[:1], canals=(attrs.evolve(case.canals[0], reference_point="x"),))
    assert [s.entry.id for s in case_progress(moved).stale] == ["e1"]
    assert case_progress(case).canals == ()


def test_a_record_that_cannot_be_followed_is_said_and_nothing_fails(body):
    record = record_of(decided(), shaped(25), ("note", {"supersedes": "e1"}))
    case = attrs.evolve(case_from_json(body), entries=record.entries[::-1])
    assert "entries[0].supersedes must name an earlier entry" in case_progress(case).fault
    assert case_progress(case).canals == ()


# --- strain at the measured bend ------------------------------------------------------------------------------------------


@pytest.fixture
def bent(body, measure):
    """A canal by construction: 10 mm straight, then a quarter circle of radius 5 mm (7.85 mm), 0.05 mm a pixel."""
    turn = np.linspace(0.0, pi / 2, 120)[1:]
    row = [*np.linspace(0.0, 10.0, 150), *(10.0 + 5.0 * np.sin(turn))]
    col = [*np.zeros(150), *(5.0 - 5.0 * np.cos(turn))]
    path = [[20.0 + r / 0.05, 60.0 + c / 0.05] for r, c in zip(row, col, strict=True)]
    body["canals"][0]["traces"][0]["path_px"] = path
    return measure(body).canals[0]


def test_strain_at_the_measured_bend_by_hand_geometry(bent):
    """T7.10's arithmetic on a canal that is known: d at the bend over 2 x 5 mm, where the bend is 0 to 6.85 mm from a tip
    1 mm short of the end."""
    found = bend_strains(bent, EXAMPLE_SEQUENCE, bent.basis.length.length_mm - 1.0)
    assert [one.size for one, _ in found] == [20, 25, 30, 35]
    for instrument, strain in found:
        from_tip = (strain.diameter_mm - instrument.size / 100) / 0.04
        assert 0.0 <= from_tip <= 6.85
        assert strain.value == pytest.approx(strain.diameter_mm / 10.0, rel=0.05)
        assert strain.interval[0] <= strain.diameter_mm / 10.0 <= strain.interval[1]
    values = [strain.value for _, strain in found]
    assert values == sorted(values)


def test_a_bend_beyond_the_tip_strains_nothing_sharply(bent):
    """With the tip 8.5 mm short of the end the file lies in the straight part: its strain may be none."""
    bend = dict(bend_strains(bent, EXAMPLE_SEQUENCE, bent.basis.length.length_mm - 1.0))
    above = dict(bend_strains(bent, EXAMPLE_SEQUENCE, bent.basis.length.length_mm - 8.5))
    for instrument, strain in above.items():
        assert strain.interval[0] < 0.1 * bend[instrument].value


def test_an_instrument_that_does_not_reach_the_bend_is_strained_less_where_it_is(bent):
    """Only the part of the canal that the working part lies in counts; without a length nothing does."""
    length = bent.basis.length.length_mm
    ((one, strain),) = bend_strains(bent, [Instrument(25, 0.04)], length - 1.0)
    reach = (strain.diameter_mm - 0.25) / 0.04
    short = Instrument(25, 0.04, working_part_mm=reach / 2.0)
    ((_, less),) = bend_strains(bent, [short], length - 1.0)
    assert less.diameter_mm <= 0.25 + 0.04 * reach / 2.0 + 1e-9
    assert 0.25 / 10.0 * 0.9 < less.value < strain.value
    assert bend_strains(bent, [one], None) == ()


def test_a_file_is_strained_most_where_thickness_and_bend_together_are(body, measure):
    """Two arcs: radius 5.5 mm far from the tip and 5 mm near it. By hand, tip at the end: up to 16.5 mm from it a .06 file of
    size 20 is over 0.8 mm thick in the milder arc, 0.53 mm at most in the sharper one, a ratio that the radii do not make up
    for; a file that hardly tapers is strained most in the sharper arc."""
    heading, here, path = 0.0, np.array([0.0, 0.0]), [[0.0, 0.0]]
    for length, kappa in ((1.0, 0.0), (5.0, 1 / 5.5), (5.0, 0.0), (5.5, -1 / 5)):
        for _ in range(int(length / 0.05)):
            heading += 0.05 * kappa
            here = here + 0.05 * np.array([np.cos(heading), np.sin(heading)])
            path.append(here.tolist())
    body["canals"][0]["traces"][0]["path_px"] = (np.array(path) / 0.05 + [20.0, 60.0]).tolist()
    canal = measure(body).canals[0]
    length = canal.basis.length.length_mm
    found = dict(bend_strains(canal, (Instrument(20, 0.06), Instrument(20, 0.002)), length))
    thick, thin = (found[one] for one in (Instrument(20, 0.06), Instrument(20, 0.002)))
    assert (thick.diameter_mm - 0.20) / 0.06 > 10.0
    assert (thin.diameter_mm - 0.20) / 0.002 < 6.0
    assert thick.value == pytest.approx(thick.diameter_mm / 11.0, rel=0.06)
    assert thin.value == pytest.approx(thin.diameter_mm / 10.0, rel=0.06)


def test_strain_on_every_sample_with_a_bend(samples):
    from wlmeasure.record.case import load_case

    forms = {}
    for path in samples:
        for canal in evaluate(load_case(path)).canals:
            working = canal.working_length.length_mm or canal.basis.length.length_mm - 1.0
            forms[path.name.split(".")[0]] = len(bend_strains(canal, EXAMPLE_SEQUENCE, working))
    assert forms.pop("straight") == 0
    assert set(forms.values()) == {4}


def test_no_strain_of_a_straight_canal_or_without_a_film(body, measure):
    (straight,) = measure(body).canals
    assert bend_strains(straight, EXAMPLE_SEQUENCE, 21.0) == ()
    body["canals"][0]["traces"] = []
    (bare,) = measure(body).canals
    assert bend_strains(bare, EXAMPLE_SEQUENCE, 21.0) == ()


def test_every_piece_of_advice_can_be_given(body):
    """No sentence is there for show; the bend's remark stands on the strain itself."""
    start = [("electronic reading", {"length_mm": 21.0, "finding": "constriction"}), decided(), shaped(25)]
    scenarios = [
        *([*start, shaped(30, reached)] for reached in (21.0, 21.4, 19.0, 18.2, 17.0, 15.5)),
        *([*start, gauged(25, finding, 21.0)] for finding in ("snug", "loose", "short")),
        *([*start, gauged(*row)] for row in ((25, "past", 22.0), (20, "past", 22.0), (30, "snug", 21.0))),
        [*start, shaped(35), gauged(35, "loose", 21.0)],
        *([*start, shaped(size), gauged(size, finding, 21.0)] for size in (50, 15) for finding in ("snug", "loose")),
        [*start, shaped(110), gauged(110, "loose", 21.0)],
        *([*start, cone(length)] for length in (21.4, 20.2)),
        [*start, cone(20.8, "no resistance")],
        [*start, shaped(30), gauged(30, "snug", 21.0), cone(20.8)],
        [*start, gauged(25, "loose", 21.0), gauged(30, "short", 20.0)],
        *([*start, decided(length, supersedes="e2")] for length in (20.8, 20.2, 21.4)),
        *([("filling check", {"distance_mm": distance})] for distance in (-0.3, 2.1)),
        [("glide path", {"size": 10, "length_mm": 20.0, "finding": "not reproducible"})],
        [("patency", {"finding": "not patent"}), ("block", {"level_mm": 18.0, "finding": "not passed"})],
        [("ledge", {"level_mm": 18.0, "finding": "not bypassed"}), ("perforation", {"level_mm": 18.0})],
        [("separated fragment", {"level_mm": 18.0, "extent_mm": 2.0, "finding": "not bypassed"})],
        [("canals joining", {"other_canal": "ML", "finding": "ends in the other"})],
    ]
    case = case_from_json(body | {"instrument_list": ["25/.04", "30/.04", "35/.04"]})
    found = {"strain-compares"}
    for rows in scenarios:
        (canal,) = case_progress(attrs.evolve(case, entries=record_of(*rows).entries)).canals
        found |= {flag.code for flag in canal.flags}
    # Two come only from bounds of the user's own.
    rows = [Gauge(25, "snug", 21.0), Gauge(30, "short", 20.2)]
    found |= {flag.code for flag in apical_size(21.0, rows, next_short_by_mm=1.0).flags}
    found |= {flag.code for flag in filling_length(0.2, adequate_from_mm=0.5).flags}
    assert set(ADVICE) - found == set()


def test_the_molar_is_played_to_its_end_with_nothing_open(molar):
    """The demonstration: every rule has spoken on the way, and what it asked for was done."""
    progress = case_progress(molar.case)
    assert (progress.fault, progress.stale) == (None, ())
    for canal in progress.canals:
        assert (canal.apical.size, canal.apical.confirmed) == (30, True)
        assert (canal.gauging.verdict, canal.cone_fit.verdict, canal.filling.verdict) == ("shaped", "fits", "adequate")
        assert canal.flags == ()
    codes = set()
    for k in range(len(molar.case.entries)):
        early = case_progress(attrs.evolve(molar.case, entries=molar.case.entries[: k + 1]))
        codes |= {flag.code for canal in early.canals for flag in canal.flags}
        codes |= {reason.code for item in early.stale for reason in item.reasons}
    assert codes >= {
        *("glide-path-open", "shaped-since", "length-changed", "room-enough", "never-press", "file-at-length"),
        *("gauge-loose", "gauge-on", "gauge-snug", "gauge-next-untried", "cone-short", "working-length-changed"),
    }


def test_the_molars_lengths_hold_the_truth(molar):
    """From the cusp along the canal to the foramen and straight on to the root's end; what was decided stops short of it."""
    for canal in molar.canals:
        (trace,) = canal.traces
        path = molar.case.film_path(trace.film.film).resolve()
        truth = json.loads((path.parents[1] / "truth" / f"{path.stem}.json").read_text(encoding="utf-8"))
        (own,) = (one for one in truth["canals"] if one["name"] == canal.canal.name)
        true_mm = own["total_mm"] + float(np.linalg.norm(np.subtract(own["apex_mm"], own["points_mm"][-1])))
        low, high = trace.length.length_interval_mm
        assert low <= true_mm <= high
        assert trace.length.length_mm == pytest.approx(true_mm, abs=0.35)
        assert canal.decision.length_mm < own["total_mm"]
    filled = json.loads((path.parents[1] / "truth" / "molar_filling.json").read_text(encoding="utf-8"))["fillings"]
    for one in filled:
        (check,) = (e for e in molar.case.entries if e.kind == "filling check" and e.canal == one["canal"])
        assert abs(check.distance_mm - one["to_apex_mm"]) < 1.96 * check.distance_std_mm
