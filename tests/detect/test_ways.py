"""Points and lines on maps drawn by hand."""

import numpy as np
import pytest

from wlmeasure.detect.ways import MOST_STRANDS, Lines, Way, peaks

ROWS, COLS = np.mgrid[:160, :140].astype(np.float64)


def bell(at, height=1.0, sd=2.2):
    return (height * np.exp(-0.5 * ((ROWS - at[0]) ** 2 + (COLS - at[1]) ** 2) / sd**2)).astype(np.float32)


def line(first, last, sd=1.5):
    first, last = np.array(first, float), np.array(last, float)
    along = (last - first) / np.hypot(*(last - first))
    away = np.stack([ROWS - first[0], COLS - first[1]], axis=-1)
    on = np.clip(away @ along, 0.0, np.hypot(*(last - first)))
    gap = np.hypot(*np.moveaxis(away - on[..., None] * along, -1, 0))
    return np.exp(-0.5 * (gap / sd) ** 2).astype(np.float32)


def test_peaks_lie_where_the_bells_do():
    share = np.maximum(bell((40.3, 50.8)), bell((100.0, 20.4), 0.6))
    found = peaks(share, 0.15)
    assert [p.share for p in found] == sorted((p.share for p in found), reverse=True)
    np.testing.assert_allclose([p.at for p in found], [[40.3, 50.8], [100.0, 20.4]], atol=0.02)


def test_faint_peaks_and_doubles_are_none():
    assert peaks(bell((40, 50), 0.1), 0.15) == []
    assert len(peaks(np.maximum(bell((40, 50)), bell((42, 51), 0.9)), 0.15)) == 1


def test_the_surest_points_and_the_longest_lines_are_kept():
    share = np.maximum.reduce([bell((20 + 20 * k, 30), 0.5 + 0.08 * k) for k in range(6)])
    assert [round(p.at[0]) for p in peaks(share, 0.15, most=2)] == [120, 100]
    starts = [
        (r, c) for r in range(5, 150, 12) for c in (5, 50, 95)
    ]  # short lines, more than are taken up, and a long one
    many = np.maximum.reduce(
        [line((r, c), (r, c + 20), sd=0.7) for r, c in starts] + [line((155, 5), (155, 130), sd=0.7)]
    )
    lines = Lines(many, (160, 140), least=0.35)
    assert len(starts) > MOST_STRANDS
    assert len(lines.strands) == MOST_STRANDS
    assert lines.strands[0].holds(np.array([155.0, 70.0])) is not None


def test_a_line_is_followed_from_end_to_end():
    lines = Lines(line((20, 30), (120, 90)), (160, 140), least=0.35)
    (strand,) = lines.strands
    start, end = strand.holds(np.array([20.0, 30.0])), strand.holds(np.array([120.0, 90.0]))
    (way,) = strand.ways(start, [end])
    across = np.abs((way.points - (20, 30)) @ np.array([-60.0, 100.0]) / np.hypot(100, 60))
    assert across.max() < 1.0
    assert way.length == pytest.approx(np.hypot(100, 60), rel=0.02)
    assert way.seen > 0.9
    assert way.sharpest < 0.15


def test_ways_are_between_what_hangs_together():
    share = np.maximum(line((20, 20), (20, 100)), line((90, 20), (90, 100)))
    lines = Lines(share, (160, 140), least=0.35)
    assert len(lines.strands) == 2
    assert lines.strands[0].holds(np.array([90.0, 50.0])) is None


def test_a_short_gap_is_bridged_and_costs():
    share = np.maximum(line((20, 20), (20, 60)), line((20, 68), (20, 110)))
    (strand,) = Lines(share, (160, 140), least=0.35).strands
    (way,) = strand.ways(strand.holds(np.array([20.0, 20.0])), [strand.holds(np.array([20.0, 110.0]))])
    assert way.weakest < 0.8 < way.seen


def test_where_a_line_leaves_the_picture():
    lines = Lines(line((-20, 40), (100, 70)), (160, 140), least=0.35)
    (point,) = lines.border_cells(lines.strands[0], 0.35)
    assert point[0] < 2
    assert point[1] == pytest.approx(45.0, abs=1.5)


def test_turn_and_trim_by_hand():
    """A right angle is seen as pi / 2; what is below a half goes, and of what ends on the way the reach of a bell."""
    leg = np.arange(60.0)
    corner = np.vstack([np.column_stack([leg, np.zeros(60)]), np.column_stack([np.full(60, 59.0), leg])])
    way = Way(corner, np.r_[np.full(20, 0.2), np.full(100, 0.9)])
    assert way.sharpest == pytest.approx(np.pi / 2, abs=0.01)
    assert way.turning == pytest.approx(np.pi / 2, abs=0.01)
    assert way.faintest == 0.2
    trimmed = way.trimmed(0.5, 2.0)
    assert len(trimmed.points) == 98
    np.testing.assert_array_equal(trimmed.points[0], [22.0, 0.0])
    np.testing.assert_array_equal(trimmed.points[-1], corner[-1])
