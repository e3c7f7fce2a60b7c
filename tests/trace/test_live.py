"""The path under the cursor: it starts at the anchor, ends at the cursor, and is the cheapest one there is."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.live import LivePath
from wlmeasure.trace.path import minimal_path
from wlmeasure.trace.ridge import line_candidates, line_cost, working_grid

# Mean distance in pixels of 0.02 mm (our parameter). The straight canal stands exactly between two columns of cells of
# 5 pixels, so a path of cells cannot come nearer than 2.5.
FILMS = {
    "ref_p00_h00_v00": 2.0,
    "ref_p30_h00_v15": 2.0,
    "ref_p60_h00_v00": 2.0,
    "ref_scurve_h00_v00": 2.0,
    "ref_straight_h00_v00": 2.5,
}


def distance_px(points, line):
    """Of each point to a polyline."""
    start, step = line[:-1], np.diff(line, axis=0)
    share = np.clip(np.einsum("pij,ij->pi", points[:, None] - start, step) / np.einsum("ij,ij->i", step, step), 0, 1)
    return np.hypot(*np.moveaxis(start + share[..., None] * step - points[:, None], -1, 0)).min(axis=1)


def noise(rows=300, cols=260, seed=1):
    values = np.random.default_rng(seed).integers(1000, 1200, (rows, cols), dtype=np.uint16)
    return Radiograph.from_array(values)


@pytest.mark.parametrize("kind", ["canal", "file"])
@pytest.mark.parametrize("cursor", [(240.25, 100.75), (0.0, 0.0), (299.0, 259.0), (20.5, 30.5)])
def test_from_the_anchor_to_the_cursor(kind, cursor):
    """Both as they are, to a fraction of a pixel; between them steps no longer than a cell's diagonal."""
    line = LivePath(noise(), (150.25, 130.5), kind, (0.05, 0.05)).path_to(cursor)
    assert tuple(line[0]) == (150.25, 130.5)
    assert tuple(line[-1]) == cursor
    assert np.hypot(*np.diff(line, axis=0).T).max() <= 3.0 * 0.1 / 0.05


def test_a_cursor_on_the_anchor_is_a_path_of_no_length():
    line = LivePath(noise(), (150.0, 130.0), "canal", (0.05, 0.05)).path_to((150.0, 130.0))
    assert np.hypot(*np.diff(line, axis=0).T).sum() == 0.0


def test_an_anchor_at_the_edge_of_the_film():
    live = LivePath(noise(), (0.0, 259.0), "canal", (0.05, 0.05))
    assert tuple(live.path_to((10.0, 250.0))[0]) == (0.0, 259.0)


def test_a_cursor_out_of_reach_is_taken_to_the_edge_of_the_region():
    """2 mm at 0.05 mm a pixel: 40 pixels each way."""
    line = LivePath(noise(), (150.0, 130.0), "canal", (0.05, 0.05), reach_mm=2.0).path_to((290.0, 130.0))
    assert 188.0 <= line[-1, 0] <= 192.0
    assert line[:, 0].max() <= 192.0


def test_it_is_the_minimal_path_on_the_same_cost() -> None:
    """Every reach of the region the same as the tracer's own search, for three ends from one anchor."""
    graph = noise()
    anchor, size = (150.0, 130.0), (0.05, 0.04)
    live = LivePath(graph, anchor, "file", size)
    grid = working_grid(graph.values.astype(np.float32), np.array([anchor]), size, margin_mm=28.0)
    (candidate,) = line_candidates(grid, "file", np.array([anchor]))
    strength = candidate.strength
    cost = line_cost(strength)
    for end in ((30.0, 40.0), (280.0, 200.0), (150.0, 250.0)):
        ends = [(int(r), int(c)) for r, c in grid.nearest_cells(np.array([anchor, end]))]
        expected = grid.to_px(minimal_path(cost, ends))
        found = live.path_to(end)
        assert len(found) == len(expected)
        np.testing.assert_allclose(found[1:-1], expected[1:-1], atol=1e-9)


def test_polarity_does_not_matter():
    graph = noise()
    turned = Radiograph.from_array(np.uint16(65535) - graph.values, bright_is_dense=False)
    paths = [LivePath(g, (20.0, 30.0), "canal", (0.05, 0.05)).path_to((250.0, 200.0)) for g in (graph, turned)]
    np.testing.assert_array_equal(*paths)


@pytest.mark.parametrize(("name", "nearest"), FILMS.items())
@pytest.mark.parametrize("kind", ["canal", "file"])
def test_on_reference_films_it_runs_along_the_truth(film, name: str, nearest: float, kind: str) -> None:
    """Clicked as a person does: orifice or stop, half way, end."""
    reference = film(name)
    truth = reference.canal_px if kind == "canal" else reference.file_px
    ends = truth[[0, len(truth) // 2, -1]]
    if kind == "canal":
        ends = reference.canal_clicks()
    pieces = []
    for start, end in pairwise(ends):
        pieces.append(LivePath(reference.radiograph, tuple(start), kind, (0.02, 0.02)).path_to(tuple(end)))
        assert tuple(pieces[-1][-1]) == tuple(end)
    assert distance_px(np.vstack(pieces), truth).mean() <= nearest
