"""How a text writes its table: separator, decimal point or comma, quotes, and where the rows begin."""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from gainkit.errors import GainkitError

COMMENT_STARTS = ("#", "%", ";", "//", "!")
"""What begins a line that speaks to people."""

SAMPLE_LINES = 40
"""Lines that the dialect is told from [lines]: from the end of what was read, past the preamble."""

MOST_COLUMNS = 1024
"""Columns of figures that a table may have: as many as an audio file has channels (our choice) [-]."""

SURE_ROWS = 3
"""So many rows in a line are a table; fewer may be figures of the preamble [rows]."""

POINT_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eEdD][+-]?\d+)?")
NO_NUMBER = re.compile(
    r"[+-]?(?:nan|inf|infinity|\u221e|1\.?#\w+|ovl|ovf|ol|overflow|overload|clip|clipped|#?n/?a|null|-{2,}|\*+|\?+)",
    re.IGNORECASE,
)
"""What instruments write where a sample is missing or off the screen."""


UNIT_CELL = re.compile(r"\d\s*[pnum\u00b5\u03bck]?(?:s|V)\s*(?:[,;\t|]|$)")
"""A figure with its unit in its cell."""


FENCE = re.compile(r'\d,\d[^",]*","')
"""A decimal comma inside quotes, before a separating one."""


@dataclass(frozen=True)
class Dialect:
    """How rows are written.

    separator : one character, or None for runs of blanks. decimal_comma : comma for the decimal point.
    quoted : cells stand in quotes; fenced : quotes also keep decimal commas apart from separating ones.
    fortran : D for the exponent. first_row : lines before the table. fields : cells of a row, empty ones
    included. columns : positions of the numbers.
    """

    separator: str | None
    decimal_comma: bool
    quoted: bool
    fenced: bool
    fortran: bool
    first_row: int
    fields: int
    columns: tuple[int, ...]

    @property
    def plain(self) -> bool:
        """True when numpy reads such rows as they are."""
        return not (self.decimal_comma or self.quoted or self.fortran)

    def normal(self, text: str) -> str:
        """The same rows with decimal points, without quotes, separated by ``row_separator``."""
        if self.fenced:
            text = text.replace('","', '";"')
        if self.quoted:
            text = text.replace('"', "")
        if self.decimal_comma:
            text = text.replace(",", ".")
        if self.fortran:
            text = text.replace("D", "E").replace("d", "e")
        return text if text.isascii() else text.replace("\u2212", "-")

    @property
    def row_separator(self) -> str | None:
        """The separator after ``normal``."""
        return ";" if self.fenced else self.separator

    def row_cells(self, line: str) -> list[str]:
        """Cells of a line after ``normal``."""
        if self.row_separator is None:
            return line.split()
        return [cell.strip() for cell in line.split(self.row_separator)]

    def is_comment(self, line: str) -> bool:
        """True for a line that speaks to people; a leading ';' is an empty cell where it separates."""
        return line.lstrip().startswith(tuple(start for start in COMMENT_STARTS if start != self.row_separator))

    def cells(self, line: str) -> list[str]:
        """Cells of a line before the table: as rows, but quotes keep what stands between them together."""
        if self.separator is None or '"' not in line:
            return self.row_cells(line) if self.separator is None else _split(line, self.separator)
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=self.separator))]
        except (csv.Error, StopIteration):
            return _split(line, self.separator)


def _split(line: str, separator: str | None) -> list[str]:
    if separator is None:
        return line.split()
    return [cell.strip().strip('"').strip() for cell in line.split(separator)]


def is_number(cell: str) -> bool:
    """True for a number with a decimal point, and for what instruments write instead of one."""
    return POINT_NUMBER.fullmatch(cell) is not None or NO_NUMBER.fullmatch(cell) is not None


def find_dialect(path: Path, lines: list[str]) -> Dialect:
    """The dialect of a text, from its first lines (whole ones). Raises GainkitError when it is no table."""
    filled = [line for line in lines if line.strip()]
    sample = filled[-SAMPLE_LINES:] if len(filled) >= 2 * SAMPLE_LINES else filled
    if sum(UNIT_CELL.search(line) is not None for line in sample) > len(sample) / 2:
        raise GainkitError("units_in_cells", text=sample[-1].strip()[:40]).within("file", path)
    quoted = sum('"' in line for line in sample) > len(sample) / 2
    fenced = quoted and sum(FENCE.search(line) is not None for line in sample) > len(sample) / 2
    best: tuple[tuple[int, int, int], Dialect] | None = None
    for separator, comma in _candidates(fenced):
        trial = Dialect(separator, comma, quoted, fenced, _writes_d(sample), 0, 0, ())
        score, dialect = _try(trial, sample)
        if best is None or score > best[0]:
            best = score, dialect
    if best is None or best[0][0] < min(2, len(filled)) or not best[1].columns:
        raise _no_table(path, lines)
    if len(best[1].columns) > MOST_COLUMNS:
        raise GainkitError("too_many_columns", columns=len(best[1].columns), most=MOST_COLUMNS).within(
            "file", path
        )
    dialect = _comma_alone(path, best[1], sample, lines)
    first = _first_row(dialect, lines)
    if first is None:
        raise _no_table(path, lines)
    return replace(dialect, first_row=first)


def _candidates(fenced: bool) -> tuple[tuple[str | None, bool], ...]:
    if fenced:
        return ((",", True),)
    return (
        ("\t", False), (";", False), (",", False), ("|", False), (None, False),
        ("\t", True), (";", True), ("|", True), (None, True),
    )  # fmt: skip


def _writes_d(sample: list[str]) -> bool:
    return any(re.search(r"\d[dD][+-]?\d", line) for line in sample)


def _try(trial: Dialect, sample: list[str]) -> tuple[tuple[int, int, int], Dialect]:
    """How well a dialect explains lines: rows that it reads, cells it cannot read in them, columns."""
    rows = [trial.row_cells(trial.normal(line)) for line in sample if not trial.is_comment(line)]
    marks = [tuple(place for place, cell in enumerate(row) if is_number(cell)) for row in rows]
    counts = Counter(mark for mark in marks if mark)
    if not counts:
        return (0, 0, 0), trial
    main = max(counts, key=lambda mark: (counts[mark] * len(mark), len(mark)))
    # only columns without a word in any of those rows; others may be filled now and then
    like = [row for row, mark in zip(rows, marks, strict=True) if set(main) <= set(mark)]
    extra = Counter(place for mark in marks if set(main) <= set(mark) for place in mark)
    columns = tuple(sorted(place for place, count in extra.items() if count * 10 >= len(like)))
    junk = sum(bool(cell) and not is_number(cell) for row in like for cell in row)
    fields = Counter(len(row) for row in like).most_common(1)[0][0]
    return (len(like), -junk, len(columns)), replace(trial, fields=fields, columns=columns)


def _comma_alone(path: Path, dialect: Dialect, sample: list[str], lines: list[str]) -> Dialect:
    """Settle what '1,25' is: two whole numbers, or one with a decimal comma."""
    if dialect.separator != "," or dialect.fenced or len(dialect.columns) % 2:
        return dialect
    rows = [cells for line in sample if len(cells := dialect.row_cells(dialect.normal(line))) == dialect.fields]
    if not rows or any(not re.fullmatch(r"[+-]?\d+", cell) for row in rows for cell in row):
        return dialect
    if any(row[place][0] in "+-" for row in rows for place in range(1, len(row), 2)):
        return dialect
    heads = {len(dialect.cells(line)) for line in lines if re.search(r"[A-Za-z]{2}", line)}
    firsts = [float(row[0]) for row in rows]  # not int: that refuses 5,000 digits
    counting = all(b - a == 1 for a, b in itertools.pairwise(firsts))
    if dialect.fields in heads or counting:
        return dialect
    if dialect.fields == 2:
        return replace(dialect, separator=None, decimal_comma=True, fields=1, columns=(0,))
    raise GainkitError("comma_means_two_things", text=sample[-1].strip()[:60]).within("file", path)


def _first_row(dialect: Dialect, lines: list[str]) -> int | None:
    """The first line of the table: rows follow one another from there on."""
    start: int | None = None
    run = 0
    for place, line in enumerate(lines):
        if not line.strip() or (start is not None and dialect.is_comment(line)):
            continue
        if _is_row(dialect, line):
            start = place if start is None else start
            run += 1
            if run >= SURE_ROWS:
                return start
        else:
            start, run = None, 0
    return start


def _is_row(dialect: Dialect, line: str) -> bool:
    cells = dialect.row_cells(dialect.normal(line))
    there = [cells[place] if place < len(cells) else "" for place in dialect.columns]
    return any(is_number(cell) for cell in there) and all(not cell or is_number(cell) for cell in there)


def _no_table(path: Path, lines: list[str]) -> GainkitError:
    first = next((line.strip() for line in lines if line.strip()), "")
    return GainkitError("no_table", text=first[:40]).within("file", path)
