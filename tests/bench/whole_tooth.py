"""How often a canal is traced where it is, on films of whole teeth, from two and three clicks; three ways beside ours.

    python tests/bench/whole_tooth.py [--seed FIRST] [--count FILMS] [--levels clear typical faint real row reference]
                                      [--cache DIR] [--clicks 2 3] [--without] [--json FILE]

**Films.** `clear`, `typical`, `faint`, `hard`, `real`: phantoms at their own sizes, every second one of the older levels with
a file; "real" is the kind that the network learnt from (other seeds). `row` is another simulator's
(`tests/references/film_generator.make_row`: flat teeth, none of it trained on); `reference` are eight films of a ray caster,
given by `--reference DIR`. **Clicks** are the true ends and a point at 30 to 70 % of the canal, each off by 1 px (normal,
either axis). Canals that leave the film or are shorter than 5 mm on it are left out; those that join another one, are wider
than 0.8 mm, hold a filling or can be seen over less than half of their length are counted apart. A file on the film is traced
from its two ends and known to the tracer, as in a case; canals of a root are traced one after the other, and each knows those
before it.

**Right**: the path's mean distance from the true centre line below 4 pixels and its largest at most 6. Beside ours: **blind**,
the natural spline through the clicks; **image**, the tracer without the maps; **maps**, the cheapest path on the canal map.
"Along a file": more than a third of the path within 0.25 mm of another canal's file and 0.15 mm farther from its own canal.

Seeds from 910000000 were used in development; from 930000000 on they were not.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import json
import os
import pickle
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from wlmeasure.detect.certainty import certainty_of
from wlmeasure.detect.channels import Channel
from wlmeasure.detect.network import Maps, shipped_network
from wlmeasure.detect.prepare import Given, prepared
from wlmeasure.detect.training.labels import labels_of
from wlmeasure.errors import PhantomError, TraceError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom.make import set_up
from wlmeasure.points import polyline_feet
from wlmeasure.record.evaluate import DOUBTFUL
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.evidence import FilmMaps
from wlmeasure.trace.path import minimal_path
from wlmeasure.trace.spline import arc_length, resample, smooth_line

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
sys.path.insert(0, str(Path(__file__).parent))
import film_generator
from tracer import random_pieces

Float64 = NDArray[np.float64]
MEAN_PX, MAX_PX = 4.0, 6.0
SHORTEST_MM, CLICK_PX = 5.0, 1.0
NEAR_MM = 0.75
FURTHER = (
    0.1,
    0.8,
    0.2,
    0.7,
)  # shares of the canal at which the fourth to the seventh click lie, and up to a tenth farther
LEAST_VISIBLE = 0.5


@frozen(eq=False)
class Canal:
    """A true canal: pixels (N, 2) orifice to end, what it holds, its root, and the row of the table that it belongs to."""

    path_px: Float64
    holds: str
    root: tuple[int, int]
    kind: str
    nearest_mm: float
    """Mean distance to the nearest other canal of its root."""


@frozen(eq=False)
class Film:
    """A film with its canals, files traced from their ends, the maps of the network, and whether it is unlike the training."""

    radiograph: Radiograph
    mm_per_px: tuple[float, float]
    canals: tuple[Canal, ...]
    files: tuple[Float64, ...]
    maps: Maps
    unlike: bool
    seed: int

    @property
    def holders(self) -> list[Canal | None]:
        """The canal that each file lies in: the one that its last stretch is nearest to, of those that hold a file."""
        pixel = np.array(self.mm_per_px)
        found: list[Canal | None] = []
        can = [c for c in self.canals if c.holds == "file"] or list(self.canals)
        for file in self.files:
            tail = file[-max(len(file) // 4, 2) :: 4] * pixel
            away = [float(polyline_feet(tail, c.path_px * pixel).apart.mean()) for c in can]
            found.append(can[int(np.argmin(away))] if away and min(away) < 0.3 else None)
        return found


def _file_path(film: Radiograph, ends: list[Float64], mm_per_px: tuple[float, float]) -> Float64 | None:
    last = np.array(film.values.shape) - 1.0
    if not all(bool(((p >= 0.0) & (p <= last)).all()) for p in ends):
        return None
    try:
        return trace_line(film, ends, "file", mm_per_px).path_px
    except TraceError:
        return None


def _phantom(seed: int, level: str) -> tuple[Any, ...] | None:
    wish: dict[str, Any] = {} if level == "real" else {"file": seed % 2 == 1}
    try:
        sitting = set_up(seed, level, wish)
        phantom = sitting.first_film()
        labels = labels_of(sitting, phantom)
    except PhantomError:
        return None
    radiograph, mm = Radiograph.from_array(phantom.image), phantom.mm_per_px
    truth = phantom.truth
    canals, files = [], []
    if level == "real":
        for number, tooth in enumerate(truth.teeth):
            if tooth.state != "erupted":
                continue
            canals += [((number, c.root), c, "") for c in tooth.canals]
            for file in tooth.files:
                upper = file.stop_px
                if file.leaves_px is not None:
                    upper = file.leaves_px
                files.append((upper, file.tip_px))
    else:
        canals = [((0, c.root), c, "") for c in truth.canals]
        if truth.file is not None:
            files.append((truth.file.stop_px, truth.file.tip_px))
    made = []
    held = None if truth.file is None else truth.file.canal
    for root, one, _ in canals:
        visible = 1.0
        for label in labels.canals:
            if len(label.path_px) == len(one.path_px) and np.abs(label.path_px - one.path_px).max() < 0.5:
                visible = float(label.visible.mean())
        wide = one.lumen_mm is not None and float(np.median(one.lumen_mm)) > 0.8
        kind = "ordinary"
        if one.holds == "filling":
            kind = "filled"
        elif visible < LEAST_VISIBLE:
            kind = "hardly visible"
        elif one.joins is not None:
            kind = "joined"
        elif wide:
            kind = "wide"
        holds = "file" if level != "real" and one.name == held else one.holds
        made.append((one.path_px, holds, root, kind))
    last = np.array(phantom.image.shape) - 1.0
    ends = []
    for upper, tip in files:
        rim = np.clip(upper, 0.0, last)  # where a file leaves the picture, at its last pixel
        ends.append([rim if np.abs(upper - rim).max() < 1.0 else upper, tip])
    return radiograph, mm, made, ends


def _row(seed: int) -> tuple[Any, ...]:
    rng = np.random.default_rng([seed, 8])

    def pieces(rng: np.random.Generator) -> list[tuple[float, float]]:
        return [
            (length, 0.6 * bend) for length, bend in random_pieces(rng)
        ]  # as bent as they are drawn, roots cross others

    row = film_generator.make_row(seed, pieces, file=seed % 2 == 1)
    film = film_generator.SyntheticFilm(row.values, row.mm_per_px, ())
    film = (
        film_generator.log16(film), film_generator.linear12(film),
        film_generator.sigmoid8(film, rng.uniform(0.9, 1.5), rng.uniform(0.35, 0.7)),
        film_generator.gamma8(film, float(np.exp(rng.uniform(np.log(0.5), np.log(2.0))))),
    )[seed // 2 % 4]  # fmt: skip
    radiograph = Radiograph.from_array(film.values, bright_is_dense=True)
    each = zip(row.canals, row.root, row.holds, strict=True)
    made = [(path, holds, (0, root), "ordinary") for path, root, holds in each]
    return radiograph, row.mm_per_px, made, [] if row.file_px is None else [[row.file_px[0], row.file_px[-1]]]


def _reference(folder: Path, number: int) -> tuple[Any, ...] | None:
    pictures = sorted(folder.glob("*.png"))
    if number >= len(pictures):
        return None
    picture = pictures[number]
    radiograph = Radiograph.from_array(cv2.imread(str(picture), cv2.IMREAD_UNCHANGED), bright_is_dense=True)
    canal = np.loadtxt(picture.with_name(f"{picture.stem}_canal.csv"), delimiter=",", skiprows=1)[:, 3:5]
    facts = json.loads(picture.with_suffix(".json").read_text())
    size = float(facts["mm_per_px_from_file"])
    # The file is not told: the canal is to be found with metal in it.
    return radiograph, (size, size), [(canal, "file", (0, 0), "ordinary")], []


def _nearest_mm(path: Float64, others: list[Float64], pixel: Float64) -> float:
    line = resample(path * pixel, 60)
    return min((float(polyline_feet(line, other * pixel).apart.mean()) for other in others), default=np.inf)


def film_of(seed: int, level: str, reference: Path | None) -> Film | None:
    """The film of a seed and level with its maps; None where there is none."""
    made = _row(seed) if level == "row" else _reference(reference, seed) if level == "reference" and reference else None
    if level not in ("row", "reference"):
        made = _phantom(seed, level)
    if made is None:
        return None
    radiograph, mm_per_px, canals, ends = made
    pixel, last = np.array(mm_per_px), np.array(radiograph.values.shape) - 1.0
    kept = []
    for path, holds, root, kind in canals:
        if not bool(((path >= 0.0) & (path <= last)).all()) or arc_length(path * pixel)[-1] < SHORTEST_MM:
            continue
        others = [other for other, _, at, _ in canals if at == root and other is not path]
        kept.append(Canal(path, holds, root, kind, _nearest_mm(path, others, pixel)))
    files = [file for pair in ends if (file := _file_path(radiograph, pair, mm_per_px)) is not None]
    network = shipped_network()
    maps = network.run(prepared(radiograph, mm_per_px))
    unlike = bool(certainty_of(network.card).unlike(maps.given.figures))
    return Film(radiograph, mm_per_px, tuple(kept), tuple(files), maps, unlike, seed)


def _packed(film: Film | None) -> Any:
    if film is None:
        return None
    given = film.maps.given
    return {
        "values": film.radiograph.values, "bright": film.radiograph.bright_is_dense, "mm": film.mm_per_px,
        "canals": [(c.path_px, c.holds, c.root, c.kind, c.nearest_mm) for c in film.canals], "files": film.files,
        "unlike": film.unlike, "seed": film.seed,
        "shares": film.maps.shares.astype(np.float16), "inside": given.inside, "scale": given.scale,
    }  # fmt: skip


def _unpacked(kept: Any) -> Film | None:
    if kept is None:
        return None
    radiograph = Radiograph.from_array(kept["values"], bright_is_dense=kept["bright"])
    shares = kept["shares"].astype(np.float32)
    maps = Maps(Given(np.zeros(shares.shape[1:], np.float32), kept["inside"], kept["scale"]), shares)
    canals = tuple(Canal(*one) for one in kept["canals"])
    return Film(radiograph, kept["mm"], canals, kept["files"], maps, kept["unlike"], kept["seed"])


def films(level: str, first: int, count: int, cache: Path | None, reference: Path | None = None) -> Iterator[Film]:
    """Films of a level, kept in a folder between runs where one is given (a tool of development: it holds pickles)."""
    for seed in range(count) if level == "reference" else range(first, first + count):
        kept = None if cache is None else cache / f"{level}-{seed}.pickle"
        if kept is not None and kept.exists():
            film = _unpacked(pickle.loads(kept.read_bytes()))
        else:
            film = film_of(seed, level, reference)
            if kept is not None:
                kept.parent.mkdir(parents=True, exist_ok=True)
                kept.write_bytes(pickle.dumps(_packed(film)))
        if film is not None:
            yield film


def tracer_maps(film: Film, *, always: bool = False) -> FilmMaps | None:
    """The maps as a tracer is given them: none of a film that is unlike the training, unless asked for."""
    if film.unlike and not always:
        return None
    of = film.maps.of
    return FilmMaps(
        of(Channel.CANAL), of(Channel.OUTLINE), of(Channel.ROOT), of(Channel.FILE), film.maps.given.scale, "look"
    )


def clicks_on(canal: Canal, count: int, seed: int, number: int, last: Float64) -> Float64:
    """Two or three clicks at the truth and an error of `CLICK_PX`, or more: each set holds the one before."""
    rng = np.random.default_rng([seed, number, 3])
    line = resample(canal.path_px, 2001)
    middle = line[round(2000 * rng.uniform(0.3, 0.7))]
    points = np.array([line[0], line[-1], middle]) + rng.normal(0.0, CLICK_PX, (3, 2))
    more = [line[round(2000 * rng.uniform(low, low + 0.1))] + rng.normal(0.0, CLICK_PX, 2) for low in FURTHER]
    points = np.clip(np.vstack([points, *more]), 0.0, last)[:count]
    # In the order along the canal.
    return points[np.argsort(polyline_feet(points, line).along, kind="stable")]


def blind(clicks: Float64, pixel: Float64) -> Float64:
    """The natural cubic spline on the chords' length."""
    mm = clicks * pixel
    along = arc_length(mm)
    kind = "natural" if len(mm) > 2 else "not-a-knot"
    return np.asarray(CubicSpline(along, mm, bc_type=kind)(np.linspace(0.0, along[-1], 400)), np.float64) / pixel


def bare_map(film: Film, clicks: Float64) -> Float64:
    """The cheapest path on the canal's map alone, smoothed."""
    share = film.maps.of(Channel.CANAL).astype(np.float64)
    rows, cols = film.maps.given.inside
    cost = 1.0 / (share[:rows, :cols] + 0.03)
    at = np.clip(np.rint(film.maps.given.from_film(clicks)).astype(int), 0, np.array(cost.shape) - 1)
    cells = [(int(r), int(c)) for r, c in at]
    line = film.maps.given.to_film(minimal_path(cost, cells))
    line[0], line[-1] = clicks[0], clicks[-1]
    pixel = np.array(film.mm_per_px)
    spans = max(3, round(float(arc_length(line * pixel)[-1]) / 1.2))
    return smooth_line(line * pixel, spans, 400) / pixel


def judged(path: Float64, canal: Canal, film: Film) -> dict[str, Any]:
    """One path held against its canal: pixels, millimetres, and along another canal's file or not."""
    pixel = np.array(film.mm_per_px)
    size = float(np.sqrt(np.prod(pixel)))
    line = resample(path, 400)
    off = polyline_feet(line * pixel, canal.path_px * pixel).apart
    mean, most = float(off.mean()), float(off.max())
    where = float(off.argmax()) / (len(off) - 1)
    along_file = False
    for file, holder in zip(film.files, film.holders, strict=True):
        if holder is not canal:
            near = polyline_feet(line * pixel, file * pixel).apart
            along_file |= float(((near < 0.25) & (near + 0.15 < off)).mean()) > 1.0 / 3.0
    return {
        "right": mean < MEAN_PX * size and most <= MAX_PX * size, "most": most, "mean": mean,
        "file": along_file, "where": where,
        "longer": float(arc_length(path * pixel)[-1] - arc_length(canal.path_px * pixel)[-1]),
    }  # fmt: skip


def traced(film: Film, counts: list[int], ways: list[str]) -> Iterator[dict[str, Any]]:
    """Every canal of a film by every way: one record each."""
    maps, last = tracer_maps(film), np.array(film.radiograph.values.shape) - 1.0
    for count in counts:
        before: dict[tuple[int, int], list[Float64]] = {}
        for number, canal in enumerate(film.canals):
            clicks = clicks_on(canal, count, film.seed, number, last)
            for way in ways:
                begin = time.perf_counter()
                doubt = None
                if way == "blind":
                    path = blind(clicks, np.array(film.mm_per_px))
                elif way == "maps":
                    path = bare_map(film, clicks)
                elif way == "image":
                    made = trace_line(film.radiograph, clicks, "canal", film.mm_per_px, files=film.files)
                    path, doubt = made.path_px, made.doubt
                else:
                    others = before.setdefault(canal.root, [])
                    made = trace_line(
                        film.radiograph, clicks, "canal", film.mm_per_px, files=film.files, maps=maps, others=others
                    )
                    path, doubt = made.path_px, made.doubt
                    others.append(path)
                yield {
                    "seed": film.seed, "number": number, "clicks": count, "way": way, "kind": canal.kind, "holds": canal.holds,
                    "near": canal.nearest_mm, "files": len(film.files), "told": canal in film.holders,
                    "unlike": film.unlike, "doubt": doubt, "seconds": time.perf_counter() - begin,
                } | judged(path, canal, film)  # fmt: skip


def _share(records: list[dict[str, Any]], test: Any) -> str:
    return f"{100.0 * np.mean([bool(test(r)) for r in records]):5.1f}" if records else "    -"


def line(level: str, clicks: int, way: str, records: list[dict[str, Any]]) -> str:
    """One line of the table."""
    main = [r for r in records if r["kind"] == "ordinary"]
    free = [r for r in main if not r["told"]]
    beside = [r for r in free if r["files"]]
    near = [r for r in free if r["near"] < NEAR_MM]
    bad, good = [r for r in main if r["most"] > 0.3], [r for r in main if r["right"]]
    flagged = [r for r in bad if r["doubt"] is not None and r["doubt"] > DOUBTFUL]
    called = [r for r in good if r["doubt"] is not None and r["doubt"] > DOUBTFUL]
    kinds = " ".join(
        f"{kind} {_share(own, lambda r: r['right'])} of {len(own)}"
        for kind in ("joined", "wide", "filled", "hardly visible")
        if (own := [r for r in records if r["kind"] == kind])
    )
    return (
        f"{level:<9} {clicks} {way:<6} {len(main):>4}  {_share(main, lambda r: r['right'])} "
        f"{_share(main, lambda r: r['most'] > 0.5)} {_share(main, lambda r: abs(r['longer']) > 0.25)}   "
        f"{_share(beside, lambda r: r['file'])} of {len(beside):<3}  {_share(near, lambda r: r['right'])} of {len(near):<3}  "
        f"doubt {len(flagged)}/{len(bad)} {len(called)}/{len(good)}  "
        f"{1e3 * np.median([r['seconds'] for r in records]):.0f} ms  "
        f"{kinds}"
    )


HEAD = (
    "level clicks way  n   right%  >0.5mm% length>0.25mm%   along a file%   right%, canals < 0.75 mm apart   "
    "doubted: >0.3 mm, right"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=910000000)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--levels", nargs="+", default=["clear", "typical", "faint", "real", "row"])
    parser.add_argument("--clicks", nargs="+", type=int, default=[2, 3])
    parser.add_argument("--ways", nargs="+", default=["ours", "image", "maps", "blind"])
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--reference", type=Path)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    print(HEAD, flush=True)
    kept = {}
    for level in asked.levels:
        found: list[dict[str, Any]] = []
        for film in films(level, asked.seed, asked.count, asked.cache, asked.reference):
            found += traced(film, asked.clicks, asked.ways)
        kept[level] = found
        for clicks in asked.clicks:
            for way in asked.ways:
                print(
                    line(level, clicks, way, [r for r in found if r["clicks"] == clicks and r["way"] == way]),
                    flush=True,
                )
    if asked.json is not None:
        asked.json.write_text(json.dumps(kept, default=float))


if __name__ == "__main__":
    main()
