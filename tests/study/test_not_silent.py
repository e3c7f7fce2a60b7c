"""What used to go wrong without a word: observers lost, repeats not apart, clusters and undetermined values miscounted."""

from __future__ import annotations

from math import nan, sqrt

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import StudyError
from wlmeasure.record.case import load_case
from wlmeasure.share.path_set import Head, PathFeature
from wlmeasure.share.paths import Credit, stored_paths
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.differences import limits_of_agreement
from wlmeasure.study.folder import _apart, _order
from wlmeasure.study.path_agreement import path_pair
from wlmeasure.study.quantiles import t_quantile
from wlmeasure.study.readings import Reading, Readings, readings_csv, readings_from_csv
from wlmeasure.study.rows import Settings, path_rows
from wlmeasure.study.summary import summaries


@pytest.fixture
def result(request):
    """A sample case as a study stores it."""
    case = load_case(request.config.rootpath / "sample_images" / "cases" / "straight.wl.json")
    traces = (evolve(case.canals[0].traces[0], path_px=((10.0, 10.0), (300.0, 40.0)), tracer="given"),)
    canals = (evolve(case.canals[0], traces=traces),)
    said = {"id": "0" * 16, "observer": "ANN", "film": "kqdwzt", "repeat": 2, "position": 7}
    return evolve(case, case_id=None, canals=canals, extra={"study": said})


def test_a_result_of_a_study_keeps_its_observer(result):
    paths, _ = stored_paths(result)
    assert {(one.annotator, one.session, one.case) for one in paths.features} == {("ANN", "2", "kqdwzt")}
    assert Credit("BEN").of(result) == Credit("BEN", "2")
    odd = evolve(result, extra={"study": {"observer": ["x"], "repeat": "a\nb", "film": 3.5}})
    assert Credit().of(odd) == Credit()


@pytest.mark.parametrize(("films", "repeats"), [(20, 2), (50, 2), (7, 3)])
def test_a_repeat_is_never_nearer_than_promised(films, repeats):
    ids = [f"{k:03d}" for k in range(films)]
    for seed in range(12):
        places: dict[str, int] = {}
        for at, task in enumerate(_order(ids, repeats, [seed], 0)):
            assert at - places.get(task.film, -films) > _apart(films)
            places[task.film] = at


def test_the_interval_of_a_bias_allows_for_canals_of_one_tooth():
    """Canals of a tooth that all differ alike are one observation: the interval is that of the teeth's means."""
    by_tooth = np.array([0.3, -0.1, 0.2, 0.4])
    difference = np.repeat(by_tooth, 3)
    found = limits_of_agreement(20.0 + difference, np.full(12, 20.0), clusters=[f"t{k // 3}" for k in range(12)])
    half = t_quantile(0.975, 3) * by_tooth.std(ddof=1) / sqrt(4.0)
    assert found.bias_interval == pytest.approx((0.2 - half, 0.2 + half))
    assert found.clusters == 4
    alone = limits_of_agreement(20.0 + difference, np.full(12, 20.0), clusters=[f"{k}" for k in range(12)])
    assert alone == limits_of_agreement(20.0 + difference, np.full(12, 20.0))


def test_what_was_read_and_not_determined_is_not_called_unread():
    rows = [
        Reading(f"s{k}", o, nan if k < 3 and o == "a" else 5.0 + k + d, repeat, "radius_mm")
        for k in range(9)
        for o, d in (("a", 0.1 * (k % 2)), ("b", 0.3))
        for repeat in (1, 2)
    ]
    rows[rows.index(next(r for r in rows if (r.subject, r.observer, r.repeat) == ("s0", "a", 2)))] = Reading(
        "s0", "a", 77.0, 2, "radius_mm"
    )
    table = readings_from_csv(readings_csv(rows))
    assert len(table.undetermined) == 5
    (found,) = summaries(table)
    assert found.complete == 6
    assert "not read" not in found.remarks[0]
    assert "3 of 9" in found.remarks[0]
    assert "5 of 36 readings were made and not determined (a 5)" in found.remarks[1]
    # The second reading of s0 is no first one.
    assert "s0" not in found.pairs[0].subjects
    with pytest.raises(StudyError, match="hold a reading"):
        readings_from_csv("subject,observer,value\ns,a,\n")
    assert table == Readings(table.rows, table.undetermined)


def test_the_distance_of_two_ends_is_from_end_to_end():
    """One path runs 0.3 mm further and 0.4 mm beside the other's end: 0.5 mm, whatever the nearest point is."""
    straight = np.column_stack([np.linspace(0.0, 10.0, 41), np.zeros(41)])
    bent = np.vstack([straight, [10.3, 0.4]])
    one, two = (DrawnPath("s", "f", "c", who, 1, path, (1.0, 1.0)) for who, path in (("a", straight), ("b", bent)))
    assert path_pair(one, two, np.ones(2)).ends_mm == pytest.approx(0.5)


def test_a_point_a_kilometre_astray_is_named_and_the_others_are_measured():
    line = np.column_stack([np.linspace(0.0, 500.0, 30), np.zeros(30)])
    astray = line.copy()
    astray[7, 1] = 1e9
    features = [PathFeature(path_px=path, id=str(k)) for k, path in enumerate([line, astray, line])]
    table, bad = path_rows([("x.wlpaths.json", Head(), features, 1)], Settings())
    assert table["id"] == ["0", "2"]
    assert [(one.id, one.place) for _, one in bad] == [("1", 2)]
    assert "astray" in bad[0][1].reason
