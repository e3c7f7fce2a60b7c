"""The pictures of a report as SVG: annotated film, close-up of the apex, curvature profile.

Colours are told apart by colour-blind eyes (Okabe & Ito 2008) and by dash in print.
"""

from __future__ import annotations

import base64
from html import escape
from math import floor

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.measure.curvature import CurvatureProfile
from wlmeasure.measure.line_arc import NORMAL_95
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.trace.spline import arc_length

__all__ = [
    "CANAL_COLOURS",
    "FILE_COLOUR",
    "apex_svg",
    "canal_colours",
    "film_definition",
    "film_svg",
    "picture_svg",
    "profile_svg",
]

# Okabe & Ito 2008: told apart by colour-blind eyes.
CANAL_COLOURS = ("#e69f00", "#009e73", "#cc79a7", "#f0e442", "#d55e00")
FILE_COLOUR = "#56b4e9"
JPEG_QUALITY = 92
LONGEST_SIDE = 1600  # pixels of the embedded picture; a larger film is reduced, its coordinates stay


def canal_colours(result: CaseResult) -> dict[str, str]:
    """One colour a canal, the same on every film and figure of a case."""
    return {c.canal.name: CANAL_COLOURS[k % len(CANAL_COLOURS)] for k, c in enumerate(result.canals)}


def picture_svg(result: CaseResult, film: FilmResult) -> str:
    """One annotated film as an SVG file of its own, with the film inside."""
    drawn = [(canal, trace) for canal in result.canals for trace in canal.traces if trace.film is film]
    figure = film_svg(film, drawn, "film", canal_colours(result), height_px=1200)
    opening, rest = figure.split(">", 1)
    return f'{opening} xmlns="http://www.w3.org/2000/svg" font-family="sans-serif"><defs>{_image(film, "film")}</defs>{rest}\n'


def film_definition(film: FilmResult, key: str) -> str:
    """The film's picture once in a page, for every figure that shows it."""
    return (
        f'<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>{_image(film, key)}</defs></svg>'
    )


def _image(film: FilmResult, key: str) -> str:
    """The film as an SVG ``<image>`` in pixel coordinates."""
    picture = film.radiograph.displayed()
    rows, cols = picture.shape
    factor = min(1.0, LONGEST_SIDE / max(rows, cols))
    smaller = cv2.resize(
        picture, (max(1, round(cols * factor)), max(1, round(rows * factor))), interpolation=cv2.INTER_AREA
    )
    _, jpeg = cv2.imencode(".jpg", smaller, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    data = base64.b64encode(jpeg.tobytes()).decode("ascii")
    # (0, 0) is the centre of the first pixel, so the picture begins half a pixel before it.
    return (
        f'<image id="{key}" x="-0.5" y="-0.5" width="{cols}" height="{rows}" preserveAspectRatio="none" '
        f'href="data:image/jpeg;base64,{data}"/>'
    )


def _line(points: NDArray[np.float64], colour: str, width: float, dash: str = "") -> str:
    keep = max(1, len(points) // 400)
    thin = np.vstack([points[:-1:keep], points[-1:]])
    path = " ".join(f"{c:.2f},{r:.2f}" for r, c in thin)
    style = f' stroke-dasharray="{dash}"' if dash else ""
    shared = 'fill="none" stroke-linejoin="round" stroke-linecap="round" vector-effect="non-scaling-stroke"'
    return (
        f'<polyline points="{path}" {shared} stroke="#000" stroke-opacity="0.55" stroke-width="{width + 1.6:g}"/>'
        f'<polyline points="{path}" {shared} stroke="{colour}" stroke-width="{width:g}"{style}/>'
    )


def _ring(point: NDArray[np.float64], colour: str, radius: float, ratio: float) -> str:
    row, col = point
    return (
        f'<ellipse cx="{col:.2f}" cy="{row:.2f}" rx="{radius / ratio:.2f}" ry="{radius:.2f}" fill="none" stroke="{colour}" '
        'stroke-width="2" vector-effect="non-scaling-stroke"/>'
    )


def _bar(point: NDArray[np.float64], colour: str, half: float, ratio: float) -> str:
    row, col = point
    return (
        f'<line x1="{col - half / ratio:.2f}" x2="{col + half / ratio:.2f}" y1="{row:.2f}" y2="{row:.2f}" stroke="{colour}" '
        'stroke-width="2.5" vector-effect="non-scaling-stroke"/>'
    )


Drawn = tuple[CanalResult, TraceResult]


def _marks(film: FilmResult, canals: list[Drawn], size: float, width: float, colours: dict[str, str]) -> list[str]:
    ratio = film.col_over_row
    parts = []
    if film.calibration is not None:
        for line in film.calibration.lines:
            # Wide, below the canal's thin line, so that a file lying in the canal shows on both sides of it.
            parts.append(_line(line.path_px, FILE_COLOUR, 2.6 * width))
            parts.append(_bar(line.path_px[0], FILE_COLOUR, 3.0 * size, ratio))
    for canal, trace in canals:
        colour = colours[canal.canal.name]
        path = trace.path.path_px
        if trace.trace.reference_px is not None:
            reference = np.array(trace.trace.reference_px)
            parts.append(_line(np.vstack([reference, path[:1]]), colour, width, "2 5"))
            parts.append(_bar(reference, colour, 3.0 * size, ratio))
        parts += [_line(piece, colour, width, "" if seen else "3 4") for piece, seen in trace.pieces]
        parts.append(_ring(path[-1], colour, size, ratio))
        parts.append(_working_length_dot(canal, trace, colour, 0.55 * size))
    return parts


def _working_length_dot(canal: CanalResult, trace: TraceResult, colour: str, radius: float) -> str:
    """Where along the traced canal the proposed working length ends; nothing where none is proposed."""
    proposed, length, calibration = canal.working_length.length_mm, trace.length, trace.film.calibration
    if proposed is None or length is None or calibration is None:
        return ""
    along = arc_length(calibration.to_mm(trace.path.path_px))
    at = proposed - length.coronal_mm
    if not 0.0 <= at <= along[-1]:
        return ""
    row, col = (float(np.interp(at, along, trace.path.path_px[:, axis])) for axis in (0, 1))
    return (
        f'<ellipse cx="{col:.2f}" cy="{row:.2f}" rx="{radius / trace.film.col_over_row:.2f}" ry="{radius:.2f}" '
        f'fill="#fff" stroke="{colour}" stroke-width="2" vector-effect="non-scaling-stroke"/>'
    )


def film_svg(film: FilmResult, canals: list[Drawn], key: str, colours: dict[str, str], height_px: int = 620) -> str:
    """The whole film with file, canals, reference points, apical ends and a scale bar of whole millimetres."""
    rows, cols = film.radiograph.values.shape
    ratio = film.col_over_row
    parts = [f'<use href="#{key}"/>', *_marks(film, canals, rows / 110.0, 1.8, colours)]
    if film.calibration is not None:
        parts.append(_scale_bar(film.calibration.mm_per_px_col, rows, cols, ratio))
    width = height_px * cols * ratio / rows
    names = ", ".join(canal.canal.name for canal, _ in canals) or "no canal"
    return (
        f'<svg class="film" viewBox="-0.5 -0.5 {cols} {rows}" width="{width:.0f}" height="{height_px}" '
        f'preserveAspectRatio="none" role="img" aria-label="Film {escape(film.film.id)} with {escape(names)} drawn on it">'
        + "".join(parts)
        + "</svg>"
    )


def _scale_bar(mm_per_px: float, rows: int, cols: int, ratio: float) -> str:
    """A bar along a row of pixels in the lower left corner: 5 mm, or 1 mm on a small film."""
    mm = 5 if 5.0 / mm_per_px < 0.6 * cols else 1
    length = mm / mm_per_px
    y, x, tick = rows * 0.97, cols * 0.04, rows * 0.008
    size = rows * 0.024
    bars = "".join(
        f'<path d="M{x:.1f} {y - tick:.1f}v{2 * tick:.1f}M{x:.1f} {y:.1f}h{length:.2f}m0 {-tick:.1f}v{2 * tick:.1f}" '
        f'fill="none" stroke="{colour}" stroke-width="{width}" vector-effect="non-scaling-stroke"/>'
        for colour, width in (("#000", 4.5), ("#fff", 2))
    )
    # The text keeps its shape where rows and columns are spaced differently.
    return bars + (
        f'<text transform="translate({x + length + size * 0.4 / ratio:.1f} {y + size * 0.33:.1f}) scale({1.0 / ratio:.4f} 1)" '
        f'font-size="{size:.1f}" fill="#fff" stroke="#000" stroke-width="{size / 7:.1f}" paint-order="stroke">{mm} mm</text>'
    )


def apex_svg(
    canal: CanalResult, trace: TraceResult, key: str, colour: str, side_mm: float = 5.0, side_px: int = 240
) -> str:
    """Close-up of the apical end of one canal, `side_mm` square, from the same picture."""
    film = trace.film
    if film.calibration is None:
        return ""
    row, col = trace.path.path_px[-1]
    high, wide = side_mm / film.calibration.mm_per_px_row, side_mm / film.calibration.mm_per_px_col
    box = f"{col - 0.5 * wide:.2f} {row - 0.6 * high:.2f} {wide:.2f} {high:.2f}"
    parts = [f'<use href="#{key}"/>', *_marks(film, [(canal, trace)], high / 26.0, 1.5, {canal.canal.name: colour})]
    return (
        f'<svg class="film" viewBox="{box}" width="{side_px}" height="{side_px}" preserveAspectRatio="none" role="img" '
        f'aria-label="Close-up of the apical end, {side_mm:g} mm wide">' + "".join(parts) + "</svg>"
    )


def profile_svg(trace: TraceResult, colour: str, width: int = 420, height: int = 190) -> str:
    """Curvature along the canal from the orifice, with its 95 % band and the fitted bends below."""
    curvature, calibration = trace.curvature, trace.film.calibration
    if curvature is None or calibration is None:
        return ""
    profile: CurvatureProfile = curvature.profile
    total = float(arc_length(calibration.to_mm(trace.path.path_px))[-1])
    left, right, top, bottom = 46, 14, 14, 40
    band = NORMAL_95 * profile.std_per_mm
    reach = max(0.1, float((np.abs(profile.per_mm) + band).max()))
    ticks = 0.1 if reach < 0.35 else 0.2 if reach < 0.9 else 0.5
    reach = (floor(reach / ticks) + 1) * ticks
    low = -reach if float(profile.per_mm.min()) < -0.25 * reach else -0.25 * reach
    high = reach if float(profile.per_mm.max()) > 0.25 * reach else 0.25 * reach

    def x(mm: float) -> float:
        return left + (width - left - right) * mm / total

    def y(value: float) -> float:
        return top + (height - top - bottom) * (high - value) / (high - low)

    parts = []
    for k, (begin, end) in enumerate(curvature.model.breaks_mm.reshape(-1, 2)):
        parts.append(
            f'<rect x="{x(begin):.1f}" y="{top}" width="{x(end) - x(begin):.1f}" height="{height - top - bottom}" '
            'fill="#e7ebef">'
            f"<title>fitted bend {k + 1}: {begin:.1f} to {end:.1f} mm</title></rect>"
        )
    value = floor(low / ticks) * ticks
    while value <= high + 1e-9:
        if value >= low - 1e-9:
            strong = abs(value) < 1e-9
            parts.append(
                f'<line x1="{left}" x2="{width - right}" y1="{y(value):.1f}" y2="{y(value):.1f}" '
                f'stroke="{"#8a929b" if strong else "#dde2e7"}"/>'
                f'<text x="{left - 6}" y="{y(value) + 4:.1f}" text-anchor="end">{abs(value):.1f}</text>'
            )
        value += ticks
    for mm in range(0, int(total) + 1, 2 if total < 15 else 4):
        parts.append(f'<text x="{x(mm):.1f}" y="{height - bottom + 15}" text-anchor="middle">{mm}</text>')
    lower, middle, upper = (
        [f"{x(a):.1f},{y(v):.1f}" for a, v in zip(profile.at_mm, profile.per_mm + shift, strict=True)]
        for shift in (-band, 0.0 * band, band)
    )
    parts.append(f'<polygon points="{" ".join(upper + lower[::-1])}" fill="{colour}" fill-opacity="0.25"/>')
    parts.append(f'<polyline points="{" ".join(middle)}" fill="none" stroke="#222" stroke-width="1.6"/>')
    if curvature.min_radius_at_mm is not None and curvature.form != "I":
        k = profile.sharpest
        parts.append(
            f'<circle cx="{x(float(profile.at_mm[k])):.1f}" cy="{y(float(profile.per_mm[k])):.1f}" r="3.5" fill="#222"/>'
        )
    return (
        f'<svg class="plot" font-size="11.5" font-family="sans-serif" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" role="img" aria-label="Curvature along the canal">{"".join(parts)}'
        f'<text x="{(left + width - right) / 2:.0f}" y="{height - 8}" text-anchor="middle">mm from the orifice</text>'
        f'<text transform="translate(12 {(top + height - bottom) / 2:.0f}) rotate(-90)" '
        'text-anchor="middle">curvature, 1/mm</text>'
        "</svg>"
    )
