"""Beeps in a recorded channel: on-times of a beep's length at the beeps' pitch, close ones in groups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import BEEP_GAP_SECONDS, BEEP_REST_SECONDS, BEEP_SECONDS, BEEPS
from gainkit.levels import db_from_ratio, ratio_from_db

Floats = NDArray[np.float64]

PITCH_HZ = 997.0
"""Pitch of the beeps that gainkit writes [Hz]."""

HOP_SECONDS = 0.01
WINDOW_HOPS = 4
"""The level at the pitch is taken this often [s], over so many hops: a fifth of a beep's length."""

LEAST_HOPS = 8
"""A shorter recording holds no beep [hops]."""

BLOCK_HOPS = 128
"""So many are read at a time [hops]."""

ABOVE_NOISE_DB = 12.0
"""A beep stands out of the channel's own usual level by this much: noise alone hardly does for as long [dB]."""

WEAKEST_DB = 45.0
"""Beeps so far below the loudest of the recording are crosstalk at best [dB]."""

LEAST_AMPLITUDE = 1e-5
"""A beep below this share of full scale is a converter's own [-]."""

BESIDE_HZ, OVER_BESIDE_DB = 150.0, 6.0
"""A beep is louder than what lies so far beside its pitch by so much [Hz], [dB]: speech and engines fill
both."""

EDGE_SHARE = 0.4
"""A beep lasts while its envelope is above this share of the highest nearby [-]."""

NEARBY_SECONDS = 0.2
"""... within this time [s]: a beep and its gap."""

SHORTEST, LONGEST = 0.5, 2.0
"""On-times from so much of a beep's length to so much are beeps [-]: rooms lengthen, and edges shorten them."""

GROUP_GAPS = 2.0
"""Beeps closer than so many gaps belong to one group [-]."""

ALIKE_DB = 6.0
"""... and are no further apart in level than this [dB]: others' beeps may fall beside the track's."""

WHOLE_SECONDS = BEEP_SECONDS + BEEP_GAP_SECONDS
"""A group closer than this to an end of the recording may have lost a beep there [s]."""

SLOTS = {
    count: start
    for (_, count), start in zip(
        BEEPS, (0.0, BEEPS[0][1] * (BEEP_SECONDS + BEEP_GAP_SECONDS) + BEEP_REST_SECONDS), strict=True
    )
}
ROUND_SECONDS = sum(count * (BEEP_SECONDS + BEEP_GAP_SECONDS) + BEEP_REST_SECONDS for _, count in BEEPS)
"""When in a round each count begins [s], and how long a round is [s]."""

OFF_SLOT_SECONDS = 0.07
"""A group that begins so far from its place in the round is not the track's [s]."""


FOLLOWED = 0.3
"""Part of a beep's delay by which the round's own is moved: clocks drift apart over minutes [-]."""

CUT = 0.75
"""A beep shorter than this share of its length lacks its beginning where it ends when it should [-]."""

LEAST_OF_ROUNDS = 3
"""From so many groups on two must agree on when the rounds begin, or none of them is the track's [-]."""


@dataclass(frozen=True)
class _Beep:
    """One on-time [s], and its highest amplitude."""

    start: float
    stop: float
    amplitude: float


@dataclass(frozen=True)
class _Anchor:
    """A group that most others agree with: when it begins, and when its round did [s]."""

    seconds: float
    phase: float


@dataclass(frozen=True)
class BeepPlace:
    """Where a group of so many beeps is due [s]. level_db : how loud the pitch gets in the middle of each of
    them, the least of all."""

    beeps: int
    seconds: float
    level_db: float


@dataclass(frozen=True)
class BeepGroup:
    """Beeps of one place in the round, or close together. whole : none of them is missing, and no end of the
    recording can have cut one off. own : they stand where the track's do; beeps is then the count there."""

    beeps: int
    start_seconds: float
    level_db: float
    whole: bool
    own: bool = True


@dataclass(frozen=True)
class ChannelBeeps:
    """Of one channel: what is heard, and every place that lies wholly within the recording."""

    groups: list[BeepGroup]
    places: Sequence[BeepPlace] = ()


def groups_of(capture: Capture, channels: tuple[int, ...], pitch_hz: float) -> dict[int, ChannelBeeps]:
    """Groups of beeps by channel. Raises GainkitError for a recording that is too short."""
    envelopes = {channel: _envelopes(capture, channel, pitch_hz) for channel in channels}
    loudest = max(float(envelope.max()) for envelope, _ in envelopes.values())
    least = max(loudest * ratio_from_db(-WEAKEST_DB), LEAST_AMPLITUDE * capture.volts_per_unit)
    beeps = {channel: _beeps(envelope, beside, least) for channel, (envelope, beside) in envelopes.items()}
    seconds = max(len(envelope) for envelope, _ in envelopes.values()) * HOP_SECONDS
    heard = {channel: _grouped(each, seconds) for channel, each in beeps.items()}
    anchor = _anchor(
        sorted((group for each in heard.values() for group in each), key=lambda g: g.start_seconds)
    )
    if anchor is not None:
        phases = [(anchor.seconds, anchor.phase)]
        groups = {channel: _by_places(each, anchor, phases, seconds) for channel, each in beeps.items()}
        due = _due(sorted(phases), seconds)
        return {
            channel: ChannelBeeps(each, _places(envelopes[channel][0], due)) for channel, each in groups.items()
        }
    few = sum(group.whole for groups in heard.values() for group in groups) < LEAST_OF_ROUNDS
    return {channel: ChannelBeeps([replace(g, own=few) for g in each]) for channel, each in heard.items()}


def _envelopes(capture: Capture, channel: int, pitch_hz: float) -> tuple[Floats, Floats]:
    """Amplitude at the pitch every 10 ms, over windows of 40 ms, and the greater of that on either side:
    (hops,)."""
    rate = capture.sample_rate_hz
    hop = max(round(HOP_SECONDS * rate), 1)
    turns = -2j * np.pi / rate * np.array([pitch_hz, pitch_hz - BESIDE_HZ, pitch_hz + BESIDE_HZ])
    within = np.exp(np.multiply.outer(np.arange(hop), turns))
    cosines, sines = np.ascontiguousarray(within.real), np.ascontiguousarray(within.imag)
    parts: list[Floats] = []
    place = 0
    before = np.zeros((WINDOW_HOPS, len(turns)), dtype=np.complex128)
    for block in capture.blocks(channel=channel, block_frames=BLOCK_HOPS * hop):
        table = block[: len(block) // hop * hop].reshape(-1, hop)
        sums = table @ cosines + 1j * (table @ sines)
        sums *= np.exp(np.multiply.outer(hop * np.arange(place, place + len(table)), turns))
        place += len(table)
        joined = np.concatenate([before, sums])
        parts.append(_strength(joined))
        before = joined[-WINDOW_HOPS:]
    if place < LEAST_HOPS:
        raise GainkitError("too_short_for_beeps", seconds=capture.seconds).within("file", capture.file)
    # windows lie about their hops, the last one half beyond the end
    parts.append(_strength(np.concatenate([before, np.zeros((1, len(turns)))])))
    own, beside = np.concatenate(parts)[1:].T * (2 / (WINDOW_HOPS * hop))
    return own, beside


def _strength(hops: NDArray[np.complex128]) -> Floats:
    """Of the windows that end with each hop but the first four: (windows, 2), at the pitch and beside it."""
    summed = np.cumsum(hops, axis=0)
    strength = np.abs(summed[WINDOW_HOPS:] - summed[:-WINDOW_HOPS])
    return np.stack([strength[:, 0], strength[:, 1:].max(axis=1)], axis=1)


def _beeps(envelope: Floats, beside: Floats, least: float) -> list[_Beep]:
    """On-times of a beep's length in one channel's envelope."""
    noise = float(np.median(envelope))
    least = max(least, noise * ratio_from_db(ABOVE_NOISE_DB))
    if float(envelope.max()) < least:
        return []
    half_window = round(NEARBY_SECONDS / HOP_SECONDS)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(envelope, half_window), 2 * half_window + 1).max(
        axis=1
    )
    on = envelope > np.maximum(least, EDGE_SHARE * around)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return [
        _Beep(float(begin) * HOP_SECONDS, float(end) * HOP_SECONDS, float(envelope[begin:end].max()))
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
        if SHORTEST * BEEP_SECONDS < (end - begin) * HOP_SECONDS < LONGEST * BEEP_SECONDS
        and np.median(envelope[begin:end]) > ratio_from_db(OVER_BESIDE_DB) * np.median(beside[begin:end])
    ]


def _grouped(beeps: Sequence[_Beep], seconds: float) -> list[BeepGroup]:
    """Beeps that lie close together and are alike in level."""
    groups: list[list[_Beep]] = []
    for beep in beeps:
        last = groups[-1][-1] if groups else beep
        alike = abs(db_from_ratio(beep.amplitude / last.amplitude)) < ALIKE_DB
        if groups and alike and beep.start - last.stop < GROUP_GAPS * BEEP_GAP_SECONDS:
            groups[-1].append(beep)
        else:
            groups.append([beep])
    return [_group(len(group), group, seconds) for group in groups]


def _group(count: int, beeps: Sequence[_Beep], seconds: float) -> BeepGroup:
    return BeepGroup(
        count,
        round(beeps[0].start, 3),
        db_from_ratio(max(beep.amplitude for beep in beeps)),
        len(beeps) >= count and beeps[0].start >= WHOLE_SECONDS and beeps[-1].stop <= seconds - WHOLE_SECONDS,
    )


def _anchor(groups: Sequence[BeepGroup]) -> _Anchor | None:
    """When the rounds begin, by what most groups agree on; None where no two do."""
    counted = [group for group in groups if group.beeps in SLOTS]
    if not counted:
        return None
    phases = np.array([group.start_seconds - SLOTS[group.beeps] for group in counted])
    apart = np.abs((phases[:, None] - phases + ROUND_SECONDS / 2) % ROUND_SECONDS - ROUND_SECONDS / 2)
    agreeing = (apart < OFF_SLOT_SECONDS).sum(axis=1)
    best = int(np.argmax(agreeing))
    return _Anchor(counted[best].start_seconds, float(phases[best])) if agreeing[best] > 1 else None


def _by_places(
    beeps: Sequence[_Beep], anchor: _Anchor, phases: list[tuple[float, float]], seconds: float
) -> list[BeepGroup]:
    """Groups by the places of the round that beeps stand at; those at none are not the track's.

    Beeps that something else makes close to the track's own would make one group of another count with them.
    phases : gets by time what each beep tells of when the rounds begin [s].
    """
    placed: dict[tuple[int, int], list[_Beep]] = {}
    strangers: list[_Beep] = []
    later = [beep for beep in beeps if beep.start >= anchor.seconds]
    for part in (later, [beep for beep in reversed(beeps) if beep.start < anchor.seconds]):
        phase = anchor.phase
        for beep in part:
            place = _place_of(beep.start - phase) or _place_of(_begun(beep) - phase)
            if place is None:
                strangers.append(beep)
                continue
            number, count, late = place
            placed.setdefault((number, count), []).append(beep)
            phase += FOLLOWED * late
            phases.append((beep.start, phase))
    own = [
        _group(count, sorted(each, key=lambda beep: beep.start), seconds) for (_, count), each in placed.items()
    ]
    others = [
        replace(each, own=False) for each in _grouped(sorted(strangers, key=lambda beep: beep.start), seconds)
    ]
    return sorted([*own, *others], key=lambda group: group.start_seconds)


def _begun(beep: _Beep) -> float:
    """When a beep that lacks its beginning was due [s]: told by its end."""
    return beep.stop - BEEP_SECONDS if beep.stop - beep.start < CUT * BEEP_SECONDS else beep.start


def _due(phases: Sequence[tuple[float, float]], seconds: float) -> list[tuple[int, float]]:
    """Which counts are due wholly within the recording, and when [s]."""
    times, begins = np.array(phases).T
    first, last = -math.ceil(begins.max() / ROUND_SECONDS) - 1, math.ceil(seconds / ROUND_SECONDS) + 1
    about = np.arange(first, last) * ROUND_SECONDS
    due = []
    for count, slot in SLOTS.items():
        starts = about + slot + np.interp(begins[0] + about + slot, times, begins)
        stops = starts + count * (BEEP_SECONDS + BEEP_GAP_SECONDS)
        due += [(count, float(start)) for start in starts[(starts >= 0) & (stops <= seconds)]]
    return due


def _places(envelope: Floats, due: Sequence[tuple[int, float]]) -> list[BeepPlace]:
    """How loud one channel is at the places where groups are due."""
    middle = round(BEEP_SECONDS / 4 / HOP_SECONDS), round(BEEP_SECONDS * 3 / 4 / HOP_SECONDS)
    step = round((BEEP_SECONDS + BEEP_GAP_SECONDS) / HOP_SECONDS)
    found = []
    for count, seconds in due:
        begin = round(seconds / HOP_SECONDS)
        least = min(
            envelope[begin + number * step + middle[0] : begin + number * step + middle[1]].max()
            for number in range(count)
        )
        found.append(BeepPlace(count, seconds, db_from_ratio(max(float(least), LEAST_AMPLITUDE))))
    return found


def had_time(count: int, groups: Sequence[BeepGroup], seconds: float) -> bool:
    """Whether a whole group of that count could have sounded within a recording of so many seconds: by when the
    rounds begin, as the whole groups heard tell it."""
    first = WHOLE_SECONDS + OFF_SLOT_SECONDS
    last = seconds - first - count * (BEEP_SECONDS + BEEP_GAP_SECONDS) + BEEP_GAP_SECONDS
    counted = [group for group in groups if group.whole and group.beeps in SLOTS]
    told = [group.start_seconds - SLOTS[group.beeps] for group in counted]
    starts = [first + (phase + SLOTS[count] - first) % ROUND_SECONDS for phase in told]
    return any(start <= last for start in starts) or (not told and first + ROUND_SECONDS <= last)


def _place_of(since_phase: float) -> tuple[int, int, float] | None:
    """Which round and which count a beep belongs to, and how late it is there [s]; None for no place."""
    for count, slot in SLOTS.items():
        for number in range(count):
            offset = since_phase - slot - number * (BEEP_SECONDS + BEEP_GAP_SECONDS)
            rounds = round(offset / ROUND_SECONDS)
            if abs(offset - rounds * ROUND_SECONDS) < OFF_SLOT_SECONDS:
                return rounds, count, offset - rounds * ROUND_SECONDS
    return None
