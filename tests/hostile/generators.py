"""Hostile inputs from a seed: captures, records, system files and calls, each the same every time.

Every generator starts from something good and spoils it: one figure, one byte, one key, one option. What is known
to have broken something stands in `cases.py` as it was.
"""

from __future__ import annotations

import io
import json
import random
import struct
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import soundfile

FIGURES = (
    "nan", "inf", "-inf", "1e308", "-1e308", "1e-308", "5e-324", "0", "-0.0", "-1", "1e12", "9.9e37", "1_000",
    "0x10", "1e400", "9" * 400, "9" * 5000, "---", "", " ", "1.#INF", "\u221e", "\u0663", "true", "'", '"', "\0",
    ",,,,", "\x1b[31m", "=1+1", "1d5", "..", "1,5", "\u202e", "\ufeff", "+", "[", "{", "1e", "#",
)  # fmt: skip
"""What may stand where a figure should."""

VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 1e308, -1e308, 5e-324, 10**18, 10**25, 1e18, "", "x", "\x1b[2J\x07", "nan", "=1+1",
    "a" * 10_000, [], {}, [[]], [{}], {"a": 1}, [None], [1, "a"], [1e308, -1e308],
)  # fmt: skip
"""What may stand where a value of JSON should."""

TEXTS = (
    "Time (s),CH1 (V)\n"
    + "".join(f"{place * 1e-5:.6g},{0.3 * ((place * 7) % 11 - 5):.4g}\n" for place in range(400)),
    "# dt = 1e-05 s\n" + "".join(f"{0.1 * ((place * 7) % 11 - 5):.4g}\n" for place in range(400)),
    "Zeit;Kanal 1\nms;mV\n"
    + "".join(f"{place / 100:.6g};{30 * ((place * 7) % 11 - 5)},5\n".replace(".", ",") for place in range(400)),
    "Sample Rate\t100 kHz\n\nCH1\tCH2\n"
    + "".join(f"{0.1 * ((place * 7) % 11 - 5):.4g}\t{place % 3}\n" for place in range(400)),
    '"Time","Volt"\n' + "".join(f'"{place}e-5","{(place * 7) % 11 - 5}"\n' for place in range(400)),
)


def text(seed: int) -> bytes:
    """An oscilloscope's text, spoiled."""
    rng = random.Random(seed)
    lines = rng.choice(TEXTS).split("\n")
    for _ in range(rng.choice((1, 1, 2, 5))):
        place = rng.choice((0, 1, 2, rng.randrange(len(lines)), len(lines) - 2)) % len(lines)
        match rng.randrange(8):
            case 0 | 1 | 2:
                cells = lines[place].split(",")
                cells[rng.randrange(len(cells))] = rng.choice(FIGURES)
                lines[place] = ",".join(cells)
            case 3:
                lines[place] = rng.choice(
                    ("1,", " ", "_", "(", "9", '"', "dt ", "\u00b5", "-", "\0")
                ) * rng.choice((50, 3000, 70_000))
            case 4:
                del lines[place:]
                lines.append("")
            case 5:
                lines.insert(place, rng.choice(FIGURES))
            case 6:
                figure = rng.choice(FIGURES)
                lines = [line.replace("1", figure) if at > 2 else line for at, line in enumerate(lines)]
            case 7:
                lines[place] = lines[place] * rng.choice((2, 300))
    data = "\n".join(lines).encode(rng.choice(("utf-8", "utf-8", "utf-8", "utf-16", "utf-16-le")), "replace")
    return _struck(rng, data, len(data)) if rng.random() < 0.3 else data


FORMS = (
    ("WAV", "PCM_U8"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("AIFF", "PCM_16"),
    ("CAF", "PCM_24"), ("W64", "PCM_16"), ("RF64", "PCM_16"), ("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("AU", "FLOAT"),
    ("WAV", "ULAW"), ("AIFF", "PCM_S8"), ("WAVEX", "PCM_24"),
)  # fmt: skip


@cache
def _good_audio(container: str, subtype: str, channels: int) -> bytes:
    wave = 0.5 * np.sin(2 * np.pi * 997 / 44_100 * np.arange(8000))
    file = io.BytesIO()
    soundfile.write(file, np.tile(wave[:, None], channels), 44_100, format=container, subtype=subtype)
    return file.getvalue()


def audio(seed: int) -> bytes:
    """A recording with a header or samples that lie."""
    rng = random.Random(seed)
    data = _good_audio(*rng.choice(FORMS), rng.choice((1, 2, 2, 6)))
    match rng.randrange(5):
        case 0 | 1:
            return _struck(rng, data, 120)
        case 2:
            data = data[: rng.randrange(1, len(data))]
        case 3:
            at = rng.randrange(4, min(100, len(data) - 8))
            field = struct.pack(
                rng.choice(("<I", ">I")), rng.choice((0, 1, 2**31 - 1, 2**31, 2**32 - 1, 65_535, 256))
            )
            data = data[:at] + field + data[at + 4 :]
        case 4:
            spoiled = np.frombuffer(data[: len(data) // 8 * 8], "<f4").copy()
            spoiled[rng.randrange(30, len(spoiled))] = rng.choice((np.nan, np.inf, 1e38, -1e-42))
            data = spoiled.tobytes()
    return data


def _struck(rng: random.Random, data: bytes, upto: int) -> bytes:
    """Some bytes changed, lost or doubled."""
    spoiled = bytearray(data)
    for _ in range(rng.choice((1, 2, 4, 16))):
        at = rng.randrange(max(min(upto, len(spoiled)), 1))
        match rng.randrange(4):
            case 0 | 1:
                spoiled[at : at + 1] = bytes([rng.choice((0, 1, 255, 127, 128, rng.randrange(256)))])
            case 2:
                del spoiled[at : at + rng.choice((1, 2, 4))]
            case 3:
                spoiled[at:at] = spoiled[at : at + rng.choice((1, 4, 64))]
    return bytes(spoiled)


def spoiled_json(seed: int, good: Any) -> bytes:
    """Good plain values with one or two of them changed, lost or deepened, as a line of JSON."""
    rng = random.Random(seed)
    plain = json.loads(json.dumps(good))
    for _ in range(rng.choice((1, 1, 2, 3))):
        inside, key = _place(rng, plain)
        if inside is None:
            plain = rng.choice(VALUES)
            continue
        match rng.randrange(6):
            case 0:
                del inside[key]
            case 1 if isinstance(inside[key], list):
                inside[key] = inside[key] * rng.choice((0, 2, 50))
            case 2:
                inside[key] = _deep(rng.choice((5, 40, 400)))
            case _:
                inside[key] = rng.choice(VALUES)
    line = json.dumps(plain)
    if rng.random() < 0.1:
        line = line.replace(":", rng.choice((': 1e400, "a":', ': NaN, "b":', ": " + "9" * 5000 + ', "c":')), 1)
    return line.encode()


def _place(rng: random.Random, plain: Any) -> tuple[Any, Any]:
    """Somewhere in plain values: what holds it and by which key; None for the whole."""
    places: list[tuple[Any, Any]] = []
    todo = [plain]
    while todo:
        each = todo.pop()
        keys = list(each) if isinstance(each, dict) else range(len(each)) if isinstance(each, list) else ()
        for key in keys:
            places.append((each, key))
            todo.append(each[key])
    return rng.choice(places) if places else (None, None)


def _deep(levels: int) -> Any:
    inside: Any = 1
    for _ in range(levels):
        inside = [inside]
    return inside


def toml(seed: int, good: str) -> bytes:
    """A good TOML file, spoiled."""
    rng = random.Random(seed)
    lines = good.split("\n")
    keyed = [place for place, line in enumerate(lines) if "=" in line and not line.lstrip().startswith("#")]
    for _ in range(rng.choice((1, 1, 2, 4))):
        place = rng.choice(keyed)
        key = lines[place].split("=")[0]
        match rng.randrange(7):
            case 0 | 1 | 2:
                lines[place] = f"{key}= {rng.choice(FIGURES)}"
            case 3:
                lines[place] = f"{key}= {rng.choice(TOML_VALUES)}"
            case 4:
                lines[place] = key.strip() + ".a" * rng.choice((1, 30, 3000)) + " = 1"
            case 5:
                lines[place] = rng.choice(
                    ("[[[[", "a" * 3000 + " = 1", "[a]\n" * 50, "\0", "\x1b[31m = 1", "= 1")
                )
            case 6:
                lines.insert(place, lines[rng.randrange(len(lines))])
    data = "\n".join(lines).encode("utf-8", "replace")
    return _struck(rng, data, len(data)) if rng.random() < 0.15 else data


TOML_VALUES = (
    '"\\u001b[31m"', "[]", "{}", "[[]]", '[""]', "1e308", "-1e308", "5e-324", "inf", "nan", "true", "2020-01-01",
    "12:00:00", "0xffffffffffffffffffff", '"' + "x" * 5000 + '"', '"""a\nb"""', "{a = {b = {c = 1}}}", '"=1+1"',
    '"| a | b |"', '["a", "a"]', '[{ohms = 1e308}]', '"\\u202e"', "99999999999999999999",
)  # fmt: skip

EXTREMES = ("1e308", "-1e308", "5e-324", "1e-308", "nan", "inf", "-inf", "0", "-1", "1e12", "9" * 400, "1e400")
"""What may be typed for a figure."""

Generator = Callable[[int], bytes]
