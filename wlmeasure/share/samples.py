"""The sample cases that come with the program, and what is true of them."""

from __future__ import annotations

import json
from pathlib import Path

from wlmeasure.errors import CaseError
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.share.result import canal_rows

__all__ = ["sample_case", "sample_truth_text"]

PACKAGE = Path(__file__).resolve().parent.parent
# An installed package carries the demonstration's sample inside; a checkout has all of them beside the package.
FOLDERS = (PACKAGE / "sample_images", PACKAGE.parent / "sample_images")


def sample_case(name: str) -> Path:
    """Where the case file of a sample lies.

    Raises
    ------
    CaseError
        No such sample came with this installation.
    """
    for folder in FOLDERS:
        path = folder / "cases" / f"{name}.wl.json"
        if path.is_file():
            return path
    raise CaseError(f"sample must be one that came with this installation: {name!r}; install the package again")


def sample_truth_text(result: CaseResult) -> str:
    """What was measured beside what is true, for a sample film whose truth file is there."""
    lines = []
    for canal, trace in canal_rows(result):
        if trace is None or trace.length is None:
            continue
        film = result.case.film_path(trace.film.film).resolve()
        truth = film.parent.parent / "truth" / f"{film.stem}.json"
        if not truth.is_file():
            continue
        true_mm = float(json.loads(truth.read_text(encoding="utf-8"))["canal_length_3d_mm"])
        error = trace.length.length_mm - true_mm
        lines.append(
            f"  film {trace.trace.film}, canal {canal.canal.name}: true length in three dimensions {true_mm:.2f} mm, "
            f"measured {trace.length.length_mm:.2f} mm, error {error:+.2f} mm"
        )
    return "\nThis film is synthetic, so its truth is known\n" + "\n".join(lines) + "\n" if lines else ""
