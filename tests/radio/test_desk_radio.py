"""A desk board's radio, through the loopback, to a real Mosquitto, to `wakewell listen`."""

from __future__ import annotations

import argparse
import random
import shutil
import socket
import ssl
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import date
from pathlib import Path
from typing import Any

import mosquitto
import pytest
import remote_pots
from usb_desks import IMAGE_BYTES, copy_pot, silent, wakes, world_for

import waiting
from wakeboard import asked, ntp
from wakecore import line
from wakewell.bench import bringup
from wakewell.cli import main
from wakewell.commands import ask as ask_command
from wakewell.deskboard import DeskBoard, why_not
from wakewell.pot import pot_folder, private
from wakewell.radio import ask, broker, handover, listen
from wakewell.radio.store import ReportStore
from wakewell.replay import replaying
from wakewell.usb import flash

pytestmark = pytest.mark.skipif(bool(why_not()), reason=str(why_not()))
ID = b"desk-1"
BOARD = ID.hex()
MOST_DAYS = (
    30  # own assumption: four tries in a row that nobody hears, the longest wait being seven
)


class Home:
    """A desk board at home, its pot's folder and a listener that can be started and stopped."""

    def __init__(self, under: Path, board: DeskBoard, folder: Path, database: Path) -> None:
        self.under, self.board, self.folder, self.database = under, board, folder, database
        self.said: list[str] = []

    def store(self) -> ReportStore:
        return ReportStore(self.database, {BOARD: self.folder})

    @contextmanager
    def listening(self, database: Path | None = None) -> Iterator[listen.Listener]:
        """`wakewell listen`, in a thread."""
        found = listen.folders_of([str(self.folder)])
        folder, secret = found[BOARD]
        store = ReportStore(database or self.database, {BOARD: folder})
        radio = listen.Radio(secret, folder, [BOARD], f"test-{(database or self.database).name}")
        listener = listen.Listener({BOARD: secret.key}, store, radio.post, self.said.append)
        until = threading.Event()
        radio.start()
        thread = threading.Thread(
            target=listen.listen, args=(listener, radio, until, self.under), daemon=True
        )
        thread.start()
        try:
            yield listener
        finally:
            until.set()
            thread.join()
            radio.stop()
            store.close()

    def days(self, count: int) -> None:
        for _ in range(count):
            self.board.advance(86400.0)
            self.board.wait_asleep()

    def tries(self, count: int = 1, *, patience: float = 1.0) -> None:
        """Days until it has tried to report so many times, whether or not anybody hears it: one
        that failed lets days pass (R17). patience: less where nobody can answer, so that no real
        wait need be as long as the board's."""
        self.board.patience = patience
        for _ in range(MOST_DAYS):
            self.days(1)
            count -= "report" in wakes(self.files())[-1]["commands"]
            if not count:
                break
        self.board.patience = 1.0
        assert not count, f"no try in {MOST_DAYS} days"

    def told(self, name: str) -> dict[str, Any]:
        """What the board last told, on the first day on which that name has a value."""
        for _ in range(MOST_DAYS):
            row = self.store().pots().get(BOARD)
            if row is not None and row.told.get(name):
                return dict(row.told)
            self.days(1)
        raise AssertionError(f"never told in {MOST_DAYS} days; {self.board.console[-2000:]!r}")

    def heard(self, days: int = 1) -> None:
        """So many days, and further ones until a day's report was heard: one that failed makes the
        next wait (R17), and on a busy computer any may fail."""
        self.days(days)
        for _ in range(MOST_DAYS):
            if self.files().get("pot/radio", b"").startswith(b"heard"):
                return
            self.days(1)
        raise AssertionError(f"never heard in {MOST_DAYS} days; {self.board.console[-2000:]!r}")

    def files(self) -> dict[str, bytes]:
        return self.board.read_files()


@pytest.fixture
def home(tmp_path: Path, flashed: Path, server: mosquitto.Broker) -> Iterator[Home]:
    folder = tmp_path / "basil"
    shutil.copytree(flashed / "basil", folder)
    shutil.copy(flashed / "flash.img", tmp_path / "flash.img")
    secret = remote_pots.fill_in(folder, server.port)
    with ExitStack() as stack:
        board = stack.enter_context(
            DeskBoard(
                tmp_path / "flash.img", world_for(folder), image_bytes=IMAGE_BYTES,
                awake="stepped", unique_id=ID, hang_s=60,
            )
        )  # fmt: skip
        board.wait_asleep()
        board.write_files({"pot/private.json": secret.board_line()})
        yield Home(tmp_path, board, folder, tmp_path / "heard.db")


def test_what_is_heard_is_what_a_pull_would_bring(home: Home) -> None:
    with home.listening() as listener:
        home.heard(4)
    assert not [text for text in home.said if not text.startswith("so far")]
    assert listener.bad == 0
    files = home.files()
    for name, data in files.items():
        if name.startswith("pot/log/"):
            there = (home.folder / "logs" / name[8:]).read_bytes()
            assert there.splitlines() == data.splitlines()
    assert len(wakes(files)) >= 5
    found = pot_folder.load(home.folder)
    kept = {p.stem for p in (home.folder / "logs" / "in-force").iterdir()}
    assert {line.identity(data) for data in found.lines.values()} <= kept
    row = home.store().pots()[BOARD]
    assert row.n == wakes(files)[-1]["n"]
    # The answer set the offset of the clock: from then on its times are trusted.
    assert wakes(files)[-1]["begin"]["utc"][2] == 1


def test_asked_taken_and_in_force(home: Home) -> None:
    with home.listening():
        home.heard()
        assert ask_command.run(_args(home.folder, "dose_ml=61", "radio_wakes=1")) == 0
        told = home.told("answer")
        assert (told["asked"], told["answer"]) == (1, "in force")
        home.days(1)
    last = wakes(home.files())[-1]
    data = home.files()["pot/settings.json"].rstrip()
    record, _ = line.decode(data)
    assert record["dose_ml"] == 61
    assert last["settings"] == line.identity(data)
    assert "in force since" in "\n".join(ask.shown(home.folder))


def test_another_key_agreed_on_over_the_air(home: Home) -> None:
    """On a real interpreter, over a real broker: both sides end with it, every line is kept."""
    old = private.read(home.folder).key
    with home.listening() as listener:
        home.heard()
        assert ask_command.run(_args(home.folder, "--replace-key")) == 0
        for _ in range(MOST_DAYS):
            home.heard()
            if private.read(home.folder).key != old:
                break
        home.heard()
    new = private.read(home.folder).key
    assert new != old
    assert listener.bad == 0
    files = home.files()
    assert new.hex().encode() in files["pot/private.json"]
    assert "pot/key.json" not in files
    for name, data in files.items():
        if name.startswith("pot/log/"):
            assert (home.folder / "logs" / name[8:]).read_bytes() == data
    assert home.store().pots()[BOARD].told["refused"] == 0, "nothing old is left with the broker"


def test_what_was_asked_outlives_a_flash_until_somebody_decides(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    """The broker keeps the message: what was settled by cable is not taken a second time."""

    def flashed(*words: str) -> int:
        home.board.awake = "real"
        home.board.hard_reset()
        try:
            return main(["flash", str(home.folder), "--port", home.board.port, *words])
        finally:
            home.board.awake = "stepped"
            home.board.hard_reset()
            home.board.wait_asleep()

    def depletion_ppt() -> int:
        record, _ = line.decode(home.files()["pot/settings.json"].rstrip())
        assert record is not None
        return int(record["depletion_ppt"])

    with home.listening():
        home.heard()
        assert ask_command.run(_args(home.folder, "depletion_ppt=250")) == 0
        home.told("answer")
        home.heard()
        assert depletion_ppt() == 250
        capsys.readouterr()
        assert main(["check", str(home.folder)]) == 0
        words = "depletion_ppt = 250 (settings.toml: 400), in force by radio, number 1"
        assert words in capsys.readouterr().out
        assert flashed() == 2
        assert words in capsys.readouterr().out
        assert depletion_ppt() == 250
        assert flashed("--keep-asked") == 0
        home.heard()
        assert depletion_ppt() == pot_folder.load(home.folder).settings["depletion_ppt"] == 250
        assert ask_command.run(_args(home.folder, "depletion_ppt=300")) == 0
        home.heard(2)
        assert depletion_ppt() == 300
        assert flashed("--replace-asked") == 0
        home.heard(2)
        assert depletion_ppt() == 250
        assert ask_command.run(_args(home.folder, "depletion_ppt=350", "--days", "60")) == 0
        assert flashed() == 2  # left with the broker, and not yet taken
        assert flashed("--replace-asked") == 0
        home.heard(2)
        assert depletion_ppt() == 250


def _args(folder: Path, *words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    ask_command.arguments(parser)
    return parser.parse_args([str(folder), *words])


def test_a_setting_beyond_a_limit_is_refused_with_the_reason(home: Home) -> None:
    """Made by a host that does not know the limits: the board is the one that says no."""
    found = pot_folder.load(home.folder)
    most = found.limits["dose_ml"]
    values = dict(found.settings) | {"dose_ml": most + 1}
    secret = private.read(home.folder)
    limits_id = line.identity(found.lines["limits"])
    data = asked.make(secret.key, BOARD, 3, (20000, 0), 10**6, limits_id, values)
    before = home.files()["pot/settings.json"]
    with home.listening():
        home.heard()
        topic = f"wakewell/{BOARD}/asked"
        for other in (data[:-9], data[::-1], b"{}", data):
            broker.publish(secret, home.folder, topic, bytes(other), retain=True)
            home.heard()
        told = home.told("answer")
    assert told["answer"] == f"refused: dose_ml = {most + 1}, the hard limit is at most {most}"
    assert told["refused"] == 4
    assert home.files()["pot/settings.json"] == before


def test_nobody_there_and_it_sleeps_all_the_same(home: Home, server: mosquitto.Broker) -> None:
    """R13: broker dead, then deaf, then no Wi-Fi; the log waits and comes once all is well."""
    server.kill()
    home.tries(2)
    deaf = socket.create_server(("127.0.0.1", server.port))
    home.tries(patience=0.05)
    deaf.close()
    secret = private.read(home.folder).board_line()
    home.board.write_files({"pot/private.json": secret.replace(b"greenhouse", b"absent")})
    home.tries()  # the line's CRC is wrong now: no secrets
    home.board.write_files({"pot/private.json": secret})
    count = len(wakes(home.files()))
    assert count >= 6
    for record in wakes(home.files()):
        assert record["awake_ms"] < 60000
        assert record["begin"]["cause"] in ("timer", "power", "reset")
    server.start()
    with home.listening():
        home.heard()
    with home.listening() as listener:
        home.heard()
    assert listener.bad == 0
    assert len(home.store().lines(BOARD)) >= count
    assert any(record["begin"]["radio"] == "failed" for record in wakes(home.files()))


def test_two_listeners_keep_each_line_once(home: Home) -> None:
    with home.listening() as one, home.listening(home.under / "other.db") as other:
        home.heard(3)
        waiting.until(lambda: one.heard and other.heard)
    assert one.bad == other.bad == 0
    lines = home.store().lines(BOARD)
    assert len(lines) == len(set(lines)) >= 4
    files = home.files()
    for name, data in files.items():
        if name.startswith("pot/log/"):
            assert (home.folder / "logs" / name[8:]).read_bytes() == data


@pytest.fixture
def secure(tmp_path: Path, flashed: Path) -> Iterator[Home]:
    """The same over TLS, to a broker whose certificate its own small authority signed."""
    server = mosquitto.Broker(tmp_path / "broker", tls=True)
    server.start()
    folder = tmp_path / "basil"
    shutil.copytree(flashed / "basil", folder)
    shutil.copy(flashed / "flash.img", tmp_path / "flash.img")
    shutil.copy(server.folder / "ca.pem", folder / "ca.pem")
    remote_pots.fill_in(folder, server.port, tls=True, **{'ca = ""': 'ca = "ca.pem"'})
    with DeskBoard(
        tmp_path / "flash.img",
        world_for(folder),
        image_bytes=IMAGE_BYTES,
        awake="stepped",
        unique_id=ID,
        hang_s=60,
    ) as board:
        board.wait_asleep()
        board.write_files({k[1:]: v for k, v in private.board_files(folder).items()})
        yield Home(tmp_path, board, folder, tmp_path / "heard.db")
    server.kill()


def test_over_tls(secure: Home) -> None:
    with secure.listening() as listener:
        secure.heard(2)
    assert listener.bad == 0
    files = secure.files()
    for name, data in files.items():
        if name.startswith("pot/log/"):
            assert (secure.folder / "logs" / name[8:]).read_bytes() == data


def changed(home: Home, **rows: Any) -> None:
    """Other secrets on the board."""
    record, _ = line.decode(home.files()["pot/private.json"])
    assert record is not None
    data = line.encode(sorted(record | rows), record | rows)
    home.board.write_files({"pot/private.json": data})


def test_certificates_after_a_power_cut_and_sleep_counted_all_the_same(secure: Home) -> None:
    """The chip's clock says 2000 with the power, and TLS checks dates: the floor in the flash is
    what the host told last. Setting the clock is no sleep (R10)."""
    with secure.listening() as listener:
        secure.heard(2)
        heard, refused = listener.heard, secure.board.console.count(b"certificate")
        secure.board.cut_power()
        secure.board.power_on()
        secure.board.wait_asleep()
        secure.heard(2)
        assert listener.heard > heard
    assert listener.bad == 0
    assert secure.board.console.count(b"certificate") == refused
    day_s = 86400
    for record in wakes(secure.files())[1:]:
        begin = record["begin"]
        if begin["cause"] == "timer":
            assert 0 < begin["slept_s"] <= day_s
        else:
            assert (begin["cause"], begin["slept_s"], begin["vouched"]) == ("power", 0, 0)


def test_a_clock_server_lets_a_certificate_be_known_before_any_host_told(
    secure: Home, tmp_path: Path
) -> None:
    """The floor is of before the certificate; what a clock server says is good enough for TLS."""
    since = (date.today() - date(2000, 1, 1)).days
    floor = line.encode(("kind", "day", "second"), {"kind": "clock", "day": 9600, "second": 0})
    secure.board.cut_power()
    secure.board.write_files({"pot/clock.json": floor})
    secure.board.power_on()
    secure.board.wait_asleep()
    with secure.listening() as listener:
        secure.tries()
        assert listener.heard == 0  # "the certificate validity starts in the future"
        clock = ClockServer(since + 2)
        changed(secure, ntp_host="127.0.0.1", ntp_port=clock.port)
        secure.heard()
        assert clock.asked >= 1
    # Only what the host told is kept: a clock server may be anybody's.
    record, _ = line.decode(secure.files()["pot/clock.json"])
    assert record is not None
    assert record["day"] in (since, since + 1)


def test_bring_up_shakes_hands_with_a_host(secure: Home) -> None:
    secret = private.read(secure.folder)
    wrong = ("localhost", secret.broker["port"] + 1)
    secure.board.awake = "real"
    secure.board.hard_reset()
    with bringup.connect(secure.board.port) as link:
        link.run("use_version")
        t = bringup.Try(
            secure.folder, pot_folder.load(secure.folder), link.port, 25, (27, 0), print
        )
        for where in (bringup.host_of("", secure.folder), wrong, None):
            bringup.tls(t, link, where)
    assert [step.good for step in t.steps] == [True, False, None]
    assert "TLS connected" in t.steps[0].found


def test_a_certificate_that_has_ended_is_refused(secure: Home) -> None:
    """Eleven years on: the test's certificates are valid for ten."""
    far = (date.today() - date(2000, 1, 1)).days + 4000
    data = line.encode(("kind", "day", "second"), {"kind": "clock", "day": far, "second": 0})
    secure.board.write_files({"pot/clock.json": data})
    with secure.listening() as listener:
        secure.tries(2)
        assert listener.heard == 0
    assert b"The certificate validity has expired" in secure.board.console


def test_a_wifi_that_raises_what_nobody_knows(home: Home) -> None:
    """MicroPython, ports/esp32/network_common.c: a code that it has no word for is a
    RuntimeError. The board sleeps, and it is no error of the program."""
    changed(home, wifi_name="odd")
    home.days(2)
    assert home.board.boots[-1].ended == "deep sleep"
    assert b"radio: RuntimeError('Wifi Unknown Error 0x3102'" in home.board.console
    assert "error.txt" not in home.files()


def test_a_name_nobody_answers_about_is_asked_for_within_a_bound(home: Home) -> None:
    """R13: the interpreter's own look-up waits 14 s there, outside every bound."""
    changed(home, broker_host="broker.invalid", ntp_host="clock.invalid")
    home.days(1)
    boot = home.board.boots[-1]
    assert boot.ended == "deep sleep"
    assert b"radio: OSError" in home.board.console
    assert boot.end_us - boot.t_us < 10_000_000


def test_a_broker_of_another_authority_hears_nothing(secure: Home, tmp_path: Path) -> None:
    """Neither a log line nor the broker's password goes to whom the board cannot know."""
    other = tmp_path / "other"
    other.mkdir()
    mosquitto.certificates(other)
    der = ssl.PEM_cert_to_DER_cert((other / "ca.pem").read_text())
    right = secure.files()["pot/ca.der"]
    secure.board.write_files({"pot/ca.der": der})
    with secure.listening() as listener:
        secure.tries(2)
        assert listener.heard == 0
        assert b"radio:" in secure.board.console
        secure.board.write_files({"pot/ca.der": right})
        secure.heard()
    assert secure.store().lines(BOARD)
    logged = (tmp_path / "broker" / "err").read_text()
    assert mosquitto.WORD not in logged


@pytest.mark.waits
def test_a_broker_that_shakes_hands_for_ever(secure: Home, tmp_path: Path) -> None:
    """TLS one byte at a time: the whole talk has a bound, so no watchdog has to end it, after
    which the board would wake and report at once again (R13)."""
    server = socket.create_server(("127.0.0.1", 0))
    record = secure.files()["pot/private.json"]
    found, _ = line.decode(record)
    assert found is not None
    found["broker_port"] = server.getsockname()[1]
    secure.board.write_files({"pot/private.json": line.encode(sorted(found), found)})

    def drip() -> None:
        while True:
            stream, _ = server.accept()
            with suppress(OSError), stream:
                stream.sendall(b"\x16\x03\x03\x40\x00")  # a handshake record of 16 kB (RFC 8446)
                while True:  # until the board hangs up
                    stream.sendall(b"\x02")
                    time.sleep(0.5)

    threading.Thread(target=drip, daemon=True).start()
    secure.days(1)
    assert secure.board.boots[-1].ended == "deep sleep"
    assert b"radio: " in secure.board.console
    assert wakes(secure.files())[-1]["begin"]["cause"] == "timer"


def test_a_broker_that_warns_for_ever(secure: Home) -> None:
    """TLS alerts that are only warnings, without end (RFC 5246, section 7.2): one call of TLS reads
    them all. It ends in the bound of the talk, not by the watchdog (R13)."""
    server = socket.create_server(("127.0.0.1", 0))
    found, _ = line.decode(secure.files()["pot/private.json"])
    assert found is not None
    found["broker_port"] = server.getsockname()[1]
    secure.board.write_files({"pot/private.json": line.encode(sorted(found), found)})

    def warn() -> None:
        while True:
            stream, _ = server.accept()
            with suppress(OSError), stream:
                while True:  # until the board hangs up
                    stream.sendall(b"\x15\x03\x03\0\2\1\x5a" * 1000)

    threading.Thread(target=warn, daemon=True).start()
    secure.days(1)
    assert secure.board.boots[-1].ended == "deep sleep"
    assert b"radio: " in secure.board.console
    assert wakes(secure.files())[-1]["begin"]["cause"] == "timer"


def test_a_message_for_the_board_too_long_to_hold(home: Home) -> None:
    """A huge retained message is passed over; the log is heard all the same (R13)."""
    secret = private.read(home.folder)
    topic = f"wakewell/{BOARD}/asked"
    broker.publish(secret, home.folder, topic, b"x" * 60000, retain=True)
    with home.listening():
        home.heard(2)
        assert home.told("refused")["answer"] == ""
    assert b"radio: refused: longer than 4096 bytes" in home.board.console
    assert "  refused    " in "\n".join(ask.shown(home.folder))
    last = home.board.boots[-1]
    assert last.ended == "deep sleep"
    assert wakes(home.files())[-1]["begin"]["cause"] == "timer"
    assert len(home.store().lines(BOARD)) >= 4


@pytest.mark.parametrize("rounds", [3, pytest.param(7, marks=pytest.mark.nightly)])
def test_a_season_of_wakes_with_an_unreliable_home(
    home: Home, server: mosquitto.Broker, rounds: int
) -> None:
    """Broker and listener come and go; in the end every line is there once, in order."""
    pick = random.Random(7)
    for _ in range(rounds):
        if pick.random() < 0.3:
            server.kill()
            home.days(pick.randrange(1, 4))
            server.start()
        if pick.random() < 0.4:
            home.tries(pick.randrange(1, 3), patience=0.05)  # the broker is there, nobody answers
        with home.listening():
            home.days(pick.randrange(2, 6))
    with home.listening() as listener:
        home.heard(2)
    assert listener.bad == 0
    files = home.files()
    text = b"".join(files[n] for n in sorted(files) if n.startswith("pot/log/"))
    assert home.store().lines(BOARD) == text.splitlines()
    there = sorted((home.folder / "logs").glob("*.jsonl"))
    assert b"".join(p.read_bytes() for p in there) == text
    assert {boot.ended for boot in home.board.boots[2:-1]} == {"deep sleep"}
    report = replaying.replay_log("basil", there)
    assert report.good
    assert report.divergent == 0


def test_flashed_secrets_and_never_a_word_of_them(
    tmp_path: Path, server: mosquitto.Broker, capfd: pytest.CaptureFixture[str]
) -> None:
    """From private.toml through flash to the first report; no secret on any console or in a log."""
    folder = copy_pot("basil", tmp_path)
    path = folder / "settings.toml"
    path.write_text("radio_wakes = 1\n" + path.read_text())
    secret = remote_pots.fill_in(folder, server.port)
    with DeskBoard(
        tmp_path / "flash.img", world_for(folder), image_bytes=IMAGE_BYTES, awake="real",
        unique_id=ID, hang_s=60,
    ) as board:  # fmt: skip
        result = flash.flash_one(folder, board.port, silent, 20)
        assert result.good, result.notes
        board.awake = "stepped"
        board.wait_asleep()
        home = Home(tmp_path, board, folder, tmp_path / "heard.db")
        with home.listening():
            home.heard(2)
        console, files = board.console, home.files()
    assert files["pot/private.json"] == secret.board_line()
    shown = "".join(capfd.readouterr()) + repr(result) + repr(home.said) + repr(secret)
    kept = {name: data for name, data in files.items() if name != "pot/private.json"}
    for word in secret.words():
        assert word.encode() not in console
        assert word not in shown
        assert all(word.encode() not in data for data in kept.values())
        assert word.encode() not in (tmp_path / "heard.db").read_bytes()


def test_handed_over_without_a_secret_or_a_log(home: Home) -> None:
    with home.listening():
        home.heard(3)
    words = private.read(home.folder).words()
    before = home.files()
    home.board.awake = "real"
    home.board.hard_reset()
    rows = handover.hand_over(home.folder, home.board.port, date(2026, 5, 4), 20)
    home.board.awake = "stepped"
    home.board.wait_asleep()
    files = home.files()
    assert not [n for n in files if n.startswith(("pot/private", "pot/heard", "pot/log/"))]
    assert not (home.folder / "private.toml").exists()
    for kind in ("settings", "limits", "calibration", "wiring"):
        assert files[f"pot/{kind}.json"] == before[f"pot/{kind}.json"]
    old = home.folder / "logs-until-2026-05-04"
    kept = b"".join(p.read_bytes() for p in sorted(old.glob("*.jsonl")))
    assert b"".join(before[n] for n in sorted(before) if n.startswith("pot/log/")) in kept
    assert not list((home.folder / "logs").glob("*.jsonl"))
    text = (home.folder / "as-left-2026-05-04.txt").read_text()
    assert "as left, 2026-05-04" in "\n".join(rows) + text
    assert all(word not in text for word in words)
    home.days(2)  # it lives on, without a radio, and its new log can be replayed
    (home.folder / "logs" / "00000001.jsonl").write_bytes(home.files()["pot/log/00000001.jsonl"])
    report = replaying.replay_log("basil", [home.folder / "logs" / "00000001.jsonl"])
    assert report.good
    assert report.played >= 2


@pytest.mark.parametrize("days", [30, pytest.param(120, marks=pytest.mark.nightly)])
def test_a_summer_of_wakes_told_day_by_day(home: Home, days: int) -> None:
    """Long enough for several log files; what comes after them is the same again."""
    with home.listening() as listener:
        home.heard(days)
    assert listener.bad == 0
    files = home.files()
    text = b"".join(files[n] for n in sorted(files) if n.startswith("pot/log/")).splitlines()
    assert home.store().lines(BOARD)[-len(text) :] == text
    assert {boot.ended for boot in home.board.boots} == {"deep sleep"}
    report = replaying.replay_log("basil", sorted((home.folder / "logs").glob("*.jsonl")))
    assert report.good
    assert report.played > days
    assert report.skips.count == 0
    assert len([name for name in files if name.startswith("pot/log/")]) >= 1 + days // 40


class ClockServer:
    """A small UDP responder as RFC 5905 has it. `how` says what is wrong with it."""

    def __init__(self, day: int) -> None:
        self.day, self.how, self.asked = day, "good", 0
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.port: int = self.socket.getsockname()[1]
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def serve(self) -> None:
        while True:
            data, who = self.socket.recvfrom(100)
            self.asked += 1
            assert len(data) == 48
            stamp = (ntp.FROM_1900_S + self.day * 86400 + 4321) % ntp.ERA_S
            cookie = b"12345678" if self.how == "forged" else data[40:]
            head = bytes([0x24, 2]) + bytes(22)
            whole = head + cookie + bytes(8) + struct.pack(">II", stamp, 0)
            if self.how == "junk":
                for _ in range(500):
                    self.socket.sendto(b"x" * 60, who)
            elif self.how != "silent":
                self.socket.sendto(whole, who)


def test_the_time_from_a_clock_server_where_nobody_else_tells_it(
    home: Home, server: mosquitto.Broker
) -> None:
    """R10: an offset only, bounded, and never far from what the host told."""
    server.kill()
    since = (date.today() - date(2000, 1, 1)).days
    clock = ClockServer(since)
    clock.how = "silent"
    record, _ = line.decode(home.files()["pot/private.json"])
    assert record is not None
    record |= {"ntp_host": "127.0.0.1", "ntp_port": clock.port}
    home.board.write_files({"pot/private.json": line.encode(sorted(record), record)})

    def utc() -> list[int]:
        return list(wakes(home.files())[-1]["begin"]["utc"])

    home.board.cut_power()  # a clock that nobody told
    home.board.power_on()
    home.board.wait_asleep()
    for how in ("silent", "junk", "forged"):
        clock.how, asked = how, clock.asked
        home.tries(patience=0.05)
        home.days(1)
        assert clock.asked > asked
        assert utc()[2] == 0
    clock.how = "good"
    home.tries()
    home.days(1)
    assert utc()[2] == 1
    assert utc()[0] == since + 1
    server.start()
    with home.listening():
        home.heard()
    server.kill()
    clock.day += 400
    asked = clock.asked
    home.tries()
    home.days(1)
    assert clock.asked > asked
    assert b"more than a day off, ignored" in home.board.console
    assert since <= utc()[0] <= since + 4
    assert {boot.ended for boot in home.board.boots[-6:-1]} == {"deep sleep"}
