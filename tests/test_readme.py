"""README's commands are run, and print what it shows; its tone set is read; its Python runs."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.toneset.reading import read_set
from tests.conftest import Answer

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def shown_calls(text: str) -> list[tuple[str, str]]:
    """(command line, output shown) of every '$ gainkit ...' inside a fenced block."""
    calls = []
    for block in re.findall(r"```console\n(.*?)```", text, flags=re.S):
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            line, _, output = part.partition("\n")
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
    text = "```console\n$ gainkit trim --overlap-db 5\nTRIM -7.0 dB\n...\nlast\n```\n"
    ((line, shown),) = shown_calls(text)
    assert line == "gainkit trim --overlap-db 5"
    assert agrees(shown, "TRIM -7.0 dB\nmiddle\nlast\n")
    assert not agrees(shown, "TRIM -7.1 dB\nmiddle\nlast\n")
    assert not agrees(shown, "first\nTRIM -7.0 dB\nlast\n")
    assert not agrees("", "anything")


def test_commands_print_what_is_shown(
    demo: tuple[Path, Answer],
    gainkit: Callable[..., Answer],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    calls = shown_calls(README)
    assert len(calls) >= 12
    (tmp_path / "gainkit").symlink_to(ROOT / "gainkit")
    monkeypatch.chdir(tmp_path)
    shutil.copytree(demo[0], "gainkit-demo")
    for line, shown in calls:
        words = shlex.split(line)
        assert words[0] == "gainkit"
        answer = gainkit(*words[1:])
        assert answer.code == 0, f"{line}\n{answer.err}"
        assert agrees(shown, answer.out), f"{line}\n{answer.out}"


def test_its_tone_set_can_be_written(tmp_path: Path) -> None:
    ((block),) = re.findall(r"```toml\n(.*?)```", README, flags=re.S)
    (tmp_path / "bench.toml").write_text(block)
    assert [track.spec.kind for track in read_set(str(tmp_path / "bench.toml")).tracks] == ["sine", "staircase"]


def test_its_python_runs(capsys: pytest.CaptureFixture[str]) -> None:
    (block,) = re.findall(r"```python\n(.*?)```", README, flags=re.S)
    exec(compile(block, "README.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "27.0 0.0"
    assert float(lines[-1].split()[1]) > 5
