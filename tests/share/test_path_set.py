"""The path file: a published schema that says what reader and writer do, pixels as (column, row), one feature a line."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import wlmeasure.share.path_set
from wlmeasure.errors import ShareError
from wlmeasure.share.columns import CALIBRATION_COLUMNS, CANAL_COLUMNS, IMAGE_COLUMNS, VERTEX_COLUMNS
from wlmeasure.share.path_set import (
    MEMBERS,
    PathFeature,
    feature_from_json,
    feature_to_json,
    head_from_json,
    paths_schema,
)
from wlmeasure.share.paths import Credit, paths_json, paths_of, paths_text, stored_paths

PUBLISHED = Path(wlmeasure.share.path_set.__file__).with_name("paths.schema.json")
VALIDATOR = jsonschema.Draft202012Validator(paths_schema())
REGENERATE = (
    "paths.schema.json is not what the classes say; write it again:\n"
    'python -c "import json, pathlib, wlmeasure.share.path_set as p; pathlib.Path(p.__file__).with_name('
    "'paths.schema.json').write_text(json.dumps(p.paths_schema(), indent=1) + chr(10))\""
)


def test_the_published_schema_is_that_of_the_classes():
    assert json.loads(PUBLISHED.read_text("utf-8")) == paths_schema(), REGENERATE


def test_what_is_written_is_valid_and_reads_back(measured, molar):
    for result in [*measured.values(), molar]:
        text = paths_text(result, Credit("A", "1", file_names=True))
        said = json.loads(text)
        VALIDATOR.validate(said)
        assert said == paths_json(result, Credit("A", "1", file_names=True))
        made = paths_of(result, Credit("A", "1", file_names=True))
        assert head_from_json(said) == made.head
        assert tuple(feature_from_json(one) for one in said["features"]) == made.features
        # A head, a line for each feature, an end: so that it is read line by line.
        assert len(text.splitlines()) == len(made.features) + 2


def test_file_names_are_left_out_unless_asked_for(molar):
    assert "molar_mb.png" not in paths_text(molar)
    assert "molar_mb.png" in paths_text(molar, Credit(file_names=True))


def test_the_figures_are_those_of_the_result(molar):
    canals = [one for one in paths_of(molar).features if one.kind == "canal"]
    traces = [trace for canal in molar.canals for trace in canal.traces]
    assert [one.length_mm for one in canals] == [trace.length.length_mm for trace in traces]
    assert [one.schneider_deg for one in canals] == [trace.curvature.schneider_deg for trace in traces]
    for one, trace in zip(canals, traces, strict=True):
        assert one.path_px == pytest.approx(trace.path.path_px, abs=5e-4)


def test_a_line_without_an_upper_end_of_its_radius_has_none(bench):
    """A nearly straight canal: JSON knows no infinity."""
    rng = np.random.default_rng(3)
    path = np.column_stack([np.linspace(20, 460, 23), 60 + 18 * np.linspace(0, 1, 23) ** 2 + rng.normal(0, 3, 23)])
    result = bench(trace_changes={"path_px": path.tolist()})
    (canal,) = (one for one in paths_of(result).features if one.kind == "canal")
    VALIDATOR.validate(paths_json(result))
    low, high = result.canals[0].traces[0].curvature.pruett_radius_interval_mm or (None, None)
    assert canal.radius_low_mm == low
    assert canal.radius_high_mm == (high if high is not None and np.isfinite(high) else None)


def test_stored_paths_need_no_film(bench):
    """The known file is 400 px = 20 mm, so a pixel is 0.05 mm; the canal's 440 px are 22 mm."""
    case = bench().case
    made, errors = stored_paths(case)
    assert errors == []
    file, canal = made.features
    (scale,) = made.head.calibrations
    assert (scale.mm_per_px_row, scale.mm_per_px_col) == (pytest.approx(0.05), pytest.approx(0.05))
    assert file.known_length_mm == 20.0
    assert canal.path_px.tolist() == [[20, 60], [460, 60]]
    assert made.head.scale(canal) is scale


def feature(**changes):
    body = {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": [[1, 2], [3, 4.5]]},
        "properties": {"kind": "canal", "image": "f1", "reference": [7, 8], "score": 3},
    }
    return body | changes


def test_columns_come_before_rows_in_the_file_and_unknown_members_stay():
    one = feature_from_json(feature(id="a"))
    assert one.path_px.tolist() == [[2, 1], [4.5, 3]]
    assert one.reference_px == (8, 7)
    assert one.extra == {"score": 3}
    assert feature_to_json(one) == feature(id="a")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"type": "Polygon"}, "type must be 'Feature'"),
        ({"geometry": {"type": "Polygon", "coordinates": [[[1, 2], [3, 4]]]}}, "must be a LineString"),
        ({"geometry": {"type": "LineString", "coordinates": [[1, 2]]}}, "at least 2 points"),
        ({"geometry": {"type": "LineString", "coordinates": [[1, 2], [3]]}}, "must be pairs of numbers"),
        ({"geometry": {"type": "LineString", "coordinates": [[1, 2], [3, float("nan")]]}}, "must be finite"),
        ({"geometry": {"type": "LineString", "coordinates": [[1, 2, 0], [3, 4, 0]]}}, "must be pairs of numbers"),
        ({"properties": {"kind": "root"}}, "kind must be one of canal"),
        ({"properties": {"length_mm": -1}}, "length_mm must be >= 0"),
        ({"properties": {"tooth": "4\n6"}}, "tooth must be one line"),
        ({"properties": None}, "properties must be an object"),
    ],
)
def test_a_feature_that_cannot_be_used_is_refused(changes, said):
    with pytest.raises(ShareError, match=said):
        feature_from_json(feature(**changes))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"schema": "wlmeasure-paths/2"}, "schema must be"),
        ({"coordinate_space": "degrees"}, "coordinate_space must be"),
        ({"images": [{"id": "a"}, {"id": "a"}]}, "used once"),
        ({"calibrations": [{"mm_per_px_row": 0, "mm_per_px_col": 1}]}, "must be > 0"),
        ({"calibrations": [{"mm_per_px_row": 1}]}, "mm_per_px_col is missing; a path file needs it"),
    ],
)
def test_a_head_that_cannot_be_used_is_refused(molar, changes, said):
    with pytest.raises(ShareError, match=said):
        head_from_json(paths_json(molar) | changes)


def test_every_column_has_its_sentence():
    """The dictionary of columns is whole: each member has one, and each says something."""
    names = {name for name in MEMBERS.values() if name != "reference_px"}
    assert names < set(CANAL_COLUMNS)
    for columns in (CANAL_COLUMNS, VERTEX_COLUMNS, IMAGE_COLUMNS, CALIBRATION_COLUMNS):
        assert all(text.endswith(".") and len(text) > 10 for text in columns.values())


def test_a_path_is_kept_as_a_read_only_copy():
    points = np.array([[1.0, 2.0], [3.0, 4.0]])
    one = PathFeature(path_px=points)
    points[0] = 9.0
    assert one.path_px.tolist() == [[1, 2], [3, 4]]
    with pytest.raises(ValueError, match="read-only"):
        one.path_px[0] = 9.0
