"""Bench of the fit in space: a fit, and an update after a point has moved, beside scipy's plain least squares in the same run.

    python3 tests/bench/two_view.py [--runs N]

The peer minimises the same residuals from the same start with numeric derivatives (``scipy.optimize.least_squares``); it gives
no intervals and no angles, which ours are timed with. Goals: one fit 150 ms, an update 50 ms.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from statistics import median

import numpy as np
from attrs import evolve
from scipy.optimize import least_squares
from two_view_cases import Spreads, axis_of, beside, cusps, dense, films

from wlmeasure.measure.space.fit import layout_of, moved, residuals
from wlmeasure.measure.space.scene import scene_of, start
from wlmeasure.measure.two_view import View, fit_views, refit

SEED = 5200


def drawn(seed: int, *, rich: bool) -> list[View]:
    """Two films of a tooth with one canal, or with two and two cusps."""
    rng = np.random.default_rng([SEED, seed])
    canals = {"MB": axis_of(rng, "aligned")}
    marks = {}
    if rich:
        canals["ML"] = beside(rng, "aligned", 1.0, -2.0)
        marks = cusps(rng, 0.5 * canals["MB"].length_mm)
    return [
        film.view(
            {name: film.path(dense(curve)) for name, curve in canals.items()},
            {name: film.mark(place, 0.08) for name, place in marks.items()},
        )
        for film in films(rng, (0.0, 30.0), Spreads())
    ]


def peer(views: list[View]) -> object:
    """The same residuals by scipy, with numeric derivatives."""
    scene = scene_of(views, (), [view.horizontal_deg for view in views], 8.0, 0.0, [False] * len(views))
    begin = start(scene)
    layout = layout_of(scene, begin)
    return least_squares(
        lambda step: residuals(scene, layout, moved(begin, layout, step)).residual, np.zeros(layout.size), x_scale="jac"
    )


def milliseconds(call: Callable[[], object]) -> float:
    begin = time.perf_counter()
    call()
    return 1e3 * (time.perf_counter() - begin)


def rows(runs: int) -> None:
    """Medians, and the median of the pairwise ratios."""
    print(f"{'two films in space':<44} {'ours ms':>9} {'scipy ms':>9} {'ratio':>7}  goal")
    for rich in (False, True):
        cases = [drawn(k, rich=rich) for k in range(runs)]
        ours, bare, update, scipy = [], [], [], []
        fit_views(cases[0]), peer(cases[0])
        for views in cases:
            ours.append(milliseconds(lambda: fit_views(views)))  # noqa: B023
            bare.append(milliseconds(lambda: fit_views(views, bends=False)))  # noqa: B023
            scipy.append(milliseconds(lambda: peer(views)))  # noqa: B023
            before = fit_views(views, bends=False)
            path = views[1].canals["MB"].copy()
            path[-1] += 2.0
            changed = [views[0], evolve(views[1], canals={**views[1].canals, "MB": path})]
            update.append(milliseconds(lambda: refit(before, changed, bends=False)))  # noqa: B023
        what = "two canals, two cusps" if rich else "one canal"
        for name, values, goal in (
            ("fit with angles", ours, "<= 150 ms"),
            ("fit without angles", bare, ""),
            ("update after a moved point", update, "<= 50 ms"),
        ):
            ratio = median(a / b for a, b in zip(values, scipy, strict=True))
            print(f"{what + ': ' + name:<44} {median(values):9.1f} {median(scipy):9.1f} {ratio:7.2f}  {goal}")


def main() -> None:
    parser = argparse.ArgumentParser(description="Bench of the fit in space.")
    parser.add_argument("--runs", type=int, default=11)
    rows(parser.parse_args().runs)


if __name__ == "__main__":
    main()
