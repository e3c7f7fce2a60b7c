"""Files whose known length shows no upper end, files without a length, and all scales of a film together."""

import copy

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.calibration import RULER_STD_MM
from wlmeasure.decide.methods import CLEAR_LANDMARK_STD_MM
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph, SpacingClaim
from wlmeasure.image.reading import read
from wlmeasure.magnification import usual_magnification
from wlmeasure.phantom import make_phantom
from wlmeasure.points import polyline_feet
from wlmeasure.record.case import case_from_json
from wlmeasure.record.edit import with_file_tips
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.drawing import Label, Line
from wlmeasure.share.figures import FILE_COLOUR, film_drawing, film_picture
from wlmeasure.share.paths import paths_of, stored_paths
from wlmeasure.share.result import no_length_words, record_text, result_json

M = usual_magnification().mean
DETECTOR = SpacingClaim(0.050, 0.040, "ImagerPixelSpacing", "detector", "detector")
SPACING = {"kind": "spacing", "claim": "ImagerPixelSpacing"}
OBJECT = {"kind": "known_object", "points_px": [[100, 200], [300, 200]], "known_length_mm": 10.0}  # 0.05 mm a row


def codes(flags):
    return [flag.code for flag in flags]


def outside(col=60, known_mm=19.5, tip=360, **more):
    """A file straight down column `col` from the film's upper edge to row `tip`; its upper end is not in the picture."""
    line = [[1, col], [tip, col]]
    return {
        **{"kind": "known_file", "points_px": line, "trace_kind": "path", "known_length_mm": known_mm},
        **{"upper_end": "out of the picture", "stop_seated": "yes"},
    } | more


def stopped(col, known_mm, rows):
    line = [[20, col], [20 + rows, col]]
    return {"kind": "known_file", "points_px": line, "trace_kind": "path", "known_length_mm": known_mm}


@pytest.fixture
def case(body):
    """The file of 19.5 mm in canal MB, its tip 40 rows short of the end; the trace covers the apical part alone."""

    def case(*scales, tip=360, end=400, **trace):
        made = copy.deepcopy(body)
        made["films"][0] |= {"scale": list(scales) or [outside(tip=tip), SPACING], "col_over_row": 0.8}
        made["canals"][0]["traces"] = [
            {"film": "f1", "path_px": [[250, 60], [end, 60]], "apical_end": "radiographic apex"}
            | {"file_tip_px": [tip, 60]}
            | trace
        ]
        return made

    return case


@pytest.fixture
def measured(film, tmp_path):
    """A case on the bench film, whose file claims 0.050 x 0.040 mm at the detector."""
    graph = evolve(read(film), spacings=(DETECTOR,))

    def measured(body, **options):
        return evaluate(case_from_json(copy.deepcopy(body), folder=tmp_path), {"f1": graph}, **options)

    return measured


# --- known length plus gap -------------------------------------------------------------------------------------------


def test_the_length_is_the_known_length_and_the_gap_by_the_rough_scale(case, measured):
    """40 rows of 0.050 mm over the usual magnification, behind 19.5 mm."""
    canal = measured(case()).canals[0]
    trace = canal.traces[0]
    assert trace.length.length_mm == pytest.approx(19.5 + 2.0 / M, rel=1e-9)
    assert (trace.length.coronal_mm, trace.length.canal_mm) == (None, None)
    assert trace.radiographic.length_mm == pytest.approx(18.5 + 2.0 / M, rel=1e-9)
    assert trace.radiographic.method.startswith("known length plus gap: ")
    assert canal.working_length.status == "film only"
    assert "reference-not-marked" not in codes(trace.flags)
    assert not trace.preliminary


@pytest.mark.parametrize(("known_mm", "doubted"), [(17.0, True), (19.0, False)])
def test_a_file_seen_longer_than_it_is_speaks_against_scale_or_length(case, measured, known_mm, doubted):
    """359 rows at 0.05 mm are 17.95 mm by an object of known size, 0.95 mm more than 17: 5 % of it, where the object's own
    uncertainty of 0.05 mm on 10 explains 0.5 % and two clicks hardly more."""
    sure = OBJECT | {"known_length_std_mm": 0.05}
    result = measured(case(outside(known_mm=known_mm, known_length_std_mm=0.05), sure))
    (film,), (canal,) = result.films, result.canals
    (trace,) = canal.traces
    assert ("file-longer-than-known" in codes(film.flags)) == doubted
    assert (canal.working_length.length_mm is None) == doubted
    assert (trace.length is None) == doubted
    assert "reference-not-marked" not in codes(trace.flags)
    assert no_length_words(trace).startswith("no length: Something is open about the scale") == doubted


def test_its_uncertainty_is_the_ruler_the_clicks_and_a_tenth_of_the_gap(case, measured):
    """And the landmark's scatter in the working length."""
    trace = measured(case()).canals[0].traces[0]
    gap = 2.0 / M
    expected = [RULER_STD_MM, 0.05 / M * 2**0.5, gap * usual_magnification().rel_std, gap * 0.15]
    assert trace.length.length_std_mm == pytest.approx(np.hypot.reduce(expected), rel=1e-6)
    assert trace.radiographic.std_mm == pytest.approx(np.hypot.reduce([*expected, CLEAR_LANDMARK_STD_MM]), rel=1e-6)


def test_a_stop_that_may_not_have_been_seated_is_said_and_reaches_down(case, measured):
    seated = measured(case()).canals[0].traces[0]
    unknown = measured(case(outside(stop_seated="not known"), SPACING)).canals[0].traces[0]
    assert "stop-seat-not-known" in codes(unknown.flags)
    assert "stop-seat-not-known" not in codes(seated.flags)
    assert unknown.length.length_interval_mm[0] < seated.length.length_interval_mm[0] - 0.3


def test_another_known_line_is_rough_scale_enough(case, measured):
    """The object gives 0.05 mm a row: 2 mm of gap."""
    trace = measured(case(outside(), OBJECT)).canals[0].traces[0]
    assert trace.length.length_mm == pytest.approx(21.5, rel=1e-9)
    assert trace.radiographic is not None


def test_without_any_scale_there_is_no_length_and_it_says_how_to_get_one(case, measured):
    trace = measured(case(outside())).canals[0].traces[0]
    assert trace.length is None
    assert "gap-needs-scale" in codes(trace.flags)
    assert "no-scale" in codes(trace.flags)


def test_a_gap_of_more_than_three_millimetres_is_refused(case, measured):
    """70 rows are 3.3 mm; the trace of the apical part alone is no length either."""
    canal = measured(case(end=430)).canals[0]
    trace = canal.traces[0]
    assert trace.length is None
    assert trace.radiographic is None
    assert "correction-too-large" in codes(trace.flags)
    assert trace.tip_to_end_mm == pytest.approx(70 * 0.05 / M, rel=1e-9)
    text = record_text(measured(case(end=430)))
    assert "no film of it gives a length" in text


def test_a_refused_gap_leaves_the_length_from_a_marked_reference_point(case, measured):
    trace = measured(case(end=430, reference_px=[20, 60])).canals[0].traces[0]
    assert trace.length.method == "along the path"
    assert trace.preliminary
    assert trace.radiographic is None


def test_between_one_and_three_millimetres_confirmation_is_advised(case, measured):
    flags = codes(measured(case()).canals[0].traces[0].radiographic.flags)
    assert "correction-confirm" in flags
    near = measured(case(end=375)).canals[0].traces[0]  # 0.7 mm
    assert "correction-confirm" not in codes(near.radiographic.flags)


def test_a_tip_beyond_the_end_counts_back_and_is_flagged(case, measured):
    """20 rows beyond."""
    trace = measured(case(end=340)).canals[0].traces[0]
    assert trace.length.length_mm == pytest.approx(19.5 - 1.0 / M, rel=1e-9)
    assert "tip-beyond-end" in codes(trace.flags)
    assert "tip-beyond-apex" in codes(trace.radiographic.flags)
    assert "that its tip lies beyond the end" in record_text(measured(case(end=340)))


def test_a_reference_point_that_nobody_named_gives_no_working_length(case, measured):
    made = case()
    made["canals"][0]["reference_point"] = None
    result = measured(made)
    trace = result.canals[0].traces[0]
    assert trace.length is not None
    assert "reference-not-marked" in codes(trace.flags)
    assert trace.radiographic is None
    assert "from where the file's stop rested, which nobody has named" in record_text(result)


def test_only_the_canal_of_the_file_has_its_length(case, measured):
    made = case()
    other = copy.deepcopy(made["canals"][0]) | {"name": "DB"}
    del other["traces"][0]["file_tip_px"]
    other["traces"][0] |= {"path_px": [[100, 90], [400, 90]], "reference_px": [20, 90]}
    made["canals"].append(other)
    mine, theirs = (canal.traces[0] for canal in measured(made).canals)
    assert mine.length.method == "known length plus gap"
    assert theirs.length.method == "along the path"
    assert theirs.preliminary


def test_a_tip_beside_the_canal_gives_no_length(case, measured):
    made = case(outside(col=90), SPACING, file_tip_px=[360, 90])
    trace = measured(made).canals[0].traces[0]
    assert trace.length is None
    assert {"tip-off-canal", "gap-not-measured"} <= set(codes(trace.flags))


def test_a_file_whose_tip_lies_in_no_canal_is_said(case, measured):
    made = case()
    del made["canals"][0]["traces"][0]["file_tip_px"]
    assert "file-tip-missing" in codes(measured(made).films[0].flags)
    assert "file-tip-missing" not in codes(measured(case()).films[0].flags)


def test_the_file_s_tip_finds_its_canal_as_any_other(case, measured):
    made = case()
    del made["canals"][0]["traces"][0]["file_tip_px"]
    result = measured(made)
    noted = with_file_tips(result.case, result, None)
    assert noted.canals[0].traces[0].file_tip_px == (360.0, 60.0)


def test_text_and_json_say_how_it_was_measured(case, measured):
    result = measured(case())
    text = record_text(result)
    assert f"known length plus gap: 19.5 mm plus a gap of {2.0 / M:.1f} mm" in text
    assert "known length plus gap: radiographic apex less the end allowance" in text
    (canal,) = result_json(result)["canals"]
    assert canal["length_method"] == "known length plus gap"
    assert canal["known_length_mm"] == 19.5
    assert canal["gap_mm"] == pytest.approx(2.0 / M, rel=1e-9)
    assert (canal["coronal_mm"], canal["canal_mm"]) == (None, None)


def test_paths_take_no_scale_from_a_length_that_is_not_between_its_points(case, measured):
    result = measured(case())
    made = paths_of(result)
    assert [feature.kind for feature in made.features] == ["canal"]
    (line,) = made.features
    assert (line.known_length_mm, line.canal_mm) == (19.5, None)
    assert line.length_mm == pytest.approx(19.5 + 2.0 / M, rel=1e-9)
    unseen, errors = stored_paths(case_from_json(case()))
    assert unseen.head.calibrations == ()
    assert len(errors) == 1


def test_advice_speaks_of_the_tip_and_orders_no_film(case, measured):
    def words(end):
        return [one.words for one in measured(case(end=end)).canals[0].traces[0].advice]

    assert any("a file nearer the apex" in one and "the clinician's choice" in one for one in words(415))
    assert words(365)[0].startswith("stop length to 0.1 mm")


# --- preliminary lengths -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stated", [None, 1.05])
def test_a_detector_spacing_gives_a_preliminary_length_stated_magnification_or_not(case, measured, stated):
    scale = SPACING if stated is None else SPACING | {"magnification": stated}
    made = case(scale, reference_px=[20, 60], path_px=[[20, 60], [420, 60]])
    result = measured(made)
    trace = result.canals[0].traces[0]
    assert trace.length.length_mm == pytest.approx(400 * 0.050 / (stated or M), rel=1e-9)
    assert trace.radiographic is None
    assert trace.preliminary
    assert {"preliminary-length", "radius-rough"} <= set(codes(trace.flags))
    assert result.canals[0].working_length.length_mm is None
    text = record_text(result)
    assert "  preliminary      " in text
    assert "the film's length is preliminary" in text
    assert result_json(result)["canals"][0]["preliminary"] is True


def test_a_spacing_calibrated_in_the_patient_gives_a_working_length_as_before(case, film, tmp_path):
    claim = SpacingClaim(0.050, 0.040, "PixelSpacing", "patient", "calibrated")
    made = case({"kind": "spacing", "claim": "PixelSpacing"}, reference_px=[20, 60], path_px=[[20, 60], [420, 60]])
    result = evaluate(case_from_json(made, folder=tmp_path), {"f1": evolve(read(film), spacings=(claim,))})
    trace = result.canals[0].traces[0]
    assert trace.length.length_mm == pytest.approx(20.0, rel=1e-9)
    assert trace.radiographic is not None
    assert not trace.preliminary


# --- all scales of a film ----------------------------------------------------------------------------------------------


def test_swapped_lengths_are_named_by_their_canals_with_both_numbers(case, measured):
    """Files of 24 and 18 mm at 0.05 mm a row, entered the wrong way round."""
    made = case(stopped(60, 18.0, 480 - 25), stopped(120, 24.0, 360), tip=475, end=478)
    other = copy.deepcopy(made["canals"][0]) | {"name": "DB"}
    other["traces"][0] |= {"path_px": [[250, 120], [400, 120]], "file_tip_px": [380, 120]}
    made["canals"].append(other)
    film = measured(made).films[0]
    (check,) = film.checks
    assert (check.first, check.second) == ("the file in canal MB (18 mm)", "the file in canal DB (24 mm)")
    assert check.verdict == "differ"
    (flag,) = (flag for flag in film.flags if flag.code == "known-lengths-swapped")
    assert "18 mm and 24 mm agree with each other only if swapped" in flag.text
    assert "18 mm is entered for the file in canal MB, 24 mm for the file in canal DB" in flag.text
    right = copy.deepcopy(made)
    for scale, length in zip(right["films"][0]["scale"], (24.0, 18.0), strict=True):
        scale["known_length_mm"] = length
    assert "known-lengths-swapped" not in codes(measured(right).films[0].flags)


def test_a_canal_s_own_brackets_stay_with_its_name(case, measured):
    """Canals MB (1) and MB (2): the known length of one does not read as that of the other."""
    made = case(stopped(60, 18.0, 480 - 25), stopped(120, 24.0, 360), tip=475, end=478)
    other = copy.deepcopy(made["canals"][0]) | {"name": "MB (2)"}
    other["traces"][0] |= {"path_px": [[250, 120], [400, 120]], "file_tip_px": [380, 120]}
    made["canals"] = [made["canals"][0] | {"name": "MB (1)"}, other]
    result = measured(made)
    (flag,) = (flag for flag in result.films[0].flags if flag.code == "known-lengths-swapped")
    assert "18 mm is entered for the file in canal MB (1), 24 mm for the file in canal MB (2)" in flag.text
    text = record_text(result)
    assert "18 mm ± 0.24 from stop to tip of the file in canal MB (1)" in text
    assert "24 mm ± 0.24 from stop to tip of the file in canal MB (2)" in text


@pytest.mark.parametrize(
    ("view", "places"),
    [
        ({}, ["left", "right"]),
        ({"mirrored": True}, ["right", "left"]),
        ({"quarter_turns": 1}, ["upper", "lower"]),
        ({"quarter_turns": 2}, ["right", "left"]),
    ],
)
def test_files_in_no_canal_are_named_by_their_place_as_it_is_shown(case, measured, view, places):
    made = case(stopped(100, 20.0, 400), stopped(200, 20.0, 400))
    made["films"][0]["view"] = {"quarter_turns": 0, "mirrored": False} | view
    del made["canals"][0]["traces"][0]["file_tip_px"]
    assert list(measured(made).films[0].names) == [f"the {place} file (20 mm)" for place in places]


def test_four_files_in_no_canal_are_counted_from_the_left(case, measured):
    made = case(*(stopped(col, 20.0, 400) for col in (50, 100, 150, 200)))
    del made["canals"][0]["traces"][0]["file_tip_px"]
    places = ("left file", "2nd file from the left", "3rd file from the left", "right file")
    assert measured(made).films[0].names == tuple(f"the {place} (20 mm)" for place in places)


def test_known_lengths_of_one_scale_say_whose_they_are(case, measured):
    text = record_text(measured(case(stopped(100, 20.0, 400), stopped(200, 19.5, 390))))
    assert "20 mm ± 0.24 from stop to tip of the left file" in text
    assert "19.5 mm ± 0.24 from stop to tip of the right file" in text


def test_an_object_and_the_spacing_are_held_against_the_file(case, measured):
    result = measured(case(stopped(60, 20.0, 400), OBJECT, SPACING, tip=420, end=430))
    film = result.films[0]
    assert [check.verdict for check in film.checks] == ["agree"] * 3
    lines = [line for line in record_text(result).splitlines() if line.startswith("  scales compared")]
    assert len(lines) == 3
    assert "the object (10 mm)" in lines[0]
    checks = result_json(result)["films"][0]["scale_checks"]
    assert [check["verdict"] for check in checks] == ["agree"] * 3
    wrong = measured(case(stopped(60, 26.0, 400), OBJECT, tip=420, end=430)).films[0]
    assert "scales-differ" in codes(wrong.flags)


def test_the_check_is_made_anew_when_a_canal_gets_the_file(case, measured):
    """`evaluate(before=...)` keeps the film and not what it was called."""
    made = case(stopped(100, 20.0, 400), stopped(60, 18.0, 340), tip=360)
    before = copy.deepcopy(made)
    del before["canals"][0]["traces"][0]["file_tip_px"]
    first = measured(before)
    assert first.films[0].names == ("the right file (20 mm)", "the left file (18 mm)")
    again = measured(made, before=first)
    assert again.films[0].names == ("the right file (20 mm)", "the file in canal MB (18 mm)")
    assert again.canals[0].traces[0].film is again.films[0]


# --- a file without a length, and one by its taper ---------------------------------------------------------------------


def test_a_canal_follows_a_file_of_unknown_length():
    """Where three clicks lay beside the metal and the film alone lost the canal (found among seeds 32000 to 32007).

    Truth is the phantom's line. The path keeps to it with the file and without, by the maps of the film, and
    a file of unknown length draws it nearer, if anything.
    """
    worst = {}
    phantom = make_phantom(32003, "hard", tip_short_mm=1.0)
    film = Radiograph.from_array(phantom.image)
    for traced in (False, True):
        rng = np.random.default_rng(3)
        canal = next(one for one in phantom.truth.canals if one.name == phantom.truth.file.canal)

        def clicked(path, rng=rng):
            return (path[[0, len(path) // 2, -1]] + rng.normal(0.0, 1.0, (3, 2))).tolist()

        clicks, shaft = clicked(canal.path_px), clicked(phantom.truth.file.path_px)
        plain = {"kind": "file", "points_px": shaft, "trace_kind": "clicks"}
        rows, cols = film.values.shape
        made = {
            "schema": "wlmeasure-case/2",
            "tooth": "46",
            "films": [{"id": "f1", "path": "f.png", "sha256": "0" * 64, "rows": rows, "cols": cols}],
            "canals": [
                {
                    "name": "MB",
                    "reference_point": "cusp",
                    "traces": [{"film": "f1", "clicks_px": clicks, "apical_end": "apical foramen"}],
                }
            ],
        }
        made["films"][0]["scale"] = [plain] if traced else []
        path = evaluate(case_from_json(made), {"f1": film}).canals[0].traces[0].path.path_px
        apart = polyline_feet(canal.path_px * phantom.mm_per_px, path * phantom.mm_per_px).apart
        worst[traced] = float(apart.max())
    assert worst[True] < 0.15
    assert worst[True] <= worst[False]


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([[250, 60], [330, 60], [400, 60], [420, 60]], "the file's shaft must be traced"),
        ([[20, 60], [200, 60], [300, 60], [420, 60]], "a bright shaft must be seen|the file must be thicker"),
    ],
)
def test_a_taper_refuses_in_words_that_a_person_knows(case, measured, points, words):
    """A stub of shaft, and nothing but noise where the shaft was clicked."""
    taper = {"kind": "file_taper", "points_px": points, "trace_kind": "path", "file_size": 15}
    with pytest.raises(WlmeasureError, match=words) as refused:
        measured(case(taper))
    assert "_px" not in str(refused.value)
    assert "click" in str(refused.value) or "check" in str(refused.value)


def test_each_number_stands_at_its_own_file_on_the_picture(case, measured):
    """And files without a scale are drawn, without the bar of a stop."""
    result = measured(case(stopped(100, 20.0, 400), stopped(200, 18.0, 360)))
    labels = {
        shape.text: shape.x
        for shape in film_drawing(result.films[0], [], film_picture(result.films[0]), {}).shapes
        if isinstance(shape, Label)
    }
    assert 100.0 < labels["20 mm"] < 140.0
    assert 200.0 < labels["18 mm"] < 240.0
    plain = {"kind": "file", "points_px": [[1, 60], [360, 60]], "trace_kind": "path"}
    film = measured(case(plain)).films[0]
    lines = [shape for shape in film_drawing(film, [], film_picture(film), {}).shapes if isinstance(shape, Line)]
    assert [line.points for line in lines if line.colour == FILE_COLOUR] == [((60.0, 1.0), (60.0, 360.0))]


def test_why_there_is_no_length_is_said_in_words(case, measured):
    """40 rows of 0.05 mm are 2 mm, 80 are 4 mm; a tip 200 columns beside the canal is in none; nothing on a film, no scale."""

    def words(made):
        return no_length_words(measured(made).canals[0].traces[0])

    assert words(case(outside(), OBJECT)) == ""
    assert words(case(outside(tip=320), OBJECT, tip=320)).startswith(
        "no length: The file tip lay too far from the root end"
    )
    assert words(case(outside())).startswith(
        "no length: The file's upper end is out of the picture and the film has no scale"
    )
    assert (
        words(case({"kind": "file", "points_px": [[1, 60], [360, 60]], "trace_kind": "path"}))
        == "no scale: angles only"
    )
    beside = words(case(outside(), OBJECT, reference_px=[200, 60], path_px=[[250, 160], [400, 160]]))
    assert beside.startswith("no length by the file in it: The file's tip does not lie in the traced canal")
