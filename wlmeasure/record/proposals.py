"""What one look at a film proposes, as items of the case file, and why one of them is not to be relied on."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wlmeasure.detect.look import TRUSTED, Look, SeenCanal, SeenFile, SeenPoint, SeenRoot
from wlmeasure.record.case import ProposedItem

__all__ = ["Doubted", "is_calibrated", "proposed_items"]

Doubted = tuple[ProposedItem, tuple[str, ...]]
"""An item, and the reasons why it is not trusted; none where it is."""

DIGITS = 3
"""Decimals of a pixel that are kept: a thousandth is far below what any of it is known to."""


def is_calibrated(look: Look) -> bool:
    """Whether its probabilities were fitted to films of known truth."""
    return all(flag.code != "network-not-calibrated" for flag in look.flags)


def proposed_items(look: Look, model_sha256: str) -> tuple[Doubted, ...]:
    """Every item of a look in the order files, canals, root ends, orifices, reference points; a file's ends after the file.

    Parameters
    ----------
    look
        What was seen.
    model_sha256
        SHA-256 of the network's weights, in hexadecimal.
    """
    film = tuple(_film_doubts(look))
    said: dict[str, Any] = {"model": look.model.partition("/")[0], "model_sha256": model_sha256}
    made: list[Doubted] = []

    def add(kind: str, label: str, points: NDArray[np.float64], seen: Any, chance: float, **more: Any) -> None:
        own = [] if chance >= TRUSTED else [f"probability below {TRUSTED:g}"]
        own += more.pop("doubts", ())
        doubts = (*film, *own)
        if not seen.trusted and not doubts:  # whatever else the look holds against it
            doubts = ("not trusted by the network's own rules",)
        at: Any = np.round(np.atleast_2d(points), DIGITS)
        item = ProposedItem(
            kind=kind, label=label, points_px=at, probability=min(max(chance, 0.0), 1.0), trusted=not doubts, **more, **said
        )  # fmt: skip
        made.append((item, doubts))

    for file in sorted(look.files, key=_number):
        _add_file(add, file)
    for canal in sorted(look.canals, key=_number):
        root = None if canal.root is None else f"root end {canal.root + 1}"
        add(
            "canal", canal.label, canal.path_px, canal, canal.probability, of=root, tooth_number=canal.tooth,
            begins=_seen(canal.orifice_seen), ends=_seen(canal.end_seen),
        )  # fmt: skip
    points: list[tuple[str, SeenRoot | SeenPoint, NDArray[np.float64]]] = [
        *(("root end", root, root.end_px) for root in look.roots),
        *(("orifice", one, one.at_px) for one in look.orifices),
        *(("reference point", one, one.at_px) for one in look.references),
    ]
    number: dict[str, int] = {}
    for kind, one, at in points:
        number[kind] = number.get(kind, 0) + 1
        add(kind, f"{kind} {number[kind]}", at, one, one.probability, tooth_number=one.tooth)
    return tuple(made)


def _number(one: SeenFile | SeenCanal) -> int:
    return int(one.label.rpartition(" ")[2])


def _add_file(add: Any, file: SeenFile) -> None:
    """A file, and each of its ends that is in the picture: what is said of the upper end has a probability of its own."""
    upper = "out of the picture" if file.leaves_picture else _seen(file.upper_px is not None)
    unseen = [] if file.tip_px is not None else ["its tip is not seen"]
    if upper == "not seen":
        unseen.append("its upper end is not seen")
    if file.upper_probability < TRUSTED:
        unseen.append("its upper end is not sure")
    add(
        "file", file.label, file.path_px, file, file.probability, of=file.canal, begins=upper,
        ends=_seen(file.tip_px is not None), doubts=unseen,
    )  # fmt: skip
    name = file.label.removeprefix("file ")
    if file.upper_px is not None:
        add(
            "upper end", f"upper end {name}", file.upper_px, file, file.upper_probability, of=file.label,
            std_px=_finite(file.upper_std_px), doubts=[] if file.trusted else ["its file is not trusted"],
        )  # fmt: skip
    if file.tip_px is not None:
        add(
            "tip", f"tip {name}", file.tip_px, file, file.probability, of=file.label,
            std_px=_finite(file.tip_std_px), doubts=[] if file.trusted else ["its file is not trusted"],
        )  # fmt: skip


def _film_doubts(look: Look) -> Iterator[str]:
    reasons = {
        "not-periapical": "the picture is no periapical film as far as can be seen",
        "network-not-calibrated": "the network's probabilities were not fitted to films of known truth",
        "film-unlike-training": "the film is unlike those that the network has learnt from",
    }
    return (reasons[flag.code] for flag in look.flags if flag.code in reasons)


def _seen(is_seen: bool) -> str:
    return "seen" if is_seen else "not seen"


def _finite(value: float) -> float | None:
    return round(value, DIGITS) if isfinite(value) and value <= 1000.0 else None
