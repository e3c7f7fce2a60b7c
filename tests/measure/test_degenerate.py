"""Paths that are none of a canal: a clean result or one clear refusal; a warning (an error here), NaN or crash never."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest
from attrs import fields
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wlmeasure.calibration import calibrate_spacing
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.measure.batch import fit_many
from wlmeasure.measure.curvature import CurvatureEstimate, estrela_radius_mm, fit_canal, measure_curvature
from wlmeasure.measure.length import measure_length
from wlmeasure.measure.line_arc import Noise
from wlmeasure.record.case import case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.trace.centreline import given_path

Float64 = NDArray[np.float64]
T = TypeVar("T")
SAMPLES = Path(__file__).parents[2] / "sample_images"
LINE = np.column_stack([np.linspace(20.0, 30.0, 40), np.full(40, 15.0)])
INFINITE = {"pruett_radius_interval_mm", "pruett_radius_secondary_interval_mm", "estrela_radius_interval_mm",
            "min_radius_interval_mm"}  # fmt: skip


def back(path: Float64, points: int) -> Float64:
    """A path that turns at its end and goes back over so many of its points."""
    return np.vstack([path, path[::-1][1 : points + 1]])


NAMED = {
    "there and back, the last step left out": back(LINE, 38),
    "half way back": back(LINE, 20),
    "there and back by three points": np.array([[20.0, 15.0], [25.0, 15.0], [20.5, 15.0]]),
    "each point twice": np.repeat(LINE, 2, axis=0),
    "two places again and again": np.array([[20.0, 15.0], [21.0, 15.0], [20.0, 15.0], [21.0, 15.0], [20.5, 15.1]]),
    "a zigzag of 0.2 mm": np.array([[20.0, 15.0], [20.1, 15.05], [20.05, 15.0], [20.15, 15.05], [20.2, 15.0]]),
    "a V": np.array([[20.0, 15.0], [23.0, 15.0], [20.0, 16.0]]),
    "0.3 mm": 15.0 + (LINE - 15.0) * 0.03,
    "a micrometre": 15.0 + (LINE - 15.0) * 1e-4,
    "two circles": 20.0 + np.column_stack([np.cos(np.linspace(0.0, 12.0, 80)), np.sin(np.linspace(0.0, 12.0, 80))]),
}


@st.composite
def odd_paths(draw: st.DrawFn) -> Float64:
    """Clouds, few places of a grid, lines that go back, repeats and zigzags, from a micrometre to centimetres."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count, size = draw(st.integers(3, 40)), 10.0 ** draw(st.floats(-4.0, 1.0))
    kind = draw(st.sampled_from(["cloud", "grid", "back", "repeats", "zigzag"]))
    if kind == "cloud":
        path = rng.normal(0.0, 1.0, (count, 2))
    elif kind == "grid":
        path = rng.integers(0, 3, (count, 2)).astype(float)
    elif kind == "back":
        path = back(np.column_stack([np.linspace(0.0, 1.0, count), np.zeros(count)]), draw(st.integers(1, count)))
    elif kind == "repeats":
        path = np.repeat(rng.normal(0.0, 1.0, (max(count // 3, 2), 2)), 3, axis=0)
    else:
        path = np.column_stack([np.linspace(0.0, 3.0, count), rng.normal(0.0, draw(st.floats(0.001, 1.0)), count)])
    return 20.0 + size * path


noises = st.sampled_from([Noise(), Noise(0.02), Noise(0.01, 1.5)])


def clean(found: CurvatureEstimate) -> bool:
    """Whether every number is one, intervals of a radius apart, whose end may be infinite."""
    for name in (a.name for a in fields(CurvatureEstimate)):
        value = getattr(found, name)
        if isinstance(value, float) and not np.isfinite(value):
            return False
        if isinstance(value, tuple) and name in INFINITE and any(np.isnan(v) for v in value):
            return False
    profile, model = found.profile, found.model
    arrays = (profile.at_mm, profile.per_mm, profile.std_per_mm, model.start, model.breaks_mm, model.covariance)
    return all(bool(np.isfinite(one).all()) for one in arrays) and model.length_mm > 0.0


def or_refusal(measure: Callable[[], T]) -> T | None:
    """What is measured, or None where it is refused: a field and what is wrong with it, in one line."""
    words, found = "must", None
    try:
        found = measure()
    except WlmeasureError as error:
        words = str(error)
    assert "must" in words
    assert "\n" not in words
    assert not any(w in words for w in ("nan ", "division", "domain"))
    return found


def curvature_or_refusal(path: Float64, noise: Noise) -> CurvatureEstimate | None:
    found = or_refusal(lambda: measure_curvature(path, noise=noise, end_std_mm=0.03, scale_rel_std=0.01))
    assert found is None or clean(found)
    return found


@pytest.mark.parametrize("noise", [Noise(), Noise(0.01, 1.5)])
@pytest.mark.parametrize("name", NAMED)
def test_a_path_that_is_none(name: str, noise: Noise) -> None:
    found = curvature_or_refusal(NAMED[name], noise)
    # What runs forward is measured, however short; what comes back is refused.
    forward = name in ("each point twice", "a zigzag of 0.2 mm", "0.3 mm", "a micrometre", "half way back")
    assert (found is not None) == forward or name in ("two places again and again", "a V")


@settings(max_examples=60, deadline=None)
@given(odd_paths(), noises)
def test_curvature_is_clean_or_refused(path: Float64, noise: Noise) -> None:
    curvature_or_refusal(path, noise)


@settings(max_examples=40, deadline=None)
@given(st.lists(odd_paths(), min_size=1, max_size=4), noises, st.booleans())
def test_many_fits_are_numbers_or_refused(paths: list[Float64], noise: Noise, tail: bool) -> None:
    """A radius is infinite where nothing turns; all else is finite."""
    found = or_refusal(lambda: fit_many(paths, noise=noise, tail=tail))
    if found is None:
        return
    for name in (a.name for a in fields(type(found))):
        values = getattr(found, name)
        assert (~np.isnan(values)).all() if name == "radius_mm" else np.isfinite(values).all()


@settings(max_examples=40, deadline=None)
@given(odd_paths())
def test_length_is_a_number_or_refused(path: Float64) -> None:
    scale = calibrate_spacing(SpacingClaim(0.03, 0.05, "ImagerPixelSpacing", "detector", "detector"))
    found = or_refusal(lambda: measure_length(given_path(path, (2000, 2000)), scale))
    if found is None:
        return
    assert 0.0 < found.length_mm < 1000.0
    assert all(np.isfinite(term.std_mm) for term in found.budget)


def case_with(path_px: Float64, scaled: bool) -> dict[str, object]:
    """The straight sample with a drawn path of our own in place of its trace."""
    case = json.loads((SAMPLES / "cases" / "straight.wl.json").read_text(encoding="utf-8"))
    film, canal = case["films"][0], case["canals"][0]
    if not scaled:
        film["scale"] = []
    canal["traces"] = [{"film": film["id"], "path_px": path_px.tolist(), "apical_end": "radiographic apex"}]
    return case


@settings(max_examples=12, deadline=None)
@given(odd_paths(), st.booleans())
def test_a_case_is_measured_or_refused(path: Float64, scaled: bool) -> None:
    """The path on the film of 1500 x 1000 pixels of 0.02 mm, with and without a scale."""
    case_or_refusal(300.0 + (path - 20.0) / 0.02, scaled)


@pytest.mark.parametrize("scaled", [True, False])
@pytest.mark.parametrize(
    "name", ["there and back, the last step left out", "half way back", "a zigzag of 0.2 mm", "a V"]
)
def test_a_case_with_a_path_that_is_none(name: str, scaled: bool) -> None:
    case_or_refusal(300.0 + (NAMED[name] - 15.0) / 0.02, scaled)


def case_or_refusal(path_px: Float64, scaled: bool) -> None:
    result = or_refusal(lambda: evaluate(case_from_json(case_with(path_px, scaled), folder=SAMPLES / "cases")))
    if result is None:
        return
    for canal in result.canals:
        for trace in canal.traces:
            if trace.length is not None:
                assert np.isfinite(trace.length.length_mm)
            if trace.curvature is not None:
                assert clean(trace.curvature)


@settings(max_examples=25, deadline=None)
@given(st.floats(-500.0, 500.0), st.floats(-500.0, 500.0), st.integers(3, 5))
def test_a_few_clicks_bend_alike_wherever_the_picture_begins(row: float, col: float, count: int) -> None:
    """Three to five clicks on 40 degrees at a radius of 8 mm: the angle moves with them, and so does the sharpest bend."""
    turn = np.radians(40.0) * np.linspace(0.0, 1.0, count) ** 1.2
    clicks = 8.0 * np.column_stack([np.sin(turn), 1.0 - np.cos(turn)])
    here, there = (measure_curvature(path) for path in (clicks, clicks + np.array([row, col])))
    assert there.schneider_deg == pytest.approx(here.schneider_deg, abs=1e-3)
    assert there.profile.per_mm == pytest.approx(here.profile.per_mm, abs=1e-4)
    assert fit_canal(clicks + np.array([row, col])).length_mm == pytest.approx(here.model.length_mm, abs=1e-4)


def test_chords_that_end_on_one_piece_are_of_their_length() -> None:
    """20 mm and then 13 mm at right angles, by three points: the last 12 mm are straight, so that they have no radius."""
    path = np.array([[40.0, 20.0], [20.0, 20.0], [20.0, 33.0]])
    radius, interval = estrela_radius_mm(path, point_std_mm=1e-6) or (0.0, (0.0, 0.0))
    assert radius is None
    assert interval[0] > 1e6
