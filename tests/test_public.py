"""The public names: pinned here, so that a change of them is seen and meant."""

import importlib
import subprocess
import sys

import pytest

import wlmeasure

PUBLIC = [
    "BendEstimates",
    "Calibration",
    "CanalTrace",
    "Case",
    "CaseResult",
    "ClicksLength",
    "CurvatureEstimate",
    "ElectronicLength",
    "ElectronicReading",
    "Flag",
    "Instrument",
    "KnownLine",
    "LengthEstimate",
    "LengthRecord",
    "LineArc",
    "Noise",
    "Radiograph",
    "RadiographicLength",
    "SpacingClaim",
    "Tooth",
    "WlmeasureError",
    "WorkingLength",
    "__version__",
    "calibrate_lines",
    "calibrate_spacing",
    "clicks_length",
    "electronic_length",
    "evaluate",
    "fit_line_arc",
    "fit_many",
    "given_path",
    "load_case",
    "measure_curvature",
    "measure_length",
    "radiographic_length",
    "read",
    "reconcile",
    "save_case",
    "trace_line",
]


def test_the_public_names_are_these():
    assert wlmeasure.__all__ == PUBLIC
    assert dir(wlmeasure) == sorted(PUBLIC)


@pytest.mark.parametrize("name", [name for name in PUBLIC if name != "__version__"])
def test_every_name_is_what_its_own_module_publishes(name):
    value = getattr(wlmeasure, name)
    home = importlib.import_module(value.__module__)
    assert getattr(home, name) is value
    assert name in home.__all__
    assert value.__doc__


def test_a_star_import_brings_them_all():
    names: dict[str, object] = {}
    exec("from wlmeasure import *", names)  # what a notebook does
    assert set(PUBLIC) <= set(names)


def test_another_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="module 'wlmeasure' has no attribute 'working_length'"):
        _ = wlmeasure.working_length
    with pytest.raises(ImportError):
        from wlmeasure import nothing  # noqa: F401 - the failing import is the test


def test_the_version_is_the_one_of_the_project():
    import tomllib
    from pathlib import Path

    project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert wlmeasure.__version__ == project["version"]


def test_importing_the_package_loads_none_of_its_rooms():
    code = "import sys, wlmeasure; print(sorted(m for m in sys.modules if m.startswith('wlmeasure') or m == 'numpy'))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['wlmeasure']"
