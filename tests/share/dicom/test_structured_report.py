"""The report read with pydicom, highdicom and a reader of another house, against lengths worked out by hand."""

import hashlib
import warnings
from math import hypot
from pathlib import Path

import numpy as np
import pydicom
import pytest
from attrs import evolve

from wlmeasure.errors import CaseError, ShareError
from wlmeasure.image.reading import is_structured_report
from wlmeasure.magnification import usual_magnification
from wlmeasure.record.case import FileTaper, case_to_json, load_case
from wlmeasure.record.evaluate import accept_paths, evaluate
from wlmeasure.share.deidentify import Profile, deidentify_files
from wlmeasure.share.dicom import codes
from wlmeasure.share.dicom.calibrated import calibrated_copy
from wlmeasure.share.dicom.objects import dicom_bytes
from wlmeasure.share.dicom.report_reading import case_from_report, disagreement, predecessor, read_report
from wlmeasure.share.dicom.report_words import report_json, report_text
from wlmeasure.share.dicom.source import film_images
from wlmeasure.share.result import result_json

hd = pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
from wlmeasure.share.dicom.structured_report import structured_report  # noqa: E402

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
# File 500 rows = 20 mm, columns 3/4 of a row; reference point 100 rows above the orifice; two legs.
ROW_MM, COL_MM = 0.040, 0.030
CORONAL_MM = 100 * ROW_MM
CANAL_MM = 200.25 * ROW_MM + hypot(200.25 * ROW_MM, 100.125 * COL_MM)
MICROMETRE = 1e-3


@pytest.fixture
def report(tmp_path, made):
    """A function from a measured case to its report as a file."""

    def report(result, name="report.dcm", **options):
        path = tmp_path / name
        path.write_bytes(dicom_bytes(structured_report(result, film_images(result), **made | options)))
        return path

    return report


def numbers(path):
    """Everything measured, by concept and method, as pydicom alone finds it."""
    found = {}

    def walk(item):
        for child in item.get("ContentSequence", ()):
            if child.ValueType == "NUM":
                methods = [
                    c.ConceptCodeSequence[0].CodeValue
                    for c in child.get("ContentSequence", ())
                    if c.ValueType == "CODE"
                ]
                found[(child.ConceptNameCodeSequence[0].CodeValue, *methods)] = child
            walk(child)

    walk(pydicom.dcmread(path))
    return found


def value(item):
    return item.MeasuredValueSequence[0].FloatingPointValue


def test_lengths_are_those_worked_out_by_hand(report, on_dicom):
    found = numbers(report(on_dicom()))
    assert value(found["122423", "M-FILE-PATH"]) == 20.0
    assert value(found["122322", "M-ROW"]) == pytest.approx(ROW_MM, rel=1e-12)
    assert value(found["122322", "M-COL"]) == pytest.approx(COL_MM, rel=1e-12)
    assert value(found["121211", "M-CANAL"]) == pytest.approx(CANAL_MM, rel=1e-12)
    assert value(found["121211", "M-FROM-REF"]) == pytest.approx(CORONAL_MM + CANAL_MM, rel=1e-12)
    assert value(found["WL-RAD", "M-ALLOWANCE"]) == pytest.approx(CORONAL_MM + CANAL_MM - 1.0, rel=1e-12)
    assert value(found["WL-FINAL", "M-DECIDED"]) == 19.0
    assert {key[0] for key in found} >= {"WL-ELEC", "WL-PROP"}


def test_a_known_length_plus_a_gap_is_one_number_by_its_own_method(report, tmp_path, measure, make):
    """The file's 18.5 mm and 50 rows of 0.040 mm over the usual magnification; where the canal begins is not measured."""
    path = make.write(make.io_film(), tmp_path / "film.dcm")
    file = {"kind": "known_file", "points_px": [[2.0, 300.0], [470.0, 300.0]], "trace_kind": "path"}
    file |= {"known_length_mm": 18.5, "upper_end": "out of the picture", "stop_seated": "yes"}
    trace = {"film": "f1", "path_px": [[220.0, 300.0], [520.0, 300.0]], "apical_end": "radiographic apex"}
    trace |= {"file_tip_px": [470.0, 300.0]}
    scale = [file, {"kind": "spacing", "claim": "ImagerPixelSpacing"}]
    result = measure([make.body(path, scale=scale)], [make.canal() | {"traces": [trace]}], schema="wlmeasure-case/2")
    made = report(accepted(result))
    found = numbers(made)
    length = 18.5 + 50 * ROW_MM / usual_magnification().mean
    assert value(found["121211", "M-KNOWN-GAP"]) == pytest.approx(length, rel=1e-9)
    assert value(found["WL-RAD", "M-ALLOWANCE"]) == pytest.approx(length - 1.0, rel=1e-9)
    assert not {("121211", "M-CANAL"), ("121211", "M-FROM-REF"), ("122423", "M-FILE-PATH")} & found.keys()
    read = read_report(made)
    (entry,) = read.lengths
    assert entry.recomputed_mm is None  # the path is no part of most of it
    assert disagreement(read) is None
    assert "Known length plus gap: 18.5 mm plus a gap of" in comments(made)
    assert case_from_report(made).films[0].scale[0].upper_end == "out of the picture"


def accepted(result):
    return evaluate(evolve(accept_paths(result), folder=result.case.folder))


def comments(path):
    """Every text of the report, one after another."""
    found = []

    def walk(item):
        for child in item.get("ContentSequence", ()):
            found.append(child.get("TextValue", ""))
            walk(child)

    walk(pydicom.dcmread(path))
    return "\n".join(found)


def test_coordinates_are_column_and_row_from_the_corner(report, on_dicom):
    """(row, col) = (20, 300) at the centre of a pixel is column 300.5, row 20.5 from the corner."""
    length = numbers(report(on_dicom()))["121211", "M-FROM-REF"]
    (line,) = [child for child in length.ContentSequence if child.ValueType == "SCOORD"]
    assert (line.GraphicType, line.RelationshipType) == ("POLYLINE", "INFERRED FROM")
    assert list(line.GraphicData) == [300.5, 20.5, 300.5, 120.5, 300.5, 320.75, 400.625, 521.0]
    image = line.ContentSequence[0].ReferencedSOPSequence[0]
    assert image.ReferencedSOPInstanceUID == "1.2.3.4.1"


def test_every_uncertainty_has_the_unit_of_its_number(report):
    """Half-widths of the 95 % interval; highdicom alone would write "no units"."""
    result = evaluate(load_case(SAMPLES / "cases" / "s_curved.wl.json"))
    found = numbers(report(result))
    seen = set()
    for key, item in found.items():
        unit = item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue
        for child in item.get("ContentSequence", ()):
            if child.ValueType == "NUM":
                assert child.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue == unit
                seen.add((key[0], unit))
    assert seen >= {
        ("121211", "mm"),
        ("1483009", "deg"),
        ("131190003", "mm"),
        ("122322", "mm/{pixels}"),
        ("WL-RAD", "mm"),
    }
    told = {c.TextValue for c in found["121211", "M-FROM-REF"].ContentSequence if c.ValueType == "TEXT"}
    assert "uncertainties: half-widths of 95 % intervals, 1.96 standard uncertainties" in told
    length = result.canals[0].traces[0].length
    (upper,) = [
        c
        for c in found["121211", "M-FROM-REF"].ContentSequence
        if c.ValueType == "NUM" and c.ConceptNameCodeSequence[0].CodeValue == "371886008"
    ]
    assert value(upper) == pytest.approx(1.959964 * length.length_std_mm, rel=1e-5)


@pytest.mark.parametrize("name", ["curved_out_of_plane", "angulated", "s_curved"])
def test_the_angle_lies_between_the_lines_it_refers_to(report, name):
    """The angle of Weine and Pruett is that between the straight parts; where one has no length it is the tangent."""
    result = evaluate(load_case(SAMPLES / "cases" / f"{name}.wl.json"))
    item = numbers(report(result))["1483009", "M-PRUETT"]
    scale = np.array(result.films[0].calibration.mm_per_px)
    lines = [
        np.reshape(c.GraphicData, (-1, 2))[:, ::-1] * scale for c in item.ContentSequence if c.ValueType == "SCOORD"
    ]
    first, second = (np.diff(line[[0, -1]], axis=0)[0] for line in lines)
    between = np.degrees(np.arccos(first @ second / np.linalg.norm(first) / np.linalg.norm(second)))
    # The angle is averaged over models, the lines are those of the most probable of them.
    assert between == pytest.approx(value(item), abs=result.canals[0].traces[0].curvature.weine_std_deg)


def test_highdicom_reads_groups_sites_and_methods(report, on_dicom):
    document = hd.sr.srread(report(on_dicom()))
    groups = document.content.get_image_measurement_groups()
    assert len(groups) == 3
    names = [group.tracking_identifier for group in groups]
    assert names == ["scale of film f1", "46 MB on film f1", "46 MB record"]
    for group in groups:
        assert [site.value.value for site in group.finding_sites] == ["866005003"]
    (length,) = [m for m in groups[1].get_measurements() if m.method.value == "M-FROM-REF"]
    assert (length.name.value, length.unit.value) == ("121211", "mm")
    assert length.value == pytest.approx(CORONAL_MM + CANAL_MM)
    assert groups[1].get_qualitative_evaluations()[0].value.value == "CANAL-MB"
    assert document.get_evidence() == [("1.2.3.4.2", "1.2.3.4.3", "1.2.3.4.1", "1.2.840.10008.5.1.4.1.1.1.3")]


def test_a_reader_of_another_house_reads_it(report, on_dicom, tid1500):
    said = tid1500(report(on_dicom()))
    scale, canal, record = said["Measurements"]
    assert canal["Finding"]["CodeValue"] == "3262009"
    assert canal["FindingSite"]["CodeValue"] == "866005003"
    lengths = {float(item["value"]) for item in canal["measurementItems"] if item["quantity"]["CodeValue"] == "121211"}
    assert sorted(lengths) == pytest.approx([CANAL_MM, CORONAL_MM + CANAL_MM])
    assert {item["units"]["CodeValue"] for item in scale["measurementItems"]} == {"mm", "mm/{pixels}", "1"}
    assert "WL-FINAL" in {item["quantity"]["CodeValue"] for item in record["measurementItems"]}


@pytest.mark.parametrize("name", sorted(path.name for path in (SAMPLES / "cases").glob("*.wl.json")))
def test_reading_back_gives_the_same_case_and_lengths(report, name):
    """Lengths of the stored coordinates equal the record to a micrometre, on every sample."""
    result = evaluate(load_case(SAMPLES / "cases" / name))
    path = report(result)
    lengths = [entry for entry in read_report(path).lengths if entry.method == "M-CANAL"]
    measured = [trace.length for canal in result.canals for trace in canal.traces if trace.length is not None]
    assert len(lengths) == len(measured)
    for entry, own in zip(lengths, measured, strict=True):
        assert entry.length_mm == pytest.approx(own.canal_mm, abs=1e-9)
        assert abs(entry.recomputed_mm - own.canal_mm) < MICROMETRE
    paths = {film.id: str(result.case.film_path(film)) for film in result.case.films}
    case = case_from_report(path, films=paths)
    kept = accept_paths(result)
    assert case == evolve(kept, films=tuple(evolve(film, path=paths[film.id]) for film in kept.films))
    again, before = result_json(evaluate(case)), result_json(evaluate(evolve(kept, folder=result.case.folder)))
    assert again == before


def test_without_its_case_the_content_still_stands(report, on_dicom, tmp_path):
    """As after a de-identification that drops private elements."""
    path = report(on_dicom())
    bare = pydicom.dcmread(path)
    bare.remove_private_tags()
    bare.save_as(tmp_path / "bare.dcm")
    read = read_report(tmp_path / "bare.dcm")
    assert read.case is None
    assert read.tooth == "46"
    (length,) = [entry for entry in read.lengths if entry.method == "M-FROM-REF"]
    assert length.recomputed_mm == pytest.approx(CORONAL_MM + CANAL_MM, abs=MICROMETRE)
    assert length.canal == "CANAL-MB"
    with pytest.raises(ShareError, match=r"bare\.dcm must carry its case"):
        case_from_report(tmp_path / "bare.dcm")


def test_private_bytes_of_unknown_kind_are_read(report, on_dicom, tmp_path):
    """An archive that knows no private element may hand it on in implicit VR, as bytes."""
    path = report(on_dicom())
    moved = pydicom.dcmread(path)
    moved.file_meta.TransferSyntaxUID = pydicom.uid.ImplicitVRLittleEndian
    moved.save_as(tmp_path / "implicit.dcm", implicit_vr=True, little_endian=True)
    assert case_from_report(tmp_path / "implicit.dcm") == case_from_report(path)


def test_content_changed_after_it_was_made_is_noticed(report, on_dicom, tmp_path):
    path = report(on_dicom())
    changed = pydicom.dcmread(path)

    def shift(item):
        for child in item.get("ContentSequence", ()):
            if child.ValueType == "SCOORD":
                data = list(child.GraphicData)
                data[-1] += 1.0
                child.GraphicData = data
            shift(child)

    shift(changed)
    changed.save_as(tmp_path / "changed.dcm")
    with pytest.raises(ShareError, match="was changed after it was made"):
        case_from_report(tmp_path / "changed.dcm")


@pytest.mark.parametrize("concept", ["WL-FINAL", "122423"])
def test_a_number_changed_after_it_was_made_is_noticed(report, on_dicom, tmp_path, concept):
    changed = pydicom.dcmread(report(on_dicom()))

    def grow(item):
        for child in item.get("ContentSequence", ()):
            if child.ValueType == "NUM" and child.ConceptNameCodeSequence[0].CodeValue == concept:
                child.MeasuredValueSequence[0].FloatingPointValue += 1.0
            grow(child)

    grow(changed)
    changed.save_as(tmp_path / "changed.dcm")
    with pytest.raises(ShareError, match="lengths of the content must be those of the case"):
        case_from_report(tmp_path / "changed.dcm")
    document = read_report(tmp_path / "changed.dcm")
    assert "the report was changed after it was made" in report_text(document)
    assert report_json(document)["case_agrees"] is False


def texts(dataset):
    """Every value of a file as text, private ones too."""
    return " ".join(str(element.value) for element in dataset.iterall() if element.VR != "SQ")


def test_of_the_patient_only_what_the_standard_demands(report, on_dicom):
    """Patient and study, in UTF-8; nothing else of the film's header, neither practice nor comment nor age."""
    read = pydicom.dcmread(report(on_dicom()))
    assert str(read.PatientName) == "Bär^Käthe"
    assert (read.PatientID, read.PatientBirthDate, read.PatientSex) == ("P-0017", "19700203", "F")
    assert (read.StudyInstanceUID, read.StudyID, read.AccessionNumber) == ("1.2.3.4.2", "7", "A17")
    for word in ("anxious", "control", "056Y", "Practice by the bridge", "Sensor works", "ROOM2"):
        assert word not in texts(read)


def test_a_deidentified_film_gives_empty_attributes(report, on_dicom):
    gone = dict.fromkeys(("PatientName", "PatientID", "PatientSex", "ReferringPhysicianName", "StudyID"), "")
    absent = dict.fromkeys(("PatientBirthDate", "AccessionNumber", "StudyDate", "PatientAge", "PatientComments"))
    said = {"PatientIdentityRemoved": "YES", "DeidentificationMethod": "by table"}
    read = pydicom.dcmread(report(on_dicom(**gone, **absent, **said)))
    for keyword in (*gone, "PatientBirthDate", "AccessionNumber", "StudyDate"):
        assert keyword in read
        assert read[keyword].is_empty, keyword
    assert (read.PatientIdentityRemoved, read.DeidentificationMethod) == ("YES", "by table")


@pytest.mark.parametrize(
    ("held", "expected"),
    [
        ("ANON17", "ANON17"),  # no caret, which highdicom warns of
        ("Yamada^Tarou=山田^太郎=やまだ^たろう", "Yamada^Tarou=山田^太郎=やまだ^たろう"),  # PS3.5 H.3, in UTF-8
        ("Two\\Names", "Two Names"),  # not allowed to have two values
    ],
)
def test_names_go_on_as_they_are(report, on_dicom, faults, recwarn, held, expected):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # while the film of the test is made
        result = on_dicom(PatientName=held, SpecificCharacterSet="ISO_IR 192", PatientID="A  17")
    path = report(result)
    read = pydicom.dcmread(path)
    assert (str(read.PatientName), read.PatientID) == (expected, "A  17")
    assert faults(path) == []
    assert len(recwarn) == 0


def test_a_deidentified_report_keeps_its_numbers_and_codes(report, on_dicom, tmp_path):
    """What a person typed goes, with the case inside; tooth, canal, lengths and their paths are codes and numbers."""
    result = on_dicom()
    path = report(result)
    film = result.case.film_path(result.films[0].film)
    deidentify_files([str(film), str(path)], str(tmp_path / "clean"), Profile(), no_text_in_pixels=True)
    (clean,) = [p for p in (tmp_path / "clean").glob("*.dcm") if is_structured_report(p)]
    document = read_report(clean)
    assert document.case is None
    assert document.tooth == "46"
    assert [entry.canal for entry in document.lengths] == ["CANAL-MB", "CANAL-MB"]
    for entry, own in zip(document.lengths, (CORONAL_MM + CANAL_MM, CANAL_MM), strict=True):
        assert entry.length_mm == pytest.approx(own)
        assert abs(entry.recomputed_mm - own) < MICROMETRE
    words = texts(pydicom.dcmread(clean))
    for word in ("Käthe", "P-0017", "A17", "Quill", "agreed", "mesiobuccal cusp", "1.2.3.4"):
        assert word not in words


def test_the_name_of_a_file_stays_at_home(report, on_png):
    path = report(on_png())
    assert b"Baer" not in path.read_bytes()
    assert case_from_report(path).films[0].path == "film1.png"


def test_a_new_version_names_the_one_it_replaces(report, on_dicom):
    result = on_dicom()
    first = report(result)
    second = report(result, "second.dcm", previous=predecessor(first, "46"))
    old, new = pydicom.dcmread(first), pydicom.dcmread(second)
    (study,) = new.PredecessorDocumentsSequence
    (series,) = study.ReferencedSeriesSequence
    assert series.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == old.SOPInstanceUID != new.SOPInstanceUID
    assert read_report(second).predecessors == (old.SOPInstanceUID,)
    assert "PredecessorDocumentsSequence" not in old
    with pytest.raises(ShareError, match="must be a report of tooth 36"):
        predecessor(first, "36")


def test_the_same_case_gives_the_same_bytes(on_dicom, made):
    result = on_dicom()
    one, other = (dicom_bytes(structured_report(result, film_images(result), **made)) for _ in range(2))
    assert one == other


def test_private_codes_are_declared_and_published(report, on_dicom):
    read = pydicom.dcmread(report(on_dicom()))
    (scheme,) = read.CodingSchemeIdentificationSequence
    assert scheme.CodingSchemeDesignator == codes.SCHEME == "99WLM"
    used = {
        (item.CodeValue, item.CodeMeaning)
        for element in read.iterall()
        if element.VR == "SQ"
        and "CodeSequence" in element.keyword
        and element.keyword != "CodingSchemeIdentificationSequence"
        for item in element.value
        if item.get("CodingSchemeDesignator") == codes.SCHEME
    }
    assert len(used) > 10
    for code, meaning in used:
        assert codes.PRIVATE[code][0] == meaning


def test_the_report_is_final_when_every_canal_is_decided(report, on_dicom, on_png):
    assert pydicom.dcmread(report(on_dicom())).PreliminaryFlag == "FINAL"
    open_case = pydicom.dcmread(report(on_png()))
    assert (open_case.PreliminaryFlag, open_case.VerificationFlag) == ("PRELIMINARY", "UNVERIFIED")


def test_a_decided_length_that_no_longer_holds_says_so(report, on_dicom):
    flared = {"id": "e1", "kind": "coronal flaring", "at": "2026-11-25T11:00", "by": "Dr Quill", "canal": "MB"}
    words = "No longer holds. The canal was flared or shaped since"
    assert words not in texts(pydicom.dcmread(report(on_dicom())))
    stale = pydicom.dcmread(report(on_dicom(case={"entries": [flared]})))
    assert words in texts(stale)
    assert stale.PreliminaryFlag == "PRELIMINARY"


def test_a_film_without_a_scale_gives_angles_and_no_millimetres(report, tmp_path, measure, make):
    at = np.linspace(0.0, np.pi / 2, 60)
    bend = np.column_stack([200 + 300 * np.sin(at), 100 + 300 * (1 - np.cos(at))])
    trace = {"film": "f1", "path_px": bend.tolist(), "apical_end": "radiographic apex"}
    film = make.body(make.png(np.zeros((900, 700), np.uint16), tmp_path / "a.png"), scale=[])
    found = numbers(report(measure([film], [make.canal() | {"traces": [trace]}])))
    assert list(found) == [("1483009", "M-SCHNEIDER")]
    assert value(found["1483009", "M-SCHNEIDER"]) == pytest.approx(45.0, abs=1.0)  # half the turn of a quarter circle


def test_a_scale_from_the_header_says_so(report, tmp_path, measure, make):
    path = make.write(make.io_film(), tmp_path / "a.dcm")
    scale = [{"kind": "spacing", "claim": "ImagerPixelSpacing", "magnification": 1.1}]
    document = read_report(report(measure([make.body(path, scale=scale)], [make.canal("f1")])))
    scale_group = document.groups[0]
    assert ("122421", "CAL-SPACING") in scale_group.evaluations
    assert scale_group.number("122322", "M-ROW").value == pytest.approx(0.040 / 1.1)
    assert scale_group.number("122423") is None


def test_an_estimate_by_taper_says_so_and_is_no_fiducial(report, made):
    case = load_case(SAMPLES / "cases" / "curved_out_of_plane.wl.json")
    (film,) = accept_paths(evaluate(case)).films
    taper = FileTaper(points_px=film.scale[0].path_px, trace_kind="path", file_size=15)
    result = evaluate(evolve(case, films=(evolve(film, scale=(taper,)),)))
    assert result.films[0].estimated
    path = report(result)
    group = read_report(path).groups[0]
    assert ("122421", "CAL-TAPER") in group.evaluations
    assert group.number("122322", "M-ROW").value == pytest.approx(result.films[0].calibration.mm_per_px_row)
    assert case_from_report(path).films[0].scale == (taper,)
    with pytest.raises(ShareError, match="its scale comes from the taper of the file"):
        calibrated_copy(result, film_images(result)[0], **made)


def test_two_films_of_two_kinds_are_both_referred_to(report, tmp_path, measure, make, on_dicom):
    """The picture becomes a capture in the study and of the patient of the DICOM film."""
    path = make.write(make.io_film(), tmp_path / "a.dcm")
    picture = make.png(np.zeros((900, 700), np.uint16), tmp_path / "b.png")
    films = [make.body(picture, "p", col_over_row=0.75), make.body(path, "d")]
    result = measure(films, [make.canal("p", "d")])
    capture, film = film_images(result)
    assert (capture.is_capture, film.is_capture) == (True, False)
    assert capture.dataset.StudyInstanceUID == "1.2.3.4.2"
    assert str(capture.dataset.PatientName) == "Bär^Käthe"
    document = read_report(report(result))
    assert {entry.image_uid for entry in document.lengths} == {capture.uid, "1.2.3.4.1"}


def test_a_film_of_a_later_study_is_other_evidence(report, tmp_path, measure, make, faults):
    """The report joins the study of the first film, as a control film may come years after."""
    one = make.write(make.io_film(), tmp_path / "a.dcm")
    later = {"StudyInstanceUID": "1.2.3.5.2", "SeriesInstanceUID": "1.2.3.5.3", "SOPInstanceUID": "1.2.3.5.1"}
    other = make.write(make.io_film(**later), tmp_path / "b.dcm")
    path = report(measure([make.body(one, "a"), make.body(other, "b")], [make.canal("a", "b")]))
    read = pydicom.dcmread(path)
    assert read.StudyInstanceUID == "1.2.3.4.2"
    assert [item.StudyInstanceUID for item in read.PertinentOtherEvidenceSequence] == ["1.2.3.5.2"]
    assert faults(path) == []


def test_films_of_two_patients_are_refused(tmp_path, measure, make):
    one = make.write(make.io_film(), tmp_path / "a.dcm")
    other = make.write(make.io_film(PatientID="P-0018", SOPInstanceUID="1.2.3.5"), tmp_path / "b.dcm")
    result = measure([make.body(one, "a"), make.body(other, "b")], [make.canal("a", "b")])
    with pytest.raises(ShareError, match="films must be of one patient: a and b"):
        film_images(result)


@pytest.mark.parametrize(
    ("keyword", "value", "words"),
    [
        ("StudyInstanceUID", None, "must stand in its header"),
        ("SeriesInstanceUID", None, "must stand in its header"),
        ("SOPInstanceUID", "1.2.x", "must be a unique identifier: '1.2.x'"),
        ("SOPClassUID", "1.2.3.4", "must be a class of the standard"),
    ],
)
def test_a_film_that_nothing_can_refer_to_is_refused(on_dicom, keyword, value, words):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # while the film of the test is made
        result = on_dicom(**{keyword: value})
    with pytest.raises(ShareError, match=f"{keyword} {words}"):
        film_images(result)


def test_a_case_with_nothing_measured_is_refused(tmp_path, measure, make, made):
    film = make.body(make.png(np.zeros((900, 700), np.uint16), tmp_path / "a.png"), scale=[])
    result = measure([film], [])
    with pytest.raises(ShareError, match="case must hold a scale, a trace or a reading"):
        structured_report(result, film_images(result), **made)


def test_words_of_a_hostile_case_are_words(report, tmp_path, measure, make, faults):
    """Markup, quotes, back-slashes and a name of forty signs; the case reads back as it was."""
    evil = "<b>\\1.2\"&'" + "x" * 20
    film = make.body(make.write(make.io_film(), tmp_path / "a.dcm"), evil[:30])
    path = report(measure([film], [make.canal(evil[:30], name=evil[:35], reference_point=evil)], case_id=evil))
    assert faults(path) == []
    assert case_from_report(path).canals[0].reference_point == evil
    assert read_report(path).lengths[0].canal == "CANAL-OTHER"


def test_what_is_no_report_is_refused(tmp_path, on_dicom, report):
    result = on_dicom()
    film = result.case.film_path(result.films[0].film)
    with pytest.raises(ShareError, match=r"film\.dcm must be a structured report"):
        read_report(film)
    (tmp_path / "words.dcm").write_text("words", encoding="utf-8")
    with pytest.raises(ShareError, match=r"words\.dcm must be a DICOM file"):
        read_report(tmp_path / "words.dcm")
    with pytest.raises(ShareError, match=r"none\.dcm cannot be read"):
        read_report(tmp_path / "none.dcm")
    path = report(result)
    assert is_structured_report(path)
    assert not any(is_structured_report(other) for other in (film, tmp_path / "words.dcm", tmp_path / "none.dcm"))
    hurt = pydicom.dcmread(path)
    hurt.private_block(0x0099, "WLMEASURE CASE 1")[0x01].value = "{"
    hurt.save_as(tmp_path / "hurt.dcm")
    with pytest.raises(ShareError, match="the case inside cannot be read"):
        read_report(tmp_path / "hurt.dcm")
    hollow = pydicom.dcmread(path)
    hollow.ContentSequence = []
    hollow.save_as(tmp_path / "hollow.dcm")
    with pytest.raises(ShareError, match="must hold measurement groups"):
        read_report(tmp_path / "hollow.dcm")


def test_a_damaged_report_is_one_clear_line(report, on_dicom, tmp_path):
    """Cut short or with bytes changed: a report, or a refusal with the file's name; never another error."""
    content = report(on_dicom()).read_bytes()
    rng = np.random.default_rng(1000)
    path = tmp_path / "hurt.dcm"
    said = []
    for k in range(120):
        at = int(rng.integers(132, len(content)))
        hurt = content[:at] if k % 2 else content[:at] + bytes(rng.integers(0, 256, 4, np.uint8)) + content[at + 4 :]
        path.write_bytes(hurt)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom's own, of a damaged file
            try:
                report_text(read_report(path))
            except (ShareError, CaseError) as error:
                said.append(str(error))
    assert len(said) >= 30  # of 60 cuts
    assert all("hurt.dcm" in line and line.isprintable() for line in said)


def test_a_class_of_unknown_kind_is_one_clear_line(report, on_dicom, tmp_path):
    """A value representation that there is not, as the fuzzer found one (seed 3131, file 7404)."""
    content = report(on_dicom()).read_bytes()
    assert content.count(b"\x08\x00\x16\x00UI") == 1
    (tmp_path / "odd.dcm").write_bytes(content.replace(b"\x08\x00\x16\x00UI", b"\x08\x00\x16\x00WI"))
    with pytest.raises(ShareError, match=r"odd\.dcm"):
        read_report(tmp_path / "odd.dcm")


def test_text_and_json_say_the_same(report, on_dicom):
    document = read_report(report(on_dicom()))
    text, data = report_text(document), report_json(document)
    assert f"{CORONAL_MM + CANAL_MM:.2f} ± " in text
    assert "made         2026-11-25 10:30" in text
    assert "    Coronal reference point: mesiobuccal cusp\n" in text
    assert data["case"] == case_to_json(document.case)
    assert [entry["length_mm"] for entry in data["lengths"]] == [entry.length_mm for entry in document.lengths]


def test_validators_find_no_fault(report, on_dicom, on_png, faults):
    assert faults(report(on_dicom())) == []
    assert faults(report(on_png())) == []
    two = report(evaluate(load_case(SAMPLES / "cases" / "two_films.wl.json")), "two.dcm")
    assert faults(two) == []
    assert faults(report(on_dicom(), "new.dcm", previous=pydicom.dcmread(two))) == []


def test_the_films_are_only_read(report, on_dicom):
    result = on_dicom()
    film = result.case.film_path(result.films[0].film)
    before = hashlib.sha256(film.read_bytes()).hexdigest()
    report(result)
    assert hashlib.sha256(film.read_bytes()).hexdigest() == before
