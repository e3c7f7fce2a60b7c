"""The bytes of a DICOM file as a data set, with bounds on what a hostile one may cost; nothing of it is believed yet.

pydicom reads a value when it is asked for, and a few bytes of a file may become a thousand times as much memory: very many
small elements, items or values, or deflated data. So reads are counted, deflated data are inflated here, and whoever goes
through a whole header has it checked first.
"""

from __future__ import annotations

import warnings
import zlib
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import pydicom
from pydicom.datadict import dictionary_has_tag, dictionary_VR, tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset, FileDataset
from pydicom.uid import UID

from wlmeasure.errors import ImageError
from wlmeasure.image.file_content import MAX_FILE_BYTES, open_regular
from wlmeasure.image.headers import MAX_PIXELS
from wlmeasure.image.radiograph import printable

__all__ = ["MAX_INFLATED_BYTES", "check_header", "inflated", "parse", "parse_head"]

MAX_INFLATED_BYTES = 2 * MAX_PIXELS + 8_000_000
"""Largest data set out of the deflated transfer syntax: 16 bits of the largest picture and a header (our parameter)."""
MAX_READS = 250_000
"""Reads while a file is parsed, two or three an element: a report of ten films has 50 000, and so many empty items of a
sequence take three seconds (our parameter)."""
HEAD_BYTES = 500_000
"""Read of a file whose header alone is wanted, unless the header turns out to be longer (our parameter)."""
MAX_HEADER_BYTES = 8_000_000
"""Largest header that is gone through as a whole, in bytes beside the pixels; real ones have 0.1 MB (our parameter)."""
MAX_ELEMENTS = 50_000
"""Most elements in such a header, those of its items included: converting as many takes two seconds (our parameter)."""
MAX_ITEMS = 50_000
"""Most items of sequences in such a header (our parameter)."""
MAX_VALUES = 20_000
"""Most values of one element of text, which pydicom makes objects of one by one (our parameter)."""
DEEPEST = 24
"""Deepest sequence in such a header; a report of ours has 6, and copying recurses (our parameter)."""

DEFLATED = b"1.2.840.10008.1.2.1.99"
EXPLICIT_LITTLE = b"1.2.840.10008.1.2.1\0\0\0"
_SPLIT = frozenset(["AE", "AS", "CS", "DA", "DS", "DT", "IS", "LO", "PN", "SH", "TM", "UC", "UI"])
"""Value representations whose text holds several values parted by a backslash (PS3.5 6.4)."""
_ITEM = {True: b"\xfe\xff\x00\xe0", False: b"\xff\xfe\xe0\x00"}
_PIXELS = (0x7FE00008, 0x7FE00009, 0x7FE00010)


class _DeflatedError(Exception):
    """pydicom asks for the rest of the file: it is about to inflate it, whatever it comes to. `at` is where that begins."""

    def __init__(self, at: int) -> None:
        super().__init__("deflated data in deflated data")
        self.at = at


class _Counted(BytesIO):
    """A file in memory that may be read from so many times."""

    left = MAX_READS

    def read(self, size: int | None = -1, /) -> bytes:
        if size is None or size < 0:
            raise _DeflatedError(self.tell())
        self.left -= 1
        if self.left < 0:
            raise _too_many()
        return super().read(size)


def _too_many() -> ImageError:
    return ImageError("DICOM file must have fewer elements: it has hundreds of thousands; it is no radiograph")


def parse(data: bytes, *, max_inflated: int = MAX_INFLATED_BYTES) -> FileDataset:
    """The data set of the bytes of one file; values are converted later, when they are asked for.

    A file without meta information gets the transfer syntax that pydicom guessed, and a warning.

    Raises
    ------
    ImageError
        Damaged, cut short, or larger inside than it may be.
    """
    try:
        return _parsed(data)
    except _DeflatedError as found:
        dataset = _parsed(inflated(data, found.at, max_bytes=max_inflated), within=True)
    dataset.file_meta.TransferSyntaxUID = UID(DEFLATED.decode())
    return dataset


def parse_head(path: Path) -> FileDataset:
    """The data set of a file up to its pixels, from the beginning of the file as far as it is needed.

    Raises
    ------
    ImageError
        As :func:`parse`, or the file cannot be opened.
    """
    try:
        with open_regular(path) as file:
            head = file.read(HEAD_BYTES) or b""
            try:
                return _parsed(head, stop_before_pixels=True)
            except _DeflatedError:  # it is inflated as a whole
                return parse(head + file.read(MAX_FILE_BYTES))
            except ImageError:
                if len(head) < HEAD_BYTES:
                    raise
                return _parsed(head + file.read(MAX_HEADER_BYTES), stop_before_pixels=True)
    except OSError as error:
        raise ImageError(f"file cannot be opened: {error.strerror}; check the name and the permissions") from error


def _parsed(data: bytes, *, within: bool = False, stop_before_pixels: bool = False) -> FileDataset:
    bare, counted = data[128:132] != b"DICM", _Counted(data)
    try:
        dataset = pydicom.dcmread(counted, force=bare, stop_before_pixels=stop_before_pixels)
        dataset.buffer = None  # pydicom keeps the whole file by it
        if "TransferSyntaxUID" not in dataset.file_meta:
            implicit, little = dataset.original_encoding
            explicit = UID("1.2.840.10008.1.2.1" if little else "1.2.840.10008.1.2.2")
            dataset.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2") if implicit else explicit
            warnings.warn("no file meta information: the transfer syntax was guessed", stacklevel=1)
    except ImageError:
        raise
    except Exception as error:  # a hostile header can raise nearly anything out of pydicom
        if isinstance(error, _DeflatedError) and not within:
            raise
        if counted.left < 0:  # pydicom makes its own of any error within an item
            raise _too_many() from None
        raise ImageError(f"DICOM file is damaged or truncated: {printable(error)}; export it again") from error
    return dataset


def inflated(data: bytes, start: int, *, max_bytes: int = MAX_INFLATED_BYTES) -> bytes:
    """A file whose bytes from `start` on are deflated, as one in explicit little endian.

    Raises
    ------
    ImageError
        It grows beyond `max_bytes`, or is damaged.
    """
    inflater, rest = zlib.decompressobj(-zlib.MAX_WBITS), data[start:]
    sink = BytesIO()
    sink.write(data[:start].replace(DEFLATED, EXPLICIT_LITTLE))
    try:
        while rest and not inflater.eof:
            sink.write(inflater.decompress(rest, 1 << 24))
            rest = inflater.unconsumed_tail
            if sink.tell() > max_bytes:
                raise ImageError(f"deflated DICOM must hold at most {max_bytes} bytes: more; export it uncompressed")
    except zlib.error as error:
        raise ImageError(f"DICOM file is damaged: {printable(error)}; export it again") from error
    if not inflater.eof:
        raise ImageError("DICOM file is truncated: the deflated data end early; export it again")
    return sink.getvalue()


def check_header(dataset: Dataset, *, only: Sequence[str] | None = None, max_elements: int = MAX_ELEMENTS) -> None:
    """Go through every element once, before anybody converts or copies them all; sequences are converted on the way.

    Parameters
    ----------
    dataset
        As :func:`parse` gives it.
    only
        Keywords of the sequences to go through; one of them that cannot be converted is passed over.
    max_elements
        Most elements, those of items included.

    Raises
    ------
    ImageError
        More bytes, elements, items, values or depth than a header has, or a sequence that cannot be converted.
    """
    seen = _Seen(max_elements)
    waiting = [(dataset, 0, None if only is None else [tag for tag in map(tag_for_keyword, only) if tag in dataset])]
    while waiting:
        at, depth, tags = waiting.pop()
        seen.dataset(at, depth)
        for tag in list(at.keys()) if tags is None else tags:
            if tag in _PIXELS:
                continue
            try:
                element = at.get_item(tag)
                vr = seen.raw(element) if isinstance(element, RawDataElement) else element.VR
                items = list(at[tag].value or ()) if vr == "SQ" else []
            except ImageError:
                raise
            except Exception as error:  # as above
                if only is not None:
                    continue
                raise ImageError(f"DICOM header is damaged: {printable(error)}; export it again") from error
            seen.items(len(items))
            waiting += [(item, depth + 1, None) for item in items]


class _Seen:
    """What was counted of one header."""

    def __init__(self, max_elements: int) -> None:
        self._max_elements = max_elements
        self._bytes = self._elements = self._items = 0

    def dataset(self, dataset: Dataset, depth: int) -> None:
        self._elements += len(dataset)
        if depth > DEEPEST:
            raise ImageError(f"DICOM sequences must be nested at most {DEEPEST} deep: they are deeper")
        if self._elements > self._max_elements:
            raise ImageError(f"DICOM header must have at most {self._max_elements} elements: more; it is no radiograph")

    def items(self, more: int) -> None:
        self._items += more
        if self._items > MAX_ITEMS:
            raise ImageError(f"DICOM sequences must have at most {MAX_ITEMS} items: more; it is no radiograph")

    def raw(self, element: RawDataElement) -> str:
        """A value before it is converted: its bytes, and what it may become; returns its value representation."""
        value = element.value or b""
        self._bytes += len(value)
        if self._bytes > MAX_HEADER_BYTES:
            raise ImageError(f"DICOM header must have at most {MAX_HEADER_BYTES} bytes: more; it is no radiograph")
        vr = element.VR
        if vr in (None, "UN"):  # pydicom looks it up
            known = not element.tag.is_private and dictionary_has_tag(element.tag)
            vr = dictionary_VR(element.tag) if known else "UN"
        if vr in ("SQ", "UN") and value.count(_ITEM[bool(element.is_little_endian)]) > MAX_ITEMS:
            self.items(MAX_ITEMS + 1)
        if vr in _SPLIT and value.count(b"\\") > MAX_VALUES:
            name = f"({element.tag.group:04X},{element.tag.element:04X})"
            raise ImageError(f"{name} must have at most {MAX_VALUES} values: more; export the file again")
        return str(vr)
