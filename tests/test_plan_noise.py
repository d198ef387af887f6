"""What the plan says of noise: a source's and an amplifier's, powers added at the output."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from gainkit.job import load_system, plan_system
from gainkit.remarks import Remark
from tests.records import SYSTEM


def told(folder: Path, source: str, channel: str) -> list[Remark]:
    text = SYSTEM.replace("preamp_volts = 4.0", f"preamp_volts = 4.0\n{source}") + channel + "\n"
    (folder / "system.toml").write_text(text)
    rear = plan_system(load_system(folder / "system.toml")).channel("Rear")
    return [each for each in rear.cautions if each.code == "noise_of_stages"]


@pytest.mark.parametrize(("amplifier_volts", "loudest"), [(50e-6, "source"), (2e-3, "amplifier")])
def test_powers_add_at_the_output(tmp_path: Path, amplifier_volts: float, loudest: str) -> None:
    """10 V at the target with 4 V at -5 dBFS: the gain is 10 / (4 x 10^(-5/20)); the source's noise goes
    through it."""
    (only,) = told(tmp_path, "noise_volts = 0.00004", f"noise_volts = {amplifier_volts:.6f}")
    gain = 10.0 / (4.0 * 10 ** (-5 / 20))
    assert only.values["source_volts"] == pytest.approx(40e-6 * gain)
    assert only.values["amplifier_volts"] == pytest.approx(amplifier_volts)
    total = math.hypot(40e-6 * gain, amplifier_volts)
    assert only.values["total_volts"] == pytest.approx(total)
    assert only.values["below_target_db"] == pytest.approx(20 * math.log10(10.0 / total))
    assert only.values["loudest"] == loudest
    assert "under the target" in str(only)


@pytest.mark.parametrize(
    ("source", "channel"), [("", ""), ("noise_volts = 0.0001", ""), ("", "noise_volts = 0.001")]
)
def test_nothing_is_said_where_one_is_not_known(tmp_path: Path, source: str, channel: str) -> None:
    assert told(tmp_path, source, channel) == []
