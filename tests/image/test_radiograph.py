"""Radiograph and its parts: what is refused, polarity, display, and that nothing can be edited afterwards."""

import hashlib

import numpy as np
import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import ImageError
from wlmeasure.image import DisplayRange, Radiograph, SpacingClaim
from wlmeasure.image.radiograph import DisplayTable, printable


def test_values_are_a_read_only_copy():
    source = np.arange(12, dtype=np.uint16).reshape(3, 4)
    radiograph = Radiograph.from_array(source)
    source[0, 0] = 99
    assert radiograph.values[0, 0] == 0
    with pytest.raises(ValueError, match="read-only"):
        radiograph.values[0, 0] = 1
    assert (radiograph.rows, radiograph.cols) == (3, 4)


def test_a_read_only_view_of_a_writable_array_is_copied_too():
    source = np.zeros((2, 3), np.uint8)
    view = source[:]
    view.flags.writeable = False
    radiograph = Radiograph.from_array(view)
    source[0, 0] = 7
    assert radiograph.values[0, 0] == 0


def test_hash_is_that_of_the_bytes_row_by_row():
    source = np.arange(6, dtype=np.uint8).reshape(2, 3)
    assert Radiograph.from_array(source).sha256 == hashlib.sha256(bytes(range(6))).hexdigest()
    # A transposed view holds the same bytes in another order.
    assert Radiograph.from_array(source.T).sha256 == hashlib.sha256(bytes([0, 3, 1, 4, 2, 5])).hexdigest()


@pytest.mark.parametrize(
    "values",
    [
        np.zeros((2, 2), np.float32),
        np.zeros((2, 2), np.int32),
        np.zeros((2, 2, 3), np.uint8),
        np.zeros((0, 3), np.uint8),
    ],
)
def test_what_is_not_a_grey_picture_is_refused(values):
    with pytest.raises(ImageError):
        Radiograph.from_array(values)


@pytest.mark.parametrize(
    ("field", "value"), [("orientation", 9), ("orientation", 6), ("bits", 0), ("col_over_row", 0.0)]
)
def test_fields_that_contradict_the_picture_are_refused(field, value):
    # Orientation 6 swaps rows and columns, which the stored shape 2 x 3 would have to show.
    with pytest.raises(ImageError):
        evolve(Radiograph.from_array(np.zeros((2, 3), np.uint8)), **{field: value})


@pytest.mark.parametrize(
    ("dtype", "bits", "stored", "dense"),
    [
        (np.uint8, 8, 10, 245),
        (np.uint16, 12, 10, 4085),
        (np.uint16, 16, 10, 65525),
        (np.int16, 16, -10, 32777),
        (np.uint8, 1, 255, 0),
    ],
)
def test_density_of_the_other_polarity_counts_from_the_largest_storable_value(dtype, bits, stored, dense):
    picture = evolve(Radiograph.from_array(np.full((2, 3), stored, dtype), bright_is_dense=False), bits=bits)
    density = picture.density()
    assert density.dtype == np.float32
    assert (density == dense).all()


def test_density_of_a_bright_metal_film_is_the_stored_value():
    assert (Radiograph.from_array(np.full((2, 3), 700, np.uint16)).density() == 700).all()


def test_displayed_uses_the_window_and_shows_metal_bright():
    values = np.array([[0, 100, 150, 200, 300]], np.uint16)
    bright = evolve(Radiograph.from_array(values), display=DisplayRange(100, 200))
    assert bright.displayed().tolist() == [[0, 0, 128, 255, 255]]
    dark = evolve(bright, bright_is_dense=False)
    assert dark.displayed().tolist() == [[255, 255, 127, 0, 0]]


def test_displayed_without_window_spans_the_percentiles():
    values = np.linspace(0, 60000, 1000).astype(np.uint16).reshape(20, 50)
    shown = Radiograph.from_array(values).displayed(percentiles=(10, 90))
    # 10 % of a ramp saturate at each end.
    assert (shown == 0).mean() == pytest.approx(0.1, abs=0.01)
    assert (shown == 255).mean() == pytest.approx(0.1, abs=0.01)


def test_an_even_picture_can_be_shown():
    assert Radiograph.from_array(np.full((3, 4), 77, np.uint8)).displayed().dtype == np.uint8


@pytest.mark.parametrize(("low", "high"), [(1.0, 1.0), (2.0, 1.0), (float("nan"), 1.0), (0.0, float("inf"))])
def test_display_range_must_be_a_range(low, high):
    with pytest.raises(ImageError):
        DisplayRange(low, high)


@pytest.mark.parametrize("bad", [0.0, -0.03, float("nan"), float("inf")])
def test_spacing_claim_must_be_a_length(bad):
    with pytest.raises(ImageError, match="row_mm"):
        SpacingClaim(bad, 0.03, "PixelSpacing", "patient", "calibrated")


def test_spacing_claim_knows_its_words_only():
    with pytest.raises(ImageError, match="trust"):
        SpacingClaim(0.04, 0.03, "PixelSpacing", "patient", "certain")


@given(st.text(max_size=400))
def test_header_text_is_one_harmless_line(text):
    line = printable(text, 40)
    assert len(line) <= 40
    assert line.isprintable()
    assert line == printable(line, 40)


def test_header_text_loses_controls_and_direction_marks():
    assert printable("a\x1b[31m\r\nb\u202ec\x00") == "a[31m bc"


@pytest.mark.parametrize("bright", [True, False])
@pytest.mark.parametrize("window", [None, (37.0, 190.0)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.int16])
def test_at_full_depth_the_window_gives_the_displayed_picture(dtype, window, bright):
    """Every stored value is still there; put between the two ends it is the displayed grey, to its rounding."""
    span = 200 if dtype == np.uint8 else 4000
    low = -900 if dtype == np.int16 else 0
    values = np.random.default_rng(4).integers(low, low + span, (60, 40)).astype(dtype)
    film = evolve(Radiograph.from_array(values, bright_is_dense=bright), display=window and DisplayRange(*window))
    picture, (black, white) = film.at_full_depth()
    assert picture.dtype == dtype
    assert len(np.unique(picture)) == len(np.unique(values))
    grey = np.clip((picture.astype(float) - black) / (white - black), 0.0, 1.0) * 255.0
    assert np.abs(grey - film.displayed()).max() <= 0.51
    assert (np.argmax(picture) == np.argmax(values)) is np.bool_(bright)


def test_at_full_depth_an_even_film_and_one_with_a_table_are_shown_too():
    even = Radiograph.from_array(np.full((5, 7), 9, np.uint16))
    picture, (black, white) = even.at_full_depth()
    assert black < white
    assert picture.max() == 9
    greys = np.arange(0, 255, 5, dtype=np.uint8)
    tabled = evolve(
        Radiograph.from_array(np.arange(50, dtype=np.uint16).reshape(5, 10)), display=DisplayTable(0, greys)
    )
    picture, ends = tabled.at_full_depth()
    np.testing.assert_array_equal(picture, tabled.displayed())
    assert ends == (0.0, 255.0)
