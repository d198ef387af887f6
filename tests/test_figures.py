"""Figures for a person: what rounds to nothing has no minus, wherever it is shown."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from gainkit.figures import filled, plain, signed
from gainkit.sheet.page import figure
from gainkit.words.analysis import least_turn_words
from tests.sources import syntax_tree

SOURCES = sorted((Path(__file__).parents[1] / "gainkit").rglob("*.py"))

LEVELS = re.compile(r"(_db|_dbfs|dc_volts)$")
"""Names of figures that may lie on both sides of zero."""


@pytest.mark.parametrize("value", [-0.0, -1e-9, -0.004, 0.0])
@pytest.mark.parametrize(
    ("form", "expected"),
    [
        (".2f", "0.00"), ("+.2f", "+0.00"), ("z.2f", "0.00"), ("+z.1f", "+0.0"), (".0f", "0"),
        ("7.2f", "   0.00"),
        (">7.2f", "   0.00"), ("*>+7.2f", "**+0.00"), ("07.2f", "0000.00"),
    ],
)  # fmt: skip
def test_no_template_writes_a_minus_before_zero(value: float, form: str, expected: str) -> None:
    assert filled("{level_db:" + form + "}", {"level_db": value}) == expected


@pytest.mark.parametrize("form", ["g", ".3g", "+.3g", "z.3g"])
def test_a_minus_zero_of_significant_digits_is_zero(form: str) -> None:
    assert filled("{dc:" + form + "}", {"dc": -0.0}).lstrip("+") == "0"
    assert filled("{dc:" + form + "}", {"dc": -0.25}) == "-0.25"
    assert plain(-0.0) == "0"


def test_minus_stays_where_a_digit_is_shown() -> None:
    assert (signed(-0.06, 1), signed(-0.04, 1), signed(0.04, 1, "+")) == ("-0.1", "0.0", "+0.0")
    assert filled("{x:.2f} {x:+.1f}", {"x": -12.34}) == "-12.34 -12.3"
    assert filled("{x:>8.2f}", {"x": -0.006}) == "   -0.01"


def test_the_page_writes_no_minus_before_zero() -> None:
    printed = [figure(digits, "dB", sign)(-1e-6) for digits in (0, 1, 2) for sign in (False, True)]
    assert printed == [f"{text}\u00a0dB" for text in ("0", "+0", "0.0", "+0.0", "0.00", "+0.00")]


def test_no_level_is_formatted_so_that_zero_may_have_a_minus() -> None:
    found = []
    for path in SOURCES:
        for node in ast.walk(syntax_tree(path)):
            if not isinstance(node, ast.FormattedValue) or not isinstance(node.format_spec, ast.JoinedStr):
                continue
            form = ast.unparse(node.format_spec)[2:-1]
            if form[-1:] in "fg" and "z" not in form and LEVELS.search(ast.unparse(node.value)):
                found.append(f"{path.name}:{node.lineno}: {ast.unparse(node.value)}")
    assert not found


def test_at_least_and_or_more_are_never_said_together() -> None:
    assert least_turn_words(60.0) == "by 60 dB or more"
    assert least_turn_words(2.5) == "by at least 2.50 dB"
