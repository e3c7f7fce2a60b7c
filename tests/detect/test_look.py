"""One look at a film."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.bench.look import ideal_maps
from wlmeasure.detect.certainty import KINDS, certainty_of
from wlmeasure.detect.look import PERHAPS, SAID, TRUSTED, _doubled, look, look_at_maps, roots_point
from wlmeasure.detect.network import load_network
from wlmeasure.detect.prepare import FIGURES, prepared
from wlmeasure.detect.refine import fine_file
from wlmeasure.detect.training.films import labelled
from wlmeasure.detect.training.labels import FileLabel, Labels
from wlmeasure.detect.training.trials import film
from wlmeasure.errors import DetectError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.file_ends import TipForm

HERE = Path(__file__).parent
SPACING = (0.055, 0.045)
SURE = {kind: {"weights": [6.0] + [0.0] * (count - 1)} for kind, count in KINDS.items()}
ANY = {name: [-1e9, 1e9] for name in FIGURES}


@pytest.fixture(scope="module")
def drawn():
    """A film of a file with its stop in view, whose rows and columns lie at different distances."""
    wish = {"size_px": (640, 520), "spacing_mm": SPACING, "stop_in_view": True, "roots": 2, "canals": 2, "file": True}
    phantom, labels = labelled(11, "typical", wish)
    radiograph = Radiograph.from_array(phantom.image)
    given = prepared(radiograph, SPACING)
    return phantom, radiograph, ideal_maps(labels, given)


@pytest.fixture(scope="module")
def seen(drawn):
    phantom, radiograph, maps = drawn
    tip = TipForm(phantom.truth.file.size_mm, phantom.truth.file.tip_angle_deg)
    certainty = certainty_of({"certainty": SURE | {"ranges": ANY}})
    return look_at_maps(radiograph, maps, certainty, model="ideal", mm_per_px=SPACING, tip=tip)


def gap_mm(a, b):
    return float(np.hypot(*((np.asarray(a) - b) * SPACING)))


def test_the_files_ends_are_those_of_the_truth(drawn, seen):
    """The tip by its fit, the upper end by that of the stop, to half a pixel of the network."""
    true = drawn[0].truth.file
    (file,) = seen.files
    assert gap_mm(file.tip_px, true.tip_px) < 0.05
    assert gap_mm(file.upper_px, true.stop_px) < 0.05
    assert file.upper_std_px * np.sqrt(np.prod(SPACING)) < 0.05
    assert file.trusted
    assert not file.leaves_picture
    assert file.label == "file 1"


def test_the_file_lies_in_its_canal_and_the_canal_in_its_root(drawn, seen):
    """Which canal: the one whose centre line runs where the truth says the file's canal does."""
    truth = drawn[0].truth
    true = next(c for c in truth.canals if c.name == truth.file.canal)
    (file,) = seen.files
    canal = next(c for c in seen.canals if c.label == file.canal)
    assert canal.file == file.label
    middle = true.path_px[len(true.path_px) // 2]
    assert min(gap_mm(p, middle) for p in canal.path_px) < 0.2
    assert gap_mm(seen.roots[canal.root].end_px, true.apex_px) < 0.2
    assert canal.label in seen.roots[canal.root].canals
    first, last = (gap_mm(canal.path_px[k], true.path_px[k]) for k in (0, -1))
    assert first < 0.3
    assert last < 0.3


def test_labels_are_neutral_and_run_along_the_film(seen):
    assert sorted(c.label for c in seen.canals) == [f"canal {k + 1}" for k in range(len(seen.canals))]
    columns = [c.path_px[0, 1] for c in sorted(seen.canals, key=lambda c: int(c.label.split()[1]))]
    assert columns == sorted(columns)
    assert all(1 <= c.tooth <= seen.teeth for c in seen.canals)


def test_without_the_fits_the_lines_are_those_of_the_maps(drawn, seen):
    _, radiograph, maps = drawn
    plain = look_at_maps(radiograph, maps, certainty_of({}), model="", mm_per_px=SPACING, fine=False)
    assert len(plain.canals) == len(seen.canals)
    assert gap_mm(plain.files[0].tip_px, seen.files[0].tip_px) < 0.15
    assert plain.canals[0].doubt is None
    assert seen.canals[0].doubt is not None


def test_nothing_is_trusted_without_tables_or_on_a_film_unlike_those_trained_on(drawn):
    _, radiograph, maps = drawn

    def told(card):
        made = look_at_maps(radiograph, maps, certainty_of(card), model="", mm_per_px=SPACING, fine=False)
        items = (*made.files, *made.canals, *made.roots, *made.references, *made.orifices)
        return any(one.trusted for one in items), {flag.code for flag in made.flags}

    assert told({}) == (False, {"network-not-calibrated"})
    assert told({"certainty": SURE | {"ranges": ANY}})[0]
    narrow = ANY | {"noise": [5.0, 6.0]}
    assert told({"certainty": SURE | {"ranges": narrow}}) == (False, {"film-unlike-training"})


def test_what_is_unlikely_is_not_proposed(drawn):
    _, radiograph, maps = drawn
    never = {kind: {"weights": [-6.0] + [0.0] * (count - 1)} for kind, count in KINDS.items()}
    made = look_at_maps(radiograph, maps, certainty_of({"certainty": never}), model="", mm_per_px=SPACING, fine=False)
    assert (made.files, made.canals, made.references, made.roots, made.orifices) == ((), (), (), (), ())
    ends = SURE | {"root_end": never["root_end"]}
    made = look_at_maps(radiograph, maps, certainty_of({"certainty": ends}), model="", mm_per_px=SPACING, fine=False)
    assert made.canals
    assert {c.root for c in made.canals} == {None}  # no canal points to a root that is not there
    assert TRUSTED > 0.5


def test_what_is_perhaps_there_is_said_when_asked_for(drawn):
    """Every canal of probability 0.6, between what is asked of one by default and what may be asked for."""
    _, radiograph, maps = drawn
    perhaps = SURE | {"canal": {"weights": [float(np.log(0.6 / 0.4))] + [0.0] * (KINDS["canal"] - 1)}, "ranges": ANY}

    def canals(**more):
        certainty = certainty_of({"certainty": perhaps})
        return look_at_maps(radiograph, maps, certainty, model="", mm_per_px=SPACING, fine=False, **more).canals

    assert PERHAPS < 0.6 < SAID["canal"]
    assert canals() == ()
    assert {round(c.probability, 6) for c in canals(perhaps=True)} == {0.6}


def test_a_line_followed_twice_is_said_once():
    along = np.column_stack([np.arange(100.0), np.full(100, 20.0)])
    beside, apart = along + np.array([0.0, 2.0]), along + np.array([0.0, 6.0])
    assert _doubled([along, beside, apart], [0.5, 0.9, 0.3]) == {0}
    assert _doubled([along, along[:60], along[40:]], [0.8, 0.9, 0.7]) == {
        2
    }  # a part is the same, the whole is not a part


def test_where_roots_point_is_told_in_millimetres_and_not_in_pixels(drawn, seen):
    """By hand: 100 rows of 0.02 mm down and 50 columns of 0.08 mm to the right are 2 and 4 mm, 27 degrees off the right."""
    line = np.array([[0.0, 0.0], [40.0, 10.0], [100.0, 50.0]])
    assert roots_point([line], (0.02, 0.08)) == "right"
    assert roots_point([line], (0.05, 0.05)) == "down"
    assert roots_point([line[::-1]], (0.05, 0.05)) == "up"
    assert roots_point([line], (0.04, 0.08)) == ""  # 4 and 4 mm: between two sides
    assert (
        roots_point([line, line[::-1]], (0.05, 0.05)) == ""
    )  # an upper and a lower tooth, or an end taken for another
    assert roots_point([], (0.05, 0.05)) == ""
    true = np.mean([c.path_px[-1] - c.path_px[0] for c in drawn[0].truth.canals], axis=0) * SPACING
    assert abs(true[0]) > abs(true[1])
    assert seen.roots_point == ("down" if true[0] > 0.0 else "up")


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.floats(-0.4, 0.4), st.floats(5.0, 200.0)), min_size=1, max_size=5),
    st.floats(0.02, 0.1),
    st.floats(0.02, 0.1),
    st.integers(0, 3),
)
def test_law_a_turned_picture_turns_where_roots_point(ways, row_mm, col_mm, turns):
    """Lines within 23 degrees of down, and the same picture turned clockwise by quarters, its pixels' sides with it."""
    lines = [np.array([[0.0, 0.0], [length * np.cos(a) / row_mm, length * np.sin(a) / col_mm]]) for a, length in ways]
    size = row_mm, col_mm
    for _ in range(turns):
        lines, size = [np.column_stack([line[:, 1], -line[:, 0]]) for line in lines], size[::-1]
    assert roots_point(lines, size) == ("down", "left", "up", "right")[turns]


def test_an_apex_cut_off_is_said(drawn):
    """The picture cut 2 mm above the lower of two apices, or left whole; the maps mark the cut end as they do a real one."""
    phantom, labels = labelled(11, "typical", {"size_px": (640, 520), "spacing_mm": SPACING, "stop_in_view": True,
                                               "roots": 2, "canals": 2, "file": True})  # fmt: skip
    down = labels.canals[0].path_px[-1, 0] > labels.canals[0].path_px[0, 0]
    ends = [canal.path_px[-1, 0] for canal in labels.canals]
    row = round(max(ends) - 2.0 / SPACING[0]) if down else round(min(ends) + 2.0 / SPACING[0])
    for cut, said in ((slice(None), False), (slice(0, row) if down else slice(row, None), True)):
        values = np.ascontiguousarray(phantom.image[cut])
        shift, empty = np.array((cut.start or 0, 0)), np.zeros(values.shape, np.bool_)
        kept = [
            evolve(c, path_px=path[inside], visible=c.visible[inside])
            for c in labels.canals
            if (inside := (path := c.path_px - shift)[:, 0].clip(0, len(values) - 1) == path[:, 0]).sum() > 9
        ]
        orifices, apices = (np.array([c.path_px[k] for c in kept]) for k in (0, -1))
        areas = (empty,) * 4
        told = Labels((), tuple(kept), apices, orifices, np.zeros((0, 2)), *areas, labels.mm_per_px)
        radiograph = Radiograph.from_array(values)
        maps = ideal_maps(told, prepared(radiograph, SPACING))
        made = look_at_maps(
            radiograph, maps, certainty_of({"certainty": SURE}), model="", mm_per_px=SPACING, fine=False
        )
        away = [
            float(np.abs(c.path_px[-1, 0] - (len(values) - 1.0 if down else 0.0))) * SPACING[0]
            for c in made.canals
            if c.end_seen
        ]
        assert (min(away) < 0.25) == said
        assert ("apex-not-in-picture" in {flag.code for flag in made.flags}) == said


def test_a_tip_outside_is_said(drawn):
    """The picture cut above the file's tip."""
    phantom, labels = labelled(11, "typical", {"size_px": (640, 520), "spacing_mm": SPACING, "stop_in_view": True,
                                               "roots": 2, "canals": 2, "file": True})  # fmt: skip
    row = round(phantom.truth.file.tip_px[0])
    upright = phantom.truth.file.stop_px[0] < row
    cut = slice(0, row - 40) if upright else slice(row + 40, None)
    shift = 0 if upright else row + 40
    path = phantom.truth.file.path_px - (shift, 0)
    values = phantom.image[cut]
    kept = (path[:, 0] >= 0) & (path[:, 0] <= len(values) - 1)
    empty = np.zeros(values.shape, np.bool_)
    none = np.zeros((0, 2))
    file = FileLabel(path[kept], path[:1], none)
    told = Labels((file,), (), none, none, none, empty, empty, empty, empty, labels.mm_per_px)
    radiograph = Radiograph.from_array(np.ascontiguousarray(values))
    maps = ideal_maps(told, prepared(radiograph, SPACING))
    made = look_at_maps(radiograph, maps, certainty_of({"certainty": SURE}), model="", mm_per_px=SPACING, fine=False)
    assert made.files[0].tip_px is None
    assert made.files[0].tip_std_px == float("inf")
    assert "tip-not-in-picture" in {flag.code for flag in made.flags}


def test_the_whole_way_with_weights(drawn):
    """Weights that were never trained: all that is checked is that the way holds together and says what it is."""
    _, radiograph, _ = drawn
    network = load_network(HERE / "tiny.onnx")
    made = look(radiograph, mm_per_px=SPACING, network=network)
    assert made.model == network.name
    assert made.mm_per_px[0] / made.mm_per_px[1] == pytest.approx(SPACING[0] / SPACING[1], rel=0.01)
    assert "network-not-calibrated" in {flag.code for flag in made.flags}
    assert not any(f.trusted for f in made.files)


def test_a_pixel_size_that_is_none_is_refused(drawn):
    with pytest.raises(DetectError, match=r"mm_per_px must be > 0|mm_per_px"):
        look(drawn[1], mm_per_px=(0.05, -1.0), network=load_network(HERE / "tiny.onnx"))


ONE_FILM = """
import numpy as np
from wlmeasure.detect.training.films import film_of
from wlmeasure.detect.training.supply import Supply

with Supply(300_000_000, 2, slots=4) as supply:
    film = supply.next(600.0)
    own = film_of(film.seed)
    same = [np.array_equal(film.greys, own.greys), np.array_equal(film.planes[:-1], own.distance)]
    print(all(same) and np.array_equal(film.planes[-1], own.bits))
    supply.give_back(film)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the processes that make films are forks")
def test_films_made_by_many_are_those_made_by_one():
    """In a process of its own: a fork of one that has run OpenCV's threads may hang."""
    root = Path(__file__).parents[2]
    told = subprocess.run([sys.executable, "-c", ONE_FILM], capture_output=True, text=True, cwd=root, check=False)
    assert told.stdout == "True\n", told.stderr


@pytest.mark.parametrize(("seed", "shows"), [(70_000_003, True), (70_000_004, False)])
def test_a_stop_that_shows_gives_the_upper_end_better_than_its_map_does(seed, shows):
    """The upper end moved by 0.5 mm down the shaft, as a map may have it: a stop brings it back, without one it stays."""
    phantom, labels = film(seed, "hard")
    pixel = np.array(phantom.mm_per_px)
    (true,) = labels.files
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(true.path_px * pixel, axis=0).T))])
    density = Radiograph.from_array(phantom.image).density()
    path = true.path_px[along > 0.5]
    made = fine_file(density, path, phantom.mm_per_px, upper=True, tip=True, form=TipForm())
    off = float(np.hypot(*((made.path_px[0] - true.upper_px[0]) * pixel)))
    assert made.stop == shows
    assert off < 0.1 if shows else off == pytest.approx(0.5, abs=0.15)
    assert made.upper_std_px * np.sqrt(pixel.prod()) < (0.05 if shows else 0.11)
