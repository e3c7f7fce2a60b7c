"""A PNG, JPEG, TIFF or BMP file with nothing in it but its picture: the compressed picture stays as it is, bit for bit.

What a file may hold besides the picture has no end (Exif, XMP, IPTC, comments, colour profiles, previews, a second file
behind the end), so nothing is looked for: what is needed to show the picture is listed, and only that is copied.

The orientation stays, in the shortest note that can hold it: without it the picture would lie on its side in every viewer.
Sources: PNG third edition; ITU-T T.81, JFIF, Exif 2.3; TIFF 6.0; ITU-T T.87 and T.800 for streams inside DICOM.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable, Iterator

from attrs import frozen

from wlmeasure.errors import ImageError
from wlmeasure.image.headers import Tiff, TiffEntry, read_header

__all__ = ["Bare", "bare", "bare_stream"]


@frozen
class Bare:
    """A file that holds its picture alone, and in words what was left out."""

    content: bytes
    left_out: tuple[str, ...]


def bare(data: bytes, kind: str) -> Bare:
    """The picture of a PNG, JPEG, TIFF or BMP file alone; the same bytes where there is nothing else.

    Raises
    ------
    ImageError
        Damaged, cut short, or a form whose parts are not known.
    """
    orientation = read_header(data, kind).orientation
    left_out: list[str] = []
    made: dict[str, Callable[[bytes, int, list[str]], bytes]] = {"PNG": _png, "JPEG": _jpeg, "TIFF": _tiff, "BMP": _bmp}
    try:
        content = made[kind](data, orientation, left_out)
    except (struct.error, IndexError, zlib.error) as error:
        raise ImageError(f"{kind} file is damaged: {error}; export it again") from None
    return Bare(content, tuple(dict.fromkeys(left_out)))


def bare_stream(stream: bytes) -> bytes:
    """One compressed frame of a DICOM file without comments and application data; an unknown form stays as it is."""
    left_out: list[str] = []
    try:
        if stream.startswith(b"\xff\xd8\xff"):
            return _jpeg_parts(stream, 1, left_out, jpeg_ls=b"\xff\xf7" in stream[:4096])
        if stream.startswith(b"\xff\x4f\xff\x51"):
            return _jpeg_2000(stream)
    except (struct.error, IndexError, ImageError):
        pass  # the decoder will say what is wrong with it
    return stream


def _note(orientation: int) -> bytes:
    """The shortest Exif note that holds an orientation: a TIFF directory of one entry."""
    return b"MM\0*\0\0\0\x08\0\x01" + struct.pack(">HHIHH", 274, 3, 1, orientation, 0) + b"\0\0\0\0"


# ---- PNG ----

_PNG_LENGTHS = {b"gAMA": (4,), b"cHRM": (32,), b"sRGB": (1,), b"sBIT": (1, 2, 3, 4), b"pHYs": (9,), b"IEND": (0,)}
"""Chunks of numbers that tell how to show the picture, with the lengths that the standard gives them."""
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_PASSES = ((0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1))
"""Adam7: first row and column of each pass, and its steps."""


def _png(data: bytes, orientation: int, left_out: list[str]) -> bytes:
    cols, rows, bits, colour, _, _, interlaced = struct.unpack_from(">IIBBBBB", data, 16)
    out, at, name = [data[:8]], 8, b""
    stream: list[bytes] = []
    while name != b"IEND":
        (length,) = struct.unpack_from(">I", data, at)
        name, end = data[at + 4 : at + 8], at + 12 + length
        body = data[at + 8 : at + 8 + length]
        if name == b"IDAT":
            if not stream:
                out.append(b"")  # where the picture goes
                here = len(out) - 1
            stream.append(data[at:end])
        elif name == b"IHDR" or length in _PNG_LENGTHS.get(name, ()):
            out.append(_chunk(name, body[:13]))
        elif name == b"PLTE" and colour == 3:
            if length > 3 << bits:
                left_out.append("PNG PLTE beyond its end")
            out.append(_chunk(name, body[: 3 << bits]))
        elif name == b"tRNS" and colour in (0, 2, 3):
            out.append(_chunk(name, body[: {0: 2, 2: 6}.get(colour, 1 << bits)]))
        elif name == b"eXIf" and orientation != 1 and body != _note(orientation):
            left_out.append("PNG eXIf but its orientation")
        elif name != b"eXIf" or orientation == 1:
            left_out.append(f"PNG {name.decode('latin-1') if name.isalpha() else 'chunk'}")
        at = end
    if not stream:
        raise ImageError("PNG file is damaged: no picture; export it again")
    if at < len(data):
        left_out.append("bytes after the end")
    out[here] = _deflated_picture(stream, _png_bytes(rows, cols, bits * _CHANNELS[colour], interlaced), left_out)
    if orientation != 1:
        out.insert(2, _chunk(b"eXIf", _note(orientation)))
    return b"".join(out)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _png_bytes(rows: int, cols: int, pixel_bits: int, interlaced: int) -> int:
    """How many bytes the inflated picture has: each row with the number of its filter in front."""
    total = 0
    for row, col, row_step, col_step in _PASSES if interlaced else ((0, 0, 1, 1),):
        wide, high = -(-(cols - col) // col_step), -(-(rows - row) // row_step)
        if wide > 0 and high > 0:
            total += high * (1 + -(-wide * pixel_bits // 8))
    return total


def _deflated_picture(chunks: list[bytes], expected: int, left_out: list[str]) -> bytes:
    """The chunks as they are, unless there is more in them than the picture."""
    packed = b"".join(chunk[8:-4] for chunk in chunks)
    inflater = zlib.decompressobj()
    picture = inflater.decompress(packed, expected + 1)
    if len(picture) == expected and not inflater.eof:
        picture += inflater.decompress(inflater.unconsumed_tail, 1)
    if len(picture) <= expected and not inflater.unused_data:
        return b"".join(chunks)
    left_out.append("bytes behind the picture's last row")
    return _chunk(b"IDAT", zlib.compress(picture[:expected], 6))


# ---- JPEG ----

_IN_SCAN = re.compile(rb"\xff+[\x80-\xcf\xd8-\xfe]")
"""A marker that ends a scan: restart markers belong to it, and so do FF and less than 80, of JPEG-LS (T.87 A.1)."""


def _jpeg(data: bytes, orientation: int, left_out: list[str]) -> bytes:
    return _jpeg_parts(data, orientation, left_out)


def _jpeg_parts(data: bytes, orientation: int, left_out: list[str], *, jpeg_ls: bool = False) -> bytes:
    """A JPEG stream or, without a scan, the tables of one."""
    out, at = [b"\xff\xd8"], 2
    note = b"" if orientation == 1 else b"Exif\0\0" + _note(orientation)
    for marker, body, at in _segments(data):  # noqa: B007 - where it ended
        if marker == 0xE0 and body.startswith(b"JFIF\0") and len(body) >= 14:
            if len(body) > 14:
                left_out.append("JFIF thumbnail")
            out.append(_segment(marker, body[:12] + b"\0\0"))
        elif marker == 0xEE and body.startswith(b"Adobe") and len(body) >= 12:
            out.append(_segment(marker, body[:12]))  # which colours the components are
        elif marker == 0xE8 and jpeg_ls and body.startswith(b"mrfx"):
            out.append(_segment(marker, body[:5]))  # the colour transform of JPEG-LS
        elif marker == 0x01 or (marker == 0xE1 and note and body == note):
            pass  # the end and the note are written anew below
        elif 0xE0 <= marker <= 0xEF:
            label = re.match(rb"[A-Za-z0-9 _-]{3,12}", body)
            known = label is not None and label[0] in (b"Exif", b"ICC_PROFILE", b"JFXX", b"MPF", b"Ducky", b"Photoshop")
            named = f" ({label[0].decode()})" if known and label is not None else ""
            left_out.append(
                f"JPEG APP{marker - 0xE0}{named}{' but its orientation' if note and marker == 0xE1 else ''}"
            )
        elif marker == 0xFE:
            left_out.append("JPEG comment")
        elif 0xC0 <= marker <= 0xDF or (jpeg_ls and marker in (0xF7, 0xF8)):
            out.append(_segment(marker, body) if marker != 0xDA else body)
        else:
            left_out.append(f"JPEG marker FF{marker:02X}")
    if note:  # after JFIF, which has to come first
        out.insert(2 if len(out) > 1 and out[1][1] == 0xE0 else 1, _segment(0xE1, note))
    out.append(b"\xff\xd9")
    if data[at:].strip(b"\0"):
        left_out.append("bytes after the end")
    return b"".join(out)


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _segments(data: bytes) -> Iterator[tuple[int, bytes, int]]:
    """Marker, body and end of each segment; that of a scan header holds the scan too, from its marker on."""
    at = 2
    while at < len(data):
        if data[at] != 0xFF:
            raise ImageError("JPEG file is damaged: no marker where one is due; export it again")
        while data[at] == 0xFF:
            at += 1
        marker = data[at]
        at += 1
        if marker == 0xD9:
            yield 0x01, b"", at  # TEM, which has no body, stands for the end
            return
        if marker in (0x01, *range(0xD0, 0xD8)):
            continue
        (length,) = struct.unpack_from(">H", data, at)
        if length < 2 or at + length > len(data):
            raise ImageError("JPEG file is truncated: a segment ends early; copy or export it again")
        body = data[at + 2 : at + length]
        begin, at = at, at + length
        if marker == 0xDA:
            found = _IN_SCAN.search(data, at)
            at = len(data) if found is None else found.start()
            body = b"\xff\xda" + data[begin:at]
        yield marker, body, at


def _jpeg_2000(stream: bytes) -> bytes:
    """A JPEG 2000 codestream without the comments of its main header (T.800 A.9.2), and nothing behind its end."""
    out, at = [stream[:2]], 2
    while stream[at : at + 2] != b"\xff\x90":  # the first tile-part
        (length,) = struct.unpack_from(">H", stream, at + 2)
        if length < 2:
            raise ImageError("JPEG 2000 stream is damaged")
        if stream[at : at + 2] != b"\xff\x64":
            out.append(stream[at : at + 2 + length])
        at += 2 + length
    end = stream.rfind(b"\xff\xd9")
    return b"".join((*out, stream[at : end + 2 if end > at else len(stream)]))


# ---- TIFF ----

_TIFF_NEEDED = (
    *(254, 256, 257, 258, 259, 262, 266, 274, 277, 278, 282, 283, 284, 292, 293, 296, 317, 320, 322, 323, 338, 339),
    *(347, 529, 530, 531, 532),
)
"""What it takes to show the picture: size, depth, compression, colours, place of the samples, resolution, orientation."""
_STRIPS, _TILES = (273, 279), (324, 325)
_TIFF_TYPES = {1: 1, 3: 2, 4: 4, 5: 8, 7: 1, 16: 8}
_LONGEST_TAG = 3 * 65536 * 2
DEFLATE, NONE = (8, 32946), 1
JPEG_IN_TIFF, OLD_JPEG = 7, 6


def _tiff(data: bytes, orientation: int, left_out: list[str]) -> bytes:
    """The first page anew: its needed entries, then its strips or tiles as they are."""
    tiff = Tiff(data)
    entries, following = tiff.directory(tiff.first)
    places = _TILES if _TILES[0] in entries else _STRIPS
    compression = tiff.integer(entries.get(259), 1)
    if compression == OLD_JPEG:
        raise ImageError("TIFF compression must be another than the old JPEG, whose parts lie about; export it again")
    kept: dict[int, tuple[int, int, bytes]] = {}
    for tag, entry in sorted(entries.items()):
        if tag in places:
            continue
        size = _TIFF_TYPES.get(entry.type, 0) * entry.count
        if tag not in _TIFF_NEEDED or not size or size > _LONGEST_TAG or (entry.type == 7 and tag != 347):
            left_out.append(f"TIFF tag {tag}")
            continue
        kept[tag] = _value(tiff, entry, size)
    if 347 in kept:
        kind, _, tables = kept[347]
        tables = _jpeg_parts(tables, 1, left_out)
        kept[347] = (kind, len(tables), tables)
    kept.pop(254, None)
    if following:
        left_out.append("TIFF pages after the first")
    blocks = _blocks(tiff, entries, places, compression, left_out)
    content = _written(tiff.order, kept, places, blocks)
    if len(content) < len(data) and not left_out:
        left_out.append("bytes that belong to no tag")
    return content


def _value(tiff: Tiff, entry: TiffEntry, size: int) -> tuple[int, int, bytes]:
    """Type, count and bytes of an entry; numbers of 64 bits become such of 32."""
    value = tiff.data[entry.at : entry.at + size]
    if len(value) < size:
        raise ImageError("TIFF file is truncated: an entry ends early; copy or export it again")
    if entry.type == 16:
        return 4, entry.count, struct.pack(f"{tiff.order}{entry.count}I", *tiff.integers(entry))
    return entry.type, entry.count, value


def _blocks(
    tiff: Tiff, entries: dict[int, TiffEntry], places: tuple[int, int], compression: int, left_out: list[str]
) -> list[bytes]:
    """The strips or tiles, each no longer than what is packed in it."""
    offsets, counts = tiff.integers(entries.get(places[0])), tiff.integers(entries.get(places[1]))
    if not offsets:
        raise ImageError("TIFF file is damaged: no picture data; export it again")
    longest = _block_bytes(tiff, entries, places)
    if not counts and len(offsets) == 1:
        counts = (min(longest, len(tiff.data) - offsets[0]),)
    if len(counts) != len(offsets):
        raise ImageError("TIFF file is damaged: strips without their lengths; export it again")
    out = []
    for offset, count in zip(offsets, counts, strict=True):
        block = tiff.data[offset : offset + count]
        whole = block
        if compression == NONE:
            block = block[:longest]
        elif compression in DEFLATE:
            inflater = zlib.decompressobj()
            inflater.decompress(block, longest)
            block = block[: len(block) - len(inflater.unused_data)]
        elif compression == JPEG_IN_TIFF:
            block = _jpeg_parts(block, 1, left_out)
        if len(block) < len(whole) and compression != JPEG_IN_TIFF:
            left_out.append("bytes behind a strip")
        out.append(block)
    return out


def _block_bytes(tiff: Tiff, entries: dict[int, TiffEntry], places: tuple[int, int]) -> int:
    """Bytes of one strip or tile, not packed."""
    cols, rows = tiff.integer(entries.get(256), 0), tiff.integer(entries.get(257), 0)
    high = min(tiff.integer(entries.get(278), rows), rows)
    if places is _TILES:
        cols, high = tiff.integer(entries.get(322), cols), tiff.integer(entries.get(323), high)
    planes = 1 if tiff.integer(entries.get(284), 1) == 2 else tiff.integer(entries.get(277), 1)
    return high * -(-cols * planes * tiff.integer(entries.get(258), 1) // 8)


def _written(
    order: str, kept: dict[int, tuple[int, int, bytes]], places: tuple[int, int], blocks: list[bytes]
) -> bytes:
    """A TIFF of one page: directory, values, blocks, in this order."""
    number = len(blocks)
    tags = {**kept, places[0]: (4, number, b"\0" * 4 * number), places[1]: (4, number, b"\0" * 4 * number)}
    at = 8 + 2 + 12 * len(tags) + 4
    first = at + sum(len(value) + len(value) % 2 for _, _, value in tags.values() if len(value) > 4)
    offsets = [first]
    for block in blocks:
        offsets.append(offsets[-1] + len(block) + len(block) % 2)
    tags[places[0]] = (4, number, struct.pack(f"{order}{number}I", *offsets[:-1]))
    tags[places[1]] = (4, number, struct.pack(f"{order}{number}I", *map(len, blocks)))
    directory, values = [struct.pack(order + "H", len(tags))], []
    for tag, (kind, count, value) in sorted(tags.items()):
        if len(value) > 4:
            directory.append(struct.pack(order + "HHII", tag, kind, count, at))
            values.append(value + b"\0" * (len(value) % 2))
            at += len(values[-1])
        else:
            directory.append(struct.pack(order + "HHI", tag, kind, count) + value.ljust(4, b"\0"))
    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8)
    packed = [block + b"\0" * (len(block) % 2) for block in blocks]
    return b"".join((head, *directory, b"\0\0\0\0", *values, *packed))


# ---- BMP ----

_SRGB = 0x73524742


def _bmp(data: bytes, orientation: int, left_out: list[str]) -> bytes:
    start, size = struct.unpack_from("<II", data, 10)
    header = bytearray(data[14 : 14 + size])
    if size == 12:
        cols, rows, _, depth = struct.unpack_from("<HHHH", header, 4)
        compression, packed, used, entry = 0, 0, 0, 3
    else:
        cols, rows, _, depth, compression, packed = struct.unpack_from("<iiHHII", header, 4)
        (used,), entry = struct.unpack_from("<I", header, 32), 4
    if size >= 108:  # colour space and what describes it; a profile may lie behind the picture
        if any(header[56:108]) and struct.unpack_from("<I", header, 56)[0] != _SRGB:
            left_out.append("BMP colour space")
        struct.pack_into("<I", header, 56, _SRGB)
        header[60:108] = bytes(48)
        if any(header[112:]):
            left_out.append("BMP colour profile")
        header[112:] = bytes(len(header[112:]))
    masks = 12 if size == 40 and compression == 3 else 0
    colours = entry * (min(used or 1 << depth, 1 << depth) if depth <= 8 else 0)
    palette = data[14 + size : 14 + size + masks + colours][: max(0, start - 14 - size)]
    stride = (abs(cols) * depth + 31) // 32 * 4
    if compression in (0, 3):
        picture = bytearray(data[start : start + stride * abs(rows)])
        used_bytes, spare = abs(cols) * depth // 8, abs(cols) * depth % 8
        for row in range(0, len(picture), stride):
            end = row + used_bytes
            if spare:
                picture[end] &= 0xFF00 >> spare & 0xFF
                end += 1
            if any(picture[end : row + stride]):
                left_out.append("BMP bytes that fill its rows")
                picture[end : row + stride] = bytes(row + stride - end)
    else:
        picture = bytearray(data[start : start + packed] if packed else data[start:])
    content = b"BM" + struct.pack("<IHHI", 14 + size + len(palette) + len(picture), 0, 0, 14 + size + len(palette))
    content += bytes(header) + palette + picture
    if len(content) < len(data):
        left_out.append("bytes that belong to no part of the BMP")
    elif data[6:10] != b"\0\0\0\0":
        left_out.append("BMP reserved bytes")
    return content
