"""The outputs of a car: every channel of the system file stands for one or several, set alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from gainkit.errors import GainkitError


@dataclass(frozen=True)
class Output:
    """One amplifier output. output : its own name, None for a channel's only one. name : 'Front/left'."""

    channel: str
    output: str | None
    expected_polarity: str = "positive"

    @property
    def name(self) -> str:
        """Channel and output, as they are given and shown."""
        return self.channel if self.output is None else f"{self.channel}/{self.output}"


def same_name(one: str, other: str) -> bool:
    """Whether two names mean the same thing: upper and lower case and blanks at the ends do not count."""
    return one.strip().casefold() == other.strip().casefold()


def find_output(outputs: Sequence[Output], name: str) -> Output:
    """The output of that name.

    Raises GainkitError: `output_needed` for a channel with several outputs, naming them; `unknown_output` with
    the nearest known name.
    """
    for each in outputs:
        if same_name(each.name, name):
            return each
    of_channel = [each for each in outputs if same_name(each.channel, name)]
    if len(of_channel) == 1:
        return of_channel[0]
    if of_channel:
        raise GainkitError("output_needed", "for_output", name, [each.name for each in of_channel])
    names = [each.name for each in outputs]
    close = get_close_matches(
        name.strip().casefold()[:80], [each.casefold() for each in names], n=1, cutoff=0.55
    )
    nearest = next((each for each in names if close and each.casefold() == close[0]), None)
    raise GainkitError("unknown_output", "for_output", name, names, nearest=nearest)
