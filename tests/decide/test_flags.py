"""The flags: one closed catalogue, plain wording, nothing ordered and nothing called safe."""

from __future__ import annotations

import re

import pytest

from wlmeasure.decide.advice import ADVICE, advice
from wlmeasure.decide.flags import CATALOGUE, flag
from wlmeasure.errors import DecideError

EVERY = {**CATALOGUE, **ADVICE}


@pytest.mark.parametrize("code", EVERY)
def test_wording(code: str) -> None:
    """The clinician decides: no exposure is ordered, no length called safe, and a sentence stays one plain sentence."""
    text = EVERY[code].text
    assert not re.search(r"\bsafe|\bmust\b|\btake (a|another)\b|\bretake\b|\bexpos", text, re.IGNORECASE)
    assert "another film" not in text or "remains the clinician's choice" in text
    assert not re.search(r"\d", text)
    assert text.count(". ") == 0
    assert len(text) <= 160


def test_no_sentence_stands_twice() -> None:
    assert len({item.text for item in EVERY.values()}) == len(CATALOGUE) + len(ADVICE)


def test_an_unknown_code_is_refused() -> None:
    with pytest.raises(DecideError, match="catalogue"):
        flag("no-such-flag")
    with pytest.raises(DecideError, match="catalogue"):
        advice("no-such-advice")
