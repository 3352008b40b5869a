"""Every line of the core changed a little, and whether the tests notice.

A mutant is one change of the syntax tree of one file of `wakecore`. It is killed if a sequence
fails, an oracle of the core's tests speaks, a unit test of the core fails, or the search of a few
small corners finds a violation; nothing else counts: no recorded output is compared. Each runs in a
process of its own, with a bound on its time: a mutant that hangs is killed by that. Needs the
project's clone, since tests belong to it.
"""

from __future__ import annotations

import ast
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import multiprocessing
import os
import random
import signal
import sys
import tomllib
from collections import Counter
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import wakecore

ROOT = Path(__file__).resolve().parents[2]
CORE = Path(str(wakecore.__file__)).parent
CORE_TESTS = ROOT / "tests" / "core"
SEQUENCES = ROOT / "tests" / "sequences"
SURVIVORS = ROOT / "tests" / "assurance" / "survivors.toml"
OURS = ("wakecore", "wakeboard", "wakewell", "assurance", "core_", "small_ints", "test_edges_")
MOST_S = 120  # a mutant that takes more processor time than this hangs
SEARCHED = ("cell", "run", "saucer")
LIVES = 12  # of each subject
UNITS = ("core/test_state", "core/test_table", "core/test_line")
OTHERS = (
    "core/test_meanings",
    "core/test_plan_fao56",
    "core/test_requirements",
    "core/test_soil_sensor",
)

SWAPS: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.FloorDiv,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.FloorDiv,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.LShift: (ast.RShift,),
    ast.RShift: (ast.LShift,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
NAMES = {"min": "max", "max": "min"}


@dataclass(frozen=True)
class Mutant:
    """One change."""

    file: str
    line: int
    was: str
    now: str
    number: int  # which change of its file
    key: str  # names it whatever its line is: file, function, change, which of its like

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.was}  ->  {self.now}"


class Changes(ast.NodeVisitor):
    """Yields (node to describe, apply, undo) of every change of a tree, in one fixed order."""

    def __init__(self, tree: ast.Module) -> None:
        self.found: list[tuple[ast.AST, Callable[[], None], Callable[[], None]]] = []
        self.inside = 0
        self.visit(tree)

    def add(self, at: ast.AST, node: Any, name: str, value: Any) -> None:
        """A change of one attribute."""
        was = getattr(node, name)
        self.found.append(
            (at, lambda: setattr(node, name, value), lambda: setattr(node, name, was))
        )

    def add_item(self, at: ast.AST, items: list[Any], place: int, value: Any) -> None:
        """A change of one item of a list."""
        was = items[place]

        def put(one: Any) -> None:
            items[place] = one

        self.found.append((at, lambda: put(value), lambda: put(was)))

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.inside += 1
        self.block(node.body)
        self.inside -= 1

    visit_AsyncFunctionDef = visit_FunctionDef  # type: ignore[assignment]

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.block(node.body)  # how a class is made (frozen, slots) changes no decision

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)  # a type hint changes no decision

    def generic_visit(self, node: ast.AST) -> None:
        for _, value in ast.iter_fields(node):
            if isinstance(value, list) and value and isinstance(value[0], ast.stmt):
                self.block(value)
            elif isinstance(value, list):
                for item in value:
                    if isinstance(item, ast.AST):
                        self.visit(item)
            elif isinstance(value, ast.AST):
                self.visit(value)

    def block(self, body: list[ast.stmt]) -> None:
        """Each statement left out, then what is in it."""
        for place, node in enumerate(body):
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                continue  # a docstring
            simple = (ast.Expr, ast.Assign, ast.AugAssign, ast.Break, ast.Continue)
            if self.inside and isinstance(node, simple) and not has_yield(node):
                self.add_item(node, body, place, ast.copy_location(ast.Pass(), node))
            self.visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        for place, op in enumerate(node.ops):
            for other in SWAPS.get(type(op), ()):
                self.add_item(node, node.ops, place, other())
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        text = isinstance(node.left, ast.Constant) and isinstance(node.left.value, str)
        for other in () if text else SWAPS.get(type(node.op), ()):
            self.add(node, node, "op", other())
        self.generic_visit(node)

    visit_AugAssign = visit_BoolOp = None  # type: ignore[assignment]

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self.negate(node)

    def visit_If(self, node: ast.If) -> None:
        if ast.unparse(node.test) != "TYPE_CHECKING":  # imports that never run
            self.negate(node)

    def negate(self, node: Any) -> None:
        """The other way about; a comparison is turned where it stands."""
        if not isinstance(node.test, ast.Compare):
            self.add(node.test, node, "test", ast.UnaryOp(ast.Not(), node.test))
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.USub):
            self.add(node, node, "op", ast.UAdd())
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, bool):
            self.add(node, node, "value", not node.value)
        elif isinstance(node.value, int):
            self.add(node, node, "value", node.value + 1)
        elif isinstance(node.value, str) and self.inside and " " not in node.value:
            self.add(node, node, "value", node.value + "x")

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and not isinstance(node.value, ast.Constant):
            self.add(node, node, "value", ast.Constant(None))
        self.generic_visit(node)

    def visit_Name(self, node: ast.Name) -> None:
        if node.id in NAMES:
            self.add(node, node, "id", NAMES[node.id])


def _operators(self: Changes, node: Any) -> None:
    for other in SWAPS.get(type(node.op), ()):
        self.add(node, node, "op", other())
    self.generic_visit(node)


Changes.visit_AugAssign = Changes.visit_BoolOp = _operators  # type: ignore[assignment]


def has_yield(node: ast.AST) -> bool:
    """Does a statement give a command? Without it the story would not be one."""
    return any(isinstance(part, ast.Yield) for part in ast.walk(node))


def mutants() -> list[Mutant]:
    """All of the core, file by file."""
    return [mutant for path in sorted(CORE.glob("*.py")) for mutant in of_file(CORE, path.name)]


def of_file(folder: Path, name: str) -> list[Mutant]:
    """All of one file. name: below the folder, with slashes."""
    return _of_text(name, (folder / name).read_bytes())


@cache
def _of_text(name: str, text: bytes) -> list[Mutant]:
    """Once a process while the file stays as it is: a sample and its share ask for all. Nobody
    changes the list."""
    found: list[Mutant] = []
    tree = ast.parse(text)
    alike: Counter[str] = Counter()
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    before: dict[ast.AST, str] = {}  # most nodes have several changes
    for number, (at, apply, undo) in enumerate(Changes(tree).found):
        was = before.get(at) or before.setdefault(at, ast.unparse(at))
        line = getattr(at, "lineno", 0)
        apply()
        # The statement's own node may be gone from the tree: say what stands there now
        now = ast.unparse(at)
        if now == was:
            now = "pass" if isinstance(at, ast.stmt) else f"not ({was})"
        undo()
        where = [f.name for f in functions if f.lineno <= line <= (f.end_lineno or 0)]
        key = f"{name} {where[-1] if where else ''}: {first(was)}  ->  {first(now)}"
        alike[key] += 1
        key += f" ({alike[key]})" if alike[key] > 1 else ""
        found.append(Mutant(name, line, first(was), first(now), number, key))
    return found


def changed(path: Path, number: int) -> ast.Module:
    """The syntax tree of a file with that change in it."""
    tree = ast.parse(path.read_bytes())
    Changes(tree).found[number][1]()
    return ast.fix_missing_locations(tree)


def first(text: str) -> str:
    """The first line of a piece of source."""
    return text.split("\n")[0]


class Loader(importlib.machinery.SourceFileLoader):
    """Loads a file of the core with one change in it."""

    number: int

    def get_code(self, fullname: str) -> CodeType:
        code: CodeType = compile(
            changed(Path(self.path), self.number), self.path, "exec", dont_inherit=True
        )
        return code


class Finder(importlib.abc.MetaPathFinder):
    """Finds the mutated file in place of the plain one."""

    def __init__(self, mutant: Mutant) -> None:
        self.mutant = mutant
        stem = mutant.file.removesuffix(".py")
        self.name = "wakecore" if stem == "__init__" else "wakecore." + stem

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if name != self.name:
            return None
        file = CORE / self.mutant.file
        loader = Loader(name, str(file))
        loader.number = self.mutant.number
        folder = [str(CORE)] if name == "wakecore" else None
        return importlib.util.spec_from_file_location(
            name, file, loader=loader, submodule_search_locations=folder
        )


def verdict(mutant: Mutant | None, thorough: bool, alike: bool = False) -> str:
    """What killed it, "" if nothing did. Changes this process for good: see `judged`.

    thorough: with the long tests too. alike: it is explained, so the quick tests do: if they kill
    it, the explanation is wrong.
    """
    for name in [n for n in sys.modules if n.startswith(OURS) and n != __name__]:
        del sys.modules[name]
    if mutant is not None:
        sys.meta_path.insert(0, Finder(mutant))
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(CORE_TESTS))
    # The quick ones first: the first two kill nearly every mutant
    stages = [edges_fail, sequences_fail, lives_fail, searches_fail, units_fail]
    if alike:
        stages = [edges_fail, sequences_fail, units_fail]
    elif thorough:
        stages.append(requirements_fail)
    try:
        for stage in stages:
            told: str = stage()
            if told:
                return told
    except (Exception, SystemExit) as error:
        return f"{type(error).__name__} in a test: {error}"
    return ""


def sequences_fail() -> str:
    """The name of the first sequence that fails, the short ones first."""
    from wakewell.sequences import playing

    files = sorted(SEQUENCES.glob("*.toml"), key=lambda path: path.stat().st_size)
    for path in files:
        if playing.check(playing.load(path)):
            return path.stem
    return ""


def edges_fail() -> str:
    """The first test of the core's edges that fails; they are plain functions."""
    for path in sorted(CORE_TESTS.glob("test_edges_*.py")):
        for name, function in vars(importlib.import_module(path.stem)).items():
            if name.startswith("test_"):
                try:
                    function()
                except AssertionError:
                    return str(name)
    return ""


def lives_fail() -> str:
    """The first oracle that speaks against a life."""
    import core_oracles  # type: ignore[import-not-found]
    import core_pots  # type: ignore[import-not-found]
    import core_world  # type: ignore[import-not-found]

    for subject in [*core_world.SUBJECTS, "all"]:
        for seed in range(LIVES):
            pick = core_pots.Pick(seed)
            pot = core_pots.load(core_pots.any_lines(pick))
            subjects = () if subject == "all" else (subject, "soil")
            life = core_world.any_life(pick, subjects, 60)
            try:
                core_oracles.judge(core_world.World(pot).live(life), pot)
            except AssertionError as wrong:
                return f"life of {subject}, seed {seed}: {wrong}"
    return ""


def units_fail() -> str:
    """The first unit test of the core that fails."""
    return tests_fail(UNITS)


def requirements_fail() -> str:
    """The first of the core's other tests that fails; they take longer."""
    return tests_fail(OTHERS)


def quiet_hypothesis() -> str:
    """The name of a profile: the same inputs for every mutant, and no verdict by the clock."""
    import hypothesis

    name = "mutants"
    hypothesis.settings.register_profile(
        name,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    return name


def tests_fail(names: tuple[str, ...]) -> str:
    """The first of these test files' tests that fails, in this process."""
    import pytest

    class FirstFailure:
        failed = ""

        def pytest_runtest_logreport(self, report: Any) -> None:
            if report.failed:
                self.failed = self.failed or report.nodeid

    seen = FirstFailure()
    files = [str(path) for name in names if (path := ROOT / "tests" / f"{name}.py").exists()]
    quiet = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:wakewell"]
    quiet.append(f"--hypothesis-profile={quiet_hypothesis()}")
    out, sys.stdout = sys.stdout, open(os.devnull, "w")  # noqa: SIM115
    try:
        code = pytest.main([*quiet, "-c", str(ROOT / "pyproject.toml"), *files], plugins=[seen])
    finally:
        sys.stdout = out
    return seen.failed or ("" if code == 0 else f"pytest ended with {code}")


def searches_fail() -> str:
    """The first small corner in which the search finds a violation."""
    from assurance import corners, explore

    for corner in corners.CORNERS:
        if corner.name in SEARCHED:
            result = explore.Search(corner, quick=True).run(most_states=3000)
            if result.found:
                return f"search of {corner.name}: {result.found[0].why}"
    return ""


def judged(mutant: Mutant | None, thorough: bool = True, alike: bool = False) -> str:
    """The verdict, from a process of its own."""
    inside, outside = multiprocessing.get_context("fork").Pipe(False)
    pid = os.fork()
    if pid == 0:
        # Of processor time, or a busy machine would kill mutants; a wait is a hang too
        signal.setitimer(signal.ITIMER_PROF, MOST_S)
        signal.alarm(10 * MOST_S)
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 2)
        outside.send(verdict(mutant, thorough, alike))
        os._exit(0)
    outside.close()
    try:
        told: str = inside.recv()
    except EOFError:
        told = "it never ended"
    os.waitpid(pid, 0)
    return told


def explained() -> dict[str, str]:
    """{key: why it cannot be killed} of the survivors that a person looked at."""
    try:
        with SURVIVORS.open("rb") as file:
            return {row["mutant"]: row["why"] for row in tomllib.load(file)["survivor"]}
    except FileNotFoundError:
        return {}


def chosen(most: int, seed: int) -> list[Mutant]:
    """So many of the mutants, in an order by chance: a run that is cut short is a fair sample."""
    found = mutants()
    return random.Random(seed).sample(found, min(most, len(found)))


def run(
    todo: list[Mutant], thorough: bool = True, workers: int = 1
) -> Generator[tuple[Mutant, str], None, None]:
    """(mutant, what killed it) of each, in order. RuntimeError if the plain core fails.

    workers: so many at a time, each in its process.
    """
    known = explained()

    def one(mutant: Mutant) -> tuple[Mutant, str]:
        return mutant, judged(mutant, thorough, mutant.key in known)

    pool = ThreadPoolExecutor(workers)  # a thread only waits for its process
    try:
        plain, done = pool.submit(judged, None, thorough), pool.map(one, todo)
        if told := plain.result():
            raise RuntimeError(f"the core as it is fails: {told}")
        yield from done
    finally:
        pool.shutdown(cancel_futures=True)
