"""The plan's own tones on the stick, before those of the set."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.job.folder import EXAMPLE
from tests.conftest import Answer
from tests.records import SYSTEM


def test_the_channels_tones_come_first_each_once(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    stick = tmp_path / "stick"
    written = gainkit("tones", "write", "phone", stick, "--system", EXAMPLE, "--json").json
    plan = gainkit("plan", EXAMPLE, "--json").json
    wanted = list(dict.fromkeys((each["tone_hz"], each["tone_dbfs"]) for each in plan["channels"]))
    first = written["tracks"][: len(wanted)]
    assert [(each["frequency_hz"], each["level_dbfs"]) for each in first] == wanted
    numbers = [int(each["file"][:2]) for each in written["tracks"]]
    assert numbers == list(range(1, len(numbers) + 1))
    assert "Front 16.6 V, Rear 8.485 V" in first[0]["use"]
    assert gainkit("tones", "check", stick, "--json").json["ok"]
    again = gainkit("tones", "write", "phone", stick, "--system", EXAMPLE, "--json").json
    assert not any(each["written"] for each in again["tracks"])


def test_a_system_that_cannot_be_used_writes_nothing(tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(SYSTEM.replace("load_ohms = 4", "load_ohms = -4"))
    fault = gainkit("tones", "write", "phone", tmp_path / "stick", "--system", bad, "--json").fault
    assert fault["code"] == "system_file"
    assert not (tmp_path / "stick").exists()


@pytest.mark.parametrize("rate", [48_000, 96_000])
def test_they_have_the_rate_of_the_set(rate: int, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    words = (
        "tones",
        "write",
        "phone",
        tmp_path / "stick",
        "--system",
        EXAMPLE,
        "--rate",
        rate,
        "--dry-run",
        "--json",
    )
    assert gainkit(*words).json["sample_rate_hz"] == rate
