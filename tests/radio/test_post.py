"""Reports by HTTPS POST: a desk board, the loopback, `wakewell listen --post`; and strangers."""

from __future__ import annotations

import asyncio
import http.client
import itertools
import queue
import re
import shutil
import socket
import ssl
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import mosquitto
import pytest
import remote_pots
import test_listen as common
from usb_desks import IMAGE_BYTES, copy_pot, wakes, world_for
from versions import version

from waiting import until
from wakewell import cli
from wakewell.deskboard import DeskBoard, why_not
from wakewell.errors import BadInput
from wakewell.pot import private
from wakewell.radio import listen, posted, request, room
from wakewell.radio import waiting as waiting_radio
from wakewell.radio.store import ReportStore
from wakewell.shipped import CAFE
from wakewell.usb import payload

ID = b"desk-1"
BOARD = ID.hex()
desk = pytest.mark.skipif(bool(why_not()), reason=str(why_not()))


def fill_in(folder: Path, number: int, **rows: str) -> private.Private:
    """private.toml of a pot that posts to that port."""
    path = private.make(folder)
    text = path.read_text().replace('name = ""', 'name = "greenhouse"')
    rows = {"host": '"localhost"', "port": str(number), "path": '"/pots"', "ca": '"ca.pem"'} | rows
    text += "\n[post]\n" + "".join(f"{name} = {value}\n" for name, value in rows.items())
    path.write_text(text)
    private.board_files(folder)
    return private.read(folder)


class House:
    """`wakewell listen --post` in threads, for one pot."""

    def __init__(self, under: Path, folder: Path, port: int, certificates: Path) -> None:
        self.under, self.folder, self.port = under, folder, port
        self.certificates, self.said = certificates, []  # type: ignore[var-annotated]

    @contextmanager
    def listening(self) -> Iterator[listen.Listener]:
        found = listen.folders_of([str(self.folder)])
        ((board, (folder, secret)),) = found.items()
        store, waiting = (
            ReportStore(self.under / "heard.db", {board: folder}),
            waiting_radio.Waiting(),
        )
        here = self.certificates
        server = posted.Posted(
            self.port, here / "server.pem", here / "server.key", waiting.waiting, {board: folder}
        )
        self.server = server
        listener = listen.Listener({board: secret.key}, store, server.post, self.said.append)
        until = threading.Event()
        thread = threading.Thread(
            target=listen.listen, args=(listener, waiting, until, self.under), daemon=True
        )
        server.start()
        thread.start()
        try:
            yield listener
        finally:
            until.set()
            thread.join()
            server.stop()
            store.close()

    def lines(self) -> list[bytes]:
        store = ReportStore(self.under / "heard.db", {BOARD: self.folder})
        found = store.lines(BOARD)
        store.close()
        return found


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("certificates")
    mosquitto.certificates(folder)
    return folder


@contextmanager
def at_home(under: Path, flashed: Path, certificates: Path) -> Iterator[tuple[DeskBoard, House]]:
    folder = under / "basil"
    shutil.copytree(flashed / "basil", folder)
    shutil.copy(flashed / "flash.img", under / "flash.img")
    shutil.copy(certificates / "ca.pem", folder / "ca.pem")
    port = mosquitto.free_port()
    fill_in(folder, port)
    with DeskBoard(
        under / "flash.img", world_for(folder), image_bytes=IMAGE_BYTES, awake="stepped",
        unique_id=ID, hang_s=60,
    ) as board:  # fmt: skip
        board.wait_asleep()
        board.write_files({k[1:]: v for k, v in private.board_files(folder).items()})
        yield board, House(under, folder, port, certificates)


def days(board: DeskBoard, count: int) -> None:
    """So many days on which nothing is under way at the end: the last wake reported."""
    for _ in remote_pots.idle_days(board, count, 4 * count):
        pass


@desk
def test_the_log_arrives_and_what_is_asked_comes_with_the_answer(
    tmp_path: Path, flashed: Path, certificates: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with at_home(tmp_path, flashed, certificates) as (board, house):
        days(board, 3)  # nobody there: it waits in the log
        with house.listening() as listener:
            days(board, 2)
            assert cli.main(["ask", str(house.folder), "dose_ml=61"]) == 0
            days(board, 3)
        assert "takes it with the answer to its next report" in capsys.readouterr().out
        assert listener.bad == 0
        assert not [text for text in house.said if not text.startswith("so far")]
        files = board.read_files()
        log = b"".join(files[n] for n in sorted(files) if n.startswith("pot/log/"))
        assert house.lines() == log.splitlines()
        kept = sorted((house.folder / "logs").glob("*.jsonl"))
        assert b"".join(path.read_bytes() for path in kept) == log
        assert wakes(files)[-1]["begin"]["utc"][2] == 1  # and the time came with it
        assert b'"dose_ml":61' in files["pot/settings.json"]
        store = ReportStore(house.under / "heard.db", {BOARD: house.folder})
        told = store.pots()[BOARD].told
        store.close()
        assert (told["asked"], told["answer"]) == (1, "in force")


@desk
def test_a_version_comes_with_the_answers(
    tmp_path: Path, flashed: Path, certificates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Manifest with the answer, pieces one by one over the same connection."""
    new = version(tmp_path / "new", short="CHANGED = 1")
    with at_home(tmp_path, flashed, certificates) as (board, house), house.listening():
        days(board, 1)
        monkeypatch.setattr(payload, "compile_code", lambda: new)
        assert cli.main(["send", str(house.folder)]) == 0
        days(board, 3)
        files = board.read_files()
        assert files["code/in-force"].decode() == files["code/good"].decode() == new.version


@desk
def test_a_server_that_is_another_or_says_what_it_likes(
    tmp_path: Path, flashed: Path, certificates: Path
) -> None:
    """R13: nothing moves the mark, nothing is told to a stranger, and the board sleeps."""
    (tmp_path / "other").mkdir()
    mosquitto.certificates(tmp_path / "other")
    heard: list[bytes] = []
    answers = iter(
        (
            b"HTTP/1.1 200 OK\r\nContent-Length: 4\r\n\r\n{}\n{",
            b"HTTP/1.1 200 OK\r\nContent-Length: 99999\r\n\r\n" + b"x" * 99999,
            b"HTTP/1.1 200 OK\r\n" + b"x" * 9999,
            b"HTTP/1.1 200 OK\r\n\r\n",
            b"HTTP/1.1 302 Found\r\nLocation: https://elsewhere/\r\nContent-Length: 0\r\n\r\n",
            b"",
        )
    )

    def serve(stream: socket.socket, here: Path) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(here / "server.pem", here / "server.key")
        while True:
            try:
                plain, _ = stream.accept()
            except OSError:
                return
            try:
                with context.wrap_socket(plain, server_side=True) as secure:
                    data = secure.recv(65536)
                    while b"hmac" not in data or not data.endswith(b"]"):
                        more = secure.recv(65536)
                        if not more:
                            raise ConnectionResetError
                        data += more
                    heard.append(data)
                    secure.sendall(next(answers, b""))
            except OSError:
                pass

    with at_home(tmp_path, flashed, certificates) as (board, house):
        # After each report in vain the next try waits longer, up to seven days (R17)
        for here, count in ((tmp_path / "other", 1), (certificates, 20)):
            stream = socket.create_server(("127.0.0.1", house.port))
            thread = threading.Thread(target=serve, args=(stream, here), daemon=True)
            thread.start()
            days(board, count)
            stream.shutdown(socket.SHUT_RDWR)
            stream.close()
            thread.join()
            if here != certificates:
                assert not heard  # not a byte to whom it cannot know
        assert len(heard) >= 5
        assert all(data.startswith(b"POST /pots/wakewell/") for data in heard)
        for why in (b"Gone(71,)", b"Gone(13,)", b"Gone(104,)", b"Gone(110,)"):
            assert why in board.console, why
        with house.listening() as listener:
            days(board, 8)
        assert listener.bad == 0
        files = board.read_files()
        log = b"".join(files[n] for n in sorted(files) if n.startswith("pot/log/")).splitlines()
        lines = house.lines()
        assert len(lines) > 8
        assert log[: len(lines)] == lines


@pytest.fixture
def house(tmp_path: Path, certificates: Path) -> House:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text(f'id = "{remote_pots.BOARD}"\n')
    shutil.copy(certificates / "ca.pem", folder / "ca.pem")
    port = mosquitto.free_port()
    fill_in(folder, port)
    return House(tmp_path, folder, port, certificates)


def call(house: House, path: str, body: bytes, **headers: str) -> tuple[int, bytes]:
    context = ssl.create_default_context(cafile=house.certificates / "ca.pem")
    link = http.client.HTTPSConnection("localhost", house.port, context=context)
    try:
        link.request("POST", path, body, headers)
        answer = link.getresponse()
        return answer.status, answer.read()
    finally:
        link.close()


def test_strangers_get_nothing_and_hold_up_nobody(house: House) -> None:
    secret = private.read(house.folder)
    good = f"/pots/wakewell/{remote_pots.BOARD}/report"
    idle = []
    with house.listening() as listener:
        for _ in range(20):  # neither TLS nor a goodbye
            idle.append(socket.create_connection(("127.0.0.1", house.port)))
        pack = common.pack(common.LINES[:3], 1, secret.key)
        for path in ("/", "/wakewell/../report", good + "/x", good.replace("0", "1"), "x" * 5000):
            assert call(house, path, pack)[0] in (404, 431)
        for body in (b"", b"{}", pack[:-3], pack.replace(b"hmac", b"hmax"), b"x" * 50000):
            assert call(house, good, body)[0] == 400
        assert call(house, good, b"x", **{"Content-Length": "999999999"})[0] == 413
        assert listener.heard == 0
        status, body = call(house, good, pack)
        assert status == 200
        assert body.endswith(b"\n")  # nothing was asked
        assert listener.new == 3
        assert call(house, good, pack)[0] == 200  # told twice, kept once
        assert listener.new == 3
    for each in idle:
        each.close()


@pytest.mark.skipif(not socket.has_dualstack_ipv6(), reason="no IPv6 on this computer")
def test_ipv6_is_heard_beside_ipv4(house: House) -> None:
    context = ssl.create_default_context(cafile=house.certificates / "ca.pem")
    with house.listening():
        for address in ("::1", "127.0.0.1"):
            with (
                socket.create_connection((address, house.port)) as plain,
                context.wrap_socket(plain, server_hostname="localhost") as stream,
            ):
                stream.sendall(b"POST /nobody HTTP/1.1\r\nHost: here\r\nContent-Length: 0\r\n\r\n")
                assert stream.recv(1000).startswith(b"HTTP/1.1 404 "), address


@pytest.mark.parametrize(
    ("address", "counted"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),  # IPv4 at a door for both (RFC 4291, 2.5.5.2)
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::", "2001:db8:1:3::/64"),
        ("fe80::1%eth0", "fe80::/64"),
    ],
)
def test_a_home_of_ipv6_is_one_address(address: str, counted: str) -> None:
    """Who is given a network of 64 bits (RFC 6177, from memory) has one address here, not 2**64."""
    assert posted.household(address) == counted


class Narrow:
    """A queue that is full until somebody makes room."""

    def __init__(self) -> None:
        self.tries, self.room = 0, False
        self.kept: list[object] = []

    def put_nowait(self, message: object) -> None:
        self.tries += 1
        if self.tries > 1000:
            raise RuntimeError("nobody else had a turn")
        if not self.room:
            raise queue.Full
        self.kept.append(message)


def test_while_the_queue_is_full_others_are_served(house: House) -> None:
    narrow, here = Narrow(), house.certificates
    server = posted.Posted(
        house.port, here / "server.pem", here / "server.key",
        narrow, {remote_pots.BOARD: house.folder},  # type: ignore[arg-type]
    )  # fmt: skip

    async def served() -> None:
        waits = asyncio.create_task(server.put(waiting_radio.Message("topic", b"report")))
        while not narrow.tries:
            await asyncio.sleep(0)
        narrow.room = True
        await waits

    asyncio.run(served())
    server.door.close()
    assert len(narrow.kept) == 1


def test_a_full_queue_and_a_board_that_calls_twice(house: House, monkeypatch: object) -> None:
    """Back-pressure: who cannot be kept now is told so and comes again."""
    secret = private.read(house.folder)
    waiting: queue.Queue[waiting_radio.Message] = queue.Queue(1)
    here = house.certificates
    server = posted.Posted(
        house.port, here / "server.pem", here / "server.key", waiting,
        {remote_pots.BOARD: house.folder},
    )  # fmt: skip
    server.start()
    try:
        path = f"/wakewell/{remote_pots.BOARD}/report"
        pack = common.pack(common.LINES[:3], 1, secret.key)
        first: list[tuple[int, bytes]] = []
        thread = threading.Thread(target=lambda: first.append(call(house, path, pack)))
        thread.start()
        message = waiting.get()
        assert call(house, path, pack)[0] == 503
        assert not server.post(message.topic, b"the answer to another report")
        message.done()
        thread.join()
        assert first[0][0] == 400  # dealt with, and dropped
    finally:
        server.stop()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "give --post PORT --certificate PEM"),
        (("--post", "8443"), "together with --certificate PEM"),
        (("--post", "0", "--certificate", "ca.pem"), "allowed 1 to 65535"),
        (("--post", "8443", "--certificate", "absent.pem"), "No such file"),
    ],
)
def test_what_it_says_when_it_cannot(
    house: House, words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["listen", str(house.folder), *words]) == 2
    assert told in capsys.readouterr().err


def test_the_command(house: House) -> None:
    import subprocess

    here = house.certificates
    words = ["--post", str(house.port), "--certificate", str(here / "server.pem")]
    with subprocess.Popen(
        [sys.executable, "-m", "wakewell", "listen", str(house.folder), *words,
         "--key", str(here / "server.key"), "--for", "86400"],
        stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert f"listening to basil at port {house.port}" in process.stdout.readline()
        secret = private.read(house.folder)
        path = f"/wakewell/{remote_pots.BOARD}/report"
        assert call(house, path, common.pack(common.LINES[:5], 1, secret.key))[0] == 200
        kept = house.folder / "logs" / "00000001.jsonl"
        assert kept.read_bytes() == common.whole(common.LINES[:5])
        process.terminate()
        assert "heard 1 reports, 5 new lines; dropped 0" in process.communicate()[0]


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ({"ca": '""'}, "post.ca: name the PEM file"),
        ({"path": '"pots"'}, "post.path: allowed a path"),
        ({"path": '"/pots/"'}, "post.path: allowed a path"),
        ({"port": "0"}, "post.port: allowed 1 to 65535"),
    ],
)
def test_what_private_toml_may_say(tmp_path: Path, rows: dict[str, str], told: str) -> None:
    folder = copy_pot("basil", tmp_path)
    (folder / "ca.pem").write_text("")
    with pytest.raises(BadInput, match=told):
        fill_in(folder, 443, **rows)


def test_a_broker_or_a_server_not_both(tmp_path: Path, certificates: Path) -> None:
    folder = copy_pot("basil", tmp_path)
    shutil.copy(certificates / "ca.pem", folder)
    fill_in(folder, 443)
    path = folder / "private.toml"
    path.write_text(path.read_text().replace('host = ""', 'host = "b"', 1))
    with pytest.raises(BadInput, match=r"post.host: broker.host is given too"):
        private.read(folder)


def test_a_stranger_on_the_line_holds_up_no_board(certificates: Path, tmp_path: Path) -> None:
    """Whoever knows a board's id but not its report's nonce waits beside it, not in its place."""
    waiting: queue.Queue[waiting_radio.Message] = queue.Queue()
    server = posted.Posted(
        mosquitto.free_port(), certificates / "server.pem", certificates / "server.key",
        waiting, {BOARD: tmp_path},
    )  # fmt: skip
    topic, found = f"wakewell/{BOARD}/report", {}

    def ask(nonce: str) -> None:
        payload = b'[{"n":"nonce","vs":"%s"}]' % nonce.encode()
        found[nonce] = asyncio.run(server.ask(topic, BOARD, payload))

    callers = [threading.Thread(target=ask, args=(nonce * 16,)) for nonce in "0123"]
    for caller in callers:
        caller.start()
    messages = [waiting.get() for _ in callers]
    assert server.post(f"wakewell/{BOARD}/heard", b'{"nonce": "2222222222222222"}')
    assert not server.post(f"wakewell/{BOARD}/heard", b'{"nonce": "9999999999999999"}')
    for message in messages:
        message.done()
    for caller in callers:
        caller.join()
    server.stop()
    assert found.pop("2" * 16)[0] == 200
    assert set(found.values()) == {(400, b"")}


# Strangers who hold the line, or say what two readers would understand differently


def secure(house: House, address: str = "127.0.0.1") -> ssl.SSLSocket:
    context = ssl.create_default_context(cafile=house.certificates / "ca.pem")
    place = ("localhost", house.port)
    plain = socket.create_connection(place, source_address=(address, 0))
    try:
        return context.wrap_socket(plain, server_hostname="localhost")
    except BaseException:
        plain.close()
        raise


HELLO = b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"  # of TLS, as far as its version (RFC 8446)


def silent(house: House) -> Iterator[None]:
    """A connection, and nothing more."""
    with socket.create_connection(("127.0.0.1", house.port)):
        while True:
            yield


def shaking(house: House) -> Iterator[None]:
    """Hands are shaken for ever, a byte at a time."""
    with socket.create_connection(("127.0.0.1", house.port)) as stream:
        for byte in itertools.chain(HELLO, itertools.repeat(0)):
            stream.sendall(bytes([byte]))
            yield


def head_dripping(house: House) -> Iterator[None]:
    with secure(house) as stream:
        stream.sendall(b"POST /pots HTTP/1.1\r\n")
        for number in itertools.count():
            yield
            stream.sendall(b"X-%d: y\r\n" % number)


def body_dripping(house: House) -> Iterator[None]:
    path = f"/wakewell/{remote_pots.BOARD}/report"
    with secure(house) as stream:
        stream.sendall(f"POST {path} HTTP/1.1\r\nHost: h\r\nContent-Length: 9999\r\n\r\n".encode())
        while True:
            yield
            stream.sendall(b"[")


def kept_alive(house: House) -> Iterator[None]:
    """A good report, as from a stolen key, and then silence."""
    secret = private.read(house.folder)
    # Of two at a time with one nonce the second is refused
    pack = common.pack(common.LINES[:1], 1, secret.key, nonce="f" * 16)
    with secure(house) as stream:
        path = f"/wakewell/{remote_pots.BOARD}/report"
        head = f"POST {path} HTTP/1.1\r\nHost: h\r\nContent-Length: {len(pack)}\r\n\r\n"
        stream.sendall(head.encode() + pack)
        while True:
            yield


DRIPPERS = 70


@pytest.mark.parametrize("kind", [silent, shaking, head_dripping, body_dripping, kept_alive])
def test_pots_are_heard_while_seventy_hold_the_line(
    house: House, kind: Callable[[House], Iterator[None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of them says a little more for ever, and comes again when it is cut off."""
    monkeypatch.setattr(posted, "ANSWER_S", 600.0)  # on however busy a computer
    secret = private.read(house.folder)
    good = f"/pots/wakewell/{remote_pots.BOARD}/report"
    enough = threading.Event()
    with house.listening() as listener:
        held = [kind(house) for _ in range(DRIPPERS)]
        for each in held:
            next(each)

        def drip() -> None:
            while not enough.wait(0.02):
                for number, each in enumerate(held):
                    try:
                        next(each)
                    except (OSError, StopIteration):
                        held[number] = kind(house)

        thread = threading.Thread(target=drip)
        thread.start()
        try:
            for n in range(12):
                pack = common.pack(common.LINES[3 * n : 3 * n + 3], n + 2, secret.key)
                assert call(house, good, pack)[0] == 200
        finally:
            enough.set()
            thread.join()
            for each in held:
                each.close()  # type: ignore[attr-defined]
    assert listener.store.lines(remote_pots.BOARD) == common.LINES[:36]


def answers_on(stream: ssl.SSLSocket) -> list[int]:
    """The statuses of every answer until the server hangs up."""
    data = b""
    try:
        while more := stream.recv(65536):
            data += more
    except ConnectionResetError:
        pass
    return [int(status) for status in re.findall(rb"HTTP/1\.1 (\d+) ", data)]


@pytest.mark.parametrize("limit", ["HEAD_S", "REPORT_S", "CALLER_S"])
def test_each_limit_ends_a_caller(
    house: House, limit: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However often it says something: it is the whole time that counts."""
    kind = {"HEAD_S": head_dripping, "REPORT_S": body_dripping, "CALLER_S": shaking}[limit]
    for each in ("HEAD_S", "REPORT_S", "CALLER_S"):
        monkeypatch.setattr(posted, each, 0.5 if each == limit else 86400.0)

    def drip(held: Iterator[None]) -> None:
        for _ in itertools.islice(held, 400):  # fewer bytes than are allowed
            time.sleep(0.005)

    with house.listening():
        with pytest.raises(OSError, match=r"\w"):
            drip(kind(house))
        until(lambda: not house.server.room.callers)


def test_who_makes_no_haste_goes_for_who_comes(house: House) -> None:
    """Nobody of an address is let in beyond its share while all there are in haste; then the
    slowest goes. Another address is let in at once."""
    good = f"/pots/wakewell/{remote_pots.BOARD}/report"
    pack = common.pack(common.LINES[:3], 1, private.read(house.folder).key)
    with house.listening(), ExitStack() as stack:
        room = house.server.room
        room.most, room.of_address = 9, 8
        for count in range(1, 9):
            stack.enter_context(socket.create_connection(("127.0.0.1", house.port)))
            until(lambda: len(room.callers) >= count)  # noqa: B023
        with pytest.raises((OSError, http.client.HTTPException)):
            call(house, good, pack)
        for _ in range(2):
            stack.enter_context(secure(house, "127.0.0.2"))
        for caller in room.callers:
            caller.since -= 60.0
        assert call(house, good, pack)[0] == 200


def test_the_room(tmp_path: Path) -> None:
    """Who goes for whom, by the rule alone."""
    there = room.Room(most=6, of_address=4)

    def come(address: str, now: float) -> room.OnTheLine:
        caller, goes = there.admit(address, now)
        assert caller is not None
        assert goes is None
        return caller

    many = [come("a", float(n)) for n in range(4)]
    assert there.admit("a", 3.5) == (None, None)  # all of them in haste
    many[0].busy = True
    caller, goes = there.admit("a", 1.0 + room.GRACE_S)
    assert caller is not None
    assert goes is many[1]
    come("b", 5.0)
    come("c", 5.0)
    caller, goes = there.admit("b", 5.0)  # the room is full: who has most gives, at once
    assert goes is many[2]
    assert there.admit("a", 5.0) == (None, None)
    assert [there.admit("d", 5.0)[1] for _ in range(2)] == [many[3], None]
    assert len(there.callers) == 6
    for caller in list(there.callers):
        there.leave(caller)
        there.leave(caller)
    assert not there.callers


HOST = b"Host: localhost\r\n"
LENGTH = b"Content-Length: %d\r\n"


@pytest.mark.parametrize(
    ("rows", "status"),
    [
        (LENGTH + b"Transfer-Encoding: chunked\r\n", 400),
        (b"Transfer-Encoding: chunked\r\n" + LENGTH, 400),
        (b"Transfer-Encoding: identity\r\n" + LENGTH, 400),
        (b"transfer-encoding:\r\n" + LENGTH, 400),
        (LENGTH + b"Content-Length: 5\r\n", 400),
        (LENGTH + LENGTH, 400),
        (b"Content-Length: %d, %d\r\n", 400),
        (b"Content-Length: +%d\r\n", 400),
        (b"Content-Length: -%d\r\n", 400),
        (b"Content-Length: 0x%x\r\n", 400),
        (b"Content-Length: %d.0\r\n", 400),
        (b"Content-Length: \xd9\xa3\r\n", 400),  # a digit, but not of ASCII
        (b"Content-Length:\r\n", 400),
        (b"Content-Length : %d\r\n", 400),
        (b" Content-Length: %d\r\n", 400),
        (LENGTH + b"X: y\r\n z\r\n", 400),  # a continued line
        (LENGTH + b"X: y\nTransfer-Encoding: chunked\r\n", 400),
        (LENGTH + b"X: y\rTransfer-Encoding: chunked\r\n", 400),
        (LENGTH + b"X\x00: y\r\n", 400),
        (LENGTH + b"X: \x00\r\n", 400),
        (LENGTH + b"no colon\r\n", 400),
        (LENGTH + b": no name\r\n", 400),
        (LENGTH + HOST, 400),
        (b"Content-Length: 99999999999999999999\r\n", 413),
        (b"Content-Length: 999999999999999999999\r\n", 400),
        (b"Content-Length: 65537\r\n", 413),
        (b"Transfer-Encoding: chunked\r\n", 411),
        (b"", 411),
        (LENGTH + b"X: %s\r\n" % (b"y" * 5000), 431),
        (LENGTH + b"X: y\r\n" * 2000, 431),
    ],
)
def test_a_body_whose_length_may_be_read_twice(house: House, rows: bytes, status: int) -> None:
    """RFC 9112, sections 5.1, 5.2 and 6.3: refused, and what follows it is no second request."""
    secret = private.read(house.folder)
    pack = common.pack(common.LINES[:3], 1, secret.key)
    for place in range(rows.count(b"%d") + rows.count(b"%x")):
        at = min(i for i in (rows.find(b"%d"), rows.find(b"%x")) if i >= 0)
        form = rows[at : at + 2]
        rows = rows[:at] + form % (len(pack) + 5 * (place > 0)) + rows[at + 2 :]
    line = f"POST /wakewell/{remote_pots.BOARD}/report HTTP/1.1\r\n".encode()
    good = line + HOST + LENGTH % len(pack) + b"\r\n" + pack
    with house.listening() as listener:
        with secure(house) as stream:
            stream.sendall(line + HOST + rows + b"\r\n" + pack + good)
            assert answers_on(stream) == [status]
        assert listener.heard == 0


@pytest.mark.parametrize(
    ("head", "status"),
    [
        (b"GET / HTTP/1.1", 405),
        (b"POST / HTTP/2.0", 400),
        (b"POST / HTTP/1.1 ", 400),
        (b"POST  / HTTP/1.1", 400),
        (b"POST /", 400),
        (b"post / HTTP/1.1", 400),
        (b"", 400),
        (b"POST /%s HTTP/1.1" % (b"x" * 3000), 414),
        (b"\x80" * 40, 400),
    ],
)
def test_heads_that_are_none(head: bytes, status: int) -> None:
    assert request.read(head + b"\r\n" + HOST + request.END[2:]) == status


def test_reports_one_after_the_other_on_one_line(house: House) -> None:
    """As a board tells more than one batch; then said in one breath; then told to close."""
    secret = private.read(house.folder)
    line = f"POST /wakewell/{remote_pots.BOARD}/report HTTP/1.1\r\n".encode()
    told = []
    for n in range(4):
        pack = common.pack(common.LINES[2 * n : 2 * n + 2], n + 1, secret.key)
        rest = b"Connection: close\r\n" if n == 3 else b""
        told.append(line + HOST + LENGTH % len(pack) + rest + b"\r\n" + pack)
    with house.listening() as listener:
        with secure(house) as stream:
            stream.sendall(told[0])
            assert stream.recv(4096).startswith(b"HTTP/1.1 200 OK\r\n")
            stream.sendall(b"".join(told[1:]))
            assert answers_on(stream) == [200, 200, 200]
        assert listener.store.lines(remote_pots.BOARD) == common.LINES[:8]


def test_a_caller_that_waits_to_be_told_to_go_on(house: House) -> None:
    pack = common.pack(common.LINES[:3], 1, private.read(house.folder).key)
    line = f"POST /wakewell/{remote_pots.BOARD}/report HTTP/1.1\r\n".encode()
    with house.listening(), secure(house) as stream:
        stream.sendall(line + HOST + LENGTH % len(pack) + b"Expect: 100-continue\r\n\r\n")
        assert stream.recv(4096) == b"HTTP/1.1 100 Continue\r\n\r\n"
        stream.sendall(pack)
        assert stream.recv(4096).startswith(b"HTTP/1.1 200 OK\r\n")
