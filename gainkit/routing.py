"""Which channel plays where: counted beeps heard by a microphone or on several line channels.

The track plays one beep on the left, two on the right, over and over (`generator.pulses`). Each recorded
channel is demodulated at the beeps' pitch; beeps close together make a group, and the size of the group is the
channel. Where a multichannel capture holds more than one pair, odd channels are left and even ones right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gainkit.capture.model import Capture
from gainkit.errors import GainkitError
from gainkit.generator.pulses import BEEP_GAP_SECONDS, BEEP_SECONDS, BEEPS

Floats = NDArray[np.float64]

PITCH_HZ = 997.0
HOP_SECONDS = 0.01
CROSSTALK_DB = 20.0
"""Beeps this far below the loudest of the recording are crosstalk, not a connection [dB]."""

ABOVE_NOISE_DB = 12.0
EDGE_SHARE = 0.4
"""A beep lasts while its envelope is above this share of the highest nearby [-]."""

NEARBY_SECONDS = 0.2
WHOLE_SECONDS = BEEP_SECONDS + BEEP_GAP_SECONDS
"""A group closer than this to an end of the recording may have lost a beep there [s]."""

NAMES = {count: name for name, count in BEEPS}
NUMBERS = {count: number for number, (_, count) in enumerate(BEEPS, start=1)}


@dataclass(frozen=True)
class Heard:
    """One group of beeps. channel : of the capture; for one microphone the source's channel by its count."""

    channel: int
    beeps: int
    start_seconds: float


@dataclass(frozen=True)
class RoutingResult:
    """heard : groups in order, without those that an end of the recording may have cut.

    ok : every channel plays where it should, as far as the capture can tell. by_ear : one microphone heard all
    loudspeakers: it tells which channels sound, not on which side.
    """

    heard: tuple[Heard, ...]
    ok: bool
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    by_ear: bool


@dataclass(frozen=True)
class _Group:
    """whole : no end of the recording can have cut it."""

    beeps: int
    start_seconds: float
    level_db: float
    whole: bool


def routing(capture: Capture, *, microphone: bool | None = None, pitch_hz: float = PITCH_HZ) -> RoutingResult:
    """Read which channel arrived when.

    microphone : True for sound picked up by a microphone, whose channels all hear everything (the first is
    read); False for line channels; None: a microphone when there is one channel. Raises GainkitError when no
    beeps are heard at all.
    """
    by_ear = capture.channels == 1 if microphone is None else microphone
    channels = (1,) if by_ear else tuple(range(1, capture.channels + 1))
    envelopes = {channel: _envelope(capture, channel, pitch_hz) for channel in channels}
    loudest = max(float(np.max(envelope, initial=0.0)) for envelope in envelopes.values())
    groups = {channel: _groups(envelope, loudest) for channel, envelope in envelopes.items()}
    if not any(groups.values()):
        raise GainkitError(
            f"{capture.file}: no beeps of {pitch_hz:g} Hz are heard.",
            "Record the beeps track: louder, closer, at least five seconds; steady tones are no beeps.",
        )
    if not any(group.whole for found in groups.values() for group in found):
        raise GainkitError(
            f"{capture.file}: no group of beeps is whole.", "Record the beeps track for eight seconds or more."
        )
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
    if len(hops) < 8:
        raise GainkitError(f"{capture.file}: too short for beeps.", "Record at least five seconds.")
    smooth = np.convolve(hops, np.ones(4), "same")
    return np.asarray(np.abs(smooth) * (2 / (4 * hop)))


def _groups(envelope: Floats, loudest: float) -> list[_Group]:
    """Groups of beeps in one channel's envelope: on-times of a beep's length, gaps of a beep's gap."""
    noise = float(np.median(envelope))
    least = max(loudest * 10 ** (-CROSSTALK_DB / 20), noise * 10 ** (ABOVE_NOISE_DB / 20) if noise else 0.0)
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
        if 0.5 * BEEP_SECONDS < (end - begin) * HOP_SECONDS < 2 * BEEP_SECONDS
    ]
    groups: list[list[tuple[float, float, float]]] = []
    for beep in beeps:
        if groups and beep[0] - groups[-1][-1][1] < 2 * BEEP_GAP_SECONDS:
            groups[-1].append(beep)
        else:
            groups.append([beep])
    length = len(envelope) * HOP_SECONDS
    return [
        _Group(
            len(group),
            round(group[0][0], 3),
            20 * float(np.log10(max(b[2] for b in group))),
            group[0][0] >= WHOLE_SECONDS and group[-1][1] <= length - WHOLE_SECONDS,
        )
        for group in groups
    ]


def _by_ear(groups: Sequence[_Group]) -> RoutingResult:
    """One microphone hears all loudspeakers: which counts occur, in turn, and whether any is missing."""
    counts = Counter(group.beeps for group in groups if group.whole)
    problems = []
    for count, name in NAMES.items():
        if not counts.get(count):
            problems.append(
                f"{count} beep{'s' if count > 1 else ''} never heard: the {name} channel is silent here, or "
                f"more than {CROSSTALK_DB:g} dB weaker."
            )
    odd = sorted(set(counts) - set(NAMES))
    if odd:
        problems.append(
            f"Groups of {', '.join(str(count) for count in odd)} beeps are heard: both channels may be bridged "
            "together, or an echo counts twice."
        )
    heard = tuple(
        Heard(NUMBERS.get(group.beeps, 0), group.beeps, group.start_seconds) for group in groups if group.whole
    )
    notes = (
        "One microphone cannot tell left from right: listen, or hold it to one loudspeaker at a time. "
        "One beep is the left channel, two are the right.",
    )
    return RoutingResult(heard, not problems, tuple(problems), notes, by_ear=True)


def _by_line(groups: dict[int, list[_Group]]) -> RoutingResult:
    """Each recorded channel shall hear the beeps of its own number only."""
    problems: list[str] = []
    heard = sorted(
        (
            Heard(channel, group.beeps, group.start_seconds)
            for channel, found in groups.items()
            for group in found
            if group.whole
        ),
        key=lambda entry: (entry.start_seconds, entry.channel),
    )
    plays = {channel: _levels(found) for channel, found in groups.items()}
    for channel, found in groups.items():
        own = NAMES[_own(channel)]
        partner = channel + 1 if channel % 2 else channel - 1
        if found and not plays[channel]:
            problems.append(f"Channel {channel}: no group of beeps is whole. Record for eight seconds or more.")
        elif found:
            problems += _wrong(channel, plays[channel], plays.get(partner, {}))
        elif channel <= len(NAMES) or groups.get(partner):
            problems.append(
                f"Channel {channel} is silent, or more than {CROSSTALK_DB:g} dB weaker than the loudest: {own} "
                "does not arrive there."
            )
    notes = []
    unused = [str(channel) for channel, found in groups.items() if not found and channel > len(NAMES)]
    if unused:
        notes.append(f"Nothing is heard on channel {', '.join(unused)}.")
    if all(set(levels) >= set(NAMES) for levels in plays.values()):
        notes.append("If a microphone recorded this, give --microphone: all its channels hear everything.")
    return RoutingResult(tuple(heard), not problems, tuple(problems), tuple(notes), by_ear=False)


def _own(channel: int) -> int:
    """How many beeps a channel shall play."""
    return 1 if channel % 2 else 2


def _levels(groups: Sequence[_Group]) -> dict[int, float]:
    """Loudest level of each count of beeps, of whole groups [dB]."""
    levels: dict[int, float] = {}
    for group in groups:
        if group.whole:
            levels[group.beeps] = max(levels.get(group.beeps, group.level_db), group.level_db)
    return levels


def _wrong(channel: int, levels: dict[int, float], partner: dict[int, float]) -> list[str]:
    """What is wrong with what one channel plays: bridged, swapped, doubled, or uncounted beeps."""
    own = _own(channel)
    other = 3 - own
    found = []
    if own in levels and other in levels:
        by = levels[own] - levels[other]
        found.append(
            f"Channel {channel} plays {NAMES[own]} and {NAMES[other]} (the latter {abs(by):.0f} dB "
            f"{'lower' if by >= 0 else 'higher'}): the two are bridged together, or leak into each other."
        )
    elif other in levels:
        partner_has_own = own in partner and other not in partner
        found.append(
            f"Channel {channel} plays {NAMES[other]} in place of {NAMES[own]}"
            + (": swapped." if partner_has_own else f"; {NAMES[own]} does not arrive there.")
        )
    odd = sorted(set(levels) - set(NAMES))
    if odd:
        found.append(
            f"Channel {channel} plays groups of {', '.join(str(count) for count in odd)} beeps: it is no "
            "recording of the beeps track, or an echo counts twice."
        )
    return found
