"""Films of known truth looked at, one after the other or by several processes: what figures and calibration rest on."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator
from typing import Any

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.detect.look import Look
from wlmeasure.detect.training.films import families, labelled
from wlmeasure.detect.training.labels import Labels
from wlmeasure.detect.training.score import Scored, canals_scored, files_scored, point_hits
from wlmeasure.errors import PhantomError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom.make import Phantom, set_up

__all__ = ["Items", "Trial", "at_work", "film", "items_of", "options_of", "scored", "things_of"]

Float64 = NDArray[np.float64]

SIZES_PX = ((600, 400), (640, 460), (660, 500))
PITCH_MM = (0.045, 0.06)


@frozen(eq=False)
class Items:
    """What somebody says is on a film: files (path, upper end, tip), canals, root ends, references, each the surest first.

    `chances` gives the probability of each item by kind, where one is stated.
    """

    files: list[tuple[Float64, Float64 | None, Float64 | None]]
    canals: list[Float64]
    root_ends: list[Float64]
    references: list[Float64]
    chances: dict[str, list[float]] = field(factory=dict)
    trusted: dict[str, list[bool]] = field(factory=dict)
    marks: dict[str, list[tuple[float, ...]]] = field(factory=dict)


@frozen
class Trial:
    """A film's scores by kind, and what was said of each item."""

    seed: int
    level: str
    scores: dict[str, Scored]
    chances: dict[str, list[float]]
    trusted: dict[str, list[bool]]
    marks: dict[str, list[tuple[float, ...]]] = field(factory=dict, repr=False)
    figures: tuple[float, ...] = ()
    seconds: tuple[float, ...] = ()


def options_of(seed: int, level: str) -> dict[str, Any]:
    """Size of the picture for a seed of these trials, and a third of the older levels' films without a file."""
    rng = np.random.default_rng([seed, 61])
    pitch = float(rng.uniform(*PITCH_MM))
    wish: dict[str, Any] = {"size_px": SIZES_PX[rng.integers(len(SIZES_PX))], "spacing_mm": (pitch, pitch)}
    bare = bool(rng.random() < 0.33)
    if level != "real" and bare:
        wish["file"] = False
    return wish


def film(seed: int, level: str) -> tuple[Phantom, Labels] | None:
    """The film of a seed with its labels; None where the tooth is larger than the picture."""
    try:
        return labelled(seed, level, options_of(seed, level))
    except PhantomError:
        return None


def things_of(seed: int, level: str) -> frozenset[str]:
    """What of `THINGS` the film of a seed shows, as far as its families tell."""
    return frozenset(name.split(" ", 1)[1] for name in families(set_up(seed, level, options_of(seed, level))))


def items_of(look: Look) -> Items:
    """What one look says."""
    files = sorted(look.files, key=lambda f: -f.probability)
    canals = sorted(look.canals, key=lambda c: -c.probability)
    roots = sorted(look.roots, key=lambda r: -r.probability)
    references = sorted(look.references, key=lambda r: -r.probability)
    orifices = sorted(look.orifices, key=lambda r: -r.probability)
    kinds: dict[str, list[Any]] = {
        "file": list(files), "upper_end": list(files), "canal": list(canals), "root_end": list(roots),
        "reference": list(references), "orifice": list(orifices),
    }  # fmt: skip
    return Items(
        [(f.path_px, f.upper_px, f.tip_px) for f in files],
        [c.path_px for c in canals],
        [r.end_px for r in roots],
        [r.at_px for r in references],
        {kind: [one.probability for one in some] for kind, some in kinds.items()}
        | {"upper_end": [f.upper_probability for f in files]},
        {kind: [one.trusted for one in some] for kind, some in kinds.items()},
        {kind: [one.marks for one in some] for kind, some in kinds.items()}
        | {"upper_end": [f.upper_marks for f in files]},
    )


def scored(
    items: Items, labels: Labels, mm_per_px: tuple[float, float], orifices: list[Float64] | None = None
) -> dict[str, Scored]:
    """The scores of what was said, by kind."""
    pixel = np.array(mm_per_px)
    files, uppers = files_scored(items.files, labels, pixel)
    scores = {
        "file": files,
        "upper_end": uppers,
        "canal": canals_scored(items.canals, labels, pixel),
        "root_end": point_hits(items.root_ends, labels.root_ends_px, pixel),
        "reference": point_hits(items.references, labels.references_px, pixel),
    }
    if orifices is not None:
        scores["orifice"] = point_hits(orifices, labels.orifices_px, pixel)
    return scores


def at_work(work: Callable[[Any], Any], jobs: list[Any], workers: int) -> Iterator[Any]:
    """Results of `work` for each job in order, by so many processes of one thread each."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    if workers <= 1:
        cv2.setNumThreads(1)
        yield from map(work, jobs)
        return
    with multiprocessing.get_context("fork").Pool(workers, _one_thread) as pool:
        yield from pool.imap(work, jobs, chunksize=4)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def radiograph_of(phantom: Phantom) -> Radiograph:
    """The film as a user's program has it."""
    return Radiograph.from_array(phantom.image)
