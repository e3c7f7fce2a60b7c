"""Two views at right angles: the angle in space."""

from __future__ import annotations

from math import atan2, cos, degrees, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import MeasureError
from wlmeasure.measure.two_view import orthogonal_views_deg


def test_a_clinical_view_hides_most_of_a_bend() -> None:
    """T3.10, derived: 13.81 and 36.06 degrees (means of mandibular molars, Gu et al. 2010) make 37.5 in space."""
    assert orthogonal_views_deg(13.81, 36.06) == pytest.approx(37.5, abs=0.05)


@given(bend=st.floats(0.0, 80.0), plane=st.floats(0.0, 90.0))
def test_a_direction_projected_on_two_planes_comes_back(bend: float, plane: float) -> None:
    """A canal leaning by `bend` in any plane, seen along two axes at right angles."""
    x, y, z = sin(radians(bend)) * cos(radians(plane)), sin(radians(bend)) * sin(radians(plane)), cos(radians(bend))
    seen = degrees(atan2(abs(x), z)), degrees(atan2(abs(y), z))
    assert orthogonal_views_deg(*seen) == pytest.approx(bend, abs=1e-6)


@pytest.mark.parametrize("angle", [-1.0, 90.0, float("nan")])
def test_an_angle_that_no_view_shows_is_refused(angle: float) -> None:
    with pytest.raises(MeasureError, match="deg"):
        orthogonal_views_deg(10.0, angle)
