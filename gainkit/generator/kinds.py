"""The kinds of test tone: their parameters, defaults and limits, in one place for TOML, command line and
pages."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from gainkit.errors import GainkitError
from gainkit.generator import noise as noises
from gainkit.generator import pulses as trains
from gainkit.generator import swept, tones
from gainkit.generator.bands import BANDS, Band
from gainkit.generator.model import ROUTING_GAINS, Waveform, routed
from gainkit.generator.spec import ToneSpec, given

SAMPLE_RATES_HZ = (44_100, 48_000, 88_200, 96_000)
"""Sample rates that tracks are written at [Hz]."""

HIGHEST_OF_RATE = 0.45
"""A tone above this part of the sample rate is refused: no converter's filter passes it undisturbed."""

COMMON = frozenset({"kind", "channels", "seed", "dither"})
"""Parameters that every kind has."""


@dataclass(frozen=True)
class Limit:
    """What a number may be: least <= value <= most."""

    least: float
    most: float
    unit: str


LIMITS = {
    "frequency_hz": Limit(1.0, 48_000.0, "Hz"),
    "low_hz": Limit(1.0, 48_000.0, "Hz"),
    "high_hz": Limit(1.0, 48_000.0, "Hz"),
    "level_dbfs": Limit(-120.0, 0.0, "dBFS"),
    "from_dbfs": Limit(-120.0, 0.0, "dBFS"),
    "to_dbfs": Limit(-120.0, 0.0, "dBFS"),
    "seconds": Limit(0.05, 86_400.0, "s"),
    "dwell_seconds": Limit(0.05, 3_600.0, "s"),
    "step_db": Limit(0.01, 60.0, "dB"),
    "fall_above_hz": Limit(1.0, 48_000.0, "Hz"),
    "crest_db": Limit(noises.LEAST_CREST_DB, 20.0, "dB"),
}


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
            "beeps",
            "counted beeps, to hear which channel plays where",
            trains.beeps,
            {"frequency_hz": 997.0, "level_dbfs": -12.0, "seconds": 20.0},
        ),
        Kind("silence", "digital zero, to hear the system's own noise", tones.silent, {"seconds": 30.0}),
    )
}


def kind_named(name: str) -> Kind:
    """The kind of this name; GainkitError with the nearest known one."""
    if name in KINDS:
        return KINDS[name]
    raise GainkitError(f'kind = "{name}" is not known.', _nearest(name, KINDS))


def checked(spec: ToneSpec, sample_rate_hz: int) -> ToneSpec:
    """The spec with its kind's defaults filled in and every parameter in range.

    Raises GainkitError that names the parameter, what it received, what is allowed, and the unit.
    """
    kind = kind_named(spec.kind)
    if sample_rate_hz not in SAMPLE_RATES_HZ:
        rates = ", ".join(str(rate) for rate in SAMPLE_RATES_HZ)
        raise GainkitError(f"rate = {sample_rate_hz} Hz is not a rate for tracks.", f"Use one of {rates} Hz.")
    filled: dict[str, Any] = {}
    for parameter in dataclasses.fields(spec):
        name, value = parameter.name, getattr(spec, parameter.name)
        if name in COMMON:
            continue
        if name not in kind.parameters:
            if value is not None:
                raise GainkitError(
                    f"{name} = {value} does not belong to kind {kind.name}.", _nearest(name, kind.parameters)
                )
            continue
        filled[name] = kind.parameters[name] if value is None else value
    _check_numbers(filled)
    _check_band(spec, filled)
    for name in ("frequency_hz", "low_hz", "high_hz"):
        highest = HIGHEST_OF_RATE * sample_rate_hz
        if filled.get(name) is not None and filled[name] > highest:
            raise GainkitError(
                f"{name} = {filled[name]:g} Hz is too high for a sample rate of {sample_rate_hz} Hz.",
                f"Use at most {highest:g} Hz ({HIGHEST_OF_RATE:g} of the rate), or a higher sample rate.",
            )
    if spec.channels not in ROUTING_GAINS:
        raise GainkitError(
            f'channels = "{spec.channels}" is not known.', f"Use one of {', '.join(ROUTING_GAINS)}."
        )
    if isinstance(spec.seed, bool) or not isinstance(spec.seed, int) or not 0 <= spec.seed < 2**63:
        raise GainkitError(f"seed = {spec.seed} cannot be used.", "Use a whole number from 0.")
    return dataclasses.replace(spec, **filled)


def build(spec: ToneSpec, sample_rate_hz: int) -> Waveform:
    """Check a spec and build its waveform, routed to its channels. Raises GainkitError."""
    spec = checked(spec, sample_rate_hz)
    return routed(KINDS[spec.kind].build(spec, sample_rate_hz), spec.channels)


def _check_numbers(filled: dict[str, Any]) -> None:
    """Every number is one, finite, and within its limit."""
    for name, limit in LIMITS.items():
        value = filled.get(name)
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise GainkitError(f"{name} = {value!r} is not a number.", f"Give it in {limit.unit}.")
        if not limit.least <= value <= limit.most:  # nor is it NaN
            shown = f"{value:g}" if isinstance(value, float) or abs(value) < 1e12 else "far more than that"
            raise GainkitError(
                f"{name} = {shown} {limit.unit} is out of range.",
                f"Use {limit.least:g} to {limit.most:g} {limit.unit}.",
            )
        filled[name] = float(value)


def _check_band(spec: ToneSpec, filled: dict[str, Any]) -> None:
    """Noise has a named band or two edges; fill in the edges. Edges rise."""
    if spec.kind == "noise":
        edges = (filled["low_hz"], filled["high_hz"])
        named = named_band(filled["band"]) if filled["band"] is not None else None
        if named is not None and edges not in ((None, None), (named.low_hz, named.high_hz)):
            raise GainkitError(
                f'band = "{filled["band"]}" and low_hz/high_hz were both given.', "Give the one or the others."
            )
        if (edges[0] is None) != (edges[1] is None):
            raise GainkitError("Only one edge of the band was given.", "Give both low_hz and high_hz.")
        if edges == (None, None):
            band = named or named_band("full")
            filled.update(band=band.name, low_hz=band.low_hz, high_hz=band.high_hz)
    if spec.kind == "sweep":
        _sweep_band(spec, filled)
    if spec.kind == "pulses" and filled["band"] not in trains.LOBE_SECONDS:
        raise GainkitError(
            f'band = "{filled["band"]}" is not a band for pulses.',
            _nearest(filled["band"], trains.LOBE_SECONDS),
        )
    low, high = filled.get("low_hz"), filled.get("high_hz")
    if low is not None and high is not None and not low < high:
        raise GainkitError(
            f"low_hz = {low:g} Hz is not below high_hz = {high:g} Hz.", "Exchange or change them."
        )
    if spec.kind in ("staircase", "glide") and filled["from_dbfs"] == filled["to_dbfs"]:
        raise GainkitError(
            f"from_dbfs and to_dbfs are both {filled['from_dbfs']:g} dBFS.", "Let them differ, or use a sine."
        )


def _sweep_band(spec: ToneSpec, filled: dict[str, Any]) -> None:
    """A sweep's edges: those given, else those of its band; left and right in turn need both to play."""
    asked = filled["band"] or "full"
    if asked not in swept.SWEEP_BANDS_HZ:
        raise GainkitError(f'band = "{asked}" is not known.', _nearest(str(asked), swept.SWEEP_BANDS_HZ))
    edges = swept.SWEEP_BANDS_HZ[asked]
    given_edges = (filled["low_hz"], filled["high_hz"])
    if filled["band"] and any(mine not in (None, own) for mine, own in zip(given_edges, edges, strict=True)):
        raise GainkitError(
            f'band = "{asked}" and low_hz/high_hz were both given.', "Give the one or the others."
        )
    for name, mine, own in zip(("low_hz", "high_hz"), given_edges, edges, strict=True):
        filled[name] = own if mine is None else mine
    if filled["in_turn"] and spec.channels != "both":
        raise GainkitError(
            f'in_turn and channels = "{spec.channels}" were both given.', "Give the one or the other."
        )


def named_band(name: Any) -> Band:
    """The given band of this name; GainkitError with the nearest known one."""
    if name in BANDS:
        return BANDS[name]
    raise GainkitError(f'band = "{name}" is not known.', _nearest(str(name), BANDS))


def _nearest(name: str, known: Iterable[str]) -> str:
    """A remedy: the nearest known name, or all of them."""
    names = list(known)
    close = difflib.get_close_matches(name, names, 1)
    return f"Did you mean {close[0]}?" if close else f"Known are {', '.join(names)}."


def own_parameters(spec: ToneSpec) -> dict[str, Any]:
    """The parameters that matter for this spec's kind, for index.json: without those that are None."""
    names = [*KINDS[spec.kind].parameters, "channels"]
    return {name: given(getattr(spec, name)) for name in names if getattr(spec, name) is not None}
