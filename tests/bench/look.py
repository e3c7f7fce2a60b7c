"""What one look finds on phantoms of known truth, beside a blind guess, today's finder, a trial's network and ideal maps.

    python tests/bench/look.py --levels real typical hard --count 300 [--first SEED] [--weights FILE.onnx] [--trial FILE.onnx]
                               [--workers N] [--plain] [--json FILE] [--withheld THING ...]

Level "flat" is another simulator (`tests/references/film_generator`: flat teeth, tone curves, compressions and pixel shapes
of its own), none of whose films is trained on; it knows of files alone.

Every row is measured on the same films. **Perhaps** is one look that was asked for what is less likely too; its items give
the reliability. **Blind** says of each film what is true of another one of its level, scaled to the picture. **Ideal** is the
assembly on maps drawn from the truth: what a network without faults would give. `--withheld` prints the rows twice, of films
that show something that was kept out of the network's training, and of the others. `--trial` is a network of six maps (file,
tip, upper end, canals, root ends, orifices), put together like ours. Right means: a file within 0.3 mm over nine tenths of
it, its tip and (in the picture) its upper end within 0.3 mm, none of them stated that is not there; a canal within 0.3 mm
over nine tenths of what of it can be seen; root ends and references within 0.5 mm.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from functools import lru_cache
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import cv2
import numpy as np
from attrs import evolve, frozen

from wlmeasure.detect.certainty import certainty_of
from wlmeasure.detect.channels import AREAS, LINES, POINTS, SPREAD_PX, Channel
from wlmeasure.detect.look import Look, look_at_maps
from wlmeasure.detect.network import WEIGHTS, Maps, load_network
from wlmeasure.detect.prepare import Given, prepared
from wlmeasure.detect.training.labels import FileLabel, Labels, draw
from wlmeasure.detect.training.score import visible_canals
from wlmeasure.detect.training.trials import Items, Trial, at_work, film, items_of, radiograph_of, scored, things_of
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import find_files

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
import film_generator

FLAT = "flat"
KINDS = ("file", "upper_end", "canal", "root_end", "reference")
TRIAL_MAPS = (Channel.FILE, Channel.TIP, Channel.UPPER_END, Channel.CANAL, Channel.ROOT_END, Channel.ORIFICE)
FINDER_TRUSTED = 0.9
BINS = 15


def ideal_maps(labels: Labels, given: Given) -> Maps:
    """Maps drawn from the truth; a canal that is asked for is drawn as a whole."""
    wanted = visible_canals(labels, np.full(2, labels.mm_per_px))
    whole = tuple(evolve(c, visible=np.ones(len(c.path_px), np.bool_)) for c in wanted)
    labels = evolve(labels, canals=whole)
    raster = draw(labels.scaled((1.0 / given.scale[0], 1.0 / given.scale[1]), given.inside))
    shares = np.zeros((len(Channel), *given.greys.shape), np.float32)
    at = np.s_[: given.inside[0], : given.inside[1]]
    away = raster.distance / 16.0
    for k, channel in enumerate(LINES):
        shares[channel][at] = np.exp(-0.5 * (away[k] / SPREAD_PX["line"]) ** 2)
    for k, channel in enumerate(POINTS, start=len(LINES)):
        shares[channel][at] = np.exp(-0.5 * (away[k] / SPREAD_PX["point"]) ** 2)
    for k, channel in enumerate(AREAS):
        shares[channel][at] = (raster.bits >> k) & 1
    return Maps(given, shares)


@frozen(eq=False)
class Shown:
    """A film, what is true of it, and the form of its files' tips, which the finder is told."""

    radiograph: Radiograph
    mm_per_px: tuple[float, float]
    labels: Labels
    tip: TipForm


@lru_cache(maxsize=6)  # the next film is the one that the blind guess copies
def shown(seed: int, level: str) -> Shown | None:
    """The film of a seed and level; "flat" is that of another simulator, which knows of files alone."""
    if level == FLAT:
        return flat(seed)
    made = film(seed, level)
    if made is None:
        return None
    phantom, labels = made
    file = phantom.truth.file
    tip = TipForm() if file is None else TipForm(file.size_mm, file.tip_angle_deg)
    return Shown(radiograph_of(phantom), phantom.mm_per_px, labels, tip)


def flat(seed: int) -> Shown:
    made = film_generator.varied(seed, file=seed % 3 != 0)
    none, empty = np.zeros((0, 2)), np.zeros(made.values.shape, np.bool_)

    def end(point: np.ndarray | None) -> np.ndarray:
        return none if point is None else point[None]

    files = tuple(FileLabel(f.path_px, end(f.stop_px), end(f.tip_px)) for f in made.files)
    size = float(np.sqrt(made.mm_per_px[0] * made.mm_per_px[1]))
    labels = Labels(files, (), none, none, none, empty, empty, empty, empty, size)
    radiograph = Radiograph.from_array(made.values, bright_is_dense=made.bright_is_dense)
    return Shown(radiograph, made.mm_per_px, labels, TipForm())


class Methods:
    """The ways of looking that are compared; made in the first process, used in all."""

    def __init__(self, weights: Path | None, trial: Path | None, fine: bool) -> None:
        self.network = None if weights is None else load_network(weights)
        self.trial = None if trial is None else trial.read_bytes()
        self.fine = fine
        self._trial_net: Any = None

    def names(self) -> list[str]:
        own = [] if self.network is None else ["one look", "perhaps"]
        return [*own, *(["trial"] if self.trial is not None else []), "finder", "blind", "ideal"]

    def look(self, shown: Shown) -> tuple[dict[str, Items], tuple[float, ...]]:
        radiograph, mm_per_px, labels = shown.radiograph, shown.mm_per_px, shown.labels
        begin = time.perf_counter()
        given = prepared(radiograph, mm_per_px)
        said: dict[str, Items] = {}
        times = [0.0, 0.0, 0.0]

        def seen(maps: Maps, card: dict[str, Any], fine: bool, perhaps: bool = False) -> Look:
            return look_at_maps(
                radiograph, maps, certainty_of(card), model="", mm_per_px=mm_per_px, fine=fine, perhaps=perhaps
            )

        if self.network is not None:
            middle = time.perf_counter()
            maps = self.network.run(given)
            run = time.perf_counter()
            seen(maps, dict(self.network.card), False)
            assembled = time.perf_counter()
            said["one look"] = items_of(seen(maps, dict(self.network.card), self.fine))
            fitted = time.perf_counter()
            said["perhaps"] = items_of(seen(maps, dict(self.network.card), self.fine, perhaps=True))
            times = [run - middle, middle - begin + assembled - run, fitted - assembled]
        if self.trial is not None:
            said["trial"] = items_of(seen(self._trial_maps(given), {}, self.fine))
        found = find_files(radiograph, mm_per_px=mm_per_px, tip=shown.tip)
        said["finder"] = Items(
            [(p.path_px, p.stop_px, p.tip_px) for p in found], [], [], [],
            {"file": [p.confidence for p in found]}, {"file": [p.confidence >= FINDER_TRUSTED for p in found]},
        )  # fmt: skip
        said["ideal"] = items_of(seen(ideal_maps(labels, given), {}, False))
        return said, tuple(times)

    def _trial_maps(self, given: Given) -> Maps:
        if self._trial_net is None:
            self._trial_net = cv2.dnn.readNetFromONNX(np.frombuffer(self.trial, np.uint8))
        self._trial_net.setInput(given.greys[None, None])
        logit = self._trial_net.forward()[0]
        shares = np.zeros((len(Channel), *given.greys.shape), np.float32)
        for k, channel in enumerate(TRIAL_MAPS):
            shares[channel] = 1.0 / (1.0 + np.exp(-np.clip(logit[k], -30.0, 30.0)))
        shares[:, given.inside[0] :], shares[:, :, given.inside[1] :] = 0.0, 0.0
        return Maps(given, shares)


_methods: Methods | None = None


def blind_items(labels: Labels, other: Labels) -> Items:
    """What is true of another film, scaled to this picture."""
    by = np.array(labels.root.shape) / np.array(other.root.shape)

    def end(points: np.ndarray) -> np.ndarray | None:
        return points[0] * by if len(points) else None

    return Items(
        [(f.path_px * by, end(f.upper_px), end(f.tip_px)) for f in other.files],
        [c.path_px * by for c in other.canals if c.visible.any()],
        [p * by for p in other.root_ends_px],
        [p * by for p in other.references_px],
    )


def run(job: tuple[int, str, int]) -> dict[str, Trial] | None:
    """One film by every method; `job` is its seed, level and the seed of the film that the blind guess copies."""
    seed, level, copied = job
    one, other = shown(seed, level), shown(copied, level)
    if one is None or _methods is None:
        return None
    said, times = _methods.look(one)
    said["blind"] = Items([], [], [], []) if other is None else blind_items(one.labels, other.labels)
    return {
        name: Trial(seed, level, scored(items, one.labels, one.mm_per_px), items.chances, items.trusted, seconds=times)
        for name, items in said.items()
    }


def share(hits: int, of: int) -> str:
    return f"{100.0 * hits / of:6.1f} % of {of:5d}" if of else "     -         "


def say(name: str, trials: list[Trial]) -> dict[str, Any]:
    """Prints the rows of one method and gives them as plain values."""
    told: dict[str, Any] = {}

    def row(what: str, flags: list[bool]) -> None:
        print(f"  {name:<9} {what:<46} {share(sum(flags), len(flags))}")
        told[what] = [int(sum(flags)), len(flags)]

    files = [t.scores["file"] for t in trials]
    row("files found, line and tip right", [f for s in files for f in s.found])
    uppers = [t.scores["upper_end"] for t in trials]
    row("  and upper end right", [f for s in uppers for f in s.found])
    row("  on films with two and more", [f for s in files if len(s.found) > 1 for f in s.found])
    row("films without a file on which one is said", [len(s.right) > 0 for s in files if not s.found])
    row("files said that are right", [r for s in files for r in s.right])
    trusted = [
        (r, t)
        for trial in trials
        for r, t in zip(trial.scores["file"].right, trial.trusted.get("file", []), strict=False)
    ]
    if any(t for _, t in trusted):
        count = sum(len(s.found) for s in files)
        print(f"  {name:<9} {'files trusted, over all files':<46} {share(sum(t for _, t in trusted), count)}")
        row("  of the trusted right in line, tip and upper end", [r for r, t in trusted if t])
    for kind, word in (("canal", "canals"), ("root_end", "root ends"), ("reference", "references")):
        if trials and trials[0].level == FLAT:
            continue  # nothing but files is known there
        scores = [t.scores[kind] for t in trials]
        if any(s.right for s in scores):
            row(f"{word} found", [f for s in scores for f in s.found])
            row(f"{word} said that are right", [r for s in scores for r in s.right])
    return told


def reliability(trials: list[Trial], kind: str) -> dict[str, Any] | None:
    """Calibration error over bins of equal counts beside its sampling floor, Brier score, and AUC."""
    chance = np.array([c for t in trials for c in t.chances.get(kind, [])])
    right = np.array([r for t in trials for r in t.scores[kind].right], np.float64)
    if kind == "upper_end" and len(chance) == len(right):
        asked = np.array([r for t in trials for r in t.scores["file"].right], np.bool_)
        chance, right = chance[asked], right[asked]
    if len(chance) != len(right) or len(right) < 10 * BINS or right.min() == right.max():
        return None
    order = np.argsort(chance, kind="stable")
    bins = np.array_split(order, BINS)

    def error(of: np.ndarray) -> float:
        return float(sum(len(b) * abs(of[b].mean() - chance[b].mean()) for b in bins) / len(of))

    rng = np.random.default_rng(1)
    floor = float(np.mean([error((rng.random(len(chance)) < chance).astype(float)) for _ in range(50)]))
    ranks = np.empty(len(chance))
    ranks[order] = np.arange(1, len(chance) + 1)
    wrong = len(right) - right.sum()
    auc = float((ranks[right == 1].sum() - right.sum() * (right.sum() + 1) / 2) / (right.sum() * wrong))
    made = {
        "items": len(right), "error": round(error(right), 4), "floor": round(floor, 4),
        "brier": round(float(np.mean((chance - right) ** 2)), 4), "auc": round(auc, 4),
        "bins": [[round(float(chance[b].mean()), 3), round(float(right[b].mean()), 3)] for b in bins],
    }  # fmt: skip
    print(
        f"  {kind:<10} {made['items']:6d} items  calibration error {made['error']:.3f} (sampling alone {made['floor']:.3f})  "
        f"Brier {made['brier']:.3f}  AUC {made['auc']:.3f}"
    )
    return made


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--levels", nargs="+", default=["real", "typical", "hard"])
    parser.add_argument("--first", type=int, default=70_000_000)
    parser.add_argument("--count", type=int, default=40, help="films of each level")
    parser.add_argument("--weights", type=Path, default=WEIGHTS / "look.onnx")
    parser.add_argument("--trial", type=Path, help="the trial's network, which is not in the repository")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--plain", action="store_true", help="leave out the fits on the film")
    parser.add_argument("--withheld", nargs="+", default=[], help="things that were kept out of the training")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    global _methods
    weights = asked.weights if asked.weights.exists() else None
    if weights is None:
        print(f"no weights at {asked.weights}: ours is left out")
    _methods = Methods(weights, asked.trial, not asked.plain)
    told: dict[str, Any] = {}
    for level in asked.levels:
        seeds = range(asked.first, asked.first + asked.count)
        jobs = [(seed, level, seed + 1 if seed + 1 in seeds else asked.first) for seed in seeds]
        begin = time.perf_counter()
        trials = [t for t in at_work(run, jobs, asked.workers) if t is not None]
        print(
            f"{len(trials)} films of level {level}, seeds {seeds.start} to {seeds.stop - 1}, "
            f"{time.perf_counter() - begin:.0f} s"
        )
        told[level] = {name: say(name, [t[name] for t in trials]) for name in _methods.names()}
        if asked.withheld and level == "real":
            unknown = [bool(things_of(t["blind"].seed, level) & set(asked.withheld)) for t in trials]
            for words, part in (("withheld", True), ("known", False)):
                rows = [t for t, one in zip(trials, unknown, strict=True) if one is part]
                print(f"{len(rows)} of these films, {words}: {', '.join(asked.withheld)}")
                told[f"{level}, {words}"] = {name: say(name, [t[name] for t in rows]) for name in _methods.names()}
        if weights is not None:
            own = [t["perhaps"] for t in trials]
            known = KINDS[:2] if level == FLAT else KINDS
            told[level]["reliability"] = {kind: reliability(own, kind) for kind in known}
            seconds = np.median([t["one look"].seconds for t in trials], axis=0)
            print(
                f"  median time: network {1e3 * seconds[0]:.0f} ms, preparation and assembly {1e3 * seconds[1]:.0f} ms "
                f"(together {1.0 + seconds[1] / seconds[0]:.2f} x the network), fits {1e3 * seconds[2]:.0f} ms"
            )
    if asked.json is not None:
        asked.json.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
