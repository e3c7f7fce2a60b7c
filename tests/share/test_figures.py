"""Figures: what is drawn lies where it was traced (x = column, y = row), and each SVG is XML of its own."""

import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pytest

from wlmeasure.share.drawing import Line, image_element
from wlmeasure.share.figures import (
    CANAL_COLOURS,
    FILE_COLOUR,
    canal_colours,
    film_drawing,
    film_picture,
    picture_svg,
)
from wlmeasure.share.page import Columns, Figure
from wlmeasure.share.report import report

SVG = "{http://www.w3.org/2000/svg}"


def lines(root, colour):
    """Point arrays (x, y) of the polylines of one colour; the bars of stop and reference point are thicker and left out."""
    found = [e for e in root.iter(f"{SVG}polyline") if e.get("stroke") == colour and e.get("stroke-width") != "2.5"]
    return [np.array([[float(v) for v in p.split(",")] for p in e.get("points").split()]) for e in found]


def drawn(result):
    return [ET.fromstring(picture_svg(result, film)) for film in result.films]


def test_polylines_are_the_paths_with_x_from_columns_and_y_from_rows(measured):
    """Every point drawn is a point of the path, to the two decimals that are written; the ends are both there."""
    for result in measured.values():
        for root, film in zip(drawn(result), result.films, strict=True):
            (trace,) = [t for canal in result.canals for t in canal.traces if t.film is film]
            (line,) = lines(root, CANAL_COLOURS[0])
            path = trace.path.path_px[:, ::-1]
            gap = np.abs(line[:, None] - path[None]).max(axis=2).min(axis=1)
            assert gap.max() <= 0.00501
            np.testing.assert_allclose(line[[0, -1]], path[[0, -1]], atol=0.00501)
            for shown, known in zip(lines(root, FILE_COLOUR), film.calibration.lines, strict=True):
                np.testing.assert_allclose(shown[[0, -1]], known.path_px[[0, -1], ::-1], atol=0.00501)


def test_a_short_path_is_drawn_point_by_point(bench):
    path = [[20, 60], [200, 75.25], [460, 120]]
    (root,) = drawn(bench(trace_changes={"path_px": path, "reference_px": [8, 69]}))
    crown, canal = lines(root, CANAL_COLOURS[0])
    assert canal.tolist() == [[60, 20], [75.25, 200], [120, 460]]
    assert crown.tolist() == [[69, 8], [60, 20]]


def test_the_view_is_the_film_from_corner_to_corner(bench):
    """(0, 0) is the centre of the first pixel, so picture and view begin half a pixel before it."""
    (root,) = drawn(bench({"col_over_row": 0.8}))
    assert root.get("viewBox") == "-0.5 -0.5 300 480"
    image = next(root.iter(f"{SVG}image"))
    assert [image.get(name) for name in ("x", "y", "width", "height")] == ["-0.5", "-0.5", "300", "480"]
    assert float(root.get("width")) / float(root.get("height")) == pytest.approx(300 * 0.8 / 480, abs=0.002)


def test_the_scale_bar_is_as_long_as_it_says(bench):
    """5 mm along a row of pixels of 0.04 mm: 125 px."""

    def drawing(result):
        (film,) = result.films
        return film_drawing(film, [], film_picture(film), {})

    marked = drawing(bench({"col_over_row": 0.8}))
    assert "5 mm" in [shape.text for shape in marked.shapes if hasattr(shape, "text")]
    white = [shape.points for shape in marked.shapes if isinstance(shape, Line) and shape.colour == "#fff"]
    ((begin, end),) = [points for points in white if points[0][1] == points[1][1]]
    assert end[0] - begin[0] == pytest.approx(5.0 / 0.04)
    assert not [shape for shape in drawing(bench({"scale": []})).shapes if hasattr(shape, "text")]


def test_the_white_dot_lies_at_the_working_length(bench):
    """Along a straight canal of 0.05 mm a pixel from row 20, in column 60; with a crown piece of 1 mm from row 0."""
    for changes, first_row in (({}, 20.0), ({"trace_changes": {"reference_px": [0, 60]}}, 0.0)):
        result = bench(**changes)
        (root,) = drawn(result)
        dot = next(e for e in root.iter(f"{SVG}ellipse") if e.get("fill") == "#fff")
        length = result.canals[0].working_length.length_mm
        assert float(dot.get("cx")) == 60.0
        assert float(dot.get("cy")) == pytest.approx(first_row + length / 0.05, abs=0.01)


def test_hostile_names_stay_text_in_a_picture_of_its_own(hostile):
    (root,) = drawn(hostile)
    assert not [e for e in root.iter() if "script" in e.tag]
    assert "<script>" in root.get("aria-label")


def test_each_canal_has_a_colour_of_its_own(bench):
    names = ["MB", "ML", "DB", "DL", "P"]
    canals = [{"name": name, "reference_point": "cusp", "traces": []} for name in names]
    colours = canal_colours(bench(canals=canals))
    assert list(colours) == names
    assert len(set(colours.values())) == 5
    assert FILE_COLOUR not in colours.values()


def test_a_large_film_is_embedded_smaller_and_keeps_its_coordinates(bench, tmp_path):
    import attrs

    from wlmeasure.image.radiograph import Radiograph

    film = bench().films[0]
    large = attrs.evolve(film, radiograph=Radiograph.from_array(np.arange(4000, dtype=np.uint16).reshape(4000, 1)))
    picture = film_picture(large)
    assert (picture.width, picture.height) == (1, 4000)
    assert 'width="1" height="4000"' in image_element(picture)
    assert cv2.imdecode(np.frombuffer(picture.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE).shape == (1600, 1)


def test_the_white_dot_follows_the_decision(bench):
    """Decided 18 mm of 22 along a straight canal of 20 px a mm: 360 px from row 20; none where it counts from elsewhere."""
    decision = {
        "id": "e1", "kind": "decided working length", "at": "2026-11-25T10:30", "by": "NB", "canal": "MB",
        "reference_point": "cusp", "length_mm": 18.0,
    }  # fmt: skip

    def dots(**changes):
        (root,) = drawn(bench(**changes))
        return [float(e.get("cy")) for e in root.iter(f"{SVG}ellipse") if e.get("fill") == "#fff"]

    assert dots(entries=[decision]) == [380.0]
    assert dots(entries=[decision | {"reference_point": "fossa"}]) == []
    assert dots(entries=[decision], trace_changes={"reference_px": None}) == []  # the film's length is from the orifice


OBJECT = {"kind": "known_object", "points_px": [[40, 200], [240, 200]], "known_length_mm": 10.0}


def test_an_object_of_known_size_is_drawn_thin_from_dot_to_dot_and_has_no_stop(bench):
    result = bench({"scale": [OBJECT]}, trace_changes={"reference_px": None})
    (root,) = drawn(result)
    assert [line.tolist() for line in lines(root, FILE_COLOUR)] == [[[200, 40], [200, 240]]]
    assert [e for e in root.iter(f"{SVG}polyline") if e.get("stroke-width") == "2.5"] == []
    dots = [(e.get("cx"), e.get("cy")) for e in root.iter(f"{SVG}ellipse") if e.get("fill") == FILE_COLOUR]
    assert dots == [("200.00", "40.00"), ("200.00", "240.00")]
    (figure,) = [part for block in report(result, made_at="", program="").blocks if isinstance(block, Columns)
                 for part in block.left if isinstance(part, Figure) and "Ring" in part.caption]  # fmt: skip
    assert "Bar" not in figure.caption
    assert [key.words for key in figure.keys] == ["object of known size", "canal MB"]


def test_the_way_from_what_the_stop_rested_on_to_the_shaft_is_drawn(bench):
    """From the cusp at column 75 square to the file in column 50; there is no canal yet."""
    file = {"kind": "known_file", "points_px": [[5, 50], [420, 50]], "trace_kind": "path", "known_length_mm": 18.0}
    result = bench({"scale": [file | {"upper_end": "reference", "reference_px": [60, 75]}]}, canals=[])
    (root,) = drawn(result)
    assert [[75, 60], [50, 60]] in [line.tolist() for line in lines(root, FILE_COLOUR)]
    (figure,) = [part for block in report(result, made_at="", program="").blocks if isinstance(block, Columns)
                 for part in block.left if isinstance(part, Figure)]  # fmt: skip
    assert figure.caption == (
        "Bar: where the stop rested. Small ring: the point that the stop rested on, and from it square to the shaft."
    )
