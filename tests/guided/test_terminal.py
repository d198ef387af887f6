"""The guided job in the terminal: the same steps, typed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gainkit.job.standing import job_status
from tests.conftest import Answer

Run = Callable[..., Answer]


@pytest.fixture
def typed(gainkit: Run, monkeypatch: pytest.MonkeyPatch, car: Path) -> Callable[..., str]:
    def run(*lines: str) -> str:
        left = iter(lines)

        def said(prompt: str = "") -> str:
            try:
                return next(left)
            except StopIteration:
                raise EOFError from None

        monkeypatch.setattr("builtins.input", said)
        answer = gainkit("bench", str(car), "--terminal")
        assert answer.code == 0, answer.err
        return answer.out

    return run


def test_the_whole_job_by_a_meter(typed: Callable[..., str], car: Path) -> None:
    out = typed(
        "y", "y", "y", "y",
        "y", "22", "17.1", "k", "y", "17.2", "k", "y", "31.0", "k",
        "s",
    )  # fmt: skip
    assert "Turn DOWN 2.1 dB" in out
    assert "On target by the meter" in out
    assert "clipping not looked at" in out
    assert "Kept as" in out
    assert job_status(car).ok
    assert "ALL 3 OUTPUTS ON TARGET" in out


def test_nothing_is_read_before_the_cautions_are_confirmed(typed: Callable[..., str], car: Path) -> None:
    out = typed("g gain-3", "29", "y", "29", "k", "u", "l")
    assert "not confirmed" in out
    assert "Neither lead of this output touches ground" in out
    assert job_status(car).outputs[2].level is None
    assert "Subwoofer" in out.splitlines()[-1] or "page" in out


def test_a_wrong_polarity_is_told_and_a_file_that_is_not_there(typed: Callable[..., str], car: Path) -> None:
    out = typed("g polarity-1", "y", "-", "k", "l", "nothing.wav", "q")
    assert "NEGATIVE" in out
    assert "NOT RIGHT" in out
    assert "Problem:" in out
    assert job_status(car).outputs[0].polarity == "negative"
