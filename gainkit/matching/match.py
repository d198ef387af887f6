"""Levels of band-limited noise, captures side by side: totals, bands and trims."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.bands import HIGHEST_OF_RATE, a_gains, bands
from gainkit.calculator.ranges import refuse_faults
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import power_db_from_ratio
from gainkit.matching.edges import ends_at, track_edges
from gainkit.matching.model import BandLevel, MatchedCapture, MatchResult, Weighting
from gainkit.matching.power import PowerDensity, power_density
from gainkit.matching.sameness import same_recording
from gainkit.matching.source import coherence_with
from gainkit.remarks import Remark, all_within, fault, remark

Floats = NDArray[np.float64]

AUDIO_BAND_HZ = (20.0, 20_000.0)
"""Band of the Z- and A-weighted totals [Hz]."""

MOST_TRIM_DB = 20.0
"""A capture this far below the loudest holds no played noise, or hardly any [dB] (our choice: loudspeakers set
by ear lie closer, and a cabin at rest lies lower)."""

LEAST_BINS = 4.0
"""A band narrower than so many bins of the periodogram is not told [-]."""


FAR_DB, FAR_UNPROVEN_DB = 12.0, 6.5
"""Captures further apart than this are told: a dead loudspeaker leaves what its neighbours and the engine make.
The latter where nothing shows that both hold the same noise (our choice: ears set them closer) [dB]."""

MOST_BACKGROUND_DB = 17.0
"""A track that far below everything that is heard is not heard: a coherence of 2 % [dB]."""

NAMED_BACKGROUND_DB = 0.3
"""Background that adds less is not worth a word [dB]."""


ANY_COMMON, LEAST_COMMON, USUAL_COMMON = 0.03, 0.22, 0.5
"""Of their power two recordings of one track have so much in the same thirds of an octave whatever plays it; so
much at least unless its end shows that one's track is another; and so much as a rule [-], where they share no
noise that would prove it (our choice: pink noise of two octaves has 0.2 in common with ten, of five octaves
half; a small loudspeaker behind 48 dB an octave from 400 Hz on 0.07 with one whose bass is raised by 15 dB)."""

LEAST_BEYOND, BEYOND_DB = 0.02, 18.0
"""A track that ends is told from one that goes on where the latter has so much of its power beyond [-], and so
much more there than the one that ends [dB]: that one shows what the surroundings make (120 pairs of one track
had 17 dB at most)."""

MIDDLE_HZ, MIDDLE_DB = (450.0, 9000.0), 15.0
"""Where both end with the full track: in these thirds of an octave its loudspeakers differ by less than so much
[dB], and the treble track, which ends with it, has no power in half of them."""

FULL_HZ = 17_000.0
"""An end below is that of one of our tracks alone [Hz]."""

NAMED_UNLIKE_DB = 0.6
"""... and between two recordings, each with its own clock and room, a little more [dB]."""


@dataclass(frozen=True)
class MatchOptions:
    """channel, minus : as for a measurement. third_octave : thirds for octaves. band_hz : of the total, from
    low to high [Hz]."""

    channel: int = 1
    minus: int | None = None
    third_octave: bool = False
    weighting: Weighting = "Z"
    band_hz: tuple[float, float] = AUDIO_BAND_HZ

    def faults(self) -> Iterator[GainkitError]:
        """Rules between fields."""
        low_hz, high_hz = self.band_hz
        if not 0 < low_hz < high_hz < np.inf:
            yield GainkitError("empty_band", "band_hz", self.band_hz, low_hz=low_hz, high_hz=high_hz)

    def __post_init__(self) -> None:
        refuse_faults(self)


def match_levels(
    captures: Sequence[Capture],
    options: MatchOptions | None = None,
    *,
    reference: Capture | None = None,
    played: Capture | None = None,
) -> MatchResult:
    """Compare levels of loudspeakers or channels by noise, and tell the trims that make them alike.

    Parameters
    ----------
    captures : recordings of the same band-limited noise, a second or more each, one per loudspeaker. The same
        microphone place and recorder gain for all is assumed.
    options : channels, bands and weighting.
    reference : match to this one; None: to the first.
    played : the noise track itself, where it is at hand: only what is coherent with it counts then, and engine,
        wind and hiss are told apart from the loudspeaker.

    Returns
    -------
    MatchResult
        For each capture its total and trim [dB] with their 95 % half-widths, and its levels by band.

    Raises
    ------
    GainkitError
        For no captures (`nothing_to_match`), one that is silent (`recording_silent`) or so far below the
        loudest that nothing can have played (`hardly_played`), shorter than a second
        (`noise_too_short`), overloaded (`recorder_clipped`) or empty in the band (`nothing_in_band`), for
        captures calibrated differently (`calibrations_differ`), in which the track is not heard
        (`track_not_heard`) or that hold noise of quite another band (`tracks_differ`), and for a band that
        none holds (`band_above_rate`).

    References
    ----------
    .. [1] IEC 61260-1:2014, octave-band and fractional-octave-band filters.
    .. [2] IEC 61672-1, sound level meters: A-weighting.
    .. [3] P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73.

    Examples
    --------
    The same noise at half the level must come up by 6 dB:

    >>> import numpy as np
    >>> from gainkit.capture import Capture
    >>> from gainkit.matching import match_levels
    >>> noise = 0.1 * np.random.default_rng(1).standard_normal(96_000)
    >>> left, right = (Capture.from_array(gain * noise, 48_000) for gain in (1.0, 0.5))
    >>> [round(each.trim_db, 2) for each in match_levels([left, right]).captures]
    [0.0, 6.02]
    """
    asked = options or MatchOptions()
    if not captures:
        raise GainkitError("nothing_to_match", "captures", 0)
    master = captures[0] if reference is None else reference
    highest_hz = _highest_hz([*captures, master], asked)
    target = _total(master, asked, highest_hz, played)
    totals = [target if each is master else _total(each, asked, highest_hz, played) for each in captures]
    _refuse_silence([target, *totals])
    if played is None:
        totals = [each if each is target else _beside(each, target, asked) for each in totals]
    _refuse_other_tracks(totals, target, highest_hz)
    rows = [_matched(total, target, asked, highest_hz) for total in totals]
    notes = _notes(totals, target, asked, highest_hz)
    return MatchResult(master.file, tuple(rows), master.calibrated, asked.weighting, tuple(notes))


def cuts_only(result: MatchResult) -> MatchResult:
    """The same match without a positive trim: the quietest stays as it is and the others come down to it.

    For outputs that stand at their target: raised, they would clip before the source does.

    >>> import numpy as np
    >>> noise = 0.1 * np.random.default_rng(1).standard_normal(96_000)
    >>> pair = [Capture.from_array(gain * noise, 48_000, file=f"{gain}.wav") for gain in (1.0, 0.5)]
    >>> [round(each.trim_db, 2) for each in cuts_only(match_levels(pair)).captures]
    [-6.02, 0.0]
    """
    quietest = max(result.captures, key=lambda each: each.trim_db)
    if quietest.trim_db <= 0:
        return result
    lowered = tuple(replace(each, trim_db=each.trim_db - quietest.trim_db) for each in result.captures)
    told = remark("cuts_only", quietest=Path(quietest.file).name, lowered_db=quietest.trim_db)
    return replace(result, captures=lowered, notes=(told, *result.notes))


@dataclass(frozen=True, eq=False)
class _Total:
    """A capture's power density, its total in the band [dB], and that one's relative deviation [-].

    background_db : all that was heard over what is the track's [dB]; None where the track is not at hand.
    unlike_db : what is not coherent with the reference, of both, where both hold the same noise [dB]. proven :
    both do, or the track is at hand.
    """

    capture: Capture
    power: PowerDensity
    level_db: float
    deviation: float
    background_db: float | None = None
    unlike_db: float = 0.0
    proven: bool = True

    @property
    def doubt_db(self) -> float:
        """By how much a level that moved, or that background adds to, may be wrong [dB]."""
        moved_db = 0.0 if self.power.move is None else abs(self.power.move.change_db)
        return math.hypot(moved_db, self.unlike_db if self.unlike_db > NAMED_UNLIKE_DB else 0.0)


def _highest_hz(captures: Sequence[Capture], asked: MatchOptions) -> float:
    """Up to where all captures can be compared [Hz]. Raises GainkitError where they cannot."""
    if len({capture.calibrated for capture in captures}) > 1:
        raise GainkitError("calibrations_differ")
    highest_hz = HIGHEST_OF_RATE * min(capture.sample_rate_hz for capture in captures)
    low_hz, high_hz = asked.band_hz
    if low_hz >= highest_hz:
        raise GainkitError("band_above_rate", "band_hz", low_hz=low_hz, high_hz=high_hz, highest_hz=highest_hz)
    return highest_hz


def _total(capture: Capture, asked: MatchOptions, highest_hz: float, played: Capture | None) -> _Total:
    heard = power = power_density(capture, asked.channel, asked.minus)
    if played is not None:
        shared = coherence_with(capture, played, asked.channel, asked.minus, power.part)
        power = replace(heard, density=heard.density * shared.at(heard.step_hz, len(heard.density)))
    gain = a_gains(power.step_hz, len(power.density)) if asked.weighting == "A" else None
    total, deviation = power.band(asked.band_hz[0], min(asked.band_hz[1], highest_hz), gain)
    if total <= 0:
        raise GainkitError("nothing_in_band", "band_hz").within("file", capture.file)
    background_db = None
    if played is not None:
        everything, _ = heard.band(asked.band_hz[0], min(asked.band_hz[1], highest_hz), gain)
        background_db = power_db_from_ratio(everything / total)
        if background_db > MOST_BACKGROUND_DB:
            raise GainkitError("track_not_heard", track=played.file).within("file", capture.file)
    return _Total(capture, power, _level(capture, total), deviation, background_db)


def _beside(own: _Total, target: _Total, asked: MatchOptions) -> _Total:
    """A capture with what of it and of the reference is no common noise; as it is where none is found in
    both."""
    try:
        part = own.power.part
        shared = coherence_with(own.capture, target.capture, asked.channel, asked.minus, part, asked.channel)
    except GainkitError:  # not the same stretch of noise, or too short: nothing is told
        return own if own is target else replace(own, proven=False)
    density = own.power.density
    low, high = (round(edge / own.power.step_hz) for edge in asked.band_hz)
    common = float(np.sum((density * shared.at(own.power.step_hz, len(density)))[low : high + 1]))
    share = common / float(np.sum(density[low : high + 1]))
    return replace(own, unlike_db=-power_db_from_ratio(max(share, 1e-3)))


def _refuse_silence(totals: Sequence[_Total]) -> None:
    """Raise GainkitError where a capture lies so low that nothing can have played."""
    loudest = max(totals, key=lambda each: each.level_db)
    for each in totals:
        below_db = loudest.level_db - each.level_db
        if below_db > MOST_TRIM_DB:
            raise GainkitError(
                "hardly_played", below_db=below_db, loudest=loudest.capture.file, most_db=MOST_TRIM_DB
            ).within("file", each.capture.file)


def _refuse_other_tracks(totals: Sequence[_Total], target: _Total, highest_hz: float) -> None:
    """Raise GainkitError where a capture's power lies in quite other bands than the reference's."""
    for each in totals:
        common = _common_share(each, target, highest_hz)
        other_bands = common < ANY_COMMON and not _ends_alike(each, target, highest_hz)
        if other_bands or (common < LEAST_COMMON and _ends_elsewhere(each, target, highest_hz)):
            raise GainkitError(
                "tracks_differ", reference=target.capture.file, common_percent=100 * common
            ).within("file", each.capture.file)


def _common_share(own: _Total, target: _Total, highest_hz: float) -> float:
    """Of the power, what lies in the same thirds of an octave below a frequency [Hz]; 1 where both share noise,
    which proves it, and for tones, which are told as that [-]."""
    if own is target or own.proven or own.power.single or target.power.single:
        return 1.0
    return float(np.sum(np.minimum(_shares(own, highest_hz), _shares(target, highest_hz))))


def _shares(total: _Total, highest_hz: float) -> Floats:
    """Of the power, in third-octave bands below a frequency [Hz], (bands,) [-]."""
    thirds = [each for each in bands(True) if each.high_hz <= highest_hz]
    powers = np.array([total.power.band(each.low_hz, each.high_hz)[0] for each in thirds])
    return np.asarray(powers / max(float(powers.sum()), 1e-300))


def _matched(own: _Total, target: _Total, asked: MatchOptions, highest_hz: float) -> MatchedCapture:
    """One capture beside the reference."""
    capture, power = own.capture, own.power
    top_hz = min(AUDIO_BAND_HZ[1], highest_hz)
    whole = power.band(AUDIO_BAND_HZ[0], top_hz)[0]
    weighted = power.band(AUDIO_BAND_HZ[0], top_hz, a_gains(power.step_hz, len(power.density)))[0]
    both = math.hypot(_in_db(own.deviation), _in_db(target.deviation), own.doubt_db, target.doubt_db)
    return MatchedCapture(
        file=capture.file,
        level_db=own.level_db,
        trim_db=target.level_db - own.level_db,
        uncertainty_db=math.hypot(_in_db(own.deviation), own.doubt_db),
        trim_uncertainty_db=None if own is target else both,
        z_weighted_db=_level(capture, whole),
        a_weighted_db=_level(capture, weighted),
        seconds=power.seconds,
        bands=tuple(_band_levels(capture, power, asked.third_octave)),
    )


def _notes(totals: Sequence[_Total], target: _Total, asked: MatchOptions, highest_hz: float) -> list[Remark]:
    master = target.capture
    notes = [remark("same_place_assumed")]
    if target.background_db is None:
        notes.append(remark("background_counts"))
    if highest_hz < asked.band_hz[1]:
        notes.append(remark("total_cut_short", highest_hz=highest_hz))
    for one, other in itertools.combinations(dict.fromkeys((*totals, target)), 2):
        parts = one.power.part, other.power.part
        if one.capture.same_samples(other.capture, channel=asked.channel) or same_recording(
            one.capture, other.capture, parts, asked.channel, asked.minus
        ):
            notes.append(
                fault("same_recording", first=Path(one.capture.file).name, second=Path(other.capture.file).name)
            )
    for each in dict.fromkeys((*totals, target)):
        own = [*each.capture.notes, *each.power.notes, *_ends_elsewhere(each, target, highest_hz)]
        if each.power.single:
            own.append(fault("tone_not_noise"))
        if (move := each.power.move) is not None:
            own.append(fault("level_moved", change_db=move.change_db, at_seconds=move.at_seconds))
        if each.background_db is not None and each.background_db > NAMED_BACKGROUND_DB:
            own.append(remark("background_left_out", background_db=each.background_db))
        if _common_share(each, target, highest_hz) < USUAL_COMMON and not _ends_alike(each, target, highest_hz):
            own.append(fault("perhaps_other_track"))
        if each.unlike_db > NAMED_UNLIKE_DB:
            own.append(fault("background_within", unlike_db=each.unlike_db))
        if abs(each.level_db - target.level_db) > (FAR_DB if each.proven else FAR_UNPROVEN_DB):
            own.append(fault("far_apart", under_db=target.level_db - each.level_db))
        notes += all_within(own, "file", each.capture.file)
    if not master.calibrated:
        notes.append(remark("levels_relative"))
    return notes


def _ends_elsewhere(own: _Total, target: _Total, highest_hz: float) -> list[Remark]:
    """That one's track ends where the other's goes on. A track may be a part of another: common noise proves
    nothing against it."""
    if own is target or own.background_db is not None or own.power.single or target.power.single:
        return []
    for one, other in ((own, target), (target, own)):
        for edge in track_edges(one.power, highest_hz):
            span_hz = (edge.hertz, highest_hz) if edge.above else (AUDIO_BAND_HZ[0], edge.hertz)
            whole, beyond = (other.power.band(*hz)[0] for hz in ((AUDIO_BAND_HZ[0], highest_hz), span_hz))
            around = one.power.band(*span_hz)[0] * 10 ** (BEYOND_DB / 10)
            if beyond > max(LEAST_BEYOND * whole, around) and not ends_at(other.power, edge):
                names = {"ends": Path(one.capture.file).name, "goes_on": Path(other.capture.file).name}
                return [fault("track_ends", edge_hz=edge.hertz, above=edge.above, **names)]
    return []


def _ends_alike(own: _Total, target: _Total, highest_hz: float) -> bool:
    """Whether an end that both have shows that one track was playing, however unlike the loudspeakers."""
    own_ends, ends = (track_edges(each.power, highest_hz) for each in (own, target))
    both = [each for each in own_ends if each in ends]
    if any(each.hertz < FULL_HZ for each in both):
        return True
    thirds = [each for each in bands(True) if MIDDLE_HZ[0] < each.low_hz and each.high_hz < MIDDLE_HZ[1]]
    own_db, db = (
        np.array([_level(each.capture, each.power.band(third.low_hz, third.high_hz)[0]) for third in thirds])
        for each in (own, target)
    )
    return bool(both) and float(np.ptp(own_db - db)) < MIDDLE_DB


def _band_levels(capture: Capture, power: PowerDensity, third_octave: bool) -> list[BandLevel]:
    levels = []
    for band in bands(third_octave):
        if (
            band.high_hz > HIGHEST_OF_RATE * capture.sample_rate_hz
            or band.high_hz - band.low_hz < LEAST_BINS * power.step_hz
        ):
            continue
        total, deviation = power.band(band.low_hz, band.high_hz)
        levels.append(BandLevel(band.center_hz, _level(capture, total), _in_db(deviation)))
    return levels


def _in_db(deviation: float) -> float:
    """95 % half-width [dB] of a relative standard deviation of power: twice its slope on the dB scale."""
    return float(2 * 10 / np.log(10) * deviation)


def _level(capture: Capture, power: float) -> float:
    reference = 1.0 if capture.calibrated else 0.5
    return power_db_from_ratio(max(power, 1e-30) / reference)
