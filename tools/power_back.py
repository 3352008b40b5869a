"""The power is back in a whole town: so many boards report within a minute. Who is answered when?

    python tools/power_back.py [--boards 10000] [--listeners 2] [--lines 4] [--within 60] [--kill]
                               [--follow]

Real `wakewell listen` processes share one PostgreSQL and one Mosquitto, all on this computer; the
boards' messages are made here. A board without an answer tells again each minute, for ten minutes
at most. --kill ends one listener with SIGKILL in the middle. Then every line is counted: it must be
in the database once, have one row of readings if it is a wake, and stand in its log file once. Exit
code 1: a board without an answer, a line lost or doubled. Needs the test extra and Mosquitto.
Nothing here is a test; tests/radio tries a dozen boards.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from importlib import import_module
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / part) for part in ("host", "device", "tests", "tests/radio")]

import sqlalchemy as sa  # noqa: E402

from wakeboard import heard, senml  # noqa: E402
from wakewell.pot import private  # noqa: E402
from wakewell.pot.description import PRIVATE  # noqa: E402
from wakewell.radio import broker, homes  # noqa: E402

makelog, mosquitto, postgres = map(import_module, ("makelog", "mosquitto", "postgres"))
MOST_S = 600.0  # until all are answered
AGAIN_S = 60.0  # until a board that has no answer tells again
PATIENCE_S = 20.0  # of a board, before it goes to sleep and tries at its next wake
NONCE = "0011223344556677"


class Town:
    """The boards: what each tells, and when each was answered."""

    def __init__(self, folder: Path, count: int, lines: list[bytes], port: int) -> None:
        self.boards = [f"0242{number:08x}" for number in range(count)]
        self.keys = {board: board.encode().ljust(32, b"-") for board in self.boards}
        self.lines = lines
        self.told: dict[str, float] = {}
        self.first: dict[str, float] = {}
        self.answered: dict[str, float] = {}
        for board in self.boards:
            pot = folder / board
            (pot / homes.LOGS).mkdir(parents=True)
            (pot / "board.toml").write_text(f'id = "{board}"\n')
            (pot / PRIVATE).write_text(
                f'key = "{self.keys[board].hex()}"\n[broker]\nhost = "localhost"\nport = {port}\n'
                f'tls = false\nuser = "{mosquitto.USER}"\npassword = "{mosquitto.WORD}"\n'
            )
        self.folder = folder
        self.secret = private.read(folder / self.boards[0])
        self.client = broker.client(self.secret, "town")
        self.client.max_inflight_messages_set(1000)
        self.ready = threading.Event()
        self.client.on_connect = lambda c, *_: c.subscribe("wakewell/+/heard", 1)
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = self._hear
        broker.connect(self.client, self.secret, folder / self.boards[0])
        self.client.loop_start()
        self.ready.wait()

    def _hear(self, _: Any, __: Any, message: Any) -> None:
        board = message.topic.split("/")[1]
        answer, _why = heard.acknowledged(message.payload, self.keys[board], board, 1, NONCE)
        if answer is not None:
            self.answered.setdefault(board, time.monotonic())

    def tell(self, board: str) -> None:
        """It reports all its lines."""
        body, at = senml.head(board, 1, NONCE, {"asked": 0}), 0
        for data in self.lines:
            body += senml.log_line(1, at, data)
            at += len(data) + 1
        sealed = bytes(senml.close(body, self.keys[board]))
        self.told[board] = time.monotonic()
        self.first.setdefault(board, self.told[board])
        self.client.publish(f"wakewell/{board}/report", sealed, qos=1)

    def silent(self) -> list[str]:
        """Those without an answer."""
        return [board for board in self.boards if board not in self.answered]


def started(town: Town, url: str, number: int) -> subprocess.Popen[str]:
    """A listener that begins to hear the town."""
    pots = [str(town.folder / board) for board in town.boards]
    with (town.folder / f"listener{number}").open("w") as said:
        return subprocess.Popen(
            [sys.executable, "-m", "wakewell", "listen", *pots, "--database", url],
            stdout=subprocess.PIPE, stderr=said, text=True,
        )  # fmt: skip


def hears(listener: subprocess.Popen[str]) -> None:
    """Wait until it says so."""
    assert listener.stdout is not None
    if not listener.stdout.readline().startswith("listening"):
        raise SystemExit("a listener did not start")


def counted(town: Town, url: str) -> dict[str, int]:
    """Lines in the database, rows of readings, lines in log files; those that stand twice."""
    engine = sa.create_engine(url)
    with engine.connect() as c:
        kept = c.scalar(sa.text("SELECT COUNT(*) FROM lines")) or 0
        rows = c.scalar(sa.text("SELECT COUNT(*) FROM readings")) or 0
    engine.dispose()
    laid = doubled = 0
    for board in town.boards:
        for path in (town.folder / board / homes.LOGS).glob("*.jsonl"):
            found = path.read_bytes().splitlines()
            laid += len(found)
            doubled += len(found) - len(set(found))
    return {"lines": kept, "readings": rows, "in_files": laid, "doubled": doubled}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    for name, usual, text in (
        ("--boards", 10_000, "how many boards report; default: 10000"),
        ("--listeners", 2, "how many listeners share them; default: 2"),
        ("--lines", 4, "lines of its log that each board tells; default: 4"),
        ("--within", 60.0, "seconds in which all boards begin to report; default: 60"),
    ):
        parser.add_argument(name, type=type(usual), default=usual, help=text)
    parser.add_argument(
        "--kill", action="store_true", help="kill one listener when half of the boards have told"
    )
    parser.add_argument(
        "--follow",
        action="store_true",
        help="print each second how many have no answer yet; default: only on a terminal",
    )
    asked = parser.parse_args()
    made = makelog.log_lines(makelog.play(makelog.wakes(asked.lines)))
    lines = [data.rstrip(b"\n") for data in made][: asked.lines]
    wakes = sum(data.startswith(b'{"kind":"wake"') for data in lines)
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory() as place:
        server, here = mosquitto.Broker(Path(name) / "broker"), Path(name) / "town"
        database = postgres.Server(Path(place))
        # The broker of the tests writes all it knows to the disk at each message; 30 min is usual
        conf = (server.folder / "conf").read_text().replace("autosave_on_changes true", "")
        (server.folder / "conf").write_text(conf.replace("interval 1\n", "interval 1800\n"))
        server.start()
        database.start()
        listeners: list[subprocess.Popen[str]] = []
        try:
            here.mkdir()
            town = Town(here, asked.boards, lines, server.port)
            listeners += [started(town, database.url, n) for n in range(asked.listeners)]
            for each in listeners:
                hears(each)
            begun = time.monotonic()
            if asked.follow:
                print("all listen", file=sys.stderr)
            for number, board in enumerate(town.boards):
                town.tell(board)
                ahead_s = begun + asked.within * number / asked.boards - time.monotonic()
                if ahead_s > 0:
                    time.sleep(ahead_s)
                if asked.kill and number == asked.boards // 2:
                    listeners.pop().kill()
            while (silent := town.silent()) and time.monotonic() < begun + MOST_S:
                for board in silent:
                    if time.monotonic() - town.told[board] > AGAIN_S:
                        town.tell(board)
                if sys.stderr.isatty() or asked.follow:
                    told_s = time.monotonic() - begun
                    print(f"{told_s:.0f} s: {len(silent)} without an answer", file=sys.stderr)
                time.sleep(1.0)
            waits = [at - town.first[board] for board, at in town.answered.items()]
            found = counted(town, database.url)
            wanted = {
                "lines": asked.boards * len(lines), "readings": asked.boards * wakes,
                "in_files": asked.boards * len(lines), "doubled": 0,
            }  # fmt: skip
            told = {
                "boards": asked.boards, "listeners": asked.listeners, "killed": int(asked.kill),
                "answered": len(waits), "all_answered_s": round(max(waits, default=0.0), 1),
                "median_s": round(statistics.median(waits or [0.0]), 2),
                "within_patience": sum(wait <= PATIENCE_S for wait in waits),
                "from_the_first_s": round(max(town.answered.values(), default=begun) - begun, 1),
                **found,
            }  # fmt: skip
            print(json.dumps(told))
            town.client.disconnect()
            town.client.loop_stop()
            return 0 if not silent and found == wanted else 1
        finally:
            for each in listeners:
                each.terminate()
                each.communicate()
            server.kill()
            database.kill()


if __name__ == "__main__":
    sys.exit(main())
