"""How records become JSON and back: a value that was not measured is null, and its reason is kept.

A record is a frozen dataclass. A field that may be unknown has the type ``Reading`` (``float | NotMeasured``) or
some other ``X | NotMeasured``. In JSON such a field is ``null``, and the document's ``not_measured`` maps the
field's path to the reason: the key is never missing and never NaN.

>>> @dataclass(frozen=True)
... class Noise:
...     floor_dbfs: Reading
>>> to_plain(Noise(NotMeasured("the side is digital silence")))
{'floor_dbfs': None, 'not_measured': {'floor_dbfs': 'the side is digital silence'}}
>>> from_plain(Noise, to_plain(Noise(NotMeasured("too short")))).floor_dbfs.reason
'too short'
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from pydantic import TypeAdapter

Record = TypeVar("Record")
REASONS = "not_measured"
TOO_EARLY = "the feltpad that wrote this record did not measure it"


@dataclass(frozen=True)
class NotMeasured:
    """A value that is not there, and why; never -1, NaN or a missing key."""

    reason: str


Reading = float | NotMeasured


def to_plain(record: Any) -> dict[str, Any]:
    """The record as JSON-ready dicts, lists and scalars, with its ``not_measured`` reasons.

    A nested record that is a document of its own (it has a ``schema`` field) keeps its reasons with itself.
    Raises ValueError on a number that is not finite, which no record may hold.
    """
    reasons: dict[str, str] = {}
    plain = {f.name: _plain(getattr(record, f.name), f.name, reasons) for f in fields(record)}
    return {**plain, REASONS: reasons}


def _plain(value: Any, path: str, reasons: dict[str, str]) -> Any:
    if isinstance(value, NotMeasured):
        reasons[path] = value.reason
        return None
    if is_dataclass(value) and not isinstance(value, type):
        if any(f.name == "schema" for f in fields(value)):
            return to_plain(value)
        return {f.name: _plain(getattr(value, f.name), f"{path}.{f.name}", reasons) for f in fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(entry, f"{path}.{key}", reasons) for key, entry in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(entry, f"{path}[{index}]", reasons) for index, entry in enumerate(value)]
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Path):
        return value.as_posix()
    if hasattr(value, "item"):  # numpy scalars
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{path} must be finite or NotMeasured: {value}")
    return value


def from_plain(record_type: type[Record], document: dict[str, Any]) -> Record:
    """The record that `to_plain` wrote. Raises pydantic.ValidationError when the document does not fit.

    A record that an earlier feltpad wrote may lack readings that came later: they are not measured, and say why.
    """
    return validated(record_type, _completed(record_type, _with_reasons(document)))


def validated(record_type: type[Record], plain: Any) -> Record:
    """``plain`` as a record of this type. Raises pydantic.ValidationError."""
    kind: Any = record_type
    checked: Record = _validator(kind).validate_python(plain)
    return checked


@cache
def _validator(record_type: Any) -> TypeAdapter[Any]:
    """Making one costs a hundred times what using it does."""
    return TypeAdapter(record_type)


@cache
def field_types(record_type: Any) -> dict[str, Any]:
    """The types of a record's fields by name."""
    return get_type_hints(record_type)


def _completed(kind: Any, value: Any) -> Any:
    """``value`` with every reading in it that was not known yet when it was written."""
    if is_dataclass(kind) and isinstance(kind, type) and isinstance(value, dict):
        types = field_types(kind)
        completed = {name: _completed(types.get(name), entry) for name, entry in value.items()}
        for field in fields(kind):
            if field.name not in value and NotMeasured in get_args(types[field.name]):
                completed[field.name] = NotMeasured(TOO_EARLY)
        return completed
    inner = [argument for argument in get_args(kind) if argument is not Ellipsis]
    if isinstance(value, list) and len(inner) == 1:
        return [_completed(inner[0], entry) for entry in value]
    if isinstance(value, dict) and len(inner) == 2 and get_origin(kind) is dict:
        return {key: _completed(inner[1], entry) for key, entry in value.items()}
    return value


def _with_reasons(document: dict[str, Any]) -> dict[str, Any]:
    reasons = document.get(REASONS, {})

    def restore(value: Any, path: str) -> Any:
        if value is None and path in reasons:
            return NotMeasured(reasons[path])
        if isinstance(value, dict):
            if REASONS in value:
                return _with_reasons(value)
            return {key: restore(entry, f"{path}.{key}" if path else key) for key, entry in value.items()}
        if isinstance(value, list):
            return [restore(entry, f"{path}[{index}]") for index, entry in enumerate(value)]
        return value

    return restore({key: value for key, value in document.items() if key != REASONS}, "")


def json_schema(record_type: type[Any]) -> dict[str, Any]:
    """The JSON Schema of what `to_plain` writes for this record type: every key required, nothing else allowed."""
    schema = TypeAdapter(record_type).json_schema(mode="serialization")
    definitions = schema.get("$defs", {})
    definitions["NotMeasured"] = {"type": "null", "description": "not measured; the reason stands in not_measured"}
    reasons = {"type": "object", "additionalProperties": {"type": "string"}}
    for name, definition in [("", schema), *definitions.items()]:
        if definition.get("type") != "object":
            continue
        properties = definition.setdefault("properties", {})
        if name == "" or "schema" in properties:
            properties[REASONS] = reasons
        definition["required"] = list(properties)
        definition["additionalProperties"] = False
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
