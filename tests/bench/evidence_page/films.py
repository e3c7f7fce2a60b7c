"""Lengths from click to millimetre on phantoms, and what a perfect tracer would get from the same clicks.

A phantom is a 3-D scene whose centre lines and lengths are exact, with a hand file in one canal. The file is found by itself
(its stop clicked where none is seen), or both ends are clicked; the canal is clicked at its orifice, somewhere in its middle
third and at its end, and the reference point too, all with 1 px of error. Three lengths come of each set of clicks:

measured   clicks, traced on the picture, through calibration and measurement as the program does it
perfect    the same clicks and the same stop length on paths that are exact to the pixel
limit      exact paths, exact ends, exact stop length: what the film itself cannot show, and no program can mend
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import RULER_STD_MM, Calibration, KnownLine, calibrate_lines
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.length import measure_length
from wlmeasure.phantom import Phantom, make_phantom
from wlmeasure.phantom.truth import CanalTruth
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import find_files
from wlmeasure.trace.spline import arc_length

Float64 = NDArray[np.float64]

CLICK_SD_PX = 1.0
STOP_HALF_MM = 0.25  # a stop set by a ruler of half millimetres
TRUSTED = 0.9  # our parameter: a proposal that states less is not taken, and the file is clicked instead
TILT_DEG = 20.0
FOUND, CLICKED, INJECTED = "file found", "clicked", "stop length off"


@frozen
class Run:
    """One length from one set of clicks: errors and half-width of the stated 95 % interval in mm.

    Where no file was found or a step refused, `error_mm` and what is stated are None.
    """

    seed: int
    how: str
    short_mm: float
    injected_mm: float
    limit_mm: float
    perfect_mm: float
    error_mm: float | None = None
    std_mm: float | None = None
    half_mm: float | None = None
    terms: tuple[tuple[str, float], ...] = field(default=())


@frozen
class Clicks:
    """Where the ends and the reference point were clicked, each (row, col)."""

    stop: Float64
    tip: Float64
    orifice: Float64
    middle: Float64
    end: Float64
    reference: Float64


def film_of(seed: int, short: tuple[float, float]) -> Phantom:
    """A phantom of the page: tilted up to 20 degrees both ways, unequal spacing among them, the tip `short` mm short.

    Rows of the page share their anatomy and exposure: only how far the tip is short differs.
    """
    rng = np.random.default_rng([seed, 1])
    tilt = tuple(float(v) for v in rng.uniform(-TILT_DEG, TILT_DEG, 2))
    spacing = (0.025, float(rng.choice([0.02, 0.025, 0.03])))
    return make_phantom(
        seed,
        "typical",
        file=True,
        tip_short_mm=float(rng.uniform(*short)),
        tilt_deg=tilt,
        technique="square",
        spacing_mm=spacing,
    )


def film_runs(seed: int, short: tuple[float, float], injected: int) -> Iterator[Run]:
    """Every run on one phantom: the file found, the file clicked, and `injected` clicked ones with a wrong stop length.

    Each run has clicks of its own; the phantom is the same, so that runs on it share what the film cannot show.
    """
    phantom = film_of(seed, short)
    film = Radiograph.from_array(phantom.image)
    rng = np.random.default_rng([seed, 2, round(100.0 * short[1])])
    limit = _error_mm(phantom, _exact(phantom), 0.0)
    for how in (FOUND, CLICKED, *[INJECTED] * injected):
        clicks = _clicked(phantom, rng)
        off = float(rng.uniform(-STOP_HALF_MM, STOP_HALF_MM)) if how == INJECTED else 0.0
        truth = phantom.truth
        assert truth.file is not None
        run = Run(seed, how, truth.file.tip_short_mm, off, limit, _error_mm(phantom, clicks, off))
        try:
            yield _measured(phantom, film, clicks, run)
        except WlmeasureError as refused:
            print(f"seed {seed}, {how}: {refused}", file=sys.stderr)
            yield run


def _canal(phantom: Phantom) -> CanalTruth:
    truth = phantom.truth
    assert truth.file is not None
    return next(canal for canal in truth.canals if canal.name == truth.file.canal)


def _exact(phantom: Phantom) -> Clicks:
    canal, file = _canal(phantom), phantom.truth.file
    assert file is not None
    path = canal.path_px
    return Clicks(file.stop_px, file.tip_px, path[0], path[len(path) // 2], path[-1], canal.reference_px)


def _clicked(phantom: Phantom, rng: np.random.Generator) -> Clicks:
    true, path = _exact(phantom), _canal(phantom).path_px
    middle = path[int(rng.uniform(0.35, 0.65) * len(path))]
    points = np.array([true.stop, true.tip, true.orifice, middle, true.end, true.reference])
    return Clicks(*(points + rng.normal(0.0, CLICK_SD_PX, points.shape)))


def _scale(phantom: Phantom, path_px: Float64, off_mm: float, *, stated: bool) -> Calibration:
    file = phantom.truth.file
    assert file is not None
    row, col = phantom.mm_per_px
    line = KnownLine(path_px, file.stop_to_tip_mm + off_mm, RULER_STD_MM if stated else 0.0, "file", stated)
    return calibrate_lines([line], col_over_row=col / row)


def _moved(path: Float64, first: Float64, last: Float64) -> Float64:
    """An exact path whose ends are put, along the path, where they were clicked; the errors across it are a tracer's."""
    out = path.copy()
    for end, beside, click in ((0, 1, first), (-1, -2, last)):
        ahead = path[end] - path[beside]
        ahead /= np.hypot(*ahead)
        out[end] = path[end] + ahead * float((click - path[end]) @ ahead)
    return out


def _error_mm(phantom: Phantom, clicks: Clicks, off_mm: float) -> float:
    """Error of the length on exact paths between the clicks."""
    canal, file = _canal(phantom), phantom.truth.file
    assert file is not None
    scale = _scale(phantom, _moved(file.path_px, clicks.stop, clicks.tip), off_mm, stated=False)
    path = np.vstack([clicks.reference, _moved(canal.path_px, canal.path_px[0], clicks.end)])
    return float(arc_length(scale.to_mm(path))[-1]) - canal.total_mm


def _measured(phantom: Phantom, film: Radiograph, clicks: Clicks, run: Run) -> Run:
    file = phantom.truth.file
    assert file is not None
    stop, tip = clicks.stop, clicks.tip
    if run.how == FOUND:
        form = TipForm(file.size_mm, file.tip_angle_deg)
        proposals = find_files(film, mm_per_px=phantom.mm_per_px, tip=form)
        if not proposals or proposals[0].confidence < TRUSTED or proposals[0].tip_px is None:
            return run
        tip = proposals[0].tip_px
        stop = clicks.stop if proposals[0].stop_px is None else proposals[0].stop_px
    path = trace_line(film, np.array([stop, tip]), "file", phantom.mm_per_px).path_px
    scale = _scale(phantom, path, run.injected_mm, stated=run.how == INJECTED)
    trace = trace_line(
        film, np.array([clicks.orifice, clicks.middle, clicks.end]), "canal", scale.mm_per_px, files=[path]
    )
    found = measure_length(trace, scale, reference_px=clicks.reference)
    return Run(
        seed=run.seed,
        how=run.how,
        short_mm=run.short_mm,
        injected_mm=run.injected_mm,
        limit_mm=run.limit_mm,
        perfect_mm=run.perfect_mm,
        error_mm=found.length_mm - _canal(phantom).total_mm,
        std_mm=found.length_std_mm,
        half_mm=found.half_width_mm,
        terms=tuple((term.term, term.std_mm) for term in found.budget),
    )
