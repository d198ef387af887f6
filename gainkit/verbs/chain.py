"""What a chain does to the sweep and to silence, from files or open captures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gainkit import noise, response
from gainkit.kinds import checked
from gainkit.noise import NoiseResult
from gainkit.response import Response, Sweep
from gainkit.verbs.inputs import READING, Source, opened, refuse_unknown

SWEEPING = ("smooth_octaves", "channel", "minus", "mark_channel", "crossover_hz")
"""Options of reading a sweep."""

LISTENING = ("target_volts", "band_hz", "channel", "minus")
"""Options of the search for noise."""


def find_response(
    capture: Source,
    sweep: Sweep | None = None,
    *,
    index: Path | str | None = None,
    track: str | None = None,
    reference: Source | None = None,
    **options: Any,
) -> Response:
    """Tell what a chain did to the sweep: response, filters, boosts, delay, distortion over frequency.

    Parameters
    ----------
    capture : Capture, str or Path
        The recording, from before the track's start to after its end.
    sweep : Sweep, optional
        What was played: `gainkit.response.from_figures(from_hz, to_hz, seconds)`.
    index, track : str or Path, str, optional
        The index.json beside the track that was played, and the track's file name in it.
    reference : Capture, str or Path, optional
        Another recording of the same sweep; the result is the difference from it.
    **options
        How files are read, as for `gainkit.measure`; `smooth_octaves` [octaves], `channel`, `minus`,
        `mark_channel`, `crossover_hz` of a tweeter's output [Hz].

    Returns
    -------
    Response
        `points` of level [dB], phase [degrees], THD [%] and floor [dB] over frequency [Hz]; `flat`, `highpass`,
        `lowpass`, `boosts`, `delay_seconds` [s] and a `verdict`; None for what the recording does not tell.

    Raises
    ------
    GainkitError
        Where it is not said which sweep was played, for an index that cannot be used, and for options out of
        range or unknown.

    References
    ----------
    A. Novak, P. Lotton, L. Simon, J. Audio Eng. Soc. 63 (2015), synchronised swept sine; A. Farina, AES 108th
    Convention (2000).

    Examples
    --------
    >>> import dataclasses
    >>> import gainkit
    >>> from gainkit.generator import kinds
    >>> from gainkit.generator.spec import ToneSpec
    >>> track = kinds.build(ToneSpec("sweep", seconds=4.0, level_dbfs=-20.0), 48000)
    >>> recording = gainkit.Capture.from_array(track.samples()[:, 0], 48000, calibrated=False)
    >>> facts = {"steps": [dataclasses.asdict(step) for step in track.steps]}
    >>> played = gainkit.response.from_track(facts, 48000)
    >>> gainkit.find_response(recording, played).verdict
    'flat'
    """
    refuse_unknown(options, (*READING, *SWEEPING))
    if sweep is None:
        if index is None:
            from gainkit.errors import GainkitError

            raise GainkitError("sweep_not_named", "index")
        sweep = response.from_index(index, track)
    return checked(response.find_response)(
        opened(capture, options),
        sweep,
        reference=None if reference is None else opened(reference, options),
        **{name: value for name, value in options.items() if name in SWEEPING},
    )


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
        `channel`, `minus`. Without `channel` the first is read, and it is not called quiet beside another
        one that is heard.

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
