"""Where the films of these tests are made."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))


@pytest.fixture
def load(tmp_path):
    """Write the bytes of a file, or a data set, and read it."""
    from dicom_film import written

    from wlmeasure.image import read

    def load(content, name="a.dcm", **how):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else written(content))
        return read(path, **how)

    return load
