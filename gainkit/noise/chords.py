"""Whether lines are the notes of a chord that is held, and no shaft's orders.

An engine's lines are whole multiples of a speed, or of two that are coupled. Notes of equal temperament are
whole numbers of semitones of 2^(1/12) apart (ISO 16 gives their a' as 440 Hz, from memory; an instrument may be
tuned elsewhere), and each brings its harmonics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_NOTES = 3
"""Two lines anywhere lie whole semitones apart once in twelve times, three once in a hundred and fifty [-]."""

IN_TUNE_CENTS = 4.0
"""Notes lie within so much of a common tuning [cents] (common practice, no source)."""

HARMONIC_CENTS, MOST_HARMONIC = 12.0, 16
"""A line belongs to a note below it within so much of its harmonic [cents], up to that order [-]."""

EXACT_HARMONIC = 4
"""Harmonics up to this order tell a note's frequency: the fifth is another note's third, 14 cents away [-]."""

ONE_NOTE_SHARE = 0.022
"""Lines closer together are one note that trembles: a semitone is 5.9 % [-]."""

HEARD_DB = 25.0
"""What lies so far under the strongest note is no note for itself: side lines of a vibrato [dB]."""

MOST_PART = 0.9
"""The chord's part of the power of all lines that are looked at [-]."""

NOTES_HZ = (30.0, 2100.0)
"""Where notes are played [Hz]: four octaves about the middle, and a bass (common practice, no source)."""

MOST_ORDER = 12
"""Notes that whole numbers up to this fit as well are one shaft's orders [-]."""


@dataclass
class _Note:
    """Lines as (order, frequency [Hz], power [V^2]), its own first."""

    lines: list[tuple[int, float, float]]

    @property
    def power(self) -> float:
        """Of all its lines [V^2]."""
        return sum(power for _, _, power in self.lines)

    @property
    def hertz(self) -> float:
        """Fundamental: least squares over its first harmonics, whose deviations are alike [Hz]."""
        first = [(order, hertz) for order, hertz, _ in self.lines if order <= EXACT_HARMONIC]
        return sum(order * hertz for order, hertz in first) / sum(order**2 for order, _ in first)


def chord_of(lines: Sequence[tuple[float, float]]) -> tuple[float, ...]:
    """The notes of a held chord [Hz], lowest first; none where the lines are none.

    lines : frequency [Hz] and power [V^2] of each, of families that no known supply or clock explains.
    """
    clusters = _clusters(lines)
    if len(clusters) < LEAST_NOTES:
        return ()
    notes = _notes(clusters)
    powers = np.array([note.power for note in notes])
    semitones = 12.0 * np.log2(np.array([note.hertz for note in notes]))
    off = _off_tune(semitones, powers)
    tuned = np.abs(off) <= IN_TUNE_CENTS
    total = sum(power for _, power in clusters)
    if np.count_nonzero(tuned) < LEAST_NOTES or powers[tuned].sum() < MOST_PART * total:
        return ()
    hertz = np.array([note.hertz for note in notes])[tuned]
    if not NOTES_HZ[0] <= hertz[0] <= NOTES_HZ[1]:
        return ()
    if _as_orders_cents(hertz) <= max(float(np.abs(off[tuned]).max()), 0.5):
        return ()
    return tuple(float(each) for each in hertz)


def _clusters(lines: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Lines that lie close together as one, at the middle of their power; (frequency, power), by frequency."""
    ordered = sorted(line for line in lines if line[1] > 0.0)
    if not ordered:
        return []
    groups = [[ordered[0]]]
    for before, line in pairwise(ordered):
        if line[0] > before[0] * (1.0 + ONE_NOTE_SHARE):
            groups.append([])
        groups[-1].append(line)
    sums = [sum(power for _, power in group) for group in groups]
    return [
        (sum(hertz * power for hertz, power in group) / total, total)
        for group, total in zip(groups, sums, strict=True)
    ]


def _notes(clusters: Sequence[tuple[float, float]]) -> list[_Note]:
    """Lines that are no harmonic of a lower one, with the power of their harmonics."""
    least = max(power for _, power in clusters) * 10.0 ** (-HEARD_DB / 10.0)
    notes: list[_Note] = []
    for hertz, power in clusters:
        own = next((note for note in notes if _is_harmonic(hertz / note.hertz)), None)
        if own is not None:
            own.lines.append((round(hertz / own.hertz), hertz, power))
        elif power >= least:
            notes.append(_Note([(1, hertz, power)]))
    return notes


def _is_harmonic(ratio: float) -> bool:
    order = round(ratio)
    return 2 <= order <= MOST_HARMONIC and abs(1200.0 * np.log2(ratio / order)) <= HARMONIC_CENTS


def _off_tune(semitones: Floats, powers: Floats) -> Floats:
    """How far each note lies beside the tuning that most power shares [cents]."""
    away = (semitones[:, None] - semitones[None, :] + 0.5) % 1.0 - 0.5
    near = np.abs(away) <= 0.01 * IN_TUNE_CENTS
    best = away[:, int(np.argmax(near.T @ powers))]
    kept = np.abs(best) <= 0.01 * IN_TUNE_CENTS
    middle = float(np.average(best[kept], weights=powers[kept]))
    return np.asarray(100.0 * (best - middle))


def _as_orders_cents(hertz: Floats) -> float:
    """How far the notes lie beside whole multiples of one frequency at best [cents]."""
    least = np.inf
    for lowest in range(1, MOST_ORDER + 1):
        ratios = hertz * (lowest / hertz[0])
        orders = np.round(ratios)
        if orders[-1] <= MOST_ORDER:
            off = 1200.0 * np.log2(ratios / orders)
            least = min(least, float(np.ptp(off)) / 2.0)
    return least
