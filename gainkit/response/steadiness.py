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
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.swept import GAP_SECONDS
from gainkit.response.align import Heard, TrackPlace
from gainkit.response.deconvolve import fast_length
from gainkit.response.drive import Placed, SideTrack, rendered
from gainkit.response.followed import LevelChange, dropouts, follow_tone, jumps_of
from gainkit.response.gaps import gaps
from gainkit.response.points import Curves
from gainkit.response.stuck import stuck

Floats = NDArray[np.float64]

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

MOST_BESIDE = 4.0
"""... nor where the transform of the whole sweep holds so many times the response [-]: a rail that is nearer on
one side adds a slow wave of its own while loud tones play (our choice)."""

MOST_CUT = 0.1
"""Nor are marks compared of a chain that cuts anywhere so much [-]: with echoes that build up less in the short
mark, it cuts that less; what jumps is told by the tone itself (our choice)."""

SURELY_STILL_DB = 0.35
"""Where marks and the deconvolved response differ by less, the whole sweep's own transform, which holds all
echoes too, could tell no change [dB]: it is not made."""

POINTS_IN_BAND = 33
"""So closely the response is averaged over a band [-]."""


def level_changes(
    heard: Heard, side: SideTrack, place: TrackPlace, response: Curves
) -> tuple[LevelChange, ...]:
    """What the level did on the way, the largest first; dropouts and lost samples behind. None of them where it
    stood still."""
    tone = follow_tone(heard, side.sweep, place)
    gone = dropouts(tone)
    for lost in (*stuck(heard, side.sweep, place, tone), *gaps(tone)):
        if all(lost.to_seconds < each.from_seconds or lost.from_seconds > each.to_seconds for each in gone):
            gone.append(lost)
    compared, drawn = _by_marks(heard, side, place, response)
    if compared and drawn is None:
        return tuple(gone)
    jumps = jumps_of(tone, gone)
    if drawn is not None:
        jumps = [each for each in jumps if _explains(each, drawn)] or ([] if gone else [drawn])
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
    low, high = float(response.frequency_hz[0]), float(response.frequency_hz[-1])
    count = math.floor(math.log2(high / low) * BANDS_PER_OCTAVE)
    loud = response.power > float(response.power.max()) * 10.0 ** (-0.1 * DEEP_DB)
    if count < LEAST_BANDS or float(np.nan_to_num(response.thd)[loud].max(initial=0.0)) > MOST_CUT:
        return False, None
    edges = low * 2.0 ** (np.arange(count + 1) / BANDS_PER_OCTAVE)
    marks = [
        _band_powers(heard, mark, place, edges / place.clock) for mark in (side.first_mark, side.last_mark)
    ]
    bands = _Bands(edges, response, side, place, marks)
    rough = bands.compared(_curve_powers(response, edges))
    if rough is not None and all(abs(each.change_db) < SURELY_STILL_DB for each, _ in rough):
        return True, None  # the transform of the whole sweep would tell no more
    power, seconds = _band_powers(heard, side.sweep, place, edges / place.clock)
    told = bands.compared(power - bands.noise * seconds)
    if told is None:
        return False, None
    if any(abs(each.change_db) < LEAST_CHANGE_DB + SURE_DEVIATIONS * deviation for each, deviation in told):
        return True, None
    return True, min((each for each, _ in told), key=lambda each: abs(each.change_db))


@dataclass(frozen=True)
class _Bands:
    """Bands between edges [Hz], and the marks' powers in them with how long each was read [s]."""

    edges_hz: Floats
    response: Curves
    side: SideTrack
    place: TrackPlace
    marks: list[tuple[Floats, float]]

    @property
    def middles_hz(self) -> Floats:
        return np.asarray(np.sqrt(self.edges_hz[:-1] * self.edges_hz[1:]))

    @cached_property
    def noise(self) -> Floats:
        """Of the response, in each band, over so many seconds of it (bands,)."""
        found = np.interp(self.middles_hz, self.response.frequency_hz, self.response.noise)
        return np.asarray(found / (0.75 * self.response.window_seconds))

    def compared(self, sweep_power: Floats) -> list[tuple[LevelChange, float]] | None:
        """What each mark beside the sweep says that the level did, with the deviation of its noise [dB]; None
        where too few bands are clear. sweep_power : of the response to the sweep, (bands,)."""
        pure = _harmonics(self.response, self.middles_hz) < MOST_HARMONICS
        own = _curve_powers(self.response, self.edges_hz)
        pure &= (own > float(own.max()) * 10.0 ** (-0.1 * DEEP_DB)) & (sweep_power < MOST_BESIDE * own)
        octave_seconds = self.side.sweep.chirp.octave_seconds
        told = []
        for mark, (power, seconds) in zip((self.side.first_mark, self.side.last_mark), self.marks, strict=True):
            assert mark is not None
            shorter = octave_seconds / mark.chirp.octave_seconds
            share = self.noise * seconds * shorter / np.maximum(power, 1e-300)
            use = pure & (share < MOST_NOISE) & (sweep_power > 0.0)
            if np.count_nonzero(use) < LEAST_BANDS:
                return None
            bins = np.maximum((self.edges_hz[1:] - self.edges_hz[:-1]) * seconds, 1.0)
            off_db = 10.0 * np.log10(sweep_power[use] / (power * (1.0 - share))[use])
            deviation = float(np.median(4.343 * np.sqrt(2.0 * share / bins)[use] + 4.343 * share[use]))
            told.append(
                (_drawn(_middle_of_three(off_db), self.middles_hz[use], self.side.sweep, self.place), deviation)
            )
        return told


def _curve_powers(response: Curves, edges_hz: Floats) -> Floats:
    """Mean power of the response as it was deconvolved in bands, (bands,)."""
    inside = np.linspace(edges_hz[:-1], edges_hz[1:], POINTS_IN_BAND)
    return np.asarray(np.interp(inside, response.frequency_hz, response.power).mean(axis=0))


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
