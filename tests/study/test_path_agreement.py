"""How two paths agree: hand geometry on lines and arcs, and ends scattered as they were made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.path_agreement import PLACES, ends_of, path_agreement, path_pair

SPACING = (0.02, 0.03)  # unequal: rows and columns


def _drawn(points_mm, observer="a", subject="s", repeat=1, spacing=SPACING) -> DrawnPath:
    return DrawnPath(subject, "f", "c", observer, repeat, np.asarray(points_mm, float) / spacing, spacing)


def _line(length: float, col: float = 3.0, start: float = 1.0) -> np.ndarray:
    return np.column_stack([start + np.linspace(0.0, length, 41), np.full(41, col)])


def test_a_line_beside_another_is_as_far_as_it_lies():
    """0.4 mm to the side, everywhere; neither longer."""
    pair = path_pair(_drawn(_line(20.0)), _drawn(_line(20.0, 3.4), "b"), np.array(SPACING))
    assert pair.distance_mm == pytest.approx(np.full(len(PLACES), 0.4))
    assert pair.longer_mm == pytest.approx(0.0)
    assert pair.parts_mm == pytest.approx((0.0, 0.0, 0.0, 0.0), abs=1e-9)


def test_what_makes_a_length_differ_is_told_apart():
    """End 0.7 mm longer, start 0.2 mm longer, scale 2 % larger: each part by hand."""
    one = _line(20.9, start=0.8)
    pair = path_pair(_drawn(one), _drawn(_line(20.0), "b"), np.array(SPACING))
    scale, start, end, course = pair.parts_mm
    assert (scale, start, end, course) == pytest.approx((0.0, 0.2, 0.7, 0.0), abs=1e-9)
    assert pair.longer_mm == pytest.approx(0.9)
    larger = tuple(1.02 * v for v in SPACING)
    other = DrawnPath("s", "f", "c", "a", 1, _line(20.0) / SPACING, larger)
    mean = 1.01 * np.array(SPACING)
    pair = path_pair(other, _drawn(_line(20.0), "b"), mean)
    assert pair.parts_mm == pytest.approx((0.4, 0.0, 0.0, 0.0), abs=1e-9)
    # A bow of the same ends: 10 mm chord, half circle, so longer by 5 pi - 10, all of it course.
    t = np.linspace(0.0, np.pi, 721)
    bow = np.column_stack([6.0 - 5.0 * np.cos(t), 3.0 + 5.0 * np.sin(t)])
    pair = path_pair(_drawn(bow), _drawn(_line(10.0), "b"), np.array(SPACING))
    assert pair.parts_mm == pytest.approx((0.0, 0.0, 0.0, 5.0 * np.pi - 10.0), abs=2e-3)


@given(st.lists(st.tuples(st.floats(-1, 1), st.floats(-1, 1)), min_size=4, max_size=4), st.floats(0.9, 1.1))
def test_the_parts_add_up_and_turn_with_the_order(bends, factor):
    """Whatever the paths: the four parts are the difference; the other way round they change their sign."""
    base = np.column_stack([np.linspace(1.0, 21.0, 60), np.full(60, 5.0)])
    paths = []
    for k in (0, 1):
        (a, b), (c, d) = bends[2 * k : 2 * k + 2]
        at = np.linspace(0.0, 1.0, 60)
        paths.append(base + np.column_stack([a * at + 0.3 * c, b * np.sin(3.0 * at) + d * at**2]))
    spacing = (SPACING[0] * factor, SPACING[1] * factor)
    first = DrawnPath("s", "f", "c", "a", 1, paths[0] / SPACING, spacing)
    second = _drawn(paths[1], "b")
    mean = 0.5 * (np.array(spacing) + SPACING)
    there, back = path_pair(first, second, mean), path_pair(second, first, mean)
    assert sum(there.parts_mm) == pytest.approx(there.longer_mm, abs=1e-9)
    assert there.parts_mm == pytest.approx([-v for v in back.parts_mm], abs=1e-9)
    assert there.distance_mm == pytest.approx(back.distance_mm)


def test_ends_along_and_across_whatever_way_the_canal_runs():
    """Canals turned by any angle: an end 0.5 mm longer and one 0.2 mm to the side are just that from their mean."""
    for angle in (0.0, 0.7, 2.0, -1.3):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        lines = [_line(20.0, 0.0), _line(20.5, 0.0)]
        lines[0][-1, 1] += 0.0
        moved = [line @ turn.T + 40.0 for line in lines]
        off = ends_of([_drawn(m) for m in moved], np.array(SPACING))
        assert off == pytest.approx(np.array([[-0.25, 0.0], [0.25, 0.0]]), abs=1e-9)


def test_the_ellipse_holds_95_of_100():
    """60 canals, 3 observers, ends scattered by 0.4 mm along and 0.15 mm across: SDs come back, new ends lie in it."""
    rng = np.random.default_rng(17)
    paths = []
    for k in range(60):
        for observer in "abc":
            length = 20.0 + rng.normal(0.0, 0.4)
            line = _line(length)
            line[:, 1] += rng.normal(0.0, 0.15)  # the whole path beside, so that its direction stays
            paths.append(_drawn(line, observer, f"s{k}"))
    found = path_agreement(paths)
    ellipse = found.ellipse
    assert ellipse.along_std_mm == pytest.approx(0.4, rel=0.12)
    assert ellipse.across_std_mm == pytest.approx(0.15, rel=0.12)
    assert abs(ellipse.turn_deg) < 8.0
    new = rng.normal(0.0, 1.0, (20_000, 2)) * (0.4, 0.15)
    long, short = ellipse.half_axes_mm
    inside = np.mean((new[:, 0] / long) ** 2 + (new[:, 1] / short) ** 2 <= 1.0)
    print(f"\nellipse {long:.3f} x {short:.3f} mm holds {100 * inside:.1f} % of new ends")
    assert 0.93 <= inside <= 0.97
    # Lengths differ by their ends alone.
    assert found.shares == pytest.approx((0.0, 0.0, 1.0, 0.0), abs=1e-6)


def test_one_observer_alone_has_no_agreement():
    assert path_agreement([_drawn(_line(20.0)), _drawn(_line(21.0), repeat=2)]) is None


def test_an_observers_second_path_against_the_first():
    """0.3 mm to the side the second time: 0.3 mm everywhere; the other observer drew the same line twice."""
    paths = [_drawn(_line(20.0)), _drawn(_line(20.0, 3.3), repeat=2)]
    paths += [_drawn(_line(20.0), "b"), _drawn(_line(20.0), "b", repeat=2)]
    found = path_agreement(paths)
    assert [name for name, *_ in found.own] == ["a", "b"]
    assert found.own[0][1:] == pytest.approx((1, 0.3, 0.3))
    assert found.own[1][1:] == pytest.approx((1, 0.0, 0.0), abs=1e-9)
