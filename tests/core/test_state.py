"""The retained state: its stored form, and the account of the last 24 hours."""

from __future__ import annotations

import struct
from binascii import crc32

import core_pots
from hypothesis import given, settings
from hypothesis import strategies as st

from wakecore import state as core_state
from wakecore.state import DELIVERIES, FIELDS, LONG_S, State, from_bytes, from_numbers

HEAD = 2 * DELIVERIES


def numbers_of(pick: core_pots.Pick) -> list[int]:
    """Numbers inside the ranges, ends more often than not."""
    found = [pick.whole(0, LONG_S) for _ in range(DELIVERIES)]
    found += [pick.whole(0, 5000) for _ in range(DELIVERIES)]
    for _, least, most, start in FIELDS:
        found.append(pick.one([least, most, start, pick.whole(least, most)]))
    return found


@st.composite
def states(draw: st.DrawFn) -> State:
    numbers = numbers_of(core_pots.Drawn(draw))
    found = from_numbers(numbers)
    assert found is not None
    assert found.numbers() == numbers, "none is lost over a cut"
    return found


def closed(body: bytes) -> bytes:
    """With a CRC of its own, as anybody could write it."""
    return body + struct.pack("<I", crc32(body))


@given(states())
def test_round_trip(state: State) -> None:
    data = state.to_bytes()
    back = from_bytes(data)
    assert back is not None
    assert back.numbers() == state.numbers()
    assert back.crc == state.crc == f"{crc32(data[:-4]):08x}"


@given(states(), st.data())
def test_damaged_bytes_are_never_accepted(state: State, data: st.DataObject) -> None:
    good = state.to_bytes()
    at = data.draw(st.integers(0, len(good) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b != good[at]))
    assert from_bytes(good[:at] + bytes([byte]) + good[at + 1 :]) is None
    assert from_bytes(good[:at]) is None
    assert from_bytes(good + bytes([byte])) is None


def test_every_bit_counts() -> None:
    good = State().to_bytes()
    for at in range(len(good)):
        for bit in range(8):
            assert from_bytes(good[:at] + bytes([good[at] ^ 1 << bit]) + good[at + 1 :]) is None


@given(st.binary(max_size=300))
def test_bytes_of_any_kind_are_answered(data: bytes) -> None:
    assert from_bytes(data) is None
    from_bytes(closed(data))  # may be a state only if it is one; must not raise


@given(st.integers(0, len(FIELDS)), states())
def test_an_older_state_lacks_fields_at_its_end(lacking: int, state: State) -> None:
    """Fields are only added at the end: what an older core did not know takes its start value."""
    numbers = state.numbers()
    kept = numbers[: len(numbers) - lacking]
    body = struct.pack(f"<4sHH{len(kept)}i", b"wake", core_state.VERSION, len(kept), *kept)
    back = from_bytes(closed(body))
    assert back is not None
    starts = [row[3] for row in FIELDS]
    assert back.numbers() == kept + starts[len(FIELDS) - lacking :]


def test_a_newer_or_foreign_state_is_refused() -> None:
    numbers = State().numbers()
    for magic, version in ((b"wake", 3), (b"wake", 0), (b"cake", 1)):
        body = struct.pack(f"<4sHH{len(numbers)}i", magic, version, len(numbers), *numbers)
        assert from_bytes(closed(body)) is None


def test_numbers_out_of_range_are_refused_one_by_one() -> None:
    good = State().numbers()
    for place, (name, least, most, _) in enumerate(FIELDS):
        for wrong in (least - 1, most + 1, None, "1", True):
            numbers = list(good)
            numbers[HEAD + place] = wrong
            assert from_numbers(numbers) is None, f"{name} = {wrong}"
    for place in range(HEAD):
        assert from_numbers([*good[:place], -1, *good[place + 1 :]]) is None
    assert from_numbers(good[: HEAD - 1]) is None


def test_forgotten_only_when_surely_older_than_a_day() -> None:
    """R3: what the sleep oscillator calls old enough is 24 real hours old at its fastest.

    A clock fast by that many parts per thousand counts 86400 s in 86400 / (1 + error) s.
    """

    def counted(passed_s: int, clock_ppt: int) -> bool:
        state = State()
        core_state.deliver(state, 100)
        core_state.pass_time(state, passed_s, clock_ppt)
        return core_state.delivered_ml(state) > 0

    for clock_ppt in range(201):
        least_s, most_s = 86400, 2 * 86400  # and not for ever: the next day's water must come
        assert counted(least_s, clock_ppt) or clock_ppt == 0
        assert not counted(most_s, clock_ppt)
        for _ in range(18):
            middle_s = (least_s + most_s) // 2
            if counted(middle_s, clock_ppt):
                least_s = middle_s
            else:
                most_s = middle_s
        assert most_s * 1000 >= 86400 * (1000 + clock_ppt), clock_ppt


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.integers(0, 30000), st.integers(0, 300)), max_size=60),
    st.integers(0, 200),
)
def test_the_account_is_never_less_than_an_exact_one(
    steps: list[tuple[int, int]], clock_ppt: int
) -> None:
    """R3, by a ledger that keeps every delivery: eight places must never forget too much."""
    state, now_s = State(), 0
    ledger: list[tuple[int, int]] = []
    for passed_s, ml in steps:
        now_s += passed_s
        core_state.pass_time(state, passed_s, clock_ppt)
        booked = core_state.delivered_ml(state)
        core_state.deliver(state, ml)
        ledger.append((now_s, ml))
        exact = sum(
            m for at_s, m in ledger[:-1] if (now_s - at_s) * 1000 < 86400 * (1000 + clock_ppt)
        )
        assert booked >= exact
        assert core_state.delivered_ml(state) == booked + ml


def test_time_stops_where_it_matters_no_more() -> None:
    """Counters of seconds stay small integers whatever passes."""
    state = State()
    core_state.deliver(state, 1)
    for _ in range(5):
        core_state.pass_time(state, (1 << 30) - 1, 200)
    assert (state.mls[0], state.since_dose_s, state.place_s) == (0, LONG_S, LONG_S)
    assert from_bytes(state.to_bytes()) is not None
