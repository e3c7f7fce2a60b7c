"""How far a study is, as text and as JSON; for observers who begin from proposals also what became of them."""

from __future__ import annotations

from collections import Counter
from typing import Any

from wlmeasure.record.answers import answers
from wlmeasure.study.folder import Result, progress, results, strangers, unsealed
from wlmeasure.study.manifest import Study

__all__ = ["status_json", "status_text"]


def status_json(study: Study) -> dict[str, Any]:
    """Observers with their progress; results that break the protocol, were changed or cannot be read; files of nobody."""
    found = results(study)
    aided = study.protocol.from_proposals
    return {
        "schema": "wlmeasure-study-status/1",
        "study": study.name,
        "films": len(study.films),
        "repeats": study.repeats,
        "observers": [
            {"name": one.observer, "done": one.done, "assigned": one.assigned, "next": one.next, "begun": one.begun}
            | (
                {"proposals": _answers(found, one.observer)}
                if study.protocol.begins_from_proposals(one.observer)
                else {}
            )
            for one in (progress(study, observer.name) for observer in study.observers)
        ],
        "from_proposals": None if aided is None else {"model": aided.model, "model_sha256": aided.model_sha256},
        "violations": [
            {"observer": one.observer, "result": one.path.name, "code": broken.code, "text": broken.text}
            for one in found
            for broken in one.violations
        ],
        "unreadable": [
            {"observer": one.observer, "result": one.path.name, "text": one.error}
            for one in found
            if one.error is not None
        ],
        "unsealed": [path.relative_to(study.folder).as_posix() for path in unsealed(study)],
        "strangers": [path.relative_to(study.folder).as_posix() for path in strangers(study)],
    }


def _answers(found: list[Result], observer: str) -> dict[str, int]:
    """How many proposed canals of an observer's results were left unmoved, moved, refused, or not answered."""
    said = [
        answer
        for one in found
        if one.observer == observer and one.case is not None
        for answer in answers(one.case)
        if answer.item.kind == "canal"
    ]
    count = Counter(
        answer.outcome if answer.outcome != "accepted" else "moved" if answer.moved_px else "unmoved" for answer in said
    )
    return {what: count[what] for what in ("unmoved", "moved", "refused", "not answered")}


def status_text(study: Study) -> str:
    """The same in lines for a person."""
    said = status_json(study)
    times = "once" if study.repeats == 1 else f"{study.repeats} times"
    lines = [f"{study.name}: {len(study.films)} films, each read {times}", f"  {study.protocol.words}"]
    for one in said["observers"]:
        rest = "done" if one["next"] is None else f"goes on at {one['next']}" + (", begun" if one["begun"] else "")
        taken = ", ".join(f"{count} {what}" for what, count in one.get("proposals", {}).items())
        lines.append(f"  {one['name']}: {one['done']} of {one['assigned']}, {rest}")
        lines += [f"    from proposals; of the canals proposed {taken}"] if taken else []
    lines += [f"  ! {v['observer']} {v['result']}: {v['text']} ({v['code']})" for v in said["violations"]]
    lines += [f"  ! {u['observer']} {u['result']}: cannot be read: {u['text']}" for u in said["unreadable"]]
    lines += [f"  ! {path}: has no seal, so nobody can tell whether it was changed" for path in said["unsealed"]]
    lines += [f"  ! {path}: assigned to nobody" for path in said["strangers"]]
    return "\n".join(lines) + "\n"
