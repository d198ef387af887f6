"""Each step of the recording on its own: level, distortion with its floor, rails, state."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import thresholds
from gainkit.analysis.clipping import judge
from gainkit.analysis.decimate import decimate
from gainkit.analysis.model import State
from gainkit.analysis.overload import overloaded
from gainkit.analysis.quantised import quantiser_step
from gainkit.analysis.rails import RailFit
from gainkit.analysis.steady import find_steady
from gainkit.analysis.tone import ToneFit, fit_tone
from gainkit.capture.model import Capture
from gainkit.onset.envelope import ChannelChoice
from gainkit.onset.hum import Hum
from gainkit.onset.plan import Alignment, LevelPlan, LevelRamp
from gainkit.onset.silences import Silence, longest_sounding
from gainkit.remarks import Remark, all_within

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

SETTLE_SHARE = 0.25
END_SHARE = 0.04
MOST_SECONDS = 2.0
"""A step is fitted without its first quarter (fades, and a supply that settles) and its last hundredths, and
over two seconds at most."""

GLIDE_WINDOW_DB = 0.25
"""A glide is fitted in windows over which its level moves by so much [dB]: the onset lies between two."""

LEAST_WINDOW_CYCLES = 6
"""... that hold so many cycles at least: two halves of a fit's three [cycles]."""

LEAST_SHARE, LEAST_GLIDE_SHARE = 0.4, 0.99
"""A step of which less is recorded is not judged; a glide's window must be whole, as its level moves [-]."""

RAIL_MET_DB = -1.0
"""A rail is met from here on [dB of the underlying sine's crest over it]: knees so firm that they reach 1 % THD
within 1 dB of their rail count at once, a cube law, whose fitted rail lies 2.5 dB beyond, never does."""

Unjudged = Literal["not-recorded", "too-short", "not-steady", "silent", "recorder-overloaded"]
"""Why a step was not judged."""


@dataclass(frozen=True)
class StepFit:
    """One step, or one window of a glide, as measured.

    level_dbfs : of the tone, at the window's middle. unjudged : why it was not judged, else None; then figures
    are None. orders : harmonics counted in THD, the fundamental included. harmonics, noise_peak : (K,) of the
    tone from its crest, and the rms error that noise gives each [V peak]. nature : what the analysis tells of
    its wave. crests : of the fitted wave, above and below its mean [V peak].
    """

    level_dbfs: float
    unjudged: Unjudged | None = None
    rms_volts: float | None = None
    fundamental_volts: float = math.nan
    frequency_hz: float = math.nan
    thd_percent: float = math.nan
    thd_floor_percent: float = math.nan
    state: State | None = None
    rails: RailFit | None = None
    orders: int = 1
    harmonics: Phasors = field(default_factory=lambda: np.zeros(1, np.complex128), repr=False, compare=False)
    noise_peak: Floats = field(default_factory=lambda: np.zeros(1), repr=False, compare=False)
    remarks: tuple[Remark, ...] = ()
    nature: tuple[Remark, ...] = ()
    crests: tuple[float, float] = (math.nan, math.nan)
    blur_volts: float = 0.0

    @property
    def judged(self) -> bool:
        """True where the figures stand for the step."""
        return self.unjudged is None

    @property
    def distortion_seen(self) -> bool:
        """False where noise alone would show as much THD."""
        return self.judged and thresholds.stands_above(self.thd_percent, self.thd_floor_percent)

    @property
    def rail_met(self) -> bool:
        """Whether the sine behind the wave comes to its rail, or near it: a curve that bends far below the rail
        it would have is no rail that holds."""
        return self.state == "clipped" and self.rails is not None and max(self.rails.overdrive_db) > RAIL_MET_DB

    def over(self, limit_thd_percent: float) -> bool:
        """Whether distortion that is seen reaches the limit."""
        return self.distortion_seen and self.thd_percent >= limit_thd_percent

    @property
    def crossover(self) -> bool:
        """Whether its distortion is that of a dead zone around zero."""
        return any(each.code == "crossover_distortion" for each in self.nature)


@dataclass(frozen=True)
class StepOptions:
    """What every step is fitted with: band [Hz], limit [%], where the tone lies [Hz]."""

    choice: ChannelChoice
    band_hz: tuple[float, float]
    limit_thd_percent: float
    frequency_hz: float


def windows(plan: LevelPlan, frequency_hz: float) -> list[LevelRamp]:
    """The parts of the track that are fitted one by one, in track time."""
    if not plan.glide:
        return [_settled(step) for step in plan.stretches]
    ramp = plan.stretches[0]
    span = abs(ramp.stop_level_dbfs - ramp.level_dbfs)
    seconds = max(GLIDE_WINDOW_DB * ramp.seconds / span, LEAST_WINDOW_CYCLES / frequency_hz)
    count = max(int(ramp.seconds / seconds), 1)
    edges = np.linspace(ramp.start_seconds, ramp.stop_seconds, count + 1)
    return [
        LevelRamp(ramp.level_at(float(a)), ramp.level_at(float(b)), float(a), float(b))
        for a, b in itertools.pairwise(edges)
    ]


def _settled(step: LevelRamp) -> LevelRamp:
    """The part of a step over which the supply has settled."""
    start = step.start_seconds + SETTLE_SHARE * step.seconds
    stop = step.stop_seconds - END_SHARE * step.seconds
    return LevelRamp(step.level_dbfs, step.stop_level_dbfs, max(start, stop - MOST_SECONDS), stop)


def fit_steps(
    capture: Capture,
    plan: LevelPlan,
    alignment: Alignment,
    options: StepOptions,
    quiet: tuple[Silence, ...],
    hum: Hum,
) -> list[StepFit]:
    """Fit every step that is in the recording and sounds, in the order of the track, less the hum."""
    fits = []
    for part in windows(plan, options.frequency_hz):
        start, stop = alignment.recorded(part.start_seconds), alignment.recorded(part.stop_seconds)
        heard = longest_sounding(start, stop, quiet)
        least = LEAST_GLIDE_SHARE if plan.glide else LEAST_SHARE
        if heard[1] - heard[0] < least * (stop - start):
            fits.append(StepFit((part.level_dbfs + part.stop_level_dbfs) / 2, "silent"))
        else:
            fits.append(_fit_step(capture, part, heard, options, plan.glide, hum))
    return fits


def _fit_step(
    capture: Capture,
    part: LevelRamp,
    heard: tuple[float, float],
    options: StepOptions,
    gliding: bool,
    hum: Hum,
) -> StepFit:
    """One step; heard : from when to when in the recording it sounds [s]."""
    rate = capture.sample_rate_hz
    level = (part.level_dbfs + part.stop_level_dbfs) / 2
    wanted = heard[0] * rate, heard[1] * rate
    start, stop = max(math.ceil(wanted[0]), 0), min(math.floor(wanted[1]), capture.frames)
    if (stop - start) / (wanted[1] - wanted[0]) < (LEAST_GLIDE_SHARE if gliding else LEAST_SHARE):
        return StepFit(level, "not-recorded")
    if (stop - start) / rate * options.frequency_hz < thresholds.LEAST_CYCLES:
        return StepFit(level, "too-short")
    raw = capture.volts(start, stop, channel=options.choice.channel, minus=options.choice.minus)
    audio, audio_rate, _ = decimate(hum.taken_out(raw, start), rate, options.band_hz[1])
    remarks: tuple[Remark, ...] = ()
    if gliding:
        audio = _levelled(audio, audio_rate, options.frequency_hz)
    else:
        steady = find_steady(audio, 2 * np.pi * options.frequency_hz / audio_rate, audio_rate)
        if steady.reason is not None:
            return StepFit(level, "not-steady", float(np.std(raw)))
        audio = audio[steady.start : steady.stop]
        remarks = tuple(all_within(steady.remarks, "step", f"{level:g} dBFS"))
    tone = fit_tone(audio, audio_rate, frequency_hz=options.frequency_hz, band_hz=options.band_hz)
    if tone is None:
        return StepFit(level, "silent", 0.0)
    if overloaded(capture, raw, tone):
        return StepFit(level, "recorder-overloaded", tone.rms_volts)
    # the difference of two channels has no step of its own
    step_volts = quantiser_step(raw) if options.choice.minus is None else None
    if step_volts is not None:
        tone = tone.on_steps(step_volts)
    return _judged(level, tone, options.limit_thd_percent, remarks)


def _judged(level: float, tone: ToneFit, limit_thd_percent: float, remarks: tuple[Remark, ...]) -> StepFit:
    verdict = judge(tone, limit_thd_percent)
    wave = tone.period() - tone.dc_volts
    return StepFit(
        level_dbfs=level,
        rms_volts=tone.rms_volts,
        fundamental_volts=tone.fundamental_volts,
        frequency_hz=tone.frequency_hz,
        thd_percent=tone.thd_percent,
        thd_floor_percent=tone.thd_floor_percent,
        # a soft knee passes the limit before its sine passes the rail: for an onset that is beyond it
        state="clipped"
        if verdict.clipping.side and tone.full_thd_percent >= limit_thd_percent
        else verdict.clipping.state,
        rails=verdict.rails,
        orders=tone.in_band,
        harmonics=tone.relative(),
        noise_peak=tone.noise_peak,
        remarks=remarks,
        nature=verdict.remarks,
        crests=(float(wave.max()), float(-wave.min())),
        blur_volts=tone.blur_volts,
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
