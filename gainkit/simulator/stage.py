"""An amplifier and a recorder on paper: memoryless rails, that may sag with the load, and a sampler."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import Range, refuse_faults, within
from gainkit.levels import SINE_CREST, ratio_from_db
from gainkit.simulator.resampling import HALF_TAPS, OVERSAMPLING, downsampled, resample, upsampled

Floats = NDArray[np.float64]


BLOCK_FRAMES = 1 << 13
"""Frames worked on at a time, with a halo of two filters on either side [frames]."""


SAG_STEP_SECONDS = 1e-3
"""Step in which sagging rails follow the load [s]: short against the time constants of supplies."""


GAIN_DB = Range("dB", -120, 120, low_allowed=True)
RAIL_VOLTS = Range("V", 0, math.inf)
KNEE = Range("", 0.5, math.inf, low_allowed=True)
"""From very soft, x / (1 + |x|), to hard [-] (our choice: no stage is softer)."""

SAG_DB = Range("dB", 0, 60, low_allowed=True)
SMALL_VOLTS = Range("V", 0, 1_000, low_allowed=True)
SECONDS = Range("s", 0, 3_600)
HERTZ = Range("Hz", 0, 1_000_000)
OFFSET_VOLTS = Range("V", -1_000, 1_000, low_allowed=True)
BITS = Range("", 2, 64, low_allowed=True, whole=True)
CLOCK_PPM = Range("ppm", -100_000, 100_000, low_allowed=True)
LEAD_SECONDS = Range("s", -3_600, 3_600, low_allowed=True)


@dataclass(frozen=True)
class Amplifier:
    """An output stage.

    gain_db : voltage gain for small signals [dB]. positive_rail_volts, negative_rail_volts : where each side is
    held, both given as magnitudes [V peak]; negative None: the same, infinity: that side is never held.
    knee : exponent p of y = x / (1 + |x/rail|^(2p))^(1/(2p)) [-], infinity for a hard rail (Rapp 1991, from
    memory). sag_db : by how much the rails come down while a sine stands at them [dB], in proportion to output
    power; sag_seconds : time constant of that [s]. dead_zone_volts : half width of the zone around zero in
    which the output does not follow, seen at the output [V peak]. noise_volts, hum_volts : at the output
    [V rms]; hum_hz [Hz]. offset_volts : DC at the output [V].
    """

    gain_db: float = within(GAIN_DB, default=26.0)
    positive_rail_volts: float = within(RAIL_VOLTS, default=28.0)
    negative_rail_volts: float | None = within(RAIL_VOLTS, default=None)
    knee: float = within(KNEE, default=math.inf)
    sag_db: float = within(SAG_DB, default=0.0)
    sag_seconds: float = within(SECONDS, default=0.05)
    dead_zone_volts: float = within(SMALL_VOLTS, default=0.0)
    noise_volts: float = within(SMALL_VOLTS, default=0.0)
    hum_volts: float = within(SMALL_VOLTS, default=0.0)
    hum_hz: float = within(HERTZ, default=50.0)
    offset_volts: float = within(OFFSET_VOLTS, default=0.0)

    def __post_init__(self) -> None:
        refuse_faults(self)

    @property
    def low(self) -> float:
        """Magnitude of the negative rail [V peak]."""
        return self.positive_rail_volts if self.negative_rail_volts is None else self.negative_rail_volts

    @property
    def gain(self) -> float:
        """Voltage gain for small signals [-]."""
        return ratio_from_db(float(self.gain_db))

    def hold(self, volts: Floats, rails: Floats | float = 1.0) -> Floats:
        """Output for a wanted output, (frames,) [V]; rails : factor on both rails, scalar or (frames,) [-]."""
        wanted = volts - np.clip(volts, -self.dead_zone_volts, self.dead_zone_volts)
        up, down = self.positive_rail_volts * np.asarray(rails), self.low * np.asarray(rails)
        if math.isinf(self.knee):
            return np.clip(wanted, -down, up)
        ratio = np.abs(wanted) / np.where(wanted >= 0, up, down)
        power = 2 * self.knee * np.log(np.maximum(ratio, 1e-9))  # logarithms: no overflow far beyond the rail
        return np.asarray(wanted * np.exp(-np.logaddexp(0.0, power) / (2 * self.knee)))

    def amplify(self, input_volts: Floats, sample_rate_hz: float, *, seed: int = 1) -> Floats:
        """Output for an input, (frames,) [V] both, band-limited below half the rate; seed : of the noise."""
        wanted = input_volts * self.gain
        out = wanted + _decimated_excess(self, wanted, self._rails(wanted, sample_rate_hz))
        out += self.offset_volts
        if self.hum_volts:
            turn = 2 * np.pi * self.hum_hz / sample_rate_hz
            out += self.hum_volts * SINE_CREST * np.sin(turn * np.arange(len(out)))
        if self.noise_volts:
            out += np.random.default_rng(seed).normal(0.0, self.noise_volts, len(out))
        return out

    def _rails(self, wanted: Floats, sample_rate_hz: float) -> Floats | None:
        """Factor on the rails through time (frames,), None when they do not sag."""
        if not self.sag_db:
            return None
        size = max(1, round(SAG_STEP_SECONDS * sample_rate_hz))
        count = -(-len(wanted) // size)
        square = np.minimum(np.abs(wanted), min(self.positive_rail_volts, self.low)) ** 2
        load = np.add.reduceat(square, np.arange(count) * size) / size
        load /= min(self.positive_rail_volts, self.low) ** 2 / 2
        keep = math.exp(-size / sample_rate_hz / self.sag_seconds)
        state, smooth = 0.0, np.empty(count)
        for index, power in enumerate(load):
            state = keep * state + (1 - keep) * power
            smooth[index] = state
        through = np.interp(np.arange(len(wanted)), (np.arange(count) + 1) * size, smooth)
        return ratio_from_db(-self.sag_db * through)


@dataclass(frozen=True)
class Recorder:
    """What the output is recorded with.

    full_scale_volts : peak volts of digital 1.0; what goes beyond is cut off [V]. bits : of the converter,
    None for floating point. clock_ppm : how much faster than the file says its clock runs [ppm].
    lead_in_seconds, lead_out_seconds : recorded before and after; a negative lead-in starts late [s].
    noise_volts : its own noise at its input [V rms].
    """

    sample_rate_hz: float = within(HERTZ, default=48_000.0)
    full_scale_volts: float = within(RAIL_VOLTS, default=60.0)
    bits: int | None = within(BITS, default=24)
    clock_ppm: float = within(CLOCK_PPM, default=0.0)
    lead_in_seconds: float = within(LEAD_SECONDS, default=0.0)
    lead_out_seconds: float = within(LEAD_SECONDS, default=0.0)
    noise_volts: float = within(SMALL_VOLTS, default=0.0)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def record(self, volts: Floats, sample_rate_hz: float, *, seed: int = 2) -> Floats:
        """Stored samples of volts (frames,) at a true rate: (frames,) in full-scale units."""
        own_rate = self.sample_rate_hz * (1 + self.clock_ppm * 1e-6)
        heard = volts if own_rate == sample_rate_hz else resample(volts, sample_rate_hz, own_rate)
        if self.noise_volts:
            heard = heard + np.random.default_rng(seed).normal(0.0, self.noise_volts, len(heard))
        units = heard / self.full_scale_volts
        if self.bits is None:
            return np.asarray(units)
        steps = 2.0 ** (self.bits - 1)
        return np.asarray(np.clip(np.rint(units * steps), -steps, steps - 1) / steps)


def capture_track(
    track: Floats,
    sample_rate_hz: float,
    source_volts: float,
    chain: tuple[Amplifier, Recorder],
    *,
    seed: int = 1,
) -> Floats:
    """A track played through a source and an amplifier and recorded: (frames,) in full-scale units.

    track : (frames,) in full-scale units. source_volts : for 0 dBFS [V rms]. chain : the amplifier and the
    recorder. Noise runs through the lead-in and the lead-out too, as it does on a bench.
    """
    amplifier, recorder = chain
    before, after = (round(s * sample_rate_hz) for s in (recorder.lead_in_seconds, recorder.lead_out_seconds))
    played = np.concatenate([np.zeros(max(before, 0)), track, np.zeros(max(after, 0))])
    volts = amplifier.amplify(played * source_volts * SINE_CREST, sample_rate_hz, seed=seed)
    heard = volts[max(-before, 0) : len(volts) - max(-after, 0)]
    return recorder.record(heard, sample_rate_hz, seed=seed + 1)


def _decimated_excess(amplifier: Amplifier, wanted: Floats, rails: Floats | None) -> Floats:
    """What the stage adds to the wanted output (mostly takes off it), band-limited: (frames,) [V].

    Block by block (overlap-save): up by OVERSAMPLING in the spectrum, through the stage, down again.
    """
    halo = 2 * HALF_TAPS
    step = BLOCK_FRAMES - 2 * halo
    out = np.zeros(len(wanted))
    linear = math.isinf(amplifier.knee) and amplifier.dead_zone_volts == 0
    nearer = min(amplifier.positive_rail_volts, amplifier.low) * ratio_from_db(-amplifier.sag_db * 2)
    for first in range(0, len(wanted), step):
        begin, end = first - halo, first + step + halo
        part = np.zeros(BLOCK_FRAMES)
        inside = slice(max(begin, 0), min(end, len(wanted)))
        part[inside.start - begin : inside.stop - begin] = wanted[inside]
        if linear and np.abs(part).max() < nearer / 2:  # between samples a wave may rise, but not that far
            continue
        fine = upsampled(part)
        factor: Floats | float = 1.0
        if rails is not None:
            places = first - halo + np.arange(len(fine)) / OVERSAMPLING
            factor = np.interp(places, np.arange(len(wanted)), rails)
        excess = amplifier.hold(fine, factor) - fine
        if not excess.any():
            continue
        count = min(step, len(wanted) - first)
        out[first : first + count] = downsampled(excess)[halo : halo + count]
    return out
