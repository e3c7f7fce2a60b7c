"""Is a picture in colour channels a grey radiograph? Its grey values, and which pixels are coloured.

Clinic software draws letters, rulers and arrows in colour on a grey film, and JPEG spreads a little of that colour. So the
middle of the picture decides: where it is grey, or all in one tint, the picture is a film and the coloured pixels are none of
it. A photograph is not grey anywhere, and its colours do not follow its lightness either.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import ImageError
from wlmeasure.image.radiograph import StoredValues

__all__ = ["Grey", "grey_of"]

WEIGHTS = (299, 587, 114)
"""Thousandths of red, green and blue in the luminance of JPEG and DICOM (ITU-R BT.601; JFIF; PS3.3 C.7.6.3.1.2)."""
MARGIN = 0.10
"""Share of rows and columns on either side that does not decide: letters and rulers stand there (our parameter)."""
COLOURED = 16.0
"""Largest less smallest channel of a pixel that is still grey, of 255: JPEG leaves up to 10 on a grey film (our parameter)."""
OFF_TINT = 8.0
"""Farthest that a channel lies off the line of a tint, of 255; JPEG leaves less at quality 60 (our parameter)."""
OFF_TINT_DRAWN = 32.0
"""The same above which a pixel is drawn on it: where JPEG keeps colour more coarsely than light, steep edges leave it by 20."""
MOST_COLOURED = 5.0
"""Largest coloured share of the middle of a film, %. Drawings of clinic software take up to 2; of eleven colour pictures that
come with scikit-image the greyest, of the night sky, has 8 and every other one 58 and more (our parameter)."""
MOST_EVEN = 60.0
"""Largest share of one single grey in the middle of a film that has colour drawn on it, %: a page of writing has more, and
the blackest of synthetic films 25 (our parameter)."""
TINT_BINS = 32
FEWEST_IN_BIN = 50
FEWEST_TONES = 6
"""Least of the 32 steps of lightness that a film in one tint has; the tint grows lighter in each channel (our parameter)."""
REACH = 2
"""Pixels about a coloured one whose grey the drawing touched, in a picture without loss: smoothed edges (our parameter)."""
JPEG_REACH = 8
"""The same where JPEG was at work: a block is 8 pixels wide (ITU-T T.81)."""
JPEG_TRACES = 0.02
"""Share of pixels a little off grey above which JPEG was at work once, whatever the file is now (our parameter)."""
BLOCK_ROWS = 512

Rgb = NDArray[Any]
Mask = NDArray[np.bool_]


@frozen(eq=False)
class Grey:
    """The grey values of a picture; `coloured` where they are none of the film's, or None; at most one warning, or a note."""

    values: StoredValues
    coloured: Mask | None = None
    warnings: tuple[str, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())


def grey_of(rgb: Rgb, *, bits: int, luminance: StoredValues | None = None, from_jpeg: bool = False) -> Grey:
    """Grey values of (rows, cols, 3) unsigned red, green and blue, where the picture is a grey film.

    Equal channels give their value. Else it is the luminance, as the codec kept it (`luminance`) where that is at hand. Raises
    ImageError for a picture that is neither grey nor in one tint in its middle.
    """
    if all(np.array_equal(rgb[..., 0], rgb[..., k]) for k in (1, 2)):
        return Grey(np.ascontiguousarray(rgb[..., 0]))
    grey = _luminance(rgb) if luminance is None else luminance
    # Sixteen bits often hold twelve: colours are judged against the brightest there is.
    unit = max(float(rgb.max()) if bits > 8 else 2.0**bits - 1.0, 1.0) / 255.0
    spread = _spread(rgb)
    coloured = spread > COLOURED * unit
    share = _share(coloured)
    tinted = False
    if share > MOST_COLOURED:
        tinted = _share(_off_tint(rgb, unit, OFF_TINT)) <= MOST_COLOURED
        if not tinted:
            raise ImageError(
                f"picture must be a radiograph in grey: {share:.0f} % of its pixels are coloured; a photograph or a coloured "
                "view is not measured on, export the grey radiograph"
            )
        coloured = _off_tint(rgb, unit, OFF_TINT_DRAWN)
    drawn = bool(coloured.any())
    if (drawn or tinted) and (even := _even(grey)) > MOST_EVEN:
        raise ImageError(
            f"picture must be a radiograph in grey: {share:.1g} % of its pixels are coloured and {even:.0f} % one even grey; "
            "a page or a drawing is not measured on, export the grey radiograph"
        )
    from_jpeg = from_jpeg or bool(((spread > 0) & ~coloured).mean() > JPEG_TRACES and not tinted)
    if drawn:
        size = 2 * (JPEG_REACH if from_jpeg else REACH) + 1
        coloured = cv2.dilate(coloured.view(np.uint8), np.ones((size, size), np.uint8)).view(np.bool_)
    words = []
    if tinted:
        words.append("the picture is in one tint; its luminance is taken for grey")
    if drawn:
        words.append(
            f"coloured letters or lines on the film: {100.0 * coloured.mean():.2g} % of the pixels, left out of display, "
            "tracing and search"
        )
    warnings = ("; ".join(words),) if words else ()
    notes = () if words else ("colour channels differ a little, as after JPEG; their luminance is used",)
    return Grey(grey, coloured if drawn else None, warnings, notes)


def _blocks(rows: int) -> Iterator[slice]:
    """Rows a part at a time: a large picture in floating point would take several times its size."""
    return (slice(first, first + BLOCK_ROWS) for first in range(0, rows, BLOCK_ROWS))


def _luminance(rgb: Rgb) -> StoredValues:
    out = np.empty(rgb.shape[:2], rgb.dtype)
    for part in _blocks(len(rgb)):
        # In whole numbers: equal channels give their own value, and every machine the same.
        red, green, blue = (weight * rgb[part, :, k].astype(np.uint32) for k, weight in enumerate(WEIGHTS))
        out[part] = (red + green + blue + 500) // 1000
    return out


def _spread(rgb: Rgb) -> NDArray[Any]:
    spread: NDArray[Any] = np.maximum(np.maximum(rgb[..., 0], rgb[..., 1]), rgb[..., 2])
    spread -= np.minimum(np.minimum(rgb[..., 0], rgb[..., 1]), rgb[..., 2])
    return spread


def _middle(shape: tuple[int, ...]) -> tuple[slice, slice]:
    rows, cols = (int(MARGIN * n) for n in shape[:2])
    return slice(rows, shape[0] - rows), slice(cols, shape[1] - cols)


def _share(mask: Mask) -> float:
    """Of the middle, %."""
    return 100.0 * float(mask[_middle(mask.shape)].mean())


def _even(grey: StoredValues) -> float:
    """Share of the commonest grey in the middle, %."""
    middle = grey[_middle(grey.shape)]
    return 100.0 * float(np.bincount(middle.ravel()).max()) / middle.size


def _off_tint(rgb: Rgb, unit: float, most: float) -> Mask:
    """Where a channel is not what it mostly is at that lightness: a print in one tint is a rising line among the colours."""
    weights = np.array(WEIGHTS, np.float32) / 1000.0
    step = max(1, int((rgb.shape[0] * rgb.shape[1] / 500_000) ** 0.5))
    rows, cols = _middle(rgb.shape)
    sample = rgb[rows, cols][::step, ::step].reshape(-1, 3).astype(np.float32) / np.float32(unit)
    light = sample @ weights
    at = np.clip((light * (TINT_BINS / 256.0)).astype(int), 0, TINT_BINS - 1)
    order = np.argsort(at, kind="stable")
    ends = np.searchsorted(at[order], np.arange(TINT_BINS + 1))
    known = [order[a:b] for a, b in pairwise(ends) if b - a >= FEWEST_IN_BIN]
    if len(known) < FEWEST_TONES:
        return np.ones(rgb.shape[:2], np.bool_)
    middles = [float(np.median(light[one])) for one in known]
    lines = [[float(np.median(sample[one, k] - light[one])) for one in known] for k in range(3)]
    if any(
        np.diff(np.add(line, middles)).min() < -OFF_TINT for line in lines
    ):  # patches of a chart, each of its own colour
        return np.ones(rgb.shape[:2], np.bool_)
    off = np.zeros(rgb.shape[:2], np.bool_)
    for part in _blocks(len(rgb)):
        seen = rgb[part].astype(np.float32) / np.float32(unit)
        light_here = seen @ weights
        for k in range(3):
            away = seen[..., k] - light_here - np.interp(light_here, middles, lines[k])
            off[part] |= np.abs(away) > most
    return off
