"""A tooth as a person types it, in any of the trade's ways; what may be two teeth is asked, once."""

import cv2
import numpy as np
import pytest
from wlmeasure_napari._session import Session

from wlmeasure.errors import TradeError


def png(path, seed):
    """A small picture of its own."""
    cv2.imwrite(str(path), np.random.default_rng(seed).integers(0, 255, (40, 60), np.uint8))
    return path


@pytest.mark.parametrize(
    "text", ["46", " 46 ", "#30", "30", "Universal 30", "LR6", "Palmer LR6", "6┐", "4.6", "lower right first molar"]
)
def test_a_tooth_is_typed_in_any_of_the_trade_s_ways(tmp_path, text):
    session = Session()
    session.open_film(png(tmp_path / "a.png", 1))
    session.set_tooth(text)
    assert session.case.tooth == "46"
    assert session.question is None


def test_a_number_that_may_be_two_teeth_is_asked_once_and_its_notation_remembered(tmp_path):
    """11 is the upper right central incisor in ISO 3950, and the upper left canine in the Universal system."""
    session = Session()
    session.open_film(png(tmp_path / "a.png", 1))
    session.set_tooth("11")
    assert session.case is None
    assert [choice.words for choice in session.question.choices] == [
        "11: upper right central incisor",
        "23: upper left canine (Universal 11)",
        "Type it anew",
    ]
    assert session.next_step().words == "A question stands; answer it: buttons at the foot"
    session.answer("23: upper left canine (Universal 11)")
    assert session.case.tooth == "23"
    session.set_tooth("12")
    assert session.case.tooth == "24"
    assert session.question is None
    with pytest.raises(TradeError, match="type ISO"):
        session.set_tooth("46")
    session.set_tooth("ISO 46")
    assert session.case.tooth == "46"
    session.close_case()
    session.open_film(png(tmp_path / "b.png", 2))
    session.set_tooth("8")
    assert session.case.tooth == "11"


def test_a_question_about_a_tooth_that_is_dropped_takes_none(tmp_path):
    session = Session()
    session.initials = "KO"
    session.open_film(png(tmp_path / "a.png", 1))
    session.set_tooth("11")
    session.answer("Type it anew")
    assert (session.case, session.question, session.notation) == (None, None, None)
    assert session.next_step().key == "field Tooth"
