"""Live, from the sound system to the page: what a program plays, read through PortAudio by a bench of its own.

How quick the machine is does not matter here: everything is waited for.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gainkit.capture.calibration import Calibration
from gainkit.job.opening import open_job
from gainkit.job.places import JobFolder
from gainkit.job.plan import ChannelPlan
from gainkit.job.standing import job_status
from gainkit.levels import SINE_CREST, ratio_from_db
from tests.guided.browser import chromium, entered, until
from tests.guided.program import Program
from tests.guided.sound import RATE, NullSink, Player
from tests.guided.test_browser import at, click

pytestmark = pytest.mark.long
FULL_SCALE_VOLTS = 80.0


def wait_large(page: Any, text: str) -> None:
    until(page, "text => document.getElementById('large').textContent === text", text)


def wait_live(page: Any, text: str) -> None:
    until(page, "text => document.getElementById('livetext').textContent.startsWith(text)", text)


def keep_until_settled(page: Any, car: Path, place: int) -> None:
    """A block that a busy machine lost may spoil a single reading: keep another one then."""
    for _ in range(10):
        wait_large(page, "On target")
        click(page, "keep")
        if job_status(car).outputs[place].met:
            return
    pytest.fail("no reading that was kept was on target")


def test_a_three_channel_car_is_set_live(
    car: Path, null_sink: NullSink, player_of: Callable[..., Player], program: Callable[..., Program]
) -> None:
    known = Calibration(FULL_SCALE_VOLTS, 1, float(RATE), "2026-03-14", "by a meter")
    JobFolder(car).calibration.write_text(known.as_toml())
    plan = open_job(car).plan
    channels = [plan.channel(each.channel) for each in open_job(car).system.outputs]
    running = program(car, "--live", environment=null_sink.environment)
    with chromium() as browser:
        page = entered(browser, running.address, "phone")
        click(page, "go", "gain-1")
        click(page, "confirm")
        wait_live(page, "The interface is gone")  # it is not there yet
        null_sink.start()
        player = player_of(null_sink)
        for place, channel in enumerate(channels):
            if place:
                at(page, f"gain-{place + 1}")
                click(page, "confirm")
            for off_db, told in ((2.0, "Turn DOWN 2.0 dB"), (-1.3, "Turn UP 1.3 dB"), (0.0, "On target")):
                player.move(peak_of(channel, off_db), channel.tone_hz)
                wait_large(page, told)
            keep_until_settled(page, car, place)
        click(page, "go", "gain-1")
        null_sink.stop()
        wait_live(page, "The interface is gone")
        null_sink.start()
        player_of(null_sink).move(peak_of(channels[0], 2.0), channels[0].tone_hz)
        wait_large(page, "Turn DOWN 2.0 dB")
        assert page.faults == []
    for status, channel in zip(job_status(car).outputs, channels, strict=True):
        assert status.level is not None
        assert status.level.error_db == pytest.approx(0.0, abs=0.05), channel.name
    kept = [each for each in open_job(car).readings if each.kind == "measure" and each.counts]
    assert {each.origin for each in kept} == {"live"}
    assert all(each.result.frequency_hz == pytest.approx(each.plan.tone_hz, rel=2e-3) for each in kept)


def peak_of(channel: ChannelPlan, off_db: float) -> float:
    """The peak to play on each line, of full scale, for an output that is off by so much from its plan.

    A bridged output is read between both lines, which are opposite: each carries half.
    """
    volts = channel.set_volts * ratio_from_db(off_db) * SINE_CREST / FULL_SCALE_VOLTS
    return volts / 2 if channel.bridged else volts
