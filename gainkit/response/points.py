"""From an impulse response to points over frequency: level, phase, noise floor, distortion.

The linear part and each harmonic are cut out under smooth windows; the noise is what the same window shows
where neither of them stands. Powers are averaged over a share of an octave, twice: the second time what the
first left, divided by it (Tukey's twicing), so that neither slopes nor peaks are flattened. What the sweep's
beginning and the window make of a wire is divided out: the shorter the sweep, the more that is at the bottom;
where it is too much, nothing is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.swept import Chirp
from gainkit.response.deconvolve import BLEND_FROM, OWN_OCTAVES, Impulse, fast_length

Floats = NDArray[np.float64]

HIGHEST_ORDER = 10
"""Harmonics up to this count as THD [-]."""

PRE_SECONDS, PRE_CYCLES = 0.06, 6.0
POST_SECONDS = 0.45
"""Linear window: before the arrival [s], at least so many cycles of the first frequency; behind it [s]: what
the track's silence leaves."""

WINDOW_SHARE = 0.45
"""Linear window over the distance to the second harmonic at most [-]: as much again is needed for noise."""

POINTS_PER_OCTAVE = 24
FINE = 2
"""Points told per octave, and how many more are computed inside [-]."""

EDGE_OCTAVES = 1.0 / 24.0
"""What is left out at each end of the sweep [octaves]: there it begins and ends, and says less."""

NOISE_OCTAVES = 1.0 / 3.0
LATE_CUTS = 4
"""Noise is averaged over so much of an octave; at the bottom, where that is a few values only, over so many
stretches as well [-]."""

LEAST_OWN = 0.7
OWN_SHARE = 0.35
"""Points are told from where on the sweep shows at least so much of a wire's power [-]: under it the window
holds less than a cycle. A chain that is no wire is blurred otherwise, by up to this part of a wire's [-]."""

ROUNDING = 1e-13
"""Part of the highest power that the computation itself may add [-]."""

ARRIVAL_FINER = 4
"""How much finer than frames the arrival's envelope is looked at, before a parabola [-]."""

HIGHEST_OF_RATE = 0.46
"""Above this part of the sample rate a recorder's own filter is measured, not the chain [-]."""

THD_EDGE_OCTAVES = 1.0 / 3.0
"""Harmonics begin and end with the sweep; so near its ends theirs are not told [octaves]."""


@dataclass(frozen=True)
class Curves:
    """Response over frequency; every array (points,).

    frequency_hz : true ones. power : of the response without noise, [(recorded unit / full scale)^2]. noise :
    what noise adds to it. phase : re the arrival [rad]. thd, thd_floor : over the fundamental [-], NaN where
    not recorded. bins : independent values in each average [-]. blur_db : what the sweep's shortness may be
    wrong by [dB]. arrival_seconds : delay of the strongest arrival, noise weighted out [s].
    """

    frequency_hz: Floats
    power: Floats
    noise: Floats
    phase: Floats
    thd: Floats
    thd_floor: Floats
    bins: Floats
    blur_db: Floats
    arrival_seconds: float
    window_seconds: float

    @property
    def level_db(self) -> Floats:
        """Level [dB]; what drowns in noise stands at a tenth of it."""
        return np.asarray(10.0 * np.log10(np.maximum(self.power, 0.1 * self.noise + 1e-30)))

    @property
    def floor_db(self) -> Floats:
        """Level of the noise [dB]."""
        return np.asarray(10.0 * np.log10(self.noise + 1e-30))

    def only(self, places: NDArray[np.bool_] | NDArray[np.int64]) -> Curves:
        """The same at some of the points."""
        names = ("frequency_hz", "power", "noise", "phase", "thd", "thd_floor", "bins", "blur_db")
        return replace(self, **{name: getattr(self, name)[places] for name in names})


@dataclass(frozen=True)
class _Cut:
    """A stretch of impulse response under its window: power over frequency, bins `step_hz` apart."""

    power: Floats
    spectrum: NDArray[np.complex128]
    step_hz: float
    window_energy: float
    seconds: float


def curves(impulse: Impulse, chirp: Chirp, clock: float, arrival: float, smooth_octaves: float) -> Curves:
    """Response over frequency from an impulse response.

    chirp : on the recorder's clock; clock : recorded seconds per true second. arrival : of the linear part [s].
    """
    rate = impulse.rate
    second = chirp.octave_seconds * math.log(2.0)
    room = WINDOW_SHARE * second
    pre = min(max(PRE_SECONDS, PRE_CYCLES / chirp.from_hz), 0.4 * room)
    post = min(POST_SECONDS, room - pre)
    low, high = chirp.from_hz, min(BLEND_FROM * chirp.to_hz, HIGHEST_OF_RATE * rate)
    grid = _grid(low * clock, high * clock) / clock
    linear = _cut(impulse, arrival, pre, post)
    beyond = np.geomspace(1.1 * high, max(0.5 * rate, 1.2 * high), POINTS_PER_OCTAVE)
    noise_grid = np.concatenate([grid, beyond])
    all_noise = _noise(impulse, arrival, (pre, post), second, noise_grid, (low, high))
    raw = _twice_smoothed(linear, grid, smooth_octaves, (low, high))
    own = _own(impulse.own, (pre, post), second, grid, smooth_octaves, (low, high))
    mixed = all_noise[: len(grid)]
    leaked = own.leaked * np.maximum(raw - mixed, 0.0) / np.maximum(own.shown - own.leaked, LEAST_OWN)
    mixed -= np.minimum(leaked, mixed)
    all_noise = np.maximum(all_noise, ROUNDING * float(raw.max()))
    noise = all_noise[: len(grid)] / own.shown
    power = np.maximum(raw / own.shown - noise, 0.0)
    exact = _exact_arrival(linear, grid, power, noise) + round((arrival - pre) * rate) / rate
    bins = np.arange(len(linear.spectrum)) * linear.step_hz
    lead = exact - round((arrival - pre) * rate) / rate
    turned = linear.spectrum * np.exp(2j * math.pi * bins * lead)
    phase = np.angle(np.interp(grid, bins, turned.real) + 1j * np.interp(grid, bins, turned.imag))
    width = grid * (2.0 ** (smooth_octaves / 2) - 2.0 ** (-smooth_octaves / 2))
    noise_density = (noise_grid, all_noise / linear.window_energy)
    thd, floor = _thd(impulse, chirp, exact, (pre, post), grid, power, noise_density)
    keep = np.arange(0, len(grid), FINE)
    keep = keep[grid[keep] >= own.from_hz]
    return Curves(
        grid[keep] * clock,
        power[keep],
        noise[keep],
        phase[keep],
        thd[keep],
        floor[keep],
        np.maximum(width * linear.seconds, 1.0)[keep],
        own.blur_db[keep],
        exact,
        linear.seconds,
    )


@dataclass(frozen=True)
class _Own:
    """What the method makes of a wire, (grid,) each: the power it shows, and what of it leaks to where noise is
    looked for [-]. from_hz : under it too little of the sweep is seen."""

    shown: Floats
    leaked: Floats
    from_hz: float

    @property
    def blur_db(self) -> Floats:
        """What a chain that is no wire may be wrong by [dB]."""
        return np.asarray(OWN_SHARE * (np.abs(10.0 * np.log10(self.shown)) + 4.343 * self.leaked / self.shown))


def _own(
    own: Impulse | None,
    pre_post: tuple[float, float],
    second: float,
    grid: Floats,
    octaves: float,
    band: tuple[float, float],
) -> _Own:
    """A wire through the same windows; above OWN_OCTAVES less one nothing of them is seen."""
    shown, leaked = np.ones(len(grid)), np.zeros(len(grid))
    inside = grid < min(band[0] * 2.0 ** (OWN_OCTAVES - 2.0), band[1])
    if own is None or not inside.any():
        return _Own(shown, leaked, 0.0)
    cut = _cut(own, 0.0, *pre_post)
    top = min(band[1], 0.25 * own.rate)
    shown[inside] = np.maximum(_twice_smoothed(cut, grid, octaves, (band[0], top))[inside], 1e-3)
    leaked[inside] = _noise(own, 0.0, pre_post, second, grid, (band[0], top))[inside]
    low = np.flatnonzero((shown - leaked < LEAST_OWN) & inside)
    return _Own(shown, leaked, float(grid[low[-1]]) * (1.0 + 1e-9) if len(low) else 0.0)


def _grid(low_hz: float, high_hz: float) -> Floats:
    """Frequencies a part of an octave apart, counted from 1 kHz, inside the sweep's ends [Hz]."""
    step = POINTS_PER_OCTAVE
    first = math.ceil((math.log2(low_hz / 1000.0) + EDGE_OCTAVES) * step)
    last = math.floor((math.log2(high_hz / 1000.0) - EDGE_OCTAVES) * step)
    return np.asarray(1000.0 * 2.0 ** (np.arange(first * FINE, last * FINE + 1) / (step * FINE)))


def _exact_arrival(cut: _Cut, grid: Floats, power: Floats, noise: Floats) -> float:
    """Where the envelope of a cut is highest, from its first frame on [s]; what is noise weighs less
    (Wiener)."""
    bins = np.arange(len(cut.spectrum)) * cut.step_hz
    weight = np.interp(bins, grid, power / (power + 4.0 * noise), left=0.0, right=0.0)
    size = fast_length(2 * len(bins) * ARRIVAL_FINER)
    envelope = np.abs(np.fft.ifft(cut.spectrum * weight, size)) ** 2
    at = int(np.argmax(envelope[: size // 2]))
    left, middle, right = (float(envelope[(at + place) % size]) for place in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    return (at + (0.5 * (left - right) / bend if bend < 0 else 0.0)) / (size * cut.step_hz)


def _cut(impulse: Impulse, middle: float, pre: float, post: float) -> _Cut:
    """The response from `pre` before to `post` behind a delay [s], fading in over half of the one and out over
    a third of the other."""
    rate = impulse.rate
    frames = max(round((pre + post) * rate), 8)
    window = np.ones(frames)
    rise, fall = max(round(0.5 * pre * rate), 1), max(round(post * rate / 3.0), 1)
    window[:rise] = np.sin(0.5 * math.pi * (np.arange(rise) + 0.5) / rise) ** 2
    window[-fall:] = np.cos(0.5 * math.pi * (np.arange(fall) + 0.5) / fall) ** 2
    size = fast_length(2 * frames)
    spectrum = np.fft.rfft(impulse.part(middle - pre, frames) * window, size)
    power = spectrum.real**2 + spectrum.imag**2
    return _Cut(power, spectrum, rate / size, float(np.sum(window**2)), frames / rate)


def _smoothed(
    power: Floats, step_hz: float, grid: Floats, octaves: float, edges: tuple[float, float]
) -> Floats:
    """Mean power over so many octaves around each frequency, (grid,); only what lies inside the edges."""
    bins = np.arange(len(power)) * step_hz
    summed = np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]))]) * step_hz
    half = np.maximum(grid * (2.0 ** (octaves / 2) - 1.0), 0.5 * step_hz)
    half = np.minimum(half, np.maximum(np.minimum(grid - edges[0], edges[1] - grid), 0.25 * step_hz))
    return np.asarray(
        (np.interp(grid + half, bins, summed) - np.interp(grid - half, bins, summed)) / (2 * half)
    )


def _twice_smoothed(cut: _Cut, grid: Floats, octaves: float, edges: tuple[float, float]) -> Floats:
    """Smoothed power whose slopes and peaks are where they were, (grid,)."""
    first = _smoothed(cut.power, cut.step_hz, grid, octaves, edges)
    first = np.maximum(first, ROUNDING * float(first.max()) + 1e-300)
    bins = np.arange(len(cut.power)) * cut.step_hz
    logs, levels = np.log(grid), np.log(first)
    logs = np.concatenate(
        [[2 * logs[0] - logs[2]], logs, [2 * logs[-1] - logs[-3]]]
    )  # slopes go on at the ends
    levels = np.concatenate([[2 * levels[0] - levels[2]], levels, [2 * levels[-1] - levels[-3]]])
    shape = np.exp(np.interp(np.log(np.maximum(bins, 1e-9)), logs, levels))
    near = (bins > 0.5 * grid[0]) & (bins < 2.0 * grid[-1])  # sums must not lose themselves in what is far off
    return first * _smoothed(np.where(near, cut.power / shape, 0.0), cut.step_hz, grid, octaves, edges)


def _noise(
    impulse: Impulse,
    arrival: float,
    pre_post: tuple[float, float],
    second: float,
    grid: Floats,
    band: tuple[float, float],
) -> Floats:
    """Power that noise alone shows in the linear window, (grid,): at the bottom from behind the response, where
    the recording goes on, elsewhere from between it and its second harmonic, where it had begun."""
    pre, post = pre_post
    low, high = band
    early = _cut(impulse, arrival + 0.5 * (post - pre - second) - 0.5 * (post - pre), pre, post)
    late = [
        _cut(impulse, arrival + post + 1.1 * pre + number * (pre + post), pre, post)
        for number in range(LATE_CUTS)
    ]

    def mean(cuts: list[_Cut], inside: NDArray[np.bool_], edges: tuple[float, float]) -> Floats:
        power = np.mean([cut.power for cut in cuts], axis=0)
        return _smoothed(power, cuts[0].step_hz, grid[inside], NOISE_OCTAVES, edges)

    noise = np.empty(len(grid))
    bottom, top = grid <= 2.0 * low, grid > high
    noise[bottom] = mean(late, bottom, (0.5 * low, high))
    noise[~bottom & ~top] = mean([early], ~bottom & ~top, (low, 0.995 * high))
    noise[top] = mean([early], top, (1.05 * high, 0.5 * impulse.rate))
    return noise


def _thd(
    impulse: Impulse,
    chirp: Chirp,
    arrival: float,
    pre_post: tuple[float, float],
    grid: Floats,
    power: Floats,
    noise: tuple[Floats, Floats],
) -> tuple[Floats, Floats]:
    """Harmonics over the fundamental and what noise makes of it [-], (grid,), NaN where none is recorded.

    The k-th harmonic of f is looked up at k f in its own response, times the sweep's amplitude there (what it
    was divided by); the fundamental is the response at f times the sweep's amplitude at f. noise : frequencies,
    and its power there over the energy of the window it was seen through.
    """
    rate, octave = impulse.rate, chirp.octave_seconds
    highest = HIGHEST_OF_RATE * rate
    summed, floor = np.zeros(len(grid)), np.zeros(len(grid))
    for order in range(2, HIGHEST_ORDER + 1):
        heard = order * grid <= highest
        behind, ahead = octave * math.log(order / (order - 1)), octave * math.log((order + 1) / order)
        pre, post = min(pre_post[0], 0.3 * ahead), min(pre_post[1], 0.6 * behind)
        if not heard.any() or pre + post < 8.0 / rate:
            continue
        cut = _cut(impulse, arrival - octave * math.log(order), pre, post)
        at = order * grid[heard]
        edges = (order * chirp.from_hz, min(order * chirp.to_hz, 0.5 * rate))
        own = _twice_smoothed(cut, at, 1.0 / 12.0, edges) * chirp.amplitude(at) ** 2
        share = np.interp(at, *noise) * cut.window_energy * chirp.amplitude(at) ** 2
        summed[heard] += own - share
        floor[heard] += share
    fundamental = np.maximum(power * chirp.amplitude(grid) ** 2, 1e-300)
    inside = (2.0 * grid <= highest) & (power > np.interp(grid, noise[0], noise[1]))
    inside &= grid >= chirp.from_hz * 2.0**THD_EDGE_OCTAVES
    told = [np.sqrt(np.maximum(each, 0.0) / fundamental) for each in (summed, floor)]
    return np.where(inside, told[0], math.nan), np.where(inside, told[1], math.nan)
