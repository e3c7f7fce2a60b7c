"""Many films through `wlmeasure propose`: killed and gone on with, on a Dask cluster, beside its network's bare forward passes.

    python tests/bench/propose_many.py [--films N] [--first SEED] [--workers N] [--kills N] [--seed S] [--scheduler ADDRESS]

The films are phantoms of levels "typical", "hard" and "real" in turn, written once. They are looked at

- by **one** process, whose tables, case files and pictures are what the others are compared with, byte for byte;
- by **several** (`--workers`), whose whole process group is killed (SIGKILL) so many times (`--kills`), each time at a moment
  drawn from `--seed`, and which then goes on to the end;
- by several without a kill, for the speed;
- by a **cluster**: the one at `--scheduler`, or one of this computer of as many workers, one of which is killed on the way.

**Bare** is the least that any of it can cost: the film read and given to the network, one forward pass, nothing written. It is
run in one process of one thread. Films a minute count by the wall, CPU seconds a film by the processor; on a computer that does
other work as well the second is the one to go by.
"""

# ruff: noqa: E402 - the thread limits come before numpy

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import cv2
import numpy as np
from attrs import frozen

from wlmeasure.detect.network import shipped_network
from wlmeasure.detect.prepare import prepared
from wlmeasure.detect.training.trials import film
from wlmeasure.image.reading import read

ROOT = Path(__file__).resolve().parents[2]
LEVELS = ("typical", "hard", "real")
POLL_S = 0.02
OF_THE_RUN = ("films.csv", "items.csv", "columns.csv", "cases", "pictures")


@frozen
class Cost:
    """Seconds by the wall and by the processor (of all processes) of so many films."""

    name: str
    films: int
    wall_s: float
    cpu_s: float
    note: str = ""

    def line(self, bare: Cost) -> str:
        rate, each = 60.0 * self.films / self.wall_s, self.cpu_s / self.films
        ratio = each / (bare.cpu_s / bare.films)
        return f"{self.name:<34} {rate:8.1f} {self.wall_s:8.1f} {each:10.3f} {ratio:10.2f}   {self.note}".rstrip()


def make_films(folder: Path, count: int, first: int) -> float:
    """Write so many films; returns the CPU seconds it took. A seed whose tooth is larger than the picture is passed over."""
    begin, seed, made = time.process_time(), first, 0
    folder.mkdir(parents=True, exist_ok=True)
    while made < count:
        level = LEVELS[made % len(LEVELS)]
        phantom = film(seed, level)
        if phantom is not None:
            (folder / f"{made:04d}_{level}.png").write_bytes(cv2.imencode(".png", phantom[0].image)[1].tobytes())
            made += 1
        seed += 1
    return time.process_time() - begin


def bare(films: Path) -> Cost:
    """Reading, scaling and one forward pass a film."""
    cv2.setNumThreads(1)
    network = shipped_network()
    names = sorted(films.iterdir())
    network.run(prepared(read(names[0]), None))  # the network is loaded
    wall, cpu = time.perf_counter(), time.process_time()
    for name in names:
        network.run(prepared(read(name), None))
    return Cost("bare forward passes", len(names), time.perf_counter() - wall, time.process_time() - cpu)


def begun(films: Path, out: Path, *options: str) -> subprocess.Popen[bytes]:
    """The command in a process group of its own."""
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    command = [
        sys.executable,
        "-m",
        "wlmeasure.cli",
        "propose",
        str(films),
        "--out",
        str(out),
        "--tooth",
        "46",
        *options,
    ]
    return subprocess.Popen(
        command, env=os.environ | {"PYTHONPATH": path}, stdout=subprocess.DEVNULL, start_new_session=True
    )


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def whole(name: str, films: Path, out: Path, *options: str) -> Cost:
    """The command run to its end."""
    wall, cpu = time.perf_counter(), _children_s()
    if begun(films, out, *options).wait():
        raise SystemExit(f"{name}: the command failed")
    return Cost(name, len(list(films.iterdir())), time.perf_counter() - wall, _children_s() - cpu)


def finished(out: Path) -> int:
    """How many films the journal has."""
    return len(list((out / ".journal").glob("*.json")))


def group_of(leader: int) -> list[int]:
    """Processes of a group that are still there (Linux), those that ended and wait to be asked for left out."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == leader and fields[0] != "Z":
            found.append(int(entry.name))
    return found


def killed(films: Path, out: Path, rng: np.random.Generator, count: int, *options: str) -> list[int]:
    """Begin, and kill the group at a drawn moment: after so many films and so long; says how many were finished each time."""
    total, kept = len(list(films.iterdir())), []
    for k in range(count):
        low = finished(out)
        after = low + int(rng.integers(0, max((total - low) // (count - k + 1), 1) * 2))
        late = float(rng.uniform(0.0, 1.5))
        process = begun(films, out, *options)
        while finished(out) < min(after, total - 1) and process.poll() is None:
            time.sleep(POLL_S)
        time.sleep(late)
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        while group_of(process.pid):
            time.sleep(POLL_S)
        kept.append(finished(out))
    return kept


def digests(out: Path) -> dict[str, str]:
    """Hash of every file of a run by its name; the journal, which no one reads, left out."""
    files = [
        path for name in OF_THE_RUN for path in ([out / name] if (out / name).is_file() else (out / name).rglob("*"))
    ]
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
        if path.is_file()
    }


def compared(name: str, out: Path, wanted: dict[str, str]) -> int:
    """Say how many files are the same; returns how many are not."""
    found = digests(out)
    bad = sorted(key for key in wanted.keys() | found.keys() if wanted.get(key) != found.get(key))
    every = [path for path in out.rglob("*") if path.is_file() and path.relative_to(out).as_posix() not in found]
    left = [path.name for path in every if path.parent.name != ".journal" or path.suffix != ".json"]
    said = "all the same" if not bad else f"{len(bad)} DIFFER, the first {bad[0]}"
    print(f"{name}: {len(found)} files (tables, case files, pictures), {said}; {len(left)} left over", *left[:3])
    return len(bad) + len(left)


@contextmanager
def cluster(address: str | None, workers: int, folder: Path) -> Iterator[tuple[str, list[int]]]:
    """Address of a scheduler, and the processes of its workers where it is ours."""
    if address is not None:
        yield address, []
        return
    from distributed import LocalCluster

    options = {"n_workers": workers, "threads_per_worker": 1, "host": "127.0.0.1", "dashboard_address": ":0"}
    with LocalCluster(processes=True, local_directory=str(folder), **options) as made:
        yield made.scheduler_address, [worker.pid for worker in made.workers.values()]


def by_cluster(
    films: Path, out: Path, address: str | None, workers: int, folder: Path, rng: np.random.Generator
) -> Cost:
    """The command with a scheduler; one worker of a cluster of ours is killed when some films are done."""
    count, cpu = len(list(films.iterdir())), _children_s()
    with cluster(address, workers, folder) as (scheduler, processes):
        wall = time.perf_counter()
        process = begun(films, out, "--scheduler", scheduler)
        note = "another's cluster, whose own CPU is not counted"
        if processes:
            after = int(rng.integers(1, max(count // 2, 2)))
            while finished(out) < after and process.poll() is None:
                time.sleep(POLL_S)
            os.kill(processes[0], signal.SIGKILL)
            note = f"one worker killed with {finished(out)} films finished; the workers' start counts"
        if process.wait():
            raise SystemExit("cluster: the command failed")
        took = time.perf_counter() - wall
    return Cost("propose, cluster", count, took, _children_s() - cpu, note)


def main() -> int:
    """Run everything; 1 where a file differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--films", type=int, default=100)
    parser.add_argument("--first", type=int, default=95000, help="first seed of the films")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--kills", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1, help="of the moments of the kills")
    parser.add_argument("--scheduler", help="address of a Dask scheduler that is there")
    parser.add_argument("--no-cluster", action="store_true")
    said = parser.parse_args()
    rng = np.random.default_rng(said.seed)
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        films = folder / "films"
        took = make_films(films, said.films, said.first)
        print(f"{said.films} films, levels {', '.join(LEVELS)}, seeds from {said.first} on ({took:.0f} s CPU to make)")
        several = ("--workers", str(said.workers))
        costs = [bare(films), whole("propose, one process", films, folder / "one")]
        wanted = digests(folder / "one")
        costs.append(whole(f"propose, {said.workers} processes", films, folder / "several", *several))
        bad += compared(f"{said.workers} processes", folder / "several", wanted)
        kept = killed(films, folder / "killed", rng, said.kills, *several)
        rest = whole("rest", films, folder / "killed", *several)
        bad += compared(
            f"{said.workers} processes, group killed with {', '.join(map(str, kept))} films finished, gone on",
            folder / "killed", wanted,
        )  # fmt: skip
        again = whole("again", films, folder / "killed")
        print(f"the rest took {rest.wall_s:.1f} s; a run with nothing left to do {again.wall_s:.1f} s")
        bad += compared("run again", folder / "killed", wanted)
        if not said.no_cluster:
            own = folder / "dask"
            costs.append(by_cluster(films, folder / "cluster", said.scheduler, said.workers, own, rng))
            bad += compared("cluster", folder / "cluster", wanted)
        print(f"{'':<34} {'films/min':>9} {'wall, s':>7} {'CPU s/film':>10} {'x bare':>10}")
        for cost in costs:
            print(cost.line(costs[0]))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
