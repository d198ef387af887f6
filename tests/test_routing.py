"""Counted beeps: swaps, lost and bridged channels are told apart, by line and by ear."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from gainkit.capture import Capture
from gainkit.cli.routing import routing_text
from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.remarks import codes
from gainkit.results import from_plain, to_json
from gainkit.routing import RoutingResult, check_routing

RATE = 48_000
Floats = NDArray[np.float64]
TRACK = kinds.build(ToneSpec("beeps", seconds=10.0), RATE).samples()
LEAD = np.zeros((RATE, 2))
PLAYED = np.concatenate([LEAD, TRACK, LEAD])
BY_EAR = PLAYED.sum(axis=1)


def read(samples: Floats, rate: float = RATE, **options: Any) -> RoutingResult:
    return check_routing(Capture.from_array(samples, rate, calibrated=False), **options)


def noise(level: float, shape: Any, seed: int = 1) -> Floats:
    return level * np.random.default_rng(seed).standard_normal(shape)


def mixed(matrix: list[list[float]]) -> RoutingResult:
    """PLAYED through a matrix of gains: rows are left and right, columns the recorded channels."""
    samples = PLAYED @ np.array(matrix)
    return read(samples + noise(1e-4, samples.shape))


def test_straight_wiring_is_as_it_should_be() -> None:
    result = mixed([[1, 0], [0, 1]])
    assert result.ok
    assert not result.problems
    assert set(Counter((h.channel, h.beeps) for h in result.heard)) == {(1, 1), (2, 2)}
    first = result.heard[0]
    assert first.start_seconds == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(
    ("matrix", "expected"),
    [
        ([[0, 1], [1, 0]], [(1, "channel_swapped"), (2, "channel_swapped")]),
        ([[1, 1], [1, 1]], [(1, "channels_mixed"), (2, "channels_mixed")]),
        ([[1, 1], [0, 1]], [(2, "channels_mixed")]),
        ([[1, 0.2], [0, 1]], [(2, "channels_mixed")]),
        ([[1, 0], [0, 0]], [(2, "channel_silent")]),
        ([[0, 0], [0, 1]], [(1, "channel_silent")]),
        ([[1, 1], [0, 0]], [(2, "channel_of_other_side")]),
        ([[0, 0], [1, 1]], [(1, "channel_of_other_side")]),
        ([[0.03, 0], [0, 1]], [(1, "channel_weak")]),
        ([[0.001, 0], [0, 1]], [(1, "channel_silent")]),
        ([[1, 0.03], [0, 0]], [(2, "channel_silent")]),
        (
            [[1, 0, 0, 0.08], [0, 1, 0.08, 0]],
            [(3, "channel_swapped"), (3, "channel_weak"), (4, "channel_swapped"), (4, "channel_weak")],
        ),
        ([[1, 0, 1, 0], [0, 1, 0, 1]], []),
        ([[1, 0, 0, 1], [0, 1, 1, 0]], [(3, "channel_swapped"), (4, "channel_swapped")]),
        ([[1, 0, 1, 0], [0, 1, 0, 0]], [(4, "channel_silent")]),
        ([[1, 0, 0, 0], [0, 1, 0, 0]], []),
        ([[1, 0.03], [0.03, 1]], []),
        ([[0.2, 0], [0, 1]], []),
    ],
)
def test_line_channels(matrix: list[list[float]], expected: list[tuple[int, str]]) -> None:
    result = mixed(matrix)
    assert [(problem.values["channel"], problem.code) for problem in result.problems] == expected
    assert all(problem.severity == "fault" for problem in result.problems)
    assert result.ok is (not expected)


def test_a_result_comes_back_from_its_plain_values() -> None:
    for matrix in ([[1, 1, 0, 0], [0, 1, 0, 0]], [[1], [0]]):
        result = mixed(matrix)
        assert result.problems
        assert from_plain(RoutingResult, json.loads(to_json(result))) == result


def test_problems_in_words() -> None:
    assert str(mixed([[1, 0.2], [0, 1]]).problems[0]) == (
        "Channel 2 plays right and left (the latter 14 dB lower): the two are bridged together, or leak into "
        "each other."
    )
    assert str(mixed([[0, 0], [1, 1]]).problems[0]) == (
        "Channel 1 plays right in place of left; left does not arrive there."
    )
    unused = mixed([[1, 0, 0, 0], [0, 1, 0, 0]])
    assert "Nothing is heard on channel 3, 4" in str(unused.notes[0])
    assert routing_text(unused).startswith("ROUTING CORRECT WHERE BEEPS ARE HEARD. NOTHING ON CHANNEL 3, 4.")


@pytest.mark.parametrize("start", np.arange(0.0, 4.2, 0.3))
def test_recordings_cut_at_their_ends_accuse_nobody(start: float) -> None:
    part = TRACK[int(start * RATE) : int((start + 6.5) * RATE)]
    result = read(part)
    assert result.ok, result.problems
    assert set(Counter((h.channel, h.beeps) for h in result.heard)) == {(1, 1), (2, 2)}


@pytest.mark.parametrize("matrix", [[[1, 0], [0, 1]], [[1], [1]]], ids=["line", "by ear"])
@pytest.mark.parametrize(("start", "seconds"), [(0.0, 2.5), (0.0, 3.5), (1.3, 4.0), (2.1, 2.0), (2.1, 3.0)])
def test_what_had_no_time_to_sound_is_not_judged(matrix: Any, start: float, seconds: float) -> None:
    part = TRACK[int(start * RATE) : int((start + seconds) * RATE)] @ np.array(matrix, dtype=float)
    result = read(part)
    assert (result.ok, result.judged, result.problems) == (False, False, ())
    assert codes(result.notes) & {"beeps_had_no_time", "channel_had_no_time"}
    assert "NOT JUDGED" in routing_text(result)
    assert from_plain(RoutingResult, json.loads(to_json(result))) == result


def test_what_is_wrong_is_wrong_in_a_short_recording_too() -> None:
    swapped = read(TRACK[: int(2.5 * RATE), ::-1])
    assert (swapped.ok, swapped.judged) == (False, True)
    assert "channel_of_other_side" in codes(swapped.problems)


@pytest.mark.parametrize("start", [0.0, 0.9, 1.7, 2.6])
@pytest.mark.parametrize("silent", [0, 1])
def test_a_silent_channel_is_told_from_five_seconds_on(start: float, silent: int) -> None:
    part = TRACK[int(start * RATE) : int((start + 5.0) * RATE)].copy()
    part[:, silent] = 0.0
    result = read(part)
    assert result.judged
    assert [(each.code, each.values["channel"]) for each in result.problems] == [("channel_silent", silent + 1)]


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("snr_db", [20.0, 0.0])
def test_one_microphone_hears_both_channels(rate: int, snr_db: float) -> None:
    sound = signal.resample_poly(BY_EAR, rate // 100, RATE // 100)
    level = float(np.sqrt(np.mean(TRACK[:4000, 0] ** 2))) * 10 ** (-snr_db / 20)
    result = read(sound + noise(level, sound.shape), rate)
    assert result.ok
    assert Counter(h.beeps for h in result.heard) == {1: 4, 2: 4}
    assert codes(result.notes) == {"side_not_told"}


def test_microphone_near_one_loudspeaker_still_hears_the_other() -> None:
    sound = PLAYED @ np.array([1.0, 0.15])
    tail = np.random.default_rng(2).standard_normal(RATE // 5) * np.exp(-6.9 * np.arange(RATE // 5) / RATE * 5)
    sound = np.convolve(sound, np.concatenate([[1.0], 0.02 * tail]))
    assert read(sound + noise(1e-3, sound.shape)).ok


@pytest.mark.parametrize(("column", "beeps", "side"), [(0, 2, "right"), (1, 1, "left")])
def test_a_silent_channel_is_missed_by_ear(column: int, beeps: int, side: str) -> None:
    result = read(PLAYED[:, column] + noise(1e-3, len(PLAYED)))
    assert not result.ok
    assert [problem.code for problem in result.problems] == ["beeps_not_heard"]
    assert result.problems[0].values["beeps"] == beeps
    assert result.problems[0].values["side"] == side


def test_microphone_with_two_channels_says_so() -> None:
    both = np.stack([BY_EAR, 0.8 * BY_EAR], axis=1)
    assert read(both, microphone=True).ok
    by_line = read(both)
    assert not by_line.ok
    assert "microphone_perhaps" in codes(by_line.notes)


def test_hum_and_a_click_do_not_disturb() -> None:
    seconds = np.arange(len(PLAYED)) / RATE
    sound = PLAYED + 0.3 * np.sin(2 * np.pi * 50 * seconds)[:, None]
    sound[2 * RATE] = 5.0
    assert read(sound).ok


@pytest.mark.parametrize("kind", ["tone", "noise", "speech", "short"])
def test_what_holds_no_beeps_is_refused(kind: str) -> None:
    rng = np.random.default_rng(3)
    seconds = np.arange(8 * RATE) / RATE
    loud = signal.lfilter([1], [1, -1.6, 0.8], rng.standard_normal(len(seconds)))
    samples = {
        "tone": 0.3 * np.sin(2 * np.pi * 997 * seconds),
        "noise": 0.1 * rng.standard_normal(len(seconds)),
        "speech": loud * np.abs(signal.lfilter(*signal.butter(2, 3, fs=RATE), rng.standard_normal(len(loud)))),
        "short": BY_EAR[RATE : RATE + RATE // 2],
    }[kind]
    with pytest.raises(GainkitError) as fault:
        read(samples)
    assert fault.value.code in {"no_beeps", "no_whole_beeps", "too_short_for_beeps"}
    assert fault.value.places == (("file", "array"),)


@pytest.mark.parametrize("left_db", [-120.0, -25.0])
@pytest.mark.parametrize("by_ear", [True, False])
def test_a_channel_that_dies_halfway_is_told(by_ear: bool, left_db: float) -> None:
    dying = PLAYED.copy()
    dying[6 * RATE :, 0] *= 10 ** (left_db / 20)
    result = read((dying.sum(axis=1) if by_ear else dying) + noise(1e-5, len(dying) if by_ear else dying.shape))
    assert [problem.code for problem in result.problems] == ["beeps_lost"]
    assert result.problems[0].values["side"] == "left"
    assert result.problems[0].values["start_seconds"] == pytest.approx(4.2, abs=0.05)


def test_a_weak_side_is_heard_by_ear() -> None:
    result = read(PLAYED @ np.array([1.0, 0.05]) + noise(1e-4, len(PLAYED)))
    assert [problem.code for problem in result.problems] == ["beeps_weak"]
    assert result.problems[0].values["under_db"] == pytest.approx(26.0, abs=0.3)


@pytest.mark.parametrize(("on", "period"), [(0.25, 1.0), (0.3, 0.9), (0.2, 0.75)])
def test_a_beeper_outside_is_told_apart(on: float, period: float) -> None:
    seconds = np.arange(len(PLAYED)) / RATE
    beeper = 0.3 * np.sin(2 * np.pi * 999 * seconds) * (seconds % period < on)
    alone = beeper + noise(1e-3, len(PLAYED))
    with pytest.raises(GainkitError) as fault:
        read(alone)
    assert fault.value.code == "no_beeps"
    once = np.where((seconds > 0.5) & (seconds < 3.2), 0.0, beeper) * (seconds < 5.0)
    result = read(BY_EAR + 0.2 * once * (np.abs(BY_EAR) < 1e-6) + noise(1e-3, len(PLAYED)))
    assert {entry.beeps for entry in result.heard} <= {1, 2}


def sounding(begun: float, stopped: float) -> Floats:
    """A tone at the pitch for a time [s], 4 dB under a beep."""
    seconds = np.arange(len(PLAYED)) / RATE
    level = 0.6 * np.abs(BY_EAR).max()
    return level * np.sin(2 * np.pi * 999 * seconds) * ((seconds > begun) & (seconds < stopped))


def test_a_side_that_something_covers_for_a_time_is_not_lost() -> None:
    result = read(BY_EAR + sounding(3.5, 8.5) + noise(1e-3, len(PLAYED)))
    assert result.ok
    covered = [each for each in result.notes if each.code == "beeps_covered"]
    assert [each.values["side"] for each in covered] == ["left"]
    assert "something else sounds" in str(covered[0])


def test_a_side_that_is_lost_beside_another_sound_is_told_lost() -> None:
    dying = PLAYED * (np.arange(len(PLAYED)) < 5 * RATE)[:, None] + PLAYED * [0.0, 1.0]
    result = read(dying.sum(axis=1) + sounding(6.0, 7.9) + noise(1e-3, len(PLAYED)))
    assert [each.code for each in result.problems] == ["beeps_lost"]


def test_a_side_that_only_another_sound_may_hide_is_hardly_heard() -> None:
    result = read(PLAYED[:, 1] + sounding(3.5, 6.0) + noise(1e-3, len(PLAYED)))
    assert [each.code for each in result.problems] == ["beeps_hardly_heard"]
    assert result.problems[0].values["start_seconds"] == pytest.approx(4.2, abs=0.05)
    assert "never" in str(read(PLAYED[:, 1] + noise(1e-3, len(PLAYED))).problems[0])


def test_a_side_of_which_no_place_is_free_is_not_judged() -> None:
    everywhere = PLAYED[:, 1] + sum(sounding(at, at + 1.1) for at in (0.6, 3.8, 7.0, 10.2))
    result = read(everywhere + noise(1e-3, len(PLAYED)))
    assert (result.ok, result.judged, result.problems) == (False, False, ())
    assert "beeps_covered" in codes(result.notes)


def test_a_beep_that_lacks_its_beginning_is_the_tracks_own() -> None:
    dying = TRACK[int(1.49 * RATE) :].copy()
    dying[int(3.3 * RATE) :, 1] = 0.0
    lead = np.zeros(RATE)
    result = read(np.concatenate([lead, dying.sum(axis=1), lead]) + noise(1e-3, len(dying) + 2 * RATE))
    assert [each.code for each in result.problems] == ["beeps_lost"]
    assert result.problems[0].values["side"] == "right"
    assert "other_beeps" not in codes(result.notes)


def test_command_in_json_and_words(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "beeps.wav"
    soundfile.write(path, PLAYED[:, ::-1], RATE)
    told = gainkit("routing", path, "--json").json
    assert {"heard", "ok", "problems"} <= set(told)
    assert told["ok"] is False
    assert {"channel", "beeps", "start_seconds"} == set(told["heard"][0])
    answer = gainkit("routing", path)
    assert answer.code == 0
    assert answer.out.startswith("ROUTING WRONG.")
    soundfile.write(path, PLAYED, RATE)
    assert gainkit("routing", path).out.startswith("ROUTING CORRECT.")


def test_track_written_by_the_command_is_read_back(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    track = tmp_path / "track.wav"
    assert gainkit("tones", "one", "beeps", "--seconds", 10, "--out", track).code == 0
    assert gainkit("routing", track, "--json").json["ok"] is True


def test_bad_files_and_calls_are_refused(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    assert "none.wav" in gainkit("routing", tmp_path / "none.wav").refused()
    (tmp_path / "empty.wav").write_bytes(b"")
    gainkit("routing", tmp_path / "empty.wav").refused()
    for name, samples in {
        "silent": np.zeros(5 * RATE),
        "nan": np.where(np.arange(len(BY_EAR)) == 70_000, np.nan, BY_EAR),
        "short": BY_EAR[:1000],
    }.items():
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, samples, RATE, subtype="FLOAT")
        assert name in gainkit("routing", path).refused()
    for pitch in (0, -5, "nan", 1e9):
        assert "--pitch-hz" in gainkit("routing", path, "--pitch-hz", pitch).refused()
    cut = tmp_path / "cut.wav"
    soundfile.write(cut, PLAYED, RATE)
    cut.write_bytes(cut.read_bytes()[: 7 * RATE * 4])
    assert gainkit("routing", cut, "--json").code == 0


@pytest.mark.parametrize("swapped", [False, True])
def test_one_microphone_never_says_that_sides_are_right(
    swapped: bool, tmp_path: Path, gainkit: Callable[..., Any]
) -> None:
    heard = PLAYED[:, ::-1] @ [1.0, 0.8] if swapped else PLAYED @ [1.0, 0.8]
    soundfile.write(tmp_path / "heard.wav", heard + noise(1e-4, heard.shape), RATE)
    told = gainkit("routing", tmp_path / "heard.wav").out
    assert told.startswith("BOTH CHANNELS ARE HEARD. One microphone does not tell which side")
    assert gainkit("routing", tmp_path / "heard.wav", "--json").json["by_ear"] is True
