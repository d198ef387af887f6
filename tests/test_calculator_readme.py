"""What README shows of the calculator's commands is what they print."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
COMMANDS = ("target", "plan", "load", "pad", "feed", "meter", "trim")


def shown_calls(text: str) -> list[tuple[str, str]]:
    """(command line, output shown) of every '$ gainkit ...' of ours inside a fenced block."""
    calls = []
    for block in re.findall(r"```\w*\n(.*?)```", text, flags=re.S):
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            line, _, output = part.partition("\n")
            words = shlex.split(line)
            if words[:1] == ["gainkit"] and words[1:2] and words[1] in COMMANDS:
                calls.append((line, output))
    return calls


def agrees(shown: str, printed: str) -> bool:
    """True when each run of shown lines stands in the output; a line of three dots leaves some out."""
    runs = [run.strip("\n") for run in re.split(r"^\s*\.\.\.\s*$", shown, flags=re.M)]
    place = 0
    for run in filter(None, runs):
        found = printed.find(run, place)
        if found < 0 or (place == 0 and run is runs[0] and found != 0):
            return False
        place = found + len(run)
    return bool(shown.strip())


def test_the_comparison_sees_a_changed_figure() -> None:
    text = "```\n$ gainkit trim --overlap-db 5\nTRIM -7.0 dB\n...\nlast\n```\n"
    ((line, shown),) = shown_calls(text)
    assert line == "gainkit trim --overlap-db 5"
    assert agrees(shown, "TRIM -7.0 dB\nmiddle\nlast\n")
    assert not agrees(shown, "TRIM -7.1 dB\nmiddle\nlast\n")
    assert not agrees(shown, "first\nTRIM -7.0 dB\nlast\n")
    assert not agrees("", "anything")


def test_readme_shows_what_the_commands_print(gainkit, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = shown_calls((ROOT / "README.md").read_text(encoding="utf-8"))
    if not calls:
        pytest.skip("README shows no calculator command yet")
    monkeypatch.chdir(ROOT)
    for line, shown in calls:
        answer = gainkit(*shlex.split(line)[1:])
        assert answer.code == 0, line
        assert agrees(shown, answer.out), f"{line}\n{answer.out}"
