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
from gainkit.analysis.clipping import UNJUDGED, Verdict, judge
from gainkit.analysis.model import Measurement, MeasureOptions, NoToneReason
from gainkit.analysis.overload import overloaded
from gainkit.analysis.quantised import crest_blur
from gainkit.analysis.report import Examination, measurement_of
from gainkit.analysis.spectrum import mains_of
from gainkit.analysis.steady import find_steady
from gainkit.analysis.tone import ToneFit, fit_tone
from gainkit.analysis.window import Floats, Window, choose_window
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.remarks import Remark, fault

CYCLE_SLACK = 0.02
"""Cycles that may be lacking because the frequency is only roughly known at that point [-]."""


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
    return measurement_of(capture, options, _examine(capture, options))


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
        return _without_tone(capture, window, window.audio, _no_tone("silent"))
    _refuse_few_cycles(window, window.rough_hz, capture.file)
    angular = 2 * np.pi * window.rough_hz / window.audio_rate_hz
    steady = find_steady(window.audio, angular, window.audio_rate_hz)
    part = window.audio[steady.start : steady.stop]
    if steady.reason is not None:
        return _without_tone(capture, window, part, _no_tone(steady.reason))
    tone = _fit(window, part, window.rough_hz, options)
    no_tone = _no_tone("silent") if tone is None else _why_no_tone(tone)
    if tone is None or no_tone is not None:
        return _without_tone(capture, window, part, no_tone)
    overload = overloaded(capture, window.raw, tone)
    verdict = Verdict(UNJUDGED, None, ()) if overload else judge(tone, options.limit_thd_percent)
    return Examination(window, part, overload, (*window.notes, *steady.remarks), None, tone, verdict)


def _without_tone(capture: Capture, window: Window, part: Floats, no_tone: Remark | None) -> Examination:
    return Examination(window, part, overloaded(capture, window.raw, None), window.notes, no_tone)


def _refuse_few_cycles(window: Window, tone_hz: float, file: str) -> None:
    """Raise GainkitError for a part that is too short for its tone."""
    cycles = tone_hz * len(window.audio) / window.audio_rate_hz
    if cycles < thresholds.LEAST_CYCLES - CYCLE_SLACK:
        raise GainkitError(
            "too_few_cycles", cycles=cycles, frequency_hz=tone_hz, least_cycles=thresholds.LEAST_CYCLES
        ).within("file", file)


def _fit(window: Window, part: Floats, rough_hz: float, options: MeasureOptions) -> ToneFit | None:
    """The fitted tone, with what a coarse quantiser leaves unknown of its crests."""
    step = window.step_volts
    tone = fit_tone(
        part,
        window.audio_rate_hz,
        frequency_hz=rough_hz,
        band_hz=options.band_hz,
        step_volts=step if window.pure_steps else None,
    )
    if tone is None or step is None:
        return tone
    own_rms_volts = float(np.sqrt(tone.residual_power + window.above_band_volts**2))
    return replace(tone, blur_volts=crest_blur(step, own_rms_volts))


def _why_no_tone(tone: ToneFit) -> Remark | None:
    """The reason why a fitted tone does not stand for the capture, None when it does."""
    for line in tone.lines:
        strong = line.rms_volts > thresholds.SECOND_TONE_RATIO * tone.fundamental_volts
        if strong and mains_of(line.frequency_hz, tone.spectrum.step_hz) is None:
            return _no_tone("second_tone", frequency_hz=tone.frequency_hz, second_hz=line.frequency_hz)
    harmonic_power = float(np.sum(np.abs(tone.phasors[: tone.in_band]) ** 2)) / 2
    if harmonic_power / (harmonic_power + tone.noise_rms_volts**2) < thresholds.TONE_SHARE:
        return _no_tone("noise", frequency_hz=tone.frequency_hz)
    return None


def _no_tone(reason: NoToneReason, **values: float) -> Remark:
    return fault("no_steady_tone", reason=reason, **values)
