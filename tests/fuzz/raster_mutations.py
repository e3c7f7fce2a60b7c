"""Damage to PNG, TIFF, JPEG and BMP files that knows their structure: pure functions of bytes and a random generator."""

from __future__ import annotations

import struct
import zlib

import numpy as np

from tests.fuzz.dicom_mutations import packed_zeros, pick, torn

Rng = np.random.Generator

MOST_BYTES = 64 * 2**20  # of a part that is written again and again
SIZES = (0, 1, 2, 255, 4096, 30_000, 65_535, 65_536, 1_000_000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


# ---- PNG ----


def chunk(name: bytes, body: bytes, *, crc: int | None = None) -> bytes:
    """One chunk with its checksum right, or the one given."""
    end = zlib.crc32(name + body) if crc is None else crc
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", end)


def chunks(content: bytes) -> list[tuple[bytes, bytes]]:
    out, at = [], 8
    while at + 8 <= len(content):
        (length,) = struct.unpack_from(">I", content, at)
        out.append((content[at + 4 : at + 8], content[at + 8 : at + 8 + length]))
        at += 12 + length
    return out


def _png_bomb(rng: Rng) -> list[tuple[bytes, bytes]]:
    """A picture of zeros, as large as is let in or larger, out of a few kilobytes; sometimes shorter than it says."""
    depth, colour, channels = pick(rng, ((8, 0, 1), (16, 0, 1), (8, 2, 3), (16, 6, 4), (1, 0, 1), (8, 3, 1)))
    rows, cols = pick(rng, ((3000, 3000), (9000, 9000), (14_000, 14_000), (200_000, 900), (900, 200_000)))
    interlace = int(rng.integers(2))
    line = 1 + (cols * depth * channels + 7) // 8
    size = min(rows * line, int(pick(rng, (1_000_000, 60_000_000, 250_000_000))))
    body = packed_zeros(size // 1_000_000 + 1)
    head = struct.pack(">IIBBBBB", cols, rows, depth, colour, 0, 0, interlace)
    palette = [(b"PLTE", bytes(range(6)))] if colour == 3 else []
    return [(b"IHDR", head), *palette, (b"IDAT", body), (b"IEND", b"")]


def png(seed: bytes, rng: Rng) -> bytes:
    parts = chunks(seed)
    head = bytearray(parts[0][1])
    for _ in range(int(pick(rng, (1, 1, 2, 3)))):
        kind = int(rng.integers(14))
        k = int(rng.integers(len(parts)))
        if kind == 0:  # width or height
            struct.pack_into(">I", head, int(pick(rng, (0, 4))), int(pick(rng, SIZES)))
        elif kind == 1:  # depth, colour type, compression, filter, interlace
            head[int(rng.integers(8, 13))] = int(pick(rng, (0, 1, 2, 3, 4, 5, 6, 7, 8, 16, 32, 255)))
        elif kind == 2:
            del parts[k]
        elif kind == 3:
            most = MOST_BYTES // (len(parts[k][1]) + 1) + 1  # a picture's own data 2000 times would be gigabytes
            parts[k:k] = [parts[k]] * min(int(pick(rng, (1, 2, 2000))), most)
        elif kind == 4:
            parts[k] = (parts[k][0], torn(parts[k][1], rng))
        elif kind == 5:  # filters and values inside the compressed data
            at = next((n for n, part in enumerate(parts) if part[0] == b"IDAT"), None)
            if at is not None:
                try:
                    raw = bytearray(zlib.decompress(parts[at][1]))
                except zlib.error:
                    raw = bytearray(parts[at][1])
                for _ in range(8):
                    if raw:
                        raw[int(rng.integers(len(raw)))] = int(rng.integers(256))
                parts[at] = (b"IDAT", zlib.compress(bytes(raw[: int(pick(rng, (len(raw), len(raw) // 2, 0)))])))
        elif kind == 6:
            parts.insert(1, (b"PLTE", rng.bytes(int(pick(rng, (0, 3, 4, 768, 771))))))
        elif kind == 7:
            parts.insert(1, (b"tRNS", rng.bytes(int(pick(rng, (0, 1, 2, 6, 256, 5000))))))
        elif kind == 8:
            parts.insert(1, (b"eXIf", tiff(EXIF, rng)))
        elif kind == 9:
            many = (b"pHYs", struct.pack(">IIB", 1, 2, 1)), (b"tEXt", b"a\0b"), (b"IDAT", b""), (b"eXIf", EXIF)
            parts[1:1] = [pick(rng, many)] * int(pick(rng, (2, 3000, 40_000)))
        elif kind == 10:  # compressed text or profile that grows
            text = packed_zeros(int(pick(rng, (1, 50))))
            parts.insert(
                1, pick(rng, ((b"zTXt", b"k\0\0" + text), (b"iCCP", b"p\0\0" + text), (b"iTXt", b"k\0\1\0\0\0" + text)))
            )
        elif kind == 11:
            parts.insert(
                1,
                (
                    b"acTL",
                    pick(rng, (b"", struct.pack(">II", 2, 0), struct.pack(">II", 1, 0), struct.pack(">II", 0, 0))),
                ),
            )
            parts.insert(2, (b"fcTL", rng.bytes(26)))
        elif kind == 12:
            parts.insert(
                int(rng.integers(len(parts) + 1)), (bytes(rng.integers(65, 122, 4, dtype=np.uint8)), rng.bytes(20))
            )
        elif rng.random() < 0.25:
            parts = _png_bomb(rng)
            head = bytearray(parts[0][1])
    out = [seed[:8]]
    for name, body in parts:
        body = bytes(head) if name == b"IHDR" else body
        out.append(chunk(name, body, crc=0 if rng.random() < 0.004 else None))
    return _cut(b"".join(out), rng)


# ---- TIFF ----


def _directory(content: bytes) -> tuple[str, bool, int, int]:
    """Byte order, whether BigTIFF, where the entries of the first directory begin, and how many there are."""
    order = "<" if content[:2] == b"II" else ">"
    big = struct.unpack_from(order + "H", content, 2)[0] == 43
    (at,) = struct.unpack_from(order + ("Q" if big else "I"), content, 8 if big else 4)
    (count,) = struct.unpack_from(order + ("Q" if big else "H"), content, at)
    return order, big, at + (8 if big else 2), count


TAGS = (
    254,
    256,
    257,
    258,
    259,
    262,
    266,
    273,
    274,
    277,
    278,
    279,
    282,
    283,
    284,
    296,
    317,
    320,
    322,
    323,
    324,
    325,
    338,
    339,
    347,
    530,
    34665,
)
COMPRESSIONS = (1, 2, 3, 4, 5, 6, 7, 8, 32773, 32946, 34712, 34925, 50000, 50001, 0, 65535)


def tiff(seed: bytes, rng: Rng) -> bytes:
    data = bytearray(seed)
    try:
        order, big, at, count = _directory(seed)
    except struct.error:
        return torn(seed, rng)
    size, word = (20, "Q") if big else (12, "I")
    for _ in range(int(pick(rng, (1, 1, 2, 3)))):
        kind = int(rng.integers(12))
        entry = at + size * int(rng.integers(max(1, min(count, 60))))
        if entry + size > len(data):
            return torn(bytes(data), rng)
        value_at = entry + (12 if big else 8)
        if kind == 0:
            struct.pack_into(order + "H", data, entry, int(pick(rng, TAGS)))
        elif kind == 1:
            struct.pack_into(
                order + "H", data, entry + 2, int(pick(rng, (0, 1, 2, 3, 4, 5, 6, 11, 12, 13, 16, 18, 255, 65535)))
            )
        elif kind == 2:  # how many values
            struct.pack_into(
                order + word, data, entry + 4, int(pick(rng, (0, 1, 2, 3, 5, 1000, 100_000, 0x7FFFFFFF, 0xFFFFFFFF)))
            )
        elif kind == 3:  # value or where it lies
            struct.pack_into(order + word, data, value_at, int(pick(rng, (*SIZES, 8, at, len(data), len(data) - 1))))
        elif kind == 4:
            struct.pack_into(order + "H", data, value_at, int(pick(rng, (0, 1, 2, 3, 4, 8, 16, 32, 65535))))
        elif kind == 5:
            _set(data, order, size, at, count, 259, int(pick(rng, COMPRESSIONS)))
        elif kind == 6:  # where the next directory lies: here, at the start, beyond
            following = at + size * count
            if following + (8 if big else 4) <= len(data):
                struct.pack_into(
                    order + word, data, following, int(pick(rng, (at - (8 if big else 2), 8, len(data), 1, 0xFFFFFFFF)))
                )
        elif kind == 7:  # number of entries
            struct.pack_into(
                order + ("Q" if big else "H"),
                data,
                at - (8 if big else 2),
                int(pick(rng, (0, 1, count + 1, count - 1, 65535))),
            )
        elif kind == 8:
            _set(
                data, order, size, at, count, int(pick(rng, (256, 257, 278, 322, 323))), int(pick(rng, SIZES)) & 0xFFFF
            )
        elif kind == 9:
            _set(
                data,
                order,
                size,
                at,
                count,
                int(pick(rng, (258, 262, 266, 277, 284, 317, 338, 339, 274))),
                int(pick(rng, (0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 16, 24, 32, 64, 255))),
            )
        elif kind == 10:
            return _cut(_chain(order, rng), rng)
        else:
            data = bytearray(torn(bytes(data), rng))
            if len(data) < at + size:
                return bytes(data)
    return _cut(bytes(data), rng)


def _set(data: bytearray, order: str, size: int, at: int, count: int, tag: int, value: int) -> None:
    for entry in range(at, min(at + size * count, len(data) - size + 1), size):
        if struct.unpack_from(order + "H", data, entry)[0] == tag:
            struct.pack_into(order + "H", data, entry + (12 if size == 20 else 8), value)


def _chain(order: str, rng: Rng) -> bytes:
    """Directories one behind the other, or one inside the other, with thousands of entries each."""
    pages, entries = pick(rng, ((3, 10), (900, 3), (1200, 1), (40, 3000), (900, 3000)))
    overlapping = entries == 3000
    fill = struct.pack(order + "HHII", 254, 4, 1, 1)
    out = bytearray((b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8))
    step = 2 if overlapping else 6 + 12 * entries
    out += b"\0" * (step * pages + 6 + 12 * entries)
    for k in range(pages):
        begin = 8 + k * step
        if overlapping:
            struct.pack_into(order + "H", out, begin, entries)
        else:
            out[begin : begin + step] = (
                struct.pack(order + "H", entries) + fill * entries + struct.pack(order + "I", begin + step)
            )
    if overlapping:  # every directory says that the next one begins two bytes on
        for k in range(pages):
            end = 8 + k * step + 2 + 12 * entries
            if end + 4 <= len(out):
                struct.pack_into(order + "H", out, end, (8 + (k + 1) * step) & 0xFFFF)
    return bytes(out)


# ---- JPEG ----


def segments(content: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    """Markers with their bodies up to the scan, and everything from the scan's marker on."""
    out, at = [], 2
    while at + 4 <= len(content):
        marker = content[at + 1]
        if marker == 0xDA:
            break
        (length,) = struct.unpack_from(">H", content, at + 2)
        out.append((marker, content[at + 4 : at + 2 + length]))
        at += 2 + length
    return out, content[at:]


def jpeg(seed: bytes, rng: Rng) -> bytes:
    parts, scan = segments(seed)
    for _ in range(int(pick(rng, (1, 1, 2, 3)))):
        kind = int(rng.integers(13))
        k = int(rng.integers(len(parts))) if parts else 0
        frame = next(
            (n for n, part in enumerate(parts) if 0xC0 <= part[0] <= 0xCF and part[0] not in (0xC4, 0xC8, 0xCC)), None
        )
        if kind in (0, 1) and frame is not None:
            body = bytearray(parts[frame][1])
            if kind == 0:
                struct.pack_into(">H", body, int(pick(rng, (1, 3))), int(pick(rng, (0, 1, 7, 255, 8000, 65535))))
            else:
                body[int(rng.integers(len(body)))] = int(rng.integers(256))
            parts[frame] = (parts[frame][0], bytes(body))
        elif kind == 2 and frame is not None:  # another process than the data are in
            parts[frame] = (
                int(pick(rng, (0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC9, 0xCA, 0xCB, 0xCF, 0xF7))),
                parts[frame][1],
            )
        elif kind == 3 and parts:
            del parts[k]
        elif kind == 4 and parts:
            parts[k:k] = [parts[k]] * int(pick(rng, (1, 2, 3000)))
        elif kind == 5 and parts:
            parts[k] = (parts[k][0], torn(parts[k][1], rng))
        elif kind == 6:  # restart intervals that the data do not have
            parts.append((0xDD, struct.pack(">H", int(pick(rng, (0, 1, 3, 65535))))))
        elif kind == 7:
            parts.insert(0, (0xE1, b"Exif\0\0" + tiff(EXIF, rng)[:60_000]))
        elif kind == 8:
            parts[0:0] = [
                (0xE0, b"JFIF\0\1\1\1" + struct.pack(">HH", *(int(v) for v in rng.integers(0, 65536, 2))) + b"\0\0")
            ] * int(pick(rng, (1, 5000)))
        elif kind == 9:
            scan = scan[: int(rng.integers(len(scan) + 1))] + pick(rng, (b"", b"\xff\xd9", b"\xff" * 50_000 + b"\xd9"))
        elif kind == 10:
            scan = scan[:14] + torn(scan[14:], rng)
        elif kind == 11:  # scan after scan over the whole picture
            scan = scan[:-2] * int(pick(rng, (2, 50, 400))) + b"\xff\xd9"
        else:
            parts.insert(0, (0xFE, b"\xff\xd8\xff\xd9" * 10))
    body = b"".join(
        bytes((0xFF, marker)) + struct.pack(">H", (len(inner) + 2) & 0xFFFF) + inner for marker, inner in parts
    )
    fill = b"\xff" * int(pick(rng, (0, 0, 0, 0, 3, 100_000)))
    return _cut(seed[:2] + fill + body + scan, rng)


# ---- BMP ----


def bmp(seed: bytes, rng: Rng) -> bytes:
    data = bytearray(seed)
    for _ in range(int(pick(rng, (1, 1, 2, 3)))):
        kind = int(rng.integers(6))
        if kind == 0:  # width, height
            struct.pack_into("<I", data, int(pick(rng, (18, 22))), int(pick(rng, (*SIZES, 0xFFFFFFF0, 0xFFFF0000))))
        elif kind == 1:
            struct.pack_into("<H", data, 28, int(pick(rng, (0, 1, 2, 4, 8, 15, 16, 24, 32, 64, 65535))))
        elif kind == 2:
            struct.pack_into("<I", data, 30, int(pick(rng, (0, 1, 2, 3, 4, 5, 6, 255))))
        elif kind == 3:  # where the pixels begin, size of the header, colours
            struct.pack_into(
                "<I",
                data,
                int(pick(rng, (2, 10, 14, 34, 46, 50))),
                int(pick(rng, (*SIZES, 12, 40, 52, 56, 64, 108, 124, len(data)))),
            )
        elif kind == 4:
            struct.pack_into("<H", data, 26, int(pick(rng, (0, 1, 2, 65535))))
        else:
            data = bytearray(torn(bytes(data), rng))
            if len(data) < 54:
                return bytes(data)
    return _cut(bytes(data), rng)


def _cut(content: bytes, rng: Rng) -> bytes:
    return content[: int(rng.integers(len(content) + 1))] if rng.random() < 0.06 else content


def _exif() -> bytes:
    entries = [(274, 3, 1, 6), (282, 5, 1, 62), (283, 5, 1, 62), (296, 3, 1, 2)]
    out = b"II*\0" + struct.pack("<IH", 8, len(entries))
    out += b"".join(struct.pack("<HHII", *entry) for entry in entries) + struct.pack("<I", 0)
    return out + struct.pack("<II", 300, 1)


EXIF = _exif()
