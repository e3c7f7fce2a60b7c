"""The practice's image archive from a session: films found and opened, the case's report and lines sent. No Qt."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wlmeasure import __version__
from wlmeasure.errors import CaseError
from wlmeasure.share.pacs import check_installed
from wlmeasure_napari._session import Session

if TYPE_CHECKING:  # the image archive is an extra
    from wlmeasure.share.pacs.found import Found

__all__ = ["FORMS", "films_folder", "find", "open_found", "send_case"]

VARIABLE = "WLMEASURE_FILMS"  # another folder for films from the archive, for a shared machine or a test
FORMS = ("sr", "presentation")
PLACE = "pacs"  # where the dialog's messages stand


def films_folder() -> Path:
    """Where films from the archive lie, private to the user: a case refers to them, so they stay."""
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    path = user_data_path("wlmeasure", appauthor=False) / "films"
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    return path


def _archive() -> Any:
    from wlmeasure.share.pacs.client import open_image_archive
    from wlmeasure.share.pacs.settings import server_of

    return open_image_archive(server_of())


def _warned(session: Session, place: str, archive: Any, text: str) -> None:
    warning = archive.server.warning
    session.announce(place, text if warning is None else f"{text}\n! {warning}")


def find(session: Session, show: Callable[[Sequence[Found]], None], *, patient: str, days: str, tooth: str) -> None:
    """Look for films; `show` is given what was found.

    Raises
    ------
    WlmeasureError
        No such day or tooth, no settings, or the archive cannot be asked.
    """
    check_installed()
    from wlmeasure.share.pacs.found import typed_query

    query = typed_query(patient=patient, days=days, tooth=tooth)

    def job() -> tuple[Any, list[Found]]:
        with _archive() as archive:
            return archive, [line for line in archive.find(query) if line.kind == "film"]

    def done(outcome: tuple[Any, list[Found]]) -> None:
        archive, found = outcome
        show(found)
        films = "1 film" if len(found) == 1 else f"{len(found)} films"
        _warned(session, PLACE, archive, f"{films} in {archive.server.host}" if found else "No film fits.")

    session.run("Asking the image archive", job, done)


def open_found(session: Session, found: Found, then: Callable[[], None] = lambda: None) -> None:
    """Get one film and open it like any other, and `then` do that.

    Raises
    ------
    WlmeasureError
        The archive cannot be asked, a different file lies in its place, or it is of another patient than the case.
    """
    check_installed()
    case = session.case
    films = [] if case is None else [case.film_path(film) for film in case.films]

    def job() -> Path:
        from wlmeasure.errors import PacsError
        from wlmeasure.share.pacs.fetch import get
        from wlmeasure.share.pacs.instance import check_patient, read_instance

        with _archive() as archive:
            (got,) = get(archive, [found], films_folder())
        if got.path is None:
            raise PacsError(str(got.error))
        check_patient(read_instance(got.path), films)
        return got.path

    def done(path: Path) -> None:
        session.open_film(path)
        session.do(PLACE, then)

    session.run("Getting the film", job, done)


def send_case(session: Session, place: str = "record") -> None:
    """Send the report and the presentation states of the case as it is saved; the verdicts stand at `place`.

    The saved case gives the same objects each time, so a send that broke off is gone on with by sending once more.

    Raises
    ------
    WlmeasureError
        No case, no settings, or objects that the case cannot give.
    """
    result, saved = session.result, session.saved_at
    if result is None or saved is None:
        raise CaseError("case must hold a film and a tooth before it can be sent")
    check_installed()
    made = saved.replace(microsecond=0).isoformat()

    def job() -> tuple[Any, list[Any], list[str]]:
        from wlmeasure.share.pacs.case_objects import case_objects
        from wlmeasure.share.pacs.journal import user_journal
        from wlmeasure.share.pacs.send import send

        at = datetime.now().astimezone().replace(microsecond=0).isoformat()
        objects = case_objects(result, FORMS, made_at=made, program=f"wlmeasure {__version__}")
        with _archive() as archive:
            verdicts = list(send(archive, objects.instances, user_journal(), at=at))
            there = any(one.is_good for one in verdicts)
            return archive, verdicts, objects.films_not_in(archive) if there else []

    def done(outcome: tuple[Any, list[Any], list[str]]) -> None:
        from wlmeasure.share.pacs.words import sent_words

        archive, verdicts, absent = outcome
        _warned(session, place, archive, sent_words(archive.server.host, verdicts, absent))

    session.run("Sending to the image archive", job, done)
