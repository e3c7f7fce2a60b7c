"""A folder of phantoms as a data set: every canal with what is true of it, in the form in which anybody's paths are exchanged.

Lengths and the smallest radius are the true ones in three dimensions. Angles and the radius of the bend are those of the exact
projection by definition (`measure.exact`), without a fit: an estimator cannot be judged by what it says itself.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve
from numpy.typing import NDArray

from wlmeasure.errors import ShareError
from wlmeasure.image.file_content import regular_bytes
from wlmeasure.measure.exact import exact_angles
from wlmeasure.phantom.truth import SCHEMA
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale
from wlmeasure.study.path_lines import ONE_OBJECT, parse_json, write_lines
from wlmeasure.whole_file import whole_file

__all__ = ["TRUTH_FILE", "truth_paths", "write_truth"]

Float64 = NDArray[np.float64]
Json = Any

TRUTH_FILE = f"truth{ONE_OBJECT}"
TRUE = "true"
LARGEST_TRUTH = 64 * 2**20  # bytes of one film's truth (our parameter); it has half a megabyte


def write_truth(folder: str | Path) -> Path:
    """Write ``truth.wlpaths.json`` of all films in a folder that :func:`~wlmeasure.phantom.dataset.each_film` made.

    Raises
    ------
    ShareError
        No truth there, or one that is no phantom's.
    """
    folder = Path(folder)
    head, features = truth_paths(folder)
    out = folder / TRUTH_FILE
    with whole_file(out, private=False) as temporary, temporary.open("wb") as file:
        write_lines(file, head, features, one_object=True)
    return out


def truth_paths(folder: Path) -> tuple[Head, list[PathFeature]]:
    """Images, scales and lines of all films in a folder: each canal, and the file in it with its true length.

    A canal has a scale of its own: the detector's pixels over the canal's mean magnification.
    """
    images, scales, files, canals = [], [], [], []
    paths: list[Float64] = []
    for path in sorted(folder.glob("*.truth.json")):
        truth = _read(path)
        name = path.name.removesuffix(".truth.json")
        image = folder / truth["image"]
        images.append(
            PathImage(
                id=name,
                file_name=image.name,
                sha256=hashlib.sha256(regular_bytes(image)).hexdigest(),
                rows=truth["rows"],
                cols=truth["cols"],
                extra=_shift(name, truth),
            )
        )
        pixel = np.array([truth["mm_per_px_row"], truth["mm_per_px_col"]])
        for canal in truth["canals"]:
            scale, feature = _canal(name, canal, pixel)
            scales.append(scale)
            canals.append(feature)
            paths.append(feature.path_px * (scale.mm_per_px_row, scale.mm_per_px_col))
        files += list(_file(name, truth))
    if not images:
        raise ShareError(f"{folder.name} must hold films with their truth (*.truth.json): it holds none")
    known = []
    for feature, path_mm in zip(canals, paths, strict=True):
        exact: dict[str, Any] = {n: None if v is None else round(v, 4) for n, v in exact_angles(path_mm).items()}
        known.append(evolve(feature, **exact))
    return Head(images=tuple(images), calibrations=tuple(scales)), [*files, *known]


def _read(path: Path) -> dict[str, Json]:
    if path.stat().st_size > LARGEST_TRUTH:
        raise ShareError(f"{path.name} must be at most {LARGEST_TRUTH >> 20} MB: {path.stat().st_size >> 20} MB")
    truth = parse_json(regular_bytes(path), path.name)
    if not isinstance(truth, dict) or truth.get("schema") != SCHEMA:
        raise ShareError(f"{path.name} must be the truth of a phantom, schema {SCHEMA}: it is not")
    return truth


def _shift(name: str, truth: dict[str, Json]) -> dict[str, Any]:
    """Of one of several films of a tooth: which tooth, and how the tube was shifted, in the truth's own words."""
    return {"tooth": name.rpartition("_")[0], "shift": truth["shift"]} if "shift" in truth else {}


def _canal(name: str, canal: dict[str, Json], pixel: Float64) -> tuple[PathScale, PathFeature]:
    own = f"{name}/{canal['name']}"
    size = pixel / float(np.mean(canal["magnification"]))
    kappa, arc = np.array(canal["kappa_per_mm"]), np.array(canal["arc_mm"])
    scale = PathScale(
        id=own,
        image=name,
        mm_per_px_row=float(size[0]),
        mm_per_px_col=float(size[1]),
        method="detector pixel over the canal's mean magnification",
        plane="patient",
    )
    feature = PathFeature(
        path_px=canal["path_px"],
        id=own,
        image=name,
        calibration=own,
        canal=canal["name"],
        method="phantom",
        status=TRUE,
        apical_end="apical foramen",
        reference_px=tuple(canal["reference_px"]),
        length_mm=canal["total_mm"],
        canal_mm=canal["length_mm"],
        min_radius_mm=round(1.0 / float(kappa.max()), 4) if kappa.max() > 1e-3 else None,
        extra={
            "turning_3d_deg": round(float(np.degrees(np.trapezoid(kappa, arc))), 3),
            "apex_px": canal["apex_px"][::-1],
        },
    )
    return scale, feature


def _file(name: str, truth: dict[str, Json]) -> Iterator[PathFeature]:
    file = truth.get("file")
    if file is not None and file["stop_in_view"]:
        yield PathFeature(
            path_px=file["path_px"],
            kind="known file",
            image=name,
            canal=file["canal"],
            method="phantom",
            status=TRUE,
            known_length_mm=file["stop_to_tip_mm"],
        )
