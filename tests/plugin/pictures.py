"""Makes the README's pictures of the dock from the running program.

python tests/plugin/pictures.py [FOLDER]        needs a display; default folder sample_images/pictures
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "sample_images" / "pictures"
TWO_FILMS = ROOT / "sample_images" / "cases" / "two_films.wl.json"
FILM = ROOT / "sample_images" / "films" / "ref_p60_h00_v00.png"
SIZE = (1280, 800)
STOP, TIP, APEX, ON_THE_WAY = (188.3, 499.5), (1224.3, 611.3), (1240.5, 620.6), (1060.0, 542.4)


def make(folder: Path) -> list[Path]:
    """Play the job on a sample film and take a picture at four steps.

    Returns
    -------
    list of Path
        scale.png, tracing.png, decided.png, in_space.png
    """
    from attrs import evolve
    from qtpy.QtCore import QPoint
    from qtpy.QtGui import QCursor
    from qtpy.QtWidgets import QApplication
    from wlmeasure_napari._entries import add_reading
    from wlmeasure_napari._screen import own_window
    from wlmeasure_napari._sessions import seat_of

    from wlmeasure.record.case import load_case, save_case

    folder.mkdir(parents=True, exist_ok=True)
    written = []
    viewer, dock = own_window(show=False)
    window = viewer.window._qt_window
    window.resize(*SIZE)
    window.show()
    session = seat_of(viewer).session
    QApplication.processEvents()  # the dock is shown, and has given the session a thread
    session.work = None  # each step is done when it returns
    session.aside = None  # and the films are marked by hand
    QCursor.setPos(window.mapToGlobal(QPoint(500, 420)))  # the loupe stands beside the cursor

    def picture(name: str) -> None:
        for _ in range(8):
            QApplication.processEvents()
        viewer.screenshot(canvas_only=False, flash=False)  # draws the canvas before the window is taken
        path = folder / name
        window.grab().toImage().save(str(path))
        written.append(path)

    dock.open_path(FILM)
    session.initials = "KO"
    session.set_tooth("45")
    session.rename_canal(session.canal_name, "buccal cusp tip")
    session.take("file")
    session.click(STOP)
    session.hover((700.0, 505.0))
    picture("scale.png")
    session.click(TIP)
    session.set_known_length(21.5, 0.1)
    dock._fields["length"].set_text("21.5")
    session.take("canal")
    session.click(STOP)
    session.hover(ON_THE_WAY)
    picture("tracing.png")
    session.click(APEX)
    session.accept()
    session.accept()  # the file's stop rests on the cusp
    for _ in range(3):
        add_reading(session, 20.5, "foramen", 15)
    session.decide(20.0, "KO", "readings repeat")
    picture("decided.png")
    with tempfile.TemporaryDirectory() as copy:  # a case that is opened is saved at every step
        case = load_case(TWO_FILMS)
        films = tuple(evolve(film, path=str(case.film_path(film).resolve())) for film in case.films)
        save_case(evolve(case, films=films), Path(copy) / TWO_FILMS.name)
        dock.open_path(Path(copy) / TWO_FILMS.name)
        QApplication.processEvents()
        dock.shelf.choose("3-D")
        dock._by_place["space"].ways["beside"].click()
        dock._area.ensureWidgetVisible(dock._by_place["space"], 0, 0)
        picture("in_space.png")
        viewer.close()
    return written


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as drafts:
        os.environ["WLMEASURE_DRAFTS"] = drafts
        for made in make(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER):
            print(made)
