"""The word `compare`: two films of a case laid on one another. It computes nothing."""

from __future__ import annotations

import argparse

from wlmeasure.cli_output import now, page_content, print_json, program
from wlmeasure.errors import CaseError
from wlmeasure.words import typed_number

__all__ = ["add_compare_words"]


def add_compare_words(parser: argparse.ArgumentParser) -> None:
    """Arguments of `wlmeasure compare`."""
    parser.add_argument("case", metavar="CASE.wl.json")
    parser.add_argument(
        "--from", dest="earlier", required=True, metavar="ID", help="the film whose marks are carried over"
    )
    parser.add_argument("--to", dest="later", required=True, metavar="ID", help="the film that they are carried to")
    parser.add_argument(
        "--mark",
        action="append",
        default=[],
        metavar="ROW,COL=ROW,COL",
        help="a point seen on both films, such as a corner of a filling, in pixels of each; may be given several times",
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--out", metavar="FILE.svg|FILE.html|FILE.pdf", help="also draw the earlier film's outline on the later one"
    )
    parser.set_defaults(run=_compare)


def _compare(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.record.case import load_case
    from wlmeasure.record.evaluate import evaluate
    from wlmeasure.record.over_time import compare_films
    from wlmeasure.share.over_time import comparison_file, comparison_json, comparison_text
    from wlmeasure.trace.registration import Landmark
    from wlmeasure.whole_file import keep, write_whole

    marks = [Landmark(*_points(text)) for text in arguments.mark]
    case = load_case(arguments.case)
    keep([arguments.case, *(case.film_path(film) for film in case.films)])
    found = compare_films(evaluate(case), arguments.earlier, arguments.later, landmarks=marks)
    if arguments.out is not None:
        out = Path(arguments.out)
        made_at = now().replace("T", " ")
        write_whole(out, page_content(comparison_file(found, out.name, made_at=made_at, program=program())))
    if arguments.json:
        print_json(comparison_json(found))
    else:
        print(comparison_text(found), end="")


def _points(text: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Two points as they are typed, "512,300=498,311"."""
    try:
        (a, b), (c, d) = ([typed_number(v) for v in part.split(",")] for part in text.split("="))
    except ValueError:
        raise CaseError(f"--mark must be a point on each film such as 512,300=498,311: {text[:60]!r}") from None
    return (a, b), (c, d)
