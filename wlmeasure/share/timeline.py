"""The treatment in words: one plain line for each entry of a length record, and what is open in it.

The command line, the viewer and the report show the same lines. A length that an instrument is set by is rounded down to
0.1 mm, never up; a measured length to the nearest 0.1 mm, a measured distance to 0.01 mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from attrs import frozen

from wlmeasure.flags import Flag
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Entry
from wlmeasure.record.facts import CaseFacts
from wlmeasure.record.kinds import FINDING_WORDS, KIND_TABLE
from wlmeasure.record.progress import CanalProgress, CaseProgress
from wlmeasure.record.record import LengthRecord
from wlmeasure.record.stale import Stale
from wlmeasure.share.result import limit_words
from wlmeasure.trade.instruments import size_words
from wlmeasure.words import interval_words

__all__ = [
    "AT_LENGTH_MM",
    "Line",
    "entry_words",
    "found_rows",
    "open_cautions",
    "progress_words",
    "record_cautions",
    "stale_words",
    "timeline",
]

AT_LENGTH_MM = 0.05
"""A shortfall that rounds to 0.0 mm is none worth a figure."""
NEWER = "entry of a kind that this version does not know"


@frozen
class Line:
    """One entry in words; `superseded_by` is the id of the entry that stands in its place, None where it stands itself."""

    entry: Entry
    text: str
    superseded_by: str | None


def timeline(record: LengthRecord, canal: str | None = None) -> tuple[Line, ...]:
    """Every entry in the order it was written, superseded ones too; with a canal, its own and those of the whole tooth.

    With a canal the entries stand under the names that canals have now; all of them together stand as they were written.
    """
    after = {entry.supersedes: entry.id for entry in record.entries if entry.supersedes is not None}
    return tuple(
        Line(entry, entry_words(entry), after.get(entry.id))
        for entry in (record.entries if canal is None else record.present)
        if canal is None or entry.canal in (canal, None)
    )


def entry_words(
    entry: Entry, *, points: Mapping[str, str] | None = None, dated: bool = True, signed: bool = True
) -> str:
    """One entry in one line: what, how far, from where, what was found, by whom and when.

    A length that an instrument is set by or went to is rounded down, one that was measured to the nearest 0.1 mm.

    Parameters
    ----------
    entry
        The entry.
    points
        Reference points by canal that the reader knows already; an entry from that point does not repeat it.
    dated, signed
        Whether to give the day beside the time, and who entered it.
    """
    kind = KIND_TABLE.get(entry.kind)
    day = slice(0, 16) if dated else slice(11, 16)
    when = "time not recorded" if entry.at is None else entry.at[day].replace("T", " ")
    who = f"{when}, {'whole tooth' if entry.canal is None else entry.canal}"
    words = [f"{who}: {f'{entry.kind} ({NEWER})' if kind is None else kind.words}"]
    if entry.size is not None:
        words.append(_instrument_words(entry))
    if entry.length_mm is not None:
        interval = entry.length_interval_mm
        spread = "" if interval is None else f" {interval_words(entry.length_mm, interval)}"
        words.append(f"{'at' if kind is None else kind.length_words} {_entry_length(entry)}{spread}")
    line = " ".join(words)
    more = []
    if entry.status is not None:
        more.append(entry.status)
    if entry.other_films_sha256:
        more.append(f"on {1 + len(entry.other_films_sha256)} films")
    if entry.finding is not None:
        more.append(FINDING_WORDS.get(entry.finding, entry.finding))
    more += entry.conditions
    if entry.distance_mm is not None:
        spread = "" if entry.distance_std_mm is None else f" ± {NORMAL_95 * entry.distance_std_mm:.2f}"
        side = "short" if entry.distance_mm >= 0.0 else "beyond"
        end = " of the apex" if kind is None else f" {kind.distance_words}"
        more.append(
            f"{abs(entry.distance_mm):.2f} mm{spread} {side}{end if side == 'short' else end.removeprefix(' of')}"
        )
    if entry.level_mm is not None:
        more.append(f"{limit_words(entry.level_mm)} from the reference point")
    if entry.extent_mm is not None:
        more.append(f"{entry.extent_mm:g} mm long" if entry.level_mm is not None else f"by {entry.extent_mm:g} mm")
    if entry.other_canal is not None:
        more.append(f"{'from' if entry.kind == 'canal renamed' else 'with canal'} {entry.other_canal}")
    if entry.passes is not None:
        more.append(f"{entry.passes} pass{'' if entry.passes == 1 else 'es'}")
    known = points is not None and entry.reference_point == points.get(entry.canal or "")
    if entry.reference_point is not None and not known:
        more.append(f"from {entry.reference_point}")
    if entry.proposed is not None:
        proposed = entry.proposed
        length = "no length" if proposed.length_mm is None else limit_words(proposed.length_mm)
        more.append(f"{length} was proposed then ({proposed.status})")
    if entry.rests_on:
        more.append(f"rests on {', '.join(entry.rests_on)}")
    if entry.confirmed:
        more.append(f"confirmed: {', '.join(code.replace('-', ' ') for code in entry.confirmed)}")
    if entry.supersedes is not None:
        more.append(f"in place of {entry.supersedes}")
    if entry.before is not None:
        more.append(f"belongs before {entry.before}")
    if signed:
        more.append(f"by {entry.by}")
    return ", ".join([line, *more]) + (f". {entry.note}" if entry.note else "")


def _entry_length(entry: Entry) -> str:
    assert entry.length_mm is not None
    kind = KIND_TABLE.get(entry.kind)
    measured = kind is not None and kind.role in ("estimate", "measurement") and entry.kind != "trial file film"
    return f"{entry.length_mm:.1f} mm" if measured else limit_words(entry.length_mm)


def _instrument_words(entry: Entry) -> str:
    assert entry.size is not None
    return f"size {size_words(entry.size, entry.taper, special=entry.special)}"


def stale_words(stale: Sequence[Stale]) -> list[str]:
    """Entries that no longer hold, those of one canal with one reason and one remedy in one line."""
    groups: dict[tuple[str | None, tuple[Flag, ...], tuple[str, ...], str], list[Entry]] = {}
    for item in stale:
        groups.setdefault((item.entry.canal, item.reasons, item.causes, item.settled_by), []).append(item.entry)
    lines = []
    for (canal, reasons, causes, settled_by), entries in groups.items():
        where = "Whole tooth" if canal is None else f"Canal {canal}"
        named = ", ".join(f"{entry.id} ({entry.kind})" for entry in entries)
        why = " ".join(reason.text for reason in reasons)
        through = f" (through {', '.join(causes[:3])}{' and more' if len(causes) > 3 else ''})" if causes else ""
        lines.append(
            f"{where}: {named} no longer hold{'s' if len(entries) == 1 else ''}{through}. {why} "
            f"{settled_by[:1].upper()}{settled_by[1:]}."
        )
    return lines


def progress_words(canal: CanalProgress) -> list[str]:
    """Every remark on the treatment of one canal, as advice of the trade."""
    head = f"Canal {canal.canal}: "
    lines = []
    if canal.trial is not None and canal.trial.length_mm is not None:
        lines.append(
            f"{head}the trial file film gives {limit_words(canal.trial.length_mm)} "
            f"({canal.trial.method}, {canal.trial.allowance_mm:.1f} mm)."
        )
    if canal.filling is None and canal.shortfall is not None and canal.file is not None:
        lines.append(f"{head}{_instrument_words(canal.file)} {_short_words(canal.shortfall.short_mm)} working length.")
    if canal.filling is None and canal.gauging is not None and canal.gauging.next_instrument is not None:
        lines.append(f"{head}next larger of the list: {canal.gauging.next_instrument.label}.")
    return [*lines, *(f"{head}{flag.text}" for flag in canal.flags)]


def _short_words(short_mm: float) -> str:
    if abs(short_mm) < AT_LENGTH_MM:
        return "reached"
    return f"went {-short_mm:.1f} mm past" if short_mm < 0.0 else f"stopped {short_mm:.1f} mm short of"


def found_rows(told: CanalProgress) -> tuple[tuple[str, str], ...]:
    """What shaping came to: apical size, master cone and filling, a name and words for each that was entered."""
    rows = []
    if told.apical is not None:
        size = told.apical.size
        words = (
            "not yet shown"
            if size is None
            else f"{size}{', confirmed by the next larger' if told.apical.confirmed else ''}"
        )
        rows.append(("Apical size", words))
    if told.cone_fit is not None:
        at = "at working length"
        if abs(told.cone_fit.short_mm) >= AT_LENGTH_MM:
            at = _short(told.cone_fit.short_mm, "working length")
        rows.append(("Master cone", f"{told.cone_fit.verdict}, {at}"))
    if told.filling is not None:
        rows.append(("Filling", f"{told.filling.verdict}, {_short(told.filling.short_mm, 'the radiographic apex')}"))
    return tuple(rows)


def _short(short_mm: float, end: str) -> str:
    return f"{short_mm:.1f} mm short of {end}" if short_mm >= 0.0 else f"{-short_mm:.1f} mm beyond {end}"


def open_cautions(facts: CaseFacts) -> list[str]:
    """What is open in a record: lengths that no longer hold first, then what shaping, gauging, cone and filling say."""
    told = tuple(canal.treatment for canal in facts.canals if canal.treatment is not None)
    return record_cautions(CaseProgress(told, facts.stale, facts.fault))


def record_cautions(progress: CaseProgress) -> list[str]:
    """The same from a record alone, whose films are not at hand."""
    if progress.fault is not None:
        return [f"The record cannot be followed: {progress.fault}."]
    return [*stale_words(progress.stale), *(line for canal in progress.canals for line in progress_words(canal))]
