"""Where verdicts turn: every threshold of the analysis in one place, each with its reason."""

from __future__ import annotations

AUDIO_BAND_HZ = (10.0, 20_000.0)
"""Band of tone, harmonics and noise unless another is asked for [Hz]: what is heard, with an octave below it so
that the lowest tones of a bass channel keep their noise."""

LIMIT_THD_PERCENT = 1.0
"""THD at which a tone is no longer clean unless another limit is asked for [%]: the limit at which mobile
amplifiers are rated (CTA-2006, second-hand)."""

SEEN_OVER_FLOOR = 1.5
"""Distortion is seen from this many times the floor on [-]. Noise alone shows the floor on average; so much
more it shows in one recording of ten with one harmonic in the band, of 900 with ten (derived: a sum of
exponentially distributed powers)."""

LARGEST_OVERDRIVE_DB = 60.0
"""The search for the sine behind a clipped wave ends here: what lies there may lie beyond [dB]."""

LEAST_CYCLES = 3.0
"""A record must hold this many cycles: below, DC, tone and second harmonic cannot be told apart [cycles]."""

RAIL_SIGNIFICANCE = 4.0
"""A rail is seen only if the distortion it explains is this many standard deviations above noise [-]."""

RAIL_EXPLAINS = 0.75
"""... and the rail model explains this share of the harmonics' power beyond the noise [-]."""

RAIL_EXPLAINS_WELL = 0.95
"""Below this share, rails are looked for in the wave itself too: a stage that comes off its rail late [-]."""

EXPLAINS_WITHOUT_OVERDRIVE = 0.97
"""Rails that the sine may not go beyond must explain this share [-]: of 420 sets of harmonics of any phases 9
look like the foot of a knee by chance, to 0.75 to 0.96."""

GIVING_WAY_EXPLAINS = 0.99
"""Rails that give way must explain this share [-]: with a slope of their own they come near to many waves that
have none."""

NAMED_SLOPE = 0.03
"""A rail that gives way by less than this share is a rail like any other [-]."""

NAMED_ZONE = 0.002
"""A dead zone beside rails is named from this share of the sine on: less makes 0.1 % of distortion (0.6 times
the zone, by its series), which hardly an amplifier is without [-]."""

HIDES_FROM = 0.5
"""From this share of the limit of THD on, distortion that rails behind a filter may make is not called clean
[-]: the filter takes most of it away; less most amplifiers have of their own (our choice)."""

LEAST_OVERDRIVE_DB = 0.005
"""Overdrive below this is not told from none: 0.005 dB gives about 0.009 % THD [dB]."""

DEEP_OVERDRIVE_DB = 12.0
"""Overdrive this deep needs no proof by its uncertainty, which grows with it: a square wave has none [dB]."""

SMOOTH_RATIO = 0.1
"""A curve without a rail is preferred when it leaves less than this share of what rails leave [-]."""

LEAST_COMPRESSION_DB = 0.1
"""A soft knee counts as a rail once the crest is held down by this much: about 1 % in voltage [dB]."""

LEAST_THD_PERCENT = 0.02
"""A smooth curve in an amplifier can look like the foot of a knee below this THD [%]."""

NAMED_THD_PERCENT = 0.1
"""Distortion of another kind is named from here on; below, hardly an amplifier is without [%]."""

RECTIFIED_OVERDRIVE_DB = 12.0
"""One side alone cut this deep is a missing half wave (rectification), not an amplifier at its rail [dB]."""

CROSSOVER_EXPLAINS = 0.8
"""A dead zone around zero is named when it explains this share of the odd harmonics' power [-]: dips of the
slope up to three tenths of the peak wide do so. A lone third harmonic comes to 0.735 beside a fifth's place and
to less with more orders; of 20,000 sets of third, fifth and seventh of any phases none (49 come to 0.6)."""

CROSSOVER_TURNED = 0.1
"""... and no more than this share of it stands across the crest, where a dead zone makes none [-]: slew limits
and filters turn harmonics, and may leave few of them in the shape of a dead zone's."""

TONE_SHARE = 0.5
"""A steady tone must hold this share of the AC power in band, harmonics included [-]."""

SECOND_TONE_RATIO = 0.2
"""Another line of this amplitude relative to the tone, no harmonic and no hum, is a second tone [-]."""

LEVEL_STEP_DB = 0.5
"""A steady part stays within this of its own median level [dB]."""

PHASE_STEP_RADIANS = 0.3
"""A jump of the tone's phase between neighbouring blocks that tells of lost samples [rad]."""

HUM_NAMED_DB = 12.0
"""A line this far above the noise around it is named [dB]."""

HUM_LEAST_PERCENT = 0.01
"""... if it also reaches this share of the tone [%]."""

STRONG_LINE_PERCENT = 3.0
"""... and is a fault from this share of the tone on [%]: 30 dB under a setting tone it is heard in any car (our
choice)."""

OUTLIER_SIGMAS = 8.0
"""Single samples this many standard deviations off the repeating wave are left out [-]."""

OUTLIER_RATIO = 0.05
"""... and this share of the tone off: smaller ones do no harm, and sagging rails look like them [-]."""

OUTLIER_SHARE = 0.002
"""... if they are fewer than this share of all samples [-]."""

CRACKLE_SHARE = 0.05
"""Of more, below this share, it is told that the recording crackles [-]; still more make another wave."""

DC_VOLTS = 0.1
"""DC above this does not belong at an output that is off its rails [V] (common practice, no source)."""

OUT_OF_BAND_RATIO = 0.001
"""What lies above the band is told when its rms reaches this share of the tone [-]."""

LEAST_SOFT_OVERDRIVE_DB = -6.0
"""Below the limit of THD, a soft curve whose rail lies farther off than this is not called a rail [dB]."""

LEAST_AT_LIMIT_DB = -7.0
"""... nor from the limit on, where it lies farther off than this [dB]: u / (1 + u^3)^(1/3) makes 1 % of
distortion 6.4 dB before its rail, a hyperbolic tangent, which any smooth law is like, 9 dB (their series)."""


def stands_above(thd_percent: float, thd_floor_percent: float) -> bool:
    """Whether distortion is seen above the floor that noise makes."""
    return thd_percent >= SEEN_OVER_FLOOR * thd_floor_percent
