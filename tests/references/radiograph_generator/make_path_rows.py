"""Path lengths of the simulator along some rows of the reference films, for the tests of `wlmeasure.phantom`.

    python make_path_rows.py > ../path_rows.csv

Ray casting of the same meshes as `make_reference_radiographs.py`, sampled at pixel centres (no oversampling). Needs the same
environment. Columns: film, row, col, then mm of root, canal, file and stop along the ray (each body alone, nested ones not
subtracted), then the transmission of the whole scene for the simulator's spectrum.
"""

import contextlib
import os
import subprocess
import sys

import numpy as np

from gvxr_reference import Projector, arc_length, transmission, tube, turn
from make_reference_radiographs import BONE_MM, FILMS, SOFT_TISSUE_MM, file_line

NAMES = ("ref_p45_h25_v00", "ref_p30_h00_v15", "ref_scurve_h30_v00")
ROWS = (165, 400, 700, 950, 1100, 1180)
EVERY = 6  # every so many columns where only the root is crossed


def rows_of(name):
    film = FILMS[name]
    angles = film.horizontal_deg, film.vertical_deg
    with contextlib.redirect_stdout(sys.stderr):
        projector = Projector(oversampling=1)
        canal = film.canal(film.plane_deg)
        arc = arc_length(canal)
        file, from_tip, stop = file_line(canal, arc, film)
        meshes = {
            "root": tube(canal, np.interp(arc, [0, 8, 22], [3.6, 2.8, 0.9]), 96),
            "canal": tube(canal, np.interp(arc, [0, 22], [0.55, 0.14]), 48),
            "file": tube(file, np.minimum(0.15 + 0.02 * from_tip, 0.47) / 2, 32),
            "stop": tube(np.array([stop, stop + [0, 0, 0.75], stop + [0, 0, 1.5]]), 1.5, 48),
        }
        path = {k: projector.path_mm(f"{name}_{k}", turn(v, *angles), f)[0] for k, (v, f) in meshes.items()}
    inner = np.minimum(path["file"], path["canal"])
    shown, _ = transmission(
        {
            "dentine": path["root"] - path["canal"],
            "steel": path["file"],
            "water": np.maximum(path["canal"] - inner, 0) + SOFT_TISSUE_MM,
            "silicone": np.maximum(path["stop"] - path["file"], 0) * (path["stop"] > 0),
            "bone": np.full_like(path["file"], BONE_MM),
        }
    )
    for row in ROWS:
        body = path["root"][row] + path["stop"][row] + path["file"][row]
        thin = (path["canal"][row] > 0) | (path["file"][row] > 0)
        for col in np.flatnonzero(
            (body > 0) & ((np.arange(body.size) % EVERY == 0) | (thin & (np.arange(body.size) % 2 == 0)))
        ):
            values = [path[k][row, col] for k in ("root", "canal", "file", "stop")] + [shown[row, col]]
            os.write(1, (f"{name},{row},{col}," + ",".join(f"{v:.4f}" for v in values) + "\n").encode())
    os._exit(0)  # the renderer does not always leave in order


if __name__ == "__main__":
    if len(sys.argv) > 1:
        os.dup2(int(sys.argv[2]), 1)
        rows_of(sys.argv[1])
    kept = os.dup(1)
    os.write(1, b"film,row,col,root_mm,canal_mm,file_mm,stop_mm,transmission\n")
    os.dup2(2, 1)  # the renderer talks on standard output
    for name in NAMES:
        subprocess.run([sys.executable, __file__, name, str(kept)], check=True, pass_fds=[kept])
