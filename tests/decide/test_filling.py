"""Cone fit, filling length and stop settings: nothing is ever rounded up."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.filling import cone_fit, filling_length, stop_setting_mm, stop_settings
from wlmeasure.errors import DecideError


@pytest.mark.parametrize(
    ("cone_mm", "resists", "verdict"),
    [
        pytest.param(20.7, True, "fits", id="T7.11 common practice"),
        pytest.param(21.4, True, "beyond", id="T7.11 beyond"),
        pytest.param(20.2, True, "short", id="T7.11 short"),
        pytest.param(20.8, False, "not fitted", id="T7.11 no resistance"),
        (21.0, True, "fits"),
        (20.5, True, "fits"),
        (20.4, True, "short"),
        (21.1, True, "beyond"),
        (21.4, False, "beyond"),
        (20.2, False, "short"),
    ],
)
def test_cone_fit(cone_mm: float, resists: bool, verdict: str) -> None:
    assert cone_fit(21.0, cone_mm, resists=resists).verdict == verdict


@pytest.mark.parametrize(
    ("short_mm", "verdict", "variant"),
    [
        *[(-0.3, "long", "long"), (0.0, "adequate", "near"), (0.5, "adequate", "adequate")],
        *[(2.0, "adequate", "adequate"), (2.1, "short", "short"), (0.4, "adequate", "near")],
    ],
)
def test_filling_length(short_mm: float, verdict: str, variant: str) -> None:
    """T7.7: 0-2 mm in Liang et al. 2012, PMC3501171; 0.5-2 mm in Int J Dent 2015:135120, Table 2."""
    assert filling_length(short_mm).verdict == verdict
    assert filling_length(short_mm, adequate_from_mm=0.5).verdict == variant


def test_filling_limits_out_of_order_are_refused() -> None:
    with pytest.raises(DecideError, match="order them"):
        filling_length(1.0, adequate_from_mm=2.5)
    with pytest.raises(DecideError, match="finite"):
        filling_length(float("nan"))


@given(short=st.integers(-300, 500), less=st.integers(0, 300))
def test_a_filling_farther_from_the_apex_is_never_classed_nearer(short: int, less: int) -> None:
    order = ("long", "near", "adequate", "short")
    near = filling_length(short / 100.0, adequate_from_mm=0.5).verdict
    far = filling_length((short + less) / 100.0, adequate_from_mm=0.5).verdict
    assert order.index(far) >= order.index(near)


def test_stop_settings_of_a_length_between_two_divisions() -> None:
    """20.9 mm: file and cone at 20.5, needle 2 mm short 18.9 -> 18.5, plugger 5 mm short 15.9 -> 15.5 (common practice)."""
    assert {one.name: one.setting_mm for one in stop_settings(20.9)} == {
        "shaping file": 20.5,
        "master cone": 20.5,
        "irrigation needle": 18.5,
        "heated plugger": 15.5,
    }


def test_the_users_own_allowances_replace_ours() -> None:
    (own,) = stop_settings(21.0, {"plugger of mine": 4.2})
    assert (own.name, own.setting_mm) == ("plugger of mine", 16.5)
    assert stop_settings(21.0, {"cone": 0.0}, step_mm=0.25)[0].setting_mm == 21.0


def test_an_allowance_that_leaves_nothing_is_refused() -> None:
    with pytest.raises(DecideError, match="allowance of plugger must leave a setting"):
        stop_settings(5.0, {"plugger": 5.0})
    with pytest.raises(DecideError, match="allowance of plugger must be >= 0"):
        stop_settings(20.0, {"plugger": -0.5})


@given(length=st.floats(1.0, 60.0), allowance=st.floats(0.0, 0.9), step=st.sampled_from([0.25, 0.5, 1.0]))
def test_a_setting_is_never_above_the_length_and_lies_on_the_ruler(
    length: float, allowance: float, step: float
) -> None:
    if length - allowance < step:
        return
    (one,) = stop_settings(length, {"file": allowance}, step_mm=step)
    assert one.setting_mm <= length - allowance + 1e-8
    assert length - allowance - one.setting_mm < step
    assert one.setting_mm / step == round(one.setting_mm / step)


@given(length=st.integers(10, 600))
def test_a_tenth_typed_in_decimals_keeps_its_division(length: int) -> None:
    assert stop_setting_mm(length / 10.0) == (length // 5) * 0.5
