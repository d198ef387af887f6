"""The sentences: every code has one, every value that it names is given, every name in it means something."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Callable, Iterator
from pathlib import Path

from gainkit import words
from gainkit.cli.door import CLI, COMMANDS
from gainkit.cli.help import STEPS
from tests.conftest import Answer
from tests.sources import syntax_tree

ROOT = Path(__file__).parent.parent / "gainkit"

SAYS_FAULT = {"GainkitError", "ManyFaults"}
SAYS_REMARK = {"danger", "fault", "remark", "Remark", "Sentence"}
OF_EVERY_FAULT = {"parameter", "received", "allowed", "listed"}
SOUNDS = {
    f"{sound}_{kind}" for sound in ("hum", "whine") for kind in ("mains", "alternator", "digital", "unknown")
}
"""Codes that are put together from a verdict and a kind of lines."""

PUT_TOGETHER = re.compile(r"^(step|large_turn|large_noise|large|figure)_(.*?)(_do)?$")
"""Codes of the guided job: of a step, of what stands large on it, of a figure below."""


def modules() -> list[tuple[Path, ast.Module]]:
    """Every module but those that hold the words."""
    paths = (path for path in ROOT.rglob("*.py") if "words" not in path.relative_to(ROOT).parts)
    return [(path, syntax_tree(path)) for path in paths]


def calls(tree: ast.Module) -> Iterator[tuple[str, str, set[str | None], int]]:
    """(function, code, names of the values, line) of each call whose first argument is a text."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if isinstance(code := node.args[0].value, str):
                yield name, code, {each.arg for each in node.keywords}, node.lineno


def values_in(template: object) -> set[str]:
    """The values that a template names; of a function of the values nothing is known here."""
    if not isinstance(template, str):
        return set()
    return {re.split(r"[.\[!]", field)[0] for _, field, _, _ in string.Formatter().parse(template) if field}


def test_every_code_has_words_and_no_words_are_left_over() -> None:
    fault_words, remark_words = words.catalogues()
    texts: set[str] = set()
    for path, tree in modules():
        texts |= {
            node.value
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant) and isinstance(node.value, str)
        }
        for name, code, _, line in calls(tree):
            assert name not in SAYS_FAULT or code in fault_words, f"{path}, line {line}: no words for {code}"
            assert name not in SAYS_REMARK or code in remark_words, f"{path}, line {line}: no words for {code}"
    left = (fault_words.keys() | remark_words.keys()) - texts - SOUNDS
    said = {re.sub(r"[- ]", "_", text) for text in texts}
    assert {code for code in left if PUT_TOGETHER.sub(r"\2", code) not in said} == set()


def test_every_sentence_gets_the_values_that_it_names() -> None:
    fault_words, remark_words = words.catalogues()
    for path, tree in modules():
        for name, code, given, line in calls(tree):
            needed: set[str] = set()
            if name in SAYS_FAULT:
                needed = values_in(fault_words[code].problem) | values_in(fault_words[code].remedy)
            elif name in SAYS_REMARK - {"Remark", "Sentence"}:
                needed = values_in(remark_words[code])
            if None not in given:  # a mapping of values was handed on: what is in it is not seen here
                assert needed - OF_EVERY_FAULT <= given, f"{path}, line {line}: {code}"


def test_an_argument_that_a_sentence_names_is_one(gainkit: Callable[..., Answer]) -> None:
    """Every <name> of the catalogue is an option of some command, every <name()> one of the jobs."""
    fault_words, remark_words = words.catalogues()
    templates = [t for each in fault_words.values() for t in (each.problem, each.remedy)] + [
        *remark_words.values()
    ]
    text = " ".join(each for each in templates if isinstance(each, str))
    jobs = set(re.findall(r"<([a-z_]+)\(\)>", text))
    assert jobs <= COMMANDS.keys()
    commands = {*COMMANDS.values(), *(name for _, names in STEPS for name in names)}
    whole = sorted(command for command in commands if "--" not in command)
    helped = " ".join(gainkit(*command.split(), "--help").out for command in whole)
    for name in set(re.findall(r"<([a-z_]+)>", text)):
        option = CLI.parameter(name)
        assert not option.startswith("--") or re.search(rf"{option}\b", helped), f"<{name}> is no option"
