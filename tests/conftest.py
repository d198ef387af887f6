"""Shared by all tests: outside tools, and a way to run the command line as a user does."""

from __future__ import annotations

import gc
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, before numpy is loaded

DATA = Path(__file__).parent / "data"

# The same examples each time, and no word about how long they take: a busy machine changes no result.
settings.register_profile(
    "gainkit", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("gainkit")


def pytest_collection_finish() -> None:
    """Modules and tests stay to the end: looking through them for garbage over and over takes a twelfth of the
    time."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def oracle() -> Callable[[str], str]:
    """Path of an outside tool; absent: skip, or fail where GAINKIT_REQUIRE_ORACLES is set."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            if os.environ.get("GAINKIT_REQUIRE_ORACLES"):
                pytest.fail(f"{name} is required here and not installed")
            pytest.skip(f"{name} is not installed")
        return path

    return find


@dataclass(frozen=True)
class Answer:
    """What a command gave back."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        assert self.out.count("\n") == 1, f"not exactly one line of JSON: {self.out!r} {self.err!r}"
        return json.loads(self.out, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))

    @property
    def fault(self) -> dict[str, Any]:
        """What a refused call with --json gives scripts: code, parameter, received, allowed, text, remedy."""
        self.refused()
        error: dict[str, Any] = self.json["error"]
        assert {"code", "parameter", "received", "allowed", "text", "remedy"} <= set(error)
        assert error["code"] == "_".join(error["code"].lower().split()), f"no code: {error['code']!r}"
        return error

    def refused(self) -> str:
        """The two-part message of a refused call, after checking that it is one."""
        assert self.code == 2, (self.code, self.out, self.err)
        assert self.out == "" or set(self.json) == {"error"}
        assert "Traceback" not in self.err
        lines = self.err.strip().splitlines()
        assert lines[0].startswith("Problem: "), self.err
        assert any(line.startswith("Remedy: ") for line in lines), self.err
        return self.err


@pytest.fixture
def gainkit(capsys: pytest.CaptureFixture[str]) -> Callable[..., Answer]:
    """Run the command line in this process, through the same door as the installed command."""
    from gainkit.cli import main

    def run(*arguments: object) -> Answer:
        argv = sys.argv
        sys.argv = ["gainkit", *map(str, arguments)]
        capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as end:
            code = int(end.code or 0)
        finally:
            sys.argv = argv
        out, err = capsys.readouterr()
        return Answer(code, out, err)

    return run


@pytest.fixture(scope="session")
def gainkit_process() -> Callable[..., Answer]:
    """Run the command line in a process of its own (slower: for what needs one)."""

    def run(*arguments: object, **options: Any) -> Answer:
        done = subprocess.run(
            [sys.executable, "-c", "from gainkit.cli import main; main()", *map(str, arguments)],
            capture_output=True, text=True, check=False, **options,
        )  # fmt: skip
        return Answer(done.returncode, done.stdout, done.stderr)

    return run


@pytest.fixture(scope="session")
def demo(
    gainkit_process: Callable[..., Answer], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Answer]:
    """The demo's folder, to be read only, and what `gainkit demo --json` said: run once, for it is long."""
    folder = tmp_path_factory.mktemp("demo") / "gainkit-demo"
    answer = gainkit_process("demo", folder, "--json")
    assert answer.code == 0, answer.err
    return folder, answer


@pytest.fixture(scope="session")
def full_stick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The full tone set, written once, to be read only."""
    from gainkit.toneset.model import AudioFormat
    from gainkit.toneset.reading import read_set
    from gainkit.toneset.writing import write_set

    folder = tmp_path_factory.mktemp("full") / "stick"
    write_set(read_set("full"), folder, AudioFormat())
    return folder


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """The small tone set's file."""
    from tests.sticks import SMALL

    path = tmp_path / "small.toml"
    path.write_text(SMALL)
    return path


@pytest.fixture
def stick(small: Path, tmp_path: Path) -> Path:
    """The small tone set, written."""
    from gainkit.toneset.model import AudioFormat
    from gainkit.toneset.reading import read_set
    from gainkit.toneset.writing import write_set

    folder = tmp_path / "stick"
    write_set(read_set(str(small)), folder, AudioFormat())
    return folder
