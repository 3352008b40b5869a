"""Pots on a bare chip: the longest pulse there is, every part fitted, a report to a broker.

Invented throughout. The bench measures with them too (tools/bench.py).
"""

from __future__ import annotations

import struct
import sys
from binascii import crc32
from pathlib import Path
from typing import Any

from assurance.bare_broker import Broker
from wakecore import line
from wakecore.state import State
from wakewell.interpreters.chip32.bare import BareBoot, BareChip
from wakewell.radio import pieces, send
from wakewell.usb import payload

sys.path.insert(0, str(Path(__file__).parent.parent / "core"))
import core_pots

import assurance.no_chip  # noqa: F401  only a table of these is needed
from wakeboard import kept, manifest, wiring

BOARD, KEY, CODE = b"chip32".hex(), bytes(range(32)), "abcdefgh1234"
PUMP, SOIL, LEVEL, BATTERY, CURRENT, SAUCER = 25, 32, 33, 34, 35, 36
MPY = 6


def chip(**settings: int) -> BareChip:
    """A board as `flash` leaves it, asleep for the first time; its soil is dry, its tank full.

    A pulse of its dose is as long as a pulse can be, and every channel is sampled in it.
    """
    lines = core_pots.lines(
        {"pulse_ml": 60, "dose_ml": 60, "settle_s": 600, **settings},
        {"pulse_ms": 30000, "flow_max_ul_s": 2000, "day_ml": 500, "dry_ms": 10000},
        {"flow_ul_s": 2000, "ul_per_ppt": 0, "tolerance_ml": 4, "dry_ma": 60}
        | {"saucer": core_pots.SAUCER, "current": core_pots.CURRENT},
    )
    parts = {"soil_pin": SOIL, "level_kind": wiring.GAUGE, "level_pin": LEVEL}
    parts |= {"battery_pin": BATTERY, "current_pin": CURRENT, "saucer_pin": SAUCER}
    record = {"kind": "wiring", "version": wiring.VERSION, **parts}
    code = payload.compile_code(MPY)
    files = {f"code/{code.version}/{name}": data for name, data in code.files.items()}
    files |= payload.root_files("esp32")
    files |= {f"pot/{kind}.json": data + b"\n" for kind, data in lines.items()}
    files["pot/wiring.json"] = line.encode(tuple(record), record) + b"\n"
    pump = {"kind": "pump", "pin": PUMP, "off": 0}
    files["pump.json"] = line.encode(("kind", "pin", "off"), pump)
    files["code/in-force"] = files["code/good"] = code.version.encode()
    files["boots"] = b"0"
    for slot in range(2):
        state = State()
        state.seq = slot + 1
        files[f"pot/state.{slot}"] = state.to_bytes()
    values = {SOIL: 2200000, LEVEL: 2400000, BATTERY: 2000000, CURRENT: 700000, SAUCER: 2400000}
    return BareChip(files, values, (LEVEL, -4400))


def reporting(broker: Broker, **settings: int) -> BareChip:
    """The same with secrets: every regular wake ends in a report over TLS, to that broker."""
    found = chip(radio_wakes=1, **settings)
    record: dict[str, Any] = {"kind": "private", "version": 1, "key": KEY.hex()}
    record |= {"wifi_name": "greenhouse", "wifi_password": "not a real one"}
    record |= {"broker_host": "192.168.1.9", "broker_port": 8883, "broker_tls": 1}
    record |= {"broker_user": "pot", "broker_password": "not a real one"}
    record |= {"entry_name": "pot", "entry_code": CODE, "entry_port": 80}
    found.files["pot/private.json"] = line.encode(tuple(record), record)
    found.files["pot/ca.der"] = bytes(900)  # about the size of a certificate
    found.peer = broker
    return found


def sent(broker: Broker, code: payload.Code, n: int = 1, **other: Any) -> None:
    """Leave a version with the broker, as `wakewell send` does. other: of the manifest."""
    rows = send.listing(code.files)
    record = {
        "board": BOARD, "n": n, "until": [36000, 0], "until_n": 1 << 20, "chip": "Emscripten",
        "mpy": MPY, "root": send.root_id("esp32"), "back": 0, "name": code.version,
        "list": payload.sha(rows), "size": len(rows),
    }  # fmt: skip
    files = {payload.sha(data): data for data in (rows, *code.files.values())}
    head = f"wakewell/{BOARD}/"
    broker.kept[head + "code"] = bytes(manifest.make(KEY, record | other))
    broker.kept |= {head + name: data for name, data in pieces.of(files, KEY, BOARD)}


class Visitor:
    """Somebody at the entry page, who looks at it and fills it in; then the broker answers."""

    ASKED = (
        b"GET / HTTP/1.1\r\nHost: pot\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: pot\r\nContent-Length: 50\r\n\r\n"
        b"name=attic&password=in+the+attic&code=abcdefgh1234",
    )

    def __init__(self, broker: Broker) -> None:
        self.broker, self.heard = broker, b""
        self.calls = [bytearray(data) for data in self.ASKED]
        self.open = 0

    def connect(self) -> int:
        return self.broker.connect()

    def accept(self) -> int:
        if self.open == len(self.calls):
            return -1
        self.open += 1
        return self.open

    def read(self, number: int, size: int) -> bytes | None:
        if not number:
            return self.broker.read(number, size)
        call = self.calls[number - 1]
        data = bytes(call[:size])
        del call[:size]
        return data or None

    def write(self, number: int, data: bytes) -> None:
        if number:
            self.heard += data
        else:
            self.broker.write(number, data)


def with_entry_page(rtc: bytes) -> bytes:
    """RTC memory that calls for a report, and for the entry page as well."""
    found = list(struct.unpack(kept.KEPT, rtc[: kept.KEPT_SIZE]))
    assert found[5] >= 0
    found[8] = 1
    body = struct.pack(kept.KEPT, *found) + rtc[kept.KEPT_SIZE : -4]
    return body + struct.pack("<I", crc32(body))


def measured() -> dict[str, BareBoot]:
    """One boot of each kind that a board has."""
    found = {}
    board = reporting(Broker(BOARD, KEY))
    found["longest pulse"] = board.boot()
    found["report"] = board.boot()
    board.boot()
    board.boot()
    found["boot"] = board.boot()
    board = reporting(Broker(BOARD, KEY))
    board.peer = Visitor(Broker(BOARD, KEY))
    board.boot()
    board.rtc = with_entry_page(board.rtc)
    found["entry page"] = board.boot()
    host = Broker(BOARD, KEY)
    board = reporting(host)
    code = payload.compile_code(MPY)
    files = code.files | {"wakecore/wake.mpy": code.files["wakecore/wake.mpy"] + b"\0"}
    sent(host, payload.Code("0123456789ab-01234567", files))
    board.boot()
    found["fetch"] = board.boot()
    if "code/staged" not in board.files:
        raise RuntimeError(f"nothing was fetched: {found['fetch'].console[-500:]}")
    return found
