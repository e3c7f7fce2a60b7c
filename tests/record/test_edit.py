"""Steps from one case to the next: what each changes, that it changes nothing else, and what it refuses."""

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError, QuestionError
from wlmeasure.image.reading import read
from wlmeasure.record import edit
from wlmeasure.record.case import KnownObject, Spacing, Trace, case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.record import LengthRecord

WHO = {"at": "2026-11-25T11:00:00", "by": "KO"}
CUSP = "mesiobuccal cusp tip"


@pytest.fixture
def case(full, tmp_path):
    """MB with everything, joining ML; ML without a trace."""
    return case_from_json(full, folder=tmp_path)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("21.5", 21.5),
        ("21,5", 21.5),
        ("  21.5 mm ", 21.5),
        ("21.5mm", 21.5),
        ("20", 20.0),
        ("-0,5", -0.5),
        ("1e1", 10.0),
    ],
)
def test_a_number_as_a_person_types_it(text, number):
    assert edit.typed_number(text, "reading") == number


@pytest.mark.parametrize(
    "text", ["", "   ", "abc", "21.5 cm", "21 5", "1,234.5", "21.5 mm mm", "nan", "inf", "mm", "--2"]
)
def test_what_is_no_number_is_refused_with_the_fields_name(text):
    with pytest.raises(CaseError, match=r"^reading must be a (finite )?number"):
        edit.typed_number(text, "reading")


def test_a_long_text_is_shortened_in_the_refusal():
    with pytest.raises(CaseError) as refusal:
        edit.typed_number("x" * 5000, "reading")
    assert len(str(refusal.value)) < 100


@given(st.floats(min_value=-1e6, max_value=1e6))
def test_every_number_reads_back_with_point_or_comma(number):
    text = repr(number)
    assert edit.typed_number(text, "length") == edit.typed_number(text.replace(".", ","), "length") == number


def test_a_new_case_has_the_image_as_its_film(film):
    image = read(film)
    case = edit.new_case("46", image, "sub/film.png")
    (only,) = case.films
    assert (only.id, only.path, only.rows, only.cols, only.sha256) == ("f1", "sub/film.png", 480, 300, image.sha256)
    assert (case.tooth, case.canals) == ("46", ())
    with pytest.raises(CaseError, match="tooth"):
        edit.new_case("99", image, film)


def test_a_film_is_taken_once_and_gets_the_first_free_id(case, film):
    image = read(film)
    with pytest.raises(CaseError, match=r"film must be another image: other\.png is film f1 already"):
        edit.with_film(case, image, "other.png")
    second = edit.with_film(case, evolve(image, sha256="2" * 64), "b.png")
    third = edit.with_film(second, evolve(image, sha256="3" * 64), "c.png")
    assert [f.id for f in third.films] == ["f1", "earlier", "f2", "f3"]
    gap = evolve(third, films=(*third.films[:2], third.films[3]))
    more = edit.with_film(gap, evolve(image, sha256="4" * 64), "d.png")
    assert [f.id for f in more.films] == ["f1", "earlier", "f3", "f2"]


def test_scales_are_added_replaced_and_taken_away_on_their_film_only(case, film):
    two = edit.with_film(case, evolve(read(film), sha256="2" * 64), "b.png")
    new = KnownObject(points_px=((0.0, 0.0), (100.0, 0.0)), known_length_mm=5.0)
    more = edit.with_scale(two, "f2", new)
    assert (more.films[0], more.films[2].scale) == (two.films[0], (new,))
    other = Spacing(claim="PixelSpacing")
    assert edit.with_scale(more, "f2", other, at=0).films[2].scale == (other,)
    assert edit.without_scale(more, "f2", 0) == two
    assert [s for k, s in enumerate(case.films[0].scale) if k != 1] == list(
        edit.without_scale(case, "f1", 1).films[0].scale
    )


def test_a_canal_is_added_at_the_end_and_its_name_is_used_once(case):
    more = edit.with_canal(case, "DB", "distobuccal cusp tip")
    assert more.canals[:2] == case.canals
    assert (more.canals[2].name, more.canals[2].traces) == ("DB", ())
    with pytest.raises(CaseError, match="must be used once"):
        edit.with_canal(case, "MB", "cusp")


def test_what_joins_a_canal_follows_its_new_name_and_stands_alone_without_it(case):
    assert case.canals[0].joins.canal == "ML"
    renamed = edit.renamed_canal(case, "ML", "L", "lingual cusp", **WHO)
    assert (renamed.canals[0].joins.canal, renamed.canals[1].name) == ("L", "L")
    assert renamed.canals[0].joins.mm_from_apex == 3.0
    alone = edit.without_canal(case, "ML", **WHO)
    assert [c.name for c in alone.canals] == ["MB"]
    assert alone.canals[0] == evolve(case.canals[0], joins=None)
    with pytest.raises(CaseError, match="must be used once"):
        edit.renamed_canal(case, "ML", "MB", "cusp", **WHO)


def test_a_trace_takes_the_place_of_the_one_on_its_film(case):
    trace = Trace(film="f1", clicks_px=((1.0, 2.0), (30.0, 4.0)), apical_end="file tip")
    new = edit.with_trace(case, "MB", trace)
    assert new.canals[0].traces == (trace,)
    assert edit.with_trace(case, "ML", trace).canals[1].traces == (trace,)
    assert edit.without_trace(new, "MB", "f1").canals[0].traces == ()
    with pytest.raises(CaseError, match="id of a film"):
        edit.with_trace(case, "MB", evolve(trace, film="f7"))


def test_a_reading_is_an_entry_from_the_canals_reference_point(case):
    more = edit.with_reading(case, "MB", 20.0, "foramen", file_size=15, conditions=("wet",), **WHO)
    assert more.entries[:-1] == case.entries
    assert more.canals == case.canals
    new = more.entries[-1]
    assert (new.kind, new.length_mm, new.finding, new.size) == ("electronic reading", 20.0, "foramen", 15)
    assert (new.reference_point, new.conditions, new.at, new.by) == (CUSP, ("wet",), WHO["at"], "KO")
    assert new.length_std_mm == pytest.approx(0.5 / 12**0.5)
    with pytest.raises(CaseError, match="size must be one of ISO 3630-1"):
        edit.with_reading(case, "MB", 20.0, "foramen", file_size=33, **WHO)
    unnamed = edit.with_canal(case, "DB")
    with pytest.raises(CaseError, match="reference point of canal DB must be named first: a reading counts from it"):
        edit.with_reading(unnamed, "DB", 20.0, "foramen", **WHO)


def test_an_entry_is_struck_out_by_a_note_and_is_still_there(case):
    more = edit.with_reading(case, "MB", 20.0, "foramen", **WHO)
    out = edit.struck_out(more, more.entries[-1].id, at="2026-11-25T11:05:00", by="AB", why="other tooth")
    assert out.entries[:-1] == more.entries
    note = out.entries[-1]
    assert (note.kind, note.supersedes, note.note, note.canal) == ("note", more.entries[-1].id, "other tooth", "MB")
    assert LengthRecord(out.entries).readings("MB", CUSP) == ((), ())
    for gone in (more.entries[-1].id, "e99"):
        with pytest.raises(CaseError, match=f"entry must be one that stands: '{gone}'"):
            edit.struck_out(out, gone, **WHO)


def test_tooth(case):
    assert edit.with_tooth(case, "36") == evolve(case, tooth="36")
    with pytest.raises(CaseError, match="tooth"):
        edit.with_tooth(case, "0")


STEPS = {
    "trace": lambda c, n: edit.with_trace(c, n, c.canals[0].traces[0]),
    "no trace": lambda c, n: edit.without_trace(c, n, "f1"),
    "reading": lambda c, n: edit.with_reading(c, n, 20.0, "foramen", **WHO),
    "no canal": lambda c, n: edit.without_canal(c, n, **WHO),
    "rename": lambda c, n: edit.renamed_canal(c, n, "new", "cusp", **WHO),
}


@pytest.mark.parametrize("step", STEPS.values(), ids=STEPS.keys())
def test_no_step_edits_in_place_and_each_names_a_canal_that_is_not_there(case, full, tmp_path, step):
    step(case, "MB")
    assert case == case_from_json(full, folder=tmp_path)
    with pytest.raises(CaseError, match="canal must be one of the case: 'nobody'; add it first"):
        step(case, "nobody")


@pytest.mark.parametrize("step", STEPS.values(), ids=STEPS.keys())
def test_steps_keep_members_that_are_not_theirs(full, tmp_path, step):
    """Unknown members, the record's entries, the other canal, and where the films lie."""
    for k, part in enumerate([full, full["films"][0], full["canals"][0], full["canals"][1]]):
        part["later"] = k
    case = case_from_json(full, folder=tmp_path)
    new = step(case, "MB")
    assert (new.extra, new.films, new.folder) == (case.extra, case.films, tmp_path)
    assert new.entries[: len(case.entries)] == case.entries
    assert new.canals[-1] == case.canals[-1]
    assert [c.extra for c in new.canals] == [c.extra for c in case.canals][-len(new.canals) :]


def test_a_reading_in_centimetres_is_asked_about(body):
    case = case_from_json(body)
    with pytest.raises(QuestionError, match=r"length_mm must be a length in millimetres: 2.1 mm\? Or 21 mm\?") as asked:
        edit.with_reading(case, "MB", 2.1, "foramen", **WHO)
    assert asked.value.codes == ("length-in-centimetres",)
    kept = edit.with_reading(case, "MB", 2.1, "foramen", confirmed=asked.value.codes, **WHO)
    assert kept.entries[-1].confirmed == ("length-in-centimetres",)


@pytest.mark.parametrize(
    ("at", "expected"),
    [((5.0, 1.0), 1), ((15.0, -1.0), 2), ((10.0, 0.5), 1), ((25.0, 0.0), 2), ((-3.0, 0.0), 1)],
)
def test_a_point_more_goes_between_the_two_it_lies_between(at, expected):
    """On a line of three points, 10 apart; beyond an end it goes behind the last piece or before the first one."""
    points = ((0.0, 0.0), (10.0, 0.0), (20.0, 0.0))
    assert edit.with_point(points, at).index(at) == expected


# --- the reference point of a file whose stop does not show --------------------------------------------------------------


def seated_on(body, **more):
    """The bench case with its file's stop at no place seen, and the file's tip noted in canal MB."""
    body["films"][0]["scale"][0] |= {"upper_end": "reference", "reference_px": [20.0, 60.0]} | more
    body["canals"][0]["traces"][0] |= {"file_tip_px": [420, 50]}
    return case_from_json(body)


def places(case):
    """Where the file's stop rested, and where the canal counts from."""
    return case.films[0].scale[0].reference_px, case.canals[0].traces[0].reference_px


def test_the_files_reference_point_is_the_canals_whichever_is_moved(body):
    case = seated_on(body)
    by_file = edit.with_reference(case, "f1", 0, (30.0, 62.0), stop_seated="yes")
    assert places(by_file) == ((30.0, 62.0), (30.0, 62.0))
    assert by_file.films[0].scale[0].stop_seated == "yes"
    trace = by_file.canals[0].traces[0]
    by_canal = edit.with_trace(by_file, "MB", evolve(trace, reference_px=(31.0, 61.0)))
    assert places(by_canal) == ((31.0, 61.0), (31.0, 61.0))
    assert by_canal.films[0].scale[0].stop_seated == "yes"
    moved = edit.with_scale(by_canal, "f1", evolve(by_canal.films[0].scale[0], reference_px=(33.0, 60.0)), at=0)
    assert places(moved) == ((33.0, 60.0), (33.0, 60.0))


def test_marking_the_reference_of_a_file_says_that_its_stop_does_not_show(body):
    body["canals"][0]["traces"][0] |= {"file_tip_px": [420, 50]}
    body["films"].append(body["films"][0] | {"id": "earlier", "sha256": "e" * 64, "scale": []})
    carried = {"film": "earlier", "marks": ["reference point", "path"], "std_px": 4.5}
    body["canals"][0]["traces"][0]["carried"] = carried
    case = edit.with_reference(case_from_json(body), "f1", 0, (25, 58))
    file, trace = case.films[0].scale[0], case.canals[0].traces[0]
    assert (file.upper_end, file.reference_px, file.stop_seated) == ("reference", (25.0, 58.0), None)
    assert trace.carried.marks == ("path",)  # a person has placed it here


def test_a_file_in_another_canal_moves_nothing(body):
    case = seated_on(body)
    other = evolve(case.canals[0].traces[0], file_tip_px=(400.0, 90.0))
    case = edit.with_trace(case, "MB", other)
    assert places(edit.with_reference(case, "f1", 0, (30.0, 62.0)))[1] == (20.0, 60.0)
    assert places(edit.with_trace(case, "MB", evolve(other, reference_px=(40.0, 60.0))))[0] == (20.0, 60.0)


def test_a_canal_without_a_reference_point_counts_from_where_its_files_stop_rested(body, measure):
    """The tip is noted by itself once the canal is traced along the file, and the reference point with it."""
    body["films"][0]["scale"][0] |= {"upper_end": "reference", "reference_px": [20.0, 56.0]}
    body["canals"][0]["traces"] = [{"film": "f1", "path_px": [[150, 50], [440, 50]], "apical_end": "radiographic apex"}]
    result = measure(body)
    assert places(edit.with_file_tips(result.case, result, None)) == ((20.0, 56.0), (20.0, 56.0))


def canal(name, column):
    path = [[150, column], [440, column]]
    return {"name": name, "traces": [{"film": "f1", "path_px": path, "apical_end": "radiographic apex"}]}


def test_a_canal_far_from_the_file_has_nothing_of_where_its_stop_rested(body, measure):
    """100 pixels beside it, 5 mm, a canal is not the one that the file lies in, though it is the only one that is traced."""
    body["films"][0]["scale"][0] |= {"upper_end": "reference", "reference_px": [20.0, 56.0]}
    body["canals"] = [canal("D", 150)]
    result = measure(body)
    assert edit.with_file_tips(result.case, result, None).canals[0].traces[0].reference_px is None


@pytest.mark.parametrize(("ratio", "counts"), [(1.0, True), (0.5, False)])
def test_what_lies_by_a_path_is_judged_in_millimetres_of_the_film(body, measure, ratio, counts):
    """20 rows beside a path of 270 columns: 7 % of its length, and 15 % where a column is half as wide as a row is high."""
    body["films"][0]["col_over_row"] = ratio
    body["films"][0]["scale"][0] |= {
        "points_px": [[70, 10], [70, 290]],
        "upper_end": "reference",
        "reference_px": [76, 10],
    }
    body["canals"] = [canal("MB", 50)]
    body["canals"][0]["traces"][0]["path_px"] = [[50, 20], [50, 290]]
    result = measure(body)
    point = edit.with_file_tips(result.case, result, None).canals[0].traces[0].reference_px
    assert (point == (76.0, 10.0)) == counts


def test_where_the_stop_rested_goes_with_the_file_to_the_canal_that_is_traced_nearer(body, measure):
    """First the one 20 pixels beside the file, then the one along it: the point stands in one of them, never in both."""
    body["films"][0]["scale"][0] |= {"upper_end": "reference", "reference_px": [20.0, 56.0]}
    body["canals"] = [canal("ML", 70)]
    result = measure(body)
    first = edit.with_file_tips(result.case, result, None)
    assert first.canals[0].traces[0].reference_px == (20.0, 56.0)
    both = evolve(first, canals=(*first.canals, *case_from_json(body | {"canals": [canal("MB", 50)]}).canals))
    then = edit.with_file_tips(both, evaluate(both), first)
    assert [(one.name, one.traces[0].file_tip_px, one.traces[0].reference_px) for one in then.canals] == [
        ("ML", None, None),
        ("MB", (420.0, 50.0), (20.0, 56.0)),
    ]


def test_only_a_file_of_known_length_has_a_stop_to_rest(full):
    case = case_from_json(full)
    for at in (1, 2, 3, 9):
        with pytest.raises(CaseError, match="must be a file of known length"):
            edit.with_reference(case, "f1", at, (20.0, 50.0))
