"""Text on narrow terminals: nothing runs over the edge, nothing of a table is lost; 80 columns stay."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.cli import plain
from tests.conftest import Answer

ROOT = Path(plain.__file__).parents[1]

HEAD = ("channel", "tone", "SET TO", "", "limit")
ROWS = (
    ("Front", "997 Hz -5 dBFS", "16.60 V", "+1", "amplifier"),
    ("Rear, the left and the right one", "50 Hz -5 dBFS", "8.49 V", "", "loudspeaker"),
)
PASTED = re.compile(r"\s*gainkit tones one|.*-{3}")
"""Commands to paste and drawings stay whole."""


def over_the_edge(text: str, columns: int) -> list[str]:
    return [line for line in text.splitlines() if len(line) > columns - 1 and not PASTED.match(line)]


@pytest.mark.parametrize("columns", [40, 47, 60])
def test_a_table_that_does_not_fit_is_told_in_blocks(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    told = plain.columns(HEAD, ROWS)
    assert over_the_edge(told, columns) == []
    assert told.startswith(
        "channel: Front\n  tone: 997 Hz -5 dBFS\n  SET TO: 16.60 V\n  +1\n  limit: amplifier\n"
    )
    joined = " ".join(told.split())
    assert all(cell in joined for row in ROWS for cell in row)
    assert plain.columns(("a", "b"), [("1", "2")]) == "a  b\n1  2", "what fits stays a table"


def test_eighty_columns_stay_a_table(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    wide = [(*row, "x" * 40) for row in ROWS]
    assert len(plain.columns((*HEAD, "more"), wide).splitlines()) == 3
    assert plain.narrowed("x " * 60) == "x " * 60


@pytest.mark.parametrize("columns", [40, 50, 60])
def test_plan_and_tone_sets_stay_within_the_edge(
    columns: int, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    for call in (("plan", ROOT / "job" / "example_system.toml"), ("tones", "list"), ("tones", "show", "full")):
        answer = gainkit(*call)
        assert answer.code == 0
        assert over_the_edge(answer.out, columns) == []
    assert over_the_edge(gainkit("polarity", "--unknown").err, columns) == []


@pytest.mark.long
@pytest.mark.parametrize("columns", [40, 50, 60])
def test_all_tables_stay_within_the_edge(
    columns: int, gainkit: Callable[..., Answer], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    car = tmp_path / "car"
    assert gainkit("demo", car).code == 0
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.chdir(car)
    calibrated = ("--calibration", "recorder.toml")
    positions = [f"{at}=captures/volume_{at}.wav" for at in (25, 27, 29, 31, 33, 35)]
    calls = (
        ("measure", "captures/front_left_as_found.wav", "captures/rear_as_left.wav", *calibrated),
        ("onset", "captures/front_staircase.wav", "--index", "stick/index.json", *calibrated),
        ("volume", *positions, *calibrated),
        ("match", "captures/match_front_left.wav", "captures/match_front_right.wav"),
        ("job", "status", "."),
        ("job", "readings", "."),
        ("response", "captures/sweep_as_found.wav", "--index", "sweep/index.json"),
        ("noise", "captures/silence_as_found.wav", *calibrated),
        ("polarity", "captures/polarity_front_left.wav"),
        ("target", "--watts", 75, "--ohms", 4, "--speaker-watts", 90, "--overlap-db", 5, "--source-volts", 5),
        ("load", "--coil-ohms", 4, "--coils", 4),
        ("pad", "--max-volts", 20, "--input-volts", 2),
        ("meter", "--volts", 14),
    )
    for call in calls:
        answer = gainkit(*call)
        assert over_the_edge(answer.out + answer.err, columns) == [], call
