"""The plan's own tones as tracks: each channel's setting tone at its level, before those of a tone set."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from gainkit.figures import plain
from gainkit.generator import kinds
from gainkit.generator.spec import ToneSpec
from gainkit.job.plan import ChannelPlan, Plan, plan_system
from gainkit.job.system import load_system
from gainkit.toneset.model import ToneSet, Track, stem_for, title_for
from gainkit.toneset.reading import read_set

SECONDS = 60.0
"""Time to turn a gain control and read a meter twice [s] (our choice)."""


def tones_of_plan(tone_set: str | Path, system: str | Path, *, rate: int = 44_100) -> ToneSet:
    """A tone set with the setting tones of a car before its own tracks.

    Parameters
    ----------
    tone_set : name of one that comes along, or the path of a .toml file.
    system : the car's system file.
    rate : sample rate that the tones are built for [Hz].

    Returns
    -------
    ToneSet
        One track for each frequency and level that some channel is set with, in the order of the channels, then
        those of the set.

    Raises
    ------
    GainkitError
        For a system file or a tone set that cannot be used.

    Examples
    --------
    >>> from gainkit.job.folder import EXAMPLE
    >>> [track.title for track in tones_of_plan("phone", EXAMPLE).tracks[:2]]
    ['997 Hz at -5 dBFS', '50 Hz at -5 dBFS']
    """
    tones = read_set(tone_set, rate)
    own = plan_tracks(plan_system(load_system(system)), rate)
    others = tuple(track for track in tones.tracks if not _same_tone(track, own))
    return replace(tones, name=f"{tones.name}-{Path(system).stem}", tracks=(*own, *others))


def plan_tracks(plan: Plan, rate: int) -> tuple[Track, ...]:
    """The setting tones of a plan, each once."""
    channels: dict[tuple[float, float], list[ChannelPlan]] = {}
    for channel in plan.channels:
        channels.setdefault((channel.tone_hz, channel.tone_dbfs), []).append(channel)
    return tuple(_track(*tone, same, rate) for tone, same in channels.items())


def _track(tone_hz: float, tone_dbfs: float, channels: list[ChannelPlan], rate: int) -> Track:
    spec = ToneSpec("sine", frequency_hz=tone_hz, level_dbfs=tone_dbfs, seconds=SECONDS)
    wanted = ", ".join(f"{channel.name} {plain(channel.set_volts, 4)} V" for channel in channels)
    use = f"Set the gain until the meter reads: {wanted}. Loudspeakers unplugged."
    return Track(spec, title_for(spec), use, stem_for(spec), kinds.build(spec, rate))


def _same_tone(track: Track, others: tuple[Track, ...]) -> bool:
    """Whether a track of the set is one of the plan's tones, so that it need not be there twice."""
    spec = track.spec
    return any(
        (spec.kind, spec.frequency_hz, spec.level_dbfs, spec.seconds)
        == (other.spec.kind, other.spec.frequency_hz, other.spec.level_dbfs, other.spec.seconds)
        for other in others
    )
