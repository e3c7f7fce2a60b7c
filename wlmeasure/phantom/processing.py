"""What a clinic's software and the way of a picture do to a film: tone, sharpening, local contrast, sizes, JPEG, marks.

A picture here is float32 in [0, 1], metal bright. Every step keeps the place of every pixel: resampling goes down and up again
about common corners. That sharpening and local-contrast filters, several resamplings and JPEG are the rule was seen on real
films; radii, amounts and shares are our parameters.
"""

from __future__ import annotations

from collections.abc import Callable
from math import cos, radians, sin
from typing import Any

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.phantom.chance import draw_family
from wlmeasure.phantom.film import Detector, StoredImage, beyond_corners, expose, jpeg, stored
from wlmeasure.phantom.projection import Projection

__all__ = ["CHAINS", "Chain", "Developed", "Step", "developed", "draw_chain", "film_area", "processed"]

Float32 = NDArray[np.float32]

CHAINS = ("raw", "sharpened", "equalised", "figure")
"""Families: as the detector gives it; a clinic's usual export; local contrast raised; pictures of print and web, done twice."""
CHAIN_WEIGHTS = (0.2, 0.42, 0.22, 0.16)


@frozen
class Step:
    """One step by name with its figures."""

    name: str
    figures: tuple[float, ...] = ()


@frozen
class Chain:
    """A family, its steps in order, and the bits that are stored."""

    kind: str
    steps: tuple[Step, ...]
    bits: int = 8

    def facts(self) -> dict[str, Any]:
        """Plain values for the truth."""
        return {"kind": self.kind, "steps": [[one.name, *(round(v, 4) for v in one.figures)] for one in self.steps]}


def draw_chain(rng: np.random.Generator, kind: str | None = None, *, without: tuple[str, ...] = ()) -> Chain:
    """A chain of a family, or of any but those named in `without` (of all where that names all).

    Raises
    ------
    PhantomError
        A family that there is not.
    """
    kind = draw_family(rng, CHAINS, CHAIN_WEIGHTS, without, kind)
    u = rng.uniform
    low = float(np.clip(np.exp(rng.normal(0.35, 1.0)), 0.0, 8.0)) if rng.random() < 0.85 else 0.0
    steps = [Step("level", (low, u(93.0, 100.0), float(np.clip(rng.normal(0.55, 0.18), 0.18, 0.82))))]
    if rng.random() < 0.75:
        steps.append(Step("curve", (u(0.2, 1.0),)))
    if rng.random() < 0.35:
        steps.append(Step("shading", (u(0.02, 0.12), float(rng.integers(2**31)))))
    if kind == "raw" and rng.random() < 0.7:
        steps.append(Step("smooth", (float(np.exp(u(np.log(0.04), np.log(0.25)))),)))
    if kind in ("equalised", "figure"):
        steps.append(Step("local contrast", (u(1.0, 2.2), float(rng.integers(2, 7)), u(0.2, 0.65))))
    if kind != "raw":
        steps.append(
            Step(
                "sharpen",
                (
                    float(np.exp(u(np.log(0.04), np.log(0.15)))),
                    float(np.clip(np.exp(rng.normal(0.87, 0.48)), 0.4, 5.0)),
                ),
            )
        )
        if rng.random() < 0.65:
            steps.append(Step("sharpen", (u(0.4, 1.5), u(0.25, 1.0))))
    steps.append(Step("noise", (float(np.exp(rng.normal(-7.4, 0.9))), u(0.0, 1.5))))
    if rng.random() < {"raw": 0.15, "sharpened": 0.5, "equalised": 0.5, "figure": 1.0}[kind]:
        steps.append(Step("resample", (u(0.45, 0.95), float(rng.integers(3)))))
    if rng.random() < {"raw": 0.1, "sharpened": 0.6, "equalised": 0.6, "figure": 1.0}[kind]:
        steps.append(Step("jpeg", (float(rng.integers(45, 96)),)))
    if kind == "figure":
        steps.append(Step("resample", (u(0.6, 1.4), float(rng.integers(3)))))
        if rng.random() < 0.35:
            steps.append(Step("sharpen", (u(0.06, 0.2), u(0.2, 0.8))))
        steps.append(Step("jpeg", (float(rng.integers(55, 96)),)))
    if rng.random() < 0.12:
        steps.append(Step("floor", (u(0.02, 0.12),)))
    if rng.random() < 0.12:  # pictures enlarged from small ones, films laid on a scanner
        steps.append(Step("smooth", (u(0.1, 0.23),)))
    steps += _draw_marks(rng)
    bits = int(rng.choice([8, 12, 16], p=(0.5, 0.25, 0.25) if kind == "raw" else (0.94, 0.03, 0.03)))
    return Chain(kind, tuple(steps), bits)


@frozen(eq=False)
class Developed:
    """A film after the clinic's software.

    Attributes
    ----------
    image
        Stored values (rows, cols).
    film, clean
        The picture in [0, 1], as it is and without its noise and marks.
    """

    image: StoredImage
    film: Float32
    clean: Float32


def developed(
    beam: Float32, projection: Projection, detector: Detector, chain: Chain, bits: int, rng: np.random.Generator
) -> Developed:
    """What a beam gives on a detector (of 16 bits) and after a chain, stored in `bits`.

    The two pictures are on one scale of grey where the chain has no local steps; where it has, nearly so.
    """
    spacing = (projection.mm_per_px_row, projection.mm_per_px_col)
    top = np.float32(2**detector.bits - 1)
    film = processed(expose(beam, projection, detector, rng).astype(np.float32) / top, spacing, chain, rng)
    clean = processed(expose(beam, projection, detector, None).astype(np.float32) / top, spacing, chain, None)
    return Developed(stored(film, bits), film, clean)


def film_area(chain: Chain, shape: tuple[int, int], mm_per_px: tuple[float, float]) -> NDArray[np.uint8]:
    """Where the film itself is seen, 1, and where a frame, corners or what was not exposed are, 0; (rows, cols)."""
    seen = np.ones(shape, np.uint8)
    for one in chain.steps:
        if one.name in BORDER_STEPS:
            # What a step lets through: how far black and white are apart behind it.
            black, white = (
                _STEPS[one.name](np.full(shape, v, np.float32), mm_per_px, one.figures, None) for v in (0, 1)
            )
            seen &= (white - black > 0.5).astype(np.uint8)
    return seen


def _draw_marks(rng: np.random.Generator) -> list[Step]:
    """What lies on the picture and is no film: holder, cuts, corners, frame, letters, bars, scratches."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    seed = [float(v) for v in rng.integers(2**31, size=9)]
    drawn = [
        (0.16, Step("holder", (u(0.05, 0.5), u(0.25, 0.9), seed[0]))),
        (0.14, Step("cut", (u(0.0, 1.0), u(0.02, 0.16), u(0.0, 1.0), seed[1]))),
        (0.22, Step("vignette", (u(0.03, 0.2), u(-0.3, 0.3), u(-0.3, 0.3)))),
        (0.12, Step("scratches", (float(rng.integers(1, 7)), u(0.03, 0.25), seed[2]))),
        (0.28, Step("corners", (u(0.03, 0.13), float(rng.random() < 0.6)))),
        (0.16, Step("frame", (u(0.006, 0.04), float(rng.random() < 0.4), seed[3]))),
        (0.22, Step("letters", (float(rng.integers(1, 4)), u(0.3, 0.9), seed[4]))),
        (0.08, Step("arrow", (float(rng.integers(1, 4)), seed[5]))),
        (0.07, Step("ruler", (u(0.0, 1.0), seed[6]))),
        (0.06, Step("bar", (u(0.03, 0.09), float(rng.random() < 0.5), seed[7]))),
    ]
    chances = rng.random(len(drawn))
    return [step for chance, (share, step) in zip(chances, drawn, strict=True) if chance < share]


def processed(
    picture: Float32, mm_per_px: tuple[float, float], chain: Chain, rng: np.random.Generator | None
) -> Float32:
    """The picture after all steps of a chain, in [0, 1]; without its noise, its JPEG and its marks where `rng` is None."""
    for one in chain.steps:
        if rng is None and one.name not in TONE_STEPS:
            continue
        picture = _STEPS[one.name](picture, mm_per_px, one.figures, rng)
        np.clip(picture, 0.0, 1.0, out=picture)
    return picture


def _level(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Window from percentile to percentile, then the power that brings the middle grey of the film where it was drawn."""
    low_share, high_share, middle = figures
    small = picture[::3, ::3]
    low, high = np.percentile(small, [low_share, high_share])
    out = np.clip((picture - np.float32(low)) / np.float32(max(high - low, 1e-3)), 0.0, 1.0)
    typical = float(np.clip(np.median(out[::3, ::3]), 0.02, 0.98))
    power = float(np.clip(np.log(middle) / np.log(typical), 0.35, 2.2))
    result: Float32 = out ** np.float32(power)
    return result


def _curve(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """An S-shaped tone curve of some strength about the middle."""
    (share,) = figures
    bowed = picture * picture * (3.0 - 2.0 * picture)
    result: Float32 = picture + np.float32(share) * (bowed - picture)
    return result


def _shading(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Slow brightness over the picture."""
    strength, seed = figures
    coarse = np.random.default_rng(int(seed)).standard_normal((4, 4), dtype=np.float32)
    slow = cv2.resize(coarse, picture.shape[::-1], interpolation=cv2.INTER_CUBIC)
    result: Float32 = picture + np.float32(strength) * np.asarray(slow, np.float32) * picture
    return result


def _floor(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Black that is none, as in scans and photographs of films."""
    low = np.float32(figures[0])
    result: Float32 = low + (1.0 - low) * picture
    return result


def _smooth(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    return _gauss(picture, figures[0], mm)


def _gauss(picture: Float32, sigma_mm: float, mm: tuple[float, float]) -> Float32:
    rows, cols = (max(sigma_mm / v, 0.2) for v in mm)
    if min(rows, cols) < 4.0:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigmaX=cols, sigmaY=rows), np.float32)
    # A wide kernel on a smaller picture: the same to a percent, in a tenth of the time.
    k = int(min(rows, cols) / 2.0)
    size = (max(picture.shape[1] // k, 1), max(picture.shape[0] // k, 1))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(
        small, (0, 0), sigmaX=cols * size[0] / picture.shape[1], sigmaY=rows * size[1] / picture.shape[0]
    )
    return np.asarray(cv2.resize(small, picture.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _sharpen(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Unsharp mask: radius, mm, and amount."""
    radius_mm, amount = figures
    result: Float32 = picture + np.float32(amount) * (picture - _gauss(picture, radius_mm, mm))
    return result


def _local_contrast(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Contrast-limited adaptive histogram equalisation (Zuiderveld 1994), laid over the picture in part."""
    limit, tiles, share = figures
    eight = stored(np.clip(picture, 0.0, 1.0), 8)  # such software works on eight bits
    equal = cv2.createCLAHE(limit, (int(tiles), int(tiles))).apply(eight)
    result: Float32 = picture + np.float32(share) * (np.asarray(equal, np.float32) / np.float32(255.0) - picture)
    return result


def _noise(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: np.random.Generator) -> Float32:
    """Noise of the electronics, fine or in grains of a pixel or two, more of it where the film is dark."""
    strength, grain = figures
    drawn = rng.standard_normal(picture.shape, dtype=np.float32)
    if grain > 0.4:
        drawn = cv2.GaussianBlur(drawn, (0, 0), grain) * np.float32(2.0 * grain)
    result: Float32 = picture + np.float32(strength) * drawn * (1.3 - 0.6 * picture)
    return result


_WAYS = (cv2.INTER_AREA, cv2.INTER_LINEAR, cv2.INTER_CUBIC)


def _resample(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """To another size and back."""
    share, way = figures
    rows, cols = picture.shape
    size = (max(round(cols * share), 8), max(round(rows * share), 8))
    there = cv2.resize(picture, size, interpolation=_WAYS[int(way)])
    return np.asarray(
        cv2.resize(there, (cols, rows), interpolation=cv2.INTER_CUBIC if way > 0 else cv2.INTER_LINEAR), np.float32
    )


def _jpeg(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    back, _ = jpeg(stored(np.clip(picture, 0.0, 1.0), 8), int(figures[0]))
    return back.astype(np.float32) / np.float32(255.0)


def _holder(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """The bite block of a film holder over one border: a translucent plate with bright edges, often a hole or a bar in it."""
    wide, strength, seed = figures
    own = np.random.default_rng(int(seed))
    rows, cols = picture.shape
    layer = np.zeros(picture.shape, np.uint8)
    deep = own.uniform(0.03, 0.14) * rows
    left = own.uniform(-0.1, 0.9 - 0.8 * wide) * cols
    right = left + (0.25 + wide) * cols
    top = -0.05 * rows
    corners = np.array([[left, top], [right, top], [right + own.normal(0, 6), deep], [left + own.normal(0, 6), deep]])
    cv2.fillPoly(layer, [np.rint(corners).astype(np.int32)], 110)
    cv2.polylines(layer, [np.rint(corners).astype(np.int32)], True, 255, max(round(0.4 / mm[1]), 1), cv2.LINE_AA)
    if own.random() < 0.5:
        at = (int(own.uniform(left, right)), int(0.5 * deep))
        cv2.circle(layer, at, max(int(0.3 * deep), 2), 30, -1, cv2.LINE_AA)
    layer = np.ascontiguousarray(np.rot90(layer, 2)) if own.random() < 0.5 else layer
    soft = np.asarray(cv2.GaussianBlur(layer, (0, 0), 0.08 / mm[1] + 0.3)).astype(np.float32) / np.float32(255.0)
    result: Float32 = picture + np.float32(0.45 * strength) * soft * (1.05 - picture)
    return result


def _side(picture: Float32, turn: float) -> Float32:
    """Share of the way across the picture in a direction, 0 to 1."""
    rows, cols = picture.shape
    c, s = cos(turn), sin(turn)
    r, k = (
        np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None],
        np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :],
    )
    along = np.float32(s) * r + np.float32(c) * k
    return np.asarray(along / np.float32(abs(s) + abs(c)) + np.float32(0.5), np.float32)


def _cut(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """The collimator's edge: what lies beyond it was not exposed and is white, straight or round."""
    turn, deep, bowed, seed = figures
    own = np.random.default_rng(int(seed))
    turn = radians(90.0 * int(4 * turn) + own.normal(0.0, 12.0))
    across = _side(picture, turn)
    if bowed > 0.55:
        across = across + np.float32(0.5 * (bowed - 0.3)) * np.square(_side(picture, turn + radians(90.0)) - 0.5)
    beyond = np.clip((across - np.float32(1.0 - deep)) * picture.shape[1] / 3.0, 0.0, 1.0)
    result: Float32 = picture + beyond * (np.float32(0.97) - picture)
    return result


def _vignette(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    strength, up, left = figures
    rows, cols = picture.shape
    r = np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None] - np.float32(up)
    k = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :] - np.float32(left)
    result: Float32 = picture * (1.0 - np.float32(strength) * 2.0 * (r * r + k * k))
    return result


def _scratches(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Scratches and dust of a scanned film or a worn plate: thin, bright or dark."""
    count, strength, seed = figures
    own = np.random.default_rng(int(seed))
    layer = np.full(picture.shape, 128, np.uint8)
    rows, cols = picture.shape
    for _ in range(int(count)):
        start = own.random(2) * (cols, rows)
        way = own.normal(0.0, 0.25 if own.random() < 0.7 else 0.02, 2) * (cols, rows)
        line = np.array([start, start + 0.5 * way + own.normal(0.0, 4.0, 2), start + way])
        cv2.polylines(layer, [np.rint(line).astype(np.int32)], False, int(own.choice([20, 235])), 1, cv2.LINE_AA)
    result: Float32 = picture + np.float32(strength / 108.0) * (layer.astype(np.float32) - 128.0)
    return result


def _corners(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Rounded corners of the sensor: white as nothing was exposed there, or black as the software paints them."""
    share, black = figures
    outside = beyond_corners(picture.shape, share * max(picture.shape))
    result: Float32 = np.where(outside, np.float32(1.0 - black), picture)
    return result


def _frame(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """A frame of one shade about the film, of unlike widths."""
    share, white, seed = figures
    own = np.random.default_rng(int(seed))
    rows, cols = picture.shape
    wide = [int(share * max(rows, cols) * v) for v in own.uniform(0.0, 1.6, 4)]
    out = np.full_like(picture, white)
    inner = (slice(wide[0], rows - wide[1]), slice(wide[2], cols - wide[3]))
    out[inner] = picture[inner]
    return out


def _painted(picture: Float32, layer: NDArray[np.uint8], shade: float) -> Float32:
    """The picture with `shade` where a layer of marks (255 = opaque) covers it."""
    share = layer.astype(np.float32) / np.float32(255.0)
    result: Float32 = picture + share * (np.float32(shade) - picture)
    return result


def _letters(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """Letters burnt into the picture: sides, numbers, dates."""
    count, size, seed = figures
    own = np.random.default_rng(int(seed))
    out = picture
    rows, cols = picture.shape
    for _ in range(int(count)):
        text = str(
            own.choice(
                ["R", "L", "A", "B", "C", "1", "2", "46", "21 mm", "WL", "2019-03-08", "12:41", "#36", "mm", "a)"]
            )
        )
        scale = size * max(rows, cols) / 600.0
        near = own.random() < 0.8
        row = own.uniform(0.03, 0.12) if own.random() < 0.5 else own.uniform(0.9, 0.98)
        at = (int(own.uniform(0.02, 0.8) * cols), int((row if near else own.uniform(0.1, 0.9)) * rows))
        shade = float(own.choice([1.0, 1.0, 0.92, 0.0]))
        thick = max(round(scale * own.uniform(1.0, 2.6)), 1)
        layer = np.zeros(picture.shape, np.uint8)
        cv2.putText(layer, text, at, int(own.choice([0, 1, 2, 3])), scale, 255, thick, cv2.LINE_AA)
        out = _painted(out, layer, shade)
    return out


def _arrow(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    count, seed = figures
    own = np.random.default_rng(int(seed))
    out = picture
    rows, cols = picture.shape
    for _ in range(int(count)):
        tip = own.uniform(0.1, 0.9, 2) * (cols, rows)
        turn, length = own.uniform(0.0, 2.0 * np.pi), own.uniform(0.05, 0.14) * max(rows, cols)
        start = tip + length * np.array([cos(turn), sin(turn)])
        shade = float(own.choice([1.0, 1.0, 0.0]))
        layer = np.zeros(picture.shape, np.uint8)
        cv2.arrowedLine(
            layer, tuple(int(v) for v in start), tuple(int(v) for v in tip), 255,
            max(int(own.uniform(1.0, 4.0) * max(rows, cols) / 600), 1), cv2.LINE_AA, 0, float(own.uniform(0.2, 0.45)),
        )  # fmt: skip
        out = _painted(out, layer, shade)
    return out


def _ruler(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """A ruler along one border, a stroke a millimetre."""
    way, seed = figures
    own = np.random.default_rng(int(seed))
    out = picture.copy()
    rows, cols = picture.shape
    down = way < 0.5
    pitch, length = (mm[0], rows) if down else (mm[1], cols)
    at = int(own.uniform(0.01, 0.04) * (cols if down else rows))
    shade = float(own.choice([1.0, 0.85]))
    for k in range(int(length * pitch)):
        place, long = int(k / pitch), int((0.02 if k % 5 else 0.035) * max(rows, cols))
        if down:
            cv2.line(out, (at, place), (at + long, place), shade, 1)
        else:
            cv2.line(out, (place, at), (place, at + long), shade, 1)
    return out


def _bar(picture: Float32, mm: tuple[float, float], figures: tuple[float, ...], rng: Any) -> Float32:
    """A bar over what was written on the film."""
    wide, black, seed = figures
    own = np.random.default_rng(int(seed))
    out = picture.copy()
    rows, cols = picture.shape
    high, left = int(wide * rows), int(own.uniform(0.0, 0.6) * cols)
    top = 0 if own.random() < 0.6 else rows - high
    out[top : top + high, left : left + int(own.uniform(0.2, 0.5) * cols)] = 1.0 - black
    return out


_STEPS: dict[str, Callable[..., Float32]] = {
    "level": _level,
    "curve": _curve,
    "shading": _shading,
    "smooth": _smooth,
    "floor": _floor,
    "sharpen": _sharpen,
    "local contrast": _local_contrast,
    "noise": _noise,
    "resample": _resample,
    "jpeg": _jpeg,
    "holder": _holder,
    "cut": _cut,
    "vignette": _vignette,
    "scratches": _scratches,
    "corners": _corners,
    "frame": _frame,
    "letters": _letters,
    "arrow": _arrow,
    "ruler": _ruler,
    "bar": _bar,
}
BORDER_STEPS = frozenset({"cut", "corners", "frame", "bar"})
"""Steps beyond whose inner edge there is no film to see."""
TONE_STEPS = frozenset({"level", "curve", "floor", "shading", "smooth", "sharpen", "local contrast", "resample"})
"""Steps that make lines stronger or weaker; the others lay something on them."""
