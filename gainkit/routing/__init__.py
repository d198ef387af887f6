"""Which channel plays where: counted beeps heard by a microphone or on several line channels.

The track plays one beep on the left, two on the right, over and over (`generator.pulses`). Each recorded
channel is demodulated at the beeps' pitch; beeps close together make a group, and the size of the group is the
channel. Where a multichannel capture holds more than one pair, odd channels are left and even ones right.
"""

from __future__ import annotations

from gainkit.routing.beeps import PITCH_HZ
from gainkit.routing.check import HeardBeeps, RoutingResult, check_routing

__all__ = ["PITCH_HZ", "HeardBeeps", "RoutingResult", "check_routing"]
