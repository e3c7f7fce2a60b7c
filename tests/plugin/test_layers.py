"""What the viewer shows of a session, on the viewer's model: no window, no Qt."""

import gc
import hashlib
import json
import os
import shutil
import subprocess
import sys
import weakref
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from wlmeasure_napari._entries import add_reading
from wlmeasure_napari._glance import glances
from wlmeasure_napari._layers import CHOSEN_COLOUR, FILE_COLOUR, PENDING_COLOUR
from wlmeasure_napari._session import Handle, Session

from wlmeasure.share.figures import CANAL_COLOURS, canal_colours

ROOT = Path(__file__).resolve().parents[2]
FILM = ROOT / "sample_images" / "films" / "ref_p60_h00_v00.png"
ROWS, COLS = 480, 300


@pytest.fixture
def path(tmp_path):
    """A case whose columns are 0.8 rows apart: a file of 20 mm along 400 rows, two canals of two clicks beside it."""
    content = cv2.imencode(".png", np.random.default_rng(7).integers(0, 4096, (ROWS, COLS), dtype=np.uint16))[1]
    (tmp_path / "film.png").write_bytes(content.tobytes())
    scale = {"kind": "known_file", "points_px": [[20, 50], [420, 50]], "trace_kind": "path", "known_length_mm": 20.0}
    film = {"id": "f1", "path": "film.png", "sha256": hashlib.sha256(content.tobytes()).hexdigest(), "rows": ROWS,
            "cols": COLS, "col_over_row": 0.8, "scale": [scale]}  # fmt: skip
    canals = [
        {"name": name, "reference_point": "cusp", "traces": [
            {"film": "f1", "clicks_px": [[20.25, col], [460, col + 8]], "path_px": [[20.25, col], [460, col + 8]],
             "reference_px": [12, col], "apical_end": "radiographic apex"}]}
        for name, col in (("MB", 60), ("ML", 90))
    ]  # fmt: skip
    path = tmp_path / "a.wl.json"
    body = {"schema": "wlmeasure-case/1", "tooth": "46", "films": [film], "canals": canals}
    path.write_text(json.dumps(body), encoding="utf-8")
    return path


@pytest.fixture
def seat(plugin):
    """A viewer's model with a session of ours."""
    from napari.components import ViewerModel
    from wlmeasure_napari._sessions import seat_of

    model = ViewerModel()
    seat = seat_of(model)
    seat.session.changed.connect(seat.layers.refresh)
    return model, seat


def shown(model):
    """The layers by what they show, whatever they are called."""
    from napari.layers import Image, Points, Shapes

    found = {kind: [layer for layer in model.layers if type(layer) is kind] for kind in (Image, Shapes, Points)}
    return tuple(layers[-1] for layers in found.values())


def hexes(colours):
    return ["#" + "".join(f"{round(255 * float(c)):02x}" for c in colour[:3]) for colour in colours]


def test_neither_session_nor_layers_nor_hands_bring_qt_in():
    code = """
import sys
from napari.components import ViewerModel
from wlmeasure_napari._sessions import seat_of
model = ViewerModel()
seat = seat_of(model)
seat.hands.connect()
seat.session.open_film(sys.argv[1])
seat.session.set_tooth("45")
seat.layers.refresh()
assert len(model.layers) == 3
print([m for m in sys.modules if m.split(".")[0] in ("PySide6", "PyQt6", "PyQt5", "qtpy")])
"""
    environment = {**os.environ, "PYTHONPATH": f"{ROOT}:{ROOT / 'plugins'}"}
    done = subprocess.run(
        [sys.executable, "-c", code, str(FILM)], capture_output=True, text=True, env=environment, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_millimetres_are_the_scale_of_every_layer_and_the_data_stay_pixels(seat, path):
    """20 mm over 400 rows: 0.05 mm a row, and 0.04 mm a column by the film's own ratio."""
    model, seat = seat
    seat.session.open_case(path)
    film, lines, points = shown(model)
    for layer in (film, lines, points):
        np.testing.assert_allclose(layer.scale, (0.05, 0.04), rtol=1e-12)
        assert [str(unit) for unit in layer.units] == ["millimeter"] * 2
    assert film.data.shape == (ROWS, COLS)
    np.testing.assert_allclose(lines.data[0], [[20, 50], [420, 50]], atol=1e-4)
    np.testing.assert_allclose(lines.data[1], [[20.25, 60], [460, 68]], atol=1e-4)
    np.testing.assert_allclose(points.data, [p for _, p in seat.session.handles()], atol=1e-6)
    assert seat.layers.to_pixel((1.0, 1.0)) == pytest.approx((20.0, 25.0))


def test_without_a_scale_pixels_keep_the_shape_of_the_tooth(seat, path):
    model, seat = seat
    seat.session.open_case(path)
    seat.session.remove_scale(0)
    for layer in shown(model):
        np.testing.assert_allclose(layer.scale, (1.0, 0.8))
        assert [str(unit) for unit in layer.units] == ["pixel"] * 2
    assert len(shown(model)[1].data) == 2


def test_the_same_place_stays_in_view_when_pixels_become_millimetres(seat, path):
    model, seat = seat
    seat.session.open_case(path)
    model.scene.camera.center, model.scene.camera.zoom = (0.0, 12.5, 4.0), 40.0
    seat.session.remove_scale(0)
    np.testing.assert_allclose(model.scene.camera.center[-2:], (250.0, 80.0))
    assert model.scene.camera.zoom == pytest.approx(2.0)
    seat.session.undo()
    np.testing.assert_allclose(model.scene.camera.center[-2:], (12.5, 4.0))
    assert model.scene.camera.zoom == pytest.approx(40.0)


def test_a_canal_has_one_colour_and_the_one_in_hand_is_wider(seat, path):
    """The report's colours, file and chosen point apart; which canal is in hand changes a width and no colour."""
    model, seat = seat
    session = seat.session
    session.open_case(path)
    colours = canal_colours(session.result)
    for in_hand, wider in (("ML", 2), ("MB", 1)):
        session.choose_canal(in_hand)
        _, lines, points = shown(model)
        assert hexes(lines.edge_color) == [FILE_COLOUR, colours["MB"], colours["ML"]]
        assert np.argmax(lines.edge_width[1:]) + 1 == wider
        assert lines.edge_width[1] != lines.edge_width[2]
        handles = [handle for handle, _ in session.handles()]
        expected = [FILE_COLOUR if one.role == "scale" else colours[one.canal] for one in handles]
        assert hexes(points.border_color) == expected
        assert {glance.canal: glance.colour for glance in glances(session.result, session.facts)} == colours
    session.choose(Handle("scale", 1))
    expected[1] = CHOSEN_COLOUR
    assert hexes(points.border_color) == expected
    session.take("file")
    session.click((30.0, 40.0))
    assert hexes(shown(model)[2].border_color)[-1] == PENDING_COLOUR
    np.testing.assert_allclose(shown(model)[2].data[-1], (30.0, 40.0))


def tell_tale(model):
    film, lines, points = shown(model)
    return (film.data.tobytes(), [d.tolist() for d in lines.data], points.data.tolist(), film.scale.tolist(),
            hexes(lines.edge_color), hexes(points.border_color))  # fmt: skip


@pytest.mark.parametrize("which", [0, 1, 2, "all"])
def test_a_deleted_layer_comes_back_with_the_next_step(seat, path, which):
    model, seat = seat
    seat.session.open_case(path)
    before = tell_tale(model)
    if which == "all":
        model.layers.clear()
    else:
        model.layers.remove(shown(model)[which])
    assert seat.session.case is not None
    seat.session.initials = "KO"
    add_reading(seat.session, 20.0, "foramen")
    assert tell_tale(model) == before
    assert model.layers.index(shown(model)[0]) == 0
    assert len(model.layers) == 3


@pytest.mark.parametrize("which", [0, 1, 2])
@pytest.mark.parametrize("harm", ["locked", "hidden", "renamed", "moved", "emptied"])
def test_what_a_person_does_to_a_layer_never_breaks_a_step(seat, path, which, harm):
    """Points can be moved afterwards, and what is shown is the case."""
    model, seat = seat
    session = seat.session
    session.open_case(path)
    layer = shown(model)[which]
    if harm == "locked":
        layer.locked = True
    elif harm == "hidden":
        layer.visible = False
    elif harm == "renamed":
        layer.name = "mine"
    elif harm == "moved":
        model.layers.move(model.layers.index(layer), 0 if which else 3)
    else:
        layer.data = layer.data[:0] if which else np.zeros((3, 3), np.uint8)
    session.move(Handle("scale", 0), (30.0, 50.0))
    film, lines, points = shown(model)
    np.testing.assert_allclose(points.data[0], (30.0, 50.0))
    np.testing.assert_allclose(lines.data[0], [[30, 50], [420, 50]], atol=1e-4)
    np.testing.assert_allclose(film.scale, (20.0 / 390.0, 0.8 * 20.0 / 390.0))
    session.choose(None)
    assert seat.layers.to_pixel((0.0, 0.0)) == (0.0, 0.0)


def test_layers_of_the_persons_own_are_left_alone(seat, path):
    """Also when they bear the names of ours."""
    model, seat = seat
    theirs = [
        model.add_points(np.array([[1.0, 2.0]]), name="points"),
        model.add_labels(np.zeros((4, 4), int), name="measured"),
        model.add_image(np.zeros((5, 5)), name="film"),
    ]
    seat.session.open_case(path)
    seat.session.initials = "KO"
    add_reading(seat.session, 20.0, "foramen")
    assert theirs[0].data.tolist() == [[1.0, 2.0]]
    assert theirs[1].data.shape == (4, 4)
    assert theirs[2].data.shape == (5, 5)
    assert len(model.layers) == 6


def test_contrast_and_inversion_change_the_picture_and_no_measure(seat, path):
    model, seat = seat
    seat.session.open_case(path)
    result, plain = seat.session.result, shown(model)[0].data.copy()
    seat.layers.enhanced = seat.layers.inverted = True
    seat.layers.refresh()
    assert shown(model)[0].colormap.name == "gray_r"
    assert (shown(model)[0].data != plain).mean() > 0.5
    assert seat.session.result is result
    seat.layers.enhanced = seat.layers.inverted = False
    seat.layers.refresh()
    np.testing.assert_array_equal(shown(model)[0].data, plain)


def test_our_keys_are_not_taken_by_a_layer(seat, path):
    """The film, which has no keys of ours, is the active layer after every step."""
    model, seat = seat
    seat.session.open_case(path)
    assert model.layers.selection.active is shown(model)[0]
    model.layers.selection.active = shown(model)[2]
    seat.session.initials = "KO"
    add_reading(seat.session, 20.0, "foramen")
    assert model.layers.selection.active is shown(model)[0]
    assert not shown(model)[1].editable
    assert not shown(model)[2].editable


def test_hands_are_taken_and_given_back(seat):
    model, seat = seat
    keys, drags, moves = dict(model.keymap), list(model.mouse_drag_callbacks), list(model.mouse_move_callbacks)
    for _ in range(3):
        seat.hands.connect()
        seat.hands.connect()
        assert len(model.mouse_drag_callbacks) == len(drags) + 1
        assert len(model.mouse_move_callbacks) == len(moves) + 1
        assert model.keymap == keys  # the window hands the keys over, whatever has the focus
        seat.hands.disconnect()
        seat.hands.disconnect()
        assert (model.keymap, model.mouse_drag_callbacks, model.mouse_move_callbacks) == (keys, drags, moves)


def test_a_viewer_that_is_gone_takes_its_session_with_it(plugin):
    from napari.components import ViewerModel
    from wlmeasure_napari._sessions import seat_of

    model = ViewerModel()
    seat = seat_of(model)
    seat.hands.connect()
    seat.session.open_film(FILM)
    seat.layers.refresh()
    gone = weakref.ref(model), weakref.ref(seat.session)
    del model, seat
    gc.collect()
    assert [ref() for ref in gone] == [None, None]


def test_one_seat_a_viewer(plugin):
    from napari.components import ViewerModel
    from wlmeasure_napari._sessions import seat_of

    one, other = ViewerModel(), ViewerModel()
    assert seat_of(one) is seat_of(one)
    assert seat_of(one).session is not seat_of(other).session
    seat_of(one).session.open_film(FILM)
    seat_of(one).layers.refresh()
    seat_of(other).layers.refresh()
    assert (len(one.layers), len(other.layers)) == (3, 0)
    assert isinstance(seat_of(other).session, Session)


def test_on_a_viewer_without_a_canvas_the_live_line_is_a_layer(plugin):
    """Shown, moved, hidden, shown again, deleted by a person meanwhile, and taken away."""
    from napari.components import ViewerModel
    from napari.layers import Vectors
    from wlmeasure_napari._live_line import live_line

    model = ViewerModel()
    film = model.add_image(np.zeros((ROWS, COLS), np.uint8), scale=(0.05, 0.04), units=("mm", "mm"))
    line = live_line(model, film)
    line.show([])
    line.show([(1.0, 2.0)])
    assert len(model.layers) == 1
    for points in ([(1.0, 2.0), (3.0, 5.0)], [(1.0, 2.0), (3.0, 5.0), (7.0, 6.0)]):
        line.show(points)
        (layer,) = [found for found in model.layers if isinstance(found, Vectors)]
        np.testing.assert_allclose(layer.data[:, 0], points[:-1])
        np.testing.assert_allclose(layer.data.sum(axis=1), points[1:])
        np.testing.assert_allclose(layer.scale, film.scale)
        assert layer.visible
        assert model.layers.selection.active is film
    line.show([])
    assert not layer.visible
    model.layers.remove(layer)
    line.show([])
    line.show(points)
    assert len(model.layers) == 2
    line.remove()
    line.remove()
    assert list(model.layers) == [film]


def test_the_sharpest_place_is_marked_and_is_no_handle(seat):
    """A diamond on the bend of the sample canal; it cannot be taken hold of, and it goes with the trace."""
    model, seat = seat
    session = seat.session
    session.open_film(FILM)
    session.set_tooth("45")
    session.set_known_length(21.5, 0.1)
    session.take("file")
    session.click((188.25, 499.5))
    session.click((1224.75, 611.0))
    _, _, points = shown(model)
    assert "diamond" not in {str(symbol.value) for symbol in points.symbol}
    session.take("canal")
    for point in ((188.5, 499.5), (800.0, 507.0), (1240.5, 620.5)):
        session.click(point)
    session.accept()
    _, _, points = shown(model)
    (at,) = [point for point, symbol in zip(points.data, points.symbol, strict=True) if symbol.value == "diamond"]
    assert tuple(at) == session.trace_result.sharpest_px
    assert tuple(at) not in [place for _, place in session.handles()]
    session.undo()
    _, _, points = shown(model)
    assert "diamond" not in {str(symbol.value) for symbol in points.symbol}


def test_a_stretch_along_which_nothing_is_seen_is_dashed(seat, tmp_path):
    """A band of one grey across the film: there the path is drawn in dashes that leave gaps, and nowhere else."""
    model, seat = seat
    session = seat.session
    values = cv2.imread(str(FILM), cv2.IMREAD_UNCHANGED)
    values[450:750] = 2000
    cv2.imwrite(str(tmp_path / "banded.png"), values)
    session.open_film(tmp_path / "banded.png")
    session.set_tooth("45")
    session.set_known_length(21.5, 0.1)
    session.take("file")
    session.click((188.25, 499.5))
    session.click((1224.75, 611.0))
    session.take("canal")
    for point in ((188.5, 499.5), (800.0, 507.0), (1240.5, 620.5)):
        session.click(point)
    session.accept()
    _, shapes, _ = shown(model)
    colours = hexes(shapes.edge_color)
    canal = [line for line, colour in zip(shapes.data, colours, strict=True) if colour == CANAL_COLOURS[0]]
    short = [line for line in canal if len(line) < 20]
    assert len(short) >= 4
    assert all(line[:, 0].min() > 450 and line[:, 0].max() < 750 for line in short)
    gaps = [after[0, 0] - before[-1, 0] for before, after in pairwise(short)]
    assert min(gaps) > 3.0
    drawn = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in canal)
    whole = float(np.hypot(*np.diff(session.trace_result.path.path_px, axis=0).T).sum())
    assert drawn == pytest.approx(
        whole - session.trace_result.lost_mm / session.film.calibration.mm_per_px_row / 2, abs=15
    )


def test_the_earlier_film_lies_over_this_one_and_fades(seat, tmp_path):
    for folder in ("cases", "films"):
        shutil.copytree(ROOT / "sample_images" / folder, tmp_path / folder)
    viewer, (session, layers) = seat[0], (seat[1].session, seat[1].layers)
    session.open_case(tmp_path / "cases" / "molar.wl.json")
    session.choose_film("f4")
    session.choose_canal("MB")
    session.carry_over("f2")
    layers.refresh()
    names = [layer.name for layer in viewer.layers]
    assert names.index("film") < names.index("earlier film") < names.index("measured") < names.index("points")
    earlier = viewer.layers["earlier film"]
    np.testing.assert_array_equal(earlier.data, session.carried.picture)
    np.testing.assert_allclose(earlier.scale, viewer.layers["film"].scale)
    layers.fade(0.2)
    assert earlier.opacity == pytest.approx(0.2)
    # Both proposed clicks and the reference point are shown, as points that are not accepted yet.
    assert len(viewer.layers["points"].data) == len(session.handles()) + 3
    session.cancel()
    layers.refresh()
    assert "earlier film" not in viewer.layers
