"""Paths for the tests of files and tables: canals of known shape on films of unequal pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale

ROW_MM, COL_MM = 0.02, 0.03


def bend(seed: int, points: int = 40) -> np.ndarray:
    """5 mm straight, an arc of 6 to 9 mm radius through 20 to 50 degrees, 2 mm straight; pixels (row, col)."""
    rng = np.random.default_rng(seed)
    radius, turn = rng.uniform(6.0, 9.0), np.radians(rng.uniform(20.0, 50.0))
    s = np.linspace(0.0, 7.0 + radius * turn, points)
    u = np.clip(s - 5.0, 0.0, radius * turn) / radius
    line = np.minimum(s, 5.0) + radius * (np.sin(u) + 1j * (1.0 - np.cos(u)))
    line = line + np.maximum(s - 5.0 - radius * turn, 0.0) * np.exp(1j * turn)
    noise = rng.normal(0.0, 0.01, (points, 2))
    return (np.column_stack([line.real, line.imag]) + noise) / [ROW_MM, COL_MM] + [100.0, 300.0]


@pytest.fixture(scope="session")
def make_canals():
    """A function from a count to a head with two films and that many canals."""

    def make(count: int) -> tuple[Head, list[PathFeature]]:
        head = Head(
            images=[PathImage(id="f1", rows=1200, cols=900, sha256="a" * 64), PathImage(id="f2")],
            calibrations=[
                PathScale(id="f1", image="f1", mm_per_px_row=ROW_MM, mm_per_px_col=COL_MM, rel_std=0.01),
                PathScale(
                    id="f2", image="f2", mm_per_px_row=ROW_MM, mm_per_px_col=COL_MM, known_lengths_mm=[20.0, 12.1]
                ),
            ],
        )
        features = [
            PathFeature(
                path_px=np.round(bend(k, 36 + k % 3), 3),
                id=f"c{k}",
                image=f"f{1 + k % 2}",
                tooth="46",
                canal="MB",
                annotator="A",
                reference_px=(50.0, 290.0) if k % 5 == 0 else None,
            )
            for k in range(count)
        ]
        return head, features

    return make


@pytest.fixture(scope="session")
def measured():
    """Two of the sample cases, measured on their films."""
    cases = Path(__file__).resolve().parents[2] / "sample_images" / "cases"
    return {name: evaluate(load_case(cases / f"{name}.wl.json")) for name in ("straight", "two_films")}
