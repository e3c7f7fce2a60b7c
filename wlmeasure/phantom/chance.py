"""Draws among named things in proportion to shares, some of which may be left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import PhantomError

__all__ = ["draw_family", "left_over", "pick"]

Float64 = NDArray[np.float64]


def left_over(names: tuple[str, ...], shares: tuple[float, ...], without: tuple[str, ...] | frozenset[str]) -> Float64:
    """The shares of the names, 0 for those in `without`."""
    return np.array([0.0 if name in without else share for name, share in zip(names, shares, strict=True)])


def pick(shares: ArrayLike, draw: float) -> int:
    """The index that a draw from 0 to 1 falls on, each in proportion to its share; the shares need not add up to 1."""
    weights = np.asarray(shares, np.float64)
    return int(np.searchsorted(np.cumsum(weights) / weights.sum(), draw, side="right"))


def draw_family(
    rng: np.random.Generator,
    names: tuple[str, ...],
    shares: tuple[float, ...],
    without: tuple[str, ...],
    kind: str | None = None,
) -> str:
    """The family `kind`, or one drawn from those not in `without` (from all where that names all); one draw in any case.

    Raises
    ------
    PhantomError
        A family that there is not.
    """
    if kind is not None and kind not in names:
        raise PhantomError(f"kind must be one of {', '.join(names)}: {kind!r}")
    left = left_over(names, shares, without)
    drawn = names[pick(left if left.sum() > 0.0 else shares, rng.random())]
    return drawn if kind is None else kind
