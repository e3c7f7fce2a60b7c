"""Films of one tooth in space, for the screen: what is still missing, and what is drawn of them. No Qt, no layers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.image.view import view_affine
from wlmeasure.record.case import Canal, Case, Film, Trace
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.record.films import FilmResult
from wlmeasure.record.spatial import SpatialResult
from wlmeasure.share.in_space import space_text
from wlmeasure.trade.tooth import Tooth

__all__ = [
    "Label",
    "Missing",
    "Solid",
    "asks",
    "balls",
    "fitted_px",
    "frame_of",
    "laid_as_shown",
    "missing",
    "others",
    "place_beside",
    "place_over",
    "size_as_shown",
    "solid",
    "space_words",
]

Float64 = NDArray[np.float64]
GAP_SHARE = 0.03  # between two films side by side, of the width of the left one
SIDE_AWAY_MM = 4.0  # how far from the canals the words of direction stand in 3-D
BALLS_MM = 0.05  # from ball to ball of a canal in 3-D; they are drawn eight times as wide and run into one
WIDE = 1.6  # a reference point's dot, over that of an apical end


# ---- what is missing -------------------------------------------------------------------------------------------------


@frozen
class Missing:
    """What to do next for the films in space: in words, on which film, for which canal and with which tool ("look": none)."""

    words: str
    film: str
    canal: str = ""
    tool: Literal["look", "file", "canal", "reference"] = "look"


def asks(case: Case | None) -> bool:
    """Whether a case is to be put in space: several films, and one of them says how it was taken."""
    return case is not None and len(case.films) > 1 and any(film.angulation is not None for film in case.films)


def missing(result: CaseResult | None) -> Missing | None:
    """The next thing that is missing, or would sharpen the fit; None where nothing is, or the case does not ask.

    What the fit cannot do without comes first: how the films were taken, a scale, one canal on two films. Then the same canals
    and reference points on every film.
    """
    if result is None or not asks(result.case):
        return None
    told = [film for film in result.case.films if _told(film)]
    if len(told) < 2:
        first = next(film for film in result.case.films if not _told(film))
        return Missing(f"Enter how {first.id} was taken: degrees and shift of the tube, in the part Film.", first.id)
    ids = [film.id for film in told]
    scaled = [film.film.id for film in result.films if film.film.id in ids and film.calibration is not None]
    if not scaled:
        return Missing("Set a scale on one of the films.", ids[0], tool="file")
    return _direction(told) or _canals(result, ids) or _references(result.case.canals, ids) or _side(told)


def _told(film: Film) -> bool:
    known = film.angulation
    return known is not None and (known.horizontal_deg is not None or known.tube_shift == "none")


def _side_unknown(films: Sequence[Film]) -> list[Film]:
    """Shifted films of which nobody said to which side, or where mesial lies."""
    found = []
    for film in films:
        known = film.angulation
        if known is not None and known.horizontal_deg and (known.tube_shift is None or known.mesial_to is None):
            found.append(film)
    return found


def _entered(film: Film) -> str:
    """What of a film's side is still to be entered."""
    known = film.angulation
    lacks = [
        words
        for words, value in (
            ("to which side the tube was moved", None if known is None else known.tube_shift),
            ("which way mesial lies", None if known is None else known.mesial_to),
        )
        if value is None
    ]
    return f"Enter for {film.id} {' and '.join(lacks)}"


def _direction(films: Sequence[Film]) -> Missing | None:
    """Of two shifted films it must be known whether the shifts add up."""
    unknown = _side_unknown(films)
    shifted = [film for film in films if film.angulation is not None and film.angulation.horizontal_deg]
    if not unknown or len(shifted) < 2:
        return None
    return Missing(f"{_entered(unknown[0])}: with two shifted films it decides the angle between them.", unknown[0].id)


def _side(films: Sequence[Film]) -> Missing | None:
    """One shifted film can do without, but which side is buccal stays open."""
    unknown = _side_unknown(films)
    return Missing(f"{_entered(unknown[0])}: it tells buccal from lingual.", unknown[0].id) if unknown else None


def _canals(result: CaseResult, ids: list[str]) -> Missing | None:
    """Canals that are not on every film; first one that would bring the first canal on two."""
    canals = result.canals
    traced = {canal.canal.name: [t for t in canal.traces if t.trace.film in ids] for canal in canals}
    for canal in canals:
        for trace in traced[canal.canal.name]:
            if any(flag.code == "trace-reversed" for flag in trace.flags):
                words = f"Canal {canal.canal.name} on {trace.trace.film} runs from its apex; trace it from the orifice."
                return Missing(words, trace.trace.film, canal.canal.name, "canal")
    if canals and not any(traced.values()):
        name = canals[0].canal.name
        return Missing(f"Trace canal {name} on {_and(ids)}.", ids[0], name, "canal")
    for canal in canals:
        name, on = canal.canal.name, [trace.trace.film for trace in traced[canal.canal.name]]
        lacking = [film for film in ids if film not in on]
        if on and lacking:
            return Missing(f"Trace canal {name} on {lacking[0]}, too.", lacking[0], name, "canal")
        ends = {trace.trace.film: trace.trace.apical_end for trace in traced[name]}
        if len(set(ends.values())) > 1:
            first, other = next((a, b) for a in ends for b in ends if ends[a] != ends[b])
            words = f"Trace canal {name} to one kind of end: {ends[first]} on {first}, {ends[other]} on {other}."
            return Missing(words, other, name, "canal")
    return None


def _references(canals: Sequence[Canal], ids: list[str]) -> Missing | None:
    """A reference point that one film has and another has not."""
    for canal in canals:
        mine: list[Trace] = [trace for trace in canal.traces if trace.film in ids]
        marked = [trace.film for trace in mine if trace.reference_px is not None]
        lacking = [trace.film for trace in mine if trace.reference_px is None]
        if marked and lacking:
            words = f"Mark the coronal reference point of {canal.name} on {lacking[0]}, too."
            return Missing(words, lacking[0], canal.name, "reference")
    return None


def _and(names: Sequence[str]) -> str:
    return ", ".join(names[:-1]) + f" and {names[-1]}" if len(names) > 1 else names[0]


def space_words(result: CaseResult | None) -> str:
    """What the films together say, as in the length record, for a narrow column."""
    lines = [] if result is None else space_text(result)
    plain = [" ".join(line.split()) for line in lines if line]
    return "\n".join(line.replace("In three dimensions, from", "From", 1) for line in plain)


# ---- films on the canvas ---------------------------------------------------------------------------------------------


def others(case: Case | None, film_id: str) -> list[str]:
    """The films that may be shown with the one in view, in the order of the case."""
    return [] if case is None else [film.id for film in case.films if film.id != film_id]


def frame_of(film: FilmResult, shown: FilmResult) -> tuple[float, float]:
    """Rows and columns of a film in the units of the film in view: its own scale, or the other's where it has none."""
    if shown.calibration is None:
        return 1.0, film.col_over_row
    if film.calibration is not None:
        return film.calibration.mm_per_px
    row = shown.calibration.mm_per_px[0]
    return row, row * film.col_over_row


def laid_as_shown(film: FilmResult, shown: FilmResult) -> Float64:
    """How a film is laid, (3, 3), in the units of the film in view and after its scale: the picture begins at 0, 0."""
    return view_affine(film.radiograph.values.shape, frame_of(film, shown), film.film.shown_as)


def size_as_shown(film: FilmResult, shown: FilmResult) -> Float64:
    """Height and width of a film as it is shown, in the units of the film in view."""
    return np.asarray(
        np.abs(laid_as_shown(film, shown)[:2, :2]) @ (np.array(film.radiograph.values.shape) * frame_of(film, shown))
    )


def _place(film: FilmResult, shown: FilmResult, point_px: Float64) -> Float64:
    to = laid_as_shown(film, shown)
    return np.asarray(to[:2, :2] @ (point_px * frame_of(film, shown)) + to[:2, 2])


def _orifices(result: CaseResult, film: FilmResult, shown: FilmResult) -> list[tuple[Float64, Float64]]:
    """Coronal ends of the canals that both films show, where they are seen, in its units: (shown, other)."""
    found = []
    for canal in result.canals:
        on = {trace.film.film.id: trace.path.path_px[0] for trace in canal.traces}
        if film.film.id in on and shown.film.id in on:
            found.append((_place(shown, shown, on[shown.film.id]), _place(film, shown, on[film.film.id])))
    return found


def place_over(result: CaseResult, film: FilmResult, shown: FilmResult) -> tuple[float, float]:
    """How far the other film is moved, so that the coronal ends of canals coincide: what then differs is depth."""
    pairs = _orifices(result, film, shown)
    if not pairs:
        return 0.0, 0.0
    row, col = np.mean([one - other for one, other in pairs], axis=0)
    return float(row), float(col)


def place_beside(result: CaseResult, film: FilmResult, shown: FilmResult) -> tuple[float, float]:
    """How far the other film is moved: left or right by the order of the case, the canals' coronal ends level."""
    order = [one.film.id for one in result.films]
    before = order.index(film.film.id) < order.index(shown.film.id)
    left = film if before else shown
    width = float(size_as_shown(left, shown)[1]) * (1.0 + GAP_SHARE)
    return place_over(result, film, shown)[0], -width if before else width


def fitted_px(spatial: SpatialResult | None, film_id: str) -> dict[str, Float64]:
    """The fitted canals back on one film, pixels; where the films do not fit they show where."""
    if spatial is None or spatial.tooth is None or film_id not in spatial.films:
        return {}
    at = spatial.films.index(film_id)
    return {name: spatial.tooth.drawn_px(at, name) for name in spatial.tooth.scene.names}


# ---- in 3-D ----------------------------------------------------------------------------------------------------------


@frozen(eq=False)
class Label:
    """A dot or, where `size` is 0, only words, at a place of the viewer (depth, down, right), mm."""

    place_mm: Float64
    words: str
    canal: str = ""
    size: float = 0.0


@frozen(eq=False)
class Solid:
    """The canals as the viewer's 3-D view has them, mm: lines by canal, coronal parts, a cross of directions, dots, words.

    Before it is turned the view is that of the first film, as that lies on the screen; `words` stand on the canvas.
    """

    lines: dict[str, Float64]
    crowns: dict[str, Float64]
    cross: tuple[Float64, ...]
    labels: tuple[Label, ...]
    words: str


def solid(result: CaseResult | None) -> Solid | None:
    """What to turn in 3-D; None where the films gave no figures."""
    spatial = None if result is None else result.spatial
    if result is None or spatial is None or spatial.tooth is None or not spatial.canals:
        return None
    tooth = spatial.tooth
    mesial = _mesial_right(spatial)
    to_viewer = _to_viewer(spatial, _from_tube(result.tooth, mesial))
    lines = {canal.name: canal.path_mm @ to_viewer for canal in spatial.canals}
    places = {point.name: point.place_mm @ to_viewer for point in tooth.points}
    labels = [Label(line[-1], name, name, 1.0) for name, line in lines.items()]
    crowns = {}
    for canal, landmark in tooth.settings.references:
        if canal in lines and landmark in places:
            crowns[canal] = np.array([places[landmark], lines[canal][0]])
            labels.append(Label(places[landmark], "reference", canal, WIDE))
    cross, sides = _sides(
        np.vstack([canal.path_mm for canal in spatial.canals]), mesial, to_viewer, known=tooth.side_known
    )
    labels += sides
    lengths = ", ".join(f"{canal.name} {canal.length_mm:.1f} mm" for canal in spatial.canals)
    said = [f"{lengths}. First as on {spatial.films[0]}; drag to turn."]
    if not tooth.side_known:
        said.append("This or its mirror image: the side of the tube shift is not entered.")
    return Solid(lines, crowns, tuple(cross), tuple(labels), "\n".join(said))


def balls(line_mm: Float64, apart_mm: float = BALLS_MM) -> Float64:
    """(N, 3) places along a line, equally far apart and no farther than that, both ends with them."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))])
    steps = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / apart_mm)) + 1))
    return np.column_stack([np.interp(steps, along, axis) for axis in line_mm.T])


def _from_tube(tooth: Tooth, mesial_right: float | None) -> bool:
    """Whether the films show the tooth as seen from the tube, and not from the tongue's side: both ways of mounting are in use.

    From outside the mouth and with its apex down, a tooth of the lower right or upper left has mesial on its right.
    """
    return mesial_right is not None and mesial_right == (1.0 if tooth.quadrant % 2 == 0 else -1.0)


def _to_viewer(spatial: SpatialResult, from_tube: bool) -> Float64:
    """(3, 3) from the tooth's frame (x to the right with the apex down, y to the tube, z to the crown) to the viewer's.

    The viewer's first axis comes out of the screen, the others go down and right, as rows and columns of the first film.
    """
    assert spatial.tooth is not None
    axis = spatial.tooth.scene.views[0].axis_rad
    sine, cosine = np.sin(axis), np.cos(axis)
    x, y, z = [0.0, -sine, cosine], [1.0 if from_tube else -1.0, 0.0, 0.0], [0.0, -cosine, -sine]
    return np.array([x, y, z])


def _sides(
    points_mm: Float64, mesial: float | None, to_viewer: Float64, *, known: bool
) -> tuple[list[Float64], list[Label]]:
    """A cross at the height of the crown, and words at its ends: the tube stands buccally, mesial is where the films say."""
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    away = 0.5 * (high - low) + SIDE_AWAY_MM
    middle = np.array([*(0.5 * (low + high))[:2], high[2]])
    arms = [("buccal", "lingual", 1, 1.0)] if known else []
    arms += [] if mesial is None else [("mesial", "distal", 0, mesial)]
    cross, labels = [], []
    for word, opposite, axis, sign in arms:
        arm = np.zeros(3)
        arm[axis] = sign * away[axis]
        cross.append(np.array([middle - arm, middle + arm]) @ to_viewer)
        labels += [Label((middle + 1.15 * arm) @ to_viewer, word), Label((middle - 1.15 * arm) @ to_viewer, opposite)]
    return cross, labels


def _mesial_right(spatial: SpatialResult) -> float | None:
    """1 where mesial lies to the right of the tooth with its apex down, -1 to its left; None where no film says so."""
    assert spatial.tooth is not None
    for view in spatial.tooth.scene.views:
        try:
            if view.mesial_right is not None:
                return view.mesial_right
        except MeasureError:  # said along the tooth; a fit that needs it has refused
            continue
    return None
