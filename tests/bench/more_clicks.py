"""Whether more clicks make a path better: whole-tooth phantoms, nested clicks, from two to ten of them.

    python tests/bench/more_clicks.py [--seed FIRST] [--count N] [--level clear|typical|faint|hard] [--file yes|no]

Each set of clicks holds the one before. The ends are exact. Further clicks lie on the true centre line with an error of 1 px
(normal, each axis): **spread** where a person would put them, halves first, off by up to 0.05 of the canal along it; and
**corrective**, each at the place where the path of the clicks so far is worst. A path fails when it is somewhere more than
0.5 mm off the true projected centre line. Beside it, through the very same clicks: the **spline**, natural and cubic on the
length of the chords, and the straight **pieces**, both blind; and the **ideal**, the true line at one point a millimetre.
Canals that leave the film or are shorter than 5 mm on it are left out. Where a file stands in the tooth, it is traced from its
stop and tip and its path is known to the tracer, as in a case.

Seeds 3000 to 3019 were used in development; 7000 and up were not.
"""

# ruff: noqa: E402 - the thread limits come before numpy
from __future__ import annotations

import argparse
import os
from collections.abc import Iterator

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from shapely import LineString, distance, points

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom import make_phantom
from wlmeasure.trace.centreline import trace_line
from wlmeasure.trace.spline import arc_length, resample

Float64 = NDArray[np.float64]
COUNTS = (2, 3, 4, 5, 7, 10)
LEVELS = ("clear", "typical", "faint", "hard")
FAILED_MM = 0.5
CLICK_PX = 1.0
SHARES = (0.5, 0.75, 0.25, 0.875, 0.625, 0.375, 0.125, 0.94)
"""Where on the canal the third to the tenth click of a spread set lie."""
ALONG = 0.05
SHORTEST_MM = 5.0
WAYS = ("path", "spline", "pieces", "ideal")


@frozen(eq=False)
class Canal:
    """One canal on one film: what `trace_line` is given, and the true line in pixels from orifice to foramen."""

    film: Radiograph
    pitch: tuple[float, float]
    files: tuple[Float64, ...]
    truth_px: Float64
    seed: tuple[int, int]

    def off_mm(self, path_px: Float64) -> Float64:
        """Distance of the points of a path from the true line."""
        return np.asarray(distance(points(path_px * self.pitch), LineString(self.truth_px * self.pitch)), np.float64)

    def at(self, share: float, rng: np.random.Generator) -> Float64:
        """A click on the true line at a share of its length."""
        line, last = resample(self.truth_px, 2001), np.array(self.film.values.shape) - 1.0
        return np.clip(line[round(2000 * share)] + rng.normal(0.0, CLICK_PX, 2), 0.0, last)

    def path(self, clicks: Float64) -> Float64:
        """What the tracer makes of clicks."""
        return trace_line(self.film, clicks, "canal", self.pitch, files=self.files).path_px


@frozen
class Off:
    """How far ways through one set of clicks are off: the largest and the mean distance in mm, in the order of `WAYS`;
    `past` is the largest distance of a click from the path, `longer` what the path is longer than the true line."""

    clicks: int
    most: tuple[float, ...]
    mean: tuple[float, ...]
    past: float
    longer: float


def canals(level: str, seed: int, *, file: bool) -> Iterator[Canal]:
    """The canals of one phantom that are long enough and wholly on the film."""
    phantom = make_phantom(seed, level, file=file)
    film, known = Radiograph.from_array(phantom.image), phantom.truth.file
    files: tuple[Float64, ...] = ()
    last = np.array(phantom.image.shape) - 1.0
    if known is not None and all(bool(((p >= 0.0) & (p <= last)).all()) for p in (known.stop_px, known.tip_px)):
        files = (trace_line(film, [known.stop_px, known.tip_px], "file", phantom.mm_per_px).path_px,)
    for k, one in enumerate(phantom.truth.canals):
        line = one.path_px
        long = float(arc_length(line * phantom.mm_per_px)[-1]) >= SHORTEST_MM
        if long and bool(((line >= 0.0) & (line <= last)).all()):
            yield Canal(film, phantom.mm_per_px, files, line, (seed, k))


def natural(clicks: Float64, pitch: tuple[float, float]) -> Float64:
    """The blind natural cubic spline on the chords' length, pixels."""
    mm = clicks * pitch
    along = arc_length(mm)
    bc = "natural" if len(mm) > 2 else "not-a-knot"
    return np.asarray(CubicSpline(along, mm, bc_type=bc)(np.linspace(0.0, along[-1], 400)), np.float64) / pitch


def off(canal: Canal, clicks: Float64, path: Float64) -> Off:
    """One set of clicks, its path and the ways beside it."""
    mm = float(arc_length(canal.truth_px * canal.pitch)[-1])
    ways = (path, natural(clicks, canal.pitch), resample(clicks, 400), resample(canal.truth_px, max(3, round(mm) + 1)))
    found = [canal.off_mm(resample(way, 800)) for way in ways]
    longer = float(arc_length(path * canal.pitch)[-1]) - mm
    past = distance(points(clicks * canal.pitch), LineString(path * canal.pitch)).max()
    return Off(
        len(clicks), tuple(float(f.max()) for f in found), tuple(float(f.mean()) for f in found), float(past), longer
    )


def spread(canal: Canal) -> list[Off]:
    """Nested sets, halves first."""
    rng = np.random.default_rng([*canal.seed, 1])
    places = [(0.0, canal.truth_px[0]), (1.0, canal.truth_px[-1])]
    for share in SHARES:
        at = float(np.clip(share + rng.uniform(-ALONG, ALONG), 0.03, 0.97))
        places.append((at, canal.at(at, rng)))
    found = []
    for count in COUNTS:
        clicks = np.array([place for _, place in sorted(places[:count], key=lambda one: one[0])])
        found.append(off(canal, clicks, canal.path(clicks)))
    return found


def corrective(canal: Canal) -> list[Off]:
    """Nested sets, each further click where the path so far is worst."""
    rng = np.random.default_rng([*canal.seed, 2])
    line = resample(canal.truth_px, 2001)
    places = [(0.0, canal.truth_px[0]), (1.0, canal.truth_px[-1])]
    found = []
    for count in range(2, COUNTS[-1] + 1):
        clicks = np.array([place for _, place in sorted(places, key=lambda one: one[0])])
        path = canal.path(clicks)
        if count in COUNTS:
            found.append(off(canal, clicks, path))
        # The place of the true line from which the path is farthest, not right beside an earlier click.
        away = np.asarray(distance(points(line * canal.pitch), LineString(path * canal.pitch)))
        for at, _ in places:
            away[max(round(2000 * at) - 60, 0) : round(2000 * at) + 61] = -1.0
        at = int(away.argmax()) / 2000.0
        places.append((at, canal.at(at, rng)))
    return found


@frozen
class Row:
    """One kind of film, one way of clicking, one number of clicks: shares failing and means of the largest distance, mm."""

    films: str
    order: str
    clicks: int
    canals: int
    failed: tuple[float, ...]
    most_mm: tuple[float, ...]
    mean_mm: float
    worse: float
    """Share of canals whose path fails though that of the set before did not."""
    past_mm: float
    """Largest distance of a click from its path."""
    longer_mm: float
    longer_rms_mm: float
    """What the path is longer than the true line: mean and root mean square."""


def rows(name: str, order: str, found: list[list[Off]]) -> list[Row]:
    """`found`: one list a canal, in the order of `COUNTS`."""
    made = []
    for k, count in enumerate(COUNTS):
        here = [one[k] for one in found]
        most = np.array([one.most for one in here])
        bad = most > FAILED_MM
        before = np.array([one[max(k - 1, 0)].most[0] for one in found]) > FAILED_MM
        made.append(
            Row(
                name, order, count, len(here), tuple(bad.mean(axis=0)), tuple(most.mean(axis=0)),
                float(np.mean([one.mean[0] for one in here])), float((bad[:, 0] & ~before).mean()),
                max(one.past for one in here), float(np.mean([one.longer for one in here])),
                float(np.mean([one.longer**2 for one in here]) ** 0.5),
            )
        )  # fmt: skip
    return made


def measured(level: str, first_seed: int, count: int, *, file: bool) -> list[Row]:
    """Both ways of clicking on the canals of `count` films of one kind."""
    some = [canal for seed in range(first_seed, first_seed + count) for canal in canals(level, seed, file=file)]
    name = f"{level}{', file' if file else ''}"
    return rows(name, "spread", [spread(one) for one in some]) + rows(name, "corrective", [corrective(c) for c in some])


def line(row: Row) -> str:
    """One line of the table."""
    failed = "  ".join(f"{100.0 * share:5.1f}" for share in row.failed[:3])
    most = "  ".join(f"{mm:6.3f}" for mm in row.most_mm)
    return (
        f"{row.films:<14} {row.order:<10} {row.clicks:>3} {row.canals:>4}   {failed}   {most}   {row.mean_mm:.4f} "
        f"{100.0 * row.worse:5.1f} {row.past_mm:6.3f} {row.longer_mm:+.4f} {row.longer_rms_mm:.4f}"
    )


HEAD = (
    f"{'film':<14} {'clicks':<10} {'n':>3} {'of':>4}   fail%: path, spline, pieces   worst mm: {', '.join(WAYS)}   "
    "mean mm, newly failing %, click off path at most mm, too long mm: mean, rms"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=3000)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--level", choices=LEVELS)
    parser.add_argument("--file", choices=("yes", "no"))
    asked = parser.parse_args()
    print(HEAD, flush=True)
    for level in [asked.level] if asked.level else LEVELS:
        for file in (False, True) if asked.file is None else (asked.file == "yes",):
            for row in measured(level, asked.seed, asked.count, file=file):
                print(line(row), flush=True)


if __name__ == "__main__":
    main()
