"""One frame of a DICOM file's Pixel Data as an array of stored values: transfer syntaxes, their decoders, where the bits lie.

pydicom decodes with pillow, pyjpegls and GDCM. One syntax is decoded by GDCM directly: pydicom 3.0.2 refuses JPEG Extended
with 12 bits, which GDCM 3.2.6 decodes; on the test files of pydicom its values are those of dcmtk.
"""

from __future__ import annotations

import warnings as python_warnings
from typing import Any

import numpy as np
from attrs import frozen
from pydicom.dataset import Dataset
from pydicom.encaps import get_frame
from pydicom.pixels import get_decoder
from pydicom.uid import UID

from wlmeasure.errors import ImageError
from wlmeasure.image.codec_messages import codec_messages
from wlmeasure.image.codestream import check_stream
from wlmeasure.image.headers import check_size
from wlmeasure.image.radiograph import StoredValues, printable

__all__ = ["DEFLATED", "NATIVE", "Layout", "decode_frame", "decoders_of"]

DEFLATED = "1.2.840.10008.1.2.1.99"
RLE = "1.2.840.10008.1.2.5"
JPEG_EXTENDED = "1.2.840.10008.1.2.4.51"
NATIVE = ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2", DEFLATED)
_PLUGINS = {
    "1.2.840.10008.1.2.4.50": ("gdcm", "pillow"),
    JPEG_EXTENDED: ("gdcm", "pillow"),
    "1.2.840.10008.1.2.4.57": ("gdcm",),
    "1.2.840.10008.1.2.4.70": ("gdcm",),
    "1.2.840.10008.1.2.4.80": ("pyjpegls", "gdcm"),
    "1.2.840.10008.1.2.4.81": ("pyjpegls", "gdcm"),
    "1.2.840.10008.1.2.4.90": ("pillow", "gdcm"),
    "1.2.840.10008.1.2.4.91": ("pillow", "gdcm"),
    "1.2.840.10008.1.2.4.201": ("pylibjpeg",),
    "1.2.840.10008.1.2.4.202": ("pylibjpeg",),
    "1.2.840.10008.1.2.4.203": ("pylibjpeg",),
    RLE: ("pydicom",),
}
"""Who is asked first for each compressed syntax: the same on every machine, whatever else is installed.

GDCM goes before pillow for JPEG, since it says where a picture ends early; pillow fills the rest with grey in silence.
"""
_ENDS_EARLY = ("premature end",)
_DAMAGED = ("corrupt jpeg data",)
_PACKAGES = {
    "pillow": 'wlmeasure[dicom]" (pillow',
    "gdcm": 'wlmeasure[dicom]" (python-gdcm',
    "pyjpegls": 'wlmeasure[dicom]" (pyjpegls',
    "pylibjpeg": 'pylibjpeg" "pylibjpeg-openjpeg" (OpenJPEG',
}
MAX_COMPRESSED_PIXELS = 32_000_000
"""Largest picture decoded from JPEG, JPEG-LS or JPEG 2000: decoders do some 20 megapixels a second (our parameter)."""
RLE_SLACK = 2.0
"""Largest run-length coded frame over the frame itself; the code of PackBits adds 1/128 at most (our parameter)."""


@frozen
class Layout:
    """How one frame is stored: the attributes of the Image Pixel module (PS3.3 C.7.6.3), already checked."""

    rows: int
    cols: int
    samples: int
    allocated: int
    stored: int
    high_bit: int
    signed: bool
    frames: int
    photometric: str

    @property
    def frame_bits(self) -> int:
        """Bits of one uncompressed frame."""
        # Two pixels share their colour where the header says so (PS3.3 C.7.6.3.1.2).
        samples = 2 if self.photometric == "YBR_FULL_422" else self.samples
        return self.rows * self.cols * samples * self.allocated


def decoders_of(syntax: str, layout: Layout) -> tuple[str, ...]:
    """Names of the decoders that :func:`decode_frame` asks for that transfer syntax here, in turn; none where none can."""
    if syntax in NATIVE:
        return ("pydicom",)
    available = get_decoder(UID(syntax)).available_plugins if syntax in _PLUGINS else ()
    if syntax == JPEG_EXTENDED and layout.stored > 8:
        available = tuple(name for name in available if name == "gdcm")
    return tuple(name for name in _PLUGINS.get(syntax, ()) if name in available)


def decode_frame(dataset: Dataset, syntax: str, layout: Layout, frame: int, notes: list[str]) -> StoredValues:
    """Frame number `frame` (from 1) as stored values, (rows, cols) uint8, uint16 or int16; remarks go to `notes`.

    Three equal colour channels become one. Raises ImageError for data that end early, cannot be decoded, have another
    size than the header says, or are coloured.
    """
    try:
        data = dataset.get("PixelData") or b""
    except Exception as error:  # pydicom converts on access
        raise ImageError(f"DICOM Pixel Data cannot be read: {printable(error)}; export it again") from error
    if syntax in NATIVE:
        stored = _native(dataset, syntax, layout, frame, len(data))
    else:
        stored = _compressed(dataset, data, syntax, layout, frame, notes)
    colour = (3,) if layout.samples == 3 else ()
    if stored.shape != (layout.rows, layout.cols, *colour):
        raise ImageError(f"decoded shape must be {(layout.rows, layout.cols)}: {stored.shape[:2]}; export it again")
    if layout.samples == 3:
        stored = _one_channel(stored)
        notes.append(f"grey picture stored in three equal colour channels ({layout.photometric}): one of them is used")
    placed: StoredValues = _placed(stored, layout, syntax, notes)
    return placed


def _native(dataset: Dataset, syntax: str, layout: Layout, frame: int, held: int) -> np.ndarray[Any, Any]:
    needed = (layout.frames * layout.frame_bits + 7) // 8
    if held < needed:
        raise ImageError(f"DICOM file is truncated: Pixel Data must hold {needed} bytes: {held}; export it again")
    return _by_pydicom(dataset, syntax, frame, "", layout)


def _compressed(
    dataset: Dataset, data: bytes, syntax: str, layout: Layout, frame: int, notes: list[str]
) -> np.ndarray[Any, Any]:
    name = printable(UID(syntax).name, 80)
    plugins = decoders_of(syntax, layout)
    if not plugins:
        raise ImageError(
            f"DICOM transfer syntax {name} ({printable(syntax, 64)}) cannot be decoded: {_what_helps(syntax)}"
        )
    try:
        code = _code(dataset, data, layout, frame)
    except Exception as error:  # pydicom raises what struct and the offset tables raise
        raise ImageError(
            f"DICOM file is truncated: frame {frame} of its compressed Pixel Data is not there; export it again"
        ) from error
    _check_code(code, syntax, layout)
    complaints: list[str] = []
    for plugin in plugins:
        try:
            with codec_messages(complaints):
                if syntax == JPEG_EXTENDED and layout.stored > 8:
                    stored = _by_gdcm(code, syntax, layout)
                else:
                    stored = _by_pydicom(dataset, syntax, frame, plugin, layout)
        except MemoryError:
            raise
        except Exception as error:  # decoders are plug-ins and raise what they like
            complaints.append(f"{plugin}: {str(error).rsplit(': ', 1)[-1]}")
            continue
        if any(word in line.lower() for line in complaints for word in _ENDS_EARLY):
            raise ImageError("DICOM file is truncated: the compressed picture ends early; export it again")
        # Other lines are chatter, as of a decoder of 8 bits that is tried before the one of 12.
        for line in complaints:
            if any(word in line.lower() for word in _DAMAGED):
                python_warnings.warn(
                    f"decoder: {line}", stacklevel=1
                )  # travels with the file, as what pydicom warns of
        if plugin != plugins[0]:
            notes.append(f"decoded by {plugin}, since {plugins[0]} could not")
        return stored
    raise ImageError(
        f"DICOM Pixel Data cannot be decoded ({name}, by {', '.join(plugins)}): {printable(complaints[0])}; it is damaged, "
        "export it again, uncompressed if that fails"
    )


def _what_helps(syntax: str) -> str:
    """Which package would decode it; packages under the GPL are not named."""
    names = [name for name in _PLUGINS.get(syntax, ()) if name in _PACKAGES]
    if not names:
        return "no decoder under a permissive licence is known; export it uncompressed"
    package = _PACKAGES["gdcm" if "gdcm" in names else names[0]]
    return f'run pip install "{package}), or export it uncompressed'


def _by_pydicom(dataset: Dataset, syntax: str, frame: int, plugin: str, layout: Layout) -> np.ndarray[Any, Any]:
    try:
        stored, _ = get_decoder(UID(syntax)).as_array(
            dataset,
            index=frame - 1,
            decoding_plugin=plugin,
            # Where the bits lie is our own affair below; pydicom does not look at High Bit.
            correct_unused_bits=not _as_stored(syntax),
            # As checked, with what the header may leave out.
            rows=layout.rows,
            columns=layout.cols,
            samples_per_pixel=layout.samples,
            bits_allocated=layout.allocated,
            bits_stored=layout.stored,
            pixel_representation=int(layout.signed),
            number_of_frames=layout.frames,
            photometric_interpretation=layout.photometric,
        )
    except MemoryError:
        raise
    except Exception as error:
        if syntax not in NATIVE:
            raise
        name = printable(UID(syntax).name, 80)
        raise ImageError(f"DICOM Pixel Data cannot be decoded ({name}): {printable(error)}; export it again") from error
    return np.asarray(stored)


def _as_stored(syntax: str) -> bool:
    """Whether the words of the file come out as they are, unused bits and overlays in them included."""
    return syntax in NATIVE or syntax == RLE


def _by_gdcm(code: bytes, syntax: str, layout: Layout) -> np.ndarray[Any, Any]:
    """One frame decoded by GDCM itself."""
    import gdcm  # an extra

    fragment = gdcm.Fragment()
    fragment.SetByteStringValue(code)
    fragments = gdcm.SequenceOfFragments.New()
    fragments.AddFragment(fragment)
    element = gdcm.DataElement(gdcm.Tag(0x7FE0, 0x0010))
    element.SetValue(fragments.__ref__())
    image = gdcm.Image()
    image.SetNumberOfDimensions(2)
    image.SetDimensions((layout.cols, layout.rows, 1))
    image.SetDataElement(element)
    kind = gdcm.PhotometricInterpretation.GetPIType(layout.photometric)
    image.SetPhotometricInterpretation(gdcm.PhotometricInterpretation(kind))
    image.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(syntax)))
    image.SetPixelFormat(
        gdcm.PixelFormat(layout.samples, layout.allocated, layout.stored, layout.high_bit, int(layout.signed))
    )
    # GDCM hands its bytes over as text.
    content = image.GetBuffer().encode("utf-8", "surrogateescape")
    kind_of = f"<{'i' if layout.signed else 'u'}{layout.allocated // 8}"
    return np.frombuffer(content, kind_of).reshape(layout.rows, layout.cols).copy()


# ---- before decoding ----


def _code(dataset: Dataset, data: bytes, layout: Layout, frame: int) -> bytes:
    """The compressed data of one frame."""
    offsets = None
    if "ExtendedOffsetTable" in dataset and "ExtendedOffsetTableLengths" in dataset:
        offsets = dataset.ExtendedOffsetTable, dataset.ExtendedOffsetTableLengths
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")  # said again when it is decoded
        return bytes(get_frame(data, frame - 1, number_of_frames=layout.frames, extended_offsets=offsets))


def _check_code(code: bytes, syntax: str, layout: Layout) -> None:
    """Refuse a frame whose own header promises another size than the data set's, before memory is taken for it."""
    if not code:
        raise ImageError("DICOM file is truncated: its compressed Pixel Data is empty; export it again")
    if syntax == RLE:
        if len(code) > RLE_SLACK * layout.frame_bits / 8 + 4096:
            raise ImageError(f"run-length coded frame must not be longer than the picture: {len(code)} bytes")
        return
    check_size(layout.rows, layout.cols, max_pixels=MAX_COMPRESSED_PIXELS)
    check_stream(code, layout.rows, layout.cols, layout.samples, layout.allocated)


# ---- after decoding ----


def _one_channel(stored: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """One of three equal channels."""
    first = stored[..., 0]
    if not (np.array_equal(first, stored[..., 1]) and np.array_equal(first, stored[..., 2])):
        raise ImageError(
            "colour channels must be equal: they differ; a photograph or a coloured view is not measured on, export the "
            "grey radiograph"
        )
    return np.ascontiguousarray(first)


def _placed(stored: np.ndarray[Any, Any], layout: Layout, syntax: str, notes: list[str]) -> np.ndarray[Any, Any]:
    """The stored bits alone, at the low end of the word and with their sign (PS3.5 8.1.1)."""
    native = stored.astype(stored.dtype.newbyteorder("="), copy=False)
    if layout.stored < layout.allocated and _as_stored(syntax):
        native = _stored_bits(native, layout, notes)
    return native.astype(np.int16) if native.dtype == np.int8 else native


def _stored_bits(native: np.ndarray[Any, Any], layout: Layout, notes: list[str]) -> np.ndarray[Any, Any]:
    shift, largest = layout.high_bit + 1 - layout.stored, (1 << layout.stored) - 1
    if not shift and not layout.signed and int(native.max()) <= largest:
        return native
    kept = (native.view(f"u{native.dtype.itemsize}") >> shift) & largest
    if layout.signed:
        sign = 1 << (layout.stored - 1)
        kept = ((kept.astype(np.int32) ^ sign) - sign).astype(native.dtype)
        if not shift and np.array_equal(kept, native):
            return native
    ends = f"; the stored ones end at bit {layout.high_bit}" if shift else ""
    notes.append(f"only the {layout.stored} stored bits of each {layout.allocated}-bit word are used{ends}")
    return kept
