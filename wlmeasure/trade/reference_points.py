"""The places of a crown that a length usually counts from, by tooth: suggestions, a reference point may have any name.

The highest edge or cusp from which a file's stop can be seen and found again, usually the one nearest to the canal (common
practice). Cusps by crown: incisors an incisal edge, canines one cusp, premolars a buccal and a palatal or lingual one, upper
molars four, lower molars four, lower first molars and lower second primary molars a fifth, distal one.
"""

from __future__ import annotations

from wlmeasure.trade.tooth import Tooth

__all__ = ["usual_reference_points"]

_LETTERS = {"M": "mesio", "D": "disto", "B": "buccal", "L": "lingual", "P": "palatal"}


def usual_reference_points(tooth: Tooth, canal: str = "") -> tuple[str, ...]:
    """Names in use for the reference point of a canal of this tooth, the cusp of the canal's own name first.

    Examples
    --------
    >>> usual_reference_points(Tooth.from_iso3950("24"), "P")
    ('palatal cusp tip', 'buccal cusp tip')
    >>> usual_reference_points(Tooth.from_iso3950("11"))
    ('incisal edge',)
    """
    inner = "palatal" if tooth.is_upper else "lingual"
    if tooth.position < 3:
        return ("incisal edge",)
    if tooth.position == 3:
        return ("cusp tip",)
    if tooth.position < 6 and not tooth.is_primary:
        return _own_first(["buccal", inner], canal)
    cusps = [f"{side}{part}" for part in ("buccal", inner) for side in ("mesio", "disto")]
    fifth = not tooth.is_upper and (tooth.position == 6 or (tooth.is_primary and tooth.position == 5))
    return _own_first([*cusps, "distal"] if fifth else cusps, canal)


def _own_first(cusps: list[str], canal: str) -> tuple[str, ...]:
    letters = canal.upper().strip("0123456789 ")
    side, part = letters[:-1], letters[-1:]
    whole = _LETTERS.get(side, "") + _LETTERS.get(part, "")  # MB is mesiobuccal; a name of other letters is none

    def far(cusp: str) -> bool:
        if letters in ("M", "D"):
            return not cusp.startswith(_LETTERS[letters])
        if len(letters) == 1:
            return part not in _LETTERS or not cusp.endswith(_LETTERS[part])
        return not whole or cusp != whole

    return tuple(f"{cusp} cusp tip" for cusp in sorted(cusps, key=far))
