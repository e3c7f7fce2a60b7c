"""Radiographic methods: teaching rules, hand geometry, and what each kind of end lets a film say."""

from __future__ import annotations

from math import cos, hypot, nextafter, radians, sin, sqrt
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.methods import (
    ApexVisibility,
    ApicalEnd,
    RadiographicLength,
    Resorption,
    corrected_length,
    end_allowance_mm,
    from_major_diameter,
    proportional_mm,
    radiographic_length,
    retake_band,
    subtract_add_subtract,
)
from wlmeasure.errors import DecideError
from wlmeasure.flags import Flag

LENGTHS = st.floats(12.0, 30.0)
STDS = st.floats(0.0, 1.0)


def codes(flags: tuple[Flag, ...]) -> set[str]:
    return {item.code for item in flags}


# --- proportional ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file_mm", "tooth", "file", "expected"),
    [
        pytest.param(20.0, 24.5, 22.4, 21.875, id="T1.1 derived: Grossman, Endodontic Practice"),
        pytest.param(18.0, 23.1, 19.8, 21.0, id="T1.2 derived: Grossman, Endodontic Practice"),
    ],
)
def test_proportional(file_mm: float, tooth: float, file: float, expected: float) -> None:
    assert proportional_mm(file_mm, tooth, file) == pytest.approx(expected, abs=1e-12)


def on_detector(along_mm: float, tilt_deg: float) -> float:
    """Where a point of a tilted tooth falls on a detector square to the ray, by similar triangles.

    The tooth is 20 mm, its middle 380 mm from the source, the coronal end (along = -10) nearer the source; the detector
    is 400 mm from the source.
    """
    across = along_mm * cos(radians(tilt_deg))
    depth = 380.0 + along_mm * sin(radians(tilt_deg))
    return 400.0 * across / depth


@pytest.mark.parametrize(
    ("tilt_deg", "apparent", "expected"),
    [(0.0, 21.05, 20.0), (10.0, 20.73, 19.9818), (20.0, 19.78, 19.9643), (30.0, 18.24, 19.9481)],
)
def test_proportional_leaves_only_the_perspective_residual(tilt_deg: float, apparent: float, expected: float) -> None:
    """T1.3, derived: 18 mm file with its stop at the coronal end of a tilted 20 mm tooth."""
    stop, tip, apex = (on_detector(along, tilt_deg) for along in (-10.0, 8.0, 10.0))
    assert apex - stop == pytest.approx(apparent, abs=0.005)
    assert proportional_mm(18.0, apex - stop, tip - stop) == pytest.approx(expected, abs=5e-5)


@given(file_mm=LENGTHS, tooth=LENGTHS, file=LENGTHS, factor=st.floats(0.1, 100.0))
def test_proportional_does_not_see_the_unit_of_the_picture(
    file_mm: float, tooth: float, file: float, factor: float
) -> None:
    assert proportional_mm(file_mm, factor * tooth, factor * file) == pytest.approx(
        proportional_mm(file_mm, tooth, file)
    )


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_proportional_refuses_what_is_no_length(bad: float) -> None:
    for arguments in ((bad, 1.0, 1.0), (1.0, bad, 1.0), (1.0, 1.0, bad)):
        with pytest.raises(DecideError):
            proportional_mm(*arguments)


# --- subtract, add, subtract ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("preoperative", "tip_short", "allowance", "expected", "flagged"),
    [
        pytest.param(23.0, 1.0, 0.5, 22.5, set(), id="T1.4 k 0.5, Ingle & Bakland, Endodontics, wording from memory"),
        pytest.param(23.0, 1.0, 1.0, 22.0, set(), id="T1.4 k 1.0, Ingle & Bakland, Endodontics, wording from memory"),
        pytest.param(23.0, -0.5, 0.5, 21.0, {"tip-beyond-apex"}, id="T1.5 tip beyond"),
        pytest.param(21.5, 2.5, 1.0, 22.0, {"correction-confirm"}, id="T1.6 large correction"),
    ],
)
def test_subtract_add_subtract(
    preoperative: float, tip_short: float, allowance: float, expected: float, flagged: set[str]
) -> None:
    result = subtract_add_subtract(preoperative, tip_short, safety_mm=1.0, end_allowance_mm=allowance)
    assert result.length_mm == pytest.approx(expected, abs=1e-12)
    assert result.tentative_mm == preoperative - 1.0
    assert codes(result.flags) == flagged


@given(length=LENGTHS, tip_short=st.floats(-2.0, 3.0))
def test_a_trial_file_of_the_tentative_length_is_the_method_s_second_half(length: float, tip_short: float) -> None:
    whole = subtract_add_subtract(length + 1.0, tip_short)
    half = corrected_length(length, tip_short)
    assert half.length_mm == pytest.approx(whole.length_mm, abs=1e-9)
    assert (half.band, half.flags) == (whole.band, whole.flags)


def test_a_length_made_of_a_known_length_and_a_gap_is_named_and_flagged_so() -> None:
    step = corrected_length(19.5, 2.0)
    film = radiographic_length(21.5, 0.25, apical_end="radiographic apex", corrected=step)
    assert film.length_mm == pytest.approx(20.5)
    assert film.method == "known length plus gap: radiographic apex less the end allowance"
    assert "correction-confirm" in codes(film.flags)
    assert dict(film.parameters).items() >= {"known_length_mm": 19.5, "gap_mm": 2.0}.items()
    plain = radiographic_length(21.5, 0.25, apical_end="radiographic apex")
    assert "gap_mm" not in dict(plain.parameters)


@pytest.mark.parametrize("gap", [1.9, 3.5])
def test_a_correction_that_does_not_give_the_length_is_refused(gap: float) -> None:
    with pytest.raises(DecideError, match="corrected must give end_length_mm"):
        radiographic_length(21.5, 0.25, apical_end="radiographic apex", corrected=corrected_length(19.5, gap))


def test_a_tip_too_far_short_gives_no_length() -> None:
    """Our parameter: above 3 mm the length is not extrapolated."""
    result = subtract_add_subtract(23.0, 3.1)
    assert result.length_mm is None
    assert result.root_end_mm is None
    assert codes(result.flags) == {"correction-too-large"}
    assert subtract_add_subtract(23.0, 3.1, confirm_within_mm=3.5).length_mm == pytest.approx(24.1)


def test_the_parameters_that_decided_are_written_into_the_result() -> None:
    assert dict(subtract_add_subtract(23.0, 1.0, safety_mm=1.5, end_allowance_mm=0.5).parameters) == {
        "safety_mm": 1.5,
        "end_allowance_mm": 0.5,
        "accept_within_mm": 1.0,
        "confirm_within_mm": 3.0,
    }


@given(length=LENGTHS, tip_short=st.floats(-2.0, 3.0), more=st.floats(0.0, 3.0))
def test_a_longer_tooth_never_gets_a_shorter_length(length: float, tip_short: float, more: float) -> None:
    shorter, longer = (subtract_add_subtract(value, tip_short).length_mm for value in (length, length + more))
    assert shorter is not None
    assert longer is not None
    assert longer == pytest.approx(shorter + more, abs=1e-9)


# --- allowances -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("resorption", "expected"), [("none", 21.0), ("bone", 20.5), ("bone and root", 20.0)])
def test_resorption_allowance(resorption: Resorption, expected: float) -> None:
    """T1.7: tooth of 22 mm, Weine, Endodontic Therapy."""
    assert 22.0 - end_allowance_mm(resorption) == expected
    film = radiographic_length(22.0, 0.2, apical_end="radiographic apex", resorption=resorption)
    assert film.length_mm == expected
    assert film.apex_length_mm == 22.0


def test_major_diameter() -> None:
    """T1.8: Kuttler, JADA 1955;50:544-552; 0.67 as rounded in teaching, another text has 0.6."""
    assert from_major_diameter(21.5, "18-25") == 21.0
    assert from_major_diameter(21.5, "55 and over") == pytest.approx(20.83, abs=1e-12)
    assert from_major_diameter(21.5, allowance_mm=0.6) == pytest.approx(20.9, abs=1e-12)


def test_major_diameter_wants_the_age_or_the_allowance() -> None:
    with pytest.raises(DecideError, match="one of the two"):
        from_major_diameter(21.5)
    with pytest.raises(DecideError, match="one of the two"):
        from_major_diameter(21.5, "18-25", allowance_mm=0.5)
    with pytest.raises(DecideError, match="age_group must be one of"):
        from_major_diameter(21.5, "40")  # type: ignore[arg-type]  # a word from a form, not from a typed caller


# --- retake bands ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("correction", "band"),
    [
        (0.0, "accept"),
        (1.0, "accept"),
        (nextafter(1.0, 2.0), "accept"),  # the last bit of a subtraction decides nothing
        (1.01, "confirm"),
        (3.0, "confirm"),
        (nextafter(3.0, 4.0), "confirm"),
        (nextafter(0.0, -1.0), "accept"),
        (3.01, "do not extrapolate"),
        (-0.1, "do not extrapolate"),
    ],
)
def test_retake_band(correction: float, band: str) -> None:
    """1 mm: Grossman's Endodontic Practice, 13th ed.; 3 mm: our parameter."""
    assert retake_band(correction) == band


def test_retake_edges_must_rise() -> None:
    with pytest.raises(DecideError, match="order them"):
        retake_band(0.5, accept_within_mm=3.0, confirm_within_mm=1.0)


# --- what the film says ---------------------------------------------------------------------------------------------


def test_a_clear_apex_carries_the_landmark_term() -> None:
    """0.4 mm: the spread between roots that no careful click removes."""
    film = radiographic_length(22.0, 0.3, apical_end="radiographic apex")
    assert film.length_mm == 21.0
    assert film.std_mm == pytest.approx(0.5)  # 3-4-5
    assert film.allowance_mm == 1.0
    assert film.flags == ()


def test_a_superimposed_apex_is_less_certain() -> None:
    film = radiographic_length(22.0, 0.8, apical_end="radiographic apex", apex_visibility="superimposed")
    assert film.std_mm == pytest.approx(1.0)  # 6-8-10
    assert codes(film.flags) == {"apex-superimposed"}


@pytest.mark.parametrize("apical_end", get_args(ApicalEnd))
def test_an_apex_off_the_film_gives_no_working_length(apical_end: ApicalEnd) -> None:
    film = radiographic_length(22.0, 0.2, apical_end=apical_end, apex_visibility="cut off", tip_to_apex_mm=0.5)
    assert film.length_mm is None
    assert film.std_mm is None
    assert film.limit_mm is None
    assert "apex-cut-off" in codes(film.flags)


def test_a_marked_foramen_is_shortened_by_its_own_allowance() -> None:
    """0.5 mm, Kuttler 1955; with resorption the allowance grows by as much as it does from the root end."""
    film = radiographic_length(21.5, 0.2, apical_end="apical foramen")
    assert film.length_mm == 21.0
    assert film.apex_length_mm is None
    assert film.limit_mm == 21.5
    assert radiographic_length(21.5, 0.2, apical_end="apical foramen", resorption="bone").length_mm == 20.5
    assert radiographic_length(21.5, 0.2, apical_end="apical foramen", foramen_allowance_mm=0.67).length_mm == 20.83


def test_a_file_tip_needs_its_distance_from_the_apex() -> None:
    film = radiographic_length(20.0, 0.2, apical_end="file tip")
    assert film.length_mm is None
    assert film.apex_length_mm is None
    assert codes(film.flags) == {"file-tip-only"}


@pytest.mark.parametrize(
    ("tip_to_apex", "apex", "length", "flagged"),
    [
        (0.5, 20.5, 19.5, set()),
        (2.5, 22.5, 21.5, {"correction-confirm"}),
        (3.5, None, None, {"correction-too-large"}),
        (-0.5, 19.5, 18.5, {"tip-beyond-apex"}),
    ],
)
def test_a_file_tip_is_corrected_to_the_apex(
    tip_to_apex: float, apex: float | None, length: float | None, flagged: set[str]
) -> None:
    film = radiographic_length(20.0, 0.2, apical_end="file tip", tip_to_apex_mm=tip_to_apex)
    assert film.apex_length_mm == apex
    assert film.length_mm == length
    assert codes(film.flags) == flagged


def test_the_correction_has_its_own_uncertainty() -> None:
    """Derived: up to 0.11 mm on each mm from magnification left in, as a rectangular half-width."""
    film = radiographic_length(20.0, 0.2, apical_end="file tip", tip_to_apex_mm=2.0)
    assert film.std_mm == pytest.approx(hypot(0.2, 0.4, 2.0 * 0.11 / sqrt(3.0)), abs=1e-3)
    given_std = radiographic_length(20.0, 0.2, apical_end="file tip", tip_to_apex_mm=2.0, tip_to_apex_std_mm=0.05)
    assert given_std.std_mm == pytest.approx(hypot(0.2, 0.4, 0.05))


def test_a_filling_end_is_no_landmark() -> None:
    film = radiographic_length(20.0, 0.2, apical_end="filling end")
    assert film.length_mm is None
    assert codes(film.flags) == {"filling-end-only"}


def test_an_open_apex_presumes_no_constriction() -> None:
    """Said of the apex or of the end of the trace, it is the same finding."""
    by_end = radiographic_length(22.0, 0.8, apical_end="open apex")
    by_apex = radiographic_length(22.0, 0.8, apical_end="radiographic apex", apex="open")
    for film in (by_end, by_apex):
        assert film.open_apex
        assert film.length_mm == 21.0
        assert film.std_mm == pytest.approx(1.0)
        assert codes(film.flags) == {"open-apex"}


def test_an_unseen_stretch_widens_the_uncertainty() -> None:
    film = radiographic_length(22.0, 0.3, apical_end="radiographic apex", unseen_mm=12.0)
    assert film.std_mm == pytest.approx(1.3)  # 0.5 and 1.2: 5-12-13
    assert codes(film.flags) == {"unseen-stretch"}


@given(length=LENGTHS, std=STDS, unseen=st.floats(0.0, 10.0), more=st.floats(0.0, 2.0))
def test_more_unseen_is_never_more_certain(length: float, std: float, unseen: float, more: float) -> None:
    less_seen, seen = (
        radiographic_length(length, std, apical_end="radiographic apex", unseen_mm=value).std_mm
        for value in (unseen + more, unseen)
    )
    assert less_seen is not None
    assert seen is not None
    assert less_seen >= seen


@given(
    length=LENGTHS,
    std=STDS,
    apical_end=st.sampled_from(get_args(ApicalEnd)),
    resorption=st.sampled_from(get_args(Resorption)),
    visibility=st.sampled_from(get_args(ApexVisibility)),
    tip_to_apex=st.none() | st.floats(-4.0, 4.0),
)
def test_the_film_length_never_lies_beyond_the_apex(
    length: float,
    std: float,
    apical_end: ApicalEnd,
    resorption: Resorption,
    visibility: ApexVisibility,
    tip_to_apex: float | None,
) -> None:
    film = radiographic_length(
        length,
        std,
        apical_end=apical_end,
        resorption=resorption,
        apex_visibility=visibility,
        tip_to_apex_mm=tip_to_apex,
    )
    assert (film.length_mm is None) == (film.std_mm is None)
    if film.length_mm is not None and film.std_mm is not None:
        assert film.limit_mm is not None
        assert film.length_mm <= film.limit_mm - 0.5 + 1e-9
        assert film.std_mm >= film.landmark_std_mm


def test_an_unusual_length_is_kept_and_flagged() -> None:
    assert "length-unusual" in codes(radiographic_length(35.0, 0.2, apical_end="radiographic apex").flags)
    assert radiographic_length(33.0, 0.2, apical_end="radiographic apex").flags == ()


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"end_length_mm": 0.5}, "end_length_mm must be 1 to 60 mm"),
        ({"end_length_mm": 210.0}, "check the entry and its unit"),
        ({"end_std_mm": -0.1}, "end_std_mm must be >= 0"),
        ({"apical_end": "apex"}, "apical_end must be one of"),
        ({"apex_visibility": "hidden"}, "apex_visibility must be one of"),
        ({"resorption": "root"}, "resorption must be one of"),
        ({"apex": "wide"}, "apex must be one of"),
        ({"unseen_mm": 23.0}, "unseen_mm must not exceed"),
        ({"allowance_mm": 22.0}, "allowance must be shorter"),
    ],
)
def test_bad_input_is_named(changed: dict[str, object], message: str) -> None:
    arguments: dict[str, object] = {"end_length_mm": 22.0, "end_std_mm": 0.2, "apical_end": "radiographic apex"}
    with pytest.raises(DecideError, match=message):
        radiographic_length(**(arguments | changed))  # type: ignore[arg-type]  # wrong on purpose


def test_a_length_beyond_the_apex_cannot_be_made() -> None:
    with pytest.raises(DecideError, match="beyond the end on the film"):
        RadiographicLength(22.1, 0.4, apex_length_mm=22.0)
    with pytest.raises(DecideError, match="both be given"):
        RadiographicLength(22.0, None)
    with pytest.raises(DecideError, match="give the total"):
        RadiographicLength(21.0, 0.3, landmark_std_mm=0.4)
