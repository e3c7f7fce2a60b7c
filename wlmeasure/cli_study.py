"""The words of `wlmeasure study`. They compute nothing."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from wlmeasure.cli_batch import add_score_word

__all__ = ["add_study_words"]

Formatter = Callable[[str], argparse.HelpFormatter]


def add_study_words(study: argparse.ArgumentParser, formatter: Formatter) -> None:
    """Give the parser of the word `study` its own words."""
    own = study.add_subparsers(title="commands", metavar="COMMAND", required=True)
    add_score_word(own, formatter)
