"""Marks of one film on a later one: carried, compared, noted in the case, and refused."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.record.case import (
    Angulation,
    Canal,
    Carried,
    Case,
    KnownObject,
    Trace,
    case_from_json,
    case_to_json,
    load_case,
)
from wlmeasure.record.edit import new_film
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.over_time import carried_trace, compare_films, over_time, with_carried
from wlmeasure.share.over_time import (
    comparison_file,
    comparison_json,
    comparison_text,
    over_time_blocks,
    over_time_lines,
    shift_words,
)
from wlmeasure.share.result import record_text, result_json

PAIR = Path(__file__).parents[1] / "references" / "film_pairs.py"
SEED = 112


@pytest.fixture(scope="module")
def pair():
    spec = importlib.util.spec_from_file_location("film_pairs", PAIR)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.film_pair(SEED)


def film_of(shot, film_id):
    """A film of the case; its scale is an object of true size, from corner to corner."""
    graph = shot.radiograph
    ends = ((10.0, 10.0), (graph.rows - 10.0, 10.0))
    mm = (ends[1][0] - ends[0][0]) * shot.mm_per_px[0]
    scale = KnownObject(points_px=ends, known_length_mm=mm, known_length_std_mm=0.01)
    return evolve(new_film(graph, f"{film_id}.png", film_id), scale=(scale,))


def line(shot):
    """Two clicks on the root and the reference point, exact."""
    reference, apex = shot.references_px[0], shot.apexes_px[0]
    return tuple(reference), (tuple(reference + 0.5 * (apex - reference)), tuple(apex))


def points(*rows):
    return tuple((float(r), float(c)) for r, c in rows)


@pytest.fixture(scope="module")
def case(pair):
    reference, clicks = line(pair.earlier)
    trace = Trace(film="f1", reference_px=points(reference)[0], path_px=points(*clicks), apical_end="radiographic apex")
    canal = Canal(name="single", reference_point="cusp tip", traces=(trace,))
    return Case(tooth="45", films=(film_of(pair.earlier, "f1"), film_of(pair.later, "f2")), canals=(canal,))


@pytest.fixture(scope="module")
def radiographs(pair):
    return {"f1": pair.earlier.radiograph, "f2": pair.later.radiograph}


@pytest.fixture(scope="module")
def result(case, radiographs):
    return evaluate(case, radiographs)


@pytest.fixture(scope="module")
def comparison(result):
    return compare_films(result, "f1", "f2")


def marked(pair, case, radiographs, coronal_mm, **members):
    """The case with the later film marked too: its apex that far coronal of the true one."""
    reference, clicks = line(pair.later)
    size = np.array(pair.later.mm_per_px)
    way = (np.array(reference) - clicks[1]) * size
    moved = np.array(clicks[1]) + coronal_mm * way / np.hypot(*way) / size
    trace = Trace(
        film="f2",
        reference_px=points(reference)[0],
        path_px=points(clicks[0], moved),
        apical_end="filling end",
        **members,
    )
    canal = evolve(case.canals[0], traces=(*case.canals[0].traces, trace))
    return evaluate(evolve(case, canals=(canal,)), radiographs)


def test_marks_are_carried_to_their_true_places(pair, comparison):
    assert comparison.registration.fits
    true = {"apical end": pair.later.apexes_px[0], "reference point": pair.later.references_px[0]}
    assert {mark.mark for mark in comparison.carried} == set(true)
    for mark in comparison.carried:
        off = np.hypot(*((np.array(mark.at_px) - true[mark.mark]) * pair.later.mm_per_px))
        assert off < 0.15
        assert off < 3.0 * mark.std_mm
        # Never surer than the click that is carried.
        assert mark.std_px > 1.0


def test_a_shift_is_measured_with_its_interval(pair, case, radiographs):
    found = over_time(marked(pair, case, radiographs, 1.0))
    assert len(found) == 1
    shifts = {shift.mark: shift for shift in found[0].shifts}
    apex = shifts["apical end"]
    assert apex.coronal_mm == pytest.approx(1.0, abs=2.0 * apex.coronal_std_mm)
    assert apex.interval_mm[0] < 1.0 < apex.interval_mm[1]
    assert apex.seen
    assert (apex.was, apex.now) == ("radiographic apex", "filling end")
    words = shift_words(apex, "f1", "f2")
    assert "filling end marked on f2" in words
    assert "mm coronal of where f1 had the radiographic apex" in words
    cusp = shifts["reference point"]
    assert not cusp.seen
    assert "within what is uncertain" in shift_words(cusp, "f1", "f2")


def test_a_mark_beyond_the_apex_is_apical(pair, case, radiographs):
    apex = over_time(marked(pair, case, radiographs, -1.0))[0].shifts[0]
    assert apex.coronal_mm == pytest.approx(-1.0, abs=2.0 * apex.coronal_std_mm)
    assert "mm apical of" in shift_words(apex, "f1", "f2")


def test_no_shift_to_a_mark_that_was_itself_carried(pair, case, radiographs):
    origin = Carried(film="f1", marks=("apical end",), std_px=4.0)
    found = over_time(marked(pair, case, radiographs, 0.0, carried=origin))[0]
    assert [shift.mark for shift in found.shifts] == ["reference point"]


def test_a_proposal_changes_nothing_until_it_is_accepted(case, result, comparison, radiographs):
    before = case_to_json(case)
    proposed = carried_trace(result, comparison, "single", path=True)
    assert case_to_json(case) == before
    accepted = with_carried(case, "single", proposed)
    trace = accepted.canals[0].traces[1]
    assert trace.film == "f2"
    assert trace.carried == Carried(
        film="f1", marks=("apical end", "path", "reference point"), std_px=trace.carried.std_px
    )
    assert trace.carried.std_px > 1.0
    assert case_from_json(json.loads(json.dumps(case_to_json(accepted)))) == accepted
    again = evaluate(accepted, radiographs)
    assert len(again.canals[0].traces) == 2
    assert over_time(again)[0].shifts == ()


def test_what_stands_on_the_later_film_is_kept_but_for_the_marks(pair, case, radiographs, result, comparison):
    old = marked(pair, case, radiographs, 0.0, unseen_from_mm=3.0).case
    new = with_carried(old, "single", carried_trace(result, comparison, "single")).canals[0].traces[1]
    assert new.unseen_from_mm == 3.0
    assert new.apical_end == "filling end"
    assert new.path_px is None
    assert new.carried.marks == ("apical end", "reference point")


def test_angulation_that_was_noted_is_believed(case, radiographs):
    films = [
        evolve(film, angulation=Angulation(horizontal_deg=10.0, tube_shift=side))
        for film, side in zip(case.films, ("mesial", "distal"), strict=True)
    ]
    told = evaluate(evolve(case, films=tuple(films)), radiographs)
    found = compare_films(told, "f1", "f2")
    assert found.registration.verdict == "projections differ"
    assert found.carried == found.shifts == ()
    with pytest.raises(CaseError, match="cannot be carried over to film f2"):
        carried_trace(told, found, "single")
    assert "projections differ" in over_time_lines(found)[0]
    assert comparison_json(found)["why"]
    with pytest.raises(CaseError, match="must fit film f2 to be drawn"):
        comparison_file(found, "a.svg", made_at="", program="")


def test_refusals_name_what_is_wrong(case, result, comparison):
    with pytest.raises(CaseError, match="film must be one of the case"):
        compare_films(result, "f1", "f9")
    with pytest.raises(CaseError, match="films must be two"):
        compare_films(result, "f1", "f1")
    with pytest.raises(CaseError, match="canal other must be traced on film f1"):
        carried_trace(result, comparison, "other")
    trace = evolve(case.canals[0].traces[0], carried=Carried(film="f1", marks=("path",), std_px=1.0))
    with pytest.raises(CaseError, match="must be the id of another film"):
        evolve(case, canals=(evolve(case.canals[0], traces=(trace,)),))


def test_words_json_and_pictures(pair, case, radiographs):
    result = marked(pair, case, radiographs, 1.0)
    compared = over_time(result)
    made = result_json(result, compared)["over_time"]
    assert json.loads(json.dumps(made, allow_nan=False)) == made
    assert made[0]["shifts"][0]["coronal_mm"] == pytest.approx(compared[0].shifts[0].coronal_mm, abs=1e-3)
    assert result_json(result)["over_time"] == []
    assert "Over time: f1 on f2: fits" in record_text(result, compared)
    assert "Over time" not in record_text(result)
    assert "proposals" in comparison_text(compared[0])
    table = over_time_blocks(compared)[1]
    assert table.rows[0][2].startswith(f"{compared[0].shifts[0].coronal_mm:+.1f} ±")
    assert over_time_blocks(()) == []
    svg = comparison_file(compared[0], "a.svg", made_at="now", program="p").content.decode()
    assert svg.startswith("<svg")
    assert svg.count("<polyline") > 5  # outlines
    assert svg.count("<ellipse") == 2  # carried marks
    assert b"Tiles of film f1" in comparison_file(compared[0], "a.html", made_at="now", program="p").content
    with pytest.raises(CaseError, match=r"must end in \.svg"):
        comparison_file(compared[0], "a.png", made_at="now", program="p")


def test_marks_that_lie_to_the_side_say_what_a_round_root_does_not():
    """Reference films of one round root, 25 degrees apart: their outlines fit to 0.02 mm, their apexes do not."""
    case = load_case(Path(__file__).parents[2] / "sample_images" / "cases" / "two_films.wl.json")
    bare = evolve(case, films=tuple(evolve(film, angulation=None) for film in case.films))
    found = over_time(evaluate(bare))[0]
    assert found.registration.residual_mm < 0.085
    assert found.registration.verdict == "projections differ"
    assert "mm to the side" in found.registration.why
    assert found.shifts == ()
