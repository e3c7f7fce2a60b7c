"""Whole films: the same seed the same film, the truth that its own picture shows, every option what it says."""

import inspect
import json

import cv2
import numpy as np
import pytest

import wlmeasure.phantom
from wlmeasure.errors import PhantomError
from wlmeasure.image.reading import read
from wlmeasure.phantom import make_dataset, make_phantom, write_phantom
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.phantom.curve import Bend, curve_from_bends
from wlmeasure.phantom.exposure import sensor_marks
from wlmeasure.phantom.options import Options
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.scene import FillingInCanal
from wlmeasure.phantom.tooth import Canal

SMALL = {"spacing_mm": (0.06, 0.05), "size_px": (620, 420)}  # unequal, and quick
QUICK = {"neighbours": False, "file": False, "size_px": (310, 210), "spacing_mm": (0.12, 0.10)}
LINEAR = {"tone": "linear", "bits": 16, "photons": 1e6, "texture": 0.0}


def small(seed, level="typical", **options):
    return make_phantom(seed, level, **(SMALL | options))


def arc_px(points):
    return np.hypot(*np.diff(points, axis=0).T).sum()


def test_the_same_seed_gives_the_same_film_and_another_one_another():
    one, again, other = small(1000), small(1000), small(1001)
    np.testing.assert_array_equal(one.image, again.image)
    assert one.truth.to_json() == again.truth.to_json()
    assert not np.array_equal(one.image, other.image)


def test_an_option_of_the_detector_leaves_the_anatomy_as_it_was():
    one = small(1000)
    for change in (
        {"bits": 16},
        {"tone": "log"},
        {"photons": 100.0},
        {"neighbours": False},
        {"file": False},
        {"clamp": True},
    ):
        other = small(1000, **change)
        for a, b in zip(one.truth.canals, other.truth.canals, strict=True):
            np.testing.assert_array_equal(a.points_mm, b.points_mm)
        assert not np.array_equal(one.image, other.image)


@pytest.mark.parametrize("seed", range(1000, 1006))
def test_the_truth_agrees_with_itself(seed):
    """Lengths by adding up points, pixels by the projection's figures alone, the file on its canal."""
    phantom = small(seed, "hard")
    truth = json.loads(json.dumps(phantom.truth.to_json()))
    stored = truth["geometry"]["projection"]
    projection = Projection(
        stored["source_mm"], stored["detector_mm"], stored["down"], stored["right"], truth["rows"], truth["cols"],
        truth["mm_per_px_row"], truth["mm_per_px_col"], tuple(stored["detector_px"]),
    )  # fmt: skip
    assert len(truth["canals"]) == truth["tooth"]["canals"]
    for canal in truth["canals"]:
        points = np.array(canal["points_mm"])
        assert np.linalg.norm(np.diff(points, axis=0), axis=1).sum() == pytest.approx(canal["length_mm"], rel=3e-4)
        np.testing.assert_allclose(projection.pixels(points), canal["path_px"], atol=2e-3)
        assert canal["arc_mm"][-1] == canal["length_mm"]
        assert len(canal["kappa_per_mm"]) == len(canal["magnification"]) == len(points)
        away = np.linalg.norm(points[0] - np.array(canal["reference_mm"]))
        assert canal["coronal_mm"] == pytest.approx(away, abs=1e-4)
        assert canal["total_mm"] == pytest.approx(canal["coronal_mm"] + canal["length_mm"], abs=2e-5)
        assert 0.2 < np.linalg.norm(points[-1] - np.array(canal["apex_mm"])) < 1.6
        # A short stretch parallel to the detector is magnified by what is said: detector mm over mm.
        step = 1e-3 * np.array(stored["right"])
        pair = projection.pixels([points[7], points[7] + step])
        assert (pair[1, 1] - pair[0, 1]) * truth["mm_per_px_col"] / 1e-3 == pytest.approx(
            canal["magnification"][7], rel=1e-4
        )
    file = truth["file"]
    (canal,) = (one for one in truth["canals"] if one["name"] == file["canal"])
    assert file["stop_to_tip_mm"] + file["tip_short_mm"] == pytest.approx(canal["total_mm"], abs=2e-5)
    path = np.array(file["points_mm"])
    assert np.linalg.norm(np.diff(path, axis=0), axis=1).sum() == pytest.approx(file["stop_to_tip_mm"], rel=3e-4)
    assert file["stop_px"] == file["path_px"][0] == canal["reference_px"]
    assert file["tip_px"] == file["path_px"][-1]


@pytest.mark.parametrize(("seed", "sideways"), [(1000, False), (1003, True), (1008, False)])
def test_the_file_is_seen_where_the_truth_says(seed, sideways):
    """Centroid of the metal across its line, in the picture itself: within 0.15 px of the projected centre line."""
    options = {
        "spacing_mm": (0.030, 0.025),
        "size_px": (1000, 1240) if sideways else (1240, 1000),
        "sideways": sideways,
    }
    phantom = make_phantom(
        seed, "clear", file_size_mm=0.25, restoration=False, clamp=False, neighbours=False, **options, **LINEAR
    )
    density = -np.log(np.maximum(1.0 - phantom.image / 65535.0, 1e-4))
    path = phantom.truth.file.path_px
    errors = []
    for k in range(len(path) // 4, len(path) - 40, 6):
        along = path[k + 3] - path[k - 3]
        normal = np.array([-along[1], along[0]]) / np.hypot(*along)
        offsets = np.arange(-14, 14.01, 0.25)
        at = path[k] + offsets[:, None] * normal
        line = cv2.remap(
            density.astype(np.float32), at[:, 1:].astype(np.float32), at[:, :1].astype(np.float32), cv2.INTER_LINEAR
        )[:, 0]
        rest = np.abs(offsets) > 10
        line = line - np.polyval(np.polyfit(offsets[rest], line[rest], 1), offsets)
        weight = np.where(line > 0.35 * line.max(), line, 0.0)
        errors.append((weight * offsets).sum() / weight.sum())
    assert np.abs(np.median(errors)) < 0.15
    assert np.percentile(np.abs(errors), 80) < 0.5


def test_the_tip_fades_where_the_truth_says():
    """Along the file's line the metal ends at the tip: half a millimetre before it is there, half a millimetre past not."""
    bare = small(1003, "clear", file=False, **LINEAR)
    held = small(1003, "clear", file_size_mm=0.25, tip_short_mm=2.0, **LINEAR)
    np.testing.assert_allclose(
        held.truth.canals[0].path_px, bare.truth.canals[0].path_px, atol=60
    )  # shifted as a whole
    path, tip = held.truth.file.path_px, held.truth.file.tip_px
    step = (path[-1] - path[-11]) / 10.0
    density = -np.log(np.maximum(1.0 - held.image / 65535.0, 1e-4))

    def contrast(at):
        normal = np.array([-step[1], step[0]]) / np.hypot(*step)
        on, left, right = (density[tuple(np.rint(at + k * normal).astype(int))] for k in (0.0, 9.0, -9.0))
        return on - 0.5 * (left + right)

    assert contrast(tip - 10 * step) > contrast(tip + 10 * step) + 0.05


@pytest.mark.parametrize("sideways", [False, True])
@pytest.mark.parametrize("upper", [False, True])
def test_root_ends_lie_in_view_and_the_stop_where_it_was_asked_for(sideways, upper):
    size = (460, 620) if sideways else (620, 460)
    for seed in range(1000, 1003):
        for wish in (True, False):
            phantom = small(seed, stop_in_view=wish, sideways=sideways, upper=upper, size_px=size)
            rows, cols = phantom.image.shape
            assert (rows, cols) == size
            for canal in phantom.truth.canals:
                for px in (canal.apex_px, canal.path_px[-1]):
                    assert 20.0 < px[0] < rows - 21.0
                    assert 20.0 < px[1] < cols - 21.0
            stop = phantom.truth.file.stop_px
            inside = bool(0.0 <= stop[0] <= rows - 1.0 and 0.0 <= stop[1] <= cols - 1.0)
            assert inside == wish == phantom.truth.file.stop_in_view
            crown_to_apex = phantom.truth.canals[0].apex_px - phantom.truth.canals[0].reference_px
            if sideways:
                assert abs(crown_to_apex[1]) > abs(crown_to_apex[0])
            else:
                assert (crown_to_apex[0] < 0.0) == upper


def test_an_image_that_cannot_hold_the_tooth_is_refused():
    with pytest.raises(PhantomError, match=r"size_px must hold the tooth: .* take more pixels or a larger spacing"):
        make_phantom(1000, size_px=(300, 300), spacing_mm=(0.02, 0.02))


def test_options_are_what_they_say():
    phantom = small(
        1004, roots=2, canals=3, shape="C", out_of_plane=False, file_canal=1, file_size_mm=0.2, file_taper=0.04,
        tip_angle_deg=75.0, tip_short_mm=1.25, restoration=True, clamp=True, tilt_deg=(5.0, -20.0),
        technique="bisecting", source_detector_mm=300.0, object_detector_mm=9.0, bits=12, tone="gamma",
    )  # fmt: skip
    truth = phantom.truth
    assert (truth.facts["tooth"]["roots"], len(truth.canals)) == (2, 3)
    assert (truth.file.canal, truth.file.size_mm, truth.file.taper) == (truth.canals[1].name, 0.2, 0.04)
    assert (truth.file.tip_angle_deg, truth.file.tip_short_mm) == (75.0, pytest.approx(1.25))
    geometry = truth.facts["geometry"]
    assert (geometry["source_detector_mm"], geometry["source_object_mm"]) == (300.0, 291.0)
    assert (geometry["vertical_deg"], geometry["horizontal_deg"], geometry["technique"]) == (5.0, -20.0, "bisecting")
    assert truth.facts["restorations"]
    assert truth.facts["clamp"]
    assert (phantom.bits, phantom.image.dtype, truth.facts["detector"]["tone"]) == (12, np.uint16, "gamma")
    assert phantom.image.max() <= 4095
    assert phantom.mm_per_px == (0.06, 0.05)
    assert not phantom.image.flags.writeable
    for canal in truth.canals:  # planar canals of one shape: three of them in the plane of their start, C all through
        assert (canal.kappa_per_mm[-20:] > 0.0).all()


def test_a_tube_shift_moves_only_the_projection():
    """Two films of one tooth from two sides: one truth in 3-D."""
    one, other = (small(1005, tilt_deg=(0.0, angle)) for angle in (-15.0, 15.0))
    for a, b in zip(one.truth.canals, other.truth.canals, strict=True):
        np.testing.assert_array_equal(a.points_mm, b.points_mm)
    assert arc_px(one.truth.canals[0].path_px) != arc_px(other.truth.canals[0].path_px)


def test_levels_grow_harder():
    """Thinner canals and fewer photons from clear to faint, as the conditions of the performance tables say."""
    assert list(LEVELS) == ["clear", "typical", "faint", "hard", "real"]
    assert [(v.photons, v.canal_mm, v.texture) for v in LEVELS.values()][:3] == [
        (6000.0, (0.6, 0.30), 0.015),
        (4000.0, (0.6, 0.25), 0.020),
        (3000.0, (0.6, 0.20), 0.035),
    ]
    hard = small(1000, "hard")
    assert hard.truth.facts["restorations"] or hard.truth.facts["cap"]


def test_marks_of_the_sensor_are_told():
    """A corner is white and a read-out line stands out just where it is said, and nothing else changes."""
    flat = np.full((500, 400), 1000, np.uint16)
    seen = set()
    for seed in range(20):
        image, marks = sensor_marks(np.random.default_rng(seed), flat, 4095)
        corner, line = marks["corner_radius_px"], marks["line_col"]
        assert (image[0, 0] == image[-1, -1] == 4095) == (corner is not None)
        changed = np.flatnonzero(image[250] != 1000)
        assert changed.tolist() == ([] if line is None else [line])
        if line is not None:
            assert image[250, line] == 1000 + 4095 // 4
        seen |= {("corner", corner is not None), ("line", line is not None)}
    assert len(seen) == 4
    assert (flat == 1000).all()
    hard = small(1000, "hard").truth.facts["sensor_marks"]
    assert set(hard) == {"corner_radius_px", "line_col"}
    assert small(1000).truth.facts["sensor_marks"] is None


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        ((1, "easy"), {}, "level must be one of clear, typical, faint, hard, real: 'easy'"),
        ((-1,), {}, "seed must be a whole number >= 0: -1"),
        ((1.5,), {}, "seed must be a whole number >= 0: 1.5"),
        ((1,), {"colour": 1}, "option must be one of roots, .*: 'colour'"),
        ((1,), {"tilt_deg": (50.0, 0.0)}, "tilt_deg must be at most 45 degrees in size"),
        ((1,), {"tilt_deg": 5.0}, "tilt_deg must be two numbers: 5.0"),
        ((1,), {"spacing_mm": (0.02, 0.0)}, "spacing_mm must be > 0: 0"),
        ((1,), {"size_px": (10, 10)}, "size_px must be 64 to 4096 rows and columns"),
        ((1,), {"photons": -1.0}, "photons must be > 0: -1"),
        ((1,), {"texture": -1.0}, "texture must be >= 0: -1"),
        ((1,), {"out_of_plane": float("inf")}, "out_of_plane must be a finite number"),
        ((1,), {"file_canal": 7}, "file_canal must be 0 to"),
        ((1,), {"tip_short_mm": 40.0}, "tip_short_mm must be 0 to the canal's"),
        ((1,), {"file_taper": 0.5}, "taper must be 0 to 0.2 mm per mm: 0.5"),
        ((1,), {"file_size_mm": 0.0}, "size_mm must be > 0: 0"),
        ((1,), {"confluent": 1.5}, "confluent must be 0 to 1: 1.5"),
        ((1,), {"confluent": "yes"}, "confluent must be a number: 'yes'"),
        ((1,), {"cap": "gold"}, "cap must be metal, veneered, true, false or a share: 'gold'"),
        ((1,), {"cap": -0.1}, "cap must be 0 to 1: -0.1"),
        ((1,), {"cap": "metal", "restoration": True}, "restoration must be None or false under a cap"),
        ((1,), {"scatter": 1.2}, "scatter must be 0 to 1: 1.2"),
        ((1,), {"scatter": True}, "scatter must be a number: True"),
        ((1,), {"ramp_mm": 6.0}, "ramp_mm must be 0 to 5: 6"),
        ((1,), {"tip_angle_deg": 5.0}, "tip_angle_deg must be 10 to 180: 5"),
        ((1,), {"filling": -0.5}, "filling must be >= 0 mm short of the foramen: -0.5"),
        ((1,), {"filling": 40.0, "file": False}, "filling must end within the canal's"),
        ((1,), {"filling": (0.5,) * 9}, "filling must be one number or one a canal"),
        ((1,), {"filling": 0.5}, "filling must leave the file's canal empty"),
        ((1,), {"filling": 0.5, "filling_size_mm": 0.0}, "filling_size_mm must be > 0: 0"),
        ((1,), {"filling": 0.5, "filling_taper": 0.5}, "filling_taper must be 0 to 0.12"),
        ((1,), {"jpeg_quality": 90, "bits": 12}, "jpeg_quality must be None for more than 8 bits"),
    ],
)
def test_wishes_that_cannot_be_met_are_refused(arguments, options, message):
    with pytest.raises(PhantomError, match=message):
        make_phantom(*arguments, **(SMALL | options))


def test_every_option_is_described():
    for name in inspect.signature(Options).parameters:
        assert name in Options.__doc__, name


# --- root fillings --------------------------------------------------------------------------------------------------------

FILLED = {"roots": 2, "canals": 3, "file": False, "clamp": False, "cap": False, "restoration": False}


def test_a_filling_ends_where_it_was_asked_for():
    """One number a canal; the end by walking back along the canal's own points, the apex straight from there."""
    truth = small(1000, **FILLED, filling=(0.5, None, 2.0)).truth
    first, _, last = truth.canals
    assert [one.canal for one in truth.fillings] == [first.name, last.name]
    for one, canal, short in zip(truth.fillings, (first, last), (0.5, 2.0), strict=True):
        steps = np.linalg.norm(np.diff(canal.points_mm, axis=0), axis=1)
        left = steps[::-1].cumsum()[::-1]  # from each point on to the foramen, along chords
        back = int(np.argmin(np.abs(left - short)))
        assert np.linalg.norm(one.end_mm - canal.points_mm[back]) < 0.05
        assert one.short_mm == pytest.approx(short, abs=1e-9)
        assert one.to_apex_mm == pytest.approx(np.linalg.norm(canal.apex_mm - one.end_mm))
        np.testing.assert_allclose(one.end_px + one.to_apex_px, canal.apex_px)
        again = json.loads(json.dumps(truth.to_json()))["fillings"]
        assert [item["canal"] for item in again] == [first.name, last.name]


def test_a_filling_is_seen_down_to_its_end_and_no_farther():
    """The film with and without it differ along the canal above the end, and not below it (nor beside the tooth)."""
    options = {**FILLED, "canals": 2, "spacing_mm": (0.06, 0.05), "size_px": (620, 420), "neighbours": False, **LINEAR}
    short = 3.0
    plain, filled = (make_phantom(1000, "clear", **options, filling=end) for end in (None, short))
    gain = filled.image.astype(float) - plain.image.astype(float)
    for canal, one in zip(filled.truth.canals, filled.truth.fillings, strict=True):
        at = [tuple(np.round(canal.path_px[k]).astype(int)) for k in range(canal.arc_mm.size)]
        along = np.array([gain[place] for place in at])
        from_end = canal.length_mm - canal.arc_mm - one.short_mm
        bright = np.median(along[(from_end > 0.5) & (from_end < 3.0)])
        assert bright > 1000.0  # of 65535
        assert np.abs(along[from_end < -0.5]).max() < 0.05 * bright
        half = from_end[along > 0.5 * bright].min()
        assert abs(half) < 0.15  # the edge lies at the end, within three pixels of a film with blur
    assert np.abs(gain[:, :5]).max() < 0.05 * bright


def test_a_filling_is_as_wide_as_the_canal_was_shaped():
    """0.4 mm at its end and 0.06 wider a millimetre up, from the integral of what it adds across a straight canal."""
    line = curve_from_bends([Bend(12.0)])
    canal = Canal("single", line, (0.6, 0.2))
    one = FillingInCanal(0, 11.0, 0.40, 0.06)
    np.testing.assert_allclose(
        one.radius(canal, np.array([11.0, 10.0, 6.0, 11.5])), [0.20, 0.23, 0.35, 0.0], atol=1e-12
    )
    # Cone frustum from 0.2 to 0.53 mm half width over 11 mm.
    a, b = 0.20, 0.53
    assert one.solid(canal).volume_mm3() == pytest.approx(np.pi * 11.0 * (a * a + a * b + b * b) / 3.0, rel=0.002)


# --- canals that join, crowns, scatter, smooth canals -------------------------------------------------------------------


@pytest.mark.parametrize("level", ["clear", "typical", "faint"])
def test_what_came_later_is_off_where_films_are_quoted_by_seed(level):
    one = small(1001, level, **QUICK)
    off = small(1001, level, **QUICK, confluent=False, cap=False, scatter=0.0, ramp_mm=0.0)
    np.testing.assert_array_equal(one.image, off.image)
    assert one.truth.to_json() == off.truth.to_json()
    facts = one.truth.facts
    assert (facts["cap"], facts["scatter"], facts["ramp_mm"]) == (None, 0.0, 0.0)
    assert all(canal.joins is None for canal in one.truth.canals)


@pytest.mark.parametrize("seed", range(1010, 1013))
def test_joined_canals_share_their_end_and_one_owns_it(seed):
    """From the truth's points alone: the shared stretch is one line as long as said, above it the canals are apart, and the
    length of the joining canal is its own part and the shared one."""
    options = QUICK | {"roots": 1 + seed % 3, "canals": 2 + seed % 3}
    truth = json.loads(json.dumps(small(seed, confluent=True, **options).truth.to_json()))
    apart = small(seed, confluent=False, **options).truth
    joining = [canal for canal in truth["canals"] if canal["joins"] is not None]
    assert len(joining) == sum(
        1 for root in range(3) if sum(canal["root"] == root for canal in truth["canals"]) == 2
    ) >= 1  # fmt: skip
    for canal in joining:
        (owner,) = (one for one in truth["canals"] if one["name"] == canal["joins"]["canal"])
        assert owner["root"] == canal["root"]
        assert owner["joins"] is None
        before = next(one for one in apart.canals if one.name == owner["name"])
        np.testing.assert_allclose(owner["points_mm"], before.points_mm, atol=1e-5)  # it keeps its course
        own, trunk = np.array(canal["points_mm"]), np.array(owner["points_mm"])
        assert canal["points_mm"][-1] == owner["points_mm"][-1]
        assert canal["path_px"][-1] == owner["path_px"][-1]
        shared = canal["joins"]["mm_from_apex"]
        assert 1.15 < shared < 5.05
        from_end = canal["length_mm"] - np.array(canal["arc_mm"])
        distance = to_line(own, trunk)
        assert distance[from_end <= shared].max() < 1e-3
        assert distance[from_end > shared + 1.5].min() > 1e-3
        assert distance[0] > 1.0
        steps = np.linalg.norm(np.diff(own, axis=0), axis=1)
        assert steps.sum() == pytest.approx(canal["length_mm"], rel=3e-4)
        assert steps[from_end[1:] > shared].sum() + shared == pytest.approx(canal["length_mm"], abs=0.06)
        # Its own part cannot be shorter than the straight way to the meeting, nor much longer than the unjoined canal.
        meeting = np.array([np.interp(owner["length_mm"] - shared, owner["arc_mm"], trunk[:, k]) for k in range(3)])
        assert canal["length_mm"] - shared >= np.linalg.norm(own[0] - meeting) - 1e-4
        assert canal["length_mm"] < owner["length_mm"] + 1.5


def to_line(points, line):
    """Distance of points from a polyline."""
    start, way = line[:-1], np.diff(line, axis=0)
    share = np.clip(((points[:, None] - start) * way).sum(axis=2) / (way**2).sum(axis=1), 0.0, 1.0)
    return np.linalg.norm(points[:, None] - start - share[..., None] * way, axis=2).min(axis=1)


def test_a_file_goes_down_the_canal_that_joins():
    """Its tip ends in the shared stretch, so far short of the other's foramen as was asked for."""
    more = QUICK | {"file": True}
    for seed in (1010, 1012):
        bare = small(seed, roots=1, canals=2, confluent=True, **QUICK).truth
        index = next(k for k, canal in enumerate(bare.canals) if canal.joins)
        truth = small(seed, roots=1, canals=2, confluent=True, file_canal=index, tip_short_mm=0.5, **more).truth
        joiner, owner = truth.canals[index], truth.canals[1 - index]
        assert truth.file.canal == joiner.name
        assert truth.file.stop_to_tip_mm == pytest.approx(joiner.coronal_mm + joiner.length_mm - 0.5)
        tip = truth.file.points_mm[-1]
        on_owner = [np.interp(owner.length_mm - 0.5, owner.arc_mm, owner.points_mm[:, k]) for k in range(3)]
        np.testing.assert_allclose(tip, on_owner, atol=2e-3)


def test_a_crown_hides_the_coronal_part_and_leaves_the_roots():
    """Same tooth, same place: bright over the crown, and not one unit different below the neck but for noise."""
    wishes = {"roots": 2, "restoration": False, "clamp": False, "file": False} | LINEAR
    bare, under = (small(1003, cap=cap, **wishes) for cap in (False, "metal"))
    assert (bare.truth.facts["cap"], under.truth.facts["cap"]) == (None, "metal")
    assert under.truth.facts["restorations"] == []
    difference = under.image.astype(float) - bare.image
    crown = under.projection.pixels([[0.0, 0.0, 3.5]])[0]
    r, c = (round(float(v)) for v in crown)
    assert difference[r - 5 : r + 5, c - 30 : c + 30].min() > 0.05 * 65535
    root = under.projection.pixels([[0.0, 0.0, -3.0]])[0]
    assert np.abs(difference[round(float(root[0])) :]).mean() < 0.001 * 65535
    for a, b in zip(bare.truth.canals, under.truth.canals, strict=True):
        np.testing.assert_array_equal(a.path_px, b.path_px)


def test_scatter_veils_the_film():
    """Spread of grey over the film falls by about 1 / (1 + scatter), and the anatomy stays."""
    clear, veiled = (small(1003, scatter=scatter, **LINEAR) for scatter in (0.0, 0.3))
    assert veiled.truth.facts["scatter"] == 0.3
    np.testing.assert_array_equal(clear.truth.canals[0].path_px, veiled.truth.canals[0].path_px)
    fine = [image.image - cv2.GaussianBlur(image.image.astype(np.float32), (0, 0), 8.0) for image in (clear, veiled)]
    deep = slice(300, 450)  # roots and bone, far from full scale
    slope = (fine[0][deep] * fine[1][deep]).sum() / (fine[0][deep] ** 2).sum()
    assert slope == pytest.approx(1.0 / 1.3, rel=0.03)


def test_hard_films_have_all_of_it():
    """Over 10 seeds: scatter from 0 to 0.3 throughout, crowns and fillings one or the other, some canals that join."""
    films = [small(1000 + k, "hard", **(QUICK | {"size_px": (420, 300)})).truth for k in range(10)]
    scatter = np.array([truth.facts["scatter"] for truth in films])
    assert 0.0 <= scatter.min() < 0.1
    assert 0.2 < scatter.max() <= 0.3
    for truth in films:
        assert (truth.facts["cap"] is None) == bool(truth.facts["restorations"])
    assert 1 <= sum(truth.facts["cap"] is not None for truth in films) <= 9
    assert any(canal.joins for truth in films for canal in truth.canals)


def test_a_ramp_smooths_the_canals_of_a_film():
    sharp, smooth = (small(1004, shape="S", ramp_mm=ramp, **QUICK).truth for ramp in (0.0, 1.5))
    assert smooth.facts["ramp_mm"] == 1.5
    for a, b in zip(sharp.canals, smooth.canals, strict=True):
        assert np.abs(np.diff(b.kappa_per_mm)).max() < 0.5 * np.abs(np.diff(a.kappa_per_mm)).max()


# --- on disk ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "suffix", "bits"),
    [
        ({"bits": 8}, ".png", 8),
        ({"bits": 12}, ".png", 16),
        ({"bits": 16}, ".png", 16),
        ({"jpeg_quality": 85}, ".jpg", 8),
    ],
)
def test_a_written_film_is_read_back_as_it_was(tmp_path, options, suffix, bits):
    phantom = small(1006, **options)
    path = write_phantom(phantom, tmp_path, "one")
    assert path.name == f"one{suffix}"
    radiograph = read(path)
    np.testing.assert_array_equal(radiograph.values, phantom.image)
    assert (radiograph.bits, radiograph.bright_is_dense, radiograph.warnings) == (bits, True, ())
    truth = json.loads((tmp_path / "one.truth.json").read_text(encoding="utf-8"))
    assert truth == {"image": path.name, **phantom.truth.to_json()}
    assert (truth["schema"], truth["bits"]) == ("wlmeasure-phantom/1", phantom.bits)


def test_a_folder_is_the_same_bytes_again_and_begins_a_longer_one(tmp_path):
    for name, count in (("a", 3), ("b", 3), ("c", 5)):
        written = make_dataset(tmp_path / name, count, 1007, **SMALL)
        assert [path.stem for path in written] == [f"film_{k + 1:04d}" for k in range(count)]
    content = [{path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} for name in "abc"]
    assert content[0] == content[1]
    assert content[0].items() <= content[2].items()
    assert len(content[2]) == 10


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0, 1), "count must be 1 to 9999: 0"),
        ((True, 1), "count must be 1 to 9999: True"),
        ((1, -2), "seed must be a whole number >= 0: -2"),
        ((1, 1, "easy"), "level must be one of"),
    ],
)
def test_a_folder_that_cannot_be_made_is_refused_before_anything_is_written(tmp_path, arguments, message):
    with pytest.raises(PhantomError, match=message):
        make_dataset(tmp_path / "new", *arguments)
    assert not (tmp_path / "new").exists()


def test_the_room_publishes_these_names():
    assert wlmeasure.phantom.__all__ == ["Phantom", "make_dataset", "make_phantom", "make_views", "write_phantom"]
    with pytest.raises(AttributeError, match=r"module 'wlmeasure.phantom' has no attribute 'photograph'"):
        _ = wlmeasure.phantom.photograph
