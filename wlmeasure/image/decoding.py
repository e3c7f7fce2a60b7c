"""One frame of a DICOM file's Pixel Data as an array of stored values: transfer syntaxes, their decoders, where the bits lie.

pydicom decodes with pillow, pyjpegls and GDCM. One syntax is decoded by GDCM directly: pydicom 3.0.2 refuses JPEG Extended
with 12 bits, which GDCM 3.2.6 decodes; on the test files of pydicom its values are those of dcmtk.
"""

from __future__ import annotations

import warnings as python_warnings
from typing import Any

import numpy as np
from attrs import evolve, frozen
from pydicom.dataset import Dataset
from pydicom.encaps import get_frame
from pydicom.pixels import get_decoder
from pydicom.uid import UID

from wlmeasure.errors import ImageError
from wlmeasure.image.codec_messages import codec_messages
from wlmeasure.image.codestream import check_stream
from wlmeasure.image.colour import Grey, grey_of
from wlmeasure.image.headers import check_size
from wlmeasure.image.radiograph import printable

__all__ = ["DEFLATED", "NATIVE", "PALETTE", "Layout", "decode_frame", "decoders_of"]

Pixels = np.ndarray[Any, Any]

DEFLATED = "1.2.840.10008.1.2.1.99"
RLE = "1.2.840.10008.1.2.5"
JPEG_EXTENDED = "1.2.840.10008.1.2.4.51"
PALETTE = "PALETTE COLOR"
LUMINANCE_FIRST = ("YBR_FULL", "YBR_FULL_422")
ROWS_AT_ONCE = 512
PRIMARIES = ("Red", "Green", "Blue")
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
MAX_COLOUR_BYTES = 150_000_000
"""Most bytes of a decoded picture in three channels, of which there are some copies at a time (our parameter)."""
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


def decode_frame(dataset: Dataset, syntax: str, layout: Layout, frame: int, notes: list[str]) -> Grey:
    """Frame number `frame` (from 1) as stored values, (rows, cols) uint8, uint16 or int16; remarks go to `notes`.

    Colour channels and a palette become one grey (`colour`). Raises ImageError for data that end early, cannot be decoded,
    have another size than the header says, or are no grey picture.
    """
    try:
        data = dataset.get("PixelData") or b""
    except Exception as error:  # pydicom converts on access
        raise ImageError(f"DICOM Pixel Data cannot be read: {printable(error)}; export it again") from error
    colours = 3 if layout.photometric == PALETTE else layout.samples
    if colours > 1 and colours * layout.rows * layout.cols * layout.allocated > 8 * MAX_COLOUR_BYTES:
        raise ImageError(
            f"picture in colour must take at most {MAX_COLOUR_BYTES // 1_000_000} MB decoded: {layout.rows} x {layout.cols}; "
            "export the grey radiograph"
        )
    if syntax in NATIVE:
        stored, photometric = _native(dataset, syntax, layout, frame, len(data))
    else:
        stored, photometric = _compressed(dataset, data, syntax, layout, frame, notes)
    colour = (3,) if layout.samples == 3 else ()
    if stored.shape != (layout.rows, layout.cols, *colour):
        raise ImageError(f"decoded shape must be {(layout.rows, layout.cols)}: {stored.shape[:2]}; export it again")
    placed = _placed(stored, layout, syntax, notes)
    if layout.photometric == PALETTE:
        return _from_palette(dataset, placed)
    if layout.samples == 1:
        return Grey(placed)
    return _from_channels(placed, layout, photometric, notes)


def _native(dataset: Dataset, syntax: str, layout: Layout, frame: int, held: int) -> tuple[Pixels, str]:
    needed = (layout.frames * layout.frame_bits + 7) // 8
    if held < needed:
        raise ImageError(f"DICOM file is truncated: Pixel Data must hold {needed} bytes: {held}; export it again")
    return _by_pydicom(dataset, syntax, frame, "", layout)


def _compressed(
    dataset: Dataset, data: bytes, syntax: str, layout: Layout, frame: int, notes: list[str]
) -> tuple[Pixels, str]:
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
                    found = _by_gdcm(code, syntax, layout), layout.photometric
                else:
                    found = _by_pydicom(dataset, syntax, frame, plugin, layout)
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
        return found
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


def _by_pydicom(dataset: Dataset, syntax: str, frame: int, plugin: str, layout: Layout) -> tuple[Pixels, str]:
    """What the decoder gives, and the photometric interpretation of that; colour is left as it is stored."""
    try:
        stored, facts = get_decoder(UID(syntax)).as_array(
            dataset,
            index=frame - 1,
            raw=True,
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
    return np.asarray(stored), str(facts["photometric_interpretation"])


def _as_stored(syntax: str) -> bool:
    """Whether the words of the file come out as they are, unused bits and overlays in them included."""
    return syntax in NATIVE or syntax == RLE


def _by_gdcm(code: bytes, syntax: str, layout: Layout) -> Pixels:
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


def _from_channels(stored: Pixels, layout: Layout, photometric: str, notes: list[str]) -> Grey:
    """Grey of three channels, as the decoder says that they are; luminance among them is the grey as it was stored."""
    if layout.signed:
        raise ImageError("PixelRepresentation must be 0 in a picture of three channels: 1; export the grey radiograph")
    rgb, luminance = stored, None
    if photometric in LUMINANCE_FIRST:
        luminance = np.ascontiguousarray(stored[..., 0])
        rgb = _red_green_blue(stored, layout.stored)
    found = grey_of(rgb, bits=layout.stored, luminance=luminance)
    if found.coloured is None and not found.notes:
        notes.append(f"grey picture stored in three equal colour channels ({layout.photometric}): one of them is used")
        return found
    notes += found.notes
    return found


def _red_green_blue(stored: Pixels, bits: int) -> Pixels:
    """Luminance and the two colour differences of YBR_FULL as red, green and blue (PS3.3 C.7.6.3.1.2)."""
    rgb = np.empty_like(stored)
    top, middle = float(2**bits - 1), float(2 ** (bits - 1))
    for first in range(0, len(stored), ROWS_AT_ONCE):
        part = stored[first : first + ROWS_AT_ONCE].astype(np.float32)
        light, blue, red = part[..., 0], part[..., 1] - middle, part[..., 2] - middle
        mixed = (light + 1.402 * red, light - 0.344136 * blue - 0.714136 * red, light + 1.772 * blue)
        for k, channel in enumerate(mixed):
            rgb[first : first + ROWS_AT_ONCE, :, k] = np.clip(np.rint(channel), 0.0, top)
    return rgb


def _from_palette(dataset: Dataset, index: Pixels) -> Grey:
    """Grey of a picture that goes through a table of red, green and blue (PS3.3 C.7.9): what the table shows is the film."""
    if "SegmentedRedPaletteColorLookupTableData" in dataset:  # a few bytes of it may stand for any number
        raise ImageError("colour palette must not be in segments; export the grey radiograph")
    try:
        count, first, _ = (int(part) for part in dataset["RedPaletteColorLookupTableDescriptor"].value)
        count = count or 65536  # PS3.3 C.7.6.3.1.5
        big = dataset.original_encoding[1] is False
        tables = [_table(dataset[f"{name}PaletteColorLookupTableData"].value, count, big) for name in PRIMARIES]
        palette = np.stack(tables, axis=-1)
    except Exception as error:  # pydicom raises what a table that lies makes of it
        raise ImageError(f"colour palette cannot be read: {printable(error)}; export the grey radiograph") from error
    if palette.dtype == np.uint16:
        # Eight bits in words of sixteen: in the upper half, as most write it, or in the lower one.
        if not (palette & 255).any():
            palette = (palette >> 8).astype(np.uint8)
        elif palette.max() <= 255:
            palette = palette.astype(np.uint8)
    at = np.clip(index.astype(np.int32) - first, 0, count - 1)
    found = grey_of(palette[at], bits=8 * palette.dtype.itemsize)
    return evolve(found, notes=(*found.notes, "picture stored as a palette: the grey that it shows is measured on"))


def _table(data: bytes, count: int, big: bool) -> Pixels:
    """One primary's entries, of one byte each or two (PS3.3 C.7.6.3.1.6)."""
    if not 1 <= count <= 65536 or len(data) < count:
        raise ValueError(f"{len(data)} bytes for {count} entries")
    wide = 2 if len(data) >= 2 * count else 1
    entries = np.frombuffer(data[: wide * count], (">u2" if big else "<u2") if wide == 2 else np.uint8)
    return entries.astype(entries.dtype.newbyteorder("="))


def _placed(stored: Pixels, layout: Layout, syntax: str, notes: list[str]) -> Pixels:
    """The stored bits alone, at the low end of the word and with their sign (PS3.5 8.1.1)."""
    native = stored.astype(stored.dtype.newbyteorder("="), copy=False)
    if layout.stored < layout.allocated and _as_stored(syntax):
        native = _stored_bits(native, layout, notes)
    return native.astype(np.int16) if native.dtype == np.int8 else native


def _stored_bits(native: Pixels, layout: Layout, notes: list[str]) -> Pixels:
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
