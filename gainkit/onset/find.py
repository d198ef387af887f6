"""`find_onset`: from a recording of a staircase or a glide to the level at which the chain begins to clip."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from gainkit.analysis.model import MeasureOptions
from gainkit.analysis.thresholds import stands_above
from gainkit.calculator.ranges import VOLTS, refuse_outside
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db
from gainkit.onset.align import CLOCK_TOLERANCE, align, by_markers
from gainkit.onset.believed import believed
from gainkit.onset.bend import by_bend, first_rail, nearer_rail
from gainkit.onset.curve import by_curve
from gainkit.onset.envelope import ChannelChoice, Envelope, follow, loudest_tone
from gainkit.onset.gain import gain_change, held_from
from gainkit.onset.held import held_without_harmonics, not_later
from gainkit.onset.hum import hum_of
from gainkit.onset.knee import Crossing, find_crossing
from gainkit.onset.notes import HELD_CODES, clock_notes, gain_notes, held_notes, silence_notes, step_notes
from gainkit.onset.plan import LevelPlan
from gainkit.onset.refusals import refuse_moving_steps, refuse_other_steps
from gainkit.onset.silences import silences
from gainkit.onset.steps import StepFit, StepOptions, fit_steps, windows
from gainkit.onset.throughout import source_of
from gainkit.onset.tracks import own_track
from gainkit.onset.uncertainty import onset_uncertainty_db
from gainkit.remarks import Remark
from gainkit.results import Result

OTHER_TRACK = 2e-3
"""A tone this far off the track's frequency is another track or another sample rate [-]: ten times what a clock
explains."""

SMALL_SIGNAL_DB = 3.0
"""Steps this far below the onset give the gain: a soft knee or a sagging supply does not reach them [dB]."""


StepState = Literal["clean", "distorted", "at-onset", "clipped"]
"""As a measurement's states, and "distorted": THD is over the limit, and no rail is met."""


@dataclass(frozen=True)
class StepResult:
    """One step of the staircase, or one window of the glide.

    gain_db : 20 log10(rms_volts / (source_volts x 10^(level_dbfs/20))) [dB]: the amplifier's own gain when
    source_volts was given, else the output in dBV for a 0 dBFS tone; None without calibration. thd_percent,
    state : None when the step was not judged.
    """

    level_dbfs: float
    rms_volts: float | None
    thd_percent: float | None
    thd_floor_percent: float | None
    gain_db: float | None
    state: StepState | None

    @property
    def distortion_seen(self) -> bool:
        """False where noise alone would show as much THD, and where the step was not judged."""
        if self.thd_percent is None or self.thd_floor_percent is None:
            return False
        return stands_above(self.thd_percent, self.thd_floor_percent)


@dataclass(frozen=True, repr=False)
class OnsetResult(Result):
    """The answer. onset_dbfs, onset_volts : tone level and rms output at which THD reaches the limit.

    clipping_begins_dbfs (a property) : tone level at which its crest meets the rail.
    small_signal_gain_db : median gain_db of the clean steps at least 3 dB below the onset [dB]. rail_volts :
    the rail that is met first, at the onset [V peak]; None for an onset where THD reaches the limit by a bend
    of the curve, at no rail. onset_uncertainty_db : it lies so near with a confidence of 95 % or more, by
    noise, spacing of the steps and fit of the knee [dB]; None without an onset.
    """

    found: bool
    limit_thd_percent: float
    onset_dbfs: float | None
    onset_volts: float | None
    small_signal_gain_db: float | None
    rail_volts: float | None
    steps: tuple[StepResult, ...]
    notes: tuple[Remark, ...]
    onset_uncertainty_db: float | None = None

    @property
    def clipping_begins_dbfs(self) -> float | None:
        """Level at which the sine's crest meets the rail [dBFS], from rail and small-signal gain.

        THD reaches its limit a little later: 0.25 dB for 1 % at a hard rail. None where no rail is seen, and
        where a soft knee distorts to the limit before.
        """
        top = math.inf if self.onset_dbfs is None else self.onset_dbfs - SMALL_SIGNAL_DB
        gains = [
            db_from_ratio(step.rms_volts) - step.level_dbfs
            for step in small_signals(self.steps, top)
            if step.rms_volts
        ]
        if self.rail_volts is None or self.onset_dbfs is None or not gains:
            return None
        begins = db_from_ratio(self.rail_volts / SINE_CREST) - float(np.median(gains))
        return begins if begins <= self.onset_dbfs else None

    @property
    def by_bend(self) -> bool:
        """Whether THD reaches the limit at no rail: louder peaks are distorted there, and nothing is cut."""
        return any(note.code == "onset_not_rail" for note in self.notes)

    @property
    def under_distortion(self) -> bool:
        """Whether the onset is where a rail is first met, while softer tones are over the limit already."""
        return any(note.code == "rail_under_distortion" for note in self.notes)

    @property
    def before_filter(self) -> bool:
        """Whether the onset is that of a rail before a low-pass, told by the levels: THD behind it is lower."""
        return any(note.code == "rail_before_filter" for note in self.notes)

    @property
    def held_dbfs(self) -> float | None:
        """Level from which the output is held by what the recording does not show to be a rail [dBFS]: peaks
        beyond come out no louder, and no gain is in hand there. None where nothing of that is seen."""
        told = [note.values["level_dbfs"] for note in self.notes if note.code in HELD_CODES]
        return min(told, default=None)

    @property
    def distorted_dbfs(self) -> tuple[float, ...]:
        """Levels of the steps, below the onset if there is one, that are over the limit by another cause than
        a rail [dBFS], rising."""
        top = math.inf if self.onset_dbfs is None else self.onset_dbfs
        over = (step.level_dbfs for step in self.steps if step.state == "distorted")
        return tuple(sorted(level for level in over if level < top))

    @property
    def loudest_judged(self) -> bool:
        """Whether figures stand for the loudest step; where they do not, no onset found says nothing."""
        return max(self.steps, key=lambda step: step.level_dbfs).state is not None


def find_onset(
    capture: Capture, plan: LevelPlan, options: MeasureOptions | None = None, *, source_volts: float = 1.0
) -> OnsetResult:
    """Find the level at which a chain begins to clip, from one recording of a staircase or a glide.

    Parameters
    ----------
    capture : the recording, from before the track's start to after its end; it may begin late or end early.
    plan : what was played, from `staircase`, `glide` or `from_index`.
    options : channel, minus, band_hz and limit_thd_percent as for a measurement; the rest is not used.
    source_volts : rms volts that the source puts out for 0 dBFS [V], above 0; for the gain only.

    Returns
    -------
    OnsetResult
        onset_dbfs [dBFS] and onset_volts [V rms] where THD reaches the limit, rail_volts [V peak],
        small_signal_gain_db [dB], and every step; None where nothing clips or the recording does not tell.

    Raises
    ------
    GainkitError
        When the recording does not hold the plan (`no_staircase`, `no_glide`, `glide_pace`, `glide_held`,
        `glide_not_staircase`, `steady_not_levels`, `other_steps`, `tone_of_other_track`), is silent
        (`recording_silent`), too short (`too_short_for_levels`), cut at both ends (`ends_not_recorded`) or so
        silent that which step sounded cannot be told (`several_placements`), when no step can be judged
        (`steps_all_unjudged`), or for options out of range.

    Examples
    --------
    A sine in steps of 1 dB from -12 dBFS, cut at 0.75 of full scale, which a sine of -2.5 dBFS reaches:

    >>> import numpy as np
    >>> from gainkit.capture import Capture
    >>> from gainkit.onset import find_onset, staircase
    >>> time = np.arange(13 * 12_000) / 48_000
    >>> level_dbfs = np.floor(time / 0.25) - 12
    >>> tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 997 * time)
    >>> hiss = 1e-5 * np.random.default_rng(1).standard_normal(len(time) + 19_200)
    >>> played = np.concatenate([np.zeros(9_600), np.clip(tone, -0.75, 0.75), np.zeros(9_600)]) + hiss
    >>> result = find_onset(Capture.from_array(played, 48_000), staircase(-12, 0, 1, 0.25))
    >>> print(f"{result.onset_dbfs:z.1f} dBFS, {result.rail_volts:.2f} V")
    -2.2 dBFS, 0.75 V
    """
    asked = options or MeasureOptions()
    refuse_outside("source_volts", source_volts, VOLTS)
    choice = ChannelChoice(asked.channel, asked.minus)
    frequency_hz, clock = _tone(capture, plan, choice, asked.band_hz)
    hum = hum_of(capture, choice, frequency_hz)
    envelope = follow(capture, choice, frequency_hz, hum.taken_out if hum.lines else None)
    with _in_file(capture.file):
        plan = _with_markers(plan, envelope, frequency_hz, clock)
        alignment = align(envelope, plan, clock)
        quiet = silences(envelope, plan, alignment)
        refuse_moving_steps(envelope, windows(plan, frequency_hz), alignment, quiet)
    step_options = _step_options(choice, asked, frequency_hz)
    fits = believed(fit_steps(capture, plan, alignment, step_options, quiet, hum))
    with _in_file(capture.file):
        usable = _judged_by_level(fits)
        held = held_from(usable, asked.limit_thd_percent)
        refuse_other_steps(usable if held is None else usable[: held + 1], asked.limit_thd_percent)
    turned = gain_change(envelope, plan, alignment, fits, asked.limit_thd_percent)
    if turned is not None:
        usable = _judged_by_level(fits[turned.index :])  # the setting that stayed
    gain_of = source_volts if capture.calibrated else None
    kept = held_without_harmonics(usable, asked.limit_thd_percent)
    crossing = not_later(find_crossing(usable, asked.limit_thd_percent), kept)
    within_db = onset_uncertainty_db(usable, crossing, kept, asked.limit_thd_percent)
    if asked.minus is None and turned is None and not plan.glide:
        parts = windows(plan, frequency_hz)
        heard = [(alignment.recorded(p.start_seconds), alignment.recorded(p.stop_seconds)) for p in parts]
        curve = by_curve(capture, heard, fits, asked.channel, asked.limit_thd_percent)
        if curve is not None and curve.nearer_than(crossing, within_db):
            crossing, within_db, kept, held = curve.crossing, curve.within_db, None, None
    notes = (
        *capture.notes,
        *silence_notes(quiet, plan, alignment, usable[0]),
        *gain_notes(turned),
        *held_notes(kept, crossing, None if held is None else usable[held]),
        *step_notes(fits, usable, crossing, asked.limit_thd_percent, unknown=kept is not None),
        *clock_notes(plan, alignment, usable),
    )
    steps = tuple(_step_result(fit, usable, crossing, asked.limit_thd_percent, gain_of) for fit in fits)
    return OnsetResult(
        found=crossing is not None,
        limit_thd_percent=asked.limit_thd_percent,
        onset_dbfs=None if crossing is None else crossing.level_dbfs,
        onset_volts=None if crossing is None else crossing.rms_volts,
        small_signal_gain_db=_small_signal_gain(steps if turned is None else steps[turned.index :], crossing),
        rail_volts=_rail(usable, crossing, asked.limit_thd_percent),
        steps=steps,
        notes=notes,
        onset_uncertainty_db=within_db,
    )


@contextlib.contextmanager
def _in_file(file: str) -> Iterator[None]:
    """Faults that are met within name the file."""
    try:
        yield
    except GainkitError as fault:
        raise fault.within("file", file) from None


def _tone(
    capture: Capture, plan: LevelPlan, choice: ChannelChoice, band_hz: tuple[float, float]
) -> tuple[float, float | None]:
    """The tone's frequency in the recording [Hz], and recorded per true second where the plan tells it [-]."""
    heard = loudest_tone(capture, choice, band_hz)
    if plan.frequency_hz is None:
        return heard, None
    ratio = heard / plan.frequency_hz
    if abs(ratio - 1) > OTHER_TRACK:
        fault = GainkitError("tone_of_other_track", heard_hz=heard, track_hz=plan.frequency_hz)
        raise fault.within("file", capture.file)
    return heard, 1 / ratio


def _with_markers(plan: LevelPlan, envelope: Envelope, frequency_hz: float, clock: float | None) -> LevelPlan:
    """The plan with the markers of gainkit's own track where they are heard; as it is where not."""
    if plan.frequency_hz is not None or plan.markers:
        return plan
    own = own_track(plan, frequency_hz)
    return own if own is not None and by_markers(envelope, own, clock) is not None else plan


def _step_options(choice: ChannelChoice, asked: MeasureOptions, frequency_hz: float) -> StepOptions:
    low_hz, high_hz = asked.band_hz
    high_hz *= 1 + CLOCK_TOLERANCE  # no harmonic falls out of the band by the clock alone
    return StepOptions(choice, (low_hz, high_hz), asked.limit_thd_percent, frequency_hz)


def _judged_by_level(fits: Sequence[StepFit]) -> list[StepFit]:
    """The steps that were judged, by rising level. Raises GainkitError when there is none."""
    usable = sorted((fit for fit in fits if fit.judged), key=lambda fit: fit.level_dbfs)
    if not usable:
        raise GainkitError("steps_all_unjudged", why=fits[0].unjudged)
    return usable


def _step_result(
    fit: StepFit,
    usable: Sequence[StepFit],
    crossing: Crossing | None,
    limit_thd_percent: float,
    source_volts: float | None,
) -> StepResult:
    """source_volts : for 0 dBFS, None without calibration [V]."""
    gain = None
    if source_volts is not None and fit.judged and fit.rms_volts:
        gain = db_from_ratio(fit.rms_volts / source_volts) - fit.level_dbfs
    return StepResult(
        level_dbfs=fit.level_dbfs,
        rms_volts=fit.rms_volts,
        thd_percent=fit.thd_percent if fit.judged else None,
        thd_floor_percent=fit.thd_floor_percent if fit.judged else None,
        gain_db=gain,
        state=_state_of(fit, usable, crossing, limit_thd_percent),
    )


def _state_of(
    fit: StepFit, usable: Sequence[StepFit], crossing: Crossing | None, limit_thd_percent: float
) -> StepState | None:
    """What a step's wave is called, beside the others: a knee's foot is clipped where its rail is met later on,
    and else distorted; what a filter has smoothed is what it was before it."""
    if crossing is not None and crossing.filtered and fit.judged and fit.level_dbfs >= crossing.level_dbfs:
        return "clipped"
    if fit.state == "clipped":
        return "clipped" if fit.rail_met or not by_bend(fit, usable) else "distorted"
    return "distorted" if fit.state == "clean" and fit.over(limit_thd_percent) else fit.state


def small_signals(steps: Sequence[StepResult], top_dbfs: float) -> list[StepResult]:
    """The steps up to a level that tell the gain: clean ones, or where none is clean those that are distorted
    at no rail."""
    for state in ("clean", "distorted"):
        if told := [step for step in steps if step.state == state and step.level_dbfs <= top_dbfs]:
            return told
    return []


def _small_signal_gain(steps: Sequence[StepResult], crossing: Crossing | None) -> float | None:
    top = math.inf if crossing is None else crossing.level_dbfs - SMALL_SIGNAL_DB
    gains = [step.gain_db for step in small_signals(steps, top) if step.gain_db is not None]
    return float(np.median(gains)) if gains else None


def _rail(usable: Sequence[StepFit], crossing: Crossing | None, limit_thd_percent: float) -> float | None:
    """The rail that is met first [V peak], at the onset; without one, at the loudest step that shows it, if it
    is not the source's own. Behind a filter it is told no farther out than any wave that comes through."""
    rail_volts = _rail_before_filters(usable, crossing, limit_thd_percent)
    if rail_volts is None or not any(fit.rails is not None and fit.rails.behind for fit in usable):
        return rail_volts
    return min(rail_volts, max(max(fit.crests) for fit in usable))


def _rail_before_filters(
    usable: Sequence[StepFit], crossing: Crossing | None, limit_thd_percent: float
) -> float | None:
    if crossing is not None and crossing.rail_volts is not None:
        return crossing.rail_volts
    if crossing is not None:
        if not crossing.by_shape or by_bend(crossing.at, usable):
            return None
        shown = crossing.at if crossing.at.rail_met else first_rail(usable) or crossing.at
        return None if shown.rails is None else nearer_rail(shown.rails) * ratio_from_db(crossing.rail_up_db)
    if source_of(usable, limit_thd_percent) is not None:
        return None
    touched = [
        fit.rails for fit in usable if fit.rails is not None and (fit.state == "at-onset" or fit.rail_met)
    ]
    return nearer_rail(touched[-1]) if touched else None
