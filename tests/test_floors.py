"""The order of the rooms: each stands above all that it imports, and no arrow runs back up.

FLOORS is the plan of the house, from the ground up: the rooms on one line know nothing of one
another. A module in the package's own folder is a room of its own.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# From the ground up. What stands on one line imports only from the lines above it.
FLOORS = (
    "wakecore",
    "wakeboard",
    # what every room may use
    "wakewell wakewell.core wakewell.extras wakewell.ownfile wakewell.shipped wakewell.terminal",
    "wakewell.language wakewell.tomlfile wakewell.units",
    "wakewell.words",
    "wakewell.errors",
    "wakewell.kept wakewell.drawing",
    # the pot and its log
    "wakewell.portable wakewell.interpreters wakewell.pot wakewell.rig",
    "wakewell.log",
    # what is made of a log
    "wakewell.budget wakewell.sequences",
    "wakewell.replay wakewell.report wakewell.draft",
    # what is made of a pot
    "wakewell.simulate wakewell.usb",
    "wakewell.deskboard wakewell.bench wakewell.tuning",
    "wakewell.radio wakewell.sheet",
    # what a person types
    "wakewell.commands",
    "wakewell.cli",
    "wakewell.__main__",
    "assurance",
)

# An import inside a function, and why it stands there. Never to hide a circle.
LATE = {
    "wakewell.__main__": "Ctrl-C may come while modules load",
    "wakewell.sequences.plugin": "pytest loads nothing of ours before the first sequence runs",
    "wakewell.report.page_files": "replay links a page, and draws none without --page",
    "wakewell.bench.commission": "the library that draws a circuit takes a second to load",
    "wakewell.bench.calibrate": "numbers and drawing are in an extra; its help comes without",
    "wakewell.radio.ask": "the database is in an extra; settings can be asked without",
    "wakewell.radio.listen": "the database is in an extra; its tests bring a store of their own",
    "wakewell.radio.hearing": "pages and a broker of its own are in extras, wanted by few",
    "wakewell.commands.replay": "what a twin needs is in an extra; a replay comes without",
    "wakewell.commands.round": "the database is in an extra; its help comes without",
    "wakewell.commands.listen": "the database is in an extra; its help comes without",
}


def source(folder: str) -> dict[str, Path]:
    """{dotted name: file} of the modules below that folder of the clone."""
    found = {}
    for path in sorted((ROOT / folder).rglob("*.py")):
        parts = path.relative_to(ROOT / folder).with_suffix("").parts
        if "inside" in parts or parts[0] not in ("wakecore", "wakeboard", "wakewell", "assurance"):
            continue  # `inside`: what a chip's own interpreter imports, by names of its own
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = source("device") | source("host") | source("tools")


def named(name: str, node: ast.Import | ast.ImportFrom) -> Iterator[str]:
    """The modules of ours that an import in that module names."""
    if isinstance(node, ast.Import):
        wanted = [alias.name for alias in node.names]
    else:
        base = node.module or ""
        if node.level:
            package = MODULES[name].name == "__init__.py"
            above = name.split(".")[: len(name.split(".")) - node.level + package]
            base = ".".join([*above, *([node.module] if node.module else [])])
        wanted = [f"{base}.{alias.name}" for alias in node.names]
    for full in wanted:
        inside = ".inside" in full
        while full and full not in MODULES:
            full = full.rpartition(".")[0]
        if full and full != name and not inside:
            yield full


def imports(name: str) -> Iterator[tuple[str, int, bool]]:
    """(module of ours, line, inside a function) of every import of that module, types' too."""

    def below(node: ast.AST, late: bool) -> Iterator[tuple[str, int, bool]]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, (ast.Import, ast.ImportFrom)):
                yield from ((other, child.lineno, late) for other in named(name, child))
            inner = late or isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef))
            yield from below(child, inner)

    yield from below(ast.parse(MODULES[name].read_text(encoding="utf-8")), False)


def room(name: str) -> str:
    """The room a module is in: a package below wakewell, or a module of its own there."""
    parts = name.split(".")
    return ".".join(parts[:2]) if parts[0] == "wakewell" else parts[0]


HEIGHT = {room: height for height, floor in enumerate(FLOORS) for room in floor.split()}


def test_every_room_is_on_the_plan_and_every_room_of_it_is_there() -> None:
    assert {room(name) for name in MODULES} == set(HEIGHT)


def test_the_developers_page_lists_the_rooms_from_the_top_down() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `(\w+)/` \|", page, re.MULTILINE)
    floors = [HEIGHT[f"wakewell.{name}"] for name in listed if name != "data"]
    assert floors == sorted(floors, reverse=True)
    rooms = {path.parent.name for path in (ROOT / "host" / "wakewell").glob("*/__init__.py")}
    assert set(listed) == rooms | {"data"}


@pytest.mark.parametrize("name", sorted(MODULES))
def test_arrows_run_down_only(name: str) -> None:
    here = room(name)
    for other, number, _ in imports(name):
        there = room(other)
        if there != here and other != "wakewell":
            where = f"{MODULES[name]}:{number}"
            assert HEIGHT[there] < HEIGHT[here], f"{where}: {here} is not above {there}"


def test_no_modules_import_one_another_in_a_circle() -> None:
    """Not even for types: what two need stands in a third."""
    below = {name: {other for other, *_ in imports(name)} for name in MODULES}
    while below:
        ground = {name for name, others in below.items() if not others & below.keys()}
        assert ground, f"in a circle, or above one: {sorted(below)}"
        below = {name: others for name, others in below.items() if name not in ground}


@pytest.mark.parametrize("name", sorted(name for name in MODULES if name.startswith("wakewell")))
def test_imports_stand_at_the_top(name: str) -> None:
    """On the host. A board loads some late on purpose: what is not needed takes no memory."""
    late = [(other, number) for other, number, inside in imports(name) if inside]
    assert not late or name in LATE, f"{MODULES[name]}: import it at the top: {late}"


def test_each_late_import_that_is_allowed_is_still_there() -> None:
    for name in LATE:
        assert any(inside for _, _, inside in imports(name)), name


# What other libraries offer under such a name: named tuples, `ast`, `ctypes`
PUBLIC = {"_asdict", "_fields", "_name", "_replace"}
AREAS = ("device", "host", "tools", "tests")
FILES = sorted(path for area in AREAS for path in (ROOT / area).rglob("*.py"))


@cache
def private_names(path: Path) -> tuple[set[str], list[tuple[int, set[str]]]]:
    """The names with an underscore that a file of ours makes: functions, classes, variables.

    And by line those that it takes from elsewhere: imports, reaches through an object, replaces.
    """
    made: set[str] = set()
    touched: list[tuple[int, set[str]]] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            made.add(node.name)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            made.add(node.id)
        elif isinstance(node, ast.ImportFrom):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.Attribute):
            names = [node.attr]
            if isinstance(node.ctx, ast.Store):
                made.add(node.attr)
        elif isinstance(node, ast.Call) and name_of(node.func).endswith("setattr"):
            texts = [arg.value for arg in node.args if isinstance(arg, ast.Constant)]
            names = [text for text in texts if isinstance(text, str)]
        if any(name.startswith("_") for name in names):
            touched.append((node.lineno, set(names)))
    return {name for name in made if name.startswith("_") and not name.endswith("_")}, touched


def name_of(called: ast.expr) -> str:
    """The last word of what is called."""
    return getattr(called, "attr", "") or getattr(called, "id", "")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_is_private_to_a_module_is_touched_by_no_other(path: Path) -> None:
    """Neither imported, nor reached through an object, nor replaced by a test.

    By its name: what only a library of others makes is none of ours.
    """
    elsewhere = set().union(*(private_names(other)[0] for other in FILES if other != path))
    own, touched = private_names(path)
    for number, names in touched:
        wrong = (elsewhere - own - PUBLIC) & names
        assert not wrong, f"{path}:{number}: {wrong}"


# Classes that may share a name, and why
ONE_NAME = {
    "ADC Pin RMT RTC Timer WDT WLAN": "MicroPython's own: each interpreter of ours has a stand-in",
    "Begin Plan Water": "a part of a record: as the core makes it, and as the host reads it",
}


def test_no_two_classes_share_a_name() -> None:
    """One word for one thing. Of the program and the tools, classes inside functions too."""
    places: dict[str, list[str]] = {}
    stubs = sorted(path for area in AREAS for path in (ROOT / area).rglob("*.pyi"))
    for path in FILES + stubs:
        if "tests" not in path.relative_to(ROOT).parts:
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.ClassDef):
                    where = f"{path.relative_to(ROOT)}:{node.lineno}"
                    places.setdefault(node.name, []).append(where)
    twice = {name: found for name, found in places.items() if len(found) > 1}
    allowed = {name for names in ONE_NAME for name in names.split()}
    assert twice.keys() == allowed, {name: twice.get(name) for name in twice.keys() ^ allowed}
    assert all(len(found) == 2 for found in twice.values()), twice
