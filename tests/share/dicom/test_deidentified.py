"""What this room writes, de-identified: still valid by the validators, still of the film, no person in any byte."""

import pydicom

from wlmeasure.cli import main
from wlmeasure.share.deidentify import deidentify_files


def test_film_report_state_and_copy_stay_valid_and_belong_together(on_dicom, faults, tmp_path, capsys):
    from wlmeasure.record.case import save_case

    result = on_dicom(PatientName="Quillfeather^Zephyrine", PatientID="QZX-1", StudyDescription="of Quillfeather")
    save_case(result.case, tmp_path / "case.wl.json")
    files = [tmp_path / "film.dcm"]
    for form in ("sr", "presentation", "calibrated"):
        files.append(tmp_path / f"{form}.dcm")
        assert main(["share", str(tmp_path / "case.wl.json"), "--as", form, "--out", str(files[-1])]) == 0
    capsys.readouterr()
    assert any(b"Quill" in path.read_bytes() for path in files)
    before = {path.name: faults(path) for path in files}
    done = deidentify_files(files, tmp_path / "out", no_text_in_pixels=True)
    assert [path for path in done.files if b"Quill" in path.read_bytes() or b"QZX" in path.read_bytes()] == []
    assert {path.name: faults(new) for path, new in zip(files, done.files, strict=True)} == before
    film, report, state, copy = (pydicom.dcmread(path, stop_before_pixels=True) for path in done.files)
    uid = film.SOPInstanceUID
    assert state.ReferencedSeriesSequence[0].ReferencedImageSequence[0].ReferencedSOPInstanceUID == uid
    assert copy.SourceImageSequence[0].ReferencedSOPInstanceUID == uid
    evidence = report.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[0]
    assert uid in [item.ReferencedSOPInstanceUID for item in evidence.ReferencedSOPSequence]
