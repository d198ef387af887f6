"""The job's steps as plain data: what to play, what to connect, what may hurt, what settles it, what is open.

Computed from the record each time; no state beside it. Knows no server and no terminal.
"""

from gainkit.steps.model import Step, Tone
from gainkit.steps.taking import Taken, look_at, take
from gainkit.steps.way import job_steps, next_step, step_of

__all__ = ["Step", "Taken", "Tone", "job_steps", "look_at", "next_step", "step_of", "take"]
