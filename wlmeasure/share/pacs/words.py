"""What the image archive answers, as JSON and as lines for a person."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from attrs import asdict

from wlmeasure.image.radiograph import printable

if TYPE_CHECKING:  # their libraries are an extra; the viewer shows these words without it
    from wlmeasure.share.pacs.fetch import Got
    from wlmeasure.share.pacs.found import Found
    from wlmeasure.share.pacs.send import Verdict

__all__ = [
    "COLUMNS",
    "absent_words",
    "found_json",
    "found_row",
    "found_text",
    "got_json",
    "got_words",
    "sent_words",
    "verdict_words",
    "verdicts_json",
]

COLUMNS = ("Tooth", "Day", "Kind", "Pixels", "Patient", "ID", "Series")

OUTCOMES = {
    "sent": "sent and verified",
    "there": "was there already, equal",
    "differs": "archive keeps another copy",
    "refused": "refused",
    "unknown": "not known to be stored",
}


def person_words(name: str) -> str:
    """A person's name for the eye: family, given (PS3.5 6.2 has them between carets)."""
    family, *given = name.split("^")
    return ", ".join(part for part in (family.strip(), " ".join(part for part in given if part.strip())) if part)


def found_row(line: Found) -> tuple[str, ...]:
    """One film as the cells of a table with :data:`COLUMNS`."""
    size = f"{line.rows} x {line.cols}" if line.rows and line.cols else ""
    frames = f", {line.frames} frames" if line.frames and line.frames > 1 else ""
    tooth = ", ".join(line.teeth) or "not named"
    return (
        tooth,
        line.date,
        line.modality,
        size + frames,
        person_words(line.patient_name),
        line.patient,
        line.description,
    )


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
            who = (
                ", ".join(part for part in (person_words(line.patient_name), line.patient, line.accession) if part)
                or "no patient"
            )
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
    more = "" if verdict.is_good and ";" not in verdict.text else f": {verdict.text}"
    return f"{verdict.name}: {OUTCOMES[verdict.outcome]}{more}"


def sent_words(host: str, verdicts: Sequence[Verdict], absent: Sequence[str] = ()) -> str:
    """All verdicts for a message: one sentence where all is well, else a line for each that is not."""
    more = [f"! {absent_words(absent)}"] if absent else []
    bad = [one for one in verdicts if not one.is_good]
    if not bad:
        there = sum(one.outcome == "there" for one in verdicts)
        again = f" ({there} of them were there already)" if there else ""
        return "\n".join([f"Sent to {host}: {len(verdicts)} objects, read back and found equal{again}.", *more])
    head = f"Not all is in {host} as sent: {len(bad)} of {len(verdicts)} objects are in doubt."
    return "\n".join([head, *(f"! {verdict_words(one)}" for one in bad), *more])


def absent_words(films: Sequence[str]) -> str:
    """That films which a report refers to are not in the archive."""
    ids = ", ".join(printable(film, 40) for film in films)
    return f"film {ids} is not in this archive: whoever reads the report there cannot see it; send its file too"


def verdicts_json(verdicts: Sequence[Verdict], absent: Sequence[str] = ()) -> dict[str, Any]:
    """All verdicts as JSON, and the films of the case that the archive does not have."""
    rows = [{**asdict(one), "verified": one.is_good} for one in verdicts]
    return {"schema": "wlmeasure-pacs-sent/1", "instances": rows, "films_not_there": list(absent)}
