"""Exports of clinic software: made ones open with the grey beneath, their drawings are masked, photographs are refused."""

from collections import Counter

import cv2
import made_exports
import numpy as np
import pytest

from wlmeasure.errors import ImageError
from wlmeasure.image.film_area import no_film
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom import make_phantom

EXPORTS = list(made_exports.exports())
NOT_FILMS = dict(made_exports.not_films())
BLOCK = 8


def near(mask, reach):
    """The mask and what lies within `reach` pixels of it."""
    return cv2.dilate(mask.astype(np.uint8), np.ones((2 * reach + 1,) * 2, np.uint8)) > 0


@pytest.fixture(params=range(len(EXPORTS)), ids=[f"{k} {one.name}" for k, one in enumerate(EXPORTS)])
def export(request):
    return EXPORTS[request.param]


def test_there_are_sixty_exports_and_twenty_pictures_that_are_none():
    assert (len(EXPORTS), len(NOT_FILMS)) == (60, 20)
    assert len({one.content for one in EXPORTS}) == 60
    kinds = Counter(one.file.rsplit(".")[-1] for one in EXPORTS)
    assert min(kinds[kind] for kind in ("png", "jpg", "dcm", "tif", "bmp")) >= 1
    assert {one.quality for one in EXPORTS} >= {60, 75, 92}


def test_an_export_opens_with_the_grey_beneath(export, load):
    """Outside what was drawn and its JPEG blocks: exactly what a perfect decoder of the grey film gives."""
    radiograph = load(export.content, export.file)
    film = ~near(export.drawn, 2 if export.quality is None else BLOCK)
    assert film.mean() > 0.4
    np.testing.assert_array_equal(radiograph.values[film], export.values[film])
    # JPEG's own error: no further from the film than the grey JPEG of that quality is.
    loss, ideal = (
        np.abs(values[film].astype(float) - export.grey[film]).mean() for values in (radiograph.values, export.values)
    )
    assert loss <= ideal + 1e-9
    assert loss <= (0.0 if export.quality is None else 8.0) or "palette" in export.name


def test_what_is_drawn_is_masked_and_the_film_is_not(export, load):
    radiograph = load(export.content, export.file)
    masked = np.zeros(export.drawn.shape, bool) if radiograph.masked is None else radiograph.masked
    if export.seen.sum() > 0.3 * export.drawn.sum():  # a black bar over black air hides nothing
        assert masked[export.seen].mean() >= 0.95
    beyond = masked & ~near(export.drawn, 20)
    assert beyond.mean() <= 0.001


def test_one_warning_says_that_letters_were_left_out(export, load):
    radiograph = load(export.content, export.file)
    said = [text for text in radiograph.warnings if "coloured letters or lines" in text or "one tint" in text]
    coloured = any(
        word in export.name
        for word in ("letters", "everything", "ruler", "arrow", "blue frame", "tint", "sepia", "mirrored")
    )
    grey_letters = "white letters" in export.name
    assert len(said) == int(coloured and not grey_letters)
    assert all(text.isprintable() and len(text) < 200 for text in said)


@pytest.mark.parametrize("name", NOT_FILMS)
def test_a_photograph_or_a_chart_is_refused_in_one_line(load, name):
    with pytest.raises(ImageError, match=r"must be a radiograph in grey: .* % of its pixels are coloured") as caught:
        load(NOT_FILMS[name], name)
    line = str(caught.value)
    assert line.isprintable()
    assert line.startswith(f"{name}: ")
    assert line.endswith("export the grey radiograph")


@pytest.mark.parametrize("inverted", [False, True])
def test_an_inverted_export_is_asked_about_and_not_turned(load, inverted):
    """Sixteen films each way: none that is right is doubted, most that are turned are; the values stay as they are."""
    doubted = []
    for seed in range(120, 136):
        grey = made_exports.grey_film(seed)
        stored = 255 - grey if inverted else grey
        radiograph = load(made_exports.saved(stored, "PNG"), "a.png")
        np.testing.assert_array_equal(radiograph.values, stored)
        assert radiograph.bright_is_dense
        assert radiograph.polarity_doubt is any("is metal dark on this film?" in text for text in radiograph.warnings)
        doubted.append(radiograph.polarity_doubt)
    assert (sum(doubted) >= 12) if inverted else not any(doubted)


def test_a_person_s_word_on_the_grey_scale_settles_the_doubt(load):
    radiograph = load(made_exports.saved(255 - made_exports.grey_film(120), "PNG"), "a.png")
    assert radiograph.polarity_doubt
    for bright in (True, False):
        said = radiograph.as_said(bright)
        assert (said.bright_is_dense, said.polarity_doubt) == (bright, False)
        assert not any("metal" in text for text in said.warnings)


def test_a_dicom_header_decides_alone(load):
    """What a header says of its grey scale is not doubted by the look of the picture."""
    from dicom_film import film

    grey = made_exports.grey_film(120)
    radiograph = load(film(255 - grey, 8, PhotometricInterpretation="MONOCHROME1"))
    assert (radiograph.bright_is_dense, radiograph.polarity_doubt) == (False, False)


# What is masked has neither line nor edge


def ramp(shape=(120, 160)):
    rows, cols = np.mgrid[0 : shape[0], 0 : shape[1]]
    return (60 + 0.5 * rows + 0.4 * cols).astype(np.uint8)


def masked_film(values, mask, **how):
    from attrs import evolve

    return evolve(Radiograph.from_array(values, **how), masked=mask)


def test_density_runs_on_smoothly_where_a_letter_is():
    """A white stroke on a ramp: filled it is the ramp again to within two greys, and the film about it is as it was."""
    values, mask = ramp(), np.zeros((120, 160), bool)
    plain = Radiograph.from_array(values).density()
    mask[50:70, 60:66] = True
    values = values.copy()
    values[mask] = 255
    found = masked_film(values, mask).density()
    np.testing.assert_array_equal(found[~mask], plain[~mask])
    assert np.abs(found - plain).max() < 3.0
    assert values[mask].min() == 255  # the stored values stay


@pytest.mark.parametrize("bright_is_dense", [True, False])
def test_both_polarities_are_filled_alike(bright_is_dense):
    values, mask = ramp(), np.zeros((120, 160), bool)
    mask[:12] = True
    stored = values if bright_is_dense else 255 - values
    stored = stored.copy()
    stored[mask] = 0
    found = masked_film(stored, mask, bright_is_dense=bright_is_dense).density()
    np.testing.assert_array_equal(found[12:], values[12:])
    assert np.abs(np.diff(found, axis=0)).max() < 6.0  # the frame's edge was 60 and more


def test_the_mask_is_frozen_and_must_fit():
    mask = np.zeros((120, 160), bool)
    mask[3, 4] = True
    radiograph = masked_film(ramp(), mask)
    mask[:] = False
    assert radiograph.masked.sum() == 1
    with pytest.raises(ValueError, match="read-only"):
        radiograph.masked[0, 0] = True
    assert masked_film(ramp(), mask).masked is None
    with pytest.raises(ImageError, match=r"masked must have the shape of values \(120, 160\)"):
        masked_film(ramp(), np.ones((3, 4), bool))


def test_display_takes_its_range_from_the_film_alone():
    """A film of 60 to 183 in a frame of 0 and 255: it is shown from black to white."""
    values, mask = ramp().copy(), np.zeros((120, 160), bool)
    mask[:30] = mask[:, :20] = True
    values[:30], values[:, :20] = 255, 0
    shown = masked_film(values, mask).displayed()[~mask]
    assert (shown.min(), shown.max()) == (0, 255)
    unmasked = Radiograph.from_array(values).displayed()[~mask]
    assert int(unmasked.max()) - int(unmasked.min()) < 140


def test_a_film_that_is_all_masked_is_shown_all_the_same():
    whole = masked_film(ramp(), np.ones((120, 160), bool))
    np.testing.assert_array_equal(whole.picture_values(), ramp())
    np.testing.assert_array_equal(whole.density(), ramp())


@pytest.mark.parametrize("quality", [None, 70])
def test_neither_metal_nor_enamel_nor_clear_air_is_taken_for_a_drawing(quality):
    """Films with clamps, crowns and fillings: what is masked are the sensor's own corners, by the truth, and nothing else."""
    found = []
    for seed in range(200, 216):
        phantom = make_phantom(seed, "hard", size_px=(600, 420), spacing_mm=(0.060, 0.052), jpeg_quality=quality)
        mask, _ = no_film(phantom.image)
        radius = phantom.truth.facts["sensor_marks"]["corner_radius_px"]
        if radius is None:
            assert mask is None, seed
            continue
        blank = made_exports.start_of(made_exports.start(0))
        true = made_exports.corners(blank, 0, radius).drawn
        assert mask is not None, seed
        assert not (mask & ~near(true, 3)).any()
        found.append(float(mask[true].mean()))
    assert len(found) >= 4
    assert np.mean(found) > 0.95  # one corner of 64 is missed beside metal of its own white


def test_colours_of_twelve_bits_in_words_of_sixteen_are_colours(load):
    """Against 65535 a spread of 2000 would be no colour at all."""
    grey = made_exports.grey_film(120).astype(np.uint16) * 16
    ok, content = cv2.imencode(".png", np.dstack([grey, grey[::-1], grey[:, ::-1]]))
    assert ok
    with pytest.raises(ImageError, match="must be a radiograph in grey"):
        load(content.tobytes(), "a.png")
