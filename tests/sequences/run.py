"""Many walks: ``python -m tests.sequences.run --count 2000 --steps 40 [--first SEED] [--workers N] [--read-back]``.

Prints how many walks and steps were taken and refused, and every walk that failed; ends with 1 where there is one.
"""

import argparse
import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.sequences.walk import Walk


def one(seed: int, steps: int, read_back: bool) -> tuple[int, int, int, str]:
    with tempfile.TemporaryDirectory() as folder:
        os.environ["WLMEASURE_DRAFTS"] = str(Path(folder) / "drafts")
        try:
            walk = Walk(seed, Path(folder))
            walk.walk(steps)
            if read_back:
                from tests.share.every_output import check

                held = {name: canal.decision() for name, canal in walk.case.canals.items()}
                decided = {name: None if one is None else one[1] for name, one in held.items()}
                check(walk.session.result, Path(folder), decided=decided)
        except Exception as error:
            import traceback

            return seed, 0, 0, f"{error}\n{traceback.format_exc(limit=-3)}"
        return seed, len(walk.taken), walk.refused, ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--steps", type=int, default=40)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--read-back", action="store_true", help="also every output at the end of each walk")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.count)
    taken = refused = failed = 0
    with ProcessPoolExecutor(given.workers) as pool:
        for seed, steps, no, fault in pool.map(
            one, seeds, [given.steps] * given.count, [given.read_back] * given.count, chunksize=4
        ):
            taken, refused = taken + steps, refused + no
            if fault:
                failed += 1
                print(f"FAILED seed {seed}: {fault}", flush=True)
    print(
        f"{given.count} walks of {given.steps} steps: {taken} steps taken, {refused} of them refused, {failed} walks failed"
    )
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
