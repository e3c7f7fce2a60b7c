"""Maps for the tracer: once a film, by film and scale alone; a path that is stored asks no network."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.detect import tracing
from wlmeasure.errors import DetectError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import accept_paths, evaluate

SAMPLES = Path(__file__).parents[2] / "sample_images"
CASE = SAMPLES / "cases" / "straight.wl.json"


@pytest.fixture
def counted(monkeypatch):
    """A cache of its own, and how often the network was asked for."""
    asked = []
    network = tracing.shipped_network
    monkeypatch.setattr(tracing, "_kept", type(tracing._kept)())
    monkeypatch.setattr(tracing, "shipped_network", lambda: asked.append(1) or network())
    return asked


def bare(case):
    """The case with its clicks alone."""
    canals = tuple(
        evolve(canal, traces=tuple(evolve(t, path_px=None, tracer=None, path_std_px=None) for t in canal.traces))
        for canal in case.canals
    )
    return evolve(case, canals=canals)


def test_the_maps_of_a_film_are_computed_once(counted):
    film = read(SAMPLES / "films" / "molar_mb.png")
    assert tracing.maps_at_hand(film, (0.03, 0.03)) is None
    first = tracing.tracing_maps(film, (0.03, 0.03))
    # A scale measured a little anew is the same film at the same step of sizes.
    assert tracing.tracing_maps(film, (0.0301, 0.0301)) is first
    assert tracing.maps_at_hand(film, (0.03, 0.03)) is first
    assert len(counted) == 1
    assert first is not None
    assert first.canal.max() > 0.5


def test_a_film_unlike_the_training_gives_none(counted):
    stripes = np.tile(np.array([0, 65535], np.uint16), (400, 200))
    assert tracing.tracing_maps(Radiograph.from_array(stripes), (0.05, 0.05)) is None


def test_a_stored_path_asks_no_network_and_keeps_its_length(counted):
    """And its doubt, which could not be had again without one."""
    fresh = evaluate(bare(load_case(CASE)))
    (path,) = {t.path.tracer for c in fresh.canals for t in c.traces}
    assert len(counted) == 1
    assert " with look/" in path
    stored = evaluate(accept_paths(fresh))
    assert len(counted) == 1
    for one, other in zip(fresh.canals[0].traces, stored.canals[0].traces, strict=True):
        assert (other.length.length_mm, other.length.length_std_mm) == (one.length.length_mm, one.length.length_std_mm)
        assert other.path.doubt == pytest.approx(one.path.doubt, abs=1e-6)
        assert other.trace.tracer == path


def test_without_weights_a_canal_is_traced_by_the_film(counted, monkeypatch):
    def gone():
        raise DetectError("no weights")

    monkeypatch.setattr(tracing, "shipped_network", gone)
    made = evaluate(bare(load_case(CASE))).canals[0].traces[0]
    assert " with " not in made.path.tracer
    assert made.length is not None
