"""A marking as text and as JSON."""

from __future__ import annotations

from typing import Any

from wlmeasure.learn.mark import Marked, Marks
from wlmeasure.learn.pages import error_words

__all__ = ["marks_json", "marks_text"]


def marks_text(marks: Marks) -> str:
    """One line a film, then what the answers say together."""
    n = len(marks.marked)
    lines = [f"  {one.item.film}: {one.answer.length_mm:.2f} mm, truth {one.truth.length_mm:.2f} mm; {error_words(one)}"
             for one in marks.marked]  # fmt: skip
    lines += [f"  {item.film}: not answered" for item in marks.unanswered]
    lines.append(
        f"Mean error {marks.mean_mm:+.2f} mm, mean size {marks.mean_size_mm:.2f} mm; within 0.5 mm {marks.within_half} of {n}, "
        f"within 1.0 mm {marks.within_one} of {n}"
    )
    if (held := marks.calibration) is not None:
        low, high = held.share_interval
        lines.append(
            f"Intervals: {held.held} of {held.stated} hold the truth ({100 * low:.0f} to {100 * high:.0f} %; 95 % asked for), "
            f"{held.verdict}; mean half-width {held.mean_half_width_mm:.2f} mm"
        )
    return "\n".join(lines) + "\n"


def marks_json(marks: Marks) -> dict[str, Any]:
    """The same as plain values, mm."""
    held = marks.calibration
    return {
        "schema": "wlmeasure-marks/1",
        "exercise": marks.exercise.id,
        "mean_mm": marks.mean_mm,
        "mean_size_mm": marks.mean_size_mm,
        "within_half_mm": marks.within_half,
        "within_one_mm": marks.within_one,
        "unanswered": [item.film for item in marks.unanswered],
        "calibration": held and {
            "stated": held.stated, "held": held.held, "share_interval": list(held.share_interval),
            "mean_half_width_mm": held.mean_half_width_mm, "mean_score_mm": held.mean_score_mm, "factor": held.factor,
            "verdict": held.verdict,
        },
        "answers": [_answer(one) for one in marks.marked],
    }  # fmt: skip


def _answer(one: Marked) -> dict[str, Any]:
    return {
        "film": one.item.film,
        "length_mm": one.answer.length_mm,
        "interval_mm": one.answer.interval_mm and list(one.answer.interval_mm),
        "true_mm": one.truth.length_mm,
        "error_mm": one.error_mm,
        "held": one.held,
        "score_mm": one.score_mm,
        "certain": one.certain,
        "kinds": list(one.kinds),
        "parts": {part.kind: part.mm for part in one.parts},
    }
