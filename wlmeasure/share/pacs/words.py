"""What the image archive answers, as JSON and as lines for a person."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from attrs import asdict

from wlmeasure.share.pacs.fetch import Got
from wlmeasure.share.pacs.found import Found
from wlmeasure.share.pacs.send import GOOD, Verdict

__all__ = ["found_json", "found_text", "found_words", "got_json", "got_words", "verdict_words", "verdicts_json"]

OUTCOMES = {
    "sent": "sent and verified",
    "there": "was there already, equal",
    "differs": "archive keeps another copy",
    "refused": "refused",
    "unknown": "not known to be stored",
}


def found_words(line: Found) -> str:
    """One instance in words: tooth, day, kind, size."""
    tooth = ", ".join(line.teeth) or "no tooth named"
    size = f"{line.rows} x {line.cols}" if line.rows and line.cols else ""
    frames = f"{line.frames} frames" if line.frames and line.frames > 1 else ""
    what = line.modality if line.kind == "film" and line.modality else line.kind
    return "  ".join(part for part in (line.date or "no date", what, tooth, size, frames, line.description) if part)


def found_text(found: Sequence[Found]) -> str:
    """The instances of a search, by patient and study."""
    if not found:
        return "nothing found\n"
    lines: list[str] = []
    last = None
    for line in found:
        if line.study != last:
            last = line.study
            who = ", ".join(part for part in (line.patient_name, line.patient, line.accession) if part) or "no patient"
            lines.append(f"{who}; study {line.study}")
        lines.append(f"  {found_words(line)}\n    {line.uid}")
    return "\n".join(lines) + "\n"


def found_json(found: Sequence[Found]) -> dict[str, Any]:
    """The same as JSON."""
    return {"schema": "wlmeasure-pacs-found/1", "instances": [asdict(line) for line in found]}


def got_words(got: Got) -> str:
    """One instance that was got, or why it was not."""
    if got.error is not None:
        return f"{got.uid}: {got.error}"
    return f"{got.path}{'' if got.new else ' (was there already, equal)'}  {got.uid}"


def got_json(done: Sequence[Got]) -> dict[str, Any]:
    """All of them as JSON."""
    files = [
        {"uid": one.uid, "path": None if one.path is None else str(one.path), "new": one.new, "error": one.error}
        for one in done
    ]
    return {"schema": "wlmeasure-pacs-got/1", "files": files}


def verdict_words(verdict: Verdict) -> str:
    """One verdict in a line: the outcome first."""
    more = "" if verdict.outcome in GOOD and ";" not in verdict.text else f": {verdict.text}"
    return f"{verdict.name}: {OUTCOMES[verdict.outcome]}{more}"


def verdicts_json(verdicts: Sequence[Verdict]) -> dict[str, Any]:
    """All verdicts as JSON."""
    rows = [{**asdict(one), "verified": one.outcome in GOOD} for one in verdicts]
    return {"schema": "wlmeasure-pacs-sent/1", "instances": rows}
