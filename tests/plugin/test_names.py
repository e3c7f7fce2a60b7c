"""Where the names on a film stand: laws of the placing, on boxes with whole-number edges. No window, no Qt."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from wlmeasure_napari._names import apical_boxes, place_names

ROOM = (0, 0, 24, 40)
EVEN = st.sampled_from([2, 4, 6, 8])
SIZES = st.lists(st.tuples(EVEN, st.sampled_from([4, 8, 12, 16])), min_size=1, max_size=6)
PLACES = st.tuples(st.integers(0, 24), st.integers(0, 40))


@st.composite
def taken_boxes(draw):
    boxes = []
    for _ in range(draw(st.integers(0, 5))):
        row, col = draw(PLACES)
        boxes.append((row, col, row + draw(st.integers(1, 9)), col + draw(st.integers(1, 9))))
    return boxes


def about(middle, size):
    """Edges of the name there."""
    return (middle[0] - size[0] / 2, middle[1] - size[1] / 2, middle[0] + size[0] / 2, middle[1] + size[1] / 2)


def covers(one, other):
    """Whether two boxes have more than an edge in common."""
    gaps = (min(one[2], other[2]) - max(one[0], other[0]), min(one[3], other[3]) - max(one[1], other[1]))
    return min(gaps) > 1e-6


@settings(max_examples=60, deadline=None)
@given(SIZES, st.data(), taken_boxes())
def test_no_name_covers_another_or_an_end_where_there_is_room(sizes, data, taken):
    """Every whole-number place of the room is tried: where one is free the name covers nothing, and it lies in the room."""
    at = data.draw(st.lists(PLACES, min_size=len(sizes), max_size=len(sizes)))
    middles = place_names(sizes, at, taken, ROOM)
    before = list(taken)
    for size, middle in zip(sizes, middles, strict=True):
        rows = np.arange(ROOM[0] + size[0] / 2, ROOM[2] - size[0] / 2 + 1)
        cols = np.arange(ROOM[1] + size[1] / 2, ROOM[3] - size[1] / 2 + 1)
        places = [about((row, col), size) for row in rows for col in cols]
        own = about(middle, size)
        if any(not any(covers(place, box) for box in before) for place in places):
            assert not any(covers(own, box) for box in before)
        assert ROOM[0] <= own[0] + 1e-6
        assert ROOM[1] <= own[1] + 1e-6
        assert own[2] <= ROOM[2] + 1e-6
        assert own[3] <= ROOM[3] + 1e-6
        before.append(own)


def test_two_names_of_one_place_stand_beside_each_other_and_near_it():
    one, other = place_names([(2.0, 8.0)] * 2, [(12.0, 20.0)] * 2, [], ROOM)
    assert not covers(about(one, (2.0, 8.0)), about(other, (2.0, 8.0)))
    assert np.hypot(*np.subtract(one, other)) < 12.0


@given(st.floats(0.5, 6.0), st.floats(0.1, 1.0))
def test_the_last_stretch_lies_in_its_boxes_with_room_about_it(reach, beside):
    """A line of 8 along a bow of radius 5, its stretch found by angle: every point of it and `beside` about it is covered."""
    turn = np.linspace(0.0, 8.0 / 5.0, 161)
    line = 5.0 * np.column_stack([np.sin(turn), np.cos(turn)])
    boxes = apical_boxes(line, reach, beside)
    assert len(boxes) >= 1
    for angle in np.linspace((8.0 - 0.999 * reach) / 5.0, 8.0 / 5.0, 25):
        point = 5.0 * np.array([np.sin(angle), np.cos(angle)])
        assert any(box[0] < point[0] < box[2] and box[1] < point[1] < box[3] for box in boxes)
    far = 5.0 * np.array([np.sin((8.0 - reach) / 5.0 - 0.5), np.cos((8.0 - reach) / 5.0 - 0.5)])
    if reach < 5.0:
        assert not any(box[0] < far[0] < box[2] and box[1] < far[1] < box[3] for box in boxes if beside < 0.3)


def test_in_a_room_that_is_full_a_name_stands_all_the_same():
    middles = place_names([(20.0, 39.0)] * 3, [(12.0, 20.0)] * 3, [], ROOM)
    assert [len(middle) for middle in middles] == [2, 2, 2]
