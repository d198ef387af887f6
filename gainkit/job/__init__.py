"""A job: its system file and its plan, loaded when first used: most readings need neither."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gainkit.job.plan import ChannelPlan, Plan, plan_system
    from gainkit.job.system import System, load_system

__all__ = ["ChannelPlan", "Plan", "System", "load_system", "plan_system"]

_MODULE_OF = {name: "system" if name in ("System", "load_system") else "plan" for name in __all__}


def __getattr__(name: str) -> Any:
    if name in _MODULE_OF:
        return getattr(importlib.import_module(f"gainkit.job.{_MODULE_OF[name]}"), name)
    raise AttributeError(f"module 'gainkit.job' has no attribute '{name}'")
