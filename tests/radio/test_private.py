"""Secrets stay where they belong: not in git, not in an error, not on a terminal."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
import remote_pots

from wakecore import line
from wakewell import cli
from wakewell.errors import BadInput
from wakewell.pot import pot_folder, private
from wakewell.shipped import CAFE


@pytest.fixture
def pot(tmp_path: Path) -> Path:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    return folder


def git(folder: Path, *words: str) -> None:
    who = ["-c", "user.name=x", "-c", "user.email=x@example.org"]
    subprocess.run(["git", *who, *words], cwd=folder, check=True, capture_output=True)


def test_check_finds_a_secret_in_the_history(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    remote_pots.fill_in(pot, 1883)
    key = private.read(pot).key.hex()
    git(pot, "init", "-q")
    git(pot, "add", ".")
    git(pot, "commit", "-q", "-m", "first")
    assert cli.main(["check", str(pot)]) == 0
    assert private.in_history(pot) == []
    notes = pot / "notes.txt"
    notes.write_text(f"the key is {key}, do not lose it\n")
    git(pot, "add", ".")
    git(pot, "commit", "-q", "-m", "second")
    notes.unlink()
    git(pot, "commit", "-q", "-a", "-m", "third")
    assert len(private.in_history(pot)) == 2  # where it came and where it went
    assert cli.main(["check", str(pot)]) == 2
    shown = capsys.readouterr()
    assert "git's history" in shown.out
    assert key not in shown.out + shown.err


def test_a_key_that_was_put_aside_is_looked_for_too(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The way to a new key: nothing of the old one goes into git by itself, or unseen."""
    git(pot, "init", "-q")
    remote_pots.fill_in(pot, 1883)
    (pot / "private.toml").rename(pot / "private-old.toml")
    private.make(pot)
    git(pot, "add", ".")
    assert cli.main(["check", str(pot)]) == 0
    git(pot, "add", "-f", "private-old.toml")
    assert private.in_history(pot) == ["staged"]
    assert cli.main(["check", str(pot)]) == 2
    assert "tracked by git" in capsys.readouterr().out


def test_wherever_git_keeps_it(pot: Path) -> None:
    """In a message, a binary file, a merge, what was amended away, another branch, the index."""
    remote_pots.fill_in(pot, 1883)
    key = private.read(pot).key.hex()
    git(pot, "init", "-q", "-b", "main")
    assert private.in_history(pot) == []  # no commit yet
    git(pot, "add", ".")
    git(pot, "commit", "-q", "-m", "first")

    def found(what: str) -> None:
        assert private.in_history(pot), what
        git(pot, "checkout", "-q", "-f", "main")
        git(pot, "reset", "-q", "--hard", "start")
        for branch in ("side", "other"):
            git(pot, "branch", "-q", "-D", branch) if _has(pot, branch) else None
        git(pot, "reflog", "expire", "--expire=now", "--all")
        assert private.in_history(pot) == []

    git(pot, "tag", "start")
    git(pot, "commit", "-q", "--allow-empty", "-m", f"new key {key}")
    found("message")
    (pot / "dump").write_bytes(b"\0\1\2" + key.encode() + b"\0")
    git(pot, "add", ".")
    git(pot, "commit", "-q", "-m", "dump")
    found("binary")
    (pot / "notes").write_text(key.upper())
    git(pot, "add", ".")
    assert private.in_history(pot) == ["staged"]
    git(pot, "commit", "-q", "-m", "notes")
    git(pot, "rm", "-q", "notes")
    git(pot, "commit", "-q", "--amend", "-m", "without", "--allow-empty")
    found("amended away")
    git(pot, "checkout", "-q", "-b", "side")
    (pot / "notes").write_text(key)
    git(pot, "add", ".")
    git(pot, "commit", "-q", "-m", "notes")
    git(pot, "checkout", "-q", "main")
    found("another branch")
    git(pot, "checkout", "-q", "-b", "other")
    git(pot, "commit", "-q", "--allow-empty", "-m", "other")
    git(pot, "checkout", "-q", "main")
    git(pot, "commit", "-q", "--allow-empty", "-m", "main")
    git(pot, "merge", "-q", "--no-ff", "--no-commit", "other")
    (pot / "notes").write_text(key)
    git(pot, "add", ".")
    git(pot, "commit", "-q", "-m", "merged")
    found("in the merge itself")


def _has(folder: Path, branch: str) -> bool:
    return (folder / ".git" / "refs" / "heads" / branch).exists()


def test_a_history_that_git_does_not_show_is_not_called_clean(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    remote_pots.fill_in(pot, 1883)
    git(pot, "init", "-q")
    (pot / ".git" / "HEAD").write_text("nonsense")
    assert cli.main(["check", str(pot)]) == 2
    assert "may still contain secrets" in capsys.readouterr().out


def test_without_git_or_secrets_there_is_nothing_to_find(pot: Path) -> None:
    assert private.in_history(pot) == []
    assert private.board_files(pot) == {}
    private.make(pot)
    assert private.in_history(pot) == []


def test_what_the_board_gets(pot: Path) -> None:
    secret = remote_pots.fill_in(pot, 1883)
    files = private.board_files(pot)
    assert set(files) == {"/pot/private.json", "/pot/entry.json"}
    record, why = line.decode(files["/pot/private.json"])
    assert record is not None, why
    assert record["key"] == secret.key.hex()
    assert record["broker_port"] == 1883
    assert record["broker_tls"] == 0
    assert record["wifi_name"] == "greenhouse"


def test_a_board_must_be_able_to_know_its_broker(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    remote_pots.fill_in(pot, 8883, tls=True)
    assert cli.main(["check", str(pot)]) == 2
    assert "broker.ca" in capsys.readouterr().out


def test_compiled_files_and_json_hold_none(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = remote_pots.fill_in(pot, 1883)
    assert cli.main(["check", str(pot), "--json", "--out", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr().out
    json.loads(shown)
    written = b"".join(p.read_bytes() for p in (tmp_path / "out").rglob("*") if p.is_file())
    for word in secret.words():
        assert word not in shown
        assert word.encode() not in written
    assert pot_folder.load(pot).problems == []


def test_check_says_what_a_radio_needs(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = pot / "settings.toml"
    text = path.read_text()
    warn_mv = pot_folder.load(pot).settings["battery_warn_mv"]
    assert f"battery_warn_mv = {warn_mv}" in text
    path.write_text("radio_wakes = 1\n" + text)
    assert cli.main(["check", str(pot)]) == 0
    assert "no private.toml" in capsys.readouterr().out
    remote_pots.fill_in(pot, 1883)
    floor_mv = pot_folder.load(pot).limits["radio_mv"]
    text = text.replace(f"battery_warn_mv = {warn_mv}", f"battery_warn_mv = {floor_mv}")
    path.write_text("radio_wakes = 1\n" + text)
    assert cli.main(["check", str(pot)]) == 0
    shown = capsys.readouterr().out
    assert "no warning of a low cell could be sent" in shown
    assert "no private.toml" not in shown


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        # TCP ports are 1 to 65535; WPA2 wants 8 to 63 characters (IEEE 802.11)
        ("[entry]\nport = 0\n", "entry.port: allowed 1 to 65535"),
        ("[entry]\nport = 1\n", ""),
        ("[entry]\nport = 65535\n", ""),
        ("[entry]\nport = 65536\n", "entry.port: allowed 1 to 65535"),
        ('[entry]\ncode = "1234567"\n', "entry.code: allowed 8 to 63 plain letters and digits"),
        ('[entry]\ncode = "12345678"\n', ""),
        ('[entry]\ncode = "12345678é"\n', "entry.code: allowed 8 to 63 plain letters and digits"),
        ('[entry]\ncode = ""\n', ""),
    ],
)
def test_the_ends_of_what_is_allowed(pot: Path, lines: str, says: str) -> None:
    (pot / "private.toml").write_text(f'key = "{"0f" * 32}"\n{lines}', encoding="utf-8")
    if not says:
        assert private.read(pot).key == b"\x0f" * 32
        return
    with pytest.raises(BadInput) as refused:
        private.read(pot)
    assert f"private.toml:3: {says}" in str(refused.value)


def test_what_is_not_there_is_said_with_the_command_that_makes_it(pot: Path) -> None:
    with pytest.raises(BadInput, match=f"not there; make it with wakewell ask {pot} --new-key"):
        private.read(pot)
    nowhere = pot / "nowhere"
    with pytest.raises(BadInput, match=f"{nowhere}: no such folder; give a pot's folder"):
        private.make(nowhere)
    assert not nowhere.exists()


def test_a_pots_own_wi_fi_is_named_after_the_project_and_no_two_are_alike(pot: Path) -> None:
    private.make(pot)
    first = private.read(pot).entry
    (pot / "private.toml").rename(pot / "private-old.toml")
    private.make(pot)
    second = private.read(pot).entry
    assert [len(one["name"]) for one in (first, second)] == [len("wakewell-") + 4] * 2
    assert first["name"].startswith("wakewell-")
    assert (first["name"], first["code"]) != (second["name"], second["code"])
    assert len(first["code"]) == 12


def test_the_way_to_the_host_is_the_one_that_names_it(pot: Path) -> None:
    remote_pots.fill_in(pot, 1883)
    found = private.read(pot).ways()
    assert set(found) == {"broker"}
    assert found["broker"]["port"] == 1883
