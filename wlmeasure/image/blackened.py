"""The samples of any image file, to look for print in them, to black rectangles out, and to make a picture to look at.

Rows and columns are those of the picture as it is shown by :func:`wlmeasure.image.reading.read`: turned by its orientation.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from copy import deepcopy
from typing import Any, Literal

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.encaps import generate_frames
from pydicom.uid import UID, ExplicitVRLittleEndian

from wlmeasure.errors import ImageError
from wlmeasure.image.codestream import check_stream
from wlmeasure.image.decoding import NATIVE
from wlmeasure.image.dicom import read_dicom
from wlmeasure.image.headers import MAX_DECODED_BYTES, check_size, read_header
from wlmeasure.image.marks import Box, typed_marks
from wlmeasure.image.radiograph import printable
from wlmeasure.image.raster import decoded_raster, oriented

__all__ = ["Samples", "dicom_samples", "put_dicom_samples", "raster_samples"]

LOOK_BOX = (255, 0, 0)
"""Red, for the boxes in the picture to look at: no film is red."""


@frozen
class Samples:
    """Stored samples (frames, rows, cols, channels); `bits` stored of each; `kind` as DICOM's Photometric Interpretation."""

    values: NDArray[Any]
    bits: int
    kind: str

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.values.shape[1], self.values.shape[2]

    def marks(self) -> tuple[Box, ...]:
        """What looks like print or a coloured sign in any of the frames; a box that stands in several is named once."""
        found: dict[Box, None] = {}
        for frame in self.values:
            if frame.shape[2] < 3:
                planes: list[tuple[NDArray[Any], NDArray[Any] | None]] = [(frame[..., 0], None)]
            else:
                rgb = self._rgb(frame)
                planes = [(rgb.mean(axis=2), rgb)]
            if frame.shape[2] in (2, 4) and np.ptp(frame[..., -1]):
                planes.append((frame[..., -1], None))  # print in the alpha channel alone
            for grey, colours in planes:
                found |= dict.fromkeys(typed_marks(grey, colours))
        return tuple(found)

    def blackened(self, boxes: Sequence[Box]) -> Samples:
        """A copy in which the boxes of every frame are black.

        Raises
        ------
        ImageError
            A box lies outside the picture.
        """
        out = self.values.copy()
        for box in boxes:
            out[(slice(None), *box.within(self.shape).area)] = self._black()
        return Samples(out, self.bits, self.kind)

    def look(self, boxes: Sequence[Box]) -> bytes:
        """A PNG of the first frame in 8 bits with the boxes framed: to look at, not to measure on."""
        frame = self.values[0]
        if frame.shape[2] < 3:
            grey = frame[..., 0].astype(np.float32)
            low, high = np.percentile(grey, (0.1, 99.9))
            grey = np.clip((grey - low) * (255.0 / max(float(high - low), 1e-9)), 0, 255)
            shown = np.repeat((255 - grey if self.kind == "MONOCHROME1" else grey)[..., None], 3, axis=2)
        else:
            shown = self._rgb(frame).astype(np.float32) * (255.0 / (2**self.bits - 1))
        picture = np.ascontiguousarray(shown[..., :3].astype(np.uint8))
        for box in boxes:
            part = box.within(self.shape)
            corners = (part.col, part.row), (part.col + part.cols - 1, part.row + part.rows - 1)
            cv2.rectangle(picture, *corners, LOOK_BOX, 2)
        return _png(picture)

    def png(self) -> bytes:
        """The only frame as a PNG, its samples as they are."""
        frame = self.values[0]
        return _png(frame[..., 0] if frame.shape[2] == 1 else frame)

    def _rgb(self, frame: NDArray[Any]) -> NDArray[Any]:
        if not self.kind.startswith("YBR"):
            return frame[..., :3]
        if frame.dtype != np.uint8:
            raise ImageError(f"{self.kind} must have 8 bits: {frame.dtype}; export the grey radiograph")
        turned = cv2.cvtColor(np.ascontiguousarray(frame[..., [0, 2, 1]]), cv2.COLOR_YCrCb2RGB)
        return np.asarray(turned)

    def _black(self) -> NDArray[Any]:
        """The darkest that the picture has, so that no window is drawn wider by the boxes; of each channel."""
        black = self.values.min(axis=(0, 1, 2))
        if self.kind == "MONOCHROME1":
            black = self.values.max(axis=(0, 1, 2))
        elif self.kind.startswith("YBR"):
            black = np.array([0, 128, 128], self.values.dtype)
        elif self.kind == "RGB":
            black = np.zeros_like(black)
            if black.size in (2, 4):
                black[-1] = 2**self.bits - 1  # opaque
        return np.asarray(black)


def _png(picture: NDArray[Any]) -> bytes:
    order = {3: cv2.COLOR_RGB2BGR, 4: cv2.COLOR_RGBA2BGRA}.get(picture.shape[2] if picture.ndim == 3 else 1)
    if picture.ndim == 3 and picture.shape[2] == 2:
        picture = picture[..., 0]  # grey with alpha: the grey is the film
    done, content = cv2.imencode(".png", picture if order is None else cv2.cvtColor(picture, order))
    if not done:
        raise ImageError("picture must be one that can be written as PNG: it is not; export it again")
    return content.tobytes()


# ---- PNG, JPEG, TIFF, BMP ----


def raster_samples(data: bytes, kind: str) -> Samples:
    """The samples of a PNG, JPEG, TIFF or BMP file, turned upright; colours allowed.

    Raises
    ------
    ImageError
        Damaged, cut short, or too large.
    """
    header = read_header(data, kind)
    decoded, complaints = decoded_raster(data, header, kind)
    if any("premature" in line.lower() for line in complaints):
        raise ImageError(f"{kind} file is truncated: the picture ends early; copy or export it again")
    if header.alpha_columns:
        decoded = np.stack((decoded[:, ::2], decoded[:, 1::2]), axis=2)
    if decoded.ndim == 2:
        decoded = decoded[..., None]
    if decoded.dtype not in (np.uint8, np.uint16):
        raise ImageError(f"{kind} samples must be unsigned 8 or 16 bit: {decoded.dtype}; save it as 16 bit grey")
    if header.left_aligned:
        decoded = decoded >> (16 - header.bits)
    if header.white_is_zero:
        decoded = (np.iinfo(decoded.dtype).max if not header.left_aligned else 2**header.bits - 1) - decoded
    if decoded.shape[2] >= 3:
        decoded = decoded[..., [2, 1, 0, *range(3, decoded.shape[2])]]
    channels = [oriented(decoded[..., k], header.orientation) for k in range(decoded.shape[2])]
    bits = max(header.bits, 8) if decoded.dtype == np.uint8 else header.bits
    return Samples(np.stack(channels, axis=2)[None], bits, "MONOCHROME2" if decoded.shape[2] < 3 else "RGB")


# ---- DICOM ----


def dicom_samples(data: bytes, dataset: Dataset) -> Samples:
    """The samples of every frame of a DICOM file, whose parsed form is `dataset`.

    Raises
    ------
    ImageError
        Damaged, cut short, too large, a palette, or compressed in a way that no decoder here reads.
    """
    try:
        count = int(dataset.get("NumberOfFrames") or 1)
        rows, cols = int(dataset.Rows), int(dataset.Columns)
        channels, kind = int(dataset.get("SamplesPerPixel") or 1), str(dataset.PhotometricInterpretation)
        allocated, stored = int(dataset.BitsAllocated), int(dataset.get("BitsStored") or dataset.BitsAllocated)
    except Exception as error:  # pydicom converts on access and raises what the conversion raises
        raise ImageError(f"DICOM header does not describe its picture: {printable(error)}; export it again") from error
    check_size(rows, cols)
    if count < 1 or count * rows * cols * channels * max(allocated // 8, 1) > MAX_DECODED_BYTES:
        raise ImageError(
            f"frames must take at most {MAX_DECODED_BYTES // 1_000_000} MB decoded: {count} of {rows} x {cols}"
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # said when the film is read
        if channels == 1:
            frames = [read_dicom(data, path="", sha256="", frame=k).values for k in range(1, count + 1)]
            return Samples(np.stack(frames)[..., None], stored, kind)
        if channels != 3 or allocated not in (8, 16):
            raise ImageError(
                f"samples must be 1, or 3 of 8 or 16 bits: {channels} of {allocated}; export the grey radiograph"
            )
        return _colours(dataset, count, rows, cols, allocated, stored)


def _colours(dataset: Dataset, count: int, rows: int, cols: int, allocated: int, stored: int) -> Samples:
    syntax = str(dataset.file_meta.TransferSyntaxUID)
    if syntax not in NATIVE:
        try:
            for frame in generate_frames(dataset.PixelData, number_of_frames=count):
                check_stream(frame, rows, cols, 3, allocated)
            dataset = deepcopy(dataset)
            dataset.decompress()
        except ImageError:
            raise
        except Exception as error:  # decoders raise what they like
            raise ImageError(
                f"DICOM Pixel Data cannot be decoded: {printable(error)}; export it uncompressed"
            ) from error
    kind = str(dataset.PhotometricInterpretation)
    if kind not in ("RGB", "YBR_FULL"):
        raise ImageError(
            f"PhotometricInterpretation must be RGB or YBR_FULL for boxes: {kind}; export the grey radiograph"
        )
    order = "<" if UID(dataset.file_meta.TransferSyntaxUID).is_little_endian else ">"
    if order == ">" and allocated == 8:  # words whose two samples are swapped, or not
        raise ImageError("colours of 8 bits must not be big endian for boxes; export the grey radiograph")
    flat = np.frombuffer(dataset.PixelData, f"{order}u{allocated // 8}")
    needed = count * rows * cols * 3
    if flat.size < needed:
        raise ImageError("DICOM file is truncated: Pixel Data end early; export it again")
    if dataset.get("PlanarConfiguration"):
        values = np.moveaxis(flat[:needed].reshape(count, 3, rows, cols), 1, 3)
    else:
        values = flat[:needed].reshape(count, rows, cols, 3)
    return Samples(np.ascontiguousarray(values.astype(f"u{allocated // 8}")), stored, kind)


def put_dicom_samples(dataset: Dataset, samples: Samples) -> None:
    """Put samples into a data set in place of its own, not compressed."""
    syntax = UID(dataset.file_meta.TransferSyntaxUID)
    if str(syntax) not in NATIVE:
        dataset.file_meta.TransferSyntaxUID = syntax = ExplicitVRLittleEndian
    values = samples.values
    dataset.PhotometricInterpretation = samples.kind
    dataset.BitsAllocated = 8 * values.dtype.itemsize
    dataset.BitsStored, dataset.HighBit = samples.bits, samples.bits - 1
    if values.shape[3] > 1:
        dataset.PlanarConfiguration = 0
    order: Literal["<", ">"] = "<" if syntax.is_little_endian else ">"
    content = values.astype(values.dtype.newbyteorder(order)).tobytes()
    dataset.PixelData = content + b"\0" * (len(content) % 2)
    dataset["PixelData"].VR = "OB" if values.dtype.itemsize == 1 and not syntax.is_implicit_VR else "OW"
    dataset["PixelData"].is_undefined_length = False
    for keyword in ("ExtendedOffsetTable", "ExtendedOffsetTableLengths"):
        if keyword in dataset:
            del dataset[keyword]
