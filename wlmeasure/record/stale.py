"""Which lengths of a record no longer hold, why, and what would settle it.

A length holds from one coronal reference point, on one scale, in one canal of one shape. What changes any of them is an
entry too, so whether a length still holds can be read from the record alone. Nothing is rescaled and nothing is removed:
an entry is flagged, and stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from attrs import field, frozen

from wlmeasure.flags import Flag, catalogue
from wlmeasure.record.case import Entry
from wlmeasure.record.kinds import KIND_TABLE, EntryKind
from wlmeasure.record.record import LengthRecord, heard

__all__ = ["UPHELD_WITHIN_MM", "Stale", "stale_entries"]

UPHELD_WITHIN_MM: Final = 0.5
"""Readings since that give a length no farther than this from the decided one uphold it: one division of a ruler (our
parameter)."""

EDGE_MM: Final = 1e-9  # lengths typed in decimals may differ in the last bits

_FLAGS = catalogue(
    {
        "reference-changed": "The coronal reference point has changed since, so the length no longer counts from it.",
        "shaped-since": "The canal was flared or shaped since it was measured; working lengths often shorten then.",
        "shaped-on": "The canal was shaped on since, so what was found at its end may have changed.",
        "film-rescaled": "The film has a new scale since.",
        "working-length-changed": "The working length has changed since, so how far short this was is another figure now.",
        "rests-on-superseded": "It rests on an entry that was superseded since.",
        "rests-on-stale": "It rests on an entry that no longer holds.",
    }
)

_READ_FIRST = (
    "an electronic reading from the present reference point comes first; another film remains the clinician's choice"
)
_AGAIN = {
    "apical gauging": "gauging again settles it",
    "cone fit": "fitting the cone again settles it",
}


@frozen
class Stale:
    """A standing entry that no longer holds: why, through which entries (their ids), and what would settle it."""

    entry: Entry
    reasons: tuple[Flag, ...]
    causes: tuple[str, ...]
    settled_by: str


def stale_entries(
    record: LengthRecord,
    *,
    reference_points: Mapping[str, str] | None = None,
    upheld_within_mm: float = UPHELD_WITHIN_MM,
) -> tuple[Stale, ...]:
    """The standing entries that no longer hold, in the order they were made.

    Parameters
    ----------
    record
        The length record.
    reference_points
        The reference point of each canal as it is called now; where left out, what later entries say counts alone.
    upheld_within_mm
        Readings taken after shaping whose length lies this near to the decided one uphold it; unstable ones do not.

    Notes
    -----
    A measurement that was repeated after the change is history and not listed. Of the working lengths of a canal only the
    current one is judged. An entry whose kind is not known here is passed over.
    """
    return _Search.of(record, reference_points or {}, upheld_within_mm).found()


@frozen
class _Row:
    """A standing entry, its place in the treatment and the row of its kind."""

    at: int
    entry: Entry
    kind: EntryKind

    def concerns(self, other: _Row) -> bool:
        return self.entry.canal is None or other.entry.canal is None or self.entry.canal == other.entry.canal


def _rows(record: LengthRecord) -> Iterator[_Row]:
    places = record.places()
    for entry in record.in_order():
        if entry.kind in KIND_TABLE:
            yield _Row(places[entry.id], entry, KIND_TABLE[entry.kind])


@frozen
class _Search:
    """The standing rows in the order of the treatment, sorted once by what they can do to each other."""

    rows: tuple[_Row, ...]
    after: dict[str, str]  # by the id of what it supersedes
    computed: dict[str, tuple[str, ...]]  # what version 1 stored though it follows from others, and from which
    current: dict[str, Entry | None]  # the decision that holds, by canal
    reference_points: dict[str, str]
    upheld_within_mm: float
    record: LengthRecord
    shaping: tuple[_Row, ...] = field(init=False)
    measuring: tuple[_Row, ...] = field(init=False)
    rescaling: tuple[_Row, ...] = field(init=False)
    moving: tuple[_Row, ...] = field(init=False)

    @shaping.default
    def _shaping(self) -> tuple[_Row, ...]:
        return tuple(row for row in self.rows if row.kind.shapes)

    @measuring.default
    def _measuring(self) -> tuple[_Row, ...]:
        return tuple(row for row in self.rows if row.kind.role == "measurement")

    @rescaling.default
    def _rescaling(self) -> tuple[_Row, ...]:
        return tuple(row for row in self.rows if row.kind.rescales_film)

    @moving.default
    def _moving(self) -> tuple[_Row, ...]:
        """Rows that may say that the reference point is another one: none where all lengths count from the same."""
        named = [row for row in self.rows if row.kind.role != "note"]
        points: dict[str | None, set[str | None]] = {}
        for row in named:
            if row.entry.reference_point is not None:
                points.setdefault(row.entry.canal, set()).add(row.entry.reference_point)
        return tuple(row for row in named if row.kind.moves_reference or len(points.get(row.entry.canal, ())) > 1)

    @classmethod
    def of(cls, record: LengthRecord, reference_points: Mapping[str, str], upheld_within_mm: float) -> _Search:
        rows = tuple(_rows(record))
        return cls(
            rows=rows,
            after={e.supersedes: e.id for e in record.entries if e.supersedes is not None},
            computed={
                e.id: e.rests_on
                for e in record.entries
                if e.kind in KIND_TABLE and KIND_TABLE[e.kind].role == "computed"
            },
            current={name: record.decision(name) for name in {r.entry.canal for r in rows} if name is not None},
            reference_points=dict(reference_points),
            upheld_within_mm=upheld_within_mm,
            record=record,
        )

    def found(self) -> tuple[Stale, ...]:
        out: dict[str, Stale] = {}
        for row in self.rows:
            if row.kind.role in ("event", "note", "computed"):
                continue
            reasons: dict[Flag, list[str]] = {}
            named = self._grounds(row.entry)
            superseded = [self.after[name] for name in named if name in self.after]
            if superseded:
                reasons[_FLAGS["rests-on-superseded"]] = superseded
            for code, causes in (
                ("film-rescaled", self._rescaled(row)),
                ("reference-changed", self._moved(row)),
                ("shaped-since", self._shaped_since(row)),
                ("shaped-on", self._shaped_on(row)),
                ("working-length-changed", self._length_changed(row)),
            ):
                if causes is not None:
                    reasons[_FLAGS[code]] = causes
            fallen = [name for name in named if name in out]
            if fallen and not reasons:
                reasons[_FLAGS["rests-on-stale"]] = fallen
            if reasons:
                ids = tuple(dict.fromkeys(name for causes in reasons.values() for name in causes))
                out[row.entry.id] = Stale(row.entry, tuple(reasons), ids, self._settled_by(row, reasons))
        # An old working length passes on that it no longer holds, but is itself history.
        past = {row.entry.id for row in self.rows if row.kind.role == "decision" and self._history(row, row.at)}
        return tuple(item for item in out.values() if item.entry.id not in past)

    def _grounds(self, entry: Entry) -> list[str]:
        """Ids of what an entry rests on; in place of what was computed, what that was computed from."""
        found: dict[str, None] = {}
        open_ = list(entry.rests_on)
        while open_:
            name = open_.pop()
            if name in found:
                continue
            found[name] = None
            open_ += self.computed.get(name, ())
        return [name for name in found if name not in self.computed]

    def _later(self, row: _Row, among: tuple[_Row, ...], at: int | None = None) -> list[_Row]:
        """Rows of `among` that concern a row and stand after it, or after the place `at`."""
        start = row.at if at is None else at
        return [other for other in among if other.at > start and other.concerns(row) and other is not row]

    def _history(self, row: _Row, cause_at: int) -> bool:
        """Whether an entry was replaced by a newer one of its sort after the cause, or is no current working length."""
        if row.kind.role == "decision":
            current = None if row.entry.canal is None else self.current[row.entry.canal]
            return current is not None and current.id != row.entry.id
        if row.kind.role in ("measurement", "estimate"):
            return bool(self._later(row, self.measuring, cause_at))
        return any(o.entry.kind == row.entry.kind for o in self._later(row, self.rows, cause_at))

    def _rescaled(self, row: _Row) -> list[str] | None:
        films = {row.entry.film_sha256, *row.entry.other_films_sha256} - {None}
        causes = [o for o in self.rescaling if o.entry.film_sha256 in films and o.at > row.at]
        return [causes[-1].entry.id] if causes else None

    def _moved(self, row: _Row) -> list[str] | None:
        point = row.entry.reference_point

        def other_point(other: _Row) -> bool:
            """Said to have changed, or a later length that counts from another point."""
            named = other.entry.reference_point
            if other.kind.moves_reference:
                # A shortened cusp names the point that was lost, any other event the new one.
                lost = other.entry.kind == "cusp shortened"
                return None in (named, point) or (named == point) == lost
            same_canal = other.entry.canal == row.entry.canal
            return same_canal and None not in (named, point) and named != point

        causes = [other for other in self._later(row, self.moving) if other_point(other)]
        if causes:
            # Without an event the first length from another point shows the change, and is itself measured after it.
            at = max((o.at for o in causes if o.kind.moves_reference), default=causes[0].at - 1)
            return None if self._history(row, at) else [o.entry.id for o in causes]
        now = None if row.entry.canal is None else self.reference_points.get(row.entry.canal)
        if now is None or point is None or now == point or self._history(row, row.at):
            return None
        return []

    def _shaped_since(self, row: _Row) -> list[str] | None:
        if row.kind.role not in ("measurement", "decision"):
            return None
        start = row.at if row.kind.role == "measurement" else self._basis(row)
        causes = self._later(row, self.shaping, start)
        if not causes or self._history(row, causes[-1].at):
            return None
        if row.kind.role == "decision" and self._upheld(row, causes[-1].at):
            return None
        return [o.entry.id for o in causes]

    def _basis(self, row: _Row) -> int:
        """Place of the last measurement that a working length was made from: named by it, else the last one before it."""
        earlier = [o for o in self.measuring if o.at < row.at and o.concerns(row)]
        named = [o.at for o in earlier if o.entry.id in row.entry.rests_on]
        return max(named or [o.at for o in earlier], default=row.at)

    def _upheld(self, row: _Row, cause_at: int) -> bool:
        """Whether the readings since the cause establish a length that the decided one does not pass, and lies near.

        One reading establishes nothing, and a canal that was shaped is shorter sooner than longer: a decision longer than what
        is read now, be it by half a millimetre, has to be taken again.
        """
        decided = row.entry.length_mm
        since = [other.entry for other in self._later(row, self.measuring, cause_at)]
        length = heard(entry for entry in since if entry.reference_point == row.entry.reference_point)
        if decided is None or length is None or length.length_mm is None or length.status != "stable":
            return False
        return -EDGE_MM <= length.length_mm - decided <= self.upheld_within_mm + EDGE_MM

    def _shaped_on(self, row: _Row) -> list[str] | None:
        if not row.kind.of_shape:
            return None
        causes = self._later(row, self.shaping)
        if not causes or self._history(row, causes[-1].at):
            return None
        return [o.entry.id for o in causes]

    def _length_changed(self, row: _Row) -> list[str] | None:
        """Whether an insertion was compared with another working length than the one that holds now."""
        if row.kind.role != "insertion" or row.entry.canal is None:
            return None
        current = self.current[row.entry.canal]
        then = self.record.decision(row.entry.canal, before=row.at)
        if current is None or then is None or current.length_mm is None or then.length_mm is None:
            return None
        at = next(o.at for o in self.rows if o.entry.id == current.id)
        if at < row.at or abs(current.length_mm - then.length_mm) <= EDGE_MM or self._history(row, at):
            return None
        return [current.id]

    def _settled_by(self, row: _Row, reasons: dict[Flag, list[str]]) -> str:
        codes = {reason.code for reason in reasons}
        if row.kind.role == "insertion":
            return _AGAIN.get(row.entry.kind, "taking it to length again and reading the stop settles it")
        if codes == {"film-rescaled"}:
            return "measuring the film again on its new scale settles it"
        if codes <= {"rests-on-superseded", "rests-on-stale"}:
            return "what it rests on has to be settled first, then deciding again settles it"
        causes = {name for names in reasons.values() for name in names}
        last = max((other.at for other in self.rows if other.entry.id in causes), default=row.at)
        since = self._later(row, self.measuring, last)
        if row.kind.role == "decision" and since:
            return f"the canal was measured since ({since[-1].entry.id}): deciding the length again settles it"
        return _READ_FIRST
