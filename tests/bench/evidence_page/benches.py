"""Sections from the benches of tracer, file finder and estimators: what those files measure, as figures beside their goals.

Each adapter takes one function of its bench a lot of films (or a table) and puts what it gives into a `Section`; nothing is
judged here that the bench does not judge itself.
"""

from __future__ import annotations

from collections.abc import Sequence

import estimators
import film_generator as films
import find_file
import numpy as np
import tracer

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import find_files

from .plots import dots_svg
from .section import Figure, Goal, Map, Plot, Section, Table, share

# Goals of the project, per cent of films; a faint canal is to be found 20 points more often than by the clicks alone.
TRACED = {("clear", 2): 95.0, ("clear", 3): 99.0, ("typical", 2): 85.0, ("typical", 3): 97.0}
BEYOND_BLIND = Goal("at least", 20.0)
CENTRE_PX = {"clear": 0.25, "typical": 0.35, "faint": 0.5}
DOUBTED, DOUBTED_GOOD = Goal("at least", 90.0), Goal("at most", 10.0)
LOT, PEER_FILMS = 25, 1
FOUND = Goal("at least", 98.0)
SCALE, SCALE_MAX = Goal("at most", 0.06), Goal("at most", 0.15)  # error of the scale from tip to stop, per cent
TIP = Goal("at most", 0.1)  # mean error of the tip along the axis, px
RATIO, ANGLE, BIAS = Goal("at most", 1.15), Goal("at most", 1.1), Goal("at most", 0.3)
FEW_POINTS = Goal("at most", 1.3)
OUTLIERS = {"1/r": Goal("at most", 1.25), "angle": Goal("at most", 1.5)}
COVERAGE = Goal("between", 93.0, 97.0)
WIDTH = Goal("at most", 1.15)
ANGLE_ICC = Goal("at least", 0.98)
CLICKS_RMSE = {10: 0.024, 25: 0.015}
MOST_RUNS = 1000


# --- the tracer ------------------------------------------------------------------------------------------------------


def traced_films(task: tuple[str, int, int, int]) -> list[tracer.Row]:
    """The rows of one lot: condition, first seed, films, how many of them the peers see too."""
    condition, seed, count, peers = task
    return tracer.measured(condition, seed, count, peers=peers)


def _summed(rows: Sequence[tracer.Row], name: str) -> int:
    return int(sum(getattr(row, name) or 0 for row in rows))


def _mean_of_good(rows: Sequence[tracer.Row], name: str) -> float:
    held = [(getattr(row, name), row.good) for row in rows if row.good]
    return sum(value * good for value, good in held) / max(1, sum(good for _, good in held))


def tracer_section(seed: int, count: int, mapped: Map) -> Section:
    tasks = [
        (condition, seed + begin, min(LOT, count - begin), PEER_FILMS)
        for condition in tracer.CONDITIONS
        for begin in range(0, count, LOT)
    ]
    found = [row for rows in mapped("tracer", traced_films, tasks) for row in rows]
    figures, cells, dots, failed, good_all, flagged, flagged_good = [], [], [], 0, 0, 0, 0
    for condition in tracer.CONDITIONS:
        for clicks in (2, 3):
            here = [row for row in found if (row.condition, row.clicks) == (condition, clicks)]
            films_, good, blind = (_summed(here, name) for name in ("films", "good", "blind"))
            hits = np.arange(films_) < good
            goal = TRACED.get((condition, clicks))
            figure = share(f"{condition}, {clicks} clicks: path in the canal", hits, goal and Goal("at least", goal))
            figures.append(figure)
            if goal is None:
                points = 100.0 * (good - blind) / max(films_, 1)
                figures.append(
                    Figure(
                        f"{condition}, {clicks} clicks: points above the clicks alone",
                        points,
                        " %",
                        BEYOND_BLIND,
                        digits=1,
                    )
                )
            error = _mean_of_good(here, "error_px")
            if good:
                figures.append(
                    Figure(
                        f"{condition}, {clicks} clicks: mean distance",
                        error,
                        " px",
                        Goal("at most", CENTRE_PX[condition]),
                    )
                )
            dots.append((f"{condition}, {clicks} clicks", figure.value, figure.interval))
            failed, good_all = failed + films_ - good, good_all + good
            flagged += _summed(here, "flagged_failures")
            flagged_good += _summed(here, "flagged_good")
            peers = _summed(here, "peer_films")
            fmm = "not installed" if any(row.fmm is None for row in here) else f"{_summed(here, 'fmm')} of {peers}"
            cells.append(
                (condition, f"{clicks}", figure.words, share("", np.arange(films_) < blind).words,
                 f"{_summed(here, 'sato')} of {peers}", fmm,
                 f"{_summed(here, 'flagged_failures')} of {films_ - good}", f"{_summed(here, 'flagged_good')} of {good}",
                 f"{error:.2f}", f"{_mean_of_good(here, 'length_bias_mm'):+.4f}")
            )  # fmt: skip
    if failed:
        figures.append(share("failures called doubtful", np.arange(failed) < flagged, DOUBTED))
    if good_all:
        figures.append(share("good paths called doubtful", np.arange(good_all) < flagged_good, DOUBTED_GOOD))
    head = ("film", "clicks", "path in the canal", "a line or parabola through the clicks", "sato and cheapest pixels",
            "scikit-fmm", "failures doubted", "good doubted", "good: mean distance, px", "length: bias, mm")  # fmt: skip
    return Section(
        "tracer",
        "Does the traced path stay in the canal?",
        f"{count} canals of random shape a row (straight, J, C, S and free), less those that leave the film. In the canal: "
        f"mean distance below {tracer.MEAN_PX:g} px and nowhere more than {tracer.MAX_PX:g} px from the true centre line. "
        "A line or a parabola through the same clicks shows what the clicks alone are worth; the peers see one film in "
        f"{LOT}. The canal of these films lies in the middle of its root, which flatters every measure of symmetry.",
        tuple(figures),
        (Table("Success of the tracer", head, tuple(cells)),),
        (Plot(dots_svg("Path in the canal", dots, span=(0.0, 100.0), band=(90.0, 100.0), unit=" %"),
              "Goals differ by row; see the list above."),),
    )  # fmt: skip


# --- the file finder -------------------------------------------------------------------------------------------------

Plain = list[tuple[bool, float, float]]


def plain_film(seed: int) -> Plain:
    """One plain film: for every file (found, error of the scale in per cent, error of the tip in px)."""
    film = films.varied(seed, file=True)
    radiograph = Radiograph.from_array(film.values, bright_is_dense=film.bright_is_dense)
    proposals = find_files(radiograph, mm_per_px=film.mm_per_px, tip=TipForm())
    files: Plain = []
    for file in film.files:
        right = [proposal for proposal in proposals if find_file.found(proposal, file)]
        if not right:
            files.append((False, np.nan, np.nan))
            continue
        true = find_file.length_mm(file.path_px, film.mm_per_px)
        scale = 100.0 * (true / find_file.length_mm(right[0].path_px, film.mm_per_px) - 1.0)
        tip = find_file.along(right[0].tip_px, file, 1) if right[0].tip_px is not None else np.nan
        files.append((True, scale, tip))
    return files


def finder_section(seed: int, count: int, mapped: Map) -> Section:
    seeds = [seed + k for k in range(count)]
    half = seeds[: max(1, count // 2)]
    runs = find_file.PhantomFigures(seed, tuple(mapped("file finder, phantoms", find_file.phantom_run, half)))
    files = [file for found in mapped("file finder, plain films", plain_film, half) for file in found]
    tip_right = np.array([run.tip_right for run in runs.runs])
    trusted = [run for run in runs.runs if run.trusted]
    hits = np.array([file[0] for file in files])
    figures = [
        share("plain films: files found, both ends right", hits, FOUND),
        share("whole-tooth phantoms: file found, tip right", tip_right, FOUND),
        share("all of them together", np.concatenate([hits, tip_right]), FOUND),
    ]
    lots = (
        ("plain films", [f[1] for f in files if np.isfinite(f[1])], [f[2] for f in files if np.isfinite(f[2])]),
        ("phantoms, trusted", [r.scale_percent for r in trusted if r.scale_percent is not None],
         [r.tip_mm / r.mm_per_px for r in trusted if r.tip_mm is not None]),
    )  # fmt: skip
    for name, scales, tips in lots:
        if scales:
            size = np.abs(np.array(scales))
            figures.append(Figure(f"{name}: scale, mean absolute error", float(size.mean()), " %", SCALE))
            figures.append(Figure(f"{name}: scale, largest error", float(size.max()), " %", SCALE_MAX))
        if tips:
            figures.append(
                Figure(f"{name}: tip along its axis, size of the mean error", abs(float(np.mean(tips))), " px", TIP)
            )
    both = np.array([run.tip_right and run.stop_right for run in trusted])
    if len(both):
        figures.append(share("phantoms, trusted: both ends right", both, FOUND))
    cells = tuple(
        (f"{low:.2f} to {high:.2f}", f"{number}", f"{100 * right:.0f} %")
        for low, high, number, right in runs.reliability
    )
    levels = []
    for level in find_file.LEVELS:
        here = [run for run in runs.runs if run.level == level]
        levels.append(
            (level, f"{len(here)}", f"{sum(r.tip_right for r in here)}", f"{sum(r.stop_mm is not None for r in here)}",
             f"{sum(r.stop_right for r in here)}", f"{sum(r.trusted for r in here)}")
        )  # fmt: skip
    return Section(
        "finder",
        "Is the file found without a click?",
        f"{len(half)} plain films of varied contrast, tone curve (8 bit among them), restorations and clamps, and {len(half)} "
        "whole-tooth phantoms of four levels. Plain: the path within 3 px of the shaft over 90 % of its length, tip within 10 "
        f"and stop within 5 px. Phantoms: path within {find_file.PATH_MM:g} mm, tip {find_file.TIP_MM:g} mm, stop "
        f"{find_file.STOP_MM:g} mm. Trusted: confidence {find_file.TRUSTED:g} and more, with both ends.",
        tuple(figures),
        (Table("Phantoms by level", ("level", "films", "tip right", "stop stated", "stop right", "trusted"), tuple(levels)),
         Table("Reliability: the stated confidence of the surest proposal, and how many were right",
               ("stated confidence", "films", "right"), cells)),
    )  # fmt: skip


# --- the estimators --------------------------------------------------------------------------------------------------


def estimator_table(task: tuple[str, int, int]) -> tuple[object, ...]:
    """One table of the bench of the estimators: its name, seed, runs."""
    name, seed, runs = task
    return estimators.TABLES[name][0](seed, runs)


def estimators_section(seed: int, count: int, mapped: Map) -> Section:
    runs = min(MOST_RUNS, 10 * count)
    names = ("white", "observers", "outliers", "clicks", "correlated", "s")
    # Clicks and outliers cost the most a run.
    sizes = {"outliers": min(runs, 400), "clicks": min(runs, 150), "observers": min(runs, 200)}
    tables = dict(
        zip(names, mapped("estimators", estimator_table, [(n, seed, sizes.get(n, runs)) for n in names]), strict=True)
    )
    white, outliers = tables["white"], tables["outliers"]

    def worst(rows: Sequence[estimators.Quality], quantity: str, few: bool | None = None) -> float:
        return max(r.ratio for r in rows if r.quantity == quantity and few in (None, " 20 points" in r.cell))

    schneider = [r for r in white if r.quantity == "Schneider"]
    held = [100.0 * r.covered for name in ("white", "correlated", "s") for r in tables[name]]
    figures = [
        Figure("curvature 1/r: largest RMSE over the bound", worst(white, "1/r"), "", RATIO, digits=2),
        Figure("Pruett's angle, 20 points: largest RMSE over the bound", worst(white, "angle", True), "", FEW_POINTS, digits=2),
        Figure("Pruett's angle, 60 and 200 points: the same", worst(white, "angle", False), "", ANGLE, digits=2),
        Figure("Schneider's angle: largest RMSE over the bound", worst(white, "Schneider"), "", ANGLE, digits=2),
        Figure("Schneider's angle: largest mean error", max(abs(r.bias) for r in schneider), "°", BIAS, digits=2),
        *(Figure(f"5 % outliers, {name}: largest RMSE over the bound without them", worst(outliers, name), "", goal, digits=2)
          for name, goal in OUTLIERS.items()),
        Figure("95 % intervals: lowest share that held", min(held), " %", COVERAGE, digits=1),
        Figure("95 % intervals: highest share that held", max(held), " %", COVERAGE, digits=1),
        Figure("95 % intervals with outliers: lowest share that held", 100.0 * min(r.covered for r in outliers), " %", COVERAGE,
               digits=1),
        Figure("intervals, white noise: largest width over the ideal", max(r.width for r in white), "", WIDTH, digits=2),
    ]  # fmt: skip
    clicks = tables["clicks"]
    for number, bound in CLICKS_RMSE.items():
        ours = [r.rmse_mm for r in clicks if r.clicks == number and r.estimator == clicks[0].estimator]
        figures.append(
            Figure(
                f"length from {number} clicks of 2 px: largest RMSE", max(ours), " mm", Goal("at most", bound), digits=4
            )
        )
    for row in tables["observers"]:
        if row.quantity.startswith("Schneider"):
            figures.append(
                Figure(f"Schneider's angle among {row.observers} observers, {row.click_px:g} px, {row.population}: ICC(2,1)",
                       row.icc, "", ANGLE_ICC, row.icc_interval)
            )  # fmt: skip
    quality = tuple(
        (name, r.cell, r.quantity, f"{r.ratio:.2f}", f"{r.bias:+.3f}", f"{100 * r.covered:.1f}", f"{r.width:.2f}")
        for name in ("white", "correlated", "s", "outliers")
        for r in tables[name]
    )
    lengths = tuple(
        (r.cell, f"{r.clicks}", r.estimator, f"{r.rmse_mm:.4f}", f"{r.bias_mm:+.4f}",
         "" if r.bound_mm is None else f"{r.bound_mm:.4f}")
        for r in clicks
    )  # fmt: skip
    agreement = tuple(
        (r.population, r.quantity, f"{r.click_px:g}", f"{r.icc:.4f}", f"{r.icc_interval[0]:.3f} to {r.icc_interval[1]:.3f}",
         f"{r.within_std:.4f}")
        for r in tables["observers"]
    )  # fmt: skip
    return Section(
        "estimators",
        "How near are bends and lengths to what the points can tell?",
        f"Drawn curves with noise, {runs} runs a row (outliers {sizes['outliers']}, clicks {sizes['clicks']}): root mean "
        "square error over the Cramér-Rao bound of white noise (1 is the limit), and how often the 95 % interval holds.",
        tuple(figures),
        (Table("Length from clicks", ("curve", "clicks", "estimator", "RMSE, mm", "bias, mm", "bound, mm"), lengths),
         Table("Simulated observers", ("population", "quantity", "click error, px", "ICC(2,1)", "95 %", "within-subject SD"),
               agreement),
         Table("RMSE over the bound, and coverage",
               ("noise", "curve", "quantity", "RMSE / bound", "bias", "held, %", "width / ideal"), quality)),
    )  # fmt: skip
