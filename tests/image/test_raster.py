"""PNG, TIFF, JPEG and BMP against files of other libraries (Pillow, tifffile) or made by hand from the format."""

import io
import struct
import zlib

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from wlmeasure.errors import ImageError
from wlmeasure.image import read
from wlmeasure.image.raster import oriented

ROWS, COLS = 31, 47
NOISE = np.random.default_rng(7)
GREY8 = NOISE.integers(0, 256, (ROWS, COLS), dtype=np.uint8)
GREY16 = NOISE.integers(0, 65536, (ROWS, COLS), dtype=np.uint16)
GREY12 = GREY16 >> 4
BILEVEL = GREY8 > 127


def pillow(picture, kind, **options):
    sink = io.BytesIO()
    (picture if isinstance(picture, Image.Image) else Image.fromarray(picture)).save(sink, kind, **options)
    return sink.getvalue()


def tiff(picture, **options):
    sink = io.BytesIO()
    tifffile.imwrite(sink, picture, **options)
    return sink.getvalue()


def chunk(name, body):
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png(picture, colour, bits, *extra, rows=None, cols=None):
    """PNG by hand: Pillow writes no 16-bit colour or alpha."""
    lines = picture.astype(">u2" if bits == 16 else np.uint8).reshape(picture.shape[0], -1)
    raw = b"".join(b"\0" + line.tobytes() for line in lines)
    size = struct.pack(">IIBBBBB", cols or picture.shape[1], rows or picture.shape[0], bits, colour, 0, 0, 0)
    body = chunk(b"IHDR", size) + b"".join(extra) + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def tiff_by_hand(picture_bytes, order, *tags):
    """One-strip TIFF from (tag, type, value) with the picture at offset 8."""
    tags = sorted([*tags, (273, 4, 8), (279, 4, len(picture_bytes))])
    out = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8 + len(picture_bytes)) + picture_bytes
    out += struct.pack(order + "H", len(tags))
    for tag, kind, value in tags:
        out += struct.pack(order + "HHI", tag, kind, 1) + struct.pack(
            order + ("HH" if kind == 3 else "I"), *((value, 0) if kind == 3 else (value,))
        )
    return out + struct.pack(order + "I", 0)


def exif(orientation, resolution=None):
    tags = Image.Exif()
    tags[0x0112] = orientation
    if resolution:
        tags[0x011A], tags[0x011B], tags[0x0128] = *resolution, 2
    return tags


@pytest.fixture
def load(tmp_path):
    def load(content, name):
        path = tmp_path / name
        path.write_bytes(content)
        return read(path)

    return load


def planes(grey, alpha=None):
    return np.stack([grey] * 3 + ([] if alpha is None else [alpha]), -1)


def palette_picture():
    return Image.fromarray(GREY8 // 16 * 16).quantize(16, dither=Image.Dither.NONE)


HALF8, HALF16 = GREY8 // 2, GREY16 // 2
EXACT = {
    "png 8": (lambda: pillow(GREY8, "PNG"), "a.png", GREY8, 8),
    "png 16": (lambda: pillow(GREY16, "PNG"), "a.png", GREY16, 16),
    "png 12 in 16": (lambda: pillow(GREY12, "PNG"), "a.png", GREY12, 16),
    "png 1": (lambda: pillow(BILEVEL, "PNG"), "a.png", BILEVEL * np.uint8(255), 1),
    "png rgb 8": (lambda: pillow(planes(GREY8), "PNG"), "a.png", GREY8, 8),
    "png rgb 16": (lambda: png(planes(GREY16), 2, 16), "a.png", GREY16, 16),
    "png palette": (lambda: pillow(Image.fromarray(GREY8).convert("P"), "PNG"), "a.png", GREY8, 8),
    "png grey alpha 8": (lambda: pillow(np.stack([GREY8, HALF8], -1), "PNG"), "a.png", GREY8, 8),
    "png grey alpha 16": (lambda: png(np.stack([GREY16, HALF16], -1), 4, 16), "a.png", GREY16, 16),
    "png rgba 8": (lambda: pillow(planes(GREY8, HALF8), "PNG"), "a.png", GREY8, 8),
    "png rgba 16": (lambda: png(planes(GREY16, HALF16), 6, 16), "a.png", GREY16, 16),
    "png gamma is not applied": (
        lambda: png(GREY8, 0, 8, chunk(b"gAMA", struct.pack(">I", 100000))),
        "a.png",
        GREY8,
        8,
    ),
    "tiff 8": (lambda: tiff(GREY8), "a.tif", GREY8, 8),
    "tiff 16": (lambda: tiff(GREY16), "a.tif", GREY16, 16),
    "tiff 16 big-endian": (lambda: tiff(GREY16, byteorder=">"), "a.tif", GREY16, 16),
    "bigtiff 16": (lambda: tiff(GREY16, bigtiff=True), "a.tif", GREY16, 16),
    "bigtiff 16 big-endian": (lambda: tiff(GREY16, bigtiff=True, byteorder=">"), "a.tif", GREY16, 16),
    "tiff 16 strips": (lambda: tiff(GREY16, rowsperstrip=7), "a.tif", GREY16, 16),
    "tiff 16 tiles": (lambda: tiff(GREY16, tile=(16, 16)), "a.tif", GREY16, 16),
    "tiff 16 deflate predictor": (lambda: tiff(GREY16, compression="zlib", predictor=True), "a.tif", GREY16, 16),
    "tiff 16 lzw": (lambda: pillow(GREY16, "TIFF", compression="tiff_lzw"), "a.tif", GREY16, 16),
    "tiff 8 packbits": (lambda: pillow(GREY8, "TIFF", compression="packbits"), "a.tif", GREY8, 8),
    "tiff 1": (lambda: pillow(BILEVEL, "TIFF"), "a.tif", BILEVEL * np.uint8(255), 1),
    "tiff 1 fax": (lambda: pillow(BILEVEL, "TIFF", compression="group4"), "a.tif", BILEVEL * np.uint8(255), 1),
    "tiff rgb 8": (lambda: tiff(planes(GREY8), photometric="rgb"), "a.tif", GREY8, 8),
    "tiff rgb 16": (lambda: tiff(planes(GREY16), photometric="rgb"), "a.tif", GREY16, 16),
    "tiff rgb planar": (
        lambda: tiff(np.stack([GREY8] * 3), photometric="rgb", planarconfig="separate"),
        "a.tif",
        GREY8,
        8,
    ),
    "tiff palette": (lambda: pillow(palette_picture(), "TIFF"), "a.tif", np.array(palette_picture().convert("L")), 8),
    "tiff grey alpha 8": (lambda: pillow(np.stack([GREY8, HALF8], -1), "TIFF"), "a.tif", GREY8, 8),
    "tiff grey alpha 16": (
        lambda: tiff(
            np.stack([GREY16, HALF16], -1), photometric="minisblack", extrasamples=["unassalpha"], rowsperstrip=7
        ),
        "a.tif",
        GREY16,
        16,
    ),
    "bigtiff grey alpha 16 big-endian": (
        lambda: tiff(
            np.stack([GREY16, HALF16], -1),
            photometric="minisblack",
            extrasamples=["unassalpha"],
            bigtiff=True,
            byteorder=">",
        ),
        "a.tif",
        GREY16,
        16,
    ),
    # The decoder would multiply 8-bit colours by an unassociated alpha.
    "tiff rgba 8": (
        lambda: tiff(planes(GREY8, HALF8), photometric="rgb", extrasamples=["unassalpha"]),
        "a.tif",
        GREY8,
        8,
    ),
    "tiff rgba 16": (
        lambda: tiff(planes(GREY16, HALF16), photometric="rgb", extrasamples=["unassalpha"]),
        "a.tif",
        GREY16,
        16,
    ),
    "bmp 8": (lambda: pillow(GREY8, "BMP"), "a.bmp", GREY8, 8),
    "bmp 1": (lambda: pillow(BILEVEL, "BMP"), "a.bmp", BILEVEL * np.uint8(255), 1),
    "bmp rgb": (lambda: pillow(planes(GREY8), "BMP"), "a.bmp", GREY8, 8),
    "bmp rgba": (lambda: pillow(planes(GREY8, HALF8), "BMP"), "a.bmp", GREY8, 8),
    "bmp palette": (lambda: pillow(palette_picture(), "BMP"), "a.bmp", np.array(palette_picture().convert("L")), 8),
}


@pytest.mark.parametrize(("content", "name", "expected", "bits"), EXACT.values(), ids=EXACT)
def test_stored_values_are_exact(load, content, name, expected, bits):
    radiograph = load(content(), name)
    assert radiograph.values.dtype == expected.dtype
    np.testing.assert_array_equal(radiograph.values, expected)
    assert (radiograph.stored_rows, radiograph.stored_cols, radiograph.orientation) == (ROWS, COLS, 1)
    assert radiograph.bits == bits
    assert radiograph.bright_is_dense
    assert radiograph.spacings == ()
    assert not radiograph.values.flags.writeable
    assert any("alpha" in w for w in radiograph.warnings) is ("alpha" in name_of(content) or "rgba" in name_of(content))


def name_of(content):
    # Pillow's 32-bit BMP is written without alpha in use, so the decoder has none to report.
    return next((key for key, case in EXACT.items() if case[0] is content and key != "bmp rgba"), "")


@pytest.mark.parametrize("mode", ["L", "RGB"])
@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"subsampling": 2}], ids=["plain", "progressive", "4:2:0"]
)
def test_jpeg_is_read_as_another_decoder_reads_it(load, mode, options):
    content = pillow(Image.fromarray(GREY8).convert(mode), "JPEG", quality=90, **options)
    expected = np.array(Image.open(io.BytesIO(content)).convert("L"))
    radiograph = load(content, "a.jpg")
    assert radiograph.format == "JPEG"
    # Two IDCT implementations may differ by one grey level.
    assert np.abs(radiograph.values.astype(int) - expected).max() <= 1


def test_an_opaque_alpha_is_dropped_silently(load):
    assert load(png(np.stack([GREY16, np.full_like(GREY16, 65535)], -1), 4, 16), "a.png").warnings == ()


@pytest.mark.parametrize("bits", [10, 12, 14])
@pytest.mark.parametrize("photometric", [0, 1], ids=["WhiteIsZero", "BlackIsZero"])
def test_packed_tiff_samples_are_right_aligned(load, bits, photometric):
    """The decoder shifts them up to 16 bits; the stored value is what the file holds."""
    stored = GREY16 >> (16 - bits)
    each = ((stored[..., None] >> np.arange(bits - 1, -1, -1)) & 1).astype(np.uint8).reshape(ROWS, -1)
    packed = np.packbits(each, axis=1).tobytes()
    tags = [
        (256, 3, COLS),
        (257, 3, ROWS),
        (258, 3, bits),
        (259, 3, 1),
        (262, 3, photometric),
        (277, 3, 1),
        (278, 3, ROWS),
    ]
    radiograph = load(tiff_by_hand(packed, "<", *tags), "a.tif")
    assert radiograph.bits == bits
    np.testing.assert_array_equal(radiograph.values, stored if photometric else 2**bits - 1 - stored)


@pytest.mark.parametrize("grey", [GREY8, GREY16], ids=["8", "16"])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_white_is_zero_is_undone_once_and_recorded(load, grey, compression):
    """The decoder inverts 8 bits and not 16; here both come out with metal bright."""
    radiograph = load(tiff(grey, photometric="miniswhite", compression=compression), "a.tif")
    np.testing.assert_array_equal(radiograph.values, np.iinfo(grey.dtype).max - grey)
    assert radiograph.bright_is_dense
    assert "WhiteIsZero" in radiograph.warnings[0]


def test_white_is_zero_bilevel(load):
    content = pillow(BILEVEL, "TIFF", compression="group4", tiffinfo={262: 0})
    radiograph = load(content, "a.tif")
    np.testing.assert_array_equal(radiograph.values, np.array(Image.open(io.BytesIO(content)).convert("L")))


# Exif 2.3, 4.6.4 A: which side of the scene the stored row 0 and column 0 are.
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def stored_as(scene, orientation):
    """The stored picture of `scene` by the table alone: walk the scene from the named sides."""
    row_side, col_side = SIDES[orientation]
    down = range(scene.shape[0]) if "top" in (row_side, col_side) else range(scene.shape[0] - 1, -1, -1)
    across = range(scene.shape[1]) if "left" in (row_side, col_side) else range(scene.shape[1] - 1, -1, -1)
    if row_side in ("top", "bottom"):
        return np.array([[scene[r, c] for c in across] for r in down], scene.dtype)
    return np.array([[scene[r, c] for r in down] for c in across], scene.dtype)


@pytest.mark.parametrize("orientation", SIDES)
@pytest.mark.parametrize(
    ("write", "scene"),
    [
        (lambda p, o: pillow(p, "PNG", exif=exif(o)), GREY8),
        (lambda p, o: pillow(p, "PNG", exif=exif(o)), GREY16),
        (lambda p, o: tiff(p, extratags=[(274, "H", 1, o, True)]), GREY8),
        (lambda p, o: tiff(p, extratags=[(274, "H", 1, o, True)], byteorder=">"), GREY16),
        (lambda p, o: tiff(planes(p), photometric="rgb", extratags=[(274, "H", 1, o, True)]), GREY8),
        (lambda p, o: tiff(p, photometric="miniswhite", extratags=[(274, "H", 1, o, True)]), ~GREY16),
    ],
    ids=["png 8", "png 16", "tiff 8", "tiff 16", "tiff rgb", "tiff 16 WhiteIsZero"],
)
def test_orientation_is_applied_exactly_once(load, orientation, write, scene):
    seen = ~scene if scene is not GREY8 and scene is not GREY16 else scene
    stored = stored_as(scene, orientation)
    content = write(stored, orientation)
    radiograph = load(content, "a.png" if content.startswith(b"\x89") else "a.tif")
    np.testing.assert_array_equal(radiograph.values, seen)
    assert radiograph.orientation == orientation
    assert (radiograph.stored_rows, radiograph.stored_cols) == stored.shape
    assert (radiograph.rows, radiograph.cols) == (ROWS, COLS)


@pytest.mark.parametrize("orientation", SIDES)
def test_jpeg_orientation_is_applied_exactly_once(load, orientation):
    smooth = np.add.outer(np.arange(32) * 3, np.arange(48) * 2).astype(np.uint8)  # little loss, no symmetry
    radiograph = load(pillow(stored_as(smooth, orientation), "JPEG", quality=100, exif=exif(orientation)), "a.jpg")
    assert radiograph.orientation == orientation
    assert np.abs(radiograph.values.astype(int) - smooth).max() <= 3


@pytest.mark.parametrize("orientation", [0, 9, 300])
def test_an_orientation_outside_1_to_8_turns_nothing(load, orientation):
    radiograph = load(pillow(GREY8, "PNG", exif=exif(orientation)), "a.png")
    assert radiograph.orientation == 1
    assert "orientation must be 1 to 8" in radiograph.warnings[0]


def test_broken_exif_costs_the_note_only(load):
    radiograph = load(png(GREY8, 0, 8, chunk(b"eXIf", b"II*\0\xff\xff\xff\xff")), "a.png")
    np.testing.assert_array_equal(radiograph.values, GREY8)
    assert "Exif" in radiograph.warnings[0]


@given(st.integers(1, 8), st.integers(1, 5), st.integers(1, 5))
def test_turning_keeps_every_pixel(orientation, rows, cols):
    """Law: a turn is a permutation; 6 and 8 undo each other, every other one undoes itself."""
    picture = np.arange(rows * cols, dtype=np.uint16).reshape(rows, cols)
    back = {6: 8, 8: 6}.get(orientation, orientation)
    np.testing.assert_array_equal(oriented(oriented(picture, orientation), back), picture)


DENSITIES = {
    "pHYs": (lambda: pillow(GREY8, "PNG", dpi=(96.012, 96.012)), "a.png", "pHYs 3780 x 3780 px/m"),
    "XResolution": (lambda: pillow(GREY8, "TIFF", dpi=(1200, 1200)), "a.tif", "1200 x 1200 px/inch"),
    "JFIF": (lambda: pillow(GREY8, "JPEG", dpi=(300, 300)), "a.jpg", "JFIF density 300 x 300 px/inch"),
    "JFIF without unit": (lambda: pillow(GREY8, "JPEG"), "a.jpg", "JFIF density 1 x 1 (ratio only)"),
    "Exif": (lambda: pillow(GREY8, "JPEG", exif=exif(1, (600, 600))), "a.jpg", "YResolution 600 x 600 px/inch"),
    "BMP": (lambda: pillow(GREY8, "BMP", dpi=(96, 96)), "a.bmp", "px/m"),
}


@pytest.mark.parametrize(("content", "name", "text"), DENSITIES.values(), ids=DENSITIES)
def test_resolution_tags_are_shown_and_never_a_scale(load, content, name, text):
    radiograph = load(content(), name)
    assert text in " ".join(radiograph.densities)
    assert all("shown, never used as a scale" in d for d in radiograph.densities)
    assert radiograph.spacings == ()
    assert radiograph.col_over_row == 1.0


def test_unequal_resolution_is_a_warning_and_not_a_pixel_shape(load):
    radiograph = load(png(GREY8, 0, 8, chunk(b"pHYs", struct.pack(">IIB", 4000, 3000, 1))), "a.png")
    assert radiograph.col_over_row == 1.0
    assert "pixels are taken as square" in radiograph.warnings[0]


COLOUR = np.stack([GREY8, GREY8[::-1], GREY8[:, ::-1]], -1)
REFUSED = {
    "png colour": (lambda: pillow(COLOUR, "PNG"), "must be a radiograph in grey"),
    "png colour palette": (lambda: pillow(Image.fromarray(COLOUR).quantize(16), "PNG"), "must be a radiograph in grey"),
    "jpeg colour": (lambda: pillow(COLOUR, "JPEG"), "must be a radiograph in grey"),
    "jpeg cmyk": (lambda: pillow(Image.fromarray(GREY8).convert("CMYK"), "JPEG"), "components"),
    "tiff colour": (lambda: tiff(COLOUR, photometric="rgb"), "must be a radiograph in grey"),
    "bmp colour": (lambda: pillow(COLOUR, "BMP"), "must be a radiograph in grey"),
    "tiff float": (lambda: tiff(GREY16.astype(np.float16)), "floating point"),
    "tiff float 32": (lambda: tiff(GREY16.astype(np.float32)), "bits per sample"),
    "tiff 32": (lambda: tiff(GREY16.astype(np.uint32)), "bits per sample"),
    "tiff signed": (lambda: tiff(GREY16.astype(np.int16)), "signed"),
    "tiff pages": (lambda: tiff(np.stack([GREY8, GREY8]), photometric="minisblack"), "pages must be 1"),
    "tiff cmyk": (lambda: pillow(Image.fromarray(GREY8).convert("CMYK"), "TIFF"), "photometric"),
    "apng": (
        lambda: pillow(GREY8, "PNG", save_all=True, append_images=[Image.fromarray(HALF8)]),
        "frames must be 1",
    ),
    "tiff grey alpha 16 predictor": (
        lambda: tiff(
            np.stack([GREY16, HALF16], -1),
            photometric="minisblack",
            extrasamples=["unassalpha"],
            compression="zlib",
            predictor=True,
        ),
        "without predictor",
    ),
    "tiff unknown compression": (lambda: tiff(GREY16, compression="lzma"), "cannot be decoded"),
}


@pytest.mark.parametrize(("content", "message"), REFUSED.values(), ids=REFUSED)
def test_what_is_not_one_grey_picture_is_refused(load, capfd, content, message):
    with pytest.raises(ImageError, match=message) as caught:
        load(content(), "a.png")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("a.png: ")
    assert capfd.readouterr().err == ""


def test_a_reduced_preview_page_is_ignored(load, tmp_path):
    path = tmp_path / "pages.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(GREY16, metadata=None)
        writer.write(GREY16[::4, ::4], subfiletype=1, metadata=None)
    radiograph = read(path)
    np.testing.assert_array_equal(radiograph.values, GREY16)
    assert "preview" in radiograph.warnings[0]


WHOLE = {
    "png": lambda: pillow(GREY16, "PNG"),
    "tiff": lambda: tiff(GREY16),
    "tiff header last": lambda: pillow(GREY16, "TIFF", compression="tiff_lzw"),
    "tiff strips": lambda: tiff(GREY16, rowsperstrip=5, compression="zlib"),
    "jpeg": lambda: pillow(GREY8, "JPEG"),
    "jpeg with preview": lambda: pillow(GREY8, "JPEG", exif=exif(1), comment=b"\xff\xd9"),
    "bmp": lambda: pillow(GREY8, "BMP"),
}


@pytest.mark.parametrize("content", WHOLE.values(), ids=WHOLE)
@pytest.mark.parametrize("share", [0.15, 0.5, 0.9, 1.0], ids=["15 %", "half", "90 %", "one byte"])
def test_a_truncated_file_is_one_clear_line(load, capfd, content, share):
    """No half picture, and nothing from the codecs on stderr."""
    whole = content()
    load(whole, "whole.png")
    with pytest.raises(ImageError, match="truncated"):
        load(whole[: min(int(share * len(whole)), len(whole) - 1)], "a.png")
    assert capfd.readouterr().err == ""


def test_a_jpeg_cut_in_the_middle_but_closed_is_found(load, capfd):
    """libjpeg fills the missing part with grey and says so on stderr only."""
    whole = pillow(np.tile(GREY8, (6, 6)), "JPEG")
    with pytest.raises(ImageError, match="truncated"):
        load(whole[: len(whole) // 2] + b"\xff\xd9", "a.jpg")
    assert capfd.readouterr().err == ""


def test_damage_inside_a_jpeg_is_a_warning(load, capfd):
    whole = bytearray(pillow(np.tile(GREY8, (6, 6)), "JPEG"))
    whole[len(whole) // 2 : len(whole) // 2 + 20] = b"\x12" * 20
    assert "Corrupt JPEG data" in " ".join(load(bytes(whole), "a.jpg").warnings)
    assert capfd.readouterr().err == ""


def test_a_flipped_bit_in_a_png_is_found(load, capfd):
    whole = bytearray(pillow(GREY16, "PNG"))
    whole[len(whole) // 2] ^= 1
    with pytest.raises(ImageError, match="checksum"):
        load(bytes(whole), "a.png")
    assert capfd.readouterr().err == ""


HUGE = {
    "png": lambda: png(GREY8, 0, 8, rows=20_000, cols=20_000),
    "jpeg": lambda: pillow(GREY8, "JPEG").replace(struct.pack(">HH", ROWS, COLS), struct.pack(">HH", 20_000, 20_000)),
    "bmp": lambda: pillow(GREY8, "BMP").replace(struct.pack("<ii", COLS, ROWS), struct.pack("<ii", 20_000, 20_000)),
    "tiff": lambda: tiff_by_hand(b"\0" * 8, ">", (256, 4, 20_000), (257, 4, 20_000), (258, 3, 8), (262, 3, 1)),
}


@pytest.mark.parametrize("content", HUGE.values(), ids=HUGE)
def test_a_decompression_bomb_is_refused_by_its_header(load, monkeypatch, content):
    """400 megapixels; the decoder is never called."""
    import cv2

    def never(*_):
        raise AssertionError("decoded")

    monkeypatch.setattr(cv2, "imdecode", never)
    with pytest.raises(ImageError, match="at most 48 megapixels: 20000 x 20000"):
        load(content(), "a.png")


@pytest.mark.parametrize("side", [{"rows": 2**31 - 1, "cols": 1}, {"cols": 2**30, "rows": 1}])
def test_a_thin_giant_is_refused_too(load, side):
    with pytest.raises(ImageError, match="megapixels"):
        load(png(GREY8, 0, 8, **side), "a.png")


def test_zero_columns_are_refused(load):
    broken = bytearray(png(GREY8, 0, 8))
    broken[16:20] = bytes(4)
    with pytest.raises(ImageError, match="must be > 0"):
        load(bytes(broken), "a.png")


def test_an_alpha_tag_of_unknown_type_is_damage(load):
    """Found by overwriting bytes at random: tag 338 (ExtraSamples) with a type that no TIFF knows."""
    content = tiff(np.stack([GREY16, HALF16], -1), photometric="minisblack", extrasamples=["unassalpha"])
    tag = struct.pack("<HH", 338, 3)
    assert content.count(tag) == 1
    with pytest.raises(ImageError, match="a number of type 32515"):
        load(content.replace(tag, struct.pack("<HH", 338, 32515)), "a.tif")


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_damage_escapes_as_another_error(tmp_path_factory, data):
    """Law: any few bytes overwritten give a picture or one ImageError line."""
    content = bytearray(data.draw(st.sampled_from(list(WHOLE.values())))())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, min(len(content), 400) - 1) | st.integers(0, len(content) - 1))
        content[at] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "damaged.img"
    path.write_bytes(bytes(content))
    message = "read"
    try:
        read(path)
    except ImageError as error:
        message = str(error)
    assert message.isprintable()
