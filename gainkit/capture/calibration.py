"""The calibration file: what a recorder's full scale stands for, found with a meter, kept as TOML."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path

from gainkit.errors import GainkitError
from gainkit.results import Result

KEYS = ("full_scale_volts", "channel", "sample_rate_hz", "date", "how")


@dataclass(frozen=True, repr=False)
class Calibration(Result):
    """full_scale_volts : peak volts of digital 1.0 [V]. channel : it was made on. how : in words."""

    full_scale_volts: float
    channel: int
    sample_rate_hz: float
    date: str
    how: str

    def as_toml(self) -> str:
        """The file's text; the volts with all digits that a float holds."""
        how = self.how.replace("\\", "/").replace('"', "'")
        return (
            "# Recorder calibration. Valid while the recorder's input gain stays where it was.\n"
            f"full_scale_volts = {self.full_scale_volts!r}\n"
            f"channel = {self.channel}\n"
            f"sample_rate_hz = {self.sample_rate_hz!r}\n"
            f'date = "{self.date}"\n'
            f'how = "{how}"\n'
        )


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file. Raises GainkitError that names the key."""
    try:
        with open(path, "rb") as file:
            table = tomllib.load(file)
    except FileNotFoundError as fault:
        raise GainkitError(
            f"The calibration file {path} is not there.", "Make one with `gainkit calibrate`."
        ) from fault
    except (ValueError, RecursionError) as fault:  # no TOML, no UTF-8, numbers too long
        raise GainkitError(
            f"{path} is no calibration file ({fault}).", "Make one with `gainkit calibrate`."
        ) from fault
    except OSError as fault:
        raise GainkitError(
            f"{path} cannot be read ({fault.strerror}).", "Give the calibration file."
        ) from fault
    unknown = sorted(set(table) - set(KEYS))
    if unknown:
        raise GainkitError(f"{path}: unknown key {unknown[0]}.", f"Known are {', '.join(KEYS)}.")
    volts = table.get("full_scale_volts")
    if isinstance(volts, bool) or not isinstance(volts, int | float) or not 0 < volts < math.inf:
        raise GainkitError(
            f"{path}: full_scale_volts is {volts!r}; it must be a number above 0, in volts.",
            "Make the file with `gainkit calibrate`.",
        )
    channel, rate = table.get("channel", 1), table.get("sample_rate_hz", 0.0)
    if isinstance(channel, bool) or not isinstance(channel, int) or channel < 1:
        raise GainkitError(f"{path}: channel is {channel!r}.", "Give a whole number from 1.")
    if isinstance(rate, bool) or not isinstance(rate, int | float):
        raise GainkitError(f"{path}: sample_rate_hz is {rate!r}.", "Give a number in Hz.")
    return Calibration(
        float(volts), channel, float(rate), str(table.get("date", "")), str(table.get("how", ""))
    )
