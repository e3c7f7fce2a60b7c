"""Paths against the truth: planted errors come out as they were planted; phantoms with their truth as paths."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from scipy import stats

from wlmeasure.cli import main
from wlmeasure.errors import ShareError
from wlmeasure.phantom.dataset import make_dataset
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale
from wlmeasure.study.dataset import truth_paths, write_truth
from wlmeasure.study.path_files import open_paths
from wlmeasure.study.path_lines import write_lines
from wlmeasure.study.score import SCORE_COLUMNS, score, score_csv, score_json, score_text

ROW_MM, COL_MM = 0.02, 0.03


def write(path, head, features):
    with path.open("wb") as file:
        write_lines(file, head, features, one_object=True)
    return path


def straight(name, image="f1", col=0.0, length=600, **said):
    """A straight canal of 600 rows of 0.02 mm = 12 mm."""
    rows = np.linspace(100.0, 100.0 + length, 50)
    return PathFeature(path_px=np.column_stack([rows, np.full(50, 300.0 + col)]), image=image, canal=name, **said)


@pytest.fixture
def truth(tmp_path):
    head = Head(
        images=(PathImage(id="f1", sha256="a" * 64, file_name="film_1.png"),),
        calibrations=(PathScale(id="f1", image="f1", mm_per_px_row=ROW_MM, mm_per_px_col=COL_MM),),
    )
    said = {"length_mm": 20.0, "canal_mm": 12.0, "schneider_deg": 0.0}
    return write(tmp_path / "truth.wlpaths.json", head, [straight(name, **said) for name in ("A", "B", "C")])


def test_planted_errors(truth, tmp_path):
    """A lies 4 columns of 0.03 mm beside; B ends 25 rows of 0.02 mm short; C has no path. Distances and errors by hand.

    B's points lie on the line; of the true line's 400 points those beyond B's end lie up to 25 px off, the last 4 % of it.
    """
    mine = write(
        tmp_path / "mine.wlpaths.json", Head(), [straight("A", col=4.0), straight("B", length=575), straight("X")]
    )
    found = score([mine], [truth])
    a, b = found.canals
    assert a.distances_px == pytest.approx((4.0, 4.0, 4.0))
    assert a.distances_mm == pytest.approx((0.12, 0.12, 0.12))
    assert (a.end_px, a.end_mm) == (pytest.approx(4.0), pytest.approx(0.12))
    assert a.errors["canal_mm"] == pytest.approx(0.0, abs=1e-9)
    assert b.errors["canal_mm"] == pytest.approx(-0.5)
    assert b.distances_px[2] == pytest.approx(25.0)
    assert b.distances_px[0] == pytest.approx(25.0 / 600.0 * 12.5 / 2.0, rel=0.1)
    assert b.distances_px[1] == pytest.approx(0.0, abs=1e-9)
    assert (b.end_px, b.end_mm) == (pytest.approx(25.0), pytest.approx(0.5))
    assert a.errors["schneider_deg"] == pytest.approx(0.0, abs=1e-6)
    assert a.errors["length_mm"] is None
    assert (a.scale, a.stated) == ("truth", ())
    assert found.without_path == (("f1", "C"),)
    assert found.without_truth == ("image f1, canal X",)
    summary = found.figures["canal_mm"]
    assert (summary.n, summary.bias, summary.largest) == (2, pytest.approx(-0.25), pytest.approx(0.5))
    assert (summary.within[0].within, summary.within[0].value) == (0.5, 1.0)


def test_own_scale_and_stated_figures_count(truth, tmp_path):
    """A scale 5 % too large makes 12 mm 12.6; a stated figure is taken as it is; a reference point gives the whole length."""
    head = Head(calibrations=(PathScale(id="s", mm_per_px_row=1.05 * ROW_MM, mm_per_px_col=1.05 * COL_MM),))
    features = [
        straight("A", calibration="s", reference_px=(100.0 - 8.0 / (1.05 * ROW_MM), 300.0)),
        straight("B", calibration="s", canal_mm=11.0, length_mm=19.5, schneider_deg=3.0),
    ]
    a, b = score([write(tmp_path / "m.wlpaths.json", head, features)], [truth]).canals
    assert a.errors["canal_mm"] == pytest.approx(0.6)
    assert a.errors["length_mm"] == pytest.approx(0.6)
    assert (b.errors["canal_mm"], b.errors["length_mm"], b.errors["schneider_deg"]) == (-1.0, -0.5, 3.0)
    assert b.stated == ("length_mm", "canal_mm", "schneider_deg")
    assert a.scale == "own"


@pytest.mark.parametrize(
    "image",
    [
        PathImage(id="other", sha256="a" * 64),
        PathImage(id="f1"),
        PathImage(id="z", file_name="film_1.png"),
        PathImage(id="film_1"),
    ],
    ids=["by its hash", "by its id", "by its file name", "an id that is the file's name"],
)
def test_an_image_is_known_by(truth, tmp_path, image):
    mine = write(tmp_path / "m.wlpaths.json", Head(images=(image,)), [straight("A", image=image.id)])
    assert len(score([mine], [truth]).canals) == 1


def test_the_bias_and_its_interval(truth, tmp_path):
    """Five sessions of one canal, off by -2, -1, 0, 1 and 4 tenths: mean 0.04, Student's t (4) is 2.776 (published tables)."""
    errors = np.array([-0.2, -0.1, 0.0, 0.1, 0.4])
    features = [straight("A", session=str(k), canal_mm=12.0 + error) for k, error in enumerate(errors)]
    found = score([write(tmp_path / "m.wlpaths.json", Head(), features)], [truth]).figures["canal_mm"]
    half = 2.776 * errors.std(ddof=1) / np.sqrt(5.0)
    assert found.bias == pytest.approx(0.04)
    assert found.bias_interval == pytest.approx((0.04 - half, 0.04 + half), rel=2e-3)
    assert found.rms == pytest.approx(np.sqrt(np.mean(errors**2)))
    # Wilson's interval of 5 of 5 begins at 5 / (5 + 1.96 squared).
    met = found.within[0]
    assert (met.within, met.value) == (0.5, 1.0)
    assert met.interval == (pytest.approx(5.0 / (5.0 + 1.959964**2)), 1.0)


# Two-sided 95 %: Pearson & Hartley, Biometrika Tables for Statisticians, table 12, as every textbook prints it.
TABLED_T = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 9: 2.262, 29: 2.045}


@pytest.mark.parametrize(("freedom", "tabled"), TABLED_T.items())
def test_the_interval_of_the_bias_is_the_tabled_students(truth, tmp_path, freedom, tabled):
    """Errors that lie evenly either way: the half-width over the standard error is t itself, from one degree of freedom on."""
    errors = np.linspace(-0.3, 0.3, freedom + 1)
    features = [straight("A", session=str(k), canal_mm=12.0 + error) for k, error in enumerate(errors)]
    found = score([write(tmp_path / "m.wlpaths.json", Head(), features)], [truth]).figures["canal_mm"]
    low, high = found.bias_interval
    assert 0.5 * (high - low) / (errors.std(ddof=1) / np.sqrt(freedom + 1)) == pytest.approx(tabled, abs=5.1e-4)


def test_a_length_half_a_millimetre_off_is_within_half_a_millimetre(truth, tmp_path):
    """12.5 - 12.0 and 12.3 - 11.8 are the same half millimetre, however they are stored; Wilson's interval goes with it."""
    features = [straight("A", session=str(k), canal_mm=stated) for k, stated in enumerate([12.0 + (20.3 - 19.8), 12.6])]
    met = score([write(tmp_path / "m.wlpaths.json", Head(), features)], [truth]).figures["canal_mm"].within[0]
    assert (met.hits, met.count) == (1, 2)
    assert met.interval == pytest.approx(tuple(stats.binomtest(1, 2).proportion_ci(method="wilson")), abs=1e-7)


def test_what_cannot_be_scored_is_said(truth, tmp_path):
    mine = write(tmp_path / "m.wlpaths.json", Head(), [straight("X")])
    with pytest.raises(ShareError, match="no path belongs"):
        score([mine], [truth])
    twice = write(tmp_path / "t.wlpaths.json", Head(), [straight("A"), straight("A")])
    with pytest.raises(ShareError, match="a canal once"):
        score([mine], [twice])
    bare = write(tmp_path / "b.wlpaths.json", Head(), [straight("X")])
    with pytest.raises(ShareError, match="a scale for each canal"):
        score([mine], [bare])
    ring = evolve(straight("B"), path_px=[[1, 1], [2, 2], [3, 1], [2, 0], [1.5, 0.5], [1.2, 0.8], [1, 1]])
    found = score([write(tmp_path / "r.wlpaths.json", Head(), [straight("A"), ring])], [truth])
    assert len(found.canals) == 1
    assert "canal B of image f1" in found.unusable[0]


@pytest.fixture(scope="module")
def phantoms(tmp_path_factory):
    """Two films with their truth; the first of seed 3 has one canal."""
    folder = tmp_path_factory.mktemp("phantoms")
    make_dataset(folder, 2, 3, "clear")
    return folder


def test_the_truth_of_phantoms_is_a_path_file(phantoms):
    """Lengths are those of the truth in three dimensions; the scale is the detector's over the mean magnification."""
    paths = open_paths(write_truth(phantoms))
    canals = [one for one in paths.features() if one.kind == "canal"]
    files = [one for one in paths.features() if one.kind == "known file"]
    said = [json.loads(path.read_text("utf-8")) for path in sorted(phantoms.glob("*.truth.json"))]
    true = [(one, film) for film in said for one in film["canals"]]
    for canal, (one, film) in zip(canals, true, strict=True):
        assert canal.canal == one["name"]
        assert (canal.length_mm, canal.canal_mm) == (one["total_mm"], one["length_mm"])
        assert canal.path_px.tolist() == one["path_px"]
        assert paths.head.scale(canal).mm_per_px_row == pytest.approx(
            film["mm_per_px_row"] / np.mean(one["magnification"])
        )
        assert canal.min_radius_mm == pytest.approx(1.0 / max(one["kappa_per_mm"]), rel=1e-3)
        # A curve's turn in space is never less than what its projection shows without magnification's own share.
        assert canal.extra["turning_3d_deg"] > 0.7 * canal.weine_deg
    assert [one.known_length_mm for one in files] == [
        film["file"]["stop_to_tip_mm"] for film in said if film["file"] and film["file"]["stop_in_view"]
    ]
    assert {image.file_name for image in paths.head.images} == {film["image"] for film in said}


def test_the_truth_scores_itself_without_an_error(phantoms):
    write_truth(phantoms)
    found = score([phantoms / "truth.wlpaths.json"], [phantoms / "truth.wlpaths.json"])
    assert found.without_path == found.without_truth == found.unusable == ()
    for summary in found.distances.values():
        assert summary.largest == pytest.approx(0.0, abs=1e-6)
    for summary in found.figures.values():
        assert summary.largest == pytest.approx(0.0, abs=1e-9)


def test_a_path_alone_gives_the_angles_of_the_truth(phantoms, tmp_path):
    """The exact line without any figure: its angles by our models are near those by definition, which the truth has without any
    model; the length is short by what one film cannot show.
    """
    head, features = truth_paths(phantoms)
    bare = [
        PathFeature(path_px=one.path_px, image=one.image, canal=one.canal) for one in features if one.kind == "canal"
    ]
    mine = write(tmp_path / "m.wlpaths.json", Head(images=head.images), bare)
    write_truth(phantoms)
    found = score([mine], [phantoms / "truth.wlpaths.json"])
    assert found.figures["schneider_deg"].largest < 1.0
    assert found.figures["turning_deg"].largest < 1.5
    assert -2.0 < found.figures["canal_mm"].bias < 0.1


def test_a_canal_without_a_reference_point_has_no_length_from_one(truth, tmp_path):
    """A case without a reference point states the canal's length as both: 12 mm is no error of -8 mm against 20 mm."""
    known = straight("B", length_mm=20.5, canal_mm=12.0, reference_px=(80.0, 300.0))
    gap = straight("C", length_mm=19.5)
    mine = write(tmp_path / "m.wlpaths.json", Head(), [straight("A", length_mm=12.0, canal_mm=12.0), known, gap])
    found = score([mine], [truth])
    assert {one.canal: one.errors["length_mm"] for one in found.canals} == {"A": None, "B": 0.5, "C": -0.5}
    assert {one.canal: "length_mm" in one.stated for one in found.canals} == {"A": False, "B": True, "C": True}
    assert found.figures["length_mm"].n == 2


def test_the_words(truth, tmp_path, capsys):
    mine = write(tmp_path / "m.wlpaths.json", Head(), [straight("A", col=4.0), straight("B", length=575)])
    out = tmp_path / "s.csv"
    assert main(["study", "score", str(mine), "--truth", str(truth), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "2 paths of 2 canals, of 3 that are true" in said
    assert "image f1, canal C" in said
    assert "within 0.5 mm: 100 %" in said
    rows = list(csv.DictReader(out.read_text("utf-8").splitlines()))
    assert list(rows[0]) == list(SCORE_COLUMNS)
    assert [row["canal_error_mm"] for row in rows] == ["0.0000", "-0.5000"]
    assert main(["study", "score", str(mine), "--truth", str(truth), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "wlmeasure-score/1"
    assert found["summary"]["errors"]["canal_mm"]["bias"] == pytest.approx(-0.25)
    assert found == json.loads(json.dumps(score_json(score([mine], [truth]))))
    assert score_csv(score([mine], [truth])) == out.read_text("utf-8")
    assert score_text(score([mine], [truth])) in said
    assert main(["study", "score", str(mine), "--truth", str(Path(tmp_path) / "none.wlpaths.json")]) == 1
