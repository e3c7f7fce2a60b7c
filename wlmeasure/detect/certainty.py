"""From marks to probabilities: logistic tables fitted on films of known truth, stored on the card beside the weights.

A probability is the share of items like this one that were right, on films that were not trained on: a file's line and tip
within 0.3 mm, and apart from it what is said of its upper end (within 0.3 mm, or not in the picture); a canal within 0.3 mm
over nine tenths of its length, a point within 0.5 mm.
Without a table the least of an item's own marks stands in, and nothing is trusted.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp
from typing import Any

import numpy as np
from attrs import frozen

from wlmeasure.detect.prepare import FIGURES

__all__ = ["KINDS", "Certainty", "certainty_of"]

KINDS = {"file": 15, "upper_end": 8, "canal": 15, "root_end": 6, "orifice": 4, "reference": 4}
"""Kinds of items and how many marks each has (`assembly`; the last of an upper end is whether a stop was fitted, `refine`)."""
_SHARES = {"file": (1, 2), "upper_end": (6,), "canal": (1, 2), "root_end": (1,), "orifice": (1,), "reference": (1,)}
"""Marks that are shares of maps themselves."""


@frozen
class Certainty:
    """Tables of a card: per kind weights of the marks and knots of the isotonic step; ranges of the figures of films."""

    weights: Mapping[str, tuple[float, ...]]
    knots: Mapping[str, tuple[tuple[float, float], ...]]
    ranges: tuple[tuple[float, float], ...] | None

    @property
    def calibrated(self) -> bool:
        """Whether every kind has a table."""
        return set(self.weights) >= set(KINDS)

    def probability(self, kind: str, marks: tuple[float, ...]) -> float:
        """That an item with these marks is right."""
        weights = self.weights.get(kind)
        if weights is None:
            return float(min(marks[k] for k in _SHARES[kind]))
        total = float(np.dot(weights, marks))
        raw = 1.0 / (1.0 + exp(-min(max(total, -40.0), 40.0)))
        knots = self.knots.get(kind, ())
        if not knots:
            return raw
        return float(np.interp(raw, [k[0] for k in knots], [k[1] for k in knots]))

    def unlike(self, figures: tuple[float, ...]) -> tuple[str, ...]:
        """Names of the figures of a film that lie outside what was trained on; all where no range is known."""
        if self.ranges is None:
            return FIGURES
        return tuple(
            name
            for name, value, (low, high) in zip(FIGURES, figures, self.ranges, strict=True)
            if not low <= value <= high
        )


def certainty_of(card: Mapping[str, Any]) -> Certainty:
    """The tables of a card; a kind whose table is not there, or has another number of marks, has none."""
    told = card.get("certainty")
    tables: Mapping[str, Any] = told if isinstance(told, dict) else {}
    weights, knots = {}, {}
    for kind, count in KINDS.items():
        table = tables.get(kind)
        if isinstance(table, dict) and len(table.get("weights", ())) == count:
            weights[kind] = tuple(float(w) for w in table["weights"])
            knots[kind] = tuple((float(a), float(b)) for a, b in table.get("knots", ()))
    ranges = tables.get("ranges")
    pairs = None
    if isinstance(ranges, dict) and set(ranges) >= set(FIGURES):
        pairs = tuple((float(ranges[name][0]), float(ranges[name][1])) for name in FIGURES)
    return Certainty(weights, knots, pairs)
