"""A film of the training set from its seed: drawn, scaled as the network will see it, its labels beside it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.detect.prepare import scaled_greys
from wlmeasure.detect.training.labels import Labels, draw, labels_of
from wlmeasure.detect.training.others import photograph
from wlmeasure.errors import PhantomError
from wlmeasure.phantom.make import Phantom, Sitting, set_up
from wlmeasure.phantom.options import THINGS

__all__ = ["FRAME", "Film", "families", "film_of", "framed", "labelled"]

FRAME = (720, 544)
"""Rows and columns of the pool's films; a shorter film lies in the upper left, one on its side is stood up."""
POOL_PITCH_MM = 0.05
OLDER_SHARE = 0.2
"""Share of films of the levels before "real"."""
PERIAPICAL, OTHERS = "periapical", {"bitewing": 0.4, "panoramic": 0.4, "photograph": 0.2}
OTHER_SHARE = 0.06
"""Share of pictures that are no periapical films, and the shares of their kinds."""
SENSOR_SHARE = 0.06
"""Share of films of level "real" with pixels as small as sensors have: four times the work."""
SENSORS_MM = ((30.0, 20.0), (33.0, 24.0), (36.0, 26.0), (30.0, 22.0), (40.0, 30.0))
"""Sides of a film's picture; usual sensors and films are 30 x 20 to 41 x 31 mm (from memory)."""
SIZES_PX = ((600, 400), (620, 460), (700, 520), (640, 500))
OLDER = ("clear", "typical", "typical", "faint", "hard", "hard")
FILE_SIZES_MM = (0.06, 0.08, 0.10, 0.10, 0.15, 0.15, 0.20, 0.25, 0.30, 0.40)


@frozen(eq=False)
class Film:
    """One film of the pool: greys (rows, cols) float16 and the raster of its labels, all of the size `FRAME`."""

    seed: int
    level: str
    greys: NDArray[np.float16]
    distance: NDArray[np.uint8]
    bits: NDArray[np.uint8]
    mm_per_px: float
    periapical: bool


def _older(rng: np.random.Generator) -> tuple[str, dict[str, Any]]:
    """Level and options of a film of the older levels."""
    level = OLDER[rng.integers(len(OLDER))]
    pitch = float(rng.uniform(0.048, 0.058))
    wish: dict[str, Any] = {
        "size_px": SIZES_PX[rng.integers(len(SIZES_PX))],
        "spacing_mm": (pitch, pitch),
        "ramp_mm": float(rng.choice([0.0, 1.5, 3.0])),
    }
    kind = rng.random()
    if kind < 0.65:
        wish["file_size_mm"] = float(rng.choice(FILE_SIZES_MM))
        wish["tip_short_mm"] = float(abs(rng.normal(0.0, 1.2)))
        wish["stop_in_view"] = bool(rng.random() < 0.6)
    else:
        wish["file"] = False
        if kind > 0.82:
            wish["filling"] = float(abs(rng.normal(0.5, 0.8)))
    if rng.random() < 0.3:
        wish["cap"] = True
    elif rng.random() < 0.4:
        wish["restoration"] = True
    wish["clamp"] = bool(rng.random() < 0.3)
    if rng.random() < 0.4:
        wish["texture"] = float(rng.uniform(0.0, 0.07))
    return level, wish


def _real(rng: np.random.Generator) -> dict[str, Any]:
    """Options of a film of level "real": most at the pool's own pixel size, some at a size that sensors have."""
    sensor = rng.random() < SENSOR_SHARE
    pitch = float(rng.uniform(0.024, 0.04) if sensor else rng.uniform(0.048, 0.058))
    tall, wide = SENSORS_MM[rng.integers(len(SENSORS_MM))]
    sides = (round(tall / pitch), round(wide / pitch))
    return {"size_px": sides, "spacing_mm": (pitch, pitch), "sideways": False}


def families(sitting: Sitting) -> frozenset[str]:
    """Families that a film of level "real" is of, before it is made: its bone, its software's chain, teeth and fillings."""
    names: set[str] = set()
    if sitting.chain is not None:
        names.add(f"chain {sitting.chain.kind}")
    if sitting.mouth is not None:
        names |= {f"tooth {tooth.kind}" for tooth in sitting.mouth.teeth}
        names |= {f"filling {one.material}" for tooth in sitting.mouth.teeth for one in tooth.scene.fillings}
        if sitting.mouth.jaw is not None:
            names.add(f"bone {sitting.mouth.jaw.facts()['pattern']}")
    return frozenset(names)


def labelled(
    seed: int, level: str, options: dict[str, Any], withheld: frozenset[str] = frozenset()
) -> tuple[Phantom, Labels] | None:
    """A phantom and its labels; None where it is of a family that is `withheld`. Raises as `make_phantom`."""
    sitting = set_up(seed, level, options)
    if families(sitting) & withheld:
        return None
    phantom = sitting.first_film()
    return phantom, labels_of(sitting, phantom)


def film_of(seed: int, withheld: frozenset[str] = frozenset()) -> Film | None:
    """The film of a seed, the same every time.

    None where its draw cannot be made (a tooth larger than the picture), and of a family that is withheld. What is withheld of
    `THINGS` is not drawn.
    """
    rng = np.random.default_rng([seed, 16])
    older = rng.random() < OLDER_SHARE
    kind = PERIAPICAL if rng.random() >= OTHER_SHARE else str(rng.choice(list(OTHERS), p=list(OTHERS.values())))
    if kind == "photograph":
        return _photograph(seed, rng)
    level, wish = _older(rng)
    if not older or kind != PERIAPICAL:
        level, wish = "real", _real(rng) | {"picture": kind}
        if kind == "panoramic":
            wish.pop("spacing_mm")
            wish.pop("size_px")
        wish["leave_out"] = tuple(sorted(withheld & set(THINGS)))
    try:
        made = labelled(seed, level, wish, withheld)
    except PhantomError:
        if level == "real":
            return None
        wish.pop("tip_short_mm", None)
        try:
            made = labelled(seed, level, wish, withheld)
        except PhantomError:
            return None
    if made is None:
        return None
    phantom, labels = made
    if kind != PERIAPICAL:
        level, labels = kind, evolve(labels, periapical=False)
    return framed(seed, level, scaled_greys(phantom.image.astype(np.float32)), labels)


def _photograph(seed: int, rng: np.random.Generator) -> Film:
    greys = photograph(rng)
    none, nothing = np.zeros((0, 2)), np.zeros(greys.shape, np.bool_)
    empty = Labels(
        (), (), none, none, none, nothing, nothing, nothing, nothing, POOL_PITCH_MM, periapical=False
    )  # fmt: skip
    return framed(seed, "photograph", greys, empty)


def framed(seed: int, level: str, greys: NDArray[np.float32], labels: Labels) -> Film:
    """A film and its labels in the pool's frame, at about `POOL_PITCH_MM`."""
    tall = max(greys.shape), min(greys.shape)
    by = min(1.0, labels.mm_per_px / POOL_PITCH_MM, FRAME[0] / tall[0], FRAME[1] / tall[1])
    if by < 0.97 or tall[0] > FRAME[0] or tall[1] > FRAME[1]:
        shape = max(round(greys.shape[0] * by), 1), max(round(greys.shape[1] * by), 1)
        labels = labels.scaled((shape[0] / greys.shape[0], shape[1] / greys.shape[1]), shape)
        greys = cv2.resize(greys, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32)
    raster = draw(labels)
    distance, bits = raster.distance, raster.bits
    if greys.shape[1] > greys.shape[0]:
        greys, bits = np.rot90(greys), np.rot90(bits)
        distance = np.rot90(distance, axes=(1, 2))
    rows, cols = greys.shape
    whole = np.zeros(FRAME, np.float16)
    whole[:rows, :cols] = greys
    away = np.full((len(distance), *FRAME), 255, np.uint8)
    away[:, :rows, :cols] = distance
    inside = np.zeros(FRAME, np.uint8)
    inside[:rows, :cols] = bits
    return Film(seed, level, whole, away, inside, labels.mm_per_px, labels.periapical)
