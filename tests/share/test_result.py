"""A result as JSON and as text: every member the design names, and the same numbers in both."""

import json
import math
import re
from typing import get_args

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.reconcile import Status
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.result import (
    angle_words,
    curvature_words,
    film_label,
    limit_words,
    proposal_end_words,
    record_text,
    result_json,
    scale_words,
    stop_setting_mm,
)

# The members that `measure --json` promises (the design's "The command line").
FILM = {"id", "mm_per_px_row", "mm_per_px_col", "rel_std", "method", "warnings"}
CANAL = {
    *("name", "film", "path_px", "coronal_mm", "canal_mm", "length_mm", "length_std_mm", "length_interval_mm"),
    *("budget", "curvature", "radiographic", "electronic", "working_length"),
}
CURVATURE = {
    *("schneider_deg", "weine_deg", "long_axis_deg", "pruett_deg", "pruett_radius_mm", "pruett_radius_interval_mm"),
    *("canal_access_angle_deg", "min_radius_mm", "total_turning_deg", "form", "misfit"),
}
RADIOGRAPHIC = {"length_mm", "std_mm", "method", "allowance_mm"}
ELECTRONIC = {"length_mm", "std_mm", "mark", "status"}
WORKING = {"length_mm", "std_mm", "interval_mm", "ceiling_mm", "status", "decided_mm", "flags"}
STATUSES = (*("concordant", "ordinary anatomy", "caution", "conflict", "film only", "reading only", "not established"),)
READINGS = [{"length_mm": 21.5, "mark": "foramen"}] * 3


def printed(value):
    """As the command line writes it, read back."""
    return json.loads(json.dumps(value, ensure_ascii=False, allow_nan=False))


def check_members(data):
    assert set(data) >= {"schema", "tooth", "films", "canals"}
    assert data["schema"] == "wlmeasure-result/1"
    for film in data["films"]:
        assert set(film) >= FILM
        assert all(set(warning) == {"code", "text"} for warning in film["warnings"])
    for canal in data["canals"]:
        assert set(canal) >= CANAL
        for member, names in (
            ("curvature", CURVATURE),
            ("radiographic", RADIOGRAPHIC),
            ("electronic", ELECTRONIC),
            ("working_length", WORKING),
        ):
            if canal[member] is not None:
                assert set(canal[member]) >= names
        assert all(set(term) >= {"term", "std_mm"} for term in canal["budget"])
        if canal["working_length"] is not None:
            assert canal["working_length"]["status"] in STATUSES
            assert all(set(flag) == {"code", "text"} for flag in canal["working_length"]["flags"])


def test_the_statuses_are_the_ones_of_the_design():
    assert get_args(Status) == STATUSES


@pytest.mark.parametrize(
    "name", ["straight", "curved_out_of_plane", "angulated", "two_films", "s_curved", "stop_outside"]
)
def test_every_sample_has_every_member(measured, name):
    data = printed(result_json(measured[name]))
    check_members(data)
    for film in data["films"]:
        assert all(film[member] is not None for member in FILM)
    for canal in data["canals"]:
        assert None not in (canal["length_mm"], canal["curvature"], canal["radiographic"])
        assert canal["length_mm"] == pytest.approx(canal["coronal_mm"] + canal["canal_mm"])
        low, high = canal["length_interval_mm"]
        assert low < canal["length_mm"] < high
        assert canal["length_std_mm"] ** 2 == pytest.approx(sum(term["std_mm"] ** 2 for term in canal["budget"]))
        assert all(len(point) == 2 for point in canal["path_px"])


def test_films_without_scale_and_canals_without_film_have_every_member(bench):
    """What was not determined is null, never absent."""
    no_scale = printed(result_json(bench({"scale": []})))
    check_members(no_scale)
    assert no_scale["films"][0]["mm_per_px_row"] is None
    canal = no_scale["canals"][0]
    assert (canal["length_mm"], canal["radiographic"], canal["length_interval_mm"]) == (None, None, None)
    assert canal["curvature"]["form"] == "I"
    assert canal["curvature"]["schneider_deg"] == pytest.approx(0.0, abs=1e-6)
    no_film = printed(result_json(bench(canal_changes={"traces": [], "electronic_readings": READINGS})))
    check_members(no_film)
    assert (no_film["canals"][0]["film"], no_film["canals"][0]["path_px"]) == (None, None)
    assert no_film["canals"][0]["working_length"]["status"] == "reading only"


def test_one_object_a_canal_and_film_and_the_working_length_on_exactly_one(measured):
    canals = result_json(measured["two_films"])["canals"]
    assert [canal["film"] for canal in canals] == ["f1", "f2"]
    assert [canal["working_length"] is None for canal in canals].count(False) == 1


def test_paths_in_the_json_are_row_and_column_from_orifice_to_apex(bench):
    path = result_json(bench())["canals"][0]["path_px"]
    assert path == [[20.0, 60.0], [460.0, 60.0]]


def test_open_intervals_are_null_since_json_has_no_infinity(measured):
    text = json.dumps([result_json(result) for result in measured.values()], allow_nan=False)
    assert "Infinity" not in text
    assert "NaN" not in text


@pytest.mark.parametrize(
    "name", ["straight", "curved_out_of_plane", "angulated", "two_films", "s_curved", "stop_outside"]
)
def test_text_and_json_say_the_same_numbers(measured, name):
    """Each figure of the JSON, rounded to the text's 0.1 mm, stands in the text beside its name."""
    result = measured[name]
    text, data = record_text(result), result_json(result)
    blocks = re.split(r"\n(?=Canal )", text.split("\nCautions")[0])[1:]
    assert len(blocks) == len(data["canals"])
    for block, canal in zip(blocks, data["canals"], strict=True):
        assert block.startswith(f"Canal {canal['name']} on film {canal['film']}")
        low, high = canal["length_interval_mm"]
        assert re.search(rf"length +{canal['length_mm']:.1f} mm ± {1.96 * canal['length_std_mm']:.1f} ", block)
        assert f"(95 %: {low:.2f} to {high:.2f} mm)" in block
        film, electronic, working = canal["radiographic"], canal["electronic"], canal["working_length"]
        assert re.search(rf"apex less 1 mm   {film['length_mm']:.1f} mm ± {1.96 * film['std_mm']:.1f} ", block)
        if working is None:
            assert "WORKING LENGTH" not in block
            continue
        shown = "none"
        if working["length_mm"] is not None:
            rounded_down = math.floor(10.0 * working["length_mm"] + 1e-6) / 10.0
            low, high = working["interval_mm"]
            below, above = f"{working['length_mm'] - low:.1f}", f"{high - working['length_mm']:.1f}"
            spread = f"± {below}" if below == above else f"({low:.1f} to {high:.1f})"
            shown = f"{rounded_down:.1f} mm {spread}"
        label = "WORKING LENGTH +not decided; proposed" if working["decided_mm"] is None else "proposed +"
        end = "" if working["length_mm"] is None else "  to the estimated constriction"
        assert re.search(rf"{label} ?{re.escape(shown)}{end} +{working['status']}", block)
        risk = working["risk"]
        if risk is None:
            assert " risk " not in block
        else:
            beyond = "under 1 %" if risk["beyond_foramen"] < 0.005 else f"{100.0 * risk['beyond_foramen']:.0f} %"
            said = f"{risk['stop_mm']:.1f} mm by this model, not tested on patients: {beyond} beyond the foramen"
            assert said in block
            assert working["stop"] is None or working["stop"]["setting_mm"] == risk["stop_mm"]
        if electronic is not None:
            assert re.search(
                rf"electronic +{electronic['length_mm']:.1f} mm ± {1.96 * electronic['std_mm']:.1f} ", block
            )
        if working["decided_mm"] is not None:
            assert re.search(rf"WORKING LENGTH +{working['decided_mm']:.1f} mm, decided by ", block)
        for flag in working["flags"]:
            assert f"  ! {flag['text']}" in block


def test_lengths_in_the_text_have_one_decimal(bench):
    """0.1 mm in the lengths; two decimals only in the interval and the budget, where they are uncertainties."""
    text = record_text(bench(canal_changes={"electronic_readings": READINGS}))
    assert "length           22.0 mm ± " in text
    assert "apex less 1 mm   21.0 mm ± " in text
    assert "electronic       21.0 mm ± " in text
    assert re.search(r"WORKING LENGTH   not decided; proposed \d\d\.\d mm ", text)
    assert "stop setting     20.5 mm on a ruler, rounded down" in text


@pytest.mark.parametrize(
    ("changes", "label", "proposed"),
    [
        ({}, "apex less 1 mm", "to the estimated constriction"),
        ({"apical_end": "apical foramen"}, "end less 0.5 mm", "to the estimated constriction"),
        ({"apical_end": "open apex"}, "end less 1 mm", "to the estimated end of the canal"),
        ({"apical_end": "filling end"}, "from the film", ""),
    ],
)
def test_what_the_film_gives_and_what_is_proposed_say_where_each_ends(bench, changes, label, proposed):
    """Two figures for two places: the end on the film less an allowance, and the constriction by the curves."""
    result = bench(trace_changes=changes)
    (canal,) = result.canals
    assert (film_label(canal.traces[0].radiographic), proposal_end_words(canal.working_length)) == (label, proposed)
    text = record_text(result)
    assert f"\n  {label:<17}" in text
    assert text.count("to the estimated") == bool(proposed)


@given(st.floats(1.0, 60.0), st.sampled_from([0.5, 0.25, 1.0]))
def test_a_stop_setting_is_on_the_ruler_and_never_rounded_up(length, step):
    stop = stop_setting_mm(length, step_mm=step)
    assert stop <= length + 1e-9
    assert length - stop < step
    assert (stop / step) == pytest.approx(round(stop / step), abs=1e-9)


@given(st.integers(2, 120))
def test_a_length_on_the_ruler_stays_where_it_is(half_millimetres):
    assert stop_setting_mm(half_millimetres * 0.5) == half_millimetres * 0.5
    assert stop_setting_mm(half_millimetres * 0.5 - 0.001) == half_millimetres * 0.5 - 0.5


@given(st.floats(1.0, 60.0))
def test_a_ceiling_is_never_rounded_up(ceiling):
    assert float(limit_words(ceiling).removesuffix(" mm")) <= ceiling + 1e-9
    assert float(limit_words(ceiling).removesuffix(" mm")) > ceiling - 0.1 - 1e-9


def test_the_ceiling_stands_where_film_and_reading_are_not_settled(bench):
    def text(reading):
        return record_text(
            bench(canal_changes={"electronic_readings": [{"length_mm": reading, "mark": "foramen"}] * 3})
        )

    assert "ceiling          15.5 mm until this is settled" in text(16.0)
    assert "stop setting     none: not decided, and the proposal is not settled (conflict)" in text(16.0)
    assert "stop setting     20.5 mm on a ruler" in text(21.5)
    assert "ceiling" not in text(21.5)


def test_the_cautions_stand_on_every_record_and_the_pacemaker_only_with_readings(measured):
    for name, result in measured.items():
        text = record_text(result)
        assert all(caution in text for caution in CAUTIONS)
        assert (PACEMAKER in text) == (name != "s_curved")


def test_unequal_pixels_are_both_named(bench):
    film = bench({"col_over_row": 0.8}).films[0]
    assert scale_words(film).startswith("0.05000 x 0.04000 (row x column) mm per pixel ± ")
    assert scale_words(bench({"scale": []}).films[0]) == "none: angles only"


def test_a_length_read_on_a_ruler_is_never_farther_off_than_half_a_division(bench):
    """20 mm read to 0.5 mm: within 0.25 mm with certainty, 0.24 mm 19 times of 20; 0.05 mm of a normal spread gives 0.10."""
    scale = {"kind": "known_file", "points_px": [[20, 50], [420, 50]], "trace_kind": "path", "known_length_mm": 20.0}
    assert "(20 mm ± 0.24 from stop to tip)" in scale_words(bench({"scale": [scale]}).films[0])
    assert "(20 mm ± 0.10 from stop to tip)" in scale_words(
        bench({"scale": [scale | {"known_length_std_mm": 0.05}]}).films[0]
    )


def test_a_new_tracing_is_reported_where_it_was_asked_for(measured, bench):
    assert "traced anew" not in record_text(measured["straight"])
    assert all(canal["retraced_difference_mm"] is None for canal in result_json(measured["straight"])["canals"])


def test_readings_in_words_say_once_what_they_share():
    from wlmeasure.record.case import Entry
    from wlmeasure.share.result import reading_words

    def reading(length_mm, finding, **more):
        return Entry(id="e1", kind="electronic reading", by="NB", length_mm=length_mm, finding=finding, **more)

    alike = [reading(mm, "foramen", size=15) for mm in (20.5, 21.0)]
    assert reading_words(alike) == "20.5, 21 mm (foramen, size 15)"
    other = reading(20.0, "constriction", conditions=("wet",))
    assert (
        reading_words([*alike, other])
        == "20.5 mm (foramen, size 15); 21 mm (foramen, size 15); 20 mm (constriction, wet)"
    )


@pytest.mark.parametrize(
    ("angle", "std", "words"),
    [
        (16.8, 1.0, ("16.8°", "± 2.0°")),
        (16.8, None, ("16.8°", "")),
        (16.8, 45.9, ("16.8°", "± 90.0°")),
        (16.8, 3418.0, ("not determined", "")),
    ],
)
def test_an_angle_that_is_not_known_is_not_given(angle, std, words):
    assert angle_words(angle, std) == words


def test_a_bend_of_unknown_angle_says_so_in_the_record(measured):
    bend = measured["s_curved"].canals[0].traces[0].curvature
    lost = attrs.evolve(bend, schneider_std_deg=2000.0)
    assert "Schneider not determined" in curvature_words(lost, measured["s_curved"].canals[0].traces[0].angles)


def test_an_open_radius_and_how_figures_are_rounded_are_said_in_words(measured):
    result = measured["straight"]
    (trace,) = result.canals[0].traces
    bend = attrs.evolve(
        trace.curvature, form="J", determined=True, pruett_radius_mm=None, pruett_radius_interval_mm=(1.3, float("inf"))
    )
    assert curvature_words(bend, trace.angles).endswith("radius not determined (1.3 mm or more)")
    assert "rounded to the nearest 0.1 mm, a working length down, never up" in record_text(result)
