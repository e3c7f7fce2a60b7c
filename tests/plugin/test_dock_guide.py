"""The dock before a person: the reference point asked in words, what stands in bold, each reading taken back by itself."""

import re

import pytest
from attrs import evolve
from qtpy.QtCore import Qt

from wlmeasure.record.case import FileTaper, KnownFile, KnownObject, PlainFile, Trace, load_case

from . import test_dock
from .test_dock import END, FILM, MIDDLE, ORIFICE, STOP, TIP, decided, opened, traced

pytestmark = pytest.mark.viewer
person = test_dock.person  # the fixture


def bold(person, part):
    """The words of a part that stand in bold now."""
    from qtpy.QtWidgets import QLabel

    labels = person.dock._by_place[part].findChildren(QLabel, "number")
    return [label.text() for label in labels if label.isVisibleTo(person.dock) and label.text()]


def begun(person):
    """A film with a scale and a traced canal that counts from no point: nothing named, nothing marked."""
    person.dock.open_path(FILM)
    person.settle()
    person.enter("by", "KO")
    person.enter("tooth", "36")
    person.enter("length", "21.5")
    person.key("S")
    for at in (STOP, TIP):
        person.click(at)
    person.key("T")
    for at in (ORIFICE, MIDDLE, END):
        person.click(at)
    person.key("Return")


def test_a_length_from_the_orifice_is_no_working_length_until_its_point_is_named_and_marked(person):
    """README's steps on a molar used to give a length and a stop in bold without a cusp."""
    dock, session = person.dock, person.session
    begun(person)
    assert session.canal.reference_point is None
    assert dock._fields["reference"].text == ""
    assert session.tool == "reference"  # it goes on to the point by itself
    person.key("Escape")
    length = session.trace_result.length
    assert dock.orifice_length.text().startswith(
        f"{length.length_mm:.1f} mm ± {length.half_width_mm:.1f} from the orifice: no working length yet; "
        "name and mark the reference point (R)"
    )
    assert bold(person, "canals") == []
    assert bold(person, "length") == []
    assert session.canal_facts.stop is None
    assert "proposed none, not established" in dock.proposal.text()
    assert dock.next_line.text() == "Canal MB counts from no point yet; name the cusp or edge: field From"
    names = [action.text() for action in dock.point.menu.actions()]
    assert names[0] == "mesiobuccal cusp tip"
    assert "distolingual cusp tip" in names
    dock.point.menu.actions()[0].trigger()
    person.settle()
    assert session.canal.reference_point == "mesiobuccal cusp tip"
    assert "no working length yet; mark the reference point (R)" in dock.orifice_length.text()
    assert dock.next_line.text().endswith("from the orifice; mark the mesiobuccal cusp tip: R")
    person.key("R")
    person.click((150.0, 470.0))
    marked = session.trace_result.length
    assert marked.length_mm > length.length_mm
    length = f"{marked.length_mm:.1f} mm ± {marked.half_width_mm:.1f}"
    assert bold(person, "canals") == [f"{length} to the radiographic apex"]
    assert "orifice" not in dock.orifice_length.text()
    assert dock.next_line.text().endswith("read the apex locator, 3 times: field Reading")


def test_a_new_canal_asks_for_its_point_and_takes_none_from_the_one_before(person):
    opened(person)
    person.press(person.button("Add"))
    assert person.session.canal.reference_point is None
    assert person.dock._fields["reference"].text == ""
    assert person.window.focusWidget() is person.dock.point.edit
    person.type("reference", "flattened stump")
    assert person.session.canal.reference_point == "flattened stump"
    assert [c.reference_point for c in person.session.case.canals] == ["buccal cusp tip", "flattened stump"]


def test_the_very_reading_that_is_meant_is_taken_back(person):
    """Not the newest; those from before shaping stand greyed, without a button."""
    traced(person)
    for length in ("20.5", "19", "21"):
        person.enter("reading", length)
    listed = person.dock.reading_list
    assert [line.text().split(" at")[0] for line in listed.lines] == ["20.5 mm", "19 mm", "21 mm"]
    person.press(listed.buttons[1])
    assert [line.text().split(" at")[0] for line in listed.lines] == ["20.5 mm", "21 mm"]
    assert [r.length_mm for r in person.session.canal_facts.readings] == [20.5, 21.0]
    assert len(person.session.case.entries) == 4  # three readings and the note that strikes one out
    person.enter("reading", "20.5")
    person.press(person.button("Take proposal"))
    person.press(person.button("Decide"))
    person.key("N")
    person.key("Return")
    assert listed.buttons == []
    assert listed.past.text().count("superseded: ") == 3
    assert "no longer holds: shaped since; take a reading first: field Reading" in person.dock.next_line.text()


def test_a_reading_is_entered_by_enter_and_not_by_leaving_the_field(person):
    """On the way to what belongs to the same reading, or to the next patient, nothing was meant yet."""
    traced(person)
    edit = person.dock._fields["reading"].edit
    for leave in (
        lambda: person.dock.mark.setFocus(),
        lambda: person.test.keyClick(edit, Qt.Key.Key_Tab),
        lambda: person.press(person.button("Add")),
        lambda: person.press(person.button("New case")),
    ):
        person.session.choose_canal(person.session.case.canals[0].name)
        person.settle()
        edit.setFocus()
        edit.selectAll()
        person.test.keyClicks(edit, "23.71")
        kept = person.session.document.draft
        leave()
        person.dock.mark.setFocus()
        person.settle()
        assert load_case(kept).entries == ()


def test_enter_under_file_size_enters_the_reading_with_its_size(person):
    traced(person)
    person.click_into("reading")
    person.test.keyClicks(person.dock._fields["reading"].edit, "20.5")
    person.test.keyClick(person.dock._fields["reading"].edit, Qt.Key.Key_Tab)
    person.enter("size", "15")
    (reading,) = person.session.case.entries
    assert (reading.length_mm, reading.size) == (20.5, 15)
    person.enter("size", "20")  # no reading is typed: none is entered
    assert person.session.case.entries == (reading,)


def test_stops_of_a_length_that_nobody_decided_are_not_in_bold_and_say_so(person):
    traced(person)
    record = person.dock.record
    assert bold(person, "entry") == []
    assert record.proposed_stops.text().startswith(
        "Stops, single, mm, rounded down, for the proposed length, which nobody has decided\n"
    )
    for text in ("20.5", "20.5", "20.5"):
        person.enter("reading", text)
    person.enter("decided", "20")
    person.press(person.button("Decide"))
    (words,) = bold(person, "entry")
    assert words.startswith("Stops, single, mm, rounded down\n")
    assert record.proposed_stops.text() == ""
    person.key("N")
    person.key("Return")
    (words,) = bold(person, "entry")
    assert words.startswith("Stops, single, mm, rounded down, for a decision that no longer holds\n")


def test_the_decision_is_the_one_number_in_bold(person):
    traced(person)
    person.enter("reading", "20.5")
    assert not person.dock.take_proposal.isEnabled()
    for _ in range(2):
        person.press(person.button("Same again"))
    assert person.dock.take_proposal.isEnabled()
    assert person.dock.proposal.text().startswith("proposed 20.0 mm (")
    assert bold(person, "length") == []
    person.press(person.button("Take proposal"))
    person.press(person.button("Decide"))
    (words,) = bold(person, "length")
    assert words.startswith("20.0 mm, decided by KO")
    person.key("N")
    person.key("Return")
    assert person.dock.warnings.words.text().startswith("! Decided 20.0 mm no longer holds: shaped since. Read again ")


def test_give_or_take_is_what_is_printed_behind_the_sign(person):
    opened(person)
    person.enter("std", "0.4")
    person.enter("length", "21.5")
    person.key("S")
    for at in (STOP, TIP):
        person.click(at)
    assert "(21.5 mm ± 0.40 from stop to tip)" in person.dock.scale_words.text()
    assert person.session.case.films[0].scale[0].known_length_std_mm == pytest.approx(0.4 / 1.959964, abs=1e-9)


WRONG = {
    "tooth": ("99", "molar", "4_6"),
    "length": ("abc", "500", "-1", "2 cm", "1e9"),
    "std": ("abc", "-1", "900"),
    "angulation": ("abc", "400"),
    "canal": ("single",),
    "reading": ("abc", "99", "-3", "0"),
    "size": ("thin", "33", "3"),
    "decided": ("twenty", "0", "99", "2"),
}


def test_no_field_answers_with_an_identifier_and_each_answer_goes_when_the_field_is_mended(person):
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QLabel

    traced(person)
    person.press(person.button("Add"))
    person.type("reference", "cusp")
    dock, shown = person.dock, 0
    for place, texts in WRONG.items():
        for text in texts:
            person.enter(place, text)
            if place == "decided":
                person.press(person.button("Decide"))
            if place == "size":
                person.enter("reading", "20")
            labels = [label for label in dock.findChildren(QLabel, "message") if label.isVisibleTo(dock)]
            for label in labels:
                shown += 1
                assert not re.search(r"[a-z]+_[a-z]+", label.text().replace(repr(text), "")), (place, label.text())
            at = {"size": "reading", "std": "length"}.get(place, place)
            if person.said(at) and place in dock._fields and place != "angulation":
                edit = dock._fields[place].edit
                edit.setFocus()
                person.test.keyClick(edit, Qt.Key.Key_Home)
                person.test.keyClick(edit, Qt.Key.Key_1)
                person.settle()
                assert person.said(at) == "", (place, text)
                edit.clear()
        if place == "size":
            dock._fields["size"].edit.clear()
    assert shown >= 20


def test_no_form_of_the_record_answers_with_an_identifier(person):
    """Every kind of entry, entered empty, and with numbers that no length has."""
    from wlmeasure_napari._dock_record import ENTERED

    decided(person)
    record, answers = person.dock.record, 0
    for kind in ENTERED:
        record.kind.setCurrentText(kind)
        for text in ("", "0", "900"):
            for field in record.numbers.values():
                field.edit.setText(text)
            before = person.session.case
            person.press(person.button("Enter"))
            answers += bool(person.said("entry"))
            assert not re.search(r"[a-z]+_[a-z]+", person.said("entry")), (kind, person.said("entry"))
            assert (person.session.case is before) == bool(person.said("entry")), kind
            person.session.cancel()
            while person.session.case is not before:
                person.session.undo()
    assert answers >= 30


def lone_file(person, *scales, end):
    """A file of 18 mm that leaves the picture, its tip at row 900; the canal's apical part down to row `end`."""
    file = KnownFile(
        points_px=((1.0, 500.0), (900.0, 500.0)),
        trace_kind="path",
        known_length_mm=18.0,
        known_length_std_mm=0.05,
        upper_end="out of the picture",
    )
    trace = Trace(film="f1", path_px=((700.0, 500.0), (end, 500.0)), apical_end="radiographic apex")

    def change(case):
        film = evolve(case.films[0], scale=(file, *scales))
        canal = evolve(case.canals[0], reference_point="mesiobuccal cusp tip", traces=(trace,))
        return evolve(case, films=(film,), canals=(canal, *case.canals[1:]))

    person.session.edit_case(change)
    person.settle()


def on_film(person):
    person.dock.open_path(FILM)
    person.settle()
    person.enter("by", "KO")
    person.enter("tooth", "36")


RULER = KnownObject(points_px=((100.0, 100.0), (1000.0, 100.0)), known_length_mm=18.0, known_length_std_mm=0.05)
"""0.02 mm a row."""


def test_a_gap_that_is_refused_says_why_and_a_length_says_how_it_was_measured(person):
    """200 rows of 0.02 mm are 4 mm, more than the 3 mm that a tip may be short; 100 rows are 2 mm, so 20 mm in all."""
    dock = person.dock
    on_film(person)
    lone_file(person, end=1000.0)
    assert dock.orifice_length.text().startswith(
        "no length: The file's upper end is out of the picture and the film has no"
    )
    lone_file(person, RULER, end=1100.0)
    words = dock.orifice_length.text()
    assert "no scale" not in words
    assert "no length: The file tip lay too far from the root end to calculate a length from it" in words
    assert "file tip 4.0 mm short of the end" in words
    assert dock.canal_length.text() == ""
    lone_file(person, RULER, end=1000.0)
    assert dock.canal_length.text().startswith("20.0 mm")
    assert "known length plus gap: 18 mm plus a gap of 2.0 mm" in dock.orifice_length.text()
    person.session.edit_case(lambda case: evolve(case, films=(evolve(case.films[0], scale=()),)))
    person.settle()
    assert "no scale: angles only" in dock.orifice_length.text()


def test_scales_that_differ_are_said_and_known_lengths_that_fit_if_swapped(person):
    """25 mm on 500 rows and 20 mm on 400 are one scale; entered the other way round they fit only if swapped."""
    dock = person.dock
    on_film(person)

    def files(*lengths):
        ends = (((100.0, 300.0), (600.0, 300.0)), ((100.0, 600.0), (500.0, 600.0)))
        scales = tuple(
            KnownFile(points_px=line, trace_kind="path", known_length_mm=mm, known_length_std_mm=0.05)
            for line, mm in zip(ends, lengths, strict=True)
        )
        person.session.edit_case(lambda case: evolve(case, films=(evolve(case.films[0], scale=scales),)))
        person.settle()
        return dock.scale_notes.text()

    assert "Scales compared: the left file (25 mm) and the right file (20 mm): agree (ratio 1.00" in files(25.0, 20.0)
    told = files(20.0, 25.0)
    assert "the left file (20 mm) and the right file (25 mm): differ (ratio 0.64" in told
    assert "agree with each other only if swapped" in told


def test_a_file_whose_length_nobody_knows_is_asked_for_its_size(person):
    """The reference films' file is no hand file of ISO 3630-1; a size that it cannot have is refused beside the field."""
    dock, session = person.dock, person.session
    on_film(person)
    field = dock._fields["taper"]
    assert not field.isVisibleTo(dock)
    dock.upper.setCurrentText("the file's length is not known")
    dock.upper.textActivated.emit("the file's length is not known")
    person.settle()
    assert field.isVisibleTo(dock)
    person.key("S")
    for at in (STOP, TIP):
        person.click(at)
    assert isinstance(session.case.films[0].scale[0], PlainFile)
    person.enter("taper", "16 or so")
    person.settle()
    assert "size must be a whole number of 1/100 mm" in person.said("taper")
    for size in ("15", "25", "40", "25/.04"):
        person.enter("taper", size)
        person.settle()
        if not person.said("taper"):
            break
    (file,) = session.case.films[0].scale
    assert isinstance(file, FileTaper)
    assert "from taper of the file, rough" in dock.scale_words.text()
    assert "preliminary and gives no working length" in dock.scale_notes.text()
    field.edit.selectAll()
    for key in (Qt.Key.Key_Delete, Qt.Key.Key_Return):
        person.test.keyClick(field.edit, key)
    person.settle()
    assert isinstance(session.case.films[0].scale[0], PlainFile)
    assert dock.scale_words.text().startswith("none")


@pytest.mark.parametrize("place", ["reading", "decided"])
def test_the_line_leaves_what_was_asked_about_when_its_field_is_emptied(person, place):
    """It used to stand there through saving and all that came after."""
    dock, session = person.dock, person.session
    decided(person)
    person.enter(place, "2")
    if place == "decided":
        person.press(person.button("Decide"))
    assert "asked about" in dock.next_line.text()
    dock._fields[place].edit.clear()
    person.settle()
    assert session.asked_about == ""
    assert "asked about" not in dock.next_line.text()


def drawn_whole(box):
    """The widest item of a list against the room that its style leaves for it."""
    from qtpy.QtWidgets import QStyle, QStyleOptionComboBox

    option = QStyleOptionComboBox()
    option.initFrom(box)
    room = box.style().subControlRect(
        QStyle.ComplexControl.CC_ComboBox, option, QStyle.SubControl.SC_ComboBoxEditField, box
    )
    return max(box.fontMetrics().horizontalAdvance(box.itemText(k)) for k in range(box.count())) <= room.width()


def test_every_list_shows_its_words_whole(person):
    from qtpy.QtWidgets import QComboBox

    dock = person.dock
    traced(person)
    person.session.say_upper_end("reference")
    person.session.cancel()
    person.settle()
    boxes = [box for box in dock.findChildren(QComboBox) if box.isVisibleTo(dock) and box.count()]
    assert len(boxes) >= 8
    assert [box.accessibleName() for box in boxes if not drawn_whole(box)] == []


@pytest.mark.parametrize("large", [False, True])
def test_a_question_is_shown_whole(person, large):
    """Words of three lines used to be cut after two; measured by the font, not by the label's own word."""
    from wlmeasure_napari._offer import Choice

    dock, session = person.dock, person.session
    on_film(person)
    long = (
        "The file begins at the edge of the film and leaves it there. Where does its known length begin on this film? "
        * 2
    )
    session._ask("upper end", long, Choice("The stop is there", lambda: None), Choice("Neither is seen", lambda: None))
    session.changed.emit()
    person.settle()
    bar = dock.question
    words = bar.words
    flow = words.fontMetrics().boundingRect(
        0, 0, words.width() - 2 * 6 - 4, 10_000, int(Qt.TextFlag.TextWordWrap), long.strip()
    )
    assert flow.height() >= 2 * words.fontMetrics().height()
    assert bar._area.viewport().height() >= flow.height() + 2 * 6
    assert bar._area.verticalScrollBar().maximum() == 0


def test_a_message_moves_nothing_under_the_pointer(person):
    """The lines that come under a field used to push what was about to be pressed away."""
    from qtpy.QtCore import QPoint
    from qtpy.QtGui import QCursor

    dock = person.dock
    decided(person)
    pressed = person.button("Decide")
    dock._area.ensureWidgetVisible(pressed, 0, 200)
    person.settle()
    QCursor.setPos(pressed.mapToGlobal(pressed.rect().center()))
    person.settle()
    dock._fields["decided"].edit.setText("99")
    stood = pressed.mapTo(dock, QPoint(0, 0)).y()
    person.press(pressed)
    assert person.said("decided")
    assert pressed.mapTo(dock, QPoint(0, 0)).y() == stood
