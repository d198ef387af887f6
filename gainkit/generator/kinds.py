"""The kinds of test tone: their parameters, defaults and limits, in one place for TOML, command line and
pages."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from gainkit.errors import GainkitError
from gainkit.generator import chirps as short_sweeps
from gainkit.generator import noise as noises
from gainkit.generator import pulses as trains
from gainkit.generator import swept, tones
from gainkit.generator.bands import BANDS, NamedBand
from gainkit.generator.model import Waveform, routed
from gainkit.generator.spec import ToneSpec, given

SAMPLE_RATES_HZ = (44_100, 48_000, 88_200, 96_000)
"""Sample rates that tracks are written at [Hz]."""

HIGHEST_OF_RATE = 0.45
"""A tone above this part of the sample rate is refused: no converter's filter passes it undisturbed."""

COMMON = frozenset({"kind", "channels", "seed", "dither"})
"""Parameters that every kind has."""


@dataclass(frozen=True)
class Kind:
    """One kind of tone.

    about : what it is for, one line.
    parameters : its own parameters (fields of ToneSpec besides COMMON) and their defaults; None: optional.
    build : from a checked spec and a sample rate to the waveform.
    """

    name: str
    about: str
    build: Callable[[ToneSpec, int], Waveform]
    parameters: dict[str, Any] = field(default_factory=dict)


KINDS = {
    kind.name: kind
    for kind in (
        Kind(
            "sine",
            "steady tone at one level, for setting gain with a meter",
            tones.sine,
            {"frequency_hz": 997.0, "level_dbfs": -12.0, "seconds": 60.0},
        ),
        Kind(
            "staircase",
            "tone whose level rises in steps, to find where clipping begins",
            tones.staircase,
            {"frequency_hz": 997.0, "from_dbfs": -20.0, "to_dbfs": 0.0, "step_db": 1.0, "dwell_seconds": 1.0},
        ),
        Kind(
            "glide",
            "tone whose level rises evenly in dB, to find where clipping begins",
            tones.glide,
            {"frequency_hz": 997.0, "from_dbfs": -20.0, "to_dbfs": 0.0, "seconds": 20.0},
        ),
        Kind(
            "sweep",
            "tone whose frequency rises evenly in octaves, to hear rattles and see filters",
            swept.sweep,
            {
                "band": None,
                "low_hz": None,
                "high_hz": None,
                "level_dbfs": -20.0,
                "seconds": 30.0,
                "fall_above_hz": None,
                "in_turn": False,
            },
        ),
        Kind(
            "noise",
            "pink noise inside a band, to match levels by ear or microphone",
            noises.noise,
            {
                "band": None,
                "low_hz": None,
                "high_hz": None,
                "level_dbfs": -20.0,
                "seconds": 60.0,
                "crest_db": 12.0,
                "decorrelated": False,
            },
        ),
        Kind(
            "pulses",
            "one-sided pulses, to tell a loudspeaker's polarity with a microphone",
            trains.pulses,
            {"band": "midrange", "level_dbfs": -6.0, "seconds": 20.0},
        ),
        Kind(
            "chirps",
            "short sweeps, to tell a loudspeaker's polarity with a microphone where it is noisy",
            short_sweeps.chirps,
            {"band": "midrange", "level_dbfs": -6.0, "seconds": 20.0},
        ),
        Kind(
            "beeps",
            "counted beeps, to hear which channel plays where",
            trains.beeps,
            {"frequency_hz": 997.0, "level_dbfs": -12.0, "seconds": 20.0},
        ),
        Kind("silence", "digital zero, to hear the system's own noise", tones.silent, {"seconds": 30.0}),
    )
}


def kind_named(name: str) -> Kind:
    """The kind of this name. Raises GainkitError (unknown_choice) with the nearest known one."""
    if name in KINDS:
        return KINDS[name]
    raise _unknown("kind", name, KINDS)


def refuse_rate(sample_rate_hz: int) -> None:
    """Raise GainkitError for a sample rate that tracks are not written at."""
    if sample_rate_hz not in SAMPLE_RATES_HZ:
        raise GainkitError("unknown_choice", "rate", sample_rate_hz, SAMPLE_RATES_HZ)


def checked(spec: ToneSpec, sample_rate_hz: int) -> ToneSpec:
    """A spec with its kind's defaults filled in, and found fit for a sample rate.

    Parameters
    ----------
    spec : what was asked; parameters left None take the kind's default.
    sample_rate_hz : one of `SAMPLE_RATES_HZ` [Hz].

    Returns
    -------
    ToneSpec
        Every parameter of the kind given, numbers as floats; checking it again changes nothing.

    Raises
    ------
    GainkitError
        That names the parameter, what it received and what is allowed.

    Examples
    --------
    >>> checked(ToneSpec("sine", level_dbfs=-6), 44_100).frequency_hz
    997.0
    """
    kind = kind_named(spec.kind)
    refuse_rate(sample_rate_hz)
    filled = _with_defaults(spec, kind)
    if spec.kind == "noise":
        _fill_edges(filled)
    if spec.kind == "sweep":
        _fill_swept_edges(spec, filled)
    if spec.kind in ("pulses", "chirps") and filled["band"] not in trains.LOBE_SECONDS:
        raise _unknown("band", filled["band"], trains.LOBE_SECONDS)
    whole = dataclasses.replace(spec, **filled)  # refuses what does not hold together with the defaults
    _refuse_above_rate(whole, sample_rate_hz)
    return whole


def build(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """The waveform of a spec, checked and routed to its channels.

    Parameters
    ----------
    spec : what was asked; parameters left None take the kind's default.
    sample_rate_hz : one of `SAMPLE_RATES_HZ` [Hz].

    Returns
    -------
    Waveform
        A recipe: nothing is rendered before its blocks are asked for.

    Raises
    ------
    GainkitError
        As `checked`, and where only building finds that the tone cannot be made.

    Examples
    --------
    >>> wave = build(ToneSpec("sine", frequency_hz=50.0, seconds=1.0), 44_100)
    >>> wave.steps[0].frames, wave.frequency_hz
    (44100, 50.0)
    """
    return assembled(checked(spec, sample_rate_hz), sample_rate_hz)


def assembled(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """The waveform of a spec that `checked` gave back. Raises GainkitError where it cannot be made."""
    return routed(KINDS[spec.kind].build(spec, sample_rate_hz), spec.channels)


def _with_defaults(spec: ToneSpec, kind: Kind) -> dict[str, Any]:
    """The kind's own parameters, as given or by default. Raises GainkitError for one that is not its own."""
    filled: dict[str, Any] = {}
    for parameter in dataclasses.fields(spec):
        name, value = parameter.name, getattr(spec, parameter.name)
        if name in COMMON:
            continue
        if name in kind.parameters:
            value = kind.parameters[name] if value is None else value
            filled[name] = float(value) if "range" in parameter.metadata and value is not None else value
        elif value is not None:
            raise _foreign(name, value, kind)
    return filled


def _fill_edges(filled: dict[str, Any]) -> None:
    """Noise has a named band or two edges: fill in the edges."""
    edges = (filled["low_hz"], filled["high_hz"])
    named = named_band(filled["band"]) if filled["band"] is not None else None
    if named is not None and edges not in ((None, None), (named.low_hz, named.high_hz)):
        raise GainkitError("band_given_twice", "band", filled["band"])
    if (edges[0] is None) != (edges[1] is None):
        lacking = "low_hz" if edges[0] is None else "high_hz"
        raise GainkitError("band_edge_missing", lacking)
    if edges == (None, None):
        band = named or BANDS["full"]
        filled.update(band=band.name, low_hz=band.low_hz, high_hz=band.high_hz)


def _fill_swept_edges(spec: ToneSpec, filled: dict[str, Any]) -> None:
    """A sweep's edges: those given, else those of its band; left and right in turn need both to play."""
    name = filled["band"] or "full"
    if name not in swept.SWEEP_BANDS_HZ:
        raise _unknown("band", name, swept.SWEEP_BANDS_HZ)
    for edge, of_band in zip(("low_hz", "high_hz"), swept.SWEEP_BANDS_HZ[name], strict=True):
        if filled["band"] and filled[edge] not in (None, of_band):
            raise GainkitError("band_given_twice", "band", name)
        filled[edge] = of_band if filled[edge] is None else filled[edge]
    if filled["in_turn"] and spec.channels != "both":
        raise GainkitError("in_turn_of_one_channel", "in_turn", True, channels=spec.channels)


def _refuse_above_rate(spec: ToneSpec, sample_rate_hz: int) -> None:
    """Raise GainkitError for a frequency that this sample rate does not hold undisturbed."""
    highest = HIGHEST_OF_RATE * sample_rate_hz
    for name in ("frequency_hz", "low_hz", "high_hz"):
        value = getattr(spec, name)
        if value is not None and value > highest:
            raise GainkitError(
                "tone_above_rate",
                name,
                value,
                highest_hz=highest,
                rate_hz=sample_rate_hz,
                share=HIGHEST_OF_RATE,
            )


def named_band(name: str) -> NamedBand:
    """The given band of this name. Raises GainkitError (unknown_choice) with the nearest known one."""
    if name in BANDS:
        return BANDS[name]
    raise _unknown("band", name, BANDS)


def _unknown(parameter: str, name: Any, known: Iterable[str]) -> GainkitError:
    """The fault of a word that is none of the known ones, with the nearest of them."""
    names = tuple(known)
    return GainkitError("unknown_choice", parameter, name, names, nearest=nearest(str(name), names))


def _foreign(name: str, value: Any, kind: Kind) -> GainkitError:
    """The fault of a parameter that is of another kind of tone."""
    return GainkitError(
        "foreign_parameter", name, value, kind=kind.name, takes=tuple(kind.parameters),
        nearest=nearest(name, kind.parameters),
    )  # fmt: skip


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that a misspelt one comes nearest to; None where none is near."""
    return next(iter(difflib.get_close_matches(name, list(known), 1)), None)


def own_parameters(spec: ToneSpec) -> dict[str, Any]:
    """The parameters that matter for this spec's kind, for index.json: without those that are None."""
    names = [*KINDS[spec.kind].parameters, "channels"]
    return {name: given(getattr(spec, name)) for name in names if getattr(spec, name) is not None}
