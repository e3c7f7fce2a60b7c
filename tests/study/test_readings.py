"""Tables as spreadsheets write them, and the one clear line for what is no table."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import StudyError
from wlmeasure.study.readings import Reading, Readings, load_readings, readings_csv, readings_from_csv
from wlmeasure.study.summary import summaries


def test_semicolons_and_decimal_commas_are_understood():
    made = readings_from_csv("Subject;Observer;Value\ncanal 1;a;20,5\ncanal 1;b;−0,25\n")
    assert [row.value for row in made.rows] == [20.5, -0.25]
    quoted = readings_from_csv('subject,observer,value,note\nc,a,"20,5",first\nc,b,21.0,\n')
    assert [row.value for row in quoted.rows] == [20.5, 21.0]
    tabs = readings_from_csv("subject\tobserver\tvalue\nc\ta\t1,5\n")
    assert tabs.rows[0].value == 1.5


def test_rows_of_one_cell_are_repeats_in_their_order():
    made = readings_from_csv("subject,observer,value\nc,a,1\nd,a,2\nc,a,3\n\n", unit="mm")
    assert [(row.subject, row.repeat) for row in made.rows] == [("c", 1), ("d", 1), ("c", 2)]
    assert {row.unit for row in made.rows} == {"mm"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty|no subject"),
        ("subject,observer\nc,a\n", "there is no value"),
        ("subject,observer,value\n", "none below"),
        ("subject,observer,value\nc,a,abc\n", "row 2: value must be a number such as 20.5 or 20,5: 'abc'"),
        ("subject,observer,value\nc,a,1\nc,b,inf\n", "row 3: value must be a finite"),
        ("subject,observer,value\nc,a,20,5\n", "row 2 must have 3 cells .* it has 4; put a value"),
        ("subject,observer,value\nc,,1\n", "row 2: observer must not be empty"),
        ("subject,observer,value,repeat\nc,a,1,0\n", "row 2: repeat"),
        ("subject,observer,value,repeat\nc,a,1,1\nc,a,2,1\n", "there are two"),
        ("subject,observer,value,unit\nc,a,1,mm\nc,b,2,deg\n", "unit"),
        ("subject,subject,observer,value\nc,c,a,1\n", "stands 2 times"),
        ("subject;observer;value\nc;a;1.234,5\n", "row 2: value"),
    ],
)
def test_a_bad_table_is_one_clear_line(text, said):
    with pytest.raises(StudyError, match=said) as caught:
        readings_from_csv(text)
    assert "\n" not in str(caught.value)


def test_a_file_is_named_in_what_is_wrong_with_it(tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(b"subject,observer,value\nc,a,x\n")
    with pytest.raises(StudyError, match=r"^t\.csv: row 2"):
        load_readings(path)
    path.write_bytes("subject,observer,value\nca\xf1al,a,1\n".encode("latin-1"))
    with pytest.raises(StudyError, match="UTF-8"):
        load_readings(path)


NAME = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp")), min_size=1, max_size=8)


@given(
    st.lists(
        st.builds(
            Reading,
            NAME,
            NAME,
            st.floats(allow_nan=False, allow_infinity=False),
            st.integers(1, 3),
            st.sampled_from(["length_mm", "a;b"]),
            NAME,
            st.just("mm"),
            st.none() | st.integers(1, 9999).map(float),
        ),
        min_size=1,
        max_size=6,
        unique_by=lambda row: (row.subject, row.observer, row.repeat, row.definition),
    )
)
def test_a_table_written_and_read_again_is_the_same(rows):
    """Whatever subjects are called: formulas, quotes, separators."""
    assert readings_from_csv(readings_csv(rows)).rows == tuple(rows)


def test_missing_cells_are_left_out_where_a_whole_table_is_needed_and_said():
    rows = [
        Reading(f"s{k}", o, 20.0 + k + d) for k in range(6) for o, d in (("a", 0.1 * (k % 2)), ("b", 0.3), ("c", 0.0))
    ]
    rows = [row for row in rows if (row.subject, row.observer) != ("s5", "c")]
    (found,) = summaries(Readings(tuple(rows)))
    assert (found.subjects, found.complete) == (6, 5)
    assert [(p.first, p.second, p.limits.subjects) for p in found.pairs] == [
        ("a", "b", 6),
        ("a", "c", 5),
        ("b", "c", 5),
    ]
    assert found.squares.subjects == 5
    assert "1 of 6 subjects" in found.remarks[0]


def test_groups_of_teeth_and_definitions_are_told_apart():
    rows = [
        Reading(f"s{k}", o, 20.0 + k + d + (5.0 if name == "b" else 0.0), 1, name, "molar" if k < 4 else "canine", "mm")
        for name in ("a", "b")
        for k in range(8)
        for o, d in (("x", 0.2), ("y", 0.1 * (k % 3)))
    ]
    found = summaries(Readings(tuple(rows)))
    assert [(one.definition, one.group, one.subjects) for one in found] == [
        *(("a", "", 8), ("a", "canine", 4), ("a", "molar", 4)),
        *(("b", "", 8), ("b", "canine", 4), ("b", "molar", 4)),
    ]


def test_parts_of_the_spread_by_hand():
    """Two subjects 10 apart, two observers 2 apart, two repeats 1 apart, all crossed: the analysis of variance by hand.

    Mean squares: subjects 4 x 50 = 200, observers 4 x 2 = 8, both 0, repeats 4 x 0.5 / 4 = 0.5.
    """
    rows = [
        Reading(f"s{s}", o, 10.0 * s + d + 1.0 * r, r + 1)
        for s in range(2)
        for o, d in (("a", 0.0), ("b", 2.0))
        for r in range(2)
    ]
    parts = summaries(Readings(tuple(rows)))[0].components
    assert parts.subject == pytest.approx((200.0 / 4.0) ** 0.5)
    assert parts.observer == pytest.approx((8.0 / 4.0) ** 0.5)
    assert parts.remainder == 0.0
    assert parts.repeat == pytest.approx(0.5**0.5)


def test_a_table_that_says_nothing_of_agreement_is_refused():
    with pytest.raises(StudyError, match="nothing can be said"):
        summaries(Readings((Reading("s", "a", 1.0), Reading("t", "b", 2.0))))
