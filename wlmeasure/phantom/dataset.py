"""Phantoms on disk: an image and, beside it, a JSON file of what is true of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from wlmeasure.errors import PhantomError, check_finite
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.phantom.make import Phantom, make_phantom
from wlmeasure.phantom.options import wishes
from wlmeasure.phantom.views import MOST_SHIFT_DEG, USUAL_SHIFT_DEG, make_views, usual_shifts
from wlmeasure.whole_file import write_whole

__all__ = ["each_film", "make_dataset", "write_phantom"]

JPEG_SHARE, FILELESS_SHARE, STOPLESS_SHARE, SIDEWAYS_SHARE = 0.15, 0.1, 0.1, 0.05
"""Shares of a folder that are JPEG, show no file, show a file whose stop lies outside, lie sideways; our parameters."""


def write_phantom(phantom: Phantom, folder: str | Path, name: str) -> Path:
    """Write `name`.png (or .jpg) and `name`.truth.json into `folder`; returns the image's path.

    The truth names the image file. The same phantom gives the same bytes.
    """
    folder = Path(folder)
    image = folder / (name + (".png" if phantom.jpeg is None else ".jpg"))
    data = phantom.jpeg
    if data is None:
        done, encoded = cv2.imencode(".png", phantom.image)
        if not done:
            raise PhantomError("image must be one that PNG can hold: the encoder refused it")
        data = encoded.tobytes()
    write_whole(image, data, private=False)
    truth = {"image": image.name, **phantom.truth.to_json()}
    text = json.dumps(truth, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    write_whole(folder / f"{name}.truth.json", text + "\n", private=False)
    return image


def make_dataset(folder: str | Path, count: int, seed: int, level: str = "typical", **options: Any) -> list[Path]:
    """All films of `each_film`, written; the images' paths."""
    return list(each_film(folder, count, seed, level, **options))


def each_film(
    folder: str | Path,
    count: int,
    seed: int,
    level: str = "typical",
    *,
    views: int = 1,
    shift_deg: float = USUAL_SHIFT_DEG,
    **options: Any,
) -> Iterator[Path]:
    """Write `count` films of `level` with their truth into `folder` (made where it does not exist), one with every step.

    Yields the images' paths. With 2 or 3 `views` there are so many films of each tooth, film_0001_a, film_0001_b and
    film_0001_c: as it comes, with the tube shifted by a nominal `shift_deg` (towards mesial, where negative towards distal),
    and by as much to the other side; see `make_views`. The first is the film that there is without the others.

    Film k depends on `seed` and k alone, so a longer run begins with the same films. Some are JPEG, lie sideways, show no
    file or one whose stop lies outside (level "real" draws such things itself); `options` (members of `Options`) hold for
    every film and go before these draws.

    Raises
    ------
    PhantomError
        A count that is not 1 or more, an unknown level, a negative seed, an option that there is not or out of its range, a
        folder that already holds such films.
    """
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 9999:
        raise PhantomError(f"count must be 1 to 9999: {count!r}")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise PhantomError(f"seed must be a whole number >= 0: {seed!r}")
    if level not in LEVELS:
        raise PhantomError(f"level must be one of {', '.join(LEVELS)}: {level!r}")
    wishes(options)  # before the folder is made
    shifts = usual_shifts(views, check_finite(PhantomError, "shift_deg", shift_deg))
    if abs(shift_deg) > MOST_SHIFT_DEG:
        raise PhantomError(f"shift_deg must be at most {MOST_SHIFT_DEG:g} in size: {shift_deg:g}")
    folder = Path(folder)
    if any(folder.glob("film_*.truth.json")):
        raise PhantomError(f"folder must hold no films yet: {folder.name}; choose another or empty it")
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        chance = rng.random(4)
        film_seed, quality = int(rng.integers(2**31)), int(rng.integers(75, 98))
        drawn: dict[str, Any] = {
            "jpeg_quality": quality if chance[0] < JPEG_SHARE else None,
            "file": bool(chance[1] >= FILELESS_SHARE),
            "stop_in_view": bool(chance[2] >= STOPLESS_SHARE),
            "sideways": bool(chance[3] < SIDEWAYS_SHARE),
        }
        if LEVELS[level].many:
            drawn = {}
        # A size that was asked for is one way round, and JPEG takes 8 bits: a draw never goes against the caller.
        if "size_px" in options:
            drawn.pop("sideways", None)
        if "bits" in options:
            drawn.pop("jpeg_quality", None)
        asked, name = drawn | options, f"film_{k + 1:04d}"
        if views == 1:
            yield write_phantom(make_phantom(film_seed, level, **asked), folder, name)
            continue
        for letter, phantom in zip("abc", make_views(film_seed, level, shifts_deg=shifts, **asked), strict=False):
            yield write_phantom(phantom, folder, f"{name}_{letter}")
