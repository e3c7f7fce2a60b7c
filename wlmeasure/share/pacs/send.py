"""Sending, and a verdict on every instance that rests on what the archive gives back, not on what it says.

For each instance the archive is asked first: what it holds already is compared and not sent again, so a send that broke off
is gone on with by giving the same command once more. After a send it is read back and compared.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Literal

from attrs import frozen

from wlmeasure.errors import PacsError, PacsLostError, PacsRefusedError
from wlmeasure.share.pacs.client import FIRST_WAIT_S, ImageArchive
from wlmeasure.share.pacs.compare import difference_words, differences
from wlmeasure.share.pacs.exchange import Progress
from wlmeasure.share.pacs.instance import Instance
from wlmeasure.share.pacs.journal import Journal

__all__ = ["Outcome", "Verdict", "send", "without_doubles"]

Outcome = Literal["sent", "there", "differs", "refused", "unknown"]
GIVE_UP_AFTER = 2  # instances in a row, each tried often, for which the archive was out of reach (our parameter)
TOO_LARGE = 413  # as an archive would say it
DENIED = (401, 403)  # the next one would be answered alike, and a wrong password often enough locks a user out


@frozen
class Verdict:
    """What became of one instance.

    Attributes
    ----------
    outcome
        ``sent``: sent, read back, equal. ``there``: was there already, equal. ``differs``: the archive keeps another copy
        under this identifier. ``refused``: not stored. ``unknown``: not known to be stored.
    text
        The same in words, with the reason.
    differing
        For ``differs``: the elements.
    """

    name: str
    uid: str
    outcome: Outcome
    text: str
    differing: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        """Whether the archive is known to hold what was sent."""
        return self.outcome in ("sent", "there")


def without_doubles(instances: Iterable[Instance]) -> list[Instance]:
    """Each SOP Instance UID once.

    Raises
    ------
    PacsError
        Two files with one identifier and different content.
    """
    kept: dict[str, Instance] = {}
    for one in instances:
        other = kept.setdefault(one.uid, one)
        if other is not one and other.data != one.data and (found := differences(other.dataset, one.dataset)):
            raise PacsError(
                f"{one.name} and {other.name} must not share SOP Instance UID {one.uid}: they differ in "
                f"{difference_words(found)}; send the right one alone"
            )
    return list(kept.values())


def send(
    archive: ImageArchive,
    instances: Iterable[Instance],
    journal: Journal,
    *,
    at: str,
    progress: Callable[[Instance], Progress] | None = None,
) -> Iterator[Verdict]:
    """Send instances one after another; a verdict on each as soon as there is one.

    Parameters
    ----------
    archive, instances, journal
        Where to, what, and where sends are entered that are under way.
    at
        The time, for the journal.
    progress
        Gives for an instance what is told the bytes that have gone.
    """
    stop: PacsError | None = None
    lost = 0
    for one in instances:
        if stop is not None:
            yield Verdict(one.name, one.uid, "unknown", f"not tried: {stop}")
            continue
        try:
            yield _send_one(archive, one, journal, at, None if progress is None else progress(one))
            lost = 0
        except PacsRefusedError as error:
            # Without a status it did not come to an answer, as with a certificate that cannot be verified.
            stop = error if error.status in (0, *DENIED) else None
            yield Verdict(one.name, one.uid, "refused", str(error))
        except PacsError as error:
            lost += isinstance(error, PacsLostError)
            stop = error if lost == GIVE_UP_AFTER else None
            yield Verdict(one.name, one.uid, "unknown", f"not known to be stored: {error}; send it again")


def _send_one(archive: ImageArchive, one: Instance, journal: Journal, at: str, progress: Progress | None) -> Verdict:
    if len(one.data) > 1e6 * archive.server.largest_mb:
        raise PacsRefusedError(
            f"{len(one.data) / 1e6:.4g} MB could not be read back: raise largest_mb in the settings, it is "
            f"{archive.server.largest_mb:g}",
            TOO_LARGE,
        )
    key = (archive.server.url, one.uid, one.sha256)
    begun = journal.begun(*key)
    held = archive.retrieve(one.study, one.series, one.uid)
    found = None if held is None else differences(one.dataset, held.dataset)
    if found == ():
        journal.end(*key)
        earlier = f"; a send begun {begun} had come through" if begun else ""
        return Verdict(one.name, one.uid, "there", f"was there already, equal{earlier}")
    if found and begun is None:
        return _differs(one, found, "was there before, nothing was sent")
    # A differing copy of a send of our own that broke off is half of it: it is sent once more.
    journal.begin(*key, at)
    refusal, held = _stored(archive, one, progress)
    found = None if held is None else differences(one.dataset, held.dataset)
    if refusal is not None or found is not None:
        journal.end(*key)
    if found == ():
        resumed = f"; goes on with a send begun {begun}" if begun else ""
        return Verdict(one.name, one.uid, "sent", f"sent and read back, equal{resumed}")
    if found:
        return _differs(one, found, "though it says it stored it" if refusal is None else str(refusal))
    if refusal is not None:
        raise refusal
    return Verdict(
        one.name, one.uid, "unknown", "the archive says it stored it, and does not give it back; look again later"
    )


def _differs(one: Instance, found: tuple[str, ...], when: str) -> Verdict:
    return Verdict(
        one.name,
        one.uid,
        "differs",
        f"the archive keeps another copy ({when}): differs in {difference_words(found)}",
        found,
    )


def _stored(
    archive: ImageArchive, one: Instance, progress: Progress | None
) -> tuple[PacsRefusedError | None, Instance | None]:
    """Send until it is there or refused; the refusal, and what the archive then holds."""
    wait = FIRST_WAIT_S
    for left in range(archive.server.retries, -1, -1):
        try:
            reason = archive.store(one, progress)
        except PacsRefusedError as refusal:
            if refusal.status in DENIED:
                return refusal, None
            return refusal, archive.retrieve(one.study, one.series, one.uid)
        except PacsLostError as lost:
            # It may have come through all the same.
            held = archive.retrieve(one.study, one.series, one.uid)
            if held is not None and not differences(one.dataset, held.dataset):
                return None, held
            if not left:
                raise
            archive.pause(max(wait, lost.wait_s or 0.0))
        else:
            held = archive.retrieve(one.study, one.series, one.uid)
            if reason is not None:
                return PacsRefusedError(f"{archive.server.host} did not store it: {reason}"), held
            if held is not None or not left:
                return None, held
            archive.pause(wait)  # an archive may answer before it has it at hand (status 202)
            held = archive.retrieve(one.study, one.series, one.uid)
            if held is not None:
                return None, held
        wait *= 2.0
    return None, None
