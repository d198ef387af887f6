"""The house as a whole: public names, quick imports, rooms that import only downwards."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

import gainkit
from tests.sources import syntax_tree
from tests.waves import RATE, sine

ROOT = Path(__file__).parent.parent / "gainkit"

FLOORS = {
    "figures": 0, "levels": 0, "words": 1, "errors": 2, "remarks": 2, "results": 3, "schemas": 3, "files": 3,
    "figures_typed": 3, "kinds": 3, "recording": 4, "strict": 3, "impedance": 7,
    "calculator": 4, "generator": 5, "capture": 5, "simulator": 5,
    "analysis": 6, "toneset": 6,
    "onset": 7, "polarity": 8, "routing": 7, "matching": 7, "volume": 7, "batch": 7, "response": 7, "noise": 7,
    "advice": 8, "recorder": 9, "job": 9, "charts": 10, "beside": 10, "sheet": 11, "live": 11, "steps": 11,
    "lesson": 11, "quiz": 11, "bench": 12, "demo": 12,
    "summaries": 12, "verbs": 13, "cli": 14,
}  # fmt: skip
"""Rooms from the ground up; a room imports from its own floor's own room and from floors below only."""


def test_public_names_are_there_and_no_others() -> None:
    assert set(gainkit.__all__) == set(gainkit._ROOM_OF) | {"__version__"}
    for name in gainkit.__all__:
        assert getattr(gainkit, name) is not None
        assert name in dir(gainkit)
    with pytest.raises(AttributeError, match="nonsense"):
        gainkit.nonsense  # noqa: B018


def room_of(module: str) -> str:
    return module.split(".")[1]


MODULES = {
    ".".join(path.relative_to(ROOT.parent).with_suffix("").parts).removesuffix(".__init__"): path
    for path in sorted(ROOT.rglob("*.py"))
}


def imports_of(path: Path) -> Iterator[tuple[str, int]]:
    """Modules of gainkit that one names anywhere, inside functions and for types too, and the line."""
    for node in ast.walk(syntax_tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield (inner if inner in MODULES else node.module), node.lineno
        elif isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno


@pytest.mark.parametrize("path", MODULES.values(), ids=lambda path: str(path.relative_to(ROOT)))
def test_rooms_import_downwards(path: Path) -> None:
    own = path.relative_to(ROOT).parts[0].removesuffix(".py")
    if own in ("__init__", "__main__"):
        return
    for module, line in imports_of(path):
        if module.startswith("gainkit."):
            other = room_of(module)
            assert other == own or FLOORS[other] < FLOORS[own], f"{own} imports {module}, line {line}"


def test_no_module_imports_itself_by_way_of_others() -> None:
    """Not even for types only; the front door (`gainkit/__init__.py`) names all rooms, and is left out."""
    left = {
        name: {module for module, _ in imports_of(path)} - {"gainkit", name} for name, path in MODULES.items()
    }
    del left["gainkit"]
    while True:  # take away what imports nothing that is left, and what nothing that is left imports
        needed = set().union(*left.values())
        kept = {
            name: needs & left.keys() for name, needs in left.items() if needs & left.keys() and name in needed
        }
        if kept == left:
            break
        left = kept
    assert sorted(left) == [], "these stand in a circle, or on one"


def test_no_two_classes_have_one_name() -> None:
    names = [
        node.name
        for path in MODULES.values()
        for node in ast.walk(syntax_tree(path))
        if isinstance(node, ast.ClassDef)
    ]
    assert sorted({name for name in names if names.count(name) > 1}) == []


@pytest.mark.parametrize(
    ("words", "unwanted"),
    [
        (["--help"], ["numpy", "soundfile", "scipy", "matplotlib"]),
        (
            ["measure", "tests/data/captures/split_997hz_0v9.flac", "--json"],
            ["scipy", "matplotlib", "pydantic"],
        ),
        (
            ["measure", "tests/data/captures/split_997hz_0v9_scope.csv", "--json"],
            ["scipy", "soundfile", "matplotlib"],
        ),
        (["target", "--watts", "75", "--ohms", "4"], ["scipy", "matplotlib", "soundfile"]),
    ],
)
def test_commands_load_only_what_they_need(words: list[str], unwanted: list[str]) -> None:
    _check_loaded(words, unwanted)


def test_a_staircase_that_clips_is_judged_without_the_optimiser(tmp_path: Path) -> None:
    seconds = 0.3
    levels = range(-20, 1)
    tone = sine(997, round(seconds * RATE))
    steps = [np.clip(10 ** (level / 20) * tone, -0.5, 0.5) for level in levels]
    path = tmp_path / "staircase.wav"
    soundfile.write(path, np.concatenate([np.zeros(RATE), *steps, np.zeros(RATE)]), RATE, "PCM_24")
    plan = ["--from-dbfs", "-20", "--step-db", "1", "--dwell-seconds", str(seconds), "--no-log", "--json"]
    _check_loaded(["onset", str(path), *plan], ["scipy.optimize", "scipy.signal", "matplotlib"])


def _check_loaded(words: list[str], unwanted: list[str]) -> None:
    """A command ends well in a process of its own, and none of these modules was loaded."""
    code = (
        "import sys; from gainkit.cli import run; status = run(); "
        f"print(status, [m for m in {unwanted} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, cwd=ROOT.parent, check=False
    )
    assert done.stderr.strip().endswith("0 []"), done.stderr
