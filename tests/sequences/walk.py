"""Random sequences of a person's steps over two cases, three films and three canals, each held against `plain`.

Every number that is entered is entered once in a walk, so a number that turns up where it was not entered gives itself away.
"""

from __future__ import annotations

import random
from pathlib import Path

import cv2
import numpy as np
from attrs import evolve
from wlmeasure_napari._entries import add_reading, enter, strike_out
from wlmeasure_napari._session import Session
from wlmeasure_napari._upper_end import file_as_said

from tests.sequences.plain import PlainCanal, PlainCase, PlainFilm, setting
from wlmeasure.errors import WlmeasureError
from wlmeasure.record import edit
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.case import KnownFile, KnownObject, PlainFile, Trace, load_case
from wlmeasure.record.draft import Draft
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.share.result import result_json

TEETH = {"a": "46", "b": "36"}
NAMES = ("MB", "ML", "D")
POINTS = ("mesiobuccal cusp tip", "mesiolingual cusp tip", "distobuccal cusp tip")
ROWS, COLS = 120, 90
UPPER = ("stop", "reference", "out of the picture", "no length")


class WalkError(AssertionError):
    """What does not hold, with the steps that led to it."""


class Walk:
    def __init__(self, seed: int, folder: Path) -> None:
        self.rng = random.Random(seed)
        self.seed, self.folder = seed, folder
        self.films = [self._film(k) for k in range(3)]
        self.session = Session()
        self.session.initials = "KO"
        self.plain: dict[str, PlainCase] = {}
        self.undo: dict[str, list[PlainCase]] = {}
        self.redo: dict[str, list[PlainCase]] = {}
        self.file: dict[str, Path] = {}
        self.draft: dict[str, Path | None] = {}
        self.latest: dict[str, PlainCase] = {}  # as the newest draft has it
        self.saved: dict[str, PlainCase] = {}
        self.key = ""
        self.count = 0
        self.taken: list[str] = []
        self.refused = 0
        self.begin("a")

    def _film(self, k: int) -> Path:
        noise = np.random.default_rng(1000 * self.seed + k).integers(900, 1100, (ROWS, COLS), dtype=np.uint16)
        path = self.folder / f"film{k}.png"
        path.write_bytes(cv2.imencode(".png", noise)[1].tobytes())
        return path

    # ---- numbers, each entered once ----------------------------------------------------------------------------

    def number(self, around: float) -> float:
        self.count += 1
        return round(around + 0.4 * self.rng.random(), 1) + self.count / 10_000

    # ---- what the walk is at ------------------------------------------------------------------------------------

    @property
    def case(self) -> PlainCase:
        return self.plain[self.key]

    @property
    def canal(self) -> PlainCanal | None:
        return self.case.canals.get(self.session.canal_name)

    def step(self, name: str, do, then=None) -> None:
        """Take one step; where it changes the case, the plain one changes too and remembers what it was."""
        before, was = self.session.case, self.case.copy()
        try:
            do()
        except WlmeasureError:
            self.refused += 1
            self.taken.append(f"{name} (refused)")
            if self.session.case is not before:
                raise WalkError(self.told("a refused step changed the case")) from None
            return
        self.taken.append(name)
        if self.session.case is not before:
            if then is not None:
                then()
            self.case.settle()
            self.undo[self.key].append(was)
            self.redo[self.key].clear()

    # ---- steps --------------------------------------------------------------------------------------------------

    def begin(self, key: str) -> None:
        """Another case: of the next patient, on a film of its own."""
        self.session.new_case()
        self.session.open_film(self.films[0 if key == "a" else 1])
        self.session.set_tooth(TEETH[key])
        self.session.confirm()
        self.key = key
        self.plain[key] = PlainCase(TEETH[key], "f1")
        self.plain[key].canals = {canal.name: PlainCanal() for canal in self.session.case.canals}
        self.undo[key], self.redo[key] = [], []
        self.taken.append(f"begin {key}")

    def other_case(self) -> None:
        """The other patient's case, begun, or gone on with."""
        self.leave()
        key = "b" if self.key == "a" else "a"
        if key not in self.plain:
            self.begin(key)
        else:
            self.go_back_to(key)

    def reopen(self) -> None:
        """The case put away and opened again, with its unsaved changes or as it was saved."""
        self.leave()
        self.go_back_to(self.key)

    def leave(self) -> None:
        self.draft[self.key] = self.session.document.draft
        if self.session.document.draft is not None:
            self.latest[self.key] = self.case.copy()
        if self.rng.random() < 0.5:
            self.session.close_case()

    def go_back_to(self, key: str) -> None:
        named = self.file.get(key)
        self.session.open_case(self.draft[key] if named is None else named)
        if self.session.question is not None:
            unsaved = self.rng.random() < 0.6
            words = [choice.words for choice in self.session.question.choices]
            as_saved = next(text for text in reversed(words) if text.startswith("Open as saved"))
            self.session.answer("Go on with them" if unsaved else as_saved)
            self.plain[key] = (self.latest if unsaved else self.saved)[key].copy()
            self.taken.append(f"open {key} {'with its changes' if unsaved else 'as saved'}")
        else:
            self.taken.append(f"open {key}")
        self.key = key
        self.undo[key], self.redo[key] = [], []
        if self.rng.random() < 0.9:
            self.session.confirm()

    def save(self) -> None:
        if self.key in self.file:
            self.session.save()
        else:
            self.session.save_as(self.folder / f"{self.key}.wl.json")
            self.file[self.key] = self.session.document.file
        self.saved[self.key] = self.case.copy()
        self.taken.append("save")

    def confirm(self) -> None:
        self.session.confirm()

    def add_canal(self) -> None:
        name = self.rng.choice(NAMES)
        self.step(f"add {name}", lambda: self.session.add_canal(name), lambda: self._added(name))

    def _added(self, name: str) -> None:
        self.case.canals[name] = PlainCanal()

    def choose_canal(self) -> None:
        self.session.choose_canal(self.rng.choice(list(self.case.canals) or [""]))
        self.taken.append(f"canal {self.session.canal_name}")

    def delete_canal(self) -> None:
        name = self.session.canal_name
        self.step(f"delete {name}", self.session.delete_canal, lambda: self.case.canals.pop(name))

    def rename(self) -> None:
        old, new = self.session.canal_name, self.rng.choice(NAMES)
        canal = self.canal
        if canal is None:
            return
        point = canal.point

        def renamed() -> None:
            self.case.canals = {new if k == old else k: v for k, v in self.case.canals.items()}

        self.step(f"rename {old} {new}", lambda: self.session.rename_canal(new, point), renamed)

    def name_point(self) -> None:
        canal, name = self.canal, self.session.canal_name
        if canal is None:
            return
        point = self.rng.choice(POINTS)

        def named() -> None:
            canal.point = point

        self.step(f"point of {name}: {point}", lambda: self.session.rename_canal(name, point), named)

    def film(self) -> None:
        """One more film of this tooth, or another one of the case in view."""
        path = self.rng.choice(self.films)
        if self.rng.random() < 0.5:
            self.session.choose_film(self.rng.choice(self.session.film_ids))
            self.taken.append(f"film {self.session.film_id}")
            return
        before = set(self.case.films)

        def added() -> None:
            new = [film.id for film in self.session.case.films if film.id not in before]
            self.case.films |= {film: PlainFilm() for film in new}

        self.step(f"add {path.name}", lambda: self.session.open_film(path, into="this case"), added)

    def scale(self) -> None:
        film, length = self.session.film_id, self.number(8.0)
        known = KnownObject(points_px=((10.0, 10.0), (110.0, 10.0)), known_length_mm=length, known_length_std_mm=0.05)

        plain = self.case.films[film]

        def scaled() -> None:
            plain.object_mm = length

        self.put("object", known, f"scale {film} {length}", scaled)

    def put(self, what: str, made, words: str, told) -> None:
        """An object or a file on the film in view, in place of the one of its kind that is there."""
        film, plain = self.session.film_id, self.case.films[self.session.film_id]
        at = plain.order.index(what) if what in plain.order else None

        def placed() -> None:
            told()
            if what not in plain.order:
                plain.order.append(what)

        self.step(words, lambda: self.session.edit_case(lambda case: edit.with_scale(case, film, made, at=at)), placed)

    def point(self) -> tuple[float, float]:
        """A cusp beside the shaft, above the tip by 50 rows and more."""
        return round(self.rng.uniform(12.0, 40.0), 2), round(self.rng.uniform(55.0, 65.0), 2)

    def file(self) -> None:
        """A file of known length or of none, its upper end seen, marked beside or not there; or another in its place."""
        film, plain = self.session.film_id, self.case.films[self.session.film_id]
        col, upper, length = round(self.rng.uniform(48.0, 56.0), 2), self.rng.choice(UPPER), self.number(18.0)
        first, tip = (10.0, col), (90.0, col)
        rested = self.point() if upper == "reference" else None
        shaft = PlainFile(points_px=(first, tip), trace_kind="path")
        made = file_as_said(shaft, upper, length_mm=length, std_mm=0.05, reference_px=rested)
        known = {"upper": upper, "mm": None if upper == "no length" else length, "reference": rested}

        def placed() -> None:
            plain.file = {"first": first, "tip": tip, **known}

        self.put("file", made, f"file on {film}: {upper}, {length}", placed)

    def say_otherwise(self) -> None:
        """Another answer to how the file's upper end is known; the point is asked for where none is marked for its canal."""
        film, plain, session = self.session.film_id, self.case.films[self.session.film_id], self.session
        if plain.file is None:
            return
        at, upper, point, length = plain.order.index("file"), self.rng.choice(UPPER), self.point(), self.number(18.0)
        standing = session.case.film(film).scale[at]
        marks = [
            c.traces[film]["mark"] for c in self.case.canals.values() if film in c.traces and c.traces[film]["tip"]
        ]
        rested = next((mark for mark in marks if mark is not None), point)

        def say() -> None:
            if isinstance(standing, KnownFile):
                session.say_upper_end(upper)
                if session.tool == "rest":
                    session.click(point)
                return
            said = file_as_said(
                standing, upper, length_mm=length, std_mm=0.05, reference_px=point if upper == "reference" else None
            )
            session.edit_case(lambda case: edit.with_scale(case, film, said, at=at))

        def told() -> None:
            file = plain.file
            if file["mm"] is None:
                file["mm"] = length
            if upper == "reference":
                self.case.rest(film, rested if isinstance(standing, KnownFile) else point)
                return
            file["upper"], file["reference"] = upper, None
            if upper == "no length":
                file["mm"] = None

        self.step(f"upper end on {film}: {upper}", say, told)

    def rest_on(self) -> None:
        """What the stop of a known file rested on, marked or marked elsewhere: the canal's point goes along."""
        film, plain = self.session.film_id, self.case.films[self.session.film_id]
        if plain.file is None:
            return
        at, point = plain.order.index("file"), self.point()
        self.step(
            f"rested on {film}: {point}",
            lambda: self.session.edit_case(lambda case: edit.with_reference(case, film, at, point)),
            lambda: self.case.rest(film, point),
        )

    def move_mark(self) -> None:
        """The canal's reference point marked elsewhere: what the stop rested on goes along."""
        film, name, trace = self.session.film_id, self.session.canal_name, self.session.trace
        if trace is None:
            return
        point = self.point()
        self.step(
            f"mark of {name} on {film}: {point}",
            lambda: self.session.edit_case(lambda c: edit.with_trace(c, name, evolve(trace, reference_px=point))),
            lambda: self.case.mark(film, name, point),
        )

    def take_file_away(self) -> None:
        film, plain = self.session.film_id, self.case.films[self.session.film_id]
        if plain.file is None:
            return
        at = plain.order.index("file")

        def gone() -> None:
            plain.file = None
            plain.order.remove("file")

        self.step(f"no file on {film}", lambda: self.session.remove_scale(at), gone)

    def reading(self) -> None:
        canal, length = self.canal, self.number(20.0)
        if canal is None:
            return

        def read() -> None:
            canal.readings[self.session.case.entries[-1].id] = (length, canal.point, canal.group)
            canal.entered.add(length)

        self.step(f"reading {length}", lambda: self.twice(lambda: add_reading(self.session, length, "foramen")), read)

    def decide(self) -> None:
        canal, length = self.canal, self.number(19.0)
        if canal is None:
            return

        def decided() -> None:
            canal.decisions.append((self.session.case.entries[-1].id, length, canal.point))
            canal.struck_out = False
            canal.entered.add(length)

        self.step(f"decide {length}", lambda: self.twice(lambda: self.session.decide(length, "KO", "")), decided)

    def twice(self, do) -> None:
        """A question is answered with yes: the same once more."""
        try:
            do()
        except WlmeasureError as error:
            if "once more" not in str(error):
                raise
            do()

    def shape(self) -> None:
        canal, length = self.canal, self.number(18.0)
        if canal is None:
            return

        def shaped() -> None:
            canal.group += 1
            canal.entered.add(length)

        draft = Draft("shaping file", 25, 0.04, None, length)
        self.step(f"shape {length}", lambda: self.twice(lambda: enter(self.session, draft)), shaped)

    def strike_out(self) -> None:
        """Any reading or decision that stands, not only the last entry."""
        canal = self.canal
        if canal is None:
            return
        held = canal.decision()
        standing = [*canal.readings, *([] if held is None else [held[0]])]
        if not standing:
            return
        entry = self.rng.choice(standing)

        def gone() -> None:
            if canal.readings.pop(entry, None) is None:
                canal.struck_out = True

        self.step(f"strike out {entry}", lambda: strike_out(self.session, entry), gone)

    def trace(self) -> None:
        """A path drawn by hand, with the reference point marked or not."""
        name, film = self.session.canal_name, self.session.film_id
        if self.canal is None:
            return
        shift = self.rng.uniform(-3.0, 3.0)
        path = tuple((row, 45.0 + shift + 0.002 * (row - 30) ** 2) for row in np.linspace(30.0, 105.0, 12).tolist())
        mark = (12.0, 45.0) if self.rng.random() < 0.5 else None
        made = Trace(film=film, path_px=path, reference_px=mark, apical_end="radiographic apex")
        canal = self.canal

        def traced() -> None:
            canal.traces[film] = {"line": path, "mark": mark, "tip": None}

        self.step(
            f"trace {name} on {film}", lambda: self.session.edit_case(lambda c: edit.with_trace(c, name, made)), traced
        )

    def take_back(self) -> None:
        if self.session.can_undo and self.undo[self.key]:
            self.session.undo()
            self.redo[self.key].append(self.case)
            self.plain[self.key] = self.undo[self.key].pop()
            self.taken.append("undo")

    def again(self) -> None:
        if self.session.can_redo and self.redo[self.key]:
            self.session.redo()
            self.undo[self.key].append(self.case)
            self.plain[self.key] = self.redo[self.key].pop()
            self.taken.append("redo")

    def archive(self) -> None:
        """Into the archive and out again: the case from there says the same."""
        case = evolve(self.session.case, case_id=f"{self.key}-1")
        with open_archive(f"sqlite:///{self.folder / 'archive.sqlite'}", create=True) as archive:
            try:
                on = archive.head(f"{self.key}-1")
            except WlmeasureError:
                on = None
            try:
                archive.add(case, by="KO", at="2026-11-25T10:30:00", on=on)
            except WlmeasureError:  # undone since it was stored there: an archive takes nothing back
                self.taken.append("archive (refused)")
                return
            stored = archive.load(f"{self.key}-1").case
        self.taken.append("archive")
        if [e.id for e in stored.entries] == [e.id for e in case.entries]:
            self.compare(case_facts(evaluate(stored, self.session.radiographs)), "the archive")

    STEPS = (
        *((add_canal, 3), (choose_canal, 4), (delete_canal, 1), (rename, 1), (name_point, 4), (film, 2), (scale, 2)),
        *((file, 4), (say_otherwise, 4), (rest_on, 2), (move_mark, 2), (take_file_away, 1)),
        *((reading, 10), (decide, 4), (shape, 2), (strike_out, 3), (trace, 3), (take_back, 4), (again, 2)),
        *((save, 2), (reopen, 2), (other_case, 3), (confirm, 1), (archive, 1)),
    )  # fmt: skip

    def walk(self, steps: int) -> None:
        ways, weights = zip(*self.STEPS, strict=True)
        while len(self.taken) < steps:
            self.rng.choices(ways, weights)[0](self)
            self.check()

    # ---- what must hold -----------------------------------------------------------------------------------------

    def told(self, what: str) -> str:
        return f"seed {self.seed}: {what}\n  " + "\n  ".join(self.taken[-40:])

    def check(self) -> None:
        session = self.session
        if session.case.tooth != self.case.tooth:
            raise WalkError(self.told(f"tooth {session.case.tooth}, not {self.case.tooth}"))
        self.compare(session.facts, "the session")
        shown = result_json(session.result)
        for canal in shown["canals"]:
            self.no_stranger(canal)
        for film in session.result.films:
            self.compare_film(film)
        self.compare_marks()
        if self.rng.random() < 0.1:
            self.compare(case_facts(evaluate(load_case(session.path))), "the file on disk")

    def compare_film(self, film) -> None:
        """Known lengths, upper ends and the scale that they give, by hand."""
        plain, found = self.case.films[film.film.id], []
        for scale in film.film.scale:
            if isinstance(scale, KnownObject):
                found.append(("object", scale.known_length_mm))
            elif isinstance(scale, KnownFile):
                found.append(("file", scale.upper_end or "stop", scale.known_length_mm, scale.reference_px))
            else:
                found.append(("file", "no length", None, None))
        file = plain.file
        entered = {"object": ("object", plain.object_mm)}
        if file is not None:
            entered["file"] = ("file", file["upper"], file["mm"], file["reference"])
        wanted = [entered[kind] for kind in plain.order]
        if found != wanted:
            raise WalkError(self.told(f"film {film.film.id} has known lengths {found}, entered was {wanted}"))
        size, by_hand = None if film.calibration is None else film.calibration.mm_per_px_row, plain.scales()
        if (size is None) is not (not by_hand) or (
            size is not None and not min(by_hand) - 1e-9 <= size <= max(by_hand) + 1e-9
        ):
            raise WalkError(self.told(f"film {film.film.id} has a scale of {size} mm a row, by hand {by_hand}"))

    def compare_marks(self) -> None:
        for canal in self.session.case.canals:
            traces = self.case.canals[canal.name].traces
            found = {t.film: (t.reference_px, t.file_tip_px) for t in canal.traces}
            wanted = {film: (trace["mark"], trace["tip"]) for film, trace in traces.items()}
            if found != wanted:
                raise WalkError(self.told(f"{canal.name} has reference point and file tip {found}, by hand {wanted}"))

    def compare(self, facts, where: str) -> None:
        if [canal.name for canal in facts.canals] != list(self.case.canals):
            raise WalkError(
                self.told(f"{where} has canals {[c.name for c in facts.canals]}, not {list(self.case.canals)}")
            )
        for canal in facts.canals:
            plain = self.case.canals[canal.name]
            held = plain.decision()
            decided = None if canal.decision is None else canal.decision.length_mm
            if decided != (None if held is None else held[1]):
                raise WalkError(self.told(f"{where}, {canal.name}: decided {decided}, entered {held}"))
            if sorted(e.length_mm for e in canal.readings) != sorted(plain.now()):
                read = [e.length_mm for e in canal.readings]
                raise WalkError(self.told(f"{where}, {canal.name}: readings {read}, entered {plain.now()}"))
            stop = None if canal.stop is None else (canal.stop.whose, canal.stop.setting_mm)
            on_film = canal.proposal.status not in ("reading only", "not established") and held is None
            by_hand = plain.stop()
            same = (stop is None) == (by_hand is None) and (
                stop is None
                or by_hand is None
                or (stop[0] == by_hand[0] and by_hand[1] <= stop[1] <= by_hand[2] and stop[1] == setting(stop[1]))
            )
            if not on_film and not same:
                raise WalkError(self.told(f"{where}, {canal.name}: stop {stop}, by hand {by_hand}"))

    def no_stranger(self, shown: dict) -> None:
        """No number that was entered for another canal, film or case stands under this one."""
        own = self.case.canals[shown["name"]].entered
        others = {
            v for case in self.plain.values() for c in case.canals.values() if c.entered is not own for v in c.entered
        }
        working = shown["working_length"]
        if working is None:
            return
        said = [*working["readings"], *working["past_readings"]]
        numbers = {entry["length_mm"] for entry in said} | {working["decided_mm"]}
        if numbers & (others - own):
            raise WalkError(self.told(f"{shown['name']} shows {sorted(numbers & (others - own))}, entered elsewhere"))
