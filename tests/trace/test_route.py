"""Which way a line runs, and how sure that is: on lines drawn here, whose place is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import LineString, distance, points

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.centreline import stored_trace, trace_line
from wlmeasure.trace.route import best_route, rough_curves, standing
from wlmeasure.trace.spline import arc_length, resample

Float64 = NDArray[np.float64]
PITCH = (0.05, 0.04)
SHAPE = (300, 250)


def hook() -> Float64:
    """7 mm straight, then 60 degrees at a radius of 3 mm: (400, 2) points in pixels."""
    along = np.linspace(0.0, 7.0 + np.pi, 400)
    turn = np.clip(along - 7.0, 0.0, None) / 3.0
    return (
        np.column_stack([2.0 + np.minimum(along, 7.0) + 3.0 * np.sin(turn), 4.0 + 3.0 * (1.0 - np.cos(turn))]) / PITCH
    )


def drawn(line_px: Float64, depth: tuple[float, float], noise: float, *, side: float = 0.0) -> Radiograph:
    """A line of Gaussian section (0.1 mm) whose depth goes from one value to the other; `side` mm beside it a dark edge."""
    rows, cols = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(np.float64)
    line = resample(line_px * PITCH, 300)
    pixels = np.column_stack([rows.ravel(), cols.ravel()]) * PITCH
    gap = np.hypot(*np.moveaxis(pixels[:, None, :] - line[None, ::4], 2, 0))
    away, where = gap.min(axis=1).reshape(SHAPE), gap.argmin(axis=1).reshape(SHAPE) / 74.0
    values = 20_000.0 - (depth[0] + (depth[1] - depth[0]) * where) * np.exp(-0.5 * (away / 0.1) ** 2)
    if side:
        # As a root's outline: dentine inside, a dark gap, bone outside.
        values -= 6000.0 / (1.0 + np.exp(-(away - side) / 0.05)) + 4000.0 * np.exp(-0.5 * ((away - side) / 0.1) ** 2)
    values += np.random.default_rng(5).normal(0.0, noise, SHAPE)
    return Radiograph.from_array(values.astype(np.uint16))


def off_mm(path_px: Float64, line_px: Float64) -> Float64:
    return np.asarray(distance(points(path_px * PITCH), LineString(line_px * PITCH)))


@pytest.mark.parametrize("middle", [False, True])
def test_a_fading_line_is_followed_round_its_bend(middle: bool) -> None:
    """It fades to 0.6 of a pixel's noise, with an outline ten times as dark beside it; the blind curve is far off."""
    line = hook()
    film = drawn(line, (1500.0, 500.0), 900.0, side=1.4)
    clicks = line[[0, 170, 399]] if middle else line[[0, 399]]
    assert off_mm(rough_curves(clicks * PITCH)[0] / PITCH, line).max() > (0.2 if middle else 0.6)
    traced = trace_line(film, clicks, "canal", PITCH)
    assert off_mm(traced.path_px, line).max() < 0.15
    assert traced.doubt is not None
    assert traced.doubt < 0.05


def test_curves_before_the_film_is_seen_pass_the_clicks() -> None:
    clicks = np.array([[0.0, 0.0], [4.0, 1.0], [9.0, 0.5], [12.0, 2.0]])
    for count in (2, 3, 4):
        for curve in rough_curves(clicks[:count]):
            assert curve[[0, -1]] == pytest.approx(clicks[[0, count - 1]])
            assert distance(points(clicks[:count]), LineString(curve)).max() < 0.2


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_the_same_way_from_either_end_and_in_the_mirror(seed: int, mirror: bool) -> None:
    """The score is that of the same polylines read the other way, or in the mirror, and the way within a cell."""
    rng = np.random.default_rng(seed)
    ends = np.array([[30.0, 90.0 + rng.uniform(-20, 20)], [270.0, 120.0 + rng.uniform(-30, 30)]])
    bend = ends.mean(axis=0)
    bend[1] += rng.uniform(-15, 15)
    line = resample(np.vstack([ends[0], bend, ends[1]]), 400)
    density = drawn(line, (1500.0, 700.0), 600.0).density()
    there = best_route(density, ends, [], PITCH)
    if mirror:
        other = best_route(density[:, ::-1], (ends - [0.0, SHAPE[1] - 1.0]) * [1.0, -1.0], [], PITCH)
        back = (other.path_mm / PITCH) * [1.0, -1.0] + [0.0, SHAPE[1] - 1.0]
    else:
        other = best_route(density, ends[::-1], [], PITCH)
        back = (other.path_mm / PITCH)[::-1]
    assert other.score == pytest.approx(there.score, rel=0.05, abs=0.5)
    assert off_mm(there.path_mm / PITCH, back).max() < 0.11


def test_the_unit_of_the_grey_values_does_not_matter() -> None:
    line = hook()
    density = drawn(line, (1500.0, 500.0), 500.0).density().astype(np.float64)
    ways = [best_route(scale * density + 7.0, line[[0, 399]], [], PITCH) for scale in (1.0, 0.01)]
    assert ways[0].score == pytest.approx(ways[1].score, rel=1e-2)
    assert off_mm(ways[0].path_mm / PITCH, ways[1].path_mm / PITCH).max() < 0.06


@pytest.mark.parametrize("sign", [1, -1])
def test_a_path_beside_its_line_is_doubted(sign: int) -> None:
    """On the line no doubt; 0.4 mm beside it in the middle, much; the other sign sees nothing; either sign sees it."""
    line = hook()
    density = drawn(line, (2000.0, 1500.0), 400.0).density().astype(np.float32) * np.float32(sign)
    share = np.linspace(0.0, 1.0, len(line))
    beside = line + np.outer(np.sin(np.pi * share) * 0.4, [0.0, 1.0]) / PITCH
    ends = line[[0, -1]]
    on, aside = (standing(density, path, ends, PITCH, (sign,)) for path in (line, beside))
    assert on.doubt < 0.01
    assert on.seen > 1.5
    assert on.margin > 2.0
    assert aside.doubt > 0.5
    assert aside.margin < 0.0
    assert standing(density, line, ends, PITCH, (-sign,)).doubt > 0.5
    assert standing(density, line, ends, PITCH, (1, -1)).doubt < 0.05


def test_nothing_but_noise_is_doubted() -> None:
    found = 0
    for seed in range(8):
        noise = np.random.default_rng(seed).normal(2000.0, 100.0, SHAPE).astype(np.uint16)
        trace = trace_line(Radiograph.from_array(noise), [[30.0, 90.0], [260.0, 140.0]], "canal", PITCH)
        assert trace.doubt is not None
        found += trace.doubt > 0.05
    assert found == 8


def test_a_stored_path_is_judged_as_it_was_traced() -> None:
    line = hook()
    film = drawn(line, (1500.0, 500.0), 700.0)
    clicks = line[[0, 200, 399]]
    traced = trace_line(film, clicks, "canal", PITCH)
    again = stored_trace(film, traced.path_px, clicks, "canal", PITCH, tracer=traced.tracer)
    assert again.doubt == traced.doubt
    bent = traced.path_px + np.outer(np.sin(np.pi * np.linspace(0, 1, len(traced.path_px))), [0.0, 10.0])
    aside = stored_trace(film, bent, clicks, "canal", PITCH, tracer=traced.tracer)
    assert traced.doubt is not None
    assert aside.doubt is not None
    assert traced.doubt < 0.05 < aside.doubt


def test_no_way_leaves_the_film() -> None:
    """Clicks along the border: beyond it there is nothing to follow."""
    noise = np.random.default_rng(1).normal(2000.0, 100.0, SHAPE).astype(np.uint16)
    clicks = np.array([[20.0, 1.0], [280.0, 1.0]])
    path = best_route(noise, clicks, [], PITCH).path_mm / PITCH
    assert path[:, 1].min() > -4.0
    assert arc_length(path * PITCH)[-1] < 16.0
