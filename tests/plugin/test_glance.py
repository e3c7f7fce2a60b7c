"""What is seen of a canal at one glance: one number, the one on the card, and by its state how far it holds. No Qt."""

from __future__ import annotations

from pathlib import Path

import pytest
from attrs import evolve
from wlmeasure_napari._glance import SIGNS, glance_of, glances

from wlmeasure.record.case import Canal, load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.share.card import stop_rows
from wlmeasure.share.result import limit_words

MOLAR = Path(__file__).resolve().parents[2] / "sample_images" / "cases" / "molar.wl.json"


@pytest.fixture(scope="module")
def molar():
    """The molar measured, and the same case with another record in a moment: geometry is measured once."""
    whole = evaluate(load_case(MOLAR))

    def with_record(entries, *more):
        case = evolve(whole.case, entries=tuple(entries), canals=(*whole.case.canals, *more))
        return evaluate(case, {film.film.id: film.radiograph for film in whole.films}, before=whole)

    return whole, with_record


def seen(result):
    facts = case_facts(result)
    return {glance.canal: glance for glance in glances(result, facts)}, facts


def test_every_state_of_the_molars_canals(molar):
    """Of its record up to the second decisions: MB decided anew, ML flared since and not read, D never decided, DL new."""
    whole, with_record = molar
    entries = [entry for entry in whole.case.entries[:35] if entry.id not in ("e20", "e21")]
    found, _ = seen(with_record(entries, Canal(name="DL", traces=())))
    said = {name: (glance.state, glance.number, glance.decided, glance.word) for name, glance in found.items()}
    assert said == {
        "MB": ("decided", "20.0", True, "decided by KO"),
        "ML": ("again", "20.0", True, "decide again"),
        "D": ("proposed", "20.0", False, "proposed, not decided"),
        "DL": ("not measured", "", False, "not measured"),
    }
    assert found["ML"].why == "shaped since"
    assert [found[name].reference_point for name in ("MB", "DL")] == ["mesiobuccal cusp tip", ""]
    assert len({glance.sign for glance in found.values()}) == 4 == len(set(SIGNS.values())) - 1


def test_after_flaring_every_decision_is_to_be_read_again(molar):
    """What was decided still stands as a number, but in no state that a stop is set by without a look."""
    whole, with_record = molar
    found, _ = seen(with_record(whole.case.entries[:25]))
    assert {glance.state for glance in found.values()} == {"again"}
    assert {glance.word for glance in found.values()} == {"read again"}


def test_a_decision_from_another_point_shows_no_number(molar):
    whole, _ = molar
    canal, facts = whole.canals[0], case_facts(whole).canals[0]
    other = evolve(facts, stop=None, reference_point="palatal cusp tip")
    glance = glance_of(canal, other, "#e69f00")
    assert (glance.state, glance.number, glance.decided) == ("again", "", True)


@pytest.mark.parametrize("length", range(0, 77, 4))
def test_the_number_is_the_cards_after_every_entry(molar, length):
    """The same digits as the row of the stops card; none where the card has none; solid only where a person decided."""
    whole, with_record = molar
    result = with_record(whole.case.entries[:length])
    found, facts = seen(result)
    (cone,) = [row[1:] for row in stop_rows(result) if row[0] == "master cone"]  # taken to the length itself
    for canal, printed in zip(facts.canals, cone, strict=True):
        glance = found[canal.name]
        assert (glance.number or "–") == printed
        assert (f"stop {printed} mm" in glance.words) == bool(glance.number)
        if canal.stop is not None:  # the figure it is rounded down from is no second number of the same name
            assert f"length {limit_words(canal.stop.length_mm)} " in glance.measured
        assert glance.decided == (canal.decision is not None)
        assert (glance.state in ("decided", "again")) == glance.decided
