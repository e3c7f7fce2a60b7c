"""How the upper end of a file's known length is known: what a person can say of it, and a file as it is said. No Qt.

A stop rests on a cusp or edge; on most films it is not in the picture, and then that cusp or edge is marked instead.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from attrs import evolve, frozen

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.record.case import FILES, Case, FileTaper, KnownFile, PlainFile, StopSeated, UpperEnd

__all__ = ["Said", "Upper", "at_rim", "canal_point", "file_as_said", "last_file", "size_of", "upper_of"]

Point = tuple[float, float]
Upper = Literal["stop", "reference", "out of the picture", "no length"]
"""As the case has it, or the length of the file is not known at all, its size perhaps."""

RIM = 0.02
"""How near to the film's rim a file's first point makes it likely that its stop is beyond it, of the film's longer side: 0.7 mm
on a usual one (our parameter)."""


@frozen
class Said:
    """What was said of a file: its upper end, whether its stop was seated, its size and taper, what the stop rested on."""

    upper: Upper | None = None
    seated: StopSeated | None = None
    size: tuple[int | None, float | None] = (None, None)
    rested_px: Point | None = None


def upper_of(file: FILES) -> Upper:
    """What the case says of a file."""
    return file.upper_end or "stop" if isinstance(file, KnownFile) else "no length"


def size_of(file: FILES) -> tuple[int | None, float | None]:
    """Size and taper of a file that gives an estimate by them."""
    return (file.file_size, file.taper) if isinstance(file, FileTaper) else (None, None)


def last_file(case: Case, film_id: str) -> int | None:
    """Which scale of a film is the file that was placed last; None without one."""
    scales = case.film(film_id).scale
    return next((at for at in reversed(range(len(scales))) if isinstance(scales[at], FILES)), None)


def file_as_said(
    file: FILES,
    upper: Upper,
    *,
    length_mm: float | None,
    std_mm: float | None,
    reference_px: Point | None = None,
    seated: StopSeated | None = None,
    size: int | None = None,
    taper: float | None = None,
) -> FILES:
    """The file with its upper end known otherwise; its points and path stay. A file that has a length keeps it.

    `length_mm` is needed for a file that has none and is to have one, `reference_px` and `seated` are for "reference" alone.
    One without a length, of which `size` is known, 1/100 mm, and perhaps `taper`, gives an estimate by its thickness.
    """
    shaft: dict[str, Any] = {
        "points_px": file.points_px,
        "trace_kind": file.trace_kind,
        "path_px": file.path_px,
        "tracer": file.tracer,
        "accepted": file.accepted,
        "extra": file.extra,
    }
    if upper == "no length":
        return PlainFile(**shaft) if size is None else FileTaper(**shaft, file_size=size, taper=taper)
    known: UpperEnd | None = None if upper == "stop" else upper
    if upper != "reference":
        reference_px = seated = None
    if isinstance(file, KnownFile):
        return evolve(file, upper_end=known, reference_px=reference_px, stop_seated=seated)
    assert length_mm is not None
    return KnownFile(
        **shaft,
        known_length_mm=length_mm,
        known_length_std_mm=std_mm,
        upper_end=known,
        reference_px=reference_px,
        stop_seated=seated,
    )


def canal_point(case: Case, film_id: str, tip_px: Point) -> Point | None:
    """The reference point of the canal that a file of that tip lies in, marked on that film: its stop rested on the same."""
    traces = (trace for canal in case.canals for trace in canal.traces if trace.film == film_id)
    return next((trace.reference_px for trace in traces if trace.file_tip_px == tip_px), None)


def at_rim(radiograph: Radiograph, point: Point) -> bool:
    """Whether a point lies where the film ends, or what is no film begins."""
    shape = radiograph.values.shape
    reach = RIM * max(shape)
    if min(*point, shape[0] - 1.0 - point[0], shape[1] - 1.0 - point[1]) < reach:
        return True
    if radiograph.masked is None:
        return False
    (top, bottom), (left, right) = ((int(max(0.0, at - reach)), int(at + reach) + 2) for at in point)
    return bool(np.any(radiograph.masked[top:bottom, left:right]))
