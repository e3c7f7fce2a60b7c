"""Films turned and mirrored before the eye, on the viewer's model: what is clicked, nudged and kept is of the stored film."""

import hashlib
import json
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from attrs import evolve

from wlmeasure.image.view import View, view_words
from wlmeasure.record.case import case_digest, load_case

ROWS, COLS, ROW_MM, COL_MM = 480, 300, 0.05, 0.04
VIEWS = [View(turns, mirrored) for turns in range(4) for mirrored in (False, True)]
POINTS = [(0.0, 0.0), (12.25, 250.5), (479.0, 299.0), (333.3, 17.7)]


def seen_mm(row, col, view):
    """Where a point of the film is seen, mm down and right of the shown picture's first pixel: by hand, quarter by quarter."""
    down, right = row * ROW_MM, col * COL_MM
    tall, wide = (ROWS - 1) * ROW_MM, (COLS - 1) * COL_MM
    for _ in range(view.quarter_turns):
        down, right, tall, wide = right, tall - down, wide, tall  # the lower rim becomes the left one
    return (down, wide - right) if view.mirrored else (down, right)


@pytest.fixture
def path(tmp_path):
    """Two films of unequal spacing, a file of 20 mm along 400 rows of each; a canal on the first."""
    films = []
    for k in (1, 2):
        content = cv2.imencode(".png", np.random.default_rng(k).integers(0, 4096, (ROWS, COLS), dtype=np.uint16))[1]
        (tmp_path / f"{k}.png").write_bytes(content.tobytes())
        scale = {
            "kind": "known_file",
            "points_px": [[20, 50], [420, 50]],
            "trace_kind": "path",
            "known_length_mm": 20.0,
        }
        films.append({"id": f"f{k}", "path": f"{k}.png", "sha256": hashlib.sha256(content.tobytes()).hexdigest(),
                      "rows": ROWS, "cols": COLS, "col_over_row": COL_MM / ROW_MM, "scale": [scale]})  # fmt: skip
    clicks = [[20.25, 60], [460, 68]]
    trace = {
        "film": "f1",
        "clicks_px": clicks,
        "path_px": clicks,
        "reference_px": [12, 60],
        "file_tip_px": [420, 50],
        "apical_end": "radiographic apex",
    }
    canal = {"name": "MB", "reference_point": "cusp", "traces": [trace]}
    path = tmp_path / "a.wl.json"
    body = {"schema": "wlmeasure-case/2", "tooth": "46", "films": films, "canals": [canal]}
    path.write_text(json.dumps(body), encoding="utf-8")
    return path


@pytest.fixture
def seat(plugin, path):
    from napari.components import ViewerModel
    from wlmeasure_napari._sessions import seat_of

    model = ViewerModel()
    seat = seat_of(model)
    seat.session.changed.connect(seat.layers.refresh)
    seat.session.open_case(path)
    seat.hands.connect()
    return model, seat


def show_as(session, view):
    """By the steps that a person takes."""
    if session.case.film(session.film_id).shown_as.mirrored != view.mirrored:
        session.mirror()
        if session.question is not None:
            session.answer("Mirror it")
    before = session.case.film(session.film_id).shown_as.quarter_turns
    quarters = view.quarter_turns - before
    session.turn(-quarters if view.mirrored else quarters)
    assert session.case.film(session.film_id).shown_as == view


def click(model, seat, world):
    """A press and release of the left button there, as the viewer tells of them."""
    event = SimpleNamespace(position=world, button=1, type="mouse_press", modifiers=())
    (press,) = [press for press in model.mouse_drag_callbacks if press == seat.hands._on_press]
    going = press(model, event)
    next(going)
    event.type = "mouse_release"
    with pytest.raises(StopIteration):
        next(going)


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_a_click_is_the_pixel_of_the_stored_film_however_it_lies(seat, view):
    """To 1e-6 pixels; each layer of the film is laid the same way, and its data stay those of the stored film."""
    model, seat = seat
    data = [layer.data for layer in model.layers]
    show_as(seat.session, view)
    for layer, before in zip(model.layers, data, strict=True):
        for one, other in zip(np.atleast_1d(layer.data), np.atleast_1d(before), strict=True):
            np.testing.assert_array_equal(one, other)
        for point in POINTS:
            np.testing.assert_allclose(layer.data_to_world(point)[-2:], seen_mm(*point, view), atol=1e-9)
    seat.session.take("canal")
    for point in POINTS[1:3]:
        world = seen_mm(*point, view)
        np.testing.assert_allclose(seat.layers.to_pixel(world), point, atol=1e-6)
        click(model, seat, world)
    np.testing.assert_allclose(seat.session.pending, POINTS[1:3], atol=1e-6)
    seat.session.cancel()


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_arrow_keys_move_as_the_film_is_seen(seat, view):
    """A quarter pixel up, down, left and right on the screen; rows and columns of the stored film as they come."""
    _, seat = seat
    session = seat.session
    show_as(session, view)
    for key, (down, right) in {"Up": (-1, 0), "Down": (1, 0), "Left": (0, -1), "Right": (0, 1)}.items():
        handle, before = next(item for item in session.handles() if item[0].role == "reference")
        session.choose(handle)
        seat.hands.keys[key]()
        after = dict(session.handles())[handle]
        assert np.abs(np.subtract(after, before)).sum() == pytest.approx(0.25)
        moved = np.subtract(seen_mm(*after, view), seen_mm(*before, view))
        assert np.sign(np.round(moved, 9)).tolist() == [down, right]


@pytest.mark.parametrize("view", VIEWS[1:], ids=str)
def test_turning_changes_nothing_but_the_view_and_is_kept(seat, path, tmp_path, view):
    """Also when it is saved and opened again; undo goes back, and no figure has changed by it."""
    _, seat = seat
    session = seat.session
    before, lengths = session.case, [t.length.length_mm for c in session.result.canals for t in c.traces]
    show_as(session, view)
    assert evolve(session.case, films=tuple(evolve(film, view=None) for film in session.case.films)) == before
    assert [t.length.length_mm for c in session.result.canals for t in c.traces] == lengths
    assert case_digest(session.case) == case_digest(before)
    session.save_as(tmp_path / "b.wl.json")
    assert load_case(tmp_path / "b.wl.json").films[0].shown_as == view
    assert load_case(tmp_path / "b.wl.json").films[1].shown_as == View()
    while session.can_undo:
        session.undo()
    assert session.case == before
    np.testing.assert_array_equal(seat.layers.film_layer().affine.affine_matrix, np.eye(3))
    session.open_case(tmp_path / "b.wl.json", as_saved=True)
    np.testing.assert_allclose(seat.layers.film_layer().data_to_world((7.0, 9.0))[-2:], seen_mm(7.0, 9.0, view))


def test_two_films_keep_their_own_views(seat):
    model, seat = seat
    session = seat.session
    overlay = model.canvas.overlays.text
    for film, view in (("f1", View(1, True)), ("f2", View(2))):
        session.choose_film(film)
        show_as(session, view)
    for film, view in (("f1", View(1, True)), ("f2", View(2)), ("f1", View(1, True))):
        session.choose_film(film)
        np.testing.assert_allclose(seat.layers.film_layer().data_to_world((7.0, 9.0))[-2:], seen_mm(7.0, 9.0, view))
        assert (overlay.text, overlay.visible) == (view_words(view), True)
    session.close_case()
    assert (overlay.text, overlay.visible) == ("", False)


def test_the_picture_says_how_it_is_shown_and_a_person_s_own_words_stay(seat):
    model, seat = seat
    overlay = model.canvas.overlays.text
    overlay.text, overlay.visible = "mine", True
    seat.session.changed.emit()
    assert (overlay.text, overlay.visible) == ("mine", True)
    seat.hands.keys["C"]()
    assert overlay.text == "local contrast"
    show_as(seat.session, View(3, True))
    seat.layers.inverted = True
    seat.layers.refresh()
    assert overlay.text == "turned 90° counterclockwise, mirrored, local contrast, inverted"
    seat.hands.keys["C"]()
    assert overlay.text == "turned 90° counterclockwise, mirrored, inverted"


def test_turning_is_as_the_eye_sees_it_on_a_mirrored_film_too(seat):
    """To the right is clockwise on the screen: what was seen on top is seen on the right after it."""
    _, seat = seat
    session = seat.session
    for mirrored in (False, True):
        show_as(session, View(0, mirrored))
        top = seat.layers.to_pixel((0.0, 0.5 * (COLS - 1) * COL_MM))
        session.turn(1)
        right = (ROWS - 1) * ROW_MM
        np.testing.assert_allclose(seat.layers.to_pixel((0.5 * (COLS - 1) * COL_MM, right)), top, atol=1e-6)
        session.turn(-1)


def test_mirroring_asks_first_and_taking_it_back_does_not(seat):
    _, seat = seat
    session = seat.session
    before = session.case
    session.mirror()
    assert "mirrored" in session.question.text
    session.answer("Leave it")
    assert (session.case, session.question) == (before, None)
    session.mirror()
    session.answer("Mirror it")
    assert session.case.films[0].shown_as == View(0, True)
    session.mirror()
    assert session.question is None
    assert session.case == before


def test_a_film_turned_while_its_mirror_is_asked_about_stays_turned(seat):
    _, seat = seat
    session = seat.session
    session.mirror()
    session.turn(1)
    session.answer("Mirror it")
    assert session.case.films[0].shown_as == View(1, True)


def test_a_mirror_s_question_is_about_the_film_that_was_in_view(seat):
    _, seat = seat
    session = seat.session
    session.mirror()
    session.choose_film("f2")
    session.answer("Mirror it")
    assert [film.shown_as.mirrored for film in session.case.films] == [True, False]


@pytest.mark.parametrize(("tooth", "crown_up"), [("ISO 46", True), ("ISO 16", False)])
@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_upright_sets_the_tooth_as_it_stands_in_the_mouth(seat, view, tooth, crown_up):
    """Crown up for a lower tooth, roots up for an upper one, from every view; by the file where no canal is traced."""
    _, seat = seat
    session = seat.session
    session.set_tooth(tooth)
    for film, ends in (("f1", ((20.25, 60), (460, 68))), ("f2", ((20, 50), (420, 50)))):
        session.choose_film(film)
        show_as(session, view)
        session.set_upright()
        now = session.case.film(film).shown_as
        assert now.mirrored == view.mirrored
        crown, apex = (seen_mm(*end, now)[0] for end in ends)
        assert (crown < apex) is crown_up
        assert abs(crown - apex) > 19.0


def test_upright_without_anything_to_judge_by_is_refused_in_words(seat):
    _, seat = seat
    session = seat.session
    session.choose_film("f2")
    session.remove_scale(0)
    heard = []
    session.said.connect(lambda *words: heard.append(words))
    session.do("film", session.set_upright)
    assert heard == [("film", "canal or file must be traced on this film first: upright is judged by where it points")]
    session.take("file")
    session.set_known_length(20.0, None)
    for point in ((20.0, 50.0), (420.0, 50.0)):
        session.do("canvas", lambda point=point: session.click(point))
    assert heard[-1] == ("film", "")  # it is there by now


def test_the_line_under_the_cursor_lies_as_the_film_does(seat):
    """Where the viewer's canvas is not as expected a layer draws it; it is turned with the film, and back."""
    from wlmeasure_napari._live_line import LAYER, live_line

    model, seat = seat
    film = seat.layers.film_layer()
    line = live_line(model, film)  # a model has no canvas
    for view in (View(1), View(2, True), View()):
        show_as(seat.session, view)
        line.show([(20.0, 60.0), (30.0, 70.0)])
        np.testing.assert_allclose(model.layers[LAYER].data_to_world((0, 20.0, 60.0))[-2:], seen_mm(20.0, 60.0, view))
    line.remove()


def test_turning_shows_the_film_whole_and_other_steps_leave_the_view(seat):
    model, seat = seat
    camera = model.scene.camera
    camera.center, camera.zoom = (3.0, 4.0), 99.0
    seat.session.turn(1)
    assert camera.zoom < 99.0
    np.testing.assert_allclose(camera.center[-2:], [0.5 * (COLS - 1) * COL_MM, 0.5 * (ROWS - 1) * ROW_MM], atol=0.05)
    camera.center, camera.zoom = (3.0, 4.0), 99.0
    middle = seat.layers.to_pixel((3.0, 4.0))
    seat.session.set_known_length(10.0, None)  # half the millimetres a pixel
    np.testing.assert_allclose(seat.layers.to_pixel(camera.center[-2:]), middle)
    assert camera.zoom == pytest.approx(198.0)


def test_another_film_beside_this_one_lies_as_it_is_shown_itself(seat):
    """Turned clockwise its first row is its right rim; the canal's coronal ends are level, and its name says so."""
    from pathlib import Path

    model, seat = seat
    session = seat.session
    session.open_case(Path(__file__).resolve().parents[2] / "sample_images" / "cases" / "two_films.wl.json")
    session.choose_film("f2")
    session.turn(1)
    session.choose_film("f1")
    seat.space.refresh()  # another case than before
    seat.space.show("beside")
    seat.space.refresh()
    film, other, names = (model.layers[name] for name in ("film", "other film", "names of films"))
    ends = {t.trace.film: t.path.path_px[0] for t in session.result.canals[0].traces}
    assert film.data_to_world(ends["f1"])[0] == pytest.approx(other.data_to_world(ends["f2"])[0], abs=1e-6)
    corner, below = other.data_to_world((0.0, 0.0)), other.data_to_world((other.data.shape[0] - 1.0, 0.0))
    assert corner[0] == pytest.approx(below[0])
    assert corner[1] > below[1] > film.data_to_world((0.0, film.data.shape[1] - 1.0))[1]
    assert [str(text) for text in names.text.values] == ["f1: in view", "f2: to compare, turned 90° clockwise"]
