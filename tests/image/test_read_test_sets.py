"""Every file of the test sets of pydicom and pydicom-data: opened with the pixels of another decoder, or refused in a line."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

pytest.importorskip("data_store", reason="pydicom-data is not installed (it comes with the extra test)")
pytest.importorskip("gdcm", reason='the extra "dicom" is not installed')

SCRIPT = Path(__file__).parents[1] / "references" / "read_test_sets.py"
spec = importlib.util.spec_from_file_location("read_test_sets", SCRIPT)
sets = importlib.util.module_from_spec(spec)
sys.modules["read_test_sets"] = sets
spec.loader.exec_module(sets)

FILES = sets.files()
OPENED = 99
"""Files of pydicom 3.0.2 and pydicom-data 1.0.0 that are grey images, five with some colour; a set that grows may have more."""
LONGEST_LINE = 300


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_opened_pixel_by_pixel_or_refused_in_one_line(name, capfd):
    """A traceback fails here; so does a pixel that differs, and a refusal that is not one line for a person."""
    row = sets.row_of(name, FILES[name])
    assert capfd.readouterr() == ("", "")
    if not row.opened:
        assert row.result.startswith(f"{FILES[name].name}: ")
        assert row.result.isprintable()
        assert len(row.result) <= LONGEST_LINE
        assert "; " in row.result  # what to do next
        return
    if row.equal is None:
        pytest.skip(f"not compared: {row.peer}")
    assert row.peer.split(".")[0] != row.ours
    assert row.equal, f"{row.ours} and {row.peer} differ"


def test_as_many_files_are_opened_as_are_known_to_be_grey_images():
    assert sum(sets.row_of(name, path).opened for name, path in FILES.items()) >= OPENED


def test_one_pixel_that_differs_is_found(monkeypatch):
    """The comparison itself: one value of one frame off by one."""
    name = "pydicom/MR_small_RLE.dcm"
    assert sets.row_of(name, FILES[name]).equal is True
    frames = sets.frames_of(FILES[name])
    values = np.array(frames[0].values)
    values[5, 7] += 1
    monkeypatch.setattr(sets, "frames_of", lambda path: [evolve(frames[0], values=values)])
    assert sets.row_of(name, FILES[name]).equal is False
