"""Windows of a header that hide the film: it is shown from its own values instead, and that is said."""

import made_exports
import numpy as np
import pytest
from dicom_film import film, table

from wlmeasure.image.radiograph import DisplayRange, DisplayTable

SHADES = made_exports.grey_film(301).astype(np.uint16) * 16
"""A film of 0 to 4080, as twelve bits hold it."""


def inner(array):
    """The inner 90 % of rows and columns, cut out by hand."""
    rows, cols = array.shape
    return array[round(0.05 * rows) : rows - round(0.05 * rows), round(0.05 * cols) : cols - round(0.05 * cols)]


def clipping():
    """Forty headers: widths 1 to 10, windows beside the film, halves of it, rescales, VOI tables, both photometrics."""
    rng = np.random.default_rng(41)
    middle = float(np.median(SHADES))
    headers = [{"WindowCenter": middle, "WindowWidth": width} for width in (2, 3, 5, 8, 10)]
    headers += [{"WindowCenter": middle, "WindowWidth": 1, "VOILUTFunction": "LINEAR_EXACT"}]
    headers += [{"WindowCenter": c, "WindowWidth": 10} for c in (-500, 0, 128, 2048, 4096, 30000)]
    headers += [
        {"WindowCenter": c, "WindowWidth": w}
        for c, w in ((100, 200), (300, 500), (3900, 300), (20000, 400), (128, 256))
    ]
    headers += [
        {"WindowCenter": float(rng.uniform(200, 3000)), "WindowWidth": float(rng.uniform(20, 500))} for _ in range(8)
    ]
    headers += [
        {"WindowCenter": middle * slope + start, "WindowWidth": 10, "RescaleSlope": slope, "RescaleIntercept": start}
        for slope, start in ((1, -1024), (2, 0), (0.5, 100), (-1, 4095), (3, 7))
    ]
    steps = np.arange(4096)
    for low, high in (
        (middle - 5, middle + 5),
        (middle, middle + 300),
        (3000, 4095),
        (0, 200),
        (middle - 1, middle + 1),
    ):
        headers.append({"VOILUTSequence": [table(np.clip((steps - low) / (high - low), 0, 1) * 65535)]})
    headers.append({"ModalityLUTSequence": [table(steps)], "WindowCenter": middle, "WindowWidth": 10})
    for k in range(4):
        headers.append(
            {"PhotometricInterpretation": "MONOCHROME1", "WindowCenter": middle + 100 * k, "WindowWidth": 2 + 10 * k}
        )
    return headers


CLIPPING = clipping()


def shown_share(radiograph):
    """Share of the inner film, %, that is shown black or white and is neither of the film's own two end values."""
    picture, values = inner(radiograph.displayed()), inner(radiograph.values)
    ended = (values == radiograph.values.min()) | (values == radiograph.values.max())
    return 100.0 * float(np.mean(((picture == 0) | (picture == 255)) & ~ended))


def test_there_are_forty_headers():
    assert len(CLIPPING) >= 39


@pytest.mark.parametrize("header", CLIPPING, ids=range(len(CLIPPING)))
def test_a_window_that_clips_the_film_is_not_used(load, header):
    radiograph = load(film(SHADES, 12, **header))
    np.testing.assert_array_equal(radiograph.values, SHADES)
    assert shown_share(radiograph) <= 2.0
    assert len(np.unique(radiograph.displayed())) > 100  # neither black and white nor a few greys
    said = [text for text in radiograph.warnings if "of the header shows" in text]
    assert len(said) == 1
    assert "shown from percentiles of the stored values instead" in said[0]


def test_a_window_that_holds_the_film_is_used(load):
    radiograph = load(film(SHADES, 12, WindowCenter=2048, WindowWidth=4096))
    assert radiograph.display == DisplayRange(0.0, 4095.0)
    assert radiograph.warnings == ()


def test_clipping_by_less_than_two_in_a_hundred_is_let_pass(load):
    """The share is counted by hand: windows that leave 1.5 % and 2.5 % of the inner film above them."""
    for share, used in ((1.5, True), (2.5, False)):
        high = float(np.quantile(inner(SHADES), 1.0 - share / 100.0, method="inverted_cdf"))
        above = 100.0 * float(np.mean(inner(SHADES) > high))
        assert abs(above - share) < 0.4
        radiograph = load(
            film(SHADES, 12, WindowCenter=high / 2, WindowWidth=high + 0.5, VOILUTFunction="LINEAR_EXACT")
        )
        assert (radiograph.display is not None) is used, above


def test_what_is_masked_does_not_count(load):
    """A white frame of a third of the picture lies beyond the window; the film lies within it."""
    framed = SHADES.copy()
    framed[:60] = framed[-60:] = 65535
    framed[:, :40] = framed[:, -40:] = 65535
    radiograph = load(film(framed, 16, WindowCenter=2048, WindowWidth=4097))
    assert radiograph.masked is not None
    assert radiograph.display is not None
    assert radiograph.clipped_share() == 0.0


def test_a_table_that_holds_the_film_is_used(load):
    radiograph = load(film(SHADES, 12, VOILUTSequence=[table(np.arange(4096) * 16)]))
    assert isinstance(radiograph.display, DisplayTable)
    assert radiograph.warnings == ()


def test_a_window_far_too_wide_is_set_aside(load):
    """Twelve bits in a window of sixteen: the film would be shown in 16 of 256 greys at most."""
    radiograph = load(film(SHADES, 12, WindowCenter=32768, WindowWidth=65536))
    assert radiograph.display is None
    assert len(np.unique(radiograph.displayed())) > 100
    assert any("greys" in text for text in radiograph.warnings)


def test_a_film_of_two_values_is_shown_as_it_is(load):
    """A film that has only two values is black and white itself; no window is blamed for it."""
    two = np.where(SHADES >= 1500, 3000, 100).astype(np.uint16)
    radiograph = load(film(two, 12, WindowCenter=1550, WindowWidth=2901))
    assert radiograph.display is not None
    assert set(np.unique(radiograph.displayed())) == {0, 255}
