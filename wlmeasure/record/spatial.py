"""What several films of one tooth say together: the films and traces of a case as views, and the fit of them in space.

A case asks for it by saying how its films were taken: two films or more with an `angulation`, not all the same, on which the
same canal is traced to the same kind of end. Nothing else of the result rests on it: it stands beside what each film gives
alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from math import hypot, sqrt
from typing import Any

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import CLICK_STD_PX, Calibration, KnownLine
from wlmeasure.errors import MeasureError
from wlmeasure.flags import Flag, catalogue
from wlmeasure.measure.budget import Term, one_sided_mm
from wlmeasure.measure.length import path_noise
from wlmeasure.measure.space.views import END_STD_MM, POINT_STD_MM, TRACE_NOISE
from wlmeasure.measure.two_view import (
    KnownFile,
    OneFilm,
    SideOf,
    SpatialCanal,
    SpatialTooth,
    View,
    buccal_or_lingual,
    fit_views,
    one_film,
)
from wlmeasure.record import case as members
from wlmeasure.record.films import FilmResult
from wlmeasure.trade.canal_names import lies_buccal

TYPE_CHECKING = False  # evaluate imports this module
if TYPE_CHECKING:
    from wlmeasure.record.evaluate import CanalResult, TraceResult

__all__ = ["SpatialResult", "against_names", "spatial_result"]

Float64 = NDArray[np.float64]

FILE_SCALE_REL_STD = 0.04
"""How far a scale taken from a file is off by the file's own foreshortening on that film; our parameter (16 degrees)."""
NO_SCALE_REL_STD = 0.3
"""A film without a scale takes that of another one, give or take this: the fit finds it."""
FILE_SEAT_MM = 0.5
"""How near a file's tip must lie to the tip marked in a canal to be that canal's file; our parameter."""

NAMES_SAY_OTHERWISE = "names-say-otherwise"

_FLAGS = catalogue(
    {
        "space-refused": "The films cannot be put together in space.",
    }
)


@frozen(eq=False)
class SpatialResult:
    """A case's films together.

    Attributes
    ----------
    films
        Ids, in the order of the views.
    tooth
        The fit; None where the films were refused, which `flags` explain.
    single
        What each film alone shows of each canal, by (canal, film id).
    sides
        Where canals lie to each other.
    made_from
        What the fit rests on, by identity: the same things give the same fit.
    """

    films: tuple[str, ...]
    tooth: SpatialTooth | None
    single: Mapping[tuple[str, str], OneFilm]
    sides: tuple[SideOf, ...]
    flags: tuple[Flag, ...]
    made_from: tuple[Any, ...]

    @property
    def canals(self) -> tuple[SpatialCanal, ...]:
        """The canals in space; none where the films were refused or do not fit."""
        return () if self.tooth is None else self.tooth.canals

    @property
    def doubted(self) -> bool:
        """Whether something speaks against the films as they were entered: then no working length rests on them together."""
        return self.tooth is not None and (
            self.tooth.doubted or any(flag.code == NAMES_SAY_OTHERWISE for flag in self.flags)
        )


def spatial_result(
    films: Sequence[FilmResult], canals: Sequence[CanalResult], before: SpatialResult | None = None
) -> SpatialResult | None:
    """The films of a case in space; None for a case that does not ask for it.

    Parameters
    ----------
    films, canals
        As evaluated, each film alone.
    before
        An earlier result, taken where it rests on the same things.
    """
    angled = [film for film in films if film.film.angulation is not None and _shift_told(film.film.angulation)]
    if len(angled) < 2:
        return None
    traces = _traces(angled, canals)
    made_from = (
        *(part for film in angled for part in (film.film.angulation, film.calibration)),
        *(part for (name, _), trace in traces.items() for part in (name, trace.path, trace.trace)),
    )
    if before is not None and _same(before.made_from, made_from):
        return before
    used = [film for film in angled if any(film_id == film.film.id for _, film_id in traces)]
    if len({_angle(film.film.angulation) for film in used if film.film.angulation is not None}) < 2:
        return None  # films of one direction, or of other canals: nobody meant them to be put together
    ids = tuple(film.film.id for film in used)
    try:
        views, files, references = _views(used, canals, traces)
        tooth = fit_views(views, files=files, references=references, shared_scale_rel_std=_shared(used, files))
    except MeasureError as error:
        flag = _FLAGS["space-refused"]
        return SpatialResult(ids, None, {}, (), (Flag(flag.code, f"{flag.text} {error}."),), made_from)
    names = [canal.name for canal in tooth.canals]
    single = {
        (name, film_id): one_film(view, name, traces[name, film_id].curvature)
        for view, film_id in zip(views, ids, strict=True)
        for name in names
        if name in view.canals
    }
    sides = tuple(buccal_or_lingual(tooth, one, other) for one, other in combinations(names, 2))
    named = _named(against_names(sides))
    if named:
        # Which side is buccal hangs on an entry that is wrong somewhere, so no side is said, of canals or of bends.
        tooth = evolve(tooth, side_known=False)
        sides = tuple(
            evolve(side, side="undetermined", certainty=None, reason="the canals' names say otherwise than the films")
            for side in sides
        )
    flags = (*named, *tooth.flags, *(flag for film in used for flag in _slid(film)))
    return SpatialResult(ids, tooth, single, sides, flags, made_from)


def against_names(sides: Sequence[SideOf]) -> tuple[SideOf, ...]:
    """Those of `sides` that were found to be the other way round than the canals' names say."""
    found = []
    for side in sides:
        named = lies_buccal(side.name, side.other)
        if named is not None and side.side == ("lingual" if named else "buccal"):
            found.append(side)
    return tuple(found)


def _named(against: Sequence[SideOf]) -> tuple[Flag, ...]:
    """What to say, and to do, where canals were found on the other side than their names say."""
    if not against:
        return ()
    pairs = " and ".join(
        f"{side.name} lies {side.side} of {side.other} ({min(100.0 * (side.certainty or 0.0), 99.9):.1f} % sure)"
        for side in against
    )
    text = (
        f"By the films as entered {pairs}, which their names contradict: check that the films or the sides of their tube shift "
        "are not exchanged, that mesial is entered right, that no film lies mirrored, and the names; until then no side is "
        "said, and no working length rests on the films together."
    )
    return (Flag(NAMES_SAY_OTHERWISE, text),)


def _slid(film: FilmResult) -> tuple[Flag, ...]:
    """A scale that may be too large and not too small enters the fit by its rms, as if it were spread evenly: say so."""
    if film.calibration is None:
        return ()
    terms = [Term(name, std, shape=film.calibration.shape_of(name)) for name, std in film.calibration.terms]
    if not one_sided_mm(terms):
        return ()
    text = (
        f"Film {film.film.id}: the stop is not known to have been seated, so its scale, and a length in space by it, may be up "
        f"to {100.0 * one_sided_mm(terms):.0f} % too large and not too small; the intervals in space take this as even to both "
        "sides."
    )
    return (Flag("space-scale-one-sided", text),)


def _angle(angulation: members.Angulation) -> tuple[float, str | None]:
    """From where a film was taken; films taken without a shift are alike however that was entered."""
    horizontal = angulation.horizontal_deg or 0.0
    return (
        (0.0, "none") if horizontal == 0.0 or angulation.tube_shift == "none" else (horizontal, angulation.tube_shift)
    )


def _shift_told(angulation: members.Angulation) -> bool:
    return angulation.horizontal_deg is not None or angulation.tube_shift == "none"


def _same(before: tuple[Any, ...], now: tuple[Any, ...]) -> bool:
    return len(before) == len(now) and all(
        one is other or (isinstance(one, str | members.Angulation | members.Trace) and one == other)
        for one, other in zip(before, now, strict=True)
    )


def _traces(films: Sequence[FilmResult], canals: Sequence[CanalResult]) -> dict[tuple[str, str], TraceResult]:
    """Traces by canal and film: of canals that two of the films show to the same kind of end, and run the right way."""
    ids = [film.film.id for film in films]
    found: dict[tuple[str, str], TraceResult] = {}
    for canal in canals:
        mine = [
            trace
            for trace in canal.traces
            if trace.trace.film in ids and all(flag.code != "trace-reversed" for flag in trace.flags)
        ]
        ends = [trace.trace.apical_end for trace in mine]
        common = [trace for trace in mine if ends.count(trace.trace.apical_end) > 1]
        if common:
            kind = max(set(ends), key=ends.count)
            found |= {(canal.canal.name, t.trace.film): t for t in common if t.trace.apical_end == kind}
    return found


def _views(
    films: Sequence[FilmResult], canals: Sequence[CanalResult], traces: Mapping[tuple[str, str], TraceResult]
) -> tuple[list[View], list[KnownFile], dict[str, str]]:
    scaled = [film.calibration for film in films if film.calibration is not None]
    if not scaled:
        raise MeasureError("scale must be known of one film: none of them has one; set a scale")
    points: dict[str, dict[str, Float64]] = {film.film.id: {} for film in films}
    for (name, film_id), trace in traces.items():
        for kind, place in (("reference", trace.trace.crown_px), ("tip", trace.trace.file_tip_px)):
            if place is not None:
                points[film_id][f"{kind} {name}"] = np.array(place)
    files = _files(films, traces, points)
    held = [name for own in points.values() for name in own]
    references = {
        canal.canal.name: f"reference {canal.canal.name}"
        for canal in canals
        if held.count(f"reference {canal.canal.name}") > 1
    }
    views = []
    for film in films:
        angulation, calibration = film.film.angulation, film.calibration
        assert angulation is not None
        own = {name: trace for (name, film_id), trace in traces.items() if film_id == film.film.id}
        known = calibration or scaled[0]
        rough = max((path_noise(trace.path, known) for trace in own.values()), key=lambda noise: noise.std_mm)
        views.append(
            View(
                {name: trace.path.path_px for name, trace in own.items()},
                known.mm_per_px,
                points=points[film.film.id],
                scale_rel_std=NO_SCALE_REL_STD if calibration is None else _own_scale_std(film),
                horizontal_deg=angulation.horizontal_deg or 0.0,
                tube_shift=angulation.tube_shift,  # type: ignore[arg-type]  # the members' words are the same
                mesial_to=angulation.mesial_to,  # type: ignore[arg-type]
                vertical_deg=angulation.vertical_deg or 0.0,
                sensor=angulation.sensor,  # type: ignore[arg-type]
                end_std_mm=_found_again_mm(END_STD_MM, film, known),
                point_std_mm=_found_again_mm(POINT_STD_MM, film, known),
                # What a tracer says of its own path leaves out what two films call the middle of a canal.
                noise=rough if rough.std_mm > TRACE_NOISE.std_mm else TRACE_NOISE,
            )
        )
    return views, files, references


def _found_again_mm(careful_mm: float, film: FilmResult, known: Calibration) -> float:
    """How well an end is found again on another film by who clicks worse than by 1 px, which `careful_mm` holds."""
    worse_px = sqrt(max(film.click_std_px**2 - CLICK_STD_PX**2, 0.0))
    return hypot(careful_mm, worse_px * max(known.mm_per_px))


def _own_scale_std(film: FilmResult) -> float:
    """Relative spread of a film's own scale: of a file that may lie foreshortened, more than of the fit's default."""
    from_file = any(isinstance(scale, members.KnownFile | members.FileTaper) for scale in film.film.scale)
    assert film.calibration is not None
    return hypot(film.calibration.rel_std, FILE_SCALE_REL_STD if from_file else 0.01)


def _shared(films: Sequence[FilmResult], files: Sequence[KnownFile]) -> float:
    """What the scales of all films share: the known length, where one gave them all and stands not in the fit itself."""
    if files:
        return 0.0
    return min((film.calibration.rel_std for film in films if film.calibration is not None), default=0.0)


def _files(
    films: Sequence[FilmResult],
    traces: Mapping[tuple[str, str], TraceResult],
    points: Mapping[str, dict[str, Float64]],
) -> list[KnownFile]:
    """Files of known length that two films show in the same canal; their stops become landmarks of those films."""
    found: dict[str, list[tuple[str, Float64, KnownLine]]] = {}
    for film in films:
        calibration = film.calibration
        if calibration is None:
            continue
        # Each from the stop, or from the foot of what it rested on.
        lines = [alone.lines[0] for k, alone in film.scales if isinstance(film.film.scale[k], members.KnownFile)]
        tips = [calibration.to_mm(line.path_px[-1]) for line in lines]
        for line, end in zip(lines, tips, strict=True):
            for (name, film_id), trace in traces.items():
                tip = trace.trace.file_tip_px
                if film_id != film.film.id or tip is None:
                    continue
                noted = calibration.to_mm(tip)
                nearest = min(float(np.hypot(*(other - noted))) for other in tips)  # where canals meet, this one's
                if np.hypot(*(end - noted)) <= min(FILE_SEAT_MM, nearest):
                    found.setdefault(name, []).append((film_id, line.path_px[0], line))
    files = []
    for name, seen in found.items():
        lines = [line for *_, line in seen]
        lengths, stds = [line.known_length_mm for line in lines], [line.known_length_std_mm for line in lines]
        # One file, measured once or on each film; another file on the second film is none that both show.
        if len(seen) < 2 or max(lengths) - min(lengths) > 3.0 * hypot(*stds[:2]) + 1e-9:
            continue
        for film_id, begins, _ in seen:
            points[film_id][f"stop {name}"] = begins
        std = max(hypot(line.known_length_std_mm, line.reference_std_mm, line.unseated_std_mm) for line in lines)
        files.append(KnownFile(name, float(np.mean(lengths)), std, f"tip {name}", f"stop {name}"))
    return files
