"""Make the ten films of `sample_images/` with their exact truth.

    python make_reference_radiographs.py OUT_DIR [NAME ...]

writes OUT_DIR/films/NAME.png and OUT_DIR/truth/NAME.json, NAME_canal.csv, NAME_file.csv; about 20 s a film on two cores.

Needs an environment of its own, not the project's: pip install gvxr==2.1.0 spekpy xraylib scipy. On Debian without a
display: libegl1 libxcb-res0 libxcb-ewmh2 libxcb-composite0 libxcb-xinerama0.

Every film shows one root without a crown, 22 mm from the orifice to the end of the canal, and a size 15 steel file in it that
ends 0.5 mm short. `ref_stop_outside` differs: its file is 27 mm from stop to tip, so that the stop lies above the image, and a
steel pin of 10.00 mm stands beside the root in the plane of the straight part of the canal.
"""

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gvxr_reference import Projector, arc_length, at_arc, detector, transmission, tube, turn, write_png

CANAL_MM = 22.0
TIP_SHORT_MM = 0.5
SOFT_TISSUE_MM, BONE_MM = 8.0, 4.0  # uniform
PIN_MM, PIN_DIAMETER_MM = 10.0, 0.6


def bent_canal(plane_deg, bend_start=11.0, radius=12.0, n=400):
    """Centre line from orifice to end: a straight part, then an arc in a plane at `plane_deg` from the image plane."""
    s = np.linspace(0, CANAL_MM, n)
    x = np.where(s < bend_start, 0, radius * (1 - np.cos((s - bend_start) / radius)))
    z = np.where(s < bend_start, s, bend_start + radius * np.sin((s - bend_start) / radius))
    p = np.radians(plane_deg)
    return np.c_[x * np.cos(p), x * np.sin(p), CANAL_MM / 2 - z]


def straight_canal(_plane_deg, n=400):
    """Centre line without a bend."""
    s = np.linspace(0, CANAL_MM, n)
    return np.c_[np.zeros(n), np.zeros(n), CANAL_MM / 2 - s]


def s_canal(_plane_deg, n=400, parts=((10.0, 0.0, 0.0), (5.0, 7.0, 0.0), (7.0, 8.0, 180.0))):
    """Centre line of a line, an arc and the opposite arc; a part is (length mm, radius mm or 0, direction of the bend)."""
    s = np.linspace(0, CANAL_MM, n)
    step = s[1]
    tangent, u, v = np.array([0, 0, -1.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    points = [np.array([0, 0, CANAL_MM / 2])]
    ends = np.cumsum([part[0] for part in parts])
    for middle in (s[1:] + s[:-1]) / 2:
        _, radius, direction = parts[min(int(np.searchsorted(ends, middle)), len(parts) - 1)]
        before = tangent
        if radius:
            tangent = tangent + (np.cos(np.radians(direction)) * u + np.sin(np.radians(direction)) * v) * step / radius
        tangent = tangent / np.linalg.norm(tangent)
        u = u - tangent * (u @ tangent)
        u /= np.linalg.norm(u)
        v = v - tangent * (v @ tangent) - u * (v @ u)
        v /= np.linalg.norm(v)
        points.append(points[-1] + (before + tangent) / 2 / np.linalg.norm((before + tangent) / 2) * step)
    return np.array(points)


@dataclass(frozen=True)
class Film:
    plane_deg: float = 0
    horizontal_deg: float = 0
    vertical_deg: float = 0
    canal: object = bent_canal
    file_mm: float = 21.5  # stop to tip: the stop sits on the orifice
    pin: bool = False


FILMS = {
    "ref_p00_h00_v00": Film(),
    "ref_p60_h00_v00": Film(60),
    "ref_p30_h20_v00": Film(30, 20),
    "ref_p30_h00_v15": Film(30, 0, 15),
    "ref_p45_h00_v00": Film(45),
    "ref_p45_h25_v00": Film(45, 25),
    "ref_scurve_h00_v00": Film(canal=s_canal),
    "ref_scurve_h30_v00": Film(0, 30, canal=s_canal),
    "ref_straight_h00_v00": Film(canal=straight_canal),
    "ref_stop_outside": Film(20, file_mm=27.0, pin=True),
}


def file_line(canal, arc, film):
    """Centre line of the file from handle end to tip, distances from the tip, and where its stop's apical face is."""
    tip = arc[-1] - TIP_SHORT_MM
    inside = arc <= tip
    line = np.vstack([canal[inside], [np.interp(tip, arc, canal[:, k]) for k in range(3)]])
    above = film.file_mm - tip + 3.0  # the file goes on straight through the stop
    if above > 0:
        line = np.vstack([[[0, 0, canal[0, 2] + above]], line])
    along = arc_length(line)
    dense = at_arc(line, along, np.linspace(0, along[-1], 500))
    along = arc_length(dense)
    stop = np.array([np.interp(along[-1] - film.file_mm, along, dense[:, k]) for k in range(3)])
    return dense, along[-1] - along, stop


def pin_line():
    """Ends of the pin: left of the root, in the plane y = 0, leaning by 8 degrees in that plane."""
    lean = np.radians(8.0)
    half = 0.5 * PIN_MM * np.array([np.sin(lean), 0.0, np.cos(lean)])
    middle = np.array([-6.0, 0.0, 1.0])
    return np.array([middle + half, middle - half])


def make(name, out):
    """Simulate one film and write it with its truth."""
    film = FILMS[name]
    angles = film.horizontal_deg, film.vertical_deg
    projector = Projector()
    canal = film.canal(film.plane_deg)
    arc = arc_length(canal)
    file, from_tip, stop = file_line(canal, arc, film)
    meshes = {
        "root": tube(canal, np.interp(arc, [0, 8, 22], [3.6, 2.8, 0.9]), 96),
        "canal": tube(canal, np.interp(arc, [0, 22], [0.55, 0.14]), 48),
        "file": tube(file, np.minimum(0.15 + 0.02 * from_tip, 0.47) / 2, 32),
        "stop": tube(np.array([stop, stop + [0, 0, 0.75], stop + [0, 0, 1.5]]), 1.5, 48),
    }
    if film.pin:
        meshes["pin"] = tube(pin_line(), PIN_DIAMETER_MM / 2, 64)
    path = {part: projector.path_mm(f"{name}_{part}", turn(v, *angles), f) for part, (v, f) in meshes.items()}
    in_canal = np.minimum(path["file"], path["canal"])
    intensity, energy = transmission(
        {
            "dentine": path["root"] - path["canal"],
            "steel": path["file"] + path["pin"] if film.pin else path["file"],
            "water": np.maximum(path["canal"] - in_canal, 0) + SOFT_TISSUE_MM,
            "silicone": np.maximum(path["stop"] - path["file"], 0) * (path["stop"] > 0),
            "bone": np.full_like(path["file"], BONE_MM),
        }
    )
    write_png(out / "films" / f"{name}.png", detector(intensity, projector.pixel))
    write_truth(name, film, projector, energy, canal, arc, file, from_tip, stop, out / "truth")


def write_truth(name, film, projector, energy, canal, arc, file, from_tip, stop, folder):
    """Exact projections of the centre lines, in 3-D mm and pixels, and what the film was made of."""
    angles = film.horizontal_deg, film.vertical_deg
    canal, file, stop = turn(canal, *angles), turn(file, *angles), turn(stop[None], *angles)
    canal_px, file_px, stop_px = projector.pixels(canal), projector.pixels(file), projector.pixels(stop)
    for kind, points, px, distance, origin in (
        ("canal", canal, canal_px, arc, "orifice"),
        ("file", file, file_px, from_tip, "tip"),
    ):
        np.savetxt(
            folder / f"{name}_{kind}.csv",
            np.c_[points, px, distance],
            delimiter=",",
            header=f"x_mm,y_mm,z_mm,row_px,col_px,arc_mm_from_{origin}",
            comments="",
            fmt="%.5f",
        )
    file_length_px = float(arc_length(np.vstack([stop_px, file_px[from_tip <= film.file_mm]]))[-1])
    truth = {
        "name": name,
        "sdd_mm": projector.sdd,
        "odd_mm": projector.odd,
        "pixel_mm": projector.pixel,
        "magnification_at_axis": projector.sdd / (projector.sdd - projector.odd),
        "horiz_deg": film.horizontal_deg,
        "vert_deg": film.vertical_deg,
        "bend_plane_deg_from_image": film.plane_deg,
        "canal_length_3d_mm": float(arc[-1]),
        "file_tip_to_stop_mm": film.file_mm,
        "file_tip_short_of_canal_end_mm": TIP_SHORT_MM,
        "tip_px": file_px[-1].round(3).tolist(),
        "stop_px": stop_px[0].round(3).tolist(),
        "projected_tip_to_stop_px": file_length_px,
        "mm_per_px_from_file": film.file_mm / file_length_px,
        "canal_projected_px": float(arc_length(canal_px)[-1]),
        "mean_energy_keV": energy,
        "size": [projector.rows, projector.cols],
        "oversampling": projector.oversampling,
        "kvp": 65,
        "file": "D0 0.15 mm, taper 2 %, steel",
    }
    if film.pin:
        ends = turn(pin_line(), *angles)
        truth |= {
            "pin_length_mm": PIN_MM,
            "pin_diameter_mm": PIN_DIAMETER_MM,
            "pin_ends_mm": ends.round(5).tolist(),
            "pin_ends_px": projector.pixels(ends).round(3).tolist(),
        }
    (folder / f"{name}.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def main(arguments):
    out = Path(arguments[0])
    names = arguments[1:] or list(FILMS)
    for folder in ("films", "truth"):
        (out / folder).mkdir(parents=True, exist_ok=True)
    if len(names) == 1:
        make(names[0], out)
        sys.stdout.flush()
        os._exit(0)  # the renderer does not always leave in order
    for name in names:  # one process a film: the renderer's context is never given back
        start = time.time()
        subprocess.run([sys.executable, __file__, str(out), name], check=True, stdout=subprocess.DEVNULL)
        print(name, f"{time.time() - start:.1f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
