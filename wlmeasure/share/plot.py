"""Axes for the plots of a report: where a value lies, the lines behind it, and marks told apart without colour."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, log10
from typing import Literal

from attrs import frozen

from wlmeasure.share.drawing import Area, Ellipse, Label, Line, Shape

__all__ = ["Axes", "Mark", "mark", "ticks"]

Mark = Literal["square", "disc", "ring", "diamond", "triangle", "cross"]

GRID, STRONG, INK = "#dde2e7", "#8a929b", "#222222"
STEPS = (1.0, 2.0, 5.0)


def ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    """Round values from `low` to `high`, at most `most` of them, a step of 1, 2 or 5 times a power of ten apart."""
    span = max(high - low, 1e-9)
    power = 10.0 ** floor(log10(span / (most - 1)))
    step = next(s * power for s in (*STEPS, 10.0) if span / (s * power) <= most - 1 + 1e-9)
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return tuple(k * step for k in range(first, last + 1))


@frozen
class Axes:
    """A plot's frame in output pixels, and the values at its edges."""

    left: float
    right: float
    top: float
    bottom: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: float) -> float:
        return self.left + (self.right - self.left) * (value - self.x_low) / (self.x_high - self.x_low)

    def y(self, value: float) -> float:
        return self.bottom - (self.bottom - self.top) * (value - self.y_low) / (self.y_high - self.y_low)

    def rows(self, values: Sequence[float], words: Sequence[str], strong: float | None = None) -> list[Shape]:
        """Lines across at `values` with their words at the left; `strong` is drawn darker."""
        out: list[Shape] = []
        for value, text in zip(values, words, strict=True):
            y = self.y(value)
            out.append(Line(((self.left, y), (self.right, y)), STRONG if value == strong else GRID))
            out.append(Label(self.left - 6, y + 4, text, anchor="end"))
        return out

    def columns(self, values: Sequence[float], words: Sequence[str]) -> list[Shape]:
        """Words below the plot at `values`."""
        return [
            Label(self.x(v), self.bottom + 15, text, anchor="middle") for v, text in zip(values, words, strict=True)
        ]

    def titles(self, across: str, up: str, width: float, height: float) -> list[Shape]:
        """What the axes are."""
        return [
            Label((self.left + self.right) / 2, height - 6, across, anchor="middle"),
            Label(12, (self.top + self.bottom) / 2, up, anchor="middle", turn_deg=-90.0),
        ]


def mark(kind: Mark, x: float, y: float, colour: str, size: float = 5.0) -> list[Shape]:
    """One mark about (x, y), in output pixels; each kind is told from the others in black and white."""
    s = size
    match kind:
        case "square":
            return [Area(((x - s, y - s), (x + s, y - s), (x + s, y + s), (x - s, y + s)), colour)]
        case "diamond":
            t = 1.35 * s
            return [Area(((x, y - t), (x + t, y), (x, y + t), (x - t, y)), colour)]
        case "triangle":
            return [Area(((x - s, y - s), (x + s, y - s), (x, y + 1.1 * s)), colour)]
        case "disc":
            return [Ellipse(x, y, s, s, fill=colour)]
        case "ring":
            return [Ellipse(x, y, s, s, stroke=colour, width=1.8, fill="#fff")]
        case "cross":
            return [
                Line(((x - s, y - s), (x + s, y + s)), colour, 1.8),
                Line(((x - s, y + s), (x + s, y - s)), colour, 1.8),
            ]
