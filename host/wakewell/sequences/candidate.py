"""Another core than the installed one: a process in which it decides, and sequences played there.

What belongs here: finding that core, the environment it runs in, and a worker that plays sequence
files under it, one after another. What does not: judging what it decides.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from types import TracebackType

from wakewell import terminal
from wakewell.errors import BadInput
from wakewell.sequences import playing


def environment(folder: str) -> dict[str, str]:
    """The environment of a process in which the core in that folder is the one that decides.

    folder: holds a `wakecore`, or is one. Raises BadInput if there is none that loads.
    """
    place = Path(folder)
    if place.name == "wakecore":
        place = place.parent
    if not (place / "wakecore" / "__init__.py").is_file():
        raise BadInput(f"--core {folder}: no wakecore folder there; name the folder that holds it")
    path = os.pathsep.join([str(place.resolve()), os.environ.get("PYTHONPATH", "")])
    found = {**os.environ, "PYTHONPATH": path}
    trial = [sys.executable, "-c", "import wakewell.replay.replaying"]
    tried = subprocess.run(trial, env=found, stderr=subprocess.PIPE)
    if tried.returncode:
        why = (tried.stderr.decode(errors="replace").splitlines() or ["it does not load"])[-1]
        raise BadInput(f"--core {folder}: cannot be used: {terminal.plain(why)}")
    return found


class Worker:
    """A process that plays sequence files under another core. Raises BadInput as `environment`."""

    def __init__(self, folder: str) -> None:
        self.environment = environment(folder)
        self.process: subprocess.Popen[str] | None = None

    def check(self, path: Path, on: str) -> list[str]:
        """What a sequence has to say when it fails under that core, [] if it does not.

        on: as in `sequences.check`.
        """
        process = self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(json.dumps([str(path), on]) + "\n")
            process.stdin.flush()
            answer = process.stdout.readline()
        except BrokenPipeError:
            answer = ""
        if not answer:
            self.close()
            return [f"{path}: this core ends the program that plays it"]
        failures: list[str] = json.loads(answer)
        return failures

    def _running(self) -> subprocess.Popen[str]:
        if self.process is None:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "wakewell.sequences.candidate"],
                env=self.environment,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
            )
        return self.process

    def close(self) -> None:
        """End the process, if there is one."""
        if self.process is not None:
            assert self.process.stdin is not None
            self.process.kill()
            self.process.communicate()
            self.process = None

    def __enter__(self) -> Worker:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def failures_of(path: Path, on: str) -> list[str]:
    """The failures of one sequence under the core of this process, in words."""
    try:
        return [str(failure) for failure in playing.check(playing.load(path), on=on)]
    except (playing.SequenceError, BadInput) as error:
        return [str(error)]
    except Exception as error:  # another core may fail in any way
        return [f"{path}: this core fails: {type(error).__name__}: {error}"]


def main() -> None:
    """Answer each line of a path and an interpreter with the failures, until the input ends."""
    answers = sys.stdout
    sys.stdout = sys.stderr  # what a core prints is no answer
    for text in sys.stdin:
        path, on = json.loads(text)
        print(json.dumps(failures_of(Path(path), on)), file=answers, flush=True)


if __name__ == "__main__":
    main()
