"""The sign of a loudspeaker's direct sound, from a microphone's recording of one-sided pulses or of chirps.

A one-sided pulse through anything causal answers first with the pulse's own sign; high-passes, crossovers and
the cabin shape what follows. So the pulses are lined up (`train`), or the answer to one is calculated from
another drive signal (`drive`), and the first swing of what is heard is looked for (`swing`).

Behind a crossover that turns the phase (second order: its high-pass leg is often wired the other way round on
purpose) the answer is still the sign of the drive that reaches this driver's first movement: compare like with
like, left tweeter with right tweeter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import LOBE_SECONDS, SPACING_SECONDS
from gainkit.polarity.chirps import HeardTrains, as_pulses, hear
from gainkit.polarity.drive import Drive
from gainkit.polarity.pair import likeness
from gainkit.polarity.swing import Decision, Sign, decide
from gainkit.polarity.train import LEAST_PULSES, Train, line_up
from gainkit.remarks import Remark, fault, remark
from gainkit.results import Result

Floats = NDArray[np.float64]

MOST_SECONDS = 30.0
"""So much of a recording is looked at [s]: more pulses than anyone needs."""

ALIKE_CONFIDENCE = 0.94
"""Confidence of a relation that only two averaged pulses show, and of chirps that may be another band's [0..1]:
it is called probable."""

MOST_DRIVE_SECONDS = 60.0
"""So much of another drive signal and of what was recorded of it is read [s]."""

LEAST_RATE_HZ, MOST_RATE_HZ = 4000.0, 400_000.0
"""Rates at which sound is recorded [Hz]; others are something else's samples."""

LEAST_LOBE_FRAMES = 4
"""A pulse of fewer frames cannot be seen [frames]."""

SURE = 0.9
"""Two trains that both answer with more confidence than this must agree [0..1]."""

NOTHING = Decision("undecided", 0.0, 0, 0)
"""Where no train was heard."""

PROBABLE = 0.95
"""An answer with less confidence is called probable [0..1]."""


@dataclass(frozen=True, repr=False)
class PolarityResult(Result):
    """confidence : 1 less half the chance that the noise hid an earlier swing, taken as if there always were
    one as small as sound allows [0..1]; 0.0 when undecided.

    pulses : how many were heard. agreeing : how many of them have the sign of their average. band : train that
    was named, or else the one whose pulses lined up best. played : what was recognised in the recording, or
    that it was read with the drive signal.
    """

    polarity: Sign
    confidence: float
    pulses: int
    agreeing: int
    band: str
    notes: tuple[Remark, ...]
    played: Literal["pulses", "chirps", "drive"] = "pulses"

    @property
    def only_probable(self) -> bool:
        """Whether it is decided, but not for sure."""
        return self.polarity != "undecided" and self.confidence < PROBABLE


@dataclass(frozen=True, repr=False)
class PolarityPair(Result):
    """relation : "same", "opposite" or "undecided": needs no known recorder. captures : each on its own."""

    relation: Literal["same", "opposite", "undecided"]
    confidence: float
    captures: tuple[PolarityResult, ...]
    files: tuple[str, ...]

    @property
    def only_probable(self) -> bool:
        """Whether it is decided, but not for sure."""
        return self.relation != "undecided" and self.confidence < PROBABLE


def find_polarity(
    capture: Capture,
    *,
    channel: int = 1,
    band: str | None = None,
    drive: Capture | None = None,
    invert_microphone: bool = False,
) -> PolarityResult:
    """Tell which way round a loudspeaker is wired, from a recording of a train of pulses or chirps.

    Parameters
    ----------
    capture : three seconds of the track or more, the microphone a hand's width from the cone.
    channel : of the recording, counted from 1.
    band : "bass", "midrange" or "treble": the train that was played; None: the one that shows most clearly.
    drive : another signal that was played in place of the pulses, noise or a sweep; the answer to a pulse is
        then calculated from both.
    invert_microphone : True for a recorder that turns the sign around.

    Returns
    -------
    PolarityResult
        "positive", "negative" or "undecided", with a confidence [0..1], and why.

    Raises
    ------
    GainkitError
        For a band that is none (`no_such_band`), a recording that is too short (`too_short_for_pulses`),
        silent (`recording_silent`), of a rate that is no sound's (`rate_not_sound`) or too low for the band
        (`rate_below_band`), and for a silent drive signal (`drive_silent`).

    References
    ----------
    .. [1] The first swing of a causal answer has the sign of a one-sided drive: closed form; the growth from
       swing to swing is from a simulated population of loudspeakers and cabins.

    Examples
    --------
    The track itself, as a recorder without a loudspeaker would hear it, and the wrong way round:

    >>> from gainkit.capture import Capture
    >>> from gainkit.generator import kinds
    >>> from gainkit.generator.spec import ToneSpec
    >>> from gainkit.polarity import find_polarity
    >>> track = kinds.build(ToneSpec("pulses", band="midrange", seconds=6.0), 48_000).samples()[:, 0]
    >>> find_polarity(Capture.from_array(track, 48_000)).polarity
    'positive'
    >>> find_polarity(Capture.from_array(-track, 48_000)).polarity
    'negative'
    """
    if band is not None and band not in LOBE_SECONDS:
        raise GainkitError("no_such_band", "band", band, list(LOBE_SECONDS))
    samples = _loaded(capture, channel, MOST_SECONDS if drive is None else MOST_DRIVE_SECONDS)
    bands = _bands_to_look_at(capture, band)
    rate = capture.sample_rate_hz
    played: Literal["pulses", "chirps", "drive"] = "drive"
    if drive is None:
        heard = hear(samples, rate, bands)
        played = heard.kind
        decisions = {name: _decide_heard(heard, name) for name in heard.trains}
        name, decision = _clearest(decisions)
        if played == "chirps" and {each.polarity for each in decisions.values()} != {decision.polarity}:
            decision = replace(decision, confidence=min(decision.confidence, ALIKE_CONFIDENCE))
        _, other = _clearest({name: _decide_all(each, name, False) for name, each in heard.otherwise.items()})
        if {decision.polarity, other.polarity} == {"positive", "negative"}:
            decision = decision.undecided(fault("another_track"))
    else:
        calculated = Drive.of(samples, rate, drive.volts(0, _most_frames(drive, MOST_DRIVE_SECONDS)), drive)
        name, decision = _clearest({name: calculated.decide(name) for name in bands})
    if not decision.pulses:
        decision = replace(decision, reasons=(_nothing_heard(drive),))
    if invert_microphone:
        decision = decision.inverted()
    return PolarityResult(
        decision.polarity,
        decision.confidence,
        decision.pulses,
        decision.agreeing,
        name,
        (*capture.notes, *decision.reasons, *_advice(decision, invert_microphone)),
        played,
    )


def compare_polarity(
    results: Sequence[PolarityResult],
    files: Sequence[str],
    *,
    captures: Sequence[Capture] = (),
    channel: int = 1,
) -> PolarityPair:
    """Tell whether two loudspeakers are wired alike, heard with the same recorder.

    Parameters
    ----------
    results : of `find_polarity`, two of them.
    files : what to call the recordings, one name for each.
    captures : the recordings of pulses themselves: loudspeakers of a kind are then compared pulse by pulse,
    which
        decides where one alone does not.
    channel : of the captures.

    Returns
    -------
    PolarityPair
        "same", "opposite" or "undecided", with a confidence [0..1]. It needs no known recorder.

    Raises
    ------
    GainkitError
        For other than two results (`not_a_pair`).

    Examples
    --------
    >>> from gainkit.polarity import PolarityResult, compare_polarity
    >>> left = PolarityResult("positive", 0.99, 18, 18, "midrange", ())
    >>> right = PolarityResult("negative", 0.99, 18, 17, "midrange", ())
    >>> pair = compare_polarity([left, right], ["left.wav", "right.wav"])
    >>> pair.relation, round(pair.confidence, 4)
    ('opposite', 0.9802)
    """
    if len(results) != 2 or len(files) != 2:
        raise GainkitError("not_a_pair", "results", len(results))
    signs = {result.polarity for result in results}
    alike = _alike(results, captures, channel)
    if "undecided" in signs:
        relation: Literal["same", "opposite", "undecided"]
        relation = "undecided" if not alike else "same" if alike > 0 else "opposite"
        return PolarityPair(relation, ALIKE_CONFIDENCE if alike else 0.0, tuple(results), tuple(files))
    if alike and (alike > 0) != (len(signs) == 1):
        return PolarityPair("undecided", 0.0, tuple(results), tuple(files))
    one, other = (result.confidence for result in results)
    confidence = one * other + (1 - one) * (1 - other)  # both right, or both wrong
    if alike:
        confidence = max(confidence, ALIKE_CONFIDENCE)
    return PolarityPair("same" if len(signs) == 1 else "opposite", confidence, tuple(results), tuple(files))


def _alike(results: Sequence[PolarityResult], captures: Sequence[Capture], channel: int) -> int:
    """+1 where two recordings of one train hold the same pulse, -1 where the opposite, 0 where it is not
    sure."""
    read = {(result.played, result.band) for result in results}
    if len(captures) != 2 or len(read) > 1 or captures[0].sample_rate_hz != captures[1].sample_rate_hz:
        return 0
    ((played, band),) = read
    if played == "drive":
        return 0
    trains = []
    for capture in captures:
        samples, rate = _loaded(capture, channel, MOST_SECONDS), capture.sample_rate_hz
        train = line_up(as_pulses(samples, rate, band) if played == "chirps" else samples, rate, band)
        if train is None:
            return 0
        trains.append(train)
    one, other = trains
    return likeness(one, other, band).relation


def _decide_all(trains: Sequence[Train], band: str, chirps: bool) -> Decision:
    """The decision on the train that tells most; those that decide must agree."""
    decisions = [decide(train, band, chirps=chirps) for train in trains]
    best = max(decisions, key=lambda each: each.clearness, default=NOTHING)
    signs = {each.polarity for each in decisions} - {"undecided"}
    return best.undecided(fault("swings_disagree")) if len(signs) > 1 else best


def _decide_heard(heard: HeardTrains, band: str) -> Decision:
    """The decision on what was heard of a band; where automatic gain was taken out of it, on what is left: only
    a clear first swing then says the opposite of what the gain had made of it."""
    decision = _decide_all(heard.trains[band], band, heard.kind == "chirps")
    if band not in heard.levelled:
        return decision
    freed = _decide_all(heard.levelled[band], band, True)
    if {freed.polarity, decision.polarity} == {"positive", "negative"} and freed.confidence < PROBABLE:
        freed = freed.undecided(fault("swings_disagree"))
    note = remark("automatic_gain_levelled", span_db=heard.gain_span_db)
    return replace(freed, reasons=(note, *freed.reasons))


def _most_frames(capture: Capture, seconds: float = MOST_SECONDS) -> int:
    return min(capture.frames, int(seconds * capture.sample_rate_hz))


def _loaded(capture: Capture, channel: int, most_seconds: float) -> Floats:
    """The recording without its mean, its peak at 1, (frames,). Raises GainkitError for what is none."""
    if capture.seconds < (LEAST_PULSES + 1) * SPACING_SECONDS:
        short = GainkitError("too_short_for_pulses", seconds=capture.seconds, pulses=LEAST_PULSES)
        raise short.within("file", capture.file)
    if not LEAST_RATE_HZ <= capture.sample_rate_hz <= MOST_RATE_HZ:
        other = GainkitError(
            "rate_not_sound", rate_hz=capture.sample_rate_hz, low_hz=LEAST_RATE_HZ, high_hz=MOST_RATE_HZ
        )
        raise other.within("file", capture.file)
    samples = capture.volts(0, _most_frames(capture, most_seconds), channel=channel)
    samples -= samples.mean()
    top = float(np.abs(samples).max())
    if top == 0:
        raise GainkitError("recording_silent").within("file", capture.file)
    return samples / top


def _bands_to_look_at(capture: Capture, band: str | None) -> list[str]:
    """The band asked for, or all whose pulses a recording of that rate can show."""
    rate = capture.sample_rate_hz
    if band is None:
        return [name for name, seconds in LOBE_SECONDS.items() if seconds * rate >= LEAST_LOBE_FRAMES]
    if LOBE_SECONDS[band] * rate < LEAST_LOBE_FRAMES:
        least = LEAST_LOBE_FRAMES / LOBE_SECONDS[band]
        low = GainkitError("rate_below_band", "band", band, rate_hz=rate, least_hz=least)
        raise low.within("file", capture.file)
    return [band]


def _clearest(decisions: Mapping[str, Decision]) -> tuple[str, Decision]:
    """The surest decision of several bands; undecided where two that are sure do not agree."""
    if not decisions:
        return "", NOTHING
    name = max(decisions, key=lambda name: decisions[name].clearness)
    if len({each.polarity for each in decisions.values() if each.confidence > SURE}) > 1:
        return name, decisions[name].undecided(fault("bands_disagree"))
    return name, decisions[name]


def _nothing_heard(drive: Capture | None) -> Remark:
    return fault("pulses_not_heard") if drive is None else fault("drive_lacks_band")


def _advice(decision: Decision, invert_microphone: bool) -> list[Remark]:
    """What to do next."""
    if decision.polarity == "undecided":
        return [remark("record_closer")]
    notes = [remark("only_probable")] if decision.confidence < PROBABLE else []
    return notes if invert_microphone else [*notes, remark("recorder_may_invert")]
