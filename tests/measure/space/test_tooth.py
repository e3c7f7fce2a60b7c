"""Two films of a tooth in space: hand geometry, laws, priors, files of known length, refusals."""

from math import radians

import numpy as np
import pytest
from attrs import evolve
from scipy.optimize import least_squares

from wlmeasure.errors import MeasureError
from wlmeasure.measure.line_arc import Noise
from wlmeasure.measure.space.fit import layout_of, moved, residuals, solve
from wlmeasure.measure.space.scene import scene_of, start
from wlmeasure.measure.two_view import KnownFile, View, fit_views, one_film, refit
from wlmeasure.trace.spline import resample

ARC = 5.0 * radians(60.0)
HOOK = [(6.0,), (ARC, 0.2, 50.0)]
TRUE_MM = 6.0 + ARC


def fitted(views, **more):
    """Without an unseen tilt. Marks that are entered as exact to 2 um are more exact than a line with knots 0.9 mm apart can
    follow, so the misfit is not judged.
    """
    return fit_views(views, **{"common_vertical_std_deg": 0.0, "misfit_limit": 1e9, **more})


@pytest.mark.parametrize("plane", [0.0, 50.0, 90.0, 140.0])
@pytest.mark.parametrize("shift", [20.0, -30.0])
def test_an_arc_out_of_the_picture_plane(tooth_of, known, plane, shift):
    """Straight 6 mm, r 5 mm through 60 degrees: length 11.236 mm, Schneider's angle half of 60, Pruett's 60; the picture shows
    less. Known geometry and marks to 2 um.
    """
    tooth = tooth_of({"MB": [(6.0,), (ARC, 0.2, plane)]})
    views = [tooth.view(0.0, **known), tooth.view(shift, **known)]
    canal = fitted(views).canal("MB")
    assert canal.length_mm == pytest.approx(TRUE_MM, abs=0.03)
    assert canal.coronal_mm == 0.0
    assert canal.bends.schneider.deg == pytest.approx(30.0, abs=1.5)
    assert canal.bends.pruett.deg == pytest.approx(60.0, abs=2.5)
    assert canal.bends.radius_mm == pytest.approx(5.0, abs=0.25)
    assert canal.bends.form == "J"
    # The phantom room counts its planes from the right away from the source.
    towards = -canal.bends.planes[0].towards_deg % 360.0
    assert min(abs(towards - plane), 360.0 - abs(towards - plane)) < 7.0
    if plane == 90.0:
        assert one_film(views[0], "MB").length_mm < TRUE_MM - 0.3
        assert canal.bends.planes[0].out_of_film_deg > 75.0


def test_the_line_in_space_is_the_true_one(tooth_of, known):
    tooth = tooth_of({"MB": HOOK})
    result = fitted([tooth.view(0.0, **known), tooth.view(25.0, **known)])
    truth = tooth.canals["MB"].at(np.linspace(0.0, TRUE_MM, 400))
    path = result.canal("MB").path_mm
    centred = truth - truth[0]
    apart = np.linalg.norm((path - path[0])[:, None] - centred, axis=2).min(axis=1)
    assert apart.max() < 0.05
    for k, horizontal in enumerate((0.0, 25.0)):
        drawn = result.drawn_px(k, "MB")
        seen = resample(tooth.view(horizontal, **known).canals["MB"], 3000)
        assert np.hypot(*np.moveaxis(drawn[:, None] - seen, -1, 0)).min(axis=1).max() < 0.5
        assert result.films[k].horizontal_deg == pytest.approx(horizontal, abs=0.1)
        assert result.films[k].worst_mm < 0.02


def test_an_s_in_space_has_two_bends(tooth_of, known):
    """T3.7's S-curve, its second bend opposite: Schneider 15 and 20 degrees, 11.934 mm."""
    first, second = 6.0 * radians(30.0), 4.0 * radians(40.0)
    tooth = tooth_of({"MB": [(6.0,), (first, 1 / 6.0, 60.0), (second, 0.25, 240.0)]})
    canal = fitted([tooth.view(0.0, **known), tooth.view(30.0, **known)]).canal("MB")
    assert canal.bends.form == "S"
    assert canal.length_mm == pytest.approx(11.934, abs=0.03)
    assert canal.bends.schneider.deg == pytest.approx(15.0, abs=1.5)
    assert canal.bends.schneider_secondary.deg == pytest.approx(20.0, abs=3.0)
    assert canal.bends.largest.deg == pytest.approx(20.0, abs=3.0)


def test_least_squares_of_scipy_finds_the_same(tooth_of):
    """From the same start, with numeric derivatives."""
    rng = np.random.default_rng(4)
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0, errors=(rng, 0.02)), tooth.view(28.0, errors=(rng, 0.02), horizontal_std_deg=3.0)]
    scene = scene_of(views, (), (0.0, 28.0), 8.0, 0.0, (False, True))
    begin = start(scene)
    layout = layout_of(scene, begin)
    ours = solve(scene, begin, settled=1e-10)

    def of(step):
        return residuals(scene, layout, moved(begin, layout, step)).residual

    peer = least_squares(of, np.zeros(layout.size), x_scale="jac", method="trf", ftol=1e-12, xtol=1e-12)
    assert 2.0 * peer.cost == pytest.approx(ours.objective, abs=2e-3)
    length = moved(begin, layout, peer.x).lines[0].length_mm
    assert length == pytest.approx(ours.tooth.lines[0].length_mm, abs=2e-3)


def test_a_picture_on_its_side_and_other_pixels_change_nothing(tooth_of):
    """Rolled by 90 degrees, and unequal pixels of another size: the same canal."""
    tooth = tooth_of({"MB": HOOK})
    lengths = [
        fit_views([tooth.view(0.0, roll_deg=roll, spacing=spacing), tooth.view(25.0, roll_deg=roll, spacing=spacing)])
        .canal("MB")
        .length_mm
        for roll, spacing in ((0.0, (0.02, 0.031)), (0.0, (0.025, 0.017)), (90.0, (0.02, 0.031)), (180.0, (0.02, 0.02)))
    ]
    assert lengths == pytest.approx([lengths[0]] * 4, abs=2e-3)


def test_an_upright_film_needs_no_axis(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    for roll in (0.0, -90.0, 180.0):
        given, found = (
            fit_views([tooth.view(0.0, roll_deg=roll, **more), tooth.view(25.0, roll_deg=roll, **more)])
            for more in ({}, {"axis_deg": None})
        )
        assert found.canal("MB").length_mm == pytest.approx(given.canal("MB").length_mm, abs=1e-9)


def test_the_order_of_films_does_not_matter(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0, horizontal_std_deg=2.0), tooth.view(25.0, horizontal_std_deg=2.0)]
    one, other = (fit_views(order).canal("MB") for order in (views, views[::-1]))
    assert one.length_mm == pytest.approx(other.length_mm, rel=1e-3)
    assert one.length_std_mm == pytest.approx(other.length_std_mm, rel=0.05)


def test_a_scale_twice_as_large_doubles_the_length(tooth_of, known):
    """With marks so exact that what is known before counts for nothing."""
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0, source_mm=2000.0, **known), tooth.view(25.0, source_mm=2000.0, **known)]
    doubled = [evolve(view, mm_per_px=tuple(2.0 * size for size in view.mm_per_px)) for view in views]
    one, two = (fitted(films).canal("MB").length_mm for films in (views, doubled))
    assert two / one == pytest.approx(2.0, abs=0.01)


def test_a_third_film_that_agrees_never_widens_the_interval(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0), tooth.view(30.0), tooth.view(-30.0)]
    two, three = (fit_views(views[:count]).canal("MB").length_std_mm for count in (2, 3))
    assert three < two
    again = fit_views([*views, tooth.view(15.0)]).canal("MB").length_std_mm
    assert again <= three * 1.001


def test_two_films_swapped_are_the_mirror_image(tooth_of, known):
    """The shift entered the wrong way round: the length stands, the bend points to the other side."""
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0, **known), tooth.view(25.0, **known)]
    wrong = [views[0], evolve(views[1], tube_shift="distal")]
    right_canal, wrong_canal = (fitted(films).canal("MB") for films in (views, wrong))
    assert wrong_canal.length_mm == pytest.approx(right_canal.length_mm, rel=5e-3)
    assert right_canal.bends.planes[0].towards_deg == pytest.approx(-50.0, abs=7.0)
    assert wrong_canal.bends.planes[0].towards_deg == pytest.approx(50.0, abs=7.0)


def test_without_the_direction_the_side_is_unknown(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0), tooth.view(25.0)]
    unknown = fit_views([views[0], evolve(views[1], tube_shift=None)])
    assert not unknown.side_known
    assert "side-unknown" in [flag.code for flag in unknown.flags]
    known_length = fit_views(views).canal("MB").length_mm
    assert unknown.canal("MB").length_mm == pytest.approx(known_length, rel=5e-3)


def test_a_known_tilt_without_a_direction_widens_the_interval(tooth_of):
    """The mirror image is as good, and a tilt that is known lengthens it otherwise: both are in the interval."""
    tooth = tooth_of({"MB": [(6.0,), (ARC, 0.2, 90.0)]})
    views = [tooth.view(0.0, vertical_deg=15.0), tooth.view(25.0, vertical_deg=15.0)]
    told = [evolve(view, vertical_deg=15.0) for view in views]
    untold = [told[0], evolve(told[1], tube_shift=None)]
    one, two = (fit_views(films, common_vertical_std_deg=2.0).canal("MB") for films in (told, untold))
    low, high = one.length_interval_mm
    wide_low, wide_high = two.length_interval_mm
    assert low <= TRUE_MM <= high
    assert wide_low <= TRUE_MM <= wide_high
    assert wide_high - wide_low > 1.2 * (high - low)


def test_the_tilt_that_no_film_shows_is_most_of_the_uncertainty(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0), tooth.view(30.0)]
    narrow, wide = (fit_views(views, common_vertical_std_deg=std).canal("MB") for std in (0.0, 8.0))
    assert wide.length_std_mm > narrow.length_std_mm
    terms = {term.term: term.std_mm for term in wide.budget}
    assert max(terms, key=terms.get) == "tilt that no film shows"
    assert np.hypot.reduce(list(terms.values())) == pytest.approx(wide.length_std_mm, rel=1e-3)
    assert "tilt that no film shows" not in [term.term for term in narrow.budget]
    # A tilt hides length whichever way it goes: the median lies above the most probable line.
    steps = np.linalg.norm(np.diff(wide.path_mm, axis=0), axis=1).sum()
    assert wide.length_mm > steps


def test_a_file_of_known_length_fixes_the_length(tooth_of):
    """The tip 1 mm short of the end; the scale of both films is off by 4 %, and the file says so."""
    tooth = tooth_of({"MB": HOOK})
    tooth.points["tip"] = tooth.canals["MB"].at([TRUE_MM - 1.0])[0]
    views = [tooth.view(0.0), tooth.view(30.0)]
    off = [evolve(view, mm_per_px=tuple(1.04 * size for size in view.mm_per_px)) for view in views]
    file = KnownFile("MB", TRUE_MM - 1.0, 0.0, "tip")
    with_file = fit_views(off, files=[file], shared_scale_rel_std=0.1).canal("MB")
    without = fit_views(off, shared_scale_rel_std=0.1).canal("MB")
    assert with_file.length_mm == pytest.approx(TRUE_MM, abs=0.06)
    assert with_file.length_std_mm < 0.15 * without.length_std_mm
    ruler = fit_views(off, files=[evolve(file, length_std_mm=0.144)], shared_scale_rel_std=0.1).canal("MB")
    assert with_file.length_std_mm < ruler.length_std_mm < without.length_std_mm


def test_a_file_from_its_stop_and_a_reference_point(tooth_of):
    """Stop and reference point at one place, 7 mm above the canal: 7 mm and the canal are the whole."""
    tooth = tooth_of({"MB": HOOK})
    begin = tooth.canals["MB"].points_mm[0]
    tooth.points.update(stop=begin + np.array([0.0, 0.0, 7.0]), tip=tooth.canals["MB"].at([TRUE_MM - 0.5])[0])
    views = [tooth.view(0.0), tooth.view(30.0)]
    file = KnownFile("MB", 7.0 + TRUE_MM - 0.5, 0.05, "tip", stop="stop")
    canal = fit_views(views, files=[file], references={"MB": "stop"}).canal("MB")
    assert canal.length_mm == pytest.approx(7.0 + TRUE_MM, abs=0.1)
    assert canal.coronal_mm == pytest.approx(7.0, abs=0.15)
    assert canal.canal_mm == pytest.approx(canal.length_mm - canal.coronal_mm)
    low, high = canal.length_interval_mm
    assert low <= 7.0 + TRUE_MM <= high
    assert high - low < 0.5


def test_landmarks_and_further_canals_sharpen_the_geometry(tooth_of):
    other = {"DB": [(5.0,), (4.0, 0.1, 200.0)]}
    starts = {"DB": (4.0, 3.0, 5.0)}
    tooth = tooth_of({"MB": HOOK} | other, starts, {"B": (1.0, 4.0, 10.0), "L": (3.0, -4.0, 10.0)})
    loose = {"axis_std_deg": 4.0}
    views = [tooth.view(0.0, **loose), tooth.view(30.0, **loose)]
    alone = [evolve(view, canals={"MB": view.canals["MB"]}, points={}) for view in views]
    bare, rich = fit_views(alone), fit_views(views)
    assert rich.canal("MB").length_std_mm < 0.9 * bare.canal("MB").length_std_mm
    assert [point.name for point in rich.points] == ["B", "L"]
    between = rich.points[0].place_mm - rich.points[1].place_mm
    np.testing.assert_allclose(between, [-2.0, 8.0, 0.0], atol=0.35)
    assert set(rich.points_px(0)) == {"B", "L"}


def test_a_moved_point_is_fitted_from_the_result_before(tooth_of):
    rng = np.random.default_rng(6)
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0, errors=(rng, 0.01)), tooth.view(30.0, errors=(rng, 0.01))]
    before = fit_views(views)
    path = views[1].canals["MB"].copy()
    path[-1] += (4.0, 3.0)
    changed = [views[0], evolve(views[1], canals={"MB": path})]
    again, anew = refit(before, changed, bends=False), fit_views(changed)
    assert again.canal("MB").length_mm == pytest.approx(anew.canal("MB").length_mm, abs=2e-3)
    assert again.canal("MB").bends is None
    assert again.solution.iterations <= anew.solution.iterations
    assert refit(before, views).canal("MB").length_mm == pytest.approx(before.canal("MB").length_mm, abs=1e-3)


@pytest.mark.parametrize("shift", [0.0, 4.0, -8.0])
def test_a_shift_too_small_to_tell_depth_is_refused(tooth_of, shift):
    tooth = tooth_of({"MB": HOOK})
    with pytest.raises(MeasureError, match="horizontal_deg must differ by 10 degrees"):
        fit_views([tooth.view(0.0), tooth.view(shift)])


def test_films_of_two_teeth_are_refused(tooth_of):
    """The second film shows other canals under the same names."""
    starts = {"DB": (3.0, 2.0, 5.0)}
    tooth = tooth_of({"MB": HOOK, "DB": [(5.0,), (4.0, 0.1, 200.0)]}, starts)
    other = tooth_of({"MB": [(6.0,), (3.0, 0.2, 160.0)], "DB": [(7.0,), (5.0, 0.15, 20.0)]}, {"DB": (-2.0, 1.0, 4.0)})
    result = fit_views([tooth.view(0.0), other.view(30.0)])
    assert result.status == "views do not fit"
    assert result.canals == ()
    assert "views-do-not-fit" in [flag.code for flag in result.flags]
    assert result.drawn_px(1, "MB").shape[1] == 2
    assert result.to_json()["canals"] == []
    with pytest.raises(MeasureError, match="views do not fit"):
        result.canal("MB")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"canals": {}}, "canals must hold at least one path"),
        ({"canals": {"MB": [(1.0, 2.0)] * 4}}, "must have a length"),
        ({"mm_per_px": (0.0, 0.02)}, "mm_per_px must be > 0"),
        ({"horizontal_deg": 85.0}, "horizontal_deg must be -80 to 80"),
        ({"tube_shift": "left"}, "tube_shift must be none, mesial or distal"),
        ({"mesial_to": "front"}, "mesial_to must be left, right, up or down"),
        ({"axis_std_deg": -1.0}, "axis_std_deg must be >= 0"),
        ({"noise": Noise(0.0, 1.0)}, "noise.std_mm must be > 0"),
    ],
)
def test_films_that_say_nothing_are_refused(change, message):
    good = {"canals": {"MB": [(0.0, 0.0), (200.0, 5.0), (400.0, 30.0)]}, "mm_per_px": (0.02, 0.03)}
    with pytest.raises(MeasureError, match=message):
        View(**(good | change))


def test_names_that_are_on_one_film_only_are_refused(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0), tooth.view(30.0)]
    for more, message in (
        ({"files": [KnownFile("MB", 10.0, 0.1, "tip")]}, "the tip 'tip' must be marked"),
        ({"files": [KnownFile("ML", 10.0, 0.1, "tip")]}, "canal 'ML' must be traced"),
        ({"references": {"MB": "cusp"}}, "landmark 'cusp' must be marked"),
        ({"common_vertical_std_deg": -1.0}, "common_vertical_std_deg must be >= 0"),
    ):
        with pytest.raises(MeasureError, match=message):
            fit_views(views, **more)
    with pytest.raises(MeasureError, match="two films or more"):
        fit_views(views[:1])
    with pytest.raises(MeasureError, match="trace the same canal on both"):
        fit_views([views[0], evolve(views[1], canals={"DB": views[1].canals["MB"]})])
    shifted = [evolve(tooth.view(angle), tube_shift=None) for angle in (-15.0, 15.0)]
    with pytest.raises(MeasureError, match="whether the shifts add up"):
        fit_views(shifted)


def test_a_result_is_plain_json(tooth_of):
    import json

    tooth = tooth_of({"MB": HOOK}, points={"cusp": (1.0, 2.0, 10.0)})
    result = fit_views([tooth.view(0.0), tooth.view(30.0)])
    told = json.loads(json.dumps(result.to_json()))
    assert told["status"] == "fitted"
    assert told["canals"][0]["length_mm"] == pytest.approx(result.canal("MB").length_mm, abs=1e-4)
    assert told["canals"][0]["bends"]["schneider"]["interval_deg"][0] >= 0.0
    assert told["points"][0]["name"] == "cusp"
