"""The two ends of a file on the film, to a fraction of a pixel: its tip, and the face of its stop.

Both are read off strips of the image straightened along the file's axis.

**Tip.** The blurred picture of a tip of known form (a cone on a tapering wire) is laid on the strip; its place, its blur, its
height and a smooth background are free (least squares, the linear ones solved exactly). An estimator that takes the tip for a
plain edge reads 0.067 mm short on a 75 degree cone of 0.15 mm, so the form matters more than the noise.

**Stop.** A stop is a block across the shaft: brighter than what lies beside it to the left and to the right, over one to
three millimetres of the shaft, and neither above nor below. Its face towards the tip is a step in the two bands beside the
shaft; each side is fitted by a blurred step between two straight levels, and the axis is crossed half-way between.

Neither needs the tone curve: gain and offset are free, and over the small range of grey values at either place a curve is
nearly straight.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from math import erf, radians, sqrt, tan

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError, check_finite, check_positive
from wlmeasure.trade.instruments import HAND_FILE_TAPER

__all__ = ["EndFit", "StopBlock", "TipForm", "find_stop", "fit_face", "fit_tip"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Sampler = Callable[[NDArray[np.floating], NDArray[np.floating]], Float64]
"""Image values at every pair of a distance along the axis and one across it, mm: (S,), (U,) to (S, U)."""

# Steel as the film sees it: its shape only, since the height of the template is free. From memory.
STEEL_PER_MM = 2.0
# What the film makes of a transmission lost of x is about x + BEND x^2: 0.5 on a logarithmic scale, 0 on a linear one. Half-way
# between them the tip comes out at most 0.1 pixel off on either.
BEND = 0.25
STEP_MM = 0.025  # a pixel of a fine detector; the least misfit is found between steps
FINER = 2  # the tip's picture is drawn this many times finer than it is compared
BLURS_MM = (0.02, 0.03, 0.042, 0.06, 0.085)  # SD of the film's blur; the one that fits best is taken
# The tip is looked for this far to both sides of where the line fades, then of where it was found; the strip goes on this far
# into the shaft and this far beyond the tip. Half a millimetre beyond it lie the end of the canal and of the root.
TIP_PASSES_MM = ((0.3, 1.0, 0.2), (0.15, 1.0, 0.3))
TIP_HALF_MM = 0.25
ROUGH_REACH = 10  # steps; the first pass asks for one blur only
CANAL_SD_MM = 0.07
HEIGHT_PER_MM = 0.08  # SD of the relative change of the shaft's height; free, it costs a fifth of the precision
CORRELATED = 8.0  # samples that count as one independent one, roughly

STOP_HALF_MM = (0.9, 2.2)  # from the axis to a side of the stop: stops are 2 to 4 mm across (from memory)
STOP_LONG_MM = (0.8, 3.2)  # thickness (from memory)
STOP_GAP_MM = 0.5  # looked at above and below the block
SIDE_STEP_MM = 0.2  # a side is a drop over twice this
LEAST_STOP = 0.04  # drop at its sides over the shaft's own contrast; silicone stops of the reference radiographs: 0.13
STOP_NOISE = 5.0  # and over the drop's scatter above it
STOP_OVER_ABOVE, STOP_OVER_BELOW = 3.0, 2.0
# A stop's sides are straight: this share of its rows has nearly its drop. The sides of a narrow root are not.
EVEN, EVEN_SHARE = 0.8, 0.85
STOP_TO_TIP_MM = 7.0  # no stop sits nearer to the tip, and roots grow as narrow as stops there
STOP_TRIES = 3
FACE_REACH_MM = 0.2  # the search is right to 0.1 mm
FACE_STRIP_MM = 0.4  # to both sides beyond the reach; enamel and restorations begin soon
FACE_FROM_MM = 0.42  # from the axis: clear of a shaft of 0.5 mm and its blur
FACE_INSIDE_MM = 0.3  # from the stop's side
# Neighbouring samples of a strip are half a pixel apart and share blur and texture: SD over the white-noise formula, found on
# synthetic films of known truth.
TIP_INFLATION, FACE_INFLATION = 5.0, 1.6


def _cone(instance: object, attribute: object, value: float) -> None:
    if not 10.0 <= check_finite(TraceError, "cone_deg", value) <= 180.0:
        raise TraceError(f"cone_deg must be 10 to 180 (a flat end): {value:g}")


@frozen
class TipForm:
    """What the end of a file looks like.

    Attributes
    ----------
    diameter_mm
        Tip diameter of the size by ISO 3630-1: 0.15 mm for size 15.
    cone_deg
        Full angle of the tip's cone; 75 degrees is the standard's for files (from memory), 180 a flat end.
    taper
        Growth of the diameter per mm.
    """

    diameter_mm: float = 0.15
    cone_deg: float = field(default=75.0, validator=_cone)
    taper: float = HAND_FILE_TAPER

    def __attrs_post_init__(self) -> None:
        check_positive(TraceError, "diameter_mm", self.diameter_mm)
        if not 0.0 <= check_finite(TraceError, "taper", self.taper) < 0.25:
            raise TraceError(f"taper must be 0 to 0.25: {self.taper:g}; .04 is 0.04")

    def radius_mm(self, from_tip_mm: NDArray[np.floating]) -> Float64:
        """Radius at distances from the tip; 0 beyond it."""
        inside = np.maximum(from_tip_mm, 0.0)
        wire = 0.5 * (self.diameter_mm + self.taper * inside)
        if self.cone_deg == 180.0:
            return np.asarray(np.where(from_tip_mm > 0.0, wire, 0.0), np.float64)
        return np.asarray(np.minimum(wire, inside * tan(radians(0.5 * self.cone_deg))), np.float64)


@frozen
class EndFit:
    """One end: where along the axis, its standard uncertainty, both mm, and how much of what is there it explains (0 to 1)."""

    at_mm: float
    std_mm: float
    explained: float


@frozen
class StopBlock:
    """A stop as the search sees it: faces along the axis, sides from the axis (left, right), mm, and its relative drop."""

    face_mm: float
    sides_mm: tuple[float, float]
    drop: float
    top_mm: float


def fit_tip(sample: Sampler, near_mm: float, form: TipForm) -> EndFit:
    """Lay the known tip on the strip about `near_mm`; distances grow from the shaft towards the tip and beyond."""
    fit = EndFit(near_mm, 0.0, 0.0)
    for reach, inside, outside in TIP_PASSES_MM:
        fit = _lay(sample, fit.at_mm, form, round(reach / STEP_MM), round(inside / STEP_MM), round(outside / STEP_MM))
    return fit


def _lay(sample: Sampler, near_mm: float, form: TipForm, reach: int, inside: int, outside: int) -> EndFit:
    half = round(TIP_HALF_MM / STEP_MM)
    along = np.arange(-inside - reach, outside + reach + 1) * STEP_MM
    across = np.arange(-half, half + 1) * STEP_MM
    strip = sample(near_mm + along, across).ravel()
    s, u = (v.ravel() for v in np.meshgrid(along / along[-1], across / across[-1], indexing="ij"))
    # The canal that goes on beyond the tip is a line of its own, dark under the bright one.
    canal = np.exp(-0.5 * (u * across[-1] / CANAL_SD_MM) ** 2)
    background = np.linalg.qr(np.column_stack([np.ones(s.size), s, u, s * s, u * u, canal]))[0]
    strip = strip - background @ (background.T @ strip)
    total = float(strip @ strip)
    shifts = np.arange(-reach, reach + 1)
    # Where a tone curve is bent, the shaft's height changes with what lies under it; so it may, a little, along the shaft.
    lever = (np.arange(len(along)) - inside - reach)[None, :, None] * STEP_MM - shifts[:, None, None] * STEP_MM
    best: tuple[float, Float64] | None = None
    for blur in BLURS_MM if reach < ROUGH_REACH else BLURS_MM[2:3]:
        table = _tip_picture(form, blur, len(along), inside, reach)
        # Row k of a window that starts `shift` rows earlier is `shift` rows farther from the tip.
        tips = np.stack([table[reach - k : reach - k + len(along)] for k in shifts])
        columns = np.stack([tips, tips * lever]).reshape(2, len(shifts), -1)
        inner = columns @ background
        normal = np.einsum("ikn,jkn->kij", columns, columns) - np.einsum("ikn,jkn->kij", inner, inner)
        target = np.moveaxis(columns @ strip, 0, 1)
        plain = np.maximum(target[:, 0], 0.0) / np.maximum(normal[:, 0, 0], 1e-12)
        noise = CORRELATED * np.maximum(total - plain * target[:, 0], 1e-9 * total) / strip.size
        held = noise / np.maximum(HEIGHT_PER_MM * plain, 1e-9) ** 2
        normal[:, 1, 1] += held
        left = total - np.einsum("ki,ki->k", target, np.linalg.solve(normal, target[..., None])[..., 0])
        left[plain <= 0.0] = total
        if best is None or left.min() < best[0]:
            best = float(left.min()), left
    assert best is not None
    return _minimum(near_mm, shifts * STEP_MM, best[1], total, strip.size, TIP_INFLATION)


@lru_cache(maxsize=32)
def _tip_picture(form: TipForm, blur_mm: float, rows: int, inside: int, reach: int) -> Float64:
    """Blurred transmission lost in a tip that ends `inside` + 2 `reach` rows from the first."""
    fine = STEP_MM / FINER
    first = (inside + 2 * reach) * FINER
    along = np.arange(first, first - (rows + 2 * reach) * FINER, -1) * fine
    half = round(TIP_HALF_MM / STEP_MM) * FINER
    edge = half + round(0.25 / fine)
    wide = np.arange(-edge, edge + 1) * fine
    chord = 2.0 * np.sqrt(np.maximum(form.radius_mm(along)[:, None] ** 2 - wide**2, 0.0))
    lost = cv2.GaussianBlur(
        (1.0 - np.exp(-STEEL_PER_MM * chord)).astype(np.float32),
        (0, 0),
        blur_mm / fine,
        borderType=cv2.BORDER_REPLICATE,
    )
    lost = lost + BEND * lost * lost
    table = np.asarray(lost[::FINER, edge - half : edge + half + 1 : FINER], np.float64)
    table.setflags(write=False)
    return table


def find_stop(
    values: Float64, along: NDArray[np.floating], across: NDArray[np.floating], contrast: float
) -> StopBlock | None:
    """The stop on a coarse strip, or None.

    Parameters
    ----------
    values : (S, U)
        Strip at equal steps, its rows from the coronal end towards the tip.
    along, across : (S,), (U,)
        Distances in mm; `across` is symmetrical about 0.
    contrast
        Of the shaft against what is beside it.
    """
    step = float(along[1] - along[0])
    side, gap = round(SIDE_STEP_MM / step), round(STOP_GAP_MM / step)
    smooth = cv2.blur(values, (1, 3), borderType=cv2.BORDER_REPLICATE)
    at = np.flatnonzero((across >= STOP_HALF_MM[0] - 1e-9) & (across <= STOP_HALF_MM[1] + 1e-9))
    mirror = len(across) - 1 - at
    drops = np.stack([smooth[:, mirror + side] - smooth[:, mirror - side], smooth[:, at - side] - smooth[:, at + side]])
    rows = len(along)
    total = np.concatenate([np.zeros((2, 1, len(at))), np.cumsum(drops, axis=1)], axis=1)
    scores = np.zeros(rows)
    lengths = np.zeros(rows, np.intp)
    lasts = rows - round(STOP_TO_TIP_MM / step)
    for long in range(round(STOP_LONG_MM[0] / step), round(STOP_LONG_MM[1] / step) + 1, 2):
        start = np.arange(0, lasts - long)
        if not len(start):
            break
        # Where the picture begins inside the stop there is nothing above it.
        block = (total[:, start + long] - total[:, start]) / long
        above = (total[:, start] - total[:, np.maximum(start - gap, 0)]) / gap
        below = (total[:, start + long + gap] - total[:, start + long]) / gap
        # Each side has its own distance from the axis, the same all along.
        stands = (block - np.maximum(np.maximum(above, below), 0.0)).max(axis=2).min(axis=0) * sqrt(long)
        better = stands > scores[: len(start)]
        scores[: len(start)][better] = stands[better]
        lengths[: len(start)][better] = long
    for _ in range(STOP_TRIES):
        k = int(scores.argmax())
        if scores[k] <= 0.0:
            break
        long = int(lengths[k])
        around = np.stack([drops[:, k : k + long].mean(axis=1), drops[:, k + long : k + long + gap].mean(axis=1)])
        chosen = (around[0] - np.maximum(around[1], 0.0)).argmax(axis=1)
        found = _block(drops[[0, 1], :, chosen].min(axis=0), k, long, gap, contrast)
        if found is not None:
            top, face, level = found
            sides = across[at[chosen]]
            return StopBlock(
                float(along[0]) + face * step,
                (float(sides[0]), float(sides[1])),
                level / max(contrast, 1e-9),
                float(along[0]) + top * step,
            )
        scores[max(k - long, 0) : k + long] = 0.0
    return None


def _block(both: Float64, k: int, long: int, gap: int, contrast: float) -> tuple[float, float, float] | None:
    """Whether rows `k` to `k + long` are a stop: the row at which it begins, that at which it ends (to a part), its drop."""
    block = both[k + 2 : k + long - 2]
    level = float(np.partition(block, len(block) // 2)[len(block) // 2])
    rest = np.abs(both[: max(k - 2, 0)])
    # Half of what is above may be the bow of a clamp.
    scatter = float(np.partition(rest, len(rest) // 2)[len(rest) // 2]) if len(rest) > gap else 0.0
    above = both[max(k - gap, 0) : max(k - 2, 0)]
    above_it = float(above.min()) if len(above) else 0.0
    below_it = float(both[k + long + 2 : k + long + gap].mean())
    least = max(LEAST_STOP * contrast, STOP_NOISE * scatter, STOP_OVER_ABOVE * above_it, STOP_OVER_BELOW * below_it)
    if level < least or float(np.mean(block > EVEN * level)) < EVEN_SHARE:
        return None
    # Its end is where the drop has half its height.
    face = k + long // 2
    while face + 1 < len(both) and both[face] >= 0.5 * level:
        face += 1
    upper, lower = float(both[face - 1]), float(both[face])
    top = k + long // 2
    while top > 0 and both[top - 1] >= 0.5 * level:
        top -= 1
    return float(top), face - 1 + float(np.clip((upper - 0.5 * level) / max(upper - lower, 1e-9), 0.0, 1.0)), level


def fit_face(sample: Sampler, block: StopBlock) -> EndFit | None:
    """The stop's face towards the tip, where the axis crosses it; None when nothing like a step is there."""
    fits = []
    for sign, reach in ((-1.0, block.sides_mm[0]), (1.0, block.sides_mm[1])):
        outer = reach - FACE_INSIDE_MM
        if outer - FACE_FROM_MM < 0.2:
            continue
        fits.append(_step(sample, block.face_mm, sign * np.arange(FACE_FROM_MM, outer, 0.025)))
    if not fits:
        return None
    # Equal weights: the face may be tilted, and its two sides are then equally far from the axis.
    at = sum(fit.at_mm for fit in fits) / len(fits)
    std = sqrt(sum(fit.std_mm**2 for fit in fits)) / len(fits)
    explained = min(fit.explained for fit in fits)
    return EndFit(at, std, explained)


def _step(sample: Sampler, near_mm: float, across: NDArray[np.floating]) -> EndFit:
    """A blurred step between two straight levels in the mean of a band."""
    reach, count = round(FACE_REACH_MM / STEP_MM), round((FACE_REACH_MM + FACE_STRIP_MM) / STEP_MM)
    along = np.arange(-count, count + 1) * STEP_MM
    profile = sample(near_mm + along, across).mean(axis=1)
    profile -= profile.mean()
    slope = along @ profile / (along @ along)
    total = float(np.sum((profile - slope * along) ** 2))
    shifts = np.arange(-reach, reach + 1) * STEP_MM
    x = along - shifts[:, None]
    best: tuple[float, Float64] | None = None
    for blur in BLURS_MM:
        below = _steps(blur, count, reach)
        model = np.stack([1.0 - below, below, (1.0 - below) * x, below * x], axis=2)
        normal = np.einsum("kni,knj->kij", model, model)
        target = np.einsum("kni,n->ki", model, profile)
        left = profile @ profile - np.einsum("ki,ki->k", target, np.linalg.solve(normal, target[..., None])[..., 0])
        if best is None or left.min() < best[0]:
            best = float(left.min()), left
    assert best is not None
    return _minimum(near_mm, shifts, best[1], total, along.size, FACE_INFLATION)


@cache
def _steps(blur_mm: float, count: int, reach: int) -> Float64:
    """Blurred unit steps (shifts, samples), one step later in every row."""
    one = np.array(
        [0.5 * (1.0 + erf(k * STEP_MM / (blur_mm * sqrt(2.0)))) for k in range(-count - reach, count + reach + 1)]
    )
    return np.stack([one[reach - shift : reach - shift + 2 * count + 1] for shift in range(-reach, reach + 1)])


def _minimum(
    near_mm: float, shifts: NDArray[np.floating], left: Float64, total: float, samples: int, inflation: float
) -> EndFit:
    """Least misfit by a parabola through three points, and the uncertainty that its curvature gives."""
    k = int(np.clip(left.argmin(), 1, len(left) - 2))
    low, middle, high = left[k - 1 : k + 2]
    bend = low - 2.0 * middle + high
    step = float(shifts[1] - shifts[0])
    part = float(np.clip(0.5 * (low - high) / bend, -1.0, 1.0)) if bend > 0.0 else 0.0
    variance = float(left[k]) / samples
    std = inflation * step * sqrt(2.0 * variance / bend) if bend > 0.0 else float(shifts[-1])
    return EndFit(
        near_mm + float(shifts[k]) + part * step,
        min(std, float(shifts[-1])),
        1.0 - float(left[k]) / total if total > 0.0 else 0.0,
    )
