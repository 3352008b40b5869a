"""The host modules that judge, advise, size, forecast, read or guard: changed a little.

GROUPS says which tests judge which modules. For each group one process imports its tests once
and waits; a mutant is a fork of it, in which the changed code replaces the code of the
functions as they are, so that nothing is imported again. A first fork runs every test once and
notes which lines each of them reaches and how long it takes: a mutant is then judged by the
tests that reach its line, the quickest first, up to the first that fails.

Not mutated: what draws (pictures and pages), and what names the options of a command line.
A test that starts a program of its own does not see the mutant there: those that start the
MicroPython interpreter, and test_weaker.py, are left out. So are the property tests and those on
desk boards, for the time they take: what only they would notice survives here. Needs the project's
clone.
"""

from __future__ import annotations

import ast
import gc
import importlib
import os
import random
import resource
import signal
import sys
import tempfile
from collections.abc import Callable, Generator, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import connection
from multiprocessing.connection import Connection
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

from assurance import mutate
from assurance.mutate import ROOT, Mutant

HOST = ROOT / "host" / "wakewell"
TESTS = ROOT / "tests"
LEAST_S = 20.0  # of the processor: what a mutant may always take
LEFT_OUT = ("arguments", "picture")  # functions
TIMES = 5.0  # and so many times what its tests took on the code as it is


@dataclass(frozen=True)
class Group:
    """Modules, below host/wakewell, and the test files that judge them, below tests.

    long: tests of those files that are left out for the time they take, as pytest's -k names them.
    """

    modules: tuple[str, ...]
    tests: tuple[str, ...]
    long: str = ""


# The quick ones first: a run that is bounded in time ends as many as it can
GROUPS = (
    Group(("report/complaints.py",), ("report/test_causes.py",)),
    Group(("log/mended.py",), ("log/test_mended.py", "log/test_parcel.py")),
    Group(("tomlfile.py",), ("test_tomlfile.py",)),
    Group(("pot/chips.py",), ("pot/test_chips.py",)),
    Group(("simulate/many_runs.py",), ("simulate/test_manyruns.py",)),
    Group(
        ("log/times.py", "log/trend.py"),
        ("log/test_times.py", "log/test_trend.py", "report/test_looks.py"),
    ),
    Group(
        ("report/condition.py", "report/findings.py", "report/recurring.py"),
        ("report/test_looks.py", "report/test_causes.py", "report/test_recurring.py"),
    ),
    Group(
        ("log/series.py", "budget/forecast.py", "budget/usage.py", "report/magnifier.py"),
        (
            "log/test_series.py",
            "budget/test_usage.py",
            "budget/test_forecast.py",
            "report/test_magnifier.py",
        ),
    ),
    Group(
        ("log/parcel.py", "commands/parcel.py"),
        ("log/test_parcel.py", "log/test_bad_parcel.py"),
    ),
    Group(
        ("errors.py", "log/logs.py", "log/fieldlog.py", "log/record.py"),
        ("log/test_logs.py", "log/test_record.py", "log/test_fieldlog.py"),
    ),
    Group(
        ("bench/calibrate.py", "commands/calibrate.py", "bench/fits.py", "pot/bench_book.py"),
        ("bench/test_calibrate.py",),
    ),
    Group(
        (
            "bench/wiring_list.py",
            "bench/circuit.py",
            "bench/commission.py",
            "commands/commission.py",
        ),
        ("bench/test_commission.py", "pot/test_stage.py"),
    ),
    Group(
        (
            "report/expected.py",
            "radio/causes.py",
            "radio/remind.py",
            "commands/remind.py",
            "radio/letters.py",
            "pot/private.py",
        ),
        ("radio/test_remind.py", "radio/test_private.py", "radio/test_listen.py"),
        long="never_two or real_server",
    ),
    Group(
        (
            "pot/description.py",
            "pot/pot_folder.py",
            "pot/agree.py",
            "bench/check.py",
            "commands/check.py",
            "pot/stage.py",
            "simulate/uncalibrated.py",
        ),
        (
            "pot/test_pots.py",
            "bench/test_check.py",
            "pot/test_stage.py",
            "pot/test_one_description.py",
            "radio/test_private.py",
        ),
        long="is_simulated or weighed or simulates",
    ),
    Group(
        (
            "budget/course.py",
            "budget/doubt.py",
            "budget/inputs.py",
            "budget/sizing.py",
            "budget/told.py",
        ),
        ("budget/test_budget.py",),
    ),
    Group(("budget/logged.py",), ("budget/test_budget_log.py",)),
    Group(
        (
            "sequences/sequence_file.py",
            "sequences/judging.py",
            "sequences/cutting.py",
            "sequences/playing.py",
        ),
        ("sequences/test_sequences.py", "sequences/test_cut.py"),
    ),
    Group(("radio/ask.py", "commands/ask.py", "replay/asked.py"), ("radio/test_ask.py",)),
    Group(
        (
            *("radio/store.py", "radio/files.py", "radio/homes.py"),
            *("radio/readings.py", "radio/migrate.py"),
        ),
        ("radio/test_kept.py", "radio/test_order.py", "radio/test_database.py"),
        long="every_order or whatever_order or postgresql",
    ),
    Group(
        ("radio/posted.py", "radio/room.py"),
        ("radio/test_post.py",),
        long="arrives or another_or or stranger_on or seventy or each_limit or command or no_haste",
    ),
    Group(("replay/verdicts.py",), ("replay/test_verdicts.py",)),
    Group(("replay/changes.py",), ("replay/test_changes.py",)),
    Group(
        ("replay/replaying.py", "commands/replay.py", "replay/rejudged.py"),
        ("replay/test_replay_parts.py", "replay/test_replay.py"),
        long="befell or unseen or wrong_value or thousands or shell or core or users",
    ),
    Group(("usb/inspect.py", "commands/inspect.py"), ("usb/test_inspect.py",)),
    Group(
        (
            "usb/pull.py",
            "commands/pull.py",
            "usb/flash.py",
            "commands/flash.py",
            "usb/payload.py",
            "usb/link.py",
        ),
        ("usb/test_scripted_board.py", "usb/test_hostile_board.py"),
    ),
    Group(
        ("simulate/trials.py",),
        ("simulate/test_simulate.py", "pot/test_one_description.py"),
        long="cluster or dask or scheduler or shipped or demo_set or fault or every_act or "
        "lives_as_long or ran_out or picture or page or weighed",
    ),
)


def modules() -> list[str]:
    """All that are mutated, below host/wakewell."""
    return [name for group in GROUPS for name in group.modules]


def mutants(only: Iterable[str] = ()) -> list[Mutant]:
    """All of them, module by module. only: of these modules."""
    wanted = set(only) or set(modules())
    return [
        mutant
        for name in modules()
        if name in wanted
        for mutant in mutate.of_file(HOST, name)
        if mutant.key.split(":")[0].split(" ")[1] not in LEFT_OUT
    ]


def chosen(most: int, seed: int, only: Iterable[str] = ()) -> list[Mutant]:
    """About so many of the mutants: of every module its share, one at least, by chance.

    only: of these modules.
    """
    wanted = set(only) or set(modules())
    found = mutants(wanted)
    sample: list[Mutant] = []
    for module in sorted(wanted, key=modules().index):
        chance = random.Random(f"{seed} {module}")  # a change of one leaves the others' sample
        mine = [mutant for mutant in found if mutant.file == module]
        sample += chance.sample(mine, min(len(mine), max(1, round(most * len(mine) / len(found)))))
    return sample


# A mutant in a process that has everything imported


def named(module: str) -> ModuleType:
    """The module of that file, imported."""
    stem = module.removesuffix(".py").replace("/", ".")
    return sys.modules["wakewell." + stem]


def apply(mutant: Mutant) -> None:
    """Change this process for good: every function of that module now runs the changed code."""
    module = named(mutant.file)
    file = str(module.__file__)
    tree = mutate.changed(Path(file), mutant.number)
    plain = by_place(compile(Path(file).read_bytes(), file, "exec", dont_inherit=True))
    new = by_place(compile(tree, file, "exec", dont_inherit=True))
    replaced = False
    for function in functions_of(file):
        was = function.__code__
        key = was.co_qualname, was.co_firstlineno
        if len(plain[key]) != len(new.get(key, ())):
            continue  # lambdas of one line, one of them gone: the function around them is changed
        code = new[key][plain[key].index(was)]
        # One that lost a variable of the function around it is made anew by that function
        if code != was and len(code.co_freevars) == len(was.co_freevars):
            function.__code__ = code
            replaced = True
    begin = statement_at(tree, mutant.line)
    for statement in [*([] if replaced else [begin]), *made_from(tree, begin)]:
        remake(module, statement)


def codes(code: CodeType) -> Generator[CodeType, None, None]:
    """A code object and all that are inside it."""
    yield code
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield from codes(one)


def by_place(code: CodeType) -> dict[tuple[str, int], list[CodeType]]:
    """All code of a file by where it is written; a change moves no line."""
    found: dict[tuple[str, int], list[CodeType]] = {}
    for one in codes(code):
        found.setdefault((one.co_qualname, one.co_firstlineno), []).append(one)
    return found


def functions_of(file: str) -> list[FunctionType]:
    """Every function there is that was written in that file, also wrapped and nested ones."""
    gc.unfreeze()  # the tests freeze what is there for the whole run, and it would not be listed
    return [
        one
        for one in gc.get_objects()
        if isinstance(one, FunctionType) and one.__code__.co_filename == file
    ]


def statement_at(tree: ast.Module, line: int) -> ast.stmt:
    """A module's own statement at that line."""
    return next(s for s in tree.body if s.lineno <= line <= (s.end_lineno or s.lineno))


def made_from(tree: ast.Module, begin: ast.stmt) -> list[ast.stmt]:
    """A module's assignments and defaults that use what `begin` defines, also by a function."""
    found: list[ast.stmt] = []
    names = defined(begin)
    for statement in tree.body:
        used = {node.id for node in ast.walk(statement) if isinstance(node, ast.Name)}
        if statement is begin or not used & names:
            continue
        if isinstance(statement, ast.Assign | ast.AnnAssign) or names & in_defaults(statement):
            found.append(statement)
        names |= defined(statement)
    return found


def in_defaults(statement: ast.stmt) -> set[str]:
    """The names from which a function's defaults are made."""
    if not isinstance(statement, ast.FunctionDef):
        return set()
    defaults = [*statement.args.defaults, *statement.args.kw_defaults]
    nodes = [node for one in defaults if one for node in ast.walk(one)]
    return {node.id for node in nodes if isinstance(node, ast.Name)}


def defined(statement: ast.stmt) -> set[str]:
    """The names that a module's statement defines."""
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return {statement.name}
    nodes = ast.walk(statement)
    return {n.id for n in nodes if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}


def remake(module: ModuleType, statement: ast.stmt) -> None:
    """Run a module's statement again, and hand what it made to all who imported it."""
    alone = ast.Module([statement], [])
    flags = annotations.compiler_flag  # all modules of the host begin with it
    code = compile(alone, str(module.__file__), "exec", flags=flags, dont_inherit=True)
    if isinstance(statement, ast.ClassDef | ast.FunctionDef):
        names = dict(vars(module))
        exec(code, names)
        was, now = vars(module)[statement.name], names[statement.name]
        if isinstance(was, type):
            put_into(was, now)
        elif isinstance(was, FunctionType) and isinstance(now, FunctionType):
            was.__defaults__, was.__kwdefaults__ = now.__defaults__, now.__kwdefaults__
        return
    before = dict(vars(module))
    exec(code, vars(module))
    for name, new in vars(module).copy().items():
        old = before.get(name)
        for other in list(sys.modules.values()) if new is not old else ():
            if name in vars(other) and vars(other)[name] is old:
                setattr(other, name, new)


def put_into(old: type, new: type) -> None:
    """What a class holds and its functions' defaults; its functions stay as they are."""
    for name, value in vars(new).items():
        was = vars(old).get(name)
        if isinstance(value, FunctionType) and isinstance(was, FunctionType):
            was.__defaults__, was.__kwdefaults__ = value.__defaults__, value.__kwdefaults__
        elif isinstance(value, str | int | float | tuple | list | dict) and name[:2] != "__":
            setattr(old, name, value)


# The tests of a group, in the process that imported them


@dataclass
class TestedAsIs:
    """What a test did on the code as it is."""

    seconds: float = 0.0  # of the processor, including its fixtures
    lines: dict[str, set[int]] = field(default_factory=dict)  # by module
    failed: bool = False


class Judge:
    """A pytest plugin: instead of running the tests once, it runs them for each mutant."""

    def __init__(self, todo: list[Mutant], out: Connection, workers: int) -> None:
        self.todo, self.out, self.workers = todo, out, workers
        self.failed = False

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.failed = self.failed or report.failed

    def pytest_runtestloop(self, session: Any) -> bool:
        if session.testsfailed:
            raise RuntimeError("the tests cannot be imported")
        pid, inside = forked(lambda out: out.send(self.measure(session.items)))
        try:
            known = told(inside)
        finally:
            ended(pid)
        if known is None:
            raise RuntimeError("the tests as they are end their process")
        for item in session.items:
            if known[item.nodeid].failed:
                self.out.send((None, item.nodeid))
        waiting = list(reversed(self.todo))
        running: dict[Connection, tuple[int, Mutant]] = {}
        try:
            while waiting or running:
                while waiting and len(running) < self.workers:
                    mutant = waiting.pop()
                    tests = reaching(mutant, session.items, known)
                    pid, inside = forked(partial(self.judge, mutant, tests, known))
                    running[inside] = pid, mutant
                ready = connection.wait(list(running))
                for one in [one for one in running if one in ready]:
                    pid, mutant = running.pop(one)
                    why = told(one)
                    ended(pid)
                    self.out.send((mutant, "it never ended" if why is None else why))
        finally:
            for pid, _ in running.values():
                ended(pid)
        return True

    def measure(self, items: list[Any]) -> dict[str, TestedAsIs]:
        """{test: what it did} of every test, from one run of all."""
        import coverage

        files = {str(named(mutant.file).__file__): mutant.file for mutant in self.todo}
        seen = coverage.Coverage(data_file=None, config_file=False, include=list(files))
        seen.start()
        known = {}
        for number, item in enumerate(items, 1):
            following = items[number] if number < len(items) else None
            seen.switch_context(item.nodeid)
            self.failed = False
            begun = spent()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            known[item.nodeid] = TestedAsIs(spent() - begun, failed=self.failed)
        seen.stop()
        for file, module in files.items():
            for line, tests in seen.get_data().contexts_by_lineno(file).items():
                for test in tests:
                    known[test].lines.setdefault(module, set()).add(line)
        return known

    def judge(
        self, mutant: Mutant, tests: list[Any], known: dict[str, TestedAsIs], out: Connection
    ) -> None:
        """Tell the first of these tests that fails on the mutant, "" if none does."""
        limit_s = LEAST_S + TIMES * sum(known[item.nodeid].seconds for item in tests)
        signal.setitimer(signal.ITIMER_PROF, limit_s)
        signal.alarm(int(10 * limit_s))  # it waits without end
        try:
            apply(mutant)
        except Exception as error:
            out.send(f"{type(error).__name__} when it is imported: {error}")
            return
        self.failed = False
        for number, item in enumerate(tests, 1):
            following = tests[number] if number < len(tests) else None
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self.failed:
                out.send(item.nodeid)
                return
        out.send("")


def reaching(mutant: Mutant, items: list[Any], known: dict[str, TestedAsIs]) -> list[Any]:
    """The tests that reach a mutant's line, the quickest first."""
    path = HOST / mutant.file
    everyone = [item for item in items if not known[item.nodeid].failed]
    everyone.sort(key=lambda item: known[item.nodeid].seconds)
    lines = span(path, mutant.line)
    reached = [known[item.nodeid].lines.get(mutant.file, set()) & lines for item in everyone]
    met = [item for item, there in zip(everyone, reached, strict=True) if there]
    tree = ast.parse(path.read_bytes())
    if not met and (not lines or made_from(tree, statement_at(tree, mutant.line))):
        return everyone  # it works, if at all, by what the module made of it as it was imported
    return met


def span(path: Path, line: int) -> set[int]:
    """The lines of the statement at a line, without what is inside it; none outside functions."""
    tree = ast.parse(path.read_bytes())
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.Lambda)]
    if not any(f.lineno <= line <= (f.end_lineno or 0) for f in functions):
        return set()
    found: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or 0):
            inner = [
                one.lineno
                for name in ("body", "orelse", "handlers", "finalbody")
                for one in getattr(node, name, [])
                if isinstance(one, ast.stmt | ast.ExceptHandler)
            ]
            end = min(inner, default=(node.end_lineno or 0) + 1)
            found = set(range(node.lineno, max(end, node.lineno + 1)))
    return found


def spent() -> float:
    """Seconds of the processor, of this process and those it started and saw end."""
    both = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return sum(one.ru_utime + one.ru_stime for one in both)


def forked(work: Callable[[Connection], None]) -> tuple[int, Connection]:
    """A process that does the work and tells through the connection."""
    inside, outside = connection.Pipe(False)
    pid = os.fork()
    if pid == 0:
        os.setpgid(0, 0)  # with all that it starts, so that all can be ended
        inside.close()
        try:
            work(outside)
        except Exception as error:
            outside.send(error)
        finally:
            os._exit(0)
    outside.close()
    return pid, inside


def told(inside: Connection) -> Any:
    """What a process tells, None if it ended without a word; its exception is raised here."""
    try:
        one = inside.recv()
    except EOFError:
        return None
    if isinstance(one, Exception):
        raise one
    return one


def ended(pid: int) -> None:
    """End a process and what it started."""
    with suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)
    os.waitpid(pid, 0)


def run_group(group: Group, todo: list[Mutant], workers: int, base: str, out: Connection) -> None:
    """The process of a group: it tells (mutant, what killed it) of each, in any order.

    base: a folder for whatever its tests write.
    """
    import pytest

    null = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(null, stream)
    sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115 - until this process ends
    os.chdir(base)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())  # what it started is ended on the way out
    files = [str(TESTS / name) for name in group.tests if (TESTS / name).exists()]
    quiet = ["-q", "-s", "-m", "not nightly and not hypothesis", "-c", str(ROOT / "pyproject.toml")]
    quiet += ["-p", "no:cacheprovider", "-p", "no:xdist"]
    quiet += ["-k", f"not (micropython or {group.long})" if group.long else "not micropython"]
    quiet += [f"--basetemp={base}/tests", "-o", "tmp_path_retention_policy=none"]
    for module in {mutant.file for mutant in todo}:
        importlib.import_module("wakewell." + module.removesuffix(".py").replace("/", "."))
    code = pytest.main(
        [*quiet, f"--hypothesis-profile={mutate.quiet_hypothesis()}", *files],
        plugins=[Judge(todo, out, workers)],
    )
    out.send((None, "" if code in (0, 5) else f"pytest ended with {code}"))


def run(todo: list[Mutant], workers: int = 1) -> Generator[tuple[Mutant | None, str], None, None]:
    """(mutant, what killed it, "" if nothing did) of each; (None, a test that fails anyway)."""
    for group in GROUPS:
        mine = [mutant for mutant in todo if mutant.file in group.modules]
        if not mine:
            continue
        with tempfile.TemporaryDirectory(
            prefix="host-mutants-", ignore_cleanup_errors=True
        ) as base:
            pid, inside = forked(partial(run_group, group, mine, workers, base))
            try:
                while (one := told(inside)) and one != (None, ""):
                    yield one
                if one is None:
                    raise RuntimeError(f"the tests of {', '.join(group.modules)} ended early")
            finally:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGTERM)
                os.waitpid(pid, 0)
