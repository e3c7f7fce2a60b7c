"""Instances got from the archive into files: whole or not at all, under names of our own, nothing overwritten."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from attrs import frozen

from wlmeasure.errors import NotWrittenError, PacsError
from wlmeasure.share.dicom.objects import header_text
from wlmeasure.share.pacs.client import ImageArchive
from wlmeasure.share.pacs.compare import difference_words, differences
from wlmeasure.share.pacs.found import Found, Query
from wlmeasure.share.pacs.instance import Instance, own_name, read_instance
from wlmeasure.whole_file import write_whole

__all__ = ["Got", "get", "located"]


@frozen
class Got:
    """One instance and its file; `new` is false where an equal file lay there already, `error` says why there is none."""

    uid: str
    path: Path | None
    new: bool = False
    error: str | None = None


def located(archive: ImageArchive, uids: Iterable[str], query: Query | None = None) -> list[Found]:
    """Where the instances lie, and those of the query after them.

    Raises
    ------
    PacsError
        The archive does not have one of them.
    """
    found = []
    for uid in uids:
        line = archive.locate(uid)
        if line is None:
            raise PacsError(f"instance must be in the archive: {uid}; `wlmeasure pacs find` lists what is")
        found.append(line)
    found += archive.find(query) if query is not None else []
    return list({line.uid: line for line in found}.values())


def get(archive: ImageArchive, found: Iterable[Found], folder: str | Path) -> Iterator[Got]:
    """Get each instance into `folder`, which is made if it is not there.

    An equal file is left as it is. A different one is neither overwritten nor passed over in silence.

    Raises
    ------
    PacsError
        The folder cannot be made. What goes wrong with one instance is told in its :class:`Got`.
    """
    folder = Path(folder)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise PacsError(f"--out cannot be made: {folder}: {error.strerror or error}") from None
    for line in found:
        try:
            instance = archive.retrieve(line.study, line.series, line.uid)
            if instance is None:
                raise PacsError(f"instance {line.uid} was found but is not given; ask the archive's keeper")
            _must_be_of(instance, line.patient)
            yield _written(instance, folder / own_name(instance))
        except PacsError as error:
            yield Got(line.uid, None, error=str(error))


def _must_be_of(instance: Instance, patient: str) -> None:
    """The film itself names the patient that it was found under; where the archive named none there is nothing to compare."""
    inside = header_text(instance.dataset, "PatientID").strip()
    if patient and inside != patient.strip():
        whose = "of another patient" if inside else "of nobody: it names no patient"
        raise PacsError(
            f"instance {instance.uid} must be of patient {patient}: what the archive sends is {whose}; it is not kept; "
            "tell the archive's keeper"
        )


def _written(instance: Instance, path: Path) -> Got:
    if path.exists():
        try:
            other = read_instance(path)
            found = differences(other.dataset, instance.dataset)
        except PacsError as error:
            raise PacsError(f"{path.name} must not be overwritten: {error}; move it away") from None
        if found:
            raise PacsError(
                f"{path.name} must not be overwritten: it differs from the archive in {difference_words(found)}; move it away"
            )
        return Got(instance.uid, path)
    try:
        write_whole(path, instance.data, replace=False)  # a film with a patient's name
    except NotWrittenError as error:
        raise PacsError(str(error)) from None
    return Got(instance.uid, path, new=True)
