"""A rubber stop that stands clear of the crown: a faint slab across the shaft, with a face above and a face below.

On the film a stop is a round disc of silicone seen from the side, more or less tilted: its path length rises over either
face in a ramp that is symmetrical about the face's middle, the longer the more the disc is tilted. Coming along the shaft
from the handle one meets air, the slab, air, and then the crown, which rises where a stop falls; on many films a cusp covers
part of the face towards the tip. So the coronal face gives height, radius and tilt first, and of the face towards the tip
only what no crown covers is fitted. Where air is saturated the thin rims are lost in it, and that is part of the model: left
out, it made the face lie up to 0.3 mm too far from the tip. The face towards the tip is the reference: a file's length is
measured from there.

A slab is wider than the shaft and ends on both sides; a crown does not end, a handle has no shaft above it, a clamp's bow
hides the shaft. What shows no face towards the tip is not taken for a stop.
"""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.trace.file_ends import STOP_TO_TIP_MM, EndFit, Sampler

__all__ = ["Slab", "find_slab", "fit_slab"]

Float64 = NDArray[np.float64]

# All lengths in mm. Stops are 2 to 4 mm across and 1 to 2 mm thick (from memory); the others are our parameters.
THICK_MM = (0.7, 2.6)
BANDS_MM = ((0.45, 0.85), (0.7, 1.1), (1.0, 1.35))  # bands beside the shaft that lie inside any stop
OUTER_MM = (2.1, 2.6)  # beyond any stop
ABOVE_MM = 0.6  # of air above a slab that is looked at
SOFT_MM = 0.3  # a face may be as soft as this to either side where the stop is tilted
END_MM = 0.3  # of what is below it
FALLS = 0.55  # of its height that a slab falls again, in one band at least
RISES_WIDE = 0.45  # of its height that stands beyond its sides, at most, on one side at least
LEAST_OVER_SCATTER = 4.0  # height over the scatter of the air above it
LEAST_HEIGHT, MOST_HEIGHT = 0.01, 0.6  # over the shaft's contrast: silicone 0.03 to 0.15, filled rubber up to 0.45
SHAFT_SHOWS = 0.4  # of its contrast above; a clamp's bow hides the shaft
AIR_OVER_SHAFT = 0.25  # above a stop the film is as dark as anywhere but for this share of the shaft's contrast
OPEN_MM = 0.5  # of a slab whose other face is covered that must be clear
THICKNESSES_MM = (1.1, 1.6)  # where its other face is looked for
UNEVEN = 2.5  # the two sides of a stop are alike: higher over lower

STEP_MM, COLUMN_MM = 0.05, 0.12
FROM_MM = 0.45  # from the axis: clear of the shaft and its blur
TO_MM = 2.3
BESIDE_MM = 0.9  # of air above, and of air or crown below, that is sampled
BLUR_MM = 0.05
PIXEL_NOISE = 1.3  # of a pixel over that of a sample between pixels
LEAST_SEEN = 20  # samples of the lower half that nothing covers
NUDGE = (0.01, 0.01, 0.01, 0.005, 0.02, 0.005)
MOST_STEP = np.array([1.0, 1.0, 0.3, 0.3, 0.3, 0.3])
MOST_ROUNDS, SETTLED = 25, 3e-4
COVER_RISE, COVER_MARGIN_MM = 0.3, 0.2  # a column ends this far before it rises again by this share of its height
INFLATION = 2.2  # of the stated uncertainty over that of white noise, on synthetic films of known truth


@frozen
class Slab:
    """Its faces along the axis (None where the crown covers one) and half its width, mm, and the shaft's contrast above it."""

    top_mm: float
    face_mm: float | None
    half_mm: float
    contrast: float


def find_slab(
    values: Float64, along: NDArray[np.floating], across: NDArray[np.floating], shaft: Float64, air_level: float
) -> Slab | None:
    """The clearest slab on a coarse strip, or None.

    Parameters
    ----------
    values : (S, U)
        Strip at equal steps, its rows from the coronal end towards the tip.
    along, across : (S,), (U,)
        Distances in mm; `across` is symmetrical about 0.
    shaft : (S,)
        Contrast of the shaft against what is beside it.
    air_level
        What the darkest parts of the film have.
    """
    step = float(along[1] - along[0])
    rows = len(along)
    bands = np.empty((rows, 2, len(BANDS_MM) + 1))
    for k, limits in enumerate((*BANDS_MM, OUTER_MM)):
        for side, sign in enumerate((-1.0, 1.0)):
            u = sign * across
            bands[:, side, k] = values[:, (u >= limits[0] - 1e-9) & (u <= limits[1] + 1e-9)].mean(axis=1)
    total = np.concatenate([np.zeros((1, *bands.shape[1:])), np.cumsum(bands, axis=0)])
    total_shaft = np.append(0.0, np.cumsum(shaft))

    def mean(of: Float64, first: NDArray[np.intp], length: int) -> Float64:
        """Mean of `length` rows from each of `first`."""
        return np.asarray((of[first + length] - of[first]) / length, np.float64)

    above_n, soft, end_n = round(ABOVE_MM / step), round(SOFT_MM / step), round(END_MM / step)
    half_n = above_n // 2
    last = rows - round(STOP_TO_TIP_MM / step)
    best: tuple[float, Slab] | None = None
    closed_lengths = range(round(THICK_MM[0] / step), round(THICK_MM[1] / step) + 1, 2)
    for closed, lengths in ((True, closed_lengths), (False, (round(OPEN_MM / step),))):
        for long in lengths:
            first = np.arange(above_n, last - long - end_n - soft)
            if not len(first):
                break
            ease = min(soft, long // 3)
            core = mean(total, first + ease // 2, long - ease)
            height = core[..., 0] - mean(total[..., 0], first - above_n, above_n - ease // 2 - 1)
            low, high = height.min(axis=1), height.max(axis=1)
            contrast = np.maximum(mean(total_shaft, first - above_n, above_n), 1e-9)
            good = (low >= LEAST_HEIGHT * contrast) & (high <= MOST_HEIGHT * contrast) & (high <= UNEVEN * low)
            # The rest is looked at where the height is that of a stop.
            first, core, low, contrast = first[good], core[good], low[good], contrast[good]
            if not len(first):
                continue
            air = mean(total[..., 0], first - above_n, above_n - ease // 2 - 1)
            parts = mean(total[..., 0], first - above_n, half_n), mean(total[..., 0], first - half_n - 1, half_n)
            wide = mean(total[..., -1], first, long) - mean(total[..., -1], first - above_n, above_n - 1)
            fall = (core - mean(total, first + long + ease // 2, end_n))[..., :-1].max(axis=(1, 2))
            good = (
                (low >= LEAST_OVER_SCATTER * np.abs(parts[0] - parts[1]).max(axis=1))
                & (wide.min(axis=1) <= RISES_WIDE * low)
                & (mean(total_shaft, first + ease, long - ease) >= SHAFT_SHOWS * contrast)
                & (air.max(axis=1) - air_level <= AIR_OVER_SHAFT * contrast)
            )
            if closed:
                good &= fall >= FALLS * low
            if not good.any():
                continue
            score = np.where(good, np.minimum(fall, low) if closed else low, -np.inf) * sqrt(long)
            if not closed:  # the first face from the handle on; a crown rises later
                score[first >= first[int(good.argmax())] + above_n] = -np.inf
            k = int(score.argmax())
            if best is None or score[k] > best[0]:
                top = int(first[k])
                block = values[top + ease : top + long - ease].mean(axis=0)
                block = block - values[max(top - above_n, 0) : top - 1].mean(axis=0)
                found = Slab(
                    float(along[0]) + (top - 0.5) * step,
                    float(along[0]) + (top + long - 0.5) * step if closed else None,
                    _half_width(block, across, float(low[k])),
                    float(contrast[k]),
                )
                best = float(score[k]), found
        if best is not None:
            break
    return None if best is None else best[1]


def _half_width(block: Float64, across: NDArray[np.floating], height: float) -> float:
    """Where the height has fallen to half; the nearer of the two sides, since a crown may stand beside the other."""
    sides = []
    for sign in (-1.0, 1.0):
        order = np.argsort(sign * across)
        u, v = (sign * across)[order], block[order]
        outside = np.flatnonzero((u > BANDS_MM[0][1]) & (v < 0.5 * height))
        sides.append(float(u[outside[0]]) if len(outside) else TO_MM)
    return min(sides)


def fit_slab(sample: Sampler, slab: Slab, floor: float) -> EndFit | None:
    """The slab's face towards the tip where the axis crosses it; None when it cannot be told.

    A round disc, tilted, of free radius and height is laid on what no crown covers. Air, radius, height, tilt and the coronal
    face are found on the coronal half first, then all together with the face towards the tip.

    Parameters
    ----------
    sample
        The image along and across the shaft.
    slab
        Where it is, roughly.
    floor
        The least value that the image stores: where air is saturated a stop's thin rims are lost in it, and what is left of
        the slab is smaller than the stop.
    """
    half = min(slab.half_mm + 0.3, TO_MM)
    count = int((half - FROM_MM) / COLUMN_MM) + 1
    across = FROM_MM + COLUMN_MM * np.arange(count)
    top = slab.top_mm
    thick = OPEN_MM + 0.2 if slab.face_mm is None else slab.face_mm - top
    middle = top + 0.5 * thick
    s = np.arange(top - BESIDE_MM, top + (THICK_MM[1] if slab.face_mm is None else thick) + BESIDE_MM + 1e-9, STEP_MM)
    fine = (across[:, None] + COLUMN_MM * np.array([-0.25, 0.25])).ravel()
    raw = np.stack([sample(s, sign * fine).reshape(len(s), count, 2) for sign in (-1.0, 1.0)], axis=1)
    strip = raw.mean(axis=3)  # rows, sides, columns
    air = strip[s < top - 0.4]
    inside = np.abs(s - middle) < 0.25 * thick
    base = float(air.mean())
    height = float(np.median(strip[inside][:, :, :4])) - base
    if height <= 0.0:
        return None
    # Of the slab's own rows: air may be saturated, and then shows none.
    noise = max(float(np.std(raw[inside][:, :, :4, 0] - raw[inside][:, :, :4, 1])) / sqrt(2.0), 1e-6)
    scatter = noise / sqrt(2.0)
    where = np.broadcast_to(s[:, None, None], strip.shape)
    side = np.broadcast_to(across[None, None, :], strip.shape)

    def model(p: Float64, at: NDArray[np.bool_]) -> Float64:
        level = height * (p[0] + p[1] * _disc(where[at], side[at], p[2], p[3], abs(p[4]), p[5]))
        return _soft(level - floor, PIXEL_NOISE * noise) + floor

    far = float(s[-1]) + 2.0
    starts = [np.array([base / height, 1.1, slab.half_mm + 0.1, top, 0.15, far])]
    if base < floor + noise:  # the more of the stop is lost in saturated air, the larger it is
        starts.append(starts[0] + np.array([-0.6, 0.6, 0.35, -0.15, 0.1, 0.0]))
    upper = where < middle
    first, _ = min(
        (_settle(lambda p: strip[upper] - model(p, upper), one, (0, 1, 2, 3, 4), scatter) for one in starts),
        key=lambda found: found[1],
    )
    if first[1] * height > MOST_HEIGHT * slab.contrast:  # denser than a stop, and no need to look for its other face
        return None
    everywhere = np.ones(strip.shape, bool)
    endless = model(first, everywhere).reshape(strip.shape)
    seen = upper | _uncovered(s, strip, endless, middle, scatter, height)
    if (seen & ~upper).sum() < LEAST_SEEN:
        return None
    faces = [top + thick] if slab.face_mm is not None else [top + t for t in THICKNESSES_MM]
    last, _ = min(
        (
            _settle(lambda p: strip[seen] - model(p, seen), np.append(first[:5], face), (0, 1, 2, 3, 4, 5), scatter)
            for face in faces
        ),
        key=lambda found: found[1],
    )
    if not THICK_MM[0] <= last[5] - last[3] <= THICK_MM[1] or last[1] * height > MOST_HEIGHT * slab.contrast:
        return None
    rest = strip[seen] - model(last, seen)
    without = strip[seen] - model(np.append(last[:5], far), seen)
    std = _std(lambda p: model(p, seen), last, max(scatter, sqrt(float(rest @ rest) / rest.size)))
    return EndFit(float(last[5]), INFLATION * std, 1.0 - float(rest @ rest) / max(float(without @ without), 1e-12))


def _normal(z: Float64) -> Float64:
    """The normal distribution function to 2e-4, by the hyperbolic tangent of a cubic (Page 1977)."""
    return np.asarray(0.5 * (1.0 + np.tanh(z * (0.7978846 + 0.0356774 * z * z))), np.float64)


def _soft(x: Float64, width: float) -> Float64:
    """What is positive of x, blurred by a normal distribution of that width."""
    z = x / width
    return np.asarray(x * _normal(z) + width / sqrt(2.0 * pi) * np.exp(-0.5 * np.minimum(z * z, 60.0)), np.float64)


def _disc(s: Float64, u: Float64, radius: float, top: float, tilt: float, face: float) -> Float64:
    """Path length through a tilted disc over its diameter: a blurred ramp over either face, as wide as the chord is tilted."""
    chord = np.sqrt(np.maximum(1.0 - (u / radius) ** 2, 0.0))
    half = np.maximum(tilt * radius * chord, 0.5 * BLUR_MM)
    rise, fall = (_soft(s - at + half, BLUR_MM) - _soft(s - at - half, BLUR_MM) for at in (top, face))
    return np.asarray(chord * (rise - fall) / (2.0 * half), np.float64)


def _settle(
    residual: Callable[[Float64], Float64], start: Float64, free: tuple[int, ...], scatter: float
) -> tuple[Float64, float]:
    """Levenberg-Marquardt with residuals that count up to a few times their usual size (Huber's weights)."""
    p = start.copy()
    damping = 1e-2

    def weighed(r: Float64) -> tuple[Float64, float]:
        size = np.abs(r) / (1.5 * scatter)
        return 1.0 / np.maximum(size, 1.0), float(np.where(size <= 1.0, size * size, 2.0 * size - 1.0).sum())

    r = residual(p)
    weight, cost = weighed(r)
    for _ in range(MOST_ROUNDS):
        columns = []
        for k in free:
            q = p.copy()
            q[k] += NUDGE[k]
            columns.append((residual(q) - r) / NUDGE[k])
        jacobian = np.stack(columns, axis=1)
        normal = jacobian.T @ (jacobian * weight[:, None])
        target = -jacobian.T @ (weight * r)
        moved = False
        for _ in range(6):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), target)
            q = p.copy()
            q[list(free)] += step
            q = np.clip(q, p - MOST_STEP, p + MOST_STEP)
            q[2] = min(max(q[2], 0.8), 3.0)
            q[4] = min(abs(q[4]), 0.6)
            new = residual(q)
            new_weight, new_cost = weighed(new)
            if new_cost < cost:
                moved = cost - new_cost > SETTLED * cost
                p, r, weight, cost = q, new, new_weight, new_cost
                damping *= 0.3
                break
            damping *= 5.0
        if not moved:
            break
    return p, cost


def _std(model: Callable[[Float64], Float64], p: Float64, scatter: float) -> float:
    """Standard uncertainty of the last parameter by white noise."""
    base = model(p)
    columns = []
    for k in range(len(p)):
        q = p.copy()
        q[k] += NUDGE[k]
        columns.append((model(q) - base) / NUDGE[k])
    jacobian = np.stack(columns, axis=1)
    normal = jacobian.T @ jacobian
    normal += 1e-9 * np.diag(np.diag(normal) + 1e-12)
    return scatter * sqrt(max(float(np.linalg.inv(normal)[-1, -1]), 0.0))


def _uncovered(
    s: NDArray[np.floating], strip: Float64, slab: Float64, middle: float, scatter: float, height: float
) -> NDArray[np.bool_]:
    """Rows of every column before anything rises over the slab, or rises again after it has fallen."""
    smooth = strip.copy()
    smooth[1:-1] = (strip[:-2] + strip[1:-1] + strip[2:]) / 3.0
    rows = s >= middle
    below = smooth[rows]
    level = np.minimum(np.minimum.accumulate(below, axis=0), slab[rows])
    high = below > level + max(COVER_RISE * height, 2.0 * scatter)
    first = np.where(high.any(axis=0), high.argmax(axis=0), len(below))
    free = np.ones(strip.shape, bool)
    free[rows] = np.arange(len(below))[:, None, None] < first[None] - round(COVER_MARGIN_MM / STEP_MM)
    return free
