"""The files of a pot: slots, the three files, the ring of logs; on both interpreters."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import store_session
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard import store
from wakecore import line
from wakecore.state import State, from_bytes
from wakewell.interpreters import interpreter
from wakewell.pot.pot_folder import compile_files

PROBE = {"points": [[0, 0], [1000, 100]], "rails": [-10, 2000], "spread": 9}
CALIBRATION = {"flow_ul_s": 20000, "stage": 2, "soil": PROBE, "level": PROBE, "battery": PROBE}
GOOD = compile_files({}, {}, CALIBRATION)
OTHER = compile_files({"dose_ml": 70}, {}, CALIBRATION)


@pytest.fixture
def pot(tmp_path: Path) -> store.PotFiles:
    """An empty pot's folder."""
    return store.PotFiles(str(tmp_path))


def saved(folder: Path, *numbers: int) -> list[bytes]:
    """States with these write numbers, saved one after another; their bytes."""
    files, made = store.PotFiles(str(folder)), []
    for number in numbers:
        state = State()
        state.seq = number
        made.append(state.to_bytes())
        files.load_state()
        assert files.save_state(made[-1])
    return made


def flip(path: Path, at: int, bit: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(data)


# State


def test_slots_take_turns_and_the_newest_wins(tmp_path: Path) -> None:
    made = saved(tmp_path, 1, 2, 3)
    assert {(tmp_path / name).read_bytes() for name in store.SLOTS} == set(made[1:])
    state, status = store.PotFiles(str(tmp_path)).load_state()
    assert (state.seq, status) == (3, "good")


def test_every_bit_of_the_newer_slot(tmp_path: Path) -> None:
    """R11: whichever bit turns, the slot before it is the truth, and the damage is told."""
    made = saved(tmp_path, 4, 5)
    newer = next(tmp_path / name for name in store.SLOTS if saved_there(tmp_path / name, made[1]))
    for at in range(len(made[1])):
        newer.write_bytes(made[1])
        flip(newer, at, at % 8)
        state, status = store.PotFiles(str(tmp_path)).load_state()
        assert (state.seq, status) == (4, "previous")
        assert not newer.exists()
        assert (tmp_path / (newer.name + ".bad")).exists()


def saved_there(path: Path, data: bytes) -> bool:
    return path.read_bytes() == data


@pytest.mark.parametrize("size", [0, 1, 8, 100])
def test_a_torn_slot(tmp_path: Path, size: int) -> None:
    made = saved(tmp_path, 4, 5)
    newer = next(tmp_path / name for name in store.SLOTS if saved_there(tmp_path / name, made[1]))
    newer.write_bytes(made[1][:size])
    state, status = store.PotFiles(str(tmp_path)).load_state()
    assert (state.seq, status) == (4, "previous")


def test_a_vanished_slot_is_damage_too(tmp_path: Path) -> None:
    made = saved(tmp_path, 4, 5)
    newer = next(tmp_path / name for name in store.SLOTS if saved_there(tmp_path / name, made[1]))
    newer.unlink()
    assert store.PotFiles(str(tmp_path)).load_state()[1] == "previous"


def test_the_next_write_spares_the_good_slot(tmp_path: Path) -> None:
    """After damage the only good copy must not be the one written over."""
    made = saved(tmp_path, 4, 5)
    for name in store.SLOTS:
        if saved_there(tmp_path / name, made[1]):
            flip(tmp_path / name, 20, 1)
    files = store.PotFiles(str(tmp_path))
    state, _ = files.load_state()
    state.seq = 6
    assert files.save_state(state.to_bytes())
    kept = {from_bytes((tmp_path / name).read_bytes()).seq for name in store.SLOTS}
    assert kept == {4, 6}


@settings(max_examples=100)
@given(st.binary(max_size=200), st.binary(max_size=200))
def test_two_bad_slots_are_a_lost_state(
    tmp_path_factory: pytest.TempPathFactory, one: bytes, other: bytes
) -> None:
    """R11: nothing is made up; the damaged bytes are kept for a person."""
    folder = tmp_path_factory.mktemp("pot")
    for name, data in zip(store.SLOTS, (one, other), strict=True):
        (folder / name).write_bytes(data)
    state, status = store.PotFiles(str(folder)).load_state()
    assert status == "lost"
    assert state.numbers() == State().numbers()
    assert (folder / "state.0.bad").read_bytes() == one
    assert (folder / "state.1.bad").read_bytes() == other


def test_a_newer_hint_counts_and_an_older_does_not(tmp_path: Path) -> None:
    saved(tmp_path, 4, 5)
    hint = State()
    for number, wanted in ((6, 6), (5, 5), (3, 5)):
        hint.seq = number
        assert store.PotFiles(str(tmp_path)).load_state(hint.to_bytes())[0].seq == wanted


def test_a_write_that_fails_says_so(tmp_path: Path) -> None:
    files = store.PotFiles(str(tmp_path / "gone"))
    assert not files.save_state(State().to_bytes())
    (tmp_path / "state.0").mkdir()
    files = store.PotFiles(str(tmp_path))
    assert not files.save_state(State().to_bytes())
    assert files.load_state()[1] == "lost"


# The three files


def test_install_keeps_what_it_replaces(pot: store.PotFiles, tmp_path: Path) -> None:
    for kind in store.KINDS:
        assert pot.install(kind, GOOD[kind])
        assert pot.load_file(kind)[1] == "good"
    assert pot.install("settings", OTHER["settings"])
    assert (tmp_path / "settings.json").read_bytes() == OTHER["settings"]
    assert (tmp_path / "settings.json.old").read_bytes() == GOOD["settings"]
    values, status = pot.load_file("settings")
    assert (values.dose_ml, status) == (70, "good")
    assert not list(tmp_path.glob("*.new"))


def test_a_damaged_file_never_replaces_the_last_good_copy(
    pot: store.PotFiles, tmp_path: Path
) -> None:
    """R11: what was damaged in place is not worth keeping over a good copy."""
    pot.install("settings", GOOD["settings"])
    pot.install("settings", OTHER["settings"])
    flip(tmp_path / "settings.json", 30, 2)
    assert pot.install("settings", OTHER["settings"])
    assert (tmp_path / "settings.json.old").read_bytes() == GOOD["settings"]


@pytest.mark.parametrize("kind", store.KINDS)
def test_every_byte_of_a_file(pot: store.PotFiles, tmp_path: Path, kind: str) -> None:
    """R11: the last good copy, else defaults; the damaged one is kept aside."""
    pot.install(kind, GOOD[kind])
    pot.install(kind, GOOD[kind])
    path = tmp_path / f"{kind}.json"
    for at in range(0, len(GOOD[kind]), 7):
        path.write_bytes(GOOD[kind])
        flip(path, at, at % 8)
        assert pot.load_file(kind)[1] == "previous"
        assert (tmp_path / f"{kind}.json.bad").exists()
    (tmp_path / f"{kind}.json.old").write_bytes(b"\x00" * 40)
    values, status = pot.load_file(kind)
    assert status == "default"
    assert values.id == ""


def test_a_file_of_another_kind_is_refused(pot: store.PotFiles, tmp_path: Path) -> None:
    (tmp_path / "limits.json").write_bytes(GOOD["settings"])
    assert pot.load_file("limits")[1] == "default"


def test_defaults_do_not_match_and_do_not_pump(pot: store.PotFiles) -> None:
    """R11, R14: a pot that runs on defaults is not commissioned."""
    loaded, statuses = pot.load_pot()
    assert set(statuses.values()) == {"default"}
    assert not loaded.match
    assert loaded.calibration.stage == 0


# The ring of logs


@pytest.fixture
def small_ring(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "MOST_FILE", 3000)
    monkeypatch.setattr(store, "MOST_FILES", 3)


def append(pot: store.PotFiles, n: int, cause: str = "timer", open_ms: int = 0) -> bool:
    state = State()
    state.wakes = n
    state.open_ms = open_ms  # type: ignore[attr-defined]
    record = store_session.record(n, cause)
    done: bool = pot.append(store_session.NAMES, record, store.snapshot(state, 0))
    return done


def lines_of(pot: store.PotFiles) -> Iterator[tuple[int, dict[str, Any] | None]]:
    """(file number, record or None) of every line, oldest first."""
    for number in pot.log_files():
        for text in Path(pot.log_path(number)).read_bytes().splitlines():
            yield number, line.decode(text)[0]


def test_every_file_begins_with_a_snapshot(pot: store.PotFiles, small_ring: None) -> None:
    for n in range(60):
        assert append(pot, n)
    first: dict[int, dict[str, Any]] = {}
    for number, record in lines_of(pot):
        assert record is not None
        first.setdefault(number, record)
    assert len(first) == 3
    for record in first.values():
        assert record["kind"] == "state"
        restored = store.state_from_snapshot(record)
        assert restored is not None
        assert restored.wakes == record["n"]


def test_the_ring_is_bounded_and_counts_what_it_drops(
    pot: store.PotFiles, small_ring: None
) -> None:
    for n in range(200):
        assert append(pot, n)
        assert len(pot.log_files()) <= 3
    for number in pot.log_files():
        assert os.stat(pot.log_path(number)).st_size <= 3000 + line.MOST_LINE
    kept = [r for _, r in lines_of(pot) if r and r["kind"] == "wake"]
    told = max(r["dropped"] for _, r in lines_of(pot) if r and r["kind"] == "state")
    assert kept[-1]["n"] == 199
    assert [r["n"] for r in kept] == list(range(told, 200))


@given(parts=st.lists(st.integers(0, 700), max_size=5), at=st.integers(0, 4000))
def test_a_log_is_read_in_pieces_and_a_damaged_line_found(parts: list[int], at: int) -> None:
    lines = [line.encode(("kind",), {"kind": "x" * size}) for size in parts]
    data = bytearray(b"\n".join(lines))
    if data:
        data[at % len(data)] ^= 1
    file = io.BytesIO(data)
    found, head = [], file.readline(store.HEAD)
    while head:
        good, head = store.next_line(file, head)
        found.append(good)
    assert found == [line.body_of(each)[0] is not None for each in data.splitlines()]


def test_a_cold_start_writes_a_snapshot(pot: store.PotFiles) -> None:
    for n, cause in ((1, "timer"), (2, "timer"), (3, "brownout"), (4, "button")):
        assert append(pot, n, cause)
    kinds = [(r["kind"], r["n"]) for _, r in lines_of(pot) if r]
    assert kinds == [("state", 1), ("wake", 1), ("wake", 2), ("state", 3), ("wake", 3), ("wake", 4)]


def test_a_pulse_that_was_cut_off_writes_a_snapshot_whatever_woke_the_board(
    pot: store.PotFiles,
) -> None:
    for n, open_ms in ((1, 0), (2, 3000), (3, 0)):
        assert append(pot, n, open_ms=open_ms)
    kinds = [(r["kind"], r["n"]) for _, r in lines_of(pot) if r]
    assert kinds == [("state", 1), ("wake", 1), ("state", 2), ("wake", 2), ("wake", 3)]


@pytest.mark.parametrize("left", [1, 10, 40])
def test_a_torn_last_line_costs_only_itself(pot: store.PotFiles, left: int) -> None:
    for n in range(1, 4):
        append(pot, n)
    path = Path(pot.log_path(1))
    data = path.read_bytes()
    last = data.rstrip(b"\n").rindex(b"\n") + 1
    path.write_bytes(data[: last + left])
    assert append(pot, 4)
    records = [record for _, record in lines_of(pot)]
    assert [r and r["n"] for r in records] == [1, 1, 2, None, 4]


def test_a_full_flash_drops_the_oldest_and_counts_it(
    pot: store.PotFiles, small_ring: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a full flash drops is counted, in the file that the next record goes to."""
    for n in range(60):
        append(pot, n)
    before = max(r["dropped"] for _, r in lines_of(pot) if r and r["kind"] == "state")
    oldest = pot.log_files()[0]
    lost = sum(bool(r and r["kind"] == "wake") for number, r in lines_of(pot) if number == oldest)
    whole = store.PotFiles.append_line
    failures = [OSError(28, "no space left")]

    def full(self: store.PotFiles, *arguments: Any) -> bool:
        if failures:
            raise failures.pop()
        done: bool = whole(self, *arguments)
        return done

    monkeypatch.setattr(store.PotFiles, "append_line", full)
    assert append(pot, 60)
    assert oldest not in pot.log_files()
    assert (
        max(r["dropped"] for _, r in lines_of(pot) if r and r["kind"] == "state") == before + lost
    )
    for n in range(61, 200):
        append(pot, n)
    kept = [r["n"] for _, r in lines_of(pot) if r and r["kind"] == "wake"]
    told = max(r["dropped"] for _, r in lines_of(pot) if r and r["kind"] == "state")
    assert kept == list(range(told, 200))


def test_a_log_that_cannot_be_written_says_so(pot: store.PotFiles, tmp_path: Path) -> None:
    (tmp_path / "log").write_text("in the way")
    assert not append(pot, 1)


# Both interpreters


def left_below(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)
def test_both_interpreters_say_and_leave_the_same(tmp_path: Path) -> None:
    said, left = [], []
    micropython = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
    program = str(Path(store_session.__file__))
    for name, start in (("cpython", []), ("micropython", ["-c", micropython])):
        folder = tmp_path / name
        folder.mkdir()
        lines = {kind: data.decode() for kind, data in GOOD.items()}
        (folder / "lines").write_text(json.dumps({**lines, "other": OTHER["settings"].decode()}))
        done = subprocess.run(
            [sys.executable, *start, program, str(folder)],
            env=interpreter.environment(),
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()
        said.append([json.loads(text) for text in done.stdout.splitlines()])
        left.append(left_below(folder))
    assert said[0] == said[1]
    assert left[0] == left[1]
    steps = {row[0]: row[1:] for row in said[0]}
    assert steps["empty"] == ["lost"]
    assert steps["newest"] == [5, 40, "good"]
    assert steps["one damaged"] == [4, "previous", True]
    assert steps["a hint"][0] == 9
    assert steps["all"][0] is True
    assert len(steps["files"][0]) == 3
    assert "logs/log/00000001.jsonl" not in left[0]
