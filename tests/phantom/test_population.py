"""Drawn canals against the published statistics of 314 canal axes of real molars (micro-CT)."""

import numpy as np
import pytest

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import LEVELS, SHAPES, canal_axis
from wlmeasure.phantom.dentition import CANAL_COUNTS, draw_tooth, join_canals

COUNT = 314


@pytest.fixture(scope="module")
def population():
    rng = np.random.default_rng(5000)
    return [canal_axis(rng) for _ in range(COUNT)]


def seen_mm(curve):
    """Length in the view along y, without magnification."""
    return np.hypot(*np.diff(curve.points_mm[:, [0, 2]], axis=0).T).sum()


def test_lengths(population):
    """6.7 / 10.3 / 13.8 mm: least, median, most."""
    length = np.array([curve.length_mm for curve in population])
    assert np.median(length) == pytest.approx(10.3, abs=0.25)
    assert 6.7 <= length.min() < 8.0
    assert 12.8 < length.max() <= 13.8


def test_length_over_chord(population):
    """Median 1.04, at most 1.20."""
    ratio = np.array([c.length_mm / np.linalg.norm(c.points_mm[-1] - c.points_mm[0]) for c in population])
    assert np.median(ratio) == pytest.approx(1.04, abs=0.008)
    assert 1.13 < ratio.max() <= 1.20


def test_peak_curvature(population):
    """0.21 / 0.49 / 1.19 per mm at 5 %, 50 %, 95 %."""
    low, middle, high = np.percentile([curve.kappa_per_mm.max() for curve in population], [5, 50, 95])
    assert low == pytest.approx(0.21, abs=0.04)
    assert middle == pytest.approx(0.49, abs=0.05)
    assert high == pytest.approx(1.19, abs=0.15)


def test_what_one_view_loses(population):
    """Median 3.3 %, 7 to 9 % at the far 5 %, 15 % at the worst."""
    lost = 100.0 * np.array([1.0 - seen_mm(curve) / curve.length_mm for curve in population])
    assert np.median(lost) == pytest.approx(3.3, abs=0.6)
    assert 6.5 <= np.percentile(lost, 95) <= 9.5
    assert 9.0 < lost.max() <= 15.0


def test_canals_bend_out_of_the_plane_of_the_film(population):
    """Distance from the best plane: a canal in one plane has none. And the plane itself is not the film's."""
    off, tilted = [], []
    for curve in population:
        _, values, axes = np.linalg.svd(curve.points_mm - curve.points_mm.mean(axis=0), full_matrices=False)
        off.append(values[2] / np.sqrt(len(curve.points_mm)))
        tilted.append(np.degrees(np.arccos(min(abs(axes[2, 1]), 1.0))))
    assert np.percentile(off, 75) > 0.02
    assert np.median(tilted) > 15.0


def test_every_shape_is_what_its_name_says():
    rng = np.random.default_rng(1000)
    for _ in range(20):
        straight, hook, c, s = (canal_axis(rng, shape=name) for name in ("straight", "J", "C", "S"))
        assert not straight.kappa_per_mm.any()
        turned = [
            np.cross(curve.tangents[:-1], curve.tangents[1:])[np.flatnonzero(curve.kappa_per_mm[1:] > 0)]
            for curve in (hook, c, s)
        ]
        for bends in turned[:2]:  # one way all along
            assert (bends @ bends[0] > 0.0).all()
        sharp = turned[2] @ turned[2][0]
        assert (sharp > 0.0).any()
        assert (sharp < 0.0).any()
        assert (hook.kappa_per_mm[1:20] == 0.0).all()  # a straight part first


def test_a_canal_in_the_plane_of_the_film_and_one_at_an_angle():
    rng = np.random.default_rng(1001)
    for shape in SHAPES:
        flat = canal_axis(rng, shape=shape, out_of_plane=False)
        assert np.abs(flat.points_mm[:, 1]).max() < 1e-9
        turned = canal_axis(rng, shape=shape, out_of_plane=40.0)
        assert np.abs(turned.points_mm[:, 1]).max() > 1e-3 or shape == "straight"


@pytest.mark.parametrize(("roots", "canals"), [(r, c) for r, counts in CANAL_COUNTS.items() for c in counts])
def test_every_kind_of_tooth_can_be_asked_for(roots, canals):
    rng = np.random.default_rng(1002)
    tooth = draw_tooth(rng, LEVELS["typical"], roots=roots, canals=canals)
    assert (len(tooth.roots), len(tooth.canals)) == (roots, canals)
    assert len({canal.name for canal in tooth.canals}) == canals


@pytest.mark.parametrize(
    ("wish", "message"),
    [
        ({"roots": 4}, "roots must be 1, 2 or 3: 4"),
        ({"canals": 5}, "canals must be 1 to 4: 5"),
        ({"roots": 1, "canals": 3}, "canals must be 1 or 2 in a tooth of 1 roots: 3"),
        ({"roots": 3, "canals": 2}, "canals must be 3 or 4 in a tooth of 3 roots: 2"),
    ],
)
def test_teeth_that_there_are_not(wish, message):
    with pytest.raises(PhantomError, match=message):
        draw_tooth(np.random.default_rng(0), LEVELS["typical"], **wish)


def test_canals_stay_inside_their_roots():
    """Every canal's lumen but its last millimetre lies within the root's section (or the trunk above it)."""
    rng = np.random.default_rng(1003)
    worst = []
    for _ in range(40):
        for root in draw_tooth(rng, LEVELS["typical"]).roots:
            arc, line = root.axis()
            for canal in root.canals:
                at = canal.curve.arc_mm[canal.curve.arc_mm < canal.curve.length_mm - 1.0]
                distance = np.linalg.norm(canal.curve.at(at)[:, None] - line[None], axis=2).min(axis=1)
                half = np.interp(
                    at,
                    arc,
                    root.cervical_mm[0] + (root.apical_mm[0] - root.cervical_mm[0]) * np.clip(arc / arc[-1], 0, 1),
                )
                sideways = np.abs(
                    canal.curve.at(at)[:, 0]
                    - np.array([line[np.linalg.norm(line - p, axis=1).argmin(), 0] for p in canal.curve.at(at)])
                )
                worst.append((sideways / half).max())
                assert distance.max() < 2.0
    assert np.percentile(worst, 90) < 0.8


def test_a_share_of_the_pairs_joins_and_either_canal_owns_the_end():
    """A quarter of 200 roots: within four standard deviations of 50; owners are half and half."""
    tooth = draw_tooth(np.random.default_rng(1004), LEVELS["typical"], roots=1, canals=2)
    rng = np.random.default_rng(1005)
    joints = [[canal.joins for canal in join_canals(rng, tooth, 0.25).canals] for _ in range(200)]
    joined = [pair for pair in joints if any(pair)]
    assert abs(len(joined) - 50) < 25
    assert all(sum(one is not None for one in pair) == 1 for pair in joined)
    assert 0.2 < np.mean([pair[0] is None for pair in joined]) < 0.8
    before = [one.mm_from_apex for pair in joined for one in pair if one]
    assert 1.18 < min(before) < 2.0
    assert 4.0 < max(before) < 5.02


def test_a_root_with_one_canal_has_nothing_to_join():
    tooth = draw_tooth(np.random.default_rng(1006), LEVELS["typical"], roots=3, canals=3)
    assert [canal.joins for canal in join_canals(np.random.default_rng(1), tooth, 1.0).canals] == [None] * 3
