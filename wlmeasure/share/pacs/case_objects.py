"""The objects of a case that go to the image archive: report, presentation states, captures, calibrated copies."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from attrs import frozen

from wlmeasure.errors import PacsError, ShareError
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import CaseResult, evaluate
from wlmeasure.share.dicom.source import film_images
from wlmeasure.share.hand_on import share_files
from wlmeasure.share.pacs.instance import Instance, instance_of
from wlmeasure.share.pacs.send import without_doubles

if TYPE_CHECKING:
    from wlmeasure.share.pacs.client import ImageArchive

__all__ = ["FORMS", "CaseObjects", "case_objects", "objects_of_case_file"]

FORMS = ("sr", "presentation", "secondary", "calibrated")
_OF_ONE_FILM = FORMS[1:]


@frozen
class CaseObjects:
    """What of a case is sent, and the DICOM films that it refers to, as pairs of the film's id and its UID."""

    instances: tuple[Instance, ...]
    films: tuple[tuple[str, str], ...]

    def films_not_in(self, archive: ImageArchive) -> list[str]:
        """Ids of films that the archive does not have: whoever reads the report there could not look at them."""
        sent = {one.uid for one in self.instances}
        return [film for film, uid in self.films if uid not in sent and archive.locate(uid) is None]


def case_objects(
    result: CaseResult, forms: Sequence[str], *, made_at: str, program: str, film: str | None = None
) -> CaseObjects:
    """A measured case in DICOM forms, each object once, what others refer to first.

    Forms of one film are made for every film of the case they can be made for, or for `film` alone.

    Raises
    ------
    ShareError
        A form that the case cannot give.
    """
    unknown = [form for form in forms if form not in FORMS]
    if unknown or not forms:
        raise PacsError(f"--as must be some of {', '.join(FORMS)}: {', '.join(unknown) or 'none'}")
    films = [film] if film is not None else [entry.film.id for entry in result.films]
    instances: list[Instance] = []
    for form in dict.fromkeys(forms):
        refusals: list[ShareError] = []
        made = []
        for one in films if form in _OF_ONE_FILM else [None]:
            try:
                made += share_files(result, form, Path(f"{form}.dcm"), made_at=made_at, program=program, film=one)
            except ShareError as error:
                refusals.append(error)
        if refusals and not made:
            raise refusals[0]
        instances += [instance_of(content, path.name) for path, content in made]
    ordered = sorted(without_doubles(instances), key=lambda one: not one.sop_class.endswith(".1.7"))
    images = [image for image in film_images(result) if not image.is_capture]
    return CaseObjects(tuple(ordered), tuple((image.film.film.id, image.uid) for image in images))


def objects_of_case_file(
    path: str | Path, forms: Sequence[str], *, program: str, film: str | None = None
) -> CaseObjects:
    """The same from a case file. The objects are made as of the time the case was saved.

    So the same saved case gives the same objects with the same identifiers, and a send that broke off can be gone on with.
    """
    path = Path(path)
    result = evaluate(load_case(path))
    saved = datetime.fromtimestamp(path.stat().st_mtime).replace(microsecond=0).isoformat()
    return case_objects(result, forms, made_at=saved, program=program, film=film)
