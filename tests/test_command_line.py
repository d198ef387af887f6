"""The command line as a whole: its help, the forms of its answers, its faults, its names for things."""

from __future__ import annotations

import importlib
import inspect
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.cli import plain
from gainkit.cli.app import command_tree
from gainkit.cli.door import CLI, COMMANDS, OPTIONS, python_name
from gainkit.cli.help import STEPS, first_sentence
from gainkit.words import ROOMS
from tests.conftest import Answer
from tests.records import new_job

ROOT = Path(__file__).parent.parent / "gainkit"


@pytest.mark.parametrize("words", [("--help",), ("-h",), ("help",)])
def test_help_shows_every_command_by_its_step_and_nothing_cut(
    words: tuple[str, ...], gainkit: Callable[..., Answer]
) -> None:
    page = gainkit(*words)
    assert page.code == 0
    assert max(map(len, page.out.splitlines())) < 80
    assert "..." not in page.out.replace("COMMAND ...", "")
    whole = " ".join(page.out.split())
    for name, summary in summaries().items():
        assert re.search(rf"^  {name} ", page.out, re.M), name
        assert summary in whole


def test_the_page_of_all_commands_says_what_each_says_of_itself() -> None:
    placed = [placed for _, commands in STEPS for placed in commands.items()]
    assert dict(placed) == summaries(), "each command belongs to a step of the job, with its first sentence"
    assert len(placed) == len(dict(placed))


def summaries() -> dict[str, str]:
    """The first sentence of every command by its name."""
    tree = command_tree([])
    found = {
        str(command.name or command.callback.__name__): command.help or inspect.getdoc(command.callback) or ""
        for command in tree.registered_commands
        if command.callback is not None
    }
    for group in tree.registered_groups:
        told = group.help or (group.typer_instance.info.help if group.typer_instance is not None else "")
        found[str(group.name)] = told if isinstance(told, str) else ""
    return {name: first_sentence(text) for name, text in found.items()}


def test_help_of_one_command_and_of_a_group(gainkit: Callable[..., Answer]) -> None:
    pages = [gainkit(*words).out for words in (("measure", "--help"), ("measure", "-h"), ("help", "measure"))]
    assert len(set(pages)) == 1
    assert "--require-clean" in pages[0]
    group = gainkit("help", "tones").out
    assert "..." not in group.split("\n", 1)[1]
    assert max(map(len, group.splitlines())) <= 80
    assert "--dry-run" in gainkit("help", "tones", "write").out
    assert gainkit("help", "nonsense").code == 2
    assert gainkit("version").out == gainkit("--version").out
    assert gainkit().code == 2


FAULTS = [
    (("target", "--watts", "75", "--ohms", "4", "--margin-db", "-3"), "outside_range", "margin_db"),
    (("target", "--watts", "much"), "not_a_number", "watts"),
    (("target", "--wats", "75"), "unknown_option", "wats"),
    (("measure",), "missing_option", "captures"),
    (("measure", "x.wav", "--band-hz", "10-20"), "not_a_band", "band_hz"),
    (("measure", "x.wav", "--for", "Front"), "needs_system_file", "for_output"),
    (("nonsense",), "usage", None),
    (("chart", "waveform", "--out", "x.png"), "one_capture", "recording"),
    (("target", "--rating", "75:4"), "not_a_rating", "ratings"),
]


@pytest.mark.parametrize(("call", "code", "parameter"), FAULTS)
def test_faults_are_one_object_with_json_and_two_parts_for_a_person(
    call: tuple[str, ...], code: str, parameter: str | None, gainkit: Callable[..., Answer]
) -> None:
    answer = gainkit(*call, "--json")
    assert (answer.fault["code"], answer.fault["parameter"]) == (code, parameter)
    assert answer.fault["text"] in answer.err
    assert answer.fault["remedy"] in answer.err
    plainly = gainkit(*call)
    assert plainly.out == ""
    assert plainly.err == answer.err


def test_ranges_and_received_values_are_told_to_scripts(gainkit: Callable[..., Answer]) -> None:
    fault = gainkit("target", "--watts", 75, "--ohms", 4, "--margin-db", -3, "--json").fault
    assert (fault["received"], fault["allowed"]) == (-3.0, "0 to 60 dB")
    assert fault["text"].startswith("--margin-db")


def test_a_device_that_fails_is_a_fault_like_any_other(
    gainkit: Callable[..., Answer], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", str(tmp_path / ".set-abc.part" / ".x.part.wav"))

    tone = Path(__file__).parent / "data"
    monkeypatch.setattr("gainkit.cli.measure.expectation", full)
    answer = gainkit("measure", tone, "--json")
    assert (answer.code, answer.fault["code"]) == (2, "device")
    assert "No space left on device" in answer.fault["text"]
    assert "write elsewhere" in answer.fault["remedy"]
    assert ".x.part" not in answer.err, "a draft's own name tells no one anything"


def test_an_answer_that_is_out_is_not_followed_by_a_second_object(
    gainkit: Callable[..., Answer], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("gainkit.job.log.log_reading", full)
    capture = Path(__file__).parent / "data" / "captures" / "split_997hz_0v9_scope.csv"
    answer = gainkit("measure", capture, "--log", new_job(tmp_path / "car"), "--for", "Rear", "--json")
    assert answer.code == 2
    assert answer.json["rms_volts"] > 0
    assert "No space left" in answer.err


# ---- names -------------------------------------------------------------------------------------------------


def test_names_of_arguments_and_options() -> None:
    assert CLI.parameter("full_scale_volts") == "--full-scale-volts"
    assert CLI.parameter("for_output") == "--for"
    assert CLI.parameter("start_seconds") == "--start"
    assert CLI.parameter("capture") == "CAPTURE"
    assert CLI.parameter("[source] preamp_volts") == "[source] preamp_volts"
    assert CLI.key("source", "preamp_volts") == "[source] preamp_volts"
    assert CLI.job("find_clean_volume") == "'gainkit volume'"
    for name in ("start_seconds", "for_output", "margin_db", "third_octave"):
        assert python_name(CLI.parameter(name)) == name


def every_template() -> list[tuple[str, str]]:
    """(code, source) of all sentences; of functions the strings inside."""
    found = []
    for room in ROOMS:
        text = Path(importlib.import_module(f"gainkit.words.{room}").__file__ or "").read_text(encoding="utf-8")
        found.append((room, text))
    return found


@pytest.mark.parametrize(("room", "text"), every_template(), ids=ROOMS)
def test_every_job_that_a_sentence_names_has_a_command(room: str, text: str) -> None:
    for name in re.findall(r"<([a-z_]+)\(\)>", text):
        assert name in COMMANDS, f"{room}: no command for {name}"


def test_every_command_named_is_there() -> None:
    names = set(summaries())
    coming = {"response", "noise"}
    assert {command.split()[0] for command in COMMANDS.values()} <= names | coming
    assert all(
        option.startswith("--") or option.isupper() or "." in option or "=" in option
        for option in OPTIONS.values()
    )


BELOW = [
    path for path in sorted(ROOT.rglob("*.py"))
    if path.relative_to(ROOT).parts[0] not in ("cli", "__main__.py")
]  # fmt: skip


@pytest.mark.parametrize("path", BELOW, ids=lambda path: str(path.relative_to(ROOT)))
def test_nothing_below_the_command_line_names_an_option_or_a_command(path: Path) -> None:
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        assert not re.search(r"[\"' `(]--[a-z]", line), f"line {number}: {line.strip()}"
        assert not re.search(r"['`]gainkit [a-z]", line), f"line {number}: {line.strip()}"


# ---- text for a person -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("columns", "width"), [("60", 59), ("80", 79), ("100", 99), ("250", 100), ("10", 39)])
def test_text_has_the_terminals_width(
    columns: str, width: int, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert plain.width() == width
    lines = gainkit("target", "--watts", 75, "--ohms", 4, "--overlap-db", 5).out.splitlines()
    assert "=" * width in lines
    if width >= 59:
        assert max(map(len, lines)) <= width


def test_one_colour_or_none(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal:
        def isatty(self) -> bool:
            return True

    assert plain.strong("SET") == "SET", "no terminal, no colour"
    monkeypatch.setattr(plain.sys, "stdout", Terminal())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert plain.strong("SET") == f"{plain.STRONG}SET{plain.PLAIN}"
    monkeypatch.setenv("NO_COLOR", "1")
    assert plain.strong("SET") == "SET"


@pytest.mark.parametrize(
    ("share", "told"), [(3.46e-7, "under 0.00001 %"), (0.000456, "0.000456 %"), (1234.0, "1230 %"), (None, "-")]
)
def test_shares_are_never_in_powers_of_ten(share: float | None, told: str) -> None:
    assert plain.percent(share) == told


def test_the_settings_table_of_a_plan_stands_last(gainkit: Callable[..., Answer]) -> None:
    out = gainkit("plan", ROOT / "job" / "example_system.toml").out
    assert out.strip().splitlines()[-3].startswith("Front")
    assert out.index("Cautions") < out.index("SETTINGS")
