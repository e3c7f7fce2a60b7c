"""An observer walks through the films of a study: blinded, resumed, checked; and somebody walks the worst disagreements."""

from __future__ import annotations

import importlib.util
import json
import os
import sys
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import StudyError
from wlmeasure.record.answers import answers
from wlmeasure.record.case import ProposedItem, load_case, save_case
from wlmeasure.study.collect import collect
from wlmeasure.study.folder import init_study, progress, result_path, results
from wlmeasure.study.protocol import Protocol
from wlmeasure.study.worst import worst, write_walk

ROOT = Path(__file__).resolve().parents[2]
CASES = ROOT / "sample_images" / "cases"
NAMES = ("straight", "curved_out_of_plane", "s_curved")


def _script(path: Path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _study(folder: Path, repeats: int = 1, **options):
    protocol = Protocol(
        definitions=("length_mm", "schneider_deg"),
        apical_end="apical foramen",
        scale="given",
        least_clicks=3,
        most_clicks=9,
    )
    films = [CASES / f"{name}.wl.json" for name in NAMES]
    return init_study(folder, films, ["ANN", "BEN"], protocol, repeats=repeats, seed=11, **options).study


def _truth(study, film) -> np.ndarray:
    """Centre line of the canal on that film, (row, col); the study's own key says which sample it is."""
    stem = Path(study.key()[film]).stem
    table = np.genfromtxt(
        ROOT / "sample_images" / "truth" / f"{stem}_canal.csv", delimiter=",", names=True, dtype=float
    )
    return np.column_stack([table["row_px"], table["col_px"]])


def _points(study, film) -> list[tuple[float, float]]:
    path = _truth(study, film)
    path = path[path[:, 0] > 20.0]
    picks = np.linspace(0, len(path) - 1, 3).round().astype(int)
    return [(float(r), float(c)) for r, c in path[picks]]


def _walk(study, name="ANN"):
    from wlmeasure_napari._session import Session
    from wlmeasure_napari._study import ObserverWalk

    walk = ObserverWalk(Session(), study.folder, name)
    walk.begin()
    return walk


def _trace(walk) -> None:
    session = walk.session
    film = walk.observer.tasks[walk.position - 1].film
    session.take("canal")
    for point in _points(walk.study, film):
        session.click(point)
    session.accept()


def test_a_walk_stores_every_film_once_and_ends(tmp_path):
    study = _study(tmp_path / "study")
    walk = _walk(study)
    titles = []
    while walk.position is not None:
        titles.append(walk.title)
        assert walk.session.case.canals[0].traces == ()
        assert not walk.session.can_undo
        _trace(walk)
        assert walk.next_step().place == "study"
        walk.go_on()
    assert titles == ["Film 1 of 3", "Film 2 of 3", "Film 3 of 3"]
    assert walk.session.case is None
    assert progress(study, "ANN").done == 3
    assert progress(study, "BEN").done == 0
    assert not any((study.folder / "working" / "ANN").glob("*.wl.json"))
    for result in results(study):
        assert result.violations == ()
        assert result.case.canals[0].traces[0].apical_end == "apical foramen"
        assert result.case.canals[0].traces[0].tracer is not None
        assert result.case.extra["study"]["position"] == result.position
    walk.close()


def test_an_observer_who_begins_from_proposals_answers_them_and_another_sees_none(tmp_path):
    """Accepted on one film, moved; refused on the next, and drawn; each stored as what it is."""
    protocol = Protocol(definitions=("length_mm",), apical_end="apical foramen", scale="given", least_clicks=3)
    films = []
    for name in NAMES[:2]:
        path = tmp_path / f"{name}.wl.json"
        case = load_case(CASES / f"{name}.wl.json")
        film = evolve(case.films[0], path=str(case.film_path(case.films[0]).resolve()))
        truth = ROOT / "sample_images" / "truth" / f"{Path(film.path).stem}_canal.csv"
        table = np.genfromtxt(truth, delimiter=",", names=True)
        line = np.round(np.column_stack([table["row_px"], table["col_px"]])[::8], 3)
        item = ProposedItem(
            kind="canal", label="canal 1", points_px=line, probability=0.95, trusted=True, tooth_number=1, model="made",
            model_sha256="ab" * 32,
        )  # fmt: skip
        save_case(evolve(case, films=(evolve(film, proposed=(item,)),), folder=tmp_path), path)
        films.append(path)
    study = init_study(tmp_path / "study", films, ["ANN", "BEN"], protocol, seed=11, from_proposals=["ANN"]).study
    other = _walk(study, "BEN")
    assert other.session.first.items == ()
    assert "proposed" not in other.rules
    other.close()
    walk = _walk(study)
    assert "accept, mend or refuse it" in walk.rules
    session = walk.session
    for moved in (True, False):
        assert [item.label for item in session.first.items] == ["canal 1"]
        assert "1 canal proposed" in walk.next_step().words
        (name,) = (canal.name for canal in session.case.canals)
        if moved:
            session.first.move(2, tuple(np.add(session.first.points(session.first.focus)[2], (0.0, 6.0))))
            session.first.accept()
            assert "which canal" in walk.next_step().words
            assert session.first.names == (name,)
            session.first.name("canal 1", name)
        else:
            session.first.refuse()
            _trace(walk)
        assert walk.next_step().place == "study"
        walk.go_on()
    walk.close()
    said = [answer for result in results(study) for answer in answers(result.case)]
    assert {answer.by for answer in said} == {"ANN"}  # nobody is asked for initials in a walk
    assert all(result.violations == () for result in results(study))
    assert sorted(row.proposal for row in collect(study).readings.rows) == ["drawn new", "moved"]


def test_a_walk_goes_on_where_it_was_left(tmp_path):
    study = _study(tmp_path / "study")
    walk = _walk(study)
    _trace(walk)
    walk.go_on()
    _trace(walk)
    begun = walk.session.case.canals[0].traces
    walk.close()

    again = _walk(study)
    assert again.title == "Film 2 of 3"
    assert again.session.case.canals[0].traces == begun
    again.close()


def test_a_film_comes_back_under_a_name_that_tells_nothing(tmp_path):
    """What the session shows of its file, the second time: neither the film's name, nor the repeat, nor the first result."""
    study = _study(tmp_path / "study", repeats=2)
    walk = _walk(study)
    while walk.position is not None:
        task = walk.observer.tasks[walk.position - 1]
        said = walk.title + walk.session.saved_words() + walk.session.path.name
        assert task.film not in said
        for name in (*study.key().values(), *NAMES):
            assert Path(name).stem not in said
        assert walk.session.result.canals[0].traces == ()
        _trace(walk)
        walk.go_on()
    assert len(results(study)) == 6
    walk.close()


def test_what_breaks_the_protocol_is_said_and_not_stored(tmp_path):
    study = _study(tmp_path / "study")
    walk = _walk(study)
    with pytest.raises(StudyError, match="not traced"):
        walk.go_on()
    session = walk.session
    session.take("canal")
    points = _points(study, walk.observer.tasks[0].film)
    session.click(points[0])
    session.click(points[-1])
    session.accept()
    assert "2 points" in walk.next_step().words
    with pytest.raises(StudyError, match="2 points; 3 are needed"):
        walk.go_on()
    assert results(study) == []
    session.insert(walk.session.canal_name, points[1])
    walk.go_on()
    assert len(results(study)) == 1
    walk.close()


@pytest.mark.parametrize(("metal", "asked"), [("given", False), ("observer", True)])
def test_an_observer_is_asked_what_metal_is_only_where_the_protocol_leaves_it_to_him(
    tmp_path, monkeypatch, metal, asked
):
    """A negative film whose file says nothing of its grey scale."""
    monkeypatch.syspath_prepend(ROOT / "tests" / "references")
    import made_exports

    film = tmp_path / "negative.png"
    film.write_bytes(made_exports.saved(255 - made_exports.grey_film(120), "PNG"))
    protocol = Protocol(definitions=("length_mm",), apical_end="apical foramen", scale="observer", metal=metal)
    study = init_study(tmp_path / "study", [film], ["ANN"], protocol, tooth="46", seed=3).study
    walk = _walk(study)
    question = walk.session.question
    assert walk.session.radiograph.polarity_doubt
    assert (question is not None and question.about == "metal") is asked
    assert ("metal" in walk.conceals) is not asked
    walk.close()


def test_an_observer_is_at_work_in_one_window_only(tmp_path):
    study = _study(tmp_path / "study")
    first = _walk(study)
    with pytest.raises(StudyError, match="another"):
        _walk(study)
    other = _walk(study, "BEN")
    other.close()
    first.close()
    _walk(study).close()
    with pytest.raises(StudyError, match="ANN, BEN"):
        _walk(study, "CAY")


def test_names_are_shown_where_they_are_not_hidden(tmp_path):
    study = _study(tmp_path / "study", hidden={"ANN": ["measures"]})
    walk = _walk(study)
    assert walk.title.startswith("Film 1 of 3: ref_")
    walk.close()


def test_the_worst_disagreements_are_walked(tmp_path):
    """Both observers' paths as canals of one case, in the order of the list; what is added is saved."""
    from wlmeasure_napari._session import Session
    from wlmeasure_napari._study import WorstWalk

    study = _study(tmp_path / "study")
    for name in ("ANN", "BEN"):
        walk = _walk(study, name)
        while walk.position is not None:
            _trace(walk)
            walk.go_on()
        walk.close()
    made = collect(study)
    far = worst(made.readings, "length_mm")
    path = write_walk(study, made.paths, far, tmp_path / "walk", blind=False)
    seen = WorstWalk(Session(), path)
    seen.begin()
    assert [canal.name for canal in seen.session.case.canals] == ["ANN", "BEN"]
    assert far[0].subject in seen.title
    seen.session.add_canal("settled")
    seen.go_on()
    seen.go_back()
    assert [canal.name for canal in seen.session.case.canals] == ["ANN", "BEN", "settled"]
    for _ in range(3):
        seen.go_on()
    assert seen.position is None
    with pytest.raises(StudyError, match="would be lost"):
        write_walk(study, made.paths, far, tmp_path / "walk", blind=True)


@pytest.mark.viewer
def test_a_blinded_run_of_three_films_on_a_real_screen(plugin, monkeypatch, tmp_path):
    """Mouse and keys on three films: nothing on the screen names film or measure; results are all there."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    from qtpy.QtWidgets import QLabel, QLineEdit
    from wlmeasure_napari._study import ObserverWalk

    person = _script(Path(__file__).with_name("test_dock.py")).Person()
    study = _study(tmp_path / "study")
    walk = ObserverWalk(person.session, study.folder, "ANN")
    person.dock.begin_walk(walk)
    person.settle()
    pictures = os.environ.get("WLMEASURE_PICTURES")
    try:
        for k in range(3):
            task = walk.observer.tasks[k]
            assert person.dock.study.title_line.text() == f"Film {k + 1} of 3"
            assert person.session.result.canals[0].traces == ()
            assert not person.button("Image archive…").isVisible()  # other films are not for an observer
            person.press(person.dock.study.next_button)  # too early: it is said why, and nothing is stored
            assert "not traced" in person.dock._fields["study"].text()
            person.key("T")
            for point in _points(study, task.film):
                person.click(point)
            person.key("Enter")
            assert walk.next_step().place == "study"
            shown = [w.text() for cls in (QLabel, QLineEdit) for w in person.window.findChildren(cls) if w.isVisible()]
            for word in (task.film, "ref_", "mm long", "Schneider", "0.02"):
                assert not any(word in text for text in shown), (word, shown)
            assert person.window.windowTitle() == "wlmeasure"
            length = person.session.trace_result.length.length_mm
            assert not any(f"{length:.1f}" in text for text in shown)
            if pictures and k == 1:
                person.viewer.screenshot(canvas_only=False, flash=False)
                person.window.grab().toImage().save(str(Path(pictures) / f"study_{k}.png"))
            person.press(person.dock.study.next_button)
        assert walk.position is None
        assert [layer.name for layer in person.viewer.layers] == []
        assert "Thank you" in person.dock.next_line.text()
    finally:
        walk.close()
        person.viewer.close()
        person.app.processEvents()
    made = collect(study)
    assert made.left_out == ()
    lengths = [row.value for row in made.readings.of(definition="length_mm").rows]
    assert len(lengths) == 3
    # The scale is the file's, the canal 22.0 mm long; what lies above row 20 of the straight film was not clicked.
    assert all(20.0 < value < 22.5 for value in lengths)
    first = load_case(result_path(study, "ANN", walk.observer.tasks[0]))
    assert json.loads(json.dumps(first.extra["study"]))["observer"] == "ANN"
