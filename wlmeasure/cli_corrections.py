"""The word `corrections`: what persons made of what a network proposed. It computes nothing."""

from __future__ import annotations

import argparse

from wlmeasure.errors import CaseError

__all__ = ["add_corrections_words"]


def add_corrections_words(parser: argparse.ArgumentParser) -> None:
    """Give the parser of the word `corrections` its arguments."""
    parser.add_argument("place", metavar="CASE|FOLDER", help="a case file, or a folder with case files at any depth")
    parser.add_argument("--out", metavar="TABLE.csv", help="one row an item, beside the counts that are printed")
    parser.epilog = (
        "An item counts as accepted where a file or trace of the case was made of it; its move is the greatest distance "
        "between what was proposed and what stands in the case now, in mm by the film's files and objects of known length. "
        "No film is opened."
    )
    parser.set_defaults(run=_corrections)


def _corrections(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.record.case import SUFFIX, load_case
    from wlmeasure.share.cells import table_text
    from wlmeasure.share.corrections import correction_rows, corrections, corrections_text
    from wlmeasure.whole_file import write_whole

    place = Path(arguments.place)
    files = sorted(place.rglob(f"*{SUFFIX}")) if place.is_dir() else [place]
    if not files:
        raise CaseError(f"folder must hold case files (*{SUFFIX}): {place.name} holds none; check the name")
    folder = place if place.is_dir() else place.parent
    found, refused = [], []
    for file in files:
        name = file.relative_to(folder).as_posix()
        try:
            found += corrections(name, load_case(file))
        except CaseError as error:
            if not place.is_dir():
                raise
            refused.append(f"{name}: {error}")
    print(corrections_text(found))
    if arguments.out is not None:
        write_whole(Path(arguments.out), table_text(correction_rows(found)))
    if refused:
        one = "case file" if len(refused) == 1 else "case files"
        raise CaseError(
            f"{len(refused)} {one} of {len(files)} could not be read, the first {refused[0]}; the rest is done"
        )
