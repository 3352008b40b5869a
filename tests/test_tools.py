"""The commands of tools/: what they decide and say. Nothing here installs or reaches a network."""

import ast
import importlib
import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
from datetime import UTC, date, datetime
from pathlib import Path
from types import ModuleType

import pytest

from lacking import lacking

ROOT = Path(__file__).resolve().parent.parent
TOOLS = ROOT / "tools"


@pytest.fixture
def env(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> ModuleType:
    """tools/_env.py, looking at a clone of its own in tmp_path."""
    monkeypatch.syspath_prepend(TOOLS)
    module = importlib.import_module("_env")
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    monkeypatch.setattr(module, "program", lambda name: "/usr/bin/" + name)
    monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(module, "VENV", tmp_path / ".venv")
    return module


@pytest.fixture
def check(env: ModuleType) -> ModuleType:
    return importlib.import_module("check")


@pytest.fixture
def made(env: ModuleType, monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Commands that would have run: pip and venv are stood in for and succeed."""
    commands: list[list[str]] = []

    def run(label: str, command: list[str]) -> tuple[int, str]:
        commands.append(command)
        if "venv" in command:
            python = env.tool("python")
            python.parent.mkdir()
            python.touch()
        return 0, ""

    monkeypatch.setattr(env, "run_with_progress", run)
    return commands


def kind(command: list[str]) -> str:
    if "pip" in command:
        return (
            "stubs" if "--target" in command else "node" if "nodejs" in command[-1] else "project"
        )
    return "packages" if "ci" in command else "venv"


def kinds(commands: list[list[str]]) -> list[str]:
    return [kind(command) for command in commands]


def test_second_run_makes_nothing(env: ModuleType, made: list[list[str]]) -> None:
    env.ready()
    assert kinds(made) == ["venv", "project"]
    env.ready()
    assert len(made) == 2


def test_a_copy_installed_over_the_clone_is_made_a_link_again(
    env: ModuleType, made: list[list[str]]
) -> None:
    """After a plain `pip install .` the tests would judge a copy, not what was changed here."""
    env.ready()
    packages = sysconfig.get_path("purelib", "venv", {"base": str(env.VENV)})
    origin = Path(packages) / "wakewell-0.1.0.dist-info" / "direct_url.json"
    origin.parent.mkdir(parents=True)
    origin.write_text('{"dir_info": {"editable": true}, "url": "file:///clone"}')
    env.ready()
    assert kinds(made) == ["venv", "project"]
    origin.write_text('{"dir_info": {}, "url": "file:///clone"}')
    env.ready()
    assert kinds(made) == ["venv", "project", "project"]


def test_check_adds_its_packages_and_demo_then_finds_all(
    env: ModuleType, made: list[list[str]]
) -> None:
    env.ready()
    made.clear()
    env.ready(test=True)
    assert kinds(made) == ["project", "stubs", "packages"]
    assert made[0][-1].endswith("[test]")
    made.clear()
    env.ready()
    env.ready(test=True)
    assert made == []


def test_changed_pyproject_or_new_package_installs_again(
    env: ModuleType, made: list[list[str]], tmp_path: Path
) -> None:
    env.ready()
    made.clear()
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    env.ready()
    assert kinds(made) == ["project"]
    made.clear()
    package = tmp_path / "device" / "wakecore"
    package.mkdir(parents=True)
    (package / "__init__.py").touch()
    env.ready()
    assert kinds(made) == ["project"]
    made.clear()
    (package / "line.py").touch()
    env.ready()
    assert made == []


@pytest.mark.parametrize("key", ["python", "root"])
def test_other_interpreter_or_moved_clone_makes_everything_anew(
    env: ModuleType, made: list[list[str]], key: str
) -> None:
    env.ready()
    made.clear()
    note = env.read_note()
    env.write_note(note | {key: "another"})
    env.ready()
    assert kinds(made) == ["venv", "project"]


def test_lost_interpreter_makes_everything_anew(env: ModuleType, made: list[list[str]]) -> None:
    env.ready()
    made.clear()
    env.tool("python").unlink()
    env.ready()
    assert kinds(made) == ["venv", "project"]


@pytest.mark.parametrize("fails_at", ["venv", "project", "stubs", "packages"])
def test_interrupted_install_is_done_again(
    env: ModuleType, made: list[list[str]], monkeypatch: pytest.MonkeyPatch, fails_at: str
) -> None:
    run = env.run_with_progress

    def interrupted(label: str, command: list[str]) -> tuple[int, str]:
        if kinds([command]) == [fails_at]:
            raise KeyboardInterrupt
        return run(label, command)  # type: ignore[no-any-return]

    monkeypatch.setattr(env, "run_with_progress", interrupted)
    assert env.guarded(lambda: env.ready(test=True)) == 130
    monkeypatch.setattr(env, "run_with_progress", run)
    made.clear()
    env.ready(test=True)
    expected = ["venv", "project", "stubs", "packages"]
    assert kinds(made) == (expected if fails_at == "venv" else expected[1:])


def test_check_without_an_index_leaves_the_demo_usable(
    env: ModuleType, made: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    env.ready()
    monkeypatch.setattr(env, "run_with_progress", lambda label, command: (1, EMPTY))
    assert env.guarded(lambda: env.ready(test=True)) == 2
    made.clear()
    env.ready()
    assert made == []


def test_interrupted_check_does_not_pass_for_a_ready_demo(
    env: ModuleType, made: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    env.ready()
    run = env.run_with_progress

    def interrupted(label: str, command: list[str]) -> tuple[int, str]:
        raise KeyboardInterrupt

    monkeypatch.setattr(env, "run_with_progress", interrupted)
    assert env.guarded(lambda: env.ready(test=True)) == 130
    monkeypatch.setattr(env, "run_with_progress", run)
    made.clear()
    env.ready()
    assert kinds(made) == ["project"]


@pytest.mark.parametrize("note", ["", "{", "[]", '{"python": 3}', "\xff"])
def test_damaged_note_makes_everything_anew(
    env: ModuleType, made: list[list[str]], note: str
) -> None:
    env.VENV.mkdir()
    (env.VENV / "wakewell.json").write_text(note, encoding="latin-1")
    env.ready()
    assert kinds(made) == ["venv", "project"]


@pytest.mark.parametrize("file", [".venv", ".venv/bin/python"])
def test_an_environment_of_the_users_own_is_refused_and_kept(
    env: ModuleType, made: list[list[str]], capsys: pytest.CaptureFixture[str], file: str
) -> None:
    own = env.ROOT / file
    own.parent.mkdir(parents=True, exist_ok=True)
    own.write_text("mine")
    assert env.guarded(env.ready) == 2
    assert own.read_text() == "mine"
    assert made == []
    assert "Move it elsewhere" in one_line(capsys.readouterr().err)


@pytest.mark.parametrize("module", ["venv", "ensurepip"])
def test_python_without_venv_is_told_what_to_install(
    env: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    module: str,
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    assert env.guarded(env.ready) == 2
    line = one_line(capsys.readouterr().err)
    assert module in line
    assert "apt install python3-venv" in line


def one_line(text: str) -> str:
    """The only line of `text`."""
    (line,) = text.splitlines()
    return line


# As printed by pip 24.0, cut to the lines that matter.
REFUSED = """\
      WARNING: Retrying (Retry(total=0, connect=None, read=None, redirect=None, status=None)) \
after connection broken by 'NewConnectionError('<HTTPSConnection object at 0x7f>: Failed to \
establish a new connection: [Errno -2] Name or service not known')': /simple/setuptools/
      ERROR: Could not find a version that satisfies the requirement setuptools>=70 \
(from versions: none)
error: subprocess-exited-with-error
"""
EMPTY = """\
      ERROR: Could not find a version that satisfies the requirement setuptools>=70 \
(from versions: none)
      ERROR: No matching distribution found for setuptools>=70
error: subprocess-exited-with-error
note: This error originates from a subprocess, and is likely not a problem with pip.
"""
TOO_OLD = """\
ERROR: Could not find a version that satisfies the requirement numpy>=99 (from versions: 2.4.6)
ERROR: No matching distribution found for numpy>=99
"""


@pytest.mark.parametrize(
    ("output", "told"),
    [
        (REFUSED, "No package index could be reached"),
        (EMPTY, "No package index could be reached"),
        (TOO_OLD, "No matching distribution found for numpy>=99"),
        ("", "could not install"),
    ],
)
def test_failed_pip_is_explained(env: ModuleType, output: str, told: str) -> None:
    assert told in one_line(env.explain(output))


def test_node_is_installed_where_the_machine_has_none(
    env: ModuleType, made: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(env, "program", lambda name: None)
    env.ready(test=True)
    assert kinds(made) == ["venv", "project", "stubs", "node", "packages"]
    assert made[-1][0] == "npm"


def test_other_packages_for_the_32_bit_interpreter_install_again(
    env: ModuleType, made: list[list[str]], tmp_path: Path
) -> None:
    env.ready(test=True)
    made.clear()
    place = tmp_path / "host" / "wakewell" / "interpreters" / "chip32"
    place.mkdir(parents=True)
    for name in env.NODE_FILES:
        shutil.copy(ROOT / "host" / "wakewell" / "interpreters" / "chip32" / name, place / name)
    env.ready(test=True)
    assert kinds(made) == ["project", "stubs", "packages"]
    assert (env.VENV / "node" / "package-lock.json").read_bytes()
    made.clear()
    env.ready(test=True)
    assert made == []


def test_a_failed_npm_is_explained(
    env: ModuleType, made: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = env.run_with_progress
    words = "npm error code ENOTFOUND\nnpm error network request failed\n"

    def failing(label: str, command: list[str]) -> tuple[int, str]:
        return (1, words) if kind(command) == "packages" else run(label, command)

    monkeypatch.setattr(env, "run_with_progress", failing)
    with pytest.raises(env.ToolError, match="network request failed"):
        env.ready(test=True)


def test_commands_on_windows_lie_in_scripts(env: ModuleType) -> None:
    assert env.tool("wakewell", windows=True) == env.VENV / "Scripts" / "wakewell.exe"
    assert env.tool("wakewell", windows=False) == env.VENV / "bin" / "wakewell"


def test_run_with_progress_keeps_output_and_status(env: ModuleType) -> None:
    env.VENV.mkdir()
    command = [sys.executable, "-c", "import sys; print('said'); sys.exit(3)"]
    assert env.run_with_progress("Trying", command) == (3, "said" + os.linesep)


@pytest.mark.parametrize("name", ["demo.py", "check.py"])
def test_old_python_gets_one_line(name: str) -> None:
    # A stand-in for an old interpreter, where there may be none to run: the version it
    # claims, and (next test) the grammar it can read.
    pretend = (
        "import runpy, sys; sys.version_info = (3, 9, 2); sys.version = '3.9.2 (x)';"
        "sys.argv = [sys.argv[1]]; sys.path.insert(0, sys.argv[0].rpartition('/')[0]);"
        "runpy.run_path(sys.argv[0], run_name='__main__')"
    )
    done = subprocess.run(
        [sys.executable, "-c", pretend, (TOOLS / name).as_posix()], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "needs Python 3.11 or newer; this is 3.9.2" in one_line(done.stderr)


@pytest.mark.parametrize("name", ["_env.py", "demo.py", "check.py"])
def test_old_grammar_reaches_that_line(name: str) -> None:
    ast.parse((TOOLS / name).read_text(encoding="utf-8"), feature_version=(3, 7))


def test_check_runs_every_step_and_tells_how_to_repeat_the_failed_one(
    check: ModuleType, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    python = sys.executable
    rows = check.run([("one", [python, "-c", "exit(4)"]), ("two", [python, "-c", "print('ran')"])])
    assert [(name, code) for name, code, _, _ in rows] == [("one", 4), ("two", 0)]
    out = capfd.readouterr().out
    assert out.index("== one") < out.index("== two") < out.index("ran\n")
    lines = check.table(rows).splitlines()
    assert lines[1].split()[:2] == ["one", "FAILED"]
    assert lines[2].split()[:2] == ["two", "passed"]
    assert lines[3].startswith(f"repeat, in {tmp_path}: ")
    assert lines[3].endswith(check.shown(rows[0][3]))
    assert len(lines) == 4


def test_check_runs_steps_side_by_side_and_shows_what_each_says(
    check: ModuleType, capfd: pytest.CaptureFixture[str]
) -> None:
    say = "import sys; print(sys.argv[1]); sys.exit(int(sys.argv[2]))"
    told = [("figures", "third", "0"), ("tests", "second", "0"), ("lint", "first", "1")]
    rows = check.run([(name, [sys.executable, "-c", say, *words]) for name, *words in told])
    assert [(name, code) for name, code, _, _ in rows] == [
        ("lint", 1),
        ("tests", 0),
        ("figures", 0),
    ]
    lines = [line.split(":")[0] for line in capfd.readouterr().out.splitlines() if line]
    assert lines == ["== lint", "first", "== tests", "second", "== figures", "third"]
    for code, words in (("0", []), ("1", ["which"])):
        check.run([("test files", [sys.executable, "-c", say, "which", code])])
        assert capfd.readouterr().out.splitlines()[2:] == words


# The tests end once the proofs have begun, and these once they see that the tests wait for them
WAITS = """
import sys, time
from pathlib import Path
mine, other = sys.argv[1:]
Path(mine).touch()
while not Path(other).exists():
    time.sleep(0.01)
"""


def test_check_uses_the_time_in_which_tests_wait(
    check: ModuleType, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    one, other = str(tmp_path / "one"), str(tmp_path / "other")
    command = [sys.executable, "-c", WAITS]
    rows = check.run([("tests", [*command, one, other]), ("proofs", [*command, other, one])])
    assert [(name, code) for name, code, _, _ in rows] == [("tests", 0), ("proofs", 0)]
    python = [sys.executable, "-c", "print('ran')"]
    alone = check.run([("proofs", python), ("tests", python)], together=False)
    assert [name for name, *_ in alone] == ["proofs", "tests"]
    assert "ran\n" in capfd.readouterr().out


def test_check_says_how_old_the_records_are(check: ModuleType, env: ModuleType) -> None:
    assert check.recorded().splitlines() == [
        "the whole check (--full) last passed: no record",
        "the whole proofs (tools/assure.py) were last recorded: none",
    ]
    kept = env.ROOT / "tests" / "assurance"
    kept.mkdir(parents=True)
    found = {"search": {"date": "2026-11-28"}, "nth": {"date": "2026-10-01"}}
    (kept / "last_run.json").write_text(json.dumps(found))
    check.record([("lint", 0, 6.0, []), ("tests", 0, 360.0, [])])
    whole, proofs = check.recorded().splitlines()
    assert re.search(r"last passed: \d{4}-\d\d-\d\d \(0 days ago\), commit unknown$", whole)
    today = datetime.now(UTC).date()
    old = [(today - date.fromisoformat(day)).days for day in ("2026-10-01", "2026-11-28")]
    assert proofs.endswith(
        f"recorded: nth 2026-10-01 ({old[0]} days ago), search 2026-11-28 ({old[1]} days ago)"
    )
    kept_minutes = json.loads((env.ROOT / "tests" / "last_full.json").read_text())["minutes"]
    assert kept_minutes == {"lint": 0.1, "tests": 6.0}


MARKED = """
@pytest.mark.nightly
def test_dear(): ...
@pytest.mark.parametrize("n", [1, pytest.param(9, marks=pytest.mark.nightly)])
def test_partly_dear(n): ...
def test_cheap(): ...
"""


def test_check_says_what_it_left_out(check: ModuleType, env: ModuleType) -> None:
    folder = env.ROOT / "tests" / "rig"
    folder.mkdir(parents=True)
    (folder / "test_one.py").write_text(MARKED)
    (folder / "test_two.py").write_text("pytestmark = [pytest.mark.nightly]\ndef test_all(): ...")
    names = "test_one::test_dear, test_one::test_partly_dear (some cases), test_two::test_all"
    usual = check.left_out(False, None, [])
    assert usual.startswith(f"3 tests marked nightly (--full): {names}; the proofs but for their")
    assert check.left_out(True, None, []) == "nothing"
    part = check.left_out(False, "core", ["tests/a.py"])
    for words in (names, "the proofs, ", "the figures, ", "-k core", "outside tests/a.py"):
        assert words in part
    assert "nightly" not in check.left_out(True, "core", [])


def test_a_whole_check_is_the_usual_one_and_what_that_leaves_out(check: ModuleType) -> None:
    usual, whole = (dict(check.steps(full, None, [])) for full in (False, True))
    assert list(usual) == list(whole)
    assert usual["tests"][-2:] == ["-m", "not nightly"]
    assert "not nightly" not in whole["tests"]
    assert usual["proofs"][-1] == "--quick"
    assert whole["proofs"][-2:] == ["--minutes", str(check.PROOFS_MIN)]
    part = check.steps(False, "core", ["tests/a.py"])
    assert not {"proofs", "figures", "test files"} & {name for name, _ in part}
    assert part[-1][1][-5:] == ["-m", "not nightly", "-k", "core", "tests/a.py"]


def test_nightly_tests_are_few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is one more thing that a change may break without the check's word."""
    monkeypatch.syspath_prepend(TOOLS)
    assert len(importlib.import_module("check").nightly()) <= 12


def test_stubs_stay_out_of_the_hosts_sight(env: ModuleType, made: list[list[str]]) -> None:
    env.ready(test=True)
    stubs = made[kinds(made).index("stubs")]
    target = Path(stubs[stubs.index("--target") + 1])
    assert target == env.VENV / "stubs"
    assert "site-packages" not in target.parts
    assert "../.venv/stubs" in (ROOT / "device" / "mypy.ini").read_text()


def test_the_command_that_brings_what_is_missing_brings_what_ci_installs() -> None:
    (listed,) = re.findall(r"^debian_packages=\((.*)\)$", (ROOT / ".ci/run").read_text(), re.M)
    assert lacking("mosquitto").endswith(f": sudo apt install {listed}")


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash to parse .ci/run with")
def test_ci_script_parses_and_calls_check() -> None:
    script = ROOT / ".ci" / "run"
    subprocess.run(["bash", "-n", str(script)], check=True)
    assert script.read_text().rstrip().endswith('python3 tools/check.py "$@"')


@pytest.mark.parametrize(("code", "wanted"), [(0, 0), (1, 0), (2, 2)])
def test_the_demo_ends_with_its_pages(
    env: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    code: int, wanted: int,
) -> None:  # fmt: skip
    """The round page is written and its place said; a pot that needs somebody is no failure."""
    demo = importlib.import_module("demo")
    asked: list[list[str]] = []
    monkeypatch.setattr(env, "ready", lambda: None)
    monkeypatch.setattr(sys, "argv", ["demo.py", "--each"])

    def call(command: list[str], **_: object) -> int:
        asked.append(command[1:])
        return 0 if command[1] == "replay" else code

    monkeypatch.setattr(subprocess, "call", call)
    assert demo.main() == wanted
    assert asked == [["replay", "--demo", "--each"], ["report", "--demo", "--out", str(demo.PAGES)]]
    out = capsys.readouterr().out
    assert (f"Their pages: {(demo.PAGES / 'round.html').as_uri()}" in out) == (wanted == 0)
    assert ("More: " in out) == (wanted == 0)
