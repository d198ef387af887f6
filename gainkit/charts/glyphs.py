"""Letters that the fonts of a picture do not hold: they would stand there as boxes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Text


def write_what_is_drawn(figure: Figure) -> None:
    """Leave pictures out of a figure's texts (emoji), and write '?' for letters that no font of it holds.

    For files whose letters are drawn here: where a browser writes them it has fonts of its own.
    """
    for text in figure.findobj(Text):
        told = text.get_text()
        if not told.isascii():
            text.set_text(drawable(told, tuple(text.get_fontfamily())))


def drawable(told: str, families: Sequence[str]) -> str:
    """The text with what those families can draw."""
    held = _held(tuple(families))
    if not held:
        return told  # fonts that are not known here
    kept = [each if _plain(each) or ord(each) in held else _instead(each) for each in told]
    return re.sub(" {2,}", " ", "".join(kept)).strip(" ") or "?"


def _plain(each: str) -> bool:
    """What steers the text and is not drawn: line ends, spaces, marks of direction."""
    return each.isspace() or (unicodedata.category(each) == "Cf" and each != "\u200d")


def _instead(each: str) -> str:
    return "?" if unicodedata.category(each)[0] in "LN" else ""


@lru_cache(maxsize=8)
def _held(families: tuple[str, ...]) -> frozenset[int]:
    """Characters that one of the families holds."""
    held: set[int] = set()
    for family in families:
        try:
            path = findfont(FontProperties(family=[family]), fallback_to_default=False)
        except ValueError:
            continue
        held.update(get_font(path).get_charmap())
    return frozenset(held)
