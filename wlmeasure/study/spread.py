"""One function over many jobs: in this process, in several of this computer, or on a Dask cluster that is there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Protocol, TypeVar

from wlmeasure.errors import ShareError

__all__ = ["check_workers", "spread"]

Job = TypeVar("Job")
Made = TypeVar("Made", covariant=True)
Given = TypeVar("Given", contravariant=True)

SCHEDULER_S = 10.0  # seconds that a scheduler has to answer
AHEAD = 2  # jobs that wait for each worker


class Work(Protocol[Given, Made]):
    """A function that can be sent to another process; `processes` is how many share the computer that it runs on."""

    def __call__(self, job: Given, /, *, processes: int) -> Made: ...


def check_workers(workers: int) -> None:
    """Refuse a number of processes that is none (ShareError)."""
    if isinstance(workers, bool) or not isinstance(workers, int) or not 1 <= workers <= 1024:
        raise ShareError(f"workers must be 1 to 1024: {workers!r}")


def spread(
    work: Work[Job, Made], jobs: Sequence[Job], *, workers: int = 1, scheduler: str | None = None
) -> Iterator[tuple[Job, Made]]:
    """Every job with what came of it, as they are finished; few are under way at a time.

    Raises
    ------
    ShareError
        A worker that was killed, a cluster that is not there; and whatever `work` raises.
    """
    if not jobs:
        return
    if scheduler is not None:
        yield from _by_cluster(work, jobs, scheduler)
    elif workers == 1 or len(jobs) == 1:
        for job in jobs:
            yield job, work(job, processes=1)
    else:
        yield from _by_processes(work, jobs, min(workers, len(jobs)))


def _by_processes(work: Work[Job, Made], jobs: Sequence[Job], workers: int) -> Iterator[tuple[Job, Made]]:
    from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    queue = iter(jobs)
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_end_with_parent)
    try:
        running: dict[Any, Job] = {}
        while True:
            while len(running) < AHEAD * workers and (job := next(queue, None)) is not None:
                running[pool.submit(work, job, processes=workers)] = job
            if not running:
                return
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                yield running.pop(future), future.result()
    except BrokenProcessPool:
        raise ShareError(
            "workers must not be killed: one was, perhaps for want of memory; run the same command again with fewer of them, "
            "what is finished is kept"
        ) from None
    finally:
        pool.shutdown(cancel_futures=True)


def _end_with_parent() -> None:
    """Ends this process when the one that started it is gone: killed, it can tell nobody, and workers would wait for ever."""
    import os
    from multiprocessing import parent_process
    from multiprocessing.connection import wait
    from threading import Thread

    parent = parent_process()

    def watch() -> None:
        assert parent is not None
        wait([parent.sentinel])
        os._exit(1)

    Thread(target=watch, daemon=True).start()


def _by_cluster(work: Work[Job, Made], jobs: Sequence[Job], scheduler: str) -> Iterator[tuple[Job, Made]]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise ShareError(
            '--scheduler needs an extra that is not installed: run pip install "wlmeasure[cluster]"'
        ) from None
    try:
        client = Client(scheduler, timeout=SCHEDULER_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise ShareError(
            f"--scheduler must be the address of a Dask scheduler that runs: {scheduler!r} ({error})"
        ) from None
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise ShareError(f"--scheduler must have workers: {scheduler!r} has none; start some")
        queue = iter(jobs)
        running: dict[Any, Job] = {}

        def submit(job: Job) -> Any:
            future = client.submit(work, job, processes=threads, pure=False, retries=2)
            running[future.key] = job
            return future

        first = [submit(job) for _, job in zip(range(AHEAD * threads), queue, strict=False)]
        finished = as_completed(first)
        for future in finished:
            made = future.result()
            job = running.pop(future.key)
            future.release()
            after = next(queue, None)
            if after is not None:
                finished.add(submit(after))
            yield job, made
