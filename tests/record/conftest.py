"""A case on a bench film: noise, a file along column 50 and a canal along column 60, 0.05 mm per pixel by construction."""

import copy
import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from wlmeasure.record.case import case_from_json, load_case
from wlmeasure.record.evaluate import evaluate

ROWS, COLS = 480, 300
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


MOLAR = SAMPLES / "cases" / "molar.wl.json"


@pytest.fixture(scope="session")
def samples():
    """The bench cases: one canal of 22 mm each, on the simulator's films."""
    return [path for path in sorted((SAMPLES / "cases").glob("*.wl.json")) if path != MOLAR]


@pytest.fixture(scope="session")
def molar():
    """The case of the demonstration, measured: three canals on phantom films, with a record of the whole course."""
    return evaluate(load_case(MOLAR))


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.png"
    picture = np.random.default_rng(7).integers(1000, 1100, (ROWS, COLS), dtype=np.uint16)
    path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    return path


@pytest.fixture
def body(film):
    """Known file: 400 px from stop to tip, 20 mm. Canal: 440 px straight down from the reference point, so 22 mm."""
    return {
        "schema": "wlmeasure-case/2",
        "tooth": "46",
        "films": [
            {
                "id": "f1",
                "path": film.name,
                "sha256": hashlib.sha256(film.read_bytes()).hexdigest(),
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
        ],
        "canals": [
            {
                "name": "MB",
                "reference_point": "mesiobuccal cusp tip",
                "traces": [
                    {
                        "film": "f1",
                        "reference_px": [20, 60],
                        "path_px": [[20, 60], [460, 60]],
                        "apical_end": "radiographic apex",
                    }
                ],
            }
        ],
    }


@pytest.fixture
def readings():
    """Entries of readings of canal MB from its cusp: r1, r2, ... a minute apart."""

    def readings(*lengths_mm, finding="foramen", **more):
        return [
            {
                "id": f"r{number}",
                "kind": "electronic reading",
                "at": f"2026-11-25T10:{number:02d}:00",
                "by": "AB",
                "canal": "MB",
                "reference_point": "mesiobuccal cusp tip",
                "length_mm": length,
                "finding": finding,
            }
            | more
            for number, length in enumerate(lengths_mm, 1)
        ]

    return readings


@pytest.fixture
def decided():
    """The entry of a decision on canal MB from its cusp."""

    def decided(length_mm, **more):
        return {
            "id": "d1",
            "kind": "decided working length",
            "at": "2026-11-25T10:30:00",
            "by": "CD",
            "canal": "MB",
            "reference_point": "mesiobuccal cusp tip",
            "length_mm": length_mm,
        } | more

    return decided


@pytest.fixture
def measure(tmp_path):
    def measure(body, **options):
        return evaluate(case_from_json(copy.deepcopy(body), folder=tmp_path), **options)

    return measure


@pytest.fixture
def full(body):
    """Every member that version 2 names."""
    film = body["films"][0]
    film |= {
        "frame": 1,
        "col_over_row": 1.0,
        "metal": "bright",
        "view": {"quarter_turns": 1, "mirrored": True},
        "purpose": "trial file",
        "angulation": {
            "horizontal_deg": 10.5,
            "vertical_deg": -5.0,
            "tube_shift": "mesial",
            "mesial_to": "left",
            "sensor": "stayed",
        },
    }
    film["scale"][0] |= {
        "path_px": [[20, 50], [420, 50]],
        "tracer": "symmetry-fit/1",
        "upper_end": "reference",
        "reference_px": [20, 45],
        "stop_seated": "yes",
        "accepted": [{"item": "file 1", "by": "KO", "at": "2026-03-16T10:00:00"}],
    }
    film["scale"] += [
        {
            "kind": "file",
            "points_px": [[30, 90], [400, 90]],
            "trace_kind": "clicks",
            "path_px": [[30, 90], [400, 90]],
            "tracer": "symmetry-fit/1",
            "accepted": [{"item": "file 2", "by": "KO", "at": "2026-03-16T10:00:00"}],
        },
        {
            "kind": "known_object",
            "points_px": [[100, 200], [300, 200]],
            "known_length_mm": 10.0,
            "known_length_std_mm": 0.05,
        },
        {"kind": "spacing", "claim": "ImagerPixelSpacing", "magnification": 1.05},
    ]
    film["proposed"] = [
        {
            "kind": "file",
            "label": "file 1",
            "points_px": [[30, 92], [400, 92]],
            "std_px": 2.5,
            "begins": "out of the picture",
            "ends": "seen",
            "probability": 0.97,
            "trusted": True,
            "of": "canal 1",
            "tooth_number": 2,
            "model": "look",
            "model_sha256": "a" * 64,
            "refused": {"by": "KO", "at": "2026-03-16T10:00:00"},
        }
    ]
    canal = body["canals"][0]
    canal["traces"][0] |= {
        "reference_px": [10, 60],
        "clicks_px": [[20, 60], [460, 60]],
        "tracer": "given path",
        "path_std_px": 0.5,
        "path_doubt": 0.02,
        "doubted_path_sha256": "b" * 64,
        "apex_visibility": "clear",
        "unseen_from_mm": 20.0,
        "file_tip_px": [440, 60],
        "carried": {"film": "earlier", "marks": ["reference point"], "std_px": 4.5},
        "accepted": [{"item": "canal 1", "by": "KO", "at": "2026-03-16T10:00:00"}],
    }
    earlier = {"id": "earlier", "path": "earlier.png", "sha256": "e" * 64}
    body["films"].append({name: body["films"][0][name] for name in ("rows", "cols")} | earlier)
    canal |= {
        "joins": {"canal": "ML", "mm_from_apex": 3.0},
        "resorption": "bone",
        "apex": "closed",
    }
    body["canals"].append({"name": "ML", "reference_point": "mesiolingual cusp tip", "traces": []})
    body["case_id"] = "bench-1"
    body["clicks"] = {"std_px": 2.1, "by": "AB", "from": "repeats", "repeats": 24}
    body["instrument_list"] = ["20/.04", "25/.06 max 1.00"]
    body["entries"] = [
        {
            "id": "e1",
            "kind": "film length",
            "at": "2026-11-25T10:30:00",
            "by": "AB",
            "canal": "MB",
            "reference_point": "mesiobuccal cusp tip",
            "length_mm": 22.0,
            "length_std_mm": 0.2,
            "length_below_mm": 1.1,
            "length_above_mm": 0.2,
            "status": "radiographic apex",
            "film_sha256": "0" * 64,
            "other_films_sha256": ["1" * 64],
            "inputs_sha256": "1" * 64,
            "program": "wlmeasure 0.1.0",
            "note": "first",
            "size": 15,
            "special": False,
            "taper": 0.02,
            "finding": "snug",
            "conditions": ["wet"],
            "passes": 2,
            "distance_mm": -0.5,
            "distance_std_mm": 0.1,
            "level_mm": 12.0,
            "extent_mm": 3.0,
            "other_canal": "ML",
            "rests_on": ["e0"],
            "confirmed": ["length-beyond-apex"],
            "proposed": {"status": "concordant", "length_mm": 21.0, "length_std_mm": 0.3},
        },
        {
            "id": "e2",
            "kind": "note",
            "at": "2026-11-25T10:31:00",
            "by": "AB",
            "canal": "MB",
            "supersedes": "e1",
            "before": "e1",
        },
    ]
    return body
