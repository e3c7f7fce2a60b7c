"""Where one case lies: the file that a person named, which changes by Save alone, and the draft that every step goes to.

There is a draft only while something differs from the named file. Before the named file is written its bytes are compared
with those that were read or written last: what somebody else has put there meanwhile is never written over in silence.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from attrs import evolve, frozen

from wlmeasure.errors import CaseError, NotWrittenError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.record.case import LARGEST_FILE, SUFFIX, Case, load_case, save_case
from wlmeasure.whole_file import write_whole
from wlmeasure_napari import _drafts

__all__ = ["Change", "ChangedError", "Document", "case_words", "named"]


def case_words(case: Case) -> str:
    """Tooth and case id, as a case is called wherever several could be meant."""
    return f"{case.tooth} · " + ("no case id" if case.case_id is None else f"case {case.case_id}")


def named(path: str | Path) -> Path:
    """The file that a person means by a name: with the ending of a case file, and absolute."""
    path = Path(path)
    if not path.name.endswith(SUFFIX):
        path = path.with_name(path.name.removesuffix(".json") + SUFFIX)
    return path.resolve()


@frozen
class Change:
    """What has become of a named file since it was read or written last."""

    kind: Literal["changed", "gone"]
    words: str


class ChangedError(CaseError):
    """The named file is no longer what it was: nothing was written."""

    def __init__(self, change: Change) -> None:
        super().__init__(change.words)
        self.change = change


def _fingerprint(path: Path) -> str:
    return hashlib.sha256(first_bytes(path, LARGEST_FILE + 1)).hexdigest()


def _stamp(path: Path) -> tuple[int, int, int] | None:
    """What differs whenever a file was written, and costs less than its bytes."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino


class Document:
    """The place of one case on disk.

    Attributes
    ----------
    file
        The named file; None while nobody has named one.
    draft
        Where the case is kept that differs from the named file; None while none does.
    saved_at, kept_at
        When the named file was saved last, and when anything was written last.
    looked_at
        Another window has the file: this one only looks at it.
    """

    def __init__(self, file: Path | None = None, draft: Path | None = None) -> None:
        self.file = file
        self.draft = draft
        self.saved_at: datetime | None = None
        self.kept_at: datetime | None = None
        self.looked_at = False
        self._own_place = False  # a walk's file, which is a draft though it lies elsewhere
        self._read: str | None = None  # fingerprint of what the named file held
        self._stamp: tuple[int, int, int] | None = None
        self._saved: Case | None = None
        self._kept: str | None = None
        self._file_lock: Any = None
        self._draft_lock: Any = None

    @classmethod
    def at(cls, path: Path, instead_of: Document | None = None) -> Document:
        """A named file or a draft, held so that no other window writes it; what is read next is what it rests on.

        Where it is opened in this window `instead_of` a document that holds the same file, the hold goes over to it by
        :meth:`take_over`.

        Raises
        ------
        CaseError
            Another window has it, or it cannot be read.
        """
        if _drafts.is_draft(path):
            return cls._at_draft(path, instead_of)
        lock = _drafts.hold_file(path)
        made = cls(file=path)
        made._file_lock = lock
        try:
            made._read_anew()
        except OSError as error:
            lock.release()
            raise CaseError(f"{path.name} cannot be read: {error.strerror or error}") from None
        return made

    @classmethod
    def _at_draft(cls, path: Path, instead_of: Document | None) -> Document:
        lock = _drafts.hold(path)
        origin = _drafts.origin_of(path)
        made = cls(draft=path)
        made._draft_lock = lock
        if origin is not None:
            ours = instead_of is not None and instead_of.file == origin.file and instead_of._file_lock is not None
            try:
                made._file_lock = None if ours else _drafts.hold_file(origin.file)
            except CaseError:
                return made  # a copy from here on: its file is open elsewhere
            made.file, made._read = origin.file, origin.sha256
            if (stamp := _stamp(origin.file)) is not None:
                made.saved_at = datetime.fromtimestamp(stamp[0] / 1e9)
        return made

    @classmethod
    def walked(cls, path: Path) -> Document:
        """A file of a walk through films: every step goes there, and the walk holds its folder."""
        made = cls(draft=path)
        made._own_place = True
        return made

    @classmethod
    def seen(cls, path: Path) -> Document:
        """A file that another window has, to be looked at alone."""
        made = cls(file=path)
        made.looked_at = True
        made._read_anew()
        return made

    def anew(self) -> Document:
        """The same named file, to be read anew; it is held from :meth:`take_over` on.

        Raises
        ------
        CaseError
            It cannot be read.
        """
        assert self.file is not None
        made = Document(file=self.file)
        try:
            made._read_anew()
        except OSError as error:
            raise CaseError(f"{self.file.name} cannot be read: {error.strerror or error}") from None
        return made

    def take_over(self, old: Document) -> None:
        """Take the hold on the named file over from the document that had it, if it is the same file."""
        if self._file_lock is None and self.file is not None and self.file == old.file and not self.looked_at:
            self._file_lock, old._file_lock = old._file_lock, None

    def _read_anew(self) -> None:
        assert self.file is not None
        self._stamp = _stamp(self.file)
        self._read = _fingerprint(self.file)
        if self._stamp is not None:
            self.saved_at = datetime.fromtimestamp(self._stamp[0] / 1e9)

    def opened(self, case: Case) -> None:
        """What was read from it."""
        if self.draft is None:
            self._saved = case
        else:
            self._kept = _fingerprint(self.draft)
            self.kept_at = datetime.fromtimestamp(self.draft.stat().st_mtime)

    @property
    def is_walk(self) -> bool:
        """Whether it is a file of a walk through films (:meth:`walked`)."""
        return self._own_place

    @property
    def where(self) -> Path | None:
        """The file that holds the case as it is now."""
        return self.draft or self.file

    @property
    def written_at(self) -> datetime | None:
        """When the case as it is now was written."""
        return self.saved_at if self.draft is None else self.kept_at

    @property
    def unsaved(self) -> bool:
        """Whether the case differs from its named file, or has none."""
        return self.file is None or self.draft is not None

    @property
    def words(self) -> str:
        """Saved or not, and where."""
        if self.file is None:
            return "kept, step by step" if self._own_place else "draft, not saved"
        if self.looked_at:
            return f"{self.file.name}, look only"
        saved = f"saved {self.saved_at:%H:%M} in {self.file.name}" if self.saved_at else f"in {self.file.name}"
        return saved if self.draft is None else f"changed since {saved}; kept as a draft"

    # ---- writing -------------------------------------------------------------------------------------------------

    def keep(self, case: Case, films: Mapping[str, Path]) -> None:
        """Keep the case after a step: in the draft, which goes when the case is again what the named file holds.

        Raises
        ------
        CaseError
            The draft cannot be written, or the case is only looked at.
        """
        if self.looked_at:
            raise CaseError("case is open in another window and only looked at here: go on there, or work on a copy")
        if self.file is not None and case == self._saved:
            self._drop_draft()
        else:
            self._write_draft(case, films)

    def keep_apart(self, case: Case, films: Mapping[str, Path]) -> None:
        """Keep the case in a draft even where it is what was read: the named file holds something else by now."""
        self._write_draft(case, films)

    def _write_draft(self, case: Case, films: Mapping[str, Path]) -> None:
        fresh = self.draft is None
        if self.draft is None:
            draft = _drafts.new_draft()
            self._draft_lock = _drafts.hold(draft)
            self.draft = draft
        try:
            if fresh:
                self._note_origin()
            self._write(case, films, self.draft)
        except (CaseError, OSError):
            if fresh:
                self._drop_draft()
            raise
        self._kept = None if self._own_place else _fingerprint(self.draft)
        self.kept_at = datetime.now()

    def _note_origin(self) -> None:
        if self.draft is not None and not self._own_place:
            origin = None if self.file is None or self._read is None else _drafts.Origin(self.file, self._read)
            _drafts.note_origin(self.draft, origin)

    def _drop_draft(self) -> None:
        if self.draft is None or self._own_place:
            return
        draft, self.draft = self.draft, None
        draft.unlink(missing_ok=True)  # while it is held: nobody goes on with it meanwhile
        if self._draft_lock is not None:
            self._draft_lock.release()
            self._draft_lock = None
        _drafts.discard(draft)

    def _write(self, case: Case, films: Mapping[str, Path], path: Path) -> str:
        return save_case(_placed(case, films, path), path)

    def as_saved(self, case: Case, films: Mapping[str, Path]) -> Case:
        """The case as Save would write it: its films named from where the named file lies, from nowhere without one."""
        where = self.file or self.draft
        return case if where is None else _placed(case, films, where)

    def save(self, case: Case, films: Mapping[str, Path], *, over: bool = False) -> None:
        """Write the named file, and forget the draft.

        Parameters
        ----------
        case, films
            The case, and where each of its films lies.
        over
            A person has seen that the file is not what it was, and wants it written.

        Raises
        ------
        ChangedError
            Somebody else has changed or removed it; nothing was written.
        CaseError
            It cannot be written, or is only looked at.
        """
        if self.looked_at:
            raise CaseError("case is open in another window and only looked at here: save it there, or work on a copy")
        assert self.file is not None
        if not over and (change := self.change(case, thorough=True)) is not None:
            raise ChangedError(change)
        self._saved_as(case, self._write(case, films, self.file))

    def save_as(self, case: Case, films: Mapping[str, Path], path: Path) -> None:
        """Write under a new name, which is the named file from now on; the one before stays as it is.

        Raises
        ------
        CaseError
            It cannot be written, or another window has it.
        """
        lock = _drafts.hold_file(path)
        try:
            written = self._write(case, films, path)
        except CaseError:
            lock.release()
            raise
        if self._file_lock is not None:
            self._file_lock.release()
        if self._own_place:
            self.draft, self._own_place = None, False
        self._file_lock, self.file, self.looked_at = lock, path, False
        self._saved_as(case, written)

    def _saved_as(self, case: Case, written: str) -> None:
        """What was `written` is what the file rests on, also where somebody else has written it a moment later."""
        assert self.file is not None
        self._stamp, self._read = _stamp(self.file), written
        self._saved, self.saved_at = case, datetime.now()
        self._drop_draft()

    def change(self, mine: Case, *, thorough: bool = False) -> Change | None:
        """What somebody else has done to the named file since; by its date and size, or `thorough` by its bytes."""
        if self.file is None or self._read is None:
            return None
        stamp = _stamp(self.file)
        if stamp is not None and stamp == self._stamp and not thorough:
            return None
        try:
            if _fingerprint(self.file) == self._read:
                self._stamp = stamp
                return None
            change = self._told(load_case(self.file), mine)
        except FileNotFoundError:
            change = Change("gone", f"{self.file.name} is no longer there; yours is kept as a draft.")
        except OSError as error:
            change = Change("changed", f"{self.file.name} cannot be read any more: {error.strerror or error}.")
        except CaseError:
            change = Change("changed", f"{self.file.name} is no case file any more: somebody has written over it.")
        self._saved = None  # no file holds it any more, so the draft that does must stay
        return change

    def _told(self, theirs: Case, mine: Case) -> Change:
        name = self.file.name if self.file is not None else ""
        if (theirs.tooth, theirs.case_id) == (mine.tooth, mine.case_id):
            return Change("changed", f"{name} was changed since you opened it.")
        other = f"it now holds {case_words(theirs)}; yours is {case_words(mine)}"
        return Change("changed", f"{name} was replaced by another case: {other}.")

    def theirs(self) -> Case:
        """What the named file holds now.

        Raises
        ------
        CaseError
            It is not there, or no case.
        """
        assert self.file is not None
        return load_case(self.file)

    def set_theirs_aside(self) -> Path | None:
        """Keep what the named file holds now beside it; the name it has there, or None where there is nothing to keep.

        Raises
        ------
        CaseError
            It cannot be kept, so the file must not be written over.
        """
        assert self.file is not None
        stem = self.file.name.removesuffix(SUFFIX)
        try:
            content = self.file.read_bytes()
            for again in ("", *(f"-{k}" for k in range(2, 100))):
                aside = self.file.with_name(f"{stem}.theirs-{datetime.now():%Y%m%d-%H%M%S}{again}{SUFFIX}")
                if not aside.exists():
                    write_whole(aside, content, replace=False)
                    return aside
        except FileNotFoundError:
            return None
        except (OSError, NotWrittenError) as error:
            said = error.strerror or error if isinstance(error, OSError) else error
            raise CaseError(f"{self.file.name} cannot be kept aside: {said}; it is unchanged") from None
        raise CaseError(f"{self.file.name} cannot be kept aside: too many of that name; it is unchanged")

    # ---- holding -------------------------------------------------------------------------------------------------

    def release(self) -> None:
        """Let other windows have it."""
        for lock in (self._draft_lock, self._file_lock):
            if lock is not None:
                lock.release()

    def hold_again(self, case: Case, films: Mapping[str, Path]) -> str:
        """Hold it after :meth:`release`; where another window has gone on with it, this one goes on as a copy, in words."""
        said = ""
        if self._draft_lock is not None and not self._draft_lock.is_locked:
            assert self.draft is not None
            try:
                self._draft_lock = _drafts.hold(self.draft)
                moved_on = not self.draft.exists() or _fingerprint(self.draft) != self._kept
            except CaseError:
                moved_on = True
            if moved_on:
                self._draft_lock.release()
                said = "Another window has gone on with this draft; here it goes on as a copy."
                self.draft = self._draft_lock = None
        if self._file_lock is not None and not self._file_lock.is_locked:
            assert self.file is not None
            try:
                self._file_lock = _drafts.hold_file(self.file)
            except CaseError:
                said = f"{self.file.name} is open in another window now; here it goes on as a copy."
                self.file = self._file_lock = self._read = self._saved = self.saved_at = None
                self._note_origin()
        if self.where is None or (said and self.draft is None):
            self._write_draft(case, films)
        return said


def _placed(case: Case, films: Mapping[str, Path], path: Path) -> Case:
    return evolve(case, films=tuple(evolve(film, path=_from(path, films[film.id])) for film in case.films))


def _from(case_file: Path, film: Path) -> str:
    """A film's path as it is stored: relative to the case file, absolute in a draft (far from them) or on another drive."""
    if _drafts.is_draft(case_file):
        return str(film)
    try:
        return Path(os.path.relpath(film, case_file.parent)).as_posix()
    except ValueError:
        return str(film)
