"""Canals in space and films of them by the phantom room's geometry, for hand-made cases."""

import numpy as np
import pytest

from wlmeasure.measure.line_arc import Noise
from wlmeasure.measure.space.views import View
from wlmeasure.phantom.curve import Bend, curve_from_bends
from wlmeasure.phantom.projection import aim

SPACING = (0.02, 0.031)


def bent(bends, shift_mm=(0.0, 0.0, 5.0)):
    """A canal of lines and arcs that starts at `shift_mm`, a little off the tooth's axis."""
    return curve_from_bends([Bend(*bend) for bend in bends], start_mm=shift_mm, tangent=(0.05, 0.1, -1.0))


class Tooth:
    """What is marked on films of it: canals (curves) and landmarks (points)."""

    def __init__(self, canals, points=None):
        self.canals, self.points = canals, points or {}

    def view(
        self, horizontal_deg, *, vertical_deg=0.0, roll_deg=0.0, spacing=SPACING, source_mm=300.0, errors=None, **more
    ):
        projection = aim(
            source_object_mm=source_mm,
            source_detector_mm=source_mm + 12.0,
            rows=1500,
            cols=1000,
            spacing_mm=spacing,
            horizontal_deg=horizontal_deg,
            vertical_deg=vertical_deg,
            roll_deg=roll_deg,
        )
        at_tooth = tuple(size * source_mm / (source_mm + 12.0) for size in spacing)
        canals = {
            name: projection.pixels(curve.at(np.linspace(0.0, curve.length_mm, 100)))
            for name, curve in self.canals.items()
        }
        if errors:
            rng, std_mm = errors
            canals = {name: path + rng.normal(0.0, std_mm, path.shape) / at_tooth for name, path in canals.items()}
        points = {name: projection.pixels(np.array([point]))[0] for name, point in self.points.items()}
        settings = {
            "horizontal_deg": horizontal_deg,
            "sensor": "with the tube",
            "tube_shift": "mesial" if horizontal_deg > 0 else "distal" if horizontal_deg < 0 else "none",
            "mesial_to": {0.0: "right", 90.0: "down", -90.0: "up", 180.0: "left"}[roll_deg],
            "axis_deg": -roll_deg,
        }
        return View(canals, at_tooth, points, **{**settings, **more})


KNOWN = {
    "scale_rel_std": 1e-4,
    "horizontal_std_deg": 0.01,
    "vertical_std_deg": 0.01,
    "axis_std_deg": 0.01,
    "noise": Noise(0.002, 0.0),
    "end_std_mm": 0.002,
    "point_std_mm": 0.002,
}
"""Everything entered as it is, to next to nothing."""


@pytest.fixture
def hooked():
    """Straight for 6 mm, then r 5 mm through 60 degrees, 50 degrees out of the picture plane; 11.236 mm."""
    return Tooth({"MB": bent([(6.0,), (5.0 * np.radians(60.0), 0.2, 50.0)])})


@pytest.fixture
def known():
    return dict(KNOWN)


@pytest.fixture
def tooth_of():
    """From bends of canals by name, the start of each, and landmarks by name."""

    def make(canals, starts=None, points=None):
        starts = starts or {}
        return Tooth({name: bent(bends, starts.get(name, (0.0, 0.0, 5.0))) for name, bends in canals.items()}, points)

    return make
