"""What the lesson's page calculates: one chain from source to load, by the calculator's own formulas.

Pure functions of floats: `translate` makes the page's script of them, and the tests hold the one against the
other.
"""

from __future__ import annotations

import math

from gainkit.calculator import clipped, programme, targets
from gainkit.levels import SINE_CREST, db_from_ratio, ratio_from_db, watts_from_volts

CREST_DB = 12.0
"""Peak over rms of the music-like programme [dB] (common practice, no source)."""


def figures(
    source_volts: float,
    gain_db: float,
    rail_volts: float,
    overlap_db: float,
    level_dbfs: float,
    load_ohms: float,
) -> dict[str, float]:
    """All figures of one setting.

    source_volts : for 0 dBFS [V rms]. rail_volts : hard, both sides [V peak]. overlap_db : wanted [dB].
    level_dbfs : of the tone that plays; the music's peaks stand at 0 dBFS.
    Keys: volts are rms [V], watts into the load [W], levels [dB]; `music_...` with the music-like programme.
    """
    clip_volts = rail_volts / SINE_CREST
    wanted_volts = targets.output_volts(source_volts, gain_db, level_dbfs)
    over_db = db_from_ratio(wanted_volts / clip_volts)
    beyond_db = max(over_db, 0.0)
    held = over_db > 0.0
    true_volts = clip_volts * clipped.rms_ratio(beyond_db) if held else wanted_volts
    average_volts = clip_volts * clipped.average_reading_ratio(beyond_db) if held else wanted_volts
    clip_watts = watts_from_volts(clip_volts, load_ohms)
    headroom_db = targets.headroom_db(clip_volts, targets.output_volts(source_volts, gain_db, 0.0))
    return {
        "clip_volts": clip_volts,
        "clip_watts": clip_watts,
        "wanted_volts": wanted_volts,
        "over_db": over_db,
        "true_volts": true_volts,
        "average_volts": average_volts,
        "watts": watts_from_volts(true_volts, load_ohms),
        "thd_percent": clipped.thd_percent(beyond_db),
        "headroom_db": headroom_db,
        "set_volts": targets.set_volts(clip_volts, level_dbfs, overlap_db),
        "set_gain_db": targets.gain_db(clip_volts, source_volts, overlap_db),
        "sensitivity_volts": targets.sensitivity_volts(clip_volts, gain_db),
        "music_watts": clip_watts * programme.average_power_ratio(CREST_DB, -headroom_db),
        "music_clipped_percent": 100.0 * programme.time_clipped_share(CREST_DB, -headroom_db),
    }


def harmonic_db(order: float, over_db: float) -> float:
    """Level of an odd harmonic of a sine cut by hard rails, over its fundamental [dB].

    With k the rail over the sine's peak and theta = arcsin k, the sine series of the cut wave has for odd n > 1
    b_n = (2/pi) [sin((n-1) theta)/(n-1) - sin((n+1) theta)/(n+1) + 2 k cos(n theta)/n]: Fourier's integral over
    a quarter wave.
    """
    k = ratio_from_db(-max(over_db, 0.0))
    theta = math.asin(k)
    first = 2.0 / math.pi * (theta + k * math.cos(theta))
    inner = math.sin((order - 1.0) * theta) / (order - 1.0) - math.sin((order + 1.0) * theta) / (order + 1.0)
    own = 2.0 / math.pi * (inner + 2.0 * k * math.cos(order * theta) / order)
    return db_from_ratio(abs(own) / first)
