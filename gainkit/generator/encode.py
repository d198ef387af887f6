"""From waveforms to the integers of a file: scaling, dither, rounding, tiling.

Sixteen bits are made in integers. The signal is taken to 2^-16 of a step (32 bit words), two uniform 16-bit
random numbers are added (their sum is triangular, 2 steps wide: TPDF), and the upper half of the word is the
sample. The total error is then white with variance lsb^2/4, whatever the signal (Lipshitz, Wannamaker and
Vanderkooy, J. Audio Eng. Soc. 40 (1992): cited from memory; the figure is checked by test). A part that repeats
is turned into such words once and laid down again and again, each time under fresh dither.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.model import Part, Waveform

BLOCK_FRAMES = 1 << 14
"""Frames rendered and written at a time; small enough to stay in a processor's cache."""


@dataclass(frozen=True)
class SampleFormat:
    """How a sample is stored: 16 or 24 bit integer, or 32 bit float."""

    bits: int

    @property
    def is_float(self) -> bool:
        """32 bit samples are floats."""
        return self.bits == 32

    @property
    def full_scale(self) -> float:
        """Steps to digital full scale: what a reader divides by."""
        return 1.0 if self.is_float else 2.0 ** (self.bits - 1)

    @property
    def bytes(self) -> int:
        """Bytes of one sample in a WAV file."""
        return self.bits // 8

    def dithered(self, dither: bool | None) -> bool:
        """Whether dither is added: as asked, and if not asked at 16 bit only. Floats never are."""
        return not self.is_float and (self.bits == 16 if dither is None else dither)

    def ceiling(self, dither: bool) -> float:
        """Highest peak [re full scale] that no sample exceeds once dithered and rounded.

        The positive end is full_scale - 1; dither reaches just under one step further, so it takes one step
        more: 0 dBFS with dither is 0.00053 dB low at 16 bit.
        """
        if self.is_float:
            return 1.0
        return 1.0 - (2.0 if dither else 1.0) / self.full_scale


def encoded_blocks(
    waveform: Waveform, sample_format: SampleFormat, *, dither: bool, seed: int
) -> Iterator[NDArray[Any]]:
    """The track as blocks of shape (frames, 2): int16, int32 holding 24 bits, or float32.

    Dither is seeded by `seed` and drawn anew for every sample of both channels. A channel that is off, and
    parts of digital silence, hold exact zeros. The whole track is scaled by `scale_for`, by 1 in all but the
    loudest tracks.
    """
    encoder = _Encoder(waveform, sample_format, dither, seed)
    for part in waveform.parts:
        yield from encoder.blocks(part)


def scale_for(waveform: Waveform, sample_format: SampleFormat, dither: bool) -> float:
    """Factor [-] on the whole track so that its peak stays under the format's ceiling; 1 where it does
    anyway."""
    ceiling = sample_format.ceiling(dither)
    return ceiling / waveform.peak if waveform.peak > ceiling else 1.0


class _Encoder:
    """Holds what one track's blocks share: the random generator, the scale, the format."""

    def __init__(self, waveform: Waveform, sample_format: SampleFormat, dither: bool, seed: int) -> None:
        scale = scale_for(waveform, sample_format, dither)
        self.gains = [scale * gain for gain in waveform.gains]
        self.off = [index for index, gain in enumerate(waveform.gains) if gain == 0.0]
        self.format = sample_format
        self.dither = dither
        self.random = np.random.SFC64(np.random.SeedSequence([seed, 0xD17E]))
        self.dtype: Any = {16: np.int16, 24: np.int32, 32: np.float32}[sample_format.bits]
        if dither:
            self.shift = 32 - sample_format.bits  # bits below a step, in 32-bit words
            # In units of the lowest bit: the two numbers' mean, 2^shift - 1, comes off; cutting the bits below
            # a step off takes (2^shift - 1) / 2 away on average, which goes on.
            self.words_scale, self.words_offset = 2.0**31, -0.5 * ((1 << self.shift) - 1)
        else:
            self.shift = 0
            self.words_scale, self.words_offset = sample_format.full_scale, 0.0

    def blocks(self, part: Part) -> Iterator[NDArray[Any]]:
        """One part as finished blocks."""
        if part.render is None:
            zeros = np.zeros((min(BLOCK_FRAMES, max(part.frames, 1)), 2), self.dtype)
            for start in range(0, part.frames, BLOCK_FRAMES):
                yield zeros[: min(BLOCK_FRAMES, part.frames - start)]
            return
        if part.period_frames:
            tile = self._tile(part)
            step = math.ceil(len(tile) / math.ceil(len(tile) / BLOCK_FRAMES))
            at = 0
            while at < part.frames:
                first = at % len(tile)
                words = tile[first : first + min(step, part.frames - at)]
                yield self._dithered(words) if self.dither else words
                at += len(words)
            return
        for start in range(0, part.frames, BLOCK_FRAMES):
            words = self._words(part, start, min(start + BLOCK_FRAMES, part.frames))
            yield self._dithered(words) if self.dither else words

    def _tile(self, part: Part) -> NDArray[Any]:
        """The words of a repeating part: its period rendered once, laid end to end until it makes a block."""
        period = part.period_frames
        repeats = max(BLOCK_FRAMES // period, 1)
        tile = np.empty((period * repeats, 2), np.int32 if self.dither else self.dtype)
        for start in range(0, period, BLOCK_FRAMES):
            stop = min(start + BLOCK_FRAMES, period)
            tile[start:stop] = self._words(part, start, stop)
        for again in range(1, repeats):
            tile[again * period : (again + 1) * period] = tile[:period]
        return tile

    def _words(self, part: Part, start: int, stop: int) -> NDArray[Any]:
        """Frames start..stop before dither: 32-bit words with `shift` bits below a step, or the finished
        samples."""
        assert part.render is not None
        rendered = part.render(start, stop)
        if rendered.ndim == 1 and self.gains[0] == self.gains[1]:
            return _on_both(self._column(rendered, self.gains[0]))
        words = np.zeros((stop - start, 2), np.int32 if self.dither else self.dtype)
        for channel, gain in enumerate(self.gains):
            if gain != 0.0:
                signal = rendered if rendered.ndim == 1 else rendered[:, channel]
                words[:, channel] = self._column(signal, gain)
        return words

    def _column(self, signal: NDArray[np.float64], gain: float) -> NDArray[Any]:
        """One channel's words."""
        scaled = signal * (gain * self.words_scale)
        scaled += self.words_offset
        if not self.format.is_float:
            np.rint(scaled, out=scaled)
        return scaled.astype(np.int32 if self.dither else self.dtype)

    def _dithered(self, words: NDArray[Any]) -> NDArray[Any]:
        """Add two uniform numbers of `shift` bits to each word and cut the bits below a step off."""
        shape, count = words.shape, words.size
        draw = self.random.random_raw((count + 1) // 2).view(np.uint32)[:count]
        total = draw >> np.uint32(32 - self.shift)
        draw &= np.uint32((1 << self.shift) - 1)
        total += draw
        sums = total.view(np.int32)
        sums += words.reshape(-1)
        sums >>= self.shift
        out = sums.astype(self.dtype, copy=False).reshape(shape)
        for channel in self.off:
            out[:, channel] = 0
        return out


def _on_both(column: NDArray[Any]) -> NDArray[Any]:
    """A column of words twice side by side, shape (frames, 2): as one number of twice the width, times 1...1,
    which is faster than two copies with gaps."""
    bits = 8 * column.itemsize
    wide = column.view(f"u{column.itemsize}").astype(f"u{2 * column.itemsize}")
    wide *= (1 << bits) + 1
    return wide.view(column.dtype).reshape(-1, 2)
