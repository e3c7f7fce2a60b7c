"""A case opened in napari: without a screen in the viewer's model, and on a real screen with something to see."""

import gc
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate

CASES = Path(__file__).resolve().parents[2] / "sample_images" / "cases"


def test_a_case_opens_in_the_viewers_model(plugin):
    """Layers under their names, data in pixels, and the names of the canals as features; no window is needed."""
    from napari.components import ViewerModel
    from napari.layers import Image, Shapes

    model = ViewerModel()
    path = CASES / "two_films.wl.json"
    model.open(str(path), plugin="wlmeasure")
    assert [layer.name for layer in model.layers] == [
        *("film f1", "file on f1", "canals on f1"),
        *("film f2", "file on f2", "canals on f2"),
    ]
    assert [type(layer) for layer in model.layers] == [Image, Shapes, Shapes] * 2
    result = evaluate(load_case(path))
    for k, film in enumerate(result.films):
        image, files, canals = (model.layers[3 * k + m] for m in range(3))
        np.testing.assert_array_equal(image.data, film.radiograph.density())
        np.testing.assert_allclose(files.data[0], film.file_traces[0].path_px, atol=1e-4)
        np.testing.assert_allclose(canals.data[0], result.canals[0].traces[k].path.path_px, atol=1e-4)
        assert list(canals.features["canal"]) == ["single"]
        assert set(canals.shape_type) == {"path"}


def test_the_reader_is_the_one_that_napari_picks_for_case_files(plugin):
    readers = [reader.plugin_name for reader in plugin.iter_compatible_readers(["a.wl.json"])]
    assert "wlmeasure" in readers
    assert "wlmeasure" not in [reader.plugin_name for reader in plugin.iter_compatible_readers(["a.json"])]


@pytest.mark.viewer
def test_a_case_is_seen_on_a_real_screen(plugin, monkeypatch):
    """The canvas shows the film (many greys) and the traces (their colours), and nothing is left when it is closed."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    import napari
    from qtpy.QtWidgets import QApplication

    viewer = napari.Viewer(show=True)
    try:
        viewer.open(str(CASES / "curved_out_of_plane.wl.json"), plugin="wlmeasure")
        QApplication.processEvents()
        whole = viewer.screenshot(canvas_only=True, flash=False)
        camera = viewer.scene.camera
        camera.center, camera.zoom = (600.0, 500.0), 2.0  # the straight part, two screen pixels a pixel
        QApplication.processEvents()
        close = viewer.screenshot(canvas_only=True, flash=False)
    finally:
        viewer.close()
    for picture in (whole, close):
        assert picture.shape[2] == 4
        assert min(picture.shape[:2]) > 100
    colours = whole[..., :3].reshape(-1, 3).astype(int)
    assert len(np.unique(colours[np.ptp(colours, axis=1) <= 2, 0])) > 50
    for name, rgb in (("file", (0x56, 0xB4, 0xE9)), ("canal", (0xE6, 0x9F, 0x00))):
        near = np.abs(close[..., :3].astype(int) - rgb).max(axis=2) < 8
        assert near.any(axis=1).mean() > 0.9, f"the {name} does not run through the picture"

    del viewer
    gc.collect()
    QApplication.processEvents()
    assert napari.current_viewer() is None
    assert [w for w in QApplication.topLevelWidgets() if w.isVisible()] == []
