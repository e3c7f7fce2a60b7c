"""A film without a header whose grey scale looks turned round: asked once, answered once, kept with the film."""

import cv2
import numpy as np
import pytest
from wlmeasure_napari._session import Session

from wlmeasure.record.case import load_case

YES, NO = "Metal looks dark here: invert it", "Metal looks bright here: leave it so"


@pytest.fixture
def films(tmp_path):
    """One that is right and two that are inverted."""
    paths = []
    rows, cols = np.mgrid[:240, :180]
    for seed, invert in ((121, False), (120, True), (122, True)):
        bone = 190.0 * np.exp(-(((rows - 120) / 90.0) ** 4) - ((cols - 90) / 60.0) ** 4)  # with air about it
        grey = (
            np.rint(20.0 + bone + np.random.default_rng(seed).normal(0.0, 4.0, bone.shape))
            .clip(0, 255)
            .astype(np.uint8)
        )
        path = tmp_path / f"{seed}.png"
        path.write_bytes(cv2.imencode(".png", 255 - grey if invert else grey)[1].tobytes())
        paths.append(path)
    return paths


def with_films(*paths):
    session = Session()
    session.initials = "KO"
    for path in paths:
        session.open_film(path, into=None if session.case is None else "this case")
        if session.case is None:
            session.set_tooth("ISO 46")
    return session


def test_a_film_that_is_right_is_not_asked_about(films):
    assert with_films(films[0]).question is None


@pytest.mark.parametrize(("answer", "metal", "bright"), [(YES, "dark", False), (NO, "bright", True)])
def test_the_question_is_answered_once_and_for_all(films, tmp_path, answer, metal, bright):
    """What is shown, traced and searched goes by the answer; the warning has gone, also when the case is opened again."""
    session = with_films(films[1])
    assert films[1].name in session.question.text
    assert any("metal" in text for text in session.radiograph.warnings)
    shown = session.radiograph.displayed()
    session.answer(answer)
    assert session.question is None
    assert session.case.films[0].metal == metal
    assert session.radiograph.bright_is_dense is bright
    assert not any("metal" in text for text in session.radiograph.warnings)
    np.testing.assert_array_equal(session.radiograph.displayed(), shown if bright else np.invert(shown))
    session.save_as(tmp_path / "a.wl.json")
    assert load_case(tmp_path / "a.wl.json").films[0].metal == metal
    session.close_case()
    again = Session()
    again.open_case(tmp_path / "a.wl.json")
    assert again.question is None
    assert again.radiograph.bright_is_dense is bright


def test_the_question_leads_to_neither_answer_and_shows_both(films):
    """What most films have comes first; each button shows the film as it would be."""
    question = with_films(films[1]).question
    assert [choice.words for choice in question.choices] == [NO, YES]
    assert "inverted" not in question.text
    assert "wrong" not in question.text
    as_is, turned = (choice.picture for choice in question.choices)
    assert max(as_is.shape) <= 72
    assert as_is[0, 0] > 128 > turned[0, 0]
    np.testing.assert_array_equal(turned, 255 - as_is)


def test_what_stays_open_is_asked_again_where_the_case_is_opened(films, tmp_path):
    session = with_films(films[1])
    session.save_as(tmp_path / "a.wl.json")
    session.close_case()
    again = Session()
    again.open_case(tmp_path / "a.wl.json")
    assert again.question.about == "metal"


def test_undo_brings_the_question_back_and_redo_takes_it_away(films):
    session = with_films(films[1])
    session.answer(YES)
    session.undo()
    assert session.case.films[0].metal is None
    assert session.question.about == "metal"
    session.redo()
    assert (session.question, session.case.films[0].metal) == (None, "dark")


def test_it_is_about_the_film_in_view_and_each_film_has_its_own_answer(films):
    session = with_films(*films)
    assert films[2].name in session.question.text
    session.choose_film("f1")
    assert session.question is None
    session.choose_film("f2")
    assert films[1].name in session.question.text
    session.answer(YES)
    assert session.question is None
    session.choose_film("f3")
    session.answer(NO)
    assert [film.metal for film in session.case.films] == [None, "dark", "bright"]


def test_the_word_may_be_said_beside_the_question_and_taken_back(films):
    session = with_films(films[1])
    session.set_metal("dark")
    assert session.question is None
    session.set_metal(None)
    assert session.question.about == "metal"
    session.close_case()
    assert session.question is None


def test_no_point_is_placed_while_it_stands(films):
    """A trace on a grey scale that is not known would be of the wrong lines."""
    heard = []
    session = with_films(films[1])
    session.said.connect(lambda *words: heard.append(words))
    from napari.components import ViewerModel
    from wlmeasure_napari._hands import Hands
    from wlmeasure_napari._layers import Layers

    model = ViewerModel()
    hands = Hands(model, session, Layers(model, session))
    hands.keys["Enter"]()
    assert not any(text for _, text in heard)  # nothing was placed, and nothing is scolded
    hands.keys["T"]()
    assert session.tool == "look"
    assert heard[-1][1].startswith("question at the foot of the dock must be answered first")
    session.answer(YES)
    hands.keys["T"]()
    assert session.tool == "canal"


def test_another_film_waits_behind_it(films):
    """A film that is opened meanwhile is asked about next."""
    session = with_films(films[1])
    session.open_film(films[0])
    assert session.question.about == "metal"
    session.answer(YES)
    assert session.question.about == "film"
    session.answer("Add to 46")
    assert [film.metal for film in session.case.films] == ["dark", None]
