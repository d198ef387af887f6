"""Two thousand spoiled files through the command line: each ends with an answer or a fault, never otherwise.

A warning is an error here (pyproject.toml), so that figures that overflow on the way are found as well. A failure
is kept by its seed in KNOWN, and runs in every run from then on.
"""

from __future__ import annotations

import json
import random
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gainkit.results import to_plain
from tests import records
from tests.conftest import DATA, Answer
from tests.hostile import generators

ROOT = Path(__file__).parent.parent.parent

SAMPLE = {"text": 12, "audio": 12, "record": 8, "system": 15, "recorder": 6, "tones": 10, "index": 10}
"""Seeds in every run."""

MANY = {"text": 500, "audio": 400, "record": 300, "system": 350, "recorder": 150, "tones": 150, "index": 150}
"""Seeds in the long run: 2,000."""

KNOWN: list[tuple[str, int]] = []
"""(kind, seed) of what once failed."""

ASKED = (["measure"], ["measure"], ["measure", "--json"], ["onset"], ["polarity"], ["noise"], ["routing"])

OF_JOB = (["job", "status"], ["job", "status", "--json"], ["job", "readings"], ["job", "report"], ["sheet"])

PLANNED = (["plan"], ["plan", "--json"], ["plan", "--markdown"], ["plan", "--csv"])


def lines() -> list[dict[str, Any]]:
    """Good lines of a record, one of each kind that a stranger may spoil."""
    results = (
        (
            "measure",
            ["Rear"],
            records.measured(10.0),
        ),
        ("onset", ["Front/left"], records.onset(-4.9)),
        ("polarity", ["Front/left"], records.polarity("positive")),
        ("polarity-pair", ["Front/left", "Front/right"], records.pair("same")),
        ("volume", [], records.volume(31, 4.0)),
        ("routing", [], records.routing(True)),
        ("match", ["Front/left", "Front/right"], records.match(0.0, -1.5)),
        ("noise", ["Rear"], records.noise("quiet")),
    )
    common = {
        "when": "2025-05-05T10:00:00+00:00",
        "who": None,
        "origin": "capture",
        "captures": ["a.wav"],
        "plan": None,
    }
    return [
        {**common, "kind": kind, "outputs": outputs, "result": to_plain(result)}
        for kind, outputs, result in results
    ]


def spoiled_call(kind: str, seed: int, folder: Path) -> list[object]:
    """Write one spoiled file and say which command reads it."""
    rng = random.Random(seed)
    match kind:
        case "text" | "audio":
            path = folder / f"capture.{'csv' if kind == 'text' else 'wav'}"
            path.write_bytes(getattr(generators, kind)(seed))
            asked = rng.choice(ASKED)
            return [*asked[:1], path, *asked[1:]]
        case "record":
            job = records.new_job(folder / "job")
            good = lines()
            spoiled = generators.spoiled_json(seed, rng.choice(good))
            whole = "\n".join(json.dumps(each) for each in good).encode()
            (job / "readings.jsonl").write_bytes(whole + b"\n" + spoiled + b"\n")
            asked = rng.choice(OF_JOB)
            return [*asked[:2], job, *asked[2:]]
        case "system":
            path = folder / "system.toml"
            path.write_bytes(
                generators.toml(seed, (DATA / "systems" / "whole_car.toml").read_text(encoding="utf-8"))
            )
            asked = rng.choice(PLANNED)
            return [*asked[:1], path, *asked[1:]]
        case "recorder":
            path = folder / "recorder.toml"
            path.write_bytes(generators.toml(seed, RECORDER))
            return ["measure", DATA / "captures" / "split_997hz_0v2.flac", "--calibration", path]
        case "tones":
            path = folder / "set.toml"
            path.write_bytes(generators.toml(seed, (ROOT / "tones" / "phone.toml").read_text(encoding="utf-8")))
            return ["tones", "show", path]
    (folder / "index.json").write_bytes(generators.spoiled_json(seed, INDEX))
    if rng.random() < 0.5:
        return ["tones", "check", folder]
    return ["onset", DATA / "captures" / "split_997hz_0v9.flac", "--index", folder / "index.json"]


RECORDER = (
    'full_scale_volts = 42.4\nchannel = 1\nsample_rate_hz = 48000.0\ndate = "2025-05-05"\nhow = "997 Hz tone"\n'
)

STEPS = [{"role": "step", "start_frame": 48_000 * place, "stop_frame": 48_000 * (place + 1), "level_dbfs": place - 20.0,
          "frequency_hz": 997.0, "start_seconds": 1.0 * place, "stop_seconds": place + 1.0} for place in range(21)]  # fmt: skip

INDEX = {
    "made_by": "gainkit", "set": "one", "title": "One", "sample_rate_hz": 48_000, "bits": 16, "format": "wav",
    "tracks": [
        {"file": "01.wav", "kind": "staircase", "title": "Staircase", "use": "", "cautions": [], "channels": "both",
         "frequency_hz": 997.0, "level_dbfs": 0.0, "level_kind": "peak", "scaled_db": 0.0, "seconds": 21.0,
         "frames": 1_008_000, "dither": True, "seed": 1, "parameters": {"from_dbfs": -20.0, "to_dbfs": 0.0}, "marker": None,
         "steps": STEPS, "notes": [], "sha256": "0" * 64}
    ],
}  # fmt: skip


def check(kind: str, seed: int, folder: Path, gainkit: Callable[..., Answer]) -> None:
    """One spoiled file: an exit status of ours, two parts where it is refused, nothing that steers a terminal."""
    call = spoiled_call(kind, seed, folder)
    answer = gainkit(*call)
    assert answer.code in (0, 1, 2), (kind, seed, call)
    if answer.code == 2:
        answer.refused()
    steering = [
        c for c in answer.out + answer.err if unicodedata.category(c) in ("Cc", "Cf", "Cs") and c not in "\n\t"
    ]
    assert not steering, (kind, seed, call)


@pytest.mark.parametrize("kind", sorted(SAMPLE))
def test_a_sample_of_spoiled_files(kind: str, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    for seed in [*range(SAMPLE[kind]), *(seed for known, seed in KNOWN if known == kind)]:
        folder = tmp_path / str(seed)
        folder.mkdir()
        check(kind, seed, folder, gainkit)


@pytest.mark.long
@pytest.mark.parametrize("part", range(5))
@pytest.mark.parametrize("kind", sorted(MANY))
def test_spoiled_files(kind: str, part: int, tmp_path: Path, gainkit: Callable[..., Answer]) -> None:
    for seed in range(1000 + part, 1000 + MANY[kind], 5):
        folder = tmp_path / str(seed)
        folder.mkdir()
        check(kind, seed, folder, gainkit)
