"""Ctrl-C while a tone set is written: what stands whole is told, nothing half is left, and it goes on there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.toneset import run
from gainkit.toneset.checking import check_tones
from gainkit.toneset.run import WritingStopped
from gainkit.toneset.writing import write_tones
from tests.conftest import Answer

SET = """
title = "Three short tones"
[[track]]
kind = "sine"
frequency_hz = 40
level_dbfs = -20
seconds = 0.5
title = "A"
use = "a"
[[track]]
kind = "sine"
frequency_hz = 80
level_dbfs = -20
seconds = 0.5
title = "B"
use = "b"
[[track]]
kind = "sine"
frequency_hz = 160
level_dbfs = -20
seconds = 0.5
title = "C"
use = "c"
"""


@pytest.fixture
def tones(tmp_path: Path) -> Path:
    path = tmp_path / "three.toml"
    path.write_text(SET, encoding="utf-8")
    return path


@pytest.fixture
def stop_at(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """Ctrl-C while the track of that number is half made."""

    def at(number: int) -> None:
        real, calls = run.make_file, [0]

        def made(item: run.PlannedTrack, path: Path, *others: object) -> str:
            calls[0] += 1
            if calls[0] == number:
                path.write_bytes(b"half")
                raise KeyboardInterrupt
            return real(item, path, *others)  # type: ignore[arg-type]

        monkeypatch.setattr(run, "make_file", made)

    return at


@pytest.mark.parametrize("number", [1, 2, 3])
def test_what_is_whole_is_counted_and_nothing_half_is_left(
    tones: Path, tmp_path: Path, stop_at: Callable[[int], None], number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "stick"
    stop_at(number)
    with pytest.raises(WritingStopped) as stopped:
        write_tones(tones, folder)
    facts = stopped.value.facts
    assert (facts["whole"], facts["tracks"], facts["has_index"]) == (number - 1, 3, False)
    assert len(list(folder.iterdir())) == number - 1, "no drafts, no pages, no index"
    monkeypatch.undo()
    written = write_tones(tones, folder)
    assert sum(track.written for track in written.tracks) == 3 - (number - 1)
    assert check_tones(folder).ok


def test_the_command_tells_it_in_one_line_and_ends_with_130(
    tones: Path, tmp_path: Path, stop_at: Callable[[int], None], gainkit: Callable[..., Answer]
) -> None:
    stop_at(3)
    stopped = gainkit("tones", "write", tones, tmp_path / "stick", "--json")
    assert stopped.code == 130
    assert stopped.json["error"]["code"] == "writing_stopped"
    told = [line for line in stopped.err.splitlines() if "2 of 3" in line]
    assert len(told) == 1
    assert "no index" in told[0]
