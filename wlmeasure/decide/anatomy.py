"""What is known of a root's end before anything is measured: how far the foramen and the constriction lie from its tip.

Published series disagree: of 1331 roots 40 % have the foramen at the tip, of 877 another series has 8 %. So the distance from
radiographic apex to foramen is a mixture of the two in equal parts, each with the mean that the sources give for the kind of
tooth. Where disease or treatment has changed the end, nothing published holds, and a wide spread stands in its place.
"""

from __future__ import annotations

from typing import Final

from attrs import frozen

from wlmeasure.decide.methods import END_ALLOWANCE_MM, Apex, Resorption, end_allowance_mm
from wlmeasure.errors import DecideError, check_positive
from wlmeasure.trade.tooth import Tooth

__all__ = [
    "APEX_TO_FORAMEN_MM",
    "AT_TIP_SHARES",
    "AT_TIP_STD_MM",
    "FORAMEN_TO_CONSTRICTION_MM",
    "USUAL",
    "Anatomy",
    "anatomy_of",
]

AT_TIP_SHARES: Final = (0.40, 0.08)
"""Share of roots whose foramen opens at the very tip. Martos et al., Int Endod J 2009 (1331 roots): 40 %; Burch & Hulen, Oral
Surg 1972;34:262-268 (877 roots): 7.6 %."""

APEX_TO_FORAMEN_MM: Final[dict[str, float]] = {"anterior": 0.43, "premolar": 0.73, "molar": 0.61, "any": 0.56}
"""Mean distance from apex to foramen, the mean of what the sources give for the kind of tooth. Anterior: Martos 0.39, Burch &
Hulen 0.46 (lower incisors). Premolar: Martos 0.87 (lower), Burch & Hulen 0.59 (all teeth). Molar: Martos 0.95 and 0.80, Burch &
Hulen 0.78 (lower distal roots), and Wolf et al. 2017 (PMC5709546), whose mean of 0.78 to the constriction leaves 0.19. Any:
Martos 0.69, Burch & Hulen 0.59, Kuttler, JADA 1955;50:544-552, 0.50 and 0.61, Dummer, McGinn & Rees 1984 0.37 (from memory)."""

APEX_TO_FORAMEN_SHAPE: Final = 2.5
"""Shape of the gamma distribution of that distance where the foramen is off the tip. Our parameter, no source: with it 2 in
1000 roots pass the 3 mm of Green 1956 (from memory)."""

AT_TIP_STD_MM: Final = 0.05
"""Where it opens at the tip, its distance is half a normal spread of this (our parameter: what "at the tip" can mean)."""

FORAMEN_TO_CONSTRICTION_MM: Final = (0.524, 0.659)
"""Mean distance from foramen to constriction at 18 to 25 years and at 55 and over, in equal parts, since the age is not known.
Kuttler 1955 (from memory; 0.5 and 0.67 as rounded in teaching)."""

FORAMEN_TO_CONSTRICTION_SHAPE: Final = 7.0
"""Shape of its gamma distribution: a scatter of 0.2 mm (our parameter, no source)."""

UNKNOWN_MM, UNKNOWN_SHAPE, UNKNOWN_AT_TIP, UNKNOWN_CONSTRICTION_SHAPE = 1.0, 1.2, 0.1, 3.0
"""The wide spread where nothing published holds (our parameters, no source): up to 4 mm, any value likelier than a far one."""


@frozen
class Anatomy:
    """Spread of the distances apex to foramen and foramen to constriction, mm: means and shapes of gamma distributions.

    `at_tip` are the shares with the foramen at the tip, one a series; `constriction_mm` the means, one a series; `known` is
    False where the wide spread stands in for the published one.
    """

    foramen_mm: float = APEX_TO_FORAMEN_MM["any"]
    foramen_shape: float = APEX_TO_FORAMEN_SHAPE
    at_tip: tuple[float, ...] = AT_TIP_SHARES
    constriction_mm: tuple[float, ...] = FORAMEN_TO_CONSTRICTION_MM
    constriction_shape: float = FORAMEN_TO_CONSTRICTION_SHAPE
    known: bool = True

    def __attrs_post_init__(self) -> None:
        for name in ("foramen_mm", "foramen_shape", "constriction_shape"):
            check_positive(DecideError, name, getattr(self, name))
        if not self.at_tip or not all(0.0 <= share < 1.0 for share in self.at_tip):
            raise DecideError(f"at_tip must be shares from 0 to below 1: {self.at_tip!r}; give one for each series")
        if not self.constriction_mm or not all(value > 0.0 for value in self.constriction_mm):
            raise DecideError(
                f"constriction_mm must be means above 0: {self.constriction_mm!r}; give one for each series"
            )

    def as_parameters(self) -> tuple[tuple[str, float], ...]:
        """What is written into a result."""
        return (
            ("apex_to_foramen_mm", self.foramen_mm),
            ("apex_to_foramen_shape", self.foramen_shape),
            *((f"foramen_at_tip_{k}", share) for k, share in enumerate(self.at_tip, 1)),
            *((f"foramen_to_constriction_{k}_mm", value) for k, value in enumerate(self.constriction_mm, 1)),
            ("foramen_to_constriction_shape", self.constriction_shape),
        )


USUAL: Final = Anatomy()
"""A root of which nothing is known."""


def anatomy_of(
    tooth: Tooth | None = None,
    *,
    apex: Apex = "closed",
    resorption: Resorption = "none",
    changed: bool = False,
) -> Anatomy:
    """What is known of the root ends of a tooth.

    Parameters
    ----------
    tooth
        A primary tooth's apex resorbs, so nothing published holds for it; None for any.
    apex, resorption
        An open apex or resorption switches the published distances off. Resorption adds what Weine's allowance adds.
    changed
        Whether anything else has: a perforation, old filling material in the canal.

    Raises :class:`DecideError` for words that it does not know.
    """
    more = end_allowance_mm(resorption) - END_ALLOWANCE_MM["none"]
    if apex == "open" or resorption != "none" or changed or (tooth is not None and tooth.is_primary):
        return Anatomy(
            UNKNOWN_MM + more,
            UNKNOWN_SHAPE,
            (UNKNOWN_AT_TIP,),
            constriction_shape=UNKNOWN_CONSTRICTION_SHAPE,
            known=False,
        )
    return Anatomy(APEX_TO_FORAMEN_MM["any" if tooth is None else _kind(tooth)])


def _kind(tooth: Tooth) -> str:
    place = int(tooth.designation[1])
    return "anterior" if place <= 3 else "premolar" if place <= 5 else "molar"
