"""Films that are not what was entered of them: the sensor, a mirrored film, a tube that was not moved."""

from math import radians

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import MeasureError
from wlmeasure.measure.space.geometry import project
from wlmeasure.measure.space.scene import film_of, scene_of, start
from wlmeasure.measure.two_view import buccal_or_lingual, fit_views
from wlmeasure.phantom.projection import aim
from wlmeasure.record.spatial import against_names

HOOK = [(6.0,), (5.0 * radians(60.0), 0.2, 50.0)]
TRUE_MM = 6.0 + 5.0 * radians(60.0)
TWO = {"MB": HOOK, "ML": [(5.0,), (4.0, 0.1, 200.0)]}
STARTS = {"MB": (0.0, 1.5, 5.0), "ML": (3.0, -1.5, 5.0)}


def codes(tooth):
    return {flag.code for flag in tooth.flags}


def stayed_view(tooth, shift_deg):
    """The film of a tube moved by `shift_deg` onto a detector that stays as it was for the straight film."""
    view = tooth.view(shift_deg)
    projection = aim(
        source_object_mm=300.0, source_detector_mm=312.0, rows=1500, cols=1000, spacing_mm=(0.02, 0.031),
        horizontal_deg=shift_deg, detector_turn_deg=-shift_deg,
    )  # fmt: skip
    paths = {
        name: projection.pixels(curve.at(np.linspace(0.0, curve.length_mm, 100)))
        for name, curve in tooth.canals.items()
    }
    return evolve(view, canals=paths)


def test_a_sensor_that_stays_sees_the_tangent_of_the_shift(tooth_of):
    """Depth d on a detector that stays moves by d tan(shift), and by d sin(shift) on one that goes with the tube (same lingual,
    opposite buccal; 2 mm at 30 degrees: 1.155 and 1.000 mm), seen from afar.
    """
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0), tooth.view(30.0, source_mm=1e6)]
    for stays, expected in ((True, -2.0 * np.tan(radians(30.0))), (False, -2.0 * np.sin(radians(30.0)))):
        scene = scene_of(views, (), (0.0, 30.0), 0.0, 0.0, (False, stays))
        film = film_of(scene, start(scene), 1)
        near, middle = project(np.array([[0.0, 2.0, 0.0], [0.0, 0.0, 0.0]]), film, 1e6)[0]
        assert near[1] - middle[1] == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("stays", [True, False])
def test_the_way_of_taking_that_is_entered_gives_the_length(tooth_of, known, stays):
    tooth = tooth_of({"MB": HOOK})
    second = stayed_view(tooth, 40.0) if stays else tooth.view(40.0)
    views = [tooth.view(0.0), second]
    told, untold = (
        fit_views([evolve(view, sensor=sensor) for view in views], common_vertical_std_deg=0.0, bends=False)
        for sensor in ("stayed" if stays else "with the tube", None)
    )
    canal, either = told.canal("MB"), untold.canal("MB")
    assert told.sensor_stayed is None
    assert canal.length_mm == pytest.approx(TRUE_MM, abs=0.1)
    assert 0.0 <= untold.sensor_stayed <= 1.0
    low, high = either.length_interval_mm
    assert low <= TRUE_MM <= high
    assert high - low > np.subtract(*canal.length_interval_mm[::-1]) * 0.9


def test_mirroring_both_films_gives_the_same_length(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    views = [tooth.view(0.0), tooth.view(30.0, sensor=None)]
    mirrored = [evolve(view.mirrored(), mesial_to="left") for view in views]
    one, other = (fit_views(films, bends=False) for films in (views, mirrored))
    assert other.canal("MB").length_mm == pytest.approx(one.canal("MB").length_mm, rel=2e-3)
    assert other.sensor_stayed == pytest.approx(one.sensor_stayed, abs=0.02)
    again = views[1].mirrored().mirrored()
    np.testing.assert_allclose(again.canals["MB"], views[1].canals["MB"], atol=1e-9)


def test_one_film_mirrored_is_said_whichever_it_is(tooth_of):
    """Bends in the picture's plane: one film mirrored would have them 3.5 times as strong in depth (2 cos / sin)."""
    tooth = tooth_of({"MB": [(6.0,), (5.0 * radians(60.0), 0.2, 0.0)], "ML": [(5.0,), (4.0, 0.1, 180.0)]}, STARTS)
    views = [tooth.view(0.0), tooth.view(30.0)]
    assert not codes(fit_views(views, bends=False)) & {"film-mirrored", "shift-not-seen", "mesial-on-both-sides"}
    for films in ([views[0], views[1].mirrored()], [views[0].mirrored(), views[1]]):
        found = fit_views(films, bends=False)
        assert "film-mirrored" in codes(found)
        assert found.doubted


def test_mesial_on_both_sides_is_said(tooth_of):
    tooth = tooth_of({"MB": HOOK})
    found = fit_views([tooth.view(0.0, mesial_to="left"), tooth.view(30.0)], bends=False)
    assert "mesial-on-both-sides" in codes(found)
    assert found.doubted


def test_a_shift_that_the_films_do_not_show_is_said(tooth_of):
    tooth = tooth_of(TWO, STARTS)
    moved = evolve(tooth.view(2.0), horizontal_deg=30.0)
    assert "shift-not-seen" in codes(fit_views([tooth.view(0.0), moved], bends=False))


def test_a_shift_to_the_other_side_puts_canals_against_their_names(tooth_of):
    """MB lies 3 mm nearer to the source than ML."""
    tooth = tooth_of(TWO, STARTS)
    right = fit_views([tooth.view(0.0), tooth.view(30.0)], bends=False)
    assert against_names([buccal_or_lingual(right, "ML", "MB")]) == ()
    wrong = fit_views([tooth.view(0.0), tooth.view(30.0, tube_shift="distal")], bends=False)
    (side,) = against_names([buccal_or_lingual(wrong, "ML", "MB")])
    assert (side.name, side.side) == ("ML", "buccal")


def test_a_sensor_of_other_words_is_refused(tooth_of):
    with pytest.raises(MeasureError, match="sensor must be stayed or with the tube"):
        tooth_of({"MB": HOOK}).view(0.0, sensor="moved")
