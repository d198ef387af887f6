"""One way from a result to JSON, used by every command.

Results are frozen dataclasses whose field names carry their units. A field that does not apply is None.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar, overload

T = TypeVar("T")


class Made(Sequence[T]):
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


def to_plain(result: Any) -> Any:
    """Turn a result (dataclass, mapping, sequence, numpy value, path) into plain JSON values.

    NaN and infinity become None: JSON has no word for them, and a figure that does not exist is null.
    Raises TypeError for a kind of value that no result should hold.
    """
    if result is None or isinstance(result, (bool, str)):
        return result
    if dataclasses.is_dataclass(result) and not isinstance(result, type):
        return {f.name: to_plain(getattr(result, f.name)) for f in dataclasses.fields(result)}
    if isinstance(result, int):
        return int(result)
    if isinstance(result, float):
        return float(result) if math.isfinite(result) else None
    if isinstance(result, dict):
        return {str(key): to_plain(item) for key, item in result.items()}
    if isinstance(result, (list, tuple, Made)):
        return [to_plain(item) for item in result]
    if isinstance(result, Path):
        return str(result)
    if hasattr(result, "tolist"):  # numpy scalars and arrays, without importing numpy here
        return to_plain(result.tolist())
    raise TypeError(f"{type(result).__name__} cannot be part of a result")


def to_json(result: Any) -> str:
    """One JSON object as text, keys in field order, no NaN or infinity anywhere."""
    return json.dumps(to_plain(result), ensure_ascii=False, allow_nan=False)
