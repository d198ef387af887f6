"""The guided job, started from Python."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path


def run_bench(
    job: str | Path,
    *,
    phone: bool = False,
    device: str | None = None,
    live: bool = False,
    calibration: str | Path | None = None,
    watch: str | Path | None = None,
    port: int = 0,
    simulate: bool = False,
    say: Callable[[str], None] = print,
) -> None:
    """Guide a job in a browser, until Ctrl-C.

    Parameters
    ----------
    job : str or Path
        The job's folder.
    phone : bool
        Whether the local network is served too; else this machine alone.
    device : str, optional
        The interface that is read live, by name or number; `live` reads the system's own.
    live : bool
        Whether an interface is read.
    calibration : str or Path, optional
        Of the recorder; the job's own recorder.toml where left out.
    watch : str or Path, optional
        A folder in which another program saves captures.
    port : int
        0 for any that is free.
    simulate : bool
        Whether readings come from a simulated amplifier with a knob to turn.
    say : callable
        Gets each address as a line; an address opens once.

    Returns
    -------
    None
        When it was stopped.

    Raises
    ------
    GainkitError
        `no_job` for a folder that is none, `address_in_use`, `needs_extra` without `gainkit[bench]`, and
        `job_is_simulated` or `simulate_needs_own_job` where real and simulated readings would mix.

    Examples
    --------
    >>> run_bench("a-folder-that-is-no-job")
    Traceback (most recent call last):
    gainkit.errors.GainkitError: 'a-folder-that-is-no-job' is not a job folder. Start one with \
gainkit.start_job(), or give a folder that holds a system.toml.
    """
    from gainkit.bench.serve import ServeOptions, opened

    known, folder = (None if each is None else Path(each) for each in (calibration, watch))
    with opened(ServeOptions(Path(job), phone, device, live, known, folder, port, simulate)) as running:
        for address in (running.addresses.local, running.addresses.phone):
            if address is not None:
                say(address)
        with contextlib.suppress(KeyboardInterrupt):  # the way to end it
            running.serve()
