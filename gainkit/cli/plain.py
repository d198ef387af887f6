"""Text for a person at a car: one figure first, then lines that fit a narrow screen."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.calculator.ranges import Range

WIDTH = 79


def headline(figure: str, beside: str = "") -> str:
    """The figure wanted, between two rules."""
    rule = "=" * WIDTH
    return f"{rule}\n   {figure}{'   ' + beside if beside else ''}\n{rule}"


def bullets(title: str, lines: Iterable[object]) -> str:
    """A title and wrapped points; nothing when there are none."""
    points = [wrapped(visible(str(line)), "  - ", "    ") for line in lines]
    return "\n".join([title, *points]) if points else ""


def wrapped(text: str, first: str, later: str) -> str:
    """Text in lines of at most WIDTH signs; a figure stays on one line with its unit."""
    joined = re.sub(r"(\d) (?=(?:V|W|A|ohm|dB|dBFS|Hz|mm2)\b)", "\\1\u00a0", text)
    lines = textwrap.fill(
        joined,
        WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
        break_long_words=True,
    )
    return lines.replace("\u00a0", " ")


def sections(*parts: str) -> str:
    """Parts with an empty line between; empty ones are left out."""
    return "\n\n".join(part for part in parts if part)


def columns(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table in columns; figures are aligned right where every cell of a column looks like one."""
    cells = [[visible(cell) for cell in row] for row in rows]
    widths = [max(len(line[place]) for line in [list(head), *cells]) for place in range(len(head))]
    right = [
        all(row[place][:1].isdigit() or row[place][:1] in "-+" for row in cells) for place in range(len(head))
    ]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if to_right else cell.ljust(width)
            for cell, width, to_right in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in [list(head), *cells]
    )


def visible(text: str) -> str:
    """The text with control and direction signs made visible: no name can move the cursor."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def shell_word(path: object) -> str:
    """A path as it can be pasted into a command line: quoted where it must be."""
    text = str(path)
    return subprocess.list2cmdline([text]) if os.name == "nt" else shlex.quote(text)


def shortened(text: str, length: int = 24) -> str:
    """At most `length` signs, with three dots where something was cut."""
    text = visible(text)
    return text if len(text) <= length else text[: length - 3] + "..."


def spreadsheet_cell(text: str) -> str:
    """Text that no spreadsheet runs as a formula: an apostrophe before signs that would start one."""
    starts = text.lstrip(" \u00a0\ufeff")
    return "'" + text if starts[:1] in {*"=+-@\t\r\n", *"\uff1d\uff0b\uff0d\uff20"} and starts else text


def markdown_cell(text: str) -> str:
    """Text that stays text inside a Markdown table."""
    return "".join("\\" + sign if sign in "\\`*_[]<>#|~&" else sign for sign in visible(text))


def checked(option: str, value: float | None, allowed: Range, required: bool = False) -> None:
    """Refuse an option's value outside its range, by the option's own name."""
    from gainkit.calculator.ranges import refuse_outside
    from gainkit.errors import GainkitError

    if required and value is None:
        raise GainkitError(f"{option} is missing.", f"Give {option} with a value {allowed.words()}.")
    refuse_outside(option, value, allowed)
