"""A file's picture alone: whatever else was there is gone, and damage is one clear line."""

import io
import struct
import zlib

import numpy as np
import pytest
from PIL import Image

from wlmeasure.errors import ImageError
from wlmeasure.image.bare import bare, bare_stream
from wlmeasure.image.blackened import raster_samples
from wlmeasure.image.reading import content_kind

GREY = (np.add.outer(np.arange(37), 3 * np.arange(53)) % 251).astype(np.uint8)
MODES = {
    "grey": Image.fromarray(GREY),
    "16 bit": Image.fromarray(GREY.astype(np.uint16) * 257),
    "1 bit": Image.fromarray(GREY).convert("1"),
    "palette": Image.fromarray(GREY).convert("P"),
    "grey and alpha": Image.merge("LA", (Image.fromarray(GREY), Image.fromarray(GREY[::-1]))),
    "colour": Image.fromarray(np.dstack([GREY, GREY[::-1], GREY[:, ::-1]])),
}
FORMS = [
    *(("PNG", mode, {}) for mode in MODES),
    *(("JPEG", mode, {"quality": 80, "progressive": p}) for mode in ("grey", "colour") for p in (False, True)),
    *(("BMP", mode, {}) for mode in ("grey", "1 bit", "palette", "colour")),
    *(
        ("TIFF", mode, {"compression": packed})
        for mode in ("grey", "colour")
        for packed in (None, "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg")
    ),
    ("TIFF", "16 bit", {"compression": "tiff_lzw"}),
]


def made(form, mode, options):
    sink = io.BytesIO()
    MODES[mode].save(sink, form, **options)
    return sink.getvalue()


def pixels(data):
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture)


@pytest.mark.parametrize(("form", "mode", "options"), FORMS)
def test_another_reader_sees_the_same_picture(form, mode, options):
    data = made(form, mode, options)
    alone = bare(data + b"SMITH^JANE", content_kind(data)).content
    assert b"SMITH" not in alone
    np.testing.assert_array_equal(pixels(alone), pixels(data))
    assert bare(alone, form).content == alone
    assert bare(alone, form).left_out == ()


def test_a_plain_png_stays_byte_for_byte():
    data = made("PNG", "grey", {})
    assert bare(data, "PNG") == bare(data, "PNG")
    assert bare(data, "PNG").content == data


@pytest.mark.parametrize("interlaced", [False, True])
def test_rows_behind_the_last_one_go(interlaced):
    """8 by 5 pixels of 4 bits; in Adam7 the passes have rows of 1, 1, 2, 2, 4, 4, 8 pixels (PNG, figure 4.8)."""
    rows = [(1, 1), (1, 1), (1, 2), (2, 2), (1, 4), (3, 4), (2, 8)] if interlaced else [(5, 8)]
    raw = b"".join((b"\0" + bytes((wide + 1) // 2)) * high for high, wide in rows)

    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 8, 5, 4, 0, 0, 0, interlaced))
    whole = head + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    assert bare(whole, "PNG").left_out == ()
    longer = head + chunk(b"IDAT", zlib.compress(raw + b"SMITH")) + chunk(b"IEND", b"")
    found = bare(longer, "PNG")
    assert found.left_out == ("bytes behind the picture's last row",)
    packed = found.content[found.content.index(b"IDAT") + 4 :]
    assert zlib.decompressobj().decompress(packed) == raw


def test_rows_of_a_bmp_are_filled_with_nothing():
    """53 pixels of 8 bits take 56 bytes a row: three of each row are free."""
    data = bytearray(made("BMP", "grey", {}))
    (start,) = struct.unpack_from("<I", data, 10)
    for row in range(37):
        data[start + 56 * row + 53 : start + 56 * row + 56] = b"QZX"
    alone = bare(bytes(data), "BMP")
    assert b"QZX" not in alone.content
    assert alone.left_out == ("BMP bytes that fill its rows",)
    np.testing.assert_array_equal(pixels(alone.content), GREY)


@pytest.mark.parametrize("end", ["little", "big"])
def test_a_tiff_of_several_strips_and_either_byte_order(end):
    """Made by hand: 4 rows of 3 pixels in strips of 2, a tag of the maker's own, a second page."""
    order = "<" if end == "little" else ">"
    strips = [bytes(range(6)), bytes(range(6, 12)) + b"SMITH"]

    def entry(tag, kind, count, value):
        return struct.pack(f"{order}HHI", tag, kind, count) + value

    def short(value):
        return struct.pack(f"{order}HH", value, 0)

    def long(value):
        return struct.pack(f"{order}I", value)

    entries = 10
    behind = 8 + 2 + 12 * entries + 4
    offsets, counts, words, first, second = (behind + step for step in (0, 8, 16, 22, 28))
    body = [
        *(
            entry(256, 3, 1, short(3)),
            entry(257, 3, 1, short(4)),
            entry(258, 3, 1, short(8)),
            entry(259, 3, 1, short(1)),
        ),
        *(entry(262, 3, 1, short(1)), entry(273, 4, 2, long(offsets)), entry(277, 3, 1, short(1))),
        *(entry(278, 3, 1, short(2)), entry(279, 4, 2, long(counts)), entry(65001, 2, 6, long(words))),
    ]
    data = (b"II" if end == "little" else b"MM") + struct.pack(f"{order}HI", 42, 8) + struct.pack(f"{order}H", entries)
    data += b"".join(body) + long(0) + long(first) + long(second) + long(6) + long(11) + b"SMITH\0" + b"".join(strips)
    alone = bare(data, "TIFF")
    assert b"SMITH" not in alone.content
    assert set(alone.left_out) == {"TIFF tag 65001", "bytes behind a strip"}
    np.testing.assert_array_equal(pixels(alone.content), np.arange(12).reshape(4, 3))
    np.testing.assert_array_equal(raster_samples(alone.content, "TIFF").values[0, ..., 0], np.arange(12).reshape(4, 3))


def test_streams_within_dicom_lose_their_comments():
    """JPEG 2000 from its markers: SIZ stays, COM goes, and the tile-parts stay as they are (T.800 A.4, A.9.2)."""
    size = b"\xff\x51" + struct.pack(">H", 6) + b"abcd"
    words = b"\xff\x64" + struct.pack(">H", 9) + b"\0\1SMITH"
    tiles = b"\xff\x90" + b"tile \xff\x64 data" + b"\xff\xd9"
    assert bare_stream(b"\xff\x4f" + size + words + tiles + b"SMITH") == b"\xff\x4f" + size + tiles
    assert bare_stream(b"no stream") == b"no stream"


@pytest.mark.parametrize(("form", "mode"), [("PNG", "colour"), ("JPEG", "grey"), ("TIFF", "grey"), ("BMP", "palette")])
def test_damage_is_one_clear_line(form, mode):
    data = made(form, mode, {})
    rng = np.random.default_rng(3)
    said = []
    for _ in range(300):
        hurt = bytearray(data)
        for at in rng.integers(2, min(len(data), 200), 3):
            hurt[at] = rng.integers(256)
        hurt = hurt[: int(rng.integers(20, len(hurt) + 1))] if rng.random() < 0.3 else hurt
        try:
            bare(bytes(hurt), form)
        except ImageError as error:
            said.append(str(error))
    assert len(said) > 20
    assert all(line.isprintable() for line in said)
