"""Where a case lies and what changes it: steps, Save, two windows, files changed underneath; and whose film it is. No Qt."""

import gc
import json
import os
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from attrs import evolve
from wlmeasure_napari._drafts import drafts, free_drafts
from wlmeasure_napari._entries import enter
from wlmeasure_napari._session import Session

from wlmeasure.errors import CaseError
from wlmeasure.image.reading import read
from wlmeasure.record.case import case_to_json, load_case, save_case
from wlmeasure.record.draft import Draft

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
from dicom_film import code, written
from dicom_film import film as dicom

TEETH = {"46": code("866005003"), "47": code("863899008")}


def png(path, seed):
    """A small picture of its own, with more columns than rows."""
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), np.random.default_rng(seed).integers(0, 255, (40, 60), np.uint8))
    return path


def dcm(path, uid, *teeth, **attributes):
    """A film whose header may name a patient and teeth; `uid` makes it a file of its own."""
    path.parent.mkdir(parents=True, exist_ok=True)
    items = [TEETH[tooth] for tooth in teeth]
    path.write_bytes(
        written(dicom(PrimaryAnatomicStructureSequence=items, SOPInstanceUID=f"1.2.3.{uid}", **attributes))
    )
    return path


def window(film, tooth="46"):
    """A session with a case begun; what it says is kept by place."""
    session = Session()
    session.told = {}
    session.said.connect(lambda place, text: session.told.update({place: text}))
    session.open_film(film)
    session.set_tooth(tooth)
    return session


def saved(tmp_path, name="case", tooth="46", seed=1):
    """A saved case that no window has open."""
    path = tmp_path / name / f"{name}.wl.json"
    session = window(png(tmp_path / name / "film.png", seed), tooth)
    session.save_as(path)
    session.put_away()
    return path


def opened(path):
    session = Session()
    session.open_case(path)
    return session


def changed_by_another(path, **members):
    """What another computer makes of the file: its case with other members."""
    save_case(evolve(load_case(path), **members), path)
    return path.read_bytes()


def note(session, text):
    enter(session, Draft("note"), note=text)


def notes(case):
    return [entry.note for entry in case.entries]


def names(case):
    return [canal.name for canal in case.canals]


def choices(session):
    return [choice.words for choice in session.question.choices]


# --- what a step writes, and what Save does ---------------------------------------------------------------------------


def test_the_named_file_changes_by_save_alone(tmp_path):
    path = saved(tmp_path)
    before = path.read_bytes()
    session = opened(path)
    for step in (
        lambda: session.add_canal("L"),
        lambda: session.set_tooth("47"),
        session.undo,
        session.redo,
        session.delete_canal,
    ):
        step()
        assert path.read_bytes() == before
        assert load_case(session.path).canals == session.case.canals
    session.save()
    assert load_case(path).tooth == "47"
    assert drafts() == []


def test_the_head_names_tooth_case_and_saved_or_not_after_every_step(tmp_path):
    session = Session()
    assert session.head() == "No case open"
    session.open_film(png(tmp_path / "film.png", 1))
    assert session.head() == "no tooth yet · film.png · not saved"
    session.set_tooth("46")
    assert session.head() == "46 · no case id · draft, not saved"
    session.edit_case(lambda case: evolve(case, case_id="ABC-12"))
    session.save_as(tmp_path / "name")
    at = f"saved {session.saved_at:%H:%M} in name.wl.json"
    assert session.head() == f"46 · case ABC-12 · {at}"
    session.add_canal("L")
    assert session.head() == f"46 · case ABC-12 · changed since {at}; kept as a draft"
    session.undo()
    assert session.head() == f"46 · case ABC-12 · {at}"
    session.redo()
    session.save()
    session.undo()
    assert session.head().endswith("kept as a draft")
    session.close_case()
    assert session.head() == "No case open"


def test_undo_goes_on_after_save_and_the_draft_goes_when_nothing_differs(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    session.save()
    session.undo()
    assert len(load_case(path).canals) == 1 + len(session.case.canals)
    assert len(drafts()) == 1
    session.redo()
    assert drafts() == []
    assert session.path == path


def test_closing_with_unsaved_changes_says_where_they_are_and_loses_nothing(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    said = {}
    session.said.connect(lambda place, text: said.update({place: text}))
    session.add_canal("L")
    changed = case_to_json(session.case)
    session.do("record", session.close_case)
    assert (session.case, session.path, session.radiographs) == (None, None, {})
    assert "kept as a draft" in said["canvas"]
    (draft,) = free_drafts()
    session.go_on_with(draft)
    assert case_to_json(session.case)["canals"] == changed["canals"]
    session.save()
    assert len(load_case(path).canals) == 2
    assert drafts() == []


def test_a_draft_left_by_a_crash_is_offered_with_its_file(tmp_path):
    path = saved(tmp_path)
    crashed = opened(path)
    crashed.add_canal("L")
    del crashed
    gc.collect()  # the window is gone, however it went
    session = opened(path)
    assert session.case is None
    assert choices(session) == ["Go on with them", "Open as saved", "Open as saved, forget them"]
    session.answer("Open as saved")
    assert len(session.case.canals) == 1
    session.put_away()
    session.open_case(path)
    session.answer("Go on with them")
    assert names(session.case)[-1] == "L"
    assert session.document.file == path
    session.put_away()
    session.open_case(path)
    session.answer("Open as saved, forget them")
    assert len(session.case.canals) == 1
    assert drafts() == []


def test_unsaved_changes_left_in_this_window_go_on_as_changes_of_their_file(tmp_path):
    """Opened as saved, then opened once more: the window holds the file itself, and the draft is no copy without a name."""
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("DB")
    session.open_case(path)
    session.answer("Open as saved")
    assert "DB" not in names(session.case)
    session.open_case(path)
    session.answer("Go on with them")
    assert "DB" in names(session.case)
    assert session.document.file == path
    session.save()
    assert "DB" in names(load_case(path))


def test_going_on_with_an_unsaved_case_never_replaces_one_in_silence(tmp_path):
    left = window(png(tmp_path / "a.png", 1), "36")
    left.put_away()
    (draft,) = free_drafts()
    session = window(png(tmp_path / "b.png", 2), "46")
    session.go_on_with(draft)
    assert session.case.tooth == "46"
    assert "46" in session.question.text
    assert "36" in session.question.text
    session.answer("Stay here")
    assert session.case.tooth == "46"
    session.go_on_with(draft)
    session.answer("Go on with it")
    assert session.case.tooth == "36"
    assert len(drafts()) == 2


def test_a_film_without_a_tooth_is_not_replaced_in_silence(tmp_path):
    session = Session()
    session.open_film(png(tmp_path / "a.png", 1))
    session.open_film(png(tmp_path / "b.png", 2))
    assert Path(session.radiographs["f1"].path).name == "a.png"
    session.answer("b.png in its place")
    assert Path(session.radiographs["f1"].path).name == "b.png"


# --- two windows, and files changed underneath ------------------------------------------------------------------------


def test_a_second_window_on_a_saved_case_is_asked_and_writes_nothing(tmp_path):
    """The sequence that lost four entries: A decides, B, which has the older case, takes a step."""
    path = saved(tmp_path)
    one, other = opened(path), opened(path)
    assert other.case is None
    one.initials = "KO"
    note(one, "decided by A")
    one.save()
    assert choices(other) == ["Look only", "Work on a copy", "Cancel"]
    other.answer("Look only")
    assert notes(other.case) == ["decided by A"]
    before = path.read_bytes()
    for call in (lambda: other.add_canal("L"), other.save, lambda: other.save_as(path)):
        with pytest.raises(CaseError, match="open in another window"):
            call()
    assert (path.read_bytes(), drafts()) == (before, [])
    assert "look only" in other.head()
    other.open_case(path)
    other.answer("Work on a copy")
    other.add_canal("L")
    assert other.document.file is None
    other.save_as(tmp_path / "copy")
    assert path.read_bytes() == before
    assert notes(load_case(tmp_path / "copy.wl.json")) == ["decided by A"]
    one.put_away()
    third = opened(path)
    assert third.question is None
    assert third.case is not None


def test_what_another_computer_wrote_is_said_at_the_next_step_and_not_written_over(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    theirs = changed_by_another(path, instrument_list=("25/.06",))
    session.add_canal("ML")
    assert path.read_bytes() == theirs
    assert "changed since you opened it" in session.question.text
    session.save()
    assert path.read_bytes() == theirs
    assert names(load_case(session.path))[-2:] == ["L", "ML"]


def test_keep_mine_keeps_theirs_beside_it(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    theirs = changed_by_another(path, instrument_list=("25/.06",))
    session.save()
    assert choices(session) == ["Keep mine", "Take theirs", "See both", "Later"]
    session.answer("Keep mine")
    assert names(load_case(path))[-1] == "L"
    (aside,) = path.parent.glob("case.theirs-*.wl.json")
    assert aside.read_bytes() == theirs
    assert session.question is None
    assert drafts() == []
    session.add_canal("ML")
    session.save()
    assert session.question is None


def test_take_theirs_keeps_mine_as_a_draft(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    theirs = changed_by_another(path, instrument_list=("25/.06",))
    session.save()
    session.answer("Take theirs")
    assert session.case.instrument_list == ("25/.06",)
    assert names(session.case)[-1] != "L"
    assert path.read_bytes() == theirs
    (draft,) = free_drafts()
    assert names(load_case(draft))[-1] == "L"
    session.add_canal("ML")
    session.save()
    assert session.question is None


def test_see_both_names_what_only_one_of_them_holds(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    session.initials = "KO"
    note(session, "mine alone")
    session.add_canal("L")
    changed_by_another(path, case_id="XYZ", tooth="36")
    session.save()
    assert "replaced by another case: it now holds 36 · case XYZ; yours is 46 · no case id" in session.question.text
    session.answer("See both")
    assert "mine alone" in session.question.text
    assert "only yours: canal L\n" in session.question.text
    assert choices(session)[0] == "Keep mine"
    assert "_" not in session.question.text.replace("case.wl.json", "")


def test_another_patients_case_in_the_files_place_is_never_written_over(tmp_path):
    path, other = saved(tmp_path), saved(tmp_path, "other", tooth="36", seed=2)
    session = opened(path)
    path.write_bytes(other.read_bytes())
    session.add_canal("L")
    assert path.read_bytes() == other.read_bytes()
    session.save()
    assert path.read_bytes() == other.read_bytes()
    assert "36" in session.question.text


def test_a_deleted_file_is_made_anew_by_a_second_save_alone(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    path.unlink()
    session.add_canal("L")
    assert not path.exists()
    assert "no longer there" in session.question.text
    session.answer("Later")
    session.save()
    assert not path.exists()
    assert len(load_case(session.path).canals) == 2
    session.save()
    assert len(load_case(path).canals) == 2


def test_a_file_that_is_no_case_any_more_is_kept_aside(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    path.write_text("a letter", encoding="utf-8")
    session.add_canal("L")
    assert "no case file any more" in session.question.text
    session.answer("See both")
    session.answer("Keep mine")
    assert [aside.read_text() for aside in path.parent.glob("*.theirs-*")] == ["a letter"]
    assert len(load_case(path).canals) == 2


def test_undo_to_what_was_opened_keeps_it_where_the_file_holds_something_else_by_now(tmp_path):
    """Back at the case that was read, no file holds it any more: the draft must."""
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    changed_by_another(path, instrument_list=("25/.06",))
    theirs = path.read_bytes()
    session.undo()
    assert path.read_bytes() == theirs
    assert session.question is not None
    assert load_case(session.path).canals == session.case.canals
    assert session.path != path


def test_the_same_size_and_date_do_not_hide_a_change_from_save(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    status, text = path.stat(), path.read_text(encoding="utf-8")
    with path.open("r+", encoding="utf-8") as file:
        file.write(text.replace('"46"', '"47"'))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    session.add_canal("L")
    session.save()
    assert load_case(path).tooth == "47"
    assert session.question is not None


def test_saving_over_another_case_is_asked_about(tmp_path):
    other = saved(tmp_path, "other", tooth="36")
    session = window(png(tmp_path / "film.png", 3))
    before = other.read_bytes()
    session.save_as(other)
    assert other.read_bytes() == before
    assert "holds 36" in session.question.text
    session.answer("Leave it")
    assert session.document.file is None
    session.save_as(other)
    session.answer("Write over it")
    assert load_case(other).tooth == "46"


def test_a_case_that_is_open_elsewhere_is_not_saved_over(tmp_path):
    path = saved(tmp_path)
    held = opened(path)
    session = window(png(tmp_path / "film.png", 3))
    with pytest.raises(CaseError, match="open in another window"):
        session.save_as(path, over=True)
    assert held.case is not None
    assert session.document.file is None


def test_a_window_that_rests_lets_another_go_on_with_the_named_file(tmp_path):
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    session.rest()
    other = opened(path)
    other.answer("Open as saved")
    other.add_canal("ML")
    other.save()
    session.resume()
    assert session.document.file is None  # the other window has it
    session.add_canal("B")
    assert names(load_case(path))[-1] == "ML"
    assert names(load_case(session.path))[-2:] == ["L", "B"]


def test_a_name_among_the_drafts_is_refused(tmp_path, drafts_folder):
    session = window(png(tmp_path / "film.png", 1))
    with pytest.raises(CaseError, match="choose another folder"):
        session.save_as(drafts_folder / "mine")


def test_the_files_of_late_are_remembered_and_missing_ones_left_out(tmp_path):
    from wlmeasure_napari._recent import recent

    paths = [saved(tmp_path, f"c{k}", seed=k) for k in range(12)]
    assert recent() == paths[:1:-1]
    paths[5].unlink()
    opened(paths[0])
    assert recent()[0] == paths[0]
    assert paths[5] not in recent()


# --- nothing carried over ---------------------------------------------------------------------------------------------


def test_a_length_typed_for_one_film_is_no_length_of_the_next(tmp_path):
    """The two films name one patient and tooth, so that the second is added without a question."""
    whose = {"PatientID": "7", "PatientName": "Doe^A"}
    session = Session()
    session.open_film(dcm(tmp_path / "a.dcm", 1, "46", **whose))
    session.set_known_length(21.5, 0.1)
    session.open_film(dcm(tmp_path / "b.dcm", 2, "46", **whose))
    assert session.film_id == "f2"
    assert session.known_length_mm is None
    assert session.question is None
    session.choose_film("f1")
    assert session.known_length_mm == 21.5


def test_a_new_case_begins_with_nothing_of_the_one_before(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    session.set_known_length(21.5, 0.1)
    session.initials = "KO"
    session.inputs.put("canal", session.canal_name, "decided", "19.5")
    session.add_canal("L")
    session.take("canal")
    session.click((3.0, 4.0))
    session.hover((5.0, 6.0))
    looked = session.first
    session.new_case()
    fresh = Session()
    kept = {"_news", "_initials", "_confirmed", "_place", "work", "told", "apical_end", "offer", "document", "inputs"}
    kept.add("first")  # looked at below
    for name, value in vars(fresh).items():
        if name not in kept:
            assert vars(session)[name] == value, name
    assert session.first is not looked
    assert (session.first.all_items, session.first.asked, session.first.focus) == ((), (), None)
    assert (session.document.where, session.known_length_mm, session.can_undo) == (None, None, False)
    session.open_film(png(tmp_path / "b.png", 2))
    assert (session.case, session.tooth) == (None, None)
    session.set_tooth("36")
    assert session.known_length_mm is None
    assert session.inputs.get("canal", session.canal_name, "decided") is None
    assert len(drafts()) == 2


def test_a_case_that_is_put_away_takes_what_was_typed_along(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    session.set_known_length(21.5, 0.1)
    session.put_away()
    session.open_film(png(tmp_path / "b.png", 2))
    session.set_tooth("36")
    assert (session.known_length_mm, session.known_length_std_mm) == (None, None)


def test_who_is_working_is_confirmed_when_the_case_changes(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    session.initials = "KO"
    note(session, "first")
    session.put_away()
    session.open_film(png(tmp_path / "b.png", 2))
    session.set_tooth("36")
    for enters in (lambda: note(session, "second"), lambda: session.decide(20.0, "KO", "")):
        with pytest.raises(CaseError, match="confirmed for this case: is it still KO"):
            enters()
    assert session.case.entries == ()
    session.confirm()
    note(session, "second")
    assert [entry.by for entry in session.case.entries] == ["KO"]
    session.put_away()
    session.open_case(free_drafts()[-1])
    with pytest.raises(CaseError, match="confirmed"):
        note(session, "third")
    session.initials = "AB"
    note(session, "third")
    assert session.case.entries[-1].by == "AB"


def test_a_deleted_canals_inputs_are_not_the_next_ones_of_that_name(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    session.add_canal("L")
    session.inputs.put("canal", "L", "decided", "19.5")
    session.rename_canal("L2", "cusp")
    assert session.inputs.get("canal", "L2", "decided") == "19.5"
    session.delete_canal()
    session.add_canal("L2")
    assert session.inputs.get("canal", "L2", "decided") is None


# --- whose film -------------------------------------------------------------------------------------------------------

DOE, ROE = {"PatientID": "7", "PatientName": "Doe^A"}, {"PatientID": "8", "PatientName": "Roe^B"}


def test_another_patients_film_is_not_added_without_a_question(tmp_path):
    session = Session()
    session.open_film(dcm(tmp_path / "a.dcm", 1, "46", **DOE))
    first = session.case
    session.open_film(dcm(tmp_path / "b.dcm", 2, "46", **ROE))
    assert session.case is first
    assert "another patient" in session.question.text
    assert choices(session) == ["New case with it", "Add to 46 anyway", "Cancel"]
    session.answer("Cancel")
    assert session.case is first
    session.open_film(tmp_path / "b.dcm")
    session.answer("New case with it")
    assert (len(session.case.films), session.case.tooth) == (1, "46")
    assert len(drafts()) == 2
    session.open_film(tmp_path / "a.dcm")
    session.answer("Add to 46 anyway")
    assert len(session.case.films) == 2


@pytest.mark.parametrize(
    ("second", "asked"),
    [
        ((("46",), DOE), None),
        ((("46",), {"PatientID": " 7", "PatientName": "DOE^A^^"}), None),
        (((), DOE), "one more film of this tooth"),
        ((("47",), DOE), "names tooth 47"),
        ((("46",), {}), "one more film of this tooth"),
        ((("46",), {"PatientID": "7", "PatientName": "Roe^B"}), "another patient"),
    ],
)
def test_only_the_same_patient_and_tooth_are_added_without_a_question(tmp_path, second, asked):
    session = Session()
    session.open_film(dcm(tmp_path / "a.dcm", 1, "46", **DOE))
    teeth, whose = second
    session.open_film(dcm(tmp_path / "b.dcm", 2, *teeth, **whose))
    assert len(session.case.films) == (2 if asked is None else 1)
    assert (session.question is None) == (asked is None)
    if asked is not None:
        assert asked in session.question.text


def test_a_film_that_lies_beside_its_own_case_is_not_added_without_a_question(tmp_path):
    beside = saved(tmp_path, "other", tooth="36", seed=2)
    session = opened(saved(tmp_path))
    session.open_film(beside.parent / "film.png")
    assert len(session.case.films) == 1
    assert "other.wl.json (36 · no case id)" in session.question.text
    assert choices(session)[0] == "New case with it"


def test_a_film_of_another_folder_than_the_case_is_not_added_without_a_question(tmp_path):
    session = opened(saved(tmp_path))
    session.open_film(png(tmp_path / "elsewhere" / "film.png", 9))
    assert len(session.case.films) == 1
    assert "lies in another folder" in session.question.text


def test_films_opened_while_a_question_stands_are_asked_about_in_turn(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    for k in (2, 3):
        session.open_film(png(tmp_path / f"{k}.png", k))
    assert "2.png" in session.question.text
    session.answer("Add to 46")
    assert "3.png" in session.question.text
    session.answer("Add to 46")
    assert [Path(film.path).name for film in session.case.films] == ["a.png", "2.png", "3.png"]


def test_a_film_that_still_waited_for_an_answer_is_named_when_its_case_is_put_away(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    for k in (2, 3):
        session.open_film(png(tmp_path / f"{k}.png", k))
    session.do("record", session.put_away)
    assert "2.png, 3.png: not opened" in session.told["canvas"]
    session.open_film(tmp_path / "2.png")
    assert session.question is None


def test_who_a_film_is_of_is_neither_stored_nor_shown(tmp_path):
    path = dcm(tmp_path / "a.dcm", 1, "46", **DOE)
    graph = read(path)
    assert graph.patient_fingerprint is not None
    assert graph.patient_fingerprint not in repr(graph)
    session = Session()
    session.open_film(path)
    session.save_as(tmp_path / "case")
    text = (tmp_path / "case.wl.json").read_text(encoding="utf-8")
    assert graph.patient_fingerprint not in text
    assert "Doe" not in text + repr(graph)
    assert read(dcm(tmp_path / "b.dcm", 2)).patient_fingerprint is None


def test_the_film_of_a_case_that_stands_in_it_is_refused_before_anybody_is_asked(tmp_path):
    session = window(png(tmp_path / "a.png", 1))
    with pytest.raises(CaseError, match="is film f1 already"):
        session.open_film(tmp_path / "a.png")
    assert session.question is None


def test_a_note_beside_a_draft_that_is_damaged_costs_the_note_alone(tmp_path, drafts_folder):
    path = saved(tmp_path)
    session = opened(path)
    session.add_canal("L")
    session.put_away()
    (noted,) = drafts_folder.glob("*.of.json")
    assert json.loads(noted.read_text())["file"] == str(path)
    noted.write_text("[]", encoding="utf-8")
    session.open_case(free_drafts()[0])
    assert session.document.file is None
    assert names(session.case)[-1] == "L"


def test_saving_over_another_case_of_the_same_tooth_without_an_id_is_asked_about(tmp_path):
    other = saved(tmp_path, "other")
    session = window(png(tmp_path / "film.png", 3))
    before = other.read_bytes()
    session.save_as(other)
    assert other.read_bytes() == before
    assert "another case or record of the same name" in session.question.text
    assert choices(session) == ["Leave it", "Write over it"]


def test_saving_over_a_record_that_has_more_is_asked_about_and_over_an_earlier_state_is_not(tmp_path):
    path = saved(tmp_path)
    session = window(path.with_name("film.png"))
    session.save_as(path)
    assert session.question is None
    session.initials = "KO"
    note(session, "seen")
    session.save()
    session.put_away()
    again = window(path.with_name("film.png"))
    again.save_as(path)
    assert again.question is not None
    assert notes(load_case(path)) == ["seen"]


def test_a_draft_left_by_a_crash_is_offered_whatever_the_clock_of_the_share_says(tmp_path):
    path = saved(tmp_path)
    crashed = opened(path)
    crashed.add_canal("L")
    ahead = crashed.document.draft.stat().st_mtime + 600.0
    del crashed
    gc.collect()
    os.utime(path, (ahead, ahead))
    session = opened(path)
    assert session.case is None
    assert choices(session)[0] == "Go on with them"
