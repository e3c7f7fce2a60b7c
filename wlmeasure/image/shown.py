"""What a DICOM header says of showing the picture: polarity, window, display tables. Nothing here is measured on.

The chain of the standard (PS3.4 N.2): modality step (rescale or table), VOI step (window or table), presentation step
(shape of the presentation LUT). It is carried back to stored values, which are what is measured on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from wlmeasure.errors import ImageError
from wlmeasure.image.radiograph import DISPLAY_PERCENTILES, DisplayRange, DisplayTable, printable

__all__ = ["Shown", "display_range", "display_table", "number", "padding", "polarity", "windows"]

Float64 = NDArray[np.float64]

MOST_WINDOWS = 100
"""Windows of one header that are looked at; a few are usual (our parameter)."""
MOST_NAMED = 6
"""Windows and tables named beside the one that is used (our parameter)."""


@frozen(eq=False)
class Shown:
    """How a picture is to be shown: `falling` where its tables turn the grey scale round, warnings, and notes."""

    display: DisplayRange | DisplayTable | None
    falling: bool
    warnings: tuple[str, ...]
    notes: tuple[str, ...]


def number(value: object) -> float | None:
    """A finite number, or None; by way of text, since a header may hold anything."""
    try:
        parsed = float(str(value))
    except ValueError:
        return None
    return parsed if isfinite(parsed) else None


def polarity(facts: Mapping[str, object], *, falling: bool = False) -> tuple[bool, tuple[str, ...]]:
    """Whether a larger stored value means more attenuation, and warnings where the attributes disagree.

    Pixel Intensity Relationship Sign (-1: higher value is less beam, PS3.3 C.8.11.3.1.2) is physics and decides; else
    Presentation LUT Shape, else MONOCHROME1 or 2, which say what is shown white; white is dense by the habit of
    radiographs. A negative Rescale Slope, or display tables that fall (`falling`), turn what is shown, not what is stored.
    """
    notes = []
    photometric = str(facts.get("PhotometricInterpretation", "")).strip()
    shape = str(facts.get("PresentationLUTShape") or "").strip()
    shown_white = photometric != "MONOCHROME1"
    if shape in ("IDENTITY", "INVERSE"):
        if (shape == "IDENTITY") != shown_white:
            notes.append(f"PresentationLUTShape must fit {photometric}: {shape}; the shape is followed")
        shown_white = shape == "IDENTITY"
    if (number(facts.get("RescaleSlope")) or 1.0) < 0.0:
        shown_white = not shown_white
    if falling:
        shown_white = not shown_white
    sign = number(facts.get("PixelIntensityRelationshipSign"))
    if sign not in (-1.0, 1.0):
        return shown_white, tuple(notes)
    if (sign < 0) != shown_white:
        notes.append(
            f"PixelIntensityRelationshipSign must fit {photometric}: {sign:+.0f}; the sign is followed, check that "
            "metal is bright"
        )
    return sign < 0, tuple(notes)


def windows(facts: Mapping[str, object]) -> tuple[tuple[float, float, str], ...]:
    """Every VOI window of a header: centre, width and what it is for, in the header's order; numbers that are none left out."""
    centres, widths, words = (
        value if isinstance(value, tuple) else () if value is None else (value,)
        for value in (facts.get(k) for k in ("WindowCenter", "WindowWidth", "WindowCenterWidthExplanation"))
    )
    found = []
    for k, (centre, width) in enumerate(zip(centres[:MOST_WINDOWS], widths, strict=False)):
        at, wide = number(centre), number(width)
        if at is not None and wide is not None:
            found.append((at, wide, printable(words[k], 40) if k < len(words) else ""))
    return tuple(found)


def display_range(facts: Mapping[str, object]) -> tuple[DisplayRange | None, tuple[str, ...]]:
    """First VOI window, carried back through the rescale to stored values (PS3.3 C.11.2.1.2).

    A sigmoid is shown as the straight window of the same centre and width.
    """
    ends, warnings = _window_ends(facts)
    if ends is None:
        return None, warnings
    slope, intercept = number(facts.get("RescaleSlope")), number(facts.get("RescaleIntercept"))
    slope = 1.0 if slope is None else slope
    if slope == 0.0:
        return None, ("RescaleSlope must not be 0: 0; window not used",)
    low, high = sorted((end - (intercept or 0.0)) / slope for end in ends)
    if not (isfinite(low) and isfinite(high) and low < high):
        return None, (f"window must be a range of stored values: {low:g}, {high:g}; window not used",)
    return DisplayRange(low, high), ()


def _window_ends(facts: Mapping[str, object]) -> tuple[tuple[float, float] | None, tuple[str, ...]]:
    """What the first window shows black and white, after the modality step."""
    found = windows(facts)
    if not found:
        return None, ()
    centre, width, _ = found[0]
    exact = str(facts.get("VOILUTFunction") or "LINEAR").strip() != "LINEAR"
    if not (width > 0.0 if exact else width > 1.0):
        return None, (f"WindowWidth must be > {0 if exact else 1}: {width:g}; window not used",)
    if exact:
        return (centre - width / 2, centre + width / 2), ()
    return (centre - width / 2, centre + width / 2 - 1.0), ()


def display_table(
    facts: Mapping[str, object],
    modality: Sequence[Dataset],
    voi: Sequence[Dataset],
    *,
    bits: int,
    signed: bool,
    picture: NDArray[Any],
) -> Shown:
    """How a picture is shown, with the tables of its header where it has any.

    Parameters
    ----------
    facts
        Plain values of the header.
    modality, voi
        Items of the Modality LUT and VOI LUT Sequence (PS3.3 C.11.1, C.11.2). A window goes before a VOI table.
    bits, signed
        Of the stored values.
    picture
        Stored values without padding; they give the range where a modality table stands alone.
    """
    found = windows(facts)
    notes = _choices(found, voi)
    use_voi = bool(voi) and not found
    if not modality and not use_voi:
        display, warnings = display_range(facts)
        return Shown(display, False, warnings, notes)
    warnings = ()
    first = -(1 << (bits - 1)) if signed else 0
    stored = np.arange(first, first + (1 << bits), dtype=np.float64)
    try:
        if modality:
            shown = _through(modality[0], stored, "Modality LUT")
            at_ends = _through(modality[0], np.percentile(picture, DISPLAY_PERCENTILES), "Modality LUT")
        else:
            slope, intercept = number(facts.get("RescaleSlope")), number(facts.get("RescaleIntercept"))
            shown = stored * (1.0 if slope is None else slope) + (intercept or 0.0)
            at_ends = shown
        if use_voi:
            shown = _through(voi[0], shown, "VOI LUT")
            low, high = float(shown.min()), float(shown.max())
        else:
            ends, warnings = _window_ends(facts)
            low, high = (float(at_ends.min()), float(at_ends.max())) if ends is None else ends
        grey = np.clip(np.rint((shown - low) * (255.0 / max(high - low, 1e-6))), 0.0, 255.0)
        middle = len(grey) // 2
        # A rescale that falls is known to `polarity` already; only what the tables add is said here.
        falling = bool(grey[:middle].mean() > grey[middle:].mean())
        table = DisplayTable(first, (255.0 - grey if falling else grey).astype(np.uint8))
    except ImageError as error:
        return Shown(None, False, (f"{error}; shown from percentiles of the stored values",), notes)
    if not modality and (number(facts.get("RescaleSlope")) or 1.0) < 0.0:
        falling = not falling
    return Shown(table, falling, warnings, notes)


def _choices(found: Sequence[tuple[float, float, str]], voi: Sequence[Dataset]) -> tuple[str, ...]:
    """Which of several windows or tables is used, and the others."""
    words = [f"window {at:g}, width {wide:g}{f' ({what})' if what else ''}" for at, wide, what in found]
    words += [f"table {_explained(item)}" for item in voi]
    if len(words) < 2:
        return ()
    others = words[1 : 1 + MOST_NAMED]
    more = f" and {len(words) - 1 - MOST_NAMED} more" if len(words) > 1 + MOST_NAMED else ""
    return (f"shown with the first of {len(words)}: {words[0]}; not used: {', '.join(others)}{more}",)


def _explained(item: Dataset) -> str:
    try:
        return printable(item.get("LUTExplanation") or "without a name", 40)
    except Exception:  # pydicom converts on access and raises what the conversion raises
        return "without a name"


def _through(item: Dataset, values: Float64, name: str) -> Float64:
    """Values after one table (LUT Descriptor: number of entries, first value, bits of an entry); ImageError if it is broken."""
    try:
        count, first, _ = (int(part) for part in item["LUTDescriptor"].value)
        data = item["LUTData"].value
        big = item.original_encoding[1] is False
    except Exception as error:
        raise ImageError(f"{name} must have a descriptor of three numbers and its data: it has not") from error
    count = count or 65536  # PS3.3 C.11.1.1.1
    if not 1 <= count <= 65536:
        raise ImageError(f"{name} must have 1 to 65536 entries: {count}")
    if isinstance(data, bytes):
        wide = 2 if len(data) >= 2 * count else 1
        entries = np.frombuffer(data[: wide * count], (">u2" if big else "<u2") if wide == 2 else np.uint8)
    else:
        held = list(data)[:count] if isinstance(data, Sequence) or hasattr(data, "__iter__") else [data]
        if not all(isinstance(one, int) for one in held):
            raise ImageError(f"{name} must hold whole numbers: it holds others")
        entries = np.array(held)
    if len(entries) < count:
        raise ImageError(f"{name} must hold its {count} entries: {len(entries)}")
    if first > 32767 and values.min() < 0.0:  # a negative number whose kind (US or SS) was taken for the other
        first -= 65536
    at = np.clip(np.rint(values) - first, 0, count - 1).astype(np.intp)
    through: Float64 = entries.astype(np.float64)[at]
    return through


def padding(facts: Mapping[str, object], *, signed: bool) -> tuple[int, int] | None:
    """Lowest and highest stored value that stand for no picture (PS3.3 C.7.5.1.1.2), or None."""
    ends = [_stored_number(facts.get(k), signed) for k in ("PixelPaddingValue", "PixelPaddingRangeLimit")]
    if ends[0] is None:
        return None
    limit = ends[0] if ends[1] is None else ends[1]
    return min(ends[0], limit), max(ends[0], limit)


def _stored_number(value: object, signed: bool) -> int | None:
    """A stored value of a header; one written as the other kind of number (US or SS) stands for the same 16 bits."""
    found = number(value)
    if found is None or not -32768.0 <= found <= 65535.0 or found != int(found):
        return None
    whole = int(found)
    if signed and whole > 32767:
        return whole - 65536
    return whole + 65536 if not signed and whole < 0 else whole
