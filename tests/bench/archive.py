"""The archive at full size: killed writers, many writers, 100,000 entries. About ten minutes on two cores.

    python tests/bench/archive.py [--only kills|writers|words|size] [--on sqlite|postgresql]

The counts can be changed: --kills SQLITE POSTGRESQL, --writers N, --each N, --entries N.

Each part says what it found in one line; a lost entry or a finding of `verify` ends it with status 1. PostgreSQL runs with
fsync, on a server of its own. Times are the machine's, ratios to a bare SQL query of the same rows count.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np
from attrs import evolve
from sqlalchemy import text

from wlmeasure.record.archive.answers import Search
from wlmeasure.record.archive.archive import Archive, open_archive
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import Case, Entry, load_case

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "references"))
import postgres_server  # noqa: E402

BY_WORDS = ROOT / "tests" / "references" / "archive_words.py"
WRITER = ROOT / "tests" / "references" / "archive_writer.py"
SAMPLE = ROOT / "sample_images" / "cases" / "curved_out_of_plane.wl.json"
WHO = {"by": "AB", "at": "2026-11-26T10:30:00"}  # later than every entry
ENTRIES_OF_A_CASE = 50
SEED = 5000
PAUSE_S = 0.02  # one storing takes some 5 to 20 ms here
faults: list[str] = []


@contextmanager
def address_of(backend: str) -> Iterator[str]:
    """The address of an archive that is not there yet."""
    if backend == "postgresql":
        with postgres_server.running(fsync=True) as server:
            yield server.address(server.new_database())
    else:
        with tempfile.TemporaryDirectory() as folder:
            yield f"{folder}/archive.sqlite"


def case(number: int, entries: int = 0) -> Case:
    """The sample case under an id of its own, with so many entries."""
    kinds = ("film length", "electronic length", "proposed working length", "note")
    made = [
        Entry(
            id=f"e{k}",
            kind=kinds[k % 4],
            at=f"2026-11-25T{10 + k // 60:02d}:{k % 60:02d}:00",
            by="AB",
            canal="MB",
            reference_point="mesiobuccal cusp tip",
            length_mm=18.0 + (number + k) % 50 / 10,
            length_std_mm=0.3,
            status="caution" if (number + k) % 97 == 0 else "concordant",
            inputs_sha256="1" * 64,
            program="wlmeasure 0.1.0",
        )
        for k in range(entries)
    ]
    return evolve(load_case(SAMPLE), case_id=f"P-{number:05d}", entries=tuple(made))


def writer(address: str, name: str, count: int) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(WRITER), address, "P-00000", name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)


def sound(archive: Archive, what: str) -> None:
    if findings := verify(archive).findings:
        faults.append(f"{what}: {findings[0]}")


def kills(backend: str, times: int) -> None:
    """SIGKILL a writer that writes without a pause; what it has said must be there each time, and the chain must hold."""
    random = np.random.default_rng(SEED)
    said, lost, unsaid = 0, 0, 0
    with address_of(backend) as address, open_archive(address, create=True) as archive:
        for number in range(times):
            name = f"P-{number // 10:05d}"  # ten writers a case, so that reading it does not grow for ever
            if number % 10 == 0:
                archive.add(evolve(case(0), case_id=name), **WHO)
            environment = os.environ | {"PYTHONPATH": str(ROOT)}
            command = [sys.executable, str(WRITER), address, name, f"k{number}", "1000000"]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
            assert process.stdout is not None
            ids = {process.stdout.readline().strip() for _ in range(random.integers(1, 40))}
            time.sleep(random.uniform(0.0, PAUSE_S))  # so that the kill meets every part of a storing
            process.kill()
            ids |= set(process.stdout.read().split())
            process.wait()
            stored = {entry.id for entry in archive.load(name).case.entries if entry.id.startswith(f"k{number}-")}
            said, lost, unsaid = said + len(ids), lost + len(ids - stored), unsaid + len(stored - ids)
            if number % 10 == 9 or number == times - 1:
                sound(archive, f"{backend}, kill {number}")
    print(
        f"{backend}: {times} kills, {said} entries said stored, {lost} lost, {unsaid} stored but not said any more",
        flush=True,
    )
    if lost:
        faults.append(f"{backend}: {lost} entries lost")


def writers(backend: str, count: int, each: int) -> None:
    """Processes that write into one case at once."""
    with address_of(backend) as address, open_archive(address, create=True) as archive:
        archive.add(case(0), **WHO)
        begin = time.perf_counter()
        running = [writer(address, f"w{number}", each) for number in range(count)]
        lines = [line for process in running for line in process.communicate()[0].split()]
        seconds = time.perf_counter() - begin
        stored = [entry.id for entry in archive.load("P-00000").case.entries]
        conflicts = lines.count("conflict")
        wanted = {f"w{number}-{k}" for number in range(count) for k in range(each)}
        failed = sum(process.returncode != 0 for process in running)
        print(
            f"{backend}: {count} writers x {each} entries: {len(stored)} stored, {conflicts} conflicts told, "
            f"{len(wanted - set(stored))} lost, {failed} writers gave up, {seconds:.0f} s",
            flush=True,
        )
        if failed or sorted(stored) != sorted(wanted):
            faults.append(f"{backend}: entries of writers at once are missing")
        sound(archive, f"{backend}, writers")


def by_words(backend: str, count: int, each: int) -> None:
    """Processes that all enter notes into the same eight cases by the words of the command line."""
    cases = 8
    with address_of(backend) as address, open_archive(address, create=True) as archive:
        for number in range(cases):
            archive.add(case(number), **WHO)
        begin = time.perf_counter()
        environment = os.environ | {"PYTHONPATH": str(ROOT), "WLMEASURE_ARCHIVE": address}
        running = [
            subprocess.Popen(
                [sys.executable, str(BY_WORDS), f"w{number}", str(each), str(cases)],
                stdout=subprocess.PIPE,
                text=True,
                env=environment,
            )
            for number in range(count)
        ]
        lines = [line for process in running for line in process.communicate()[0].split()]
        seconds = time.perf_counter() - begin
        stored = [str(entry.note) for k in range(cases) for entry in archive.load(f"P-{k:05d}").case.entries]
        conflicts = lines.count("conflict")
        wanted = {f"w{number}-{k}" for number in range(count) for k in range(each)}
        failed = sum(process.returncode != 0 for process in running)
        print(
            f"{backend}, by words: {count} writers x {each} notes, {cases} cases: {len(stored)} stored, {conflicts} conflicts "
            f"told, {len(wanted - set(stored))} lost, {failed} writers gave up, {seconds:.0f} s",
            flush=True,
        )
        if failed or sorted(stored) != sorted(wanted):
            faults.append(f"{backend}, by words: notes of writers at once are missing")
        sound(archive, f"{backend}, by words")


def spent(call: Callable[[], object], runs: int = 25) -> tuple[float, float, float]:
    """Median and least milliseconds, and median milliseconds of this process's own work, after one call to warm up.

    A busy machine disturbs the least and the own work least; the own work of a server's client is not the server's.
    """
    call()
    times, own = [], []
    for _ in range(runs):
        begin, begin_own = time.perf_counter(), time.process_time()
        call()
        own.append(time.process_time() - begin_own)
        times.append(time.perf_counter() - begin)
    return median(times) * 1e3, min(times) * 1e3, median(own) * 1e3


def size(backend: str, entries: int) -> None:
    """List, show and history among 1,000 entries and among all, each beside a bare query of the same rows."""
    leasts: dict[str, list[float]] = {}
    owns: dict[str, list[float]] = {}
    with address_of(backend) as address, open_archive(address, create=True) as archive:
        done = 0
        for goal in (1000, entries):
            begin = time.perf_counter()
            while done * ENTRIES_OF_A_CASE < goal:
                archive.add(case(done, ENTRIES_OF_A_CASE), **WHO)
                done += 1
            print(
                f"{backend}: {goal} entries in {done} cases, filled in {time.perf_counter() - begin:.0f} s", flush=True
            )
            name = f"P-{done // 2:05d}"
            raw = archive.engine.connect()

            def bare(statement: str, raw: object = raw, **values: str) -> Callable[[], object]:
                return lambda: raw.execute(text(statement), values).all()  # type: ignore[attr-defined]

            of_case = "FROM wl_journal WHERE case_id = :i ORDER BY case_seq"
            of_cases = "SELECT case_id, tooth, revisions, entries, rows, opened_at, changed_at FROM wl_cases"
            found = "WHERE case_id IN (SELECT case_id FROM wl_entries WHERE status = :s AND superseded_by IS NULL)"
            head = archive.head(name)
            calls = {
                "list 100 cases": (
                    lambda: archive.cases(Search(most=100)),
                    bare(f"{of_cases} ORDER BY case_id LIMIT 100"),
                ),
                "list all cases": (archive.cases, bare(f"{of_cases} ORDER BY case_id")),
                "list, by status": (
                    lambda: archive.cases(Search(status="caution")),
                    bare(f"{of_cases} {found} ORDER BY case_id", s="caution"),
                ),
                "show one case": (partial(archive.load, name), bare(f"SELECT * {of_case}", i=name)),
                "history of one case": (partial(archive.history, name), bare(f"SELECT * {of_case}", i=name)),
            }
            for what, (ours, peer) in calls.items():
                (a, a_least, a_own), (_, b_least, _) = spent(ours), spent(peer)
                leasts.setdefault(what, []).append(a_least)
                owns.setdefault(what, []).append(a_own)
                print(
                    f"{backend}: {what:<22} median {a:7.2f}, least {a_least:7.2f}, own {a_own:7.2f} ms; "
                    f"bare query least {b_least:7.2f} ms, ratio {a_least / b_least:5.1f}",
                    flush=True,
                )
            raw.close()
            times = []
            for k in range(25):
                note = Entry(id=f"n{goal}-{k}", kind="note", at="2026-11-26T10:00:00", by="AB", canal="MB")
                begin = time.perf_counter()
                head = archive.append(name, note, on=head, **WHO).head
                times.append((time.perf_counter() - begin) * 1e3)
            leasts.setdefault("append one entry", []).append(min(times))
            print(
                f"{backend}: append one entry       median {median(times):7.2f}, least {min(times):7.2f} ms", flush=True
            )
        for what, (few, many) in leasts.items():
            print(
                f"{backend}: {what:<22} from 1000 to {entries} entries: least {few:.2f} to {many:.2f} ms, x {many / few:.2f}"
            )
        begin = time.perf_counter()
        sound(archive, f"{backend}, {entries} entries")
        print(f"{backend}: verify {entries} entries: {time.perf_counter() - begin:.1f} s", flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, nargs=2, default=[200, 50], metavar=("SQLITE", "POSTGRESQL"))
    parser.add_argument("--writers", type=int, default=8)
    parser.add_argument("--each", type=int, default=500)
    parser.add_argument("--entries", type=int, default=100_000)
    parser.add_argument("--only", choices=("kills", "writers", "words", "size"))
    parser.add_argument("--on", choices=("sqlite", "postgresql"))
    arguments = parser.parse_args()
    for backend, times in zip(("sqlite", "postgresql"), arguments.kills, strict=True):
        if arguments.on not in (None, backend):
            continue
        if arguments.only in (None, "kills"):
            kills(backend, times)
        if arguments.only in (None, "writers"):
            writers(backend, arguments.writers, arguments.each)
        if arguments.only in (None, "words"):
            by_words(backend, arguments.writers, arguments.each)
        if arguments.only in (None, "size"):
            size(backend, arguments.entries)
    for fault in faults:
        print(f"FAILED: {fault}", file=sys.stderr)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
