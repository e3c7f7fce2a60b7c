"""One case through every step: films of known truth, and bench films whose lengths are hand geometry."""

import copy
import hashlib
import json
from math import hypot, sqrt
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from wlmeasure.decide.anatomy import anatomy_of
from wlmeasure.decide.reconcile import reconcile
from wlmeasure.errors import CalibrationError, CaseError, StaleCaseError, TraceError, WlmeasureError
from wlmeasure.image.reading import read
from wlmeasure.magnification import usual_magnification
from wlmeasure.measure.curvature import weine_deg
from wlmeasure.record.case import case_from_json, case_to_json, load_case
from wlmeasure.record.evaluate import accept_paths, evaluate
from wlmeasure.trade.tooth import Tooth

MM = 0.05  # per pixel of the bench film, by construction


def codes(flags):
    return [flag.code for flag in flags]


@pytest.fixture(scope="module")
def measured(samples):
    """The sample cases, measured once."""
    return {path.name.split(".")[0]: evaluate(load_case(path)) for path in samples}


# --- films of known truth ---------------------------------------------------------------------------------------------


def test_every_sample_is_near_its_truth_and_inside_its_stated_interval(measured):
    """Truth is arithmetic on the simulator's geometry (sample_images/README.md): 22 mm from orifice to canal end.

    0.35 mm: our parameter. The stated interval of all six cases holds the truth, as the README says.
    """
    for result in measured.values():
        for canal in result.canals:
            for trace in canal.traces:
                film = result.case.film_path(trace.film.film).resolve()
                truth = json.loads((film.parents[1] / "truth" / f"{film.stem}.json").read_text(encoding="utf-8"))
                low, high = trace.length.length_interval_mm
                assert trace.length.length_mm == pytest.approx(truth["canal_length_3d_mm"], abs=0.35)
                assert low <= truth["canal_length_3d_mm"] <= high
                assert trace.tip_to_end_mm == pytest.approx(truth["file_tip_short_of_canal_end_mm"], abs=0.2)


def test_the_scale_of_every_sample_is_that_of_its_truth(measured):
    """`mm_per_px_from_file` is the known length over the exact projected length; two clicks of about 1 px are between."""
    for name, result in measured.items():
        for film in result.films:
            path = result.case.film_path(film.film).resolve()
            truth = json.loads((path.parents[1] / "truth" / f"{path.stem}.json").read_text(encoding="utf-8"))
            assert film.radiograph.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
            if name == "stop_outside":
                ends = truth["pin_ends_px"]
                expected = truth["pin_length_mm"] / hypot(ends[0][0] - ends[1][0], ends[0][1] - ends[1][1])
            else:
                expected = truth["mm_per_px_from_file"]
            assert film.calibration.mm_per_px_row == pytest.approx(expected, rel=0.008)


@pytest.mark.parametrize(
    ("name", "status", "form"),
    [
        ("straight", "concordant", "I"),
        ("curved_out_of_plane", "ordinary anatomy", "J"),
        ("angulated", "not established", "J"),
        ("two_films", "caution", "J"),
        ("s_curved", "film only", "S"),
        ("stop_outside", "concordant", "J"),
    ],
)
def test_what_each_sample_teaches(measured, name, status, form):
    """The statuses and shapes of the table in sample_images/README.md."""
    canal = measured[name].canals[0]
    assert canal.working_length.status == status
    assert canal.basis.curvature.form == form
    assert canal.basis in canal.traces


def test_the_same_case_gives_the_same_result(samples):
    one, other = (evaluate(load_case(samples[0])).canals[0] for _ in range(2))
    assert one.basis.length.length_mm == other.basis.length.length_mm
    assert np.array_equal(one.basis.path.path_px, other.basis.path.path_px)
    assert one.working_length == other.working_length


def test_accepted_paths_keep_the_length_and_a_new_tracing_agrees(samples):
    """The clicks stay, the path is stored with its tracer, and measuring the stored path gives the same figures."""
    case = load_case(next(path for path in samples if path.name.startswith("s_curved")))
    first = evaluate(case)
    accepted = accept_paths(first)
    assert case.canals[0].traces[0].path_px is None
    stored = accepted.canals[0].traces[0]
    assert stored.clicks_px == case.canals[0].traces[0].clicks_px
    assert stored.tracer == first.canals[0].traces[0].path.tracer
    again = evaluate(case_from_json(case_to_json(accepted), folder=case.folder), retrace=True).canals[0].traces[0]
    assert again.length.length_mm == pytest.approx(first.canals[0].traces[0].length.length_mm, abs=1e-9)
    assert again.retraced_mm == pytest.approx(0.0, abs=1e-9)
    assert accept_paths(evaluate(accepted)) == accepted


# --- lengths by hand geometry -----------------------------------------------------------------------------------------


def test_a_stored_path_is_measured_as_given(body, measure):
    """440 px straight down at 20 mm / 400 px: 22 mm, whatever the picture shows; two points are a straight canal."""
    trace = measure(body).canals[0].traces[0]
    assert trace.length.length_mm == pytest.approx(22.0, abs=1e-9)
    assert trace.length.coronal_mm == 0.0
    assert trace.path.tracer == "given path"
    assert trace.curvature.form == "I"
    assert trace.retraced_mm is None
    body["canals"][0]["traces"][0] |= {"path_px": [[20, 60], [240, 60], [240, 100], [460, 100]], "tracer": "hand/1"}
    trace = measure(body).canals[0].traces[0]
    assert trace.length.canal_mm == pytest.approx((220 + 40 + 220) * MM, abs=1e-9)
    assert trace.path.tracer == "hand/1"


def test_retrace_says_how_far_a_new_tracing_differs(samples):
    """A path bent 40 px aside in the middle is longer than the canal that the clicks lead to by its detour."""
    case = load_case(next(path for path in samples if path.name.startswith("straight")))
    data = case_to_json(case)
    trace = data["canals"][0]["traces"][0]
    start, end = trace["clicks_px"][0], trace["clicks_px"][-1]
    middle = [(start[0] + end[0]) / 2, (start[1] + end[1]) / 2 + 40.0]
    trace |= {"path_px": [start, middle, end], "tracer": "hand/1"}
    result = evaluate(case_from_json(data, folder=case.folder), retrace=True).canals[0].traces[0]
    px = sum(hypot(a[0] - b[0], a[1] - b[1]) for a, b in ((start, middle), (middle, end)))
    scale = result.film.calibration.mm_per_px_row
    assert result.length.length_mm == pytest.approx(px * scale, abs=1e-9)
    straight = hypot(start[0] - end[0], start[1] - end[1])
    assert result.retraced_mm == pytest.approx((straight - px) * scale, abs=0.02)
    assert evaluate(case_from_json(data, folder=case.folder)).canals[0].traces[0].retraced_mm is None


def test_the_crown_piece_is_straight_and_kept_apart(body, measure):
    """From (20, 60) back to (20 - 12, 60 + 9): a 3-4-5 triangle, 15 px = 0.75 mm."""
    body["canals"][0]["traces"][0]["reference_px"] = [8, 69]
    length = measure(body).canals[0].traces[0].length
    assert length.coronal_mm == pytest.approx(0.75, abs=1e-9)
    assert length.canal_mm == pytest.approx(22.0, abs=1e-9)
    assert length.length_mm == pytest.approx(22.75, abs=1e-9)
    plain = copy.deepcopy(body)
    del plain["canals"][0]["traces"][0]["reference_px"]
    plain_turning, turning = (measure(b).canals[0].traces[0].curvature.total_turning_deg for b in (plain, body))
    assert turning == plain_turning


def test_col_over_row_of_the_case_overrides_the_image(body, measure):
    """A canal across the columns: 200 px at 0.05 mm x 1.25 = 12.5 mm; the file stands upright, so rows keep 0.05."""
    body["films"][0]["col_over_row"] = 1.25
    body["canals"][0]["traces"][0] |= {"reference_px": [100, 60], "path_px": [[100, 60], [100, 260]]}
    result = measure(body)
    assert result.films[0].calibration.mm_per_px == pytest.approx((0.05, 0.0625), abs=1e-12)
    assert result.canals[0].traces[0].length.length_mm == pytest.approx(12.5, abs=1e-9)
    body["canals"][0]["traces"][0] |= {"path_px": [[100, 60], [100 + 300, 60 + 180]]}
    expected = hypot(300 * 0.05, 180 * 0.0625)
    assert measure(body).canals[0].traces[0].length.length_mm == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("tip_row", "expected"), [(450, 0.5), (460, 0.0), (472, -0.6)])
def test_the_file_tip_is_short_or_beyond_along_the_canal(body, measure, tip_row, expected):
    """The tip 5 px beside the canal, 10 px short of its end, level with it, and 12 px beyond."""
    body["canals"][0]["traces"][0]["file_tip_px"] = [tip_row, 65]
    assert measure(body).canals[0].traces[0].tip_to_end_mm == pytest.approx(expected, abs=1e-9)


def test_the_file_tip_is_measured_round_the_bend(body, measure):
    """The canal turns a corner at (300, 60); a tip before it is 60 px + 100 px of canal from the end."""
    body["canals"][0]["traces"][0] |= {
        "path_px": [[20, 60], [300, 60], [300, 160]],
        "file_tip_px": [240, 60],
    }
    assert measure(body).canals[0].traces[0].tip_to_end_mm == pytest.approx(160 * MM, abs=1e-9)


# --- scales -----------------------------------------------------------------------------------------------------------


def known_file(pixels, length, std=0.05, col=50):
    return {
        "kind": "known_file",
        "points_px": [[20, col], [20 + pixels, col]],
        "trace_kind": "path",
        "known_length_mm": length,
        "known_length_std_mm": std,
    }


def test_two_known_files_are_weighed_by_least_squares(body, measure):
    """Equal uncertainties: the scale is sum(known x pixels) / sum(pixels squared) (GUM; click term equal for both)."""
    body["films"][0]["scale"] = [known_file(400, 20.0), known_file(300, 15.06, col=70)]
    film = measure(body).films[0]
    expected = (20.0 * 400 + 15.06 * 300) / (400**2 + 300**2)
    assert film.calibration.mm_per_px_row == pytest.approx(expected, rel=1e-12)
    assert len(film.file_traces) == 2
    assert "scales-disagree" not in codes(film.flags)


def test_known_files_that_disagree_are_flagged_and_less_sure(body, measure):
    one = measure(body).films[0].calibration.rel_std
    body["films"][0]["scale"] = [known_file(400, 20.0), known_file(300, 16.5, col=70)]
    film = measure(body).films[0]
    assert "scales-disagree" in codes(film.flags)
    assert film.calibration.rel_std > 3.0 * one


def test_a_file_and_an_object_are_told_apart(body, measure):
    pin = {"kind": "known_object", "points_px": [[100, 200], [300, 200]], "known_length_mm": 10.0}
    body["films"][0]["scale"].append(pin)
    film = measure(body).films[0]
    assert film.calibration.method == "files and objects"
    assert "object-off-plane" in codes(film.flags)
    assert len(film.file_traces) == 1


@pytest.mark.parametrize(("length", "flagged"), [(9.9, True), (10.0, False), (33.0, False), (33.1, True)])
def test_an_unusual_file_length_is_a_flag_and_no_refusal(body, measure, length, flagged):
    """Common practice: stop to tip of a hand file lies within 10 to 33 mm; 1 to 60 mm is accepted."""
    body["films"][0]["scale"][0]["known_length_mm"] = length
    body["canals"][0]["traces"] = []
    assert ("file-length-unusual" in codes(measure(body).films[0].flags)) == flagged


def test_a_file_clicked_on_the_film_is_followed_along_its_curve(samples):
    """Film of a canal that bends by more than 50 degrees: the chord of the file would make the scale 2.7 % too large."""
    case = load_case(next(path for path in samples if path.name.startswith("s_curved")))
    film = evaluate(case).films[0]
    ends = np.array(case.films[0].scale[0].points_px)
    chord = float(np.hypot(*(ends[-1] - ends[0])))
    path = film.file_traces[0].path_px
    along = float(np.hypot(*np.diff(path, axis=0).T).sum())
    truth = 1096.9387755102046  # projected_tip_to_stop_px in sample_images/truth/ref_scurve_h00_v00.json
    assert along == pytest.approx(truth, rel=0.003)
    assert chord < 0.98 * truth


def write_dicom(path, **attributes):
    """An intra-oral radiograph of noise, 480 x 300, rows 0.050 mm and columns 0.040 mm apart on the detector."""
    dataset = pydicom.Dataset()
    dataset.SOPClassUID, dataset.SOPInstanceUID, dataset.Modality = "1.2.840.10008.5.1.4.1.1.1.3", "1.2.3.4", "IO"
    pixels = np.random.default_rng(3).integers(900, 1100, (480, 300), dtype=np.uint16)
    dataset.Rows, dataset.Columns = pixels.shape
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation, dataset.PixelRepresentation = 1, "MONOCHROME2", 0
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 12, 11
    dataset.ImagerPixelSpacing = [0.050, 0.040]
    dataset.PixelData = pixels.tobytes()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    pydicom.dcmwrite(path, dataset, enforce_file_format=True)
    return path


@pytest.fixture
def dicom_body(body, tmp_path):
    def dicom_body(**attributes):
        path = write_dicom(tmp_path / "film.dcm", **attributes)
        body["films"][0] |= {"path": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
        body["films"][0]["scale"] = [{"kind": "spacing", "claim": "ImagerPixelSpacing", "magnification": 1.05}]
        body["canals"][0]["traces"][0]["path_px"] = [[20, 60], [20 + 420, 60 + 60]]
        return body

    return dicom_body


def test_a_spacing_claim_with_unequal_pixels_and_a_magnification(dicom_body, measure):
    """420 rows of 0.050 mm and 60 columns of 0.040 mm, all over 1.05: hypot(21.0, 2.4) / 1.05 mm."""
    result = measure(dicom_body())
    film = result.films[0]
    assert film.calibration.mm_per_px == pytest.approx((0.050 / 1.05, 0.040 / 1.05), rel=1e-12)
    assert film.calibration.method == "spacing claim"
    assert film.col_over_row == pytest.approx(0.8, rel=1e-12)
    assert result.canals[0].traces[0].length.length_mm == pytest.approx(hypot(21.0, 2.4) / 1.05, abs=1e-9)
    assert {"spacing-claim", "magnification-assumed"} <= set(codes(film.flags))
    whole_case = case_to_json(result.case)
    del whole_case["films"][0]["scale"][0]["magnification"]
    usual = usual_magnification().mean
    assert measure(whole_case).canals[0].traces[0].length.length_mm == pytest.approx(hypot(21.0, 2.4) / usual, abs=1e-9)


def test_a_known_file_outranks_the_spacing_and_says_the_magnification(dicom_body, measure):
    """The file stands upright: 400 rows are 19.047619 mm, so rows have 0.050 / 1.05 mm and the film is magnified 1.05."""
    body = dicom_body()
    body["films"][0]["scale"].append(known_file(400, 20.0 / 1.05))
    film = measure(body).films[0]
    assert film.calibration.method == "file of known length"
    assert film.calibration.mm_per_px == pytest.approx((0.050 / 1.05, 0.040 / 1.05), rel=1e-12)
    assert film.magnification == pytest.approx(1.05, rel=1e-12)
    assert "spacing-claim" not in codes(film.flags)


def test_a_spacing_that_the_image_does_not_have_is_named(dicom_body, measure):
    body = dicom_body(ImagerPixelSpacing=[0.0, 0.0])
    with pytest.raises(
        CalibrationError, match=r"films\[0\].scale\[0\]: claim must be a spacing that the image has \(none\)"
    ):
        measure(body)


def test_a_film_without_scale_gives_angles_and_no_millimetres(body, measure):
    """Two straight pieces at 45 degrees: Weine's angle is between their directions and needs no scale."""
    del body["films"][0]["scale"]
    body["canals"][0]["traces"][0]["path_px"] = [
        *([20 + 10 * k, 60] for k in range(20)),
        *([210 + 10 * k, 60 + 10 * k] for k in range(1, 21)),
    ]
    result = measure(body)
    trace = result.canals[0].traces[0]
    assert result.films[0].calibration is None
    assert (trace.length, trace.curvature, trace.radiographic, trace.tip_to_end_mm) == (None, None, None, None)
    assert weine_deg(trace.angles) == pytest.approx(45.0, abs=1.0)
    assert "no-scale" in codes(trace.flags)
    assert "no-scale" in codes(result.films[0].flags)
    assert result.canals[0].working_length.length_mm is None
    assert result.canals[0].working_length.status == "not established"


@pytest.mark.parametrize("times", [0.4, 2.0])
def test_angles_without_a_scale_are_those_of_any_number_of_pixels(body, measure, times):
    """25 degrees and at once 30 the other way, by fewer and by more pixels, each of which is as unsure: half a degree apart."""
    del body["films"][0]["scale"]
    heading = [*[0.0] * 16, *np.linspace(0.5, 24.5, 25), *np.linspace(24.0, -4.0, 15), *[-5.0] * 8]
    step = 3.0 * np.exp(1j * np.radians(heading))
    line = 10.0 + 40.0j + np.concatenate([[0.0], np.cumsum(step)])
    path = np.column_stack([line.real, line.imag])
    found = []
    for factor in (1.0, times):
        body["canals"][0]["traces"][0]["path_px"] = (path * factor).tolist()
        found.append(measure(body).canals[0].traces[0].angles)
    turns = [np.degrees([one.bend_turn_rad(bend) for bend in one.bends]) for one in found]
    assert turns[0] == pytest.approx([25.0, -30.0], abs=1.5)
    assert turns[1] == pytest.approx(turns[0], abs=0.6)
    assert found[1].length_mm == pytest.approx(times * found[0].length_mm, rel=1e-3)


# --- several films, readings, decisions -------------------------------------------------------------------------------


def test_the_surer_film_of_two_speaks_for_the_canal(body, measure):
    """Same canal and picture twice, the second known length ten times less sure: one working length, and little from it."""
    film = copy.deepcopy(body["films"][0]) | {"id": "f2"}
    film["scale"][0]["known_length_std_mm"] = 0.5
    body["films"].insert(0, film)
    trace = copy.deepcopy(body["canals"][0]["traces"][0]) | {"film": "f2"}
    body["canals"][0]["traces"].insert(0, trace)
    result = measure(body)
    canal = result.canals[0]
    assert [t.trace.film for t in canal.traces] == ["f2", "f1"]
    assert canal.basis is canal.traces[1]
    del body["films"][0], body["canals"][0]["traces"][0]
    alone = measure(body).canals[0].working_length
    assert canal.working_length.length_mm == pytest.approx(alone.length_mm, abs=0.03)
    assert canal.working_length.std_mm <= alone.std_mm


def test_a_film_that_shows_no_apex_does_not_speak(body, measure):
    body["films"].append(copy.deepcopy(body["films"][0]) | {"id": "f2"})
    body["canals"][0]["traces"].insert(
        0, copy.deepcopy(body["canals"][0]["traces"][0]) | {"film": "f2", "apex_visibility": "cut off"}
    )
    canal = measure(body).canals[0]
    assert canal.basis.trace.film == "f1"
    assert canal.working_length.status == "film only"


def test_a_canal_with_readings_alone(body, measure, readings):
    """No trace yet: the readings speak, 20.5 mm at the foramen less 0.5 mm (common practice)."""
    body["canals"][0]["traces"] = []
    body["entries"] = readings(20.5, 20.5, 20.5)
    canal = measure(body).canals[0]
    assert (canal.basis, canal.traces) == (None, ())
    assert canal.working_length.status == "reading only"
    assert canal.working_length.length_mm == pytest.approx(19.8, abs=0.1)


@pytest.mark.parametrize(
    ("lengths", "status"),
    [((21.5, 21.5), "not established"), ((21.5, 21.5, 21.0), "stable"), ((21.5, 21.5, 20.5), "unstable"), ((), None)],
)
def test_the_statuses_of_the_readings(body, measure, readings, lengths, status):
    """Three repeats within 0.5 mm are stable (our parameters); fewer establish nothing."""
    if lengths:
        body["entries"] = readings(*lengths)
    electronic = measure(body).canals[0].electronic
    assert (None if electronic is None else electronic.status) == status


def test_readings_beyond_alone_give_no_length(body, measure, readings):
    body["entries"] = readings(23.0, 23.0, 23.0, finding="beyond")
    canal = measure(body).canals[0]
    assert (canal.electronic.status, canal.electronic.length_mm) == ("none", None)
    assert canal.working_length.status == "film only"


@pytest.mark.parametrize(
    ("reading", "status", "proposed"),
    [
        (21.5, "concordant", True),  # film 22 - 1 = 21; reading 21.5 - 0.5 = 21
        (20.5, "ordinary anatomy", True),
        (19.0, "caution", True),
        (16.0, "conflict", False),
        (22.3, "caution", True),
        (24.0, "conflict", False),
    ],
)
def test_film_and_readings_by_the_rule(body, measure, readings, reading, status, proposed):
    """The table of the rule: D = reading - film, bounds -3, -1.5, -0.5, +0.5, +1.0 mm (our parameters). The length is that of
    the same decision on what film and readings say.
    """
    body["entries"] = readings(reading, reading, reading)
    canal = measure(body).canals[0]
    working = canal.working_length
    assert working.status == status
    assert (working.length_mm is not None) == proposed
    again = reconcile(canal.basis.radiographic, canal.electronic, anatomy=anatomy_of(Tooth.from_iso3950("46")))
    assert working.length_mm == again.length_mm
    assert working.ends == again.ends


def test_a_decision_is_no_evidence_and_a_later_reading_is(body, measure, readings, decided):
    """What was decided rests on the same film and readings; another reading after shaping counts, the earlier ones with it."""
    body["entries"] = readings(20.5, 20.5, 20.5)
    before = measure(body).canals[0].working_length
    body["entries"].append(decided(19.0))
    assert measure(body).canals[0].working_length.ends == before.ends
    shaping = {"id": "s1", "kind": "shaping file", "at": "2026-11-25T11:00:00", "by": "AB", "canal": "MB", "size": 25}
    body["entries"].append(shaping | {"taper": 0.04, "reference_point": "mesiobuccal cusp tip", "length_mm": 20.0})
    later = [entry | {"id": f"{entry['id']}b", "at": "2026-11-25T12:00:00"} for entry in readings(20.5, 20.5, 20.5)]
    body["entries"] += later
    after = measure(body).canals[0].working_length
    assert [(len(group.lengths_mm), group.shift_mm > 0.0) for group in after.ends.readings] == [(3, False), (3, True)]
    assert after.ends.films[0].length_mm < before.ends.films[0].length_mm  # the film is of the longer canal too
    assert after.length_mm < before.length_mm


@pytest.mark.parametrize(
    "change",
    [
        {"apex": "open"},
        {"resorption": "bone"},
        {"entries": [{"id": "p1", "kind": "perforation", "at": "2026-11-25T09:00", "canal": "MB", "level_mm": 12.0}]},
        {
            "entries": [
                {
                    "id": "p1",
                    "kind": "old filling removed",
                    "at": "2026-11-25T09:00",
                    "canal": "MB",
                    "finding": "in whole",
                }
            ]
        },
        {"conditions": ["retreatment material"]},
    ],
)
def test_where_disease_or_treatment_has_changed_the_end_anatomy_says_less(body, measure, readings, change):
    """The published distances are switched off: a wider interval, and a remark."""
    body["entries"] = readings(20.5, 20.5, 20.5)
    usual = measure(body).canals[0].working_length
    body["canals"][0] |= {name: change[name] for name in ("apex", "resorption") if name in change}
    met = [
        {"id": "p1", "at": "2026-11-25T09:00", "by": "AB", "canal": "MB"} | entry for entry in change.get("entries", [])
    ]
    body["entries"] = met + readings(20.5, 20.5, 20.5, conditions=change.get("conditions", []))
    working = measure(body).canals[0].working_length
    assert not working.ends.anatomy.known
    assert working.std_mm > usual.std_mm
    assert "anatomy-not-known" in codes(working.flags)


@pytest.mark.parametrize(("length", "flagged"), [(9.9, True), (10.0, False)])
def test_an_unusual_reading_is_a_flag_and_no_refusal(body, measure, readings, length, flagged):
    body["canals"][0]["traces"] = []
    body["entries"] = readings(length, length, length)
    working = measure(body).canals[0].working_length
    assert ("length-unusual" in codes(working.flags)) == flagged
    assert working.length_mm == pytest.approx(length - 0.7, abs=0.1)


@pytest.mark.parametrize(("length", "flagged"), [(21.0, False), (22.0, False), (22.1, True)])
def test_a_decision_beyond_the_apex_is_flagged_and_never_changes_the_proposal(body, measure, decided, length, flagged):
    """The radiographic apex lies at 22 mm."""
    proposal = measure(body).canals[0].working_length
    body["entries"] = [decided(length)]
    (canal,) = measure(body).canals
    working = canal.working_length
    assert ("decided-beyond-apex" in codes(working.flags)) == flagged
    assert (canal.decision.id, canal.decision.length_mm) == ("d1", length)
    assert (working.length_mm, working.status) == (proposal.length_mm, proposal.status)
    # From another reference point it is not held against this apex.
    body["entries"] = [decided(length, reference_point="central groove")]
    assert "decided-beyond-apex" not in codes(measure(body).canals[0].working_length.flags)


def test_a_joined_canal_is_flagged(body, measure):
    body["canals"].append({"name": "ML", "reference_point": "cusp", "traces": []})
    body["canals"][0]["joins"] = {"canal": "ML", "mm_from_apex": 3.0}
    joined, other = measure(body).canals
    assert "canal-joins" in codes(joined.flags)
    assert "canal-joins" not in codes(other.flags)


def test_a_stretch_that_cannot_be_seen_widens_the_budget(body, measure):
    """Seen to 17 mm of 22: a tenth of the unseen 5 mm, 0.5 mm (our parameter), and nothing is counted twice."""
    before = measure(body).canals[0].traces[0]
    body["canals"][0]["traces"][0]["unseen_from_mm"] = 17.0
    trace = measure(body).canals[0].traces[0]
    terms = {term.term: term.std_mm for term in trace.length.budget}
    assert terms["stretch that cannot be seen"] == pytest.approx(0.5, abs=1e-9)
    assert trace.length.length_std_mm == pytest.approx(hypot(before.length.length_std_mm, 0.5), abs=1e-9)
    assert trace.radiographic.std_mm == pytest.approx(hypot(before.radiographic.std_mm, 0.5), abs=1e-9)
    assert "unseen-stretch" in codes(trace.radiographic.flags)
    body["canals"][0]["traces"][0]["unseen_from_mm"] = 30.0
    assert measure(body).canals[0].traces[0].length.length_std_mm == pytest.approx(before.length.length_std_mm)


@pytest.mark.parametrize(("apex", "end"), [("open", "radiographic apex"), ("closed", "open apex")])
def test_an_open_apex_is_less_sure_and_says_so(body, measure, apex, end):
    """Landmark scatter 0.6 instead of 0.4 mm (our parameters)."""
    closed = measure(body).canals[0].traces[0].radiographic
    body["canals"][0]["apex"] = apex
    body["canals"][0]["traces"][0]["apical_end"] = end
    film = measure(body).canals[0].traces[0].radiographic
    assert "open-apex" in codes(film.flags)
    assert film.std_mm == pytest.approx(sqrt(closed.std_mm**2 - 0.4**2 + 0.6**2), abs=1e-9)


@pytest.mark.parametrize(
    ("trace", "code"),
    [
        ({"apex_visibility": "cut off"}, "apex-cut-off"),
        ({"apical_end": "file tip"}, "file-tip-only"),
        ({"apical_end": "filling end"}, "filling-end-only"),
    ],
)
def test_ends_that_give_no_working_length(body, measure, trace, code):
    body["canals"][0]["traces"][0] |= trace
    canal = measure(body).canals[0]
    assert canal.traces[0].length.length_mm == pytest.approx(22.0, abs=1e-9)
    assert canal.traces[0].radiographic.length_mm is None
    assert canal.working_length.length_mm is None
    assert code in codes(canal.working_length.flags)


@pytest.mark.parametrize(("resorption", "allowance"), [("none", 1.0), ("bone", 1.5), ("bone and root", 2.0)])
def test_the_end_allowance_grows_with_resorption(body, measure, resorption, allowance):
    """Weine, Endodontic Therapy: 1.0, 1.5 and 2.0 mm short of the radiographic root end."""
    body["canals"][0]["resorption"] = resorption
    assert measure(body).canals[0].traces[0].radiographic.length_mm == pytest.approx(22.0 - allowance, abs=1e-9)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lengths=st.lists(st.floats(1.5, 60.0), max_size=4),
    mark=st.sampled_from(["foramen", "constriction", "beyond"]),
    end=st.sampled_from(["radiographic apex", "apical foramen", "open apex", "file tip", "filling end"]),
    held=st.none() | st.floats(1.0, 60.0),
    last_row=st.integers(100, 470),
)
def test_no_working_length_lies_beyond_the_radiographic_apex(
    body, measure, readings, decided, lengths, mark, end, held, last_row
):
    case = copy.deepcopy(body)
    case["entries"] = readings(*lengths, finding=mark)
    case["canals"][0]["traces"][0] |= {"path_px": [[20, 60], [last_row, 60]], "apical_end": end}
    if held is not None:
        case["entries"].append(decided(held))
    canal = measure(case).canals[0]
    film, working = canal.traces[0].radiographic, canal.working_length
    for value in (working.length_mm, working.ceiling_mm, working.weighted_mm):
        if value is not None and film.apex_length_mm is not None:
            assert value <= film.apex_length_mm + 1e-9
    if working.length_mm is not None and film.limit_mm is not None:
        assert working.length_mm <= film.limit_mm + 1e-9


# --- refusals that name the member ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda c: c["films"][0].update(rows=481), r"films\[0\].rows and cols must be those of the image"),
        (
            lambda c: c["films"][0]["scale"][0].update(points_px=[[20, 50], [600, 50]]),
            r"films\[0\].scale\[0\]: points_px",
        ),
        (
            lambda c: c["films"][0]["scale"][0].update(points_px=[[20, 50], [20, 50]]),
            r"films\[0\].scale\[0\]: points_px",
        ),
        (
            lambda c: c["canals"][0]["traces"][0].update(path_px=[[20, 50], [20, -1]]),
            r"canals\[0\].traces\[0\]: path_px",
        ),
        (lambda c: c["canals"][0]["traces"][0].update(reference_px=[-5, 0]), r"canals\[0\].traces\[0\]: reference_px"),
        (lambda c: c["canals"][0]["traces"][0].update(file_tip_px=[0, 300]), r"canals\[0\].traces\[0\]: file_tip_px"),
    ],
)
def test_members_that_the_image_contradicts_are_named(body, measure, change, message):
    change(body)
    with pytest.raises(WlmeasureError, match=message):
        measure(body)


def test_a_scale_that_is_no_radiographs_is_refused(body, measure):
    """60 mm over 4 px: 15 mm per pixel."""
    body["films"][0]["scale"] = [known_file(4, 60.0)]
    with pytest.raises(CalibrationError, match=r"films\[0\].scale must give 0.003 to 0.5 mm per pixel"):
        measure(body)


def test_a_clicked_file_that_ends_where_it_begins_is_refused(body, measure):
    scale = body["films"][0]["scale"][0]
    scale |= {"trace_kind": "clicks", "points_px": [[20, 50], [60, 50], [20, 50]]}
    with pytest.raises(CaseError, match="upper end and tip are the same"):
        measure(body)


def test_an_image_that_changed_since_the_case_was_saved_is_refused(body, measure, film):
    film.write_bytes(cv2.imencode(".png", np.zeros((480, 300), np.uint8))[1].tobytes())
    with pytest.raises(StaleCaseError, match=r"film f1.*must be the image the case was made on"):
        measure(body)


def test_radiographs_given_in_a_program_are_used_and_a_missing_one_is_named(body, tmp_path, film):
    case = case_from_json(body, folder=Path("/nowhere"))
    radiograph = read(film)
    assert evaluate(case, {"f1": radiograph}).canals[0].traces[0].length.length_mm == pytest.approx(22.0)
    with pytest.raises(CaseError, match=r"films\[0\] must come with its image"):
        evaluate(case, {})


def test_clicks_are_refused_by_the_tracer_with_their_place(body, measure):
    trace = body["canals"][0]["traces"][0]
    del trace["path_px"]
    trace["clicks_px"] = [[20, 60], [20, 60]]
    with pytest.raises(TraceError, match=r"canals\[0\].traces\[0\]: clicks_px must not repeat a point"):
        measure(body)
