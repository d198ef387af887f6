"""Whether the level stood still while the sweep played.

In a sweep a time is a frequency, so that a knob turned on the way looks like an equaliser. Two looks. The marks
are the same sweep in less time: a chain that stands still shows them the same response, band by band, whatever
it is; where a level changes on the way the sweep shows another one. And the sweep's own tone, taken out of the
recording moment by moment, neither jumps within a few cycles nor goes and comes back at once through a filter:
what stands on both sides of a jump goes on evenly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.swept import GAP_SECONDS
from gainkit.response.align import Heard, TrackPlace
from gainkit.response.deconvolve import fast_length
from gainkit.response.drive import Placed, SideTrack, rendered
from gainkit.response.points import HIGHEST_OF_RATE, Curves

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BANDS_PER_OCTAVE = 3
LEAST_BANDS = 6
"""Marks and sweep are compared in bands so wide [per octave], where at least so many are clear of the noise."""

FINER = 4
"""Marks are so much more finely looked at than their length asks for, so that a slope is averaged alike [-]."""

DECAY_SHARE = 0.85
"""What of the silence behind a sweep is read with it [-]: the rest is the next one's."""

MOST_NOISE = 0.05
"""A band counts where noise is less than this part of the mark's power [-]."""

MOST_HARMONICS, HARMONICS_TO = 0.08, 5
"""Nor where its harmonics, or those of lower tones up to this order, are more than this part of the response
[-]: in the short mark they are not averaged out."""

DEEP_DB = 35.0
"""Nor so far under the loudest band [dB]: a slope's far end shows what is not the tone's."""

LEAST_CHANGE_DB = 0.7
SURE_DEVIATIONS = 4.0
"""A level change is told from so much on [dB], and so many standard deviations of noise besides: a warm voice
coil takes off less (our choice)."""

HOP_SECONDS = 1e-3
LEAST_WINDOW_HOPS, WINDOW_CYCLES = 4, 2.0
"""The tone is followed in steps of so many seconds, averaged over at least so many steps and cycles [-]."""

SIDE_OCTAVES, SIDE_WINDOWS = 1.0 / 16.0, 4.0
"""How far on each side of a jump the level must go on evenly [octaves], and at least so many windows [-]."""

LEAST_JUMP_DB, MOST_JUMP_DB = 1.5, 30.0
JUMP_RESIDUES = 8.0
"""A jump is told from so many dB on, where it is so many times what scatters about the lines beside it [-]; one
that is larger is the end of what comes through."""

AROUND_SIDES, AROUND_RESIDUES, AROUND_MOST_DB = 6.0, 4.0, 1.0
"""So many sides further out the level must scatter less than this part of a jump [-], and less than that [dB]:
in a room it goes up and down everywhere."""

LASTING, STRAIGHT_SHARE = (0.4, 2.0), 0.3
"""There the means on both sides differ by such parts of the jump [-], and on the way the level goes beyond both
sides by no more than this part of it [-]."""

GONE_DB = 20.0
GONE_SECONDS = 0.015
EDGE_SHARE = 0.5
BACK_DB = 3.0
"""A dropout: the tone so far under both sides [dB] for so long [s], and either edge is back within BACK_DB in
less than this part of that time [-]. A notch's level goes with x / sqrt(1 + x^2) of the distance x from its
middle: its way between 20 and 3 dB down takes 4.5 times as long as what lies deeper."""

MOST_CANDIDATES = 4000


@dataclass(frozen=True)
class LevelChange:
    """The level went by change_db [dB] between two times in the recording [s], while the sweep went from one
    frequency to the other [Hz]. gone : it went to the floor and came back; change_db is then how deep."""

    from_seconds: float
    to_seconds: float
    from_hz: float
    to_hz: float
    change_db: float
    gone: bool = False


def level_changes(
    heard: Heard, side: SideTrack, place: TrackPlace, response: Curves
) -> tuple[LevelChange, ...]:
    """What the level did on the way, the largest first; dropouts behind. None of them where it stood still."""
    track = _followed(heard, side.sweep, place)
    gone = _dropouts(track)
    jumps = _jumps(track, gone)
    compared, drawn = _by_marks(heard, side, place, response)
    if compared:
        near = [] if drawn is None else [each for each in jumps if _explains(each, drawn)]
        jumps = near or ([] if drawn is None or gone else [drawn])
    jumps.sort(key=lambda each: -abs(each.change_db))
    return (*jumps, *gone)


def _explains(jump: LevelChange, drawn: LevelChange) -> bool:
    """Whether a jump is what the marks show."""
    return 0.5 < jump.change_db / drawn.change_db < 2.0


# ---- the marks beside the sweep ----------------------------------------------------------------------------


def _by_marks(
    heard: Heard, side: SideTrack, place: TrackPlace, response: Curves
) -> tuple[bool, LevelChange | None]:
    """Whether marks and sweep could be compared, and what both say that the level did."""
    if not place.by_marks or side.first_mark is None or side.last_mark is None:
        return False, None
    chirp = side.sweep.chirp
    low, high = float(response.frequency_hz[0]), float(response.frequency_hz[-1])
    count = math.floor(math.log2(high / low) * BANDS_PER_OCTAVE)
    if count < LEAST_BANDS:
        return False, None
    edges = low * 2.0 ** (np.arange(count + 1) / BANDS_PER_OCTAVE)
    middles = np.sqrt(edges[:-1] * edges[1:])
    noise = np.interp(middles, response.frequency_hz, response.noise) / (0.75 * response.window_seconds)
    sweep_power, seconds = _band_powers(heard, side.sweep, place, edges / place.clock)
    sweep_power = sweep_power - noise * seconds
    pure = _harmonics(response, middles) < MOST_HARMONICS
    pure &= sweep_power > float(sweep_power.max()) * 10.0 ** (-0.1 * DEEP_DB)
    told = []
    for mark in (side.first_mark, side.last_mark):
        power, seconds = _band_powers(heard, mark, place, edges / place.clock)
        share = noise * seconds * chirp.octave_seconds / mark.chirp.octave_seconds / np.maximum(power, 1e-300)
        use = pure & (share < MOST_NOISE) & (sweep_power > 0.0)
        if np.count_nonzero(use) < LEAST_BANDS:
            return False, None
        bins = np.maximum((edges[1:] - edges[:-1]) * seconds, 1.0)
        off_db = 10.0 * np.log10(sweep_power[use] / (power * (1.0 - share))[use])
        deviation = float(np.median(4.343 * np.sqrt(2.0 * share / bins)[use] + 4.343 * share[use]))
        change = _drawn(_middle_of_three(off_db), middles[use], side.sweep, place)
        if abs(change.change_db) < LEAST_CHANGE_DB + SURE_DEVIATIONS * deviation:
            return True, None
        told.append(change)
    return True, min(told, key=lambda each: abs(each.change_db))


def _harmonics(response: Curves, hertz: Floats) -> Floats:
    """The tone's own harmonics and those of lower tones over the response, (bands,) [-]."""
    lowest = float(np.nanmax(np.append(response.thd[: len(response.thd) // 8], 0.0)))
    thd = np.where(
        np.isnan(response.thd) & (response.frequency_hz < 4.0 * response.frequency_hz[0]), lowest, response.thd
    )
    thd = np.nan_to_num(thd)
    tone = np.sqrt(response.power)
    here = np.maximum(np.interp(hertz, response.frequency_hz, tone), 1e-3 * float(tone.max()) + 1e-300)
    summed = np.interp(hertz, response.frequency_hz, thd) ** 2
    for order in range(2, HARMONICS_TO + 1):
        below = hertz / order
        part = np.interp(below, response.frequency_hz, thd * tone, left=0.0) / here
        summed += np.where(below < response.frequency_hz[0], 0.0, part) ** 2
    return np.asarray(np.sqrt(summed))


def _drawn(off_db: Floats, hertz: Floats, sweep: Placed, place: TrackPlace) -> LevelChange:
    """The largest change of a level over the sweep's time, and when nine tenths of it happened."""
    first, last = sorted((int(np.argmin(off_db)), int(np.argmax(off_db))))
    change = float(off_db[last] - off_db[first])
    part = (off_db[first : last + 1] - off_db[first]) / (change or 1.0)
    begin = first + int(np.flatnonzero(part <= 0.1)[-1])
    end = first + int(np.argmax(part >= 0.9))
    begin, end = min(begin, end), max(begin, end)
    times = [place.recorded(sweep.start_seconds + sweep.chirp.time_at(float(hertz[at]))) for at in (begin, end)]
    return LevelChange(times[0], times[1], float(hertz[begin]), float(hertz[end]), change)


def _band_powers(heard: Heard, placed: Placed, place: TrackPlace, edges_hz: Floats) -> tuple[Floats, float]:
    """Mean power of the response to one sweep in bands, (bands,), harmonics and noise in it, and how long was
    read [s]."""
    rate = heard.capture.sample_rate_hz
    chirp, begin = placed.chirp.stretched(place.clock), place.recorded(placed.start_seconds)
    first = math.floor((begin - chirp.fade_seconds) * rate)
    last = math.ceil((begin + chirp.seconds + chirp.fade_seconds + DECAY_SHARE * GAP_SECONDS) * rate)
    samples = heard.samples(first, last)
    frames = len(samples)
    size = fast_length(frames * (FINER if chirp.seconds < 2.0 else 1))
    written = np.abs(np.fft.rfft(rendered(chirp, rate, frames, begin * rate - first), size)) ** 2
    spectrum = np.abs(np.fft.rfft(samples, size)) ** 2
    bins = np.clip(np.round(edges_hz * size / rate).astype(int), 0, len(written) - 1)
    powers = np.zeros(len(edges_hz) - 1)
    for at, (low, high) in enumerate(zip(bins[:-1], np.maximum(bins[1:], bins[:-1] + 1), strict=True)):
        part = written[low:high]
        keep = part > 0.1 * float(np.median(part))
        powers[at] = float(np.mean(spectrum[low:high][keep] / part[keep])) if keep.any() else 0.0
    return powers, frames / rate


def _middle_of_three(values: Floats) -> Floats:
    """Each value or the middle one of it and its neighbours: a single band says nothing."""
    wide = np.concatenate([values[:1], values, values[-1:]])
    return np.asarray(np.median(np.stack([wide[:-2], wide[1:-1], wide[2:]]), axis=0))


# ---- the tone, moment by moment ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _FollowedTone:
    """The sweep's tone over time, (hops,): when [s in the recording], its frequency [Hz], its level re what was
    played [dB], and over how many hops it was averaged."""

    seconds: Floats
    frequency_hz: Floats
    level_db: Floats
    window: NDArray[np.int64]
    octave_hops: float


def _followed(heard: Heard, sweep: Placed, place: TrackPlace) -> _FollowedTone:
    """The recording turned back by the sweep's own phase, averaged over whole cycles."""
    rate = heard.capture.sample_rate_hz
    chirp, begin = sweep.chirp.stretched(place.clock), place.recorded(sweep.start_seconds)
    hop = max(round(HOP_SECONDS * rate), 1)
    stop = chirp.seconds
    if chirp.to_hz > HIGHEST_OF_RATE * rate:
        stop = chirp.time_at(HIGHEST_OF_RATE * rate)
    first = max(math.ceil(begin * rate), 0)
    hops = max((min(math.floor((begin + stop) * rate), heard.capture.frames) - first) // hop, 0)
    sums = np.zeros(hops, dtype=np.complex128)
    for at in range(0, hops, 1024):
        count = min(1024, hops - at)
        start = first + at * hop
        samples = heard.samples(start, start + count * hop)
        growth = ((np.arange(start, start + count * hop) / rate) - begin) / chirp.octave_seconds
        turn = 2.0 * math.pi * chirp.from_hz * chirp.octave_seconds * np.expm1(growth)
        sums[at : at + count] = (samples * np.exp(-1j * turn)).reshape(count, hop).mean(axis=1)
    middle: Floats = np.asarray((first + (np.arange(hops) + 0.5) * hop) / rate, dtype=np.float64)
    hertz = chirp.from_hz * np.exp((middle - begin) / chirp.octave_seconds)
    window = np.maximum(np.round(WINDOW_CYCLES / hertz * rate / hop).astype(np.int64), LEAST_WINDOW_HOPS)
    total = np.concatenate([[0.0], np.cumsum(sums)])
    low = np.clip(np.arange(hops) - window // 2, 0, hops)
    high = np.clip(low + window, 0, hops)
    mean = np.abs(total[high] - total[low]) / np.maximum(high - low, 1)
    level = np.asarray(20.0 * np.log10(2.0 * mean / chirp.amplitude(hertz) + 1e-15))
    return _FollowedTone(
        middle, hertz * place.clock, level, window, chirp.octave_seconds * math.log(2.0) * rate / hop
    )


def _dropouts(track: _FollowedTone) -> list[LevelChange]:
    """Stretches where the tone is gone, with edges that no filter has."""
    level, found = track.level_db, []
    ahead = np.maximum(SIDE_OCTAVES * track.octave_hops, SIDE_WINDOWS * track.window).astype(np.int64)
    low = level < level[np.maximum(np.arange(len(level)) - ahead, 0)] - 0.5 * GONE_DB
    behind = 0
    for at in np.flatnonzero(low).tolist():
        reach = _reach(track, at)
        if at < max(behind, reach // 2 + 1):
            continue
        before = float(np.median(level[max(at - reach, 0) : at]))
        back = np.flatnonzero(level[at : at + 8 * reach] > before - GONE_DB)
        if not len(back) or not back[0]:
            continue
        change = _as_gone(track, at, at + int(back[0]), before)
        if change is not None:
            found.append(change)
        behind = at + int(back[0])
    return found


def _as_gone(track: _FollowedTone, begin: int, end: int, before: float) -> LevelChange | None:
    """The stretch as a dropout, where it is one."""
    level, reach = track.level_db, _reach(track, begin)
    window = int(track.window[begin])
    long = end - begin
    after = level[end : end + reach]
    hop = float(track.seconds[1] - track.seconds[0])
    if long * hop < GONE_SECONDS or len(after) < reach // 2:
        return None
    most = int(EDGE_SHARE * (long + window)) + window
    beside = float(np.median(after))
    fallen = np.flatnonzero(level[max(begin - most, 0) : begin] > before - BACK_DB)
    risen = np.flatnonzero(level[end : end + most] > beside - BACK_DB)
    deep = min(before, beside) - float(np.median(level[begin:end]))
    if not len(fallen) or not len(risen) or deep < GONE_DB or long < window:
        return None
    return LevelChange(
        float(track.seconds[begin]),
        float(track.seconds[end]),
        float(track.frequency_hz[begin]),
        float(track.frequency_hz[end]),
        -deep,
        True,
    )


def _reach(track: _FollowedTone, at: int) -> int:
    """How far beside a place the level is looked at [hops]."""
    return max(round(SIDE_OCTAVES * track.octave_hops), round(SIDE_WINDOWS * float(track.window[at])))


def _jumps(track: _FollowedTone, gone: list[LevelChange]) -> list[LevelChange]:
    """Places where the level goes from one even course to another within a window."""
    level, window = track.level_db, track.window
    hops = len(level)
    places = np.arange(hops)
    low, high = np.clip(places - window, 0, hops - 1), np.clip(places + window, 0, hops - 1)
    step = level[high] - level[low]
    rough = np.abs(step) > 0.7 * LEAST_JUMP_DB
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rough, [False]]).astype(np.int8)))
    found: list[LevelChange] = []
    for begin, end in zip(edges[::2][:MOST_CANDIDATES], edges[1::2][:MOST_CANDIDATES], strict=True):
        at = begin + int(np.argmax(np.abs(step[begin:end])))
        change = _jump_at(track, at)
        if change is None or any(
            each.from_seconds - 0.1 < change.from_seconds < each.to_seconds + 0.1 for each in gone
        ):
            continue
        found.append(change)
    return found


def _jump_at(track: _FollowedTone, at: int) -> LevelChange | None:
    """The jump there, where both sides go on evenly: lines through them meet it with different levels."""
    level, window, reach = track.level_db, int(track.window[at]), _reach(track, at)
    first, last = at - window - reach, at + window + reach
    if first < 0 or last >= len(level):
        return None
    meets, left = [], []
    for part in (slice(first, at - window), slice(at + window, last)):
        x = np.arange(part.start, part.stop) - at
        slope, base = np.polyfit(x, level[part], 1)
        meets.append(float(base))
        left.append(float(np.std(level[part] - slope * x - base)))
        left.append(abs(float(slope)) * window)
    change = meets[1] - meets[0]
    if (
        not max(LEAST_JUMP_DB, JUMP_RESIDUES * max(left[0], left[2]) + left[1] + left[3])
        < abs(change)
        < MOST_JUMP_DB
    ):
        return None
    if not _is_lasting(level, at, window, round(AROUND_SIDES * reach), change):
        return None
    seconds, hertz = float(track.seconds[at]), float(track.frequency_hz[at])
    return LevelChange(seconds, seconds, hertz, hertz, change)


def _is_lasting(level: Floats, at: int, window: int, far: int, change: float) -> bool:
    """Whether the levels further out differ alike and scatter less, and the way between them is straight."""
    means = []
    for part in (slice(max(at - window - far, 0), at - window), slice(at + window, at + window + far)):
        x = np.arange(len(level[part]))
        scatter = float(np.std(level[part] - np.polyval(np.polyfit(x, level[part], 1), x)))
        if scatter > min(abs(change) / AROUND_RESIDUES, AROUND_MOST_DB):
            return False
        means.append(float(np.mean(level[part])))
    between = level[at - window : at + window + 1]
    excess = float(np.ptp(between)) - abs(change)
    return LASTING[0] < (means[1] - means[0]) / change < LASTING[1] and excess < STRAIGHT_SHARE * abs(change)
