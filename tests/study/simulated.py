"""Observers of known bias and spread, who read films of known truth through a study's own files.

python tests/study/simulated.py OUT_DIR [--phantoms 50] [--seed 20261127]     the whole study on phantoms, some minutes
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import cv2
import numpy as np
from attrs import frozen

from wlmeasure.image.reading import read
from wlmeasure.record import edit
from wlmeasure.record.case import Canal, Case, Film, KnownObject, Trace, save_case
from wlmeasure.record.evaluate import accept_paths, evaluate
from wlmeasure.study.folder import result_path, store_result, template
from wlmeasure.trace.spline import arc_length

CHEAP_MM_PER_PX = 0.05
KNOWN_MM = 10.0


@frozen
class Hand:
    """One simulated observer: ends too long by `bias_mm`, with `std_mm` along and `across_mm` across the canal.

    `drift_mm` is what the bias grows by with every film read.
    """

    name: str
    bias_mm: float
    std_mm: float
    across_mm: float = 0.0
    drift_mm: float = 0.0


def cheap_films(folder: Path, count: int, seed: int) -> dict[str, np.ndarray]:
    """Pictures of noise, each with a case beside it and a curved canal of known course that only the truth knows.

    Returns the canal's path in pixels by the film's SHA-256. Lengths are drawn with a mean of 20 and an SD of 2 mm.
    """
    rng = np.random.default_rng(seed)
    truth = {}
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(count):
        film = folder / f"patient_{k:02d}.png"
        cv2.imwrite(str(film), rng.integers(60, 180, (560, 160), dtype=np.uint8))
        length_px = rng.normal(20.0, 2.0) / CHEAP_MM_PER_PX
        along = np.linspace(0.0, 1.0, 200)
        path = np.column_stack([40.0 + 500.0 * along, 60.0 + rng.uniform(10.0, 50.0) * along**2])
        path = path[0] + (path - path[0]) * length_px / arc_length(path)[-1]
        truth[_save_case(film, ["single"], ("41", "34", "46")[k % 3], CHEAP_MM_PER_PX)] = path
    return truth


def _save_case(film: Path, canals: list[str], tooth: str, mm_per_px: float, col_over_row: float = 1.0) -> str:
    """A case with the scale given by two points some millimetres apart; its canals are not traced."""
    graph = read(film)
    # Along a row and along a column, so that pixels of two sides are both known.
    scale = (
        KnownObject(
            points_px=((5.0, 5.0), (5.0 + KNOWN_MM / mm_per_px, 5.0)),
            known_length_mm=KNOWN_MM,
            known_length_std_mm=0.01,
        ),
    )
    made = Film(
        id="f1",
        path=film.name,
        sha256=graph.sha256,
        rows=graph.rows,
        cols=graph.cols,
        col_over_row=col_over_row,
        scale=scale,
    )
    case = Case(
        tooth=tooth,
        films=(made,),
        canals=tuple(Canal(name=name, reference_point="cusp", traces=()) for name in canals),
    )
    save_case(case, film.with_suffix(".wl.json"))
    return str(graph.sha256)


def moved_end(path_px: np.ndarray, by_px: float, across_px: float) -> np.ndarray:
    """The path cut short or drawn on by a length, its last point moved across."""
    along = arc_length(path_px)
    total = along[-1] + by_px
    if by_px <= 0.0:
        end = np.array([np.interp(total, along, axis) for axis in path_px.T])
        out = np.vstack([path_px[along < total - 1e-9], end])
    else:
        step = path_px[-1] - path_px[-5]
        out = np.vstack([path_px, path_px[-1] + by_px * step / np.hypot(*step)])
    # Sideways the last fifth bends over smoothly: a kink at the end would lengthen the path, which is no part of the bias.
    step = out[-1] - out[-5]
    along = arc_length(out)
    ramp = np.clip((along / along[-1] - 0.8) / 0.2, 0.0, 1.0) ** 2
    out += across_px * ramp[:, None] * np.array([-step[1], step[0]]) / np.hypot(*step)
    return out


def read_all(study, truth, hands, mm_per_px, seed, *, traced=False, only=None) -> int:
    """Every simulated observer reads every film assigned, through the study's files; how many results were stored.

    `truth` gives the paths of a film by its SHA-256: one path, or paths by the canal's name. With `traced` only clicks are
    handed in, and the tracer draws the path through them as in the viewer.
    """
    stored = 0
    for place, hand in enumerate(hands):
        if only is not None and hand.name != only:
            continue
        rng = np.random.default_rng([seed, place])
        for position, task in enumerate(study.observer(hand.name).tasks, start=1):
            film = study.film(task.film)
            case = template(study, hand.name, task, result_path(study, hand.name, task))
            paths = truth[film.sha256]
            paths = paths if isinstance(paths, dict) else {film.canals[0].name: paths}
            size = mm_per_px if isinstance(mm_per_px, float) else mm_per_px[film.sha256]
            for canal in film.canals:
                off = hand.bias_mm + hand.drift_mm * position + rng.normal(0.0, hand.std_mm)
                path = moved_end(paths[canal.name], off / size, rng.normal(0.0, 1.0) * hand.across_mm / size)
                picks = np.linspace(0, len(path) - 1, 5).round().astype(int)
                trace = Trace(
                    film="f1",
                    clicks_px=path[picks],
                    path_px=None if traced else path,
                    apical_end=study.protocol.apical_end,
                )
                case = edit.with_trace(case, canal.name, trace)
            if traced:
                case = accept_paths(evaluate(case))
            store_result(study, hand.name, position, case, at="2026-11-27T10:00:00")
            stored += 1
    return stored


def expected_icc(lengths_mm: np.ndarray, hands) -> float:
    """ICC(2,1) that these subjects and observers have by their making."""
    subject = float(np.var(lengths_mm, ddof=1))
    observer = float(np.var([hand.bias_mm for hand in hands], ddof=1))
    error = float(np.mean([hand.std_mm**2 for hand in hands]))
    return subject / (subject + observer + error)


HANDS = (Hand("ANN", 0.30, 0.25, 0.10), Hand("BEN", 0.0, 0.35, 0.15), Hand("CAY", -0.25, 0.30, 0.10))


def phantom_films(folder: Path, count: int, seed: int):
    """Phantoms of one canal each without a file, with a case beside each; truth and pixel size by SHA-256."""
    from wlmeasure.phantom import make_phantom

    truth, size = {}, {}
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(count):
        phantom = make_phantom(
            seed + k, "clear", file=False, roots=1, canals=1, neighbours=False, sideways=False, spacing_mm=(0.03, 0.03)
        )
        canal = phantom.truth.canals[0]
        film = folder / f"patient_{k:02d}.png"
        cv2.imwrite(str(film), phantom.image)
        mm = 0.03 / float(np.mean(canal.magnification))
        sha = _save_case(film, [canal.name], ("41", "34", "46")[k % 3], mm)
        truth[sha] = {canal.name: np.asarray(canal.path_px)}
        size[sha] = mm
    return truth, size


def held(true: float, interval) -> bool:
    return bool(interval[0] <= true <= interval[1])


def one_study(folder: Path, films: Path, truth, size, seed: int, *, traced: bool) -> dict:
    """A study of those films by the hands, through its own files; what it says and what it was made with."""
    from wlmeasure.study.collect import collect
    from wlmeasure.study.folder import init_study
    from wlmeasure.study.protocol import Protocol
    from wlmeasure.study.summary import summary

    protocol = Protocol(definitions=("length_mm",), apical_end="apical foramen", scale="given", least_clicks=3)
    cases = sorted(films.glob("*.wl.json"))
    study = init_study(folder, cases, [hand.name for hand in HANDS], protocol, repeats=2, seed=seed).study
    stored = read_all(study, truth, HANDS, size, seed, traced=traced)
    found = summary(collect(study).readings.of(definition="length_mm"))
    lengths = np.array([arc_length(next(iter(p.values())))[-1] * size[s] for s, p in truth.items()])
    hands = {one.name: one for one in HANDS}
    bias = [
        (hands[p.first].bias_mm - hands[p.second].bias_mm, limits.bias, *limits.bias_interval)
        for p in found.pairs
        for limits in (p.limits, p.repeated)
    ]
    icc = found.icc["ICC(2,1)"]
    return {
        "seed": seed,
        "results": stored,
        "bias_mm: made with, found, low, high (first readings, then all, a pair)": bias,
        "icc: made with, found, low, high": (expected_icc(lengths, HANDS), icc.value, *icc.interval),
        "repeat_sd_mm: made with, found, low, high": [
            (hands[own.observer].std_mm, own.within.std, *own.within.std_interval) for own in found.own
        ],
    }


def main(words: list[str]) -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("out", type=Path)
    asked.add_argument("--phantoms", type=int, default=50)
    asked.add_argument("--studies", type=int, default=1, help="of the same phantoms, each by other draws")
    asked.add_argument("--seed", type=int, default=20261127)
    asked.add_argument("--given-paths", action="store_true", help="hand in paths, and leave the tracer out")
    given = asked.parse_args(words)
    truth, size = phantom_films(given.out / "films", given.phantoms, given.seed)
    made = []
    for k in range(given.studies):
        folder = given.out / f"study_{k:02d}"
        one = one_study(folder, given.out / "films", truth, size, given.seed + k, traced=not given.given_paths)
        print(json.dumps(one, default=float), flush=True)
        made.append(one)
    for name in made[0]:
        if name.startswith(("bias", "icc", "repeat")):
            rows = [row for one in made for row in (one[name] if isinstance(one[name], list) else [one[name]])]
            kinds = (
                ((", first readings", rows[::2]), (", all readings", rows[1::2])) if name[0] == "b" else (("", rows),)
            )
            for kind, of in kinds:
                inside = sum(held(row[0], row[2:]) for row in of)
                off = np.mean([row[1] - row[0] for row in of])
                print(
                    f"{name.split(':')[0]}{kind}: interval holds it in {inside} of {len(of)}, found - made {off:+.4f}"
                )


if __name__ == "__main__":
    main(sys.argv[1:])
