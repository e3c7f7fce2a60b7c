"""Names that are read from right to left, in lines that are read from left to right.

The words around a name are English and the figures beside it are decimal: by the plain rules of the Unicode bidirectional
algorithm (UAX 9) a figure that follows a Hebrew or Arabic name would be carried to the name's other side, and two such
names in a list would change places, each beside the other's figure. So every stretch of right-to-left letters is an
isolate of its own, as section 2.7 of that report advises for names set into a line.
"""

from __future__ import annotations

import re
from unicodedata import bidirectional

from attrs import frozen

__all__ = ["Stretch", "isolated", "stretches"]

FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"
# What stands between two right-to-left letters of one name: spaces, or one sign without a space.
JOINT = re.compile(r" +|[-\u2010'\u2019\".\u200c\u200d]")
NO_NAME_ALONE = re.compile(r"[,;:=]|\d[^\w\s]+\d")  # lists and figures


@frozen
class Stretch:
    """A part of a line; `from_right` where it is read from right to left."""

    text: str
    from_right: bool = False


def stretches(line: str) -> tuple[Stretch, ...]:
    """The line in parts that keep their order from left to right, whatever way each of them is read.

    A figure never belongs to a right-to-left stretch, unless the line is a name alone, such as Hebrew "root 2": no Latin
    letter, no list and no decimal figure in it.
    """
    if line.isascii():
        return (Stretch(line),)
    kinds = [bidirectional(sign) for sign in line]
    letters = [k for k, kind in enumerate(kinds) if kind in ("R", "AL")]
    if not letters:
        return (Stretch(line),)
    if (
        "L" not in kinds
        and not NO_NAME_ALONE.search(line)
        and not any(kind in ("EN", "AN") for kind in kinds[: letters[0]])
    ):
        body = line.strip(" ")
        before, _, after = line.partition(body)
        return tuple(part for part in (Stretch(before), Stretch(body, True), Stretch(after)) if part.text)
    out: list[Stretch] = []
    done = 0
    start = end = letters[0]

    def close() -> None:
        nonlocal done
        out.extend(part for part in (Stretch(line[done:start]), Stretch(line[start:end], True)) if part.text)
        done = end

    for k in letters:
        if k > end and not JOINT.fullmatch(line[end:k]):
            close()
            start = k
        end = k + 1
        while end < len(line) and kinds[end] == "NSM":  # vowel signs
            end += 1
    close()
    return (*out, Stretch(line[done:])) if done < len(line) else tuple(out)


def isolated(line: str) -> str:
    """The line with every right-to-left stretch between the signs FSI and PDI, for text that takes no elements."""
    return "".join(
        f"{FIRST_STRONG_ISOLATE}{part.text}{POP_ISOLATE}" if part.from_right else part.text for part in stretches(line)
    )
