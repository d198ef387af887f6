"""Which way round loudspeakers are, which plays where and how loud each is, from files or open captures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from gainkit import matching, polarity, routing
from gainkit.kinds import checked
from gainkit.matching import MatchOptions, MatchResult
from gainkit.polarity import PolarityPair, PolarityResult
from gainkit.routing import RoutingResult
from gainkit.verbs.inputs import (
    READING,
    Source,
    opened,
    refuse_unknown,
)

MATCHING = tuple(MatchOptions.__dataclass_fields__)
"""Options of level matching: the fields of `MatchOptions`."""


def find_polarity(
    capture: Source,
    *,
    channel: int = 1,
    band: str | None = None,
    drive: Source | None = None,
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
    refuse_unknown(options, ("channel", "band", "drive", "invert_microphone"))
    captures = [opened(each, {}) for each in (first, second)]
    results = [checked(find_polarity)(each, **options) for each in captures]
    names = [each.file for each in captures]
    return polarity.compare_polarity(results, names, captures=captures, channel=options.get("channel", 1))


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
