"""The films of the older levels are what they were before level "real" came: figures are quoted by seed.

Recorded with the code of 2026-12-01 before that level (commit 4419b59) and numpy 2.4.6, OpenCV 5.0.0.
"""

import hashlib
import json

import cv2
import numpy as np
import pytest

from wlmeasure.phantom import make_phantom

RECORDED_WITH = ("2.4.6", "5.0.0")
OPTIONS = {11: {}, 12: {"file": False, "filling": 0.5, "jpeg_quality": 90}}
# (level, seed): mean of the image, first canal's length from its reference, and the hashes of image and truth.
FILMS = {
    ("clear", 11): (1304.7240, 20.51454, "7ae494d2b954705a", "c09d7c48b66c0e43"),
    ("clear", 12): (102.8726, 18.39917, "b2c1647a8f4e8059", "af3372446faa5df8"),
    ("typical", 11): (1315.5055, 20.51454, "fb83dd9dd860f705", "fdda3f8f3e5d4d62"),
    ("typical", 12): (103.4293, 18.39917, "28694e5fa4b0af59", "aa6c143586122aea"),
    ("faint", 11): (1325.8128, 20.51454, "b0b3c8b1f1b21871", "70988ffd51a842db"),
    ("faint", 12): (103.4861, 18.39917, "67e456c035c785d4", "02239ceb0bca320e"),
    ("hard", 11): (1684.3868, 19.65542, "d2ba4ce52f28e907", "f19ea337a6de80bc"),
    ("hard", 12): (149.7781, 18.39917, "19b393d1477bc19a", "fc35a46e5fb86b99"),
}


def short_hash(data):
    return hashlib.sha256(data).hexdigest()[:16]


@pytest.mark.parametrize(("level", "seed"), FILMS)
def test_an_older_film_is_what_it_was(level, seed):
    film = make_phantom(seed, level, size_px=(320, 250), spacing_mm=(0.12, 0.10), **OPTIONS[seed])
    mean, total_mm, image, truth = FILMS[level, seed]
    # Other versions of the libraries round otherwise here and there.
    assert film.image.mean() == pytest.approx(mean, rel=1e-3)
    assert film.truth.canals[0].total_mm == pytest.approx(total_mm, abs=1e-4)
    if (np.__version__, cv2.__version__) == RECORDED_WITH:
        assert short_hash(film.image.tobytes()) == image
        assert short_hash(json.dumps(film.truth.to_json()).encode()) == truth
