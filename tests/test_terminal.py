"""What reaches a terminal, and what a command does when it can write nothing more."""

from __future__ import annotations

import ast
import io
import json
import os
import re
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from freezegun import freeze_time
from hypothesis import given
from hypothesis import strategies as st

from wakewell import cli, commands, terminal
from wakewell.errors import BadInput

# Unicode 15.1, table 23-1 and annex 9: what turns the direction of text.
BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


@given(st.text())
def test_nothing_that_moves_a_cursor_or_turns_text_is_left(text: str) -> None:
    told = terminal.plain(text)
    assert not {unicodedata.category(c) for c in told} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    if all(unicodedata.category(c)[0] in "LNPS" or c == " " for c in text):
        assert told == text


@pytest.mark.parametrize("char", [*BIDI, "\x1b", "\x9b", "\x07", "\x7f", "\r", "\n", "\u2028"])
def test_each_is_written_as_its_escape(char: str) -> None:
    assert terminal.plain(f"a{char}b") == "a" + char.encode("unicode_escape").decode() + "b"


def test_every_command_writes_through_the_same_gate(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever a command prints: only line ends and tabs pass as they are."""

    def run(_args: object) -> int:
        print("sol\x1b[2J\x9b2J\u202egnp.exe\r\n\tdone")
        print("err\x1b]0;mine\x07", file=sys.stderr)
        raise BadInput("bad\x1b[8m name")

    monkeypatch.setattr("wakewell.commands.check.run", run)
    assert cli.main(["check", "x"]) == 2
    out, err = capsys.readouterr()
    assert out == "sol\\x1b[2J\\x9b2J\\u202egnp.exe\\r\n\tdone\n"
    assert err == "err\\x1b]0;mine\\x07\nwakewell check: bad\\x1b[8m name\n"


def test_a_bar_and_a_line_know_that_they_share_a_terminal() -> None:
    stream = io.StringIO()
    assert terminal.Plain(stream, must=False) == stream


def command(*words: str, **how: object) -> subprocess.CompletedProcess[bytes]:
    made = [sys.executable, "-W", "error", "-m", "wakewell", *words]
    return subprocess.run(made, check=False, **{"stderr": subprocess.PIPE, **how})  # type: ignore[call-overload,no-any-return]


CAFE = Path(cli.__file__).parent / "data" / "cafe"
CHECK = ("check", str(CAFE / "basil"))


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="only Linux has a full device")
@pytest.mark.parametrize("words", [CHECK, ("--help",), ("check", "--help"), ("--version",)])
def test_a_full_output_is_one_line_and_2(words: tuple[str, ...]) -> None:
    with open("/dev/full", "wb") as full:
        done = command(*words, stdout=full)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert b"cannot be written: No space left on device" in done.stderr


def shell(text: str) -> subprocess.CompletedProcess[bytes]:
    words = [sys.executable, "-m", "wakewell", *CHECK]
    return subprocess.run(["sh", "-c", f'"$@" {text}', "sh", *words], capture_output=True)


@pytest.mark.skipif(os.name != "posix", reason="a shell that closes a stream")
def test_closed_streams() -> None:
    done = shell(">&-")
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 1)
    assert b"standard output is closed" in done.stderr
    assert shell(">&- 2>&-").returncode == 2
    done = shell("2>&- <&-")
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout


def test_a_reader_that_goes_away_ends_it_quietly() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = command(*CHECK, stdout=writing)
    os.close(writing)
    assert (done.returncode, done.stderr) == (cli.BROKEN_PIPE, b"")


@pytest.mark.parametrize(
    ("raised", "code", "told"),
    [
        (KeyboardInterrupt(), 130, "stopped"),
        (MemoryError(), 2, "not enough memory"),
        (EOFError(), 2, "no answer was given"),
        (
            PermissionError(13, "Permission denied", "a\x1bb"),
            2,
            r"a\x1bb: Permission denied; check that place",
        ),
        (OSError(28, "No space left on device"), 2, "No space left on device; check that place"),
    ],
)
@pytest.mark.parametrize("when", ["importing", "running"])
def test_what_ends_a_command_is_one_line(
    raised: BaseException,
    code: int,
    told: str,
    when: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def end(*_: object) -> int:
        raise raised

    monkeypatch.setattr(
        *(
            (commands.importlib, "import_module", end)
            if when == "importing"
            else ("wakewell.commands.check.run", end)
        )
    )  # type: ignore[attr-defined]
    assert cli.main(list(CHECK)) == code
    err = capsys.readouterr().err
    assert err.startswith(f"wakewell check: {told}")
    assert err.count("\n") == 1


def test_an_error_that_is_none_of_the_systems_is_not_hidden(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: object) -> int:
        raise OSError("a fault of ours")

    monkeypatch.setattr("wakewell.commands.check.run", fail)
    with pytest.raises(OSError, match="a fault of ours"):
        cli.main(list(CHECK))


@pytest.mark.parametrize("words", [("replay", "--demo", "--on", "micropython"), ("report",)])
def test_no_place_for_temporary_files(words: tuple[str, ...], tmp_path: Path) -> None:
    """Also where a command has no words of its own for it."""
    path = tmp_path / "p.zip"
    given = (*words, str(path)) if words == ("report",) else words
    assert cli.main(["parcel", str(CAFE / "basil"), "--file", str(path)]) == 0
    text = "import sys, tempfile\ntempfile.tempdir = sys.argv.pop(1)\n"
    text += "from wakewell.__main__ import main\nsys.exit(main())"
    made = [sys.executable, "-c", text, str(tmp_path / "no-such"), *given]
    done = subprocess.run(made, check=False, capture_output=True)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert b"Traceback" not in done.stderr


INTERRUPTED = """
import sys, runpy
class Stop:
    def find_spec(self, name, *_):
        if name == sys.argv[0]:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Stop())
sys.argv = [{name!r}, *{words!r}]
runpy.run_module("wakewell", run_name="__main__")
"""


@pytest.mark.parametrize(
    "name",
    [
        "wakewell.cli",
        "wakewell.log.logs",
        "msgspec",
        "wakewell.bench.check",
        "wakewell.pot.pot_folder",
    ],
)
def test_ctrl_c_while_modules_load(name: str) -> None:
    code = INTERRUPTED.format(name=name, words=CHECK)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True)
    assert done.returncode == 130
    assert done.stderr.endswith(b": stopped\n")
    assert done.stderr.count(b"\n") == 1


def test_no_file_is_left_open(tmp_path: Path) -> None:
    """Every reader with warnings as errors, a packed and a broken log and a parcel among them."""
    packed = (CAFE / "basil" / "logs" / "00000001.jsonl.gz").read_bytes()
    log = tmp_path / "pot" / "logs" / "00000001.jsonl.gz"
    log.parent.mkdir(parents=True)
    log.write_bytes(packed[: len(packed) // 2])
    words = (
        ("replay", str(CAFE / "basil")),
        ("replay", str(log)),
        ("report", str(CAFE / "basil"), "--form", "csv", "--out", str(tmp_path)),
        ("parcel", str(CAFE / "basil"), "--share", "--file", str(tmp_path / "p.zip")),
        ("replay", str(tmp_path / "p.zip")),
        ("cut", str(CAFE / "basil"), "3", "5"),
        ("check", str(CAFE / "basil")),
        ("budget", str(CAFE / "basil")),
    )
    made = [sys.executable, "-X", "dev", "-W", "error", "-c", ONE_BY_ONE, json.dumps(words)]
    done = subprocess.run(made, check=False, capture_output=True)
    assert done.returncode == 0, done.stderr
    assert b"Warning" not in done.stderr
    assert b"Traceback" not in done.stderr


# In Python's development mode, which tells of what is left open
ONE_BY_ONE = """
import gc, json, sys
from wakewell.cli import main
for words in json.loads(sys.argv[1]):
    assert main(words) in (0, 2), words
    gc.collect()
"""


@pytest.mark.parametrize("char", ["\x1b[2J", "\n", "\u202e", "\x85"])
@pytest.mark.parametrize("key", ["name", "plant", "place", "notes", "maker", "reach"])
def test_what_a_toml_file_says_is_no_line_of_its_own(
    key: str, char: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pot"
    shutil.copytree(CAFE / "basil", folder)
    path = folder / "pot.toml"
    rows = [r for r in path.read_text(encoding="utf-8").splitlines() if not r.startswith(key)]
    path.write_text("\n".join([f"{key} = {json.dumps(f'a{char}FAKE')}", *rows]), encoding="utf-8")
    for words in (["check"], ["budget"], ["report", "--form", "csv", "--out", str(tmp_path)]):
        cli.main([words[0], str(folder), *words[1:]])
        out, err = capsys.readouterr()
        assert char == "\n" or char not in out + err
        assert not any(row.startswith("FAKE") for row in (out + err).splitlines())


class Screen(io.StringIO):
    """A terminal, or what looks like one."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("quiet", "red"), [("", 1), ("1", 0)])
def test_only_a_bad_verdict_is_red_and_only_where_it_is_wanted(
    quiet: str, red: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """https://no-color.org: no colour where NO_COLOR is set and not empty."""
    monkeypatch.setenv("NO_COLOR", quiet)
    lines = ("all good", terminal.Bad("BROKEN \x1b[2J"), "the rest")
    for screen, wanted in ((Screen(), red), (io.StringIO(), 0)):
        monkeypatch.setattr(sys, "stdout", terminal.Plain(screen, must=True))
        terminal.tell(*lines)
        bad = "BROKEN \\x1b[2J\n"
        shown = f"\x1b[31m{bad}\x1b[0m" if wanted else bad
        assert screen.getvalue() == f"all good\n{shown}the rest\n"


def test_a_folder_with_a_problem_is_told_in_red(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    screen = Screen()
    monkeypatch.setattr(sys, "stdout", screen)
    assert cli.main(["check", str(CAFE / "basil"), str(tmp_path)]) == 2
    good, bad = screen.getvalue().split("\x1b[31m")
    assert good.startswith("basil: good.")
    assert bad.startswith(f"{tmp_path.name}: ")
    assert bad.count("\x1b[0m") == 1


def room(name: str) -> Path | None:
    """The file of a module of ours."""
    place = Path(cli.__file__).parent.joinpath(*name.split(".")[1:])
    return next((p for p in (place.with_suffix(".py"), place / "__init__.py") if p.is_file()), None)


def of_ours(path: Path) -> set[Path]:
    """The modules of ours that a file imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("wakewell"):
            names = [str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)]
            found |= {file for name in names if (file := room(name)) is not None}
    return found


@pytest.mark.parametrize("name", commands.COMMANDS)
def test_what_a_command_ends_with_1_for_is_marked_as_bad(name: str) -> None:
    """Each command that knows a finding marks it, by itself or where it is worded."""
    epilog = " ".join(str(commands.parser_of([name])._actions[-1].choices[name].epilog).split())
    if not re.search(r"[,;] 1 ", epilog):
        return
    path = room(f"wakewell.commands.{name}")
    assert path is not None
    general = {room(f"wakewell.{each}") for each in ("terminal", "commands.given")}
    texts = [file.read_text() for file in {path, *of_ours(path)} - general]
    assert any(re.search(r"\b(Bad|marked)\(", text) for text in texts)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["budget", "--until", "2030-01-01"], 1, "tank: no"),
        (["pull", "--port", "/dev/none-here"], 2, "NOT pulled"),
        (["flash", "--port", "/dev/none-here"], 2, "NOT flashed"),
    ],
)
def test_a_bad_verdict_of_these_is_red_too(
    words: list[str], code: int, says: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    screen = Screen()
    monkeypatch.setattr(sys, "stdout", screen)
    pot = shutil.copytree(CAFE / "basil", tmp_path / "basil")
    with freeze_time("2026-05-01"):
        assert cli.main([words[0], str(pot), *words[1:]]) == code
    assert any(says in part.split("\x1b[0m")[0] for part in screen.getvalue().split("\x1b[31m")[1:])
