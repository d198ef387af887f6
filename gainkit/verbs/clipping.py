"""Where a chain begins to clip, and how far the source may be turned, from files or open captures."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gainkit import analysis, onset, volume
from gainkit.analysis.thresholds import LIMIT_THD_PERCENT
from gainkit.onset import LevelPlan, OnsetComparison, OnsetResult
from gainkit.verbs.inputs import (
    CHOOSING,
    MEASURING,
    READING,
    Source,
    measure_options,
    opened,
    refuse_unknown,
)
from gainkit.volume import VolumeResult


def find_onset(
    capture: Source,
    plan: LevelPlan | None = None,
    *,
    index: Path | str | None = None,
    track: str | None = None,
    source_volts: float = 1.0,
    **options: Any,
) -> OnsetResult:
    """Find the tone level at which a chain begins to clip, from one recording of a staircase or a glide.

    Parameters
    ----------
    capture : Capture, str or Path
        The recording, from before the track's start to after its end.
    plan : LevelPlan, optional
        What was played: `gainkit.staircase(...)` or `gainkit.glide(...)`; the staircase of the tone sets, -20
        to 0 dBFS in steps of 1 dB and 1 s, where neither this nor an index is given.
    index, track : str or Path, str, optional
        The index.json beside the track that was played, and the track's file name in it.
    source_volts : float
        What the source delivers for 0 dBFS [V rms]; for the gain only.
    **options
        `full_scale_volts` [V peak] or `calibration`, `interval_seconds` [s]; `channel`, `minus`, `band_hz`
        [Hz], `limit_thd_percent` [%].

    Returns
    -------
    OnsetResult
        `onset_dbfs` [dBFS] and `onset_volts` [V rms] where THD reaches the limit, `rail_volts` [V peak],
        `small_signal_gain_db` [dB] and one entry for each step; None where it is not found.

    Raises
    ------
    GainkitError
        When the recording does not hold the plan, is cut at both ends, or no step can be judged; for options
        out of range or unknown.

    References
    ----------
    THD as in `gainkit.measure`; the onset of a held sine from its Fourier series.

    Examples
    --------
    >>> import gainkit
    >>> import numpy
    >>> steps = [gainkit.simulate(level_dbfs=dbfs, source_volts=1.5, seconds=0.3) for dbfs in range(-6, 1)]
    >>> volts = numpy.concatenate([step.volts() for step in steps])
    >>> recording = gainkit.Capture.from_array(volts, 48000)
    >>> found = gainkit.find_onset(recording, gainkit.staircase(-6, 0, 1, 0.3))
    >>> round(found.onset_volts, 1), round(found.rail_volts, 1)
    (20.3, 28.0)
    """
    refuse_unknown(options, (*READING, *CHOOSING))
    if index is not None:
        plan = onset.from_index(Path(index), track)
    played = onset.staircase(-20.0, 0.0, 1.0, 1.0) if plan is None else plan
    return onset.find_onset(
        opened(capture, options), played, measure_options(options, CHOOSING), source_volts=source_volts
    )


def compare_onsets(
    capture: Source,
    other: Source,
    plan: LevelPlan | None = None,
    *,
    index: Path | str | None = None,
    track: str | None = None,
    **options: Any,
) -> OnsetComparison:
    """Tell whether clipping lies before or after a gain control, from two staircases at two of its settings.

    Parameters
    ----------
    capture, other : Capture, str or Path
        The recordings, 3 dB of gain or more apart, the recorder's own input left alone between them.
    plan, index, track, **options
        As for `gainkit.find_onset`.

    Returns
    -------
    OnsetComparison
        `where` ("before", "after", "both", "nowhere", "unknown"), `gain_change_db`, `onset_change_db` [dB],
        `before_dbfs` [dBFS], `after_volts` [V rms], `best_gain_db` [dB]; None for what was not met.

    Raises
    ------
    GainkitError
        As `gainkit.find_onset`.

    References
    ----------
    Gains in a row: what clips behind a control clips at one output, what clips before it at one input.

    Examples
    --------
    >>> import gainkit
    >>> import numpy
    >>> def staircase_at(gain_db):
    ...     amplifier = gainkit.Amplifier(gain_db=gain_db)
    ...     steps = [gainkit.simulate(amplifier, level_dbfs=dbfs, seconds=0.3) for dbfs in range(-12, 1)]
    ...     return gainkit.Capture.from_array(numpy.concatenate([step.volts() for step in steps]), 48000)
    >>> plan = gainkit.staircase(-12, 0, 1, 0.3)
    >>> gainkit.compare_onsets(staircase_at(28.0), staircase_at(33.0), plan).where
    'after'
    """
    one, two = (find_onset(each, plan, index=index, track=track, **options) for each in (capture, other))
    return onset.compare_onsets(one, two)


def find_clean_volume(
    captures: Mapping[str | float, Source],
    *,
    tone_dbfs: float = 0.0,
    tone_check: tuple[Source, Source] | None = None,
    **options: Any,
) -> VolumeResult:
    """Find the source's highest clean volume position, from one capture for each position.

    Parameters
    ----------
    captures : mapping of position to Capture, str or Path
        The same tone at each position of the volume control.
    tone_dbfs : float
        Level of the tone that was played [dBFS].
    tone_check : two of Capture, str or Path, optional
        Captures of a low and a high tone of one level: they tell a tone control that is not flat.
    **options
        As for `gainkit.measure`, without `target_volts` and `load_ohms`.

    Returns
    -------
    VolumeResult
        `highest_clean_position`, `source_volts` for 0 dBFS there [V rms], and a row for each position.

    Raises
    ------
    GainkitError
        For a file without a capture, and for options out of range or unknown.

    References
    ----------
    Common practice, no source: the highest position below the first that is not clean.

    Examples
    --------
    >>> import gainkit
    >>> radio = gainkit.Amplifier(gain_db=0.0, positive_rail_volts=6.0)
    >>> volts = {30: 3.0, 31: 4.0, 32: 5.0}
    >>> tones = {at: gainkit.simulate(radio, source_volts=volts[at], seconds=0.3) for at in volts}
    >>> found = gainkit.find_clean_volume(tones)
    >>> found.highest_clean_position, round(found.source_volts, 2)
    (31, 4.0)
    """
    known = (*READING, *(name for name in MEASURING if name not in ("target_volts", "load_ohms")))
    refuse_unknown(options, known)
    asked = measure_options(options)
    sources = [*captures.values(), *(tone_check or ())]
    tones = [analysis.measure(opened(source, options), asked) for source in sources]
    measured = [(str(position), tone) for position, tone in zip(captures, tones, strict=False)]
    return volume.find_clean_volume(
        measured,
        tone_dbfs=tone_dbfs,
        limit_thd_percent=options.get("limit_thd_percent", LIMIT_THD_PERCENT),
        tone_check=None if tone_check is None else (tones[-2], tones[-1]),
    )
