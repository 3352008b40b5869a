"""Reading logs into rows: gaps, doses, damage, names."""

from __future__ import annotations

import json
from binascii import crc32
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import grown
import rows
from grown import Garden, hostile, make
from wakecore import fields, line
from wakewell.log import record as form
from wakewell.log import series
from wakewell.log.times import Tick
from wakewell.replay import replaying


def read(folder: Path) -> series.PotLog:
    return series.read("pot", folder, sorted(folder.glob("*.jsonl")))


def test_rows_hold_what_the_records_hold(tmp_path: Path) -> None:
    log = make(tmp_path, Garden(days=20))
    found = read(log)
    records = [json.loads(row) for row in (log / "00000001.jsonl").read_bytes().splitlines()]
    wakes = [r for r in records if r["kind"] == "wake"]
    assert [w.n for w in found.wakes] == [r["n"] for r in wakes]
    assert [w.soil_ppt for w in found.wakes] == [r["values"]["soil_ppt"] for r in wakes]
    assert sum(w.given_ul for w in found.wakes) == sum(r["water"].get("given_ul", 0) for r in wakes)
    assert found.skips.count == 0
    assert found.dated
    assert found.pot is not None


def test_how_long_the_radio_was_on_is_what_the_record_says(tmp_path: Path) -> None:
    log = make(tmp_path, Garden(days=4)) / "00000001.jsonl"
    records = [json.loads(row) for row in log.read_bytes().splitlines()]
    wakes = [record for record in records if record["kind"] == "wake"]
    wakes[1]["begin"]["radio_ms"] = 4000
    del wakes[2]["begin"]["radio_ms"], wakes[2]["begin"]["radio"]  # as older boards wrote it
    for record in records:
        del record["crc"]
    log.write_bytes(b"".join(hostile(record) for record in records))
    assert [wake.radio_ms for wake in read(log.parent).wakes[:3]] == [0, 4000, 0]


def test_pulses_of_a_dose_are_one_watering(tmp_path: Path) -> None:
    found = read(make(tmp_path, Garden(days=20)))
    assert len(found.doses) >= 3
    assert all(d.pulses >= 2 for d in found.doses)
    assert all(d.peak_ppt and d.before_ppt and d.peak_ppt > d.before_ppt for d in found.doses[:-1])
    assert sum(d.given_ul for d in found.doses) == sum(w.given_ul for w in found.wakes)


def test_missing_records_are_a_gap(tmp_path: Path) -> None:
    found = read(make(tmp_path, Garden(days=40, away=(10, 20))))
    assert sum(w.gap for w in found.wakes) == 1
    assert found.missing >= 10


def test_no_gap_where_nothing_is_missing(tmp_path: Path) -> None:
    found = read(make(tmp_path, Garden(days=40, refill=(20,))))
    assert not any(w.gap for w in found.wakes)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("values", "soil_ppt"), "wet"),
        (("values", "soil_ppt"), True),
        (("values", "level_ml"), 1 << 70),
        (("begin", "utc"), [0]),
        (("begin", "utc"), [10**9, 0, 1]),
        (("begin", "utc"), ["1", 0, 1]),
        (("judged", "soil"), "x" * 1000),
        (("judged", "soil"), None),
        (("trips",), "no flow"),
        (("trips",), [["no flow"]]),
        (("lockouts",), {"dry run": 1}),
        (("rest",), []),
        (("rest",), ["a", "b"]),
        (("run",), {"ran_ms": None}),
        (("run",), 7),
        (("after",), [1, 2]),
        (("stores",), [None]),
        (("plan",), []),
        (("permissives",), [1]),
        (("begin", "host"), [3]),
        (("begin", "host"), ["\ud800"]),
        (("core",), "\ud800"),
        (("before",), "\udc80"),
    ],
)
def test_damage_with_a_good_crc_costs_one_line(
    tmp_path: Path, path: tuple[str, ...], value: object
) -> None:
    log = make(tmp_path, Garden(days=8))
    file = log / "00000001.jsonl"
    rows = file.read_bytes().splitlines(keepends=True)
    record = json.loads(rows[3])
    del record["crc"]
    inner = record
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    rows[3] = hostile(record)
    file.write_bytes(b"".join(rows))
    found = read(log)
    assert found.skips.count == 1
    assert found.skips.first[0].line == 4
    assert len(found.wakes) == len([r for r in rows if b'"kind":"wake"' in r]) - 1


@pytest.mark.parametrize("commands", [[], ["sleep soon"], ["sleep"], ["sleep " + "9" * 30], [""]])
def test_a_wake_that_commands_no_sleep_is_kept(tmp_path: Path, commands: list[str]) -> None:
    """It is for the verdict to say so (R13), and the page shows the same wakes as the replay."""
    log = make(tmp_path, Garden(days=8))
    file = log / "00000001.jsonl"
    rows = file.read_bytes().splitlines(keepends=True)
    record = json.loads(rows[3])
    del record["crc"]
    rows[3] = hostile(record | {"commands": commands})
    file.write_bytes(b"".join(rows))
    found = read(log)
    assert found.skips.count == 0
    assert found.wakes[2].sleep_s == 0
    assert replaying.replay_log("pot", [file]).wakes == len(found.wakes)


def test_a_line_that_is_not_utf_8_costs_one_line(tmp_path: Path) -> None:
    log = make(tmp_path, Garden(days=8))
    file = log / "00000001.jsonl"
    rows = file.read_bytes().splitlines(keepends=True)
    body = rows[3][: -line.TAIL_SIZE - 1].replace(b'"timer"', b'"tim\xffr"')
    rows[3] = body + line.TAIL + b'%08x"}\n' % crc32(body)
    file.write_bytes(b"".join(rows))
    found = read(log)
    assert (found.skips.count, found.skips.first[0].line) == (1, 4)
    assert found.skips.first[0].why == "not UTF-8"


def test_names_are_safe_and_differ() -> None:
    places = [Path(p) for p in ("/a/fern/logs", "/b/Fern/logs", "/c/<b>&;/logs", "/d/x.jsonl.gz")]
    assert series.names(places) == ["fern", "Fern-2", "b", "x"]


def test_a_dose_is_its_pulses_and_the_soil_of_the_day_after() -> None:
    pulse = {"ran_ms": 1000, "given_ul": 20_000, "dose_ul": 60_000, "kind": "depletion"}
    changes: dict[int, dict[str, Any]] = {
        2: pulse | {"phase": "idle", "soil_ppt": 200},
        3: pulse | {"phase": "soak", "trips": ("sag",), "soil_ppt": 210},
        4: pulse | {"phase": "soak", "ran_ms": 500, "given_ul": 7000},
        5: {"soil_ppt": 260}, 6: {"soil_ppt": 290}, 7: {"soil_ppt": 400},
        8: pulse | {"phase": "idle", "soil_ppt": 250},
    }  # fmt: skip
    wakes = rows.wakes(10, changes)
    for wake in wakes[3:6]:
        wake.time_s = wakes[2].time_s + 3600 * (wake.n - 2)
    wakes[6].time_s, wakes[7].time_s = wakes[2].time_s + 89_999, wakes[2].time_s + 90_000
    first, second = series.doses(rows.log(wakes))
    assert (first.n, first.kind, first.planned_ul) == (2, "depletion", 60_000)
    assert (first.given_ul, first.ran_ms, first.pulses, first.trips) == (47_000, 2500, 3, ("sag",))
    assert (first.before_ppt, first.peak_ppt) == (200, 290), "up to 25 hours later"
    assert (second.n, second.before_ppt, second.peak_ppt, second.pulses) == (8, 250, 300, 1)


def test_a_clock_that_is_trusted_is_a_time() -> None:
    day = 9556  # 1 March 2026
    assert series.clock_of([day, 5, 1]) == int(datetime(2026, 3, 1, tzinfo=UTC).timestamp()) + 5
    assert series.clock_of([day, 5, 0]) is None
    assert series.clock_of([60_000, 0, 1]) is None, "past 2106, where 32 bits end"
    assert series.clock_of([0, -946_684_801, 1]) is None
    assert series.clock_of([0, -946_684_800, 1]) == 0


def test_files_of_a_pot_as_it_goes(tmp_path: Path) -> None:
    log = rows.log(rows.wakes(3), known=rows.pot(calibration={"float_only": 1}))
    assert log.float_only
    assert not rows.log(rows.wakes(3), known=rows.pot()).float_only
    assert not rows.log(rows.wakes(3)).float_only
    known = rows.pot(settings={"reserve_ml": 90, "pulse_ml": 30}, limits={"reserve_ml": 100})
    assert series.start_of(known) == 130
    switch = rows.pot(settings={"reserve_ml": 90}, calibration={"float_only": 1})
    assert series.start_of(switch) == max(90, switch.limits.reserve_ml) + 1


def test_only_a_sleep_that_is_vouched_for_is_counted() -> None:
    whole = [out["record"] for out in grown.grow(Garden(days=4))]
    before, found = form.wake_of(whole[1]), form.wake_of(whole[2])
    assert before.sleep is not None
    sleep_s = before.sleep.seconds
    assert sleep_s is not None
    found.begin.cause, found.begin.slept_s, found.begin.vouched = "timer", sleep_s, 1
    found.begin.utc = [9556, 0, 0]
    expected = sleep_s + before.awake_ms / 1000
    assert series.tick_of(found, before) == Tick(expected, None)
    assert series.tick_of(found, None) == Tick(None, None)
    found.begin.vouched = 0
    assert series.tick_of(found, before) == Tick(None, None)
    found.begin.vouched, found.n = 1, before.n + 2
    assert series.tick_of(found, before) == Tick(None, None), "a record is missing between them"


def test_a_name_keeps_what_is_safe_in_a_file(tmp_path: Path) -> None:
    made = [tmp_path / name for name in ("a-b_c", "a b", "x" * 70, "é1")]
    assert series.names(made) == ["a-b_c", "a-b", "x" * 60, "é1"]
    assert series.names([tmp_path / "pot" / "logs", tmp_path / "POT"]) == ["pot", "POT-2"]
    assert series.names([tmp_path / "log.jsonl.gz"]) == ["log"]


def test_what_the_ring_gave_up_is_what_the_newest_snapshot_says(tmp_path: Path) -> None:
    place = make(tmp_path, Garden(days=70))
    path = place / "00000001.jsonl"
    made, dropped = [], 0
    for row in path.read_bytes().splitlines():
        if row.startswith(b'{"kind":"state"'):
            record = json.loads(row)
            del record["crc"]
            record["dropped"] = dropped
            dropped += 3
            body = json.dumps(record, separators=(",", ":")).encode()[:-1]
            row = body + line.TAIL + b'%08x"}' % crc32(body)
        made.append(row)
    path.write_bytes(b"\n".join(made) + b"\n")
    assert dropped > 3
    assert read(place).dropped == dropped - 3


def test_a_pot_that_never_knew_the_date_is_timed_by_its_sleeps(tmp_path: Path) -> None:
    place = make(tmp_path, Garden(days=5))
    path = place / "00000001.jsonl"
    dated = read(place)

    def blind(row: bytes) -> bytes:
        record, _ = line.decode(row)
        assert record is not None
        if record["kind"] == "wake":
            record["begin"]["utc"][2] = 0
        body = json.dumps(record, separators=(",", ":")).encode()[:-1]
        return body + line.TAIL + b'%08x"}' % crc32(body)

    path.write_bytes(b"\n".join(blind(row) for row in path.read_bytes().splitlines()) + b"\n")
    counted = read(place)
    assert not counted.dated
    shift_s = dated.wakes[0].time_s
    assert [w.time_s for w in counted.wakes] == pytest.approx(
        [w.time_s - shift_s for w in dated.wakes], abs=2.0
    )


def test_a_pot_without_a_file_has_the_safe_defaults_in_force() -> None:
    found = series.load(lambda _: None, "limits", "")
    assert found is not None
    assert found.day_ml == fields.Values("limits").day_ml
    assert series.load(lambda _: None, "limits", "x") is None


def test_what_a_row_takes_as_it_is_comes_first() -> None:
    """They are given by position, all others by name."""
    assert list(series.PLACES) == list(series.WakeRow.__struct_fields__[: len(series.PLACES)])
