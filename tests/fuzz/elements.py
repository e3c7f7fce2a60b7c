"""DICOM data elements as a small tree that can be written with lies in it: what pydicom refuses to write.

Read from explicit little endian (PS3.5 7.1.2), written in any of the plain encodings. Lengths, delimiters and value
representations are written as the tree has them, fitting or not.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

LONG = (b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"SV", b"UC", b"UN", b"UR", b"UT", b"UV")
SIZES = {b"US": 2, b"SS": 2, b"OW": 2, b"AT": 2, b"UL": 4, b"SL": 4, b"FL": 4, b"OF": 4, b"FD": 8, b"OD": 8}
UNDEFINED = 0xFFFFFFFF
ITEM, ITEM_END, SEQUENCE_END = (0xFFFE, 0xE000), (0xFFFE, 0xE00D), (0xFFFE, 0xE0DD)

Tag = tuple[int, int]


@dataclass
class Element:
    """One element: bytes, items of a sequence, or fragments of encapsulated pixel data (an offset table first)."""

    tag: Tag
    vr: bytes
    value: bytes = b""
    items: list[list[Element]] | None = None
    fragments: list[bytes] | None = None
    length: int | None = None  # written instead of the true one
    undefined: bool = False  # a sequence of undefined length
    closed: bool = True  # whether its delimiter is written
    item_length: int | None = None  # written instead of the true one of every item or fragment

    def walk(self) -> Iterator[list[Element]]:
        for item in self.items or ():
            yield item
            for element in item:
                yield from element.walk()


@dataclass(eq=False)
class File:
    """A file: preamble, file meta information and data set, and how the data set is encoded."""

    meta: list[Element]
    body: list[Element]
    explicit: bool = True
    little: bool = True
    deflated: bool = False
    preamble: bytes = b"\0" * 128 + b"DICM"
    tail: bytes = field(default=b"")

    def datasets(self) -> list[list[Element]]:
        """The data set and every item in it."""
        return [self.body, *(item for element in self.body for item in element.walk())]


def parse(data: bytes) -> list[Element]:
    """Elements of a data set in explicit little endian."""
    return _Reader(data).elements(len(data))


def split(content: bytes) -> tuple[list[Element], bytes]:
    """Meta elements and the bytes of the data set of a file with preamble."""
    (length,) = struct.unpack_from("<I", content, 140)
    return parse(content[132 : 144 + length]), content[144 + length :]


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def elements(self, end: int) -> list[Element]:
        out = []
        while self.at < end:
            group, number = struct.unpack_from("<HH", self.data, self.at)
            if (group, number) in (ITEM_END, SEQUENCE_END):
                self.at += 8
                break
            out.append(self.element((group, number)))
        return out

    def element(self, tag: Tag) -> Element:
        vr = self.data[self.at + 4 : self.at + 6]
        if vr in LONG:
            (length,) = struct.unpack_from("<I", self.data, self.at + 8)
            self.at += 12
        else:
            (length,) = struct.unpack_from("<H", self.data, self.at + 6)
            self.at += 8
        if vr == b"SQ":
            return Element(tag, vr, items=self.items(length), undefined=length == UNDEFINED)
        if length == UNDEFINED:
            return Element(tag, vr, fragments=self.fragments(), undefined=True)
        self.at += length
        return Element(tag, vr, self.data[self.at - length : self.at])

    def items(self, length: int) -> list[list[Element]]:
        end = len(self.data) if length == UNDEFINED else self.at + length
        out = []
        while self.at < end:
            group, number, size = struct.unpack_from("<HHI", self.data, self.at)
            self.at += 8
            if (group, number) == SEQUENCE_END:
                break
            out.append(self.elements(len(self.data) if size == UNDEFINED else self.at + size))
        return out

    def fragments(self) -> list[bytes]:
        out = []
        while True:
            group, number, size = struct.unpack_from("<HHI", self.data, self.at)
            self.at += 8 + size
            if (group, number) == SEQUENCE_END:
                return out
            out.append(self.data[self.at - size : self.at])


def write(elements: list[Element], *, explicit: bool = True, little: bool = True) -> bytes:
    """The bytes of a data set, lies included."""
    order = "<" if little else ">"
    return b"".join(_written(element, explicit, order) for element in elements)


def _written(element: Element, explicit: bool, order: str) -> bytes:
    closing = struct.pack(order + "HHI", *SEQUENCE_END, 0)
    if element.items is not None:
        parts = []
        for item in element.items:
            inside = write(item, explicit=explicit, little=order == "<")
            size = len(inside) if element.item_length is None else element.item_length & UNDEFINED
            parts.append(struct.pack(order + "HHI", *ITEM, size) + inside)
            if size == UNDEFINED and element.closed:
                parts.append(struct.pack(order + "HHI", *ITEM_END, 0))
        value = b"".join(parts)
    elif element.fragments is not None:
        value = b"".join(
            struct.pack(
                order + "HHI", *ITEM, (len(part) if element.item_length is None else element.item_length) & UNDEFINED
            )
            + part
            for part in element.fragments
        )
    else:
        value = _swapped(element) if order == ">" else element.value
    undefined = element.undefined and element.length is None
    length = UNDEFINED if undefined else len(value) if element.length is None else element.length & UNDEFINED
    if undefined and element.closed:
        value += closing
    head = struct.pack(order + "HH", *element.tag)
    if not explicit:
        return head + struct.pack(order + "I", length) + value
    vr = (element.vr + b"  ")[:2]
    if vr in LONG:
        return head + vr + b"\0\0" + struct.pack(order + "I", length) + value
    return head + vr + struct.pack(order + "H", length & 0xFFFF) + value


def _swapped(element: Element) -> bytes:
    size = SIZES.get(element.vr, 1)
    whole = element.value[: len(element.value) // size * size]
    return b"".join(whole[k : k + size][::-1] for k in range(0, len(whole), size)) if size > 1 else element.value


def find(elements: list[Element], tag: Tag) -> Element | None:
    """The first element of that tag."""
    return next((element for element in elements if element.tag == tag), None)


def put(elements: list[Element], tag: Tag, vr: bytes, value: bytes) -> Element:
    """Set an element, in the order of tags where it is new."""
    found = find(elements, tag)
    if found is None:
        found = Element(tag, vr)
        at = next((k for k, element in enumerate(elements) if element.tag > tag), len(elements))
        elements.insert(at, found)
    found.vr, found.value, found.items, found.fragments, found.undefined = vr, value, None, None, False
    return found
