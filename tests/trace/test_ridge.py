"""What looks like a canal or a file: lines drawn on an even film."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from wlmeasure.errors import TraceError
from wlmeasure.trace.ridge import CELL_MM, WorkingGrid, line_cost, line_strength, working_grid

Float32 = NDArray[np.float32]
ROWS, COLS = np.mgrid[0:120, 0:120].astype(np.float64)


def grid_of(values: NDArray[np.floating]) -> WorkingGrid:
    return WorkingGrid(values.astype(np.float32), (0.0, 0.0), (1.0, 1.0))


def off_line(angle_deg: float) -> NDArray[np.float64]:
    """Distance in mm from a straight line through the middle of the grid."""
    angle = np.radians(angle_deg)
    return np.asarray(((COLS - 60.0) * np.cos(angle) - (ROWS - 60.0) * np.sin(angle)) * CELL_MM, np.float64)


@pytest.mark.parametrize("angle_deg", [0.0, 7.0, 15.0, 40.0, 90.0, 133.0])
@pytest.mark.parametrize("contrast", [-100.0, 100.0])
def test_a_thin_line_stands_out(angle_deg: float, contrast: float) -> None:
    """A line of 0.3 mm, dark or bright, whichever way it runs: strong in its middle, in its own sense only, none far off it."""
    away = off_line(angle_deg)
    dark, bright = line_strength(grid_of(1000.0 + contrast * np.exp(-0.5 * (away / 0.1) ** 2)))
    own, other = (dark, bright) if contrast < 0.0 else (bright, dark)
    inside = (np.abs(ROWS - 60.0) < 35.0) & (np.abs(COLS - 60.0) < 35.0)
    middle = inside & (np.abs(away) < 0.5 * CELL_MM)
    assert float(own[middle].min()) > 45.0
    assert float(own[inside & (np.abs(away) > 1.2)].max()) < 1.0
    assert float(other[middle].max()) < 1.0


@pytest.mark.parametrize("angle_deg", [0.0, 20.0, 90.0, 160.0])
def test_an_edge_is_no_line(angle_deg: float) -> None:
    """The outline of a root: a step of 100. A second-derivative ridge sees a line of a third of that beside it."""
    dark, bright = line_strength(grid_of(1000.0 + 50.0 * np.tanh(off_line(angle_deg) / 0.1)))
    inside = (slice(25, 95), slice(25, 95))
    assert float(dark[inside].max()) < 4.0
    assert float(bright[inside].max()) < 4.0


def test_an_even_film_and_a_slope_have_no_lines() -> None:
    for values in (np.full((80, 90), 700.0), 3.0 * ROWS + 2.0 * COLS):
        dark, bright = line_strength(grid_of(values))
        assert float(dark[25:-25, 25:-25].max()) < 1e-2
        assert float(bright[25:-25, 25:-25].max()) < 1e-2


def test_dark_and_bright_change_places_with_the_polarity() -> None:
    values = 1000.0 + np.random.default_rng(0).normal(0.0, 30.0, (90, 70))
    dark, bright = line_strength(grid_of(values))
    bright_too, dark_too = line_strength(grid_of(-values))
    assert dark == pytest.approx(dark_too, abs=0.01)
    assert bright == pytest.approx(bright_too, abs=0.01)


def test_cost_falls_with_strength_and_knows_no_units() -> None:
    strength = np.random.default_rng(1).gamma(1.0, 20.0, (60, 60)).astype(np.float32)
    cost = line_cost(strength)
    assert cost.shape == strength.shape
    assert float(cost.min()) >= 0.03
    assert float(cost.max()) <= 1.0
    order = np.argsort(strength, axis=None)
    assert (np.diff(cost.ravel()[order]) <= 1e-9).all()
    assert line_cost(strength * np.float32(1000.0)) == pytest.approx(cost, rel=1e-4)
    assert line_cost(np.zeros((20, 20), np.float32)) == pytest.approx(np.ones((20, 20)))


# --- working grid ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm_per_px", [(0.02, 0.02), (0.02, 0.035), (0.06, 0.03), (0.09, 0.12)])
def test_cells_and_pixels_are_the_same_places(mm_per_px: tuple[float, float]) -> None:
    """A ramp of the film's own row and column numbers, resampled, reads as those numbers; there and back is nothing moved."""
    rows, cols = np.mgrid[0:900, 0:700].astype(np.float32)
    clicks = np.array([[300.0, 200.0], [600.0, 450.0]])
    for ramp, axis in ((rows, 0), (cols, 1)):
        grid = working_grid(ramp, clicks, mm_per_px)
        cells = np.argwhere(np.ones(grid.values.shape, bool))
        inner = ((cells > 3) & (cells < np.array(grid.values.shape) - 4)).all(axis=1)
        pixels = grid.to_px(cells[inner])
        assert grid.values[tuple(cells[inner].T)] == pytest.approx(
            pixels[:, axis], abs=0.51 if min(mm_per_px) < 0.05 else 0.2
        )
        assert float(np.mean(grid.values[tuple(cells[inner].T)] - pixels[:, axis])) == pytest.approx(0.0, abs=0.03)
        assert grid.to_px(grid.to_cells(clicks)) == pytest.approx(clicks, abs=1e-9)
        assert np.array(grid.cell_px) * mm_per_px == pytest.approx([CELL_MM, CELL_MM], rel=0.02)


def test_a_region_that_no_film_fills_is_refused() -> None:
    with pytest.raises(TraceError, match="pixel size"):
        working_grid(np.zeros((1500, 1000), np.float32), np.array([[10.0, 10.0], [1490.0, 990.0]]), (1.0, 1.0))
