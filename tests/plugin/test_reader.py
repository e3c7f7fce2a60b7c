"""The plugin's reader: napari's contract for readers, and layers that lie where the films and traces are."""

import hashlib
import json
import sys
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
import wlmeasure_napari
from npe2 import PluginManifest
from wlmeasure_napari._reader import case_reader

from wlmeasure.errors import CaseError
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate

ROOT = Path(__file__).resolve().parents[2]
CASES = ROOT / "sample_images" / "cases"
ROWS, COLS = 480, 300


@pytest.fixture
def case(tmp_path):
    """A function: two canals and a known file on a film of noise whose columns are `ratio` rows apart."""

    def case(ratio=None, **film):
        content = cv2.imencode(".png", np.random.default_rng(7).integers(0, 4096, (ROWS, COLS), dtype=np.uint16))[1]
        (tmp_path / "film.png").write_bytes(content.tobytes())
        scale = {
            "kind": "known_file",
            "points_px": [[20, 50], [420, 50]],
            "trace_kind": "path",
            "known_length_mm": 20.0,
        }
        first = {
            "id": "f1",
            "path": "film.png",
            "sha256": hashlib.sha256(content.tobytes()).hexdigest(),
            "rows": ROWS,
            "cols": COLS,
            "scale": [scale],
        }
        if ratio is not None:
            first["col_over_row"] = ratio
        canals = [
            {
                "name": name,
                "reference_point": "cusp",
                "traces": [{"film": "f1", "path_px": [[20, col], [460, col + 8]], "apical_end": "radiographic apex"}],
            }
            for name, col in (("MB", 60), ("ML", 90))
        ]
        path = tmp_path / "a.wl.json"
        body = {"schema": "wlmeasure-case/1", "tooth": "46", "films": [first | film], "canals": canals}
        path.write_text(json.dumps(body), encoding="utf-8")
        return path

    return case


@pytest.mark.parametrize(
    "path", ["a.png", "a.json", "a.wl.json.bak", "", [], ["a.png"], ["a.wl.json", "b.wl.json"], ["a.wl.json", "a.png"]]
)
def test_what_is_not_one_case_file_is_left_to_other_readers(path):
    assert case_reader(path) is None


def test_a_case_file_is_claimed_by_name_alone_and_read_later():
    """napari asks every reader for every path; asking must not cost a measurement."""
    reader = case_reader("/nowhere/a.wl.json")
    assert callable(reader)
    assert callable(case_reader(["/nowhere/a.wl.json"]))
    with pytest.raises(CaseError, match=r"a\.wl\.json cannot be read"):
        reader("/nowhere/a.wl.json")


def test_layers_are_image_file_and_canals_of_each_film():
    """Sample with two films: three layers a film, named after it, in (row, col) as the core has them."""
    path = str(CASES / "two_films.wl.json")
    layers = case_reader(path)(path)
    assert [(kind, options["name"]) for _, options, kind in layers] == [
        ("image", "film f1"),
        ("shapes", "file on f1"),
        ("shapes", "canals on f1"),
        ("image", "film f2"),
        ("shapes", "file on f2"),
        ("shapes", "canals on f2"),
    ]
    result = evaluate(load_case(path))
    for k, film in enumerate(result.films):
        image, files, canals = (layers[3 * k + m][0] for m in range(3))
        np.testing.assert_array_equal(image, film.radiograph.density())
        np.testing.assert_array_equal(files[0], film.file_traces[0].path_px)
        np.testing.assert_array_equal(canals[0], result.canals[0].traces[k].path.path_px)


def test_the_list_form_of_a_path_gives_the_same(case):
    path = str(case())
    one, other = case_reader(path)(path), case_reader([path])([path])
    assert [kind for _, _, kind in one] == [kind for _, _, kind in other]


def test_coordinates_are_pixels_and_unequal_spacing_is_the_layers_scale(case):
    path = str(case(ratio=0.8))
    layers = case_reader(path)(path)
    assert len(layers) == 3
    assert all(options["scale"] == pytest.approx((1.0, 0.8)) for _, options, _ in layers)
    canals, options, _ = layers[2]
    assert [line.tolist() for line in canals] == [[[20, 60], [460, 68]], [[20, 90], [460, 98]]]
    assert options["features"] == {"canal": ["MB", "ML"]}
    assert options["shape_type"] == "path"
    assert layers[1][0][0].tolist() == [[20, 50], [420, 50]]


def test_a_film_is_laid_as_the_case_says(case):
    """A quarter turn clockwise of 480 x 300 pixels, columns 0.8 rows apart: row r to 479 - r, column c to 0.8 c down."""
    from napari.layers import Image, Shapes

    turned = case(ratio=0.8, view={"quarter_turns": 1})
    kinds = {"image": Image, "shapes": Shapes}
    for data, options, kind in case_reader(str(turned))(str(turned)):
        layer = kinds[kind](data, **options)
        for row, col in ((0.0, 0.0), (100.0, 60.0), (479.0, 299.0)):
            assert layer.data_to_world((row, col)) == pytest.approx((0.8 * col, 479.0 - row))


def test_lines_stay_visible_on_a_film_that_the_window_shows_reduced(case):
    """The film of 1500 rows gets lines five times as wide as one of 300 rows would; the file shows beside the canal."""
    paths = [str(case()), str(CASES / "straight.wl.json")]
    widths = [[layer[1]["edge_width"] for layer in case_reader(path)(path)[1:]] for path in paths]
    assert widths[1] == pytest.approx([width * 1500 / ROWS for width in widths[0]])
    assert all(file > 2.0 * canal > 0.0 for file, canal in widths)


def test_a_film_without_known_file_has_no_file_layer(case):
    path = str(case(scale=[]))
    assert [options["name"] for _, options, _ in case_reader(path)(path)] == ["film f1", "canals on f1"]


def test_the_manifest_is_valid_and_its_command_is_the_reader():
    """npe2's own model of a manifest, and the import of every name in it."""
    manifest = PluginManifest.from_file(Path(wlmeasure_napari.__file__).with_name("napari.yaml"))
    manifest.validate_imports()
    assert manifest.name == "wlmeasure"
    reader = manifest.contributions.readers[0]
    assert (reader.filename_patterns, reader.accepts_directories) == (["*.wl.json"], False)
    (command,) = [c for c in manifest.contributions.commands if c.id == reader.command]
    assert command.python_name == "wlmeasure_napari._reader:case_reader"


def test_the_project_publishes_the_manifest_to_napari():
    """The entry point that napari looks for, and the file it names, are where the package is."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    module, name = project["entry-points"]["napari.manifest"]["wlmeasure"].split(":")
    assert Path(sys.modules[module].__file__).with_name(name).is_file()
