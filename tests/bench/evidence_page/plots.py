"""Plots as SVG, drawn by hand: lines told apart by dash as well as by colour (Okabe & Ito 2008)."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]
INK, SOFT, GRID = "#1c2329", "#5a6570", "#d8dee4"
BLUE, ORANGE, GREEN = "#0072b2", "#d55e00", "#009e73"
DASHES = {BLUE: "", ORANGE: "6 3", GREEN: "2 3"}
APART = 22  # pixels that two labels need between their middles
WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 400, 210, 46, 36, 22


def _svg(body: str, label: str, width: int = WIDTH, height: int = HEIGHT) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="plot" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" aria-label="{escape(label)}" font-size="11">{body}</svg>'
    )


def _text(x: float, y: float, words: str, anchor: str = "middle", colour: str = SOFT) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str = GRID, dash: str = "") -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-dasharray="{dash}"/>'
    )


def within_svg(
    title: str,
    lines: Sequence[tuple[str, Float64, str]],
    anchors: Sequence[tuple[float, float, str]],
    reach: float = 1.0,
) -> str:
    """Share of errors within x, x from 0 to `reach` mm, for some sets of errors, with published points beside them.

    `lines` are (name, errors in mm, colour), `anchors` (x in mm, per cent, name).
    """

    def x(mm: float) -> float:
        return LEFT + mm / reach * (WIDTH - LEFT - 12)

    def y(percent: float) -> float:
        return HEIGHT - BOTTOM - percent / 100.0 * (HEIGHT - BOTTOM - TOP)

    body = [_text(LEFT, 13, title, "start", INK)]
    for percent in (0, 25, 50, 75, 100):
        body += [_line(LEFT, y(percent), x(reach), y(percent)), _text(LEFT - 6, y(percent) + 4, f"{percent} %", "end")]
    for mm in (0.0, 0.25, 0.5, 0.75, 1.0):
        body += [_line(x(mm), y(0), x(mm), y(100)), _text(x(mm), y(0) + 14, f"{mm:g}")]
    body.append(_text(0.5 * (LEFT + WIDTH), HEIGHT - 6, "error up to, mm"))
    at = np.linspace(0.0, reach, 201)
    for k, (name, errors, colour) in enumerate(lines):
        held = np.searchsorted(np.sort(np.abs(errors)), at, side="right") / max(len(errors), 1)
        points = " ".join(f"{x(a):.1f},{y(100 * h):.1f}" for a, h in zip(at, held, strict=True))
        dash = DASHES[colour]
        body.append(
            f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>'
        )
        low = y(0) - 10 - 14 * (len(lines) + len(anchors) - 1 - k)
        body += [
            f'<line x1="{x(0.52):.1f}" y1="{low - 4:.1f}" x2="{x(0.6):.1f}" y2="{low - 4:.1f}" stroke="{colour}" '
            f'stroke-width="2" stroke-dasharray="{dash}"/>',
            _text(x(0.62), low, name, "start", INK),
        ]
    for k, (mm, percent, name) in enumerate(anchors):
        low = y(0) - 10 - 14 * (len(anchors) - 1 - k)
        body += [_diamond(x(mm), y(percent)), _diamond(x(0.56), low - 4), _text(x(0.62), low, name, "start", INK)]
    return _svg("".join(body), f"{title}: share of errors within a distance")


def _diamond(x: float, y: float) -> str:
    return f'<path d="M{x:.1f} {y - 5:.1f}l5 5l-5 5l-5 -5z" fill="#fff" stroke="{INK}" stroke-width="1.4"/>'


def histogram_svg(title: str, errors: Float64, perfect: Float64, reach: float = 1.0, step: float = 0.05) -> str:
    """Errors in bins of `step` from -reach to reach, the outer bins holding all beyond; outline: a perfect tracer."""
    edges = np.arange(-reach, reach + 0.5 * step, step)
    counts, outline = (
        np.histogram(np.clip(e, -reach + 1e-6, reach - 1e-6), edges)[0] / max(len(e), 1) for e in (errors, perfect)
    )
    top = max(float(counts.max()), float(outline.max()), 1e-9)

    def x(mm: float) -> float:
        return LEFT + (mm + reach) / (2.0 * reach) * (WIDTH - LEFT - 12)

    def y(part: float) -> float:
        return HEIGHT - BOTTOM - part / top * (HEIGHT - BOTTOM - TOP - 4)

    body = [_text(LEFT, 13, title, "start", INK), _line(x(-reach), y(0), x(reach), y(0), SOFT)]
    for mm in (-0.5, -0.25, 0.25, 0.5):
        body.append(_line(x(mm), y(0), x(mm), y(top), SOFT, "3 3"))
    for mm in (-1.0, -0.5, -0.25, 0.0, 0.25, 0.5, 1.0):
        body.append(_text(x(mm), y(0) + 14, f"{mm:g}"))
    body += [_text(LEFT - 6, y(top) + 4, f"{100 * top:.0f} %", "end"), _text(LEFT - 6, y(0) + 4, "0 %", "end")]
    body.append(_text(0.5 * (LEFT + WIDTH), HEIGHT - 6, "error, mm (positive: too long)"))
    for k, part in enumerate(counts):
        left, right = x(edges[k]), x(edges[k + 1])
        body.append(
            f'<rect x="{left + 0.5:.1f}" y="{y(part):.1f}" width="{right - left - 1:.1f}" height="{y(0) - y(part):.1f}" '
            f'fill="{BLUE}" fill-opacity="0.75"/>'
        )
    steps = " ".join(f"{x(edges[k]):.1f},{y(p):.1f} {x(edges[k + 1]):.1f},{y(p):.1f}" for k, p in enumerate(outline))
    body.append(f'<polyline points="{steps}" fill="none" stroke="{ORANGE}" stroke-width="1.6"/>')
    return _svg("".join(body), f"{title}: distribution of errors")


def dots_svg(
    title: str,
    rows: Sequence[tuple[str, float, tuple[float, float] | None]],
    *,
    span: tuple[float, float],
    band: tuple[float, float],
    unit: str,
) -> str:
    """Values as dots with their intervals, and the goal as a grey band; values beyond `span` lie on its edge."""
    left, right, row = 165, WIDTH - 60, 20
    height = TOP + row * len(rows) + 30

    def x(value: float) -> float:
        part = (min(max(value, span[0]), span[1]) - span[0]) / (span[1] - span[0])
        return left + part * (right - left)

    low = height - 24
    body = [
        _text(4, 13, title, "start", INK),
        f'<rect x="{x(band[0]):.1f}" y="{TOP}" width="{x(band[1]) - x(band[0]):.1f}" height="{low - TOP}" fill="#e3e8ec"/>',
    ]
    ends = [value for value in span if all(abs(x(value) - x(edge)) > APART for edge in band)]
    for value in dict.fromkeys((*ends, *band)):
        body += [_line(x(value), TOP, x(value), low), _text(x(value), low + 13, f"{value:g}")]
    for k, (name, value, interval) in enumerate(rows):
        y = TOP + row * (k + 0.5)
        if interval is not None:
            body.append(_line(x(interval[0]), y, x(interval[1]), y, INK))
        body.append(f'<circle cx="{x(value):.1f}" cy="{y:.1f}" r="4" fill="{BLUE}"/>')
        body += [
            _text(left - 10, y + 4, name, "end", INK),
            _text(right + 10, y + 4, f"{value:.3g}{unit}", "start", INK),
        ]
    return _svg("".join(body), title, height=height)
