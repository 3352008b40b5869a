"""R3, R10: the water of a day, and time that counts only where something vouches for it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from core_edges import facts, kept, played, pot

from wakecore import plan, state, tank
from wakewell.portable import mock


def test_what_a_run_counts_for() -> None:
    made = pot(calibration={"tolerance_ml": 5})
    assert plan.counted_ml(1000, None, made) == 25
    assert plan.counted_ml(1001, None, made) == 26
    assert plan.counted_ml(1000, 26, made) == 26
    assert plan.counted_ml(1000, 24, made) == 25
    assert plan.counted_ml(40, 5, made) == 1, "within the tolerance it says nothing"
    assert plan.counted_ml(40, 6, made) == 6
    cal: Any = SimpleNamespace(flow_ul_s=20000, tolerance_ml=5)
    assert plan.given_ul(1000, None, cal) == plan.given_ul(1000, 10, cal) == 20000
    assert plan.given_ul(1000, 11, cal) == 11000


def test_a_pulse_is_booked() -> None:
    made = pot({}, {}, {"tolerance_ml": 5})

    def book(before_ml: int, after_ml: int | None, ran_ms: int = 2000, **changes: Any) -> Any:
        was = kept(**{"look_ml": 1000, "look_n": 3, "look_s": 5, "open_ms": 5, **changes})
        return was, *tank.book_pulse(was, made, ran_ms, before_ml, after_ml)

    was, ml, fall_ml = book(1000, 960, pumped_ml=7, proof_pulses=1, since_dose_s=9)
    assert (ml, fall_ml) == (50, 40)
    assert (was.look_ml, was.look_n, was.look_s) == (960, 1, 0)
    assert (was.mls[0], was.pumped_ml, was.open_ms, was.since_dose_s) == (50, 57, 0, 0)
    assert was.proof_pulses == 1
    assert book(1000, 960, pumped_ml=1000000)[0].pumped_ml == 1000000
    assert book(1000, 900)[1:] == (100, 100)
    for before_ml, after_ml in ((1000, None), (-1, 960)):
        was, ml, fall_ml = book(before_ml, after_ml)
        assert (ml, fall_ml, was.look_ml) == (50, None, -1)
    assert book(0, 0)[2] == 0
    # Twice 25 ml/s for 2 s, and 5 ml twice: what is gone beyond that is for the looks (R8)
    assert [book(1000, ml)[0].look_ml for ml in (890, 889)] == [890, 890]
    assert [book(20, ml, look_ml=20)[0].look_ml for ml in (0, 1)] == [0, 1]
    # Scatter fills no tank; far above is no fall at all, and the pump has moved 40 ml
    assert book(1000, 1010)[0].look_ml == 1000
    assert book(1000, 1010)[1:] == (50, -10)
    was, ml, fall_ml = book(1000, 1011, proof_pulses=1)
    assert (was.look_ml, was.look_n, ml, fall_ml, was.fill_looks) == (960, 1, 50, None, 0)
    assert was.proof_pulses == 1
    assert book(20, 900, look_ml=30)[0].look_ml == 0
    # One high reading before the pulse: the one after it says whether somebody filled
    once = {"fill_looks": 1, "odd_ml": 2000}
    was = book(2000, 1011, dry_trips=1, lockouts=2, proof_pulses=1, **once)[0]
    assert (was.filled_ml, was.look_ml, was.fill_looks) == (1011, 1011, 0)
    assert (was.dry_trips, was.lockouts, was.proof_pulses) == (0, 0, 0)
    was = book(1500, 3000, fill_looks=1, odd_ml=1500)[0]
    assert (was.filled_ml, was.pumped_ml, was.look_ml) == (1500, 50, 1460), "on the lower of both"
    was = book(2000, 1010, dry_trips=1, lockouts=2, proof_ul=9, proof_pulses=1, **once)[0]
    assert (was.filled_ml, was.look_ml, was.fill_looks) == (-1, 1000, 0)
    assert (was.dry_trips, was.lockouts, was.proof_pulses) == (1, 2, 0)
    switch = pot(calibration={"float_only": 1})
    was = kept(look_ml=5)
    assert tank.book_pulse(was, switch, 2000, 900, 800) == (50, None)
    assert was.look_ml == -1


def test_water_of_a_day_by_place_and_age() -> None:
    was = kept()
    state.deliver(was, 0)
    state.deliver(was, -4)
    assert was.mls == [0] * 8
    state.deliver(was, 1)
    state.deliver(was, 2)
    assert (was.mls[:2], was.ages_s[:2], was.place_s) == ([3, 0], [0, 0], 0)
    state.pass_time(was, state.PLACE_S - 1, 50)
    assert (was.ages_s[0], was.place_s) == (state.PLACE_S - 1, state.PLACE_S - 1)
    state.deliver(was, 4)
    assert (was.mls[:2], was.ages_s[0]) == ([7, 0], 0), "a place counts from its newest water on"
    state.pass_time(was, 1, 50)
    state.deliver(was, 0)
    assert was.mls[:2] == [7, 0], "nothing opens no place"
    state.deliver(was, 8)
    assert (was.mls[:3], was.ages_s[:3], was.place_s) == ([8, 7, 0], [0, 1, 0], 0)
    assert state.delivered_ml(was) == 15
    # 24 hours, and the error of the oscillator, rounded up
    for ppt, window_s in ((50, 90720), (0, 86400), (1, 86487)):
        for age_s, total in ((window_s - 1, 9), (window_s, 0)):
            was = kept(ages_s=[1, 2, 0, age_s - 7] + [0] * 4, mls=[1, 1, 0, 0] + [0] * 4)
            was.ages_s[2], was.mls[2], was.ages_s[3] = age_s - 7, 9, 0
            state.pass_time(was, 7, ppt)
            assert (was.mls[2], was.ages_s[2]) == ((9, age_s) if total else (0, 0))
            assert state.delivered_ml(was) == 2 + total
    was = kept(ages_s=[1, 2, 3, 4, 5, 6, 7, 8], mls=[5] * 8)
    state.deliver(was, 3)
    assert (was.mls, was.ages_s) == ([3, 5, 5, 5, 5, 5, 5, 10], [0, 1, 2, 3, 4, 5, 6, 7])
    was = kept(ages_s=[1, 2, 3, 4, 5, 6, 7, 0], mls=[5] * 7 + [0])
    state.deliver(was, 3)
    assert (was.mls, was.ages_s) == ([3] + [5] * 7, [0, 1, 2, 3, 4, 5, 6, 7])
    was = kept(ages_s=[1] * 8, mls=[5] * 6 + [999999, 9])
    state.deliver(was, 3)
    assert was.mls[7] == 1000000
    was = kept(ages_s=[1] * 8, mls=[999999] + [0] * 7, place_s=0)
    state.deliver(was, 3)
    assert was.mls[0] == 1000000
    was.mls[1] = 3
    assert state.delivered_ml(was) == 1000000
    passing = ("cycle_s", "since_dose_s", "look_s", "soil_s", "told_s", "presses_s", "place_s")
    passing += ("filled_s", "proof_s", "creep_s")
    for name in passing:
        was = kept(**{name: state.LONG_S - 5})
        state.pass_time(was, 4, 50)
        assert getattr(was, name) == state.LONG_S - 1
        state.pass_time(was, 4, 50)
        assert getattr(was, name) == state.LONG_S
    assert set(passing) == {
        row[0] for row in state.FIELDS if row[2] == state.LONG_S and row[0] != "sleep_s"
    }  # fmt: skip


def test_no_time_is_credited_that_nobody_vouches_for() -> None:
    for given, passed_s in (
        ({"cause": "timer", "slept_s": 0}, 0), ({"cause": "timer", "slept_s": 7}, 7),
        ({"cause": "timer", "slept_s": 601}, 600), ({"cause": "power", "slept_s": 7}, 0),
        ({"cause": "timer", "slept_s": 7, "vouched": 0}, 0), ({"cause": "button", "slept_s": 9}, 9),
    ):  # fmt: skip
        was = kept(sleep_s=600, since_dose_s=5)
        assert played(was, level_ml=900, **given).since_dose_s == 5 + passed_s, given


def test_a_begun_pulse_is_stored_with_no_sleep_to_credit() -> None:
    made = pot(probes=())
    board = mock.MockBoard(made, state.State())
    stored = []
    board.store = lambda data: stored.append(data) is None
    board.prepare({"counts": {"soil": [1600000, 9], "battery": [1950000, 9]}, "level_ml": 900})
    mock.drive(board, kept(sleep_s=77), made, board.begin())
    begun_state, ended_state = (state.from_bytes(data) for data in stored)
    assert begun_state is not None
    assert ended_state is not None
    assert (begun_state.open_ms, begun_state.sleep_s) == (2000, 0)  # type: ignore[attr-defined]
    assert (ended_state.open_ms, ended_state.sleep_s) == (0, 600)  # type: ignore[attr-defined]


def test_what_the_day_leaves_is_rounded_down_to_the_millisecond() -> None:
    """5 ml at 9901 microlitres a second are 504.999 ms, less the overrun of 200."""
    made = pot({}, {"flow_max_ul_s": 9901}, {"flow_ul_s": 9901})
    asking = facts(level_ml=900, reserve_ml=80, day_left_ml=5, unanswered_left_ul=150000)
    assert plan.pulse_ms(40000, asking, made) == 304


def test_all_places_of_a_day_grow_older() -> None:
    was = kept(ages_s=[0] * 8, mls=[1] * 8)
    state.pass_time(was, 1, 50)
    assert was.ages_s == [1] * 8


def test_water_behind_an_empty_place_grows_older_too() -> None:
    was = kept(ages_s=[0] * 8, mls=[0, 7, 0, 5] + [0] * 4)
    state.pass_time(was, 86400, 50)
    assert state.delivered_ml(was) == 12
    state.pass_time(was, 86400, 50)
    assert state.delivered_ml(was) == 0
