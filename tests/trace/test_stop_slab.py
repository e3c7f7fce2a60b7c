"""Stops in the clear: the free slab's face against discs whose path lengths are summed point by point along every ray."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from wlmeasure.trace.stop_slab import find_slab, fit_slab

Float64 = NDArray[np.float64]

PITCH = 0.025
S = np.arange(-6.0, 10.0, PITCH)  # the shaft runs down the picture, the stop's face towards the tip is at 0
U = np.arange(-4.0, 4.0 + 1e-9, PITCH)
RADIUS, THICK, SILICONE, STEEL = 1.5, 1.5, 0.05, 2.0


def disc(tilt_deg: float) -> Float64:
    """Path length through a round disc whose axis leans by `tilt_deg` towards the rays, summed over steps of 0.01 mm."""
    lean = np.deg2rad(tilt_deg)
    total = np.zeros((len(S), len(U)))
    for depth in np.arange(-2.2, 2.2, 0.01):
        axial = S * np.cos(lean) + depth * np.sin(lean)
        radial = depth * np.cos(lean) - S * np.sin(lean)
        within = (axial <= 0.0) & (axial >= -THICK)
        total += 0.01 * (within[:, None] & (radial[:, None] ** 2 + U[None] ** 2 <= RADIUS**2))
    return total


def picture(
    tilt_deg: float = 10.0,
    *,
    stop: bool = True,
    crown: float | None = 0.5,
    cusp: float = 0.0,
    clip: float | None = None,
    seed: int = 0,
    bow: bool = False,
) -> Float64:
    """Attenuation of shaft, stop, and a crown from `crown` mm on, higher by `cusp` mm on the right; clipped below at `clip`."""
    rows, cols = S[:, None], U[None]
    image = STEEL * 2.0 * np.sqrt(np.maximum(0.25**2 - cols**2, 0.0)) * np.ones_like(rows)
    if stop:
        image = image + SILICONE * disc(tilt_deg)
    if crown is not None:
        edge = crown - cusp * np.exp(-0.5 * ((cols - 1.2) / 0.5) ** 2)
        image = image + 0.6 * np.sqrt(np.clip(rows - edge, 0.0, 4.0))
    if bow:
        image = image + 3.0 * ((rows > -1.6) & (rows < -0.6))
    image = gaussian_filter(image, 0.04 / PITCH, mode="nearest")
    image = image + np.random.default_rng(seed).normal(0.0, 0.008, image.shape)
    return image if clip is None else np.maximum(image, clip)


def both(image: Float64):
    """The coarse slab and its fit, by the same strips as the finder makes."""
    along, across = np.arange(-6.0, 9.9, 0.1), np.arange(-27, 28) * 0.1

    def sample(s: NDArray[np.floating], u: NDArray[np.floating]) -> Float64:
        at = np.meshgrid((s - S[0]) / PITCH, (u - U[0]) / PITCH, indexing="ij")
        return map_coordinates(image, at, order=1, mode="nearest")

    strip = sum(sample(along + d, across) for d in (-0.025, 0.0, 0.025)) / 3.0
    shaft = strip[:, np.abs(across) < 0.15].mean(axis=1) - strip[
        :, (np.abs(across) > 0.3) & (np.abs(across) < 0.5)
    ].mean(axis=1)
    slab = find_slab(strip, along, across, shaft, float(np.percentile(image, 5)))
    return slab, None if slab is None else fit_slab(sample, slab, float(image.min()))


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 20.0])
def test_the_face_of_a_free_stop(tilt_deg: float) -> None:
    """The middle of the face, whatever the tilt: its rims lie up to 0.5 mm to either side."""
    slab, fit = both(picture(tilt_deg))
    assert slab is not None
    assert fit.at_mm == pytest.approx(0.0, abs=0.02)
    assert fit.std_mm < 0.03


@pytest.mark.parametrize("seed", range(3))
def test_a_cusp_over_one_side_moves_nothing(seed: int) -> None:
    slab, fit = both(picture(10.0, crown=0.4, cusp=0.8, seed=seed))
    assert slab is not None
    assert abs(fit.at_mm) < max(3.0 * fit.std_mm, 0.02)
    assert fit.std_mm < 0.06


@pytest.mark.parametrize("lost", [0.03, 0.06])
def test_rims_lost_in_saturated_air_are_part_of_the_model(lost: float) -> None:
    """A stop of height 0.15 of which 0.03 or 0.06 is lost: its edge at half of what is left lies 0.05 to 0.15 mm inside."""
    slab, fit = both(picture(15.0, clip=lost))
    assert slab is not None
    assert abs(fit.at_mm) < 3.0 * fit.std_mm
    assert abs(fit.at_mm) < 0.08


@pytest.mark.parametrize(
    "image",
    [
        pytest.param({"stop": False}, id="a crown alone"),
        pytest.param({"stop": False, "crown": None}, id="a shaft alone"),
        pytest.param({"stop": False, "bow": True}, id="the bow of a clamp"),
    ],
)
def test_nothing_else_is_a_stop(image: dict) -> None:
    slab, fit = both(picture(**image))
    assert slab is None or fit is None or fit.std_mm > 0.1


def test_a_covered_face_is_not_guessed() -> None:
    """The crown begins half a millimetre above the face on both sides: no face is stated, or one that says it is unsure."""
    _, fit = both(picture(5.0, crown=-0.6))
    assert fit is None or fit.std_mm > 0.05 or fit.explained < 0.1
