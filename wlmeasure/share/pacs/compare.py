"""Two DICOM data sets compared element by element and pixel by pixel: is what an archive holds what was sent?

An archive may answer "stored" and keep an older copy, coerce a name or compress the picture. Equal here means: the same
elements with the same values in the same order, and the same pixels. How a data set is encoded (byte order, lengths, file
meta information) is not part of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from pydicom.datadict import keyword_for_tag
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.pixels import pixel_array

from wlmeasure.errors import ImageError
from wlmeasure.image.headers import check_size
from wlmeasure.share.dicom.objects import header_text, quiet

__all__ = ["difference_words", "differences"]

NAMED = 6  # differing elements that a message names (our parameter)
PIXELS = (0x7FE00008, 0x7FE00009, 0x7FE00010)
PADDING = 0xFFFCFFFC  # Data Set Trailing Padding (PS3.10 7.2): says nothing


def differences(sent: Dataset, held: Dataset) -> tuple[str, ...]:
    """The elements that differ, as paths such as ``ContentSequence[2].TextValue``; empty where the data sets are equal.

    Values are read from strangers' files: what cannot be read and is not the same byte for byte counts as different.
    """
    with quiet():
        return tuple(_differing(sent, held, "", _same_coding(sent, held)))


def difference_words(paths: tuple[str, ...]) -> str:
    """The differing elements for a message."""
    more = f" and {len(paths) - NAMED} more" if len(paths) > NAMED else ""
    return ", ".join(paths[:NAMED]) + more


def _same_coding(sent: Dataset, held: Dataset) -> bool:
    return bool(sent.original_encoding == held.original_encoding)


def _differing(sent: Dataset, held: Dataset, where: str, same_coding: bool) -> Iterator[str]:
    for tag in sorted({*sent.keys(), *held.keys()}):
        if tag.element == 0 or tag == PADDING:  # group lengths (retired) say how it is encoded
            continue
        name = where + (keyword_for_tag(tag) or str(tag))
        if tag not in sent or tag not in held:
            yield name
            continue
        one, other = sent.get_item(tag), held.get_item(tag)
        if same_coding and _raw_equal(one, other):
            continue
        try:
            first, second = sent[tag], held[tag]
            if first.VR == second.VR == "SQ":
                yield from _items(first, second, name, same_coding)
            elif tag in PIXELS and not where:
                if not _same_pixels(sent, held):
                    yield name
            elif not _equal(first, second):
                yield name
        except Exception:  # pydicom converts on access and raises what the conversion raises
            yield name


def _raw_equal(one: object, other: object) -> bool:
    return (
        isinstance(one, RawDataElement)
        and isinstance(other, RawDataElement)
        and one.VR == other.VR
        and one.value == other.value
    )


def _items(first: DataElement, second: DataElement, name: str, same_coding: bool) -> Iterator[str]:
    if len(first.value) != len(second.value):
        yield name
        return
    for number, (one, other) in enumerate(zip(first.value, second.value, strict=True), 1):
        yield from _differing(one, other, f"{name}[{number}].", same_coding)


def _equal(first: DataElement, second: DataElement) -> bool:
    if first.VR != second.VR and "UN" not in (first.VR, second.VR):
        return False
    one, other = first.value, second.value
    if isinstance(one, bytes) and isinstance(other, bytes):
        return bytes(one).rstrip(b"\0") == bytes(other).rstrip(b"\0")  # padding to an even length
    if first.VR != second.VR:
        return False
    return bool(_plain(one) == _plain(other))


def _plain(value: Any) -> Any:
    """A value in a form whose equality is equality: numbers by their text in full, so that NaN equals itself."""
    if value is None or (isinstance(value, str) and not value):
        return ""
    if isinstance(value, float):
        return repr(float(value))
    if hasattr(value, "original_string"):  # DS and IS as they were written
        return str(value.original_string).strip()
    if isinstance(value, list | tuple) or type(value).__name__ == "MultiValue":
        return [_plain(part) for part in value]
    return str(value) if not isinstance(value, int) else int(value)


def _same_pixels(sent: Dataset, held: Dataset) -> bool:
    """Whether the pictures are equal value by value; one that was compressed without loss is."""
    for one in (sent, held):
        rows, cols = (int(header_text(one, word) or 0) for word in ("Rows", "Columns"))
        frames = int(header_text(one, "NumberOfFrames") or 1)
        try:
            check_size(rows * frames, cols)
        except ImageError:
            return False
    return bool(np.array_equal(pixel_array(sent), pixel_array(held)))
