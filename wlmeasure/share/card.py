"""What lies beside the instruments: the length to set every stop to, and one line for the chart.

Nothing is rounded up: a stop goes down to the ruler's half millimetre.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from wlmeasure.decide.filling import RULER_STEP_MM, STOP_ALLOWANCES_MM, stop_settings
from wlmeasure.errors import DecideError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.record.facts import CanalFacts, Stop, case_facts
from wlmeasure.share.drawing import Drawing, Ellipse, Label, Line, Shape
from wlmeasure.share.figures import canal_colours
from wlmeasure.share.page import Block, Columns, Figure, Heading, Page, PageFile, Remarks, Table, Text
from wlmeasure.share.page_file import page_file
from wlmeasure.share.result import limit_words
from wlmeasure.share.timeline import stale_words

__all__ = ["card_file", "chart_note", "stop_rows", "stop_source", "stops_card"]


def stop_source(facts: CanalFacts) -> str:
    """Whose the length is that stops are set by: decided by whom and when, or proposed."""
    stop = facts.stop
    if stop is None:
        return ""
    if stop.whose == "proposed":
        return "proposed, not decided"
    return f"decided by {stop.by}" + ("" if stop.at is None else f", {stop.at[:10]}")


def stops_card(
    result: CaseResult,
    *,
    made_at: str,
    program: str,
    allowances_mm: Mapping[str, float] | None = None,
    step_mm: float = RULER_STEP_MM,
    decimal: str = ".",
) -> Page:
    """One small page a tooth: for each canal and each instrument, cone, needle and plugger the length to set.

    Parameters
    ----------
    result
        The case as measured, with its entries and its list of instruments.
    made_at, program
        Shown at the foot.
    allowances_mm
        How far short of working length each thing's stop is set; :data:`~wlmeasure.decide.filling.STOP_ALLOWANCES_MM`.
    step_mm
        The ruler's division.
    decimal
        The sign between whole and tenths: "." or ",".
    """
    facts = case_facts(result)
    colours = canal_colours(result)
    canals = facts.canals
    blocks: list[Block] = [
        Columns(
            (Figure(reference_drawing(result, colours), ""),),
            tuple(_held_lines(canal, decimal) for canal in canals),
            0.38,
        ),
        Table(
            stop_rows(result, allowances_mm=allowances_mm, step_mm=step_mm, decimal=decimal),
            ("set the stop to, mm", *(canal.name for canal in canals)),
            numbers=tuple(range(1, 1 + len(canals))),
        ),
    ]
    # Only what touches the lengths on this card.
    current = {canal.decision.id for canal in canals if canal.decision is not None}
    blocks.append(Remarks(tuple(stale_words([item for item in facts.stale if item.entry.id in current]))))
    blocks.append(Remarks(tuple(flag.text for canal in canals for flag in canal.flags)))
    blocks += [Heading(3, "For the chart")]
    blocks += [Text(note) for canal in canals if (note := chart_note(result, canal.name, decimal=decimal)) is not None]
    blocks.append(
        Text(
            f"Rounded down to {_number(step_mm, decimal)} mm, never up. A stop holds only for the reference point named; "
            "check it on the ruler before every insertion. The licensed clinician decides.",
            small=True,
        )
    )
    case = f"; case {result.case.case_id}" if result.case.case_id else ""
    return Page(
        f"Stops, tooth {result.tooth.designation}",
        f"{result.tooth.name}{case}",
        tuple(blocks),
        footer=f"{made_at}; {program}",
        paper="A5",
    )


def card_file(result: CaseResult, name: str, *, made_at: str, program: str, decimal: str = ".") -> PageFile:
    """The card as the contents of a file, HTML or PDF by the ending of its name; raises CaseError for another."""
    return page_file(name, lambda: stops_card(result, made_at=made_at, program=program, decimal=decimal))


def stop_rows(
    result: CaseResult,
    *,
    allowances_mm: Mapping[str, float] | None = None,
    step_mm: float = RULER_STEP_MM,
    decimal: str = ".",
) -> tuple[tuple[str, ...], ...]:
    """A row a thing with a stop, a cell a canal; a dash where no length holds or none is left."""
    allowances = dict(STOP_ALLOWANCES_MM if allowances_mm is None else allowances_mm)
    own = allowances.pop("shaping file", 0.0)
    things = [(f"file {one.label.split(' ')[0]}", own) for one in result.case.instruments]
    things += list(allowances.items())
    stops = [canal.stop for canal in case_facts(result).canals]

    def cell(stop: Stop | None, thing: str, allowance: float) -> str:
        if stop is None:
            return "–"
        try:
            (one,) = stop_settings(stop.length_mm, {thing: allowance}, step_mm=step_mm)
        except DecideError:  # nothing is left of the length
            return "–"
        return _number(one.setting_mm, decimal)

    def name(thing: str, allowance: float) -> str:
        return thing if allowance == 0.0 else f"{thing}, {_number(allowance, decimal)} short"

    return tuple(
        (name(thing, allowance), *(cell(stop, thing, allowance) for stop in stops)) for thing, allowance in things
    )


def chart_note(result: CaseResult, canal: str, *, decimal: str = ".") -> str | None:
    """One line to paste into the chart: reference, length, uncertainty, method, who decided; None where no length holds."""
    facts = case_facts(result).of(canal)
    stop, working = facts.stop, facts.proposal
    if stop is None:
        return None
    spread = f" ± {_number(NORMAL_95 * stop.std_mm, decimal)} (95 %)" if stop.std_mm is not None else ""
    measured = ""
    if working.length_mm is not None and working.std_mm is not None and stop.whose == "decided":
        proposal = f"{limit_words(working.length_mm)} ± {NORMAL_95 * working.std_mm:.1f}"
        measured = f"; measured {_localised(proposal, decimal)} (95 %), {working.status}"
    return (
        f"{result.tooth.designation} {canal}: working length {_localised(limit_words(stop.length_mm), decimal)}{spread} "
        f"from {facts.reference_point}{measured}; {stop_source(facts)}."
    )


def _held_lines(facts: CanalFacts, decimal: str) -> Text:
    if facts.stop is None:
        return Text(f"{facts.name}: no length yet ({facts.proposal.status})")
    length = _localised(limit_words(facts.stop.length_mm), decimal)
    return Text(f"{facts.name}: {length} from {facts.reference_point}, {stop_source(facts)}")


def _number(value: float, decimal: str) -> str:
    return _localised(f"{value:.1f}", decimal)


def _localised(text: str, decimal: str) -> str:
    return text.replace(".", decimal)


# Where words for a cusp put the mark: mesial (-1) to distal (1), buccal (-1) to lingual (1). Longer words first.
PLACES: tuple[tuple[tuple[str, ...], tuple[float, float]], ...] = (
    (("mesiobuccal", "mb"), (-0.5, -0.5)),
    (("distobuccal", "db"), (0.5, -0.5)),
    (("mesiolingual", "mesiopalatal", "ml", "mp"), (-0.5, 0.5)),
    (("distolingual", "distopalatal", "dl", "dp"), (0.5, 0.5)),
    (("buccal", "labial"), (0.0, -0.55)),
    (("lingual", "palatal"), (0.0, 0.55)),
    (("mesial",), (-0.6, 0.0)),
    (("distal",), (0.6, 0.0)),
    (("incisal", "cusp tip", "centre", "center"), (0.0, 0.0)),
)


def reference_place(words: str) -> tuple[float, float] | None:
    """Where on the crown a reference point lies, from its words; None where they name no place known here."""
    text = words.lower()
    parts = set(re.findall(r"[a-z]+", text))
    for names, place in PLACES:
        if any(name in text if len(name) > 2 else name in parts for name in names):
            return place
    return None


def reference_drawing(result: CaseResult, colours: Mapping[str, str], side: int = 120) -> Drawing:
    """The crown from above as it stands in a chart, facing the patient, with the reference point of each canal on it."""
    tooth = result.tooth
    middle, half = side / 2.0, 0.36 * side
    mesial = 1.0 if tooth.is_right else -1.0  # a chart shows the patient's right on the left, mesial towards its middle
    buccal = -1.0 if tooth.is_upper else 1.0

    def at(place: tuple[float, float]) -> tuple[float, float]:
        return middle - mesial * place[0] * half, middle - buccal * place[1] * half

    outline = tuple(
        (middle + half * np.sign(c) * abs(c) ** 0.6, middle + half * np.sign(s) * abs(s) ** 0.6)
        for c, s in ((float(np.cos(t)), float(np.sin(t))) for t in np.linspace(0.0, 2.0 * np.pi, 73))
    )
    shapes: list[Shape] = [Line(outline, "#4c5661", 1.6)]
    inner = "P" if tooth.is_upper else "L"
    for letter, side_of in (("M", (-1.0, 0.0)), ("D", (1.0, 0.0)), ("B", (0.0, -1.0)), (inner, (0.0, 1.0))):
        x, y = at((1.22 * side_of[0], 1.22 * side_of[1]))
        shapes.append(Label(x, y + 4.0, letter, 11.0, anchor="middle"))
    stacked: dict[tuple[float, float], int] = {}
    for canal in result.canals:
        place = reference_place(canal.canal.reference_point or "")
        if place is None:
            continue
        x, y = at(place)
        k = stacked[place] = stacked.get(place, -1) + 1
        if k == 0:
            shapes.append(Ellipse(x, y, 5.0, 5.0, stroke="#1c2329", width=1.4, fill=colours[canal.canal.name]))
        shapes.append(
            Label(x, y + 16.0 + 11.0 * k, canal.canal.name, 10.0, anchor="middle", colour="#1c2329", bold=True)
        )
    label = "The crown from above with the reference points: M mesial, D distal, B buccal, " + (
        "P palatal" if tooth.is_upper else "L lingual"
    )
    return Drawing((0.0, 0.0, side, side), side, side, tuple(shapes), label)
