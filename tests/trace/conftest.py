"""The reference films with their exact truth, and lines drawn on a film of our own."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read

Float64 = NDArray[np.float64]
SAMPLES = Path(__file__).parents[2] / "sample_images"


@frozen(eq=False)
class ReferenceFilm:
    """A synthetic film: exact projected lines in pixels (row, col), coronal to apical, and the lengths in space."""

    radiograph: Radiograph
    canal_px: Float64
    file_px: Float64
    file_mm: float
    canal_mm: float
    arc_mm: Float64

    def canal_clicks(self, share: float = 0.5) -> Float64:
        """Orifice, the point at `share` of the canal, and its end."""
        middle = int(np.argmin(np.abs(self.arc_mm - share * self.arc_mm[-1])))
        return self.canal_px[[0, middle, -1]]

    @property
    def file_clicks(self) -> Float64:
        """Stop and tip."""
        return self.file_px[[0, -1]]


@cache
def read_film(name: str) -> ReferenceFilm:
    truth = json.loads((SAMPLES / "truth" / f"{name}.json").read_text(encoding="utf-8"))
    canal = np.genfromtxt(SAMPLES / "truth" / f"{name}_canal.csv", delimiter=",", names=True)
    file = np.genfromtxt(SAMPLES / "truth" / f"{name}_file.csv", delimiter=",", names=True)
    below_stop = file["arc_mm_from_tip"] < truth["file_tip_to_stop_mm"] - 1e-3
    drawn = np.column_stack([file["row_px"], file["col_px"]])[below_stop]
    return ReferenceFilm(
        read(SAMPLES / "films" / f"{name}.png"),
        np.column_stack([canal["row_px"], canal["col_px"]]),
        np.vstack([truth["stop_px"], drawn]),
        truth["file_tip_to_stop_mm"],
        truth["canal_length_3d_mm"],
        canal["arc_mm_from_orifice"],
    )


@pytest.fixture(scope="session")
def film() -> Callable[[str], ReferenceFilm]:
    return read_film
