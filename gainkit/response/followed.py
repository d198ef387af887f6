"""The sweep's own tone, moment by moment: where its level jumps, and where it is gone and comes back.

Through a filter it neither jumps within a few cycles nor goes and comes back at once: what stands on both sides
of a jump goes on evenly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gainkit.response.align import Heard, TrackPlace
from gainkit.response.drive import Placed
from gainkit.response.points import HIGHEST_OF_RATE

Floats = NDArray[np.float64]

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

HEARD_DB = 60.0
"""What stands so far under the loudest that the tone reaches on the way is a filter's far end, and says nothing
[dB]."""

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
    frequency to the other [Hz]. gone : it went to the floor and came back; change_db is then how deep.
    covered : it may have been there under something else, a click or a repeated block."""

    from_seconds: float
    to_seconds: float
    from_hz: float
    to_hz: float
    change_db: float
    gone: bool = False
    covered: bool = False


@dataclass(frozen=True)
class FollowedTone:
    """The sweep's tone over time, (hops,): when [s in the recording], its frequency [Hz], its level re what was
    played [dB], and over how many hops it was averaged. still : all samples of that hop are the same.
    means : of the samples times exp(jp), over each hop, p the sweep's phase; images : of exp(2jp)."""

    seconds: Floats
    frequency_hz: Floats
    level_db: Floats
    window: NDArray[np.int64]
    octave_hops: float
    still: NDArray[np.bool_]
    means: NDArray[np.complex128]
    images: NDArray[np.complex128]
    hop_seconds: float

    @cached_property
    def least_db(self) -> float:
        """From which level on the tone is looked at [dB]."""
        return float(self.level_db.max(initial=-np.inf)) - HEARD_DB


def follow_tone(heard: Heard, sweep: Placed, place: TrackPlace) -> FollowedTone:
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
    still = np.zeros(hops, dtype=np.bool_)
    within = np.exp(np.arange(hop) / rate / chirp.octave_seconds)  # the same in every hop
    for at in range(0, hops, 1024):
        count = min(1024, hops - at)
        start = first + at * hop
        samples = heard.samples(start, start + count * hop).astype(np.float32).reshape(count, hop)
        still[at : at + count] = np.ptp(samples, axis=1) == 0.0
        begins = np.exp(((start + np.arange(count) * hop) / rate - begin) / chirp.octave_seconds)
        cycles = chirp.from_hz * chirp.octave_seconds * (np.multiply.outer(begins, within) - 1.0)
        turn = ((cycles - np.rint(cycles)) * (2.0 * math.pi)).astype(np.float32)  # 1e-7 is far below any noise
        sums.real[at : at + count] = np.einsum("ij,ij->i", samples, np.cos(turn)) / hop
        sums.imag[at : at + count] = np.einsum("ij,ij->i", samples, np.sin(turn)) / hop
    middle: Floats = np.asarray((first + (np.arange(hops) + 0.5) * hop) / rate, dtype=np.float64)
    hertz = chirp.from_hz * np.exp((middle - begin) / chirp.octave_seconds)
    window = np.maximum(np.round(WINDOW_CYCLES / hertz * rate / hop).astype(np.int64), LEAST_WINDOW_HOPS)
    total = np.concatenate([[0.0], np.cumsum(sums)])
    low = np.clip(np.arange(hops) - window // 2, 0, hops)
    high = np.clip(low + window, 0, hops)
    mean = np.abs(total[high] - total[low]) / np.maximum(high - low, 1)
    level = np.asarray(20.0 * np.log10(2.0 * mean / chirp.amplitude(hertz) + 1e-15))
    cycles = chirp.from_hz * chirp.octave_seconds * np.expm1((middle - begin) / chirp.octave_seconds)
    images = np.exp(4j * math.pi * cycles) * np.sinc(2.0 * hertz * hop / rate)
    octave_hops = chirp.octave_seconds * math.log(2.0) * rate / hop
    return FollowedTone(
        middle, hertz * place.clock, level, window, octave_hops, still, sums, images, hop / rate
    )


def dropouts(track: FollowedTone) -> list[LevelChange]:
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


def _as_gone(track: FollowedTone, begin: int, end: int, before: float) -> LevelChange | None:
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
    faint = min(before, beside) < track.least_db
    if not len(fallen) or not len(risen) or deep < GONE_DB or long < window or faint:
        return None
    return LevelChange(
        float(track.seconds[begin]),
        float(track.seconds[end]),
        float(track.frequency_hz[begin]),
        float(track.frequency_hz[end]),
        -deep,
        True,
    )


def _reach(track: FollowedTone, at: int) -> int:
    """How far beside a place the level is looked at [hops]."""
    return max(round(SIDE_OCTAVES * track.octave_hops), round(SIDE_WINDOWS * float(track.window[at])))


def jumps_of(track: FollowedTone, gone: list[LevelChange]) -> list[LevelChange]:
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


def _jump_at(track: FollowedTone, at: int) -> LevelChange | None:
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
    if min(meets) < track.least_db:
        return None
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
