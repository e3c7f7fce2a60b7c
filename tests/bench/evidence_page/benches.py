"""Sections from the benches of tracer, file finder and estimators: what those files measure, as figures beside their goals.

Each adapter takes one function of its bench a film (or a table) and puts what it gives into a `Section`; nothing is judged here
that the bench does not judge itself.
"""

from __future__ import annotations

import estimators
import film_generator as films
import find_file
import numpy as np
import tracer
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.batch import fit_many
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.evaluate import LINE_FAINT
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import find_files

from .plots import dots_svg
from .section import Figure, Goal, Map, Plot, Section, Table, share

Float64 = NDArray[np.float64]

# Goals of the project (its table of peers and limits), per cent of films.
TRACED = {
    ("clear", 2): 98.0,
    ("typical", 2): 90.0,
    ("faint", 2): 30.0,
    ("clear", 3): 99.0,
    ("typical", 3): 99.0,
    ("faint", 3): 60.0,
}
FOUND = Goal("at least", 98.0)
SCALE = Goal("at most", 0.06)  # mean absolute error of the scale from tip to stop, per cent
TIP = Goal("at most", 0.1)  # mean error of the tip along the axis, px
ROUGH = find_file.ROUGH
RELIABILITY = ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01))
RATIO, SCHNEIDER, BIAS = Goal("at most", 1.15), Goal("at most", 1.1), Goal("at most", 0.3)
FEW_POINTS = Goal("at most", 1.3)
COVERAGE = Goal("between", 92.0, 98.0)
ANGLE_ICC, RADIUS_ICC = Goal("at least", 0.98), Goal("at least", 0.90)
MOST_RUNS = 600
OBSERVERS, OBSERVER_STD_MM, OBSERVED = 4, 0.05, 60


# --- the tracer ------------------------------------------------------------------------------------------------------


def traced_film(task: tuple[str, int]) -> list[tuple[str, int, bool, bool, bool, float]]:
    """One film: (condition, clicks, good path, good by a blind curve, doubted, mean distance in px)."""
    condition, seed = task
    photons, end_mm, texture = tracer.CONDITIONS[condition]
    rng = np.random.default_rng([seed, 1])
    values, truth = films.make_canal(
        tracer.random_pieces(rng), seed, canal_end_mm=end_mm, photons=photons, texture=texture
    )
    film = Radiograph.from_array(values, bright_is_dense=True)
    middle = truth[round(rng.uniform(0.3, 0.7) * (len(truth) - 1))] + rng.normal(0, rng.uniform(1, 2), 2)
    out = []
    for clicks in (truth[[0, -1]], np.array([truth[0], middle, truth[-1]])):
        trace = trace_line(film, clicks, "canal", (films.PITCH_MM, films.PITCH_MM))
        doubted = trace.seen is not None and trace.seen < LINE_FAINT
        off = float(tracer.distances(trace.path_px, truth).mean())
        good, blind = tracer.good(trace.path_px, truth), tracer.good(tracer.blind(clicks), truth)
        out.append((condition, len(clicks), good, blind, doubted, off))
    return out


def tracer_section(seed: int, count: int, mapped: Map) -> Section:
    tasks = [(condition, seed + k) for condition in tracer.CONDITIONS for k in range(count)]
    found = [row for rows in mapped("tracer", traced_film, tasks) for row in rows]
    figures, cells, dots = [], [], []
    for (condition, clicks), goal in TRACED.items():
        here = [row for row in found if row[:2] == (condition, clicks)]
        good = np.array([row[2] for row in here])
        figure = share(f"{condition}, {clicks} clicks: path in the canal", good, Goal("at least", goal))
        failed = [row[4] for row in here if not row[2]]
        off = [row[5] for row in here if row[2]]
        figures.append(figure)
        dots.append((f"{condition}, {clicks} clicks", figure.value, figure.interval))
        cells.append(
            (condition, f"{clicks}", figure.words, share("", np.array([row[3] for row in here])).words,
             f"{sum(failed)} of {len(failed)}", f"{np.mean(off):.2f}" if off else "none")
        )  # fmt: skip
    head = (
        "film",
        "clicks",
        "path in the canal",
        "a line or parabola through the clicks",
        "failures doubted",
        "good: mean distance, px",
    )
    return Section(
        "tracer",
        "Does the traced path stay in the canal?",
        f"{count} canals of random shape a row (straight, J, C, S and free). In the canal: mean distance below "
        f"{tracer.MEAN_PX:g} px and nowhere more than {tracer.MAX_PX:g} px from the true centre line. A line or a parabola "
        "through the same clicks shows what the clicks alone are worth.",
        tuple(figures),
        (Table("Success of the tracer", head, tuple(cells)),),
        (Plot(dots_svg("Path in the canal", dots, span=(0.0, 100.0), band=(90.0, 100.0), unit=" %"),
              "Goals differ by row; see the list above."),),
    )  # fmt: skip


# --- the file finder -------------------------------------------------------------------------------------------------


def searched_film(seed: int) -> tuple[list[tuple[bool, float, float]], list[tuple[float, bool]]]:
    """One film: for every file (found, error of the scale in per cent, error of the tip in px); for every proposal
    (confidence, right).
    """
    film = films.varied(seed, file=True)
    radiograph = Radiograph.from_array(film.values, bright_is_dense=film.bright_is_dense)
    rough = (film.mm_per_px[0] * ROUGH, film.mm_per_px[1] * ROUGH)
    proposals = find_files(radiograph, mm_per_px=rough, tip=TipForm())
    files, matched = [], set()
    for file in film.files:
        right = [k for k, proposal in enumerate(proposals) if find_file.found(proposal, file)]
        matched.update(right)
        if not right:
            files.append((False, np.nan, np.nan))
            continue
        best = proposals[right[0]]
        true = find_file.length_mm(file.path_px, film.mm_per_px)
        scale = 100.0 * (true / find_file.length_mm(best.path_px, film.mm_per_px) - 1.0)
        files.append((True, scale, find_file.along(best.tip_px, file, 1) if best.tip_px is not None else np.nan))
    return files, [(proposal.confidence, k in matched) for k, proposal in enumerate(proposals)]


def finder_section(seed: int, count: int, mapped: Map) -> Section:
    results = list(mapped("file finder", searched_film, [seed + k for k in range(count)]))
    files = [file for found, _ in results for file in found]
    sure = [one for _, proposals in results for one in proposals]
    hits = np.array([file[0] for file in files])
    scale, tip = (np.array([file[k] for file in files if np.isfinite(file[k])]) for k in (1, 2))
    figures = [share("files found, both ends right", hits, FOUND)]
    if len(scale):
        figures.append(Figure("scale from tip to stop: mean absolute error", float(np.abs(scale).mean()), " %", SCALE))
    if len(tip):
        figures.append(Figure("tip along its axis: size of the mean error", abs(float(tip.mean())), " px", TIP))
    cells = []
    for low, high in RELIABILITY:
        right = np.array([r for c, r in sure if low <= c < high])
        stated = [c for c, _ in sure if low <= c < high]
        if len(right):
            cells.append(
                (
                    f"{low:.2f} to {min(high, 1.0):.2f}",
                    f"{len(right)}",
                    f"{100 * np.mean(stated):.0f} %",
                    share("", right).words,
                )
            )
    return Section(
        "finder",
        "Is the file found without a click?",
        f"{count} films of varied contrast, tone curve and angle; the pixel size handed over is off by {ROUGH:g}. Found: "
        "the path within 3 px of the shaft over 90 % of its length, tip within 10 and stop within 5 px.",
        tuple(figures),
        (Table("Reliability: the stated confidence of proposals and how many were right",
               ("stated confidence", "proposals", "stated, mean", "right"), tuple(cells)),),
    )  # fmt: skip


# --- the estimators --------------------------------------------------------------------------------------------------


def estimator_row(task: tuple[str, int, float, int, int]) -> tuple[str, Float64, float, Float64]:
    """One shape, number of points and noise: name, RMSE over the bound, bias of Schneider's angle, coverage in per cent."""
    name, count, px, seed, runs = task
    parts = estimators.SHAPES[name]
    rng = np.random.default_rng([seed, count, int(px)])
    noisy = estimators.points_of(parts, count) + rng.normal(0.0, px * estimators.PX_MM, (runs, count, 2))
    found = fit_many(noisy, tail=len(parts) > 2)
    values = np.stack([found.curvature_per_mm, found.angle_deg, found.schneider_deg], axis=1)
    stds = np.stack([found.curvature_std_per_mm, found.angle_std_deg, found.schneider_std_deg], axis=1)
    errors = values - estimators.angles(*estimators.truth_of(parts))
    ratio = np.sqrt(np.mean(errors**2, axis=0)) / estimators.bound(parts, count, px * estimators.PX_MM)
    held = 100.0 * np.mean(np.abs(errors) <= NORMAL_95 * stds, axis=0)
    return f"{name}, {count} points, {px:g} px", ratio, float(errors[:, 2].mean()), held


def icc(table: Float64) -> float:
    """ICC(2,1), absolute agreement, of targets by observers (Shrout & Fleiss, Psychol Bull 1979;86:420-428)."""
    n, k = table.shape
    mean = table.mean()
    between = k * np.sum((table.mean(axis=1) - mean) ** 2) / (n - 1)
    judges = n * np.sum((table.mean(axis=0) - mean) ** 2) / (k - 1)
    rest = np.sum((table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + mean) ** 2) / ((n - 1) * (k - 1))
    return float((between - rest) / (between + (k - 1) * rest + k * (judges - rest) / n))


def observers(seed: int) -> tuple[float, float]:
    """ICC(2,1) of Pruett's angle and radius among observers who trace the same arcs with errors of their own."""
    rng = np.random.default_rng([seed, 82])
    angle, radius = np.empty((2, OBSERVED, OBSERVERS))
    for k in range(OBSERVED):
        turn, r_mm = np.radians(rng.uniform(30.0, 70.0)), rng.uniform(2.0, 10.0)
        line = estimators.points_of([(rng.uniform(4.0, 7.0), 0.0), (r_mm * turn, 1.0 / r_mm)], 60)
        found = fit_many(line + rng.normal(0.0, OBSERVER_STD_MM, (OBSERVERS, 60, 2)), tail=False)
        angle[k], radius[k] = found.angle_deg, 1.0 / np.abs(found.curvature_per_mm)
    return icc(angle), icc(radius)


def estimators_section(seed: int, count: int, mapped: Map) -> Section:
    runs = min(MOST_RUNS, 50 * count)
    tasks = [(name, n, px, seed, runs) for name in estimators.SHAPES for n in (20, 60, 200) for px in (1.0, 2.0, 3.0)]
    found = list(mapped("estimators", estimator_row, tasks))
    ratio, bias, held = (
        np.array([f[1] for f in found]),
        np.array([f[2] for f in found]),
        np.array([f[3] for f in found]),
    )
    angle_icc, radius_icc = observers(seed)
    few = np.array([task[1] == 20 for task in tasks])
    worst = "largest RMSE over the bound"
    figures = (
        Figure(f"radius (as curvature): {worst}", float(ratio[:, 0].max()), "", RATIO, digits=2),
        Figure(f"Pruett's angle, 20 points: {worst}", float(ratio[few, 1].max()), "", FEW_POINTS, digits=2),
        Figure(f"Pruett's angle, 60 and 200 points: {worst}", float(ratio[~few, 1].max()), "", SCHNEIDER, digits=2),
        Figure(f"Schneider's angle: {worst}", float(ratio[:, 2].max()), "", SCHNEIDER, digits=2),
        Figure("Schneider's angle: largest mean error", float(np.abs(bias).max()), "°", BIAS, digits=2),
        Figure("95 % intervals: lowest share that held", float(held.min()), " %", COVERAGE, digits=1),
        Figure("95 % intervals: highest share that held", float(held.max()), " %", COVERAGE, digits=1),
        Figure("angle among observers: ICC(2,1)", angle_icc, "", ANGLE_ICC),
        Figure("radius among observers: ICC(2,1)", radius_icc, "", RADIUS_ICC),
    )
    cells = tuple((name, *(f"{v:.2f}" for v in r), f"{b:+.2f}", *(f"{v:.1f}" for v in h)) for name, r, b, h in found)
    head = (
        "curve",
        "radius",
        "angle",
        "Schneider",
        "bias of Schneider, °",
        "held: radius, %",
        "angle, %",
        "Schneider, %",
    )
    return Section(
        "estimators",
        "How near are bends to what the points can tell?",
        f"Drawn curves with white noise, {runs} runs a row: root mean square error over the Cramér-Rao bound (1 is the limit), "
        f"and how often the 95 % interval holds. Observers: {OBSERVERS} who trace {OBSERVED} arcs of 2 to 10 mm radius and "
        f"30 to 70° with {OBSERVER_STD_MM:g} mm of noise each.",
        figures,
        (Table("RMSE over the bound, and coverage", head, cells),),
    )
