"""From a capture to a measurement: which part, which tone, how clean, how far to turn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis import quantised, thresholds
from gainkit.analysis.clipping import UNJUDGED, Verdict, change_to, judge
from gainkit.analysis.decimate import decimate, decimation_factor
from gainkit.analysis.harmonic import coarse_frequency
from gainkit.analysis.model import ON_TARGET_DB, Harmonic, Measurement, MeasureOptions, TargetCheck
from gainkit.analysis.overload import overloaded
from gainkit.analysis.quantised import crest_blur, pure_quantiser, quantiser_step
from gainkit.analysis.spectrum import family_of
from gainkit.analysis.steady import SteadyPart, coarse_window, find_steady
from gainkit.analysis.tone import ToneFit, fit_tone
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio

Floats = NDArray[np.float64]

WINDOW_FRAMES = 1 << 18
"""Frames that are fitted at once; a longer capture is scanned whole and fitted on its steadiest part."""

MOST_RAW_FRAMES = 1 << 24
SILENT = "the recording is silent."


@dataclass(frozen=True)
class _Window:
    """The part of a capture that is looked at: raw frames and, where faster than needed, the audio band.

    step_volts : of a coarse quantiser, if there is one [V]. pure_steps : nothing else disturbs the tone.
    """

    raw: Floats
    audio: Floats
    audio_rate_hz: float
    above_band_volts: float
    step_volts: float | None
    pure_steps: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Found:
    """What was found in a capture; reason : why there is no steady tone, None when there is one."""

    window: _Window
    part: Floats
    steady: SteadyPart | None
    tone: ToneFit | None
    reason: str | None


def measure(capture: Capture, options: MeasureOptions | None = None) -> Measurement:
    """Measure the steady tone in a capture.

    Returns a Measurement; ``steady_tone`` is False, distortion figures are None and a note says why when
    there is no steady tone. Raises GainkitError for a part that is empty or holds fewer than three cycles, for
    channels that are not there and for options out of range.
    """
    asked = options or MeasureOptions()
    found = _find(capture, asked)
    if found.tone is None or found.steady is None or found.reason is not None:
        return _without_tone(capture, asked, found.window, found.part, found.reason or SILENT)
    return _with_tone(capture, asked, found.window, found.steady, found.part, found.tone)


def tone_of(capture: Capture, options: MeasureOptions | None = None) -> tuple[ToneFit, Verdict] | str:
    """The fitted tone behind a measurement and the verdict on it, for charts; or why there is no steady tone.

    Raises as `measure` does.
    """
    asked = options or MeasureOptions()
    found = _find(capture, asked)
    if found.tone is None or found.reason is not None:
        return found.reason or SILENT
    if overloaded(capture, found.window.raw, found.tone):
        return found.tone, Verdict(UNJUDGED, None, ())
    return found.tone, judge(found.tone, asked.limit_thd_percent)


def _find(capture: Capture, asked: MeasureOptions) -> _Found:
    """Choose the part, find the tone, fit it."""
    check_options(asked)
    window = _window(capture, asked)
    low_hz, high_hz = asked.band_hz
    rate = window.audio_rate_hz
    rough = coarse_frequency(window.audio, rate, low_hz, min(high_hz, 0.49 * rate))
    if rough is None:
        return _Found(window, window.audio, None, None, SILENT)
    cycles = rough * len(window.audio) / rate
    if cycles < thresholds.LEAST_CYCLES - 0.02:
        raise GainkitError(
            f"{capture.file}: only {cycles:.1f} cycles of a {rough:.4g} Hz tone; at least 3 are needed.",
            "Record longer, or set the oscilloscope's time base slower.",
        )
    steady = find_steady(window.audio, 2 * np.pi * rough / rate, rate)
    part = window.audio[steady.start : steady.stop]
    tone = None if steady.reason else _tone(window, part, rough, asked)
    reason = steady.reason or (SILENT if tone is None else _why_no_tone(tone))
    return _Found(window, part, steady, tone, reason)


def _tone(window: _Window, part: Floats, rough_hz: float, asked: MeasureOptions) -> ToneFit | None:
    """The fitted tone, with what a coarse quantiser leaves unknown of its crests."""
    step = window.step_volts
    tone = fit_tone(
        part,
        window.audio_rate_hz,
        frequency_hz=rough_hz,
        band_hz=asked.band_hz,
        step_volts=step if window.pure_steps else None,
    )
    if tone is None or step is None:
        return tone
    own = float(np.sqrt(tone.residual_power + window.above_band_volts**2))
    return replace(tone, blur_volts=crest_blur(step, own))


def check_options(asked: MeasureOptions) -> None:
    """Raise GainkitError for options that mean nothing."""
    low, high = asked.band_hz
    if not (0 < low < high < np.inf):
        raise GainkitError(f"The band {low:g}:{high:g} Hz is empty.", "Give LOW:HIGH in Hz, as in 10:20000.")
    for name, figure in (
        ("--load-ohms", asked.load_ohms),
        ("--target-volts", asked.target_volts),
        ("--limit-thd-percent", asked.limit_thd_percent),
    ):
        if figure is not None and not (0 < figure < np.inf):
            raise GainkitError(f"{name} is {figure:g}.", "Give a figure above 0.")


def _window(capture: Capture, asked: MeasureOptions) -> _Window:
    """Load the part that is asked for, or the steadiest stretch of it if it is too long to hold."""
    rate = capture.sample_rate_hz
    start = 0 if asked.start_seconds is None else round(asked.start_seconds * rate)
    stop = capture.frames if asked.stop_seconds is None else round(asked.stop_seconds * rate)
    if not 0 <= start < min(stop, capture.frames):
        raise GainkitError(
            f"{capture.file}: nothing between {start / rate:g} s and {stop / rate:g} s; "
            f"it lasts {capture.seconds:g} s.",
            "Choose --start and --stop within the recording.",
        )
    stop = min(stop, capture.frames)
    notes: tuple[str, ...] = ()
    most = min(WINDOW_FRAMES * decimation_factor(rate, asked.band_hz[1]), MOST_RAW_FRAMES)
    if stop - start > most:
        begin, end, whole = coarse_window(capture, start, stop, most, channel=asked.channel, minus=asked.minus)
        kind = "steady throughout" if whole else "not steady throughout"
        notes = (
            f"The level of all {(stop - start) / rate:.1f} s was followed ({kind}); "
            f"figures come from {begin / rate:.1f} s to {end / rate:.1f} s.",
        )
        start, stop = begin, end
    raw = capture.volts(start, stop, channel=asked.channel, minus=asked.minus)
    step = quantiser_step(raw) if asked.minus is None else None
    if step is not None:
        stride = -(-len(raw) // quantised.MOST_FRAMES)
        sparse = raw[::stride]
        if rate / stride > 2.2 * asked.band_hz[1] and pure_quantiser(
            sparse, rate / stride, step, asked.band_hz
        ):
            return _Window(raw, sparse, rate / stride, 0.0, step, True, notes)
    audio, audio_rate, trimmed = decimate(raw, rate, asked.band_hz[1])
    above = 0.0
    if trimmed:
        step_frames = decimation_factor(rate, asked.band_hz[1])
        there = raw[trimmed : trimmed + len(audio) * step_frames : step_frames]
        above = float(np.std(there[: len(audio)] - audio))
    return _Window(raw, audio, audio_rate, above, step, False, notes)


def _why_no_tone(tone: ToneFit) -> str | None:
    """The reason why a fitted tone does not stand for the capture, None when it does."""
    harmonic = float(np.sum(np.abs(tone.phasors[: tone.in_band]) ** 2)) / 2
    share = harmonic / (harmonic + tone.noise_rms_volts**2)
    others = [
        line
        for line in tone.lines
        if line.rms_volts > thresholds.SECOND_TONE_RATIO * tone.fundamental_volts
        and family_of(line.frequency_hz, tone.spectrum.step_hz) is None
    ]
    if others:
        return (
            f"more than one tone: {tone.frequency_hz:.4g} Hz and {others[0].frequency_hz:.4g} Hz "
            "(one tone at a time, please)."
        )
    if share < thresholds.TONE_SHARE:
        return f"noise outweighs the strongest tone ({tone.frequency_hz:.4g} Hz)."
    return None


def _target(asked: MeasureOptions, change_db: float | None, calibrated: bool) -> TargetCheck | None:
    if asked.target_volts is None:
        return None
    return TargetCheck(set_volts=asked.target_volts, change_db=change_db if calibrated else None)


def _level_dbfs(capture: Capture, rms_volts: float) -> float | None:
    """AES17: a sine whose peaks touch full scale is 0 dBFS; text of an oscilloscope has no full scale."""
    if rms_volts <= 0 or not capture.has_full_scale:
        return None
    return db_from_ratio(rms_volts * SINE_CREST / capture.volts_per_unit)


def _without_tone(
    capture: Capture, asked: MeasureOptions, window: _Window, part: Floats, reason: str
) -> Measurement:
    """Level only: no steady tone was found."""
    rms = float(np.std(part))
    peak = float(np.abs(part).max())
    return Measurement(
        file=capture.file,
        channel=asked.channel,
        minus=asked.minus,
        sample_rate_hz=capture.sample_rate_hz,
        seconds=len(part) / window.audio_rate_hz,
        cycles=None,
        calibrated=capture.calibrated,
        frequency_hz=None,
        rms_volts=rms,
        fundamental_volts=None,
        level_dbfs=_level_dbfs(capture, rms),
        peak_volts=peak,
        dc_volts=float(part.mean()),
        crest_factor_db=db_from_ratio(peak / rms) if rms > 0 else None,
        thd_percent=None,
        thd_r_percent=None,
        thd_floor_percent=None,
        thd_n_percent=None,
        noise_volts=None,
        harmonics=(),
        clipping=UNJUDGED,
        recorder_overload=overloaded(capture, window.raw, None),
        steady_tone=False,
        watts=rms**2 / asked.load_ohms if asked.load_ohms and capture.calibrated else None,
        target=_target(asked, None, capture.calibrated),
        notes=(
            *capture.notes,
            *capture.channel_notes(asked.channel, asked.minus),
            *window.notes,
            f"No steady tone: {reason}",
        ),
    )


def _with_tone(
    capture: Capture, asked: MeasureOptions, window: _Window, steady: SteadyPart, part: Floats, tone: ToneFit
) -> Measurement:
    """Everything a steady tone tells."""
    overload = overloaded(capture, window.raw, tone)
    verdict = judge(tone, asked.limit_thd_percent)
    clipping = UNJUDGED if overload else verdict.clipping
    relative = tone.relative()
    peak = max(float(np.abs(part).max()) if not tone.outliers else 0.0, float(np.abs(tone.period()).max()))
    notes = (
        *capture.notes,
        *capture.channel_notes(asked.channel, asked.minus),
        *window.notes,
        *steady.remarks,
        *_notes(asked, window, tone, overload),
    )
    rms = tone.rms_volts
    change = None
    if asked.target_volts is not None:
        change = change_to(asked.target_volts, rms, None if clipping.side is None else verdict.rails)
        if change is None:
            notes = (*notes, "The target lies beyond what these rails can give: no gain setting reaches it.")
        elif overload or (tone.thd_percent >= asked.limit_thd_percent and change > -ON_TARGET_DB):
            change = None  # distorted: nothing to turn up, and not on target
    if not overload:
        notes = (*notes, *verdict.remarks)
    if asked.target_volts is not None and not capture.calibrated:
        notes = (
            *notes,
            "Without calibration the target cannot be compared: give --full-scale-volts or --calibration.",
        )
    return Measurement(
        file=capture.file,
        channel=asked.channel,
        minus=asked.minus,
        sample_rate_hz=capture.sample_rate_hz,
        seconds=len(part) / window.audio_rate_hz,
        cycles=tone.frequency_hz * len(part) / window.audio_rate_hz,
        calibrated=capture.calibrated,
        frequency_hz=tone.frequency_hz,
        rms_volts=rms,
        fundamental_volts=tone.fundamental_volts,
        level_dbfs=_level_dbfs(capture, rms),
        peak_volts=peak,
        dc_volts=tone.dc_volts,
        crest_factor_db=db_from_ratio(peak / rms),
        thd_percent=tone.thd_percent,
        thd_r_percent=100 * tone.distortion_ratio / float(np.hypot(1, tone.distortion_ratio)),
        thd_floor_percent=tone.thd_floor_percent,
        thd_n_percent=tone.thd_n_percent,
        noise_volts=tone.noise_rms_volts,
        harmonics=tuple(
            Harmonic(
                order,
                100 * float(np.abs(relative[order - 1]) / relative[0].real),
                float(np.degrees(np.angle(relative[order - 1]))),
            )
            for order in range(2, tone.in_band + 1)
        ),
        clipping=clipping,
        recorder_overload=overload,
        steady_tone=True,
        watts=rms**2 / asked.load_ohms if asked.load_ohms and capture.calibrated else None,
        target=_target(asked, change, capture.calibrated),
        notes=notes,
    )


def _notes(asked: MeasureOptions, window: _Window, tone: ToneFit, overload: bool) -> tuple[str, ...]:
    """What a person should know beside the figures: overload, hum, other lines, residue, wild samples."""
    notes: list[str] = []
    if overload:
        notes.append(
            "The recorder itself is overloaded: its samples stand at digital full scale. Distortion is the "
            "recorder's; turn its input down or use a pad, and record again."
        )
    if window.above_band_volts > thresholds.OUT_OF_BAND_RATIO * tone.fundamental_volts:
        notes.append(
            f"Above {asked.band_hz[1] / 1000:g} kHz there are {window.above_band_volts:.3g} V rms "
            "(switching residue or noise); they are left out of all figures."
        )
    if tone.outliers:
        notes.append(f"{tone.outliers} wild samples were left out.")
    named: set[str] = set()
    for line in tone.lines:
        percent = 100 * line.rms_volts / tone.fundamental_volts
        if percent < thresholds.HUM_LEAST_PERCENT or len(named) >= 3:
            break
        mains = family_of(line.frequency_hz, tone.spectrum.step_hz)
        kind = f"Hum of the {mains} Hz family" if mains else "A foreign line"
        if kind in named:
            continue
        named.add(kind)
        hint = "" if mains else "; if it moves with engine speed it is the alternator"
        notes.append(
            f"{kind}: {line.rms_volts:.3g} V at {line.frequency_hz:.4g} Hz "
            f"({percent:.2g} % of the tone){hint}. It is not distortion."
        )
    return tuple(notes)
