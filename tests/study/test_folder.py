"""A study on disk: made, blinded, checked, filled by two processes at once, and read back as a table."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import CaseError, StudyError
from wlmeasure.record.case import Canal, load_case, save_case
from wlmeasure.study.collect import collect, tooth_group
from wlmeasure.study.folder import (
    APART,
    init_study,
    progress,
    result_path,
    results,
    seal_path,
    store_result,
    strangers,
    template,
)
from wlmeasure.study.manifest import load_study
from wlmeasure.study.protocol import Protocol, load_protocol, read_clicks, violations
from wlmeasure.study.status import status_json, status_text

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
RULES = {"definitions": ("length_mm",), "apical_end": "radiographic apex", "scale": "given", "least_clicks": 3}


def _simulated():
    spec = importlib.util.spec_from_file_location("simulated", HERE / "simulated.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["simulated"] = module
    spec.loader.exec_module(module)
    return module


simulated = _simulated()


@pytest.fixture
def films(tmp_path):
    truth = simulated.cheap_films(tmp_path / "films", 6, 1)
    return sorted((tmp_path / "films").glob("*.wl.json")), truth


def _made(tmp_path, films, name="study", **options):
    options = {"repeats": 2, "seed": 4} | options
    return init_study(tmp_path / name, films, ["ANN", "BEN"], Protocol(**RULES), **options)


def test_films_are_copied_under_names_that_tell_nothing(tmp_path, films):
    cases, truth = films
    study = _made(tmp_path, cases).study
    manifest = (study.folder / "study.json").read_text("utf-8")
    assert "patient" not in manifest
    assert len(study.films) == 6
    assert [film.id for film in study.films] == sorted(film.id for film in study.films)
    for film in study.films:
        content = (study.folder / film.path).read_bytes()
        assert hashlib.sha256(content).hexdigest() == film.sha256
        assert film.sha256 in truth
        assert film.id == Path(film.path).stem
    names = study.key()
    assert sorted(names.values()) == [f"patient_{k:02d}.png" for k in range(6)]
    # The order of the names is no order of the films.
    assert [names[film.id] for film in study.films] != sorted(names.values())
    assert load_study(study.folder) == study


def test_every_observer_has_an_order_of_their_own_with_repeats_apart(tmp_path, films):
    cases, _ = films
    study = _made(tmp_path, cases, repeats=3).study
    orders = []
    for observer in study.observers:
        count = Counter(task.film for task in observer.tasks)
        assert set(count.values()) == {3}
        seen: dict[str, int] = {}
        last: dict[str, int] = {}
        for at, task in enumerate(observer.tasks):
            seen[task.film] = seen.get(task.film, 0) + 1
            assert task.repeat == seen[task.film]
            assert at - last.get(task.film, -99) > 3
            last[task.film] = at
        orders.append([task.film for task in observer.tasks])
    assert orders[0] != orders[1]
    again = _made(tmp_path, cases, "again", repeats=3).study
    assert again.observers == study.observers
    other = _made(tmp_path, cases, "other", repeats=3, seed=5).study
    assert other.observers != study.observers


def test_a_large_study_keeps_ten_films_between_repeats():
    from wlmeasure.study.folder import _order

    tasks = _order([f"f{k}" for k in range(40)], 2, [1], 0)
    last: dict[str, int] = {}
    gaps = []
    for at, task in enumerate(tasks):
        if task.film in last:
            gaps.append(at - last[task.film])
        last[task.film] = at
    assert min(gaps) > APART
    # Shuffled in: some repeat comes before another film's first reading.
    first = [at for at, task in enumerate(tasks) if task.repeat == 1]
    second = [at for at, task in enumerate(tasks) if task.repeat == 2]
    assert min(second) < max(first)


def test_films_may_be_referred_to_where_they_lie(tmp_path, films):
    cases, _ = films
    study = _made(tmp_path, cases, copy=False).study
    assert not list((study.folder / "films").iterdir())
    task = study.observers[0].tasks[0]
    case = template(study, "ANN", task, result_path(study, "ANN", task))
    assert case.film_path(case.films[0]).resolve().is_file()


def test_images_need_a_tooth_and_a_given_scale_needs_one(tmp_path, films):
    cases, _ = films
    image = cases[0].with_name("patient_00.png")
    with pytest.raises(StudyError, match="--tooth"):
        init_study(tmp_path / "a", [image], ["ANN"], Protocol(**RULES))
    with pytest.raises(StudyError, match="claims none"):
        init_study(tmp_path / "b", [image], ["ANN"], Protocol(**RULES), tooth="46")
    own = Protocol(**RULES | {"scale": "observer"})
    study = init_study(tmp_path / "c", [image], ["ANN"], own, tooth="46", canals=["MB", "D"]).study
    assert [canal.name for canal in study.films[0].canals] == ["MB", "D"]
    assert study.films[0].scale == ()
    with pytest.raises(StudyError, match="new or empty"):
        init_study(tmp_path / "c", [image], ["ANN"], own, tooth="46")
    with pytest.raises(StudyError, match="sha256 must be used once"):
        init_study(tmp_path / "d", [image, cases[0]], ["ANN"], own, tooth="46")
    with pytest.raises(CaseError, match="name must have the form"):
        init_study(tmp_path / "e", [image], ["../ANN"], own, tooth="46")
    with pytest.raises(StudyError, match="observers"):
        init_study(tmp_path / "f", [image], ["ANN", "ann"], own, tooth="46")


def _traced(study, observer="ANN", position=1, **members):
    """A result by the rules, but for what `members` of its trace say."""
    task = study.observer(observer).tasks[position - 1]
    case = template(study, observer, task, result_path(study, observer, task))
    from wlmeasure.record.case import Trace

    clicks = ((40.0, 60.0), (200.0, 62.0), (400.0, 70.0))
    trace = Trace(**{"film": "f1", "clicks_px": clicks, "path_px": clicks, "apical_end": "radiographic apex"} | members)
    return evolve(case, canals=(evolve(case.canals[0], traces=(trace,)),))


def test_each_way_of_breaking_the_protocol_is_named(tmp_path, films):
    study = _made(tmp_path, films[0]).study
    task = study.observer("ANN").tasks[0]
    made = template(study, "ANN", task, result_path(study, "ANN", task))
    good = _traced(study)

    def codes(case, **rules):
        return [one.code for one in violations(case, made, evolve(study.protocol, **rules))]

    assert codes(good) == []
    assert codes(made) == ["canal-missing"]
    assert codes(_traced(study, apical_end="file tip")) == ["apical-end"]
    assert codes(_traced(study, clicks_px=((40.0, 60.0), (400.0, 70.0)))) == ["few-clicks"]
    assert codes(_traced(study, clicks_px=None)) == ["few-clicks"]
    assert codes(good, most_clicks=3) == []
    assert codes(
        _traced(study, clicks_px=((40.0, 60.0), (90.0, 60.0), (200.0, 61.0), (400.0, 70.0))), most_clicks=3
    ) == ["many-clicks"]
    assert codes(good, reference=True) == ["no-reference"]
    assert codes(_traced(study, reference_px=(20.0, 60.0)), reference=True) == []
    assert codes(evolve(good, tooth="11")) == ["tooth-changed"]
    assert codes(evolve(good, films=(evolve(good.films[0], scale=()),))) == ["scale-changed"]
    assert codes(evolve(good, films=(evolve(good.films[0], sha256="0" * 64),))) == ["film-changed"]
    dark = evolve(good, films=(evolve(good.films[0], metal="dark"),))
    assert codes(dark) == ["metal-changed"]
    assert codes(dark, metal="observer") == []
    said = [one.text for one in violations(dark, made, study.protocol)]
    assert said == ["metal on the film is as the film's file says by the study, not dark"]
    assert codes(evolve(good, films=(evolve(good.films[0], scale=()),)), scale="observer") == ["no-scale"]
    more = Canal(name="another", reference_point="cusp", traces=())
    assert codes(evolve(good, canals=(*good.canals, more))) == ["canal-added"]


def test_a_result_is_stored_once_and_says_whose_it_is(tmp_path, films):
    study = _made(tmp_path, films[0]).study
    path = store_result(study, "ANN", 1, _traced(study), at="2026-11-27T10:00:00")
    before = path.read_bytes()
    with pytest.raises(StudyError, match="none is written over"):
        store_result(study, "ANN", 1, _traced(study), at="2026-11-27T11:00:00")
    with pytest.raises(StudyError, match="ends at the file tip"):
        store_result(study, "ANN", 2, _traced(study, position=2, apical_end="file tip"), at="2026-11-27T11:00:00")
    assert path.read_bytes() == before
    assert progress(study, "ANN").done == 1
    assert progress(study, "ANN").next == 2
    case = load_case(path)
    assert case.film_path(case.films[0]).resolve().is_file()
    # A file copied to another's place is found out, and one that nobody was assigned too.
    task = study.observer("ANN").tasks[0]
    copied = result_path(study, "BEN", task)
    copied.write_bytes(before)
    stray = copied.with_name("zzzz-1.wl.json")
    stray.write_bytes(before)
    broken = [one for one in results(study) if one.violations]
    assert [(one.observer, one.violations[0].code) for one in broken] == [("BEN", "not-his")]
    assert strangers(study) == [stray]
    copied.write_text("{", encoding="utf-8")
    assert [one.error is not None for one in results(study) if one.observer == "BEN"] == [True]


def test_two_observers_in_two_processes_never_clash(tmp_path, films):
    """Both store all their results at the same time, while a third looks; every file is whole, and each one's own."""
    cases, truth = films
    study = _made(tmp_path, cases).study
    np.savez(tmp_path / "truth.npz", **truth)
    script = (
        "import sys, numpy as np; sys.path.insert(0, sys.argv[1])\n"
        "import simulated as s\n"
        "from wlmeasure.study.manifest import load_study\n"
        "hands = (s.Hand('ANN', 0.3, 0.2), s.Hand('BEN', 0.0, 0.2))\n"
        "truth = dict(np.load(sys.argv[3]))\n"
        "print('ready', flush=True); sys.stdin.readline()\n"
        "print(s.read_all(load_study(sys.argv[2]), truth, hands, 0.05, 3, only=sys.argv[4]))\n"
    )
    words = [sys.executable, "-c", script, str(HERE), str(study.folder), str(tmp_path / "truth.npz")]
    writers = [
        subprocess.Popen(
            [*words, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
        )
        for name in ("ANN", "BEN")
    ]
    for writer in writers:
        assert writer.stdout.readline().strip() == "ready"
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    looks = 0
    while any(writer.poll() is None for writer in writers):
        for one in results(study):  # whatever is there is whole and belongs there
            assert one.error is None, one.error
            assert one.violations == ()
        looks += 1
    said = [writer.communicate() for writer in writers]
    assert [out.strip() for out, _ in said] == ["12", "12"], said
    assert looks > 0
    assert len(results(study)) == 24
    assert not list(study.folder.rglob(".*.json*"))  # nothing half written is left
    for observer in ("ANN", "BEN"):
        assert progress(study, observer).next is None


def test_what_broke_the_protocol_is_left_out_unless_asked_for(tmp_path, films):
    cases, truth = films
    study = _made(tmp_path, cases, repeats=1).study
    simulated.read_all(study, truth, (simulated.Hand("ANN", 0.0, 0.1), simulated.Hand("BEN", 0.1, 0.1)), 0.05, 2)
    task = study.observer("BEN").tasks[2]
    path = result_path(study, "BEN", task)
    case = load_case(path)
    trace = evolve(case.canals[0].traces[0], apical_end="file tip")
    save_case(evolve(case, canals=(evolve(case.canals[0], traces=(trace,)),)), path)
    made = collect(study)
    assert len(made.readings.rows) == 11
    assert len(made.left_out) == 1
    assert made.left_out[0].startswith(
        f"BEN {path.name}: canal single ends at the file tip, not at the radiographic apex;"
    )
    assert len(collect(study, keep_violations=True).readings.rows) == 12
    # Another film in place of one is found out too.
    film = study.film(study.observer("ANN").tasks[0].film)
    (study.folder / film.path).write_bytes((study.folder / study.films[0].path).read_bytes() + b"x")
    assert any("has changed since" in text for text in collect(study).left_out)


def test_a_result_that_was_changed_after_it_came_in_is_named(tmp_path, films):
    """An end moved by 20 rows (1 mm), by the rules in everything else."""
    study = _made(tmp_path, films[0]).study
    for position in (1, 2, 3):
        store_result(study, "ANN", position, _traced(study, position=position), at="2026-11-27T10:00:00")
    assert status_json(study)["violations"] == []
    tasks = study.observer("ANN").tasks
    path = result_path(study, "ANN", tasks[1])
    path.write_bytes(path.read_bytes().replace(b"400.0", b"420.0"))
    seal_path(study, "ANN", tasks[2]).unlink()
    said = status_json(study)
    assert [(one["result"], one["code"]) for one in said["violations"]] == [(path.name, "altered")]
    assert said["unsealed"] == [f"results/ANN/{result_path(study, 'ANN', tasks[2]).name}"]
    assert f"{path.name}: the file was changed after it came in" in status_text(study)
    assert len(collect(study).readings.rows) == 2


def test_groups_of_teeth_are_those_of_iso_3950():
    said = {
        "11": "incisor",
        "42": "incisor",
        "23": "canine",
        "34": "premolar",
        "45": "premolar",
        "46": "molar",
        "38": "molar",
    }
    assert {tooth: tooth_group(tooth) for tooth in said} == said
    assert (tooth_group("54"), tooth_group("83"), tooth_group("61")) == (
        "primary molar",
        "primary canine",
        "primary incisor",
    )


def test_rules_are_read_and_refused(tmp_path):
    path = tmp_path / "rules.json"
    path.write_text(
        json.dumps(
            {"definitions": ["schneider_deg"], "apical_end": "apical foramen", "scale": "none", "least_clicks": 4}
        )
    )
    assert load_protocol(path).least_clicks == 4
    assert [read_clicks(text) for text in ("3", "3-8", "3-")] == [(3, 3), (3, 8), (3, None)]
    with pytest.raises(StudyError, match="number or a range"):
        read_clicks("a few")
    for change, said in (
        ({"definitions": ["width"]}, "definitions"),
        ({"scale": "none", "definitions": ["length_mm"]}, "angles"),
        ({"least_clicks": 9, "most_clicks": 3}, "few to many"),
        ({"definitions": []}, "definitions"),
    ):
        path.write_text(
            json.dumps({"definitions": ["schneider_deg"], "apical_end": "apical foramen", "scale": "given"} | change)
        )
        with pytest.raises(StudyError, match=rf"rules\.json: .*{said}"):
            load_protocol(path)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.update(schema="x"), "schema must be"),
        (lambda d: d["observers"][0]["tasks"].append({"film": "zzzz", "repeat": 1}), "one of the study"),
        (lambda d: d["observers"][0]["tasks"].append(d["observers"][0]["tasks"][0]), "read 2 times"),
        (lambda d: d["observers"][0].update(name="../x"), "name must have the form"),
        (lambda d: d["films"][0].update(tooth="99"), "tooth"),
        (lambda d: d.pop("protocol"), "protocol is missing; a study needs it"),
    ],
)
def test_a_manifest_that_does_not_hold_together_is_refused(tmp_path, films, change, said):
    study = _made(tmp_path, films[0]).study
    path = study.folder / "study.json"
    data = json.loads(path.read_text("utf-8"))
    change(data)
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(StudyError, match=said):
        load_study(study.folder)
