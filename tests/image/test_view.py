"""A film turned for the eye: pixels and points go the same way, back again, and the words say what was done."""

import numpy as np
import pytest

from wlmeasure.errors import CaseError, ImageError
from wlmeasure.image.view import View, from_view, to_view, upright_turns, view_words, viewed
from wlmeasure.record.case import case_from_json

VIEWS = [View(turns, mirrored) for turns in range(4) for mirrored in (False, True)]
SHAPE = (5, 8)
PICTURE = np.arange(40, dtype=np.uint8).reshape(SHAPE)


@pytest.mark.parametrize("view", VIEWS)
def test_points_go_where_their_pixels_go(view):
    """Every pixel of an uneven picture, by its own value."""
    shown = viewed(PICTURE, view)
    points = np.argwhere(PICTURE >= 0)
    there = to_view(points, SHAPE, view)
    np.testing.assert_array_equal(shown[tuple(np.rint(there).astype(int).T)], PICTURE[tuple(points.T)])
    np.testing.assert_allclose(from_view(there, SHAPE, view), points, atol=1e-12)
    assert shown.shape == (SHAPE if view.quarter_turns % 2 == 0 else SHAPE[::-1])


def test_a_quarter_turn_is_clockwise_and_mirroring_swaps_left_and_right():
    """By hand, 5 x 8: turned, the top-left pixel is at the top right; mirrored, the top-right one is at the top left."""
    np.testing.assert_allclose(to_view([(0.0, 0.0)], SHAPE, View(1)), [(0.0, 4.0)])
    np.testing.assert_allclose(to_view([(0.0, 7.0)], SHAPE, View(0, True)), [(0.0, 0.0)])
    np.testing.assert_allclose(to_view([(1.5, 2.0)], SHAPE, View(2)), [(2.5, 5.0)])


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (View(), ""),
        (View(1), "turned 90° clockwise"),
        (View(2), "turned by 180°"),
        (View(3), "turned 90° counterclockwise"),
        (View(0, True), "mirrored"),
        (View(3, True), "turned 90° counterclockwise, mirrored"),
    ],
)
def test_the_words_name_what_was_done(view, words):
    assert view_words(view) == words


@pytest.mark.parametrize("upper", [False, True])
@pytest.mark.parametrize("turns", range(4))
def test_upright_sets_the_root_up_or_down(turns, upper):
    """A root that points straight or 30 degrees off: after the turn it points up for an upper tooth, down for a lower one."""
    shape = (400, 300)
    for lean in (-80.0, 0.0, 80.0):
        crown, apex = (250.0, 150.0), (250.0 - 140.0, 150.0 + lean)
        lain = to_view([crown, apex], shape, View(turns))
        lain_shape = shape if turns % 2 == 0 else shape[::-1]
        found = upright_turns(tuple(lain[0]), tuple(lain[1]), upper=upper)
        crown_row, apex_row = to_view(lain, lain_shape, View(found))[:, 0]
        assert bool(apex_row < crown_row) is upper
        assert abs(apex_row - crown_row) == pytest.approx(140.0)


def test_one_point_is_no_direction():
    with pytest.raises(ImageError, match="two points of the film"):
        upright_turns((3.0, 4.0), (3.0, 4.0), upper=True)
    with pytest.raises(ImageError, match="quarter_turns must be 0, 1, 2 or 3: 4"):
        View(4)


def case_of(view):
    film = {"id": "f1", "path": "a.png", "sha256": "0" * 64, "rows": 5, "cols": 8}
    if view is not None:
        film["view"] = view
    return {"schema": "wlmeasure-case/2", "tooth": "46", "films": [film], "canals": []}


@pytest.mark.parametrize(
    ("view", "expected"),
    [(None, None), ({"quarter_turns": 3, "mirrored": True}, View(3, True)), ({"mirrored": True}, View(0, True))],
)
def test_the_case_remembers_the_view(view, expected):
    film = case_from_json(case_of(view)).films[0]
    assert (None if film.view is None else film.view.view) == expected


@pytest.mark.parametrize("view", [{"quarter_turns": 4}, {"quarter_turns": -1}, {"mirrored": "yes"}])
def test_a_view_that_is_none_is_refused(view):
    with pytest.raises(CaseError, match=r"films\[0\]\.view"):
        case_from_json(case_of(view))
