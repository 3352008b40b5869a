"""Reading logs: whatever was done to a file, nothing raises but BadInput, and all is counted."""

from __future__ import annotations

import copy
import gzip
import inspect
import json
import os
import random
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import pytest

import makelog
from wakecore import line
from wakewell.errors import BadInput
from wakewell.log import commanded, logs, record
from wakewell.log.logs import Skips


@pytest.fixture(scope="module")
def lines() -> list[bytes]:
    """A log of 40 wakes with its two snapshots."""
    return list(makelog.log_lines(makelog.play(makelog.wakes(40))))


def read(path: Path) -> tuple[list[record.Plain], Skips]:
    skips = Skips()
    return [found.plain for found, _ in logs.read_file(path, skips)], skips


def written(folder: Path, data: bytes, name: str = "a.jsonl") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def whole(lines: list[bytes], end: bytes = b"\n") -> bytes:
    return b"".join(data + end for data in lines)


def test_a_good_file_is_read_whole(tmp_path: Path, lines: list[bytes]) -> None:
    records, skips = read(written(tmp_path, whole(lines)))
    assert [r["kind"] for r in records].count("wake") == 40
    assert skips.count == 0
    # RFC 8259 and JSON Lines: any JSON tool reads it, and finds the same but for the crc.
    for found, data in zip(records, lines, strict=True):
        other = json.loads(data)
        assert other.pop("crc") == data[-10:-2].decode()
        assert other == json.loads(json.dumps(found))


@pytest.mark.parametrize("end", [b"\r\n", b"\n\n", b"\r\r\n"])
def test_line_ends_of_mail_and_editors(tmp_path: Path, lines: list[bytes], end: bytes) -> None:
    records, skips = read(written(tmp_path, logs.BOM + whole(lines, end)))
    assert (len(records), skips.count) == (len(lines), 0)


def test_every_cut_of_the_last_line_costs_only_itself(tmp_path: Path, lines: list[bytes]) -> None:
    good, last = whole(lines[:2]), lines[2]
    for kept in range(1, len(last)):
        records, skips = read(written(tmp_path, good + last[:kept]))
        assert (len(records), skips.count) == (2, 1)
        assert str(skips.first[0]) == f"{tmp_path / 'a.jsonl'}:3: torn: the file ends inside it"


def test_a_line_torn_in_mid_file_costs_only_itself(tmp_path: Path, lines: list[bytes]) -> None:
    damaged = [*lines[:5], lines[5][:100], *lines[6:]]
    records, skips = read(written(tmp_path, whole(damaged)))
    assert (len(records), skips.count) == (len(lines) - 1, 1)
    assert (skips.first[0].line, skips.first[0].why) == (6, "no crc at its end")


@pytest.mark.parametrize("which", [0, 1])
def test_a_flipped_bit_in_any_byte_is_seen(lines: list[bytes], which: int) -> None:
    good = lines[which]
    for at in range(len(good)):
        bad = bytearray(good)
        bad[at] ^= 1 << at % 8
        found = record.read(bytes(bad))
        assert found.found is None
        assert found.why
        assert not found.sound


def sealed_members(**members: Any) -> bytes:
    return makelog.sealed(json.dumps({"kind": "wake", "n": 1, **members})[:-1].encode())


# Everything here bears a good CRC, as a hostile file may. (line, in the reason)
HOSTILE = {
    "not UTF-8": (makelog.sealed(b'{"kind":"wake","n":"\xff\xfe"'), "not UTF-8"),
    "half a character": (sealed_members(core="\ud800"), "an incomplete character"),
    "deep lists": (makelog.sealed(b'{"kind":"wake","n":' + b"[" * 30000), "nested too deeply"),
    "deep objects": (makelog.sealed(b'{"a":' * 6000), "nested too deeply"),
    "float": (sealed_members(awake_ms=1.5), "1.5 is not a whole number"),
    "exponent": (makelog.sealed(b'{"kind":"wake","n":1e999999999'), "is not a whole number"),
    "NaN": (sealed_members(awake_ms=float("nan")), "NaN is not a whole number"),
    "Infinity": (sealed_members(awake_ms=float("-inf")), "-Infinity is not a whole number"),
    "5000 digits": (makelog.sealed(b'{"kind":"wake","n":' + b"9" * 5000), "too many digits"),
    "twin": (makelog.sealed(b'{"kind":"wake","n":1,"n":2'), "'n' is given twice"),
    "inner twin": (makelog.sealed(b'{"kind":"wake","read":{"a":1,"a":2}'), "'a' is given twice"),
    "spaced twin": (makelog.sealed(b'{"kind" :"wake","n" : 1,"n"\t:2'), "'n' is given twice"),
    "deep twin": (
        makelog.sealed(b'{"kind":"wake","x":[{"y":{"a":1,"a":2}}]'),
        "'a' is given twice",
    ),
    "escaped twin": (makelog.sealed(b'{"kind":"wake","n":1,"\\u006e":2'), "'n' is given twice"),
    "twin and colon": (makelog.sealed(b'{"kind":"wake","n":":","n":2'), "'n' is given twice"),
    "two objects": (makelog.sealed(b'{"kind":"wake"},{"n":1'), "not JSON: more after the object"),
    "no object": (makelog.sealed(b"[1"), "not JSON"),
    "no kind": (makelog.sealed(b'{"a":1'), "kind 'None' is not known"),
    "other kind": (makelog.sealed(b'{"kind":"\\u001b[2J"'), r"kind '\x1b[2J' is not known"),
    "kind of a list": (makelog.sealed(b'{"kind":["wake"]'), "is not known"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_line_with_a_good_crc_is_skipped(
    tmp_path: Path, lines: list[bytes], name: str
) -> None:
    data, why = HOSTILE[name]
    assert line.body_of(data)[0] is not None or len(data) > line.MOST_LINE
    records, skips = read(written(tmp_path, whole([*lines[:3], data, *lines[3:]])))
    assert len(records) == len(lines)
    assert (skips.count, skips.first[0].line) == (1, 4)
    assert why in skips.first[0].why
    assert skips.first[0].why.isprintable()


def test_colons_and_deeper_objects_alone_are_no_twins() -> None:
    for body in (b'{"kind":"wake","x":"a\\":b"', b'{"kind" : "wake","x":[{"a":{"a":1}},{"a":2}]'):
        assert record.parse(makelog.sealed(body))[0] is not None


def test_a_huge_line_is_skipped_in_constant_memory(tmp_path: Path, lines: list[bytes]) -> None:
    path = written(tmp_path, b"")
    with path.open("wb") as file:
        file.write(lines[0] + b"\n")
        for _ in range(64):
            file.write(b"x" * (1 << 20))
        file.write(b"\n" + lines[1] + b"\n")
    tracemalloc.start()
    records, skips = read(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (len(records), skips.count) == (2, 1)
    assert skips.first[0].why == f"longer than {line.MOST_LINE} bytes"
    assert peak < 1 << 20


@pytest.mark.parametrize("extra", [0, 1, 2, 3])
def test_lines_about_the_longest_allowed(tmp_path: Path, lines: list[bytes], extra: int) -> None:
    body = lines[1][: -line.TAIL_SIZE] + b',"x":"'
    fill = line.MOST_LINE - len(body) - 1 - line.TAIL_SIZE + extra
    data = makelog.sealed(body + b"y" * fill + b'"')
    assert len(data) == line.MOST_LINE + extra
    records, skips = read(written(tmp_path, whole([data, lines[0]])))
    assert len(records) == (1 if extra else 2)
    assert skips.count == (1 if extra else 0)


def test_gzip_by_content_whatever_the_name(tmp_path: Path, lines: list[bytes]) -> None:
    packed = gzip.compress(whole(lines))
    for name in ("a.jsonl.gz", "a.jsonl", "mail-attachment.bin"):
        records, skips = read(written(tmp_path, packed, name))
        assert (len(records), skips.count) == (len(lines), 0)
    assert len(read(written(tmp_path, whole(lines), "plain.jsonl.gz"))[0]) == len(lines)


def test_gzip_cut_anywhere_gives_what_came_before(tmp_path: Path, lines: list[bytes]) -> None:
    packed = gzip.compress(whole(lines))
    for kept in range(3, len(packed), 97):
        records, skips = read(written(tmp_path, packed[:kept]))
        assert [line.encode(tuple(r), r) for r in records] == lines[: len(records)]
        assert skips.count >= 1
        assert "gzip damaged, the rest is not read" in skips.first[-1].why


def test_gzip_damaged_inside(tmp_path: Path, lines: list[bytes]) -> None:
    packed = bytearray(gzip.compress(whole(lines)))
    for at in (4, len(packed) // 2, len(packed) - 6):
        bad = bytearray(packed)
        bad[at] ^= 0x55
        records, _ = read(written(tmp_path, bytes(bad)))
        assert len(records) <= len(lines)


def test_binary_and_empty_files(tmp_path: Path) -> None:
    assert read(written(tmp_path, b"")) == ([], Skips())
    records, skips = read(written(tmp_path, b"\n\r\n\n"))
    assert (records, skips.count) == ([], 0)
    noise = random.Random(5).randbytes(200_000)
    records, skips = read(written(tmp_path, noise))
    assert records == []
    assert skips.count > 100
    records, skips = read(written(tmp_path, bytes(100_000)))
    assert (records, skips.count) == ([], 1)


def test_no_more_skips_are_kept_than_agreed(tmp_path: Path) -> None:
    _, skips = read(written(tmp_path, b"x\n" * 5000))
    assert (skips.count, len(skips.first)) == (5000, logs.MOST_SKIPS)


def test_random_damage_never_raises(tmp_path: Path, lines: list[bytes]) -> None:
    dice = random.Random(7)
    for _ in range(200):
        data = bytearray(whole(lines[:6]))
        for _ in range(dice.randint(1, 8)):
            at = dice.randrange(len(data))
            kind = dice.randrange(3)
            if kind == 0:
                data[at] = dice.randrange(256)
            elif kind == 1:
                del data[at : at + dice.randint(1, 400)]
            else:
                data[at:at] = dice.randbytes(dice.randint(1, 40))
        records, skips = read(written(tmp_path, bytes(data)))
        assert len(records) + skips.count >= 1
        assert all(line.encode(tuple(r), r) in lines for r in records)


def test_find_logs(tmp_path: Path) -> None:
    for name in ("b/logs/00000002.jsonl", "b/logs/00000001.jsonl.gz", "a/x.jsonl", "a/notes.txt"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    makelog.keep_in_force(tmp_path / "b" / "logs")
    (tmp_path / ".hidden").mkdir()
    (tmp_path / ".hidden" / "x.jsonl").touch()
    (tmp_path / "b" / "ring").symlink_to(tmp_path)
    found = logs.find_logs(tmp_path)
    assert [(p.relative_to(tmp_path).as_posix(), [f.name for f in fs]) for p, fs in found] == [
        ("a", ["x.jsonl"]),
        ("b/logs", ["00000001.jsonl.gz", "00000002.jsonl"]),
    ]
    one = tmp_path / "a" / "notes.txt"
    assert logs.find_logs(one) == [(one, [one])]


def test_find_logs_in_deep_folders_does_not_recurse(tmp_path: Path) -> None:
    deepest = tmp_path.joinpath(*["d"] * 300)
    deepest.mkdir(parents=True)
    (deepest / "x.jsonl").touch()
    before = sys.getrecursionlimit()
    sys.setrecursionlimit(len(inspect.stack()) + 100)
    try:
        found = logs.find_logs(tmp_path)
    finally:
        sys.setrecursionlimit(before)
    assert [place for place, _ in found] == [deepest]


@pytest.mark.parametrize("name", ["no-such.jsonl", "x" * 5000, "a\0b", "a.jsonl/b"])
def test_find_logs_of_nothing_is_one_clear_line(tmp_path: Path, name: str) -> None:
    written(tmp_path, b"")
    with pytest.raises(BadInput) as caught:
        logs.find_logs(tmp_path / name)
    assert str(caught.value).isprintable()


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read every file"
)
def test_permission_denied_is_one_clear_line(tmp_path: Path) -> None:
    path = written(tmp_path, b"")
    path.chmod(0)
    with pytest.raises(BadInput, match=r"a\.jsonl: cannot be read: Permission denied"):
        read(path)
    folder = tmp_path / "locked"
    folder.mkdir(mode=0)
    with pytest.raises(BadInput, match="cannot be read: Permission denied"):
        logs.find_logs(tmp_path)


def test_an_error_of_the_disk_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(path: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(logs, "open_log", broken)
    with pytest.raises(BadInput, match=r"a\.jsonl: cannot be read: Permission denied"):
        read(written(tmp_path, b""))


def test_in_force_beside_the_logs_or_one_folder_up(tmp_path: Path) -> None:
    files = makelog.pot()
    (tmp_path / "logs").mkdir()
    keep = logs.InForce(tmp_path / "logs")
    for folder in (tmp_path, tmp_path / "logs"):
        makelog.keep_in_force(folder, files)
        for data in files.values():
            assert keep(line.identity(data)) == data


def test_in_force_files_that_are_missing_damaged_or_another(tmp_path: Path) -> None:
    data = makelog.pot()["settings"]
    identity = line.identity(data)
    path = tmp_path / "in-force" / f"{identity}.json"
    path.parent.mkdir()
    keep = logs.InForce(tmp_path)
    assert keep(identity) is None
    assert keep("../" + identity) is None
    assert keep("é" * 8) is None
    path.write_bytes(makelog.pot({"soak_s": 60})["settings"])
    assert keep(identity) is None
    path.write_bytes(b"[" * 20_000)
    assert keep(identity) is None
    path.write_bytes(b"\xff" + data)
    assert keep(identity) not in (None, data)
    path.mkdir() if not path.unlink() else None  # type: ignore[func-returns-value]
    assert keep(identity) is None


WRONG = [None, True, -1, 1 << 70, "x", "\ud800", [], [[1]], [None], {}, {"a": {"b": 1}}, {"a": []}]


def test_a_record_of_the_core_has_the_form_either_way_it_is_read(lines: list[bytes]) -> None:
    for data in lines:
        plain, _ = record.parse(data)
        assert plain is not None
        found = record.read(data)
        assert found.more is None, "a line as boards write it says no more than the form"
        assert found.found == record.of(plain).found
        assert record.line_of(found.found) == data  # type: ignore[arg-type]


def test_what_has_the_form_can_be_written_again(lines: list[bytes]) -> None:
    """Every member, and every member of `begin`, replaced by every wrong thing."""
    good = json.loads(lines[1])
    refused = passed = 0
    for place in (good, good["begin"]):
        for name in list(place):
            kept = place[name]
            for value in [*WRONG, *([] if name not in good else [KeyError])]:
                if value is KeyError:
                    del place[name]
                else:
                    place[name] = value
                why = record.of(good).why
                assert why.isprintable()
                refused, passed = refused + bool(why), passed + (not why)
                if not why:
                    line.encode(tuple(good), good)
                place[name] = kept
    assert refused > passed > 0


# What is wrong with a record's form


@pytest.fixture(scope="module")
def good() -> dict[str, Any]:
    """A wake with a pulse and a snapshot, decoded."""
    found = [record.parse(data)[0] for data in makelog.log_lines(makelog.play(makelog.wakes(40)))]
    return {
        "wake": next(one for one in found if one and one["kind"] == "wake" and "run" in one),
        "state": next(one for one in found if one and one["kind"] == "state"),
    }


def without(plain: dict[str, Any], *path: str) -> dict[str, Any]:
    found = copy.deepcopy(plain)
    inner = found
    for name in path[:-1]:
        inner = inner[name]
    del inner[path[-1]]
    return found


def changed(plain: dict[str, Any], *path: Any) -> dict[str, Any]:
    """The record with the last of these at the place that the others name."""
    found = copy.deepcopy(plain)
    inner = found
    for name in path[:-2]:
        inner = inner[name]
    inner[path[-2]] = path[-1]
    return found


@pytest.mark.parametrize(
    ("path", "why"),
    [
        (("n", "1"), "n = 1 is not a whole number in range, 0 or above"),
        (("n", -1), "n = -1 is not a whole number in range, 0 or above"),
        (("n", 1 << 30), "n = 1073741824 is not made of whole numbers and text"),
        (("n", True), "n = True is not made of whole numbers and text"),
        (("odd", {"inner": {"too": "deep"}}), "is not made of whole numbers and text"),
        (("odd", 1.5), "is not made of whole numbers and text"),
        (('a"b', 1), "is not a word"),
        (("begin", "a\\b", 1), "a name in begin is not a word"),
        (("begin", "a\x1b", 1), "a name in begin is not a word"),
        (("plan", "kind", 3), "plan.kind = 3 is"),
        (("plan", "phase", "x" * (record.MOST_WORD + 1)), "plan.phase = "),
        (("judged", "soil", 3), "judged.soil = 3 is"),
        (("judged", "another", 3), "judged.another = 3 is not a word"),
        (("judged", "soil", "x" * (record.MOST_WORD + 1)), "judged.soil = "),
        (("begin", "cause", "x" * (record.MOST_WORD + 1)), "begin.cause = "),
        (("trips", ["sag", 3]), "trips = "),
        (("stores", [0, 2]), "stores = [0,2] is not made of 0 and 1"),
        (("begin", "host", [3]), "begin.host = [3] is not a list of texts"),
        (("begin", "utc", [1, 2]), "begin.utc = [1, 2] is not [day 0 to"),
        (("begin", "utc", [-1, 2, 1]), "begin.utc = [-1, 2, 1] is not [day 0 to"),
        (("values", "soil_ppt", "wet"), "values.soil_ppt = "),
        (("water", "day_ml", "much"), "water.day_ml = "),
        (("permissives", "pin", "yes"), "permissives.pin = "),
        (("rest", [1]), "rest = [1] is not [counts, spread] or null"),
        (("read", "soil", [1, 2, 3]), "read.soil = "),
        (("after", 3), "after = 3 is"),
        (("begin", "radio", 5), "begin.radio = 5 is not a word"),
        (("begin", "radio_ms", "x"), "begin.radio_ms = x is not a whole number"),
        (("run", "ran_ms", "x"), "run.ran_ms = x is not a whole number"),
        (("run", "level", 3), "run is not lists of whole numbers"),
        (("run", "level", [3]), "run has channels of different length"),
        (("judged", {}), "judged.soil is missing"),
        (("left_out", []), "left_out = [] is not a list of words, with one at least"),
    ],
)
def test_what_is_wrong_with_the_form_of_a_wake(
    good: dict[str, Any], path: tuple[Any, ...], why: str
) -> None:
    assert record.of(good["wake"]).why == ""
    assert why.replace(" ", "") in record.of(changed(good["wake"], *path)).why.replace(" ", "")


def test_a_word_may_be_as_long_as_is_said(good: dict[str, Any]) -> None:
    assert record.of(changed(good["wake"], "plan", "kind", "x" * record.MOST_WORD)).why == ""


@pytest.mark.parametrize(
    "path", [("begin",), ("begin", "utc"), ("plan", "kind"), ("trips",), ("read",), ("stores",)]
)
def test_what_is_missing_is_named(good: dict[str, Any], path: tuple[str, ...]) -> None:
    assert record.of(without(good["wake"], *path)).why == f"{'.'.join(path)} is missing"


@pytest.mark.parametrize(
    ("path", "why"),
    [
        (("ages_s", ["a"]), "ages_s = ['a'] is not made of whole numbers"),
        (("mls", [[1]]), "mls"),
        (("mls", ["1"]), "mls = ['1'] is not made of whole numbers"),
        (("fields", {"seq": "1"}), "fields.seq = 1 is not a whole number in range"),
        (("version", "1"), "version = "),
    ],
)
def test_what_is_wrong_with_the_form_of_a_snapshot(
    good: dict[str, Any], path: tuple[Any, ...], why: str
) -> None:
    assert record.of(good["state"]).why == ""
    assert record.of(changed(good["state"], *path)).why.startswith(why)
    assert record.of(without(good["state"], path[0])).why == f"{path[0]} is missing"


@pytest.mark.parametrize("data", [b"[1]", b"3", b'"text"', b"null"])
def test_what_is_no_object_is_no_record(data: bytes) -> None:
    body = data
    found, why = record.parse(body)
    assert found is None
    assert why


def test_a_value_is_shown_cut_short(good: dict[str, Any]) -> None:
    long = changed(good["wake"], "trips", ["x" * 20, 3, "y" * 200])
    told = record.of(long).why
    assert told.endswith("... is not a list of texts")
    word = record.of(changed(good["wake"], "plan", "phase", "x" * 80)).why
    assert word.startswith(f"plan.phase = {'x' * 40}... is not a word")


@pytest.mark.parametrize(
    ("command", "sleep"),
    [
        ("sleep 60", (60, False)), ("sleep 86400 button", (86400, True)), ("sleep 0", (0, False)),
        ("sleep", None), ("", None), ("sleep x", None), ("sleep -1", None), ("rest 60", None),
        ("sleep 99999999", (99999999, False)), ("sleep 100000000", None),
        ("sleep 60 bell", (60, False)),
    ],
)  # fmt: skip
def test_the_sleep_that_a_wake_commands(command: str, sleep: tuple[int, bool] | None) -> None:
    assert commanded.sleep_of(["off", command]) == sleep
    assert commanded.sleep_of([command, "report"]) is None
    assert commanded.sleep_of([]) is None


def test_a_text_of_a_file_is_cut_to_a_line() -> None:
    assert logs.printable("x" * 200) == "x" * 200
    assert logs.printable("x" * 201) == "x" * 200 + "..."
    assert logs.printable("abcdef", 3) == "abc..."
