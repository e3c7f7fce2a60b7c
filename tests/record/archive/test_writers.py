"""Many writers at once, and writers that are killed: no stored entry is lost. The full counts are in tests/bench/archive.py."""

import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.verify import verify

ROOT = Path(__file__).resolve().parents[3]
SCRIPT = ROOT / "tests" / "references" / "archive_writer.py"
WRITERS, EACH = 4, 15
KILLS = 3


def test_writers_at_once_lose_nothing_and_are_told_of_conflicts(archive, address, bare, writer):
    archive.add(bare, by="AB", at=writer.AT)
    said, faults = [], []
    begin = threading.Barrier(WRITERS)

    def run(number):
        try:
            with open_archive(address) as own:
                begin.wait()
                writer.write(own, "P-2", f"w{number}", EACH, said.append)
        except Exception as error:
            faults.append(error)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(WRITERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    stored = [entry.id for entry in archive.load("P-2").case.entries]
    assert sorted(stored) == sorted(f"w{w}-{k}" for w in range(WRITERS) for k in range(EACH))
    assert sorted(line for line in said if line != "conflict") == sorted(stored)
    assert "conflict" in said
    verdict = verify(archive)
    assert (verdict.findings, verdict.entries) == ((), WRITERS * EACH)


def test_writers_that_open_a_new_archive_at_once(address, bare, writer):
    """All of them find no tables; one makes them."""
    faults = []
    begin = threading.Barrier(WRITERS)

    def run(number):
        try:
            begin.wait()
            with open_archive(address, create=True) as own:
                own.add(writer_case(bare, number), by="AB", at=writer.AT)
        except Exception as error:
            faults.append(error)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(WRITERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    with open_archive(address) as archive:
        assert len(archive.cases()) == WRITERS
        assert not verify(archive).findings


def writer_case(case, number):
    return evolve(case, case_id=f"W-{number}")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kill -9 is a matter of Unix")
def test_a_writer_that_is_killed_loses_nothing_that_it_has_stored(archive, address, bare, writer):
    """SIGKILL while it writes without a pause: what it has said is there, at most one entry more, and the chain holds."""
    archive.add(bare, by="AB", at=writer.AT)
    random = np.random.default_rng(1001)
    said = []
    for number in range(KILLS):
        process = subprocess.Popen(
            [sys.executable, SCRIPT, address, "P-2", f"k{number}", "1000000"],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        said += [process.stdout.readline().strip() for _ in range(random.integers(1, 30))]
        process.kill()
        said += process.stdout.read().split()
        process.stdout.close()
        process.wait()
        stored = [entry.id for entry in archive.load("P-2").case.entries]
        assert set(said) <= set(stored)
        assert len(stored) <= len(said) + number + 1
    assert len(said) >= KILLS
    assert not verify(archive).findings
