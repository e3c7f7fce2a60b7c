"""How a tooth is written: ISO 3950, Universal, Palmer, in words; and what a text that a person typed may mean.

Designations are those of ISO 3950. Universal: 1-32 along the upper jaw from the patient's right to left and back along the
lower one, A-T likewise for primary teeth. Palmer: the position from the midline, 1-8 or A-E, with the quadrant's corner or
its letters. The correspondence is derived from the order of the teeth and tested against published charts.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from wlmeasure.errors import TradeError

__all__ = ["CORNERS", "NOTATIONS", "QUADRANT_LETTERS", "UNIVERSAL", "UNIVERSAL_OF", "meanings", "of_palmer"]

ISO, UNIVERSAL_SYSTEM, PALMER = "ISO 3950", "Universal", "Palmer"
NOTATIONS: Final = (ISO, UNIVERSAL_SYSTEM, PALMER)
_BY_NAME: Final = {name.upper(): name for name in NOTATIONS} | {"ISO": ISO, "FDI": ISO}

QUADRANT_LETTERS: Final = ("UR", "UL", "LL", "LR")
CORNERS: Final = ("┘", "└", "┌", "┐")
# Unicode's own dentistry symbols U+23CC, 23BF, 23BE, 23CB are read, but few fonts draw them: we write the box corners.
_CORNER_QUADRANT: Final = {corner: q for corners in (CORNERS, "⏌⎿⎾⏋") for q, corner in enumerate(corners, start=1)}

_UNIVERSAL_PERMANENT: Final = tuple(
    f"{q}{n}"
    for q, positions in ((1, range(8, 0, -1)), (2, range(1, 9)), (3, range(8, 0, -1)), (4, range(1, 9)))
    for n in positions
)
_UNIVERSAL_PRIMARY: Final = tuple(
    f"{q}{n}"
    for q, positions in ((5, range(5, 0, -1)), (6, range(1, 6)), (7, range(5, 0, -1)), (8, range(1, 6)))
    for n in positions
)
UNIVERSAL: Final = {str(i): designation for i, designation in enumerate(_UNIVERSAL_PERMANENT, start=1)} | dict(
    zip("ABCDEFGHIJKLMNOPQRST", _UNIVERSAL_PRIMARY, strict=True)
)
UNIVERSAL_OF: Final = {designation: universal for universal, designation in UNIVERSAL.items()}

_LETTERS: Final = re.compile(r"(?P<quadrant>UR|UL|LL|LR)\s*(?P<place>[1-8A-E])")
_CORNER: Final = re.compile(
    r"(?P<right>[1-8A-E])\s*(?P<right_corner>[┘┐⏌⏋])|(?P<left_corner>[└┌⎿⎾])\s*(?P<left>[1-8A-E])"
)


def of_palmer(text: str) -> str | None:
    """The designation of Palmer notation by corner or quadrant letters, in capitals; None for anything else."""
    if letters := _LETTERS.fullmatch(text):
        return _placed(QUADRANT_LETTERS.index(letters["quadrant"]) + 1, letters["place"])
    if corner := _CORNER.fullmatch(text):
        quadrant = _CORNER_QUADRANT[corner["right_corner"] or corner["left_corner"]]
        return _placed(quadrant, corner["right"] or corner["left"])
    return None


def _placed(quadrant: int, place: str) -> str:
    return f"{quadrant}{place}" if place.isdigit() else f"{quadrant + 4}{'ABCDE'.index(place) + 1}"


# ---- what a person types ---------------------------------------------------------------------------------------------

_SYSTEM: Final = r"(?:(?P<iso>ISO(?:[ -]?3950)?|FDI)|(?P<universal>UNIVERSAL|UNS)|(?P<palmer>PALMER))"
_NAMED: Final = (
    re.compile(rf"{_SYSTEM}(?: (?:SYSTEM|NOTATION))?(?![A-Z])[ :.,-]*(?P<rest>.+)"),
    re.compile(rf"(?P<rest>.+?)[ ,(]+{_SYSTEM}(?: (?:SYSTEM|NOTATION))?\)?"),
)
_TOOTH: Final = re.compile(r"TOOTH\b[ :.,-]*")
_NUMBER: Final = re.compile(r"(?:#|N[OR]\.|(?:NO|NR|NUMBER)(?=[ 0-9]))\s*")
_JAW: Final = {"UPPER": "U", "MAXILLARY": "U", "LOWER": "L", "MANDIBULAR": "L"}
_SIDE: Final = {"RIGHT": "R", "LEFT": "L"}
_ORDER: Final = {"FIRST": 1, "1ST": 1, "SECOND": 2, "2ND": 2, "THIRD": 3, "3RD": 3}
_PRIMARY: Final = ("PRIMARY", "DECIDUOUS", "MILK", "BABY")
_KINDS: Final = {
    "CENTRAL": 1, "CENTRAL INCISOR": 1, "LATERAL": 2, "LATERAL INCISOR": 2, "CANINE": 3, "CUSPID": 3,
    "1 PREMOLAR": 4, "1 BICUSPID": 4, "2 PREMOLAR": 5, "2 BICUSPID": 5, "1 MOLAR": 6, "2 MOLAR": 7, "3 MOLAR": 8,
    "WISDOM TOOTH": 8,
}  # fmt: skip
_PRIMARY_KINDS: Final = {name: n for name, n in _KINDS.items() if n < 4} | {"1 MOLAR": 4, "2 MOLAR": 5}


def meanings(text: str, notation: str | None = None) -> tuple[tuple[str, str], ...]:
    """Notation and designation of every tooth that a typed text may mean; several where it must be asked.

    A text that names its notation (``Universal 30``, ``FDI 46``, ``LR6``, ``6┐``, ``4.6``) is read in that. A bare number
    or letter is read in every notation that has such a tooth, or in `notation` alone: what somebody who always uses one
    types in another is a slip. ``#``, ``no.`` say that it is a number of a whole tooth, so that Palmer's position without
    its quadrant is out; they do not say which notation, since ``#46`` is written too.

    Raises
    ------
    TradeError
        No tooth at all.
    """
    always = None if notation is None else _BY_NAME.get(notation.upper())
    if notation is not None and always is None:
        raise TradeError(f"notation must be one of {', '.join(NOTATIONS)}: {notation[:40]!r}")
    typed = _plain(text)
    system, body = _system(typed)
    body = _TOOTH.sub("", body, count=1) if _TOOTH.match(body) else body
    whole = _NUMBER.match(body) is not None
    if whole:
        body = _NUMBER.sub("", body, count=1)
    bare = _bare(body, whole=whole)
    found = bare or _telling(body)
    if not found:
        raise TradeError(_refusal(text, body))
    wanted = system or (always if bare else None)
    kept = tuple(one for one in found if wanted in (None, one[0]))
    if not kept:
        others = " or ".join(f"{name} {body}" for name in dict.fromkeys(name for name, _ in found))
        raise TradeError(
            f"tooth must be in {wanted} notation: {text[:40]!r} is none there; type {others} if that is meant"
        )
    return kept


def _plain(text: object) -> str:
    """Capitals, ASCII digits, single blanks; nothing that is not seen, no punctuation around it."""
    if not isinstance(text, str):
        raise TradeError(f"tooth must be a text such as '46', 'Universal 30' or 'LR6': {text!r}")
    seen = "".join(c for c in unicodedata.normalize("NFKC", text[:200]) if unicodedata.category(c) != "Cf")
    return " ".join(seen.upper().split()).strip(" .,;:'\"()")


def _system(typed: str) -> tuple[str | None, str]:
    """The notation that a text names, and the rest."""
    for form in _NAMED:
        if named := form.fullmatch(typed):
            system = ISO if named["iso"] else UNIVERSAL_SYSTEM if named["universal"] else PALMER
            return system, named["rest"].strip(" .,;:'\"()")
    return None, typed


def _bare(body: str, *, whole: bool) -> list[tuple[str, str]]:
    """What a number or letter alone may mean."""
    if re.fullmatch(r"[0-9]{1,2}|[A-T]", body) is None:
        return []
    found = [(ISO, body)] if body in UNIVERSAL_OF else []
    number = body.lstrip("0") if body.isdigit() else body
    if number in UNIVERSAL:
        found.append((UNIVERSAL_SYSTEM, UNIVERSAL[number]))
    if not whole and re.fullmatch(r"[1-8A-E]", body):
        found += [(PALMER, _placed(quadrant, body)) for quadrant in (1, 2, 3, 4)]
    return found


def _telling(body: str) -> list[tuple[str, str]]:
    """What tells its notation by its form: 4.6, LR6, a corner; quadrant and position or kind of tooth in words."""
    if re.fullmatch(r"[1-8] ?\. ?[1-8]", body):
        return [(ISO, body[0] + body[-1])] if body[0] + body[-1] in UNIVERSAL_OF else []
    palmer = of_palmer(re.sub(r"^([UL])\. ?([RL])\.?", r"\1\2", body))
    if palmer is not None:
        return [(PALMER, palmer)]
    words = re.sub(r"[-.,]", " ", body).split()
    jaw = {_JAW[word] for word in words if word in _JAW}
    side = {_SIDE[word] for word in words if word in _SIDE}
    letters = {word for word in words if word in QUADRANT_LETTERS}
    quadrants = letters | {a + b for a in jaw for b in side}
    rest = [word for word in words if word not in (*_JAW, *_SIDE, *QUADRANT_LETTERS, "PERMANENT")]
    if len(quadrants) != 1 or (letters and (jaw or side)):
        return []
    quadrant = QUADRANT_LETTERS.index(quadrants.pop()) + 1
    if len(rest) == 1 and re.fullmatch(r"[1-8A-E]", rest[0]):
        return [(PALMER, _placed(quadrant, rest[0]))]
    primary = [word for word in rest if word in _PRIMARY]
    kind = " ".join(str(_ORDER.get(word, word)) for word in rest if word not in _PRIMARY)
    place = (_PRIMARY_KINDS if primary else _KINDS).get(kind)
    if place is None or (primary and "PERMANENT" in words):
        return []
    return [(ISO, f"{quadrant + 4 if primary else quadrant}{place}")]


def _refusal(text: str, body: str) -> str:
    said = "tooth must be ISO 3950 (46), Universal (30, A-T), Palmer (LR6, 6┐) or words (lower right first molar)"
    if re.fullmatch(r"[1-8] ?[-/ ] ?[1-8]", body):
        return f"{said}, one tooth: {text[:40]!r} may be two; type {body[0]}{body[-1]} for one"
    return f"{said}: {text[:40]!r} is none"
