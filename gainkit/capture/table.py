"""The body of a text: rows to figures, by numpy's own parser where rows are plain, cell by cell elsewhere."""

from __future__ import annotations

import codecs
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.dialect import NO_NUMBER, Dialect
from gainkit.errors import GainkitError

Floats = NDArray[np.float64]

LONGEST_LINE = 1 << 16
"""Characters of a line (our choice): a thousand columns of figures fit. A block of so many bytes without an end
of line is no table of ours, and to read it whole would cost its size many times over."""

PACKED = (".gz", ".bz2", ".xz", ".lzma")
"""Suffixes by which numpy unpacks a file that it is given by name: what is read here is told by content."""

CHUNK_BYTES = 1 << 21
"""Text parsed at a time [byte]: long traces need no more memory than a few times this besides their figures."""


@dataclass
class Table:
    """Rows read so far. figures : (rows, columns) as written. skipped : lines that were no rows, by number.
    blank : numbers of the rows with blank cells, and which they are (columns,)."""

    parts: list[Floats] = field(default_factory=list)
    rows: int = 0
    line: int = 0
    first_line: int = 0
    skipped: int = 0
    torn: bool = False
    blank: dict[int, NDArray[np.bool_]] = field(default_factory=dict)

    def add(self, part: Floats) -> None:
        if len(part):
            self.parts.append(part)
            self.rows += len(part)

    def figures(self, columns: int) -> Floats:
        if len(self.parts) == 1:
            return self.parts[0]
        return np.concatenate(self.parts) if self.parts else np.empty((0, columns))

    def drop_blank_end(self) -> None:
        """Leave out rows of bare separators behind the last figure."""
        while self.rows and (blank := self.blank.get(self.rows - 1)) is not None and blank.all():
            del self.blank[self.rows - 1]
            self.parts[-1] = self.parts[-1][:-1]
            self.rows -= 1
            if not len(self.parts[-1]):
                self.parts.pop()


def read_table(path: Path, encoding: str, dialect: Dialect) -> Table:
    """All rows of a text as (rows, columns) in the order of ``dialect.columns``.

    Blank cells and what instruments write for 'no value' become NaN. A last line that stops in the middle
    is left out and told by ``torn``. Raises GainkitError, with the line, for a row of another shape.
    """
    table = Table(line=dialect.first_row, first_line=dialect.first_row + 1)
    whole = _at_once(path, encoding, dialect)
    if whole is not None:
        table.add(whole)
        return table
    to_skip = dialect.first_row
    for chunk, last in _chunks(path, encoding):
        if to_skip:
            lines = chunk.split("\n")
            gone = min(to_skip, len(lines) - 1)
            to_skip -= gone
            chunk = "\n".join(lines[gone:])
            if to_skip:
                continue
        plain = dialect.normal(chunk)
        quick = _quick(plain, dialect)
        if quick is not None and not table.skipped:
            table.add(quick)
            table.line += len(quick)
        else:
            _slowly(path, plain, dialect, table, last)
    table.drop_blank_end()
    return table


def _at_once(path: Path, encoding: str, dialect: Dialect) -> Floats | None:
    """A file of plain rows from end to end, by numpy's own reader; None when any row is not plain.

    What it refuses (a blank cell, a word, a torn line, lines skipped) the slower reader takes or names.
    """
    if not dialect.plain or encoding.startswith("utf-16") or dialect.fields != len(dialect.columns):
        return None
    if path.suffix.lower() in PACKED or not _in_lines(path):
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            figures = np.loadtxt(  # by name: numpy reads its own file a third faster than one handed in
                str(path.absolute()),
                delimiter=dialect.row_separator,
                skiprows=dialect.first_row,
                comments=None,
                ndmin=2,
                encoding=encoding,
            )
        except (ValueError, UserWarning, OSError):
            return None
    return np.asarray(figures, dtype=np.float64)


def _in_lines(path: Path) -> bool:
    """Whether no block of the file is without an end of line: then no line is longer than two of them."""
    with open(path, "rb", buffering=0) as file:
        while block := file.read(LONGEST_LINE):
            if len(block) == LONGEST_LINE and b"\n" not in block:
                return False
    return True


def _chunks(path: Path, encoding: str) -> Iterator[tuple[str, bool]]:
    """Whole lines, about 2 MiB at a time, ends of line as newline; and whether it is the last piece.

    Raises GainkitError for a line that does not end.
    """
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    rest = ""
    with open(path, "rb") as file:
        while True:
            data = file.read(CHUNK_BYTES)
            text = rest + decoder.decode(data, final=not data)
            if data and text.endswith("\r"):  # its newline may be in the next piece
                text, held = text[:-1], "\r"
            else:
                held = ""
            if "\r" in text:
                text = text.replace("\r\n", "\n").replace("\r", "\n")
            if not data:
                yield text.rstrip("\0\x1a"), True
                return
            cut = text.rfind("\n") + 1
            rest = text[cut:] + held
            if len(rest) > LONGEST_LINE:
                rest = rest.lstrip("\0")  # a file that was made larger and never filled
                if len(rest) > LONGEST_LINE:
                    raise GainkitError("line_too_long", most=LONGEST_LINE).within("file", path)
            if cut:
                yield text[:cut], False


def _quick(text: str, dialect: Dialect) -> Floats | None:
    """Rows of numbers only, all of one shape: one call of numpy's parser. None when they are not."""
    separator = dialect.row_separator
    width = len(dialect.columns)
    trailing = dialect.fields - width
    if trailing not in (0, 1) or dialect.columns != tuple(range(width)) or not text.isascii():
        return None
    rows = text.count("\n") + (0 if text.endswith("\n") or not text else 1)
    if separator is not None:
        if text.count(separator) != rows * (dialect.fields - 1):
            return None
        text = text.replace(separator, " ")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            figures = np.fromstring(text, dtype=np.float64, sep=" ")
        except (ValueError, DeprecationWarning):
            return None
    if figures.size != rows * width or not text.endswith("\n"):
        return None
    return np.asarray(figures.reshape(rows, width))


def _slowly(path: Path, text: str, dialect: Dialect, table: Table, last: bool) -> None:
    """Line by line: blank cells, words for missing values, comments, and lines of another shape."""
    lines = text.split("\n")
    whole = lines.pop() if lines else ""  # behind the last newline: empty, or a line without its end
    rows: list[list[float]] = []
    for place, line in enumerate([*lines, whole]):
        unfinished = place == len(lines)
        if unfinished and not line.strip():
            break
        table.line += 1
        if not line.strip() or dialect.is_comment(line):
            table.skipped += 1
            continue
        row = _row(dialect, line)
        if unfinished and len(dialect.row_cells(line)) <= max(dialect.columns):
            row = None
        if row is None:
            if last and (unfinished or place == len(lines) - 1):
                table.torn = True
                break
            raise GainkitError(
                "row_differs",
                line=table.line, text=line.strip()[:50], figures=len(dialect.columns), cells=dialect.fields,
            ).within("file", path)  # fmt: skip
        figures, blank = row
        if any(blank):
            table.blank[table.rows + len(rows)] = np.array(blank)
        rows.append(figures)
    if rows:
        table.add(np.array(rows, dtype=np.float64))


def _row(dialect: Dialect, line: str) -> tuple[list[float], list[bool]] | None:
    """Figures of a row, NaN where there is none, and which cells are blank; None when it is no row."""
    cells = dialect.row_cells(line)
    if len(cells) < max(dialect.columns) + 1 and len(cells) < dialect.fields - 1:
        return None
    if len(cells) > dialect.fields + 1:
        return None
    figures: list[float] = []
    blank: list[bool] = []
    for column in dialect.columns:
        cell = cells[column] if column < len(cells) else ""
        blank.append(not cell)
        if not cell or NO_NUMBER.fullmatch(cell):
            figures.append(np.nan)
            continue
        try:
            figures.append(float(cell))
        except ValueError:
            return None
    if all(np.isnan(figure) for figure in figures) and not all(blank) and not re.search(r"\w", line):
        return None
    return figures, blank
