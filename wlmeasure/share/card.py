"""What lies beside the instruments: the length to set the stop of every canal to, readable at arm's length.

Nothing is rounded up: a stop goes down to the ruler's half millimetre. A decided length stands in heavy digits, a proposed one
in light grey ones within a dashed frame.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from wlmeasure.decide.filling import RULER_STEP_MM, STOP_ALLOWANCES_MM, stop_setting_mm, stop_settings
from wlmeasure.errors import CaseError, DecideError
from wlmeasure.record.evaluate import CanalResult, CaseResult
from wlmeasure.record.facts import CanalFacts, Stop, case_facts
from wlmeasure.share.drawing import Drawing, Ellipse, Label, Line, Shape
from wlmeasure.share.figures import canal_colours
from wlmeasure.share.lettering import line_width
from wlmeasure.share.page import Block, Columns, Figure, Heading, Page, PageFile, Remarks, Table, Text
from wlmeasure.share.page_file import page_file
from wlmeasure.share.result import (
    case_words,
    decided_by_words,
    decision_doubts,
    decision_is_stale,
    ground_words,
    limit_words,
    look_words,
    no_stop_words,
    proposal_words,
)
from wlmeasure.words import interval_words

__all__ = ["card_file", "chart_note", "stop_rows", "stop_source", "stops_card"]

ON_A_SHEET = 4
"""Canals on one sheet of A5."""
INK, GREY = "#1c2329", "#6b747d"
STOP_PX = 71.0
"""Size of a stop's digits: 44 pt on paper."""
NAME_PX, LENGTH_PX, WORD_PX = 35.0, 22.0, 16.0
SIGN_EM = 0.85
"""Width of a letter of a bold name, in its size; a wide one, as M, has 1.0."""
PLATE_PX = (352.0, 118.0)
DIGITS_X = 132.0
EDGE_PX, WRAPPED_PX = 4.0, 22.0
"""What stays free beside the line of the length, and how far a second line lies below it."""


def stop_source(facts: CanalFacts) -> str:
    """Whose the length is that stops are set by: decided by whom and when, or proposed."""
    stop = facts.stop
    if stop is None:
        return ""
    return "proposed, not decided" if stop.whose == "proposed" else decided_by_words(stop.by, stop.at)


def stops_card(
    result: CaseResult,
    *,
    made_at: str,
    program: str,
    allowances_mm: Mapping[str, float] | None = None,
    step_mm: float = RULER_STEP_MM,
    decimal: str = ".",
) -> Page:
    """One small page a tooth, up to four canals on a sheet: the stop of each, and what cone, needle and plugger are set to.

    Parameters
    ----------
    result
        The case as measured, with its entries and the practice's list of instruments.
    made_at, program
        Shown at the foot.
    allowances_mm
        How far short of working length each thing's stop is set; :data:`~wlmeasure.decide.filling.STOP_ALLOWANCES_MM`.
    step_mm
        The ruler's division.
    decimal
        The sign between whole and tenths: "." or ",".

    Raises
    ------
    CaseError
        No canal has a length that a stop can be set by; says why of each.
    """
    facts = case_facts(result)
    colours = canal_colours(result)
    held = [(canal, one) for canal in result.canals if (one := facts.of(canal.canal.name)).stop is not None]
    without = [
        f"{canal.canal.name}: {why}"
        for canal in result.canals
        if (why := no_stop_words(canal, facts.of(canal.canal.name)))
    ]
    if not held:
        why = "; ".join(without) or "the case has no canal"
        raise CaseError(f"stops card needs a canal with a working length, and none has one: {why}")
    tooth = f"tooth {result.tooth.designation}, {case_words(result.case.case_id)}"
    whose = "" if result.case.case_id else ". No case id was entered: write whose tooth it is on the line"
    blocks: list[Block] = []
    for k, (canal, one) in enumerate(held):
        if k and k % ON_A_SHEET == 0:
            blocks.append(Heading(2, f"Stops, {tooth}, further canals", new_sheet=True))
        blocks.append(_panel(canal, one, colours[one.name], step_mm, decimal))
    blocks += [Text(f"No stop for {words}.", large=True) for words in without]
    rows = stop_rows(result, allowances_mm=allowances_mm, step_mm=step_mm, decimal=decimal)
    names = [canal.name for canal in facts.canals]
    # In a row of figures nothing says that one of them is only proposed.
    decided = [canal.stop is not None and canal.stop.whose == "decided" for canal in facts.canals]
    rows = tuple(
        (thing, *(cell if of_it else "–" for cell, of_it in zip(cells, decided, strict=True))) for thing, *cells in rows
    )
    table = Table(rows, ("set to, mm", *names), numbers=tuple(range(1, 1 + len(names))))
    blocks.append(Columns((Figure(reference_drawing(result, colours), ""),), (table,), 0.24))
    spread = (
        " ± is the half-width of the 95 % interval."
        if any("±" in _spread(one.stop, decimal) for _, one in held)
        else ""
    )
    blocks.append(
        Text(
            f"Rounded down to {_number(step_mm, decimal)} mm, never up. A stop holds only for the reference point named; "
            f"check it on the ruler before every insertion. The licensed clinician decides.{spread}",
            small=True,
        )
    )
    return Page(
        f"Stops, {tooth}", result.tooth.name + whose, tuple(blocks), footer=f"{tooth}; {made_at}; {program}", paper="A5"
    )


def card_file(result: CaseResult, name: str, *, made_at: str, program: str, decimal: str = ".") -> PageFile:
    """The card as the contents of a file, HTML or PDF by the ending of its name.

    Raises
    ------
    CaseError
        Another ending, and as :func:`stops_card`.
    """
    return page_file(name, lambda: stops_card(result, made_at=made_at, program=program, decimal=decimal))


def _panel(canal: CanalResult, facts: CanalFacts, colour: str, step_mm: float, decimal: str) -> Columns:
    """One canal: its name and its stop to be read from afar, and beside them what the stop rests on."""
    words = [Text(f"from {facts.reference_point}", large=True), Text(stop_source(facts), large=True)]
    remarks = decision_doubts(facts)
    ground = _localised(ground_words(canal, facts), decimal)
    if facts.decision is not None and ground:
        words.append(Text(ground))
    elif ground:
        remarks.append(ground)
    if look := look_words(canal, facts):
        remarks.append(look)
    if facts.risk is not None:
        risk = facts.risk.words
        words.append(Text(_localised(f"{risk[:1].upper()}{risk[1:]}.", decimal), small=True))
    return Columns(
        (Figure(_plate(facts, colour, step_mm, decimal), ""),),
        (*words, Remarks(tuple(remarks))),
        0.6,
    )


def _plate(facts: CanalFacts, colour: str, step_mm: float, decimal: str) -> Drawing:
    stop = facts.stop
    assert stop is not None
    width, height = PLATE_PX
    name_px, name_at, lower = _fitted(facts.name, DIGITS_X - 26.0), (16.0, 40.0), 0.0
    if name_px < 0.5 * NAME_PX:  # a long name has a line of its own
        name_px, lower = _fitted(facts.name, width - 20.0), 26.0
        name_at = (16.0, 22.0)
    height += lower
    decided = stop.whose == "decided"
    size = LENGTH_PX if decided else 0.8 * LENGTH_PX
    setting = _number(stop_setting_mm(stop.length_mm, step_mm=step_mm), decimal)
    length, spread = f"length {_localised(limit_words(stop.length_mm), decimal)}", _spread(stop, decimal)
    wrapped = ""
    if line_width(length + spread, size, bold=decided) <= width - DIGITS_X - EDGE_PX:
        length += spread
    else:  # an interval with two ends, or a small one behind large letters
        wrapped = f"95 %: {spread.strip(' ()')} mm"
        height += WRAPPED_PX
    words = "set the stop to" if decided else "proposed, not decided"
    if decided and decision_doubts(facts):
        words = "! no longer holds" if decision_is_stale(facts) else "! see the remark"
    ink = INK if decided else GREY
    shapes: list[Shape] = [
        Line(((3.0, 4.0), (3.0, height - 6.0)), colour, 6.0),
        Label(*name_at, facts.name, name_px, colour=INK, bold=True),
        Label(DIGITS_X, 17.0 + lower, words, WORD_PX, colour=ink, bold=words.startswith("!")),
        Label(DIGITS_X - 3.0, 77.0 + lower, setting, STOP_PX, colour=ink, bold=decided),
        Label(width - 4.0, 77.0 + lower, "mm", 20.0, anchor="end", colour=ink),
        Label(DIGITS_X, 106.0 + lower, length, size, colour=ink, bold=decided),
    ]
    if wrapped:
        shapes.append(Label(DIGITS_X, 106.0 + WRAPPED_PX + lower, wrapped, WORD_PX, colour=ink))
    if not decided:
        left, right, top, bottom = DIGITS_X - 8.0, width - 1.0, 1.0 + lower, height - 2.0
        frame = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
        shapes.append(Line(frame, GREY, 1.4, (5.0, 4.0)))
    return Drawing((0.0, 0.0, width, height), width, height, tuple(shapes), f"Stop of canal {facts.name}: {setting} mm")


def _fitted(text: str, width: float) -> float:
    """Size of a name that fits in a width, pixels; letters of Chinese, Japanese and Korean are as wide as high."""
    ems = sum(1.0 if ord(sign) > 0x2E80 else SIGN_EM for sign in text)
    return min(NAME_PX, width / max(ems, 1e-6))


def _spread(stop: Stop | None, decimal: str) -> str:
    if stop is None or not stop.std_mm or stop.interval_mm is None:
        return ""
    return f" {_localised(interval_words(stop.length_mm, stop.interval_mm), decimal)}"


def stop_rows(
    result: CaseResult,
    *,
    allowances_mm: Mapping[str, float] | None = None,
    step_mm: float = RULER_STEP_MM,
    decimal: str = ".",
) -> tuple[tuple[str, ...], ...]:
    """A row a thing with a stop, a cell a canal; a dash where no length holds or none is left.

    Files are those of the practice's own list, in one row: their stops are one. Cone, needle and plugger follow.
    """
    allowances = dict(STOP_ALLOWANCES_MM if allowances_mm is None else allowances_mm)
    own = allowances.pop("shaping file", 0.0)
    files = [one.label.split(" ")[0] for one in result.case.instruments] if result.case.instrument_list else []
    things = [(f"{'file' if len(files) == 1 else 'files'} {', '.join(files)}", own)] if files else []
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
    """One line to paste into the chart: reference, length, uncertainty, method, who decided, and what speaks against it.

    None where no length holds.
    """
    facts = case_facts(result).of(canal)
    stop, working = facts.stop, facts.proposal
    if stop is None:
        return None
    spread = f"{_spread(stop, decimal)} (95 %)" if stop.std_mm else ""
    measured = ""
    if working.length_mm is not None and stop.whose == "decided":
        measured = f"; measured {_localised(proposal_words(working), decimal)} (95 %), {working.status}"
    return (
        f"{result.tooth.designation} {canal}: working length {_localised(limit_words(stop.length_mm), decimal)}{spread} "
        f"from {facts.reference_point}{measured}; {stop_source(facts)}."
        + "".join(f" {words}" for words in decision_doubts(facts))
    )


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


def reference_drawing(result: CaseResult, colours: Mapping[str, str], side: int = 128) -> Drawing:
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
