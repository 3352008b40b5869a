"""Kept running: units, the container file, signs of life, and the way to another computer."""

from __future__ import annotations

import configparser
import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import test_listen as common
import test_remind
from test_remind import DAY_S, HOUR_S, NOON, Post

from wakewell import cli
from wakewell.pot import private
from wakewell.radio import beats, causes, remind, unit
from wakewell.radio.store import ReportStore
from wakewell.radio.tables import LISTENERS
from wakewell.shipped import CAFE

ROOT = Path(__file__).resolve().parents[2]
PAGE = Path(unit.__file__).with_name("RUNNING.md")
PEOPLE = '[owner]\napprise = ["json://owner"]\n[maker]\napprise = ["json://maker"]\n'
HARDENED = {
    "NoNewPrivileges": "yes", "LockPersonality": "yes", "RestrictNamespaces": "yes",
    "RestrictRealtime": "yes", "RestrictSUIDSGID": "yes", "SystemCallArchitectures": "native",
    "SystemCallFilter": "@system-service", "UMask": "0077", "Restart": "always",
    "RestrictAddressFamilies": "AF_UNIX AF_INET AF_INET6 AF_NETLINK",
}  # fmt: skip


def pots_in(under: Path, *names: str) -> Path:
    """A folder of pots with secrets and known boards."""
    for number, name in enumerate(names):
        folder = under / "pots" / name
        shutil.copytree(CAFE / name, folder, ignore=shutil.ignore_patterns("logs"))
        (folder / "board.toml").write_text(f'id = "0242ac11000{number + 2}"\n')
        path = private.make(folder)
        text = path.read_text().replace('host = ""', 'host = "localhost"', 1)
        text = text.replace(private.read(folder).key.hex(), common.KEY.hex())
        path.write_text(text.replace("tls = true", "tls = false") + PEOPLE)
    return under / "pots"


def parsed(text: str) -> configparser.ConfigParser:
    found = configparser.ConfigParser(interpolation=None, strict=True)
    found.optionxform = str  # type: ignore[assignment,method-assign]
    found.read_string(text)
    return found


def words_of(command: str) -> list[str]:
    """The words of an ExecStart (systemd.service, systemd.syntax), from memory."""
    return [word.replace("%%", "%").replace("$$", "$") for word in shlex.split(command)]


def test_a_unit_runs_the_very_command_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pots_in(tmp_path, "basil")
    monkeypatch.chdir(tmp_path)
    commands = {
        "listen": ["listen", "pots/basil", "--page", 'my "pages" 100% $HOME; #\\'],
        "remind": ["remind", "pots/basil", "--every", "15m"],
        "keep": ["keep", "copies", "pots/basil", "--every", "1d"],
    }
    for name, words in commands.items():
        assert cli.main([*words, "--unit"]) == 0
        text = capsys.readouterr().out
        found = parsed(text)
        service = dict(found["Service"])
        assert words_of(service["ExecStart"]) == [sys.executable, "-m", "wakewell", *words]
        assert service["WorkingDirectory"] == str(tmp_path)
        assert service.items() >= HARDENED.items()
        assert found["Install"]["WantedBy"] == "default.target"
        assert found["Unit"]["StartLimitIntervalSec"] == "0"
        assert service["Type"] == ("notify" if name == "listen" else "exec")
        (tmp_path / f"wakewell-{name}.service").write_text(text)
    assert not (tmp_path / "copies").exists()
    program = shutil.which("systemd-analyze")
    if program is None:
        return  # the lines themselves were looked at above
    around = os.environ | {"XDG_RUNTIME_DIR": str(tmp_path)}
    for name in commands:
        file = str(tmp_path / f"wakewell-{name}.service")
        for call in (["verify", file], ["security", "--offline=true", "--threshold=67", file]):
            words = [program, "--user", "--no-pager", *call]
            done = subprocess.run(words, capture_output=True, text=True, env=around)
            assert done.returncode == 0, done.stdout[-300:] + done.stderr
            assert "ignoring" not in done.stderr


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["remind", "pots/basil", "--unit"], "give --every too"),
        (["keep", "copies", "pots/basil", "--unit"], "give the pots and --every too"),
        (["keep", "copies", "--every", "1d", "--unit"], "give the pots and --every too"),
        (["listen", "pots/none", "--unit"], "not the folder of a pot"),
    ],
)
def test_a_unit_that_could_not_work_is_not_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], why: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    pots_in(tmp_path, "basil")
    monkeypatch.chdir(tmp_path)
    assert cli.main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert why in shown.err


def test_a_sign_of_life_for_systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        unit.alive(unit.STARTED)
        unit.alive()
        assert [s.recv(99), s.recv(99)] == [b"READY=1", b"WATCHDOG=1"]
    unit.alive()  # nobody there any more
    monkeypatch.delenv("NOTIFY_SOCKET")
    unit.alive()


def test_the_container_file_takes_what_is_there_and_no_secret() -> None:
    """Not built: what it copies is there, what it installs is an extra, root does not run it."""
    text = (ROOT / "tools" / "Containerfile").read_text()
    rows = [row.split(maxsplit=1) for row in text.splitlines() if row and row[0] not in "#& "]
    kinds = [row[0] for row in rows]
    assert kinds[0] == "FROM"
    assert set(kinds) <= {
        "FROM", "COPY", "RUN", "ARG", "USER", "ENV", "WORKDIR", "VOLUME", "STOPSIGNAL",
        "ENTRYPOINT", "CMD",
    }  # fmt: skip
    assert kinds.index("USER") < kinds.index("ENTRYPOINT")
    for kind, rest in rows:
        if kind == "COPY":
            for name in rest.split()[:-1]:
                assert (ROOT / name).exists(), name
                assert "private" not in name
    extras = re.search(r"\[([a-z,]+)\]", text)
    assert extras is not None
    project = (ROOT / "pyproject.toml").read_text()
    assert all(f"\n{name} = [" in project for name in extras[1].split(","))


# When nobody listens


def test_nobody_listens_and_the_maker_is_told_once_for_all_pots(tmp_path: Path) -> None:
    store, post = ReportStore(tmp_path / "db"), Post()
    pots = [test_remind.pot(tmp_path), test_remind.pot(tmp_path)]
    pots[1].board = "0242ac110003"
    test_remind.tell(store, 1, NOON - HOUR_S, needs=[], lockouts=[], values={})
    signs = beats.Beats(store, "here")

    def round_at(now: float) -> list[str]:
        post.now, before = now, len(post.sent)
        remind.go_round(store, pots, post, now)
        return [f"{to[0]} {title}" for _, to, title, _ in post.sent[before:]]

    assert round_at(NOON - 60) == [], "no listener ever left a sign: nothing is known"
    signs.beat(NOON)
    signs.beat(NOON + 30)  # not yet a minute
    assert beats.listening(store) == beats.Listening(int(NOON))
    assert round_at(NOON + 600) == []
    (told,) = round_at(NOON + HOUR_S)
    assert told.startswith("json://maker Wakewell: no pot can be heard since Monday 4 May, 12:00")
    assert round_at(NOON + 2 * HOUR_S) == []
    assert len(round_at(NOON + 25 * HOUR_S)) == 1, "once a day"
    signs = beats.Beats(store, "here")  # started again
    signs.beat(NOON + 3 * DAY_S)
    test_remind.tell(store, 2, NOON + 3 * DAY_S, needs=[], lockouts=[], values={})
    said = []
    for hour in (1, 3, 30, 40):
        with store.engine.begin() as c:  # a sign each minute, up to then
            c.execute(LISTENERS.update().values(beat_at=NOON + 3 * DAY_S + hour * HOUR_S))
        said += round_at(NOON + 3 * DAY_S + hour * HOUR_S)
    (told,) = [text for text in said if "could be heard" in text]
    assert "from Monday 4 May, 12:00 to Thursday 7 May, 12:00" in told


def test_a_silent_pot_is_not_blamed_for_a_listener_that_was_away(tmp_path: Path) -> None:
    store, where, post = ReportStore(tmp_path / "db"), test_remind.pot(tmp_path), Post()
    test_remind.tell(store, 1, NOON, needs=[], lockouts=[], values={})
    beats.Beats(store, "here").beat(NOON + HOUR_S)
    for hours, silent in ((60, False), (70, False), (24 * 3 + 60, True)):
        done = remind.go_round(store, [where], None, NOON + hours * HOUR_S)
        keys = {cause.key for _, cause, _ in done.open}
        assert causes.UNHEARD in keys
        assert (causes.SILENT in keys) == silent, hours
    assert post.sent == []


def test_signs_of_several_listeners_and_a_clock_set_back(tmp_path: Path) -> None:
    store = ReportStore(tmp_path / "db")
    one, other = beats.Beats(store, "one"), beats.Beats(store, "other")
    one.beat(NOON)
    other.beat(NOON + HOUR_S)
    assert beats.listening(store).down_to == NOON + HOUR_S
    one.beat(NOON + HOUR_S + 60)
    assert not beats.listening(store).is_down(NOON + HOUR_S + 120), "one of them is enough"
    back = beats.Beats(store, "one")
    back.beat(NOON - 9 * DAY_S)
    assert beats.listening(store).unheard_s(NOON - 10 * DAY_S, NOON - 9 * DAY_S) == 0


def test_a_listener_leaves_signs_only_while_it_would_hear(tmp_path: Path) -> None:
    import threading

    from wakewell.radio import listen
    from wakewell.radio.waiting import Waiting

    desk, until, seen = common.Desk(tmp_path / "basil"), threading.Event(), list[float]()

    class Away(Waiting):
        rounds = 0

        def hears(self) -> bool:
            return self.rounds > 3

        def batch(self, wait_s: float) -> list[Any]:
            self.rounds += 1
            if self.rounds == 6:
                until.set()
            return []

    away = Away()

    def turn() -> None:
        listen.sign(desk.listener, away, lambda now: seen.append(away.rounds))

    listen.listen(desk.listener, away, until, tmp_path, turn)
    assert seen == [4, 5]


# To another computer, by the page's own lines


def blocks(heading: str) -> list[str]:
    """The commands below a heading of the page."""
    part = PAGE.read_text().split(f"## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"```sh\n(.*?)```", part, re.S)


STUB = '#!/bin/sh\necho "$(basename "$0") $*" >> "$STUBS"\n'


def typed(block: str, at: Path, home: Path, stubs: Path) -> None:
    """Type these lines there, one after another, each with exit code 0."""
    around = {
        "PATH": f"{stubs}:{Path(sys.executable).parent}:/usr/bin:/bin", "HOME": str(home),
        "STUBS": str(stubs / "said"), "NEW": str(home.parent / "new"), "LANG": "C.UTF-8",
    }  # fmt: skip
    done = subprocess.run(
        ["bash", "-euc", block], cwd=at, env=around, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_way_to_another_computer_typed_as_it_stands(tmp_path: Path) -> None:
    """What stands in for systemctl, loginctl and scp notes how it was called; scp copies."""
    stubs = tmp_path / "stubs"
    for folder in ("stubs", "old", "new", "home"):
        (tmp_path / folder).mkdir()
    for name in ("systemctl", "loginctl", "scp"):
        more = 'cp -r "$2" "$NEW"\n' if name == "scp" else ""
        (stubs / name).write_text(STUB + more)
        (stubs / name).chmod(0o755)
    pots = pots_in(tmp_path / "old", "basil", "mint")
    store = ReportStore(pots / "heard.db", {common.BOARD: pots / "basil"})
    desk = common.Desk(pots / "basil", pots / "heard.db")
    desk.listener.keys[common.BOARD] = common.KEY
    desk.hear(common.pack(common.LINES[:20]))
    store.close()
    old, new = blocks("To another computer")
    typed(old, tmp_path / "old", tmp_path / "home", stubs)
    typed(new, tmp_path / "new", tmp_path / "home", stubs)
    there = tmp_path / "new" / "pots"
    assert ReportStore(there / "heard.db").lines(common.BOARD) == common.LINES[:20]
    for name in ("basil", "mint"):
        assert private.read(there / name) == private.read(pots / name)
    units = tmp_path / "home" / ".config" / "systemd" / "user"
    service = parsed((units / "wakewell-listen.service").read_text())["Service"]
    assert service["WorkingDirectory"] == str(tmp_path / "new")
    assert words_of(service["ExecStart"])[3:] == ["listen", "pots/basil/", "pots/mint/"]
    said = (stubs / "said").read_text().splitlines()
    assert said[0].startswith("systemctl --user disable --now wakewell-listen")
    assert said[-2:] == [
        "systemctl --user enable --now wakewell-listen wakewell-remind wakewell-keep",
        "loginctl enable-linger",
    ]
