"""The source's ceiling from captures by volume position; the system file it is written to."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gainkit.analysis import Measurement, MeasureOptions, measure
from gainkit.capture import Capture
from gainkit.cli.volume import split_pair, volume_text
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, codes
from gainkit.results import from_plain, to_json
from gainkit.simulator import Amplifier
from gainkit.volume import VolumePosition, VolumeResult, find_clean_volume, write_source

RATE = 48_000
RAIL = 7.4
SOURCE = Amplifier(gain_db=0, positive_rail_volts=RAIL, noise_volts=2e-4)


def tone(below_rail_db: float, frequency_hz: float = 997.0, source: Amplifier = SOURCE) -> np.ndarray:
    """Half a second of the source's output, volts; its wanted sine that far below the rail."""
    time = np.arange(RATE // 2 + 9600) / RATE
    wanted = RAIL * 10 ** (-below_rail_db / 20) * np.sin(2 * np.pi * frequency_hz * time)
    return source.amplify(wanted, RATE)[4800:-4800]


def measured(below_rail_db: float, frequency_hz: float = 997.0, source: Amplifier = SOURCE) -> Measurement:
    return measure(Capture.from_array(tone(below_rail_db, frequency_hz, source), RATE), MeasureOptions())


def by_position(*pairs: tuple[str, float], **options: float) -> VolumeResult:
    return find_clean_volume([(position, measured(below)) for position, below in pairs], **options)  # type: ignore[arg-type]


def test_highest_clean_position_and_its_volts() -> None:
    result = by_position(("20", 8), ("24", 5), ("28", 2), ("30", 0.3), ("32", -1), ("35", -4))
    assert result.highest_clean_position == 30
    assert result.source_volts == pytest.approx(RAIL / math.sqrt(2) * 10 ** (-0.3 / 20), rel=1e-4)
    assert [each.position for each in result.positions] == [20, 24, 28, 30, 32, 35]
    assert [each.state for each in result.positions] == ["clean"] * 4 + ["clipped"] * 2
    # closed form of the clipped sine, orders to 20: 1 dB of overdrive is 4.62747 %
    assert result.positions[4].thd_percent == pytest.approx(4.62747, rel=1e-3)
    assert result.notes == ()


def test_numbers_sort_as_numbers_and_words_stay_as_given() -> None:
    result = by_position(("9", 8), ("100", -1), ("10", 7), ("9.5", 7.5))
    assert [each.position for each in result.positions] == [9, 9.5, 10, 100]
    result = by_position(("low", 8), ("half", 6), ("10", -1))
    assert [each.position for each in result.positions] == ["low", "half", "10"]
    assert result.highest_clean_position == "half"


def test_all_clean_and_none_clean_are_said() -> None:
    result = by_position(("1", 8), ("2", 6))
    assert result.highest_clean_position == 2
    assert codes(result.notes) == {"highest_still_clean"}
    result = by_position(("1", -1), ("2", -3))
    assert result.highest_clean_position is None
    assert result.source_volts is None
    assert "lowest_not_clean" in codes(result.notes)


def test_quieter_tone_is_brought_to_full_scale_and_meets_the_rail() -> None:
    # tone at -6 dBFS: 10.3 dB below the rail is 4.3 dB below it at full scale; 5 dB below would pass it
    pairs = (("20", 10.3), ("24", 7.0), ("28", 5.0), ("35", -1.0))
    result = by_position(*pairs, tone_dbfs=-6.0)
    assert result.highest_clean_position == 24
    assert result.source_volts == pytest.approx(RAIL / math.sqrt(2) * 10 ** (-1.0 / 20), rel=1e-4)
    assert result.positions[2].state == "clean"
    held = next(note for note in result.notes if note.code == "full_scale_would_clip")
    assert held.values["positions"] == [28]
    assert "28 is clean with this -6 dBFS tone" in str(held)
    unseen = by_position(*pairs[:3], tone_dbfs=-6.0)
    assert unseen.highest_clean_position == 28
    assert next(n for n in unseen.notes if n.code == "full_scale_not_tried").values["louder_db"] == 6.0


def test_captures_that_do_not_agree() -> None:
    result = by_position(("20", 8), ("24", -1), ("28", 5))
    assert result.highest_clean_position == 20
    assert codes(result.notes) == {"clean_above_distorted", "output_falls", "positions_between"}


def test_distortion_of_another_kind_is_not_clean() -> None:
    faulty = dataclasses.replace(SOURCE, dead_zone_volts=0.3)
    result = find_clean_volume([("20", measured(8)), ("24", measured(5, source=faulty))])
    assert result.highest_clean_position == 20
    own = [note for note in result.notes if note.values.get("places") == [["position", "24"]]]
    assert any("Crossover" in str(note) for note in own)
    assert str(own[0]).startswith("Position 24: ")


def test_recorder_overload_is_not_judged() -> None:
    overloaded = dataclasses.replace(
        measured(5),
        recorder_overload=True,
        clipping=dataclasses.replace(measured(8).clipping, state=None),
        notes=(Remark("recorder_overload"),),
    )
    result = find_clean_volume([("20", measured(8)), ("24", overloaded)])
    assert result.highest_clean_position == 20
    assert result.positions[1].state is None
    assert result.positions[1].thd_percent is None
    assert "recorder_overload" in codes(result.notes)


@pytest.mark.parametrize("more_db", [-3.0, -0.6, -0.3, 0.3, 0.6, 3.0])
def test_tone_controls_at_one_position(more_db: float) -> None:
    pairs = [("20", measured(8)), ("20", measured(8 - more_db, 50.0)), ("24", measured(-1))]
    result = find_clean_volume(pairs)
    note = next(note for note in result.notes if note.code.startswith("tone_controls"))
    assert note.values["low_over_high_db"] == pytest.approx(more_db, abs=1e-3)
    if abs(more_db) > 0.5:
        assert note.code == "tone_controls_not_flat"
        louder = "50 Hz" if more_db > 0 else "997 Hz"
        assert f"{louder} is {abs(more_db):.1f} dB louder" in str(note)
    else:
        assert note.code == "tone_controls_flat"
    check = find_clean_volume([pairs[0], pairs[2]], tone_check=(pairs[1][1], pairs[0][1]))
    assert note in check.notes
    assert result.highest_clean_position == check.highest_clean_position == 20


@given(
    lowest=st.floats(-6, 20),
    step=st.floats(0.1, 6),
    count=st.integers(1, 6),
    scale=st.floats(0.01, 100),
)
@settings(max_examples=12, deadline=None, derandomize=True)
def test_the_ceiling_is_the_last_before_the_rail(lowest: float, step: float, count: int, scale: float) -> None:
    """A control of even steps: where they shrink at once, something holds the level, rail or not."""
    ordered = [lowest - number * step for number in range(count)]
    assume(min(abs(db) for db in ordered) > 0.05)
    time = np.arange(4800) / RATE
    source = Amplifier(gain_db=0, positive_rail_volts=scale)
    pairs = []
    for number, db in enumerate(ordered):
        wave = source.amplify(scale * 10 ** (-db / 20) * np.sin(2 * np.pi * 1000.3 * time), RATE)[480:-480]
        pairs.append((str(number), measure(Capture.from_array(wave, RATE), MeasureOptions())))
    result = find_clean_volume(pairs)
    clean = [number for number, db in enumerate(ordered) if db > 0]
    assert result.highest_clean_position == (clean[-1] if clean else None)


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: find_clean_volume([]), "no_positions"),
        (lambda: by_position(("1", 8), ("1", 7)), "position_twice"),
        (lambda: by_position(("1", 8), ("1.0", 7)), "position_twice"),
        (lambda: by_position(("1", 8), tone_dbfs=3.0), "outside_range"),
        (lambda: by_position(("1", 8), tone_dbfs=math.nan), "outside_range"),
        (lambda: by_position(("1", 8), limit_thd_percent=-1.0), "outside_range"),
        (
            lambda: find_clean_volume([("1", measured(8))], tone_check=(measured(8), measured(8))),
            "tone_check_same",
        ),
        (lambda: split_pair("28"), "not_position_and_capture"),
        (lambda: split_pair("=a.wav"), "not_position_and_capture"),
        (lambda: split_pair("28="), "not_position_and_capture"),
    ],
)
def test_calls_that_make_no_sense(call: Callable[[], object], code: str) -> None:
    with pytest.raises(GainkitError) as fault:
        call()
    assert fault.value.code == code


def test_a_result_comes_back_from_its_plain_values() -> None:
    result = by_position(("20", 8), ("24.5", -1), ("28", 5))
    back = from_plain(VolumeResult, json.loads(to_json(result)))
    assert back == result
    assert [str(each.position) for each in back.positions] == ["20", "24.5", "28"]


def test_positions_may_be_numbers() -> None:
    result = find_clean_volume([(28, measured(2)), (9.5, measured(8)), ("32", measured(-1))])
    assert [each.position for each in result.positions] == [9.5, 28, 32]
    assert result.highest_clean_position == 28


def test_a_path_may_hold_an_equals_sign() -> None:
    assert split_pair("28=at=28.wav") == ("28", Path("at=28.wav"))


# Writing the system file.

SYSTEM = """# the car of the week
[job]
title = "Marlin"   # keep me

[source]           # head unit
name = "Dash unit"
preamp_volts = 4.0 # to be measured
# last line of the source

[[channel]]
name = "front"
load_ohms = 4
"""


def result_with(position: str | float | None, volts: float | None) -> VolumeResult:
    return VolumeResult(position, (), (), volts, 0.0)


@pytest.mark.parametrize(("newline", "mark"), [("\n", ""), ("\r\n", ""), ("\n", "\ufeff")])
def test_only_two_values_of_the_system_file_change(tmp_path: Path, newline: str, mark: str) -> None:
    path = tmp_path / "system.toml"
    path.write_bytes((mark + SYSTEM.replace("\n", newline)).encode())
    write_source(path, result_with(30, 5.0549))
    text = path.read_bytes().decode()
    assert text.startswith(mark)
    text = text[len(mark) :]
    lines = text.split(newline)
    assert [line for line in SYSTEM.split("\n") if "preamp" not in line] == [
        line for line in lines if "preamp" not in line and "clean_position" not in line
    ]
    assert "preamp_volts = 5.055 # to be measured" in lines
    assert "clean_position = 30" in lines
    assert newline == "\n" or "\n" not in text.replace("\r\n", "")
    write_source(path, result_with("two o'clock", 4.2))  # again, and with a word
    assert 'clean_position = "two o\'clock"' in path.read_text()
    assert list(tmp_path.iterdir()) == [path]


def test_a_system_file_without_a_source_gets_one(tmp_path: Path) -> None:
    path = tmp_path / "system.toml"
    path.write_text("# nothing yet\n")
    write_source(path, result_with(30, 5.0))
    assert path.read_text() == "# nothing yet\n\n[source]\npreamp_volts = 5.0\nclean_position = 30\n"


@pytest.mark.parametrize(
    ("content", "result", "code"),
    [
        (SYSTEM, result_with(None, None), "no_clean_position"),
        (SYSTEM, result_with(30, None), "source_not_calibrated"),
        ("[source\n", result_with(30, 5.0), "system_file_unusable"),
        ("source = 3\n", result_with(30, 5.0), "system_file_unusable"),
        (None, result_with(30, 5.0), "system_file_missing"),
    ],
)
def test_a_file_that_cannot_be_written_stays(
    tmp_path: Path, content: str | None, result: VolumeResult, code: str
) -> None:
    path = tmp_path / "system.toml"
    if content is not None:
        path.write_text(content)
    with pytest.raises(GainkitError) as fault:
        write_source(path, result)
    assert fault.value.code == code
    assert fault.value.places == (("file", str(path)),)
    assert (path.read_text() if path.exists() else None) == content


# The command.


def test_command_end_to_end(tmp_path: Path, gainkit: Callable[..., Any]) -> None:
    for position, below in ((20, 8.0), (28, 2.0), (32, -1.0)):
        soundfile.write(tmp_path / f"{position}.wav", tone(below) / 10, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "low.wav", tone(5, 50.0) / 10, RATE, subtype="PCM_24")
    system = tmp_path / "system.toml"
    system.write_text(SYSTEM)
    pairs = [f"{position}={tmp_path / f'{position}.wav'}" for position in (32, 20, 28)]
    answer = gainkit(
        "volume", *pairs, "--full-scale-volts", 10, "--tone-check", tmp_path / "low.wav", tmp_path / "20.wav",
        "--write", system, "--json",
    )  # fmt: skip
    assert answer.code == 0, answer.err
    told = answer.json
    assert set(told) >= {"highest_clean_position", "positions", "notes"}
    assert told["highest_clean_position"] == 28
    assert set(told["positions"][0]) == {"position", "rms_volts", "thd_percent", "state"}
    controls = next(note for note in told["notes"] if note["code"] == "tone_controls_not_flat")
    assert "50 Hz is 3.0 dB louder" in controls["text"]
    assert controls["severity"] == "fault"
    assert "preamp_volts = 4.156" in system.read_text()
    plain = gainkit("volume", *pairs, "--full-scale-volts", 10)
    assert plain.out.startswith("HIGHEST CLEAN POSITION: 28. The source gives 4.156 V rms")


def test_what_contradicts_itself_is_not_written(tmp_path: Path, gainkit: Callable[..., Any]) -> None:
    system = tmp_path / "system.toml"
    system.write_text(SYSTEM)
    for position, below in ((20, 2.0), (28, 8.0)):  # which capture is which?
        soundfile.write(tmp_path / f"{position}.wav", tone(below) / 10, RATE, subtype="PCM_24")
    pairs = [f"{position}={tmp_path / f'{position}.wav'}" for position in (20, 28)]
    told = gainkit("volume", *pairs, "--full-scale-volts", 10, "--write", system)
    assert told.code == 2
    assert "output falls" in told.err
    assert system.read_text() == SYSTEM


def test_command_faults(tmp_path: Path, gainkit: Callable[..., Any]) -> None:
    soundfile.write(tmp_path / "20.wav", tone(8) / 10, RATE, subtype="PCM_24")
    good = f"20={tmp_path / '20.wav'}"
    system = tmp_path / "system.toml"
    system.write_text(SYSTEM)
    assert "POSITION=CAPTURE" in gainkit("volume", "20.wav").refused()
    assert "none.wav" in gainkit("volume", f"20={tmp_path / 'none.wav'}").refused()
    told = gainkit("volume", good, "--write", system)  # the answer is shown all the same
    assert told.code == 2
    assert "HIGHEST CLEAN POSITION: 20" in told.out
    assert "nothing is calibrated" in told.err
    assert gainkit("volume", good, "--full-scale-volts", 10, "--write", tmp_path / "none.toml").code == 2
    gainkit("volume", good, "--tone-dbfs", "nan").refused()
    gainkit("volume").refused()
    assert system.read_text() == SYSTEM


def test_small_figures_are_written_out() -> None:
    positions = (VolumePosition("1", 4.5e-6, None, None), VolumePosition("2", 0.12, 0.02, "clean"))
    text = volume_text(VolumeResult("2", positions, (), 3.2e-5, 0.0), True)
    assert "0.0000045 " in text
    assert "gives 0.000032 V rms" in text


@pytest.mark.parametrize("reached", [3, 5])
def test_a_limiter_in_the_source_is_told_and_stayed_below(reached: int) -> None:
    """Steps of 2 dB that stop rising, the wave still a sine: no rail and no distortion tells of it."""
    seconds = np.arange(RATE // 2) / RATE
    waves = [10 ** (min(step, reached) * 2 / 20) * np.sin(2 * np.pi * 997 * seconds) for step in range(8)]
    result = find_clean_volume([(at, measure(Capture.from_array(wave, RATE))) for at, wave in enumerate(waves)])
    assert result.highest_clean_position == reached
    (held,) = [note for note in result.notes if note.code == "level_held"]
    assert list(held.values["positions"]) == list(range(reached + 1, 8))


def test_steps_that_grow_smaller_are_no_limiter() -> None:
    result = by_position(("20", 12), ("24", 7), ("28", 4), ("30", 2), ("32", 1))
    assert result.highest_clean_position == 32
    assert "level_held" not in codes(result.notes)


def test_hum_is_none_of_the_source_s_volts() -> None:
    seconds = np.arange(RATE) / RATE
    wave = 4 * np.sin(2 * np.pi * 997 * seconds) + 0.8 * np.sin(2 * np.pi * 50 * seconds)
    result = find_clean_volume([(20, measure(Capture.from_array(wave, RATE)))])
    assert result.source_volts == pytest.approx(4 / math.sqrt(2), rel=1e-3)
    assert "hum" in codes(result.notes)


def test_a_distorted_position_is_not_called_clean() -> None:
    wave = np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    result = find_clean_volume([(20, measure(Capture.from_array(wave + 0.05 * wave**2, RATE)))])
    text = volume_text(result, True, 1.0)
    assert "NO CLEAN POSITION" in text
    assert "distorted" in text


def test_positions_below_zero_are_no_options(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    for below in (20, 10):
        soundfile.write(
            tmp_path / f"{below}.wav", 10 ** (-below / 20) * tone(0.5) / RAIL, RATE, subtype="PCM_24"
        )
    pairs = [f"-{below}={tmp_path / f'{below}.wav'}" for below in (20, 10)]
    answer = gainkit("volume", pairs[0], "--full-scale-volts", 8, pairs[1], "--json").json
    assert answer["highest_clean_position"] == -10


def test_one_recording_does_not_stand_for_two_positions() -> None:
    same = measured(3)
    result = find_clean_volume([("20", measured(8)), ("24", same), ("28", same)])
    (told,) = [note for note in result.notes if note.code == "position_recorded_twice"]
    assert (told.values["lower"], told.values["higher"]) == (24, 28)


def _stepped(seed: int, ratio: float | None, bits: int | None = None) -> list[tuple[Any, Measurement]]:
    """A radio of equal steps, 1 to 2 dB, that compresses from a random position on by a ratio; its captures."""
    rng = np.random.default_rng([31, seed])
    step, knee, seconds = float(rng.uniform(1, 2)), int(rng.integers(4, 8)), np.arange(RATE // 2) / RATE
    found = []
    for at in range(10):
        level = (
            round(at * step, 1) if ratio is None else min(at, knee) * step + max(at - knee, 0) * step / ratio
        )
        wave = 0.5 * 10 ** (level / 20) * np.sin(2 * np.pi * 997 * seconds + float(rng.uniform(0, 6)))
        wave += 10 ** (-float(rng.uniform(55, 80)) / 20) * rng.standard_normal(len(wave))
        found.append((at + 20, measure(Capture.from_array(wave, RATE))))
    return found


@pytest.mark.parametrize("ratio", [1.4, 2.0, 3.0])
def test_mild_compression_is_told(ratio: float) -> None:
    for seed in range(2):
        assert "level_rises_less" in codes(find_clean_volume(_stepped(seed, ratio)).notes)


def test_equal_steps_are_no_compression() -> None:
    for seed in range(3):
        assert not codes(find_clean_volume(_stepped(seed, None)).notes) & {"level_rises_less", "level_held"}


def test_a_copy_in_another_format_does_not_stand_for_a_second_position() -> None:
    rng = np.random.default_rng(12)
    tone_volts = 0.5 * np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    takes = [tone_volts + 5e-4 * rng.standard_normal(RATE) for _ in range(2)]
    copy = np.round(takes[0] * 2**15) / 2**15
    first, second, third = (measure(Capture.from_array(each, RATE)) for each in (takes[0], copy, takes[1]))
    assert "position_recorded_twice" in codes(find_clean_volume([(20, first), (21, second)]).notes)
    assert "position_recorded_twice" not in codes(find_clean_volume([(20, first), (21, third)]).notes)
