"""A report read back, as JSON and in lines for a person."""

from __future__ import annotations

import re
from typing import Any

from wlmeasure.image.radiograph import printable
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import case_to_json
from wlmeasure.share.dicom import codes
from wlmeasure.share.dicom.report_reading import Measured, Report, disagreement

__all__ = ["report_json", "report_text"]

_DIGITS = {"mm": ".2f", "deg": ".1f", "mm/{pixels}": ".5f"}


def report_json(report: Report) -> dict[str, Any]:
    """The report as JSON-ready values; lengths in mm, paths in pixels (row, col), the case as its file has it or null."""
    return {
        "schema": "wlmeasure-report/1",
        "sop_instance_uid": report.uid,
        "tooth": report.tooth,
        "made_at": report.made_at,
        "predecessors": list(report.predecessors),
        "groups": [
            {
                "name": group.name,
                "finding": group.finding,
                "evaluations": dict(group.evaluations),
                "texts": [{"concept": concept, "text": text} for concept, text in group.texts],
                "numbers": [
                    {
                        "concept": number.name.value,
                        "meaning": number.name.meaning,
                        "value": number.value,
                        "unit": number.unit,
                        "method": number.method,
                        "lower_95": number.lower,
                        "upper_95": number.upper,
                        "image": number.image_uid,
                        "frame": number.frame,
                    }
                    for number in group.numbers
                ],
            }
            for group in report.groups
        ],
        "lengths": [
            {
                "name": length.name,
                "method": length.method,
                "image": length.image_uid,
                "length_mm": length.length_mm,
                "std_mm": length.std_mm,
                "recomputed_mm": length.recomputed_mm,
                "path_px": length.path_px.tolist(),
            }
            for length in report.lengths
        ],
        "case_agrees": None if report.case is None else disagreement(report) is None,
        "case": None if report.case is None else case_to_json(report.case),
    }


def report_text(report: Report) -> str:
    """The same in lines for a person, without the paths."""
    lines = [
        f"structured report {printable(report.uid, 64)}",
        f"  tooth        {printable(report.tooth or 'not coded', 16)}",
        f"  made         {_time(report.made_at)}",
    ]
    lines += [f"  replaces     {printable(uid, 64)}" for uid in report.predecessors]
    fault = disagreement(report)
    inside = "not inside: coded content only" if report.case is None else "inside, and the coded content agrees with it"
    lines.append(
        f"  case         {inside}" if fault is None else f"  ! {fault}; the report was changed after it was made"
    )
    for group in report.groups:
        lines.append(f"  {printable(group.name)}")
        for number in group.numbers:
            method = f", {_meaning(number.method)}" if number.method else ""
            unit = {"mm/{pixels}": "mm per pixel", "1": "", "deg": "°"}.get(number.unit, printable(number.unit, 16))
            value = f"{number.value:{_DIGITS.get(number.unit, '.4g')}}"
            lines.append(f"    {printable(number.name.meaning)}{method}: {value}{_half_widths(number)} {unit}".rstrip())
        for concept, text in group.texts:
            lines.append(
                f"    {'!' if concept == codes.COMMENT.value else f'{_meaning(concept)}:'} {printable(text, 300)}"
            )
    for length in report.lengths:
        if length.recomputed_mm is not None:
            off = 1e3 * (length.recomputed_mm - length.length_mm)
            again = f"stored path gives {length.recomputed_mm:.3f} mm, {off:+.2f} µm beside the record"
            lines.append(f"  {printable(length.name)}: {again}")
    return "\n".join(lines) + "\n"


def _half_widths(number: Measured) -> str:
    """The 95 % interval beside a value: half-widths, two where they differ."""
    digits = _DIGITS.get(number.unit, ".2g")
    if number.std is not None:
        return f" ± {NORMAL_95 * number.std:{digits}}"
    if number.lower is None:
        return ""
    upper = "any" if number.upper is None else f"{number.upper:{digits}}"
    return f" (-{number.lower:{digits}}, +{upper})"


def _time(made_at: str) -> str:
    """Date and time as people write them, where they stand in the form of the standard."""
    found = re.fullmatch(r"(\d{4})(\d{2})(\d{2}) (\d{2})(\d{2})\d*(?:\.\d+)?", made_at)
    return printable(made_at) if found is None else "{}-{}-{} {}:{}".format(*found.groups())


def _meaning(code: str) -> str:
    return printable(codes.PRIVATE.get(code, (code, ""))[0])
