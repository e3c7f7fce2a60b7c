"""A measured case written as the file that somebody asked for: table, paths, or one of the DICOM objects."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.image.radiograph import printable
from wlmeasure.record.case import SUFFIX
from wlmeasure.record.evaluate import CaseResult

TYPE_CHECKING = False  # type checkers take it for true
if TYPE_CHECKING:
    from wlmeasure.share.dicom.source import FilmImage

__all__ = ["FORMS", "share_files"]

FORMS = ("sr", "presentation", "secondary", "calibrated", "table", "paths")
_OF_ONE_FILM = ("presentation", "secondary", "calibrated")
_WITH_HIGHDICOM = ("sr", "presentation")


def share_files(
    result: CaseResult,
    form: str,
    out: Path,
    *,
    made_at: str,
    program: str,
    film: str | None = None,
    previous: Path | None = None,
) -> list[tuple[Path, bytes]]:
    """The files of a case in one form, the one asked for first; none is written yet.

    A film that is no DICOM image comes along as a secondary capture beside what refers to it.

    Parameters
    ----------
    result
        What :func:`~wlmeasure.record.evaluate.evaluate` returned.
    form
        One of :data:`FORMS`.
    out
        The file asked for.
    made_at, program
        When (``2026-11-25T10:30:00``) and with what name and version.
    film
        Id of the film, for a form of one film; needed where the case has several.
    previous
        For ``sr``: the report that this one replaces.

    Raises
    ------
    ShareError
        A form that this case or installation cannot give; says which and what to do.
    """
    if film is not None and form not in _OF_ONE_FILM:
        raise ShareError(f"--film must be left out for --as {form}: {film!r}; it is of all films of the case")
    if out.name.endswith(SUFFIX):
        raise ShareError(f"{out.name} must not be a case file: choose another name for --out")
    sources = [result.case.film_path(entry.film).resolve() for entry in result.films]
    if previous is not None:
        if form != "sr":
            raise ShareError(f"--previous must come with --as sr: {form}; only a report replaces another")
        sources.append(previous.resolve())
    if out.resolve() in sources:
        raise ShareError(f"{out.name} must be a new file: it is a film of the case or the report to be replaced")
    if form == "table":
        from wlmeasure.share.tables import lengths_csv

        return [(out, lengths_csv(result).encode("utf-8"))]
    if form == "paths":
        from wlmeasure.share.paths import paths_text

        return [(out, paths_text(result).encode("utf-8"))]
    if form in _WITH_HIGHDICOM and find_spec("highdicom") is None:
        raise ShareError(f'--as {form} needs an extra that is not installed: run pip install "wlmeasure[dicom]"')
    from wlmeasure.share.dicom.objects import quiet
    from wlmeasure.share.dicom.source import film_images

    with quiet():
        images = film_images(result)
        try:
            if form == "sr":
                return _report(result, images, out, sources, made_at, program, previous)
            return _of_one_film(result, form, _chosen(images, film, form), out, sources, made_at, program)
        except WlmeasureError:
            raise
        except Exception as error:  # a hostile header of a film can raise nearly anything when it is copied
            if all(image.is_capture for image in images):
                raise
            raise ShareError(
                f"a film's header must be one that can be copied: {printable(error)}; export the film again"
            ) from error


def _report(
    result: CaseResult,
    images: Sequence[FilmImage],
    out: Path,
    sources: Sequence[Path],
    made_at: str,
    program: str,
    previous: Path | None,
) -> list[tuple[Path, bytes]]:
    from wlmeasure.share.dicom.report_reading import predecessor
    from wlmeasure.share.dicom.structured_report import structured_report

    before = None if previous is None else predecessor(previous, result.case.tooth)
    report = structured_report(result, images, made_at=made_at, program=program, previous=before)
    return _with_captures(report, images, out, sources)


def _of_one_film(
    result: CaseResult, form: str, image: FilmImage, out: Path, sources: Sequence[Path], made_at: str, program: str
) -> list[tuple[Path, bytes]]:
    if form == "presentation":
        from wlmeasure.share.dicom.presentation import presentation_state

        return _with_captures(
            presentation_state(result, image, made_at=made_at, program=program), [image], out, sources
        )
    if form == "calibrated":
        from wlmeasure.share.dicom.calibrated import calibrated_copy

        return _with_captures(calibrated_copy(result, image, made_at=made_at, program=program), [image], out, sources)
    if not image.is_capture:
        raise ShareError(f"film {image.film.film.id} needs no secondary capture: it is a DICOM image; send it as it is")
    return [(out, _bytes(image.dataset))]


def _chosen(images: Sequence[FilmImage], film: str | None, form: str) -> FilmImage:
    ids = [image.film.film.id for image in images]
    if film is None and len(images) > 1:
        raise ShareError(f"--film must name the film for --as {form}: the case has {', '.join(ids)}")
    if film is not None and film not in ids:
        raise ShareError(f"--film must be a film of the case ({', '.join(ids)}): {film!r}")
    return images[0 if film is None else ids.index(film)]


def _with_captures(
    made: Any, images: Sequence[FilmImage], out: Path, sources: Sequence[Path]
) -> list[tuple[Path, bytes]]:
    """The object and the captures it refers to, named after it: report.dcm, report_film1.dcm."""
    files = [(out, _bytes(made))]
    for image in images:
        if image.is_capture:
            number = int(image.dataset.InstanceNumber)  # a film's id is a stranger's text and never becomes a file name
            beside = out.with_name(f"{out.stem}_film{number}.dcm")
            if beside.resolve() in sources:
                raise ShareError(
                    f"{beside.name} must be a new file: it is a film of the case; choose another name for --out"
                )
            files.append((beside, _bytes(image.dataset)))
    return files


def _bytes(dataset: Any) -> bytes:
    from wlmeasure.share.dicom.objects import dicom_bytes

    return dicom_bytes(dataset)
