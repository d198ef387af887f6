"""JSON Schema of a result, from its dataclass: what `results.to_plain` writes, told to other programs."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping, Sequence
from typing import Any, Literal, Union

from gainkit.remarks import Remark, Sentence

DIALECT = "https://json-schema.org/draft/2020-12/schema"

LEAVES: dict[Any, dict[str, Any]] = {
    float: {"type": ["number", "null"]},  # NaN and infinity are written as null
    int: {"type": "integer"},
    str: {"type": "string"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
    Sentence: {"type": "string"},
    Any: {},
}

REMARK = {
    "type": "object",
    "required": ["code", "severity", "text"],
    "properties": {
        "code": {"type": "string", "pattern": "^[a-z][a-z0-9_]*$"},
        "severity": {"enum": ["danger", "fault", "remark"]},
        "text": {"type": "string"},
    },
}


def schema_of(kind: type, title: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a dataclass of results."""
    definitions: dict[str, Any] = {}
    root = _schema(kind, definitions)
    return {"$schema": DIALECT, "title": title, **root, "$defs": dict(sorted(definitions.items()))}


def _schema(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema(each, definitions) for each in inside]}
    if origin is Literal:
        return {"enum": list(inside)}
    if isinstance(origin, type) and issubclass(origin, Sequence):
        return {"type": "array", "items": _schema(inside[0], definitions)}
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _schema(inside[1], definitions)}
    if kind is Remark:
        definitions["Remark"] = REMARK
        return {"$ref": "#/$defs/Remark"}
    if dataclasses.is_dataclass(kind) and kind is not Sentence:
        name = kind.__name__  # type: ignore[union-attr]
        if name not in definitions:
            definitions[name] = {}  # so that a result that holds its own kind ends
            definitions[name] = _object(kind, definitions)
        return {"$ref": f"#/$defs/{name}"}
    return LEAVES[kind]


def _object(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    names = [each.name for each in dataclasses.fields(kind)]
    return {
        "type": "object",
        "required": names,
        "properties": {name: _schema(hints[name], definitions) for name in names},
        "additionalProperties": False,
    }
