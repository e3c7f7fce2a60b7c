"""What a clinician sees of a canal at one glance: one number or none, and by sign and word how far it may be trusted. No Qt.

Strip, plate, far view and the label on the film show this and nothing of their own. All of it follows from the canal's facts
(`record/facts`): the number is the stop that card and report print, so that the screen can say no other. The length that the
stop is rounded down from is another figure, so each is named wherever it stands.
"""

from __future__ import annotations

from typing import Final, Literal

from attrs import evolve, frozen

from wlmeasure.record.evaluate import CanalResult, CaseResult
from wlmeasure.record.facts import CanalFacts, CaseFacts
from wlmeasure.share.figures import canal_colours
from wlmeasure.share.result import limit_words, no_stop_words
from wlmeasure.words import interval_words
from wlmeasure_napari._guide import doubt_of

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure_napari._session import Session

__all__ = ["SIGNS", "STOP", "Glance", "State", "glance_of", "glances", "glances_now"]

State = Literal["not measured", "not settled", "proposed", "decided", "again"]

SIGNS: Final[dict[State, str]] = {
    "not measured": "○",
    "not settled": "◌",
    "proposed": "◐",
    "decided": "●",
    "again": "▲",
}
"""A shape for each state, so that colour is never alone."""


STOP: Final = "stop"
"""What the number is, in the word that stands beside it everywhere."""


MEASURING: Final = "being measured"


@frozen
class Glance:
    """One canal at a glance.

    Attributes
    ----------
    canal, reference_point
        Its name; the point that its length counts from, "" where it is not named.
    state
        How far the number may be trusted. "again": a decision that has to be made anew, or read for.
    setting_mm
        What a ruler is set to, of the decision or a settled proposal; None without one.
    decided
        Whether a person decided the number, be it that it no longer holds.
    word
        The state in a few words, such as "decided by KO" or "read again".
    colour
        The canal's own, as report and film have it; it says nothing of the state.
    measuring
        Whether a step is being measured: the figures are still the last ones.
    why
        What stands behind the word: what fell and why, or what a stop lacks; "" where there is nothing to say.
    length, spread
        The length that the stop is rounded down from, as "length 13.6 mm", and its 95 % interval, as "± 0.7"; "" without one.
    """

    canal: str
    reference_point: str
    state: State
    setting_mm: float | None
    decided: bool
    word: str
    colour: str
    measuring: bool = False
    why: str = ""
    length: str = ""
    spread: str = ""

    @property
    def number(self) -> str:
        """The digits of the stop, without a unit; "" without one."""
        return "" if self.setting_mm is None else f"{self.setting_mm:.1f}"

    @property
    def sign(self) -> str:
        """The shape of the state."""
        return SIGNS[self.state]

    @property
    def words(self) -> str:
        """All of it in one line, for a reader of screens."""
        stop = f"{STOP} {self.number} mm" if self.number else "no stop"
        return ", ".join(text for text in (self.canal, stop, self.said, self.why, self.measured) if text)

    @property
    def said(self) -> str:
        """The state in words, and that the figures are about to be new ones."""
        return f"{MEASURING}, {self.word}" if self.measuring else self.word

    @property
    def measured(self) -> str:
        """What stands below the number: the length, and the point that it counts from."""
        point = f"from the {self.reference_point}" if self.reference_point else "from no point yet"
        return " ".join(text for text in (self.length, self.spread, point) if text)


def glance_of(canal: CanalResult, facts: CanalFacts, colour: str) -> Glance:
    """One canal at a glance."""
    stop, decision, doubt = facts.stop, facts.decision, doubt_of(facts)
    state: State
    why = no_stop_words(canal, facts)
    if decision is not None and doubt is not None and (stop is None or doubt.mend in ("read", "decide")):
        state, word = "again", "decide again" if doubt.mend == "decide" else "read again"
        why = doubt.why
    elif decision is not None and stop is None:
        state, word = "again", "decide again"
    elif decision is not None:
        state, word = "decided", f"decided by {decision.by}"
    elif stop is not None:
        state, word = "proposed", "proposed, not decided"
    elif canal.traces or facts.readings:
        state, word = "not settled", "not decided"
    else:
        state, word = "not measured", "not measured"
        why = ""
    spread = "" if stop is None or stop.interval_mm is None else interval_words(stop.length_mm, stop.interval_mm)
    return Glance(
        canal=facts.name,
        reference_point=facts.reference_point or "",
        state=state,
        setting_mm=None if stop is None else stop.setting_mm,
        decided=decision is not None,
        word=word,
        colour=colour,
        why=why,
        length="" if stop is None else f"length {limit_words(stop.length_mm)}",
        spread=spread,
    )


def glances(result: CaseResult | None, facts: CaseFacts | None, *, measuring: bool = False) -> tuple[Glance, ...]:
    """Every canal of a case at a glance, `measuring` while its next figures are on their way; none without a case."""
    if result is None or facts is None:
        return ()
    colours = canal_colours(result)
    names = ((canal, canal.canal.name) for canal in result.canals)
    made = (glance_of(canal, facts.of(name), colours[name]) for canal, name in names)
    return tuple(evolve(glance, measuring=measuring) for glance in made)


def glances_now(session: Session) -> tuple[Glance, ...]:
    """The canals of the case in hand, as they stand this moment."""
    return glances(session.result, session.facts, measuring=session.measuring)
