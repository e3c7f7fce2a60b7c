"""Two films of a tooth: the canal in space, on simulated paths and on traced films, each figure beside its goal.

Simulated paths are those of the bench of the fit (`two_view_evidence`); traced films are phantoms of their own (`film_pairs`).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
import two_view_evidence as bench
from numpy.typing import NDArray

from .film_pairs import EXACT, TRACED, PairRun, pair_runs
from .plots import BLUE, GREEN, ORANGE, within_svg
from .section import Figure, Goal, Map, Plot, Section, Table, share

Float64 = NDArray[np.float64]

SHIFT_DEG = 30.0
LEVELS = ("clear", "typical")
# Goals of the project: errors of the length in per cent, angles in degrees, shares in per cent.
MEDIAN, ANGLE = Goal("at most", 1.0), Goal("at most", 3.5)
TIMES = Goal("at least", 2.5)
HELD, WIDTH = Goal("between", 93.0, 97.0), Goal("at most", 1.15)
REFUSED, WRONGLY = Goal("at least", 95.0), Goal("at most", 2.0)
RIGHT, NEVER = Goal("at least", 95.0), Goal("at most", 0.0)
ALONG = "aligned"
SIMULATED: tuple[tuple[str, str, tuple[float, ...], float | None, float | None], ...] = (
    ("30 degrees", ALONG, (0.0, 30.0), None, 3.8),
    ("20 degrees", ALONG, (0.0, 20.0), None, 4.5),
    ("30 degrees, a file known exactly", ALONG, (0.0, 30.0), 0.0, 1.1),
    ("30 degrees, a file known to 0.14 mm", ALONG, (0.0, 30.0), 0.14, 1.7),
    ("three films, 30 degrees to either side", ALONG, (0.0, 30.0, -30.0), None, None),
    ("30 degrees, canals leaning as on the phantoms", "drawn", (0.0, 30.0), None, None),
)
"""What it is called, population, shifts, how well the file in the canal is known, goal of the 95 % point in per cent."""


def simulated(task: tuple[int, int, int]) -> bench.Case | None:
    """Case number `k` of a row of `SIMULATED`."""
    seed, number, k = task
    _, population, shifts, file, _ = SIMULATED[number]
    # Angles take most of the time, and a file says nothing of them.
    return bench.case(
        (seed, 80 + number, k),
        population,
        shifts,
        bench.USUAL,
        file_std_mm=file,
        bound=number == 0,
        angles=file is None,
    )


def small_shift(seed: int, k: int) -> bool:
    return bench.small_shift_refused(seed, k)


def other_tooth(seed: int, task: tuple[int, bool, int]) -> bool:
    number, other, k = task
    return bench.pair_refused(seed, number, k, other=other)


def from_stop(seed: int, task: tuple[float, int]) -> tuple[float, bool] | None:
    return bench.from_stop(seed, *task)


def side(seed: int, k: int) -> tuple[bool, bool, bool] | None:
    return bench.side_told(seed, 0, k)


def two_films_section(seed: int, count: int, mapped: Map) -> Section:
    figures, cells = _simulated(seed, count, mapped)
    figures += _from_stop(seed, count, mapped)
    figures += _refusals(seed, count, mapped)
    figures += _sides(seed, count, mapped)
    of_films, rows, plots = _traced(seed, count, mapped)
    head = (
        "films",
        "pairs",
        "refused",
        "bias, %",
        "median / 95 %, %",
        "one film, 95 %",
        "interval held",
        "angle, degrees",
    )
    return Section(
        "two-films",
        "Two films, one canal in three dimensions",
        "Simulated paths: canals over the published range, 8 degrees SD of shared tilt, 1 degree of each film's own, "
        "the shift up to 5 degrees off its nominal value, traces off by 0.03 to 0.05 mm together over 1 mm, scales to 0.5 %. "
        "Traced films: two films of one phantom at a nominal 30 degrees, no file in it, vertical angles apart by 2 degrees SD "
        "and 1.5 degrees of turn besides; each canal of one root clicked at orifice, middle third and end with 1 px of error "
        "and traced. The phantoms' canals lean 9 to 19 degrees towards or away from the source, where a tilt that both films "
        "share, which no horizontal pair shows, hides most. A canal beside another in its root is easily taken for it by the "
        "tracer; a clinician sees that and clicks anew, these films do not: figures with every path in its canal stand apart. "
        "One film: the length of its projection at its own scale.",
        (*figures, *of_films),
        (Table("Simulated paths", head, tuple(cells)), Table("Traced films", head, tuple(rows))),
        tuple(plots),
    )


def _point(values: Float64) -> float:
    return float(np.percentile(np.abs(values), 95))


def _cells(name: str, count: int, error: Float64, one: Float64, held: Float64, angle: Float64) -> tuple[str, ...]:
    """A row of the tables; errors as shares."""
    if not len(error):
        return (name, f"{count}", f"{count}", *["–"] * 5)
    of_one = one[np.isfinite(one)]
    of_angle = angle[np.isfinite(angle)]
    return (
        name,
        f"{count}",
        f"{count - len(error)}",
        f"{100.0 * float(np.median(error)):+.2f}",
        f"{100.0 * float(np.median(np.abs(error))):.2f} / {100.0 * _point(error):.2f}",
        f"{100.0 * _point(of_one):.2f}" if len(of_one) else "–",
        f"{100.0 * float(np.mean(held)):.1f} %",
        f"{float(np.mean(np.abs(of_angle))):.2f}" if len(of_angle) else "–",
    )


def _simulated(seed: int, count: int, mapped: Map) -> tuple[list[Figure], list[tuple[str, ...]]]:
    tasks = [(seed, number, k) for number in range(len(SIMULATED)) for k in range(count)]
    found = list(mapped("two films, simulated", simulated, tasks))
    figures: list[Figure] = []
    cells = []
    for number, (name, _, _, file, goal) in enumerate(SIMULATED):
        cases = [case for case in found[number * count : (number + 1) * count] if case is not None]
        error, one, angle, end, half, bound = (
            np.array([getattr(case, column) for case in cases], float)
            for column in ("error", "one_error", "largest", "end", "half", "bound")
        )
        held = np.array([case.held for case in cases], bool)
        cells.append(_cells(name, count, error, one, held, angle))
        if goal is None or not cases:
            continue
        reach = 100.0 * _point(error)
        figures.append(Figure(f"{name}: 95 % point of the length error", reach, " %", Goal("at most", goal), digits=2))
        if file is None:
            figures += [
                Figure(f"{name}: median length error", 100.0 * abs(float(np.median(error))), " %", MEDIAN, digits=2),
                Figure(f"{name}: one film's 95 % point over it", 100.0 * _point(one) / reach, "", TIMES, digits=2),
                Figure(
                    f"{name}: largest Schneider angle, mean error", float(np.abs(angle).mean()), "°", ANGLE, digits=2
                ),
                Figure(f"{name}: angle end to end, mean error", float(np.abs(end).mean()), "°", ANGLE, digits=2),
            ]
        if number == 0:
            figures += [
                share(f"{name}: length in the 95 % interval", held, HELD),
                Figure(f"{name}: half-width over the bound's", float(half.mean() / bound.mean()), "", WIDTH, digits=2),
                share(f"{name}: correct pairs refused", np.arange(count) >= len(cases), WRONGLY),
            ]
    return figures, cells


def _from_stop(seed: int, count: int, mapped: Map) -> list[Figure]:
    figures: list[Figure] = []
    for std, goal in ((0.0, 1.1), (0.14, 1.7)):
        tasks = [(std, k) for k in range(count)]
        found = [
            one for one in mapped("two films, file from its stop", partial(from_stop, seed), tasks) if one is not None
        ]
        if found:
            name = f"30 degrees, file from its stop known {f'to {std:g} mm' if std else 'exactly'}, whole length"
            reach = 100.0 * _point(np.array([one[0] for one in found]))
            figures.append(Figure(f"{name}: 95 % point", reach, " %", Goal("at most", goal), digits=2))
            figures.append(share(f"{name}: in the 95 % interval", np.array([one[1] for one in found], bool), HELD))
    return figures


def _refusals(seed: int, count: int, mapped: Map) -> list[Figure]:
    small = np.array(list(mapped("two films, small shift", partial(small_shift, seed), range(count))), bool)
    figures = [share("shift below 5 degrees: refused", small, REFUSED)]
    for number in (0, 2):  # canals alone, and with landmarks
        what = bench.KINDS[number][0]
        for other, goal in ((True, REFUSED), (False, WRONGLY)):
            tasks = [(number, other, k) for k in range(count)]
            said = np.array(list(mapped(f"two films, {what}", partial(other_tooth, seed), tasks)), bool)
            tooth = "another tooth's film" if other else "the same tooth's films"
            figures.append(share(f"{tooth}, {what}: refused", said, goal))
    return figures


def _sides(seed: int, count: int, mapped: Map) -> list[Figure]:
    found = [one for one in mapped("two films, sides", partial(side, seed), range(count)) if one is not None]
    said = [one for one in found if one[0]]
    name = f"buccal or lingual, {bench.APART_MM[0]:g} mm apart, 20 degrees"
    return [
        share(f"{name}: right of those answered", np.array([one[1] for one in said], bool), RIGHT),
        share(f"{name}: answered", np.array([one[0] for one in found], bool)),
        Figure(f"{name}: answered without the direction", float(sum(one[2] for one in found)), "", NEVER, digits=0),
    ]


def _traced(seed: int, count: int, mapped: Map) -> tuple[list[Figure], list[tuple[str, ...]], list[Plot]]:
    tasks = [(seed + k, level, SHIFT_DEG) for level in LEVELS for k in range(count)]
    found = [run for runs in mapped("two films, traced", pair_runs, tasks) for run in runs]
    figures: list[Figure] = []
    rows, plots = [], []
    for level in LEVELS:
        runs = [run for run in found if run.level == level and run.how == TRACED]
        kept = [run for run in runs if not run.strayed and run.refused != "not traced"]
        exact = [run for run in found if run.level == level and run.how == EXACT]
        for name, these in (
            (f"{level}, traced", runs),
            (f"{level}, every path in its canal", kept),
            (f"{level}, exact paths", exact),
        ):
            rows.append(_cells(name, len(these), *_columns(these)))
        figures += _of_films(level, runs, kept)
        lines = [
            ("two films", _mm(kept), BLUE),
            ("one film", _mm(kept, one=True), ORANGE),
            ("exact paths", _mm(exact), GREEN),
        ]
        plots.append(
            Plot(
                within_svg(f"{level}: share of lengths", lines, ()),
                "Every path in its canal; lengths from orifice to foramen.",
            )
        )
    return figures, rows, plots


def _fitted(runs: Sequence[PairRun]) -> list[PairRun]:
    return [run for run in runs if run.error is not None]


def _columns(runs: Sequence[PairRun]) -> tuple[Float64, Float64, Float64, Float64]:
    these = _fitted(runs)
    return (
        np.array([run.error for run in these], float),
        np.array([run.one_error for run in these], float),
        np.array([run.held for run in these], float),
        np.array([run.angle for run in these], float),
    )


def _mm(runs: Sequence[PairRun], *, one: bool = False) -> Float64:
    """Errors in mm, refused pairs beyond every one."""
    return np.array(
        [np.inf if run.error is None else (run.one_error if one else run.error) * run.length_mm for run in runs],
        float,
    )


def _of_films(level: str, runs: Sequence[PairRun], kept: Sequence[PairRun]) -> list[Figure]:
    name = f"films, {level}"
    strayed = np.array([run.strayed or run.refused == "not traced" for run in runs], bool)
    figures = [share(f"{name}: pairs with a path beside its canal", strayed)]
    for what, these in (("all pairs", runs), ("every path in its canal", kept)):
        error, one, held, _ = _columns(these)
        if not len(error):
            continue
        reach = 100.0 * _point(error)
        figures += [
            share(f"{name}, {what}: refused", np.array([run.error is None for run in these], bool),
                  WRONGLY if these is kept else None),
            Figure(f"{name}, {what}: median length error", 100.0 * abs(float(np.median(error))), " %", MEDIAN, digits=2),
            Figure(f"{name}, {what}: 95 % point of the length error", reach, " %", Goal("at most", 3.8), digits=2),
            Figure(f"{name}, {what}: one film's 95 % point over it", 100.0 * _point(one) / reach, "", TIMES, digits=2),
            share(f"{name}, {what}: length in the 95 % interval", held.astype(bool), HELD if these is kept else None),
            Figure(f"{name}, {what}: largest Schneider angle, mean error",
                   float(np.mean([abs(run.angle or 0.0) for run in _fitted(these)])), "°", ANGLE, digits=2),
        ]  # fmt: skip
    sides = [run.side for run in runs if run.side is not None]
    if sides:
        figures.append(share(f"{name}: two canals of one root, right of those answered", np.array(sides, bool), RIGHT))
    return figures
