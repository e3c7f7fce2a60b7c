"""Flags: a stable code and one plain sentence, each once."""

from __future__ import annotations

import pytest

from wlmeasure.flags import Flag, catalogue, merge


@pytest.mark.parametrize(
    ("code", "text"), [("Bad Code", "A sentence."), ("good-code", "no capital."), ("good-code", "Two\nlines.")]
)
def test_a_catalogue_holds_codes_and_sentences(code: str, text: str) -> None:
    with pytest.raises(ValueError, match="flag"):
        catalogue({code: text})


def test_merging_keeps_the_first_of_each_in_order() -> None:
    a, b = Flag("open-apex", "One."), Flag("beyond-apex", "Two.")

    assert merge([b, a], [a], [b]) == (b, a)
