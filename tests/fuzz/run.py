"""Thousands of damaged files through the public entry points, in a process that is watched.

    python -m tests.fuzz.run --seed 1 --count 20000 [--kind dicom] [--only N] [--keep DIR]

Every file follows from (seed, number), so a failure is run again by the line that is printed with it. A failure is: another
exception than ours, a traceback, a crash, more than 5 s in one call, more than 1 GiB of memory. Ends with 1 where there is one.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import multiprocessing as mp
import os
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from types import FrameType
from typing import Any

from tests.fuzz.kinds import SHARES

SECONDS = 5.0  # of one call
MEMORY = 2**30  # bytes of the whole process, the libraries' own (0.3 GB) included
STUCK = 300.0  # wall seconds after which a process that does not answer is ended: a busy machine must not count
ALARM = 30  # seconds of the processor; gives a traceback where Python itself hangs


class Hang(BaseException):
    """Raised by the alarm; no `except Exception` holds it."""


def _alarm(signum: int, frame: FrameType | None) -> None:
    raise Hang(f"still busy after {ALARM} s")


def _status(name: str) -> int:
    """One figure of /proc/self/status in bytes; 0 where there is none."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return 0
    return next((1024 * int(line.split()[1]) for line in lines if line.startswith(name + ":")), 0)


def _forget_peak() -> None:
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def _trimmer() -> Callable[[], object]:
    """What gives freed memory back to the system, so that one file's is not counted as the next one's (glibc)."""
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return lambda: None
    return lambda: trim(0)


def worker(pipe: Connection, asking: Connection, folder: str, keep: str | None) -> None:
    """Try the files asked for, one message each, until none is asked for."""
    from tests.fuzz.corpus import corpus
    from tests.fuzz.judge import Failure, Judge, _where
    from tests.fuzz.kinds import make

    asking.close()  # so that the end of the one who asks is noticed
    os.environ["WLMEASURE_TRACEBACK"] = "1"  # the last wall of the commands is let down
    signal.signal(signal.SIGPROF, _alarm)
    seeds = corpus()
    limit = _status("VmSize") + 4 * MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    trim = _trimmer()
    judge = Judge(Path(folder), seeds)
    gc.collect()
    gc.freeze()  # what the libraries made while they were loaded need not be looked at again after every file
    while True:
        try:
            asked = pipe.recv()
        except EOFError:
            break
        if asked is None:
            break
        seed, number, kind = asked
        made = make(seeds, seed, number, kind)
        if keep is not None:
            (Path(keep) / f"{made.kind}_{seed}_{number}").write_bytes(made.content)
        fault = None
        if number % 20 == 0:
            gc.collect()
            trim()
        _forget_peak()
        signal.setitimer(signal.ITIMER_PROF, ALARM)
        opened = False
        try:
            opened = judge.try_file(made)
        except Failure as error:
            fault = str(error)
        except Hang as error:
            fault = f"hang: {_where(error)}"
        except BaseException as error:
            fault = f"fault of the test itself: {_where(error)}"
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        peak = _status("VmHWM")
        if fault is None and judge.slowest > SECONDS:
            fault = f"{judge.slowest:.1f} s in {judge.slowest_call}"
        if fault is None and peak > MEMORY:
            fault = f"{peak / 2**20:.0f} MiB of memory"
        pipe.send((made.kind, made.origin, opened, fault, judge.slowest, judge.slowest_call, peak))
    judge.close()


class Watched:
    """A worker that is started again when it dies or does not answer."""

    def __init__(self, keep: str | None) -> None:
        self._keep = keep
        self._process: Any = None

    def ask(self, seed: int, number: int, kind: str | None) -> tuple[Any, ...] | str:
        """What became of one file; a text where the process died of it."""
        if self._process is None:
            self._start()
        self._pipe.send((seed, number, kind))
        try:
            if self._pipe.poll(STUCK):
                return self._pipe.recv()  # type: ignore[no-any-return]
            self._end()
            return f"no answer after {STUCK:.0f} s"
        except (EOFError, ConnectionError):
            self._process.join()
            code = self._process.exitcode
            self._end()
            return f"the process died ({signal.Signals(-code).name if code and code < 0 else code})"

    def _start(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._pipe, theirs = mp.Pipe()
        self._process = mp.get_context("fork").Process(
            target=worker, args=(theirs, self._pipe, self._folder.name, self._keep), daemon=True
        )
        self._process.start()
        theirs.close()

    def _end(self) -> None:
        self._process.kill()
        self._process.join()
        self._folder.cleanup()
        self._process = None

    def close(self) -> None:
        if self._process is not None:
            self._pipe.send(None)
            self._process.join(10)
            self._end()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--kind")
    parser.add_argument("--only", type=int, help="one file, by its number")
    parser.add_argument("--keep", help="a folder for the damaged files")
    given = parser.parse_args()
    numbers = range(given.first, given.first + given.count) if given.only is None else [given.only]
    watched = Watched(given.keep)
    files: Counter[tuple[str, str]] = Counter()
    slowest: dict[str, tuple[float, int, str]] = {}
    peaks: dict[str, tuple[int, int]] = {}
    failures = []
    began = time.monotonic()
    try:
        for done, number in enumerate(numbers, 1):
            answer = watched.ask(given.seed, number, given.kind)
            if isinstance(answer, str):
                kind, origin, opened, fault, seconds, call, peak = (
                    given.kind or "crashed",
                    "",
                    False,
                    answer,
                    0.0,
                    "",
                    0,
                )
            else:
                kind, origin, opened, fault, seconds, call, peak = answer
            files[kind, "failed" if fault else "opened" if opened else "refused"] += 1
            slowest[kind] = max(slowest.get(kind, (0.0, 0, "")), (seconds, number, call))
            peaks[kind] = max(peaks.get(kind, (0, 0)), (peak, number))
            if fault:
                more = f" --kind {kind}" if kind in SHARES else ""
                failures.append(fault)
                again = f"python -m tests.fuzz.run --seed {given.seed}{more} --only {number}"
                print(f"FAILED {kind} ({origin}): {fault}\n  {again}", flush=True)
            if done % 1000 == 0:
                print(f"... {done} files, {len(failures)} failed, {time.monotonic() - began:.0f} s", flush=True)
    except KeyboardInterrupt:
        print("stopped by hand: the table is of the files so far")
    watched.close()
    print(f"\nseed {given.seed}\nkind      files  opened refused  failed  slowest call, peak memory of the process")
    for kind in sorted(slowest):
        counts = "".join(f"{files[kind, what]:8}" for what in ("opened", "refused", "failed"))
        seconds, number, call = slowest[kind]
        last = f"{seconds:5.2f} s {call} (file {number}), {peaks[kind][0] / 2**20:.0f} MiB (file {peaks[kind][1]})"
        print(f"{kind:<8}{sum(n for (k, _), n in files.items() if k == kind):>7}{counts}  {last}")
    print(f"all      {sum(files.values()):>6} in {time.monotonic() - began:.0f} s")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
