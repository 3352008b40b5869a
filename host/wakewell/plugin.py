"""The pytest plugin: sequence files as ordinary tests.

A file is a sequence if its name ends in `.toml` and one of the folders it lies in, below
pytest's root, is named `sequences`. Each becomes one test, so `-k` and `-n` work as usual.
`--wakewell-on micropython` (or `wakewell_on = micropython` in the ini file) adds a second
test for each file: the same on a real MicroPython, equal to the last byte of the log;
`micropython32` adds a third, on one of 32 bits as on a chip.

Nothing of Wakewell is loaded before the first such test runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

FOLDER = "sequences"
CHOICES = ("cpython", "micropython", "micropython32")


def pytest_addoption(parser: pytest.Parser) -> None:
    """The option and its ini twin."""
    told = "where to play sequences: cpython, micropython as well, or micropython32 as well"
    parser.getgroup("wakewell").addoption("--wakewell-on", choices=CHOICES, help=told)
    parser.addini("wakewell_on", told, default="cpython")


def where(config: pytest.Config) -> str:
    """The interpreters asked for: the option, else the ini file."""
    return str(config.getoption("--wakewell-on") or config.getini("wakewell_on"))


def pytest_configure(config: pytest.Config) -> None:
    """Refuse a word in the ini file that is none of ours."""
    if where(config) not in CHOICES:
        raise pytest.UsageError(f"wakewell_on = {where(config)}; allowed: {', '.join(CHOICES)}")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> SequenceFile | None:
    """A collector for a sequence file, by its place alone: the file is not opened yet."""
    if file_path.suffix != ".toml":
        return None
    root = parent.config.rootpath
    inside = file_path.relative_to(root) if file_path.is_relative_to(root) else file_path
    if FOLDER not in inside.parts[:-1]:
        return None
    collector: SequenceFile = SequenceFile.from_parent(parent, path=file_path)
    return collector


class SequenceFile(pytest.File):
    """One file, one test for each interpreter asked for."""

    def collect(self) -> Iterator[SequenceItem]:
        """The tests of this file."""
        for on in CHOICES[: CHOICES.index(where(self.config)) + 1]:
            yield SequenceItem.from_parent(self, name=on)


class Wrong(Exception):
    """What a sequence has to say when it fails."""


class SequenceItem(pytest.Item):
    """One sequence on one interpreter."""

    def runtest(self) -> None:
        """Play it and judge it."""
        from wakewell import interpreter, sequences

        if self.name != CHOICES[0] and not interpreter.found(self.name):
            pytest.skip(interpreter.missing(self.name))
        try:
            here = Path.cwd()
            inside = self.path.is_relative_to(here)
            sequence = sequences.load(self.path.relative_to(here) if inside else self.path)
            failures = sequences.check(sequence, on=self.name)
        except sequences.SequenceError as error:
            raise Wrong(str(error)) from None
        if failures:
            raise Wrong("\n\n".join(str(failure) for failure in failures))

    def repr_failure(
        self, excinfo: pytest.ExceptionInfo[BaseException], style: object = None
    ) -> str:
        """The failure in its own words; a traceback only for what is not the sequence's fault."""
        if isinstance(excinfo.value, Wrong):
            return str(excinfo.value)
        return str(super().repr_failure(excinfo))

    def reportinfo(self) -> tuple[Path, int, str]:
        """What pytest prints above a failure."""
        return self.path, 0, f"{self.path.name} on {self.name}"
