"""The course of the treatment on the report: how each length went, which instruments reached it, what was found.

Everything is read from the length record. Nothing is rounded up: a length that an instrument is set by goes down to 0.1 mm.
"""

from __future__ import annotations

from math import ceil, floor

import numpy as np

from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Entry
from wlmeasure.record.evaluate import CanalResult, CaseResult
from wlmeasure.record.facts import CaseFacts
from wlmeasure.record.kinds import FINDING_WORDS, KIND_TABLE
from wlmeasure.record.progress import CanalProgress, bend_strains
from wlmeasure.record.record import LengthRecord
from wlmeasure.share.drawing import Drawing, Ellipse, Label, Line, Shape
from wlmeasure.share.page import Block, Columns, Figure, Group, Heading, Remarks, Row, Table, Text
from wlmeasure.share.plot import INK, Axes, Mark, mark, ticks
from wlmeasure.share.result import first_point_words, limit_words
from wlmeasure.share.timeline import (
    AT_LENGTH_MM,
    entry_words,
    found_rows,
    open_cautions,
    progress_words,
    stale_words,
    timeline,
)
from wlmeasure.trade.instruments import AnyInstrument, size_words

__all__ = ["course", "strain_drawing", "timeline_drawing"]

# One mark for each kind of length; what is not listed is no length from the reference point.
MARKS: dict[str, Mark] = {
    "preoperative estimate": "ring",
    "trial file film": "square",
    "film length": "square",
    "length in space": "square",
    "electronic reading": "disc",
    "decided working length": "diamond",
    "glide path": "triangle",
    "shaping file": "triangle",
    "apical gauging": "cross",
    "cone fit": "cross",
}
DASHES = ((), (6.0, 3.0), (2.0, 3.0), (9.0, 3.0, 2.0, 3.0), (4.0, 2.0), (1.0, 2.0))
STRAIN_ABOVE = 1e-6
NARROW_PX = 270
"""Width of a figure that stands beside two others."""
SHORT_WORDS = {"shaping file": "file", "apical gauging": "gauge", "cone fit": "cone"}
"""What the instruments are called in a narrow table."""


def course(result: CaseResult, facts: CaseFacts, colours: dict[str, str]) -> list[Block]:
    """The blocks of the treatment; only what is open where the record holds nothing but what was measured.

    Parameters
    ----------
    result
        The case as measured, with its entries.
    facts
        What holds for each canal.
    colours
        One a canal, as on the films.
    """
    roles = {KIND_TABLE[entry.kind].role for entry in result.case.entries if entry.kind in KIND_TABLE}
    if facts.fault is not None or not {"insertion", "event", "estimate"} & roles:
        opened = tuple(open_cautions(facts))
        return [Heading(2, "Open in the record"), Remarks(opened)] if opened else []
    record = LengthRecord(result.case.entries)
    blocks: list[Block] = [
        Heading(2, "The course of the treatment"),
        Remarks(tuple(stale_words(facts.stale))),
    ]
    told = {canal.name: canal.treatment for canal in facts.canals if canal.treatment is not None}
    treated = [canal for canal in result.canals if canal.canal.name in told]
    explained = False
    for canal in treated:
        name = canal.canal.name
        shown = _canal(canal, told[name], record, colours[name], first=not explained)
        explained = explained or any(isinstance(block, Columns) and block.left for block in shown)
        blocks += shown
    own = result.case.instruments if result.case.instrument_list else ()  # the shipped list is nobody's
    blocks += _strains(treated, told, own, colours)
    return [*blocks, Heading(2, "Every entry"), *_entries(result, record)]


def _entries(result: CaseResult, record: LengthRecord) -> list[Block]:
    """The whole record; what all entries share is said once above it, and the day where it changes."""
    points = {c.canal.name: c.canal.reference_point for c in result.canals if c.canal.reference_point is not None}
    people = {entry.by for entry in record.entries}
    rows, day = [], ""
    for line in timeline(record):
        entry = line.entry
        now = (entry.at or "")[:10]
        words = entry_words(entry, points=points, dated=now != day, signed=len(people) > 1)
        day = now
        rows.append((entry.id, words + (f" Superseded by {line.superseded_by}." if line.superseded_by else "")))
    shared = "Where no reference point is named: " + "; ".join(f"{name} from {point}" for name, point in points.items())
    if len(people) == 1:
        shared += f". Entered by {people.pop()}"
    return [Text(f"{shared}.", small=True), Table(tuple(rows), named=True, close=True)]


MARK_WORDS = (
    "Ring: estimate. Square: film. Disc: electronic. Diamond: working length, and the step line what held. "
    "Triangle: file reached. Cross: gauge or cone. Bars: 95 %."
)
STRAIN_WORDS = (
    "Surface strain d/(2r) of each file along the measured canal, its tip at working length: "
    "it compares files, it predicts no fracture."
)


def _strains(
    canals: list[CanalResult],
    told: dict[str, CanalProgress],
    instruments: tuple[AnyInstrument, ...],
    colours: dict[str, str],
) -> list[Block]:
    """The files in the bend of each canal: figure and table, side by side where there are several canals."""
    shown = []
    alone = len(canals) == 1
    for canal in canals:
        current = told[canal.canal.name].current
        working = None if current is None else current.length_mm
        size = {} if alone else {"width": NARROW_PX, "height": 112}
        drawing = strain_drawing(canal, instruments, working, colours[canal.canal.name], **size)
        if drawing is not None:
            shown.append((canal.canal.name, drawing, _strain_rows(canal, instruments, working)))
    if not shown:
        return []
    if alone:
        ((_, drawing, rows),) = shown
        table = Table(rows, ("file", "at the bend", "strain", "95 %"), numbers=(1, 2))
        return [Columns((Figure(drawing, STRAIN_WORDS),), (table,), 0.5)]
    cells = tuple(
        (Heading(3, f"Files in the bend of {name}", colours[name]), Figure(drawing, "")) for name, drawing, _ in shown
    )
    by_file: dict[str, dict[str, str]] = {}
    for name, _, rows in shown:
        for label, _, value, span in rows:
            by_file.setdefault(label, {})[name] = f"{value} ({span})"
    names = [name for name, _, _ in shown]
    table = Table(
        tuple((label, *(found.get(name, "–") for name in names)) for label, found in by_file.items()),
        ("strain (95 %)", *names),
    )
    return [Group((Row(cells), Text(STRAIN_WORDS, small=True), table))]


def _canal(canal: CanalResult, told: CanalProgress, record: LengthRecord, colour: str, *, first: bool) -> list[Block]:
    left: list[Block] = []
    lengths = timeline_drawing(record, canal.canal.name, colour)
    if lengths is not None:
        left.append(Figure(lengths, MARK_WORDS if first else ""))
    right: list[Block] = []
    reached = _instrument_rows(record, canal.canal.name)
    if reached:
        right.append(Table(reached, ("instrument", "reached", "short by", "found"), numbers=(1, 2)))
    found = found_rows(told)
    if found:
        right.append(Table(found, named=True))
    head = f"Canal {canal.canal.name}: "
    remarks = tuple(words.removeprefix(head) for words in progress_words(told))
    if not (left or right or remarks):
        return []
    right.append(Remarks(remarks))
    blocks: list[Block] = [
        Heading(3, f"Canal {canal.canal.name}", colour),
        Columns(tuple(left), tuple(right), 0.5),
    ]
    return blocks


def _instrument_rows(record: LengthRecord, canal: str) -> tuple[tuple[str, ...], ...]:
    """Each instrument with what it reached, held against the working length that was known at that time.

    Where the length was decided shorter since, it is said how far beyond it the instrument has been.
    """
    rows, places = [], record.places()
    current = record.decision(canal)
    for entry in record.in_order(canal):
        kind = KIND_TABLE.get(entry.kind)
        if kind is None or (kind.role != "insertion" and entry.kind != "coronal flaring"):
            continue
        if entry.kind == "patency" and entry.length_mm is None:  # no length: it stands among the entries
            continue
        then = record.decision(canal, before=places[entry.id])
        working_mm = None if then is None else then.length_mm
        short = "" if entry.length_mm is None or working_mm is None else _short_of(working_mm - entry.length_mm)
        beyond = _beyond_now(entry, working_mm, None if current is None else current.length_mm)
        found = FINDING_WORDS.get(entry.finding or "", entry.finding or "")
        passes = "" if entry.passes is None else f"{entry.passes} pass{'' if entry.passes == 1 else 'es'}"
        reached = "" if entry.length_mm is None else limit_words(entry.length_mm)
        words = SHORT_WORDS.get(entry.kind, kind.words)
        rows.append(
            (f"{words} {_size(entry)}".strip(), reached, short, ", ".join(filter(None, (found, passes, beyond))))
        )
    return tuple(rows)


def _beyond_now(entry: Entry, then_mm: float | None, now_mm: float | None) -> str:
    """How far an instrument has been beyond a working length that was decided shorter since; empty where it was not."""
    if entry.length_mm is None or then_mm is None or now_mm is None:
        return ""
    past_mm = entry.length_mm - now_mm
    shorter_since = then_mm - now_mm >= AT_LENGTH_MM
    return f"now {past_mm:.1f} beyond" if shorter_since and past_mm >= AT_LENGTH_MM else ""


def _short_of(short_mm: float) -> str:
    if abs(short_mm) < AT_LENGTH_MM:
        return "at length"
    return f"{short_mm:.1f} mm" if short_mm > 0.0 else f"{-short_mm:.1f} mm beyond"


def _size(entry: Entry) -> str:
    return "" if entry.size is None else size_words(entry.size, entry.taper)


def _strain_rows(
    canal: CanalResult, instruments: tuple[AnyInstrument, ...], working_mm: float | None
) -> tuple[tuple[str, ...], ...]:
    rows = []
    for one, strain in bend_strains(canal, instruments, working_mm):
        low, high = (100.0 * end for end in strain.interval)
        span = f"{low:.1f} to {high:.1f} %" if np.isfinite(high) else f"{low:.1f} % or more"
        value = "not determined" if strain.value is None else f"{100.0 * strain.value:.1f} %"
        rows.append((one.label, f"{strain.diameter_mm:.2f} mm", value, span))
    return tuple(rows)


def timeline_drawing(
    record: LengthRecord, canal: str, colour: str, width: int = 430, height: int = 230
) -> Drawing | None:
    """Every length of one canal, entry by entry: what was measured, decided and reached, with 95 % bars.

    Entries stand an equal step apart, since a treatment has minutes and weeks; a new day is marked. Superseded entries are
    left out, but for decisions in whose place another one came: each of them held for a time. None where there are fewer than
    two lengths.
    """
    standing, places = {e.id for e in record.standing(canal)}, record.places()
    mine = [e for e in record.present if e.canal == canal]
    replaced = {e.supersedes for e in mine if e.kind == "decided working length"}
    held = [e for e in mine if e.id in standing or (e.kind == "decided working length" and e.id in replaced)]
    held.sort(key=lambda e: places[e.id])
    entries = [e for e in held if e.length_mm is not None and e.kind in MARKS]
    if len(entries) < 2:
        return None
    ends = [end for e in entries for end in _bar_mm(e)]
    low, high = floor(min(ends) * 2 - 0.2) / 2, ceil(max(ends) * 2 + 0.2) / 2
    axes = Axes(46.0, width - 12.0, 14.0, height - 46.0, -0.6, len(entries) - 0.4, low, high)
    values = ticks(low, high, 7)
    shapes: list[Shape] = axes.rows(values, [f"{v:g}" for v in values])
    day = ""
    for k, entry in enumerate(entries):
        if entry.at is not None and entry.at[:10] != day:
            day = entry.at[:10]
            x = axes.x(k - 0.5)
            shapes += [
                Line(((x, axes.top), (x, axes.bottom + 8.0)), "#8a929b", dash=(2.0, 3.0)),
                Label(min(x + 3.0, width - 58.0), axes.bottom + (16.0 if x < width - 61.0 else 27.0), day, 10.0),
            ]
    shapes += _held(axes, entries, colour, holds=record.decision(canal) is not None)
    for k, entry in enumerate(entries):
        shapes += _length_mark(axes, k, entry, colour)
    shapes += axes.titles("entries, in order", "mm from the reference point", width, height)
    return Drawing(
        (0.0, 0.0, width, height), width, height, tuple(shapes), f"Lengths of canal {canal} over the treatment"
    )


def _bar_mm(entry: Entry) -> tuple[float, float]:
    """The 95 % interval of an entry's length."""
    assert entry.length_mm is not None
    return entry.length_interval_mm or (entry.length_mm, entry.length_mm)


def _held(axes: Axes, entries: list[Entry], colour: str, *, holds: bool) -> list[Shape]:
    """The step line of the working length that held: what was decided, to the end where the last one still holds."""
    steps = [k for k, e in enumerate(entries) if e.kind == "decided working length"]
    if not steps:
        return []  # an early record: nothing was decided yet
    points: list[tuple[float, float]] = []
    for k, after in zip(steps, [*steps, len(entries) - 0.5 if holds else steps[-1]][1:], strict=True):
        length = entries[k].length_mm
        assert length is not None
        points += [(axes.x(k), axes.y(length)), (axes.x(after), axes.y(length))]
    return [Line(tuple(points), colour, 2.4)]


def _length_mark(axes: Axes, k: int, entry: Entry, colour: str) -> list[Shape]:
    assert entry.length_mm is not None
    x, y = axes.x(k), axes.y(entry.length_mm)
    shapes: list[Shape] = []
    if entry.length_std_mm:
        bottom, top = (axes.y(end) for end in _bar_mm(entry))
        shapes += [Line(((x, top), (x, bottom)), INK, 1.2)]
        shapes += [Line(((x - 3.0, end), (x + 3.0, end)), INK, 1.2) for end in (top, bottom)]
    ink = colour if entry.kind == "decided working length" else INK
    shapes += mark(MARKS[entry.kind], x, y, ink, 4.0)
    if entry.size is not None:  # the taper stands in the table; here neighbours would run into each other
        shapes.append(
            Label(x, min(y - 8.0, axes.y(_bar_mm(entry)[1]) - 3.0), f"{entry.size:02d}", 9.5, anchor="middle")
        )
    return shapes


def strain_drawing(
    canal: CanalResult,
    instruments: tuple[AnyInstrument, ...],
    working_mm: float | None,
    colour: str,
    width: int = 430,
    height: int = 200,
) -> Drawing | None:
    """Surface strain e = d / (2 r) of each file along the measured canal, its tip at working length.

    d is the file's nominal diameter there, 1/r the curvature profile of the film that speaks for the canal. The band is the
    95 % interval of the curvature for the thickest file. None where nothing is bent or no length is known.
    """
    trace = canal.basis
    if trace is None or trace.length is None or trace.curvature is None or working_mm is None or not instruments:
        return None
    if not bend_strains(canal, instruments, working_mm):
        return None
    profile = trace.curvature.profile
    from_tip = trace.length.on_trace_mm(working_mm) - profile.at_mm
    bend, slack = np.abs(profile.per_mm), NORMAL_95 * profile.std_per_mm
    curves = []
    for one in instruments:
        inside = (from_tip >= 0.0) & (from_tip <= one.working_part_mm)
        thick = np.array([one.diameter_mm(float(n)) for n in from_tip[inside]])
        curves.append((one, profile.at_mm[inside], 50.0 * thick * bend[inside], 50.0 * thick * slack[inside]))
    if not any(len(at) > 1 for _, at, _, _ in curves):
        return None
    top = max(float((value + band).max()) for _, at, value, band in curves if len(at))
    values = ticks(0.0, max(top, STRAIN_ABOVE), 6)
    axes = Axes(
        46.0, width - 62.0, 14.0, height - 40.0, 0.0, float(profile.at_mm[-1]), 0.0, max(top * 1.05, values[-1])
    )
    shapes: list[Shape] = axes.rows(values, [f"{v:g}" for v in values], 0.0)
    along = ticks(0.0, float(profile.at_mm[-1]), 8)
    shapes += axes.columns(along, [f"{v:g}" for v in along])
    ends: list[tuple[float, str]] = []
    for k, (one, at, value, _) in enumerate(curves):
        if len(at) < 2:
            continue
        points = tuple((axes.x(float(a)), axes.y(float(v))) for a, v in zip(at, value, strict=True))
        shapes.append(Line(points, INK, 1.4, DASHES[k % len(DASHES)]))
        ends.append((points[-1][1] + 4.0, one.label.split(" ")[0]))
    y = axes.top - 6.0
    for wanted, words in sorted(ends):  # from the top one down, none on another and none above the figure
        y = max(wanted, y + 11.0)
        shapes.append(Label(axes.right + 5.0, y, words, 10.5))
    end = axes.x(float(np.clip(trace.length.on_trace_mm(working_mm), 0.0, profile.at_mm[-1])))
    shapes.append(Line(((end, axes.top), (end, axes.bottom)), colour, 1.6, (3.0, 3.0)))
    shapes.append(Ellipse(end, axes.bottom, 3.0, 3.0, fill=colour))
    shapes += axes.titles(f"mm from {first_point_words(trace)}", "strain, %", width - 50, height)
    return Drawing((0.0, 0.0, width, height), width, height, tuple(shapes), "Strain of each file along the canal")
