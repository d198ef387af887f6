"""What `str` says of a result: the verdict first, then at most five lines of the figures behind it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

SUMMARIES: dict[str, Callable[[Any], list[str]]] = {}
"""By the name of the result's class: a function to its lines, the first of which stands by itself."""


def summary(result: Any) -> list[str]:
    """The lines of one result."""
    return SUMMARIES[type(result).__name__](result)
