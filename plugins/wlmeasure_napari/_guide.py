"""What comes next: one function from the state of the work to one line that says what is missing, why, and which key. No Qt.

The line names exactly one key, field or button. It never says that a canal is done while an entry of it no longer holds, a
length is not established, or the case is not saved.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from attrs import evolve, frozen

from wlmeasure.decide.electronic import MINIMUM_REPEATS, ElectronicStatus
from wlmeasure.decide.reconcile import Status
from wlmeasure.record.case import FILES
from wlmeasure.record.facts import SETTLED, CanalFacts
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import record_of
from wlmeasure.record.stale import Stale
from wlmeasure.share.result import proposal_end_words, proposal_words
from wlmeasure_napari._first_look import count_words
from wlmeasure_napari._upper_end import Upper, last_file, upper_of

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure.record.case import Entry
    from wlmeasure_napari._session import Session, Tool

__all__ = ["KEYS", "LONGEST", "Doubt", "State", "Step", "doubt_of", "next_step", "state_of"]

LONGEST = 110
"""Characters of a line, two rows of the dock in large type."""

KEYS = (
    *("field Which canal", "A"),
    *("S", "T", "R", "N", "G", "Enter", "Ctrl+S", "S, L, H or P", "click", "double click"),
    *("field Working", "button Confirm", "button Open film", "button Open frame", "button Open case"),
    *(
        "field Tooth",
        "list under Tooth",
        "buttons at the foot",
        "field Stop to tip",
        "field Object",
        "button Add",
        "field From",
    ),
    *("list Film in view", "list Canal in hand", "field Reading", "field Decided", "button Decide"),
    *("button Enter", "list Kind of entry", "button Report", "button Use claim"),
)
"""Everything that a line may name."""

Mend = Literal["read", "decide", "file", "gauge", "cone"]


@frozen
class Step:
    """What comes next: what is missing, why, the one key, field or button for it, and the part of the dock where it is.

    `key` and `place` are empty only while a job runs; `place` is "head" and "foot" for what always stands. `canal` is the one
    that the step is about, where the words do not begin with its name.
    """

    missing: str
    why: str = ""
    key: str = ""
    place: str = ""
    canal: str = ""

    @property
    def words(self) -> str:
        """The line, without a full stop, :data:`LONGEST` characters at most; the canal that it is about begins it."""
        done_so = self.missing if not self.key or self.key in self.missing.split() else f"{self.missing}: {self.key}"
        whose = f"{self.canal}: " if self.canal else ""
        why = _short(self.why, LONGEST - len(whose) - len(done_so) - 2)
        line = f"{why}; {done_so}" if why else done_so
        return whose + line[:1].upper() + line[1:]


@frozen
class Doubt:
    """An entry that no longer holds: what it is, why, and what settles it."""

    what: str
    why: str
    mend: Mend


@frozen
class State:
    """Everything that the line depends on.

    Attributes
    ----------
    busy
        The job that runs, in words; "" without one.
    question, looked_at
        A question stands at the foot of the dock; the case belongs to another window and is only looked at.
    recorded
        Whether the work goes into a length record: not in a walk through films of a study or exercise.
    who
        Whether somebody has said who is working, and for this case.
    film, listed, frames
        A film is open; films of a folder are listed; a file of several frames waits for one to be named.
    tooth, teeth
        The tooth is known; the film's header names several.
    draft, gauging, asked
        The entry that is offered, in words; whether it is a gauge; what the record has asked about once.
    items, item, naming
        What is proposed on the film in view, counted in words; the one in focus; the canal whose name is asked for.
    wants_length
        A file was accepted as proposed, and nobody has spoken of its length.
    found, share
        What of a file was found by itself, and how many of 100 such were right.
    carried
        The film whose marks are laid on this one.
    tool, placed, known_length, stop_offered
        The tool in hand, how many points it has placed, whether the known length was typed, whether a file's stop lies on the
        film while the reference point is asked for.
    upper, rest_offered
        How the upper end of the file's known length is known; whether a reference point is marked that its stop may have rested
        on.
    scale
        The film in view has one.
    lone_file, claims
        Why the file that stands on it gives none: its upper end is out of the picture, or it has no length; whether the image
        claims a spacing.
    canal, point
        The canal in hand and its reference point in words; "" where there is none.
    traced, marked, outside, measured
        On the film in view: whether the canal is traced, its reference point marked, or said to be out of the picture with the
        upper end of its file, and the length in words.
    traced_on, counted_on
        A film on which the canal is traced, and one on which its length counts from the reference point; "" without one.
    readings, past, usable, electronic, span_mm
        Readings that speak for the canal, those from before, how many give a length, what they say together, their spread.
    proposal, proposed, proposed_end
        Status of the proposed working length, its words, and where it ends.
    decided, remarked, doubt
        A decision stands; whether a warning stands beside it; what of the canal no longer holds.
    open_canal, doubted_canal
        Another canal without a decision, and one with something that no longer holds; "" without one.
    fault
        The record cannot be followed.
    unsaved
        The case differs from its file, or has none.
    afterwards
        What comes after the decision.
    """

    busy: str = ""
    question: bool = False
    looked_at: bool = False
    recorded: bool = True
    who: Literal["nobody", "unconfirmed", "said"] = "said"
    film: bool = False
    listed: bool = False
    frames: int = 0
    tooth: bool = False
    teeth: bool = False
    draft: str = ""
    gauging: bool = False
    asked: Literal["", "reading", "decision", "entry"] = ""
    items: str = ""
    item: str = ""
    naming: str = ""
    wants_length: bool = False
    found: Literal["", "file", "tip", "tip and click"] = ""
    share: int = 0
    carried: str = ""
    tool: Tool = "look"
    placed: int = 0
    known_length: bool = False
    stop_offered: bool = False
    upper: Upper = "stop"
    rest_offered: bool = False
    scale: bool = False
    lone_file: Literal["", "out of the picture", "no length"] = ""
    claims: bool = False
    canal: str = ""
    point: str = ""
    traced: bool = False
    marked: bool = False
    outside: bool = False
    measured: str = ""
    traced_on: str = ""
    counted_on: str = ""
    readings: int = 0
    past: int = 0
    usable: int = 0
    electronic: ElectronicStatus = "none"
    span_mm: float = 0.0
    proposal: Status = "not established"
    proposed: str = ""
    proposed_end: str = ""
    decided: str = ""
    remarked: bool = False
    doubt: Doubt | None = None
    open_canal: str = ""
    doubted_canal: str = ""
    fault: bool = False
    unsaved: bool = True
    afterwards: Literal["shape", "gauge", "report"] = "shape"


def next_step(state: State) -> Step:
    """The step that comes next."""
    if state.busy:
        return Step(f"{state.busy} …")
    if state.question:
        return Step("answer it", "A question stands", "buttons at the foot", "foot")
    if state.looked_at and state.film and state.tooth:
        return Step("close it there, then open it here", "Another window has this case", "button Open case", "film")
    step = _in_hand(state) or _to_begin(state) or _proposed(state) or _on_canal(state)
    named = step.why.startswith(("Canal ", "In canal "))
    about_canal = step.place in ("canals", "readings", "length", "entry") or (step.place == "record" and state.unsaved)
    return evolve(step, canal=_short(state.canal, 20)) if about_canal and not named and not state.fault else step


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def _in_hand(state: State) -> Step | None:
    """What is offered, asked or being placed."""
    if not (state.film and state.tooth):
        return None
    if state.draft:
        what = _short(state.draft, 45)
        if state.gauging:
            return Step("say how it sat (snug, loose, short, past)", what, "S, L, H or P", "entry")
        if state.asked:
            return Step("if it is right, record it once more", f"{what} is asked about", "Enter", "entry")
        return Step("record it", f"{what} is offered", "Enter", "entry")
    if state.found:
        rate = f"{state.share} of 100 right on synthetic films"
        if state.found == "tip" and state.placed == 0:
            return Step("click the stop", f"A tip is found ({rate}), no stop", "click", "scale")
        if state.found != "file" and state.upper == "reference" and state.placed == 2:
            return _rested(state, f"A file is found ({rate}), no stop", "click what its stop rested on")
        what = "A file is found" if state.found == "file" else "A tip is found"
        if not state.known_length:
            return Step("check both ends, enter its length", f"{what} ({rate})", "field Stop to tip", "scale")
        return Step("check both ends, then accept", f"{what} ({rate})", "Enter", "scale")
    if state.carried:
        why = f"Marks of film {_short(state.carried, 20)} are laid on this one"
        return Step("look at every one, then accept", why, "Enter", "canals")
    return _with_tool(state)


def _with_tool(state: State) -> Step | None:
    canal, point = _short(state.canal, 20), _short(state.point, 30) or "coronal reference point"
    if state.tool == "rest" or (state.tool == "file" and state.upper == "reference" and state.placed == 2):
        return _rested(state, "The file's stop is not seen")
    if state.tool in ("file", "object"):
        if state.placed >= 2:
            if state.tool == "object":
                return Step("enter the object's length", "Both ends stand", "field Object", "scale")
            return Step("enter the known length", "Both ends stand", "field Stop to tip", "scale")
        ends, why = ("one end", "the other end"), "Scale of the film"
        if state.tool == "file":
            ends = (
                "the file's stop" if state.upper == "stop" else "the shaft where it is first seen",
                "the file's tip",
            )
            if state.upper == "stop" and state.placed == 0:
                why = "Scale of the film (stop not in the picture: say so under Scale)"
        return Step(f"click {ends[state.placed]}", why, "click", "scale")
    if state.tool == "canal":
        if state.placed < 2:
            what = "the orifice" if state.placed == 0 else "along the canal, last its apical end"
            return Step(f"click {what}", f"Canal {canal}", "click", "canals")
        return Step("go on to the apical end, then accept", f"Canal {canal}", "Enter", "canals")
    if state.tool == "reference":
        if state.stop_offered:
            return Step("if so take its place", f"The file's stop may rest on the {point}", "Enter", "canals")
        if state.outside:
            return Step(
                f"click the {point} only if it is seen", "The file's upper end is out of the picture", "click", "canals"
            )
        return Step(f"click the {point}", f"Canal {canal}", "click", "canals")
    return None


def _rested(state: State, why: str, what: str = "click the edge or cusp it rested on") -> Step:
    """Mark what the stop rested on, or take the point that is marked already."""
    if state.rest_offered:
        point = _short(state.point, 24) or "marked reference point"
        return Step("if it rested there take that", f"{why}; the {point} is marked", "Enter", "scale")
    return Step(what, why, "click", "scale")


def _to_begin(state: State) -> Step | None:
    """Who, film, tooth."""
    if state.recorded and state.who == "nobody":
        return Step("enter your initials", "Nobody has said who is working", "field Working", "head")
    if state.frames:
        return Step("choose one", f"The file has {state.frames} frames", "button Open frame", "film")
    if not state.film:
        if state.listed:
            return Step("open one by a double click", "Films are listed", "double click", "film")
        return Step("drop a film here or open one", "Nothing is open", "button Open film", "film")
    if not state.tooth:
        if state.teeth:
            return Step("choose the one measured", "The film's header names several teeth", "list under Tooth", "film")
        return Step("enter it, such as 46", "The film has no tooth yet", "field Tooth", "film")
    if state.recorded and state.who == "unconfirmed":
        return Step(
            "say that you still are", "Another case is open than when you said who works", "button Confirm", "head"
        )
    return None


def _proposed(state: State) -> Step | None:
    """What a network proposes and nobody has answered; while a file that was accepted has no length, that comes first."""
    if state.naming:
        return Step("say which canal it is", f"Accepting {state.naming} of the film", "field Which canal", "head")
    if state.wants_length and not state.known_length:
        return Step("enter its length, stop to tip", "The file is accepted", "field Stop to tip", "scale")
    if state.item:
        return Step("Enter accepts, arrows choose, A accepts the sure ones", f"{state.items} proposed", "Enter", "head")
    return None


def _on_canal(state: State) -> Step:
    canal = _short(state.canal, 20)
    if state.asked:
        key, place = {
            "reading": ("field Reading", "readings"),
            "decision": ("button Decide", "length"),
            "entry": ("button Enter", "entry"),
        }[state.asked]
        return Step("mend it, or enter the same once more", "What you entered is asked about", key, place)
    if state.fault:
        return Step(
            "open a sound one", "The record cannot be followed, so nothing in it counts", "button Open case", "record"
        )
    alone = not state.decided and not state.readings and not state.counted_on
    if alone and not state.scale and state.lone_file:
        if state.claims:
            why = {
                "out of the picture": "The file's upper end is out of the picture",
                "no length": "The file has no length",
            }[state.lone_file]
            return Step("take the spacing that the image claims", why, "button Use claim", "scale")
    elif alone and not state.scale:
        if state.upper == "no length":
            return Step(
                "click the shaft where it is first seen, then its tip", "The file's length is not known", "S", "scale"
            )
        if not state.known_length:
            return Step(
                "enter the file's length, stop to tip", "No millimetres without a scale", "field Stop to tip", "scale"
            )
        ends, why = {
            "stop": ("the file's stop, then its tip", "No millimetres without a scale"),
            "reference": ("the shaft where it is first seen, its tip, what the stop rested on", "Stop not seen"),
            "out of the picture": (
                "the shaft where it is first seen, then its tip",
                "The file begins out of the picture",
            ),
        }[state.upper]
        return Step(f"click {ends}", why, "S", "scale")
    if not state.canal:
        return Step("add one", "The tooth has no canal yet", "button Add", "canals")
    if not state.point:
        return Step("name the cusp or edge", f"Canal {canal} counts from no point yet", "field From", "canals")
    if state.decided and state.doubt is None:
        return _after_decision(state)
    if alone and not state.traced_on:
        return Step("click orifice, canal, apical end", f"Canal {canal} is not traced yet", "T", "canals")
    if not state.decided and not state.counted_on and state.traced_on:
        if state.traced and not state.marked and not state.outside:
            why = f"{state.measured} from the orifice" if state.measured else "The film shows no reference point yet"
            return Step(f"mark the {_short(state.point, 40)}", why, "R", "canals")
        if not state.traced:
            why = f"Canal {canal} is traced on film {_short(state.traced_on, 20)}, its reference point not marked"
            return Step("go there", why, "list Film in view", "canals")
    return _on_lengths(state)


def _on_lengths(state: State) -> Step:
    """Readings, proposal, decision."""
    doubt, field = state.doubt, ("field Reading", "readings")
    fallen = "" if doubt is None else f"{_short(doubt.what, 32)} no longer holds: {doubt.why}"
    if doubt is not None and doubt.mend in ("file", "gauge", "cone"):
        how = {
            "file": ("take it to length again", "N", "entry"),
            "gauge": ("gauge again", "G", "entry"),
            "cone": ("fit it again, enter it", "list Kind of entry", "entry"),
        }[doubt.mend]
        return Step(how[0], fallen, how[1], how[2])
    if not state.readings:
        if doubt is not None:
            if doubt.mend == "read":
                return Step("take a reading first", fallen, *field)
            return Step("decide again", fallen, "field Decided", "length")
        if state.past:
            return Step("read again", f"{_readings(state.past)} from before no longer count", *field)
        given = f"{state.proposed} {state.proposed_end}".rstrip()
        why = f"Film alone: {given}" if state.proposed else "The film alone gives no length"
        return Step(f"read the apex locator, {MINIMUM_REPEATS} times", why, *field)
    if state.electronic == "none":
        return Step("draw back and read again", "Beyond is no length", *field)
    if state.electronic == "not established":
        more = max(1, MINIMUM_REPEATS - state.usable)
        return Step(f"read again, {more} more", f"Not established with {_readings(state.usable)}", *field)
    if state.electronic == "unstable":
        why = f"Not established, the readings spread over {state.span_mm:.1f} mm"
        return Step("read again, or take a wrong one back", why, *field)
    if doubt is not None:
        return Step("decide again", fallen, "field Decided", "length")
    if state.proposal == "conflict":
        return Step("check trace, marks and scale, then read again", "Film and readings conflict", *field)
    if state.proposal == "caution":
        why = "Film and readings lie far apart"
        return Step("check both, then decide", why, "field Decided", "length")
    if state.proposal in SETTLED:
        return Step("decide", f"Proposed length {state.proposed}, {state.proposal}", "field Decided", "length")
    return Step("check trace and readings, read again", "No length follows from film and readings", *field)


def _after_decision(state: State) -> Step:
    canal = _short(state.canal, 20)
    if state.doubted_canal:
        other = _short(state.doubted_canal, 20)
        return Step(f"choose {other}", f"In canal {other} something no longer holds", "list Canal in hand", "canals")
    if state.open_canal:
        other = _short(state.open_canal, 20)
        return Step(f"go on with {other}", f"Canal {canal} is decided", "list Canal in hand", "canals")
    if state.unsaved:
        return Step("save the case", f"{_short(state.decided, 20)} decided, not saved yet", "Ctrl+S", "record")
    what, key, place = {
        "shape": ("record the first shaping file", "N", "entry"),
        "gauge": ("gauge what was shaped", "G", "entry"),
        "report": ("write the report", "button Report", "record"),
    }[state.afterwards]
    done = f"{_short(state.decided, 20)} saved, with a warning" if state.remarked else "Done and saved"
    return Step(what, done, key, place)


def _readings(count: int) -> str:
    return f"{count} reading{'' if count == 1 else 's'}"


# ---- the state of a session ------------------------------------------------------------------------------------------

_WHY = {
    "reference-changed": "another reference point",
    "shaped-since": "shaped since",
    "shaped-on": "shaped on since",
    "film-rescaled": "the film has a new scale",
    "working-length-changed": "another working length",
    "rests-on-superseded": "what it rests on changed",
    "rests-on-stale": "what it rests on fell",
}


def state_of(session: Session) -> State:
    """The state of a session."""
    offer, tool, proposal = session.offer, session.tool, session.proposal
    first = session.first
    focus, naming = first.focus, first.is_asked()
    found: Literal["", "file", "tip", "tip and click"] = ""
    if proposal is not None:
        found = "file" if proposal.stop_px is not None else "tip and click" if session.pending else "tip"
    carried = session.carried
    state = State(
        busy=session.busy,
        question=session.question is not None,
        looked_at=session.document.looked_at,
        who="nobody" if not session.initials else "said" if session.confirmed else "unconfirmed",
        film=bool(session.radiographs),
        listed=offer.films is not None and bool(offer.films.films),
        frames=offer.frames,
        tooth=session.case is not None,
        teeth=bool(offer.teeth),
        draft="" if session.draft is None else session.draft.offer.split(":")[0],
        gauging=session.draft is not None and session.draft.kind == "apical gauging",
        asked=session.asked_about,
        items="" if focus is None else count_words(first.items),
        item="" if focus is None else focus.label,
        naming="" if naming is None else naming.label,
        wants_length=session.wants_length,
        found=found,
        share=0 if proposal is None else round(100.0 * proposal.confidence),
        carried="" if carried is None or carried.trace is None else carried.earlier,
        tool=tool,
        placed=len(session.pending),
        known_length=session.known_length_mm is not None,
        stop_offered=tool == "reference" and session.stop_px is not None,
        upper=session.upper_end,
        rest_offered=session.rested_px is not None,
        scale=session.film is not None and session.film.calibration is not None,
        lone_file=_lone_file(session),
        claims=session.radiograph is not None and bool(session.radiograph.spacings),
        unsaved=session.document.unsaved,
    )
    case, facts, canal = session.case, session.facts, session.canal_facts
    result, trace = session.canal_result, session.trace_result
    if case is None or facts is None or canal is None or result is None:
        return evolve(state, fault=facts is not None and facts.fault is not None)
    length = None if trace is None else trace.length
    electronic, decision = canal.electronic, canal.decision
    others = [one for one in facts.canals if one.name != canal.name]
    return evolve(
        state,
        canal=canal.name,
        point=canal.reference_point or "",
        traced=trace is not None,
        marked=trace is not None and trace.trace.reference_px is not None,
        outside=session.begins_outside,
        measured="" if length is None else f"{length.length_mm:.1f} mm",
        traced_on=next((t.trace.film for t in result.traces), ""),
        counted_on=next((t.trace.film for t in result.traces if t.length is not None and not t.lacks_reference), ""),
        readings=len(canal.readings),
        past=len(canal.past_readings),
        usable=0 if electronic is None else electronic.n,
        electronic="none" if electronic is None else electronic.status,
        span_mm=0.0 if electronic is None or electronic.span_mm is None else electronic.span_mm,
        proposal=canal.proposal.status,
        proposed="" if canal.proposal.length_mm is None else _millimetres(canal),
        proposed_end=proposal_end_words(canal.proposal),
        decided="" if decision is None or decision.length_mm is None else f"{decision.length_mm:.1f} mm",
        remarked=decision is not None and any(flag.code.startswith("decided-") for flag in canal.flags),
        doubt=doubt_of(canal),
        open_canal=next((one.name for one in others if one.decision is None), ""),
        doubted_canal=next((one.name for one in others if doubt_of(one) is not None), ""),
        fault=facts.fault is not None,
        afterwards=_afterwards(record_of(case)[0].in_order(canal.name)),
    )


def _lone_file(session: Session) -> Literal["", "out of the picture", "no length"]:
    at = None if session.case is None else last_file(session.case, session.film_id)
    if session.case is None or at is None:
        return ""
    file = session.case.film(session.film_id).scale[at]
    upper = upper_of(file) if isinstance(file, FILES) else "stop"
    return upper if upper in ("out of the picture", "no length") else ""


def _millimetres(canal: CanalFacts) -> str:
    return f"{proposal_words(canal.proposal).split()[0]} mm"


def doubt_of(canal: CanalFacts) -> Doubt | None:
    """What of a canal no longer holds; its decision before anything else."""
    decision = canal.decision
    found = sorted(canal.stale, key=lambda item: decision is None or item.entry.id != decision.id)
    if decision is None:  # what was taken to a length that nobody decided is compared with none
        found = [item for item in found if KIND_TABLE[item.entry.kind].role != "insertion"]
    if found:
        return _stale(found[0])
    if decision is None or decision.length_mm is None:
        return None
    what = f"Decided {decision.length_mm:.1f} mm"
    if any(flag.code == "decided-on-another-film-length" for flag in canal.flags):
        return Doubt(what, "the film gives another length", "decide")
    if canal.stop is None and canal.reference_point is not None:
        return Doubt(what, _WHY["reference-changed"], "read")
    return None


_MENDS: dict[str, Mend] = {
    "apical gauging": "gauge",
    "cone fit": "cone",
}  # how an insertion is settled, but by the file


def _stale(item: Stale) -> Doubt:
    kind, length = KIND_TABLE[item.entry.kind], item.entry.length_mm
    at = "" if length is None else f" {length:.1f} mm"
    what = f"Decided{at}" if kind.role == "decision" else f"{kind.words[:1].upper()}{kind.words[1:]}{at}"
    why = _WHY.get(item.reasons[0].code, "something it rests on changed")
    if kind.role == "insertion":
        return Doubt(what, why, _MENDS.get(item.entry.kind, "file"))
    return Doubt(what, why, "read" if item.settled_by.startswith("an electronic reading") else "decide")


def _afterwards(entries: Iterable[Entry]) -> Literal["shape", "gauge", "report"]:
    """What the record has last of shaping and gauging says what comes after."""
    last = [entry.kind for entry in entries if entry.kind in ("shaping file", "apical gauging")][-1:]
    if not last:
        return "shape"
    return "gauge" if last[0] == "shaping file" else "report"
