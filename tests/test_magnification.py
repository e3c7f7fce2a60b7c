"""What films magnify by: the geometry of two points, published figures, and the phantoms."""

from math import cos, radians

import numpy as np
import pytest

from wlmeasure.errors import CalibrationError
from wlmeasure.magnification import Exposures, magnification, usual_magnification


@pytest.mark.parametrize(
    ("near", "gap", "tooth", "detector", "expected"),
    [
        (380.0, 20.0, 0.0, 0.0, 1.0526),
        (380.0, 20.0, 10.0, 10.0, 1.0526),
        (380.0, 20.0, 20.0, 0.0, 19.7830 / 20.0),
        (380.0, 20.0, 0.0, 20.0, 22.4037 / 20.0),
        (380.0, 20.0, 15.0, -15.0, 1.0526),
        (180.0, 20.0, 15.0, -15.0, 1.1111),
        (381.0, 25.0, 0.0, 0.0, 1.0656),
        (280.0, 25.0, 0.0, 0.0, 1.0893),
    ],
)
def test_a_short_piece_by_similar_triangles(near, gap, tooth, detector, expected):
    """D/d of source-detector and source-tooth distance; cos a / cos b by Cieszynski's construction (a table worked out by
    casting rays, its limit for short objects)."""
    assert float(magnification(near, gap, tooth, detector)) == pytest.approx(expected, abs=6e-5)


def test_it_is_the_limit_of_central_projection():
    """A piece of 0.01 mm about the ray, both ends cast from the source onto the tilted detector."""
    near, gap, a, b = 300.0, 15.0, radians(12.0), radians(-7.0)
    source, normal = np.array([0.0, 0.0]), np.array([cos(b), -np.sin(b)])  # (along the ray, across)
    ends = []
    for s in (-0.005, 0.005):
        point = np.array([near - s * np.sin(a), s * cos(a)])
        at = source + (point - source) * (normal @ [near + gap, 0.0]) / (normal @ (point - source))
        ends.append(at)
    cast = float(np.hypot(*(ends[1] - ends[0]))) / 0.01
    assert float(magnification(near, gap, 12.0, -7.0)) == pytest.approx(cast, rel=1e-4)


def test_what_was_measured_with_wires_in_canals_lies_within_what_is_usual():
    """1.034 on film and 1.0947 on a direct sensor (Lazzerini et al., Radiol Med 1996;91:364-369)."""
    usual = usual_magnification()
    low, high = usual.mean * np.exp(np.array([-1.96, 1.96]) * usual.rel_std)
    assert low < 1.034 < 1.0947 < high
    assert 1.0 < usual.mean < 1.11


def test_fixed_distances_without_any_tilt_leave_no_spread():
    still = Exposures((300.0, 300.0), (15.0, 15.0), 0.0, 0.0, 0.0, 0.0)
    assert usual_magnification(still).mean == pytest.approx(1.05, rel=1e-12)
    assert usual_magnification(still).rel_std == pytest.approx(0.0, abs=1e-9)


def test_distances_alone_give_the_spread_of_their_ratio():
    """Uniform detector distance at one source distance: ln M of 100000 even places."""
    even = Exposures((300.0, 300.0), (3.0, 25.0), 0.0, 0.0, 0.0, 0.0)
    logs = np.log1p(np.linspace(3.0, 25.0, 100_001) / 300.0)
    assert usual_magnification(even).mean == pytest.approx(np.exp(logs.mean()), rel=1e-4)
    assert usual_magnification(even).rel_std == pytest.approx(logs.std(), rel=0.01)


@pytest.mark.parametrize(
    "members",
    [
        {"source_tooth_mm": (0.0, 400.0)},
        {"tooth_detector_mm": (25.0, 3.0)},
        {"bisecting_share": 1.5},
        {"tilt_std_deg": -1.0},
        {"held_std_deg": 61.0},
    ],
)
def test_exposures_that_cannot_be_are_named(members):
    with pytest.raises(CalibrationError, match=next(iter(members))):
        Exposures(**members)
