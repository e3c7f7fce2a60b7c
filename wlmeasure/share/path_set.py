"""The path file ``*.wlpaths.json``: traced lines of any number of cases, pixels as the truth, millimetres derived.

In the shape of GeoJSON, but a GIS reader would take the numbers for degrees on the globe, so the file says what they are and
its members go beyond RFC 7946. COCO has no open polylines and the shape tables of viewers lose scale and units; this keeps
both. The same content in two layouts: ``*.wlpaths.json`` is one JSON object with one feature a line, ``*.wlpaths.jsonl`` a
line with the head and then a line a feature, to which another can be appended. Both are read line by line. The JSON Schema
``paths.schema.json`` beside this module is made from the classes here.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from attrs import cmp_using, field, fields, frozen
from numpy.typing import NDArray

from wlmeasure.errors import CaseError, ShareError
from wlmeasure.points import as_points
from wlmeasure.record.members import (
    Choice,
    Each,
    Nested,
    Number,
    Pair,
    Pairs,
    Text,
    Whole,
    check_extra,
    extra_members,
    member,
    read_object,
    schema_of,
    write_object,
)

__all__ = [
    "FEATURE_KINDS",
    "MEMBERS",
    "MOST_POINTS",
    "PATHS_SCHEMA",
    "SPACE",
    "Head",
    "PathFeature",
    "PathImage",
    "PathScale",
    "dumps",
    "feature_from_json",
    "feature_to_json",
    "head_from_json",
    "head_to_json",
    "paths_schema",
    "read_feature",
]

Json = Any
Float64 = NDArray[np.float64]

PATHS_SCHEMA = "wlmeasure-paths/1"
SPACE = "image pixels; x = column, y = row; centre of the first pixel = 0,0"
MOST_POINTS = 100_000  # of one line, as in a case file
FEATURE_KINDS = ("canal", "known file", "known object")
NAME = Text(longest=200)
MM = DEG = Number(least=0.0)  # figures are derived: an uncertainty may be any size


@frozen
class PathImage:
    """One image that paths lie on. Its file name may name the patient: it is there only where somebody asked for it."""

    id: str = member(NAME)
    file_name: str | None = member(Text(longest=1000), None)
    sha256: str | None = member(Text(longest=64, pattern="[0-9a-f]{64}"), None)
    sop_instance_uid: str | None = member(Text(longest=64, pattern="[0-9.]+"), None)
    rows: int | None = member(Whole(1, 10**6), None)
    cols: int | None = member(Whole(1, 10**6), None)
    frame: int | None = member(Whole(1, 10**6), None)
    stored_rows: int | None = member(Whole(1, 10**6), None)
    stored_cols: int | None = member(Whole(1, 10**6), None)
    orientation_applied: int | None = member(Whole(1, 8), None)
    extra: dict[str, Any] = extra_members()


@frozen
class PathScale:
    """Millimetres per pixel of one image. `plane` is where they hold: patient, detector, film or unknown."""

    id: str | None = member(NAME, None)
    image: str | None = member(NAME, None)
    mm_per_px_row: float = member(Number(above=0.0, most=100.0))
    mm_per_px_col: float = member(Number(above=0.0, most=100.0))
    rel_std: float | None = member(Number(least=0.0, most=10.0), None)
    method: str | None = member(NAME, None)
    plane: str | None = member(Choice(("patient", "detector", "film", "unknown")), None)
    known_lengths_mm: tuple[float, ...] = member(Each(MM), ())
    extra: dict[str, Any] = extra_members()


def _line(value: object) -> Float64:
    array = as_points(ShareError, "path_px", value, least=2)
    if len(array) > MOST_POINTS:
        raise ShareError(f"path_px must hold at most {MOST_POINTS} points: {len(array)}; thin the line")
    array += 0.0  # -0.0 is 0.0: tables would lose the sign
    array.setflags(write=False)
    return array


@frozen
class PathFeature:
    """One line on one image: a canal, or what its scale rests on. Every figure but the path is derived or said of it.

    `path_px` (N, 2) is (row, col), coronal to apical; in the file a point is (column, row). `reference_px` likewise.
    """

    path_px: Float64 = field(converter=_line, eq=cmp_using(eq=np.array_equal), kw_only=True)
    id: str | None = member(NAME, None)
    kind: str = member(Choice(FEATURE_KINDS), "canal")
    case: str | None = member(NAME, None)
    image: str | None = member(NAME, None)
    calibration: str | None = member(NAME, None)
    tooth: str | None = member(NAME, None)
    canal: str | None = member(NAME, None)
    annotator: str | None = member(NAME, None)
    session: str | None = member(NAME, None)
    method: str | None = member(NAME, None)
    method_version: str | None = member(NAME, None)
    status: str | None = member(NAME, None)
    apical_end: str | None = member(NAME, None)
    reference_px: tuple[float, float] | None = member(Pair(), None, json="reference")
    path_std_px: float | None = member(MM, None)
    correlated_mm: float | None = member(MM, None)
    known_length_mm: float | None = member(MM, None)
    length_mm: float | None = member(MM, None)
    length_std_mm: float | None = member(MM, None)
    canal_mm: float | None = member(MM, None)
    schneider_deg: float | None = member(DEG, None)
    schneider_std_deg: float | None = member(DEG, None)
    weine_deg: float | None = member(DEG, None)
    long_axis_deg: float | None = member(DEG, None)
    luiten_deg: float | None = member(DEG, None)
    canal_access_deg: float | None = member(DEG, None)
    turning_deg: float | None = member(DEG, None)
    radius_mm: float | None = member(Number(least=0.0), None)
    radius_low_mm: float | None = member(Number(least=0.0), None)
    radius_high_mm: float | None = member(Number(least=0.0), None)
    min_radius_mm: float | None = member(Number(least=0.0), None)
    extra: dict[str, Any] = extra_members()


@frozen
class Head:
    """What all features of a file share: its images and scales, each known by an id of its own."""

    images: tuple[PathImage, ...] = member(Each(Nested(PathImage), most=10**6), ())
    calibrations: tuple[PathScale, ...] = member(Each(Nested(PathScale), most=10**6), ())
    extra: dict[str, Any] = extra_members()
    _by_id: dict[str, PathScale] = field(init=False, eq=False, repr=False)
    _by_image: dict[str, PathScale] = field(init=False, eq=False, repr=False)

    def __attrs_post_init__(self) -> None:
        lists = (
            ("images", [image.id for image in self.images]),
            ("calibrations", [one.id for one in self.calibrations]),
        )
        for name, ids in lists:
            seen: set[str] = set()
            for k, given in enumerate(ids):
                if given in seen:
                    raise CaseError(f"{name}[{k}].id must be used once: {given!r} is there twice")
                if given is not None:
                    seen.add(given)
        by_image: dict[str, PathScale] = {}
        for scale in self.calibrations:
            if scale.image is not None:
                by_image.setdefault(scale.image, scale)
        object.__setattr__(self, "_by_id", {scale.id: scale for scale in self.calibrations if scale.id is not None})
        object.__setattr__(self, "_by_image", by_image)

    def scale(self, feature: PathFeature) -> PathScale | None:
        """The scale of a feature: the one it names, else the first of its image; None where it has none.

        Raises
        ------
        ShareError
            It names a calibration that the file does not have.
        """
        if feature.calibration is not None:
            if feature.calibration not in self._by_id:
                raise ShareError(
                    f"calibration must be one of the file: {feature.calibration!r}; add it to calibrations"
                )
            return self._by_id[feature.calibration]
        return None if feature.image is None else self._by_image.get(feature.image)


def dumps(value: Json) -> str:
    """Compact JSON on one line."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def head_to_json(head: Head) -> dict[str, Json]:
    """The members before `features`."""
    return {
        "schema": PATHS_SCHEMA,
        "type": "FeatureCollection",
        "coordinate_space": SPACE,
        "images": [write_object(image) for image in head.images],
        "calibrations": [write_object(scale) for scale in head.calibrations],
    }


def head_from_json(value: Json) -> Head:
    """The head from its members; `features` is not looked at.

    Members that this version does not know are kept in images, calibrations and features, and left out of the whole.

    Raises
    ------
    ShareError
        Not a path file, a newer one, another coordinate space, a wrong member.
    """
    if not isinstance(value, dict) or value.get("schema") != PATHS_SCHEMA:
        said = value.get("schema") if isinstance(value, dict) else None
        raise ShareError(f"schema must be {PATHS_SCHEMA!r}: {str(said)[:60]!r}; it is not a path file of this version")
    if value.get("coordinate_space") != SPACE:
        raise ShareError(
            f"coordinate_space must be {SPACE!r}: {str(value.get('coordinate_space'))[:80]!r}; convert the coordinates"
        )
    kept = {name: value[name] for name in ("images", "calibrations") if name in value}
    return _read(Head, kept, "")  # type: ignore[no-any-return]


def feature_to_json(feature: PathFeature) -> dict[str, Json]:
    """One feature: a GeoJSON-shaped line string with properties."""
    properties: dict[str, Json] = {"kind": feature.kind} | write_object(feature)
    if feature.reference_px is not None:
        properties["reference"] = [feature.reference_px[1], feature.reference_px[0]]
    name = properties.pop("id", None)
    return {
        "type": "Feature",
        **({} if name is None else {"id": name}),
        "geometry": {"type": "LineString", "coordinates": feature.path_px[:, ::-1].tolist()},
        "properties": properties,
    }


def feature_from_json(value: Json, where: str = "") -> PathFeature:
    """One feature from JSON.

    Raises
    ------
    ShareError
        Names the member that is missing, wrong or out of its bounds.
    """
    dot = f"{where}." if where else ""
    if not isinstance(value, dict) or value.get("type") != "Feature":
        raise ShareError(f"{dot}type must be 'Feature'")
    geometry, properties = value.get("geometry"), value.get("properties")
    if not isinstance(geometry, dict) or geometry.get("type") != "LineString":
        raise ShareError(f"{dot}geometry must be a LineString, an open line")
    if not isinstance(properties, dict):
        raise ShareError(f"{dot}properties must be an object")
    try:
        line = np.array(geometry.get("coordinates"), np.float64)
    except (TypeError, ValueError):
        line = np.empty(0)
    if line.ndim != 2 or line.shape[1] != 2:
        raise ShareError(f"{dot}geometry.coordinates must be pairs of numbers (column, row)")
    known = dict(properties)
    known.pop("id", None)
    if value.get("id") is not None:
        known["id"] = str(value["id"]) if isinstance(value["id"], int) else value["id"]
    reference = known.get("reference")
    if isinstance(reference, list | tuple) and len(reference) == 2:
        known["reference"] = (reference[1], reference[0])
    return read_feature(line[:, ::-1], known, where)


def read_feature(path_px: object, members: dict[str, Json], where: str = "") -> PathFeature:
    """A feature from its path (row, col) and its members, `reference` as (row, col); unknown members are kept."""
    known: dict[str, Any] = {}
    extra: dict[str, Json] = {}
    for name, value in members.items():
        if name not in MEMBERS:
            extra[name] = value
        elif value is not None:
            known[MEMBERS[name]] = value
    try:
        for name, value in extra.items():
            check_extra(name, f"{name[:40]!r}, a member's name,")
            check_extra(value, name[:40])
        return PathFeature(path_px=path_px, extra=extra, **known)
    except (CaseError, ShareError) as error:
        raise ShareError(f"{where}.{error}" if where else str(error)) from None


MEMBERS = {(a.metadata["json"] or a.name): a.name for a in fields(PathFeature) if "kind" in a.metadata}
"""Names of a feature's members in the file, and as attributes."""


def paths_schema() -> dict[str, Json]:
    """JSON Schema (2020-12) of a path file in one object, made from the classes here."""
    properties = schema_of(PathFeature)
    name = properties["properties"].pop("id")
    properties["required"] = []
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:wlmeasure:paths:1",
        "title": "wlmeasure path file, version 1",
        "type": "object",
        "properties": {
            "schema": {"const": PATHS_SCHEMA},
            "type": {"const": "FeatureCollection"},
            "coordinate_space": {"const": SPACE},
            **schema_of(Head)["properties"],
            "features": {
                "type": "array",
                "items": {
                    "type": "object",
                    "properties": {
                        "type": {"const": "Feature"},
                        "id": name,
                        "geometry": {
                            "type": "object",
                            "properties": {
                                "type": {"const": "LineString"},
                                "coordinates": Pairs(least=2, most=MOST_POINTS).schema(),
                            },
                            "required": ["type", "coordinates"],
                        },
                        "properties": properties,
                    },
                    "required": ["type", "geometry", "properties"],
                },
            },
        },
        "required": ["schema", "type", "coordinate_space", "features"],
    }


def _read(cls: type, value: Json, where: str) -> Any:
    try:
        return read_object(cls, value, where)
    except CaseError as error:
        raise ShareError(str(error).replace("a case file", "a path file")) from None
