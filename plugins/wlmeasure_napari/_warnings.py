"""What speaks against the canal in hand, worst first, each with what to do. No Qt.

The screen shows the first and how many there are besides; report and card have them all. An entry's number is never named
here: it means something in the record alone.
"""

from __future__ import annotations

from typing import Final

from attrs import frozen

from wlmeasure.share.result import canal_flags
from wlmeasure_napari._guide import Mend, doubt_of

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure.flags import Flag
    from wlmeasure_napari._session import Session

__all__ = ["Remark", "remarks_of"]

MENDS: Final[dict[Mend, str]] = {
    "read": "Read again before a stop is set by it.",
    "decide": "Decide again before a stop is set by it.",
}

# Our order, by what harm a length does that is believed in spite of it: the stop may be wrong now; the length may reach past
# the end; the rest as it comes; what is true of every film or reading of its kind.
ON_THE_STOP: Final = (
    *("two-decisions", "decided-from-another-point", "reference-not-named", "decided-on-another-film-length"),
    *("decided-beyond-foramen", "decided-beyond-apex", "decided-above-ceiling"),
)
PAST_THE_END: Final = (
    *("film-beyond-reading", "beyond-contradicts", "reading-far-long", "inconsistent", "landmark-gap-conflict"),
    *("trace-reversed", "reference-points-differ", "scales-disagree", "scale-in-doubt", "magnification-implausible"),
    *(
        "file-longer-than-known",
        "claim-disagrees",
        "taper-disagrees",
        "reading-far-short",
        "beyond-apex",
        "beyond-foramen",
    ),
    *("near-beyond-reading", "film-may-be-long", "film-may-be-long-by-reading", "long-reading", "films-disagree"),
    *(
        "stop-off-reference",
        "reference-far-beside",
        "tip-off-canal",
        "click-off-path",
        "line-not-seen",
        "file-not-seen",
    ),
    *(
        "file-hidden",
        "reading-in-doubt",
        "reading-unstable",
        "condition-perforation",
        "tip-beyond-end",
        "length-unusual",
    ),
)
OF_ITS_KIND: Final = (
    *("nothing-seen-in-depth", "object-off-plane", "nominal-length", "mark-not-calibrated", "magnification-usual"),
    *("foramen-short-of-apex", "film-alone", "reading-alone", "landmark-level", "marks-mixed", "spacing-claim"),
)
TO_DO: Final = {
    "decided-from-another-point": "Read again and decide from the point that holds now.",
    "decided-on-another-film-length": "Look at trace, marks and scale, then decide again.",
    "decided-beyond-foramen": "Look at the film and decide again.",
    "decided-beyond-apex": "Look at the film and decide again.",
    "decided-above-ceiling": "Look at film and readings and decide again.",
    "film-beyond-reading": "Check the end of the trace and read again.",
    "inconsistent": "Check trace, marks and scale, and read again.",
    "landmark-gap-conflict": "Check the end of the trace and read again.",
    "scales-disagree": "Check the known lengths of this film.",
    "scale-in-doubt": "Check the known lengths of this film.",
    "trace-reversed": "Trace again from the orifice to the end.",
    "reference-points-differ": "Mark the point that the stop rested on.",
    "stop-off-reference": "Mark the point that the stop rested on.",
    "line-not-seen": "Look at the end of the trace.",
    "file-not-seen": "Look at the file's stop and tip.",
}


@frozen
class Remark:
    """One thing that speaks against a number: what it is, and what to do about it, "" where the words say it."""

    text: str
    to_do: str = ""

    @property
    def words(self) -> str:
        """Both in one line."""
        return f"{self.text} {self.to_do}".strip()


def _rank(flag: Flag) -> tuple[int, int]:
    for rank, codes in ((1, ON_THE_STOP), (2, PAST_THE_END), (4, OF_ITS_KIND)):
        if flag.code in codes:
            return rank, codes.index(flag.code)
    return 3, 0


def remarks_of(session: Session) -> tuple[Remark, ...]:
    """Everything remarked on the canal in hand and the film in view, worst first, each once."""
    found, facts, held, film = session.canal_result, session.facts, session.canal_facts, session.film
    first: list[Remark] = []
    flags: list[Flag] = []
    if facts is not None and facts.fault is not None:
        first.append(
            Remark(f"The record cannot be followed: {facts.fault}.", "Nothing in it counts: open a sound one.")
        )
    if held is not None and found is not None:
        doubt = doubt_of(held)
        if doubt is not None and doubt.mend in (
            "read",
            "decide",
        ):  # the others are of the treatment: the next step names them
            first.append(Remark(f"{doubt.what} no longer holds: {doubt.why}.", MENDS[doubt.mend]))
        flags += canal_flags(found, found.basis, held)
    if film is not None:
        flags += film.flags
    ordered = [Remark(flag.text, TO_DO.get(flag.code, "")) for flag in sorted(dict.fromkeys(flags), key=_rank)]
    graph = session.radiograph
    of_file = [Remark(text) for text in (() if graph is None else graph.warnings)]
    clicks = None if film is None else film.clicks
    if clicks is not None:
        reckoned = f"Lengths reckon with {clicks.words}."
        if clicks.by is not None and session.initials not in ("", clicks.by):
            first.append(Remark(reckoned, "That is another person: measure the case with your own, measure --clicks."))
        else:
            of_file.append(Remark(reckoned))
    return tuple(dict.fromkeys([*first, *ordered, *of_file]))
