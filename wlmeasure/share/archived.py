"""What the archive answers, as JSON and as lines for a person."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from wlmeasure.decide.filling import limit_words
from wlmeasure.record.case import Entry, case_to_json
from wlmeasure.record.members import write_object
from wlmeasure.record.record import record_of
from wlmeasure.words import interval_words

if TYPE_CHECKING:  # the archive itself is an extra
    from wlmeasure.record.archive.answers import Added, CaseLine, Step, Stored
    from wlmeasure.record.archive.exchange import Exported, ExportReceipt, Imported
    from wlmeasure.record.archive.verify import Verdict

__all__ = [
    "added_json",
    "added_text",
    "case_json",
    "case_text",
    "cases_json",
    "cases_text",
    "exported_json",
    "exported_text",
    "history_json",
    "history_text",
    "imported_json",
    "imported_text",
    "verdict_json",
    "verdict_text",
]


def added_json(added: Added) -> dict[str, Any]:
    """What one storing did; `row` is the state that the next change names."""
    return {
        "case_id": added.head.case_id,
        "row": added.head.rows,
        "revision": added.revision,
        "new_revision": added.new_revision,
        "new_entries": list(added.new_entries),
        "receipt": str(added.receipt),
    }


def _new(added: Added) -> str:
    parts = [f"revision {added.revision}"] if added.new_revision else []
    parts += [f"entries {', '.join(added.new_entries)}"] if added.new_entries else []
    return " and ".join(parts) or "nothing new"


def added_text(added: Added) -> str:
    """The same in lines for a person."""
    return f"case {added.head.case_id}: {_new(added)}; now at row {added.head.rows}\n  receipt {added.receipt}\n"


def cases_json(found: Sequence[CaseLine]) -> dict[str, Any]:
    """The cases of a search."""
    return {
        "cases": [
            {
                "case_id": line.case_id,
                "tooth": line.tooth,
                "row": line.rows,
                "revisions": line.revisions,
                "entries": line.entries,
                "opened_at": line.opened_at,
                "changed_at": line.changed_at,
            }
            for line in found
        ]
    }


def cases_text(found: Sequence[CaseLine]) -> str:
    """The same as a table for a person."""
    rows = [
        tuple(map(str, (line.case_id, line.tooth, line.rows, line.revisions, line.entries, line.changed_at)))
        for line in found
    ]
    return _table(("case", "tooth", "row", "revisions", "entries", "last change"), rows) if rows else "no case\n"


def case_json(stored: Stored) -> dict[str, Any]:
    """A case as the archive has it."""
    return {
        "case_id": stored.head.case_id,
        "row": stored.head.rows,
        "revision": stored.revision,
        "changed_at": stored.changed_at,
        "case": case_to_json(stored.case),
    }


def case_text(stored: Stored) -> str:
    """The length record of a case: what holds for each canal, every entry in a line of words, and what is open."""
    # Loaded here: a list of cases needs none of the measuring.
    from wlmeasure.record.facts import decided_stop
    from wlmeasure.record.progress import case_progress
    from wlmeasure.share.timeline import record_cautions, timeline

    case = stored.case
    record, _ = record_of(case)
    lines = [
        f"case {case.case_id}, tooth {case.tooth}: revision {stored.revision}, {len(case.entries)} entries, "
        f"at row {stored.head.rows} (last change {stored.changed_at})"
    ]
    for canal in case.canals:
        held = record.decision(canal.name)
        stop = decided_stop(held, canal.reference_point)
        holds = "nothing decided" if held is None else f"{held.kind} {_length(held)} ({held.id})"
        point = "reference point not named" if canal.reference_point is None else f"from the {canal.reference_point}"
        if stop is not None:
            point += f"; stop at {stop.setting_mm:.1f} mm"
        elif held is not None:
            point += f"; no stop: decided from {held.reference_point or 'a point that was not named'}"
        lines.append(f"  {canal.name}: {holds}; {point}")
    for line in timeline(record):
        after = "" if line.superseded_by is None else f" [superseded by {line.superseded_by}]"
        lines.append(f"{line.entry.id:<6}{line.text}{after}")
    lines += [f"! {text}" for text in record_cautions(case_progress(case))]
    return "\n".join(lines) + "\n"


def history_json(case_id: str, steps: Sequence[Step]) -> dict[str, Any]:
    """Every row of a case."""
    return {
        "case_id": case_id,
        "rows": [
            {
                "row": step.number,
                "what": step.what,
                "stored_at": step.stored_at,
                "stored_by": step.stored_by,
                "receipt": str(step.receipt),
            }
            | ({} if step.entry is None else {"entry": write_object(step.entry)})
            for step in steps
        ],
    }


def history_text(case_id: str, steps: Sequence[Step]) -> str:
    """The same as a table for a person."""
    rows = [
        (
            str(step.number),
            step.stored_at,
            step.stored_by,
            (step.entry.at or "not known") if step.entry is not None else "",
            step.what
            if step.entry is None
            else f"entry {step.entry.id}: {step.entry.canal}, {step.entry.kind} {_length(step.entry)}".rstrip(),
        )
        for step in steps
    ]
    return f"case {case_id}\n" + _table(("row", "stored at", "by", "dated", "what"), rows)


def verdict_json(verdict: Verdict) -> dict[str, Any]:
    """What a check of the archive found."""
    return {
        "sound": not verdict.findings,
        "findings": list(verdict.findings),
        "cases": verdict.cases,
        "revisions": verdict.revisions,
        "entries": verdict.entries,
        "receipt": str(verdict.receipt),
    }


def verdict_text(verdict: Verdict) -> str:
    """The same in lines for a person."""
    head = "NOT what was stored:" if verdict.findings else "as it was stored:"
    counts = f"{verdict.cases} cases, {verdict.revisions} revisions, {verdict.entries} entries"
    found = "".join(f"  {finding}\n" for finding in verdict.findings)
    return f"{head} {counts}\n{found}  receipt {verdict.receipt}\n"


def exported_json(done: Sequence[Exported | ExportReceipt]) -> dict[str, Any]:
    """The files of an export, what could not be written, and its receipt."""
    cases: list[Any] = list(done[:-1])
    written = [str(one.path) for one in cases if one.path is not None]
    left_out = [{"case_id": one.case_id, "error": one.error} for one in cases if one.path is None]
    return {"files": written, "receipt": str(done[-1])} | ({"left_out": left_out} if left_out else {})


def exported_text(done: Sequence[Exported | ExportReceipt]) -> str:
    """The same, a line for each."""
    said = exported_json(done)
    lines = [*said["files"], *(f"LEFT OUT: case {one['case_id']}: {one['error']}" for one in said.get("left_out", ()))]
    return "\n".join([*lines, f"  receipt {said['receipt']}"]) + "\n"


def imported_json(done: Sequence[Imported]) -> dict[str, Any]:
    """What became of each file."""
    return {
        "files": [
            {"path": str(one.path)} | ({"error": one.error} if one.added is None else added_json(one.added))
            for one in done
        ]
    }


def imported_text(done: Sequence[Imported]) -> str:
    """The same, a line for each file."""
    return "".join(
        f"{one.path}: "
        + (f"REFUSED: {one.error}" if one.added is None else f"{one.added.head.case_id}: {_new(one.added)}")
        + "\n"
        for one in done
    )


def _length(entry: Entry) -> str:
    if entry.length_mm is None:
        return ""
    interval = entry.length_interval_mm
    spread = "" if interval is None else f" {interval_words(entry.length_mm, interval)}"
    return limit_words(entry.length_mm) + spread  # rounded down: an instrument may be set by it


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    return "".join(
        "  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() + "\n" for row in (head, *rows)
    )
