"""How one member of a case file is declared: once, for reading, writing and the published schema alike.

A class of the case file is an attrs class whose fields are made by :func:`member`. The same declaration cleans a value when
the object is made in a program, reads it from JSON with the member's full name in every error, and gives its JSON Schema,
so the three cannot drift apart.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

import attrs
from attrs import field, frozen

from wlmeasure.errors import CaseError, WlmeasureError

__all__ = [
    "Choice",
    "Each",
    "Kind",
    "Nested",
    "Number",
    "Pair",
    "Pairs",
    "Tagged",
    "Text",
    "Truth",
    "Whole",
    "check_distinct",
    "check_extra",
    "extra_members",
    "member",
    "read_object",
    "schema_of",
    "write_object",
]

Json = Any

# Controls of terminals, line ends of other alphabets, and marks that turn the writing round: more than text in a record.
CONTROLS = "[\\u0000-\\u001f\\u007f-\\u009f\\u200e\\u200f\\u2028-\\u202e\\u2066-\\u2069]"
DEEPEST_EXTRA = 40  # nested lists and objects in a member that is only kept; writing recurses (our parameter)


class Kind:
    """One kind of JSON value."""

    def read(self, value: Json, where: str) -> Any:
        """The clean Python value, or a CaseError that names the member; a clean value passes unchanged."""
        raise NotImplementedError

    def write(self, value: Any) -> Json:
        return value

    def schema(self) -> dict[str, Json]:
        raise NotImplementedError


def _shown(value: Json) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _encodable(text: str) -> bool:
    return not any("\ud800" <= c <= "\udfff" for c in text)


def check_extra(value: Json, where: str, depth: int = 0) -> None:
    """Refuse what is kept unread but could not be written again."""
    if depth > DEEPEST_EXTRA:
        raise CaseError(f"{where} must be nested at most {DEEPEST_EXTRA} deep: it is deeper")
    if isinstance(value, float) and not isfinite(value):
        raise CaseError(f"{where} must be a finite number: {value!r}")
    if isinstance(value, str) and not _encodable(value):
        raise CaseError(f"{where} must be Unicode text: {_shown(value)} holds half of a surrogate pair")
    if isinstance(value, dict):
        for name, item in value.items():
            check_extra(name, f"{where}, a name in it,", depth)
            check_extra(item, f"{where}.{name}"[:80], depth + 1)
    elif isinstance(value, list):
        for item in value:
            check_extra(item, where, depth + 1)


@frozen
class Text(Kind):
    """One line of text, without control characters."""

    longest: int = 200
    pattern: str | None = None

    def read(self, value: Json, where: str) -> str:
        if not isinstance(value, str):
            raise CaseError(f"{where} must be a text: {_shown(value)}")
        if not 1 <= len(value) <= self.longest:
            raise CaseError(f"{where} must have 1 to {self.longest} characters: {len(value)}")
        if not (value.isascii() and value.isprintable()):  # most texts are, and thousands of lines carry ten each
            if not _encodable(value):
                raise CaseError(f"{where} must be Unicode text: {_shown(value)} holds half of a surrogate pair")
            if re.search(CONTROLS, value) is not None:
                raise CaseError(f"{where} must be one line without control characters: {_shown(value)}")
        if self.pattern is not None and re.fullmatch(self.pattern, value) is None:
            raise CaseError(f"{where} must have the form {self.pattern}: {_shown(value)}")
        return value

    def schema(self) -> dict[str, Json]:
        out: dict[str, Json] = {"type": "string", "minLength": 1, "maxLength": self.longest}
        out["not"] = {"type": "string", "pattern": CONTROLS}
        return out | ({"pattern": f"^{self.pattern}$"} if self.pattern else {})


@frozen
class Choice(Kind):
    """One of a closed list of words."""

    words: tuple[str, ...]

    def read(self, value: Json, where: str) -> str:
        if value not in self.words:
            raise CaseError(f"{where} must be one of {', '.join(self.words)}: {_shown(value)}")
        return str(value)

    def schema(self) -> dict[str, Json]:
        return {"enum": list(self.words)}


@frozen
class Number(Kind):
    """A finite number within bounds."""

    least: float | None = None
    most: float | None = None
    above: float | None = None

    def read(self, value: Json, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise CaseError(f"{where} must be a number: {_shown(value)}")
        try:
            number = float(value)
        except OverflowError:
            number = float("inf")
        if not isfinite(number):
            raise CaseError(f"{where} must be a finite number: {_shown(value)}")
        if self.above is not None and not number > self.above:
            raise CaseError(f"{where} must be > {self.above:g}: {number:g}")
        if self.least is not None and number < self.least:
            raise CaseError(f"{where} must be >= {self.least:g}: {number:g}")
        if self.most is not None and number > self.most:
            raise CaseError(f"{where} must be <= {self.most:g}: {number:g}")
        return number

    def schema(self) -> dict[str, Json]:
        bounds = {"minimum": self.least, "maximum": self.most, "exclusiveMinimum": self.above}
        return {"type": "number"} | {name: value for name, value in bounds.items() if value is not None}


@frozen
class Whole(Kind):
    """A whole number within bounds."""

    least: int
    most: int

    def read(self, value: Json, where: str) -> int:
        if isinstance(value, float) and value.is_integer():  # JSON does not tell 15 from 15.0
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise CaseError(f"{where} must be a whole number: {_shown(value)}")
        if not self.least <= value <= self.most:
            raise CaseError(f"{where} must be {self.least} to {self.most}: {_shown(value)}")
        return value

    def schema(self) -> dict[str, Json]:
        return {"type": "integer", "minimum": self.least, "maximum": self.most}


@frozen
class Truth(Kind):
    """Yes or no."""

    def read(self, value: Json, where: str) -> bool:
        if not isinstance(value, bool):
            raise CaseError(f"{where} must be true or false: {_shown(value)}")
        return value

    def schema(self) -> dict[str, Json]:
        return {"type": "boolean"}


@frozen
class Pair(Kind):
    """One point: a pair of finite numbers (row, col)."""

    def read(self, value: Json, where: str) -> tuple[float, float]:
        if not isinstance(value, (list, tuple)) or len(value) != 2:
            raise CaseError(f"{where} must be a pair of numbers (row, col): {_shown(value)}")
        number = Number()
        return number.read(value[0], f"{where}[0]"), number.read(value[1], f"{where}[1]")

    def write(self, value: tuple[float, float]) -> Json:
        return list(value)

    def schema(self) -> dict[str, Json]:
        return {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}


@frozen
class Pairs(Kind):
    """A list of points, at least `least` and at most `most` of them."""

    least: int = 2
    most: int = 100_000

    def read(self, value: Json, where: str) -> tuple[tuple[float, float], ...]:
        if hasattr(value, "tolist"):
            value = value.tolist()
        if not isinstance(value, (list, tuple)):
            raise CaseError(f"{where} must be a list of points (row, col): {_shown(value)}")
        if not self.least <= len(value) <= self.most:
            raise CaseError(f"{where} must hold {self.least} to {self.most} points: {len(value)}; place more points")
        pair = Pair()
        return tuple(pair.read(item, f"{where}[{k}]") for k, item in enumerate(value))

    def write(self, value: tuple[tuple[float, float], ...]) -> Json:
        return [list(point) for point in value]

    def schema(self) -> dict[str, Json]:
        return {"type": "array", "items": Pair().schema(), "minItems": self.least, "maxItems": self.most}


@frozen
class Nested(Kind):
    """An object of one class."""

    cls: type

    def read(self, value: Json, where: str) -> Any:
        return value if isinstance(value, self.cls) else read_object(self.cls, value, where)

    def write(self, value: Any) -> Json:
        return write_object(value)

    def schema(self) -> dict[str, Json]:
        return schema_of(self.cls)


@frozen
class Tagged(Kind):
    """An object whose class its member ``kind`` names."""

    classes: Mapping[str, type]

    def read(self, value: Json, where: str) -> Any:
        if isinstance(value, tuple(self.classes.values())):
            return value
        if not isinstance(value, dict):
            raise CaseError(f"{where} must be an object: {_shown(value)}")
        tag = value.get("kind")
        if not isinstance(tag, str) or tag not in self.classes:
            raise CaseError(f"{where}.kind must be one of {', '.join(self.classes)}: {_shown(tag)}")
        return read_object(self.classes[tag], {k: v for k, v in value.items() if k != "kind"}, where)

    def write(self, value: Any) -> Json:
        tag = next(name for name, cls in self.classes.items() if type(value) is cls)
        return {"kind": tag} | write_object(value)

    def schema(self) -> dict[str, Json]:
        options = []
        for tag, cls in self.classes.items():
            option = schema_of(cls)
            option["properties"] = {"kind": {"const": tag}} | option["properties"]
            option["required"] = ["kind", *option["required"]]
            options.append(option)
        return {"oneOf": options}


@frozen
class Each(Kind):
    """A list of values of one kind."""

    kind: Kind
    least: int = 0
    most: int = 10_000

    def read(self, value: Json, where: str) -> tuple[Any, ...]:
        if not isinstance(value, (list, tuple)):
            raise CaseError(f"{where} must be a list: {_shown(value)}")
        if not self.least <= len(value) <= self.most:
            raise CaseError(f"{where} must hold {self.least} to {self.most} items: {len(value)}")
        return tuple(self.kind.read(item, f"{where}[{k}]") for k, item in enumerate(value))

    def write(self, value: tuple[Any, ...]) -> Json:
        return [self.kind.write(item) for item in value]

    def schema(self) -> dict[str, Json]:
        bounds: dict[str, Json] = {"minItems": self.least} if self.least else {}
        return {"type": "array", "items": self.kind.schema(), "maxItems": self.most} | bounds


_REQUIRED: Any = object()


def member(kind: Kind, default: Any = _REQUIRED, *, json: str | None = None) -> Any:
    """Declare a member of `kind`; with a `default` it may be absent, and None is never written."""

    def clean(value: Any, _: attrs.AttrsInstance, attribute: attrs.Attribute[Any]) -> Any:
        return None if value is None and default is None else kind.read(value, attribute.name)

    options: dict[str, Any] = {} if default is _REQUIRED else {"default": default}
    converter = attrs.Converter(clean, takes_self=True, takes_field=True)
    return field(converter=converter, metadata={"kind": kind, "json": json}, kw_only=True, **options)


def extra_members() -> Any:
    """The field that keeps members this version does not know, so that writing the file again loses nothing."""
    return field(factory=dict, kw_only=True, converter=dict, repr=False)


def _members(cls: type) -> list[tuple[attrs.Attribute[Any], str, Kind]]:
    return [(a, a.metadata["json"] or a.name, a.metadata["kind"]) for a in attrs.fields(cls) if "kind" in a.metadata]


def check_distinct(error: type[WlmeasureError], where: str, name: str, values: Sequence[str]) -> None:
    """Refuse a value that stands twice in a list; the message names its second place."""
    seen: set[str] = set()
    for k, value in enumerate(values):
        if value in seen:
            raise error(f"{where}[{k}].{name} must be used once: {value[:40]!r} stands twice")
        seen.add(value)


def read_object(cls: type, value: Json, where: str) -> Any:
    """An object of `cls` from JSON.

    Raises
    ------
    CaseError
        Names the member: missing, of the wrong type, or out of its bounds.
    """
    if not isinstance(value, dict):
        raise CaseError(f"{where} must be an object: {_shown(value)}")
    prefix = f"{where}." if where else ""
    known: dict[str, Any] = {}
    names = set()
    for attribute, name, kind in _members(cls):
        names.add(name)
        # A list is never null: who writes that has lost its items, and a case without its canals must not pass for whole.
        if name in value and (value[name] is not None or isinstance(attribute.default, tuple)):
            known[attribute.name] = kind.read(value[name], prefix + name)
        elif attribute.default is attrs.NOTHING:
            raise CaseError(f"{prefix}{name} is missing; a case file needs it")
    known["extra"] = {name: item for name, item in value.items() if name not in names}
    for name, item in known["extra"].items():
        check_extra(name, f"{prefix}{name[:40]!r}, a member's name,")
        check_extra(item, prefix + name[:40])
    try:
        return cls(**known)
    except CaseError as error:
        raise CaseError(f"{where}: {error}" if where and not str(error).startswith(where) else str(error)) from None


def write_object(value: Any) -> dict[str, Json]:
    """JSON members in the declared order; absent ones are left out, unknown ones come last."""
    out = {}
    for attribute, name, kind in _members(type(value)):
        item = getattr(value, attribute.name)
        if item is None or (item == () and attribute.default == ()):
            continue
        out[name] = kind.write(item)
    return out | dict(value.extra)


def schema_of(cls: type) -> dict[str, Json]:
    """JSON Schema (2020-12) of a class; unknown members are allowed, null for one that may be absent and is no list."""
    members = _members(cls)
    required = [name for a, name, _ in members if a.default is attrs.NOTHING]
    return {
        "type": "object",
        "properties": {
            name: kind.schema() if name in required or isinstance(a.default, tuple) else _or_null(kind.schema())
            for a, name, kind in members
        },
        "required": required,
    }


def _or_null(schema: dict[str, Json]) -> dict[str, Json]:
    if "enum" in schema:
        return {"enum": [*schema["enum"], None]}
    return schema | {"type": [schema["type"], "null"]}
