"""What opening and saving leave to the person: which film, which tooth, whose film, whose file stays. No Qt."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Literal

from attrs import field, frozen

from wlmeasure.errors import WlmeasureError
from wlmeasure.image.listing import FilmList
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.record.case import SUFFIX, Case, load_case
from wlmeasure.trade.tooth import Tooth
from wlmeasure_napari._document import case_words

__all__ = [
    "FILM_SUFFIXES",
    "About",
    "Choice",
    "Offer",
    "Question",
    "case_beside",
    "is_film",
    "is_folder",
    "strangeness",
    "surely_of_case",
    "tooth_of_film",
    "tooth_words",
]

FILM_SUFFIXES = (".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp", ".dcm")
About = Literal["film", "tooth", "file", "case", "mirror", "metal", "upper end"]
MOST_BESIDE = 200
"""Case files that are looked into beside a film (our parameter): a patient's folder has a few."""


@frozen
class Choice:
    """One answer to a question, as its button says it, what it does, and how the film would look (8 bit grey), if it helps."""

    words: str
    do: Callable[[], None] = field(eq=False, repr=False)
    picture: Any = field(default=None, eq=False, repr=False)


@frozen
class Question:
    """A question that stands in the dock until it is answered; nothing is done meanwhile. The usual answer comes first.

    `about` is what it asks about; once that is settled in another way the question goes. `film` is the name of the film that
    waits for the answer, if one does.
    """

    text: str
    choices: tuple[Choice, ...]
    about: About
    film: str = ""


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


def is_film(path: str | Path) -> bool:
    """Whether a file can be read as a film, by the ending of its name."""
    return Path(path).suffix.lower() in FILM_SUFFIXES


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


def case_beside(film: Path, sha256: str, mine: Path | None) -> str:
    """Another case in the folder of a film that names it by its bytes or its path, in words; "" where there is none."""
    for path in sorted(film.parent.glob(f"*{SUFFIX}"))[:MOST_BESIDE]:
        if path.resolve() == mine:
            continue
        try:
            case = load_case(path)
            if any(one.sha256 == sha256 or case.film_path(one).resolve() == film for one in case.films):
                return f"{path.name} ({case_words(case)})"
        except (WlmeasureError, OSError):  # no case of ours, which names nothing
            continue
    return ""


def surely_of_case(graph: Radiograph, case: Case, films: Iterable[Radiograph]) -> bool:
    """Whether the header names the very patient of every film of the case, and the case's tooth alone."""
    mine = graph.patient_fingerprint
    same = mine is not None and all(film.patient_fingerprint == mine for film in films)
    return same and graph.teeth == (case.tooth,)


def strangeness(
    graph: Radiograph, path: Path, case: Case, films: dict[Path, Radiograph], file: Path | None
) -> list[str]:
    """What speaks against a film being one more of a case; `films` are the case's own by path, `file` is its named file."""
    found = []
    whose = {film.patient_fingerprint for film in films.values()} - {None}
    if graph.patient_fingerprint is not None and whose and whose != {graph.patient_fingerprint}:
        found.append("its header names another patient")
    if graph.teeth and case.tooth not in graph.teeth:
        found.append(f"its header names tooth {', '.join(graph.teeth)}")
    folders = {film.parent for film in films}
    if file is not None and file.parent in folders and path.parent not in folders:
        found.append("it lies in another folder than this case and its films")
    return found
