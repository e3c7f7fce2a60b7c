"""Curvature and length of thousands of paths at once: the fit of a single bend, in lock-step.

The result for each path is that of :func:`~wlmeasure.measure.line_arc.fit_line_arc` with one arc: the same code runs, with
many paths side by side.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.line_arc import MOST_POINTS, Noise
from wlmeasure.measure.lockstep import Fits, fit_paths, small_sample
from wlmeasure.measure.parts import Shape, chord, feet
from wlmeasure.points import as_points, frozen_array

__all__ = ["BendEstimates", "fit_many", "share_processors"]

Float64 = NDArray[np.float64]

AT_ONCE = 1024  # paths side by side: enough to share the cost of a call, few enough for the processor's cache
STEP = 1e-6  # of the central differences: mm, rad and 1/mm alike


@frozen(eq=False)
class BendEstimates:
    """Estimates of K paths, each array (K,) float64 and read-only.

    Attributes
    ----------
    angle_deg, angle_std_deg
        Turn of the arc between the straight parts (Pruett 1997, Weine), and its standard uncertainty.
    curvature_per_mm, curvature_std_per_mm
        Signed curvature of the arc; positive turns from row towards column. Its interval is the one to use for the radius:
        symmetrical in curvature.
    radius_mm
        One over the size of the curvature.
    schneider_deg, schneider_std_deg
        Between the coronal axis and the line from the arc's begin to the end of the path (Schneider 1971).
    length_mm
        From the foot of the first to the foot of the last point along the model.
    path_std_mm
        Standard uncertainty of the length by errors across the path; each end point adds its own error along the path.
    begin_mm, tail_mm
        Where the arc begins, and length of the straight part behind it.
    misfit_mm
        Root mean square distance of the points from the model: where it is far above the noise, a single bend is not the
        shape of that path and `measure_curvature` has to look at it.
    """

    angle_deg: Float64 = field(converter=frozen_array)
    angle_std_deg: Float64 = field(converter=frozen_array)
    curvature_per_mm: Float64 = field(converter=frozen_array)
    curvature_std_per_mm: Float64 = field(converter=frozen_array)
    radius_mm: Float64 = field(converter=frozen_array)
    schneider_deg: Float64 = field(converter=frozen_array)
    schneider_std_deg: Float64 = field(converter=frozen_array)
    length_mm: Float64 = field(converter=frozen_array)
    path_std_mm: Float64 = field(converter=frozen_array)
    begin_mm: Float64 = field(converter=frozen_array)
    tail_mm: Float64 = field(converter=frozen_array)
    misfit_mm: Float64 = field(converter=frozen_array)


def fit_many(
    paths_mm: Float64 | Sequence[object],
    *,
    tail: bool = True,
    noise: Noise | None = None,
    robust: bool = False,
    compiled: bool = False,
) -> BendEstimates:
    """Fit line-arc-line to many paths.

    Parameters
    ----------
    paths_mm : (K, N, 2), or K arrays of (N_k, 2)
        (row, col) in mm, coronal to apical; those of equal length go together. More than 240 points are thinned.
    tail
        Whether a straight part may follow the arc.
    noise
        Uncertainty of the points, the same for all paths; the default takes it from each path's residuals.
    robust
        As for `fit_line_arc`.
    compiled
        Run as machine code on all processors, the same to within rounding; needs the extra ``fast`` (numba), whose first call
        takes a while to compile. Only for least squares of independent points.

    Returns
    -------
    BendEstimates

    Raises
    ------
    MeasureError
        A path with fewer points than parameters, points that are not distinct finite numbers, or `compiled` where numba is
        missing or with a fit that is not compiled.
    """
    noise = noise or Noise()
    shape: Shape = (1, tail)
    fit_bends = _compiled_fit(noise, robust) if compiled else None
    least = 4 + int(tail)
    groups: dict[int, list[int]] = {}
    if isinstance(paths_mm, np.ndarray) and paths_mm.ndim == 3:
        if paths_mm.dtype.kind not in "fiu":
            raise MeasureError(f"paths_mm must hold numbers: its type is {paths_mm.dtype}")
        whole = np.asarray(paths_mm, np.float64)
        if whole.shape[2] != 2 or whole.shape[1] < least:
            raise MeasureError(
                f"paths_mm must be (K, N, 2) with N of {least} or more, the parameters of a bend: its shape is {whole.shape}"
            )
        bad = ~np.isfinite(whole).all(axis=(1, 2))
        if bad.any():
            raise MeasureError(f"paths_mm[{int(bad.argmax())}] must be finite numbers; leave such a path out")
        paths: Sequence[Float64] = whole  # type: ignore[assignment]  # indexed alike
        groups[whole.shape[1]] = list(range(len(whole)))
    else:
        paths = [as_points(MeasureError, f"paths_mm[{k}]", path, least=least) for k, path in enumerate(paths_mm)]
        for k, path in enumerate(paths):
            groups.setdefault(len(path), []).append(k)
    count = sum(len(rows) for rows in groups.values())
    out = np.empty((12, count))
    for size, rows in groups.items():
        kept = slice(None) if size <= MOST_POINTS else np.linspace(0, size - 1, MOST_POINTS).round().astype(int)
        for first in range(0, len(rows), AT_ONCE):
            which = rows[first : first + AT_ONCE]
            some = np.stack([paths[k] for k in which])[:, kept]
            same = (some == some[:, :1]).all(axis=(1, 2))
            if same.any():
                raise MeasureError(
                    f"paths_mm[{which[int(same.argmax())]}] must be distinct points: all are the same; leave it out"
                )
            if fit_bends is not None:
                factor = small_sample(np.float64(max(1, some.shape[1] - least)))
                out[:, which] = fit_bends(some, tail=tail, std_mm=noise.std_mm, small_sample=float(factor))
                continue
            fits = fit_paths(some, shape, std_mm=noise.std_mm, correlation_mm=noise.correlation_mm, robust=robust)
            out[:, which] = _estimates(some, fits, shape)
    return BendEstimates(*out)


def share_processors(processes: int) -> None:
    """Let the compiled fit of this process take its share of the processors that so many processes run on.

    Raises
    ------
    MeasureError
        There is no compiled fit here.
    """
    _compiled_fit(Noise(), False)
    from wlmeasure.measure._compiled import use_threads

    use_threads((os.cpu_count() or 1) // max(processes, 1))


def _compiled_fit(noise: Noise, robust: bool) -> Callable[..., Float64]:
    """The compiled fit, or why there is none."""
    if robust or noise.correlation_mm > 0.0:
        raise MeasureError(
            "compiled must be False with robust or with errors that go together (correlation_mm): those fits are not compiled"
        )
    try:
        from wlmeasure.measure._compiled import fit_bends
    except ImportError as error:
        raise MeasureError(
            f"compiled needs numba, which is not installed here ({error}): pip install 'wlmeasure[fast]', or leave compiled out"
        ) from error
    return fit_bends


def _estimates(paths: Float64, fits: Fits, shape: Shape) -> Float64:
    """The twelve numbers of each path (12, K) from its fit."""
    theta, covariance = fits.theta, fits.covariance
    count, size = theta.shape
    ends = paths[:, -1] - paths[:, 0]
    last = np.stack([ends[:, 0], ends[:, 1], np.ones(count)], axis=1)[..., None]
    # Angles also move with the length, which the last point alone decides.
    full = np.column_stack([theta, fits.length_mm])
    wide = np.zeros((count, size + 1, size + 1))
    wide[:, :-1, :-1], wide[:, -1, -1] = covariance, fits.end_variance_mm2
    angle, angle_std = _with_std(lambda t: _turn(t, shape), full, wide)
    schneider, schneider_std = _with_std(lambda t: _schneider(t, shape), full, wide)
    _, path_std = _with_std(lambda t: feet(last, t, shape), theta, covariance)
    curvature = theta[:, 2]
    with np.errstate(divide="ignore"):
        radius = 1.0 / np.abs(curvature)
    end = _arc_end(full, shape)
    return np.stack(
        [
            angle, angle_std, curvature, np.sqrt(np.maximum(covariance[:, 2, 2], 0.0)), radius, schneider, schneider_std,
            fits.length_mm, path_std, theta[:, 3], fits.length_mm - end, fits.misfit_mm,
        ]
    )  # fmt: skip


def _with_std(quantity: Callable[[Float64], Float64], theta: Float64, covariance: Float64) -> tuple[Float64, Float64]:
    """A quantity of each path, and its standard uncertainty from its gradient by central differences."""
    gradient = np.empty(theta.shape)
    for j in range(theta.shape[1]):
        step = np.zeros(theta.shape[1])
        step[j] = STEP
        gradient[:, j] = (quantity(theta + step) - quantity(theta - step)) / (2.0 * STEP)
    variance = np.einsum("kp,kpq,kq->k", gradient, covariance, gradient)
    return quantity(theta), np.sqrt(np.maximum(variance, 0.0))


def _arc_end(full: Float64, shape: Shape) -> Float64:
    """Where the arc ends: without a tail at the length, the last column."""
    return np.minimum(full[:, 4], full[:, -1]) if shape[1] else full[:, -1]


def _turn(full: Float64, shape: Shape) -> Float64:
    return np.asarray(np.degrees(np.abs(full[:, 2] * (_arc_end(full, shape) - full[:, 3]))), np.float64)


def _schneider(full: Float64, shape: Shape) -> Float64:
    end = _arc_end(full, shape)
    # A bend that begins at the very end of the canal has no line to its end: rounding must not turn it round.
    run = np.maximum(end - full[:, 3], 0.0)
    reached = chord(full[:, 2], run) + np.maximum(full[:, -1] - end, 0.0) * np.exp(1j * full[:, 2] * run)
    return np.asarray(np.degrees(np.abs(np.angle(reached))), np.float64)
