"""The image archive as three questions: find, retrieve, store. What may be tried again is tried again, with growing waits.

Searching and storing are done by ``dicomweb-client`` on our bounded session. Retrieval is not: the library hands over
parsed data sets, while a film is to be kept byte for byte, and a stranger's bytes are looked at before they are parsed.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NoReturn, Self, TypeVar

from attrs import evolve, field, frozen
from dicomweb_client.web import DICOMwebClient
from pydicom.dataset import Dataset

from wlmeasure.errors import PacsError, PacsLostError, PacsRefusedError
from wlmeasure.image.dicom import data_set
from wlmeasure.image.radiograph import printable
from wlmeasure.share.dicom.objects import header_text, quiet
from wlmeasure.share.pacs.exchange import BoundedSession, Progress, reason_words
from wlmeasure.share.pacs.found import FIELDS, TAGS, Found, Query, found_from_json, teeth_from_json
from wlmeasure.share.pacs.instance import Instance, checked_uid, instance_of, is_uid
from wlmeasure.share.pacs.settings import Server, secret_of

__all__ = ["MOST", "ImageArchive", "open_image_archive"]

T = TypeVar("T")
PAGE = 200  # answers asked for at once (our parameter)
MOST = 2000  # answers of one search in all; more is a search to be narrowed (our parameter)
FIRST_WAIT_S = 0.5  # before the second attempt; twice as long before each further one (our parameter)
LARGEST_PART_HEADER = 4096  # bytes before one part of an answer (our parameter)
PARTS = 'multipart/related; type="application/dicom"'
NOT_THIS_SYNTAX = (400, 406)  # how an archive may refuse what it does not know to ask for (bad request, not acceptable)
_STUDY = ("StudyDate", "AccessionNumber", "PatientName", "PatientID", "ModalitiesInStudy")


@frozen
class ImageArchive:
    """One image archive, open; close it with a ``with`` block.

    `pause` waits between attempts; a test gives its own.
    """

    server: Server
    session: BoundedSession = field(repr=False)
    client: DICOMwebClient = field(repr=False)
    pause: Callable[[float], None] = field(default=time.sleep, repr=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.session.close()

    def again(self, ask: Callable[[], T]) -> T:
        """Ask, and ask again after a growing wait where the answer was lost; the last loss is raised."""
        wait = FIRST_WAIT_S
        for _ in range(self.server.retries):
            try:
                return ask()
            except PacsLostError as lost:
                self.pause(max(wait, lost.wait_s or 0.0))
                wait *= 2.0
        return ask()

    # ---- search (QIDO-RS) ------------------------------------------------------------------------------------------

    def find(self, query: Query) -> list[Found]:
        """Every instance that fits, the newest study first, and so within a study.

        Raises
        ------
        PacsError
            Nothing to search by, more than :data:`MOST` answers, or the archive cannot be asked.
        """
        filters: dict[str, str] = {}
        for keyword, value in (("PatientID", query.patient), ("AccessionNumber", query.accession)):
            if value is not None:
                if not value.strip() or not value.isprintable() or len(value) > 64 or set(value) & set("*?\\"):
                    raise PacsError(f"{keyword} must be 1 to 64 characters without * ? and backslash: {value!r}")
                filters[keyword] = value
        if query.study is not None:
            filters["StudyInstanceUID"] = checked_uid(query.study, "study")
        if query.since is not None or query.until is not None:
            filters["StudyDate"] = f"{query.since or ''}-{query.until or ''}"
        if not filters:
            raise PacsError("search must be narrowed by patient, accession number, date or study")
        studies = sorted(self._studies(filters), key=lambda study: str(_first(study, TAGS["StudyDate"])), reverse=True)
        found: list[Found] = []
        for study in studies:
            lines = self._of_study(study, query)
            for line in lines:
                self._must_answer("PatientID", query.patient, line.patient or None)
            if query.patient is not None:  # held against the film itself before it is kept
                lines = [evolve(line, patient=query.patient) for line in lines]
            found += [line for line in lines if query.tooth is None or query.tooth in line.teeth]
            if len(found) > MOST:
                raise PacsError(f"search must find at most {MOST} instances: more; narrow it by date or modality")
        return found

    def _of_study(self, study: Mapping[str, Any], query: Query) -> list[Found]:
        """The instances of one study, the newest first."""
        uid = str(_first(study, TAGS["StudyInstanceUID"]))
        items = self._pages(
            lambda **page: self.client.search_for_instances(study_instance_uid=uid, fields=FIELDS, **page)
        )
        lines = [
            found_from_json(item, study) or self._no_identifier("instance", "SOPInstanceUID", item) for item in items
        ]
        if query.modalities:
            lines = [line for line in lines if line.modality in query.modalities]
        if any(line.kind == "film" and not line.teeth for line in lines):
            lines = self._with_teeth(uid, lines, must=query.tooth is not None)
        lines.sort(key=lambda line: (line.kind, line.series, line.uid))
        return sorted(lines, key=lambda line: line.date, reverse=True)

    def _with_teeth(self, study: str, lines: list[Found], *, must: bool) -> list[Found]:
        """The teeth of the films, which many archives leave out of a search though they are asked for them."""
        try:
            headers = self.again(lambda: self._asked(lambda: self.client.retrieve_study_metadata(study)))
        except PacsRefusedError:
            if must:
                raise
            return lines
        teeth = {
            str(_first(item, TAGS["SOPInstanceUID"])): teeth_from_json(item)
            for item in headers
            if isinstance(item, dict)
        }
        return [evolve(line, teeth=line.teeth or teeth.get(line.uid, ())) for line in lines]

    def _studies(self, filters: Mapping[str, str]) -> Iterator[dict[str, Any]]:
        for study in self._pages(
            lambda **page: self.client.search_for_studies(fields=_STUDY, search_filters=dict(filters), **page),
            "StudyInstanceUID",
        ):
            uid = _first(study, TAGS["StudyInstanceUID"])
            if not isinstance(uid, str) or not is_uid(uid):
                self._no_identifier("study", "StudyInstanceUID", study)
            for keyword in ("PatientID", "AccessionNumber", "StudyInstanceUID"):
                self._must_answer(keyword, filters.get(keyword), _first(study, TAGS[keyword]))
            since, _, until = filters.get("StudyDate", "-").partition("-")
            day = _first(study, TAGS["StudyDate"])
            if isinstance(day, str) and len(day) == 8 and not (since or day) <= day <= (until or day):
                self._must_answer("StudyDate", f"{since}-{until}", day)
            yield study

    def _must_answer(self, keyword: str, asked: str | None, answered: Any) -> None:
        """Refuse an answer about something else than what was asked for: the archive does not heed its filters."""
        if asked is not None and answered is not None and str(answered).strip() != asked.strip():
            raise PacsRefusedError(
                f"{self.server.host} must answer for {keyword} {asked}: it answers for another too, and so heeds no filter; "
                "nothing of it is taken; tell the archive's keeper"
            )

    def _no_identifier(self, what: str, keyword: str, item: Mapping[str, Any]) -> NoReturn:
        """Refuse an answer that cannot be asked for: left out in silence, a film that is there would not be."""
        raise PacsRefusedError(
            f"{self.server.host} must give every {what} its identifiers, of digits and points: one of "
            f"{printable(str(_first(item, TAGS[keyword])), 70)!r} is missing or none; nothing of it is taken; narrow the "
            "search, and tell the archive's keeper"
        )

    def locate(self, uid: str) -> Found | None:
        """The instance with that SOP Instance UID; None where the archive has none."""
        uid = checked_uid(uid, "SOP Instance UID")
        items = self._pages(
            lambda **page: self.client.search_for_instances(search_filters={"SOPInstanceUID": uid}, **page)
        )
        lines = [found_from_json(item, item) for item in items]
        return next((line for line in lines if line is not None and line.uid == uid), None)

    def _pages(self, search: Callable[..., list[Any]], key: str = "SOPInstanceUID") -> Iterator[dict[str, Any]]:
        """Every answer of a search, once each by its `key`, page by page; a server that ignores paging is noticed."""
        seen: set[str] = set()
        for offset in range(0, MOST + PAGE, PAGE):
            page = self.again(lambda: self._asked(lambda: search(limit=PAGE, offset=offset)))  # noqa: B023
            if not isinstance(page, list) or not all(isinstance(item, dict) for item in page):
                raise PacsRefusedError(f"{self.server.host} must answer a search with a list of objects")
            fresh = list(
                {name: item for item in page if (name := str(_first(item, TAGS[key]))[:80]) not in seen}.items()
            )
            seen.update(name for name, _ in fresh)
            yield from (item for _, item in fresh)
            if len(page) < PAGE or not fresh:
                return
        raise PacsError(f"search must find at most {MOST} answers: more; narrow it by date or modality")

    def _asked(self, ask: Callable[[], T]) -> T:
        """The library's own errors as ours."""
        try:
            with quiet():
                return ask()
        except PacsError:
            raise
        except Exception as error:  # what a stranger's JSON raises in it is nearly anything
            status = getattr(getattr(error, "response", None), "status_code", None)
            if status == 404:
                raise PacsRefusedError(
                    f"{self.server.host} has no DICOMweb service at this url (status 404): check url, qido, wado and stow in "
                    "the settings",
                    404,
                ) from None
            raise PacsRefusedError(
                f"{self.server.host} answers what cannot be read: {printable(error, 120) or type(error).__name__}"
            ) from None

    # ---- retrieval (WADO-RS) ---------------------------------------------------------------------------------------

    def retrieve(self, study: str, series: str, uid: str) -> Instance | None:
        """One instance as it lies in the archive, in the transfer syntax it has there; None where there is none.

        Raises
        ------
        PacsError
            The archive cannot be asked, or answers with something else.
        """
        for text, what in ((study, "study"), (series, "series"), (uid, "instance")):
            checked_uid(text, what)
        prefix = "" if self.server.wado is None else f"/{self.server.wado}"
        url = f"{self.server.url}{prefix}/studies/{study}/series/{series}/instances/{uid}"
        try:
            # Without the star the archive would recode to Explicit VR Little Endian (PS3.18 8.7.3.5.2).
            answer = self.again(lambda: self.session.get(url, headers={"Accept": f"{PARTS}; transfer-syntax=*"}))
        except PacsRefusedError as refusal:
            if refusal.status not in NOT_THIS_SYNTAX:
                raise
            answer = self.again(lambda: self.session.get(url, headers={"Accept": PARTS}))
        if answer.status_code == 404 or not answer.content:
            return None
        data = self._only_part(answer.headers.get("Content-Type", ""), answer.content)
        try:
            found = instance_of(data, f"answer of {self.server.host}")
        except PacsError as error:
            raise PacsRefusedError(str(error), answer.status_code) from None
        for asked, sent, what in (
            (uid, found.uid, "instance"),
            (series, found.series, "series"),
            (study, found.study, "study"),
        ):
            if sent != asked:
                raise PacsRefusedError(
                    f"{self.server.host} must answer with {what} {asked}: it sends {sent}", answer.status_code
                )
        return found

    def _only_part(self, kind: str, body: bytes) -> bytes:
        """The one part of a multipart answer (RFC 2046 5.1), or the whole answer where it has no parts."""
        if kind.split(";")[0].strip().lower() == "application/dicom":
            return body
        wrong = PacsRefusedError(f"{self.server.host} must answer with one part of type application/dicom", 200)
        named = re.search(r"""boundary=(?:"([^"\r\n]{1,70})"|([^\s;"]{1,70}))""", kind, re.IGNORECASE)
        if named is None:
            raise wrong
        marker = b"--" + (named[1] or named[2]).encode("latin-1", "replace")
        begin = 0 if body.startswith(marker) else body.find(b"\r\n" + marker) + 2
        head_end = body.find(b"\r\n\r\n", begin, begin + LARGEST_PART_HEADER)
        end = body.find(b"\r\n" + marker, head_end + 2)
        if (begin < 2 and not body.startswith(marker)) or head_end < 0 or end < 0:
            raise wrong
        is_last = body.startswith(b"--", end + 2 + len(marker))
        if not is_last or b"application/dicom" not in body[begin + len(marker) : head_end].lower():
            raise wrong
        return body[head_end + 4 : end]

    # ---- storage (STOW-RS) -----------------------------------------------------------------------------------------

    def store(self, instance: Instance, progress: Progress | None = None) -> str | None:
        """Send one instance, once. None where the archive says it is stored, else its reason not to.

        What it says is not believed: the caller reads back. `progress` is told the bytes that have gone.

        Raises
        ------
        PacsLostError
            Whether it was stored is not known.
        PacsRefusedError
            It was refused.
        """
        self.session.progress = progress
        self.client.set_chunk_size(len(instance.data) + 2**20)  # in one piece: not every archive takes chunks
        try:
            # Read anew: an element that was looked at is written as pydicom understood it, any other goes as it is.
            answer = self._asked(lambda: self.client.store_instances([data_set(instance.data)]))
        finally:
            self.session.progress = None
        return _failure(answer, instance.uid)


def _first(item: Mapping[str, Any], tag: str) -> Any:
    member = item.get(tag)
    values = member.get("Value") if isinstance(member, dict) else None
    return values[0] if isinstance(values, list) and values else None


def _failure(answer: Dataset, uid: str) -> str | None:
    """The reason that the archive gives for not storing an instance (PS3.18 10.5.3.1.2)."""
    try:
        with quiet():
            for item in answer.get("FailedSOPSequence") or ():
                if header_text(item, "ReferencedSOPInstanceUID") in (uid, ""):
                    return reason_words(int(item.get("FailureReason") or 0))
    except Exception:  # a stranger's data set
        return "for a reason that cannot be read"
    return None


def open_image_archive(server: Server) -> ImageArchive:
    """The archive of the settings, with its secret; nothing is asked yet.

    Raises
    ------
    PacsError
        A secret is missing, or a certificate cannot be read.
    """
    session = BoundedSession(server, secret_of(server))
    prefixes = {f"{name}_url_prefix": getattr(server, name) for name in ("qido", "wado", "stow")}
    client = DICOMwebClient(server.url, session=session, permissive_uid=True, **prefixes)
    client.set_http_retry_params(retry=False)  # `again` does it, also where a connection is lost
    return ImageArchive(server, session, client)
