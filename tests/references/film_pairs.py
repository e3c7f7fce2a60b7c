"""Pairs of films of one invented tooth over time, with the exact places of apexes and reference points on both.

Everything outside the tooth's form is drawn anew for the second film: treatment, exposure, distances, detector, bits, tone,
turn in the hand. The bone's pattern of a phantom is tied to its detector and not to the bone, so the second detector always has
another size: the patterns of the two films have nothing in common, where those of real films would help.
"""

from __future__ import annotations

from math import cos, radians, sin
from typing import Any, Literal

import cv2
import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph, SpacingClaim
from wlmeasure.phantom import Phantom, make_phantom

Float64 = NDArray[np.float64]
Kind = Literal["same", "tilted", "other"]

LEVEL = "typical"
TILT_STD_DEG, MOST_TILT_DEG = 2.5, 5.0
REFUSED_DEG = (15.0, 30.0)
TURN_STD_DEG = 4.0
OTHER_SEED = 100_000  # far from every seed that is drawn


@frozen(eq=False)
class Shot:
    """One film of a pair; `apexes_px` and `references_px` (canals, 2) are exact, `ends_px` are the file's tip or None."""

    radiograph: Radiograph
    mm_per_px: tuple[float, float]
    mm_per_px_object: float
    apexes_px: Float64
    references_px: Float64
    tilt_deg: tuple[float, float]


@frozen(eq=False)
class FilmPair:
    seed: int
    kind: Kind
    earlier: Shot
    later: Shot


def _turned(image: Any, points: list[Float64], spacing: tuple[float, float], deg: float, quarters: int) -> Any:
    """The film turned in the hand by `deg` and then by quarters of a circle; the points and the spacing go with it."""
    rows, cols = image.shape
    # In millimetres, so that it is a turn on a film of unequal spacing too.
    ratio = spacing[1] / spacing[0]
    c, s = cos(radians(deg)), sin(radians(deg))
    linear = np.array([[c, -s * ratio], [s / ratio, c]])
    centre = np.array([(rows - 1) / 2.0, (cols - 1) / 2.0])
    offset = centre - linear @ centre
    # cv2 counts (x, y).
    matrix = np.array([[linear[1, 1], linear[1, 0], offset[1]], [linear[0, 1], linear[0, 0], offset[0]]])
    turned = cv2.warpAffine(image, matrix, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    points = [p @ linear.T + offset for p in points]
    for _ in range(quarters % 4):
        width = turned.shape[1]
        turned = np.rot90(turned)
        points = [np.column_stack([width - 1 - p[:, 1], p[:, 0]]) for p in points]
        spacing = spacing[::-1]
    return np.ascontiguousarray(turned), points, spacing


def _shot(phantom: Phantom, deg: float, quarters: int, claimed: bool) -> Shot:
    canals = phantom.truth.canals
    apexes = np.array([c.apex_px for c in canals])
    references = np.array([c.reference_px for c in canals])
    image, (apexes, references), spacing = _turned(
        phantom.image, [apexes, references], phantom.mm_per_px, deg, quarters
    )
    geometry = phantom.truth.facts["geometry"]
    radiograph = Radiograph.from_array(image, name=f"phantom {phantom.seed}")
    claims = (SpacingClaim(spacing[0], spacing[1], "ImagerPixelSpacing", "detector", "detector"),) if claimed else ()
    radiograph = evolve(radiograph, col_over_row=spacing[1] / spacing[0], spacings=claims)
    return Shot(
        radiograph,
        spacing,
        float(np.mean(np.sqrt(spacing[0] * spacing[1]) / canals[0].magnification)),
        apexes,
        references,
        (geometry["vertical_deg"], geometry["horizontal_deg"]),
    )


def film_pair(seed: int, kind: Kind = "same") -> FilmPair:
    """The pair of that seed; a pair of the same tooth differs by at most 5 degrees a way, a tilted one by 15 to 30 sideways."""
    rng = np.random.default_rng([seed, {"same": 1, "tilted": 2, "other": 3}[kind]])
    common: dict[str, Any] = {"clamp": False}
    first: dict[str, Any] = {"file": bool(rng.random() < 0.4), "stop_in_view": True}
    earlier = make_phantom(seed, LEVEL, **common, **first)
    geometry = earlier.truth.facts["geometry"]
    tilt = np.array([geometry["vertical_deg"], geometry["horizontal_deg"]])
    change = np.clip(rng.normal(0.0, TILT_STD_DEG, 2), -MOST_TILT_DEG, MOST_TILT_DEG)
    if kind == "tilted":
        change[1] = rng.uniform(*REFUSED_DEG) * rng.choice([-1.0, 1.0])
        if abs(tilt[1] + change[1]) > 40.0:
            change[1] = -change[1]
    now = np.round(tilt + change, 3)
    pitch = float(rng.choice([0.018, 0.02, 0.025, 0.03]))
    stretch = float(rng.uniform(0.85, 1.2)) if rng.random() < 0.25 else 1.0
    rows = int(rng.uniform(35.5, 37.5) / pitch)
    cols = int(rng.uniform(24.0, 26.5) / (pitch * stretch)) | 1  # odd: never the first film's 1000 columns
    second: dict[str, Any] = {
        "size_px": (rows, cols),
        "spacing_mm": (pitch, round(pitch * stretch, 5)),
        "tilt_deg": (float(now[0]), float(now[1])),
        "source_detector_mm": float(rng.uniform(220.0, 400.0)),
        "object_detector_mm": float(rng.uniform(4.0, 14.0)),
        "technique": str(rng.choice(["paralleling", "square"])) if rng.random() < 0.3 else geometry["technique"],
        "bits": int(rng.choice([8, 12, 16])),
        "tone": str(rng.choice(["linear", "gamma", "sigmoid", "log"])),
        "photons": float(rng.uniform(2500.0, 8000.0)),
        "scatter": float(rng.uniform(0.0, 0.3)),
        "upper": geometry["upper"],
    }
    what = rng.random()
    second["file"] = False
    if what < 0.4:
        second["file"] = True
    elif what < 0.8:
        second["filling"] = float(rng.uniform(0.0, 2.0))
    if rng.random() < 0.15:
        second["cap"] = "metal"
    claimed = bool(rng.random() < 0.5)
    deg, quarters = float(rng.normal(0.0, TURN_STD_DEG)), int(rng.choice([0, 1, 2, 3], p=[0.65, 0.1, 0.15, 0.1]))
    later = make_phantom(seed + OTHER_SEED if kind == "other" else seed, LEVEL, **common, **second)
    return FilmPair(seed, kind, _shot(earlier, 0.0, 0, claimed), _shot(later, deg, quarters, claimed))
