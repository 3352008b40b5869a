"""What lies between board and broker loses, doubles, slows and swells what it carries.

A small relay on the loopback stands between a desk board and a real Mosquitto.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import replace

import pytest
from test_desk_radio import Home, home  # noqa: F401
from usb_desks import wakes

from wakewell.deskboard import why_not
from wakewell.pot import private

pytestmark = pytest.mark.skipif(bool(why_not()), reason=str(why_not()))


SHARE = 0.1  # of its real waits that the board sits out where no answer can come in time


class Relay:
    """Between a board and its broker. way: what happens to what the broker says."""

    def __init__(self, broker_port: int) -> None:
        self.broker_port = broker_port
        self.way = "plain"
        self.passed = 0  # answers to reports that came by
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                board, _ = self.server.accept()
                broker = socket.create_connection(("127.0.0.1", self.broker_port))
                threading.Thread(target=self._up, args=(board, broker), daemon=True).start()
                threading.Thread(target=self._down, args=(board, broker), daemon=True).start()

    def _up(self, board: socket.socket, broker: socket.socket) -> None:
        with suppress(OSError), closing(board), closing(broker):
            while data := board.recv(4096):
                broker.sendall(data)

    def _down(self, board: socket.socket, broker: socket.socket) -> None:
        with suppress(OSError), closing(board), closing(broker), broker.makefile("rb") as file:
            while packet := one_packet(file):
                answer = packet[0] >> 4 == 3 and b"/heard" in packet[:80]
                self.passed += answer
                if not answer or self.way == "plain":
                    board.sendall(packet)
                elif self.way == "twice":
                    board.sendall(packet + packet)
                elif self.way == "huge":
                    board.sendall(publish(packet, b"x" * 60000) + packet)
                elif self.way == "endless":
                    while True:  # until the board hangs up
                        board.sendall(publish(packet, b"not an answer") * 100)
                elif self.way == "slow":
                    for at in range(len(packet)):
                        board.sendall(packet[at : at + 1])
                        time.sleep(SHARE * 0.25)
                else:
                    assert self.way == "lost"


def one_packet(file: object) -> bytes:
    """A packet of MQTT 3.1.1 (section 2.2: its length in up to four bytes of seven bits)."""
    read = file.read  # type: ignore[attr-defined]
    packet: bytes = read(1)
    size = 0
    for shift in (0, 7, 14, 21):
        more: bytes = read(1)
        if not more:
            return b""
        packet += more
        size |= (more[0] & 0x7F) << shift
        if more[0] < 0x80:
            break
    return packet + bytes(read(size))


def publish(like: bytes, payload: bytes) -> bytes:
    """A publication at QoS 0 on the topic of another one."""
    at = 1
    while like[at] >= 0x80:
        at += 1
    topic = like[at + 1 : at + 3 + int.from_bytes(like[at + 1 : at + 3], "big")]
    left, size = len(topic) + len(payload), b""
    while left >= 0x80:
        size += bytes([left & 0x7F | 0x80])
        left >>= 7
    return b"\x30" + size + bytes([left]) + topic + payload


@pytest.fixture
def relay(home: Home) -> Iterator[Relay]:  # noqa: F811
    """The board reaches the broker through it, the listener does not."""
    secret = private.read(home.folder)
    made = Relay(secret.broker["port"])
    through = replace(secret, broker=secret.broker | {"port": made.port})
    home.board.write_files({"pot/private.json": through.board_line()})
    yield made
    made.server.close()


@pytest.mark.parametrize("way", ["lost", "twice", "huge", "endless", "slow"])
def test_answers_on_a_bad_way(home: Home, relay: Relay, way: str) -> None:  # noqa: F811
    """Each wake ends asleep in its bound (R13); no line is kept twice; in the end all are there."""
    with home.listening() as listener:
        relay.way = way
        home.board.patience = SHARE if way in ("lost", "slow") else 1.0
        home.days(3)
        home.board.patience = 1.0
        assert relay.passed
        assert {boot.ended for boot in home.board.boots[1:]} == {"deep sleep"}
        relay.way = "plain"
        home.heard(2)
    assert listener.bad == 0
    files = home.files()
    text = b"".join(files[n] for n in sorted(files) if n.startswith("pot/log/"))
    kept = home.store().lines(home.board.unique_id.hex())
    assert kept == text.splitlines()
    assert len(wakes(files)) >= 6
    assert all(record["begin"]["cause"] != "watchdog" for record in wakes(files))
