"""Films of a case put together in space: against the reference films' own 3-D truth, and what is refused."""

from __future__ import annotations

from math import hypot, sqrt
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.errors import MeasureError
from wlmeasure.record import spatial
from wlmeasure.record.case import Angulation, Case, Clicks, KnownFile, KnownObject, load_case
from wlmeasure.record.evaluate import CaseResult, evaluate, read_films
from wlmeasure.share.in_space import space_json, space_text
from wlmeasure.share.report import report_file
from wlmeasure.share.result import record_text, result_json
from wlmeasure.trace.spline import resample

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(SAMPLES / "cases" / "two_films.wl.json")


@pytest.fixture(scope="module")
def films(case: Case) -> dict:
    return read_films(case)


@pytest.fixture(scope="module")
def measured(case: Case, films: dict) -> CaseResult:
    return evaluate(case, films)


def angled(case: Case, *angulations: Angulation | None) -> Case:
    changed = tuple(evolve(film, angulation=one) for film, one in zip(case.films, angulations, strict=True))
    return evolve(case, films=changed)


def true_path() -> np.ndarray:
    """The canal of the printed root in the simulator's world: x with the columns, y to the source, z to the crown."""
    table = np.genfromtxt(SAMPLES / "truth" / "ref_p45_h00_v00_canal.csv", delimiter=",", names=True)
    return np.column_stack([table["x_mm"], table["y_mm"], table["z_mm"]])


def projected_turn_deg(film: str) -> float:
    """By how much the printed canal turns on a film: from the first to the last step of its true projection."""
    name = {"f1": "ref_p45_h00_v00", "f2": "ref_p45_h25_v00"}[film]
    table = np.genfromtxt(SAMPLES / "truth" / f"{name}_canal.csv", delimiter=",", names=True)
    steps = np.diff(np.column_stack([table["row_px"], table["col_px"]]), axis=0)
    heading = np.degrees(np.arctan2(steps[:, 1], steps[:, 0]))
    return float(abs(heading[-1] - heading[0]))


def test_the_length_in_space_is_that_of_the_printed_root(measured: CaseResult) -> None:
    """22.0 mm along the canal of the independent simulator; its bend lies 45 degrees out of the first film."""
    assert measured.spatial is not None
    (canal,) = measured.spatial.canals
    low, high = canal.length_interval_mm
    assert low < 22.0 < high
    assert canal.length_mm == pytest.approx(22.0, abs=0.15)
    assert high - low < 1.2


def test_the_bend_is_found_where_it_is(measured: CaseResult) -> None:
    assert measured.spatial is not None
    bends = measured.spatial.canals[0].bends
    assert bends is not None
    path = true_path()
    steps = np.diff(path, axis=0)
    steps /= np.linalg.norm(steps, axis=1)[:, None]
    turn = np.degrees(np.arccos(steps[0] @ steps[-1]))
    assert bends.total_turning.interval_deg[0] < turn < bends.total_turning.interval_deg[1]
    (plane,) = bends.planes
    assert abs(plane.out_of_film_deg - 45.0) < 2.0 * plane.towards_std_deg
    # Each film alone sees much less of it.
    for (_, film), one in measured.spatial.single.items():
        shown = projected_turn_deg(film)
        assert shown < turn - 10.0
        assert one.total_turning_deg == pytest.approx(shown, abs=2.5)


def test_the_side_is_the_true_one(measured: CaseResult) -> None:
    """The root bends towards the source, which stands outside the mouth: buccal."""
    spatial = measured.spatial
    assert spatial is not None
    assert spatial.tooth is not None
    assert spatial.tooth.side_known
    assert true_path()[-1, 1] > 3.0
    depth = spatial.canals[0].path_mm[:, 1]
    assert depth[-1] - depth[0] == pytest.approx(true_path()[-1, 1], abs=1.0)
    assert any("towards buccal" in line for line in space_text(measured))


def test_without_the_direction_of_the_shift_no_side_is_said(case: Case, films: dict, measured: CaseResult) -> None:
    unknown = (Angulation(horizontal_deg=0.0), Angulation(horizontal_deg=25.0))
    found = evaluate(angled(case, *unknown), films, before=measured)
    text = "\n".join(space_text(found))
    assert "buccal" in text.split("not known which side is ")[1]
    assert "towards buccal" not in text
    assert "towards lingual" not in text
    assert found.spatial is not None
    assert measured.spatial is not None
    assert found.spatial.canals[0].length_mm == pytest.approx(measured.spatial.canals[0].length_mm, abs=0.1)


def test_the_line_is_drawn_back_onto_both_films(measured: CaseResult) -> None:
    """The exact projections of the canal on either film lie within a tenth of a millimetre of the line drawn back."""
    spatial = measured.spatial
    assert spatial is not None
    assert spatial.tooth is not None
    for k, name in enumerate(("ref_p45_h00_v00", "ref_p45_h25_v00")):
        table = np.genfromtxt(SAMPLES / "truth" / f"{name}_canal.csv", delimiter=",", names=True)
        true_px = np.column_stack([table["row_px"], table["col_px"]])
        drawn = resample(spatial.tooth.drawn_px(k, "single"), 1000)
        apart = np.linalg.norm(true_px[:, None] - drawn[None], axis=2).min(axis=1)
        assert apart.max() * 0.02 < 0.1


def test_a_shift_too_small_is_refused_in_words(case: Case, films: dict, measured: CaseResult) -> None:
    small = (Angulation(horizontal_deg=0.0), Angulation(horizontal_deg=3.0))
    found = evaluate(angled(case, *small), films, before=measured)
    assert found.spatial is not None
    assert found.spatial.canals == ()
    (flag,) = found.spatial.flags
    assert flag.code == "space-refused"
    assert "10 degrees" in flag.text
    assert flag.text in record_text(found)
    assert result_json(found)["spatial"]["status"] == "refused"
    assert [c.working_length.length_mm for c in found.canals] == [c.working_length.length_mm for c in measured.canals]


def test_a_case_that_does_not_say_how_its_films_were_taken_is_left_as_it_was(case: Case, films: dict) -> None:
    found = evaluate(angled(case, None, Angulation(horizontal_deg=25.0)), films)
    assert found.spatial is None
    assert space_text(found) == []
    assert result_json(found)["spatial"] is None


def test_films_without_a_common_canal_or_without_a_shift_are_nobodys_wish(case: Case, films: dict) -> None:
    (canal,) = case.canals
    one, other = canal.traces
    apart = evolve(case, canals=(evolve(canal, traces=(one, evolve(other, apical_end="filling end"))),))
    assert evaluate(apart, films).spatial is None
    for same in (
        (Angulation(horizontal_deg=0.0), Angulation(tube_shift="none")),
        (Angulation(horizontal_deg=12.0),) * 2,
    ):
        assert evaluate(angled(case, *same), films).spatial is None


def test_what_has_not_changed_is_not_fitted_again(case: Case, films: dict, measured: CaseResult) -> None:
    again = evaluate(case, films, before=measured)
    assert again.spatial is measured.spatial
    decided = evolve(case, entries=())
    assert evaluate(decided, films, before=measured).spatial is measured.spatial
    moved = evolve(
        case.canals[0].traces[0], clicks_px=tuple((r + 3.0, c) for r, c in case.canals[0].traces[0].clicks_px)
    )
    changed = evolve(case, canals=(evolve(case.canals[0], traces=(moved, case.canals[0].traces[1])),))
    assert evaluate(changed, films, before=measured).spatial is not measured.spatial


def test_text_json_and_report_say_the_same(measured: CaseResult) -> None:
    spatial = measured.spatial
    assert spatial is not None
    (canal,) = spatial.canals
    told = space_json(spatial)
    assert told is not None
    assert told["fit"]["canals"][0]["length_mm"] == pytest.approx(canal.length_mm, abs=1e-4)
    assert {one["film"] for one in told["one_film"]} == {"f1", "f2"}
    for one, trace in zip(told["one_film"], measured.canals[0].traces, strict=True):
        assert trace.curvature is not None  # one film's angle is the same wherever it is said
        assert one["schneider_deg"] == pytest.approx(trace.curvature.schneider_deg, abs=0.005001)
        assert one["total_turning_deg"] == pytest.approx(trace.curvature.total_turning_deg, abs=0.005001)
    assert f"{canal.length_mm:.1f} mm" in record_text(measured)
    page = report_file(measured, "page.html", made_at="2026-11-27 10:00", program="test").content.decode()
    assert "In three dimensions, from films f1 and f2" in page
    assert f"{canal.length_mm:.2f} ±" in page
    assert "A second exposure is the clinician" in page


def with_files(case: Case, measured: CaseResult, *stops_seated: str | None) -> Case:
    """The same files, their shafts traced on by 40 pixels above the stop, which is said not to show: it rested on a point 30
    pixels beside it, square to the shaft as its pixels are on the tooth."""
    films = []
    for film, seated in zip(measured.films, stops_seated, strict=True):
        assert film.calibration is not None
        (scale,), path = film.film.scale, film.file_traces[0].path_px
        assert isinstance(scale, KnownFile)
        size = np.array(film.calibration.mm_per_px)
        up = (path[0] - path[10]) * size
        up /= np.linalg.norm(up)
        beside = np.array([up[1], -up[0]])
        beyond = path[0] + 40.0 * up / size * size[0]
        rested = path[0] + 30.0 * beside / size * size[0]
        shaft = np.vstack([beyond, path]).tolist()
        films.append(
            evolve(
                film.film,
                scale=(
                    evolve(
                        scale,
                        points_px=shaft,
                        trace_kind="path",
                        path_px=None,
                        tracer=None,
                        upper_end="reference",
                        reference_px=rested.tolist(),
                        stop_seated=seated,
                    ),
                ),
            )
        )
    return evolve(case, films=tuple(films))


def test_a_file_whose_stop_does_not_show_begins_at_the_foot(case: Case, films: dict, measured: CaseResult) -> None:
    """Its shaft above the foot is no part of the known length, on the film and in space: 22.0 mm again."""
    again = evaluate(with_files(case, measured, "yes", "yes"), films)
    assert again.spatial is not None
    assert measured.spatial is not None
    (canal,), (before,) = again.spatial.canals, measured.spatial.canals
    for film, alone in zip(again.films, measured.films, strict=True):
        assert film.calibration is not None
        assert alone.calibration is not None
        assert film.calibration.mm_per_px == pytest.approx(alone.calibration.mm_per_px, rel=1e-9)
    assert canal.length_mm == pytest.approx(22.0, abs=0.15)  # by scales that are less sure
    assert canal.length_std_mm > before.length_std_mm  # the reference point beside the shaft
    assert not any(flag.code == "space-scale-one-sided" for flag in again.spatial.flags)


def test_a_stop_that_may_have_slid_is_said_of_the_length_in_space(
    case: Case, films: dict, measured: CaseResult
) -> None:
    """1 mm over the known length, in words, for the film it is about; the interval in space is no narrower for it."""
    seated = evaluate(with_files(case, measured, "yes", "yes"), films)
    again = evaluate(with_files(case, measured, "yes", None), films)
    assert again.spatial is not None
    assert seated.spatial is not None
    (flag,) = [flag for flag in again.spatial.flags if flag.code == "space-scale-one-sided"]
    scale = case.films[1].scale[0]
    assert isinstance(scale, KnownFile)
    assert f"Film {case.films[1].id}: " in flag.text
    assert f"up to {100.0 / scale.known_length_mm:.0f} % too large and not too small" in flag.text
    assert again.spatial.canals[0].length_std_mm >= seated.spatial.canals[0].length_std_mm
    assert flag.text in "\n".join(space_text(again))


def test_a_file_that_runs_out_of_the_picture_is_no_known_length_in_space(
    case: Case, films: dict, measured: CaseResult
) -> None:
    """Half of its shaft is seen on both films; taken for the whole it would make the canal twice as long."""
    changed = []
    for film in measured.films:
        assert film.calibration is not None
        (scale,), path = film.film.scale, film.file_traces[0].path_px
        assert isinstance(scale, KnownFile)
        chord = float(np.linalg.norm(np.subtract(*film.calibration.to_mm(path[[0, -1]]))))
        ruler = KnownObject(points_px=path[[0, -1]].tolist(), known_length_mm=chord, known_length_std_mm=0.05)
        half = path[len(path) // 2 :].tolist()
        lost = evolve(
            scale, points_px=half, trace_kind="path", path_px=None, tracer=None, upper_end="out of the picture"
        )
        changed.append(evolve(film.film, scale=(lost, ruler)))
    again = evaluate(evolve(case, films=tuple(changed)), films)
    assert again.spatial is not None
    (canal,) = again.spatial.canals
    low, high = canal.length_interval_mm
    assert low < 22.0 < high
    assert canal.length_mm == pytest.approx(22.0, abs=1.0)  # by a scale that knows no foreshortening


def test_films_that_contradict_their_entries_carry_no_working_length(
    case: Case, films: dict, measured: CaseResult
) -> None:
    """Mesial entered to one side on one film and to the other side on the other."""
    first, second = (film.angulation for film in case.films)
    assert first is not None
    assert second is not None
    other = {"left": "right", "right": "left", "up": "down", "down": "up"}[second.mesial_to or "left"]
    wrong = angled(case, evolve(first, mesial_to=other), second)
    found, alone = evaluate(wrong, films, before=measured), evaluate(wrong, films, in_space=False)
    assert found.spatial is not None
    assert found.spatial.doubted
    assert not measured.spatial.doubted  # type: ignore[union-attr]
    assert "Mesial is entered on different sides" in "\n".join(space_text(found))
    for canal, by_film in zip(found.canals, alone.canals, strict=True):
        assert canal.working_length.length_mm == by_film.working_length.length_mm


def test_a_sensor_that_nobody_spoke_of_is_in_the_words(measured: CaseResult) -> None:
    assert "sensor stayed while the tube moved: " in record_text(measured)
    assert 0.0 < result_json(measured)["spatial"]["fit"]["sensor_stayed"] < 1.0


def test_an_end_is_found_again_as_much_worse_as_the_hand_clicks(
    measured: CaseResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is found again to 0.10 and 0.08 mm by clicks that are off by 1 px: by 3 px the rest adds in quadrature."""
    seen = []

    def kept(views, **_):  # type: ignore[no-untyped-def]
        seen.append(views)
        raise MeasureError("films are not fitted here: their views are looked at")

    monkeypatch.setattr(spatial, "fit_views", kept)
    for clicks in (None, Clicks(std_px=3.0, source="stated")):
        spatial.spatial_result([evolve(film, clicks=clicks) for film in measured.films], measured.canals)
    for one, three in zip(*seen, strict=True):
        worse_mm = sqrt(3.0**2 - 1.0**2) * max(three.mm_per_px)
        assert (one.end_std_mm, one.point_std_mm) == (0.10, 0.08)
        assert three.end_std_mm == pytest.approx(hypot(0.10, worse_mm))
        assert three.point_std_mm == pytest.approx(hypot(0.08, worse_mm))
