"""The two curves of a canal as a picture: where the constriction and the foramen may lie, and the stop among them.

The part of the foramen's curve that lies short of the stop is dark: so often the stop would be beyond the foramen, by the
model.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wlmeasure.decide.ends import Posterior
from wlmeasure.record.facts import CanalFacts
from wlmeasure.share.drawing import Area, Drawing, Label, Line, Shape
from wlmeasure.share.plot import Axes

__all__ = ["ENDS_CAPTION", "ends_drawing"]

Float64 = NDArray[np.float64]

CONSTRICTION, FORAMEN, RISK, INK = "#009e73", "#0072b2", "#d55e00", "#222222"  # Okabe & Ito 2008
SHOWN_FROM, SHOWN_TO = 0.003, 0.997  # of the constriction below, of the foramen above
LETTERS_PX: Final = 6.2  # of one letter of a label, to keep labels apart

ENDS_CAPTION: Final = (
    "Dark: the part of the foramen's curve short of the stop, so how often the stop would be beyond the foramen, by this "
    "model, not tested on patients."
)


def ends_drawing(facts: CanalFacts, width: int = 420, height: int = 170) -> Drawing | None:
    """The curves of a canal, and the stop as it is set or would be; None where nothing was measured.

    Parameters
    ----------
    facts
        What holds for the canal.
    width, height
        In output pixels.
    """
    ends, risk = facts.proposal.ends, facts.risk
    if ends is None:
        return None
    low, high = _shown(ends)
    if risk is not None:
        low, high = min(low, risk.length_mm - 0.2), max(high, risk.length_mm + 0.2)
    top = 1.15 * max(float(ends.foramen.max()), float(ends.constriction.max()))
    axes = Axes(14, width - 14, 34, height - 40, low, high, 0.0, top)
    parts: list[Shape] = [Line(((axes.left, axes.bottom), (axes.right, axes.bottom)), "#8a929b")]
    step = 0.5 if high - low <= 4.0 else 1.0
    marks = np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step
    parts += axes.columns(marks.tolist(), [f"{value:.1f}" for value in marks])
    parts += [
        Line(((axes.x(value), axes.bottom), (axes.x(value), axes.bottom + 4)), "#8a929b") for value in marks.tolist()
    ]
    parts += _curve(axes, ends.constriction_at_mm, ends.constriction, CONSTRICTION, 0.30)
    parts += _curve(axes, ends.foramen_at_mm, ends.foramen, FORAMEN, 0.18)
    if risk is not None:
        parts += _curve(axes, ends.foramen_at_mm, ends.foramen, RISK, 0.95, to=risk.length_mm)
        x = axes.x(risk.length_mm)
        parts.append(Line(((x, axes.top - 12), (x, axes.bottom)), INK, 2.0))
        words = f"stop {risk.length_mm:.1f} mm: {risk.beyond_words}"
        half = 0.5 * LETTERS_PX * len(words)
        at = float(np.clip(x, axes.left + half, axes.right - half))
        parts.append(Label(at, axes.top - 18, words, anchor="middle", colour=INK))
    # Each name above its own peak, on two levels so that they never run into each other.
    for name, at_mm, weight, colour, up in (
        ("constriction", ends.constriction_at_mm, ends.constriction, CONSTRICTION, 4.0),
        ("foramen", ends.foramen_at_mm, ends.foramen, FORAMEN, 4.0),
    ):
        peak = int(weight.argmax())
        half = 0.5 * LETTERS_PX * len(name)
        side = -half if name == "constriction" else half
        x = float(np.clip(axes.x(float(at_mm[peak])) + side, axes.left + half, axes.right - half))
        parts.append(Label(x, axes.y(float(weight[peak])) - up, name, anchor="middle", colour=colour, halo="#ffffff"))
    parts.append(Label((axes.left + axes.right) / 2, height - 8, "mm from the reference point", anchor="middle"))
    return Drawing((0.0, 0.0, width, height), width, height, tuple(parts), "Where constriction and foramen may lie")


def _shown(ends: Posterior) -> tuple[float, float]:
    """From where the constriction may lie to where the foramen may, all but the farthest of both."""
    low = float(np.interp(SHOWN_FROM, np.cumsum(ends.constriction), ends.constriction_at_mm))
    high = float(np.interp(SHOWN_TO, np.cumsum(ends.foramen), ends.foramen_at_mm))
    return low, high


def _curve(
    axes: Axes, at_mm: Float64, weight: Float64, colour: str, opacity: float, *, to: float | None = None
) -> list[Shape]:
    """A curve filled down to the axis, its line on top; with `to` only what lies short of it, without a line."""
    chosen = (at_mm >= axes.x_low) & (at_mm <= (axes.x_high if to is None else to))
    at, high = at_mm[chosen], weight[chosen]
    if to is not None:
        at, high = np.append(at, to), np.append(high, np.interp(to, at_mm, weight))
    if len(at) < 2:
        return []
    line = tuple((axes.x(float(a)), axes.y(float(h))) for a, h in zip(at, high, strict=True))
    area = ((line[0][0], axes.bottom), *line, (line[-1][0], axes.bottom))
    return [Area(area, colour, opacity), *([Line(line, colour, 1.6)] if to is None else [])]
