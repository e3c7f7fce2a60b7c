"""Sections of the page on lengths: errors end to end, and whether the stated intervals hold."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import numpy as np
from numpy.typing import NDArray

from .films import CLICKED, FOUND, INJECTED, STOP_HALF_MM, TILT_DEG, TRUSTED, Run, film_runs
from .plots import BLUE, GREEN, ORANGE, dots_svg, histogram_svg, within_svg
from .section import Figure, Goal, Map, Plot, Section, Table, grouped_share, share

Float64 = NDArray[np.float64]

SHORT = {"0 to 0.5 mm": (0.0, 0.5), "1 mm": (1.0, 1.0), "2 mm": (2.0, 2.0)}
INJECTED_RUNS = 1000  # a row
COVERAGE = Goal("between", 93.0, 97.0)
WIDTH_RATIO = Goal("at most", 1.15)
GOALS = {  # mean absolute error in mm, per cent within 0.5 and 0.25 mm (proposals of the project, no published ones)
    "0 to 0.5 mm": (Goal("at most", 0.08), Goal("at least", 100.0), Goal("at least", 95.0)),
    "1 mm": (None, Goal("at least", 97.0), Goal("at least", 88.0)),
    "2 mm": (None, Goal("at least", 90.0), Goal("at least", 75.0)),
}
# Best published on films and on cone-beam CT; read in their texts or abstracts.
ANCHORS = ((0.5, 84.48, "films, published"), (1.0, 96.55, "films, published"))
PUBLISHED = (
    ("Digital films, 58 premolars in vitro (Clin Pract 2022;12:1043-1053)", "not given", "84.5 %", "96.6 %"),
    ("Cone-beam CT, 260 canals (Tchorz et al., Eur Endod J 2019;4:28-32)", "0.30 mm", "not given", "100 %"),
    ("Cone-beam CT in 3-D, 70 canals (Sisli & Gulen 2021)", "not given", "85.7 %", "not given"),
)
Rows = dict[str, list[Run]]


def one_film(task: tuple[int, int]) -> list[tuple[str, Run]]:
    """All runs on one seed: (row, run)."""
    seed, injected = task
    return [(name, run) for name, short in SHORT.items() for run in film_runs(seed, short, injected)]


def length_runs(seed: int, count: int, mapped: Map) -> Rows:
    """Every run, by row of the page."""
    injected = max(1, ceil(INJECTED_RUNS / count)) if count >= 100 else 2
    rows: Rows = {name: [] for name in SHORT}
    for found in mapped("lengths", one_film, [(seed + k, injected) for k in range(count)]):
        for name, run in found:
            rows[name].append(run)
    return rows


def _of(runs: Sequence[Run], how: str) -> list[Run]:
    return [run for run in runs if run.how == how]


def _errors(runs: Sequence[Run]) -> Float64:
    return np.array([run.error_mm for run in runs if run.error_mm is not None])


def lengths_section(rows: Rows) -> Section:
    """End to end, by how far the tip is short, beside a perfect tracer, the film's own limit and the published figures."""
    figures: list[Figure] = []
    cells: list[tuple[str, ...]] = []
    plots: list[Plot] = []
    for name, runs in rows.items():
        mean_goal, half_goal, quarter_goal = GOALS[name]
        for how in (FOUND, CLICKED):
            these = _of(runs, how)
            error = _errors(these)
            label = f"tip {name} short, {how}"
            wide, narrow = (
                share(f"{label}: within {mm:g} mm", np.abs(error) <= mm, goal)
                for mm, goal in ((0.5, half_goal), (0.25, quarter_goal))
            )
            if len(error):
                figures.append(Figure(f"{label}: mean absolute error", float(np.abs(error).mean()), " mm", mean_goal))
            figures += [wide, narrow]
            measured = f"{len(_errors(these))} of {len(these)}"
            cells.append((name, how, measured, *_cells(error)))
        clicked = _of(runs, CLICKED)
        perfect = np.array([run.perfect_mm for run in clicked])
        limit = np.array([run.limit_mm for run in clicked])
        cells.append((name, "perfect tracer, same clicks", f"{len(clicked)} of {len(clicked)}", *_cells(perfect)))
        cells.append((name, "the film's own limit", f"{len(clicked)} of {len(clicked)}", *_cells(limit)))
        error = _errors(clicked)
        plots.append(
            Plot(
                histogram_svg(f"tip {name} short, file clicked", error, perfect),
                "Bars: measured. Line: perfect tracer.",
            )
        )
        plots.append(
            Plot(
                within_svg(
                    f"tip {name} short",
                    [("file found by itself", _errors(_of(runs, FOUND)), BLUE), ("file clicked", error, ORANGE),
                     ("film's own limit", limit, GREEN)],
                    ANCHORS[:1],
                ),
                "Share of lengths whose error is no larger; diamond: the best published on films.",
            )
        )  # fmt: skip
    head = (
        "tip short by",
        "how",
        "films measured",
        "bias, mm",
        "mean abs., mm",
        "95 % / max, mm",
        "within 0.5 mm",
        "within 0.25 mm",
    )
    return Section(
        "lengths",
        "How far off are the lengths?",
        "From click to millimetre: the file found by itself (its stop clicked where none is seen), or clicked; canal clicked "
        f"at orifice, in its middle third and at its end; 1 px of error on every click; films tilted up to {TILT_DEG:g} "
        "degrees both ways, bends out of the plane, unequal pixel spacing among them; the stop length exact. A perfect tracer "
        "takes the same clicks on paths that are exact to the pixel; the film's own limit is exact paths and exact ends: what "
        "a single film cannot show. A file is taken as found where the surest proposal states a confidence of "
        f"{TRUSTED:g} and more; shares are of the films measured so.",
        tuple(figures),
        (Table("Errors of the working length", head, tuple(cells)),
         Table("Published, for comparison; these include finding the landmark, the phantoms do not",
               ("source", "mean abs.", "within 0.5 mm", "within 1 mm"), PUBLISHED)),
        tuple(plots),
    )  # fmt: skip


def _cells(error: Float64) -> tuple[str, ...]:
    size = np.abs(error)
    if not len(error):
        return ("none",) * 5
    return (
        f"{error.mean():+.3f}",
        f"{size.mean():.3f}",
        f"{np.percentile(size, 95):.2f} / {size.max():.2f}",
        share("", size <= 0.5).words,
        share("", size <= 0.25).words,
    )


def coverage_section(rows: Rows) -> Section:
    """Whether the stated 95 % intervals hold, and how wide they are beside the narrowest that could."""
    figures: list[Figure] = []
    cells: list[tuple[str, ...]] = []
    dots = []
    pooled: list[tuple[int, bool]] = []
    ratios = []
    for name, runs in rows.items():
        for how in (INJECTED, CLICKED, FOUND):
            made = [run for run in _of(runs, how) if run.error_mm is not None and run.half_mm is not None]
            if not made:
                continue
            held = np.array([abs(run.error_mm) <= run.half_mm for run in made])
            half = np.array([run.half_mm for run in made])
            perfect = np.abs([run.perfect_mm for run in made])
            best = float(np.percentile(perfect, 95))
            goal = COVERAGE if how == INJECTED else None
            figure = grouped_share(
                f"tip {name} short, {how}: truth held", held, np.array([run.seed for run in made]), goal
            )
            ratio = float(half.mean()) / best
            figures.append(figure)
            if how == INJECTED:
                pooled += [(run.seed, bool(h)) for run, h in zip(made, held, strict=True)]
                ratios.append((name, ratio, None))
                figures.append(
                    Figure(
                        f"tip {name} short, {how}: half-width over the best possible", ratio, "", WIDTH_RATIO, digits=2
                    )
                )
            dots.append((f"{name}, {how}", figure.value, figure.interval))
            perfect_held = 100.0 * float(np.mean(perfect <= half))
            cells.append(
                (
                    name,
                    how,
                    f"{len(made)}",
                    figure.words,
                    f"{perfect_held:.1f} %",
                    f"{half.mean():.3f}",
                    f"{best:.3f}",
                    f"{ratio:.2f}",
                )
            )
    if pooled:
        seeds, hits = (np.array(column) for column in zip(*pooled, strict=True))
        figures.insert(0, grouped_share(f"all rows, {INJECTED}: truth held", hits, seeds, COVERAGE))
    head = (
        "tip short by",
        "how",
        "runs",
        "truth in the 95 % interval",
        "the same, exact paths",
        "mean half-width, mm",
        "best possible, mm",
        "ratio",
    )
    return Section(
        "coverage",
        "Do the 95 % intervals hold the truth?",
        f"The stop length is wrong by anything up to {STOP_HALF_MM:g} mm either way, evenly spread, and stated so; every run "
        "clicks anew. One phantom serves for several stop errors and clicks, so that runs on it share what the film cannot "
        "show: intervals of the shares are those of phantoms drawn anew. Best possible: the one half-width that would hold "
        "95 % of the errors of exact paths under the same clicks and stop errors.",
        tuple(figures),
        (Table("Stated intervals", head, tuple(cells)),),
        (Plot(dots_svg("Truth within the stated interval", dots, span=(80.0, 100.0), band=(93.0, 97.0), unit=" %"),
              "Grey: the goal for runs with a wrong stop length, 93 to 97 %."),
         Plot(dots_svg("Half-width over the best possible", ratios, span=(0.8, 1.6), band=(0.8, 1.15), unit=""),
              "Grey: the goal, at most 1.15.")),
    )  # fmt: skip
