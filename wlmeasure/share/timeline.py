"""The treatment in words: one plain line for each entry of a length record, and what is open in it.

The command line, the viewer and the report show the same lines. A length that an instrument is set by is rounded down to
0.1 mm, never up; a measured distance is given to 0.01 mm.
"""

from __future__ import annotations

from collections.abc import Sequence

from attrs import frozen

from wlmeasure.decide.filling import stop_settings
from wlmeasure.errors import DecideError
from wlmeasure.flags import Flag
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Entry
from wlmeasure.record.evaluate import CanalResult
from wlmeasure.record.kinds import FINDING_WORDS, KIND_TABLE
from wlmeasure.record.progress import CanalProgress, CaseProgress, bend_strains
from wlmeasure.record.record import LengthRecord
from wlmeasure.record.stale import Stale
from wlmeasure.share.result import limit_words
from wlmeasure.trade.instruments import AnyInstrument, hand_file

__all__ = [
    "Line",
    "entry_words",
    "open_cautions",
    "progress_words",
    "stale_words",
    "stop_lines",
    "strain_lines",
    "timeline",
]

NEWER = "entry of a kind that this version does not know"


@frozen
class Line:
    """One entry in words; `superseded_by` is the id of the entry that stands in its place, None where it stands itself."""

    entry: Entry
    text: str
    superseded_by: str | None


def timeline(record: LengthRecord, canal: str | None = None) -> tuple[Line, ...]:
    """Every entry in the order it was written, superseded ones too; with a canal, its own and those of the whole tooth."""
    after = {entry.supersedes: entry.id for entry in record.entries if entry.supersedes is not None}
    return tuple(
        Line(entry, entry_words(entry), after.get(entry.id))
        for entry in record.entries
        if canal is None or entry.canal in (canal, None)
    )


def entry_words(entry: Entry) -> str:
    """One entry in one line: what, how far, from where, what was found, by whom and when."""
    kind = KIND_TABLE.get(entry.kind)
    who = f"{entry.at[:16].replace('T', ' ')}, {'whole tooth' if entry.canal is None else entry.canal}"
    words = [f"{who}: {f'{entry.kind} ({NEWER})' if kind is None else kind.words}"]
    if entry.size is not None:
        words.append(_instrument_words(entry))
    if entry.length_mm is not None:
        spread = "" if entry.length_std_mm is None else f" ± {NORMAL_95 * entry.length_std_mm:.1f}"
        words.append(f"{'at' if kind is None else kind.length_words} {limit_words(entry.length_mm)}{spread}")
    line = " ".join(words)
    more = []
    if entry.status is not None:
        more.append(entry.status)
    if entry.finding is not None:
        more.append(FINDING_WORDS.get(entry.finding, entry.finding))
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
        more.append(f"with canal {entry.other_canal}")
    if entry.passes is not None:
        more.append(f"{entry.passes} pass{'' if entry.passes == 1 else 'es'}")
    if entry.reference_point is not None:
        more.append(f"from {entry.reference_point}")
    if entry.rests_on:
        more.append(f"rests on {', '.join(entry.rests_on)}")
    if entry.confirmed:
        more.append(f"confirmed: {', '.join(code.replace('-', ' ') for code in entry.confirmed)}")
    if entry.supersedes is not None:
        more.append(f"in place of {entry.supersedes}")
    more.append(f"by {entry.by}")
    return f"{line}, {', '.join(more)}" + (f". {entry.note}" if entry.note else "")


def _instrument_words(entry: Entry) -> str:
    size = f"{entry.size:02d}" if entry.size is not None else ""
    taper = "" if entry.taper is None else f"/{f'{entry.taper:.3f}'.rstrip('0').ljust(4, '0').removeprefix('0')}"
    return f"size {size}{taper}{' special' if entry.special else ''}"


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
    if canal.shortfall is not None and canal.file is not None:
        lines.append(f"{head}{_instrument_words(canal.file)} {_short_words(canal.shortfall.short_mm)} working length.")
    if canal.gauging is not None and canal.gauging.next_instrument is not None:
        lines.append(f"{head}next larger of the list: {canal.gauging.next_instrument.label}.")
    return [*lines, *(f"{head}{flag.text}" for flag in canal.flags)]


def _short_words(short_mm: float) -> str:
    return f"went {-short_mm:.1f} mm past" if short_mm < 0.0 else f"stopped {short_mm:.1f} mm short of"


def open_cautions(progress: CaseProgress) -> list[str]:
    """What is open in a record: lengths that no longer hold first, then what shaping, gauging, cone and filling say."""
    if progress.fault is not None:
        return [f"The record cannot be followed: {progress.fault}."]
    return [*stale_words(progress.stale), *(line for canal in progress.canals for line in progress_words(canal))]


def stop_lines(working_length_mm: float, allowances_mm: dict[str, float] | None = None) -> list[str]:
    """Stop settings for instruments, cone, needle and plugger on a 0.5 mm ruler, rounded down; empty where none is left."""
    try:
        settings = stop_settings(working_length_mm, allowances_mm)
    except DecideError:
        return []
    return [
        f"{one.name}: {one.setting_mm:.1f} mm" + (f" ({one.allowance_mm:g} mm short)" if one.allowance_mm else "")
        for one in settings
    ]


def strain_lines(
    canal: CanalResult, instruments: Sequence[AnyInstrument], working_length_mm: float | None
) -> list[str]:
    """Strain of each instrument, and of a size 10 hand file to compare with, at the sharpest measured bend, in percent."""
    out = []
    for instrument, strain in bend_strains(canal, (hand_file(10), *instruments), working_length_mm):
        value = "not determined" if strain.value is None else f"{100.0 * strain.value:.1f} %"
        low, high = (100.0 * end for end in strain.interval)
        span = f"{low:.1f} to {high:.1f} %" if high != float("inf") else f"{low:.1f} % or more"
        out.append(f"{instrument.label}: {value} ({span}), {strain.diameter_mm:.2f} mm thick at the bend")
    return out
