"""From functions that draw to a figure, and from its SVG to an element of a page."""

from __future__ import annotations

import contextlib
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from html import escape
from typing import TYPE_CHECKING

from gainkit.charts.style import Look, unmarked

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Draw = Callable[["Axes"], "Axes"]


def figure_of(draws: Sequence[Draw], look: Look) -> Figure:
    """A figure with one chart below the other; call it and draw on it inside `styled(look)`."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=look.inches(len(draws)), layout="constrained")
    for row, draw in enumerate(draws, start=1):
        draw(figure.add_subplot(len(draws), 1, row))
    return figure


def inline_svg(text: str, name: str, title: str) -> str:
    """An SVG file's text as an element of a page: ids of its own by name, no style that touches the rest."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'(href="#|url\(#)', rf"\1{name}-", text)
    text = text.replace("*{stroke", f"#{name}-figure_1 *{{stroke")
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(title)}" ', 1)


@contextlib.contextmanager
def any_letter() -> Iterator[None]:
    """A letter that no font here has (an emoji in a name) becomes a box, without a warning."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def title_of(figure: Figure) -> str:
    """The first chart's title on one line."""
    return unmarked(figure.axes[0].get_title(loc="left"))
