"""What kind of error an answer shows: planted errors on phantoms, the decomposition by hand geometry, calibration."""

from __future__ import annotations

from math import hypot
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from wlmeasure.errors import LearnError
from wlmeasure.learn.answers import Answer
from wlmeasure.learn.exercise import (
    SHORT_MM,
    Exercise,
    Given,
    Item,
    ItemTruth,
    TakenReading,
    film_mm,
    load_exercise,
    open_seal,
)
from wlmeasure.learn.mark import Marked, mark
from wlmeasure.learn.new import exercise_from_phantoms

Float64 = NDArray[np.float64]
SHA = "0" * 64


def item(name: str = "a.png", *, reading: TakenReading | None = None, magnification: float = 1.25) -> Item:
    scale = Given(mm_per_px_row=0.02, mm_per_px_col=0.05, magnification=magnification)
    return Item(
        film=name, sha256=SHA, rows=1500, cols=1000, canal="MB", where="the only canal", reference_point="cusp",
        scale=scale, reading=reading,
    )  # fmt: skip


def truth(**changed: object) -> ItemTruth:
    """Down 625 rows, then right 80 columns: 10 mm and 3.2 mm at 0.016 and 0.04 mm a pixel; the orifice after 4 mm."""
    path = [(100.0, 100.0), (350.0, 100.0), (725.0, 100.0), (725.0, 180.0)]
    given = {"film": "a.png", "length_mm": 13.2 - SHORT_MM, "path_px": path, "orifice": 1}
    return ItemTruth(**(given | changed))


def one(answer: Answer, true: ItemTruth | None = None, **changed: object) -> Marked:
    exercise = Exercise(id=SHA, made_at="2026-11-27T10:00", items=(item(**changed),))  # type: ignore[arg-type]
    (marked,) = mark(exercise, {"a.png": truth() if true is None else true}, [answer]).marked
    return marked


def parts(marked: Marked) -> dict[str, float]:
    return {part.kind: part.mm for part in marked.parts}


def test_a_perfect_answer_has_no_kind_and_parts_of_nothing() -> None:
    marked = one(Answer("a.png", 12.7, (12.5, 13.0), truth().path_px))
    assert marked.error_mm == pytest.approx(0.0, abs=1e-9)
    assert marked.kinds == ()
    assert marked.certain
    assert all(abs(part.mm) < 1e-9 for part in marked.parts)
    assert marked.held


def test_the_parts_by_hand() -> None:
    """The path begins 0.8 mm too high, cuts the corner and ends 0.4 mm short; the number is the path's own length."""
    path = [(50.0, 100.0), (725.0, 170.0)]
    own = hypot(675 * 0.016, 70 * 0.04)
    marked = one(Answer("a.png", own - SHORT_MM, None, path))
    assert parts(marked)["reference point"] == pytest.approx(0.8)
    assert parts(marked)["apical end"] == pytest.approx(-0.4)
    assert parts(marked)["straight line"] == pytest.approx(own - 13.2 - 0.8 + 0.4)
    assert marked.kinds == ("straight line", "reference point", "apical end")
    assert sum(parts(marked).values()) == pytest.approx(marked.error_mm)


@pytest.mark.parametrize(
    ("length", "kind"),
    [
        (16.5 - SHORT_MM, "magnification"),
        (hypot(10.0, 3.2) - SHORT_MM, "straight line"),
        (13.2, "allowance"),
        (14.8, "mark of the reading"),
        (20.0, "not explained"),
    ],
)
def test_a_number_that_differs_from_its_own_path(length: float, kind: str) -> None:
    """The magnification is 1.25: 13.2 mm on the film are 16.5 mm at the detector."""
    reading = TakenReading(length_mm=14.8, mark="foramen")
    marked = one(Answer("a.png", length, None, truth().path_px), reading=reading)
    assert marked.kinds == (kind,)


def test_a_constriction_mark_taken_for_the_foramen() -> None:
    reading = TakenReading(length_mm=12.9, mark="constriction")
    assert one(Answer("a.png", 12.4, None, truth().path_px), reading=reading).kinds == ("mark of the reading",)
    assert one(Answer("a.png", 12.9, None, truth().path_px), reading=reading).kinds != ("mark of the reading",)


def test_what_the_film_hides_is_not_the_students() -> None:
    """A canal of 14.0 mm whose film shows 13.2: a faultless measurement is 0.8 mm short, by foreshortening."""
    marked = one(Answer("a.png", 12.7, None, truth().path_px), truth(length_mm=14.0 - SHORT_MM))
    assert marked.kinds == ("foreshortening",)
    assert parts(marked)["foreshortening"] == pytest.approx(-0.8)


def test_a_bare_number_gives_possibilities_only() -> None:
    marked = one(Answer("a.png", 16.0))
    assert not marked.certain
    assert marked.parts == ()
    assert marked.kinds[0] == "magnification"
    assert {"apical end", "reference point"} <= set(marked.kinds)
    assert one(Answer("a.png", 8.7)).kinds[0] == "reference point"  # from the orifice: 4.0 mm less
    assert one(Answer("a.png", 12.8)).kinds == ()


@given(
    end=st.tuples(st.floats(-30, 30), st.floats(-30, 30)),
    start=st.tuples(st.floats(-30, 30), st.floats(-30, 30)),
    length=st.floats(5.0, 30.0),
    true=st.floats(8.0, 20.0),
)
def test_the_parts_always_add_up_to_the_error(
    end: tuple[float, float], start: tuple[float, float], length: float, true: float
) -> None:
    path = np.array(truth().path_px)
    path[0] += start
    path[-1] += end
    marked = one(Answer("a.png", length, None, path), truth(length_mm=true))
    assert sum(part.mm for part in marked.parts) == pytest.approx(marked.error_mm)
    assert [abs(part.mm) for part in marked.parts] == sorted((abs(part.mm) for part in marked.parts), reverse=True)


def test_without_a_path_in_the_key_there_are_possibilities() -> None:
    marked = one(Answer("a.png", 13.2, None, truth().path_px), truth(path_px=None, orifice=None))
    assert not marked.certain
    assert marked.kinds[0] == "allowance"


def test_calibration_of_intervals() -> None:
    """40 normal errors of 0.5 mm: intervals of +-0.25 mm hold 38 % of the truths and need about four times the width."""
    rng = np.random.default_rng(7)
    names = [f"f{k}.png" for k in range(40)]
    exercise = Exercise(id=SHA, made_at="2026-11-27T10:00", items=tuple(item(name) for name in names))
    truths = {name: ItemTruth(film=name, length_mm=15.0) for name in names}
    errors = 0.5 * rng.standard_normal(40)

    def calibration(half: float) -> object:
        answers = [Answer(n, 15.0 + e, (15.0 + e - half, 15.0 + e + half)) for n, e in zip(names, errors, strict=True)]
        return mark(exercise, truths, answers).calibration

    narrow, fit, wide = calibration(0.25), calibration(0.98), calibration(5.0)
    assert (narrow.verdict, fit.verdict, wide.verdict) == ("too narrow", "in keeping", "too wide")
    assert narrow.held == int((np.abs(errors) <= 0.25).sum())
    # The 39th of 40 sizes, by the rank of conformal prediction: ceil(0.95 * 41).
    assert narrow.factor == pytest.approx(np.sort(np.abs(errors))[38] / 0.25)
    outside = np.maximum(np.abs(errors) - 0.25, 0.0)
    assert narrow.mean_score_mm == pytest.approx(0.5 + 40.0 * outside.mean())
    # The score is smallest for intervals in keeping: that is what makes it one to be marked by.
    assert fit.mean_score_mm < min(narrow.mean_score_mm, wide.mean_score_mm)


def test_a_path_beside_the_film_is_refused() -> None:
    with pytest.raises(LearnError, match=r"path must lie on a\.png, 1500 rows and 1000 columns"):
        one(Answer("a.png", 12.0, None, [(10.0, 10.0), (20.0, 1200.0)]))


def test_an_answer_for_a_film_that_is_not_there() -> None:
    exercise = Exercise(id=SHA, made_at="2026-11-27T10:00", items=(item(),))
    with pytest.raises(LearnError, match=r"film must be one of the exercise, such as a\.png"):
        mark(exercise, {"a.png": truth()}, [Answer("b.png", 12.0)])


# Planted errors -------------------------------------------------------------------------------------------------------

CLICK_MM = 0.03  # a careful click, one standard deviation


def _length(path: Float64, mm: Float64) -> float:
    steps = np.diff(path, axis=0) * mm
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def _cut(path: Float64, mm: Float64, from_mm: float, to_mm: float) -> Float64:
    along = np.r_[0.0, np.cumsum(np.hypot(*(np.diff(path, axis=0) * mm).T))]
    at = np.linspace(from_mm, along[-1] - to_mm, 60)
    return np.column_stack([np.interp(at, along, path[:, k]) for k in (0, 1)])


def plant(kind: str, item: Item, true: ItemTruth, rng: np.random.Generator) -> Answer | None:
    """A student who measures well but for one error; None on a film where that error would not show."""
    mm = film_mm(item, true)
    assert mm is not None
    assert true.path_px is not None
    path = _cut(np.array(true.path_px), mm, 0.0, 0.0)
    film = _length(path, mm) - SHORT_MM
    hidden = film - true.length_mm
    detector = np.array([item.scale.mm_per_px_row, item.scale.mm_per_px_col])
    if kind == "apical end":
        path = _cut(path, mm, 0.0, rng.uniform(0.5, 1.5))
    elif kind == "reference point":
        path = _cut(path, mm, rng.uniform(0.5, 1.5), 0.0)
    path = path + rng.standard_normal(2) * CLICK_MM / mm
    number = _length(path, detector if kind == "magnification" else mm) - SHORT_MM
    if kind == "straight line":
        number = _length(path[[0, -1]], mm) - SHORT_MM
    elif kind == "mark of the reading":
        if item.reading is None:
            return None
        number = item.reading.length_mm - (0.0 if item.reading.mark == "foramen" else SHORT_MM)
    size = hidden if kind == "foreshortening" else number - film
    # A planted error must show, and be the largest one: what the film hides is in every answer.
    if abs(size) < 0.3 or (kind != "foreshortening" and abs(size) < abs(hidden)):
        return None
    return Answer(item.film, round(number, 1), None, path)


def planted(folder: Path, count: int, seed: int) -> list[tuple[str, Marked]]:
    """Every film with one planted error of six kinds in turn, or the next one that would show on it."""
    list(exercise_from_phantoms(folder, count, seed, "typical", made_at="2026-11-27T10:00"))
    exercise = load_exercise(folder)
    truths = open_seal(folder, exercise, None)
    rng = np.random.default_rng(seed)
    kinds = ["magnification", "straight line", "apical end", "reference point", "foreshortening", "mark of the reading"]
    used = dict.fromkeys(kinds, 0)
    answers, meant = [], []
    for one in exercise.items:
        # The kind planted least often so far, among those that show on this film.
        for kind in sorted(kinds, key=lambda k: used[k]):
            answer = plant(kind, one, truths[one.film], rng)
            if answer is not None:
                answers.append(answer)
                meant.append(kind)
                used[kind] += 1
                break
    assert len(answers) == count
    assert min(used.values()) >= 1
    return list(zip(meant, mark(exercise, truths, answers).marked, strict=True))


def test_planted_errors_are_named(tmp_path: Path) -> None:
    """Six kinds over 20 films, one a film, 0.03 mm clicks and 0.1 mm rounding: at least 18 named first."""
    found = planted(tmp_path / "exercise", 20, 41)
    named = [meant for meant, marked in found if marked.kinds[:1] == (meant,)]
    assert len(named) >= 18
