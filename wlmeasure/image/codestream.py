"""What a JPEG, JPEG-LS or JPEG 2000 stream inside a DICOM file says of its picture, held against the file's header.

A decoder believes one of the two and writes where the other has no room: GDCM 3.2.6 aborts the program on a JPEG-LS stream
of another size than Rows and Columns. So they are compared before any decoder sees the stream.
"""

from __future__ import annotations

import struct

from attrs import frozen

from wlmeasure.errors import ImageError

__all__ = ["StreamHeader", "check_stream", "stream_header"]

_FRAMES = (*range(0xC0, 0xC4), *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0), 0xF7)
"""Markers of frame headers: T.81 table B.1, and SOF55 of JPEG-LS (T.87 C.1.1)."""
_ALONE = (0x01, *range(0xD0, 0xD9))
MAX_MARKERS = 2000  # before the frame header; real streams have a dozen (our parameter)


@frozen
class StreamHeader:
    """Size, channels and bits of one sample."""

    rows: int
    cols: int
    components: int
    bits: int


def stream_header(stream: bytes) -> StreamHeader | None:
    """The header of one stream; None where it begins like none of the three.

    Raises
    ------
    ImageError
        Cut short or damaged before the size is said.
    """
    try:
        if stream[:4] == b"\xff\x4f\xff\x51":
            return _jpeg_2000(stream)
        if stream[:12] == b"\0\0\0\x0cjP  \r\n\x87\n":  # in the boxes of a JP2 file, which DICOM does not allow
            at = stream.find(b"\xff\x4f\xff\x51")
            return _jpeg_2000(stream[at:]) if at > 0 else None
        return _jpeg(stream) if stream[:2] == b"\xff\xd8" else None
    except (struct.error, IndexError):
        raise ImageError("compressed picture is truncated: its header ends early; export it again") from None


def check_stream(stream: bytes, rows: int, cols: int, samples: int, allocated: int) -> None:
    """Refuse a stream whose picture has another size, or other samples, than the file's header says.

    Raises
    ------
    ImageError
        Says what differs.
    """
    header = stream_header(stream)
    if header is None:
        raise ImageError("DICOM file is damaged: compressed Pixel Data has no frame header; export it again")
    if (header.rows, header.cols) != (rows, cols):
        raise ImageError(
            f"compressed picture must have the size of the header, {rows} x {cols}: {header.rows} x {header.cols}; export it "
            "again"
        )
    if header.components != samples:
        raise ImageError(
            f"compressed picture must have {samples} samples a pixel: {header.components}; export it again"
        )
    if not 2 <= header.bits <= allocated:
        raise ImageError(f"compressed picture must have at most {allocated} bits: {header.bits}; export it again")


def _jpeg_2000(stream: bytes) -> StreamHeader:
    """SIZ (T.800 A.5.1): the picture is the reference grid without its offset; its tiles must not be tiny or huge."""
    width, height, left, top, tile_width, tile_height, tile_left, tile_top, components = struct.unpack_from(
        ">IIIIIIIIH", stream, 8
    )
    depth, step_x, step_y = struct.unpack_from(">BBB", stream, 42)
    if (step_x, step_y) != (1, 1) or not tile_width or not tile_height:
        raise ImageError("compressed picture must have one sample a pixel: it has not; export it again")
    tiles = -(-(width - tile_left) // tile_width) * -(-(height - tile_top) // tile_height)
    if tiles > 65535:
        raise ImageError(f"compressed picture must have at most 65535 tiles: {tiles}; export it again")
    return StreamHeader(height - top, width - left, components, (depth & 0x7F) + 1)


def _jpeg(stream: bytes) -> StreamHeader:
    at = 2
    for _ in range(MAX_MARKERS):
        if stream[at] != 0xFF:
            break
        marker = stream[at + 1]
        if marker == 0xFF:  # fill
            at += 1
            continue
        at += 2
        if marker in _ALONE:
            continue
        if marker in _FRAMES:
            bits, rows, cols, components = struct.unpack_from(">BHHB", stream, at + 2)
            return StreamHeader(rows, cols, components, bits)
        if marker in (0xDA, 0xD9):
            break
        at += int(struct.unpack_from(">H", stream, at)[0])
    raise ImageError("DICOM file is damaged: compressed Pixel Data has no frame header; export it again")
