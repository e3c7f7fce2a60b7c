"""One tooth exposed differently: the errors that geometry must give."""

from __future__ import annotations

from math import cos, radians
from pathlib import Path

import pytest

from wlmeasure.cli import main
from wlmeasure.learn.gallery import COLOURS, EXPOSURES, METHODS, Exposure, gallery, lengths_drawing
from wlmeasure.share.drawing import Ellipse


@pytest.fixture(scope="module")
def films() -> dict[str, Exposure]:
    return {one.words: one for one in gallery(7)}


def lengths(one: Exposure) -> dict[str, float]:
    return dict(zip(METHODS, one.lengths_mm, strict=True))


def test_the_tooth_is_one(films: dict[str, Exposure]) -> None:
    assert len(films) == len(EXPOSURES)
    plain = [one.true_mm for words, one in films.items() if "bend" not in words]
    assert max(plain) - min(plain) < 1e-9


def test_square_to_everything_only_the_magnification_is_left(films: dict[str, Exposure]) -> None:
    """Similar triangles: the canal lies in a plane parallel to the detector, which shows M times its length."""
    one = films["square to tooth and detector"]
    whole = one.true_mm + 0.5
    assert one.magnification == pytest.approx(350.0 / 342.0, rel=1e-3)
    assert lengths(one)["along the canal, detector's scale"] + 0.5 == pytest.approx(whole * one.magnification, rel=2e-3)
    assert lengths(one)["along the canal, file's scale"] == pytest.approx(one.true_mm, abs=0.01)
    assert lengths(one)["straight line, file's scale"] < one.true_mm - 0.5


def test_a_tilted_ray_on_a_detector_square_to_it_foreshortens_by_the_cosine(films: dict[str, Exposure]) -> None:
    square = lengths(films["square to tooth and detector"])["along the canal, detector's scale"] + 0.5
    steep = lengths(films["tube 20° too steep, detector square to the beam"])["along the canal, detector's scale"] + 0.5
    # The crown and the root's end stand at different depths, which the cosine alone does not know.
    assert steep / square == pytest.approx(cos(radians(20.0)), abs=0.012)


def test_a_near_tube_and_a_far_detector_magnify_most(films: dict[str, Exposure]) -> None:
    worst = max(films.values(), key=lambda one: one.lengths_mm[1] - one.true_mm)
    assert worst.words == "tube near, detector far"
    assert worst.magnification == pytest.approx(220.0 / 190.0, rel=2e-3)


def test_a_bend_towards_the_tube_is_lost(films: dict[str, Exposure]) -> None:
    hidden = films["the bend straight towards the tube"]
    assert lengths(hidden)["along the canal, detector's scale"] == pytest.approx(
        lengths(hidden)["straight line, detector's scale"], abs=0.05
    )


def test_clicks_add_what_two_independent_ends_add(films: dict[str, Exposure]) -> None:
    """Two clicks of 0.3 mm at the detector, along the path at its ends: 0.3 sqrt 2, scaled to the tooth."""
    one = films["square to tooth and detector"]
    assert one.click_std_mm == pytest.approx(0.3 * 2**0.5 / one.magnification, rel=0.06)


def test_the_command_writes_it(tmp_path: Path) -> None:
    out = tmp_path / "gallery.html"
    assert main(["learn", "gallery", "--out", str(out)]) == 0
    text = out.read_text("utf-8")
    assert all(words in text for words, _ in EXPOSURES)
    assert text.count("data:image/jpeg") == len(EXPOSURES)


def test_the_plot_has_a_mark_for_every_method_of_every_exposure(films: dict[str, Exposure]) -> None:
    drawing = lengths_drawing(tuple(films.values()))
    discs = [s for s in drawing.shapes if isinstance(s, Ellipse) and s.fill == COLOURS[3]]
    assert len(discs) == len(films) + 1  # and one in the key
    # The last method is within 0.1 mm (10 of these pixels) where nothing bends towards the tube: its discs stand on one line.
    across = sorted(disc.x for disc in discs[:6])
    assert across[-1] - across[0] < 20.0
