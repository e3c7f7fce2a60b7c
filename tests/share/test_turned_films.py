"""A film that is shown turned or mirrored is printed so: the marks follow the picture, and words say what was done."""

import xml.etree.ElementTree as ET
from io import BytesIO

import numpy as np
import pydicom
import pytest
from attrs import evolve
from PIL import Image

from wlmeasure.image.view import View, to_view, view_words
from wlmeasure.record import edit
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.drawing import Ellipse, Label, Line, Picture
from wlmeasure.share.figures import CANAL_COLOURS, Shown, apex_drawing, film_drawing, film_picture, picture_svg
from wlmeasure.share.report import report_file

VIEWS = [View(turns, mirrored) for turns in range(4) for mirrored in (False, True)]
CORNERS = {View(0): (0, 0), View(1): (479, 0), View(2): (479, 299), View(3): (0, 299), View(0, True): (0, 299),
           View(1, True): (0, 0), View(2, True): (479, 0), View(3, True): (479, 299)}  # fmt: skip
"""Which pixel of a film of 480 x 300 is seen in the upper left, by hand: turned clockwise first, then left for right."""


def shown_so(result, view):
    case = edit.with_view(result.case, "f1", view)
    return evaluate(case, {film.film.id: film.radiograph for film in result.films})


def drawing_of(result):
    (film,) = result.films
    drawn = [(canal, trace) for canal in result.canals for trace in canal.traces]
    return film_drawing(film, drawn, film_picture(film), {"MB": CANAL_COLOURS[0]})


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_the_picture_lies_so_and_what_is_drawn_lies_on_the_same_pixels(bench, view):
    """The canal's ends by hand from the corner that is seen first; the bar of 5 mm is as long as the shown columns say."""
    result = shown_so(bench({"col_over_row": 0.8}), view)
    made = drawing_of(result)
    (picture,) = [shape for shape in made.shapes if isinstance(shape, Picture)]
    size = (300, 480) if view.quarter_turns % 2 == 0 else (480, 300)
    assert (picture.width, picture.height) == size
    assert made.box == (-0.5, -0.5, *size)
    shown = np.asarray(Image.open(BytesIO(picture.jpeg)), int)
    stored = result.films[0].radiograph.displayed().astype(int)
    row, col = CORNERS[view]
    block = stored[max(0, row - 60) : row + 61, max(0, col - 60) : col + 61]
    turned = np.rot90(block, -view.quarter_turns)
    turned = turned[:, ::-1] if view.mirrored else turned
    assert np.abs(shown[:61, :61] - turned).mean() < 8.0 < np.abs(shown[:61, :61] - turned[::-1]).mean()
    canal = [shape for shape in made.shapes if isinstance(shape, Line) and shape.colour == CANAL_COLOURS[0]]
    (line,) = [shape.points for shape in canal if len(shape.points) == 2 and shape.width == 1.8]
    ends = [(20, 60), (460, 60)]
    away = [(abs(r - row), abs(c - col)) for r, c in ends]
    by_hand = [(a, b) if view.quarter_turns % 2 else (b, a) for a, b in away]  # as x, y
    np.testing.assert_allclose(line, by_hand)
    (ring,) = [s for s in made.shapes if isinstance(s, Ellipse) and not s.fill]
    assert (ring.x, ring.y) == pytest.approx(by_hand[1])
    ((x, y), (x2, y2)) = next(
        s.points for s in made.shapes if isinstance(s, Line) and (s.colour, s.width) == (CANAL_COLOURS[0], 2.5)
    )
    assert (x == x2, y == y2) == ((True, False) if view.quarter_turns % 2 else (False, True))  # across the canal
    across = 0.04 if view.quarter_turns % 2 == 0 else 0.05  # mm a column, as it is seen
    ((begin, end),) = [
        s.points for s in made.shapes if isinstance(s, Line) and s.colour == "#fff" and s.points[0][1] == s.points[1][1]
    ]
    assert end[0] - begin[0] == pytest.approx(5.0 / across)
    tall, wide = made.height * size[0], made.width * size[1]
    assert tall / wide == pytest.approx(1.0 / Shown(result.films[0]).ratio)
    assert Shown(result.films[0]).ratio == pytest.approx(0.8 if view.quarter_turns % 2 == 0 else 1.25)


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_the_words_stand_on_every_picture_and_in_the_report(bench, view):
    result = shown_so(bench(), view)
    words = view_words(view)
    (canal,), (film,) = result.canals, result.films
    close = apex_drawing(canal, canal.traces[0], film_picture(film), CANAL_COLOURS[0])
    for made in (drawing_of(result), close):
        said = [shape.text for shape in made.shapes if isinstance(shape, Label) and shape.text == words]
        assert said == ([words] if words else [])
    x, y, wide, high = close.box
    assert x + 0.5 * wide, y + 0.6 * high == pytest.approx(to_view([(460, 60)], (480, 300), view)[0, ::-1])
    page = report_file(result, "a.html", made_at="2026-12-01 10:00", program="wlmeasure").content.decode()
    assert ("the film itself is as stored" in page) is bool(words)
    assert page.count("mirrored") == (0 if not view.mirrored else page.count(words))
    (root,) = [ET.fromstring(picture_svg(result, film))]
    assert (words in "".join(root.itertext())) or not words


def test_turning_changes_no_figure_and_no_digest(bench):
    from wlmeasure.record.case import case_digest

    plain = bench({"col_over_row": 0.8})
    for view in VIEWS:
        turned = shown_so(plain, view)
        one, other = turned.canals[0].traces[0].length, plain.canals[0].traces[0].length
        assert (one.length_mm, one.length_interval_mm) == (other.length_mm, other.length_interval_mm)
        assert case_digest(turned.case) == case_digest(plain.case)
        assert turned.case.canals == plain.case.canals
        assert evolve(turned.case.films[0], view=None) == plain.case.films[0]


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_a_presentation_state_shows_the_film_so(bench, tmp_path, view):
    """What PS3.3 C.10.6 says, done by hand: turned clockwise by Image Rotation, and only then flipped."""
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    from wlmeasure.share.dicom.objects import dicom_bytes
    from wlmeasure.share.dicom.presentation import presentation_state
    from wlmeasure.share.dicom.source import film_images

    result = shown_so(bench(), view)
    (image,) = film_images(result)
    made = {"made_at": "2026-12-01T10:00:00", "program": "wlmeasure"}
    state = pydicom.dcmread(BytesIO(dicom_bytes(presentation_state(result, image, **made))))
    stored = shown_so(result, View())
    plain = presentation_state(stored, film_images(stored)[0], **made)
    assert (state.SOPInstanceUID == plain.SOPInstanceUID) is (view == View())
    (area,) = state.DisplayedAreaSelectionSequence
    first, last = list(area.DisplayedAreaTopLeftHandCorner), list(area.DisplayedAreaBottomRightHandCorner)
    row, col = CORNERS[view]
    assert first == [col + 1, row + 1]
    assert last == [300 - col, 480 - row]
    labels = [
        text.UnformattedTextValue for a in state.GraphicAnnotationSequence for text in a.get("TextObjectSequence", ())
    ]
    if view == View():
        assert "ImageRotation" not in state
        assert not any("mirrored" in text or "turned" in text for text in labels)
        return
    pixels = image.dataset.pixel_array
    seen = np.rot90(pixels, -state.ImageRotation // 90)
    seen = seen[:, ::-1] if state.ImageHorizontalFlip == "Y" else seen
    assert seen[0, 0] == pixels[first[1] - 1, first[0] - 1]
    assert seen[-1, -1] == pixels[last[1] - 1, last[0] - 1]
    np.testing.assert_array_equal(seen[0, :9], _along(pixels, view))
    assert labels.count(view_words(view)) == 1
    lines = [
        list(a.GraphicObjectSequence[0].GraphicData[:2])
        for a in state.GraphicAnnotationSequence
        if "CANAL" in a.GraphicLayer
    ]
    assert lines == [[60.5, 20.5]]  # of the film as it is stored


def _along(pixels, view):
    """The first nine pixels of the uppermost row that is seen, read off the stored film by hand."""
    rows = {View(0): pixels[0, :9], View(1): pixels[:-10:-1, 0], View(2): pixels[-1, :-10:-1], View(3): pixels[:9, -1],
            View(0, True): pixels[0, :-10:-1], View(1, True): pixels[:9, 0], View(2, True): pixels[-1, :9],
            View(3, True): pixels[:-10:-1, -1]}  # fmt: skip
    return rows[view]
