"""Lines as COCO keypoints, for training programs that read nothing else; written, never read.

COCO has no open lines: its segmentations are closed polygons. Each canal becomes one category's fixed number of keypoints,
equally spaced along it, so that uneven clicks and sharp bends between two of them are lost. x, y are counted from the corner
of the first pixel, whose centre is 0.5, 0.5 there (as COCO's own boxes and masks are).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TextIO

import numpy as np

from wlmeasure.errors import ShareError
from wlmeasure.share.path_set import Head, PathFeature, dumps
from wlmeasure.trace.spline import arc_length, resample

__all__ = ["write_keypoints"]

VISIBLE = 2  # COCO: 0 not labelled, 1 labelled and hidden, 2 labelled and visible
DIGITS = 3  # of a pixel


def write_keypoints(file: TextIO, head: Head, features: Iterable[PathFeature], count: int) -> int:
    """Write the canals among `features`, each as `count` keypoints; returns how many there are.

    Raises
    ------
    ShareError
        A count outside 2 to 1000.
    """
    if isinstance(count, bool) or not isinstance(count, int) or not 2 <= count <= 1000:
        raise ShareError(f"keypoints must be 2 to 1000: {count!r}")
    names = [f"p{k}" for k in range(1, count + 1)]
    category: dict[str, Any] = {
        "id": 1,
        "name": "root canal",
        "supercategory": "tooth",
        "keypoints": names,
        "skeleton": [[k, k + 1] for k in range(1, count)],
    }
    numbers = {image.id: k for k, image in enumerate(head.images, 1)}
    file.write(f'{{"categories":{dumps([category])},"annotations":[')
    written = 0
    for feature in features:
        if feature.kind != "canal":
            continue
        image = numbers.setdefault(feature.image or "", len(numbers) + 1)
        file.write(",\n" if written else "\n")
        written += 1
        file.write(dumps(_annotation(feature, written, image, count)))
    images = {image.id: image for image in head.images}
    listed = [_image(images.get(name), name, number) for name, number in numbers.items()]
    file.write(f'\n],"images":{dumps(listed)}}}\n')
    return written


def _image(known: Any, name: str, number: int) -> dict[str, Any]:
    size = {} if known is None else {"height": known.rows, "width": known.cols}
    called = name if known is None or known.file_name is None else known.file_name
    return {"id": number, "file_name": called} | {key: value for key, value in size.items() if value is not None}


def _annotation(feature: PathFeature, number: int, image: int, count: int) -> dict[str, Any]:
    moving = np.concatenate([[True], np.diff(arc_length(feature.path_px)) > 0.0])
    line = feature.path_px[moving]
    points = resample(line, count) if len(line) > 1 else np.repeat(line, count, axis=0)
    xy = np.round(points[:, ::-1] + 0.5, DIGITS)
    low, high = xy.min(axis=0), xy.max(axis=0)
    flat = [value for x, y in xy.tolist() for value in (x, y, VISIBLE)]
    width, height = (float(value) for value in np.round(high - low, DIGITS))
    return {
        "id": number,
        "image_id": image,
        "category_id": 1,
        "keypoints": flat,
        "num_keypoints": count,
        "bbox": [*low.tolist(), width, height],
        "area": round(width * height, DIGITS),
        "iscrowd": 0,
        "attributes": {
            name: value
            for name in ("id", "case", "tooth", "canal", "annotator", "session", "method")
            if (value := getattr(feature, name)) is not None
        },
    }
