"""What `evaluate` must notice by itself: wrong lines, wrong ends, scales and films that contradict each other."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record.case import case_from_json, case_to_json
from wlmeasure.record.evaluate import CanalResult, accept_paths, evaluate, read_films
from wlmeasure.share.result import curvature_words, result_json

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
STOP, TIP, ORIFICE, APEX = [188.25, 499.5], [1224.75, 611.0], [188.5, 499.5], [1240.5, 620.5]


def codes(canal: CanalResult) -> set[str]:
    return {flag.code for trace in canal.traces for flag in (*trace.flags, *trace.film.flags)} | {
        flag.code for flag in (*canal.flags, *canal.working_length.flags)
    }


def body(films: int = 1, **trace: object) -> dict:
    """A case on the curved sample film, clicked well, with changes to its trace."""
    film = SAMPLES / "films" / "ref_p60_h00_v00.png"
    known = {"kind": "known_file", "points_px": [STOP, TIP], "trace_kind": "clicks", "known_length_mm": 21.5}
    one = {"path": str(film), "sha256": read(film).sha256, "rows": 1500, "cols": 1000, "scale": [known]}
    line = {"reference_px": ORIFICE, "clicks_px": [ORIFICE, [800.0, 507.0], APEX], "apical_end": "radiographic apex"}
    line |= trace
    return {
        "schema": "wlmeasure-case/2",
        "tooth": "45",
        "films": [json.loads(json.dumps(one)) | {"id": f"f{k + 1}"} for k in range(films)],
        "canals": [
            {
                "name": "single",
                "reference_point": "top",
                "traces": [json.loads(json.dumps(line)) | {"film": f"f{k + 1}"} for k in range(films)],
            }
        ],
    }


def reading(number: int = 0) -> dict:
    """An entry of a reading at the foramen, at 20.5 mm."""
    return {
        "id": f"e{number}",
        "kind": "electronic reading",
        "by": "AB",
        "canal": "single",
        "reference_point": "top",
        "length_mm": 20.5,
        "finding": "foramen",
    }


def measured(data: dict, films: dict[str, Radiograph] | None = None) -> CanalResult:
    return evaluate(case_from_json(data), films).canals[0]


def test_a_good_case_raises_none_of_these() -> None:
    found = codes(measured(body(file_tip_px=TIP)))
    assert found <= {"nothing-seen-in-depth", "film-alone"}


@pytest.mark.parametrize("apart_px", [50, 75, 100])
@pytest.mark.parametrize("clicks", [2, 3, 4])
def test_a_file_in_the_next_canal_does_not_draw_the_path(apart_px: int, clicks: int) -> None:
    """A dark canal clicked beside a parallel metal file, 1 to 2 mm away: the path stays in the dark canal."""
    rows, cols = np.mgrid[:1200, :800].astype(np.float32)
    centre = 300.0 + 40.0 * np.sin(rows / 700.0)
    picture = 2000.0 - 500.0 * np.exp(-0.5 * ((cols - centre) / 7.0) ** 2)
    picture += 3000.0 * np.exp(-0.5 * ((cols - centre - apart_px) / 5.0) ** 2) * (rows > 60)
    noise = cv2.GaussianBlur(np.random.default_rng(1).normal(0, 60, picture.shape).astype(np.float32), (0, 0), 1.0)
    film = Radiograph.from_array((picture + noise).clip(0, 65535).astype(np.uint16))
    at = np.linspace(100.0, 1050.0, clicks)
    points = [[float(r), float(300.0 + 40.0 * np.sin(r / 700.0))] for r in at]
    data = body(clicks_px=points)
    data["films"][0] |= {"sha256": film.sha256, "rows": 1200, "cols": 800}
    data["films"][0]["scale"] = [
        {"kind": "known_object", "points_px": [[100, 700], [1100, 700]], "known_length_mm": 20.0}
    ]
    path = measured(data, {"f1": film}).traces[0].path.path_px
    assert np.abs(path[:, 1] - (300.0 + 40.0 * np.sin(path[:, 0] / 700.0))).max() < 5.0


def test_points_where_there_is_no_file_are_doubted() -> None:
    data = body()
    data["films"][0]["scale"][0]["points_px"] = [[188.0, 750.0], [1224.0, 861.0]]
    assert "file-not-seen" in codes(measured(data))


def test_metal_that_is_dark_is_doubted_and_can_be_declared() -> None:
    """A picture of the other polarity: doubted as it stands, the same length once the case says so."""
    film = read(SAMPLES / "films" / "ref_p60_h00_v00.png")
    inverse = Radiograph.from_array((4095 - film.values.astype(np.int32)).clip(0).astype(np.uint16))
    data = body()
    data["films"][0]["sha256"] = inverse.sha256
    assert "file-not-seen" in codes(measured(data, {"f1": inverse}))
    data["films"][0]["metal"] = "dark"
    again = measured(data, {"f1": inverse})
    assert "file-not-seen" not in codes(again)
    assert again.traces[0].length.length_mm == pytest.approx(measured(body()).traces[0].length.length_mm, abs=1e-6)


def test_nothing_seen_along_the_canal_is_said() -> None:
    noise = np.random.default_rng(2).normal(2000, 150, (1500, 1000)).astype(np.uint16)
    film = Radiograph.from_array(noise)
    data = body()
    data["films"][0]["sha256"] = film.sha256
    assert {"line-not-seen", "file-not-seen"} <= codes(measured(data, {"f1": film}))


def test_what_a_look_found_and_a_person_accepted_is_judged_by_its_own_path() -> None:
    """The same lines on noise, as proposed and as traced: no metal is missed in a file that a look was sure of, and a canal's
    doubt says that it speaks of the film's greys alone.
    """
    noise = np.random.default_rng(2).normal(2000, 150, (1500, 1000)).astype(np.uint16)
    film = Radiograph.from_array(noise)
    data = body()
    data["films"][0]["sha256"] = film.sha256
    file, trace = data["films"][0]["scale"][0], data["canals"][0]["traces"][0]
    for one, ends, label in ((file, file["points_px"], "file 1"), (trace, [ORIFICE, APEX], "canal 1")):
        path = np.linspace(ends[0], ends[-1], 60)
        one |= {"path_px": path.tolist(), "tracer": "look/abababababab"}
        one["accepted"] = [{"item": label, "by": "KO", "at": "2026-12-01T10:00:00"}]
    item = {"kind": "file", "label": "file 1", "points_px": file["path_px"], "probability": 0.6, "trusted": False}
    data["films"][0]["proposed"] = [item | {"model": "look", "model_sha256": "ab" * 32}]
    assert "file-not-seen" in codes(measured(data, {"f1": film}))
    data["films"][0]["proposed"][0]["probability"] = 0.95
    told = codes(measured(data, {"f1": film}))
    assert "proposal-faint" in told
    assert not told & {"file-not-seen", "file-hidden", "line-not-seen", "line-faint", "few-points"}
    for one in (file, trace):
        one["tracer"] = "symmetry-fit/5 with look/abababababab"
    told = codes(measured(data, {"f1": film}))
    assert {"line-not-seen", "file-not-seen"} <= told
    assert "proposal-faint" not in told


def test_a_dense_path_without_an_angle_does_not_lack_points() -> None:
    """Sixty points, each as unsure as a quarter of a millimetre: what is unsure is the bend."""
    points = np.column_stack([np.linspace(188.0, 600.0, 60), np.full(60, 500.0)]).tolist()
    canal = measured(body(clicks_px=None, path_px=points, path_std_px=12.0))
    assert not canal.traces[0].curvature.determined
    assert "bend-not-sure" in codes(canal)
    assert "few-points" not in codes(canal)
    assert "too few" not in curvature_words(canal.traces[0].curvature, canal.traces[0].angles)


def test_a_stored_path_that_left_the_canal_is_doubted() -> None:
    """The file's canal as it is traced is not; the same path bent 0.5 mm aside in its middle is, on the same clicks.

    The doubt that stands beside it was found for the other one: the bent one is judged by the film.
    """
    case = case_from_json(body())
    accepted = accept_paths(evaluate(case))
    assert "line-faint" not in codes(evaluate(accepted).canals[0])
    data = case_to_json(accepted)
    stored = data["canals"][0]["traces"][0]
    path = np.array(stored["path_px"])
    assert stored["path_doubt"] < 0.5
    path[:, 1] += 25.0 * np.sin(np.pi * np.linspace(0.0, 1.0, len(path)))
    stored["path_px"] = path.tolist()
    assert codes(measured(data)) & {"line-faint", "line-not-seen"}


def test_a_canal_traced_from_the_apex_gives_no_working_length() -> None:
    canal = measured(body(clicks_px=[APEX, [800.0, 507.0], ORIFICE]))
    assert "trace-reversed" in codes(canal)
    assert canal.working_length.length_mm is None


def test_a_click_that_the_path_passes_at_a_distance_is_said() -> None:
    """A new path passes every click; a stored one need not pass clicks that somebody changed."""
    clicks = [ORIFICE, [800.0, 560.0], APEX]
    assert "click-off-path" not in codes(measured(body(clicks_px=clicks)))
    stored = {"path_px": [ORIFICE, [700.0, 503.5], APEX], "tracer": "symmetry-fit/3"}
    assert "click-off-path" in codes(measured(body(clicks_px=clicks, **stored)))


def test_films_that_disagree_are_said_and_the_shorter_apex_holds() -> None:
    """The second film's canal is clicked 3 mm short; no proposal passes its apex."""
    data = body(films=2)
    data["canals"][0]["traces"][1]["clicks_px"] = [ORIFICE, [700.0, 503.5], [1090.0, 551.0]]
    canal = measured(data)
    assert "films-disagree" in codes(canal)
    assert canal.working_length.length_mm <= min(t.length.length_mm for t in canal.traces)


def test_the_tip_beyond_the_end_and_beside_the_canal_are_told_apart() -> None:
    beyond = measured(body(clicks_px=[ORIFICE, [700.0, 503.5], [1150.0, 575.0]], file_tip_px=TIP))
    assert "tip-beyond-end" in codes(beyond)
    assert "tip-off-canal" not in codes(beyond)
    beside = measured(body(file_tip_px=[1100.0, 700.0]))
    assert "tip-off-canal" in codes(beside)
    assert beside.traces[0].tip_to_end_mm is None


def test_the_same_evidence_twice_is_refused() -> None:
    data = body()
    data["films"][0]["scale"] *= 2
    with pytest.raises(WlmeasureError, match="repeat"):
        measured(data)


def test_a_path_of_two_points_says_nothing_of_the_bend() -> None:
    canal = measured(body(clicks_px=None, path_px=[ORIFICE, APEX]))
    assert "few-points" in codes(canal)
    assert not canal.traces[0].curvature.determined
    assert canal.traces[0].difficulty is None


@pytest.mark.parametrize(
    "path",
    [
        [[100.0 + (k % 2) * 1200.0, 100.0 + k / 10.0] for k in range(3000)],
        [[187.0, 499.0], [900.0, 619.0], [187.0, 499.0]],
    ],
    ids=["zigzag", "closed"],
)
@pytest.mark.parametrize("member", ["path_px", "clicks_px"])
def test_a_line_that_is_no_canal_is_refused_at_once(path: list, member: str) -> None:
    with pytest.raises(WlmeasureError):
        measured(body(**({"clicks_px": None} | {member: path})))


def test_what_is_known_of_the_root_end_holds_for_readings_alone() -> None:
    data = body()
    data["canals"][0] |= {"traces": [], "apex": "open", "resorption": "bone and root"}
    data["entries"] = [reading(number) for number in range(3)]
    assert {"open-apex", "resorption-root", "reading-alone"} <= codes(measured(data))


def smeared(rows: slice) -> Radiograph:
    """The curved sample film with a band of rows that shows nothing but one grey."""
    film = read(SAMPLES / "films" / "ref_p60_h00_v00.png")
    values = film.values.copy()
    values[rows] = 2000
    return Radiograph.from_array(values)


def test_the_stretch_along_which_nothing_is_seen_is_told_from_the_rest() -> None:
    """Rows 500 to 700 show nothing: 4.1 mm, less about 1.1 mm at either side, where the filter still sees the line beyond."""
    film = smeared(slice(500, 700))
    data = body()
    data["films"][0]["sha256"] = film.sha256
    (trace,) = measured(data, {"f1": film}).traces
    lost = [points for points, seen in trace.pieces if not seen]
    assert len(lost) == 1
    assert 500 < lost[0][:, 0].min() < lost[0][:, 0].max() < 700
    assert trace.lost_mm == pytest.approx(200 * 0.0204 - 2 * 1.1, abs=0.3)
    (whole,) = measured(body()).traces
    assert whole.lost_mm == 0.0
    assert [seen for _, seen in whole.pieces] == [True]


def test_the_pieces_make_up_the_path() -> None:
    film = smeared(slice(500, 700))
    data = body()
    data["films"][0]["sha256"] = film.sha256
    (trace,) = measured(data, {"f1": film}).traces
    points = [piece for piece, _ in trace.pieces]
    joined = np.vstack([points[0], *(piece[1:] for piece in points[1:])])
    np.testing.assert_array_equal(joined, trace.path.path_px)


def test_a_stored_path_is_judged_as_the_traced_one_was() -> None:
    """A doubt about a line is not silenced by accepting the path."""
    noise = np.random.default_rng(2).normal(2000, 150, (1500, 1000)).astype(np.uint16)
    film = Radiograph.from_array(noise)
    data = body()
    data["films"][0]["sha256"] = film.sha256
    first = evaluate(case_from_json(data), {"f1": film})
    again = evaluate(case_from_json(case_to_json(accept_paths(first))), {"f1": film})
    for one, other in zip(first.canals, again.canals, strict=True):
        assert codes(one) == codes(other)
        np.testing.assert_allclose(one.traces[0].path.seen_along, other.traces[0].path.seen_along)
        assert one.traces[0].path.centre_std_px == pytest.approx(other.traces[0].path.centre_std_px)


def test_the_sharpest_place_lies_on_the_path_where_the_film_bends() -> None:
    """The sample canal is straight for 8 mm and then an arc: the sharpest place is in its apical half."""
    (trace,) = measured(body()).traces
    row, col = trace.sharpest_px
    assert row > 700
    assert np.hypot(*(trace.path.path_px - (row, col)).T).min() < 1.0


def test_what_an_earlier_result_gives_is_what_measuring_anew_gives() -> None:
    """Changed readings, a changed canal, a changed scale: each time the figures of a fresh evaluation."""
    case = case_from_json(body(films=2))
    films = read_films(case)
    before = evaluate(case, films)
    accepted = accept_paths(before)
    data = case_to_json(accepted)
    data["entries"] = [reading()]
    with_reading = json.loads(json.dumps(data))
    data["films"][0]["scale"][0]["known_length_mm"] = 22.0
    with_scale = json.loads(json.dumps(data))
    data["canals"][0]["resorption"] = "bone"
    data["canals"][0]["traces"][1] |= {"path_px": None, "clicks_px": [ORIFICE, [700.0, 503.5], [1200.0, 601.0]]}
    del data["canals"][0]["traces"][1]["path_px"], data["canals"][0]["traces"][1]["tracer"]
    for changed in (case_to_json(accepted), with_reading, with_scale, data):
        case = case_from_json(changed)
        known, fresh = evaluate(case, films, before=before), evaluate(case, films)
        assert result_json(known) == result_json(fresh)
        before = known


def test_an_earlier_result_of_another_film_is_not_taken() -> None:
    case = case_from_json(body())
    before = evaluate(case)
    inverted = body()
    inverted["films"][0]["metal"] = "dark"
    case = case_from_json(inverted)
    known, fresh = evaluate(case, before=before), evaluate(case)
    assert result_json(known) == result_json(fresh)
    assert result_json(fresh) != result_json(before)


# --- a scale by the file's taper ---------------------------------------------------------------------------------------


def outside(*scales: dict, canal: list[list[float]] | None = None) -> dict:
    """The sample film whose stop is outside the picture; file and canal by their true lines, every 50th point."""
    film = SAMPLES / "films" / "ref_stop_outside.png"
    lines = {}
    for name in ("file", "canal"):
        line = np.genfromtxt(SAMPLES / "truth" / f"ref_stop_outside_{name}.csv", delimiter=",", names=True)
        points = np.column_stack([line["row_px"], line["col_px"]])
        inside = points[(points > 2.0).all(axis=1)]
        lines[name] = [*inside[:: len(inside) // 40].tolist(), inside[-1].tolist()]
    taper = {"kind": "file_taper", "points_px": lines["file"], "trace_kind": "path", "file_size": 15}
    return {
        "schema": "wlmeasure-case/2",
        "tooth": "45",
        "films": [
            {"id": "f1", "path": str(film), "sha256": read(film).sha256, "rows": 1500, "cols": 1000}
            | {"scale": [taper, *scales]}
        ],
        "canals": [
            {
                "name": "single",
                "reference_point": "top",
                "traces": [
                    {
                        "film": "f1",
                        "reference_px": lines["canal"][0],
                        "path_px": lines["canal"],
                        "apical_end": "radiographic apex",
                    }
                ],
            }
        ],
    }


def test_a_scale_by_taper_is_an_estimate_and_gives_no_working_length() -> None:
    """True scale 0.01967 mm per pixel (the film's own truth); the uncertainty is a fifth, and both remarks say so."""
    found = measured(outside())
    scale = found.traces[0].film.calibration
    assert scale.method == "taper of the file"
    assert 0.15 < scale.rel_std < 0.35
    assert abs(scale.mm_per_px_row / 0.01967 - 1.0) < 1.96 * scale.rel_std
    assert {"scale-from-taper", "estimated-scale"} <= codes(found)
    assert found.traces[0].length.length_std_mm > 0.15 * found.traces[0].length.length_mm
    assert found.traces[0].radiographic is None
    assert found.working_length.length_mm is None


def test_a_known_length_beats_the_taper() -> None:
    known = {"kind": "known_object", "points_px": [[200.0, 100.0], [708.4, 100.0]], "known_length_mm": 10.0}
    found = measured(outside(known))
    assert found.traces[0].film.calibration.method == "object of known size"
    assert found.traces[0].film.calibration.mm_per_px_row == pytest.approx(0.01967, rel=1e-3)
    assert "taper-not-used" in codes(found)
    assert "estimated-scale" not in codes(found)
    assert found.traces[0].radiographic is not None


def test_one_taper_a_film() -> None:
    data = outside()
    data["films"][0]["scale"].append(data["films"][0]["scale"][0] | {"file_size": 20})
    with pytest.raises(WlmeasureError, match="one file's taper at most"):
        measured(data)


def test_a_size_that_no_standard_knows_names_its_member() -> None:
    data = outside()
    data["films"][0]["scale"][0]["file_size"] = 13
    with pytest.raises(WlmeasureError, match=r"films\[0\].scale\[0\]"):
        measured(data)


def test_a_taper_through_clicks_keeps_its_path() -> None:
    data = outside()
    scale = data["films"][0]["scale"][0]
    scale["points_px"] = [scale["points_px"][0], scale["points_px"][-1]]
    scale["trace_kind"] = "clicks"
    first = evaluate(case_from_json(data))
    kept = accept_paths(first)
    assert len(kept.films[0].scale[0].path_px) > 10
    again = evaluate(case_from_json(case_to_json(kept)))
    assert again.films[0].calibration.mm_per_px_row == pytest.approx(first.films[0].calibration.mm_per_px_row, rel=1e-6)
