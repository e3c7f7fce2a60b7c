"""The two curves: against sums over drawn canals, and the laws they keep."""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np
import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.anatomy import (
    APEX_TO_FORAMEN_MM,
    AT_TIP_STD_MM,
    FORAMEN_TO_CONSTRICTION_MM,
    USUAL,
    Anatomy,
    anatomy_of,
)
from wlmeasure.decide.ends import (
    FILM_WRONG_SHARE,
    FILM_WRONG_STD_MM,
    MISREAD_SHARE,
    MISREAD_STD_MM,
    READING_BIAS_MM,
    READING_WRONG_STD_MM,
    REPEAT_STDS_MM,
    FilmEnd,
    Posterior,
    ReadingGroup,
    ends_of,
)
from wlmeasure.errors import DecideError
from wlmeasure.trade.tooth import Tooth

MOLAR = anatomy_of(Tooth.from_iso3950("46"))


def made(films: list[FilmEnd], readings: list[ReadingGroup], anatomy: Anatomy = USUAL) -> Posterior:
    found = ends_of(films, readings, anatomy)
    assert found is not None
    return found


# --- anatomy ---------------------------------------------------------------------------------------------------------


def passed_share(designation: str) -> float:
    """Share of canals passed by a file 0 to 2 mm short of the radiographic apex, evenly."""
    anatomy = anatomy_of(Tooth.from_iso3950(designation))
    apex = made([FilmEnd(22.0, 0.0)], [], anatomy)
    short = np.linspace(0.0, 2.0, 101)
    return float(np.mean([apex.risk(22.0 - s).beyond for s in short]))


def test_the_published_order_of_canals_passed_beyond_the_foramen() -> None:
    """T1.8: with an accepted film length, 0 to 2 mm short, 51 % of premolar, 22 % of molar and no anterior canals were passed
    (ElAyouti, Weiger & Loest, J Endod 2001;27:49-52). The order is reproduced; the shares are not fitted.
    """
    premolar, molar, anterior = (passed_share(tooth) for tooth in ("35", "46", "11"))
    assert premolar > molar + 0.03
    assert molar > anterior + 0.03


def test_the_mean_distance_is_the_published_one() -> None:
    """The share at the tip is inside the mean, not beside it."""
    apex = made([FilmEnd(22.0, 0.0)], [], MOLAR)
    assert 22.0 - apex.foramen_mean_mm == pytest.approx(APEX_TO_FORAMEN_MM["molar"], abs=0.02)
    assert apex.foramen_mean_mm - apex.mean_mm == pytest.approx(sum(FORAMEN_TO_CONSTRICTION_MM) / 2.0, abs=0.01)


@pytest.mark.parametrize(
    "anatomy",
    [
        anatomy_of(apex="open"),
        anatomy_of(resorption="bone"),
        anatomy_of(changed=True),
        anatomy_of(Tooth.from_iso3950("85")),
    ],
)
def test_where_nothing_published_holds_the_answer_is_wider(anatomy: Anatomy) -> None:
    assert not anatomy.known
    for films, readings in (([FilmEnd(22.0, 0.2)], []), ([], [ReadingGroup((21.0, 21.0, 21.0))])):
        assert made(films, readings, anatomy).std_mm > 1.1 * made(films, readings).std_mm


def test_resorption_adds_what_the_allowance_adds() -> None:
    """Weine: 1.5 and 2.0 mm in place of 1.0."""
    assert anatomy_of(resorption="bone and root").foramen_mm - anatomy_of(
        resorption="bone"
    ).foramen_mm == pytest.approx(0.5)


@pytest.mark.parametrize(
    "wrong", [{"foramen_mm": 0.0}, {"at_tip": ()}, {"at_tip": (1.0,)}, {"constriction_mm": (-0.5,)}]
)
def test_an_anatomy_that_cannot_be(wrong: dict[str, object]) -> None:
    with pytest.raises(DecideError, match=next(iter(wrong))):
        Anatomy(**wrong)  # type: ignore[arg-type]


# --- against drawn canals --------------------------------------------------------------------------------------------


def weighed(film: FilmEnd, group: ReadingGroup, anatomy: Anatomy) -> tuple[float, float, float]:
    """Mean and standard deviation of the constriction and its share beyond, by weighing drawn canals: Bayes' rule by hand."""
    g, n = np.random.default_rng(8), 400_000
    share, mean, between = (g.choice(of, n) for of in (anatomy.at_tip, (anatomy.foramen_mm,), anatomy.constriction_mm))
    off = g.gamma(anatomy.foramen_shape, 1.0, n) * mean / (1.0 - share) / anatomy.foramen_shape
    off = np.where(g.random(n) < share, np.abs(g.normal(0.0, AT_TIP_STD_MM, n)), off)
    # The film is drawn exactly: apex about its length by its own error, gross at times.
    gross = np.where(g.random(n) < FILM_WRONG_SHARE, g.normal(0.0, FILM_WRONG_STD_MM, n), 0.0)
    apex = film.length_mm + g.normal(0.0, film.own_std_mm, n) + g.uniform(-1.0, 1.0, n) * film.even_mm + gross
    foramen = apex - off
    kind = g.random(n)
    early, late = (np.abs(g.normal(0.0, far, n)) for far in READING_WRONG_STD_MM)
    wrong = np.where(kind < group.wrong_shares[0], -early, np.where(kind < sum(group.wrong_shares), late, 0.0))
    shown = foramen + READING_BIAS_MM + g.normal(0.0, group.device_std_mm, n) + wrong
    weight = np.zeros(n)
    for std in REPEAT_STDS_MM:
        each = np.ones(n)
        for value in group.lengths_mm:
            # Midpoints of what is rounded to the division.
            steps = (np.arange(8) + 0.5) / 8.0 - 0.5
            read = np.mean([np.exp(-0.5 * ((value + s * group.division_mm - shown) / std) ** 2) for s in steps], axis=0)
            misread = np.exp(-0.5 * ((value - shown) / MISREAD_STD_MM) ** 2) / MISREAD_STD_MM
            each *= (1.0 - MISREAD_SHARE) * read / std + MISREAD_SHARE * misread
        weight += each
    constriction = foramen - g.gamma(anatomy.constriction_shape, 1.0, n) * between / anatomy.constriction_shape
    weight /= weight.sum()
    middle = float(weight @ constriction)
    return middle, sqrt(float(weight @ (constriction - middle) ** 2)), float(weight[foramen < middle].sum())


@pytest.mark.parametrize(
    ("film_mm", "readings"),
    [(22.0, (21.5, 21.5, 21.5)), (22.0, (20.5, 20.5, 21.0)), (21.0, (21.4, 21.6, 21.3)), (23.5, (21.0, 21.0, 21.0))],
)
def test_the_curves_are_what_weighing_drawn_canals_gives(film_mm: float, readings: tuple[float, ...]) -> None:
    film, group = FilmEnd(film_mm, 0.2, even_mm=0.25), ReadingGroup(readings)
    found = made([film], [group], MOLAR)
    mean, std, beyond = weighed(film, group, MOLAR)
    assert found.mean_mm == pytest.approx(mean, abs=0.02)
    assert found.std_mm == pytest.approx(std, abs=0.02)
    assert found.risk(mean).beyond == pytest.approx(beyond, abs=0.012)


def test_readings_alone_by_hand() -> None:
    """One exact device and no gross error: the constriction is the reading less bias and distance, and their variances add."""
    group = ReadingGroup((20.93,), device_std_mm=0.3, wrong_shares=(0.0, 0.0))
    found = made([], [group])
    repeats = sum(std**2 for std in REPEAT_STDS_MM) / 2.0
    misread = (1.0 - MISREAD_SHARE) * repeats + MISREAD_SHARE * MISREAD_STD_MM**2
    assert found.foramen_mean_mm == pytest.approx(20.93 - READING_BIAS_MM, abs=0.002)
    assert found.foramen_std_mm == pytest.approx(sqrt(0.3**2 + misread), abs=0.01)


def test_films_share_their_tilt() -> None:
    """Four equal films: clicks of their own average out, what they share does not."""
    one = FilmEnd(22.0, 0.3, shared_std_mm=0.3)
    exact = Anatomy(0.01, 50.0, (0.9,), (0.01,), 50.0)
    single, four = made([one], [], exact), made([one] * 4, [], exact)
    assert four.foramen_std_mm < single.foramen_std_mm
    assert four.foramen_std_mm == pytest.approx(sqrt(0.3**2 + 0.3**2 / 4.0), abs=0.03)


def test_a_stop_that_may_have_slid_reaches_one_way() -> None:
    sure, slid = made([FilmEnd(22.0, 0.2)], []), made([FilmEnd(22.0, 0.2, too_long_mm=1.0)], [])
    assert slid.mean_mm == pytest.approx(sure.mean_mm - 0.25, abs=0.01)  # a third of them by 0.75 mm on average


# --- the length and its risk -----------------------------------------------------------------------------------------


lengths = st.integers(180, 260).map(lambda value: value / 10.0)
evidence = st.tuples(lengths, st.lists(lengths, min_size=0, max_size=4), st.floats(0.05, 0.8))


def of(drawn: tuple[float, list[float], float]) -> Posterior:
    film, readings, std = drawn
    return made([FilmEnd(film, std, even_mm=0.25)], [ReadingGroup(tuple(readings))] if readings else [], MOLAR)


@given(drawn=evidence, more=st.floats(0.0, 2.0))
def test_laws_of_a_risk(drawn: tuple[float, list[float], float], more: float) -> None:
    """A longer length passes the foramen more often and falls short less often; both are probabilities."""
    ends = of(drawn)
    here = ends.best_mm()
    near, far = ends.risk(here), ends.risk(here + more)
    assert 0.0 <= near.beyond <= far.beyond + 1e-12 <= 1.0 + 1e-9
    assert 0.0 <= far.short <= near.short + 1e-12 <= 1.0 + 1e-9
    assert far.mean_short_mm == pytest.approx(near.mean_short_mm - more)


@given(drawn=evidence, cost=st.floats(0.0, 5.0), more=st.floats(0.0, 5.0))
def test_laws_of_the_length(drawn: tuple[float, list[float], float], cost: float, more: float) -> None:
    """Never longer than the mean of the constriction; the dearer the foramen, the shorter."""
    ends = of(drawn)
    assert ends.best_mm(cost) <= ends.mean_mm + 1e-9
    assert ends.best_mm(cost + more) <= ends.best_mm(cost) + 0.02
    low, high = ends.interval_mm()
    assert low < ends.mean_mm < high
    assert ends.foramen.sum() == pytest.approx(1.0)
    assert ends.constriction.sum() == pytest.approx(1.0)
    assert 0.0 <= ends.wrong <= 1.0


def test_the_length_has_the_least_expected_cost() -> None:
    """The cost written out for every length of the grid."""
    ends = made([FilmEnd(22.0, 0.2, even_mm=0.25)], [ReadingGroup((21.0, 21.0, 21.5))], MOLAR)

    def cost(length: float) -> float:
        return float(ends.constriction @ np.abs(ends.constriction_at_mm - length)) + ends.risk(length).beyond

    best = ends.best_mm(1.0)
    others = np.arange(best - 1.0, ends.mean_mm, 0.005)
    assert cost(best) <= min(cost(float(length)) for length in others) + 1e-4


@given(drawn=evidence, cost=st.floats(0.0, 3.0))
def test_laws_of_the_length_for_a_stop_that_is_rounded_down(
    drawn: tuple[float, list[float], float], cost: float
) -> None:
    """Not longer than the mean, not shorter than without a ruler, and longer only to reach the division below the mean."""
    ends = of(drawn)
    free, ruled = ends.best_mm(cost), ends.best_mm(cost, step_mm=0.5)
    assert free <= ruled <= ends.mean_mm + 1e-9
    assert ruled == free or (2.0 * ruled == pytest.approx(round(2.0 * ruled)) and ends.mean_mm - ruled < 0.5)


def test_readings_that_contradict_the_film_are_not_averaged() -> None:
    apart = made([FilmEnd(24.5, 0.2)], [ReadingGroup((21.0, 21.0, 21.0))], MOLAR)
    near = made([FilmEnd(22.0, 0.2)], [ReadingGroup((21.0, 21.0, 21.0))], MOLAR)
    assert apart.wrong > 3.0 * near.wrong
    assert apart.std_mm > 2.0 * near.std_mm


def test_a_reading_beyond_bounds_the_foramen() -> None:
    without = made([FilmEnd(22.0, 0.3)], [], MOLAR)
    bounded = made([FilmEnd(22.0, 0.3)], [ReadingGroup((), (21.3,))], MOLAR)
    assert bounded.risk(21.4).beyond > 1.5 * without.risk(21.4).beyond


def test_an_independent_later_reading_counts_and_shaping_is_a_shift_with_its_spread() -> None:
    now, before = ReadingGroup((20.5, 20.5, 20.5)), ReadingGroup((21.0, 21.0, 21.0), shift_mm=0.35, shift_std_mm=0.4)
    alone, both = made([], [now], MOLAR), made([], [now, before], MOLAR)
    assert both.std_mm < alone.std_mm
    shifted = made([], [before], MOLAR)
    straight = made([], [evolve(before, shift_mm=0.0, shift_std_mm=0.0)], MOLAR)
    assert shifted.mean_mm == pytest.approx(straight.mean_mm - 0.35, abs=0.02)
    assert shifted.std_mm > straight.std_mm


@pytest.mark.parametrize(
    ("lengths_mm", "division"), [((21.0, 20.5), 0.5), ((21.0, 20.25), 0.25), ((20.3, 21.0), 0.1), ((20.337,), 0.0)]
)
def test_what_a_ruler_was_read_to_shows_in_the_decimals(lengths_mm: tuple[float, ...], division: float) -> None:
    assert ReadingGroup(lengths_mm).division_mm == division


def test_lengths_that_no_place_explains_give_nothing() -> None:
    assert ends_of([FilmEnd(59.0, 0.02)], [ReadingGroup((2.0, 2.0, 2.0))]) is None
    assert ends_of([], []) is None
    assert ends_of([], [ReadingGroup((), (21.0,))]) is None


def test_thousands_of_readings_or_films_are_as_few() -> None:
    """Their densities multiplied are beyond any number, and of those that contradict each other nothing would be left."""
    for few, many in (
        (made([], [ReadingGroup((21.5,) * 100)]), made([], [ReadingGroup((21.5,) * 3000)])),
        (made([FilmEnd(21.5, 0.1, 0.3)] * 100, []), made([FilmEnd(21.5, 0.1, 0.3)] * 3000, [])),
        (made([], [ReadingGroup((21.5,))] * 50), made([], [ReadingGroup((21.5,))] * 3000)),
    ):
        assert many.foramen_mean_mm == pytest.approx(few.foramen_mean_mm, abs=0.02)
        assert many.best_mm(step_mm=0.5) == pytest.approx(few.best_mm(step_mm=0.5), abs=0.1)
        assert many.foramen_std_mm <= few.foramen_std_mm + 0.001
    short_first, long_first = ((21.0,) * 1000 + (24.0,) * 1000, (24.0,) * 1000 + (21.0,) * 1000)
    one, other = made([], [ReadingGroup(short_first)]), made([], [ReadingGroup(long_first)])
    assert one.foramen_mean_mm == pytest.approx(other.foramen_mean_mm, abs=1e-6)


def test_a_group_holds_a_reading() -> None:
    with pytest.raises(DecideError, match="at least one"):
        ReadingGroup()
    with pytest.raises(DecideError, match="own_std_mm"):
        FilmEnd(22.0, -0.1)


def test_words_say_whose_figures_they_are() -> None:
    ends = made([FilmEnd(22.0, 0.2, even_mm=0.25)], [ReadingGroup((21.0, 21.0, 21.0))], MOLAR)
    words = ends.risk(20.0).words
    assert words.startswith("by this model, not tested on patients: under 1 % beyond the foramen")
    assert "more than 1 mm short, on average 0.5 mm short" in words


def test_the_normal_spread_of_an_exact_end() -> None:
    """Density by hand where nothing else is in the way: a reading of 20.93 and one device of 0.5 mm."""
    group = ReadingGroup((20.93,), device_std_mm=0.5, wrong_shares=(0.0, 0.0))
    ends = made([], [group])
    at = int(np.argmin(np.abs(ends.foramen_at_mm - (20.93 - READING_BIAS_MM))))
    density = ends.foramen[at] / 0.02
    parts = [0.5 * (1.0 - MISREAD_SHARE) / sqrt(2.0 * pi * (0.25 + std**2)) for std in REPEAT_STDS_MM]
    misread = MISREAD_SHARE / sqrt(2.0 * pi * (0.25 + MISREAD_STD_MM**2))
    assert density == pytest.approx((sum(parts) + misread) * exp(0.0), rel=0.01)
