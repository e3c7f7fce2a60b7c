"""The dock: the whole job from film to report, top to bottom. It shows the session and passes on what is typed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import napari
from qtpy.QtCore import QEvent, QPoint, QSize, Qt, QTimer
from qtpy.QtGui import QCursor
from qtpy.QtOpenGLWidgets import QOpenGLWidget
from qtpy.QtWidgets import (
    QApplication,
    QCheckBox,
    QComboBox,
    QFileDialog,
    QLabel,
    QProgressBar,
    QScrollArea,
    QSlider,
    QVBoxLayout,
    QWidget,
)

from wlmeasure import __version__
from wlmeasure.decide.electronic import CONDITIONS
from wlmeasure.errors import CaseError
from wlmeasure.measure.budget import std_of_half_width_mm
from wlmeasure.record.case import SUFFIX, StopSeated
from wlmeasure.record.draft import typed_instrument
from wlmeasure.record.edit import typed_number
from wlmeasure.record.evaluate import TraceResult
from wlmeasure.record.facts import SETTLED
from wlmeasure.share.card import card_file
from wlmeasure.share.cautions import PACEMAKER
from wlmeasure.share.ends_plot import ENDS_CAPTION, ends_drawing
from wlmeasure.share.figures import profile_drawing
from wlmeasure.share.page import PageFile
from wlmeasure.share.result import (
    curvature_words,
    decision_words,
    electronic_words,
    length_label,
    limit_words,
    measured_words,
    method_words,
    no_length_words,
    proposal_end_words,
    proposal_words,
    risk_words,
    scale_words,
    start_words,
    stop_setting_mm,
    stop_words,
)
from wlmeasure.trade.instruments import size_words
from wlmeasure.whole_file import write_whole
from wlmeasure_napari._archive import store
from wlmeasure_napari._covers import FarView, KeyList
from wlmeasure_napari._dock_case import CaseRow, Head, QuestionBar
from wlmeasure_napari._dock_films import FilmChooser
from wlmeasure_napari._dock_foot import CautionLine, LookLine, WarningBar
from wlmeasure_napari._dock_inputs import OwnedInputs
from wlmeasure_napari._dock_pacs import ArchiveDialog
from wlmeasure_napari._dock_parts import Field, Part, Worker, button, buttons, note, tell
from wlmeasure_napari._dock_point import PointField
from wlmeasure_napari._dock_readings import ReadingList
from wlmeasure_napari._dock_record import RecordPart, drawn
from wlmeasure_napari._dock_space import AngulationRow, SpacePart
from wlmeasure_napari._dock_study import ExercisePart, StudyPart
from wlmeasure_napari._entries import add_reading, repeat_reading, strike_out
from wlmeasure_napari._exercise import ExerciseWalk
from wlmeasure_napari._glance import glances_now
from wlmeasure_napari._hands import KEYS
from wlmeasure_napari._layers import canal_colour
from wlmeasure_napari._live_line import LiveLine, live_line
from wlmeasure_napari._look import type_of
from wlmeasure_napari._loupe import Loupe
from wlmeasure_napari._needs import NEEDS, need
from wlmeasure_napari._offer import FILM_SUFFIXES, is_folder
from wlmeasure_napari._over_time import earlier_films, report_over_time
from wlmeasure_napari._pacs import send_case
from wlmeasure_napari._plate import Plate
from wlmeasure_napari._sessions import seat_of
from wlmeasure_napari._settings import settings
from wlmeasure_napari._steps import FoldingPart, Shelf, Tab, TabRow
from wlmeasure_napari._strip import CanalStrip
from wlmeasure_napari._study import Concealed, Walk
from wlmeasure_napari._upper_end import Upper
from wlmeasure_napari._warnings import remarks_of
from wlmeasure_napari._window import WindowKeys, film_canvas, main_window, show_viewer_panels

__all__ = ["WorkingLengthDock"]

IMAGES = f"Images ({' '.join(f'*{suffix}' for suffix in FILM_SUFFIXES)});;All files (*)"
WALKING = "The films are those of the study or exercise: no other is opened during it."
CANAL_PARTS = {"readings": "Electronic readings", "length": "Working length", "entry": "Treatment"}
"""Parts that are the canal's in hand, whose name stands in their titles."""
TAB_OF: dict[str, Tab] = {
    **dict.fromkeys(("film", "scale", "canals", "readings", "length"), "Measure"),
    "space": "3-D",
    "entry": "Treatment",
    "record": "Record",
    "view": "Films",
}
UPPER: dict[str, Upper] = {
    "the stop is in the picture": "stop",
    "stop not seen, what it rested on is seen": "reference",
    "neither is in the picture": "out of the picture",
    "the file's length is not known": "no length",
}
SEATED: dict[str, StopSeated | None] = {
    "stop seated at exposure: not known": None,
    "stop seated at exposure: yes": "yes",
}
SLID = "stop seated at exposure: no, it had slid"
METAL = {"metal as the file says": None, "metal is bright": "bright", "metal is dark": "dark"}
PROFILE_PX = 300
STEPS_PX = 1  # least height of the steps while a question stands
LAYERS = 5  # a line of words, its row, the step's body, the step, the page
WIDTH_PX = 360
STYLE = """
QLabel#next { font-weight: 600; padding: 8px; border-left: 4px solid #e69f00; }
QLabel#message { color: #d55e00; }
QLabel#number { font-weight: 600; }
QLabel#past { color: palette(mid); }
QLabel#warning { padding: 4px 8px; }
QPushButton#fold { text-align: left; padding: 4px 8px; }
QPushButton#tab { padding: 4px 0px; min-width: 0px; }
QPushButton#tab:checked { text-decoration: underline; }
QGroupBox { font-weight: 600; margin-top: 8px; padding-top: 8px; }
QGroupBox[folded="true"] { margin-top: 0px; padding-top: 0px; border: 0px; }
QGroupBox QLabel, QGroupBox QLineEdit, QGroupBox QPushButton, QGroupBox QComboBox, QGroupBox QCheckBox,
QGroupBox QListWidget, QGroupBox QSpinBox { font-weight: 400; }
"""


class CanalName(Field):
    """Which canal a proposed one is: asked under the line of the next step, and answered by Enter alone."""

    def __init__(self, done: Callable[[str], None], left: Callable[[], None]) -> None:
        super().__init__("Which canal", done, "Type its name and press Enter; Esc leaves it proposed", on_enter=True)
        self._left = left

    def put_back(self) -> None:
        """Esc: it stays proposed."""
        super().put_back()
        self._left()


class WorkingLengthDock(QWidget):
    """The dock of one viewer."""

    def __init__(self, napari_viewer: napari.Viewer) -> None:
        super().__init__()
        self._viewer = napari_viewer
        seat = seat_of(napari_viewer)
        self.session, self._layers, self._hands, self._space = seat.session, seat.layers, seat.hands, seat.space
        self._line: LiveLine | None = None
        self._line_film: Any = None
        self._fields: dict[str, Field] = {}
        self._loupe = Loupe(self)
        self._covers: dict[str, KeyList | FarView] = {}
        self._canvas: QOpenGLWidget | None = None
        self._keys = WindowKeys(
            self,
            self._all_keys(),
            has_point=lambda: self.session.chosen is not None or self.session.first.focus is not None,
            save=lambda: self._save(),
            open_film=self._on_open_key,
            digit=lambda digit: None if self._covered() else self._begin_reading(digit),
            pointer=self._hands.pointer,
        )
        # Filling in the dock waits for the event loop, so that a burst of steps costs one redraw.
        self._place = ""
        self._late = QTimer(self)
        self._late.setSingleShot(True)
        self._late.timeout.connect(self.refresh)
        self._brought: list[Any] = []  # layers that the viewer opened by itself
        self._sort_out = QTimer(self)
        self._sort_out.setSingleShot(True)
        self._sort_out.timeout.connect(self._open_brought)
        self._by_dock = False  # the last step came from the dock
        self._dialog: ArchiveDialog | None = None
        self._settings = settings()
        self.study: StudyPart | None = None
        self._seen_position: int | None = None
        self._worker, self._looker = Worker(), Worker()
        self._owned = OwnedInputs(self.session)
        self.setAcceptDrops(True)
        self._build()
        self.large.setChecked(self._settings.large_type)
        self.set_large(self._settings.large_type)

    # ---- building ------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        self.head = Head(self.session, self._do)
        self._fields["by"] = self.head.working
        outer.addWidget(self.head)
        self.plate = Plate(self._viewer_itself())
        outer.addWidget(self.plate)
        self.next_line = note(name="next")
        self.canvas_message = note(name="message")
        self.canvas_message.hide()
        outer.addWidget(self.next_line)
        self.which = CanalName(self._on_named, lambda: self._do("which", self._leave_first))
        self._fields["which"] = self.which
        self.which.hide()
        outer.addWidget(self.which)
        self._asked = ""
        self.progress = QProgressBar()
        self.progress.setRange(0, 0)  # under way, without a share: a job lasts a fraction of a second
        self.progress.setTextVisible(False)
        self.progress.setFixedHeight(4)
        self.progress.setAccessibleName("Working")
        keeps = self.progress.sizePolicy()
        keeps.setRetainSizeWhenHidden(True)  # the dock does not jump
        self.progress.setSizePolicy(keeps)
        outer.addWidget(self.progress)
        self.tabs = TabRow(self._on_tab)
        outer.addWidget(self.tabs)
        area = self._area = QScrollArea()
        area.setWidgetResizable(True)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        inside = QWidget()
        self._parts = QVBoxLayout(inside)
        self.film_choice = self._choice(self._on_film, "The film in view", "Film in view")
        self._parts.addWidget(self.film_choice)
        self._by_place: dict[str, Any] = {
            "film": self._film(),
            "scale": self._scale(),
            "canals": self._canals(),
            "space": SpacePart(self.session, self._space, self._do),
            "readings": self._readings(),
            "length": self._length(),
            "entry": self._entries(),
            "record": self._record(),
            "view": self._view_part(),
        }
        self.shelf = Shelf(self._by_place, TAB_OF, self.tabs)
        self.shelf.open_only("film", [])
        for part in self._by_place.values():
            self._parts.addWidget(part)
        self._parts.addStretch(1)
        area.setWidget(inside)
        outer.addWidget(area, 1)
        self.warnings = WarningBar()
        outer.addWidget(self.warnings)
        # At the foot, so that nothing moves under the pointer when they come.
        outer.addWidget(self.canvas_message)
        self.question = QuestionBar(self.session, self._do, self._room_below)
        outer.addWidget(self.question)
        self.look_line = LookLine(
            lambda: self._do("canvas", self.session.first.stop), lambda: self._do("canvas", self.session.first.again)
        )
        outer.addWidget(self.look_line)
        self.head.row.layout().setContentsMargins(8, 0, 8, 0)
        outer.addWidget(self.head.row)  # who is working is said once; the best place is the number's
        self.cautions = CautionLine()
        self.cautions.add(button("? keys", lambda: self._cover("keys"), "Every key and what it does"))
        outer.addWidget(self.cautions)
        self._own()
        self._heed_typing()

    def _heed_typing(self) -> None:
        """What was asked about is not meant any more where another length is typed, or none."""
        session, fields = self.session, self._fields
        fields["reading"].edit.textChanged.connect(lambda text: session.typed("reading", text))
        fields["decided"].edit.textChanged.connect(lambda text: session.typed("decision", text))
        self.record.numbers["length_mm"].edit.textChanged.connect(lambda text: session.typed("entry", text))

    def _own(self) -> None:
        """What is typed for a canal, a film or the case, and empty for another one."""
        fields, owned, record = self._fields, self._owned, self.record
        owned.add_field("case", "case id", fields["case_id"])
        owned.add_field("film", "length", fields["length"])
        owned.add_field("film", "object", fields["object"])
        owned.add_field("film", "give or take", fields["std"])
        owned.add_choice("film", "claim", self.claims)
        for name in ("reading", "size", "decided", "reason"):
            owned.add_field("canal", name, fields[name])
        owned.add_choice("canal", "mark", self.mark)
        owned.add_choice("canal", "condition", self.condition)
        owned.add_choice("canal", "kind", record.kind)
        owned.add_choice("canal", "found", record.found)
        owned.add_choice("canal", "other", record.other)
        owned.add_field("canal", "instrument", record.instrument)
        owned.add_field("canal", "note", record.words)
        for name, field in record.numbers.items():
            owned.add_field("canal", name, field)

    def _at_once(self) -> None:
        """The fields of another canal, film or case are there before a key or button can take them for this one's."""
        session, owned = self.session, self._owned
        owned.refresh()
        case, canal = session.case, session.canal
        owned.show_value("case", self._fields["tooth"], "" if session.tooth is None else session.tooth.designation)
        if case is not None and case.case_id is not None:
            owned.show_value("case", self._fields["case_id"], case.case_id)
        owned.show_value("film", self.angulation.degrees, self.angulation.degrees_words())
        size, taper = session.file_size
        owned.show_value("film", self._fields["taper"], "" if size is None else size_words(size, taper))
        owned.show_value("canal", self._fields["canal"], "" if canal is None else canal.name)
        every = glances_now(session)
        self.plate.show_glance(next((one for one in every if one.canal == session.canal_name), None))
        self.point.offer(session.tooth, session.canal_name)
        owned.show_value("canal", self.point, "" if canal is None else canal.reference_point or "")

    def _field(
        self,
        place: str,
        label: str,
        done: Callable[[str], None] | None,
        tip: str,
        hint: str = "",
        *,
        on_enter: bool = False,
    ) -> Field:
        field = Field(label, done, tip, hint=hint, on_enter=on_enter)
        self._fields[place] = field
        said_at = {"size": "reading", "std": "length", "reason": "decided"}.get(place, place)
        field.edit.textEdited.connect(lambda _text: self.session.withdraw(said_at))
        return field

    def _film(self) -> Part:
        part = FoldingPart("Film and tooth", self._soon)
        self.cases = part.add(CaseRow(self.session, self._do, self._open_case, self.open_path))
        self._openers = part.add(buttons(
            button("Open film", self._open_film, "An image; with a case open you are asked whose film it is"),
            button("Folder", self._open_folder, "The films of a folder, to choose from")))  # fmt: skip
        self._archive = part.add(
            button("Image archive…", self._ask_archive, "Find and open films of the practice's image archive")
        )
        self.chooser = FilmChooser(self.session, self._do)
        part.add(self.chooser)
        part.add(
            self._field(
                "tooth",
                "Tooth",
                self._on_tooth,
                "46, 30, LR6 or in words; which one a number means is asked",
                "46, LR6",
            )
        )
        part.add(self._message("film"))
        return part

    def _view_part(self) -> Part:
        """How the film in view was taken, and how it is shown."""
        part = Part("Film in view")
        self.film_words = part.add(note())
        self.angulation = AngulationRow(self.session, self._enter_here)
        self._fields["angulation"] = self.angulation.degrees
        part.add(self.angulation)
        turn, tip = self.session.turn, "A quarter turn, for the eye alone"
        part.add(buttons(button("Turn left", lambda: self._do("view", lambda: turn(-1)), tip),
                         button("Turn right", lambda: self._do("view", lambda: turn(1)), tip)))  # fmt: skip
        part.add(buttons(
            button("Upright", lambda: self._do("view", self.session.set_upright),
                   "Crown of a lower tooth up, roots of an upper one up, judged by what is traced"),
            button("Mirror", lambda: self._do("view", self.session.mirror),
                   "Left for right, for the eye alone; asks first, and every picture says so")))  # fmt: skip
        self.contrast = QCheckBox("local contrast (C)")
        self.contrast.setToolTip("Display only: measuring uses the stored values")
        self.contrast.clicked.connect(self._on_contrast)
        self.inverse = QCheckBox("inverted")
        self.inverse.setToolTip("Display only: bright for dark; what metal is on the film is said beside it")
        self.inverse.clicked.connect(self._on_inverse)
        part.add(buttons(self.contrast, self.inverse))
        self.metal = self._choice(
            self._on_metal, "Whether metal is bright or dark on this film as it is stored", "Metal"
        )
        self.metal.addItems(list(METAL))
        part.add(self.metal)
        part.add(self._message("view"))
        return part

    def _scale(self) -> Part:
        part = FoldingPart("Scale", self._soon)
        part.add(
            self._field(
                "length", "Stop to tip, mm", self._on_known, "As measured on a ruler, not as printed on the file"
            )
        )
        part.add(self._field("object", "Object, mm", self._on_object, "Length of a known object between its two ends"))
        part.add(
            self._field(
                "std",
                "give or take, ± mm",
                self._on_give_or_take,
                "How far off that may be either way, 19 times of 20, as every ± printed; 0.28 for a ruler read to 0.5 mm",
                f"{self._settings.half_width_mm:g}",
            )
        )
        self.upper = self._choice(self._on_upper, "Where the file's known length begins on this film", "Upper end")
        self.upper.addItems(list(UPPER))
        part.add(self.upper)
        self.seated = self._choice(
            self._on_seated,
            "Whether the stop rested on that point when the film was taken; where it is not known, the length may be too long",
            "Stop seated",
        )
        self.seated.addItems([*SEATED, SLID])
        part.add(self.seated)
        self.size = part.add(
            self._field(
                "taper",
                "Its size",
                self._on_size,
                "Size, or size and taper, of a file whose length nobody knows: its thickness gives an estimate, good for the "
                "rest beyond a file's tip and never for a working length; may stay empty",
                "15, or 25/.04",
            )
        )
        part.add(buttons(button("File (S)", lambda: self._take("file", "scale"), "Click the file's stop, then its tip"),
                         button("Find (F)", self._find, "Look for the file; you accept what is found")))  # fmt: skip
        part.add(buttons(button("Object", lambda: self._take("object", "scale"), "Click both ends of a known object"),
                         button("Forget", self._forget_scale, "Take the last known length away")))  # fmt: skip
        self.claims = self._choice(lambda _text: None, "A spacing that the image claims", "Spacing claim")
        self.use_claim = button("Use claim", self._use_claim, "Take the image's own spacing, knowingly")
        self.claim_row = part.add(buttons(self.claims, self.use_claim))
        self.scale_words = part.add(note(name="number"))
        self.scale_notes = part.add(note())
        part.add(self._message("scale"))
        return part

    def _canals(self) -> Part:
        part = FoldingPart("Canal", self._soon)
        self.canal_choice = self._choice(self._on_canal, "The canal in hand", "Canal in hand")
        part.add(self.canal_choice)
        self._naming = [part.add(self._field("canal", "Name", self._on_rename, "Name of the canal; Enter renames it"))]
        self.point = PointField(
            "From",
            self._on_rename,
            "The cusp or edge that the length counts from; choose it or type another",
            hint="name the cusp or edge",
        )
        self._fields["reference"] = self.point
        part.add(self.point)
        self._naming.append(part.add(buttons(
            button("Add", self._add_canal, "One canal more; the usual names of the tooth come first"),
            button("Delete", self._delete_canal, "Take this canal away"))))  # fmt: skip
        part.add(buttons(button("Trace (T)", lambda: self._take("canal", "canal"), "Orifice, canal, apical end"),
                         button("Accept (Enter)", self._accept, "Trace through the points"),
                         button("Cusp (R)", lambda: self._take("reference", "canal"), "The reference point")))  # fmt: skip
        self.carry_choice = self._choice(lambda _text: None, "The film whose marks are carried over", "Earlier film")
        self.carry_path = QCheckBox("path too")
        self.carry_path.setChecked(True)  # between two ends alone a new tracing may follow the root's outline
        self.carry_path.setToolTip("Carry the traced path over as clicks, not its two ends alone")
        self.carry_row = part.add(buttons(
            button("Carry over from film", self._carry_over, "Lay that film on this one and propose its marks"),
            self.carry_choice, self.carry_path))  # fmt: skip
        self.fader = QSlider(Qt.Orientation.Horizontal)
        self.fader.setRange(0, 100)
        self.fader.setValue(round(100 * self._layers.faded))
        self.fader.setAccessibleName("How much of the earlier film is seen")
        self.fader.setToolTip("This film on the left, the earlier one on the right")
        self.fader.valueChanged.connect(lambda share: self._layers.fade(share / 100.0))
        part.add(self.fader)
        self.end_choice = self._choice(self._on_end, "What the trace ends at", "Apical end")
        self.end_choice.addItems(["radiographic apex", "apical foramen", "file tip", "filling end", "open apex"])
        self.seen_choice = self._choice(self._on_seen, "How well the apex is seen", "Apex visibility")
        self.seen_choice.addItems(["clear", "superimposed", "cut off"])
        part.add(self.end_choice)
        part.add(self.seen_choice)
        self.canal_length = part.add(note(name="number"))
        self.orifice_length = part.add(note())  # a length from the orifice is no number to set a stop by
        self.canal_bend = part.add(note())
        self.profile = QLabel()
        self.profile.setAccessibleName("Curvature along the canal")
        part.add(self.profile)
        return part

    def _readings(self) -> Part:
        part = FoldingPart(CANAL_PARTS["readings"], self._soon)
        tip = "Type the length and press Enter, here or under File size"
        part.add(self._field("reading", "Reading, mm", self._on_reading, tip, on_enter=True))
        self.mark = self._choice(lambda _text: None, "Where the device stood", "Mark")
        self.mark.addItems(["foramen", "constriction", "beyond"])
        part.add(
            self._field(
                "size", "File size", None, "The hand file the device was connected to, such as 15; may stay empty"
            )
        )
        self._fields["size"].edit.returnPressed.connect(lambda: self._on_reading(self._fields["reading"].text))
        self.condition = self._choice(lambda _text: None, "Anything that makes readings doubtful", "Condition")
        self.condition.addItems(["no condition", *CONDITIONS])
        part.add(self.mark)
        part.add(self.condition)
        part.add(button("Same again", self._repeat, "It read the same again"))
        self.reading_list = ReadingList(self._take_back)
        part.add(self.reading_list)
        self.reading_words = part.add(note())
        part.add(note(PACEMAKER))
        return part

    def _length(self) -> Part:
        part = FoldingPart(CANAL_PARTS["length"], self._soon)
        self.proposal = part.add(note())
        self.ends = QLabel()
        self.ends.setAccessibleName("Where constriction and foramen may lie")
        self.ends.setToolTip(ENDS_CAPTION)
        part.add(self._field("decided", "Decided, mm", None, "The length you decide; only you decide"))
        part.add(self._field("reason", "Reason", None, "A word on why"))
        self.take_proposal = button("Take proposal", self._take_proposal, "Copy the settled proposal into the field")
        part.add(buttons(self.take_proposal, button("Decide", self._decide, "Record the decided length")))
        part.add(self.ends)  # beneath what is typed and pressed, which a low screen shows without scrolling
        self.decision = part.add(note(name="number"))
        return part

    def _entries(self) -> Part:
        self.record = RecordPart(self.session, self._enter_here, self._message("entry"))
        return self.record

    def _record(self) -> Part:
        part = Part("Case")
        self.undo_button = button("Undo", lambda: self._do("record", self.session.undo), "Ctrl+Z")
        self.redo_button = button("Redo", lambda: self._do("record", self.session.redo), "Ctrl+Y")
        part.add(buttons(self.undo_button, self.redo_button))
        part.add(buttons(button("Save", self._save, "Ctrl+S: write the case to its file; until then steps go to a draft"),
                         button("Save as…", self._save_as, "Another name, which Save writes from then on")))  # fmt: skip
        part.add(buttons(button("Report", self._report, "Write the report, as a page or as PDF"),
                         button("Stops card", self._card, "One small sheet: every stop of every canal")))  # fmt: skip
        self.saved = part.add(note())
        part.add(self._field("case_id", "Case id", None, "The practice's own id for the archive; no names"))
        part.add(
            button("Store in archive", self._store, "Store case and record; nothing in the archive is ever overwritten")
        )
        part.add(
            button(
                "Send to image archive",
                lambda: self._do("record", lambda: send_case(self.session)),
                "Report and traced lines, as DICOM objects; each is read back and compared",
            )
        )
        part.add(self._message("record"))
        self.large = QCheckBox("large type")
        self.large.setToolTip("Readable from 1.5 m; T and Enter alone trace and accept")
        self.large.toggled.connect(self.set_large)
        part.add(self.large)
        return part

    def _choice(self, chosen: Callable[[str], None], tip: str, name: str) -> QComboBox:
        box = QComboBox()
        box.setToolTip(tip)
        box.setAccessibleName(name)
        box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        box.textActivated.connect(chosen)
        return box

    def _message(self, place: str) -> QLabel:
        label = note(name="message")
        label.hide()
        self._fields[place] = label
        return label

    # ---- life ----------------------------------------------------------------------------------------------------

    def showEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        """Connect: a dock that is closed gets no close event, so it listens only while it is seen."""
        super().showEvent(event)
        self.session.changed.connect(self._on_changed)
        self.session.moved.connect(self._on_moved)
        self.session.said.connect(self._on_said)
        self._layers.disturbed.connect(self._on_disturbed)
        self._layers.brought.connect(self._on_brought)
        self.session.work = self._worker
        self.session.aside = self._looker if self._settings.first_look else None
        self.session.resume()
        self._hands.connect()
        window = main_window(self)
        self._canvas = None if window is None else film_canvas(window)
        self._viewer_itself().layers.events.removing.connect(self._make_canvas_current)
        self._keys.connect_to_window()
        self.refresh()

    def hideEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        super().hideEvent(event)
        for signal, slot in (
            (self.session.changed, self._on_changed),
            (self.session.moved, self._on_moved),
            (self.session.said, self._on_said),
            (self._layers.disturbed, self._on_disturbed),
            (self._layers.brought, self._on_brought),
        ):
            signal.disconnect(slot, missing_ok=True)
        self.session.work = self.session.aside = None
        self.session.rest()
        self._hands.disconnect()
        self._keys.disconnect_from_window()
        self._loupe.put_away()
        for cover in self._covers.values():
            cover.hide()
            cover.deleteLater()
        self._covers.clear()
        if self._line is not None:
            self._line.remove()
            self._line = self._line_film = None
        self._viewer_itself().layers.events.removing.disconnect(self._make_canvas_current)
        self._canvas = None

    def _make_canvas_current(self, _event: Any = None) -> None:
        """Before a layer is removed: the viewer frees its OpenGL objects in whichever context is current then.

        If that is not the canvas's own, Mesa (seen in 22.3) unbinds the shader that is in use without noting it. Where a
        single image is left, the next drawing has no shader, and the program crashes.
        """
        if self._canvas is not None:
            self._canvas.makeCurrent()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        super().resizeEvent(event)
        self.question.fit()

    def _room_below(self) -> int:
        """Height that a question may take: what the rest of the dock leaves of it, the steps down to nothing meanwhile."""
        layout = self.layout()
        rest = [layout.itemAt(place) for place in range(layout.count())]
        rest = [item for item in rest if not item.isEmpty() and item.widget() not in (self.question, self._area)]
        taken = sum(item.minimumSize().height() for item in rest)
        return int(self.height() - taken - (len(rest) + 1) * layout.spacing()) - STEPS_PX

    def changeEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        """Taken out of its window: napari drops a closed dock without deleting it, and its own slots would keep it."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.ParentChange and self.parent() is None:
            self.deleteLater()

    def sizeHint(self) -> QSize:  # noqa: N802  Qt's name
        """Narrow enough to leave the film most of a screen of 1280 pixels; all texts wrap."""
        return QSize(WIDTH_PX, 700)

    def _on_changed(self) -> None:
        self._at_once()
        self._soon()

    def _soon(self) -> None:
        self._late.start(0)

    def set_large(self, on: bool) -> None:
        """Large type for reading at a distance."""
        self.setStyleSheet(f"* {{ font-size: {type_of(large=on).words:g}pt; }} {STYLE}")
        self.plate.set_large(on)
        self.tabs.lay_out(large=on)
        self.warnings.fit()
        self.cautions.fit()
        for strip in self._strips():
            strip.set_large(on)
        inside = self._area.widget()
        inside.ensurePolished()
        self.head.words.ensurePolished()
        self.head.fit()
        self.next_line.ensurePolished()
        self.next_line.setMinimumHeight(3 * self.next_line.fontMetrics().lineSpacing() + 2 * 8)  # padding of the style
        room = self._area.verticalScrollBar().sizeHint().width() + 2 * self._area.frameWidth()
        self.setMinimumWidth(inside.minimumSizeHint().width() + room)

    def _strips(self) -> list[CanalStrip]:
        """The strips of cards in the same window."""
        window = main_window(self)
        return [] if window is None else list(window.findChildren(CanalStrip))

    def _all_keys(self) -> dict[str, Callable[[], None]]:
        """What each key does; while something is laid over the window only what can be seen through it."""

        def uncovered(step: Callable[[], None]) -> Callable[[], None]:
            return lambda: None if self._covered() else step()

        through = ("PageUp", "PageDown")
        keys = {name: step if name in through else uncovered(step) for name, step in self._hands.keys.items()}
        escape = self._hands.keys["Esc"]
        keys["Esc"] = lambda: None if self._uncover() else escape()
        keys["V"] = uncovered(self._turn_panels)
        keys["W"] = lambda: self._cover("far")
        keys["?"] = lambda: self._cover("keys")
        return keys

    def _covered(self) -> bool:
        return any(cover.isVisible() for cover in self._covers.values())

    def _uncover(self) -> bool:
        """Put away what is laid over the window; whether there was anything."""
        there = [cover for cover in self._covers.values() if cover.isVisible()]
        for cover in there:
            cover.hide()
        return bool(there)

    def _cover(self, which: str) -> None:
        """The list of keys, or the far view; again: away with it."""
        window = main_window(self)
        if window is None or (self.study is not None and which == "far"):  # a walk shows no number of its own
            return
        shown = which in self._covers and self._covers[which].isVisible()
        self._uncover()
        if shown:
            return
        if which not in self._covers:
            viewer = self._viewer_itself()
            self._covers[which] = KeyList(window, viewer, KEYS) if which == "keys" else FarView(window, viewer)
        cover = self._covers[which]
        if isinstance(cover, FarView):
            film = None if self._canvas is None else self._canvas.grab()
            cover.show_glances(glances_now(self.session), self.session.canal_name, film)
        cover.turn()

    def _turn_panels(self) -> None:
        """The viewer's own panels are one key away."""
        window = main_window(self)
        if window is not None:
            show_viewer_panels(window)

    # ---- showing -------------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Fill in everything from the session; what is under the hand in the dock stays there."""
        held = self._held()
        self._fill_in()
        if held is not None:
            self._keep_in_place(*held)
        if not self.session.busy:
            self._by_dock = False

    def _held(self) -> tuple[QWidget, int] | None:
        """The part of the dock that is in use, and how far down it is seen; None while the film is worked on."""
        under = self._area.viewport().rect().contains(self._area.viewport().mapFromGlobal(QCursor.pos()))
        if not (self._by_dock or (under and self.underMouse())):
            return None
        inside = self._area.widget()
        at: Any = inside.childAt(inside.mapFromGlobal(QCursor.pos())) if under else self._keys.came_from
        if at is None or not inside.isAncestorOf(at):
            at = inside
        return at, at.mapTo(self, QPoint(0, 0)).y()

    def _lay_out(self) -> None:
        """Bring everything to its place now: Qt passes a change of size on by one layer a round."""
        for _ in range(LAYERS):
            QApplication.sendPostedEvents(None, QEvent.Type.LayoutRequest.value)

    def _keep_in_place(self, widget: QWidget, seen_at: int) -> None:
        self._lay_out()
        bar = self._area.verticalScrollBar()
        bar.setValue(bar.value() + widget.mapTo(self, QPoint(0, 0)).y() - seen_at)

    def _fill_in(self) -> None:
        session = self.session
        self._layers.labelled = self.study is None  # a walk may not name them
        self._layers.refresh()
        step = session.next_step() if self.study is None else self.study.walk.next_step()
        self.next_line.setText(step.words)
        self._at_once()
        self.head.refresh()
        self.cases.refresh()
        # Meanwhile the steps give way to the question: it is answered first.
        self._area.setMinimumHeight(0 if session.question is None else STEPS_PX)
        self.question.refresh()
        named = self.study is None or "names" not in self.study.walk.conceals
        self._viewer_itself().title = f"{session.head()} - wlmeasure" if named else "wlmeasure"
        self._show_film()
        self._show_scale()
        self._show_canal()
        self._show_length()
        self._by_place["space"].refresh(None if self.study is None else self.study.walk)
        self.shelf.absent = set() if self._space.offered else {"space"}
        self._tell_outcomes()
        far = self._covers.get("far")
        if isinstance(far, FarView) and far.isVisible():
            far.show_glances(glances_now(session), session.canal_name)
        self.warnings.show_remarks(remarks_of(session))
        self.warnings.show()  # a walk may hide it again
        self.record.refresh()
        whose = f", {session.canal_name.replace('&', '&&')}" if session.canal_name else ""
        for name, title in CANAL_PARTS.items():
            self._by_place[name].setTitle(title + whose)
        self.undo_button.setEnabled(session.can_undo)
        self.redo_button.setEnabled(session.can_redo)
        self.saved.setText(session.saved_words())
        self.progress.setVisible(bool(session.busy))
        self.shelf.arrange()
        if step.place in self._by_place and step.place != self._place:  # bring it into view, once
            self._go_on_to(step.place)
        if self.study is not None:
            self.study.refresh()
            self._show_whole_film()
        self._show_look()
        self._on_moved()

    def _show_look(self) -> None:
        """The look at the film in view, which begins here, and the name that is asked for."""
        first = self.session.first
        first.begin()
        self.look_line.show_line(first.line, under_way=first.under_way, stopped=first.stopped)
        naming = first.is_asked()
        asked = "" if naming is None else naming.label
        if asked == self._asked:
            return
        self._asked = asked
        had_focus = self.which.edit.hasFocus()
        self.which.show_text("")
        self.which.setVisible(bool(asked))
        if asked:
            self.which.edit.setPlaceholderText(", ".join(first.names))
            self.which.edit.setAccessibleName(f"Which canal is {asked}")
            self.which.edit.setFocus()
        elif had_focus and self._canvas is not None:
            self._canvas.setFocus()

    def _on_named(self, text: str) -> None:
        asked = self._asked
        if text.strip() and asked:
            self._enter_here("which", lambda: self.session.first.name(asked, text))

    def _leave_first(self) -> None:
        self.session.first.leave()

    def _go_on_to(self, place: str) -> None:
        """The step at hand is open and the others of its tab folded; nothing moves or goes that a hand is on."""
        in_use = self._by_dock or self.underMouse()
        if self.shelf.tab_of(place) not in (None, self.shelf.tab):
            if in_use:
                return  # and later, when the hand is elsewhere
            self.shelf.choose(self.shelf.tab_of(place) or self.shelf.tab)
        self._place = place
        focused = self.window().focusWidget()
        if self._area.underMouse():
            self.shelf.open_only(place, self._by_place.values())  # the step is opened, none is folded
        else:
            self.shelf.open_only(place, [] if focused is None else [focused])
        if not in_use:  # else it would jump under the hand
            self._lay_out()
            top = self._by_place[place].mapTo(self._area.widget(), QPoint(0, 0)).y()
            self._area.verticalScrollBar().setValue(top)

    def _on_tab(self, tab: Tab) -> None:
        self.shelf.choose(tab)
        self._area.verticalScrollBar().setValue(0)
        self.refresh()

    def show_column(self) -> None:
        """All parts open in one column, without tabs."""
        self.shelf.column = True
        self.refresh()

    def reveal(self, widget: QWidget) -> None:
        """Open the tab and the step that a widget is in."""
        for pressed in self.shelf.way_to(widget):
            pressed.click()

    def _tell_outcomes(self) -> None:
        """What each step has come to, for its line while it is folded; no number that could be taken for a stop."""
        session, facts = self.session, self.session.canal_facts
        graph, film, trace = session.radiograph, session.film, session.trace_result
        scaled = film is not None and film.calibration is not None
        electronic = None if facts is None else facts.electronic
        outcomes = {
            "film": "" if graph is None or session.case is None else Path(graph.path).name,
            "scale": scale_words(film).split(",")[0] if film is not None and scaled else "",
            "canals": "" if trace is None else "traced" if trace.length is not None else "traced, no length",
            "readings": "" if electronic is None else f"{electronic.n}, {electronic.status}",
            "length": "" if facts is None or facts.decision is None else f"decided by {facts.decision.by}",
        }
        if trace is not None and trace.lacks_reference:
            outcomes["canals"] = "traced, no reference point"
        for place, outcome in outcomes.items():
            self._by_place[place].tell(outcome)

    def begin_walk(self, walk: Walk) -> None:
        """Walk through films: the dock shows the walk, and what must not be seen is hidden."""
        named = [
            self.head.words,
            self._fields["tooth"],
            self.film_words,
            self.end_choice,
            self.carry_row,
            *self._naming,
        ]
        concealed: dict[Concealed, list[QWidget]] = {
            "openers": [self.cases, self._openers, self._archive, self.angulation],
            "names": named,
            "films": [self.film_choice],
            "entries": [
                self.head.row,
                self.plate,
                self.warnings,
                *(self._by_place[name] for name in ("readings", "length", "entry", "record")),
            ],
            "scale": [self._by_place["scale"], self.warnings],
            "metal": [self.metal],
            "measures": [
                self.plate,
                self.warnings,
                self.scale_words,
                self.scale_notes,
                self.canal_length,
                self.orifice_length,
                self.canal_bend,
                self.profile,
            ],
        }
        self._fields["reference"].edit.setReadOnly("names" in walk.conceals)
        self.point.usual.setVisible("names" not in walk.conceals)  # its cusps would name the tooth
        kind = ExercisePart if isinstance(walk, ExerciseWalk) else StudyPart
        self.shelf.column = True
        self.study = kind(walk, self._do, self._message("study"), concealed)
        self._by_place["study"] = self.study
        self._parts.insertWidget(0, self.study)
        self._do("study", walk.begin)
        self.refresh()

    def _show_whole_film(self) -> None:
        """A film that has just come is shown whole: the view of the one before means nothing on it."""
        assert self.study is not None
        now = self.study.walk.position
        if now != self._seen_position and self.session.radiograph is not None and not self.session.busy:
            self._seen_position = now
            self._viewer_itself().reset_view()

    def _fill(self, box: QComboBox, texts: list[str], chosen: str) -> None:
        if [box.itemText(k) for k in range(box.count())] != texts:
            box.clear()
            box.addItems(texts)
        box.setCurrentIndex(max(0, texts.index(chosen) if chosen in texts else 0))

    def _show_film(self) -> None:
        session = self.session
        graph = session.radiograph
        self.chooser.refresh()
        self.angulation.refresh()
        self._fill(self.film_choice, session.film_ids, session.film_id)
        self.film_choice.setVisible(len(session.film_ids) > 1)
        self.contrast.setChecked(self._layers.enhanced)
        self.inverse.setChecked(self._layers.inverted)
        said = None if session.case is None else session.case.film(session.film_id).metal
        self.metal.setCurrentIndex(list(METAL.values()).index(said))
        self.metal.setEnabled(session.case is not None)
        words = []
        if session.tooth is not None:
            words.append(
                f"{session.tooth.name} ({session.tooth.universal} Universal, {session.tooth.palmer_letters} Palmer)"
            )
        if graph is not None:
            of_file = "" if graph.frame is None else f", frame {graph.frame} of {graph.frames}"
            words.append(f"{Path(graph.path).name}: {graph.rows} x {graph.cols} pixels, {graph.bits} bit{of_file}")
            words += [*graph.densities, *graph.notes]
            if self._layers.words:
                words.append(f"Shown {self._layers.words}.")
        self.film_words.setText("\n".join(words))

    def _show_scale(self) -> None:
        film = self.session.film
        graph = self.session.radiograph
        claims = [] if graph is None else [claim.claim for claim in graph.spacings]
        self.claim_row.setVisible(bool(claims))
        self.upper.setCurrentIndex(list(UPPER.values()).index(self.session.upper_end))
        self.upper.setEnabled(self.session.case is not None)
        self.seated.setCurrentIndex(list(SEATED.values()).index(self.session.stop_seated))
        self.seated.setVisible(self.session.upper_end == "reference")
        self.size.setVisible(self.session.upper_end == "no length")
        self._fill(self.claims, claims, self.claims.currentText())
        said = ["no scale yet" if film is None else scale_words(film)]
        metal = None if self.session.case is None else self.session.case.film(self.session.film_id).metal
        if metal is not None:
            said.append(f"metal is {metal}, as was said")
        tell(self.scale_words, "; ".join(said))
        notes = [] if film is None else [flag.text for flag in film.flags]
        if self.session.proposal is not None:
            notes = [flag.text for flag in self.session.proposal.flags] + notes
        if film is not None and film.magnification is not None:
            notes.insert(0, f"Implied magnification {film.magnification:.2f}.")
        if film is not None:
            notes += [f"Scales compared: {pair.words}." for pair in film.checks]
        tell(self.scale_notes, "\n".join(notes))

    def _show_canal(self) -> None:
        session = self.session
        names = [] if session.case is None else [canal.name for canal in session.case.canals]
        self._fill(self.canal_choice, names, session.canal_name)
        earlier = earlier_films(session.result, session.canal_name, session.film_id)
        kept = self.carry_choice.currentText()
        self._fill(self.carry_choice, earlier, kept if kept in earlier else earlier[0] if earlier else "")
        self.carry_row.setVisible(bool(earlier))
        self.fader.setVisible(session.carried is not None)
        trace = session.trace_result
        for box, value in (
            (self.end_choice, None if trace is None else trace.trace.apical_end),
            (self.seen_choice, None if trace is None else trace.trace.apex_visibility or "clear"),
        ):
            box.setEnabled(value is not None)
            if value is not None:
                box.setCurrentText(value)
        if trace is None:
            tell(self.canal_length, "")
            tell(self.orifice_length, "" if session.canal is None else "not traced on this film")
            tell(self.canal_bend, "")
            self.profile.hide()
            return
        length = trace.length
        tip = trace.tip_to_end_mm
        lines = []
        refused = no_length_words(trace)
        if length is not None and trace.lacks_reference:
            lines.append(
                f"{measured_words(length)} from {start_words(trace)}: no working length yet; {self._lacking(trace)}"
            )
        if length is not None and trace.preliminary:
            lines.append(f"{length_label(trace)}: it gives no stop")
        lines += [words for words in ("" if length is None else method_words(length), refused) if words]
        if tip is not None:
            lines.append(f"file tip {abs(tip):.1f} mm {'short of' if tip >= 0.0 else 'beyond'} the end")
        if trace.lost_mm >= 0.1:
            lines.append(f"dashed: nothing is seen along {trace.lost_mm:.1f} mm of the path")
        if trace.advice:
            lines.append(f"to narrow it: {trace.advice[0].words}")
        to_end = f"to the {trace.trace.apical_end}"
        tell(self.canal_length, "" if length is None or trace.lacks_reference else f"{measured_words(length)} {to_end}")
        tell(self.orifice_length, "\n".join(lines))
        tell(self.canal_bend, curvature_words(trace.curvature, trace.angles))
        profile = profile_drawing(trace, canal_colour(session, session.canal_name))
        self.profile.setVisible(profile is not None)
        if profile is not None:
            self.profile.setPixmap(drawn(profile, PROFILE_PX, self.devicePixelRatioF()))

    def _lacking(self, trace: TraceResult) -> str:
        """What a length from the orifice lacks to be one from the reference point."""
        canal = self.session.canal
        named = canal is not None and canal.reference_point is not None
        todo = ["name" if not named else "", "mark" if trace.trace.reference_px is None else ""]
        return f"{' and '.join(word for word in todo if word)} the reference point (R)"

    def _show_length(self) -> None:
        found, facts = self.session.canal_result, self.session.canal_facts
        if found is None or facts is None:
            for label in (self.reading_words, self.proposal, self.decision):
                tell(label, "")
            self.ends.hide()
            self.reading_list.show_readings((), ())
            self.take_proposal.setEnabled(False)
            return
        self.reading_list.show_readings(facts.readings, facts.past_readings)
        tell(self.reading_words, "" if facts.electronic is None else electronic_words(facts.electronic))
        working = facts.proposal
        self.take_proposal.setEnabled(NEEDS["proposal"].met(self.session))
        ends_at = proposal_end_words(working)
        said = f"{proposal_words(working)} {ends_at}".rstrip()
        lines = [f"proposed {said}, {working.status}"]
        if working.ceiling_mm is not None and working.status not in SETTLED:
            lines.append(f"not beyond {limit_words(working.ceiling_mm)} until this is settled")
        stops = [f"stop at {words}" for words in stop_words(facts)]
        if facts.risk is not None:
            lines.append(f"a stop at {risk_words(facts)}")
        ends = ends_drawing(facts, width=PROFILE_PX, height=150)
        self.ends.setVisible(ends is not None)
        if ends is not None:
            self.ends.setPixmap(drawn(ends, PROFILE_PX, self.devicePixelRatioF()))
        tell(self.proposal, "\n".join(lines + (stops if facts.decision is None else [])))
        lines = [] if facts.decision is None else [decision_words(facts.decision), *stops]
        tell(self.decision, "\n".join(lines))

    def _on_moved(self) -> None:
        """Only the cursor has moved: the live line and the loupe."""
        session = self.session
        film = self._layers.film_layer()
        if self._line is not None and self._line_film is not film:
            self._line.remove()
            self._line = self._line_film = None
        if film is None:
            self._loupe.hide()
            return
        if self._line is None:
            self._line, self._line_film = live_line(self._viewer_itself(), film), film
        self._line.show(session.preview)
        if session.tool != "look" and session.cursor is not None and self._canvas is not None:
            self._loupe.show_on(self._canvas, film, session.cursor, self._layers.view)
        else:
            self._loupe.hide()

    def _on_disturbed(self, words: str) -> None:
        """A layer of ours was deleted or moved: it comes back as soon as the viewer is done with it."""
        self._soon()
        self._on_said("canvas", words)

    def _on_open_key(self) -> None:
        if self.study is None:  # else its films are the walk's
            self._open_film()
        else:
            self._on_said("canvas", WALKING)

    def _on_brought(self, layer: Any) -> None:
        """The viewer is still about to take the layer in."""
        self._brought.append(layer)
        self._sort_out.start(0)

    def _open_brought(self) -> None:
        """What the viewer opened by itself is taken out, and opened as here: whose film it is, is asked."""
        brought, self._brought = self._brought, []
        layers = self._viewer_itself().layers
        for layer in brought:
            if layer in layers:
                layers.remove(layer)
        if self.study is not None:
            self._on_said("canvas", WALKING)
            return
        for path in dict.fromkeys(layer.source.path for layer in brought):
            self.open_path(path)

    def _begin_reading(self, digit: str) -> None:
        """A digit on the film, with nothing in hand there, is the first of a reading."""
        session, edit = self.session, self._fields["reading"].edit
        if session.question is not None or session.busy or session.tool != "look" or session.canal is None:
            return
        if self.study is not None and "entries" in self.study.walk.conceals:
            return
        self.reveal(edit)
        edit.setFocus()
        edit.selectAll()
        edit.insert(digit)
        self._area.ensureWidgetVisible(edit)

    def _viewer_itself(self) -> Any:
        return getattr(self._viewer, "__wrapped__", self._viewer)

    def _on_said(self, place: str, text: str) -> None:
        """A message beside the field it is about, never a dialog; what is under the hand stays there when its lines come."""
        target = self._fields.get(place)
        label = target.message if isinstance(target, Field) else target
        held = None if label is None or label.text() == text else self._held()
        self._say_at(place, text)
        if held is not None:
            self._keep_in_place(*held)

    def _say_at(self, place: str, text: str) -> None:
        target = self._fields.get(place)
        if text and isinstance(target, QWidget):
            self.reveal(target)  # a refusal is seen, whichever tab is open
        if isinstance(target, Field):
            target.say(text)
        elif target is not None:
            target.setText(text)
            target.setVisible(bool(text))
        if place == "canvas" or target is None:
            self.canvas_message.setText(text)
            self.canvas_message.setVisible(bool(text))

    # ---- what is typed and pressed -------------------------------------------------------------------------------

    def _do(self, place: str, step: Callable[[], None]) -> None:
        self._by_dock = True
        self.session.do(place, step)

    def _enter_here(self, place: str, step: Callable[[], None]) -> None:
        """Take a step with what is typed for the canal, film and case in hand; not if they change before its turn comes."""
        meant = self.session.in_hand()

        def checked() -> None:
            if self.session.in_hand() != meant:
                raise CaseError(
                    "canal, film or case has changed since this was typed: nothing was entered; enter it again"
                )
            step()

        self._do(place, checked)

    def _take(self, tool: Any, place: str) -> None:
        self._do(place, lambda: self.session.take(tool))

    def _open_film(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self, "Open film", "", IMAGES)
        if name:
            self.open_path(name)

    def _open_folder(self) -> None:
        name = QFileDialog.getExistingDirectory(self, "Films of a folder")
        if name:
            self.open_path(name)

    def _open_case(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self, "Open case", "", f"Cases (*{SUFFIX})")
        if name:
            self.open_path(name)

    def open_path(self, path: str | Path) -> None:
        """Open an image or a case file, or list the films of a folder or DICOMDIR."""
        if str(path).endswith(SUFFIX):
            self._do("canvas", lambda: self.session.open_case(path))
        elif is_folder(path):
            self._do("canvas", lambda: self.session.open_folder(path))
        else:
            self._do("canvas", lambda: self.session.open_film(path))

    def _ask_archive(self) -> None:
        if self._dialog is None:
            self._dialog = ArchiveDialog(self, self.session, self._do)
            self._fields["pacs"] = self._dialog.message
            self._owned.add_field("case", "patient looked for", self._dialog.patient)
        self._dialog.show()
        self._dialog.raise_()

    def dragEnterEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        """Files dropped on the dock are opened like any other, with the same questions."""
        for url in event.mimeData().urls():
            if url.isLocalFile():
                self.open_path(url.toLocalFile())

    def _on_film(self, text: str) -> None:
        self._do("film", lambda: self.session.choose_film(text))

    def _on_tooth(self, text: str) -> None:
        self._do("tooth", lambda: self.session.set_tooth(text))

    def _on_contrast(self, on: bool) -> None:
        self._layers.enhanced = on
        self.refresh()

    def _on_inverse(self, on: bool) -> None:
        self._layers.inverted = on
        self.refresh()

    def _on_metal(self, text: str) -> None:
        self._enter_here("view", lambda: self.session.set_metal(METAL[text]))

    def _on_known(self, _text: str) -> None:
        def step() -> None:
            length = typed_number(self._fields["length"].text, "known length")
            self.session.set_known_length(length, self._typed_std_mm())

        if self._fields["length"].text.strip():
            self._enter_here("length", step)

    def _on_object(self, _text: str) -> None:
        def step() -> None:
            length = typed_number(self._fields["object"].text, "object's length")
            self.session.set_object_length(length, self._typed_std_mm())

        if self._fields["object"].text.strip():
            self._enter_here("object", step)

    def _on_give_or_take(self, text: str) -> None:
        self._on_known(text)
        self._on_object(text)

    def _typed_std_mm(self) -> float:
        half = self._fields["std"].text.strip() or f"{self._settings.half_width_mm:g}"
        return std_of_half_width_mm(typed_number(half, "give or take"))

    def _on_upper(self, text: str) -> None:
        self._enter_here("scale", lambda: self.session.say_upper_end(UPPER[text]))

    def _on_seated(self, text: str) -> None:
        session = self.session
        self._enter_here("scale", session.say_slid if text == SLID else lambda: session.say_seated(SEATED[text]))

    def _on_size(self, text: str) -> None:
        def step() -> None:
            size, taper, special = typed_instrument(text) if text.strip() else (None, None, None)
            if special:
                raise CaseError(
                    f"size must be one of ISO 3630-1, whose thickness is known: {text.strip()}; leave it empty"
                )
            self.session.say_size(size, taper)

        self._enter_here("taper", step)

    def _find(self) -> None:
        self._do("scale", self.session.find_file)

    def _forget_scale(self) -> None:
        case = self.session.case
        if case is not None and (scales := case.film(self.session.film_id).scale):
            self._enter_here("scale", lambda: self.session.remove_scale(len(scales) - 1))

    def _use_claim(self) -> None:
        claim = self.claims.currentText()
        self._enter_here("scale", lambda: self.session.use_spacing(claim, None))

    def _on_canal(self, name: str) -> None:
        self._do("canal", lambda: self.session.choose_canal(name))

    def _on_rename(self, _text: str) -> None:
        name, reference = self._fields["canal"].text, self._fields["reference"].text
        if self.session.canal is not None and name.strip():
            self._enter_here("canal", lambda: self.session.rename_canal(name, reference))

    def _add_canal(self) -> None:
        session = self.session
        self._do("canal", lambda: session.add_canal(session.usual_name()))
        if session.canal is not None and session.canal.reference_point is None:
            self.point.edit.setFocus()  # which cusp it counts from is the first thing to say of it

    def _delete_canal(self) -> None:
        self._enter_here("canal", self.session.delete_canal)

    def _accept(self) -> None:
        self._do("canal", self.session.accept)

    def _carry_over(self) -> None:
        earlier, path = self.carry_choice.currentText(), self.carry_path.isChecked()
        self._do("canal", lambda: self.session.carry_over(earlier, path=path))

    def _repeat(self) -> None:
        self._enter_here("reading", lambda: repeat_reading(self.session))

    def _on_end(self, text: str) -> None:
        self._enter_here("canal", lambda: self.session.set_end(apical_end=text))

    def _on_seen(self, text: str) -> None:
        self._enter_here("canal", lambda: self.session.set_end(apex_visibility=text))

    def _on_reading(self, text: str) -> None:
        if not text.strip():
            return
        condition = self.condition.currentText()
        conditions = (condition,) if condition in CONDITIONS else ()
        mark: Any = self.mark.currentText()

        def step() -> None:
            size = self._fields["size"].text.strip()
            file_size: Any = typed_number(size, "file size") if size else None
            if file_size is not None and file_size.is_integer():  # the reading itself refuses what is no size
                file_size = int(file_size)
            add_reading(self.session, typed_number(text, "reading"), mark, file_size, conditions)
            self._fields["reading"].clear()  # the same number typed again is another reading

        self._enter_here("reading", step)

    def _take_back(self, entry_id: str) -> None:
        self._enter_here("reading", lambda: strike_out(self.session, entry_id))

    def _take_proposal(self) -> None:
        def step() -> None:
            need(self.session, "proposal")
            proposed = self.session.proposed_mm()
            assert proposed is not None
            self._fields["decided"].edit.setText(f"{stop_setting_mm(proposed):.1f}")

        self._enter_here("decided", step)

    def _decide(self) -> None:
        def step() -> None:
            length = typed_number(self._fields["decided"].text, "decided length")
            self.session.decide(length, self.session.initials, self._fields["reason"].text)

        self._enter_here("decided", step)

    def _save(self) -> None:
        if self.session.case is None or self.session.document.file is not None:  # says so before it asks for a name
            self._do("record", self.session.save)
        else:
            self._save_as()

    def _save_as(self) -> None:
        if self.session.case is None:
            self.save_to("case")
            return
        suggested = str(self.session.document.file or self.session.suggested())
        name, _ = QFileDialog.getSaveFileName(self, "Save case", suggested, f"Cases (*{SUFFIX})")
        if name:
            self.save_to(name)

    def save_to(self, path: str | Path) -> None:
        """Save the case under a name."""
        self._do("record", lambda: self.session.save_as(path))

    def _report(self) -> None:
        if self.session.case is None:
            self.report_to("report.pdf")
            return
        name, _ = QFileDialog.getSaveFileName(self, "Write report", "report.pdf", "PDF (*.pdf);;Page (*.html)")
        if name:
            self.report_to(name)

    def report_to(self, path: str | Path) -> None:
        """Write the report, as PDF or as a page by the ending of the name."""
        result, saved = self.session.result, self.session.saved_at
        if result is None or saved is None:
            self._do("record", lambda: need(self.session, "case"))
            return
        self._write("Writing the report", report_over_time, result, saved, Path(path))

    def _store(self) -> None:
        self._enter_here("record", lambda: store(self.session, self._fields["case_id"].text))

    def _card(self) -> None:
        name = "stops.pdf"
        if self.session.case is not None:
            name, _ = QFileDialog.getSaveFileName(self, "Write stops card", name, "PDF (*.pdf);;Page (*.html)")
        if name:
            self.card_to(name)

    def card_to(self, path: str | Path) -> None:
        """Write the stops card, as PDF or as a page by the ending of the name."""
        result, saved = self.session.result, self.session.saved_at
        if result is None or saved is None:
            self._do("record", lambda: need(self.session, "case"))
            return
        self._write("Writing the card", card_file, result, saved, Path(path))

    def _write(self, words: str, write: Callable[..., PageFile], result: Any, saved: datetime, path: Path) -> None:
        def job() -> tuple[str, ...]:
            made = f"{saved:%Y-%m-%d %H:%M}"
            page = write(result, path.name, made_at=made, program=f"wlmeasure {__version__}")
            write_whole(path, page.content)
            return page.remarks

        def say(remarks: tuple[str, ...]) -> None:
            if remarks:
                self.session.announce("record", f"Written to {path.name}, but {'; '.join(remarks)}.")

        self._do("record", lambda: self.session.run(words, job, say))
