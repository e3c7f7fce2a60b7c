"""A figure as a PNG: the shapes of :mod:`~wlmeasure.share.drawing` drawn pixel by pixel, for programs that cannot show an SVG.

Lines, dashes, areas, ellipses and pictures look as they do there; text is drawn in the plain strokes of OpenCV, which know
ASCII alone, so any other character of a label becomes a question mark.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import ShareError
from wlmeasure.share.drawing import Area, Drawing, Ellipse, Label, Line, Picture, Shape

__all__ = ["png"]

Canvas = NDArray[np.uint8]
Float64 = NDArray[np.float64]

SHIFT = 4  # binary digits of a fraction of a pixel that OpenCV draws to
FONT, FONT_PX = cv2.FONT_HERSHEY_SIMPLEX, 30.0  # height of that font at scale 1, ascender to descender
RIM = tuple(
    (aside, down) for aside in (-2, -1, 0, 1, 2) for down in (-2, -1, 0, 1, 2) if 0 < abs(aside) + abs(down) < 4
)
LONGEST_SIDE = 10_000


def png(drawing: Drawing) -> bytes:
    """The drawing as a PNG file, on black where it is a film and on white otherwise.

    Raises
    ------
    ShareError
        A drawing without a size, or one that is too large.
    """
    size = round(drawing.height), round(drawing.width)
    if not 1 <= min(size) <= max(size) <= LONGEST_SIDE:
        raise ShareError(f"a picture must be 1 to {LONGEST_SIDE} pixels long: {size[0]} x {size[1]}")
    canvas = np.full((*size, 3), 0 if drawing.is_film else 255, np.uint8)
    x, y, width, height = drawing.box
    scale = np.array([size[1] / width, size[0] / height])
    for shape in drawing.shapes:
        _draw(canvas, shape, np.array([x, y]), scale)
    done, content = cv2.imencode(".png", canvas)
    if not done:
        raise ShareError("picture cannot be written as a PNG: OpenCV has no encoder for it")
    return content.tobytes()


def _draw(canvas: Canvas, shape: Shape, corner: Float64, scale: Float64) -> None:
    def at(points: Sequence[tuple[float, float]]) -> Float64:
        return np.asarray((np.asarray(points, np.float64) - corner) * scale - 0.5)

    match shape:
        case Picture():
            _picture(canvas, shape, at([(shape.x, shape.y), (shape.x + shape.width, shape.y + shape.height)]) + 0.5)
        case Line():
            _blended(canvas, shape.opacity, lambda on: _line(on, at(shape.points), shape))
        case Area():
            corners = _fixed(at(shape.points))
            _blended(
                canvas,
                shape.opacity,
                lambda on: cv2.fillPoly(on, [corners], _bgr(shape.colour), cv2.LINE_AA, SHIFT),
            )
        case Ellipse():
            _ellipse(canvas, shape, at([(shape.x, shape.y)])[0], scale)
        case Label():
            _label(canvas, shape, at([(shape.x, shape.y)])[0])


def _bgr(colour: str) -> tuple[int, int, int]:
    digits = colour.removeprefix("#")
    whole = "".join(2 * one for one in digits) if len(digits) == 3 else digits
    return int(whole[4:6], 16), int(whole[2:4], 16), int(whole[:2], 16)


def _fixed(points: Float64) -> NDArray[np.int32]:
    return np.asarray(np.rint(points * 2**SHIFT), np.int32)


def _blended(canvas: Canvas, opacity: float, paint: Callable[[Canvas], object]) -> None:
    if opacity >= 1.0:
        paint(canvas)
        return
    over = canvas.copy()
    paint(over)
    cv2.addWeighted(over, opacity, canvas, 1.0 - opacity, 0.0, dst=canvas)


def _picture(canvas: Canvas, picture: Picture, corners: Float64) -> None:
    """The picture laid over the pixels whose centres it covers."""
    (left, top), (right, bottom) = np.rint(corners).astype(int)
    inside = cv2.imdecode(np.frombuffer(picture.jpeg, np.uint8), cv2.IMREAD_COLOR)
    if inside is None or right <= left or bottom <= top:
        return
    smaller = right - left < inside.shape[1]
    laid = cv2.resize(
        inside, (right - left, bottom - top), interpolation=cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
    )
    rows, cols = canvas.shape[:2]
    y0, y1, x0, x1 = max(top, 0), min(bottom, rows), max(left, 0), min(right, cols)
    if y1 > y0 and x1 > x0:
        canvas[y0:y1, x0:x1] = laid[y0 - top : y1 - top, x0 - left : x1 - left]


def _line(canvas: Canvas, points: Float64, line: Line) -> None:
    width = max(1, round(line.width))
    for piece in _dashes(points, line.dash) if line.dash else [points]:
        cv2.polylines(canvas, [_fixed(piece)], False, _bgr(line.colour), width, cv2.LINE_AA, SHIFT)


def _dashes(points: Float64, dash: tuple[float, ...]) -> Iterator[Float64]:
    """Pieces of a line that are drawn, by lengths on and off in turn, as SVG counts them."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    pattern = dash if len(dash) % 2 == 0 else dash * 2
    if along[-1] <= 0.0 or sum(pattern) <= 0.0:
        return
    begin, k = 0.0, 0
    while begin < along[-1]:
        end = min(begin + pattern[k % len(pattern)], along[-1])
        if k % 2 == 0 and end > begin:
            inner = points[(along > begin) & (along < end)]
            ends = np.column_stack([np.interp([begin, end], along, points[:, axis]) for axis in (0, 1)])
            yield np.vstack([ends[:1], inner, ends[1:]])
        begin, k = end, k + 1


def _ellipse(canvas: Canvas, shape: Ellipse, centre: Float64, scale: Float64) -> None:
    where = tuple(int(v) for v in _fixed(centre))
    axes = tuple(int(v) for v in _fixed(np.array([shape.rx, shape.ry]) * scale))
    if shape.fill:
        cv2.ellipse(canvas, where, axes, 0.0, 0.0, 360.0, _bgr(shape.fill), -1, cv2.LINE_AA, SHIFT)
    if shape.stroke:
        width = max(1, round(shape.width))
        cv2.ellipse(canvas, where, axes, 0.0, 0.0, 360.0, _bgr(shape.stroke), width, cv2.LINE_AA, SHIFT)


def _label(canvas: Canvas, label: Label, at: Float64) -> None:
    text = label.text.encode("ascii", "replace").decode("ascii")
    size = label.size / FONT_PX
    thick = 2 if label.bold else 1
    (wide, _), _ = cv2.getTextSize(text, FONT, size, thick)
    back = {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * wide
    where = (round(float(at[0]) - back), round(float(at[1])))
    for aside, down in RIM if label.halo else ():
        cv2.putText(canvas, text, (where[0] + aside, where[1] + down), FONT, size, _bgr(label.halo), thick, cv2.LINE_AA)
    cv2.putText(canvas, text, where, FONT, size, _bgr(label.colour), thick, cv2.LINE_AA)
