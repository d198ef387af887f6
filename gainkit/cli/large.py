"""`live --large`: a reading in letters of blocks, to be read from the last row of a classroom."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gainkit.analysis import Measurement
    from gainkit.beside import Expected
    from gainkit.errors import GainkitError

ROWS, COLUMNS = 5, 5
"""Blocks of a letter."""

LETTERS = {
    "0": "01110 10001 10001 10001 01110", "1": "00100 01100 00100 00100 01110",
    "2": "11110 00001 01110 10000 11111", "3": "11110 00001 01110 00001 11110",
    "4": "10010 10010 11111 00010 00010", "5": "11111 10000 11110 00001 11110",
    "6": "01110 10000 11110 10001 01110", "7": "11111 00001 00010 00100 00100",
    "8": "01110 10001 01110 10001 01110", "9": "01110 10001 01111 00001 01110",
    "A": "01110 10001 11111 10001 10001", "B": "11110 10001 11110 10001 11110",
    "C": "01111 10000 10000 10000 01111", "D": "11110 10001 10001 10001 11110",
    "E": "11111 10000 11110 10000 11111", "F": "11111 10000 11110 10000 10000",
    "G": "01111 10000 10011 10001 01111", "I": "01110 00100 00100 00100 01110",
    "L": "10000 10000 10000 10000 11111", "N": "10001 11001 10101 10011 10001",
    "O": "01110 10001 10001 10001 01110", "P": "11110 10001 11110 10000 10000",
    "R": "11110 10001 11110 10010 10001", "S": "01111 10000 01110 00001 11110",
    "T": "11111 00100 00100 00100 00100", "V": "10001 10001 10001 01010 00100",
    "W": "10001 10001 10101 11011 10001", "d": "00001 01111 10001 10001 01111",
    "+": "00000 00100 01110 00100 00000", "-": "00000 00000 01110 00000 00000",
    ".": "00000 00000 00000 00000 00100", "?": "11110 00001 00110 00000 00100",
    " ": "00000 00000 00000 00000 00000",
}  # fmt: skip
"""Five rows of five blocks each (drawn here)."""

CELLS = 2
"""Characters of a terminal to one block: they are about twice as tall as wide [-]."""


def large_words(reading: Measurement | GainkitError, expected: Expected) -> tuple[str, ...]:
    """What is shown, a line each: what may hurt alone; else volts, what to turn, and the state."""
    from gainkit.advice import has_stray_dc, what_to_turn
    from gainkit.analysis import Measurement
    from gainkit.figures import filled, plain
    from gainkit.remarks import Remark, codes

    if not isinstance(reading, Measurement):
        return ("WAIT",)
    if has_stray_dc(reading):
        return (filled("DC {dc:+.2g} V", {"dc": reading.dc_volts}),)
    volts = f"{plain(reading.rms_volts, 4)} {'V' if reading.calibrated else 'FS'}"
    if reading.recorder_overload:
        return volts, "OVERLOAD"
    if not reading.steady_tone:
        return volts, "NO TONE"
    turn = what_to_turn(reading, expected.checks)
    words = {"on-target": "ON TARGET", "out-of-reach": "NOT CLEAN", "unknown": ""}
    told = words.get(turn.state, "")
    if "other_tone" in codes(note for note in reading.notes if isinstance(note, Remark)):
        told = "TONE?"
    elif turn.change_db is not None and turn.state in ("up", "down"):
        told = f"{turn.change_db:+z.1f} dB"
    state = (reading.clipping.state or "").upper().replace("-", " ")
    return tuple(word for word in (volts, told, state) if word)


def large_screen(words: tuple[str, ...], columns: int, rows: int) -> str:
    """The words in blocks, as large as they fit into so many characters; as they are where none fits."""
    wide = max(map(_blocks_wide, words))
    tall = len(words) * (ROWS + 1) - 1
    size = min(columns // (CELLS * wide), rows // tall)
    cells = CELLS * size
    if size < 1:
        if columns < wide or rows < tall:
            return "\n".join(word[:columns] for word in words)
        size, cells = 1, 1
    lines = []
    for number, word in enumerate(words):
        lines += [""] * (size if number else 0)
        for row in range(ROWS):
            bits = "0".join(LETTERS.get(letter, LETTERS["?"]).split()[row] for letter in word)
            line = "".join(("\u2588" if bit == "1" else " ") * cells for bit in bits).rstrip()
            lines += [line] * size
    return "\n".join(lines)


def _blocks_wide(word: str) -> int:
    """Blocks of a word, with one between letters."""
    return len(word) * (COLUMNS + 1) - 1
