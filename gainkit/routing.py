"""Which channel plays where: counted beeps heard by a microphone or on several line channels.

The track plays one beep on the left, two on the right, over and over (`generator.pulses`). Each recorded
channel is demodulated at the beeps' pitch; beeps close together make a group, and the size of the group is the
channel. Where a multichannel capture holds more than one pair, odd channels are left and even ones right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.calculator.ranges import Range, refuse_outside
from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import BEEP_GAP_SECONDS, BEEP_SECONDS, BEEPS
from gainkit.levels import db_from_ratio, ratio_from_db
from gainkit.remarks import Remark, fault, remark
from gainkit.results import Result

Floats = NDArray[np.float64]

PITCH_HZ = 997.0
"""Pitch of the beeps that gainkit writes [Hz]."""

PITCHES_HZ = Range("Hz", 20, 20_000, low_allowed=True)

HOP_SECONDS = 0.01
WINDOW_HOPS = 4
"""The level at the pitch is taken this often [s], over so many hops: a fifth of a beep's length."""

LEAST_HOPS = 8
"""A shorter recording holds no beep [hops]."""

CROSSTALK_DB = 20.0
"""Beeps this far below the loudest of the recording are crosstalk, not a connection [dB]."""

ABOVE_NOISE_DB = 12.0
"""A beep stands out of the channel's usual level by this much: noise alone hardly does for as long [dB]."""

EDGE_SHARE = 0.4
"""A beep lasts while its envelope is above this share of the highest nearby [-]."""

NEARBY_SECONDS = 0.2
"""... within this time [s]: a beep and its gap."""

SHORTEST, LONGEST = 0.5, 2.0
"""On-times from so much of a beep's length to so much are beeps [-]: rooms lengthen, and edges shorten them."""

GROUP_GAPS = 2.0
"""Beeps closer than so many gaps belong to one group [-]."""

WHOLE_SECONDS = BEEP_SECONDS + BEEP_GAP_SECONDS
"""A group closer than this to an end of the recording may have lost a beep there [s]."""

NAMES = {count: name for name, count in BEEPS}
NUMBERS = {count: number for number, (_, count) in enumerate(BEEPS, start=1)}


@dataclass(frozen=True)
class HeardBeeps:
    """One group of beeps. channel : of the capture; for one microphone the source's channel by its count."""

    channel: int
    beeps: int
    start_seconds: float


@dataclass(frozen=True, repr=False)
class RoutingResult(Result):
    """heard : groups in order, without those that an end of the recording may have cut.

    ok : every channel plays where it should, as far as the capture can tell. by_ear : one microphone heard all
    loudspeakers: it tells which channels sound, not on which side.
    """

    heard: tuple[HeardBeeps, ...]
    ok: bool
    problems: tuple[Remark, ...]
    notes: tuple[Remark, ...]
    by_ear: bool


@dataclass(frozen=True)
class _Group:
    """whole : no end of the recording can have cut it."""

    beeps: int
    start_seconds: float
    level_db: float
    whole: bool


def check_routing(
    capture: Capture, *, microphone: bool | None = None, pitch_hz: float = PITCH_HZ
) -> RoutingResult:
    """Tell which channel plays where, from a recording of the beeps track.

    Parameters
    ----------
    capture : eight seconds of the track or more.
    microphone : True for sound picked up by a microphone, whose channels all hear everything (the first is
        read); False for line channels; None: a microphone when there is one channel.
    pitch_hz : of the beeps [Hz], 20 to 20000.

    Returns
    -------
    RoutingResult
        ok, what was heard when, and what is wrong.

    Raises
    ------
    GainkitError
        When no beeps are heard (`no_beeps`), none wholly (`no_whole_beeps`), the recording is too short
        (`too_short_for_beeps`), or for a pitch out of range (`outside_range`).

    Examples
    --------
    The track itself, and with its channels changed over:

    >>> from gainkit.capture import Capture
    >>> from gainkit.generator import kinds
    >>> from gainkit.generator.spec import ToneSpec
    >>> from gainkit.routing import check_routing
    >>> track = kinds.build(ToneSpec("beeps", seconds=10.0), 48_000).samples()
    >>> check_routing(Capture.from_array(track, 48_000)).ok
    True
    >>> result = check_routing(Capture.from_array(track[:, ::-1], 48_000))
    >>> [problem.code for problem in result.problems]
    ['channel_swapped', 'channel_swapped']
    """
    refuse_outside("pitch_hz", pitch_hz, PITCHES_HZ)
    by_ear = capture.channels == 1 if microphone is None else microphone
    channels = (1,) if by_ear else tuple(range(1, capture.channels + 1))
    envelopes = {channel: _envelope(capture, channel, pitch_hz) for channel in channels}
    loudest = max(float(np.max(envelope, initial=0.0)) for envelope in envelopes.values())
    groups = {channel: _groups(envelope, loudest) for channel, envelope in envelopes.items()}
    if not any(groups.values()):
        raise GainkitError("no_beeps", pitch_hz=pitch_hz).within("file", capture.file)
    if not any(group.whole for each in groups.values() for group in each):
        raise GainkitError("no_whole_beeps").within("file", capture.file)
    return _by_ear(groups[1]) if by_ear else _by_line(groups)


def _envelope(capture: Capture, channel: int, pitch_hz: float) -> Floats:
    """Amplitude at the pitch every 10 ms, over windows of 40 ms: (hops,)."""
    rate = capture.sample_rate_hz
    hop = max(round(HOP_SECONDS * rate), 1)
    turn = -2j * np.pi * pitch_hz / rate
    sums: list[complex] = []
    place = 0
    held = np.empty(0)
    for block in capture.blocks(channel=channel):
        held = np.concatenate([held, block])
        whole = len(held) // hop * hop
        if whole:
            phase = np.exp(turn * (place + np.arange(whole)))
            sums += list((held[:whole] * phase).reshape(-1, hop).sum(axis=1))
            place += whole
            held = held[whole:]
    hops = np.asarray(sums, dtype=np.complex128)
    if len(hops) < LEAST_HOPS:
        raise GainkitError("too_short_for_beeps", seconds=capture.seconds).within("file", capture.file)
    smooth = np.convolve(hops, np.ones(WINDOW_HOPS), "same")
    return np.asarray(np.abs(smooth) * (2 / (WINDOW_HOPS * hop)))


def _groups(envelope: Floats, loudest: float) -> list[_Group]:
    """Groups of beeps in one channel's envelope: on-times of a beep's length, gaps of a beep's gap."""
    noise = float(np.median(envelope))
    least = max(loudest * ratio_from_db(-CROSSTALK_DB), noise * ratio_from_db(ABOVE_NOISE_DB))
    top = float(envelope.max())
    if top < least or top <= 0:
        return []
    reach = round(NEARBY_SECONDS / HOP_SECONDS)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(envelope, reach), 2 * reach + 1).max(axis=1)
    on = envelope > np.maximum(least, EDGE_SHARE * around)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    beeps = [
        (float(begin) * HOP_SECONDS, float(end) * HOP_SECONDS, float(envelope[begin:end].max()))
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
        if SHORTEST * BEEP_SECONDS < (end - begin) * HOP_SECONDS < LONGEST * BEEP_SECONDS
    ]
    groups: list[list[tuple[float, float, float]]] = []
    for beep in beeps:
        if groups and beep[0] - groups[-1][-1][1] < GROUP_GAPS * BEEP_GAP_SECONDS:
            groups[-1].append(beep)
        else:
            groups.append([beep])
    length = len(envelope) * HOP_SECONDS
    return [
        _Group(
            len(group),
            round(group[0][0], 3),
            db_from_ratio(max(beep[2] for beep in group)),
            group[0][0] >= WHOLE_SECONDS and group[-1][1] <= length - WHOLE_SECONDS,
        )
        for group in groups
    ]


def _by_ear(groups: Sequence[_Group]) -> RoutingResult:
    """One microphone hears all loudspeakers: which counts occur, in turn, and whether any is missing."""
    counts = {group.beeps for group in groups if group.whole}
    problems = [
        fault("beeps_not_heard", beeps=count, side=name, crosstalk_db=CROSSTALK_DB)
        for count, name in NAMES.items()
        if count not in counts
    ]
    odd = sorted(counts - set(NAMES))
    if odd:
        problems.append(fault("other_counts_heard", counts=odd))
    heard = tuple(
        HeardBeeps(NUMBERS.get(group.beeps, 0), group.beeps, group.start_seconds)
        for group in groups
        if group.whole
    )
    return RoutingResult(heard, not problems, tuple(problems), (remark("side_not_told"),), by_ear=True)


def _by_line(groups: Mapping[int, list[_Group]]) -> RoutingResult:
    """Each recorded channel should hear the beeps of its own number only."""
    plays = {channel: _levels(each) for channel, each in groups.items()}
    problems = [problem for channel in groups for problem in _problems_of(channel, groups, plays)]
    heard = sorted(
        (
            HeardBeeps(channel, group.beeps, group.start_seconds)
            for channel, each in groups.items()
            for group in each
            if group.whole
        ),
        key=lambda entry: (entry.start_seconds, entry.channel),
    )
    notes = _line_notes(groups, plays)
    return RoutingResult(tuple(heard), not problems, tuple(problems), tuple(notes), by_ear=False)


def _line_notes(groups: Mapping[int, list[_Group]], plays: Mapping[int, Mapping[int, float]]) -> list[Remark]:
    notes = []
    unused = [channel for channel, each in groups.items() if not each and channel > len(NAMES)]
    if unused:
        notes.append(remark("channels_unused", channels=unused))
    if all(set(levels) >= set(NAMES) for levels in plays.values()):
        notes.append(remark("microphone_perhaps"))
    return notes


def _levels(groups: Sequence[_Group]) -> dict[int, float]:
    """Loudest level of each count of beeps, of whole groups [dB]."""
    levels: dict[int, float] = {}
    for group in groups:
        if group.whole:
            levels[group.beeps] = max(levels.get(group.beeps, group.level_db), group.level_db)
    return levels


def _problems_of(
    channel: int, groups: Mapping[int, list[_Group]], plays: Mapping[int, Mapping[int, float]]
) -> list[Remark]:
    """What is wrong with one channel; plays : by channel, the level of each count of beeps [dB]."""
    own = 1 if channel % 2 else 2
    partner = channel + 1 if channel % 2 else channel - 1
    if groups[channel] and not plays[channel]:
        return [fault("channel_beeps_cut", channel=channel)]
    if groups[channel]:
        return _wrong(channel, own, plays[channel], plays.get(partner, {}))
    if channel <= len(NAMES) or groups.get(partner):
        return [fault("channel_silent", channel=channel, side=NAMES[own], crosstalk_db=CROSSTALK_DB)]
    return []


def _wrong(channel: int, own: int, levels: Mapping[int, float], partner: Mapping[int, float]) -> list[Remark]:
    """What is wrong with what one channel plays: bridged, swapped, doubled, or uncounted beeps."""
    other = 3 - own
    sides = {"channel": channel, "side": NAMES[own], "other_side": NAMES[other]}
    problems = []
    if own in levels and other in levels:
        problems.append(fault("channels_mixed", **sides, other_db=levels[other] - levels[own]))
    elif other in levels:
        swapped = own in partner and other not in partner
        problems.append(fault("channel_swapped" if swapped else "channel_of_other_side", **sides))
    odd = sorted(set(levels) - set(NAMES))
    if odd:
        problems.append(fault("channel_other_counts", channel=channel, counts=odd))
    return problems
