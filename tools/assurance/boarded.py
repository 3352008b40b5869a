"""Sequences through the whole board: its loader, driver, files and radio, on a chip in Python.

A file is a sequence as in `wakewell.sequences.sequence_file`, on the bench pot; `begin` is not told
but comes about. What may be said besides:

    [board]                       echo = true: its gauge is one of echoes; radio = false; sensors =
                                  false: they have power at all times; tls = false: its broker
                                  is at home and wants none; post = true: reports are posted

    [wake.board]                  of each of these wakes; the first seven stay until they change
    wifi = false                  no network is there
    broker = "deaf"               or "closes", "away", "good": what it does with a report
    clock_server = [9800, 0]      the time it tells; [0, 0]: none answers
    echoes = 1                    of nine echoes so many come back
    network = "cottage"           the Wi-Fi that is there; its password is always the same
    radio = "hangs"               or "browns out", "good": what switching it on does to the chip
    cable = [9800, 0]             the time was told by cable
    fails = "/pot/state"          no file whose name begins so can be written
    cut = 3                       the power goes in the third operation on the flash;
    cut = "each"                  in each in turn: the sequence is played once for each
    cut_in = "/pot/state"         counting only operations on files whose names begin so
    damaged = ["/pot/heard.0"]    these lost their bits before the wake
    unsigned = ["/pot/limits.json"]   these lost their CRC, and read well otherwise
    flashed = { dose_ml = 60 }    a flash of all three files, settings among them, was cut off
    stranger = { dose_ml = 60 }   a message of the owner's from long ago is sent again
    key = true                    the owner asks for another key
    staged = "sound"              a version has come over the air and is staged; "breaks off",
                                  "hangs": each wake of it does
    program = "hangs"             or "breaks off": this wake's does, whichever version it is
    kept = true                   RTC memory and the clock outlive the brown-out before this wake
    short = 1                     so many times there is no memory for a line of the log
    free = 500                    so many bytes are left on the flash
    visitor = ["cottage", "its password"]   what a person enters at the entry page; with the code
                                  on the card unless a third word is another

Expectations know besides: `heard` (records that the host has, all told), `changed` (are other
settings in force than at the start?), `state_was`, `limits_was` (as in a record's `begin`),
`version` ("sent" or "before": which is in force), `versions` (sent ones on the flash), `key` ("old"
or "new"), `missing` (wakes neither in the log nor counted as dropped). A meter at the pins looks on
in every wake: whatever it finds is a failure of the requirement it names.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from itertools import tee
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from assurance import promises
from assurance.bare_broker import UTC, Broker, Server
from assurance.whole_chip import (
    EXT0,
    HOME,
    MOST_BOOT_MS,
    PASSWORD,
    POWER,
    RESET,
    SLEPT,
    TIMER,
    WATCHDOG,
    PlainChip,
)
from wakeboard import asked, manifest, wiring
from wakecore import fields, line
from wakecore.state import State
from wakecore.table import counts_at
from wakewell.log.commanded import sleep_of
from wakewell.portable import mock
from wakewell.pot.pot_folder import compile_files
from wakewell.sequences import bench_pot, judging, sequence_file
from wakewell.sequences.judging import Failure
from wakewell.sequences.sequence_file import Sequence, SequenceError, SequenceReader

BOARD, KEY = "63686970", bytes(range(32))
PUMP, BUTTON, SENSORS = 25, 27, 26
PINS = {"soil": 32, "level": 33, "battery": 34, "current": 35, "saucer": 36, "charger": 18}
PINS |= {"temperature": 19, "flowmeter": 21}
MOST_BOOTS = 6  # boots of one wake, its radio's among them
CONTACT = {"points": [[0, 0], [1, 1]], "rails": [-5, 5], "spread": 0}
SENT = "0123456789ab-01234567"  # the name of a version that came over the air
CODE = "moss and fern"  # on the pot's card
SLACK_MS = 3000  # of a sleep that whole seconds and the start of a boot explain
SHORT_MS = 1000  # a shorter sleep is inside a wake: the radio's boot comes after it
STAYS: dict[str, Any] = {
    "wifi": True, "broker": "good", "clock_server": [0, 0], "echoes": 9, "fails": "",
    "network": HOME, "radio": "good",
}  # fmt: skip
ONCE: dict[str, Any] = {
    "cut": 0, "cut_in": "", "damaged": [], "unsigned": [], "flashed": {}, "stranger": {},
    "kept": False, "short": 0,
    "cable": [], "key": False, "staged": "", "program": "", "free": None, "visitor": [],
}  # fmt: skip
CANNOT: tuple[str, ...] = (
    "after",
    "retained",
    "boots",
    "pin",
    "utc",
    "state",
    "settings",
    "limits",
)
CANNOT += ("calibration", "radio", "radio_ms", "awake_ms", "vouched")
CAUSES = {"power": POWER, "brownout": POWER, "reset": RESET, "watchdog": WATCHDOG}


def own(value: object) -> Any:
    """A key of this file: the player knows what may stand in it."""
    return value


class BoardReader(SequenceReader):
    """Reads such a file, or a plain sequence that a whole board can play."""

    def sequence(self) -> Sequence:
        self.board = {"radio": True, **self.data.pop("board", {})}
        self.each = [wake.pop("board", {}) for wake in self.array((), "wake")]
        self.stays = dict(STAYS)
        unknown = set(self.board) - {"echo", "radio", "sensors", "tls", "post"}
        unknown |= {key for told in self.each for key in told} - set(STAYS) - set(ONCE)
        if unknown:
            raise self.error((), f"not a key of a board: {', '.join(sorted(unknown))}")
        if "charger" not in self.data.get("calibration", {}):
            self.data.setdefault("calibration", {})["charger"] = CONTACT
        found = super().sequence()
        found.script["board"] = self.board
        return found

    def wake(
        self,
        sequence: Sequence,
        at: tuple[str | int, ...],
        given: dict[str, Any],
        ordinary: dict[str, Any],
    ) -> None:
        first = len(sequence.wakes)
        super().wake(sequence, at, given, ordinary)
        told = self.each[int(at[1])]
        self.stays |= {key: value for key, value in told.items() if key in STAYS}
        rows = sequence.script["wakes"]
        for number in range(first, len(rows)):
            once = {key: told.get(key, usual) for key, usual in ONCE.items()}
            rows[number] = {**rows[number], "board": {**self.stays, **once}}
            why = [key for key in CANNOT if key in rows[number]]
            why += [key for key in ("samples",) if key in rows[number].get("run", {})]
            if why:
                raise self.error(at, f"a board makes this itself: {', '.join(why)}")

    def expectation(
        self,
        at: tuple[str | int, ...],
        given: dict[str, Any],
        checks: Mapping[str, sequence_file.Check],
        scope: str,
    ) -> sequence_file.Expectation:
        more: dict[str, sequence_file.Check] = {}
        if scope != "total":
            more = {"heard": sequence_file.span, "changed": sequence_file.flag}
            more |= {"version": own, "key": own}
            more |= dict.fromkeys(("missing", "versions"), sequence_file.span)
            more |= {f"{kind}_was": own for kind in ("state", *fields.KINDS)}
        return super().expectation(at, given, {**checks, **more}, scope)


# Sequences that a whole board can play, and why it does otherwise than they say
OTHERWISE = {
    "r01_ordinary_off_comes_first": "it sets the pin up anew once more before the pulse",
    "r03_ordinary_a_metered_day": "its pulse ends at a sample, a millilitre later",
    "r04_nasty_a_flow_meter_unplugged_in_a_pulse": "a chip's counter cannot fail to answer",
    "r04_nasty_level_lost_in_a_pulse": "a converter's loose wire is a reading beyond the rails",
    "r05_nasty_battery_reading_lost": "the same",
    "r05_nasty_charge_sense_lost": "a contact always has a level",
    "r06_nasty_a_scale_beside_the_probe_decides_nothing": "no scale is on this chip",
    "r06_nasty_a_scale_is_no_soil_probe": "the same",
    "r09_nasty_end_cannot_be_written": "RTC memory knows the end that the flash does not",
    "r12_limit_how_long_is_held": "a board looks at its button every 50 ms",
    "r15_nasty_saucer_lost_in_a_pulse": "a converter's loose wire is a reading beyond the rails",
    "r16_nasty_trips_half_way_each_day": "its trips are those of a reading that is lost",
    "together_reset_in_mid_dose_during_a_leak": "its reset comes at a sample, a little earlier",
}
MOST_WAKES = 16  # of a plain sequence: longer ones are about the core alone


def load(path: Path) -> Sequence:
    """The sequence in that file, for a whole board. Raises SequenceError."""
    return BoardReader(path).sequence()


def plain(folder: Path) -> Iterator[Sequence]:
    """The sequences of that folder that a whole board can play and does as they say."""
    for path in sorted(folder.glob("*.toml")):
        try:
            found = load(path)
        except SequenceError:
            continue  # it tells what a board makes itself
        if len(found.wakes) <= MOST_WAKES and path.stem not in OTHERWISE:
            yield found


class BoardLife:
    """One life of a board, wake after wake."""

    def __init__(self, sequence: Sequence, cut_at: int) -> None:
        self.script, self.cut_at = sequence.script, cut_at
        self.pot = mock.load_pot(self.script["pot"])
        told = self.script["board"]
        self.echo = bool(told.get("echo"))
        self.broker = (Server if told.get("post") else Broker)(BOARD, KEY)
        self.chip = PlainChip(self.files(told), PUMP, self.broker)
        self.chip.button_pin = BUTTON
        self.chip.sensors_pin = SENSORS if told.get("sensors", True) else -1
        self.chip.counts, self.chip.began = self.counts, self.begins
        self.chip.program, self.chip.tls = self.program, bool(told.get("post"))
        self.button_known = True  # by the wiring
        self.staged = "sound"  # what the version that was sent is like
        self.first_id = self.pot.settings.id
        self.level_ml: int | None = None
        self.moved_ul = 0
        self.sleep_ms, self.next, self.whole = 0, "power", False
        self.cuts = self.run_ul = 0
        self.on_air = self.unread = False  # was the radio on; is that in no record yet?

    def files(self, told: Mapping[str, Any]) -> dict[str, bytes]:
        """The flash as the maker leaves it."""
        lines = {kind: text.encode() for kind, text in self.script["pot"].items()}
        pins = {f"{name}_pin": pin for name, pin in PINS.items() if self.fitted(name)}
        pins |= {"button_pin": BUTTON, "level_kind": wiring.GAUGE if self.fitted("level") else 0}
        if told.get("sensors", True):
            pins["power_pin"] = SENSORS
        if self.echo:
            pins |= {"level_kind": wiring.ECHO, "trigger_pin": 5}
        record = {"kind": "wiring", "version": wiring.VERSION, **pins}
        pump = {"kind": "pump", "pin": PUMP, "off": 0}
        found = {f"/pot/{kind}.json": data + b"\n" for kind, data in lines.items()}
        found |= {
            "/pot/wiring.json": line.encode(tuple(record), record) + b"\n",
            "/pump.json": line.encode(tuple(pump), pump),
            "/code/in-force": b"board", "/code/good": b"board", "/boots": b"0",
        }  # fmt: skip
        for slot in range(2):
            state = State()
            state.seq = slot + 1
            found[f"/pot/state.{slot}"] = bytes(state.to_bytes())
        if told.get("radio"):
            secret: dict[str, Any] = {"kind": "private", "version": 1, "key": KEY.hex()}
            secret |= {"wifi_name": HOME, "wifi_password": PASSWORD}
            secret |= {"broker_host": "192.168.1.9", "broker_port": 8883}
            secret |= {"broker_tls": int(told.get("tls", True))}
            secret |= {"entry_name": "pot", "entry_code": CODE, "entry_port": 80}
            if told.get("post"):
                secret |= {"post_host": "192.168.1.8", "post_port": 443, "post_path": ""}
            secret |= {"broker_user": "pot", "broker_password": "not a real one"}
            secret |= {"ntp_host": "192.168.1.5", "ntp_port": 123}
            found["/pot/private.json"] = line.encode(tuple(secret), secret)
            found["/pot/ca.der"] = bytes(64)
            told_at = {"kind": "clock", "day": UTC[0] - 1, "second": 0}  # when it was flashed
            found["/pot/clock.json"] = line.encode(tuple(told_at), told_at)
        return found

    def fitted(self, name: str) -> bool:
        return getattr(self.pot.calibration, name, None) is not None

    # What the probes read

    def begins(self) -> None:
        self.run_ul = 0

    def pumped(self, ms: int) -> None:
        """The pump ran for that long."""
        flow = self.did["flow_ul_s"]
        ul = ms * (self.pot.calibration.flow_ul_s if flow is None else flow) // 1000
        self.ran_ms += ms
        self.run_ul += ul
        self.moved_ul += ul

    def past(self, name: str) -> bool:
        """Has that moment of the pulse come?"""
        at_ms = self.did[name]
        return at_ms is not None and self.chip.pumped and self.chip.ran_ms >= at_ms

    def counts(self, pin: int) -> int | None:
        """What is at that pin now; None: nothing answers there."""
        name = next((name for name, at in PINS.items() if at == pin), "")
        if name in ("battery", "soil") and not self.chip.pumped:
            event = "rest" if name == "battery" else "read"
            if event not in self.chip.events:
                self.chip.events.append(event)
        probe = getattr(self.pot.calibration, name, None)
        if probe is None:
            return 0
        look = self.chip.looks[pin] = self.chip.looks.get(pin, -1) + 1
        value, spread = self.at_rest(name)
        if self.chip.pumping:
            value, spread = self.in_pulse(name, value), 0
        if self.echo and name == "level" and look % 9 >= self.now["echoes"]:
            return None
        if name == "flowmeter" and value is not None:
            ul = self.run_ul * self.did["metered_ppt"] // 1000
            return value * self.chip.now_ms // 1000 + counts_at(probe.points, ul)
        if value is None or not spread or name == "temperature":
            return value
        # Single conversions scatter by `spread`, the mean of sixteen of them does not
        return value + (spread - spread // 2 if (look + look // 16) & 1 else -(spread // 2))

    def at_rest(self, name: str) -> tuple[int | None, int]:
        """(counts, spread) with the pump off."""
        counts = self.wake["counts"]
        probe = getattr(self.pot.calibration, name)
        if name == "level" and "level" not in counts and self.level_ml is not None:
            left_ml = self.level_ml
            if not self.did["stuck_level"]:
                left_ml -= (self.moved_ul - self.had_ul) // 1000
            return counts_at(probe.points, max(0, left_ml)), self.wake.get("level_spread", 0)
        if name == "saucer" and self.past("wet_at_ms"):
            return counts_at(probe.points, 1000), 0
        if name == "current":
            return counts_at(probe.points, 0), 0
        found = counts.get(name)
        return (None, 0) if found is None else (found[0], found[1])

    def in_pulse(self, name: str, value: int | None) -> int | None:
        """The same while the pump runs."""
        probe = getattr(self.pot.calibration, name)
        if f"{name}_lost_at_ms" in self.did and self.past(f"{name}_lost_at_ms"):
            return None if self.echo and name == "level" else 0  # a converter shows a loose wire so
        if name == "battery" and value is not None:
            sags = mock.fields_value(probe, [value, 0]) - self.did["sag_mv"]
            return counts_at(
                probe.points, self.did["sag_to_mv"] if self.past("sag_at_ms") else sags
            )
        if name == "current":
            return counts_at(probe.points, self.did["current_ma"])
        return value

    # The wakes

    def play(self) -> Iterator[dict[str, Any]]:
        for wake in self.script["wakes"]:
            self.wake = wake
            yield self.one()

    def one(self) -> dict[str, Any]:
        """One wake, with the radio's boot after it if there is one."""
        wake, chip = self.wake, self.chip
        self.now: dict[str, Any] = wake["board"]
        self.did = {name: wake.get("run", {}).get(name, usual) for name, usual, _ in mock.RUN}
        if "level_ml" in wake:
            self.level_ml = wake["level_ml"]
        elif self.level_ml is None and self.fitted("level"):
            self.level_ml = 0
        if self.level_ml is not None:
            self.level_ml = max(0, self.level_ml - wake.get("lost_ml", 0))
        self.had_ul, self.ran_ms, self.run_ul = self.moved_ul, 0, 0
        cause = wake.get("cause", self.next)
        slept_s = wake.get("slept_s", self.sleep_ms // 1000)
        timed = cause in ("timer", "button")
        passed_s = wake.get("passed_s", slept_s if timed else 0)
        chip.clock_ms += 1000 * (slept_s if timed else passed_s)
        if cause in ("power", "brownout") and not self.now["kept"]:
            chip.rtc, chip.clock_ms = b"", 0
        self.prepare()
        chip.events, had = [], self.records()
        chip.run = {**self.did, "pumped": self.pumped, "unpowered": (PINS["battery"],)}
        chip.run["unpowered"] += (PINS["charger"], PINS["temperature"])
        chip.button_ms = wake.get("button_ms", 300 if cause == "button" else 0)
        how, boots = CAUSES.get(cause, SLEPT), 0
        spent_ms, self.on_air = 0, False
        why = EXT0 if cause == "button" else TIMER
        while True:
            version = self.version()
            ended, ms = chip.boot(how, why)
            boots += 1
            self.on_air = self.on_air or chip.radio
            spent_ms += chip.now_ms if boots > 1 else 0
            if ended != "sleep" or ms >= SHORT_MS or boots == MOST_BOOTS:
                break
            if version == self.version():  # else it is the first boot of another one
                chip.events[-1] = "report"
            chip.clock_ms += ms
            chip.button_ms, how, why = 0, SLEPT, TIMER
            spent_ms += ms
        if ended == "stuck" or boots == MOST_BOOTS:
            chip.wrong.append(("R13", "the board does not go to sleep"))
        self.cuts = chip.flash.operations
        chip.flash.cut_at, chip.flash.fails, chip.flash.stores, chip.flash.room = 0, "", [], None
        self.sleep_ms = ms if ended == "sleep" else 0
        self.next = "timer" if ended == "sleep" else ended
        moved_ul = self.moved_ul - self.had_ul
        if self.level_ml is not None and not self.did["stuck_level"]:
            self.level_ml = max(0, self.level_ml - moved_ul // 1000)
        last = self.records()[-1:]
        record = last[0] if last and last != had[-1:] else None
        if record is not None:
            if self.unread and record["begin"]["radio"] == "none":
                chip.wrong.append(("R17", "what came of a report is in no record"))
            self.unread = self.on_air
        if record is not None and ended == "sleep":
            self.meets(record, spent_ms + ms)
        if record is not None and self.ran_ms > record["plan"]["pulse_ms"] + mock.HARD_DEADLINE_MS:
            planned = record["plan"]["pulse_ms"]
            chip.wrong.append(("R2", f"a pulse of {planned} ms lasted {self.ran_ms} ms"))
        if self.ran_ms > self.pot.limits.pulse_ms + mock.HARD_DEADLINE_MS:
            chip.wrong.append(("R2", f"the pump ran for {self.ran_ms} ms"))
        shown: dict[str, Any] = {"heard": len(self.heard()), "version": self.version()}
        shown["key"] = "old" if KEY.hex().encode() in self.secrets() else "new"
        shown["missing"] = self.missing()
        folders = {name.split("/")[2] for name in chip.flash.files if name.count("/") > 2}
        shown["versions"] = sum(manifest.is_name(name) for name in folders)
        if record is not None:
            shown["changed"] = int(record["settings"] != self.first_id)
            for kind in ("state", *fields.KINDS):
                shown[f"{kind}_was"] = record["begin"][kind]
        return {
            "record": record, "events": chip.events, "pumped_ul": moved_ul,
            "ran_ms": self.ran_ms, "passed_s": passed_s, "level_ml": self.level_ml, "line": b"",
            "shown": shown,
        }  # fmt: skip

    def meets(self, record: dict[str, Any], slept_ms: int) -> None:
        """Is what the board does at the end of a wake what its record says of it, whichever boot
        ends it? slept_ms: from the end of the wake's own boot to that of its sleep."""
        chip, asked = self.chip, sleep_of(record["commands"])
        if asked is None:
            return  # a shortened record does not say
        if asked.button and self.button_known and not chip.wakes_by_button:
            chip.wrong.append(("R12", "a press does not end the sleep"))
        if not asked.button and chip.wakes_by_button:
            chip.wrong.append(("R12", "a masked button ends the sleep"))
        if abs(slept_ms - 1000 * asked.seconds) > SLACK_MS and slept_ms > MOST_BOOT_MS:
            told = f"{asked.seconds} s of sleep, a report among them: {slept_ms // 1000} s"
            chip.wrong.append(("R13", told))
        host = [one for one in record["begin"]["host"] if one.startswith("clear ")]
        if host != self.wake.get("host", []):
            chip.wrong.append(("R11", f"the cable asked {self.wake.get('host', [])}, told {host}"))
        self.passed_over()

    def passed_over(self) -> None:
        """R17: what the board counts as heard, the host has."""
        files, known = self.chip.flash.files, self.heard()
        mark = max(
            (row for row in map(decoded, (files.get(f"/pot/heard.{n}") for n in (0, 1))) if row),
            key=lambda row: row["seq"],
            default={"file": 0, "offset": 0},
        )
        for name, data in files.items():
            if not name.startswith("/pot/log/"):
                continue
            number, at = int(name[9:17]), 0
            for row in data.split(b"\n")[:-1]:
                before = (number, at) < (mark["file"], mark["offset"])
                whole = b'"kind":"wake"' in row[:30] and decoded(row) is not None
                if before and whole and row not in known:
                    self.chip.wrong.append(("R17", f"a line counts as heard: {row[:40]!r}"))
                    return
                at += len(row) + 1

    def prepare(self) -> None:
        """What was done to the board before this wake, and what will happen in it."""
        chip, now, files = self.chip, self.now, self.chip.flash.files
        chip.wifi, chip.talk, chip.clock_server = now["wifi"], now["broker"], now["clock_server"]
        chip.flash.stores, chip.flash.fails = list(self.wake.get("stores", ())), now["fails"]
        chip.flash.short = now["short"]
        chip.flash.operations, chip.flash.cut_in = 0, now["cut_in"]
        chip.flash.cut_at = self.cut_at if now["cut"] == "each" else now["cut"]
        if "/pump.json" in now["damaged"]:
            chip.pump_known = False
        if "/pot/wiring.json" in now["damaged"]:
            self.button_known = False
        for path in now["damaged"]:
            if path in files:
                files[path] = bytes(byte ^ 8 for byte in files[path])
        for path in now["unsigned"]:
            files[path] = re.sub(rb',"crc":"[0-9a-f]*"', b"", files[path])
        if now["flashed"]:
            lines = compile_files(
                {**bench_pot.SETTINGS, **now["flashed"]},
                {**bench_pot.LIMITS, "dry_ms": 1700},
                {**bench_pot.CALIBRATION, "charger": CONTACT},
            )
            files |= {f"/pot/{kind}.json.new": data + b"\n" for kind, data in lines.items()}
            files["/moves"] = "\n".join(f"/pot/{kind}.json" for kind in lines).encode()
        if "host" in self.wake:
            files["/pot/host.json"] = json.dumps(self.wake["host"]).encode()
        chip.network, chip.radio_does = now["network"], now["radio"]
        chip.visitors = [form(*now["visitor"])] if now["visitor"] else []
        if now["staged"]:
            self.stage(now["staged"])
        if now["key"]:
            self.broker.kept[f"wakewell/{BOARD}/asked"] = self.broker.change_key(
                1, (UTC[0] + 9, 0), 1 << 20
            )
        if now["free"] is not None:
            chip.flash.room = chip.flash.used() + now["free"]
        if now["stranger"]:
            values = {row[0]: getattr(self.pot.settings, row[0]) for row in fields.SETTINGS}
            self.broker.kept[f"wakewell/{BOARD}/asked"] = asked.make(
                KEY, BOARD, 1, [UTC[0] + 9, 0], 1 << 20, self.pot.limits.id,
                values | now["stranger"],
            )  # fmt: skip

    def stage(self, how: str) -> None:
        """A version came over the air, whole: what the board has of it when it is staged."""
        self.staged, data = how, b"compiled"
        row = manifest.row(hashlib.sha256(data).hexdigest(), len(data), "wakeboard/turn.mpy")
        record = {"kind": "sent", "n": 1, "state": "staged", "why": "", "name": SENT}
        record |= {"list": hashlib.sha256(row).hexdigest(), "size": len(row), "back": 0}
        record |= {"day": UTC[0] + 9, "second": 0, "until_n": 1 << 20, "vain": 0}
        self.chip.flash.files |= {
            f"/code/{SENT}/wakeboard/turn.mpy": data, "/code/next.list": row,
            "/code/sent.json": line.encode(tuple(record), record), "/code/staged": SENT.encode(),
        }  # fmt: skip

    def program(self) -> str:
        """What the program of this boot does."""
        usual = self.staged if self.version() == "sent" else "good"
        return str(self.now["program"] or usual)

    def version(self) -> str:
        """Which version is in force."""
        return "sent" if self.chip.flash.files["/code/in-force"] == SENT.encode() else "before"

    def secrets(self) -> bytes:
        """What the board keeps of them."""
        return self.chip.flash.files.get("/pot/private.json", b"")

    def rows(self) -> list[dict[str, Any]]:
        """All that is in the log."""
        found = []
        for name, data in sorted(self.chip.flash.files.items()):
            if name.startswith("/pot/log/"):
                found += [line.decode(text)[0] for text in data.splitlines()]
        return [row for row in found if row is not None]

    def records(self) -> list[dict[str, Any]]:
        """The wakes in the log."""
        return [row for row in self.rows() if row["kind"] == "wake"]

    def missing(self) -> int:
        """The wakes that are not in the log, and that it does not count as dropped either."""
        rows = self.rows()
        there = {row["n"] for row in rows if row["kind"] == "wake"}
        dropped = max((row["dropped"] for row in rows if row["kind"] == "state"), default=0)
        return max(there, default=-1) + 1 - len(there) - int(dropped)

    def heard(self) -> set[bytes]:
        """The lines of wakes that the host has, each once."""
        told = {row.data for report in self.broker.answered for row in report.lines}
        return {data for data in told if b'"kind":"wake"' in data[:30]}


def decoded(data: bytes | None) -> dict[str, Any] | None:
    """A line that a file holds, None if it is damaged or missing."""
    return line.decode((data or b"").rstrip(b"\r\n"))[0]


def form(name: str, password: str, code: str = CODE) -> bytes:
    """What a browser sends of the entry page."""
    body = urlencode({"name": name, "password": password, "code": code}).encode()
    return b"POST / HTTP/1.1\r\nContent-Length: %d\r\n\r\n" % len(body) + body


def check(sequence: Sequence) -> list[Failure]:
    """Play and judge; with `cut = "each"`, once for every operation on the flash in that wake."""
    swept = any(wake["board"]["cut"] == "each" for wake in sequence.script["wakes"])
    cut_at = 1 if swept else 0
    while True:
        player = BoardLife(sequence, cut_at)
        seen: list[Failure] = []
        found = judging.judge(sequence, witnessed(sequence, played(player, swept), seen)) + seen
        for rule, what in player.chip.wrong:
            found.append(Failure(sequence.path, 1, None, rule, "as promised", what, ""))
        if found or not swept or player.whole:
            return found
        cut_at += 1


def witnessed(
    sequence: Sequence, outputs: Iterator[dict[str, Any]], found: list[Failure]
) -> Iterator[dict[str, Any]]:
    """The wakes as they come; what the witness finds in them goes to `found`."""
    here, there = tee(outputs)
    failures = promises.broken(sequence, there)
    yield from here
    found.extend(failures)


def played(player: BoardLife, swept: bool) -> Iterator[dict[str, Any]]:
    """The wakes; notes whether a sweep of cuts is past the last operation."""
    player.whole = False
    for out in player.play():
        if swept and player.now["cut"] == "each":
            player.whole = player.cuts < player.cut_at
        yield out
