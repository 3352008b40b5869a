"""Fuzzing of everything that reads bytes it did not write: no crash, no hang, nothing bad taken.

A target takes bytes and raises nothing but what its reader documents; it also checks that
what is accepted is what it claims to be. With atheris (Linux x86-64) the inputs are guided by
what the code reaches; without it they are the committed corpus with bytes changed. Each
target's corpus is a folder below tests/assurance/corpus.

    python -m assurance.fuzz TARGET RUNS [SEED]
"""

from __future__ import annotations

import importlib.util
import io
import json
import os
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

CORPUS = Path(__file__).resolve().parents[2] / "tests" / "assurance" / "corpus"
MOST_S = 20  # one input
MOST_MB = 2048
KEY = bytes(range(32))


class Accepted(AssertionError):
    """A reader accepted something that is not valid."""


def state(data: bytes) -> None:
    """A slot of the retained state."""
    from wakecore.state import FIELDS, from_bytes

    found = from_bytes(data)
    if found is None:
        return
    for name, least, most, *_ in FIELDS:
        if not least <= getattr(found, name) <= most:
            raise Accepted(f"{name} = {getattr(found, name)}")
    again = from_bytes(found.to_bytes())
    if again is None or again.numbers() != found.numbers():
        raise Accepted("a state that is not read back the same")


def files(data: bytes) -> None:
    """Settings, limits or calibration as stored; a second try gives damaged content its CRC."""
    from binascii import crc32

    from wakecore import fields, line
    from wakecore.number import is_whole

    signed = data[: line.MOST_LINE - 40] + line.TAIL + b'%08x"}' % crc32(data)
    for one in (data, signed):
        record, _ = line.decode(one.rstrip(b"\r\n"))
        if record is None:
            continue
        for kind, rows in fields.KINDS.items():
            values, _ = fields.load(kind, record, line.identity(one))
            if values is None:
                continue
            for name, least, most, *_ in rows:
                if not is_whole(getattr(values, name), least, most):
                    raise Accepted(f"{kind}: {name} = {getattr(values, name)!r}")


def snapshot(data: bytes) -> None:
    """A snapshot of the state, out of a log."""
    from wakeboard.store import state_from_snapshot

    try:
        record = json.loads(data)
    except (ValueError, RecursionError):
        return
    if isinstance(record, dict):
        state_from_snapshot(record)


def log(data: bytes) -> None:
    """A field log: read, judged and replayed line by line."""
    from wakecore import line
    from wakewell.log import logs
    from wakewell.portable import replayed

    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        path = Path(folder, "00000001.jsonl")
        path.write_bytes(data)
        player = replayed.Player(lambda _: None)
        for read, _ in logs.read_file(path, logs.Skips()):
            record = read.plain
            player.feed(record)
            line.encode(tuple(record), {})


def sequence(data: bytes) -> None:
    """A sequence file; one that is accepted is played, if it is not too long."""
    from wakewell.sequences import playing

    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        path = Path(folder, "one.toml")
        path.write_bytes(data)
        try:
            found = playing.load(path)
        except playing.SequenceError as error:
            if "\n" in str(error):
                raise Accepted("an error of more than one line") from None
            return
        if len(found.wakes) <= 100:
            playing.check(found)


def wiring(data: bytes) -> None:
    """The wiring as stored."""
    from wakeboard import wiring as reader

    reader.load(data)


def asked(data: bytes) -> None:
    """Settings asked for over the air, and an answer to a report: as they come, and sealed."""
    from wakeboard import asked as reader
    from wakeboard import heard, sealed
    from wakecore import fields

    defaults = [fields.Values(kind) for kind in ("settings", "limits", "calibration")]
    pot = fields.Pot(defaults[0], defaults[1], defaults[2])
    for one in (data, sealed.seal(data, KEY)):
        reader.judge(one, KEY, "0242ac110002", 3, pot, [9500, 0, 1], 10)
        heard.acknowledged(one, KEY, "0242ac110002", 3, "ab")


class _Time:
    """The board's clock, which stands still here."""

    @staticmethod
    def ticks_ms() -> int:
        return 0

    @staticmethod
    def ticks_diff(one: int, other: int) -> int:
        return one - other


class _Stream(io.BytesIO):
    """A broker's bytes; what is sent to it is dropped."""

    def write(self, data: Any) -> int:
        return len(data)


def broker(data: bytes) -> None:
    """Whatever a broker may answer: the connection ends, it does not hang or grow."""
    import wakeboard.mqtt as reader

    mqtt: Any = reader
    mqtt.time = _Time
    talk = mqtt.Mqtt(_Stream(data), lambda _: None, 1000)
    try:
        talk.connect("pot", "", "")
        talk.subscribe("a")
        talk.publish("a", [b"b"])
        talk.next()
    except OSError:
        return


TARGETS: dict[str, Callable[[bytes], None]] = {
    "state": state,
    "files": files,
    "snapshot": snapshot,
    "log": log,
    "sequence": sequence,
    "wiring": wiring,
    "asked": asked,
    "broker": broker,
}


def guided() -> bool:
    """Is atheris here?"""
    return importlib.util.find_spec("atheris") is not None


def corpus(name: str) -> list[bytes]:
    """The committed inputs of a target."""
    return [path.read_bytes() for path in sorted((CORPUS / name).iterdir())]


def changed(pick: random.Random, inputs: list[bytes]) -> bytes:
    """One of them with a few bytes changed, cut, doubled or spliced."""
    data = bytearray(pick.choice(inputs))
    for _ in range(pick.randint(1, 6)):
        at = pick.randint(0, len(data))
        how = pick.randrange(6)
        if how == 0 and data:
            data[at % len(data)] ^= 1 << pick.randrange(8)
        elif how == 1:
            data[at:at] = bytes([pick.choice(b'\x00\xff"[]{}=,.0129-e\n')])
        elif how == 2:
            del data[at : at + pick.randint(1, 40)]
        elif how == 3:
            data[at:at] = data[at : at + pick.randint(1, 40)]
        elif how == 4:
            other = pick.choice(inputs)
            data[at:] = other[pick.randint(0, len(other)) :]
        else:
            data[at:at] = str(pick.choice((-1, 0, 1 << 30, 1 << 31, 10**20))).encode()
    return bytes(data)


def plain(name: str, runs: int, seed: int) -> int:
    """That many changed inputs of the corpus; how many. Raises what a target raises."""
    pick, inputs = random.Random(f"{name}.{seed}"), corpus(name)
    for data in inputs:
        TARGETS[name](data)
    for number in range(runs):
        data = changed(pick, inputs)
        try:
            TARGETS[name](data)
        except Exception as error:
            error.add_note(f"fuzz {name}, seed {seed}, input {number}: {data[:2000]!r}")
            raise
    return runs + len(inputs)


def run(name: str, runs: int, seed: int, seconds: float = 1e9) -> tuple[int, str]:
    """(inputs, "" or what was found) of one target, guided where that can be.

    seconds: a guided run ends then, whatever it has done.
    """
    if not guided():
        try:
            return plain(name, runs, seed), ""
        except Exception as error:
            return 0, f"{type(error).__name__}: {error} {getattr(error, '__notes__', '')}"
    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        bounds = [str(runs), str(seed), folder, str(int(seconds))]
        command = [sys.executable, "-m", __name__, name, *bounds]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
    told = re.search(r"Done (\d+) runs", done.stderr)
    if done.returncode or not told:
        return 0, done.stderr[-1500:]
    return int(told[1]), ""


def main() -> None:
    """One target under atheris, in a process of its own: it never returns."""
    import atheris  # type: ignore[import-untyped, import-not-found, unused-ignore]

    name, runs, seed = sys.argv[1], sys.argv[2], sys.argv[3]
    found = sys.argv[4] if len(sys.argv) > 4 else tempfile.gettempdir()
    with atheris.instrument_imports(include=["wakecore", "wakeboard", "wakewell"]):
        for data in corpus(name):
            TARGETS[name](data)
    options = [f"-runs={runs}", f"-seed={seed}", f"-timeout={MOST_S}", f"-rss_limit_mb={MOST_MB}"]
    options += ["-max_len=8192", f"-artifact_prefix={found}{os.sep}"]
    options += [f"-max_total_time={seconds}" for seconds in sys.argv[5:]]
    atheris.Setup([sys.argv[0], *options, found, str(CORPUS / name)], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
