"""What stands above a table: names and units of its columns, and the sample interval."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

from gainkit.capture.dialect import POINT_NUMBER, Dialect, is_number
from gainkit.capture.units import RATE_UNIT, Unit, parse_unit, split_name

NUMBER = r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)"
INTERVAL_WORDS = (
    r"(?:sample|sampling|horizontal|x|h)?[\s_-]*(?:interval|increment|incr|period)|x?incr|x?inc|delta[\s_-]*[tx]"
    r"|dt|time[\s_-]*per[\s_-]*sample|t[\s_-]*sample|h[\s_-]*resolution|horizontal[\s_-]*resolution"
)
RATE_WORDS = r"(?:sample|sampling)[\s_-]*(?:rate|frequency|freq)|samplerate|fs|samples[\s_-]*per[\s_-]*second"
BETWEEN = r"[\s_]*[(\[]?\s*({unit})?\s*[)\]]?[\"'\s:;,=\t|]*"
SPREAD = r"\s*[\"';,\t| ]*\s*[(\[]?({unit})?"
TIME_UNIT = r"seconds?|secs?|[munp\u00b5\u03bc]?s(?![/\w])"
TIME_NAMES = re.compile(
    r"(?:x[\s-]?axis|time\w*|zeit|temps|tiempo|tempo|t|seconds?|sec|x|source)", re.IGNORECASE
)
INDEX_NAMES = re.compile(r"(?:sample\w*|index|idx|no\.?|nr\.?|n|#|point\w*|record)", re.IGNORECASE)

LONGEST_INTERVAL_SECONDS = 10.0
"""A preamble's figure above this is no sample interval of a sound [s] (our choice)."""

HIGHEST_RATE_HZ = 1e12
"""... and above this no sampling rate [Hz]: no instrument is as fast."""

LONGEST_LABEL = 400
"""A line of the preamble longer than this is no label with a figure [characters] (our choice): what is sought
in it takes time that grows faster than its length."""


@dataclass(frozen=True)
class Column:
    """name : as written, without its unit. unit : None where none is given."""

    name: str
    unit: Unit | None

    @property
    def is_time(self) -> bool:
        if self.unit is not None and self.unit.quantity != "other":
            return self.unit.quantity == "time"
        return TIME_NAMES.fullmatch(self.name) is not None

    @property
    def is_index(self) -> bool:
        return self.unit is None and INDEX_NAMES.fullmatch(self.name) is not None


def find_columns(dialect: Dialect, lines: list[str]) -> list[Column]:
    """Names and units of the number columns, from the lines just above the table; blank where none are."""
    names: list[str] = [""] * len(dialect.columns)
    units: list[Unit | None] = [None] * len(dialect.columns)
    named = False
    for line in reversed([line for line in lines[: dialect.first_row] if line.strip()][-4:]):
        cells = _cells(dialect, line.lstrip("#%;! ") if dialect.is_comment(line) else line)
        picked = [cells[place] if place < len(cells) else "" for place in dialect.columns]
        filled = [cell for cell in picked if cell]
        if not filled or len(cells) < min(len(dialect.columns), 2) or len(cells) > dialect.fields + 1:
            break
        if all(parse_unit(cell) is not None for cell in filled):
            units = [parse_unit(cell) if cell else unit for cell, unit in zip(picked, units, strict=True)]
            continue
        if any(is_number(cell) for cell in filled):  # 'Sample interval,1e-05' is no heading
            break
        if not named:
            split = [split_name(cell) for cell in picked]
            names = [name for name, _ in split]
            units = [unit or own for unit, (_, own) in zip(units, split, strict=True)]
            named = True
    return [Column(name, unit) for name, unit in zip(names, units, strict=True)]


def _cells(dialect: Dialect, line: str) -> list[str]:
    """A line's cells; a heading may have another separator than the rows, if it then has as many cells."""
    cells = dialect.cells(line)
    if len(cells) > 1 or dialect.fields < 2:
        return cells
    others = [[cell.strip(" \"'") for cell in line.split(separator)] for separator in ";,\t|"]
    return next((other for other in others if len(other) == dialect.fields), cells)


def find_interval(lines: list[str]) -> float | None:
    """The sample interval that the preamble tells, directly or as a rate [s]; None when it is silent."""
    for label, under in itertools.pairwise(lines):
        below = _in_columns(label, under)
        if below is not None:
            return below
    for line in lines:
        text = " ".join(line.replace("\u00b5", "u").replace("\u03bc", "u").lower().split())
        if len(text) > LONGEST_LABEL:
            continue
        interval = _labelled(text, INTERVAL_WORDS, TIME_UNIT)
        if interval is not None:
            figure, unit = interval
            known = parse_unit(unit) if unit else None
            seconds = figure * (known.scale if known is not None else 1.0)
            if 1 / HIGHEST_RATE_HZ < seconds < LONGEST_INTERVAL_SECONDS:
                return seconds
        rate_told = _labelled(text, RATE_WORDS, RATE_UNIT)
        if rate_told is not None:
            figure, unit = rate_told
            rate = figure * {"k": 1e3, "m": 1e6, "g": 1e9}.get(unit[:1] if unit else "", 1.0)
            if 1 / LONGEST_INTERVAL_SECONDS < rate < HIGHEST_RATE_HZ:
                return 1.0 / rate
    return None


def _in_columns(label: str, under: str) -> float | None:
    """The interval where names stand in one line and their figures in the next [s]."""
    for separator in ",;\t":
        if separator not in label:
            continue
        names = [cell.strip(" \"'").lower() for cell in label.split(separator)]
        cells = [
            cell.strip(" \"'").replace("," if separator != "," else "\0", ".")
            for cell in under.split(separator)
        ]
        for name, cell in zip(names, cells, strict=False):
            plain, unit = split_name(name)
            if re.fullmatch(INTERVAL_WORDS, plain) and POINT_NUMBER.fullmatch(cell):
                figure = float(cell.lower().replace("d", "e"))
                seconds = figure * (unit.scale if unit is not None and unit.quantity == "time" else 1.0)
                if 1 / HIGHEST_RATE_HZ < seconds < LONGEST_INTERVAL_SECONDS:
                    return seconds
    return None


def _labelled(text: str, words: str, unit: str) -> tuple[float, str] | None:
    """A figure behind a label, with its unit before it (in brackets) or behind it."""
    pattern = rf"(?:^|[^a-z])(?:{words}){BETWEEN.format(unit=unit)}{NUMBER}{SPREAD.format(unit=unit)}"
    match = re.search(pattern, text)
    if match is None:
        return None
    return float(match[2].replace(",", ".")), (match[1] or match[3] or "").strip()
