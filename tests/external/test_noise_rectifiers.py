"""Ripple of rectifiers simulated by ngspice (tests/data/circuits): its `fourier` beside the families gainkit
finds.

The truth is ngspice's: amplitudes of the last cycle's harmonics of the winding's frequency. gainkit sees a
second of the node's voltage at 48 kHz with a microvolt of hiss, and nothing else.
"""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gainkit.capture import Capture
from gainkit.noise import find_noise
from tests.conftest import DATA
from tests.waves import Floats

RATE = 48_000
SECONDS = 1.1
HISS_VOLTS = 1e-6

Simulate = Callable[[str, float], tuple[dict[int, float], Floats]]


@pytest.fixture(scope="module")
def simulate(oracle: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Simulate:
    """(rms volts by harmonic of the winding's frequency, the output's samples) of a circuit."""
    ngspice = oracle("ngspice")

    def run(circuit: str, tone: float) -> tuple[dict[int, float], Floats]:
        folder: Path = tmp_path_factory.mktemp(circuit)
        netlist = (DATA / "circuits" / f"{circuit}.cir").read_text().replace("{tone}", f"{tone:g}")
        settle = 0.5 if circuit == "bridge_supply" else 0.08
        step = 1 / RATE / 2
        control = f"""
.control
set filetype=ascii
set nfreqs=41
set fourgridsize=4000
set polydegree=3
tran {step:.12g} {settle + SECONDS:.12g} {settle:.12g} {step:.12g}
fourier {tone:g} v(out)
linearize v(out)
wrdata out.txt v(out)
.endc
.end
"""
        (folder / "run.cir").write_text(netlist + control)
        done = subprocess.run(
            [ngspice, "-b", "run.cir"], cwd=folder, capture_output=True, text=True, timeout=600, check=False
        )
        rows = re.findall(
            r"^ *(\d+) +([\d.e+-]+) +([\d.e+-]+) +[\d.e+-]+ +[\d.e+-]+ +[\d.e+-]+", done.stdout, flags=re.M
        )
        assert len(rows) == 41, done.stdout
        table = np.loadtxt(folder / "out.txt")
        samples = np.interp(np.arange(int(SECONDS * RATE)) / RATE + settle, table[:, 0], table[:, 1])
        noise = HISS_VOLTS * np.random.default_rng(1).standard_normal(len(samples))
        return {int(order): float(peak) / math.sqrt(2) for order, _, peak in rows}, samples + noise

    return run


def test_ripple_of_a_mains_supply_is_a_family_of_twice_the_mains(simulate: Simulate) -> None:
    truth, samples = simulate("bridge_supply", 50.0)
    result = find_noise(Capture.from_array(samples, RATE))
    family = result.families[0]
    assert family.kind == "mains"
    assert family.fundamental_hz == pytest.approx(100.0, abs=0.002)
    found = dict(zip(family.orders, family.line_volts, strict=True))
    for order in range(1, 10):
        assert found[order] == pytest.approx(truth[2 * order], rel=0.002, abs=4e-8), order
    assert result.verdict == "hum"
    assert result.hiss_volts == pytest.approx(HISS_VOLTS, rel=0.1)


@pytest.mark.long
def test_ripple_of_an_alternator_with_a_weak_phase(simulate: Simulate) -> None:
    """Six pulses a turn, and twice the electrical frequency where one phase is weak: orders 1 and 3 lead."""
    truth, samples = simulate("alternator", 233.0)
    other_truth, faster = simulate("alternator", 301.0)
    result = find_noise(Capture.from_array(samples, RATE), against=Capture.from_array(faster, RATE))
    family = result.families[0]
    assert family.kind == "alternator"
    assert family.moves is True
    assert family.fundamental_hz == pytest.approx(466.0, abs=0.01)
    found = dict(zip(family.orders, family.line_volts, strict=True))
    for order in range(1, 8):
        assert found[order] == pytest.approx(truth[2 * order], rel=0.01, abs=4e-8), order
    assert result.verdict == "whine"
    told = next(note for note in result.notes if note.code == "line_family_moves")
    assert told.values["speed_ratio"] == pytest.approx(233 / 301, rel=1e-4)
    assert truth[2] > 3 * truth[4]
    assert truth[6] > 3 * truth[4]
    assert other_truth[2] > 3 * other_truth[4]
