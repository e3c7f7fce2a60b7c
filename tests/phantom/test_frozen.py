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
RECORDED_ON = True
"""Whether the computer had vectors of 512 bits."""
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


def vector_unit():
    """Whether the processor has the widest vectors that numpy uses."""
    from numpy._core._multiarray_umath import __cpu_features__

    return bool(__cpu_features__.get("AVX512_SKX") or __cpu_features__.get("AVX512F"))


def as_recorded():
    """Whether libraries and processor are those that the hashes were made with: others round otherwise here and there."""
    return (np.__version__, cv2.__version__) == RECORDED_WITH and vector_unit() == RECORDED_ON


@pytest.mark.parametrize(("level", "seed"), FILMS)
def test_an_older_film_is_what_it_was(level, seed):
    film = make_phantom(seed, level, size_px=(320, 250), spacing_mm=(0.12, 0.10), **OPTIONS[seed])
    mean, total_mm, image, truth = FILMS[level, seed]
    assert film.image.mean() == pytest.approx(mean, rel=1e-3)
    assert film.truth.canals[0].total_mm == pytest.approx(total_mm, abs=1e-4)
    if as_recorded():
        assert short_hash(film.image.tobytes()) == image
        assert short_hash(json.dumps(film.truth.to_json()).encode()) == truth


# --- level "real": frozen with the code of 2026-12-01, before the training that is reported --------------------------------

REAL = {
    40: (105.519, 1.0, 97.0, 223.0, 6, "66d91952aad002e7", "9cfb1e9eb39eeb6b"),
    41: (84.174, 0.0, 56.0, 219.0, 5, "08a63787e078a6fc", "45a16be837f2a71c"),
    42: (107.185, 8.0, 96.0, 243.0, 4, "2a5f12fa04c1b582", "22e2c5ca0de5d4f0"),
    43: (108.177, 22.0, 109.0, 164.0, 2, "0f2ea9fa797da048", "f18d47ccc29351c7"),
    44: (164.256, 125.0, 166.0, 227.0, 4, "77e1f762b2ea4a3f", "c3de4398e31dbad6"),
    45: (113.672, 2.0, 100.0, 243.0, 4, "c40d7bbf6bd6323a", "0e80ea8066d5c83e"),
    46: (135.392, 31.0, 132.0, 248.0, 4, "68070b4a14fc2eea", "4992eefe84c37605"),
    47: (137.598, 90.0, 122.0, 245.0, 5, "d4a641d7b03322f6", "2b3085c0cb69da36"),
}
"""Mean, 10th, 50th and 90th percentile of the image, teeth, hashes of image and truth, by seed."""


def real(seed):
    return make_phantom(seed, "real", size_px=(320, 250), spacing_mm=(0.12, 0.10), bits=8)


def figures(film):
    low, middle, high = (float(v) for v in np.percentile(film.image, [10, 50, 90]))
    image, truth = short_hash(film.image.tobytes()), short_hash(json.dumps(film.truth.to_json()).encode())
    return round(float(film.image.mean()), 3), low, middle, high, len(film.truth.teeth), image, truth


@pytest.mark.parametrize("seed", REAL)
def test_a_film_of_level_real_is_what_it_was(seed):
    made, kept = figures(real(seed)), REAL[seed]
    # What is rounded otherwise is spread by the filters.
    assert made[:4] == pytest.approx(kept[:4], abs=1.5)
    assert made[4] == kept[4]
    if as_recorded():
        assert made[5:] == kept[5:]
