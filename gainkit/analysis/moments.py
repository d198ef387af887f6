"""Moments of a recording in which the output clips although it does not where it was measured.

The tone that was fitted is followed through all of the recording in blocks of whole cycles. Where more is left
beside a sine than in the part that was measured, the block is looked at in pieces of a cycle or more: a sine
is fitted to the wave's flanks alone, and the piece is clipped where its crests end short of that sine's and
the sine so cut explains what was left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.middle import median
from gainkit.analysis.model import MeasureOptions, Stretch
from gainkit.analysis.movement import runs_of, step_in
from gainkit.capture.model import Capture
from gainkit.levels import db_from_ratio

Floats = NDArray[np.float64]

BLOCK_SECONDS = 0.01
"""The tone is followed in blocks of whole cycles of about this length [s]: shorter bursts are hardly heard."""

PIECE_SECONDS = 0.002
"""... and a block that stands out is looked at in pieces of about this length, of a cycle at least [s]."""

HIGHEST_SHARE = 1 / 6
"""Above this share of the sample rate a clipped wave has no third harmonic in the recording [-]."""

LEAST_PIECE_FRAMES = 12
"""A piece with fewer frames has too few on its flanks: it is longer then [-]."""

OUT_OF_NOISE = 8.0
"""A block stands out when what is left beside its sine lies so many standard deviations above the median of
the part that was measured [-]."""

LIMIT_SHARE = 0.7
"""... and is this share of the THD limit at least: a burst may fill only half of its block [-]."""

LEAST_LEVEL = 0.5
"""A block whose tone has less than this share of the measured one's peak is left alone [-]: fades, silence."""

FLANK_SHARE = 0.85
"""The flanks lie within this share of the wave's own extremes [-]."""

LEAST_FLANK_FRAMES = 6
"""So many frames of flanks at least, for the three figures of a sine [-]."""

LEAST_OVERDRIVE_DB = 0.3
"""A crest must end so far short of its sine: less shows under 1 % THD (derived from the Fourier series of a
clipped sine) [dB]."""

HIGHEST_OVERDRIVE_DB = 30.0
"""Flanks that promise more are those of a step, not of a sine [dB]."""

LEAST_EXPLAINED = 0.7
"""The cut sine must explain this share of what a sine leaves beyond the noise [-]."""

MOST_STEPS = 31
"""Places in a piece at which its level may step [-]."""

STEP_LEAVES = 0.5
"""The cut sine must leave less than this share of what one leaves whose level steps, noise apart [-] (our
choice)."""

MERGE_SECONDS = 0.03
"""Clipped pieces that lie no further apart are one moment [s]."""

LEAST_LEVELS = 4
"""Blocks in which a step is looked for, at least [-]."""

MOST_TESTED = 4096
"""Blocks that are looked at in pieces at once [-]: bounds memory."""


@dataclass(frozen=True)
class Trace:
    """The tone through all of a recording, block by block.

    start_seconds : of the first block; block_seconds : length of each [s]. levels_db : (blocks,) of the tone
    [dB re 1 V peak], in single precision (0.00001 dB): an hour has some 360,000. moments : the clipped ones, in
    the order of time.
    """

    start_seconds: float
    block_seconds: float
    levels_db: NDArray[np.float32]
    moments: tuple[Stretch, ...]

    def step_between(self, first_seconds: float, last_seconds: float) -> float:
        """When the level steps between two times [s]; the middle of a level that slides."""
        low, high = (
            round((each - self.start_seconds) / self.block_seconds) for each in (first_seconds, last_seconds)
        )
        levels = self.levels_db[max(low, 0) : high].astype(np.float64)
        if len(levels) < LEAST_LEVELS:
            return (first_seconds + last_seconds) / 2
        return self.start_seconds + (max(low, 0) + step_in(levels - levels.mean())) * self.block_seconds


def follow(
    capture: Capture,
    options: MeasureOptions,
    span: tuple[int, int],
    measured: Floats,
    frequency_hz: float,
) -> Trace | None:
    """Follow a tone through frames span[0]..span[1] of a recording; None where it is too high or too short.

    measured : (frames,) raw frames of the part that was measured, to which all is compared [V].
    """
    limit_thd_percent = options.limit_thd_percent
    angular = 2 * np.pi * frequency_hz / capture.sample_rate_hz
    if frequency_hz > HIGHEST_SHARE * capture.sample_rate_hz:
        return None
    pieces = _Pieces.of(angular, capture.sample_rate_hz)
    usual = pieces.usual(measured, limit_thd_percent)
    if usual is None:
        return None
    trace, count = np.empty((span[1] - span[0]) // pieces.block, dtype=np.float32), 0
    seen: list[tuple[int, float, float]] = []
    rows = max(1, (1 << 17) // pieces.block)
    for block in capture.blocks(
        *span, channel=options.channel, minus=options.minus, block_frames=rows * pieces.block
    ):
        table = block[: len(block) // pieces.block * pieces.block].reshape(-1, pieces.block)
        if not len(table):
            break
        peaks, left = pieces.sine_of(table)
        trace[count : count + len(peaks)] = db_from_ratio(np.maximum(peaks, 1e-15))
        odd = np.flatnonzero((left > usual.most(peaks)) & (peaks > LEAST_LEVEL * usual.peak))
        for some in np.array_split(odd, -(-len(odd) // MOST_TESTED)) if len(odd) else ():
            starts = span[0] + (count + some) * pieces.block
            seen += pieces.clipped_in(table[some], usual.left, starts, limit_thd_percent)
        count += len(peaks)
    if not count:
        return None
    rate, trace = capture.sample_rate_hz, trace[:count]
    # half a cycle before silence is as flat as one that is cut: a block beside none of the tone tells nothing
    there = np.concatenate([[True], trace > db_from_ratio(LEAST_LEVEL * usual.peak), [True]])
    within = there[:-2] & there[2:]
    seen = [each for each in seen if within[(each[0] - span[0]) // pieces.block]]
    return Trace(span[0] / rate, pieces.block / rate, trace, _merged(seen, pieces.piece, rate))


@dataclass(frozen=True)
class _Usual:
    """What the measured part leaves beside a sine, block by block.

    peak : of its tone [V]. left, above : median mean square, and from which on a block stands out [V^2].
    share : of the tone's power that must be left at least [-].
    """

    peak: float
    left: float
    above: float
    share: float

    def most(self, peaks: Floats) -> Floats:
        """What a block with a tone of such a peak may leave [V^2]."""
        return np.asarray(np.maximum(self.above, self.left + self.share * peaks**2 / 2))


@dataclass(frozen=True)
class _Pieces:
    """Lengths of a block and of a piece [frames], for a tone [rad/frame]."""

    angular: float
    block: int
    piece: int

    @staticmethod
    def of(angular: float, rate_hz: float) -> _Pieces:
        period = 2 * np.pi / angular

        def whole(seconds: float) -> int:
            return max(1, round(seconds * rate_hz / period))

        piece = whole(PIECE_SECONDS)
        piece = max(piece, int(np.ceil(LEAST_PIECE_FRAMES / period)))
        pieces = max(1, round(BLOCK_SECONDS * rate_hz / (piece * period)))
        frames = round(piece * period)
        return _Pieces(angular, pieces * frames, frames)

    def sine_of(self, table: Floats) -> tuple[Floats, Floats]:
        """Least squares of mean and sine in each row: peaks (rows,) [V], mean square that is left [V^2]."""
        turn = self.angular * np.arange(table.shape[1])
        basis = np.linalg.qr(np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=1))
        parts = table @ basis.Q
        power = np.einsum("ij,ij->i", table, table)
        left = np.maximum(power - np.einsum("ij,ij->i", parts, parts), 0.0) / table.shape[1]
        terms = parts @ np.linalg.inv(basis.R).T
        return np.hypot(terms[:, 1], terms[:, 2]), left

    def usual(self, measured: Floats, limit_thd_percent: float) -> _Usual | None:
        """What the measured part leaves; None for fewer than four blocks."""
        count = len(measured) // self.block
        if count < 4:
            return None
        peaks, left = self.sine_of(measured[: count * self.block].reshape(count, self.block))
        middle = median(left)
        spread = 1.4826 * median(np.abs(left - middle))
        share = (LIMIT_SHARE * limit_thd_percent / 100) ** 2
        return _Usual(median(peaks), middle, middle + OUT_OF_NOISE * spread, share)

    def clipped_in(
        self, table: Floats, noise: float, starts: NDArray[np.intp], limit_thd_percent: float
    ) -> list[tuple[int, float, float]]:
        """First frame, overdrive [dB] and rms [V] of each clipped piece of these rows.

        noise : mean square that is usually left [V^2]. starts : (rows,) frames of the rows.
        """
        pieces = table.reshape(-1, self.piece)
        first = (starts[:, np.newaxis] + np.arange(0, self.block, self.piece)).ravel()
        peaks, left = self.sine_of(pieces)
        least = (limit_thd_percent / 100) ** 2 * peaks**2 / 2
        chosen = np.flatnonzero(left - noise > least)
        told = []
        for place, by_step in zip(chosen, self.left_by_a_step(pieces[chosen]), strict=True):
            overdrive_db = self._overdrive_db(pieces[place], float(left[place]), noise, float(by_step))
            if overdrive_db is not None:
                told.append((int(first[place]), overdrive_db, float(np.std(pieces[place]))))
        return told

    def left_by_a_step(self, pieces: Floats) -> Floats:
        """Mean square that a sine whose level and phase step once leaves of each piece (rows, frames): (rows,)
        [V^2]."""
        frames = pieces.shape[1]
        turn = self.angular * np.arange(frames)
        power: Floats = np.einsum("ij,ij->i", pieces, pieces)
        least = power
        edge = max(frames // 16, 3)
        for at in np.unique(np.linspace(edge, frames - edge, MOST_STEPS).round().astype(int)):
            before = np.arange(frames) < at
            waves = [part * wave for wave in (np.cos(turn), np.sin(turn)) for part in (before, ~before)]
            parts = pieces @ np.linalg.qr(np.stack([np.ones(frames), *waves], axis=1)).Q
            least = np.minimum(least, power - np.einsum("ij,ij->i", parts, parts))
        return np.asarray(np.maximum(least, 0.0) / frames)

    def _overdrive_db(self, wave: Floats, left: float, noise: float, by_step: float) -> float | None:
        """How far the sine of the flanks goes beyond the crests; None where no cut sine explains the wave, or
        none does clearly better than one whose level steps, which leaves by_step [V^2]."""
        high, low = float(np.quantile(wave, 0.97)), float(np.quantile(wave, 0.03))
        centre, half = (high + low) / 2, (high - low) / 2
        turn = self.angular * np.arange(len(wave))
        columns = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=1)
        flanks = np.abs(wave - centre) < FLANK_SHARE * half
        if np.count_nonzero(flanks) < LEAST_FLANK_FRAMES:
            return None
        terms = np.linalg.lstsq(columns[flanks], wave[flanks], rcond=None)[0]
        mean, peak = float(terms[0]), float(np.hypot(terms[1], terms[2]))
        rest = float(np.mean((wave - np.clip(columns @ terms, low, high)) ** 2))
        if rest >= by_step or rest - noise > STEP_LEAVES * (by_step - noise):
            return None
        if not low < mean < high or left - max(rest, noise) < LEAST_EXPLAINED * (left - noise):
            return None
        overdrive_db = db_from_ratio(peak / min(high - mean, mean - low))
        return overdrive_db if LEAST_OVERDRIVE_DB <= overdrive_db <= HIGHEST_OVERDRIVE_DB else None


def _merged(seen: list[tuple[int, float, float]], piece: int, rate_hz: float) -> tuple[Stretch, ...]:
    """Clipped pieces (first frame, overdrive [dB], rms [V]) as moments."""
    if not seen:
        return ()
    firsts = np.array([each[0] for each in seen])
    joined = np.diff(firsts) <= piece + MERGE_SECONDS * rate_hz
    moments = []
    for first, last in runs_of(joined):
        some = seen[first:last]
        overdrive_db, rms_volts = (median(np.array([each[k] for each in some])) for k in (1, 2))
        stop = some[-1][0] + piece
        moments.append(Stretch(some[0][0] / rate_hz, stop / rate_hz, rms_volts, overdrive_db, "clipped"))
    return tuple(moments)
