"""What the bodies of a scene leave on the film's pixels: where metal and stop lie, what replaces what, what stays."""

import numpy as np
import pytest

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.phantom.curve import Bend, Curve, curve_from_bends
from wlmeasure.phantom.dentition import draw_tooth, join_canals
from wlmeasure.phantom.film import transmission
from wlmeasure.phantom.options import Options
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.rays import cross, overlap_mm, union_mm
from wlmeasure.phantom.scene import STOP_HEIGHT_MM, Bone, Cap, FileInCanal, Scene, paths_mm
from wlmeasure.phantom.solid import tube
from wlmeasure.phantom.tooth import Canal, CrownForm, Root, Tooth, crown_solid
from wlmeasure.phantom.treatment import access_cavity, clamp, draw_cap, restoration

SHAPE = (1000, 700)


def shot(**more):
    settings = {
        "vertical_deg": 6.0,
        "horizontal_deg": -9.0,
        "technique": "bisecting",
        "spacing_mm": (0.03, 0.024),
    } | more
    return aim(
        source_object_mm=240.0,
        source_detector_mm=250.0,
        rows=SHAPE[0],
        cols=SHAPE[1],
        aim_mm=(0.0, 0.0, -2.0),
        **settings,
    )


def file_in(line, size=0.2, taper=0.02, angle=75.0):
    return FileInCanal(
        canal=0, line=line, coronal_mm=8.0, size_mm=size, taper=taper, tip_angle_deg=angle, shank_mm=25.0
    )


@pytest.fixture
def line():
    """8 mm straight, then an arc of 9 mm radius out of the plane of the film."""
    return curve_from_bends([Bend(12.0), Bend(7.0, 1 / 9, 35.0)], start_mm=(0.5, 0.3, 7.5), tangent=(0.1, 0.05, -1.0))


def test_the_metals_centroid_lies_on_the_projected_line(line):
    """Row by row within 0.05 px in the middle of the file: sections square to a slanted line move it by their width only."""
    projection = shot()
    image = cross(file_in(line).solid(), projection, oversampling=3).on(SHAPE)
    path = projection.pixels(line.points_mm)
    rows = np.arange(int(path[40, 0]), int(path[-60, 0]), 5)
    centroid = (image[rows] * np.arange(SHAPE[1])).sum(axis=1) / image[rows].sum(axis=1)
    expected = np.interp(rows, path[:, 0], path[:, 1])
    assert np.abs(centroid - expected).max() < 0.05


def test_the_metal_ends_at_the_tip(line):
    """On the row of the tip nothing is left, and a cone of 75 degrees is 0.767 mm wide per mm above it."""
    projection = shot(vertical_deg=0.0, horizontal_deg=0.0)
    straight = curve_from_bends([Bend(15.0)], start_mm=(0.0, 0.0, 6.0))
    image = cross(file_in(straight, size=0.6, taper=0.0).solid(), projection, oversampling=3).on(SHAPE)
    tip = projection.pixels(straight.points_mm[-1:])[0]
    width = image.sum(axis=1)  # area of the section: pi r^2 of a round one, times the magnifications
    rows = np.arange(SHAPE[0])
    assert width[rows > tip[0] + 1.0].max() < 1e-3 * width.max()
    above = (tip[0] - rows) * 0.03 / (250.0 / 240.0)
    cone = (above > 0.15) & (above < 0.3)
    radius = np.sqrt(width[cone] * 0.024 / (250.0 / 240.0) / np.pi)
    np.testing.assert_allclose(radius, above[cone] * np.tan(np.radians(37.5)), rtol=0.05)


def test_the_stop_begins_at_its_face(line):
    """Half of the stop's path lies on either side of its apical face, beside the file; it is 1.5 mm high."""
    for more in ({}, {"vertical_deg": 0.0}, {"spacing_mm": (0.027, 0.03)}):
        projection = shot(**more)
        image = cross(file_in(line).stop_solid(), projection, oversampling=3).on(SHAPE)
        face, other = projection.pixels([line.points_mm[0], line.points_mm[0] - STOP_HEIGHT_MM * line.tangents[0]])
        axis = face - other
        steps = np.linspace(-0.6, 1.6, 441)
        at = np.rint(other + steps[:, None] * axis).astype(int)
        profile = image[at[:, 0], at[:, 1]]
        half = 0.5 * profile[(steps > 0.4) & (steps < 0.6)].mean()
        inside = steps[profile > half]
        length = np.hypot(*axis)
        assert abs(inside[0]) * length < 1.0  # nearest pixels are looked up: half a pixel is their own
        assert abs(inside[-1] - 1.0) * length < 1.0


def plain_tooth(width=0.6):
    curve = curve_from_bends([Bend(11.0)], start_mm=(0.0, 0.0, -0.8))
    form = CrownForm("premolar", 3.6, 4.1, 7.8)
    return Tooth(form, (Root((Canal("single", curve, (width, 0.3)),), (3.0, 3.4), (0.65, 0.85)),), (0.8, 1.1))


def row_of(projection, z):
    return round(float(projection.pixels([[0.0, 0.0, z]])[0, 0]))


def test_every_ray_through_a_plain_tooth_meets_what_it_must():
    """Dentine less the canal's chord on the axis, enamel above the neck only, bone below the crest only."""
    projection = shot(vertical_deg=0.0, horizontal_deg=0.0)
    bone = Bone(thickness_mm=9.0, cortical_mm=0.5, crest_mm=-2.0, soft_mm=7.0, texture=0.0)
    paths = paths_mm(Scene(plain_tooth(), bone=bone), projection, np.random.default_rng(1))
    middle = round(float(projection.pixels([[0.0, 0.0, 0.0]])[0, 1]))
    root, off_canal = row_of(projection, -6.0), round(0.6 / 0.024)
    canal = Canal("single", curve_from_bends([Bend(11.0)]), (0.6, 0.3)).radius(np.array([5.2]))[0]
    beside = paths["dentine"][root, middle + off_canal]
    # The root's half axes there, by the same interpolation as in its docstring, set the chord; the canal takes 2 r of it.
    x_half = 3.0 + (0.65 - 3.0) * (5.2 / 11.5) ** 0.85
    y_half = 3.4 + (0.85 - 3.4) * (5.2 / 11.5) ** 0.85
    assert beside == pytest.approx(2.0 * y_half * np.sqrt(1.0 - (0.6 / x_half) ** 2), rel=0.01)
    assert paths["dentine"][root, middle] == pytest.approx(2.0 * y_half - 2.0 * canal, rel=0.01)
    neck = row_of(projection, 0.0)
    assert not paths["enamel"][neck + 5 :].any()
    assert paths["enamel"][row_of(projection, 5.0), middle] > 1.5
    crest = row_of(projection, bone.crest_mm + 0.3)
    assert not paths["trabecular"][: crest - 3].any()
    deep, side = row_of(projection, -14.0), 60
    jaw = sum(paths[name][deep, side] for name in ("trabecular", "cortical"))
    assert jaw == pytest.approx(9.0, rel=0.02)
    # Beside the root's outline stands the ligament: less bone than a millimetre further out.
    edge = middle + round((x_half + 0.1) * (250.0 / 240.0) / 0.024)
    bone_at = paths["trabecular"][root] + paths["cortical"][root]
    assert bone_at[edge] < bone_at[edge + 45] - 1.0
    assert (paths["soft"] >= 6.99).all()


def test_a_file_widens_its_canal_and_replaces_what_is_in_it():
    projection = shot()
    tooth = plain_tooth(width=0.35)
    canal = tooth.canals[0].curve
    reference = canal.at([-8.6])
    points = np.vstack([reference, canal.points_mm])
    line = Curve(
        np.append(0.0, canal.arc_mm + 8.6), points, np.vstack([canal.tangents[:1], canal.tangents]),
        np.append(0.0, canal.kappa_per_mm),
    ).cut(18.6)  # fmt: skip
    file = FileInCanal(0, line, 8.6, 0.25, 0.06, 75.0, 25.0)
    with_file, without = (
        paths_mm(Scene(tooth, file=one), projection, np.random.default_rng(1)) for one in (file, None)
    )
    lost = without["dentine"] - with_file["dentine"]
    metal = with_file["steel"]
    assert lost.min() > -1e-3
    under = (metal > 0.05) & (np.arange(SHAPE[0])[:, None] > row_of(projection, -2.5))  # below the chamber
    assert under.sum() > 2000
    # What is metal is not dentine as well: the lumen gives way where the file is wider than it.
    assert (lost[under] + 0.35 >= metal[under] - 0.02).all()


@pytest.mark.parametrize("kind", ["molar", "premolar", "incisor"])
def test_enamel_covers_the_crown_everywhere(kind):
    """The dentine under it lies inside the outer surface: no ray is longer in it than in the crown."""
    tooth = Tooth(CrownForm(kind, 4.5, 4.5, 7.5), plain_tooth().roots, (0.8, 1.1))
    projection = shot()
    crown, covered = (cross(s, projection).on(SHAPE) for s in (tooth.crown_solid(), tooth.covered_solid()))
    # Rays that graze the closing faces at the neck find corners of one before the other's: a handful of pixels.
    assert (crown - covered < -0.02).sum() < 0.001 * (crown > 0.0).sum()
    ratio = tooth.covered_solid().volume_mm3() / tooth.crown_solid().volume_mm3()
    assert 0.3 < ratio < 0.8


def test_bodies_are_closed_and_point_outwards():
    rng = np.random.default_rng(1004)
    for _ in range(6):
        tooth = draw_tooth(rng, LEVELS["typical"])
        bodies = [tooth.crown_solid(), tooth.covered_solid(), tooth.core_solid(), tooth.chamber_solid()]
        bodies += [root.solid() for root in tooth.roots] + [canal.solid() for canal in tooth.canals]
        bodies += [root.solid(wider_mm=0.2) for root in tooth.roots]
        for body in bodies:
            assert body.volume_mm3() > 0.0
            edges = np.vstack([body.faces[:, [0, 1]], body.faces[:, [1, 2]], body.faces[:, [2, 0]]])
            there, back = ({tuple(e) for e in pairs.tolist()} for pairs in (edges, edges[:, ::-1]))
            assert there == back  # every edge is run once each way
        sockets = sum(root.solid(wider_mm=0.2).volume_mm3() for root in tooth.roots)
        assert sockets > sum(root.solid().volume_mm3() for root in tooth.roots)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"size": 0.0}, "size_mm must be > 0: 0"),
        ({"taper": -0.1}, "taper must be 0 to 0.2 mm per mm: -0.1"),
        ({"angle": 200.0}, "tip_angle_deg must be 10 to 180: 200"),
    ],
)
def test_what_is_no_file_is_refused(line, change, message):
    with pytest.raises(PhantomError, match=message):
        file_in(line, **change)


def test_a_file_is_as_thick_as_the_standard_says(line):
    """ISO 3630-1: size 15 of taper 02 is 0.15 mm at the tip and 0.47 mm at D16, and does not grow beyond."""
    file = file_in(line, size=0.15, angle=180.0)
    np.testing.assert_allclose(2.0 * file.radius(np.array([0.001, 16.0, 20.0])), [0.15, 0.47, 0.47], atol=1e-3)


def test_a_crown_has_the_size_it_was_asked_for():
    form = CrownForm("molar", 5.0, 4.0, 7.0)
    low, high = crown_solid(form).vertices.min(axis=0), crown_solid(form).vertices.max(axis=0)
    np.testing.assert_allclose(high, [5.0, 4.0, 7.0], atol=0.05)
    np.testing.assert_allclose(low, [-5.0, -4.0, 0.0], atol=0.05)


def test_a_tube_through_nothing_is_nothing():
    projection = shot()
    aside = tube([[60.0, 0.0, 1.0], [60.0, 0.0, -1.0]], 0.5)
    assert cross(aside, projection).on(SHAPE).sum() == 0.0


def test_a_filling_takes_the_place_of_the_crown_and_is_opened_by_the_access():
    """Along a ray through the crown the materials still add up to the crown; where the cavity runs there is less of it."""
    tooth, projection = plain_tooth(), shot(vertical_deg=0.0, horizontal_deg=0.0)
    bare = paths_mm(Scene(tooth), projection, np.random.default_rng(1))
    material, body = restoration(np.random.default_rng(3), tooth, "amalgam")
    filled = paths_mm(Scene(tooth, restorations=((material, body),)), projection, np.random.default_rng(1))
    metal = filled["amalgam"]
    alone = cross(body, projection).on(SHAPE)
    np.testing.assert_allclose(metal, alone, atol=1e-4)
    substance, before = (paths["enamel"] + paths["dentine"] for paths in (filled, bare))
    within = overlap_mm(cross(body, projection), cross(tooth.crown_solid(), projection)).on(SHAPE)
    whole = (metal > 0.5) & (before > within + 0.01)
    assert whole.sum() > 1000
    np.testing.assert_allclose((substance + within)[whole], before[whole], atol=0.01)
    assert (substance <= before + 1e-4).all()
    access = access_cavity(tooth, tooth.canals[0])
    opened = paths_mm(
        Scene(tooth, restorations=((material, body),), access=access), projection, np.random.default_rng(1)
    )
    assert opened["amalgam"].sum() < metal.sum()
    assert opened["enamel"].sum() < filled["enamel"].sum()
    assert min(float(path.min()) for path in opened.values()) >= 0.0


def test_a_clamp_is_metal_on_both_sides_of_the_neck():
    tooth, projection = plain_tooth(), shot(vertical_deg=0.0, horizontal_deg=0.0)
    hardware = clamp(np.random.default_rng(4), tooth)
    steel = paths_mm(Scene(tooth, hardware=hardware), projection, np.random.default_rng(1))["steel"]
    neck = steel[row_of(projection, 1.8) : row_of(projection, 0.0)]
    assert neck.max() > 2.0  # two jaws behind one another
    assert not steel[row_of(projection, -1.5) :].any()


# --- artificial crowns --------------------------------------------------------------------------------------------------


def capped(cap, **more):
    projection = shot(vertical_deg=0.0, horizontal_deg=0.0)
    return paths_mm(Scene(plain_tooth(), cap=cap, **more), projection, np.random.default_rng(1)), projection


def test_a_metal_crown_has_its_thickness_on_either_side():
    """Half way up (3.9 of 7.8 mm) the crown is 4.1 mm deep either way from its axis. Its inside is 0.8 mm in and, being lower
    by 1.12 mm, is met at 3.9 / 6.68 = 0.584 of its height, where the form has 1 - 0.03 * 0.084 / 0.2 of its width."""
    paths, projection = capped(Cap(0.8))
    middle = round(float(projection.pixels([[0.0, 0.0, 0.0]])[0, 1]))
    inner = 4.1 * (1.0 - 0.03 * (3.9 / 6.68 - 0.5) / 0.2) - 0.8
    assert paths["alloy"][row_of(projection, 3.9), middle] == pytest.approx(2.0 * (4.1 - inner), rel=0.02)
    # At the neck it is half as thick, 0.12 of the height up four fifths: 0.15 mm up 4.1 * 0.8712 - (4.1 * 0.8731 - 0.445).
    assert paths["alloy"][row_of(projection, 0.15), middle] == pytest.approx(2.0 * 0.437, rel=0.06)
    assert not paths["alloy"][row_of(projection, -0.3) :].any()
    assert "enamel" not in paths
    assert "ceramic" not in paths


@pytest.mark.parametrize("cap", [Cap(0.7), Cap(0.4, 1.0)])
def test_a_crown_takes_the_place_of_enamel_and_nothing_else(cap):
    """Along every ray, alloy, ceramic and dentine under a crown add up to enamel and dentine without it."""
    under, projection = capped(cap)
    bare, _ = capped(None)
    solid = sum(under[name] for name in ("alloy", "ceramic", "dentine") if name in under)
    assert np.abs(solid - bare["enamel"] - bare["dentine"]).max() < 0.05
    np.testing.assert_allclose(under["soft"], bare["soft"], atol=1e-4)
    assert min(float(path.min()) for path in under.values()) >= 0.0
    root = slice(row_of(projection, -0.5), None)
    np.testing.assert_allclose(under["dentine"][root], bare["dentine"][root], atol=1e-3)


def test_what_a_crown_hides():
    """Through the crown's middle a metal one leaves less than an eighth of the light, a veneered one lies between; at the
    outline of a veneered one there is ceramic alone, which shows less than enamel."""
    seen = {}
    for name, cap in (("none", None), ("veneered", Cap(0.4, 1.0)), ("metal", Cap(0.8))):
        paths, projection = capped(cap)
        middle = round(float(projection.pixels([[0.0, 0.0, 0.0]])[0, 1]))
        seen[name] = float(transmission(paths)[row_of(projection, 3.5), middle - 15])
        if name == "veneered":
            edge = paths["ceramic"][row_of(projection, 3.9)] > 0.3
            assert (edge & (paths["alloy"][row_of(projection, 3.9)] == 0.0)).sum() > 30
    assert seen["metal"] < seen["none"] / 8.0
    assert seen["metal"] < seen["veneered"] < seen["none"] / 2.0


def test_an_access_cavity_opens_a_crown():
    tooth = plain_tooth()
    whole, projection = capped(Cap(0.8))
    opened, _ = capped(Cap(0.8), access=access_cavity(tooth, tooth.canals[0]))
    lost = whole["alloy"] - opened["alloy"]
    assert lost.min() > -1e-4
    # Through the roof along the axis: between the cusps there is a roof's depth less, at mid height the walls stay.
    middle = round(float(projection.pixels([[0.0, 0.0, 0.0]])[0, 1]))
    assert lost[:, middle - 20 : middle + 20].max() > 1.0
    assert lost[row_of(projection, 2.5), middle] < 0.05


def test_crowns_are_drawn_as_often_as_was_asked():
    """A share of 0.3 of 400: within four standard deviations of 120; no front tooth gets one of metal by chance."""
    molar, front = (
        Tooth(CrownForm(kind, 4.0, 4.0, 8.0), plain_tooth().roots, (0.8, 1.1)) for kind in ("molar", "incisor")
    )
    rng = np.random.default_rng(1010)
    drawn = [draw_cap(rng, LEVELS["typical"], molar, Options(cap=0.3)) for _ in range(400)]
    made = [one for one in drawn if one is not None]
    assert abs(len(made) - 120) < 37
    assert {one.kind for one in made} == {"metal", "veneered"}
    assert {draw_cap(rng, LEVELS["typical"], front, Options(cap=True)).kind for _ in range(40)} == {"veneered"}
    assert {draw_cap(rng, LEVELS["typical"], front, Options(cap="metal")).kind for _ in range(10)} == {"metal"}
    assert not any(
        draw_cap(rng, LEVELS["typical"], molar, Options(cap=wish)) for wish in (None, False, 0.0) for _ in range(40)
    )


@pytest.mark.parametrize(
    ("metal", "ceramic", "message"),
    [
        (0.0, 0.0, "metal_mm must be > 0: 0"),
        (0.5, 1.6, "ceramic_mm must be 0 to 1.50"),
        (0.5, -0.1, "ceramic_mm must be 0"),
    ],
)
def test_what_is_no_crown_is_refused(metal, ceramic, message):
    with pytest.raises(PhantomError, match=message):
        Cap(metal, ceramic)


def test_a_filling_that_was_asked_for_stays():
    """The hard level draws crowns, but not over the caller's filling; a crown and a filling at once are refused."""
    rng, molar = np.random.default_rng(1012), plain_tooth()
    drawn = [
        draw_cap(rng, LEVELS["hard"], molar, Options(restoration=wish)) for wish in (None, True) for _ in range(60)
    ]
    assert any(drawn[:60])
    assert not any(drawn[60:])
    with pytest.raises(PhantomError, match="restorations must be none under a cap"):
        Scene(molar, cap=Cap(0.8), restorations=(restoration(rng, molar),))


# --- canals that join ---------------------------------------------------------------------------------------------------


def test_a_shared_canal_is_hollow_once():
    """Below the meeting the root with both canals is the root with the owner's alone; above it, it is hollow twice."""
    tooth = join_canals(
        np.random.default_rng(1011), draw_tooth(np.random.default_rng(1001), LEVELS["clear"], roots=1, canals=2), 1.0
    )
    (root,) = tooth.roots
    (joiner,) = (canal for canal in root.canals if canal.joins)
    (owner,) = (canal for canal in root.canals if not canal.joins)
    projection = shot(vertical_deg=0.0, horizontal_deg=0.0, technique="square")
    lumen = {
        name: cross_union([canal.solid() for canal in canals], projection)
        for name, canals in (("both", root.canals), ("owner", (owner,)), ("joiner", (joiner,)))
    }
    meeting = projection.pixels(joiner.curve.at([joiner.curve.length_mm - joiner.joins.mm_from_apex]))[0]
    start = projection.pixels(joiner.curve.points_mm[:1])[0]
    shared = np.zeros(SHAPE, bool)
    way = 1 if meeting[0] > start[0] else -1
    edge = round(float(meeting[0])) + 3 * way
    shared[edge:] = True
    assert lumen["owner"][shared].sum() > 0.0
    # Widths at the same place differ a little, since the ways to it differ in length.
    assert np.abs(lumen["both"] - lumen["owner"])[shared].max() < 0.03
    high = slice(round(float(start[0])) + 10, round(float(start[0])) + 40)
    alone = lumen["owner"][high].sum() + lumen["joiner"][high].sum()
    assert lumen["both"][high].sum() == pytest.approx(alone, rel=0.02)


def cross_union(solids, projection):
    return union_mm([cross(solid, projection, oversampling=2) for solid in solids]).on(SHAPE)
