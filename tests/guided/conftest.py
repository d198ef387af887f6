"""A car of our own for the guided job."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gainkit.job.folder import start_job

pytest.importorskip("starlette")
from gainkit.bench.addresses import Addresses
from gainkit.bench.app import Bench
from gainkit.bench.desk import Desk
from gainkit.bench.keys import Keys
from tests.guided.asking import PORT, Screen
from tests.guided.program import program
from tests.guided.sound import null_sink, player_of

__all__ = ["null_sink", "player_of", "program"]

SYSTEM = """
[job]
technician = "R. Okafor"
vehicle = "Marlin 2.0 estate"
[source]
preamp_volts = 4.0
clean_position = 31
[supply]
volts = 13.8
[[channel]]
name = "Front"
outputs = ["left", "right"]
rated_watts = 75
rated_ohms = 4
load_ohms = 4
speaker_watts = 90
overlap_db = 5
[[channel]]
name = "Subwoofer"
bridged = true
rated_watts = 500
rated_ohms = 2
min_ohms = 1
load_ohms = 2
lowpass_hz = 90
overlap_db = 5
"""


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """A job folder with a system and no reading."""
    system = tmp_path / "system.toml"
    system.write_text(SYSTEM)
    start_job(tmp_path / "car", system)
    return tmp_path / "car"


@pytest.fixture
def desk_of() -> Iterator[Callable[[Path], Desk]]:
    """Desks of job folders; each is closed at the end."""
    made: list[Desk] = []

    def make(folder: Path) -> Desk:
        made.append(Desk(folder))
        return made[-1]

    yield make
    for each in made:
        each.close()


@pytest.fixture
def desk(car: Path, desk_of: Callable[[Path], Desk]) -> Desk:
    """The desk of that job."""
    return desk_of(car)


@pytest.fixture
def bench(desk: Desk) -> Bench:
    """The application around that job, without a server."""
    return Bench(desk, Keys(), Addresses(PORT))


@pytest.fixture
def screen(bench: Bench) -> Screen:
    """A screen that was let in."""
    return Screen.opened(bench)
