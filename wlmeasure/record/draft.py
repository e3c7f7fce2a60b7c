"""The entry that most likely comes next, so that a person confirms it instead of typing it.

A draft is a guess about what will be done, made from the record, and nothing until somebody enters it.
"""

from __future__ import annotations

from typing import Any

from attrs import evolve, frozen

from wlmeasure.decide.shaping import ShapingRules, next_instrument
from wlmeasure.errors import CaseError, TradeError
from wlmeasure.record.case import Case, Entry
from wlmeasure.record.edit import canal_of, typed_size
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord
from wlmeasure.trade.instruments import read_instrument_list, size_words

__all__ = ["GAUGE_KEYS", "Draft", "next_file", "next_gauge", "typed_instrument"]

GAUGE_KEYS = {"s": "snug", "l": "loose", "h": "short", "p": "past"}
"""One key a finding of apical gauging; short is H, since S is snug."""


@frozen
class Draft:
    """An entry to be: its kind and what is known of it. Members as :class:`~wlmeasure.record.case.Entry`."""

    kind: str
    size: int | None = None
    taper: float | None = None
    special: bool | None = None
    length_mm: float | None = None
    finding: str | None = None

    @property
    def instrument(self) -> str:
        """Such as "25/.04", "25", or "" without one."""
        if self.size is None:
            return ""
        return size_words(self.size, self.taper, special=self.special)

    @property
    def offer(self) -> str:
        """The draft in one line, with the keys that record it."""
        what = KIND_TABLE[self.kind].words
        at = "" if self.length_mm is None else f" at {self.length_mm:g} mm"
        line = f"{what[:1].upper()}{what[1:]} {self.instrument}{at}: "
        if self.kind == "apical gauging":
            return line + ", ".join(f"{key.upper()} {finding}" for key, finding in GAUGE_KEYS.items()) + "."
        return line + "Enter records it; other figures are typed under Record."

    def entry(self, record: LengthRecord, *, canal: str | None, by: str, at: str, **more: Any) -> Entry:
        """The entry of this draft; `more` are further members."""
        return Entry(
            id=record.next_id(),
            kind=self.kind,
            at=at,
            by=by,
            canal=canal,
            size=self.size,
            taper=self.taper,
            special=self.special,
            length_mm=self.length_mm,
            finding=self.finding,
            **more,
        )


def typed_instrument(text: str) -> tuple[int, float | None, bool | None]:
    """Size, taper and whether it is special, from "25/.04", "25" or "33/.05 special".

    Raises
    ------
    CaseError
        Not an instrument, or a size that ISO 3630-1 does not have and that was not called special.
    """
    if "/" not in text:
        size, special = typed_size(text)
        return size, None, special or None
    try:
        (one,) = read_instrument_list(text)
    except (TradeError, ValueError) as error:
        given = repr(text.strip()[:40])
        raise CaseError(f"instrument must be size and taper such as 25/.04, or a size: {given}; {error}") from None
    return one.size, getattr(one, "taper", None), one.special or None


def next_file(case: Case, canal: str, *, rules: ShapingRules | None = None) -> Draft:
    """The next shaping file of a canal at working length.

    The first of the user's list; after one that reached length the next larger; one that stopped short once more.

    Raises
    ------
    CaseError
        No working length holds for the canal, so that nothing can be compared with it.
    """
    working, entries = _at_length(case, canal)
    rule = ShapingRules() if rules is None else rules
    files = [e for e in entries if e.kind == "shaping file" and e.size is not None]
    instruments = case.instruments
    draft = Draft("shaping file", length_mm=working)
    if not files:
        first = instruments[0]
        return evolve(draft, size=first.size, taper=getattr(first, "taper", None), special=first.special or None)
    last = files[-1]
    assert last.size is not None
    reached = last.length_mm is not None and rule.row(working - last.length_mm) <= 1
    larger = next_instrument(instruments, last.size) if reached else None
    if larger is None:
        return evolve(draft, size=last.size, taper=last.taper, special=last.special)
    return evolve(draft, size=larger.size, taper=getattr(larger, "taper", None), special=larger.special or None)


def next_gauge(case: Case, canal: str, *, rules: ShapingRules | None = None) -> Draft:
    """Gauging with the hand file of the last shaping file's size, after one that passed the next size, at working length.

    Raises
    ------
    CaseError
        No working length holds, or nothing was shaped to length yet, so that there is no size to begin with.
    """
    working, entries = _at_length(case, canal)
    rule = ShapingRules() if rules is None else rules
    size = None
    for entry in entries:
        at_length = entry.length_mm is not None and rule.row(working - entry.length_mm) <= 1
        if entry.kind == "shaping file" and at_length:
            size = entry.size
        elif entry.kind == "apical gauging" and entry.finding == "snug" and entry.size == size and size is not None:
            larger = next_instrument(case.instruments, size)
            size = size if larger is None else larger.size
    if size is None:
        raise CaseError("gauging needs a size: no shaping file has reached working length yet; type the size instead")
    return Draft("apical gauging", size=size, length_mm=working)


def _at_length(case: Case, canal: str) -> tuple[float, list[Entry]]:
    """The working length that holds from the canal's present reference point, and the entries that count from it too."""
    record = LengthRecord(case.entries)
    current = record.decision(canal)
    if current is None or current.length_mm is None:
        raise CaseError(f"canal {canal} must have a decided working length first: decide it")
    point = canal_of(case, canal).reference_point
    if current.reference_point != point:
        raise CaseError(
            f"working length of canal {canal} must count from {point}: it was decided from {current.reference_point}; "
            "decide again"
        )
    return current.length_mm, [entry for entry in record.in_order(canal) if entry.reference_point in (None, point)]
