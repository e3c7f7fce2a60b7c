"""Secondary capture, calibrated copy and presentation state, read with pydicom and with the image room."""

import hashlib
from io import BytesIO

import cv2
import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.uid import ExplicitVRLittleEndian, RLELossless

from wlmeasure.errors import ShareError, StaleCaseError
from wlmeasure.image.reading import read
from wlmeasure.share.dicom.calibrated import calibrated_copy
from wlmeasure.share.dicom.objects import dicom_bytes
from wlmeasure.share.dicom.source import film_images

ROWS, COLS = 900, 700
ROW_MM, COL_MM = 0.040, 0.030
MARK = (20, 300)  # where the case puts the coronal reference point, (row, col)


@pytest.fixture
def reread(tmp_path):
    """Write an object and read it again: (data set, path)."""

    def reread(dataset, name="out.dcm"):
        path = tmp_path / name
        path.write_bytes(dicom_bytes(dataset))
        return pydicom.dcmread(path), path

    return reread


@pytest.fixture
def image():
    """The first film of a measured case as a DICOM image."""
    return lambda result: film_images(result)[0]


@pytest.fixture
def calibrated(image, reread, made):
    return lambda result: reread(calibrated_copy(result, image(result), **made), "calibrated.dcm")


@pytest.fixture
def presented(image, reread, made):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    from wlmeasure.share.dicom.presentation import presentation_state

    return lambda result: reread(presentation_state(result, image(result), **made), "presentation.dcm")


def marked(shape=(ROWS, COLS), at=MARK):
    """A dark film with one bright pixel."""
    pixels = np.full(shape, 100, np.uint16)
    pixels[at] = 3000
    return pixels


def drawn_point(state, layer="CANAL 1"):
    """First vertex of the first line of a layer, (column, row)."""
    (annotation,) = [a for a in state.GraphicAnnotationSequence if a.GraphicLayer == layer]
    return list(annotation.GraphicObjectSequence[0].GraphicData[:2])


# Secondary capture


def test_a_capture_holds_the_values_that_are_measured_on(on_png, image, reread, faults):
    pixels = np.random.default_rng(3).integers(0, 65536, (ROWS, COLS), dtype=np.uint16)
    capture, path = reread(image(on_png(pixels)).dataset)
    np.testing.assert_array_equal(capture.pixel_array, pixels)
    assert capture.SOPClassUID == "1.2.840.10008.5.1.4.1.1.7"
    assert list(capture.PixelAspectRatio) == [4, 3]  # vertical, horizontal: rows are further apart
    assert "BurnedInAnnotation" not in capture  # not known
    assert "PixelSpacing" not in capture
    assert faults(path) == []
    again = read(path)
    assert again.col_over_row == pytest.approx(0.75)
    assert again.spacings == ()
    assert b"Baer" not in path.read_bytes()


def test_an_odd_number_of_bytes_is_padded(tmp_path, measure, make, image, reread, faults):
    pixels = np.random.default_rng(3).integers(0, 256, (601, 701), dtype=np.uint8)
    film = make.body(make.png(pixels, tmp_path / "a.png"), shape=pixels.shape)
    capture, path = reread(image(measure([film], [make.canal("f1")])).dataset)
    np.testing.assert_array_equal(capture.pixel_array, pixels)
    assert faults(path) == []


def test_dark_metal_is_said_in_the_photometric_interpretation(on_png, image, reread):
    capture, path = reread(image(on_png(metal="dark")).dataset)
    assert (capture.PhotometricInterpretation, capture.PresentationLUTShape) == ("MONOCHROME1", "INVERSE")
    assert not read(path).bright_is_dense


def test_a_jpeg_stays_lossy(tmp_path, measure, make, image, reread, faults):
    path = tmp_path / "a.jpg"
    path.write_bytes(cv2.imencode(".jpg", marked().astype(np.uint8))[1].tobytes())
    capture, written = reread(image(measure([make.body(path)], [make.canal("f1")])).dataset)
    assert (capture.LossyImageCompression, capture.LossyImageCompressionMethod) == ("01", "ISO_10918_1")
    assert faults(written) == []


def test_the_same_film_gives_the_same_capture(on_png, image):
    one, other = (dicom_bytes(image(on_png()).dataset) for _ in range(2))
    assert one == other
    assert dicom_bytes(image(on_png(marked())).dataset) != one


def test_a_film_turned_at_reading_is_captured_upright(tmp_path, measure, make, presented, image, reread):
    """EXIF orientation 6: stored 700 x 900, upright 900 x 700. The mark lies under the drawn point in the capture."""
    stored = np.rot90(marked()).copy()
    exif = Image.Exif()
    exif[274] = 6
    path = tmp_path / "a.png"
    Image.fromarray((stored >> 4).astype(np.uint8)).save(path, exif=exif)
    result = measure([make.body(path)], [make.canal("f1")])
    assert result.films[0].radiograph.orientation == 6
    capture, _ = reread(image(result).dataset)
    state, _ = presented(result)
    column, row = drawn_point(state)
    values = capture.pixel_array
    assert values[int(row), int(column)] == values.max() > values.min()
    assert "EXIF orientation 6" in capture.DerivationDescription


def test_a_point_lies_on_its_stored_pixel_of_a_dicom_film(on_dicom, presented):
    result = on_dicom(marked())
    state, _ = presented(result)
    column, row = drawn_point(state)
    stored = pydicom.dcmread(result.case.film_path(result.films[0].film)).pixel_array
    assert stored[int(row), int(column)] == 3000


# Calibrated copy


def test_a_calibrated_copy_carries_our_spacing_and_the_same_pixels(on_dicom, calibrated, faults):
    result = on_dicom()
    film = result.case.film_path(result.films[0].film)
    before = hashlib.sha256(film.read_bytes()).hexdigest()
    source = pydicom.dcmread(film)
    copy, path = calibrated(result)
    assert [float(v) for v in copy.PixelSpacing] == pytest.approx([ROW_MM, COL_MM])
    assert copy.PixelSpacingCalibrationType == "FIDUCIAL"
    assert copy.PixelSpacingCalibrationDescription == "file 20 mm, tooth 46"
    assert copy.ImagerPixelSpacing == source.ImagerPixelSpacing
    assert copy.PixelData == source.PixelData
    assert copy.StudyInstanceUID == source.StudyInstanceUID
    assert copy.SOPInstanceUID != source.SOPInstanceUID
    assert copy.SeriesInstanceUID != source.SeriesInstanceUID
    assert copy.file_meta.MediaStorageSOPInstanceUID == copy.SOPInstanceUID
    assert list(copy.ImageType) == ["DERIVED", "PRIMARY", ""]
    (origin,) = copy.SourceImageSequence
    assert origin.ReferencedSOPInstanceUID == source.SOPInstanceUID
    assert origin.PurposeOfReferenceCodeSequence[0].CodeValue == "121322"
    assert origin.SpatialLocationsPreserved == "YES"
    assert "pixel values unchanged" in copy.DerivationDescription
    assert copy.Manufacturer == "wlmeasure"
    (device,) = copy.ContributingEquipmentSequence
    assert (device.Manufacturer, device.StationName) == ("Sensor works", "ROOM2")
    assert device.PurposeOfReferenceCodeSequence[0].CodeValue == "109101"
    assert "OriginalAttributesSequence" not in copy
    assert str(copy.PatientName) == "Bär^Käthe"
    assert (copy.InstanceCreationDate, copy.ContentDate) == ("20261125", "20261101")
    assert hashlib.sha256(film.read_bytes()).hexdigest() == before
    assert faults(path) == []


def test_the_image_room_believes_the_copy(on_dicom, calibrated):
    _, path = calibrated(on_dicom())
    best = read(path).spacings[0]
    assert (best.claim, best.trust, best.plane) == ("PixelSpacing", "calibrated", "patient")
    assert (best.row_mm, best.col_mm) == (pytest.approx(ROW_MM), pytest.approx(COL_MM))


def test_an_older_calibration_is_kept(on_dicom, calibrated, faults):
    older = {
        "PixelSpacing": [0.039, 0.029],
        "PixelSpacingCalibrationType": "GEOMETRY",
        "PixelSpacingCalibrationDescription": "assumed",
    }
    copy, path = calibrated(on_dicom(**older))
    (change,) = copy.OriginalAttributesSequence
    (old,) = change.ModifiedAttributesSequence
    assert [float(v) for v in old.PixelSpacing] == [0.039, 0.029]
    assert old.PixelSpacingCalibrationType == "GEOMETRY"
    assert change.AttributeModificationDateTime == "20261125103000"
    assert faults(path) == []


def test_a_compressed_film_stays_compressed(tmp_path, measure, make, calibrated):
    film = make.io_film()
    film.file_meta = pydicom.dataset.FileMetaDataset()
    film.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    film.compress(RLELossless, generate_instance_uid=False)
    path = tmp_path / "rle.dcm"
    film.save_as(path, enforce_file_format=True)
    copy, _ = calibrated(measure([make.body(path)], [make.canal("f1")]))
    assert copy.file_meta.TransferSyntaxUID == RLELossless
    np.testing.assert_array_equal(copy.pixel_array, pydicom.dcmread(path).pixel_array)


def test_a_picture_is_calibrated_as_a_capture(on_png, calibrated, faults):
    copy, path = calibrated(on_png())
    assert copy.SOPClassUID == "1.2.840.10008.5.1.4.1.1.7"
    assert [float(v) for v in copy.PixelSpacing] == pytest.approx([ROW_MM, COL_MM])
    assert "PixelAspectRatio" not in copy
    assert faults(path) == []


def test_what_is_no_fiducial_is_refused(tmp_path, measure, make, calibrated):
    path = make.write(make.io_film(), tmp_path / "a.dcm")
    with pytest.raises(ShareError, match="film f1 must have a scale"):
        calibrated(measure([make.body(path, scale=[])], [make.canal("f1")]))
    claim = [{"kind": "spacing", "claim": "ImagerPixelSpacing"}]
    with pytest.raises(ShareError, match="must be calibrated on a known length"):
        calibrated(measure([make.body(path, scale=claim)], [make.canal("f1")]))


def test_a_film_that_has_changed_since_is_refused(on_dicom):
    result = on_dicom()
    film = result.case.film_path(result.films[0].film)
    film.write_bytes(film.read_bytes() + b"\0\0")
    with pytest.raises(StaleCaseError, match="it has changed since"):
        film_images(result)


# Presentation state


def test_a_presentation_carries_paths_labels_and_our_spacing(on_dicom, presented, faults):
    state, path = presented(on_dicom())
    (area,) = state.DisplayedAreaSelectionSequence
    assert [float(v) for v in area.PresentationPixelSpacing] == pytest.approx([ROW_MM, COL_MM])
    assert "PresentationPixelAspectRatio" not in area
    assert "PixelOriginInterpretation" not in area
    assert list(area.DisplayedAreaBottomRightHandCorner) == [COLS, ROWS]
    assert (state.Laterality, state.ReferencedSeriesSequence[0].SeriesInstanceUID) == ("R", "1.2.3.4.3")
    canal = next(a for a in state.GraphicAnnotationSequence if a.GraphicLayer == "CANAL 1")
    crown, trace = canal.GraphicObjectSequence
    assert list(crown.GraphicData) == [300.5, 20.5, 300.5, 120.5]
    assert list(trace.GraphicData) == [300.5, 120.5, 300.5, 320.75, 400.625, 521.0]
    (label,) = canal.TextObjectSequence
    assert label.UnformattedTextValue.startswith("MB 20.6 mm ± ")  # 4 + 8.01 + 8.55
    assert list(label.AnchorPoint) == [400.625, 521.0]
    layers = {layer.GraphicLayer: layer.GraphicLayerDescription for layer in state.GraphicLayerSequence}
    assert layers == {"SCALE": "Known lengths: 20 mm", "CANAL 1": "Mesiobuccal canal"}
    assert faults(path) == []


@pytest.mark.parametrize(
    ("header", "shape"),
    [
        ({}, "IDENTITY"),
        (
            {
                "PhotometricInterpretation": "MONOCHROME1",
                "PresentationLUTShape": "INVERSE",
                "PixelIntensityRelationshipSign": 1,
            },
            "INVERSE",
        ),
    ],
)
def test_metal_is_shown_bright_whatever_the_film_stores(on_dicom, presented, faults, header, shape):
    """A presentation state overrides the Photometric Interpretation (PS3.4 N.2.1.4)."""
    state, path = presented(on_dicom(**header))
    assert state.PresentationLUTShape == shape
    assert faults(path) == []


def test_the_window_is_the_one_the_program_shows(on_dicom, on_png, presented):
    state, _ = presented(on_dicom())  # header: centre 1500, width 3000
    (window,) = state.SoftcopyVOILUTSequence
    assert (float(window.WindowCenter), float(window.WindowWidth)) == (1500.0, 3000.0)
    state, _ = presented(on_dicom(RescaleSlope=2, RescaleIntercept=-10))
    assert (float(state.RescaleSlope), float(state.RescaleIntercept)) == (2.0, -10.0)
    state, _ = presented(on_png())  # values 0 to 2999, evenly spread
    (window,) = state.SoftcopyVOILUTSequence
    assert float(window.WindowWidth) == pytest.approx(2970, abs=20)


def test_a_film_shown_by_a_table_is_presented_with_the_nearest_window(on_dicom, presented, faults):
    """A table that rises from stored 20 to 2974 and is level beside them; the film's 0 to 2999 lie in it but for 1.5 %."""
    table = pydicom.Dataset()
    entries = np.clip((np.arange(4096) - 20) * 22, 0, 65000).astype("<u2")
    table.LUTDescriptor, table.LUTExplanation = [4096, 0, 16], "steep"
    table.add_new("LUTData", "OW", entries.tobytes())
    state, path = presented(on_dicom(WindowCenter=None, WindowWidth=None, VOILUTSequence=[table]))
    (window,) = state.SoftcopyVOILUTSequence
    centre, width = float(window.WindowCenter), float(window.WindowWidth)
    # LINEAR (PS3.3 C.11.2.1.2.1): black at c - w / 2, white at c + w / 2 - 1; a grey of 255 is 65000 / 255 of the table,
    # 12 stored values.
    assert centre - width / 2 == pytest.approx(20, abs=12)
    assert centre + width / 2 - 1 == pytest.approx(20 + 65000 / 22, abs=12)
    assert faults(path) == []


def test_a_checker_of_presentations_passes_it(on_dicom, presented, dcmpschk):
    _, path = presented(on_dicom())
    assert "Test passed" in dcmpschk(path)


def test_a_presentation_of_a_picture_validates(on_png, presented, faults):
    state, path = presented(on_png())
    assert faults(path) == []
    assert state.PatientName == ""


def test_without_a_scale_the_shape_of_the_pixels_is_said(tmp_path, measure, make, presented, faults):
    film = make.body(make.png(marked(), tmp_path / "a.png"), col_over_row=0.75, scale=[])
    state, path = presented(measure([film], [make.canal("f1")]))
    (area,) = state.DisplayedAreaSelectionSequence
    assert list(area.PresentationPixelAspectRatio) == [1000, 750]
    assert "PresentationPixelSpacing" not in area
    assert faults(path) == []


def test_a_film_with_nothing_on_it_has_nothing_to_present(tmp_path, measure, make, presented):
    film = make.body(make.png(marked(), tmp_path / "a.png"), scale=[])
    with pytest.raises(ShareError, match="film f1 must have a file or a canal to show"):
        presented(measure([film], []))


def test_the_same_case_gives_the_same_bytes(on_dicom, image, made):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    from wlmeasure.share.dicom.presentation import presentation_state

    result = on_dicom()
    for build in (presentation_state, calibrated_copy):
        one, other = (dicom_bytes(build(result, image(result), **made)) for _ in range(2))
        assert one == other
        assert pydicom.dcmread(BytesIO(one)).SOPInstanceUID.is_valid


def test_a_turned_and_mirrored_film_is_a_state_without_faults(on_png, presented, faults):
    state, path = presented(on_png(view={"quarter_turns": 1, "mirrored": True}))
    assert (state.ImageRotation, state.ImageHorizontalFlip) == (90, "Y")
    assert faults(path) == []
