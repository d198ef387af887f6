"""Levels and trims of noise recordings: known levels come back, and what cannot be compared is refused."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from gainkit.capture import Capture
from gainkit.errors import GainkitError
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.matching import MatchOptions, MatchResult, match_levels
from gainkit.matching.power import power_density
from gainkit.remarks import codes
from gainkit.results import from_plain, to_json
from tests import noises

RATE = 48_000
Floats = NDArray[np.float64]


def white(seconds: float = 10.0, rms: float = 0.1, seed: int = 1, rate: int = RATE) -> Floats:
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * rate))


def heard(samples: Floats, name: str = "a.wav", rate: float = RATE) -> Capture:
    return Capture.from_array(samples, rate, file=name, calibrated=False)


def test_same_noise_at_other_levels_gives_the_trim_exactly() -> None:
    noise = white()
    result = match_levels([heard(noise), heard(0.5 * noise, "b.wav"), heard(2 * noise, "c.wav")])
    half = 20 * math.log10(2)
    assert [row.trim_db for row in result.captures] == pytest.approx([0.0, half, -half], abs=1e-9)
    for row in result.captures[1:]:
        shift = result.captures[0].level_db - row.level_db
        for band, first in zip(row.bands, result.captures[0].bands, strict=True):
            assert band.level_db + shift == pytest.approx(first.level_db, abs=1e-9)
    assert result.captures[0].trim_uncertainty_db is None
    told = {"same_place_assumed", "background_counts", "levels_relative", "same_recording"}
    assert codes(result.notes) == told  # one file at three levels, and no loudspeaker's noise in it


def test_levels_of_white_noise_follow_from_its_density() -> None:
    # White noise of rms s at rate f has a one-sided density of 2 s^2 / f: closed form.
    (row,) = match_levels([Capture.from_array(white(60), RATE)]).captures
    density = 2 * 0.1**2 / RATE
    assert row.z_weighted_db == pytest.approx(10 * math.log10(density * 19_980), abs=0.03)
    levels = {band.center_hz: band.level_db for band in row.bands}
    for nominal, exact in ((1000.0, 1000.0), (8000.0, 10**3.9)):
        expected = density * exact * (10**0.15 - 10**-0.15)
        assert levels[nominal] == pytest.approx(10 * math.log10(expected), abs=0.1)


def test_full_scale_sine_is_the_reference_when_not_calibrated() -> None:
    sine = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(5 * RATE) / RATE)
    assert match_levels([heard(sine)]).captures[0].level_db == pytest.approx(-6.0206, abs=1e-3)
    volts = Capture.from_array(sine, RATE)
    assert match_levels([volts]).captures[0].level_db == pytest.approx(
        20 * math.log10(0.5 / math.sqrt(2)), abs=1e-3
    )


def test_track_of_the_stick_holds_what_it_says() -> None:
    track = kinds.build(ToneSpec("noise", band="full", level_dbfs=-20.0, seconds=10.0), RATE).samples()[:, 0]
    (row,) = match_levels([heard(track)]).captures
    # rms over the whole band on the AES17 scale; what lies outside 20 Hz to 20 kHz is the band filter's skirt
    assert row.level_db == pytest.approx(-20.0, abs=0.2)


def test_silence_before_and_after_counts_for_nothing() -> None:
    noise = white(8.0)
    hiss = white(4.0, rms=1e-4, seed=9)
    late = np.concatenate([hiss, noise, hiss[:RATE]])
    first, second = match_levels([heard(noise), heard(late, "late.wav")]).captures
    assert second.trim_db == pytest.approx(0.0, abs=0.02)
    assert second.seconds == pytest.approx(first.seconds, abs=0.4)
    assert first.level_db == pytest.approx(second.level_db, abs=0.02)


def test_a_gap_within_the_noise_is_told() -> None:
    noise = white(8.0)
    noise[3 * RATE : 4 * RATE] *= 1e-3
    note = next(each for each in match_levels([heard(noise)]).notes if each.code == "silence_within")
    assert note.values["silent_seconds"] == pytest.approx(1.0, abs=0.11)
    assert str(note).startswith("a.wav: ")
    assert "silence_within" not in codes(match_levels([heard(white(8.0))]).notes)


def test_unequal_rates_are_compared_over_what_both_hold() -> None:
    fast = white(10.0, rms=0.1)
    slow = white(10.0, rms=0.1 * math.sqrt(16_000 / 48_000), seed=2, rate=16_000)  # the same density
    result = match_levels([heard(fast), heard(slow, "slow.wav", 16_000)])
    assert abs(result.captures[1].trim_db) < 0.15
    cut = next(note for note in result.notes if note.code == "total_cut_short")
    assert cut.values["highest_hz"] == pytest.approx(0.47 * 16_000)


def test_weighting_changes_totals_and_trims_but_not_bands() -> None:
    flat, dull = white(), np.convolve(white(seed=2), np.ones(12) / 3.4, "same")
    plain = match_levels([heard(flat), heard(dull, "b.wav")])
    weighted = match_levels([heard(flat), heard(dull, "b.wav")], MatchOptions(weighting="A"))
    assert weighted.captures[0].level_db == pytest.approx(weighted.captures[0].a_weighted_db, abs=1e-9)
    assert plain.captures[0].a_weighted_db == pytest.approx(weighted.captures[0].a_weighted_db, abs=1e-9)
    assert plain.captures[1].bands == weighted.captures[1].bands
    assert abs(plain.captures[1].trim_db - weighted.captures[1].trim_db) > 0.1


def test_reference_may_be_another_file() -> None:
    noise = white()
    result = match_levels([heard(noise)], reference=heard(2 * noise, "loud.wav"))
    assert result.reference == "loud.wav"
    assert result.captures[0].trim_db == pytest.approx(6.0206, abs=1e-4)
    assert result.captures[0].trim_uncertainty_db is not None


@pytest.mark.long
def test_trim_of_unlike_noise_lies_within_its_uncertainty() -> None:
    misses = 0
    for seed in range(20):
        pair = [heard(white(3.0, seed=2 * seed)), heard(white(3.0, seed=2 * seed + 1), "b.wav")]
        row = match_levels(pair, MatchOptions(band_hz=(200.0, 300.0))).captures[1]
        assert row.trim_uncertainty_db is not None
        misses += abs(row.trim_db) > row.trim_uncertainty_db
    assert misses <= 4  # 95 %: 1 of 20 expected; 5 or more has a chance of 0.3 % (binomial)


BAD = {
    "silent": (np.zeros(5 * RATE), "silent"),
    "short": (white(0.4), "at least 1 s"),
    "overload": (np.clip(white(5.0, rms=0.8), -1, 1), "overloaded"),
    "nan": (np.where(np.arange(5 * RATE) == 70_000, np.nan, white(5.0)), "no usable number"),
    "constant": (np.full(5 * RATE, 0.3), "silent"),
}


@pytest.mark.parametrize("name", BAD)
def test_recordings_that_cannot_be_compared_are_refused(
    name: str, gainkit: Callable[..., Any], tmp_path: Path
) -> None:
    samples, word = BAD[name]
    path, good = tmp_path / f"{name}.wav", tmp_path / "good.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT" if name == "nan" else "PCM_16")
    soundfile.write(good, white(5.0), RATE)
    refused = gainkit("match", good, path).refused()
    assert word in refused
    assert name in refused
    assert word in gainkit("match", good, "--reference", path).refused()


def test_faults_of_the_call(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    good = tmp_path / "good.wav"
    soundfile.write(good, white(5.0), RATE)
    assert "none.wav" in gainkit("match", tmp_path / "none.wav").refused()
    assert "channel 2" in gainkit("match", good, "--channel", 2).refused()
    for band in ("300:200", "0:100", "nan:100", "20:inf", "30000:40000"):
        assert "Hz" in gainkit("match", good, "--band-hz", band).refused()
    (tmp_path / "empty.wav").write_bytes(b"")
    assert "empty.wav" in gainkit("match", tmp_path / "empty.wav").refused()
    cut = tmp_path / "cut.wav"
    cut.write_bytes(good.read_bytes()[: 3 * RATE])
    answer = gainkit("match", cut, "--json")
    assert answer.code == 0
    assert any("cut" in note["text"] for note in answer.json["notes"])


def test_floating_point_may_go_beyond_full_scale() -> None:
    samples = white(5.0, rms=0.8)
    floats = Capture("f.wav", RATE, len(samples), 1, heard(samples).source, has_full_scale=True)
    assert match_levels([floats]).captures[0].level_db > -2
    held = np.clip(samples, -1, 1)
    stopped = Capture("h.wav", RATE, len(held), 1, heard(held).source, has_full_scale=True)
    with pytest.raises(GainkitError) as fault:
        match_levels([stopped])
    assert fault.value.code == "recorder_clipped"
    assert fault.value.places == (("file", "h.wav"),)


def test_calibrated_and_plain_are_not_mixed() -> None:
    with pytest.raises(GainkitError) as fault:
        match_levels([heard(white()), Capture.from_array(white(), RATE)])
    assert fault.value.code == "calibrations_differ"


@pytest.mark.parametrize("band_hz", [(300.0, 200.0), (0.0, 100.0), (math.nan, 100.0), (20.0, math.inf)])
def test_a_band_without_width_is_refused(band_hz: tuple[float, float]) -> None:
    with pytest.raises(GainkitError) as fault:
        MatchOptions(band_hz=band_hz)
    assert (fault.value.code, fault.value.parameter) == ("empty_band", "band_hz")


def test_a_result_comes_back_from_its_plain_values() -> None:
    result = match_levels([heard(white(2.0)), heard(white(2.0, rate=16_000), "slow.wav", 16_000)])
    assert from_plain(MatchResult, json.loads(to_json(result))) == result


@pytest.mark.parametrize(
    ("family", "with_track", "expected"),
    [
        ("nothing happens", True, "right"),
        ("dead loudspeaker", True, "refused (track_not_heard)"),
        ("silence", False, "refused (hardly_played)"),
        ("automatic gain", False, "told"),
        ("gain turned midway", False, "told"),
        ("engine 3 dB under", True, "right"),
        ("engine 3 dB under", False, "right, but accused"),
        ("noise suppression", False, "told"),
    ],
)
def test_what_spoils_a_comparison_is_told(family: str, with_track: bool, expected: str) -> None:
    assert noises.outcome(noises.pair(family, 1), with_track=with_track) == expected


def test_track_of_the_index_tells_the_engine_apart(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    scene = noises.pair("engine 3 dB under", 2)
    for capture in (*scene.captures, scene.played):
        soundfile.write(tmp_path / capture.file, capture.volts(), RATE, subtype="FLOAT")
    index = tmp_path / "index.json"
    index.write_text(json.dumps({"tracks": [{"file": "noise.wav", "kind": "noise"}]}))
    files = (tmp_path / "left.wav", tmp_path / "right.wav")
    told = gainkit("match", *files, "--index", index, "--json").json
    assert told["captures"][1]["trim_db"] == pytest.approx(scene.trim_db, abs=0.3)
    assert any(note["code"] == "background_left_out" for note in told["notes"])
    assert "--index" in gainkit("match", *files).out
    assert "noise.wav" in gainkit("match", *files, "--index", index, "--track", "other").refused()


def test_no_captures_are_refused() -> None:
    with pytest.raises(GainkitError) as fault:
        match_levels([])
    assert fault.value.code == "nothing_to_match"


def test_answers_in_json_and_words(gainkit: Callable[..., Any], tmp_path: Path) -> None:
    for name, share in (("front", 1.0), ("rear", 0.5)):
        soundfile.write(tmp_path / f"{name}.wav", share * white(5.0), RATE, subtype="PCM_24")
    files = (tmp_path / "front.wav", tmp_path / "rear.wav")
    told = gainkit("match", *files, "--json", "--third").json
    assert {"reference", "captures"} <= set(told)
    assert {"file", "level_db", "trim_db", "bands"} <= set(told["captures"][0])
    assert told["captures"][1]["trim_db"] == pytest.approx(6.0206, abs=0.001)
    assert [band["center_hz"] for band in told["captures"][0]["bands"]][:3] == [20.0, 25.0, 31.5]
    words = gainkit("match", *files)
    assert words.out.startswith("TRIMS to front.wav")
    assert "+6.0 dB" in words.out


@pytest.mark.parametrize("band", ["bass", "midrange", "treble", "full"])
def test_a_tone_is_told_from_noise(band: str) -> None:
    wave = kinds.build(ToneSpec("noise", band=band, seconds=4.0), 48_000).samples()[:, 0]
    tone = 0.1 * np.sin(2 * np.pi * 997 * np.arange(len(wave)) / 48_000)
    noise, single = (Capture.from_array(each, 48_000, file=name, calibrated=False)
                     for each, name in ((wave, "noise.wav"), (tone, "tone.wav")))  # fmt: skip
    told = [note for note in match_levels([noise, single]).notes if note.code == "tone_not_noise"]
    assert [note.values["places"] for note in told] == [[["file", "tone.wav"]]]


def test_one_recording_given_twice_is_told() -> None:
    noise = 0.1 * np.random.default_rng(8).standard_normal(96_000)
    pair = [Capture.from_array(noise, 48_000, file=name) for name in ("left.wav", "right.wav")]
    assert "same_recording" in codes(match_levels(pair).notes)
    rescaled = [pair[0], Capture.from_array(0.9 * noise, 48_000, file="right.wav")]
    assert "same_recording" in codes(match_levels(rescaled).notes)
    own = noise + 1e-5 * np.random.default_rng(9).standard_normal(96_000)
    takes = [pair[0], Capture.from_array(own, 48_000, file="right.wav")]
    assert "same_recording" not in codes(match_levels(takes).notes)


@pytest.mark.parametrize("way", [way for way in noises.COPIES if "other rate" not in way])
def test_a_copy_saved_in_another_way_is_told(way: str) -> None:
    assert noises.called_same(*noises.copied(way, 3))


@pytest.mark.parametrize(
    ("tool", "seed"),
    [("scipy", 3), *(pytest.param(tool, seed, marks=pytest.mark.long)
                     for tool in ("scipy", "sox", "ffmpeg") for seed in range(4, 10))],
)  # fmt: skip
def test_a_copy_at_another_rate_is_told(tool: str, seed: int) -> None:
    if tool != "scipy" and shutil.which(tool) is None:
        pytest.skip(f"no {tool} here")
    assert noises.called_same(*noises.copied(f"other rate by {tool}", seed))


@pytest.mark.parametrize(
    ("way", "seed"),
    [*((way, 3) for way in noises.TAKES if "other rate" not in way), ("one loudspeaker twice", 2035),
     *(pytest.param(way, 3, marks=pytest.mark.long) for way in noises.TAKES if "other rate" in way)],
)  # fmt: skip
def test_two_takes_are_not_called_one_recording(way: str, seed: int) -> None:
    assert not noises.called_same(*noises.taken_twice(way, seed))


def test_a_track_of_another_band_is_told_by_its_end() -> None:
    """The midrange track beside the full one, and the full one made anew."""
    whole, part, other = (
        heard(kinds.build(ToneSpec("noise", band=band, seconds=4.0, seed=seed), RATE).samples()[:, 0], band)
        for band, seed in (("full", 3), ("midrange", 4), ("full", 5))
    )
    for pair in ([whole, part], [part, whole]):
        (told,) = [note for note in match_levels(pair).notes if note.code == "track_ends"]
        assert told.values["ends"] == "midrange"
    assert "track_ends" not in codes(match_levels([whole, other]).notes)


@pytest.mark.parametrize(
    ("one", "other"), [((40, 150), (300, 3000)), ((300, 3000), (5000, 15_000)), ((40, 150), (20, 20_000))]
)
def test_noise_of_another_band_is_not_matched(one: tuple[float, float], other: tuple[float, float]) -> None:
    """scipy.signal makes the bands."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(9)
    waves = [
        sosfilt(butter(4, band, "band", fs=48_000, output="sos"), rng.standard_normal(144_000))
        for band in (one, other)
    ]
    pair = [
        Capture.from_array(0.1 * wave / np.std(wave), 48_000, file=f"{n}.wav") for n, wave in enumerate(waves)
    ]
    with pytest.raises(GainkitError) as told:
        match_levels(pair)
    assert told.value.code == "tracks_differ"


def test_pink_noise_of_a_band_beside_all_of_it_is_told() -> None:
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(12)
    pair = []
    for name, band in (("left.wav", (300, 3000)), ("right.wav", (20, 20_000))):
        spectrum = np.fft.rfft(rng.standard_normal(240_000))
        pink = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 100)))
        wave = sosfilt(butter(4, band, "band", fs=48_000, output="sos"), pink)
        pair.append(Capture.from_array(wave / 10 / np.std(wave), 48_000, file=name))
    assert "perhaps_other_track" in codes(match_levels(pair).notes)


def test_one_channel_alike_is_not_the_same_recording_in_another() -> None:
    """Channel 1 holds what was played, over a wire; channel 2 the microphone."""
    rng = np.random.default_rng(10)
    track = 0.1 * rng.standard_normal(96_000)
    heard = [np.stack([track, 0.8 * track + 1e-3 * rng.standard_normal(96_000)], axis=1) for _ in range(2)]
    pair = [Capture.from_array(each, 48_000, file=f"{n}.wav") for n, each in enumerate(heard)]
    assert "same_recording" not in codes(match_levels(pair, MatchOptions(channel=2)).notes)
    assert "same_recording" in codes(match_levels(pair, MatchOptions(channel=1)).notes)


def test_a_small_loudspeaker_beside_a_boosted_one_is_matched() -> None:
    """The same pink noise, one without its lowest octaves, one with 15 dB more of them."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(11)
    spectrum = np.fft.rfft(rng.standard_normal(240_000))
    pink = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 100)))
    low = butter(2, 120, "low", fs=48_000, output="sos")
    waves = (sosfilt(butter(2, 300, "high", fs=48_000, output="sos"), pink), pink + 4.6 * sosfilt(low, pink))
    pair = [
        Capture.from_array(wave / 10 / np.std(wave), 48_000, file=f"{n}.wav") for n, wave in enumerate(waves)
    ]
    assert len(match_levels(pair).captures) == 2


@pytest.mark.parametrize(
    ("family", "seed", "moves"), [("noise suppression", 2019, True), ("engine 3 dB under", 60039, False)]
)
def test_a_drift_is_told_from_chance_by_the_middle_frequencies(family: str, seed: int, moves: bool) -> None:
    scene = noises.pair(family, seed)
    told = [power_density(each).move is not None for each in scene.captures]
    assert told == [False, moves]


@pytest.mark.parametrize(
    ("bands", "seed", "told"),
    [(("bass", "bass"), 2, {"nothing"}),
     *(pytest.param((band, band), seed, {"nothing"}, marks=pytest.mark.long)
       for band, seed in (("midrange", 0), ("treble", 1), ("full", 0))),
     *(pytest.param((band, "full"), seed, {"end", "refused (tracks_differ)"}, marks=pytest.mark.long)
       for band in noises.BANDS for seed in (0, 2, 7))],
)  # fmt: skip
def test_unlike_loudspeakers_are_told_from_unlike_tracks(
    bands: tuple[str, str], seed: int, told: set[str]
) -> None:
    """Less than half of the power is common to each of these pairs."""
    assert noises.tracks_told(noises.tracks(bands, seed)) in told
