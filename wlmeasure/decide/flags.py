"""Coded reasons: what a clinician is told beside a length, one plain sentence for each code.

The catalogue is closed, so that a report, a translation or a table can rely on every code, and so that the wording of
all of them can be checked in one place: no sentence orders an exposure, none calls a length safe.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from wlmeasure.errors import DecideError
from wlmeasure.flags import Flag, catalogue

__all__ = ["CATALOGUE", "flag"]

_TEXTS: Final = {
    # The film.
    "length-unusual": "The length lies outside the usual range of teeth; check the entry and the reference point.",
    "resorption-bone": "Bone resorption at the root end was noted, so the end allowance is larger.",
    "resorption-root": (
        "Resorption of bone and root end was noted, so the end allowance is larger and the constriction may be lost."
    ),
    "open-apex": (
        "The apex is open: no constriction is presumed, and readings with a file much smaller than the canal are "
        "unreliable."
    ),
    "apex-superimposed": "Other structures lie over the apex, so its place on the film is less certain.",
    "apex-cut-off": "The apex is not on the film, so the film gives no working length.",
    "unseen-stretch": "The last part of the canal cannot be seen; the uncertainty grows with the length of that part.",
    "file-tip-only": (
        "The trace ends at the file tip and its distance from the apex was not given, so the film gives no working "
        "length."
    ),
    "filling-end-only": "The trace ends at the end of the filling, so the film gives no working length.",
    "correction-confirm": (
        "The file tip lay well off the root end; confirmation is advised, and an electronic reading can be considered"
        " first."
    ),
    "correction-too-large": (
        "The file tip lay too far from the root end to calculate a length from it; another film remains the "
        "clinician's choice."
    ),
    "tip-beyond-apex": (
        "The file tip lay beyond the root end; the length is counted back from it, and another film remains the "
        "clinician's choice."
    ),
    # The readings.
    "no-usable-reading": "No reading shows the foramen or the constriction, so the readings give no length.",
    "too-few-readings": ("There are too few readings to establish an electronic length."),
    "reading-unstable": "The readings spread more than is accepted; read again, dry and with a snug file.",
    "reading-beyond": "A reading showed the file beyond the foramen; it gives no length but bounds the others.",
    "beyond-contradicts": (
        "The device showed beyond the foramen at a length clearly shorter than the other readings; they contradict "
        "each other."
    ),
    "marks-mixed": (
        "The readings were taken at different marks and each was brought to the constriction before they were compared."
    ),
    "mark-not-calibrated": (
        "The constriction mark is the maker's estimate of the constriction, not a calibrated distance from the foramen."
    ),
    "condition-wide-foramen": "A wide foramen was noted; readings in wide canals are reported to be wrong.",
    "condition-blockage": "A blockage was noted; without patency the reading is less accurate.",
    "condition-perforation": "A perforation was noted; the device reads it as it reads the foramen.",
    "condition-open-apex": "An open apex was noted; a file much smaller than the canal gives an unreliable reading.",
    "condition-bleeding": "Heavy bleeding was noted; it can make the reading early or restless.",
    "condition-metal-contact": "Contact with a metal restoration was noted; it can make the reading early.",
    "condition-wet": "A very wet canal was noted; it can make the reading early.",
    "condition-dry": "A very dry canal was noted; the circuit may not close and the reading may be late or absent.",
    "condition-leakage": "Saliva leakage was noted; it can make the reading early.",
    "condition-retreatment-material": (
        "Old filling material in the canal was noted; readings through it are unreliable."
    ),
    "condition-fracture": "A fracture was noted; the device may read it as it reads the foramen.",
    "condition-vital-tissue": "Vital or inflamed tissue in the canal was noted; it can unsettle the reading.",
    "condition-low-battery": "A low battery was noted; readings may not be relied on until it is charged.",
    "condition-loose-file": (
        "A file loose in the canal was noted; a file much smaller than the canal reads less accurately."
    ),
    "condition-other": (
        "A condition outside the list was noted with the readings; how it acts on them is not known here."
    ),
    # Film and readings together.
    "recheck-reference": "Check that film and reading were taken from the same coronal reference point and stop.",
    "foramen-short-of-apex": "The foramen probably opens short of the radiographic apex, as it does in most roots.",
    "early-reading": (
        "The foramen may open well short of the radiographic apex or the device read early; read again, dry and with "
        "a snug file."
    ),
    "long-reading": "The reading is longer than the film; read again and check the end point on the film.",
    "reading-far-short": "The reading is far shorter than the film.",
    "reading-far-long": (
        "The reading is far longer than the film; think of perforation, resorption, a wrong end point or a foreshortened "
        "film."
    ),
    "one-is-wrong": (
        "Film or readings are more likely than not to be grossly wrong, and nothing says which, so no length is proposed."
    ),
    "conflict-may-be-anatomy": (
        "The best estimate from both is given, provisionally: a foramen that opens near the apex and ordinary errors may be "
        "all of the difference."
    ),
    "anatomy-not-known": (
        "What is published of root ends does not hold for this one, so where the constriction lies is taken to be far less "
        "certain."
    ),
    "reading-in-doubt": (
        "The readings were taken where devices are known to err, so a difference from the film is not put down to "
        "anatomy."
    ),
    "provisional-length": "The best estimate from both is given, provisionally, until the difference is settled.",
    "film-may-be-long": (
        "Whether the stop rested on its reference is not known; if it had slid, the film's length is too long, and the ceiling "
        "is lower for that."
    ),
    "film-may-be-long-by-reading": (
        "Whether the stop rested on its reference is not known; if it had slid, the film's length is too long, which may be "
        "why the reading is shorter."
    ),
    "inconsistent": "Film and reading differ by more than their stated uncertainties explain.",
    "film-alone": (
        "Only the film gives a length; a file that looks short of the apex may be through the foramen, which happens more "
        "often than with readings beside it."
    ),
    "reading-alone": "Only the readings give a length; no film length stands beside them.",
    "nothing-to-decide": "Neither the film nor the readings give a length yet.",
    "film-beyond-reading": (
        "The film's length reaches to where the device already showed beyond the foramen, so no length is proposed."
    ),
    "beyond-apex": "The length would lie beyond the radiographic apex and is cut back to it.",
    "beyond-foramen": "The length would lie beyond the foramen marked on the film and is cut back to it.",
    "near-beyond-reading": "The length is cut back because the device showed beyond the foramen little farther on.",
    "landmark-level": "The foramen reading lies level with the radiographic apex, as nearly as either can show.",
    "landmark-gap-possible": (
        "The foramen reading lies farther from the radiographic apex than is usual; this is possible anatomy."
    ),
    "landmark-gap-conflict": "The foramen reading and the radiographic apex lie apart by more than anatomy explains.",
    "decided-beyond-apex": "The decided length lies beyond the radiographic apex.",
    "decided-beyond-foramen": "The decided length lies beyond the foramen marked on the film.",
    "decided-above-ceiling": (
        "The decided length is longer than what is proposed and than the ceiling: the shorter of film and readings, less what "
        "the film may be too long by."
    ),
}

CATALOGUE: Final = MappingProxyType(catalogue(_TEXTS))
"""Every flag that this room can raise, by its code."""


def flag(code: str) -> Flag:
    """The flag of that code; :class:`DecideError` when the catalogue has none."""
    try:
        return CATALOGUE[code]
    except KeyError:
        raise DecideError(f"flag code must stand in the catalogue: {code!r}; add its sentence there first") from None
