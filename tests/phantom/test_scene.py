"""What the bodies of a scene leave on the film's pixels: where metal and stop lie, what replaces what, what stays."""

import numpy as np
import pytest

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.phantom.curve import Bend, Curve, curve_from_bends
from wlmeasure.phantom.dentition import draw_tooth
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.rays import cross, overlap_mm
from wlmeasure.phantom.scene import STOP_HEIGHT_MM, Bone, FileInCanal, Scene, paths_mm
from wlmeasure.phantom.solid import tube
from wlmeasure.phantom.tooth import Canal, CrownForm, Root, Tooth, crown_solid
from wlmeasure.phantom.treatment import access_cavity, clamp, restoration

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
