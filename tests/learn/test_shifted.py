"""Exercises with a second film: the tube shifted, the canal's length on both films, which canal lies buccal."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.cli import main
from wlmeasure.errors import CaseError, LearnError
from wlmeasure.learn.answers import Answer, answers_text, load_answers
from wlmeasure.learn.exercise import Exercise, Given, Item, ItemTruth, SecondFilm, SecondTruth, load_exercise, open_seal
from wlmeasure.learn.mark import mark
from wlmeasure.learn.new import exercise_from_films, exercise_from_phantoms
from wlmeasure.learn.pages import marks_page, sheet_page
from wlmeasure.learn.parallax import moved_mm, shortening_words, side_words
from wlmeasure.learn.words import marks_json, marks_text
from wlmeasure.share.html import html_page

AT = "2026-11-27T10:00"
MOVES = {"left": (0.0, -1.0), "right": (0.0, 1.0)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shifted") / "exercise"
    list(exercise_from_phantoms(folder, 4, 3, "clear", views=2, made_at=AT))
    return folder


def by_hand(
    tube: str | None, moved: float, side: str, *, mesial_to: str = "left"
) -> tuple[Exercise, dict[str, ItemTruth]]:
    """One item on pixels of 0.1 mm down and 0.2 across: a straight canal of 20 mm on the first film, of 19 on the second."""
    scale = Given(mm_per_px_row=0.1, mm_per_px_col=0.2, magnification=1.0)
    film = {"sha256": "0" * 64, "rows": 300, "cols": 200, "scale": scale}
    second = SecondFilm(film="b.png", shift_deg=20.0, mesial_to=mesial_to, tube=tube, asks_side=True, **film)
    item = Item(film="a.png", canal="B", where="here", reference_point="cusp", second_film=second, **film)
    truth = ItemTruth(
        film="a.png",
        length_mm=20.0,
        path_px=((10.0, 100.0), (210.0, 100.0)),
        second=SecondTruth(
            path_px=((10.0, 100.0), (200.0, 100.0)), tube="mesial", shift_deg=21.0, difference_mm=-1.0, side=side,
            moved_mm=moved,
        ),
    )  # fmt: skip
    return Exercise(id="0" * 16, made_at=AT, items=(item,)), {"a.png": truth}


@pytest.mark.parametrize(
    ("tube", "moved", "side", "right", "rule"),
    [
        # Same lingual, opposite buccal.
        ("mesial", 0.6, "lingual", {"lingual"}, "0.6 mm to mesial against the other canal, with the tube (same lingual)"),
        ("mesial", -0.6, "buccal", {"buccal"}, "0.6 mm to distal against the other canal, against the tube (opposite buccal)"),
        ("distal", 0.6, "buccal", {"buccal"}, "against the tube (opposite buccal)"),
        ("distal", -0.6, "lingual", {"lingual"}, "with the tube (same lingual)"),
        (None, 0.6, "lingual", {"cannot tell"}, "gone to mesial, this is lingual, gone to distal, buccal"),
        ("mesial", 0.1, "lingual", {"lingual", "cannot tell"}, "cannot tell is right as well"),
    ],
)  # fmt: skip
def test_a_side_is_marked_by_the_rule(tube, moved, side, right, rule):
    exercise, truths = by_hand(tube, moved, side)
    for said in ("buccal", "lingual", "cannot tell"):
        marks = mark(exercise, truths, [Answer("a.png", 20.0, side=said)])
        second = marks.marked[0].second
        assert second.right == (said in right)
        assert marks.sides == (int(said in right), 1, 1)
        words = side_words(exercise.items[0], truths["a.png"], second)
        assert rule in words
        assert words.startswith(f"You said {said}: {'right' if said in right else 'wrong'}.")
    silent = mark(exercise, truths, [Answer("a.png", 20.0)])
    assert silent.sides == (0, 0, 1)
    assert silent.marked[0].second.right is None


def test_what_each_film_hides_is_told():
    """20.5 mm in space; 200 rows of 0.1 mm are 20 mm on the first film, 190 are 19 on the second."""
    exercise, truths = by_hand("mesial", 0.6, "lingual")
    second = mark(exercise, truths, [Answer("a.png", 20.0, difference_mm=-0.4)]).marked[0].second
    assert second.shortening_mm == pytest.approx((-0.5, -1.5))
    assert second.error_mm == pytest.approx(0.6)
    words = shortening_words(second)
    assert "1.00 mm shorter" in words
    assert "you said -0.40 mm, +0.60 mm off" in words
    assert "the first shows it -0.50 mm against the canal in space, the second -1.50 mm" in words


@pytest.mark.parametrize(("mesial_to", "sign"), [("right", 1.0), ("left", -1.0)])
def test_how_far_a_canal_moved_against_another(mesial_to, sign):
    """Two upright canals, 5 columns apart on the first film and 9 on the second, 0.2 mm each, the first one to the right."""
    heights = np.linspace(0.0, -10.0, 30)
    points = np.column_stack([0.0 * heights, 0.0 * heights, heights])

    def at(col):
        return np.column_stack([100.0 - 10.0 * heights, np.full(30, col)])

    mm = np.array([0.1, 0.2])
    found = moved_mm((points, points[:20]), ((at(55.0), at(50.0)[:20]), (at(79.0), at(70.0)[:20])), (mm, mm), mesial_to)
    assert found == pytest.approx(sign * 0.8)


def test_the_tooth_is_one_and_the_key_agrees_with_the_trade(folder):
    """On every film that asks for a side the sealed movement and the sealed side obey the rule, by the true tube shift."""
    exercise = load_exercise(folder)
    truths = open_seal(folder, exercise, None)
    asked = 0
    for item in exercise.items:
        second, known = item.second_film, truths[item.film].second
        assert (folder / second.film).exists()
        assert second.tube in (None, known.tube)
        assert abs(known.shift_deg - second.shift_deg) <= 5.0
        assert second.mesial_to == ("right" if item.tooth[0] in "14" else "left")
        if not second.asks_side:
            assert known.side is None
            continue
        asked += 1
        assert known.side == ("lingual" if (known.moved_mm > 0.0) == (known.tube == "mesial") else "buccal")
        # The same by eye: the file's canal against the other one, half way down, on both films.
        first_path, path = np.array(truths[item.film].path_px), np.array(known.path_px)
        gaps = []
        for own, other in ((first_path, np.array(known.other_first_px)), (path, np.array(known.other_px))):
            middle = other[len(other) // 2]
            near = own[np.argmin(np.abs(own[:, 0] - middle[0]))]
            gaps.append((near - middle) @ np.array(MOVES[second.mesial_to]))
        assert (gaps[1] > gaps[0]) == (known.moved_mm > 0.0)
    assert asked == 3


def test_no_file_says_where_the_tube_went_if_it_is_not_told(folder):
    exercise = load_exercise(folder)
    untold = [item for item in exercise.items if item.second_film.tube is None]
    assert untold
    told = json.loads((folder / "exercise.json").read_text("utf-8"))
    for one in told["items"]:
        assert ("tube" in one["second_film"]) == (one["film"] not in {item.film for item in untold})
        assert not {"side", "moved_mm", "difference_mm"} & set(one["second_film"])
    assert "buccal or lingual" in told["asked"]


def test_pages_show_both_films_and_the_words_are_the_same(folder):
    exercise = load_exercise(folder)
    truths = open_seal(folder, exercise, None)
    sheet = html_page(sheet_page(exercise, folder))
    assert sheet.count("Second film, film_0") == 4
    assert sheet.count("[ ] buccal") == 3
    answers = [Answer(item.film, 20.0, None, truths[item.film].path_px, 0.0, "buccal") for item in exercise.items]
    marks = mark(exercise, truths, answers)
    page, text, plain = html_page(marks_page(marks, folder)), marks_text(marks), marks_json(marks)
    right, given, _ = marks.sides
    assert f"Buccal or lingual: {right} of {given} right" in text
    assert f"{right} of {given} right" in page
    assert plain["sides"] == {"right": right, "answered": 3, "asked": 3}
    for one, told in zip(marks.marked, plain["answers"], strict=True):
        assert told["second_film"]["right"] == one.second.right
        assert shortening_words(one.second) in page
        assert shortening_words(one.second) in text
        first, second = one.second.shortening_mm
        assert second - first == pytest.approx(one.second.difference_mm, abs=1e-3)
        parts = {part.kind: part.mm for part in one.parts}
        assert first == pytest.approx(parts["foreshortening"], abs=1e-6)


def test_answers_with_and_without_the_columns_of_second_films(tmp_path):
    table = tmp_path / "mine.csv"
    answers = {"a.png": Answer("a.png", 20.5, None, None, -0.25, "cannot tell"), "b.png": Answer("b.png", 19.0)}
    table.write_text(answers_text(answers, ["a.png", "b.png", "c.png"], shifted=True), "utf-8")
    assert load_answers(table) == tuple(answers.values())
    assert answers_text({}, ["a.png"]) == "film,length_mm,low_mm,high_mm,path\na.png,,,,\n"
    table.write_text("film;length_mm;side;difference_mm\na.png;20;Cannot  tell;-0,25\n", "utf-8")
    assert load_answers(table) == (Answer("a.png", 20.0, None, None, -0.25, "cannot tell"),)
    for cells, words in (
        ("a.png,20,left,", "row 2: side must be one of buccal, lingual, cannot tell: 'left'"),
        ("a.png,,buccal,", "row 2: length_mm must be given with side"),
        ("a.png,20,,far", "difference_mm must be a number"),
    ):
        table.write_text(f"film,length_mm,side,difference_mm\n{cells}\n", "utf-8")
        with pytest.raises(LearnError, match=words):
            load_answers(table)


def test_two_items_never_share_a_film():
    exercise, _ = by_hand("mesial", 0.6, "lingual")
    with pytest.raises(CaseError, match=r"film of their own: 'b\.png'"):
        evolve(exercise, items=(exercise.items[0], evolve(exercise.items[0], film="b.png", second_film=None)))


def test_the_same_seed_gives_the_same_films_by_the_command(folder, tmp_path, capsys):
    main(["learn", "new", str(tmp_path / "out"), "--count", "1", "--seed", "3", "--level", "clear", "--views", "2"])
    assert "film_01_b.png" in capsys.readouterr().out
    for name in ("film_01_a.png", "film_01_b.png"):
        assert (tmp_path / "out" / name).read_bytes() == (folder / name).read_bytes()
    with pytest.raises(LearnError, match="views must be 1 or 2"):
        next(exercise_from_phantoms(tmp_path / "three", 1, 3, "clear", views=3, made_at=AT))


def test_a_teachers_own_pair(folder, tmp_path):
    """A key written of an exercise's own tooth: the same second film, the same truth but for what a key cannot say."""
    exercise = load_exercise(folder)
    item = next(one for one in exercise.items if one.second_film.tube is not None and one.second_film.asks_side)
    truth, second = open_seal(folder, exercise, None)[item.film], item.second_film

    def cell(path):
        return '"' + "; ".join(f"{row} {col}" for row, col in path) + '"'

    columns = {
        "film": item.film, "canal": item.canal, "where": "left", "reference_point": "cusp", "length_mm": truth.length_mm,
        "mm_per_px_row": item.scale.mm_per_px_row, "mm_per_px_col": item.scale.mm_per_px_col,
        "known_file_mm": item.scale.known_file_mm, "path": cell(truth.path_px), "file_path": cell(truth.file_px),
        "second_film": second.film, "shift_deg": second.shift_deg, "mesial_to": second.mesial_to, "tube": second.tube,
        "side": truth.second.side, "second_path": cell(truth.second.path_px),
        "second_file_path": cell(truth.second.file_px),
    }  # fmt: skip

    def made(name, films=(item.film, second.film), **changes):
        cells = columns | changes
        key = tmp_path / f"{name}.csv"
        key.write_text(",".join(cells) + "\n" + ",".join(str(one) for one in cells.values()) + "\n", "utf-8")
        out = tmp_path / name
        return out, list(exercise_from_films(out, [folder / film for film in films], key, made_at=AT))

    out, copies = made("own")
    assert [path.name for path in copies] == ["film_01_a.png", "film_01_b.png"]
    again = load_exercise(out)
    truths = open_seal(out, again, None)
    known = truths["film_01_a.png"].second
    assert again.items[0].second_film == evolve(second, film="film_01_b.png")
    assert known.difference_mm == pytest.approx(truth.second.difference_mm, abs=1e-3)
    assert (known.side, known.tube, known.moved_mm) == (truth.second.side, second.tube, None)
    marks = mark(again, truths, [Answer("film_01_a.png", 20.0, side=known.side)])
    assert marks.sides == (1, 1, 1)
    assert "same lingual, opposite buccal" in marks_text(marks)
    assert html_page(marks_page(marks, out)).count("Second film, film_01_b.png") == 1
    for name, changes, words in (
        ("path", {"second_path": ""}, "difference_mm must be given"),
        ("side", {"side": "left"}, "side must be one of buccal, lingual"),
        ("mesial", {"mesial_to": ""}, "mesial_to must be one of"),
    ):
        with pytest.raises(LearnError, match=words):
            made(name, **changes)
    with pytest.raises(LearnError, match="one row for each film"):
        made("alone", (item.film,))
    assert main(["learn", "new", str(tmp_path / "no"), "--views", "2", "--films", "a.png", "--key", "k.csv"]) != 0
