"""Third-octave bands, and the given bands for noise that are made of whole ones."""

from __future__ import annotations

from dataclasses import dataclass

OCTAVE_RATIO = 10.0**0.3
"""G, the octave of base ten [-] (IEC 61260-1:2014, 5.2.1)."""

REFERENCE_HZ = 1000.0
"""fr, the reference frequency [Hz] (IEC 61260-1:2014, 3.2)."""

PREFERRED_HZ = (
    25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
    1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0,
)  # fmt: skip
"""Preferred frequencies of ISO 266 (R10) that name the third-octaves we use [Hz]."""


def third_octave_edges_hz(nominal_hz: float) -> tuple[float, float]:
    """Exact lower and upper edge [Hz] of the third-octave with this nominal centre.

    f_m = fr G^(x/3), edges f_m G^(-1/6) and f_m G^(+1/6) (IEC 61260-1:2014, 5.2 to 5.4, odd number of bands).
    """
    x = PREFERRED_HZ.index(nominal_hz) - PREFERRED_HZ.index(REFERENCE_HZ)
    center = REFERENCE_HZ * OCTAVE_RATIO ** (x / 3.0)
    return center * OCTAVE_RATIO ** (-1.0 / 6.0), center * OCTAVE_RATIO ** (1.0 / 6.0)


@dataclass(frozen=True)
class NamedBand:
    """A named band: the third-octaves from `first_hz` to `last_hz` (nominal), both included; edges are exact
    [Hz]."""

    name: str
    first_hz: float
    last_hz: float

    @property
    def low_hz(self) -> float:
        """Lower edge of the first third-octave [Hz]."""
        return third_octave_edges_hz(self.first_hz)[0]

    @property
    def high_hz(self) -> float:
        """Upper edge of the last third-octave [Hz]."""
        return third_octave_edges_hz(self.last_hz)[1]


BANDS = {
    band.name: band
    for band in (
        NamedBand("bass", 25.0, 160.0),
        NamedBand("midrange", 200.0, 2500.0),
        NamedBand("treble", 3150.0, 16000.0),
        NamedBand("full", 25.0, 16000.0),
    )
}
"""Our own bands: bass, midrange and treble meet without gap or overlap and together make full. Bass and
midrange are whole octaves as well (31.5 to 125 Hz, 250 to 2000 Hz), so that octave bands measured in them are
wholly filled."""
