"""The command line helps: what is near a wrong word, an example, exit codes, times with units."""

from __future__ import annotations

import argparse
import shlex

import pytest

from wakewell import cli, commands
from wakewell.commands import durations
from wakewell.errors import BadInput


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
        (["report", "--dem"], "not an option"),  # no option by its beginning
        (["help", "report", "pull"], "one word too many"),
        (["\x1b[31mred"], "known names: replay, report"),
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
    usual = seconds if text.isdigit() else seconds / 60
    assert durations.minutes(text) == usual


@pytest.mark.parametrize("text", ["", "x", "-5", "nan", "inf", "10 s s", "5w"])
def test_a_time_that_is_none_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(BadInput, match="such as 10s or 15m"):
        durations.seconds(text)
