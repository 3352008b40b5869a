"""A plain install replays and runs sequences; what more is needed is named with its one command."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

from wakewell import commands, extras
from wakewell.shipped import CAFE

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
# pytest, without which no sequence is collected, and what it is made of
PYTEST = {"pytest", "pluggy", "iniconfig", "packaging", "Pygments"}
BLOCK = """
import sys

class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {blocked!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)

sys.meta_path.insert(0, Absent())
"""


def plain(requirement: str) -> str:
    """The name in a requirement, as packages are compared (PEP 503)."""
    found = re.match(r"[\w.-]+", requirement)
    assert found
    return re.sub(r"[-_.]+", "-", found[0]).lower()


def blocked() -> list[str]:
    """Every installed package that a plain install would not bring."""
    base = {plain(name) for name in ("wakewell", *PROJECT["dependencies"], *PYTEST)}
    base.add("typing-extensions")  # msgspec takes it where it is there
    return sorted(
        name
        for name, from_ in packages_distributions().items()
        if name.isidentifier() and not base & {plain(one) for one in from_}
    )


def in_a_plain_install(code: str) -> subprocess.CompletedProcess[str]:
    """That code in an interpreter without any optional package."""
    whole = BLOCK.format(blocked=set(blocked())) + code
    return subprocess.run([sys.executable, "-c", whole], capture_output=True, text=True)


def test_a_plain_install_replays() -> None:
    words = ["replay", str(CAFE / "basil"), "--json"]
    done = in_a_plain_install(f"from wakewell.cli import main; sys.exit(main({words!r}))")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)


def test_a_plain_install_runs_a_sequence(tmp_path: Path) -> None:
    folder = tmp_path / "sequences"
    folder.mkdir()
    shutil.copy(ROOT / "tests" / "sequences" / "r01_ordinary_off_comes_first.toml", folder)
    words = ["-p", "wakewell.sequences.plugin", "-q", "--rootdir", str(tmp_path), str(folder)]
    done = in_a_plain_install(
        "import os; os.environ['PYTEST_DISABLE_PLUGIN_AUTOLOAD'] = '1'\n"
        f"import pytest; sys.exit(pytest.main({words!r}))"
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "passed" in done.stdout


EACH = """
import contextlib, io, json
from wakewell.cli import main
from wakewell.commands import COMMANDS
told = {}
for name in COMMANDS:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stderr(err), contextlib.redirect_stdout(out):
        try:
            code = main([name, "-h"])
        except SystemExit as end:
            code = end.code
    told[name] = code, err.getvalue()
print(json.dumps(told))
"""


def test_a_command_that_needs_more_says_the_one_install_that_brings_it() -> None:
    """By its help: what it lacks, it lacks at once, or it says so when that part is asked for."""
    done = in_a_plain_install(EACH)
    assert done.returncode == 0, done.stderr
    lacking = {name: text for name, (code, text) in json.loads(done.stdout).items() if code}
    assert {"flash", "check", "budget"} <= set(lacking)
    assert not {"replay", "cut"} & set(lacking)
    for name, text in lacking.items():
        (line,) = text.splitlines()
        assert line.startswith(f"wakewell {name}: needs the package ")
        assert line.endswith(f"-m pip install 'wakewell[{extras.COMMANDS.get(name, 'pot')}]'")


def test_each_library_is_in_the_extra_that_is_named() -> None:
    """By the packages installed here: import names and the names they are installed by differ."""
    by_import = {name: {plain(one) for one in d} for name, d in packages_distributions().items()}
    by_import.setdefault("esptool", {"esptool"})  # no test needs it
    for extra, libraries in extras.BRINGS.items():
        brought = {plain(one) for one in EXTRAS[extra]}
        if "wakewell[pot]" in EXTRAS[extra]:
            brought |= {plain(one) for one in EXTRAS["pot"]}
        for library in libraries:
            assert brought & by_import[library], f"{library} is not in [{extra}]"
    assert set(extras.COMMANDS) <= set(commands.COMMANDS)
    for wanted in extras.COMMANDS.values():
        assert set(wanted.split(",")) <= set(EXTRAS)


def test_the_developers_page_says_why_each_library_is_there() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = {}
    for names, where in re.findall(r"^\| ([\w., -]+) \| ([\w, ()]+) \| \w", page, re.M):
        told.update({name: set(where.split(", ")) for name in names.split(", ")})
    wanted: dict[str, set[str]] = {}
    for extra, requirements in {"(base)": PROJECT["dependencies"], **EXTRAS}.items():
        if extra != "test":
            for requirement in requirements:
                wanted.setdefault(plain(requirement), set()).add(extra)
    del wanted["wakewell"]
    assert {name: told.get(name) for name in wanted} == wanted
    for extra in EXTRAS:
        if extra != "test":  # how much an install of it takes
            assert re.search(rf"^\| {extra} \| [\w ,-]+ \| \d+ MB, \d+ \|$", page, re.M), extra


def test_what_a_part_of_a_command_lacks_is_named_when_it_is_asked_for() -> None:
    """Nothing is done by halves: one line, and the extra that has it."""
    for words, extra in (
        (["simulate", "--cafe", "fern"], "rig"),
        (["simulate", "--cafe", "fern", "--dask", "tcp://there:1"], "rig"),
        (["report", str(CAFE / "fern"), "--out", "no"], "report"),
        (["completion", "bash"], "completion"),
    ):
        done = in_a_plain_install(f"from wakewell.cli import main; sys.exit(main({words!r}))")
        (line,) = done.stderr.splitlines()
        assert done.returncode == 2
        assert f"'wakewell[{extra}]'" in line
    assert "wakewell[cluster]" in extras.advice("distributed", "simulate")
    assert "wakewell[report]" in extras.advice("vl_convert", "simulate")
    assert "wakewell[usb,remote]" in extras.advice("tomlkit", "handover")


def test_the_light_on_a_panel_is_one_install(tmp_path: Path) -> None:
    """In the environment of the demo: not first an extra with a part of it, then another."""
    words = ["new", str(tmp_path / "pot"), "--panel", "60x180", "--yes"]
    rig = {"numpy", "pandas", "scipy", "fluids", "pvlib", "refet"}
    code = f"from wakewell.cli import main; sys.exit(main({words!r}))"
    whole = BLOCK.format(blocked=rig) + code
    done = subprocess.run([sys.executable, "-c", whole], capture_output=True, text=True)
    assert done.returncode == 2
    assert "'wakewell[rig]'" in done.stderr
    assert not (tmp_path / "pot").exists()


def test_a_module_that_no_extra_brings_is_a_fault_of_ours() -> None:
    assert extras.advice("no_such_library.part", "replay") == ""
    assert extras.advice(None, "replay") == ""


def test_a_wheel_holds_all_that_runs() -> None:
    """Every folder of programs is found by itself, with the steps of the database's form; other
    files are by the patterns of pyproject.toml, so none may lie where no pattern looks."""
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    patterns = tool["setuptools"]["package-data"]
    assert "exclude" not in tool["setuptools"]["packages"]["find"]
    named = {
        path
        for top in ("host", "device")
        for package, each in patterns.items()
        for pattern in each
        for path in (ROOT / top / package.replace(".", "/")).glob(pattern)
    }
    left = []
    for top in ("host/wakewell", "device/wakeboard", "device/wakecore"):
        for path in (ROOT / top).rglob("*"):
            if path.is_dir() or "__pycache__" in path.parts or path in named:
                continue
            if path.suffix not in (".py", ".pyi", ".md"):  # two are for who reads the code
                left.append(str(path.relative_to(ROOT)))
    assert not left
    assert (ROOT / "host/wakewell/data/safety.md") in named
