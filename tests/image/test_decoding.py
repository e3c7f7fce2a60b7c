"""Pixel Data in every transfer syntax that a decoder here reads: written by pydicom and dcmtk, read back value for value."""

import io
import shutil
import subprocess

import numpy as np
import pydicom
import pytest
from dicom_film import COLS, ROWS, STORED, film, written
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pydicom.encaps import encapsulate
from pydicom.uid import (
    HTJ2KLossless,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

from wlmeasure.errors import FrameError, ImageError
from wlmeasure.image import decoding
from wlmeasure.image.codestream import StreamHeader, stream_header
from wlmeasure.image.decoding import Layout, _stored_bits

EIGHT = (STORED >> 4).astype(np.uint8)
SIGNED = STORED.astype(np.int16) - 2048
FRAMES = np.random.default_rng(8).integers(0, 4096, (3, 40, 30), dtype=np.uint16)


def packed(dataset, codes, syntax):
    """The bytes of a file with those frames, compressed already."""
    dataset.PixelData = encapsulate(codes)
    dataset["PixelData"].is_undefined_length = True
    return written(dataset, syntax)


def by_dcmtk(tmp_path, program, dataset, *options):
    """The bytes of the file that a compressor of dcmtk makes."""
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed (Debian and Ubuntu: dcmtk)")
    plain, small = tmp_path / "plain.dcm", tmp_path / "small.dcm"
    plain.write_bytes(written(dataset))
    subprocess.run([program, *options, str(plain), str(small)], check=True, capture_output=True)
    return small.read_bytes()


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless], ids=lambda s: s.name[:12])
@pytest.mark.parametrize(("pixels", "bits"), [(STORED, 12), (EIGHT, 8), (SIGNED, 12)], ids=["12", "8", "signed 12"])
def test_lossless_syntaxes_written_by_pydicom(load, syntax, pixels, bits):
    dataset = film(pixels, bits)
    dataset.file_meta = pydicom.dataset.FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    dataset.compress(syntax, generate_instance_uid=False)
    np.testing.assert_array_equal(load(written(dataset, syntax)).values, pixels)


@pytest.mark.parametrize(("pixels", "bits"), [(STORED << 4, 16), (EIGHT, 8)], ids=["16", "8"])
def test_jpeg_2000_written_by_pillow(load, pixels, bits):
    sink = io.BytesIO()
    Image.fromarray(pixels).save(sink, "JPEG2000", irreversible=False, no_jp2=True)
    content = packed(film(pixels, bits), [sink.getvalue()], JPEG2000Lossless)
    np.testing.assert_array_equal(load(content).values, pixels)


@pytest.mark.parametrize(
    ("program", "options", "syntax"),
    [
        ("dcmcjpeg", ["+e1"], "1.2.840.10008.1.2.4.70"),
        ("dcmcjpeg", ["+el", "+sv", "6"], "1.2.840.10008.1.2.4.57"),
        ("dcmcjpls", ["+el"], "1.2.840.10008.1.2.4.80"),
        ("dcmcrle", [], "1.2.840.10008.1.2.5"),
    ],
)
@pytest.mark.parametrize(("pixels", "bits"), [(STORED, 12), (EIGHT, 8)], ids=["12", "8"])
def test_lossless_syntaxes_written_by_dcmtk(load, tmp_path, program, options, syntax, pixels, bits):
    pytest.importorskip("gdcm", reason='the extra "dicom" is not installed')
    content = by_dcmtk(tmp_path, program, film(pixels, bits), *options)
    assert pydicom.dcmread(io.BytesIO(content)).file_meta.TransferSyntaxUID == syntax
    np.testing.assert_array_equal(load(content).values, pixels)


def test_jpeg_extended_of_12_bits_is_what_dcmtk_makes_of_it(load, tmp_path):
    pytest.importorskip("gdcm", reason='the extra "dicom" is not installed')
    smooth = np.add.outer(np.arange(ROWS), 2 * np.arange(COLS)).astype(np.uint16)
    content = by_dcmtk(tmp_path, "dcmcjpeg", film(smooth), "+ee")
    assert pydicom.dcmread(io.BytesIO(content)).file_meta.TransferSyntaxUID == "1.2.840.10008.1.2.4.51"
    (tmp_path / "packed.dcm").write_bytes(content)
    subprocess.run(["dcmdjpeg", tmp_path / "packed.dcm", tmp_path / "again.dcm"], check=True, capture_output=True)
    theirs = pydicom.dcmread(tmp_path / "again.dcm")
    values = load(content).values
    np.testing.assert_array_equal(values, np.frombuffer(theirs.PixelData, "<u2").reshape(ROWS, COLS))
    assert np.abs(values.astype(int) - smooth).max() <= 8  # quality 90, and not another picture


def test_near_lossless_stays_within_its_bound(load, tmp_path):
    pytest.importorskip("jpeg_ls", reason='the extra "dicom" is not installed')
    content = by_dcmtk(tmp_path, "dcmcjpls", film(STORED), "+en", "+md", "3")
    assert pydicom.dcmread(io.BytesIO(content)).file_meta.TransferSyntaxUID == JPEGLSNearLossless
    radiograph = load(content)
    assert 0 < np.abs(radiograph.values.astype(int) - STORED).max() <= 3
    assert any("lossy compression" in warning for warning in radiograph.warnings)


# JPEG-wrapped exports


def jpeg(picture, **options):
    sink = io.BytesIO()
    Image.fromarray(picture).save(sink, "JPEG", quality=95, **options)
    return sink.getvalue()


def colour_film(photometric, shape):
    dataset = film(np.zeros(shape, np.uint8), 8, SOPClassUID="1.2.840.10008.5.1.4.1.1.7")
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation, dataset.PlanarConfiguration = 3, photometric, 0
    return dataset


@pytest.mark.parametrize("photometric", ["YBR_FULL_422", "YBR_FULL"])
def test_a_grey_jpeg_in_three_channels_is_read_as_grey(load, photometric):
    """The same picture as a plain grey JPEG: the colour channels of the other one are neutral."""
    picture = np.clip(np.add.outer(np.arange(90), 2 * np.arange(70)), 0, 255).astype(np.uint8)
    sampling = {"YBR_FULL_422": "4:2:2", "YBR_FULL": "4:4:4"}[photometric]
    three = jpeg(np.dstack([picture] * 3), subsampling=sampling)
    radiograph = load(packed(colour_film(photometric, picture.shape), [three], JPEGBaseline8Bit))
    expected = np.asarray(Image.open(io.BytesIO(jpeg(picture))))
    np.testing.assert_array_equal(radiograph.values, expected)
    assert radiograph.bright_is_dense
    assert (
        f"grey picture stored in three equal colour channels ({photometric}): one of them is used" in radiograph.notes
    )


def test_three_plain_channels_must_be_grey(load):
    dataset = colour_film("RGB", EIGHT.shape)
    dataset.PixelData = np.dstack([EIGHT] * 3).tobytes()
    np.testing.assert_array_equal(load(dataset).values, EIGHT)
    stained = np.dstack([EIGHT, EIGHT[::-1], EIGHT[:, ::-1]])
    dataset.PixelData = stained.tobytes()
    with pytest.raises(ImageError, match="must be a radiograph in grey"):
        load(dataset)


# Frames


@pytest.mark.parametrize("syntax", [None, RLELossless])
def test_frames_are_counted_from_one(load, syntax):
    dataset = film(FRAMES[0], NumberOfFrames=3, PixelData=FRAMES.tobytes())
    content = written(dataset)
    if syntax is not None:
        dataset.compress(syntax, generate_instance_uid=False)
        content = written(dataset, syntax)
    for number, expected in enumerate(FRAMES, 1):
        radiograph = load(content, frame=number)
        np.testing.assert_array_equal(radiograph.values, expected)
        assert (radiograph.frame, radiograph.frames) == (number, 3)
    with pytest.raises(FrameError, match=r"NumberOfFrames is 3; say which, --frame 1 to --frame 3") as caught:
        load(content)
    assert caught.value.frames == 3


@pytest.mark.parametrize("frame", [0, -1, 4, True, 1.0])
def test_a_frame_that_is_not_there_is_refused(load, frame):
    dataset = film(FRAMES[0], NumberOfFrames=3, PixelData=FRAMES.tobytes())
    with pytest.raises(FrameError, match="frame must be a whole number from 1 to 3"):
        load(dataset, frame=frame)


def test_a_file_of_one_frame_may_be_asked_for_it(load):
    assert load(film(), frame=1).frame is None


def test_attributes_of_a_frame_go_before_those_of_the_file(load):
    """Enhanced multi-frame objects hold spacing, window and tooth in functional groups (PS3.3 C.7.6.16)."""

    def group(**macros):
        out = pydicom.Dataset()
        for name, attributes in macros.items():
            item = pydicom.Dataset()
            for keyword, value in attributes.items():
                setattr(item, keyword, value)
            setattr(out, name, [item])
        return out

    dataset = film(FRAMES[0], NumberOfFrames=3, PixelData=FRAMES.tobytes(), ImagerPixelSpacing=None)
    dataset.SharedFunctionalGroupsSequence = [group(PixelMeasuresSequence={"PixelSpacing": [0.04, 0.03]})]
    windows = [{"WindowCenter": 2000 + 100 * k, "WindowWidth": 6001} for k in (1, 2, 3)]
    dataset.PerFrameFunctionalGroupsSequence = [group(FrameVOILUTSequence=window) for window in windows]
    second = load(dataset, frame=2)
    assert (second.spacings[0].row_mm, second.spacings[0].col_mm) == (0.04, 0.03)
    assert (second.display.low, second.display.high) == (-800.5, 5199.5)


# Where the bits lie


@given(
    allocated=st.sampled_from([8, 16]),
    data=st.data(),
    signed=st.booleans(),
)
def test_stored_bits_are_found_wherever_they_lie(allocated, data, signed):
    """Law: values put at any bits of a word, with anything in the bits beside them, come out as they were."""
    stored = data.draw(st.integers(2, allocated - 1))
    high = data.draw(st.integers(stored - 1, allocated - 1))
    low, top = (-(1 << (stored - 1)), (1 << (stored - 1)) - 1) if signed else (0, (1 << stored) - 1)
    values = np.array(data.draw(st.lists(st.integers(low, top), min_size=1, max_size=6)))
    shift = high + 1 - stored
    beside = data.draw(st.integers(0, (1 << allocated) - 1)) & ~(((1 << stored) - 1) << shift)
    words = ((values & ((1 << stored) - 1)) << shift) | beside
    native = words.astype(f"u{allocated // 8}").view(f"{'i' if signed else 'u'}{allocated // 8}")
    layout = Layout(1, len(values), 1, allocated, stored, high, signed, 1, "MONOCHROME2")
    np.testing.assert_array_equal(_stored_bits(native, layout, []), values)


def test_embedded_overlay_and_high_bit_in_a_file(load):
    """PS3.5 8.1.1: unused bits may hold an overlay; High Bit need not be Bits Stored - 1."""
    dataset = film((STORED << 4) | 5, HighBit=15)
    dataset.add_new((0x6000, 0x0100), "US", 16)
    dataset.add_new((0x6000, 0x0102), "US", 0)
    radiograph = load(dataset)
    np.testing.assert_array_equal(radiograph.values, STORED)
    assert radiograph.notes[:2] == (
        "only the 12 stored bits of each 16-bit word are used; the stored ones end at bit 15",
        "1 overlay over the picture left out",
    )


@pytest.mark.parametrize("bits", range(1, 17))
def test_every_depth_up_to_16(load, bits):
    pixels = (STORED & ((1 << bits) - 1)).astype(np.uint8 if bits <= 8 else np.uint16)
    radiograph = load(film(pixels, bits))
    np.testing.assert_array_equal(radiograph.values, pixels)
    assert radiograph.bits == bits


def test_one_bit_a_pixel(load):
    bits = (STORED & 1).astype(np.uint8)[:, :699]
    dataset = film(bits, 1, BitsAllocated=1)
    dataset.PixelData = np.packbits(bits, bitorder="little").tobytes() + b"\0"
    np.testing.assert_array_equal(load(dataset).values, bits)


# Refusals


@pytest.mark.parametrize(
    ("syntax", "says"),
    [
        (HTJ2KLossless, r'pip install "pylibjpeg" "pylibjpeg-openjpeg"'),
        ("1.2.840.10008.1.2.4.110", "no decoder under a permissive licence is known"),
        ("1.2.840.10008.1.2.4.93", "no decoder under a permissive licence is known"),
    ],
    ids=str,
)
def test_a_syntax_without_decoder_says_what_would_help(load, syntax, says):
    # pydicom writes no syntax that it does not know, so a name of the same length is put over one that it does.
    known = b"1.2.840.10008.1.2.4.102"
    content = packed(film(), [b"\xff\xd8" + b"\0" * 60], pydicom.uid.UID(known.decode()))
    with pytest.raises(ImageError, match=says) as caught:
        load(content.replace(known, syntax.encode().ljust(len(known), b"\0")))
    assert "libjpeg " not in str(caught.value)
    assert f"({syntax}) cannot be decoded" in str(caught.value)


@pytest.mark.parametrize(
    ("syntax", "package"),
    [
        (JPEGLosslessSV1, "python-gdcm"),
        (JPEGLSLossless, "python-gdcm"),
        ("1.2.840.10008.1.2.4.51", "python-gdcm"),
        (JPEGBaseline8Bit, "python-gdcm"),
    ],
    ids=str,
)
def test_without_the_extra_its_name_is_said(load, monkeypatch, syntax, package):
    monkeypatch.setattr(decoding, "decoders_of", lambda syntax, layout: ())
    with pytest.raises(ImageError, match=rf'run pip install "wlmeasure\[dicom\]" \({package}\)'):
        load(packed(film(), [b"\xff\xd8" + b"\0" * 60], pydicom.uid.UID(syntax)))


def test_a_frame_of_another_size_is_refused_before_it_is_decoded(load):
    """A code of 4 megapixels in a header of 90 x 70: the decoder would take memory for what the code says."""
    code = jpeg(np.zeros((2000, 2000), np.uint8))
    assert stream_header(code) == StreamHeader(2000, 2000, 1, 8)
    with pytest.raises(ImageError, match="must have the size of the header, 90 x 70: 2000 x 2000"):
        load(packed(film(np.zeros((90, 70), np.uint8), 8), [code], JPEGBaseline8Bit))


def test_damage_is_told_and_nothing_is_printed(load, capfd):
    code = jpeg(EIGHT)
    for content in (code[: len(code) // 3], code[:400] + b"\xff\xd9"):
        with pytest.raises(ImageError, match=r"a\.dcm: DICOM"):
            load(packed(film(EIGHT, 8), [content], JPEGBaseline8Bit))
    assert capfd.readouterr() == ("", "")
