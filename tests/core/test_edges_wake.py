"""R12, R13, R17: a wake: permissives, needs, presses, sleep, reports and its record."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from core_edges import CONTRACT, begun, facts, kept, play, pot

from wakecore import fields, rules, state, wake


def test_each_permissive_on_both_sides() -> None:
    held, allowed = rules.judge_permissives(facts())
    assert allowed is True
    assert set(held.values()) == {1}
    holding: tuple[dict[str, Any], ...] = (
        {"boots": 2}, {"battery_mv": 3600}, {"level_ml": 100},
        {"dose_kind": "upkeep", "soil_ppt": None}, {"dose_kind": "manual", "soil_ppt": None},
        {"dose_kind": "upkeep", "soil_unchanged": True},
        {"dose_kind": "manual", "soil_unchanged": True},
        {"soaking": True, "since_dose_s": 0}, {"saucer": "unfitted"},
        {"stage": 1, "dose_kind": "upkeep"},
        {"dose_kind": "manual", "soil_ppt": None, "soil_cold": True},
    )  # fmt: skip
    for changes in holding:
        assert rules.judge_permissives(facts(**changes))[1] is True, changes
    failing: tuple[tuple[dict[str, Any], str], ...] = (
        ({"pin_good": False}, "pin"), ({"boots": 3}, "boots"), ({"files_good": False}, "files"),
        ({"match": False}, "match"), ({"stage": 1}, "commissioned"),
        ({"stage": 0, "dose_kind": "upkeep"}, "commissioned"), ({"lockouts": 1}, "lockouts"),
        ({"lockouts": 64}, "lockouts"), ({"battery_mv": 3599}, "battery"),
        ({"battery_mv": None}, "battery"), ({"level_ml": None}, "level"),
        ({"level_ml": 99}, "reserve"), ({"level_steady": False}, "steady"),
        ({"soil_ppt": None}, "soil"), ({"soil_unchanged": True}, "moving"),
        ({"soil_ppt": None, "dose_kind": "upkeep", "soil_cold": True}, "soil"),
        ({"soil_unchanged": True, "dose_kind": "upkeep", "soil_cold": True}, "moving"),
        ({"since_dose_s": 8999}, "settled"), ({"saucer": "wet"}, "saucer"),
        ({"saucer": "lost"}, "saucer"), ({"day_left_ml": 0}, "day"),
        ({"unanswered_left_ul": 0}, "answer"),
    )  # fmt: skip
    for changes, name in failing:
        held, allowed = rules.judge_permissives(facts(**changes))
        assert (held[name], allowed) == (0, False), changes
        others = {key for key, value in held.items() if not value} - {name}
        assert others <= {"reserve"}, changes
    assert rules.judge_permissives(facts(level_ml=None, start_ml=1))[0]["reserve"] == 0


def needs(**changes: Any) -> list[str]:
    """What these facts ask for."""
    found: list[str] = rules.need_names(rules.need_bits(facts(**changes)))
    return found


def test_each_need_on_both_sides() -> None:
    assert needs() == []
    assert needs(level_ml=250, battery_mv=3700) == []
    asking: tuple[tuple[dict[str, Any], list[str]], ...] = (
        ({"level_ml": 249}, ["fill the tank"]), ({"float_opened": True}, ["fill the tank"]),
        ({"battery_mv": 3699}, ["charge the battery"]),
        ({"battery_weak": 1}, ["charge the battery"]),
        ({"battery_mv": None}, ["see to the battery"]),
        ({"confirm_charge": True}, ["confirm the charge"]),
        ({"unplug_charger": True}, ["unplug the charger"]),
        ({"soil_ppt": None}, ["see to the soil probe"]),
        ({"soil_ppt": None, "soil_cold": True}, ["see to the soil probe"]),
        ({"soil_ppt": None, "judged": {"soil": "cold"}}, ["see to the soil probe"]),
        ({"soil_ppt": None, "soil_cold": True, "soil_ignored": True, "thirst": 2}, []),
        (
            {"soil_ppt": None, "soil_cold": True, "soil_ignored": True, "thirst": 3},
            ["see to the thermometer", "see why it stays dry", "water by hand"],
        ),
        ({"thermometer_lost": True}, ["see to the thermometer"]),
        ({"level_ml": None}, ["see to the level"]), ({"button_masked": 1}, ["free the button"]),
        ({"saucer": "wet"}, ["empty the saucer"]),
        ({"saucer": "lost"}, ["see to the saucer probe"]),
        ({"lockouts": 2}, ["clear a lockout"]), ({"lockouts": 4}, ["see to the pot"]),
        ({"tank_is_back": True}, ["clear a lockout"]), ({"lockouts": 1}, []),
        ({"store_failed": True}, ["see to the pot"]), ({"stage": 1}, ["commission the pot"]),
        ({"match": False}, ["commission the pot"]),
        ({"thirst": 3}, ["see why it stays dry", "water by hand"]),
        ({"soil_silent": True}, ["see to the hose"]), ({"lockouts": 8}, ["clear a lockout"]),
        ({"lockouts": 8, "press_spent": True}, ["see to the hose"]),
        ({"lockouts": 8 | 2, "press_spent": True}, ["clear a lockout", "see to the hose"]),
        ({"given_up": True}, ["see to the pot"]),
        ({"probe_doubted": True}, ["see to the soil probe"]),
        ({"gauge_doubted": True}, ["see to the level"]),
        ({"tank_empties": 4}, ["see why the tank empties"]),
        # A tank that empties by itself is not to be filled again and again
        ({"tank_empties": True, "level_ml": 0}, ["see why the tank empties"]),
        ({"tank_empties": True, "float_opened": True}, ["see why the tank empties"]),
    )  # fmt: skip
    names = [row[0] for row in rules.NEEDS]
    for changes, wanted in asking:
        assert needs(**changes) == wanted, changes
        bits = sum(1 << names.index(name) for name in wanted)
        assert rules.need_bits(facts(**changes)) == bits, changes
    assert {name: 1 << place for place, name in enumerate(names)} == rules.NEED_BITS


def test_a_need_that_was_asked_for_stays_a_little_longer() -> None:
    """A value that flaps around its bound asks once (R17): 10 ml of scatter, 20 mV of the cell."""
    tank_bit, cell_bit = rules.NEED_BITS["fill the tank"], rules.NEED_BITS["charge the battery"]
    both = tank_bit | cell_bit
    assert needs(needs_before=both, level_ml=259, battery_mv=3719) == [
        "fill the tank", "charge the battery",
    ]  # fmt: skip
    assert needs(needs_before=both, level_ml=260, battery_mv=3720) == []
    assert needs(needs_before=cell_bit, level_ml=259) == []
    assert needs(needs_before=tank_bit, battery_mv=3719) == []
    assert needs(needs_before=both, level_ml=None, battery_mv=None) == [
        "see to the battery", "see to the level",
    ]  # fmt: skip
    assert needs(needs_before=tank_bit, level_ml=259, tank_empties=True) == [
        "see why the tank empties"
    ]
    others = (1 << len(rules.NEEDS)) - 1 - both
    assert needs(needs_before=others) == [], "no other need outlives its cause"


def test_clearing_forgets_what_led_to_it() -> None:
    led: dict[str, dict[str, int]] = {
        "dry run": {"dry_trips": 0},
        "no response": {"silent_doses": 0, "unanswered_ul": 0, "tries": 0, "tried_ppt": -1},
        "interrupted": {"interrupts": 0}, "battery low": {"clear_wakes": 0, "low_wakes": 0},
        "leak": {"leak_looks": 0, "fill_looks": 0, "look_ml": -1, "filled_ml": -1, "leak_ml": -1}
        | {"trial_doses": 0},
    }  # fmt: skip
    fields_of_all = [name for row in led.values() for name in row]
    every = sum(rules.BITS.values())
    for name, bit in rules.BITS.items():
        was = kept(lockouts=every, **dict.fromkeys(fields_of_all, 2))
        rules.clear(was, bit)
        assert was.lockouts == every - bit
        for other, row in led.items():
            for field_name, value in row.items():
                wanted = value if other == name else 2
                assert getattr(was, field_name) == wanted, (name, field_name)
        assert rules.latched(was) == [row for row in rules.BITS if row != name]
        rules.latch(was, name)
        assert was.lockouts == every
    was = kept(**dict.fromkeys(fields_of_all, 2))
    rules.clear(was, every)
    for field_name in fields_of_all:
        assert getattr(was, field_name) == 2, "nothing was latched, nothing is forgotten"
    assert rules.latched(state.State()) == []


def test_the_times_of_sleep() -> None:
    settings: Any = SimpleNamespace(wake_s=1000, soak_s=77)

    def sleep(
        phase: int, phase_before: int = 0, due: bool = True, cut: bool = False, **k: int
    ) -> int:
        sunlit = k.pop("sunlit", 0) == 1
        now: Any = SimpleNamespace(
            phase_before=phase_before, due=due, pulse_cut_off=cut, sunlit=sunlit
        )
        return int(wake.sleep_time(kept(phase=phase, **k), now, settings, k.get("cycle_s", 0)))

    assert sleep(0) == 1000
    assert sleep(0, cycle_s=940) == 60
    assert sleep(0, cycle_s=941) == sleep(0, cycle_s=5000) == 60
    assert sleep(0, lockouts=1) == 2000
    assert sleep(0, lockouts=2) == sleep(0, lockouts=2, sunlit=1) == 1000
    assert sleep(0, lockouts=1, sunlit=1) == 2000
    settings.wake_s = 18001
    assert sleep(0, lockouts=1, sunlit=1) == 36000
    settings.wake_s = state.LONG_S // 2 + 1
    assert sleep(0, lockouts=1) == state.LONG_S
    assert [sleep(phase) for phase in (1, 2, 3)] == [77, 60, 540]
    assert sleep(2, phase_before=2, due=False, sleep_s=60, cycle_s=20) == 40
    assert sleep(2, phase_before=2, due=False, sleep_s=60, cycle_s=60) == 1
    assert sleep(2, phase_before=2, due=True, sleep_s=60, cycle_s=20) == 60
    assert sleep(2, phase_before=3, due=False, sleep_s=60, cycle_s=20) == 60
    assert sleep(2, phase_before=2, due=False, cut=True, sleep_s=60, cycle_s=20) == 60


def test_when_to_report() -> None:
    made = pot({"radio_wakes": 3, "wake_s": 21600}, {"radio_mv": 3700})

    def told(was: Any, regular: bool = True, pressed: bool = False, **changes: Any) -> bool:
        now = facts(**{"radio_mv": 3700, "needs_before": was.needed, **changes})
        report = bool(wake.is_to_report(was, now, made, regular, pressed))
        before = was.to_bytes()
        assert report is bool(wake.is_to_report(was, now, made, regular, pressed))
        assert was.to_bytes() == before, "a question changes nothing"
        wake.note_report(was, now, made, regular, report)
        return report

    def days(was: Any, days: int) -> Any:
        was.told_s = min(was.told_s + days * 86400, state.LONG_S)
        return was

    dry = rules.NEED_BITS["see why it stays dry"] | rules.NEED_BITS["water by hand"]
    was = kept()
    assert [told(was) for _ in range(6)] == [False, False, True] * 2
    assert told(was, regular=False, pressed=True)
    assert not told(was, regular=False)
    assert was.quiet_wakes == 0
    assert told(was, regular=False, thirst=3), "a new need is told at once"
    assert (was.told, was.needed, was.told_s) == (dry, dry, 0)
    assert not told(was, regular=False, thirst=3), "and once"
    assert not told(days(was, 2), regular=False, thirst=3), "again at a regular wake only"
    assert told(was, thirst=3), "a day later"
    assert not told(was, thirst=3)
    assert not told(was, regular=False)
    assert not told(was, regular=False, thirst=3), "it comes back on the same day"
    assert not told(days(was, 1), regular=False)
    assert (was.told, was.needed) == (0, 0)
    assert told(was, regular=False, thirst=3), "what comes back after a day is told anew"
    # A day, less a twenty-fourth of the time between wakes, which the looks may take
    for told_s, again in ((86400 - 900, True), (86400 - 901, False)):
        assert told(kept(told=dry, needed=dry, told_s=told_s), thirst=3) is again
    assert told(kept(quiet_wakes=98), thirst=2)
    was = kept(quiet_wakes=100)
    assert not told(was, regular=True, battery_mv=None)
    assert was.quiet_wakes == 100
    # Presses: three in a day are answered
    for presses, answered in ((1, True), (3, True), (4, False)):
        assert told(kept(presses=presses), regular=False, pressed=True) is answered
    assert told(kept(presses=9), regular=False, pressed=True, thirst=3)


def test_after_a_report_in_vain_the_next_one_waits() -> None:
    made = pot({"radio_wakes": 1}, {"radio_mv": 3700})

    def told(was: Any, counts: bool = True, pressed: bool = False, **changes: Any) -> bool:
        now = facts(**changes)
        report = wake.is_to_report(was, now, made, counts, pressed)
        wake.note_report(was, now, made, counts, report)
        return bool(report)

    was = kept(radio_fails=1, radio_wait=2, quiet_wakes=100)
    assert not told(was, counts=False, thirst=3), "nothing new ends the wait"
    assert was.radio_wait == 2, "only a regular wake counts"
    assert told(was, counts=False, pressed=True), "a person may try"
    was = kept(radio_fails=1, radio_wait=2, quiet_wakes=100)
    assert [told(was) for _ in range(4)] == [False, False, True, True]
    assert (was.radio_wait, was.reporting) == (0, 1)
    assert not told(kept(quiet_wakes=100), counts=False)
    was = kept(radio_fails=1)
    assert not told(was, counts=False, denied=3), "no wake between two regular ones tries again"
    assert was.radio_wait == 0
    assert told(was, denied=3)


def test_what_came_of_a_report() -> None:
    settings: Any = SimpleNamespace(wake_s=86400)

    def came(was: Any, how: str | None) -> tuple[int, ...]:
        wake.look_at_radio(was, {} if how is None else {"radio": how}, settings)
        return was.radio_fails, was.radio_wait, was.told, was.quiet_wakes, was.reporting

    for how, waits in (("failed", (0, 1)), ("cut off", (1, 2)), ("none", (0, 1))):
        assert came(kept(reporting=1, told=5), how) == (1, waits[0], 0, 100, 0), how
        was = kept(reporting=1, told=5, radio_fails=1)
        assert came(was, how) == (2, waits[1], 0, 100, 0), how
    assert came(kept(reporting=1, told=5, radio_fails=3, radio_wait=4), "heard") == (0, 0, 5, 0, 0)
    assert came(kept(told=5, radio_fails=3, radio_wait=3), "none") == (3, 3, 5, 0, 0)
    assert came(kept(told=5), "cut off") == (1, 1, 0, 100, 0), "the wake before it was lost"
    assert came(kept(reporting=1, told=5), None) == (0, 0, 5, 0, 0), "a record of an older core"

    def waited(how: str, times: int) -> list[int]:
        was = kept()
        found = [came(was, how)[1] for _ in range(times)]
        assert was.radio_fails == min(times, 100)
        return found

    assert waited("cut off", 12) == [1, 2, 4, *[7] * 9], "up to seven days"
    assert waited("failed", 12) == [0, 1, 2, *[3] * 9]
    settings.wake_s = 900
    assert waited("cut off", 12) == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 672, 672]
    assert waited("cut off", 120)[-1] == 672
    settings.wake_s = 604801
    assert waited("cut off", 3) == [1, 1, 1]
    assert waited("failed", 3) == [0, 0, 0]


def test_only_a_regular_wake_by_the_timer_counts_towards_a_report() -> None:
    made = pot({"radio_wakes": 2}, probes=())
    counts = {"soil": [1240000, 9], "battery": [1950000, 9]}
    quiet = {"level_ml": 1000, "counts": counts}
    cold = [{**quiet, "cause": cause} for cause in ("power", "brownout", "watchdog", "reset")]
    found = play(*cold, quiet, quiet, made=made)
    assert ["report" in record["commands"] for record in found] == [False] * 5 + [True]


def test_what_a_record_says_of_a_dose() -> None:
    wet = {"soil": [1240000, 9], "battery": [1950000, 9]}
    first, second, look, again = play(
        {"level_ml": 1000}, {"slept_s": 600}, {"counts": wet, "slept_s": 600}, {"slept_s": 60}
    )
    run_2000 = ["off", "rest", "read", "store", "run 2000", "read", "close", "store"]
    assert first["commands"] == [*run_2000, "sleep 600 button"]
    assert first["stores"] == [1, 1]
    assert first["values"] == {
        "battery_mv": 3900, "level_ml": 1000, "soil_ppt": 250, "temperature_mc": None,
    }  # fmt: skip
    assert first["judged"] == {"battery": "good", "level": "good", "soil": "good"}
    assert set(first["permissives"]) == set(CONTRACT["permissives"])
    dose = {"phase": "idle", "kind": "depletion", "dose_ul": 130000, "pulse_ms": 2000}
    assert first["plan"] == dose
    assert first["water"]["day_ml"] == first["water"]["counted_ml"] == 52, "2050 ms at 25 ml/s"
    assert (first["trips"], first["lockouts"], first["needs"]) == ([], [], [])
    assert (first["n"], second["n"], first["kind"]) == (0, 1, "wake")
    assert second["before"] == first["state"] != second["state"]
    assert list(first["run"]) == ["ran_ms", "ms", "battery", "level"]
    assert set(first["after"]) == {"soil", "level"}
    given_ul = first["water"]["given_ul"]
    assert second["plan"] == {**dose, "phase": "soak", "dose_ul": 130000 - given_ul}
    assert second["commands"] == [*run_2000, "sleep 600 button"]
    quiet = ["off", "rest", "read", "close", "store"]
    assert look["plan"] == {"phase": "soak", "kind": "depletion", "dose_ul": 0, "pulse_ms": 0}
    assert look["commands"] == [*quiet, "sleep 60 button"]
    assert look["stores"] == [1]
    assert look["charge_uah"] == 23 + 10, "2 s awake at 40 mA, 600 s at 10 and 50 uA"
    assert again["plan"]["kind"] == "none"
    assert again["commands"] == [*quiet, "sleep 540 button"]


def test_what_a_record_says_of_a_failed_store_and_a_stuck_button() -> None:
    lost, stuck = play({"level_ml": 1000, "stores": [0, 1]}, {"button_ms": 15000})
    assert lost["stores"] == [0, 1]
    assert lost["needs"] == ["see to the pot"]
    assert "run" not in lost
    assert lost["commands"] == ["off", "rest", "read", "store", "close", "store", "sleep 60 button"]
    assert stuck["commands"][-1] == "sleep 540"
    assert stuck["needs"] == ["free the button"]
    last = play({"level_ml": 1000, "counts": {"soil": None, "battery": None}, "stores": [0]})[0]
    assert last["needs"] == ["see to the battery", "see to the soil probe", "see to the pot"]
    assert last["values"]["battery_mv"] is last["values"]["soil_ppt"] is None
    assert last["judged"] == {"battery": "absent", "level": "good", "soil": "absent"}


def test_what_a_record_says_of_a_report() -> None:
    made = pot({"radio_wakes": 1}, probes=())
    found = play(
        *[{"level_ml": 1000, "counts": {"soil": [1240000, 9], "battery": [1950000, 9]}}] * 2,
        made=made,
    )
    assert found[1]["commands"][-2:] == ["report", "sleep 86400 button"]


def test_what_a_press_means() -> None:
    made = pot()

    def press(held_ms: int, cause: str = "button", **changes: Any) -> Any:
        was = kept(**changes)
        now: Any = SimpleNamespace(pressed_long=False, manual=False)
        wake.look_at_button(was, now, made, {"cause": cause, "button_ms": held_ms})
        return now.pressed_long, now.manual, was.button_masked, was.presses, was.lockouts

    assert press(1999) == (False, False, 0, 1, 0)
    assert press(2000) == (True, True, 0, 1, 0)
    assert press(14999, "timer", presses=5) == (True, True, 0, 5, 0)
    assert press(15000) == (False, False, 1, 1, 0)
    assert press(300, presses=18) == (False, False, 0, 19, 0)
    assert press(300, presses=19) == (False, False, 1, 20, 0)
    assert press(300, presses=100) == (False, False, 1, 100, 0)
    assert press(0, "timer", button_masked=1) == (False, False, 0, 0, 0)
    assert press(0, presses=30, button_masked=1) == (False, False, 1, 31, 0)
    assert press(1, "timer", button_masked=1) == (False, False, 1, 0, 0)
    assert press(2000, button_masked=1) == (False, False, 1, 1, 0)
    assert press(2000, lockouts=2 | 4 | 1) == (True, False, 0, 1, 4 | 1), "ends only the owner's"
    assert press(2000, lockouts=4) == (True, False, 0, 1, 4)
    assert press(2000, phase=2) == (True, False, 0, 1, 0)
    back = {"leak_ml": 900, "look_ml": 900, "look_n": 3}
    assert press(2000, lockouts=4, **back) == (True, False, 0, 1, 0), "the tank is back (R8)"
    assert press(1999, lockouts=4, **back) == (False, False, 0, 1, 4)
    # Presses are counted for a day from the first of them (R12)
    for presses, presses_s, then, then_s in (
        (0, 7, 1, 0), (5, 86399, 6, 86399), (5, 86400, 1, 0), (0, 86400, 1, 0),
    ):  # fmt: skip
        was = kept(presses=presses, presses_s=presses_s)
        now: Any = SimpleNamespace(pressed_long=False, manual=False)
        wake.look_at_button(was, now, made, {"cause": "button", "button_ms": 300})
        assert (was.presses, was.presses_s) == (then, then_s)
    assert press(0, "timer", presses=20, presses_s=86399, button_masked=1)[2:4] == (1, 20)
    assert press(0, "timer", presses=20, presses_s=86400, button_masked=1)[2:4] == (0, 0)


def test_a_press_after_silence_asks_for_one_dose_more() -> None:
    """Not for three, and only once (R18): 150 ml may go without an answer, a pulse is 40 ml."""
    made = pot({"dose_ml": 80, "response_ppt": 10}, {"dose_ml": 150, "response_doses": 3})

    def press(
        unanswered_ul: int, lockouts: int = 8, soil_ppt: Any = 240, **changes: Any
    ) -> tuple[int, ...]:
        was = kept(lockouts=lockouts, unanswered_ul=unanswered_ul, silent_doses=9, **changes)
        now: Any = SimpleNamespace(pressed_long=False, manual=False, soil_ppt=soil_ppt)
        wake.look_at_button(was, now, made, {"cause": "button", "button_ms": 3000})
        return was.lockouts, was.unanswered_ul, was.silent_doses, was.tries, was.tried_ppt

    assert press(150000) == press(190000) == press(40000) == press(0) == (0, 110000, 2, 1, 240)
    assert press(7, soil_ppt=None) == (0, 110000, 2, 1, 1000), "the probe is not believed"
    assert press(150000, lockouts=8 | 4) == (4, 110000, 2, 1, 240)
    assert press(7, lockouts=2) == (0, 7, 9, 0, -1), "another lockout says nothing of silence"
    for tries, tried_ppt in ((1, 0), (1, 240), (1, 1000), (2, -1), (3, -1)):
        was = {"tries": tries, "tried_ppt": tried_ppt}
        assert press(7, **was) == (8, 7, 9, tries, tried_ppt)
        assert press(7, lockouts=8 | 2, **was) == (8, 7, 9, tries, tried_ppt)
        assert press(7, lockouts=2, **was) == (0, 7, 9, tries, tried_ppt)
    assert press(7, tries=1) == (0, 110000, 2, 2, -1), "it rose since: once more, and no more"
    made = pot({"dose_ml": 150}, {"dose_ml": 150, "response_doses": 1}, {"ul_per_ppt": 0})
    assert press(150000) == (0, 0, 0, 1, 240)


def test_what_is_known_before_any_reading() -> None:
    made = pot({"reserve_ml": 80, "battery_mv": 3600}, {"reserve_ml": 50, "rest_mv": 3500})
    now = begun(made)
    assert (now.pin_good, now.boots, now.files_good, now.match, now.stage) == (1, 0, 1, 1, 2)
    assert (now.reserve_ml, now.start_ml, now.battery_floor_mv) == (80, 120, 3600)
    assert (now.warn_ml, now.charge_mv, now.settle_s) == (250, 3700, 14400)
    assert begun(pot(calibration={"float_only": 1})).start_ml == 81
    made.limits.reserve_ml, made.limits.rest_mv = 90, 3650
    assert (begun(made).reserve_ml, begun(made).battery_floor_mv) == (90, 3650)
    assert [begun(made, pin=pin).pin_good for pin in (0, 1, 2)] == [False, True, False]
    for name in fields.KINDS:
        assert begun(made, **{name: "default"}).files_good is False
        assert begun(made, **{name: "previous"}).files_good is True
    flags = ("pressed_long", "manual", "store_failed", "confirm_charge", "unplug_charger")
    more = ("battery_weak", "soil_unchanged", "float_opened", "pulse_cut_off", "soil_dry")
    for name in (*flags, *more, "soil_cold", "level_steady"):
        assert getattr(now, name) is False, name
    assert now.thermometer_lost is True
    for name in ("soil_ppt", "level_ml", "battery_mv", "temperature_mc"):
        assert getattr(now, name) is None, name
    assert (now.saucer, now.charger) == ("lost", "lost")
    bare = begun(pot(probes=()))
    assert (bare.saucer, bare.charger, bare.thermometer_lost) == ("unfitted", "unfitted", False)
    assert bare.judged == dict.fromkeys(("battery", "level", "soil"), "absent")
    assert (now.day_left_ml, now.dose_kind) == (0, "none")


def test_what_is_due() -> None:
    """A press shortens no wait, and a cold start in a soak ends the dose (R9, R10)."""
    made = pot({"wake_s": 1000})
    for cause, phase, due, soaking in (
        ("timer", 0, 1, 0), ("power", 0, 1, 0), ("button", 0, 0, 0), ("button", 1, 0, 1),
        ("timer", 1, 1, 1), ("power", 1, 0, 0), ("brownout", 1, 0, 0), ("button", 2, 0, 0),
        ("power", 2, 1, 0), ("reset", 3, 1, 0),
    ):  # fmt: skip
        was = kept(phase=phase, cycle_s=5000, plan_ul=7)
        before = was.to_bytes()
        now = begun(made, was, cause=cause)
        assert (now.due, now.soaking) == (due, soaking), (cause, phase)
        assert (now.phase_before, now.regular) == (phase, due and not phase)
        assert was.to_bytes() == before, "a question changes nothing"


def test_what_the_state_tells_the_facts() -> None:
    made = pot({}, {"day_ml": 400, "clock_ppt": 50})
    was = kept(lockouts=5, since_dose_s=77, button_masked=1, silent_doses=4)
    was.mls[0] = 150
    now = begun(made, was)
    now.take_from_state(was, made.limits)
    assert (now.lockouts, now.since_dose_s) == (5, 77)
    assert (now.button_masked, now.day_left_ml) == (1, 250)
    was.mls[0] = 401
    now.take_from_state(was, made.limits)
    assert now.day_left_ml == 0


def test_the_whole_of_a_record() -> None:
    made = pot({}, {}, {"dry_ma": 0}, probes=("temperature", "saucer", "charger"))
    counts = {
        "soil": [1240000, 9], "battery": [1950000, 9], "temperature": [1100000, 9],
        "saucer": [500000, 9], "charger": [500000, 0],
    }  # fmt: skip
    told = {"level_ml": 1000, "awake_ms": 90000, "cause": "power", "utc": [5, 6, 1]}
    one, two = play({"counts": counts, **told}, {"counts": counts}, made=made)
    assert set(one) == set(wake.RECORD) - {"run", "after", "told"}
    assert (one["kind"], one["n"], one["core"]) == ("wake", 0, "")
    for name in fields.KINDS:
        assert one[name] == getattr(made, name).id != ""
    assert one["begin"]["utc"] == [5, 6, 1]
    assert one["rest"] == [1950000, 9]
    assert one["read"] == {
        **{name: counts[name] for name in counts if name != "battery"}, "level": [1499500, 0],
    }  # fmt: skip
    assert (one["awake_ms"], one["charge_uah"]) == (90000, 1000)
    assert one["values"] == {
        "battery_mv": 3900, "level_ml": 1000, "soil_ppt": 380, "temperature_mc": 20000,
    }  # fmt: skip
    assert one["judged"] == dict.fromkeys((*counts, "level"), "good")
    assert two["before"] == one["state"]
    assert two["charge_uah"] == 23 + 1440, "a day asleep at 10 uA, and 50 uA that the cell loses"
    bad = dict.fromkeys(counts)
    gone = play({"counts": bad, "level_ml": 1000}, made=made)[0]
    assert gone["judged"] == {**dict.fromkeys(counts, "absent"), "level": "good"}
    assert set(gone["needs"]) == {
        "see to the battery", "see to the soil probe", "see to the thermometer",
        "see to the saucer probe",
    }  # fmt: skip
    assert gone["permissives"]["saucer"] == 0
    wet = play({"counts": {**counts, "saucer": [1000000, 9]}, "level_ml": 1000}, made=made)[0]
    assert wet["needs"] == ["empty the saucer"]
    damp = {**counts, "saucer": [999000, 9], "charger": [1500000, 0]}
    assert play({"counts": damp, "level_ml": 1000}, made=made)[0]["needs"] == []


def test_a_press_in_a_soak_and_a_look_ask_for_nothing() -> None:
    dry = {"soil": [1600000, 9], "battery": [1950000, 9]}
    press = {"counts": dry, "cause": "button", "button_ms": 50, "slept_s": 9}
    _, soak = play({"counts": dry, "level_ml": 900}, press)
    assert soak["plan"]["dose_ul"] == soak["plan"]["pulse_ms"] == 0
    assert soak["commands"][-1] == "sleep 591 button"
    small = pot({"dose_ml": 40}, {"dose_ml": 40}, probes=())
    _, look = play({"counts": dry, "level_ml": 900}, {"counts": dry, "slept_s": 60}, made=small)
    assert look["plan"] == {"phase": "first look", "kind": "none", "dose_ul": 0, "pulse_ms": 0}


def test_a_lockout_of_this_wake_is_told_in_this_wake() -> None:
    made = pot({"radio_wakes": 96}, probes=("saucer",))
    counts = {"soil": [1600000, 9], "battery": [1950000, 9], "saucer": [500000, 9]}
    wet = play({"counts": counts, "level_ml": 900, "run": {"wet_at_ms": 300}}, made=made)[0]
    assert wet["trips"] == ["wet"]
    assert wet["needs"] == ["clear a lockout"]
    assert "report" in wet["commands"]
