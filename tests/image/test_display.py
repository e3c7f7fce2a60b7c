"""Pictures for the screen: a close-up whose middle is the place asked for, and local contrast."""

import numpy as np
import pytest

from wlmeasure.image.display import local_contrast, loupe


def dot(at, shape=(60, 80)):
    picture = np.zeros(shape, np.uint8)
    picture[at] = 255
    return picture


def middle_of_mass(picture):
    rows, cols = np.nonzero(picture > 100)
    return rows.mean(), cols.mean()


@pytest.mark.parametrize("at", [(30, 40), (20, 55), (1, 78)])
@pytest.mark.parametrize("side", [220, 221])
def test_the_place_asked_for_is_the_middle(at, side):
    """A single white pixel, taken into the loupe at its centre, lies about the loupe's centre (side - 1) / 2."""
    close = loupe(dot(at), at, side=side)
    assert (close.shape, close.dtype) == ((side, side), np.uint8)
    assert middle_of_mass(close) == pytest.approx(((side - 1) / 2,) * 2, abs=0.51)


@pytest.mark.parametrize(("off", "axis"), [((0.25, 0.0), 0), ((0.0, -0.75), 1), ((5.0, 0.0), 0)])
def test_a_fraction_of_a_pixel_shows(off, axis):
    """220 over 36 pixels: 6.1 screen pixels each, so a quarter pixel moves the dot by 1.5, the other way."""
    close = loupe(dot((30, 40)), (30 + off[0], 40 + off[1]))
    moved = np.array(middle_of_mass(close)) - 109.5
    expected = -np.array(off) * 220 / 36
    assert moved == pytest.approx(expected, abs=0.6)
    assert abs(expected[axis]) > 1.0


@pytest.mark.parametrize("dtype", [np.uint16, np.int16])
def test_a_deep_picture_is_shown_between_its_limits(dtype):
    """A step from 1000 to 3000: what lies at a limit is black or white, what lies half way is grey; outside it is black."""
    picture = np.full((60, 80), 1000, dtype)
    picture[:, 40:] = 3000
    close = loupe(picture, (30, 39.5), limits=(1000.0, 5000.0))
    assert set(np.unique(close[:, :90])) == {0}
    assert set(np.unique(close[:, 130:])) == {128}
    assert loupe(picture, (30, 39.5), limits=(100.0, 1000.0))[:, 130:].min() == 255
    assert loupe(picture, (-500.0, 1e4), limits=(100.0, 1000.0)).max() == 0


def test_a_smaller_span_shows_larger():
    areas = [(loupe(dot((30, 40)), (30, 40), span_px=span) > 100).sum() for span in (36.0, 18.0)]
    assert areas[1] == pytest.approx(4 * areas[0], rel=0.1)


def test_outside_the_picture_it_is_black():
    white = np.full((60, 80), 255, np.uint8)
    corner = loupe(white, (0.0, 0.0))
    assert (corner[:95].max(), corner[:, :95].max()) == (0, 0)  # interpolation reaches two pixels out
    assert (corner[115:, 115:] == 255).all()
    assert loupe(white, (-500.0, 1e4)).max() == 0


def test_local_contrast_lifts_a_faint_line_and_leaves_the_picture_it_was_given():
    """A line 6 grey values darker than a ground that itself runs from 60 to 180."""
    rows, cols = np.mgrid[0:400, 0:400]
    picture = (60 + rows * 0.3 + np.random.default_rng(3).normal(0, 2, rows.shape)).astype(np.uint8)
    picture[np.abs(cols - 200) <= 2] -= 6
    kept = picture.copy()
    better = local_contrast(picture)
    np.testing.assert_array_equal(picture, kept)
    assert (better.shape, better.dtype) == (picture.shape, np.uint8)

    def depth(p):
        return p[:, 188:194].mean() - p[:, 199:202].mean()

    assert depth(better) > 1.5 * depth(picture)
