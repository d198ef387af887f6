"""gainkit: test tones, measurements and arithmetic for setting amplifier gain in a car."""

from __future__ import annotations

__version__ = "0.1.0"
