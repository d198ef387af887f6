"""Beside the noise that is judged: louder channels of the capture, and volts outside the audio band."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from gainkit.analysis.bands import a_gains, a_weighting_db, band_share
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.levels import ratio_from_db
from gainkit.noise.reading import NoiseReading
from gainkit.noise.verdict import QUIET_BELOW_TARGET_DB, NoiseAnswer
from gainkit.remarks import Remark, fault, remark

LOUDER_DB = 3.0
"""Another channel's noise is told from so much over this one's on: less is what two outputs alike differ by
[dB] (our choice)."""

MUCH_LOUDER_DB = 20.0
"""... and from here on this one may hold what leaks of it, or nothing that is connected [dB] (our choice)."""

MOST_CHANNELS = 8
"""Channels that are looked at beside the one asked for, at most [-]."""

LOOK_SECONDS = 10.0
"""... in so much of the capture's middle [s]."""

AUDIBLE_HZ = (20.0, 20_000.0)
"""What lies outside is told as volts; it is judged as if it stood at the nearer edge, by the A-weighting there
(-50.4 dB and -9.3 dB, IEC 61672-1) [Hz]."""

TOLD_RATIO = 2.0
"""Volts outside the band are told from so many times those within on: a recorder of 192 kHz holds 1.9 times the
noise above 20 kHz as within, if it is white [-]."""

SURE_SHARE = 0.1
"""Of two recordings' powers a difference of less than this share is chance [-] (our choice)."""

OUTSIDE = frozenset({"noise_below_band", "noise_above_band"})
"""Remarks of volts outside the audio band."""

OVER_HEARD_DB = 20.0
"""Without a target, volts outside are a fault from so far over what is heard within on: recorders of high rates
push their own noise above the band [dB] (our choice)."""


@dataclass(frozen=True)
class Louder:
    """Another channel whose noise is louder: its number, its A-weighted volts and this one's [V]."""

    number: int
    a_weighted_volts: float
    own_volts: float

    @property
    def much(self) -> bool:
        """Whether this one is next to nothing beside it."""
        return self.a_weighted_volts > self.own_volts * ratio_from_db(MUCH_LOUDER_DB)


def louder_channel(
    capture: Capture, channel: int, minus: int | None, band_hz: tuple[float, float]
) -> Louder | None:
    """The loudest other channel of a capture, where it is louder than this one; None where there is none."""
    if minus is not None or not 2 <= capture.channels <= MOST_CHANNELS + 1:
        return None
    own = _usual_volts(capture, channel, band_hz)
    found: Louder | None = None
    for number in range(1, capture.channels + 1):
        if number == channel:
            continue
        try:
            volts = _usual_volts(capture, number, band_hz)
        except GainkitError:  # blank cells, or no numbers: nothing to compare
            continue
        loudest = own * ratio_from_db(LOUDER_DB) if found is None else found.a_weighted_volts
        if volts > loudest:
            found = Louder(number, volts, own)
    return found


def _usual_volts(capture: Capture, channel: int, band_hz: tuple[float, float]) -> float:
    """A-weighted rms of the band, the median of segments, so that no click counts [V]."""
    rate = capture.sample_rate_hz
    frames = min(capture.frames, round(LOOK_SECONDS * rate))
    start = (capture.frames - frames) // 2
    samples = capture.volts(start, start + frames, channel=channel)
    size = 1 << int(np.log2(min(rate, frames / 2)))
    window = np.hanning(size + 2)[1:-1] ** 2
    part, width = band_share(rate / size, size // 2 + 1, *band_hz)
    gains = a_gains(rate / size, size // 2 + 1)[part] * width * size / rate
    powers = []
    for first in range(0, frames - size + 1, size):
        piece = samples[first : first + size]
        spectrum = np.fft.rfft((piece - piece.mean()) * window)[part]
        powers.append(float((spectrum.real**2 + spectrum.imag**2) @ gains))
    return float(np.sqrt(np.median(powers) * 2.0 / (size * float(window @ window))))


def beside_louder(
    answer: NoiseAnswer, own: NoiseReading, louder: Louder | None, channel: int | None
) -> NoiseAnswer:
    """The answer with a word of a louder channel: none at all where nobody said which one holds the output and
    the other would be judged otherwise.

    channel : as it was asked for; None where it was not said.
    """
    if louder is None:
        return answer
    facts = {
        "other_channel": louder.number,
        "other_volts": louder.a_weighted_volts,
        "a_weighted_volts": own.a_weighted_volts,
        "channel": 1 if channel is None else channel,
        "unit": own.unit,
    }
    target_volts = own.a_weighted_volts * ratio_from_db(answer.below_target_db or 0.0)
    heard = target_volts < louder.a_weighted_volts * ratio_from_db(QUIET_BELOW_TARGET_DB)
    unsure = heard if answer.verdict == "quiet" else louder.much and answer.verdict != "not known"
    if channel is None and unsure:
        told = fault("noise_louder_channel", **facts)
        return replace(answer, verdict="not known", notes=(told, *answer.notes[1:]))
    make = fault if channel is None and louder.much else remark
    return replace(answer, notes=(answer.notes[0], make("noise_louder_channel", **facts), *answer.notes[1:]))


def outside_notes(
    own: NoiseReading, alone: NoiseReading | None, target_volts: float | None
) -> Iterator[Remark]:
    """Volts below and above the audio band; a fault where they come near to what is judged within it."""
    low, high = own.outside_volts
    own_low, own_high = (0.0, 0.0) if alone is None else alone.outside_volts
    for code, volts, recorder_volts, edge_hz in (
        ("noise_below_band", low, own_low, AUDIBLE_HZ[0]),
        ("noise_above_band", high, own_high, AUDIBLE_HZ[1]),
    ):
        chain = volts**2 - recorder_volts**2
        left = float(np.sqrt(chain)) if chain > SURE_SHARE * volts**2 else 0.0
        as_heard = left * ratio_from_db(float(a_weighting_db(np.array([edge_hz]))[0]))
        if target_volts is None:
            limit = own.a_weighted_volts * ratio_from_db(OVER_HEARD_DB)
        else:
            limit = max(own.a_weighted_volts, target_volts * ratio_from_db(-QUIET_BELOW_TARGET_DB))
        wrong = as_heard > limit
        if left > 0 and (wrong or left > TOLD_RATIO * own.rms_volts):
            facts = {"edge_hz": edge_hz, "rms_volts": left, "unit": own.unit}
            yield (fault if wrong else remark)(code, **facts)
