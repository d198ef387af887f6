"""JSON and TOML that a stranger may have written: limits first, then the parser, then the schema of who asks.

A file that comes with a job, a tone set or a folder of tracks is read by these two only. What they let through
is small, shallow and of finite figures, so that nothing behind them runs out of time, memory or stack.
"""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

LARGEST_TOML_BYTES = 1_000_000
"""No TOML file written by a person is larger (our choice)."""

LARGEST_INDEX_BYTES = 100_000_000
"""The facts of an hour of pulses take 5 MB; no index of tracks is larger than this (our choice)."""

MOST_NESTED = 32
"""Tables and lists inside one another; our own results are less than ten deep (our choice) [-]."""

MOST_KEY_PARTS = 16
"""Parts of one dotted key; ours have two (our choice). The parser's time grows with their square [-]."""

LONGEST_WHOLE_NUMBER = 20
"""Digits of a whole number: those of 64 bits (our choice) [-]."""

_PART = r"""(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_DOTTED = re.compile(rf"(?<![\w-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{MOST_KEY_PARTS}}}")


class NestedTooDeeply(ValueError):
    """Tables inside tables beyond any use."""

    def __init__(self) -> None:
        super().__init__("nested too deeply")


def json_from(text: str | bytes) -> Any:
    """Plain values from JSON.

    Raises ValueError for what is none, and for NaN, infinity, numbers beyond a float or of more than 20 digits,
    and nesting beyond `MOST_NESTED`.
    """
    try:
        plain = json.loads(text, parse_constant=_no_number, parse_float=_figure, parse_int=_whole)
    except RecursionError:
        raise NestedTooDeeply from None
    _refuse_deep(plain)
    return plain


def toml_from(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises ValueError for what is none, and for what is nested beyond any use."""
    import tomllib

    if _DOTTED.search(text):
        raise NestedTooDeeply
    try:
        table = tomllib.loads(text)
    except RecursionError:
        raise NestedTooDeeply from None
    _refuse_deep(table)
    return table


def toml_text(text: str) -> str:
    """A text as TOML has it, in quotes, whatever it holds: JSON's escapes are TOML's too."""
    known = text.encode("utf-8", "backslashreplace").decode()
    return json.dumps(known, ensure_ascii=False).replace("\x7f", "\\u007f")


def small_text(path: Path, most_bytes: int = LARGEST_TOML_BYTES) -> str:
    """A file's text, with or without byte order mark. Raises ValueError when it is too large or not UTF-8, and
    OSError."""
    with path.open("rb") as file:
        raw = file.read(most_bytes + 1)
    if len(raw) > most_bytes:
        raise ValueError(f"larger than {most_bytes // 1_000_000} MB")
    return raw.decode("utf-8-sig")


def _refuse_deep(plain: Any) -> None:
    """Raise NestedTooDeeply for tables and lists inside one another beyond the limit; a level at a time, not by
    recursion."""
    level = [plain] if isinstance(plain, (dict, list)) else []
    for _ in range(MOST_NESTED):
        if not level:
            return
        level = [
            child
            for each in level
            for child in (each.values() if isinstance(each, dict) else each)
            if isinstance(child, (dict, list))
        ]
    if level:
        raise NestedTooDeeply


def _no_number(word: str) -> float:
    """NaN and infinity are no reading: every comparison with them would find nothing wrong."""
    raise ValueError(word)


def _figure(text: str) -> float:
    figure = float(text)
    if not math.isfinite(figure):
        raise ValueError("a number beyond any")
    return figure


def _whole(text: str) -> int:
    if len(text.lstrip("-")) > LONGEST_WHOLE_NUMBER:
        raise ValueError("a number beyond any")
    return int(text)
