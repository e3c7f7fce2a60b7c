"""Messages and intervals as a person reads them. Where a case file is edited by hand its members keep their names."""

from __future__ import annotations

import re

__all__ = [
    "MEMBER_WORDS",
    "in_words",
    "interval_words",
    "member_words",
    "reach_words",
    "typed_number",
    "typed_whole",
    "without_address",
]

MEMBER_WORDS = {
    "apex_visibility": "visibility of the apex",
    "clicks_px": "clicked points",
    "col_over_row": "ratio of column to row spacing",
    "doubted_path_sha256": "fingerprint of the path that was doubted",
    "distance_std_mm": "give or take of the distance",
    "file_tip_px": "file's tip",
    "film_sha256": "film",
    "inputs_sha256": "what it was measured from",
    "known_length_std_mm": "give or take",
    "length_above_mm": "reach of the interval above the length",
    "length_below_mm": "reach of the interval below the length",
    "length_std_mm": "give or take of the length",
    "mm_per_px": "millimetres per pixel",
    "mm_per_px_col": "millimetres per pixel along a row",
    "mm_per_px_row": "millimetres per pixel down a column",
    "other_films_sha256": "other films",
    "path_std_px": "uncertainty of the path",
    "path_doubt": "doubt of the path",
    "points_px": "points",
    "reference_px": "reference point",
    "rel_std": "relative uncertainty",
    "rests_on": "what it rests on",
    "trace_kind": "kind of trace",
}
"""Members whose words do not follow from their names."""

_UNITS = ("mm", "mm2", "px", "deg", "rad", "s", "mb")
_ENDINGS = {"std": "uncertainty of {}", "sha256": "fingerprint of {}", "uid": "UID of {}", "seq": "number of {}"}
_SPELT = {"std": "uncertainty", "deg": "degrees", "px": "pixel", "rel": "relative"}
# A word of ours by itself: not in quotation marks, no part of a path, of a file's name, or of an address in a file.
_NAME = re.compile(r"(?<![\w./\\'\"\]@#-])[a-z][a-z0-9]*(?:_[a-z0-9]+)+(?![\w/\\'\"@=(-]|\.\w)")
_IN_A_FILE = re.compile(r"\.\w{2,6}: |\w\[\d+\]")
_ADDRESS = re.compile(r"(?:(?:films|canals|traces|scale|entries)\[\d+\]\.?)+: ")


def typed_number(text: str) -> float:
    """A number as it is written: Python's own reading also takes ``2_1`` for 21 and the digits of other scripts.

    Raises
    ------
    ValueError
        No such number; NaN and infinity are read, for the caller to refuse.
    """
    if "_" in text or not text.isascii():
        raise ValueError(f"must be a number such as 21.5: {text[:40]!r}")
    return float(text)


def typed_whole(text: str) -> int:
    """A whole number as it is written; ValueError as :func:`typed_number`, also for one of more than 18 digits."""
    if re.fullmatch(r"\s*[+-]?[0-9]{1,18}\s*", text) is None:
        raise ValueError(f"must be a whole number such as 12: {text[:40]!r}")
    return int(text)


def member_words(name: str) -> str:
    """The words of a member, without underscore and unit."""
    if name in MEMBER_WORDS:
        return MEMBER_WORDS[name]
    parts = name.strip("_").split("_")
    if len(parts) > 1 and parts[-1] in _UNITS and parts[-2] != "per":
        parts.pop()
    if parts[-1] in _ENDINGS and len(parts) > 1:
        return _ENDINGS[parts[-1]].format(" ".join(_SPELT.get(part, part) for part in parts[:-1]))
    return " ".join(_SPELT.get(part, part) for part in parts)


def in_words(message: str) -> str:
    """The message with every member in words; one that tells a place in a file keeps the names that stand there."""
    if _IN_A_FILE.search(message):
        return message
    return _NAME.sub(lambda found: member_words(found[0]), message)


def without_address(message: str) -> str:
    """The message without the place in the case at which it begins, for somebody who sees no file."""
    return _ADDRESS.sub("", message, count=1) if _ADDRESS.match(message) else message


def reach_words(below: float, above: float, digits: int = 2) -> str:
    """How far an interval lies below and above its figure: "±0.33", or "-1.10/+0.30" where the two differ as they are shown."""
    down, up = f"{below:.{digits}f}", f"{above:.{digits}f}"
    return f"±{down}" if _even(below, above, digits) else f"-{down}/+{up}"


def interval_words(figure: float, interval: tuple[float, float], digits: int = 1) -> str:
    """What stands behind a figure: "± 0.3", or "(20.2 to 21.5)" where its interval reaches farther to one side."""
    low, high = interval
    below, above = figure - low, high - figure
    return f"± {below:.{digits}f}" if _even(below, above, digits) else f"({low:.{digits}f} to {high:.{digits}f})"


def _even(below: float, above: float, digits: int) -> bool:
    return abs(below - above) < 1e-6 or f"{below:.{digits}f}" == f"{above:.{digits}f}"
