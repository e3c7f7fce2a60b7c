"""Make the molar of the demonstration: four films with their truth, and the case with its whole course of treatment.

    python tests/references/make_molar.py        (in the project's environment, from the project's folder)

Everything is invented: a lower right first molar that nobody had, on films of the project's own phantoms, one anatomy from one
seed that was taken for its look on the films (three canals of usual length, a mesial root that bends), before anything was
measured on it. Clicks are true points with the error of a hand, 1 pixel along rows and columns, from one fixed seed; readings,
instruments and decisions are written down below. The record is built by the same steps as in a session.
"""

import json
from pathlib import Path

import numpy as np
from attrs import evolve

from wlmeasure import __version__
from wlmeasure.image.reading import read
from wlmeasure.measure.length import UNCOVERED_END_REL_STD
from wlmeasure.phantom import make_phantom
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.phantom.dataset import write_phantom
from wlmeasure.phantom.dentition import draw_tooth
from wlmeasure.record.case import (
    Angulation,
    Canal,
    Case,
    Entry,
    KnownFile,
    KnownObject,
    Trace,
    save_case,
)
from wlmeasure.record.edit import new_film, with_entry, with_reading
from wlmeasure.record.evaluate import accept_paths, evaluate
from wlmeasure.record.record import LengthRecord, decided

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SEED, HAND_SEED = 2918, 2026
ANATOMY = {"roots": 2, "canals": 3, "shape": "C", "ramp_mm": 1.0}
EXPOSURE = {
    "upper": False, "size_px": (1200, 900), "spacing_mm": (0.03, 0.03), "bits": 8, "tone": "sigmoid", "blur_mm": 0.035,
    "clamp": False, "restoration": False, "technique": "paralleling",
    "source_detector_mm": 300.0, "object_detector_mm": 6.0,
}  # fmt: skip
TILT_DEG = {
    "molar_before": (2.0, 0.0),
    "molar_mb": (3.0, -15.0),
    "molar_ml": (3.0, 15.0),
    "molar_filling": (1.0, -12.0),
}
SHIFT = {"molar_before": "none", "molar_mb": "mesial", "molar_ml": "distal", "molar_filling": "mesial"}
PURPOSE = {
    "molar_before": "preoperative",
    "molar_mb": "trial file",
    "molar_ml": "trial file",
    "molar_filling": "filling",
}
REFERENCE = {"MB": "mesiobuccal cusp tip", "ML": "mesiolingual cusp tip", "D": "distobuccal cusp tip"}
STOP_MM = {"MB": 20.0, "ML": 19.5}
CLICK_STD_PX = 1.0
RULER_STD_MM, CALIPER_STD_MM = 0.14, 0.15  # a ruler in steps of 0.5 mm; a caliper on a crown between its neighbours
FILLING_SHORT_MM = (0.5, 0.5, 0.6)


def make_films():
    """The four films, their truth beside them; returns the truth by name of film."""
    plain = make_phantom(SEED, "clear", **ANATOMY, **EXPOSURE, file=False, tilt_deg=TILT_DEG["molar_before"])
    totals = {canal.name: canal.total_mm for canal in plain.truth.canals}
    special = {
        "molar_before": {"file": False},
        **{
            f"molar_{name.lower()}": {
                "file_canal": k,
                "file_size_mm": 0.15,
                "tip_short_mm": totals[name] - STOP_MM[name],
            }
            for k, name in enumerate(("MB", "ML"))
        },
        "molar_filling": {"file": False, "filling": FILLING_SHORT_MM, "filling_size_mm": 0.30, "filling_taper": 0.04},
    }
    truth = {}
    for name, more in special.items():
        phantom = make_phantom(SEED, "clear", **ANATOMY, **EXPOSURE, **more, tilt_deg=TILT_DEG[name])
        write_phantom(phantom, SAMPLES / "films", name)
        (SAMPLES / "films" / f"{name}.truth.json").replace(SAMPLES / "truth" / f"{name}.json")
        truth[name] = phantom
    return truth


class Hand:
    """The person who clicks."""

    def __init__(self):
        self.rng = np.random.default_rng(HAND_SEED)

    def at(self, point):
        point = np.asarray(point) + self.rng.normal(0.0, CLICK_STD_PX, 2)
        return tuple(float(v) for v in np.round(point * 4) / 4)


def crown_sides(phantom):
    """Where the crown of the tooth is widest on the film, and its mesiodistal width, mm: what a caliper is laid on."""
    anatomy = np.random.default_rng(np.random.SeedSequence(SEED).spawn(9)[0])
    tooth = draw_tooth(anatomy, LEVELS["clear"], **ANATOMY)
    px = phantom.projection.pixels(tooth.crown_solid().vertices)
    sides = px[np.argmin(px[:, 1])], px[np.argmax(px[:, 1])]
    return sides, round(20 * 2.0 * tooth.crown.half_x_mm) / 20


def make_case(phantoms):
    """The case with its films and clicks before any entry, and a function that measures a distance on a film as a hand does."""
    hand = Hand()
    films = {}
    tips = {}
    for k, (name, phantom) in enumerate(phantoms.items(), 1):
        truth = phantom.truth
        film = new_film(read(SAMPLES / "films" / f"{name}.png"), f"../films/{name}.png", f"f{k}", purpose=PURPOSE[name])
        if truth.file is None:
            sides, width = crown_sides(phantom)
            scale = KnownObject(
                points_px=tuple(hand.at(p) for p in sides), known_length_mm=width, known_length_std_mm=CALIPER_STD_MM
            )
        else:
            tips[name] = hand.at(truth.file.tip_px)
            scale = KnownFile(
                points_px=(hand.at(truth.file.stop_px), tips[name]),
                trace_kind="clicks",
                known_length_mm=STOP_MM[truth.file.canal],
                known_length_std_mm=RULER_STD_MM,
            )
        vertical, horizontal = TILT_DEG[name]
        films[name] = evolve(
            film,
            scale=(scale,),
            angulation=Angulation(horizontal_deg=abs(horizontal), vertical_deg=vertical, tube_shift=SHIFT[name]),
        )

    def trace(name, canal_name):
        canal = next(c for c in phantoms[name].truth.canals if c.name == canal_name)
        own = phantoms[name].truth.file.canal == canal_name
        middle = canal.path_px[int(0.6 * len(canal.path_px))]
        return Trace(
            film=films[name].id,
            reference_px=hand.at(canal.reference_px),
            clicks_px=(hand.at(canal.path_px[0]), hand.at(middle), hand.at(canal.apex_px)),
            apical_end="radiographic apex",
            apex_visibility="clear",
            file_tip_px=tips[name] if own else None,
        )

    canals = tuple(
        Canal(name=name, reference_point=REFERENCE[name], traces=(trace(film, name),), apex="closed")
        for name, film in (("MB", "molar_mb"), ("ML", "molar_ml"), ("D", "molar_mb"))
    )
    case = Case(
        tooth="46",
        case_id="demo-molar",
        films=tuple(films.values()),
        canals=canals,
        folder=SAMPLES / "cases",
    )
    return case, hand


class Course:
    """The treatment as it is entered: one day after the other, a few minutes from step to step."""

    def __init__(self, case, result):
        self.case, self.result = case, result  # its lengths stay; what was read and decided comes in between
        self.shas = {film.id: film.sha256 for film in case.films}
        self.day, self.minute = "2026-03-16", 9 * 60

    def next_day(self, day):
        self.day, self.minute = day, 10 * 60

    def at(self, step=3):
        self.minute += step
        return f"{self.day}T{self.minute // 60:02d}:{self.minute % 60:02d}"

    def enter(self, kind, canal=None, *, film=None, **more):
        record = LengthRecord(self.case.entries)
        entry = Entry(
            id=record.next_id(), kind=kind, at=self.at(), by="KO", canal=canal,
            film_sha256=None if film is None else self.shas[film], **more,
        )  # fmt: skip
        self.case = with_entry(self.case, entry)
        return entry.id

    def read(self, size, **lengths_mm):
        """Readings at the foramen mark, canal by canal."""
        for name, heard in lengths_mm.items():
            for length in heard:
                self.case = with_reading(self.case, name, length, "foramen", at=self.at(1), by="KO", file_size=size)

    def decide(self, reason, **lengths_mm):
        """What is decided, with the film lengths that it rests on and what the program proposes at that time."""
        at = self.at(2)
        for name, length in lengths_mm.items():
            self.result = evaluate(self.case, before=self.result)
            record = decided(
                self.result, name, length, at=at, by="KO", program=f"wlmeasure {__version__}", reason=reason
            )
            self.case = evolve(self.case, entries=record.entries)

    def shaped(self, canal, size, length_mm, **more):
        return self.enter("shaping file", canal, size=size, taper=0.04, length_mm=length_mm, **more)

    def gauged(self, canal, size, finding, length_mm):
        return self.enter("apical gauging", canal, size=size, finding=finding, length_mm=length_mm)


def distance_mm(result, film_id, start_px, end_px):
    """A straight distance on a film by its own scale, and its standard uncertainty: two clicks and the scale."""
    film = next(f for f in result.films if f.film.id == film_id)
    scale = film.calibration
    ends = scale.to_mm(np.array([start_px, end_px]))
    length = float(np.hypot(*np.diff(ends, axis=0)[0]))
    click = np.sqrt(2.0) * CLICK_STD_PX * np.sqrt(scale.mm_per_px_row * scale.mm_per_px_col)
    return length, float(np.hypot(click, length * scale.rel_std))


def play(case, hand, phantoms):
    """The whole course."""
    fresh = evaluate(case)
    case = evolve(case, canals=accept_paths(fresh).canals)  # stored, as in a session: no better tracer changes them
    result = evaluate(case, before=fresh)
    course = Course(case, result)
    before, filled = phantoms["molar_before"].truth, phantoms["molar_filling"].truth
    mesial = before.canals[0]
    tooth_mm, std_mm = distance_mm(result, "f1", hand.at(mesial.reference_px), hand.at(mesial.apex_px))
    course.enter(
        "preoperative estimate", film="f1", length_mm=round(tooth_mm - 1.0, 1),
        length_std_mm=round(float(np.hypot(std_mm, 0.7)), 2),
        reference_point=REFERENCE["MB"], note="Straight on the preoperative film, less 1 mm.",
    )  # fmt: skip
    for name in ("MB", "ML", "D"):
        course.enter("patency", name, size=10, finding="patent")
    course.read(10, MB=(21.0, 20.5, 21.0), ML=(20.5, 20.5, 20.0), D=(21.0, 21.0, 21.5))
    found = {c.canal.name: c.traces[0] for c in result.canals}
    for name, film in (("MB", "f2"), ("ML", "f3")):
        course.enter(
            "trial file film", name, film=film, size=15, length_mm=STOP_MM[name],
            distance_mm=round(found[name].tip_to_end_mm, 2), distance_std_mm=round(found[name].tip_to_end_std_mm, 2),
        )  # fmt: skip
    course.decide("Film and readings agree; half a millimetre back from the foramen.", MB=20.5, ML=20.0, D=20.5)
    course.enter("glide path", "MB", size=15, length_mm=20.5, finding="not reproducible")
    course.enter("glide path", "ML", size=15, length_mm=20.0, finding="reproducible")
    course.enter("glide path", "D", size=15, length_mm=20.5, finding="reproducible")
    course.enter("coronal flaring", size=25, taper=0.08, note="Coronal third of all three canals.")
    course.read(10, MB=(20.5, 20.5, 20.5), ML=(20.0, 20.0, 20.5), D=(21.0, 21.0, 21.0))
    course.decide("Read again after flaring; the mesial canals have become shorter.", MB=20.0, ML=19.5)
    course.enter("glide path", "MB", size=15, length_mm=20.0, finding="reproducible", passes=3)
    course.enter("glide path", "ML", size=15, length_mm=19.5, finding="reproducible")
    course.shaped("MB", 20, 20.0)
    course.shaped("MB", 25, 18.0, passes=2, note="Two millimetres short; withdrawn, not pressed.")
    course.enter("irrigation and recapitulation", "MB", size=10, length_mm=20.0)
    course.shaped("MB", 25, 20.0, passes=3)
    course.gauged("MB", 25, "loose", 20.0)
    course.shaped("MB", 30, 20.0)
    for name, length in (("ML", 19.5), ("D", 20.5)):
        for size in (20, 25, 30):
            course.shaped(name, size, length)
    course.enter("irrigation and recapitulation", note="All canals.", size=10)
    for name, length, stopped in (("MB", 20.0, 19.0), ("ML", 19.5, 18.0), ("D", 20.5, 19.5)):
        course.gauged(name, 30, "snug", length)
        course.gauged(name, 35, "short", stopped)
    course.read(30, MB=(20.5, 20.5, 20.0), ML=(20.0, 20.0, 20.0), D=(21.0, 21.5, 21.0))
    course.enter("note", note="Calcium hydroxide, temporary filling.")
    course.next_day("2026-03-30")
    course.enter("irrigation and recapitulation", note="All canals, dressing removed.", size=15)
    course.enter("cone fit", "MB", size=30, taper=0.04, length_mm=20.0, finding="resistance")
    course.enter("cone fit", "ML", size=30, taper=0.04, length_mm=18.8, finding="resistance")
    course.enter("irrigation and recapitulation", "ML", size=15, length_mm=19.5)
    course.enter("cone fit", "ML", size=30, taper=0.04, length_mm=19.5, finding="resistance")
    course.enter("cone fit", "D", size=30, taper=0.04, length_mm=20.5, finding="resistance")
    for one in filled.fillings:
        apex = next(c for c in filled.canals if c.name == one.canal).apex_px
        short, std = distance_mm(result, "f4", hand.at(one.end_px), hand.at(apex))
        std = float(np.hypot(std, UNCOVERED_END_REL_STD * short))  # a straight distance does not show its depth
        course.enter("filling check", one.canal, film="f4", distance_mm=round(short, 2), distance_std_mm=round(std, 2))
    return course.case


def main():
    phantoms = make_films()
    case, hand = make_case(phantoms)
    made = play(case, hand, phantoms)
    save_case(made, SAMPLES / "cases" / "molar.wl.json")
    print(json.dumps({"entries": len(made.entries)}))


if __name__ == "__main__":
    main()
