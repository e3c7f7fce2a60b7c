"""Turned, mirrored and windowed films in a real window: the mouse, the keys, the close-up, what the dock says."""

import cv2
import numpy as np
import pytest

from tests.references.dicom_film import film, written
from wlmeasure.image.view import View
from wlmeasure.record.case import load_case

from .test_dock import person  # noqa: F401  a fixture

pytestmark = pytest.mark.viewer
ROWS, COLS = 300, 200
MARK = (80, 150)  # the middle of the one white square on the film
VIEWS = [View(turns, mirrored) for turns in range(4) for mirrored in (False, True)]


@pytest.fixture
def at_film(person, tmp_path):  # noqa: F811
    """A dark film with one white square of 11 pixels, well off every axis of the film."""
    grey = np.random.default_rng(3).normal(60, 6, (ROWS, COLS)).clip(0, 255).astype(np.uint8)
    grey[MARK[0] - 5 : MARK[0] + 6, MARK[1] - 5 : MARK[1] + 6] = 255
    path = tmp_path / "film.png"
    path.write_bytes(cv2.imencode(".png", grey)[1].tobytes())
    person.dock.open_path(path)
    person.settle()
    person.session.work = None
    person.session.initials = "KO"
    person.session.set_tooth("ISO 46")
    person.settle()
    return person


def canvas_picture(person):  # noqa: F811
    person.settle()
    return person.viewer.screenshot(canvas_only=True, flash=False)[..., :3].astype(int)


def white_square(picture):
    """Where the square is seen on the canvas, as a place of the canvas; what is written stands in the upper left corner."""
    white = picture.min(axis=2) > 230
    white[:60] = False
    white = cv2.erode(
        white.astype(np.uint8), np.ones((5, 5), np.uint8)
    )  # of the film's grain single pixels are white too
    rows, cols = np.nonzero(white)
    assert len(rows) > 30
    return cols.mean(), rows.mean()


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_what_is_seen_is_what_is_clicked(at_film, view):
    """The square is looked for on the screen, and clicked there; no transform of ours is asked where that is."""
    from qtpy.QtCore import QPoint, Qt

    session = at_film.session
    if view.mirrored:
        at_film.press(at_film.button("Mirror"))
        at_film.press(at_film.button("Mirror it"))
    for _ in range(-view.quarter_turns % 4 if view.mirrored else view.quarter_turns):
        at_film.press(at_film.button("Turn right"))
    assert session.case.films[0].shown_as == view
    at_film.viewer.reset_view()
    picture = canvas_picture(at_film)
    x, y = white_square(picture)
    ratio = picture.shape[1] / at_film.canvas.width()
    session.take("canal")
    at_film.settle()
    place = QPoint(round(x / ratio), round(y / ratio))
    at_film.test.mouseMove(at_film.canvas, place)
    at_film.test.mouseClick(at_film.canvas, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, place)
    at_film.settle()
    ((row, col),) = session.pending
    assert (row, col) == pytest.approx(MARK, abs=2.0 / at_film.viewer.scene.camera.zoom + 0.5)
    # The line to the cursor runs over the square on the canvas, and the close-up shows it in its middle.
    session.live, session._live = [(float(MARK[0]), 20.0), (float(MARK[0]), 190.0)], None
    at_film.dock._on_moved()
    yellow = np.abs(canvas_picture(at_film) - (0xF0, 0xE4, 0x42)).max(axis=2) < 40
    rows, cols = np.nonzero(yellow)
    assert np.hypot(cols - x, rows - y).min() < 4.0 * ratio
    image = at_film.dock._loupe.pixmap().toImage()
    if at_film.dock._loupe.isVisible():
        middle = image.pixelColor(image.width() // 2 + 3, image.height() // 2 + 3)
        assert middle.lightness() > 230
    session.cancel()


def test_the_close_up_lies_as_the_film_does(at_film):
    """A place 12 pixels below the square on the stored film: it is seen above, to the right or below in the close-up."""
    session, dock = at_film.session, at_film.dock
    at = (MARK[0] + 12.0, float(MARK[1]))
    for view, towards in ((View(), (-1, 0)), (View(1), (0, 1)), (View(2), (1, 0)), (View(3, True), (0, 1))):
        dock._loupe.show_on(at_film.canvas, dock._layers.film_layer(), at, view)
        at_film.hover(at)
        dock._loupe.show_on(at_film.canvas, dock._layers.film_layer(), at, view)
        image = dock._loupe.pixmap().toImage()
        side = image.width()
        step = side // 3
        seen = {
            way: image.pixelColor(side // 2 + step * way[1] + 2, side // 2 + step * way[0] + 2).lightness() > 200
            for way in ((-1, 0), (1, 0), (0, -1), (0, 1))
        }
        assert seen == {way: way == towards for way in seen}
    session.cancel()


def test_arrow_keys_and_contrast_in_the_window(at_film):
    session, dock = at_film.session, at_film.dock
    at_film.press(at_film.button("Turn right"))
    session.take("object")
    session.set_object_length(10.0, None)
    for point in ((50.0, 50.0), (250.0, 50.0)):
        session.click(point)
    session.choose(session.handles()[0][0])
    at_film.settle()
    at_film.canvas.setFocus()
    at_film.key("Up")  # on a film that is turned clockwise up is a smaller column
    assert session.handles()[0][1] == pytest.approx((50.0, 49.75))
    plain = canvas_picture(at_film)
    at_film.key("C")
    assert dock.contrast.isChecked()
    assert "local contrast" in dock.film_words.text()
    assert (np.abs(canvas_picture(at_film) - plain).max(axis=2) > 4).mean() > 0.1
    at_film.press(dock.contrast)
    assert not dock._layers.enhanced
    np.testing.assert_array_equal(canvas_picture(at_film), plain)


def test_mesial_is_said_of_the_film_as_it_is_seen(at_film, tmp_path):
    """Left on the screen of a film turned clockwise is the lower side of the stored one; the list goes on saying left."""
    session, row = at_film.session, at_film.dock.angulation
    session.turn(1)
    at_film.settle()
    row.mesial.activated.emit(row.mesial.findText("mesial is left"))
    at_film.settle()
    assert session.case.films[0].angulation.mesial_to == "down"
    assert row.mesial.currentText() == "mesial is left"
    session.turn(-1)
    at_film.settle()
    assert row.mesial.currentText() == "mesial is down"
    session.save_as(tmp_path / "a.wl.json")
    assert load_case(tmp_path / "a.wl.json").films[0].angulation.mesial_to == "down"


def test_a_header_s_window_that_clips_never_shows_black_and_white(person, tmp_path):  # noqa: F811
    """Twelve bits in sixteen, a window of 3 values: the canvas has many greys, and 2 % of the inner film at most is clipped."""
    rows, cols = np.mgrid[:ROWS, :COLS]
    values = (400 + 6 * rows + 4 * cols + np.random.default_rng(5).normal(0, 20, rows.shape)).astype(np.uint16)
    path = tmp_path / "film.dcm"
    path.write_bytes(written(film(values, 12, WindowCenter=1500, WindowWidth=3)))
    person.dock.open_path(path)
    person.settle()
    layer = person.dock._layers.film_layer()
    np.testing.assert_array_equal(layer.data, values)  # at full depth
    low, high = layer.contrast_limits
    inner = values[15:-15, 10:-10]
    assert 100.0 * np.mean((inner <= low) | (inner >= high)) <= 2.0
    assert len(np.unique(canvas_picture(person)[..., 0])) > 100
