"""Films of level "real": every tooth drawn where its truth says, what is in it, and what is never drawn."""

import json

import cv2
import numpy as np
import pytest

from wlmeasure.errors import PhantomError
from wlmeasure.phantom import make_dataset, make_phantom, make_views
from wlmeasure.phantom.arch import draw_mouth
from wlmeasure.phantom.bodies import block, bulge, pointed, screw
from wlmeasure.phantom.care import Chooser
from wlmeasure.phantom.curve import Bend, curve_from_bends, curve_from_curvature, curve_in_plane
from wlmeasure.phantom.kinds import KINDS, LUMENS, draw_kind
from wlmeasure.phantom.options import FILLINGS, RARE, THINGS, Options
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.rays import cross
from wlmeasure.phantom.scene import FillingInCanal, Marks, Scene, tooth_paths
from wlmeasure.phantom.tooth import Canal

SMALL = {"size_px": (320, 250), "spacing_mm": (0.12, 0.10)}  # unequal, and quick
PLAIN = {"restoration": False, "cap": False, "clamp": False, "neighbours": False,
         "leave_out": ("pins", "wire", "cone", "broken instrument", "unerupted", "primary", "implant")}  # fmt: skip


@pytest.fixture(scope="module")
def films():
    return [real(seed) for seed in range(3000, 3008)]


def real(seed, **options):
    return make_phantom(seed, "real", **(SMALL | options))


def to_segments(point, line):
    """Distance of a point to a polyline (N, 2)."""
    a, b = line[:-1], line[1:]
    t = np.clip(((point - a) * (b - a)).sum(1) / np.maximum(((b - a) ** 2).sum(1), 1e-12), 0.0, 1.0)
    return np.linalg.norm(point - a - t[:, None] * (b - a), axis=1).min()


def inside(px, shape):
    return ((px > -0.5) & (px < np.array(shape) - 0.5)).all(axis=-1)


# --- the whole film -------------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_film_truth_and_masks(films):
    again = real(3000)
    np.testing.assert_array_equal(films[0].image, again.image)
    assert films[0].truth.to_json() == again.truth.to_json()
    for name in ("root", "filling", "metal", "film"):
        np.testing.assert_array_equal(films[0].masks[name], again.masks[name])
    assert not np.array_equal(films[0].image, films[1].image)


def test_the_older_levels_know_nothing_of_it():
    """Neither masks nor members of the truth; what they draw is held by the tests of each and by figures in documents."""
    old = make_phantom(1000, "hard", **SMALL)
    assert old.masks == {}
    assert old.truth.teeth == ()
    assert not {"teeth", "mouth", "jaw", "processing"} & set(old.truth.to_json())


def test_every_tooth_has_roots_canals_and_cusps(films):
    for film in films:
        first = film.truth.teeth[0]
        assert [c.name for c in first.canals] == [c.name for c in film.truth.canals]
        assert len(first.files) == 0 or first.files[0].canal == film.truth.file.canal
        for tooth in film.truth.teeth:
            assert tooth.kind in KINDS
            assert tooth.lumen in LUMENS
            assert {canal.root for canal in tooth.canals} == set(range(len(tooth.roots)))
            form = KINDS[tooth.kind].form
            assert len(tooth.cusps) == {"molar": 4, "premolar": 2, "canine": 1, "incisor": 3}[form]
    assert len({tooth.kind for film in films for tooth in film.truth.teeth}) > 5


def test_every_point_of_the_truth_is_the_projection_of_its_place(films):
    for film in films:
        for tooth in film.truth.teeth:
            for canal in tooth.canals:
                np.testing.assert_allclose(film.projection.pixels(canal.points_mm), canal.path_px, atol=1e-9)
                steps = np.linalg.norm(np.diff(canal.points_mm, axis=0), axis=1)
                assert steps.sum() == pytest.approx(canal.length_mm, rel=1e-3)
                assert canal.visible.shape == canal.lumen_mm.shape == canal.arc_mm.shape
            for cusp in tooth.cusps:
                np.testing.assert_allclose(film.projection.pixels(cusp.point_mm[None])[0], cusp.px, atol=1e-9)
            for root in tooth.roots:
                np.testing.assert_allclose(film.projection.pixels(root.apex_mm[None])[0], root.apex_px, atol=1e-9)


def test_the_truth_is_plain_json(films):
    stored = json.loads(json.dumps(films[0].truth.to_json(), allow_nan=False))
    assert len(stored["teeth"]) == len(films[0].truth.teeth)
    tooth = stored["teeth"][0]
    assert set(tooth) == {
        "kind", "state", "lumen", "cap", "roots", "cusps", "canals", "files", "fillings", "works",
    }  # fmt: skip
    assert set(tooth["roots"][0]) == {"outline_px", "apex_mm", "apex_px", "apex_in_view", "open_apex"}
    assert {"holds", "lumen_mm", "visible", "path_px"} <= set(tooth["canals"][0])
    assert stored["mouth"]["kinds"] == [one["kind"] for one in stored["teeth"]]


def test_a_folder_of_such_films_takes_its_draws_from_the_level(tmp_path):
    images = make_dataset(tmp_path, 2, 5, "real", **SMALL)
    told = [json.loads(path.with_name(f"{path.stem}.truth.json").read_text(encoding="utf-8")) for path in images]
    assert [one["level"] for one in told] == ["real", "real"]
    assert all(one["teeth"] for one in told)


def test_two_films_of_one_mouth_share_what_is_in_it():
    one, other = make_views(3001, "real", shifts_deg=(0.0, 15.0), **SMALL)
    np.testing.assert_array_equal(one.truth.canals[0].points_mm, other.truth.canals[0].points_mm)
    assert not np.array_equal(one.truth.canals[0].path_px, other.truth.canals[0].path_px)
    assert one.projection.mirrored == other.projection.mirrored
    np.testing.assert_array_equal(one.image, real(3001).image)


# --- where things lie on the film -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [3010, 3011, 3012, 3013, 3014])
def test_a_root_is_marked_up_to_its_outline(seed):
    """Half a millimetre inside the outline, towards the axis, the mask is set; as far outside it is not."""
    film = real(seed, files=0, **PLAIN)
    (tooth,) = film.truth.teeth
    checked = 0
    for number, root in enumerate(tooth.roots):
        count = len(root.outline_px) // 2
        left, right = root.outline_px[:count], root.outline_px[count:][::-1]
        middle = 0.5 * (left + right)
        half = left - middle
        wide = np.linalg.norm(half, axis=1)
        for k in range(count // 3, count - 4):
            for side in (1.0, -1.0):
                within = middle[k] + side * half[k] * (1.0 - 3.0 / max(wide[k], 6.0))
                beyond = middle[k] + side * half[k] * (1.0 + 2.5 / max(wide[k], 2.0))
                if not (inside(within, film.image.shape) and inside(beyond, film.image.shape)):
                    continue
                assert film.masks["root"][tuple(np.rint(within).astype(int))] == 1
                others = [one for m, one in enumerate(tooth.roots) if m != number]
                # Where another root of the tooth lies behind, dentine goes on.
                near = any(
                    cv2.pointPolygonTest(
                        one.outline_px[:, ::-1].astype(np.float32), tuple(map(float, beyond[::-1])), True
                    )
                    > -4.0
                    for one in others
                )
                if not near:
                    assert film.masks["root"][tuple(np.rint(beyond).astype(int))] == 0
                    checked += 1
    assert checked > 20


def test_a_canal_runs_inside_the_outline_of_its_root(films):
    for film in films:
        for tooth in film.truth.teeth:
            for canal in tooth.canals:
                outline = tooth.roots[canal.root].outline_px[:, ::-1].astype(np.float32)
                deep = canal.path_px[len(canal.path_px) // 2 : -12]
                away = [cv2.pointPolygonTest(outline, (float(c), float(r)), True) for r, c in deep]
                assert min(away) > -1.0


@pytest.mark.parametrize(
    "kind", ["upper central incisor", "lower canine", "upper second premolar", "lower first molar"]
)
def test_the_coronal_reference_lies_on_the_crowns_outline(kind):
    """Of the cusps the one farthest to the crown's end lies on the edge of what the crown covers, seen square to the tooth."""
    tooth = draw_kind(np.random.default_rng(5), kind, distal_x=1.0)
    projection = aim(
        source_object_mm=300.0,
        source_detector_mm=308.0,
        rows=500,
        cols=400,
        spacing_mm=(0.05, 0.06),
        aim_mm=(0.0, 0.0, 3.0),
    )
    hit = cross(tooth.crown_solid(), projection).on((500, 400)) > 0.0
    px = projection.pixels(np.array([point for _, point in tooth.cusps_mm()]))
    top = px[px[:, 0].argmin()]
    row, col = np.rint(top).astype(int)
    assert hit[row + 1 : row + 4, col].all()  # crown below it
    assert not hit[: row - 2, col].any()  # nothing of it above
    assert px[:, 0].min() <= np.flatnonzero(hit.any(axis=1))[0] + 2.0


def test_a_distal_cusp_lies_distally():
    for distal in (1.0, -1.0):
        tooth = draw_kind(np.random.default_rng(1), "lower first molar", distal_x=distal)
        cusps = dict(tooth.cusps_mm())
        assert set(cusps) == {"MB", "ML", "DB", "DL"}
        assert cusps["DB"][0] * distal > 0.0 > cusps["MB"][0] * distal
        assert cusps["DB"][1] > 0.0 > cusps["DL"][1]


# --- files ----------------------------------------------------------------------------------------------------------------


def test_a_shaft_leaves_the_film_on_its_border_and_on_its_path():
    left = framed = 0
    for seed in range(3020, 3034):
        film = real(seed, files=1 + seed % 2, kind="lower first molar")
        for file in film.truth.teeth[0].files:
            whole = np.vstack([file.path_px[::-1], file.shaft_px[1:]])
            if not file.tip_in_view:
                assert file.leaves_px is None
            elif file.leaves_px is None:
                assert inside(whole, film.image.shape).all()
                at = np.rint(whole).astype(int)
                assert film.masks["film"][at[:, 0], at[:, 1]].all()
            else:
                row, col = file.leaves_px
                rows, cols = film.image.shape
                off = min(abs(row + 0.5), abs(row - rows + 0.5), abs(col + 0.5), abs(col - cols + 0.5))
                if off > 1e-9:  # under a frame, then: the film shows here, and two pixels on along the file no more
                    along = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(whole, axis=0), axis=1)))
                    fine = np.arange(0.0, along[-1], 0.25)
                    dense = np.column_stack([np.interp(fine, along, whole[:, k]) for k in (0, 1)])
                    here = np.linalg.norm(dense - file.leaves_px, axis=1).argmin()
                    at = np.rint(dense[[here - 1, here + 8]]).astype(int)
                    assert film.masks["film"][at[:, 0], at[:, 1]].tolist() == [1, 0]
                    framed += 1
                assert -0.5 - 1e-9 <= row <= rows - 0.5 + 1e-9
                assert -0.5 - 1e-9 <= col <= cols - 0.5 + 1e-9
                assert to_segments(file.leaves_px, whole) < 1e-9
                left += 1
    assert left >= 8  # most do
    assert framed >= 1


def test_a_stop_is_level_with_the_cusp_that_it_rests_on():
    """The plane of the stop's face, square to the file's straight part, holds the cusp; the length is that down to the tip."""
    for seed in range(3040, 3044):
        film = real(seed, files=2, kind="upper first molar")
        tooth = film.truth.teeth[0]
        cusps = {cusp.name: cusp.point_mm for cusp in tooth.cusps}
        for file in tooth.files:
            along = file.points_mm[1] - file.points_mm[0]
            along /= np.linalg.norm(along)
            assert (cusps[file.rests_on] - file.points_mm[0]) @ along == pytest.approx(0.0, abs=1e-6)
            length = np.linalg.norm(np.diff(file.points_mm, axis=0), axis=1).sum()
            assert length == pytest.approx(file.stop_to_tip_mm, rel=1e-3)


def test_files_stand_in_canals_of_their_own():
    film = real(3050, files=4)
    tooth = film.truth.teeth[0]
    assert len({file.canal for file in tooth.files}) == 4
    assert {canal.name for canal in tooth.canals if canal.holds == "file"} == {file.canal for file in tooth.files}
    for file in tooth.files:
        (canal,) = (one for one in tooth.canals if one.name == file.canal)
        end = file.points_mm[-1]
        if file.tip_short_mm > 0.1:
            assert np.linalg.norm(canal.points_mm - end, axis=1).min() < 0.06
        elif file.tip_short_mm < -0.1:
            assert np.linalg.norm(canal.points_mm[-1] - end) == pytest.approx(-file.tip_short_mm, abs=0.01)


def test_the_first_file_is_as_asked_for():
    film = real(
        3051, kind="lower first molar", file_canal=1, file_size_mm=0.15, tip_short_mm=-0.8, tip_angle_deg=75.0, files=2
    )
    file = film.truth.file
    assert (file.canal, file.size_mm, file.tip_angle_deg) == (film.truth.canals[1].name, 0.15, 75.0)
    assert file.tip_short_mm == pytest.approx(-0.8)


@pytest.mark.parametrize("wish", [True, False])
def test_the_stop_lies_where_it_was_asked_for(wish):
    for seed in range(3060, 3064):
        film = real(seed, files=1, stop_in_view=wish)
        assert wish == bool(inside(film.truth.file.stop_px, film.image.shape))
        # Under a frame it is not seen, either.
        at = tuple(np.rint(film.truth.file.stop_px).astype(int))
        assert film.truth.file.stop_in_view == (wish and bool(film.masks["film"][at]))


def test_a_hand_files_shaft_is_no_metal_on_the_mask_and_a_cap_is():
    bare = real(3070, files=1, kind="lower second premolar", **PLAIN)
    path = np.rint(bare.truth.file.path_px).astype(int)
    path = path[inside(path, bare.image.shape)]
    assert not bare.masks["metal"][path[:, 0], path[:, 1]].any()
    capped = real(3070, files=0, kind="lower second premolar", **(PLAIN | {"cap": "metal"}))
    tops = [cusp.px for cusp in capped.truth.teeth[0].cusps]
    orifice = capped.truth.canals[0].path_px[0]
    point = np.rint(0.6 * np.mean(tops, axis=0) + 0.4 * orifice).astype(int)
    assert capped.masks["metal"][tuple(point)] == 1
    assert capped.image[tuple(point)] > np.median(capped.image)


# --- canals and fillings --------------------------------------------------------------------------------------------------


def test_young_canals_are_wide_and_old_ones_closed():
    for seed in range(40):
        rng = np.random.default_rng(seed)
        wide = draw_kind(rng, "upper central incisor", distal_x=1.0, lumen="wide")
        (canal,) = wide.canals
        assert 0.9 <= canal.width_mm[0] <= 2.2
        if canal.open_apex:
            end = float(canal.radius(np.array([canal.curve.length_mm]))[0])
            root = wide.roots[0]
            assert root.blunt
            assert 2.0 * end == pytest.approx(canal.width_mm[1])
            assert np.linalg.norm(root.end_mm() - canal.curve.points_mm[-1]) < 0.5
        closed = draw_kind(rng, "upper central incisor", distal_x=1.0, lumen="obliterated")
        assert closed.canals[0].closed_mm > 0.5
    film = real(3080, lumen="obliterated", **PLAIN)
    assert film.truth.file is None
    canal = film.truth.teeth[0].canals[0]
    assert (canal.lumen_mm[canal.arc_mm < 0.5] == 0.0).all()


def test_a_closed_canal_is_dentine():
    """What the beam loses to pulp in an open canal it keeps in one that is closed over its length: path lengths, by hand."""
    tooth = draw_kind(np.random.default_rng(3), "lower canine", distal_x=1.0)
    projection = aim(source_object_mm=300.0, source_detector_mm=310.0, rows=300, cols=200, spacing_mm=(0.1, 0.1))
    (root,) = tooth.roots
    length = root.canals[0].curve.length_mm

    def dentine(canal):
        changed = type(root)((canal,), root.cervical_mm, root.apical_mm, root.taper, root.beyond_mm, root.blunt)
        scene = Scene(type(tooth)(tooth.crown, (changed,), tooth.chamber_half_mm, tooth.distal_x))
        return tooth_paths(scene, projection, Marks((300, 200)))["dentine"].sum() * 0.01 / (310.0 / 300.0) ** 2

    open_one = Canal("single", root.canals[0].curve, (0.8, 0.8), oval=1.0)
    shut = Canal("single", root.canals[0].curve, (0.8, 0.8), closed_mm=length - 0.2)
    # All but the part in the chamber and the last 0.2 mm; the foramen is 1.3 times as wide over 0.7 mm.
    assert dentine(shut) - dentine(open_one) == pytest.approx(np.pi * 0.16 * (length - 0.7), rel=0.12)


def test_voids_part_a_filling():
    curve = curve_from_bends([Bend(12.0)])
    canal = Canal("single", curve, (0.6, 0.3))
    filling = FillingInCanal(0, 11.0, 0.4, 0.02, "paste", 1.0, voids=((3.0, 4.0), (9.5, 12.0)))
    reach = [(-s.vertices[:, 2].max(), -s.vertices[:, 2].min()) for s in filling.solids(canal)]
    np.testing.assert_allclose(reach, [(1.0, 3.0), (4.0, 9.5)], atol=1e-9)
    over = FillingInCanal(0, 13.0, 0.4, 0.02)
    assert -over.solid(canal).vertices[:, 2].min() == pytest.approx(13.0)  # straight on beyond the foramen


def test_fillings_end_where_they_were_asked_for_and_are_marked():
    film = real(3090, kind="lower first molar", canals=3, filling=(0.5, None, 1.5), files=0, **PLAIN)
    first, second, third = film.truth.teeth[0].canals
    assert [one.holds for one in (first, second, third)] == ["filling", "nothing", "filling"]
    for one, canal, short in zip(film.truth.fillings, (first, third), (0.5, 1.5), strict=True):
        assert one.short_mm == pytest.approx(short)
        end = np.interp(canal.length_mm - short, canal.arc_mm, canal.path_px[:, 0])
        assert one.end_px[0] == pytest.approx(end, abs=0.1)
        middle = canal.path_px[len(canal.path_px) // 2]
        if inside(middle, film.image.shape):
            assert film.masks["filling"][tuple(np.rint(middle).astype(int))] == 1


# --- what is drawn --------------------------------------------------------------------------------------------------------


def test_what_is_left_out_is_never_drawn_and_what_is_included_always():
    for seed in range(40):
        mouth = draw_mouth(
            [seed, 1], Options(leave_out=("gutta-percha", "paste", "amalgam", "screw post", "clamp", *RARE))
        )
        named = {(w.what, w.material) for t in mouth.teeth for w in t.works} | {
            (w.what, w.material) for w in mouth.works
        }
        assert not {what for what, _ in named} & {"screw post", "clamp", "wire", "cone", "implant", "broken instrument"}
        fillings = {f.material for t in mouth.teeth for f in t.scene.fillings}
        assert fillings <= set(FILLINGS) - {"gutta-percha", "paste"}
        assert all(t.state == "erupted" and not t.kind.startswith("primary") for t in mouth.teeth)
    for seed in range(6):
        mouth = draw_mouth([seed, 2], Options(include=("implant", "wire", "cone", "unerupted", "primary"), files=0))
        assert {"implant", "wire", "cone"} <= {work.what for work in mouth.works}
        assert mouth.teeth[0].kind.startswith("primary")
        assert any(tooth.state == "unerupted" for tooth in mouth.teeth)


def test_kinds_and_lumens_can_be_left_out():
    """A withheld shape of tooth stands nowhere on the film; every name that can be left out means one thing."""
    assert len(set(THINGS)) == len(THINGS)
    for seed in range(25):
        mouth = draw_mouth([seed, 6], Options(leave_out=("lower first molar", "upper canine", "wide", "thin")))
        assert not {tooth.kind for tooth in mouth.teeth} & {"lower first molar", "upper canine"}
        assert all(tooth.lumen in ("usual", "obliterated") for tooth in mouth.teeth if tooth.state == "erupted")
    with pytest.raises(PhantomError, match="leave_out must leave one of usual, thin, wide, obliterated"):
        draw_mouth([1, 6], Options(leave_out=LUMENS))


def test_a_chooser_keeps_proportions_and_leaves_out():
    ask = Chooser(np.random.default_rng(0), ("b",))
    drawn = [ask.one(("a", "b", "c"), (1.0, 5.0, 3.0)) for _ in range(2000)]
    assert drawn.count("b") == 0
    assert drawn.count("c") / 2000 == pytest.approx(0.75, abs=0.04)  # four standard deviations of a share of 2000
    assert ask.one(("b",), (1.0,)) is None


def test_enough_of_everything_is_drawn():
    """Of 300 mouths: files from none to three and more, all fillings, posts and crowns, all kinds of canals."""
    mouths = [draw_mouth([seed, 3], Options()) for seed in range(300)]
    counts = [len(mouth.teeth[0].scene.files) for mouth in mouths]
    assert set(counts) == {0, 1, 2, 3, 4}
    assert 0.35 < np.mean([count > 0 for count in counts]) < 0.7
    teeth = [tooth for mouth in mouths for tooth in mouth.teeth]
    assert {f.material for t in teeth for f in t.scene.fillings} == set(FILLINGS)
    assert {t.lumen for t in teeth} == set(LUMENS)
    works = {work.what for tooth in teeth for work in tooth.works}
    assert {"cast post", "smooth post", "screw post", "fibre post", "crown", "pin", "clamp", "cavity"} <= works
    assert any(canal.joins is not None for t in teeth for canal in t.scene.tooth.canals)
    assert {len(t.scene.tooth.canals) for t in teeth} == {1, 2, 3, 4}


@pytest.mark.parametrize(("picture", "least"), [("bitewing", 4), ("panoramic", 10)])
def test_other_pictures_show_both_jaws(picture, least):
    """The jaws' crowns meet in the picture's middle, their roots point away from each other."""
    for seed in (3100, 3101):
        spacing = {} if picture == "panoramic" else {"spacing_mm": (0.11, 0.12)}
        film = make_phantom(seed, "real", picture=picture, size_px=(220, 300), **spacing)
        teeth = film.truth.teeth
        assert film.truth.facts["picture"] == picture
        assert len(teeth) >= least
        assert all(not tooth.files for tooth in teeth)
        jaws = [[tooth for tooth in teeth if tooth.kind.startswith(jaw)] for jaw in ("upper", "lower")]
        assert all(jaws)
        cusps, ends = (
            [np.mean([getattr(one, place) for tooth in jaw for one in getattr(tooth, part)], axis=0) for jaw in jaws]
            for part, place in (("cusps", "px"), ("roots", "apex_px"))
        )
        assert abs(cusps[0][0] - cusps[1][0]) < 0.3 * abs(ends[0][0] - ends[1][0])
        assert 60.0 < np.mean(cusps, axis=0)[0] < 160.0


def test_a_film_exposed_twice_shows_less_of_the_first_mouth():
    """Same seed, same truth; half the strength of every edge, and another mouth across it, hide some of the canals."""
    seen = []
    for seed in (5200, 5201, 5202):
        once, twice = (
            make_phantom(seed, "real", size_px=(300, 220), spacing_mm=(0.11, 0.11), exposed_twice=two)
            for two in (False, True)
        )
        assert (once.truth.facts.get("exposed_twice"), twice.truth.facts["exposed_twice"]) == (None, True)
        for one, other in zip(once.truth.canals, twice.truth.canals, strict=True):
            np.testing.assert_array_equal(one.path_px, other.path_px)
        seen.append([np.mean([c.visible.mean() for t in film.truth.teeth for c in t.canals]) for film in (once, twice)])
        assert np.corrcoef(once.image.ravel(), twice.image.ravel())[0, 1] < 0.98
    before, after = np.mean(seen, axis=0)
    assert after < 0.8 * before


def test_the_jaws_of_a_bitewing_are_not_mirrored_against_each_other():
    """On either side of the mouth the molars of both jaws lie to the same side of the premolars."""
    mouth = draw_mouth([7, 5], Options(picture="bitewing", kind="lower first molar", leave_out=("gap",)))
    at = {}
    for tooth in (*mouth.teeth, *mouth.opposing):
        at.setdefault(tooth.kind, tooth.shift_mm[0])
    lower = at["lower second molar"] - at["lower second premolar"]
    upper = at["upper second molar"] - at["upper second premolar"]
    assert lower * upper > 0.0
    distal = mouth.teeth[0].scene.tooth.distal_x
    assert lower * distal > 0.0
    for tooth in mouth.opposing:
        if tooth.kind == "upper first molar":
            out = tooth.out(np.array([[tooth.scene.tooth.distal_x, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 5.0]]))
            assert (out[0, 0] - out[1, 0]) * distal > 0.0
            assert out[2, 2] < out[1, 2]  # its crown looks down upon the lower one


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"picture": "photograph"}, "picture must be one of periapical, bitewing, panoramic: 'photograph'"),
        ({"picture": "bitewing", "exposed_twice": True}, "exposed_twice must be false for a bitewing picture"),
        ({"kind": "wolf tooth"}, "kind must be one of upper central incisor, .*: 'wolf tooth'"),
        ({"kind": "upper canine", "upper": False}, "upper must go with kind: False, 'upper canine'"),
        ({"kind": "upper canine", "canals": 3}, "canals must be 1 to 2 in this kind of tooth: 3"),
        ({"lumen": "huge"}, "lumen must be one of usual, thin, wide, obliterated: 'huge'"),
        ({"lumen": "obliterated", "files": 1}, "lumen must not be obliterated where there are files"),
        ({"files": 5}, "files must be 0 to 4: 5"),
        ({"files": True}, "files must be 0 to 4: True"),
        ({"files": 2, "file": False}, "file must go with files: False, 2"),
        ({"files": 3, "kind": "lower canine"}, "canals must be 1 to 2 in this kind of tooth: 3"),
        ({"roots": 1, "files": 4}, "roots, canals, files and filling must fit one kind of tooth"),
        ({"include": "wire"}, "include must be a row of names: 'wire'"),
        ({"include": ("crown",)}, "include must hold some of implant, wire, .*: 'crown'"),
        ({"leave_out": ("teeth",)}, "leave_out must hold some of gutta-percha, .*: 'teeth'"),
        ({"include": ("wire",), "leave_out": ("wire",)}, "leave_out must hold nothing that include holds: wire"),
        ({"shape": "J"}, "shape must be left out at level real: it belongs to the older levels"),
        ({"texture": 0.02}, "texture must be left out at level real"),
        ({"filling": 30.0}, "filling must end within the canal's .* mm: 30 mm short"),
        ({"tip_short_mm": 40.0, "files": 1}, "tip_short_mm must be -3 to the canal's"),
        (
            {"filling": (0.5,), "kind": "lower canine", "files": 1, "canals": 1},
            "files must be at most the tooth's 0 canals",
        ),
    ],
)
def test_wishes_that_cannot_be_met_are_refused(options, message):
    with pytest.raises(PhantomError, match=message):
        real(1, **options)


def test_the_older_levels_refuse_its_options():
    with pytest.raises(PhantomError, match='files must be left out at level typical: it belongs to level "real"'):
        make_phantom(1, "typical", files=2, **SMALL)


# --- bodies ---------------------------------------------------------------------------------------------------------------


def test_bodies_have_the_volumes_of_the_book():
    half = (1.2, 0.7, 2.0)
    assert bulge(np.zeros(3), half).volume_mm3() == pytest.approx(4 / 3 * np.pi * 1.2 * 0.7 * 2.0, rel=0.06)
    assert 0.8 < block(np.zeros(3), half).volume_mm3() / (8 * 1.2 * 0.7 * 2.0) < 1.0
    rod = pointed(np.array([0.0, 0.0, 5.0]), np.array([0.0, 0.0, -5.0]), 0.8, 0.4)
    frustum = np.pi * 10.0 / 3.0 * (0.64 + 0.32 + 0.16)
    assert rod.volume_mm3() == pytest.approx(frustum, rel=0.05)
    thread = screw(np.array([0.0, 0.0, 5.0]), np.array([0.5, 0.0, -5.0]), 0.8, depth_mm=0.2, pitch_mm=0.9)
    assert np.pi * 0.36 * 9.0 < thread.volume_mm3() < np.pi * 0.64 * 10.1
    radius = np.hypot(*(thread.vertices[200:400, :2] - [0.15, 0.0]).T)
    assert radius.max() > 0.7
    assert radius.min() < 0.72


def test_a_curve_in_a_plane_is_the_curve_of_its_curvature():
    arc = np.linspace(0.0, 11.0, 221)
    kappa = 0.2 * np.sin(arc[1:])
    tangent, normal = (0.1, -0.2, -0.95), (0.6, 0.5, 0.1)
    one = curve_in_plane(arc, kappa, tangent=tangent, normal=normal, start_mm=(1.0, 2.0, 3.0))
    other = curve_from_curvature(arc, kappa, 0.0 * kappa, tangent=tangent, normal=normal, start_mm=(1.0, 2.0, 3.0))
    np.testing.assert_allclose(one.points_mm, other.points_mm, atol=1e-10)
    np.testing.assert_allclose(one.tangents, other.tangents, atol=1e-10)
    np.testing.assert_allclose(one.kappa_per_mm, other.kappa_per_mm, atol=1e-12)
    with pytest.raises(PhantomError, match="arc_mm must be two or more rising numbers"):
        curve_in_plane([0.0, 0.0], [1.0])
    with pytest.raises(PhantomError, match="kappa must hold one value a step, 220: got"):
        curve_in_plane(arc, kappa[1:])


def test_a_mouth_seen_from_a_tooth_shows_the_same_pixels():
    mouth = draw_mouth([4, 4], Options())
    projection = aim(
        source_object_mm=290.0,
        source_detector_mm=300.0,
        rows=300,
        cols=400,
        spacing_mm=(0.07, 0.08),
        horizontal_deg=10.0,
    )
    for tooth in mouth.teeth:
        points = np.vstack([canal.curve.points_mm for canal in tooth.scene.tooth.canals])
        own = projection.seen_from(tooth.turn, tooth.shift_mm)
        np.testing.assert_allclose(own.pixels(points), projection.pixels(tooth.out(points)), atol=1e-8)
