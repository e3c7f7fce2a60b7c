"""PNG, TIFF, JPEG and BMP: one grey picture in stored values, orientation applied exactly once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import cv2
import numpy as np

from wlmeasure.errors import ImageError
from wlmeasure.image.codec_messages import codec_messages
from wlmeasure.image.headers import RasterHeader, read_header
from wlmeasure.image.radiograph import Radiograph, StoredValues, printable

__all__ = ["decoded_raster", "oriented", "read_raster"]

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

    Equal colour channels become one; alpha is set aside; WhiteIsZero is undone; packed bits are right-aligned. Raises
    ImageError for a file that is cut short, damaged, coloured, has several pages or is larger than the size limit.
    """
    header = read_header(data, kind)
    warnings = list(header.warnings)
    decoded, complaints = decoded_raster(data, header, kind)
    if any("premature" in line.lower() for line in complaints):
        raise ImageError(f"{kind} file is truncated: the picture ends early; copy or export it again")
    warnings += [f"{kind} decoder: {line}" for line in complaints]
    grey = _grey(decoded, kind, warnings)
    if header.alpha_columns:
        if (grey[:, 1::2] != grey[0, 1]).any():
            warnings.append(ALPHA_IGNORED)
        grey = grey[:, ::2]
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
    )


ALPHA_IGNORED = "alpha channel is not the same everywhere and is ignored; the stored grey values are used"


def _grey(decoded: np.ndarray[Any, Any], kind: str, warnings: list[str]) -> StoredValues:
    """One channel from the decoder's one, three (blue, green, red) or four (with alpha)."""
    if decoded.dtype not in (np.uint8, np.uint16):
        raise ImageError(f"{kind} samples must be unsigned 8 or 16 bit: {decoded.dtype}; save it as 16 bit grey")
    if decoded.ndim == 2:
        return decoded
    first = decoded[..., 0]
    for channel in range(1, min(decoded.shape[2], 3)):
        if not np.array_equal(first, decoded[..., channel]):
            raise ImageError(
                f"{kind} colour channels must be equal: they differ; a photograph or a coloured view is not "
                "measured on, export the grey radiograph"
            )
    if decoded.shape[2] == 4 and (decoded[..., 3] != decoded[0, 0, 3]).any():
        warnings.append(ALPHA_IGNORED)
    return first


def decoded_raster(data: bytes, header: RasterHeader, kind: str) -> tuple[np.ndarray[Any, Any], list[str]]:
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
            decoded = cv2.imdecode(buffer, cv2.IMREAD_UNCHANGED)
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
