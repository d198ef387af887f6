"""A question of the quiz, and what its kinds are drawn from."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Any

from gainkit.calculator.amplifier import Rating
from gainkit.calculator.channel import Channel
from gainkit.figures import plain

WATTS = (30.0, 45.0, 50.0, 60.0, 75.0, 80.0, 100.0, 120.0, 150.0, 200.0, 300.0, 400.0, 500.0)
LOADS = (2.0, 4.0, 4.0, 4.0, 8.0)
SOURCES = (1.6, 2.0, 2.4, 3.2, 4.0, 4.5, 5.0)
OVERLAPS = (0.0, 3.0, 5.0, 5.0, 6.0, 8.0, 10.0)
"""What plates, radios and shops say, the more usual ones more often (invented figures)."""

PLACES = ("front", "rear", "subwoofer", "centre", "door", "tweeter")


@dataclass(frozen=True)
class Answer:
    """A question with its answer.

    kind : its name. level : 1 to 3. text : the question. answer : for a person; figures : by name with units,
    as the calculator and the analysis give them. working : the way there. capture : name of the recording that
    it is about, None without one. truth : what the recording was made from.
    """

    kind: str
    level: int
    text: str
    answer: str
    figures: dict[str, float]
    working: str
    capture: str | None = None
    truth: dict[str, Any] | None = None


@dataclass(frozen=True)
class Car:
    """One channel of an invented car, drawn by chance."""

    place: str
    watts: float
    ohms: float
    source_volts: float
    overlap_db: float
    speaker_watts: float

    @classmethod
    def drawn(cls, chance: Random) -> Car:
        """A car; the loudspeaker takes between half and twice the amplifier's watts."""
        watts = chance.choice(WATTS)
        return cls(
            place=chance.choice(PLACES),
            watts=watts,
            ohms=chance.choice(LOADS),
            source_volts=chance.choice(SOURCES),
            overlap_db=chance.choice(OVERLAPS),
            speaker_watts=5 * round(watts * chance.uniform(0.5, 2.0) / 5),
        )

    @property
    def plate(self) -> str:
        """What stands on the plate."""
        return f"{plain(self.watts)} W into {plain(self.ohms)} ohm"

    def channel(self, **more: Any) -> Channel:
        """The calculator's input, without the loudspeaker unless it is given."""
        given = {"load_ohms": self.ohms, "overlap_db": self.overlap_db, "source_volts": self.source_volts}
        return Channel((Rating(self.watts, self.ohms),), **(given | more))
