"""The words `batch`, `convert` and `study score`: many paths at once. They compute nothing."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from wlmeasure.cli_output import Bar, add_worker_words, check_worker_words, number, print_json, whole
from wlmeasure.errors import WlmeasureError

if TYPE_CHECKING:
    from wlmeasure.study.batch import Summary

__all__ = ["add_batch_words", "add_convert_words", "add_score_word"]


def add_batch_words(parser: argparse.ArgumentParser) -> None:
    """Give the parser of the word `batch` its arguments."""
    parser.add_argument("paths", nargs="+", metavar="PATH", help="case files, path files, tables, folders of them")
    parser.add_argument("--out", required=True, metavar="TABLE.csv|DIR.parquet", help="errors are listed beside it")
    add_worker_words(parser)
    parser.add_argument("--paths-only", action="store_true", help="take what case files store, without their films")
    parser.add_argument(
        "--correlated-mm",
        type=number,
        default=0.0,
        metavar="MM",
        help="length over which errors of a line go together where the file does not say: 0 for clicks, about 1.5 for a "
        "traced line; it widens uncertainties (%(default)s)",
    )
    parser.add_argument("--engine", choices=("numba", "numpy"), help="numba where it is installed")
    parser.add_argument(
        "--chunk", type=whole, metavar="N", help="canals computed at once; a finished chunk outlives a kill"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(run=_batch)


def add_convert_words(parser: argparse.ArgumentParser) -> None:
    """Give the parser of the word `convert` its arguments."""
    parser.add_argument(
        "paths", nargs="+", metavar="IN", help="case files, path files, tables, lists of vertices, folders"
    )
    parser.add_argument(
        "--out",
        required=True,
        metavar="OUT.wlpaths.json|OUT.wlpaths.jsonl|OUT.parquet|OUT.coco.json|DIR",
        help="a folder gets canals.csv, vertices.csv and what their columns mean",
    )
    parser.add_argument("--annotator", metavar="NAME", help="who drew the lines of case files")
    parser.add_argument("--session", metavar="NAME", help="in which session")
    parser.add_argument("--file-names", action="store_true", help="name the films too; a name may tell the patient")
    parser.add_argument("--paths-only", action="store_true", help="take what case files store, without their films")
    parser.add_argument(
        "--keypoints", type=whole, default=32, metavar="N", help="points a line is resampled to for COCO (%(default)s)"
    )
    parser.set_defaults(run=_convert)


def add_score_word(word: Callable[..., argparse.ArgumentParser]) -> None:
    """Add `score` by the function that gives `study` its words."""
    parser = word("score", "anybody's paths against the truth: line, length, angle and radius", _score)
    parser.add_argument("paths", nargs="+", metavar="PATHS", help="path files, tables, lists of vertices")
    parser.add_argument("--truth", required=True, action="append", metavar="PATHS", help="such as truth.wlpaths.json")
    parser.add_argument("--out", metavar="TABLE.csv", help="write one row a path")
    parser.add_argument("--json", action="store_true", help="print JSON")


def _batch(arguments: argparse.Namespace) -> None:
    from math import isfinite
    from pathlib import Path

    from wlmeasure.study.batch import CHUNK, engine_here, tabulate
    from wlmeasure.study.rows import Settings

    if not (isfinite(arguments.correlated_mm) and 0.0 <= arguments.correlated_mm <= 100.0):
        raise WlmeasureError(f"--correlated-mm must be 0 to 100: {arguments.correlated_mm:g}")
    check_worker_words(arguments)
    engine = arguments.engine or engine_here()
    bar = Bar("canals")
    try:
        made = tabulate(
            arguments.paths,
            Path(arguments.out),
            workers=arguments.workers,
            scheduler=arguments.scheduler,
            settings=Settings(engine, arguments.correlated_mm, arguments.paths_only),
            chunk=CHUNK if arguments.chunk is None else arguments.chunk,
            on_plan=bar.begin,
            on_done=bar.step,
        )
    finally:
        bar.end()
    if arguments.json:
        said = {"rows": made.rows, "left_out": made.bad, "engine": made.engine}
        print_json(
            said | {"chunks": made.chunks, "resumed": made.resumed, "out": arguments.out, "errors": str(made.errors)}
        )
        _refuse_left_out(made)
        return
    left = f"; {made.bad} left out, see {made.errors}" if made.bad else ""
    went_on = f"; {made.resumed} of {made.chunks} chunks were there already" if made.resumed else ""
    print(f"{arguments.out}: {made.rows} canals, computed with {made.engine}{went_on}{left}")
    _refuse_left_out(made)


def _refuse_left_out(made: Summary) -> None:
    """The exit status says it too: a script that takes the table for the whole would lose those without a word."""
    if made.bad and not made.rows:
        raise WlmeasureError(f"inputs must hold at least one canal that can be used: see {made.errors}")
    if made.bad:
        raise WlmeasureError(
            f"{made.bad} inputs must be looked at: the table is written without them, see {made.errors}"
        )


def _convert(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.share.paths import Credit
    from wlmeasure.study.path_files import convert

    credit = Credit(arguments.annotator, arguments.session, arguments.file_names)
    written, bad = convert(
        arguments.paths,
        Path(arguments.out),
        credit=credit,
        paths_only=arguments.paths_only,
        keypoints=arguments.keypoints,
    )
    print(f"{arguments.out}: {written} lines")
    for path, one in bad:
        print(f"wlmeasure: {path}, path {one.place}: left out: {' '.join(one.reason.split())}", file=sys.stderr)
    if bad:
        raise WlmeasureError(f"{len(bad)} lines must be looked at: {arguments.out} is written without them")


def _score(arguments: argparse.Namespace) -> None:
    from wlmeasure.study.score import score, score_csv, score_json, score_text
    from wlmeasure.whole_file import keep, write_whole

    keep([*arguments.paths, arguments.truth])
    found = score(arguments.paths, arguments.truth)
    if arguments.out is not None:
        write_whole(arguments.out, score_csv(found))
    if arguments.json:
        print_json(score_json(found))
    else:
        print(score_text(found), end="")
