"""What was typed and not entered yet, under what it belongs to: the case, one of its films or canals. No Qt."""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

__all__ = ["Belongs", "Inputs"]

Belongs = Literal["case", "film", "canal"]


class Inputs:
    """The typed texts of one case; a new case begins with a new one, so that nothing of the old can show in it."""

    def __init__(self) -> None:
        self._typed: dict[tuple[Belongs, str], dict[str, str]] = {}

    def get(self, to: Belongs, name: str, field: str) -> str | None:
        """What was typed into `field` of the film or canal `name` ("" for the case); None where nothing ever was."""
        return self._typed.get((to, name), {}).get(field)

    def put(self, to: Belongs, name: str, field: str, text: str) -> None:
        """Remember what was typed."""
        self._typed.setdefault((to, name), {})[field] = text

    def rename(self, to: Belongs, old: str, new: str) -> None:
        """The same film or canal has another name now."""
        if old != new and (to, old) in self._typed:
            self._typed[to, new] = self._typed.pop((to, old))

    def forget_all_but(self, to: Belongs, names: Collection[str]) -> None:
        """What belongs to none of these is gone with what it belonged to: a later one of that name begins empty."""
        for key in [key for key in self._typed if key[0] == to and key[1] not in names]:
            del self._typed[key]
