"""`gainkit measure` as it is used: files, options, refusals, exit statuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gainkit.analysis import measure
from gainkit.analysis.clean import is_disturbed, waveform_state
from gainkit.capture import Capture, read_capture
from tests.conftest import DATA, Answer
from tests.waves import RATE, held, shaped, sine, with_noise

KEYS = {
    "file", "channel", "minus", "sample_rate_hz", "seconds", "cycles", "calibrated", "frequency_hz",
    "rms_volts",
    "fundamental_volts", "level_dbfs", "peak_volts", "dc_volts", "crest_factor_db", "thd_percent",
    "thd_floor_percent", "thd_n_percent", "noise_volts", "harmonics", "clipping", "recorder_overload",
    "steady_tone", "watts", "target", "notes",
}  # fmt: skip


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    path = tmp_path / "tone.wav"
    soundfile.write(path, with_noise(sine(997, peak=0.5), 80), RATE, subtype="PCM_24")
    return path


def test_json_holds_the_settled_keys(gainkit: Callable[..., Answer], tone: Path) -> None:
    found = gainkit("measure", tone, "--json").json
    assert set(found) >= KEYS
    assert {"state", "side", "positive_rail_volts", "negative_rail_volts", "overdrive_db"} <= set(
        found["clipping"]
    )
    assert set(found["harmonics"][0]) == {"order", "percent", "phase_degrees"}
    assert [h["order"] for h in found["harmonics"]] == list(range(2, 21))
    assert found["calibrated"] is False
    assert found["watts"] is None
    assert found["target"] is None
    assert found["level_dbfs"] == pytest.approx(20 * np.log10(0.5), abs=1e-3)


def test_several_captures_give_a_list(gainkit: Callable[..., Answer], tone: Path) -> None:
    found = gainkit("measure", tone, tone, "--json").json
    assert [entry["file"] for entry in found["measurements"]] == [str(tone)] * 2


def test_target_and_load(gainkit: Callable[..., Answer], tone: Path) -> None:
    options = ("--full-scale-volts", 40, "--target-volts", 20, "--load-ohms", 4)
    found = gainkit("measure", tone, "--json", *options).json
    rms = 40 * 0.5 / np.sqrt(2)
    assert found["rms_volts"] == pytest.approx(rms, rel=1e-4)
    assert found["watts"] == pytest.approx(rms**2 / 4, rel=1e-4)
    assert found["target"] == {"set_volts": 20, "change_db": pytest.approx(20 * np.log10(20 / rms), abs=1e-3)}
    text = gainkit("measure", tone, *options).out
    assert "CLEAN" in text.splitlines()[0]
    assert "Turn UP by 3.01 dB to reach 20 V" in text


def test_uncalibrated_target_is_not_compared(gainkit: Callable[..., Answer], tone: Path) -> None:
    found = gainkit("measure", tone, "--json", "--target-volts", 20).json
    assert found["target"]["change_db"] is None
    assert "target_needs_calibration" in [note["code"] for note in found["notes"]]


@pytest.mark.parametrize("peak", [1.5, 1.05])
def test_an_overloaded_recorder_is_no_clipped_amplifier(
    gainkit: Callable[..., Answer], tmp_path: Path, peak: float
) -> None:
    path = tmp_path / "over.wav"
    soundfile.write(path, np.clip(sine(997, peak=peak), -1, 1), RATE, subtype="PCM_24")
    found = gainkit("measure", path, "--json").json
    assert found["recorder_overload"] is True
    assert found["clipping"]["state"] is None
    assert "RECORDER OVERLOADED" in gainkit("measure", path).out
    assert gainkit("measure", path, "--require-clean").code == 1


@pytest.mark.parametrize("frequency_hz", [20.0, 50.0, 997.0])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_full_scale_sine_is_no_overload(
    gainkit: Callable[..., Answer], tmp_path: Path, frequency_hz: float, subtype: str
) -> None:
    path = tmp_path / "full.wav"
    soundfile.write(path, sine(frequency_hz) * (1 - 2**-15), RATE, subtype=subtype)
    found = gainkit("measure", path, "--json").json
    assert found["recorder_overload"] is False
    assert found["clipping"]["state"] == "clean"


def test_require_clean_answers_by_its_status(
    gainkit: Callable[..., Answer], tmp_path: Path, tone: Path
) -> None:
    clipped = tmp_path / "clipped.wav"
    soundfile.write(clipped, 0.5 * shaped(held(1.0), 997), RATE, subtype="PCM_24")
    assert gainkit("measure", tone, "--require-clean").code == 0
    assert gainkit("measure", clipped, "--require-clean").code == 1
    assert gainkit("measure", tone, clipped, "--require-clean", "--json").code == 1


def test_part_of_a_recording(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    path = tmp_path / "two.wav"
    soundfile.write(path, np.concatenate([sine(997, peak=0.1), sine(440, peak=0.5)]), RATE)
    assert gainkit("measure", path, "--stop", 1, "--json").json["frequency_hz"] == pytest.approx(997, abs=1e-3)
    assert gainkit("measure", path, "--start", 1, "--json").json["frequency_hz"] == pytest.approx(440, abs=1e-3)


def test_readings_are_logged(gainkit: Callable[..., Answer], tmp_path: Path, tone: Path) -> None:
    example = Path(__file__).parent.parent / "gainkit" / "job" / "example_system.toml"
    (tmp_path / "system.toml").write_text(example.read_text())
    for _ in range(2):
        answer = gainkit(
            "measure", tone, "--full-scale-volts", 60, "--log", tmp_path, "--for", "Front/left", "--json"
        )
        assert answer.code == 0, answer.err
    lines = (tmp_path / "readings.jsonl").read_text().splitlines()
    assert len(lines) == 2
    assert json.loads(lines[0])["outputs"] == ["Front/left"]
    assert answer.json["target"]["set_volts"] > 1, "the target comes from the job's system file"


def broken(tmp_path: Path) -> dict[str, Path]:
    """Files that nothing can be measured in."""
    places = {
        name: tmp_path / name
        for name in ("gone.wav", "empty.wav", "cut.wav", "prose.csv", "nan.csv", "one.csv")
    }
    places["empty.wav"].write_bytes(b"")
    whole = tmp_path / "whole.wav"
    soundfile.write(whole, sine(997), RATE)
    places["cut.wav"].write_bytes(whole.read_bytes()[:30])
    places["prose.csv"].write_text("Dear technician,\nthis is a letter.\n")
    rows = [f"{n / 1e5:.6f},{np.sin(n / 16):.4f}" for n in range(2000)]
    rows[1000] = "0.010000,nan"
    places["nan.csv"].write_text("Time,CH1\ns,V\n" + "\n".join(rows) + "\n")
    places["one.csv"].write_text(
        "Time,CH1\ns,V\n" + "\n".join(f"{n / 1e5:.6f},{np.sin(n / 16):.4f}" for n in range(105))
    )
    return places


@pytest.mark.parametrize("name", ["gone.wav", "empty.wav", "cut.wav", "prose.csv", "nan.csv", "one.csv"])
def test_unusable_files_are_refused_in_two_parts(
    gainkit: Callable[..., Answer], tmp_path: Path, name: str
) -> None:
    path = broken(tmp_path)[name]
    message = gainkit("measure", path, "--json").refused()
    assert str(path) in message
    if name == "nan.csv":
        assert "line 1003" in message


@pytest.mark.parametrize(
    "options",
    [
        ("--channel", 3),
        ("--minus", 1),
        ("--full-scale-volts", -1),
        ("--full-scale-volts", "nan"),
        ("--load-ohms", -4),
        ("--target-volts", "inf"),
        ("--band-hz", "10-20000"),
        ("--band-hz", "200:100"),
        ("--start", 9),
        ("--limit-thd-percent", 0),
        ("--for", "Front"),
        ("--calibration", "gone.toml"),
    ],
)
def test_unusable_options_are_refused_in_two_parts(
    gainkit: Callable[..., Answer], tone: Path, options: tuple[object, ...]
) -> None:
    gainkit("measure", tone, *options).refused()


def test_oscilloscope_text_needs_no_calibration(gainkit: Callable[..., Answer]) -> None:
    found = gainkit("measure", DATA / "captures" / "split_997hz_0v9_scope.csv", "--json").json
    assert found["calibrated"] is True
    assert found["level_dbfs"] is None


# -- advice that must not mislead ----------------------------------------------------------------------------

SYSTEM = """
[source]
preamp_volts = 4.0
[[channel]]
name = "Sub"
bridged = true
rated_watts = 500
rated_ohms = 4
load_ohms = 4
overlap_db = 5
tone_hz = 50
[[channel]]
name = "Front"
rated_watts = 50
rated_ohms = 4
load_ohms = 4
overlap_db = 5
"""


def told(gainkit: Callable[..., Answer], path: Path, samples: object, *options: object) -> str:
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    return gainkit("measure", path, "--full-scale-volts", 60, *options).out


@pytest.mark.parametrize("target", [16.0, 15.68, 14.3])
def test_a_clipped_tone_is_never_told_to_go_up_nor_on_target(
    target: float, gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    """Rails of 20 V let a sine of 14.14 V through (20 / sqrt 2); the clipped wave's rms is higher."""
    wave = np.clip(24 / 60 * sine(997, peak=1.0), -20 / 60, 20 / 60)
    text = told(gainkit, tmp_path / "clipped.wav", wave, "--target-volts", target)
    assert "CLIPPED" in text.splitlines()[0]
    assert "UP" not in text
    assert "On target" not in text
    assert "the rails end at 14.14 V" in text


def test_a_clipped_tone_is_told_how_far_down_its_target_lies(
    gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    wave = np.clip(24 / 60 * sine(997, peak=1.0), -20 / 60, 20 / 60)
    text = told(gainkit, tmp_path / "clipped.wav", wave, "--target-volts", 12)
    assert f"Turn DOWN by {20 * np.log10(24 / 2**0.5 / 12):.2f} dB to reach 12 V" in text


def test_a_soft_knee_is_told_to_go_down_until_the_limit(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    wave = 20 / 60 * np.tanh(1.3 * sine(997, peak=1.0))
    text = told(gainkit, tmp_path / "soft.wav", wave, "--target-volts", 20)
    assert "CLIPPED" in text.splitlines()[0]
    assert "0.00 dB" not in text
    assert "UP" not in text


def test_a_square_wave_has_no_false_figure(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    text = told(gainkit, tmp_path / "square.wav", np.clip(1e5 * sine(997, peak=1.0), -0.3, 0.3))
    assert "or more beyond the rail" in text


def test_noise_and_overload_turn_nothing(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(RATE)
    overload = np.clip(1.5 * sine(997, peak=1.0), -1, 1 - 2**-23)
    for samples, head in ((noise, "NO STEADY TONE"), (overload, "RECORDER OVERLOADED")):
        text = told(gainkit, tmp_path / "x.wav", samples, "--target-volts", 6)
        assert head in text
        assert "Turn" not in text.split("Note")[0]
        assert "On target" not in text


def test_a_bridged_channel_on_one_lead_is_cautioned(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    (tmp_path / "system.toml").write_text(SYSTEM)
    half = sine(50, peak=0.5)
    for_sub = ("--system", tmp_path / "system.toml", "--for", "Sub")
    text = told(gainkit, tmp_path / "sub.wav", np.stack([half, -half], axis=1), *for_sub)
    assert text.splitlines()[1].startswith("CAUTION: Sub is bridged: one lead against ground shows half")
    assert "ground" in text
    assert "If both leads were measured: " in text
    assert "CAUTION" not in gainkit("measure", tmp_path / "sub.wav", "--minus", 2, *for_sub).out
    notes = gainkit("measure", tmp_path / "sub.wav", *for_sub, "--json").json["notes"]
    assert notes[0]["code"] == "one_lead"
    assert (notes[0]["output"], notes[0]["bridged"]) == ("Sub", True)


def test_another_tone_than_the_plan_s_is_told(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    (tmp_path / "system.toml").write_text(SYSTEM)
    for name, hertz, words in (
        ("Front", 50, "set with 997 Hz"),
        ("Front", 997, ""),
        ("Sub", 997, "with 50 Hz"),
    ):
        text = told(
            gainkit,
            tmp_path / "x.wav",
            sine(hertz, peak=0.3),
            "--system",
            tmp_path / "system.toml",
            "--for",
            name,
        )
        assert ("does not count" in text) == bool(words)
        assert words in text
        assert ("Turn" in text or "On target" in text) == (not words)


def test_dc_at_an_output_is_cautioned(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    text = told(gainkit, tmp_path / "x.wav", sine(997, peak=0.3) + 0.05, "--target-volts", 12)
    assert text.index("STOP: DC of +3") < text.index("No rail is seen") < text.index("Turn"), (
        "told before any level"
    )
    options = ("--full-scale-volts", 60, "--json")
    notes = gainkit("measure", tmp_path / "x.wav", *options).json["notes"]
    assert (notes[0]["code"], notes[0]["severity"]) == ("dc_at_output", "danger")
    assert notes[0]["dc_volts"] == pytest.approx(3.0, rel=1e-3)
    assert "STOP" not in told(gainkit, tmp_path / "x.wav", sine(997, peak=0.3) + 0.001)


def faulty(name: str) -> np.ndarray:
    """A tone of 997 Hz through a fault that is no rail, peak 0.5."""
    tone = sine(997, peak=1.0)
    waves = {
        "rectified": np.maximum(tone, 0) - 1 / np.pi,
        "dead zone": np.sign(tone) * np.maximum(np.abs(tone) - 0.35, 0),
        "sawtooth": 2 * (997 * np.arange(len(tone)) / RATE % 1) - 1,
    }
    return 0.5 * waves[name] / np.abs(waves[name]).max()


@pytest.mark.parametrize("name", ["rectified", "dead zone", "sawtooth"])
def test_a_distorted_output_is_neither_clean_nor_on_target(
    name: str, gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    wave = faulty(name)
    rms = 60 * float(np.std(wave))
    text = told(gainkit, tmp_path / "x.wav", wave, "--target-volts", rms)
    assert "CLEAN. No rail" not in text
    assert "On target" not in text
    found = gainkit(
        "measure", tmp_path / "x.wav", "--full-scale-volts", 60, "--target-volts", 1.2 * rms, "--json"
    )
    assert found.json["thd_percent"] > 10
    assert found.json["target"]["change_db"] is None


def test_a_script_is_told_to_turn_what_a_person_is(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(RATE)
    overload = np.clip(1.5 * sine(997, peak=1.0), -1, 1 - 2**-23)
    clipped = np.clip(24 / 60 * sine(997, peak=1.0), -20 / 60, 20 / 60)
    for samples, volts, turned in (
        (noise, 6, False),
        (overload, 30, False),
        (clipped, 17, False),
        (clipped, 12, True),
    ):
        soundfile.write(tmp_path / "x.wav", samples, RATE, subtype="PCM_24")
        options = ("--full-scale-volts", 60, "--target-volts", volts)
        change = gainkit("measure", tmp_path / "x.wav", *options, "--json").json["target"]["change_db"]
        assert (change is not None) == turned
        assert ("Turn DOWN by" in gainkit("measure", tmp_path / "x.wav", *options).out) == turned


@pytest.mark.parametrize(
    ("off_db", "words"), [(0.3, "On target"), (-0.3, "On target"), (0.7, "Turn UP"), (-0.7, "DOWN")]
)
def test_on_target_is_within_the_tolerance_of_the_system_file(
    off_db: float, words: str, gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    """0.5 dB unless [check] says otherwise, as in the status of a job."""
    tone = sine(997, peak=0.3)
    target = 60 * 0.3 / 2**0.5 * 10 ** (off_db / 20)
    assert words in told(gainkit, tmp_path / "x.wav", tone, "--target-volts", target)
    (tmp_path / "system.toml").write_text(SYSTEM + "\n[check]\ntolerance_db = 0.2\n")
    options = ("--system", tmp_path / "system.toml", "--target-volts", target)
    assert "Turn" in told(gainkit, tmp_path / "x.wav", tone, *options)


def test_a_limit_of_the_system_file_holds_unless_one_is_given(
    gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    (tmp_path / "system.toml").write_text(SYSTEM + "\n[check]\nlimit_thd_percent = 5\n")
    wave = np.clip(sine(997, peak=0.32), -0.3, 0.3)  # 0.56 dB beyond the rail: THD 1.4 % by the closed form
    soundfile.write(tmp_path / "x.wav", wave, RATE, subtype="PCM_24")
    call = ("measure", tmp_path / "x.wav", "--system", tmp_path / "system.toml", "--for", "Front", "--json")
    assert gainkit(*call).json["clipping"]["state"] == "at-onset"
    assert gainkit(*call, "--limit-thd-percent", 1).json["clipping"]["state"] == "clipped"


def test_noise_on_an_oscilloscope_is_not_told_as_no_signal(
    gainkit: Callable[..., Answer], tmp_path: Path
) -> None:
    """Text has no full scale: nothing says that five volts of noise are little."""
    volts = 5 * np.random.default_rng(1).standard_normal(4000)
    rows = "\n".join(f"{number * 1e-5:.5f},{each:.4f}" for number, each in enumerate(volts))
    (tmp_path / "scope.csv").write_text(f"time [s],volts [V]\n{rows}\n")
    assert "NO STEADY TONE" in gainkit("measure", tmp_path / "scope.csv").out


@pytest.mark.parametrize(
    ("spoiled", "told", "state"),
    [
        ("one click", "CLEAN. No rail", "clean"),
        ("clicks", "CLEAN, BUT WITH CRACKLES. No rail", "disturbed"),
        ("crackles", "CLEAN, BUT WITH CRACKLES. No rail", "disturbed"),
        ("samples lost", "CLEAN, BUT WITH LOST SAMPLES. No rail", "disturbed"),
    ],
)
def test_a_tone_that_crackles_is_not_plainly_clean(
    gainkit: Callable[..., Answer], tmp_path: Path, spoiled: str, told: str, state: str
) -> None:
    wave = with_noise(sine(997, peak=0.5), 80)
    rng = np.random.default_rng(6)
    if "click" in spoiled:
        wave[rng.integers(2000, len(wave) - 2000, 1 if spoiled == "one click" else 5)] += 0.3
    elif spoiled == "crackles":  # bursts of a millisecond, too many samples to be left out
        for start in rng.integers(2000, len(wave) - 2000, 20):
            wave[start : start + 50] += 0.2 * rng.standard_normal(50)
    else:
        wave = np.delete(wave, np.s_[20_000:20_110])
    path = tmp_path / "tone.wav"
    soundfile.write(path, wave, RATE, subtype="PCM_24")
    answer = gainkit("measure", path, "--require-clean")
    assert told in answer.out
    assert answer.code == (0 if state == "clean" else 1)
    assert waveform_state(measure(read_capture(path))) == state


def test_ordinary_noise_is_no_crackle() -> None:
    """Noise 20 dB under the tone, hum and all: samples go up to five deviations off, none eight."""
    for seed in range(4):
        wave = with_noise(sine(997, peak=0.5), 20 + 20 * seed)
        wave += 0.02 * np.sin(2 * np.pi * 50 * np.arange(len(wave)) / RATE)
        assert not is_disturbed(measure(Capture.from_array(wave, RATE, calibrated=False)))


def test_dc_with_nothing_beside_it_is_no_forgotten_lead(gainkit: Callable[..., Answer], tmp_path: Path) -> None:
    text = " ".join(told(gainkit, tmp_path / "x.wav", 1e-9 * sine(997) + 0.05).split())
    assert text.index("STOP: DC of +3 V") < text.index("no steady tone beside it")
    assert "tone alone" not in text
    assert "NO SIGNAL" not in text
