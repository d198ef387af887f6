"""`gainkit bench` in a process of its own, that can be killed and stopped."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass
class Program:
    """One run, and the address that it printed."""

    process: subprocess.Popen[str]
    address: str

    @property
    def port(self) -> int:
        return int(self.address.split(":")[2].split("/")[0])

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(timeout=30)


@pytest.fixture
def program() -> Iterator[Callable[..., Program]]:
    """Starts programs; none outlives its test."""
    started: list[Program] = []

    def start(job: Path, *more: str, environment: Mapping[str, str] | None = None) -> Program:
        words = [sys.executable, "-m", "gainkit", "bench", str(job), *more]
        process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment)
        assert process.stdout is not None
        started.append(Program(process, process.stdout.readline().split()[-1]))
        return started[-1]

    yield start
    for each in started:
        each.kill()
