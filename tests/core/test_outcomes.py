"""What becomes of the plant, the floor and the cell, and who is told: whole wakes in a plain world.

Each story is judged by what happened in the world (`plain_world`), by what the owner was asked
for, and by when. Where a story has no source it is common practice or invented, as the numbers
are; the bounds come from the requirements.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import core_pots
import pytest
from plain_world import DAY_S, World

from wakecore import fields, judge, plan, wake
from wakecore.state import State, from_bytes

GAUGE = {"points": [[0, 0], [6000000, 6000]], "rails": [-100, 6000100], "spread": 20000}
SWITCH = {"points": [[0, 0], [1000000, 6000]], "rails": [-100, 1000100], "spread": 20000}
BY_HAND = "water by hand"


def pot(
    settings: dict[str, Any] | None = None,
    limits: dict[str, Any] | None = None,
    calibration: dict[str, Any] | None = None,
) -> Any:
    """A pot with a tank of 6 l and a report a week; refill point 250 ppt, filled to 380."""
    return core_pots.pot(
        {"dose_ml": 80, "pulse_ml": 40, "tank_warn_ml": 250, "radio_wakes": 7} | (settings or {}),
        {"dose_ml": 150, "day_ml": 400} | (limits or {}),
        {"level": GAUGE} | (calibration or {}),
    )


def asked(record: dict[str, Any], need: str) -> bool:
    """Does this wake ask for that?"""
    return need in record["needs"]


def reported(record: dict[str, Any]) -> bool:
    """Does this wake end with the radio?"""
    return "report" in record["commands"]


def told(records: list[dict[str, Any]], need: str) -> int:
    """How many of these wakes reported that need."""
    return sum(asked(record, need) and reported(record) for record in records)


def regular(records: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The wakes with nothing under way."""
    return [r for r in records if r["plan"]["phase"] == "idle" and r["begin"]["cause"] != "button"]


# R16: thirst is told


@pytest.mark.parametrize("day_ml", [50, 100, 250])
def test_a_thirsty_pot_asks_for_water_by_hand(day_ml: int) -> None:
    """Basil in July drinks 250 ml a day; what the day allows is less or comes too late."""
    world = World(
        pot({"dose_ml": min(80, day_ml)}, {"day_ml": day_ml}), soil_ppt=250, drinks_ppt_day=250
    )
    assert world.days(6, lambda r: asked(r, BY_HAND) and reported(r))
    dry = [r for r in regular(world.records) if r["values"]["soil_ppt"] <= 250]
    assert len(dry) <= 4, "within three regular wakes after the first"
    before = len(world.records)
    world.days(10)
    days = [r for r in regular(world.records[before:]) if r["values"]["soil_ppt"] <= 250]
    assert all(asked(r, BY_HAND) for r in days), "as long as it lasts"
    assert 8 <= told(world.records[before:], BY_HAND) <= 11, "once a day"


def test_a_well_watered_pot_never_asks() -> None:
    world = World(pot(), soil_ppt=260, drinks_ppt_day=60, tank_ml=6000)
    world.days(60)
    assert min(r["values"]["soil_ppt"] for r in world.records) > 150
    assert not any(asked(r, BY_HAND) or r["lockouts"] for r in world.records)


def test_a_dose_of_nothing_is_refused_and_told() -> None:
    """Settings that fill to 200 ppt below a refill point of 310 ppt never water."""
    made = pot({"fill_ppt": 500, "depletion_ppt": 300})
    assert not made.match
    world = World(made, soil_ppt=240)
    world.days(3)
    assert asked(world.records[-1], "commission the pot")
    assert told(world.records, BY_HAND) >= 1
    assert world.given_ml == 0
    words = "a dose fills to 200 ppt, which is not above the refill point 310 ppt"
    assert fields.dose_of_nothing(made.settings, made.calibration) == words
    # One part per thousand above is allowed
    assert not pot({"fill_ppt": 775, "depletion_ppt": 300}).match
    assert pot({"fill_ppt": 778, "depletion_ppt": 300}).match


@pytest.mark.parametrize(
    "spoil",
    ["empty tank", "gauge lost", "probe lost", "radio only", "lockout"],
)
def test_a_wish_that_is_not_met_is_told(spoil: str) -> None:
    world = World(pot(), soil_ppt=255, drinks_ppt_day=10)
    if spoil == "empty tank":
        world.tank_ml = 100
    elif spoil == "gauge lost":
        world.pot.calibration.level.spread = -1
    elif spoil == "probe lost":
        world.pot.calibration.soil.spread = 0
    elif spoil == "radio only":
        world.battery_mv = 3610
    else:
        world.hose = "blocked"
    assert world.days(12, lambda r: asked(r, BY_HAND) and reported(r)) is (spoil != "radio only")
    known = [r["values"]["soil_ppt"] for r in regular(world.records)]
    thirsty = [soil for soil in known if soil is None or soil <= 250]
    if spoil != "radio only":
        assert len(thirsty) <= 5


# R17: no pot falls silent without a word


def test_one_low_reading_is_no_lockout() -> None:
    """3740, 3590, 3740 mV, no charge sense: a doubt for one wake."""
    world = World(pot(), soil_ppt=300, battery_mv=3740)
    world.days(2)
    world.battery_mv = 3590
    low = world.wake()
    assert not low["lockouts"]
    assert asked(low, "charge the battery")
    world.battery_mv, world.soil_ppt = 3740, 240
    assert world.wake()["plan"]["pulse_ms"] > 0


def test_a_low_cell_is_reported_as_it_latches_and_once() -> None:
    world = World(pot(), soil_ppt=300, battery_mv=3900)
    world.days(3)
    world.battery_mv = 3590
    assert world.wake()["lockouts"] == []
    latched = world.wake()
    assert latched["lockouts"] == ["battery low"]
    assert reported(latched)
    before = len(world.reports)
    world.days(30)
    assert len(world.reports) == before, "then the cell is left alone"


def test_a_lost_divider_is_reported_once_and_the_thirst_that_follows_once() -> None:
    world = World(pot(), soil_ppt=260, drinks_ppt_day=20)
    world.days(2)
    before, given_ml = len(world.reports), world.given_ml
    world.battery_mv = None
    lost = world.wake()
    assert asked(lost, "see to the battery")
    assert reported(lost)
    world.days(10)
    assert len(world.reports) == before + 2
    assert told(world.records, "water by hand") == 1
    assert world.given_ml == given_ml


def test_a_lockout_that_latched_on_an_empty_cell_is_told_once_it_bears_the_radio() -> None:
    """Two cold nights, below the hard limit; then it is warm, and the cell lies in between."""
    world = World(pot(), soil_ppt=300, battery_mv=3900)
    world.days(3)
    before = len(world.reports)
    world.battery_mv = world.pot.limits.rest_mv - 100
    world.days(4)
    assert world.records[-1]["lockouts"] == ["battery low"]
    assert len(world.reports) == before, "no radio on an empty cell"
    world.battery_mv = max(world.pot.limits.radio_mv, world.pot.settings.battery_mv) + 20
    assert world.battery_mv < world.pot.settings.battery_clear_mv
    world.days(20)
    assert len(world.reports) == before + 1, "once"
    assert told(world.records, "charge the battery") == 1


def test_a_charged_cell_that_nothing_senses_asks_for_its_press() -> None:
    """The owner did as told and charged; what is left to do is told by radio, the cell is full."""
    world = World(pot(), soil_ppt=300, battery_mv=3900)
    world.days(3)
    world.battery_mv = 3500
    world.days(3)
    assert world.records[-1]["lockouts"] == ["battery low"]
    before = len(world.records)
    world.battery_mv = 4150
    world.days(8)
    # At each wake: under the lockout they are two days apart
    assert 3 <= told(world.records[before:], "confirm the charge") <= 5
    assert not asked(world.records[-1], "charge the battery"), "it is charged"
    world.press()
    assert not world.records[-1]["lockouts"]


@pytest.mark.parametrize("every_h", [1, 5, 20])
def test_what_was_told_long_ago_is_told_again(every_h: int) -> None:
    """Reports more often than once a day: a need that was over for weeks is new once more."""
    world = World(pot({"wake_s": 3600, "radio_wakes": every_h}), soil_ppt=300, battery_mv=3690)
    world.days(1)
    assert told(world.records, "charge the battery") >= 1
    world.battery_mv = 3900
    world.days(20)
    world.wake()
    if every_h > 1:
        assert not reported(world.wake())
    world.battery_mv = 3500
    world.wake()
    assert world.wake()["lockouts"] == ["battery low"]
    assert reported(world.records[-1])


def test_a_lockout_that_latches_again_on_the_same_day_is_reported_again() -> None:
    """The hose lies beside the pot; the owner presses an hour after the report."""
    made = pot({"wake_s": 3600, "radio_wakes": 96, "settle_s": 3600})
    made.limits.day_ml = 5000
    world = World(made, soil_ppt=245, hose="beside")
    assert world.days(9, lambda r: "no response" in r["lockouts"])
    assert reported(world.records[-1])
    world.wake()
    world.press()
    before = len(world.records)
    assert world.days(0.9, lambda r: "no response" in r["lockouts"])
    assert reported(world.records[-1])
    assert len(world.records) > before + 1


def test_a_level_that_flaps_around_the_warning_is_told_once_a_day() -> None:
    world = World(pot({"wake_s": 1800, "radio_wakes": 96}), soil_ppt=300, tank_ml=252)
    world.level_shown = lambda _: 240 if len(world.records) % 2 else 262
    world.days(3)
    assert 1 <= len(world.reports) <= 4


def test_a_chattering_button_is_masked_for_a_day() -> None:
    world = World(pot(), soil_ppt=300)
    world.wake()
    wakes = 0
    while world.button and wakes < 1900:
        world.wake("button", slept_s=45, button_ms=100)
        wakes += 1
    assert wakes <= 20
    assert len(world.reports) <= 4
    assert asked(world.wake(), "free the button")
    world.days(2)
    assert world.button == 1
    assert not asked(world.records[-1], "free the button")


# R5: the cell


@pytest.mark.parametrize("sense", [True, False])
def test_after_charging_it_waters_again(sense: bool) -> None:
    """By itself at the first regular wake where the charge is sensed, else at the press."""
    charger = {"charger": core_pots.CHARGER} if sense else {}
    world = World(pot(calibration=charger), soil_ppt=300, battery_mv=3500)
    read = world.read
    if sense:
        world.read = lambda: {**read(), "charger": [0, 0]}  # type: ignore[method-assign]
    world.days(5)
    assert world.records[-1]["lockouts"] == ["battery low"]
    world.battery_mv, world.soil_ppt = 4100, 240
    if sense:
        assert world.wake()["plan"]["pulse_ms"] > 0
        return
    assert asked(world.wake(), "confirm the charge")
    assert world.press()["plan"]["pulse_ms"] > 0


def test_resets_end_no_lockout() -> None:
    """Only vouched time counts: two resets five seconds apart, at 3760 mV."""
    charger = {"charger": core_pots.CHARGER}
    world = World(pot(calibration=charger), soil_ppt=240, battery_mv=3500)
    read = world.read
    world.read = lambda: {**read(), "charger": [0, 0]}  # type: ignore[method-assign]
    world.days(5)
    world.battery_mv = 3760
    for _ in range(5):
        assert world.wake("reset", passed_s=5)["lockouts"] == ["battery low"]
    assert world.wake()["lockouts"] == ["battery low"]
    assert world.wake()["lockouts"] == []


# R18: water without an answer is bounded


@pytest.mark.parametrize(
    ("dose_ml", "ul_per_ppt"), [(150, 1000), (400, 0), (60, 4000), (2000, 9000)]
)
def test_the_floor_gets_no_more_than_the_bound(dose_ml: int, ul_per_ppt: int) -> None:
    """The largest dose or what three least answers (of 10 ppt) take, whichever is more."""
    made = pot(
        {"dose_ml": min(80, dose_ml)},
        {"dose_ml": dose_ml, "day_ml": 5000, "response_doses": 10},
        {"ul_per_ppt": ul_per_ppt},
    )
    bound_ml = max(dose_ml, 3 * 10 * ul_per_ppt / 1000)
    world = World(made, soil_ppt=200, hose="beside", tank_ml=6000)
    world.days(40)
    # Each pulse may outlast its time by 200 ms (R2)
    pulses = sum(record["plan"]["pulse_ms"] > 0 for record in world.records)
    assert world.floor_ml <= bound_ml + 4 * pulses
    assert world.records[-1]["lockouts"] == ["no response"]
    silent = next(r for r in world.records if asked(r, "see to the hose"))
    doses = [r for r in world.records[: silent["n"]] if r["plan"]["phase"] == "idle"]
    assert sum(r["plan"]["pulse_ms"] > 0 for r in doses) == 1, "told at the first"
    assert told(world.records, "see to the hose") >= 1
    # Presses together give one small dose more, however many there are
    more_ml = made.settings.dose_ml
    if ul_per_ppt:
        more_ml = min(more_ml, max(made.settings.pulse_ml, 10 * ul_per_ppt / 1000))
    for _ in range(30):
        world.press()
        world.days(3)
    pulses = sum(record["plan"]["pulse_ms"] > 0 for record in world.records)
    assert bound_ml < world.floor_ml <= bound_ml + more_ml + 4 * pulses
    assert world.records[-1]["lockouts"] == ["no response"]
    assert not asked(world.records[-1], "clear a lockout")
    assert asked(world.records[-1], "see to the hose")


@pytest.mark.parametrize("ul_per_ppt", [0, 1000])
def test_an_owner_who_puts_the_hose_back_gets_the_pot_going_again(ul_per_ppt: int) -> None:
    """After weeks of presses: the hose in the pot, a can of water, a press, as the words say."""
    made = pot(calibration={"ul_per_ppt": ul_per_ppt})
    world = World(made, soil_ppt=240, hose="beside", drinks_ppt_day=2)
    for _ in range(10):
        world.days(3)
        world.press()
    assert world.records[-1]["lockouts"] == ["no response"]
    world.hose = "in the pot"
    floor_ml, given_ml = world.floor_ml, world.given_ml
    world.press()
    world.days(3)
    assert world.given_ml == given_ml, "the pot cannot know it"
    world.soil_ppt += 60
    assert world.days(2, lambda r: asked(r, "clear a lockout") and reported(r))
    assert world.press()["lockouts"] == []
    assert world.days(30, lambda r: r["plan"]["pulse_ms"] > 0)
    world.days(20)
    assert not any(r["lockouts"] for r in world.records[-15:])
    assert world.soil_ppt > 240
    assert world.floor_ml == floor_ml


def test_cans_and_presses_together_are_bounded_too() -> None:
    """The owner waters by hand whenever he is told, and presses; the hose lies beside the pot."""
    world = World(pot(), soil_ppt=240, hose="beside", drinks_ppt_day=10, tank_ml=6000)
    for _ in range(30):
        world.days(3)
        if asked(world.records[-1], BY_HAND):
            world.soil_ppt = min(380, world.soil_ppt + 120)
        world.press()
    assert 150 < world.floor_ml <= 150 + 2 * 40 + 4 * 8
    assert world.records[-1]["lockouts"] == ["no response"]
    assert asked(world.records[-1], "see to the pot"), "the maker's cable"
    world.hose, world.soil_ppt = "in the pot", 240
    world.days(1.1)
    assert world.wake("reset", host=["clear no response"])["lockouts"] == []
    given_ml = world.given_ml
    world.days(20)
    assert world.given_ml > given_ml
    assert not any(r["lockouts"] for r in world.records[-15:])


def test_a_probe_that_comes_back_lets_a_press_try_again() -> None:
    """Upkeep doses of weeks that no probe could answer; then the probe is put right."""
    made = pot({"upkeep_ml": 30, "upkeep_days": 3}, {"upkeep_ml": 30})
    world = World(made, soil_ppt=300, drinks_ppt_day=4)
    spread = made.calibration.soil.spread
    made.calibration.soil.spread = 0
    assert world.days(40, lambda r: r["lockouts"] == ["no response"])
    world.press()
    assert world.days(20, lambda r: r["lockouts"] == ["no response"])
    assert not asked(world.wake(), "clear a lockout")
    made.calibration.soil.spread, world.soil_ppt = spread, 230
    assert asked(world.wake(), "clear a lockout")
    world.press()
    world.days(20)
    assert not any(r["lockouts"] for r in world.records[-15:])
    assert world.soil_ppt > 240


@pytest.mark.parametrize("by_hand", [True, False])
def test_a_press_after_the_hose_was_put_back_is_enough(by_hand: bool) -> None:
    """The first press of all still gives a dose, and its answer ends the doubt."""
    world = World(pot(), soil_ppt=240, hose="beside", drinks_ppt_day=5)
    assert world.days(20, lambda r: r["lockouts"] == ["no response"])
    world.hose = "in the pot"
    world.soil_ppt += 40 if by_hand else 0
    assert world.press()["lockouts"] == []
    world.days(30)
    assert not any(r["lockouts"] for r in world.records[-30:])
    assert world.soil_ppt > 240


def test_an_answer_lifts_the_bound() -> None:
    world = World(pot(), soil_ppt=240, drinks_ppt_day=70, tank_ml=6000)
    world.days(60)
    assert world.given_ml > 1000
    assert not any(r["lockouts"] or asked(r, "see to the hose") for r in world.records)
    assert from_bytes(world.slot).unanswered_ul < 150000  # type: ignore[union-attr]


def test_an_open_question_is_answered_from_drier_soil() -> None:
    """The plant drank more since a dose too small to be judged than the next one makes up for."""
    made = pot()
    state: Any = State()
    state.before_ppt, state.peak_ppt, state.given_ul, state.unanswered_ul = 138, 141, 9000, 9000
    wake.begin_dose(state, SimpleNamespace(soil_ppt=117), made, plan.DEPLETION, 150000)
    state.given_ul += 100000
    judge.follow_answer(state, 126, made.calibration, made.settings)
    assert state.unanswered_ul == 9000, "nine are less than an answer"
    judge.follow_answer(state, 144, made.calibration, made.settings)
    assert state.unanswered_ul == 0


@pytest.mark.parametrize(("after_s", "presses"), [(3600, 120), (40000, 200), (80000, 60)])
def test_presses_water_no_floor_without_end(after_s: int, presses: int) -> None:
    """A pot that is moist; somebody presses again and again, the hose lies beside it: 150 ml, and
    after the lockout a pulse of 40 ml more."""
    world = World(pot(), soil_ppt=300, hose="beside", tank_ml=6000)
    world.wake()
    for _ in range(presses):
        world.press(after_s=after_s)
        world.days(0 if after_s < 40000 else 1)
    assert world.floor_ml <= 150 + 40 + 4 * 6


# R8, R4: the tank


def test_a_tank_that_was_carried_away_and_back() -> None:
    world = World(pot(), soil_ppt=300, tank_ml=3000)
    world.days(3)
    world.tank_ml = 0
    world.days(2)
    assert world.records[-1]["lockouts"] == ["leak"]
    assert asked(world.records[-1], "see why the tank empties")
    assert not asked(world.records[-1], "fill the tank")
    assert world.press()["lockouts"] == ["leak"], "it is not back"
    world.tank_ml = 5500
    assert world.days(2, lambda r: asked(r, "clear a lockout") and reported(r))
    assert world.press()["lockouts"] == []
    world.soil_ppt = 240
    assert world.days(3, lambda r: r["plan"]["pulse_ms"] > 0)


def test_a_slow_leak_is_not_ended_by_a_press() -> None:
    """40 ml a day run away, with 5 ml a day as evaporation: nobody filled anything since."""
    world = World(pot(), soil_ppt=300, tank_ml=3000, lost_ml_day=40)
    assert world.days(30, lambda r: "leak" in r["lockouts"])
    for _ in range(5):
        world.days(1.1)
        assert world.press()["lockouts"] == ["leak"]
    assert not any(asked(record, "clear a lockout") for record in world.records)


def test_a_leak_too_slow_for_one_night_is_seen_in_the_end() -> None:
    """12 ml a day: less than the gauge can tell in a week, not in a month."""
    world = World(pot(), soil_ppt=300, tank_ml=3000, lost_ml_day=12)
    assert world.days(30, lambda r: "leak" in r["lockouts"])
    honest = World(pot(), soil_ppt=300, tank_ml=3000, lost_ml_day=5)
    honest.days(60)
    assert not any(record["lockouts"] for record in honest.records)


@pytest.mark.parametrize("at", range(1, 16))
@pytest.mark.parametrize("wrong_ml", [600, 30, -30, -600])
def test_one_wrong_reading_decides_nothing(at: int, wrong_ml: int) -> None:
    """Three pulses and their looks take some 15 readings of the gauge; any of them may be wrong."""
    world, readings = World(pot(), soil_ppt=245, tank_ml=3000), iter(range(1000))
    world.level_shown = lambda ml: round(ml) + (wrong_ml if next(readings) == at else 0)
    world.days(6)
    assert not any(record["lockouts"] for record in world.records)
    assert not any(asked(r, "see why the tank empties") for r in world.records)
    assert world.soil_ppt > 250, "and the plant has its water"


def test_a_doubt_about_the_level_puts_a_dose_off_by_minutes() -> None:
    """A wrong reading at the regular wake of a dry pot: it waters once that is settled."""
    world = World(pot(), soil_ppt=300, tank_ml=3000)
    world.days(2)
    world.soil_ppt, at = 240, len(world.records)
    world.level_shown = lambda ml: round(ml) - (600 if len(world.records) == at else 0)
    assert world.wake()["plan"]["pulse_ms"] == 0
    assert world.days(0.02, lambda record: record["plan"]["pulse_ms"] > 0)


def test_a_switch_in_a_tank_that_empties_by_itself() -> None:
    """A float sees no leak: the pump cannot have taken what is gone."""
    world = World(
        pot(calibration={"float_only": 1, "level": SWITCH, "tolerance_ml": 0}),
        soil_ppt=245,
        tank_ml=6000,
    )
    world.level_shown = lambda ml: 6000 if ml > 300 else 0
    world.wake()
    world.tank_ml = 10
    assert world.days(1, lambda r: asked(r, "see why the tank empties") and reported(r))
    assert not asked(world.records[-1], "fill the tank")


def gauge_that_echoes() -> Any:
    """120 cm² of tank and 3 mm of echo are 36 ml; doses of 20 ml."""
    return pot(
        {"dose_ml": 20, "pulse_ml": 20, "tank_warn_ml": 100, "leak_ml_day": 5, "wake_s": 43200},
        {"dose_ml": 400, "response_doses": 10, "day_ml": 200},
        {"tolerance_ml": 36, "ul_per_ppt": 0},
    )


def test_noise_does_not_add_up() -> None:
    """Of 30 healthy pots at least 29 give a hundred doses without a lockout."""
    made, well = gauge_that_echoes(), 0
    for seed in range(30):
        world = World(
            made, tank_ml=4500, soil_ppt=240, scatter_ml=36, seed=seed, ul_per_ppt=1500,
            drinks_ppt_day=20, lost_ml_day=4,
        )  # fmt: skip
        pulses = 0
        while pulses < 100 and not world.wake()["lockouts"]:
            pulses += world.records[-1]["plan"]["pulse_ms"] > 0
        well += pulses == 100
    assert well >= 29


def test_a_seized_pump_is_proved_through_noise() -> None:
    """Of 30 pots at least 29 are locked out by the sixth dose."""
    made, proved = gauge_that_echoes(), 0
    for seed in range(30):
        world = World(made, tank_ml=4500, soil_ppt=240, scatter_ml=36, seed=seed, hose="blocked")
        world.lost_ml_day = 4
        world.days(9, lambda record: bool(record["lockouts"]))
        doses = sum(record["plan"]["pulse_ms"] > 0 for record in world.records)
        proved += world.records[-1]["lockouts"] == ["dry run"] and doses <= 6
    assert proved >= 29


# R6, R10: cold soil, and a clock that jumps


@pytest.mark.parametrize(("mc", "waters"), [(-8000, False), (1999, False), (2000, True)])
def test_no_upkeep_on_cold_soil(mc: int, waters: bool) -> None:
    """A probe that is not believed, upkeep agreed to; below 2 degrees nothing is given."""
    world = World(
        pot({"upkeep_ml": 30}, {"upkeep_ml": 30}, {"temperature": core_pots.COLD}),
        soil_ppt=245,
        temperature_mc=mc,
    )
    world.pot.calibration.soil.spread = 0
    world.days(20)
    assert (world.given_ml > 0) is waters


@pytest.mark.parametrize("cut", [False, True])
def test_frost_is_no_fault_of_the_probe(cut: bool) -> None:
    """Cold soil is not read, and nobody can help it; a cut wire is told all the same."""
    world = World(pot({}, {}, {"temperature": core_pots.COLD}), soil_ppt=300, temperature_mc=-3000)
    if cut:
        world.pot.calibration.soil.spread = 0
    world.days(8)
    assert {r["judged"]["soil"] for r in world.records} == {"flicker" if cut else "cold"}
    assert told(world.records, "see to the soil probe") == (9 if cut else 0)


def test_a_press_credits_no_jump() -> None:
    """The clock jumps a day in a soak of ten minutes: the soak goes on."""
    world = World(pot(), soil_ppt=200)
    assert world.wake()["plan"]["pulse_ms"] > 0
    press = world.wake("button", slept_s=DAY_S, passed_s=30, button_ms=300)
    assert press["plan"]["pulse_ms"] == 0
    assert from_bytes(world.slot).since_dose_s == 0  # type: ignore[union-attr]
    assert world.sleep_s == 600
