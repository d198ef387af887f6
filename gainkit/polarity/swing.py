"""The first swing of the sound that answers to a pulse, and what it decides.

The pulses are averaged and looked at through smoothing of many widths: positive kernels and means over the past
keep the first swing's sign, whatever they do to the rest. At each width the first swing that stands clear of
the noise is taken; as sound grows by no more than a known factor from one swing to the next, a swing that is
high enough cannot hide an earlier, opposite one. Where no width shows such a swing, or two disagree, the odds
over all answers that may be are asked (`templates`), and where they tell nothing either, the answer is
'undecided'.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gainkit.generator.pulses import LOBE_BANDS_HZ
from gainkit.polarity.templates import Odds, odds_of, odds_over_ringing
from gainkit.polarity.train import Train, in_common, smoothed
from gainkit.remarks import Remark, fault

Floats = NDArray[np.float64]
Sign = Literal["positive", "negative", "undecided"]

MARGIN_SECONDS = 0.04
"""The first swing comes at most so long before the arrival of a pulse's energy [s]."""

WIDEST_SECONDS = 0.005
"""The widest smoothing [s]: beyond the longest pulse nothing is gained."""

PAST_WIDTHS, EARLIER_WIDTHS = 4, 6
"""The mean of so many widths before is taken off; an earlier swing is looked for over so many [widths]."""

CLEAR_OF_NOISE = 4.5
"""The deciding swing rises so many standard deviations of the averaged noise before it counts [-]."""

SEEN = 3.0
"""An earlier, opposite swing of so many standard deviations would not be missed [-]."""

GROWTH = 5.5
"""From one swing to the next the sound grows by no more than this [-]: 0.183 is the smallest quotient in the
simulated population of tests/cabins.py (boxes of fourth order behind crossovers of fourth order, 20 echoes)."""

SMALLEST_SHARE = 0.01
"""Swings below this share of the largest may be a converter's own filter, which rings before the sound [-]."""

LEAST_TYPICAL = 0.5
"""Median over mean of the single pulses' heights: under this a few of them, clicks or strokes, make the average
[-]."""

AGREEING_SHARE = 0.75
"""At least this share of the single pulses must have the sign of their average [-]."""

CHANCE = 0.05
"""And so many that tossed coins would do as well at most this often [0..1]: of few, all."""


SECOND_OPINION = frozenset({"first_swing_hidden", "narrow_swing_dissents"})
"""Doubts that the odds over all possible answers may lift."""

LEAST_SHARE_FOR_ODDS = 0.9
"""Odds know nothing of beats: nearly all pulses of the pattern must be there [-]."""

SURE_SWING = 0.99
"""A first swing of more confidence is not weighed against odds [0..1]: cabins may be unlike all that were
drawn."""

LEAST_ODDS = 2.94
"""The odds decide from 19 to 1 on [log]."""

SUREST_ODDS = 0.94
"""... with no more confidence than this [0..1], so that it is called probable: loudspeakers may be unlike all
that were drawn, and 1 of 70 such answers was wrong at odds of far more."""

MOST_MISFIT = 0.4
"""Where the best answer of all leaves more than this share of the sound, odds tell nothing [-]: it came to
0.40 in scenes that they decided rightly; behind filters of linear phase, which ring beforehand, wrong answers
had 0.43 to 0.96."""

MOST_MISFIT_AGREED = 0.55
"""... but a sure swing with odds of 100 to 1 on its side is believed up to this share [-]: such swings were
right in 5 of 5 scenes, two of them behind linear phase, whose wrong ones were not so sure."""

AGAINST_ODDS = 4.6
"""Odds of 100 to 1 against a swing take its word [log]."""


AGAINST_SWING = 9.2
"""... and odds of 10,000 to 1 that of a clear swing which a narrower one denies [log]: automatic gain makes
odds of 200 to 1 against the truth."""


LEAST_OCTAVES, NEAR_EDGE = 0.7, 0.75
"""What chirps decide as probable must have its energy spread over so much [octaves] where its lower end lies
above this share of the upper edge of the train's band [-]: two scenes behind a filter of linear phase that were
told the wrong way round had 0.66 and 0.54 octaves from 0.81 and 0.89 on; right ones in noise
hardly ever do."""

MOST_ABOVE_BAND = 1.1
"""What is only probable must not have its energy above the upper edge of the train's band times this [-]: in
the same scenes its lower end came to 0.9 of that edge at most, and in three wrong ones, of bass trains on
midranges and tweeters, to 1.05, 1.28 and 1.46."""

ENERGY_BEFORE_SECONDS, ENERGY_AFTER_SECONDS = 0.04, 0.08
"""Around the arrival, where that is asked [s]."""

ENERGY_ENDS = (0.1, 0.9)
"""Shares of the energy that lie under its lower and its upper end [-]."""

LEAST_IN_COMMON = 2.0
"""Rows whose average holds less than so many times what unrelated rows' would hold no train [-]: lined up as
they are, 240 trains found in noise of 4 to 20 s came to 1.98 at most."""


@dataclass(frozen=True)
class Decision:
    """What a train tells: see `PolarityResult`. reasons : why it is undecided, or not sure."""

    polarity: Sign
    confidence: float
    pulses: int
    agreeing: int
    reasons: tuple[Remark, ...] = ()

    @property
    def clearness(self) -> tuple[float, int, int]:
        """What sorts decisions: the surest, then the one of most pulses."""
        return self.confidence, self.pulses, self.agreeing

    def undecided(self, reason: Remark) -> Decision:
        """The same pulses, which do not tell for this reason."""
        return replace(self, polarity="undecided", confidence=0.0, reasons=(reason,))

    def inverted(self) -> Decision:
        """The same with the other sign."""
        turned: dict[Sign, Sign] = {"positive": "negative", "negative": "positive", "undecided": "undecided"}
        return replace(self, polarity=turned[self.polarity])


@dataclass(frozen=True)
class _Swing:
    """The first swing seen at one scale. sign : +1 or -1. ratio : its height over the noise, or over what its
    surroundings allow to be seen [-]. width : of the smoothing [frames]. agreeing : pulses that show the same
    sign. typical : median over mean of the single pulses' heights [-]."""

    sign: int
    ratio: float
    width: int
    agreeing: int
    typical: float


def decide(train: Train | None, band: str | None = None, *, chirps: bool = False) -> Decision:
    """As `_decide`; a train that decides nothing, and whose rows hold nothing alike, is none: silence and noise
    can always be lined up."""
    decision = _decide(train, band, chirps=chirps)
    if train is None or band is None:
        return decision
    if decision.polarity != "undecided":
        return _at_edge(decision, train, band, chirps)
    return decision if in_common(train, band) >= LEAST_IN_COMMON else Decision("undecided", 0.0, 0, 0)


def _at_edge(decision: Decision, train: Train, band: str, chirps: bool) -> Decision:
    """The decision; undecided where it is only probable and the sound stands at the edge of the train's band:
    what a loudspeaker does that does not play it, or a steep filter, is unlike all answers that were drawn."""
    if decision.confidence > SUREST_ODDS:
        return decision
    low_hz, high_hz = _energy_ends(train)
    edge_hz = LOBE_BANDS_HZ[band][1]
    sliver = chirps and low_hz > NEAR_EDGE * edge_hz and high_hz < low_hz * 2**LEAST_OCTAVES
    if sliver or low_hz > MOST_ABOVE_BAND * edge_hz:
        return decision.undecided(fault("edge_of_band", low_hz=low_hz, high_hz=high_hz))
    return decision


def _energy_ends(train: Train) -> tuple[float, float]:
    """Between which frequencies most of the energy of an average lies; its noise, which the rows tell, is taken
    off [Hz]."""
    first = max(train.arrival - round(ENERGY_BEFORE_SECONDS * train.rate), 0)
    part = train.rows[:, first : train.arrival + round(ENERGY_AFTER_SECONDS * train.rate)]
    spectra = np.fft.rfft(part, axis=1)
    average = spectra.mean(axis=0)
    noise = np.mean(np.abs(spectra - average) ** 2, axis=0) / max(len(spectra) - 1, 1)
    energy = np.cumsum(np.maximum(np.abs(average) ** 2 - noise, 0.0))
    hertz = np.arange(len(energy)) * train.rate / part.shape[1]
    low_hz, high_hz = (float(np.interp(share * energy[-1], energy, hertz)) for share in ENERGY_ENDS)
    return low_hz, high_hz


def _decide(train: Train | None, band: str | None = None, *, chirps: bool = False) -> Decision:
    """Tell the sign of a train's first swing; None is no train.

    A swing that stands clear decides where no narrower kernel saw the other sign. Where none stands clear, and
    where one dissents, the odds over all answers that may be (`templates`) are asked; against them nothing is
    decided. What the odds decide, and a swing that is not sure, must be as likely as the other sign behind a
    filter of linear phase. band : of the train; None: there are no pulses beside each other, and no odds.
    chirps : the train was made from chirps: a recorder's automatic gain, which follows them, is no causal
    filter, so that even the surest swing needs the odds on its side.
    """
    if train is None:
        return Decision("undecided", 0.0, 0, 0)
    swings = _swings(train)
    count = len(train.rows)
    band = band if train.share > LEAST_SHARE_FOR_ODDS else None
    if not swings:
        undecided = Decision("undecided", 0.0, count, 0, (fault("pulses_in_noise"),))
        return undecided if band is None else _by_odds(train, band, odds_of(train, band), undecided)
    best = max(swings, key=lambda swing: swing.ratio)
    hidden = 0.5 * math.erfc((best.ratio / GROWTH - SEEN) / math.sqrt(2))
    decision = Decision(_name(best.sign), 1 - 0.5 * hidden, count, best.agreeing)
    doubt = _doubt(swings, best, count)
    sure = doubt is None and decision.confidence > SURE_SWING and not chirps
    if band is None or sure or (doubt is not None and doubt.code not in SECOND_OPINION):
        return decision if doubt is None else decision.undecided(doubt)
    odds = odds_of(train, band)
    agreed = decision.confidence > SURE_SWING and best.sign * odds.log_odds > AGAINST_ODDS
    if doubt is None and odds.misfit > (MOST_MISFIT_AGREED if agreed else MOST_MISFIT):
        return decision.undecided(fault("rings_beforehand"))
    if doubt is None:
        against = -best.sign * odds.log_odds
        if against > AGAINST_ODDS:
            return decision.undecided(fault("swings_disagree"))
        unsure = decision.confidence <= SURE_SWING
        if unsure and odds_over_ringing(train, band, best.sign) < 0:
            return decision.undecided(fault("rings_beforehand"))
        most = SUREST_ODDS if chirps and against > -LEAST_ODDS else 1.0
        return replace(decision, confidence=min(decision.confidence, most))
    told = _by_odds(train, band, odds, decision.undecided(doubt))
    clear = best.ratio >= GROWTH * SEEN and told.polarity not in (decision.polarity, "undecided")
    return decision.undecided(doubt) if clear and abs(odds.log_odds) < AGAINST_SWING else told


def _by_odds(train: Train, band: str, odds: Odds, undecided: Decision) -> Decision:
    """What the odds decide where no swing does; the pulses must resemble each other, and nothing may ring
    before the sound."""
    confidence = min(1 / (1 + math.exp(-min(abs(odds.log_odds), 50.0))), SUREST_ODDS)
    count, agreeing = len(odds.likeness), int(np.count_nonzero(odds.likeness > 0))
    typical = float(np.median(odds.likeness)) / max(float(odds.likeness.mean()), 1e-30)
    if (
        odds.misfit > MOST_MISFIT
        or abs(odds.log_odds) < LEAST_ODDS
        or not _few_by_chance(agreeing, count)
        or typical < LEAST_TYPICAL
    ):
        return undecided
    sign = 1 if odds.log_odds > 0 else -1
    if odds_over_ringing(train, band, sign) < 0:
        return undecided.undecided(fault("rings_beforehand"))
    return Decision(_name(sign), confidence, count, agreeing)


def _name(sign: int) -> Sign:
    return "positive" if sign > 0 else "negative"


def _few_by_chance(agreeing: int, count: int) -> bool:
    """Whether so many agreeing pulses are more than chance makes."""
    return agreeing >= AGREEING_SHARE * count and (count == 1 or _by_chance(agreeing, count) <= CHANCE)


def _swings(train: Train) -> list[_Swing]:
    """The first swing at each width of smoothing that shows one."""
    widest = round(WIDEST_SECONDS * train.rate)
    widths = [3 << power for power in range(20) if 3 << power <= widest]
    return [swing for swing in (_first_swing(train, width) for width in widths) if swing is not None]


def _doubt(swings: list[_Swing], best: _Swing, count: int) -> Remark | None:
    """Why the best swing does not decide; None when it does."""
    clear = [swing for swing in swings if swing.ratio >= GROWTH * SEEN]
    if not clear:
        return fault("first_swing_hidden")
    if len({swing.sign for swing in clear}) > 1:
        return fault("swings_disagree")
    if any(swing.sign != best.sign and swing.width < best.width for swing in swings):
        return fault("narrow_swing_dissents")
    if not _few_by_chance(best.agreeing, count):
        return fault("pulses_disagree", agreeing=best.agreeing, pulses=count)
    if best.typical < LEAST_TYPICAL:
        return fault("few_loud_sounds")
    return None


def _by_chance(agreeing: int, count: int) -> float:
    """How often so many or more of `count` tossed coins show heads [0..1]."""
    return sum(math.comb(count, heads) for heads in range(agreeing, count + 1)) / 2.0**count


def _first_swing(train: Train, width: int) -> _Swing | None:
    """The first swing of the averaged pulses, smoothed over a width [frames], freed from the past."""
    lost = (width | 1) // 2  # frames that smoothing spoils at either end
    rows = _freed(np.apply_along_axis(smoothed, 1, train.rows, width)[:, lost:-lost], width)
    start = train.arrival - lost - round(MARGIN_SECONDS * train.rate)
    quiet = slice((PAST_WIDTHS + 1) * width, start)
    if quiet.stop - quiet.start < PAST_WIDTHS * width:
        return None
    average = rows.mean(axis=0)
    floor = _floor(rows, average, quiet)
    beyond = np.flatnonzero(np.abs(average[start:]) > CLEAR_OF_NOISE * floor)
    if not len(beyond):
        return None
    first = start + int(beyond[0])
    sign = 1 if average[first] > 0 else -1
    earlier = average[max(first - EARLIER_WIDTHS * width, start) : first]
    if np.any(sign * earlier < -SEEN * floor):
        return None
    height, place = _peak(sign * average[first:])
    heights = sign * rows[:, first + place]
    typical = float(np.median(heights) / max(heights.mean(), 1e-30))
    return _Swing(sign, height / floor, width, int(np.count_nonzero(heights > 0)), typical)


def _freed(rows: Floats, width: int) -> Floats:
    """Rows less the mean of the four widths before each sample: rumble goes, and as nothing later is used, the
    first swing keeps its sign."""
    past = PAST_WIDTHS * width
    total = np.cumsum(np.concatenate([np.zeros((len(rows), 1)), rows], axis=1), axis=1)
    base = np.zeros_like(rows)
    base[:, past + width :] = (total[:, past:] - total[:, :-past])[:, : -width - 1] / past
    return rows - base


def _floor(rows: Floats, average: Floats, quiet: slice) -> float:
    """What a swing of the average is measured against: the noise before it, or a converter's own ringing."""
    spread = np.sqrt(np.mean(np.var(rows[:, quiet], axis=0)) / max(len(rows) - 1, 1))
    noise = max(float(spread), float(np.sqrt(np.mean(average[quiet] ** 2))), 1e-9)
    top = float(np.abs(average[quiet.stop :]).max())
    return max(noise, SMALLEST_SHARE * top / SEEN)


def _peak(course: Floats) -> tuple[float, int]:
    """Height and place of a swing that begins at 0, up to where it crosses zero."""
    ends = np.flatnonzero(course <= 0)
    place = int(np.argmax(course[: int(ends[0])])) if len(ends) else int(np.argmax(course))
    return float(course[place]), place
