"""Smooth ways between points of maps drawn by hand."""

import numpy as np
import pytest

from tests.detect.drawn import Canvas
from wlmeasure.detect.channels import Channel
from wlmeasure.detect.smooth import AT_ONCE, smooth_ways


def drawn(*lines):
    canvas = Canvas()
    for first, last, height in lines:
        canvas.line(Channel.CANAL, first, last, height=height)
    return canvas.shares[Channel.CANAL]


def aside(way, first, last):
    """Largest distance of a way's middle three fifths from a straight line, pixels."""
    first, last = np.array(first, float), np.array(last, float)
    along = (last - first) / np.hypot(*(last - first))
    away = way.points[len(way.points) // 5 : -len(way.points) // 5] - first
    return float(np.abs(away[:, 0] * along[1] - away[:, 1] * along[0]).max())


def test_a_straight_line_is_followed_between_its_ends_whichever_way_it_runs():
    for first, last in (((30.0, 40.0), (250.0, 200.0)), ((250.0, 60.0), (40.0, 70.0)), ((100.0, 220.0), (104.0, 30.0))):
        (way,) = smooth_ways(drawn((first, last, 1.0)), np.array([first]), np.array([last]))
        np.testing.assert_allclose(way.points[[0, -1]], [first, last])
        assert aside(way, first, last) < 0.5
        assert way.length == pytest.approx(np.hypot(*np.subtract(last, first)), rel=0.01)
        assert way.seen > 0.95
        assert np.hypot(*np.diff(way.points, axis=0).T).max() < 1.1


def test_a_bend_is_followed():
    """A right angle's half, rounded off by no more than three pixels."""
    share = np.maximum(drawn(((40.0, 80.0), (160.0, 80.0), 1.0)), drawn(((160.0, 80.0), (250.0, 170.0), 1.0)))
    (way,) = smooth_ways(share, np.array([[40.0, 80.0]]), np.array([[250.0, 170.0]]))
    assert np.hypot(*(way.points - (160.0, 80.0)).T).min() < 3.0
    assert way.seen > 0.9


def test_where_lines_cross_a_fainter_one_goes_straight_on():
    one, other = ((60.0, 60.0), (260.0, 200.0)), ((60.0, 200.0), (260.0, 60.0))
    share = drawn((*one, 1.0), (*other, 0.5))
    ways = smooth_ways(share, np.array([one[0], other[0]]), np.array([one[1], other[1]]))
    assert [aside(w, *ends) < 1.0 for w, ends in zip(ways, (one, other), strict=True)] == [True, True]


def test_along_a_brighter_line_beside_it_a_way_of_its_own_is_found_when_the_other_is_somebody_elses():
    """Two lines from one end, seven pixels apart, the one seen half as well."""
    share = drawn(((60.0, 120.0), (250.0, 120.0), 1.0), ((60.0, 127.0), (250.0, 127.0), 0.5))
    starts, ends = np.array([[60.0, 123.0]]), np.array([[250.0, 123.0]])
    (first,) = smooth_ways(share, starts, ends)
    assert aside(first, (60.0, 120.0), (250.0, 120.0)) < 1.5
    (second,) = smooth_ways(share, starts, ends, others=[[first]])
    assert aside(second, (60.0, 127.0), (250.0, 127.0)) < 1.5
    assert second.seen == pytest.approx(0.5, abs=0.1)  # the map itself, nothing taken off


def test_many_pairs_are_each_what_they_are_alone():
    rng = np.random.default_rng(4)
    share = rng.random((320, 256), dtype=np.float32)
    starts = rng.uniform((10, 10), (100, 240), (AT_ONCE + 5, 2))
    ends = rng.uniform((180, 10), (310, 240), (AT_ONCE + 5, 2))
    together = smooth_ways(share, starts, ends)
    assert len(together) == AT_ONCE + 5
    for k in (0, AT_ONCE - 1, AT_ONCE + 4):
        (alone,) = smooth_ways(share, starts[k : k + 1], ends[k : k + 1])
        np.testing.assert_array_equal(alone.points, together[k].points)
    assert smooth_ways(share, starts[:0], ends[:0]) == []
