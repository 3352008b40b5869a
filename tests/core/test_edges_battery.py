"""R5: the cell: charge, rest voltage and what a low one may still do."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from core_edges import begun, facts, kept, played, pot

from wakecore import rules, wake


def test_the_charge_of_a_wake() -> None:
    cal: Any = SimpleNamespace(
        awake_ua=40000, sleep_ua=7, self_ua=3, pump_ua=500000, radio_ua=120000
    )
    assert wake.charge_uah(cal, 90000, None, 0, 0) == 1000
    assert wake.charge_uah(cal, 90001, None, 0, 0) == 1001
    assert wake.charge_uah(cal, 0, None, 3600, 0) == 10
    assert wake.charge_uah(cal, 0, None, 3601, 0) == 11
    assert wake.charge_uah(cal, 0, None, 0, 30000) == 1000
    assert wake.charge_uah(cal, 0, None, 0, 30001) == 1001
    ran: Any = SimpleNamespace(ran_ms=7200)
    assert wake.charge_uah(cal, 90000, ran, 3600, 30000) == 1000 + 10 + 1000 + 1000


def test_a_weak_cell_reports_what_ends_watering_and_nothing_else() -> None:
    made = pot({"radio_wakes": 3, "wake_s": 21600}, {"radio_mv": 3700, "rest_mv": 3400})

    def told(was: Any = None, regular: bool = True, pressed: bool = False, **changes: Any) -> bool:
        was = was or kept(quiet_wakes=99, rest_mv=3500)
        return bool(
            wake.is_to_report(
                was, facts(**{"radio_mv": 3700, "rest_mv": 3400, **changes}), made, regular, pressed
            )
        )

    thirst = rules.NEED_BITS["water by hand"]
    for weak in ({"battery_mv": 3699}, {"battery_mv": 3650, "battery_weak": 1}):
        assert not told(pressed=True, **weak), weak
        assert not told(thirst=2, **weak), weak
        assert told(thirst=3, **weak), "the plant goes without (R16)"
        assert not told(kept(told=thirst, rest_mv=3500), thirst=3, **weak), "once"
        assert not told(kept(rest_mv=3399), thirst=3, **weak), "where the cell bears it"
    # A lockout that latched when the cell bore no radio is told once it does, and once
    charge = rules.NEED_BITS["charge the battery"]
    for mv, late in ((3699, False), (3700, True)):
        assert told(battery_mv=mv, battery_weak=1) is late
        assert not told(kept(told=charge), pressed=True, battery_mv=mv, battery_weak=1)
        assert not told(kept(told=charge | thirst), thirst=3, battery_mv=mv, battery_weak=1)
    assert not told(
        kept(told=rules.NEED_BITS["see to the battery"]), battery_mv=None, battery_weak=1
    )
    assert told(kept(), pressed=True, battery_mv=3700)
    latching = {"battery_mv": 3500, "battery_weak": 1, "lockouts": 1}
    assert told(kept(lockouts=1, rest_mv=3400), **latching), "once, as it latches"
    assert told(kept(lockouts=1, rest_mv=3400), regular=False, **latching)
    assert not told(kept(lockouts=1, rest_mv=3399), **latching), "where the cell bears it"
    assert not told(kept(lockouts=1, rest_mv=3500), **latching, lockouts_before=1), "and once"
    assert told(kept(rest_mv=3400), battery_mv=None), "the reading was lost in this wake"
    bit = rules.NEED_BITS["see to the battery"]
    assert not told(kept(rest_mv=3400, told=bit), battery_mv=None), "once"
    assert not told(kept(rest_mv=0), battery_mv=None), "a cell that nobody ever saw"
    assert told(kept(rest_mv=3500, told=bit), battery_mv=None, thirst=3)
    assert not told(kept(rest_mv=3500, told=bit | thirst), battery_mv=None, thirst=3)
    made.settings.radio_wakes = 0
    assert not told(kept(quiet_wakes=99), pressed=True)
    assert not told(kept(lockouts=1, rest_mv=3400), **latching)


def test_when_the_cell_is_surely_charged() -> None:
    def look(mv: int | None, regular: bool = True, **changes: Any) -> Any:
        given = {"charger": "off", "pressed_long": False, "due": False, "sunlit": False, **changes}
        made = pot({"mains": given.pop("mains", 0), "battery_clear_wakes": 2})
        was = kept(
            lockouts=given.pop("lockouts", 1), clear_wakes=given.pop("clear_wakes", 0),
            phase=given.pop("phase", 0), low_wakes=1, rest_mv=7,
        )  # fmt: skip
        now: Any = SimpleNamespace(
            battery_mv=mv, battery_floor_mv=3600, confirm_charge=False, unplug_charger=False,
            **given,
        )  # fmt: skip
        wake.look_at_battery(was, now, made, regular)
        assert was.rest_mv == (7 if mv is None else mv)
        assert now.due is bool(given["pressed_long"] and not was.lockouts and not was.phase)
        return was.lockouts, was.clear_wakes, now.confirm_charge, now.unplug_charger

    assert look(3600, lockouts=0) == (0, 0, False, False)
    assert look(3599, lockouts=0) == (1, 0, False, False)
    assert look(None, lockouts=0, clear_wakes=1) == (0, 1, False, False)
    assert look(3899, lockouts=0, clear_wakes=1) == (0, 1, False, False)
    assert look(3749, clear_wakes=1) == (1, 0, False, False)
    assert look(3750) == (1, 1, False, False)
    assert look(3750, clear_wakes=1) == (0, 0, False, False)
    # As far above the clearing voltage as that is above the floor: surely full, at once
    assert look(3899) == (1, 1, False, False)
    assert look(3900) == (0, 0, False, False)
    assert look(3900, regular=False, clear_wakes=1) == (1, 1, False, False)
    assert look(3900, charger="on", clear_wakes=1) == (1, 1, False, True)
    assert look(3899, charger="on", mains=1) == (1, 1, False, False)
    assert look(3899, charger="unfitted", mains=1) == (1, 1, False, False)
    for charger in ("unfitted", "lost"):
        assert look(3900, charger=charger, clear_wakes=1) == (1, 1, True, False)
        assert look(3750, charger=charger, pressed_long=True) == (0, 0, False, False)
        assert look(3750, charger=charger, pressed_long=True, phase=2) == (0, 0, False, False)
        assert look(3749, charger=charger, pressed_long=True) == (1, 0, False, False)
    assert look(3750, charger="off", pressed_long=True, regular=False) == (0, 0, False, False)
    assert look(3900, charger="on", pressed_long=True) == (1, 0, False, True)
    assert look(3900, charger="on", pressed_long=True, sunlit=True) == (1, 0, False, False)
    assert look(3750, charger="on", pressed_long=True, mains=1) == (0, 0, False, False)


def test_a_low_reading_is_confirmed_by_another() -> None:
    made = pot({"battery_clear_wakes": 2})
    for mv, low, then, lockouts in (
        (3599, 0, 1, 0), (3599, 1, 2, 1), (3599, 100, 100, 1), (3600, 1, 0, 0), (None, 1, 1, 0),
    ):  # fmt: skip
        was = kept(low_wakes=low)
        now: Any = SimpleNamespace(
            battery_mv=mv, battery_floor_mv=3600, charger="off", pressed_long=False
        )
        wake.look_at_battery(was, now, made, True)
        assert (was.low_wakes, was.lockouts) == (then, lockouts), (mv, low)


def test_a_warning_leaves_while_there_is_charge_for_it() -> None:
    """50 mV above the radio's floor at least, where there is a radio (R5, R17)."""
    for radio, warn_mv, radio_mv, charge_mv, floor_mv in (
        (1, 3700, 3660, 3710, 3660), (1, 3700, 3650, 3700, 3650), (0, 3700, 3660, 3700, 3660),
        (1, 3600, 3500, 3650, 3600),
    ):  # fmt: skip
        made = pot(
            {"radio_wakes": radio, "battery_warn_mv": warn_mv, "battery_mv": 3600},
            {"radio_mv": radio_mv, "rest_mv": 3500},
        )
        now = begun(made)
        assert (now.charge_mv, now.radio_mv) == (charge_mv, floor_mv)
    was = kept(lockouts=5, needed=9, phase=3)
    now = begun(pot({}, {}, {"tolerance_ml": 7}), was)
    assert (now.lockouts_before, now.needs_before) == (5, 9)
    assert (now.phase_before, now.scatter_ml) == (3, 14)


def test_a_vouched_second_is_rest_enough_for_a_reading() -> None:
    """Only vouched time counts towards the end of a low battery (R5, R10)."""
    made = pot(probes=("charger",))
    counts = {"soil": [1240000, 9], "battery": [1950000, 9], "charger": [500000, 0]}
    for slept_s, lockouts in ((0, 1), (1, 0)):
        was = kept(sleep_s=600, lockouts=1)
        played(was, made, counts=counts, level_ml=900, cause="timer", slept_s=slept_s)
        assert was.lockouts == lockouts
