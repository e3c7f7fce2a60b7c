"""What opening leaves to the person: the film of a folder, the frame of a file, one of several teeth; first without Qt."""

import sys
from pathlib import Path

import numpy as np
import pytest
from wlmeasure_napari._session import Session

from wlmeasure.errors import CaseError, FrameError, ImageError

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
from dicom_film import STORED, code, film, written

TEETH = {"46": code("866005003"), "47": code("863899008")}


def one(path, *teeth, **attributes):
    items = [TEETH[tooth] for tooth in teeth]
    path.write_bytes(written(film(PrimaryAnatomicStructureSequence=items, **attributes)))
    return path


@pytest.fixture
def frames(tmp_path):
    """Three frames, each the picture before it shifted by a value."""
    values = np.stack([STORED + k for k in range(3)])
    path = tmp_path / "frames.dcm"
    path.write_bytes(written(film(values[0], 13, NumberOfFrames=3, PixelData=values.tobytes())))
    return path


@pytest.fixture
def session():
    """A session whose messages are kept, by place."""
    session = Session()
    session.told = {}
    session.said.connect(lambda place, text: session.told.update({place: text}))
    return session


def test_one_tooth_of_the_header_begins_the_case_and_is_said(session, tmp_path):
    session.open_film(one(tmp_path / "a.dcm", "46"))
    assert session.case.tooth == "46"
    assert session.told["tooth"].startswith("Tooth 46 stands in the film's header")
    session.set_tooth("36")
    assert session.case.tooth == "36"


def test_several_teeth_are_offered_and_none_is_chosen(session, tmp_path):
    session.open_film(one(tmp_path / "a.dcm", "46", "47"))
    assert (session.case, session.tooth, session.offer.teeth) == (None, None, ("46", "47"))
    assert "several teeth (46, 47)" in session.told["tooth"]
    session.set_tooth("47")
    assert (session.case.tooth, session.offer.teeth) == ("47", ())


def test_a_tooth_that_was_typed_stays_and_the_header_is_held_against_it(session, tmp_path):
    session.set_tooth("36")
    session.open_film(one(tmp_path / "a.dcm", "46"))
    assert session.case.tooth == "36"
    assert "names tooth 46, and the case is of tooth 36" in session.told["tooth"]
    session.open_film(one(tmp_path / "b.dcm", "47", SOPInstanceUID="1.2.3.9"), into="this case")
    assert "names tooth 47, and the case is of tooth 36" in session.told["tooth"]
    session.open_film(one(tmp_path / "c.dcm", SOPInstanceUID="1.2.3.10"), into="this case")
    assert session.told["tooth"] == ""


def test_a_frame_is_asked_for_before_anything_is_begun(session, frames):
    session.open_film(frames)
    assert (session.case, session.radiographs) == (None, {})
    assert (session.offer.path, session.offer.frames) == (frames, 3)
    session.open_film(frames, frame=2)
    session.set_tooth("46")
    assert session.offer.frames == 0
    assert session.case.films[0].frame == 2
    np.testing.assert_array_equal(session.radiograph.values, STORED + 1)
    with pytest.raises(FrameError, match="from 1 to 3: 4"):
        session.open_film(frames, frame=4)


def test_a_file_of_several_frames_dropped_on_the_canvas_says_where_it_is_asked_about(frames):
    from wlmeasure_napari._reader import film_reader

    with pytest.raises(FrameError, match=r"frames\.dcm has 3 frames: press Open film in the dock"):
        film_reader(str(frames))(str(frames))


def test_another_frame_is_another_film_and_the_same_is_refused(session, frames, tmp_path):
    session.set_tooth("46")
    session.open_film(frames, frame=1)
    session.open_film(frames, frame=3, into="this case")
    assert [film.frame for film in session.case.films] == [1, 3]
    with pytest.raises(CaseError, match=r"frames\.dcm is film f2 already"):
        session.open_film(frames, frame=3)
    session.save_as(tmp_path / "case")
    session.close_case()
    again = Session()
    again.open_case(tmp_path / "case.wl.json")
    np.testing.assert_array_equal(again.radiographs["f2"].values, STORED + 2)


def test_a_folder_is_listed_and_nothing_is_opened(session, tmp_path):
    one(tmp_path / "a.dcm", "46")
    session.open_folder(tmp_path)
    assert [film.teeth for film in session.offer.films.films] == [("46",)]
    assert (session.case, session.radiographs) == (None, {})
    session.open_film(session.offer.films.films[0].path)
    assert session.case.tooth == "46"
    assert session.offer.films is not None  # for one more film of the same tooth
    with pytest.raises(ImageError, match="must be a folder or a DICOMDIR"):
        session.open_folder(tmp_path / "nowhere")


@pytest.mark.viewer
def test_the_dock_lists_asks_and_opens(plugin, tmp_path, frames):
    """The list by Enter, the frame by its button, the tooth by the box; what is refused cannot be chosen."""
    napari = pytest.importorskip("napari")
    from qtpy.QtCore import QDeadlineTimer, Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    one(tmp_path / "two.dcm", "46", "47", AcquisitionDate="20261103")
    (tmp_path / "cut.dcm").write_bytes(written(film())[:4000])
    viewer = napari.Viewer(show=False)
    viewer.window._qt_window.show()
    _, dock = viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
    app = QApplication.instance()

    def settle(until):
        end = QDeadlineTimer(30_000)
        while not until():
            app.processEvents()
            assert not end.hasExpired()
        for _ in range(5):
            app.processEvents()

    chooser = dock.chooser
    try:
        settle(dock.isVisible)
        assert not chooser.films.isVisible()
        dock.open_path(tmp_path)
        settle(chooser.films.isVisible)
        assert [chooser.films.item(k).text().split("\n")[1 if k < 2 else 0] for k in range(3)] == [
            *("two.dcm", "frames.dcm", "cut.dcm")
        ]
        assert not chooser.films.item(2).flags() & Qt.ItemFlag.ItemIsEnabled
        chooser.films.setCurrentRow(1)
        QTest.keyClick(chooser.films, Qt.Key.Key_Return)
        settle(chooser.frame_row.isVisible)
        assert chooser.words.text() == "frames.dcm has 3 frames: which one?"
        chooser.films.setCurrentRow(0)
        QTest.keyClick(chooser.films, Qt.Key.Key_Return)
        settle(chooser.teeth.isVisible)
        assert not chooser.frame_row.isVisible()
        assert [chooser.teeth.itemText(k) for k in range(3)] == ["choose the tooth", "46", "47"]
        chooser.teeth.setCurrentIndex(2)
        chooser.teeth.textActivated.emit("47")
        settle(lambda: dock.session.case is not None and not chooser.teeth.isVisible())
        assert dock.session.case.tooth == "47"
    finally:
        viewer.close()


@pytest.mark.viewer
def test_names_of_files_are_no_markup_in_the_dock(plugin, tmp_path):
    """A file from a stranger's medium is named like markup; Qt takes a tooltip that looks like it for it."""
    napari = pytest.importorskip("napari")
    from qtpy.QtCore import QDeadlineTimer, Qt
    from qtpy.QtGui import QTextDocument
    from qtpy.QtWidgets import QApplication, QLabel

    name = "<b>a<img src='x'>&amp;.dcm"
    one(tmp_path / name, "46")
    viewer = napari.Viewer(show=False)
    viewer.window._qt_window.show()
    _, dock = viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
    app, end = QApplication.instance(), QDeadlineTimer(30_000)
    try:
        while not dock.isVisible():
            app.processEvents()
            assert not end.hasExpired()
        dock.open_path(tmp_path)
        while not dock.chooser.films.count():
            app.processEvents()
            assert not end.hasExpired()
        tip = dock.chooser.films.item(0).toolTip()
        shown = QTextDocument()
        shown.setHtml(tip)
        assert shown.toPlainText() == str(tmp_path / name)
        # Words that come from a file stand on labels that show them as they are; the others have no words at all.
        labels = [label for label in dock.findChildren(QLabel) if label.textFormat() != Qt.TextFormat.PlainText]
        said = [label.text() for label in labels if label.text() and label.buddy() is None]
        assert said == []
    finally:
        viewer.close()
