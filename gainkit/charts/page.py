"""A drawing as one page that tells its figures when touched: an SVG, its points and a script of our own.

A plotting library's script weighs megabytes beside a drawing of some tens of kilobytes (a common one 4.8 MB),
and would draw in a style of its own. Here the page holds the very picture that a file of another kind holds,
wide and narrow, and a table of its points.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from gainkit.charts.drawing import Draw, any_letter, figure_of, inline_svg, title_of
from gainkit.charts.style import NAMES, SCALE, Look, in_the_dark, inks, styled, unmarked, with_variables
from gainkit.figures import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_POINTS = 600
"""Points told of one line [-]: closer together than a finger can part."""

LEAST_OF_SPAN = 1e-9
"""Figures below this share of the axis are zero and rounding [-]."""

COLOURS = {"ground": "chart-ground", "ink": "chart-ink", "mark": "chart-line-2"}
"""What the page takes from the colours of the drawing."""

NARROW_PIXELS = 560
"""Below this width of the window the narrow drawing is shown [CSS pixel]."""


def chart_page(draws: Sequence[Draw], look: Look) -> tuple[str, str]:
    """A whole page, and its title. Nothing in it is fetched from elsewhere.

    It is light or dark as its reader's window is; where the look is dark, always dark.
    """
    sizes = {
        "wide": look if look.size != "phone" else replace(look, size="page"),
        "narrow": replace(look, size="phone"),
    }
    parts, title = [], ""
    for name, each in sizes.items():
        with styled(each):
            figure = figure_of(draws, each)
            out = io.StringIO()
            with any_letter():
                figure.savefig(
                    out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
                )
            title = title_of(figure)
            points = [point for ax in figure.axes for point in _points(figure, ax)]
        svg = with_variables(inline_svg(out.getvalue(), name, title), look.theme)
        table = json.dumps(points, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
        parts.append(
            f'<figure class="{name}" tabindex="0">{svg}'
            f'<script type="application/json">{table}</script></figure>'
        )
    own = {key.upper(): f"var(--{name}, {inks(look.theme)[name]})" for key, name in COLOURS.items()}
    page = PAGE
    for key, value in {
        "TITLE": escape(title), **own, "SCHEME": "light dark" if look.theme == "light" else "dark",
        "DARK": in_the_dark(":root") if look.theme == "light" else "",
        "NARROW": str(NARROW_PIXELS), "FIGURES": "\n".join(parts),
    }.items():  # fmt: skip
        page = page.replace(f"@{key}@", value)
    return page, title


def _points(figure: Figure, ax: Axes) -> Iterator[tuple[float, float, str]]:
    """Places in the picture, as parts of its width and height from the top left, and what is told there."""
    to_figure = figure.transFigure.inverted()
    for label, xs, ys, transform in _lines(ax):
        chosen = np.unique(np.linspace(0, len(xs) - 1, min(len(xs), MOST_POINTS)).astype(int))
        upright, level = len(xs) == 2 and xs[0] == xs[1], len(xs) == 2 and ys[0] == ys[1]
        if upright or level:  # a mark across the picture: told along its whole length
            share = np.linspace(0, 1, 60)
            xs, ys = xs[0] + share * (xs[1] - xs[0]), ys[0] + share * (ys[1] - ys[0])
            chosen = np.arange(60)
        for x, y in zip(xs[chosen], ys[chosen], strict=True):
            if not (np.isfinite(x) and np.isfinite(y)):
                continue
            across, up = to_figure.transform(transform.transform((x, y)))
            place = ax.transAxes.inverted().transform(transform.transform((x, y)))
            if (place < -0.001).any() or (place > 1.001).any():
                continue
            told = [_figure_of(ax.xaxis, x)] if upright else [_figure_of(ax.yaxis, y)]
            if not upright and not level:
                told.append(_figure_of(_beneath(ax), x))
            yield round(float(across), 5), round(1 - float(up), 5), f"{label}: {' at '.join(told)}"


def _lines(ax: Axes) -> Iterator[tuple[str, Any, Any, Any]]:
    """Named lines, with those of error bars: name, x, y, and what takes them to pixels."""
    names = {}
    for container in ax.containers:
        line = container[0]
        names[line] = container.get_label()
    for line in ax.lines:
        label = str(names.get(line, line.get_label()))
        if label.startswith("_"):
            continue
        xs, ys = (np.asarray(each, dtype=float) for each in line.get_data(orig=False))
        yield unmarked(label), xs, ys, line.get_transform()


def _beneath(ax: Axes) -> Any:
    """The axis that tells what lies below: a second scale at the side shares that of the first."""
    alike = [each for each in ax.get_shared_x_axes().get_siblings(ax) if each.xaxis.label.get_text()]
    return (ax if ax.xaxis.label.get_text() or not alike else alike[0]).xaxis


def _figure_of(axis: Any, value: float) -> str:
    """A figure with its unit, as the axis tells it; a name where the axis has names."""
    unit = re.search(r"\[([^\]]+)\]", unmarked(axis.label.get_text()))
    ending = f" {unit.group(1)}" if unit else ""
    names = axis.__dict__.get(NAMES)
    if names:
        return unmarked(names[min(names, key=lambda place: abs(place - value))]) + ending
    low, high = axis.get_view_interval()
    rounding = abs(value) < LEAST_OF_SPAN * abs(high - low)
    return plain(0.0 if rounding else float(value) * axis.__dict__.get(SCALE, 1.0), 4) + ending


PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="@SCHEME@">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:">
<link rel="icon" href="data:,">
<title>@TITLE@</title>
<style>
@DARK@
body { margin: 0; padding: .5rem; background: @GROUND@; color: @INK@; font: 1rem/1.4 system-ui, sans-serif }
figure { position: relative; margin: 0 auto; max-width: 75rem; touch-action: pan-y }
figure > svg { display: block; width: 100%; height: auto }
.narrow { display: none; max-width: 30rem }
@media (max-width: @NARROW@px) { .wide { display: none } .narrow { display: block } }
.told { position: absolute; pointer-events: none; padding: .2rem .5rem; border: 1px solid @MARK@;
  border-radius: .3rem; background: @GROUND@; max-width: 15rem }
.spot { position: absolute; pointer-events: none; width: .7rem; height: .7rem; margin: -.35rem 0 0 -.35rem;
  border: 2px solid @MARK@; border-radius: 50%; box-sizing: border-box }
</style></head><body>
@FIGURES@
<p id="hint">Touch the picture, or use the arrow keys: it tells the figure there.</p>
<script>
"use strict";
for (const figure of document.querySelectorAll("figure")) {
  const points = JSON.parse(figure.querySelector("script").textContent);
  const told = document.createElement("div"), spot = document.createElement("div");
  told.className = "told"; spot.className = "spot"; told.hidden = spot.hidden = true;
  told.setAttribute("role", "status"); told.dir = "auto";
  figure.append(told, spot);
  let at = -1;
  const show = number => {
    at = (number + points.length) % points.length;
    const [x, y, text] = points[at], box = figure.firstElementChild.getBoundingClientRect();
    told.textContent = text; told.hidden = spot.hidden = false;
    spot.style.left = x * box.width + "px"; spot.style.top = y * box.height + "px";
    const wide = told.offsetWidth, left = x * box.width + (x > .5 ? -wide - 12 : 12);
    told.style.left = Math.max(0, Math.min(left, box.width - wide)) + "px";
    told.style.top = Math.max(0, y * box.height - told.offsetHeight - 10) + "px";
  };
  const near = event => {
    const box = figure.firstElementChild.getBoundingClientRect();
    const x = event.clientX - box.left, y = event.clientY - box.top;
    let best = -1, least = Infinity;
    points.forEach(([px, py], number) => {
      const far = (px * box.width - x) ** 2 + (py * box.height - y) ** 2;
      if (far < least) { least = far; best = number; }
    });
    if (best >= 0) show(best);
  };
  figure.addEventListener("pointermove", near);
  figure.addEventListener("pointerdown", near);
  figure.addEventListener("keydown", event => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (step && points.length) { show(at + step); event.preventDefault(); }
  });
}
</script>
</body></html>
"""
