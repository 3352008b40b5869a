"""The core with every sum checked: does it fit a 32-bit chip's small integer?

    core = checked_core()
    core.drive(board, core.state.State(), core.load(lines), begin)

The source of wakecore is read anew; every arithmetic result (`a + b`, `a += b`, `-a`) outside
the few functions whose product may be big is passed through a check. `BigInteger` says which
line left the range. The check knows nothing else of the core and needs no change with it.
"""

from __future__ import annotations

import ast
import functools
import importlib
import importlib.machinery
import importlib.util
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import core_pots

import wakecore

FOLDER = Path(wakecore.__file__).parent
# Where a big product is allowed for a moment, never during a pump run: see number.py. The last is
# asked by an assert alone, which no chip is sent
BIG = ("muldiv", "muldiv_down", "muldiv_up", "is_beyond")
# A small integer of a 32-bit MicroPython (py/smallint.h: one bit of 32 is the tag)
LEAST, MOST = -(1 << 30), (1 << 30) - 1
NAMES = ("wake", "state", "run", "plan", "judge", "rules", "table", "number", "fields", "line")


class BigInteger(AssertionError):
    """A result that a 32-bit chip would put on the heap."""


class Wrap(ast.NodeTransformer):
    """Puts the check around every arithmetic result."""

    def __init__(self, file: str):
        self.file = file

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        return node if node.name in BIG else self.generic_visit(node)

    def checked(self, node: ast.expr, line: int) -> ast.expr:
        where = ast.Constant(f"{self.file}:{line}")
        return ast.Call(ast.Name("_checked", ast.Load()), [node, where], [])

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        self.generic_visit(node)
        return self.checked(node, node.lineno)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        self.generic_visit(node)
        return node if isinstance(node.op, ast.Not) else self.checked(node, node.lineno)

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        self.generic_visit(node)
        now: ast.expr = ast.parse(ast.unparse(node.target), mode="eval").body
        total = self.checked(ast.BinOp(now, node.op, node.value), node.lineno)
        return ast.Assign([node.target], total)


class Counter:
    """Counts the checks, so that a test can see that there were any."""

    def __init__(self) -> None:
        self.checks = 0

    def __call__(self, value: Any, where: str) -> Any:
        self.checks += 1
        if type(value) is int and not LEAST <= value <= MOST:
            raise BigInteger(f"{where}: {value} is no small integer")
        return value


class Loader(importlib.machinery.SourceFileLoader):
    """Loads a module of wakecore with its sums checked, and leaves no compiled file behind."""

    counter: Counter

    def get_code(self, fullname: str) -> CodeType:
        tree = ast.parse(Path(self.path).read_bytes())
        wrapped = [
            # Constants of a module are made once, at import: 1 << 30 names the range itself
            Wrap(Path(self.path).name).visit(node)
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            else node
            for node in tree.body
        ]
        code = ast.fix_missing_locations(ast.Module(wrapped, []))
        compiled: CodeType = compile(code, self.path, "exec")
        return compiled

    def exec_module(self, module: ModuleType) -> None:
        module.__dict__["_checked"] = self.counter
        super().exec_module(module)


class Finder:
    """Finds wakecore for the loader above."""

    def __init__(self, counter: Counter):
        self.counter = counter

    def find_spec(
        self, name: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if name.partition(".")[0] != "wakecore":
            return None
        last = name.partition(".")[2]
        file = FOLDER / (last + ".py" if last else "__init__.py")
        loader = Loader(name, str(file))
        loader.counter = self.counter
        folder = None if last else [str(FOLDER)]
        return importlib.util.spec_from_file_location(
            name, file, loader=loader, submodule_search_locations=folder
        )


@contextmanager
def set_aside() -> Iterator[None]:
    """Takes the plain modules out of `sys.modules`, and puts them back afterwards."""
    ours = ("wakecore", "wakeboard", "wakewell")
    plain = {n: m for n, m in sys.modules.items() if n.partition(".")[0] in ours}
    for name in plain:
        del sys.modules[name]
    try:
        yield
    finally:
        for name in [n for n in sys.modules if n.partition(".")[0] in ours]:
            del sys.modules[name]
        sys.modules.update(plain)


class Core:
    """The checked modules of wakecore, and driver and mock board working with them."""

    def __init__(self) -> None:
        self.counter = Counter()
        finder: Any = Finder(self.counter)
        with set_aside():
            sys.meta_path.insert(0, finder)
            try:
                for name in NAMES:
                    setattr(self, name, importlib.import_module("wakecore." + name))
                self.drive = importlib.import_module("wakeboard.driver").drive
                self.play = importlib.import_module("wakewell.portable.mock").play
            finally:
                sys.meta_path.remove(finder)

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(name)

    def load(self, stored: dict[str, bytes]) -> Any:
        """The Pot of three stored lines, loaded by the checked core."""
        return core_pots.load(stored, self.fields, self.line)


@functools.cache
def checked_core() -> Core:
    """The one checked core of this process."""
    return Core()
