"""What the names of two canals of one tooth say of how they lie to each other."""

from __future__ import annotations

import re

__all__ = ["lies_buccal"]

_LETTERS = re.compile(r"(?P<root>[MD]?)(?P<side>[BLP])(?P<number>[12]?)")
_WORDS = {"buccal": "B", "labial": "B", "lingual": "L", "palatal": "P"}
_ROOTS = {"mesio": "M", "disto": "D"}


def _parts(name: str) -> tuple[str, bool, str] | None:
    """Root, whether it is a buccal canal, and number; None for a name that tells no side."""
    text = re.sub(r"[\s_-]+", "", name).lower()
    for word, letter in _WORDS.items():
        text = text.replace(word, letter)
    for word, letter in _ROOTS.items():
        text = text.replace(word, letter)
    found = _LETTERS.fullmatch(text.upper().removesuffix("CANAL"))
    if found is None:
        return None
    return found["root"], found["side"] == "B", found["number"]


def lies_buccal(name: str, other: str) -> bool | None:
    """Whether the canal `name` lies buccal of `other` by their names; None where the names do not say.

    A buccal canal lies buccal of any lingual or palatal one. The second mesiobuccal canal (MB2) lies palatal of the first (from
    memory: of upper molars' mesiobuccal roots).

    Examples
    --------
    >>> lies_buccal("MB", "ML"), lies_buccal("palatal", "DB"), lies_buccal("MB2", "MB1")
    (True, False, False)
    >>> lies_buccal("MB", "DB") is None, lies_buccal("D", "ML") is None
    (True, True)
    """
    one, two = _parts(name), _parts(other)
    if one is None or two is None:
        return None
    if one[1] != two[1]:
        return one[1]
    seconds = one[2] == "2", two[2] == "2"
    if one[:2] == two[:2] == ("M", True) and seconds[0] != seconds[1]:
        return seconds[1]
    return None
