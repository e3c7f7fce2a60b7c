"""Two or more films of one tooth, the tube shifted about it: what a single film cannot show.

Tooth, treatment, neighbours and detector are the same on every film, and so is the frame that all truth is given in. The
first film is the one that the seed gives by itself. The trabecular pattern is drawn anew on each: it is a texture of the
film, no body in space.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from wlmeasure.errors import PhantomError, check_finite
from wlmeasure.phantom.exposure import shift_tube
from wlmeasure.phantom.make import Phantom, set_up
from wlmeasure.phantom.projection import Projection

__all__ = ["MOST_VIEWS", "USUAL_SHIFT_DEG", "make_views", "usual_shifts"]

MOST_SHIFT_DEG = 45.0
"""Largest nominal shift; beyond it teeth beside hide the roots. Our parameter."""
MOST_VIEWS = 9
OFF_DEG = 5.0
"""How far a shift is off its nominal angle, at most; drawn evenly. Our parameter: a tube aimed by eye or a holder's scale."""
USUAL_SHIFT_DEG = 20.0
"""Common practice for telling buccal from lingual (20 to 30 degrees)."""


def usual_shifts(views: int, shift_deg: float) -> tuple[float, ...]:
    """Nominal shifts of so many films: none, `shift_deg`, and for a third film the same to the other side."""
    if isinstance(views, bool) or views not in (1, 2, 3):
        raise PhantomError(f"views must be 1, 2 or 3: {views!r}")
    return (0.0, shift_deg, -shift_deg)[:views]


def make_views(
    seed: int, level: str = "typical", *, shifts_deg: tuple[float, ...] = (0.0, USUAL_SHIFT_DEG), **options: Any
) -> tuple[Phantom, ...]:
    """Films of one tooth, one for each nominal shift of the tube; the same seed gives the same films every time.

    The truth's `shift` says of each film how the tube stood against the first film's own horizontal angulation:
    `nominal_deg` and `true_deg`, both towards `direction` ("none", "mesial" or "distal", as it was meant; with "none" the true
    one is positive towards mesial), and `mesial_to` ("left", "right", "up" or "down"): where mesial lies on the film. The
    true shift is up to 5 degrees off; vertical angle, turn in the plane, distances and place differ a little, too
    (`shift_tube`). What a film is hangs on its number and its own shift alone: three films begin with the same two.

    Parameters
    ----------
    seed, level, **options
        As for `make_phantom`.
    shifts_deg
        Nominal horizontal shifts about the tooth's axis, towards mesial where positive, towards distal where negative. A
        first film of 0 is that of `make_phantom`, its shift exact.

    Raises
    ------
    PhantomError
        As `make_phantom`; fewer than two shifts or more than 9, a shift beyond 45 degrees.
    """
    if not isinstance(shifts_deg, (tuple, list)) or not 2 <= len(shifts_deg) <= MOST_VIEWS:
        raise PhantomError(f"shifts_deg must be 2 to {MOST_VIEWS} angles: {shifts_deg!r}")
    for shift in shifts_deg:
        if abs(check_finite(PhantomError, "shifts_deg", shift)) > MOST_SHIFT_DEG:
            raise PhantomError(f"shifts_deg must be at most {MOST_SHIFT_DEG:g} degrees in size: {shift:g}")
    sitting = set_up(seed, level, options)
    mesial_x = -sitting.scene.tooth.distal_x
    made = []
    for number, (shift, stream) in enumerate(zip(shifts_deg, sitting.again.spawn(len(shifts_deg)), strict=True)):
        if number == 0 and shift == 0.0:
            made.append(sitting.first_film(_told(0.0, 0.0, sitting.projection, mesial_x)))
            continue
        aimed, surface, noise = (np.random.default_rng(one) for one in stream.spawn(3))
        true = shift + aimed.uniform(-OFF_DEG, OFF_DEG)
        # Source towards +x is a positive horizontal angulation (`aim`).
        projection, geometry = shift_tube(
            aimed, sitting.projection, sitting.geometry, sitting.scene, sitting.references_mm, sitting.wish,
            mesial_x * true,
        )  # fmt: skip
        moved = mesial_x * (geometry["horizontal_deg"] - sitting.geometry["horizontal_deg"])
        told = _told(float(shift), moved, projection, mesial_x)
        made.append(sitting.film(projection, geometry, surface, noise, told))
    return tuple(made)


def _told(nominal_deg: float, true_deg: float, projection: Projection, mesial_x: float) -> dict[str, Any]:
    """The truth's `shift`: sizes along the direction that was meant."""
    towards = -1.0 if nominal_deg < 0.0 else 1.0
    return {
        "nominal_deg": abs(nominal_deg),
        "true_deg": round(towards * true_deg, 4) + 0.0,
        "direction": "mesial" if nominal_deg > 0.0 else "distal" if nominal_deg < 0.0 else "none",
        "mesial_to": _mesial_to(projection, mesial_x),
    }


def _mesial_to(projection: Projection, mesial_x: float) -> str:
    """Which way mesial lies on a film: along the axis of the image that runs most along the tooth's x."""
    down, right = mesial_x * projection.down[0], mesial_x * projection.right[0]
    if abs(right) >= abs(down):
        return "right" if right > 0.0 else "left"
    return "down" if down > 0.0 else "up"
