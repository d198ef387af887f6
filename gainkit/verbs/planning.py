"""A system file to a plan."""

from __future__ import annotations

from pathlib import Path

from gainkit import job
from gainkit.job.plan import Plan
from gainkit.job.system import System


def plan_system(system: System | Path | str) -> Plan:
    """What the meter should read for every channel of a car.

    Parameters
    ----------
    system : System, str or Path
        The car's system file, or what `gainkit.load_system` made of it.

    Returns
    -------
    Plan
        One entry for each channel, with the fields of `gainkit.find_target`'s answer, and the cautions that
        concern the car.

    Raises
    ------
    GainkitError
        For a file that is none, with every fault in it, its key and line.

    References
    ----------
    As for `gainkit.find_target`.

    Examples
    --------
    >>> import gainkit, pathlib
    >>> example = pathlib.Path(gainkit.__file__).parent / "job" / "example_system.toml"
    >>> front = gainkit.plan_system(example).channels[0]
    >>> print(f"{front.name}: {front.set_volts:.2f} V at {front.tone_hz:g} Hz, {front.tone_dbfs:g} dBFS")
    Front: 16.60 V at 997 Hz, -5 dBFS
    """
    return job.plan_system(system if isinstance(system, System) else job.load_system(system))
