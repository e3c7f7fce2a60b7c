"""Which of two things on shifted films lies buccal: parallax, judged with all that the fit knows of how the films were taken.

When the tube is moved, what lies nearer to the source (buccal: the tube stands outside the mouth) moves on the film against the
tube's direction, and what lies further away with it: same lingual, opposite buccal. Things that stand side by side move
against each other too, since a turned view is foreshortened and scales differ; so the depths of the fit are compared, and
not the marks alone. Without the direction of the shift the mirror image fits as well, and nothing is said.
"""

from __future__ import annotations

from math import erf, sqrt
from typing import Any, Literal

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.space.curve import line_of
from wlmeasure.measure.space.fit import layout_of
from wlmeasure.measure.space.tooth import SpatialTooth

__all__ = ["SideOf", "buccal_or_lingual"]

Float64 = NDArray[np.float64]

LEAST_CERTAINTY = 0.95  # our parameter: probability from which a side is named


@frozen
class SideOf:
    """Where one thing lies against another.

    Attributes
    ----------
    name, other
        Canals or landmarks.
    side
        Of `name` as seen from `other`; ``undetermined`` where the probability is too small or the shift's direction unknown.
    certainty
        Probability of that side, 0.5 to 1; None without the direction of the tube shift.
    apart_mm, std_mm
        How much nearer to the source `name` lies, and its standard uncertainty; without the direction its sign is chance.
    reason
        Why it is undetermined, in plain words; empty otherwise.
    """

    name: str
    other: str
    side: Literal["buccal", "lingual", "undetermined"]
    certainty: float | None
    apart_mm: float
    std_mm: float
    reason: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "other": self.other,
            "side": self.side,
            "certainty": None if self.certainty is None else round(self.certainty, 4),
            "apart_mm": round(self.apart_mm, 3) if self.certainty is not None else None,
            "std_mm": round(self.std_mm, 3),
            "reason": self.reason,
        }


def buccal_or_lingual(
    tooth: SpatialTooth, name: str, other: str, *, least_certainty: float = LEAST_CERTAINTY
) -> SideOf:
    """Whether `name` lies buccal or lingual of `other`; canals are compared over the heights that both have.

    Raises
    ------
    MeasureError
        Films that do not fit, or a name that is no canal or landmark on two of them.
    """
    if tooth.status != "fitted":
        raise MeasureError("tooth must be fitted: the films contradict each other; see its flags")
    if name == other:
        raise MeasureError(f"other must be another canal or landmark than {name!r}")
    heights = [_heights(tooth, one) for one in (name, other)]
    low, high = max(h[0] for h in heights), min(h[1] for h in heights)
    one, by_one = _depth(tooth, name, low, high)
    two, by_two = _depth(tooth, other, low, high)
    apart, slopes = one - two, by_one - by_two
    std = float(np.sqrt(max(float(slopes @ tooth.solution.covariance @ slopes), 0.0)))
    if not tooth.side_known:
        reason = "the direction of the tube shift, or where mesial lies on the film, was not entered"
        return SideOf(name, other, "undetermined", None, apart, std, reason)
    certainty = 0.5 * (1.0 + erf(abs(apart) / max(std, 1e-9) / sqrt(2.0)))
    if certainty < least_certainty:
        reason = "they lie too near to the same depth to tell"
        return SideOf(name, other, "undetermined", certainty, apart, std, reason)
    return SideOf(name, other, "buccal" if apart > 0.0 else "lingual", certainty, apart, std)


def _heights(tooth: SpatialTooth, name: str) -> tuple[float, float]:
    """Lowest and highest place of a canal along the tooth; a landmark has no bounds."""
    scene = tooth.scene
    if name in scene.names:
        heights = tooth.solution.tooth.lines[scene.names.index(name)].points()[:, 2]
        return float(heights.min()), float(heights.max())
    if name in scene.landmarks:
        return -np.inf, np.inf
    raise MeasureError(f"name must be a canal or landmark on two films or more: {name!r}")


def _depth(tooth: SpatialTooth, name: str, low: float, high: float) -> tuple[float, Float64]:
    """Mean place towards the source between two heights, and its derivatives by the fit's parameters."""
    scene, fitted = tooth.scene, tooth.solution.tooth
    layout = layout_of(scene, fitted)
    slopes = np.zeros(layout.size)
    if name in scene.landmarks:
        index = scene.landmarks.index(name)
        slopes[layout.points[index].start + 1] = 1.0
        return float(fitted.points[index, 1]), slopes
    index = scene.names.index(name)
    points, _, by_line = line_of(fitted.lines[index])
    inside = (points[:, 2] >= low) & (points[:, 2] <= high)
    if not inside.any():
        inside[:] = True
    part, held = layout.lines[index]
    slopes[part] = by_line[inside, 1, held:].mean(axis=0)
    return float(points[inside, 1].mean()), slopes
