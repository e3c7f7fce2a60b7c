"""The window of `wlmeasure open`: three zones, the number that cannot be mistaken, and the viewer's panels one key away."""

from __future__ import annotations

import shutil
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.record.case import Canal, load_case, save_case

from . import test_dock
from .test_dock import Person

ROOT = Path(__file__).resolve().parents[2]
person = test_dock.person  # the fixture

SEVEN = 7.0
"""Contrast of text, W3C Web Content Accessibility Guidelines 2.2, success criterion 1.4.6 (AAA)."""


def luminance(colour):
    """Relative luminance of "#rrggbb" by the same guidelines."""
    parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_every_state_is_read_at_seven_to_one(theme):
    from wlmeasure_napari._look import look_of

    look = look_of(theme)
    for ground in (look.ground, look.card, look.chosen):
        for colour in (look.text, look.faint, *look.states.values()):
            high, low = sorted((luminance(ground[:7]), luminance(colour[:7])), reverse=True)
            assert (high + 0.05) / (low + 0.05) >= SEVEN, (theme, ground, colour)


class Chair(Person):
    """A person before the window of `wlmeasure open`, at 1024 x 700."""

    def __init__(self):
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication
        from wlmeasure_napari._screen import own_window
        from wlmeasure_napari._strip import CanalStrip

        self.viewer, self.dock = own_window(show=False)
        self.test, self.app = QTest, QApplication.instance()
        self.window = self.viewer.window._qt_window
        self.window.resize(1024, 700)
        self.window.show()
        self.clicks = self.numbers = 0
        (self.strip,) = self.window.findChildren(CanalStrip)
        self.settle()


def mixed(folder):
    """The molar up to its second decisions: MB decided, ML in doubt, D only proposed, DL new."""
    for name in ("cases", "films"):
        shutil.copytree(ROOT / "sample_images" / name, folder / name)
    path = folder / "cases" / "molar.wl.json"
    case = load_case(path)
    entries = tuple(entry for entry in case.entries[:35] if entry.id not in ("e20", "e21"))
    films = tuple(
        evolve(film, angulation=None) for film in case.films
    )  # none to be put together in space: that takes long
    save_case(evolve(case, films=films, entries=entries, canals=(*case.canals, Canal(name="DL", traces=()))), path)
    return path


@pytest.fixture
def chair(plugin, monkeypatch, tmp_path):
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    chair = Chair()
    chair.session.work = None  # each step is done when it returns
    chair.dock.open_path(mixed(tmp_path))
    chair.settle()
    chair.session.initials = "KO"
    chair.session.choose_film("f2")
    chair.settle()
    yield chair
    chair.viewer.close()
    chair.settle()


def grey(widget):
    from qtpy.QtGui import QImage

    picture = widget.grab().toImage().convertToFormat(QImage.Format.Format_Grayscale8)
    rows = np.frombuffer(picture.constBits(), np.uint8).reshape(picture.height(), picture.bytesPerLine())
    return rows[:, : picture.width()].astype(int)


def tallest(widget, share=1.0):
    """Height of the tallest line of text in a picture's left share, px: a run of rows that are not its ground alone."""
    picture = grey(widget)
    picture = picture[:, : round(share * picture.shape[1])]
    ground = np.bincount(picture[2:-2, 4:-4].ravel()).argmax()
    marked = (np.abs(picture - ground) > 60)[2:-2, 8:-8].any(axis=1)  # beside the bar in the colour of the canal
    return max(len(list(run)) for found, run in groupby(marked) if found)


@pytest.mark.viewer
def test_three_zones_and_a_number_that_cannot_be_mistaken(chair):
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QDockWidget

    dock, session, strip, window = chair.dock, chair.session, chair.strip, chair.window
    panels = {panel.objectName(): panel for panel in window.findChildren(QDockWidget)}
    viewers = [panels["layer list"], panels["layer controls"], window.statusBar()]
    assert [panel.isVisible() for panel in viewers] == [False] * 3
    assert chair.canvas.height() >= 0.95 * (window.height() - window.menuBar().height())
    assert chair.canvas.width() >= 0.4 * window.width()
    chair.key("V")
    assert [panel.isVisible() for panel in viewers] == [True] * 3
    chair.key("V")
    assert [panel.isVisible() for panel in viewers] == [False] * 3

    assert [card.glance.canal for card in strip.cards] == ["MB", "ML", "D", "DL"]
    assert [card.isChecked() for card in strip.cards] == [True, False, False, False]
    plate = dock.plate
    assert plate._number_font().pointSizeF() >= 48.0
    heights, numbers, steady = {}, {}, {plate.height()}
    for name in ("MB", "ML", "D", "DL"):
        card = next(card for card in strip.cards if card.glance.canal == name)
        chair.press(card)
        assert (session.canal_name, card.isChecked()) == (name, True)
        steady.add(plate.height())
        heights[name], numbers[name] = tallest(plate), plate.glance.number
        assert name in plate.accessibleName()
        assert card.glance == plate.glance
    assert len(steady) == 1  # nothing jumps when a number comes or goes
    assert numbers == {"MB": "20.0", "ML": "20.0", "D": "20.0", "DL": ""}
    assert heights["MB"] >= plate.number_px - 2
    assert heights["D"] <= 0.5 * heights["MB"]
    assert heights["DL"] <= 0.5 * heights["MB"]
    cards = {card.glance.canal: tallest(card) for card in strip.cards}
    assert cards["MB"] < heights["MB"]  # the largest text is the stop of the canal in hand
    assert cards["D"] <= 0.5 * cards["MB"]
    whole = plate.mapTo(window, plate.rect().bottomRight())
    assert whole.x() < window.width()
    assert whole.y() < window.height()

    for key, name in (("PageDown", "MB"), ("PageDown", "ML"), ("PageUp", "MB"), ("PageUp", "DL")):
        chair.test.keyClick(chair.canvas, getattr(Qt.Key, f"Key_{key}"))
        chair.settle()
        assert session.canal_name == name
    chair.press(strip.more)
    assert session.canal_name not in ("MB", "ML", "D", "DL")
    assert len(strip.cards) == 5
    dock.large.setChecked(True)
    chair.settle()
    assert strip.cards[0].number_px > cards["MB"]
    chair.window.close()
    assert [panel.isVisibleTo(window) for panel in viewers] == [True] * 3  # a viewer that remembers its layout


@pytest.mark.viewer
def test_in_somebody_elses_viewer_the_panels_are_left_alone(person):
    from qtpy.QtWidgets import QDockWidget

    panels = [panel for panel in person.window.findChildren(QDockWidget) if panel.objectName().startswith("layer ")]
    assert len(panels) == 2
    assert all(panel.isVisible() for panel in panels)
    assert person.window.statusBar().isVisible()


def shown_words(widget):
    """Words of a widget that are seen now: labels, buttons, and what stands in fields and lists."""
    from qtpy.QtWidgets import QAbstractButton, QComboBox, QLabel, QLineEdit

    texts = [
        one.text()
        for kind in (QLabel, QAbstractButton, QLineEdit)
        for one in widget.findChildren(kind)
        if one.isVisible()
    ]
    texts += [box.currentText() for box in widget.findChildren(QComboBox) if box.isVisible()]
    return sum(len(text.split()) for text in texts)


@pytest.mark.viewer
def test_one_step_open_one_warning_and_what_is_laid_over_the_window(chair):
    from wlmeasure_napari._warnings import remarks_of

    dock, session, shelf = chair.dock, chair.session, chair.dock.shelf
    session.choose_canal("D")  # proposed: to be decided
    chair.settle()
    steps = {place: dock._by_place[place] for place in ("film", "scale", "canals", "readings", "length")}
    assert {place: part.folded for place, part in steps.items()} == {**dict.fromkeys(steps, True), "length": False}
    assert "mm per pixel" in steps["scale"].row.text()
    assert "3, stable" in steps["readings"].row.text()
    assert "20.0" not in "".join(part.row.text() for part in steps.values())  # no number beside the plate's
    assert dock._fields["decided"].edit.isVisible()
    assert not dock._fields["reading"].edit.isVisible()
    assert shown_words(dock._area.widget()) <= 120, shown_words(dock._area.widget())

    # A step is opened by its line, another part by its tab; the number stays where it is.
    at = dock.plate.mapTo(chair.window, dock.plate.rect().topLeft())
    chair.press(steps["readings"].row)
    assert dock._fields["reading"].edit.isVisible()
    assert any("pacemaker" in label.text() for label in steps["readings"].findChildren(type(dock.next_line)))
    for tab, inside in (("Treatment", dock.record.kind), ("Record", dock.saved), ("Films", dock.contrast)):
        assert not inside.isVisible()
        chair.press(shelf.row.buttons[tab])
        assert inside.isVisible()
        assert dock.plate.isVisible()
        assert dock.plate.mapTo(chair.window, dock.plate.rect().topLeft()) == at
    assert not dock._fields["decided"].edit.isVisible()
    for widget in dock.findChildren(type(shelf.row.buttons["Record"])):
        if widget.isVisible():  # nothing of the dock is cut
            assert widget.mapTo(dock, widget.rect().topRight()).x() < dock.width(), widget.text()

    # A digit on the film is a reading, whichever tab is open; a refusal is seen beside its field.
    chair.key("2")
    assert chair.window.focusWidget() is dock._fields["reading"].edit
    chair.type("reading", "abc")
    assert "reading must be a number" in chair.said("reading")
    dock._fields["reading"].edit.clear()

    # One warning, the worst first, and how many there are besides.
    session.choose_canal("ML")
    chair.settle()
    remarks = remarks_of(session)
    assert len(remarks) >= 3
    words = dock.warnings.words
    assert words.text() == "! Decided 20.0 mm no longer holds: shaped since. Decide again before a stop is set by it."
    assert dock.warnings.more.text() == f"▸ {len(remarks) - 1} more"
    chair.press(dock.warnings.more)
    assert words.text().count("! ") == len(remarks)
    assert not any(entry.id in words.text().split() for entry in session.case.entries)
    chair.press(dock.warnings.more)
    assert words.text().count("! ") == 1
    assert dock.cautions.words.text().startswith("This is an aid to measurement. The licensed clinician decides")
    chair.press(dock.cautions.more)
    assert "projection" in dock.cautions.words.text()

    # Laid over the window: the keys, and the number from afar; meanwhile no key does what is not seen.
    chair.test.keyClick(chair.canvas, "?")
    chair.settle()
    keys = dock._covers["keys"]
    assert keys.isVisible()
    assert keys.size() == chair.window.size()
    chair.key("S")
    assert session.tool == "look"
    chair.key("Escape")
    assert not keys.isVisible()
    session.choose_canal("MB")
    chair.key("W")
    far = dock._covers["far"]
    solid = tallest(far, 0.6)  # the film stands on the right
    chair.key("PageDown")
    chair.key("PageDown")
    assert session.canal_name == "D"
    assert "proposed" in far.accessibleName()
    assert tallest(far, 0.6) <= 0.5 * solid
    chair.key("4")
    assert chair.window.focusWidget() is not dock._fields["reading"].edit
    chair.key("W")
    assert not far.isVisible()
