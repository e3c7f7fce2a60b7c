"""Pictures that are no periapical films, made of films that are: bitewings, cuts of panoramic pictures, photographs.

They teach the network to say so, and nothing else: their maps are not asked for.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.detect.prepare import scaled_greys
from wlmeasure.errors import PhantomError
from wlmeasure.phantom.make import Phantom, make_phantom

__all__ = ["OTHERS", "other_picture"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

OTHERS = ("bitewing", "panoramic", "photograph")
SHARES = (0.45, 0.35, 0.2)
SIZE_PX, PITCH_MM = (520, 440), 0.06
WITH_CROWNS_MM = (8.5, 12.5)
"""How far from the cusps a bitewing reaches: past the cervix, not to a root's end; our parameter."""


def other_picture(seed: int) -> tuple[str, Float32, float] | None:
    """Kind, greys (rows, cols) and pixel size, mm, of a picture that is no periapical film; None where a draw fails."""
    rng = np.random.default_rng([seed, 23])
    kind = str(rng.choice(OTHERS, p=SHARES))
    if kind == "photograph":
        return kind, _photograph(rng), PITCH_MM
    count = 1 if kind == "bitewing" else 2
    rows = []
    for k, upper in enumerate((True, False)):
        strips = [_crown_down(seed, 4 * k + n, upper) for n in range(count)]
        if any(strip is None for strip in strips):
            return None
        told = [s for s in strips if s is not None]
        wanted = rng.uniform(*WITH_CROWNS_MM) / PITCH_MM
        parts = []
        for picture, edge in told:
            # The strip ends at the cusps, and begins where the kind of picture has its end.
            first = max(int(edge - wanted), 0) if kind == "bitewing" else 0
            part = picture[first : int(edge)]
            # One exposure has one tone: what is joined is brought to the same mean and spread.
            parts.append(np.clip(0.42 + 0.24 * (part - part.mean()) / (part.std() + 1e-3), 0.0, 1.0).astype(np.float32))
        tall = min(len(p) for p in parts)
        row = np.hstack([p[-tall:] for p in parts])
        rows.append(row if upper else row[::-1])
    wide = min(r.shape[1] for r in rows)
    gap = np.full((round(rng.uniform(0.0, 1.5) / PITCH_MM), wide), 0.03, np.float32)
    whole = np.vstack([rows[0][:, :wide], gap, rows[1][:, :wide]])
    pitch = PITCH_MM
    if kind == "panoramic":
        by = float(rng.uniform(0.4, 0.65))
        whole = cv2.resize(whole, None, fx=by, fy=by, interpolation=cv2.INTER_AREA)
        pitch /= by
    return kind, np.ascontiguousarray(whole, np.float32), pitch


def _crown_down(seed: int, number: int, upper: bool) -> tuple[Float32, float] | None:
    """Greys of a film stood with its crowns down, and the row of its cusps."""
    wish: dict[str, Any] = {"size_px": SIZE_PX, "spacing_mm": (PITCH_MM, PITCH_MM), "upper": upper, "file": False}
    try:
        film: Phantom = make_phantom(10 * seed + number, "real", **wish)
    except PhantomError:
        return None
    greys = scaled_greys(film.image.astype(np.float32))
    cusps = np.array([c.px for t in film.truth.teeth if t.state == "erupted" for c in t.cusps]).reshape(-1, 2)
    ends = np.array([r.apex_px for t in film.truth.teeth for r in t.roots]).reshape(-1, 2)
    if not len(cusps) or not len(ends):
        return None
    down = cusps.mean(axis=0) - ends.mean(axis=0)
    size = np.array(greys.shape)
    if abs(down[1]) > abs(down[0]):  # stand it up
        greys, quarter = np.rot90(greys), cusps.copy()
        cusps = np.column_stack([size[1] - 1.0 - quarter[:, 1], quarter[:, 0]])
        down = np.array([-down[1], down[0]])
    if down[0] < 0.0:
        greys, cusps = greys[::-1], np.column_stack([greys.shape[0] - 1.0 - cusps[:, 0], cusps[:, 1]])
    edge = float(np.clip(cusps[:, 0].mean() + 8.0, 120.0, greys.shape[0]))
    return np.asarray(greys, np.float32), edge


def _photograph(rng: np.random.Generator) -> Float32:
    """Soft and hard shapes of any grey: nothing that X-rays make."""
    shape = (int(rng.integers(320, 600)), int(rng.integers(320, 520)))
    coarse = rng.random((int(rng.integers(3, 9)), int(rng.integers(3, 9))), dtype=np.float32)
    picture = np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    for _ in range(int(rng.integers(4, 26))):
        at = int(rng.integers(shape[1])), int(rng.integers(shape[0]))
        axes = int(rng.integers(6, 160)), int(rng.integers(6, 160))
        grey = float(rng.random())
        if rng.random() < 0.5:
            cv2.ellipse(picture, at, axes, float(rng.uniform(0, 180)), 0, 360, grey, -1, cv2.LINE_AA)
        else:
            corners = np.array(at) + rng.integers(-120, 120, (4, 2))
            cv2.fillConvexPoly(picture, cv2.convexHull(corners.astype(np.int32)), grey, cv2.LINE_AA)
    noise = rng.standard_normal(shape, dtype=np.float32) * np.float32(rng.uniform(0.0, 0.05))
    return scaled_greys(cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.5, 2.5))) + noise)
