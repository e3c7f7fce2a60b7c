"""The weights that come with the package: what their card says of them is so, and they see what is on a film.

The film is of the reference radiographs' molar, which another generator made and no training saw.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from wlmeasure.detect.look import look
from wlmeasure.detect.network import WEIGHTS, shipped_network
from wlmeasure.image.reading import read

FILMS = Path(__file__).parents[2] / "sample_images"
MOST_BYTES = 8_000_000


def test_weights_and_log_have_the_hashes_of_the_card():
    card = json.loads((WEIGHTS / "look.json").read_text(encoding="utf-8"))
    data = (WEIGHTS / "look.onnx").read_bytes()
    assert len(data) == card["bytes"] <= MOST_BYTES
    assert hashlib.sha256(data).hexdigest() == card["sha256"]
    assert hashlib.sha256((WEIGHTS / "look.log.jsonl").read_bytes()).hexdigest() == card["log_sha256"]
    assert card["licence"] == "BSD-3-Clause"


@pytest.fixture(scope="module")
def molar():
    case = json.loads((FILMS / "cases" / "molar.wl.json").read_text(encoding="utf-8"))
    film = next(film for film in case["films"] if film["path"].endswith("molar_mb.png"))
    return film, look(read(FILMS / "films" / "molar_mb.png"))


def test_the_file_of_the_sample_molar_is_seen_to_its_tip(molar):
    film, seen = molar
    (known,) = (scale for scale in film["scale"] if scale["kind"] == "known_file")
    (file,) = seen.files
    assert file.probability > 0.5
    assert np.hypot(*(file.tip_px - known["points_px"][-1])) < 0.3 / 0.03  # 0.3 mm at 0.03 mm a pixel


def test_a_film_without_a_file_has_none(molar):
    seen = look(read(FILMS / "films" / "molar_before.png"))
    assert seen.files == ()
    assert len(seen.canals) >= 2


def test_the_network_is_loaded_once_and_named(molar):
    _, seen = molar
    assert shipped_network().sha256[:12] in seen.model
