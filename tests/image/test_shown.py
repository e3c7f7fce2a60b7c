"""What a header says of showing the picture, against pydicom's own display steps and hand-made tables."""

from pathlib import Path

import numpy as np
import pydicom
import pytest
from dicom_film import STORED, film, table
from pydicom.data import get_testdata_file
from pydicom.pixels import apply_modality_lut, apply_presentation_lut, apply_voi_lut

from wlmeasure.image.dicom import read_dicom
from wlmeasure.image.radiograph import DisplayRange, DisplayTable, Radiograph
from wlmeasure.image.shown import padding, windows

GAMMA = (65535 * (np.arange(4096) / 4095) ** 0.5).astype(np.uint16)


def by_pydicom(dataset):
    """Greys 0 to 255 through modality, VOI and presentation step of another house; the full range of the VOI step's output."""
    modality = apply_modality_lut(dataset.pixel_array, dataset)
    shown = apply_voi_lut(modality, dataset, prefer_lut=False).astype(float)
    ends = shown.min(), shown.max()
    if "WindowWidth" in dataset:  # its output range is that of the stored values
        high = 2.0**dataset.BitsStored - 1.0
        ends = (-(high + 1) / 2, (high - 1) / 2) if dataset.PixelRepresentation else (0.0, high)
    elif "VOILUTSequence" in dataset:
        data = dataset.VOILUTSequence[0].LUTData
        ends = 0.0, float(np.max(np.frombuffer(data, "<u2") if isinstance(data, bytes) else data))
    greys = 255.0 * (shown - ends[0]) / (ends[1] - ends[0])
    return 255.0 - greys if dataset.PhotometricInterpretation == "MONOCHROME1" else greys


def close(radiograph, expected):
    """Equal but for rounding."""
    assert np.abs(radiograph.displayed().astype(float) - expected).max() <= 1.0


@pytest.mark.parametrize("name", ["vlut_04.dcm", "mlut_18.dcm"])
def test_tables_of_other_writers(name):
    path = get_testdata_file(name, download=False)
    # As the header has it; `read` sets a table aside that hides the film, as that of the second one does.
    radiograph = read_dicom(Path(path).read_bytes(), path=path, sha256="")
    assert isinstance(radiograph.display, DisplayTable)
    close(radiograph, by_pydicom(pydicom.dcmread(path)))


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
@pytest.mark.parametrize("turned", [False, True])
def test_a_voi_table_shows_and_does_not_touch_stored_values(load, photometric, turned):
    entries = GAMMA[::-1] if turned else GAMMA
    dataset = film(PhotometricInterpretation=photometric, VOILUTSequence=[table(entries, name="bone")])
    radiograph = load(dataset)
    np.testing.assert_array_equal(radiograph.values, STORED)
    # What is bright on the screen is dense: a falling table turns the scale, MONOCHROME1 turns it back.
    assert radiograph.bright_is_dense is ((photometric == "MONOCHROME2") != turned)
    dataset.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    close(radiograph, by_pydicom(dataset))


def test_a_modality_table_of_signed_values_and_a_window_behind_it(load):
    """A table from -2048 on; the window lies on what comes out of it."""
    signed = STORED.astype(np.int16) - 2048
    dataset = film(signed, ModalityLUTSequence=[table(GAMMA, first=-2048)], WindowCenter=33000, WindowWidth=66001)
    radiograph = load(dataset)
    np.testing.assert_array_equal(radiograph.values, signed)
    expected = 255.0 * np.clip((GAMMA[STORED].astype(float) + 0.5) / 66000, 0, 1)
    close(radiograph, expected)
    assert radiograph.bright_is_dense


def test_rescale_and_table_that_both_fall_rise_together(load):
    dataset = film(RescaleSlope=-1, RescaleIntercept=4095, VOILUTSequence=[table(GAMMA[::-1])])
    assert load(dataset).bright_is_dense
    del dataset.VOILUTSequence
    assert not load(dataset, "b.dcm").bright_is_dense


def test_both_polarities_of_one_scene_look_alike_with_tables(load):
    one = load(film(VOILUTSequence=[table(GAMMA)]))
    other = film(4095 - STORED, PhotometricInterpretation="MONOCHROME1", VOILUTSequence=[table(GAMMA)])
    # MONOCHROME1 shows the table's output inverted: the twin's table is the one turned in both directions.
    other.VOILUTSequence = [table(65535 - GAMMA[::-1])]
    other = load(other, "b.dcm")
    np.testing.assert_array_equal(one.density(), other.density())
    assert np.abs(one.displayed().astype(int) - other.displayed()).max() <= 1


@pytest.mark.parametrize(
    "broken",
    [
        {"LUTDescriptor": [4096, 0]},
        {"LUTDescriptor": None},
        {"LUTData": b"\0\0" * 10},
        {"LUTData": b"\7\0" * 4096},
        {"LUTDescriptor": [0, 0, 16]},
    ],
    ids=["two numbers", "no descriptor", "short", "flat", "65536 announced"],
)
def test_a_broken_table_costs_the_display_only(load, broken):
    item = table(GAMMA)
    for keyword, value in broken.items():
        if value is None:
            delattr(item, keyword)
        else:
            setattr(item, keyword, value)
    radiograph = load(film(VOILUTSequence=[item]))
    np.testing.assert_array_equal(radiograph.values, STORED)
    assert radiograph.display is None
    assert sum("shown from percentiles" in warning for warning in radiograph.warnings) == 1


def test_the_window_that_is_used_is_said_and_the_others_are_listed(load):
    dataset = film(
        WindowCenter=[2000, 1000], WindowWidth=[4501, 901], WindowCenterWidthExplanation=["soft", "hard"],
        VOILUTSequence=[table(GAMMA, name="bone")],
    )  # fmt: skip
    radiograph = load(dataset)
    assert radiograph.display == DisplayRange(-250.5, 4249.5)
    assert (
        "shown with the first of 3: window 2000, width 4501 (soft); not used: window 1000, width 901 (hard), table bone"
        in (radiograph.notes)
    )
    del dataset.VOILUTSequence
    dataset.WindowCenter, dataset.WindowWidth = 1000, 501
    assert not any("shown with" in note for note in load(dataset, "b.dcm").notes)


def test_windows_without_numbers_are_left_out():
    assert windows({"WindowCenter": ("1", "x", "3"), "WindowWidth": (5, 6)}) == ((1.0, 5.0, ""),)


def test_a_table_is_a_straight_window_where_one_is_needed():
    """Rising from stored 10 (black) to 20 (white) and level beside them."""
    shown = DisplayTable(5, np.clip(25.5 * np.arange(-5, 25), 0, 255))
    assert (shown.low, shown.high) == (10.0, 20.0)
    np.testing.assert_array_equal(shown.of(np.array([[0, 10, 20, 999]], np.uint16)), [[0, 0, 255, 255]])


# Padding


@pytest.mark.parametrize(
    ("facts", "signed", "expected"),
    [
        ({}, False, None),
        ({"PixelPaddingValue": 0}, False, (0, 0)),
        ({"PixelPaddingValue": 63536}, True, (-2000, -2000)),  # -2000 written as an unsigned number
        ({"PixelPaddingValue": -1}, False, (65535, 65535)),
        ({"PixelPaddingValue": 100, "PixelPaddingRangeLimit": 5}, False, (5, 100)),
        ({"PixelPaddingRangeLimit": 5}, False, None),
        ({"PixelPaddingValue": "x", "PixelPaddingRangeLimit": 5}, False, None),
        ({"PixelPaddingValue": 1.5}, False, None),
    ],
)
def test_padding_values(facts, signed, expected):
    assert padding(facts, signed=signed) == expected


def test_padding_stays_out_of_the_display_and_of_tracing(load):
    """A film in a wide frame of padding is shown like the film alone, and its density has no step to the frame's value."""
    framed = np.full((1200, 1000), 65535, np.uint16)
    framed[150:1050, 150:850] = STORED + 1000
    radiograph = load(film(framed, 16, PixelPaddingValue=65535))
    alone = load(film(STORED + 1000, 16), "b.dcm")
    np.testing.assert_array_equal(radiograph.displayed()[150:1050, 150:850], alone.displayed())
    assert radiograph.density().max() == alone.density().max()
    np.testing.assert_array_equal(radiograph.values, framed)
    assert "padding value 65535: 48 % of the pixels are no picture" in radiograph.notes


def test_a_picture_of_padding_alone_is_shown_as_it_is():
    values = np.full((3, 4), 7, np.uint8)
    graph = Radiograph(values, True, "a", "0" * 64, "DICOM", 8, 3, 4, padding=(7, 7))
    assert (graph.density() == 7).all()
    assert graph.displayed().shape == (3, 4)


def test_presentation_shape_of_pydicom_agrees(load):
    """MONOCHROME1 with INVERSE and its twin look the same here as by pydicom's own presentation step."""
    inverse = film(PhotometricInterpretation="MONOCHROME1", PresentationLUTShape="INVERSE")
    radiograph = load(inverse)
    turned = apply_presentation_lut(STORED.astype(np.int32), inverse).astype(float)
    order = np.argsort(radiograph.displayed().ravel(), kind="stable")
    assert np.all(np.diff(turned.ravel()[order].astype(int) // 32) >= -1)
