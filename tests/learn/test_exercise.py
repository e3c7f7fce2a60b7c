"""An exercise on disk: sealed truth, answers as a table, a teacher's own films, progress."""

from __future__ import annotations

import hashlib
import json
import os
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.cli import main
from wlmeasure.errors import LearnError
from wlmeasure.learn.answers import Answer, answers_text, load_answers
from wlmeasure.learn.exercise import film_mm, load_exercise, open_seal
from wlmeasure.learn.new import exercise_from_films, exercise_from_phantoms
from wlmeasure.learn.progress import Step, first_markings, marked_before
from wlmeasure.learn.space import lifted_mm, true_mm
from wlmeasure.phantom.truth import SCHEMA as PHANTOM_SCHEMA

SAMPLES = Path(__file__).parents[2] / "sample_images"
AT = "2026-11-27T10:00"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("learn") / "exercise"
    list(exercise_from_phantoms(folder, 3, 5, "clear", made_at=AT))
    return folder


def test_no_file_says_what_is_true(folder: Path) -> None:
    """Neither the lengths nor the names of the truth's members stand in any file as plain text."""
    truths = open_seal(folder, load_exercise(folder), None)
    for path in folder.iterdir():
        data = path.read_bytes()
        for truth in truths.values():
            assert f"{truth.length_mm:.2f}".encode() not in data
        assert PHANTOM_SCHEMA.encode() not in data
        assert b"path_px" not in data
        assert b"seed" not in data


def test_the_same_seed_gives_the_same_films_and_a_longer_run_begins_with_them(folder: Path, tmp_path: Path) -> None:
    list(exercise_from_phantoms(tmp_path / "again", 1, 5, "clear", made_at=AT))
    assert load_exercise(tmp_path / "again").items[0] == load_exercise(folder).items[0]


def test_the_film_says_what_the_sealed_path_says(folder: Path) -> None:
    """With the scale that is given, the sealed path is the true length but for what the film hides, a few per cent."""
    exercise = load_exercise(folder)
    for item in exercise.items:
        truth = open_seal(folder, exercise, None)[item.film]
        mm = film_mm(item, truth)
        assert mm is not None
        assert truth.path_px is not None
        steps = np.diff(np.array(truth.path_px), axis=0) * mm
        assert np.hypot(*steps.T).sum() - 0.5 == pytest.approx(truth.length_mm, rel=0.08)


def test_a_true_path_lifted_is_the_true_canal(folder: Path) -> None:
    exercise = load_exercise(folder)
    item = exercise.items[0]
    truth = open_seal(folder, exercise, None)[item.film]
    line = true_mm(truth)
    assert line is not None
    lifted = lifted_mm(item, truth, truth.path_px)
    crown = np.linspace(line[0], line[1], 200)
    gaps = np.sqrt(((lifted[:, None] - np.vstack([crown, line])[None]) ** 2).sum(axis=2).min(axis=1))
    assert gaps.max() < 0.11  # known points lie 0.2 mm apart
    assert np.abs(lifted[[0, -1]] - line[[0, -1]]).max() < 1e-6


def test_a_password_seals(tmp_path: Path) -> None:
    made = tmp_path / "secret"
    list(exercise_from_phantoms(made, 1, 5, "clear", made_at=AT, password="rubber stop"))
    exercise = load_exercise(made)
    assert open_seal(made, exercise, "rubber stop")["film_01.png"].length_mm > 5.0
    with pytest.raises(LearnError, match="password must be given"):
        open_seal(made, exercise, None)
    with pytest.raises(LearnError, match="does not open it"):
        open_seal(made, exercise, "rubber")


def test_a_changed_seal_is_found(folder: Path, tmp_path: Path) -> None:
    exercise = load_exercise(folder)
    data = (folder / "sealed.wlx").read_bytes()
    at = len(data) // 2
    other = b"A" if data[at : at + 1] != b"A" else b"B"
    for content, words in (
        (data[:at] + other + data[at + 1 :], "damaged or was changed"),
        (data[:40], "damaged or was changed"),
        (b"truth", "must be a sealed truth"),
    ):
        (tmp_path / "sealed.wlx").write_bytes(content)
        with pytest.raises(LearnError, match=words):
            open_seal(tmp_path, exercise, None)


def test_answers_in_the_ways_that_people_write_them(tmp_path: Path) -> None:
    table = tmp_path / "mine.csv"
    table.write_text(
        'film;length_mm;low_mm;high_mm;path\na.png;20,5;20;21,25;"1 2; 3,5 4.5"\nb.png;;;;\nc.png;19;;;\n', "utf-8-sig"
    )
    with pytest.raises(LearnError, match="row 2: path must be pairs"):  # a path keeps decimal points
        load_answers(table)
    table.write_text(
        'film;length_mm;low_mm;high_mm;path\na.png;20,5;20;21,25;"1 2; 3.5 4.5"\nb.png;;;;\nc.png;19;;;\n', "utf-8-sig"
    )
    assert load_answers(table) == (
        Answer("a.png", 20.5, (20.0, 21.25), ((1.0, 2.0), (3.5, 4.5))),
        Answer("c.png", 19.0),
    )


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("film,length\na,1\n", "length_mm is not there once"),
        ("film,length_mm\na.png,long\n", "row 2: length_mm must be a number: 'long'"),
        ("film,length_mm\na.png,99\n", "row 2: length_mm must be 1 to 60: 99"),
        ("film,length_mm,low_mm,high_mm\na.png,20,21,22\n", "row 2: low_mm and high_mm must hold length_mm"),
        ("film,length_mm,low_mm,high_mm\na.png,20,19,\n", "row 2: low_mm and high_mm must both"),
        ("film,length_mm\na.png,20\na.png,21\n", "row 3: film must stand once"),
        ("film,length_mm\na.png,\n", "at least one length"),
        ("film,length_mm,path\na.png,20,1 1; 1 1\n", "row 2: path must have a length"),
        ("", "length_mm is not there once|film is not there once"),
    ],
)
def test_a_table_that_is_none(rows: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text(rows, "utf-8")
    with pytest.raises(LearnError, match=words):
        load_answers(tmp_path / "mine.csv")


@given(
    length=st.floats(2.0, 50.0),
    below=st.floats(0.0, 1.0),
    points=st.lists(st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=2, max_size=5, unique=True),
)
def test_answers_written_are_read_again(
    tmp_path_factory: pytest.TempPathFactory, length: float, below: float, points: list[tuple[float, float]]
) -> None:
    path = [(row, 100.0 * k + col) for k, (row, col) in enumerate(points)]
    answer = Answer("a.png", round(length, 3), (round(length, 3) - round(below, 2), round(length, 3)), path)
    file = tmp_path_factory.mktemp("answers") / "mine.csv"
    file.write_text(answers_text({"a.png": answer}, ["a.png"]), "utf-8")
    (again,) = load_answers(file)
    assert again.length_mm == pytest.approx(answer.length_mm, rel=1e-5)
    assert np.allclose(again.path_px, answer.path_px, atol=1e-3)


def test_a_teachers_own_films(tmp_path: Path) -> None:
    """Two sample films with a key of their published truth; the copies' names say nothing of what is on them."""
    films = [SAMPLES / "films" / f"{name}.png" for name in ("ref_p30_h00_v15", "ref_p45_h00_v00")]
    head = "film,canal,where,reference_point,length_mm,mm_per_px_row,mm_per_px_col"
    head += ",known_file_mm,magnification,reading_mm,mark,path"
    rows = ["ref_p30_h00_v15.png,single,the canal,orifice,12.5,0.03,0.03,,1.05,13.0,foramen,1 1; 400 20",
            "ref_p45_h00_v00.png,single,the canal,orifice,12.0,0.03,0.03,18.0,,,,"]  # fmt: skip
    key = tmp_path / "key.csv"
    key.write_text("\n".join([head, *rows]) + "\n", "utf-8")
    out = tmp_path / "exercise"
    assert [path.name for path in exercise_from_films(out, films, key, made_at=AT)] == ["film_01.png", "film_02.png"]
    exercise = load_exercise(out)
    assert exercise.items[0].reading is not None
    truths = open_seal(out, exercise, None)
    assert (truths["film_01.png"].length_mm, truths["film_02.png"].path_px) == (12.5, None)
    assert (out / "film_02.png").read_bytes() == films[1].read_bytes()
    for changed, words in (
        (rows[:1], "ref_p45_h00_v00.png"),
        ([rows[0], rows[1].replace("18.0", "")], "known_file_mm or magnification"),
        ([rows[0], rows[1].replace("12.0", "12 mm")], "length_mm must be a number"),
    ):
        key.write_text("\n".join([head, *changed]) + "\n", "utf-8")
        with pytest.raises(LearnError, match=words):
            list(exercise_from_films(tmp_path / words[:8], films, key, made_at=AT))


def test_a_film_of_the_teachers_own_names_nobody(tmp_path: Path) -> None:
    """Texts of a PNG beside its picture (a name, the group of a trial) do not go to the students."""
    plain = (SAMPLES / "films" / "ref_p45_h00_v00.png").read_bytes()
    texts = b""
    for body in (b"Patient\0Somebody Else", b"Group\0intervention"):
        texts += struct.pack(">I", len(body)) + b"tEXt" + body + struct.pack(">I", zlib.crc32(b"tEXt" + body))
    film, key, out = tmp_path / "own.png", tmp_path / "key.csv", tmp_path / "exercise"
    film.write_bytes(plain[:33] + texts + plain[33:])
    key.write_text(
        "film,canal,where,reference_point,length_mm,mm_per_px_row,mm_per_px_col,known_file_mm\n"
        "own.png,MB,left,cusp,20,0.02,0.02,18\n",
        "utf-8",
    )
    list(exercise_from_films(out, [film], key, made_at=AT))
    for path in out.iterdir():
        assert b"Somebody" not in path.read_bytes()
        assert b"intervention" not in path.read_bytes()
    copy = (out / "film_01.png").read_bytes()
    assert load_exercise(out).items[0].sha256 == hashlib.sha256(copy).hexdigest()


def test_a_secret_exercise_has_no_seed_that_can_be_guessed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With a seed that was told, or of 31 bits, the films and their truth can be drawn again without the password."""
    seeds: list[int] = []

    def drawn(folder: str, count: int, seed: int, level: str, **_: object) -> None:
        seeds.append(seed)
        raise LearnError("enough")

    monkeypatch.setenv("WLMEASURE_LEARN_PASSWORD", "rubber stop")
    monkeypatch.setattr("wlmeasure.learn.new.exercise_from_phantoms", drawn)
    words = ["learn", "new", str(tmp_path / "x"), "--secret"]
    assert main([*words, "--seed", "31"]) == 1
    assert "without --seed" in capsys.readouterr().err
    assert seeds == []
    assert [main(words) for _ in range(3)] == [1, 1, 1]
    assert max(seeds) > 2**100
    assert len(set(seeds)) == 3


def test_a_folder_that_holds_something_is_left_alone(folder: Path) -> None:
    with pytest.raises(LearnError, match="new or empty"):
        next(exercise_from_phantoms(folder, 1, 1, "clear", made_at=AT))


def test_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """New, mark twice with a page and a table of progress; a page holds every film and both plots."""
    out, table, page = tmp_path / "exercise", tmp_path / "progress.csv", tmp_path / "marks.html"
    assert main(["learn", "new", str(out), "--count", "2", "--seed", "9", "--level", "clear"]) == 0
    assert {"sheet.html", "sheet.pdf", "answers.csv", "film_02.png"} <= {path.name for path in out.iterdir()}
    rows = (out / "answers.csv").read_text("utf-8").splitlines()
    (out / "answers.csv").write_text("\n".join([rows[0], "film_01.png,20,19.5,20.5,", rows[2]]) + "\n", "utf-8")
    capsys.readouterr()
    command = [
        "learn",
        "mark",
        str(out),
        str(out / "answers.csv"),
        "--progress",
        str(table),
        "--out",
        str(page),
        "--json",
    ]
    assert main(command) == 0
    given = json.loads(capsys.readouterr().out)
    truth = open_seal(out, load_exercise(out), None)["film_01.png"].length_mm
    assert given["answers"][0]["error_mm"] == pytest.approx(20.0 - truth)
    assert given["unanswered"] == ["film_02.png"]
    assert main(command) == 0
    assert len(table.read_text("utf-8").splitlines()) == 3
    html = page.read_text("utf-8")
    assert "its truth was seen then" in html
    assert "Mean size of the error" not in html  # one exercise, marked twice, is no progress
    assert "not answered: film_02.png" in html
    assert html.count("data:image/jpeg") == 1
    assert main(["learn", "mark", str(tmp_path), str(table)]) == 1
    assert "folder must hold an exercise" in capsys.readouterr().err


def test_only_the_first_marking_of_an_exercise_is_progress() -> None:
    """Errors of 1 mm, of nothing once the truth was seen, and of 0.6 mm on another exercise."""
    steps = [
        Step(AT, exercise, 5, 0.0, size, 0, 0)
        for exercise, size in (("a" * 16, 1.0), ("a" * 16, 0.0), ("b" * 16, 0.6), ("a" * 16, 0.0))
    ]
    assert [step.mean_size_mm for step in first_markings(steps)] == [1.0, 0.6]
    assert [marked_before(steps[:k]) for k in range(5)] == [False, False, True, False, True]


def test_progress_that_is_no_table_is_left_as_it_is(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "other.csv"
    table.write_text("not,a,table\n", "utf-8")
    (tmp_path / "mine.csv").write_text("film,length_mm\nfilm_01.png,20\n", "utf-8")
    assert main(["learn", "mark", str(folder), str(tmp_path / "mine.csv"), "--progress", str(table)]) == 1
    assert "must be a table of this program" in capsys.readouterr().err
    assert table.read_text("utf-8") == "not,a,table\n"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_a_pipe_in_place_of_a_file_does_not_hang(folder: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "exercise.json")
    with pytest.raises(LearnError, match="must hold an exercise"):
        load_exercise(tmp_path)
    os.mkfifo(tmp_path / "sealed.wlx")
    with pytest.raises(LearnError, match=r"sealed\.wlx cannot be read"):
        open_seal(tmp_path, load_exercise(folder), None)
    os.mkfifo(tmp_path / "mine.csv")
    with pytest.raises(LearnError, match="answers cannot be read"):
        load_answers(tmp_path / "mine.csv")
