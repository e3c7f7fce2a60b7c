"""What opening a film leaves to the person: which film of a folder, which frame of a file, which of several teeth. No Qt."""

from __future__ import annotations

from pathlib import Path

from attrs import frozen

from wlmeasure.image.listing import FilmList
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trade.tooth import Tooth

__all__ = ["Offer", "is_folder", "tooth_of_film", "tooth_words"]


@frozen
class Offer:
    """What can be chosen from; nothing is chosen until a person does.

    Attributes
    ----------
    films
        The films of a folder or DICOMDIR that was opened.
    path, frames
        A file of several frames that waits for its frame to be named.
    teeth
        Designations that the film's header names, where there are several.
    """

    films: FilmList | None = None
    path: Path | None = None
    frames: int = 0
    teeth: tuple[str, ...] = ()


def is_folder(path: str | Path) -> bool:
    """Whether a path is to be shown as a list of films: a folder, or the directory file of a DICOM medium by its name."""
    path = Path(path)
    return path.is_dir() or path.name.upper() == "DICOMDIR"


def tooth_of_film(radiograph: Radiograph) -> Tooth | None:
    """The tooth that the film's header names, if it names one alone."""
    return Tooth.from_iso3950(radiograph.teeth[0]) if len(radiograph.teeth) == 1 else None


def tooth_words(radiograph: Radiograph, tooth: Tooth | None, *, prefilled: bool = False) -> str:
    """What is to be said of the teeth that the header names, beside the tooth in hand."""
    named = ", ".join(radiograph.teeth)
    if prefilled and tooth is not None:
        return f"Tooth {tooth.designation} stands in the film's header; type another if it is not the one."
    if tooth is None and len(radiograph.teeth) > 1:
        return f"The film's header names several teeth ({named}): choose the one that is measured."
    if tooth is not None and radiograph.teeth and tooth.designation not in radiograph.teeth:
        return f"The film's header names tooth {named}, and the case is of tooth {tooth.designation}; check both."
    return ""
