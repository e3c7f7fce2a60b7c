"""The kinds of members: each refuses by its full name what it is not, and passes a clean value unchanged."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError
from wlmeasure.record.members import Choice, Each, Kind, Number, Pair, Pairs, Text, Truth, Whole


@pytest.mark.parametrize(
    ("kind", "value", "message"),
    [
        (Text(longest=3), 5, "films.x must be a text: 5"),
        (Text(longest=3), "", "films.x must have 1 to 3 characters: 0"),
        (Text(longest=3), "abcd", "films.x must have 1 to 3 characters: 4"),
        (Text(pattern="[0-9]+"), "a1", r"films.x must have the form \[0-9\]\+: 'a1'"),
        (Choice(("a", "b")), "c", "films.x must be one of a, b: 'c'"),
        (Choice(("a", "b")), ["a"], "films.x must be one of a, b"),
        (Number(), "5", "films.x must be a number: '5'"),
        (Number(), True, "films.x must be a number: True"),
        (Number(), None, "films.x must be a number: None"),
        (Number(), math.nan, "films.x must be a finite number: nan"),
        (Number(), math.inf, "films.x must be a finite number: inf"),
        (Number(), 10**400, r"films.x must be a finite number: 10+\.\.\."),
        (Number(least=1.0), 0.5, "films.x must be >= 1: 0.5"),
        (Number(most=1.0), 1.5, "films.x must be <= 1: 1.5"),
        (Number(above=0.0), 0.0, "films.x must be > 0: 0"),
        (Whole(1, 9), 1.5, "films.x must be a whole number: 1.5"),
        (Whole(1, 9), math.inf, "films.x must be a whole number: inf"),
        (Whole(0, 9), True, "films.x must be a whole number: True"),
        (Whole(1, 9), 10, "films.x must be 1 to 9: 10"),
        (Truth(), 1, "films.x must be true or false: 1"),
        (Truth(), "true", "films.x must be true or false: 'true'"),
        (Pair(), [1], r"films.x must be a pair of numbers \(row, col\): \[1\]"),
        (Pair(), [1, "2"], r"films.x\[1\] must be a number: '2'"),
        (Pairs(least=2), [[1, 2]], "films.x must hold 2 to 100000 points: 1; place more points"),
        (Pairs(least=2), [[1, 2], [3, math.nan]], r"films.x\[1\]\[1\] must be a finite number: nan"),
        (Pairs(least=2, most=2), [[1, 2]] * 3, "films.x must hold 2 to 2 points: 3"),
        (Pairs(), "ab", r"films.x must be a list of points \(row, col\): 'ab'"),
        (Each(Number(), most=1), [1, 2], "films.x must hold 0 to 1 items: 2"),
        (Each(Number()), {"a": 1}, "films.x must be a list"),
        (Each(Number()), [1, "b"], r"films.x\[1\] must be a number: 'b'"),
    ],
)
def test_what_is_not_of_the_kind_is_refused_by_name(kind: Kind, value, message):
    with pytest.raises(CaseError, match=message) as caught:
        kind.read(value, "films.x")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 160


@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**53), 2**53))
def test_a_finite_number_is_kept(value):
    assert Number().read(value, "x") == value


@given(st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=2, max_size=9))
def test_points_pass_unchanged_and_arrays_become_points(points):
    kind = Pairs()
    clean = kind.read([list(point) for point in points], "x")
    assert clean == tuple(points)
    assert kind.read(clean, "x") == clean
    assert kind.read(np.array(points), "x") == clean
    assert kind.read(kind.write(clean), "x") == clean


def test_json_does_not_tell_15_from_15_0():
    assert Whole(6, 140).read(15.0, "x") == 15
    assert isinstance(Whole(6, 140).read(15.0, "x"), int)
