"""The compiled fit of many paths equals the one in numpy; without numba it says what is missing."""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares

from wlmeasure.errors import MeasureError
from wlmeasure.measure.batch import BendEstimates, fit_many
from wlmeasure.measure.line_arc import Noise

Float64 = NDArray[np.float64]
Part = tuple[float, float]
Draw = Callable[[list[Part], int], Float64]

ESTIMATES = ("angle_deg", "curvature_per_mm", "schneider_deg", "length_mm", "begin_mm", "tail_mm", "misfit_mm")
STDS = ("angle_std_deg", "curvature_std_per_mm", "schneider_std_deg", "path_std_mm")


def bends(draw: Draw, count: int, points: int, sigma: float) -> Float64:
    """Noisy line-arc-lines either way, some tails nearly lost in the noise; turned on the film, away from its corner."""
    rng = np.random.default_rng(61)
    paths = []
    for _ in range(count):
        radius, turn, angle = rng.uniform(4.0, 10.0), np.radians(rng.uniform(10.0, 75.0)), rng.uniform(-3.0, 3.0)
        bend = rng.choice([-1.0, 1.0]) / radius
        path = draw([(rng.uniform(3.0, 7.0), 0.0), (radius * turn, bend), (rng.uniform(0.1, 3.0), 0.0)], points)
        paths.append(path @ [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]] + [9.0, 4.0])
    return np.array(paths) + rng.normal(0.0, sigma, (count, points, 2))


def assert_equal(one: BendEstimates, two: BendEstimates) -> None:
    for name in ESTIMATES + STDS:
        assert getattr(one, name) == pytest.approx(getattr(two, name), rel=1e-4, abs=1e-4), name


@pytest.mark.parametrize("tail", [True, False])
@pytest.mark.parametrize("noise", [None, Noise(0.04)], ids=["from residuals", "stated"])
def test_equal_to_numpy(draw: Draw, tail: bool, noise: Noise | None) -> None:
    """Every number of every path within 1e-4: dense, few and thinned points; straight paths too."""
    pytest.importorskip("numba", reason="the extra `fast` (numba) is not installed")
    for points, count in ((9, 40), (50, 60), (128, 60), (300, 10)):
        paths = bends(draw, count, points, 0.03 if points > 9 else 0.01)
        assert_equal(fit_many(paths, tail=tail, noise=noise, compiled=True), fit_many(paths, tail=tail, noise=noise))
    straight = draw([(12.0, 0.0)], 40) + np.random.default_rng(2).normal(0.0, 0.02, (20, 40, 2))
    one, two = (fit_many(straight, tail=tail, compiled=compiled) for compiled in (True, False))
    assert one.length_mm == pytest.approx(two.length_mm, abs=1e-3)
    assert one.misfit_mm == pytest.approx(two.misfit_mm, rel=0.02)


def test_equal_to_scipy(draw: Draw) -> None:
    """Where no tail may follow, the same minimum as scipy's solver on the distances written out here, to 1e-4."""
    pytest.importorskip("numba", reason="the extra `fast` (numba) is not installed")
    rng = np.random.default_rng(5)
    paths = draw([(6.0, 0.0), (8.0 * np.radians(40.0), 1.0 / 8.0)], 60) + rng.normal(0.0, 0.03, (20, 60, 2))
    found = fit_many(paths, tail=False, compiled=True)

    def across(theta: Float64, path: Float64) -> Float64:
        local = ((path[:, 0] + 1j * path[:, 1]) * np.exp(-1j * theta[0])) - 1j * theta[1] - theta[3]
        radius = 1.0 / abs(theta[2])
        centre = 1j / theta[2]
        return np.where(local.real < 0.0, local.imag, np.sign(theta[2]) * (radius - np.abs(local - centre)))

    for k, path in enumerate(paths - paths[:, :1]):
        solved = least_squares(across, [0.0, 0.0, 0.13, 6.0], args=(path,), xtol=1e-14, ftol=1e-14, gtol=1e-14)
        assert found.curvature_per_mm[k] == pytest.approx(solved.x[2], rel=1e-4)
        assert found.begin_mm[k] == pytest.approx(solved.x[3], abs=1e-3)
        assert found.misfit_mm[k] == pytest.approx(np.sqrt(2.0 * solved.cost / 60.0), rel=1e-6)


def test_without_numba_it_says_what_to_install(draw: Draw, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.delitem(sys.modules, "wlmeasure.measure._compiled", raising=False)
    with pytest.raises(MeasureError, match=r"pip install 'wlmeasure\[fast\]'"):
        fit_many(bends(draw, 2, 20, 0.02), compiled=True)


@pytest.mark.parametrize("options", [{"robust": True}, {"noise": Noise(0.02, 0.5)}])
def test_fits_that_are_not_compiled_are_refused(draw: Draw, options: dict[str, object]) -> None:
    with pytest.raises(MeasureError, match="compiled must be False"):
        fit_many(bends(draw, 2, 20, 0.02), compiled=True, **options)  # type: ignore[arg-type]
