"""How the upper end of a file's known length is known: said, asked, changed, undone; on another film and in another case."""

import cv2
import numpy as np
import pytest
from attrs import evolve
from wlmeasure_napari._session import Session

from wlmeasure.record import edit
from wlmeasure.record.case import FileTaper, KnownFile, PlainFile, load_case

ROWS, COLS = 480, 300
UPPER, TIP, CUSP = (40.0, 50.0), (420.0, 50.0), (60.0, 80.0)
AT_RIM = (2.0, 50.0)
FOOT_TO_TIP, UPPER_TO_TIP = 360.0, 380.0  # rows, along a straight shaft
THERE, RESTED, NEITHER = (
    "The stop is there, where I clicked",
    "The stop is not seen: I click what it rested on",
    "Neither is in the picture",
)


@pytest.fixture
def films(tmp_path):
    """A straight shaft, 5 pixels wide, that comes in over the upper rim."""
    paths = []
    for k in (1, 2):
        grey = np.random.default_rng(k).normal(80.0, 3.0, (ROWS, COLS))
        grey[:421, 48:53] = 220.0
        path = tmp_path / f"{k}.png"
        path.write_bytes(cv2.imencode(".png", grey.clip(0, 255).astype(np.uint8))[1].tobytes())
        paths.append(path)
    return paths


@pytest.fixture
def session(films):
    session = Session()
    session.initials = "KO"
    session.open_film(films[0])
    session.set_tooth("ISO 46")
    session.rename_canal(session.canal_name, "mesiobuccal cusp tip")
    session.heard = []
    session.said.connect(lambda *words: session.heard.append(words))
    return session


def place(session, *points, length=20.0):
    if length is not None:
        session.set_known_length(length, 0.1)
    session.take("file")
    for point in points:
        session.click(point)


def mm_per_row(session):
    return session.film.calibration.mm_per_px_row


def test_a_stop_in_the_picture_needs_no_word(session):
    place(session, UPPER, TIP)
    assert session.question is None
    (file,) = session.case.films[0].scale
    assert (file.upper_end, file.reference_px) == (None, None)
    assert mm_per_row(session) == pytest.approx(20.0 / UPPER_TO_TIP, rel=2e-3)


def test_said_before_the_third_click_is_what_the_stop_rested_on(session):
    """20 mm from the foot of the cusp, 360 rows above the tip, not from where the shaft was clicked."""
    session.say_upper_end("reference")
    place(session, UPPER, TIP)
    assert session.case.films[0].scale == ()
    assert session.next_step().words == "The file's stop is not seen; click the edge or cusp it rested on"
    session.click(CUSP)
    (file,) = session.case.films[0].scale
    assert (file.points_px, file.upper_end, file.reference_px) == ((UPPER, TIP), "reference", CUSP)
    assert file.stop_seated is None
    assert mm_per_row(session) == pytest.approx(20.0 / FOOT_TO_TIP, rel=2e-3)


def test_whether_the_stop_was_seated_is_said_before_or_after(session):
    session.say_upper_end("reference")
    session.say_seated("yes")
    place(session, UPPER, TIP, CUSP)
    assert session.case.films[0].scale[0].stop_seated == "yes"
    wide = session.film.calibration.rel_std
    session.say_seated(None)
    assert session.case.films[0].scale[0].stop_seated is None
    assert session.film.calibration.rel_std > wide
    session.undo()
    assert session.stop_seated == "yes"


def test_a_stop_that_had_slid_gives_no_scale(session):
    """Its length stays with nothing, the canal follows it all the same, and it is said in words; undo takes it back."""
    session.say_upper_end("reference")
    place(session, UPPER, TIP, CUSP)
    before = session.case
    session.do("scale", session.say_slid)
    assert session.heard[-1][0] == "scale"
    assert session.heard[-1][1].startswith("The stop had slid, so the file's length begins nowhere that is seen")
    assert isinstance(session.case.films[0].scale[0], PlainFile)
    assert (session.film.calibration, session.stop_seated) == (None, None)
    session.undo()
    assert session.case == before


@pytest.mark.parametrize(("answer", "upper"), [(THERE, "stop"), (RESTED, "reference"), (NEITHER, "out of the picture")])
def test_a_file_that_begins_at_the_rim_is_asked_about(session, answer, upper):
    place(session, AT_RIM, TIP)
    assert session.question.about == "upper end"
    assert session.case.films[0].scale == ()
    session.answer(answer)
    if upper == "reference":
        assert session.pending == [AT_RIM, TIP]
        session.click(CUSP)
    (file,) = session.case.films[0].scale
    assert file.upper_end == upper  # a stop at the rim too: without a word in the case no length rests on it
    assert session.upper_end == upper
    assert (session.film.calibration is None) is (upper == "out of the picture")
    place(session, AT_RIM, TIP)  # said once for this film
    assert session.question is None


def test_a_stop_at_the_rim_of_a_case_that_says_nothing_of_it_is_said_by_the_list(session):
    place(session, AT_RIM, TIP)
    session.answer(THERE)
    session.edit_case(lambda case: edit.with_scale(case, "f1", evolve(case.films[0].scale[0], upper_end=None), at=0))
    assert session.case.films[0].scale[0].upper_end is None
    session.say_upper_end("stop")
    assert session.case.films[0].scale[0].upper_end == "stop"


def test_the_question_goes_with_its_points(session, films):
    place(session, AT_RIM, TIP)
    session.cancel()
    assert (session.question, session.pending) == (None, [])
    place(session, AT_RIM, TIP)
    assert session.question is not None
    session.say_upper_end("out of the picture")  # in the list, beside the question
    assert session.question is None
    assert session.case.films[0].scale[0].upper_end == "out of the picture"
    session.open_film(films[1], into="this case")
    place(session, AT_RIM, TIP)
    session.choose_film("f1")
    assert session.question is None
    assert session.case.films[1].scale == ()


def test_the_answer_is_changed_and_every_change_is_undone(session):
    place(session, UPPER, TIP)
    cases = [session.case]
    session.say_upper_end("reference")
    assert (session.tool, session.upper_end) == ("rest", "reference")
    assert session.case == cases[0]
    session.click(CUSP)
    cases.append(session.case)
    assert mm_per_row(session) == pytest.approx(20.0 / FOOT_TO_TIP, rel=2e-3)
    session.say_upper_end("out of the picture")
    cases.append(session.case)
    assert session.film.calibration is None
    session.say_upper_end("no length")
    cases.append(session.case)
    assert isinstance(session.case.films[0].scale[0], PlainFile)
    session.say_upper_end("stop")
    cases.append(session.case)
    assert cases[4] == cases[0]
    for case, upper in zip(cases[3::-1], ("no length", "out of the picture", "reference", "stop"), strict=True):
        session.undo()
        assert session.case == case
        assert session.upper_end == upper
    for case in cases[1:]:
        session.redo()
        assert session.case == case


def test_the_tool_for_what_it_rested_on_is_put_away_without_a_trace(session):
    place(session, UPPER, TIP)
    before = session.case
    session.say_upper_end("reference")
    session.cancel()
    assert (session.case, session.upper_end) == (before, "stop")
    session.say_upper_end("reference")
    session.say_upper_end("stop")
    assert (session.case, session.tool) == (before, "look")


def test_a_file_without_a_length_is_kept_and_its_canal_follows_it(session):
    session.say_upper_end("no length")
    place(session, UPPER, TIP, length=None)
    (file,) = session.case.films[0].scale
    assert file.points_px == (UPPER, TIP)
    assert isinstance(file, PlainFile)
    assert session.film.calibration is None
    assert session.next_step().words.endswith("click orifice, canal, apical end: T")
    session.do("scale", lambda: session.say_upper_end("stop"))
    assert session.heard[-1][1].startswith("known length must be entered first")
    assert session.upper_end == "no length"
    session.set_known_length(20.0, 0.1)
    assert isinstance(session.case.films[0].scale[0], PlainFile)  # the length may be another file's
    session.say_upper_end("stop")
    assert isinstance(session.case.films[0].scale[0], KnownFile)
    assert mm_per_row(session) == pytest.approx(20.0 / UPPER_TO_TIP, rel=2e-3)


def trace_canal(session):
    session.take("canal")
    for point in ((150.0, 50.0), (440.0, 50.0)):
        session.click(point)
    session.accept()


def test_the_canal_s_reference_point_is_marked_once_by_the_file(session):
    """Marked for the file it is the canal's, and moved as one; taken away from the file it stays the canal's."""
    session.say_upper_end("reference")
    place(session, UPPER, TIP, CUSP)
    trace_canal(session)
    assert session.trace.reference_px == CUSP
    assert session.tool == "look"  # not asked for once more
    assert [handle.role for handle, at in session.handles() if at == CUSP] == ["reference"]
    handle = next(handle for handle, at in session.handles() if at == CUSP)
    session.move(handle, (62.0, 84.0))
    assert session.trace.reference_px == session.case.films[0].scale[0].reference_px == (62.0, 84.0)


def test_the_canal_s_reference_point_is_marked_once_by_the_canal(session):
    place(session, UPPER, TIP)
    trace_canal(session)
    session.click(CUSP)
    assert session.trace.reference_px == CUSP
    session.say_upper_end("reference")
    assert session.tool == "rest"  # it was marked for the canal: whether the stop rested there is asked
    assert "mesiobuccal cusp tip is marked; if it rested there take that: Enter" in session.next_step().words
    session.accept()
    assert session.case.films[0].scale[0].reference_px == CUSP


def test_enter_takes_the_marked_point_for_a_new_file(session):
    place(session, UPPER, TIP)
    trace_canal(session)
    session.click(CUSP)
    session.remove_scale(0)
    session.say_upper_end("reference")
    place(session, UPPER, TIP)
    assert "mesiobuccal cusp tip is marked" in session.next_step().words
    assert session.next_step().key == "Enter"
    session.accept()
    assert session.case.films[0].scale[0].reference_px == CUSP


def test_the_reference_point_of_a_stop_that_does_not_show_is_no_stop(session):
    """The place where the shaft was clicked is not offered for the canal's reference point."""
    session.say_upper_end("out of the picture")
    place(session, UPPER, TIP)
    trace_canal(session)
    assert session.stop_px is None


def test_no_reference_mark_is_asked_for_where_it_was_said_to_be_out_of_the_picture(session):
    """Its name is enough: the length is the known one and what is left beyond the tip."""
    session.say_upper_end("out of the picture")
    place(session, UPPER, TIP)
    trace_canal(session)
    assert session.tool == "look"
    assert session.next_step().key == "field Reading"
    session.rename_canal(session.canal_name, None)
    assert session.next_step().key == "field From"  # its name is needed all the same
    session.rename_canal(session.canal_name, "mesiobuccal cusp tip")
    session.take("reference")
    assert "only if it is seen" in session.next_step().words


def test_a_mark_at_the_rim_is_none_where_the_upper_end_is_out_of_the_picture(session):
    session.say_upper_end("out of the picture")
    place(session, UPPER, TIP)
    trace_canal(session)
    session.take("reference")
    before = session.case
    session.do("canvas", lambda: session.click((3.0, 80.0)))
    assert session.heard[-1][1].startswith("reference point must be seen: this is the film's rim")
    assert (session.case, session.tool) == (before, "reference")
    session.do("canvas", lambda: session.click(CUSP))
    assert session.trace.reference_px == CUSP


def test_an_old_mark_is_not_taken_for_where_the_stop_rested(session):
    """Marked while the edge was said to be out of the picture, it is not even offered: the edge is clicked."""
    session.say_upper_end("out of the picture")
    place(session, UPPER, TIP)
    trace_canal(session)
    session.take("reference")
    session.click((120.0, 90.0))
    session.say_upper_end("reference")
    assert (session.tool, session.rested_px) == ("rest", None)
    assert session.case.films[0].scale[0].upper_end == "out of the picture"
    assert session.next_step().words == "The file's stop is not seen; click the edge or cusp it rested on"
    session.click(CUSP)
    assert session.case.films[0].scale[0].reference_px == session.trace.reference_px == CUSP


def test_a_mark_made_as_what_the_stop_rested_on_is_taken_again(session):
    session.say_upper_end("reference")
    place(session, UPPER, TIP, CUSP)
    trace_canal(session)
    session.say_upper_end("out of the picture")
    session.say_upper_end("reference")
    assert session.tool == "look"
    assert session.case.films[0].scale[0].reference_px == CUSP


def test_a_point_that_no_canal_has_yet_is_moved_and_deleted(session):
    session.say_upper_end("reference")
    place(session, UPPER, TIP, CUSP)
    handle = next(handle for handle, at in session.handles() if at == CUSP)
    assert handle.role == "rest"
    session.move(handle, (64.0, 80.0))
    assert session.case.films[0].scale[0].reference_px == (64.0, 80.0)
    session.choose(handle)
    session.delete_chosen()
    assert session.case.films[0].scale[0].upper_end == "out of the picture"


def test_points_are_taken_back_one_by_one_and_another_film_has_none_of_it(session, films):
    session.open_film(films[1], into="this case")
    session.say_upper_end("reference")
    place(session, UPPER, TIP, length=None)
    session.click(CUSP)
    assert session.pending == [UPPER, TIP, CUSP]
    session.undo()
    assert session.pending == [UPPER, TIP]
    session.click(CUSP)
    session.choose_film("f1")
    assert (session.pending, session.upper_end) == ([], "stop")
    session.choose_film("f2")
    assert session.upper_end == "reference"  # as it was said for this film
    session.new_case()
    session.open_film(films[0])
    session.set_tooth("ISO 46")
    assert session.upper_end == "stop"


def nothing_said(session):
    """Of the film in view and its file."""
    film = session.case.film(session.film_id)
    assert (session.upper_end, session.stop_seated, session.file_size) == ("stop", None, (None, None))
    assert (session.known_length_mm, session.object_length_mm) == (None, None)
    assert (film.metal, film.view, film.scale, session.question) == (None, None, (), None)


def test_what_was_said_of_one_canal_s_file_is_not_said_of_another_s(session, films):
    """Of the second canal's file on the same film it is asked anew, and after another film and case none of it is left."""
    session.say_upper_end("reference")
    session.say_seated("yes")
    place(session, UPPER, TIP, CUSP)
    first = session.case.films[0].scale[0]
    assert first.stop_seated == "yes"
    session.take("file")
    assert (session.upper_end, session.stop_seated) == (
        "reference",
        None,
    )  # once for the film, but seated was this stop
    session.cancel()
    session.add_canal("ML", "mesiolingual cusp tip")
    session.take("file")
    assert (session.upper_end, session.stop_seated, session.file_size) == ("stop", None, (None, None))
    session.click(AT_RIM)
    session.click((400.0, 50.0))
    assert session.question.about == "upper end"
    session.answer(THERE)
    assert [file.upper_end for file in session.case.films[0].scale] == ["reference", "stop"]
    assert [file.stop_seated for file in session.case.films[0].scale] == ["yes", None]
    assert session.case.films[0].scale[0] == first

    session.say_upper_end("no length")
    session.say_size(15, None)
    session.set_object_length(5.0, 0.05)
    session.set_metal("bright")
    session.turn(1)
    session.add_canal("D", "distobuccal cusp tip")
    session.take("file")
    assert (session.upper_end, session.stop_seated, session.file_size) == ("stop", None, (None, None))
    session.cancel()
    session.say_upper_end("reference")
    session.open_film(films[1], into="this case")
    nothing_said(session)
    session.new_case()
    session.open_film(films[0])
    session.set_tooth("ISO 46")
    nothing_said(session)


def test_it_is_saved_and_opened_again(session, tmp_path):
    session.say_upper_end("reference")
    session.say_seated("yes")
    place(session, UPPER, TIP, CUSP)
    session.save_as(tmp_path / "a.wl.json")
    case = session.case
    session.close_case()
    session.open_case(tmp_path / "a.wl.json")
    assert load_case(tmp_path / "a.wl.json").films[0].scale == case.films[0].scale
    assert (session.upper_end, session.stop_seated) == ("reference", "yes")


@pytest.mark.parametrize("said", [None, "out of the picture"])
def test_a_file_that_is_found_without_its_stop_asks_what_it_rested_on(session, said):
    """The shaft leaves the picture; shaft and tip are proposed, and a person clicks the rest or says that it is not seen."""
    from wlmeasure.trace.find_file import FileProposal

    path = np.vstack(
        [(-4.0, 50.0), (-1.5, 50.0), np.linspace(AT_RIM, TIP, 50)]
    )  # a little beyond the film, as it comes
    found = FileProposal(path, None, np.array(TIP), np.inf, 0.5, 0.8)
    if said is not None:
        session.say_upper_end(said)
    session.set_known_length(20.0, 0.1)
    session._propose((found,))
    assert session.pending == [AT_RIM, TIP]
    if said is None:
        step = session.next_step()
        assert step.words.startswith(
            "A file is found (80 of 100 right on synthetic films), no stop; click what its stop rested on"
        )
        session.click(CUSP)
        assert session.case.films[0].scale == ()  # a proposal is accepted by itself
    session.accept()
    (file,) = session.case.films[0].scale
    assert file.upper_end == (said or "reference")
    assert file.points_px == (AT_RIM, TIP)


def test_without_a_scale_the_line_leads_to_the_image_s_own_spacing_or_on(session):
    session.say_upper_end("out of the picture")
    place(session, UPPER, TIP)
    assert session.next_step().words.endswith("click orifice, canal, apical end: T")  # the image claims none


def test_a_refused_click_goes_and_its_message_stands(session):
    """A point 200 pixels above the shaft's first one is none that the stop rested on; the next click is another try."""
    session.say_upper_end("reference")
    session.set_known_length(20.0, 0.1)
    session.take("file")
    for point in ((300.0, 50.0), TIP):
        session.do("canvas", lambda point=point: session.click(point))
    case, steps = session.case, len(session._undo)
    session.do("canvas", lambda: session.click(CUSP))
    assert "reference point must not lie more than" in session.heard[-1][1]
    assert session.pending == [(300.0, 50.0), TIP]
    assert (session.tool, session.case, len(session._undo)) == ("file", case, steps)
    session.do("canvas", lambda: session.click((302.0, 80.0)))
    assert session.heard[-1] == ("canvas", "")
    assert session.case.films[0].scale[0].reference_px == (302.0, 80.0)


@pytest.mark.parametrize("tool", ["file", "object"])
def test_of_any_points_the_refused_one_alone_goes(session, tool):
    """2 pixels for 20 mm are no scale of a radiograph; the first point stays and the line follows the cursor again."""
    session.set_known_length(20.0, 0.1)
    session.set_object_length(20.0, 0.1)
    session.take(tool)
    session.do("canvas", lambda: session.click(UPPER))
    session.do("canvas", lambda: session.click((42.0, 50.0)))
    assert session.heard[-1][1] != ""
    assert (session.pending, session.tool, session.case.films[0].scale) == ([UPPER], tool, ())
    session.hover((200.0, 50.0))
    assert bool(session.preview) is (tool == "file")
    session.do("canvas", lambda: session.click(TIP))
    assert session.case.films[0].scale[0].points_px == (UPPER, TIP)


def test_a_click_refused_on_another_thread_goes_too(session):
    waiting = []
    session.work = lambda job, finish: waiting.append((job, finish))
    session.set_known_length(20.0, 0.1)
    session.take("file")
    for point in (UPPER, (42.0, 50.0)):
        session.do("canvas", lambda point=point: session.click(point))
    ((job, finish),) = waiting
    finish(job)  # it raises where the worker's outcome does
    assert session.pending == [UPPER]
    assert session.heard[-1][1] != ""


def test_an_object_has_a_length_of_its_own(session, films):
    """The file's 20 mm used to be taken for it; each is the film's that it was typed for, and corrected by itself."""
    session.open_film(films[1], into="this case")
    session.choose_film("f1")
    place(session, UPPER, TIP)
    session.take("object")
    for point in ((100.0, 200.0), (195.0, 200.0)):
        session.click(point)
    assert len(session.case.films[0].scale) == 1
    assert session.next_step().words == "Both ends stand; enter the object's length: field Object"
    session.do("canvas", session.accept)
    assert session.heard[-1][1].startswith("object's length must be entered first")
    session.set_object_length(5.0, 0.05)
    file, ball = session.case.films[0].scale
    assert (file.known_length_mm, ball.known_length_mm, ball.known_length_std_mm) == (20.0, 5.0, 0.05)
    session.set_object_length(5.1, 0.05)
    session.set_known_length(20.2, 0.1)
    assert [scale.known_length_mm for scale in session.case.films[0].scale] == [20.2, 5.1]
    session.choose_film("f2")
    assert (session.object_length_mm, session.known_length_mm) == (None, None)


MM = 0.04  # a pixel of the tapered file's film


@pytest.fixture
def tapered(tmp_path):
    """A hand file of size 15 on a film of 0.04 mm a pixel: 0.15 mm + 0.02 n thick n mm from its tip at row 420 (ISO 3630-1)."""
    rows, tenths = np.mgrid[0:ROWS, 0 : 10 * COLS]
    beside = (tenths + 0.5) / 10.0 - 0.5 - TIP[1]
    half = np.where(rows <= TIP[0], 0.5 * (0.15 + 0.02 * (TIP[0] - rows) * MM) / MM, 0.0)
    metal = 2.0 * np.sqrt(np.clip(half**2 - beside**2, 0.0, None))  # what a ray crosses of a round shaft
    film = 80.0 + 12.0 * metal.reshape(ROWS, COLS, 10).mean(axis=2)
    grey = cv2.GaussianBlur(film, (0, 0), 0.8) + np.random.default_rng(3).normal(0.0, 2.0, (ROWS, COLS))
    path = tmp_path / "tapered.png"
    path.write_bytes(cv2.imencode(".png", grey.clip(0, 255).astype(np.uint8))[1].tobytes())
    session = Session()
    session.initials = "KO"
    session.open_film(path)
    session.set_tooth("ISO 46")
    session.rename_canal(session.canal_name, "mesiobuccal cusp tip")
    session.heard = []
    session.said.connect(lambda *words: session.heard.append(words))
    session.say_upper_end("no length")
    return session


def test_a_file_of_known_size_alone_gives_an_estimate(tapered, tmp_path):
    """Said before its ends are clicked; within a fifth of the 0.04 mm that it was drawn with, and called an estimate."""
    session = tapered
    session.say_size(15, None)
    place(session, UPPER, TIP, length=None)
    (file,) = session.case.films[0].scale
    assert isinstance(file, FileTaper)
    assert (file.file_size, file.taper, session.upper_end) == (15, None, "no length")
    assert mm_per_row(session) == pytest.approx(MM, rel=0.2)
    assert "preliminary" in " ".join(flag.text for flag in session.film.flags)
    trace_canal(session)
    session.click(CUSP)
    assert session.trace_result.preliminary
    assert session.canal_facts.stop is None
    session.save_as(tmp_path / "a.wl.json")
    session.close_case()
    session.open_case(tmp_path / "a.wl.json")
    assert session.file_size == (15, None)


def test_the_size_is_said_afterwards_changed_and_taken_back(tapered):
    session = tapered
    place(session, UPPER, TIP, length=None)
    plain = session.case
    assert session.film.calibration is None
    session.say_size(15, 0.02)
    assert session.file_size == (15, 0.02)
    assert mm_per_row(session) == pytest.approx(MM, rel=0.2)
    session.say_size(None, None)
    assert session.case == plain
    session.undo()
    session.undo()
    assert (session.case, session.file_size) == (plain, (None, None))
    session.say_size(15, None)
    session.set_known_length(15.0, 0.1)
    assert isinstance(session.case.films[0].scale[0], FileTaper)  # the length may be another file's
    session.say_upper_end("stop")
    assert isinstance(session.case.films[0].scale[0], KnownFile)
    session.say_upper_end("no length")
    assert session.file_size == (15, None)


@pytest.mark.parametrize(
    ("size", "taper", "words"),
    [
        (140, None, "check the file's size and taper"),
        (15, 0.25, "check the file's taper"),
        (5, None, "file size must be"),
        (33, None, "size"),
    ],
)
def test_a_size_that_it_cannot_have_is_refused_in_words(tapered, size, taper, words):
    session = tapered
    place(session, UPPER, TIP, length=None)
    before = session.case
    session.do("taper", lambda: session.say_size(size, taper))
    assert session.heard[-1][0] == "taper"
    assert words in session.heard[-1][1]
    assert "scale[" not in session.heard[-1][1]
    assert (session.case, session.file_size) == (before, (None, None))
