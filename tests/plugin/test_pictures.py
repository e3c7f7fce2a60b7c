"""The README's pictures come from the running program, and still can."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import cv2
import numpy as np
import pytest

HERE = Path(__file__).resolve().parent
FILE, LIVE, CANAL = (233, 180, 86), (66, 228, 240), (0, 159, 230)
SHOWS = {"scale.png": (), "tracing.png": (FILE, LIVE), "decided.png": (FILE, CANAL), "in_space.png": (FILE, CANAL)}
KEPT = HERE.parents[1] / "sample_images" / "pictures"


@pytest.mark.viewer
def test_the_readmes_pictures_can_be_made_again(plugin, monkeypatch, tmp_path):
    """The same four, of the same size, with the same film in them: fonts and theme are the machine's."""
    monkeypatch.setenv("WLMEASURE_DRAFTS", str(tmp_path / "drafts"))
    spec = importlib.util.spec_from_file_location("pictures", HERE / "pictures.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)

    made = script.make(tmp_path / "pictures")

    assert sorted(path.name for path in made) == sorted(path.name for path in KEPT.glob("*.png"))
    for path in made:
        new, kept = cv2.imread(str(path)), cv2.imread(str(KEPT / path.name))
        assert new.shape == kept.shape
        # The canvas is the left half of the window; the film's grey levels are the same there.
        half = new.shape[1] // 2
        spread = [np.percentile(picture[40:-40, :half], [5, 50, 95]) for picture in (new, kept)]
        np.testing.assert_allclose(spread[0], spread[1], atol=45)
        # What the picture is there to show: the file, the live line, the canal, each by its colour (blue, green, red).
        for picture in (new, kept):
            for colour in SHOWS[path.name]:
                near = np.abs(picture[40:-40, :half].astype(int) - colour).max(axis=2) < 40
                assert near.sum() > 200, (path.name, colour)
