"""Scenes of the independent simulator, remade here from their published numbers."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from wlmeasure.phantom.curve import Bend, curve_from_bends
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.solid import tube

ROOT = Path(__file__).resolve().parents[2]
TRUTH = ROOT / "sample_images" / "truth"


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) if key != "film" else row[key] for row in rows]) for key in rows[0]}


class Reference:
    """One film of the simulator: its truth, and the same bodies from our own curves.

    The simulator turns the object under a ray that stays; its points are given after that turn. Its circular sections are
    polygons of 96, 48, 32 and 48 corners for root, canal, file and stop.
    """

    def __init__(self, name):
        self.name = name
        self.truth = json.loads((TRUTH / f"{name}.json").read_text(encoding="utf-8"))
        self.canal, self.file = (table(TRUTH / f"{name}_{kind}.csv") for kind in ("canal", "file"))
        self.shape = tuple(self.truth["size"])

    def aim(self, **changes):
        settings = {
            "source_object_mm": self.truth["sdd_mm"] - self.truth["odd_mm"],
            "source_detector_mm": self.truth["sdd_mm"],
            "rows": self.shape[0],
            "cols": self.shape[1],
            "spacing_mm": (self.truth["pixel_mm"],) * 2,
            "horizontal_deg": self.truth["horiz_deg"],
            "vertical_deg": self.truth["vert_deg"],
        }
        return aim(**(settings | changes))

    def still(self):
        """The projection of points that have been turned already."""
        return self.aim(horizontal_deg=0.0, vertical_deg=0.0)

    def curve(self):
        """The canal as its docstring says: 11 mm straight, then an arc of 12 mm radius in a plane at an angle."""
        assert "scurve" not in self.name
        bends = (
            [Bend(22.0)]
            if "straight" in self.name
            else [Bend(11.0), Bend(11.0, 1 / 12, -self.truth["bend_plane_deg_from_image"])]
        )
        return curve_from_bends(bends, start_mm=(0.0, 0.0, 11.0))

    def solids(self, sweep=None):
        """Bodies from the simulator's own centre lines, turned back into the tooth's frame; for `aim()`.

        `sweep(points, radii, part)` makes a body; ours where it is None.
        """
        h, v = (np.radians(self.truth[f"{kind}_deg"]) for kind in ("horiz", "vert"))
        about_z = np.array([[np.cos(h), -np.sin(h), 0], [np.sin(h), np.cos(h), 0], [0, 0, 1]])
        about_x = np.array([[1, 0, 0], [0, np.cos(v), -np.sin(v)], [0, np.sin(v), np.cos(v)]])
        canal, file = (
            np.column_stack([t[f"{a}_mm"] for a in "xyz"]) @ (about_x @ about_z) for t in (self.canal, self.file)
        )
        mesh = {"root": 96, "canal": 48, "file": 32, "stop": 48}
        make = sweep or (lambda points, radii, part: tube(points, radii, sides=mesh[part]))
        arc, from_tip = self.canal["arc_mm_from_orifice"], self.file["arc_mm_from_tip"]
        stop = np.array([np.interp(-self.truth["file_tip_to_stop_mm"], -from_tip, file[:, k]) for k in range(3)])
        up = file[0] - file[60]
        up /= np.linalg.norm(up)
        return {
            "root": make(canal, np.interp(arc, [0, 8, 22], [3.6, 2.8, 0.9]), "root"),
            "canal": make(canal, np.interp(arc, [0, 22], [0.55, 0.14]), "canal"),
            "file": make(file, np.minimum(0.15 + 0.02 * from_tip, 0.47) / 2, "file"),
            "stop": make(stop + np.outer([0.0, 0.75, 1.5], up), np.full(3, 1.5), "stop"),
        }


@pytest.fixture(scope="session")
def reference():
    kept = {}

    def reference(name):
        return kept.setdefault(name, Reference(name))

    return reference


@pytest.fixture(scope="session")
def path_rows():
    """Path lengths that the simulator found along some rows (see the generator's `make_path_rows.py`)."""
    return table(ROOT / "tests" / "references" / "path_rows.csv")
