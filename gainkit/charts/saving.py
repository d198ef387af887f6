"""From a drawing to a file that is whole, or to SVG text for a page."""

from __future__ import annotations

import io
from collections.abc import Sequence
from html import unescape
from pathlib import Path

from gainkit.charts.drawing import Draw, any_letter, figure_of, inline_svg, title_of
from gainkit.charts.glyphs import write_what_is_drawn
from gainkit.charts.page import chart_page
from gainkit.charts.style import DOTS, Look, Size, in_the_dark, styled, with_variables
from gainkit.errors import GainkitError
from gainkit.files import refuse_existing, whole_file, write_whole

FORMATS = (".png", ".svg", ".pdf", ".html")


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
    if not drawn:
        raise GainkitError("missing", "draws")
    if kind == ".html":
        page, title = chart_page(drawn, look)
        write_whole(path, page, overwrite=overwrite)
        return title
    with styled(look):
        figure = figure_of(drawn, look)
        title = title_of(figure)
        if kind != ".svg":
            write_what_is_drawn(figure)
        # no date inside: the same figures give the same file
        undated = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
        with whole_file(path, overwrite=overwrite) as draft, any_letter():
            figure.savefig(draft, format=kind[1:], dpi=DOTS[look.size], metadata=undated[kind])
    return title


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
    return with_variables(svg, look.theme) if by_page else svg


def save_following_svg(draw: Draw, path: Path, size: Size = "page", *, overwrite: bool = False) -> str:
    """An SVG file that is light or dark as the window is that shows it; its title is returned.

    One drawing does for both grounds, for nothing but the colours differs. A page may show it by <img>.
    """
    svg = chart_svg(draw, Look(size), by_page=True)
    title = unescape(svg.split('aria-label="', 1)[1].split('"', 1)[0])
    style = f"<style>{in_the_dark('svg')}</style>"
    start = svg.index(">") + 1
    write_whole(path, f"{svg[:start]}{style}{svg[start:]}\n", overwrite=overwrite)
    return title
