"""R4, R8: the tank: proof that water moves, dry runs, leaks, a float, a tank that is back."""

from __future__ import annotations

from typing import Any

from core_edges import facts, kept, play, pot

from wakecore import rules, tank


def test_a_proof_over_several_pulses() -> None:
    """What one pulse is too small to show is judged over several: commanded against lost (R4)."""
    made = pot({"leak_ml_day": 5}, {"dry_trips": 3}, {"tolerance_ml": 5})

    def pulse(was: Any, ran_ms: int, before_ml: int, after_ml: int | None) -> Any:
        return tank.go_on_with_proof(was, made, ran_ms, before_ml, after_ml)

    was = kept(dry_trips=2, proof_s=77, proof_ml=7)
    assert pulse(was, 1000, 100, 97) is None, "a quarter of 20 ml is what the gauge may be wrong by"
    assert (was.proof_ul, was.proof_ml, was.proof_pulses, was.proof_s) == (20000, 100, 1, 0)
    assert pulse(was, 200, 999, 94) is True, "6 of 24 ml, from before the first pulse"
    assert (was.proof_ul, was.proof_pulses, was.dry_trips, was.lockouts) == (0, 0, 0, 0)
    was = kept(dry_trips=1)
    assert pulse(was, 1000, 100, 100) is None
    assert pulse(was, 200, 100, 95) is False, "5 of 24 ml is less than a quarter"
    assert (was.proof_ul, was.proof_pulses) == (0, 0)
    assert (was.dry_trips, was.lockouts) == (3, rules.BITS["dry run"]), "two dry runs more"
    was = kept()
    assert pulse(was, 1200, 100, None) is None, "not known yet"
    assert (was.proof_ul, was.proof_pulses) == (24000, 1)
    was = kept()
    assert pulse(was, 1200, -1, 95) is None, "nothing to compare with"
    assert was.proof_ul == 0
    assert pulse(was, 1200, 0, None) is None, "a tank that shows nothing is something"
    assert was.proof_ul == 24000
    switch = pot(calibration={"float_only": 1})
    was = kept()
    assert tank.go_on_with_proof(was, switch, 9000, 100, 0) is None
    assert was.proof_ul == 0


def test_a_proof_over_days_leaves_room_for_evaporation() -> None:
    """5 ml a day may evaporate: it shows no pump, and what it could hide is not judged (R4)."""
    made = pot({"leak_ml_day": 5}, {"dry_trips": 3}, {"tolerance_ml": 5})

    def go_on(days: int, after_ml: int, ul: int = 20000) -> tuple[Any, int]:
        was = kept(proof_ul=ul, proof_pulses=1, proof_ml=100, proof_s=days * 86400)
        return tank.go_on_with_proof(was, made, 200, 98, after_ml), was.proof_pulses

    assert go_on(1, 89) == (True, 0), "5 ml evaporated, 6 ml pumped"
    assert go_on(1, 90) == (False, 0), "5 ml evaporated, 5 ml of 6 pumped"
    assert go_on(2, 84) == (True, 0), "10 ml may have evaporated, half of 20"
    assert go_on(3, 84) == (None, 1), "more than half: it begins anew, with this pulse"
    was = kept(proof_ul=24000, proof_pulses=2, proof_ml=100, proof_s=3 * 86400)
    assert tank.judge_proof(was, made, 50, 4000) is None
    assert was.proof_pulses == 2


def test_rested_readings_prove_as_well() -> None:
    """Four rested readings say more than one: a third of the water is asked for (R4)."""
    made = pot({"leak_ml_day": 0}, {"dry_trips": 2}, {"tolerance_ml": 5})

    def look(level_ml: int, look_n: int = 3, ul: int = 18000) -> Any:
        was = kept(
            look_ml=level_ml, look_n=look_n, proof_ul=ul, proof_pulses=2, proof_ml=100, dry_trips=1
        )
        tank.look(was, facts(level_ml=level_ml, due=True, reserve_ml=80), made)
        return was.proof_pulses, was.dry_trips, was.lockouts

    assert look(94) == (0, 0, 0), "6 of 18 ml"
    assert look(95) == (0, 3, 2), "5 of 18 ml"
    assert look(100, look_n=2) == (2, 1, 0), "three readings are too few"
    assert look(100, ul=17999) == (2, 1, 0), "a third of it is within the tolerance"
    exact = pot({"leak_ml_day": 0}, {"dry_trips": 2}, {"tolerance_ml": 0})
    was = kept(proof_ul=900, proof_pulses=1, proof_ml=100)
    assert tank.judge_proof(was, exact, 100, 0) is None, "not now, however fine the gauge"
    was = kept(look_ml=100, look_n=4, proof_ul=18000, proof_ml=100)
    assert tank.judge_proof(was, made, 100, 3000) is None, "no pulse, no proof"


def test_a_level_is_looked_at() -> None:
    """Right to 5 ml: two readings may differ by 10 ml, and 5 ml a day may evaporate (R8)."""
    made = pot({"leak_ml_day": 5, "wake_s": 7000}, {}, {"tolerance_ml": 5})
    usual = {"look_ml": 900, "look_n": 1, "filled_ml": 900, "dry_trips": 1}

    def look(level_ml: int | None, due: bool = True, **changes: Any) -> Any:
        was = kept(**{**usual, **changes})
        tank.look(was, facts(level_ml=level_ml, due=due, reserve_ml=80), made)
        return was

    def doubts(level_ml: int | None, due: bool = True, **changes: Any) -> tuple[int, ...]:
        was = look(level_ml, due, **changes)
        return was.leak_looks, was.fill_looks, was.lockouts

    assert doubts(None, leak_looks=1) == (1, 0, 0)
    was = look(500, look_ml=-1, look_n=3, look_s=7, filled_ml=-1, filled_s=7, pumped_ml=7)
    assert (was.look_ml, was.look_n, was.look_s, was.lockouts) == (500, 1, 0, 0)
    assert (was.filled_ml, was.filled_s, was.pumped_ml) == (500, 0, 0)
    was = look(500, look_ml=-1, filled_ml=0)
    assert (was.look_ml, was.filled_ml) == (500, 0), "the account goes on"
    assert doubts(0, look_ml=0, filled_ml=0) == (0, 0, 0)
    # Scatter: into the mean of four
    for number_of, mean_ml, then in ((1, 905, 2), (2, 903, 3), (3, 903, 4), (4, 900, 4)):
        was = look(910, look_n=number_of, look_s=9, fill_looks=1, leak_looks=1)
        assert (was.look_ml, was.look_n, was.look_s) == (mean_ml, then, 9), number_of
        assert (was.fill_looks, was.leak_looks) == (0, 0)
    # A refill is believed when it is seen twice
    was = look(911, look_s=9, lockouts=2, leak_looks=1)
    assert (was.look_ml, was.look_s, was.fill_looks, was.leak_looks) == (900, 9, 1, 0)
    assert (was.lockouts, was.dry_trips, was.odd_ml) == (2, 1, 911)
    once = {"fill_looks": 1, "odd_ml": 912}
    was = look(911, look_s=9, look_n=3, lockouts=2, filled_s=9, pumped_ml=9, cycle_s=9, **once)
    assert (was.look_ml, was.look_s, was.look_n, was.fill_looks) == (911, 0, 1, 0)
    assert (was.filled_ml, was.filled_s, was.pumped_ml) == (911, 0, 0)
    assert (was.lockouts, was.dry_trips, was.cycle_s) == (0, 0, 7000), "and the soil is looked at"
    was = look(5000, **once)
    assert (was.look_ml, was.filled_ml) == (912, 912), "they agree on the lower of both"
    assert look(911, cycle_s=7001, **once).cycle_s == 7001
    assert look(911, **once).dry_trips == 0, "also before a lockout"
    was = look(911, proof_ul=5, proof_pulses=1, **once)
    assert (was.proof_ul, was.proof_pulses) == (0, 0)
    assert look(2000, fill_looks=100).fill_looks == 0
    # A leak too
    assert doubts(890) == (0, 0, 0)
    assert doubts(889, fill_looks=1) == (1, 0, 0)
    assert doubts(889, due=False) == (0, 0, 0), "a press makes no doubt worse"
    assert doubts(889, due=False, leak_looks=1) == (1, 0, 0)
    assert look(889).odd_ml == 889
    was = look(888, leak_looks=1, filled_s=3, pumped_ml=9, proof_pulses=1, look_n=2, look_s=8)
    assert (was.lockouts, was.mls[0], was.leak_ml, was.dry_trips) == (4, 12, 900, 1)
    assert (was.look_ml, was.look_n, was.look_s, was.leak_looks) == (888, 1, 0, 0)
    assert (was.filled_ml, was.filled_s, was.pumped_ml, was.proof_pulses) == (888, 0, 0, 0)
    assert look(500, leak_looks=1, leak_ml=950).leak_ml == 950, "what was there before all of it"
    was = look(500, leak_looks=1, odd_ml=888)
    assert (was.look_ml, was.filled_ml, was.mls[0]) == (888, 888, 400), "the higher, all counted"
    assert look(888, leak_looks=1, odd_ml=500).look_ml == 888
    # Evaporation, rounded up
    assert doubts(885, look_s=86400, filled_s=86400) == (0, 0, 0)
    assert doubts(884, look_s=86400, filled_s=86400) == (1, 0, 0)
    assert doubts(889, look_s=1, filled_s=1) == (0, 0, 0)
    week_s = 7 * 86400
    was = look(899, look_s=week_s - 1, look_n=4)
    assert (was.look_ml, was.look_s) == (900, week_s - 1)
    was = look(899, look_s=week_s, look_n=4)
    assert (was.look_ml, was.look_s, was.look_n, was.filled_ml) == (899, 0, 1, 900)
    # By the account since the refill: 1000 ml, less 60 ml pumped and four days
    led = {"filled_ml": 1000, "pumped_ml": 60, "filled_s": 4 * 86400}
    assert doubts(910, **led) == (0, 0, 0)
    assert doubts(909, **led) == (1, 0, 0)
    assert doubts(890, **{**led, "pumped_ml": 90}) == (0, 0, 0)
    assert doubts(889, **{**led, "filled_ml": -1}) == (1, 0, 0)
    assert doubts(0, look_ml=0, filled_ml=11) == (1, 0, 0)


def test_a_float_is_looked_at() -> None:
    """It shows no amounts: closed after two looks at it open is a refill."""
    made = pot(calibration={"float_only": 1})

    def look(level_ml: int, **changes: Any) -> tuple[int, ...]:
        was = kept(**{"filled_ml": 900, "pumped_ml": 7, **changes})
        tank.look(was, facts(level_ml=level_ml, due=True, reserve_ml=80), made)
        return was.leak_looks, was.filled_ml, was.pumped_ml, was.look_ml, was.lockouts

    assert look(79) == (1, 900, 7, -1, 0)
    assert look(79, leak_looks=1) == (2, 900, 7, -1, 0)
    assert look(79, leak_looks=100) == (100, 900, 7, -1, 0)
    assert look(80, leak_looks=1) == (0, 900, 7, -1, 0), "it bobbed"
    assert look(80, leak_looks=2) == (0, 80, 0, -1, 0)
    assert look(900, filled_ml=-1) == (0, 900, 0, -1, 0)
    assert look(900, filled_ml=0) == (0, 0, 7, -1, 0)


def test_a_float_that_opens_counts_twice_if_the_soil_got_wetter_without_a_dose() -> None:
    made = pot({"response_ppt": 10}, calibration={"float_only": 1})

    def opens(ppt: int | None, **changes: Any) -> int:
        was = kept(**{"leak_looks": 1, "soil_ppt": 200, "before_ppt": -1, **changes})
        tank.look(was, facts(level_ml=0, reserve_ml=80, soil_ppt=ppt), made)
        return was.idle_opens

    assert opens(210) == opens(10, soil_ppt=0) == 2
    assert opens(209) == opens(None) == opens(210, soil_ppt=-1) == 1
    assert opens(210, before_ppt=0) == 1, "a dose may be what raised it"
    assert opens(210, since_dose_s=0) == 0, "after a pulse"


def test_a_tank_that_empties_by_itself() -> None:
    switch, gauge = pot(calibration={"float_only": 1}), pot()
    for made, level_ml, looks, pumped_ml, said in (
        (switch, 0, 2, 449, True), (switch, 0, 2, 450, False), (switch, 0, 1, 0, False),
        (switch, None, 2, 0, False), (gauge, 0, 2, 0, False),
    ):  # fmt: skip
        was = kept(filled_ml=900, pumped_ml=pumped_ml, leak_looks=looks)
        assert bool(tank.empties_by_itself(was, facts(level_ml=level_ml), made)) is said


def test_no_single_reading_decides() -> None:
    for leak, fill, doubts, doubtful in (
        (0, 0, 0, False), (1, 0, 0, True), (0, 1, 0, True), (2, 0, 0, False), (0, 2, 0, False),
        (1, 0, 2, True), (1, 0, 3, False), (0, 1, 3, False),
    ):  # fmt: skip
        was = kept(leak_looks=leak, fill_looks=fill, doubts=doubts)
        assert bool(tank.is_doubtful(was)) is doubtful, (leak, fill, doubts)
    for leak, fill, look_ml, steady in (
        (0, 0, 0, True), (1, 0, 900, False), (2, 0, 900, False), (0, 1, 100, True),
        (0, 1, 99, False),
    ):  # fmt: skip
        was = kept(leak_looks=leak, fill_looks=fill, look_ml=look_ml)
        assert bool(tank.is_steady(was, facts(start_ml=100))) is steady, (leak, fill, look_ml)


def test_when_a_tank_is_back() -> None:
    made = pot({}, {}, {"tolerance_ml": 5})
    usual = {"leak_ml": 900, "look_ml": 890, "look_n": 3}
    for changes, back in (
        ({}, True), ({"look_ml": 889}, False), ({"look_n": 2}, False), ({"leak_ml": -1}, False),
        ({"leak_looks": 1}, False), ({"fill_looks": 1}, False),
        ({"leak_ml": 0, "look_ml": 0}, True),
    ):  # fmt: skip
        assert tank.is_back(kept(**{**usual, **changes}), made) is back, changes


def test_dry_runs_are_counted() -> None:
    made = pot({}, {"dry_trips": 3})
    for trips, runs, then, lockouts in ((0, 2, 2, 0), (1, 2, 3, 2), (2, 1, 3, 2), (99, 5, 100, 2)):
        was = kept(dry_trips=trips)
        tank.count_dry(was, made, runs)
        assert (was.dry_trips, was.lockouts) == (then, lockouts)


def test_a_float_that_opened_asks_for_a_refill() -> None:
    switch = pot({}, {}, {"float_only": 1}, probes=("current",))
    counts = {"soil": [1600000, 9], "battery": [1950000, 9], "current": [200000, 0]}
    dry = {"counts": counts, "level_ml": 1000, "run": {"current_ma": 10}}
    first, _, _ = play(dry, {"counts": counts}, {"counts": counts}, made=switch)
    assert first["trips"] == ["no load"]
    assert "fill the tank" in first["needs"]
    gauge = pot({}, {}, {}, probes=("current",))
    assert "fill the tank" not in play(dry, made=gauge)[0]["needs"]


def test_a_float_pot_in_order_asks_for_nothing() -> None:
    switch = pot({"tank_warn_ml": 0}, {}, {"float_only": 1}, probes=())
    assert play({"level_ml": 1000}, made=switch)[0]["needs"] == []
