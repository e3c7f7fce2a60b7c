"""An exercise on disk: what the student is told, and, sealed, what is true.

``exercise.json`` lies beside the films and holds no truth. ``sealed.wlx`` holds it compressed, so that nobody reads it by
accident; with a password it is encrypted (Fernet of the library cryptography, key by scrypt, RFC 7914), so that nobody reads
it on purpose either. Whoever has the seed can draw the films again: only a password keeps a secret.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import CaseError, LearnError
from wlmeasure.learn.answers import SIDES, bounded
from wlmeasure.record.case import LENGTH_MM, TIME
from wlmeasure.record.members import (
    Choice,
    Each,
    Nested,
    Number,
    Pair,
    Pairs,
    Text,
    Truth,
    Whole,
    extra_members,
    member,
    read_object,
    write_object,
)
from wlmeasure.trace.spline import arc_length
from wlmeasure.whole_file import write_whole

__all__ = [
    "ANSWER_FILE",
    "ASKED",
    "ASKED_SECOND",
    "SHORT_MM",
    "Exercise",
    "Given",
    "Item",
    "ItemTruth",
    "SecondFilm",
    "SecondTruth",
    "Space",
    "TakenReading",
    "film_mm",
    "load_exercise",
    "open_seal",
    "save_exercise",
    "seal",
]

SCHEMA = "wlmeasure-exercise/1"
EXERCISE_FILE, SEALED_FILE, ANSWER_FILE = "exercise.json", "sealed.wlx", "answers.csv"
PLAIN, SECRET = b"wlmeasure-sealed/1 plain\n", b"wlmeasure-sealed/1 secret\n"
SCRYPT = {"n": 2**15, "r": 8, "p": 1, "maxmem": 2**26}  # 0.1 s and 32 MiB a guess; parameters of RFC 7914's examples
LARGEST_SEALED = 32 * 2**20  # bytes, before and after compression; 200 phantoms have 5 MB

SHORT_MM = 0.5
"""What is asked for ends so far short of the foramen, mm; common practice (0.5 to 1.0)."""
ASKED = (
    "The working length: from the coronal reference point along the canal to 0.5 mm short of the apical foramen, in "
    "millimetres, and an interval that you believe holds the truth 19 times out of 20."
)

ASKED_SECOND = (
    "Where there is a second film of the tooth: how much longer the canal is on it than on the first (negative: shorter), each "
    "measured on its film with that film's scale, in millimetres; and, where it is asked, whether the file lies buccal or "
    "lingual of the other canal, or that the films cannot tell."
)

SPACING = Number(least=0.001, most=1.0)
FILM = Text(longest=120, pattern=r"[A-Za-z0-9_][A-Za-z0-9_.-]*")


@frozen
class Given:
    """The scale that a student may use: the detector's spacing, and a file of known length or a magnification."""

    mm_per_px_row: float = member(SPACING)
    mm_per_px_col: float = member(SPACING)
    known_file_mm: float | None = member(LENGTH_MM, None)
    magnification: float | None = member(Number(least=0.5, most=2.0), None)
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        if (self.known_file_mm is None) == (self.magnification is None):
            raise CaseError("known_file_mm or magnification must be given, one of them: the other is left out")


@frozen
class TakenReading:
    """A reading of an electronic apex locator that comes with the film."""

    length_mm: float = member(LENGTH_MM)
    mark: str = member(Choice(("foramen", "constriction")))
    extra: dict[str, Any] = extra_members()


@frozen
class SecondFilm:
    """Another film of the same tooth, the tube shifted against the first.

    Attributes
    ----------
    tube
        To which side the tube was moved; None where the student is not told.
    shift_deg
        How far, nominally.
    mesial_to
        Which way mesial lies on both films.
    asks_side
        Whether it is asked on which side of the other canal of its root the file lies.
    """

    film: str = member(FILM)
    sha256: str = member(Text(pattern=r"[0-9a-f]{64}"))
    rows: int = member(Whole(1, 100_000))
    cols: int = member(Whole(1, 100_000))
    scale: Given = member(Nested(Given))
    shift_deg: float = member(Number(least=0.0, most=90.0))
    mesial_to: str = member(Choice(("left", "right", "up", "down")))
    tube: str | None = member(Choice(("mesial", "distal")), None)
    asks_side: bool = member(Truth(), False)
    extra: dict[str, Any] = extra_members()


@frozen
class Item:
    """One film and the canal asked for. `where` says in words which canal, `reference_point` where it is measured from."""

    film: str = member(FILM)
    sha256: str = member(Text(pattern=r"[0-9a-f]{64}"))
    rows: int = member(Whole(1, 100_000))
    cols: int = member(Whole(1, 100_000))
    canal: str = member(Text(longest=40))
    where: str = member(Text())
    reference_point: str = member(Text())
    scale: Given = member(Nested(Given))
    tooth: str | None = member(Text(longest=2, pattern=r"[1-8][1-8]"), None)
    reading: TakenReading | None = member(Nested(TakenReading), None)
    second_film: SecondFilm | None = member(Nested(SecondFilm), None)
    extra: dict[str, Any] = extra_members()


@frozen
class Exercise:
    """What is asked of a student.

    Raises
    ------
    CaseError
        Two items of one film.
    """

    id: str = member(Text(longest=64, pattern=r"[0-9a-f]{16,64}"))
    made_at: str = member(TIME)
    items: tuple[Item, ...] = member(Each(Nested(Item), least=1, most=9999))
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        names = [item.film for item in self.items]
        names += [item.second_film.film for item in self.items if item.second_film is not None]
        for name in names:
            if names.count(name) > 1:
                raise CaseError(f"items must each have a film of their own: {name!r} stands twice")

    @property
    def shifted(self) -> bool:
        """Whether any item has a second film."""
        return any(item.second_film is not None for item in self.items)

    def item(self, film: str) -> Item:
        """The item of that film.

        Raises
        ------
        LearnError
            There is none.
        """
        for item in self.items:
            if item.film == film:
                return item
        raise LearnError(f"film must be one of the exercise, such as {self.items[0].film}: {film[:60]!r}")


@frozen
class Space:
    """What lifts a path off the film: the canal in space, and the detector's axes in the same frame.

    `points_mm` and `magnification` belong to the points of the truth's `path_px`, the reference point included.
    """

    points_mm: tuple[tuple[float, ...], ...] = member(Each(Each(Number(), least=3, most=3), least=2, most=100_000))
    magnification: tuple[float, ...] = member(Each(Number(least=0.5, most=5.0), least=2, most=100_000))
    down: tuple[float, ...] = member(Each(Number(), least=3, most=3))
    right: tuple[float, ...] = member(Each(Number(), least=3, most=3))
    extra: dict[str, Any] = extra_members()


@frozen
class SecondTruth:
    """What is true of an item's second film.

    Attributes
    ----------
    path_px, file_px
        The same canal and file as in the item's own truth; None where they are not known.
    tube
        To which side the tube was moved, and by how much: `shift_deg`; None where it is not known.
    difference_mm
        How much longer the true path is on this film than on the first, each by its film's scale.
    side
        Of the other canal of its root on which the file lies.
    other_px, other_first_px
        That other canal on this film and on the first; None without `side`.
    moved_mm
        How far the file moved on the film towards mesial against the other canal, from the first film to this one, mm at
        the tooth; None without `side`, or where it is not known.
    """

    difference_mm: float = member(Number(least=-60.0, most=60.0))
    path_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    tube: str | None = member(Choice(("mesial", "distal")), None)
    shift_deg: float | None = member(Number(least=-90.0, most=90.0), None)
    file_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    side: str | None = member(Choice(SIDES[:2]), None)
    moved_mm: float | None = member(Number(least=-60.0, most=60.0), None)
    other_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    other_first_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    extra: dict[str, Any] = extra_members()


@frozen
class ItemTruth:
    """What is true of one item.

    `length_mm` is what was asked for, in space. With a path the marking can say what kind of error an answer shows:
    `path_px` runs from the coronal reference point to the foramen, `orifice` is the index of its orifice, `apex_px` the
    root's end, `file_px` the known file from stop to tip.
    """

    film: str = member(Text(longest=120))
    length_mm: float = member(LENGTH_MM)
    path_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    orifice: int | None = member(Whole(0, 100_000), None)
    apex_px: tuple[float, float] | None = member(Pair(), None)
    file_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    space: Space | None = member(Nested(Space), None)
    second: SecondTruth | None = member(Nested(SecondTruth), None)
    extra: dict[str, Any] = extra_members()


def film_mm(item: Item | SecondFilm, truth: ItemTruth | SecondTruth) -> NDArray[np.float64] | None:
    """Millimetres a pixel between rows and between columns by the scale the item gives, read without error; (2,).

    None where the scale is a known file whose place on the film the key does not say.
    """
    given = item.scale
    detector = np.array([given.mm_per_px_row, given.mm_per_px_col])
    if given.magnification is not None:
        return detector / given.magnification
    if truth.file_px is None or given.known_file_mm is None:
        return None
    return detector * given.known_file_mm / float(arc_length(np.array(truth.file_px) * detector)[-1])


def load_exercise(folder: str | os.PathLike[str]) -> Exercise:
    """The exercise of a folder.

    Raises
    ------
    LearnError
        The folder has none, or it is damaged or newer than this program.
    """
    path = Path(folder) / EXERCISE_FILE
    try:
        data = json.loads(bounded(path, LARGEST_SEALED, "exercise").decode("utf-8"))
    except LearnError:
        raise
    except OSError as error:
        raise LearnError(f"folder must hold an exercise ({EXERCISE_FILE}): {error.strerror}; make one first") from None
    except (ValueError, RecursionError):
        raise LearnError(f"{EXERCISE_FILE} must be JSON: it is damaged; take the exercise again") from None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise LearnError(f"{EXERCISE_FILE} must have schema {SCHEMA!r}: a newer program may have written it")
    try:
        exercise: Exercise = read_object(Exercise, {k: v for k, v in data.items() if k not in ("schema", "asked")}, "")
    except CaseError as error:
        raise LearnError(f"{EXERCISE_FILE}: {error}") from None
    return exercise


def save_exercise(folder: Path, exercise: Exercise, truths: tuple[ItemTruth, ...], password: str | None) -> None:
    """Write what the student is told, and the sealed truth beside it."""
    asked = f"{ASKED} {ASKED_SECOND}" if exercise.shifted else ASKED
    told = {"schema": SCHEMA, "asked": asked} | write_object(exercise)
    text = json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(folder / SEALED_FILE, seal(exercise.id, truths, password), private=False)
    write_whole(folder / EXERCISE_FILE, text, private=False)


def seal(exercise_id: str, truths: tuple[ItemTruth, ...], password: str | None) -> bytes:
    """The truths as the bytes of the sealed file.

    Raises
    ------
    LearnError
        A password without the extra that encrypts.
    """
    plain = {"exercise": exercise_id, "truths": [write_object(truth) for truth in truths]}
    packed = zlib.compress(json.dumps(plain, allow_nan=False, separators=(",", ":")).encode(), 9)
    if password is None:
        return PLAIN + base64.b85encode(hashlib.sha256(packed).digest() + packed)
    salt = os.urandom(16)
    return SECRET + base64.b85encode(salt) + b"\n" + bytes(_cipher(password, salt).encrypt(packed))


def open_seal(folder: str | os.PathLike[str], exercise: Exercise, password: str | None) -> dict[str, ItemTruth]:
    """The truth of each film of an exercise.

    Raises
    ------
    LearnError
        No sealed file, one that is damaged or of another exercise, a password that is missing or wrong.
    """
    path = Path(folder) / SEALED_FILE
    try:
        data = bounded(path, LARGEST_SEALED, "sealed truth")
    except OSError as error:
        raise LearnError(f"{SEALED_FILE} cannot be read: {error.strerror}; marking needs it") from None
    packed = _unsealed(data, password)
    try:
        inflater = zlib.decompressobj()
        plain = json.loads(inflater.decompress(packed, LARGEST_SEALED))
        named = plain["exercise"]
        truths = [read_object(ItemTruth, one, f"truths[{k}]") for k, one in enumerate(plain["truths"])]
    except (zlib.error, ValueError, KeyError, TypeError, RecursionError):
        raise LearnError(f"{SEALED_FILE} is damaged: take the exercise again") from None
    if named != exercise.id:
        raise LearnError(f"{SEALED_FILE} must belong to this exercise: it is another's; take the exercise again")
    found = {truth.film: truth for truth in truths}
    for item in exercise.items:
        if item.film not in found:
            raise LearnError(f"{SEALED_FILE} must hold every film of the exercise: {item.film} is missing")
        if (item.second_film is None) != (found[item.film].second is None):
            raise LearnError(
                f"{SEALED_FILE} must hold every film of the exercise: the second of {item.film} is missing"
            )
    return found


def _unsealed(data: bytes, password: str | None) -> bytes:
    if data.startswith(PLAIN):
        try:
            body = base64.b85decode(data[len(PLAIN) :].strip())
        except ValueError:
            body = b""
        if len(body) < 32 or hashlib.sha256(body[32:]).digest() != body[:32]:
            raise LearnError(f"{SEALED_FILE} is damaged or was changed: take the exercise again")
        return body[32:]
    if not data.startswith(SECRET):
        raise LearnError(f"{SEALED_FILE} must be a sealed truth of this program: it is not")
    if password is None:
        raise LearnError("password must be given: this exercise is sealed with one; set WLMEASURE_LEARN_PASSWORD")
    salt, _, token = data[len(SECRET) :].partition(b"\n")
    from cryptography.fernet import InvalidToken

    try:
        return bytes(_cipher(password, base64.b85decode(salt)).decrypt(token))
    except (InvalidToken, ValueError):
        raise LearnError("password must be the one the exercise was sealed with: it does not open it") from None


def _cipher(password: str, salt: bytes) -> Any:
    try:
        from cryptography.fernet import Fernet
    except ImportError:
        raise LearnError('password needs an extra: run pip install "wlmeasure[learn]"') from None
    key = hashlib.scrypt(password.encode("utf-8"), salt=salt, dklen=32, **SCRYPT)
    return Fernet(base64.urlsafe_b64encode(key))
