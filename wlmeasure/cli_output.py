"""How every family of words prints: JSON on one harmless line, what a page remarks, and by whom and when a thing was made."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure.share.page import PageFile

__all__ = ["now", "page_content", "print_json", "program"]


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
