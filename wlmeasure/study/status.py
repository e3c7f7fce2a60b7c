"""How far a study is, as text and as JSON."""

from __future__ import annotations

from typing import Any

from wlmeasure.study.folder import progress, results, strangers, unsealed
from wlmeasure.study.manifest import Study

__all__ = ["status_json", "status_text"]


def status_json(study: Study) -> dict[str, Any]:
    """Observers with their progress; results that break the protocol, were changed or cannot be read; files of nobody."""
    found = results(study)
    return {
        "schema": "wlmeasure-study-status/1",
        "study": study.name,
        "films": len(study.films),
        "repeats": study.repeats,
        "observers": [
            {"name": one.observer, "done": one.done, "assigned": one.assigned, "next": one.next, "begun": one.begun}
            for one in (progress(study, observer.name) for observer in study.observers)
        ],
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


def status_text(study: Study) -> str:
    """The same in lines for a person."""
    said = status_json(study)
    times = "once" if study.repeats == 1 else f"{study.repeats} times"
    lines = [f"{study.name}: {len(study.films)} films, each read {times}", f"  {study.protocol.words}"]
    for one in said["observers"]:
        rest = "done" if one["next"] is None else f"goes on at {one['next']}" + (", begun" if one["begun"] else "")
        lines.append(f"  {one['name']}: {one['done']} of {one['assigned']}, {rest}")
    lines += [f"  ! {v['observer']} {v['result']}: {v['text']} ({v['code']})" for v in said["violations"]]
    lines += [f"  ! {u['observer']} {u['result']}: cannot be read: {u['text']}" for u in said["unreadable"]]
    lines += [f"  ! {path}: has no seal, so nobody can tell whether it was changed" for path in said["unsealed"]]
    lines += [f"  ! {path}: assigned to nobody" for path in said["strangers"]]
    return "\n".join(lines) + "\n"
