"""Files found by themselves: on the reference films with exact truth, and on films drawn by the tests' own generator.

The statistics over a mixed lot of films stand in ``tests/bench/find_file.py``; here are single films and laws.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from numpy.typing import NDArray

from wlmeasure.calibration import calibrate_taper
from wlmeasure.errors import TraceError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.phantom import make_phantom
from wlmeasure.trace.file_ends import TipForm
from wlmeasure.trace.find_file import FileProposal, _shaft_above, find_files
from wlmeasure.trace.shaft_width import shaft_widths
from wlmeasure.trace.spline import arc_length, resample

Float64 = NDArray[np.float64]
Film = Callable[[str], Any]

FLAT = TipForm(cone_deg=180.0)  # the reference radiographs' file ends flat
CONE = TipForm()
PIXEL = (0.02, 0.02)
WITH_STOP = [
    "ref_p00_h00_v00",
    "ref_p30_h20_v00",
    "ref_p45_h00_v00",
    "ref_p45_h25_v00",
    "ref_p60_h00_v00",
    "ref_scurve_h00_v00",
    "ref_scurve_h30_v00",
    "ref_straight_h00_v00",
]


def _load() -> ModuleType:
    path = Path(__file__).parents[1] / "references" / "film_generator.py"
    spec = importlib.util.spec_from_file_location("film_generator", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


films = _load()


@cache
def drawn(shape: str, seed: int, **options: Any) -> Any:
    return films.make_film(shape, seed, **options)


def find(film: Any, **options: Any) -> tuple[FileProposal, ...]:
    radiograph = Radiograph.from_array(film.values, bright_is_dense=film.bright_is_dense)
    return find_files(radiograph, **{"mm_per_px": film.mm_per_px, "tip": CONE} | options)


def codes(proposal: FileProposal) -> set[str]:
    return {flag.code for flag in proposal.flags}


def gap(path: Float64, true: Float64) -> float:
    """Largest distance of the true line from a path, pixels, over nine tenths of it."""
    gaps = np.hypot(*(resample(true, 200)[:, None] - resample(path, 800)[None]).transpose(2, 0, 1)).min(axis=1)
    return float(np.sort(gaps)[179])


def right(proposal: FileProposal, file: Any) -> bool:
    """The rule of the benchmark: shaft within 3 pixels, tip within 10, stop within 5, and neither end made up."""
    for own, true, limit in ((proposal.tip_px, file.tip_px, 10.0), (proposal.stop_px, file.stop_px, 5.0)):
        if (own is None) != (true is None) or (own is not None and np.hypot(*(own - true)) > limit):
            return False
    return gap(proposal.path_px, file.path_px) < 3.0


# --- the reference radiographs ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", WITH_STOP)
def test_a_file_on_a_reference_film(film: Film, name: str) -> None:
    """Truth from the films' own projection. Root and stop meet there, seen a little from above: 1.5 pixels at the stop."""
    truth = film(name)
    proposal, *others = find_files(truth.radiograph, mm_per_px=PIXEL, tip=FLAT)
    assert proposal.stop_px is not None
    assert proposal.tip_px is not None
    assert np.hypot(*(proposal.tip_px - truth.file_px[-1])) < 1.5
    assert np.hypot(*(proposal.stop_px - truth.file_px[0])) < 2.0
    assert gap(proposal.path_px, truth.file_px) < 1.0
    assert proposal.confidence > 0.9
    assert proposal.flags == ()
    assert all(other.confidence < 0.5 for other in others)
    length = float(arc_length(truth.file_px)[-1])
    assert float(arc_length(proposal.path_px)[-1]) == pytest.approx(length, rel=0.003)


def test_a_stop_outside_the_picture_is_reported(film: Film) -> None:
    """The pin beside the root, bright, straight and as long as a file, is not taken for one."""
    truth = film("ref_stop_outside")
    proposal, *others = find_files(truth.radiograph, mm_per_px=PIXEL, tip=FLAT)
    assert others == []
    assert proposal.stop_px is None
    assert not proposal.stop_seen
    assert proposal.stop_std_px == float("inf")
    assert "stop-not-in-picture" in codes(proposal)
    assert np.hypot(*(proposal.tip_px - truth.file_px[-1])) < 1.5
    assert proposal.path_px[0, 0] < 20.0  # the path begins where the picture does


def test_the_taper_gives_an_estimate_where_the_stop_is_outside(film: Film) -> None:
    """True scale 0.01967 mm per pixel; the estimate lies within its own 95 % interval, which is wide and says so."""
    truth = film("ref_stop_outside")
    (proposal,) = find_files(truth.radiograph, mm_per_px=PIXEL, tip=FLAT)
    widths = shaft_widths(truth.radiograph, proposal.path_px, (4.0, 8.0), PIXEL)
    scale = calibrate_taper([(w.from_tip_px, w.width_px, w.width_std_px) for w in widths], 15)
    assert scale.rel_std > 0.15
    assert abs(scale.mm_per_px_row / 0.01967 - 1.0) < 1.96 * scale.rel_std
    assert abs(scale.mm_per_px_row / 0.01967 - 1.0) < 0.10
    assert {flag.code for flag in scale.flags} == {"scale-from-taper"}


@pytest.mark.parametrize("distance", [0.5, 40.0])
def test_widths_are_measured_on_the_path_only(film: Film, distance: float) -> None:
    truth = film("ref_p45_h00_v00")
    with pytest.raises(TraceError, match="shaft must be traced 1 mm beyond"):
        shaft_widths(truth.radiograph, truth.file_px, (distance,), PIXEL)


def test_the_tip_form_matters_and_is_remarked(film: Film) -> None:
    """A 75 degree cone of 0.15 mm taken for a flat end lies 2 to 4 pixels of 0.02 mm beyond it: the cone is 4.9 pixels long."""
    truth = film("ref_straight_h00_v00")
    (flat,) = find_files(truth.radiograph, mm_per_px=PIXEL, tip=FLAT)
    (assumed,) = find_files(truth.radiograph, mm_per_px=PIXEL)
    assert 2.0 < assumed.tip_px[0] - flat.tip_px[0] < 4.5
    assert "tip-form-assumed" in codes(assumed)


def test_no_pixel_size_at_all(film: Film) -> None:
    truth = film("ref_p45_h00_v00")
    proposal = find_files(truth.radiograph, tip=FLAT)[0]
    assert "pixel-size-assumed" in codes(proposal)
    assert gap(proposal.path_px, truth.file_px) < 2.0
    assert np.hypot(*(proposal.tip_px - truth.file_px[-1])) < 6.0


# --- drawn films -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", films.SHAPES)
def test_shapes_and_a_restoration(shape: str) -> None:
    film = films.log16(drawn(shape, 1003, restoration=True))
    proposal = find(film)[0]
    assert right(proposal, film.files[0])
    assert np.hypot(*(proposal.tip_px - film.files[0].tip_px)) < 3.0
    assert np.hypot(*(proposal.stop_px - film.files[0].stop_px)) < 1.0


@pytest.mark.parametrize(
    "tone",
    [
        pytest.param(films.linear12, id="linear"),
        pytest.param(lambda f: films.gamma8(f, 0.5), id="gamma 0.5"),
        pytest.param(lambda f: films.gamma8(f, 2.0), id="gamma 2"),
        pytest.param(films.sigmoid8, id="film curve"),
        pytest.param(lambda f: films.jpeg(films.gamma8(f, 1.0), 75), id="jpeg"),
        pytest.param(lambda f: films.metal_dark(films.log16(f)), id="metal dark"),
    ],
)
def test_an_unknown_tone_curve_moves_nothing(tone: Callable[[Any], Any]) -> None:
    """The same exposure through another curve: the same file, its ends within a pixel of those on the logarithmic one."""
    film = drawn("bend30", 1005, clamp=True)
    plain, other = find(films.log16(film))[0], find(tone(film))[0]
    assert right(other, film.files[0])
    assert np.hypot(*(other.tip_px - plain.tip_px)) < 1.0
    assert np.hypot(*(other.stop_px - plain.stop_px)) < 0.5


def test_turned_and_mirrored_films_give_turned_and_mirrored_files() -> None:
    film = films.log16(drawn("double", 1007))
    upright = find(film)[0]
    rows, cols = film.values.shape
    turned = find(films.quarter_turns(film, 1))[0]
    back = np.column_stack([turned.path_px[:, 1], cols - 1 - turned.path_px[:, 0]])
    assert gap(back, upright.path_px) < 0.5
    assert np.abs(back[-1] - upright.tip_px).max() < 0.3
    half = find(films.quarter_turns(film, 2))[0]
    assert np.abs([rows - 1, cols - 1] - half.tip_px - upright.tip_px).max() < 0.3
    mirror = find(films.mirrored(film))[0]
    assert np.abs(mirror.tip_px - [upright.tip_px[0], cols - 1 - upright.tip_px[1]]).max() < 0.3
    assert np.abs(mirror.stop_px - [upright.stop_px[0], cols - 1 - upright.stop_px[1]]).max() < 0.3


def test_unequal_pixel_spacing() -> None:
    """Columns 1.6 times as wide as rows; the tip's error stays in rows."""
    film = films.wider_columns(films.log16(drawn("bend60", 1002, restoration=True)), 1.6)
    assert film.mm_per_px[1] / film.mm_per_px[0] == pytest.approx(1.6)
    proposal = find(film)[0]
    assert right(proposal, film.files[0])
    assert np.abs((proposal.tip_px - film.files[0].tip_px) * film.mm_per_px).max() < 0.06


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_a_pixel_size_off_by_a_quarter_finds_the_same_file(factor: float) -> None:
    film = films.log16(drawn("bend30", 1005))
    proposal = find(film, mm_per_px=(0.025 * factor, 0.025 * factor))[0]
    assert right(proposal, film.files[0])


def test_two_files() -> None:
    film = films.sigmoid8(drawn("bend30", 1009, teeth=2, files=2))
    proposals = find(film)
    for file in film.files:
        assert sum(right(p, file) for p in proposals) == 1
    assert len(find(film, most=1)) == 1


def test_a_tip_outside_the_picture_is_reported() -> None:
    whole = films.log16(drawn("straight", 1011))
    film = films.cut(whole, 0, int(whole.files[0].tip_px[0]) - 120)
    proposal = find(film)[0]
    assert proposal.tip_px is None
    assert not proposal.tip_seen
    assert proposal.tip_std_px == float("inf")
    assert "tip-not-in-picture" in codes(proposal)
    assert "tip-form-assumed" not in codes(find(film, tip=None)[0])
    assert np.hypot(*(proposal.stop_px - film.files[0].stop_px)) < 1.0


def test_a_drawn_stop_outside_the_picture_is_reported() -> None:
    whole = films.gamma8(drawn("bend30", 1005), 1.0)
    film = films.cut(whole, int(whole.files[0].stop_px[0]) + 60, 1500)
    assert film.files[0].stop_px is None
    proposal = find(film)[0]
    assert proposal.stop_px is None
    assert "stop-not-in-picture" in codes(proposal)
    assert np.hypot(*(proposal.tip_px - film.files[0].tip_px)) < 3.0


@pytest.mark.parametrize("options", [{"clamp": True, "restoration": True}, {"filling": True, "teeth": 2}])
def test_nothing_is_made_up_where_there_is_no_file(options: dict[str, Any]) -> None:
    """Restorations, clamps, filled canals: either nothing, or something marked as doubtful."""
    for tone in (films.log16, films.sigmoid8):
        film = tone(drawn("bend30", 1012, files=0, **options))
        assert film.files == ()
        for proposal in find(film):
            assert proposal.confidence < 0.5
            assert "proposal-doubtful" in codes(proposal)


def test_an_even_and_a_noisy_picture_have_no_file() -> None:
    even = Radiograph.from_array(np.full((300, 200), 90, np.uint8))
    noise = Radiograph.from_array(np.random.default_rng(1).integers(0, 4096, (600, 400)).astype(np.uint16))
    assert find_files(even, mm_per_px=(0.03, 0.03)) == ()
    assert find_files(noise, mm_per_px=(0.03, 0.03)) == ()


def test_stated_uncertainties_hold_the_truth() -> None:
    """Within three standard uncertainties along the axis, for this film's texture and noise."""
    film = films.log16(drawn("bend30", 1005))
    proposal = find(film)[0]
    ahead = film.files[0].path_px[-1] - film.files[0].path_px[-12]
    along = float((proposal.tip_px - film.files[0].tip_px) @ ahead / np.hypot(*ahead))
    assert abs(along) < 3.0 * proposal.tip_std_px < 3.0


# --- whole-tooth phantoms ------------------------------------------------------------------------------------------------


def off_mm(point: Float64, true: Float64, phantom: Any) -> float:
    return float(np.hypot(*((point - true) * phantom.mm_per_px)))


@pytest.mark.parametrize("seed", [1008, 1016, 1040])
def test_stop_and_tip_on_a_whole_tooth(seed: int) -> None:
    """Silicone in black air, a cusp in front of it on some: both ends to 0.1 mm, and no doubt about the file."""
    phantom = make_phantom(seed, "clear")
    truth = phantom.truth.file
    radiograph = Radiograph.from_array(phantom.image)
    proposal = find_files(radiograph, mm_per_px=phantom.mm_per_px, tip=TipForm(truth.size_mm, truth.tip_angle_deg))[0]
    assert off_mm(proposal.stop_px, truth.stop_px, phantom) < 0.1
    assert off_mm(proposal.tip_px, truth.tip_px, phantom) < 0.1
    assert proposal.confidence > 0.8


def test_on_a_whole_tooth_a_stop_outside_the_picture_is_reported() -> None:
    phantom = make_phantom(1201, "typical", stop_in_view=False)
    truth = phantom.truth.file
    radiograph = Radiograph.from_array(phantom.image)
    proposal = find_files(radiograph, mm_per_px=phantom.mm_per_px, tip=TipForm(truth.size_mm, truth.tip_angle_deg))[0]
    assert proposal.stop_px is None
    assert "stop-not-in-picture" in codes(proposal)
    # A tip in a sharp bend may be missed by half a millimetre; then it is said.
    assert off_mm(proposal.tip_px, truth.tip_px, phantom) < 0.25 or "tip-not-clear" in codes(proposal)


def cut_or_framed(whole: Any, row: int, framed: bool) -> Radiograph:
    """A film that begins at a row: cut there, or under a white frame that is known not to be film."""
    if not framed:
        return Radiograph.from_array(np.ascontiguousarray(whole.values[row:]))
    values, masked = whole.values.copy(), np.zeros(whole.values.shape, np.bool_)
    masked[:row] = True
    values[masked] = values.max()
    return evolve(Radiograph.from_array(values), masked=masked)


@pytest.mark.parametrize("framed", [False, True], ids=["cut", "framed"])
@pytest.mark.parametrize(("shape", "seed"), [("bend30", 1005), ("straight", 1011), ("double", 1007)])
def test_a_stop_that_the_edge_of_the_film_cuts_is_out_of_the_picture(shape: str, seed: int, framed: bool) -> None:
    """The film ends in the stop's last half millimetre: no stop is proposed, and it is said that the shaft leaves the film.

    Under a frame it was said before that no stop was seen, as if all of the shaft lay on film.
    """
    whole = films.gamma8(drawn(shape, seed), 1.0)
    row = int(whole.files[0].stop_px[0]) - 20
    proposal = find_files(cut_or_framed(whole, row, framed), mm_per_px=whole.mm_per_px, tip=CONE)[0]
    assert proposal.stop_px is None
    assert proposal.leaves_picture
    assert "stop-not-in-picture" in codes(proposal)
    tip = proposal.tip_px + np.array([0 if framed else row, 0])
    assert np.hypot(*(tip - whole.files[0].tip_px)) < 3.0


def test_a_stop_with_shaft_above_it_is_seen_though_the_shaft_leaves_the_picture() -> None:
    whole = films.gamma8(drawn("bend30", 1005), 1.0)
    row = int(whole.files[0].stop_px[0]) - 140  # 3.5 mm: the stop and a good stretch of shaft above it
    for framed in (False, True):
        proposal = find_files(cut_or_framed(whole, row, framed), mm_per_px=whole.mm_per_px, tip=CONE)[0]
        assert proposal.leaves_picture
        at = proposal.stop_px + np.array([0 if framed else row, 0])
        assert np.hypot(*(at - whole.files[0].stop_px)) < 1.0


@pytest.mark.parametrize(
    ("contrast", "top_mm", "shown"),
    [(1.0, 1.5, True), (1.0, 0.4, False), (1.0, -0.2, False), (0.2, 1.5, False)],
    ids=["inside", "at the edge", "cut", "no shaft above"],
)
def test_what_is_a_stop_where_the_shaft_leaves_the_picture(contrast: float, top_mm: float, shown: bool) -> None:
    """A block that begins inside, with half a millimetre of shaft above it that stands out as the rest of the line does."""
    along = np.arange(0.0, 20.0, 0.1)
    excess = np.where(along < top_mm, contrast, 1.0)
    assert _shaft_above(along, excess, top_mm, 1.0) == shown


@pytest.mark.parametrize("seed", [31300, 31301, 31302, 31303])
def test_phantoms_whose_stop_is_outside_have_none(seed: int) -> None:
    """All four levels; the shaft runs out of the picture, and that is said."""
    phantom = make_phantom(seed, ("clear", "typical", "faint", "hard")[seed % 4], stop_in_view=False)
    truth = phantom.truth.file
    found = find_files(
        Radiograph.from_array(phantom.image),
        mm_per_px=phantom.mm_per_px,
        tip=TipForm(truth.size_mm, truth.tip_angle_deg),
    )
    assert found[0].leaves_picture
    assert all(proposal.stop_px is None for proposal in found)


def test_a_read_out_line_of_the_detector_is_no_file() -> None:
    """A column of single bright pixels, as long as the picture."""
    film = films.log16(drawn("straight", 1011, files=0))
    values = film.values.copy()
    values[:, 700] = np.minimum(values[:, 700].astype(int) + 20000, 65535).astype(values.dtype)
    found = find_files(Radiograph.from_array(values), mm_per_px=film.mm_per_px, tip=CONE)
    assert all(np.abs(proposal.path_px[:, 1] - 700.0).min() > 2.0 for proposal in found)


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"most": 0}, "most must be at least 1"),
        ({"mm_per_px": (0.0, 0.02)}, "mm_per_px must be > 0"),
        ({"mm_per_px": (2.0, 2.0)}, "pixel size must fit the image"),
    ],
)
def test_refusals(options: dict[str, Any], says: str) -> None:
    film = films.log16(drawn("straight", 1011))
    with pytest.raises(TraceError, match=says):
        find(film, **options)


@pytest.mark.parametrize(
    "options", [{"cone_deg": 5.0}, {"cone_deg": 190.0}, {"diameter_mm": 0.0}, {"taper": 0.4}, {"taper": -0.01}]
)
def test_a_tip_form_that_no_file_has(options: dict[str, float]) -> None:
    with pytest.raises(TraceError):
        TipForm(**options)


def test_radius_of_the_tip_by_hand() -> None:
    """A 90 degree cone grows as fast as it is long; 0.3 mm from the tip the wire of 0.2 mm and .02 has 0.103 mm."""
    form = TipForm(0.2, 90.0, 0.02)
    assert form.radius_mm(np.array([-0.1, 0.0, 0.05, 0.3])) == pytest.approx([0.0, 0.0, 0.05, 0.103])
