"""A film's geometry against the independent simulator, OpenCV's projection, scipy's rotations and the phantom room."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wlmeasure.measure.space.geometry import COUNT, HORIZONTAL, ROLL, SCALE, TILT, TURN, VERTICAL, project
from wlmeasure.phantom.projection import aim

TRUTH = Path(__file__).resolve().parents[3] / "sample_images" / "truth"
ANGLE = st.floats(-35.0, 35.0)
TOOTH = np.random.default_rng(3).uniform((-6.0, -6.0, -12.0), (6.0, 6.0, 12.0), (30, 3))


def film(**degrees):
    names = {"horizontal": HORIZONTAL, "vertical": VERTICAL, "roll": ROLL, "tilt": TILT, "turn": TURN}
    row = np.zeros(COUNT)
    for name, value in degrees.items():
        row[names[name]] = np.radians(value)
    return row


def reference(name):
    table = np.loadtxt(TRUTH / f"{name}_canal.csv", delimiter=",", skiprows=1)
    return table[:, :3], table[:, 3:5], json.loads((TRUTH / f"{name}.json").read_text())


@pytest.mark.parametrize(
    ("before", "turned_deg", "name"),
    [
        ("ref_p45_h00_v00", 0.0, "ref_p45_h25_v00"),
        ("ref_scurve_h00_v00", 0.0, "ref_scurve_h30_v00"),
        ("ref_p00_h00_v00", 30.0, "ref_p30_h20_v00"),  # the same tooth, its bend 30 degrees out of the picture plane
        ("ref_p00_h00_v00", 30.0, "ref_p30_h00_v15"),
        ("ref_p00_h00_v00", 60.0, "ref_p60_h00_v00"),
    ],
)
def test_pixels_of_the_independent_simulator(before, turned_deg, name):
    """The tooth of one reference film, seen as the other film was taken: pixels to 0.01."""
    tooth, _, _ = reference(before)
    tooth = tooth @ Rotation.from_euler("z", turned_deg, degrees=True).as_matrix().T
    _, expected, facts = reference(name)
    place, _, _ = project(tooth, film(horizontal=facts["horiz_deg"], vertical=facts["vert_deg"]), 392.0)
    rows, cols = facts["size"]
    px = place * facts["magnification_at_axis"] / facts["pixel_mm"] + [(rows - 1) / 2, (cols - 1) / 2]
    assert np.abs(px - expected).max() < 0.01


@settings(max_examples=30)
@given(horizontal=ANGLE, vertical=ANGLE, roll=st.floats(-180.0, 180.0))
def test_pixels_of_opencv(horizontal, vertical, roll):
    """A camera at the source that looks at the tooth, its rows down. It sees the picture from the other side of the film, so
    its columns are ours from right to left; pixels of 0.02 mm.
    """
    turned = Rotation.from_euler("z", horizontal, degrees=True)
    tilted = Rotation.from_euler("x", vertical, degrees=True)
    look = np.array([[-1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, -1.0, 0.0]])  # left, down, away from the source
    in_plane = Rotation.from_euler("z", -roll, degrees=True).as_matrix()
    world = in_plane @ look @ (tilted * turned).as_matrix()
    focal = 300.0 / 0.02
    seen, _ = cv2.projectPoints(
        TOOTH,
        cv2.Rodrigues(world)[0],
        np.array([0.0, 0.0, 300.0]),
        np.array([[focal, 0.0, 0.0], [0.0, focal, 0.0], [0.0, 0.0, 1.0]]),
        None,
    )
    place, _, _ = project(TOOTH, film(horizontal=horizontal, vertical=vertical, roll=roll), 300.0)
    assert np.abs(place / 0.02 - seen[:, 0, ::-1] * (1.0, -1.0)).max() < 0.01


@settings(max_examples=30)
@given(horizontal=ANGLE, vertical=ANGLE, roll=st.floats(-180.0, 180.0), tilt=ANGLE, turn=ANGLE)
def test_pixels_of_the_phantom_room_on_a_turned_detector(horizontal, vertical, roll, tilt, turn):
    """Unequal pixels; the picture at the detector is that at the tooth, enlarged about the source."""
    spacing = (0.02, 0.031)
    projection = aim(
        source_object_mm=280.0,
        source_detector_mm=305.0,
        rows=1500,
        cols=1000,
        spacing_mm=spacing,
        horizontal_deg=horizontal,
        vertical_deg=vertical,
        roll_deg=roll,
        detector_tilt_deg=tilt,
        detector_turn_deg=turn,
    )
    place, _, _ = project(TOOTH, film(horizontal=horizontal, vertical=vertical, roll=roll, tilt=tilt, turn=turn), 280.0)
    px = place * (305.0 / 280.0) / spacing + np.array(projection.centre_px)
    assert np.abs(px - projection.pixels(TOOTH)).max() < 1e-6


def test_derivatives_are_those_of_small_steps():
    row = film(horizontal=21.0, vertical=-9.0, roll=12.0, tilt=7.0, turn=-15.0)
    row[SCALE] = 0.05
    _, by_point, by_film = project(TOOTH, row, 250.0)
    step = 1e-6
    for k in range(COUNT):
        moved = row + step * (np.arange(COUNT) == k)
        back = row - step * (np.arange(COUNT) == k)
        numeric = (project(TOOTH, moved, 250.0)[0] - project(TOOTH, back, 250.0)[0]) / (2.0 * step)
        np.testing.assert_allclose(by_film[..., k], numeric, atol=1e-6)
    for k in range(3):
        change = step * (np.arange(3) == k)
        numeric = (project(TOOTH + change, row, 250.0)[0] - project(TOOTH - change, row, 250.0)[0]) / (2.0 * step)
        np.testing.assert_allclose(by_point[..., k], numeric, atol=1e-6)
