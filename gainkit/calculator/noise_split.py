"""How a chain's gain is split between its stages so that least noise reaches the output.

Stage i (1..n) has gain g_i, noise e_i at its input and o_i at its output, behind its own gain control [V rms].
Let h_i = g_1 g_2 ... g_i be the gain from the source to the output of stage i, h_0 = 1 and h_n = G the whole.
What is added at one place is amplified by all that follows it, and noise of different stages has nothing in
common, so powers add:

    N^2 = sum over i of (e_i G / h_(i-1))^2 + (o_i G / h_i)^2

With G given, N falls with every h_i, i < n: gain belongs as early in the chain as can be. What keeps h_i down
is clipping, s h_i <= c_i for a signal of s volts at the source, and the range of every control,
low_i <= h_i / h_(i-1) <= high_i. In logarithms these are bounds on single unknowns and on differences of
neighbours. The greater of two solutions, taken place by place, is a solution again; so there is one that is
greatest at every place at once, and no other split has less noise. It is found by lowering each bound to what
its neighbours allow, once forwards and once backwards. (Friis, Noise figures of radio receivers, 1944, is the
same rule for power gains: the first stage counts most.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gainkit.calculator.ranges import VOLTS
from gainkit.errors import GainkitError
from gainkit.levels import db_from_ratio, ratio_from_db

TINY_DB = 1e-9
"""Two gains that differ by less are the same: rounding of sums of decibels [dB]."""


@dataclass(frozen=True)
class NoiseStage:
    """One stage of the chain.

    input_noise_volts : rms of the noise ahead of its gain [V]; output_noise_volts : behind it, there whatever
    the gain [V]. clip_volts : rms of the largest clean sine at its output [V]. least_gain_db, most_gain_db :
    range of its gain [dB]; equal where it cannot be set.
    """

    name: str
    input_noise_volts: float = 0.0
    output_noise_volts: float = 0.0
    clip_volts: float = math.inf
    least_gain_db: float = -math.inf
    most_gain_db: float = math.inf


@dataclass(frozen=True)
class StageNoise:
    """gain_db : the stage's own [dB]. output_volts : what its noise becomes at the chain's output [V rms].

    share_percent : of the whole noise power [%]. signal_volts : the signal at the stage's output [V rms].
    headroom_db : room below its clipping [dB], infinite where it has no limit.
    """

    name: str
    gain_db: float
    output_volts: float
    share_percent: float
    signal_volts: float
    headroom_db: float


@dataclass(frozen=True)
class NoiseSplit:
    """stages : in the order of the chain. total_volts : noise at the output [V rms]. below_signal_db : that
    noise below the signal at the output [dB], infinite without noise."""

    stages: tuple[StageNoise, ...]
    total_volts: float
    below_signal_db: float

    @property
    def gains_db(self) -> tuple[float, ...]:
        """The stages' gains [dB]."""
        return tuple(stage.gain_db for stage in self.stages)


def noise_at_output(stages: Sequence[NoiseStage], gains_db: Sequence[float], signal_volts: float) -> NoiseSplit:
    """What each stage's noise becomes at the output with these gains, and the whole: the sum in the module's
    text.

    signal_volts : rms of the largest signal at the source's input to the chain [V]. A stage may clip here:
    its headroom is negative then. Raises GainkitError for figures that mean nothing.
    """
    _check(stages, signal_volts)
    if len(gains_db) != len(stages):
        raise GainkitError("gains_for_stages", "gains_db", len(gains_db), len(stages))
    whole_db = math.fsum(gains_db)
    before_db, powers, levels = 0.0, [], []
    for stage, gain_db in zip(stages, gains_db, strict=True):
        behind_db = before_db + gain_db
        ahead = stage.input_noise_volts * ratio_from_db(whole_db - before_db)
        after = stage.output_noise_volts * ratio_from_db(whole_db - behind_db)
        powers.append(ahead**2 + after**2)
        levels.append(signal_volts * ratio_from_db(behind_db))
        before_db = behind_db
    total = math.fsum(powers)
    rows = tuple(
        StageNoise(
            name=stage.name,
            gain_db=gain_db,
            output_volts=math.sqrt(power),
            share_percent=100 * power / total if total > 0 else 0.0,
            signal_volts=level,
            headroom_db=db_from_ratio(stage.clip_volts / level),
        )
        for stage, gain_db, power, level in zip(stages, gains_db, powers, levels, strict=True)
    )
    below = db_from_ratio(levels[-1] / math.sqrt(total)) if total > 0 else math.inf
    return NoiseSplit(rows, math.sqrt(total), below)


def quietest_split(stages: Sequence[NoiseStage], total_gain_db: float, signal_volts: float) -> NoiseSplit:
    """The split of a fixed total gain that leaves least noise at the output, no stage clipping.

    total_gain_db : from the source to the output [dB]. signal_volts : as for `noise_at_output` [V]. Raises
    GainkitError when the stages' ranges and clip limits do not allow the gain, naming the stage.
    """
    _check(stages, signal_volts)
    highest = [db_from_ratio(stage.clip_volts / signal_volts) for stage in stages]
    if highest[-1] < total_gain_db - TINY_DB:
        raise GainkitError(
            "split_clips",
            "total_gain_db",
            total_gain_db,
            f"at most {highest[-1]:.4g} dB",
            stage=stages[-1].name,
            clip_volts=stages[-1].clip_volts,
        )
    highest[-1] = total_gain_db
    reached = 0.0
    for place, stage in enumerate(stages):  # no farther up than the stages before can bring it
        highest[place] = min(highest[place], reached + stage.most_gain_db)
        reached = highest[place]
    for place in range(len(stages) - 2, -1, -1):  # ... nor than those behind can take away again
        highest[place] = min(highest[place], highest[place + 1] - stages[place + 1].least_gain_db)
    if highest[-1] < total_gain_db - TINY_DB:
        raise GainkitError(
            "split_out_of_reach", "total_gain_db", total_gain_db, f"at most {highest[-1]:.4g} dB"
        )
    for stage, level_db in zip(stages, highest, strict=True):
        if math.isinf(level_db):
            raise GainkitError("split_without_limit", "clip_volts", stage.clip_volts, stage=stage.name)
    gains = [after - before for before, after in zip([0.0, *highest[:-1]], highest, strict=True)]
    for stage, gain_db in zip(stages, gains, strict=True):
        if not stage.least_gain_db - TINY_DB <= gain_db <= stage.most_gain_db + TINY_DB:
            raise GainkitError(
                "split_stage_range",
                "total_gain_db",
                total_gain_db,
                f"{stage.least_gain_db:zg} to {stage.most_gain_db:zg} dB at {stage.name}",
                stage=stage.name,
                gain_db=gain_db,
            )
    return noise_at_output(stages, gains, signal_volts)


def _check(stages: Sequence[NoiseStage], signal_volts: float) -> None:
    """Raise GainkitError for a chain that means nothing."""
    if not stages:
        raise GainkitError("no_stages", "stages", [], "at least one stage")
    if not VOLTS.holds(signal_volts):
        raise GainkitError("outside_range", "signal_volts", signal_volts, VOLTS)
    for stage in stages:
        for name in ("input_noise_volts", "output_noise_volts"):
            volts = getattr(stage, name)
            if not (0 <= volts < math.inf):
                raise GainkitError("outside_range", name, volts, "0 V or more").within("stage", stage.name)
        if not stage.clip_volts > 0:
            raise GainkitError("outside_range", "clip_volts", stage.clip_volts, "above 0 V").within(
                "stage", stage.name
            )
        if not stage.least_gain_db <= stage.most_gain_db:
            raise GainkitError(
                "stage_range", "most_gain_db", stage.most_gain_db, f"{stage.least_gain_db:zg} dB or more"
            ).within("stage", stage.name)
