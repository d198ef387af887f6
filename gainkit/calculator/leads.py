"""Before anything grounded touches an output: one caution for every command that asks for such a hook-up."""

from __future__ import annotations

from gainkit.remarks import Remark, danger

GROUNDED_OHMS = 1.0
"""An ohmmeter's reading from a lead to chassis ground up to which the lead is grounded [ohm] (common practice,
no source: leads and contacts of the meter alone show some tenths)."""


def hook_up_cautions(minus: int | None = None) -> tuple[Remark, ...]:
    """What to check with an ohmmeter before a grounded clip; nothing where two inputs are subtracted.

    minus : the channel that is subtracted: then no clip goes to a minus lead.
    """
    return () if minus is not None else (danger("check_minus_lead", grounded_ohms=GROUNDED_OHMS),)
