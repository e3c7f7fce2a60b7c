"""A plane-to-plane map with a smooth field of parallax on it, from measured offsets; one linear Gaussian model.

An offset at x is J(x) p + f(x) + noise. p are the eight parameters of a projective change; f is the parallax of outlines that
lie before or behind the plane, alike within `FIELD_MM`. Kriging with a trend, as in geostatistics (Rasmussen and Williams,
Gaussian Processes for Machine Learning, 2006, section 2.7). Outliers lose weight as under Student's t.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

__all__ = ["Field", "fit_field", "fit_map", "map_change", "map_jacobian"]

Float64 = NDArray[np.float64]

FIELD_MM = 3.0
"""Distance over which parallax is alike, mm (of the exponent -d²/2); from 22 phantoms."""
FIELD_OVER_RESIDUAL = 3.0
"""Size of the field over the spread of what the map alone leaves, which leaves outliers out; from 22 phantoms."""
LINEAR_STD = 0.3
"""Prior of the affine parameters, wide: a third of a length."""
PLACE_STD_MM = 5.0
"""Prior of the shift, wide."""
PERSPECTIVE_STD_PER_MM = 6e-4
"""Prior of the two perspective parameters: the sine of 10 degrees over 300 mm from the source; our parameter."""
FREEDOM = 4.0
"""Degrees of freedom of the t distribution of the noise; usual for outliers (Lange, Little and Taylor 1989)."""
NOISE_MM = 0.05
"""Noise of an offset at the least, mm: half a step of the grid, since neighbouring patches share edges; our parameter."""
ROUNDS = 4
"""Of reweighting in the field; the weights change little after three."""
LET_GO = 1.5
"""Of the map alone: residuals beyond so many spreads lose weight (Cauchy's weight, squared)."""
MAP_ROUNDS = 12
"""Of reweighting of the map alone."""
INNER_SHARE = 0.7
"""Share of the residuals, the smaller ones, whose root mean square is the spread; 1.4826 times it, as for a median."""
LEAST_SPREAD_MM = 0.02
"""Spread at the least, mm: a fifth of the finest grid's step."""


def map_jacobian(at_mm: Float64) -> Float64:
    """Offsets' derivatives by the parameters of a projective change near the identity, (N, 2, 8)."""
    r, c = at_mm[:, 0], at_mm[:, 1]
    one, nil = np.ones_like(r), np.zeros_like(r)
    rows = np.stack([r, c, one, nil, nil, nil, -r * r, -r * c], axis=-1)
    cols = np.stack([nil, nil, nil, r, c, one, -r * c, -c * c], axis=-1)
    return np.stack([rows, cols], axis=1)


def map_change(p: Float64) -> Float64:
    """The 3 x 3 map of those parameters."""
    return np.array([[1.0 + p[0], p[1], p[2]], [p[3], 1.0 + p[4], p[5]], [p[6], p[7], 1.0]])


_PRIOR = (
    np.array(
        [LINEAR_STD, LINEAR_STD, PLACE_STD_MM, LINEAR_STD, LINEAR_STD, PLACE_STD_MM] + 2 * [PERSPECTIVE_STD_PER_MM]
    )
    ** 2
)


def fit_map(
    at_mm: Float64, offset_mm: Float64, certainty: Float64, weight: Float64, held: int = 0
) -> tuple[Float64, Float64, float, Float64]:
    """The robust map through offsets.

    Parameters
    ----------
    at_mm, offset_mm : (N, 2)
        Places and offsets.
    certainty : (N, 2, 2)
        In which direction an offset is sure, up to a factor.
    weight : (N,)
        How much each counts.
    held
        The last so many keep their weight, however far off they are: a person has marked them.

    Returns
    -------
    tuple
        Parameters (8,), their covariance (8, 8), the spread of the residuals in mm, and every patch's residual in mm.
    """
    jacobian = map_jacobian(at_mm)
    sure = certainty * weight[:, None, None]
    turned = np.einsum("nia,nij->naj", jacobian, sure)
    normal = np.einsum("naj,njb->nab", turned, jacobian)
    right = np.einsum("naj,nj->na", turned, offset_mm)
    traces = np.maximum(np.trace(certainty, axis1=1, axis2=2), 1e-12)
    kept = np.ones(len(at_mm))
    # The certainties have no unit; over the middle one they are in units of the spread.
    unit = float(np.median(traces))
    spread, p, left = 10.0 * NOISE_MM, np.zeros(8), np.zeros(len(at_mm))
    total = np.eye(8)
    for _ in range(MAP_ROUNDS):
        total = np.tensordot(kept, normal, 1) / (unit * spread**2) + np.diag(1.0 / _PRIOR)
        p = np.linalg.solve(total, kept @ right / (unit * spread**2))
        off = offset_mm - jacobian @ p
        left = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", off, certainty, off) / traces, 0.0))
        inner = left < np.quantile(left, INNER_SHARE)
        spread = max(LEAST_SPREAD_MM, 1.4826 * float(np.sqrt(np.average(left[inner] ** 2, weights=weight[inner]))))
        kept = 1.0 / (1.0 + (left / spread / LET_GO) ** 2) ** 2
        kept[len(kept) - held :] = 1.0
    return np.asarray(p), np.asarray(np.linalg.inv(total), np.float64), spread, np.asarray(left)


@frozen(eq=False)
class Field:
    """The fitted model: places (N, 2) in mm and directions (N, 2), unit vectors, of the offsets that it was fitted to."""

    at_mm: Float64
    way: Float64
    size_mm: float
    solved: Float64
    factor: Float64

    def at(self, points_mm: Float64) -> tuple[Float64, Float64]:
        """Offsets (M, 2) at points, and their covariance (M, 2, 2), mm."""
        jacobian = map_jacobian(points_mm)
        trend = np.einsum("mia,na,a->min", jacobian, _slopes(self.at_mm, self.way), _PRIOR)
        both = trend + self.size_mm**2 * np.einsum("mn,ni->min", _alike(points_mm, self.at_mm), self.way)
        own = np.einsum("mia,mja,a->mij", jacobian, jacobian, _PRIOR) + np.eye(2) * self.size_mm**2
        white = np.linalg.solve(self.factor, both.reshape(-1, both.shape[-1]).T).reshape(-1, len(points_mm), 2)
        mean: Float64 = np.asarray(both @ self.solved)
        spread: Float64 = np.asarray(own - np.einsum("nmi,nmj->mij", white, white))
        return mean, spread


def _slopes(at_mm: Float64, way: Float64) -> Float64:
    return np.asarray(np.einsum("nia,ni->na", map_jacobian(at_mm), way), np.float64)


def _alike(one: Float64, other: Float64) -> Float64:
    apart = ((one[:, None, :] - other[None, :, :]) ** 2).sum(axis=-1)
    return np.asarray(np.exp(-apart / (2.0 * FIELD_MM**2)))


def fit_field(at_mm: Float64, way: Float64, offset_mm: Float64, rel_var: Float64, residual_mm: float) -> Field:
    """Fit the field.

    Parameters
    ----------
    at_mm, way : (N, 2)
        Places and directions (unit vectors).
    offset_mm : (N,)
        Offset along the direction.
    rel_var : (N,)
        Variance of its noise over that of an offset of usual certainty.
    residual_mm
        Spread of what the map alone leaves.
    """
    slopes = _slopes(at_mm, way)
    size = FIELD_OVER_RESIDUAL * residual_mm
    smooth = (slopes * _PRIOR) @ slopes.T + size**2 * _alike(at_mm, at_mm) * (way @ way.T)
    variance = NOISE_MM**2 * rel_var
    for k in range(ROUNDS):
        total = smooth.copy()
        total[np.diag_indices_from(total)] += variance
        factor = np.linalg.cholesky(total)
        solved = np.linalg.solve(factor.T, np.linalg.solve(factor, offset_mm))
        if k == ROUNDS - 1:
            break
        left = np.abs(offset_mm - smooth @ solved) / np.sqrt(rel_var)
        noise = max(NOISE_MM, 1.4826 * float(np.median(left)))
        variance = noise**2 * rel_var * (FREEDOM + (left / noise) ** 2) / (FREEDOM + 1.0)
    return Field(at_mm, way, size, solved, factor)
