"""Make the case files of `sample_images/cases/` from the films' truth.

    python make_sample_cases.py            (in the project's environment, from the project's folder)

The scenario is invented: a bench exercise on printed teeth. Clicks are the true points with the error of a careful hand, about
1 pixel along rows and columns, from one fixed seed that was not chosen by its result; points between the ends lie 1 to 2 pixels
beside the true centre. Every coordinate is rounded to a quarter of a pixel. Readings and decisions are written down below; the
reference point is the orifice itself, so it is marked at the first point of the canal.
"""

import hashlib
import json
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from wlmeasure.record.case import (
    Angulation,
    Canal,
    Case,
    Entry,
    Film,
    KnownFile,
    KnownObject,
    Trace,
    save_case,
)
from wlmeasure.record.edit import with_entry, with_reading

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
SEED = 2026
CLICK_STD_PX = 1.0
RULER_STD_MM = 0.14  # an endodontic ruler in steps of 0.5 mm
CALIPER_STD_MM = 0.05  # a vernier caliper in steps of 0.05 mm
REFERENCE = "centre of the flat top face of the printed root, at the orifice"


def placed(point):
    """A point as it is stored: to a quarter of a pixel."""
    return tuple(float(v) for v in np.round(np.asarray(point) * 4) / 4)


class Bench:
    """The person at the bench: where they click, what they read off."""

    def __init__(self):
        self.rng = np.random.default_rng(SEED)

    def end(self, point):
        return placed(point + self.rng.normal(0.0, CLICK_STD_PX, 2))

    def beside(self, path, share):
        k = int(share * (len(path) - 1))
        step = path[k + 1] - path[k - 1]
        across = np.array([-step[1], step[0]]) / np.hypot(*step)
        return placed(path[k] + across * self.rng.uniform(1.0, 2.0) * self.rng.choice([-1.0, 1.0]))

    def caliper(self, length_mm):
        return round(20 * (length_mm + self.rng.normal(0.0, CALIPER_STD_MM))) / 20

    def film(self, film_id, name, *, by="ruler", shift="none", mesial_to=None, between=(0.6,)):
        """One film with its scale, and the clicks on its canal."""
        image = SAMPLES / "films" / f"{name}.png"
        truth = json.loads((SAMPLES / "truth" / f"{name}.json").read_text(encoding="utf-8"))
        canal = np.loadtxt(SAMPLES / "truth" / f"{name}_canal.csv", delimiter=",", skiprows=1)[:, 3:5]
        tip = self.end(np.array(truth["tip_px"]))
        if "pin_ends_px" in truth:
            scale = KnownObject(
                points_px=tuple(self.end(np.array(point)) for point in truth["pin_ends_px"]),
                known_length_mm=truth["pin_length_mm"],
                known_length_std_mm=CALIPER_STD_MM,
            )
        else:
            length = truth["file_tip_to_stop_mm"]
            scale = KnownFile(
                points_px=(self.end(np.array(truth["stop_px"])), tip),
                trace_kind="clicks",
                known_length_mm=self.caliper(length) if by == "caliper" else round(2 * length) / 2,
                known_length_std_mm=CALIPER_STD_MM if by == "caliper" else RULER_STD_MM,
            )
        rows, cols = truth["size"]
        film = Film(
            id=film_id,
            path=f"../films/{name}.png",
            sha256=hashlib.sha256(image.read_bytes()).hexdigest(),
            rows=rows,
            cols=cols,
            purpose="trial file",
            angulation=Angulation(
                horizontal_deg=float(truth["horiz_deg"]),
                vertical_deg=float(truth["vert_deg"]),
                tube_shift=shift,
                mesial_to=mesial_to,
            ),
            scale=(scale,),
        )
        clicks = (self.end(canal[0]), *(self.beside(canal, share) for share in between), self.end(canal[-1]))
        trace = Trace(
            film=film_id,
            reference_px=clicks[0],
            clicks_px=clicks,
            apical_end="radiographic apex",
            apex_visibility="clear",
            file_tip_px=tip,
        )
        return film, trace


def case(number, tooth, films, *, by, at, heard=(), conditions=(), decided_mm=None, reason=None):
    """A case with readings at the foramen mark, off a ruler in steps of 0.5 mm with a size 15 file, and a decision at `at`.

    The readings were taken one a minute before it.
    """
    traces = tuple(trace for _, trace in films)
    canal = Canal(name="single", reference_point=REFERENCE, traces=traces, apex="closed")
    made = Case(tooth=tooth, case_id=f"bench-{number:02d}", films=tuple(film for film, _ in films), canals=(canal,))
    for k, length in enumerate(heard):
        minute = datetime.fromisoformat(at) - timedelta(minutes=len(heard) - k)
        made = with_reading(
            made, "single", length, "foramen", at=minute.isoformat(timespec="minutes"), by=by, file_size=15,
            conditions=conditions,
        )  # fmt: skip
    if decided_mm is None:
        return made
    decision = Entry(
        id=f"e{len(heard) + 1}", kind="decided working length", at=at, by=by, canal="single", length_mm=decided_mm,
        rests_on=tuple(entry.id for entry in made.entries), note=reason,
    )  # fmt: skip
    return with_entry(made, decision)


def main():
    bench = Bench()
    cases = {
        "straight": case(
            1,
            "21",
            [bench.film("f1", "ref_straight_h00_v00")],
            by="KO",
            at="2026-03-12T09:20",
            heard=(21.5, 21.5, 21.5),
            decided_mm=21.0,
            reason="Film and three readings agree; half a millimetre back from the foramen.",
        ),
        "curved_out_of_plane": case(
            2,
            "45",
            [bench.film("f1", "ref_p60_h00_v00", by="caliper")],
            by="KO",
            at="2026-03-12T09:55",
            heard=(20.5, 21.0, 20.5),
            decided_mm=20.0,
            reason="Foramen opens short of the root end, as is usual; readings repeat.",
        ),
        "angulated": case(
            3,
            "44",
            [bench.film("f1", "ref_p30_h20_v00", shift="distal")],
            by="KO",
            at="2026-03-12T10:30",
            heard=(21.5, 21.5),  # the third reading is missing, so nothing is decided yet
        ),
        "two_films": case(
            4,
            "34",
            [
                bench.film("f1", "ref_p45_h00_v00", by="caliper", mesial_to="right"),
                bench.film("f2", "ref_p45_h25_v00", by="caliper", shift="mesial", mesial_to="right"),
            ],
            by="RM",
            at="2026-03-12T11:10",
            heard=(20.5, 20.5, 21.0),
            conditions=("wet",),
            decided_mm=20.0,
            reason="Provisional, the shorter of the two; dry the canal and read again.",
        ),
        "s_curved": case(
            5,
            "15",
            [bench.film("f1", "ref_scurve_h00_v00", between=(0.5, 0.75))],
            by="RM",
            at="2026-03-13T14:05",
            decided_mm=21.0,
            reason="From the film alone, no locator at this bench; read before shaping.",
        ),
        "stop_outside": case(
            6,
            "42",
            [bench.film("f1", "ref_stop_outside")],
            by="KO",
            at="2026-03-13T15:30",
            heard=(21.5, 21.5, 21.0),
            decided_mm=21.0,
            reason="Readings repeat; the film has its scale from the pin only and is less sure.",
        ),
    }
    (SAMPLES / "cases").mkdir(exist_ok=True)
    for name, made in cases.items():
        save_case(made, SAMPLES / "cases" / f"{name}.wl.json")


if __name__ == "__main__":
    main()
