"""Quantiles of the F, t, chi-squared and normal distributions.

Written with numpy's float and :mod:`math` alone: importing scipy takes longer than a whole table of observers.
Incomplete beta and gamma functions as in Numerical Recipes 6.2 and 6.4 (from memory), held to scipy by the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, lgamma, log, sqrt
from statistics import NormalDist

__all__ = ["chi_square_quantile", "f_quantile", "normal_quantile", "t_quantile"]

TINY = 1e-300


def normal_quantile(probability: float) -> float:
    """Quantile of the standard normal distribution."""
    return NormalDist().inv_cdf(probability)


def f_quantile(probability: float, above: float, below: float) -> float:
    """Quantile of the F distribution with `above` and `below` degrees of freedom, which need not be whole numbers.

    By bisection on the regularised incomplete beta function (Lentz's continued fraction).
    """
    share = _bisect(lambda x: _beta_share(x, 0.5 * above, 0.5 * below), probability, 0.0, 1.0)
    return below * share / (above * max(1.0 - share, TINY))


def t_quantile(probability: float, freedom: float) -> float:
    """Quantile of Student's t, by the square of t being F with one degree of freedom above."""
    if probability < 0.5:
        return -t_quantile(1.0 - probability, freedom)
    return sqrt(f_quantile(2.0 * probability - 1.0, 1.0, freedom))


def chi_square_quantile(probability: float, freedom: float) -> float:
    """Quantile of the chi-squared distribution."""
    high = 10.0 * freedom + 100.0
    return 2.0 * _bisect(lambda x: _gamma_share(x, 0.5 * freedom), probability, 0.0, high)


def _bisect(share: Callable[[float], float], probability: float, low: float, high: float) -> float:
    for _ in range(100):
        middle = 0.5 * (low + high)
        if share(middle) < probability:
            low = middle
        else:
            high = middle
        if high - low <= 1e-15 * high:
            break
    return 0.5 * (low + high)


def _beta_share(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0 or x >= 1.0:
        return float(x >= 1.0)
    if x > (a + 1.0) / (a + b + 2.0):  # the fraction converges fast on the other side only
        return 1.0 - _beta_share(1.0 - x, b, a)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(1.0 - x)) / a
    c, d = 1.0, 1.0 / max(1.0 - (a + b) * x / (a + 1.0), TINY)
    value = d
    for m in range(1, 1000):
        for term in (
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)),
        ):
            d = 1.0 + term * d
            c = 1.0 + term / c
            d = 1.0 / (d if abs(d) > TINY else TINY)
            c = c if abs(c) > TINY else TINY
            value *= c * d
        if abs(c * d - 1.0) < 1e-14:
            break
    return front * value


def _gamma_share(x: float, a: float) -> float:
    """Regularised lower incomplete gamma function P(a, x)."""
    if x <= 0.0:
        return 0.0
    front = exp(-x + a * log(x) - lgamma(a))
    if x < a + 1.0:  # the series
        term = total = 1.0 / a
        k = a
        while abs(term) > 1e-16 * abs(total):
            k += 1.0
            term *= x / k
            total += term
        return front * total
    b = x + 1.0 - a  # the continued fraction of what lies above
    c, d = 1.0 / TINY, 1.0 / b
    value = d
    for m in range(1, 10_000):
        an = -m * (m - a)
        b += 2.0
        d = an * d + b
        d = 1.0 / (d if abs(d) > TINY else TINY)
        c = b + an / c
        c = c if abs(c) > TINY else TINY
        value *= c * d
        if abs(c * d - 1.0) < 1e-14:
            break
    return 1.0 - front * value
