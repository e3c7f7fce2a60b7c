"""How far clicks are off, as a case says it: hand geometry of a ratio, laws of the budget, and what is refused."""

import copy
import json
from math import hypot, sqrt

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.calibration import ENDS_TERM
from wlmeasure.cli import main
from wlmeasure.errors import CaseError
from wlmeasure.measure.length import END_CLICKS, PATH
from wlmeasure.record.case import Clicks, case_digest, case_from_json, load_case, save_case
from wlmeasure.record.click_profile import ClickProfile, load_clicks, save_clicks
from wlmeasure.record.edit import with_clicks
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.report import report_file
from wlmeasure.share.result import record_text, result_json

STATED = {"std_px": 2.0, "from": "stated"}
LEARNED = {"std_px": 2.13, "by": "AB", "from": "repeats", "repeats": 24}


def said(body, clicks, **film):
    """The bench case with that said of its clicks."""
    made = copy.deepcopy(body)
    made["films"][0] |= film
    return made if clicks is None else made | {"clicks": clicks}


def terms(result):
    return {term.term: term.std_mm for term in result.canals[0].traces[0].length.budget}


@pytest.mark.parametrize("ratio", [1.0, 1.4])
@pytest.mark.parametrize("std", [1.0, 2.0, 3.0])
def test_a_straight_canal_by_a_straight_file_is_a_ratio_of_two_lines(body, measure, std, ratio):
    """File of 400 px, canal of 440 px, each end off by `std` px by itself: by the ordinary propagation the relative variance of
    the ratio is 2 std^2 / 440^2 + 2 std^2 / 400^2, whatever the width of a pixel.
    """
    made = measure(said(body, STATED | {"std_px": std}, col_over_row=ratio))
    of = terms(made)
    relative = sqrt(2.0 * std**2 / 440.0**2 + 2.0 * std**2 / 400.0**2)
    assert hypot(of[END_CLICKS], of[ENDS_TERM]) / 22.0 == pytest.approx(relative, rel=1e-9)
    assert made.canals[0].traces[0].length.length_mm == pytest.approx(22.0)


def test_twice_the_error_doubles_what_hangs_on_clicks_and_nothing_else(body, measure):
    one, two = (terms(measure(said(body, STATED | {"std_px": std}))) for std in (1.5, 3.0))
    for name, std_mm in one.items():
        assert two[name] == pytest.approx(
            (2.0 if name in (END_CLICKS, ENDS_TERM, PATH) else 1.0) * std_mm, rel=1e-12
        ), name


def test_a_gap_and_the_distance_of_the_tip_take_the_same_error(body, measure):
    body["films"][0]["scale"].append(
        {"kind": "known_object", "points_px": [[100, 200], [300, 200]], "known_length_mm": 10.0}
    )
    body["films"][0]["scale"][0] |= {"upper_end": "out of the picture", "stop_seated": "yes"}
    body["films"][0]["scale"][0]["points_px"] = [[20, 60], [420, 60]]
    body["canals"][0]["traces"][0]["file_tip_px"] = [420, 60]
    one, three = (measure(said(body, clicks)).canals[0].traces[0] for clicks in (None, STATED | {"std_px": 3.0}))
    assert one.length.gap is not None
    assert three.length.end_std_mm == pytest.approx(3.0 * sqrt(2.0) * 0.05)
    assert three.length.end_std_mm == pytest.approx(3.0 * one.length.end_std_mm)
    more = three.tip_to_end_std_mm**2 - one.tip_to_end_std_mm**2
    assert more == pytest.approx(2.0 * (3.0**2 - 1.0**2) * 0.05**2)  # tip and end


def test_a_pixel_that_is_said_is_the_pixel_that_is_taken_without_a_word(body, measure, molar):
    """All that is printed and all figures are the same to the last digit; the words alone say where the pixel is from."""
    one = measure(said(body, None))
    stated = measure(said(body, STATED | {"std_px": 1.0}))
    text = record_text(stated)
    assert text.replace(" (clicks 1 px, stated)", "") == record_text(one)
    assert "clicks" not in record_text(one).replace("end clicks", "")
    assert result_json(stated) == result_json(one)
    pixel = evaluate(with_clicks(molar.case, Clicks(std_px=1.0, source="stated")))
    assert result_json(pixel) == result_json(molar)


def test_the_budget_says_whose_clicks_and_how_they_are_known(body, measure):
    made = measure(said(body, LEARNED))
    assert "(clicks 2.1 px, from 24 repeats of AB)" in record_text(made)
    page = report_file(made, "a.html", made_at="2026-12-01", program="test").content.decode()
    assert "Reckoned with clicks 2.1 px, from 24 repeats of AB." in page
    assert Clicks(std_px=1.5, by="AB", source="stated").words == "clicks 1.5 px, stated of AB"


def test_a_case_measured_again_with_other_clicks_is_measured_anew(body, measure):
    before = measure(said(body, None))
    after = measure(said(body, LEARNED), before=before)
    assert result_json(after) == result_json(measure(said(body, LEARNED)))
    assert terms(after)[END_CLICKS] > 2.0 * terms(before)[END_CLICKS]
    assert case_digest(after.case) != case_digest(before.case)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"std_px": 0.0}, "clicks.std_px must be > 0: 0"),
        ({"std_px": 80.0}, "clicks.std_px must be <= 50: 80"),
        ({"from": "guess"}, "clicks.from must be one of stated, repeats: 'guess'"),
        (
            {"repeats": 3},
            "repeats must be given where from is repeats, and nowhere else: 3 with 'stated'; say how often",
        ),
        ({"from": "repeats"}, "repeats must be given where from is repeats, and nowhere else: None with 'repeats'"),
    ],
)
def test_clicks_that_cannot_be_are_refused_by_name(body, wrong, words):
    with pytest.raises(CaseError, match=words.replace("(", r"\(")):
        case_from_json(said(body, STATED | wrong))


def test_a_profile_comes_back_and_another_file_is_refused(tmp_path):
    path = tmp_path / "AB.clicks.json"
    profile = ClickProfile(
        clicks=Clicks(std_px=2.13, by="AB", source="repeats", repeats=24), along_px=2.02, across_px=1.9, freedom=24
    )
    save_clicks(profile, path)
    assert load_clicks(path) == profile
    path.write_text(json.dumps({"schema": "wlmeasure-case/2"}))
    with pytest.raises(CaseError, match=r"AB.clicks.json: schema must be 'wlmeasure-clicks/1': 'wlmeasure-case/2'"):
        load_clicks(path)
    path.write_text("{")
    with pytest.raises(CaseError, match="must be a profile of clicks: it is not JSON"):
        load_clicks(path)


def test_from_an_observers_repeats_to_a_case_on_the_command_line(body, tmp_path, capsys):
    """Two folders of cases, each canal drawn three times by two hands; what is written is read into another case."""
    film = tmp_path / "film.png"
    body["films"][0]["path"] = str(film)
    case, rng = case_from_json(body, folder=tmp_path), np.random.default_rng(4)
    save_case(case, tmp_path / "mine.wl.json")
    marks = {}
    for observer, std in (("ANN", 1.0), ("BEN", 3.0)):
        folder = tmp_path / "readers" / observer
        folder.mkdir(parents=True)
        marks[observer] = np.array([[20.0, 60.0], [450.0, 60.0]]) + rng.normal(0.0, std, (3, 2, 2))
        for k, line in enumerate(marks[observer]):
            trace = evolve(case.canals[0].traces[0], path_px=line.tolist(), reference_px=None)
            drawn = evolve(case, canals=(evolve(case.canals[0], traces=(trace,)),))
            save_case(drawn, folder / f"{k}.wl.json")
    assert main(["observers", str(tmp_path / "readers"), "--clicks", str(tmp_path / "profiles")]) == 0
    assert "clicks on the ends of canals that were marked again" in capsys.readouterr().out
    profile = load_clicks(tmp_path / "profiles" / "BEN.clicks.json")
    rows = marks["BEN"][:, :, 0]  # the canal runs down the rows, to a part of a degree
    assert profile.along_px == pytest.approx(sqrt(np.var(rows, axis=0, ddof=1).mean()), rel=0.02)
    assert (profile.freedom, profile.clicks.repeats, profile.clicks.by) == (4, 4, "BEN")
    told = ["measure", str(tmp_path / "mine.wl.json"), "--clicks", str(tmp_path / "profiles" / "BEN.clicks.json")]
    assert main([*told, "--out", str(tmp_path / "with.wl.json")]) == 0
    assert "from 4 repeats of BEN)" in capsys.readouterr().out
    assert load_case(tmp_path / "with.wl.json") == with_clicks(load_case(tmp_path / "mine.wl.json"), profile.clicks)
    assert main([*told, "--out", str(tmp_path / "readers" / "with.wl.json")]) == 1
    assert "--out must lie in the case's folder" in capsys.readouterr().err
    assert main([*told[:3], "0"]) == 1
    assert "--clicks must be more than 0 and at most 50 px: 0; say how far" in capsys.readouterr().err


def test_a_surer_hand_makes_no_line_surer_that_a_network_drew(body, measure):
    """Clicks of 0.4 px tell nothing of a path that was accepted where it lay: there it is the usual pixel; 3 px stay 3 px."""
    scale = body["films"][0]["scale"][0]
    scale |= {"path_px": scale["points_px"], "tracer": "look/abababababab"}
    scale["accepted"] = [{"item": "file 1", "by": "AB", "at": "2026-12-01T10:00:00"}]
    usual, sure, unsure = (
        terms(measure(said(body, clicks))) for clicks in (None, STATED | {"std_px": 0.4}, STATED | {"std_px": 3.0})
    )
    assert sure == usual
    assert unsure[ENDS_TERM] == pytest.approx(3.0 * usual[ENDS_TERM])
