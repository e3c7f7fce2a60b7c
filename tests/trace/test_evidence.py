"""Maps as evidence: drawn from lines in hand geometry over films on which nothing is seen, pixels that are not square."""

from __future__ import annotations

import numpy as np
import pytest

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import polyline_feet
from wlmeasure.trace.centreline import TRACER, trace_line
from wlmeasure.trace.evidence import FilmMaps, Known, canal_gain, map_on
from wlmeasure.trace.live import LivePath
from wlmeasure.trace.ridge import working_grid

PIXEL = np.array([0.05, 0.04])  # mm (row, col)
SHAPE = (360, 300)
SCALE = np.array([1.6, 2.0])  # film pixels a map pixel: 0.08 mm
BELL_MM = 0.12


def noise(seed=3):
    return Radiograph.from_array(np.random.default_rng(seed).integers(1000, 1200, SHAPE, dtype=np.uint16))


def arc(aside_mm=0.0):
    """A canal of 12 mm that bends by an arc of 12 mm radius, moved sideways: pixels (200, 2)."""
    t = np.linspace(0.0, 1.0, 200)
    mm = np.column_stack([3.0 + 12.0 * np.sin(t), 4.0 + 12.0 * (1.0 - np.cos(t)) + aside_mm])
    return mm / PIXEL


def bell(*lines):
    """A map (225, 150) with a bell across each line, by the distance of every pixel's centre."""
    size = np.ceil(np.array(SHAPE) / SCALE).astype(int)
    at = np.stack(np.meshgrid(*(np.arange(n) for n in size), indexing="ij"), -1).reshape(-1, 2)
    film_px = (at + 0.5) * SCALE - 0.5
    away = np.min([polyline_feet(film_px * PIXEL, line[::8] * PIXEL).apart for line in lines], axis=0)
    return (0.9 * np.exp(-0.5 * (away / BELL_MM) ** 2)).reshape(size).astype(np.float32)


def maps(*canals, outline=None):
    share = bell(*canals)
    none, dentine = np.zeros_like(share), np.ones_like(share)
    return FilmMaps(share, none if outline is None else bell(outline), dentine, none, SCALE, "drawn/0123456789ab")


def off_mm(path, line):
    return float(polyline_feet(path * PIXEL, line * PIXEL).apart.max())


def traced(line, given, *, middle=True, film=None, **more):
    clicks = line[[0, 90, -1]] if middle else line[[0, -1]]
    return trace_line(film or noise(), clicks, "canal", tuple(PIXEL), maps=given, **more)


def test_a_map_lies_on_the_film_by_its_scale():
    """A map that is linear in the film's rows and columns has their values in the middle of every cell."""
    size = np.ceil(np.array(SHAPE) / SCALE).astype(int)
    rows, cols = np.meshgrid(*((np.arange(n) + 0.5) * s - 0.5 for n, s in zip(size, SCALE, strict=True)), indexing="ij")
    grid = working_grid(noise().density(), np.array([[120.0, 90.0], [240.0, 200.0]]), tuple(PIXEL), margin_mm=1.0)
    cells = np.stack(np.meshgrid(*(np.arange(n) for n in grid.values.shape), indexing="ij"), -1).reshape(-1, 2)
    for share, axis in ((rows, 0), (cols, 1)):
        drawn = map_on(grid, share.astype(np.float32), SCALE).ravel()
        assert drawn == pytest.approx(grid.to_px(cells)[:, axis], abs=0.1)  # OpenCV interpolates in steps of a 32nd


@pytest.mark.parametrize("middle", [False, True])
def test_where_nothing_is_seen_the_path_follows_the_map(middle):
    """The arc leaves its chord by 1.5 mm; half a tenth of a millimetre is less than a pixel of the map."""
    made = traced(arc(), maps(arc()), middle=middle)
    assert off_mm(made.path_px, arc()) < 0.12
    assert made.tracer == f"{TRACER} with drawn/0123456789ab"
    assert off_mm(made.path_px[[0, -1]], arc()[[0, -1]]) <= 0.081  # as near as the ends are promised


def test_without_maps_nothing_is_said_of_them():
    assert traced(arc(), None).tracer == TRACER


@pytest.mark.parametrize("aside", [0.5, -0.6])
def test_clicks_beside_the_only_line_of_a_map_do_not_lead_onto_it(aside):
    """The map shows one of two canals of a root; the other one was clicked, and runs alongside."""
    made = traced(arc(aside), maps(arc()))
    away = polyline_feet(made.path_px * PIXEL, arc() * PIXEL).apart
    assert off_mm(made.path_px, arc(aside)) < 0.5  # nothing is seen there: clicks alone say where it is
    assert float(np.median(away)) > 0.35


def test_a_canal_that_was_traced_before_explains_its_line_on_the_map():
    """Between two lines 0.4 mm apart, whichever is clicked, the path keeps to its own."""
    first, second = arc(), arc(0.4)
    given = maps(first, second)
    made = traced(second, given, others=[first])
    assert off_mm(made.path_px, second) < 0.2
    assert float(polyline_feet(made.path_px * PIXEL, first * PIXEL).apart.mean()) > 0.25


def test_a_canal_that_joins_another_is_not_repelled_at_their_end():
    """Both end at one point, which the last click lies on."""
    first = arc()
    second = first + np.column_stack([np.zeros(200), np.linspace(1.0, 0.0, 200) / PIXEL[1]])
    made = traced(second, maps(first, second), others=[first])
    assert off_mm(made.path_px, second) < 0.15


def test_a_file_in_another_canal_neither_draws_nor_holds_the_path():
    """Its clicks lie 0.6 mm beside; a file in the canal itself, 0.2 mm wide, draws it."""
    given = maps(arc(), arc(0.6))

    def filled(line):
        at = np.stack(np.meshgrid(*(np.arange(n) for n in SHAPE), indexing="ij"), -1).reshape(-1, 2)
        away = polyline_feet(at * PIXEL, line[::8] * PIXEL).apart.reshape(SHAPE)
        metal = noise().values + 6000.0 * np.exp(-0.5 * (away / 0.1) ** 2)
        return Radiograph.from_array(metal.astype(np.uint16))

    beside = traced(arc(), given, files=[arc(0.6)], film=filled(arc(0.6)))
    within = traced(arc(), given, files=[arc()], film=filled(arc()))
    assert off_mm(beside.path_px, arc()) < 0.2
    assert off_mm(within.path_px, arc()) < 0.1


def test_a_border_of_a_root_and_what_lies_outside_it_cost():
    grid = working_grid(noise().density(), arc(), tuple(PIXEL))
    gain, film = canal_gain(grid, maps(arc(), outline=arc(1.5)), Known())
    here, border = (tuple(grid.nearest_cells(line[50:150]).T) for line in (arc(), arc(1.5)))
    assert gain[here].mean() > 4.0
    assert gain[border].mean() < -8.0
    assert film[border].mean() < 0.3 < 0.9 < film[here].mean()


def test_the_path_under_the_cursor_follows_the_map():
    live = LivePath(noise(), tuple(arc()[0]), "canal", tuple(PIXEL), maps=maps(arc()))
    assert off_mm(live.path_to(tuple(arc()[-1])), arc()) < 0.15
