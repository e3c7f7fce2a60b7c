"""`read`: any supported image file to one Radiograph; the content decides the kind, not the name."""

from __future__ import annotations

import hashlib
from os import PathLike, fspath
from pathlib import Path

from attrs import evolve

from wlmeasure.errors import FrameError, ImageError, StaleCaseError
from wlmeasure.image.file_content import MAX_FILE_BYTES, file_content, first_bytes
from wlmeasure.image.radiograph import POLARITY_DOUBT, DisplayTable, Radiograph, printable

__all__ = ["MAX_FILE_BYTES", "content_kind", "is_structured_report", "read"]

STRUCTURED_REPORTS = b"1.2.840.10008.5.1.4.1.1.88."
"""Begin of the SOP class UIDs of structured reports (PS3.4 B.5)."""

_EXTENSIONS = {
    "PNG": (".png",),
    "TIFF": (".tif", ".tiff", ".btf"),
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif"),
    "BMP": (".bmp", ".dib"),
    "DICOM": (".dcm", ".dicom", ".dic", ".ima", ""),
}
MOST_CLIPPED = 2.0
"""Largest share of the inner film that a header's window may show black or white, % (our parameter)."""
FEWEST_GREYS = 16.0
"""Least part of the 255 greys that a header's window must give 98 % of the film (our parameter)."""
_KNOWN_OTHERS = (
    (b"GIF8", "GIF"),
    (b"\x00\x00\x00\x0cjP", "JPEG 2000"),
    (b"\xff\x4f\xff\x51", "JPEG 2000"),
    (b"%PDF", "PDF"),
    (b"PK\x03\x04", "ZIP"),
    (b"\x1f\x8b", "gzip"),
)


def read(
    path: str | PathLike[str],
    *,
    frame: int | None = None,
    sha256: str | None = None,
    max_file_bytes: int = MAX_FILE_BYTES,
) -> Radiograph:
    """Read one radiograph from a PNG, TIFF, JPEG, BMP or DICOM file.

    Returns stored values with their polarity, the file's SHA-256, spacing claims (best first) and warnings. What is no film,
    as letters and frames, is masked; a window of the header that hides the film is not used.

    Parameters
    ----------
    path
        The file.
    frame
        Which frame of a DICOM file that has several, from 1.
    sha256
        What the file must be, in hexadecimal, where that is known: another one is not looked into.
    max_file_bytes
        Largest file read into memory.

    Raises
    ------
    StaleCaseError
        The file is another one than `sha256` says.
    FrameError
        The file has several frames and none of them is named, or one that it does not have.
    ImageError
        One line that begins with the file's name, for a file that is missing, not an image, cut short, no grey film, or too
        large to be one radiograph.
    """
    given = fspath(path)
    name = printable(Path(given).name or given)
    try:
        data = file_content(Path(given), max_file_bytes)
        digest = hashlib.sha256(data).hexdigest()
        if sha256 is not None and digest != sha256:
            raise StaleCaseError(f"{name} must be the file of that SHA-256: it is another one")
        kind = content_kind(data)
        # Imported here: `--help` needs neither, and pydicom alone costs 0.7 s.
        if kind == "DICOM":
            from wlmeasure.image.dicom import read_dicom

            radiograph = read_dicom(data, path=given, sha256=digest, frame=frame)
        else:
            if frame not in (None, 1):
                raise FrameError(f"frame must be left out for {kind}, which has one: {frame!r}", 1)
            from wlmeasure.image.raster import read_raster

            radiograph = read_raster(data, kind, path=given, sha256=digest)
    except FrameError as error:
        raise FrameError(f"{name}: {error}", error.frames) from error
    except ImageError as error:
        raise ImageError(f"{name}: {error}") from error
    radiograph = _shown(_film_only(radiograph))
    warnings = list(radiograph.warnings)
    # A DICOM file often bears a number as its name, and Path takes what follows the last dot for an extension.
    suffix = Path(given).suffix.lower()
    if suffix not in _EXTENSIONS[kind] and not (kind == "DICOM" and suffix[1:].isdigit()):
        warnings.append(f"file name must fit the content: {printable(suffix, 12) or 'no extension'}, read as {kind}")
    if radiograph.rows == radiograph.cols and not radiograph.spacings:
        warnings.append(
            f"exactly square image without spacing: {radiograph.rows} x {radiograph.cols}; it may have been cropped, "
            "padded or resampled to unequal scales"
        )
    return evolve(radiograph, warnings=tuple(warnings))


def _film_only(radiograph: Radiograph) -> Radiograph:
    """With all masked that is no film, and a doubt where a file without a word on its grey scale looks inverted."""
    from wlmeasure.image.film_area import no_film  # OpenCV, as above
    from wlmeasure.image.grey_scale import looks_inverted

    masked, found = no_film(radiograph.values, radiograph.masked)
    notes, warnings = radiograph.notes, radiograph.warnings
    if found and masked is not None:
        share = f"{100.0 * masked.mean():.2g} % of the pixels"
        notes = (*notes, f"{', '.join(found)} found: {share} are no film, left out of display, tracing and search")
    doubt = radiograph.format != "DICOM" and looks_inverted(radiograph.values, masked)
    if doubt:
        warnings = (*warnings, POLARITY_DOUBT)
    return evolve(radiograph, masked=masked, polarity_doubt=doubt, notes=notes, warnings=warnings)


def _shown(radiograph: Radiograph) -> Radiograph:
    """Without the header's window or table where that would hide the film."""
    clipped, greys = radiograph.clipped_share(), radiograph.greys_used()
    if clipped <= MOST_CLIPPED and greys >= FEWEST_GREYS:
        return radiograph
    if clipped > MOST_CLIPPED:
        hides = f"shows {clipped:.0f} % of the film as plain black or white"
    else:
        hides = f"shows the film in {greys:.0f} of 255 greys"
    what = "table" if isinstance(radiograph.display, DisplayTable) else "window"
    said = f"{what} of the header {hides}: shown from percentiles of the stored values instead"
    return evolve(radiograph, display=None, warnings=(*radiograph.warnings, said))


def is_structured_report(path: str | PathLike[str]) -> bool:
    """Whether a file is a DICOM structured report by its file meta information; False for whatever cannot be read."""
    try:
        head = first_bytes(Path(path), 1024)
    except (OSError, ValueError):
        return False
    # Media Storage SOP Class UID (0002,0002), always explicit VR little endian (PS3.10 7.1).
    at = head.find(b"\x02\x00\x02\x00UI", 132)
    return head[128:132] == b"DICM" and at > 0 and head[at + 8 :].startswith(STRUCTURED_REPORTS)


def content_kind(data: bytes) -> str:
    """Kind of an image file by its first 1024 bytes or all of them; ImageError where it is none that is read here."""
    # DICOM first: its free 128-byte preamble may look like a TIFF.
    if data[128:132] == b"DICM" or _is_bare_dicom(data):
        return "DICOM"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if data.startswith(b"BM") and len(data) >= 18:
        return "BMP"
    other = next((label for magic, label in _KNOWN_OTHERS if data.startswith(magic)), "none of them")
    raise ImageError(f"file must be PNG, TIFF, JPEG, BMP or DICOM: its content is {other}; export the radiograph again")


def _is_bare_dicom(data: bytes) -> bool:
    """Whether a data set begins at once, without preamble: group 0002 or 0008, plausible first element."""
    if len(data) < 16 or data[:2] not in (b"\x02\0", b"\x08\0") or data[3] != 0:
        return False
    explicit = data[4:6] in (b"UL", b"CS", b"UI", b"SH", b"OB", b"LO", b"DA")
    return explicit or int.from_bytes(data[4:8], "little") <= min(len(data) - 8, 1024)
