"""The one exception for faults on the user's side: what is wrong, and how to mend it."""

from __future__ import annotations


class GainkitError(ValueError):
    """Input or a call that cannot be used.

    Parameters
    ----------
    problem : what is wrong, with the file, line, key or option it concerns.
    remedy : what to do about it, in one sentence.

    The command line turns it into a two-part message on standard error and exit status 2.
    """

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(f"{problem} {remedy}")
        self.problem = problem
        self.remedy = remedy
