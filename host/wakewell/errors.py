"""What a person can put right: one line, with the place and what to do."""

from __future__ import annotations

from wakewell.tomlfile import Problem


class BadInput(Exception):
    """Something the user gave cannot be used: one line, with the place and what to do."""


class BadFile(BadInput):
    """The same, of a line of a file of the user's."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem
