"""Every error the core raises on purpose.

::

    ValueError
    └── WlmeasureError              one clear line: field, rule, value, what to do next
        ├── ImageError              a file that cannot be read as one radiograph
        │   └── FrameError            a file of several frames, of which none or a wrong one was named
        ├── CalibrationError        a scale that the evidence does not give
        ├── TraceError              clicks or a path that are not a line on this image
        ├── DetectError             a film that the network cannot look at: no weights, or weights that do not run
        ├── MeasureError            a path from which the quantity cannot be computed
        ├── TradeError              a tooth, canal or instrument that the standards do not know
        │   └── AmbiguousToothError   a typed tooth that may be several; which one must be asked
        ├── PhantomError            a synthetic scene or film that cannot be made as asked
        ├── DecideError             readings or lengths that cannot be reconciled as given
        ├── CaseError               a case file with a missing, wrong or newer member
        │   ├── StaleCaseError      the image has changed since the case was saved
        │   └── QuestionError       an entry that may be right, and is asked about before it is taken
        ├── ArchiveError            an archive that cannot be opened, read or written as asked
        │   └── ArchiveConflictError  the case has changed since the caller read it
        ├── ShareError              a case that cannot be handed on in the form asked for
        │   └── PacsError           an image archive that cannot be asked, or that answers as it must not
        │       ├── PacsLostError   connection lost or no answer in time: it may be tried again
        │       └── PacsRefusedError  the archive refused, for good
        ├── NotWrittenError         a file that cannot be written; what stood there still stands
        ├── StudyError              a study, or a table of observers, that does not hold together
        └── LearnError              an exercise or an answer that cannot be read or marked

All derive from :class:`ValueError`, so a caller need not import ours.
The command line prints the message as one line and exits with 1.
"""

from __future__ import annotations

from math import isfinite

TYPE_CHECKING = False  # `typing` is kept off the start-up path
if TYPE_CHECKING:
    from typing import Any

__all__ = [
    "AmbiguousToothError",
    "ArchiveConflictError",
    "ArchiveError",
    "CalibrationError",
    "CaseError",
    "DecideError",
    "DetectError",
    "FrameError",
    "ImageError",
    "LearnError",
    "MeasureError",
    "NotWrittenError",
    "PacsError",
    "PacsLostError",
    "PacsRefusedError",
    "PhantomError",
    "QuestionError",
    "ShareError",
    "StaleCaseError",
    "StudyError",
    "TraceError",
    "TradeError",
    "WlmeasureError",
    "check_finite",
    "check_positive",
    "fault_words",
    "one_line",
]


class WlmeasureError(ValueError):
    """Base of every error raised on purpose by the core."""


class ImageError(WlmeasureError):
    """A file that cannot be read as one radiograph."""


class FrameError(ImageError):
    """A file of several frames, of which none or one that it does not have was named; `frames` says how many it has."""

    def __init__(self, message: str, frames: int = 0) -> None:
        super().__init__(message)
        self.frames = frames


class CalibrationError(WlmeasureError):
    """A scale that the evidence does not give."""


class TraceError(WlmeasureError):
    """Clicks or a path that are not a line on this image."""


class DetectError(WlmeasureError):
    """A film that cannot be looked at by the network: no weights, weights that do not run."""


class MeasureError(WlmeasureError):
    """A path from which the quantity cannot be computed."""


class TradeError(WlmeasureError):
    """A tooth, canal or instrument that the standards do not know."""


class AmbiguousToothError(TradeError):
    """A typed tooth that may be several; `candidates` are the :class:`~wlmeasure.trade.tooth.ToothReading` to choose from."""

    def __init__(self, message: str, candidates: tuple[Any, ...] = ()) -> None:
        super().__init__(message)
        self.candidates = candidates


class PhantomError(WlmeasureError):
    """A synthetic scene or film that cannot be made as asked."""


class DecideError(WlmeasureError):
    """Readings or lengths that cannot be reconciled as given."""


class CaseError(WlmeasureError):
    """A case file with a missing, wrong or newer member."""


class StaleCaseError(CaseError):
    """The image has changed since the case was saved."""


class QuestionError(CaseError):
    """An entry that may be right and is more likely a slip; nothing was entered.

    `words` asks, `codes` are what a caller confirms to answer with yes.
    """

    def __init__(self, words: str, codes: tuple[str, ...]) -> None:
        named = " and ".join(repr(code) for code in codes)
        super().__init__(f"{words} If it is right, confirm {named}; nothing was entered")
        self.words = words
        self.codes = codes


class ArchiveError(WlmeasureError):
    """An archive that cannot be opened, read or written as asked."""


class ArchiveConflictError(ArchiveError):
    """The case has changed since the caller read it; nothing was stored."""


class ShareError(WlmeasureError):
    """A case that cannot be handed on in the form asked for."""


class PacsError(ShareError):
    """An image archive that cannot be asked, or that answers as it must not."""


class PacsLostError(PacsError):
    """Connection lost or no answer in time: it may be tried again, after `wait_s` where the archive named a time."""

    def __init__(self, text: str, wait_s: float | None = None) -> None:
        super().__init__(text)
        self.wait_s = wait_s


class PacsRefusedError(PacsError):
    """The archive refused, or its answer was, for good; `status` is the HTTP status, 0 where it did not come to one."""

    def __init__(self, text: str, status: int = 0) -> None:
        super().__init__(text)
        self.status = status


class NotWrittenError(WlmeasureError):
    """A file that cannot be written; what stood there still stands."""


class StudyError(WlmeasureError):
    """A study, or a table of observers, that does not hold together."""


class LearnError(WlmeasureError):
    """An exercise or an answer that cannot be read or marked."""


def one_line(text: object) -> str:
    """A text as one line that a terminal only shows: no control, format or direction character, runs of spaces as one."""
    return " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())


def fault_words(error: BaseException) -> str:
    """One line about a fault of the program, fit for anybody to read: its place in our code, no value and no file's name."""
    place, trace = "", error.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename.replace("\\", "/")
        inside = max(file.rfind("/wlmeasure/"), file.rfind("/wlmeasure_napari/"))
        if inside >= 0:
            place = f" at {file[inside + 1 :]}:{trace.tb_lineno}"
        trace = trace.tb_next
    return (
        f"fault of the program ({type(error).__name__}{place}): nothing is wrong with what you did; please report this line, "
        "which holds nothing of a patient, and send no file with it"
    )


def check_finite(error: type[WlmeasureError], field: str, value: float) -> float:
    """Return `value` as a float, or raise `error` when it is not a finite number."""
    if isinstance(value, (str, bytes, bool)) or not hasattr(value, "__float__"):
        raise error(f"{field} must be a number: {value!r}")
    try:
        number = float(value)
    except (OverflowError, TypeError):  # an integer of 400 digits, an array of several numbers
        raise error(f"{field} must be one finite number: {str(value)[:40]}") from None
    if not isfinite(number):
        raise error(f"{field} must be a finite number: {value!r}")
    return number


def check_positive(error: type[WlmeasureError], field: str, value: float) -> float:
    """Return `value` as a float, or raise `error` when it is not finite and > 0."""
    number = check_finite(error, field, value)
    if number <= 0.0:
        raise error(f"{field} must be > 0: {number:g}")
    return number
