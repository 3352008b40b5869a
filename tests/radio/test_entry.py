"""The entry page: a desk board serves it over the loopback, a real HTTP client fills it in.

HTTP as in RFC 9112, forms as in the URL standard (application/x-www-form-urlencoded), both
spoken by Python's own http.client and urllib.
"""

from __future__ import annotations

import http.client
import itertools
import shutil
import socket
import sys
import threading
import time
import types
import urllib.parse
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import mosquitto
import pytest
import remote_pots
import segno
from hypothesis import given
from hypothesis import strategies as st
from usb_desks import IMAGE_BYTES, copy_pot, silent, wakes, world_for

import waiting
from wakeboard import entry, radio
from wakecore import line
from wakewell import cli, language
from wakewell.deskboard import DeskBoard, make_image, read_image, why_not
from wakewell.pot import private
from wakewell.radio import card, handover
from wakewell.replay import replaying
from wakewell.usb import flash, payload

ID = b"desk-1"
MOST_HOLDS = 20
CODE = "k7mp2xqdw9fh"
desk = pytest.mark.skipif(bool(why_not()), reason=str(why_not()))


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


class Pot:
    """A pot whose router is gone, and whoever stands before it."""

    def __init__(self, board: DeskBoard, world: Any, folder: Path, port: int) -> None:
        self.board, self.world, self.folder, self.port = board, world, folder, port

    def secrets(self) -> dict[str, Any]:
        record, why = line.decode(self.board.read_files()["pot/private.json"])
        assert record is not None, why
        return dict(record)

    def hold(self) -> bytes:
        """Hold the button, in real time, until the page is open; the console up to there.

        The board counts its own sleeps: on a busy computer a hold is shorter to it than it was.
        Then the button is held once more, and for longer.
        """
        self.board.awake = "real"
        for seconds in range(8, 8 + MOST_HOLDS):
            count, seen = len(self.board.boots), self.opened()
            self.board.press_button(seconds)
            self.board.wait_boots(count + 1)
            waiting.until(
                lambda seen=seen: self.opened() > seen or self.board.state == "sleeps",  # type: ignore[misc]
                lambda: self.board.console[-2000:],
            )
            if self.opened() > seen:
                return self.board.console
        raise AssertionError(f"no page opened; {self.board.console[-2000:]!r}")

    def press(self, seconds: float) -> Any:
        """Hold the button, in simulated time; the boot that came of it."""
        count = len(self.board.boots)
        self.board.press_button(seconds)
        self.board.wait_boots(count + 1)
        return self.sleeps()

    def opened(self) -> int:
        return self.board.console.count(b"entry page: open")

    def wait_open(self, count: int) -> None:
        waiting.until(lambda: self.opened() >= count, lambda: self.board.console[-2000:])

    def ask(self, method: str = "GET", path: str = "/", **fields: str) -> tuple[int, str]:
        """(status, text) of a request; fields make it a filled-in form."""
        for _ in range(waiting.MOST_LOOKS):
            try:
                link = http.client.HTTPConnection("127.0.0.1", self.port)
                kind = {"Content-Type": "application/x-www-form-urlencoded"}
                body = urllib.parse.urlencode(fields) if fields else None
                link.request("POST" if fields else method, path, body, kind if fields else {})
                answer = link.getresponse()
                return answer.status, answer.read().decode()
            except ConnectionRefusedError:  # between "open" and listening
                time.sleep(waiting.LOOK_S)
            finally:
                link.close()
        raise AssertionError("nobody listens there")

    def sleeps(self) -> Any:
        boot = self.board.wait_asleep()
        assert boot.ended == "deep sleep"
        return boot


@contextmanager
def pot_in(under: Path, flashed: Path, broker_port: int = 1, **changes: Any) -> Iterator[Pot]:
    folder = under / "basil"
    shutil.copytree(flashed / "basil", folder)
    shutil.copy(flashed / "flash.img", under / "flash.img")
    port = free_port()
    remote_pots.fill_in(
        folder, broker_port, **{'name = "wakewell-': f'port = {port}\nname = "wake'}
    )
    text = (folder / "private.toml").read_text()
    code = private.read(folder).entry["code"]
    (folder / "private.toml").write_text(
        text.replace(code, CODE).replace('"greenhouse"', '"absent"')
    )
    world = world_for(folder, **changes)
    with DeskBoard(
        under / "flash.img", world, image_bytes=IMAGE_BYTES, awake="stepped", unique_id=ID,
        hang_s=60,
    ) as board:  # fmt: skip
        board.wait_asleep()
        board.write_files({"pot/private.json": private.read(folder).board_line()})
        yield Pot(board, world, folder, port)


@desk
@pytest.mark.waits
def test_a_new_router_without_a_cable(
    tmp_path: Path, flashed: Path, server: mosquitto.Broker
) -> None:
    with pot_in(tmp_path, flashed, server.port) as pot:
        before = pot.secrets()
        told, pumped = len(pot.hold()), pot.world.pump_us
        status, text = pot.ask()
        assert status == 200
        assert "<form method=post" in text
        assert "src=" not in text
        assert "href=" not in text  # nothing from elsewhere
        assert pot.ask(name="new house", password="long enough", code="k7mp2xqdw9fx")[0] == 403
        assert pot.ask(name="new house", password="short", code=CODE)[0] == 400
        assert pot.ask(path="/else")[0] == 404
        assert pot.ask("DELETE")[0] == 405
        assert pot.ask(name="absent", password="long enough", code=CODE)[0] == 200
        pot.wait_open(2)  # it could not join that one
        assert entry.TEXTS["not_joined"] in pot.ask()[1]
        name, password = 'Café "Möwe"', "p&=+% \\ word"
        assert pot.ask(name=name, password=password, code=CODE)[0] == 200
        pot.sleeps()
        after = pot.secrets()
        assert (after.pop("wifi_name"), after.pop("wifi_password")) == (name, password)
        assert after.pop("wifi_was") == entry.mark(before)
        assert after == {k: v for k, v in before.items() if k not in ("wifi_name", "wifi_password")}
        # The same wake still told the broker; nothing was pumped, and the hold is on record.
        assert b"radio: no Wi-Fi" not in pot.board.console[told:]
        files = pot.board.read_files()
        last = wakes(files)[-1]
        assert last["begin"]["cause"] == "button"
        assert last["begin"]["host"] == ["entry page"]
        assert last.get("run") is None
        assert last["plan"]["kind"] != "manual"
        assert pot.world.pump_us == pumped
        for word in (CODE, password, name):
            assert word.encode() not in pot.board.console
            logs = b"".join(data for at, data in files.items() if at.startswith("pot/log/"))
            assert word.encode() not in logs
        # A cable later: what was entered stays, unless private.toml says something new.
        pot.board.hard_reset()
        result = flash.flash_one(pot.folder, pot.board.port, silent, 20)
        assert "the Wi-Fi entered at the pot itself stays" in result.notes
        pot.board.awake = "stepped"
        pot.board.wait_asleep()
        assert pot.secrets()["wifi_name"] == name
        files = pot.board.read_files()
    (tmp_path / "logs" / "in-force").mkdir(parents=True)
    for kind in ("settings", "limits", "calibration"):
        data = files[f"pot/{kind}.json"]
        (tmp_path / "logs" / "in-force" / f"{line.identity(data.rstrip())}.json").write_bytes(data)
    logged = tmp_path / "logs" / "00000001.jsonl"
    logged.write_bytes(files["pot/log/00000001.jsonl"])
    report = replaying.replay_log("basil", [logged])
    assert report.good
    assert report.played >= 3


def test_what_was_entered_stays_until_private_toml_says_something_new() -> None:
    """A flash brings private.toml; the Wi-Fi entered in its stead is the newer wish."""
    first = {"kind": "private", "version": 1, "key": "00", "broker_host": "a"}
    first |= {"wifi_name": "old", "wifi_password": "old word"}

    def made(**changes: str) -> bytes:
        return bytes(line.encode(sorted(first | changes), first | changes))

    entered = {"wifi_name": "new", "wifi_password": "new word", "wifi_was": entry.mark(first)}
    on_board = made(**entered)
    assert private.with_entered(made(), on_board) == on_board
    assert private.with_entered(made(broker_host="b"), on_board) == made(**entered, broker_host="b")
    for newer in ({"wifi_name": "third"}, {"wifi_password": "third"}, {"key": "01"}):
        assert private.with_entered(made(**newer), on_board) == made(**newer)
    for other in (None, b"", made(), on_board[:-3]):
        assert private.with_entered(made(), other) == made()


@desk
@pytest.mark.waits
def test_hostile_callers_and_a_used_up_number_of_codes(tmp_path: Path, flashed: Path) -> None:
    """Whatever they send, the page answers the owner, and it ends in sleep (R13)."""
    with pot_in(tmp_path, flashed) as pot:
        before = pot.secrets()
        pot.hold()
        pot.ask()
        drips = [socket.create_connection(("127.0.0.1", pot.port), timeout=10) for _ in range(9)]
        stop = threading.Event()

        def drip() -> None:
            """One byte at a time, never a whole request."""
            for byte in itertools.cycle(b"GET / HTTP/1.1\r\nX: y\r\n"):
                for each in drips:
                    try:
                        each.send(bytes([byte]))
                    except OSError:
                        continue
                if stop.wait(0.1):
                    return

        thread = threading.Thread(target=drip)
        thread.start()
        try:
            for _ in range(3):
                assert pot.ask()[0] == 200  # the owner still gets in
            for raw in (
                b"GET /" + b"x" * 100000,
                b"POST / HTTP/1.1\r\nContent-Length: 99999999\r\n\r\n",
                b"POST / HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
                b"POST / HTTP/1.1\r\nContent-Length: 2000\r\n\r\nname=",
                b"POST / HTTP/1.1\r\nContent-Length: 9\r\n\r\nname=%zz%",
                b"\0\xff\xfe\r\n\r\n",
                b"\r\n\r\n",
                b"",
            ):
                with socket.create_connection(("127.0.0.1", pot.port), timeout=10) as link:
                    try:
                        link.sendall(raw)
                        link.shutdown(socket.SHUT_WR)
                        got = link.recv(9999)
                    except OSError:
                        continue
                    assert not got.startswith(b"HTTP/1.1 200"), raw
            assert pot.ask()[0] == 200
            for turn in range(entry.MOST_WRONG):
                guess = ("", "k7mp2xqdw9f", CODE + "h", CODE.upper(), "x" * 12)[turn]
                status, text = pot.ask(name="new house", password="", code=guess)
                assert status == 403
            assert entry.TEXTS["closed"] in text
        finally:
            stop.set()
            thread.join()
            for each in drips:
                each.close()
        pot.sleeps()
        assert pot.secrets() == before
        assert pot.opened() == 1


@desk
def test_nobody_comes(tmp_path: Path, flashed: Path) -> None:
    """It closes by itself, reports as ever, and sleeps; the watchdog never had to bite."""
    with pot_in(tmp_path, flashed) as pot:
        pot.press(7.0)
        assert pot.opened() == 1
        _, boot, _ = pot.board.boots[-3:]  # of the wake, the page and the report
        took_ms = (boot.end_us - boot.t_us) // 1000
        assert entry.QUIET_MS < took_ms < entry.QUIET_MS + 60000
        assert pot.board.boots[-1].wake_reason
    assert b"open access point" not in pot.board.console


@desk
@pytest.mark.parametrize(
    ("held_s", "why"),
    [(3.0, "short"), (16.0, "stuck"), (7.0, "off"), (7.0, "low"), (7.0, "none"), (11.0, "mute")],
)
def test_when_it_does_not_open(tmp_path: Path, flashed: Path, held_s: float, why: str) -> None:
    """R5: not on a weak cell. A hold of two seconds stays a wish, a stuck button a fault (R12)."""
    changes = {"charge": 0.04} if why == "low" else {}
    with pot_in(tmp_path, flashed, **changes) as pot:
        if why == "off":
            settings = pot.board.read_files()["pot/settings.json"]
            record, _ = line.decode(settings.rstrip())
            assert record is not None
            data = line.encode(sorted(record), record | {"radio_wakes": 0})
            pot.board.write_files({"pot/settings.json": data})
        if why == "none":
            record = pot.secrets() | {"entry_code": ""}
            pot.board.write_files({"pot/private.json": line.encode(sorted(record), record)})
        pot.press(held_s)
        assert pot.opened() == 0
        begun = wakes(pot.board.read_files())[-1]["begin"]
        assert begun["button_ms"] == {"short": 3000, "stuck": 15000}.get(why, 50)
        asked_for = {"mute": ["mute"], "short": [], "stuck": []}
        assert begun["host"] == asked_for.get(why, ["entry page"])


KEEP = """
import sys
sys.path.insert(0, '/code')
from wakeboard import entry, radio
import machine
private = radio.secrets('/pot')
if machine.reset_cause() == machine.DEEPSLEEP_RESET:
    private['wifi_name'] = 'new'
    print('kept', entry.keep('/pot', private))
machine.deepsleep(1000000)
"""


@desk
@pytest.mark.parametrize("half", [False, True])
def test_the_power_fails_at_every_write_of_the_secrets(tmp_path: Path, half: bool) -> None:
    """Old or new, never none. Method: littlefs, tests/test_powerloss.toml."""
    device = Path(payload.__file__).parents[3] / "device"
    files: dict[str, str | bytes] = {"main.py": KEEP}
    for package in ("wakeboard", "wakecore"):
        for path in (device / package).glob("*.py"):
            files[f"code/{package}/{path.name}"] = path.read_text()
    record = {"kind": "private", "version": 1, "key": "00", "wifi_name": "old"}
    files["pot/private.json"] = line.encode(sorted(record), record)
    make_image(tmp_path / "flash.img", files, image_bytes=1 << 20)
    seen, whole = set(), 0
    for count in itertools.count():  # 0: nothing is cut
        image = tmp_path / f"{count}.img"
        shutil.copy(tmp_path / "flash.img", image)
        with DeskBoard(image, awake="stepped", unique_id=ID) as board:
            board.wait_asleep()
            before = board.counters
            if count:
                board.cut_power_at(count, half=half)
            board.advance(1001)
            board.wait_asleep()
            ended = [boot.ended for boot in board.boots]
            if not count:
                assert b"kept True" in board.console
                whole = board.counters.writes + board.counters.erases
                whole -= before.writes + before.erases
        assert ("power cut" in ended) == (count > 0), count
        found, why = line.decode(read_image(image)["pot/private.json"])
        assert found in (record, record | {"wifi_name": "new"}), (count, why)
        seen.add(found["wifi_name"])
        image.unlink()
        if count == whole:
            break
    assert whole > 3
    assert seen == {"old", "new"}


@desk
def test_handed_over_with_a_way_to_its_next_wifi(tmp_path: Path, flashed: Path) -> None:
    """Old secrets gone everywhere; a new key, a new code and the old broker on the board."""
    with pot_in(tmp_path, flashed, 8883) as pot:
        old = private.read(pot.folder)
        pot.board.awake = "real"
        pot.board.hard_reset()
        rows = handover.hand_over(pot.folder, pot.board.port, date(2026, 5, 4), 20, new_key=True)
        pot.board.awake = "stepped"
        pot.board.wait_asleep()
        new, files = private.read(pot.folder), pot.board.read_files()
        assert new.broker == old.broker
        assert new.wifi["name"] == ""
        assert not set(new.words()) & {old.key.hex(), old.entry["code"], old.wifi["password"]}
        assert files["pot/private.json"] == new.board_line()
        text = "\n".join(rows)
        printed = (pot.folder / card.FILE).read_text()
        assert new.entry["name"] in printed
        assert new.entry["code"] in printed
        for text in ("In its new home", "handed over on 4 May 2026 with", "Give it your Wi-Fi"):
            assert text in printed
        assert "No reminders for a week" in printed  # it has a broker
        kept = (pot.folder / "as-left-2026-05-04.txt").read_text()
        for word in {*new.words(), *old.words()} - {mosquitto.WORD}:
            assert word not in text + kept  # that file may go into git
        pot.press(7.0)
        assert pot.opened() == 1


def test_the_card_says_how(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_pot("basil", tmp_path)
    assert cli.main(["ask", str(folder), "--card"]) == 2  # no secrets yet
    assert cli.main(["ask", str(folder), "--new-key"]) == 0
    code = private.read(folder).entry["code"]
    assert len(code) == private.CODE_SIZE
    shown = capsys.readouterr()
    assert code not in shown.out + shown.err
    text = (folder / "pot.toml").read_text()
    text = "\n".join(row for row in text.splitlines() if row[:5] not in ("maker", "reach"))
    text = 'maker = "Ann <b>"\nreach = "ann@example.org"\n' + text
    (folder / "pot.toml").write_text(text)
    assert cli.main(["ask", str(folder), "--card"]) == 0
    shown = capsys.readouterr()
    assert code not in shown.out + shown.err
    made = folder / card.FILE
    assert str(made) in shown.out
    assert made.stat().st_mode & 0o077 == 0
    assert card.FILE in (folder / ".gitignore").read_text().split()
    text = made.read_text()
    for word in (
        code,
        "http://192.168.4.1",
        "Ann &lt;b&gt;, ann@example.org",
        "it holds 4.0 litres",
    ):
        assert word in text
    name = private.read(folder).entry["name"]
    wanted = segno.make(f"WIFI:T:WPA;S:{name};P:{code};;")  # as phones read it
    assert wanted.svg_inline(scale=5, border=2, dark="#000", light="#fff") in text
    assert cli.main(["ask", str(folder), "--card"]) == 0, "made again"
    capsys.readouterr()
    path = folder / "private.toml"
    path.write_text(path.read_text().replace(code, "short"))
    assert cli.main(["ask", str(folder), "--card"]) == 2
    shown = capsys.readouterr()
    assert "entry.code: allowed 8 to 63" in shown.err
    assert "short" not in shown.err.replace("shorter", "")


# The page's words, without a network


def asked(page: Any, body: str) -> bytes:
    head = f"POST / HTTP/1.1\r\nhost: x\r\nCONTENT-LENGTH: {len(body)}\r\n\r\n"
    return bytes(page.answer(bytearray((head + body).encode())) or b"")


def test_a_request_in_pieces() -> None:
    page = entry.Page(CODE)
    form = urllib.parse.urlencode({"name": "a+b c", "password": "", "code": f" {CODE} "})
    text = f"POST / HTTP/1.1\r\nContent-Length: {len(form)}\r\n\r\n{form}".encode()
    for size in range(len(text)):
        assert page.answer(bytearray(text[:size])) is None
    assert bytes(page.answer(bytearray(text))).startswith(b"HTTP/1.1 200")
    assert page.entered == ("a+b c", "")
    assert asked(page, form).startswith(b"HTTP/1.1 403")  # once


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("", "x" * 8), ("x" * 33, "x" * 8), ("ü" * 17, "x" * 8), ("a\0b", "x" * 8),
        ("a\nb", "x" * 8), ("a", "x" * 7), ("a", "x" * 64), ("a", "xxxx\x7fxxxx"),
    ],
)  # fmt: skip
def test_names_and_passwords_that_no_wifi_has(name: str, password: str) -> None:
    """IEEE 802.11: a name of up to 32 octets, a passphrase of 8 to 63 characters."""
    page = entry.Page(CODE)
    form = urllib.parse.urlencode({"name": name, "password": password, "code": CODE})
    assert asked(page, form).startswith(b"HTTP/1.1 400")
    assert page.entered is None


@pytest.mark.parametrize("spoken", ["en", "de", "es"])
def test_every_answer_has_the_same_shell_and_a_wrong_code_another_try(
    spoken: str, tmp_path: Path
) -> None:
    (tmp_path / "entry.json").write_bytes(private.entry_texts(spoken))
    texts = entry.texts(str(tmp_path))
    page = entry.Page(CODE, texts)
    form = {"name": "a", "password": "", "code": "wrong"}
    wrong = urllib.parse.urlencode(form)
    answers = [
        bytes(page.answer(bytearray(b"GET / HTTP/1.1\r\n\r\n")) or b""),
        bytes(page.answer(bytearray(b"GET /a HTTP/1.1\r\n\r\n")) or b""),
        bytes(page.answer(bytearray(b"x\r\n\r\n")) or b""),
        bytes(page.answer(bytearray(5000)) or b""),
        asked(page, "name=%g"),
        *(asked(page, wrong) for _ in range(entry.MOST_WRONG - 1)),
    ]
    assert all(texts["wrong"].encode() in answer for answer in answers[5:])
    assert all(b"<form" in answer for answer in answers)
    closed = asked(page, wrong)
    assert (texts["closed"].encode() in closed, b"<form" in closed) == (True, False)
    good = asked(entry.Page(CODE, texts), urllib.parse.urlencode(form | {"code": CODE}))
    for answer in (*answers, closed, good):
        head, _, body = answer.partition(b"\r\n\r\n")
        assert body.startswith(f"<!doctype html><html lang={spoken}>".encode())
        assert texts["title"].encode() in body
        assert f"Content-Length: {len(body)}".encode() in head


@pytest.mark.parametrize("damage", ["absent", "torn", "another kind", "a text is missing"])
def test_a_text_that_is_not_there_is_english(damage: str, tmp_path: Path) -> None:
    record, _ = line.decode(private.entry_texts("de"))
    assert record is not None
    wanted = entry.TEXTS
    if damage == "another kind":
        record["kind"] = "private"
    if damage == "a text is missing":
        wanted = {name: record[name] for name in entry.TEXTS} | {"join": entry.TEXTS["join"]}
        record["join"] = 7
    data = line.encode(tuple(record), record)
    if damage != "absent":
        (tmp_path / "entry.json").write_bytes(data[:-30] if damage == "torn" else data)
    assert entry.texts(str(tmp_path)) == wanted


def test_the_texts_fit_where_they_are_read() -> None:
    for spoken in language.NAMES:
        assert len(private.entry_texts(spoken)) < entry.MOST_TEXTS


@given(st.binary(max_size=entry.MOST_REQUEST + 1))
def test_any_bytes_get_an_answer_or_a_wait(data: bytes) -> None:
    page = entry.Page(CODE)
    for begun in (b"", b"POST / HTTP/1.1\r\ncontent-length: 40\r\n\r\nname="):
        answer = page.answer(bytearray((begun + data)[: entry.MOST_REQUEST + 1]))
        assert answer is None or bytes(answer).startswith(b"HTTP/1.1 ")
    assert page.entered is None


class Standing:
    """A time module whose clock runs, or stands still."""

    def __init__(self, step_ms: int) -> None:
        self.now, self.step_ms = 0, step_ms

    def module(self) -> Any:
        def pause(ms: int) -> None:
            self.now += self.step_ms

        return types.SimpleNamespace(
            ticks_ms=lambda: self.now, ticks_diff=lambda a, b: a - b, sleep_ms=pause
        )


@pytest.mark.parametrize("step_ms", [0, entry.TURN_MS, 10 * entry.TURN_MS])
def test_an_idle_visitor_does_not_keep_it_open(step_ms: int, monkeypatch: Any) -> None:
    """Five minutes at most, by the clock and by count, whoever comes."""
    standing, feeds, turns = Standing(step_ms), [0], [0]
    monkeypatch.setattr(entry, "time", standing.module())

    class Doors:
        visited, callers = True, ()

        def open(self) -> None: ...

        def close(self) -> None: ...

        def turn(self, page: Any) -> None:
            turns[0] += 1

    def feed() -> None:
        feeds[0] += 1

    clock = entry.PageClock(feed)
    entry.serve(Doors(), entry.Page(CODE), clock)
    assert standing.now <= entry.MOST_MS + standing.step_ms
    assert turns[0] <= entry.MOST_MS // entry.TURN_MS + 1
    assert feeds[0] >= turns[0]
    assert entry.MOST_MS + radio.JOIN_MS < 300000


def test_an_open_network_is_never_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's own Wi-Fi is protected by the code; where that cannot be, nothing listens."""
    made: list[tuple[str, Any]] = []

    class Wlan:
        SEC_WPA2 = 3

        def __init__(self, kind: int) -> None: ...

        def active(self, on: bool) -> None:
            made.append(("active", on))

        def config(self, **values: Any) -> None:
            made.append(("config", values))
            if values["ssid"] == "refused":
                raise ValueError("unknown config param")

    network = types.SimpleNamespace(WLAN=Wlan, AP_IF=1)
    monkeypatch.setitem(sys.modules, "network", network)
    secret = {"entry_name": "wakewell-x", "entry_code": CODE, "entry_port": free_port()}
    doors = entry.Doors(secret)
    doors.open()
    doors.close()
    own = {"ssid": "wakewell-x", "key": CODE, "security": 3, "max_clients": 2}
    assert made == [("config", own), ("active", True), ("active", False)]
    doors = entry.Doors(secret | {"entry_name": "refused"})
    with pytest.raises(ValueError, match="unknown"):
        doors.open()
    assert doors.listener is None
    doors.close()
    assert made[-1] == ("active", False)
