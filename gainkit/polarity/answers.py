"""The answers to a pulse that loudspeakers, crossovers, cabins and recorders give: drawn, and varied.

Each is box, crossover leg, upper end, microphone and echoes, minimum-phase but for its echoes and one-sided in
time, so that its sign is that of its drive; or the same behind a high-pass of linear phase, whose sound begins
before that.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.pulses import LOBE_SECONDS

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]


@dataclass(frozen=True)
class CornerRange:
    """Corners are drawn between these frequencies, evenly in octaves [Hz]."""

    low: float
    high: float

    def drawn(self, rng: np.random.Generator, count: int) -> Floats:
        """Corners, (count,) [Hz]."""
        return np.exp(rng.uniform(math.log(self.low), math.log(self.high), count))


@dataclass(frozen=True)
class TemplateFamily:
    """What the loudspeakers meant for a train are like. box : high-pass. leg : of a crossover's high-pass. top
    : of its low-pass. upper : of the driver."""

    box: CornerRange
    leg: CornerRange
    top: CornerRange
    upper: CornerRange


FAMILIES = {
    "bass": TemplateFamily(
        CornerRange(20, 120), CornerRange(20, 150), CornerRange(50, 600), CornerRange(150, 6000)
    ),
    "midrange": TemplateFamily(
        CornerRange(50, 400), CornerRange(60, 700), CornerRange(1000, 6000), CornerRange(3000, 15_000)
    ),
    "treble": TemplateFamily(
        CornerRange(400, 2000), CornerRange(1200, 7000), CornerRange(8000, 30_000), CornerRange(14_000, 30_000)
    ),
}
MICROPHONE = CornerRange(15, 200)
"""Loudspeakers and recorders of the trade, common practice, no source; the drawn ones go a little further."""

VOICE = CornerRange(100, 400)
VOICE_SHARE = 0.25
"""Recorders for voice cut below a corner there [Hz] with fourth order; so many of the drawn ones do [-] (common
practice, no source)."""

LINEAR = {"bass": CornerRange(30, 200), "midrange": CornerRange(60, 700), "treble": CornerRange(800, 7000)}
LINEAR_ORDERS = (2, 4, 4, 8, 16)
STEEP_WIDTHS = CornerRange(0.05, 0.5)
"""High-passes of linear phase, as processors and players offer them: corners [Hz], orders of the slope [-], and
half widths of steep ones over the corner [-] (common practice, no source)."""

BUTTERWORTH = 0.541, 1.307
"""Qualities of the two halves of a Butterworth filter of fourth order [-] (closed form)."""

ORDERS = (0, 0, 0, 1, 2, 2, 3, 4, 4)
"""Orders of a crossover's legs, as often as they are met: none often, second and fourth more than others
[-]."""

MOST_ECHOES, ECHO_DECAY_SECONDS = 24, 0.008
LATEST_ECHO_SECONDS = {"bass": 0.025, "midrange": 0.025, "treble": 0.0012}

CHANGED_SHARE = 0.1
"""So many of an answer's varied copies have another order, or the other kind of a filter, each [-]."""

FEWER_OR_MORE = 2
"""Echoes by which a varied copy may have fewer or more [-]."""


@dataclass(frozen=True)
class Leg:
    """A crossover's high-pass or low-pass. corner [Hz], order, quality of its halves [-], each (answers,)."""

    corner: Floats
    order: Integers
    quality: Floats

    @classmethod
    def drawn(cls, span: CornerRange, rng: np.random.Generator, count: int) -> Leg:
        """As often as they are met."""
        return cls(span.drawn(rng, count), rng.choice(ORDERS, count), rng.uniform(0.5, 1.0, count))

    def near(self, rng: np.random.Generator, step: float) -> Leg:
        """Varied by such a share."""
        order = _changed(self.order, rng.choice(ORDERS, len(self.order)), rng)
        return Leg(_varied(self.corner, rng, step), order, _varied(self.quality, rng, step))

    def response(self, hz: Floats, high: bool) -> Phasors:
        """(answers, bins)."""
        ratio, order, quality = hz / self.corner[:, None], self.order[:, None], self.quality[:, None]
        first = np.where(order % 2 == 1, first_order(ratio, high), 1)
        second = second_order(ratio, quality, high)
        return np.asarray(first * np.where(order >= 2, second, 1) * np.where(order == 4, second, 1))


@dataclass(frozen=True)
class Echoes:
    """count (answers,), and delays [s] and gains [-] of so many as there may be, (answers, MOST_ECHOES)."""

    count: Integers
    seconds: Floats
    gains: Floats

    @classmethod
    def drawn(cls, latest: float, rng: np.random.Generator, count: int) -> Echoes:
        """Up to a latest one [s]."""
        echoes = rng.integers(0, MOST_ECHOES, count)
        strength = rng.uniform(0.0, 0.7, count)
        seconds, gains = np.empty((2, count, MOST_ECHOES))
        for number in range(MOST_ECHOES):
            delay = rng.uniform(0.0003, latest, count)
            seconds[:, number] = delay
            gains[:, number] = strength * rng.uniform(0.2, 1.0, count) * np.exp(-delay / ECHO_DECAY_SECONDS)
            gains[:, number] *= rng.choice([1.0, 1.0, 1.0, -1.0], count)
        return cls(echoes, seconds, gains)

    def near(self, rng: np.random.Generator, step: float) -> Echoes:
        """Varied by half such a share."""
        more = rng.integers(-FEWER_OR_MORE, FEWER_OR_MORE + 1, len(self.count))
        return Echoes(
            np.clip(self.count + more, 0, MOST_ECHOES),
            _varied(self.seconds, rng, step / 2),
            _varied(self.gains, rng, step / 2),
        )

    def response(self, hz: Floats) -> Phasors:
        """1 and what echoes add, (answers, bins); each has lost some treble."""
        total = np.zeros((len(self.count), len(hz)), dtype=np.complex128)
        for number in range(MOST_ECHOES):
            has = number < self.count
            # from one multiple of the lowest frequency to the next
            turn = np.exp(-2j * np.pi * hz[0] * self.seconds[has, number, None])
            turns = np.cumprod(np.broadcast_to(turn, (len(turn), len(hz))), axis=1)
            total[has] += self.gains[has, number, None] * turns
        return 1 + first_order(hz / 5000.0, False) * total


@dataclass(frozen=True)
class LinearPhase:
    """High-passes of linear phase: with the slope of a Butterworth filter of an order, or steep, as designed by
    a window, with a half width [Hz]. All (answers,)."""

    corner: Floats
    order: Integers
    width: Floats
    steep: Bools

    @classmethod
    def drawn(cls, band: str, rng: np.random.Generator, count: int) -> LinearPhase:
        """Half of them steep."""
        corner = LINEAR[band].drawn(rng, count)
        order = rng.choice(LINEAR_ORDERS, count)
        width = corner * STEEP_WIDTHS.drawn(rng, count)
        return cls(corner, order, width, rng.random(count) >= 0.5)

    def near(self, rng: np.random.Generator, step: float) -> LinearPhase:
        """Varied by such a share."""
        return LinearPhase(
            _varied(self.corner, rng, step),
            _changed(self.order, rng.choice(LINEAR_ORDERS, len(self.order)), rng),
            _varied(self.width, rng, step),
            _changed(self.steep, ~self.steep, rng),
        )

    def response(self, hz: Floats) -> Floats:
        """(answers, bins)."""
        corner, width, order = self.corner[:, None], self.width[:, None], self.order[:, None]
        steep = 0.5 + 0.5 * np.tanh((hz - corner) / width)
        sloped = 1 / np.sqrt(1 + (corner / hz) ** (2 * order))
        return np.where(self.steep[:, None], steep, sloped)


@dataclass(frozen=True)
class Answers:
    """Drawn answers of a band: corners [Hz], qualities and orders [-], each (answers,).

    port : corner of a vented box over the box's own [-]. linear : filters of linear phase before them, or None.
    """

    band: str
    box: Floats
    box_quality: Floats
    vented: Bools
    port: Floats
    port_quality: Floats
    leg: Leg
    top: Leg
    upper: Floats
    microphone: Floats
    microphone_first: Bools
    voice: Floats
    for_voice: Bools
    echoes: Echoes
    linear: LinearPhase | None = None

    @classmethod
    def drawn(cls, band: str, rng: np.random.Generator, count: int) -> Answers:
        """So many, as often as they are met."""
        family = FAMILIES[band]
        return cls(
            band,
            family.box.drawn(rng, count),
            rng.uniform(0.5, 1.4, count),
            rng.random(count) < 0.4,
            rng.uniform(0.7, 1.1, count),
            rng.uniform(0.6, 1.4, count),
            Leg.drawn(family.leg, rng, count),
            Leg.drawn(family.top, rng, count),
            family.upper.drawn(rng, count),
            MICROPHONE.drawn(rng, count),
            rng.random(count) < 0.5,
            VOICE.drawn(rng, count),
            rng.random(count) < VOICE_SHARE,
            Echoes.drawn(LATEST_ECHO_SECONDS[band], rng, count),
        )

    def near(self, rng: np.random.Generator, step: float) -> Answers:
        """Each varied by such a share of its figures [-]."""
        return dataclasses.replace(
            self,
            box=_varied(self.box, rng, step),
            box_quality=_varied(self.box_quality, rng, step),
            vented=_changed(self.vented, ~self.vented, rng),
            port=_varied(self.port, rng, step),
            port_quality=_varied(self.port_quality, rng, step),
            leg=self.leg.near(rng, step),
            top=self.top.near(rng, step),
            upper=_varied(self.upper, rng, step),
            microphone=_varied(self.microphone, rng, step),
            microphone_first=_changed(self.microphone_first, ~self.microphone_first, rng),
            voice=_varied(self.voice, rng, step),
            for_voice=_changed(self.for_voice, ~self.for_voice, rng),
            echoes=self.echoes.near(rng, step),
            linear=None if self.linear is None else self.linear.near(rng, step),
        )

    def spectra(self, hz: Floats) -> Phasors:
        """(answers, bins) at multiples of the first of these frequencies; each begins at time 0."""
        answer = np.repeat(lobe(self.band, hz)[None, :], len(self.box), axis=0)
        box = self.box[:, None]
        answer *= second_order(hz / box, self.box_quality[:, None], True)
        port = second_order(hz / (box * self.port[:, None]), self.port_quality[:, None], True)
        answer *= np.where(self.vented[:, None], port, 1)
        answer *= self.leg.response(hz, True)
        answer *= self.top.response(hz, False)
        answer *= second_order(hz / self.upper[:, None], 0.7, False)
        ratio = hz / self.microphone[:, None]
        first = self.microphone_first[:, None]
        answer *= np.where(first, first_order(ratio, True), second_order(ratio, 0.7, True))
        ratio = hz / self.voice[:, None]
        voice = second_order(ratio, BUTTERWORTH[0], True) * second_order(ratio, BUTTERWORTH[1], True)
        answer *= np.where(self.for_voice[:, None], voice, 1)
        answer *= self.echoes.response(hz)
        return answer if self.linear is None else answer * self.linear.response(hz)

    def taken(self, which: NDArray[np.intp]) -> Answers:
        """Some of them, in this order."""
        return cast(Answers, _taken(self, which))

    def joined(self, others: Answers) -> Answers:
        """These, and then others of the same band."""
        return cast(Answers, _joined(self, others))


def lobe(band: str, hz: Floats) -> Phasors:
    """Spectrum of a raised cosine that begins at time 0 (closed form), (bins,)."""
    turns = hz * LOBE_SECONDS[band]
    shape = np.sinc(turns) + 0.5 * np.sinc(turns - 1) + 0.5 * np.sinc(turns + 1)
    return np.asarray(shape * np.exp(-1j * np.pi * turns))


def first_order(ratio: Floats, high: bool) -> Phasors:
    """High-pass or low-pass of first order. ratio : frequency over corner."""
    return np.asarray((1j * ratio if high else 1) / (1 + 1j * ratio))


def second_order(ratio: Floats, quality: Floats | float, high: bool) -> Phasors:
    """High-pass or low-pass of second order. ratio : frequency over corner."""
    return np.asarray((-(ratio**2) if high else 1) / (1 - ratio**2 + 1j * ratio / quality))


def _varied(figures: Floats, rng: np.random.Generator, step: float) -> Floats:
    return np.asarray(figures * np.exp(step * rng.standard_normal(figures.shape)))


def _changed(kinds: NDArray[Any], others: NDArray[Any], rng: np.random.Generator) -> NDArray[Any]:
    """A small share of them replaced by others."""
    return np.where(rng.random(len(kinds)) < CHANGED_SHARE, others, kinds)


def _taken(part: Any, which: NDArray[np.intp]) -> Any:
    """Some of all arrays in a dataclass."""
    if dataclasses.is_dataclass(part) and not isinstance(part, type):
        fields = {field.name: getattr(part, field.name) for field in dataclasses.fields(part)}
        return type(part)(**{name: _taken(value, which) for name, value in fields.items()})
    return part[which] if isinstance(part, np.ndarray) else part


def _joined(one: Any, other: Any) -> Any:
    """All arrays of two dataclasses, one behind the other."""
    if dataclasses.is_dataclass(one) and not isinstance(one, type):
        names = [field.name for field in dataclasses.fields(one)]
        return type(one)(**{name: _joined(getattr(one, name), getattr(other, name)) for name in names})
    return np.concatenate([one, other]) if isinstance(one, np.ndarray) else one
