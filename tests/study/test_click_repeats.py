"""Click errors from repeats: numpy and scipy on simulated marks, along and across, and what few repeats leave open."""

import numpy as np
import pytest
from attrs import evolve
from scipy import stats

from wlmeasure.errors import StudyError
from wlmeasure.study.clicks import LEAST_REPEATS, click_errors, click_profile
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.rebuild import measured_again

DOWN = np.array([[50.0, 80.0], [400.0, 80.0], [900.0, 80.0]])
ASLANT = np.array([[50.0, 80.0], [400.0, 300.0], [750.0, 520.0]])
OBLONG = (0.02, 0.03)


def drawn(rng, line, std, canals, times, size=OBLONG, observer="AB"):
    """So many canals drawn so many times, every point off by `std` (rows, columns) pixels."""
    return [
        DrawnPath(f"canal {k}", "f1", "MB", observer, again + 1, line + rng.normal(0.0, 1.0, line.shape) * std, size)
        for k in range(canals)
        for again in range(times)
    ]


def test_the_deviation_is_the_pooled_one_of_numpy_and_widens_as_student_says():
    """A line down the rows: what is along is the rows. 5 canals, three times: 20 degrees of freedom from two ends."""
    paths = drawn(np.random.default_rng(1), DOWN, (0.5, 2.0), 5, 3)
    (found,) = click_errors(paths)
    ends = np.array([[path.path_px[[0, -1]] for path in paths[k : k + 3]] for k in range(0, 15, 3)])
    along, across = np.sqrt(ends.var(axis=1, ddof=1).mean(axis=(0, 1)))
    assert (found.ends, found.repeats) == (10, 20)
    # The direction is that of the marks themselves, off the row by a part of a degree.
    assert found.along_px == pytest.approx(along, rel=0.02)
    assert found.across_px == pytest.approx(across, rel=0.02)
    assert found.std_px == pytest.approx(found.along_px * stats.t.ppf(0.975, 20) / stats.norm.ppf(0.975), rel=1e-6)
    low, high = (found.along_px * np.sqrt(20 / stats.chi2.ppf(tail, 20)) for tail in (0.975, 0.025))
    assert found.interval_px == pytest.approx((low, high), rel=1e-6)
    profile = click_profile(found)
    assert profile.clicks.words == f"clicks {found.std_px:.2g} px, from 20 repeats of AB"


@pytest.mark.parametrize("size", [OBLONG, (0.03, 0.02), None])
def test_a_pixel_of_error_each_way_is_found_along_any_line_of_any_pixels(size):
    paths = drawn(np.random.default_rng(2), ASLANT, (2.0, 2.0), 400, 2, size)
    (found,) = click_errors(paths)
    assert found.along_px == pytest.approx(2.0, rel=0.075)  # 800 degrees of freedom: three standard errors
    assert found.across_px == pytest.approx(2.0, rel=0.075)


def test_intervals_by_a_learned_error_hold_what_they_say_however_few_the_repeats():
    """An error of the same hand lies within 1.96 times the learned figure 95 times of 100, from four repeats as from twelve."""
    rng = np.random.default_rng(3)
    for canals in (2, 6):
        learned = np.array([click_errors(drawn(rng, DOWN, (2.0, 2.0), canals, 2))[0].std_px for _ in range(200)])
        held = 2.0 * stats.norm.cdf(stats.norm.ppf(0.975) * learned / 2.0) - 1.0
        assert held.mean() == pytest.approx(0.95, abs=0.02)


def test_observers_stand_apart_and_who_drew_once_says_nothing():
    rng = np.random.default_rng(5)
    paths = drawn(rng, DOWN, (1.0, 1.0), 40, 2) + drawn(rng, DOWN, (3.0, 3.0), 40, 2, observer="CD")
    found = click_errors([*paths, *drawn(rng, DOWN, (1.0, 1.0), 3, 1, observer="EF")])
    assert [one.observer for one in found] == ["AB", "CD"]
    assert found[1].along_px / found[0].along_px == pytest.approx(3.0, rel=0.25)
    # An end that was taken as it was proposed is no mark of a hand.
    taken = [evolve(path, proposal="unmoved") for path in drawn(rng, DOWN, (0.0, 0.0), 40, 2)]
    assert click_errors([*paths, *taken]) == click_errors(paths)


def test_a_published_path_is_measured_again_with_the_clicks_that_its_case_named(make_canals):
    head, features = make_canals(1)
    one = evolve(features[0], calibration="f2", path_std_px=0.5, length_mm=20.0)
    three = evolve(one, extra={"click_std_px": 3.0})
    made = [measured_again(head, feature).length for feature in (one, three)]
    assert made[1].end_std_mm == pytest.approx(3.0 * made[0].end_std_mm)


def test_too_few_repeats_and_copies_are_refused():
    rng = np.random.default_rng(6)
    (few,) = click_errors(drawn(rng, DOWN, (1.0, 1.0), 1, 2))
    assert few.std_px is None
    with pytest.raises(
        StudyError, match=f"repeats of AB must be {LEAST_REPEATS} or more to tell of clicks: 2; let more"
    ):
        click_profile(few)
    (level,) = click_errors(drawn(rng, DOWN, (0.0, 1.0), 5, 2))
    with pytest.raises(StudyError, match="repeats of AB must be marked anew"):
        click_profile(evolve(level, std_px=0.0))


def test_what_was_stored_again_is_no_repeat_and_one_cusp_of_two_canals_is_one_end():
    rng = np.random.default_rng(7)
    paths = drawn(rng, DOWN, (1.0, 1.0), 5, 2)
    assert click_errors(drawn(rng, DOWN, (0.0, 0.0), 5, 4)) == ()
    assert click_errors([copy for path in paths for copy in (path, path, path)]) == click_errors(paths)
    cusp = [path.path_px[0] for path in paths[:2]]
    other = drawn(rng, DOWN, (1.0, 1.0), 1, 2)
    for path, at in zip(other, cusp, strict=True):
        path.path_px[0] = at
    alone, both = (
        click_errors([*paths[:2], *more])[0] for more in ((), [evolve(path, subject="canal 9") for path in other])
    )
    assert (alone.ends, both.ends) == (2, 3)
