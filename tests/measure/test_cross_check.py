"""Scales of one film against each other, by ratios worked out by hand."""

import pytest

from wlmeasure.calibration import KnownLine, calibrate_lines, calibrate_spacing, calibrate_taper
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.measure.cross_check import NamedScale, compare_scales


def file(name, known_mm, rows):
    """A file of `rows` rows straight down; columns are 0.8 rows apart."""
    line = KnownLine([[10.0, 50.0], [10.0 + rows, 50.0]], known_mm)
    return NamedScale(name, calibrate_lines([line], col_over_row=0.8), known_mm)


def spacing(row_mm, trust="detector", plane="detector"):
    claim = SpacingClaim(row_mm, 0.8 * row_mm, "ImagerPixelSpacing", plane, trust)
    return NamedScale("the spacing", calibrate_spacing(claim))


def test_equal_scales_agree_and_the_ratio_is_the_first_over_the_second():
    (pair,) = compare_scales([file("one", 20.0, 400), file("other", 18.0, 350)])
    assert pair.verdict == "agree"
    assert pair.ratio == pytest.approx((20.0 / 400) / (18.0 / 350), rel=1e-12)
    assert pair.swapped_mm is None
    assert "agree (ratio 0.97" in pair.words


def test_the_tolerance_is_that_of_both_and_of_their_tilts():
    one, other = file("one", 20.0, 400), file("other", 18.0, 350)
    own = [scale.calibration.rel_std for scale in (one, other)]
    (pair,) = compare_scales([one, other], between_rel_std=0.03)
    assert pair.tolerance == pytest.approx(1.959964 * (own[0] ** 2 + own[1] ** 2 + 0.03**2) ** 0.5, rel=1e-9)


def test_two_numbers_at_the_wrong_files_are_known_by_their_squares():
    """Files of 24 and 18 mm, 0.05 mm per pixel, their numbers exchanged: the ratio of the scales is (18 / 24) squared."""
    (pair,) = compare_scales([file("short", 24.0, 360), file("long", 18.0, 480)])
    assert pair.verdict == "differ"
    assert pair.ratio == pytest.approx((24.0 / 18.0) ** 2, rel=1e-12)
    assert pair.swapped_mm == (24.0, 18.0)


def test_lengths_that_are_wrong_either_way_are_not_called_swapped():
    (pair,) = compare_scales([file("one", 20.0, 400), file("other", 21.0, 300)])
    assert (pair.verdict, pair.swapped_mm) == ("differ", None)


def test_lengths_nearly_alike_are_never_called_swapped():
    (pair,) = compare_scales([file("one", 19.5, 400), file("other", 20.0, 390)])
    assert (pair.verdict, pair.swapped_mm) == ("agree", None)


def test_a_spacing_stands_for_all_that_the_usual_magnification_allows():
    """At the detector 0.053 over the usual magnification is near 0.05; 0.08 at the detector is no tooth of 0.05."""
    known = file("one", 20.0, 400)
    assert compare_scales([known, spacing(0.053)])[0].verdict == "agree"
    assert compare_scales([known, spacing(0.08)])[0].verdict == "differ"


def test_what_nobody_can_tell_is_said():
    known = file("one", 20.0, 400)
    (unknown,) = compare_scales([known, spacing(0.08, "unknown", "unknown")])
    assert unknown.verdict == "cannot be compared"
    assert "nothing says what ImagerPixelSpacing refers to" in unknown.words
    thin = NamedScale("taper", calibrate_taper([(200.0, 10.0, 2.0), (400.0, 14.0, 2.0)], 15))
    assert compare_scales([known, thin])[0].verdict == "cannot be compared"


def test_every_pair_is_compared_once():
    three = [file("a", 20.0, 400), file("b", 20.0, 400), file("c", 20.0, 400)]
    assert [(pair.first, pair.second) for pair in compare_scales(three)] == [("a", "b"), ("a", "c"), ("b", "c")]
    assert compare_scales(three[:1]) == ()
