"""From a capture to a measurement, in five steps.

- window: the part to look at, in the audio band (`window.choose_window`)
- tone: its steady stretch and the tone fitted there (`steady.find_steady`, `tone.fit_tone`)
- overload: whether the recorder itself clipped (`overload.overloaded`)
- verdict: rails, or another distortion's name (`clipping.judge`)
- report: figures, remarks and how far to turn (`report.measurement_of`)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gainkit.analysis import thresholds
from gainkit.analysis.around import around_of
from gainkit.analysis.beside_tone import MOST_BESIDE, fit_beside, line_beside
from gainkit.analysis.clipping import UNJUDGED, Verdict, judge
from gainkit.analysis.harmonic import project
from gainkit.analysis.lines import without
from gainkit.analysis.model import Measurement, MeasureOptions, NoToneReason
from gainkit.analysis.overload import companded_step, is_companded, overloaded, recorder_limit
from gainkit.analysis.report import Examination, measurement_of
from gainkit.analysis.spectrum import Line, hann, mains_of
from gainkit.analysis.steady import Blocks, SteadyPart, demodulated, find_steady, last_steady
from gainkit.analysis.tone import ToneFit, fit_tone
from gainkit.analysis.wandering import wanders
from gainkit.analysis.window import Floats, Window, choose_window, part_in_band
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.figures import level_unit
from gainkit.levels import db_from_ratio
from gainkit.remarks import Remark, fault, remark

CYCLE_SLACK = 0.02
"""Cycles that may be lacking because the frequency is only roughly known at that point [-]."""

MOST_CHANNELS = 8
"""Channels that are looked at beside the one asked for, at most [-]."""

OTHER_SECONDS = 0.5
"""... in so much of the part that is measured [s]."""

OTHER_LEVEL_DB = 0.5
"""Another channel's level is told from this difference on [dB]: less is the tolerance of a level."""

CROSSTALK_DB = 40.0
"""A channel this far down holds what leaks into it [dB]."""

STRONGER_RATIO = 10.0
"""A channel so many times as strong holds the tone, and this one what leaks of it [-]."""

SILENT_SHARE = 1e-12
"""What varies by no more than this share of itself is a constant, rounded [-]."""

NEAR_TONE = 0.1
"""A second tone this near to the first may be the same, gliding [-]."""

CALMER_SHARE = 0.8
"""A line beside the tone is taken out if that leaves less than this share of the level's scatter [-]."""


@dataclass(frozen=True)
class ToneAnalysis:
    """The tone behind a measurement.

    tone : as fitted, and verdict : on its rails; both None without a steady tone. no_tone : then the remark
    that says why.
    """

    tone: ToneFit | None
    verdict: Verdict | None
    no_tone: Remark | None = None

    @property
    def reason(self) -> NoToneReason | None:
        """Why there is no steady tone; None when there is one."""
        if self.no_tone is None:
            return None
        reason: NoToneReason = self.no_tone.values["reason"]
        return reason


def measure(capture: Capture, options: MeasureOptions | None = None) -> Measurement:
    """Measure the steady tone in a capture.

    Parameters
    ----------
    capture : Capture
        The recording, as `read_capture` or `Capture.from_array` gives it.
    options : MeasureOptions, optional
        Channel, part, band, load and target.

    Returns
    -------
    Measurement
        Volts, distortion, clipping and what to turn. Without a steady tone `steady_tone` is False, distortion
        figures are None and the remark `no_steady_tone` says why.

    Raises
    ------
    GainkitError
        `part_not_recorded` for a part that is not in the recording, `too_few_cycles` for fewer than three
        cycles, and the capture's own for channels that are not there and samples that are no numbers.

    References
    ----------
    Level in dBFS: AES17. Tone and harmonics: see `fit_tone`. Rails: see `gainkit.analysis.rails`.

    Examples
    --------
    A 1 kHz sine that would reach 1.2 V at an output that is held at 1 V:

    >>> import numpy as np
    >>> sine = 1.2 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(48000))
    >>> result = measure(Capture.from_array(np.clip(sine, -1, 1), 48000))
    >>> result.clipping.state, result.clipping.side, round(result.clipping.overdrive_db, 1)
    ('clipped', 'both', 1.6)
    """
    options = options or MeasureOptions()
    examined = _examine(capture, options)
    measurement = measurement_of(capture, options, examined)
    beside = _other_channels(capture, options, examined)
    return replace(measurement, notes=(*measurement.notes, *beside)) if beside else measurement


def analyse_tone(capture: Capture, options: MeasureOptions | None = None) -> ToneAnalysis:
    """Fit the tone behind a measurement and judge its rails: what charts are drawn from.

    Parameters
    ----------
    capture : Capture
        The recording.
    options : MeasureOptions, optional
        Channel, part, band and limit, as for `measure`.

    Returns
    -------
    ToneAnalysis
        The fitted tone and the verdict on it; or, with both None, the `reason` why there is no steady tone.
        Where the recorder itself was overloaded the verdict's state is None.

    Raises
    ------
    GainkitError
        As `measure` does.

    Examples
    --------
    >>> import numpy as np
    >>> analysis = analyse_tone(Capture.from_array(np.zeros(48000), 48000))
    >>> analysis.tone is None, analysis.reason
    (True, 'silent')
    """
    options = options or MeasureOptions()
    examined = _examine(capture, options)
    return ToneAnalysis(examined.tone, examined.verdict, examined.no_tone)


def _examine(capture: Capture, options: MeasureOptions) -> Examination:
    """The steps up to the verdict, each handed what the one before it left."""
    window = choose_window(capture, options)
    if window.rough_hz is None:
        return _without_tone(capture, window, window.audio, _unheard(capture, window))
    rough_hz = window.rough_hz
    _refuse_few_cycles(window, rough_hz, capture.file)
    angular = 2 * np.pi * rough_hz / window.audio_rate_hz
    blocks = demodulated(window.audio, angular, window.audio_rate_hz)
    window, blocks, beside, ripples = _without_beside(window, blocks, angular)
    if ripples:  # another tone far off moves the level: no stretch stands still, and none need be looked for
        steady = find_steady(window.audio, angular, window.audio_rate_hz)
    else:
        steady = last_steady(window.audio, angular, window.audio_rate_hz, blocks)
    part = window.audio[steady.start : steady.stop]
    if steady.reason is not None:
        return _without_tone(capture, window, part, _no_tone(steady.reason))
    tone = _fit(capture, window, part, rough_hz, options)
    if tone is not None and beside:
        tone = tone.with_beside(beside)
    no_tone = _no_tone("silent") if tone is None else _why_no_tone(tone)
    if tone is not None and _may_wander(no_tone) and wanders(window.audio, blocks, steady, angular):
        no_tone = _no_tone("wanders")
    if tone is None or no_tone is not None:
        return _without_tone(capture, window, part, no_tone)
    overload, told = _recorder(capture, options, window, steady, tone)
    verdict = Verdict(UNJUDGED, None, ()) if overload else judge(tone, options.limit_thd_percent)
    around = around_of(capture, options, window, steady, blocks, tone, verdict)
    notes = (*window.notes, *steady.remarks, *around.remarks, *told)
    return Examination(window, part, overload, notes, None, tone, verdict, around.stretches, around.sag)


def _recorder(
    capture: Capture, options: MeasureOptions, window: Window, steady: SteadyPart, tone: ToneFit
) -> tuple[bool, tuple[Remark, ...]]:
    """Whether the recorder itself clipped in the part that is measured, and what is told of it."""
    raw = window.raw_of(steady.start, steady.stop)
    if overloaded(capture, raw, tone):
        return True, (fault("recorder_overload"),)
    known = None if capture.step_units is None else capture.step_units * capture.volts_per_unit
    angular = 2 * np.pi * tone.frequency_hz / capture.sample_rate_hz
    if (
        options.minus is None
        and not window.pure_steps
        and not is_companded(capture)
        and recorder_limit(raw, window.step_volts or known, angular)
    ):
        return True, (fault("recorder_limit"),)
    if len(raw) < len(window.raw) and overloaded(capture, window.raw, tone):
        return False, (remark("overload_elsewhere"),)
    return False, ()


def _without_beside(
    window: Window, blocks: Blocks | None, angular: float
) -> tuple[Window, Blocks | None, tuple[Line, ...], bool]:
    """The window less the lines that beat with the tone, its blocks, and those lines.

    Last: True where a line beats that is not beside the tone but folds there, block by block.
    """
    taken: list[Line] = []
    while blocks is not None and len(taken) < MOST_BESIDE:
        off_hz = line_beside(blocks.phasors, blocks.frames / window.audio_rate_hz)
        if off_hz is None or window.rough_hz is None:
            break
        beside = fit_beside(window.audio, window.audio_rate_hz, window.rough_hz, off_hz)
        if beside is None:
            break
        audio = without(window.audio, window.audio_rate_hz, [beside[1]])
        calmer = demodulated(audio, angular, window.audio_rate_hz)
        if calmer is None or np.std(calmer.levels_db) > CALMER_SHARE * np.std(blocks.levels_db):
            return window, blocks, tuple(taken), True
        window, blocks = replace(window, audio=audio), calmer
        rms_volts = float(np.sqrt(beside[1].power))
        taken.append(Line(beside[1].frequency_hz, rms_volts, float("inf")))
    return window, blocks, tuple(taken), False


def _other_channels(capture: Capture, options: MeasureOptions, examined: Examination) -> list[Remark]:
    """What the other channels hold, where that is worth telling: the same tone at another level, or the tone
    at all."""
    if options.minus is not None or not 2 <= capture.channels <= MOST_CHANNELS:
        return []
    others = [number for number in range(1, capture.channels + 1) if number != options.channel]
    window, tone = examined.window, examined.tone
    middle = window.start_seconds + len(window.audio) / window.audio_rate_hz / 2
    half = min(len(window.audio) / window.audio_rate_hz, OTHER_SECONDS) / 2
    told = []
    for number in others:
        asked = replace(options, channel=number)
        try:
            samples, rate_hz = part_in_band(capture, asked, middle - half, middle + half)
        except GainkitError:  # blank cells, or no numbers: nothing to compare
            continue
        volts = float(np.std(samples)) if len(samples) else 0.0
        if tone is not None and volts < STRONGER_RATIO * tone.rms_volts:
            told += _beside_tone(samples, rate_hz, tone, number)
        elif volts > 0 and (tone is None or volts >= STRONGER_RATIO * tone.rms_volts):
            told += _tone_elsewhere(samples, rate_hz, asked, capture.calibrated)
    return told


def _beside_tone(samples: Floats, rate_hz: float, tone: ToneFit, number: int) -> list[Remark]:
    """The level of the same tone in another channel, if it differs and is no mere crosstalk."""
    window = hann(len(samples))
    sums, _ = project(samples * window, 2 * np.pi * tone.frequency_hz / rate_hz, np.array([1]), False)
    peak = 2 * abs(complex(sums[0])) / float(window.sum())
    difference_db = db_from_ratio(max(peak / 2**0.5, 1e-15) / tone.fundamental_volts)
    if not OTHER_LEVEL_DB <= abs(difference_db) <= CROSSTALK_DB:
        return []
    return [remark("other_channel_level", other_channel=number, difference_db=difference_db)]


def _tone_elsewhere(samples: Floats, rate_hz: float, options: MeasureOptions, calibrated: bool) -> list[Remark]:
    """A steady tone in another channel, where the one that was asked for holds none or hardly any."""
    tone = fit_tone(samples, rate_hz, band_hz=options.band_hz)
    if tone is None or _why_no_tone(tone) is not None:
        return []
    unit = level_unit(calibrated)
    return [
        fault(
            "tone_on_other_channel",
            other_channel=options.channel, rms_volts=tone.rms_volts, unit=unit,
            frequency_hz=tone.frequency_hz,
        )
    ]  # fmt: skip


def _without_tone(capture: Capture, window: Window, part: Floats, no_tone: Remark | None) -> Examination:
    return Examination(window, part, overloaded(capture, window.raw, None), window.notes, no_tone)


def _refuse_few_cycles(window: Window, tone_hz: float, file: str) -> None:
    """Raise GainkitError for a part that is too short for its tone."""
    cycles = tone_hz * len(window.audio) / window.audio_rate_hz
    if cycles < thresholds.LEAST_CYCLES - CYCLE_SLACK:
        raise GainkitError(
            "too_few_cycles", cycles=cycles, frequency_hz=tone_hz, least_cycles=thresholds.LEAST_CYCLES
        ).within("file", file)


def _fit(
    capture: Capture, window: Window, part: Floats, rough_hz: float, options: MeasureOptions
) -> ToneFit | None:
    """The fitted tone, with what a coarse quantiser leaves unknown of its crests."""
    step = window.step_volts
    tone = fit_tone(
        part,
        window.audio_rate_hz,
        frequency_hz=rough_hz,
        band_hz=options.band_hz,
        step_volts=step if window.pure_steps else None,
    )
    if tone is None:
        return None
    if step is not None:
        return tone.on_steps(step, window.above_band_volts)
    at_crest = companded_step(capture, float(np.abs(part).max()))
    if at_crest is None:
        return tone
    blurred = tone.on_steps(at_crest, window.above_band_volts)
    return replace(blurred, step_volts=0.0)  # away from the crests its steps are finer


def _why_no_tone(tone: ToneFit) -> Remark | None:
    """The reason why a fitted tone does not stand for the capture, None when it does."""
    for line in tone.lines if tone.lone is None else (*tone.lines, tone.lone):
        strong = line.rms_volts > thresholds.SECOND_TONE_RATIO * tone.fundamental_volts
        if strong and mains_of(line.frequency_hz, tone.spectrum.step_hz) is None:
            return _no_tone("second_tone", frequency_hz=tone.frequency_hz, second_hz=line.frequency_hz)
    harmonic_power = float(np.sum(np.abs(tone.phasors[: tone.in_band]) ** 2)) / 2
    if harmonic_power / (harmonic_power + tone.noise_rms_volts**2) < thresholds.TONE_SHARE:
        return _no_tone("noise", frequency_hz=tone.frequency_hz)
    return None


def _unheard(capture: Capture, window: Window) -> Remark:
    """Silence, or samples so far apart or so close together that none of it can be a sound in the band."""
    if float(np.std(window.raw)) <= SILENT_SHARE * float(np.abs(window.raw).max()):
        return _no_tone("silent")
    rate_hz = capture.sample_rate_hz
    return _no_tone("out_of_band", sample_rate_hz=rate_hz, seconds=len(window.raw) / rate_hz)


def _may_wander(no_tone: Remark | None) -> bool:
    """Whether a frequency that moves may be behind it: one that glides looks like two that lie close."""
    if no_tone is None or no_tone.values["reason"] != "second_tone":
        return no_tone is None
    return bool(abs(no_tone.values["second_hz"] / no_tone.values["frequency_hz"] - 1) < NEAR_TONE)


def _no_tone(reason: NoToneReason, **values: float) -> Remark:
    return fault("no_steady_tone", reason=reason, **values)
