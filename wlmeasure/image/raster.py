"""PNG, TIFF, JPEG and BMP: one grey picture in stored values, orientation applied exactly once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import cv2
import numpy as np

from wlmeasure.errors import ImageError
from wlmeasure.image.codec_messages import codec_messages
from wlmeasure.image.colour import Grey, grey_of
from wlmeasure.image.headers import RasterHeader, read_header
from wlmeasure.image.radiograph import Radiograph, StoredValues, printable

__all__ = ["decoded_raster", "oriented", "read_raster"]

Pixels = np.ndarray[Any, Any]

# Exif 2.3, 4.6.4 A, Orientation: what row 0 and column 0 of the stored picture are.
_TURNS: dict[int, Callable[[np.ndarray[Any, Any]], np.ndarray[Any, Any]]] = {
    1: lambda stored: stored,
    2: lambda stored: stored[:, ::-1],
    3: lambda stored: stored[::-1, ::-1],
    4: lambda stored: stored[::-1, :],
    5: lambda stored: stored.T,
    6: lambda stored: stored[::-1, :].T,
    7: lambda stored: stored[::-1, ::-1].T,
    8: lambda stored: stored[:, ::-1].T,
}


def oriented(stored: StoredValues, orientation: int) -> StoredValues:
    """`stored` turned upright by EXIF `orientation` 1 to 8; a contiguous array."""
    upright: StoredValues = np.ascontiguousarray(_TURNS[orientation](stored))
    return upright


def read_raster(data: bytes, kind: str, *, path: str, sha256: str) -> Radiograph:
    """Radiograph of the bytes of one PNG, TIFF, JPEG or BMP file.

    Colour channels become one (`colour`); alpha is set aside, but what it hides is masked; WhiteIsZero is undone; packed bits
    are right-aligned. Raises ImageError for a file that is cut short, damaged, no grey picture, has several pages or is larger
    than the size limit.
    """
    header = read_header(data, kind)
    warnings = list(header.warnings)
    decoded, complaints = decoded_raster(data, header, kind)
    if any("premature" in line.lower() for line in complaints):
        raise ImageError(f"{kind} file is truncated: the picture ends early; copy or export it again")
    warnings += [f"{kind} decoder: {line}" for line in complaints]
    found, alpha = _grey(decoded, data, header, kind)
    warnings += found.warnings
    grey, masked = found.values, found.coloured
    if header.alpha_columns:
        grey, alpha = grey[:, ::2], grey[:, 1::2]
    if alpha is not None and (alpha != alpha[0, 0]).any():
        warnings.append(ALPHA_IGNORED)
        if (clear := alpha == 0).any():
            masked = clear if masked is None else masked | clear
    if grey.shape != (header.rows, header.cols):
        raise ImageError(f"{kind} decoded shape must be {(header.rows, header.cols)}: {grey.shape}; export it again")
    if grey.dtype != (np.uint8 if header.bits <= 8 else np.uint16):
        raise ImageError(f"{kind} {header.bits} bit samples must not be decoded to {grey.dtype}; save it as plain grey")
    if header.left_aligned:
        grey >>= 16 - header.bits
    if header.white_is_zero:
        grey = (np.iinfo(grey.dtype).max if not header.left_aligned else 2**header.bits - 1) - grey
    upright = oriented(grey, header.orientation)
    upright.flags.writeable = False
    return Radiograph(
        values=upright,
        bright_is_dense=True,
        path=path,
        sha256=sha256,
        format=kind,
        bits=header.bits,
        stored_rows=header.rows,
        stored_cols=header.cols,
        orientation=header.orientation,
        densities=header.densities,
        warnings=tuple(warnings),
        notes=found.notes,
        masked=None if masked is None else _TURNS[header.orientation](masked),
    )


ALPHA_IGNORED = "alpha channel is not the same everywhere and is ignored; the stored grey values are used"


def _grey(decoded: Pixels, data: bytes, header: RasterHeader, kind: str) -> tuple[Grey, StoredValues | None]:
    """Grey from the decoder's one channel, three (blue, green, red) or four, and the fourth, which is alpha."""
    if decoded.dtype not in (np.uint8, np.uint16):
        raise ImageError(f"{kind} samples must be unsigned 8 or 16 bit: {decoded.dtype}; save it as 16 bit grey")
    if decoded.ndim == 2:
        return Grey(decoded), None
    alpha = decoded[..., 3] if decoded.shape[2] == 4 else None
    if decoded.shape[2] < 3:
        raise ImageError(f"{kind} must have 1, 3 or 4 channels: {decoded.shape[2]}; save it as plain grey")
    rgb = decoded[..., 2::-1]
    luminance = None
    if kind == "JPEG" and (rgb[..., :1] != rgb[..., 1:]).any():
        # The file holds the luminance itself: asked for grey, the decoder hands it over without a detour by way of colours.
        luminance, _ = decoded_raster(data, header, kind, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    return grey_of(rgb, bits=8 * rgb.dtype.itemsize, luminance=luminance, from_jpeg=kind == "JPEG"), alpha


def decoded_raster(
    data: bytes, header: RasterHeader, kind: str, how: int = cv2.IMREAD_UNCHANGED
) -> tuple[Pixels, list[str]]:
    """The decoder's array, untouched by orientation, and what its codec said on stderr."""
    buffer = np.frombuffer(data, np.uint8)
    if header.edits:
        edited = bytearray(data)
        for at, value in header.edits:
            edited[at : at + len(value)] = value
        buffer = np.frombuffer(edited, np.uint8)
    complaints: list[str] = []
    try:
        with _messages(complaints):
            decoded = cv2.imdecode(buffer, how)
    except (cv2.error, MemoryError) as error:
        raise ImageError(f"{kind} file cannot be decoded: {printable(error)}; export it again") from error
    if decoded is None:
        reason = printable(complaints[0]) if complaints else "damaged, or a compression that is not supported"
        raise ImageError(f"{kind} file cannot be decoded: {reason}; export it again as plain PNG or TIFF")
    return decoded, complaints


@contextmanager
def _messages(lines: list[str]) -> Iterator[None]:
    """Collect what the codecs say.

    libjpeg reports a damaged picture only on stderr, and returns grey for the missing part.
    """
    with codec_messages(lines):
        level = cv2.utils.logging.getLogLevel()
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        try:
            yield
        finally:
            cv2.utils.logging.setLogLevel(level)
