"""A port is one file, and nothing else names a chip's modules or a port's file."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import wakeboard
import wakewell
from wakewell.pot import chips
from wakewell.usb import payload

BOARD = Path(wakeboard.__file__).parent
PORTS = sorted(p for p in (BOARD / "ports").glob("*.py") if p.stem != "__init__")
# Also programs that a board without any of our code must run
BARE = {"identify", "desk_time", "take_over", "first_contact", "reset"}
CHIP_MODULES = {"machine", "esp32", "rp2"}


def offered(path: Path) -> dict[str, list[str]]:
    """Public functions, classes and methods of a file, each with its arguments' names."""
    found: dict[str, list[str]] = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        for name, each in [("", node)] + [
            (f"{node.name}.", inner)
            for inner in (node.body if isinstance(node, ast.ClassDef) else ())
            if isinstance(node, ast.ClassDef)
        ]:
            if isinstance(each, ast.FunctionDef) and each.name[:1] != "_":
                found[name + each.name] = ast.unparse(each.args).split(", ")
    return found


@pytest.mark.parametrize("port", PORTS, ids=lambda path: path.stem)
def test_every_port_offers_the_same(port: Path) -> None:
    assert offered(port) == offered(BOARD / "ports" / "esp32.py")
    assert {"drive", "slept", "Pulser.pulse", "watch", "memory", "sleep"} <= set(offered(port))


def test_every_chip_has_a_port_or_a_reason() -> None:
    stems = {path.stem for path in PORTS}
    for chip in chips.CHIPS.values():
        assert (chip.port in stems) != bool(chip.why_not), chip.name
    assert {chip.port for chip in chips.CHIPS.values()} - {""} == stems


@pytest.mark.parametrize("name", chips.PORTED)
def test_a_board_gets_the_port_of_its_chip(name: str) -> None:
    port = BOARD / "ports" / f"{chips.CHIPS[name].port}.py"
    assert payload.root_files(name)["chip.py"] == port.read_bytes()


def test_only_ports_reach_the_chip() -> None:
    device = payload.device_folder()
    bare = {BOARD / "cable" / f"{name}.py" for name in BARE}
    for path in {*device.glob("*.py"), *BOARD.glob("*.py"), *BOARD.glob("cable/*.py")} - bare:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not CHIP_MODULES & set(names), f"{path}: {names}"


def test_the_host_names_no_file_of_a_port() -> None:
    word = re.compile(r"chip_\w+|wakeboard\.ports")
    for path in Path(wakewell.__file__).parent.rglob("*.py"):
        assert not word.search(path.read_text(encoding="utf-8")), path
