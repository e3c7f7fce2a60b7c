"""The training: films arrive, batches of them are changed and learnt from, until the time is up."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path
from typing import Any

import torch
from attrs import asdict, frozen
from torch import Tensor
from torch.nn import functional

from wlmeasure.detect.channels import AREAS, LINES, POINTS, WORKING_PITCH_MM, Channel
from wlmeasure.detect.training.augment import WINDOWS, Batch, batch_of, plain_batch
from wlmeasure.detect.training.films import FRAME
from wlmeasure.detect.training.network import Look, weights_in
from wlmeasure.detect.training.supply import Supply
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.whole_file import whole_file, write_whole

__all__ = ["LOG", "WITHHELD", "Plan", "Pool", "loss_of", "train"]

WARM_UP_STEPS = 300
LEAST_RATE = 0.02
"""Of the highest learning rate, at the end."""
RESTART = 0.5
"""Of the highest learning rate, where it begins to fall for the second time; our parameter."""
RARE = 9.0
"""How much more a pixel on a line or point counts than one beside; our parameter."""
LOG, LOG_STEPS, WITHHELD = "log.jsonl", 100, "withheld"
CHECK_S = 45.0
AVERAGE = 0.999
"""Decay of the averaged weights, which are the ones that are exported."""
WEIGHT = {
    Channel.FILE: 1.0, Channel.TIP: 2.0, Channel.UPPER_END: 2.0, Channel.CANAL: 1.0, Channel.ROOT_END: 2.0,
    Channel.ORIFICE: 1.0, Channel.REFERENCE: 1.0, Channel.ROOT: 0.5, Channel.OUTLINE: 0.5, Channel.FILLING: 0.7,
    Channel.METAL: 0.5,
}  # fmt: skip


@frozen
class Plan:
    """How a run is made. `seconds` is this run's; `planned_s` what all runs together are to take: the rate falls over it.

    With `withheld_s` the rate falls once until then, while the supply withholds; the network of that moment, which has never
    seen what was withheld, is kept in `withheld/`. Then nothing is withheld, and the rate falls again, from half its height
    (warm restarts: Loshchilov and Hutter, SGDR, 2017).
    """

    seconds: float
    planned_s: float
    batch: int = 48
    rate: float = 2e-3
    pool: int = 16_000
    least_films: int = 256
    held: int = 96
    widths: tuple[int, ...] = (16, 32, 64, 96, 128, 160)
    withheld_s: float = 0.0

    def rate_at(self, done_s: float) -> float:
        """Share of the highest rate after so many seconds of all runs."""
        height, share = 1.0, done_s / self.planned_s
        if done_s < self.withheld_s:
            share = done_s / self.withheld_s
        elif self.withheld_s:
            height, share = RESTART, (done_s - self.withheld_s) / max(self.planned_s - self.withheld_s, 1.0)
        return LEAST_RATE + (height - LEAST_RATE) * 0.5 * (1.0 + math.cos(math.pi * min(share, 1.0)))


class Pool:
    """Films on the GPU; the oldest give way when it is full."""

    def __init__(self, room: int, device: torch.device) -> None:
        self.room, self.count, self.device = room, 0, device
        self.greys = torch.zeros(room, *FRAME, dtype=torch.float16, device=device)
        self.distance = torch.zeros(room, len(LINES) + len(POINTS), *FRAME, dtype=torch.uint8, device=device)
        self.bits = torch.zeros(room, *FRAME, dtype=torch.uint8, device=device)
        self.mm_per_px = torch.zeros(room, device=device)
        self.periapical = torch.zeros(room, device=device)
        self.older = torch.zeros(room, device=device)

    def __len__(self) -> int:
        return min(self.count, self.room)

    def add(self, film: Any) -> None:
        """A film that has arrived, copied."""
        k = self.count % self.room
        self.greys[k].copy_(torch.from_numpy(film.greys))
        planes = torch.from_numpy(film.planes)
        self.distance[k].copy_(planes[:-1])
        self.bits[k].copy_(planes[-1])
        self.mm_per_px[k], self.periapical[k] = film.mm_per_px, float(film.periapical)
        self.older[k] = float(film.level in LEVELS and film.level != "real")
        self.count += 1

    def drawn(self, count: int) -> list[Tensor]:
        """Films drawn at random."""
        return self.at(torch.randint(0, len(self), (count,), device=self.device))

    def at(self, index: Tensor) -> list[Tensor]:
        """Films of an index."""
        return [
            self.greys[index], self.distance[index], self.bits[index], self.mm_per_px[index], self.periapical[index],
            self.older[index],
        ]  # fmt: skip


def loss_of(maps: Tensor, film: Tensor, batch: Batch) -> tuple[Tensor, Tensor, Tensor]:
    """The loss, its parts by channel (11,), and by what is said of the film (2,).

    Points and lines by the quality focal loss (Li and others, Generalized Focal Loss, 2020), which is least where the map says
    the bell itself, so that a line ends on the map where it ends; lines and areas by overlap too (Milletari and others, V-Net,
    2016), areas by cross entropy.
    """
    logit = maps.float()
    p = torch.sigmoid(logit)
    t, counts = batch.target, batch.counts
    yes, no = functional.logsigmoid(logit), functional.logsigmoid(-logit)
    thin = [*LINES, *POINTS]
    focal = -(t[:, thin] * yes[:, thin] + (1.0 - t[:, thin]) * no[:, thin]) * (t[:, thin] - p[:, thin]) ** 2
    focal = (focal * (1.0 + RARE * t[:, thin]) * counts[:, thin]).sum((0, 2, 3)) / (
        t[:, thin].sum((0, 2, 3)) + 4.0 * len(t)
    )
    cross = -(t[:, AREAS] * yes[:, AREAS] + (1.0 - t[:, AREAS]) * no[:, AREAS])
    cross = 4.0 * (cross * counts[:, AREAS]).sum((0, 2, 3)) / counts[:, AREAS].sum((0, 2, 3)).clamp_min(1.0)
    wide = [*LINES, *AREAS]
    pw, tw = p[:, wide] * counts[:, wide], t[:, wide] * counts[:, wide]
    both = (pw * tw).sum((2, 3))
    over = 1.0 - (2.0 * both + 5.0) / ((pw * pw).sum((2, 3)) + (tw * tw).sum((2, 3)) + 5.0)
    parts = torch.zeros(len(Channel), device=maps.device)
    parts[thin] = focal
    parts[list(AREAS)] = cross
    parts[wide] = parts[wide] + 0.7 * over.mean(0)
    weight = torch.tensor([WEIGHT[c] for c in Channel], device=maps.device)
    said = film.float().flatten(1)
    kind = functional.binary_cross_entropy_with_logits(said[:, 0], batch.periapical)
    log_var = said[:, 2].clamp(-8.0, 2.0)
    off = (said[:, 1] - batch.log_pitch) ** 2
    size = (0.5 * (off * torch.exp(-log_var) + log_var) * batch.periapical).mean()
    whole = torch.stack([kind, size])
    return (parts * weight).sum() + 0.3 * kind + 0.1 * size, parts.detach(), whole.detach()


def train(plan: Plan, supply: Supply, out: Path, resume: Path | None, card: dict[str, Any]) -> dict[str, Any]:
    """Trains until the time is up and writes what is to go on with; returns the state that the card tells.

    In `out`, and all but the log in its folder `withheld` (see `Plan`): `look.pt` (the averaged weights, those of the product),
    `network.pt` (the weights as they are trained), `moments.pt` (the optimiser's), `state.json`, `log.jsonl`. All but `look.pt`
    are for `resume` alone.
    """
    begin = time.monotonic()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.benchmark = True
    torch.backends.cudnn.benchmark_limit = 3  # the first steps took 40 of 50 seconds with more to choose from
    network = Look(plan.widths).to(device, memory_format=torch.channels_last)
    averaged = Look(plan.widths).to(device, memory_format=torch.channels_last)
    optimiser = torch.optim.AdamW(network.parameters(), lr=plan.rate, weight_decay=1e-4, fused=device.type == "cuda")
    state: dict[str, Any] = {"trained_s": 0.0, "steps": 0, "runs": [], "next_seed": supply.first}
    if resume is not None:
        state = _resumed(resume, network, averaged, optimiser, device)
    else:
        averaged.load_state_dict(network.state_dict())
    print(f"{weights_in(network)} weights on {device}, resumed: {resume is not None}", flush=True)
    pool, held = Pool(plan.pool, device), Pool(plan.held, device)
    seeds = [supply.first, supply.first]
    levels: dict[str, int] = {}
    log = _log(out, resume)
    released = state["trained_s"] >= plan.withheld_s
    if plan.withheld_s and released:
        supply.release()
    checked = logged = time.monotonic()
    sums, since = torch.zeros(len(Channel) + 2, device=device), 0
    while True:
        while (film := supply.next(0.0 if len(pool) >= plan.least_films else 0.5)) is not None:
            (held if held.count < plan.held else pool).add(film)
            levels[film.level] = levels.get(film.level, 0) + 1
            seeds[1] = max(seeds[1], film.seed)
            supply.give_back(film)
        now = time.monotonic()
        if now - begin > plan.seconds:
            break
        if len(pool) < plan.least_films:
            continue
        done_s = state["trained_s"] + (now - begin)
        if not released and done_s >= plan.withheld_s:
            _write(out / WITHHELD, network, averaged, optimiser, state, done_s, seeds, levels, card)
            supply.release()
            released = True
        rate = min(1.0, (state["steps"] + 1) / WARM_UP_STEPS) * plan.rate_at(done_s)
        for group in optimiser.param_groups:
            group["lr"] = plan.rate * rate
        window = WINDOWS[int(torch.randint(0, len(WINDOWS), (1,)))]
        greys, distance, bits, mm, kind, older = pool.drawn(plan.batch)
        with torch.no_grad():
            batch = batch_of(greys, distance, bits, mm, kind, window, older)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            maps, film_said = network(batch.greys.contiguous(memory_format=torch.channels_last))
        loss, parts, whole = loss_of(maps, film_said, batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        state["steps"] += 1
        _average(averaged, network, min(AVERAGE, state["steps"] / (state["steps"] + 30.0)))
        sums += torch.cat([parts, whole])
        since += 1
        if state["steps"] % LOG_STEPS == 0 or now - checked > CHECK_S:
            means = (sums / since).tolist()
            row = {"kind": "train", "s": round(done_s, 1), "step": state["steps"], "films": pool.count}
            row |= {"rate": round(plan.rate * rate, 6), "steps_per_s": round(since / max(now - logged, 1e-6), 2)}
            _say(log, row, means)
            sums.zero_()
            since, logged = 0, now
        if now - checked > CHECK_S and len(held) == plan.held:
            means, right = _checked(averaged, held, plan.batch)
            row = {"kind": "held", "s": round(done_s, 1), "step": state["steps"], "films": pool.count}
            _say(log, row | {"tips": right[0], "root_ends": right[1]}, means)
            _write(out, network, averaged, optimiser, state, done_s, seeds, levels, card)
            checked = logged = time.monotonic()
    done_s = state["trained_s"] + (time.monotonic() - begin)
    state["runs"] = [*state["runs"], {"first_seed": seeds[0], "last_seed": seeds[1], "levels": levels, **asdict(plan)}]
    return _write(out, network, averaged, optimiser, state, done_s, seeds, levels, card)


@torch.no_grad()
def _average(averaged: Look, network: Look, keep: float) -> None:
    own, new = averaged.state_dict(), network.state_dict()
    floats = [k for k, v in own.items() if v.dtype.is_floating_point]
    torch._foreach_lerp_([own[k] for k in floats], [new[k] for k in floats], 1.0 - keep)


@torch.no_grad()
def _checked(network: Look, held: Pool, size: int) -> tuple[list[float], tuple[float, float]]:
    """Loss by channel on films never learnt from; shares of tips and root ends with a peak of 0.3 within 0.3 mm."""
    network.eval()
    total = torch.zeros(len(Channel) + 2, device=held.device)
    counts, rounds = [[0, 0], [0, 0]], 0
    for start in range(0, len(held), size):
        index = torch.arange(start, min(start + size, len(held)), device=held.device)
        batch = plain_batch(*held.at(index)[:5], WORKING_PITCH_MM)
        maps, film = network(batch.greys.contiguous(memory_format=torch.channels_last))
        _, parts, whole = loss_of(maps, film, batch)
        total += torch.cat([parts, whole])
        rounds += 1
        for k, channel in enumerate((Channel.TIP, Channel.ROOT_END)):
            p, t = torch.sigmoid(maps[:, channel].float()), batch.target[:, channel]
            peaks = (functional.max_pool2d(t[:, None], 5, 1, 2)[:, 0] == t) & (t > 0.8)
            near = functional.max_pool2d(p[:, None], 7, 1, 3)[:, 0]
            counts[k][0] += int((near[peaks] > 0.3).sum())
            counts[k][1] += int(peaks.sum())
    network.train()
    shares = [round(a / max(b, 1), 4) for a, b in counts]
    return (total / rounds).tolist(), (shares[0], shares[1])


class _Log:
    """One JSON object a line of figures; it grows over the runs, and stands whole in its file after each."""

    def __init__(self, path: Path, earlier: str = "") -> None:
        self._path, self._lines = path, earlier

    def add(self, row: dict[str, Any]) -> None:
        self._lines += json.dumps(row) + "\n"
        write_whole(self._path, self._lines, private=False)


def _log(out: Path, resume: Path | None) -> _Log:
    found = [folder / LOG for folder in (out, resume) if folder is not None and (folder / LOG).exists()]
    return _Log(out / LOG, found[0].read_text(encoding="utf-8") if found else "")


def _say(log: _Log, row: dict[str, Any], means: list[float]) -> None:
    names = [c.name.lower() for c in Channel] + ["periapical", "pixel_size"]
    log.add(row | {n: round(v, 4) for n, v in zip(names, means, strict=True)})
    told = " ".join(f"{n} {v:.3f}" for n, v in zip(names, means, strict=True))
    print(" ".join(f"{k} {v}" for k, v in row.items()), told, flush=True)


def _write(
    out: Path, network: Look, averaged: Look, optimiser: torch.optim.Optimizer, state: dict[str, Any], done_s: float,
    seeds: list[int], levels: dict[str, int], card: dict[str, Any],
) -> dict[str, Any]:  # fmt: skip
    moments = optimiser.state_dict()["state"]
    kept = {
        "look.pt": {k: v.detach().cpu() for k, v in averaged.state_dict().items()},
        "network.pt": {k: v.detach().cpu() for k, v in network.state_dict().items()},
        "moments.pt": {k: {n: t.detach().cpu() for n, t in v.items()} for k, v in moments.items()},
    }
    out.mkdir(exist_ok=True)
    for name, content in kept.items():
        with whole_file(out / name, private=False) as path:
            torch.save(content, path)
    told = state | {"trained_s": round(done_s, 1), "next_seed": seeds[1] + 1, "films_by_level": levels, **card}
    write_whole(out / "state.json", json.dumps(told, indent=1) + "\n", private=False)
    return told


def _resumed(
    folder: Path, network: Look, averaged: Look, optimiser: torch.optim.Optimizer, device: torch.device
) -> dict[str, Any]:
    network.load_state_dict(torch.load(folder / "network.pt", map_location=device, weights_only=True))
    averaged.load_state_dict(torch.load(folder / "look.pt", map_location=device, weights_only=True))
    groups = optimiser.state_dict()["param_groups"]
    moments = torch.load(folder / "moments.pt", map_location=device, weights_only=True)
    optimiser.load_state_dict({"state": moments, "param_groups": groups})
    state: dict[str, Any] = json.loads((folder / "state.json").read_text())
    return state
