"""Print and coloured signs: found where they were drawn, by where the ink is; films without them stay whole."""

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from wlmeasure.errors import ImageError
from wlmeasure.image.marks import Box, typed_marks
from wlmeasure.image.reading import read

FILMS = sorted((Path(__file__).resolve().parents[2] / "sample_images" / "films").glob("*.png"))


def shades(rows, cols, seed):
    """Soft shapes from 70 to 170, with grain."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(rng.normal(size=(rows, cols)), (0, 0), 20)
    soft = 70 + 100 * (soft - soft.min()) / np.ptp(soft)
    return np.clip(soft + rng.normal(scale=3, size=soft.shape), 0, 255).astype(np.uint8)


def drawn(grey, words, ink, size, at):
    picture = Image.fromarray(grey)
    ImageDraw.Draw(picture).text((at[1], at[0]), words, fill=ink, font=ImageFont.load_default(size))
    made = np.asarray(picture)
    changed = made != grey
    return made, changed if changed.ndim == 2 else changed.any(axis=2)


def covered(shape, boxes):
    mask = np.zeros(shape, bool)
    for box in boxes:
        mask[box.area] = True
    return mask


@pytest.mark.parametrize("size", [11, 16, 24, 40, 60])
@pytest.mark.parametrize("ink", [0, 255])
@pytest.mark.parametrize("turn", [0, 1])
def test_print_of_any_size_ink_and_direction(size, ink, turn):
    made, where = drawn(shades(300, 520, size), "DOE JANE 1962", ink, size, (30, 20))
    made, where = np.rot90(made, turn), np.rot90(where, turn)
    found = covered(where.shape, typed_marks(made))
    assert found[where].all()
    assert found.mean() < 4.5 * where.any(axis=0).sum() * where.any(axis=1).sum() / where.size + 0.02


@pytest.mark.parametrize("ink", [0, 255])
def test_print_that_runs_into_what_is_as_bright_is_taken_to_its_end(ink):
    """From 200 grey levels beside the ink down to 30, which is below what begins a line."""
    slope = np.linspace(200, 30, 520)
    ground = np.tile(slope if ink == 0 else 255 - slope, (120, 1)).astype(np.uint8)
    made, where = drawn(ground, "DOE JANE MARIA 1962-03-12 0047120", ink, 24, (40, 20))
    assert np.abs(made.astype(int) - ground)[where].min() < 40
    assert covered(where.shape, typed_marks(made))[where].all()


@pytest.mark.parametrize("depth", [np.uint16, np.int16, np.float32])
def test_the_depth_of_the_picture_does_not_matter(depth):
    made, _ = drawn(shades(200, 300, 1), "DOE JANE", 255, 16, (30, 20))
    deep = (made.astype(np.int32) * 12 - 900 * (depth == np.int16)).astype(depth)
    assert typed_marks(deep) == typed_marks(made)


@pytest.mark.parametrize("quality", [60, 85, 95])
@pytest.mark.parametrize("ink", [(220, 40, 30), (240, 230, 20), (30, 90, 240), (60, 200, 90)])
def test_coloured_letters_by_their_colour_alone(ink, quality):
    """As bright as the film behind them, so that only the colour tells; also a single sign."""
    rgb = np.dstack([shades(200, 260, 4)] * 3)
    made, where = drawn(rgb, "R", ink, 24, (80, 100))
    sink = io.BytesIO()
    Image.fromarray(made).save(sink, "JPEG", quality=quality)
    seen = np.asarray(Image.open(sink).convert("RGB"))
    flat = np.full(seen.shape[:2], 100, np.uint8)
    boxes = typed_marks(flat, seen)
    assert covered(where.shape, boxes)[where].all()
    assert covered(where.shape, boxes).mean() < 0.08
    assert typed_marks(flat, rgb) == ()


def test_a_picture_all_in_colour_has_no_coloured_marks():
    rgb = np.zeros((60, 80, 3), np.uint8)
    rgb[..., 0] = 200
    assert typed_marks(np.full((60, 80), 90, np.uint8), rgb) == ()


@pytest.mark.parametrize("seed", range(5))
def test_shapes_and_grain_are_no_print(seed):
    assert typed_marks(shades(300, 520, seed)) == ()


@pytest.mark.parametrize("path", FILMS, ids=lambda path: path.stem)
def test_little_of_a_film_without_print_is_taken_for_it(path):
    """One place of 0.2 % on one of the bundled films looks like print; a person sees it in the picture to look at."""
    values = read(path).values
    assert covered(values.shape, typed_marks(values)).mean() < 0.005


def test_boxes_are_within_the_picture_and_apart():
    made, _ = drawn(shades(120, 200, 6), "DOE JANE", 255, 16, (0, 0))
    made, _ = drawn(made, "1962.03.12", 255, 16, (103, 118))
    boxes = typed_marks(made)
    assert len(boxes) >= 2
    seen = np.zeros(made.shape, int)
    for box in boxes:
        assert box.row + box.rows <= 120
        assert box.col + box.cols <= 200
        seen[box.area] += 1
    assert seen.max() == 1


@pytest.mark.parametrize("wrong", [(-1, 0, 1, 1), (0, 0, 0, 1), (0, 0, 1, -3), (0, 1.5, 1, 1), (True, 0, 1, 1)])
def test_a_box_is_whole_pixels(wrong):
    with pytest.raises(ImageError, match="box's"):
        Box(*wrong)


def test_a_box_is_cut_at_the_edge_or_refused_beyond_it():
    assert Box(5, 8, 10, 10).within((12, 10)) == Box(5, 8, 7, 2)
    with pytest.raises(ImageError, match=r"12 rows and 10 columns"):
        Box(12, 0, 1, 1).within((12, 10))
