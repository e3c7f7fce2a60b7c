"""A remark on a result: a stable code for programs, one plain sentence for a clinician."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final, NamedTuple

__all__ = ["Flag", "catalogue", "merge"]

_KEBAB: Final = re.compile(r"[a-z]+(-[a-z]+)*")


class Flag(NamedTuple):
    """One reason beside a result: `code` is stable, lower-case with hyphens; `text` is one plain sentence."""

    code: str
    text: str


def catalogue(texts: dict[str, str]) -> dict[str, Flag]:
    """Flags of one room by code, held to the form that reports and tables rely on.

    Raises
    ------
    ValueError
        A code that is not lower-case words joined by hyphens, or a text that is not one sentence on one line.
    """
    for code, text in texts.items():
        if not _KEBAB.fullmatch(code):
            raise ValueError(f"flag code must be lower-case words joined by hyphens: {code!r}")
        if "\n" in text or not text.endswith(".") or not text[:1].isupper():
            raise ValueError(f"flag text must be one sentence with a capital and a full stop: {text!r}")
    return {code: Flag(code, text) for code, text in texts.items()}


def merge(*groups: Iterable[Flag]) -> tuple[Flag, ...]:
    """All flags in the order given, each once."""
    return tuple(dict.fromkeys(item for group in groups for item in group))
