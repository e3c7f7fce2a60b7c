"""Which file number n of a seed is: kind, seed file and damage follow from (seed, n) alone."""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
from attrs import frozen

from tests.fuzz import case_mutations, case_structures, dicom_mutations, raster_mutations
from tests.fuzz.corpus import Corpus

SHARES = {
    "dicom": 0.4,
    "report": 0.1,
    "png": 0.07,
    "tiff": 0.08,
    "jpeg": 0.05,
    "bmp": 0.03,
    "case": 0.08,
    "structure": 0.11,
    "paths": 0.08,
}
"""A file follows from (seed, number, kind), whatever the shares are: a find is told with its kind."""
RASTERS: dict[str, Callable[[bytes, np.random.Generator], bytes]] = {
    "png": raster_mutations.png,
    "tiff": raster_mutations.tiff,
    "jpeg": raster_mutations.jpeg,
    "bmp": raster_mutations.bmp,
}


@frozen(eq=False)
class Made:
    """One damaged file; `rng` goes on to choose what is done with it."""

    kind: str
    origin: str
    content: bytes
    rng: np.random.Generator


def make(corpus: Corpus, seed: int, number: int, kind: str | None = None) -> Made:
    """File `number` of `seed`, of a kind drawn by `SHARES` unless one is given."""
    limit = sys.getrecursionlimit()
    sys.setrecursionlimit(
        20_000
    )  # trees of 150 sequences in one another are copied; what reads them has the usual limit
    try:
        return _made(corpus, np.random.default_rng([seed, number]), kind)
    finally:
        sys.setrecursionlimit(limit)


def _made(corpus: Corpus, rng: np.random.Generator, kind: str | None) -> Made:
    drawn = str(rng.choice(list(SHARES), p=list(SHARES.values())))
    kind = kind or drawn
    if kind in ("dicom", "report"):
        seeds = corpus.reports if kind == "report" and corpus.reports else corpus.dicom
        origin, tree = dicom_mutations.pick(rng, seeds)
        return Made(kind, origin, dicom_mutations.damaged(tree, rng, report=kind == "report"), rng)
    if kind == "structure":
        origin, content = dicom_mutations.pick(rng, corpus.cases)
        return Made(kind, origin, case_structures.structure(content, rng), rng)
    if kind in ("case", "paths"):
        origin, content = dicom_mutations.pick(rng, corpus.cases if kind == "case" else corpus.paths)
        return Made(kind, origin, case_mutations.case(content, rng), rng)
    origin, content = dicom_mutations.pick(rng, corpus.rasters[kind])
    return Made(kind, origin, RASTERS[kind](content, rng), rng)
