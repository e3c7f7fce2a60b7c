"""Files of any kind into a folder to hand on: names of our own, text in the pixels blacked out, lists of what went and stays.

One file that cannot be done is left out with its reason and keeps none of the others from being done.
"""

from __future__ import annotations

import secrets
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path

from attrs import evolve, field, frozen
from attrs.converters import optional
from pydicom.dataset import Dataset, FileDataset
from pydicom.sequence import Sequence as Items

from wlmeasure.errors import ImageError, NotWrittenError
from wlmeasure.image.bare import bare
from wlmeasure.image.blackened import Samples, dicom_samples, put_dicom_samples, raster_samples
from wlmeasure.image.dicom_file import check_header, parse
from wlmeasure.image.file_content import file_content
from wlmeasure.image.marks import Box
from wlmeasure.image.radiograph import printable
from wlmeasure.image.reading import content_kind
from wlmeasure.share.cells import table_text
from wlmeasure.share.deidentify.elements import Change, Kept, cleaned, code_item, has_picture
from wlmeasure.share.deidentify.identity import said
from wlmeasure.share.deidentify.profile import Profile
from wlmeasure.whole_file import write_whole

__all__ = ["Deidentified", "LeftOut", "Pixels", "deidentify_files", "picture_alone"]

_SUFFIXES = {"DICOM": ".dcm", "PNG": ".png", "JPEG": ".jpg", "TIFF": ".tif", "BMP": ".bmp"}
_LISTS = ("removed.csv", "kept.csv")


@frozen
class Pixels:
    """What is done about text in the pixels.

    `none` says that somebody looked at every picture and found none. `find` blacks out what looks like print, and `boxes` those
    rectangles of every picture. `look` is a folder for pictures with the boxes drawn, which show the patient's names as the
    files do: for whoever de-identifies, not to be handed on.
    """

    none: bool = False
    find: bool = False
    boxes: tuple[Box, ...] = ()
    look: Path | None = field(default=None, converter=optional(Path))


@frozen
class LeftOut:
    """A file that was not de-identified, and why."""

    name: str
    reason: str


@frozen
class Deidentified:
    """The files written, everything done to them, the texts that stay, what was left out, and the pictures to look at."""

    files: tuple[Path, ...]
    changes: tuple[Change, ...]
    kept: tuple[Kept, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    looks: tuple[Path, ...] = ()


@frozen
class _Opened:
    data: bytes
    kind: str
    dataset: FileDataset | None  # of DICOM

    @property
    def picture(self) -> bool:
        return self.dataset is None or has_picture(self.dataset)


@frozen
class _Done:
    content: bytes
    suffix: str
    changes: tuple[Change, ...]
    kept: tuple[Kept, ...] = ()


def deidentify_files(
    paths: Iterable[str | Path],
    folder: str | Path,
    profile: Profile | None = None,
    *,
    no_text_in_pixels: bool = False,
    pixels: Pixels | None = None,
    key: bytes | None = None,
    keep_names: bool = False,
) -> Deidentified:
    """De-identify films and DICOM objects into a folder, with ``removed.csv`` and ``kept.csv`` beside them.

    Parameters
    ----------
    paths
        The files; all that belong together in one call, so that they still refer to each other.
    folder
        A new or empty folder. A file is called by its number among those given, so that one left out leaves a gap.
    profile, key
        As :func:`~wlmeasure.share.deidentify.elements.deidentify`.
    no_text_in_pixels
        Short for ``Pixels(none=True)``.
    pixels
        What is done about text in the pixels. Where nothing is, pictures that do not say themselves that they have none are
        left out.
    keep_names
        Call the files what they are called; such names often are the patients'.

    Raises
    ------
    ImageError
        A folder that holds something, or no file that could be done, with the reason of the first. Nothing is written then but
        the pictures to look at.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise ImageError(f"{folder} must be a new or empty folder: it holds other files; choose another one")
    asked = pixels or Pixels(none=no_text_in_pixels)
    if asked.look is not None and folder.resolve() in (asked.look.resolve(), *asked.look.resolve().parents):
        raise ImageError("pictures to look at must lie outside the folder to hand on: they show what is to be removed")
    secret = secrets.token_bytes(32) if key is None else key
    given = [Path(path) for path in paths]
    if not given:
        raise ImageError("files must be at least one radiograph or DICOM object: none given")
    done: dict[str, _Done] = {}
    left_out: list[LeftOut] = []
    looks: list[Path] = []
    for number, path in enumerate(given, 1):
        name = _free(path.stem, done) if keep_names else f"{number:04d}"
        try:
            made = _one(path, name, profile or Profile(), asked, secret, looks)
        except ImageError as error:
            left_out.append(LeftOut(printable(path.name), printable(error, 1000)))
            continue
        _put(folder, name + made.suffix, made.content)
        done[name] = evolve(made, content=b"")  # a batch may be larger than the memory
    if not done:
        more = f"; so must {len(left_out) - 1} more" if len(left_out) > 1 else ""
        raise ImageError(f"{left_out[0].name} {left_out[0].reason}{more}")
    files = {name: name + made.suffix for name, made in done.items()}
    changes = tuple(evolve(one, file=files[name]) for name, made in done.items() for one in made.changes)
    kept = tuple(evolve(one, file=files[name]) for name, made in done.items() for one in made.kept)
    removed = [("file", "element", "action"), *((one.file, one.where, one.action) for one in changes)]
    stays = [("file", "element", "value"), *((one.file, one.where, one.value) for one in kept)]
    for name, rows in zip(_LISTS, (removed, stays), strict=True):
        write_whole(folder / name, table_text(rows))
    return Deidentified(tuple(folder / name for name in files.values()), changes, kept, tuple(left_out), tuple(looks))


def picture_alone(data: bytes, *, key: bytes | None = None) -> tuple[bytes, str]:
    """A film without the patient, its pixels untouched, and the suffix of its name; text in the pixels stays there.

    Raises
    ------
    ImageError
        It cannot be read.
    """
    secret = secrets.token_bytes(32) if key is None else key
    with _one_line():
        made = _cleaned(_opened(data), "film", Profile(), Pixels(), secret, None, ())
    return made.content, made.suffix


def _free(stem: str, taken: dict[str, _Done]) -> str:
    """A name that no other file has, by the signs that any file system takes."""
    base = "".join(sign if sign.isalnum() or sign in "-_" else "_" for sign in stem)[:100] or "film"
    name, k = base, 1
    while name.casefold() in {one.casefold() for one in taken} or f"{name}.csv" in _LISTS:
        k += 1
        name = f"{base}-{k}"
    return name


def _put(folder: Path, name: str, content: bytes) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / name, content)


def _one(path: Path, name: str, profile: Profile, asked: Pixels, key: bytes, looks: list[Path]) -> _Done:
    with _one_line():
        try:
            film = _opened(file_content(path))
        except ImageError as error:
            raise ImageError(f"must be a radiograph or a DICOM object: {error}; leave it out") from None
    with _one_line("cannot be de-identified: "):
        samples, boxes = _looked_at(film, name, asked, looks)
        _check_seen(film, asked)
        return _cleaned(film, name, profile, asked, key, samples, boxes)


@contextmanager
def _one_line(said_before: str = "") -> Iterator[None]:
    """What goes wrong with one file as an ImageError; a warning is none: the file goes on as it is, or it is left out."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except ImageError as error:
        raise ImageError(f"{said_before}{error}") from None
    except NotWrittenError as error:
        raise ImageError(f"is left out: {error}") from None
    except MemoryError:
        raise ImageError(f"{said_before}it needs more memory than there is; leave it out") from None
    except Exception as error:  # a hostile header can raise nearly anything out of pydicom
        raise ImageError(f"must have a header that can be written: {printable(error)}; leave it out") from error


def _looked_at(film: _Opened, name: str, asked: Pixels, looks: list[Path]) -> tuple[Samples | None, tuple[Box, ...]]:
    """The samples and the boxes to black out, and a picture to look at; nothing where nothing of it is asked."""
    if not film.picture or not (asked.find or asked.boxes or asked.look):
        return None, ()
    dataset = film.dataset
    samples = raster_samples(film.data, film.kind) if dataset is None else dicom_samples(film.data, dataset)
    boxes = tuple(box.within(samples.shape) for box in asked.boxes)
    found = samples.marks() if asked.find or asked.look else ()
    if asked.look is not None:
        _put(asked.look, f"{name}.png", samples.look((*boxes, *found)))
        looks.append(asked.look / f"{name}.png")
    return samples, (*boxes, *(found if asked.find else ()))


def _cleaned(
    film: _Opened, name: str, profile: Profile, asked: Pixels, key: bytes, samples: Samples | None, boxes: Sequence[Box]
) -> _Done:
    blacked = tuple(
        Change(name, "pixels", f"blacked out: {b.rows} x {b.cols} from row {b.row}, column {b.col}") for b in boxes
    )
    if film.dataset is not None:
        out, changes, kept = cleaned(film.dataset, profile, key, name)
        if boxes and samples is not None:
            put_dicom_samples(out, samples.blackened(boxes))
            out.DeidentificationMethodCodeSequence = Items(
                [code_item(*code) for code in profile.codes(clean_pixels=True)]
            )
        if film.picture and (boxes or asked.none):
            out.BurnedInAnnotation = "NO"
        return _Done(_bytes(out), _SUFFIXES[film.kind], (*changes, *blacked), kept)
    if boxes and samples is not None:
        why = ": a JPEG cannot be changed in place without loss" if film.kind == "JPEG" else ""
        anew = Change(name, "file", f"written anew as PNG, upright, with nothing but the picture{why}")
        return _Done(samples.blackened(boxes).png(), ".png", (anew, *blacked))
    alone = bare(film.data, film.kind)
    return _Done(alone.content, _SUFFIXES[film.kind], tuple(Change(name, part, "removed") for part in alone.left_out))


def _check_seen(film: _Opened, asked: Pixels) -> None:
    if asked.none or asked.find or asked.boxes or not film.picture:
        return
    if film.dataset is None or said(film.dataset, "BurnedInAnnotation").upper() != "NO":
        raise ImageError(
            "picture must be looked at for names and numbers in the pixels, since it does not say that it has none; look, and "
            "say so by --no-text-in-pixels, or black them out by --redact or --redact-box"
        )


def _opened(data: bytes) -> _Opened:
    kind = content_kind(data)
    if kind != "DICOM":
        return _Opened(data, kind, None)
    dataset = parse(data)
    check_header(dataset)
    return _Opened(data, kind, dataset)


def _bytes(dataset: Dataset) -> bytes:
    sink = BytesIO()
    dataset.save_as(sink, enforce_file_format=True)
    return sink.getvalue()
