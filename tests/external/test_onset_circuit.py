"""Onset against the world outside: the clipped sine's published table, and a circuit simulator.

Nothing of gainkit makes these recordings: the first are synthesised here from the Fourier integral of a
clipped sine, the others come out of ngspice as transient analyses of a diode-clamped stage, its `fourier`
command giving the truth level by level.
"""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gainkit.analysis.model import MeasureOptions
from gainkit.capture import Capture
from gainkit.onset import find_onset, staircase

pytestmark = pytest.mark.long

RATE = 48_000
TONE_HZ = 997.0

# Overdrive at which THD, orders to 20, reaches a limit: (limit %, symmetric dB, one side dB).
# Source: closed form of the hard-clipped sine's Fourier integral, solved for the limit (own derivation outside
# this project, checked with a 2^20-point FFT and ngspice).
OVERDRIVE_AT_LIMIT = [
    (0.1, 0.04038, 0.05114),
    (1.0, 0.25240, 0.32814),
    (3.0, 0.66650, 0.86094),
    (10.0, 2.17401, 2.77651),
]


def clipped_sine(angle: np.ndarray, overdrive_db: float, one_side: bool) -> np.ndarray:
    """cos(angle) held at 10^(-overdrive/20), orders to 20 of its Fourier integral, rail and peak 1 aside.

    b1 = 1 - (2/pi)(phi - sin phi cos phi), h_n = (4/pi)[sin n phi cos phi - n cos n phi sin phi]/(n(n^2-1)),
    odd n; one side only: half of each excess, every n, and DC -(sin phi - phi cos phi)/pi.
    """
    if overdrive_db <= 0:
        return np.cos(angle)
    phi = math.acos(10 ** (-overdrive_db / 20))
    sine, cosine = math.sin(phi), math.cos(phi)
    share = 1.0 if one_side else 2.0
    wave = (1 - share / math.pi * (phi - sine * cosine)) * np.cos(angle)
    if one_side:
        wave -= (sine - phi * cosine) / math.pi
    for n in range(2, 21):
        if one_side or n % 2:
            excess = math.sin(n * phi) * cosine - n * math.cos(n * phi) * sine
            wave -= 2 * share / math.pi * excess / (n * (n * n - 1)) * np.cos(n * angle)
    return wave


@pytest.mark.parametrize(("limit", "symmetric_db", "one_side_db"), OVERDRIVE_AT_LIMIT)
@pytest.mark.parametrize("one_side", [False, True], ids=["symmetric", "one side"])
def test_hard_clip_from_the_published_overdrive(
    limit: float, symmetric_db: float, one_side_db: float, one_side: bool
) -> None:
    rail, rail_dbfs = 10.0, -5.43  # a tone of that level just touches the rail
    levels = np.arange(-12.0, 1.0)
    parts = [np.zeros(RATE // 3)]
    for number, level in enumerate(levels):
        angle = 2 * np.pi * TONE_HZ * (np.arange(RATE // 2) + number * RATE // 2) / RATE
        overdrive_db = float(level) - rail_dbfs
        parts.append(rail * 10 ** (overdrive_db / 20) * clipped_sine(angle, overdrive_db, one_side))
    parts.append(np.zeros(RATE // 4))
    volts = np.concatenate(parts)
    volts += np.random.default_rng(4).normal(0, rail / math.sqrt(2) * 10 ** (-70 / 20), len(volts))
    result = find_onset(
        Capture.from_array(volts, RATE), staircase(-12, 0, 1, 0.5), MeasureOptions(limit_thd_percent=limit)
    )
    assert result.onset_dbfs is not None
    # goal 0.05 dB at 70 dB SNR; as measured it is ten times better, and a wrong column of the table would show
    assert result.onset_dbfs - rail_dbfs == pytest.approx(one_side_db if one_side else symmetric_db, abs=0.005)
    assert result.rail_volts == pytest.approx(rail, rel=5e-4)


NETLIST = """diode-clamped output stage, its drive a voltage source
{source}
E1 a 0 in 0 10
R1 a out 220
D1 out p clamp
Vp p 0 12
D2 n out clamp
Vn n 0 {negative}
Rload out 0 10k
.model clamp D(Is=2e-9 N=1.8 Rs=2)
.options reltol=1e-5
"""


def run_ngspice(ngspice: str, netlist: str, folder: Path) -> str:
    path = folder / "stage.cir"
    path.write_text(netlist)
    done = subprocess.run([ngspice, "-b", path.name], cwd=folder, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def thd_by_ngspice(ngspice: str, folder: Path, peaks: list[float], negative: float) -> list[float]:
    """THD [%] to order 20 at each drive, by ngspice's own Fourier analysis (its nfreqs counts DC: 21)."""
    runs = "\n".join(
        f"alter @v1[sin] = [ 0 {peak:.9g} {TONE_HZ} ]\ntran 1u 10m 6m 1u\nfourier {TONE_HZ} v(out)"
        for peak in peaks
    )
    netlist = NETLIST.format(source=f"V1 in 0 sin(0 1 {TONE_HZ})", negative=negative)
    text = run_ngspice(
        ngspice,
        f"{netlist}.control\nset nfreqs=21\nset fourgridsize=2000\nset polydegree=3\n{runs}\n.endc\n.end\n",
        folder,
    )
    found = [float(figure) for figure in re.findall(r"THD: ([0-9.eE+-]+) ?%", text)]
    assert len(found) == len(peaks), text[-600:]
    return found


@pytest.mark.parametrize(
    "negative", [pytest.param(-12.0, marks=pytest.mark.long), -10.5], ids=["symmetric", "unequal"]
)
def test_diode_clamped_stage_of_ngspice(negative: float, oracle: Callable[[str], str], tmp_path: Path) -> None:
    ngspice = oracle("ngspice")
    full_scale, dwell, levels = 4.0, 0.06, np.arange(-20.0, 1.0, 1.0)
    # the truth: THD at fine steps, and where it meets 1 %
    fine = np.arange(-11.5, -7.9, 0.5)
    for closer in (0.1, None):
        thd = thd_by_ngspice(ngspice, tmp_path, [full_scale * 10 ** (d / 20) for d in fine], negative)
        place = int(np.argmax(np.array(thd) >= 1.0))
        assert 0 < place < len(fine)
        if closer is not None:
            fine = np.arange(fine[place - 1], fine[place] + closer / 2, closer)
    wanted = float(np.interp(0.0, np.log(thd[place - 1 : place + 1]), fine[place - 1 : place + 1]))
    # the recording: one transient analysis of the whole staircase
    corners, gain_before = [], 0.0
    for number, level in enumerate(levels):
        begin = 0.02 + number * dwell
        gain = full_scale * 10 ** (level / 20)
        corners += [f"{begin:.6f} {gain_before:.9g}", f"{begin + 0.001:.6f} {gain:.9g}"]
        gain_before = gain
    end = 0.02 + len(levels) * dwell
    corners += [f"{end:.6f} {gain_before:.9g}", f"{end + 0.001:.6f} 0"]
    source = f"Vg g 0 pwl(0 0 {' '.join(corners)})\nB1 in 0 V = V(g)*sin(6.283185307179586*{TONE_HZ}*time)"
    step = 1 / RATE / 4
    run_ngspice(
        ngspice,
        f"{NETLIST.format(source=source, negative=negative)}.control\n"
        f"tran {step:.9g} {end + 0.02:.6f} 0 {step:.9g}\n"
        "linearize v(out)\nset wr_singlescale\nset wr_vecnames\nwrdata stairs.txt v(out)\n.endc\n.end\n",
        tmp_path,
    )
    table = np.loadtxt(tmp_path / "stairs.txt", skiprows=1)
    capture = Capture.from_array(table[:, 1], 4 * RATE)
    result = find_onset(capture, staircase(-20, 0, 1, dwell))
    assert result.onset_dbfs is not None
    # goal for soft knees: 0.1 dB; 26 stages of other rails, diodes and resistors stayed within 0.034 dB
    assert result.onset_dbfs == pytest.approx(wanted, abs=0.05)
