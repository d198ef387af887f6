"""What a workshop does to a line: a program killed and started again, a laptop asleep, a network gone."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gainkit.job.record import read_events
from tests.guided.browser import chromium, entered, until
from tests.guided.program import Program
from tests.guided.test_browser import at, click, large, type_volts

pytestmark = pytest.mark.long


def line(page: Any) -> str:
    return str(page.inner_text("#line"))


def test_killed_in_the_middle_and_started_again(car: Path, program: Callable[..., Program]) -> None:
    first = program(car)
    with chromium() as browser:
        page = entered(browser, first.address, "phone")
        click(page, "go", "gain-1")
        click(page, "confirm")
        type_volts(page, 17.3)
        click(page, "keep")
        at(page, "gain-2")
        click(page, "confirm")
        page.fill("#volts", "17.9")
        first.kill()
        until(page, "document.body.classList.contains('lost')")
        assert line(page).startswith("Connection lost")
        page.press("#volts", "Enter")
        until(page, "!document.getElementById('failed').hidden")
        assert "Not sent" in page.inner_text("#failed")
        assert page.input_value("#volts") == "17.9"
        second = program(car, "--port", str(first.port))
        until(page, "document.getElementById('line').textContent.startsWith('This screen is not known')")
        page.goto(second.address)
        at(page, "gain-2")
        assert page.locator("#volts").count() == 1  # what was confirmed before stays so
        assert type_volts(page, 17.9) == "On target by the meter"
        click(page, "keep")
    assert [each.kind for each in read_events(car)[0]] == ["confirm", "level", "confirm", "level"]


def test_asleep_and_awake_again(car: Path, program: Callable[..., Program]) -> None:
    """A sleeping laptop, or a network that swallows everything: no connection is closed, nothing comes."""
    running = program(car, "--simulate")
    with chromium() as browser:
        page = entered(browser, running.address, "phone")
        click(page, "go", "gain-1")
        click(page, "confirm")
        until(page, "document.getElementById('large').textContent.startsWith('Turn DOWN 3.0')")
        running.process.send_signal(signal.SIGSTOP)
        until(page, "document.body.classList.contains('lost')")
        assert large(page) == "No connection"  # no figure of before stands as if it were live
        assert not page.locator("#act-keep").is_visible()
        running.process.send_signal(signal.SIGCONT)
        until(page, "!document.body.classList.contains('lost')")
        until(page, "document.getElementById('large').textContent.startsWith('Turn DOWN 3.0')")
        assert line(page) == "Connected"
        page.locator("#knob-less").click()
        until(page, "document.getElementById('large').textContent.startsWith('Turn DOWN 2.5')")
