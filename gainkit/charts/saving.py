"""From a drawing to a file that is whole, or to SVG text for a page."""

from __future__ import annotations

import contextlib
import io
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gainkit.charts.style import DOTS, Look, inks, styled, unmarked
from gainkit.errors import GainkitError
from gainkit.files import refuse_existing, whole_file, write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Draw = Callable[["Axes"], "Axes"]
FORMATS = (".png", ".svg", ".pdf", ".html")


def figure_of(draws: Sequence[Draw], look: Look) -> Figure:
    """A figure with one chart below the other; call it and draw on it inside `styled(look)`."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=look.inches(len(draws)), layout="constrained")
    for row, draw in enumerate(draws, start=1):
        draw(figure.add_subplot(len(draws), 1, row))
    return figure


def save_chart(
    draws: Draw | Sequence[Draw], path: Path | str, look: Look | None = None, *, overwrite: bool = False
) -> str:
    """Draw to a file, and return the title of the first drawing.

    Parameters
    ----------
    draws : function or sequence of functions
        Each draws on the matplotlib Axes that it is given; several stand one below the other.
    path : str or Path
        File to write: .png, .svg, .pdf, or .html for a page that tells its figures when touched.
    look : Look, optional
        Size ("phone", "page", "slide") and theme ("light", "dark").
    overwrite : bool
        Replace a file that is there.

    Returns
    -------
    str
        The title, on one line.

    Raises
    ------
    GainkitError
        `wrong_suffix` for another kind of file; `file_exists`, `folder_missing` where it cannot go.

    Examples
    --------
    >>> import gainkit, tempfile, pathlib
    >>> channel = gainkit.Channel((gainkit.Rating(75, 4),), load_ohms=4)
    >>> target = gainkit.find_target(channel)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     gainkit.save_chart(lambda ax: gainkit.draw_power(ax, target), pathlib.Path(folder) / "power.svg")
    '3 dB more are twice the watts: 75 W at full scale'
    """
    look, path = look or Look(), Path(path)
    kind = path.suffix.lower()
    if kind not in FORMATS:
        raise GainkitError("wrong_suffix", "out", path, FORMATS)
    refuse_existing(path, overwrite)
    drawn = draws if isinstance(draws, Sequence) else [draws]
    if kind == ".html":
        from gainkit.charts.page import chart_page

        page, title = chart_page(drawn, look)
        write_whole(path, page, overwrite=overwrite)
        return title
    with styled(look):
        figure = figure_of(drawn, look)
        # no date inside: the same figures give the same file
        undated = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
        with whole_file(path, overwrite=overwrite) as draft, any_letter():
            figure.savefig(draft, format=kind[1:], dpi=DOTS[look.size], metadata=undated[kind])
    return title_of(figure)


def chart_svg(
    draws: Draw | Sequence[Draw], look: Look | None = None, *, name: str = "chart", by_page: bool = False
) -> str:
    """The drawing as an inline <svg> element: no outside reference, ids of its own by `name`.

    by_page : the page may change its colours, by the variables that `style.inks` names.
    """
    look = look or Look()
    with styled(look):
        figure = figure_of(draws if isinstance(draws, Sequence) else [draws], look)
        out = io.StringIO()
        with any_letter():
            figure.savefig(
                out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
            )
    svg = inline_svg(out.getvalue(), name, title_of(figure))
    for variable, colour in inks(look.theme).items() if by_page else ():
        svg = re.sub(f": {colour}\\b", f": var(--{variable}, {colour})", svg)
    return svg


def inline_svg(text: str, name: str, title: str) -> str:
    """An SVG file's text as an element of a page: ids of its own by name, no style that touches the rest."""
    from html import escape

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
