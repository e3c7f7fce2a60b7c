"""Thin bright lines anywhere on a film, followed from their strongest cells without anybody's click.

Where lines cross (a clamp's bow over the shaft of a file) a path over connected cells may turn off. Here a line is followed as
one would with a pencil: from a seed, both ways, a step at a time, along the ray ahead on which the line measure is strongest;
the rays leave the present direction by at most 27 degrees, so that a crossing is passed straight on and short gaps are bridged.
"""

from __future__ import annotations

from math import cos, pi, sin
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["bright_lines", "joined"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

# All of these are our parameters, chosen on synthetic films.
STEP_CELLS = 2.0
RAY_STEPS = 3  # how far ahead a ray looks, in steps
RAYS = tuple(k * pi / 40.0 for k in (0, -1, 1, -2, 2, -4, 4, -6, 6))  # a bend of 1 mm radius turns by 11 degrees a step
STEERING = 0.5  # share of a step's direction in the next one's
GAP_STEPS = 10  # 2 mm: a restoration that touches the shaft, the bow of a clamp across it
MOST_STEPS = 500
SEEDS = 24
LEAST_MM = 6.0  # a shorter line is not offered: a file reaches through crown and root
FOLLOWED = 0.7  # of the least strength: a line is followed rather too far than not to its tip
FADED = 0.1  # of the level that the line had: where a strong line ends, fainter edges beyond are not followed
LOST_STEPS = 3  # after so many steps on no line ...
REGAINED = 0.35  # ... only a line of this share of its level is taken for the same line
# Two lines that point at each other across a clamp or a filling are one shaft, which is straight in the crown.
JOIN_GAP_MM, JOIN_BACK_MM, JOIN_ASIDE_MM, JOIN_TURN = 8.0, 2.5, 0.35, 0.12
JOIN_CUT_MM = (0.0, 1.0, 2.0)  # the last bit of a line may have followed the edge of the metal
SHEER = 2.0  # on a ray a cell counts at most this many times the line so far: a crossing clamp does not draw the line


def bright_lines(strength: Float32, least: float, cell_mm: float) -> list[Float64]:
    """Follow the lines of a strength image, the strongest first.

    Parameters
    ----------
    strength : (M, N) float32
        How much each cell looks like the middle of a bright line (`line_strength`).
    least
        Strength below which there is no line; a seed has three times as much.
    cell_mm
        Size of a cell.

    Returns
    -------
    list of (K, 2) float64
        Cells (row, col) along each line, at steps of two cells; no line is shorter than 6 mm.
    """
    # One seed a component of strong cells, so that a long line is not started on a dozen times.
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (strength > 3.0 * least).astype(np.uint8), connectivity=8
    )
    extent = np.hypot(stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT])
    free = np.ones(strength.shape, np.uint8)
    lines = []
    for label in (1 + np.argsort(-extent)[:SEEDS]) if count > 1 else ():
        if extent[label - 1] * cell_mm < 0.25 * LEAST_MM:
            break
        x, y, w, h = (int(v) for v in stats[label, :4])
        box = np.s_[y : y + h, x : x + w]
        for _ in range(3):  # a component may hold lines that cross
            own = np.where((labels[box] == label) & (free[box] > 0), strength[box], 0.0)
            if int((own > 0.0).sum()) * cell_mm < 0.25 * LEAST_MM:
                break
            k = int(own.argmax())
            seed = (y + k // w, x + k % w)
            line = _follow(strength, seed, least)
            cv2.polylines(free, [np.rint(line[:, ::-1]).astype(np.int32)], False, 0, thickness=11)
            if (len(line) - 1) * STEP_CELLS * cell_mm >= LEAST_MM:
                lines.append(line)
    return lines


def joined(lines: list[Float64], cell_mm: float) -> list[Float64]:
    """Pairs of lines that go on in each other, each as one line with a straight piece between; cells as `bright_lines`."""
    step_mm = STEP_CELLS * cell_mm
    back, cuts = round(JOIN_BACK_MM / step_mm), [round(mm / step_mm) for mm in JOIN_CUT_MM]
    ways = [(k, way, line[::way]) for k, line in enumerate(lines) for way in (1, -1)]
    found = []
    for k, _, one in ways:
        for m, _, other in ways:
            if m <= k:
                continue
            for cut_one in cuts:
                for cut_other in cuts:
                    first, second = one[: len(one) - cut_one], other[cut_other:]
                    if min(len(first), len(second)) <= back:
                        continue
                    gap = second[0] - first[-1]
                    length = float(np.hypot(*gap))
                    ahead, on = first[-1] - first[-1 - back], second[back] - second[0]
                    ahead, on = ahead / np.hypot(*ahead), on / np.hypot(*on)
                    if not 2.0 * STEP_CELLS < length < JOIN_GAP_MM / cell_mm or ahead @ on < 1.0 - 0.5 * JOIN_TURN**2:
                        continue
                    between = ahead + on
                    between = between / np.hypot(*between)
                    aside = max(abs(float(gap[0] * d[1] - gap[1] * d[0])) for d in (ahead, on, between))
                    if gap @ between <= 0.0 or aside > JOIN_ASIDE_MM / cell_mm + 0.03 * length:
                        continue
                    steps = np.arange(1, max(2, round(length / STEP_CELLS)))[:, None] / max(
                        2, round(length / STEP_CELLS)
                    )
                    found.append((aside, k, m, np.concatenate([first, first[-1] + steps * gap, second])))
    # The straightest of the ways in which two lines join.
    best: dict[tuple[int, int], tuple[float, Float64]] = {}
    for aside, k, m, line in found:
        if (k, m) not in best or aside < best[k, m][0]:
            best[k, m] = aside, line
    return [line for _, line in best.values()]


def _follow(strength: Float32, seed: tuple[int, int], least: float) -> Float64:
    """One line through `seed`, both ways."""
    rows, cols = strength.shape
    look: Any = np.ascontiguousarray(strength).data  # five times faster than indexing an array cell by cell

    def ray(row: float, col: float, heading: float, cap: float) -> float:
        step_r, step_c = STEP_CELLS * cos(heading), STEP_CELLS * sin(heading)
        total = 0.0
        for _ in range(RAY_STEPS):
            row, col = row + step_r, col + step_c
            r, c = int(row + 0.5), int(col + 0.5)
            if 0 <= r < rows and 0 <= c < cols:
                total += min(look[r, c], cap)
        return total

    cap = SHEER * look[seed]
    first = max((k * pi / 24.0 for k in range(24)), key=lambda a: ray(*seed, a, cap) + ray(*seed, a + pi, cap))
    halves = []
    for start in (first, first + pi):
        row, col, heading = float(seed[0]), float(seed[1]), start
        level: float = look[seed]
        points, good = [(row, col)], 1
        for _ in range(MOST_STEPS):
            best = max(RAYS, key=lambda turn: ray(row, col, heading + turn, SHEER * level) * (1.0 - 0.3 * abs(turn)))
            # On no line at all the direction is kept: all rays are then alike and the first, straight one is taken.
            heading += STEERING * best
            row, col = (
                row + STEP_CELLS * cos(heading + STEERING * best),
                col + STEP_CELLS * sin(heading + STEERING * best),
            )
            r, c = int(row + 0.5), int(col + 0.5)
            if not (0 <= r < rows and 0 <= c < cols):
                break
            points.append((row, col))
            here: float = look[r, c]
            lost = len(points) - 1 - good
            if here > max(FOLLOWED * least, (FADED if lost < LOST_STEPS else REGAINED) * level):
                good = len(points)
                level += 0.15 * (here - level)
            elif lost >= GAP_STEPS:
                break
        halves.append(points[:good])
    return np.array(halves[0][:0:-1] + halves[1], np.float64)
