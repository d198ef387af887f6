"""One way from a result to JSON and back, used by every command and by the record.

Results are frozen dataclasses whose field names carry their units. A field that does not apply is None.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib
import json
import math
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, overload

from gainkit.remarks import Remark, Sentence
from gainkit.words import PYTHON, Door, remark_text

T = TypeVar("T")


class LazySequence(Sequence[T]):
    """So many items, each made when it is asked for: the list of an hour's pulses takes no room."""

    def __init__(self, count: int, make: Callable[[int], T]) -> None:
        self._places, self._make = range(count), make

    def __len__(self) -> int:
        return len(self._places)

    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> list[T]: ...
    def __getitem__(self, index: int | slice) -> T | list[T]:
        if isinstance(index, slice):
            return [self._make(place) for place in self._places[index]]
        return self._make(self._places[index])


class Result:
    """What the results of the jobs share: `str` is the verdict and a few lines, `repr` one short line."""

    def _summary(self) -> list[str]:
        # the summaries know all results, so they are looked up when one is shown, not imported here
        lines: list[str] = importlib.import_module("gainkit.summaries").summary(self)
        return lines

    def __str__(self) -> str:
        return "\n".join(self._summary())

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self._summary()[0]}>"


# ---- to JSON -----------------------------------------------------------------------------------------------


def to_plain(result: Any, door: Door = PYTHON) -> Any:
    """Turn a result (dataclass, mapping, sequence, numpy value, path) into plain JSON values.

    NaN and infinity become None: JSON has no word for them, and a figure that does not exist is null. A remark
    becomes its code, severity, sentence (as `door` says it) and values; a `Sentence` its text. Raises
    TypeError for a kind of value that no result should hold.
    """
    if result is None or isinstance(result, (bool, str)):
        return result
    if isinstance(result, Remark):
        told = {"code": result.code, "severity": result.severity, "text": remark_text(result, door)}
        return told | {name: to_plain(value, door) for name, value in result.values.items()}
    if isinstance(result, Sentence):
        return remark_text(result, door)
    if dataclasses.is_dataclass(result) and not isinstance(result, type):
        return {f.name: to_plain(getattr(result, f.name), door) for f in dataclasses.fields(result)}
    if isinstance(result, int):
        return int(result)
    if isinstance(result, float):
        return float(result) if math.isfinite(result) else None
    if isinstance(result, Mapping):
        return {str(key): to_plain(item, door) for key, item in result.items()}
    if isinstance(result, (list, tuple, LazySequence)):
        return [to_plain(item, door) for item in result]
    if isinstance(result, Path):
        return str(result)
    if hasattr(result, "tolist"):  # numpy scalars and arrays, without importing numpy here
        return to_plain(result.tolist(), door)
    raise TypeError(f"{type(result).__name__} cannot be part of a result")


def to_json(result: Any, door: Door = PYTHON) -> str:
    """One JSON object as text, keys in field order, no NaN or infinity anywhere.

    What is no sign to be seen is written as its escape: the same text to a program, and harmless on a terminal.
    """
    text = json.dumps(to_plain(result, door), ensure_ascii=False, allow_nan=False)
    return text if text.isprintable() else "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


# ---- and back ----------------------------------------------------------------------------------------------


class NotThatResult(ValueError):
    """Plain values that are no result of the kind asked for: `path` names the field."""

    def __init__(self, path: str, wanted: str) -> None:
        super().__init__(f"{path or 'the whole'}: not {wanted}")
        self.path = path


def from_plain(kind: type[T], plain: Any) -> T:
    """The dataclass that `to_plain` was given, from its plain values.

    Fields that are not there take their default, or None where None is allowed: records of earlier versions
    stay readable. Fields that are not known are left out. A remark of a version that wrote sentences becomes
    one of code `earlier_note` that holds the sentence. Raises NotThatResult, naming the field, otherwise.
    """
    return typing.cast(T, _built(kind, plain, ""))


@functools.cache
def _types_of(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _built(kind: Any, plain: Any, path: str) -> Any:
    """One value as the type says."""
    origin = typing.get_origin(kind)
    if kind is Any:
        return plain
    if origin in (Union, types.UnionType):
        return _one_of(typing.get_args(kind), plain, path)
    if origin is Literal:
        if plain not in typing.get_args(kind):
            raise NotThatResult(path, f"one of {typing.get_args(kind)}")
        return plain
    if origin in (tuple, list) or (isinstance(origin, type) and issubclass(origin, Sequence)):
        return _items(origin, typing.get_args(kind), plain, path)
    if origin in (dict, Mapping) or (isinstance(origin, type) and issubclass(origin, Mapping)):
        if not isinstance(plain, dict):
            raise NotThatResult(path, "a table")
        inner = typing.get_args(kind)[1]
        return {key: _built(inner, value, f"{path}.{key}") for key, value in plain.items()}
    if kind is Remark:
        return _remark(plain, path)
    if kind is Sentence:  # its text is all that was kept of it
        return Sentence("earlier_note", {"note": _leaf(str, plain, path)})
    if dataclasses.is_dataclass(kind):
        return _dataclass(typing.cast(type, kind), plain, path)
    return _leaf(kind, plain, path)


def _one_of(kinds: tuple[Any, ...], plain: Any, path: str) -> Any:
    """The first of several types that fits."""
    if plain is None and type(None) in kinds:
        return None
    fault: NotThatResult | None = None
    for each in kinds:
        if each is not type(None):
            try:
                return _built(each, plain, path)
            except NotThatResult as caught:
                fault = fault or caught
    raise fault or NotThatResult(path, "a known kind")


def _items(origin: Any, inner: tuple[Any, ...], plain: Any, path: str) -> Any:
    if not isinstance(plain, (list, tuple)):
        raise NotThatResult(path, "a list")
    if origin is tuple and not (len(inner) == 2 and inner[1] is Ellipsis):
        if len(inner) != len(plain):
            raise NotThatResult(path, f"{len(inner)} items")
        return tuple(_built(each, item, f"{path}[]") for each, item in zip(inner, plain, strict=True))
    built = [_built(inner[0], item, f"{path}[]") for item in plain]
    return built if origin is list else tuple(built)


def _remark(plain: Any, path: str) -> Remark:
    if isinstance(plain, str):
        return Remark("earlier_note", "remark", {"note": plain})
    if not isinstance(plain, dict) or not isinstance(plain.get("code"), str):
        raise NotThatResult(path, "a remark")
    values = {key: value for key, value in plain.items() if key not in ("code", "severity", "text")}
    severity = plain.get("severity")
    if severity not in ("danger", "fault", "remark"):
        raise NotThatResult(path, "a remark")
    remark = Remark(plain["code"], severity, values)
    try:
        remark_text(remark)  # values of another kind than its sentence names: of a stranger, not of ours
    except (ValueError, TypeError, LookupError, AttributeError, ArithmeticError):
        raise NotThatResult(path, "a remark") from None
    return remark


def _dataclass(kind: type, plain: Any, path: str) -> Any:
    if not isinstance(plain, dict):
        raise NotThatResult(path, kind.__name__)
    given: dict[str, Any] = {}
    hints = _types_of(kind)
    for each in dataclasses.fields(kind):
        if not each.init:
            continue
        here = f"{path}.{each.name}".lstrip(".")
        if each.name in plain:
            given[each.name] = _built(hints[each.name], plain[each.name], here)
        elif each.default is dataclasses.MISSING and each.default_factory is dataclasses.MISSING:
            given[each.name] = _built(hints[each.name], None, here)
    return kind(**given)


def _leaf(kind: Any, plain: Any, path: str) -> Any:
    number = isinstance(plain, (int, float)) and not isinstance(plain, bool)
    if kind is float and number:
        try:
            return float(plain)
        except OverflowError:
            raise NotThatResult(path, "a number") from None
    if kind is Path and isinstance(plain, str):
        return Path(plain)
    if kind is type(None) and plain is None:
        return None
    if kind in (int, str, bool) and type(plain) is kind:
        return plain
    raise NotThatResult(path, getattr(kind, "__name__", str(kind)))
