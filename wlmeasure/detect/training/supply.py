"""Processes that make films while others are trained on; films come through shared memory, in slots."""

from __future__ import annotations

import mmap
import multiprocessing
import queue
import sys
import traceback
from types import TracebackType

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.detect.channels import LINES, POINTS
from wlmeasure.detect.training.films import FRAME, film_of

__all__ = ["Arrived", "Supply"]

GREY_BYTES = 2 * FRAME[0] * FRAME[1]
PLANES = len(LINES) + len(POINTS) + 1
SLOT_BYTES = GREY_BYTES + PLANES * FRAME[0] * FRAME[1]


@frozen(eq=False)
class Arrived:
    """A film in its slot: its arrays are views that hold until the slot is given back."""

    slot: int
    seed: int
    level: str
    mm_per_px: float
    periapical: bool
    greys: NDArray[np.float16]
    planes: NDArray[np.uint8]


class Supply:
    """`workers` processes that make the films of seeds `first`, `first` + 1, ... without end.

    Films of the families `withheld` (`films.families`) are left out until `release`. Worker k makes every `workers`-th seed:
    a film is the same whoever makes it. Use it as a context; start it before a GPU is touched, since the processes are forks.
    """

    def __init__(self, first: int, workers: int, *, slots: int = 128, withheld: frozenset[str] = frozenset()) -> None:
        self.first, self.workers = first, workers
        room = SLOT_BYTES * slots
        self._memory = mmap.mmap(-1, room)  # of no file: the forks share it
        context = multiprocessing.get_context("fork")
        self._free: multiprocessing.Queue[int] = context.Queue()
        self._full: multiprocessing.Queue[tuple[int, int, str, float, bool]] = context.Queue()
        for slot in range(slots):
            self._free.put(slot)
        self._released = context.Event()
        self._processes = [
            context.Process(target=self._make, args=(first + k, withheld), daemon=True) for k in range(workers)
        ]

    def __enter__(self) -> Supply:
        for process in self._processes:
            process.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        for process in self._processes:
            process.terminate()
        for process in self._processes:
            process.join(5.0)

    def _views(self, slot: int) -> tuple[NDArray[np.float16], NDArray[np.uint8]]:
        start = slot * SLOT_BYTES
        greys = np.frombuffer(self._memory, np.float16, FRAME[0] * FRAME[1], start).reshape(FRAME)
        planes = np.frombuffer(self._memory, np.uint8, PLANES * FRAME[0] * FRAME[1], start + GREY_BYTES)
        return greys, planes.reshape(PLANES, *FRAME)

    def _make(self, seed: int, withheld: frozenset[str]) -> None:
        cv2.setNumThreads(1)
        while True:
            try:
                film = film_of(seed, frozenset() if self._released.is_set() else withheld)
            except Exception:  # one bad draw must not cost a run of minutes a core; it is printed with its seed
                print(f"seed {seed}:", traceback.format_exc(), file=sys.stderr, flush=True)
                film = None
            seed += self.workers
            if film is None:
                continue
            slot = self._free.get()
            greys, planes = self._views(slot)
            greys[...], planes[:-1], planes[-1] = film.greys, film.distance, film.bits
            self._full.put((slot, film.seed, film.level, film.mm_per_px, film.periapical))

    def next(self, wait_s: float) -> Arrived | None:
        """A film that is ready, or None after `wait_s` seconds. Raises RuntimeError where every process has ended."""
        try:
            told = self._full.get(timeout=wait_s) if wait_s > 0.0 else self._full.get_nowait()
        except queue.Empty:
            if not any(process.is_alive() for process in self._processes):
                raise RuntimeError("films: every process that makes them has ended; see what they printed") from None
            return None
        return Arrived(*told, *self._views(told[0]))

    def release(self) -> None:
        """From here on nothing is withheld; films that wait in their slots are older."""
        self._released.set()

    def give_back(self, film: Arrived) -> None:
        """Lets the film's slot be filled again."""
        self._free.put(film.slot)
