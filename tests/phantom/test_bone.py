"""The jaw of level "real": lines and cells where geometry puts them, lesions and landmarks at their places."""

import cv2
import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.bone import Jaw, Landmark, Lesion, Socket, draw_jaw, jaw_paths
from wlmeasure.phantom.chance import draw_family
from wlmeasure.phantom.film import attenuation_per_mm
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.solid import tube
from wlmeasure.phantom.trabeculae import PATTERNS, Pattern, draw_pattern, network

SPACING = (0.06, 0.05)  # unequal
RADIUS_MM = 2.0


def shot(size=(400, 420), spacing=SPACING, **changes):
    """From so far away that a round rod's outline lies at its radius."""
    return aim(source_object_mm=5000.0, source_detector_mm=5001.0, rows=size[0], cols=size[1], spacing_mm=spacing,
               aim_mm=(0.0, 0.0, -9.0), **changes)  # fmt: skip


def rod():
    """One straight round root from z = 2 down to -14."""
    return Socket((tube([[0, 0, 2], [0, 0, -6], [0, 0, -14]], RADIUS_MM),), None, np.array([[0.0, 0.0, -14.0]]))


def jaw(**changes):
    """A jaw without pattern, lesions and landmarks, its ligament and lamina seen all along as they are."""
    plain = {
        "thickness_mm": 10.0, "cortical_mm": 0.6, "soft_mm": 6.0, "crest_mm": -1.0, "crest_slope": 0.0, "loss": 0.0,
        "crest_line": 0.0, "bared_mm": -2.0, "ligament_mm": 0.3, "ligament": 2.0, "lamina_mm": 0.35, "lamina": 1.5,
        "seen_mm": 3.0, "pattern": Pattern("cells", (), 8.0), "contrast": 0.0, "relief": 0.0,
    }  # fmt: skip
    return Jaw(**(plain | changes))


def density(paths):
    """Attenuation along the ray, the roots' own dentine left out."""
    return sum(attenuation_per_mm(name) * path for name, path in paths.items())


def level(projection, x, z):
    """Nearest pixel of a point of the plane y = 0."""
    return tuple(np.rint(projection.pixels([[x, 0.0, z]])[0]).astype(int))


@pytest.mark.parametrize("spacing", [SPACING, (0.025, 0.03)])
@pytest.mark.parametrize("roll", [0.0, 180.0, 17.0])
def test_ligament_and_lamina_dura_follow_the_roots_outline(spacing, roll):
    """Dark at 0 to 0.3 mm outside the outline, bright at 0.3 to 0.65 mm, on either side, whatever the pixels and the turn."""
    size = (round(24.0 / spacing[0]), round(21.0 / spacing[1]))
    projection = shot(size, spacing, roll_deg=roll)

    def seen(seed, **changes):
        made = jaw_paths(jaw(**changes), [rod()], projection, np.random.default_rng(seed))
        return density(made).astype(np.float32)

    across = np.arange(1.5, 4.0, 0.02)

    def place(change):
        """Where along lines across the root the change is largest, mm outside the outline."""
        found = []
        for side in (-1.0, 1.0):
            for z in np.linspace(-12.0, -8.0, 30):
                px = projection.pixels(np.column_stack([side * across, 0.0 * across, 0.0 * across + z]))
                row, col = (px[:, k].astype(np.float32)[:, None] for k in (0, 1))
                profile = cv2.remap(change, col, row, cv2.INTER_LINEAR)[:, 0]
                if profile.max() > 0.01:  # it comes and goes along the root
                    found.append(across[profile.argmax()] - RADIUS_MM)
        return found

    dark, bright = [], []
    for seed in range(4):  # the ligament is wider here and narrower there
        bare = seen(seed, ligament=0.0, lamina=0.0)
        dark += place(bare - seen(seed, lamina=0.0))
        bright += place(seen(seed, ligament=0.0) - bare)
    assert min(len(dark), len(bright)) > 60
    assert np.median(dark) == pytest.approx(0.15, abs=0.06)
    assert np.median(bright) == pytest.approx(0.3 + 0.175, abs=0.1)
    assert (np.abs(np.array(dark) - 0.15) < 0.25).all()


def test_bone_gives_way_to_the_root():
    """In the middle of a rod of 4 mm the ray meets 4 mm less bone than beside it."""
    projection = shot()
    paths = jaw_paths(jaw(ligament=0.0, lamina=0.0), [rod()], projection, np.random.default_rng(2))
    bone = paths["trabecular"] + paths["cortical"]
    plain = jaw_paths(jaw(ligament=0.0, lamina=0.0), [], projection, np.random.default_rng(2))
    without = plain["trabecular"] + plain["cortical"]
    at = level(projection, 0.0, -12.0)
    assert without[at] - bone[at] == pytest.approx(2.0 * RADIUS_MM, abs=0.15)
    beside = level(projection, 6.0, -12.0)
    assert bone[beside] == pytest.approx(without[beside], abs=1e-3)


def test_no_bone_above_the_crest():
    projection = shot()
    paths = jaw_paths(jaw(), [], projection, np.random.default_rng(3))
    assert paths["trabecular"][level(projection, 5.0, -0.3)] + paths["cortical"][level(projection, 5.0, -0.3)] == 0.0
    deep = level(projection, 5.0, -15.0)
    # Thinner towards the crest, full at 10 mm below it, give or take what the jaw drifts by.
    assert paths["trabecular"][deep] + paths["cortical"][deep] == pytest.approx(10.0, rel=0.25)
    assert (paths["soft"] > 0.0).all()


@pytest.mark.parametrize("border", [0.0, 1.2])
def test_a_lesion_is_dark_round_the_root_end_and_its_border_bright(border):
    lesion = Lesion(0, 0, radius_mm=2.0, lost=0.8, soft_mm=0.3, border=border, shift_mm=(0.0, 0.0), ragged=0.0)
    projection = shot()
    none = evolve(lesion, lost=0.0, border=0.0)
    made = [jaw_paths(jaw(lesions=(one,)), [rod()], projection, np.random.default_rng(4)) for one in (lesion, none)]
    change = density(made[0]) - density(made[1])
    middle = -14.0 - 0.6 * 2.0
    assert change[level(projection, 0.0, middle - 1.0)] < -0.1
    assert abs(change[level(projection, 0.0, middle - 3.5)]) < 1e-3
    rim = change[level(projection, 0.0, middle - 2.3)]
    assert rim > 0.1 if border else rim < 0.02


@pytest.mark.parametrize(
    ("landmark", "bright", "dark"),
    [
        (Landmark("sinus floor", (0.0, -10.0), 60.0, 0.0, 1.0), (0.0, -10.0), (0.0, -13.0)),
        (Landmark("mandibular canal", (0.0, -13.0), 3.0, 0.0, 1.0), None, (0.0, -13.0)),
        (Landmark("mental foramen", (-3.0, -12.0), 3.0, 0.0, 1.0), None, (-3.0, -12.0)),
        (Landmark("zygomatic process", (0.0, -8.0), 8.0, 0.0, 1.0), (0.0, -14.0), None),
        (Landmark("oblique ridge", (0.0, -6.0), 3.0, 0.0, 1.0), (0.0, -7.0), None),
        (Landmark("nasal floor", (0.0, -10.0), 60.0, 0.0, 1.0), (0.0, -10.0), (0.0, -13.0)),
        (Landmark("median suture", (4.0, 0.0), 0.5, 0.0, 1.0), None, (4.0, -10.0)),
        (Landmark("lip line", (0.0, -9.0), 5.0, 0.0, 1.0), (0.0, -13.0), None),
    ],
)
def test_a_landmark_lies_where_it_is_said_to(landmark, bright, dark):
    projection = shot()
    made = [
        density(jaw_paths(one, [], projection, np.random.default_rng(5)))
        for one in (jaw(landmarks=(landmark,)), jaw(landmarks=()))
    ]
    change = (made[0] - made[1]).astype(np.float32)

    def near(x, z, mm):
        row, col = level(projection, x, z)
        r, c = round(mm / SPACING[0]), round(mm / SPACING[1])
        return change[row - r : row + r + 1, col - c : col + c + 1]

    if bright is not None:  # lines are uneven by half a millimetre
        assert near(*bright, 1.5).max() > 0.05
    if dark is not None:
        assert np.median(near(*dark, 0.2)) < -0.02
    assert np.abs(near(0.0, -2.0, 0.2)).max() < 0.02


def test_a_jaw_is_the_same_from_the_same_stream_and_mirrors_with_the_projection():
    sockets = [rod()]
    made = [draw_jaw(np.random.default_rng(6), sockets, upper=True, kind="molar") for _ in range(2)]
    assert made[0] == made[1]
    projection = shot()
    one, two = (jaw_paths(made[0], sockets, projection, np.random.default_rng(7)) for _ in range(2))
    for name, path in one.items():
        np.testing.assert_array_equal(path, two[name])
        assert path.shape == (400, 420)
        assert path.dtype == np.float32
        assert (path >= 0.0).all()


def test_lower_front_teeth_have_no_sinus_and_upper_molars_no_mandibular_canal():
    names = {}
    for key in ((True, "molar"), (False, "molar"), (True, "incisor"), (False, "incisor")):
        jaws = [draw_jaw(np.random.default_rng([8, n]), [rod()], upper=key[0], kind=key[1]) for n in range(60)]
        names[key] = {one.name for drawn in jaws for one in drawn.landmarks}
    assert names[True, "molar"] == {"sinus floor", "zygomatic process"}
    assert names[False, "molar"] == {"mandibular canal", "oblique ridge", "mental foramen", "lower border"}
    assert "median suture" in names[True, "incisor"]
    assert "lingual foramen" in names[False, "incisor"]


# --- struts and cells -----------------------------------------------------------------------------------------------------


def grid(rows=500, cols=480, step=0.05):
    x, z = np.meshgrid(np.arange(cols) * step, np.arange(rows) * step)
    return x.astype(np.float32), z.astype(np.float32)


def holes(layer, step=0.05):
    """Areas, mm2, of the dark spaces that bright lines enclose, those at the border left out."""
    lines = layer > np.median(layer)
    count, _, stats, _ = cv2.connectedComponentsWithStats((~lines).astype(np.uint8), connectivity=4)
    inner = [
        k for k in range(1, count)
        if stats[k, 0] > 0 and stats[k, 1] > 0
        and stats[k, 0] + stats[k, 2] < layer.shape[1] and stats[k, 1] + stats[k, 3] < layer.shape[0]
    ]  # fmt: skip
    return stats[inner, 4] * step**2


@pytest.mark.parametrize("kind", PATTERNS)
def test_struts_are_thin_lines_around_marrow_spaces(kind):
    """Of one sheet: the ridges' width lies at 0.1 to 0.4 mm, and most of the dark area is spaces of 0.1 to 4 mm across."""
    rng = np.random.default_rng(11)
    drawn = draw_pattern(rng, kind)
    sheet = evolve(drawn.sheets[0], broken=0.0, strokes_per_mm2=0.0, weight=1.0)
    layer = network(*grid(), evolve(drawn, sheets=(sheet,)), rng)
    struts = (layer > 0.6 * np.percentile(layer, 99)).astype(np.uint8)
    thick = 2.0 * 0.05 * np.percentile(cv2.distanceTransform(struts, cv2.DIST_L2, 5)[struts > 0], 90)
    assert 0.08 < thick < 0.45
    across = np.sqrt(holes(layer))
    large = across[across > 0.15]
    assert large.size > 20
    assert 0.2 < np.median(large) < 2.5


def test_struts_of_a_ladder_run_across_the_roots():
    """Gradients of horizontal lines point up and down: their share is larger than in round cells."""

    def upright(kind):
        shares = []
        for seed in range(6):
            rng = np.random.default_rng([12, seed])
            layer = network(*grid(300, 300), draw_pattern(rng, kind), rng)
            gy, gx = np.gradient(layer)
            shares.append((gy**2).sum() / ((gy**2).sum() + (gx**2).sum()))
        return np.mean(shares)

    assert upright("ladder") > 0.6
    assert upright("cells") == pytest.approx(0.5, abs=0.12)


def test_families_are_left_out_when_asked():
    kinds = {draw_pattern(np.random.default_rng(seed), without=("ladder", "cells")).kind for seed in range(40)}
    assert kinds == {"trabeculae", "granular"}
    assert draw_family(np.random.default_rng(1), ("a", "b"), (0.5, 0.5), ("a", "b")) in ("a", "b")
    with pytest.raises(PhantomError, match="kind must be one of cells, trabeculae, ladder, granular: 'wool'"):
        draw_pattern(np.random.default_rng(1), "wool")
