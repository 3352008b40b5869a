"""Settings asked for over the air: what a board takes, and everything it refuses."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard import asked, sealed
from wakecore import fields, line
from wakewell.pot import pot_folder

KEY, BOARD = bytes(range(32)), "0242ac110002"
NOW = [9500, 3600, 1]
LIMITS: dict[str, Any] = {"dose_ml": 100, "upkeep_ml": 30, "upkeep_days": 3}
CALIBRATION: dict[str, Any] = {
    "stage": 2, "flow_ul_s": 20000,
    "soil": {"points": [[1000, 500], [3000, 0]], "rails": [10, 4000]},
    "level": {"points": [[100, 0], [3000, 1000]], "rails": [10, 4000]},
    "battery": {"points": [[100, 0], [3000, 5000]], "rails": [10, 4000]},
}  # fmt: skip


def in_force() -> fields.Pot:
    """A pot whose three files match."""
    found = []
    for kind, data in pot_folder.compile_files({}, LIMITS, CALIBRATION).items():
        values, why = fields.load(kind, line.decode(data)[0], line.identity(data))
        assert values is not None, why
        found.append((kind, values))
    by = dict(found)
    return fields.Pot(by["settings"], by["limits"], by["calibration"])


POT = in_force()
USUAL = {row[0]: row[3] for row in fields.SETTINGS}


def message(n: int = 7, key: bytes = KEY, **changes: Any) -> bytes:
    """A good message, but for the changes."""
    given: dict[str, Any] = {
        "board": BOARD, "until": [9501, 0], "until_n": 20, "limits_id": POT.limits.id,
        "values": USUAL,
    }  # fmt: skip
    given |= changes
    return bytes(asked.make(key, n=n, **given))


def judge(data: bytes, last_n: int = 6, utc: Any = NOW, wake_n: int = 12) -> Any:
    return asked.judge(data, KEY, BOARD, last_n, POT, utc, wake_n)


def test_a_good_one_is_what_the_board_stores() -> None:
    values = USUAL | {"dose_ml": 90, "radio_wakes": 3}
    n, data, why = judge(message(values=values))
    assert (n, why) == (7, "")
    assert data == pot_folder.compile_files(values, LIMITS, CALIBRATION)["settings"]
    assert len(message()) < asked.MOST // 2


def test_seen_again_it_is_neither_taken_nor_refused() -> None:
    assert judge(message(), last_n=7) == (7, None, "")


def sealed_as(**changes: Any) -> bytes:
    """An authentic message with other members, as only a faulty host would make it."""
    body = json.loads(message())
    del body["hmac"]
    body = {k: v for k, v in (body | changes).items() if v is not ...}
    return bytes(sealed.seal(json.dumps(body)[:-1].encode(), KEY))


REFUSED = [
    (message(n=5), 0, "older than 6"),
    (message(key=b"x" * 32), 0, "tag does not match"),
    (message()[:-1], 0, "no tag"),
    (message()[:40], 0, "no tag"),
    (b"", 0, "no tag"),
    (message() + b" ", 0, "no tag"),
    (b" " * 3000, 0, "longer than 2048"),
    (message(board="0242ac110003"), 0, "another board"),
    (sealed_as(version=2), 0, "version 2"),
    (sealed_as(version=0), 0, "version 0"),
    (sealed_as(kind="heard"), 0, "not of the kind"),
    (sealed_as(n="8"), 0, "no number"),
    (sealed_as(n=True), 0, "no number"),
    (sealed_as(n=1 << 40), 0, "no number"),
    (sealed_as(until=...), 7, "no time"),
    (sealed_as(until=[1, -1]), 7, "no time"),
    (sealed_as(values=[1]), 7, "no values"),
    (sealed_as(values=USUAL | {"version": 1}), 7, "version is not a setting"),
    (sealed_as(values=USUAL | {"dose": 1}), 7, "dose is not a name"),
    (sealed_as(values=USUAL | {"dose_ml": 80.5}), 7, "dose_ml = 80.5, allowed"),
    (sealed_as(values={"dose_ml": 80}), 7, "is missing"),
    (message(until=[9500, 3599]), 7, "time is past"),
    (message(until=[9499, 86399]), 7, "time is past"),
    (message(limits_id="00000000"), 7, "other hard limits"),
    (message(limits_id=""), 7, "other hard limits"),
    (message(values=USUAL | {"dose_ml": 101}), 7, "dose_ml = 101, the hard limit is at most 100"),
    (message(values=USUAL | {"dose_ml": 0}), 7, "dose_ml = 0, allowed 1 to 2000"),
    (message(values=USUAL | {"battery_mv": 3499}), 7, "hard limit is at least 3500"),
    (message(values=USUAL | {"reserve_ml": 49}), 7, "hard limit is at least 50"),
    (message(values=USUAL | {"upkeep_days": 2}), 7, "hard limit is at least 3"),
]


@pytest.mark.parametrize(("data", "n", "why"), REFUSED, ids=[row[2] for row in REFUSED])
def test_refused_with_the_reason(data: bytes, n: int, why: str) -> None:
    found_n, settings_line, found = judge(data)
    assert (found_n, settings_line) == (n, None)
    assert why in found


def test_with_an_unsure_clock_the_count_of_wakes_decides() -> None:
    late, soon = message(until=[1, 0]), message(until=[9999, 0])
    for utc in ([0, 0, 0], [99999, 0, 0]):
        assert judge(late, utc=utc, wake_n=20)[1]
        assert judge(soon, utc=utc, wake_n=21) == (7, None, "its time is past")


@settings(max_examples=120)  # the fuzzing of the proofs makes thousands more
@given(st.data())
def test_no_stranger_and_no_accident_gets_in(data: st.DataObject) -> None:
    """Any bytes, and any mutilation of good ones: refused without a number, never an error."""
    good = message()
    kind = data.draw(st.sampled_from(["any", "flip", "cut", "join", "json"]))
    if kind == "any":
        bad = data.draw(st.binary(max_size=3000))
    elif kind == "flip":
        at = data.draw(st.integers(0, len(good) - 1))
        bad = good[:at] + bytes([good[at] ^ data.draw(st.integers(1, 255))]) + good[at + 1 :]
    elif kind == "cut":
        at = data.draw(st.integers(0, len(good) - 1))
        bad = good[:at] if data.draw(st.booleans()) else good[at + 1 :]
    elif kind == "join":
        bad = good + message(n=8)
    else:
        body = data.draw(st.recursive(st.none() | st.integers() | st.text(), st.lists))
        bad = sealed.seal(json.dumps({"kind": "asked", "x": body})[:-1].encode(), b"y" * 32)
    n, settings_line, why = judge(bad)
    assert n == 0
    assert settings_line is None
    assert why


@settings(max_examples=100)
@given(st.dictionaries(st.sampled_from(sorted(USUAL)), st.integers(-5, 40000)), st.integers(1, 99))
def test_what_is_taken_is_inside_the_limits(values: dict[str, int], n: int) -> None:
    """Whatever an authentic message says, the pot that comes of it matches (R14)."""
    found_n, data, why = judge(message(n=n, values=USUAL | values))
    if data is None:
        assert why or found_n == 6
        return
    assert n > 6
    taken, _ = fields.load("settings", line.decode(data)[0], line.identity(data))
    assert fields.Pot(taken, POT.limits, POT.calibration).match


@settings(max_examples=50)
@given(st.lists(st.integers(1, 30), max_size=12))
def test_in_any_order_the_number_only_rises(numbers: list[int]) -> None:
    last_n, taken = 0, []
    for number in numbers:
        n, data, _ = judge(message(n=number), last_n=last_n)
        if data is not None:
            taken.append(n)
            last_n = n
    assert taken == sorted(set(taken))
    assert max(numbers, default=0) == last_n
