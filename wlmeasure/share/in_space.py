"""What several films say together, in words, as JSON and as blocks of the report.

One-film and many-film figures stand side by side, so that nobody takes the one for the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.two_view import Angle, BendPlane, SideOf, SpatialBends, SpatialCanal
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.record.spatial import SpatialResult
from wlmeasure.share.drawing import Drawing, Line, Shape
from wlmeasure.share.figures import Shown, film_picture
from wlmeasure.share.page import Block, Columns, Figure, Heading, Key, Remarks, Row, Table, Text
from wlmeasure.share.result import FORMS
from wlmeasure.share.sides import SpaceLine, sides_drawing

__all__ = ["space_blocks", "space_json", "space_text"]

FITTED_COLOUR = "#ffffff"
FILM_HEIGHT = 360
STANDS_BESIDE = (
    "These figures stand beside those of the single films; the working length above rests on the film with the smallest "
    "uncertainty. A second exposure is the clinician's decision under local rules; this uses films that exist."
)


def space_json(result: SpatialResult | None) -> dict[str, Any] | None:
    """The member `spatial` of a result: null for a case that does not ask for it."""
    if result is None:
        return None
    fitted = {} if result.tooth is None else result.tooth.to_json()
    return {
        "films": list(result.films),
        "status": "refused" if result.tooth is None else result.tooth.status,
        "fit": fitted or None,
        "one_film": [
            {
                "canal": name,
                "film": film,
                "length_mm": round(one.length_mm, 4),
                "schneider_deg": _rounded(one.schneider_deg),
                "total_turning_deg": _rounded(one.total_turning_deg),
            }
            for (name, film), one in result.single.items()
        ],
        "sides": [side.to_json() for side in result.sides],
        "flags": [{"code": flag.code, "text": flag.text} for flag in result.flags],
    }


def space_text(result: CaseResult) -> list[str]:
    """Lines of the length record; none for a case that does not ask for it."""
    spatial = result.spatial
    if spatial is None:
        return []
    lines = ["", f"In three dimensions, from films {_films(spatial)}{_taken(spatial)}"]
    if spatial.tooth is not None and spatial.tooth.status != "fitted":
        lines.append(f"  no figures       {spatial.tooth.status}")
    for canal in spatial.canals:
        lines.append(f"  canal {canal.name}")
        lines.append(f"    length         {_length(canal)}  (one film: {_single(spatial, canal.name, 'length')})")
        if canal.bends is not None:
            lines.append(
                f"    curvature      {_bends(canal.bends)}  (one film: Schneider {_single(spatial, canal.name, 'angle')})"
            )
            lines += [f"    bend           {_plane(plane, spatial)}" for plane in canal.bends.planes]
        lines += [f"    ! {flag.text}" for flag in canal.flags]
    lines += [f"  {_side(side)}" for side in spatial.sides]
    lines += _sensor(spatial)
    lines += [f"  ! {flag.text}" for flag in spatial.flags]
    return lines


def _films(spatial: SpatialResult) -> str:
    return ", ".join(spatial.films[:-1]) + f" and {spatial.films[-1]}" if len(spatial.films) > 1 else spatial.films[0]


def _taken(spatial: SpatialResult) -> str:
    """How far apart the films were taken, as fitted."""
    if spatial.tooth is None or spatial.tooth.status != "fitted":
        return ""
    angles = [film.horizontal_deg for film in spatial.tooth.films]
    return f", {max(angles) - min(angles):.0f}° apart as fitted"


def _sensor(spatial: SpatialResult) -> list[str]:
    """What the films say of their sensor where nobody entered whether it stayed."""
    if not spatial.canals or spatial.tooth is None or spatial.tooth.sensor_stayed is None:
        return []
    return [
        f"  sensor stayed while the tube moved: {100.0 * spatial.tooth.sensor_stayed:.0f} % by the films, not entered"
    ]


def _length(canal: SpatialCanal) -> str:
    return f"{canal.length_mm:.1f} mm ± {NORMAL_95 * canal.length_std_mm:.1f}"


def _single(spatial: SpatialResult, name: str, what: str) -> str:
    shown = [(film, one) for (canal, film), one in spatial.single.items() if canal == name]
    if what == "length":
        return ", ".join(f"{film} {one.length_mm:.1f}" for film, one in shown) + " mm without the crown piece"
    known = [(film, one.largest_deg) for film, one in shown]
    return ", ".join(f"{film} {'not determined' if angle is None else f'{angle:.0f}°'}" for film, angle in known)


def _rounded(angle_deg: float | None) -> float | None:
    return None if angle_deg is None else round(angle_deg, 2)


def _shown(angle_deg: float | None) -> str:
    return "–" if angle_deg is None else f"{angle_deg:.0f}"


def _angle(angle: Angle) -> str:
    return f"{angle.deg:.0f}° ± {NORMAL_95 * angle.std_deg:.0f}"


def _bends(bends: SpatialBends) -> str:
    if bends.form == "I":
        return f"{FORMS['I']}; at most {bends.largest.interval_deg[1]:.0f}°"
    words = f"{FORMS[bends.form]}, Schneider {_angle(bends.schneider)}"
    if bends.schneider_secondary is not None:
        words += f" and {_angle(bends.schneider_secondary)}"
    if bends.radius_mm is not None and bends.radius_interval_mm is not None:
        low, high = bends.radius_interval_mm
        words += f", radius {bends.radius_mm:.1f} mm ({low:.1f} to {high:.1f} mm)"
    return words


def _plane(plane: BendPlane, spatial: SpatialResult) -> str:
    words = f"{plane.from_mm:.1f} to {plane.to_mm:.1f} mm, {plane.out_of_film_deg:.0f}° out of the plane of {spatial.films[0]}"
    if spatial.tooth is None or not spatial.tooth.side_known or plane.out_of_film_deg < 2.0 * plane.towards_std_deg:
        return words
    return f"{words}, towards {'buccal' if sin(radians(plane.towards_deg)) > 0.0 else 'lingual'}"


def _side(side: SideOf) -> str:
    if side.side == "undetermined":
        return f"{side.name} and {side.other}: which lies buccal is undetermined; {side.reason}"
    sure = min(100.0 * (side.certainty or 0.0), 99.9)
    apart = f"{abs(side.apart_mm):.1f} mm ± {NORMAL_95 * side.std_mm:.1f}"
    return f"{side.name} lies {side.side} of {side.other} ({sure:.1f} % sure; {apart})"


def space_blocks(result: CaseResult, colours: Mapping[str, str]) -> list[Block]:
    """The part of the report: the films with the fitted line back on them, the curve from three sides, figures side by side."""
    spatial = result.spatial
    if spatial is None:
        return []
    blocks: list[Block] = [Heading(2, f"In three dimensions, from films {_films(spatial)}", new_sheet=True)]
    tooth = spatial.tooth
    if tooth is None or tooth.status != "fitted":
        return [*blocks, Remarks(tuple(flag.text for flag in spatial.flags))]
    names = [canal.name for canal in spatial.canals]
    films = tuple(
        (Figure(_film(result, spatial, k, names, colours), f"Film {film}"),) for k, film in enumerate(spatial.films)
    )
    keys = tuple(Key(colours[name], name) for name in names)
    lines = [SpaceLine(canal.path_mm, colours[canal.name]) for canal in spatial.canals]
    titles = ("as the tube sees it", "from the side", "along the tooth")
    curve = Figure(sides_drawing(lines, "The canals in space from three sides", titles, width=520.0), "", keys)
    caption = "White: the canals in space drawn back on each film, over the traced lines."
    blocks += [Row(films), Text(caption, small=True)]
    facts: list[Block] = [_table(spatial)]
    facts += [Text(f"{_side(side)}.") for side in spatial.sides]
    facts.append(Remarks(tuple(flag.text for flag in (*spatial.flags, *(f for c in spatial.canals for f in c.flags)))))
    facts.append(Text(STANDS_BESIDE, small=True))
    return [*blocks, Columns((curve,), tuple(facts), left_share=0.5)]


def _table(spatial: SpatialResult) -> Table:
    """Figures of all films together beside those of each film alone."""
    head = ("", *(f"{film} alone" for film in spatial.films), "together")
    rows: list[tuple[str, ...]] = []
    for canal in spatial.canals:
        single = [spatial.single.get((canal.name, film)) for film in spatial.films]
        alone = tuple("–" if one is None else f"{one.length_mm:.2f}" for one in single)
        half = NORMAL_95 * canal.length_std_mm
        rows.append((f"{canal.name}: canal, mm", *alone, f"{canal.canal_mm:.2f}"))
        rows.append((f"{canal.name}: length, mm", *("" for _ in single), f"{canal.length_mm:.2f} ± {half:.2f}"))
        if canal.bends is not None:
            angles = tuple(_shown(None if one is None else one.largest_deg) for one in single)
            rows.append((f"{canal.name}: Schneider, °", *angles, _angle(canal.bends.largest).replace("°", "")))
            turns = tuple(_shown(None if one is None else one.total_turning_deg) for one in single)
            rows.append((f"{canal.name}: turning, °", *turns, _angle(canal.bends.total_turning).replace("°", "")))
    return Table(tuple(rows), head, numbers=tuple(range(1, len(head))), named=True)


def _film(result: CaseResult, spatial: SpatialResult, k: int, names: list[str], colours: Mapping[str, str]) -> Drawing:
    film = next(film for film in result.films if film.film.id == spatial.films[k])
    shown = Shown(film)
    shapes: list[Shape] = [film_picture(film)]
    for canal in result.canals:
        for trace in canal.traces:
            if trace.film is film and canal.canal.name in names:
                path = trace.path.path_px[:: max(1, len(trace.path.path_px) // 200)]
                shapes.append(Line(_xy(shown.at(path)), colours[canal.canal.name], 5.0, opacity=0.8))
    assert spatial.tooth is not None
    for name in names:
        shapes.append(Line(_xy(shown.at(spatial.tooth.drawn_px(k, name))), FITTED_COLOUR, 1.3))
    label = f"Film {spatial.films[k]} with the canals in space drawn back on it"
    return shown.drawing(shapes, FILM_HEIGHT, label)


def _xy(points: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    return tuple((float(col), float(row)) for row, col in points)
