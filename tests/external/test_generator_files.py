"""Written tones read by other programs: levels, distortion, dither and bands against closed forms and
standards."""

from __future__ import annotations

import json
import math
import re
import subprocess
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from gainkit.generator.bands import BANDS, PREFERRED_HZ, third_octave_edges_hz
from gainkit.generator.spec import ToneSpec
from gainkit.toneset.model import AudioFormat
from gainkit.toneset.writing import write_one

SINE_TO_SQUARE_DB = 10 * math.log10(2)
"""sox and ffmpeg refer rms to full-scale DC (a square wave); AES17's 0 dBFS is a sine, 3.0103 dB lower."""


def written(tmp_path: Path, spec: ToneSpec, bits: int = 16, rate: int = 44_100, form: str = "wav"):
    """A tone on disk, its facts, and where its steady part lies."""
    path = tmp_path / f"tone.{form}"
    facts = write_one(spec, path, AudioFormat(rate, bits, form), overwrite=True)
    return path, facts, facts.steps[0]


def wave_samples(path: Path) -> np.ndarray:
    """Integers of a PCM file by Python's own wave module, shape (frames, 2)."""
    with wave.open(str(path)) as file:
        assert file.getnchannels() == 2
        width, data = file.getsampwidth(), file.readframes(file.getnframes())
    if width == 2:
        return np.frombuffer(data, "<i2").reshape(-1, 2).astype(float)
    octets = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(np.int32)
    values = octets[:, 0] | octets[:, 1] << 8 | octets[:, 2] << 16
    return np.where(values >= 1 << 23, values - (1 << 24), values).reshape(-1, 2).astype(float)


def sine_fit(samples: np.ndarray, frequency_hz: float, rate: int) -> tuple[float, np.ndarray]:
    """Amplitude by three-parameter least squares (IEEE 1057), and what is left over."""
    phase = 2 * np.pi * frequency_hz * np.arange(len(samples)) / rate
    basis = np.stack([np.cos(phase), np.sin(phase), np.ones_like(phase)], axis=1)
    solution, *_ = np.linalg.lstsq(basis, samples, rcond=None)
    return float(np.hypot(solution[0], solution[1])), samples - basis @ solution


@pytest.mark.parametrize(("bits", "tolerance_db"), [(16, 0.001), (24, 0.0001)])
@pytest.mark.parametrize("frequency", [50.0, 997.0, 1234.567])
@pytest.mark.parametrize("level", [0.0, -3.0, -12.0])
def test_sine_level_by_wave_module(
    tmp_path: Path, bits: int, tolerance_db: float, frequency: float, level: float
) -> None:
    """Definition of dBFS: AES17, a sine whose peaks touch full scale is 0 dBFS (full scale: 2^(bits-1))."""
    spec = ToneSpec("sine", frequency_hz=frequency, level_dbfs=level, seconds=3.0)
    path, facts, step = written(tmp_path, spec, bits)
    values = wave_samples(path)
    assert len(values) == facts.frames
    assert values.max() <= 2 ** (bits - 1) - 1
    for channel in (0, 1):
        samples = values[step["start_frame"] : step["stop_frame"], channel] / 2 ** (bits - 1)
        amplitude, _ = sine_fit(samples, facts.frequency_hz, 44_100)
        assert 20 * math.log10(amplitude) == pytest.approx(level, abs=tolerance_db)


def sox_rms_dbfs(sox: str, path: Path, start: int, stop: int) -> float:
    """Rms of frames start..stop by sox stats, on AES17's scale; printed to 0.01 dB."""
    done = subprocess.run(
        [sox, path, "-n", "trim", f"{start}s", f"{stop - start}s", "stats"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return float(re.search(r"RMS lev dB\s+(\S+)", done.stderr)[1]) + SINE_TO_SQUARE_DB


def ffmpeg_rms_dbfs(ffmpeg: str, path: Path, start: int, stop: int) -> float:
    """The same by ffmpeg astats, printed to 0.000001 dB."""
    graph = f"atrim=start_sample={start}:end_sample={stop},astats=measure_perchannel=none"
    done = subprocess.run(
        [ffmpeg, "-hide_banner", "-nostats", "-i", path, "-af", graph, "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return float(re.search(r"RMS level dB: (\S+)", done.stderr)[1]) + SINE_TO_SQUARE_DB


def ramp_rms_dbfs(from_dbfs: float, to_dbfs: float) -> float:
    """Rms of a sine whose level moves evenly in dB: the mean of 10^(L/10) over L, in closed form."""
    powers = 10 ** (to_dbfs / 10) - 10 ** (from_dbfs / 10)
    return 10 * math.log10(powers / ((to_dbfs - from_dbfs) * math.log(10) / 10))


@pytest.fixture(scope="module")
def full_set(full_stick: Path) -> tuple[Path, dict]:
    return full_stick, json.loads((full_stick / "index.json").read_text())


@pytest.mark.long
def test_every_track_of_the_full_set_by_sox_and_ffmpeg(
    full_set: tuple[Path, dict], oracle: Callable[[str], str]
) -> None:
    """Steps with an rms level: 0.01 dB, and half the last digit that sox prints."""
    sox, ffmpeg = oracle("sox"), oracle("ffmpeg")
    folder, index = full_set
    measured = 0
    for track in index["tracks"]:
        steps = [
            step
            for step in track["steps"]
            if step["role"] in ("steady", "step", "ramp", "sweep", "noise")
            and "channel" not in step  # one side alone
            and not (
                step["role"] == "sweep" and "stop_level_dbfs" in step
            )  # it falls from some frequency on only
        ]
        for step in {0: steps[:1], 1: steps[len(steps) // 2 :][:1], 2: steps[-1:]}.values():
            if not step:
                continue
            level, start, stop = step[0]["level_dbfs"], step[0]["start_frame"], step[0]["stop_frame"]
            if "stop_level_dbfs" in step[0]:
                level = ramp_rms_dbfs(level, step[0]["stop_level_dbfs"])
            path = folder / track["file"]
            assert sox_rms_dbfs(sox, path, start, stop) == pytest.approx(level, abs=0.015), track["file"]
            assert ffmpeg_rms_dbfs(ffmpeg, path, start, stop) == pytest.approx(level, abs=0.01), track["file"]
            measured += 1
            if len(steps) == 1:
                break
    assert measured >= 10 + 2 * 3 + 2 + 4 + 1


def test_peak_kinds_by_sox(full_set: tuple[Path, dict], oracle: Callable[[str], str]) -> None:
    folder, index = full_set
    peaks = [track for track in index["tracks"] if track["level_kind"] == "peak"]
    assert peaks
    for track in peaks:
        done = subprocess.run(
            [oracle("sox"), folder / track["file"], "-n", "stats"], capture_output=True, text=True, check=True
        )
        peak_db = float(re.search(r"Pk lev dB\s+(\S+)", done.stderr)[1])
        assert peak_db == pytest.approx(track["level_dbfs"], abs=0.015), track["file"]


def harmonics_dbc(samples: np.ndarray, cycles: int, orders: int = 20) -> np.ndarray:
    """Levels of orders 2 and up re the fundamental [dB], by a windowed spectrum.

    scipy's Kaiser window, beta 30: side lobes under -220 dB, main lobe 20 lines wide; powers summed over it.
    """
    window = signal.windows.kaiser(len(samples), 30.0, sym=False)
    power = np.abs(np.fft.rfft(samples * window)) ** 2

    def at(line: int) -> float:
        return float(power[max(line - 10, 0) : line + 11].sum())

    last = min(orders, (len(samples) // 2 - 11) // cycles)
    return np.array([10 * math.log10(at(order * cycles) / at(cycles)) for order in range(2, last + 1)])


@pytest.mark.parametrize(("bits", "limit_dbc"), [(16, -115.0), (24, -150.0)])
@pytest.mark.parametrize(("frequency", "level"), [(997.0, 0.0), (50.0, -12.0), (1234.567, 0.0)])
def test_distortion_of_the_written_sine(
    tmp_path: Path, bits: int, limit_dbc: float, frequency: float, level: float
) -> None:
    """60 s: every harmonic to order 20, and their sum where dither lets it be told from noise."""
    spec = ToneSpec("sine", frequency_hz=frequency, level_dbfs=level, seconds=60.0)
    path, facts, step = written(tmp_path, spec, bits)
    samples = wave_samples(path)[step["start_frame"] : step["stop_frame"], 0]
    cycles = round(facts.frequency_hz * len(samples) / 44_100)
    levels = harmonics_dbc(samples, cycles)
    assert levels.max() < limit_dbc
    assert 10 * math.log10(np.sum(10 ** (levels / 10))) < limit_dbc


def test_distortion_check_can_fail() -> None:
    """Control: a harmonic at -114 dBc is seen as such."""
    turns = 2 * np.pi * 997 * np.arange(441_000) / 44_100
    levels = harmonics_dbc(np.sin(turns) + 10 ** (-114 / 20) * np.sin(3 * turns), 9970)
    assert levels[1] == pytest.approx(-114, abs=0.01)


def test_dither_noise_against_the_closed_form(tmp_path: Path) -> None:
    """TPDF of 2 steps and rounding: step^2/4 in all, -93.3193 dBFS at 16 bit (closed form; 0.02 dB for 3
    sigma)."""
    for level in (0.0, -6.0, -80.0):
        spec = ToneSpec("sine", frequency_hz=997.0, level_dbfs=level, seconds=20.0)
        path, facts, step = written(tmp_path, spec)
        samples = wave_samples(path)[step["start_frame"] : step["stop_frame"], 1] / 2**15
        _, rest = sine_fit(samples, facts.frequency_hz, 44_100)
        assert 10 * math.log10(2 * np.mean(rest**2)) == pytest.approx(-93.3193, abs=0.02)


@pytest.mark.parametrize("dither", [True, False])
def test_no_harmonic_of_the_quantiser_above_the_noise(tmp_path: Path, dither: bool) -> None:
    """A sine of 3.3 steps: with dither no harmonic rises from the noise; without (control) the third does."""
    spec = ToneSpec("sine", frequency_hz=997.0, level_dbfs=-80.0, seconds=30.0, dither=dither)
    path, _, step = written(tmp_path, spec)
    samples = wave_samples(path)[step["start_frame"] : step["stop_frame"], 0]
    power = np.abs(np.fft.rfft(samples)) ** 2
    cycles = 997 * 30
    floor = np.median(power) / math.log(2)  # mean of an exponential distribution from its median
    harmonics = power[2 * cycles : 21 * cycles : cycles] / floor
    if dither:
        assert harmonics.max() < -math.log(1e-6)  # exponential: passed once in a million lines
    else:
        assert harmonics.max() > 1000


THIRDS = {
    # nominal: exact lower and upper edge, IEC 61260-1:2014 (base ten), as tabled in reference implementations
    25: (22.387, 28.184), 31.5: (28.184, 35.481), 100: (89.125, 112.202), 125: (112.202, 141.254),
    250: (223.872, 281.838), 500: (446.684, 562.341), 800: (707.946, 891.251), 1250: (1122.018, 1412.538),
    2000: (1778.279, 2238.721), 4000: (3548.134, 4466.836), 8000: (7079.458, 8912.509),
    16000: (14125.375, 17782.794),
}  # fmt: skip


def test_band_edges_against_the_standard() -> None:
    for nominal, edges in THIRDS.items():
        assert third_octave_edges_hz(nominal) == pytest.approx(edges, abs=0.0006)
    # ISO 266, R10: 1.00 1.25 1.60 2.00 2.50 3.15 4.00 5.00 6.30 8.00 and powers of ten
    r10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
    assert all(any(math.isclose(f / 10**k, r) for k in (1, 2, 3, 4) for r in r10) for f in PREFERRED_HZ)
    # Octaves 31.5 to 125 Hz and 250 to 2000 Hz: edges from the same standard's table of octaves.
    assert (BANDS["bass"].low_hz, BANDS["bass"].high_hz) == pytest.approx((22.3872, 177.8279), abs=5e-5)
    assert (BANDS["midrange"].low_hz, BANDS["midrange"].high_hz) == pytest.approx(
        (177.8279, 2818.3829), abs=5e-5
    )


@pytest.mark.parametrize("band", BANDS)
@pytest.mark.parametrize(("rate", "bits"), [(44_100, 24), (48_000, 16)])
def test_third_octaves_by_an_independent_method(tmp_path: Path, band: str, rate: int, bits: int) -> None:
    """scipy's Butterworth band-pass filters on the written samples, each third-octave one tenth of a decade.

    Pink noise holds the same power in each (-10 dB/decade, -3.01 dB/octave in density). 0.5 dB is the
    limit; the filters' skirts alone make up to 0.3 dB at the band's ends, so the outermost thirds are left out.
    """
    path, _, step = written(tmp_path, ToneSpec("noise", band=band, seconds=12.0), bits, rate)
    samples = wave_samples(path)[step["start_frame"] : step["stop_frame"], 0] / 2 ** (bits - 1)
    inside = [f for f in PREFERRED_HZ if BANDS[band].first_hz < f < BANDS[band].last_hz]
    levels = []
    for nominal in inside:
        low, high = third_octave_edges_hz(nominal)
        factor = max(int(rate / 2 / (high * 4)), 1)
        coarse = signal.resample_poly(samples, 1, factor) if factor > 1 else samples
        sos = signal.butter(4, (low, high), "bandpass", fs=rate / factor, output="sos")
        settled = signal.sosfilt(sos, coarse)[len(coarse) // 2 :]  # the second of two periods: exact power
        levels.append(10 * math.log10(np.mean(settled**2)))
    slope_db_per_octave = np.polyfit(np.log2(inside), levels, 1)[0] - 10 * math.log10(2)
    assert slope_db_per_octave == pytest.approx(-3.01, abs=0.05)
    assert np.ptp(levels) < 0.5


@pytest.mark.parametrize("band", BANDS)
def test_nothing_outside_the_band(tmp_path: Path, band: str) -> None:
    """Welch spectrum (scipy): an octave outside the density is 48 dB and more below the edge inside."""
    path, _, step = written(tmp_path, ToneSpec("noise", band=band, seconds=12.0), 24)
    samples = wave_samples(path)[step["start_frame"] : step["stop_frame"], 0] / 2**23
    frequency, density = signal.welch(samples, 44_100, ("kaiser", 20.0), 1 << 17)
    low, high = BANDS[band].low_hz, BANDS[band].high_hz
    below = density[(frequency > 1) & (frequency < low / 2)]
    above = density[frequency > min(2 * high, 21_000)]
    edge_low = density[(frequency > low * 1.1) & (frequency < low * 1.3)].mean()
    edge_high = density[(frequency > high * 0.8) & (frequency < high * 0.9)].mean()
    assert 10 * np.log10(edge_low / below.max()) > 48
    assert 10 * np.log10(edge_high / above.max()) > 48


def test_crest_factor_by_ffmpeg(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    spec = ToneSpec("noise", band="full", seconds=12.0, level_dbfs=-15.0, crest_db=9.0)
    path, _, step = written(tmp_path, spec)
    graph = f"atrim=start_sample={step['start_frame']}:end_sample={step['stop_frame']},astats"
    done = subprocess.run(
        [oracle("ffmpeg"), "-hide_banner", "-nostats", "-i", path, "-af", graph, "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    crest = [20 * math.log10(float(c)) for c in re.findall(r"Crest factor: (\S+)", done.stderr)]
    assert len(crest) == 2
    assert all(8.5 < c < 9.02 for c in crest)  # dither adds a step to the peak


@pytest.mark.parametrize("form", ["wav", "flac"])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000])
def test_headers_by_sox(tmp_path: Path, form: str, bits: int, rate: int, oracle: Callable[[str], str]) -> None:
    path, facts, _ = written(tmp_path, ToneSpec("sine", seconds=0.5), bits, rate, form)

    def told(flag: str) -> int:
        return int(
            subprocess.run(
                [oracle("sox"), "--i", flag, path], capture_output=True, text=True, check=True
            ).stdout
        )

    assert (told("-r"), told("-b"), told("-c"), told("-s")) == (rate, bits, 2, facts.frames)


def test_float_wav_by_sox(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    path, facts, step = written(tmp_path, ToneSpec("sine", level_dbfs=0, seconds=1.0), 32)
    told = subprocess.run([oracle("sox"), "--i", path], capture_output=True, text=True, check=True).stdout
    assert "32-bit Floating Point" in told
    assert f"{facts.frames} samples" in told
    assert sox_rms_dbfs(oracle("sox"), path, step["start_frame"], step["stop_frame"]) == pytest.approx(
        0, abs=0.006
    )


def test_flac_holds_the_wav_samples(tmp_path: Path, oracle: Callable[[str], str]) -> None:
    """Bit for bit, decoded by ffmpeg."""
    for bits, code in ((16, "s16le"), (24, "s24le")):
        spec = ToneSpec("noise", band="midrange", seconds=1.0)
        wav, _, _ = written(tmp_path, spec, bits)
        flac, _, _ = written(tmp_path, spec, bits, form="flac")
        raw = [
            subprocess.run(
                [oracle("ffmpeg"), "-v", "error", "-i", path, "-f", code, "-"], capture_output=True, check=True
            ).stdout
            for path in (wav, flac)
        ]
        assert raw[0] == raw[1]
        assert len(raw[0]) > 100_000
