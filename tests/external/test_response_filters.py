"""The response room against the world outside: scipy.signal's digital designs, ngspice's ladders, ffmpeg's
codecs."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal
from scipy.interpolate import CubicSpline

from gainkit.capture import Capture, read_capture
from gainkit.generator.spec import ToneSpec
from gainkit.response import Sweep, find_response
from tests.chains import RATE, filtered, in_a_row, noisy, played, through

pytestmark = pytest.mark.long

DATA = Path(__file__).parent.parent / "data" / "circuits"


@pytest.fixture(scope="module")
def track() -> tuple[np.ndarray, Sweep]:
    return played(ToneSpec("sweep", seconds=12.0))


def sections(family: str, order: int, corner_hz: float, kind: str) -> np.ndarray:
    """A digital filter as crossovers in sound processors are: scipy's bilinear design at 48 kHz."""
    if family == "bessel":
        return signal.bessel(order, corner_hz, kind, fs=RATE, norm="mag", output="sos")
    own = order // 2 if family == "linkwitz-riley" else order
    half = signal.butter(own, corner_hz, kind, fs=RATE, output="sos")
    return np.vstack([half, half]) if family == "linkwitz-riley" else half


@pytest.mark.parametrize("snr_db", [None, 40.0])
@pytest.mark.parametrize(
    ("family", "order", "corner_hz", "kind"),
    [
        ("butterworth", 2, 63.0, "low"),
        ("butterworth", 6, 3_500.0, "low"),
        ("butterworth", 5, 4_000.0, "high"),
        ("linkwitz-riley", 8, 2_200.0, "high"),
        ("bessel", 4, 250.0, "low"),
        ("bessel", 3, 5_000.0, "high"),
    ],
)
def test_digital_designs_of_scipy(
    track: tuple[np.ndarray, Sweep], family: str, order: int, corner_hz: float, kind: str, snr_db: float | None
) -> None:
    samples, sweep = track
    late = np.concatenate([np.zeros(9_000), samples[:, 0]])
    output = signal.sosfilt(sections(family, order, corner_hz, kind), late)
    result = find_response(Capture.from_array(noisy(output, snr_db), RATE), sweep)
    found, other = (result.highpass, result.lowpass)[:: 1 if kind == "high" else -1]
    assert found is not None
    assert (found.family, found.order) == (family, order)
    assert found.corner_hz == pytest.approx(corner_hz, rel=0.01)
    assert other is None
    assert result.boosts == ()


@pytest.mark.parametrize(
    ("circuit", "hertz", "family", "order", "fall_db"),
    [
        ("ladder_1_high", 3_000.0, "butterworth", 1, 3.0103),
        ("ladder_2_low", 120.0, "butterworth", 2, 3.0103),
        ("ladder_3_high", 2_500.0, "butterworth", 3, 3.0103),
        ("ladder_4_low", 80.0, "butterworth", 4, 3.0103),
        ("ladder_4_low_lr", 1_800.0, "linkwitz-riley", 4, 6.0206),
        ("ladder_2_high_bessel", 400.0, "bessel", 2, 3.0103),
    ],
)
@pytest.mark.parametrize("snr_db", [None, 40.0])
def test_ladders_of_ngspice(
    track: tuple[np.ndarray, Sweep],
    oracle: Callable[[str], str],
    tmp_path: Path,
    circuit: str,
    hertz: float,
    family: str,
    order: int,
    fall_db: float,
    snr_db: float | None,
) -> None:
    """The circuit's answer and its corner are ngspice's (`ac`, `meas`): the sweep goes through the former, and
    the latter must come out of the recording."""
    samples, sweep = track
    netlist = (DATA / f"{circuit}.cir").read_text().replace("{hertz}", f"{hertz:g}")
    control = f"""
.control
set wr_singlescale
ac dec 100 0.5 40k
meas ac corner when vdb(out)={-fall_db}
wrdata out.txt v(out)
.endc
.end
"""
    (tmp_path / "run.cir").write_text(netlist + control)
    done = subprocess.run(
        [oracle("ngspice"), "-b", "run.cir"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    corner_hz = float(re.search(r"corner\s*=\s*([\d.e+-]+)", done.stdout)[1])  # type: ignore[index]
    answer = np.loadtxt(tmp_path / "out.txt")
    curve = CubicSpline(np.log(answer[:, 0]), answer[:, 1:3])

    def transfer(frequencies: np.ndarray) -> np.ndarray:
        pair = curve(np.log(np.maximum(frequencies, 0.5)))
        return np.asarray(pair[:, 0] + 1j * pair[:, 1])

    recording = noisy(through(samples[:, 0], transfer), snr_db)
    result = find_response(Capture.from_array(recording, RATE), sweep)
    found = result.highpass if "high" in circuit else result.lowpass
    assert found is not None
    assert (found.family, found.order) == (family, order)
    assert found.corner_hz == pytest.approx(corner_hz, rel=0.01)
    assert result.boosts == ()
    for point in result.points:
        truth_db = 20 * np.log10(np.abs(transfer(np.array([point.frequency_hz])))[0])
        if truth_db > -25 and point.level_db - point.floor_db > 20:
            assert point.level_db == pytest.approx(truth_db, abs=0.02 if snr_db is None else 0.2)


@pytest.mark.parametrize(
    ("suffix", "codec"),
    [("m4a", ["-c:a", "aac", "-b:a", "128k"]), ("opus", ["-c:a", "libopus", "-b:a", "96k"])],
)
def test_what_phones_store_is_good_enough(
    track: tuple[np.ndarray, Sweep], oracle: Callable[[str], str], tmp_path: Path, suffix: str, codec: list[str]
) -> None:
    ffmpeg = oracle("ffmpeg")
    samples, sweep = track
    chain = in_a_row(filtered("linkwitz-riley", 4, 90.0, "high"))
    recording = noisy(through(3.0 * samples[:, 0], chain), 50.0)
    soundfile.write(tmp_path / "in.wav", recording, RATE, subtype="PCM_16")
    stored = f"coded.{suffix}"
    for source, target, options in (("in.wav", stored, codec), (stored, "out.wav", [])):
        subprocess.run(
            [ffmpeg, "-v", "error", "-y", "-i", tmp_path / source, *options, tmp_path / target], check=True
        )
    result = find_response(read_capture(tmp_path / "out.wav"), sweep)
    assert result.found
    assert result.drift_ppm == pytest.approx(0, abs=2)
    assert result.highpass is not None
    assert (result.highpass.family, result.highpass.order) == ("linkwitz-riley", 4)
    assert result.highpass.corner_hz == pytest.approx(90.0, rel=0.02)
    inside = [point for point in result.points if 60 < point.frequency_hz < 12_000]
    for point in inside:
        truth_db = 20 * np.log10(3.0 * np.abs(chain(np.array([point.frequency_hz])))[0])
        assert point.level_db == pytest.approx(truth_db, abs=0.5)


@pytest.mark.parametrize("kind", ["high", "low"])
@pytest.mark.parametrize("corner_hz", [60.0, 300.0, 2_500.0])
def test_what_a_steep_filter_leaves_is_not_taken_for_another_sweep(kind: str, corner_hz: float) -> None:
    """Eighth order without noise: octaves far beyond the corner hold nothing but the others' leakage."""
    samples, sweep = played(ToneSpec("sweep", seconds=15.0))
    chain = filtered("butterworth", 8, corner_hz, kind)
    result = find_response(Capture.from_array(through(samples[:, 0], chain), RATE), sweep)
    found = result.highpass if kind == "high" else result.lowpass
    assert found is not None
    assert (found.family, found.order) == ("butterworth", 8)
    assert found.corner_hz == pytest.approx(corner_hz, rel=0.01)
