"""What one look proposed, held against the truth of its film: which items are right, which are missed."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.detect.training.labels import CanalLabel, FileLabel, Labels
from wlmeasure.points import polyline_feet

__all__ = [
    "CANAL_MM",
    "END_MM",
    "POINT_MM",
    "Scored",
    "canals_scored",
    "file_right",
    "files_scored",
    "point_hits",
    "visible_canals",
]

Float64 = NDArray[np.float64]

END_MM, CANAL_MM, POINT_MM = 0.3, 0.3, 0.5
FOLLOWED = 0.9
LEAST_VISIBLE_MM = 3.0
"""A canal of which less can be seen is not asked for."""


@frozen
class Scored:
    """Places of what was proposed that are right, and of what is true that was found."""

    right: tuple[bool, ...]
    found: tuple[bool, ...]


def file_right(path_px: Float64, tip_px: Float64 | None, file: FileLabel, pixel: Float64) -> bool:
    """On the file over nine tenths of it, and its tip within `END_MM`; one that is not in the picture is not stated."""
    line = path_px * pixel
    true = file.path_px[:: max(len(file.path_px) // 150, 1)] * pixel
    return float((polyline_feet(true, line).apart <= END_MM).mean()) >= FOLLOWED and _end_right(
        tip_px, file.tip_px, pixel
    )


def _end_right(own_px: Float64 | None, true_px: Float64, pixel: Float64) -> bool:
    if own_px is None or not len(true_px):
        return own_px is None and not len(true_px)
    return float(np.hypot(*((own_px - true_px[0]) * pixel))) <= END_MM


def visible_canals(labels: Labels, pixel: Float64) -> list[CanalLabel]:
    """Canals of which at least `LEAST_VISIBLE_MM` can be seen."""
    kept = []
    for canal in labels.canals:
        seen = canal.path_px[canal.visible]
        if len(seen) > 2 and float(np.hypot(*np.diff(seen * pixel, axis=0).T).sum()) >= LEAST_VISIBLE_MM:
            kept.append(canal)
    return kept


def canal_followed(path_px: Float64, canal: CanalLabel, pixel: Float64) -> float:
    """Share of a true canal's visible length that a path runs along within `CANAL_MM`."""
    true = canal.path_px[canal.visible]
    step = max(len(true) // 120, 1)
    return float((polyline_feet(true[::step] * pixel, path_px * pixel).apart <= CANAL_MM).mean())


def canal_lies_on(path_px: Float64, canal: CanalLabel, pixel: Float64) -> float:
    """Share of a path that lies within `CANAL_MM` of a true canal."""
    step, thinned = max(len(path_px) // 120, 1), max(len(canal.path_px) // 150, 1)
    true = np.vstack([canal.path_px[::thinned], canal.path_px[-1:]])
    return float((polyline_feet(path_px[::step] * pixel, true * pixel).apart <= CANAL_MM).mean())


def canals_scored(paths_px: list[Float64], labels: Labels, pixel: Float64) -> Scored:
    """Canals: a proposed one is right that lies on a true one over nine tenths of itself and follows nine tenths of what of it
    can be seen; a true one is found that a proposed one follows over nine tenths of what of it can be seen."""  # noqa: D209
    wanted = visible_canals(labels, pixel)
    on, follows = np.zeros((len(paths_px), len(labels.canals))), np.zeros((len(paths_px), len(wanted)))
    for k, path in enumerate(paths_px):
        on[k] = [canal_lies_on(path, c, pixel) for c in labels.canals]
        follows[k] = [canal_followed(path, c, pixel) for c in wanted]
    place = {id(c): k for k, c in enumerate(labels.canals)}
    right = []
    for k in range(len(paths_px)):
        lies = {c for c in range(on.shape[1]) if on[k, c] >= FOLLOWED}
        good = any(follows[k, w] >= FOLLOWED and place[id(c)] in lies for w, c in enumerate(wanted))
        # One that nobody asks for, since too little of it can be seen, is none that is wrong.
        unasked = any(labels.canals[c] not in wanted for c in lies)
        right.append(good or unasked)
    found = [bool((follows[:, w] >= FOLLOWED).any()) for w in range(len(wanted))]
    return Scored(tuple(right), tuple(found))


def files_scored(
    files: list[tuple[Float64, Float64 | None, Float64 | None]], labels: Labels, pixel: Float64
) -> tuple[Scored, Scored]:
    """Files (path, upper end, tip), each true one found once: by line and tip, and by the upper end where those are right.

    The second's `right` and `found` are as long as the first's: False where line or tip are wrong.
    """
    hits: list[int | None] = []
    uppers = []
    for path, upper, tip in files:
        free = (k for k, f in enumerate(labels.files) if k not in hits and file_right(path, tip, f, pixel))
        hit = next(free, None)
        hits.append(hit)
        uppers.append(hit is not None and _end_right(upper, labels.files[hit].upper_px, pixel))
    both = {hit for hit, upper in zip(hits, uppers, strict=True) if upper}
    count = range(len(labels.files))
    lines = Scored(tuple(hit is not None for hit in hits), tuple(k in hits for k in count))
    return lines, Scored(tuple(uppers), tuple(k in both for k in count))


def point_hits(points_px: list[Float64], true_px: Float64, pixel: Float64, within_mm: float = POINT_MM) -> Scored:
    """Points, each true one found by the nearest proposed one within reach, one for one; the surest first."""
    taken: set[int] = set()
    right = []
    for point in points_px:
        gaps = np.hypot(*((true_px - point) * pixel).T) if len(true_px) else np.zeros(0)
        for k in taken:
            gaps[k] = np.inf
        k = int(gaps.argmin()) if len(gaps) else -1
        hit = k >= 0 and float(gaps[k]) <= within_mm
        right.append(hit)
        taken |= {k} if hit else set()
    return Scored(tuple(right), tuple(k in taken for k in range(len(true_px))))
