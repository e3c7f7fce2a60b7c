"""DICOM: stored values, polarity, display window and spacing from files written here and pydicom's own."""

import struct
import warnings
from io import BytesIO

import numpy as np
import pydicom
import pytest
from dicom_film import COLS, ROWS, STORED, film, written
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.data import get_testdata_file
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEGLosslessSV1,
    RLELossless,
)

from wlmeasure.errors import ImageError
from wlmeasure.image import DisplayRange, decoding, read
from wlmeasure.image.dicom_file import inflated
from wlmeasure.image.shown import display_range, polarity


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_stored_values_are_exact(load, syntax):
    radiograph = load(written(film(), syntax))
    np.testing.assert_array_equal(radiograph.values, STORED)
    assert radiograph.values.dtype == np.uint16
    assert (radiograph.format, radiograph.bits, radiograph.orientation) == ("DICOM", 12, 1)
    assert (radiograph.stored_rows, radiograph.stored_cols) == (ROWS, COLS)
    assert radiograph.bright_is_dense
    assert radiograph.warnings == ()
    assert not radiograph.values.flags.writeable


def test_big_endian(load):
    radiograph = load(written(film(STORED.astype(">u2")), ExplicitVRBigEndian))
    np.testing.assert_array_equal(radiograph.values, STORED)
    assert radiograph.values.dtype == np.uint16


def test_run_length_is_decoded(load):
    dataset = film()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.compress(RLELossless, generate_instance_uid=False)
    np.testing.assert_array_equal(load(written(dataset, RLELossless)).values, STORED)


@pytest.mark.parametrize(
    ("pixels", "bits", "dtype"),
    [
        ((STORED >> 4).astype(np.uint8), 8, np.uint8),
        ((STORED >> 4), 8, np.uint16),
        (STORED << 4, 16, np.uint16),
        (STORED.astype(np.int16) - 2048, 12, np.int16),
        ((STORED >> 4).astype(np.uint8).view(np.int8), 8, np.int16),
    ],
    ids=["8", "8 in 16", "16", "signed 12 in 16", "signed 8"],
)
def test_depths_and_signs(load, pixels, bits, dtype):
    radiograph = load(film(pixels, bits))
    assert radiograph.values.dtype == dtype
    np.testing.assert_array_equal(radiograph.values, pixels)
    assert radiograph.bits == bits


def test_monochrome1_is_the_other_polarity_and_values_stay_as_stored(load):
    radiograph = load(film(PhotometricInterpretation="MONOCHROME1", PresentationLUTShape="INVERSE"))
    assert not radiograph.bright_is_dense
    np.testing.assert_array_equal(radiograph.values, STORED)
    # The same scene stored the other way round (12 bits) has the same density and looks the same.
    twin = load(film(4095 - STORED, PresentationLUTShape="IDENTITY"), "b.dcm")
    np.testing.assert_array_equal(radiograph.density(), twin.density())
    assert np.abs(radiograph.displayed().astype(int) - twin.displayed()).max() <= 1


@pytest.mark.parametrize(
    ("facts", "bright_is_dense", "warned"),
    [
        ({"PhotometricInterpretation": "MONOCHROME2"}, True, False),
        ({"PhotometricInterpretation": "MONOCHROME1"}, False, False),
        ({"PhotometricInterpretation": "MONOCHROME2", "PresentationLUTShape": "IDENTITY"}, True, False),
        ({"PhotometricInterpretation": "MONOCHROME1", "PresentationLUTShape": "INVERSE"}, False, False),
        ({"PhotometricInterpretation": "MONOCHROME2", "PresentationLUTShape": "INVERSE"}, False, True),
        ({"PhotometricInterpretation": "MONOCHROME1", "PixelIntensityRelationshipSign": 1}, False, False),
        ({"PhotometricInterpretation": "MONOCHROME2", "PixelIntensityRelationshipSign": -1}, True, False),
        ({"PhotometricInterpretation": "MONOCHROME2", "PixelIntensityRelationshipSign": 1}, False, True),
        ({"PhotometricInterpretation": "MONOCHROME2", "PixelIntensityRelationshipSign": 7}, True, False),
        ({"PhotometricInterpretation": "MONOCHROME2", "RescaleSlope": -1}, False, False),
        ({"PhotometricInterpretation": "MONOCHROME1", "RescaleSlope": -1}, True, False),
    ],
)
def test_polarity(facts, bright_is_dense, warned):
    """PS3.3: sign -1 is higher value for less beam; INVERSE goes with MONOCHROME1, IDENTITY with MONOCHROME2."""
    result, notes = polarity(facts)
    assert result is bright_is_dense
    assert bool(notes) is warned


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ({}, None),
        ({"WindowCenter": 2048, "WindowWidth": 4096}, DisplayRange(0, 4095)),  # PS3.3 C.11.2.1.2.1, first example
        ({"WindowCenter": 2048, "WindowWidth": 4096, "VOILUTFunction": "LINEAR_EXACT"}, DisplayRange(0, 4096)),
        ({"WindowCenter": (100, 7), "WindowWidth": (21, 9)}, DisplayRange(89.5, 109.5)),
        (
            {"WindowCenter": 0, "WindowWidth": 101, "RescaleSlope": 2, "RescaleIntercept": -50},
            DisplayRange(-0.25, 49.75),
        ),
        ({"WindowCenter": 0.5, "WindowWidth": 101, "RescaleSlope": -1}, DisplayRange(-50, 50)),
        ({"WindowCenter": 10, "WindowWidth": 1}, None),
        ({"WindowCenter": 10, "WindowWidth": -5, "VOILUTFunction": "SIGMOID"}, None),
        ({"WindowCenter": 10, "WindowWidth": 20, "RescaleSlope": 0}, None),
        ({"WindowCenter": "1e308", "WindowWidth": "1e308", "RescaleSlope": "1e-300"}, None),
        ({"WindowCenter": "nan", "WindowWidth": 20}, None),
    ],
)
def test_window_is_carried_back_to_stored_values(facts, expected):
    assert display_range(facts)[0] == expected


def test_window_shows_and_never_changes_what_is_measured(load):
    radiograph = load(film(WindowCenter=[2000, 5], WindowWidth=[4101, 5], RescaleSlope=1, RescaleIntercept=0))
    assert radiograph.display == DisplayRange(-50.5, 4049.5)
    np.testing.assert_array_equal(radiograph.density(), STORED)


def test_spacing_claims_and_pixel_shape_travel_with_the_picture(load):
    dataset = film(
        PixelSpacing=[0.036, 0.027],
        PixelSpacingCalibrationType="FIDUCIAL",
        PixelSpacingCalibrationDescription="hand file 25 mm",
        EstimatedRadiographicMagnificationFactor=1.1,
    )
    radiograph = load(dataset)
    best, other = radiograph.spacings
    assert (best.claim, best.trust, best.row_mm, best.col_mm) == ("PixelSpacing", "calibrated", 0.036, 0.027)
    assert best.description == "hand file 25 mm"
    assert (other.claim, other.magnification) == ("ImagerPixelSpacing", 1.1)
    assert radiograph.col_over_row == pytest.approx(0.75)


@pytest.mark.parametrize("raw", [b"0\\0.03", b"-0.04\\0.03", b"nan\\0.03", b"abc\\0.03", b"0.04", b"1e999\\0.03"])
def test_a_worthless_spacing_leaves_the_image_without_that_claim(load, raw):
    """The picture is read; field, rule and value are told, and no millimetres follow from it."""
    content = written(film(ImagerPixelSpacing=[0.123456, 0.234567]))
    field = b"0.123456\\0.234567 "
    assert content.count(field) == 1
    radiograph = load(content.replace(field, raw.ljust(len(field))))
    assert radiograph.spacings == ()
    assert any(w.startswith("ImagerPixelSpacing must be two finite numbers > 0") for w in radiograph.warnings)


def test_aspect_ratio_alone_shapes_pixels_but_is_no_scale(load):
    radiograph = load(film(ImagerPixelSpacing=None, PixelAspectRatio=[4, 3]))
    assert radiograph.spacings == ()
    assert radiograph.col_over_row == pytest.approx(0.75)


def test_square_image_is_suspect_only_without_spacing(load):
    square = STORED[:700]
    assert not any("square image" in w for w in load(film(square)).warnings)
    assert any("square image" in w for w in load(film(square, ImagerPixelSpacing=None), "b.dcm").warnings)


@pytest.mark.parametrize(
    ("dataset", "message"),
    [
        (lambda: film(NumberOfFrames=2), "frame must be named: NumberOfFrames is 2; say which, --frame 1 to --frame 2"),
        (lambda: film(NumberOfFrames=0), "NumberOfFrames must be >= 1: 0"),
        (lambda: film(PhotometricInterpretation="RGB", SamplesPerPixel=1), "PhotometricInterpretation"),
        (lambda: film(PhotometricInterpretation="PALETTE COLOR"), "colour palette cannot be read"),
        (lambda: film(PhotometricInterpretation="HSV"), "PhotometricInterpretation must be one of MONOCHROME1"),
        (lambda: film(PhotometricInterpretation=None), "absent"),
        (lambda: film(Rows=20000, Columns=20000), "at most 48 megapixels"),
        (lambda: film(Rows=0), "must be > 0"),
        (lambda: film(BitsStored=0, HighBit=0), "BitsStored must be 1 to 16"),
        (lambda: film(BitsAllocated=12, BitsStored=12), "in 1, 8 or 16 allocated: 12 in 12"),
        (lambda: film(BitsAllocated=32, BitsStored=32, HighBit=31), "BitsStored"),
        (lambda: film(HighBit=16), "HighBit must be 11 to 15: 16"),
        (lambda: film(HighBit=10), "HighBit must be 11 to 15: 10"),
        (lambda: film(PixelRepresentation=3), "PixelRepresentation"),
        (lambda: film(PixelData=None), "must hold integer Pixel Data"),
        (lambda: film(Rows=ROWS + 1), "truncated"),
    ],
)
def test_what_is_not_one_grey_picture_is_refused(load, dataset, message):
    with pytest.raises(ImageError, match=message) as caught:
        load(dataset())
    assert str(caught.value).startswith("a.dcm: ")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("share", [0.0005, 0.5, 0.999])
@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_a_truncated_file_is_one_clear_line(load, share, syntax):
    content = written(film(), syntax)
    with pytest.raises(ImageError):
        load(content[: int(share * len(content))])


def test_a_deflated_bomb_is_refused_before_it_is_inflated():
    """1 MB of zeros out of 1 kB, against a bound of 100 kB; the bound of `read` is the largest picture."""
    content = written(film(np.zeros((1000, 500), np.uint16)), DeflatedExplicitVRLittleEndian)
    assert len(content) < 10_000
    start = 144 + struct.unpack_from("<I", content, 140)[0]
    assert len(inflated(content, start)) > 1_000_000
    with pytest.raises(ImageError, match="at most 100000 bytes"):
        inflated(content, start, max_bytes=100_000)


def test_hostile_text_is_cleaned(load):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom objects to writing what is tested here
        dataset = film(
            PixelSpacing=[0.036, 0.027],
            PixelSpacingCalibrationType="FIDUCIAL",
            SpecificCharacterSet="ISO_IR 192",
            PixelSpacingCalibrationDescription="\x1b]0;owned\x07file \u202e" + "x" * 5000,
        )
        content = written(dataset)
    description = load(content).spacings[0].description
    assert description.isprintable()
    assert len(description) <= 64


def test_a_data_set_without_preamble_is_read_with_a_warning(load):
    dataset = film()
    sink = BytesIO()
    pydicom.dcmwrite(sink, dataset, implicit_vr=True, little_endian=True)
    radiograph = load(sink.getvalue())
    np.testing.assert_array_equal(radiograph.values, STORED)
    assert any("transfer syntax was guessed" in w for w in radiograph.warnings)


def test_a_tiff_preamble_does_not_hide_the_dicom(load):
    content = written(film())
    np.testing.assert_array_equal(load(b"II*\0" + bytes(124) + content[128:]).values, STORED)


@pytest.mark.parametrize("name", ["a", "a.dcm", "1.2.840.1", "IM.DCM"])
def test_usual_names_of_dicom_files_are_silent(load, name):
    assert load(written(film()), name).warnings == ()


def test_other_sop_classes_and_lossy_compression_are_told(load):
    radiograph = load(film(SOPClassUID="1.2.840.10008.5.1.4.1.1.2", LossyImageCompression="01"))
    assert "CT Image Storage" in radiograph.warnings[0]
    assert "lossy" in radiograph.warnings[1]


SHIPPED = {
    "MR_small.dcm": (np.int16, 16, (64, 64)),
    "MR_small_implicit.dcm": (np.int16, 16, (64, 64)),
    "MR_small_bigendian.dcm": (np.int16, 16, (64, 64)),
    "MR_small_RLE.dcm": (np.int16, 16, (64, 64)),
    "MR_small_padded.dcm": (np.int16, 16, (64, 64)),
    "CT_small.dcm": (np.int16, 16, (128, 128)),
    "examples_overlay.dcm": (np.uint16, 12, (300, 484)),
    "image_dfl.dcm": (np.uint8, 8, (512, 512)),
}


def shipped(name):
    path = get_testdata_file(name, download=False)
    assert path is not None
    return path


@pytest.mark.parametrize(("name", "expected"), SHIPPED.items(), ids=SHIPPED)
def test_files_of_other_writers(name, expected):
    """Files that come with pydicom; the five MR copies hold one picture in five codings."""
    radiograph = read(shipped(name))
    assert (radiograph.values.dtype.type, radiograph.bits, radiograph.values.shape) == expected
    if name.startswith("MR_"):
        np.testing.assert_array_equal(radiograph.values, read(shipped("MR_small.dcm")).values)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("MR_truncated.dcm", "truncated"),
        ("ExplVR_BigEnd.dcm", "must be a radiograph in grey: 100 % of its pixels are coloured"),
        ("emri_small.dcm", "NumberOfFrames is 10; say which, --frame 1 to --frame 10"),
        ("badVR.dcm", "NumberOfFrames must be a whole number: 1A"),
        ("examples_palette.dcm", "must be a radiograph in grey: 8 % of its pixels are coloured"),
        ("gdcm-US-ALOKA-16.dcm", "colour palette must not be in segments"),
        ("rtdose.dcm", "BitsStored must be 1 to 16, in 1, 8 or 16 allocated: 32 in 32"),
        ("test-SR.dcm", "must hold integer Pixel Data"),
    ],
)
def test_refused_files_of_other_writers(name, message):
    with pytest.raises(ImageError, match=message):
        read(shipped(name))


def test_pixel_data_of_an_unknown_representation_is_refused(load):
    """Found by overwriting bytes at random: pydicom raises NotImplementedError when the value is asked for."""
    content = written(film())
    assert content.count(b"\xe0\x7f\x10\x00OW") == 1
    with pytest.raises(ImageError, match=r"a\.dcm: DICOM"):
        load(content.replace(b"\xe0\x7f\x10\x00OW", b"\xe0\x7f\x10\x00OZ"))


SMALL = written(film(STORED[:24, :16].copy(), WindowCenter=100, WindowWidth=50, PixelSpacing=[0.036, 0.027]))


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_damage_escapes_as_another_error(tmp_path_factory, data):
    """Law: any few bytes overwritten give a picture or one ImageError line, and no warning leaks out."""
    content = bytearray(SMALL)
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(132, 900))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "damaged.dcm"
    path.write_bytes(bytes(content))
    message = "read"
    try:
        read(path)
    except ImageError as error:
        message = str(error)
    assert message.isprintable()


def test_missing_identifiers_are_a_note_and_no_refusal(load):
    radiograph = load(film())
    assert any(note.startswith("header without StudyInstanceUID, SeriesInstanceUID:") for note in radiograph.notes)
    full = load(film(StudyInstanceUID="1.2.3.5", SeriesInstanceUID="1.2.3.6"), "b.dcm")
    assert full.notes == ()


def encapsulated(stream, pixels=STORED, syntax=JPEGLosslessSV1, bits=12):
    dataset = film(pixels, bits, PixelData=encapsulate([stream]))
    dataset["PixelData"].is_undefined_length = True
    return written(dataset, syntax)


def jpeg_head(rows, cols, bits=12, components=1, marker=b"\xff\xc3"):
    """The frame header of a JPEG stream by hand (T.81 B.2.2)."""
    each = b"".join(bytes((k, 0x11, 0)) for k in range(1, components + 1))
    return b"\xff\xd8" + marker + struct.pack(">HBHHB", 8 + 3 * components, bits, rows, cols, components) + each


def jpeg_2000_head(rows, cols, tile_rows, tile_cols):
    """The SIZ segment of a JPEG 2000 stream by hand (T.800 A.5.1)."""
    sizes = struct.pack(">IIIIIIIIH", cols, rows, 0, 0, tile_cols, tile_rows, 0, 0, 1)
    return b"\xff\x4f\xff\x51\0\x29\0\0" + sizes + b"\x0b\1\1"


@pytest.mark.parametrize(
    ("stream", "message"),
    [
        (jpeg_head(ROWS + 1, COLS), "must have the size of the header, 900 x 700: 901 x 700"),
        (jpeg_head(65535, 65535, marker=b"\xff\xf7"), "65535 x 65535"),
        (jpeg_head(ROWS, COLS, components=3), "must have 1 samples a pixel: 3"),
        (jpeg_head(ROWS, COLS, bits=17), "at most 16 bits: 17"),
        (b"\xff\xd8\xff\xd9", "no frame header"),
        (b"\xff\xd8\xff\xc3\0", "its header ends early"),
        (b"nothing of the kind", "no frame header"),
        (jpeg_2000_head(901, 700, 901, 700), "901 x 700"),
        (jpeg_2000_head(ROWS, COLS, 1, 1), "65535 tiles: 630000"),
    ],
)
def test_a_stream_of_another_picture_never_reaches_a_decoder(load, monkeypatch, stream, message):
    """Found by the fuzzer: a decoder ended the program on a JPEG-LS stream larger than Rows and Columns."""
    monkeypatch.setattr(decoding, "_by_pydicom", lambda *_: pytest.fail("decoded"))
    monkeypatch.setattr(decoding, "decoders_of", lambda syntax, layout: ("gdcm",))
    with pytest.raises(ImageError, match=message):
        load(encapsulated(stream))


def test_a_compressed_picture_that_ends_early_is_refused(load):
    """GDCM fills up what is missing and says so on stderr alone."""
    pytest.importorskip("gdcm", reason='the extra "dicom" is not installed')
    import cv2

    grey = (STORED >> 4).astype(np.uint8)
    stream = cv2.imencode(".jpg", grey)[1].tobytes()
    whole = load(encapsulated(stream, grey, "1.2.840.10008.1.2.4.50", 8))
    assert whole.values.shape == (ROWS, COLS)
    cut = stream[: len(stream) // 2] + b"\xff\xd9"
    with pytest.raises(ImageError, match="truncated: the compressed picture ends early"):
        load(encapsulated(cut, grey, "1.2.840.10008.1.2.4.50", 8))


def test_a_bomb_of_values_or_elements_costs_little(load, monkeypatch):
    """A million values of one attribute are not converted; too many elements, or items with nothing in them, are refused."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = film()
        dataset.add_new("WindowCenter", "UT", "1\\" * 1_000_000 + "1")
    radiograph = load(dataset)
    assert radiograph.display is None
    assert any(line.startswith("WindowCenter cannot be read") for line in radiograph.warnings)
    tail = b"".join(struct.pack("<HH2sH", 0x7FE1 + 2 * (k >> 16), k & 0xFFFF, b"LO", 0) for k in range(2_000))
    item = struct.pack("<HHI", 0xFFFE, 0xE000, 0)
    empty = struct.pack("<HH2sHI", 0x7FE1, 0x1000, b"SQ", 0, 0xFFFFFFFF) + 2_000 * item
    monkeypatch.setattr("wlmeasure.image.dicom_file._Counted.left", 1_000)
    for more in (tail, empty):
        with pytest.raises(ImageError, match="must have fewer elements"):
            load(written(film()) + more)


def test_two_patients_are_told_apart_and_neither_is_named(load):
    """Spelling, blanks and empty parts of a name do not count; without ID and name there is nobody to tell apart."""
    doe = load(film(PatientID="7", PatientName="Doe^A")).patient_fingerprint
    assert load(film(PatientID=" 7", PatientName="DOE^A^^")).patient_fingerprint == doe
    others = [
        load(film(PatientID=number, PatientName=name, IssuerOfPatientID=issuer)).patient_fingerprint
        for number, name, issuer in (("8", "Doe^A", ""), ("7", "Roe^A", ""), ("7", "Doe^A", "B"), ("", "7^Doe", ""))
    ]
    assert len({doe, *others}) == 5
    assert load(film(PatientID="", PatientName="")).patient_fingerprint is None
    assert "Doe" not in str(doe)
