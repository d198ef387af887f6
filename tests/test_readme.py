"""The papers are run: README's commands and those of every page of the manual print what is shown there."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.cli.guide import steps
from gainkit.toneset.reading import read_set
from tests.conftest import Answer

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {"README": README, **steps()}
MOST_WORDS = 900
"""README is for the first ten minutes; the manual is for the rest [words]."""


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


def test_readme_is_short_and_the_manual_covers_the_job() -> None:
    assert len(README.split()) < MOST_WORDS
    assert {"plan", "tones", "volume", "gain", "onset", "polarity", "record"} <= PAGES.keys()
    assert sum(len(shown_calls(text)) for text in PAGES.values()) >= 18


@pytest.fixture(scope="module")
def beside_the_demo(demo: tuple[Path, Answer], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the reader's: the project's files, and the demo's."""
    folder = tmp_path_factory.mktemp("reader")
    (folder / "gainkit").symlink_to(ROOT / "gainkit")
    shutil.copytree(demo[0], folder / "gainkit-demo")
    return folder


def test_commands_print_what_is_shown(
    beside_the_demo: Path, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All pages one after the other, as a reader would: a page may use what an earlier one wrote."""
    monkeypatch.chdir(beside_the_demo)
    for name, text in PAGES.items():
        for line, shown in shown_calls(text):
            words = shlex.split(line)
            assert words[0] == "gainkit"
            answer = gainkit(*words[1:])
            assert answer.code == 0, f"{name}: {line}\n{answer.err}"
            assert agrees(shown, answer.out), f"{name}: {line}\n{answer.out}"


def test_its_tone_set_can_be_written(tmp_path: Path) -> None:
    ((block),) = re.findall(r"```toml\n(.*?)```", PAGES["tones"], flags=re.S)
    (tmp_path / "bench.toml").write_text(block)
    assert [track.spec.kind for track in read_set(str(tmp_path / "bench.toml")).tracks] == ["sine", "staircase"]


@pytest.mark.parametrize(
    ("name", "first", "last"),
    [("README", "17.32", "THD 20.1 %"), ("teach", "27.0 0.0", "35.0"), ("python", "clipped by", "]")],
)
def test_its_python_runs(name: str, first: str, last: str, capsys: pytest.CaptureFixture[str]) -> None:
    (block,) = re.findall(r"```python\n(.*?)```", PAGES[name], flags=re.S)
    exec(compile(block, name, "exec"), {})
    lines = capsys.readouterr().out.strip().splitlines()
    assert first in lines[0]
    assert last in lines[-1]


def test_the_manual_as_one_page_holds_every_step(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    out = tmp_path / "manual.html"
    assert gainkit("guide", "--out", out).code == 0
    page = out.read_text(encoding="utf-8")
    assert [name for name in steps() if f'<section id="{name}">' not in page] == []
    assert "http://" not in page.replace("http-equiv", "")
    assert "<script" not in page
    assert ".html" in gainkit("guide", "--out", tmp_path / "manual.pdf").refused()
    assert "--overwrite" in gainkit("guide", "--out", out).refused()


def test_pages_are_shown_and_missing_ones_named(gainkit: Callable[..., Answer]) -> None:
    assert "DC" in gainkit("guide", "record").out
    assert all(name in gainkit("guide").out for name in steps())
    page = gainkit("guide", "record", "--json").json
    assert page == {"step": "record", "title": "The record", "markdown": steps()["record"]}
    assert [each["step"] for each in gainkit("guide", "--json").json["pages"]] == list(steps())
    fault = gainkit("guide", "polartiy").refused()
    assert "polarity" in fault
