"""Length of a canal by a file whose stop and reference point are out of the picture: its known length plus the gap to the end.

The file's own length from the reference point to its tip was measured on a ruler and is no matter of the film. Only the stretch
from the tip to the apical end is measured on it, a few millimetres, for which a rough scale will do: an error of a tenth in the
scale is a tenth of a millimetre for every millimetre of the gap. It is the trade's own correction of a trial file (Ingle &
Bakland, Endodontics), the stretch measured along the canal.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

import numpy as np

from wlmeasure.calibration import CLICK_FLOOR_MM, CLICK_STD_PX, Calibration, pixel_along
from wlmeasure.errors import MeasureError, check_finite, check_positive
from wlmeasure.measure.budget import Term
from wlmeasure.measure.length import (
    END_CLICKS,
    TILT,
    UNCOVERED_END_REL_STD,
    WINDING,
    WINDING_REL_STD,
    WINDS_FROM_MM,
    Gap,
    LengthEstimate,
    winding_mm,
)
from wlmeasure.trace.centreline import GIVEN_PATH, LONGEST_MM, CanalTrace
from wlmeasure.trace.spline import arc_length

__all__ = ["GAP_SCALE", "KNOWN_LENGTH", "OPEN_GAP_REL_STD", "gap_length"]

GAP_SCALE, KNOWN_LENGTH = "scale of the gap", "known length"
"""Names of the terms that are its own."""

# What a gap's tilt out of the film's plane adds by a scale that no file in the tooth gives: nothing of the tilt is in such a
# scale, so that all of what one view loses is missing. The last 0.5 to 3 mm of canals show 0.95 of themselves on the average,
# 0.78 and less in one of forty (431 canals of 160 phantoms of four levels, seeds 1000 to 1159). With 0.15 and the spacing's own
# uncertainty 94 % of the intervals hold the truth, 88 % with the 0.105 of a stretch beyond a file that gives the scale (118
# lengths from noisy clicks, seeds 34000 to 34059 and 34100 to 34159, which it was chosen on).
OPEN_GAP_REL_STD = 0.15


def gap_length(
    trace: CanalTrace,
    calibration: Calibration,
    gap_mm: float,
    *,
    known_length_mm: float,
    known_length_std_mm: float,
    read_to_division: bool = False,
    click_std_px: float = CLICK_STD_PX,
    gap_rel_std: float | None = None,
    further: Sequence[Term] = (),
) -> LengthEstimate:
    """A known length plus the gap between the file's tip and the end of a trace.

    Parameters
    ----------
    trace
        The canal to its apical end; it may begin anywhere above the tip.
    calibration
        The scale of the film, however rough.
    gap_mm
        Tip to the end along the canal by that scale, positive where the tip is short, negative beyond.
    known_length_mm, known_length_std_mm, read_to_division
        Of the file, as in :class:`~wlmeasure.calibration.KnownLine`.
    click_std_px
        Standard uncertainty of the tip and of the end along the canal, pixels.
    gap_rel_std
        What one film cannot show of the gap's tilt, relative to it: the uncertainty of a gap however well the scale is known.
        By default that of a stretch beyond a file where a file of known length gives the scale, else `OPEN_GAP_REL_STD`.
    further
        Terms of how the file sat, such as a stop that may have been lifted.

    Raises
    ------
    MeasureError
        A length, gap or uncertainty that cannot be.
    """
    known = check_positive(MeasureError, "known_length_mm", known_length_mm)
    gap = check_finite(MeasureError, "gap_mm", gap_mm)
    if not 0.0 < known + gap <= LONGEST_MM:
        raise MeasureError(
            f"known_length_mm and gap_mm must make up to {LONGEST_MM:g} mm: {known:g} {gap:+g} mm; check the file's length, "
            "its tip and the canal's end"
        )
    std = check_finite(MeasureError, "known_length_std_mm", known_length_std_mm)
    if gap_rel_std is None:
        shares_tilt = any(line.kind == "file" for line in calibration.lines)
        gap_rel_std = UNCOVERED_END_REL_STD if shares_tilt else OPEN_GAP_REL_STD
    rel = check_finite(MeasureError, "gap_rel_std", gap_rel_std)
    if min(std, rel) < 0.0:
        raise MeasureError(f"known_length_std_mm and gap_rel_std must be >= 0: {std:g}, {rel:g}")
    path = calibration.to_mm(trace.path_px)
    traced = float(arc_length(path)[-1])
    steps = np.diff(path, axis=0)
    last = steps[np.hypot(steps[:, 0], steps[:, 1]) > 0.0][-1]  # a path may end with a point twice
    click = max(click_std_px * pixel_along(last, calibration.mm_per_px), CLICK_FLOOR_MM)
    budget = [
        Term(KNOWN_LENGTH, std, False, "rectangular" if read_to_division else "normal"),
        *further,
        Term(END_CLICKS, hypot(click, click)),
        Term(GAP_SCALE, abs(gap) * calibration.rel_std, True),
        Term(TILT, abs(gap) * rel),
    ]
    winding = winding_mm(path, gap) if gap > 0.0 and trace.tracer != GIVEN_PATH else 0.0
    if winding > WINDS_FROM_MM:
        budget.append(Term(WINDING, WINDING_REL_STD * winding))
    return LengthEstimate(None, None, tuple(budget), min(known, known + gap), Gap(known, gap, traced))
