"""10,000 mangled files through every reader: a capture or a fault of the user's side, within two seconds each.

Run with: pytest -m benchmark -s tests/benchmarks/bench_capture.py
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.test_capture_audio import STEREO
from tests.test_capture_text import DIALECTS, check_mangled
from tests.waves import RATE

EACH = 400


@pytest.mark.benchmark
def test_ten_thousand_mangled_files(tmp_path: Path) -> None:
    sources = [("\n".join(lines) + "\n").encode() for lines in DIALECTS.values()]
    for form in ("WAV", "WAVEX", "AIFF", "CAF", "FLAC", "W64", "RF64"):
        path = tmp_path / "whole"
        soundfile.write(path, STEREO[:600], RATE, format=form, subtype="PCM_16")
        sources.append(path.read_bytes())
    draw = np.random.default_rng(9)
    slowest, count = 0.0, 0
    for content in sources:
        for _ in range(EACH):
            begun = time.perf_counter()
            check_mangled(tmp_path / "mangled", content, draw)
            slowest, count = max(slowest, time.perf_counter() - begun), count + 1
    print(f"\n{count} mangled files, slowest {slowest:.2f} s")
    assert count >= 10_000
    assert slowest < 2.0
