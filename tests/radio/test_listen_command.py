"""`wakewell listen` as a person starts it: heard and kept, or one line that says why not."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import mosquitto
import pytest
import remote_pots
import test_listen as common

import waiting
from wakewell import cli
from wakewell.errors import BadInput
from wakewell.pot import private
from wakewell.radio import broker
from wakewell.radio.store import ReportStore
from wakewell.shipped import CAFE

BOARD = remote_pots.BOARD


def start(folder: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "wakewell", "listen", str(folder), *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_started_and_stopped(server: mosquitto.Broker, pot: Path) -> None:
    secret = private.read(pot)
    process = start(pot, "--for", "86400")
    assert process.stdout is not None
    assert "listening to basil" in process.stdout.readline()
    topic = f"wakewell/{BOARD}/report"
    broker.publish(secret, pot, topic, common.pack(common.LINES[:5], 1, secret.key), False)
    broker.publish(secret, pot, topic, b"not ours", False)
    path = pot / "logs" / "00000001.jsonl"
    waiting.until(
        lambda: path.exists() and path.read_bytes() == common.whole(common.LINES[:5]),
        alive=waiting.running(process),
    )
    broker.publish(secret, pot, topic, common.pack(common.LINES[:9], 2, secret.key), False)
    waiting.until(
        lambda: path.read_bytes() == common.whole(common.LINES[:9]),
        alive=waiting.running(process),
    )
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate()
    assert process.returncode == 0, err
    assert "heard 2 reports, 9 new lines; dropped 1" in out
    assert err.count("\n") == 2
    assert "basil: heard, 5 lines" in err
    assert "no tag" in err
    assert all(word not in out + err for word in secret.words())


def test_killed_over_and_over_while_boards_tell(server: mosquitto.Broker, pot: Path) -> None:
    """The real command, ended with SIGKILL wherever it is, time and again: each line once."""
    mosquitto.needed()
    secret, pick = private.read(pot), random.Random(5)
    path = pot / "logs" / "00000001.jsonl"
    told = [common.pack(common.LINES[n : n + 2], n + 1, secret.key) for n in range(0, 40, 2)]
    for at in range(0, 20, 4):
        process = start(pot, "--for", "86400")
        assert process.stdout is not None
        assert "listening" in process.stdout.readline()
        # Each twice, as from a board whose answer was lost
        common.flood(secret, pot, [data for data in told[at : at + 4] for _ in range(2)])
        time.sleep(pick.random() * 0.03)
        process.kill()
        process.communicate()
    process = start(pot, "--for", "86400")
    assert process.stdout is not None
    assert "listening" in process.stdout.readline()
    waiting.until(
        lambda: path.exists() and len(path.read_bytes().splitlines()) == 40,
        alive=waiting.running(process),
    )
    process.terminate()
    out, err = process.communicate()
    assert process.returncode == 0, out + err
    assert path.read_bytes() == common.whole(common.LINES)
    store = ReportStore(pot.parent / "heard.db")
    assert store.lines(BOARD) == common.LINES
    store.close()


def test_started_twice_and_twice_for_two_databases(
    server: mosquitto.Broker, pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = private.read(pot)
    first = start(pot, "--for", "86400")
    other = start(pot, "--for", "86400", "--database", str(tmp_path / "other.db"))
    for process in (first, other):
        assert process.stdout is not None
        assert "listening" in process.stdout.readline()
    assert cli.main(["listen", str(pot), "--for", "1"]) == 2
    assert "another wakewell listen" in one_line(capsys)
    common.flood(secret, pot, [common.pack(common.LINES[:20], 1, secret.key)])
    for process, where in ((first, pot.parent / "heard.db"), (other, tmp_path / "other.db")):
        store = ReportStore(where)
        waiting.until(
            lambda: len(store.lines(BOARD)) == 20,  # noqa: B023
            alive=waiting.running(process),
        )
        assert store.lines(BOARD) == common.LINES[:20]
        store.close()
    for process in (first, other):
        process.terminate()
        process.communicate()
        assert process.returncode == 0
    assert (pot / "logs" / "00000001.jsonl").read_bytes() == common.whole(common.LINES[:20])


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    error = capsys.readouterr().err
    assert error.count("\n") == 1, error
    return error


def test_input_that_cannot_be_used(
    server: mosquitto.Broker, pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["listen", str(tmp_path / "nowhere")]) == 2
    assert "not the folder of a pot" in one_line(capsys)
    assert cli.main(["listen", str(pot), str(pot)]) == 2
    assert "the same board" in one_line(capsys)
    assert cli.main(["listen", str(pot), "--database", str(tmp_path / "no" / "x.db")]) == 2
    assert "no database" in one_line(capsys)
    server.kill()
    assert cli.main(["listen", str(pot), "--for", "1"]) == 2
    assert "no connection" in one_line(capsys)
    path = pot / "private.toml"
    text = path.read_text()
    path.write_text(text.replace('host = "localhost"', 'host = ""'))
    assert cli.main(["listen", str(pot)]) == 2
    assert "broker.host is empty" in one_line(capsys)
    path.unlink()
    assert cli.main(["listen", str(pot)]) == 2
    assert "--new-key" in one_line(capsys)


def test_a_certificate_of_nobody_known(
    tmp_path: Path, pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server = mosquitto.Broker(tmp_path / "secure", tls=True)
    server.start()
    try:
        path = pot / "private.toml"
        path.unlink()
        remote_pots.fill_in(pot, server.port, tls=True)
        assert cli.main(["listen", str(pot), "--for", "1"]) == 2
        assert "TLS" in one_line(capsys)
    finally:
        server.kill()


def test_its_own_broker_for_a_first_try(tmp_path: Path) -> None:
    """Nothing installed but the extra: started, told, heard; a wrong password hears nothing."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text(f'id = "{BOARD}"\n')
    secret = remote_pots.fill_in(folder, mosquitto.free_port())
    process = start(folder, "--own-broker", "--for", "86400")
    assert process.stdout is not None
    assert "listening to basil" in process.stdout.readline()
    topic = f"wakewell/{BOARD}/report"
    stranger = replace(secret, broker=secret.broker | {"password": "guessed"})
    with pytest.raises(BadInput, match=r"broker"):
        broker.publish(stranger, folder, topic, b"hello", False)
    broker.publish(secret, folder, topic, common.pack(common.LINES[:5], 1, secret.key), False)
    path = folder / "logs" / "00000001.jsonl"
    waiting.until(
        lambda: path.exists() and path.read_bytes() == common.whole(common.LINES[:5]),
        alive=waiting.running(process),
    )
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate()
    assert process.returncode == 0, err
    assert "heard 1 reports, 5 new lines; dropped 0" in out
    assert "Traceback" not in err
    assert all(word not in out + err for word in secret.words())
