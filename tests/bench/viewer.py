"""Benchmarks of the viewer, under a display: what a move of the mouse costs, and what the dock adds to napari.

    python tests/bench/viewer.py [--moves N] [--starts N]

Prints one line a figure beside its goal. Absolute times are the machine's: the Shapes layer in the same run is the yardstick.
"""

from __future__ import annotations

import argparse
import gc
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
FILM = ROOT / "sample_images" / "films" / "ref_p60_h00_v00.png"
STOP, TIP = (188.25, 499.5), (1224.75, 611.0)
ORIFICE, END = (187.75, 499.0), (860.25, 503.25)
START = """
import sys, time
begin = time.perf_counter()
import napari, psutil
viewer = napari.Viewer()
if sys.argv[1] == "dock":
    viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
from qtpy.QtWidgets import QApplication
for _ in range(5):
    QApplication.processEvents()
print(time.perf_counter() - begin, psutil.Process().memory_info().rss / 2**20)
viewer.close()
"""


def show(what: str, value: str, goal: str = "") -> None:
    print(f"{what:<76} {value:>22}  {goal}", flush=True)


def spread(seconds: list[float]) -> str:
    ordered = sorted(seconds)
    return f"p50 {1e3 * median(ordered):5.1f}  p95 {1e3 * ordered[int(0.95 * (len(ordered) - 1))]:5.1f} ms"


def resident_mb() -> float:
    import psutil

    return float(psutil.Process().memory_info().rss / 2**20)


class Window:
    """A viewer with the dock on a film that has its scale."""

    def __init__(self) -> None:
        import napari
        from qtpy.QtWidgets import QApplication

        self.viewer = napari.Viewer(show=False)
        self.viewer.window._qt_window.resize(1280, 800)
        self.viewer.window._qt_window.show()
        self.app = QApplication.instance()
        self.open()
        session = self.dock.session
        session.work = None  # each step is done when it returns
        session.open_film(FILM)
        session.set_tooth("45")
        session.set_known_length(21.5, 0.05)
        session.take("file")
        session.click(STOP)
        session.click(TIP)
        self.canvas = self.viewer.window._qt_viewer.canvas._scene_canvas
        self.drawn = 0
        self.canvas.events.draw.connect(self._count, position="last")
        self.settle()

    def open(self) -> None:
        self.frame, self.dock = self.viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
        self.settle()

    def close(self) -> None:
        self.viewer.window.remove_dock_widget(self.frame)
        self.frame = self.dock = None
        self.settle()

    def settle(self) -> None:
        for _ in range(10):
            self.app.processEvents()

    def _count(self, _event: Any) -> None:
        self.drawn += 1

    def draw(self) -> None:
        """One frame of the canvas, to its end."""
        from vispy.gloo import gl

        before = self.drawn
        self.canvas.native.update()
        while self.drawn == before:
            self.app.processEvents()
        gl.glFinish()


def drag(moves: int) -> None:
    """The live line under a moving cursor, each way in turn at each move."""
    from qtpy.QtWidgets import QLabel
    from wlmeasure_napari._live_line import _LayerLine, live_line

    window = Window()
    dock, viewer = window.dock, window.viewer
    session, film = dock.session, dock._layers.film_layer()
    session.take("canal")
    session.click(ORIFICE)
    window.settle()
    ways = {"bare": live_line(viewer, film), "fallback": _LayerLine(viewer, film)}
    shapes = viewer.add_shapes(name="yardstick", scale=film.scale, units=film.units)
    shapes.add_paths([np.array([[0.0, 0.0], [1.0, 1.0]])])
    viewer.layers.selection.active = film
    places = [(float(r), 500.0 + 30.0 * np.sin(r / 40.0)) for r in np.linspace(250.0, 850.0, moves)]
    costs: dict[str, list[float]] = {name: [] for name in ("path", "redraw", "set bare", "set fallback", "set Shapes",
                                                          "whole bare", "whole fallback")}  # fmt: skip

    def timed(name: str, call: Callable[[], object], *, draws: bool = True) -> None:
        window.settle()
        begin = time.perf_counter()
        call()
        if draws:
            window.draw()
        costs[name].append(time.perf_counter() - begin)

    # All three lines would be drawn at each frame, so the two that are not timed are hidden: empty, or out of the scene.
    for at in [*places[:3], *places]:
        session.moved.disconnect(dock._on_moved, missing_ok=True)
        timed("path", lambda at=at: session.hover(at), draws=False)
        line = session.live
        shapes.visible = False
        for way in ways.values():
            way.show([])
        timed("redraw", lambda: None)
        for name, way in ways.items():
            timed(f"set {name}", lambda way=way, line=line: way.show(line))
            way.show([])
        shapes.visible = True
        timed("set Shapes", lambda line=line: setattr(shapes, "data", [(np.asarray(line), "path")]))
        shapes.visible = False
        session.moved.connect(dock._on_moved)
        for name, way in ways.items():
            dock._line, dock._line_film = way, film
            timed(f"whole {name}", lambda at=at: session.hover(at))
            way.show([])
    kept = {name: values[3:] for name, values in costs.items()}
    vertices = len(session.live)
    show("canvas", f"{window.canvas.size[0]} x {window.canvas.size[1]}")
    show(f"path from the anchor to the cursor ({vertices} vertices at the end)", spread(kept["path"]))
    show("canvas drawn with no line", spread(kept["redraw"]))
    show("line set and drawn: bare", spread(kept["set bare"]), "p50 <= 16, p95 <= 20 ms")
    show("line set and drawn: public fallback", spread(kept["set fallback"]), "<= 30 ms")
    show("line set and drawn: Shapes layer by its data (yardstick)", spread(kept["set Shapes"]))
    show("whole move with path, loupe and bare line, drawn", spread(kept["whole bare"]), "p50 <= 16, p95 <= 20 ms")
    show("whole move with path, loupe and fallback, drawn", spread(kept["whole fallback"]), "<= 30 ms")
    session.cancel()
    window.settle()

    window.close()
    gc.collect()
    before = resident_mb()
    for _ in range(50):
        window.open()
        window.close()
        gc.collect()
    window.settle()
    show("dock opened and closed 50 times: growth", f"{resident_mb() - before:.1f} MB", "<= 10 MB")
    before = resident_mb()
    for _ in range(50):
        frame = viewer.window.add_dock_widget(QLabel("yardstick"), name="yardstick")
        window.settle()
        viewer.window.remove_dock_widget(frame)
        window.settle()
        gc.collect()
    show("a dock of one word opened and closed 50 times (yardstick): growth", f"{resident_mb() - before:.1f} MB")
    left = len(session.changed) + len(session.moved) + len(session.said)
    show("callbacks left on the session", str(left), "0")
    viewer.close()


def starts(runs: int) -> None:
    """Whole processes with and without the dock, in turn."""

    def start(what: str) -> tuple[float, float]:
        done = subprocess.run([sys.executable, "-c", START, what], capture_output=True, text=True, check=True)
        seconds, mb = done.stdout.split()[-2:]
        return float(seconds), float(mb)

    start("bare"), start("dock")
    pairs = [(start("bare"), start("dock")) for _ in range(runs)]
    napari = median(a[0] for a, _ in pairs)
    show("napari shown, without the dock", f"{napari:.2f} s {median(a[1] for a, _ in pairs):.0f} MB")
    show("dock adds to the start", f"{median(b[0] - a[0] for a, b in pairs):.2f} s", "<= 0.3 s")
    show("dock adds to the memory", f"{median(b[1] - a[1] for a, b in pairs):.1f} MB", "<= 30 MB")


def anchors(runs: int) -> None:
    """A click and the first path from it: the film of 1500 x 1000, and one of 4096 x 3140 with and without its scale."""
    from wlmeasure_napari._session import Session

    with tempfile.TemporaryDirectory() as folder:
        big = Path(folder) / "big.png"
        film = cv2.imread(str(FILM), cv2.IMREAD_UNCHANGED)
        cv2.imwrite(str(big), cv2.resize(film, (3140, 4096), interpolation=cv2.INTER_CUBIC))
        grow = np.array([4096 / 1500, 3140 / 1000])
        for name, path, factor, scaled in (
            ("1500 x 1000, scaled", FILM, np.ones(2), True),
            ("4096 x 3140, no scale yet", big, grow, False),
            ("4096 x 3140, scaled", big, grow, True),
        ):
            session = Session()
            session.open_film(path)
            session.set_tooth("45")
            places = [tuple(float(v) for v in np.array(at) * factor) for at in (STOP, TIP, ORIFICE, END)]
            if scaled:
                session.set_known_length(21.5, 0.05)
                session.take("file")
                session.click(places[0])
                session.click(places[1])
            costs = []
            for _ in range(runs + 2):
                session.take("canal")
                begin = time.perf_counter()
                session.click(places[2])
                session.hover(places[3])
                costs.append(time.perf_counter() - begin)
            show(f"anchor to live path: {name}", spread(costs[2:]), "<= 40 ms")


def main() -> None:
    parser = argparse.ArgumentParser(description="Benchmarks of the viewer; need a display.")
    parser.add_argument("--moves", type=int, default=60, help="moves of the cursor (%(default)s)")
    parser.add_argument("--starts", type=int, default=5, help="pairs of starts (%(default)s)")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as drafts:
        os.environ["WLMEASURE_DRAFTS"] = drafts
        anchors(15)
        drag(arguments.moves)
        starts(arguments.starts)


if __name__ == "__main__":
    main()
