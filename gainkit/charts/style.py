"""The one style of all charts: three sizes, two themes, lines that differ in lightness and dash.

Text stands at 4.5:1 or more against its ground, lines at 3:1 or more (WCAG 2.2, 1.4.3 and 1.4.11). Lines
differ in dash and in lightness, so a greyscale print and any kind of colour vision will do; colour only helps.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import matplotlib
from cycler import cycler

from gainkit.calculator.ranges import refuse_faults

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

Size = Literal["phone", "page", "slide"]
Theme = Literal["light", "dark"]

INCHES: dict[Size, tuple[float, float]] = {"phone": (4.0, 4.4), "page": (7.0, 4.3), "slide": (12.8, 7.2)}
"""Width and height of a single picture [inch]."""

POINTS: dict[Size, float] = {"phone": 9.0, "page": 9.0, "slide": 17.0}
"""Size of plain text [point]."""

DOTS: dict[Size, float] = {"phone": 200.0, "page": 150.0, "slide": 125.0}
"""Resolution of bitmaps [dot/inch]."""


@dataclass(frozen=True)
class Palette:
    """ground, ink and faint (grids, edges); three lines from strong to weak; shade : of regions."""

    ground: str
    ink: str
    faint: str
    lines: tuple[str, str, str]
    shade: tuple[str, str, str]


PALETTES: dict[Theme, Palette] = {
    "light": Palette(
        "#fdfcf8", "#1d1f24", "#b9b6ab", ("#16325c", "#9a4310", "#48776f"), ("#fdfcf8", "#efe9d6", "#ddd3b8")
    ),
    "dark": Palette(
        "#16181d", "#f1efe8", "#5c6068", ("#cfe0ff", "#f0a265", "#6fa39d"), ("#16181d", "#262a2c", "#3a3b34")
    ),
}


def inks(theme: Theme) -> dict[str, str]:
    """Every colour of a theme by the name of the page's variable that holds it."""
    palette = PALETTES[theme]
    own = {"chart-ground": palette.ground, "chart-ink": palette.ink, "chart-faint": palette.faint}
    own |= {f"chart-line-{number}": each for number, each in enumerate(palette.lines, 1)}
    return own | {f"chart-shade-{number}": each for number, each in enumerate(palette.shade[1:], 1)}


def with_variables(svg: str, theme: Theme) -> str:
    """A drawing whose colours a page may change, by the variables that `inks` names."""
    for variable, colour in inks(theme).items():
        svg = re.sub(f": {colour}\\b", f": var(--{variable}, {colour})", svg)
    return svg


def in_the_dark(selector: str) -> str:
    """A rule that gives a page or drawing the dark theme's colours where its reader likes it dark."""
    dark = "; ".join(f"--{name}: {colour}" for name, colour in inks("dark").items())
    return f"@media (prefers-color-scheme: dark) {{ {selector} {{ {dark} }} }}"


LONGEST_NAME = 24
"""Letters of a name that a title has room for [-]; what is cut is told by dots."""

ASIDE = str.maketrans("", "", "\u200e\u2068\u2069")
"""Marks that keep a name's own direction out of the sentence around it."""

DASHES: tuple[str | tuple[int, tuple[float, ...]], ...] = (
    "-",
    (0, (6, 2)),
    (0, (1.5, 1.5)),
    (0, (6, 2, 1.5, 2)),
)
"""One for each line of a picture, in order."""


@dataclass(frozen=True)
class Look:
    """How a picture is made: where it will be seen, and on what ground."""

    size: Size = "page"
    theme: Theme = "light"

    def __post_init__(self) -> None:
        refuse_faults(self)

    @property
    def palette(self) -> Palette:
        return PALETTES[self.theme]

    def inches(self, rows: int = 1) -> tuple[float, float]:
        """Width and height of so many charts, one below the other; a slide keeps its shape [inch]."""
        width, height = INCHES[self.size]
        return width, height if self.size == "slide" else height * (1 + 0.8 * (rows - 1))


@contextmanager
def styled(look: Look) -> Iterator[None]:
    """Everything drawn inside has the look."""
    colours, points = look.palette, POINTS[look.size]
    with matplotlib.rc_context(
        {
            "font.family": "sans-serif",
            "font.sans-serif": ["DejaVu Sans", "Verdana", "sans-serif"],
            "font.size": points,
            "axes.titlesize": points * 1.2,
            "axes.titleweight": "bold",
            "axes.titlelocation": "left",
            "axes.titlepad": points,
            "figure.constrained_layout.w_pad": points * 0.012,
            "figure.constrained_layout.h_pad": points * 0.012,
            "axes.labelsize": points,
            "xtick.labelsize": points * 0.9,
            "ytick.labelsize": points * 0.9,
            "xtick.major.pad": points * 0.5,
            "ytick.major.pad": points * 0.4,
            "figure.facecolor": colours.ground,
            "savefig.facecolor": colours.ground,
            "axes.facecolor": colours.ground,
            "axes.edgecolor": colours.faint,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.labelcolor": colours.ink,
            "text.color": colours.ink,
            "axes.titlecolor": colours.ink,
            "xtick.color": colours.faint,
            "ytick.color": colours.faint,
            "xtick.labelcolor": colours.ink,
            "ytick.labelcolor": colours.ink,
            "axes.grid": True,
            "grid.color": colours.faint,
            "grid.alpha": 0.45,
            "grid.linewidth": points * 0.06,
            "axes.axisbelow": True,
            "lines.linewidth": points * 0.2,
            "lines.markersize": points * 0.6,
            "axes.prop_cycle": cycler(color=colours.lines),
            "svg.fonttype": "none",
            "svg.hashsalt": "gainkit",
            "axes.unicode_minus": False,
            "text.parse_math": False,
        }
    ):
        yield


def palette_of(ax: Axes) -> Palette:
    """The palette that an Axes was made with (the light one outside `styled`)."""
    from matplotlib.colors import to_hex

    ground = to_hex(ax.get_facecolor())
    return next((each for each in PALETTES.values() if each.ground == ground), PALETTES["light"])


def named(name: str, letters: int = LONGEST_NAME) -> str:
    """A user's name for a picture: one line, cut with dots where it is long, its own direction kept to itself.

    Arabic and Hebrew are set between marks of Unicode (UAX #9: first strong isolate), so that the sentence
    around them runs on from the left. Of an output's long name what tells it from its sisters stays: "Front
    left door\u2026/tweeter".
    """
    line = " ".join("".join(each for each in name if each.isprintable() or each == " ").split())
    tail = line[max(line.rfind("/"), 0) :] if "/" in line else ""
    tail = tail if len(tail) <= letters // 2 else ""
    cut = line if len(line) <= letters else line[: letters - 1 - len(tail)].rstrip() + "\u2026" + tail
    turned = any(unicodedata.bidirectional(each) in ("R", "AL") for each in cut)
    return f"\u200e\u2068{cut}\u2069" if turned else cut


def unmarked(text: str) -> str:
    """A drawn text as one line of plain letters, for answers in text."""
    return " ".join(text.translate(ASIDE).split())


SCALE = "gainkit_scale"
"""Where an axis keeps what its values are multiplied by to be in the unit of its label."""

NAMES = "gainkit_names"
"""Where an axis of names keeps them all: {place: name}."""


def name_ticks(axis: Axis, names: Mapping[float, str], every: int = 1) -> None:
    """An axis of names in place of figures: one for each place, of which every so-manieth is written.

    A page that tells what is touched finds all of them in the axis.
    """
    axis.__dict__[NAMES] = dict(names)
    shown = list(names.items())[::every]
    axis.set_ticks([place for place, _ in shown], [name for _, name in shown], parse_math=False)


def headline(ax: Axes, point: str, share: float = 0.84) -> None:
    """The point of the picture as its title, wrapped to the share of the width that lies over the axes."""
    figure = ax.get_figure()
    assert figure is not None
    from matplotlib.font_manager import FontProperties

    points = FontProperties(size=matplotlib.rcParams["axes.titlesize"]).get_size_in_points()  # it may be a word
    place = ax.get_subplotspec()
    columns = 1 if place is None else place.get_gridspec().ncols
    width = 72 * figure.get_figure(root=True).get_size_inches()[0] / columns
    letters = max(int(share * width / (0.68 * points)), 20)
    whole = re.sub(r"(\d) (?=(?:V|W|dB|dBFS|Hz|%))", "\\1\u00a0", point)  # a figure stays with its unit
    ax.set_title("\n".join(textwrap.wrap(whole, letters, break_on_hyphens=False)), parse_math=False)


LINE_HEIGHT = 1.42
"""Room for a line of text over the size of its letters [-]: DejaVu's lines, a little apart."""


def thick(points: float) -> float:
    """A line's width or a mark's size on the page, for the picture at hand: what is seen from the last row is
    thicker [point]."""
    return points * float(matplotlib.rcParams["font.size"]) / POINTS["page"]


def label_ends(ax: Axes, labels: Sequence[tuple[float, str]], colours: Sequence[str]) -> None:
    """Name lines at the right edge, at their own heights, moved apart where they would touch and back into the
    axes where they would leave them.

    labels : (height in data units, text), one a line.
    """
    figure = ax.get_figure()
    assert figure is not None
    size = matplotlib.rcParams["font.size"]
    low, high = ax.get_ylim()
    height = 72 * figure.get_figure(root=True).get_size_inches()[1] * 0.7
    line = LINE_HEIGHT * size / height  # of the axes' own height, roughly
    tall = [text.count("\n") + 1 for _, text in labels]
    scale = ax.yaxis.get_transform()
    ends = scale.transform([low, high])
    places = [float((scale.transform([y])[0] - ends[0]) / (ends[1] - ends[0])) for y, _ in labels]
    order = sorted(range(len(places)), key=lambda i: places[i])
    if order:
        places[order[0]] = max(places[order[0]], line * tall[order[0]] / 2)
    for below, here in pairwise(order):
        places[here] = max(places[here], places[below] + line * (tall[below] + tall[here]) / 2)
    if order:
        places[order[-1]] = min(places[order[-1]], 1.0 - line * tall[order[-1]] / 2)
    for above, here in pairwise(reversed(order)):
        places[here] = min(places[here], places[above] - line * (tall[above] + tall[here]) / 2)
    for (_, text), place, colour in zip(labels, places, colours, strict=True):
        ax.annotate(
            text, (1.0, place), xycoords="axes fraction", xytext=(4, 0), textcoords="offset points",
            va="center", ha="left", color=colour, annotation_clip=False, parse_math=False,
        )  # fmt: skip
