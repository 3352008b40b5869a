"""Another key over the air: the exchange by its standard, and no moment without a valid key."""

from __future__ import annotations

import itertools
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import remote_pots
import test_listen as common
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey

from wakeboard import files as board_files
from wakeboard import heard, mqtt, newkey, radio
from wakeboard.store import PotFiles as BoardStore
from wakecore import line
from wakewell import cli
from wakewell.deskboard import DeskBoard, why_not
from wakewell.deskboard.image import make_image, read_image
from wakewell.errors import BadInput
from wakewell.pot import pot_folder, private
from wakewell.radio import ask, homes, listen, posted
from wakewell.radio import newkey as host
from wakewell.radio.store import ReportStore
from wakewell.radio.waiting import Message
from wakewell.shipped import CAFE
from wakewell.usb import payload

BOARD = common.BOARD
LINES = common.LINES
# RFC 7748, section 5.2, first test vector
SCALAR = "a546e36bf0527c9d3b16154b82465edd62144c0ac1fc5a18506a2244ba449ac4"
POINT = "e6db6867583030db3594c1a424b15f7c726624ec26b3353b10a903a6d0ab1c4c"
MADE = "c3da55379de9c6908e94ea4df28d084f32eccf03491c71f754b4075577a28552"


def test_the_exchange_is_that_of_the_standard() -> None:
    """Against RFC 7748 and against the library cryptography."""
    assert newkey.x25519(bytes.fromhex(SCALAR), bytes.fromhex(POINT)).hex() == MADE
    for number in range(8):
        secret = bytes((number * 37 + i * 11) % 256 for i in range(32))
        ours = newkey.x25519(secret, newkey.BASE)
        theirs = X25519PrivateKey.from_private_bytes(secret)
        assert ours == theirs.public_key().public_bytes_raw()
        other = X25519PrivateKey.generate()
        shared = newkey.x25519(secret, other.public_key().public_bytes_raw())
        assert shared == other.exchange(X25519PublicKey.from_public_bytes(ours))
    assert (
        newkey.agreed(bytes(32), newkey.x25519(SCALAR.encode()[:32], bytes(32)), b"", b"") is None
    )


class Board:
    """What a talk needs of a board: its files, its name, its clock."""

    def __init__(self, root: Path) -> None:
        self.store_, self.trust, self.vain = BoardStore(str(root)), 1, 0
        self.version = "0123456789ab-01234567"

    def utc(self) -> list[int]:
        return [9500, 0, 1]

    def identity(self) -> str:
        return BOARD

    def set_utc(self, day: int, second: int) -> None: ...

    def chip_s(self) -> int:
        return 0

    def move_clock(self, to_s: int) -> None: ...

    def proved(self) -> None: ...


class Wlan:
    def ifconfig(self) -> tuple[str, str, str, str]:
        return ("", "", "", "127.0.0.1")


class Home:
    """A board's files, a pot's folder, and a listener between them, without a network."""

    def __init__(self, under: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.root = under / "basil", under / "board"
        shutil.copytree(CAFE / "basil", self.folder, ignore=shutil.ignore_patterns("logs"))
        (self.folder / "board.toml").write_text(f'id = "{BOARD}"\n')
        remote_pots.fill_in(self.folder, 1)
        (self.root / "log").mkdir(parents=True)
        for kind, data in pot_folder.load(self.folder).lines.items():
            (self.root / f"{kind}.json").write_bytes(data)
        (self.root / "private.json").write_bytes(private.read(self.folder).board_line())
        self.retained = b""
        self.is_cut = False  # does the connection break before the first report under a new key?
        self.said: list[str] = []
        self.wakes = 0
        self.restart()
        monkeypatch.setattr(radio, "join", lambda private: Wlan())
        monkeypatch.setattr(radio, "leave", lambda wlan: None)
        monkeypatch.setattr(radio, "brokered", lambda private, root, talk, server: Link(self, talk))

    def restart(self) -> None:
        """The listener, from what it left."""
        self.answers: list[tuple[str, bytes]] = []
        found = listen.folders_of([str(self.folder)])
        folders = {BOARD: self.folder}
        store = ReportStore(
            self.folder.parent / "heard.db", folders, {BOARD: homes.marks(self.folder)}
        )
        keys = {board: secret.key for board, (_, secret) in found.items()}
        self.listener = listen.Listener(keys, store, self.post, self.said.append)
        self.listener.next_keys = host.waiting(folders.items())

    def post(self, topic: str, payload: bytes) -> None:
        if not topic.endswith("heard"):
            assert payload == b""
            self.retained = b"" if topic.endswith("asked") else self.retained
        else:
            self.answers.append((topic, payload))

    def ask(self) -> bytes:
        """`ask --replace-key`, up to the broker."""
        _, self.retained = ask.another_key(self.folder, 7)
        return self.retained

    def report(self) -> bool:
        """A wake with its line of the log, and its report."""
        with (self.root / "log" / "00000001.jsonl").open("ab") as log:
            log.write(LINES[self.wakes] + b"\n")
        self.wakes += 1
        return radio.report(Board(self.root), self.wakes)

    def keys(self) -> tuple[str, str]:
        """(the board's, the folder's)."""
        record, why = line.decode((self.root / "private.json").read_bytes())
        assert record is not None, why
        assert record["wifi_name"] == "greenhouse"
        return str(record["key"]), private.read(self.folder).key.hex()


class Link:
    """The broker and the listener: what is retained comes first, then the answer to a report."""

    def __init__(self, home: Home, talk: Any) -> None:
        self.home, self.talk = home, talk
        if home.retained:
            talk.received(f"wakewell/{BOARD}/asked".encode(), home.retained)

    def publish(self, topic: str, pieces: list[bytes]) -> None:
        home = self.home
        if home.is_cut and self.talk.rekeyed:
            raise mqtt.Gone(104)
        home.answers.clear()  # nobody waited for it
        home.listener.deal([Message(topic, b"".join(pieces))], common.NOW)

    def next(self) -> None:
        if not self.home.answers:
            raise mqtt.Gone(110)
        place, data = self.home.answers.pop()
        self.talk.received(place.encode(), data)

    def close(self) -> None: ...


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    return Home(tmp_path, monkeypatch)


def kept_once(home: Home) -> None:
    """Every line of the board's log is in the database and in the log's file, once."""
    text = (home.root / "log" / "00000001.jsonl").read_bytes()
    assert home.listener.store.lines(BOARD) == text.splitlines()
    assert (home.folder / "logs" / "00000001.jsonl").read_bytes() == text


def test_a_key_is_replaced_while_the_old_one_works(home: Home) -> None:
    old = private.read(home.folder)
    assert home.report()
    message = home.ask()
    assert "asked for, not heard of" in host.shown(home.folder)
    with pytest.raises(BadInput, match="a new key is on its way"):
        ask.message(home.folder, {"dose_ml": 61}, 7)
    assert posted.newest_asked(home.folder) == message
    assert home.report()  # takes the message, and tells its half
    assert home.keys() == (old.key.hex(), old.key.hex())
    assert "agreed on" in host.shown(home.folder)
    home.restart()
    assert home.report()  # is answered under the new key, and reports under it
    (on_board, here), new = home.keys(), private.read(home.folder)
    assert on_board == here == new.key.hex() != old.key.hex()
    assert (new.wifi, new.broker, new.entry) == (old.wifi, old.broker, old.entry)
    assert not (home.root / "key.json").exists()
    assert not (home.folder / host.FILE).exists()
    assert home.retained == posted.newest_asked(home.folder) == b""
    assert home.report()
    kept_once(home)
    # What the old key sealed is a stranger's now, here and there.
    bad = home.listener.bad
    home.listener.deal(
        [Message(f"wakewell/{BOARD}/report", common.pack(LINES[:1], 99, old.key))], common.NOW
    )
    assert home.listener.bad == bad + 1
    (copy,) = home.folder.glob("private-until-*.toml")
    assert private.read(home.folder, copy.name).key == old.key
    assert copy.stat().st_mode & 0o77 == 0
    assert ask.message(home.folder, {"dose_ml": 61}, 7)[0] == 2  # the number of a key counts too
    # Lines that the old key sealed still belong to this home, and not one message was refused.
    home.restart()
    home.listener.store.export()
    kept_once(home)
    assert home.listener.store.pots()[BOARD].told["refused"] == 0
    assert "share" not in home.listener.store.pots()[BOARD].told


def test_nobody_who_reads_along_learns_it(home: Home) -> None:
    """Not even with the old key: what goes over the air are two halves, never the key."""
    seen: list[bytes] = [home.ask()]
    deal = home.listener.deal

    def reading(messages: list[Message], now: float) -> None:
        seen.extend(message.payload for message in messages)
        deal(messages, now)
        seen.extend(data for _, data in home.answers)

    home.listener.deal = reading  # type: ignore[method-assign]
    for _ in range(3):
        assert home.report()
    new = home.keys()[0]
    assert new == home.keys()[1]
    air = b"\n".join(seen)
    assert new.encode() not in air
    assert b'"share"' in air


@pytest.mark.parametrize("what", ["forged", "other board", "past", "zero", "short"])
def test_what_is_no_such_message_changes_nothing(home: Home, what: str) -> None:
    share = X25519PrivateKey.generate().public_key().public_bytes_raw()
    data = newkey.make(
        bytes(32) if what == "forged" else private.read(home.folder).key,
        "0242ac110003" if what == "other board" else BOARD,
        9,
        (9000 if what == "past" else 20000, 0),
        10**6,
        {"zero": bytes(32), "short": share[:31]}.get(what, share),
    )
    home.retained, keys = bytes(data), home.keys()
    for _ in range(2):
        assert home.report()
    assert home.keys() == keys
    assert not (home.root / "key.json").exists()
    told = home.listener.store.pots()[BOARD].told
    assert told["refused"] == 1 or told["answer"] == "refused: its half of a key is not valid"


def test_halves_of_another_message_are_not_taken(home: Home) -> None:
    """A report of an earlier exchange, sent again, makes no key that the board does not have."""
    home.ask()
    home.report()
    change = host.read(home.folder)
    assert change is not None
    share = X25519PrivateKey.generate().public_key().public_bytes_raw().hex()
    for n, half in ((change.n + 1, share), (change.n, share[:-2]), (change.n, 7), (None, share)):
        assert host.agree(home.folder, n, half) is None
    assert host.read(home.folder) == change
    assert home.report()
    assert home.keys()[0] == home.keys()[1]


class PowerCut(BaseException):
    """No code may catch it."""


def test_the_power_fails_at_every_write_of_the_exchange(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the board, while it takes the message and while it goes over to the new key: afterwards
    it reports, and both sides end with one key, and every line is kept once."""
    seen: set[bool] = set()
    for cut_at in itertools.count(1):
        half = cut_at % 2
        home = Home(tmp_path / str(cut_at), monkeypatch)
        home.report()
        old = home.keys()[0]
        home.ask()
        left = [cut_at]

        def cutting(real: Any, left: list[int] = left, half: int = half) -> Any:
            def done(*words: Any) -> Any:
                left[0] -= 1
                if left[0]:
                    return real(*words)
                if half and real.__name__ == "write_bytes":
                    Path(words[0]).write_bytes(words[1][: len(words[1]) // 2])
                elif half:
                    real(*words)
                raise PowerCut

            return done

        with monkeypatch.context() as patch:
            write = cutting(board_files.write_bytes)
            patch.setattr(board_files, "write_bytes", write)
            patch.setattr(heard, "write_bytes", write)
            patch.setattr(board_files.os, "rename", cutting(board_files.os.rename))
            patch.setattr(newkey.os, "remove", cutting(newkey.os.remove))
            for _ in range(2):
                try:
                    home.report()
                except PowerCut:
                    seen.add(home.keys()[0] == old)
        home.restart()
        for _ in range(3):
            home.report()
        assert home.keys()[0] == home.keys()[1] != old, cut_at
        kept_once(home)
        if left[0] > 0:
            break
    assert cut_at > 8
    assert seen == {True, False}


@pytest.mark.parametrize("at", ["agree", "settle"])
def test_a_listener_that_cannot_store_it_stays_with_both(
    home: Home, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    home.ask()
    with monkeypatch.context() as patch:

        def full(*_: Any, **__: Any) -> None:
            raise BadInput("private.toml: could not be stored: no space left")

        patch.setattr(
            host if at == "agree" else private.kept, "_store" if at == "agree" else "store", full
        )
        for _ in range(3):
            assert home.report()
    assert any("no space left" in text for text in home.said)
    for _ in range(2):
        assert home.report()
    assert home.keys()[0] == home.keys()[1]
    kept_once(home)


def test_by_the_command(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    pot = str(home.folder)
    assert cli.main(["ask", pot, "--replace-key", "--dry-run"]) == 0
    assert "nothing asked" in capsys.readouterr().out
    assert not (home.folder / "asked").exists()
    assert cli.main(["ask", pot, "--replace-key", "dose_ml=61"]) == 2
    text = (home.folder / "private.toml").read_text()
    text = text.replace('host = "localhost"', 'host = ""').replace(
        '#[post]\n#host = ""', '[post]\nhost = "h"'
    )
    (home.folder / "private.toml").write_text(text)
    capsys.readouterr()
    assert cli.main(["ask", pot, "--replace-key", "--json"]) == 0
    (result,) = json.loads(capsys.readouterr().out)["results"]
    assert result["number"] == 1
    assert host.FILE in (home.folder / ".gitignore").read_text()
    assert cli.main(["ask", pot]) == 0
    assert "new key    number 1: asked for" in capsys.readouterr().out
    (home.folder / host.FILE).write_text("{}")
    assert cli.main(["ask", pot]) == 2
    assert "not as ask --replace-key made it" in capsys.readouterr().err


def test_one_whose_time_is_past_hinders_nobody(home: Home) -> None:
    home.ask()
    change = host.read(home.folder)
    assert change is not None
    later = datetime.now(UTC) + timedelta(days=8)
    assert not change.is_open(later)
    assert ask.message(home.folder, {"dose_ml": 61}, 7, later)[0] == 2


@pytest.mark.parametrize("flashed", [False, True])
def test_the_first_report_under_it_is_lost(home: Home, flashed: bool) -> None:
    """Then the board has the new key alone and the host both. A flash of the old one in between is
    heard too, and hinders nobody for longer than the message was good."""
    home.ask()
    home.report()
    old = (home.root / "private.json").read_bytes()
    home.is_cut = True
    home.report()
    home.is_cut = False
    on_board, here = home.keys()
    assert on_board != here
    home.restart()
    if flashed:
        (home.root / "private.json").write_bytes(old)
    assert home.report()
    kept_once(home)
    assert home.keys() == ((here, here) if flashed else (on_board, on_board))
    later = datetime.now(UTC) + timedelta(days=8)
    assert ask.message(home.folder, {"dose_ml": 61}, 7, later)[0] == 2


KEEP = """
import sys
sys.path.insert(0, '/code')
from binascii import hexlify, unhexlify
from wakeboard import newkey, radio
import machine
private = radio.secrets('/pot')
if machine.reset_cause() == machine.DEEPSLEEP_RESET:
    made = newkey.x25519(unhexlify('%s'), unhexlify('%s'))
    print('made', hexlify(made))
    asked = {'n': 3, 'share': '%s'}
    print('taken', newkey.take('/pot', private, asked))
    print('adopted', newkey.adopt('/pot', private, newkey.load('/pot', private)))
else:
    newkey.load('/pot', private)
machine.deepsleep(1000000)
"""


@pytest.mark.skipif(bool(why_not()), reason=str(why_not()))
def test_the_power_fails_at_every_block_of_a_real_file_system(tmp_path: Path) -> None:
    """Old key or new, never none. Method: littlefs, tests/test_powerloss.toml."""
    device = Path(payload.__file__).parents[3] / "device"
    share = X25519PrivateKey.generate().public_key().public_bytes_raw().hex()
    files: dict[str, str | bytes] = {"main.py": KEEP % (SCALAR, POINT, share)}
    for package in ("wakeboard", "wakecore"):
        for path in (device / package).glob("*.py"):
            files[f"code/{package}/{path.name}"] = path.read_text()
    record = {"kind": "private", "version": 1, "key": "11" * 32, "wifi_name": "old"}
    files["pot/private.json"] = line.encode(sorted(record), record)
    make_image(tmp_path / "flash.img", files, image_bytes=1 << 20)
    seen, whole = set(), 0
    for count in itertools.count():  # 0: nothing is cut
        image = tmp_path / f"{count}.img"
        shutil.copy(tmp_path / "flash.img", image)
        with DeskBoard(image, awake="stepped", unique_id=b"desk-1") as board:
            board.wait_asleep()
            before = board.counters
            if count:
                board.cut_power_at(count, half=count % 2 == 1)
            board.advance(1001)
            board.wait_asleep()
            ended = [boot.ended for boot in board.boots]
            if not count:
                assert f"made b'{MADE}'".encode() in board.console
                assert b"adopted True" in board.console
                whole = board.counters.writes + board.counters.erases
                whole -= before.writes + before.erases
        assert ("power cut" in ended) == (count > 0), count
        found, why = line.decode(read_image(image)["pot/private.json"])
        assert found is not None, (count, why)
        assert found["wifi_name"] == "old"
        assert len(found["key"]) == 64
        seen.add(found["key"] == record["key"])
        image.unlink()
        if count == whole:
            break
    assert whole > 6
    assert seen == {True, False}
