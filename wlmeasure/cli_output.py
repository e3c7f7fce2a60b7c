"""How every family of words prints: JSON on one harmless line, and by whom and when a thing was made."""

from __future__ import annotations

__all__ = ["now", "print_json", "program"]


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
