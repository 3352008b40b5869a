"""Integers only, no unbounded loop, no recursion: read from the syntax tree of the core."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import wakecore

FILES = sorted(Path(wakecore.__file__).parent.glob("*.py"))


def ran(file: Path) -> ast.Module:
    """The tree of a file without what stands below `if False`: types, which no compiler keeps."""
    tree = ast.parse(file.read_text())
    tree.body = [
        node
        for node in tree.body
        if not (isinstance(node, ast.If) and ast.unparse(node.test) == "False")
    ]
    return tree


TREES = {file.stem: ran(file) for file in FILES}
# Of the standard library, only what every MicroPython port has
ALLOWED = {"array", "binascii", "json", "struct"}
FORBIDDEN = {"float", "round", "complex", "eval", "exec", "open", "print", "input", "iter", "next"}
FORBIDDEN |= {"time", "random", "os", "machine", "hash", "id", "set", "frozenset"}
BOUNDED = {"range", "zip", "enumerate", "sorted", "items", "values", "get"}

by_file = pytest.mark.parametrize("name", TREES)


def nodes(name: str, *kinds: type[ast.AST]) -> Iterator[ast.AST]:
    return (node for node in ast.walk(TREES[name]) if isinstance(node, kinds))


def where(name: str, node: ast.AST) -> str:
    return f"{name}.py:{getattr(node, 'lineno', '?')}: {ast.unparse(node)}"


def test_the_core_was_found() -> None:
    assert {"wake", "state", "run", "plan", "judge", "rules", "table", "line"} <= set(TREES)


@by_file
def test_integers_only(name: str) -> None:
    for node in nodes(name, ast.Constant):
        assert not isinstance(node.value, float | complex), where(name, node)  # type: ignore[attr-defined]
    for node in nodes(name, ast.BinOp, ast.AugAssign):
        # ** makes a float of a negative exponent, / of everything
        assert not isinstance(node.op, ast.Div | ast.Pow), where(name, node)  # type: ignore[attr-defined]
    for node in nodes(name, ast.Name):
        assert node.id not in FORBIDDEN, where(name, node)  # type: ignore[attr-defined]


@by_file
def test_imports_only_what_every_port_has(name: str) -> None:
    for node in nodes(name, ast.Import, ast.ImportFrom):
        names = (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [alias.name for alias in node.names]  # type: ignore[attr-defined]
        )
        for found in names:
            top = found.partition(".")[0]
            assert top in ALLOWED or top == "wakecore", where(name, node)


@by_file
def test_every_loop_is_bounded(name: str) -> None:
    assert not list(nodes(name, ast.While, ast.AsyncFor)), f"{name}.py has a while"
    for loop in nodes(name, ast.For, ast.comprehension):
        over = loop.iter  # type: ignore[attr-defined]
        if isinstance(over, ast.Call):
            called = over.func
            word = called.id if isinstance(called, ast.Name) else called.attr  # type: ignore[attr-defined]
            assert word in BOUNDED, where(name, over)
        if isinstance(loop, ast.For):
            for call in (n for n in ast.walk(loop) if isinstance(n, ast.Call)):
                grows = isinstance(call.func, ast.Attribute) and call.func.attr in (
                    "append",
                    "extend",
                    "insert",
                )
                if grows:
                    grown = ast.unparse(call.func.value)  # type: ignore[attr-defined]
                    assert grown != ast.unparse(over), where(name, call)


def test_only_the_wake_is_a_generator() -> None:
    found = {
        f"{name}.{function.name}"  # type: ignore[attr-defined]
        for name in TREES
        for function in nodes(name, ast.FunctionDef)
        if any(isinstance(n, ast.Yield | ast.YieldFrom) for n in ast.walk(function))
    }
    assert found == {"wake.wake"}


def calls() -> dict[str, set[str]]:
    """Which function of the core calls which, methods found by their name alone. A class stands for
    its `__init__`."""
    defined = {
        name: {f.name for f in nodes(name, ast.FunctionDef)}  # type: ignore[attr-defined]
        for name in TREES
    }
    methods: dict[str, set[str]] = {}
    inits: dict[ast.FunctionDef, str] = {}
    for name, tree in TREES.items():
        for owner in (n for n in tree.body if isinstance(n, ast.ClassDef)):
            for f in (n for n in owner.body if isinstance(n, ast.FunctionDef)):
                key = f.name
                if key == "__init__":
                    key = inits[f] = owner.name
                methods.setdefault(key, set()).add(f"{name}.{key}")
    graph: dict[str, set[str]] = {}
    for name, tree in TREES.items():
        known = {f: f"{name}.{f}" for f in defined[name]}
        modules = {}
        for node in nodes(name, ast.ImportFrom):
            for alias in node.names:  # type: ignore[attr-defined]
                home = (node.module or "").partition(".")[2]  # type: ignore[attr-defined]
                if home and alias.name in defined[home]:
                    known[alias.name] = f"{home}.{alias.name}"
                elif alias.name in TREES:
                    modules[alias.name] = alias.name
        for function in (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)):
            called = inits.get(function, function.name)
            found = graph.setdefault(f"{name}.{called}", set())
            for call in (n for n in ast.walk(function) if isinstance(n, ast.Call)):
                if isinstance(call.func, ast.Name):
                    found |= {known[call.func.id]} if call.func.id in known else set()
                    found |= methods.get(call.func.id, set())
                elif isinstance(call.func, ast.Attribute):
                    base, word = call.func.value, call.func.attr
                    if isinstance(base, ast.Name) and base.id in modules:
                        found.add(f"{modules[base.id]}.{word}")
                    else:
                        found |= methods.get(word, set())
    return graph


def test_nothing_calls_itself() -> None:
    graph = calls()
    assert "plan.pulse_ms" in graph["wake.wake"]
    reached = {name: set(called) for name, called in graph.items()}
    for _ in graph:
        for called in reached.values():
            called |= {more for name in set(called) for more in graph.get(name, set())}
    assert [name for name, called in reached.items() if name in called] == []
