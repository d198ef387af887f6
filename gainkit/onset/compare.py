"""`compare_onsets`: two staircases at two settings of the gain control tell which side of it clips first.

What clips behind the control (the output stage, its supply) clips at one output voltage: turned up by so many
dB it clips that many dB earlier. What clips before it (the source, a line driver, the input stage) clips at one
level of the track, wherever the control stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from gainkit.levels import db_from_ratio
from gainkit.onset.find import SMALL_SIGNAL_DB, OnsetResult, small_signals
from gainkit.remarks import Remark, fault, gravest_first, remark
from gainkit.results import Result

LEAST_CHANGE_DB = 3.0
"""The settings must lie so far apart [dB] (our choice: four times what an onset is uncertain by)."""

SAME_DB = 0.7
"""Onsets that agree this well are one [dB]: a supply gives way by some tenths more where more current flows."""

Where = Literal["before", "after", "both", "nowhere", "unknown"]


@dataclass(frozen=True)
class ComparedOnset:
    """One setting of the control. gain_db : output over the track's level, small signal [dB re 1 V or full
    scale]. loudest_dbfs : of the judged steps [dBFS]; onset_dbfs, onset_volts : None where nothing clipped up
    to there."""

    gain_db: float | None
    loudest_dbfs: float | None
    onset_dbfs: float | None
    onset_volts: float | None


@dataclass(frozen=True, repr=False)
class OnsetComparison(Result):
    """The answer.

    where : what limits, "before" the gain control, "after" it, "both" (before it at the lower setting, after it
    at the higher one), "nowhere" (nothing clipped), "unknown". lower, higher : the settings by gain.
    gain_change_db, onset_change_db : higher less lower [dB]; None where not known. before_dbfs : level of the
    track at which what lies before the control clips [dBFS]; after_volts : output at which what lies behind it
    clips [V rms, or of full scale]; None where it was not met. best_gain_db : gain at which both clip together;
    more is no louder without clipping [dB]; None unless both are known.
    """

    where: Where
    lower: ComparedOnset
    higher: ComparedOnset
    gain_change_db: float | None
    onset_change_db: float | None
    before_dbfs: float | None
    after_volts: float | None
    best_gain_db: float | None
    notes: tuple[Remark, ...]


def compare_onsets(one: OnsetResult, other: OnsetResult) -> OnsetComparison:
    """Which side of the gain control clips first, from two onsets that differ in its setting alone.

    Both recorded in the same unit: the recorder's own input turned between them would count as gain.
    """
    lower, higher = sorted((_compared(one), _compared(other)), key=lambda each: each.gain_db or 0.0)
    if lower.gain_db is None or higher.gain_db is None:
        return _answer("unknown", lower, higher, (fault("gain_not_seen"),))
    turned = higher.gain_db - lower.gain_db
    if turned < LEAST_CHANGE_DB:
        return _answer("unknown", lower, higher, (fault("gain_hardly_turned", turned_db=turned),))
    where = _where(lower, higher, turned)
    notes = [remark("recorder_left_alone", turned_db=turned)]
    if where in ("before", "both"):
        notes.append(fault("clips_before_control", before_dbfs=lower.onset_dbfs, both=where == "both"))
    if where in ("after", "both"):
        notes.append(remark("clips_after_control", after_volts=higher.onset_volts))
    if where == "unknown":
        notes.append(fault("onsets_fit_neither", turned_db=turned))
    if where == "nowhere":
        notes.append(remark("nothing_clipped"))
    return _answer(where, lower, higher, tuple(notes))


def _where(lower: ComparedOnset, higher: ComparedOnset, turned_db: float) -> Where:
    if higher.onset_dbfs is None:
        return "nowhere" if lower.onset_dbfs is None else "unknown"
    if lower.onset_dbfs is None:
        # what lies before the control took the loudest step at the lower setting: it is not what clips earlier
        heard = lower.loudest_dbfs is not None and lower.loudest_dbfs > higher.onset_dbfs + SAME_DB
        return "after" if heard else "unknown"
    later = lower.onset_dbfs - higher.onset_dbfs
    if abs(later - turned_db) <= SAME_DB:
        return "after"
    if abs(later) <= SAME_DB:
        return "before"
    return "both" if 0.0 < later < turned_db else "unknown"


def _compared(result: OnsetResult) -> ComparedOnset:
    """What counts of one staircase."""
    judged = [step for step in result.steps if step.rms_volts and step.state is not None]
    top = np.inf if result.onset_dbfs is None else result.onset_dbfs - SMALL_SIGNAL_DB
    gains = [
        db_from_ratio(step.rms_volts) - step.level_dbfs for step in small_signals(judged, top) if step.rms_volts
    ]
    return ComparedOnset(
        gain_db=float(np.median(gains)) if gains else None,
        loudest_dbfs=max((step.level_dbfs for step in judged), default=None),
        onset_dbfs=result.onset_dbfs,
        onset_volts=result.onset_volts,
    )


def _answer(
    where: Where, lower: ComparedOnset, higher: ComparedOnset, notes: tuple[Remark, ...]
) -> OnsetComparison:
    known = lower.gain_db is not None and higher.gain_db is not None
    onsets = lower.onset_dbfs is not None and higher.onset_dbfs is not None
    before = lower.onset_dbfs if where in ("before", "both") else None
    after = higher.onset_volts if where in ("after", "both") else None
    best = db_from_ratio(after) - before if before is not None and after is not None else None
    return OnsetComparison(
        where=where,
        lower=lower,
        higher=higher,
        gain_change_db=(higher.gain_db or 0.0) - (lower.gain_db or 0.0) if known else None,
        onset_change_db=(higher.onset_dbfs or 0.0) - (lower.onset_dbfs or 0.0) if onsets else None,
        before_dbfs=before,
        after_volts=after,
        best_gain_db=best,
        notes=gravest_first(notes),
    )
