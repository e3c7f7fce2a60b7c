"""What the network is to say of a film."""

import numpy as np
import pytest

from wlmeasure.detect.training.films import FRAME, families, film_of, framed, labelled
from wlmeasure.detect.training.labels import CanalLabel, FileLabel, Labels, draw
from wlmeasure.phantom.make import set_up

SHAPE = (120, 90)
NONE = np.zeros((0, 2))


def labels(**members):
    empty = np.zeros(SHAPE, np.bool_)
    made = {
        "files": (), "canals": (), "root_ends_px": NONE, "orifices_px": NONE, "references_px": NONE, "root": empty,
        "outline": empty, "filling": empty, "metal": empty, "mm_per_px": 0.05,
    }  # fmt: skip
    return Labels(**(made | members))


def test_distances_by_hand():
    """A file straight down column 40 and an orifice between pixels: sixteenths of a pixel away from them."""
    file = FileLabel([[10.0, 40.0], [100.0, 40.0]], [[10.0, 40.0]], [[100.0, 40.0]])
    raster = draw(labels(files=(file,), orifices_px=[[50.5, 20.25]]))
    assert raster.distance[0, 60, 40] == 0
    assert raster.distance[0, 60, 45] == 80
    assert raster.distance[0, 60, 5] == 255
    assert raster.distance[6, 50, 20] == int(16 * np.hypot(0.5, 0.25))
    assert raster.distance[3, 97, 44] == int(16 * 5.0)  # tip
    assert (raster.bits == 128).all()


def canal(share_seen, length=100):
    path = np.column_stack([np.linspace(5, 110, length), np.full(length, 30.0)])
    visible = np.zeros(length, np.bool_)
    visible[: round(share_seen * length)] = True
    return CanalLabel(path, visible)


def test_a_canal_that_is_mostly_seen_is_drawn_as_a_whole():
    raster = draw(labels(canals=(canal(0.7),)))
    assert (raster.distance[1, 5:111, 30] == 0).all()
    assert not (raster.bits & 64).any()


def test_of_a_canal_that_is_not_seen_nothing_is_asked():
    raster = draw(labels(canals=(canal(0.4),)))
    assert (raster.distance[1, 5:47, 30] == 0).all()
    assert raster.distance[1, 100, 30] == 255
    assert (raster.bits[60:110, 30] & 64).all()
    assert not (raster.bits[60:110, 60] & 64).any()


def test_a_short_gap_is_drawn_over_and_a_short_run_is_not_drawn():
    path = np.column_stack([np.linspace(5, 110, 106), np.full(106, 30.0)])  # 0.05 mm from point to point
    visible = np.zeros(106, np.bool_)
    visible[0:15], visible[45:55], visible[100:104] = True, True, True
    raster = draw(labels(canals=(CanalLabel(path, visible),)))
    assert raster.distance[1, 30, 30] == 0  # a gap of 1.5 mm
    assert raster.distance[1, 107, 30] > 0  # a run of 0.15 mm


def test_labels_scaled_lie_where_the_film_does():
    """A pixel twice as large: centres go from k to (k + 0.5) / 2 - 0.5."""
    file = FileLabel([[10.0, 41.0], [101.0, 41.0]], NONE, [[101.0, 41.0]])
    small = labels(files=(file,), references_px=[[7.0, 8.0]]).scaled((0.5, 0.5), (60, 45))
    np.testing.assert_allclose(small.files[0].tip_px, [[50.25, 20.25]])
    np.testing.assert_allclose(small.references_px, [[3.25, 3.75]])
    assert small.mm_per_px == 0.1
    assert small.root.shape == (60, 45)


@pytest.fixture(scope="module")
def older():
    return labelled(3, "typical", {"size_px": (400, 500), "spacing_mm": (0.08, 0.06), "stop_in_view": True})


def test_an_older_film_tells_of_its_file_and_every_tooth(older):
    phantom, told = older
    true = phantom.truth
    np.testing.assert_allclose(told.files[0].tip_px[0], true.file.tip_px)
    np.testing.assert_allclose(told.files[0].upper_px[0], true.file.stop_px)
    for own in true.canals:
        gaps = np.hypot(*(told.root_ends_px - own.apex_px).T)
        assert gaps.min() < 1e-6
    assert {c.tooth for c in told.canals} > {0}  # the neighbours' too
    rows, cols = np.rint(true.canals[0].path_px[::20]).astype(int).T
    assert told.root[rows, cols].all()


def test_a_film_of_level_real_tells_what_its_truth_tells():
    phantom, told = labelled(5, "real", {"size_px": (480, 340), "spacing_mm": (0.065, 0.065)})
    film = phantom.masks["film"] > 0
    ends = [r.apex_px for t in phantom.truth.teeth for r in t.roots if r.apex_in_view]
    assert len(ends) == len(told.root_ends_px)
    np.testing.assert_allclose(sorted(map(tuple, ends)), sorted(map(tuple, told.root_ends_px)))
    assert not told.root[~film].any()
    assert len(told.files) == sum(len(t.files) for t in phantom.truth.teeth)


def test_a_film_lies_upright_in_its_frame(older):
    """A film wider than high is stood up, its labels with it."""
    phantom, told = older
    film = framed(3, "typical", phantom.image.astype(np.float32) / 4095.0, told)
    assert film.greys.shape == FRAME
    assert film.distance.shape == (8, *FRAME)
    there = film.bits >> 7
    assert there[:500, :400].all()
    assert there.sum() == 500 * 400
    tip = np.unravel_index(film.distance[3].argmin(), FRAME)
    row, col = phantom.truth.file.tip_px
    np.testing.assert_allclose(tip, [499 - col, row], atol=1.0)


def test_a_film_follows_from_its_seed():
    one, again = film_of(300_000_004), film_of(300_000_004)
    assert one.level == again.level
    for name in ("greys", "distance", "bits"):
        np.testing.assert_array_equal(getattr(one, name), getattr(again, name))


def test_withheld_families_are_left_out():
    wish = {"size_px": (480, 340), "spacing_mm": (0.065, 0.065)}
    sitting = set_up(5, "real", wish)
    names = families(sitting)
    assert {name.split()[0] for name in names} == {"chain", "tooth", "bone"}
    assert all(labelled(5, "real", wish, frozenset([name])) is None for name in names)
    assert families(set_up(5, "typical", {})) == frozenset()
