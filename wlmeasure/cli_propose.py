"""The word `propose`: what a network sees on films. It computes nothing."""

from __future__ import annotations

import argparse

from wlmeasure.cli_output import TOOTH_HELP, Bar, add_worker_words, check_worker_words, print_json, typed_tooth
from wlmeasure.errors import WlmeasureError

__all__ = ["add_propose_words"]


def add_propose_words(parser: argparse.ArgumentParser) -> None:
    """Give the parser of the word `propose` its arguments."""
    parser.add_argument("place", metavar="IMAGE|FOLDER", help="a film, a folder of them, or a DICOMDIR")
    parser.add_argument(
        "--out",
        required=True,
        metavar="DIR",
        help="cases/, pictures/, films.csv, items.csv, columns.csv; a folder of an earlier run is gone on with",
    )
    parser.add_argument(
        "--tooth",
        metavar="TOOTH",
        help=f"tooth of every film ({TOOTH_HELP}); without it a film gets a case file only where its header names one tooth",
    )
    parser.add_argument("--picture", choices=("svg", "png"), default="svg", help="form of the pictures (%(default)s)")
    parser.add_argument(
        "--perhaps",
        action="store_true",
        help="propose what is less likely as well: more is found, and more of it is wrong",
    )
    add_worker_words(parser)
    parser.add_argument(
        "--weights", metavar="FILE.onnx", help="another network than the shipped one, its card beside it"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.epilog = (
        "What is proposed counts for nothing before a person takes it: look at every film. A case file that was changed since "
        "is never written over. A film that cannot be looked at is named in films.csv; then the exit status is 1."
    )
    parser.set_defaults(run=_propose)


def _propose(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    check_worker_words(arguments)
    tooth = typed_tooth(arguments.tooth)

    from wlmeasure.study.propose import propose

    bar = Bar("films")
    try:
        made = propose(
            arguments.place,
            Path(arguments.out),
            tooth=tooth,
            picture=arguments.picture,
            weights=None if arguments.weights is None else Path(arguments.weights),
            perhaps=arguments.perhaps,
            workers=arguments.workers,
            scheduler=arguments.scheduler,
            on_plan=bar.begin,
            on_done=bar.step,
        )
    finally:
        bar.end()
    table = made.out / "films.csv"
    if arguments.json:
        counts = {"films": made.films, "failed": made.bad, "resumed": made.resumed, "without_case": made.without_case}
        print_json(counts | {"items": made.items, "out": arguments.out})
    else:
        before = f"; {made.resumed} were done before" if made.resumed else ""
        cases = f"; {made.without_case} without a case file, see note in {table}" if made.without_case else ""
        print(f"{arguments.out}: {made.items} items proposed on {made.films - made.bad} films{before}{cases}")
        print("Nothing of it counts before a person takes it.")
    if made.bad:
        one = "film" if made.bad == 1 else "films"
        raise WlmeasureError(
            f"{made.bad} {one} of {made.films} could not be looked at: see error in {table}; the rest is done"
        )
