"""Whether what Python was given is of the kind that an argument or a field is declared with.

The public functions are checked where they are handed out (`gainkit/__init__.py`), the dataclasses where they
check their ranges (`calculator/ranges.py`): no function does it by itself. What means the same is taken:
numpy's scalars for numbers, an integer for a number, a list or an array for a tuple, a text for a path.
"""

from __future__ import annotations

import builtins
import collections.abc
import functools
import inspect
import math
import numbers
import os
import sys
import types
import typing
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar, Union

from gainkit.errors import GainkitError

F = TypeVar("F", bound=Callable[..., Any])


def _is_nan(value: Any) -> bool:
    return isinstance(value, float) and math.isnan(value)


class Misfit(Exception):
    """A value of another kind."""


def checked(function: F) -> F:
    """The same function, refusing arguments of other kinds than it declares.

    Raises GainkitError (`wrong_kind`, `not_a_choice`) when called with one; a call with arguments that the
    function does not have is Python's own TypeError, as ever. What `**options` hold is checked by whom they
    are handed to.
    """
    signature = inspect.signature(function)
    options = [each.name for each in signature.parameters.values() if each.kind is each.VAR_KEYWORD]

    @functools.wraps(function)
    def call(*args: Any, **given: Any) -> Any:
        bound = signature.bind(*args, **given)
        hints = hints_of(function)
        for name, value in bound.arguments.items():
            if name in options:
                bound.arguments[name] = {each: plain_scalar(value[each]) for each in value}
            else:
                bound.arguments[name] = fitting(name, value, hints.get(name, Any))
        return function(*bound.args, **bound.kwargs)

    return typing.cast(F, call)


def fitting(name: str, value: Any, hint: Any) -> Any:
    """The value, as the kind declared; raises GainkitError for one of another kind. NaN is no number."""
    try:
        fitted = _fitted(hint, value)
        return _if(hint is Any or not _is_nan(fitted), fitted)
    except Misfit:
        if choice := _choice(hint):
            raise GainkitError("not_a_choice", name, value, choice) from None
        raise GainkitError("wrong_kind", name, value, words_of(hint)) from None


def plain_scalar(value: Any) -> Any:
    """A numpy scalar as Python's own number; anything else as it is."""
    if type(value).__module__ == "numpy" and getattr(value, "shape", None) == ():
        return value.item()
    return value


# ---- kinds -------------------------------------------------------------------------------------------------


class _ByName:
    """A class that is imported for types only: known by its name."""


class _Names(dict[str, Any]):
    """The names that a module's declarations mean; those that are not loaded stand for classes so named."""

    def __init__(self, module: str) -> None:
        super().__init__()
        self._known = vars(sys.modules[module])

    def __missing__(self, name: str) -> Any:
        if name in self._known:
            return self._known[name]
        if hasattr(builtins, name):
            return getattr(builtins, name)
        if name.startswith("_"):  # no name of a class: what reads tracebacks asks for such
            raise KeyError(name)
        return type(name, (_ByName,), {})


def hints_of(thing: Any) -> dict[str, Any]:
    """The kinds that a function's arguments or a dataclass's fields are declared with."""
    return _hints_of(inspect.unwrap(thing))


@functools.cache
def _hints_of(thing: Any) -> dict[str, Any]:
    return typing.get_type_hints(thing, localns=_Names(thing.__module__))


def _fitted(hint: Any, value: Any) -> Any:
    """The value as that kind; raises Misfit."""
    if hint in (Any, object):
        return value
    value = plain_scalar(value)
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if hint is None or hint is type(None):
        return _if(value is None, value)
    if origin in (Union, types.UnionType):
        return _any_of(inner, value)
    if origin is Literal:
        return _if(isinstance(value, str | int) and value in inner, value)
    if origin is tuple:
        return _tuple(inner, value)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapping(inner, value)
    if origin is collections.abc.Callable:
        return _if(callable(value), value)
    if isinstance(origin, type) and issubclass(origin, collections.abc.Sequence):
        return _sequence(inner, value)
    if getattr(origin or hint, "__name__", "") == "ndarray":
        return _array(value)
    return _simple(hint, value)


def _simple(hint: Any, value: Any) -> Any:
    """A number, a text, a path, a flag, or an object of a class; what is declared otherwise is taken."""
    if hint in (float, int):
        return _number(hint, value)
    if hint is Path:
        return Path(_if(isinstance(value, str | os.PathLike), value))
    if not isinstance(hint, type) or getattr(hint, "_is_protocol", False):
        return value
    if issubclass(hint, _ByName):
        return _if(any(each.__name__ == hint.__name__ for each in type(value).__mro__), value)
    return _if(isinstance(value, hint), value)


def _number(hint: Any, value: Any) -> Any:
    """A number that a float holds; true and false are none."""
    kind = numbers.Real if hint is float else numbers.Integral
    _if(isinstance(value, kind) and not isinstance(value, bool), value)
    try:
        number = float(value)
    except OverflowError:
        raise Misfit from None
    return value if isinstance(value, int | float) else number


def _array(value: Any) -> Any:
    """An array of real numbers, of a list too."""
    import numpy as np

    if not isinstance(value, np.ndarray):
        value = np.array(_items(value), dtype=object)
        _if(all(isinstance(each, numbers.Real) for each in value.flat), value)
        value = value.astype(float)
    return _if(value.dtype.kind in "fiu", value)


def _if(fits: bool, value: Any) -> Any:
    if not fits:
        raise Misfit
    return value


def _any_of(kinds: tuple[Any, ...], value: Any) -> Any:
    """The first of several kinds that fits; a text stays one where texts are taken too."""
    for each in sorted(kinds, key=lambda kind: kind is Path):
        try:
            return _fitted(each, value)
        except Misfit:
            continue
    raise Misfit


def _items(value: Any) -> Any:
    """What holds items in order; raises Misfit for texts, tables and single things."""
    ordered = isinstance(value, collections.abc.Sequence) or getattr(value, "ndim", 0) > 0
    return _if(ordered and not isinstance(value, str | bytes), value)


def _tuple(inner: tuple[Any, ...], value: Any) -> tuple[Any, ...]:
    items = tuple(_items(value))
    kinds = inner[:1] * len(items) if inner[1:] == (Ellipsis,) else inner
    _if(len(kinds) == len(items), value)
    return tuple(_fitted(kind, item) for kind, item in zip(kinds, items, strict=True))


def _sequence(inner: tuple[Any, ...], value: Any) -> Any:
    items = _items(value)
    if isinstance(items, list | tuple) or hasattr(items, "ndim"):  # others may make their items when asked
        return [_fitted(inner[0], item) for item in items]
    return value


def _mapping(inner: tuple[Any, ...], value: Any) -> Any:
    _if(isinstance(value, Mapping), value)
    return {_fitted(inner[0], key): _fitted(inner[1], item) for key, item in value.items()}


# ---- their names -------------------------------------------------------------------------------------------

_NAMES = {float: "a number", int: "a whole number", str: "a text", bool: "true or false", Path: "a path"}


def words_of(hint: Any) -> str:
    """A kind as a phrase: 'a Capture or a path'."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (Union, types.UnionType):
        kinds = [each for each in inner if each is not type(None)]
        if Path in kinds:  # a text is one
            kinds = [each for each in kinds if each is not str]
        return " or ".join(dict.fromkeys(map(words_of, kinds)))
    if origin is tuple and inner[1:] != (Ellipsis,):
        return f"{len(inner)} numbers" if set(inner) == {float} else f"{len(inner)} together"
    if origin is collections.abc.Callable:
        return "a function"
    if getattr(origin or hint, "__name__", "") == "ndarray":
        return "an array of numbers"
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return f"a table of {_bare(inner[1])}"
    if isinstance(origin, type) and issubclass(origin, collections.abc.Sequence):
        return f"a {'tuple' if origin is tuple else 'list'} of {_bare(inner[0])}"
    return _NAMES.get(hint) or f"{'an' if hint.__name__[0] in 'AEIOU' else 'a'} {hint.__name__}"


def _bare(hint: Any) -> str:
    """The name of one among several."""
    name = words_of(hint)
    return getattr(hint, "__name__", name) if isinstance(hint, type) and hint not in _NAMES else name


def _choice(hint: Any) -> tuple[Any, ...]:
    """The words to choose from, where a kind is nothing else; a flag is true or false."""
    kinds = typing.get_args(hint) if typing.get_origin(hint) in (Union, types.UnionType) else (hint,)
    kinds = tuple(each for each in kinds if each is not type(None))
    if kinds == (bool,):
        return ("true", "false")
    literal = all(typing.get_origin(each) is Literal for each in kinds)
    return tuple(word for each in kinds for word in typing.get_args(each)) if literal else ()
