"""What the figures of a power feed call for: the danger first, then the fuse, then what is good to know."""

from __future__ import annotations

from collections.abc import Iterator

from gainkit.calculator.conductors import COPPER, MATERIALS
from gainkit.calculator.feed_model import Feed, FeedFacts
from gainkit.remarks import Remark, danger, fault, remark

HOT_CONTACT_WATTS = 5.0
"""Heat in contacts from which it is told as a danger [W] (our choice: a terminal of a few square centimetres in
still air gets hotter than PVC allows by about that much)."""

EXCESS_SHARE = 1.25
"""A measured resistance over the calculated one from which something else than the cable takes volts [-] (our
choice: areas, lengths and temperature explain less)."""

LEAST_AMPLIFIER_VOLTS = 10.0
"""Supply under which amplifiers for 12 V systems usually switch off [V] (common practice, no source)."""

CONNECTIONS_BURN = frozenset({"contacts_get_hot", "drop_in_a_bad_contact"})
"""Dangers that a cable of any size leaves: with them a feed is not safe."""


def feed_cautions(feed: Feed, facts: FeedFacts) -> Iterator[Remark]:
    """What a power feed's figures call for, gravest first; the plan of a car tells the same."""
    assert feed.supply_amperes is not None
    assert feed.most_amperes is not None
    shared = {
        "amperes": feed.supply_amperes, "square_mm": feed.square_mm, "most_amperes": feed.most_amperes,
        "continuous_amperes": feed.continuous_amperes, "least_mm2": feed.least_mm2,
    }  # fmt: skip
    if feed.supply_amperes > feed.most_amperes:
        yield danger(
            "wire_not_safe",
            **shared, amperes_per_mm2=feed.amperes_per_mm2, heat_watts_per_m=feed.heat_watts_per_m,
            overheats_in_seconds=feed.overheats_in_seconds,
        )  # fmt: skip
    fuses = {"highest_fuse_amperes": feed.highest_fuse_amperes, "most_fuse_amperes": feed.most_fuse_amperes}
    fuse = facts.fuse_amperes
    if fuse is not None and fuse > feed.most_amperes:
        yield danger("fuse_above_wire", fuse_amperes=fuse, square_mm=feed.square_mm, **fuses)
    if (feed.contact_watts or 0.0) > HOT_CONTACT_WATTS:
        yield danger("contacts_get_hot", contact_watts=feed.contact_watts, amperes=feed.supply_amperes)
    yield from _measured_cautions(feed, facts)
    yield danger("fuse_the_feed", fuse_amperes=fuse, **fuses)
    sure_amperes = feed.continuous_amperes or 0.0
    if feed.verdict == "not known" and feed.supply_amperes > sure_amperes:
        yield remark("wire_by_its_table", **shared)
    elif feed.verdict == "not known" and (fuse or 0.0) > sure_amperes:
        # the current is no reason for another cable here: a thinner one would be burnt by this fuse
        yield fault("fuse_by_its_table", fuse_amperes=fuse, **shared)
    if fuse is not None and fuse < feed.supply_amperes:
        yield fault("fuse_below_current", fuse_amperes=fuse, amperes=feed.supply_amperes)
    if (feed.amplifier_volts or 0.0) < LEAST_AMPLIFIER_VOLTS:
        yield fault(
            "amplifier_starves", amplifier_volts=feed.amplifier_volts, least_volts=LEAST_AMPLIFIER_VOLTS
        )
    if facts.material != COPPER.name:
        share = 100.0 * COPPER.ohm_m / MATERIALS[facts.material].ohm_m
        yield remark("not_all_copper", share_percent=share, copper_mm2=feed.square_mm * share / 100.0)
    if facts.return_ohms is not None:
        yield remark("return_through_body", return_ohms=facts.return_ohms)


def _measured_cautions(feed: Feed, facts: FeedFacts) -> Iterator[Remark]:
    """What a drop measured under load says beside the one calculated."""
    if feed.measured_ohms is None or feed.supply_amperes is None:
        return
    values = {
        "measured_volts": facts.measured_drop_volts, "excess_watts": feed.excess_watts,
        "calculated_volts": feed.wire_ohms * (facts.measured_amperes or feed.supply_amperes),
        "amperes": facts.measured_amperes,
    }  # fmt: skip
    if (feed.excess_watts or 0.0) > HOT_CONTACT_WATTS and feed.measured_ohms > EXCESS_SHARE * feed.wire_ohms:
        yield danger("drop_in_a_bad_contact", **values)
    else:
        yield remark("drop_measured", **values)
