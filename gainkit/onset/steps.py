"""Each step of the recording on its own: level, distortion with its floor, rails, state."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.clipping import judge
from gainkit.analysis.decimate import decimate
from gainkit.analysis.model import State
from gainkit.analysis.overload import overloaded
from gainkit.analysis.rails import RailFit
from gainkit.analysis.steady import find_steady
from gainkit.analysis.tone import ToneFit, fit_tone
from gainkit.capture.model import Capture
from gainkit.onset.align import Alignment
from gainkit.onset.envelope import Wiring
from gainkit.onset.plan import LevelPlan, Stretch

Floats = NDArray[np.float64]

SETTLE_SHARE = 0.25
END_SHARE = 0.04
MOST_SECONDS = 2.0
"""A step is fitted without its first quarter (fades, and a supply that settles) and its last hundredths, and
over two seconds at most."""

GLIDE_WINDOW_DB = 0.25
LEAST_WINDOW_CYCLES = 6
LEAST_SHARE = 0.4

FLOOR_FACTOR = 1.5
"""THD below the floor times this is not told from none [-]."""


@dataclass(frozen=True)
class Judged:
    """One step, or one window of a glide, as measured.

    level_dbfs : of the tone, at the window's middle. reason : why it was not judged, else None; then figures
    are None. orders : harmonics counted in THD, the fundamental included.
    """

    level_dbfs: float
    reason: str | None = None
    rms_volts: float | None = None
    fundamental_volts: float = math.nan
    frequency_hz: float = math.nan
    thd_percent: float = math.nan
    thd_floor_percent: float = math.nan
    state: State | None = None
    rails: RailFit | None = None
    orders: int = 1
    remarks: tuple[str, ...] = ()

    @property
    def judged(self) -> bool:
        return self.reason is None

    @property
    def below_floor(self) -> bool:
        """True when noise alone would show as much THD."""
        return self.judged and self.thd_percent < self.thd_floor_percent * FLOOR_FACTOR


def windows(plan: LevelPlan, frequency_hz: float) -> list[Stretch]:
    """The parts of the track that are fitted one by one, in track time."""
    if not plan.glide:
        parts = []
        for step in plan.stretches:
            start = step.start_seconds + SETTLE_SHARE * step.seconds
            stop = step.stop_seconds - END_SHARE * step.seconds
            start = max(start, stop - MOST_SECONDS)
            parts.append(Stretch(step.level_dbfs, step.stop_level_dbfs, start, stop))
        return parts
    ramp = plan.stretches[0]
    span = abs(ramp.stop_level_dbfs - ramp.level_dbfs)
    seconds = max(GLIDE_WINDOW_DB * ramp.seconds / span, LEAST_WINDOW_CYCLES / frequency_hz)
    count = max(int(ramp.seconds / seconds), 1)
    edges = np.linspace(ramp.start_seconds, ramp.stop_seconds, count + 1)
    return [
        Stretch(ramp.level_at(float(a)), ramp.level_at(float(b)), float(a), float(b))
        for a, b in itertools.pairwise(edges)
    ]


@dataclass(frozen=True)
class Asked:
    """What every step is fitted with: band [Hz], limit [%], where the tone lies [Hz]."""

    wiring: Wiring
    band_hz: tuple[float, float]
    limit_thd_percent: float
    frequency_hz: float


def judge_steps(capture: Capture, plan: LevelPlan, alignment: Alignment, asked: Asked) -> list[Judged]:
    """Fit every step that is in the recording."""
    return [
        _judge_step(capture, part, alignment, asked, plan.glide) for part in windows(plan, asked.frequency_hz)
    ]


def _judge_step(capture: Capture, part: Stretch, alignment: Alignment, asked: Asked, gliding: bool) -> Judged:
    rate = capture.sample_rate_hz
    level = (part.level_dbfs + part.stop_level_dbfs) / 2
    wanted = alignment.recorded(part.start_seconds) * rate, alignment.recorded(part.stop_seconds) * rate
    start, stop = max(math.ceil(wanted[0]), 0), min(math.floor(wanted[1]), capture.frames)
    share = (stop - start) / (wanted[1] - wanted[0])
    cycles = (stop - start) / rate * asked.frequency_hz
    if share < (0.99 if gliding else LEAST_SHARE):
        return Judged(level, "not in the recording")
    if cycles < thresholds.LEAST_CYCLES:
        return Judged(level, f"only {cycles:.1f} cycles long")
    raw = capture.volts(start, stop, channel=asked.wiring.channel, minus=asked.wiring.minus)
    audio, audio_rate, _ = decimate(raw, rate, asked.band_hz[1])
    remarks: tuple[str, ...] = ()
    if gliding:
        audio = _levelled(audio, audio_rate, asked.frequency_hz)
    else:
        steady = find_steady(audio, 2 * np.pi * asked.frequency_hz / audio_rate, audio_rate)
        if steady.reason is not None:
            return Judged(level, "not steady", float(np.std(raw)))
        audio, remarks = audio[steady.start : steady.stop], tuple(str(each) for each in steady.remarks)
    tone = fit_tone(audio, audio_rate, frequency_hz=asked.frequency_hz, band_hz=asked.band_hz)
    if tone is None:
        return Judged(level, "silent", 0.0)
    if overloaded(capture, raw, tone):
        return Judged(level, "the recorder was overloaded", tone.rms_volts)
    return _with_tone(level, tone, asked, remarks)


def _with_tone(level: float, tone: ToneFit, asked: Asked, remarks: tuple[str, ...]) -> Judged:
    verdict = judge(tone, asked.limit_thd_percent)
    return Judged(
        level_dbfs=level,
        rms_volts=tone.rms_volts,
        fundamental_volts=tone.fundamental_volts,
        frequency_hz=tone.frequency_hz,
        thd_percent=tone.thd_percent,
        thd_floor_percent=tone.thd_floor_percent,
        state=verdict.clipping.state,
        rails=verdict.rails,
        orders=tone.in_band,
        remarks=remarks,
    )


def _levelled(audio: Floats, rate: float, frequency_hz: float) -> Floats:
    """A window of a glide with the fundamental's own growth taken out, (frames,) [V], unchanged in its middle.

    The growth is measured between the window's halves. Left in, it would leak into the harmonics' lines.
    """
    cycles = int(len(audio) / rate * frequency_hz / 2)
    size = round(cycles * rate / frequency_hz)
    if cycles < 1:
        return audio
    turn = np.exp(-2j * np.pi * frequency_hz / rate * np.arange(size))
    first, second = abs(audio[:size] @ turn), abs(audio[len(audio) - size :] @ turn)
    if not (first > 0 and second > 0):
        return audio
    growth = math.log(second / first) / (len(audio) - size)
    middle = (len(audio) - 1) / 2
    return np.asarray(audio * np.exp(-growth * (np.arange(len(audio)) - middle)))
