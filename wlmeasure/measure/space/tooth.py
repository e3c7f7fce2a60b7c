"""A tooth in space from two or more films of it: its canals with their lengths, bends and uncertainties."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import degrees, hypot, sqrt
from typing import Any, Literal

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError, check_finite
from wlmeasure.flags import Flag, catalogue
from wlmeasure.measure.budget import NORMAL_95, Term
from wlmeasure.measure.curvature import CurvatureEstimate, measure_curvature
from wlmeasure.measure.space.bends import bends_of
from wlmeasure.measure.space.doubts import DOUBTS, doubts_of
from wlmeasure.measure.space.fit import (
    COMMON_TILT,
    FILMS,
    Solution,
    layout_of,
    misfit,
    parts_of,
    solve,
)
from wlmeasure.measure.space.geometry import HORIZONTAL, SCALE, VERTICAL, project
from wlmeasure.measure.space.scene import Scene, Tooth, film_of, scene_of, start
from wlmeasure.measure.space.unseen import Reading, shares_of, spread_of
from wlmeasure.measure.space.values import LONGER_IN_SPACE, FilmFit, OneFilm, SpatialCanal, SpatialPoint
from wlmeasure.measure.space.views import KnownFile, View
from wlmeasure.points import polyline_feet
from wlmeasure.trace.spline import arc_length

__all__ = [
    "SpatialTooth",
    "fit_views",
    "one_film",
    "refit",
]

Float64 = NDArray[np.float64]

COMMON_VERTICAL_STD_DEG = 8.0
"""Spread of the tilt that all films of a tooth share; our parameter: films on a holder stand within 15 degrees of the tooth."""
LEAST_SHIFT_DEG = 10.0
"""Our parameter: a nominal shift is off by up to 5 degrees, and of less than 5 degrees hardly any depth can be told."""
MARKS_LIMIT, FILMS_LIMIT = 3.5, 2.4
"""Normal deviates from which films are not taken for films of one tooth: of all marks together, which a tracing less exact than
stated lifts too, and of how the films would have to have been taken. Our parameters, from development seeds of phantoms.
"""
MISFIT_LIMIT = 1.0
"""Over both of these limits: 1 refuses from where they stand."""
SENSOR_SHARE = 0.05
"""Our parameter: a way of taking the films that is less probable than this is not spoken of."""
MOST_OVER_FILM = 1.2
"""Our parameter: of 314 molar canals (micro-CT) one view lost 15 % at worst, so that a canal was 1.18 times what it showed."""
WEAK_REL_STD = 0.06  # our parameter: a length less certain than this gains nothing over one film with a known scale

_FLAGS = catalogue(
    {
        "side-unknown": (
            "The direction of the tube shift was not entered, so it is not known which side is buccal; lengths and "
            "angles stand."
        ),
        "sensor-unknown": (
            "It was not entered whether the sensor stayed while the tube was moved or went with it, and the films do not tell; "
            "the length and its interval count both, and saying so makes the interval narrower."
        ),
        "common-tilt": (
            "A tilt that all films share against the tooth's axis does not show on them; its usual spread is part of the "
            "uncertainty."
        ),
        "depth-weak": (
            "The films tell little about the depth of this canal; the shape before it is seen is much of the answer."
        ),
        "views-do-not-fit": (
            "The marks on the films contradict each other beyond their uncertainties; check that the films show one "
            "tooth, that the same canals and landmarks carry the same names, and the angulations."
        ),
        "not-settled": "The fit had not settled when it was stopped; move the point that lies farthest from its drawn line.",
    }
)


@frozen
class Settings:
    """What a fit was asked for, kept with its result and used again by `refit`."""

    files: tuple[KnownFile, ...] = ()
    references: tuple[tuple[str, str], ...] = ()
    common_vertical_std_deg: float = COMMON_VERTICAL_STD_DEG
    shared_scale_rel_std: float = 0.0
    least_shift_deg: float = LEAST_SHIFT_DEG
    misfit_limit: float = MISFIT_LIMIT


@frozen(eq=False)
class SpatialTooth:
    """Canals and landmarks of one tooth in space.

    Attributes
    ----------
    status
        ``fitted``, or ``views do not fit``: then there are no canals, and the films' drawn-back lines show where.
    canals, points
        In the order of their names on the films.
    films
        How each film was taken.
    misfit, misfit_limit
        How far the marks contradict each other, over `MARKS_LIMIT` and `FILMS_LIMIT`, and from where that is refused.
    side_known
        Whether the direction of the tube shift is known, and with it which side is buccal.
    sensor_stayed
        Probability that the sensor stayed while the tube was moved, by the marks alone; None where that was entered.
    """

    status: Literal["fitted", "views do not fit"]
    canals: tuple[SpatialCanal, ...]
    points: tuple[SpatialPoint, ...]
    films: tuple[FilmFit, ...]
    misfit: float
    misfit_limit: float
    side_known: bool
    sensor_stayed: float | None
    flags: tuple[Flag, ...]
    scene: Scene = field(repr=False)
    solution: Solution = field(repr=False)
    settings: Settings = field(repr=False)

    @property
    def doubted(self) -> bool:
        """Whether something speaks against the films as they were entered, so that no other length should rest on them."""
        return any(flag.code in DOUBTS for flag in self.flags)

    def canal(self, name: str) -> SpatialCanal:
        """One canal.

        Raises
        ------
        MeasureError
            No such canal on two films, or films that do not fit.
        """
        for canal in self.canals:
            if canal.name == name:
                return canal
        reason = self.status if self.status != "fitted" else f"it must be one of {', '.join(self.scene.names)}"
        raise MeasureError(f"canal {name!r} has no figures in space: {reason}")

    def drawn_px(self, film: int, name: str) -> Float64:
        """(N, 2) the fitted line of a canal back on film number `film`, pixels: to compare with the picture."""
        tooth = self.solution.tooth
        return self._on_film(film, tooth.lines[self.scene.names.index(name)].points())

    def points_px(self, film: int) -> dict[str, Float64]:
        """The fitted landmarks on a film, pixels."""
        if not len(self.solution.tooth.points):
            return {}
        places = self._on_film(film, self.solution.tooth.points)
        return dict(zip(self.scene.landmarks, places, strict=True))

    def _on_film(self, film: int, points_mm: Float64) -> Float64:
        view = self.scene.views[film]
        seen = project(points_mm, film_of(self.scene, self.solution.tooth, film), view.source_mm)[0]
        placed: Float64 = (seen + self.scene.origin_mm[film]) / np.array(view.mm_per_px)
        return placed

    def to_json(self) -> dict[str, Any]:
        """Plain values for a result; `films` in the order of the views."""
        return {
            "status": self.status,
            "misfit": round(self.misfit, 2),
            "misfit_limit": self.misfit_limit,
            "side_known": self.side_known,
            "sensor_stayed": None if self.sensor_stayed is None else round(self.sensor_stayed, 3),
            "films": [
                {
                    "horizontal_deg": round(film.horizontal_deg, 2),
                    "vertical_deg": round(film.vertical_deg, 2),
                    "scale": round(film.scale, 4),
                    "worst_mm": round(film.worst_mm, 3),
                }
                for film in self.films
            ],
            "canals": [canal.to_json() for canal in self.canals],
            "points": [{"name": p.name, "place_mm": np.round(p.place_mm, 3).tolist()} for p in self.points],
            "flags": [{"code": flag.code, "text": flag.text} for flag in self.flags],
        }


def fit_views(
    views: Sequence[View],
    *,
    files: Sequence[KnownFile] = (),
    references: Mapping[str, str] | None = None,
    common_vertical_std_deg: float = COMMON_VERTICAL_STD_DEG,
    shared_scale_rel_std: float = 0.0,
    least_shift_deg: float = LEAST_SHIFT_DEG,
    misfit_limit: float = MISFIT_LIMIT,
    bends: bool = True,
) -> SpatialTooth:
    """A tooth in space from two or more films of it.

    What is known before is part of the answer, and of its interval: the nominal angulations and scales with their
    spreads, the tilt of all films, and how canals bend (`space.curve`, from published canals). A horizontal pair does
    not show a tilt that both films share. Where no film says whether its `sensor` stayed, both ways count, as of all films in
    common, each by its probability.

    Parameters
    ----------
    views
        The films. Canals and landmarks that carry one name on two or more of them are fitted; others are left out.
    files
        Files of known length in fitted canals.
    references
        For a canal the landmark that is its coronal reference point: its length then counts from there.
    common_vertical_std_deg
        Spread of the tilt that all films share against the tooth's axis, about each film's `vertical_deg`.
    shared_scale_rel_std
        Relative standard uncertainty that the scales of all films share.
    least_shift_deg
        Smallest nominal difference of two films' horizontal angulations.
    misfit_limit
        See `MISFIT_LIMIT`.
    bends
        Whether the canals' angles are asked for, which take most of the time.

    Raises
    ------
    MeasureError
        Fewer than two films; films that are not shifted against each other by `least_shift_deg`, or with several
        shifted films of unknown direction; names of files or references that are not on two films.
    """
    settings = Settings(
        tuple(files),
        tuple((references or {}).items()),
        common_vertical_std_deg,
        shared_scale_rel_std,
        least_shift_deg,
        misfit_limit,
    )
    return _fitted(tuple(views), settings, None, with_bends=bends)


def refit(before: SpatialTooth, views: Sequence[View], *, bends: bool = True) -> SpatialTooth:
    """The same fit on films on which marks have moved, begun from the result before; a change of names begins anew.

    Without `bends` the canals' angles are left out: for a point that is being dragged.
    """
    return _fitted(tuple(views), before.settings, before, with_bends=bends)


def _fitted(
    views: tuple[View, ...], settings: Settings, before: SpatialTooth | None, *, with_bends: bool = True
) -> SpatialTooth:
    if len(views) < 2:
        raise MeasureError(f"views must hold two films or more of one tooth: got {len(views)}")
    for name in ("common_vertical_std_deg", "shared_scale_rel_std"):
        if check_finite(MeasureError, name, getattr(settings, name)) < 0.0:
            raise MeasureError(f"{name} must be >= 0: {getattr(settings, name):g}")
    side_known = all(view.tube_shift is not None and view.mesial_to is not None for view in views if view.shifted)
    horizontals = [view.signed_horizontal_deg(known=side_known) for view in views]
    if not side_known and sum(view.shifted for view in views) > 1:
        raise MeasureError(
            "tube_shift and mesial_to must be entered where more than one film was taken with the tube shifted: from the "
            "angles alone it is not known whether the shifts add up"
        )
    shift = max(horizontals) - min(horizontals)
    if shift < settings.least_shift_deg:
        raise MeasureError(
            f"horizontal_deg must differ by {settings.least_shift_deg:g} degrees or more between two films: it is "
            f"{shift:g}; from so small a shift no depth can be told"
        )
    untold = any(view.shifted and view.sensor is None for view in views)
    habits = (False, True) if untold else (False,)
    # The mirror image fits as well, but tilts that are known lengthen it otherwise.
    sides = (1.0, -1.0) if not side_known and any(view.vertical_deg for view in views) else (1.0,)

    def read(side: float, *, stayed: bool) -> Reading:
        scene = _scene(views, settings, [side * angle for angle in horizontals], stayed=stayed)
        solution = solve(scene, _begin(scene, before if side > 0.0 else None))
        if before is not None and _misfit(solution) >= settings.misfit_limit:
            solution = min(solution, solve(scene, start(scene)), key=lambda one: one.objective)
        return Reading(scene, solution)

    found = [[read(side, stayed=stayed) for stayed in habits] for side in sides]
    found.sort(key=lambda readings: -max(one.solution.log_evidence for one in readings))
    stayed = float(shares_of(found[0])[1]) if untold else None
    best = found[0][0 if stayed is None else int(stayed > 0.5)]
    fits = _misfit(best.solution) < settings.misfit_limit
    flags = _remarks(best.solution, settings, fits=fits, side_known=side_known, stayed=stayed)
    if before is None:
        habit = stayed is not None and stayed > 0.5
        flags += doubts_of(best, lambda seen, angles: _scene(seen, settings, angles, stayed=habit))
    return SpatialTooth(
        "fitted" if fits else "views do not fit",
        _canals(best, found, settings, with_bends) if fits else (),
        _points(best.scene, best.solution) if fits else (),
        tuple(_film(best.scene, best.solution, k) for k in range(len(views))),
        _misfit(best.solution),
        settings.misfit_limit,
        side_known,
        stayed,
        tuple(flags),
        best.scene,
        best.solution,
        settings,
    )


def _scene(views: tuple[View, ...], settings: Settings, horizontals: Sequence[float], *, stayed: bool) -> Scene:
    """The data of the fit; `stayed` says it of the shifted films of which nobody did."""
    scene = scene_of(
        views,
        settings.files,
        horizontals,
        settings.common_vertical_std_deg,
        settings.shared_scale_rel_std,
        [view.shifted and (stayed if view.sensor is None else view.sensor == "stayed") for view in views],
    )
    for canal, landmark in settings.references:
        if canal not in scene.names:
            raise MeasureError(f"references: canal {canal!r} must be traced on two films or more")
        if landmark not in scene.landmarks:
            raise MeasureError(f"references: landmark {landmark!r} must be marked on two films or more")
    return scene


def _begin(scene: Scene, before: SpatialTooth | None) -> Tooth:
    """Where the fit begins: at the result before, if that has the same parts."""
    if before is None or len(before.scene.views) != len(scene.views):
        return start(scene)
    old = before.scene
    if (old.names, old.landmarks, old.files) != (scene.names, scene.landmarks, scene.files):
        return start(scene)
    films = before.solution.tooth.films.copy()
    films[:, -2:] += old.origin_mm - scene.origin_mm
    return evolve(before.solution.tooth, films=films)


def _misfit(solution: Solution) -> float:
    """The larger of the misfits of all marks and of how the films were taken, over their limits."""
    return max(misfit(solution) / MARKS_LIMIT, misfit(solution, *FILMS) / FILMS_LIMIT)


def _remarks(
    solution: Solution, settings: Settings, *, fits: bool, side_known: bool, stayed: float | None
) -> list[Flag]:
    """What is to be said of a fit apart from doubts about the films."""
    flags = []
    if not fits:
        flags.append(_FLAGS["views-do-not-fit"])
    if not side_known:
        flags.append(_FLAGS["side-unknown"])
    if fits and stayed is not None and SENSOR_SHARE < stayed < 1.0 - SENSOR_SHARE:
        flags.append(_FLAGS["sensor-unknown"])
    if settings.common_vertical_std_deg > 0.0:
        flags.append(_FLAGS["common-tilt"])
    if not solution.settled:
        flags.append(_FLAGS["not-settled"])
    return flags


def _film(scene: Scene, solution: Solution, k: int) -> FilmFit:
    own = film_of(scene, solution.tooth, k)
    worst = 0.0
    source = scene.views[k].source_mm
    for trace in scene.traces[k]:
        seen = project(solution.tooth.lines[trace.line].points(), own, source)[0]
        foot = polyline_feet(trace.places, seen)
        at, share = foot.piece, foot.share
        nearest = seen[at] + share[:, None] * (seen[at + 1] - seen[at])
        apart = [*(trace.places - nearest), trace.places[0] - seen[0], trace.places[-1] - seen[-1]]
        worst = max(worst, float(np.hypot(*np.array(apart).T).max()))
    for n, place in scene.marks[k]:
        seen = project(solution.tooth.points[n][None], own, source)[0]
        worst = max(worst, float(np.hypot(*(seen[0] - place))))
    return FilmFit(degrees(own[HORIZONTAL]), degrees(own[VERTICAL]), float(np.exp(own[SCALE])), worst)


def _points(scene: Scene, solution: Solution) -> tuple[SpatialPoint, ...]:
    layout = layout_of(scene, solution.tooth)
    return tuple(
        SpatialPoint(name, solution.tooth.points[k], solution.covariance[layout.points[k], layout.points[k]])
        for k, name in enumerate(scene.landmarks)
    )


def _lengths(scene: Scene, tooth: Tooth, references: Mapping[str, str]) -> tuple[Float64, Float64]:
    """Whole length and coronal part of every canal (2 C,), and their derivatives."""
    layout = layout_of(scene, tooth)
    values, slopes = np.zeros(2 * len(scene.names)), np.zeros((2 * len(scene.names), layout.size))
    for k, (name, line) in enumerate(zip(scene.names, tooth.lines, strict=True)):
        values[2 * k], slopes[2 * k, layout.length(k)] = line.length_mm, 1.0
        if name in references:
            point = scene.landmarks.index(references[name])
            way = tooth.points[point] - line.start_mm
            straight = float(np.linalg.norm(way))
            values[2 * k + 1] = straight
            slopes[2 * k + 1, layout.points[point]] = way / max(straight, 1e-9)
            part, held = layout.lines[k]
            if not held:
                slopes[2 * k + 1, part.start : part.start + 3] = -way / max(straight, 1e-9)
            values[2 * k] += straight
            slopes[2 * k] += slopes[2 * k + 1]
    return values, slopes


def _canals(
    best: Reading, found: Sequence[Sequence[Reading]], settings: Settings, with_bends: bool
) -> tuple[SpatialCanal, ...]:
    """The canals of the most probable reading, with intervals over all of them: first of its side, then of the mirror image."""
    scene, solution = best.scene, best.solution
    references = dict(settings.references)
    spread, *others = [
        spread_of(readings, lambda scene, tooth: _lengths(scene, tooth, references)) for readings in found
    ]
    _, slopes = _lengths(scene, solution.tooth, references)
    canals = []
    for k, name in enumerate(scene.names):
        line = solution.tooth.lines[k]
        low, high, median, std = (float(of[2 * k]) for of in (spread.low, spread.high, spread.median, spread.std))
        for other in others:
            low, high = min(low, float(other.low[2 * k])), max(high, float(other.high[2 * k]))
            std = max(std, 0.5 * (high - low) / NORMAL_95)
        coronal = float(spread.median[2 * k + 1])
        flags = [_FLAGS["depth-weak"]] if std > WEAK_REL_STD * median else []
        longest = max(
            float(arc_length(view.to_mm(view.canals[name]))[-1]) for view in scene.views if name in view.canals
        )
        if median - coronal > MOST_OVER_FILM * longest:
            flags.append(LONGER_IN_SPACE)
        canals.append(
            SpatialCanal(
                name=name,
                path_mm=line.points(),
                coronal_mm=coronal,
                canal_mm=median - coronal,
                length_mm=median,
                length_std_mm=std,
                length_interval_mm=(low, high),
                budget=_budget(solution, slopes[2 * k], std),
                bends=bends_of(scene, solution, k, _beam(best)) if with_bends else None,
                flags=tuple(flags),
            )
        )
    return tuple(canals)


def _beam(reading: Reading) -> Float64:
    """Unit vector towards the source of the first film."""
    own = film_of(reading.scene, reading.solution.tooth, 0)
    h, v = float(own[HORIZONTAL]), float(own[VERTICAL])
    return np.array([np.sin(h) * np.cos(v), np.cos(h) * np.cos(v), -np.sin(v)])


def _budget(solution: Solution, slopes: Float64, std: float) -> tuple[Term, ...]:
    """Parts of a length's uncertainty; the unseen tilt is what the others leave of the whole."""
    parts = parts_of(solution, slopes)
    parts.pop(COMMON_TILT, None)
    rest = hypot(*parts.values())
    terms = [Term(name, part) for name, part in parts.items() if part > 1e-4]
    tilt = sqrt(max(std**2 - rest**2, 0.0))
    if tilt > 1e-4:
        terms.insert(0, Term(COMMON_TILT, tilt))
    return tuple(terms)


def one_film(view: View, name: str, measured: CurvatureEstimate | None = None) -> OneFilm:
    """What one film alone shows of a canal, to stand beside the figures in space.

    Parameters
    ----------
    view, name
        The film, and the canal on it.
    measured
        The canal's curvature on this film where it is known already; measured here where it is not.

    Raises
    ------
    MeasureError
        A canal that is not traced on this film.
    """
    if name not in view.canals:
        raise MeasureError(f"canal {name!r} must be traced on this film: there are {', '.join(view.canals)}")
    path = view.to_mm(view.canals[name])
    bend = measure_curvature(path, noise=view.noise) if measured is None else measured
    return OneFilm(
        float(arc_length(path)[-1]),
        bend.schneider_deg,
        bend.schneider_secondary_deg,
        bend.pruett_deg,
        bend.total_turning_deg,
    )
