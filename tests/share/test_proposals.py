"""What is proposed on a film, drawn: never as if it were decided. And no other output of a case knows of it."""

import json
import xml.etree.ElementTree as ET
from io import BytesIO
from itertools import pairwise

import cv2
import numpy as np
import pydicom
import pytest
from attrs import evolve

from tests.share.every_output import MADE, outputs
from wlmeasure.flags import Flag
from wlmeasure.record.case import ProposedItem, case_from_json, case_to_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.card import card_file
from wlmeasure.share.dicom.structured_report import CASE_BLOCK
from wlmeasure.share.drawing import Drawing, Ellipse, Label, Line, svg
from wlmeasure.share.figures import picture_svg
from wlmeasure.share.hand_on import share_files
from wlmeasure.share.paths import paths_text
from wlmeasure.share.proposals import chance_words, item_rows, proposal_drawing
from wlmeasure.share.raster import png
from wlmeasure.share.report import report_file
from wlmeasure.share.result import record_text, result_json
from wlmeasure.share.tables import lengths_csv

MODEL = {"model": "look", "model_sha256": "ab" * 32}
ROWS, COLS, RATIO = 400, 300, 0.8
ODD = 123.456
"""A coordinate that stands nowhere else."""


def item(kind, *points, label=None, chance=0.95, trusted=True, **more):
    return ProposedItem(
        kind=kind, label=label or f"{kind} 1", points_px=points, probability=chance, trusted=trusted, **more, **MODEL
    )  # fmt: skip


ITEMS = (
    item("file", (20.0, 100.0), (300.0, 100.0), chance=0.5, trusted=False, begins="seen", ends="seen"),
    item("upper end", (20.0, 100.0), of="file 1", std_px=3.0),
    item("tip", (300.0, 100.0), of="file 1"),
    item("canal", (150.0, 200.0), (250.0, 200.0), (350.0, 230.0)),
    item("root end", (355.0, ODD)),
    item("orifice", (150.0, 200.0)),
    item("reference point", (20.0, 90.0)),
)


@pytest.fixture
def drawing():
    flat = np.full((ROWS, COLS), 90, np.uint8)
    return proposal_drawing(flat, ITEMS, [Flag("roots-overlap", "Roots lie over one another.")], col_over_row=RATIO)


def test_every_line_is_dashed_and_every_end_hollow(drawing):
    lines = [shape for shape in drawing.shapes if isinstance(shape, Line)]
    long = [line for line in lines if np.ptp([y for _, y in line.points]) > 50.0]
    assert len(long) == 4  # file and canal, each with its rim
    assert all(line.dash for line in long)
    doubted, sure = long[0].dash, long[2].dash
    assert doubted[0] < sure[0]
    rings = [shape for shape in drawing.shapes if isinstance(shape, Ellipse)]
    assert len(rings) == 6
    assert not any(ring.fill for ring in rings)
    for ring in rings:  # round on the film, whose columns lie closer together than its rows
        assert ring.rx * RATIO == pytest.approx(ring.ry)


def test_names_are_neutral_and_probabilities_in_words(drawing):
    words = [shape.text for shape in drawing.shapes if isinstance(shape, Label)]
    assert words[:2] == ["file 1, about as likely as not", "canal 1, very likely"]
    assert "Nothing here counts before a person takes it." in words[2]
    assert "Roots lie over one another." in words
    assert not any("mm" in text or any(sign.isdigit() for sign in text.partition(" 1")[2]) for text in words)


def test_a_likelihood_that_is_none_is_not_said():
    made = proposal_drawing(np.zeros((ROWS, COLS), np.uint8), ITEMS, calibrated=False)
    assert [shape.text for shape in made.shapes if isinstance(shape, Label)][:2] == ["file 1", "canal 1"]


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        *((1.0, "virtually certain"), (0.99, "virtually certain"), (0.9, "very likely"), (0.66, "likely")),
        *((0.5, "about as likely as not"), (0.32, "unlikely"), (0.09, "very unlikely"), (0.0, "very unlikely")),
    ],
)
def test_the_words_of_a_probability(chance, words):
    """The scale of the IPCC's guidance note (2010)."""
    assert chance_words(chance) == words


def test_names_do_not_lie_over_one_another():
    """Six canals that end within a few pixels."""
    crowd = [item("canal", (50.0, 150.0 + k), (300.0 + k, 150.0 + k), label=f"canal {k + 1}") for k in range(6)]
    made = proposal_drawing(np.zeros((ROWS, COLS), np.uint8), crowd)
    names = [s for s in made.shapes if isinstance(s, Label) and s.text.startswith("canal")]
    unit = made.width / made.box[2], made.height / made.box[3]
    tops = sorted((s.y * unit[1], s.x * unit[0]) for s in names)
    for (y, x), (below, right) in pairwise(tops):
        assert below - y >= 15.0 or abs(right - x) >= 100.0


def test_the_svg_is_one_document(drawing):
    root = ET.fromstring(svg(drawing))
    assert sum(element.tag.endswith("ellipse") for element in root.iter()) == 6


def test_the_png_has_the_lines_where_the_items_are(drawing):
    """Along the file at column 100: its colour for half of the way at most, and none between the dashes; the film elsewhere."""
    picture = cv2.imdecode(np.frombuffer(png(drawing), np.uint8), cv2.IMREAD_COLOR).astype(int)
    scale = picture.shape[0] / drawing.box[3]
    assert picture.shape[1] / drawing.box[2] == pytest.approx(scale * RATIO, rel=0.01)
    col = round((100.0 + 0.5) * scale * RATIO - 0.5)
    along = picture[round(60 * scale) : round(250 * scale), col]
    blue = (along[:, 0] > 180) & (along[:, 2] < 130)
    assert 0.2 < blue.mean() < 0.8
    beside = picture[round(60 * scale) : round(250 * scale), col - 15]
    assert np.abs(beside - 90).max() <= 2
    ring = picture[round(355.5 * scale), round((ODD + 0.5) * scale * RATIO)]
    assert np.abs(ring - 90).max() <= 2  # hollow


def test_a_dash_is_as_long_as_it_says():
    line = Drawing(
        (0.0, 0.0, 200.0, 20.0), 200.0, 20.0, (Line(((10.5, 10.5), (190.5, 10.5)), "#fff", 1.0, (20.0, 10.0)),), ""
    )
    on = cv2.imdecode(np.frombuffer(png(evolve(line, is_film=True)), np.uint8), cv2.IMREAD_GRAYSCALE)[10] > 100
    starts = np.flatnonzero(np.diff(on.astype(int)) == 1)
    assert len(starts) == 6  # 180 pixels of 30 each
    assert set(np.diff(starts)) == {30}
    assert on.sum() == pytest.approx(6 * 20, abs=12)


def test_rows_of_the_table():
    file, _, _, canal, root, *_ = item_rows(
        "a.png", [(one, () if one.trusted else ("why",)) for one in ITEMS], calibrated=True
    )
    assert file[:3] == ("a.png", "file", 1)
    assert file[5:9] == ("0.500", "about as likely as not", "no", "why")
    assert canal[9:13] == ("150.00", "200.00", "350.00", "230.00")
    assert canal[-1] == 3
    assert root[9:13] == ("355.00", "123.46", None, None)


# --- every output of a case ------------------------------------------------------------------------------------------


def with_proposals(result):
    case = result.case
    far = tuple(item(one.kind, *((r + ODD, c + ODD) for r, c in one.points_px), label=one.label) for one in ITEMS)
    body = case_to_json(evolve(case, films=tuple(evolve(film, proposed=far) for film in case.films)))
    return evaluate(case_from_json(body, folder=case.folder))


def everything(result, folder):
    """All that leaves the house, as bytes."""
    said = {
        "text": record_text(result),
        "json": json.dumps(result_json(result)),
        "csv": lengths_csv(result),
        "paths": paths_text(result),
        "pictures": [picture_svg(result, film) for film in result.films],
        "report": [report_file(result, f"r.{form}", **MADE).content for form in ("html", "pdf")],
        "card": [card_file(result, f"c.{form}", **MADE).content for form in ("html", "pdf")],
    }
    folder.mkdir()
    made = {"made_at": "2026-11-25T10:30:00", "program": "wlmeasure 0.1.0", "previous": None}
    for form in ("sr", "presentation", "secondary"):
        for film in [None] if form == "sr" else [film.film.id for film in result.films]:
            for path, content in share_files(result, form, folder / f"{form}.dcm", film=film, **made):
                said[f"{form} {film} {path.name}"] = content
    return said


def test_every_output_but_the_case_file_is_the_same(molar, tmp_path):
    """The demonstration: four films, three canals, two of them with known files. Byte for byte, reports' own case included."""
    other = with_proposals(molar)
    assert all(len(film.film.proposed) == len(ITEMS) for film in other.films)
    plain, more = everything(molar, tmp_path / "a"), everything(other, tmp_path / "b")
    assert plain.keys() == more.keys()
    different = [name for name in plain if plain[name] != more[name]]
    assert different == []
    report = pydicom.dcmread(BytesIO(more["sr None sr.dcm"]))
    group, creator, element = CASE_BLOCK
    assert "proposed" not in json.loads(report.private_block(group, creator)[element].value)["films"][0]


def test_every_output_read_back_says_the_same(bench, tmp_path):
    (tmp_path / "a").mkdir()
    result = bench()
    assert outputs(with_proposals(result), tmp_path / "a") == outputs(result, tmp_path / "a")
