"""What software does to a film: every step keeps places, does what it says, and gives the same twice."""

import numpy as np
import pytest

from wlmeasure.errors import PhantomError
from wlmeasure.phantom import make_phantom
from wlmeasure.phantom.film import Detector
from wlmeasure.phantom.processing import CHAINS, TONE_STEPS, Chain, Step, developed, draw_chain, film_area, processed
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.visibility import SEEN_FROM, contrast_to_noise

MM = (0.06, 0.05)


def chain(*steps):
    return Chain("sharpened", tuple(Step(name, tuple(figures)) for name, *figures in steps))


def done(picture, *steps):
    return processed(picture.copy(), MM, chain(*steps), np.random.default_rng(0))


def blob(at=(70.3, 101.6), size=(180, 220), wide=6.0):
    r, c = np.mgrid[: size[0], : size[1]]
    return (0.3 + 0.4 * np.exp(-0.5 * ((r - at[0]) ** 2 + (c - at[1]) ** 2) / wide**2)).astype(np.float32)


def place(picture):
    weight = np.clip(picture.astype(float) - np.median(picture) - 0.1, 0.0, None)
    r, c = np.mgrid[: picture.shape[0], : picture.shape[1]]
    return np.array([(weight * r).sum(), (weight * c).sum()]) / weight.sum()


@pytest.mark.parametrize(
    "step",
    [("level", 0.0, 100.0, 0.5), ("curve", 1.0), ("floor", 0.1), ("smooth", 0.1), ("sharpen", 0.1, 2.0), ("sharpen", 1.0, 0.8),
     ("resample", 0.5, 0), ("resample", 0.63, 1), ("resample", 1.4, 2), ("jpeg", 60), ("noise", 0.002, 1.0)],
)  # fmt: skip
def test_no_step_moves_what_is_in_the_picture(step):
    np.testing.assert_allclose(place(done(blob(), step)), place(blob()), atol=0.12)


def test_levels_bring_the_middle_grey_where_it_is_asked_for():
    picture = np.linspace(0.1, 0.7, 3000, dtype=np.float32).reshape(50, 60)
    made = done(picture, ("level", 0.0, 100.0, 0.62))
    assert (made.min(), made.max()) == pytest.approx((0.0, 1.0), abs=0.01)
    assert np.median(made) == pytest.approx(0.62, abs=0.02)


def test_an_unsharp_mask_overshoots_an_edge_by_its_amount():
    """Beside a step from 0.4 to 0.6 the picture less its blur is a tenth: the mask adds that times the amount."""
    picture = np.full((60, 200), 0.4, np.float32)
    picture[:, 100:] = 0.6
    made = done(picture, ("sharpen", 0.2, 1.5))
    assert made[30, 100] == pytest.approx(0.6 + 1.5 * 0.1, abs=0.02)
    assert made[30, 99] == pytest.approx(0.4 - 1.5 * 0.1, abs=0.02)
    assert made[30, 20] == pytest.approx(0.4, abs=1e-4)


def test_local_contrast_raises_faint_differences():
    rng = np.random.default_rng(3)
    picture = np.linspace(0.2, 0.7, 220, dtype=np.float32)[None] + 0.02 * rng.standard_normal(
        (180, 220), dtype=np.float32
    )
    made = done(picture, ("local contrast", 2.0, 4, 0.8))
    assert np.diff(made, axis=0).std() > 1.3 * np.diff(picture, axis=0).std()


@pytest.mark.parametrize("kind", CHAINS)
def test_a_chain_is_the_same_from_the_same_stream(kind):
    one, two = (draw_chain(np.random.default_rng(4), kind) for _ in range(2))
    assert one == two
    assert one.kind == kind
    assert one.facts()["steps"][0][0] == "level"
    first, second = (processed(blob(), MM, one, np.random.default_rng(5)) for _ in range(2))
    np.testing.assert_array_equal(first, second)


def test_every_step_is_drawn_and_stays_in_range():
    seen = set()
    for seed in range(150):
        drawn = draw_chain(np.random.default_rng([6, seed]))
        made = processed(blob(), MM, drawn, np.random.default_rng(7))
        assert made.dtype == np.float32
        assert made.shape == (180, 220)
        assert np.isfinite(made).all()
        assert made.min() >= 0.0
        assert made.max() <= 1.0
        seen |= {one.name for one in drawn.steps}
    assert seen >= TONE_STEPS | {"noise", "jpeg", "holder", "cut", "vignette", "scratches", "corners", "frame", "letters",
                                 "arrow", "ruler", "bar"}  # fmt: skip


def test_marks_lie_on_the_film_alone_and_the_film_area_tells_borders():
    picture = np.full((180, 220), 0.5, np.float32)
    framed = chain(("frame", 0.03, 1.0, 5), ("corners", 0.1, 1.0), ("letters", 2, 0.6, 8))
    made = processed(picture.copy(), MM, framed, np.random.default_rng(0))
    area = film_area(framed, picture.shape, MM)
    assert set(np.unique(area)) == {0, 1}
    assert (made[area == 0] != 0.5).all()
    inner = made[area == 1]
    assert 0.9 < np.mean(inner == 0.5) < 1.0  # letters lie on the film
    clean = processed(picture.copy(), MM, framed, None)
    np.testing.assert_array_equal(clean, picture)


def test_a_developed_film_less_its_clean_one_is_noise():
    projection = aim(source_object_mm=300.0, source_detector_mm=310.0, rows=120, cols=140, spacing_mm=MM)
    beam = np.full((120, 140), 0.2, np.float32)
    detector = Detector(photons=2000.0, full_scale=0.8, tone="log", bits=16)
    made = developed(beam, projection, detector, chain(("curve", 0.5)), 12, np.random.default_rng(9))
    assert made.image.dtype == np.uint16
    assert made.image.max() < 4096
    off = made.film - made.clean
    assert abs(off.mean()) < 0.002
    assert 0.002 < off.std() < 0.05
    assert np.ptp(made.clean) < 1e-3


def test_families_of_chains_are_left_out_when_asked():
    kinds = {draw_chain(np.random.default_rng(seed), without=("raw", "figure")).kind for seed in range(40)}
    assert kinds == {"sharpened", "equalised"}
    with pytest.raises(PhantomError, match="kind must be one of raw, sharpened, equalised, figure: 'sepia'"):
        draw_chain(np.random.default_rng(1), "sepia")
    small = {"size_px": (320, 250), "spacing_mm": (0.12, 0.10)}
    film = make_phantom(5, "real", leave_out=("raw", "sharpened", "equalised", "cells", "ladder", "granular"), **small)
    assert film.truth.facts["processing"]["kind"] == "figure"
    assert film.truth.facts["jaw"]["pattern"] == "trabeculae"


# --- how well a canal is seen ---------------------------------------------------------------------------------------------


def line(depth, width_mm=0.4, noise=0.0, pattern=0.0):
    """A dark straight line down the middle of a grey picture, with and without noise, and its path."""
    rng = np.random.default_rng(10)
    size = (300, 200)
    c = np.arange(size[1])
    clean = np.full(size, 0.5, np.float32)
    clean += pattern * rng.standard_normal((size[0] // 4, size[1] // 4)).repeat(4, 0).repeat(4, 1).astype(np.float32)
    clean[:, np.abs(c - 100) * MM[1] <= 0.5 * width_mm] -= depth
    film = clean + noise * rng.standard_normal(size).astype(np.float32)
    path = np.column_stack([np.arange(30.0, 270.0), np.full(240, 100.0)])
    return film, clean, path


def test_contrast_to_noise_is_the_depth_of_the_line_over_the_noise_of_its_means():
    """Noise of one pixel is independent: the variance of a mean is its weights' squares, by hand within a fifth."""
    film, clean, path = line(0.05, noise=0.02)
    ratio = contrast_to_noise(film, clean, path, 0.4, MM)
    # The flanks are 8 points over 6 pixels a side, the middle 3 over 7; what two linear weights leave of each is about 2/3.
    by_hand = 0.05 / (0.02 * np.sqrt(1.0 / 12.0 + 1.0 / 4.0))
    assert np.median(ratio) == pytest.approx(by_hand, rel=0.35)
    twice = contrast_to_noise(*line(0.10, noise=0.02)[:2], path, 0.4, MM)
    assert np.median(twice) == pytest.approx(2.0 * np.median(ratio), rel=0.05)
    louder = contrast_to_noise(*line(0.05, noise=0.04)[:2], path, 0.4, MM)
    assert np.median(louder) == pytest.approx(0.5 * np.median(ratio), rel=0.05)


def test_pattern_counts_like_noise_and_a_bright_line_is_none():
    film, clean, path = line(0.05, pattern=0.03)
    assert np.median(contrast_to_noise(film, clean, path, 0.4, MM)) < 10.0
    film, clean, path = line(-0.05, noise=0.02)
    assert (contrast_to_noise(film, clean, path, 0.4, MM) < 0.0).all()


def test_less_than_a_step_of_grey_is_not_seen_where_nothing_is_noisy():
    film, clean, path = line(0.003)
    assert (contrast_to_noise(film, clean, path, 0.4, MM) < SEEN_FROM).all()
    film, clean, path = line(0.03)
    assert (contrast_to_noise(film, clean, path, 0.4, MM) >= SEEN_FROM).all()


def test_what_lies_outside_or_under_a_frame_is_not_seen():
    film, clean, path = line(0.05, noise=0.005)
    path[:40, 0] -= 80.0
    area = np.ones(film.shape, np.uint8)
    area[200:] = 0
    ratio = contrast_to_noise(film, clean, path, 0.4, MM, area)
    assert (ratio[:40] == 0.0).sum() >= 35
    assert (ratio[path[:, 0] > 200.0] == 0.0).all()
    assert (ratio[60:150] >= SEEN_FROM).all()
    assert len(contrast_to_noise(film, clean, path[:2], 0.4, MM)) == 2
