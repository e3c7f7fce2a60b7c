"""A search that is led by what it reaches: a damaged file that runs a line of ours that none has run before is damaged further.

    python -m tests.fuzz.search --seed 1 --minutes 30

Needs Python 3.12 or newer: there a line can be watched until it was run once, which costs nearly nothing. What counts as a
failure is what `judge` says; each is printed with the file kept in the folder of --keep. Ends with 1 where there is one.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import struct
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from pathlib import Path
from types import CodeType
from typing import Any

import numpy as np

from tests.fuzz import case_mutations, case_structures, dicom_mutations
from tests.fuzz.corpus import Corpus, corpus
from tests.fuzz.corpus import tree as as_tree
from tests.fuzz.dicom_mutations import pick, torn
from tests.fuzz.judge import Failure, Judge
from tests.fuzz.kinds import RASTERS, SHARES, Made

OURS = ("/wlmeasure/",)
FRESH = 0.25  # share of files made from a first one, so that the search does not stay where it once was
LARGEST = 2_000_000  # bytes of a file that is kept to be damaged further


class Lines:
    """How many lines of ours were run so far."""

    def __init__(self) -> None:
        monitoring: Any = getattr(sys, "monitoring", None)
        if monitoring is None:
            sys.exit("search needs Python 3.12 or newer")
        self.count = 0
        self._disable = monitoring.DISABLE  # before the first line is told
        monitoring.use_tool_id(monitoring.COVERAGE_ID, "search")
        monitoring.register_callback(monitoring.COVERAGE_ID, monitoring.events.LINE, self._line)
        monitoring.set_events(monitoring.COVERAGE_ID, monitoring.events.LINE)

    def _line(self, code: CodeType, number: int) -> object:
        if any(part in code.co_filename for part in OURS) and "/tests/" not in code.co_filename:
            self.count += 1
        return self._disable


def _seeds(seeds: Corpus, kind: str) -> list[bytes]:
    if kind in ("dicom", "report"):
        trees = seeds.reports if kind == "report" and seeds.reports else seeds.dicom
        return [dicom_mutations.written(tree) for _, tree in trees]
    of_kind = {"case": seeds.cases, "structure": seeds.cases, "paths": seeds.paths}
    return [content for _, content in (of_kind[kind] if kind in of_kind else seeds.rasters[kind])]


def _damaged(kind: str, content: bytes, tree: Any, rng: np.random.Generator) -> bytes:
    """Damaged as its kind is; what was damaged before and is no such file any more has its bytes torn."""
    try:
        if kind in ("dicom", "report") and tree is not None:
            return dicom_mutations.damaged(tree, rng, report=kind == "report")
        if kind in RASTERS:
            return RASTERS[kind](content, rng)
        if kind in ("case", "structure", "paths") and isinstance(json.loads(content), dict):
            mutate = case_structures.structure if kind == "structure" else case_mutations.case
            return mutate(content, rng)
    except (ArithmeticError, LookupError, RecursionError, TypeError, ValueError, struct.error):
        pass
    return torn(content, rng)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--kind", choices=sorted(SHARES))
    parser.add_argument("--keep", default="search-finds", help="a folder for the files that fail")
    given = parser.parse_args()
    os.environ["WLMEASURE_TRACEBACK"] = "1"
    sys.setrecursionlimit(1000)
    seeds, rng = corpus(), np.random.default_rng(given.seed)
    kinds = [given.kind] if given.kind else list(SHARES)
    first = {kind: _seeds(seeds, kind) for kind in kinds}
    trees = {"dicom": [tree for _, tree in seeds.dicom], "report": [tree for _, tree in seeds.reports or seeds.dicom]}
    pool: dict[str, list[bytes]] = {kind: [] for kind in kinds}
    tried: Counter[str] = Counter()
    finds: dict[str, str] = {}
    lines = Lines()
    # Closed whatever happens: while it is open nothing that goes to standard error is seen, nor a fault of this program.
    with tempfile.TemporaryDirectory() as folder, closing(Judge(Path(folder), seeds)) as judge:
        for kind in kinds:  # what sound files run is no news
            for content in first[kind]:
                judge.try_file(Made(kind, "seed", content, np.random.default_rng(0)))
        base, end, told = lines.count, time.monotonic() + 60.0 * given.minutes, time.monotonic()
        while time.monotonic() < end:
            kind = kinds[int(rng.integers(len(kinds)))]
            fresh = not pool[kind] or rng.random() < FRESH
            content, tree = b"", None
            if fresh and kind in trees:
                tree = pick(rng, trees[kind])
            else:
                content = pick(rng, first[kind] if fresh else pool[kind])
                if kind in trees:
                    try:
                        tree = as_tree(content)
                    except Exception:  # what is damaged may be no tree any more; then its bytes are torn
                        tree = None
            made = Made(
                kind, "search", _damaged(kind, content, tree, rng), np.random.default_rng(int(rng.integers(2**31)))
            )
            before = lines.count
            try:
                judge.try_file(made)
            except Failure as error:
                what = str(error)
                if what not in finds:
                    finds[what] = kind
                    Path(given.keep).mkdir(exist_ok=True)
                    name = f"{kind}_{hashlib.sha256(made.content).hexdigest()[:12]}"
                    (Path(given.keep) / name).write_bytes(made.content)
                    print(f"FAILED {kind} ({name}): {what}", flush=True)
            tried[kind] += 1
            if lines.count > before and len(made.content) <= LARGEST:
                pool[kind].append(made.content)
            if time.monotonic() - told > 60.0:
                told = time.monotonic()
                kept = sum(map(len, pool.values()))
                print(
                    f"... {tried.total()} files, {lines.count - base} new lines, {kept} kept, {len(finds)} finds",
                    flush=True,
                )
    print(f"\nseed {given.seed}, {given.minutes:g} minutes: {tried.total()} files ({dict(tried)})")
    print(f"{base} lines by sound files, {lines.count - base} more by damaged ones, {len(finds)} finds")
    return 1 if finds else 0


if __name__ == "__main__":
    sys.exit(main())
