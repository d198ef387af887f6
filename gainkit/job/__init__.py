"""A job: its system file, and the plan that follows from it."""

from __future__ import annotations

from gainkit.job.plan import ChannelPlan, Plan, plan_system
from gainkit.job.system import System, load_system

__all__ = ["ChannelPlan", "Plan", "System", "load_system", "plan_system"]
