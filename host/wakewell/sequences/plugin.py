"""The pytest plugin: sequence files as ordinary tests.

A file is a sequence if its name ends in `.toml` and one of the folders it lies in, below
pytest's root, is named `sequences`. Each becomes one test, so `-k` and `-n` work as usual.
`--wakewell-on micropython` (or `wakewell_on = micropython` in the ini file) adds a second
test for each file: the same on a real MicroPython, equal to the last byte of the log;
`micropython32` adds a third, on one of 32 bits as on a chip.

`--core DIR` plays them under the `wakecore` in that folder, in a process of its own: a candidate
before it is flashed. Without it nothing of Wakewell is loaded before the first such test runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from wakewell.sequences.candidate import Worker

FOLDER = "sequences"
CHOICES = ("cpython", "micropython", "micropython32")
WORKER: pytest.StashKey[Worker] = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    """The option and its ini twin."""
    told = "where to play sequences: cpython, micropython as well, or micropython32 as well"
    parser.getgroup("wakewell").addoption("--wakewell-on", choices=CHOICES, help=told)
    parser.addini("wakewell_on", told, default="cpython")
    told = "play sequences under the wakecore in this folder, and not under the installed one"
    parser.getgroup("wakewell").addoption("--core", metavar="DIR", help=told)


def where(config: pytest.Config) -> str:
    """The interpreters asked for: the option, else the ini file."""
    return str(config.getoption("--wakewell-on") or config.getini("wakewell_on"))


def pytest_configure(config: pytest.Config) -> None:
    """Refuse an unknown word in the ini file."""
    if where(config) not in CHOICES:
        raise pytest.UsageError(f"wakewell_on = {where(config)}; allowed: {', '.join(CHOICES)}")
    if config.getoption("--core"):
        from wakewell.errors import BadInput
        from wakewell.sequences import candidate

        try:
            config.stash[WORKER] = candidate.Worker(str(config.getoption("--core")))
        except BadInput as error:
            raise pytest.UsageError(str(error)) from None


def pytest_report_header(config: pytest.Config) -> str | None:
    """Say which core is under test, where it is not the installed one."""
    folder = config.getoption("--core")
    return f"wakewell: sequences under the core in {folder}" if folder else None


def pytest_unconfigure(config: pytest.Config) -> None:
    """End the process of the core under test."""
    if WORKER in config.stash:
        config.stash[WORKER].close()


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


class SequenceFailed(Exception):
    """What a sequence has to say when it fails."""


class SequenceItem(pytest.Item):
    """One sequence on one interpreter."""

    def runtest(self) -> None:
        """Play it and judge it."""
        from wakewell.interpreters import interpreter
        from wakewell.sequences import playing

        if self.name != CHOICES[0] and not interpreter.found(self.name):
            pytest.skip(interpreter.missing(self.name))
        try:
            here = Path.cwd()
            path = self.path.relative_to(here) if self.path.is_relative_to(here) else self.path
            if WORKER in self.config.stash:
                failures = self.config.stash[WORKER].check(path, self.name)
                if failures:
                    core = self.config.getoption("--core")
                    failures.append(f"under the core in {core}; to replay it add --core {core}")
            else:
                found = playing.check(playing.load(path), on=self.name)
                failures = [str(failure) for failure in found]
        except playing.SequenceError as error:
            raise SequenceFailed(str(error)) from None
        if failures:
            raise SequenceFailed("\n\n".join(failures))

    def repr_failure(
        self, excinfo: pytest.ExceptionInfo[BaseException], style: object = None
    ) -> str:
        """The failure in its own words; a traceback only for what is not the sequence's fault."""
        if isinstance(excinfo.value, SequenceFailed):
            return str(excinfo.value)
        return str(super().repr_failure(excinfo))

    def reportinfo(self) -> tuple[Path, int, str]:
        """What pytest prints above a failure."""
        return self.path, 0, f"{self.path.name} on {self.name}"
