"""Results as a table: one row a canal and film, CSV that opens in a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterator

from wlmeasure.record.evaluate import CaseResult
from wlmeasure.record.facts import case_facts
from wlmeasure.share.cells import table_text
from wlmeasure.share.result import canal_flags, canal_rows

__all__ = ["COLUMNS", "lengths_csv"]

COLUMNS = {
    "tooth": "ISO 3950 designation",
    "case_id": "the practice's own identifier",
    "canal": "name of the canal",
    "film": "id of the film in the case",
    "reference_point": "coronal reference point, in words",
    "apical_end": "what the trace ends at",
    "length_mm": "reference point to apical end, mm",
    "length_std_mm": "standard uncertainty of it, mm",
    "length_low_mm": "lower end of its 95 % interval, mm",
    "length_high_mm": "upper end of its 95 % interval, mm",
    "form": "I straight, J apical curve, C whole-length curve, S two opposite curves",
    "schneider_deg": "Schneider's angle, degrees; of the first curve of an S",
    "radius_mm": "radius of the arc between the straight parts, mm; empty when not determined",
    "film_length_mm": "end on the film less the allowance for it, mm",
    "electronic_length_mm": "working length from the readings, mm",
    "working_length_mm": "proposed working length, to the estimated constriction or canal end, mm; empty when none is proposed",
    "working_length_std_mm": "standard uncertainty of it, mm",
    "ceiling_mm": "the shorter of film and reading, mm",
    "status": "what film and readings say together",
    "margin_mm": "by how much the proposal lies short of the mean of the constriction, mm",
    "stop_beyond_share": "share of such stops beyond the foramen, by the model, not tested on patients",
    "stop_short_share": "share of them more than 1 mm short of the constriction, by the model",
    "decided_mm": "length the clinician decided, mm",
    "stop_mm": "what stops are set to on a ruler of 0.5 mm, rounded down; empty when nothing holds",
    "flags": "codes of all remarks",
}
"""Name and meaning of every column."""


def _number(value: float | None, digits: int = 3) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def lengths_csv(result: CaseResult) -> str:
    """One row for each canal and film; numbers with a decimal point, lengths to a micrometre."""
    return table_text([COLUMNS, *_rows(result)])


def _rows(result: CaseResult) -> Iterator[list[str | None]]:
    facts = case_facts(result)
    for canal, trace in canal_rows(result):
        held = facts.of(canal.canal.name)
        length = None if trace is None else trace.length
        bend = None if trace is None else trace.curvature
        film = None if trace is None else trace.radiographic
        electronic = canal.electronic
        working = canal.working_length if trace is canal.basis else None
        low, high = (None, None) if length is None else length.length_interval_mm
        yield [
            result.case.tooth,
            result.case.case_id,
            canal.canal.name,
            None if trace is None else trace.trace.film,
            canal.canal.reference_point,
            "" if trace is None else trace.trace.apical_end,
            _number(None if length is None else length.length_mm),
            _number(None if length is None else length.length_std_mm),
            _number(low),
            _number(high),
            "" if bend is None else bend.form,
            _number(None if bend is None else bend.schneider_deg, 2),
            _number(None if bend is None else bend.pruett_radius_mm),
            _number(None if film is None else film.length_mm),
            _number(None if electronic is None else electronic.length_mm),
            _number(None if working is None else working.length_mm),
            _number(None if working is None else working.std_mm),
            _number(None if working is None else working.ceiling_mm),
            "" if working is None else working.status,
            _number(None if working is None else working.margin_mm),
            _number(None if working is None or held.risk is None else held.risk.beyond, 4),
            _number(None if working is None or held.risk is None else held.risk.short, 4),
            _number(None if working is None or held.decision is None else held.decision.length_mm),
            _number(None if working is None or held.stop is None else held.stop.setting_mm, 1),
            " ".join(flag.code for flag in canal_flags(canal, trace, held)),
        ]
