"""Random steps over two cases in two windows: nothing shows under another owner, and nothing is lost."""

import random
import sys
from pathlib import Path

from attrs import evolve
from wlmeasure_napari._drafts import drafts, free_drafts
from wlmeasure_napari._entries import enter
from wlmeasure_napari._session import Session

from wlmeasure.errors import WlmeasureError
from wlmeasure.image.reading import read
from wlmeasure.record.case import case_to_json, load_case, save_case
from wlmeasure.record.draft import Draft

sys.path.insert(0, str(Path(__file__).parent))
from test_document import DOE, ROE, dcm

SEQUENCES, STEPS = 40, 40
SAVING_ANSWERS = {"Keep mine", "Save it anew", "Write over it"}
PATIENTS = {"46": DOE, "47": ROE}


def body(case):
    """What a case holds, without where its films lie."""
    held = case_to_json(case)
    for film in held["films"]:
        film.pop("path")
    return held


class Desk:
    """Two windows, a folder for each of two patients, and what was typed for whom."""

    def __init__(self, folder, seed):
        self.draw = random.Random(seed)
        self.folder = folder
        self.films = {
            tooth: [dcm(folder / tooth / f"{k}.dcm", 10 * int(tooth) + k, tooth, **whose) for k in range(2)]
            for tooth, whose in PATIENTS.items()
        }
        self.files = {tooth: folder / tooth / "case.wl.json" for tooth in PATIENTS}
        self.patient = {path: read(path).patient_fingerprint for paths in self.films.values() for path in paths}
        self.windows = [Session(), Session()]
        self.typed = {}  # (inputs of a case, kind of owner, owner): text
        self.count = 0
        self.trail = []
        self.touched = set()  # files that another computer has changed
        for tooth, path in self.files.items():
            session = Session()
            session.open_film(self.films[tooth][0])
            session.save_as(path)
            session.put_away()

    def new_words(self, session):
        self.count += 1
        return f"{session.case.tooth} no. {self.count}"

    # ---- steps ---------------------------------------------------------------------------------------------------

    def open_film(self, session):
        session.open_film(self.draw.choice(self.films[self.draw.choice(list(self.films))]))

    def open_file(self, session):
        path = self.draw.choice(list(self.files.values()))
        if path.exists():
            session.open_case(path)

    def go_on(self, session):
        left = free_drafts()
        if left:
            session.go_on_with(self.draw.choice(left))

    def new_case(self, session):
        session.new_case()

    def save(self, session):
        session.save()

    def save_as(self, session):
        if session.case is not None:
            session.save_as(self.files[session.case.tooth])

    def answer(self, session):
        if session.question is None:
            return
        # Not chosen: what puts two patients' films together, or forgets changes, by a person's own word.
        words = [
            c.words for c in session.question.choices if not c.words.endswith("anyway") and "forget" not in c.words
        ]
        chosen = self.draw.choice(words)
        self.trail[-1] += f": {chosen}"
        self.answered = chosen
        session.answer(chosen)

    def add_canal(self, session):
        session.add_canal(f"C{self.draw.randint(1, 3)}")

    def delete_canal(self, session):
        session.delete_canal()

    def choose(self, session):
        if session.case is not None:
            session.choose_film(self.draw.choice(session.film_ids))
            session.choose_canal(self.draw.choice([canal.name for canal in session.case.canals] or [""]))

    def known_length(self, session):
        if session.case is not None:
            length = round(self.draw.uniform(15.0, 25.0), 4)
            session.set_known_length(length, None)
            self.typed[session.inputs, "known", session.film_id] = length

    def type_into(self, session):
        if session.case is not None and session.canal_name:
            words = self.new_words(session)
            session.inputs.put("canal", session.canal_name, "decided", words)
            self.typed[session.inputs, "canal", session.canal_name] = words

    def note(self, session):
        if session.case is not None:
            if not session.initials:
                session.initials = "KO"
            enter(session, Draft("note"), note=self.new_words(session))

    def confirm(self, session):
        session.confirm()

    def undo(self, session):
        session.undo()

    def redo(self, session):
        session.redo()

    def another_computer(self, _session):
        path = self.draw.choice(list(self.files.values()))
        self.touched.add(path)
        if path.exists() and self.draw.random() < 0.2:
            path.unlink()
        elif path.exists():
            case = load_case(path)
            save_case(evolve(case, instrument_list=() if case.instrument_list else ("25/.06",)), path)

    def hide_and_show(self, session):
        session.rest()
        session.resume()

    STEPS = (
        *("open_film", "open_film", "open_file", "open_file", "go_on", "new_case", "save", "save_as", "add_canal"),
        *(
            "delete_canal",
            "choose",
            "known_length",
            "type_into",
            "note",
            "note",
            "confirm",
            "undo",
            "redo",
            "hide_and_show",
        ),
        "another_computer",
    )

    # ---- what always holds ---------------------------------------------------------------------------------------

    def step(self):
        k = self.draw.randrange(2)
        session, name = self.windows[k], self.draw.choice(self.STEPS)
        if session.question is not None and self.draw.random() < 0.6:
            name = "answer"
        self.trail.append(f"window {k}: {name}")
        self.answered = ""
        files = {path: path.read_bytes() for path in self.files.values() if path.exists()}
        left = {path: path.read_bytes() for path in free_drafts()}
        kept = session.document.draft is not None or session.document.file not in self.touched
        before = None if session.case is None or not kept else body(session.case)
        theirs = self.theirs(session)
        try:
            getattr(self, name)(session)
        except WlmeasureError as error:
            self.trail[-1] += f" refused: {error}"
        self.check_files(name, files, left)
        self.check_nothing_is_lost(session, before)
        assert theirs is None or any(path.read_bytes() == theirs for path in self.folder.glob("*/*.wl.json")), (
            self.trail
        )
        for window in self.windows:
            self.check_window(window)

    def theirs(self, session):
        """The bytes that somebody else has put in the place of the window's file; another computer may change them again."""
        document = session.document
        if session.case is None or document.file is None or not document.file.exists():
            return None
        changed = document.change(session.case, thorough=True)
        return None if changed is None or self.trail[-1].endswith("another_computer") else document.file.read_bytes()

    def check_files(self, name, files, left):
        saved = name in ("save", "save_as", "another_computer") or self.answered in SAVING_ANSWERS
        for path, content in files.items():
            if not saved:
                assert path.read_bytes() == content, self.trail
        for path, content in left.items():
            if path not in free_drafts():
                continue  # somebody has gone on with it
            assert path.read_bytes() == content, self.trail

    def check_nothing_is_lost(self, session, before):
        """A case that was put away lies in a file, to the last entry."""
        if before is None or (session.case is not None and session.case.tooth == before["tooth"]):
            return
        places = [*drafts(), *self.folder.glob("*/*.wl.json")]
        assert any(body(load_case(path)) == before for path in places), self.trail

    def check_window(self, session):
        known = self.typed.get((session.inputs, "known", session.film_id))
        assert session.known_length_mm in (None, known), self.trail
        text = session.inputs.get("canal", session.canal_name, "decided")
        assert text in (None, self.typed.get((session.inputs, "canal", session.canal_name))), self.trail
        case = session.case
        if case is None:
            return
        if session.document.draft is not None or session.document.file not in self.touched:
            assert body(load_case(session.path)) == body(case), self.trail
        assert all(entry.note.startswith(f"{case.tooth} no. ") for entry in case.entries if entry.kind == "note"), (
            self.trail
        )
        whose = {self.patient[Path(film.path)] for film in case.films}
        assert whose == {self.patient[self.films[case.tooth][0]]}, self.trail
        assert case.tooth in session.head()


def test_random_steps_over_two_cases_in_two_windows(tmp_path, monkeypatch):
    """1,600 steps in all; what was done stands in the message of a failure."""
    asked, left = set(), 0
    for seed in range(SEQUENCES):
        folder = tmp_path / str(seed)
        monkeypatch.setenv("WLMEASURE_DRAFTS", str(folder / "drafts"))
        desk = Desk(folder, seed)
        for _ in range(STEPS):
            desk.step()
        asked |= {line.rpartition(": ")[2] for line in desk.trail if ": answer: " in line}
        left += len(drafts())
        for window in desk.windows:
            window.put_away()
    # The sequences come to where it could go wrong.
    for answer in ("Look only", "Work on a copy", "Keep mine", "Take theirs", "New case with it", "Open as saved"):
        assert answer in asked
    assert left > SEQUENCES
