"""The evidence page on a handful of films: every section is there, every figure is a number, the JSON says the same."""

import json
import sys
from html import escape
from math import isfinite
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import evidence
from evidence_page.film_pairs import EXACT, TRACED, pair_films, pair_runs, view_of
from evidence_page.films import CLICKED, INJECTED, film_runs
from evidence_page.page import LEFT_OUT, Run, data, html
from evidence_page.section import Figure, Goal, Section, grouped_share, wilson

SEED = 1001


@pytest.fixture(scope="module")
def made():
    return evidence.sections(SEED, 1, evidence.mapper(None))


def test_every_section_is_there_and_every_figure_is_a_number(made):
    assert [section.key for section in made] == list(evidence.KEYS)
    for section in made:
        assert section.figures, section.key
        assert any(figure.goal is not None for figure in section.figures)
        for figure in section.figures:
            assert isfinite(figure.value), (section.key, figure.name)
            if figure.interval is not None:
                assert figure.interval[0] <= figure.value + 1e-9
                assert figure.value - 1e-9 <= figure.interval[1]


def test_the_page_and_its_json_say_the_same(made):
    run = Run("1.2.3", "2026-01-02", (SEED, SEED), 1)
    page, figures = html(made, run), json.loads(json.dumps(data(made, run), allow_nan=False))
    assert escape(LEFT_OUT) in page
    assert "development seeds: not for quoting" in page
    assert "held out" in html(made, Run("1", "2026-01-02", (8000, 8000), 1))
    assert page.count("<svg") == sum(len(section.plots) for section in made) > 0
    stated = [figure for section in figures["sections"] for figure in section["figures"]]
    assert page.count('"met">') + page.count('"short">') == sum(figure["met"] is not None for figure in stated)
    for section in figures["sections"]:
        assert f'id="{section["key"]}"' in page
        for figure in section["figures"]:
            assert escape(figure["name"]) in page


def test_a_goal_is_judged_by_its_bound():
    for goal, values in (
        (Goal("at most", 1.15), {1.0: "met", 1.15: "met", 1.16: "short"}),
        (Goal("at least", 95.0), {95.0: "met", 94.9: "short", 100.0: "met"}),
        (Goal("between", 93.0, 97.0), {92.9: "short", 95.0: "met", 97.1: "short: above"}),
    ):
        assert {value: Figure("f", value, "", goal).verdict for value in values} == values
    assert Figure("f", 1.0).met is None


def test_shares_and_their_intervals():
    """Wilson's interval of 49 of 58 and 58 of 58, published with the figure for films (T8.5)."""
    assert wilson(49, 58) == pytest.approx((73.07, 91.62), abs=0.01)
    assert wilson(58, 58) == pytest.approx((93.79, 100.0), abs=0.01)
    groups = np.repeat(np.arange(4), 5)
    hits = np.repeat([True, True, True, False], 5)  # three films always, one never: as good as four cases
    alone = grouped_share("", hits, groups)
    assert alone.value == 75.0
    assert grouped_share("", np.ones(20, bool), groups).interval == wilson(4, 4)
    assert alone.interval[1] - alone.interval[0] > 60.0 > np.diff(wilson(15, 20))[0]


def test_the_same_seed_gives_the_same_runs():
    first, again = (list(film_runs(SEED, (0.0, 0.5), 1)) for _ in range(2))
    assert first == again
    assert [run.how for run in first][1:] == [CLICKED, INJECTED]
    assert all(run.short_mm <= 0.5 and abs(run.limit_mm) < 0.2 for run in first)
    assert {run.injected_mm for run in first if run.how != INJECTED} == {0.0}


def test_a_section_may_be_empty_of_plots():
    page = html([Section("k", "T & U", "how", (Figure("f", 1.0),))], Run("1", "2026-01-02", (1, 1), 1))
    assert "T &amp; U" in page
    assert "no goal set" in page


def test_a_traced_pair_is_judged_in_space_and_by_what_is_known():
    """Exact paths say how far the fit gets; told to it are the nominal shift, its direction, and each film's scale."""
    traced, exact = pair_runs((SEED, "clear", 30.0))
    assert (traced.how, exact.how) == (TRACED, EXACT)
    assert not exact.strayed
    assert exact.error is not None
    assert exact.held
    assert abs(exact.error) < 0.02
    assert exact.length_mm == traced.length_mm
    assert (traced, exact) == tuple(pair_runs((SEED, "clear", 30.0)))
    films = pair_films(SEED, "clear", 30.0)
    views = [view_of(film, {film.truth.canals[0].name: film.truth.canals[0].path_px}, 30.0, 1.0) for film in films]
    assert [view.tube_shift for view in views] == [film.truth.facts["shift"]["direction"] for film in films]
    assert views[0].horizontal_std_deg == 0.0
    assert views[1].horizontal_deg == 30.0
    # The scale of each film is its own pixel over its own magnification at the canal.
    grown = np.mean(films[1].truth.canals[0].magnification)
    assert views[1].mm_per_px == pytest.approx(tuple(size / grown for size in films[1].mm_per_px))
