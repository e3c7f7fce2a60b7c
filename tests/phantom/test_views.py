"""Several films of one tooth: the tooth stands still, every truth is its film's geometry, the sides are those of the trade."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from wlmeasure.cli import main
from wlmeasure.errors import PhantomError
from wlmeasure.phantom import make_dataset, make_phantom, make_views
from wlmeasure.study.dataset import write_truth
from wlmeasure.study.path_lines import lines_features, lines_head

SMALL = {"spacing_mm": (0.12, 0.10), "size_px": (340, 260), "neighbours": False}  # unequal, and quick
TOWARDS = {"left": (0.0, -1.0), "right": (0.0, 1.0), "up": (-1.0, 0.0), "down": (1.0, 0.0)}


def small(seed, shifts, **options):
    return make_views(seed, "typical", shifts_deg=shifts, **(SMALL | options))


@pytest.fixture(scope="module")
def triple():
    return small(1000, (0.0, 20.0, -30.0), roots=2, canals=3, upper=False)


def towards(film, place_px):
    """How far a place lies towards mesial on a film, px."""
    return np.array(place_px) @ np.array(TOWARDS[film.truth.facts["shift"]["mesial_to"]])


def test_there_is_one_tooth_on_all_films_and_the_first_is_the_seeds_own(triple):
    alone = make_phantom(1000, "typical", **SMALL, roots=2, canals=3, upper=False)
    np.testing.assert_array_equal(triple[0].image, alone.image)
    assert {k: v for k, v in triple[0].truth.to_json().items() if k != "shift"} == alone.truth.to_json()
    in_space = ("length_mm", "coronal_mm", "points_mm", "arc_mm", "kappa_per_mm", "reference_mm", "apex_mm", "width_mm")
    first = triple[0].truth.to_json()
    for film in triple[1:]:
        told = film.truth.to_json()
        for one, other in zip(first["canals"], told["canals"], strict=True):
            assert all(one[name] == other[name] for name in in_space)
            assert one["path_px"] != other["path_px"]
        assert all(first["file"][k] == told["file"][k] for k in ("points_mm", "stop_to_tip_mm", "canal", "size_mm"))
        for same in ("detector", "mm_per_px_row", "mm_per_px_col", "scatter", "tooth"):
            assert first[same] == told[same]


def test_the_films_are_the_same_again_and_more_films_begin_with_them(triple):
    pair = small(1000, (0.0, 20.0), roots=2, canals=3, upper=False)
    for one, other in zip(pair, triple, strict=False):
        np.testing.assert_array_equal(one.image, other.image)
        assert one.truth.to_json() == other.truth.to_json()


def test_noise_and_bone_are_drawn_anew(triple):
    """The outer border shows no tooth: there two films of one detector would be alike but for noise and texture."""
    edges = [film.image[-40:, :15].astype(float) for film in triple]
    for k, one in enumerate(edges):
        for other in edges[k + 1 :]:
            assert abs(np.corrcoef(one.ravel(), other.ravel())[0, 1]) < 0.5
            assert not np.array_equal(one, other)


@pytest.mark.parametrize(
    "options", [{}, {"upper": True}, {"sideways": True, "size_px": (260, 340), "spacing_mm": (0.10, 0.12)}]
)
def test_every_film_shows_the_tooth_where_its_figures_put_it(options):
    """OpenCV's camera, made of the angles and distances in the truth, on unequal pixels: within 0.01 px."""
    for film in small(1003, (0.0, 25.0, -25.0), technique="square", roots=2, **options):
        told = json.loads(json.dumps(film.truth.to_json()))
        geometry = told["geometry"]
        # The tooth is turned, then tilted; the ray runs along -y, rows against z, and the detector turns about the ray.
        about = Rotation.from_euler("zx", [geometry["horizontal_deg"], geometry["vertical_deg"]], degrees=True)
        axes = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, -1.0, 0.0]])  # columns, rows, along the ray
        rolled = Rotation.from_euler("z", geometry["roll_deg"], degrees=True).as_matrix()
        # A film is seen from the detector's side, a camera looks from the source: left and right are exchanged.
        camera = np.diag([-1.0, 1.0, 1.0]) @ rolled @ axes @ about.as_matrix()
        far = geometry["source_detector_mm"]
        row, col = geometry["projection"]["detector_px"]
        lens = np.array([[-far / told["mm_per_px_col"], 0, col], [0, far / told["mm_per_px_row"], row], [0, 0, 1.0]])
        source = np.array(geometry["projection"]["source_mm"])
        for canal in told["canals"]:
            seen, _ = cv2.projectPoints(
                np.array(canal["points_mm"]), cv2.Rodrigues(camera)[0], -camera @ source, lens, np.zeros(4)
            )
            np.testing.assert_allclose(seen[:, 0, ::-1], canal["path_px"], atol=0.01)


@pytest.mark.parametrize("seed", [1000, 1001])
def test_a_shift_is_near_what_was_meant_and_goes_where_it_says(seed):
    films = small(seed, (0.0, 20.0, -12.0))
    first = films[0].truth.facts["geometry"]
    assert films[0].truth.facts["shift"] | {"mesial_to": ""} == {
        "nominal_deg": 0.0, "true_deg": 0.0, "direction": "none", "mesial_to": "",
    }  # fmt: skip
    turned = []
    for film, nominal, direction in zip(films[1:], (20.0, 12.0), ("mesial", "distal"), strict=True):
        shift, geometry = film.truth.facts["shift"], film.truth.facts["geometry"]
        assert (shift["nominal_deg"], shift["direction"]) == (nominal, direction)
        assert abs(shift["true_deg"] - nominal) <= 5.0
        assert abs(geometry["horizontal_deg"] - first["horizontal_deg"]) == pytest.approx(shift["true_deg"], abs=1e-3)
        assert geometry["vertical_deg"] != first["vertical_deg"]
        # The tube itself went to that side: its place along the tooth's x, against where mesial lies on the film.
        moved = film.projection.source_mm - films[0].projection.source_mm
        px = film.projection.pixels(np.array([[0.0, 0.0, 0.0], [np.sign(moved[0]), 0.0, 0.0]]))
        assert (towards(film, px[1] - px[0]) > 0.0) == (direction == "mesial")
        turned.append(geometry["horizontal_deg"] - first["horizontal_deg"])
    assert turned[0] * turned[1] < 0.0


@pytest.mark.parametrize(("upper", "roots"), [(False, 2), (True, 3)])
def test_mesial_is_where_the_mesial_root_stands(upper, roots):
    names = {2: ("M", "D"), 3: ("MB", "DB")}[roots]
    for seed in (1000, 1002):
        for film in small(seed, (0.0, 20.0), roots=roots, canals=roots, upper=upper):
            canals = {canal.name: canal for canal in film.truth.canals}
            mesial, distal = (canals[name].path_px[0] for name in names)
            assert towards(film, mesial) > towards(film, distal)


@pytest.mark.parametrize("shift", [20.0, -20.0])
@pytest.mark.parametrize("upper", [False, True])
def test_same_lingual_opposite_buccal(shift, upper):
    """The rule of the trade: of two canals the lingual one goes with the tube, the buccal one against it."""
    for seed in (1000, 1004):
        first, second = small(seed, (0.0, shift), roots=1, canals=2, upper=upper, confluent=False)
        apart = []
        for film in (first, second):
            buccal, lingual = (canal.path_px[0] for canal in film.truth.canals)
            assert [canal.name for canal in film.truth.canals] == ["B", "L"]
            apart.append(towards(film, lingual - buccal))
        assert np.sign(apart[1] - apart[0]) == np.sign(shift)  # towards mesial with a tube moved to mesial


def test_a_folder_holds_every_film_of_every_tooth(tmp_path):
    out = tmp_path / "out"
    made = make_dataset(out, 2, 3, views=3, shift_deg=-25.0, bits=8, **SMALL)
    names = [f"film_000{k}_{letter}.png" for k in (1, 2) for letter in "abc"]
    assert [path.name for path in made] == names
    alone = make_dataset(tmp_path / "alone", 2, 3, bits=8, **SMALL)
    assert [path.read_bytes() for path in alone] == [path.read_bytes() for path in made[::3]]
    truth = write_truth(out)
    head, features = lines_head(truth), list(lines_features(truth))
    told = [image.extra for image in head.images]
    assert [one["tooth"] for one in told] == ["film_0001"] * 3 + ["film_0002"] * 3
    assert [one["shift"]["direction"] for one in told] == ["none", "distal", "mesial"] * 2
    lengths = [
        {f.canal: f.length_mm for f in features if f.image == Path(name).stem and f.kind == "canal"} for name in names
    ]
    assert lengths[0]
    assert lengths[0] == lengths[1] == lengths[2]
    assert lengths[3] == lengths[4] == lengths[5] != lengths[0]


def test_the_words_of_the_command(tmp_path, capsys):
    assert main(["phantom", str(tmp_path / "one"), "--shift", "25"]) != 0
    assert "--views" in capsys.readouterr().err
    main(["phantom", str(tmp_path / "out"), "--seed", "1", "--views", "2", "--shift=-25"])
    told = json.loads((tmp_path / "out" / "film_0001_b.truth.json").read_text("utf-8"))
    assert (told["shift"]["nominal_deg"], told["shift"]["direction"]) == (25.0, "distal")


@pytest.mark.parametrize(
    ("shifts", "message"),
    [((0.0,), "2 to 9"), ((0.0, 50.0), "at most 45"), ((0.0, np.nan), "shifts_deg"), (20.0, "2 to 9")],
)
def test_shifts_that_cannot_be_are_refused(shifts, message):
    with pytest.raises(PhantomError, match=message):
        small(1000, shifts)


@pytest.mark.parametrize(
    ("more", "message"), [({"views": 4}, "1, 2 or 3"), ({"views": 2, "shift_deg": 60.0}, "shift_deg must be at most")]
)
def test_a_folder_of_films_that_cannot_be_is_refused_before_it_is_made(tmp_path, more, message):
    with pytest.raises(PhantomError, match=message):
        make_dataset(tmp_path / "out", 1, 0, **more)
    assert not (tmp_path / "out").exists()
