"""One radiograph in memory: stored values, polarity, and what the file claims about its scale."""

from __future__ import annotations

import hashlib
import unicodedata
from typing import Any, TypeAlias

import numpy as np
from attrs import Attribute, evolve, field, frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import ImageError, check_finite, check_positive

__all__ = ["DisplayRange", "DisplayTable", "Radiograph", "SpacingClaim", "StoredValues", "printable"]

StoredValues: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.int16]

CLAIMS = ("PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing")
PLANES = ("patient", "detector", "film", "unknown")
TRUSTS = ("calibrated", "estimate", "detector", "unknown")

TEXT_LIMIT = 120
"""Longest header text passed on, in characters (our parameter; DICOM's LO allows 64, LT 10240)."""
DISPLAY_PERCENTILES = (0.5, 99.5)
"""Share of pixels left outside the display range where the file gives no window, % (common practice)."""
INNER = 0.90
"""Rows and columns of the film by which a window of its header is judged (our parameter)."""
POLARITY_DOUBT = (
    "grey scale looks inverted, bright at the rim where air is black: is metal dark on this film? say so as the film's metal, "
    "bright or dark; nothing was turned"
)
"""What is asked of a film without a header whose grey scale looks turned round."""


def printable(text: object, limit: int = TEXT_LIMIT) -> str:
    """One harmless line from a header's text: no control or direction characters, at most `limit` characters."""
    # Cut first: a header may hold megabytes. Categories C* are controls, format (bidi) marks, surrogates, unassigned.
    raw = str(text)[: 8 * limit]
    kept = "".join(" " if c.isspace() else c for c in raw if c.isspace() or unicodedata.category(c)[0] != "C")
    line = " ".join(kept.split())
    return line if len(line) <= limit else line[: limit - 1] + "…"


def _one_of(*allowed: str) -> Any:
    def check(instance: object, attribute: Attribute[str], value: str) -> None:
        if value not in allowed:
            raise ImageError(f"{attribute.name} must be one of {', '.join(allowed)}: {value!r}")

    return check


def _positive(instance: object, attribute: Attribute[float], value: float) -> None:
    check_positive(ImageError, attribute.name, value)


@frozen
class SpacingClaim:
    """What one attribute of a file says about the distance between pixel centres, and how far to believe it.

    `row_mm` lies between rows (vertical), `col_mm` between columns (horizontal), both mm per pixel in `plane`.
    `magnification` (source-image over source-object distance) is offered for an uncorrected detector spacing and
    is never applied here. Raises ImageError for a spacing that is not finite and > 0.
    """

    row_mm: float = field(validator=_positive)
    col_mm: float = field(validator=_positive)
    claim: str = field(validator=_one_of(*CLAIMS))
    plane: str = field(validator=_one_of(*PLANES))
    trust: str = field(validator=_one_of(*TRUSTS))
    magnification: float | None = None
    warnings: tuple[str, ...] = ()
    description: str = ""


@frozen
class DisplayRange:
    """Stored values shown as darkest and brightest before polarity; for screen and report only, never measured on."""

    low: float
    high: float

    def __attrs_post_init__(self) -> None:
        if not check_finite(ImageError, "display low", self.low) < check_finite(ImageError, "display high", self.high):
            raise ImageError(f"display range must have low < high: {self.low:g}, {self.high:g}")


def _frozen_greys(greys: ArrayLike) -> NDArray[np.uint8]:
    array = np.array(greys, np.uint8)
    array.flags.writeable = False
    return array


@frozen
class DisplayTable:
    """Greys of the stored values `first`, `first` + 1, ..., before polarity; for screen and report only.

    A value outside the table has the grey of the table's nearer end. `low` and `high` are the stored values between which
    the table rises: the straight window that comes nearest to it. Raises ImageError for a table without a rise.
    """

    first: int
    greys: NDArray[np.uint8] = field(converter=_frozen_greys, eq=False, repr=False)
    low: float = field(init=False)
    high: float = field(init=False)

    def __attrs_post_init__(self) -> None:
        if self.greys.ndim != 1 or len(self.greys) < 2 or self.greys.min() == self.greys.max():
            raise ImageError("display table must rise: it has one grey; shown from percentiles")
        above = np.flatnonzero(self.greys > self.greys.min())
        below = np.flatnonzero(self.greys < self.greys.max())
        low = int(above[0]) - 1 if above[0] > 0 else 0
        high = int(below[-1]) + 1 if below[-1] + 1 < len(self.greys) else len(self.greys) - 1
        # A table that falls over its whole length would have them the other way round.
        object.__setattr__(self, "low", float(self.first + min(low, high - 1)))
        object.__setattr__(self, "high", float(self.first + high))

    def of(self, values: StoredValues | NDArray[np.int32]) -> NDArray[np.uint8]:
        """Greys of an array of stored values, same shape."""
        return self.greys[np.clip(values.astype(np.int32) - self.first, 0, len(self.greys) - 1)]


def _kept(values: ArrayLike) -> StoredValues:
    """A read-only array of its own: a reader hands over its frozen array, everything else is copied."""
    array = np.asarray(values)
    array = array.astype(array.dtype.newbyteorder("="), copy=False)  # big-endian files
    if array.dtype not in (np.uint8, np.uint16, np.int16):
        raise ImageError(f"values must be uint8, uint16 or int16: {array.dtype}; convert them without rescaling twice")
    if array.ndim != 2 or 0 in array.shape:
        raise ImageError(f"values must be a 2-D picture (rows, columns) with pixels in it: shape {array.shape}")
    if array.flags.writeable or not array.flags.owndata or not array.flags.c_contiguous:
        array = array.copy(order="C")
        array.flags.writeable = False
    return array


def _frozen_mask(mask: ArrayLike | None) -> NDArray[np.bool_] | None:
    """A read-only mask of its own, or None where nothing is masked."""
    if mask is None or not np.any(mask):
        return None
    array = np.array(mask, np.bool_, order="C")
    array.flags.writeable = False
    return array


@frozen
class Radiograph:
    """One radiograph as its file stores it.

    Attributes
    ----------
    values
        Stored values, read-only, (rows, cols), after `orientation` was applied once. WhiteIsZero of a TIFF is undone.
    bright_is_dense
        True when a larger stored value means more attenuation (metal bright).
    path, sha256, format
        File name as given, SHA-256 of the whole file (of the bytes of an array), kind of file.
    stored_rows, stored_cols, bits, orientation
        Shape before orientation, stored bit depth of one sample, EXIF orientation 1 to 8 that was applied.
    col_over_row
        Column spacing over row spacing of `values` (1.0 where the file does not say).
    spacings
        Spacing claims, best first; empty when there is no usable one.
    densities
        Resolution tags in words; shown and never used as a scale.
    display
        Window or table for display, or None.
    frame, frames
        Which frame of the file this is, from 1 as DICOM counts, and how many it has; None and 1 where it has one.
    teeth
        ISO 3950 designations of the teeth that the header names, in its order.
    padding
        Lowest and highest stored value that stand for no picture at all, or None.
    masked
        Where the picture is no film, (rows, cols) bool, read-only: coloured letters, frames, corners of the sensor, censor
        bars; None where all of it is film. The stored values stay as they are.
    polarity_doubt
        Whether the grey scale looks turned round in a file that does not say which way it runs. Nothing is turned by it.
    notes
        What else is to be known of the file, where nothing is amiss.
    patient_fingerprint
        Hash of the patient's ID and name in the header, to tell two patients apart; None where it names nobody. It is salted
        anew in each process, so that it means nothing outside, and is neither stored nor shown.

    Raises ImageError for values that are not a 2-D array of uint8, uint16 or int16.
    """

    values: StoredValues = field(converter=_kept, eq=False, repr=False)
    bright_is_dense: bool
    path: str
    sha256: str
    format: str
    bits: int
    stored_rows: int
    stored_cols: int
    orientation: int = field(default=1)
    col_over_row: float = field(default=1.0, validator=_positive)
    spacings: tuple[SpacingClaim, ...] = ()
    densities: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    display: DisplayRange | DisplayTable | None = None
    frame: int | None = None
    frames: int = 1
    teeth: tuple[str, ...] = ()
    padding: tuple[int, int] | None = None
    masked: NDArray[np.bool_] | None = field(default=None, converter=_frozen_mask, eq=False, repr=False)
    polarity_doubt: bool = False
    notes: tuple[str, ...] = ()
    patient_fingerprint: str | None = field(default=None, eq=False, repr=False)

    def __attrs_post_init__(self) -> None:
        if self.orientation not in range(1, 9):
            raise ImageError(f"orientation must be 1 to 8: {self.orientation!r}")
        if not 1 <= self.bits <= 16:
            raise ImageError(f"bits must be 1 to 16: {self.bits!r}")
        turned = self.orientation >= 5
        if self.values.shape != (
            (self.stored_cols, self.stored_rows) if turned else (self.stored_rows, self.stored_cols)
        ):
            raise ImageError(
                f"shape {self.values.shape} does not follow from stored {self.stored_rows} x {self.stored_cols} "
                f"by orientation {self.orientation}"
            )
        if self.masked is not None and self.masked.shape != self.values.shape:
            raise ImageError(f"masked must have the shape of values {self.values.shape}: {self.masked.shape}")

    @classmethod
    def from_array(cls, values: ArrayLike, *, bright_is_dense: bool = True, name: str = "array") -> Radiograph:
        """Radiograph of an array in memory; `values` is copied and its bytes (row by row) are hashed."""
        kept = _kept(values)
        rows, cols = kept.shape
        return cls(
            values=kept,
            bright_is_dense=bright_is_dense,
            path=name,
            sha256=hashlib.sha256(kept.data).hexdigest(),
            format="array",
            bits=8 * kept.dtype.itemsize,
            stored_rows=rows,
            stored_cols=cols,
        )

    @property
    def rows(self) -> int:
        """Rows of `values`."""
        return int(self.values.shape[0])

    @property
    def cols(self) -> int:
        """Columns of `values`."""
        return int(self.values.shape[1])

    def picture_values(self) -> StoredValues:
        """The stored values that are picture: all, or as one row those that are neither `padding` nor `masked`.

        All where nothing else is left.
        """
        if self.padding is None and self.masked is None:
            return self.values
        inside = self._inside()
        return self.values[inside] if inside.any() else self.values

    def _inside(self) -> NDArray[np.bool_]:
        inside = np.ones(self.values.shape, np.bool_) if self.masked is None else ~self.masked
        if self.padding is not None:
            inside &= (self.values < self.padding[0]) | (self.values > self.padding[1])
        return inside

    def clipped_share(self) -> float:
        """Share of the film that lies more than one grey beyond the ends of `display`, %; 0 where there is none.

        Of the inner part of the film: what lies at its rim, or is masked, does not count.
        """
        if self.display is None:
            return 0.0
        rows, cols = (int(0.5 * (1.0 - INNER) * n) for n in self.values.shape)
        at = slice(rows, self.rows - rows), slice(cols, self.cols - cols)
        inner = self.values[at][self._inside()[at]]
        grey = (self.display.high - self.display.low) / 255.0  # a table of 256 greys is no finer
        beyond = (inner < self.display.low - grey) | (inner > self.display.high + grey)
        return 100.0 * float(beyond.mean()) if inner.size else 0.0

    def greys_used(self) -> float:
        """How many of 255 greys `display` gives the middle 98 % of the film; 255 where there is none."""
        if self.display is None:
            return 255.0
        low, high = (float(v) for v in np.percentile(self.picture_values(), (1.0, 99.0)))
        if low == high:
            return 255.0
        if isinstance(self.display, DisplayTable):
            first, last = self.display.of(np.array([low, high]).astype(np.int32))
            return abs(float(last) - float(first))
        ends = np.clip([low, high], self.display.low, self.display.high)
        return 255.0 * float(ends[1] - ends[0]) / (self.display.high - self.display.low)

    def as_said(self, bright_is_dense: bool) -> Radiograph:
        """The same film with the grey scale that a person says it has: no doubt is left."""
        kept = tuple(text for text in self.warnings if text != POLARITY_DOUBT)
        return evolve(self, bright_is_dense=bright_is_dense, polarity_doubt=False, warnings=kept)

    def density(self) -> NDArray[np.float32]:
        """Values turned so that larger is more attenuation (metal bright); (rows, cols) float32, stored units.

        The other polarity is taken from the largest value that `bits` can store, so it does not depend on the picture.
        Padding is moved to the nearer end of the picture's own values, so that its edge is no steeper than it has to be; what
        is masked is continued smoothly from the film about it, so that no line or edge of a drawing is there to be found.
        """
        density = self.values.astype(np.float32)
        if self.padding is not None:
            inside = self.picture_values()
            np.clip(density, inside.min(), inside.max(), out=density)
        if self.masked is not None and not self.masked.all():
            from wlmeasure.image.film_area import filled  # OpenCV is not loaded for films that need none

            density = filled(density, self.masked)
        if self.bright_is_dense:
            return density
        # Fewer than 8 bits are stretched to 0..255 by the raster decoder.
        bits = max(self.bits, 8) - (self.values.dtype == np.int16)
        return np.float32(2**bits - 1) - density

    def displayed(self, *, percentiles: tuple[float, float] = DISPLAY_PERCENTILES) -> NDArray[np.uint8]:
        """Picture for screen and report, metal bright; (rows, cols) uint8.

        Uses the file's window or table where it has one, else the `percentiles` of the stored values that are film.
        """
        if isinstance(self.display, DisplayTable):
            picture = self.display.of(self.values)
            return picture if self.bright_is_dense else np.invert(picture)
        low, high = self._window(percentiles)
        grey = self.values.astype(np.float32)
        grey -= np.float32(low)
        grey *= np.float32(255.0 / max(high - low, 1e-6))  # an even picture has no range
        np.clip(np.rint(grey, out=grey), 0.0, 255.0, out=grey)
        picture = grey.astype(np.uint8)
        return picture if self.bright_is_dense else np.invert(picture)

    def at_full_depth(self) -> tuple[StoredValues, tuple[float, float]]:
        """The same picture before it is windowed, and the values of it that `displayed` shows black and white.

        Of a film that comes with a table it is the picture itself: a table is no window.
        """
        if isinstance(self.display, DisplayTable):
            return self.displayed(), (0.0, 255.0)
        low, high = self._window(DISPLAY_PERCENTILES)
        high = max(high, low + 1e-6)
        if self.bright_is_dense:
            return self.values, (low, high)
        kind = np.iinfo(self.values.dtype)
        ends = float(kind.min) + float(kind.max)  # of two's complement: inverting a value takes it from here
        return np.invert(self.values), (ends - high, ends - low)

    def _window(self, percentiles: tuple[float, float]) -> tuple[float, float]:
        if self.display is not None:
            return self.display.low, self.display.high
        low, high = (float(v) for v in np.percentile(self.picture_values(), percentiles))
        return low, high
