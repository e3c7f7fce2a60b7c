"""What every family of words shares: JSON on one harmless line, what a page remarks, by whom and when a thing was made, who
does the work, and how a tooth is typed.
"""

from __future__ import annotations

from wlmeasure.errors import WlmeasureError

TYPE_CHECKING = False
if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable
    from typing import Any

    from wlmeasure.share.page import PageFile

    Formatter = Callable[[str], argparse.HelpFormatter]
    Word = Callable[[str, str, Callable[[argparse.Namespace], None]], argparse.ArgumentParser]

__all__ = [
    "TOOTH_HELP",
    "Bar",
    "add_worker_words",
    "check_worker_words",
    "now",
    "number",
    "page_content",
    "print_json",
    "program",
    "typed_tooth",
    "usual_notation",
    "whole",
    "words_of",
]

TOOTH_HELP = "46, 30, LR6, in words; where it may be two, ISO 11 or Universal 11"


def whole(text: str) -> int:
    """A whole number of the command line, for `argparse`."""
    from argparse import ArgumentTypeError

    from wlmeasure.words import typed_whole

    try:
        return typed_whole(text)
    except ValueError as error:
        raise ArgumentTypeError(str(error)) from None


def number(text: str) -> float:
    """A finite number of the command line, for `argparse`."""
    from argparse import ArgumentTypeError
    from math import isfinite

    from wlmeasure.words import typed_number

    try:
        value = typed_number(text)
        if not isfinite(value):
            raise ValueError
    except ValueError:
        raise ArgumentTypeError(f"must be a number such as 21.5: {text[:40]!r}") from None
    return value


def words_of(parent: argparse.ArgumentParser, formatter: Formatter, every: Callable[..., None] | None = None) -> Word:
    """A function that gives `parent` one more word: name, help, and what runs it. `every` adds to each what all have."""
    own = parent.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def word(name: str, help_text: str, run: Callable[[argparse.Namespace], None]) -> argparse.ArgumentParser:
        parser = own.add_parser(name, formatter_class=formatter, help=help_text)  # type: ignore[arg-type]
        if every is not None:
            every(parser)
        parser.set_defaults(run=run)
        return parser

    return word


def add_worker_words(parser: argparse.ArgumentParser) -> None:
    """Give a parser the words that say who does the work: processes of this computer, or a cluster."""
    parser.add_argument(
        "--workers", type=whole, default=1, metavar="N", help="processes on this computer (%(default)s)"
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="of a Dask cluster whose workers see the same files, such as tcp://HOST:8786",
    )


def check_worker_words(arguments: argparse.Namespace) -> None:
    """Refuse both at once (WlmeasureError)."""
    if arguments.scheduler is not None and arguments.workers != 1:
        raise WlmeasureError("--workers must be left out with --scheduler: the cluster has workers of its own")


class Bar:
    """A bar with rate and time left on a terminal, where tqdm is installed; else nothing."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self.bar: Any = None

    def begin(self, total: int, there: int) -> None:
        """Of `total` units `there` are done already."""
        import sys

        if not sys.stderr.isatty():
            return
        try:
            from tqdm import tqdm
        except ImportError:
            return
        self.bar = tqdm(total=total, initial=there, unit=f" {self.unit}", file=sys.stderr, dynamic_ncols=True)

    def step(self, count: int) -> None:
        """So many more are done."""
        if self.bar is not None:
            self.bar.update(count)

    def end(self) -> None:
        """Leave it as it is."""
        if self.bar is not None:
            self.bar.close()


def page_content(file: PageFile) -> bytes:
    """What to write into the file of a page, once its remarks have been said on stderr."""
    import sys

    for remark in file.remarks:
        print(f"wlmeasure: warning: {remark}", file=sys.stderr)
    return file.content


def print_json(value: object) -> None:
    """One line of JSON that does nothing to a terminal but show."""
    from wlmeasure.share.json_line import json_line

    print(json_line(value))


def now() -> str:
    """The time of this computer's clock, to the second, as ISO 8601."""
    from datetime import datetime

    return datetime.now().replace(microsecond=0).isoformat()


def program() -> str:
    """Name and version, as they are written into what is made."""
    from wlmeasure import __version__

    return f"wlmeasure {__version__}"


def usual_notation() -> str | None:
    """What this practice always types teeth in, by the variable WLMEASURE_NOTATION: ISO 3950, Universal or Palmer."""
    import os

    return os.environ.get("WLMEASURE_NOTATION") or None


def typed_tooth(text: str | None) -> str | None:
    """The ISO 3950 designation of a typed tooth; None stays None.

    Raises
    ------
    TradeError
        No tooth, or one that may be several.
    """
    from wlmeasure.trade.tooth import Tooth

    return None if text is None else Tooth.from_words(text, usual_notation()).designation
