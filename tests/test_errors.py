"""The error tree: everything raised on purpose is a ValueError with one line, and the two guards say what is wrong."""

import inspect
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure import errors
from wlmeasure.errors import StaleCaseError, WlmeasureError, check_finite, check_positive

TREE = {
    "WlmeasureError": "ValueError",
    "ImageError": "WlmeasureError",
    "FrameError": "ImageError",
    "CalibrationError": "WlmeasureError",
    "TraceError": "WlmeasureError",
    "DetectError": "WlmeasureError",
    "MeasureError": "WlmeasureError",
    "TradeError": "WlmeasureError",
    "AmbiguousToothError": "TradeError",
    "PhantomError": "WlmeasureError",
    "DecideError": "WlmeasureError",
    "CaseError": "WlmeasureError",
    "StaleCaseError": "CaseError",
    "QuestionError": "CaseError",
    "ShareError": "WlmeasureError",
    "PacsError": "ShareError",
    "PacsLostError": "PacsError",
    "PacsRefusedError": "PacsError",
    "NotWrittenError": "WlmeasureError",
    "StudyError": "WlmeasureError",
    "LearnError": "WlmeasureError",
    "ArchiveError": "WlmeasureError",
    "ArchiveConflictError": "ArchiveError",
}


def test_the_tree_is_the_one_drawn_at_the_head_of_the_module():
    found = {
        name: cls.__base__.__name__
        for name, cls in inspect.getmembers(errors, inspect.isclass)
        if issubclass(cls, Exception)
    }
    assert found == TREE
    for name in TREE:
        assert name in errors.__doc__
    assert sorted(errors.__all__) == sorted([*TREE, "check_finite", "check_positive", "fault_words", "one_line"])


def test_a_caller_needs_only_valueerror():
    with pytest.raises(ValueError, match="stale"):
        raise StaleCaseError("stale")


@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**15), 10**15))
def test_a_finite_number_is_returned_as_a_float(value):
    assert check_finite(WlmeasureError, "x", value) == float(value)
    assert isinstance(check_finite(WlmeasureError, "x", value), float)


@pytest.mark.parametrize("value", [np.float32(1.5), np.int64(3), np.array(2.0)])
def test_numpy_scalars_are_numbers(value):
    assert check_positive(WlmeasureError, "x", value) == float(value)


@pytest.mark.parametrize("value", ["5", b"5", True, None, [1.0], {}])
def test_what_is_no_number_is_refused(value):
    with pytest.raises(WlmeasureError, match="length_mm must be a number: "):
        check_finite(WlmeasureError, "length_mm", value)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_refused(value):
    for check in (check_finite, check_positive):
        with pytest.raises(WlmeasureError, match="length_mm must be a finite number: "):
            check(WlmeasureError, "length_mm", value)


@pytest.mark.parametrize("value", [0, 0.0, -0.0, -1.5])
def test_what_is_not_positive_is_refused(value):
    with pytest.raises(StaleCaseError, match="length_mm must be > 0: "):
        check_positive(StaleCaseError, "length_mm", value)
