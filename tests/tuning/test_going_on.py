"""What a twin goes on with at a log's end: the board's memory, and what the tank truly holds."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from wakecore.state import State, from_bytes
from wakecore.table import convert
from wakewell.rig.pot import RigPot
from wakewell.shipped import CAFE
from wakewell.simulate import trials
from wakewell.tuning import ahead, fit
from wakewell.tuning.evidence import REFILL, Fall
from wakewell.tuning.study import Study


def stored(**members: int) -> bytes:
    state = State()
    for name, value in members.items():
        setattr(state, name, value)
    return state.to_bytes()


def test_a_count_of_the_last_answer_is_left_out_and_what_was_learned_stays() -> None:
    found = from_bytes(ahead.carried(stored(silent_doses=1, learned_ul_per_ppt=7000)))
    assert found is not None
    assert (found.silent_doses, found.learned_ul_per_ppt) == (0, 7000)


@pytest.mark.parametrize("count", ["tries", "trial_doses"])
def test_a_press_that_ended_a_lockout_is_remembered_until_it_is_past(count: str) -> None:
    data = stored(unanswered_ul=9000, **{count: 1})
    assert ahead.carried(data) == data


def cold_tank(basil: Study, true_ml: float, celsius: list[float], **last: Any) -> float | None:
    """What a twin of the lemon begins with, by an echo's readings at those temperatures."""
    trial = trials.of_pot(CAFE / "citrus")
    spec, pot = trial.spec, trial.in_force()
    assert pot.calibration.level is not None
    wakes = []
    for n, warm in enumerate(celsius):
        echo_us = spec.level.echo_us(spec.tank.height_mm(true_ml), warm, 0.0, Random(1))
        level_ml = convert(pot.calibration.level.points, echo_us)
        told = {"n": n, "level_ml": level_ml, "level_word": "good", "ran_ms": 0}
        told |= {"temperature_mc": round(1000 * warm), **(last if n + 1 == len(celsius) else {})}
        wakes.append(msgspec.structs.replace(basil.log.wakes[0], **told))
    evidence = SimpleNamespace(log=SimpleNamespace(pot_of=lambda _: pot), left_out={REFILL: [0]})
    found: Any = SimpleNamespace(evidence=evidence, spec=spec, weather=basil.weather)
    return ahead.tank_now(found, wakes)


def test_an_echo_in_the_cold_is_put_right(basil: Study) -> None:
    """Sound goes 331.3 + 0.606 T m/s (from memory), so that at -8 °C a tank looks emptier."""
    assert cold_tank(basil, 5706.0, [20.0]) == pytest.approx(5706.0, abs=20.0)
    assert cold_tank(basil, 5706.0, [4.0, -8.0, -8.5, 2.0, -1.5]) == pytest.approx(5706.0, abs=20.0)


def test_a_fall_of_the_level_in_the_cold_is_put_right(basil: Study) -> None:
    """A frost between two readings is no water that the pump moved."""
    trial = trials.of_pot(CAFE / "citrus")
    pot = trial.in_force()
    assert pot.calibration.level is not None
    gauge, spec = pot.calibration.level.points, trial.spec
    wakes = []
    for n, warm in enumerate((18.0, -6.0)):
        echo_us = spec.level.echo_us(spec.tank.height_mm(5706.0), warm, 0.0, Random(1))
        told = {"n": n, "level_ml": convert(gauge, echo_us), "temperature_mc": round(1000 * warm)}
        wakes.append(msgspec.structs.replace(basil.log.wakes[0], **told))
    read = [wake.level_ml or 0 for wake in wakes]
    assert read[0] - read[1] > 100
    fall = Fall(0, 1, 1.0, 0, 0, 0.0, float(read[0] - read[1]), 0.0)
    evidence: Any = SimpleNamespace(
        log=SimpleNamespace(pot_of=lambda _: pot), wakes=wakes, falls=[fall]
    )
    (found,) = fit.in_the_cold(evidence, spec, basil.weather)
    assert found.lost_ml == pytest.approx(0.0, abs=30.0)


def test_a_twins_clock_is_as_fast_as_the_log_has_it(basil: Study) -> None:
    now = basil.now
    assert now is not None
    trial = basil.trial
    for _, life in ahead.lives(trial, now, 7.0, trial.lines, 4):
        assert life.spec.clock_off is not None
        pot = RigPot(life.spec, 1)
        assert pot.by_own_clock(1.0) == pytest.approx(1.0 / (1.0 + life.spec.clock_off))
    (_, middle), *_ = ahead.lives(trial, now, 7.0, trial.lines, 1)
    assert middle.spec.clock_off == pytest.approx(math.expm1(now.soil.at("clock")[0]))


def test_a_pump_gives_the_flow_of_long_and_short_runs_together(basil: Study) -> None:
    """A third of the runs end before the hose is full: hardly anything arrives of those."""
    spec = basil.trial.spec
    wake = msgspec.structs.replace(basil.log.wakes[0], level_ml=2000, battery_mv=3900)
    lengths = [4.0, 4.0, 0.6] * 5
    wakes = [msgspec.structs.replace(wake, ran_ms=round(1000 * ran_s)) for ran_s in lengths]
    true = replace(spec, pump=replace(spec.pump, flow_ml_s=1.1 * spec.pump.flow_ml_s))
    sag_mv = 0.001 * (spec.pump.running_ma + spec.board.awake_ma) * spec.cell.resistance_mohm
    out_ml = sum(fit.run_ml(true, ran_s, 2000.0, 3900.0 - sag_mv) for ran_s in lengths)
    found = fit.pump_of(spec, wakes, out_ml / sum(lengths))
    assert found.flow_ml_s == pytest.approx(true.pump.flow_ml_s, rel=0.005)


def test_what_a_wake_poured_is_no_longer_in_the_tank(basil: Study) -> None:
    found = cold_tank(basil, 5706.0, [20.0, 20.0], ran_ms=9000, given_ul=300_000, trips=())
    assert found == pytest.approx(5406.0, abs=20.0)
