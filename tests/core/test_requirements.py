"""Requirements one by one, where a life must be led on purpose: R2, R4, R7, R8, R10, R12, R13.

What must hold of every life is in `core_oracles`; here each test leads a pot into the one
situation that its requirement is about, over pots of any kind.
"""

from __future__ import annotations

from typing import Any

import core_oracles
import core_pots
import core_world
import pytest
from core_world import HARDWARE_MS, SAMPLE_MS, World

from wakecore import fields, state

SEEDS = range(100)


def dry_pot(seed: int, **fixed: Any) -> World:
    """A commissioned pot of any kind, its soil dry, tank full, cell full; nothing wrong yet."""
    usual = {"stage": 2, "upkeep_ml": 0, "float_only": 0}
    stored = core_pots.any_lines(core_pots.Pick(seed), **{**usual, **fixed})
    world = World(core_pots.load(stored))
    world.soil, world.battery, world.tank_ul, world.thirst = 100, 4350, 1000000, 0
    world.flow_ppt = 1000 * world.pot.calibration.flow_ul_s // world.pot.limits.flow_max_ul_s
    world.answer = 0
    return world


def until_the_dose_ends(world: World) -> list[core_world.Outcome]:
    """Wake by wake until nothing is left to give; the wakes with a run, [] if there was none."""
    for _ in range(30):
        wake = world.one([])
        if not wake.start and any(w.start for w in world.history):
            break
        if wake.start and wake.sleep and wake.sleep[0] == 60:
            break
    return [w for w in world.history if w.start]


def test_there_are_doses_to_judge() -> None:
    """Most of these pots do water: without that the tests below would say nothing."""
    assert sum(bool(until_the_dose_ends(dry_pot(seed))) for seed in SEEDS) > 60


@pytest.mark.parametrize("at_ms", [0, 450])
def test_a_clock_that_stands_still_ends_no_later(at_ms: int) -> None:
    """R2: the core counts its samples, whatever the board's milliseconds say; R3 counts them."""
    seen = 0
    for seed in SEEDS:
        world = dry_pot(seed)
        for _ in range(6):
            wake = world.one([("pump", "stuck", at_ms)])
            if not wake.start or wake.record is None:
                continue
            seen += wake.start.commanded_ms > at_ms + 2 * SAMPLE_MS
            ran_ms = wake.start.end_ms - wake.start.begin_ms
            assert ran_ms <= wake.start.commanded_ms + HARDWARE_MS + SAMPLE_MS
            counted_ml = wake.record["water"]["counted_ml"]
            slack_ul = SAMPLE_MS * world.flow_ul_s // 1000
            assert counted_ml * 1000 >= wake.start.moved_ul - slack_ul
    assert seen > 50


def test_a_pump_that_moves_nothing_is_stopped() -> None:
    """R4: what a pump without water may be asked for before the lockout has a bound.

    Either the gauge shows a single run's fall, or the proof is made over several runs, at
    four times what the gauge's tolerance hides; so many times as dry runs are allowed.
    """
    locked = 0
    for seed in SEEDS:
        world = dry_pot(seed, response_doses=5)
        limits, cal = world.pot.limits, world.pot.calibration
        world.flow_ppt = 0
        for _ in range(80):
            world.one([])
        runs = [w.start for w in world.history if w.start]
        asked_ul = sum((r.end_ms - r.begin_ms) * cal.flow_ul_s // 1000 for r in runs)
        longest_ul = (limits.pulse_ms + HARDWARE_MS) * cal.flow_ul_s // 1000
        once_ul = 4000 * (cal.tolerance_ml + 1) + longest_ul
        assert asked_ul <= limits.dry_trips * once_ul, f"seed {seed}"
        record = world.history[-1].record
        locked += bool(record and "dry run" in record["lockouts"])
    assert locked > 20


def test_soil_that_never_answers_locks_out() -> None:
    """R7: after the set number of doses without an answer there are no more.

    A dose cut short, to less than half of what is usual, may be asked about together with the
    next: so the bound is in water, half a dose and the dose that completes it each time.
    """
    locked = 0
    for seed in SEEDS:
        world = dry_pot(seed, day_ml=1500)
        doses: list[int] = []
        for _ in range(100):
            wake = world.one([("fill", 900)] if world.tank_ul < 500000 else [])
            if wake.start and wake.truth["phase"] == core_oracles.IDLE:
                doses.append(0)
            if wake.start:
                doses[-1] += wake.start.moved_ul
        half_ul = 500 * world.pot.settings.dose_ml
        most = world.pot.limits.response_doses
        assert sum(ul >= half_ul for ul in doses) <= most, f"seed {seed}: {doses} ul"
        assert sum(doses) <= most * (half_ul + max(doses, default=0)), f"seed {seed}: {doses} ul"
        record = world.history[-1].record
        locked += bool(record and "no response" in record["lockouts"])
    assert locked > 80


@pytest.mark.parametrize("press", [False, True])
def test_after_the_last_pulse_the_level_is_read_at_1_and_10_minutes(press: bool) -> None:
    """R8: sleeps of 60 and 540 s; a press in between does not skip a look."""
    seen = 0
    for seed in SEEDS:
        world = dry_pot(seed)
        if not until_the_dose_ends(world):
            continue
        seen += 1
        last = world.history[-1]
        assert last.sleep is not None
        assert last.sleep[0] == 60, f"seed {seed}"
        if press:
            shorter = world.one([("button", 100, 500)])
            assert shorter.sleep is not None
            assert shorter.sleep[0] == 30
        second = world.one([])
        assert second.sleep is not None
        assert second.sleep[0] == 540
        assert not second.start
    assert seen > 60


@pytest.mark.parametrize("look", [1, 2, 3])
def test_a_leak_is_found_reported_and_counted(look: int) -> None:
    """R8: what leaves the tank with the pump off, seen at either look or the next wake."""
    found = 0
    for seed in SEEDS:
        world = dry_pot(seed)
        runs = until_the_dose_ends(world)
        if not runs or world.history[-1].record["lockouts"]:  # type: ignore[index]
            continue
        for _ in range(look - 1):
            world.one([])
        cal, leak_ml_day = world.pot.calibration, world.pot.settings.leak_ml_day
        days = 2 + world.pot.settings.wake_s // 86400
        lost_ml = cal.tolerance_ml * (2 + len(runs)) + leak_ml_day * days + 5
        if world.tank_ul < 1000 * lost_ml + 1000:
            continue
        wake = world.one([("loss", lost_ml)])
        for _ in range(2):
            if wake.record and "leak" in wake.record["lockouts"]:
                break
            # the doubt is settled by a look soon after, not at the next regular wake
            assert wake.sleep is not None
            assert wake.sleep[0] <= 60
            assert not wake.start
            wake = world.one([])
        assert wake.record is not None
        assert "leak" in wake.record["lockouts"], f"seed {seed}"
        assert "see to the pot" in wake.record["needs"]
        assert wake.record["water"]["day_ml"] >= lost_ml - cal.tolerance_ml
        for _ in range(5):
            assert not world.one([("soil", 100)]).start
        found += 1
    assert found > 50


def test_evaporation_and_scatter_are_no_leak() -> None:
    """R8: half the tolerance, and the loss a day that settings call evaporation."""
    for seed in SEEDS:
        world = dry_pot(seed, day_ml=30)
        for _ in range(60):
            slept_s = world.commanded_s
            lost_ml = world.pot.settings.leak_ml_day * slept_s // 86400
            wake = world.one([("loss", lost_ml)])
            assert wake.record is not None
            assert "leak" not in wake.record["lockouts"], f"seed {seed}"


def same_but(name: str, life: core_world.Life, value: Any) -> core_world.Life:
    """The life with that mischief changed, or left out where value is None."""
    return [
        [m if m[0] != name else (name, value) for m in wake if m[0] != name or value is not None]
        for wake in life
    ]


@pytest.mark.parametrize("name", ["utc", "lie"])
def test_no_clock_is_trusted(name: str) -> None:
    """R10: the wall clock changes nothing; sleep claimed beyond the commanded credits no more."""
    changed = 0
    for seed in range(80):
        pick = core_pots.Pick(seed)
        stored = core_pots.any_lines(pick)
        life = core_world.any_life(pick, ("clock", "soil", "button"), 40)
        there, here = World(core_pots.load(stored)), World(core_pots.load(stored))
        there.live(life)
        here.live(same_but(name, life, 12345 if name == "utc" else None))
        for wake, other in zip(there.history, here.history, strict=True):
            assert wake.commands == other.commands
            assert wake.sleep == other.sleep
            changed += wake.begin != other.begin
            for record in (wake.record, other.record):
                assert record is not None
                record.pop("begin")
            assert wake.record == other.record
        assert there.slots == here.slots
    assert changed > 50


def test_time_nobody_vouches_for_is_no_time() -> None:
    """R3, R10: a pot that only ever restarts gets no second day of water."""
    for seed in range(60):
        world = dry_pot(seed)
        world.tank_ul = 1000000
        for _ in range(60):
            world.one([("power", 0)] if world.real_ms % 2 else [("reset", 999)])
        moved_ul = sum(w.start.moved_ul for w in world.history if w.start)
        assert moved_ul <= world.pot.limits.day_ml * 1000


def test_a_lost_state_may_have_given_a_whole_day() -> None:
    """R3, R11: both slots gone and the owner clears at once: no water before 24 real hours."""
    watered = 0
    for seed in range(60):
        world = dry_pot(seed)
        world.drift = 1000  # the sleep oscillator is as fast as its error allows
        until_the_dose_ends(world)
        lost_ms = world.real_ms
        world.slots = [b"\x00" * 300, b"\xff" * 300]
        assert world.one([]).begin["state"] == "lost"
        first = world.one([("button", 5000, 0)])
        for _ in range(300):
            if first.start:
                break
            first = world.one([])
        if first.start:
            watered += 1
            assert first.start.begin_ms - lost_ms >= core_world.DAY_MS, f"seed {seed}"
    assert watered > 30


def test_a_press_reads_and_reports_and_a_held_one_obeys_the_limits() -> None:
    """R12: a touch leaves a record with readings; a wish obeys reserve, cell and day."""
    for seed in range(60):
        world = dry_pot(seed)
        world.one([])
        world.soil = 400
        touch = world.one([("button", 100, 500)])
        assert touch.record is not None
        assert touch.record["read"]["soil"]
        for poor in (("battery", 2850), ("loss", 1000), ("level_bad", "absent")):
            world = dry_pot(seed)
            world.soil = 400
            world.one([])
            assert not world.one([poor, ("button", 5000, 1000)]).start
    manual = 0
    for seed in range(60):
        world = dry_pot(seed)
        world.soil = 400
        world.one([])
        for _ in range(40):
            wake = world.one([("button", 5000, 1000)])
            manual += bool(wake.start)
        core_oracles.judge(world.history, world.pot)
    assert manual > 60


def test_a_storm_of_resets_always_ends_in_sleep() -> None:
    """R13: whatever the phase, a cold start ends in a bounded sleep."""
    for seed in range(60):
        world = dry_pot(seed)
        pick = core_pots.Pick(seed)
        life: core_world.Life = [[pick.one([("reset", 0), ("power", 0)])] for _ in range(60)]
        for n in range(0, 60, 7):
            life[n] = []
        world.live(life)
        core_oracles.judge(world.history, world.pot)
        assert all(w.sleep for w in world.history)


def test_no_soil_is_disbelieved_for_ever() -> None:
    """R6: the core counts the days since a believed reading no further than `LONG_S`. By then
    the least setting must allow a fall through the whole range of a soil probe."""
    least = next(row[1] for row in fields.SETTINGS if row[0] == "fall_ppt_day")
    range_ppt = next(row[2] - row[1] for row in fields.PROBES if row[0] == "soil")
    assert least * (1 + state.LONG_S // 86400) >= range_ppt
    assert (least - 1) * (1 + state.LONG_S // 86400) < range_ppt, "and none is refused in vain"
