"""Shared by the tests of the calculator's advice: a channel from its figures, a car of one channel."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from gainkit import job
from gainkit.calculator.channel import channel_from
from gainkit.calculator.setting import Target
from gainkit.calculator.targets import find_target
from gainkit.job import load_system, plan_system
from gainkit.job.plan import Plan
from gainkit.remarks import Remark
from tests.conftest import Answer

Run = Callable[..., Answer]

EXAMPLE = Path(job.__file__).parent / "example_system.toml"


def found(**figures: object) -> Target:
    return find_target(channel_from(figures))


def one(result: Target, code: str) -> Remark:
    return next(each for each in result.cautions if each.code == code)


def clipped_power(overdrive_db: float) -> float:
    """Power of a sine cut at hard rails over that of the sine that touches them, by summing a whole period."""
    phase = (np.arange(200_000) + 0.5) * (2 * np.pi / 200_000)
    wave = np.clip(np.sin(phase) * 10 ** (overdrive_db / 20), -1, 1)
    return float(2 * np.mean(wave**2))


def planned(folder: Path, channel: str, source: str = "preamp_volts = 5", supply: str = "volts = 14.4") -> Plan:
    path = folder / "system.toml"
    path.write_text(f'[source]\n{source}\n[supply]\n{supply}\n[[channel]]\nname = "One"\n{channel}\n')
    return plan_system(load_system(path))
