"""What the header of a PNG, TIFF, JPEG or BMP says, read before any pixel is decoded.

The decoder is told nothing of orientation, WhiteIsZero or premultiplied alpha: each would be applied behind our back
for some depths and not for others (measured with OpenCV 5.0.0: TIFF orientation always applied, even with
IGNORE_ORIENTATION; WhiteIsZero inverted at 8 bits but not at 16; unassociated alpha multiplied into 8-bit colours).
The tags that trigger it are overwritten in a copy of the bytes (`RasterHeader.edits`) and `raster` does the work once,
for every depth alike.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from itertools import count
from typing import NoReturn

from attrs import evolve, field, frozen

from wlmeasure.errors import ImageError

__all__ = ["MAX_DECODED_BYTES", "MAX_PIXELS", "RasterHeader", "Tiff", "TiffEntry", "check_size", "read_header"]

MAX_PIXELS = 48_000_000
"""Largest picture decoded, in pixels: a panoramic film scanned at 800 dpi; a guard against bombs (our parameter)."""

MAX_DECODED_BYTES = 256_000_000
"""Most bytes of a decoded picture, all its channels: 42 megapixels of 16-bit colour (our parameter)."""
MAX_PARTS = 500_000
"""Most chunks of a PNG; with 512 bytes in each it is as large as a file may be (our parameter)."""
MAX_FILL = 1000
"""Most fill bytes before a marker of a JPEG, which may be any number (our parameter)."""
MAX_MARKERS = 20_000
"""Most marker segments before a JPEG's first scan; real ones have a few dozen (our parameter)."""
MAX_SCANNED = 1_500_000_000
"""Most pixels of a JPEG times its scans: each of the ten or so of a progressive one goes over the picture (our parameter)."""
MAX_ENTRIES = 1000
"""Most entries of a TIFF directory: a few dozen tags are in use (our parameter)."""
MAX_STRIPS = 200_000
"""Most values of a TIFF entry that is read: a strip for each row of the highest picture (our parameter)."""

NOT_A_SCALE = "shown, never used as a scale"
_OUT_OF_FILE = (struct.error, IndexError, OverflowError)
"""What a read beyond the end raises; the last one for a 64-bit offset."""
_TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_INTEGERS = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}


@frozen
class RasterHeader:
    """Facts of one raster file; `edits` are (offset, bytes) to write into a copy before decoding."""

    rows: int
    cols: int
    bits: int
    orientation: int = 1
    white_is_zero: bool = False
    left_aligned: bool = False  # 10, 12 or 14 packed bits, which the decoder shifts up to 16
    alpha_columns: bool = False  # grey and alpha, to be decoded as every other column
    densities: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    edits: tuple[tuple[int, bytes], ...] = field(default=(), repr=False)


def read_header(data: bytes, kind: str) -> RasterHeader:
    """Header of a file of `kind` (PNG, TIFF, JPEG or BMP); ImageError if broken, cut short or not one picture."""
    try:
        return {"PNG": _png, "TIFF": _tiff, "JPEG": _jpeg, "BMP": _bmp}[kind](data)
    except _OUT_OF_FILE:
        _truncated(kind)


def check_size(rows: int, cols: int, *, max_pixels: int = MAX_PIXELS) -> None:
    """Refuse a picture without pixels or with more than `max_pixels`, before memory is taken for it."""
    if rows <= 0 or cols <= 0:
        raise ImageError(f"rows and columns must be > 0: {rows} x {cols}; export the image again")
    if rows * cols > max_pixels:
        raise ImageError(
            f"picture must have at most {max_pixels // 1_000_000} megapixels: {rows} x {cols}; "
            "cut out the region of the tooth first"
        )


def _check_channels(rows: int, cols: int, channels: int, bits: int) -> None:
    if rows * cols * channels * (1 if bits <= 8 else 2) > MAX_DECODED_BYTES:
        raise ImageError(
            f"picture must take at most {MAX_DECODED_BYTES // 1_000_000} MB decoded: {rows} x {cols} with {channels} channels "
            f"of {bits} bits; save it as a grey image"
        )


def _truncated(kind: str) -> NoReturn:
    raise ImageError(f"{kind} file is truncated: the header or the picture ends early; copy or export it again")


def _damaged(kind: str, what: str) -> NoReturn:
    raise ImageError(f"{kind} file is damaged: {what}; copy or export it again")


def _refused(kind: str, field_name: str, rule: str, value: object) -> NoReturn:
    raise ImageError(f"{kind} {field_name} must be {rule}: {value}; save it as a single 8 or 16 bit grey image")


def _density(tag: str, across: float, down: float, unit: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The resolution tag in words, and a warning where it says that pixels are not square."""
    text = f"{tag} {across:g} x {down:g} {unit}: {NOT_A_SCALE}"
    if across == down or across <= 0 or down <= 0:
        return (text,), ()
    return (text,), (f"{tag} differs across and down: {across:g}, {down:g}; pixels are taken as square",)


# ---- PNG (W3C PNG third edition) ----


def _png(data: bytes) -> RasterHeader:
    if data[12:16] != b"IHDR":
        _damaged("PNG", "no IHDR")
    cols, rows, bits, colour = struct.unpack_from(">IIBB", data, 16)
    check_size(rows, cols)
    _check_channels(rows, cols, {0: 1, 4: 2}.get(colour, 4), bits)
    header, exif = RasterHeader(rows, cols, bits), False
    view, at, kind, parts = memoryview(data), 8, b"", 0
    while kind != b"IEND":
        parts += 1
        if parts > MAX_PARTS:
            _damaged("PNG", f"more than {MAX_PARTS} chunks")
        (length,) = struct.unpack_from(">I", data, at)
        kind, end = data[at + 4 : at + 8], at + 8 + length
        if end + 4 > len(data):
            _truncated("PNG")
        # The decoder checks it too, but complains on stderr; 0.5 ms for 2.4 MB.
        if zlib.crc32(view[at + 4 : end]) != int.from_bytes(view[end : end + 4], "big"):
            _damaged("PNG", "a checksum (CRC) does not match")
        if kind == b"pHYs" and not header.densities:
            across, down, unit = struct.unpack_from(">IIB", data, at + 8)
            densities, warnings = _density("pHYs", across, down, "px/m" if unit == 1 else "(ratio only)")
            header = evolve(header, densities=densities, warnings=header.warnings + warnings)
        elif kind == b"eXIf" and not exif:
            exif = True
            header = _with_exif(header, data[at + 8 : end])
        elif kind == b"acTL" and length >= 4 and struct.unpack_from(">I", data, at + 8)[0] > 1:
            _refused("PNG", "frames", "1", struct.unpack_from(">I", data, at + 8)[0])
        at = end + 4
    return header


# ---- JPEG (ITU-T T.81; JFIF; Exif) ----


def _jpeg(data: bytes) -> RasterHeader:
    header, at, exif = None, 2, b""
    densities: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    for parts in count():
        if parts > MAX_MARKERS:
            _damaged("JPEG", f"more than {MAX_MARKERS} markers")
        if data[at] != 0xFF:
            _damaged("JPEG", "no marker where one is due")
        begin = at
        while data[at] == 0xFF:
            at += 1
            if at - begin > MAX_FILL:
                _damaged("JPEG", f"more than {MAX_FILL} fill bytes")
        marker = data[at]
        at += 1
        if marker == 0xD9:
            _damaged("JPEG", "it ends before the picture")
        if marker in (0x01, *range(0xD0, 0xD8)):
            continue
        (length,) = struct.unpack_from(">H", data, at)
        if at + length > len(data):
            _truncated("JPEG")
        if marker == 0xDA:
            break
        body = data[at + 2 : at + length]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            bits, rows, cols, components = struct.unpack_from(">BHHB", body)
            check_size(rows, cols)
            if bits != 8:
                _refused("JPEG", "bits per sample", "8", bits)
            if components not in (1, 3):
                _refused("JPEG", "components", "1 (grey) or 3", components)
            _check_channels(rows, cols, components, bits)
            header = RasterHeader(rows, cols, bits)
        elif marker == 0xE0 and body.startswith(b"JFIF\0") and not densities:
            unit, across, down = struct.unpack_from(">BHH", body, 7)
            unit_words = {1: "px/inch", 2: "px/cm"}.get(unit, "(ratio only)")
            densities, warnings = _density("JFIF density", across, down, unit_words)
        elif marker == 0xE1 and body.startswith(b"Exif\0\0") and not exif:
            exif = body[6:]
        at += length
    if header is None:
        _damaged("JPEG", "no frame header")
    scans = data.count(b"\xff\xda", at)
    if scans * header.rows * header.cols > MAX_SCANNED:
        _damaged("JPEG", f"{scans} scans")
    # Entropy-coded data stuffs a zero after FF, so FF D9 behind the scan header is the end marker.
    if data.rfind(b"\xff\xd9", at) < 0:
        _truncated("JPEG")
    header = evolve(header, densities=densities, warnings=warnings)
    return _with_exif(header, exif) if exif else header


# ---- BMP ----

_BMP_HEADERS = (12, 40, 52, 56, 64, 108, 124)


def _bmp(data: bytes) -> RasterHeader:
    start, size = struct.unpack_from("<II", data, 10)
    if size not in _BMP_HEADERS:
        raise ImageError("file must be PNG, TIFF, JPEG, BMP or DICOM: its content is none of them")
    densities: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    compression = 0
    if size == 12:
        cols, rows, _, depth = struct.unpack_from("<HHHH", data, 18)
    else:
        cols, rows, _, depth, compression, _, across, down = struct.unpack_from("<iiHHIIii", data, 18)
        if across > 0 and down > 0:
            densities, warnings = _density("BMP resolution", across, down, "px/m")
    rows = abs(rows)  # negative: stored from the top
    check_size(rows, cols)
    _check_channels(rows, cols, 3 if depth != 32 else 4, 8)
    if depth not in (1, 4, 8, 16, 24, 32) or compression not in (0, 1, 2, 3):
        _refused("BMP", "depth and compression", "1 to 32 bits, uncompressed or run-length", f"{depth}, {compression}")
    if compression in (0, 3) and start + (cols * depth + 31) // 32 * 4 * rows > len(data):
        _truncated("BMP")
    return RasterHeader(rows, cols, min(depth, 8), densities=densities, warnings=warnings)


# ---- TIFF 6.0, BigTIFF, and the TIFF inside Exif ----


@frozen
class TiffEntry:
    type: int
    count: int
    at: int  # where the value lies
    count_at: int


class Tiff:
    """Directories of one TIFF; every read is bounded by the file."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.order = {b"II": "<", b"MM": ">"}.get(data[:2], "")
        if not self.order:
            _damaged("TIFF", "no byte order")
        (version,) = struct.unpack_from(self.order + "H", data, 2)
        if version not in (42, 43):
            _damaged("TIFF", f"version {version}")
        self.big = version == 43
        self.first = struct.unpack_from(self.order + ("Q" if self.big else "I"), data, 8 if self.big else 4)[0]

    def directory(self, at: int) -> tuple[dict[int, TiffEntry], int]:
        count_code, entry_size, word = ("Q", 20, "Q") if self.big else ("H", 12, "I")
        (count,) = struct.unpack_from(self.order + count_code, self.data, at)
        at += struct.calcsize("<" + count_code)
        if at + count * entry_size > len(self.data):
            _truncated("TIFF")
        if count > MAX_ENTRIES:
            _damaged("TIFF", f"a directory of more than {MAX_ENTRIES} entries")
        entries: dict[int, TiffEntry] = {}
        inline = struct.calcsize("<" + word)
        for start in range(at, at + count * entry_size, entry_size):
            tag, kind, number = struct.unpack_from(self.order + "HH" + word, self.data, start)
            value_at = start + 4 + inline
            if _TYPE_SIZES.get(kind, 0) * number > inline:
                (value_at,) = struct.unpack_from(self.order + word, self.data, value_at)
            entries.setdefault(tag, TiffEntry(kind, number, value_at, start + 4))
        (following,) = struct.unpack_from(self.order + word, self.data, at + count * entry_size)
        return entries, following

    def integers(self, entry: TiffEntry | None, default: tuple[int, ...] = ()) -> tuple[int, ...]:
        if entry is None or entry.type not in _INTEGERS:
            return default
        if entry.at + entry.count * _TYPE_SIZES[entry.type] > len(self.data):
            _truncated("TIFF")
        if entry.count > MAX_STRIPS:
            _damaged("TIFF", f"more than {MAX_STRIPS} values of one entry")
        return struct.unpack_from(f"{self.order}{entry.count}{_INTEGERS[entry.type]}", self.data, entry.at)

    def integer(self, entry: TiffEntry | None, default: int) -> int:
        return (*self.integers(entry)[:1], default)[0]

    def rational(self, entry: TiffEntry | None) -> float:
        if entry is None or entry.type != 5:
            return 0.0
        over, under = struct.unpack_from(self.order + "II", self.data, entry.at)
        return over / under if under else 0.0

    def write(self, entry: TiffEntry, value: int) -> tuple[int, bytes]:
        if entry.type not in _INTEGERS:
            _damaged("TIFF", f"a number of type {entry.type}")
        return entry.at, struct.pack(self.order + _INTEGERS[entry.type], value)

    def resolution(self, entries: dict[int, TiffEntry]) -> tuple[tuple[str, ...], tuple[str, ...]]:
        across, down = self.rational(entries.get(282)), self.rational(entries.get(283))
        if across <= 0.0 and down <= 0.0:
            return (), ()
        unit = {2: "px/inch", 3: "px/cm"}.get(self.integer(entries.get(296), 2), "(ratio only)")
        return _density("XResolution, YResolution", across, down, unit)


def _orientation(tiff: Tiff, entries: dict[int, TiffEntry]) -> tuple[int, tuple[str, ...]]:
    value = tiff.integer(entries.get(274), 1)
    if 1 <= value <= 8:
        return value, ()
    return 1, (f"orientation must be 1 to 8: {value}; taken as 1, not turned",)


def _with_exif(header: RasterHeader, exif: bytes) -> RasterHeader:
    try:
        tiff = Tiff(exif)
        entries, _ = tiff.directory(tiff.first)
        orientation, warnings = _orientation(tiff, entries)
        densities, uneven = tiff.resolution(entries)
    except (ImageError, *_OUT_OF_FILE):
        # A broken note beside a good picture costs the note only.
        return evolve(header, warnings=(*header.warnings, "Exif data cannot be read; the image is not turned"))
    return evolve(
        header,
        orientation=orientation,
        densities=header.densities + densities,
        warnings=header.warnings + warnings + uneven,
    )


def _later_pages(tiff: Tiff, at: int) -> Iterator[dict[int, TiffEntry]]:
    seen = {tiff.first}
    while at:
        if at in seen or len(seen) > 1000:
            _damaged("TIFF", "its pages run in a circle or number more than 1000")
        seen.add(at)
        entries, at = tiff.directory(at)
        yield entries


def _tiff(data: bytes) -> RasterHeader:
    tiff = Tiff(data)
    entries, following = tiff.directory(tiff.first)
    cols, rows = tiff.integer(entries.get(256), 0), tiff.integer(entries.get(257), 0)
    check_size(rows, cols)
    warnings: list[str] = []
    for page in _later_pages(tiff, following):
        if not tiff.integer(page.get(254), 0) & 1:  # bit 0: a reduced version of another page
            _refused("TIFF", "pages", "1", "more than 1")
        warnings = ["a reduced preview page is ignored"]

    samples = tiff.integer(entries.get(277), 1)
    depths = tiff.integers(entries.get(258), (1,))
    if len(set(depths)) != 1 or depths[0] not in (1, 8, 10, 12, 14, 16):
        _refused("TIFF", "bits per sample", "1, 8, 10, 12, 14 or 16", sorted(set(depths))[:4])
    bits = depths[0]
    formats = set(tiff.integers(entries.get(339), (1,))) - {4}  # 4: undefined, i.e. unsigned
    if formats - {1}:
        named = {2: "signed integers", 3: "floating point", 5: "complex", 6: "complex"}
        _refused("TIFF", "samples", "unsigned integers", ", ".join(named.get(f, str(f)) for f in sorted(formats)[:4]))
    _check_channels(rows, cols, max(samples, 1), bits)
    photometric = tiff.integer(entries.get(262), 1)
    if photometric not in (0, 1, 2, 3, 6):
        _refused("TIFF", "photometric interpretation", "grey, palette or RGB", photometric)
    _check_extents(tiff, entries)

    orientation, turned = _orientation(tiff, entries)
    densities, uneven = tiff.resolution(entries)
    edits: list[tuple[int, bytes]] = []
    if orientation != 1:
        edits.append(tiff.write(entries[274], 1))
    white_is_zero = photometric == 0 and 262 in entries
    if white_is_zero:
        edits.append(tiff.write(entries[262], 1))
        warnings.append("WhiteIsZero: stored values are inverted once, so that bright is dense")
    alpha_columns = photometric in (0, 1) and samples == 2 and bits == 16
    if alpha_columns:
        edits += _as_columns(tiff, entries, cols)
    elif samples == 2 and photometric in (0, 1):
        warnings.append("a second sample of each pixel (alpha) is ignored; the stored grey values are used")
    elif tiff.integers(entries.get(338)) == (2,):
        edits.append(tiff.write(entries[338], 1))
    return RasterHeader(
        rows,
        cols,
        bits,
        orientation=orientation,
        white_is_zero=white_is_zero,
        left_aligned=bits in (10, 12, 14),
        alpha_columns=alpha_columns,
        densities=densities,
        warnings=(*warnings, *turned, *uneven),
        edits=tuple(edits),
    )


def _check_extents(tiff: Tiff, entries: dict[int, TiffEntry]) -> None:
    """Every strip or tile must lie within the file."""
    for offsets_tag, counts_tag in ((273, 279), (324, 325)):
        offsets, counts = tiff.integers(entries.get(offsets_tag)), tiff.integers(entries.get(counts_tag))
        if any(offset + count > len(tiff.data) for offset, count in zip(offsets, counts, strict=False)):
            _truncated("TIFF")
    if 273 not in entries and 324 not in entries:
        _damaged("TIFF", "no picture data")


def _as_columns(tiff: Tiff, entries: dict[int, TiffEntry], cols: int) -> list[tuple[int, bytes]]:
    """16-bit grey and alpha: the decoder cuts it to 8 bits, so it is shown one sample per pixel and twice as wide."""
    plain = tiff.integer(entries.get(317), 1) == 1 and tiff.integer(entries.get(284), 1) == 1 and 324 not in entries
    if not plain or (entries[256].type == 3 and 2 * cols > 65535):
        _refused("TIFF", "16 bit grey with alpha", "in strips without predictor", "another layout")
    depth = entries[258]
    one = struct.pack(tiff.order + ("Q" if tiff.big else "I"), 1)
    edits = [tiff.write(entries[256], 2 * cols), tiff.write(entries[277], 1), (depth.count_at, one)]
    if 338 in entries:
        edits.append(tiff.write(entries[338], 0))
    return edits
