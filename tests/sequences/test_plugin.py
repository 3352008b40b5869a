"""The pytest plugin: which files it takes, what it says, and that it is out of the way elsewhere.

Each test runs pytest in a folder of its own, as a maker's repository would.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from wakewell.core import core_folder
from wakewell.interpreters import interpreter

GOOD = """title = "A moist pot"
rules = "R6"

[[wake]]
soil_ppt = 300
[[wake.expect]]
rule = "R6"
pump = false
"""
BAD = GOOD.replace("pump = false", "pump = true")


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """A maker's repository with sequences here and there."""
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    for name, content in {
        "sequences/moist.toml": GOOD,
        "pots/kitchen/sequences/deep/thirsty.toml": BAD,
        "pots/kitchen/sequences/notes.txt": "not TOML",
        "pots/kitchen/settings.toml": "not even = = TOML",
        "test_other.py": "def test_other(): pass\n",
    }.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    return tmp_path


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """pytest in that folder, with no plugin of ours but the installed one."""
    less = ["-p", "no:cacheprovider", "-p", "no:hypothesispytest"]  # it takes longer than the rest
    return subprocess.run(
        [sys.executable, "-m", "pytest", *less, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


def test_only_what_lies_in_a_folder_named_sequences_is_taken(repository: Path) -> None:
    done = run(repository, "--collect-only", "-q")
    assert done.stdout.split("\n")[:3] == [
        "pots/kitchen/sequences/deep/thirsty.toml::cpython",
        "sequences/moist.toml::cpython",
        "test_other.py::test_other",
    ]


def test_a_failure_is_told_without_a_traceback(repository: Path) -> None:
    done = run(repository)
    assert done.returncode == 1
    assert "thirsty.toml:6: wake 1: R6 is not kept" in done.stdout
    assert "expected  pump = true" in done.stdout
    assert "wakewell replay " in done.stdout
    assert "Traceback" not in done.stdout
    assert "runtest" not in done.stdout
    assert "1 failed, 2 passed" in done.stdout


def test_an_unusable_file_fails_with_its_one_line(repository: Path) -> None:
    (repository / "sequences/moist.toml").write_text("title = 3\n")
    done = run(repository, "sequences")
    assert done.returncode == 1
    assert "moist.toml:1: title = 3; allowed: a text that is not empty" in done.stdout
    assert "Traceback" not in done.stdout


def test_choosing_by_name_and_running_side_by_side(repository: Path) -> None:
    assert "1 passed, 2 deselected" in run(repository, "-k", "moist").stdout
    done = run(repository, "-n", "2")
    assert done.returncode == 1
    assert "1 failed, 2 passed" in done.stdout
    assert "thirsty.toml:6: wake 1: R6 is not kept" in done.stdout


@pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)
def test_on_micropython_too(repository: Path) -> None:
    done = run(repository, "--wakewell-on", "micropython", "sequences", "-v")
    assert "moist.toml::cpython PASSED" in done.stdout
    assert "moist.toml::micropython PASSED" in done.stdout
    (repository / "pytest.ini").write_text("[pytest]\nwakewell_on = micropython\n")
    assert "2 passed" in run(repository, "sequences").stdout


@pytest.mark.skipif(
    not interpreter.found("micropython32"), reason=interpreter.missing("micropython32")
)
def test_on_32_bits_too(repository: Path) -> None:
    done = run(repository, "--wakewell-on", "micropython32", "sequences", "-v")
    assert "moist.toml::micropython32 PASSED" in done.stdout


def test_a_wrong_word_in_the_ini_file_is_told(repository: Path) -> None:
    (repository / "pytest.ini").write_text("[pytest]\nwakewell_on = cpyton\n")
    done = run(repository, "sequences")
    assert done.returncode == 4
    assert (
        "wakewell_on = cpyton; allowed: cpython, micropython, micropython32"
        in done.stdout + done.stderr
    )


def candidate(folder: Path, old: str, new: str) -> Path:
    """A copy of the core that plans otherwise."""
    ignore = shutil.ignore_patterns("__pycache__")
    copy = shutil.copytree(core_folder(), folder / "wakecore", ignore=ignore) / "plan.py"
    text = copy.read_text(encoding="utf-8")
    assert text.count(old) == 1
    copy.write_text(text.replace(old, new), encoding="utf-8")
    return folder


DRY = "if facts.soil_dry:"


def test_sequences_under_another_core(repository: Path, tmp_path: Path) -> None:
    """A core that waters moist soil: the sequence fails, and other tests are left alone."""
    core = candidate(tmp_path / "core", DRY, "if True:")
    (repository / "test_other.py").write_text(
        "def test_other():\n    import wakecore\n    assert 'core/wake' not in wakecore.__file__\n"
    )
    for words in ((), ("-n", "2")):
        done = run(repository, "--core", str(core), *words)
        assert "moist.toml:6: wake 1: R6 is not kept" in done.stdout
        assert f"under the core in {core}; to replay it add --core {core}" in done.stdout
        assert "1 failed, 2 passed" in done.stdout  # the thirsty one is watered now
        assert "Traceback" not in done.stdout
    same = candidate(tmp_path / "same", DRY, DRY + "  # as before") / "wakecore"
    assert "1 passed" in run(repository, "--core", str(same), "-k", "moist").stdout


@pytest.mark.parametrize("fault", ["raise ZeroDivisionError", "__import__('os')._exit(3)"])
def test_a_core_that_fails_or_ends_the_program_fails_the_sequence(
    repository: Path, tmp_path: Path, fault: str
) -> None:
    core = candidate(tmp_path / "core", "    kind, ul = NONE, 0\n", f"    {fault}\n")
    done = run(repository, "--core", str(core), "sequences", "pots")
    assert done.returncode == 1
    assert "2 failed" in done.stdout
    assert "this core fails: Zero" in done.stdout or "this core ends the program" in done.stdout
    assert "Traceback" not in done.stdout


def test_a_core_that_is_none_is_told(repository: Path, tmp_path: Path) -> None:
    done = run(repository, "--core", str(tmp_path / "nowhere"))
    assert done.returncode == 4
    assert "nowhere: no wakecore folder there" in done.stdout + done.stderr


def test_nothing_of_ours_is_loaded_without_sequences(tmp_path: Path) -> None:
    (tmp_path / "test_other.py").write_text(
        "import sys\n"
        "def test_other():\n"
        "    loaded = {name for name in sys.modules if name.startswith(('wake', 'tqdm'))}\n"
        "    few = {'wakewell', 'wakewell.sequences', 'wakewell.sequences.plugin'}\n"
        "    assert loaded <= few, loaded\n"
    )
    done = run(tmp_path)
    assert done.returncode == 0, done.stdout
