"""What must not stand in anything that is published: words by which a film's own name or an observer's may name a person."""

from __future__ import annotations

import re
from collections.abc import Iterable

from attrs import frozen

from wlmeasure.errors import StudyError

__all__ = ["PrivateWords", "private_words"]

SHORTEST = 3  # letters of a word that may name somebody (our parameter)
SHORTEST_NUMBER = 4  # digits of a number that may be a patient's (our parameter)
_WORD = re.compile(rf"[^\W\d_]{{{SHORTEST},}}|\d{{{SHORTEST_NUMBER},}}")


@frozen
class PrivateWords:
    """Whole names, and the words that they are made of.

    `names` are looked for everywhere; `words` only where a person wrote freely, since a word of a table may be the same by
    chance. Case does not matter.
    """

    names: tuple[str, ...]
    words: frozenset[str]

    def check_text(self, where: str, text: str) -> None:
        """Refuse a free text that holds one of the words.

        Raises
        ------
        StudyError
            Names the place and the word.
        """
        self.check_content(where, text)
        for word in _WORD.findall(text.casefold()):
            if word in self.words:
                raise StudyError(
                    f"{where} must not hold what may name a person: {word!r} is part of a film's own name or an observer's; "
                    "take it out"
                )

    def check_content(self, where: str, text: str) -> None:
        """Refuse a file that holds one of the whole names.

        Raises
        ------
        StudyError
            Names the file and the name.
        """
        folded = text.casefold()
        for name in self.names:
            if name in folded and re.search(rf"(?<!\w){re.escape(name)}(?!\w)", folded):
                raise StudyError(f"{where} must not hold a film's own name or an observer's: {name!r}; take it out")


def private_words(names: Iterable[str], common: Iterable[str]) -> PrivateWords:
    """The names with and without their endings, and their words, but for those of the texts in `common`."""
    usual = {word for text in common for word in _WORD.findall(text.casefold())}
    whole: set[str] = set()
    words: set[str] = set()
    for name in names:
        folded = name.casefold()
        stem = folded.split(".", 1)[0]
        whole |= {one for one in (folded, stem) if len(one) >= SHORTEST and one not in usual}
        words |= set(_WORD.findall(stem)) - usual
    return PrivateWords(tuple(sorted(whole)), frozenset(words))
