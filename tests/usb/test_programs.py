"""Programs that a board runs for the computer: files, each called as it is made."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import wakeboard
import wakewell
from wakewell.usb import payload, programs

CABLE = Path(wakeboard.__file__).parent / "cable"
FILES = sorted(path for path in CABLE.glob("*.py") if path.stem != "__init__")
WAYS = {"run", "run_last", "ask", "fetch"}  # of a link


def called() -> Iterator[tuple[str, int, str]]:
    """(program, how many values it is given, where) of every call in the host's code."""
    for path in sorted(Path(wakewell.__file__).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            link = node.func.value
            owner = link.func if isinstance(link, ast.Call) else link
            of_link = ast.unparse(owner) in ("link", "self.link") or path.stem == "link"
            first = node.args[0] if node.args else None
            if node.func.attr in WAYS and of_link and isinstance(first, ast.Constant):
                yield first.value, len(node.args) - 1, f"{path}:{node.lineno}"


def test_the_host_calls_each_program_with_what_it_takes() -> None:
    seen = set()
    for name, count, where in called():
        seen.add(name)
        main = {
            node.name: node.args
            for node in ast.parse(programs.source(name)).body
            if isinstance(node, ast.FunctionDef)
        }["main"]
        most = len(main.args)
        assert most - len(main.defaults) <= count <= most, f"{where}: {name}"
    assert seen == {path.stem for path in FILES}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_program_begins_nothing_before_it_is_called(path: Path) -> None:
    """So that what is sent only ever does what its `main` was asked for."""
    allowed = (ast.Import, ast.ImportFrom, ast.FunctionDef, ast.Assign, ast.If)
    doc, *body = ast.parse(path.read_text(encoding="utf-8")).body
    assert isinstance(doc, ast.Expr)
    for node in body:
        assert isinstance(node, allowed), ast.unparse(node)
        if isinstance(node, ast.If):
            assert ast.unparse(node.test) == "False"  # types


def test_values_reach_a_program_as_they_are() -> None:
    given = ("/a'b\\", b"\0\n", -3, None, [("x", {})])
    name, *_ = ast.parse(programs.question("size", *given)).body[-1:]
    (printed,) = [node for node in ast.walk(name) if isinstance(node, ast.Starred)]
    assert ast.literal_eval(printed.value) == given


def test_no_program_is_stored_on_a_board() -> None:
    sent = payload.compile_code(payload.compile_file(CABLE.parent / "files.py")[1][1])
    assert not [name for name in sent.files if "cable" in name]
