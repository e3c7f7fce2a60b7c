"""Items of an exercise drawn from phantoms: films, what is told of them, and what is true."""

from __future__ import annotations

import hashlib
from typing import Any

import cv2
import numpy as np
from attrs import evolve
from numpy.typing import NDArray

from wlmeasure.errors import LearnError
from wlmeasure.learn.exercise import (
    SHORT_MM,
    Given,
    Item,
    ItemTruth,
    SecondFilm,
    SecondTruth,
    Space,
    TakenReading,
    film_mm,
)
from wlmeasure.learn.parallax import film_length_mm, moved_mm
from wlmeasure.phantom.make import Phantom, make_phantom
from wlmeasure.phantom.truth import CanalTruth
from wlmeasure.phantom.views import make_views

__all__ = ["phantom_item", "shifted_item"]

Float64 = NDArray[np.float64]

SPACING_SHARE, READING_SHARE, OWN_FILE_SHARE = 0.3, 0.4, 0.6
"""Films without a file, whose magnification is told instead; films with a reading; files in the canal asked for. Ours."""
READING_STD_MM = 0.2
"""How far a reading is off, one standard deviation; near the spread published for good devices (from memory)."""
PAIR_SHARE, UNTOLD_SHARE = 0.7, 0.2
"""Shifted items with two canals in one root, and those of them whose tube shift is not told. Ours."""
SHIFTS_DEG = (20.0, 25.0, 30.0)
"""Nominal shifts that are drawn from; common practice (20 to 30 degrees)."""
TEETH = {
    ("incisor", True): "11", ("incisor", False): "41", ("premolar", True): "14", ("premolar", False): "44",
    ("molar", True): "16", ("molar", False): "46",
}  # fmt: skip
"""What a phantom of each kind is called; a film tells no side, so it is always the right one."""
REFERENCE_WORDS = "the level of the cusps or the incisal edge, straight on from the canal's first part"


def phantom_item(rng: np.random.Generator, name: str, level: str) -> tuple[Item, ItemTruth, dict[str, bytes]]:
    """One film with the canal asked for, its truth, and the film's bytes by name."""
    roots = int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))
    asked = int(rng.integers(roots))
    with_file = bool(rng.random() >= SPACING_SHARE)
    own, other = bool(rng.random() < OWN_FILE_SHARE), int(rng.integers(roots))
    reads, mark, off = bool(rng.random() < READING_SHARE), str(rng.choice(["foramen", "constriction"])), rng.normal()
    phantom = make_phantom(
        int(rng.integers(2**31)), level, roots=roots, canals=roots, file=with_file, cap=False,
        file_canal=asked if own or not with_file else other,
    )  # fmt: skip
    data = _png(phantom)
    canal = phantom.truth.canals[asked]
    at_mark = canal.total_mm - (SHORT_MM if mark == "constriction" else 0.0)
    reading = TakenReading(length_mm=round(at_mark + READING_STD_MM * off, 1), mark=mark) if reads else None
    rows, cols = phantom.image.shape
    item = Item(
        film=name, sha256=hashlib.sha256(data).hexdigest(), rows=rows, cols=cols, canal=canal.name,
        tooth=TEETH[phantom.truth.facts["tooth"]["kind"], phantom.truth.facts["geometry"]["upper"]],
        where=_where(phantom, asked), reference_point=REFERENCE_WORDS, scale=_given(phantom, canal), reading=reading,
    )  # fmt: skip
    return item, _truth(name, phantom, canal), {name: data}


def shifted_item(
    rng: np.random.Generator, names: tuple[str, str], level: str
) -> tuple[Item, ItemTruth, dict[str, bytes]]:
    """Two films of one tooth, the tube shifted on the second; both films' bytes by name.

    Where the root asked for holds two canals, one of them holds the file, and it is asked on which side of the other it lies.
    """
    pair = bool(rng.random() < PAIR_SHARE)
    roots = int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))
    asked, held = (0, int(rng.integers(2))) if pair else (int(rng.integers(roots)), None)
    shift = float(rng.choice(SHIFTS_DEG) * rng.choice([-1.0, 1.0]))
    told = bool(rng.random() >= UNTOLD_SHARE) or not pair
    with_file = pair or bool(rng.random() >= SPACING_SHARE)
    index = asked if held is None else held
    films = make_views(
        int(rng.integers(2**31)), level, shifts_deg=(0.0, shift), roots=roots, canals=roots + int(pair), file=with_file,
        cap=False, confluent=False, file_canal=index,
    )  # fmt: skip
    first, second = films
    canal, again = (film.truth.canals[index] for film in films)
    item, truth = _first_of_pair(names[0], first, canal, index)
    facts = second.truth.facts["shift"]
    data = {name: _png(film) for name, film in zip(names, films, strict=True)}
    shifted = SecondFilm(
        film=names[1],
        sha256=hashlib.sha256(data[names[1]]).hexdigest(),
        rows=second.image.shape[0],
        cols=second.image.shape[1],
        scale=_given(second, again),
        shift_deg=abs(shift),
        mesial_to=facts["mesial_to"],
        tube=facts["direction"] if told else None,
        asks_side=pair,
    )
    item = evolve(item, sha256=hashlib.sha256(data[names[0]]).hexdigest(), second_film=shifted)
    known = _second_truth(names[1], second, again, facts)
    lengths = film_length_mm(item, truth), film_length_mm(shifted, known)
    assert lengths[0] is not None
    assert lengths[1] is not None
    known = evolve(known, difference_mm=round(lengths[1] - lengths[0], 4))
    if pair:
        other = [film.truth.canals[1 - index] for film in films]
        own = [canal, again]
        scales = film_mm(item, truth), film_mm(shifted, known)
        assert scales[0] is not None
        assert scales[1] is not None
        moved = moved_mm(
            (canal.points_mm, other[0].points_mm),
            ((own[0].path_px, other[0].path_px), (own[1].path_px, other[1].path_px)),
            (scales[0], scales[1]),
            facts["mesial_to"],
        )
        buccal = float(canal.points_mm[:, 1].mean()) > float(other[0].points_mm[:, 1].mean())
        known = evolve(
            known,
            side="buccal" if buccal else "lingual",
            moved_mm=round(moved, 4),
            other_first_px=_rows(other[0].path_px[::4], 3),
            other_px=_rows(other[1].path_px[::4], 3),
        )
    return item, evolve(truth, second=known), data


def _first_of_pair(name: str, first: Phantom, canal: CanalTruth, index: int) -> tuple[Item, ItemTruth]:
    tooth = TEETH[first.truth.facts["tooth"]["kind"], first.truth.facts["geometry"]["upper"]]
    if (
        first.truth.facts["shift"]["mesial_to"] == "left"
    ):  # seen from outside the mouth that is the left side of the jaw
        tooth = {"1": "2", "4": "3"}[tooth[0]] + tooth[1]
    rows, cols = first.image.shape
    item = Item(
        film=name, sha256="0" * 64, rows=rows, cols=cols, canal=canal.name, tooth=tooth, where=_where(first, index),
        reference_point=REFERENCE_WORDS, scale=_given(first, canal),
    )  # fmt: skip
    return item, _truth(name, first, canal)


def _second_truth(name: str, second: Phantom, canal: CanalTruth, facts: dict[str, Any]) -> SecondTruth:
    truth = _truth(name, second, canal)
    assert truth.path_px is not None
    return SecondTruth(
        path_px=truth.path_px,
        file_px=truth.file_px,
        tube=facts["direction"],
        shift_deg=facts["true_deg"],
        difference_mm=0.0,
    )


def _png(phantom: Phantom) -> bytes:
    encoded, png = cv2.imencode(".png", phantom.image)
    if not encoded:
        raise LearnError("film must be one that PNG can hold: the encoder refused it")
    data: bytes = png.tobytes()
    return data


def _given(phantom: Phantom, canal: CanalTruth) -> Given:
    """The file's length where there is one, else the magnification at the canal."""
    row_mm, col_mm = phantom.mm_per_px
    file = phantom.truth.file
    return Given(
        mm_per_px_row=row_mm,
        mm_per_px_col=col_mm,
        known_file_mm=None if file is None else round(file.stop_to_tip_mm, 1),
        magnification=round(float(np.mean(canal.magnification)), 3) if file is None else None,
    )


def _where(phantom: Phantom, asked: int) -> str:
    """Which canal, by the order of the foramina from the left edge of the film."""
    canals = phantom.truth.canals
    if len(canals) == 1:
        return "the only canal of the tooth in the middle"
    # One root end may hold two canals, of which the first then stands for it.
    ends = {canal.root: float(canal.path_px[-1, 1]) for canal in reversed(canals)}
    ordered = sorted(ends, key=lambda root: ends[root])
    root = canals[asked].root
    file = phantom.truth.file
    holds = "" if file is None else ", which holds the file" if file.canal == canals[asked].name else ", without a file"
    end = "the root" if len(ends) == 1 else f"root end {ordered.index(root) + 1} of {len(ends)} from the left"
    if sum(canal.root == root for canal in canals) > 1:
        return f"of the two canals in {end}, tooth in the middle, the one{holds.replace(',', '')}"
    return f"{end}, tooth in the middle{holds}"


def _rows(points: Float64, digits: int) -> Any:
    """Points as plain rows of numbers; the members check what they are."""
    return np.round(points, digits).tolist()


def _truth(name: str, phantom: Phantom, canal: CanalTruth) -> ItemTruth:
    file, projection = phantom.truth.file, phantom.projection
    # Every fourth point, 0.2 mm apart: the polyline is short by 2e-4 of itself in the sharpest bend.
    keep = np.unique(np.r_[0 : len(canal.points_mm) : 4, len(canal.points_mm) - 1])
    points = np.vstack([canal.reference_mm, canal.points_mm[keep]])
    return ItemTruth(
        film=name,
        length_mm=round(canal.total_mm - SHORT_MM, 4),
        path_px=_rows(projection.pixels(points), 3),
        orifice=1,
        apex_px=tuple(canal.apex_px.tolist()),
        file_px=None if file is None else _rows(file.path_px[:: max(1, len(file.path_px) // 100)], 3),
        space=Space(
            points_mm=_rows(points, 4),
            magnification=_rows(projection.magnification(points), 5),
            down=tuple(projection.down.tolist()),
            right=tuple(projection.right.tolist()),
        ),
    )
