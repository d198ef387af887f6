"""How level and shape move within a capture: where they stand still, and what they do in between.

The tone is followed in blocks of whole cycles: its level, and its second and third harmonic as they stand to
it. Stretches are found from the end backwards, because what counts is how things stand now. In each, all
tracks keep within a few hundredths of a decibel of their median, or of what noise makes of them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.analysis.middle import median, medians
from gainkit.analysis.thresholds import LEAST_CYCLES
from gainkit.levels import db_from_ratio

Floats = NDArray[np.float64]

MOST_GROUPS = 64
"""Blocks are averaged to at most so many groups: short beside a stretch, long enough to average noise [-]."""

LEAST_GROUPS = 4
"""A stretch lasts so many groups at least [-]."""

STILL_DB = 0.04
"""A stretch keeps within this of its own median: a tenth of the smallest turn of a gain that matters [dB]."""

STILL_SIGMAS = 4.5
"""... or within so many standard deviations of a group's noise: one group in 150,000 strays farther [-]."""

LOOSEST_DB = 0.5
"""However noisy, what moves by more does not stand still [dB]."""

LEAST_SHARE = 0.25
"""The last stretch is reported if it lasts this share of the longest [-]: a moment while a plug is pulled is no
answer."""

LEAST_OF_ALL = 0.05
"""A stretch shorter than this share of the part looked at is none [-]."""

SAME_DB = 0.1
"""Stretches within this are at the same level [dB]."""

MERGE_DB = 0.06
"""Neighbouring stretches are one where all of them, and what lies between, keeps within this of one median
[dB]."""

MOST_TURNS = 3
"""A level that turns between rise and fall so often ripples: it has no stretches [-]."""

MOST_AT_ONCE = 0.65
"""Share of a drift that may fall within any fifth of its blocks [-]: more is a turn. An exponential with a time
constant of a fifth takes 0.63 of its way there."""

LEAST_DRIFT_DB = 0.5
"""A level that drifts by more from beginning to end has no one figure [dB]: as much as a target allows."""

LEAST_DRIFT_BLOCKS = 20
"""... and is looked for in so many blocks at least [-]."""

STEPS_LESS = 0.5
"""A trend is told as one when it leaves less than this share of what a sudden step leaves [-]."""


@dataclass(frozen=True)
class Span:
    """Blocks first..last, and the median of each track there."""

    first: int
    last: int
    tracks: tuple[float, ...]

    @property
    def blocks(self) -> int:
        return self.last - self.first

    def same_as(self, other: Span) -> bool:
        """Whether neither level nor shape differ."""
        return all(abs(a - b) < SAME_DB for a, b in zip(self.tracks, other.tracks, strict=True))


def tracks_of(samples: Floats, angular: float, size: int, phasors: NDArray[np.complex128]) -> Floats:
    """Level and shape block by block, (blocks, 5) [dB]: of the tone, and of orders 2 and 3 in phase and across.

    size : frames of a block; phasors : (blocks,) of the tone, turned back to the first frame [V peak]. A
    harmonic that grows by one percent of the tone counts 0.087 dB.
    """
    count = len(phasors)
    table = samples[: count * size].reshape(count, size)
    turn = angular * np.arange(size)
    columns = np.stack([f(k * turn) for k in (2, 3) for f in (np.cos, np.sin)], axis=1)
    sums = table @ columns * (2 / size)
    out = np.empty((count, 5))
    here = np.maximum(np.abs(phasors), 1e-15)
    out[:, 0] = db_from_ratio(here)
    own = phasors * np.exp(1j * angular * size * np.arange(count)) / here
    for place, order in enumerate((2, 3)):
        harmonic = (sums[:, 2 * place] - 1j * sums[:, 2 * place + 1]) / here * np.conj(own) ** order
        out[:, 1 + 2 * place], out[:, 2 + 2 * place] = 8.686 * harmonic.real, 8.686 * harmonic.imag
    return out


def runs_of(unbroken: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """All stretches (first, last + 1) of blocks in which no neighbours are broken apart."""
    breaks = np.concatenate([[-1], np.flatnonzero(~unbroken), [len(unbroken)]])
    return [(int(a) + 1, int(b) + 1) for a, b in itertools.pairwise(breaks)]


def spans_in(tracks: Floats, first: int, last: int, least_blocks: int) -> list[Span]:
    """Stretches of a run of blocks, in the order of time; none where it never stands still.

    tracks : (blocks, tracks) [dB]. least_blocks : that a stretch must hold.
    """
    per = max(1, -(-(last - first) // MOST_GROUPS))
    count = (last - first) // per
    if count < LEAST_GROUPS:
        return []
    calm = tracks[first:last].copy()  # a click in one block is no movement
    calm[1:-1] = medians(np.stack([tracks[first : last - 2], calm[1:-1], tracks[first + 2 : last]]), 0)
    groups = calm[: count * per].reshape(count, per, -1).mean(axis=1)
    raw = tracks[first : first + count * per].reshape(count, per, -1).mean(axis=1)
    bend = np.abs(raw[2:] - 2 * raw[1:-1] + raw[:-2])
    sigma = 1.4826 * medians(bend, 0) / np.sqrt(6)  # second differences do not see a slope
    still = np.minimum(np.maximum(STILL_DB, STILL_SIGMAS * sigma), LOOSEST_DB)
    middle = medians(groups, 0)
    if np.all(np.abs(groups - middle) <= still):  # the usual case: nothing moves
        return [Span(first, last, tuple(float(m) for m in middle))] if last - first >= least_blocks else []
    stretches: list[tuple[int, int]] = []
    end = count
    while end >= LEAST_GROUPS:
        begin = _begin_of(groups[:end], still)
        if begin is None or (end - begin) * per < least_blocks:
            end -= 1
            continue
        stretches.append((begin, end))
        end = begin
    spans: list[Span] = []
    for begin, end in _merged(stretches[::-1], groups, np.maximum(still, MERGE_DB)):
        # the groups at an edge hold some of what lies beyond it
        low = first if begin == 0 else first + (begin + 1) * per
        high = last if end == count else first + (end - 1) * per
        if high - low >= least_blocks:
            spans.append(Span(low, high, tuple(float(m) for m in medians(groups[begin:end], 0))))
    return spans


def _merged(spans: list[tuple[int, int]], groups: Floats, still: Floats) -> list[tuple[int, int]]:
    """The same stretches of groups, those that are one made one; in the order of time."""
    kept: list[tuple[int, int]] = []
    for begin, end in spans:
        if kept:
            union = groups[kept[-1][0] : end]
            if np.all(np.abs(union - medians(union, 0)) <= still):
                kept[-1] = kept[-1][0], end
                continue
        kept.append((begin, end))
    return kept


def ripples(spans: list[Span]) -> bool:
    """Whether the level rises and falls in turn from stretch to stretch."""
    steps = np.diff([span.tracks[0] for span in spans])
    signs = np.sign(steps[np.abs(steps) > STILL_DB])
    return int(np.count_nonzero(np.diff(signs))) >= MOST_TURNS


def _begin_of(groups: Floats, still: Floats) -> int | None:
    """Where the stretch begins that ends with the last group; None when there is none."""

    def strays(begin: int) -> NDArray[np.bool_]:
        return np.asarray(np.any(np.abs(groups[begin:] - medians(groups[begin:], 0)) > still, axis=1))

    begin = len(groups) - LEAST_GROUPS
    if strays(begin).any():
        return None
    while begin > 0:
        away = strays(begin - 1)
        # a single group that strays is a click; two in a row, or the last, are movement
        if np.any(away[1:] & away[:-1]) or away[-1] or (begin == 1 and away[0]):
            break
        begin -= 1
    return begin


def chosen_of(spans: list[Span]) -> Span:
    """The last stretch that is long enough; of those at its own level and shape the longest."""
    longest = max(span.blocks for span in spans)
    last = [span for span in spans if span.blocks >= LEAST_SHARE * longest][-1]
    return max((span for span in spans if span.same_as(last)), key=lambda span: span.blocks)


def drift_db(levels_db: Floats) -> float | None:
    """By how much a level falls or rises evenly from first to last of its blocks (n,) [dB]; None if not.

    A fade or a switch at an end does not count: between the second and the fourth fifth an even drift makes two
    fifths of its way. Nor does a single turn, which falls within any one fifth.
    """
    levels = levels_db[1:-1]
    if len(levels) < LEAST_DRIFT_BLOCKS:
        return None
    tenth, fifth = len(levels) // 10, len(levels) // 5
    change = median(levels[-tenth:]) - median(levels[:tenth])
    inside = median(levels[3 * fifth : 4 * fifth]) - median(levels[fifth : 2 * fifth])
    if abs(change) < LEAST_DRIFT_DB or inside * np.sign(change) < abs(change) / 4:
        return None
    calm = medians(np.lib.stride_tricks.sliding_window_view(levels, max(len(levels) // 20, 1)), 1)
    if float(np.abs(calm[fifth:] - calm[:-fifth]).max()) > MOST_AT_ONCE * abs(change):
        return None
    return change


def least_blocks_of(size: int, period: float, count: int) -> int:
    """Blocks of a stretch at least: some cycles, and a share of all; size, period : [samples]."""
    return max(LEAST_GROUPS, int(np.ceil(LEAST_CYCLES * period / size)), int(LEAST_OF_ALL * count))


@dataclass(frozen=True)
class Trend:
    """y = last + swing exp(-t / time_constant), t from the first point [s]; same unit as y.

    swing_seen : what of the swing was still to come at the first point and is gone at the last.
    """

    last: float
    swing: float
    time_constant_seconds: float
    left: float

    def at(self, seconds: float) -> float:
        return self.last + self.swing * float(np.exp(-seconds / self.time_constant_seconds))


def exponential_trend(seconds: Floats, y: Floats) -> Trend:
    """The exponential that leaves least, by variable projection over time constants; (n,) each, n at least
    4."""
    t = seconds - seconds[0]
    span = float(t[-1])
    best: Trend | None = None
    for tau in np.geomspace(span / 60, 3 * span, 60):
        columns = np.stack([np.ones_like(t), np.exp(-t / tau)], axis=1)
        terms = np.linalg.lstsq(columns, y, rcond=None)[0]
        left = float(np.sum((y - columns @ terms) ** 2))
        if best is None or left < best.left:
            best = Trend(float(terms[0]), float(terms[1]), float(tau), left)
    assert best is not None
    return best


def left_by_a_step(y: Floats) -> float:
    """What the best single step leaves of y (n,), sum of squares."""
    return float(y @ y) - float(np.max(_taken_by_steps(y)))


def step_in(y: Floats) -> int:
    """The first index behind the best single step of y (n,), n at least 2."""
    return int(np.argmax(_taken_by_steps(y))) + 1


def _taken_by_steps(y: Floats) -> Floats:
    """What a step before each index from 1 on takes of the sum of squares, the two means with it: (n - 1,)."""
    index = np.arange(1, len(y))
    sums = np.cumsum(y)
    return np.asarray(sums[:-1] ** 2 / index + (sums[-1] - sums[:-1]) ** 2 / (len(y) - index))
