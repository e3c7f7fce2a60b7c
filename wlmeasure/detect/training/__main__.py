"""Trains the network for so many seconds and writes weights, ONNX file, log and card to a folder."""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: each process that makes films has one core

SEEDS_A_RUN = 100_000_000
"""Seeds of the films of `--seed` S begin at (S + 1) times this, far from every seed that figures are quoted for."""
EXPORT_S = 12.0
"""Kept of `--seconds` for writing and the ONNX file."""


def main(arguments: list[str] | None = None) -> int:
    """Runs the command; 0 when done."""
    parser = argparse.ArgumentParser(prog="python -m wlmeasure.detect.training", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for weights, ONNX file, log and card")
    parser.add_argument("--seconds", type=float, required=True, help="wall clock of this run, export included")
    parser.add_argument(
        "--planned", type=float, help="seconds of all runs together, over which the learning rate falls"
    )
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2, help="processes that make films")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--resume", type=Path, help="folder of an earlier run to go on from")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--pool", type=int, default=16_000, help="films kept on the GPU, 4.3 MB each")
    parser.add_argument("--least-films", type=int, default=256, help="films before the first step")
    parser.add_argument("--held", type=int, default=96, help="films for the log's figures, never learnt from")
    parser.add_argument("--widths", type=int, nargs=6, default=[16, 32, 64, 96, 128, 160])
    told = "families kept out of training: 'bone cells', 'chain figure', 'tooth ...', 'silver'"
    parser.add_argument("--withhold", nargs="*", default=[], help=told)
    parser.add_argument("--until", type=float, default=0.0, help="seconds of all runs after which nothing is withheld")
    asked = parser.parse_args(arguments)
    begin = time.monotonic()
    from wlmeasure.detect.training.supply import Supply

    asked.out.mkdir(parents=True, exist_ok=True)
    first = (asked.seed + 1) * SEEDS_A_RUN
    if asked.resume is not None:
        first = int(json.loads((asked.resume / "state.json").read_text())["next_seed"])
    card = {
        "seed": asked.seed,
        "withheld": sorted(asked.withhold),
        "commit": _commit(),
        "command": " ".join(sys.argv[1:] if arguments is None else arguments),
    }
    with Supply(first, asked.workers, withheld=frozenset(asked.withhold)) as supply:  # the forks come before torch
        import torch

        from wlmeasure.detect.training.loop import WITHHELD, Plan, train

        torch.manual_seed(asked.seed)
        left = asked.seconds - (time.monotonic() - begin) - EXPORT_S
        earlier = 0.0 if asked.resume is None else json.loads((asked.resume / "state.json").read_text())["trained_s"]
        plan = Plan(
            left, asked.planned or earlier + left, asked.batch, asked.rate, asked.pool, asked.least_films, asked.held,
            tuple(asked.widths), asked.until,
        )  # fmt: skip
        state = train(plan, supply, asked.out, asked.resume, card)
    _export(asked.out, state)
    if (earlier_state := asked.out / WITHHELD / "state.json").exists():
        _export(asked.out / WITHHELD, json.loads(earlier_state.read_text()))
    print(f"done after {time.monotonic() - begin:.0f} s", flush=True)
    return 0


def _export(out: Path, state: dict[str, Any]) -> None:
    import torch

    from wlmeasure.detect.training.export import OPSET, onnx_of
    from wlmeasure.detect.training.loop import LOG
    from wlmeasure.whole_file import write_whole

    weights = torch.load(out / "look.pt", weights_only=True)
    data = onnx_of({k: v.float().numpy() for k, v in weights.items()})
    write_whole(out / "look.onnx", data, private=False)
    card = {
        "schema": "wlmeasure-look/1",
        "sha256": hashlib.sha256(data).hexdigest(),
        "bytes": len(data),
        "opset": OPSET,
        "licence": "BSD-3-Clause",
        "start": "random",
        "tells_periapical": True,
        "training": state,
        "log_sha256": hashlib.sha256(log.read_bytes()).hexdigest() if (log := out / LOG).exists() else None,
    }
    write_whole(out / "look.json", json.dumps(card, indent=1) + "\n", private=False)


def _commit() -> str | None:
    told = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=False)
    return told.stdout.strip() or None


if __name__ == "__main__":
    sys.exit(main())
