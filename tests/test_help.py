"""The command line helps: what is near a wrong word, an example, exit codes, times with units."""

from __future__ import annotations

import argparse
import json
import re
import shlex
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest

from wakewell import cli, commands
from wakewell.commands import durations, given
from wakewell.errors import BadInput
from wakewell.pot import private
from wakewell.radio.store import ReportStore
from wakewell.shipped import CAFE

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def parser() -> argparse.ArgumentParser:
    """The parser that knows every command."""
    return commands.parser_of(commands.COMMANDS)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["reprt"], "nearest known name report"),
        (["help", "remnd"], "nearest known name remind"),
        (["report", "--demmo"], "nearest known name --demo"),
        (["report", "--demmo=1"], "nearest known name --demo"),
        (["report", "--dem"], "no such option"),  # no option by its beginning
        (["report", "--demo", "--form", "pgn"], 'argument --form: "pgn": nearest known name png'),
        (["report", "--out"], "argument --out: expected one argument; wakewell help report says"),
        (["completion", "bsh"], 'argument SHELL: "bsh": nearest known name bash'),
        (["parcel", "log", "--complaint", "dry"], "nearest known name too dry"),
        (["tune", "x", "--workers", "many"], "invalid int value: 'many'; wakewell help tune says"),
        (["cut"], "required: LOG, FROM, TO; wakewell help cut says more"),
        (["help", "report", "pull"], "one word too many"),
        (["\x1b[31mred"], "known names: new, replay, report"),
    ],
)
def test_a_wrong_word_is_answered_with_the_nearest(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(words) == 2
    shown = capsys.readouterr().err
    assert said in shown
    assert shown.count("\n") == 1
    assert "\x1b" not in shown


@pytest.mark.parametrize("name", commands.COMMANDS)
def test_a_command_shows_its_example_and_its_exit_codes(
    name: str, parser: argparse.ArgumentParser, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["help", name])
    assert ended.value.code == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert f"Example: wakewell {commands.EXAMPLES[name]}. " in shown
    assert "xit codes: 0 " in shown
    _, others = parser.parse_known_args(shlex.split(commands.EXAMPLES[name]))
    assert others == [], "the example is one of its own"


def test_help_alone_lists_every_command_below_a_heading(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        cli.main(["help"])
    rows = [row.split() for row in capsys.readouterr().out.splitlines()]
    assert [row[0] for row in rows if row and row[0] in commands.COMMANDS] == [*commands.COMMANDS]
    for heading in commands.GROUPS:
        assert heading.split() in rows


@pytest.mark.parametrize(
    ("text", "seconds"), [("90", 90), ("10s", 10), ("15m", 900), ("1.5h", 5400), ("2d", 172800)]
)
def test_a_time_may_name_its_unit(text: str, seconds: float) -> None:
    assert durations.seconds(text) == seconds


@pytest.mark.parametrize("text", ["", "x", "-5", "nan", "inf", "10 s s", "5w"])
def test_a_time_that_is_none_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(BadInput, match="such as 10s or 15m"):
        durations.seconds(text)


# What holds for every option of every command

# They talk with a person or go on until they are stopped, so there is no result to print.
CONVERSATIONS = {"bringup", "commission", "completion", "cut", "deskboard", "handover", "help"}
CONVERSATIONS |= {"listen", "new"}


def arguments_of(parser: argparse.ArgumentParser) -> dict[str, list[argparse.Action]]:
    """{command: its arguments and options}, without --help and what is not shown."""
    (subs,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    return {
        name: [
            action
            for action in sub._actions
            if action.help != argparse.SUPPRESS and "--help" not in action.option_strings
        ]
        for name, sub in subs.choices.items()
    }


def test_every_value_has_a_name_that_is_explained_and_a_default_that_is_told(
    parser: argparse.ArgumentParser,
) -> None:
    used = set()
    for name, actions in arguments_of(parser).items():
        for action in actions:
            told = f"{name} {action.option_strings or action.dest}: {action.help}"
            if action.nargs == 0:
                continue
            values = action.metavar.split() if isinstance(action.metavar, str) else []
            assert values, told
            assert set(values) <= set(given.VALUES), told
            used |= set(values)
            if action.option_strings or action.nargs == "?":
                assert "default: " in str(action.help), told
            if isinstance(action.default, (int, float)) and not isinstance(action.default, bool):
                assert f"default: {action.default:g}" in str(action.help), told
    assert used == set(given.VALUES), "each is used"


def test_an_option_of_two_commands_means_one_thing(parser: argparse.ArgumentParser) -> None:
    seen = defaultdict(set)
    for name, actions in arguments_of(parser).items():
        for action in actions:
            assert all(option.startswith("--") for option in action.option_strings), name
            for option in action.option_strings:
                seen[option].add(name)
                if option in given.OPTIONS:
                    value, text = given.OPTIONS[option]
                    assert (action.metavar or "") == value, (name, option)
                    assert str(action.help).startswith(text), (name, option)
    assert {option for option, names in seen.items() if len(names) > 1} == set(given.OPTIONS)
    assert seen["--json"] == set(commands.COMMANDS) - CONVERSATIONS
    for gone in ("--png", "--svg", "--csv", "--parquet"):
        assert gone not in seen


def test_a_pots_folder_is_called_pot(parser: argparse.ArgumentParser) -> None:
    for name, actions in arguments_of(parser).items():
        for action in actions:
            if re.match(r"the pots?'s? folders?", str(action.help)):
                wanted = "LOG" if "parcel" in str(action.help) else "POT"
                assert action.metavar == wanted, (name, action.help)


@pytest.fixture
def a_pot(tmp_path: Path) -> str:
    """A pot that reports by radio, and what was heard of it: nothing."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text('id = "0242ac110002"\n')
    path = private.make(folder)
    people = '[owner]\napprise = ["json://localhost"]\n'
    path.write_text(f"{path.read_text()}\n{people}")
    ReportStore(tmp_path / "heard.db").close()
    return str(folder)


@pytest.mark.parametrize(
    "words",
    [
        ["check", "cafe/basil"],
        ["budget", "cafe/basil"],
        ["replay", "cafe/basil"],
        ["report", "cafe/basil", "--form", "csv", "--out", "out"],
        ["parcel", "cafe/basil", "--file", "basil.zip", "--complaint", "too dry"],
        ["ask", "pot", "dose_ml=60", "--dry-run"],
        ["ask", "pot"],
        ["remind", "pot"],
        ["round", "pot"],
    ],
    ids=lambda words: " ".join(words[:3]),
)
def test_json_is_one_object_of_the_same_shape(
    words: list[str], a_pot: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    places = {"pot": a_pot, "cafe/basil": str(CAFE / "basil")}
    code = cli.main([*(places.get(word, word) for word in words), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert list(told)[:4] == ["command", "good", "exit", "results"]
    assert (told["command"], told["good"], told["exit"]) == (words[0], code == 0, code)
    for result in told["results"]:
        assert isinstance(result["name"], str)
        assert isinstance(result["good"], bool)


def test_the_manual_page_is_valid_and_has_every_command_and_option(
    parser: argparse.ArgumentParser, capsys: pytest.CaptureFixture[str]
) -> None:
    """Valid is what groff, the program behind man, has no warning about."""
    assert cli.main(["help", "--man"]) == 0
    page = capsys.readouterr().out
    plain = page.replace("\\", "")
    for name, actions in arguments_of(parser).items():
        assert f"fBwakewell {name}fR" in plain
        for action in actions:
            assert all(option in plain for option in action.option_strings)
    for name, example in commands.EXAMPLES.items():
        assert f"Example: wakewell {example}. " in plain, name
    assert ".SH EXIT STATUS" in page
    assert ".SH COMMENTS" not in page
    requests = {row.split()[0] for row in page.splitlines() if row[:1] in (".", "'")}
    # Of man(7) and groff_man(7)
    assert requests <= {".TH", ".SH", ".SS", ".TP", ".PP", ".RS", ".RE", ".B", ".br", ".nf", ".fi"}
    groff = shutil.which("groff")
    if groff is not None:
        words = [groff, "-man", "-Tutf8", "-ww", "-z"]
        done = subprocess.run(words, input=page, capture_output=True, text=True)
        assert (done.returncode, done.stderr) == (0, "")


def test_every_option_that_a_text_names_is_one(parser: argparse.ArgumentParser) -> None:
    """In messages, pages and translations; --full and its like are of tools."""
    known = {o for found in arguments_of(parser).values() for a in found for o in a.option_strings}
    known |= {"--help", "--version", "--states"}
    for tool in (ROOT / "tools").rglob("*.py"):
        known |= set(re.findall(r'"(--[a-z-]+)"', tool.read_text(encoding="utf-8")))
    others = {"--durations", "--wakewell-on"}  # of pytest
    texts = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "host").rglob("*.po")]
    for path in (*texts, *(ROOT / "host" / "wakewell").rglob("*.py")):
        if path.parent.name == "pot":
            continue  # it speaks to git
        named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", path.read_text(encoding="utf-8")))
        assert named <= known | others, path
