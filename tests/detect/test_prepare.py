"""A film as the network is given it."""

import numpy as np
import pytest

from wlmeasure.detect.prepare import FIGURES, film_figures, prepared, scaled_greys
from wlmeasure.image.radiograph import Radiograph


def ramp(rows=300, cols=200):
    return np.tile(np.linspace(100, 1100, cols), (rows, 1)).astype(np.uint16)


def test_greys_run_between_the_films_own_percentiles():
    """A ramp of 1001 steps: its 0.2 and 99.8 percentiles become 0 and 1, whatever gain and offset."""
    values = np.arange(1001, dtype=np.float32).reshape(7, 143)
    greys = scaled_greys(values)
    np.testing.assert_allclose(greys.ravel()[[2, 998]], [0.0, 1.0], atol=1e-6)
    np.testing.assert_allclose(scaled_greys(3.0 * values + 40.0), greys, atol=1e-5)
    assert scaled_greys(np.full((4, 5), 7.0, np.float32)).max() == 0.0


def test_a_film_is_brought_to_the_working_pitch_and_padded():
    """40 mm by 25 mm at 0.08 mm: 500 x 312 pixels of film, sides of 512 and 320, nothing beside the film."""
    values = np.random.default_rng(1).integers(0, 4000, (800, 1000)).astype(np.uint16)
    given = prepared(Radiograph.from_array(values), (0.05, 0.025))
    assert given.inside == (500, 312)
    assert given.greys.shape == (512, 320)
    np.testing.assert_allclose(given.scale, [800 / 500, 1000 / 312])
    film = given.greys[:500, :312]
    assert film.mean() == pytest.approx(0.0, abs=1e-5)
    assert film.std() == pytest.approx(1.0, abs=0.01)
    assert not given.greys[500:].any()
    assert not given.greys[:, 312:].any()


def test_without_a_pixel_size_the_longest_side_is_448_pixels():
    given = prepared(Radiograph.from_array(ramp(900, 600)))
    assert given.inside == (448, 299)


def test_a_wrong_claim_asks_for_no_giant():
    """A pixel of 1 mm would make this film 0.9 m long."""
    assert max(prepared(Radiograph.from_array(ramp(900, 600)), (1.0, 1.0)).inside) == 640


def test_points_go_to_the_film_and_back():
    given = prepared(Radiograph.from_array(ramp(901, 600)), (0.05, 0.06))
    corners = np.array([[-0.5, -0.5], [given.inside[0] - 0.5, given.inside[1] - 0.5], [10.0, 20.0]])
    film = given.to_film(corners)
    np.testing.assert_allclose(film[:2], [[-0.5, -0.5], [900.5, 599.5]])  # outer edges meet
    np.testing.assert_allclose(given.from_film(film), corners)


def test_figures_tell_noise_and_black():
    """White noise of SD s: its diagonal differences halved have SD s; half of the picture black."""
    rng = np.random.default_rng(4)
    grey = (0.5 + 0.02 * rng.standard_normal((400, 300))).astype(np.float32)
    told = dict(zip(FIGURES, film_figures(grey), strict=True))
    assert told["noise"] == pytest.approx(0.02, rel=0.03)
    assert told["grey"] == pytest.approx(0.5, abs=0.001)
    assert told["black"] == 0.0
    grey[:200] = 0.0
    assert film_figures(grey)[FIGURES.index("black")] == pytest.approx(0.5)
