"""Six intraclass correlations against the published table and against another program's answers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from wlmeasure.errors import MeasureError
from wlmeasure.study.correlation import FORMS, correlations, mean_squares

KEPT = json.loads(
    (Path(__file__).resolve().parents[1] / "references" / "observers" / "pingouin.json").read_text("utf-8")
)
JUDGES = KEPT["tables"][0]["values"]
# The other program's names for the same forms (McGraw & Wong).
THEIRS = {
    "ICC(1,1)": "ICC(1,1)",
    "ICC(2,1)": "ICC(A,1)",
    "ICC(3,1)": "ICC(C,1)",
    "ICC(1,k)": "ICC(1,k)",
    "ICC(2,k)": "ICC(A,k)",
    "ICC(3,k)": "ICC(C,k)",
}


def test_the_published_mean_squares_and_correlations() -> None:
    """Shrout & Fleiss 1979: BMS 11.24, WMS 6.26, JMS 32.49, EMS 1.02; .17 .29 .71 .44 .62 .91 as printed."""
    squares = mean_squares(JUDGES)
    found = (squares.between, squares.within, squares.observer, squares.error)
    assert found == pytest.approx((11.2417, 6.2639, 32.4861, 1.0194), abs=5e-5)
    values = [one.value for one in correlations(JUDGES).values()]
    assert values == pytest.approx([0.1657, 0.2898, 0.7148, 0.4428, 0.6201, 0.9093], abs=5e-5)
    assert [round(value, 2) for value in values] == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]


@pytest.mark.parametrize("table", KEPT["tables"], ids=[table["name"] for table in KEPT["tables"]])
def test_the_kept_answers_of_another_program(table) -> None:
    """pingouin 0.7.0 on 2026-11-27: values and 95 % intervals, six tables, low and high agreement."""
    assert KEPT["program"] == "pingouin 0.7.0"
    found = correlations(table["values"])
    for form, theirs in THEIRS.items():
        value, low, high = table["forms"][theirs]
        assert found[form].value == pytest.approx(value, abs=1e-9)
        assert found[form].interval == pytest.approx((low, high), abs=2e-9)


def test_the_other_program_itself_where_it_is_installed() -> None:
    pingouin = pytest.importorskip("pingouin", reason="GPL: an outside check, never a dependency")
    import pandas as pd

    values = np.random.default_rng(7).normal(20.0, 2.0, (12, 1)) + np.random.default_rng(8).normal(0.0, 1.0, (12, 3))
    long = pd.DataFrame([(s, o, v) for s, row in enumerate(values) for o, v in enumerate(row)], columns=list("sov"))
    pingouin.options["round.column.CI95"] = 10
    theirs = pingouin.intraclass_corr(long, targets="s", raters="o", ratings="v").set_index("Type")
    for form, one in correlations(values).items():
        assert one.value == pytest.approx(float(theirs.loc[THEIRS[form], "ICC"]), abs=1e-9)
        assert one.interval == pytest.approx(tuple(theirs.loc[THEIRS[form], "CI95"]), abs=2e-9)


@given(
    arrays(float, st.tuples(st.integers(2, 8), st.integers(2, 5)), elements=st.floats(-50, 50, width=16)),
    st.floats(-100.0, 100.0),
    st.floats(0.1, 10.0),
)
def test_unit_and_origin_do_not_matter(values, shift: float, scale: float) -> None:
    """Values in another unit give the same correlations; each value lies in its interval."""
    if np.ptp(values) < 0.5:
        values = values.copy()
        values[0] += 1.0
    found = correlations(values)
    again = correlations(shift + scale * values)
    for form in FORMS:
        one, other = found[form], again[form]
        assert one.interval[0] <= one.value + 1e-9
        assert one.value <= one.interval[1] + 1e-9
        if form.endswith("1)"):
            assert other.value == pytest.approx(one.value, abs=1e-6)
            assert -1.0 / (values.shape[1] - 1) - 1e-9 <= one.value <= 1.0 + 1e-9 or form == "ICC(2,1)"


def test_a_shift_of_one_observer_lowers_agreement_and_not_consistency() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(20.0, 2.0, (20, 1)) + rng.normal(0.0, 0.3, (20, 3))
    before, after = correlations(values), correlations(values + np.array([0.0, 0.0, 2.0]))
    assert after["ICC(3,1)"].value == pytest.approx(before["ICC(3,1)"].value)
    assert after["ICC(2,1)"].value < before["ICC(2,1)"].value - 0.1


def test_values_that_are_all_the_same_are_refused() -> None:
    with pytest.raises(MeasureError, match="all are the same"):
        correlations(np.ones((4, 3)))


def test_subjects_that_do_not_differ_at_all_tell_nothing() -> None:
    """Two observers a constant apart on subjects that are all alike: no correlation, and an interval that says so."""
    found = correlations([[20.0, 20.5], [20.0, 20.5], [20.0, 20.5]])
    assert found["ICC(3,1)"].value == 0.0
    assert found["ICC(3,1)"].interval == (-1.0, 1.0)
    assert found["ICC(2,1)"].value == pytest.approx(0.0)


def test_the_interval_holds_what_the_observers_were_made_with() -> None:
    """300 studies of 30 subjects (SD 10) by 4 observers (SD 1 between them, 2 within): true ICC 100 / 105."""
    rng = np.random.default_rng(12)
    held, found = 0, []
    for _ in range(300):
        values = rng.normal(0.0, 10.0, (30, 1)) + rng.normal(0.0, 1.0, (1, 4)) + rng.normal(0.0, 2.0, (30, 4))
        one = correlations(values)["ICC(2,1)"]
        assert one.interval[0] < one.value < one.interval[1]
        found.append(one.value)
        held += one.interval[0] <= 100.0 / 105.0 <= one.interval[1]
    print(f"\nICC: mean {np.mean(found):.4f} of {100 / 105:.4f}, interval holds it in {held} of 300")
    assert np.mean(found) == pytest.approx(100.0 / 105.0, abs=0.01)
    assert 0.91 * 300 <= held <= 0.99 * 300


def test_two_subjects_put_the_other_way_round_tell_nothing() -> None:
    found = correlations([[1.0, 0.0], [0.0, 1.0]])["ICC(2,1)"]
    assert (found.value, found.interval) == (0.0, (-1.0, 1.0))


def test_perfect_and_shifted_observers() -> None:
    """Observers alike have an ICC of 1; one who reads 10 more lowers absolute agreement: 11 / (11 + 50) by hand."""
    subjects = np.arange(0.0, 11.0)
    alike = correlations(np.column_stack([subjects, subjects]))["ICC(2,1)"]
    assert (alike.value, *alike.interval) == pytest.approx((1.0, 1.0, 1.0))
    # Subjects' variance 11; two observers 10 apart have a variance of 50 between them.
    shifted = correlations(np.column_stack([subjects, subjects + 10.0]))["ICC(2,1)"]
    assert shifted.value == pytest.approx(11.0 / (11.0 + 50.0), rel=1e-9)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([1.0, 2.0], "table of two or more"),
        ([[1.0, 2.0]], "table of two or more"),
        ([[1.0], [2.0]], "table of two or more"),
        ([[1.0, 2.0], [np.nan, 1.0]], "subject 1, observer 0"),
        ([["a", "b"], ["c", "d"]], "must be numbers"),
    ],
)
def test_tables_that_are_none_are_refused(values: object, said: str) -> None:
    with pytest.raises(MeasureError, match=said):
        correlations(values)


def test_a_confidence_that_is_none_is_refused() -> None:
    with pytest.raises(MeasureError, match="confidence"):
        correlations(JUDGES, confidence=1.0)
