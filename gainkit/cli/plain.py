"""Text for a person at a car: one figure first, then lines that fit a narrow screen."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.remarks import Remark

USUAL_COLUMNS = 80
"""Width where no terminal tells its own: a file, a pipe [characters]."""

MOST_COLUMNS = 101
"""Longer lines are hard to read [characters]."""

LEAST_COLUMNS = 40
"""Narrower than this words would be torn [characters]."""

STRONG, PLAIN = "\033[1;36m", "\033[0m"
"""The one colour: bold cyan, readable on light and dark grounds."""


def width() -> int:
    """Characters that a line may have: one less than the terminal has, for some break a full line twice."""
    columns = shutil.get_terminal_size((USUAL_COLUMNS, 24)).columns
    return min(max(columns, LEAST_COLUMNS), MOST_COLUMNS) - 1


def narrow() -> bool:
    """Whether the terminal is narrower than the usual one, for which lists and tables are made."""
    return width() < USUAL_COLUMNS - 1


def strong(text: str) -> str:
    """Text in the one colour, on a terminal that has colours and unless NO_COLOR is set."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not sys.stdout.isatty()
    return text if plain else f"{STRONG}{text}{PLAIN}"


def headline(figure: str, beside: str = "") -> str:
    """The figure wanted, between two rules."""
    rule = "=" * width()
    told = f"   {strong(figure)}"
    if beside:
        together = len(figure) + len(beside) + 6 <= width()
        told += f"   {beside}" if together else f"\n{wrapped(beside, '   ', '   ')}"
    return f"{rule}\n{told}\n{rule}"


def bullets(title: str, lines: Iterable[str | Remark]) -> str:
    """A title and wrapped points; nothing when there are none."""
    points = [wrapped(visible(line), "  - ", "    ") for line in said(lines)]
    return "\n".join([title, *points]) if points else ""


def said(remarks: Iterable[str | Remark]) -> list[str]:
    """Remarks as the command line says them, gravest first; sentences stay as they are."""
    from gainkit.cli.door import CLI
    from gainkit.remarks import ORDER
    from gainkit.words import remark_text

    def grave(each: str | Remark) -> int:
        return ORDER.index("remark" if isinstance(each, str) else each.severity)

    return [each if isinstance(each, str) else remark_text(each, CLI) for each in sorted(remarks, key=grave)]


def wrapped(text: str, first: str, later: str) -> str:
    """Text in lines that fit; a figure stays on one line with its unit."""
    joined = re.sub(r"(\d) (?=(?:V|W|A|ohm|dB|dBFS|Hz|mm2)\b)", "\\1\u00a0", text)
    lines = textwrap.fill(
        joined,
        width(),
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
        break_long_words=True,
    )
    return lines.replace("\u00a0", " ")


_KEPT = re.compile(r"\s*(?:gainkit |\||\$ )|.*-{3}")
"""Lines that are pasted, read by machines or drawn: they stay whole."""


def narrowed(text: str) -> str:
    """The text for a terminal narrower than usual: lines that do not fit are broken between words, and go on
    farther in. As it is everywhere else."""
    if not narrow():
        return text
    return "\n".join(
        line if len(line) <= width() or _KEPT.match(line) else _broken(line) for line in text.split("\n")
    )


def _broken(line: str) -> str:
    own = line[: len(line) - len(line.lstrip())]
    closer = re.sub(r" {3,}", "  ", line.strip())  # columns of a list that does not fit
    return wrapped(closer, own, own + "    ")


def sections(*parts: str) -> str:
    """Parts with an empty line between; empty ones are left out."""
    return "\n\n".join(part for part in parts if part)


def columns(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table in columns; figures are aligned right where every cell of a column looks like one.

    On a terminal narrower than usual a table that does not fit is told row by row, each as a block of lines.
    """
    cells = [[visible(cell) for cell in row] for row in rows]
    widths = [max(len(line[place]) for line in [list(head), *cells]) for place in range(len(head))]
    right = [
        all(row[place][:1].isdigit() or row[place][:1] in "-+" for row in cells) for place in range(len(head))
    ]
    lines = [
        "  ".join(
            cell.rjust(size) if to_right else cell.ljust(size)
            for cell, size, to_right in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in [list(head), *cells]
    ]
    if narrow() and max(map(len, lines)) > width():
        return "\n".join(_block(head, row) for row in cells)
    return "\n".join(lines)


def _block(head: Sequence[str], row: Sequence[str]) -> str:
    """A row of a table as lines of `head: value`, the first of them standing out; empty cells are left out."""
    told = [
        f"{name.strip()}: {cell.strip()}" if name.strip() else cell.strip()
        for name, cell in zip(head, row, strict=True)
        if cell.strip()
    ]
    return "\n".join(wrapped(each, "  " if place else "", "    ") for place, each in enumerate(told))


def percent(share_percent: float | None, digits: int = 3) -> str:
    """A distortion for a person: '0.00046 %', 'under 0.00001 %', a dash where it is not known."""
    from gainkit.figures import plain

    return "-" if share_percent is None else f"{plain(share_percent, digits, least=LEAST_PERCENT)} %"


LEAST_PERCENT = 1e-5
"""Smaller shares say no more than 'under' this [%]: 140 dB down, below what any converter resolves."""


def visible(text: str) -> str:
    """The text with control and direction characters made visible: no name can move the cursor."""
    return "".join(each if each.isprintable() else repr(each)[1:-1] for each in text)


_STEERING = re.compile(
    r"(\x1b\[(?:1;36|0)m)|[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f"
    r"\ufeff\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e0fff]"
)
"""Characters that move a cursor, change colours or turn the direction of writing, but for `STRONG` and
`PLAIN`."""


def screen(text: str) -> str:
    """Text as it may go to a terminal: line ends, tabs and our one colour stay, all else that steers it is
    shown as its escape. Names of files, titles of tone sets and texts of a system file may hold anything."""
    return _STEERING.sub(lambda match: match[1] or repr(match[0])[1:-1], text)


def shell_word(path: object) -> str:
    """A path as it can be pasted into a command line: quoted where it must be."""
    text = str(path)
    return subprocess.list2cmdline([text]) if os.name == "nt" else shlex.quote(text)


def shortened(text: str, length: int = 24) -> str:
    """At most `length` characters, with three dots where something was cut."""
    text = visible(text)
    return text if len(text) <= length else text[: length - 3] + "..."


def spreadsheet_cell(text: str) -> str:
    """Text that no spreadsheet runs as a formula: an apostrophe before characters that would start one."""
    starts = text.lstrip(" \u00a0\ufeff")
    return "'" + text if starts[:1] in {*"=+-@\t\r\n", *"\uff1d\uff0b\uff0d\uff20"} and starts else text


def markdown_cell(text: str) -> str:
    """Text that stays text inside a Markdown table."""
    return "".join("\\" + each if each in "\\`*_[]<>#|~&" else each for each in visible(text))
