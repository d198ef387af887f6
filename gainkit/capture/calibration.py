"""The calibration file: what a recorder's full scale stands for, found with a meter, kept as TOML."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gainkit.calculator.ranges import Range, refuse_faults, within
from gainkit.errors import GainkitError
from gainkit.remarks import Remark
from gainkit.results import Result
from gainkit.strict import small_text, toml_from, toml_text

KEYS = ("full_scale_volts", "channel", "sample_rate_hz", "date", "how", "uncertainty_percent")
"""What the file holds."""

FULL_SCALE_VOLTS = Range("V", 0.000_001, 1_000_000, low_allowed=True)
"""Peak volts of digital 1.0: many with a high-voltage probe, and no input's full scale is below a microvolt."""

CHANNEL = Range("", 1, 1024, low_allowed=True, whole=True)
PERCENT = Range("%", 0, 50, low_allowed=True)
RATE_HZ = Range("Hz", 0, 1_000_000_000, low_allowed=True)


@dataclass(frozen=True, repr=False)
class Calibration(Result):
    """What a recorder's full scale stands for.

    full_scale_volts : peak volts of digital 1.0 [V]. channel : it was made on, counted from 1. sample_rate_hz :
    it was made at [Hz], 0 where that is not known. date : ISO. how : in words. tone_hz, tone_dbfs : of the tone
    it was made with [Hz], [dBFS], and notes : what to know of it; none of these three stands in the file.
    uncertainty_percent : standard uncertainty of full_scale_volts [%], 0 where that is not known.
    """

    full_scale_volts: float = within(FULL_SCALE_VOLTS)
    channel: int = within(CHANNEL, default=1)
    sample_rate_hz: float = within(RATE_HZ, default=0.0)
    date: str = ""
    how: str = ""
    tone_hz: float | None = None
    tone_dbfs: float | None = None
    notes: tuple[Remark, ...] = ()
    uncertainty_percent: float = within(PERCENT, default=0.0)

    def __post_init__(self) -> None:
        refuse_faults(self)

    def as_toml(self) -> str:
        """The file's text; the volts with all digits that a float holds."""
        return (
            "# Recorder calibration. Valid while the recorder's input gain stays where it was.\n"
            f"full_scale_volts = {self.full_scale_volts!r}\n"
            f"channel = {self.channel}\n"
            f"sample_rate_hz = {self.sample_rate_hz!r}\n"
            f"date = {toml_text(self.date)}\n"
            f"how = {toml_text(self.how)}\n"
            + (f"uncertainty_percent = {self.uncertainty_percent:.3g}\n" if self.uncertainty_percent else "")
        )


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file. Raises GainkitError that names the file and the key."""
    try:
        table = toml_from(small_text(path))
    except FileNotFoundError as fault:
        raise GainkitError("calibration_missing", file=str(path)) from fault
    except ValueError as fault:  # no TOML, no UTF-8, numbers too long
        raise GainkitError("not_a_calibration", file=str(path), reason=str(fault)) from fault
    except OSError as fault:
        raise GainkitError("file_unreadable", file=str(path), reason=str(fault.strerror)) from fault
    for key in sorted(set(table) - set(KEYS)):
        raise GainkitError("calibration_key_unknown", received=key, allowed=KEYS).within("file", path)
    table |= {key: str(table[key]) for key in ("date", "how") if key in table}
    try:
        known = Calibration(**{"full_scale_volts": None} | table)
    except GainkitError as fault:
        wrong = GainkitError("calibration_key", None, fault.received, fault.allowed, key=fault.parameter)
        raise wrong.within("file", path) from None
    return known
