"""A student works through an exercise: nothing measured is seen before the estimate stands; the replay in 3-D."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from wlmeasure.errors import LearnError
from wlmeasure.learn.answers import Answer, load_answers
from wlmeasure.learn.exercise import load_exercise, open_seal
from wlmeasure.learn.mark import mark
from wlmeasure.learn.new import exercise_from_phantoms

AT = "2026-11-27T10:00"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("learn") / "exercise"
    list(exercise_from_phantoms(folder, 2, 21, "clear", made_at=AT))
    return folder


@pytest.fixture
def folder(made, tmp_path) -> Path:
    """A copy of its own for each test."""
    import shutil

    shutil.copytree(made, tmp_path / "exercise")
    return tmp_path / "exercise"


def _walk(folder):
    from wlmeasure_napari._exercise import ExerciseWalk
    from wlmeasure_napari._session import Session

    walk = ExerciseWalk(Session(), folder)
    walk.begin()
    return walk


def _true_clicks(folder, item) -> list[tuple[float, float]]:
    path = np.array(open_seal(folder, load_exercise(folder), None)[item.film].path_px)[1:]
    return [tuple(path[k]) for k in np.linspace(0, len(path) - 1, 4).round().astype(int)]


def test_the_estimate_comes_first_and_stands(folder):
    walk = _walk(folder)
    assert walk.title == "Film 1 of 2"
    assert walk.session.case.canals[0].traces == ()
    assert "measures" in walk.conceals
    with pytest.raises(LearnError, match="committed first"):
        walk.go_on()
    for typed, words in (
        (("", "", ""), "length must be given"),
        (("20,5", "20", ""), "both be given"),
        (("long", "", ""), "length must be a number"),
        (("20", "21", "22"), "must hold length_mm"),
    ):
        with pytest.raises(LearnError, match=words):
            walk.commit_typed(*typed)
    walk.session.take("canal")
    for point in _true_clicks(folder, walk.item):
        walk.session.click(point)
    walk.session.accept()
    assert "measures" in walk.conceals
    walk.commit_typed("20,5", "19.5", "21")
    assert "measures" not in walk.conceals
    with pytest.raises(LearnError, match="answered already"):
        walk.commit(21.0, None)
    walk.go_on()
    assert walk.title == "Film 2 of 2"
    assert "measures" in walk.conceals
    walk.commit_typed("18", "", "")
    walk.go_on()
    assert walk.position is None
    assert walk.session.case is None
    walk.close()

    first, second = load_answers(folder / "answers.csv")
    assert (first.length_mm, first.interval_mm) == (20.5, (19.5, 21.0))
    assert second == Answer("film_02.png", 18.0)
    exercise = load_exercise(folder)
    (marked, _) = mark(exercise, open_seal(folder, exercise, None), [first, second]).marked
    assert marked.certain
    # Traced along the true canal from its orifice: the crown piece is missing, the end is right.
    parts = {part.kind: part.mm for part in marked.parts}
    assert parts["reference point"] < -3.0
    assert abs(parts["apical end"]) < 0.15


def test_a_walk_goes_on_at_the_film_that_is_not_answered(folder):
    walk = _walk(folder)
    with pytest.raises(LearnError, match="one window"):
        _walk(folder)
    walk.commit(20.0, None)
    walk.close()  # the window is closed before Next
    again = _walk(folder)
    assert again.title == "Film 2 of 2"
    again.close()


@pytest.mark.viewer
def test_a_student_at_the_screen(plugin, monkeypatch, folder):
    """Nothing measured is on the screen before the estimate is committed, and it is there afterwards."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    from qtpy.QtWidgets import QLabel
    from wlmeasure_napari._exercise import ExerciseWalk

    spec = importlib.util.spec_from_file_location("test_dock", Path(__file__).with_name("test_dock.py"))
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    person = script.Person()
    walk = ExerciseWalk(person.session, folder)
    pictures = os.environ.get("WLMEASURE_PICTURES")

    def seen() -> str:
        return "\n".join(w.text() for w in person.window.findChildren(QLabel) if w.isVisible())

    def picture(name: str) -> None:
        if pictures:
            person.viewer.screenshot(canvas_only=False, flash=False)
            person.window.grab().toImage().save(str(Path(pictures) / f"{name}.png"))

    try:
        person.dock.begin_walk(walk)
        person.settle()
        part = person.dock.study
        person.key("T")
        for point in _true_clicks(folder, walk.item):
            person.click(point)
        person.key("Enter")
        trace = person.session.trace_result
        assert trace is not None
        picture("exercise_before")
        before = seen()
        assert "Schneider" not in before
        assert "no scale: angles only" not in before
        assert not person.dock.angulation.isVisible()
        for field, text in zip(part.numbers, ("20.5", "19", "22"), strict=True):
            field.edit.setText(text)
        person.press(part.commit_button)
        assert walk.committed is not None
        assert "Your answer: 20.5 mm, 19 to 22 mm" in seen()
        assert "no scale: angles only" in seen()
        assert not person.dock.angulation.isVisible()
        assert person.dock._space.concealed
        assert not part.numbers[0].isVisible()
        picture("exercise_after")
        person.press(part.next_button)
        assert walk.title == "Film 2 of 2"
        assert part.numbers[0].isVisible()
        assert part.numbers[0].text == ""
    finally:
        walk.close()
        person.viewer.close()
        person.app.processEvents()


@pytest.fixture(scope="module")
def made_shifted(tmp_path_factory) -> Path:
    """Two teeth with a second film each; a side is asked for on the second tooth, and on the first it is not told."""
    folder = tmp_path_factory.mktemp("shifted") / "exercise"
    list(exercise_from_phantoms(folder, 2, 3, "clear", views=2, made_at=AT))
    return folder


@pytest.fixture
def shifted(made_shifted, tmp_path) -> Path:
    import shutil

    shutil.copytree(made_shifted, tmp_path / "exercise")
    return tmp_path / "exercise"


def test_both_films_of_a_tooth_are_in_the_case_and_the_side_is_asked(shifted):
    walk = _walk(shifted)
    assert walk.second is not None
    assert walk.second.asks_side
    assert walk.second.tube is None
    assert walk.session.film_ids == ["first film", "second film"]
    assert "films" not in walk.conceals
    assert "the side is not told" in walk.rules
    # A path on the second film is not the one that the length is marked by.
    walk.session.choose_film("second film")
    path = np.array(open_seal(shifted, walk.exercise, None)[walk.item.film].second.path_px)[1:]
    walk.session.take("canal")
    for k in (0, len(path) // 2, len(path) - 1):
        walk.session.click(tuple(path[k]))
    walk.session.accept()
    with pytest.raises(LearnError, match="side must be chosen"):
        walk.commit_typed("20", "", "", "-0.2")
    with pytest.raises(LearnError, match="difference must be a number"):
        walk.commit_typed("20", "", "", "less", "buccal")
    walk.commit_typed("20", "", "", "-0,2", "cannot tell")
    assert "-0.2 mm on the second film; cannot tell" in walk.committed_words
    walk.go_on()
    assert walk.session.film_ids == ["first film", "second film, tube to mesial"]
    assert not walk.second.asks_side
    walk.commit_typed("19", "", "")
    walk.close()
    first, second = load_answers(shifted / "answers.csv")
    assert first == Answer("film_01_a.png", 20.0, None, None, -0.2, "cannot tell")
    assert second == Answer("film_02_a.png", 19.0)
    marks = mark(walk.exercise, open_seal(shifted, walk.exercise, None), [first, second])
    assert marks.sides == (1, 1, 1)


@pytest.mark.viewer
def test_a_student_sees_both_films_and_names_the_side(plugin, monkeypatch, shifted):
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    from wlmeasure_napari._exercise import ExerciseWalk

    spec = importlib.util.spec_from_file_location("test_dock", Path(__file__).with_name("test_dock.py"))
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    person = script.Person()
    walk = ExerciseWalk(person.session, shifted)
    try:
        person.dock.begin_walk(walk)
        person.settle()
        part, choice = person.dock.study, person.dock.film_choice
        assert choice.isVisible()
        assert [choice.itemText(k) for k in range(choice.count())] == ["first film", "second film"]
        one = person.session.radiograph
        choice.setCurrentIndex(1)
        choice.textActivated.emit("second film")
        person.settle()
        assert person.session.radiograph is not one
        assert part.side.isVisible()
        if pictures := os.environ.get("WLMEASURE_PICTURES"):
            person.viewer.screenshot(canvas_only=False, flash=False)
            person.window.grab().toImage().save(str(Path(pictures) / "exercise_shifted.png"))
        part.numbers[0].edit.setText("20.5")
        part.difference.edit.setText("-0.3")
        person.press(part.commit_button)
        assert walk.committed is None  # no side yet
        part.side.setCurrentText("lingual")
        person.press(part.commit_button)
        assert walk.committed == Answer("film_01_a.png", 20.5, None, None, -0.3, "lingual")
        assert not part.side.isVisible()
        person.press(part.next_button)
        assert part.difference.isVisible()
        assert part.difference.text == ""
        assert not part.side.isVisible()
    finally:
        walk.close()
        person.viewer.close()
        person.app.processEvents()


@pytest.mark.viewer
def test_the_replay_shows_both_lines_in_space(plugin, folder):
    import napari
    from wlmeasure_napari._replay import marked_film, replay, viewer_mm

    exercise = load_exercise(folder)
    truths = open_seal(folder, exercise, None)
    first, second = (truths[item.film] for item in exercise.items)
    shifted = np.array(second.path_px) + np.array([0.0, 40.0])
    answers = [Answer("film_01.png", 5.0), Answer("film_02.png", second.length_mm + 1.0, None, shifted)]
    marks = mark(exercise, truths, answers)
    with pytest.raises(LearnError, match=r"film_01\.png must have a path"):
        marked_film(marks, "film_01.png")
    marked = marked_film(marks, None)
    assert marked.item.film == "film_02.png"
    viewer = napari.Viewer(show=False)
    try:
        replay(viewer, marked)
        assert viewer.dims.ndisplay == 3
        (truth,) = viewer.layers["truth"].data
        assert np.allclose(truth, viewer_mm(np.array(second.space.points_mm)))
        (own,) = viewer.layers["yours"].data
        # 40 columns to the right at the detector: as far to the right in the tooth's frame, less the magnification.
        right = 40.0 * marked.item.scale.mm_per_px_col / np.mean(second.space.magnification)
        gap = np.median(np.min(np.linalg.norm(own[:, None] - truth[None], axis=2), axis=1))
        assert 0.6 * right < gap < 1.05 * right
        if pictures := os.environ.get("WLMEASURE_PICTURES"):
            viewer.screenshot(str(Path(pictures) / "replay.png"), canvas_only=False, flash=False)
        assert "film_02.png" in viewer.canvas.overlays.text.text
    finally:
        viewer.close()
    assert first.space is not None
