"""What lies in flash, damaged or half written: the pot's files, the state's slots, what was heard.

A board's storage is plain files, so they are written here as a board writes them, then cut short,
changed, put aside by a boot, cut again. What must come back is known from the bytes themselves:
the newest file that is whole, else the one before it, and nothing made up (R9, R11).
"""

from __future__ import annotations

import json
import random
import tempfile
from pathlib import Path
from typing import Any

from assurance.nth import Broken
from wakeboard import heard
from wakeboard.files import KINDS
from wakeboard.store import SLOTS, PotFiles
from wakecore import line
from wakecore.state import State
from wakewell.pot.pot_folder import compile_files
from wakewell.sequences import bench_pot

HISTORIES = 200  # of the slots, and of what was heard
ACTS = 14  # in a history
STEP = 9  # every so many bytes of a file are changed, and its length cut
MANY = 40  # the same for each of so many last bytes


def every() -> int:
    """All of it; how many pieces of damage. Raises Broken."""
    done = 0
    for kind in KINDS:
        done += three_files(kind)
    for seed in range(HISTORIES):
        done += slots(seed) + numbers_heard(seed)
    return done


def damages(data: bytes) -> list[bytes]:
    """A stored line cut short, changed, or with its end lost in a way that still is JSON."""
    places = {*range(0, len(data), STEP), *range(max(0, len(data) - MANY), len(data))}
    found = [data[:at] for at in places]
    found += [data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :] for at in places]
    record, _ = line.decode(data)
    assert record is not None, "made a moment ago"
    found.append(json.dumps(record, separators=(",", ":")).encode())
    found.append(data[: data.rindex(b',"crc"')] + b"}")
    return found


def three_files(kind: str) -> int:
    """A damaged file of settings, limits or calibration: the last good copy is in force."""
    settings, limits, cal = bench_pot.SETTINGS, bench_pot.LIMITS, bench_pot.CALIBRATION
    before = compile_files(settings, limits, cal)[kind]
    now = compile_files(
        {**settings, "dose_ml": 70}, {**limits, "dry_ms": 1700}, {**cal, "awake_ua": 50000}
    )[kind]
    found = damages(now)
    for data in found:
        with tempfile.TemporaryDirectory(prefix="wakewell-") as root:
            Path(root, f"{kind}.json.old").write_bytes(before + b"\n")
            Path(root, f"{kind}.json").write_bytes(data)
            values, status = PotFiles(root).load_file(kind)
        whole = data.rstrip(b"\r\n") == now
        wanted = (line.identity(now), "good") if whole else (line.identity(before), "previous")
        if (values.id, status) != wanted:
            raise Broken(
                f"R11: {kind}.json of {len(data)} bytes, {data[-12:]!r} at its end: {status}"
            )
    return len(found)


def torn(pick: random.Random, path: Path, data: bytes) -> None:
    """A write that the power cut."""
    path.write_bytes(data[: pick.randrange(len(data))])


def spoil(pick: random.Random, path: Path) -> None:
    """One bit of a file changed."""
    data = bytearray(path.read_bytes())
    if data:
        data[pick.randrange(len(data))] ^= 1 << pick.randrange(8)
        path.write_bytes(data)


def slots(seed: int) -> int:
    """A history of the state's two slots: whole writes, torn ones, damage, boots in any order."""
    pick = random.Random(seed)
    written: dict[bytes, int] = {}
    with tempfile.TemporaryDirectory(prefix="wakewell-") as root:
        store, seq = PotFiles(root), 0
        store.load_state()
        paths = [Path(root, name) for name in SLOTS]
        for act in pick.choices(("save", "tear", "spoil", "boot"), (5, 3, 1, 3), k=ACTS):
            if act == "spoil":
                if any(path.exists() for path in paths):
                    spoil(pick, pick.choice([path for path in paths if path.exists()]))
                act = "boot"  # damage is met by a boot
            if act in ("save", "tear"):
                seq += 1
                state = State()
                state.seq = seq
                data = state.to_bytes()
                written[data] = seq
                whole = newest(paths, written)
                if act == "save":
                    store.save_state(data)
                    whole = seq
                else:
                    torn(pick, Path(store.path(SLOTS[store.next_slot])), data)
                if newest(paths, written) != whole:
                    raise Broken(f"R9, R11: history {seed}: a write went over the newest slot")
                if act == "save":
                    continue
            wanted = newest(paths, written)
            store = PotFiles(root)
            loaded, status = store.load_state()
            if loaded.seq != wanted or (status == "lost") != (wanted == 0):
                raise Broken(
                    f"R11: history {seed}: state {loaded.seq} is {status}, whole is {wanted}"
                )
            seq = max(seq, loaded.seq)
    return ACTS


def newest(paths: list[Path], written: dict[bytes, int]) -> int:
    """The number of the newest slot that holds what was written, 0 if none does."""
    return max((written.get(path.read_bytes(), 0) for path in paths if path.exists()), default=0)


def numbers_heard(seed: int) -> int:
    """The same of what was heard: no number is ever taken twice. Both files lost is lost for good,
    whether or not a boot had the time to store that."""
    pick = random.Random(seed)
    with tempfile.TemporaryDirectory(prefix="wakewell-") as root:
        paths = [Path(root, name) for name in heard.SLOTS]
        memory, n, lost = heard.load(root), 0, False
        for act in pick.choices(
            ("save", "tear", "spoil", "spoil both", "boot"), (5, 2, 2, 1, 3), k=ACTS
        ):
            there = [path for path in paths if path.exists()]
            if act == "save":
                n += 1
                memory.asked = memory.asked if lost else n
                if not memory.save():
                    raise Broken(f"R11: history {seed}: what was heard cannot be stored")
                continue
            if act == "tear" and there:
                whole = paths[memory.slot]
                torn(pick, whole, b'{"kind":"heard","seq":99}' * 9)
            elif act == "spoil" and there:
                spoil(pick, pick.choice(there))
            elif act == "spoil both":
                for path in there:
                    path.write_bytes(b"\xff" * 40)
            kept = [record for path in paths if (record := whole_record(path)) is not None]
            lost = lost or (not kept and bool(there))
            wanted = max(kept, key=lambda one: int(one["seq"]))["asked"] if kept else 0
            memory = heard.load(root)
            if memory.lost != lost:
                raise Broken(f"R11: history {seed}: lost {memory.lost} after {act}, it was {lost}")
            if not lost and memory.asked != wanted:
                raise Broken(
                    f"R11: history {seed}: number {memory.asked} after {act}, not {wanted}"
                )
            n = max(n, memory.asked) if not lost else n
    return ACTS


def whole_record(path: Path) -> dict[str, Any] | None:
    """What a file holds, None if it is not whole."""
    return line.decode(path.read_bytes().rstrip(b"\r\n"))[0] if path.exists() else None
