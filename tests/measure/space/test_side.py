"""Same lingual, opposite buccal: which of two things lies nearer to the source."""

import pytest
from attrs import evolve

from wlmeasure.errors import MeasureError
from wlmeasure.measure.two_view import buccal_or_lingual, fit_views

BENDS = {"MB": [(6.0,), (3.0, 0.2, 20.0)], "ML": [(5.0,), (4.0, 0.15, 0.0)]}


@pytest.mark.parametrize("shift", [20.0, -20.0])
@pytest.mark.parametrize("depth", [1.0, -1.0])
def test_the_canal_nearer_to_the_source_is_buccal(tooth_of, shift, depth):
    """Whichever way the tube went, and whichever way mesial lies on the film."""
    tooth = tooth_of(BENDS, {"ML": (0.5, -depth, 5.0)}, {"spot": (0.0, 3.0, 0.0)})
    views = [tooth.view(0.0), tooth.view(shift)]
    for flipped in (False, True):
        if flipped:
            tube = {"mesial": "distal", "distal": "mesial", "none": "none"}
            views = [evolve(v, mesial_to="left", tube_shift=tube[v.tube_shift]) for v in views]
        result = fit_views(views)
        told = buccal_or_lingual(result, "MB", "ML")
        assert told.side == ("buccal" if depth > 0.0 else "lingual")
        assert told.certainty > 0.95
        assert told.apart_mm == pytest.approx(depth, abs=0.5)
        assert buccal_or_lingual(result, "ML", "MB").side == ("lingual" if depth > 0.0 else "buccal")
        assert buccal_or_lingual(result, "spot", "MB").side == "buccal"


def test_nothing_is_said_without_the_direction_of_the_shift(tooth_of):
    tooth = tooth_of(BENDS, {"ML": (0.5, -2.0, 5.0)})
    views = [tooth.view(0.0), tooth.view(25.0)]
    for unknown in ({"tube_shift": None}, {"mesial_to": None}):
        told = buccal_or_lingual(fit_views([views[0], evolve(views[1], **unknown)]), "MB", "ML")
        assert told.side == "undetermined"
        assert told.certainty is None
        assert "was not entered" in told.reason
        assert told.to_json()["apart_mm"] is None


def test_canals_side_by_side_at_one_depth_are_undetermined(tooth_of):
    tooth = tooth_of({"MB": BENDS["MB"], "ML": BENDS["MB"]}, {"ML": (3.0, 0.0, 5.0)})
    told = buccal_or_lingual(fit_views([tooth.view(0.0), tooth.view(25.0)]), "MB", "ML")
    assert told.side == "undetermined"
    assert told.certainty < 0.95
    assert "same depth" in told.reason


def test_names_that_are_not_there_are_refused(tooth_of):
    tooth = tooth_of(BENDS, {"ML": (0.5, -2.0, 5.0)})
    result = fit_views([tooth.view(0.0), tooth.view(25.0)])
    with pytest.raises(MeasureError, match="canal or landmark"):
        buccal_or_lingual(result, "MB", "DB")
    with pytest.raises(MeasureError, match="another canal"):
        buccal_or_lingual(result, "MB", "MB")
