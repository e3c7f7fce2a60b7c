"""What to measure again, as it is said in text, JSON and report; the budgets beside it add up."""

import pytest

from wlmeasure.decide.remeasure import Advice
from wlmeasure.share.html import html_page
from wlmeasure.share.report import report
from wlmeasure.share.result import advice_words, budget_words, record_text, result_json

HERE = Advice("a", "stop length to 0.1 mm", 0.33, 0.15)
FILM = Advice("b", "a file nearer the apex", 0.33, 0.12, True)
NONE = Advice("c", "a second film would show it", 0.33, None, True)


def test_what_helps_most_comes_first_and_beside_a_film_stands_what_needs_none():
    assert advice_words(()) == []
    assert advice_words((HERE, FILM)) == [HERE.words]
    assert advice_words((FILM, HERE, NONE)) == [FILM.words, HERE.words]
    assert advice_words((NONE,)) == [NONE.words]


def test_every_place_says_the_same(measured):
    """Text, JSON and report of all sample cases."""
    said = 0
    for result in measured.values():
        text, page, rows = (
            record_text(result),
            html_page(report(result, made_at="now", program="p")),
            result_json(result),
        )
        for canal, row in zip(result.canals, rows["canals"], strict=False):
            working = row["working_length"]
            if working is not None and working["std_mm"] is not None:
                assert working["std_mm"] ** 2 == pytest.approx(sum(term["std_mm"] ** 2 for term in working["budget"]))
            assert [one["action"] for one in (working or {"advice": []})["advice"]] == [a.action for a in canal.advice]
            for trace in canal.traces:
                if trace.length is None:
                    continue
                assert budget_words(trace.length.budget) in text
                for words in advice_words(trace.advice):
                    said += 1
                    assert words in text
                    assert words.replace(">", "&gt;").replace("'", "&#x27;") in page
        for row in rows["canals"]:
            for one in row["advice"]:
                assert one["before_mm"] == pytest.approx(
                    (row["length_interval_mm"][1] - row["length_interval_mm"][0]) / 2
                )
                assert one["after_mm"] is None or one["after_mm"] < one["before_mm"]
    assert said >= 3
