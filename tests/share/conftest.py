"""The sample cases measured once, and a bench case whose every text tries to be markup or a formula."""

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from wlmeasure.record.case import case_from_json, load_case
from wlmeasure.record.evaluate import evaluate

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
EVIL = "<script>alert(\"1\")</script> & 'q'"
ROWS, COLS = 480, 300


@pytest.fixture(scope="session")
def measured():
    """The bench cases: one canal of 22 mm each, on the simulator's films."""
    paths = sorted((SAMPLES / "cases").glob("*.wl.json"))
    return {path.name.split(".")[0]: evaluate(load_case(path)) for path in paths if path.name != "molar.wl.json"}


@pytest.fixture(scope="session")
def molar():
    """The case of the demonstration, measured: three canals on phantom films, with a record of the whole course."""
    return evaluate(load_case(SAMPLES / "cases" / "molar.wl.json"))


@pytest.fixture
def bench(tmp_path):
    """A function from changes to the JSON of a case on a film of noise, 0.05 mm per pixel, canal 22 mm from its reference."""
    path = tmp_path / "film.png"
    picture = np.random.default_rng(7).integers(1000, 1100, (ROWS, COLS), dtype=np.uint16)
    path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    film = {
        "id": "f1",
        "path": path.name,
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "rows": ROWS,
        "cols": COLS,
        "scale": [
            {
                "kind": "known_file",
                "points_px": [[20, 50], [420, 50]],
                "trace_kind": "path",
                "known_length_mm": 20.0,
                "known_length_std_mm": 0.05,
            }
        ],
    }
    trace = {
        "film": "f1",
        "path_px": [[20, 60], [460, 60]],
        "apical_end": "radiographic apex",
        "reference_px": [20, 60],
    }
    canal = {"name": "MB", "reference_point": "cusp", "traces": [trace]}

    def bench(film_changes=None, canal_changes=None, trace_changes=None, **changes):
        body = {
            "schema": "wlmeasure-case/1",
            "tooth": "46",
            "films": [film | (film_changes or {})],
            "canals": [canal | {"traces": [trace | (trace_changes or {})]} | (canal_changes or {})],
        }
        return evaluate(case_from_json(body | changes, folder=tmp_path))

    return bench


@pytest.fixture
def hostile(bench, tmp_path):
    """Every text that a person may type is markup; the film's path is too."""
    folder = tmp_path / "<b>&'x'"
    folder.mkdir()
    (folder / "film.png").write_bytes((tmp_path / "film.png").read_bytes())
    return bench(
        {"path": "<b>&'x'/film.png", "id": "<i>f&1"},
        {
            "name": EVIL,
            "reference_point": EVIL,
            "electronic_readings": [{"length_mm": 21.5, "mark": "foramen", "conditions": [EVIL]}] * 3,
            "decision": {"length_mm": 20.5, "by": EVIL, "at": "2026-11-25T10:30", "reason": EVIL},
        },
        {"film": "<i>f&1", "tracer": EVIL},
        case_id=EVIL,
        entries=[
            {"id": EVIL, "kind": "decided working length", "at": "2026-11-25T10:30", "by": EVIL, "canal": EVIL}
            | {"reference_point": "another point", "length_mm": 20.5, "note": EVIL}
        ],
    )
