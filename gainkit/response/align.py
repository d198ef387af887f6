"""Where in a recording the sweep stands, and how fast the recorder's clock goes against the player's.

Roughly by the trace that a sweep leaves in the bands of short spectra: each band is loudest when the sweep
passes it. Exactly by the two marks: they are alike and went through the same chain, so their recordings are
laid over each other. Without marks the clock comes from the sweep itself: a wrong clock delays each octave by
as much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.generator.swept import Chirp
from gainkit.response.deconvolve import Impulse, analytic, deconvolved, fast_length, strongest_arrival
from gainkit.response.drive import Placed, SideTrack

Floats = NDArray[np.float64]

HOP_SHARE = 0.04
"""Length of a short spectrum as part of the time in which the sweep grows e-fold: a third of a sixth-octave."""

MOST_HOPS = 1 << 14
"""So much of a recording's trace is kept at most, however long it is [hops]."""

LEAST_HOP_FRAMES, MOST_HOP_FRAMES = 1 << 8, 1 << 14
BANDS_PER_OCTAVE = 6
TRACE_DB = 15.0
"""What lies so far under a band's loudest moment does not count as the sweep's trace [dB]."""

LEAKAGE_DB = 50.0
"""A band whose loudest moment lies so far under the loudest of all may hold what leaks out of others [dB]."""

LEAST_STANDOUT = 5.0
"""A trace must stand out of all other places by so many standard deviations [-]."""

MARK_STANDOUT = 8.0
"""Envelope of a mark's response over its median, from which on it is one [-]."""

MARK_SLACK_SECONDS = 0.35
MOST_CLOCK_ERROR = 1e-3
"""No recorder's clock is off by more [-]."""

LOST_AGREES_SECONDS = 2e-3
"""What two marks laid over each other, and each alone, say of lost samples agrees within that [s]."""

LAID_SECONDS = 0.2
"""How much of two responses is laid over each other, before and behind their arrivals [s]."""

WEAK_SHARE = 1e-3
"""Part of the strongest cross-spectrum under which it may be noise [-]; a sweep's own falls by 1e-3 in ten
octaves."""

FILTERS_MOST = 8.0
"""A slope of so many times what one order delays at the highest octave is no filters' [-]."""

CLOCK_REACH_SECONDS = 0.1
CLOCK_ROUNDS = 3
CLOCK_SPREAD_SECONDS, CLOCK_SPREAD_SHARE = 2e-4, 0.2
"""Without marks: how far around the arrival octaves are looked for [s], how often, and how far they may scatter
about an even clock [s], or as part of what they are later by an e-fold [-]: octaves beside a boost seem to come
when it does. More is the chain's own delay."""

UNLIKE_REACH_SECONDS, UNLIKE_REACH_SHARE = 0.4, 0.25
"""How far around the arrival octaves are looked for that another sweep scatters [s], and at most which part of
the time in which the sweep grows e-fold [-]: the second harmonic stands 0.69 of it before."""

UNLIKE_FROM_HZ, UNLIKE_SECONDS, UNLIKE_CYCLES = 100.0, 0.03, 4.0
"""From where on octaves count [Hz]; how far from the arrival an octave's strongest may lie [s], and how many of
its own cycles besides [-]: a room's reflections and a steep filter's delay stay within."""

UNLIKE_SLOPE_SECONDS = 2e-3
"""Octaves that arrive evenly later by more per e-fold, where no clock is so wrong, are another sweep's [s]."""

UNLIKE_STANDOUT = 4.0
UNLIKE_SHARE = 0.01
UNLIKE_OCTAVES = 4
"""An octave counts where its envelope is so many times its median [-], and at least this share of the
strongest one's [-]: what a steep filter leaves is the others' leakage; so many half octaves off the arrival are
no chain's delay."""


@dataclass(frozen=True)
class Heard:
    """What is listened to: one channel of a capture, less another for bridged outputs."""

    capture: Capture
    channel: int = 1
    minus: int | None = None

    def samples(self, start: int, stop: int) -> Floats:
        """Frames start..stop, zeros where the recording does not reach, (stop - start,)."""
        low, high = (min(max(at, 0), self.capture.frames) for at in (start, stop))
        inside = self.capture.volts(low, high, channel=self.channel, minus=self.minus)
        if low == start and len(inside) == stop - start:
            return inside
        padded = np.zeros(stop - start)
        padded[low - start : low - start + len(inside)] = inside
        return padded


@dataclass(frozen=True)
class TrackPlace:
    """start_seconds : in the recording, where the track's time 0 lies, the chain's delay included. clock :
    recorded seconds per true second. by_marks : True when the marks told both. mark, mark_arrival : response to
    the first mark, and its delay there that start_seconds stands for [s]. lost_seconds : by how much the marks
    stand nearer to each other than any clock brings them; negative: farther apart [s]."""

    start_seconds: float
    clock: float
    by_marks: bool
    mark: Impulse | None = field(default=None, repr=False, compare=False)
    mark_arrival: float = 0.0
    lost_seconds: float = 0.0

    def recorded(self, track_seconds: float) -> float:
        """Recording time of a time on the track [s]."""
        return self.start_seconds + self.clock * track_seconds


@dataclass(frozen=True)
class Traces:
    """Power in bands of short spectra: (hops, bands), their middles [Hz], a hop's length and the first one's
    time [s]."""

    power: Floats
    middle_hz: Floats
    hop_seconds: float
    start_seconds: float = 0.0


def hop_frames(chirp: Chirp, rate: float) -> int:
    """Length of a short spectrum, a power of two [frames]."""
    size = 1 << round(math.log2(max(HOP_SHARE * chirp.octave_seconds * rate, 1.0)))
    return min(max(size, LEAST_HOP_FRAMES), MOST_HOP_FRAMES)


def traces(heard: Heard, main: Placed, start: int = 0, stop: int | None = None, pooled: int = 1) -> Traces:
    """Read frames start..stop block by block; of so many neighbouring spectra the loudest are kept."""
    rate, chirp = heard.capture.sample_rate_hz, main.chirp
    size = hop_frames(chirp, rate)
    low = max(1.1 * chirp.from_hz, 4.0 * rate / size)
    high = min(chirp.to_hz, 0.45 * rate) / 1.1
    count = max(round(BANDS_PER_OCTAVE * math.log2(high / low)), 2) if high > low else 2
    edges = np.unique(np.round(np.geomspace(low, max(high, 1.5 * low), count + 1) * size / rate).astype(int))
    edges = edges[edges < size // 2]
    window = np.hanning(size)
    kept, left, unit = [], np.zeros(0), size * pooled
    for block in heard.capture.blocks(start, stop, channel=heard.channel, minus=heard.minus):
        joined = np.concatenate([left, block]) if len(left) else block
        whole = len(joined) // unit * unit
        left = joined[whole:]
        if whole:
            spectra = np.fft.rfft(joined[:whole].reshape(-1, size) * window)[:, : edges[-1]]
            power = np.add.reduceat(spectra.real**2 + spectra.imag**2, edges[:-1], axis=1)
            kept.append(power.reshape(-1, pooled, power.shape[1]).max(axis=1))
    power = np.concatenate(kept) if kept else np.zeros((0, len(edges) - 1))
    middle = np.sqrt(edges[:-1] * edges[1:]) * rate / size
    return Traces(power, middle, unit / rate, start / rate)


def rough_start(heard: Heard, main: Placed, others_seconds: tuple[float, ...]) -> float | None:
    """Recording time at which the sweep begins [s], to a hop; None when it is not there.

    A long recording is looked through twice: first with what is kept pooled to MOST_HOPS, then around the
    place.
    """
    rate = heard.capture.sample_rate_hz
    pooled = -(-heard.capture.frames // (MOST_HOPS * hop_frames(main.chirp, rate)))
    whole = traces(heard, main, pooled=max(pooled, 1))
    rough_seconds = _best_start(whole, main, others_seconds)
    if rough_seconds is None or pooled <= 1:
        return rough_seconds
    around = 2.0 * whole.hop_seconds + 1.0
    last = rough_seconds + max(others_seconds, default=0.0) + main.chirp.seconds + around
    start = max(round((rough_seconds - around) * rate), 0)
    return _best_start(traces(heard, main, start, round(last * rate)), main, others_seconds)


def _best_start(traces: Traces, main: Placed, others_seconds: tuple[float, ...]) -> float | None:
    """Recording time at which the sweep begins [s]; None when it is not there.

    others_seconds : how much later the same sweep plays again (right after left). Of two places as likely the
    earlier one is taken.
    """
    power, hop = traces.power, traces.hop_seconds
    if len(power) < 8 or not power.any():
        return None
    level = 10.0 * np.log10(power + 1e-30 * float(power.max()))
    trace = np.clip(1.0 + (level - level.max(axis=0)) / TRACE_DB, 0.0, 1.0)
    trace -= trace.mean(axis=0)
    trace *= level.max(axis=0) > level.max() - LEAKAGE_DB
    delays = np.array([main.chirp.time_at(hertz) for hertz in traces.middle_hz]) / hop
    first = -round(float(delays.max()) * 0.6)
    starts = np.arange(first, len(power)) + 0.0
    score = np.zeros(len(starts))
    for again in (0.0, *others_seconds):
        for band, delay in enumerate(delays + again / hop):
            at = np.floor(starts + delay + 0.0).astype(int)
            inside = (at >= 0) & (at < len(power))
            score[inside] += trace[at[inside], band]
    rest = score[np.abs(score) > 0]
    spread = float(np.std(rest)) if len(rest) else 0.0
    best = int(np.argmax(score > 0.9 * score.max()))
    best += int(np.argmax(score[best : best + 4]))
    if not spread or (score[best] - float(np.median(score))) / spread < LEAST_STANDOUT:
        return None
    return traces.start_seconds + float(starts[best]) * hop


def place_by_marks(heard: Heard, side: SideTrack, sweep_start: float) -> TrackPlace | None:
    """Start and clock from both marks around a sweep that begins about there [s]; None without both."""
    first, last = side.first_mark, side.last_mark
    if first is None or last is None:
        return None
    rate, chirp = heard.capture.sample_rate_hz, first.chirp
    apart = last.start_seconds - first.start_seconds
    begin = sweep_start + first.start_seconds - side.sweep.start_seconds - MARK_SLACK_SECONDS
    frames = round((chirp.seconds + 2 * MARK_SLACK_SECONDS) * rate)
    at_first, at_last = round(begin * rate), round((begin + apart) * rate)
    one, two = heard.samples(at_first, at_first + frames), heard.samples(at_last, at_last + frames)
    ahead = MARK_SLACK_SECONDS * rate
    if not all(_is_mark(part, rate, chirp, ahead) for part in (one, two)):
        return None
    clock = (at_last - at_first + lag_between(one, two)) / (apart * rate)
    lost = 0.0
    if abs(clock - 1.0) > MOST_CLOCK_ERROR:
        lost, clock = (1.0 - clock) * apart, 1.0
    impulse = deconvolved(one, rate, chirp.stretched(clock), ahead)
    arrival = strongest_arrival(impulse, -MARK_SLACK_SECONDS, MARK_SLACK_SECONDS)
    if lost:
        other = deconvolved(two, rate, chirp, ahead)
        nearer = arrival - strongest_arrival(other, -MARK_SLACK_SECONDS, MARK_SLACK_SECONDS)
        if abs(nearer - lost) > LOST_AGREES_SECONDS:  # in loud noise the marks cannot be laid over each other
            return None
    start = (at_first + ahead) / rate + arrival - clock * first.start_seconds
    return TrackPlace(start, clock, True, impulse, arrival, lost)


def behind_mark(impulse: Impulse, arrival: float, place: TrackPlace) -> float:
    """Delay of a response behind that of the first mark through the same chain [s], as they lie on each
    other."""
    assert place.mark is not None
    rate = impulse.rate
    frames = fast_length(round(2 * LAID_SECONDS * rate))
    window = np.hanning(frames)
    ours, marks = round(arrival * rate), round(place.mark_arrival * rate)
    one, two = (
        each.part(at / rate - 0.5 * frames / rate, frames) * window
        for each, at in ((place.mark, marks), (impulse, ours))
    )
    return (ours - marks + lag_between(one, two)) / rate + place.mark_arrival


def _is_mark(part: Floats, rate: float, chirp: Chirp, ahead: float) -> bool:
    """Whether a stretch holds the mark: its response stands out, and nowhere else is more."""
    if not part.any():
        return False
    impulse = deconvolved(part, rate, chirp, ahead)
    envelope = np.abs(analytic(impulse.samples))
    slack = round(MARK_SLACK_SECONDS * rate)
    near = max(float(envelope[:slack].max()), float(envelope[-slack:].max()))
    return near > MARK_STANDOUT * float(np.median(envelope)) and near >= float(envelope.max()) * 0.999


def lag_between(one: Floats, two: Floats) -> float:
    """By how many frames `two` is later than `one`, parts of a frame included.

    Whole frames by the peak of the cross-correlation; the rest by the slope of the cross-spectrum's phase,
    weighted by its power, and by its square where it is weak: there is noise (least squares).
    """
    size = fast_length(2 * len(one))
    cross = np.fft.rfft(two, size) * np.conj(np.fft.rfft(one, size))
    whole = int(np.argmax(np.fft.irfft(cross, size)))
    whole -= size if whole > size // 2 else 0
    turn = 2.0 * math.pi * np.arange(len(cross)) / size
    rest = 0.0
    strength = np.abs(cross)
    weight = strength**2 / (strength + WEAK_SHARE * _smooth_peak(strength))
    for _ in range(3):
        phase = np.angle(cross * np.exp(1j * turn * (whole + rest)))
        rest -= float(np.sum(weight * turn * phase) / np.sum(weight * turn**2))
    return whole + rest


def _smooth_peak(strength: Floats) -> float:
    """The highest mean of neighbours: one line of hum is none."""
    width = max(len(strength) // 2000, 1)
    summed = np.concatenate([[0.0], np.cumsum(strength)])
    return float(np.max(summed[width:] - summed[:-width])) / width + 1e-300


def octave_slope(
    impulse: Impulse, low_hz: float, high_hz: float, arrival: float, exact_seconds: float
) -> float | None:
    """How much later each e-fold of frequency arrives [s], by the envelopes of octaves; None when they scatter,
    or when filters may delay them as much.

    Weighted towards the top: there the arrival is sharp, and filters below delay it least, by less than a cycle
    or so over 2 pi an order. exact_seconds : where that is less, the slope tells the clock [s].
    """
    logs, times, weights = [], [], []
    least_hz = max(low_hz, 8.0 / CLOCK_REACH_SECONDS / math.sqrt(2.0))
    octaves = list(octave_arrivals(impulse, least_hz, high_hz, arrival, CLOCK_REACH_SECONDS))
    least = UNLIKE_SHARE * max((each.height for each in octaves), default=0.0)
    for octave in octaves:
        if octave.standout > MARK_STANDOUT and octave.height > least:
            logs.append(math.log(octave.middle_hz))
            times.append(octave.seconds)
            weights.append(octave.middle_hz**2)
    if len(logs) < 4:
        return None
    slope, base = np.polyfit(logs, times, 1, w=np.sqrt(weights))
    left = np.array(times) - slope * np.array(logs) - base
    scatter = math.sqrt(float(np.average(left**2, weights=weights)))
    if scatter > max(CLOCK_SPREAD_SECONDS, CLOCK_SPREAD_SHARE * abs(float(slope))):
        return None
    filters = 1.0 / (2.0 * math.pi * math.exp(logs[0]))
    return float(slope) if filters < exact_seconds or abs(slope) > FILTERS_MOST * filters else None


def scattered(impulse: Impulse, chirp: Chirp, band_hz: tuple[float, float], arrival: float) -> bool:
    """Whether octaves arrive so far from each other as only the division by another sweep makes them.

    band_hz : what of the sweep was recorded.
    """
    half_seconds = min(UNLIKE_REACH_SECONDS, UNLIKE_REACH_SHARE * chirp.octave_seconds)
    octaves = list(
        octave_arrivals(impulse, band_hz[0], min(band_hz[1], 0.45 * impulse.rate), arrival, half_seconds)
    )
    least = UNLIKE_SHARE * max((each.height for each in octaves), default=0.0)
    off = [
        abs(each.seconds) > UNLIKE_SECONDS + UNLIKE_CYCLES / each.middle_hz
        for each in octaves
        if each.middle_hz > UNLIKE_FROM_HZ and each.standout > UNLIKE_STANDOUT and each.height > least
    ]
    return sum(off) >= UNLIKE_OCTAVES


@dataclass(frozen=True)
class OctaveArrival:
    """middle_hz : its middle [Hz]. seconds : when its envelope is strongest, re the arrival [s]. height : how
    strong it is then. standout : over its median [-]."""

    middle_hz: float
    seconds: float
    height: float
    standout: float


def octave_arrivals(
    impulse: Impulse, low_hz: float, high_hz: float, arrival: float, half_seconds: float
) -> Iterator[OctaveArrival]:
    """Each octave, downwards by halves."""
    frames = fast_length(round(2 * half_seconds * impulse.rate))
    spectrum = np.fft.fft(impulse.part(arrival - 0.5 * frames / impulse.rate, frames))
    hertz = np.fft.fftfreq(frames, 1.0 / impulse.rate)
    middle = high_hz / math.sqrt(2.0)
    while middle > low_hz * math.sqrt(2.0):
        shape = np.where(hertz > 0, np.abs(np.log2(np.maximum(hertz, 1e-9) / middle)), 9.0)
        envelope = np.abs(np.fft.ifft(spectrum * np.cos(np.minimum(shape, 1.0) * math.pi / 2.0) ** 2))
        at = int(np.argmax(envelope))
        median = max(float(np.median(envelope)), 1e-300)
        height = float(envelope[at])
        before, after = float(envelope[at - 1]), float(envelope[(at + 1) % frames])
        bend = before - 2.0 * height + after
        at_exact = at + (0.5 * (before - after) / bend if bend < 0 else 0.0)
        yield OctaveArrival(
            middle, at_exact / impulse.rate - 0.5 * frames / impulse.rate, height, height / median
        )
        middle /= math.sqrt(2.0)
