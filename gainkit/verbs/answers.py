"""Answers that need more than one steady tone, from files or open captures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from gainkit import analysis, matching, noise, onset, polarity, routing, volume
from gainkit.analysis.thresholds import LIMIT_THD_PERCENT
from gainkit.kinds import checked
from gainkit.matching import MatchOptions, MatchResult
from gainkit.noise import NoiseResult
from gainkit.onset import LevelPlan, OnsetComparison, OnsetResult
from gainkit.polarity import PolarityPair, PolarityResult
from gainkit.routing import RoutingResult
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

MATCHING = tuple(MatchOptions.__dataclass_fields__)
"""Options of level matching: the fields of `MatchOptions`."""

LISTENING = ("target_volts", "band_hz", "channel", "minus")
"""Options of the search for noise."""


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


def find_polarity(
    capture: Source,
    *,
    channel: int = 1,
    band: str | None = None,
    drive: Source | None = None,
    chirps: bool = False,
    invert_microphone: bool = False,
) -> PolarityResult:
    """Tell which way round a loudspeaker is wired, from a microphone's recording of pulses or of chirps.

    Parameters
    ----------
    capture : Capture, str or Path
        Three seconds of the track or more, the microphone a hand's width from the cone.
    channel : int
        Of the recording, counted from 1.
    band : str, optional
        "bass", "midrange" or "treble": the train that was played; the one that shows most clearly otherwise.
    drive : Capture, str or Path, optional
        Another signal that was played in place of the pulses.
    chirps : bool
        The chirps track was played, not the pulses.
    invert_microphone : bool
        The recorder turns the sign around.

    Returns
    -------
    PolarityResult
        `polarity` is "positive", "negative" or "undecided", with a confidence from 0 to 1.

    Raises
    ------
    GainkitError
        For a recording that is too short, silent or of too low a rate, and for an unknown band.

    References
    ----------
    The first swing of a causal answer has the sign of a one-sided drive: closed form.

    Examples
    --------
    >>> import gainkit, tempfile, pathlib
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     track = pathlib.Path(folder) / "pulses.wav"
    ...     written = gainkit.write_tone("pulses", track, band="midrange", seconds=4.0)
    ...     gainkit.find_polarity(track).polarity  # the track itself: a wire in the loudspeaker's place
    'positive'
    """
    heard = None if drive is None else opened(drive, {})
    return polarity.find_polarity(
        opened(capture, {}),
        channel=channel,
        band=band,
        drive=heard,
        chirps=chirps,
        invert_microphone=invert_microphone,
    )


def compare_polarity(first: Source, second: Source, **options: Any) -> PolarityPair:
    """Tell whether two loudspeakers are wired alike, from recordings by the same recorder.

    Parameters
    ----------
    first, second : Capture, str or Path
        One recording of the pulses for each loudspeaker.
    **options
        As for `gainkit.find_polarity`.

    Returns
    -------
    PolarityPair
        `relation` is "same", "opposite" or "undecided", with a confidence from 0 to 1.

    Raises
    ------
    GainkitError
        As `gainkit.find_polarity`.

    References
    ----------
    As for `gainkit.find_polarity`: the recorder's own sign cancels.

    Examples
    --------
    >>> import gainkit, tempfile, pathlib
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     track = pathlib.Path(folder) / "pulses.wav"
    ...     written = gainkit.write_tone("pulses", track, band="midrange", seconds=4.0)
    ...     gainkit.compare_polarity(track, track).relation
    'same'
    """
    refuse_unknown(options, ("channel", "band", "drive", "chirps", "invert_microphone"))
    captures = [opened(each, {}) for each in (first, second)]
    results = [checked(find_polarity)(each, **options) for each in captures]
    beside = () if options.get("drive") is not None or options.get("chirps") else captures
    names = [each.file for each in captures]
    return polarity.compare_polarity(results, names, captures=beside, channel=options.get("channel", 1))


def check_routing(
    capture: Source, *, microphone: bool | None = None, pitch_hz: float = routing.PITCH_HZ
) -> RoutingResult:
    """Tell which channel plays where, from a recording of counted beeps.

    Parameters
    ----------
    capture : Capture, str or Path
        By one microphone, or of several line channels at once.
    microphone : bool, optional
        Whether it was one microphone; by the number of channels when left out.
    pitch_hz : float
        Pitch of the beeps [Hz].

    Returns
    -------
    RoutingResult
        `ok`, what was heard of each channel with its start [s], and what is wrong.

    Raises
    ------
    GainkitError
        For a recording without beeps, or of too low a rate for their pitch.

    References
    ----------
    None: the tones count themselves.

    Examples
    --------
    >>> import gainkit, tempfile, pathlib
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     track = pathlib.Path(folder) / "beeps.wav"
    ...     written = gainkit.write_tone("beeps", track)
    ...     gainkit.check_routing(track).ok
    True
    """
    return routing.check_routing(opened(capture, {}), microphone=microphone, pitch_hz=pitch_hz)


def match_levels(
    captures: Sequence[Source], *, reference: Source | None = None, played: Source | None = None, **options: Any
) -> MatchResult:
    """Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike.

    Parameters
    ----------
    captures : sequence of Capture, str or Path
        Recordings of the same band-limited noise, one for each loudspeaker or pair.
    reference : Capture, str or Path, optional
        What they are matched to; the first of them when left out.
    played : Capture, str or Path, optional
        The noise track itself: engine and wind are then told apart from the loudspeaker.
    **options
        How files are read, as for `gainkit.measure`; `channel`, `minus`, `third_octave`, `weighting` ("Z" or
        "A"), `band_hz` (low, high) [Hz].

    Returns
    -------
    MatchResult
        For each capture `level_db`, `trim_db` with its uncertainty [dB], and (bands,) levels [dB].

    Raises
    ------
    GainkitError
        For fewer captures than two, for silent ones, and for options out of range or unknown.

    References
    ----------
    Octave and third-octave bands after IEC 61260-1; A-weighting after IEC 61672-1.

    Examples
    --------
    >>> import gainkit, numpy
    >>> noise = numpy.random.default_rng(1).normal(0.0, 0.1, 5 * 48000)
    >>> loud = gainkit.Capture.from_array(noise, 48000, file="left")
    >>> soft = gainkit.Capture.from_array(noise / 2, 48000, file="right")
    >>> found = gainkit.match_levels([loud, soft])
    >>> [round(each.trim_db, 2) + 0.0 for each in found.captures]
    [0.0, 6.02]
    """
    refuse_unknown(options, (*READING, *MATCHING))
    asked = MatchOptions(**{name: value for name, value in options.items() if name in MATCHING})
    other = None if reference is None else opened(reference, options)
    track = None if played is None else opened(played, {})
    given = [captures] if isinstance(captures, Source) else captures
    heard = [opened(each, options) for each in given]
    return matching.match_levels(heard, asked, reference=other, played=track)


def find_noise(
    capture: Source, *, against: Source | None = None, recorder: Source | None = None, **options: Any
) -> NoiseResult:
    """Tell hum, whine and hiss at an output while silence plays.

    Parameters
    ----------
    capture : Capture, str or Path
        The output while the silence track plays, or nothing does.
    against : Capture, str or Path, optional
        The same place with the engine off, at another speed, or with the source unplugged.
    recorder : Capture, str or Path, optional
        The recorder alone, its input shorted: tells what is its own.
    **options
        How files are read, as for `gainkit.measure`; `target_volts` [V rms], `band_hz` (low, high) [Hz],
        `channel`, `minus`.

    Returns
    -------
    NoiseResult
        `rms_volts`, `a_weighted_volts`, `hiss_volts` [V rms], families of lines with their fundamentals [Hz],
        and a verdict: "quiet", "hum", "whine", "hiss" or "not known".

    Raises
    ------
    GainkitError
        For captures shorter than a second, of which some are calibrated and some are not, and for options out
        of range or unknown.

    References
    ----------
    A-weighting after IEC 61672-1.

    Examples
    --------
    >>> import gainkit, numpy
    >>> time = numpy.arange(3 * 48000) / 48000
    >>> hiss = numpy.random.default_rng(1).normal(0.0, 1e-4, len(time))
    >>> hum = sum(0.02 / order * numpy.sin(2 * numpy.pi * 50 * order * time) for order in (1, 2, 3))
    >>> gainkit.find_noise(gainkit.Capture.from_array(hum + hiss, 48000)).verdict
    'hum'
    """
    refuse_unknown(options, (*READING, *LISTENING))
    asked = {name: value for name, value in options.items() if name in LISTENING}
    return checked(noise.find_noise)(
        opened(capture, options),
        against=None if against is None else opened(against, options),
        recorder=None if recorder is None else opened(recorder, options),
        **asked,
    )
