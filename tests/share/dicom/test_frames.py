"""Films that are frames of one file: every reference says which frame, and the two are never taken for one another."""

from math import hypot

import numpy as np
import pydicom
import pytest

from wlmeasure.errors import CaseError, ShareError
from wlmeasure.share.dicom.objects import dicom_bytes
from wlmeasure.share.dicom.report_reading import case_from_report, read_report
from wlmeasure.share.dicom.source import film_images

pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
from wlmeasure.share.dicom.calibrated import calibrated_copy
from wlmeasure.share.dicom.presentation import presentation_state
from wlmeasure.share.dicom.structured_report import structured_report

ROWS, COLS = 900, 700
FRAMES = np.random.default_rng(6).integers(0, 3000, (3, ROWS, COLS), dtype=np.uint16)
GREY_WORD_CAPTURE = "1.2.840.10008.5.1.4.1.1.7.3"
# The known file of 20 mm has 500 rows on frame 1 and 400 on frame 3: 0.040 and 0.050 mm a row, columns 3/4 of it.
SHORT_FILE = [[20.0, 50.0], [420.0, 50.0]]


@pytest.fixture
def two_frames(tmp_path, measure, make):
    """Frames 1 and 3 of one file with a scale each, and one canal traced on both."""
    film = make.io_film(FRAMES[0], SOPClassUID=GREY_WORD_CAPTURE, NumberOfFrames=3, PixelData=FRAMES.tobytes())
    path = make.write(film, tmp_path / "film.dcm")
    scale = [{"kind": "known_file", "points_px": SHORT_FILE, "trace_kind": "path", "known_length_mm": 20.0}]
    films = [make.body(path, frame=1), make.body(path, "f2", frame=3, scale=scale)]
    return measure(films, [make.canal("f1", "f2")])


def frames_named(item):
    """Every Referenced Frame Number below a data set, with a count."""
    found = [int(element.value) for element in item.iterall() if element.keyword == "ReferencedFrameNumber"]
    return {frame: found.count(frame) for frame in set(found)}


def test_each_film_is_its_own_frame(two_frames):
    for film, frame in zip(two_frames.films, (1, 3), strict=True):
        np.testing.assert_array_equal(film.radiograph.values, FRAMES[frame - 1])
        assert (film.film.frame, film.radiograph.frames) == (frame, 3)


def test_a_report_refers_to_frames_and_gives_the_case_back(two_frames, made, tmp_path, faults):
    path = tmp_path / "report.dcm"
    report = structured_report(two_frames, film_images(two_frames), **made)
    path.write_bytes(dicom_bytes(report))
    assert faults(path) == []
    assert set(frames_named(report)) == {1, 3}
    (evidence,) = [
        reference.ReferencedSOPInstanceUID
        for study in report.CurrentRequestedProcedureEvidenceSequence
        for series in study.ReferencedSeriesSequence
        for reference in series.ReferencedSOPSequence
    ]
    assert evidence == "1.2.3.4.1"
    read = read_report(path)
    assert len({group.name for group in read.groups}) == len(read.groups)
    # 200.25 rows straight, then a leg of 200.25 rows and 100.125 columns, by each frame's own scale.
    expected = [(200.25 * row) + hypot(200.25 * row, 100.125 * 0.75 * row) for row in (20.0 / 500.0, 20.0 / 400.0)]
    lengths = [length for length in read.lengths if length.method == "M-CANAL"]
    assert [length.recomputed_mm for length in lengths] == pytest.approx(expected, abs=1e-3)
    assert [length.length_mm for length in lengths] == pytest.approx(expected, abs=1e-3)
    case = case_from_report(path)
    assert [(film.id, film.frame, film.path) for film in case.films] == [("f1", 1, "film1.dcm"), ("f2", 3, "film1.dcm")]


def test_a_presentation_is_of_one_frame(two_frames, made, tmp_path, faults):
    for image, frame in zip(film_images(two_frames), (1, 3), strict=True):
        path = tmp_path / f"state{frame}.dcm"
        path.write_bytes(dicom_bytes(presentation_state(two_frames, image, **made)))
        assert faults(path) == []
        state = pydicom.dcmread(path)
        assert set(frames_named(state)) == {frame}
        for item in state.GraphicAnnotationSequence:
            assert item.ReferencedImageSequence[0].ReferencedFrameNumber == frame


def test_the_two_presentations_are_two_objects(two_frames, made):
    states = [presentation_state(two_frames, image, **made) for image in film_images(two_frames)]
    assert len({state.SOPInstanceUID for state in states}) == 2


def test_a_copy_with_one_spacing_for_all_frames_is_refused(two_frames, made):
    with pytest.raises(ShareError, match=r"film f2 must be a file of one frame .* it is frame 3 of 3"):
        calibrated_copy(two_frames, film_images(two_frames)[1], **made)


def test_a_case_must_name_the_frame(tmp_path, measure, make):
    film = make.io_film(FRAMES[0], SOPClassUID=GREY_WORD_CAPTURE, NumberOfFrames=3, PixelData=FRAMES.tobytes())
    path = make.write(film, tmp_path / "film.dcm")
    for frame, said in ((None, "none"), (7, "7")):
        changes = {} if frame is None else {"frame": frame}
        with pytest.raises(CaseError, match=rf"film f1 must name the frame of film\.dcm, 1 to 3: {said}"):
            measure([make.body(path, **changes)], [])
