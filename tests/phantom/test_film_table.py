"""The tool that measures how rich films are, against pictures whose figures are known by hand."""

import numpy as np
import pytest

from tests.bench.film_table import (
    REAL,
    bands,
    canal_contrast,
    figures,
    file_strength,
    pixel_noise,
    reduced,
    scaled,
    table,
    texture,
    told,
)
from wlmeasure.phantom import make_phantom


def noise(sd, size=(448, 300), seed=0):
    return (sd * np.random.default_rng(seed).standard_normal(size)).astype(np.float32)


def test_grey_is_scaled_to_its_own_percentiles():
    picture = np.arange(10000.0).reshape(100, 100)
    made = scaled(picture)
    assert made[0, 0] == pytest.approx(-0.002, abs=2e-4)
    assert np.median(made) == pytest.approx(0.5, abs=1e-3)
    assert reduced(made).shape == (448, 448)
    assert reduced(np.zeros((896, 500), np.float32)).shape == (448, 250)


def test_pixel_noise_is_the_noise():
    assert pixel_noise(noise(0.02)) == pytest.approx(0.02, rel=0.03)
    ramp = np.linspace(0.0, 1.0, 300, dtype=np.float32)[None].repeat(448, 0)
    assert pixel_noise(ramp) == pytest.approx(0.0, abs=1e-6)


def test_texture_is_the_sd_that_a_difference_of_gaussians_leaves():
    """White noise behind Gaussians of a and b: variance (1/a2 + 1/b2 - 4/(a2 + b2)) / (4 pi)."""
    by_hand = 0.1 * np.sqrt((1.0 + 1.0 / 16.0 - 4.0 / 17.0) / (4.0 * np.pi))
    assert texture(noise(0.1)) == pytest.approx(by_hand, rel=0.05)
    half = noise(0.1)
    half[:, :60] = 0.0  # a fifth of the film: the median hardly minds
    assert texture(half) == pytest.approx(by_hand, rel=0.08)
    assert texture(np.full((200, 200), 0.3, np.float32)) == pytest.approx(0.0, abs=1e-6)


def test_bands_are_shares_of_the_whole_sd():
    """Waves of 2.2, 9 and 20 px lie mostly in one band each; a slow one in none."""
    c = np.arange(440)[None].repeat(440, 0).astype(np.float32)
    waves = [np.sin(2.0 * np.pi * c / length).astype(np.float32) for length in (2.2, 9.0, 20.0, 220.0)]
    shares = [bands(wave) for wave in waves]
    assert shares[0][0] > 0.9
    assert shares[1][1] == max(shares[1])
    assert shares[2][2] == max(shares[2])
    assert max(shares[3]) < 0.02


MM = (0.06, 0.05)


def canal(depth):
    picture = np.full((300, 200), 0.5, np.float32)
    picture[:, 97:104] -= depth
    path = np.column_stack([np.arange(20.0, 280.0), np.full(260, 100.0)])
    return picture, path


def test_a_canals_contrast_is_its_depth():
    picture, path = canal(0.08)
    rough = picture + noise(0.01, picture.shape)
    contrast, over = canal_contrast(rough, path, MM)
    assert contrast == pytest.approx(0.08, abs=0.005)
    # Each flank is a mean of four points over six pixels; of both, the SD is near 0.01 / sqrt(8), less a little drift.
    assert over == pytest.approx(0.08 / (0.01 / np.sqrt(8.0)), rel=0.35)
    assert canal_contrast(canal(-0.05)[0], path, MM)[0] == pytest.approx(-0.05, abs=0.005)
    assert np.isnan(canal_contrast(picture, path[:3], MM)[0])


def test_a_files_strength_is_counted_in_dark_lines():
    """A bright line as deep as the only dark one is about as strong, one four times as deep four times."""

    def strength(depth):
        picture = np.full((400, 300), 0.5, np.float32)
        picture[:, 198:203] -= 0.05
        picture[:, 98:103] += depth
        return file_strength(picture, np.column_stack([np.arange(50.0, 350.0), np.full(300, 100.0)]), MM)

    assert strength(0.2) == pytest.approx(4.0 * strength(0.05), rel=0.05)
    assert strength(0.05) == pytest.approx(1.0, abs=0.2)


def test_the_table_of_some_films_has_every_figure():
    sets = [
        one
        for seed in (1, 2)
        for one in figures(make_phantom(seed, "typical", size_px=(400, 320), spacing_mm=(0.09, 0.08)))
    ]
    made = table(sets)
    assert set(made) == set(REAL)
    assert all(low <= middle <= high for low, middle, high in made.values())
    text = told("typical", 2, made)
    assert len(text.splitlines()) == 1 + len(REAL)
    assert "file strength" in text
