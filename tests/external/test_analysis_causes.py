"""Causes that look like rails, and rails that move, in circuits of our own (tests/data/circuits) run by
ngspice.

gainkit sees the output's voltage and nothing else; what it names is set beside what the netlist is made of and
what ngspice prints of other nodes.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gainkit.analysis import Measurement, measure
from gainkit.capture import Capture
from gainkit.remarks import codes
from tests.conftest import DATA
from tests.waves import Floats, with_noise


def run(ngspice: str, folder: Path, circuit: str, node: str, rate: int, stop: float, **values: float) -> Floats:
    """A node's voltage (frames,) [V] at a rate [Hz]; values fill in the netlist."""
    netlist = (DATA / "circuits" / f"{circuit}.cir").read_text()
    for name, value in values.items():
        netlist = netlist.replace("{" + name + "}", f"{value:.9g}")
    control = f"""
.control
set filetype=ascii
tran {1 / rate:.9g} {stop:.9g} 0 {1 / rate:.9g} uic
linearize v({node})
wrdata {node}.txt v({node})
.endc
.end
"""
    (folder / "run.cir").write_text(netlist + control)
    subprocess.run([ngspice, "-b", "run.cir"], cwd=folder, capture_output=True, timeout=600, check=False)
    return np.asarray(np.loadtxt(folder / f"{node}.txt")[:, 1])


def figures(samples: Floats, rate: int) -> Measurement:
    return measure(Capture.from_array(with_noise(samples, 75), rate))


def test_a_stage_that_cannot_follow(oracle: Callable[[str], str], tmp_path: Path) -> None:
    """20 V at 2 kHz asks for 0.2513 V/us; 2 mA into 10 nF give 0.2."""
    rate = 768_000
    wave = run(oracle("ngspice"), tmp_path, "slew", "out", rate, 0.03, peak=20, tone=2000)
    found = figures(wave[rate // 200 :], rate)
    assert found.clipping.state == "clean"
    (told,) = [note for note in found.notes if note.severity == "fault"]
    assert told.code == "slew_limited"
    assert told.values["volts_per_microsecond"] == pytest.approx(0.2, rel=0.02)


@pytest.mark.parametrize("peak", [17.0, 20.0])
def test_a_core_that_saturates(peak: float, oracle: Callable[[str], str], tmp_path: Path) -> None:
    """Its droop stands where the flux is highest, at the voltage's zeros: no rail, and no crossover either."""
    rate, tone = 48_000, 50.0
    start = -peak / (2 * np.pi * tone)
    wave = run(oracle("ngspice"), tmp_path, "transformer", "out", rate, 0.8, peak=peak, tone=tone, start=start)
    found = figures(wave[rate // 4 :], rate)
    assert found.clipping.state == "clean"
    assert found.thd_percent is not None
    assert found.thd_percent > 1
    assert codes(found.notes) & {"saturation", "not_by_a_rail"}
    assert not codes(found.notes) & {"crossover_distortion", "slew_limited", "filtered"}


def test_a_limiter_that_settles(oracle: Callable[[str], str], tmp_path: Path) -> None:
    rate = 48_000
    wave = run(oracle("ngspice"), tmp_path, "limiter", "out", rate, 3.0, peak=16, tone=500)
    found = figures(wave, rate)
    assert found.clipping.state == "clean"
    assert found.rms_volts == pytest.approx(float(np.std(wave[-rate // 2 :])), rel=5e-3)
    assert "limiter" in codes(found.notes)


def test_rails_that_fall_while_the_tone_is_on(oracle: Callable[[str], str], tmp_path: Path) -> None:
    """ngspice tells the supply's own node; the output shows its rail at every crest."""
    rate, ngspice = 48_000, oracle("ngspice")
    wave = run(ngspice, tmp_path, "slow_supply", "out", rate, 2.0, peak=34, tone=100)
    supply = run(ngspice, tmp_path, "slow_supply", "vp", rate, 2.0, peak=34, tone=100)
    found = figures(wave, rate)
    assert "supply_sag" in codes(found.notes)
    assert found.rail_sag is not None
    assert found.rail_sag.volts_first == pytest.approx(float(supply[rate // 50]), rel=0.01)
    assert found.rail_sag.volts_last == pytest.approx(float(supply[-rate // 10 :].mean()), rel=0.01)
    assert found.rail_sag.time_constant_seconds == pytest.approx(0.3, rel=0.2)
    last = float(supply[-rate // 2 :].mean())
    assert found.clipping.overdrive_db == pytest.approx(20 * np.log10(34 / last), abs=0.05)
