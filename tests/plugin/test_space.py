"""Films in space: the guide, what is drawn, that nothing stale stays, and a run at the screen."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.record import edit
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import accept_paths, evaluate, read_films

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"


@pytest.fixture(scope="module")
def measured():
    """The sample case of two films, its paths accepted; films and result."""
    case = load_case(SAMPLES / "cases" / "two_films.wl.json")
    films = read_films(case)
    result = evaluate(case, films, in_space=False)
    return films, evaluate(accept_paths(result), films, before=result)


@pytest.fixture
def again(measured):
    """Measures a changed case, what has not changed taken from the one before."""
    films, before = measured
    return lambda case, **how: evaluate(case, films, before=before, **how)


@pytest.fixture
def path(tmp_path):
    for name in ("cases/two_films.wl.json", "cases/straight.wl.json", "films/ref_p45_h00_v00.png", "films/ref_p45_h25_v00.png",
                 "films/ref_straight_h00_v00.png"):  # fmt: skip
        (tmp_path / name).parent.mkdir(exist_ok=True)
        shutil.copy(SAMPLES / name, tmp_path / name)
    return tmp_path / "cases" / "two_films.wl.json"


@pytest.fixture
def seat(plugin, path):
    """A viewer's model with the case open, refreshed as the dock does it."""
    from napari.components import ViewerModel
    from wlmeasure_napari._sessions import seat_of

    model = ViewerModel()
    seat = seat_of(model)

    def refresh():
        seat.layers.refresh()
        seat.space.refresh()

    seat.session.changed.connect(refresh)
    seat.session.open_case(path)
    return model, seat


def said(again, case):
    from wlmeasure_napari._space import missing

    found = missing(again(case, in_space=False))
    return None if found is None else (found.words, found.film, found.tool)


def other_trace(case, film_id, **members):
    (trace,) = [trace for trace in case.canals[0].traces if trace.film == film_id]
    return edit.with_trace(case, "single", evolve(trace, **members))


def test_the_guide_says_what_is_missing_in_the_order_in_which_it_is_needed(measured, again):
    case = measured[1].case
    assert said(again, case) is None
    bare = edit.with_angulation(case, "f2", horizontal_deg=None, tube_shift=None, mesial_to=None, vertical_deg=None)
    assert bare.film("f2").angulation is None
    words, film, tool = said(again, bare)
    assert words == "Enter how f2 was taken: degrees and shift of the tube, in the part Film."
    assert (film, tool) == ("f2", "look")

    unscaled = edit.without_scale(edit.without_scale(case, "f1", 0), "f2", 0)
    assert said(again, unscaled) == ("Set a scale on one of the films.", "f1", "file")
    assert said(again, edit.without_scale(case, "f2", 0)) is None  # one scale does for both

    one = edit.without_trace(case, "single", "f2")
    assert said(again, one) == ("Trace canal single on f2, too.", "f2", "canal")
    assert said(again, edit.without_trace(one, "single", "f1")) == ("Trace canal single on f1 and f2.", "f1", "canal")
    ends = other_trace(case, "f2", apical_end="file tip")
    words, film, _ = said(again, ends)
    assert words == "Trace canal single to one kind of end: radiographic apex on f1, file tip on f2."
    assert film == "f2"
    (trace,) = [trace for trace in case.canals[0].traces if trace.film == "f2"]
    turned = other_trace(case, "f2", clicks_px=trace.clicks_px[::-1], path_px=trace.path_px[::-1])
    assert said(again, turned)[0] == "Canal single on f2 runs from its apex; trace it from the orifice."

    marked = other_trace(other_trace(case, "f2", reference_px=None), "f1", reference_px=(150.0, 500.0))
    words = "Mark the coronal reference point of single on f2, too."
    assert said(again, marked) == (words, "f2", "reference")
    assert said(again, other_trace(marked, "f2", reference_px=(150.0, 500.0))) is None

    unknown = edit.with_angulation(case, "f2", tube_shift=None)
    words = "Enter for f2 to which side the tube was moved: it tells buccal from lingual."
    assert said(again, unknown)[:2] == (words, "f2")
    both = edit.with_angulation(edit.with_angulation(unknown, "f1", tube_shift="distal"), "f1", horizontal_deg=10.0)
    assert said(again, both)[0] == (
        "Enter for f2 to which side the tube was moved: with two shifted films it decides the angle between them."
    )


def test_a_case_that_does_not_ask_is_left_alone(measured, again):
    from wlmeasure_napari._space import asks, missing

    case = measured[1].case
    none = case
    for film in ("f1", "f2"):
        none = edit.with_angulation(none, film, horizontal_deg=None, tube_shift=None, mesial_to=None, vertical_deg=None)
    assert not asks(none)
    assert missing(again(none, in_space=False)) is None
    assert missing(None) is None
    one = evolve(case, films=case.films[:1], canals=())
    assert not asks(one)


def test_degrees_of_a_film_without_a_shift_are_refused(measured):
    case = measured[1].case
    with pytest.raises(
        CaseError, match=r"^angulation of f1: a film taken without a shift is turned by 0 degrees, not 20"
    ):
        edit.with_angulation(case, "f1", horizontal_deg=20.0)
    with pytest.raises(CaseError, match=r"^angulation of f2: horizontal_deg must be <= 90"):
        edit.with_angulation(case, "f2", horizontal_deg=95.0)
    assert edit.with_angulation(case, "f2", vertical_deg=None).film("f2").angulation.horizontal_deg == 25.0


def test_no_canal_on_two_films_is_nothing_to_say(measured, again):
    from wlmeasure_napari._space import fitted_px, solid, space_words

    case = measured[1].case
    result = again(edit.without_trace(edit.without_trace(case, "single", "f1"), "single", "f2"))
    assert result.spatial is None  # nothing to put together: the guide says what is missing
    assert space_words(result) == ""
    assert fitted_px(result.spatial, "f1") == {}
    assert solid(result) is None


def test_the_other_film_lies_level_and_on_the_side_of_the_cases_order(measured):
    from wlmeasure_napari._space import frame_of, place_beside, place_over

    result = measured[1]
    f1, f2 = result.films
    orifices = {t.trace.film: np.array(t.path.path_px[0]) for t in result.canals[0].traces}
    for shown, other in ((f1, f2), (f2, f1)):
        over = np.array(place_over(result, other, shown))
        there = orifices[other.film.id] * other.calibration.mm_per_px + over
        np.testing.assert_allclose(there, orifices[shown.film.id] * shown.calibration.mm_per_px, atol=1e-9)
        assert place_beside(result, other, shown)[0] == pytest.approx(over[0])
    assert place_beside(result, f2, f1)[1] == pytest.approx(1.03 * 1000 * f1.calibration.mm_per_px_col)
    assert place_beside(result, f1, f2)[1] == pytest.approx(-1.03 * 1000 * f1.calibration.mm_per_px_col)
    bare = evolve(f2, calibration=None)
    assert frame_of(bare, f1) == pytest.approx((f1.calibration.mm_per_px_row, f1.calibration.mm_per_px_row))
    assert frame_of(f1, bare) == (1.0, f1.col_over_row)


def test_in_3d_the_first_view_is_the_first_film_and_the_apex_lies_buccally(measured):
    """Same lingual, opposite buccal: the tube went to the right, and the apex went left against the orifice."""
    from wlmeasure_napari._space import balls, solid

    result = measured[1]
    shown = solid(result)
    line = shown.lines["single"]
    traces = {t.trace.film: np.array(t.path.path_px) for t in result.canals[0].traces}
    f1 = (traces["f1"][-1] - traces["f1"][0]) * result.films[0].calibration.mm_per_px
    np.testing.assert_allclose((line[-1] - line[0])[1:], f1, atol=0.6)  # a film magnifies a little, and tilts
    assert (traces["f2"][-1] - traces["f2"][0])[1] < 0.7 * (traces["f1"][-1] - traces["f1"][0])[1]
    places = {label.words: label.place_mm for label in shown.labels}
    buccal = places["buccal"] - places["lingual"]
    assert (line[-1] - line[0]) @ buccal > 0.0
    assert places["mesial"][2] > places["distal"][2]  # mesial is right on the film
    np.testing.assert_array_equal(places["single"], line[-1])
    assert "single 22.0 mm" in shown.words

    steps = np.linalg.norm(np.diff(balls(line), axis=0), axis=1)
    assert steps.max() <= 0.05
    np.testing.assert_array_equal(balls(line)[[0, -1]], line[[0, -1]])


@pytest.mark.parametrize(
    ("tooth", "mesial", "hand"),
    [("34", "right", -1), ("34", "left", -1), ("44", "right", 1), ("14", "left", -1), ("24", "left", 1)],
)
def test_in_3d_a_tooth_is_no_mirror_image_of_itself(again, measured, tooth, mesial, hand):
    """Looked at from the cheek, mesial lies left on a lower left tooth, right on a lower right one; apex up in the upper jaw.

    `hand` is the turn from buccal over apical to mesial in (out of the screen, down, right): whichever way the film lies.
    """
    from wlmeasure_napari._space import solid

    case = evolve(measured[1].case, tooth=tooth)
    for film in ("f1", "f2"):
        case = edit.with_angulation(case, film, mesial_to=mesial)
    shown = solid(again(case))
    places = {label.words: label.place_mm for label in shown.labels}
    line = shown.lines["single"]
    turn = np.linalg.det([
        places["buccal"] - places["lingual"], line[-1] - line[0], places["mesial"] - places["distal"]
    ])  # fmt: skip
    assert np.sign(turn) == hand
    assert (places["mesial"][2] > places["distal"][2]) == (mesial == "right")  # as on the film


def test_without_the_side_of_the_shift_3d_says_mirror_and_names_no_side(measured, again):
    from wlmeasure_napari._space import solid

    shown = solid(again(edit.with_angulation(measured[1].case, "f2", tube_shift=None)))
    assert "mirror image" in shown.words
    assert {"buccal", "lingual"}.isdisjoint(label.words for label in shown.labels)


def test_an_angulation_is_a_step_that_is_saved_and_undone(seat, path):

    _, seat = seat
    session = seat.session
    session.initials = "KO"
    session.choose_film("f2")
    session.set_angulation(vertical_deg=1.0)
    before, length = session.path.read_bytes(), session.result.spatial.canals[0].length_mm
    session.set_angulation(horizontal_deg=30.0)
    after = session.path.read_bytes()
    assert load_case(session.path).film("f2").angulation.horizontal_deg == 30.0
    assert session.result.spatial.canals[0].length_mm != length
    session.set_angulation(horizontal_deg=30.0)  # the same again is no step
    session.undo()
    assert session.path.read_bytes() == before
    assert session.result.spatial.canals[0].length_mm == length
    session.redo()
    assert session.path.read_bytes() == after
    with pytest.raises(CaseError, match=r"must be <= 90"):
        session.set_angulation(horizontal_deg=95.0)
    assert session.path.read_bytes() == after


def test_what_is_shown_after_a_move_is_what_the_saved_case_gives(seat, path):
    """The fit is left out of the first of two measurements; the second must not take over what was before."""
    from wlmeasure_napari._entries import add_reading
    from wlmeasure_napari._session import Handle

    _, seat = seat
    session = seat.session
    session.initials = "KO"
    before = session.result.spatial
    session.move(Handle("canal", 2, canal="single"), (1236.0, 668.0))
    now = session.result.spatial
    assert now is not before
    outside = evaluate(load_case(session.path)).spatial
    assert now.canals[0].length_mm == pytest.approx(outside.canals[0].length_mm, abs=1e-9)
    np.testing.assert_allclose(now.canals[0].path_mm, outside.canals[0].path_mm, atol=1e-9)
    add_reading(session, 20.5, "foramen")
    assert session.result.spatial is now  # nothing that it rests on has changed


def test_the_fit_runs_where_long_jobs_run(seat):
    from wlmeasure_napari._entries import add_reading

    _, seat = seat
    session = seat.session
    session.initials = "KO"
    session.choose_film("f2")
    session.set_angulation(vertical_deg=1.0)  # traces as well
    waiting = []
    session.work = lambda job, finish: waiting.append((job, finish))
    for step in (lambda: session.set_angulation(horizontal_deg=20.0), session.undo):
        before = session.case
        session.do("angulation", step)
        assert session.busy == "Putting the films together"
        assert session.case is before
        ((job, finish),) = waiting
        found = job()
        finish(lambda found=found: found)
        assert not session.busy
        assert session.case != before
        waiting.clear()
    session.do("reading", lambda: add_reading(session, 20.5, "foramen"))
    assert waiting == []  # nothing to fit: done at once


# ---- layers ----------------------------------------------------------------------------------------------------------

FILM_LAYERS = ["film", "measured", "in space", "points"]
OTHER_LAYERS = ["film", "other film", "other film: measured", "measured", "in space", "names of films", "points"]


def names(model):
    return [layer.name for layer in model.layers]


def test_the_fitted_canal_is_drawn_back_on_the_film_in_view(seat):
    model, seat = seat
    session = seat.session
    assert names(model) == FILM_LAYERS
    for film in ("f1", "f2"):
        session.choose_film(film)
        layer = model.layers["in space"]
        (line,) = layer.data
        path = np.array(session.trace_result.path.path_px)
        gaps = np.min(np.linalg.norm(line[:, None] - path[None], axis=2), axis=1)
        assert gaps.max() < 6.0  # pixels of 0.02 mm: within the noise that the fit assumes of a trace
        np.testing.assert_allclose(layer.scale, model.layers["film"].scale)
    seat.space.fitted = False
    seat.space.refresh()
    assert names(model) == ["film", "measured", "points"]


def test_beside_and_over_show_the_other_film_with_its_own_lines_and_take_no_click(seat):
    model, seat = seat
    session, space = seat.session, seat.space
    space.show("beside")
    assert names(model) == OTHER_LAYERS
    other = model.layers["other film"]
    np.testing.assert_array_equal(other.data, session.radiographs["f2"].displayed())
    assert other.extent.world[0, 1] > model.layers["film"].extent.world[1, 1]
    result = session.result
    assert len(model.layers["other film: measured"].data) >= 3  # its file, its canal, the fitted canal
    np.testing.assert_allclose(model.layers["other film: measured"].scale, result.films[1].calibration.mm_per_px)
    assert not model.layers["other film: measured"].editable
    assert [str(text) for text in model.layers["names of films"].text.values] == ["f1: in view", "f2: to compare"]
    assert model.layers.selection.active is model.layers["film"]
    # A click on the other film lies outside the one in view.
    session.take("canal")
    place = seat.layers.to_pixel(tuple(other.data_to_world((700.0, 500.0))))
    said = []
    session.said.connect(lambda *words: said.append(words))
    session.do("canvas", lambda: session.click(place))
    assert session.pending == []
    assert said[-1][1] != ""
    session.cancel()

    session.choose_film("f2")
    assert names(model) == OTHER_LAYERS
    assert model.layers["other film"].extent.world[1, 1] < model.layers["film"].extent.world[0, 1]
    np.testing.assert_array_equal(model.layers["other film"].data, session.radiographs["f1"].displayed())

    space.show("over")
    assert names(model) == [name for name in OTHER_LAYERS if name != "names of films"]
    assert model.layers["other film"].opacity == 0.5
    del model.layers["other film"]
    session.changed.emit()
    assert names(model)[1] == "other film"
    seat.layers.inverted = True
    session.changed.emit()
    assert model.layers["other film"].colormap.name == "gray_r"
    space.show("film")
    assert names(model) == FILM_LAYERS


def test_3d_and_back(seat):
    model, seat = seat
    session, space = seat.session, seat.space
    camera = model.scene.camera
    model.reset_view()
    was = camera.zoom, tuple(camera.center)
    space.show("3-D")
    assert model.dims.ndisplay == 3
    assert [layer.name for layer in model.layers if layer.visible] == [
        "canals in space",
        "sides",
        "ends and sides in words",
    ]
    words = [str(text) for text in model.layers["ends and sides in words"].text.values]
    assert words == ["single", "buccal", "lingual", "mesial", "distal"]
    assert "single 22.0 mm" in model.canvas.overlays.text.text
    assert seat.layers.to_pixel((0.0, 5.0, 5.0)) is None  # no click falls through
    tube = model.layers["canals in space"]
    session.changed.emit()
    assert model.layers["canals in space"] is tube  # nothing has changed, nothing is drawn anew
    session.choose_film("f2")
    session.set_angulation(horizontal_deg=30.0)
    assert model.layers["canals in space"] is not tube
    assert model.dims.ndisplay == 3
    session.choose_film("f1")
    space.show("film")
    assert model.dims.ndisplay == 2
    assert names(model) == FILM_LAYERS
    assert all(layer.visible for layer in model.layers)
    assert not model.canvas.overlays.text.visible
    assert not model.canvas.overlays.scale_bar.visible
    assert (camera.zoom, tuple(camera.center)) == was


@pytest.mark.parametrize("way", ["beside", "over", "3-D"])
def test_nothing_stale_stays(seat, path, way):
    """A tool in hand, undo, an angulation taken away, another case, no case: each goes back to what there is."""
    model, seat = seat
    session, space = seat.session, seat.space

    def bare():
        session.edit_case(lambda case: edit.with_angulation(
            edit.with_angulation(case, "f1", horizontal_deg=None, vertical_deg=None, tube_shift=None, mesial_to=None),
            "f2", horizontal_deg=None, vertical_deg=None, tube_shift=None, mesial_to=None))  # fmt: skip

    space.show(way)
    session.take("canal")
    if way == "3-D":
        assert space.way == "film"
        assert names(model) == FILM_LAYERS
    else:
        assert space.way == way
    space.show(way)
    assert (session.tool == "look") == (way == "3-D")
    session.cancel()
    bare()
    assert not space.offered
    assert (space.way, model.dims.ndisplay) == ("film", 2)
    assert names(model) == ["film", "measured", "points"]
    session.undo()
    assert names(model) == FILM_LAYERS
    space.show(way)
    session.open_case(path.with_name("straight.wl.json"))
    assert (space.way, model.dims.ndisplay) == ("film", 2)
    assert names(model) == ["film", "measured", "points"]
    np.testing.assert_array_equal(model.layers["film"].data, session.radiograph.values)
    session.open_case(path)
    assert names(model) == FILM_LAYERS
    space.show(way)
    session.put_away()
    assert (space.way, model.dims.ndisplay) == ("film", 2)
    assert names(model) == []


def test_the_viewers_own_button_leads_back_too(seat):
    model, seat = seat
    seat.space.show("3-D")
    model.dims.ndisplay = 2
    assert seat.space.way == "film"
    assert names(model) == FILM_LAYERS
    model.dims.ndisplay = 3  # a person turns the film itself: nothing is drawn there, and a step does not fail
    seat.session.choose_film("f2")
    model.dims.ndisplay = 2
    np.testing.assert_array_equal(model.layers["film"].data, seat.session.radiograph.values)
    assert names(model) == FILM_LAYERS


def test_a_walk_that_conceals_shows_none_of_it(seat):
    model, seat = seat
    seat.space.show("3-D")
    seat.space.concealed = True
    seat.session.changed.emit()
    assert model.dims.ndisplay == 2
    assert names(model) == ["film", "measured", "points"]
    seat.space.show("beside")
    assert names(model) == ["film", "measured", "points"]


# ---- at the screen ---------------------------------------------------------------------------------------------------


@pytest.fixture
def person(plugin, monkeypatch):
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    raised = []  # Qt only prints an error that is raised in a slot
    monkeypatch.setattr(sys, "excepthook", lambda *error: raised.append(error[1]))
    spec = importlib.util.spec_from_file_location("test_dock", Path(__file__).with_name("test_dock.py"))
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    person = script.Person()
    yield person
    person.viewer.close()
    person.settle()
    assert raised == []


def choose(person, box, words):
    """As by the arrow keys in a box that has the focus."""
    box.setFocus()
    box.setCurrentIndex(box.findText(words))
    box.activated.emit(box.currentIndex())
    person.settle()


@pytest.mark.viewer
def test_two_films_at_the_screen(person, path, measured):
    """From a case that says nothing of its films to the canal turned in 3-D and back, by the widgets alone."""
    dock, session = person.dock, person.session
    case = load_case(path)
    for film in ("f1", "f2"):
        case = edit.with_angulation(case, film, horizontal_deg=None, vertical_deg=None, tube_shift=None, mesial_to=None)
    from wlmeasure.record.case import save_case

    save_case(case, path)
    dock.open_path(path)
    person.settle()
    part, row = dock._by_place["space"], dock.angulation
    assert not part.isVisible()
    assert row.isVisible()

    choose(person, row.shift, "no shift")
    choose(person, row.mesial, "mesial is right")
    assert part.isVisible()
    assert part.guide.text() == "Enter how f2 was taken: degrees and shift of the tube, in the part Film."
    assert not part.ways["3-D"].isEnabled()
    assert not part.fitted.isVisible()
    person.enter("angulation", "20")
    assert "taken without a shift" in person.said("angulation")
    person.press(part.go)
    assert session.film_id == "f2"
    person.enter("angulation", "25°")
    assert person.said("angulation") == ""
    assert "tells buccal from lingual" in part.guide.text()
    choose(person, row.shift, "shift to mesial")
    choose(person, row.mesial, "mesial is right")
    assert part.guide.text() == ""
    (outside,) = measured[1].spatial.canals
    half = 1.959964 * outside.length_std_mm
    assert 0.1 < half < 0.5
    words = f"From films f1 and f2, 27° apart as fitted\ncanal single\nlength 22.0 mm ± {half:.1f} (one film: "
    assert part.words.text().startswith(words)
    assert "sensor stayed while the tube moved: " in part.words.text()
    choose(person, row.sensor, "sensor went with the tube")
    assert "sensor stayed" not in part.words.text()
    saved = load_case(person.session.path).film("f2").angulation
    assert (saved.horizontal_deg, saved.tube_shift, saved.mesial_to) == (25.0, "mesial", "right")
    assert saved.sensor == "with the tube"

    layers = person.viewer.layers
    person.press(part.ways["beside"])
    assert part.ways["beside"].isChecked()
    assert "other film" in layers
    person.press(part.ways["over"])
    assert not part.ways["beside"].isChecked()
    part.opacity.setValue(20)
    assert layers["other film"].opacity == pytest.approx(0.2)
    person.press(part.ways["over"])
    assert "other film" not in layers
    person.press(part.fitted)
    assert "in space" not in layers
    person.press(part.fitted)

    zoom = person.viewer.scene.camera.zoom
    person.press(part.ways["3-D"])
    assert person.viewer.dims.ndisplay == 3
    person.viewer.scene.camera.angles = (0.0, 60.0, 0.0)
    person.press(part.ways["3-D"])
    assert person.viewer.dims.ndisplay == 2
    person.viewer.screenshot(flash=False)
    assert person.viewer.scene.camera.zoom == pytest.approx(zoom)
    assert names(person.viewer) == ["film", "measured", "names", "in space", "points"]
    person.press(part.ways["3-D"])
    person.key("T")  # a tool is for the film
    assert person.viewer.dims.ndisplay == 2
    person.hover((190.0, 500.0))
    person.key("T")
    person.hover((700.0, 505.0))
    assert len(session.live) > 50  # the line under the cursor is drawn again on the film
    assert dock._line._line.visible
    person.key("Escape")
