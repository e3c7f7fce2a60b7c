"""Two films of one phantom, traced and fitted in space as the program does it, and what exact paths would give.

No file lies in the canal. Each film's canal is clicked at its orifice, in its middle third and at its end with 1 px of error
and traced; the other canal of the same root, if there is one, likewise. Told to the fit is what a clinician knows: the scale of
each film (within 0.5 %), the nominal shift and its direction, where mesial lies, and the usual spreads.
"""

from __future__ import annotations

import sys

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray
from tracer import good
from two_view_cases import true_largest_deg

from wlmeasure.errors import MeasureError, WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.two_view import SpatialTooth, View, buccal_or_lingual, fit_views, one_film
from wlmeasure.phantom import Phantom, make_views
from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.truth import CanalTruth
from wlmeasure.trace.centreline import trace_line

from .films import CLICK_SD_PX

Float64 = NDArray[np.float64]

COMMON_TILT_DEG, ANGULATION_DEG, MOST_DEG = 8.0, 6.0, 24.0
"""Spread of the tilt that both films share, of the first film's own horizontal angulation, and the most of either."""
SCALE_REL_STD = 0.005
TRACED, EXACT = "traced", "exact paths"


@frozen
class PairRun:
    """One pair: the canal's length, relative errors of it and degrees of the largest Schneider angle; None where refused.

    `side` says whether a canal of the same root was put on the right side of it: None where there is none or nothing was said.
    `strayed`: a path of the canal does not keep to it by the tracer's own bench.
    """

    seed: int
    level: str
    how: str
    length_mm: float
    one_error: float
    one_angle: float
    error: float | None = None
    held: bool | None = None
    half: float | None = None
    angle: float | None = None
    two_canals: bool = False
    side: bool | None = None
    strayed: bool = False
    refused: str = ""


def pair_films(seed: int, level: str, shift_deg: float) -> tuple[Phantom, ...]:
    """Two films of one phantom, the tube shifted to mesial or to distal."""
    rng = np.random.default_rng([seed, 3])
    tilt, turn = (
        float(v) for v in np.clip(rng.standard_normal(2) * (COMMON_TILT_DEG, ANGULATION_DEG), -MOST_DEG, MOST_DEG)
    )
    shift = float(rng.choice([-1.0, 1.0])) * shift_deg
    spacing = (0.025, float(rng.choice([0.02, 0.025, 0.03])))
    return make_views(
        seed, level, shifts_deg=(0.0, shift), file=False, cap=False, confluent=False, tilt_deg=(tilt, turn),
        technique="square", spacing_mm=spacing,
    )  # fmt: skip


def pair_runs(task: tuple[int, str, float]) -> list[PairRun]:
    """The pair of one seed, traced and with exact paths."""
    seed, level, shift_deg = task
    films = pair_films(seed, level, shift_deg)
    rng = np.random.default_rng([seed, 4])
    chosen = films[0].truth.canals[int(rng.integers(len(films[0].truth.canals)))]
    names = [canal.name for canal in films[0].truth.canals if canal.root == chosen.root]
    stretch = np.exp(SCALE_REL_STD * rng.standard_normal(len(films)))
    runs = []
    for how in (TRACED, EXACT):
        try:
            paths = [{name: _path(film, name, how, rng) for name in names} for film in films]
        except WlmeasureError as refused:
            print(f"seed {seed}, {level}: {refused}", file=sys.stderr)
            runs.append(PairRun(seed, level, how, chosen.length_mm, np.nan, np.nan, refused="not traced"))
            continue
        views = [
            view_of(film, drawn, shift_deg, float(grown))
            for film, drawn, grown in zip(films, paths, stretch, strict=True)
        ]
        strayed = not all(
            good(drawn[chosen.name], _canal(film, chosen.name).path_px)
            for film, drawn in zip(films, paths, strict=True)
        )
        runs.append(evolve(_fitted(seed, level, how, views, chosen, names), strayed=strayed))
    return runs


def _canal(film: Phantom, name: str) -> CanalTruth:
    return next(canal for canal in film.truth.canals if canal.name == name)


def _path(film: Phantom, name: str, how: str, rng: np.random.Generator) -> Float64:
    true = _canal(film, name).path_px
    if how == EXACT:
        return true
    middle = int(rng.uniform(0.35, 0.65) * len(true))
    clicks = true[[0, middle, -1]] + rng.normal(0.0, CLICK_SD_PX, (3, 2))
    return np.asarray(trace_line(Radiograph.from_array(film.image), clicks, "canal", film.mm_per_px).path_px)


def view_of(film: Phantom, paths: dict[str, Float64], shift_deg: float, stretch: float) -> View:
    """The film as it is entered."""
    grown = float(np.mean([np.mean(_canal(film, name).magnification) for name in paths]))
    row, col = (stretch * size / grown for size in film.mm_per_px)
    told = film.truth.facts["shift"]
    shifted = told["direction"] != "none"
    return View(
        paths,
        (row, col),
        scale_rel_std=SCALE_REL_STD,
        horizontal_deg=shift_deg if shifted else 0.0,
        **({} if shifted else {"horizontal_std_deg": 0.0}),
        tube_shift=told["direction"],
        mesial_to=told["mesial_to"],
        sensor="with the tube",
    )


def _fitted(seed: int, level: str, how: str, views: list[View], chosen: CanalTruth, names: list[str]) -> PairRun:
    alone = one_film(views[0], chosen.name)
    true_deg = true_largest_deg(_curve(chosen))
    alone_deg = np.nan if alone.largest_deg is None else alone.largest_deg
    one = (chosen.length_mm, alone.length_mm / chosen.length_mm - 1.0, alone_deg - true_deg)
    two_canals = len(names) > 1
    try:
        tooth = fit_views(views, common_vertical_std_deg=COMMON_TILT_DEG)
    except MeasureError as refused:
        return PairRun(seed, level, how, *one, two_canals=two_canals, refused=str(refused))
    if tooth.status != "fitted":
        return PairRun(seed, level, how, *one, two_canals=two_canals, refused=tooth.status)
    canal = tooth.canal(chosen.name)
    low, high = canal.length_interval_mm
    assert canal.bends is not None
    return PairRun(
        seed,
        level,
        how,
        *one,
        error=canal.length_mm / chosen.length_mm - 1.0,
        held=low <= chosen.length_mm <= high,
        half=0.5 * (high - low) / chosen.length_mm,
        angle=canal.bends.largest.deg - true_deg,
        two_canals=two_canals,
        side=_side(tooth, names) if two_canals else None,
    )


def _side(tooth: SpatialTooth, names: list[str]) -> bool | None:
    """Whether the first canal of a root, which is the buccal one, was put there; None where nothing was said."""
    told = buccal_or_lingual(tooth, *names).side
    return None if told == "undetermined" else told == "buccal"


def _curve(canal: CanalTruth) -> Curve:
    tangents = np.gradient(canal.points_mm, canal.arc_mm, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    return Curve(canal.arc_mm, canal.points_mm, tangents, canal.kappa_per_mm)
